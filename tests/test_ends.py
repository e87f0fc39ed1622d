"""Where the free spin begins and ends, by what was seen of the mark."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from vidspin.calibration.angles import Seen
from vidspin.frames.reading import Readings
from vidspin.instants import ends as ends_module
from vidspin.instants.ends import Ends, _held, _looked_at, _topple, _unseen_from, find, span_of
from vidspin.instants.events import event
from vidspin.records import Ellipse, Frame, Settings, SightingFlag
from vidspin.result import sure_until
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage


@pytest.mark.parametrize("marks", [1, 2, 3, 4])
def test_spin_ends_where_sightings_leave_the_track_however_many_marks(marks: int) -> None:
    """What a fallen top shows is far from the track, but within half a spacing of marks."""
    rng, fall = np.random.default_rng(marks), 500
    expected = 0.3 * np.arange(600.0)  # mark phase of the track, which goes on a little too far
    off = np.where(np.arange(600) < fall, rng.normal(0, 0.05, 600), rng.uniform(0.9, 1.2, 600))
    seen = SimpleNamespace(
        spin=SimpleNamespace(angle_rad=(expected + off) / marks),
        track=SimpleNamespace(first=20, last=560, expected_rad=expected),
        strong=np.ones(600),
        amplitude=np.ones(600),
    )
    assert span_of(cast("Seen", seen), marks) == (20, fall - 1)


def test_weak_and_lost_sightings_are_no_end_of_a_spin() -> None:
    expected = 0.3 * np.arange(100.0)
    angle, strong = expected.copy(), np.ones(100)
    angle[:8], strong[90:] = np.nan, 0.0
    seen = SimpleNamespace(
        spin=SimpleNamespace(angle_rad=angle), strong=strong,
        track=SimpleNamespace(first=5, last=97, expected_rad=expected),
    )  # fmt: skip
    assert span_of(cast("Seen", seen), 1) == (8, 89)


HAND = int(SightingFlag.OCCLUDED)


@pytest.mark.parametrize(
    ("covered_s", "still_s", "from_s"),
    [
        ([], [], 0.0),  # neither hand nor a mark at rest: perhaps from the first frame on
        ([(0.0, 2.0)], [], 2.0),
        ([(0.0, 5.95)], [], 6.0),  # the hand has just left
        ([], [(4.0, 5.95)], 6.0),  # the mark at rest before it
        ([], [(1.0, 3.0)], 3.0),
        ([(0.0, 2.0), (4.0, 4.01), (5.0, 5.01)], [], 2.0),  # single frames are chance
    ],
)
def test_from_when_on_a_free_spin_may_have_gone_unseen(
    covered_s: list[tuple[float, float]], still_s: list[tuple[float, float]], from_s: float
) -> None:
    t, first = np.arange(300) / 30, 180  # 6 s
    flags, strong = np.zeros(300, int), np.ones(300)  # a smeared mark is found where noise has it
    angle = np.random.default_rng(4).uniform(0, 2 * np.pi, 300)
    for low, high in covered_s:
        flags[(t >= low - 1e-9) & (t < high)] = HAND
    for low, high in still_s:
        angle[(t >= low - 1e-9) & (t < high)] = 1.0
    readings = SimpleNamespace(time_s=t, flags=flags)
    seen = SimpleNamespace(
        strong=strong, angle_rad=angle, amplitude=np.ones(300), spin=SimpleNamespace(marks=1)
    )
    held = _held(cast("Readings", readings), cast("Seen", seen), first)
    assert _unseen_from(t, held, first) == pytest.approx(from_s, abs=2.5 / 30)
    assert _unseen_from(t, held[:0], 0) == 0.0
    assert len(_held(cast("Readings", readings), cast("Seen", seen), 0)) == 0


def test_what_a_smeared_mark_leaves_of_the_ring_is_no_mark_at_rest() -> None:
    """It stands still where the mark itself is smeared away, and is weaker than a mark."""
    t, first = np.arange(300) / 30, 180
    readings = SimpleNamespace(time_s=t, flags=np.zeros(300, int))

    def held(amplitude: float) -> int:
        seen = SimpleNamespace(
            strong=np.ones(300), angle_rad=np.full(300, 1.0), spin=SimpleNamespace(marks=4),
            amplitude=np.full(300, amplitude),
        )  # fmt: skip
        return int(_held(cast("Readings", readings), cast("Seen", seen), first).sum())

    assert held(0.6) == 0
    assert held(1.0) > 170


SCENE = Scene(
    width=240, height=180, seconds=5.0, speed_rad_s=34.0, law=ExponentialLoss(20.0),
    topple_s=3.01, precession_hz=1.6, rest_s=0.4, wander_px=1.0, frame_rate=Fraction(25),
    table_texture=14.0, seed=5,
)  # fmt: skip


@pytest.mark.parametrize(("rolls_s", "until_s"), [(0.4, 3.6), (1.2, 3.9)])
def test_track_that_a_rolling_top_draws_out_still_ends_at_the_topple(
    rolls_s: float, until_s: float
) -> None:
    footage, last = SimulatedFootage(replace(SCENE, rest_s=rolls_s)), round(until_s * 25)
    count = 125
    readings = SimpleNamespace(
        time_s=np.arange(count) / 25, flags=np.zeros(count, int),
        x_px=np.full(count, SCENE.ring.x_px), y_px=np.full(count, SCENE.ring.y_px),
    )  # fmt: skip
    asked = (footage, SimpleNamespace(ring=SCENE.ring), readings, last)
    alone = _looked_at(*asked)  # type: ignore[arg-type]
    assert alone is not None and alone.lost and not alone.seen
    topple, end = _topple(*asked, Settings())  # type: ignore[arg-type]
    assert topple is not None and topple.seen, topple
    assert abs(topple.time_s - 3.01) <= topple.u95_s + 1 / 25
    assert readings.time_s[end] == pytest.approx(topple.time_s, abs=1 / 25)
    assert end < last


def test_ring_lies_on_the_top_in_the_reduced_pictures_as_well(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ring, (y, x) = Ellipse(300.0, 260.0, 150.0, 120.0, 0.0), np.mgrid[:520, :600]
    blob = 200 * np.exp(-((x - ring.x_px) ** 2 + (y - ring.y_px) ** 2) / (2 * 30.0**2))
    frames = [Frame(k, 0, k, k / 25, blob.astype(np.uint8)) for k in range(100)]
    footage = SimpleNamespace(
        facts=SimpleNamespace(frame_rate=Fraction(25)), passing=lambda *_, **__: iter(frames)
    )
    readings = SimpleNamespace(
        time_s=np.arange(100) / 25, flags=np.zeros(100, int), x_px=np.full(100, ring.x_px),
        y_px=np.full(100, ring.y_px),
    )  # fmt: skip
    told = []
    monkeypatch.setattr(ends_module, "find_topple", lambda *asked: told.append(asked))
    _looked_at(footage, SimpleNamespace(ring=ring), readings, 50)  # type: ignore[arg-type]
    ((pictures, _, _, seen, _, middle),) = told
    light = pictures[0].astype(float)
    rows, columns = np.mgrid[: light.shape[0], : light.shape[1]]
    centre = [float((v * light).sum() / light.sum()) for v in (columns, rows)]
    assert seen.major_px < 0.9 * ring.major_px  # they are reduced
    assert (seen.x_px, seen.y_px) == pytest.approx(centre, abs=0.02)
    assert middle[0] == pytest.approx(centre, abs=0.02)


@pytest.mark.parametrize(("leaves_s", "topples"), [(3.15, True), (9.0, False)])
def test_mark_in_sight_to_the_last_frame_does_not_hide_that_the_top_fell(
    leaves_s: float, topples: bool
) -> None:
    """The mark of a top that rolls and lies is followed on; that the top left its place tells."""
    footage, t = SimulatedFootage(replace(SCENE, rest_s=1.0)), np.arange(125) / 25
    expected = 0.3 * np.arange(125.0)
    seen = SimpleNamespace(
        spin=SimpleNamespace(angle_rad=expected, marks=1), angle_rad=expected, elsewhere=(),
        strong=np.ones(125), amplitude=np.ones(125),
        track=SimpleNamespace(first=3, last=124, expected_rad=expected),
    )  # fmt: skip
    away = np.clip(t - leaves_s, 0.0, 0.5) * SCENE.ring.major_px
    wander = 1.5 * np.sin(t)
    readings = SimpleNamespace(
        time_s=t, flags=np.zeros(125, int), x_px=SCENE.ring.x_px + away + wander,
        y_px=np.full(125, SCENE.ring.y_px),
    )  # fmt: skip
    survey = SimpleNamespace(ring=SCENE.ring, marks=1)
    ends = find(footage, survey, readings, cast("Seen", seen), Settings())  # type: ignore[arg-type]
    if not topples:
        assert ends.topple is None and ends.last == 124
        return
    assert ends.topple is not None and ends.topple.seen
    assert abs(ends.topple.time_s - 3.01) <= ends.topple.u95_s + 1 / 25


def test_mark_may_stand_once_the_top_may_have_fallen() -> None:
    fallen = event("topple", seen=True, time_s=18.5, u95_s=0.3, how="", stated_s=None, reason="")
    assert sure_until(Ends(0, 9, None, fallen)) == pytest.approx(18.2)
    assert sure_until(Ends(0, 9, None, replace(fallen, seen=False))) == np.inf
    assert sure_until(Ends(0, 9, None, None)) == np.inf
