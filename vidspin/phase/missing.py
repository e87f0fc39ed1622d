"""How much time went by, or was shown twice, where the phase of the spin does not go through?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.cyclic import TWO_PI
from vidspin.phase.breaks import LEAST_STEP, Step
from vidspin.uncertainty import NORMAL_95

SLOW_DOUBT = 1.5e-5  # relative; what leftovers that pass slowly add to a step of the speed (judged)


@dataclass(frozen=True, slots=True)
class Missing:
    """Time between both sides of a step; below zero it is shown twice."""

    seconds: float
    u95_s: float
    by_phase: bool  # the phase has narrowed it down to one value


def missing_time(step: Step, *, order_known: bool, marks: int = 1) -> Missing | None:
    """Tell how much time the spin lost (or repeated) at a step of its phase.

    Parameters
    ----------
    step : Step
    order_known : bool
        Whether `Step.speed_rad_s` is the speed, so that the phase can narrow the time down.
    marks : int
        Equal marks: the phase is known up to their spacing.

    Returns
    -------
    Missing or None
        None where the slope of the speed does not stand out from its uncertainty.

    Notes
    -----
    A spin that slows by ``slope`` is slower by ``slope * T`` after a time T that is not shown,
    and has turned ``speed * T`` in it, of which the phase tells the part of a turn.
    """
    slope = step.slope_rad_s2
    if slope >= -4 * step.u_slope_rad_s2:
        return None
    seconds = step.rate_rad_s / slope
    slow = SLOW_DOUBT * step.speed_rad_s
    variance = step.u_rate_rad_s**2 + (seconds * step.u_slope_rad_s2) ** 2 + slow**2
    u = np.sqrt(max(variance - 2 * seconds * step.rate_slope_cov, slow**2)) / abs(slope)
    if not order_known or step.speed_rad_s <= 0:
        return Missing(seconds, NORMAL_95 * float(u), by_phase=False)
    turn = TWO_PI / step.speed_rad_s
    lap, part = turn / marks, step.turns * turn  # s, from one mark to the next
    nearest = part + lap * np.rint((seconds - part) / lap)
    if NORMAL_95 * u > lap / 3:
        return Missing(seconds, NORMAL_95 * float(u), by_phase=False)
    # steps below LEAST_STEP are not told from leftovers: half of it is taken for 95 %
    u95 = float(np.hypot(NORMAL_95 * step.u_turns, LEAST_STEP / 2)) * turn
    return Missing(float(nearest), u95, by_phase=True)
