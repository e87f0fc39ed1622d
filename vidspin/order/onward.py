"""Does the spin go on where the frames come at another pace, and under which alias order?

A phone that goes from 30 frames a second to 24 in dim light aliases the spin otherwise from there
on: a slow pattern becomes another one, and no apparent speed is followed across.  The true speed
goes on smoothly.  From the last windows of a track the phase is foretold under an order, and the
frames at the other pace agree with it or they do not.  So a known order is followed on, and an
unknown one told: orders that differ by whole turns a nominal frame interval differ by a part of a
turn over another one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vidspin.cyclic import TWO_PI, wrapped
from vidspin.order.apparent import (
    CLEAR,
    FALSE_LINES,
    LEAST_OF_HALF,
    NEAR_RAD,
    WINDOW_S,
    Track,
    agreeing,
    carried,
)
from vidspin.pace import other_paces
from vidspin.records import FloatArray, IntArray

HOP_S = WINDOW_S / 2
MOST_UNSEEN_S = 2.4  # without a clear window, after which the spin counts as lost
RECENT = 5  # windows that tell where the speed is going
# How far a speed may be from where it was going: cycles of the mark a second, and a share of what
# the drag changes meanwhile.  Another order is 5 or 6 a second off at 24 or 25 frames for 30.
NEAR_HZ, SLOPE_DOUBT = 0.3, 0.3
# So near to it is a window that speaks for an order: a drag that grows with the speed bends less.
FORETOLD_HZ, FORETOLD_SLOPE = 0.12, 0.15
STEP_HZ, BEND_HZ_S, BENDS = 0.05, 0.6, 2  # of the trials; so many bends either way
JUMP_RAD = 1.5  # of the phase foretold for a window; farther is another spin
LEAST_FRAMES = 12  # of a window
ANCHOR = 24  # frames before a change that say where it lies among the nominal intervals
ASKED = 6  # windows beyond a change that are asked for the order
AGREE = 2  # of them, at least, under the best one


@dataclass(frozen=True, slots=True)
class Spots:
    """What the frames show, whatever the order; N frames."""

    time_s: FloatArray
    phase_rad: FloatArray  # marks * angle, up to whole turns
    weight: FloatArray  # 0 where not seen
    slot: IntArray  # nominal frame intervals
    frame_rate: float


@dataclass(frozen=True, slots=True)
class _Windows:
    """Phase and growth of the mark phase under an order, in order of time."""

    at_s: tuple[float, ...]
    hertz: tuple[float, ...]  # cycles of the mark phase a second
    phase_rad: tuple[float, ...]  # continuous
    coherence: tuple[float, ...]

    def with_one(self, way: int, one: tuple[float, float, float, float]) -> _Windows:
        """Put one more window behind the last or before the first."""
        columns = (self.at_s, self.hertz, self.phase_rad, self.coherence)
        pairs = zip(columns, one, strict=True)
        return _Windows(*((*c, v) if way > 0 else (v, *c) for c, v in pairs))


def followed(track: Track, order: int, spots: Spots) -> tuple[Track, FloatArray] | None:
    """Follow a spin of known order into stretches at another pace, and beyond them.

    Parameters
    ----------
    track : Track
        Followed at the nominal pace.
    order : int
        Whole turns of the mark phase a nominal frame interval.
    spots : Spots

    Returns
    -------
    (Track, (N,) array) or None
        The longer track, and the nominal frame intervals at each frame, parts of them where
        the pace is another one: an order adds so many of its turns.  None where there is no
        other pace, or the spin does not go on there.
    """
    own = _own(track, spots)
    if own is None:
        return None
    low, high = own
    slot = _slots_beyond(spots, low, high)
    smooth = track.expected_rad + TWO_PI * order * slot
    known = _windows_of(track, order, spots, smooth, own)
    if known is None:
        return None
    wide, clear = _beyond(track, spots, known, own)
    if clear < AGREE:
        return None
    t, at = spots.time_s, np.array(wide.at_s)
    ahead = carried(t, at, np.array(wide.phase_rad), TWO_PI * np.array(wide.hertz))
    frames = np.arange(len(t))
    tracked = (frames >= low) & (frames <= high) & np.isfinite(smooth)
    # beyond its outermost windows a track is a guess; what was found there knows better
    ahead = np.where(tracked & (t >= known.at_s[0]) & (t <= known.at_s[-1]), smooth, ahead)
    off = wrapped(spots.phase_rad - ahead)
    off = np.where(spots.weight > 0, off, np.nan)
    first, last = (int(k) for k in np.flatnonzero(tracked)[[0, -1]])
    reach = np.flatnonzero((t >= at[0] - HOP_S) & (t <= at[-1] + HOP_S))
    size = max(2, round(WINDOW_S * spots.frame_rate))
    begin, end = agreeing(off, slot, min(int(reach[0]), first), max(int(reach[-1]), last), size)
    begin, end = min(begin, first), max(end, last)
    inside = (frames >= begin) & (frames <= end)
    expected = np.where(inside, ahead - TWO_PI * order * slot, np.nan)
    phase = expected + off
    rate = np.array(wide.hertz) / spots.frame_rate - order
    return Track(begin, end, at, rate, np.array(wide.coherence), phase, expected), slot


def told(track: Track, orders: Sequence[int], spots: Spots) -> dict[int, int] | None:
    """Ask with which orders the frames at another pace agree.

    Parameters
    ----------
    track : Track
        Followed at the nominal pace.
    orders : sequence of int
        Whole turns of the mark phase a nominal frame interval.
    spots : Spots

    Returns
    -------
    dict of int to int, or None
        In how many windows, next to the track and wholly at another pace, the phase goes on
        under each order; None where too few of them are clear under any.
    """
    own = _own(track, spots)
    if own is None:
        return None
    met = {}
    for order in orders:
        smooth = track.expected_rad + TWO_PI * order * spots.slot
        known = _windows_of(track, order, spots, smooth, own)
        if known is None:
            return None
        met[order] = _beyond(track, spots, known, own, ASKED)[1]
    return met if met and max(met.values()) >= AGREE else None


def _own(track: Track, spots: Spots) -> tuple[int, int] | None:
    """First and last frame of the stretch at the nominal pace in which the track lies."""
    edges = other_paces(spots.time_s, 1.0 / spots.frame_rate)
    middle = float(np.median(track.window_s))
    if not edges or any(a < middle < b for a, b in edges):
        return None
    begin = max((b for _, b in edges if b <= middle), default=-np.inf)
    end = min((a for a, _ in edges if a >= middle), default=np.inf)
    rows = np.flatnonzero((spots.time_s >= begin) & (spots.time_s <= end))
    return int(rows[0]), int(rows[-1])


def _slots_beyond(spots: Spots, low: int, high: int) -> FloatArray:
    """Nominal intervals at each frame; before `low` and after `high` by the stamps alone."""
    slot, passed = spots.slot.astype(np.float64), spots.time_s * spots.frame_rate
    late = passed - slot
    slot[high + 1 :] = passed[high + 1 :] - np.median(late[max(low, high - ANCHOR) : high + 1])
    slot[:low] = passed[:low] - np.median(late[low : min(high, low + ANCHOR) + 1])
    return slot


def _windows_of(
    track: Track, order: int, spots: Spots, smooth: FloatArray, own: tuple[int, int]
) -> _Windows | None:
    """Take the windows of a track that lie wholly at the nominal pace."""
    begin, end = (float(spots.time_s[k]) for k in own)
    at = track.window_s
    inside = (at >= begin + HOP_S) & (at <= end - HOP_S)
    known = np.isfinite(smooth)
    if inside.sum() < 2 or not known.any():
        return None
    at = at[inside]
    phase = np.interp(at, spots.time_s[known], smooth[known])
    hertz = (track.cycles_per_slot[inside] + order) * spots.frame_rate
    return _Windows(
        tuple(at.tolist()), tuple(hertz.tolist()), tuple(phase.tolist()),
        tuple(track.coherence[inside].tolist()),
    )  # fmt: skip


def _beyond(
    track: Track, spots: Spots, known: _Windows, own: tuple[int, int], most: int | None = None
) -> tuple[_Windows, int]:
    """Carry windows over the ends that a change of pace made; how many lie wholly beyond."""
    t, (low, high) = spots.time_s, own
    wide = known
    if high < len(t) - 1 and t[high] - t[min(track.last, high)] < WINDOW_S:
        wide = _carried(spots, wide, 1, most)
    if low > 0 and t[max(track.first, low)] - t[low] < WINDOW_S:
        wide = _carried(spots, wide, -1, most)
    beyond = [
        _as_foretold(known, at, hertz)
        for at, hertz in zip(wide.at_s, wide.hertz, strict=True)
        if at - HOP_S > t[high] or at + HOP_S < t[low]
    ]
    return wide, sum(beyond)


def _as_foretold(known: _Windows, at_s: float, hertz: float) -> bool:
    """Whether a window's speed is where the track was going when it met the change."""
    edge = -1 if at_s > known.at_s[-1] else 0
    slope, ahead = _slope(known, edge), at_s - known.at_s[edge]
    allowed = FORETOLD_HZ + FORETOLD_SLOPE * abs(slope * ahead)
    return abs(hertz - known.hertz[edge] - slope * ahead) <= allowed


def _slope(known: _Windows, edge: int) -> float:
    """Change of the speed at the last windows (-1) or the first ones (0), hertz a second."""
    recent = slice(-RECENT, None) if edge else slice(0, RECENT)
    at, hertz = np.array(known.at_s[recent]), np.array(known.hertz[recent])
    return float(np.polyfit(at - at[edge], hertz, 1)[0])


def _carried(spots: Spots, known: _Windows, way: int, most: int | None = None) -> _Windows:
    """Add windows beyond an end as long as the phase goes on as foretold."""
    while most is None or most > 0:
        one = _next(spots, known, way)
        if one is None:
            break
        known = known.with_one(way, one)
        most = None if most is None else most - 1
    return known


def _next(spots: Spots, known: _Windows, way: int) -> tuple[float, float, float, float] | None:
    """Find the next clear window beyond an end: instant, cycles a second, phase, coherence."""
    edge = -1 if way > 0 else 0
    slope = _slope(known, edge)
    for hop in range(1, round(MOST_UNSEEN_S / HOP_S) + 1):
        ahead = way * hop * HOP_S
        foretold = known.hertz[edge] + slope * ahead, slope
        phase = known.phase_rad[edge] + TWO_PI * (
            known.hertz[edge] * ahead + 0.5 * slope * ahead**2
        )
        one = _window(spots, known.at_s[edge] + ahead, foretold, phase, abs(slope * ahead))
        if one is not None:
            return one
    return None


def _window(
    spots: Spots, at_s: float, foretold: tuple[float, float], phase_rad: float, change_hz: float
) -> tuple[float, float, float, float] | None:
    """Look about an instant for a phase that goes on as foretold; None where none is clear."""
    rows = slice(*np.searchsorted(spots.time_s, [at_s - HOP_S, at_s + HOP_S]))
    x, weight = spots.time_s[rows] - at_s, spots.weight[rows]
    seen = weight > 0
    halves = np.count_nonzero(seen & (x < 0)), np.count_nonzero(seen & (x >= 0))
    if len(x) < LEAST_FRAMES or min(halves) < LEAST_OF_HALF * len(x) / 2:
        return None
    hertz, slope = foretold
    left = spots.phase_rad[rows] - phase_rad - TWO_PI * (hertz * x + 0.5 * slope * x**2)
    reach = NEAR_HZ + SLOPE_DOUBT * change_hz
    off = np.arange(-reach, reach + STEP_HZ / 2, STEP_HZ)
    bend = np.arange(-BENDS, BENDS + 1) * BEND_HZ_S
    turned = np.exp(1j * left) * weight
    straight = np.exp(-1j * TWO_PI * off[:, None] * x)
    bent = np.exp(-1j * np.pi * bend[:, None] * x**2)
    found = (straight[:, None] * bent * turned).sum(axis=2) / weight.sum()
    i, j = np.unravel_index(int(np.argmax(np.abs(found))), found.shape)
    coherence, trials = float(np.abs(found[i, j])), found.size / FALSE_LINES
    if coherence < max(CLEAR, float(np.sqrt(np.log(trials) / seen.sum()))):
        return None
    fit = np.array([np.angle(found[i, j]), off[i], bend[j]])
    design = np.stack([np.ones_like(x), TWO_PI * x, np.pi * x**2], 1)
    rest = wrapped(left - design @ fit)
    near = seen & (np.abs(rest) < NEAR_RAD)
    fit += np.linalg.lstsq(design[near], rest[near], rcond=None)[0]
    if abs(fit[0]) > JUMP_RAD:
        return None
    return at_s, hertz + float(fit[1]), phase_rad + float(fit[0]), coherence
