"""What entered the setting of the top, when, how near did it come, did the spin react?

A hand comes with an arm and leaves again; the setting without it is known from the rest of the
recording.  What covers part of the setting, or the top itself, is an intrusion; the spin before
and after it tells whether it did anything to the top.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from vidspin.phase.breaks import Breaks, Step
from vidspin.records import BoolArray, FloatArray

JOIN_S = 0.5  # absences shorter than this do not end a visit
LEAST_S = 0.08  # shorter ones are flashes or compression
REACTS_S = 0.4  # a reaction belongs to a visit so near to it
TOUCH_REACH = 2.6  # ring radii; farther away nothing reaches the top (fingers are shorter)


@dataclass(frozen=True, slots=True)
class Visit:
    """Something new in the setting for a while."""

    from_s: float
    to_s: float
    nearest: float  # distance to the top's axis, ring radii; 0 where it covers the top
    part: float  # of the picture at most


@dataclass(frozen=True, slots=True)
class Reaction:
    """What the spin did during a visit."""

    rate_rad_s: float  # largest step of the speed in the sense of rotation
    u_rate_rad_s: float
    step: Step | None  # where it stands out


def visits(
    time_s: FloatArray, near: FloatArray, part: FloatArray, covered: BoolArray
) -> tuple[Visit, ...]:
    """Gather frames with something new into visits.

    Parameters
    ----------
    time_s : (N,) array
    near : (N,) array
        Distance of what is new from the axis, ring radii; inf where nothing is.
    part : (N,) array
        Share of the picture that it covers.
    covered : (N,) array of bool
        The top itself is covered.

    Returns
    -------
    tuple of Visit
        In order of time.
    """
    there = np.isfinite(near) | covered
    if len(time_s) < 2 or not there.any():
        return ()
    frame_s = float(np.median(np.diff(time_s)))
    size = max(1, round(JOIN_S / frame_s))
    joined = ndimage.binary_closing(np.pad(there, size), np.ones(size + 1))[size:-size] | there
    label, _ = ndimage.label(joined)
    found = []
    for where in ndimage.find_objects(label):
        rows = where[0]
        if time_s[rows.stop - 1] - time_s[rows.start] + frame_s < LEAST_S:
            continue
        closest = 0.0 if covered[rows].any() else float(near[rows].min())
        found.append(
            Visit(float(time_s[rows.start]), float(time_s[rows.stop - 1]), closest,
                  float(part[rows].max()))
        )  # fmt: skip
    return tuple(found)


def between(all_visits: tuple[Visit, ...], first_s: float, last_s: float) -> tuple[Visit, ...]:
    """Visits that begin while the spin is free: the hand that let go was there before."""
    return tuple(v for v in all_visits if v.from_s > first_s and v.from_s < last_s)


def reaction(visit: Visit, breaks: Breaks) -> Reaction | None:
    """Tell what the spin did while something was there; None where nothing can be said."""
    low, high = visit.from_s - REACTS_S, visit.to_s + REACTS_S
    # another exposure moves the frames' middles, not the top
    steps = [s for s in breaks.found if low <= s.time_s <= high and not s.exposed]
    if steps:
        worst = max(steps, key=lambda s: s.sigma)
        return Reaction(worst.rate_rad_s, worst.u_rate_rad_s, worst)
    # instants beside a stretch that nobody saw compare what is on one side of it
    if any(b.from_s < high and b.to_s > low for b in breaks.open):
        return None
    scan = breaks.scan
    rows = np.flatnonzero((scan.time_s >= low) & (scan.time_s <= high))
    if len(rows) == 0:
        return None
    worst_row = rows[int(np.argmax(scan.sigma[rows]))]
    return Reaction(float(scan.rate_rad_s[worst_row]), float(scan.u_rate_rad_s[worst_row]), None)
