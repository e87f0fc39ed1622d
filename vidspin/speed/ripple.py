"""Where on the ring does the angle stray, again and again?

What was learnt of still and mark is good to a part of a grey level, and interpolation between
picture elements is not quite even all round.  Each place of the ring then puts the mark off by a
fraction of a milliradian, whenever it passes there, and slowly other as the smear shortens and
the top wanders.  Where the mark passes quickly this averages out, and counting it as noise would
overstate the doubt; near a stand-still speed it drifts with the mark, and passes for speed.

The pattern is a sum of harmonics of the mark's angle whose amplitudes wander.  They are told from
what smooth turning leaves, taken off, and what is left in doubt of them is carried to the speeds.

References
----------
Fixed-interval smoothing of a first-order Gauss-Markov process: H. E. Rauch, F. Tung, C. T.
Striebel, AIAA J. 3 (1965) 1445-1450; scale of the process by expectation maximisation, R. H.
Shumway and D. S. Stoffer, J. Time Ser. Anal. 3 (1982) 253-264 (both from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from vidspin.records import FloatArray, IntArray
from vidspin.regression import LocalRates, rate_weights
from vidspin.speed import doubts
from vidspin.speed.turning import Noise, Ripple, Turning, look

HARMONICS = 20  # beyond these nothing was seen that stands out of the noise
WINDOW_S = 1.2  # over which a cubic stands for the turning: what it leaves is 0.01 mrad
DEGREE = 3
LEAST_SIGHTINGS = 15  # in a window
BLOCK_S = 10.0  # over which the amplitudes stay
ALIKE_S = 100.0  # over which they become others by 1 - 1/e; recordings have 60 to 300
USUAL_RAD = 3e-4  # of each amplitude; recordings have 0.1 to 0.4 mrad
USUAL_WEIGHT = 40.0  # amplitudes that this is worth against those of the recording
MOST_RAD = 1e-3  # what is larger is no place of the ring
ROUNDS = 4  # of learning how large the amplitudes and the noise are
NOISE_WEIGHT = 100.0  # sightings that the noise told before is worth


def smoothed_out(turning: Turning, marks: int) -> Turning:
    """Take the ripple off the angles, and keep what is left of it in doubt.

    Parameters
    ----------
    turning : Turning
        Without one taken off already.
    marks : int
        Equal marks are seen together: only every so many harmonics are left of all.

    Returns
    -------
    Turning
        The same where nothing smooth is left to tell a ripple from.
    """
    noise = look(turning)
    if not noise.usable.any():
        return turning
    told = _summed(turning, noise, marks)
    mean, covariance, taken = _learnt(told)
    ripple = Ripple(
        told.time_s, mean[..., 0], covariance.astype(np.float32), mean[..., 1:].astype(np.float32),
        marks, taken,
    )  # fmt: skip
    angle = np.nan_to_num(noise.smooth_rad)
    off = np.zeros(len(angle))
    for rows, columns in _columns_of(angle, marks):
        off[rows] = (columns * ripple.amplitudes_at(turning.time_s[rows])).sum(axis=1)
    return replace(turning, angle_rad=turning.angle_rad - off, ripple=ripple)


def left_over(turning: Turning, noise: Noise, weight: FloatArray, rates: LocalRates) -> FloatArray:
    """Carry what is left of shutter, geometry and ripple to the rates of windows, as a doubt.

    What shutter and geometry are off by shows as a ripple as well, and most of it went with that.

    Parameters
    ----------
    turning : Turning
    noise : Noise
    weight : (N,) array
        Of the sightings; zero leaves one out.
    rates : LocalRates
        Quadratics fitted with the same weights.

    Returns
    -------
    (M,) array
        Standard uncertainties, rad/s; NaN where a window holds too little.
    """
    ripple, t = turning.ripple, turning.time_s
    if ripple is None:
        return doubts.left_over(t, weight, turning.answer, rates)
    out = np.full(len(rates.centre_s), np.nan)
    low = np.searchsorted(t, rates.centre_s - rates.window_s / 2)
    high = np.searchsorted(t, rates.centre_s + rates.window_s / 2, side="right")
    for k in np.flatnonzero(np.isfinite(rates.rate_rad_s) & (high - low >= doubts.LEAST_SIGHTINGS)):
        rows = slice(int(low[k]), int(high[k]))
        w = np.nan_to_num(rate_weights(
            t[rows], weight[rows], centre_s=float(rates.centre_s[k]),
            window_s=float(rates.window_s[k]), degree=2,
        ))  # fmt: skip
        near = int(np.argmin(np.abs(ripple.time_s - rates.centre_s[k])))
        lever = w @ _columns(np.nan_to_num(noise.smooth_rad[rows]), ripple.marks)
        shutter = w @ turning.answer[rows] - lever @ ripple.response[near]
        variance = float(shutter @ shutter)
        out[k] = np.sqrt(max(variance + float(lever @ ripple.covariance[near] @ lever), 0.0))
    return out


def _columns(angle_rad: FloatArray, marks: int) -> FloatArray:
    """Cosine and sine of each harmonic by turns, (N, 2H)."""
    turn = np.exp(1j * marks * angle_rad[:, None] * np.arange(1, HARMONICS + 1))
    return np.ascontiguousarray(turn).view(np.float64)


def _columns_of(angle_rad: FloatArray, marks: int) -> Iterator[tuple[slice, FloatArray]]:
    for first in range(0, len(angle_rad), 4096):
        rows = slice(first, first + 4096)
        yield rows, _columns(angle_rad[rows], marks)


@dataclass(frozen=True, slots=True)
class _Told:
    """Normal equations of the amplitudes, K blocks, with the smooth turning projected out."""

    time_s: FloatArray  # (K,) middles
    a: FloatArray  # (K, 2H, 2H)
    b: FloatArray  # (K, 2H, 1 + q) of the angles, and of each column of the shutter in their place
    square: float  # weighted square of what is left to explain
    count: float  # of independent sightings


def _summed(turning: Turning, noise: Noise, marks: int) -> _Told:
    rows = np.flatnonzero(noise.usable)
    t, u = turning.time_s[rows], (turning.u_rad * noise.scale)[rows]
    angle = turning.angle_rad[rows]
    cuts = _windows(t, np.searchsorted(np.sort(np.array(turning.edges_s)), t))
    block = np.unique([0, *(int((t[window[0]] - t[0]) / BLOCK_S) for window in cuts)])
    size = 2 * HARMONICS
    a, square, count = np.zeros((len(block), size, size)), 0.0, 0
    b = np.zeros((len(block), size, 1 + turning.answer.shape[1]))
    for window in cuts:
        x = (t[window] - t[window].mean()) / WINDOW_S
        root = 1.0 / u[window]
        q, _ = np.linalg.qr(root[:, None] * x[:, None] ** np.arange(DEGREE + 1))
        seen = rows[window]
        answer = turning.answer[slice(int(seen[0]), int(seen[-1]) + 1)][seen - seen[0]]
        y = np.column_stack([angle[window] - angle[window].mean(), answer]) * root[:, None]
        # at the smooth angles: those of the sightings hold the noise that is to be explained
        d = _columns(noise.smooth_rad[seen], marks) * root[:, None]
        y, d = y - q @ (q.T @ y), d - q @ (q.T @ d)
        k = int(np.searchsorted(block, int((t[window[0]] - t[0]) / BLOCK_S)))
        a[k] += d.T @ d
        b[k] += d.T @ y
        square += float(y[:, 0] @ y[:, 0])
        count += len(window) - DEGREE - 1
    middles = t[0] + BLOCK_S * (block + 0.5)
    return _Told(middles, a, b, square, count / noise.spread)


def _windows(t: FloatArray, piece: IntArray) -> list[IntArray]:
    """Cut instants into windows of `WINDOW_S`, none of which reaches over a gap or a break."""
    number = ((t - t[0]) / WINDOW_S).astype(np.int64)
    cuts = np.flatnonzero(np.diff(number) | np.diff(piece)) + 1
    return [w for w in np.split(np.arange(len(t)), cuts) if len(w) >= LEAST_SIGHTINGS]


def _learnt(told: _Told) -> tuple[FloatArray, FloatArray, float]:
    """Amplitudes of every block, their covariance, and the share of the sightings they cost.

    The first of the amplitudes' last axis are those of the angles; the others are what the same
    weights make of each column of the shutter.
    """
    size = np.full(2 * HARMONICS, USUAL_RAD)
    noise = 1.0
    free = max(1.0, len(told.time_s) * BLOCK_S / (2 * ALIKE_S))  # blocks that tell their own
    for left in reversed(range(ROUNDS)):
        mean, covariance = _wandering(told, noise, size)
        if not left:
            break
        own = mean[..., 0]
        fitted = np.einsum("ki,kij,kj->", own, told.a, own)
        fitted += np.einsum("kij,kji->", covariance, told.a)
        square = told.square - 2 * float(np.sum(own * told.b[..., 0])) + float(fitted)
        noise = (NOISE_WEIGHT + square) / (NOISE_WEIGHT + told.count)
        power = own**2 + np.einsum("kii->ki", covariance)
        for half in (slice(0, HARMONICS), slice(HARMONICS, 2 * HARMONICS)):
            weight = free * HARMONICS
            usual = USUAL_WEIGHT * USUAL_RAD**2 + weight * float(power[:, half].mean())
            size[half] = min(np.sqrt(usual / (USUAL_WEIGHT + weight)), MOST_RAD)
    cost = float(np.einsum("kij,kji->", covariance, told.a)) / noise
    return mean, covariance, min(cost / max(told.count, 1.0), 0.5)


def _wandering(told: _Told, noise: float, size: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Smooth amplitudes that wander about zero by `size`: forward, then back."""
    kept = np.exp(-np.diff(told.time_s) / ALIKE_S)
    usual = np.diag(size**2)
    mean, spread = np.zeros_like(told.b), np.zeros_like(told.a)
    before, known = np.zeros_like(told.b[0]), usual
    expected = []
    for k in range(len(told.b)):
        if k:
            still = kept[k - 1] ** 2
            before, known = kept[k - 1] * mean[k - 1], still * spread[k - 1] + (1 - still) * usual
        expected.append((before, known))
        # (known^-1 + a)^-1 without the inverse of `known`
        gain = np.linalg.solve(np.eye(len(size)) + known @ told.a[k] / noise, known)
        spread[k] = (gain + gain.T) / 2
        mean[k] = before + spread[k] @ (told.b[k] - told.a[k] @ before) / noise
    for k in range(len(told.b) - 2, -1, -1):
        before, known = expected[k + 1]
        back = kept[k] * np.linalg.solve(known, spread[k]).T
        mean[k] += back @ (mean[k + 1] - before)
        spread[k] += back @ (spread[k + 1] - known) @ back.T
    return mean, spread
