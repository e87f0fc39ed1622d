"""Which speeds would each alias order mean?

A sampled rotation leaves the whole turns between two frames open.  These functions turn
the spin curve of the best candidate into orders, and into the curves that the other
candidates would mean; they decide nothing.
"""

from __future__ import annotations

import math

import numpy as np

from vidspin.records import FloatArray, Result
from vidspin.units import rpm_from_rad_s, turns_from_rad


def sense(result: Result) -> float:
    """Return +1 when the best candidate turns clockwise in the picture, else -1."""
    if result.alias.candidates:
        return math.copysign(1.0, result.alias.candidates[0].rpm)
    return -1.0 if result.direction == "counterclockwise" else 1.0


def direction_told(result: Result) -> str | None:
    """Tell the direction of rotation, unless listed candidates turn both ways."""
    signs = {candidate.rpm > 0 for candidate in result.alias.candidates}
    if not result.alias.resolved and len(signs) > 1:
        return None
    return result.direction


def alias_orders(result: Result, speed_rad_s: FloatArray) -> FloatArray:
    """Return the alias order that belongs to each speed.

    Parameters
    ----------
    result : Result
        Gives the frame rate, the number of marks and the direction.
    speed_rad_s : ndarray, shape (M,)
        Speeds without sign, rad/s.

    Returns
    -------
    ndarray, shape (M,)
        Whole numbers, signed (clockwise positive); NaN where the speed is NaN.

    Notes
    -----
    The apparent speed lies in (-1/2, +1/2] mark spacings a frame, so the order is the whole
    number that is left when the speed in mark spacings a frame is rounded, halves down.
    """
    spacings_a_second = turns_from_rad(speed_rad_s) * sense(result) * result.survey.marks
    orders: FloatArray = np.ceil(spacings_a_second / float(result.footage.frame_rate) - 0.5)
    orders += 0.0  # turns -0.0 into 0.0
    return orders


def candidate_speeds(result: Result) -> dict[int, FloatArray]:
    """Return the speed curve that each candidate order would mean.

    Parameters
    ----------
    result : Result
        Its curve holds the speed of the best candidate.

    Returns
    -------
    dict of int to ndarray, shape (M,)
        Order to speed without sign in rev/min at ``result.curve.time_s``, best first.

    Notes
    -----
    Two orders differ by a constant signed speed, so the difference is added with its sign
    before the sign is dropped: candidates that turn against each other slow and quicken
    against each other.
    """
    candidates = result.alias.candidates
    if not candidates:
        return {}
    best_rpm = rpm_from_rad_s(result.curve.speed_rad_s) * sense(result)
    return {
        candidate.order: np.abs(best_rpm + (candidate.rpm - candidates[0].rpm))
        for candidate in candidates
    }
