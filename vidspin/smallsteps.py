"""Which steps of the phase stand out, though they are too small to be told as breaks?

A step of a hundredth of a turn accuses nobody: leftovers of the shutter make some.  A speed that
is fitted across it is off by half a revolution a minute all the same, many times its own doubt.
"""

from __future__ import annotations

import numpy as np

from vidspin.breaks import HOLDS, MOST_BREAKS, NEAR_S, SIGMA, Breaks, Step, placed, steps_across
from vidspin.continuous import LEAST_SIGHTINGS, Phase, course_of
from vidspin.leftovers import drag_changes_sides


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
    if not looked:
        return ()
    track = course_of(phase)
    about = [
        (placed(phase, at_s), widening) for at_s, widening in looked
        if track.t[LEAST_SIGHTINGS] < at_s < track.t[-LEAST_SIGHTINGS]
    ]  # fmt: skip
    every = sorted({-np.inf, np.inf, *(s.time_s for s in breaks.found), *(at for at, _ in about)})
    steps: dict[float, Step] = {}
    for at_s, widening in about:
        k = every.index(at_s)
        measured = steps_across(phase, at_s, (every[k - 1], every[k + 1]), widening=widening)
        if measured is None or any(abs(at_s - s.time_s) < NEAR_S for s in breaks.found):
            continue
        step, _ = measured
        if abs(step.turns) > HOLDS * step.u_turns and not drag_changes_sides(track, step.time_s):
            steps[step.time_s] = step
    return tuple(steps[at] for at in sorted(steps))


def _peaks(breaks: Breaks) -> list[tuple[float, float]]:
    """Instants that stand out most among their neighbours, and their widening."""
    scan = breaks.scan
    rows = np.flatnonzero(scan.sigma > SIGMA)
    runs = np.split(rows, np.flatnonzero(np.diff(scan.time_s[rows]) > NEAR_S) + 1)
    peaks = [int(run[np.argmax(scan.sigma[run])]) for run in runs if len(run)]
    return [(float(scan.time_s[k]), float(scan.widening[k])) for k in peaks]
