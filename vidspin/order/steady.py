"""Does the apparent speed change the same way all through a recording?

In a long one a top loses so little a second that no window of some seconds shows it.  From one
tenth of an hour to the next the change is plain.
"""

from __future__ import annotations

import numpy as np

from vidspin.records import FloatArray

STRETCHES = 8
LEAST_WINDOWS = 5  # of a stretch
SIGMA = 5.0  # standard uncertainties of its change that every stretch has to show
# Of the way between two alias orders, all in all: motors wander by less, and a top that spins for
# long at nearly one speed may be driven by one.
LEAST_CHANGE = 0.05


def steady_drift(
    time_s: FloatArray, apparent_rad_s: FloatArray, step_rad_s: float
) -> tuple[float, float, int] | None:
    """Measure the drift of the apparent speed over long stretches, one after the other.

    Parameters
    ----------
    time_s, apparent_rad_s : (J,) arrays
        Windows in order of time, their continuous apparent speeds.
    step_rad_s : float
        Speed between two alias orders.

    Returns
    -------
    (float, float, int) or None
        Middle slope, rad/s2, its standard uncertainty, and the number of stretches; None where one
        of them does not drift as the others do, or the whole of it is little.

    Notes
    -----
    Straight lines, each with the scatter about it: what bends the speed within a stretch widens
    the uncertainty of its slope.
    """
    inner = slice(1, -1)  # those at the very ends are no windows of their own
    t, v = time_s[inner], apparent_rad_s[inner]
    if len(t) < STRETCHES * LEAST_WINDOWS:
        return None
    slopes, doubts = [], []
    for at, speed in zip(np.array_split(t, STRETCHES), np.array_split(v, STRETCHES), strict=True):
        x = at - at.mean()
        slope = float(x @ speed / (x @ x))
        left = speed - speed.mean() - slope * x
        # windows overlap by half: two of them tell hardly more than one
        doubts.append(float(np.sqrt(2 * (left @ left) / (len(x) - 2) / (x @ x))))
        slopes.append(slope)
    middle, one_way = float(np.median(slopes)), np.sign(slopes)
    plain = np.abs(slopes) > SIGMA * np.array(doubts)
    change = abs(float(v[-1] - v[0]))
    if not (plain.all() and (one_way == one_way[0]).all() and change > LEAST_CHANGE * step_rad_s):
        return None
    return middle, float(np.median(doubts)), STRETCHES
