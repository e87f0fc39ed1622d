"""How well does a mark at any angle go with a frame of which a hand covers a part?

A hand over the ring spoils what is asked of all of it, but the mark passes through the open part
in most frames.  At every angle a stretch of the ring no longer than the mark and something beside
it is looked at by itself, its light, slope and still parts free.  There the mark is seen, or the
ring is seen without it, or neither is, since something covers it: then the frame says nothing of
that angle.

Notes
-----
Least squares as in `sighting`, over a part of the ring: linear in amplitude and shift about each of
the angles tried.  What is seen is put as a likelihood of the angle: a mark that is seen stands in
for one at that angle within its uncertainty, or for something of the hand that looks like one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from vidspin.cyclic import TWO_PI, wrapped
from vidspin.markmodel import TABLE, MarkModel, smeared_table, true_base
from vidspin.records import BoolArray, Float32Array, FloatArray, IntArray

TRIALS = 256  # angles tried
FINE = 1024  # angles a likelihood is told for
# Of the speed after the release: a top that is still driven is smeared and skewed by less.
PACES = (1.0, 0.8, 0.6, 0.35, 0.1)
PACE_EDGES = (np.array(PACES[1:]) + np.array(PACES[:-1])) / 2
DOUBT_RAD, DOUBTS = 0.0125, 8  # of where the mark should be, each twice as much; 1.6 is anywhere
EDGE = 0.05  # of the mark's height; where less of it is left it ends
LEAST_MARGIN_RAD, MARGIN = 0.15, 0.35  # looked at to both sides of it; in its own widths
MOST_SHARE = 0.8  # of the ring that mark and margins may take
LEAST_PLACES = 8
AMPLITUDES = (0.5, 1.6)  # of the mark as it usually is: a hand's shadow, and no smear
SIGMA = 10.0  # amplitude against its own uncertainty
NOISY, MISFIT = 2.5, 0.12  # left over: usual noise, or a share of the mark's height
BARE, BARE_SURE = 0.3, 0.6  # amplitude up to which no mark is there, and with 3 uncertainties
FLOOR_RAD = 0.015  # what a shadow's edge in the stretch does to the angle (judged)
LOOKALIKE = 0.2  # so many things of a hand that look like the mark, a frame (judged)
SAME_RAD = 0.12  # nearer things of two frames are one
# So large a share of all frames with it at the same place, or so many in a row between which it
# creeps: no mark that turns does that, but where it seems to stand.  (One that turns by a half or a
# third from frame to frame comes back as often.)
ALIKE_SHARE, LONGEST_CHAIN = 0.55, 3
UNSEEN = 0.03  # chance that a mark in the open is not seen (judged)
ALIKE = 1e-3  # rows of the nuisance of which no more than this is new are left out


@dataclass(frozen=True, slots=True)
class Views:
    """What K frames say of the mark's angle, at each of some paces."""

    # (doubts, paces, K, FINE) logarithm of how likely the frame is with a mark at each angle, that
    # angle being known to within each of the doubts, against its mean over all angles
    log_likelihood: Float32Array

    def log_at(self, pace: FloatArray, angle_rad: FloatArray, u_rad: FloatArray) -> FloatArray:
        """Return those of angles (..., K), known so well, at paces, each of its own frame."""
        doubts, paces, frames, _ = self.log_likelihood.shape
        doubt = np.rint(np.log2(np.maximum(u_rad, DOUBT_RAD) / DOUBT_RAD)).astype(np.int64)
        turn = np.rint(np.mod(angle_rad, TWO_PI) * (FINE / TWO_PI)).astype(np.int64) % FINE
        row = np.minimum(doubt, doubts - 1) * paces + np.searchsorted(-PACE_EDGES, -pace)
        at = (row * frames + np.arange(frames)) * FINE + turn
        return np.asarray(self.log_likelihood.take(at), np.float64)


def views(  # noqa: PLR0913 - profiles and what is known of them
    profiles: FloatArray, still: FloatArray, speed_rad_s: float, model: MarkModel, noise: float,
    marks: int,
) -> Views:  # fmt: skip
    """Ask some frames about the mark at every angle.

    Parameters
    ----------
    profiles : (K, N) array
        Ring brightness, grey levels.
    still : (N,) array
        What stands still, grey levels.
    speed_rad_s : float
        Signed speed of the free spin at its beginning.
    model : MarkModel
    noise : float
        RMS of a free frame about the model, grey levels.
    marks : int
        Number of equal marks.

    Returns
    -------
    Views
    """
    told, tried = [], [_at_pace(profiles, still, p * speed_rad_s, model, noise) for p in PACES]
    stays = _stays(tried)
    for of_pace in tried:
        one = _likelihood(of_pace, stays)
        # equal marks are all where the first one says they are, or covered
        all_of_them = np.prod([np.roll(one, -FINE * k // marks, axis=1) for k in range(marks)], 0)
        told.append(all_of_them / all_of_them.mean(axis=1, keepdims=True))
    sharp = np.stack(told).astype(np.float32)
    blurred = [
        ndimage.gaussian_filter1d(sharp, 2.0**k * DOUBT_RAD * FINE / TWO_PI, axis=2, mode="wrap")
        for k in range(DOUBTS)
    ]
    return Views(np.log(np.stack(blurred)))


@dataclass(frozen=True, slots=True)
class _Tried:
    """What each of `TRIALS` angles is to K profiles."""

    angle_rad: FloatArray  # (K, TRIALS), moved to where the mark fits best
    u_rad: FloatArray  # (K, TRIALS)
    evidence: FloatArray  # (K, TRIALS) squared amplitude against its uncertainty; 0 for no mark
    bare: BoolArray  # (K, TRIALS) whether the ring is seen there without a mark


@dataclass(frozen=True, slots=True)
class _Lobe:
    """One of the equal marks, smeared, by the angle from its highest place."""

    height: FloatArray  # (TABLE,) grey levels above what is beside it
    slope: FloatArray  # (TABLE,) against the angle
    peak_rad: float  # of the table
    low_rad: float  # from there to its two ends
    high_rad: float


def _lobe(model: MarkModel, smear_rad: float) -> _Lobe:
    turn = smeared_table(model, np.array([smear_rad]))[0, :TABLE].astype(np.float64)
    height = turn - np.median(turn)
    peak = int(np.argmax(np.abs(height)))
    far = np.mod((np.arange(TABLE) - peak) / TABLE + 0.5, 1.0) - 0.5  # turns
    # to both sides as far as the mark goes on: the others of several are left out
    order = np.argsort(far)
    faint = np.abs(height[order]) < EDGE * np.abs(height[peak])
    ends, middle = np.flatnonzero(faint), int(np.searchsorted(far[order], 0.0))
    before, after = ends[ends < middle], ends[ends > middle]
    low = float(far[order][before[-1]]) if len(before) else -0.5
    high = float(far[order][after[0]]) if len(after) else 0.5
    keep = (far >= low) & (far <= high)
    slope = np.gradient(turn) * (TABLE / TWO_PI)
    return _Lobe(
        np.where(keep, height, 0.0), np.where(keep, slope, 0.0), peak / TABLE * TWO_PI,
        low * TWO_PI, high * TWO_PI,
    )  # fmt: skip


def _at_pace(
    profiles: FloatArray, still: FloatArray, omega: float, model: MarkModel, noise: float
) -> _Tried:
    """Try all angles at one speed."""
    lobe = _lobe(model, abs(omega) * model.exposure_s)
    margin = max(LEAST_MARGIN_RAD, MARGIN * (lobe.high_rad - lobe.low_rad))
    low, high = lobe.low_rad - margin, lobe.high_rad + margin
    of = (len(profiles), TRIALS)
    tried = _Tried(np.zeros(of), np.ones(of), np.zeros(of), np.zeros(of, bool))
    if high - low > MOST_SHARE * TWO_PI:
        return tried
    base = true_base(model, np.array([omega]))[0].astype(np.float64) - lobe.peak_rad
    for k, phi in enumerate(np.arange(TRIALS) * (TWO_PI / TRIALS)):
        place = wrapped(base - phi)
        rows = np.flatnonzero((place >= low) & (place <= high))
        if len(rows) < LEAST_PLACES:
            continue
        found = _tried(profiles[:, rows], still[rows], place[rows], model, rows, lobe, noise)
        if found is not None:
            tried.angle_rad[:, k] = phi + found[0]
            tried.u_rad[:, k], tried.evidence[:, k], tried.bare[:, k] = found[1:]
    return tried


def _tried(  # noqa: PLR0913 - one stretch of the ring and what is known of it
    seen: FloatArray, still: FloatArray, place: FloatArray, model: MarkModel, rows: IntArray,
    lobe: _Lobe, noise: float,
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray] | None:  # fmt: skip
    """Shift, its uncertainty, evidence of a mark and of none in one stretch of K profiles."""
    q, r = np.linalg.qr(np.stack([np.ones_like(place), place, still], 1))
    size = np.abs(np.diag(r))
    q = q[:, size > ALIKE * size.max()]
    column, at = np.mod((place + lobe.peak_rad) * (TABLE / TWO_PI), TABLE), np.arange(TABLE)
    visible = model.visibility[rows]
    shape = visible * np.interp(column, at, lobe.height, period=TABLE)
    slope = -visible * np.interp(column, at, lobe.slope, period=TABLE)
    depth = float(np.abs(shape).max())
    both = np.stack([shape, slope], 1)
    both -= q @ (q.T @ both)
    gram = both.T @ both
    if np.linalg.det(gram) <= 1e-9 * gram[0, 0] * gram[1, 1]:
        return None
    inverse, left = np.linalg.inv(gram), seen - (seen @ q) @ q.T
    moment = left @ both
    found = moment @ inverse
    amplitude, power = found[:, 0], (left**2).sum(1)
    rms = np.sqrt(np.maximum(power - (moment * found).sum(1), 0.0) / len(rows))
    white = np.maximum(rms, noise) * np.sqrt(model.spread)
    u_amplitude = white * np.sqrt(inverse[0, 0])
    sure = np.maximum(np.abs(amplitude), 1e-6)
    shift, u = found[:, 1] / sure, white * np.sqrt(inverse[1, 1]) / sure
    clear = rms < max(NOISY * noise, MISFIT * depth)
    is_mark = clear & (amplitude > AMPLITUDES[0]) & (amplitude < AMPLITUDES[1])
    is_mark &= (amplitude > SIGMA * u_amplitude) & (np.abs(shift) < 1.5 * TWO_PI / TRIALS)
    # the shift of a mark that is not there means nothing: amplitude alone
    alone = moment[:, 0] / gram[0, 0]
    rest = np.sqrt(np.maximum(power - alone * moment[:, 0], 0.0) / len(rows))
    u_alone = np.maximum(rest, noise) * np.sqrt(model.spread / gram[0, 0])
    bare = (np.abs(alone) < BARE) & (alone + 3 * u_alone < BARE_SURE)
    bare &= rest < max(NOISY * noise, MISFIT * depth)
    return shift, u, np.where(is_mark, (amplitude / u_amplitude) ** 2, 0.0), bare


def _stays(tried: Sequence[_Tried]) -> BoolArray:
    """Tell where in each profile something like the mark stays for long; (K, TRIALS).

    A mark that turns does so only where it seems to stand, and is left out there as well: what a
    hand and its shadow make of the ring looks alike in frame after frame, and is no evidence.
    """
    there = np.zeros(tried[0].evidence.shape, bool)
    for one in tried:
        for k, evidence in enumerate(one.evidence):
            there[k, _peaks(evidence)] = True
    reach = 2 * round(SAME_RAD / TWO_PI * TRIALS) + 1
    near = ndimage.maximum_filter1d(there.view(np.uint8), reach, axis=1, mode="wrap") > 0
    often = near.sum(0) > max(LONGEST_CHAIN, ALIKE_SHARE * len(there))
    # from frame to frame it may creep along
    chain = np.zeros(there.shape, np.int64)
    for frames in (range(len(there)), range(len(there))[::-1]):
        length, before = np.zeros(there.shape, np.int64), np.zeros(TRIALS, np.int64)
        for k in frames:
            length[k] = np.where(there[k], before + 1, 0)
            before = ndimage.maximum_filter1d(length[k], reach, mode="wrap")
        chain += length
    creeps = np.where(there, chain - 1, 0) > LONGEST_CHAIN
    creeps = ndimage.maximum_filter1d(creeps.view(np.uint8), reach, axis=1, mode="wrap") > 0
    return np.asarray(often[None, :] | creeps)


def _likelihood(tried: _Tried, stays: BoolArray) -> FloatArray:
    """How likely each frame is with a mark at each angle; (K, FINE)."""
    fine = np.arange(FINE) * (TWO_PI / FINE)
    nearest = np.rint(np.arange(FINE) * (TRIALS / FINE)).astype(np.int64) % TRIALS
    out = np.where(tried.bare[:, nearest], UNSEEN, 1.0)
    for likely, angle, u, evidence, stay in zip(
        out, tried.angle_rad, tried.u_rad, tried.evidence, stays, strict=True
    ):
        for k in _peaks(evidence):
            if stay[k]:
                continue
            doubt = float(np.hypot(u[k], FLOOR_RAD))
            off = wrapped(fine - angle[k])
            density = np.exp(-0.5 * (off / doubt) ** 2) / (np.sqrt(TWO_PI) * doubt)
            likely += density * (TWO_PI / LOOKALIKE)
    return out


def _peaks(evidence: FloatArray) -> IntArray:
    """Tell the best trial of each run of trials with evidence."""
    there = np.flatnonzero(evidence > 0)
    if len(there) == 0:
        return there
    if len(there) < len(evidence):  # begin where none is: runs go on over the end of the turn
        start = int(np.argmin(evidence))
        there = (np.sort((there - start) % len(evidence)) + start) % len(evidence)
    gaps = np.flatnonzero((np.diff(there) % len(evidence)) > 1) + 1
    return np.array([run[np.argmax(evidence[run])] for run in np.split(there, gaps)])
