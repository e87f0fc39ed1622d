"""Where does an angle lie within a turn, or within the spacing of equal marks?"""

from __future__ import annotations

import numpy as np

from vidspin.records import FloatArray

TWO_PI = 2.0 * np.pi


def wrapped(angle: FloatArray, period: float = TWO_PI) -> FloatArray:
    """Take whole periods out of angles.

    Parameters
    ----------
    angle : array
        Any shape; NaN stays.
    period : float
        In the unit of `angle`: a turn in radians, or the spacing of equal marks.

    Returns
    -------
    array
        From minus half a period up to, but without, half a period.
    """
    return np.asarray(np.mod(angle + period / 2, period) - period / 2)


def nearest(angle: FloatArray, expected: FloatArray, period: float = TWO_PI) -> FloatArray:
    """Put angles that are known up to whole periods on the turn nearest to what is expected.

    Parameters
    ----------
    angle, expected : arrays
        Of one shape; NaN stays.
    period : float
        As for `wrapped`.
    """
    return np.asarray(expected + np.mod(angle - expected + period / 2, period) - period / 2)
