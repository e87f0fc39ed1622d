"""Do the frames come at one pace throughout, or some of them at another?

A phone in dim light goes from 30 frames a second to 24 by itself.  Frames that are lost leave
steps of two intervals or three, and jitter and rounding come to nothing over some steps; another
pace is steps of a fraction, one after the other.  The alias order brings whole turns a frame
interval: over one and a quarter of them it is a quarter turn, and no apparent speed is followed
across that (`onward` follows the true one).
"""

from __future__ import annotations

import numpy as np

from vidspin.records import BoolArray, FloatArray

BLOCK = 12  # steps whose mean is looked at: rounding and jitter of its ends are shared by them
# Steps of a block that are so near to its middle one make the mean; lost frames do not.  Ticks of
# 1/600 s make steps of 0.8 and 1.2 intervals of 240 frames a second.
ALIKE = 0.45
OFF = 0.1  # of an interval; blocks with even frames are off by less than 0.04
SAME_PACE = 0.04  # relative; 24 and 25 frames a second are as far apart, 30 and 25 are not one
LEAST_MAIN = 0.3  # of all blocks, for a pace that most keep to
LEAST_SHARE = 0.05  # of all steps, from which on it is told


def of_main_pace(steps: FloatArray) -> BoolArray:
    """Find the steps of the pace that most frames keep to.

    Parameters
    ----------
    steps : (N,) array
        From frame to frame, in any unit.

    Returns
    -------
    (N,) array of bool
        All True where the frames keep to one pace, or to none for long.
    """
    count = len(steps) // BLOCK
    if count < 2:
        return np.ones(len(steps), bool)
    mean = _block_means(steps, ALIKE * float(np.median(steps)))
    rank = np.sort(mean)
    ends = np.searchsorted(rank, rank * (1 + SAME_PACE), side="right")
    at = int(np.argmax(ends - np.arange(count)))
    usual = float(np.median(rank[at : ends[at]]))
    main = np.abs(mean / usual - 1) <= SAME_PACE
    if main.mean() < LEAST_MAIN or main.mean() > 1 - LEAST_SHARE:
        return np.ones(len(steps), bool)
    return _each_step(main, len(steps))


def at_another_pace(steps: FloatArray) -> BoolArray:
    """Find the steps of a pace that is no whole number of nominal intervals.

    Parameters
    ----------
    steps : (N,) array
        From frame to frame, nominal frame intervals.

    Returns
    -------
    (N,) array of bool
        All False where they are no more than `LEAST_SHARE`.
    """
    if len(steps) < BLOCK:
        return np.zeros(len(steps), bool)
    mean = _block_means(steps, ALIKE)
    odd = np.abs(mean - np.maximum(np.rint(mean), 1.0)) > OFF
    found = _each_step(odd, len(steps))
    return found if found.mean() > LEAST_SHARE else np.zeros(len(steps), bool)


def _block_means(steps: FloatArray, within: float) -> FloatArray:
    """Mean step of each block of `BLOCK`, of those that lie `within` so much of its middle one."""
    count = len(steps) // BLOCK
    blocks = steps[: count * BLOCK].reshape(count, BLOCK)
    middle = np.sort(blocks, axis=1)[:, BLOCK // 2]  # one of the steps, also between 1 and 2
    alike = np.abs(blocks - middle[:, None]) <= within
    return np.asarray(np.sum(blocks * alike, axis=1) / alike.sum(axis=1))


def _each_step(of_blocks: BoolArray, count: int) -> BoolArray:
    """Say of every step what holds for its block; the rest go with the last one."""
    spread = np.repeat(of_blocks, BLOCK)
    return np.pad(spread, (0, count - len(spread)), mode="edge")


def other_paces(time_s: FloatArray, frame_interval_s: float) -> tuple[tuple[float, float], ...]:
    """List first and last instant of the stretches at another pace.

    Parameters
    ----------
    time_s : (N,) array
        Frame times.
    frame_interval_s : float
        Nominal frame interval.
    """
    odd = at_another_pace(np.diff(time_s) / frame_interval_s)
    edges = np.flatnonzero(np.diff(odd.astype(int), prepend=0, append=0))
    return tuple((float(time_s[a]), float(time_s[b])) for a, b in edges.reshape(-1, 2))


def at_others(time_s: FloatArray, frame_interval_s: float) -> BoolArray:
    """Tell which frames lie within the stretches at another pace, ends apart.

    Parameters
    ----------
    time_s : (N,) array
        Frame times.
    frame_interval_s : float
        Nominal frame interval.
    """
    inside = np.zeros(len(time_s), bool)
    for begin, end in other_paces(time_s, frame_interval_s):
        inside |= (time_s > begin) & (time_s < end)
    return inside


def other_rates(time_s: FloatArray, frame_rate: float) -> tuple[float, ...]:
    """List the frame rates of the stretches at another pace, each once.

    Parameters
    ----------
    time_s : (N,) array
        Frame times.
    frame_rate : float
        Nominal frames a second.
    """
    found: list[float] = []
    for begin, end in other_paces(time_s, 1.0 / frame_rate):
        steps = np.diff(time_s[(time_s >= begin) & (time_s <= end)])
        steps = steps[BLOCK:-BLOCK] if len(steps) > 3 * BLOCK else steps  # of one pace for sure
        middle = float(np.median(steps))
        alike = steps[np.abs(steps - middle) <= ALIKE * middle]
        rate = 1.0 / float(alike.mean())
        if all(abs(rate / known - 1) > SAME_PACE for known in (frame_rate, *found)):
            found.append(rate)
    return tuple(found)
