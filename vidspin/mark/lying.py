"""Does the mark lie or stand still at either end?  In a hand, or on a top that has come to rest.

The apparent rate of a slow end goes towards zero, so what lies there afterwards would pass for its
continuation.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from vidspin.cyclic import wrapped
from vidspin.records import BoolArray, FloatArray, IntArray

# A mark in a hand before the start, or on a fallen top: within so much of mark phase for so long,
# then off by more than a radian in as long again.  Drag takes a top out of a stand-still ten times
# more slowly.
REST_RAD = 0.15
REST_S = 0.5
REST_MOVED = 3  # frames in a row, no outlier
REST_STRAY = 0.1  # share of outliers meanwhile; a spin that comes back every few frames has more
START_RAD = 1.0
STILL_SURE = 2.0  # times what a spin that stood still for as long by chance would turn by then
TAIL = 0.1  # of sightings at either end of their spread that may be outliers
ROLLS_S = 1.5  # a fallen top may roll for so long with its mark in sight before it lies still
COURSE_S = 3.0  # of the spin before that tells its course, by a parabola
HAND_S = 0.3  # a hand stops a top within so long
LEAVES_RAD = 0.5  # a roll has left the course by more; a curve foretold is off by less


class Rest(NamedTuple):
    """Rest at the end of a recording, in slots: `rolls` equals `lies` where none was seen."""

    rolls: int  # from here on a top that fell may have rolled out
    lies: int  # from here on it lies still


def without_rest(
    slot: IntArray, phase: FloatArray, weight: FloatArray, frame_rate: float
) -> tuple[FloatArray, Rest]:
    """Leave out a mark at rest at either end.

    Run backwards, a top that comes to rest is one that starts.
    """
    least = round(REST_S * frame_rate)
    number = np.arange(len(slot))
    weight = np.where(number < _resting(slot, phase, weight > 0, least), 0.0, weight)
    lying = _resting(slot[-1] - slot[::-1], phase[::-1], weight[::-1] > 0, least, fell=True)
    if not lying:
        return weight, Rest(int(slot[-1]) + 1, int(slot[-1]) + 1)
    lies = int(slot[len(slot) - lying])
    rolls = lies - round(ROLLS_S * frame_rate)
    return np.where(slot >= lies, 0.0, weight), Rest(rolls, lies)


def stopped(
    slot: IntArray, sighted: FloatArray, course: FloatArray, *, rest: Rest, frame_rate: float
) -> int:
    """Return the slot at which the spin before a rest ends.

    No top comes to rest on its tip.  One that fell rolls out, which leaves the course of its spin
    well before the rest: nothing of that is free spin, nor of what may have been a roll that went
    the same way for a while.  One that a hand stops keeps to its course until just before, and
    that does not lead to rest by itself.

    Parameters
    ----------
    slot, sighted : (N,) arrays
        Frame intervals passed, and mark phase (rad), NaN where the mark was not seen.
    course : (N,) array
        Continuous mark phase before `rest.rolls`, NaN elsewhere and where it is doubtful.
    rest : Rest
        Where the mark lies still.
    frame_rate : float
        Nominal frames a second.
    """
    x = (slot - rest.rolls) / frame_rate
    told = np.isfinite(course) & (x >= -COURSE_S) & (x < 0)
    if not told.any() or np.ptp(x[told]) < 0.5 * COURSE_S or x[told][-1] < -REST_S:
        return rest.rolls  # too little to foretell by
    late = np.flatnonzero(np.isfinite(sighted) & (x >= 0) & (slot < rest.lies))
    if len(late) < REST_MOVED:
        return rest.lies
    parabola = np.polyfit(x[told], course[told], 2)
    rate = np.polyval(np.polyder(parabola), (rest.lies - rest.rolls) / frame_rate)
    if rate**2 < 4.0 * abs(parabola[0]) * LEAVES_RAD:
        return rest.rolls  # the course itself comes to its stand-still there: a long roll
    ahead = np.polyval(parabola, x[late])
    left = np.abs(wrapped(sighted[late] - ahead)) > LEAVES_RAD
    gone = np.flatnonzero(np.convolve(left, np.ones(REST_MOVED), "valid") >= REST_MOVED)
    if not len(gone):
        return rest.lies
    at = int(slot[late[gone[0]]])
    return at if at >= rest.lies - HAND_S * frame_rate else rest.rolls


def _resting(
    slot: IntArray, phase: FloatArray, seen: BoolArray, least: int, *, fell: bool = False
) -> int:
    """Return how many frames at the beginning show a mark that a hand holds still.

    It stands still for a while and then starts at once: a spin near a stand-still speed, which
    starts as still, leaves it slowly.
    """
    frames = np.flatnonzero(seen)
    if not 0 < least <= len(frames):  # none in half a second: damage can state such a rate
        return 0
    start = np.median(np.unwrap(phase[frames[:least]]))
    from_start = np.angle(np.exp(1j * (phase[frames] - start)))
    moved = np.abs(from_start) > REST_RAD
    gone = np.flatnonzero(np.convolve(moved, np.ones(REST_MOVED), "valid") >= REST_MOVED)
    if not len(gone) or not gone[0] or moved[: gone[0]].mean() >= REST_STRAY:
        return 0
    end = int(frames[gone[0]])  # first of a few in a row that have moved
    if slot[end] - slot[frames[0]] < least:
        return 0
    after = phase[frames[(frames >= end) & (slot[frames] < slot[end] + least)]]
    hidden = slot[end] - slot[frames[gone[0] - 1]]
    if fell:
        still = gone[0] / least  # as seen: a frame far from all others is no rest
        enough = _enough(still, hidden / least, _span(from_start[: gone[0]]))
        starts = still >= 1.0 and _span(_unwrapped(after)) > enough
    else:
        starts = hidden > least // 4 or np.ptp(np.unwrap(after)) > START_RAD
    return int(frames[gone[0] - 1]) + 1 if starts else 0


def _unwrapped(phase: FloatArray) -> FloatArray:
    """Continuous phase; lone outliers are left out, for one may add or lose a whole turn."""
    if len(phase) <= 2:
        return np.unwrap(phase)
    z = np.exp(1j * phase)
    off = np.abs(np.angle(z[1:] / z[:-1])) > START_RAD
    back = np.abs(np.angle(z[2:] / z[:-2])) < 2.0 * REST_RAD
    lone = np.concatenate([[False], off[1:] & off[:-1] & back, [False]])
    return np.unwrap(phase if lone.mean() > TAIL else phase[~lone])


def _span(phase: FloatArray) -> float:
    """Way from one end to the other of a straight line or parabola, outliers or not.

    Noise alone seems to go 3.2 times its standard deviation, however many the sightings.
    """
    low, high = np.quantile(phase, (TAIL, 1.0 - TAIL))
    return float(high - low) / (1.0 - 2.0 * TAIL)


def _enough(still: float, hidden: float, span: float) -> float:
    """Return how far a mark must turn in `REST_S` after it stood still for `still` times as long.

    The phase of a spin that loses evenly is a parabola about its stand-still: the longer it keeps
    within some `span`, the less it turns afterwards, and the more the longer it was `hidden`
    meanwhile.  Whatever noise is in the span is in the way that it seems to turn as well.
    """
    bend = 8.0 * span / still**2  # rad, by the square of REST_S
    free = (0.5 + hidden) * bend + float(np.sqrt(2.0 * span * bend))
    return span + max(2.0 * REST_RAD, STILL_SURE * free)
