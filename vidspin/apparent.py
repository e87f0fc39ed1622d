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

from vidspin.records import BoolArray, FloatArray, IntArray

WINDOW_S = 0.8  # long enough for a clear line, short enough for a speed that falls
MIN_FRAMES = 16
MAX_FRAMES = 96
PADDING = 8
CLEAR = 0.55  # coherence from which a window's line counts; noise reaches about 0.45
MAX_BRIDGE_S = 6.0  # an unseen stretch up to this long is bridged when the rate allows it
TWO_PI = 2.0 * np.pi


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
    """Number the frame intervals: how many nominal intervals have passed at each frame.

    Steps are rounded one by one, so that a clock that differs from the nominal rate does not
    add up to a wrong count over an hour.
    """
    steps = np.maximum(np.rint(np.diff(time_s) * frame_rate), 1).astype(np.int64)
    return np.concatenate([[0], np.cumsum(steps)]).astype(np.int64)


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
        Longest first; empty when no window shows a clear line.
    """
    slot = slots(time_s, frame_rate)
    size = int(np.clip(round(WINDOW_S * frame_rate), MIN_FRAMES, MAX_FRAMES))
    centres, rate, phase, coherence = _lines(slot, marks * angle_rad, weight, size)
    tracks = []
    for group in _linked(centres, rate, coherence, frame_rate):
        tracks.append(_track(group, centres, rate, phase, coherence, slot, time_s,
                             marks * angle_rad, weight, size, frame_rate))  # fmt: skip
    tracks.sort(key=lambda t: t.first - t.last)
    return tuple(tracks)


def _lines(
    slot: IntArray, phase: FloatArray, weight: FloatArray, size: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Strongest line of each window: centre slot, cycles a slot, phase there, coherence."""
    hop = max(1, size // 2)
    last = int(slot[-1])
    starts = np.arange(0, max(1, last - size + 2), hop)
    length = PADDING * size
    z = weight * np.exp(1j * phase)
    rows = np.zeros((len(starts), length), complex)
    total = np.zeros(len(starts))
    for j, start in enumerate(starts):
        low, high = np.searchsorted(slot, (start, start + size))
        rows[j, slot[low:high] - start] = z[low:high]
        total[j] = weight[low:high].sum()
    spectrum = np.fft.fft(rows, axis=1)
    power = np.abs(spectrum)
    k = np.argmax(power, axis=1)
    j = np.arange(len(starts))
    a, b, c = power[j, k - 1], power[j, k], power[j, (k + 1) % length]
    shift = 0.5 * (a - c) / np.where(a - 2 * b + c == 0, 1.0, a - 2 * b + c)
    rate = (k + shift) / length
    middle = size // 2  # a whole slot: the phase there does not depend on whole turns a slot
    angle = np.angle(spectrum[j, k]) + TWO_PI * k / length * middle
    coherence = b / np.maximum(total, 1e-9)
    coherence[total < 0.3 * weight.max() * size] = 0.0
    return starts + middle, np.mod(rate + 0.5, 1.0) - 0.5, angle, coherence


def _linked(
    centres: FloatArray, rate: FloatArray, coherence: FloatArray, frame_rate: float
) -> list[IntArray]:
    """Group clear windows whose rates follow each other; short unseen stretches are bridged."""
    groups: list[list[int]] = []
    for j in np.flatnonzero(coherence >= CLEAR):
        for group in reversed(groups):
            i = group[-1]
            gap = (centres[j] - centres[i]) / frame_rate
            if gap > MAX_BRIDGE_S:
                continue
            slope = _slope(group, centres, rate)
            ahead = rate[i] + slope * (centres[j] - centres[i])
            miss = abs(np.mod(rate[j] - ahead + 0.5, 1.0) - 0.5)
            if miss < 0.02 + 0.03 * gap:
                group.append(int(j))
                break
        else:
            groups.append([int(j)])
    return [np.array(g) for g in groups if len(g) >= 2]


def _slope(group: list[int], centres: FloatArray, rate: FloatArray) -> float:
    """Recent rate of change of the rate, cycles a slot squared."""
    recent = np.array(group[-8:])
    if len(recent) < 3:
        return 0.0
    r = np.unwrap(rate[recent], period=1.0)
    return float(np.polyfit(centres[recent] - centres[recent[-1]], r, 1)[0])


def _track(
    group: IntArray,
    centres: FloatArray,
    rate: FloatArray,
    phase: FloatArray,
    coherence: FloatArray,
    slot: IntArray,
    time_s: FloatArray,
    mark_phase: FloatArray,
    weight: FloatArray,
    size: int,
    frame_rate: float,
) -> Track:
    at, r, p = centres[group], np.unwrap(rate[group], period=1.0), phase[group]
    # carry the phase from window to window by the mean of their rates (trapezium)
    grown = TWO_PI * 0.5 * (r[1:] + r[:-1]) * np.diff(at)
    step = grown + np.mod(p[1:] - p[:-1] - grown + np.pi, TWO_PI) - np.pi
    carried = p[0] + np.concatenate([[0.0], np.cumsum(step)])
    low = int(np.searchsorted(slot, at[0] - 0.5 * size))
    high = int(np.searchsorted(slot, at[-1] + 0.5 * size, side="right")) - 1
    expected = np.full(len(slot), np.nan)
    inside = slice(low, high + 1)
    expected[inside] = _hermite(slot[inside].astype(float), at, carried, TWO_PI * r)
    continuous = expected + np.mod(mark_phase - expected + np.pi, TWO_PI) - np.pi
    continuous = np.where(weight > 0, continuous, np.nan)
    seconds = np.interp(at, slot.astype(float), time_s)
    return Track(low, high, seconds, r, coherence[group], continuous, expected)


def _hermite(x: FloatArray, at: FloatArray, value: FloatArray, slope: FloatArray) -> FloatArray:
    """Cubic through window phases and rates; straight on beyond the ends."""
    j = np.clip(np.searchsorted(at, x) - 1, 0, len(at) - 2)
    h = at[j + 1] - at[j]
    t = np.clip((x - at[j]) / h, 0.0, 1.0)
    out = (
        (2 * t**3 - 3 * t**2 + 1) * value[j] + (t**3 - 2 * t**2 + t) * h * slope[j]
        + (3 * t**2 - 2 * t**3) * value[j + 1] + (t**3 - t**2) * h * slope[j + 1]
    )  # fmt: skip
    bend = (slope[1] - slope[0]) / (at[1] - at[0]), (slope[-1] - slope[-2]) / (at[-1] - at[-2])
    before, after = x < at[0], x > at[-1]
    d0, d1 = x[before] - at[0], x[after] - at[-1]
    out[before] = value[0] + slope[0] * d0 + 0.5 * bend[0] * d0**2
    out[after] = value[-1] + slope[-1] * d1 + 0.5 * bend[1] * d1**2
    return np.asarray(out)


def usable(track: Track, limit_rad: float = 1.0) -> BoolArray:
    """Frames of the track whose mark phase lies within `limit_rad` of the smooth one."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(track.phase_rad - track.expected_rad) < limit_rad)
