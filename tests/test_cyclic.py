"""Angles within a turn, or within the spacing of equal marks."""

import numpy as np
import pytest

from vidspin.cyclic import TWO_PI, nearest, wrapped


@pytest.mark.parametrize("period", [TWO_PI, TWO_PI / 3, 1.0])
def test_a_wrapped_angle_differs_by_whole_periods_and_lies_within_half_a_one(period: float) -> None:
    angle = np.random.default_rng(0).uniform(-50.0, 50.0, 500)
    found = wrapped(angle, period)
    whole = (angle - found) / period
    assert whole == pytest.approx(np.rint(whole), abs=1e-9)
    assert (found >= -period / 2).all() and (found < period / 2).all()


def test_half_a_turn_comes_out_below_zero_and_what_is_not_known_stays_so() -> None:
    assert wrapped(np.array([np.pi, -np.pi, 0.0])).tolist() == [-np.pi, -np.pi, 0.0]
    assert np.isnan(wrapped(np.array([np.nan]))).all()


def test_the_nearest_turn_is_taken() -> None:
    expected = np.array([100.0, -7.0, 3.0])
    found = nearest(np.mod(expected + [0.4, -0.4, 3.0], TWO_PI), expected)
    assert found - expected == pytest.approx([0.4, -0.4, 3.0])
    assert nearest(np.array([0.1]), np.array([5.8]), 1.0) == pytest.approx([6.1])
