"""The instant of the topple from simulated pictures with known truth."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from vidspin.pictures import crop
from vidspin.records import Ellipse, Survey
from vidspin.simulate import DragLoss, Scene, SimulatedFootage
from vidspin.topple import ToppleFound, find_topple

TOPPLE_S = 6.0
RATE = Fraction(30)


def look(seconds: float, seed: int, *, until_s: float = 9.0) -> ToppleFound:
    """Look at a top that topples at `TOPPLE_S`, from 1.5 s before its last steady frame."""
    scene = Scene(
        width=320, height=180, frame_rate=RATE, seconds=seconds, topple_s=TOPPLE_S, seed=seed,
        law=DragLoss(0.5, 0.02, 1.0), speed_rad_s=40.0,
    )  # fmt: skip
    footage = SimulatedFootage(scene, "topple")
    steady_s = TOPPLE_S - 1.8
    frames = footage.around(steady_s, before=45, after=round((until_s - steady_s) * 30))
    ring = scene.ring
    empty = np.zeros((1, 1))
    survey = Survey(ring, 0.9, 1.1, 1, False, 1.0, (), empty.astype(np.uint8), empty, 1.0)
    cuts = [crop(f, survey, ring.x_px, ring.y_px, 3.0, 480) for f in frames]
    _, left, top, scale = cuts[0]
    at = Ellipse(
        (ring.x_px - left) * scale, (ring.y_px - top) * scale, ring.major_px * scale,
        ring.minor_px * scale, ring.tilt_rad,
    )  # fmt: skip
    times = np.array([f.time_s for f in frames])
    last = int(np.argmin(np.abs(times - steady_s)))
    return find_topple(np.stack([c[0] for c in cuts]), times, last, at, 1 / 30)


@pytest.mark.parametrize("seed", [1, 2])
def test_touch_lies_within_a_frame_and_its_u95(seed: int) -> None:
    found = look(9.0, seed)
    assert found.seen, found.how
    assert abs(found.time_s - TOPPLE_S) <= 1 / 30 + found.u95_s
    assert found.u95_s < 0.4  # wider would say nothing that the eye does not see at once


def test_recording_that_ends_before_the_touch_has_no_topple() -> None:
    found = look(TOPPLE_S - 0.4, 3, until_s=TOPPLE_S - 0.45)
    assert not found.seen
    assert found.how
    assert found.earliest_s <= TOPPLE_S
