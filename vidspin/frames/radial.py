"""Where across its ring does the mark lie, all round, and what does that say of the ellipse?

A ring that lies beside the mark's true path puts the seen angle off, and a rolling shutter puts it
off alike: at nearly one speed the angles alone cannot tell the one from the other.  But where the
ring is misplaced the mark also comes nearer to its middle on one side than on the other, and no
shutter does that.  With z = r exp(i E) the mark in units of the ring and M its true angle::

    ring beside the path by c:   z = exp(i M) - c                r = 1 - Re(c exp(-i M))
                                                             E - M =   - Im(c exp(-i M))
    ring too flat or tilted, q:  z = exp(i M) + q exp(-i M)      r = 1 + Re(q exp(-2i M))
                                                             E - M =     Im(q exp(-2i M))

so that each harmonic of the radius, (a, b) for cosine and sine, is one of the angle, (b, -a).
Some frames are unrolled to the whole width of the ring for this.  In them a picture that turns, in
a picture that stands, is learnt for all radii, and its shift along the radius is one linear fit;
what light, shutter and a lean do to the turning picture all round is fitted beside it.

Notes
-----
Own derivation, tested on simulated rings.  What perspective does to the angle is not seen so: it
moves the axis off the middle of the path and leaves the path an ellipse (`geometry` allows for it).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import scipy.fft as sfft
from numpy.typing import NDArray

from vidspin.cyclic import TWO_PI
from vidspin.records import BoolArray, Float32Array, FloatArray

ANGLES, RADII = 128, 24  # of an unrolled frame
BESIDE = 0.25  # ring radii to both sides of the mark's band that are looked at
MOST_KEPT = 800  # frames of a recording: some of them show the spin
MOST_USED, LEAST_USED = 120, 40
CLEAR, NEAR = 4.0, 2  # standard deviations of the picture that turns; elements beside them
GOLDEN = 0.6180339887498949  # places of frames that keep step with nothing that turns
BLOCKS = 10  # of frames in time, left out one by one
LEAST_SPREAD = 0.3  # of a harmonic's phase over the frames; below, it stands
OUTLYING = 2.5  # of the usual misfit of a frame
LIGHT_SLOPE = 0.2  # usual change of the light over a ring radius, one side against the other
CHUNK = 16  # frames that are worked on at a time
MAIN = 4  # harmonics that are asked for: cosine and sine of the first and the second
ANGLE, LIGHT = slice(2 * MAIN, 3 * MAIN), slice(-MAIN, None)  # the same of these, among the columns
# From harmonics of the radius to those of the angle, by the module's head.
SWAP = np.array(
    [[0.0, 1.0, 0.0, 0.0], [-1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0], [0.0, 0.0, -1.0, 0.0]]
)
ROUNDS, SETTLED = 8, 0.004  # of the linear fit; ring radii by which the last one may move

APART_RAD, MOST_APART_RAD, APART_TURNS = 0.1, 1.01, 12  # what is tried of equal marks

Stack = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Unrolled:
    """Some frames unrolled to the width of the ring; M frames."""

    frame: NDArray[np.int64]  # (M,) which ones
    levels: NDArray[np.float16]  # (M, RADII, ANGLES) grey levels, in the still's light
    radii: FloatArray  # (RADII,) in ring units


@dataclass(frozen=True, slots=True)
class Beside:
    """What the mark's radius says of the angle, in harmonics along the ring's axes."""

    angle_rad: FloatArray  # (4,) cosine and sine, first and second harmonic: seen minus true
    covariance: FloatArray  # (4, 4) of what chance did
    frames: int  # that were used
    marks: int = 1
    length: float = 0.0  # of the mark along the radius, ring radii
    width_rad: float = 0.0  # of one mark round the ring, as smeared


def radii_of(inner: float, outer: float, farthest: float) -> FloatArray:
    """Radii to unroll about a mark's band, ring units, (RADII,)."""
    return np.linspace(max(0.3, inner - BESIDE), min(outer + BESIDE, farthest), RADII)


class WideFrames:
    """Keeps some frames of a pass, unrolled, spread over a recording of about so many frames."""

    def __init__(self, expected: int) -> None:
        self._gap = max(1.0, expected / MOST_KEPT)
        self._next = 0
        self._frames: list[int] = []
        self._levels: list[NDArray[np.float16]] = []

    def wants(self, frame: int) -> bool:
        """Whether a frame is one of them."""
        return frame >= self._next

    def add(self, frame: int, levels: Float32Array | None) -> None:
        """Keep a frame's (RADII, ANGLES) grey levels, if there are any."""
        if levels is None:
            return
        self._frames.append(frame)
        self._levels.append(levels.astype(np.float16))
        count = len(self._frames)
        if count == 2 * MOST_KEPT:  # it is longer than was expected
            self._frames, self._levels = self._frames[::2], self._levels[::2]
            self._gap *= 2
            count //= 2
        self._next = max(frame + 1, int((count + np.mod(count * GOLDEN, 1.0)) * self._gap))

    def state(self) -> dict[str, NDArray[Any]]:
        """Give what was kept, for a checkpoint."""
        return {"wide": np.array(self._levels), "wide_frames": np.array(self._frames, np.int64),
                "wide_next": np.array([self._next, self._gap])}  # fmt: skip

    def go_on(self, state: Mapping[str, NDArray[Any]]) -> None:
        """Take up what `state` gave."""
        self._levels = list(state["wide"])
        self._next, self._gap = int(state["wide_next"][0]), float(state["wide_next"][1])
        self._frames = [int(k) for k in state["wide_frames"]]

    def unrolled(self, radii: FloatArray) -> Unrolled:
        """Put it together when the pass is over."""
        levels = np.array(self._levels, np.float16).reshape(-1, RADII, ANGLES)
        return Unrolled(np.array(self._frames, np.int64), levels, radii)


def ring_beside(
    unrolled: Unrolled, seen_rad: FloatArray, good: BoolArray, *, marks: int, tilt_rad: float
) -> Beside | None:
    """Tell how the ring lies beside the mark's path from the mark's radius.

    Parameters
    ----------
    unrolled : Unrolled
    seen_rad : (N,) array
        Angle of the mark as seen in each frame of the recording.
    good : (N,) array
        Frames in which it was seen well.
    marks : int
    tilt_rad : float
        Of the ring's major axis.

    Returns
    -------
    Beside or None
        None where too few frames or too few places tell of it.
    """
    use = np.flatnonzero(good[unrolled.frame] & np.isfinite(seen_rad[unrolled.frame]))
    use = use[:: -(-len(use) // MOST_USED) or 1]
    if len(use) < LEAST_USED:
        return None
    spread = np.stack([_softened(levels) for levels in unrolled.levels[use]])
    phi = seen_rad[unrolled.frame[use]]
    angle = np.zeros(MAIN) if marks == 1 else _apart(spread, phi, marks, tilt_rad)
    radius, radii = np.zeros(MAIN), unrolled.radii
    straight = _straightened(spread, radii, (radius, angle), tilt_rad)
    picture = _turning(straight, phi, marks)
    if picture is None:
        return None
    misfit = np.array([float(np.std(left)) for left in _left(straight, phi, picture)])
    keep = misfit <= OUTLYING * np.median(misfit)
    if keep.sum() < LEAST_USED:
        return None
    spread, phi = spread[keep], phi[keep]
    for _ in range(ROUNDS):
        straight = _straightened(spread, radii, (radius, angle), tilt_rad)
        again = _turning(straight, phi, marks)
        found = None if again is None else _fitted(straight, phi, again, radii, tilt_rad)
        if found is None:
            return None
        moved = found.angle if marks > 1 else np.zeros(MAIN)  # a frame has one mark's angle itself
        radius, angle = radius + found.radius, angle + moved
        if max(np.abs(found.radius).max(), np.abs(moved).max()) < SETTLED:
            assert again is not None
            swap, (length, width) = SWAP / found.middle, _extent(again, radii, marks)
            return Beside(
                swap @ radius, swap @ found.covariance @ swap.T, len(phi), marks, length, width
            )
    return None


def _extent(picture: _Picture, radii: FloatArray, marks: int) -> tuple[float, float]:
    """Length of a mark along the radius, and width round the ring (rad), both at half height."""
    shape = np.abs(sfft.irfft(picture.turning, ANGLES, axis=1))
    long = (shape.max(1) > 0.5 * shape.max()).sum() * (radii[1] - radii[0])
    wide = (shape.max(0) > 0.5 * shape.max()).sum() * (TWO_PI / ANGLES) / marks
    return float(long), float(wide)


def _apart(levels: Stack, phi: FloatArray, marks: int, tilt_rad: float) -> FloatArray:
    """Look for what shutter and ring put equal marks apart by, from far enough off; (MAIN,).

    A frame has one angle for all of its marks, which are off it by more than their width where
    the shutter is slow.  The first harmonic is tried that makes the picture that turns sharpest.
    """
    band = levels[:, RADII // 3 : -(RADII // 3)].mean(1, keepdims=True)
    trials = [np.zeros(MAIN)]
    for size in np.arange(APART_RAD, MOST_APART_RAD, APART_RAD):
        turns = np.arange(APART_TURNS) * (TWO_PI / APART_TURNS)
        trials += [np.append(size * np.array([np.cos(t), np.sin(t)]), (0.0, 0.0)) for t in turns]
    sharp = []
    for trial in trials:
        at = np.arange(ANGLES) + trial @ _round(tilt_rad) * (ANGLES / TWO_PI)
        low = np.floor(at).astype(np.intp)
        part = (at - low).astype(np.float32)
        moved = (1 - part) * band[..., low % ANGLES] + part * band[..., (low + 1) % ANGLES]
        sharp.append(float((np.abs(_split(moved, phi, marks).turning) ** 2).sum()))
    return trials[int(np.argmax(sharp))]


def _round(tilt_rad: float) -> Float32Array:
    """Harmonics that are asked for at the angles of an unrolled frame, (MAIN, ANGLES)."""
    theta = np.arange(ANGLES) * (TWO_PI / ANGLES) - tilt_rad
    parts = [f(h * theta) for h in (1, 2) for f in (np.cos, np.sin)]
    return np.stack(parts).astype(np.float32)


def _straightened(
    levels: Stack, radii: FloatArray, shifts: tuple[FloatArray, FloatArray], tilt_rad: float
) -> Stack:
    """Take shifts along the radius and the angle off: what a linear fit is good for is small."""
    radius, angle = (shift @ _round(tilt_rad) for shift in shifts)
    if not radius.any() and not angle.any():
        return levels
    row = np.clip(np.arange(RADII)[:, None] + radius / (radii[1] - radii[0]), 0, RADII - 1)
    column = np.broadcast_to(np.arange(ANGLES) + angle * (ANGLES / TWO_PI), (RADII, ANGLES))
    at = column.astype(np.float32), row.astype(np.float32)
    parts = [
        cv2.remap(frame, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP) for frame in levels
    ]
    return np.asarray(np.stack(parts), np.float32)


@dataclass(frozen=True, slots=True)
class _Picture:
    """What turns and what stands, as harmonics of the angle; for all radii."""

    turning: NDArray[np.complex64]  # (RADII, K), without what no place tells from what stands
    standing: NDArray[np.complex64]


@dataclass(frozen=True, slots=True)
class _Split:
    """Harmonics of frames, split by least squares into what turns and what stands."""

    turning: NDArray[np.complex128]  # (R, K)
    halves: NDArray[np.complex128]  # (R, K) what two halves of the frames differ by in it
    mean: NDArray[np.complex64]  # (R, K) of the frames
    turned: NDArray[np.complex128]  # (K,) mean of the marks' turns
    told: BoolArray  # (K,) harmonics that the frames can split


def _split(levels: Stack, phi: FloatArray, marks: int) -> _Split:
    waves = sfft.rfft(levels, axis=2).astype(np.complex64)
    k = np.arange(waves.shape[2])
    turned = np.exp(1j * k * phi[:, None])
    mean, c = waves.mean(0), turned.mean(0)
    free = 1.0 - np.abs(c) ** 2
    told = (k > 0) & (k < ANGLES // 2) & (k % marks == 0) & (free > LEAST_SPREAD)
    share = np.where(told, 1.0 / np.where(told, free, 1.0), 0.0)
    back = turned[:, None].astype(np.complex64)
    half = [share * ((waves[j::2] * back[j::2]).mean(0) - c * mean) for j in (0, 1)]
    return _Split(0.5 * (half[0] + half[1]), half[0] - half[1], mean, c, told)


def _turning(levels: Stack, phi: FloatArray, marks: int) -> _Picture | None:
    """Learn the picture that turns and the one that stands; None where they are not told apart."""
    parts = _split(levels, phi, marks)
    if not parts.told[marks : 2 * marks + 1 : marks].all():
        return None
    shape = _on_mark(*(sfft.irfft(w, ANGLES, axis=1) for w in (parts.turning, parts.halves)))
    if not shape.any():  # smeared all round, or too faint
        return None
    turning = sfft.rfft(shape, axis=1)
    standing = parts.mean - turning * np.conj(parts.turned)
    return _Picture(turning.astype(np.complex64), standing.astype(np.complex64))


def _on_mark(turning: FloatArray, halves: FloatArray) -> FloatArray:
    """Keep what stands out of noise, and what is beside it, of the picture that turns.

    Noise that is left in it would pass for edges of the mark, and what moves would seem to move
    less.  `halves` is what two halves of the frames differ by.
    """
    turning = turning - np.median(turning, axis=1, keepdims=True)
    clear = np.abs(turning) > CLEAR * float(np.std(halves)) / 2
    wide = np.concatenate([clear[:, -NEAR:], clear, clear[:, :NEAR]], axis=1).astype(np.uint8)
    near = cv2.dilate(wide, np.ones((2 * NEAR + 1, 2 * NEAR + 1), np.uint8))[:, NEAR:-NEAR]
    return np.where(near > 0, turning, 0.0)


def _softened(levels: NDArray[np.float16]) -> Stack:
    """Blur a frame a little, round and across: less noise, the same shift."""
    wide = np.concatenate([levels[:, -1:], levels, levels[:, :1]], axis=1).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(wide, (3, 3), 0.85)[:, 1:-1], np.float32)


def _turns(phi: FloatArray) -> NDArray[np.complex64]:
    """Return what each harmonic is to be multiplied by to turn a picture, (M, K)."""
    turns = np.exp(-1j * np.arange(ANGLES // 2 + 1) * phi[:, None])
    return np.asarray(turns, np.complex64)


def _at(waves: NDArray[np.complex64], turns: NDArray[np.complex64]) -> Stack:
    """Turn a picture, (M, RADII, ANGLES)."""
    return np.asarray(sfft.irfft(waves * turns[:, None], ANGLES, axis=2), np.float32)


def _left(levels: Stack, phi: FloatArray, picture: _Picture) -> Iterator[Stack]:
    """Yield what both pictures leave of each frame."""
    still = sfft.irfft(picture.standing, ANGLES, axis=1).astype(np.float32)
    for first in range(0, len(phi), CHUNK):
        part = slice(first, first + CHUNK)
        yield from levels[part] - still - _at(picture.turning, _turns(phi[part]))


class _Columns:
    """Columns of the fit for some frames, (M, q, elements), at the radii where the mark shows."""

    def __init__(self, picture: _Picture, radii: FloatArray, tilt_rad: float) -> None:
        k = np.arange(picture.turning.shape[1])
        across = np.gradient(picture.turning, radii, axis=0)
        self.rows = np.flatnonzero(np.abs(across).sum(1) + np.abs(picture.turning).sum(1) > 0)
        self._turning = picture.turning[self.rows]
        self._across = across[self.rows].astype(np.complex64)
        self._along = (1j * k * self._turning).astype(np.complex64)
        self._wide = (-(k**2) * self._turning).astype(np.complex64)
        self._round = _round(tilt_rad)
        strength = (np.abs(picture.turning) ** 2).sum(1)
        self.middle = float((radii * strength).sum() / max(float(strength.sum()), 1e-12))
        self._off = (radii[self.rows] - self.middle).astype(np.float32)[:, None]

    def of(self, turns: NDArray[np.complex64]) -> Stack:
        """Radius, then what shares the picture with it: strength, angle, width, shear, light."""
        still, across, along, wide = (
            _at(w, turns)[:, None] for w in (self._turning, self._across, self._along, self._wide)
        )
        h, off = self._round[None, :, None], self._off
        sheared = along * off
        # in the order of MAIN, ANGLE and LIGHT
        parts = (-across * h, still * h, along * h, wide * h, sheared, sheared * h, still * off * h)
        columns = np.concatenate(parts, axis=1)
        return np.ascontiguousarray(columns.reshape(len(turns), columns.shape[1], -1))

    def own(self, turns: NDArray[np.complex64]) -> Stack:
        """Return what each frame has for itself: the strength and the angle of its mark."""
        columns = np.stack([_at(self._turning, turns), _at(self._along, turns)], axis=1)
        return np.ascontiguousarray(columns.reshape(len(turns), 2, -1))


@dataclass(frozen=True, slots=True)
class _Fit:
    radius: FloatArray  # (MAIN,) harmonics of the mark's radius, ring units
    angle: FloatArray  # (MAIN,) harmonics of an angle that the frames' own do not hold, rad
    covariance: FloatArray  # (MAIN, MAIN)
    middle: float  # usual radius of the mark


def _fitted(
    levels: Stack, phi: FloatArray, picture: _Picture, radii: FloatArray, tilt_rad: float
) -> _Fit | None:
    """Fit what is left of the radius' harmonics; by chance, what blocks of frames differ by."""
    columns = _Columns(picture, radii, tilt_rad)
    a, b, variance = _normal_equations(levels[:, columns.rows], phi, columns)
    best = _solved(a, b, variance)
    if best is None:
        return None
    # neighbours share their noise, so that there is less told than it seems: blocks say how much
    score = b - a @ best
    variance *= max(1.0, float(np.median((score**2).sum(0) / (np.diag(a.sum(0)) * variance))))
    best = _solved(a, b, variance)
    rest_of = [np.arange(BLOCKS) != k for k in range(BLOCKS)]
    without = [_solved(a[k], b[k], variance) for k in rest_of]
    kept = np.array([w[:MAIN] for w in without if w is not None])
    if best is None or len(kept) < BLOCKS:
        return None
    off = kept - kept.mean(0)
    covariance = (BLOCKS - 1) / BLOCKS * off.T @ off
    return _Fit(best[:MAIN], -best[ANGLE], covariance, columns.middle)


def _normal_equations(
    levels: Stack, phi: FloatArray, columns: _Columns
) -> tuple[FloatArray, FloatArray, float]:
    """Sum the fit over blocks of frames: (BLOCKS, q, q), (BLOCKS, q), variance of an element.

    What stands is free, so the mean over the frames goes out, and what each frame has for itself.
    """
    turns = _turns(phi)
    always = turns.mean(0, keepdims=True)
    mean, own_mean = columns.of(always), columns.own(always)
    flat = levels.reshape(len(phi), 1, -1)
    usual = flat.mean(0)
    count, power = mean.shape[1], 0.0
    block = np.arange(len(phi)) * BLOCKS // len(phi)
    a, b = np.zeros((BLOCKS, count, count)), np.zeros((BLOCKS, count))
    for first in range(0, len(phi), CHUNK):
        part = slice(first, first + CHUNK)
        base = np.linalg.qr((columns.own(turns[part]) - own_mean).transpose(0, 2, 1))[0]
        x, y = columns.of(turns[part]) - mean, flat[part] - usual
        x -= (x @ base) @ base.transpose(0, 2, 1)
        y = y - (y @ base) @ base.transpose(0, 2, 1)
        np.add.at(a, block[part], x @ x.transpose(0, 2, 1))
        np.add.at(b, block[part], (x @ y.transpose(0, 2, 1))[..., 0])
        power += float((y**2).sum())
    return a, b, power / flat.size


def _solved(parts_a: FloatArray, parts_b: FloatArray, variance: float) -> FloatArray | None:
    """Solve the normal equations of some blocks; the slope of the light has a prior."""
    a, b = parts_a.sum(0), parts_b.sum(0)
    light = np.arange(len(a))[LIGHT]
    a[light, light] += variance / LIGHT_SLOPE**2
    size = np.sqrt(np.diag(a))
    if not np.all(size > 0.0):
        return None
    try:
        return np.asarray(np.linalg.solve(a / np.outer(size, size), b / size) / size)
    except np.linalg.LinAlgError:
        return None
