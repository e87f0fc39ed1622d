"""How fast does the recording's clock run?

Events whose instants are known on a better clock (a clock in the picture, a stopwatch beside
the top, a broadcast time signal) are put against the recording's own times; the slope of the
straight line through them is the clock's rate.  The rate error is positive where the
recording's clock runs fast: it counts ``(1 + error)`` seconds in a true second, so true times
are recorded times divided by that, and true speeds are apparent ones multiplied by it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspin.records import Quantity, Reference
from vidspin.uncertainty import COVERAGE, NORMAL_95, coverage_factor, rectangular

# No camera's clock is a thousandth off (quartz: some 50 ppm; common practice, no source): such
# a slope comes from instants that were read or typed wrongly, or from a wrong capture rate.
MOST_PPM = 1000.0
TOO_NEAR = "too near to each other to improve on it"
# Stated uncertainties of instants are a judgement, taken as good to some 70 %: as much as one
# degree of freedom (JCGM 100 G.4.2).  With more, three references that scatter three times as
# much as stated would be believed too often (two degrees: 86 % inside u95 instead of 94 %), with
# none, three that agree would tell next to nothing (Student's t is 12.7).
JUDGED_DOF = 1.0
CLEARLY = 3.0  # standard uncertainties beyond which a rate contradicts what was assumed


def fitted_rate(references: Sequence[Reference]) -> Quantity:
    """Fit the rate error of the recording's clock.

    Parameters
    ----------
    references : sequence of Reference
        Two or more, in any order.

    Returns
    -------
    Quantity
        Rate error in parts in a million, its standard uncertainty, and how it came about.

    Raises
    ------
    ValueError
        When there are fewer than two, or two and more lie at one recorded instant, or an
        uncertainty is not above zero.

    Notes
    -----
    Weighted least squares of *true minus recorded* against recorded time, so that long
    recordings lose no digits; weights are the inverse of the sum of both variances (for a
    slope so near to one the two axes count alike).  Two references rest on their stated
    uncertainties alone.  From three on their scatter about the line counts too: the variance is
    the mean of the reduced chi-square, with its n - 2 degrees of freedom, and of 1 as stated, with
    `JUDGED_DOF`, but not below 1.  So few degrees of freedom need Student's t, which who reads a
    rate does not know of: the standard uncertainty is what gives the right u95 when it is
    multiplied by the normal 1.96.
    """
    if len(references) < 2:
        raise ValueError("a rate needs two references or more")
    x = np.array([r.recorded_s for r in references])
    late = np.array([r.true_s - r.recorded_s for r in references])
    variance = np.array([r.u_recorded_s**2 + r.u_true_s**2 for r in references])
    if not np.all(variance > 0):
        raise ValueError("an instant is never known exactly: its uncertainty must be above zero")
    if len(np.unique(x)) < len(x):
        raise ValueError("two references at one instant of the recording")
    weight = 1.0 / variance
    centred = x - np.average(x, weights=weight)
    spread = float(weight @ centred**2)
    slope = float(weight @ (centred * late)) / spread
    left = late - np.average(late, weights=weight) - slope * centred
    dof = len(x) - 2
    excess = float(weight @ left**2) / dof if dof else 1.0
    u = np.sqrt(_widened(excess, dof) / spread)
    error = 1.0 / (1.0 + slope) - 1.0
    how = f"{len(x)} references over {np.ptp(x):.0f} s"
    if excess > 1.0:
        how += f", which scatter {np.sqrt(excess):.1f} times as much as they should"
    return Quantity(error * 1e6, float(u) * 1e6 / (1.0 + slope) ** 2, how)


def _widened(excess: float, dof: int) -> float:
    """Return by how much the variance of a slope grows, scatter and Student's t included."""
    if dof == 0:
        return 1.0
    counted = (JUDGED_DOF + dof * excess) / (JUDGED_DOF + dof)
    t = coverage_factor(COVERAGE, JUDGED_DOF + dof) / coverage_factor(COVERAGE, np.inf)
    return max(1.0, counted) * t**2


def rate_of(
    references: Sequence[Reference], learnt: Quantity | None, half_width_ppm: float
) -> Quantity:
    """Decide which rate error a measurement uses.

    Parameters
    ----------
    references : sequence of Reference
        None, or two and more.
    learnt : Quantity or None
        Rate error from the camera's profile, ppm.
    half_width_ppm : float
        Half width of the rectangular distribution where nothing better is known.

    Returns
    -------
    Quantity
        The references' where they tell more than what was known before or contradict it, else
        the profile's, else the default; `how` says which and why.

    Raises
    ------
    ValueError
        As `fitted_rate`, and when the slope is beyond what any camera's clock does.
    """
    known = learnt or Quantity(
        0.0,
        rectangular(half_width_ppm),
        f"rectangular, ±{half_width_ppm:g} ppm (nothing better is known)",
    )
    if not references:
        return known
    found = fitted_rate(references)
    if abs(found.value) > MOST_PPM + CLEARLY * found.u:
        raise ValueError(
            f"the references and the recording differ by {abs(found.value) / 1e4:.2g} %, which "
            "no camera's clock does"
        )
    apart = abs(found.value - known.value)
    if found.u < known.u or apart > CLEARLY * np.hypot(found.u, known.u):
        return found
    why = f"{found.how} would leave ±{NORMAL_95 * found.u:.0f} ppm: {TOO_NEAR}"
    return Quantity(known.value, known.u, f"{known.how}; {why}")


def from_references(references: int, rate: Quantity) -> bool:
    """Tell whether a rate that `rate_of` decided on was measured by so many references.

    It is what was known before where they lay too near to each other.
    """
    return references > 0 and not rate.how.endswith(TOO_NEAR)
