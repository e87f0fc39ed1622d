"""How do true and apparent speed belong together?  Exact arithmetic, no evidence.

Speeds are in turns a second with a sign (direction), frame rates in frames a second.  All
functions take ``float`` or ``Fraction`` and stay exact when given fractions.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TypeVar

Rate = TypeVar("Rate", float, Fraction)


def alias_spacing(frame_rate: Rate, marks: int = 1) -> Rate:
    """Return the distance between speeds that look alike: frame rate ÷ marks."""
    if marks < 1 or frame_rate <= 0:
        raise ValueError(f"no speeds look alike at {frame_rate} frames/s with {marks} marks")
    return frame_rate / marks


def apparent_rate(rate: Rate, frame_rate: Rate, marks: int = 1) -> Rate:
    """Return the speed that evenly spaced frames suggest.

    Parameters
    ----------
    rate : float or Fraction
        True speed, turns a second, signed.
    frame_rate : float or Fraction
        Frames a second, above zero.
    marks : int
        Number of equal, equally spaced marks.

    Returns
    -------
    float or Fraction
        The alias of `rate` in (-s/2, +s/2] with s = frame rate ÷ marks.  At s/2 exactly the
        direction cannot be told; the positive one is returned by convention.

    References
    ----------
    .. [1] C. E. Shannon, "Communication in the presence of noise", Proc. IRE 37 (1949) 10-21.
    """
    return rate - alias_order(rate, frame_rate, marks) * alias_spacing(frame_rate, marks)


def alias_order(rate: Rate, frame_rate: Rate, marks: int = 1) -> int:
    """Return the integer n in: rate = apparent rate + n × frame rate ÷ marks."""
    return math.ceil(rate / alias_spacing(frame_rate, marks) - Fraction(1, 2))


def stand_still_rates(frame_rate: Rate, high: Rate, marks: int = 1) -> tuple[Rate, ...]:
    """List the speeds above zero and up to `high` at which the marks look frozen.

    Returns
    -------
    tuple of float or Fraction
        k × frame rate ÷ marks for k = 1, 2, ..., ascending, turns a second.
    """
    spacing = alias_spacing(frame_rate, marks)
    return tuple(k * spacing for k in range(1, math.floor(high / spacing) + 1))


def orders_within(
    apparent: Rate, frame_rate: Rate, marks: int, low: Rate, high: Rate
) -> tuple[int, ...]:
    """List the alias orders whose speed lies within bounds, in either direction.

    Parameters
    ----------
    apparent : float or Fraction
        Apparent speed, turns a second, signed.
    frame_rate : float or Fraction
        Frames a second, above zero.
    marks : int
        Number of equal marks.
    low, high : float or Fraction
        Bounds on the magnitude of the speed, both included, 0 <= low <= high.

    Returns
    -------
    tuple of int
        Every n with ``low <= abs(apparent + n * frame_rate / marks) <= high``, ascending;
        empty when the bounds hold none.

    Raises
    ------
    ValueError
        When the bounds are no bounds.
    """
    if not 0 <= low <= high < math.inf:
        raise ValueError(f"no bounds on a speed: {low} to {high}")
    spacing = alias_spacing(frame_rate, marks)
    first = math.ceil((-high - apparent) / spacing)
    last = math.floor((high - apparent) / spacing)
    return tuple(n for n in range(first, last + 1) if abs(apparent + n * spacing) >= low)
