"""How far back does the free spin reach that follows what was taken for the release?

Where a hand lets go of a top, the mark stood, was driven, or was hidden before.  Where it turned
on as it turns after, slowing alike, nothing released it: what made the frames unlike the others
was light, blur, or a top that walked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import binom

from vidspin.cyclic import wrapped
from vidspin.instants.release import EDGE_FRAMES, LEAST_FIT
from vidspin.mark.rest import stands
from vidspin.records import BoolArray, FloatArray, IntArray
from vidspin.regression import PolynomialFit, fit_polynomial

WINDOW_S = 0.8  # of known free spin that is carried on
BLOCK_S, LEAST_BLOCK = 0.2, 6  # that is looked at in one go, and sightings in it
THIN = 3.0  # so much longer may a block be that holds as many
LEAST_SEEN = 3
LEAP_S = (0.0, 0.2, 0.4, 0.7, 1.0)  # unseen stretches that may lie between
NEAR_RAD = 0.2  # from where the mark should be; at least so much is allowed
NEAR_SIGMA = 4.0  # usual scatters of the spin that is carried on
NEAR_SHARE = 0.06  # of the mark spacing: to both sides an eighth of it agrees by chance
MOST_DOUBT = 0.05  # of the mark spacing, of where the mark should be
MOST_AGREE = 0.6  # share of the sightings
CHANCE_NEXT, CHANCE_BEYOND = 1e-3, 1e-4  # that so many agree with no free spin: next, beyond a gap
UNSEEN_DRIVE_S = 0.1  # so long before the release a top that is still driven may agree (invented)


@dataclass(frozen=True, slots=True)
class Reach:
    """Where free frames are known from, and the angles with these on their turns."""

    first: int
    angle_rad: FloatArray
    free: BoolArray  # frames that are known to lie on the free spin
    sure: int  # the first frame that no drive could make agree


def reach_back(  # noqa: PLR0913 - columns of the same frames, and where to begin
    time_s: FloatArray,
    angle_rad: FloatArray,
    visible: BoolArray,
    doubtful: BoolArray,
    *,
    clean: int,
    marks: int,
) -> Reach:
    """Carry the free spin back from a clean frame for as long as the mark is where it should be.

    Parameters
    ----------
    time_s : (N,) array
        Instants of the angles, s.
    angle_rad : (N,) array
        Mark angles: continuous from frame `clean` on, up to whole mark spacings before it.
    visible : (N,) bool array
        Whether anything like the mark was seen in a frame, a hand's edge as well.
    doubtful : (N,) bool array
        Frames that may show a hand's edge, or a mark at rest.
    clean : int
        A frame from which the spin is free.
    marks : int
        Number of equal marks.

    Returns
    -------
    Reach
    """
    period, angle = 2 * np.pi / marks, angle_rad.copy()
    free = np.zeros(len(time_s), bool)
    free[clean:] = visible[clean:]
    first = clean
    while first > 0:
        rows = np.flatnonzero(free & (time_s <= time_s[first] + WINDOW_S))
        if len(rows) < LEAST_FIT:
            break
        found = None
        for leap_s in LEAP_S:
            found = _block(time_s, angle, visible, doubtful, rows, first, leap_s, period)
            if found is not None:
                break
        if found is None:
            break
        at, there = found
        angle[at] = there
        free[at] = True
        first = int(at[0])
    sure = first
    if first > EDGE_FRAMES or doubtful[first]:
        sure = int(np.searchsorted(time_s, time_s[first] + UNSEEN_DRIVE_S))
    return Reach(first, angle, free, min(sure, clean))


def _block(  # noqa: PLR0913 - columns of the same frames, and where to look
    t: FloatArray, angle: FloatArray, visible: BoolArray, doubtful: BoolArray, rows: IntArray,
    first: int, leap_s: float, period: float,
) -> tuple[IntArray, FloatArray] | None:  # fmt: skip
    """Free sightings before `first`, and their angles; None where there are none for sure."""
    last = int(np.searchsorted(t, t[first] - leap_s))
    early = np.flatnonzero(visible[:last])
    within = t[last - 1] - t[early] if last else np.zeros(0)
    wanted = max(LEAST_BLOCK, int(np.count_nonzero(within < BLOCK_S)))
    block = early[within < THIN * BLOCK_S][-wanted:]
    if len(block) < LEAST_SEEN:
        return None
    fit, scatter = _carried(t[rows], angle[rows])
    expected, u = fit.at(t[block])
    if float(u.max()) > MOST_DOUBT * period:
        return None
    limit = min(max(NEAR_RAD, NEAR_SIGMA * scatter), NEAR_SHARE * period)
    off = wrapped(angle[block] - expected, period)
    near = np.abs(off) <= limit
    near[: int(np.argmax(near[:-1] & near[1:]))] = False  # a single one before others may be chance
    count, chance = int(near.sum()), 2 * limit / period
    most = CHANCE_NEXT if leap_s == 0 else CHANCE_BEYOND
    if count < MOST_AGREE * len(block) or binom.sf(count - 1, len(block), chance) > most:
        return None
    if doubtful[block[near]].any() and stands(expected[near], off[near], period):
        return None
    return block[near], (expected + off)[near]


def _carried(t: FloatArray, angle: FloatArray) -> tuple[PolynomialFit, float]:
    """Fit the known stretch, and how sightings scatter about it."""
    u = np.full(len(t), 0.02)
    for _ in range(2):
        fit = fit_polynomial(t, angle, u, centre_s=float(t[0]), degree=2)
        left = np.abs(angle - fit.at(t)[0])
        scatter = max(1.4826 * float(np.median(left)), 0.005)
        u = scatter * np.maximum(1.0, left / (3 * scatter))
    return fit, scatter
