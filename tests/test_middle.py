"""Medians are those of the numerical library."""

from __future__ import annotations

import numpy as np
import pytest

from vidspin.middle import median, median_picture, medians


@pytest.mark.parametrize("shape", [(1,), (2,), (7, 3), (6, 4, 5)])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_medians_are_those_of_the_numerical_library(shape, kind) -> None:
    values = np.random.default_rng(len(shape)).normal(size=shape).astype(kind)
    assert median(values) == pytest.approx(float(np.median(values)), abs=1e-7)
    for axis in range(len(shape)):
        assert np.array_equal(medians(values, axis), np.median(values, axis=axis))
        assert medians(values, axis).dtype == kind


@pytest.mark.parametrize("rows", [1, 32, 75])
def test_median_picture_is_that_of_all_rows_at_once(rows) -> None:
    pictures = np.random.default_rng(rows).normal(size=(5, rows, 7)).astype(np.float32)
    found = median_picture(list(pictures))
    assert np.array_equal(found, np.median(pictures, axis=0)) and found.dtype == np.float32
