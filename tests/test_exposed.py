"""A camera that changes its exposure moves the middle of its frames, and accuses nobody."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from vidspin.measure import measure
from vidspin.phase.exposed import Side, most_explained
from vidspin.records import Check, Frame, Result, Settings
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage, speed
from vidspin.simulate.render import Renderer
from vidspin.units import rpm_from_rad_s

START, STEP_FRAME, RATE = 105.0, 210, 30
HARMONICS = np.arange(1, 65)


def scene(**changed: object) -> Scene:
    usual = {
        "width": 320, "height": 180, "seconds": 15.0, "speed_rad_s": START,
        "law": ExponentialLoss(400.0),
    }  # fmt: skip
    return Scene(**{**usual, **changed})


@lru_cache
def changed(before_s: float, after_s: float, missing: int = 0) -> Result:
    """Measure a top whose camera changes its exposure, and leaves out some frames, at 7 s."""
    footage = SimulatedFootage(scene(exposure_s=before_s))
    first, then = footage._renderer, Renderer(scene(exposure_s=after_s, seconds=40.0))

    def frame(index: int) -> Frame:
        if index < STEP_FRAME:
            return Renderer.frame(first, index)
        drawn = then.frame(index + missing)
        stated = int(first.times.ticks[index])
        return replace(drawn, index=index, tick=stated, time_s=stated / 90000)

    first.frame = frame
    return measure(
        footage, Settings(bounds_rpm=(800.0, 1050.0)), version="0",
        created="2024-05-01T12:00:00Z",
    )  # fmt: skip


def continuity(result: Result) -> Check:
    return next(c for c in result.checks if c.name == "phase continuity")


@pytest.mark.parametrize(("before_s", "after_s"), [(1 / 100, 1 / 50), (1 / 80, 1 / 160)])
def test_another_exposure_is_no_break_of_the_spin(before_s: float, after_s: float) -> None:
    result = changed(before_s, after_s)
    told = continuity(result)
    assert told.state == "pass" and told.look
    assert abs(told.at_s[0] - STEP_FRAME / RATE) < 0.2 and len(told.at_s) == 1
    assert "changed its exposure" in told.note
    assert result.revolutions.count is not None


def test_missing_time_is_told_though_the_exposure_changes_as_well() -> None:
    told = continuity(changed(1 / 100, 1 / 50, missing=40))
    assert told.state == "fail" and "missing" in told.figure


def test_missing_time_is_not_taken_for_another_exposure() -> None:
    told = continuity(changed(1 / 100, 1 / 100, missing=40))
    assert told.state == "fail"


@pytest.mark.parametrize(("before_s", "after_s"), [(1 / 250, 1 / 200), (1 / 100, 1 / 50)])
def test_no_speed_is_told_across_a_change_of_the_exposure(before_s: float, after_s: float) -> None:
    curve = changed(before_s, after_s).curve
    known = np.isfinite(curve.speed_rad_s)
    true = speed(scene(), curve.time_s[known])
    off = np.abs(curve.speed_rad_s[known] - true) / curve.u95_total_rad_s[known]
    assert known.sum() >= 10
    assert off.max() < 1.5, rpm_from_rad_s(curve.speed_rad_s[known] - true)


def side(smear_rad: float, noise: float, seed: int) -> Side:
    shape = np.exp(-((HARMONICS * 0.09) ** 2) / 2) * np.sinc(HARMONICS * smear_rad / (2 * np.pi))
    draw = np.random.default_rng(seed).normal(0, noise / np.sqrt(2), (2, len(HARMONICS)))
    return Side(shape + draw[0] + 1j * draw[1], noise**2)


def test_one_exposure_explains_no_step() -> None:
    for seed in range(40):
        assert most_explained(side(0.5, 0.01, seed), side(0.5, 0.01, seed + 100)) is None


@pytest.mark.parametrize(("before", "after"), [(0.48, 0.64), (0.64, 0.48), (0.0, 0.3)])
def test_longer_trace_explains_half_of_what_was_added(before: float, after: float) -> None:
    for seed in range(20):
        most = most_explained(side(before, 0.01, seed), side(after, 0.01, seed + 100))
        assert most is not None
        assert 0.5 * abs(after - before) <= most <= abs(after - before)
