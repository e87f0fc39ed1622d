"""Summits whose place is known, smooth and bent along a ridge."""

from __future__ import annotations

import numpy as np
import pytest

from vidspin.instants.climb import climb

TOP = np.array([0.31, -0.22, 0.08, 0.05])
RIDGE = np.array([[1.0, 0.9, 0.0, 0.0], [0.0, 0.3, 0.0, 0.0], [0.0, 0.0, 2.0, 1.0], [0, 0, 0, 1]])


def parabola(p: np.ndarray) -> np.ndarray:
    return 1.0 - (((p - TOP) @ RIDGE.T) ** 2).sum(axis=1)


def bell(p: np.ndarray) -> np.ndarray:
    return np.exp(-(((p - TOP) @ RIDGE.T) ** 2).sum(axis=1) / 0.02)


@pytest.mark.parametrize(("heights", "far", "near"), [(parabola, 0.2, 2e-3), (bell, 0.06, 2e-3)])
def test_summit_is_climbed_to(heights, far, near) -> None:
    # the last steps are 0.03 of 0.03: a thousandth
    start = TOP + far * np.array([0.5, -0.5, 0.5, -0.5])
    at, height = climb(heights, start, np.full(4, 0.03))
    assert at == pytest.approx(TOP, abs=near)
    assert height == pytest.approx(float(heights(at[None])[0]), abs=1e-12)


def test_climb_never_ends_lower_than_it_began() -> None:
    rng = np.random.default_rng(0)
    waves = rng.normal(size=(6, 3))

    def rough(p: np.ndarray) -> np.ndarray:
        return np.sin(40 * p @ waves.T).sum(axis=1)

    for start in rng.normal(size=(20, 3)):
        at, height = climb(rough, start, np.full(3, 0.02))
        assert height >= rough(start[None])[0] - 1e-12
        assert height == pytest.approx(float(rough(at[None])[0]), abs=1e-9)
