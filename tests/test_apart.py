"""Things that move are parted where they do not touch, and only there."""

from __future__ import annotations

import numpy as np

from vidspin.top.apart import MOST_THINGS, things_apart

ROWS, COLUMNS = np.mgrid[:180, :320].astype(np.float32)


def ring(x: float, y: float, radius: float, height: float, gap: float = 0.0) -> np.ndarray:
    """An annulus; `gap` radians of it are hidden."""
    away = np.hypot(COLUMNS - x, ROWS - y)
    hidden = np.abs(np.arctan2(ROWS - y, COLUMNS - x)) < gap / 2
    return (height * ((np.abs(away - radius) < 3) & ~hidden)).astype(np.float32)


def test_a_screen_and_a_top_are_two_things_the_livelier_first() -> None:
    screen = np.where((COLUMNS > 220) & (ROWS < 60), 70.0, 0.0).astype(np.float32)
    top = ring(90, 100, 35, 6.0)
    first, second = things_apart(screen + top)
    assert np.array_equal(first, screen)
    assert np.array_equal(second, top)


def test_a_ring_that_a_stem_parts_is_one_thing() -> None:
    screen = np.where((COLUMNS > 220) & (ROWS < 60), 70.0, 0.0).astype(np.float32)
    things = things_apart(screen + ring(90, 100, 35, 6.0, gap=0.12))
    assert len(things) == 2


def test_one_thing_alone_and_small_specks_give_nothing_new() -> None:
    assert things_apart(ring(90, 100, 35, 6.0)) == []
    assert things_apart(np.zeros((180, 320), np.float32)) == []
    specks = np.where((COLUMNS % 60 == 30) & (ROWS % 60 == 30), 50.0, 0.0).astype(np.float32)
    assert things_apart(specks) == []


def test_no_more_things_than_may_be_looked_at() -> None:
    many = sum(ring(30 + 65 * k, 40 + 90 * j, 14, 20.0) for k in range(5) for j in range(2))
    assert len(things_apart(np.asarray(many))) == MOST_THINGS
