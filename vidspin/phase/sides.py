"""Which quadratics fit the phase on both sides of an instant?  Of many instants at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.phase.continuous import LEAST_SIGHTINGS, Course
from vidspin.records import FloatArray, IntArray

REACH_S = 1.5  # of each side's fit when steps are looked for


@dataclass(frozen=True, slots=True)
class Sides:
    """Quadratics on one side of K instants: phase, rate and slope there."""

    value: FloatArray  # (K, 3)
    inverse: FloatArray  # (K, 3, 3) of the normal equations
    chi2: FloatArray  # (K,)
    count: IntArray  # (K,)


def fit_sides(track: Course, low: IntArray, high: IntArray, at: FloatArray) -> Sides:
    """Fit a quadratic to sightings ``low`` to ``high - 1`` of each instant, about `at`.

    Sums run over all sightings once; a straight line is taken out first, so that they keep
    their digits.
    """
    first, last = int(low.min()), int(high.max())
    t, y, w = (v[first:last] for v in (track.t, track.phi, track.weight))
    origin = 0.5 * (t[0] + t[-1])
    rate = float((y[-1] - y[0]) / max(t[-1] - t[0], 1e-9))
    base = float(y[0])
    y = y - base - rate * (t - t[0])
    x = t - origin
    scale = max(float(np.abs(x).max()), 1e-9)
    x = x / scale
    sums = np.zeros((9, len(t) + 1))
    for row, term in enumerate((*(x**k for k in range(5)), *(y * x**k for k in range(3)), y * y)):
        np.cumsum(w * term, out=sums[row, 1:])
    part = sums[:, high - first] - sums[:, low - first]
    normal = np.stack([np.stack([part[i + j] for j in range(3)], -1) for i in range(3)], -2)
    moment = np.stack([part[5], part[6], part[7]], -1)
    inverse = np.linalg.inv(normal + 1e-12 * part[0][:, None, None] * np.eye(3))
    solution = np.einsum("kij,kj->ki", inverse, moment)
    chi2 = np.maximum(part[8] - np.einsum("ki,ki->k", solution, moment), 0.0)
    # from powers of the scaled time about the origin to phase, rate and slope at the instants
    z = (at - origin) / scale
    turn = np.zeros((len(at), 3, 3))
    turn[:, 0] = np.stack([np.ones_like(z), z, z**2], -1)
    turn[:, 1, 1], turn[:, 1, 2] = 1 / scale, 2 * z / scale
    turn[:, 2, 2] = 2 / scale**2
    value = np.einsum("kij,kj->ki", turn, solution)
    value[:, 0] += base + rate * (at - t[0])
    value[:, 1] += rate
    inverse = np.einsum("kij,kjl,kml->kim", turn, inverse, turn)
    return Sides(value, inverse, chi2, (high - low).astype(np.int64))


def blocks(track: Course, cut: IntArray) -> list[IntArray]:
    """Group instants so that the sums of a group run over some seconds only."""
    block = ((track.t[cut] - track.t[0]) / (8 * REACH_S)).astype(np.int64)
    return np.split(np.arange(len(cut)), np.flatnonzero(np.diff(block)) + 1)


def both_sides(
    track: Course, low: int, high: int, cut: IntArray, reach_s: float
) -> tuple[Sides, Sides, FloatArray]:
    """Fit both sides of cuts (numbers of the first sighting after them) within a span."""
    start, stop, at = reached(track, low, high, cut, reach_s)
    return fit_sides(track, start, cut, at), fit_sides(track, cut, stop, at), at


def reached(
    track: Course, low: int, high: int, cut: IntArray, reach_s: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """First sightings before cuts, those behind the last ones after them, and their instants."""
    at = 0.5 * (track.t[cut - 1] + track.t[cut])
    start = np.maximum(np.searchsorted(track.t, at - reach_s), low)
    stop = np.minimum(np.searchsorted(track.t, at + reach_s), high)
    start = np.minimum(start, np.maximum(cut - LEAST_SIGHTINGS, low))
    stop = np.maximum(stop, np.minimum(cut + LEAST_SIGHTINGS, high))
    return start, stop, at
