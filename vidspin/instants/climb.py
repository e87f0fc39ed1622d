"""Where is the highest place near a start, when heights of many places cost little more than one?

Each round puts a parabola through a pattern of places, which are all looked at together, and goes
to its summit.  The heights must be smooth about their summit: a crease is not climbed along.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from vidspin.records import FloatArray

ROUNDS = 12  # of climbing; most settle in six
FINEST = 0.03  # of the first steps: the steps at which a climb ends
FLATTEST = 0.03  # least bend of a summit against its sharpest: a ridge is walked in several rounds
LONGEST = 2.0  # steps that a round may lead


def climb(
    heights: Callable[[FloatArray], FloatArray],
    start: FloatArray,
    steps: FloatArray,
) -> tuple[FloatArray, float]:
    """Climb to the highest place near a start, by a parabola through many places at a time.

    Parameters
    ----------
    heights : callable
        Gives the heights of (K, d) places.
    start, steps : (d,) arrays
        Where to begin, and how far around it to look first.

    Returns
    -------
    (d,) array, float
        The highest place that was tried, and its height.
    """
    around = _pattern(len(start))
    at, size = start, 1.0
    for _ in range(ROUNDS):
        z = heights(at + size * steps * around)
        lead = _summit(z, len(start))
        ahead = np.outer((0.5, 1.0), lead)
        tried = np.vstack([around, ahead])
        z = np.append(z, heights(at + size * steps * ahead))
        best = int(np.argmax(z))
        at, top = at + size * steps * tried[best], float(z[best])
        if np.abs(tried[best]).max() < 0.5:
            size /= 3.0
            if size < FINEST:
                break
    return at, top


def _pattern(d: int) -> FloatArray:
    """Places that tell a parabola: the middle, both ways along each axis, and the diagonals."""
    unit = np.eye(d)
    pairs = [unit[i] + unit[j] for i in range(d) for j in range(i)]
    return np.vstack([np.zeros((1, d)), unit, -unit, *pairs])


def _summit(z: FloatArray, d: int) -> FloatArray:
    """Highest place of the parabola through heights at `_pattern`, at most `LONGEST` away."""
    up, down = z[1 : d + 1], z[d + 1 : 2 * d + 1]
    slope = 0.5 * (up - down)
    bend = np.diag(up + down - 2.0 * z[0])
    pairs = ((i, j) for i in range(d) for j in range(i))
    for (i, j), corner in zip(pairs, z[2 * d + 1 :], strict=True):
        bend[i, j] = bend[j, i] = corner - up[i] - up[j] + z[0]
    values, vectors = np.linalg.eigh(bend)
    sharpest = max(float(np.abs(values).max()), 1e-9)
    lead = vectors @ ((vectors.T @ slope) / np.maximum(np.abs(values), FLATTEST * sharpest))
    return np.asarray(lead * min(1.0, LONGEST / max(float(np.abs(lead).max()), 1e-9)))
