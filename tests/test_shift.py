"""Moves of drawn pictures, whose place is a formula."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from vidspin.top.shift import Still, moved_back

SHAPE = (120, 160)
REACH = 12.0


def drawn(dx: float, dy: float, turn: float = 0.0, *, seed: int | None = None) -> np.ndarray:
    """A table's grain and rings moved by (dx, dy), with a dark dot that moves by itself."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    u, v = x - dx, y - dy
    grain = 8 * np.sin(0.31 * u + 0.11 * v) + 8 * np.cos(0.27 * v - 0.07 * u)
    radius = np.hypot(u - 80, v - 60)
    picture = 100 + grain + 60 / (1 + np.exp((radius - 40) / 1.2))
    dot = (u - 80 - 28 * np.cos(turn)) ** 2 + (v - 60 - 28 * np.sin(turn)) ** 2
    picture -= 80 * np.exp(-0.5 * dot / 5**2)
    if seed is not None:
        picture += np.random.default_rng(seed).normal(0, 2, SHAPE)
    return picture.astype(np.float32)


@pytest.mark.parametrize("move", [(0.0, 0.0), (0.3, -0.2), (2.2, 1.7), (-6.5, 4.25), (9.0, -7.0)])
def test_move_is_found_in_noise_beside_what_moves_by_itself(move) -> None:
    still = Still(drawn(0, 0, 0.0, seed=1), REACH)
    # 0.01 random (40 seeds), 0.015 pull of the dot whose edges lie among the steepest places
    assert still.shift(drawn(*move, 2.0, seed=2)) == pytest.approx(move, abs=0.05)


def test_light_and_contrast_do_not_matter() -> None:
    still = Still(drawn(0, 0), REACH)
    assert still.shift(0.6 * drawn(1.4, -0.8, 3.0) + 25) == pytest.approx((1.4, -0.8), abs=0.02)


def test_move_beyond_the_reach_is_none() -> None:
    assert Still(drawn(0, 0), 6.0).shift(drawn(15.0, 0.0)) is None


def test_level_picture_tells_no_move() -> None:
    level = np.full(SHAPE, 90, np.float32)
    assert Still(level, REACH).shift(level) == (0.0, 0.0)


def test_picture_is_moved_back_to_the_still() -> None:
    back = moved_back(drawn(1.25, -2.5), (1.25, -2.5))
    inner = (slice(8, -8), slice(8, -8))
    # linear interpolation of edges about two elements wide
    assert np.abs(back - drawn(0, 0))[inner].mean() < 0.5


@pytest.mark.parametrize("move", [(0.3, -0.2), (-6.5, 4.25)])
def test_a_library_finds_the_same_move(move) -> None:
    """Against scikit-image: phase correlation, refined by a matrix product (Guizar-Sicairos et
    al., Opt. Lett. 33 (2008) 156-158), to 1/50 of an element."""
    base, moved = drawn(0, 0, 0.0), drawn(*move, 0.0)
    (dy, dx), _, _ = phase_cross_correlation(moved, base, upsample_factor=50, normalization=None)
    # the picture's edges do not wrap: a tenth of an element off
    assert Still(base, REACH).shift(moved) == pytest.approx((dx, dy), abs=0.12)
