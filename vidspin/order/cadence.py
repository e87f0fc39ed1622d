"""Were the frames taken as evenly as the file says, or by a pattern that comes back?

A file that was made from another rate repeats frames, blends or leaves them out by a pattern of a
few: 30 frames a second stored as 60, or 30 as 25.  Each frame of the pattern is then early or late
by the same part of an interval, and so is its mark.  What comes and goes with the mark's angle
instead (shutter, geometry, an encoder) takes no part: it does not keep to every second or fifth
frame, and where the mark itself does, as long as its speed is near such a one, nothing is asked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.cyclic import wrapped
from vidspin.records import BoolArray, FloatArray, IntArray

PATTERNS = (2, 3, 4, 5, 6)  # frames after which a conversion of common rates begins anew
BLOCK = 24  # frames in which the frames of a pattern are early or late alike
LEAST_BLOCKS = 4
LEAST_SHARE = 0.5  # of a block's frames that show the mark
# Root mean square by which the frames of a pattern are off, rad of mark phase.
LEAST_RAD = 0.04
# That noise is alike from block to block, by either test, for each of five patterns: one noisy
# mark in 110 clips with even frames had 0.005 and less, converted ones have 0.0005 and less.
CHANCE = 0.0006
# Short ones with large steps do not get there: ten blocks have no less than 0.001 to tell.
LARGE_RAD, LARGE_CHANCE = 0.12, 0.002
LONGER = 1.2  # by which a longer pattern has to explain more
# What goes with the mark's angle, or twice it, comes back with a pattern while it shifts by less
# over a block: beyond, neighbouring blocks have nothing in common any more.
SHIFTS_RAD, HARMONICS = np.pi / 2, (1, 2)
STAMPED = 0.02  # of an interval: stamps that have the pattern too know of it


@dataclass(frozen=True, slots=True)
class Pattern:
    """What comes back."""

    frames: float
    off_rad: float  # of mark phase, root mean square
    skipped: int = 0  # frames left out each time; below zero put in, 0 not known


def pattern_of(
    phase_rad: FloatArray, expected_rad: FloatArray, slot: IntArray, late: FloatArray
) -> Pattern | None:
    """Find the pattern by which frames are early and late though their stamps are not.

    Parameters
    ----------
    phase_rad, expected_rad : (N,) arrays
        Mark phase of each frame, and that of a smooth spin; NaN where not seen.
    slot : (N,) array
        Nominal frame intervals since the first frame.
    late : (N,) array
        By how much of an interval each stamp is later than its slot.

    Returns
    -------
    Pattern or None

    Notes
    -----
    Mean unit vectors of a block's frames, place by place of the pattern, less their mean: products
    of neighbouring blocks are what stays from one to the next, and noise is not in them.
    """
    unit = np.exp(1j * (phase_rad - expected_rad))
    best: Pattern | None = None
    from scipy.stats import ttest_1samp, wilcoxon  # take long to load

    for size in PATTERNS:
        products = _products(unit, slot, size, _comes_back(expected_rad, slot, size))
        if len(products) < LEAST_BLOCKS or _stamped(late, slot, size):
            continue
        mean = float(np.mean(products))
        if mean <= LEAST_RAD**2 or (best is not None and mean <= LONGER * best.off_rad**2):
            continue
        tests = (ttest_1samp(products, 0.0, alternative="greater"),
                 wilcoxon(products, alternative="greater"))  # fmt: skip
        most = CHANCE if mean < LARGE_RAD**2 else LARGE_CHANCE
        if min(float(test.pvalue) for test in tests) < most:
            best = Pattern(size, float(np.sqrt(mean)))
    return best


def _comes_back(expected_rad: FloatArray, slot: IntArray, size: int) -> BoolArray:
    """Tell in which blocks the mark is seen at the same angles again with every pattern, (B,)."""
    if not len(slot):
        return np.zeros(0, bool)
    apart = np.diff(slot)
    step = np.diff(expected_rad) / np.maximum(apart, 1)
    seen = np.isfinite(step) & (apart > 0)
    block = slot[:-1] // (BLOCK // size * size)
    count = int(slot.max()) // (BLOCK // size * size) + 1
    total, number = (
        np.bincount(block[seen], part, count) for part in (step[seen], np.ones(int(seen.sum())))
    )
    advance = size * total / np.maximum(number, 1)
    shifts = [np.abs(wrapped(h * advance)) * (BLOCK // size) for h in HARMONICS]
    return np.asarray((np.min(shifts, axis=0) < SHIFTS_RAD) & (number > 0))


def _products(unit: FloatArray, slot: IntArray, size: int, left_out: BoolArray) -> FloatArray:
    """Products of the mean vectors of neighbouring blocks, averaged over the pattern."""
    if not len(slot):
        return np.zeros(0)
    place, block = slot % size, slot // (BLOCK // size * size)
    seen = np.isfinite(unit)
    cell, cells = (block * size + place)[seen], (int(block.max()) + 1) * size
    counts, real, imaginary = (
        np.bincount(cell, part, cells).reshape(-1, size)
        for part in (None, unit[seen].real, unit[seen].imag)
    )
    known = (counts.min(axis=1) >= LEAST_SHARE * BLOCK / size) & ~left_out
    table = (real + 1j * imaginary) / np.maximum(counts, 1)
    table -= table.mean(axis=1, keepdims=True)
    products = np.mean((table[1:] * table[:-1].conj()).real, axis=1)
    return np.asarray(products[known[1:] & known[:-1]], np.float64)


def _stamped(late: FloatArray, slot: IntArray, size: int) -> bool:
    """Whether the stamps have the pattern as well."""
    place = slot % size
    means = np.bincount(place, late, size) / np.maximum(np.bincount(place, minlength=size), 1)
    return bool(np.sqrt(np.mean((means - means.mean()) ** 2)) > STAMPED)
