"""Is anything shown twice: a picture held, or a stretch of the spin played again?

A held picture stops the mark where a spinning mark cannot stop.  A stretch that is played
again brings its noise again: what is left of the mark angle and of the top's place when all
that is smooth and all that goes with the angle is taken out is new in every frame that a
camera takes, and equal in a copy, also after another compression.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vidspin.cyclic import TWO_PI, wrapped
from vidspin.records import BoolArray, FloatArray

SAME_PICTURE = 0.9995  # share of equal picture elements from which two pictures are one
STANDS_SIGMA = 4.5  # standard uncertainties within which the mark has not moved
MOVES_SIGMA = 9.0  # and by which it should have
MOVES_LEAST = 0.15  # rad
HELD_FRAMES = 3  # frames in a row that a mark stands by chance or by a dropped frame's double
USUAL_S = 8.0  # over which the usual rate is taken
BESIDE = 10  # steps on either side of a standing mark that tell how it turns there
BESIDE_SEEN = 4  # of which so many must be seen
BESIDE_ALIKE = 0.7  # resultant length of those steps; uneven times spread them
SLOWEST = 0.05  # rad a frame on both sides; slower ones are near a stand-still
STOOD_RAD = 0.6  # by which the mark would have gone on meanwhile, at least
STOOD_SIGMA = 1.5  # a step on either side against the scatter of the steps there
STOOD_LOG_ODDS = 30.0  # against steps that are so small by chance, e^30 among millions of runs
ALIKE_RANK = 0.95  # of all frames' likeness to the one before; that of held ones is above it
HARMONICS = 6
LOCAL_FRAMES = 360  # in which what goes with the mark angle is taken out
BLOCK = 48  # frames of a stretch that are compared
LEAST_BLOCK = 16
MOST_LAG = 3600  # frames that a stretch is looked for backwards; farther only on suspicion
# Of a chance likeness among some ten millions 5.5 is the largest; what goes with the mark angle
# comes back after whole turns and reached 8.1 in the bench; clear copies have 9 and more.
BLIND_SIGMA = 8.8
ASKED_SIGMA = 6.0
ALIKE = 0.35  # correlation of copies after strong compression; unlike frames have less than 0.15
ALONE = 0.7  # of the best likeness, above which a second one means that likeness is cheap
CLIP = 5.0
Features = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Held:
    """Frames that show the picture of the frame before them."""

    first: int
    last: int  # inclusive
    alike: bool = True  # the pictures are unusually like each other: they are held for sure

    @property
    def count(self) -> int:
        """How many frames."""
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True)
class Replay:
    """A stretch that was shown before."""

    at: int  # first frame found alike
    lag: int  # frames from the original to the copy
    correlation: float
    sigma: float


def held_frames(  # noqa: PLR0913 - columns of the same frames
    time_s: FloatArray,
    angle_rad: FloatArray,
    u_rad: FloatArray,
    omega_rad_s: FloatArray,
    same: FloatArray | None,
    *,
    period_rad: float,
) -> tuple[Held, ...]:
    """Find frames in which the mark stands still though it should have moved.

    Parameters
    ----------
    time_s, angle_rad, u_rad, omega_rad_s : (N,) arrays
        Frame times, mark angles (NaN where not seen), their uncertainty, and the signed speed
        (under any alias order).
    same : (N,) array or None
        Share of the picture that equals that of the frame before.
    period_rad : float
        Mark spacing.

    Returns
    -------
    tuple of Held
        Single frames only where the whole picture is the same.  Where the pictures of a run are
        no more alike than usual, what covers the mark was taken for it.

    Notes
    -----
    Near a stand-still speed the mark does stand: nothing can be said there, and nothing is.
    """
    n = len(time_s)
    if n < 3:
        return ()
    step = np.diff(time_s)
    usual = _usual_rate(time_s, omega_rad_s)
    ahead = wrapped(0.5 * (usual[1:] + usual[:-1]) * step, period_rad)
    moved = wrapped(np.diff(angle_rad), period_rad)
    u = np.hypot(u_rad[1:], u_rad[:-1])
    # coarse or uneven times make the advance less sure than the sightings are
    off = wrapped(moved - ahead, period_rad)
    off = off[np.isfinite(off)]
    scatter = 1.4826 * float(np.median(np.abs(off))) if len(off) else 0.0
    with np.errstate(invalid="ignore"):
        should = np.abs(ahead) > np.maximum(MOVES_SIGMA * np.maximum(u, scatter), MOVES_LEAST)
        stands = should & (np.abs(moved) < STANDS_SIGMA * u)
        equal = np.zeros(n - 1, bool) if same is None else same[1:] >= SAME_PICTURE
        equal &= should & (np.abs(moved) < 0.5 * np.abs(ahead))
    found = []
    label, _ = ndimage.label(stands | equal)
    for where in ndimage.find_objects(label):
        first, stop = where[0].start, where[0].stop
        whole = bool(equal[first:stop].all())
        if stop - first >= HELD_FRAMES or whole:
            found.append(Held(first + 1, stop, whole or _unusually_alike(same, first, stop)))
    return tuple(found)


def _unusually_alike(same: FloatArray | None, first: int, stop: int) -> bool:
    """Whether frames after `first` to `stop` are as like the ones before as few others are.

    A mark that stands in pictures with noise of their own is no held picture: something else was
    taken for it.  A long run makes what is usual itself.
    """
    if same is None or stop - first >= (1 - ALIKE_RANK) * len(same):
        return True
    usual = float(np.quantile(same, ALIKE_RANK))
    return float(np.median(same[first + 1 : stop + 1])) >= usual


def frozen(same: FloatArray | None, beside: BoolArray) -> tuple[Held, ...]:
    """Find runs of equal pictures beside the spin, where no mark turns that could stand still.

    Parameters
    ----------
    same : (N,) array or None
        Share of the picture that equals that of the frame before.
    beside : (N,) bool array
        Frames that are asked.

    Returns
    -------
    tuple of Held
        Of `HELD_FRAMES` and more, between frames that change as much as is usual: where nothing
        moves an encoder makes pictures equal, and they go on with hardly a change.
    """
    if same is None or len(same) < HELD_FRAMES + 2:
        return ()
    usual = float(np.median(same))
    label, _ = ndimage.label((same >= SAME_PICTURE) & beside)
    found = []
    for where in ndimage.find_objects(label):
        first, stop = where[0].start, where[0].stop
        inside = first >= 2 and stop < len(same)  # before the first one nothing is known to move
        if inside and stop - first >= HELD_FRAMES and max(same[first - 1], same[stop]) <= usual:
            found.append(Held(first, stop - 1))
    return tuple(found)


def stopped(
    angle_rad: FloatArray, u_rad: FloatArray, same: FloatArray | None, *, period_rad: float
) -> tuple[Held, ...]:
    """Find runs of frames in which the mark stands while it turns alike before and after.

    Parameters
    ----------
    angle_rad, u_rad : (N,) arrays
        Mark angles (NaN where not seen) and their uncertainty.
    same : (N,) array or None
        Share of the picture that equals that of the frame before; a run counts only where it
        is unusually large.
    period_rad : float
        Mark spacing.

    Returns
    -------
    tuple of Held

    Notes
    -----
    Asks neither for a track nor for frame times, so that a long stop that breaks the track is
    found too, as is a stop where single steps scatter much, as long as they are many.  A mark
    that passes a stand-still speed turns the other way after it, and is left alone.
    """
    if len(angle_rad) < 3:
        return ()
    moved = wrapped(np.diff(angle_rad), period_rad)
    u = np.hypot(u_rad[1:], u_rad[:-1])
    with np.errstate(invalid="ignore"):
        label, _ = ndimage.label(np.abs(moved) < STANDS_SIGMA * u)
    found = []
    for where in ndimage.find_objects(label):
        first, stop = where[0].start, where[0].stop
        if stop - first < HELD_FRAMES or not _unusually_alike(same, first, stop):
            continue
        sides = (moved[max(0, first - BESIDE) : first], moved[stop : stop + BESIDE])
        if _stood(moved[first:stop], u[first:stop], sides, period_rad):
            found.append(Held(first + 1, stop))
    return tuple(found)


def _stood(
    moved: FloatArray, u: FloatArray, sides: tuple[FloatArray, FloatArray], period: float
) -> bool:
    """Whether a run of small steps lies between two stretches that turn alike."""
    turns = []
    for side in sides:
        seen = side[np.isfinite(side)]
        if len(seen) < BESIDE_SEEN:
            return False
        wave = np.exp(1j * TWO_PI / period * seen).mean()
        alike = min(float(abs(wave)), 1.0)  # rounding may leave more of equal vectors
        if alike < BESIDE_ALIKE:
            return False
        spread = float(np.sqrt(-2 * np.log(alike))) * period / TWO_PI
        turns.append((float(np.angle(wave)) * period / TWO_PI, spread))
    (before, s0), (after, s1) = turns
    step = min(abs(before), abs(after))
    same = abs(float(wrapped(np.array([before - after]), period)[0])) < 0.5 * step
    scatter = max(s0, s1, float(np.median(u)))
    size = len(moved)
    stands = abs(moved.sum()) < 0.25 * step * size and float(np.median(np.abs(moved))) < 0.25 * step
    z = step / scatter
    # a step scattered so lies within what counts as standing with this probability
    inside = 2 * STANDS_SIGMA * float(np.median(u)) / (np.sqrt(TWO_PI) * scatter)
    unlike = size * (0.5 * z**2 - np.log(min(inside, 1.0))) > STOOD_LOG_ODDS and z > STOOD_SIGMA
    return bool(same and stands and unlike and step > SLOWEST and step * size > STOOD_RAD)


def together(*runs: tuple[Held, ...]) -> tuple[Held, ...]:
    """Join what several looks found; runs that overlap become one."""
    out: list[Held] = []
    for one in sorted((h for some in runs for h in some), key=lambda h: h.first):
        if out and one.first <= out[-1].last + 1:
            before = out[-1]
            last, alike = max(before.last, one.last), before.alike or one.alike
            out[-1] = Held(before.first, last, alike)
        else:
            out.append(one)
    return tuple(out)


def _usual_rate(time_s: FloatArray, omega: FloatArray) -> FloatArray:
    """Median of the speed over some seconds: what a held picture does to it goes."""
    pace = max(float(np.median(np.diff(time_s))), 1e-6)
    every = max(1, int(0.1 / pace))
    thin = omega[::every]
    size = 2 * int(USUAL_S / (every * pace) / 2) + 1
    smooth = ndimage.median_filter(thin, min(size, 2 * (len(thin) // 2) + 1), mode="nearest")
    return np.asarray(np.interp(time_s, time_s[::every], smooth))


# ------------------------------------------------------------------------- stretches


def features(
    time_s: FloatArray,
    angle_rad: FloatArray,
    omega_rad_s: FloatArray,
    places: Sequence[FloatArray],
    *,
    period_rad: float,
) -> Features:
    """Take what is new in every frame out of the mark angle and the places of the top.

    Parameters
    ----------
    time_s, angle_rad, omega_rad_s : (N,) arrays
    places : sequence of (N,) arrays
        Such as x and y of the top's centre.
    period_rad : float

    Returns
    -------
    (C, N) array
        Unit scatter, 0 where there is nothing.
    """
    ahead = 0.5 * (omega_rad_s[1:] + omega_rad_s[:-1]) * np.diff(time_s)
    step = wrapped(np.diff(angle_rad) - ahead, period_rad)
    smooth = np.concatenate([[0.0], np.nancumsum(step)])
    del ahead, step
    smooth[~np.isfinite(angle_rad)] = np.nan
    marks = TWO_PI / period_rad
    values = (smooth, *places)
    out = np.zeros((len(values), len(time_s)), np.float32)
    for first in range(0, len(time_s), LOCAL_FRAMES):
        rows = slice(first, first + LOCAL_FRAMES)
        angle = angle_rad[rows]
        waves = [f(h * marks * angle) for h in range(1, HARMONICS + 1) for f in (np.cos, np.sin)]
        design = np.nan_to_num(np.column_stack([np.ones(len(angle)), *waves]))
        for column, value in zip(out, values, strict=True):
            column[rows] = _noise_of(_bend_of(value, rows), design, np.isfinite(angle))
    return out


def _bend_of(value: FloatArray, rows: slice) -> FloatArray:
    """Second difference in some rows; NaN at both ends of all."""
    first, last, _ = rows.indices(len(value))
    bend = np.full(last - first, np.nan)
    low, high = max(first, 1), min(last, len(value) - 1)
    if high > low:
        near = value[low - 1 : high + 1]
        bend[low - first : high - first] = near[1:-1] - 0.5 * (near[:-2] + near[2:])
    return bend


def _noise_of(bend: FloatArray, design: FloatArray, seen: BoolArray) -> FloatArray:
    """Second difference without what goes with the mark angle, clipped, of unit scatter."""
    good = np.isfinite(bend) & seen
    if good.sum() < 2 * design.shape[1]:
        return np.zeros(len(bend))
    size = 1.4826 * float(np.median(np.abs(bend[good] - np.median(bend[good])))) + 1e-12
    good &= np.abs(bend) < 6 * size
    if good.sum() < 2 * design.shape[1]:
        return np.zeros(len(bend))
    fit = np.linalg.lstsq(design[good], bend[good], rcond=None)[0]
    left = np.where(good, bend - design @ fit, 0.0)
    scatter = float(np.sqrt((left[good] ** 2).mean())) + 1e-12
    return np.asarray(np.clip(left / scatter, -CLIP, CLIP))


def find_replay(marks: Features, suspected: Sequence[tuple[int, int, int]] = ()) -> Replay | None:
    """Find a stretch that was shown before.

    Parameters
    ----------
    marks : (C, N) array
        From `features`.
    suspected : sequence of (frame, shortest lag, longest lag)
        Where the spin itself jumps back, and by how many frames.

    Returns
    -------
    Replay or None
        The clearest.
    """
    best: Replay | None = None
    for at, low, high in suspected:
        # a copy is no longer than the time that the spin goes back
        size = int(np.clip(low, LEAST_BLOCK, BLOCK))
        for start in (at + 1, at + 1 - size):  # it may lie on either side of the jump
            found = _alike(marks, start, max(low, 1), high, size)
            if found is not None and found.sigma > ASKED_SIGMA:
                best = found if best is None or found.sigma > best.sigma else best
    if best is not None:
        return best
    for start in range(BLOCK, marks.shape[1] - BLOCK, BLOCK):
        found = _alike(marks, start, BLOCK // 2, min(start, MOST_LAG))
        if found is not None and found.sigma > BLIND_SIGMA:
            best = found if best is None or found.sigma > best.sigma else best
    return best


def _alike(marks: Features, start: int, low: int, high: int, size: int = BLOCK) -> Replay | None:
    """Compare a block with everything `low` to `high` frames before it."""
    high = min(high, start)
    stop = start + size
    if start < 1 or high < low or stop > marks.shape[1]:
        return None
    block = marks[:, start:stop].astype(np.float64)
    past = marks[:, start - high : stop - low].astype(np.float64)
    # rows of `past` from its beginning are lag `high`, `high` - 1, ... `low`
    # squared before it is spread out: all windows at once are far too much to write down
    windows, squares = (
        np.lib.stride_tricks.sliding_window_view(x, size, axis=1) for x in (past, past**2)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        power = np.sqrt(squares.sum(2) * (block**2).sum(1)[:, None])
        rho = np.einsum("clb,cb->cl", windows, block) / power
    rho = np.where(power > 0.3 * size, rho, 0.0)
    used = np.count_nonzero(power > 0.3 * size, axis=0)
    joint = rho.sum(0) * np.sqrt(size / np.maximum(used, 1))
    k = int(np.argmax(joint))
    mean = float(rho[:, k].sum() / max(used[k], 1))
    alike = np.count_nonzero(rho[:, k] > ALIKE)
    # a lamp's beat or a wobble is like itself at many lags, a copy at one
    others = np.delete(joint, slice(max(0, k - 3), k + 4))
    alone = len(others) == 0 or float(others.max()) < ALONE * joint[k]
    if mean < ALIKE or alike < min(2, len(marks)) or not alone:
        return None
    return Replay(start, high - k, mean, float(joint[k]))
