"""What turns beside the top is told, and what only moves is not."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fabricate import fabricate

from vidspin.checks.case import Case
from vidspin.checks.integrity import _alone
from vidspin.figures.still import survey_picture
from vidspin.measure import _instead
from vidspin.records import Check, Ellipse, Frame, Settings, Survey
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage
from vidspin.store import read_result, write_result
from vidspin.store.revive import revive
from vidspin.summary import summarise
from vidspin.top import others
from vidspin.top import survey as survey_module
from vidspin.top.survey import RUN_FRAMES, RUNS, look_for_top, survey

HALF = {"width": 240, "height": 180, "centre_px": (118.0, 92.0), "semi_axes_px": (50.0, 40.0)}
SPIN = {"law": ExponentialLoss(40.0), "seconds": 8.0}
Change = Callable[[np.ndarray, int, float], np.ndarray]


def looks(**scene: object) -> list[tuple[Frame, ...]]:
    drawn = Scene(**{**HALF, **SPIN, **scene})
    return list(SimulatedFootage(drawn).sparse(runs=RUNS, per_run=RUN_FRAMES))


def beside(
    left: Sequence[Sequence[Frame]], right: Sequence[Sequence[Frame]]
) -> list[tuple[Frame, ...]]:
    """Two recordings as one, side by side."""
    return [
        tuple(
            replace(a, luma=np.hstack([a.luma, b.luma])) for a, b in zip(*pair, strict=True)
        )
        for pair in zip(left, right, strict=True)
    ]  # fmt: skip


def changed(runs: Sequence[Sequence[Frame]], change: Change) -> list[tuple[Frame, ...]]:
    """A recording of which the right half of each picture is changed."""
    out = []
    for run in runs:
        frames = []
        for frame in run:
            luma = frame.luma.copy()
            luma[:, 240:] = change(luma[:, 240:].astype(float), frame.index, frame.time_s)
            frames.append(replace(frame, luma=luma))
        out.append(tuple(frames))
    return out


def found_in(runs: Sequence[Sequence[Frame]], settings: Settings | None = None) -> Survey:
    return survey(runs, settings or Settings(), name="test")


def near(ring: Ellipse, x: float, y: float) -> bool:
    return math.hypot(ring.x_px - x, ring.y_px - y) < 5.0


@pytest.mark.parametrize("speed", [170.0, 120.0, 60.0], ids=["equal", "slower", "slow"])
@pytest.mark.parametrize("contrast", [-100.0, -50.0], ids=["like", "fainter"])
def test_another_top_is_told_whichever_was_found(speed: float, contrast: float) -> None:
    runs = beside(
        looks(speed_rad_s=170.0),
        looks(speed_rad_s=speed, mark_contrast=contrast, seed=5, direction=-1),
    )
    found = found_in(runs)
    at = [(118.0, 92.0), (358.0, 92.0)]
    first = 0 if near(found.ring, *at[0]) else 1
    assert near(found.ring, *at[first])
    assert len(found.others) == 1
    assert near(found.others[0], *at[1 - first])


def test_the_centre_says_which_is_measured_and_the_other_is_told_still() -> None:
    runs = beside(looks(speed_rad_s=170.0), looks(speed_rad_s=120.0, seed=5))
    for here, there in (((118.0, 92.0), (358.0, 92.0)), ((358.0, 92.0), (118.0, 92.0))):
        found = found_in(runs, Settings(centre_px=here))
        assert near(found.ring, *here)
        assert [near(other, *there) for other in found.others] == [True]


def test_the_top_in_a_mirror_is_told() -> None:
    runs = looks(speed_rad_s=170.0)
    mirrored = [
        tuple(replace(f, luma=(60 + 0.4 * f.luma[:, ::-1]).astype(np.uint8)) for f in run)
        for run in runs
    ]
    found = found_in(beside(runs, mirrored))
    assert near(found.ring, 118.0, 92.0)
    assert len(found.others) == 1 and near(found.others[0], 480 - 119.0, 92.0)


def _passer_by(picture: np.ndarray, _: int, time_s: float) -> np.ndarray:
    x = int(40 * time_s) - 60
    picture[20:150, max(x, 0) : max(x + 60, 0)] = 30
    return picture


def _display(picture: np.ndarray, index: int, _: float) -> np.ndarray:
    """A display whose digits change from frame to frame."""
    digits = np.random.default_rng(index).integers(0, 2, (5, 15))
    picture[60:100, 60:180] = np.kron(digits, np.full((8, 8), 180.0)) + 20
    return picture


def _second_hand(picture: np.ndarray, _: int, time_s: float) -> np.ndarray:
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    angle = 2 * math.pi * math.floor(time_s) / 60
    along = (x - 120) * math.cos(angle) + (y - 90) * math.sin(angle)
    across = (y - 90) * math.cos(angle) - (x - 120) * math.sin(angle)
    picture[np.hypot(x - 120, y - 90) < 60] = 200
    picture[(along > 0) & (along < 55) & (np.abs(across) < 3)] = 20
    return picture


def _candle(picture: np.ndarray, _: int, time_s: float) -> np.ndarray:
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    sway = 5 * math.sin(19 * time_s) + 4 * math.sin(48 * time_s + 1)
    tall = 25 + 6 * math.sin(31 * time_s)
    picture[np.hypot((x - 120 - sway) / 12, (y - 90) / tall) < 1] = 250
    return picture


@pytest.mark.parametrize("change", [_passer_by, _display, _second_hand, _candle])
def test_what_moves_and_does_not_turn_is_not_told(change: Change) -> None:
    empty = looks(speed_rad_s=170.0, mark_contrast=0.0, seed=9)
    found = found_in(changed(beside(looks(speed_rad_s=170.0), empty), change))
    assert near(found.ring, 118.0, 92.0)
    assert found.others == ()


def test_a_top_alone_is_alone() -> None:
    for scene in ({}, {"release_s": 1.5}, {"marks": 3}, {"mark_contrast": -30.0}):
        assert found_in(looks(speed_rad_s=170.0, **scene)).others == ()


def test_what_else_turns_is_asked_once_for_each_look_at_a_recording(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Not for each choice of runs that a recording of an unsure mark is searched in."""
    asked: list[int] = []

    def with_others(found: Survey, runs: list[np.ndarray], scale: float) -> Survey:
        asked.append(len(runs))
        return others.with_others(found, runs, scale)

    monkeypatch.setattr(survey_module, "with_others", with_others)
    scene = Scene(**{**HALF, **SPIN, "mark_contrast": -14.0, "noise": 3.0})  # type: ignore[arg-type]
    tried: list[int] = []
    looked = survey_module._look
    monkeypatch.setattr(
        survey_module,
        "_look",
        lambda *args: tried.append(1) or looked(*args),  # type: ignore[func-returns-value]
    )
    look_for_top(SimulatedFootage(scene), Settings())
    assert len(tried) > 4
    assert len(asked) <= 2


# ------------------------------------------------------------------------ what is said

OTHER = Ellipse(620.0, 200.0, 90.0, 70.0, 0.0)


def case_of(found: Survey) -> Case:
    empty: dict[str, Any] = dict.fromkeys(
        ("outcome", "readings", "turning", "noise", "curve", "breaks", "topple_s")
    )
    return Case(
        **empty, frame_interval_s=0.03, unseen_s=0.0, resolved=True, sense_known=True, survey=found
    )


def asked(found: Survey) -> Check:
    return _alone(case_of(found))


def test_a_mark_of_which_it_is_not_known_whether_it_was_meant_accuses_and_clears_nobody() -> None:
    alone = fabricate().survey
    two = replace(alone, others=(OTHER,))
    assert "which was meant" in case_of(two).mark_in_doubt
    assert not case_of(replace(two, given=("centre",))).mark_in_doubt
    assert not case_of(alone).mark_in_doubt


def test_which_of_two_was_meant_could_not_be_checked_unless_it_was_stated() -> None:
    alone = fabricate().survey
    assert asked(alone).state == "pass"
    two = replace(alone, others=(OTHER,))
    told = asked(two)
    assert told.state == "unchecked" and told.look
    assert "(620, 200)" in told.figure and "--centre" in told.note
    stated = asked(replace(two, given=("centre",)))
    assert stated.state == "pass" and not stated.look
    assert "(620, 200)" in stated.figure


def test_summary_picture_and_refusal_name_the_other_thing() -> None:
    result = fabricate()
    two = replace(result, survey=replace(result.survey, others=(OTHER,)))
    assert "ANOTHER THING TURNS about (620, 200)" in summarise(two)
    assert "ANOTHER THING" not in summarise(result)
    stated = replace(two, survey=replace(two.survey, given=("centre",)))
    assert "another thing turns about (620, 200)" in summarise(stated)
    assert survey_picture(two) != survey_picture(result)
    assert "about (620, 200)" in _instead(two.survey)
    assert "another thing" not in _instead(result.survey)
    assert "another thing" not in _instead(stated.survey)  # the one that was meant is known


def test_what_else_turned_is_kept_with_the_result(tmp_path: Path) -> None:
    """`measure --from` wrote a summary without it."""
    result = fabricate()
    two = replace(result, survey=replace(result.survey, others=(OTHER, OTHER)))
    for one, told in ((two, (OTHER, OTHER)), (result, ())):
        folder = tmp_path / f"{len(told)}.spin"
        write_result(one, {}, folder)
        again = revive(read_result(folder), where="here")
        assert again.survey.others == told
        assert ("ANOTHER THING TURNS" in summarise(again)) is bool(told)
