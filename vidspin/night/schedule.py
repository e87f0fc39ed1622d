"""In which order are recordings measured, how long may each take, when will all be done?"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

WORK = 2.0  # time of a whole measurement in times of its decoding alone, until one was seen
START_S = 6.0  # a worker's start and the drawing of pictures
NO_PROBE_RATE = 60.0  # frames a second, where the probe told nothing
TRIES = 2  # a worker that died gets a second one

LEAST_LIMIT_S = 1800.0
LIMIT_TIMES = 12.0  # a recording may take so many times its estimate
LEAST_SILENCE_S = 900.0  # a stage of a long recording tells nothing for minutes
SILENCE_TIMES = 2.0
MEMORY_BYTES = 2 << 30


class Ending(StrEnum):
    """How a worker ended."""

    DONE = "done"
    TOLD = "told"  # it told in one line why it could not do it
    CRASHED = "crashed"
    HUNG = "hung"
    LATE = "late"
    MEMORY = "memory"


# What a second try can mend: not what the worker itself explained.
TRIED_AGAIN = frozenset({Ending.CRASHED, Ending.HUNG, Ending.LATE, Ending.MEMORY})


@dataclass(frozen=True, slots=True)
class Limits:
    """What one worker may take."""

    time_s: float
    silence_s: float  # without a word of progress
    memory_bytes: int


@dataclass(frozen=True, slots=True)
class Running:
    """A worker at its work."""

    estimate_s: float
    elapsed_s: float
    share: float  # of the frames read, 0-1


def estimate_s(frames: int, decode_rate: float, *, work: float = WORK) -> float:
    """Estimate the time that a recording takes.

    Parameters
    ----------
    frames : int
    decode_rate : float
        Frames a second in the decode probe; 0 when there was none.
    work : float
        Time of everything in times of the decoding.

    Returns
    -------
    float
        Seconds.
    """
    return START_S + work * frames / (decode_rate if decode_rate > 0 else NO_PROBE_RATE)


def limits_for(
    estimate: float, *, time_s: float | None = None, memory_bytes: int = MEMORY_BYTES
) -> Limits:
    """Set limits that only a worker gone wrong reaches.

    Parameters
    ----------
    estimate : float
        Seconds.
    time_s : float, optional
        A person's limit; else twelve times the estimate, at least half an hour.
    memory_bytes : int
    """
    whole = max(LEAST_LIMIT_S, LIMIT_TIMES * estimate) if time_s is None else time_s
    return Limits(whole, min(whole, max(LEAST_SILENCE_S, SILENCE_TIMES * estimate)), memory_bytes)


def order(estimates: Sequence[float]) -> list[int]:
    """Longest first, so that all workers end at about the same time."""
    return sorted(range(len(estimates)), key=lambda k: (-estimates[k], k))


def tried_again(ending: Ending, tries: int) -> bool:
    """Whether a recording gets another worker after `tries` of them."""
    return ending in TRIED_AGAIN and tries < TRIES


def wall_s(waiting: Sequence[float], jobs: int, running: Sequence[float] = ()) -> float:
    """Time until all is done with so many workers, longest first.

    Parameters
    ----------
    waiting : sequence of float
        Estimates of what has not begun, s.
    jobs : int
        Workers side by side.
    running : sequence of float
        Time left of what runs, s.
    """
    ends = sorted(running)[-jobs:] + [0.0] * max(0, jobs - len(running))
    heapq.heapify(ends)
    for time in sorted(waiting, reverse=True):
        heapq.heappush(ends, heapq.heappop(ends) + time)
    return max(ends, default=0.0)


def left_s(running: Running, pace: float) -> float:
    """Time left of a running recording, s.

    Parameters
    ----------
    running : Running
    pace : float
        True time in times of the estimate, from what is done so far.
    """
    expected = running.estimate_s * pace
    if running.share > 0.02:  # the reading of frames is about half of the work
        expected = max(running.elapsed_s, running.elapsed_s / (0.9 * running.share))
    return max(expected - running.elapsed_s, 0.05 * expected)


def pace_of(done: Sequence[tuple[float, float]]) -> float:
    """Take the true time in times of the estimate over pairs (estimate, true); 1 of none."""
    estimated = sum(estimate for estimate, _ in done)
    return sum(true for _, true in done) / estimated if estimated > 0 else 1.0
