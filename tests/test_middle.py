"""Medians are those of the numerical library."""

from __future__ import annotations

import numpy as np
import pytest

from vidspin.middle import median, medians


@pytest.mark.parametrize("shape", [(1,), (2,), (7, 3), (6, 4, 5)])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_medians_are_those_of_the_numerical_library(shape, kind) -> None:
    values = np.random.default_rng(len(shape)).normal(size=shape).astype(kind)
    assert median(values) == pytest.approx(float(np.median(values)), abs=1e-7)
    for axis in range(len(shape)):
        assert np.array_equal(medians(values, axis), np.median(values, axis=axis))
        assert medians(values, axis).dtype == kind
