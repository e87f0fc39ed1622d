"""What do the frames alone suggest?  A continuous phase, up to whole turns a frame.

The mark's phase (marks * angle) is followed in short overlapping windows by its strongest line
in cycles a frame interval, which stays clear where single sightings are doubtful.  Windows are
linked into tracks, the phase is carried from window to window, and every sighting is then
placed on the turn nearest to it.  Nothing here knows or assumes the alias order: the speed
found is one of the family *apparent + n * frame rate / marks*, the same n along a track.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vidspin.cyclic import TWO_PI, nearest, wrapped
from vidspin.mark.lying import stopped, without_rest
from vidspin.pace import at_others
from vidspin.records import BoolArray, FloatArray, IntArray
from vidspin.regression import hermite

ComplexArray = NDArray[np.complex128]

WINDOW_S = 1.2  # long enough for a clear line; a speed that falls is matched by the chirps
MIN_FRAMES = 24
MAX_FRAMES = 96
PADDING = 8
PEAK_ROWS = 256  # windows whose spectra are looked at together
# Trial chirps of a window: its rate may fall by so many steps either way.  A step turns the
# window's ends by 1.5 rad against its middle, half of that costs a line 3 % of its height;
# three steps are 350 rev/min a second with one mark, far more than a free top ever loses.
CHIRPS = 3
CHIRP_STEP_RAD = 1.5
LEAST_OF_HALF = 0.3  # of each half of a window must be seen
CLEAR = 0.55  # coherence from which a window's line counts, however long the window
FALSE_LINES = 1e-3  # noise passes for a line in one window of so many
# An unseen stretch up to this long is bridged when the rates on both sides belong together.
MAX_BRIDGE_S = 7.2  # from the middle of a window to that of the next: six seconds unseen
NEAR_RATE = 0.05  # cycles a slot by which the rate may jump between windows that touch
FAR_RATE = 0.015  # and beyond the slope's own doubt, over a bridge
# A longer one is bridged when rate and slope on both sides belong together over so much of each.
LONG_SIDE_S = 5.0
LONG_WINDOWS = 16  # of each side that give its slope
# Windows of each side that carry the count over an unseen stretch; of a straight line, a parabola.
LEAST_SIDE, STRAIGHT_SIDE, BENT_SIDE, BRIDGE_SIDE = 3, 5, 8, 12
LONG_SLOPE = 0.5  # relative: drag grows with the speed, and the speed falls
LONG_DOUBT = 0.06  # cycles a slot
SLOPE_DOUBT = 0.25  # relative; drag changes with speed, hardly more within a bridge
MOST_DOUBT = 0.2  # cycles a slot; a match within +-0.5 that allows more says nothing
NEAR_RAD = 1.2  # of mark phase; noise at random lies as near to a track in 38 % of all frames
MOST = 0.7  # share of near sightings that makes a track
EDGE = 5  # sightings at either end of which so many must be near too
STANDS_RAD = 1.0  # a pattern that keeps within so much of mark phase all along turns nothing
SLOT_GAIN = 0.1  # how fast the count of frame intervals follows the camera's clock


@dataclass(frozen=True, slots=True)
class Track:
    """A stretch of continuous phase."""

    first: int  # first and last frame (inclusive)
    last: int
    window_s: FloatArray  # (W,) window centres
    cycles_per_slot: FloatArray  # (W,) continuous apparent rate of the mark phase
    coherence: FloatArray  # (W,)
    phase_rad: FloatArray  # (N,) continuous mark phase at each frame, NaN outside
    expected_rad: FloatArray  # (N,) smooth mark phase at each frame, NaN outside


def slots(time_s: FloatArray, frame_rate: float) -> IntArray:
    """Count the nominal frame intervals that have passed at each frame.

    The count follows the stamps slowly: a clock that differs from the nominal rate does not
    add up to a wrong count over an hour, and stamps that are early or late by less than half
    an interval do not add or lose one.
    """
    out = np.zeros(len(time_s), np.int64)
    x = (time_s - time_s[0]) * frame_rate
    offset, last = 0.0, 0
    for i in range(1, len(x)):
        last = max(last + 1, round(float(x[i]) - offset))
        offset += SLOT_GAIN * (float(x[i]) - offset - last)
        out[i] = last
    return out


def follow_phase(
    time_s: FloatArray,
    angle_rad: FloatArray,
    weight: FloatArray,
    *,
    frame_rate: float,
    marks: int,
) -> tuple[Track, ...]:
    """Follow the mark's phase through the recording.

    Parameters
    ----------
    time_s, angle_rad, weight : (N,) arrays
        Frame times, mark angles, and weights (0 = not used).
    frame_rate : float
        Nominal frames a second.
    marks : int
        Number of equal marks.

    Returns
    -------
    tuple of Track
        Longest first, those that turned at all before others; empty when no window shows a clear
        line.  What stands still in the frames all along is none: light and shade that the still did
        not take up, or a top at rest.
    """
    slot = slots(time_s, frame_rate)
    # at another pace a step is no whole number of intervals: a line would be one by chance
    weight = np.where(at_others(time_s, 1.0 / frame_rate), 0.0, weight)
    phase = marks * angle_rad
    weight, rest = without_rest(slot, phase, weight, frame_rate)
    tracks = _tracks(slot, time_s, phase, np.where(slot < rest.rolls, weight, 0.0), frame_rate)
    if tracks and rest.rolls < rest.lies:
        last = max(tracks, key=lambda t: t.last)
        course = np.where(usable(last), last.phase_rad, np.nan)
        sighted = np.where(weight > 0, phase, np.nan)
        end = stopped(slot, sighted, course, rest=rest, frame_rate=frame_rate)
        if end > rest.rolls:
            tracks = _tracks(slot, time_s, phase, np.where(slot < end, weight, 0.0), frame_rate)
    return tracks


def _tracks(
    slot: IntArray, time_s: FloatArray, phase: FloatArray, weight: FloatArray, frame_rate: float
) -> tuple[Track, ...]:
    """Link the lines of all windows to tracks."""
    size = int(np.clip(round(WINDOW_S * frame_rate), MIN_FRAMES, MAX_FRAMES))
    lines = _lines(slot, phase, weight, size)
    sighted = np.where(weight > 0, phase, np.nan)
    tracks = [
        _track(lines.only(group), slot, time_s, sighted) for group in _linked(lines, frame_rate)
    ]
    tracks.sort(key=lambda t: (way(t) < TWO_PI, t.first - t.last))
    return tuple(t for t in tracks if way(t) > STANDS_RAD)


def way(track: Track) -> float:
    """Mark phase from one end of what was passed through to the other, rad."""
    return float(np.nanmax(track.expected_rad) - np.nanmin(track.expected_rad))


@dataclass(frozen=True, slots=True)
class _Lines:
    """Strongest line of each of W windows."""

    size: int  # slots a window
    centre: FloatArray  # (W,) slot
    rate: FloatArray  # (W,) cycles a slot, in [-0.5, 0.5)
    chirp: FloatArray  # (W,) cycles a slot squared
    phase: FloatArray  # (W,) at the centre
    coherence: FloatArray  # (W,)

    def only(self, group: IntArray) -> _Lines:
        """Pick some of the windows."""
        return _Lines(
            self.size, self.centre[group], self.rate[group], self.chirp[group],
            self.phase[group], self.coherence[group],
        )  # fmt: skip


def _lines(slot: IntArray, phase: FloatArray, weight: FloatArray, size: int) -> _Lines:
    """Find the strongest line of each window among all rates and some chirps."""
    hop = max(1, size // 2)
    starts = np.arange(0, max(1, int(slot[-1]) - size + 2), hop)
    middle = size // 2  # a whole slot: the phase there does not depend on whole turns a slot
    z = weight * np.exp(1j * phase)
    rows = np.zeros((len(starts), size), complex)
    total, lesser = np.zeros(len(starts)), np.zeros(len(starts))
    for j, start in enumerate(starts):
        low, half, high = np.searchsorted(slot, (start, start + middle, start + size))
        rows[j, slot[low:high] - start] = z[low:high]
        total[j] = weight[low:high].sum()
        lesser[j] = min(weight[low:half].sum(), weight[half:high].sum())
    bend = (np.arange(size) - middle) ** 2 * (CHIRP_STEP_RAD / middle**2)
    power = np.zeros((2 * CHIRPS + 1, len(starts)))
    rate, angle = np.zeros_like(power), np.zeros_like(power)
    for c in range(2 * CHIRPS + 1):
        power[c], rate[c], angle[c] = _peaks(rows, np.exp(-1j * (c - CHIRPS) * bend), middle)
    best, all_rows = np.argmax(power, axis=0), np.arange(len(starts))
    inner = np.clip(best, 1, 2 * CHIRPS - 1)
    chirp = inner - CHIRPS + _vertex(*(power[inner + k, all_rows] for k in (-1, 0, 1)))
    coherence = power[best, all_rows] / np.maximum(total, 1e-9)
    coherence[total < 0.3 * weight.max() * size] = 0.0
    # what is seen of one side only leaves rate and chirp at the middle open against each other
    coherence[lesser < LEAST_OF_HALF * weight.max() * middle] = 0.0
    return _Lines(
        size, (starts + middle).astype(float), rate[best, all_rows],
        chirp * CHIRP_STEP_RAD / (np.pi * middle**2), angle[best, all_rows], coherence,
    )  # fmt: skip


def _peaks(rows: ComplexArray, unbent: ComplexArray, middle: int) -> FloatArray:
    """Height, cycles a slot and phase at `middle` of the strongest line of each row; (3, W)."""
    length, found = PADDING * rows.shape[1], np.empty((3, len(rows)))
    for first in range(0, len(rows), PEAK_ROWS):  # a long recording's spectra take much room
        part = slice(first, first + PEAK_ROWS)
        spectrum = np.fft.fft(rows[part] * unbent, length, axis=1)
        power = np.abs(spectrum)
        k = np.argmax(power, axis=1)
        j = np.arange(len(power))
        shift = _vertex(power[j, k - 1], power[j, k], power[j, (k + 1) % length])
        angle = np.angle(spectrum[j, k]) + TWO_PI * k / length * middle
        found[:, part] = (
            power[j, k], np.mod((k + shift) / length + 0.5, 1.0) - 0.5, angle,
        )  # fmt: skip
    return found


def _vertex(before: FloatArray, at: FloatArray, after: FloatArray) -> FloatArray:
    """Where between -1 and 1 the parabola through three heights is highest."""
    bend = before - 2 * at + after
    shift = 0.5 * (before - after) / np.where(bend == 0, 1.0, bend)
    return np.asarray(np.clip(np.where(bend < 0, shift, 0.0), -1.0, 1.0))


def _linked(lines: _Lines, frame_rate: float) -> list[IntArray]:
    """Group clear windows whose rates follow each other; short unseen stretches are bridged.

    Every window joins the group that ended last among those that it continues.
    """
    # n samples of noise reach a coherence c somewhere among their rates and chirps about
    # n * (2 * CHIRPS + 1) * exp(-n c^2) times
    trials = lines.size * (2 * CHIRPS + 1) / FALSE_LINES
    clear = max(CLEAR, float(np.sqrt(np.log(trials) / lines.size)))
    groups: list[list[int]] = []
    for j in np.flatnonzero(lines.coherence >= clear):
        reach = MAX_BRIDGE_S * frame_rate
        near = [g for g in groups if lines.centre[j] - lines.centre[g[-1]] <= reach]
        follows = [g for g in near if _continues(lines, g, int(j))]
        if follows:
            max(follows, key=lambda g: g[-1]).append(int(j))
        else:
            groups.append([int(j)])
    return _over_long_bridges(lines, [np.array(g) for g in groups if len(g) >= 2], frame_rate)


def _over_long_bridges(lines: _Lines, groups: list[IntArray], frame_rate: float) -> list[IntArray]:
    """Join groups over a long unseen stretch when rate and slope go on as drag would have it.

    The turns meanwhile are not counted by this, but the order is the same on both sides.  A
    second start has another slope, or another rate, nine times out of ten and more.
    """
    least = LONG_SIDE_S * frame_rate / max(1.0, lines.size / 2)
    groups = sorted(groups, key=lambda g: int(g[0]))
    joined: list[IntArray] = []
    for group in groups:
        before = next((g for g in reversed(joined) if len(g) >= least), None)
        if before is not None and len(group) >= least and _goes_on(lines, before, group):
            joined = [g for g in joined if g is not before]
            joined.append(np.concatenate([before, group]))
        else:
            joined.append(group)
    return joined


def _goes_on(lines: _Lines, before: IntArray, after: IntArray) -> bool:
    """Whether one group's rate and slope are those of another after a long unseen stretch."""
    gap = float(lines.centre[after[0]] - lines.centre[before[-1]])
    if gap <= 0:
        return False
    (first, u_first), (second, u_second) = (
        _trend(lines, group) for group in (before[-LONG_WINDOWS:], after[:LONG_WINDOWS])
    )
    u = float(np.hypot(u_first, u_second))
    doubt = FAR_RATE + 2 * u * gap + SLOPE_DOUBT * abs(first) * gap
    grown = 0.5 * (first + second) * gap
    miss = abs(np.mod(lines.rate[after[0]] - lines.rate[before[-1]] - grown + 0.5, 1.0) - 0.5)
    alike = abs(second - first) < LONG_SLOPE * max(abs(first), abs(second)) + 2 * u
    return bool(doubt < LONG_DOUBT and miss < doubt and alike)


def _trend(lines: _Lines, group: IntArray) -> tuple[float, float]:
    """Slope of the rate over some windows and its standard uncertainty, cycles a slot squared."""
    at, r = lines.centre[group], _unwrapped(lines.only(group))
    x = at - at.mean()
    slope = float(x @ r / (x @ x))
    left = r - r.mean() - slope * x
    return slope, float(np.sqrt(left @ left / max(1, len(r) - 2) / (x @ x)))


def _continues(lines: _Lines, group: list[int], j: int) -> bool:
    """Whether a window's rate is where the group's rate was going."""
    i = group[-1]
    ahead = float(lines.centre[j] - lines.centre[i])
    slope = _slope(lines, group)
    miss = abs(np.mod(lines.rate[j] - lines.rate[i] - slope * ahead + 0.5, 1.0) - 0.5)
    if ahead <= lines.size:
        return bool(miss < NEAR_RATE)
    doubt = FAR_RATE + SLOPE_DOUBT * abs(slope) * ahead
    return bool(doubt < MOST_DOUBT and miss < doubt)


def _slope(lines: _Lines, group: list[int]) -> float:
    """Recent rate of change of the rate, cycles a slot squared."""
    recent = np.array(group[-8:])
    if len(recent) < 4:
        return float(np.mean(lines.chirp[recent]))
    r = _unwrapped(lines.only(recent))
    at = lines.centre[recent]
    return float(np.polyfit(at - at[-1], r, 1)[0])


def _unwrapped(lines: _Lines) -> FloatArray:
    """Continuous rate: each window's is put where the chirps of its neighbours say."""
    ahead = np.diff(lines.centre)
    grown = 0.5 * (lines.chirp[1:] + lines.chirp[:-1]) * ahead
    grown = np.where(ahead <= lines.size, grown, 0.0)  # over a bridge a chirp is too rough
    step = nearest(np.diff(lines.rate), grown, 1.0)
    return np.asarray(lines.rate[0] + np.concatenate([[0.0], np.cumsum(step)]))


def _track(lines: _Lines, slot: IntArray, time_s: FloatArray, mark_phase: FloatArray) -> Track:
    """Carry the phase from window to window and put every sighting on its turn."""
    at, r, p = lines.centre, _unwrapped(lines), lines.phase
    grown = TWO_PI * _turned(at, r, lines.size)  # the nearest whole turn is taken
    step = nearest(p[1:] - p[:-1], grown)
    phase = p[0] + np.concatenate([[0.0], np.cumsum(step)])
    low = int(np.searchsorted(slot, at[0] - lines.size))
    high = int(np.searchsorted(slot, at[-1] + lines.size, side="right")) - 1
    expected = np.full(len(slot), np.nan)
    inside = slice(low, high + 1)
    expected[inside] = carried(slot[inside].astype(float), at, phase, TWO_PI * r)
    off = wrapped(mark_phase - expected)
    low, high = agreeing(off, slot, low, high, lines.size)
    expected[:low], expected[high + 1 :] = np.nan, np.nan
    seconds = np.interp(at, slot.astype(float), time_s)
    return Track(low, high, seconds, r, lines.coherence, expected + off, expected)


def _turned(at: FloatArray, rate: FloatArray, size: int) -> FloatArray:
    """Cycles from each window's middle to the next's.

    By the mean of the rates (trapezium).  Over an unseen stretch a single window's rate is not
    good enough: curves through some windows on both sides give rates and slopes, and the slopes
    the next term of the sum (Euler-Maclaurin).
    """
    ahead = np.diff(at)
    turned = 0.5 * (rate[1:] + rate[:-1]) * ahead
    gaps = np.flatnonzero(ahead > size)
    edges = np.concatenate([[0], gaps + 1, [len(at)]])
    for k, j in enumerate(gaps.tolist()):
        before, after = np.arange(edges[k], j + 1), np.arange(j + 1, edges[k + 2])
        if min(len(before), len(after)) < LEAST_SIDE:
            continue
        s0, r0 = _at_edge(at[before[::-1]], rate[before[::-1]])
        s1, r1 = _at_edge(at[after], rate[after])
        turned[j] = ahead[j] * (0.5 * (r0 + r1) + (s0 - s1) * ahead[j] / 12)
    return np.asarray(turned)


def _at_edge(at: FloatArray, rate: FloatArray) -> tuple[float, float]:
    """Slope and value at the first of some windows, by a parabola, of few by a straight line."""
    bent = len(at) >= BENT_SIDE
    some = slice(0, BRIDGE_SIDE if bent else STRAIGHT_SIDE)
    found = np.polyfit(at[some] - at[0], rate[some], 2 if bent else 1)
    return float(found[-2]), float(found[-1])


def agreeing(
    off: FloatArray, slot: IntArray | FloatArray, low: int, high: int, size: int
) -> tuple[int, int]:
    """Move a track's ends inwards to where most of half a window's sightings lie near it.

    A window's line belongs to its middle; what lies up to a window beyond may belong to the
    track or to what was before or after.  Few sightings beyond an unseen stretch do not count.
    """
    seen = low + np.flatnonzero(np.isfinite(off[low : high + 1]))
    pieces = np.split(seen, np.flatnonzero(np.diff(slot[seen]) > size // 4) + 1)
    crowd = size // 2
    while len(pieces) > 1 and len(pieces[0]) < crowd:
        pieces = pieces[1:]
    while len(pieces) > 1 and len(pieces[-1]) < crowd:
        pieces = pieces[:-1]
    seen = np.concatenate(pieces)
    near = np.abs(off[seen]) < NEAR_RAD
    if len(seen) < 2 * crowd:
        return low, high
    share = np.convolve(near, np.ones(crowd) / crowd, mode="valid") >= MOST
    few = np.convolve(near, np.ones(EDGE) / EDGE, mode="valid") >= MOST
    starts = np.flatnonzero(share & few[: len(share)] & near[: len(share)])
    stops = np.flatnonzero(share & few[len(few) - len(share) :] & near[crowd - 1 :]) + crowd - 1
    if not len(starts) or not len(stops) or starts[0] >= stops[-1]:
        return low, high
    return int(seen[starts[0]]), int(seen[stops[-1]])


def carried(x: FloatArray, at: FloatArray, value: FloatArray, slope: FloatArray) -> FloatArray:
    """Cubic through window phases and rates; beyond the ends the rate changes as it did last."""
    out = hermite(x, at, value, slope)
    bend = (slope[1] - slope[0]) / (at[1] - at[0]), (slope[-1] - slope[-2]) / (at[-1] - at[-2])
    before, after = x < at[0], x > at[-1]
    d0, d1 = x[before] - at[0], x[after] - at[-1]
    out[before] = value[0] + slope[0] * d0 + 0.5 * bend[0] * d0**2
    out[after] = value[-1] + slope[-1] * d1 + 0.5 * bend[1] * d1**2
    return out


def usable(track: Track, limit_rad: float = 1.0) -> BoolArray:
    """Frames of the track whose mark phase lies within `limit_rad` of the smooth one."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(track.phase_rad - track.expected_rad) < limit_rad)
