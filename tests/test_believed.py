"""Is it a mark that was followed? Invented spins with run-out, wander and a fall."""

from __future__ import annotations

import numpy as np
import pytest

from vidspin.checks.believed import goes_with_lean
from vidspin.records import Ellipse, FloatArray

RING = Ellipse(120.0, 80.0, 60.0, 42.0, 0.3)
FRAMES = np.arange(240)
T = FRAMES / 30.0
LEAN_PX = 0.3 * np.exp((T - T[-1]) / 1.2) * 30.0  # grows until the fall
PRECESSION = 2 * np.pi * 0.8 * T


def _seen(along: FloatArray, across: FloatArray) -> tuple[FloatArray, FloatArray]:
    cos, sin, aspect = np.cos(RING.tilt_rad), np.sin(RING.tilt_rad), RING.minor_px / RING.major_px
    return RING.x_px + along * cos - aspect * across * sin, RING.y_px + along * sin + (
        aspect * across * cos
    )


def test_light_that_goes_round_with_the_lean_is_no_mark() -> None:
    rng = np.random.default_rng(1)
    x, y = _seen(LEAN_PX * np.cos(PRECESSION), LEAN_PX * np.sin(PRECESSION))
    x, y = x + rng.normal(0, 0.2, len(x)), y + rng.normal(0, 0.2, len(y))
    followed = PRECESSION + 0.9 + rng.normal(0, 0.2, len(x))  # lit from one side
    assert goes_with_lean(followed, x, y, RING)
    followed[rng.random(len(x)) < 0.4] = np.nan
    assert goes_with_lean(np.mod(followed, 2 * np.pi), x, y, RING)
    assert not goes_with_lean(np.full(len(x), np.nan), x, y, RING)


@pytest.mark.parametrize("rpm", [41.0, 300.0, 966.0, 1790.0])
@pytest.mark.parametrize("runout_px", [0.0, 2.0])
@pytest.mark.parametrize("falls", [False, True])
def test_a_mark_is_a_mark_whatever_the_body_does(rpm: float, runout_px: float, falls: bool) -> None:
    rng = np.random.default_rng(2)
    angle = 2 * np.pi * rpm / 60 * T
    lean = LEAN_PX * falls
    x, y = _seen(
        runout_px * np.cos(angle + 1) + lean * np.cos(PRECESSION),
        runout_px * np.sin(angle + 1) + lean * np.sin(PRECESSION),
    )
    x, y = x + rng.normal(0, 0.2, len(x)), y + rng.normal(0, 0.2, len(y))
    assert not goes_with_lean(angle, x, y, RING)
