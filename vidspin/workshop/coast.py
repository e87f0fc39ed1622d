"""When does an attempt pass a speed?  Instants and coast times read from the rows.

No law is assumed here: between a few neighbouring rows the speed is a parabola.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.records import FloatArray
from vidspin.units import rpm_from_rad_s
from vidspin.workshop.attempt import Attempt, Rows

# Rows on either side of the passage that the parabola is laid through.
NEIGHBOURS = 4
# Rows farther apart than this at the passage: nobody saw it.
LONGEST_GAP_S = 5.0
# A free top passes a speed once; passages this far apart are no noise.
LONGEST_DITHER_S = 3.0


@dataclass(frozen=True, slots=True)
class Passage:
    """When a speed was passed, or why that is not known."""

    time_s: float
    u_s: float
    why_not: str = ""


def passage(rows: Rows, speed_rad_s: float) -> Passage:
    """Find when the speed falls through a value.

    Parameters
    ----------
    rows : Rows
    speed_rad_s : float

    Returns
    -------
    Passage
        NaN with the reason where it starts below, ends above, was not seen, or rose again.

    Notes
    -----
    The uncertainty is that of one row divided by the slope: neighbouring rows share frames, so
    their mean is not taken to be better than one of them.
    """
    time, speed = rows.time_s, rows.speed_rad_s
    words = f"{rpm_from_rad_s(speed_rad_s):.0f} rev/min"
    above = speed >= speed_rad_s
    if not above[0]:
        return Passage(np.nan, np.nan, f"it is first seen below {words}")
    if above[-1]:
        return Passage(np.nan, np.nan, f"it is not seen down to {words}")
    first, last = int(np.argmin(above)), len(above) - 1 - int(np.argmax(above[::-1]))
    if time[first] - time[last] > LONGEST_GAP_S:
        return Passage(np.nan, np.nan, f"it is not seen while it passes {words}")
    if time[last] - time[first] > LONGEST_DITHER_S:
        return Passage(np.nan, np.nan, f"it passes {words} more than once")
    middle = 0.5 * (time[first] + time[last])
    near = slice(max(first - NEIGHBOURS, 0), min(last, first) + NEIGHBOURS + 1)
    near_time, near_speed = time[near] - middle, speed[near]
    degree = 2 if len(near_time) > 3 else 1
    # time as a polynomial of speed has its root ready-made
    scale = max(float(np.ptp(near_speed)), 1e-9)
    powers = np.vander((near_speed - speed_rad_s) / scale, degree + 1, increasing=True)
    by_speed = np.linalg.lstsq(powers, near_time, rcond=None)[0]
    slope = abs(float(by_speed[1])) / scale
    u = float(np.interp(middle, time, rows.u_rad_s))
    return Passage(middle + float(by_speed[0]), u * slope)


@dataclass(frozen=True, slots=True)
class Coast:
    """Times at which one attempt passes each of some speeds, falling."""

    name: str
    time_s: FloatArray  # (K,)
    u_s: FloatArray  # (K,) without the clock
    why_not: str  # empty when all were seen


def coast(attempt: Attempt, speeds_rad_s: FloatArray) -> Coast:
    """Read when an attempt passes each of some speeds."""
    if attempt.rows is None:
        nan = np.full(len(speeds_rad_s), np.nan)
        why = "no speed is known" if attempt.resolved else "alias order unresolved"
        return Coast(attempt.name, nan, nan, why)
    found = [passage(attempt.rows, float(speed)) for speed in speeds_rad_s]
    reasons = [one.why_not for one in found if one.why_not]
    return Coast(
        attempt.name, np.array([one.time_s for one in found]),
        np.array([one.u_s for one in found]), reasons[0] if reasons else "",
    )  # fmt: skip
