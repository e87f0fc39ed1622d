"""When did something that stood set out?"""

from __future__ import annotations

import numpy as np

from vidspin.records import FloatArray
from vidspin.regression import tame

JERK_SHARE, GENTLE_SHARE = 0.8, 0.2  # belief in a slide that sets out with a jerk, or gently
ALIKE = 2.0  # errors of neighbouring pictures are alike: so many count as one


def onset(time: FloatArray, offset: FloatArray, step_s: float) -> tuple[float, float, float]:
    """Return lower end, mean and upper end of the instant at which the tip set out.

    A slide that sets out with a jerk (uniform) and one that sets out gently (uniformly
    accelerated) are weighed against each other at every instant.
    """
    grid = np.arange(time[2], time[-1] - 0.25 * step_s, 0.05 * step_s)
    misfit = np.array([[_misfit(time, offset, t, k) for t in grid] for k in (1, 2)])
    likely = np.exp(-0.5 * (misfit - misfit.min()) / ALIKE)
    belief = JERK_SHARE * likely[0] + GENTLE_SHARE * likely[1]
    belief /= belief.sum()
    low, high = np.interp([0.025, 0.975], np.cumsum(belief), grid)
    return float(low), float(belief @ grid), float(high)


def _misfit(time: FloatArray, offset: FloatArray, start_s: float, power: int) -> float:
    """Return -2 log likelihood of a slide from an instant on; errors have wide tails."""
    slide = np.maximum(time - start_s, 0.0) ** power
    design, weight = np.column_stack([np.ones(len(time)), slide]), np.ones(len(time))
    for _ in range(3):
        root = np.sqrt(weight)[:, None]
        p = np.linalg.lstsq(design * root, offset * root, rcond=None)[0]
        left = np.hypot(*(offset - design @ p).T)
        weight = tame(left, 2.0)
    return float(4.0 * np.log1p((left / 2.0) ** 2).sum())
