"""The exposure searched finely: right within what it says, silent where it is not told."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from fabricate_profiles import Ring
from test_calibrate import RATE, as_seen, film, spin_of

from vidspin.calibrate import Tuned, tune
from vidspin.exposure import refined
from vidspin.profiles import MemoryProfiles
from vidspin.resolve import Spin


@cache
def calibrated(exposure_s: float, readout_s: float = 0.012) -> tuple[MemoryProfiles, Spin, Tuned]:
    # noise of 2 grey levels on a mark of 40, from 190 down to 115 rad/s
    footage = film(Ring(noise=2.0, readout_s=readout_s, exposure_s=exposure_s), 190.0, count=600)
    plain = as_seen(footage)
    spin = spin_of(footage, plain, 1)
    store = footage.store
    return store, spin, tune(store, footage.frames, spin, 1, plain, longest_readout_s=1 / RATE)


@pytest.mark.parametrize("exposure_s", [0.002, 0.0045])
def test_exposure_is_right_within_its_uncertainty(exposure_s: float) -> None:
    store, spin, first = calibrated(exposure_s)
    found = refined(store, spin, 1, first).exposure_s
    assert found is not None
    assert abs(found.value - exposure_s) < 2 * found.u
    # the random part is small beside what the model is good for
    assert 0.05 * found.value <= found.u < 0.15 * found.value


def test_the_model_is_left_as_it_was() -> None:
    store, spin, first = calibrated(0.002)
    better = refined(store, spin, 1, first)
    assert better.model is first.model
    assert better.fit is first.fit


def test_exposure_that_is_not_told_is_not_searched() -> None:
    store, spin, first = calibrated(0.002)
    silent = replace(first, exposure_known=False)
    assert refined(store, spin, 1, silent) is silent
    none = replace(first, model=replace(first.model, exposure_s=0.0))
    assert refined(store, spin, 1, none) is none
    assert np.isfinite(first.angle_rad).all()
