"""Do the frame times keep time with the mains that feed the lamp?

A lamp on the mains flickers at twice their frequency.  Frames sample that flicker, so that it
shows as a line at the alias of 100 or 120 Hz; on frame times that were stretched the line
lies beside the place where it must be.  The frames alone cannot tell the flicker's frequency
from its aliases: the place nearest to the one expected is taken, in favour of the recording.

Agreement shows that the times are consistent with a lamp on the mains, not that they are
true: a lamp's own driver can flicker at any frequency, and a forger can choose it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vidspin.records import BoolArray, FloatArray
from vidspin.uncertainty import NORMAL_95

MAINS_HZ = (50.0, 60.0)
MAINS_HALF_WIDTH = 0.004  # relative, +-0.2 Hz of 50: what large grids keep to (common practice)
SEARCHED = 0.06  # relative, on both sides of twice the mains
SLOW_HZ = 0.8  # lines nearer to a stand-still of the flicker pass for changes of the light
HIGH_PASS_S = 1.5
WAVES = 64  # that are held at a time, of a minute each
LONGEST_S = 60.0  # of a stretch; the mains wander over longer ones
LEAST_S = 4.0
CLEAR = 40.0  # power of the line over the usual power
SHARP = 3.0  # width of the line, of the resolution
LEAST_DEPTH = 0.004  # of the light; the beat of key frames makes lines ten times fainter
LEAST_CREEP = 0.01  # for bands that creep: slow changes of light hide fainter ones
CREEPS = 1.2  # periods of the alias in a recording that it takes to see it move
RUNS_COHERENT = 0.9
# A frame is read before the next one begins: bands that run faster are those of a quicker flicker.
RUNS_MOST = 1.1  # of the phase that a flicker moves on by in a frame interval
RUNS_LEAST = 0.12  # rad from band to band; light that changes everywhere at once has none
LASTS_PARTS, LASTS = 3, 0.3  # of the largest; an exposure that settles changes a depth by half
LEAST_BANDS = 4
GRID = 0.2  # of the resolution
BANDS_SHARE = 0.5  # of the bands must show the line by themselves
BAND_CLEAR = 8.0
SKIRT = 0.5  # of the deepest flicker that runs from band to band, below which a line is its foot


@dataclass(frozen=True, slots=True)
class Lamp:
    """A line that the lamp's flicker may be."""

    mains_hz: float
    seen_hz: float  # on the stated frame times
    deviation: float  # relative: file seconds in a second by the mains, minus 1
    u95: float
    depth: float  # amplitude of the flicker, of the light


def flicker(
    time_s: FloatArray, bands: NDArray[np.float32], frame_rate: float, *, readout_sign: int = 0
) -> Lamp | None:
    """Look for a lamp's flicker near twice the mains' frequency.

    Parameters
    ----------
    time_s : (N,) array
        Frame times.
    bands : (N, B) array
        Brightness of bands of rows, 1 = as usual, NaN where not seen.
    frame_rate : float
        Frames a second.
    readout_sign : int
        1 when the first stored row is read first, -1 when last, 0 when not known: the way in
        which the bands run tells a line from its mirror image.

    Returns
    -------
    Lamp or None
        The line that is nearest to twice 50 or 60 Hz; None where there is no clear line, or
        where it stands still in the frames.
    """
    if len(time_s) < 8 or time_s[-1] - time_s[0] < LEAST_S:
        return None
    rows = time_s <= time_s[0] + LONGEST_S
    t = time_s[rows] - time_s[0]
    seen = np.isfinite(bands[rows]).all(axis=0)
    if seen.sum() < LEAST_BANDS:
        return None
    level = np.asarray(bands[rows][:, seen], np.float64)
    size = max(3, int(HIGH_PASS_S * frame_rate))
    quick = level - ndimage.uniform_filter1d(level, size, axis=0, mode="nearest")
    jump = np.abs(np.diff(quick, axis=0)).max(axis=1, initial=0.0)
    calm = np.concatenate([[True], jump < 12 * (np.median(jump) + 1e-9)])
    quick[~calm] = 0.0
    slow = level - level.mean(axis=0)
    slow[~calm] = 0.0
    background = _background(t, quick, frame_rate)
    found = [
        line
        for mains in MAINS_HZ
        for line in (*_quick_lines(t, quick, mains, frame_rate, background),
                     *_slow_lines(t, slow, mains, frame_rate))
        if readout_sign == 0 or _runs(t, slow, line.seen_hz)[0] == readout_sign
    ]  # fmt: skip
    deepest = max((one.depth for one in found), default=0.0)
    found = [one for one in found if one.depth > 0.5 * deepest]  # the rest are its side lines
    most = RUNS_MOST * 2 * np.pi / frame_rate / bands.shape[1]  # rad a band and hertz
    found = [one for one in found if abs(_runs(t, slow, one.seen_hz)[1]) <= most * one.seen_hz]
    if found:
        own = slow - slow.mean(axis=1, keepdims=True)  # light that changes does so in all bands
        found = [one for one in found if not _foot(t, own, one)]
    return min(found, key=lambda one: abs(one.deviation), default=None)


def _grid(mains: float, span: float) -> FloatArray:
    middle = 2 * mains
    return np.arange(middle * (1 - SEARCHED), middle * (1 + SEARCHED), GRID / span)


def _lamp(mains: float, seen_hz: float, span: float, power: float, frames: int) -> Lamp:
    doubt = np.hypot(NORMAL_95 / np.sqrt(3) * MAINS_HALF_WIDTH, 0.25 / span / (2 * mains))
    depth = float(2 * np.sqrt(power) / max(frames, 1))
    return Lamp(mains, seen_hz, 2 * mains / seen_hz - 1.0, float(doubt), depth)


def _vertex(total: FloatArray, k: int) -> float:
    """Where between its neighbours, in steps, a peak is highest."""
    bend = total[k - 1] - 2 * total[k] + total[k + 1]
    return float(0.5 * (total[k - 1] - total[k + 1]) / bend) if bend else 0.0


def _quick_lines(
    t: FloatArray, light: FloatArray, mains: float, frame_rate: float, background: FloatArray
) -> list[Lamp]:
    """Clear, sharp lines whose alias is a beat of the light.

    A hand that sways or an exposure that hunts beats as well, in all rows at once.
    """
    span = float(t[-1] - t[0])
    grid = _grid(mains, span)
    alias = np.abs(grid - frame_rate * np.rint(grid / frame_rate))
    half = np.abs(alias - frame_rate / 2) < 2 / span  # its mirror image lies on it
    power = _power(t, light, grid, (alias >= SLOW_HZ) & ~half)
    total = power.mean(axis=1)
    frames = int(np.count_nonzero(np.any(light != 0, axis=1)))
    lines = []
    for k in _peaks(total):
        clear = total[k] > CLEAR * background.mean()
        clear &= (power[k] > BAND_CLEAR * background).mean() >= BANDS_SHARE
        near = total[max(0, k - 25) : k + 26]
        if not clear or np.count_nonzero(near > 0.5 * total[k]) * GRID > SHARP:
            continue
        seen = float(grid[k]) + _vertex(total, k) * GRID / span
        if _creep(t, light, seen) and _lasts(t, light, seen):
            lines.append(_lamp(mains, seen, span, total[k], frames))
    return [line for line in lines if line.depth >= LEAST_DEPTH]


def _slow_lines(t: FloatArray, light: FloatArray, mains: float, frame_rate: float) -> list[Lamp]:
    """Bands that creep over the picture: a flicker whose alias nearly stands still.

    Light that changes changes in all rows at once; only what runs from row to row counts.
    """
    span = float(t[-1] - t[0])
    grid = _grid(mains, span)
    alias = np.abs(grid - frame_rate * np.rint(grid / frame_rate))
    total = _power(t, light, grid, (alias < SLOW_HZ) & (alias > CREEPS / span)).mean(axis=1)
    frames = int(np.count_nonzero(np.any(light != 0, axis=1)))
    lines = []
    for k in _peaks(total):
        seen = float(grid[k]) + _vertex(total, k) * GRID / span
        if _creep(t, light, seen):
            lines.append(_lamp(mains, seen, span, total[k], frames))
    return [line for line in lines if line.depth >= LEAST_CREEP]


def _foot(t: FloatArray, own: FloatArray, line: Lamp) -> bool:
    """Whether a line is the foot of a deeper one, which may stand where no line is told.

    A flicker that stands still in the frames, or goes to and fro from one to the next (120 Hz at
    240 a second), has feet beside it where an exposure settles or an encoder starts anew.
    """
    span = float(t[-1] - t[0])
    grid = _grid(line.mains_hz, span)
    total = _power(t, own, grid).mean(axis=1)
    here = total[np.abs(grid - line.seen_hz) <= GRID / span]
    return bool(here.max(initial=0.0) < SKIRT**2 * total.max())


def _peaks(total: FloatArray) -> list[int]:
    """Local maxima of at least half of the highest."""
    high = (total[1:-1] > total[:-2]) & (total[1:-1] >= total[2:]) & (total[2:] > 0)
    high &= (total[:-2] > 0) & (total[1:-1] > 0.5 * total.max(initial=0.0))
    return [int(k) + 1 for k in np.flatnonzero(high)]


def _lasts(t: FloatArray, light: FloatArray, f: float) -> bool:
    """Whether a flicker is there all the time: what a hand does that draws back runs as well."""
    parts = zip(np.array_split(t, LASTS_PARTS), np.array_split(light, LASTS_PARTS), strict=True)
    size = [float(np.linalg.norm(np.exp(-2j * np.pi * f * at) @ of)) for at, of in parts]
    return min(size) > LASTS * max(size)


def _creep(t: FloatArray, light: FloatArray, f: float) -> bool:
    """Whether a flicker comes later from band to band, as rows are read one after another."""
    _, slope, coherence = _runs(t, light, f)
    return coherence > RUNS_COHERENT and abs(slope) > RUNS_LEAST


def _runs(t: FloatArray, light: FloatArray, f: float) -> tuple[int, float, float]:
    """Tell how the flicker runs from band to band.

    Returns
    -------
    sign : int
        1 when it comes later in later rows.
    slope : float
        Phase from one band to the next, rad.
    coherence : float
        0 to 1.
    """
    wave = np.exp(-2j * np.pi * f * t) @ light
    product = (wave[1:] * wave[:-1].conj()).sum()
    slope = float(np.angle(product))
    size = float((np.abs(wave[1:]) * np.abs(wave[:-1])).sum())
    return (1 if slope >= 0 else -1), slope, float(np.abs(product)) / max(size, 1e-12)


def _power(
    t: FloatArray, light: FloatArray, grid: FloatArray, asked: BoolArray | None = None
) -> FloatArray:
    """Power of each band at each frequency of an even grid, (F, B); 0 where it is not asked."""
    out = np.zeros((len(grid), light.shape[1]))
    asked = np.ones(len(grid), bool) if asked is None else asked
    # one block of waves, moved on by a product: an exponential costs twenty times as much
    block = np.exp(-2j * np.pi * t[:, None] * (grid[:WAVES] - grid[0]))
    for first in range(0, len(grid), WAVES):
        rows = slice(first, first + WAVES)
        if not asked[rows].any():
            continue
        f = grid[rows]
        waves = block[:, : len(f)] * np.exp(-2j * np.pi * f[0] * t)[:, None]
        # the light is real: half the products of complex numbers
        seen = (light.T @ waves.view(np.float64)).view(np.complex128)
        out[rows] = np.abs(seen.T) ** 2
    out[~asked] = 0.0
    return out


def _background(t: FloatArray, light: FloatArray, frame_rate: float) -> FloatArray:
    """Usual power of each band over all frequencies that frames can show, (B,)."""
    span = float(t[-1] - t[0])
    grid = np.linspace(SLOW_HZ, frame_rate / 2, max(64, min(1024, int(frame_rate * span / 2))))
    return np.asarray(np.median(_power(t, light, grid), axis=0)) + 1e-12
