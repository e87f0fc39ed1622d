"""What the checks may look at: how a track drifts, however long it is."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from vidspin.checks import case
from vidspin.order.apparent import Track


def falling(windows: int) -> Track:
    at = 0.6 * np.arange(windows)
    noise = np.random.default_rng(1).normal(0, 1e-3, windows)
    none = np.zeros(0)
    return Track(0, 18 * windows, at, 0.4 - 1e-4 * at + noise, np.ones(windows), none, none)


@pytest.mark.parametrize("windows", [100, 9000])
def test_the_drift_is_the_slope_and_takes_no_table_of_all_pairs(windows: int) -> None:
    track = falling(windows)
    tracemalloc.start()
    drift = case._drift(track)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert drift == pytest.approx(-1e-4, rel=0.05)
    assert most < 32 << 20  # all pairs of 9000 windows take 1.2 GiB
