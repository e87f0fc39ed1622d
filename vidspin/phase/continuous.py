"""Which sightings belong to one continuous phase, and how far does it reach?

The mark's angle is known up to whole mark spacings.  From sighting to sighting the speed says
which turn is meant; an unseen stretch is bridged by the rates on both sides of it while that
leaves no doubt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.cyclic import nearest, wrapped
from vidspin.records import BoolArray, FloatArray, IntArray

GAP_FRAMES = 2.5  # frame intervals from which an unseen stretch is bridged by both sides' rates
BRIDGE_DOUBT = 0.2  # of a mark spacing; a stretch whose turns are less sure is not bridged
# Sightings of each side that give its rate, within so long of the stretch; so few give none.
BRIDGE_SIGHTINGS, BRIDGE_S, LEAST_BRIDGE = 30, 1.0, 5
RATE_DOUBT = 0.25  # of the change of the rate over the stretch: where in it that happened
OUTLIER = 4.0  # times one and a half times the scatter: six standard deviations
NEIGHBOURS = 7  # of a sighting on each side, against which it may be an outlier
BLOCK = 8192  # sightings that are looked at together
LEAST_SIGHTINGS = 9  # of a side of an instant; three of them are the fit's own


@dataclass(frozen=True, slots=True)
class Phase:
    """Mark angles of the free spin; N frames in order of time."""

    time_s: FloatArray  # instants of the angles
    angle_rad: FloatArray  # up to whole mark spacings, NaN where not seen
    u_rad: FloatArray
    omega_rad_s: FloatArray  # signed speed, good to a fraction of a mark spacing a frame
    period_rad: float  # mark spacing
    frame_s: float  # nominal frame interval
    seam: BoolArray  # first frame of a later chapter: on another clock than what is before it


@dataclass(frozen=True, slots=True)
class Course:
    """Sightings that count, with a phase that is continuous and grows; n sightings."""

    t: FloatArray
    phi: FloatArray
    weight: FloatArray  # 1 / u**2
    speed: FloatArray  # as assumed, without sign
    period: float  # mark spacing
    frame_s: float
    pieces: tuple[tuple[int, int], ...]  # first sighting and one past the last, of each part
    gaps: tuple[int, ...]  # first sightings after unseen stretches


def seams_of(time_s: FloatArray, chapter: IntArray) -> list[float]:
    """Instants between two chapters, s: the clock is another, and what is between is not known.

    Parameters
    ----------
    time_s, chapter : (N,) arrays
    """
    first = np.flatnonzero(np.diff(chapter)) + 1
    return [float(at) for at in 0.5 * (time_s[first - 1] + time_s[first])]


def course_of(phase: Phase) -> Course:
    """Make the phase continuous.

    Parameters
    ----------
    phase : Phase

    Returns
    -------
    Course
        Cut into pieces at seams and at stretches that cannot be bridged; outliers are left out.
    """
    sense = 1.0 if np.nanmedian(phase.omega_rad_s) >= 0 else -1.0
    seen = np.flatnonzero(np.isfinite(phase.angle_rad) & (phase.u_rad > 0))
    for _ in range(2):
        t, angle = phase.time_s[seen], sense * phase.angle_rad[seen]
        speed = sense * phase.omega_rad_s[seen]
        phi = _carried(t, angle, speed, phase.period_rad)
        smooth = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(t))])
        kept = ~_outliers(t, phi - smooth[: len(t)], phase.period_rad)
        seen = seen[kept]
    t, speed = phase.time_s[seen], sense * phase.omega_rad_s[seen]
    phi = _carried(t, sense * phase.angle_rad[seen], speed, phase.period_rad)
    gaps = [int(k) for k in np.flatnonzero(np.diff(t) > GAP_FRAMES * phase.frame_s) + 1]
    gaps = [k for k in gaps if min(k, len(t) - k) >= LEAST_SIGHTINGS]  # a few at an end say nothing
    cuts = []
    for k in gaps:
        shift = _bridged(t, phi, k, phase.period_rad)
        if shift is None:
            cuts.append(k)
        else:
            phi[k:] += shift
    seams = np.searchsorted(seen, np.flatnonzero(phase.seam))
    edges = sorted({0, len(t), *cuts, *(int(s) for s in seams if 0 < s < len(t))})
    pieces = tuple(zip(edges[:-1], edges[1:], strict=True))
    weight = 1.0 / phase.u_rad[seen] ** 2
    return Course(
        t, phi, weight, speed, phase.period_rad, phase.frame_s, pieces, tuple(gaps)
    )  # fmt: skip


def _carried(t: FloatArray, angle: FloatArray, speed: FloatArray, period: float) -> FloatArray:
    """Put each angle on the turn that the speed from the one before it says."""
    if len(t) == 0:
        return t
    ahead = 0.5 * (speed[1:] + speed[:-1]) * np.diff(t)
    step = nearest(np.diff(angle), ahead, period)
    return np.asarray(np.concatenate([angle[:1], angle[0] + np.cumsum(step)]))


def _outliers(t: FloatArray, left: FloatArray, period: float) -> BoolArray:
    """Find sightings that lie off what either side says, and off the middle of both.

    `left` is the phase without the smooth turning.  Where the spin breaks, one side agrees;
    where it bends, the middle lies on the other hand of the sighting than the sides do.
    """
    n = len(t)
    out = np.zeros(n, bool)
    if n < 4 * NEIGHBOURS:
        return out
    size = max(1.4826 * float(np.median(np.abs(np.diff(left, 3)))) / np.sqrt(20.0), 1e-4)
    near = np.arange(1, NEIGHBOURS + 1)
    for first in range(NEIGHBOURS, n - NEIGHBOURS, BLOCK):
        inner = np.arange(first, min(first + BLOCK, n - NEIGHBOURS))
        at = left[inner]
        before, after = inner[:, None] - near, inner[:, None] + near
        lines = [_line_to(t, left, rows, t[inner]) for rows in (before, after)]
        base = lines[0][:, None]  # both sides may be whole spacings apart
        sides = [np.mod(left[r] - base + period / 2, period) for r in (before, after)]
        middle = lines[0] + np.median(0.5 * (sides[0] + sides[1]), axis=1) - period / 2
        misses = [at - lines[0], at - lines[1], at - middle]
        off = wrapped(np.stack(misses), period)
        alike = np.abs(np.sign(off).sum(0)) == len(misses)
        alike |= np.abs(off).min(0) > period / 4  # the sign is a toss-up near half a spacing
        # a robust line through seven carried on by one step is about as unsure as a sighting
        out[inner] = alike & (np.abs(off).min(0) > OUTLIER * 1.5 * size)
    # at the ends one side has to do, carried on by up to seven steps
    ends = np.concatenate([np.arange(NEIGHBOURS), np.arange(n - NEIGHBOURS, n)])
    inwards = np.concatenate([NEIGHBOURS + near - 1, n - NEIGHBOURS - near])
    rows = np.repeat(inwards.reshape(2, -1), NEIGHBOURS, axis=0)
    off_end = wrapped(left[ends] - _line_to(t, left, rows, t[ends]), period)
    out[ends] = np.abs(off_end) > 2 * OUTLIER * 1.5 * size
    return out


def _line_to(t: FloatArray, y: FloatArray, rows: IntArray, at: FloatArray) -> FloatArray:
    """Carry a line of median slope through neighbours to an instant (Theil and Sen)."""
    one, other = np.triu_indices(rows.shape[1], 1)
    x, v = t[rows] - at[:, None], y[rows]
    slope = np.median((v[:, other] - v[:, one]) / (x[:, other] - x[:, one]), axis=1)
    return np.asarray(np.median(v - slope[:, None] * x, axis=1))


def _bridged(t: FloatArray, phi: FloatArray, k: int, period: float) -> float | None:
    """Return whole mark spacings to add after an unseen stretch; None where they are in doubt."""
    sides = []
    for rows in (slice(max(0, k - BRIDGE_SIGHTINGS), k), slice(k, k + BRIDGE_SIGHTINGS)):
        x, y = t[rows], phi[rows]
        near = np.abs(x - t[k if rows.start == k else k - 1]) <= BRIDGE_S
        if near.sum() < LEAST_BRIDGE:
            return None
        x, y = x[near] - x[near].mean(), y[near]
        slope = float((x * (y - y.mean())).sum() / (x**2).sum())
        left = y - y.mean() - slope * x
        sides.append((slope, float(np.sqrt((left**2).sum() / (len(x) - 2) / (x**2).sum()))))
    gap = t[k] - t[k - 1]
    (before, u0), (after, u1) = sides
    doubt = RATE_DOUBT * abs(after - before) * gap + float(np.hypot(u0, u1)) * gap
    if doubt > BRIDGE_DOUBT * period:
        return None
    miss = phi[k] - phi[k - 1] - 0.5 * (before + after) * gap
    return float(-period * np.rint(miss / period))
