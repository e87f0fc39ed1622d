"""What in the sound turns with the top?

A top hums and scrapes in time with its turns: lines at whole multiples of its rate, and noise
that swells once or more a turn.  The picture knows how the speed changes, but not by how many
whole turns a frame it is off; so the sound (and the swell of its noise in some bands) is turned
back by each multiple of the picture's continuous phase.  What then stands still at
``h * n * frame rate / marks`` speaks for order n: a chirp that matches the top's own drift, not
merely a line at the right place.

What else there is to hear is its own measure.  A line counts only as far as it stands out of
what lies within some hertz of it after the same turning back, only with the shape of one line,
and only where turning it back makes it clearer than it is as a steady tone: hum of the mains,
other machines and silence favour no order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from vidspin.cyclic import TWO_PI
from vidspin.records import FloatArray, SoundBlock, SoundCurve

BLOCK_S = 4.0  # a line is a quarter of a hertz wide; a top's drift within it is turned back
LEAST_BLOCKS = 4
MOST_BLOCKS = 240  # enough for any decision; longer recordings are heard in parts
HARMONICS = 6
TOP_HZ = 700.0  # highest line that is looked for
DECIMATED_HZ = 1600.0
BANDS_HZ = ((500.0, 1500.0), (1500.0, 4000.0), (4000.0, 10000.0))  # whose swell is heard
NEAR_HZ = 8.0  # of a line, that it has to stand out of
# Of what lies within that, per cent: a foreign tone fills some of it and must not drown a line
# that is elsewhere; that such a tone should lie just there and fall just so is `RARE`.
CROWD = 80.0
SHAPE_BINS = 4  # to either side of a line, within which it must have the window's own shape
CLEARER = 1.3  # a line that follows the top against the steadiest tone on its way
OVERLAP_WORTH = 0.6  # of a block that overlaps its neighbours by half
# Before a recording is heard, so rarely does its sound hold a line of the top that could be
# mistaken; it takes the place of a threshold: evidence below its inverse counts for nothing.
RARE = 1e-3
TRUST = 0.5  # of the log-likelihood: neighbouring blocks and bands hear the same thing
CAP = float(np.log(1e6))
CLEAR_BLOCK = 12.0  # power above the floor from which one block gives a speed
FOLLOW_BINS = 2  # about the expected place within which a block's strongest line is the top's
LEAST_U_BINS = 0.02  # how exactly a line's place can be told at best: the slope is not a line

Phase = Callable[[FloatArray], FloatArray]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Apparent:
    """What the picture knows of the spin, no order assumed; N frames of the free spin."""

    time_s: FloatArray
    spin_rad: FloatArray  # (N,) continuous apparent spin angle, signed
    slot: FloatArray  # (N,) nominal frame intervals passed
    frame_rate: float
    marks: int

    def phase(self, at_s: FloatArray) -> FloatArray:
        """Apparent spin angle at any instant within."""
        return np.interp(at_s, self.time_s, self.spin_rad)

    def slot_rate(self, first_s: float, last_s: float) -> float:
        """Frame intervals a second between two instants."""
        a, b = np.interp([first_s, last_s], self.time_s, self.slot)
        return float(b - a) / (last_s - first_s)


@dataclass(frozen=True, slots=True)
class Line:
    """How one multiple of the spin rate under one order stands out."""

    harmonic: int
    channel: int
    power: float  # mean over the blocks, floor 1
    steady: float  # the strongest steady tone on its way, same unit
    worth: float  # natural log-likelihood ratio


@dataclass(slots=True)
class Heard:
    """Sums over the blocks of a recording's sound; made by `listen`."""

    blocks: int = 0
    bin_hz: float = 1 / BLOCK_S
    # (channel, harmonic - 1, bin): power over the local floor, turned back
    turned: FloatArray = field(default_factory=lambda: np.zeros((0, 0, 0)))
    loudest: FloatArray = field(default_factory=lambda: np.zeros((0, 0, 0)))  # the largest block
    steady: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))  # not turned back
    orders_hz: float = 0.0  # frequency between two orders
    low_hz: float = 0.0  # apparent spin rate, signed, lowest and highest
    high_hz: float = 0.0

    def lines(self, order: int) -> list[Line]:
        """How each multiple stands out under an order, the best channel of each."""
        if self.blocks < LEAST_BLOCKS:
            return []
        found = []
        for h in range(1, HARMONICS + 1):
            span = sorted(
                abs(h * (f + order * self.orders_hz)) for f in (self.low_hz, self.high_hz)
            )
            if span[1] > TOP_HZ or span[0] < NEAR_HZ / 2:
                continue
            options = [self._line(order, h, c, span) for c in range(len(self.turned))]
            found.append(max(options, key=lambda one: one.worth))
        return found

    def _line(self, order: int, h: int, channel: int, span: list[float]) -> Line:
        # without the loudest block: a knock is no line
        summed = self.turned[channel, h - 1] - self.loudest[channel, h - 1]
        power = summed / (self.blocks - 1)
        count = len(power)
        place = h * order * self.orders_hz / self.bin_hz
        at = round(place)
        near = np.arange(-SHAPE_BINS, SHAPE_BINS + 1)
        shape = _window_shape(near.astype(np.float64) + (at - place))
        seen = power[(near + at) % count]
        own = float(shape @ seen) / float(shape @ shape)
        left = float((seen - own * shape).max())  # a line beside it, or one of another slope
        reach = max(int(min(NEAR_HZ, 0.4 * h * self.orders_hz) / self.bin_hz), SHAPE_BINS + 1)
        around = np.r_[at - reach : at - SHAPE_BINS, at + SHAPE_BINS + 1 : at + reach + 1]
        beside = max(left, float(np.percentile(power[around % count], CROWD)))
        steady = self.steady[channel] / self.blocks
        low, high = (int(round(f / self.bin_hz)) for f in span)
        passed = float(steady[max(0, low - 1) : high + 2].max())
        ratio = own / max(1.0, beside)
        if ratio < 1.0 or own < CLEARER * passed:
            return Line(h, channel, own, passed, 0.0)
        worth = OVERLAP_WORTH * (self.blocks - 1) * (ratio - 1.0 - float(np.log(ratio)))
        return Line(h, channel, own, passed, worth)

    def log_likelihood(self, order: int) -> float:
        """Natural log-likelihood of an order against a sound that tells nothing; 0 and more."""
        total = TRUST * sum(one.worth for one in self.lines(order))
        return min(CAP, float(np.logaddexp(np.log1p(-RARE), np.log(RARE) + total)))


CHANNELS = ("a line of the sound", *(
    f"the swell of the noise from {low:.0f} to {high:.0f} Hz" for low, high in BANDS_HZ
))  # fmt: skip


def listen(sound: Iterable[SoundBlock], turning: Apparent) -> Heard:
    """Hear a recording's sound against the picture's continuous phase.

    Parameters
    ----------
    sound : iterable of SoundBlock
        In order of time.
    turning : Apparent
        The free spin.

    Returns
    -------
    Heard
        With fewer than `LEAST_BLOCKS` blocks where there is too little sound.
    """
    heard = Heard()
    rates = np.gradient(turning.spin_rad, turning.time_s) / TWO_PI
    heard.low_hz, heard.high_hz = (float(v) for v in np.percentile(rates, (1, 99)))
    first, last = float(turning.time_s[0]), float(turning.time_s[-1])
    heard.orders_hz = turning.slot_rate(first, last) / turning.marks
    for start_s, rate_hz, samples in _blocks(sound, first, last):
        channels = _channels(samples, rate_hz)
        if channels is None:
            continue
        at = start_s + np.arange(channels.shape[1]) / DECIMATED_HZ
        turned, steady = _spectra(channels, turning.phase(at))
        if heard.blocks == 0:
            heard.turned, heard.steady = np.zeros_like(turned), np.zeros_like(steady)
            heard.loudest = np.zeros_like(turned)
        heard.turned += turned
        heard.loudest = np.maximum(heard.loudest, turned)
        heard.steady += steady
        heard.blocks += 1
    return heard


def _blocks(
    sound: Iterable[SoundBlock], first_s: float, last_s: float
) -> Iterator[tuple[float, float, FloatArray]]:
    """Cut the sound of the free spin into blocks that overlap by half: start, rate, samples."""
    every = max(1, int(np.ceil((last_s - first_s) / (BLOCK_S / 2) / MOST_BLOCKS)))
    kept: list[NDArray[np.float32]] = []
    start_s, rate, count, number = 0.0, 0.0, 0, 0
    for piece in sound:
        expected = start_s + count / rate if rate else 0.0
        broken = rate != piece.rate_hz or abs(piece.time_s - expected) > 0.05
        if piece.time_s < first_s or broken:
            kept, count = [], 0
        if piece.time_s < first_s:
            rate = 0.0
            continue
        if not count:
            start_s, rate = piece.time_s, piece.rate_hz
        kept.append(piece.samples)
        count += len(piece.samples)
        size = round(BLOCK_S * rate)
        while count >= size:
            if start_s + BLOCK_S > last_s:
                return
            whole = np.concatenate(kept)
            if number % every == 0:
                yield start_s, rate, whole[:size].astype(np.float64)
            number += 1
            kept, half = [whole[size // 2 :]], size // 2
            count, start_s = len(kept[0]), start_s + half / rate


def _channels(samples: FloatArray, rate_hz: float) -> FloatArray | None:
    """Sound below `TOP_HZ` and swell of each band, at `DECIMATED_HZ`; None for silence."""
    length = round(BLOCK_S * DECIMATED_HZ)
    spectrum = np.fft.rfft(samples)
    if not np.any(np.abs(spectrum[1:]) > 0):
        return None
    hz = np.arange(len(spectrum)) / BLOCK_S
    out = [_resampled(spectrum, length)]
    for low, high in BANDS_HZ:
        inside = (hz >= low) & (hz < min(high, 0.45 * rate_hz))
        if inside.sum() < BLOCK_S * (high - low) / 4:  # the band is above what was recorded
            out.append(np.zeros(length))
            continue
        band = spectrum[inside]
        wide = np.zeros(2 * len(band), complex)
        wide[: len(band)] = band
        swell = np.abs(np.fft.ifft(wide))
        # a knock is loud for a moment; its logarithm is not
        swell = np.log(swell + 1e-3 * np.median(swell) + 1e-30)
        out.append(_resampled(np.fft.rfft(swell - swell.mean()), length))
    return np.stack(out)


def _resampled(spectrum: Complex, length: int) -> FloatArray:
    """Signal of a spectrum below `TOP_HZ`, at `length` samples."""
    keep = np.zeros(length // 2 + 1, complex)
    count = min(len(spectrum), int(TOP_HZ * BLOCK_S) + 1)
    keep[1:count] = spectrum[1:count]
    return np.asarray(np.fft.irfft(keep, length), np.float64)


def _spectra(channels: FloatArray, spin_rad: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Power over its local floor, turned back by each multiple, and as it is."""
    window = np.hanning(channels.shape[1])
    turned = []
    for channel in channels:
        rows = []
        for h in range(1, HARMONICS + 1):
            power = np.abs(np.fft.fft(channel * window * np.exp(-1j * h * spin_rad))) ** 2
            rows.append(_over_floor(power))
        turned.append(rows)
    steady = np.abs(np.fft.rfft(channels * window, axis=1)) ** 2
    return np.array(turned), np.array([_over_floor(p) for p in steady])


def _over_floor(power: FloatArray) -> FloatArray:
    """Power in units of the mean of the noise about it."""
    size = 2 * int(NEAR_HZ * BLOCK_S) + 1
    floor = median_filter(power, size=size, mode="wrap") / np.log(2.0)
    tiny = 1e-12 * float(power.max()) + 1e-300
    return np.asarray(power / np.maximum(floor, tiny))


def _window_shape(bins: FloatArray) -> FloatArray:
    """Power of a tone seen through a Hann window, so many bins from it; 1 at 0."""
    away = np.where(np.abs(np.abs(bins) - 1.0) < 1e-9, bins + 1e-6, bins)
    return np.asarray((np.sinc(away) / (1.0 - away**2)) ** 2)


def sound_curve(
    sound: Iterable[SoundBlock], turning: Apparent, heard: Heard, order: int
) -> SoundCurve | None:
    """Follow the clearest line through the recording, block by block.

    Parameters
    ----------
    sound : iterable of SoundBlock
        The same sound once more.
    turning : Apparent
    heard : Heard
        From `listen`.
    order : int
        Alias order of the spin.

    Returns
    -------
    SoundCurve or None
        None where no line stands out.

    Notes
    -----
    Within a block only the slope of the speed is taken from the picture; the speed itself is
    where the sound's line is.  Its standard uncertainty is the bound for a tone in white noise,
    ``sqrt(6 / E) / T`` with E the line's power over the floor (Rife and Boorstyn 1974), times
    1.5 for the window.  The place between bins follows from the two largest (a Hann window's
    ratio, exact for a tone).
    """
    lines = [one for one in heard.lines(order) if one.worth > 0]
    if not lines or heard.log_likelihood(order) < CAP / 2:
        return None
    best = max(lines, key=lambda one: one.worth)
    rows = []
    for start_s, rate_hz, samples in _blocks(
        sound, float(turning.time_s[0]), float(turning.time_s[-1])
    ):
        channels = _channels(samples, rate_hz)
        if channels is None:
            continue
        at = start_s + np.arange(channels.shape[1]) / DECIMATED_HZ
        rows.append(_block_speed(channels[best.channel], at, turning, order, best.harmonic))
    found = np.array([row for row in rows if row is not None])
    if len(found) < LEAST_BLOCKS:
        return None
    return SoundCurve(
        found[:, 0], np.abs(found[:, 1]), found[:, 2], best.harmonic, CHANNELS[best.channel]
    )


def _block_speed(
    channel: FloatArray, at: FloatArray, turning: Apparent, order: int, h: int
) -> tuple[float, float, float] | None:
    """Middle of a block, signed speed there, and its standard uncertainty; None if unclear."""
    step = turning.slot_rate(float(at[0]), float(at[-1])) / turning.marks
    phase = turning.phase(at) + TWO_PI * order * step * (at - at[0])
    base = np.fft.fft(channel * np.hanning(len(at)) * np.exp(-1j * h * phase))
    power = _over_floor(np.abs(base) ** 2)
    wide = np.arange(-int(NEAR_HZ * BLOCK_S), int(NEAR_HZ * BLOCK_S) + 1)
    k = int(wide[np.argmax(power[wide])])
    top = float(power[k])
    if top < CLEAR_BLOCK or abs(k) > FOLLOW_BINS:
        return None
    sides = np.abs(base[[k - 1, k + 1]])
    ratio = float(sides.max() / np.abs(base[k]))  # of a Hann window's two largest bins
    shift = (2 * ratio - 1) / (ratio + 1) * (1.0 if sides[1] > sides[0] else -1.0)
    offset = TWO_PI * (k + float(np.clip(shift, -0.5, 0.5))) / BLOCK_S / h
    mid = 0.5 * float(at[0] + at[-1])
    around = np.array([mid - BLOCK_S / 4, mid + BLOCK_S / 4])
    rate = float(np.diff(turning.phase(around))[0]) / (BLOCK_S / 2) + TWO_PI * order * step
    least = TWO_PI * LEAST_U_BINS / BLOCK_S
    return mid, rate + offset, float(np.hypot(1.5 * np.sqrt(6.0 / top) / BLOCK_S, least)) / h
