"""How turns, angles, speeds, durations, rates and times of day convert.

The only place with 60 or 2 pi as a conversion.  Inside the program angles are radians,
speeds rad/s and times seconds; rev/min and degrees are for what people read and type.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, date, datetime
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

RAD_PER_TURN = 2.0 * math.pi
RAD_S_PER_RPM = RAD_PER_TURN / 60.0
RAD_PER_DEGREE = RAD_PER_TURN / 360.0

_Numbers = NDArray[np.floating[Any]] | NDArray[np.integer[Any]]
_Floats = NDArray[np.float64]

_CLOCK = re.compile(r"(?:(\d+):)?(\d+):(\d\d(?:\.\d+)?)", re.ASCII)
_UNITS = re.compile(r"(?:(\d+)\s*h)?\s*(?:(\d+)\s*m(?:in)?)?\s*(?:(\d+(?:\.\d+)?)\s*s)?", re.ASCII)
_PLAIN = re.compile(r"\d+(?:\.\d+)?", re.ASCII)
_LONGEST_TEXT = 64  # letters of a number; what has more is none, and may have no float
_LONGEST_S = 1e9  # of a duration, three decades; a longer one is a slip of the hand
_RATIO = re.compile(r"\d+/\d+", re.ASCII)
_SPEED = re.compile(r"(\d+(?:\.\d+)?)\s*(?:rpm|rev/min|r/min|/min)?", re.ASCII)
_PLUS_MINUS = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_MINUTE = 60
_HOUR = 60 * _MINUTE


def _real(value: float | _Numbers) -> float | _Floats:
    """Return the number as float, the array as float64."""
    return value.astype(np.float64) if isinstance(value, np.ndarray) else float(value)


@overload
def rad_s_from_rpm(rpm: float) -> float: ...
@overload
def rad_s_from_rpm(rpm: _Numbers) -> _Floats: ...
def rad_s_from_rpm(rpm: float | _Numbers) -> float | _Floats:
    """Convert a speed in rev/min to rad/s (number or array)."""
    return _real(rpm) * RAD_S_PER_RPM


@overload
def rpm_from_rad_s(rad_s: float) -> float: ...
@overload
def rpm_from_rad_s(rad_s: _Numbers) -> _Floats: ...
def rpm_from_rad_s(rad_s: float | _Numbers) -> float | _Floats:
    """Convert a speed in rad/s to rev/min (number or array)."""
    return _real(rad_s) / RAD_S_PER_RPM


@overload
def turns_from_rad(rad: float) -> float: ...
@overload
def turns_from_rad(rad: _Numbers) -> _Floats: ...
def turns_from_rad(rad: float | _Numbers) -> float | _Floats:
    """Convert an angle in radians (or a speed in rad/s) to turns (or turns a second)."""
    return _real(rad) / RAD_PER_TURN


@overload
def rad_from_turns(turns: float) -> float: ...
@overload
def rad_from_turns(turns: _Numbers) -> _Floats: ...
def rad_from_turns(turns: float | _Numbers) -> float | _Floats:
    """Convert turns (or turns a second) to radians (or rad/s), number or array."""
    return _real(turns) * RAD_PER_TURN


@overload
def degrees_from_rad(rad: float) -> float: ...
@overload
def degrees_from_rad(rad: _Numbers) -> _Floats: ...
def degrees_from_rad(rad: float | _Numbers) -> float | _Floats:
    """Convert an angle in radians to degrees (number or array)."""
    return _real(rad) / RAD_PER_DEGREE


@overload
def rad_from_degrees(degrees: float) -> float: ...
@overload
def rad_from_degrees(degrees: _Numbers) -> _Floats: ...
def rad_from_degrees(degrees: float | _Numbers) -> float | _Floats:
    """Convert an angle in degrees to radians (number or array)."""
    return _real(degrees) * RAD_PER_DEGREE


def format_duration(seconds: float, decimals: int = 0) -> str:
    """Write a duration as hours, minutes and seconds: ``0:41:37``.

    Parameters
    ----------
    seconds : float
        Duration in seconds; may be negative, must be finite.
    decimals : int
        Decimals of the seconds; 0 by default.

    Returns
    -------
    str
        ``h:mm:ss`` or ``h:mm:ss.fff``, rounded half to even on the shortest decimal form of
        the number, so that 59.9996 with three decimals is ``0:01:00.000``.

    Raises
    ------
    ValueError
        When the duration is not finite or `decimals` is negative.
    """
    if not math.isfinite(seconds) or decimals < 0:
        raise ValueError(f"no duration to write: {seconds} s with {decimals} decimals")
    step = Decimal(1).scaleb(-decimals)
    rounded = abs(Decimal(repr(float(seconds)))).quantize(step, rounding=ROUND_HALF_EVEN)
    minutes, rest = divmod(rounded, _MINUTE)
    hours, minutes = divmod(minutes, 60)
    sign = "-" if seconds < 0 and rounded else ""
    width = 2 + (decimals + 1 if decimals else 0)
    return f"{sign}{int(hours)}:{int(minutes):02d}:{rest:0{width}.{decimals}f}"


def parse_duration(text: str) -> float:
    """Read a duration as people write it.

    Parameters
    ----------
    text : str
        ``0:41:37``, ``41:37``, ``41m37s``, ``1h2m3.5s``, ``2497 s`` or ``2497``.  The first
        field may exceed 59, the ones after it may not.

    Returns
    -------
    float
        Seconds.

    Raises
    ------
    ValueError
        When the text is none of these forms; the message says which forms are.
    """
    stripped = text.strip().lower()
    if len(stripped) > _LONGEST_TEXT:
        raise ValueError(f"not a duration: {len(text)} letters; write 0:41:37, 41m37s or 2497 s")
    if _PLAIN.fullmatch(stripped):
        return _within_reason(float(stripped), text)
    match = _CLOCK.fullmatch(stripped) or (_UNITS.fullmatch(stripped) if stripped else None)
    if match is None:
        raise ValueError(f"not a duration: {text!r}; write 0:41:37, 41m37s or 2497 s")
    fields = [None if part is None else Decimal(part) for part in match.groups()]
    first = next(i for i, part in enumerate(fields) if part is not None)
    if any(part is not None and part >= _MINUTE for part in fields[first + 1 :]):
        raise ValueError(f"not a duration: {text!r}; minutes and seconds end at 59")
    hours, minutes, seconds = (part or Decimal(0) for part in fields)
    return _within_reason(float(hours * _HOUR + minutes * _MINUTE + seconds), text)


def _within_reason(seconds: float, text: str) -> float:
    if seconds > _LONGEST_S:
        raise ValueError(f"not a duration: {text!r} is longer than {_LONGEST_S:g} s")
    return seconds


def parse_reading(text: str) -> tuple[float, float]:
    """Read a duration with its expanded uncertainty, as a stopwatch reading is stated.

    Parameters
    ----------
    text : str
        ``2497.2±0.5``, ``0:41:37.2 ± 0.5 s``; ``+/-`` and ``+-`` stand for the sign.

    Returns
    -------
    seconds, u95 : float

    Raises
    ------
    ValueError
        When the text is not a duration, a sign and an uncertainty above zero.
    """
    parts = _PLUS_MINUS.split(text.strip())
    if len(parts) != 2:
        raise ValueError(f"not a reading with its uncertainty: {text!r}; write 2497.2±0.5")
    seconds, u95 = (parse_duration(part) for part in parts)
    if u95 <= 0:
        raise ValueError(f"an uncertainty is above zero: {text!r}; write 2497.2±0.5")
    return seconds, u95


def parse_speed(text: str) -> float:
    """Read a speed in rev/min: ``1834``, ``1834.5 rpm`` or ``1834 rev/min``.

    Raises
    ------
    ValueError
        When the text is none of these forms; the message says which forms are.
    """
    stripped = text.strip().lower()
    match = _SPEED.fullmatch(stripped) if len(stripped) <= _LONGEST_TEXT else None
    if match is None:
        raise ValueError(f"not a speed: {text!r}; write 1834, 1834.5 rpm or 1834 rev/min")
    return float(match.group(1))


def parse_rate(text: str) -> Fraction:
    """Read a frame rate exactly.

    Parameters
    ----------
    text : str
        A ratio such as ``30000/1001`` or a decimal such as ``29.97`` or ``240``.  A decimal
        is taken as written: ``29.97`` is 2997/100, 1 ppm below 30000/1001.

    Returns
    -------
    Fraction
        Frames a second, above zero.

    Raises
    ------
    ValueError
        When the text is neither form, or the rate is zero or endless.
    """
    stripped = text.strip()
    short = len(stripped) <= _LONGEST_TEXT
    if short and (_PLAIN.fullmatch(stripped) or _RATIO.fullmatch(stripped)):
        numerator, _, denominator = stripped.partition("/")
        if not denominator or int(denominator) != 0:
            rate = Fraction(numerator) / Fraction(denominator or 1)
            if rate > 0:
                return rate
    raise ValueError(f"not a frame rate: {text!r}; write 240, 29.97 or 30000/1001")


def rfc3339(when: datetime) -> str:
    """Write an instant as RFC 3339 in UTC: ``2024-05-01T12:00:00Z``.

    Parameters
    ----------
    when : datetime
        An instant with a time zone.

    Returns
    -------
    str
        UTC with ``Z``; microseconds only where they are not zero.

    Raises
    ------
    ValueError
        When `when` has no time zone: such a time names no instant.
    """
    if when.utcoffset() is None:
        raise ValueError(f"a time without a zone names no instant: {when.isoformat()}")
    utc = when.astimezone(UTC).replace(tzinfo=None)
    return utc.isoformat(timespec="microseconds" if utc.microsecond else "seconds") + "Z"


def instant_key(text: str) -> str:
    """Bring a day or an instant to the form in which texts of them are compared.

    Returns
    -------
    str
        ``2024-05-01`` or ``2024-05-01T12:00:00Z`` (times without a zone are taken as UTC);
        empty for text that is neither.
    """
    stripped = text.strip()
    try:
        return date.fromisoformat(stripped).isoformat()
    except ValueError:
        pass
    try:
        when = datetime.fromisoformat(stripped)
        when = when if when.tzinfo is not None else when.replace(tzinfo=UTC)
        return rfc3339(when.replace(microsecond=0))
    except (ValueError, OverflowError):  # the second: a zone that leads out of the calendar
        return ""
