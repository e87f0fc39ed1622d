"""Which number lies in the middle of others? Medians of arrays that hold no NaN.

The numerical library's own median also looks for NaN and takes four times as long.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

ROWS = 32  # of pictures whose medians are taken at a time


def median(values: NDArray[Any]) -> float:
    """Median of all numbers of an array.

    Parameters
    ----------
    values : array
        At least one number, no NaN.
    """
    half = values.size // 2
    parted = np.partition(values, half, axis=None)
    high = float(parted[half])
    return high if values.size % 2 else 0.5 * (high + float(parted[:half].max()))


def medians(values: NDArray[Any], axis: int) -> NDArray[Any]:
    """Medians along an axis of an array, of its own type.

    Parameters
    ----------
    values : array
        No NaN; at least one number along the axis.
    axis : int
    """
    ordered = np.sort(values, axis=axis)
    count = values.shape[axis]
    low, high = (ordered.take(k, axis=axis) for k in ((count - 1) // 2, count // 2))
    return np.asarray((low + high) / 2, values.dtype)


def median_picture(pictures: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Medians of pictures of one size, element by element.

    Parameters
    ----------
    pictures : sequence of (rows, columns) arrays
        At least one; no NaN.

    Notes
    -----
    Some rows at a time: sorting takes the room of all pictures twice.
    """
    rows = range(0, len(pictures[0]), ROWS)
    return np.concatenate([medians(np.stack([p[r : r + ROWS] for p in pictures]), 0) for r in rows])


def weighted_median(values: NDArray[Any], weight: NDArray[Any]) -> float:
    """Value up to which half of the weight lies.

    Parameters
    ----------
    values, weight : (N,) arrays
        At least one number, no NaN; weights of zero and more.
    """
    rank = np.argsort(values)
    passed = np.cumsum(weight[rank])
    return float(values[rank][np.searchsorted(passed, 0.5 * passed[-1])])
