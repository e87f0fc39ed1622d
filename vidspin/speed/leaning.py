"""What does a top that leans before it falls do to the speed of its mark?

The axis of a leaning top goes round.  Seen from aside a lean to the left or right turns the mark
by half of it, times the tangent of the angle of sight: the mark seems to go faster and slower in
turn.  And an axis that goes round once carries the mark with it by the solid angle that it draws.
The lean is told by the middle of the face, which stands off the place above the tip.  The height
of the face above the tip is not known well and the tip may wander itself, so that nothing is
corrected: what the lean would do counts as doubt.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from vidspin.records import Ellipse, FloatArray
from vidspin.regression import LocalRates
from vidspin.speed.doubts import left_over
from vidspin.uncertainty import NORMAL_95

if TYPE_CHECKING:
    from vidspin.phase.breaks import Step

LATE_S = 3.0  # before the topple; earlier a top hardly leans, and only its tip wanders
HEIGHT = 0.65  # of the face above the tip, ring radii, usually; common practice, no source
MOST_LEAN_RAD = 0.6
# Of what the lean would do at the usual height, as a standard uncertainty.  Judged: a half-width
# of 1.4 times it, evenly spread; so 95 % of 148 speeds of the last 3 s of 100 drawn attempts
# (`tests/bench/rendered_attempts.py`) lie inside their intervals, 61 % without.
SHARE = 0.8
LEANING_RAD_S = 1.2  # the swing of a leaning axis moves the speed seen by less (judged)


@dataclass(frozen=True, slots=True)
class Leaning:
    """What the lean adds to the mark angle, from one frame on."""

    first: int  # frame
    turn_rad: FloatArray  # (n, 2): by the lean sideways, and by the axis' way round


def leaning_before(
    topple_s: float | None, time_s: FloatArray, x_px: FloatArray, y_px: FloatArray, ring: Ellipse
) -> Leaning | None:
    """Tell what the lean of the axis adds to the mark angle before a topple.

    Parameters
    ----------
    topple_s : float or None
        None where no topple was seen.
    time_s, x_px, y_px : (N,) arrays
        Frame times, and where the middle of the face was.
    ring : Ellipse
        The mark's path on the upright top; its axes tell the angle of sight.

    Returns
    -------
    Leaning or None
        None without a topple, or without frames before it.

    Notes
    -----
    In a parallel projection along a line of sight at an angle ``s`` to the upright axis, a small
    lean by ``(a, b)`` radians along the major and the minor axis of the ring moves the mark at an
    angle ``p`` by ``tan(s) (a cos p + b sin p) cos p``, on the mean over the turns by
    ``a tan(s) / 2``.  An axis that is carried along a closed way without turning about itself comes
    back turned by the solid angle inside, here ``(a db - b da) / 2`` added up.
    """
    if topple_s is None:
        return None
    first = int(np.searchsorted(time_s, topple_s - LATE_S))
    x, y = x_px[first:], y_px[first:]
    before = time_s[first:] <= topple_s
    if not before.any():
        return None
    cos, sin, aspect = np.cos(ring.tilt_rad), np.sin(ring.tilt_rad), ring.minor_px / ring.major_px
    x, y = x - np.median(x[before]), y - np.median(y[before])
    along, across = x * cos + y * sin, (y * cos - x * sin) / aspect
    lean = np.stack([along, across]) / (ring.major_px * HEIGHT)
    a, b = np.clip(np.nan_to_num(lean), -MOST_LEAN_RAD, MOST_LEAN_RAD)
    sight = np.sqrt(max(1.0 - aspect**2, 0.0)) / aspect
    way = 0.5 * (a[:-1] * np.diff(b) - b[:-1] * np.diff(a))
    return Leaning(first, np.stack([0.5 * sight * a, np.append(0.0, np.cumsum(way))], 1))


def leaning_u(
    leaning: Leaning | None, time_s: FloatArray, weight: FloatArray, rates: LocalRates
) -> FloatArray:
    """Carry the lean to the rates of windows, as a doubt.

    Parameters
    ----------
    leaning : Leaning or None
    time_s, weight : (N,) arrays
        Of the sightings; a weight of zero leaves one out.
    rates : LocalRates
        Quadratics fitted with the same weights.

    Returns
    -------
    (M,) array
        Standard uncertainties, rad/s; 0 where nothing leans or a window holds too little.
    """
    if leaning is None:
        return np.zeros(len(rates.centre_s))
    doubts = SHARE * leaning.turn_rad
    return np.nan_to_num(left_over(time_s, weight, doubts, rates, first=leaning.first))


def from_leaning(step: Step, late_s: float) -> bool:
    """Tell whether a step of the speed may come from the leaning of a top that falls over.

    Parameters
    ----------
    step : Step
    late_s : float
        From here on the top is falling over.

    Notes
    -----
    Seen from aside, an axis that leans by a few degrees and goes round once a second swings the
    mark's apparent angle back and forth: the speed seen by tan(tilt) times lean times rate of
    precession, whatever the speed and the alias order.  A tenth of a radian at 1.5 turns a second
    makes 0.9 rad/s.  Drops may be larger, for the rim begins to touch.  What is larger only
    within its own 95 % interval accuses nobody.
    """
    least = step.rate_rad_s - NORMAL_95 * step.u_rate_rad_s
    return step.time_s >= late_s and least < LEANING_RAD_S
