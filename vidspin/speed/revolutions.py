"""How many turns is it from one instant to another, and how sure is that?

Turns are counted on the smooth angle, one by one where the mark is seen.  What no sighting tells
is doubt: an instant before the first or after the last of them, a stretch over which the count
was carried.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.records import FloatArray, IntArray, Revolutions
from vidspin.speed.curve import MIN_SIGHTINGS
from vidspin.speed.scatter import FIRST_WINDOW_S, pace
from vidspin.speed.turning import Noise, Turning, weighted_u
from vidspin.uncertainty import NORMAL_95, rectangular

COUNTED_GAP_S = 6.0  # as long as `apparent` carries the count of turns over
GAP_SIDE_S = 5.0  # on both sides of an unseen stretch, from which the slope is taken
SURE_GAP_S = 1.0  # so short a stretch is no longer than the windows that give the rates
RATES_APART_S = 1.2  # length of those windows
# The count takes the bend of the angle over the stretch along; a quarter of it may be left, and
# half a turn of two marks is 1.6 rad.
SURE_BEND_RAD = 3.0
ANSWER_FRAMES = 4096  # whose answers are looked at together
# Beyond the sightings the slowing of those next to them is carried on, taken from as long a
# stretch as it is carried, within limits.
CARRIED_FROM_S = (1.5, 6.0)
# Powers of the speed that its loss may go with, the middle one taken: dry friction has 0, a thin
# film of air 1, turbulence 2; half a power is added, as a second or two may be like none of them.
POWERS = (-0.5, 1.0, 2.5)
NO_LOSS = 1e-6  # share of the speed; a power of the speed makes no difference


def revolutions(  # noqa: PLR0913 - both ends with their uncertainties
    turning: Turning,
    noise: Noise,
    start_s: float,
    stop_s: float,
    u95_s: tuple[float, float],
    step: float | None,
    unseen_s: float,
    stamp_u95_s: float | None = None,
) -> Revolutions:
    """Count the turns between two instants on the smooth angle.

    Parameters
    ----------
    turning, noise
        As for `curve.spin_curve`.
    start_s, stop_s : float
        The instants, s.
    u95_s : (float, float)
        Their expanded uncertainties, s; 0 where the recording itself begins or ends there.
    step : float or None
        Largest unexplained step, turns.
    unseen_s : float
    stamp_u95_s : float, optional
        Expanded uncertainty of what both instants have in common against the angles, from
        `events.stamp_u95_s`; that of instants which were found by default.

    Returns
    -------
    Revolutions
        The expanded uncertainty holds the angle at both ends (noise, shutter and geometry left
        over, what the slope adds beyond the sightings), the instants, and stretches over which
        the turns could not be counted one by one.
    """
    seen = np.flatnonzero(noise.usable)
    if len(seen) < MIN_SIGHTINGS or not np.isfinite(noise.smooth_rad).any():
        return Revolutions(None, None, step, unseen_s)
    ends = [_angle_at(turning, noise, seen, at) for at in (start_s, stop_s)]
    turns = abs(ends[1].angle_rad - ends[0].angle_rad) / (2 * np.pi)
    swept = abs(ends[1].rate_rad_s - ends[0].rate_rad_s)  # the instants share their axis
    doubts = [swept * (NORMAL_95 * turning.offset.u if stamp_u95_s is None else stamp_u95_s)]
    doubts += [abs(end.rate_rad_s) * u95 for end, u95 in zip(ends, u95_s, strict=True)]
    doubts += [NORMAL_95 * np.sqrt(2) * _angle_doubt_rad(turning, noise)]
    doubts += [end.u95_rad for end in ends]
    doubts += [2 * _uncounted_rad(turning, noise, a, b) for a, b in _long_gaps(turning, noise)]
    u95_turns = float(np.linalg.norm(doubts)) / (2 * np.pi)
    return Revolutions(turns, u95_turns if np.isfinite(u95_turns) else None, step, unseen_s)


@dataclass(frozen=True, slots=True)
class _End:
    """Where the mark is at one end of the count."""

    angle_rad: float
    rate_rad_s: float
    u95_rad: float  # what lies beyond the sightings adds


def _angle_at(turning: Turning, noise: Noise, seen: IntArray, at_s: float) -> _End:
    """Take the angle from the smooth curve, or carry it on beyond the first or last sighting.

    What is carried on is the slowing of the sightings next to it.  Its doubt is that of their
    noise, of readout and geometry, and of the law by which a drag goes with the speed.
    """
    t = turning.time_s[seen]
    away = max(float(t[0]) - at_s, at_s - float(t[-1]), 0.0)
    length = float(np.clip(away, *CARRIED_FROM_S))
    rows = seen[np.abs(t - np.clip(at_s, t[0], t[-1])) <= length]
    if len(rows) < MIN_SIGHTINGS:  # the mark was hardly seen for longer than that
        near = np.argsort(np.abs(t - at_s), kind="stable")[:MIN_SIGHTINGS]
        rows = np.sort(seen[near])
    u, angle = weighted_u(turning, noise)[rows], turning.angle_rad[rows]
    middle_s, half = float(turning.time_s[rows].mean()), float(np.ptp(turning.time_s[rows])) / 2
    x, x_at = (turning.time_s[rows] - middle_s) / half, (at_s - middle_s) / half
    solve = np.linalg.pinv(np.vander(x, 3, increasing=True) / u[:, None]) / u
    _, rate, bend = solve @ angle
    carrying = np.vander([x_at], 3, increasing=True)[0] @ solve  # share of each sighting
    at_rate = float(rate + 2 * bend * x_at) / half
    if away <= 0.0:
        known = np.isfinite(noise.smooth_rad)
        smooth = np.interp(at_s, turning.time_s[known], noise.smooth_rad[known])
        return _End(float(smooth), at_rate, 0.0)
    random = float(np.sqrt(noise.spread) * np.linalg.norm(carrying * u))
    answers = turning.answer[int(rows[0]) : int(rows[-1]) + 1][rows - rows[0]]
    answer = carrying @ np.nan_to_num(answers).astype(float)
    left = float(np.linalg.norm(answer))
    # share of the speed, in half a window; what stands still loses nothing
    loss = -2 * float(bend) / float(rate) if abs(rate) > NO_LOSS else 0.0
    least, even, most = (_by_law(power, loss, x, angle, u, x_at) for power in POWERS)
    law = rectangular(float(max(abs(least - even), abs(most - even))))
    doubt = NORMAL_95 * float(np.linalg.norm([random, left, law]))
    return _End(even, at_rate, doubt)


def _by_law(  # noqa: PLR0913 - the law, the sightings and where to
    power: float, loss: float, x: FloatArray, angle: FloatArray, u: FloatArray, at: float
) -> float:
    """Carry an angle on while the drag goes with a power of the speed; inf past where that ends.

    Parameters
    ----------
    power : float
    loss : float
        Share of the speed that is lost in a unit of `x` about 0.
    x, angle, u : (N,) arrays
        Instants, angles and their standard uncertainties.
    at : float
        Instant asked for.
    """
    bend = (power - 1) * loss
    if 1 + bend * np.append(x, at).min() <= 0 or 1 + bend * np.append(x, at).max() <= 0:
        return float("inf")  # the speed would be endless there, or the top at rest

    def turned(t: FloatArray) -> FloatArray:
        """Integrate ``(1 + bend * t) ** (-1 / (power - 1))``, the speed's share of that at 0."""
        if abs(loss) < NO_LOSS:
            return t
        if power == 1:
            return np.asarray(-np.expm1(-loss * t) / loss)
        grown = (1 + bend * t) ** ((power - 2) / (power - 1)) - 1
        return np.asarray(grown / ((power - 2) * loss))

    design = np.column_stack([np.ones_like(x), turned(x)]) / u[:, None]
    start, speed = np.linalg.lstsq(design, angle / u, rcond=None)[0]
    return float(start + speed * turned(np.array([at]))[0])


def _angle_doubt_rad(turning: Turning, noise: Noise) -> float:
    """Return the standard uncertainty of the smooth angle at one end of the spin, rad.

    At the end of a window a quadratic through n sightings is three times less sure than a mean.
    """
    seen = noise.usable
    count = pace(seen, turning.time_s) * FIRST_WINDOW_S
    sigma = float(np.median(weighted_u(turning, noise)[seen]))
    random = 3.0 * sigma * float(np.sqrt(noise.spread / np.clip(count, 3.0, seen.sum())))
    rows = np.flatnonzero(seen)
    shape = 0.0
    for first in range(0, len(rows), ANSWER_FRAMES):
        part = rows[first : first + ANSWER_FRAMES]
        between = turning.answer[int(part[0]) : int(part[-1]) + 1]
        answer = np.nan_to_num(between[part - part[0]]).astype(float)
        shape += float(np.sum(answer**2))
    return float(np.hypot(random, np.sqrt(shape / len(rows))))


def _side(turning: Turning, noise: Noise, at_s: float, away_s: float) -> tuple[float, float]:
    """Rate and slope at one end of a stretch, from `away_s` beside it; NaN where few are seen."""
    low, high = sorted((at_s, at_s + away_s))
    rows = noise.usable & (turning.time_s >= low) & (turning.time_s <= high)
    if rows.sum() < MIN_SIGHTINGS:
        return float("nan"), float("nan")
    bend, rate, _ = np.polyfit(turning.time_s[rows] - at_s, turning.angle_rad[rows], 2)
    return float(rate), 2 * float(bend)


def _long_gaps(turning: Turning, noise: Noise) -> list[tuple[float, float]]:
    """Unseen stretches over which the turns are not surely counted one by one.

    The count is carried over a short one by rates and slopes on both sides, so it is sure only
    while the change of slope turns the mark by no more than about half a turn meanwhile.
    """
    seen = turning.time_s[noise.usable]
    gaps = [(float(a), float(b)) for a, b in zip(seen[:-1], seen[1:], strict=True)
            if b - a > SURE_GAP_S]  # fmt: skip
    return [
        (a, b)
        for a, b in gaps
        if b - a > COUNTED_GAP_S or not _bend_rad(turning, noise, a, b) < SURE_BEND_RAD
    ]


def _bend_rad(turning: Turning, noise: Noise, start_s: float, stop_s: float) -> float:
    """Return what the mean of the rates on both sides misses over an unseen stretch, rad.

    A slope that changes evenly turns the mark by its change times the length squared over twelve
    more or less than the mean rate (trapezium).  The rates are those of windows of
    `RATES_APART_S`, whose middles lie so much farther apart.  What the rates change by beyond
    the slopes on both sides happened at any instant of the stretch: a hand may have braked.
    """
    rate, slope = _side(turning, noise, start_s, -GAP_SIDE_S)
    later, slope_later = _side(turning, noise, stop_s, GAP_SIDE_S)
    length = stop_s - start_s
    beyond = later - rate - 0.5 * (slope + slope_later) * length
    bend = abs(slope_later - slope) * (length + RATES_APART_S) ** 2 / 12
    return bend + 0.5 * abs(beyond) * length


def _uncounted_rad(turning: Turning, noise: Noise, start_s: float, stop_s: float) -> float:
    """Return the standard uncertainty of the turn over an unseen stretch, rad.

    All of the bend is taken as doubt, and half a turn that was rounded away.
    """
    bend = _bend_rad(turning, noise, start_s, stop_s)
    return float("inf") if not np.isfinite(bend) else bend + 2 * np.pi / np.sqrt(12)
