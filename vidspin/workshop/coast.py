"""When does an attempt pass a speed?  Instants and coast times read from the rows.

No law is fitted here: through a few neighbouring rows time is a polynomial of the logarithm of
speed, and by how much that may miss is known for every drag between dry friction and turbulence.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vidspin.records import FloatArray
from vidspin.uncertainty import rectangular
from vidspin.units import rpm_from_rad_s
from vidspin.workshop.attempt import Attempt, Rows

# Rows this near to the passage are looked at: four on either side where they are a second apart.
# Of rows that are closer there are more, since neighbours share frames and go wrong together.
NEAR_S = 4.5
# Only speeds this near as a share, where so many rows are left: a quick top loses half of its
# speed within `NEAR_S`, and what a polynomial leaves over grows with a power of that.
NEAR_SHARE = 0.1
FEWEST_NEAR = 4
# A loss of speed that is any sum of powers 0 to 2 of it makes time a function of log speed whose
# 2nd, 3rd and 4th derivatives are at most so many times the first.  (The 4th of a mixture of 0 and
# 2 about a mean power of 1 + m is m (5 - 6 m**2); a search over other mixtures found none greater.)
# They bound what polynomials of degree 1, 2 and 3 leave over.
STEEPEST = (1.0, 1.0, 1.76)
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
    their mean is not taken to be better than one of them.  To it comes the bound of what the
    polynomial leaves over; its degree, 1 to 3, is that for which both together are least.
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
    since, steps = _near(time - middle, np.log(speed / speed_rad_s))
    leaning = since - since.mean()
    slope = float(leaning @ steps) / float(leaning @ leaning)  # of log speed, 1/s
    if slope >= 0:
        return Passage(np.nan, np.nan, f"it does not fall while it passes {words}")
    u = float(np.interp(middle, time, rows.u_rad_s)) / speed_rad_s / -slope
    fits = [_root(since, steps, degree, (-1 / slope, u)) for degree in range(1, len(since))[:3]]
    best = min(fits, key=lambda fit: fit.u_s)
    return Passage(middle + best.time_s, best.u_s)


def _near(since_s: FloatArray, steps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Choose the rows about a passage: their times since it and logarithms of speed over it."""
    near = np.flatnonzero((np.abs(since_s) <= NEAR_S) & (np.abs(steps) <= NEAR_SHARE))
    if len(near) < FEWEST_NEAR:
        near = np.argsort(np.abs(since_s), kind="stable")[:FEWEST_NEAR]
    return since_s[near], steps[near]


def _root(
    since_s: FloatArray, steps: FloatArray, degree: int, scale: tuple[float, float]
) -> Passage:
    """Lay a polynomial of log speed through times; its value at no step, with its doubt.

    `scale` is the time in which log speed changes by 1, and the uncertainty of one row as time.
    """
    powers = np.vander(steps / np.ptp(steps), degree + 1, increasing=True)
    weights = np.linalg.pinv(powers)[0]  # of the rows' times
    far = np.abs(steps)
    left_over = STEEPEST[degree - 1] / math.factorial(degree + 1) * scale[0]
    left_over *= float(np.abs(weights) @ (far ** (degree + 1) * np.exp(far)))
    noise = scale[1] * max(1.0, float(np.linalg.norm(weights)))
    return Passage(float(weights @ since_s), math.hypot(noise, rectangular(left_over)))


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
    if reasons and attempt.part:
        reasons = [attempt.part]
    return Coast(
        attempt.name, np.array([one.time_s for one in found]),
        np.array([one.u_s for one in found]), reasons[0] if reasons else "",
    )  # fmt: skip
