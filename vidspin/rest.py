"""Does a run of ring profiles show anything that turns, or a top at rest?

What turns changes the ring in one place from frame to frame; noise changes it everywhere alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

SMOOTHED = 48  # parts of a turn over which changes are averaged: about a mark
LEAST_LEVELS = 0.1  # of such a change; frozen pictures have no noise to hold it against
OF_NOISE = 6.0  # the largest change about the ring against the usual one: noise has 3 to 4
LEAST_SHARE = 0.5  # of a run's frames that must show it


def at_rest(profiles: NDArray[np.float32]) -> bool:
    """Say whether nothing turns in consecutive frames.

    Parameters
    ----------
    profiles : (F, N) array
        Ring profiles, grey levels; F of two and more.

    Returns
    -------
    bool
    """
    change = np.diff(profiles.astype(np.float64), axis=0)
    change -= np.median(change, axis=1, keepdims=True)
    width = max(1, profiles.shape[1] // SMOOTHED)
    change = np.abs(ndimage.uniform_filter1d(change, width, axis=1, mode="wrap"))
    usual = np.maximum(1.4826 * np.median(change, axis=1), LEAST_LEVELS)
    return bool(np.mean(change.max(axis=1) > OF_NOISE * usual) < LEAST_SHARE)
