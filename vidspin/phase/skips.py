"""Where does the phase step by just what the mark turns in a frame interval?

A file that was made from a faster one leaves a frame out every so often, one made from a slower
one puts some in, and both state even times.  From then on the mark is ahead, or behind, by its
own advance from frame to frame.  That step is permanent, it is known beforehand from the frames
around it, and it changes as the top slows: precession, shutter, geometry and an encoder's beat
have no part in it.  At a stand-still speed nothing steps, and nothing can be said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from vidspin.cyclic import TWO_PI, wrapped
from vidspin.phase.sides import REACH_S
from vidspin.records import BoolArray, FloatArray, IntArray

ComplexArray = NDArray[np.complex128]

SHORTEST, LONGEST = 6.0, 64.0  # frames from step to step; shorter ones are `cadence`'s
SIDE = 3  # frames before and after a step whose middles are compared
AROUND = 25  # frames that tell how fast the mark goes on just there
# What a step may be of the mark's advance from frame to frame: frames left out, or, below zero, put
# in; and of any size, which is the same from time to time: of three frames that were two, or one.
ANY = 0.0
SKIPPED = (1.0, -1.0, 2.0, ANY)
# What a single frame may be off by: the one before it, or after it, shown again, or half of each.
REPEATED = (-1.0, 1.0, -0.5, 0.5)
# Shares of the sightings that are wrong, and of frame intervals with a step anyway: single losses
# are no pattern, so that a step that is where a pattern wants it speaks 100 to 1 for it at most.
STRAY, LOST = 0.02, 0.01
BEND_RAD = 0.03  # by which the advance may be off: it changes within `AROUND`
LEAST_NOISE_RAD = 0.01  # no encoder leaves less
PIECE = 1024  # frames among which a pattern is looked for
MOST_PIECES = 16  # of a long recording, spread over it: a conversion does not stop
PHASE_STEP = 0.5  # frames between the places at which a pattern may begin
LEAST_ODDS = float(np.log(1e5))  # for a pattern against single losses, all periods together
# Smaller steps, of the mark phase, are not looked at: leftovers and coarse stamps make such.
LEAST_RAD = 0.4
# A step that stands out by itself: in standard deviations; how near it is to what lost or doubled
# frames would do, and in how many of the pairs of a frame after it and one before it: one of
# these frames may be a stray.
CLEAR_SIGMA, NEAR_SIGMA, MOST_PAIRS = 8.0, 4.0, SIDE * (SIDE - 1)
# So many in a row, nearer to each other than both sides reach by which breaks are told, are not
# told one by one.
MOST_STEPS, SIDES_S = 4, 2 * REACH_S
# Of steps that come back: how like the next each is at least (1 where all are the same), and how
# many that go the other way there may be for each.
LEAST_ALIKE, MOST_BACK = 0.5, 0.25
BURST_S = 1.0  # within which a step is taken back by frames that showed something else
STAMPED = 0.02  # of an interval: stamps that have the pattern too know of it


@dataclass(frozen=True, slots=True)
class Steps:
    """What the phase does between frames, against what lost or doubled frames would do.

    T frame intervals of one slot, in order of time.
    """

    slot: IntArray  # (T,) before it
    step_rad: FloatArray  # (T,) of the phase
    advance_rad: FloatArray  # (T,) of the mark phase from frame to frame, within half a turn
    noise_rad: FloatArray  # (T,) standard deviation of a step
    late: FloatArray  # (T,) of an interval, by which stamps after it are late against those before
    last: IntArray  # (T,) frame before it, among those of `still`
    still: ComplexArray  # (N,) unit vectors of frames, their smooth turning taken out
    multiples: tuple[float, ...] = SKIPPED

    def would_rad(self, skipped: float) -> FloatArray:
        """Step of the phase when so many frames are left out, rad, (T,)."""
        return wrapped(skipped * self.advance_rad)

    def log_odds(self, skipped: float) -> FloatArray:
        """Natural log of the odds that so many frames are missing there, each interval, (T,).

        Against noise, strays, and a share `LOST` of such steps at random; 0 where the mark comes
        back to nearly the same place, so that hardly anything would step.
        """
        none = _normal(self.step_rad, self.noise_rad)
        if skipped == ANY:
            there = (np.abs(self.step_rad) > LEAST_RAD) / TWO_PI
            at_all = (1 - STRAY) * there + STRAY / TWO_PI
            usual = (1 - STRAY - LOST) * none + STRAY / TWO_PI + LOST * there
            return np.asarray(np.log(at_all / usual))
        would = self.would_rad(skipped)
        wide = np.hypot(self.noise_rad, abs(skipped) * BEND_RAD)
        there = _normal(wrapped(self.step_rad - would), wide)
        at_all = (1 - STRAY) * there + STRAY / TWO_PI
        usual = (1 - STRAY - LOST) * none + STRAY / TWO_PI + LOST * there
        return np.where(np.abs(would) > LEAST_RAD, np.log(at_all / usual), 0.0)


_NONE, _FEW = np.zeros(0), np.zeros(0, np.int64)
NOTHING = Steps(_FEW, _NONE, _NONE, _NONE, _NONE, _FEW, np.zeros(0, np.complex128))


@dataclass(frozen=True, slots=True)
class Train:
    """Steps that come back."""

    frames: float  # from one to the next
    skipped: float  # frames left out each time; below zero put in, `ANY` not known
    off_rad: float  # of the mark phase, root mean square of the steps
    log_odds: float  # against single losses, all periods and beginnings that were tried counted


def steps_of(
    phase_rad: FloatArray, expected_rad: FloatArray, slot: IntArray, late: FloatArray
) -> Steps:
    """Compare the phase before and after every frame interval.

    Parameters
    ----------
    phase_rad, expected_rad : (N,) arrays
        Mark phase of each frame, and that of a smooth spin; NaN where not seen.
    slot : (N,) array
        Nominal frame intervals since the first frame.
    late : (N,) array
        By how much of an interval each stamp is later than its slot.
    """
    frames = _still(phase_rad, expected_rad, slot)
    if frames is None:
        return NOTHING
    seen, still, advance, noise = frames
    at = slot[seen]
    k = np.arange(SIDE - 1, len(still) - SIDE)  # last frame before
    k = k[(np.diff(at)[k] == 1) & (at[k + SIDE] - at[k - SIDE + 1] <= 2 * SIDE)]
    (before, after), (early, later) = _sides(still, k), _sides(late[seen], k)
    step = np.angle(after * before.conj())
    return Steps(at[k], step, advance[k], noise[k], (later - early).real / SIDE, k, still)


def _sides(value: FloatArray | ComplexArray, last: IntArray) -> tuple[ComplexArray, ComplexArray]:
    """Add up the frames before and after each interval."""
    sums = np.concatenate([np.zeros(1, complex), np.cumsum(value)])
    own = sums[last + 1]
    return own - sums[last + 1 - SIDE], sums[last + 1 + SIDE] - own


def strays_of(
    phase_rad: FloatArray, expected_rad: FloatArray, slot: IntArray, late: FloatArray
) -> Steps:
    """Compare every frame with those before and after it: is it another one, shown again?

    Arguments as of `steps_of`; what comes back is by how much each frame itself is off.
    """
    frames = _still(phase_rad, expected_rad, slot)
    if frames is None:
        return NOTHING
    seen, still, advance, noise = frames
    at = slot[seen]
    k = np.arange(2, len(still) - 2)
    k = k[at[k + 2] - at[k - 2] == 4]
    usual = still[k - 2] + still[k - 1] + still[k + 1] + still[k + 2]
    late = late[seen]
    off, step = late[k] - 0.5 * (late[k - 1] + late[k + 1]), np.angle(still[k] * usual.conj())
    return Steps(at[k], step, advance[k], noise[k], off, k, still, REPEATED)


def _still(
    phase_rad: FloatArray, expected_rad: FloatArray, slot: IntArray
) -> tuple[IntArray, ComplexArray, FloatArray, FloatArray] | None:
    """Frames with a phase, what its smooth turning leaves of it, its advance, and its noise.

    The last two belong to the interval after each frame but the last one.
    """
    seen = np.flatnonzero(np.isfinite(phase_rad) & np.isfinite(expected_rad))
    if len(seen) < 2 * AROUND:
        return None
    unit = np.exp(1j * (phase_rad[seen] - expected_rad[seen]))
    apart = np.diff(slot[seen])
    drift, noise = _drift(np.where(apart == 1, unit[1:] * unit[:-1].conj(), 0.0))
    still = unit * np.exp(-1j * np.concatenate([[0.0], np.cumsum(drift * apart)]))
    return seen, still, wrapped(np.diff(expected_rad[seen]) + drift), noise


def _drift(turned: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Most usual angle of unit vectors about each one, and the scatter of single ones about it.

    Those that are off count less and less: every sixth may belong to a step.
    """
    there = np.abs(turned) > 0
    weight = there.astype(float)
    usual, off = np.zeros(len(turned)), np.zeros(len(turned))
    for cut in (np.pi / 2, np.pi / 4, np.pi / 8, None, None):
        both = [uniform_filter1d(part * weight, AROUND, mode="nearest")
                for part in (turned.real, turned.imag)]  # fmt: skip
        usual = np.arctan2(both[1], both[0])
        off = wrapped(np.angle(turned) - usual)
        scatter = _scatter(off, there)
        weight = there / (1.0 + (off / (3 * scatter if cut is None else cut)) ** 2) ** 2
    return usual, _scatter(off, there)


def _scatter(off: FloatArray, there: BoolArray) -> FloatArray:
    """Usual size of what is off, in pieces, as a standard deviation."""
    out = np.empty(len(off))
    for first in range(0, len(off), PIECE):
        rows = slice(max(0, min(first, len(off) - PIECE)), first + PIECE)
        some = np.abs(off[rows][there[rows]])
        out[first : first + PIECE] = 1.4826 * float(np.median(some)) if len(some) else np.pi
    return np.maximum(out, LEAST_NOISE_RAD)


def train_of(steps: Steps) -> Train | None:
    """Find the period, whole or not, after which frames are left out or put in again.

    Parameters
    ----------
    steps : Steps

    Returns
    -------
    Train or None

    Notes
    -----
    Every period and every beginning is one supposition; a supposition's log odds are the sum of
    those at its places.  Odds are likelihood ratios, so that of suppositions that are all wrong
    one in X is ahead by X to 1: their number is what the odds are divided by.
    """
    if len(steps.slot) < 2 * AROUND:
        return None
    end = int(steps.slot[-1]) + 1
    length = min(PIECE, end - int(steps.slot[0]))
    count = min(MOST_PIECES, max(1, round(len(steps.slot) / PIECE)))
    rows = np.linspace(0, len(steps.slot), count + 1)[:-1].astype(np.int64)
    starts = np.minimum(steps.slot[rows], end - length)
    best: Train | None = None
    for skipped in steps.multiples:
        if skipped == ANY and best is not None:  # which is known more of
            break
        odds = steps.log_odds(skipped)
        for start in starts.tolist():
            low, high = np.searchsorted(steps.slot, (start, start + length))
            row = np.zeros(length + 1)
            within = steps.slot[low:high] - start
            row[within] = odds[low:high]
            most, places, tried = _most(row, length)
            log_odds = most - float(np.log(tried * len(steps.multiples) * len(starts)))
            if log_odds > max(LEAST_ODDS, -np.inf if best is None else best.log_odds):
                there = np.isin(within, places)
                would = None if skipped == ANY else steps.would_rad(skipped)[low:high]
                if _alike(steps.step_rad[low:high], there, would) and not _stamped(
                    steps.late[low:high], there
                ):
                    period = _every(row, places)
                    size = steps.step_rad[low:high][there]
                    off = float(np.sqrt(np.mean(size**2)))
                    best = Train(period, skipped, off, log_odds)
    return best


def _alike(step_rad: FloatArray, there: BoolArray, would_rad: FloatArray | None) -> bool:
    """Whether steps are the same from one to the next, and hardly any goes back.

    The extremes of a wobble come back as well, but every other one is the other way.  What the
    steps should be tells how like each other they are already; None: that is not known.
    """
    own = step_rad[there]
    if (
        would_rad is None and np.mean(np.abs(own)) > np.pi / 2
    ):  # about half a turn both ways are one
        return bool(np.mean(np.cos(np.diff(own))) > LEAST_ALIKE)
    if would_rad is None:
        if float(own[1:] @ own[:-1]) < LEAST_ALIKE * float(own @ own):
            return False
        way = np.full(len(step_rad), np.sign(float(own.sum())))
    else:
        way = np.where(np.abs(would_rad) < np.pi - LEAST_RAD, np.sign(would_rad), 0.0)
    on, back = (int(np.count_nonzero(s * way * step_rad > LEAST_RAD)) for s in (1, -1))
    return back <= MOST_BACK * on


def _most(row: FloatArray, length: int) -> tuple[float, IntArray, int]:
    """Largest sum over evenly spaced places, these places, and how many sums were tried."""
    most, best, tried = -np.inf, np.arange(0), 1
    period = SHORTEST
    while period <= min(LONGEST, length / 3):
        places = np.arange(int(length / period) + 1)[:, None] * period
        places = places + np.arange(0.0, period, PHASE_STEP)
        index = np.minimum(places.astype(np.int64), length)  # beyond the end there is nothing
        sums = row[index].sum(axis=0)
        tried += len(sums)
        high = int(np.argmax(sums))
        if sums[high] > most:
            most, best = float(sums[high]), index[:, high]
        period += PHASE_STEP * period**2 / length  # by half a frame at the end of the piece
    return most, best[best < length], tried


def _every(row: FloatArray, places: IntArray) -> float:
    """Return how far steps are apart: a line through those that are there, each where it is most.

    Sums do not tell periods apart of which the places are nearly the same.
    """
    hit = np.flatnonzero(row[places] > 0)
    near = np.clip(places[hit, None] + np.arange(-1, 2), 0, len(row) - 1)
    most = near[np.arange(len(hit)), np.argmax(row[near], axis=1)]
    return float(np.polyfit(hit, most, 1)[0])


def _stamped(late: FloatArray, there: BoolArray) -> bool:
    """Whether the stamps step as well at the places of a pattern, all one way or to and fro."""
    others = float(np.mean(np.abs(late[~there]))) if not there.all() else 0.0
    own = late[there]
    return abs(float(np.mean(own))) > STAMPED or float(np.mean(np.abs(own))) - others > STAMPED


def clear_steps(steps: Steps) -> tuple[IntArray, FloatArray]:
    """Find lost and doubled frames that stand out one by one.

    Returns
    -------
    slot, size_rad : (K,) arrays
        The frame interval of each, and the step of the mark phase.
    """
    size = np.abs(steps.step_rad)
    size = np.where(size > np.maximum(LEAST_RAD, CLEAR_SIGMA * steps.noise_rad), size, 0.0)
    some = np.flatnonzero(size)
    sides = np.arange(SIDE)
    before = steps.still[steps.last[some, None] - sides]
    after = steps.still[steps.last[some, None] + 1 + sides]
    pairs = (after[:, :, None] * before[:, None, :].conj()).reshape(len(some), SIDE**2)
    fits = np.zeros(len(some), bool)
    for skipped in (n for n in steps.multiples if n != ANY):
        would = steps.would_rad(skipped)[some]
        wide = np.hypot(steps.noise_rad[some], abs(skipped) * BEND_RAD)
        off = np.abs(np.angle(pairs * np.exp(-1j * would)[:, None]))
        near = np.sum(off < NEAR_SIGMA * wide[:, None], axis=1) >= MOST_PAIRS
        fits |= near & (np.abs(would) > LEAST_RAD)
    size[some[~fits]] = 0.0
    alone = np.flatnonzero((size > 0) & (size == maximum_filter1d(size, 2 * SIDE - 1)))
    return steps.slot[alone], steps.step_rad[alone]


def unpaired(slot: IntArray, size_rad: FloatArray, frame_rate: float) -> IntArray:
    """Leave out steps that the next one takes back: a few frames showed something else.

    Where a step is half a turn, one more is no way back; those stay.
    """
    paired = np.zeros(len(slot), bool)
    for k in range(len(slot) - 1):
        back = abs(size_rad[k] + size_rad[k + 1]) < LEAST_RAD
        if back and not paired[k] and slot[k + 1] - slot[k] < BURST_S * frame_rate:
            paired[k : k + 2] = True
    return slot[~paired]


def crowded(slot: IntArray, frame_rate: float) -> BoolArray:
    """Tell which steps have so many others about them that no side of theirs is free of steps.

    Parameters
    ----------
    slot : (K,) array
        Frame interval of each.
    frame_rate : float
        Frames a second.

    Returns
    -------
    (K,) array of bool
    """
    out = np.zeros(len(slot), bool)
    for first in range(len(slot) - MOST_STEPS + 1):
        group = slice(first, first + MOST_STEPS)
        if slot[group][-1] - slot[first] < (MOST_STEPS - 1) * SIDES_S * frame_rate:
            out[group] = True
    return out


def _normal(off: FloatArray, spread: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * (off / spread) ** 2) / (spread * np.sqrt(TWO_PI)))
