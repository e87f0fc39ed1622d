"""A hand at the top before its spin, and frames that are unlike for another reason."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace
from typing import cast

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vidspin.calibration.angles import Angles
from vidspin.frames.reading import Readings
from vidspin.instants.hold import (
    AT_FIRST,
    NEITHER,
    NO_HAND,
    NOT_JOINED,
    TOO_SHORT,
    TURNED_ON,
    Before,
    left_by_a_hand,
    no_release,
)
from vidspin.instants.reach import Reach
from vidspin.instants.release import COVERED_S, HID, ReleaseFound
from vidspin.measure import measure
from vidspin.records import Ellipse, Event, Frame, LumaArray, Settings, SightingFlag
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage

Change = Callable[[LumaArray, float], LumaArray]
HAND, LOST = int(SightingFlag.OCCLUDED), int(SightingFlag.DARK)
SCENE = Scene(
    width=320, height=240, seconds=8.0, speed_rad_s=140.0, law=ExponentialLoss(25.0),
    frame_rate=Fraction(30), exposure_s=1 / 250, noise=2.5, mark_contrast=-90.0, seed=11,
)  # fmt: skip


class Changed(SimulatedFootage):
    """A recording in which light or focus are not those of the scene."""

    def __init__(self, scene: Scene, change: Change) -> None:
        super().__init__(scene)
        self._change = change

    def _changed(self, frame: Frame) -> Frame:
        return replace(frame, luma=self._change(frame.luma, frame.time_s))

    def sparse(self, *, runs: int, per_run: int) -> Iterator[tuple[Frame, ...]]:
        """Yield runs of changed frames."""
        for run in super().sparse(runs=runs, per_run=per_run):
            yield tuple(map(self._changed, run))

    def stream(self) -> Iterator[Frame]:
        """Yield every frame, changed."""
        yield from map(self._changed, super().stream())

    def passing(self, time_s: float, *, before: int, after: int, every: int = 1) -> Iterator[Frame]:
        """Yield changed frames about an instant."""
        found = super().passing(time_s, before=before, after=after, every=every)
        yield from map(self._changed, found)


def released(scene: Scene, change: Change) -> Event:
    result = measure(
        Changed(scene, change), Settings(), version="1", created="2000-01-01T00:00:00Z"
    )
    assert result.release is not None
    return result.release


def focusing(luma: LumaArray, time_s: float) -> LumaArray:
    """The camera finds its focus within three quarters of a second."""
    sigma = 5.0 * float(np.exp(-((time_s / 0.7) ** 2)))
    return luma if sigma < 0.2 else cv2.GaussianBlur(luma, (0, 0), sigma)  # type: ignore[return-value]


def lamp_moved(luma: LumaArray, time_s: float) -> LumaArray:
    """A second lamp lights a part of the top for a second and a half."""
    y, x = np.mgrid[-1 : 1 : luma.shape[0] * 1j, -1 : 1 : luma.shape[1] * 1j]
    spot = 1.1 * np.exp(-((x - 0.15) ** 2 + (y + 0.2) ** 2) / 0.08)
    more = 1 + spot / (1 + np.exp(8 * (time_s - 1.5)))
    light = (np.clip(luma - 16.0, 0, 219) / 219) ** 2.2 * more
    return np.rint(16 + 219 * np.clip(light, 0, 1) ** (1 / 2.2)).astype(np.uint8)


def nothing(luma: LumaArray, time_s: float) -> LumaArray:
    """Leave the picture as it is."""
    del time_s
    return luma


@pytest.mark.parametrize(("change", "free_s"), [(focusing, 0.4), (lamp_moved, 2.0)])
def test_light_and_focus_release_no_top(change: Change, free_s: float) -> None:
    release = released(SCENE, change)
    assert not release.seen
    assert release.how in (AT_FIRST, NO_HAND)
    assert release.time_s <= free_s  # from there on it is known to have spun freely


def test_top_that_walks_in_was_released_by_nobody() -> None:
    """A small top walks two picture elements a second; it is found where it was at first."""
    scene = replace(
        SCENE, seconds=14.0, semi_axes_px=(34.0, 25.0), wander_px=8.6, direction=-1, seed=358321,
        speed_rad_s=153.3, law=ExponentialLoss(40.0), mark="stripe", face_level=123.0,
        mark_contrast=-87.0, highlight=0.29, noise=3.5, exposure_s=0.002, readout_s=0.004,
        table_texture=9.6, first_angle_rad=3.72,
    )  # fmt: skip
    release = released(scene, nothing)
    assert not release.seen
    assert release.how == "already spinning freely in the first frame"


@pytest.mark.parametrize("walk_px", [0.0, 8.0])
def test_hand_that_lets_go_is_still_seen(walk_px: float) -> None:
    scene = replace(SCENE, release_s=1.3, wander_px=walk_px)
    release = released(scene, nothing)
    assert release.seen
    assert abs(release.time_s - 1.3) <= release.u95_s + 1 / 30
    assert release.u95_s < COVERED_S / 2 + 0.05


# ---------------------------------------------------------------------- what was seen, in numbers

RATE, FIRST, COUNT = 30, 60, 240  # the track begins after 2 s
RING = Ellipse(160.0, 120.0, 50.0, 36.0, 0.0)
FOUND = ReleaseFound(True, 1.9, 0.17, FIRST, "a hand hid the mark")


def before(  # noqa: PLR0913 - what was seen, each by itself
    *,
    covered_s: tuple[float, float] = (0.0, 1.9),
    beside_s: tuple[float, float] = (0.0, 1.9),
    x_px: NDArray[np.float64] | float = 160.0,
    lost: bool = False,
    rest: bool = False,
    rate: float = 140.0,
    earlier_s: float = -np.inf,
) -> Before:
    t = np.arange(COUNT) / RATE
    covered = (t >= covered_s[0]) & (t < covered_s[1])
    near = np.where((t >= beside_s[0]) & (t < beside_s[1]), 1.8, np.inf)
    angle = rate * t - 0.5 * t**2
    angle[:FIRST] = np.random.default_rng(2).uniform(0, 2 * np.pi, FIRST)
    readings = SimpleNamespace(
        time_s=t, flags=np.where(covered, HAND | (LOST if lost else 0), 0), usable=~covered,
        x_px=np.broadcast_to(x_px, COUNT), y_px=np.full(COUNT, 120.0),
        glances=SimpleNamespace(near=near),
    )  # fmt: skip
    return Before(
        cast("Readings", readings),
        cast("Angles", SimpleNamespace(u_rad=np.full(COUNT, 0.01))),
        angle, np.ones(COUNT, bool), FIRST, t[covered], t[covered] if rest else t[:0],
        earlier_s, RING, 1,
    )  # fmt: skip


def reach(first: int = FIRST) -> Reach:
    return Reach(first, np.zeros(COUNT), np.arange(COUNT) >= first, first)


def test_hand_beside_the_top_holds_it() -> None:
    assert no_release(FOUND, before(), reach()) == ""


def test_nothing_beside_the_top_is_no_hand() -> None:
    assert no_release(FOUND, before(beside_s=(9.0, 9.0)), reach()) == NO_HAND
    assert no_release(FOUND, before(beside_s=(0.0, 0.5)), reach()) == NO_HAND  # it had left


def test_mark_at_rest_was_held_whatever_is_beside_the_top() -> None:
    told = before(beside_s=(9.0, 9.0), rest=True)
    assert no_release(FOUND, told, reach()) == ""


@pytest.mark.parametrize(("rest_until_s", "held"), [(1.9, True), (1.95, False), (2.0, False)])
def test_a_rest_that_is_a_spin_at_once_is_a_picture_that_was_held(
    rest_until_s: float, held: bool
) -> None:
    """The quickest hand takes 0.07 s to 140 rad/s; the free spin begins after 2 s."""
    told = before(covered_s=(0.0, rest_until_s), beside_s=(9.0, 9.0), rest=True)
    assert (no_release(FOUND, told, reach()) == "") == held


def test_rest_in_the_first_moment_alone_is_no_hand() -> None:
    """An encoder that is short of bits shows its first picture for some frames."""
    told = before(covered_s=(0.0, 0.2), beside_s=(9.0, 9.0), rest=True)
    assert no_release(FOUND, told, reach()) == NO_HAND


def test_mark_at_a_stand_still_speed_is_not_at_rest() -> None:
    told = before(beside_s=(9.0, 9.0), rest=True, rate=2 * np.pi * RATE)
    assert no_release(FOUND, told, reach()) == NO_HAND


NEVER_SEEN = ReleaseFound(True, 0.95, 1.05, FIRST, "the mark was hidden", hidden=True)


@pytest.mark.parametrize("leaves_s", [2.0, 1.7, 1.4])
def test_a_hand_that_covers_the_top_until_the_spin_is_seen_let_go_shortly_before(
    leaves_s: float,
) -> None:
    hand = before(covered_s=(0.0, leaves_s), beside_s=(0.0, leaves_s))
    found = left_by_a_hand(NEVER_SEEN, hand)
    assert found.how == HID and found.hidden
    late = NEVER_SEEN.time_s + NEVER_SEEN.u95_s
    assert found.time_s + found.u95_s == pytest.approx(late)
    assert found.time_s - found.u95_s == pytest.approx(leaves_s - COVERED_S - 2 / RATE)


@pytest.mark.parametrize(
    "seen",
    [
        {"covered_s": (0.0, 1.2), "beside_s": (0.0, 1.2)},  # it left long before the mark was seen
        {"covered_s": (1.85, 2.0), "beside_s": (1.85, 2.0)},  # for a moment
        {"covered_s": (0.0, 2.0), "beside_s": (9.0, 9.0)},  # nothing came from outside
        {"covered_s": (0.0, 0.0), "beside_s": (0.0, 2.0)},  # beside the top, not over it
    ],
)
def test_what_may_be_no_hand_that_leaves_keeps_all_instants_open(
    seen: dict[str, tuple[float, float]],
) -> None:
    assert left_by_a_hand(NEVER_SEEN, before(**seen)) == NEVER_SEEN
    hand = before(covered_s=(0.0, 2.0), beside_s=(0.0, 2.0))
    assert left_by_a_hand(FOUND, hand) == FOUND  # sure already


def test_drive_in_sight_is_a_release() -> None:
    driven = replace(FOUND, driven=True)
    assert no_release(driven, before(beside_s=(9.0, 9.0)), reach()) == ""


def test_mark_that_turned_on_in_most_unlike_frames_was_not_held() -> None:
    assert no_release(FOUND, before(), reach(first=20)) == TURNED_ON
    assert no_release(FOUND, before(), reach(first=52)) == ""  # a hand that left slowly


def test_top_that_walks_in_is_itself_what_is_new() -> None:
    walk = 160.0 + 14.0 * (np.arange(COUNT) / RATE - 4.0)
    assert no_release(FOUND, before(x_px=walk), reach()) == NO_HAND
    stuck = np.where(np.arange(COUNT) < FIRST, 160.0, walk)  # the follower had not found it
    assert no_release(FOUND, before(x_px=stuck, lost=True), reach()) == NO_HAND
    assert no_release(FOUND, before(x_px=stuck), reach()) == ""


def test_a_first_moment_without_the_mark_is_no_hand_that_let_go() -> None:
    """A top that walked by 20 px was "released" 0.11 s after its recording began."""
    short = replace(FOUND, time_s=0.1, first_free=6, hidden=True)
    told = before(covered_s=(0.0, 0.2), beside_s=(0.0, 0.2))
    assert no_release(short, told, reach(first=6)) == TOO_SHORT
    longer = replace(FOUND, time_s=0.2, first_free=12, hidden=True)
    told = before(covered_s=(0.0, 0.4), beside_s=(0.0, 0.4))
    assert no_release(longer, told, reach(first=12)) == ""


def test_other_reasons_come_first() -> None:
    assert no_release(FOUND, before(earlier_s=1.8), reach()) == NOT_JOINED
    assert no_release(FOUND, before(covered_s=(9.0, 9.0)), reach()) == NEITHER


def test_where_the_setting_was_not_looked_at_unlike_frames_are_a_hand() -> None:
    told = before()
    readings = SimpleNamespace(**{**vars(told.readings), "glances": None})
    assert no_release(FOUND, replace(told, readings=cast("Readings", readings)), reach()) == ""
