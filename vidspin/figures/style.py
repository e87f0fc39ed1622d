"""What all figures have in common: colours, sizes, words for the time axis.

The colours are those of Okabe and Ito (2008), which people with any of the common kinds of
colour blindness can tell apart; no figure relies on colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from vidspin.candidates import direction_told
from vidspin.records import Event, FloatArray, Result
from vidspin.units import format_duration
from vidspin.wording import decimals_for, odds, plural, seen_by, signed

WIDTH_PX = 1200

INK = "#1a1a1a"
QUIET = "#5c5c5c"
FAINT = "#d9d9d9"
PAPER = "#ffffff"
BLUE = "#0072b2"
SKY = "#56b4e9"
VERMILION = "#d55e00"
GREEN = "#00795a"  # a little darker than the palette's, for small text on white
ORANGE = "#e69f00"

EVENT_COLOURS = {"release": GREEN, "topple": VERMILION, "touch": ORANGE}

UNRESOLVED = "ALIAS ORDER UNRESOLVED"

# Recordings longer than this have their time axis in h:mm:ss instead of seconds.
LONG_S = 120.0
_TICK_STEPS_S = (
    *(0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0),
    *(60.0, 120.0, 300.0, 600.0, 900.0, 1200.0, 1800.0, 3600.0, 7200.0, 14400.0, 36000.0),
)


def time_ticks(start_s: float, end_s: float, *, most: int) -> tuple[FloatArray, list[str], str]:
    """Choose round ticks for a time axis.

    Parameters
    ----------
    start_s, end_s : float
        Ends of the axis, seconds, start before end.
    most : int
        At most this many ticks.

    Returns
    -------
    ticks : ndarray
        Instants in seconds.
    words : list of str
        What to write at each.
    title : str
        What to write along the axis, with the unit.
    """
    span = end_s - start_s
    step = next((s for s in _TICK_STEPS_S if span / s <= most - 1), _TICK_STEPS_S[-1])
    first = math.ceil(start_s / step - 1e-9)
    count = math.floor(end_s / step + 1e-9) - first + 1
    ticks = step * np.arange(first, first + max(count, 0), dtype=np.float64)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    if end_s > LONG_S:
        words = [format_duration(tick, decimals) for tick in ticks.tolist()]
        return ticks, words, "time from the first frame, h:mm:ss"
    return ticks, [f"{tick:.{decimals}f}" for tick in ticks], "time from the first frame, s"


def clock_text(time_s: float, end_s: float, u95_s: float | None) -> str:
    """Write an instant as the time axis of a recording that ends at `end_s` does."""
    decimals = min(3, decimals_for(u95_s))
    if end_s > LONG_S:
        return format_duration(time_s, decimals)
    return f"{time_s:.{decimals}f} s"


def recording_span(result: Result) -> tuple[float, float]:
    """Return the first and last instant of the recording, seconds, never an empty span."""
    ends = [0.0, result.footage.duration_s]
    for times in (result.sightings.time_s, result.curve.time_s):
        ends += [float(times[0]), float(times[-1])] if times.size else []
    finite = [end for end in ends if math.isfinite(end)]
    return min(finite), max(max(finite), min(finite) + 1e-3)


def seen_events(result: Result) -> list[Event]:
    """List the events that are in the recording, in order of time."""
    events = [result.release, result.topple, *result.touches]
    seen = [e for e in events if e is not None and e.seen and math.isfinite(e.time_s)]
    return sorted(seen, key=lambda event: event.time_s)


def facts_line(result: Result) -> str:
    """Say in one line how the top turned and how that was told from the frames."""
    facts = result.footage
    direction = direction_told(result)
    parts = [f"{direction} {seen_by(mirrored=facts.chapters[0].mirrored)}"] if direction else []
    parts.append(plural(result.survey.marks, "mark"))
    parts.append(f"{float(facts.frame_rate):.6g} frames/s")
    if result.alias.resolved and result.alias.candidates:
        order = signed(result.alias.candidates[0].order)
        parts.append(f"alias order {order} at the start, odds {odds(result.alias.odds)}")
    if facts.time_scale != 1:
        parts.append(f"1 s of the file is {facts.time_scale} s of the scene")
    return " · ".join(parts)


def broken_at_gaps(time_s: FloatArray, *values: FloatArray) -> tuple[FloatArray, ...]:
    """Put NaN into series where a row is missing, so that no line bridges the gap.

    Parameters
    ----------
    time_s : ndarray, shape (M,)
        Ascending instants.
    *values : ndarray, shape (M,)
        Series at those instants.

    Returns
    -------
    tuple of ndarray
        Times and series, longer by one entry for each gap.
    """
    if time_s.size < 3:
        return (time_s, *values)
    steps = np.diff(time_s)
    where = np.flatnonzero(steps > 1.5 * np.median(steps)) + 1
    middles = 0.5 * (time_s[where - 1] + time_s[where])
    return (
        np.insert(time_s, where, middles),
        *(np.insert(series, where, np.nan) for series in values),
    )


def spans_where(
    truth: np.ndarray, edges: Callable[[int, int], tuple[float, float]]
) -> list[tuple[float, float]]:
    """Turn runs of True into spans; `edges` maps first and last index to instants."""
    padded = np.concatenate([[False], truth, [False]])
    changes = np.flatnonzero(padded[1:] != padded[:-1])
    return [edges(int(a), int(b) - 1) for a, b in zip(changes[::2], changes[1::2], strict=True)]
