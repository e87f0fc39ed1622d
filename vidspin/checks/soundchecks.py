"""Does the sound go on without a break, and does it keep time with the mains?

The sound is heard once, piece by piece; of it are kept a loudness every twentieth of a second
and, for the hum, a slow version of the first minutes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vidspin.frames.lamp import MAINS_HALF_WIDTH, MAINS_HZ
from vidspin.records import Check, FloatArray, SoundBlock
from vidspin.uncertainty import NORMAL_95

LOUDNESS_S = 0.05
GAP_S = 0.004  # containers of whole milliseconds round by half of one
SILENT_S = 0.06  # digital silence; a microphone is never so quiet
SIDE_S = 1.5  # of sound on both sides of a step of the level
STEP_DB = 12.0
SPREAD_DB = 3.0  # of the loudness beside a step: speech and knocks vary more
HUM_RATE_HZ = 1000.0
HUM_S = 120.0  # the mains wander over longer
HUM_LEAST_S = 8.0
HUM_SEARCHED = 0.06  # relative, on both sides
HUM_CLEAR = 200.0  # power of a line over that of its surroundings, 23 dB
HARMONICS = (1, 2, 3, 4, 6)  # of the mains; rectifiers hum at twice, transformers at both
HARMONICS_NEEDED = 2
NOTES = ((1, 2), (1, 3))  # harmonics that a note that is played has too
PART_S = 10.0  # within which a top's own hum keeps its place, or nearly
AGREE = 4e-4  # relative, of harmonics that belong together
MOST_SHOWN = 4
Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Sound:
    """What is kept of a recording's sound."""

    gaps: tuple[tuple[float, float], ...]  # instant and length, s; below zero: sound overlaps
    silent: tuple[tuple[float, float], ...]
    loudness_s: FloatArray  # (K,)
    loudness_db: FloatArray  # (K,)
    slow: FloatArray  # about `HUM_RATE_HZ` samples a second
    slow_hz: float
    seconds: float
    slow_from_s: float = 0.0

    @property
    def slow_s(self) -> float:
        """Length of the slow version, s."""
        return len(self.slow) / self.slow_hz if self.slow_hz > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Spun:
    """Speeds that the spin may have had, under each of K orders that are open."""

    time_s: FloatArray  # (N,)
    hz: FloatArray  # (K, N) turns a second; NaN where not known, under all of them alike


@dataclass(slots=True)
class _Listener:
    gaps: list[tuple[float, float]] = field(default_factory=list)
    silent: list[tuple[float, float]] = field(default_factory=list)
    times: list[float] = field(default_factory=list)
    powers: list[float] = field(default_factory=list)
    slow: list[FloatArray] = field(default_factory=list)
    slow_rest: Samples = field(default_factory=lambda: np.zeros(0, np.float32))
    slow_count: int = 0
    slow_hz: float = 0.0
    slow_from_s: float = 0.0
    end_s: float | None = None
    heard_s: float = 0.0
    quiet_from: float | None = None
    rest: Samples = field(default_factory=lambda: np.zeros(0, np.float32))
    rest_s: float = 0.0

    def add(self, piece: SoundBlock) -> None:
        rate, samples = piece.rate_hz, piece.samples
        if self.end_s is not None and abs(piece.time_s - self.end_s) > GAP_S:
            self.gaps.append((self.end_s, piece.time_s - self.end_s))
            self.rest = np.zeros(0, np.float32)
            self._hum_again()
        if len(self.rest) == 0:
            self.rest_s = piece.time_s
        self._silence(piece)
        self.end_s = piece.time_s + len(samples) / rate
        self.heard_s += len(samples) / rate
        self._loudness(samples, rate)
        self._hum(piece)

    def _silence(self, piece: SoundBlock) -> None:
        zero = not np.any(piece.samples)
        if zero and self.quiet_from is None:
            self.quiet_from = piece.time_s
        elif not zero:
            self.silence_until(piece.time_s)

    def silence_until(self, end_s: float) -> None:
        """Keep a silence that ends here, if there is one."""
        if self.quiet_from is not None and end_s - self.quiet_from > SILENT_S:
            self.silent.append((self.quiet_from, end_s - self.quiet_from))
        self.quiet_from = None

    def _loudness(self, samples: Samples, rate: float) -> None:
        size = max(1, round(LOUDNESS_S * rate))
        whole = np.concatenate([self.rest, samples])
        count = len(whole) // size
        parts = whole[: count * size].reshape(count, size).astype(np.float64)
        for k, part in enumerate(parts):
            self.times.append(self.rest_s + (k + 0.5) * size / rate)
            self.powers.append(float(part.var()))
        self.rest = whole[count * size :]
        self.rest_s += count * size / rate

    def _hum(self, piece: SoundBlock) -> None:
        """Average down to about `HUM_RATE_HZ`, without a break between pieces."""
        rate, samples = piece.rate_hz, piece.samples
        factor = max(1, int(rate // HUM_RATE_HZ))
        if self.slow_count >= HUM_S * rate / factor:
            return
        if not self.slow:
            self.slow_from_s = piece.time_s
        whole = np.concatenate([self.slow_rest, samples])
        size = len(whole) // factor * factor
        self.slow.append(whole[:size].reshape(-1, factor).mean(axis=1, dtype=np.float64))
        self.slow_rest = whole[size:]
        self.slow_count += size // factor
        self.slow_hz = rate / factor

    def _hum_again(self) -> None:
        """Begin anew after a gap: a line must not jump."""
        if self.slow_count < HUM_LEAST_S * max(self.slow_hz, 1.0):
            self.slow, self.slow_count = [], 0
            self.slow_rest = np.zeros(0, np.float32)
        else:
            self.slow_count = int(HUM_S * HUM_RATE_HZ * 100)  # enough is kept


def overhear(pieces: Iterable[SoundBlock]) -> Sound | None:
    """Hear a recording once.

    Parameters
    ----------
    pieces : iterable of SoundBlock
        In order of time.

    Returns
    -------
    Sound or None
        None without sound.
    """
    listener = _Listener()
    for piece in pieces:
        if len(piece.samples) and piece.rate_hz > 0:
            listener.add(piece)
    if listener.end_s is None:
        return None
    listener.silence_until(listener.end_s)
    power = np.array(listener.powers)
    return Sound(
        tuple(listener.gaps), tuple(listener.silent), np.array(listener.times),
        10 * np.log10(power + 1e-12),
        np.concatenate(listener.slow) if listener.slow else np.zeros(0),
        listener.slow_hz, listener.heard_s, listener.slow_from_s,
    )  # fmt: skip


# ---------------------------------------------------------------------------- checks


def sound_checks(sound: Sound | None, spun: Spun | None = None) -> tuple[Check, ...]:
    """Run every check of the sound.

    Parameters
    ----------
    sound : Sound or None
        None where the recording has none.
    spun : Spun, optional
        The top's speeds while it was heard: its own hum is no hum of the mains.
    """
    if sound is None:
        note = "the recording has no sound"
        return (Check("sound goes on", "unchecked", "no sound", note, "sound"),)
    return (_goes_on(sound), _level(sound), _hum(sound, spun))


def _at(instants: Iterable[float]) -> tuple[float, ...]:
    return tuple(instants)[:MOST_SHOWN]


def _goes_on(sound: Sound) -> Check:
    name = "sound goes on"
    threshold, why = f"gaps of {1e3 * GAP_S:g} ms", "the stamps of sound are good to a millisecond"
    if not sound.gaps and not sound.silent:
        figure = f"{sound.seconds:.2f} s without a gap"
        note = "no sample is missing between pieces"
        return Check(name, "pass", figure, note, "sound", threshold, why)
    parts = []
    if sound.gaps:
        most = max(sound.gaps, key=lambda g: abs(g[1]))
        parts.append(f"{len(sound.gaps)} gaps, most {1e3 * most[1]:.1f} ms at {most[0]:.2f} s")
    if sound.silent:
        most = max(sound.silent, key=lambda g: g[1])
        parts.append(f"digital silence for {most[1]:.2f} s from {most[0]:.2f} s")
    note = "sound is missing there: a recorder that stumbled, or a cut; the spin tells which"
    at = _at(g[0] for g in (*sound.gaps, *sound.silent))
    return Check(name, "pass", "; ".join(parts), note, "sound", threshold, why, True, at)


def _level(sound: Sound) -> Check:
    """Ask for a background that changes its loudness at once and for good: another take."""
    name = "sound level"
    threshold = f"{STEP_DB:g} dB between two quiet backgrounds"
    side = max(2, round(SIDE_S / LOUDNESS_S))
    db = sound.loudness_db
    if len(db) < 3 * side:
        return Check(name, "unchecked", "", "the sound is too short", "sound", threshold)
    views = np.lib.stride_tricks.sliding_window_view(db, side)
    before, after = views[:-side], views[side:]
    step = np.median(after, axis=1) - np.median(before, axis=1)
    calm = np.maximum(_spread(before), _spread(after)) < SPREAD_DB
    sudden = np.where(calm, np.abs(step), 0.0)
    k = int(np.argmax(sudden))
    figure = f"largest lasting step {step[k] if sudden[k] else 0.0:+.1f} dB"
    if sudden[k] < STEP_DB:
        note = "the background keeps its loudness, or is too lively to tell"
        return Check(name, "pass", figure, note, "sound", threshold)
    at = float(sound.loudness_s[k + side])
    note = f"the background changes at once at {at:.1f} s: another take, or something switched"
    return Check(name, "pass", figure, note, "sound", threshold, "", True, (at,))


def _spread(views: FloatArray) -> FloatArray:
    low, high = np.percentile(views, (15, 85), axis=1)
    return np.asarray((high - low) / 2)


@dataclass(frozen=True, slots=True)
class Hum:
    """Lines of the mains in the sound."""

    mains_hz: float
    deviation: float  # relative: seconds of the sound in a second by the mains, minus 1
    u95: float
    harmonics: tuple[int, ...]


def find_hum(slow: FloatArray, rate_hz: float) -> Hum | None:
    """Find harmonics of the mains that belong together.

    Parameters
    ----------
    slow : (n,) array
        Sound at a low rate.
    rate_hz : float

    Returns
    -------
    Hum or None
        None unless `HARMONICS_NEEDED` of them stand out clearly and agree.
    """
    if rate_hz <= 0 or len(slow) < HUM_LEAST_S * rate_hz:
        return None
    window = np.hanning(len(slow) + 1)[:-1]  # periodic
    spectrum = np.fft.rfft((slow - slow.mean()) * window, 4 * len(slow))
    power: FloatArray = np.asarray(np.abs(spectrum) ** 2, np.float64)
    f: FloatArray = np.asarray(np.fft.rfftfreq(4 * len(slow), 1 / rate_hz), np.float64)
    around = int(2.0 / (f[1] - f[0]))  # Hz
    best: Hum | None = None
    for mains in MAINS_HZ:
        lines = {}
        for h in HARMONICS:
            ratio = _line(f, power, h * mains, around)
            if ratio is not None:
                lines[h] = ratio
        for ratio in lines.values():
            together = tuple(h for h, r in lines.items() if abs(r / ratio - 1) < AGREE)
            if len(together) < HARMONICS_NEEDED or together in ((2, 4), (2, 6), (3, 6)):
                continue  # harmonics of one another could be a note that is played
            mean = float(np.mean([lines[h] for h in together]))
            u95 = NORMAL_95 / np.sqrt(3) * MAINS_HALF_WIDTH
            hum = Hum(mains, 1 / mean - 1, float(u95), together)
            if best is None or (len(together), -abs(hum.deviation)) > (
                len(best.harmonics), -abs(best.deviation)
            ):  # fmt: skip
                best = hum
    return best


def _line(f: FloatArray, power: FloatArray, middle: float, around: int) -> float | None:
    """Frequency of the strongest clear line about `middle`, relative to it."""
    low, high = np.searchsorted(f, (middle * (1 - HUM_SEARCHED), middle * (1 + HUM_SEARCHED)))
    if high >= len(power) or high - low < 8:
        return None
    k = int(low + np.argmax(power[low:high]))
    near = power[max(0, k - around) : k + around]
    if power[k] < HUM_CLEAR * float(np.median(near)) or not low < k < high - 1:
        return None
    a, b, c = (float(np.log(power[k + j])) for j in (-1, 0, 1))
    shift = 0.5 * (a - c) / (a - 2 * b + c)
    return float((f[k] + shift * (f[1] - f[0])) / middle)


def _tops_own(sound: Sound, found: Hum, spun: Spun) -> bool | None:
    """Whether the lines of a hum may be multiples of the spin; None where nothing tells.

    Over minutes a spin passes many places, so the hum is looked for in short parts too: one that
    is heard where no multiple of the spin was by then is not the top's.
    """
    may = None
    for first, part in _parts(sound.slow, sound.slow_hz):
        hum = found if len(part) == len(sound.slow) else find_hum(part, sound.slow_hz)
        if hum is None or not _same(hum, found):
            continue
        start_s, length_s = sound.slow_from_s + first / sound.slow_hz, len(part) / sound.slow_hz
        inside = (spun.time_s >= start_s) & (spun.time_s <= start_s + length_s)
        known = np.isfinite(spun.hz[:, inside]).all(axis=0)
        if not known.any():
            continue
        if _multiple_of(hum, spun.hz[:, inside][:, known], 1.0 / length_s):
            may = True
        elif known.all():
            return False
    return may


def _parts(slow: FloatArray, rate_hz: float) -> Iterator[tuple[int, FloatArray]]:
    """Yield the whole and its parts, each with the place of its first sample."""
    yield 0, slow
    count = int(len(slow) / rate_hz // PART_S)
    edges = np.linspace(0, len(slow), count + 1).astype(int).tolist() if count > 1 else []
    yield from ((low, slow[low:high]) for low, high in pairwise(edges))


def _same(one: Hum, other: Hum) -> bool:
    """Whether a part's hum is the one of the whole, and not that of the mains beside it."""
    near = abs(one.deviation - other.deviation) < other.u95
    return one.mains_hz == other.mains_hz and near and abs(one.deviation) > one.u95


def _multiple_of(hum: Hum, hz: FloatArray, doubt_hz: float) -> bool:
    """Whether all lines of a hum lie at multiples of a speed that was passed under some order."""
    base = math.gcd(*hum.harmonics) * hum.mains_hz / (1 + hum.deviation)
    slowest, fastest = np.maximum(hz.min(axis=1), doubt_hz), np.maximum(hz.max(axis=1), doubt_hz)
    least = np.maximum(np.ceil((base - doubt_hz) / fastest), 1.0)
    return bool(np.any(least <= (base + doubt_hz) / slowest))


def _hum(sound: Sound, spun: Spun | None) -> Check:
    name = "sound clock"
    found = find_hum(sound.slow, sound.slow_hz)
    if found is None:
        note = "no hum of the mains is heard that could tell"
        return Check(name, "unchecked", "", note, "sound")
    which = ", ".join(f"{h * found.mains_hz:g}" for h in found.harmonics)
    figure = f"{100 * found.deviation:+.2f} ± {100 * found.u95:.2f} % by a hum at {which} Hz"
    threshold = f"± {100 * found.u95:.2f} %"
    why = "the mains keep to 0.4 %"
    if abs(found.deviation) > found.u95:
        own = None if spun is None else _tops_own(sound, found, spun)
        if own:
            note = "multiples of the spin's own rate pass there: it may be the top that hums"
            return Check(name, "unchecked", figure, note, "sound", threshold, why, True)
        if own is None and found.harmonics in NOTES:
            note = "a note has such lines too, and no speed tells whether it is the top's own"
            return Check(name, "unchecked", figure, note, "sound", threshold, why, True)
        note = "the sound was stretched, if the hum is the mains'"
        return Check(name, "fail", figure, note, "sound", threshold, why, True)
    note = "consistent with true times of the sound; no proof"
    return Check(name, "pass", figure, note, "sound", threshold, why)
