"""Did the camera change its exposure where the phase of the spin steps?

A frame stands for the middle of its exposure.  Where dusk makes a phone expose twice as long at
once, that middle moves against the time stamp by up to half of what was added, and the phase steps
by the speed times that: with no time missing.  The mark's own trace tells it: it is longer from
there on by the speed times what was added.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspin.calibration import calibrate
from vidspin.calibration.angles import Angles
from vidspin.mark import learning
from vidspin.markmodel import Complex, sinc_smear
from vidspin.phase.breaks import HOLDS, Breaks, Step
from vidspin.profiles import Profiles
from vidspin.records import BoolArray, FloatArray, IntArray

SIDE_S = 2.0  # of frames on each side in which the trace is looked at
MOST_FRAMES = 60  # a side
LEAST_FRAMES = 12
APART_FRAMES = 2  # left out at the step, where a frame may be of either kind
STEP_RAD = 0.02  # between traces that are tried
LONGEST_RAD = 2.4  # a mark's trace that is longer hardly shows where it begins
# By which one common length fits the harmonics of both sides worse than two do, in variances of
# noise: five standard uncertainties, as what the phase did is one more sign of it.
DIFFERS, ALLOWED = 25.0, 9.0  # and what a pair of lengths may fit worse than the best
SHOWN = 9.0  # variances from which a harmonic is the mark's: of noise one in 8000 is so large
# Codes are not light: the trace of a dark mark looks shorter in them.  Steps of simulated exposures
# of 4 to 33 ms came out at 0.85 to 1.05 times what was explained.
CODES = 1.25


@dataclass(frozen=True, slots=True)
class Side:
    """The mark's harmonics on one side of a step."""

    spectrum: Complex  # (FADING,)
    variance: float  # of one harmonic


def with_exposures(
    breaks: Breaks | None,
    profiles: Profiles,
    time_s: FloatArray,
    seen: BoolArray,
    angles: Angles,
) -> Breaks | None:
    """Say of each step of the phase alone whether a change of the exposure explains it.

    Parameters
    ----------
    breaks : Breaks or None
    profiles : Profiles
    time_s : (N,) array
        Instants of the frames, on the same time axis as the breaks, s.
    seen : (N,) bool array
        Frames of the free spin in which the mark was seen.
    angles : Angles

    Returns
    -------
    Breaks or None
        With `Step.exposed` told.
    """
    if breaks is None:
        return None
    found = breaks.found

    def told(step: Step) -> Step:
        if step.kink or abs(step.rate_rad_s) > HOLDS * step.u_rate_rad_s:
            return step  # a change of the exposure leaves the speed alone
        others = [other.time_s for other in found if other is not step]
        before, after = (
            _side(profiles, index, angles) for index in _beside(step.time_s, time_s, seen, others)
        )
        most = None if before is None or after is None else most_explained(before, after)
        size = 2 * np.pi * (abs(step.turns) - 2 * step.u_turns)
        return replace(step, exposed=most is not None and size <= most)

    return replace(breaks, found=tuple(told(step) for step in found))


def _beside(
    at_s: float, time_s: FloatArray, seen: BoolArray, others_s: Sequence[float]
) -> tuple[IntArray, IntArray]:
    """Frames before and after an instant, up to the next step."""
    low = max([at_s - SIDE_S, *(t for t in others_s if t < at_s)])
    high = min([at_s + SIDE_S, *(t for t in others_s if t > at_s)])
    before = np.flatnonzero(seen & (time_s > low) & (time_s < at_s))
    after = np.flatnonzero(seen & (time_s >= at_s) & (time_s < high))
    keep = MOST_FRAMES + APART_FRAMES
    return before[-keep:-APART_FRAMES], after[APART_FRAMES:keep]


def _side(profiles: Profiles, index: IntArray, angles: Angles) -> Side | None:
    """Average the mark on its own angle, and tell the noise of that by halves of the frames."""
    if len(index) < LEAST_FRAMES:
        return None
    data = calibrate.gather(profiles, index)
    phi, omega = np.mod(angles.angle_rad[index], 2 * np.pi), angles.omega_rad_s[index]
    halves = []
    for k in (0, 1):
        seen = learning.fading(data[k::2], phi[k::2], omega[k::2], angles.tuned.model)
        if not seen.share.sum() > 0:
            return None
        mean = seen.share @ seen.spectra / seen.share.sum()
        halves.append(mean[1 : learning.FADING + 1])
    variance = float(np.mean(np.abs(halves[0] - halves[1]) ** 2)) / 4
    return Side(0.5 * (halves[0] + halves[1]), max(variance, 1e-12))


def most_explained(before: Side, after: Side) -> float | None:
    """Tell how large a step of the phase the change of the trace explains at most, rad.

    Returns
    -------
    float or None
        None where the trace is as long after the step as before it, as far as that is seen.

    Notes
    -----
    Both sides show one mark under two smears, and one of them perhaps with more contrast.  A time
    stamp stands for the start, the middle or the end of an exposure, so that the phase steps by
    half of the change either way, or not at all.
    """
    tries = np.arange(0.0, LONGEST_RAD, STEP_RAD)
    shown = np.abs(before.spectrum) ** 2 > SHOWN * before.variance
    shown |= np.abs(after.spectrum) ** 2 > SHOWN * after.variance
    if not shown.any():
        return None
    h = np.flatnonzero(shown) + 1
    fade = np.asarray(sinc_smear(h, tries[:, None]), np.float64)  # (T, H)
    one, other = before.spectrum[shown], after.spectrum[shown]
    cross = np.real(other * one.conj())
    top = np.einsum("ah,bh,h->ab", fade, fade, cross)
    contrast = top / np.maximum(np.einsum("bh,h->b", fade**2, np.abs(one) ** 2), 1e-30)
    misfit = np.empty_like(contrast)
    for a, first in enumerate(fade):  # before under tries[a], after under each of tries
        scaled = contrast[a][:, None] * fade
        off = np.abs(scaled * one - first * other) ** 2
        variance = before.variance * scaled**2 + after.variance * first**2
        misfit[a] = (off / np.maximum(variance, 1e-30)).sum(axis=1)
    # of complex harmonics each has two degrees of freedom, and mean square one here; what is
    # wrong with the model raises the least misfit, and counts as noise
    misfit = misfit / max(float(misfit.min()) / len(h), 1.0)
    if float(np.diagonal(misfit).min() - misfit.min()) < DIFFERS / 2:
        return None
    changes = np.abs(tries[:, None] - tries[None, :])
    return 0.5 * CODES * float(changes[misfit <= misfit.min() + ALLOWED / 2].max())
