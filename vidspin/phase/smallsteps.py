"""Which steps of the phase stand out, though they are too small to be told as breaks?

A step of a hundredth of a turn accuses nobody: leftovers of the shutter make some.  A speed that
is fitted across it is off by half a revolution a minute all the same, many times its own doubt.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vidspin.phase.breaks import (
    HOLDS,
    MOST_BREAKS,
    NEAR_S,
    SIGMA,
    Breaks,
    Step,
    placed,
    steps_across,
)
from vidspin.phase.continuous import LEAST_SIGHTINGS, Phase, course_of
from vidspin.phase.leftovers import drag_changes_sides

ABOUT_S = 15.0  # on each side, several times what sides reach


def small_steps(phase: Phase, breaks: Breaks) -> tuple[Step, ...]:
    """Find steps of the phase that exceed the usual scatter and are no breaks.

    Parameters
    ----------
    phase : Phase
    breaks : Breaks
        What was found in it.

    Returns
    -------
    tuple of Step
        In order of time.  None where an encoder's drag changes sides, nor where steps do not
        stand out again when they are measured by brief sides up to their neighbours.
    """
    looked = sorted((*breaks.dropped, *_peaks(breaks)))[: 2 * MOST_BREAKS]
    found_s = [step.time_s for step in breaks.found]
    parts = [(_about(phase, at_s), at_s, widening) for at_s, widening in looked]
    placed_at = [
        (part, placed(part, at_s), widening) for part, at_s, widening in parts
        if min((part.time_s < at_s).sum(), (part.time_s > at_s).sum()) > 2 * LEAST_SIGHTINGS
        and np.isfinite(part.angle_rad).sum() > 4 * LEAST_SIGHTINGS
    ]  # fmt: skip
    every = sorted({-np.inf, np.inf, *found_s, *(at for _, at, _ in placed_at)})
    steps: dict[float, Step] = {}
    for part, at_s, widening in placed_at:
        k = every.index(at_s)
        measured = steps_across(part, at_s, (every[k - 1], every[k + 1]), widening=widening)
        if measured is None or any(abs(at_s - one) < NEAR_S for one in found_s):
            continue
        step, _ = measured
        stands = abs(step.turns) > HOLDS * step.u_turns
        if stands and not drag_changes_sides(course_of(part), step.time_s):
            steps[step.time_s] = step
    return tuple(steps[at] for at in sorted(steps))


def _about(phase: Phase, at_s: float) -> Phase:
    """Cut out what lies about an instant: the rest of an hour tells nothing of it."""
    near = np.abs(phase.time_s - at_s) < ABOUT_S
    return replace(
        phase, time_s=phase.time_s[near], angle_rad=phase.angle_rad[near], u_rad=phase.u_rad[near],
        omega_rad_s=phase.omega_rad_s[near], seam=phase.seam[near],
    )  # fmt: skip


def _peaks(breaks: Breaks) -> list[tuple[float, float]]:
    """Instants that stand out most among their neighbours, and their widening."""
    scan = breaks.scan
    rows = np.flatnonzero(scan.sigma > SIGMA)
    runs = np.split(rows, np.flatnonzero(np.diff(scan.time_s[rows]) > NEAR_S) + 1)
    peaks = [int(run[np.argmax(scan.sigma[run])]) for run in runs if len(run)]
    return [(float(scan.time_s[k]), float(scan.widening[k])) for k in peaks]
