"""Sounds of a room with and without a top, drawn sample by sample with a stated truth.

Shares no formula with the analysis: the top's angle is a function of time, everything else in
the room is drawn from a seed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from vidspin.records import FloatArray, SoundBlock
from vidspin.speed.sound import Apparent

TURN = 2 * np.pi
RATE_HZ = 22050.0
PIECE = 1024
ROOMS = ("silence", "hiss", "mains 50", "mains 60", "machine", "slowing machine", "knocks", "tune")


@dataclass(frozen=True)
class Spin:
    """A top that slows by a constant and by a share of its speed."""

    start_hz: float
    loss: float = 0.004  # of its speed a second
    dry_hz_s: float = 0.02
    seconds: float = 12.0
    frame_rate: float = 30000 / 1001
    marks: int = 1

    def angle(self, t: FloatArray) -> FloatArray:
        """Turned angle, rad: of w' = -dry - loss w."""
        k, dry = self.loss, self.dry_hz_s
        steady = dry / k
        return TURN * ((self.start_hz + steady) * (1 - np.exp(-k * t)) / k - steady * t)

    def speed_hz(self, t: FloatArray) -> FloatArray:
        """Turns a second."""
        steady = self.dry_hz_s / self.loss
        return (self.start_hz + steady) * np.exp(-self.loss * t) - steady

    @property
    def order(self) -> int:
        """True alias order."""
        return round(self.start_hz * self.marks / self.frame_rate)

    def turning(self) -> Apparent:
        """What the frames say: the angle up to whole mark spacings a frame."""
        t = np.arange(int(self.seconds * self.frame_rate)) / self.frame_rate
        slot = np.arange(len(t), dtype=float)
        seen = self.angle(t) - TURN * self.order * slot / self.marks
        return Apparent(t, seen, slot, self.frame_rate, self.marks)


def times(seconds: float) -> FloatArray:
    return np.arange(int(seconds * RATE_HZ)) / RATE_HZ


def pink(rng: np.random.Generator, count: int) -> FloatArray:
    """Noise that falls by about 3 dB an octave (three poles), of unit size."""
    noise = lfilter([0.05, -0.096, 0.0507, -0.0044], [1, -2.495, 2.017, -0.522],
                    rng.standard_normal(count))  # fmt: skip
    return noise / noise.std()


def top(spin: Spin, lines: tuple[float, ...] = (), swell: float = 0.0, seed: int = 0) -> FloatArray:
    """Lines at 1, 2, ... times the spin rate, and noise that swells once a turn."""
    rng = np.random.default_rng([seed, 1])
    t = times(spin.seconds)
    angle = spin.angle(t)
    out = sum((a * np.sin((k + 1) * angle + rng.uniform(0, TURN)) for k, a in enumerate(lines)),
              np.zeros(len(t)))  # fmt: skip
    if swell:
        scrape = rng.standard_normal(len(t)) * (1 + swell * np.cos(angle + 1.0))
        out = out + 0.3 * scrape
    return out


def room(kind: str, seconds: float, seed: int, near: Spin | None = None) -> FloatArray:
    """What else there is to hear.

    `near` puts tones about the rate of a top, the hardest case.
    """
    rng = np.random.default_rng([seed, ROOMS.index(kind)])
    t = times(seconds)
    out = 0.02 * pink(rng, len(t)) + 1e-4 * rng.standard_normal(len(t))
    if kind == "silence":
        return np.zeros(len(t))
    if kind.startswith("mains"):
        base = float(kind.split()[1]) * (1 + 2e-4 * np.sin(TURN * t / rng.uniform(10, 60)))
        phase = TURN * np.cumsum(base) / RATE_HZ
        for h in (1, 2, 3, 4, 6):
            out += rng.uniform(0, 0.2) * np.sin(h * phase + rng.uniform(0, TURN))
    if "machine" in kind:
        rate = rng.uniform(10, 100) if near is None else near.start_hz + rng.uniform(-3, 3)
        fall = rng.uniform(0.02, 0.4) if kind.startswith("slowing") else 0.0
        phase = TURN * (rate * t - 0.5 * fall * t**2)
        for h in range(1, 6):
            out += rng.uniform(0, 0.1) * np.sin(h * phase + rng.uniform(0, TURN))
        out += 0.05 * rng.standard_normal(len(t)) * (1 + 0.5 * np.sin(phase))
    if kind == "knocks":
        for at in rng.uniform(0, seconds, 12):
            after = np.maximum(t - at, 0.0)
            ring = np.exp(-after / rng.uniform(0.005, 0.08)) * (t >= at)
            out += rng.uniform(0.1, 1) * ring * np.sin(TURN * rng.uniform(40, 900) * after)
    if kind == "tune":
        for k in range(int(seconds / 0.4)):
            inside = (t >= 0.4 * k) & (t < 0.4 * (k + 1))
            out += 0.1 * inside * np.sin(TURN * rng.uniform(60, 600) * t)
    return out


def pieces(samples: FloatArray, start_s: float = 0.0) -> Iterator[SoundBlock]:
    """Cut sound as a codec does."""
    for first in range(0, len(samples), PIECE):
        part = samples[first : first + PIECE].astype(np.float32)
        yield SoundBlock(start_s + first / RATE_HZ, RATE_HZ, part)


Sound = Callable[[Spin, int], FloatArray]
