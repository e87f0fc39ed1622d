"""What turns along a ring, and how many marks are there?

Profiles of one ring at different times are lined up with each other: one and the same pattern
that turns is what only a mark does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from vidspin.records import FloatArray

HAND_ENERGY = 4.0  # change of a profile, in medians, above which something else is in the way
ALIGN_TURNS = 8


@dataclass(frozen=True, slots=True)
class Pattern:
    """What turns along a ring: the outcome of lining up all profiles."""

    angles_rad: FloatArray  # (frames,) turn of the pattern in each frame
    shape: FloatArray  # (N,) the pattern, mean zero
    explained: float  # share of the change along the ring, 0-1
    contrast_sigma: float


def turning_pattern(profiles: FloatArray) -> Pattern:
    """Line up ring profiles and say how much of their change one turning pattern explains.

    Parameters
    ----------
    profiles : (K, N) array
        Brightness along the ring, one row a frame.

    Returns
    -------
    Pattern
        Turn of the pattern in each frame, its shape, and the share it explains.
    """
    count, angles = profiles.shape
    change = profiles - np.median(profiles, axis=0)
    change -= change.mean(axis=1, keepdims=True)
    energy = (change**2).sum(1)
    use = energy <= HAND_ENERGY * np.median(energy) + 1e-12  # hands and falls stay out
    spectra = np.fft.rfft(change, axis=1)
    strongest = int(np.argmax(np.where(use, energy, -1)))
    model = spectra[strongest].copy()
    harmonics = np.arange(spectra.shape[1])
    shifts = np.zeros(count, np.int64)
    for _ in range(ALIGN_TURNS):
        shifts = np.argmax(np.fft.irfft(spectra * model.conj(), angles, axis=1), axis=1)
        turned = spectra * np.exp(2j * np.pi * harmonics * shifts[:, None] / angles)
        model = turned[use].mean(0)
    shape = np.fft.irfft(model, angles)
    # leave-one-out: a frame must not explain itself
    own = np.fft.irfft(turned[use], angles, axis=1)
    others = (shape * use.sum() - own) / max(1, use.sum() - 1)
    fitted = (own * others).sum() / max(float((others**2).sum()), 1e-12)
    left = ((own - fitted * others) ** 2).sum()
    total = max(float((own**2).sum()), 1e-12)
    explained = max(0.0, 1.0 - float(left) / total) if fitted > 0 else 0.0
    noise = float(np.sqrt(left / own.size))
    signal = float(np.sqrt((shape**2).sum() * use.sum()))
    angle = shifts * (2 * np.pi / angles)
    return Pattern(angle, shape, explained, signal / max(noise, 1e-9))


def count_marks(profiles: FloatArray, *, bright: bool) -> int:
    """Count equal marks (1 to 4) by the humps that single frames show.

    Parameters
    ----------
    profiles : (K, N) array
        Brightness along the ring, one row a frame.
    bright : bool
        Whether the marks are brighter than the top.

    Returns
    -------
    int
        The number of humps of like height and even spacing that most frames agree on.

    Notes
    -----
    Humps are counted frame by frame, since a rolling shutter shifts each mark by its own
    amount: their distances change from frame to frame, and a mean over frames smears them.
    """
    angles = profiles.shape[1]
    level = np.median(profiles, axis=0)
    change = (profiles - level) / np.maximum(level, 0.1 * level.max())  # paint scales the light
    energy = change.var(axis=1)
    change = change[energy <= HAND_ENERGY * np.median(energy) + 1e-12]
    kernel = np.exp(-0.5 * (np.arange(-12, 13) / (angles / 85)) ** 2)
    smooth = ndimage.convolve1d(change, kernel / kernel.sum(), axis=1, mode="wrap")
    smooth *= 1.0 if bright else -1.0
    strength = ndimage.uniform_filter1d(np.percentile(smooth, 95, axis=0), angles // 8, mode="wrap")
    smooth /= np.maximum(strength, 0.2 * strength.max())
    votes = np.zeros(5)
    for row in smooth:
        top = row.max()
        peaks = np.flatnonzero(
            (row > np.roll(row, 1)) & (row >= np.roll(row, -1)) & (row > 0.5 * top)
        )
        spacing = np.diff(np.append(peaks, peaks[0] + angles)) * len(peaks) / angles
        if len(peaks) <= 4 and np.all(abs(spacing - 1) < 0.35):
            votes[len(peaks)] += 1
    return int(np.argmax(votes[1:])) + 1 if votes.any() else 1


def skew(shape: FloatArray) -> float:
    """Third moment about the median: positive for a bright mark."""
    centred = shape - np.median(shape)
    return float((centred**3).sum())
