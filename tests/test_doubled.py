"""Pictures that hold the mark of the one beside them: their time is in doubt by an interval."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fabricate_profiles import Ring

from vidspin.calibration.doubled import doubled
from vidspin.mark import learning
from vidspin.markmodel import MarkModel

RATE = 240.0


def filmed(
    share: float, ring: Ring, *, speed: float = 215.0, count: int = 400
) -> tuple[np.ndarray, np.ndarray, np.ndarray, MarkModel]:
    """Profiles whose pictures hold a share of the one before, and the mark learnt of them."""
    t = np.arange(count) / RATE
    phi, omega = speed * t - 0.5 * 5.0 * t**2, speed - 5.0 * t
    own = ring.profiles(phi, omega, np.random.default_rng(1))
    data = own.copy()
    data[1:] = (1 - share) * own[1:] + share * own[:-1]
    flat = MarkModel(
        ring.still, np.zeros(0), ring.visibility, ring.visibility,
        np.zeros(learning.HARMONICS + 1, complex), ring.rows, ring.readout_s, ring.exposure_s,
    )  # fmt: skip
    model = learning.learn(data, phi, omega, np.ones(count), flat, free=True)
    return data, phi, omega, replace(model, exposure_s=0.0)


@pytest.mark.parametrize(
    ("share", "told"), [(0.0, False), (0.25, False), (0.45, True), (0.5, True), (0.6, True)]
)
@pytest.mark.parametrize("marks", [1, 2])
def test_pictures_that_are_averages_are_told(share: float, told: bool, marks: int) -> None:
    ring = Ring(noise=3.0, marks=marks, mark_width=0.1, readout_s=0.003)
    data, phi, omega, model = filmed(share, ring)
    assert doubled(data, phi, omega, model, 1 / RATE, marks) == told


def test_a_mark_that_hardly_moves_on_is_not_seen_twice() -> None:
    data, phi, omega, model = filmed(0.5, Ring(noise=3.0), speed=40.0)
    assert not doubled(data, phi, omega, model, 1 / RATE, 1)


@pytest.mark.parametrize("speed", [120.0, 215.0, 400.0])
def test_a_second_mark_that_is_painted_there_is_none_of_the_picture_beside(speed: float) -> None:
    """Two unlike marks, a third of a turn apart, whatever the way from frame to frame."""
    ring = Ring(noise=3.0, mark_width=0.1)
    count = 400
    t = np.arange(count) / RATE
    phi, omega = speed * t, np.full(count, speed)
    own = ring.profiles(phi, omega, np.random.default_rng(1))
    other = ring.profiles(phi + 2 * np.pi / 3, omega, np.random.default_rng(2))
    data = (own + other - ring.still).astype(np.float32)
    flat = MarkModel(
        ring.still, np.zeros(0), ring.visibility, ring.visibility,
        np.zeros(learning.HARMONICS + 1, complex), ring.rows,
    )  # fmt: skip
    model = learning.learn(data, phi, omega, np.ones(count), flat, free=True)
    assert not doubled(data, phi, omega, model, 1 / RATE, 1)
