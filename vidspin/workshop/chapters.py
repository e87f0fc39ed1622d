"""When was what the later chapters of a recording show?

A result states instants as if one frame interval lay between two chapters, and beside them what
the spin itself tells of the time that nobody filmed, or that both chapters hold.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vidspin.records import FloatArray
from vidspin.workshop.attempt import FEWEST_ROWS, Attempt, Gap

UNTOLD = "the time between its chapters is not known"
# Instant as stated, seconds beyond a frame interval (None: not told), and their u95.
Seam = tuple[float, float | None, float]


def seams_within(
    document: Mapping[str, Any], sightings: Mapping[str, NDArray[Any]]
) -> tuple[Seam, ...]:
    """List the seams within the spin, as a stored result tells them.

    Parameters
    ----------
    document : mapping
        ``spin.json``.
    sightings : mapping of str to ndarray, shape (N,)
        Arrays of ``sightings.npz``.
    """
    spin = document["spin_time"] or {}
    if "chapter_gaps" in spin:
        return tuple((g["time_s"], g["seconds"], g["u95_s"]) for g in spin["chapter_gaps"])
    # results of before hold the sum over all seams of the spin: that of a single one is its own
    time = sightings["time_s"]
    first = np.flatnonzero(np.diff(sightings["chapter"])) + 1
    ends = [
        event["time_s"] if event is not None and event["seen"] else None
        for event in (document["release"], document["topple"])
    ]
    start = -np.inf if ends[0] is None else ends[0]
    stop = np.inf if ends[1] is None else ends[1]
    at = [float(0.5 * (time[k - 1] + time[k])) for k in first]
    at = [one for one in at if start < one < stop]
    u95 = float(spin.get("between_chapters_u95_s") or 0.0)
    told = spin.get("between_chapters_s") if len(at) == 1 and u95 > 0 else None
    return tuple((one, told, u95) for one in at)


def put_together(attempt: Attempt, seams: Sequence[Seam]) -> Attempt:
    """Put the chapters of an attempt to their places in time.

    Parameters
    ----------
    attempt : Attempt
        With instants as if one frame interval lay between its chapters.
    seams : sequence of (float, float or None, float)
        In order of time.

    Returns
    -------
    Attempt
        Where the seconds of a seam are not told, the longest part between such seams is left, and
        `part` says so: how long the spin was from one part to the other nobody knows.
    """
    untold = [time_s for time_s, seconds, _ in seams if seconds is None]
    if untold:
        low, high = _longest(attempt, untold)
        attempt = _only(attempt, low, high)
        seams = [seam for seam in seams if low < seam[0] < high]
    moved, gaps = 0.0, []
    for time_s, seconds, u95_s in seams:
        by_s, here = float(seconds or 0.0), time_s + moved
        attempt = _later(attempt, here, by_s)
        moved += by_s
        gaps.append(Gap(here + min(by_s, 0.0), 0.5 * u95_s))
    return replace(attempt, gaps=tuple(gaps))


def _longest(attempt: Attempt, untold_s: Sequence[float]) -> tuple[float, float]:
    """Find the longest part between seams that are not told."""
    t = attempt.rows.time_s if attempt.rows is not None else np.zeros(1)
    edges = [-np.inf, *untold_s, np.inf]
    parts = list(zip(edges[:-1], edges[1:], strict=True))
    return max(parts, key=lambda p: min(p[1], float(t[-1])) - max(p[0], float(t[0])))


def _only(attempt: Attempt, low_s: float, high_s: float) -> Attempt:
    """Keep rows and phase of a part, and the topple where it belongs to it."""
    rows, phase = attempt.rows, attempt.phase
    if rows is not None:
        rows = rows.only((rows.time_s > low_s) & (rows.time_s < high_s))
        rows = rows if len(rows.time_s) >= FEWEST_ROWS else None
    if phase is not None:
        phase = phase.only((phase.time_s > low_s) & (phase.time_s < high_s))
        phase = phase if len(phase.time_s) else None
    last = high_s == np.inf
    return replace(
        attempt, rows=rows, phase=phase, topple=attempt.topple if last else None,
        topple_s=attempt.topple_s if last else None, part=UNTOLD,
    )  # fmt: skip


def _later(attempt: Attempt, from_s: float, by_s: float) -> Attempt:
    """Move all that comes after an instant."""

    def one(time_s: float | None) -> float | None:
        return time_s + by_s if time_s is not None and time_s > from_s else time_s

    rows, phase, ends = attempt.rows, attempt.phase, []
    if rows is not None:
        time_s, keep = _moved(rows.time_s, from_s, by_s)
        rows = replace(rows.only(keep), time_s=time_s)
    if phase is not None:
        time_s, keep = _moved(phase.time_s, from_s, by_s)
        phase = replace(phase.only(keep), time_s=time_s)
    for end in (attempt.release, attempt.topple):
        ends.append(None if end is None else replace(end, time_s=one(end.time_s) or 0.0))
    return replace(
        attempt, rows=rows, phase=phase, release=ends[0], topple=ends[1],
        release_s=one(attempt.release_s), topple_s=one(attempt.topple_s),
    )  # fmt: skip


def _moved(time_s: FloatArray, from_s: float, by_s: float) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Move instants after one; what both chapters hold counts once."""
    late = time_s > from_s
    moved = time_s + by_s * late
    keep = ~late | (moved > time_s[~late].max(initial=-np.inf))
    return moved[keep], keep
