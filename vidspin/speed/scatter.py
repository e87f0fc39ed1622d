"""How do residuals about a smooth spin scatter: how much, and alike among neighbours?"""

from __future__ import annotations

import numpy as np

from vidspin.records import BoolArray, FloatArray, IntArray

NOISE_BLOCK_S = 30.0  # the noise is taken from so much recording about an instant
MOST_LAGS = 20
SPREAD_BLOCK = 120  # sightings from which the likeness of neighbours is taken at a time
LIKENESS_SIGMA = 2.5  # neighbours are alike from so many standard deviations of chance
MOST_TAKEN = 0.5  # share of the noise that the smooth curve can be believed to have taken
CLIP = 5.0  # robust standard deviations; what lies farther off counts as this
LEAST_SIGHTINGS = 12  # of a block
FIRST_WINDOW_S = 1.5  # of the smooth fit that leaves the residuals
NOT_CHANCE = 2.5  # standard deviations of the scatter in a window, from which it is its own


def local_size(residual: FloatArray, usable: BoolArray, t: FloatArray, u: FloatArray) -> FloatArray:
    """Tell the robust size of residual / u about each frame, in blocks of `NOISE_BLOCK_S`."""
    out = np.full(len(t), np.nan)
    block = ((t - t[0]) / NOISE_BLOCK_S).astype(np.int64)
    middle, size = [], []
    for b in np.unique(block[usable]):
        rows = usable & (block == b)
        if rows.sum() < LEAST_SIGHTINGS:
            continue
        ratio = np.abs(residual[rows] / u[rows])
        middle.append(float(t[rows].mean()))
        size.append(max(1.4826 * float(np.median(ratio)), 1e-3))
    if not size:
        rows = (usable if usable.any() else np.ones(len(t), bool)) & np.isfinite(residual / u)
        known = 1.4826 * float(np.median(np.abs(residual[rows] / u[rows]))) if rows.any() else 1.0
        return np.full(len(t), max(known, 1e-3))
    out[:] = np.interp(t, middle, size)
    return out


def pace(usable: BoolArray, t: FloatArray) -> float:
    """Count sightings a second."""
    return float(usable.sum() / max(float(np.ptp(t[usable])), 1e-9))


def _per_window(usable: BoolArray, t: FloatArray) -> float:
    return pace(usable, t) * FIRST_WINDOW_S


def lost(usable: BoolArray, t: FloatArray) -> float:
    """Make up for what the smooth fit took: each window of n sightings costs three."""
    count = _per_window(usable, t)
    return float(count / max(count - 3.0, 0.3 * count))


def taken_share(usable: BoolArray, t: FloatArray) -> float:
    """Tell the leverage of the middle sighting in a quadratic through a window."""
    return float(np.clip(2.25 / _per_window(usable, t), 0.0, 0.3))


def spread_of(ratio: FloatArray, usable: BoolArray, taken: float) -> float:
    """Tell the variance of a mean over neighbouring residuals against independent ones; at least 1.

    The sum of the autocorrelations, or what a first-order autoregression of the same lag-1 value
    has, whichever is more: the smooth curve takes `taken` of the independent noise with it and
    more of noise that neighbours share, which makes autocorrelations look smaller than they are.
    """
    seen = np.flatnonzero(usable)
    if len(seen) == 0:
        return 1.0
    spin = slice(int(seen[0]), int(seen[-1]) + 1)  # what comes before and after is like nothing
    r = np.where(usable[spin], np.clip(np.nan_to_num(ratio[spin]), -CLIP, CLIP), 0.0)
    # the median over blocks: a step of the phase is no noise that neighbours share
    blocks = np.array_split(r, max(1, int(usable.sum()) // SPREAD_BLOCK))
    lags = range(1, MOST_LAGS + 1)
    shares = [
        float(np.median([b[lag:] @ b[:-lag] / max(float(b @ b), 1e-12) for b in blocks]))
        for lag in lags
    ]
    total = 1.0
    for share in shares:
        if share < 0.05:
            break
        total += 2 * share
    regression = total
    alike = shares[0] + taken > LIKENESS_SIGMA / np.sqrt(max(1, int(usable.sum())))
    for _ in range(8 if alike else 0):
        gone = min(taken * regression, MOST_TAKEN)
        neighbour = float(np.clip(shares[0] * (1 - gone) + gone, 0.0, 0.95))
        regression = max(1.0, (1 + neighbour) / (1 - neighbour))
    gone = min(taken * max(total, regression), MOST_TAKEN)
    return max(total, regression) * (1 - taken) / (1 - gone)


def excess(square: FloatArray, clipped: FloatArray, count: IntArray, spread: float) -> FloatArray:
    """Tell by what factor the variance in windows is beyond that of the block about them.

    Parameters
    ----------
    square : (M,) array
        Means of the squared residuals that are used in each window, in the block's variances.
    clipped : (M,) array
        The same of all residuals, each at most `CLIP`: where noise is larger, what was left out
        as far off was a part of it.
    count : (M,) array
        Sightings used in it.
    spread : float
        From `spread_of`: so many neighbours tell as much as one of independent sightings.

    Returns
    -------
    (M,) array
        1 where chance explains the scatter.  A lamp that dims for seconds is less than half of
        a block, and the block's median does not show it.
    """
    chance = np.sqrt(2 * spread / np.maximum(count, 1))
    return np.where(square > 1 + NOT_CHANCE * chance, np.maximum(square, clipped), 1.0)
