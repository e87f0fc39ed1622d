"""How far is a mark held back that comes near a place where an earlier picture showed it?

Phones blend each picture with those before it where little differs, to lower the noise, and
encoders leave blocks as they were.  Near a stand-still speed a mark comes back, frame by frame or
every few frames, to nearly the place where it was: what little differs there is blended away, and
the mark is seen between both places.  It lags before the stand-still speed and leads after it, and
the way from one to the other passes for speed.

Nothing is corrected, since it hangs on the contrast of each edge; what it does to the slope of the
angle in a window counts as doubt.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspin.cyclic import TWO_PI
from vidspin.records import FloatArray, IntArray
from vidspin.regression import rate_weights
from vidspin.speed.doubts import LEAST_SIGHTINGS
from vidspin.speed.turning import Noise, Sticking, Turning, look, weighted_u, weights

LAGS = 4  # frames after which a mark that comes back is held; beyond, hardly a picture is left
# Distance from the earlier place at which a mark is held back most, rad: about half its breadth.
BREADTHS_RAD = (0.015, 0.03, 0.06, 0.12, 0.24, 0.48)
BESIDE = (-1, 0, 1)  # of them, at which the pull is known as well as at the likeliest
MOST_RAD = 0.1  # noise reduction pulled faint marks by up to 0.05; more is the turning itself
NEARLY = 0.5  # of what the likeliest explains: a breadth beside it that explains less is not meant
REACH = 5.0  # of these to both sides are looked at
MOST_OF_PERIOD = 0.45  # of the marks' spacing
# Degree of the polynomial that stands for the turning, and how far it does, to both sides,
# as a share of the time in which the speed would be lost; it leaves 0.1 to 0.5 mrad of a drag.
STANDS = ((4, 0.1), (5, 0.3))
LONGEST_S = 60.0  # to both sides
LEAST_S = 0.5  # of what is looked at, to both sides: one side alone looks like a change of speed
LEAST_LEFT = 24  # sightings beyond what is fitted
CERTAIN = 3.5  # standard deviations: six breadths of each of some passages are tried
# Of what the mark is held back, as a standard uncertainty, as for a lean and a camera's roll.
SHARE = 0.8


@dataclass(frozen=True, slots=True)
class _Passage:
    """Frames about a stand-still speed at which the mark comes back after some frames."""

    middle: int
    lag: int
    away_rad: FloatArray  # (N,) of the mark from its place so many frames ago, NaN elsewhere


def held_back(turning: Turning, marks: int) -> Turning:
    """Ask how far the mark is held back where it passes a stand-still speed.

    Parameters
    ----------
    turning : Turning
        The ripple of the ring's places taken off.
    marks : int
        Equal marks come back to each other's places.

    Returns
    -------
    Turning
        With `sticking` filled where anything is held back.

    Notes
    -----
    With ``d`` the angle of the mark from its place ``k`` frames ago, it is seen
    ``a d exp((1 - (d / b)^2) / 2) / b`` too near to that, at most ``a``, at the breadth ``b``.  A
    polynomial stands for the turning, as `a` is fitted beside it by least squares.  Only a mark
    that is held back counts, never one that is pushed on, and only beyond `CERTAIN`.
    """
    noise = look(turning)
    if not noise.usable.any():
        return turning
    u, pull = weighted_u(turning, noise), np.zeros((len(turning.time_s), len(BESIDE)))
    for one in _passages(turning, noise, marks):
        pull += _pull(turning, noise, u, one, marks)
    return replace(turning, sticking=Sticking(pull)) if pull.any() else turning


def sticking_u(turning: Turning, noise: Noise, at: FloatArray, length_s: FloatArray) -> FloatArray:
    """Carry what a mark is held back to the rates of windows, as a doubt.

    Parameters
    ----------
    turning : Turning
    noise : Noise
    at, length_s : (M,) arrays
        Centres and lengths of the windows.

    Returns
    -------
    (M,) array
        Standard uncertainties, rad/s; 0 where nothing is held back or a window holds too little.
    """
    out = np.zeros(len(at))
    if turning.sticking is None:
        return out
    t, weight = turning.time_s, weights(noise, weighted_u(turning, noise))
    low = np.searchsorted(t, at - length_s / 2)
    high = np.searchsorted(t, at + length_s / 2, side="right")
    for k, (i, j) in enumerate(zip(low, high, strict=True)):
        pull = turning.sticking.pull_rad[i:j]
        if not pull.any() or np.count_nonzero(weight[i:j] > 0) < LEAST_SIGHTINGS:
            continue
        w = rate_weights(t[i:j], weight[i:j], centre_s=float(at[k]), window_s=float(length_s[k]))
        out[k] = SHARE * float(np.abs(w @ pull).max())
    return out


def _passages(turning: Turning, noise: Noise, marks: int) -> Iterator[_Passage]:
    """Find where the mark comes back to an earlier place, the shortest way back of several."""
    spacing = TWO_PI / marks
    taken: list[int] = []
    for lag in range(1, LAGS + 1):
        away = np.full(len(noise.smooth_rad), np.nan)
        turned = noise.smooth_rad[lag:] - noise.smooth_rad[:-lag]
        away[lag:] = turned - spacing * np.rint(turned / spacing)
        near = np.abs(away) < spacing / 8
        crosses = near[1:] & near[:-1] & (np.sign(away[1:]) != np.sign(away[:-1]))
        own = _apart(np.flatnonzero(crosses) + 1, near)
        new = [k for k in own if not any(_same(k, other, away, near) for other in taken)]
        taken += new
        for middle in new:
            yield _Passage(middle, lag, away)


def _apart(crossed: IntArray, near: np.ndarray) -> list[int]:
    """Keep one instant of a passage in which the sign goes to and fro."""
    kept: list[int] = []
    for k in crossed:
        if not kept or not near[kept[-1] : k].all():
            kept.append(int(k))
    return kept


def _same(one: int, other: int, away: FloatArray, near: np.ndarray) -> bool:
    """Whether two instants lie in one passage."""
    low, high = sorted((one, other))
    return bool(near[low : high + 1].all())


def _pull(turning: Turning, noise: Noise, u: FloatArray, one: _Passage, marks: int) -> FloatArray:
    """By how much the mark is seen too far on a passage, (N, 3); zeros where it is not certain.

    At the likeliest breadth, and at those beside it: the true pull has a shape of its own.
    """
    tried = [_fitted(turning, noise, u, one, (b / marks, marks)) for b in np.array(BREADTHS_RAD)]
    gains = [gain for _, gain in tried]
    best = int(np.argmax(gains))
    if gains[best] < CERTAIN**2:
        return np.zeros((len(u), len(BESIDE)))
    beside = [int(np.clip(best + k, 0, len(tried) - 1)) for k in BESIDE]
    own = [k if gains[k] >= NEARLY * gains[best] else best for k in beside]
    return np.column_stack([tried[k][0] for k in own])


def _fitted(
    turning: Turning, noise: Noise, u: FloatArray, one: _Passage, of: tuple[float, int]
) -> tuple[FloatArray, float]:
    """Pull of one breadth as fitted, (N,), and the square of its standard deviations."""
    breadth, marks = of
    rows, degree = _about(turning, noise, one, breadth, marks)
    if len(rows) < degree + 2 + LEAST_LEFT:
        return np.zeros(len(u)), 0.0
    t, x = turning.time_s[rows], one.away_rad / breadth
    held = -x * np.exp((1.0 - x**2) / 2)
    z = (t - t.mean()) / max(float(np.ptp(t)) / 2, 1e-9)
    root = 1.0 / u[rows]
    q, _ = np.linalg.qr(np.polynomial.legendre.legvander(z, degree) * root[:, None])
    angle = turning.angle_rad[rows]
    y, f = (angle - angle.mean()) * root, held[rows] * root
    y, f = y - q @ (q.T @ y), f - q @ (q.T @ f)
    power = max(float(f @ f), 1e-12)
    size = float(f @ y) / power
    left = y - size * f
    # what no model explains widens the doubt of what this one does
    wide = max(1.0, float(left @ left) / (len(rows) - degree - 2)) * noise.spread
    if not 0 < size <= MOST_RAD:
        return np.zeros(len(u)), 0.0
    return size * np.nan_to_num(held), size**2 * power / wide


def _about(
    turning: Turning, noise: Noise, one: _Passage, breadth: float, marks: int
) -> tuple[IntArray, int]:
    """Sightings about a passage by which it is judged, and the degree that stands for the turning.

    None where one side is missing.
    """
    t, away, middle = turning.time_s, np.abs(one.away_rad), one.middle
    reach = min(REACH * breadth, MOST_OF_PERIOD * TWO_PI / marks)
    near = away <= reach
    if not near[middle]:  # braked so hard that it is beyond by the next frame
        return np.zeros(0, np.int64), 0
    first = middle - int(np.argmin(near[middle::-1])) + 1 if not near[: middle + 1].all() else 0
    after = near[middle:]
    last = middle + (len(after) if after.all() else int(np.argmin(after))) - 1
    lasts = _lasts_s(noise.smooth_rad, t, first, last)
    half = min(LONGEST_S, STANDS[-1][1] * lasts)
    low, high = max(t[first], t[middle] - half), min(t[last], t[middle] + half)
    low, high = _within(turning.edges_s, float(low), float(high), float(t[middle]))
    if t[middle] - low < LEAST_S or high - t[middle] < LEAST_S:
        return np.zeros(0, np.int64), 0
    rows = np.flatnonzero(noise.usable & (t >= low) & (t <= high) & np.isfinite(away))
    half = (high - low) / 2
    return rows, next((n for n, share in STANDS if half <= share * lasts), STANDS[-1][0])


def _lasts_s(smooth: FloatArray, t: FloatArray, first: int, last: int) -> float:
    """Time in which a top would lose its speed at the loss it has, s."""
    if last - first < 2:
        return 0.0
    third = max(1, (last - first) // 3)
    ends = [(smooth[k + third] - smooth[k]) / (t[k + third] - t[k]) for k in (first, last - third)]
    lost = abs(abs(ends[1]) - abs(ends[0])) / max(float(t[last - third] - t[first]), 1e-9)
    return float(min(abs(ends[0]), abs(ends[1])) / max(lost, 1e-9))


def _within(
    edges_s: Sequence[float], low_s: float, high_s: float, at_s: float
) -> tuple[float, float]:
    """Cut a stretch at instants across which the spin is not one piece."""
    before = [e for e in edges_s if e <= at_s]
    after = [e for e in edges_s if e > at_s]
    return max([low_s, *before]), min([high_s, *after])
