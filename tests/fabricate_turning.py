"""Continuous mark angles of a free spin whose speed is known."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from vidspin.records import FloatArray, Quantity
from vidspin.speed.turning import Turning

RATE = 30.0
SIGMA = 0.008  # rad, of one sighting
Law = Callable[[FloatArray], FloatArray]


def even(speed: float = 200.0, drift: float = -0.05) -> tuple[Law, Law]:
    """Angle and speed of a spin that slows down evenly."""
    return (lambda t: speed * t + 0.5 * drift * t**2), (lambda t: speed + drift * t)


def exponential(speed: float = 200.0, tau_s: float = 60.0) -> tuple[Law, Law]:
    """Angle and speed of a spin that falls to 1/e in `tau_s`."""
    return (
        lambda t: speed * tau_s * (1 - np.exp(-t / tau_s)),
        lambda t: speed * np.exp(-t / tau_s),
    )


def slowed(power: int, tau_s: float, speed: float = 200.0) -> tuple[Law, Law]:
    """Angle and speed where the loss goes with a power (0, 1, 2) of the speed; 1/tau at first."""
    laws: dict[int, tuple[Law, Law]] = {
        0: (lambda t: speed * (t - t**2 / (2 * tau_s)), lambda t: speed * (1 - t / tau_s)),
        1: exponential(speed, tau_s),
        2: (lambda t: speed * tau_s * np.log1p(t / tau_s), lambda t: speed / (1 + t / tau_s)),
    }
    return laws[power]


def turning(
    angle_rad: FloatArray,
    *,
    u_rad: float = SIGMA,
    rate: float = RATE,
    tick_s: float = 0.0,
    offset: Quantity | None = None,
    clock_ppm: float = 0.0,
    answer: FloatArray | None = None,
) -> Turning:
    """Say that frames at an even rate have these angles, and nothing else is wrong with them."""
    count = len(angle_rad)
    offset = offset or Quantity(0.0, 0.0)
    frame_s = np.arange(count) / rate
    return Turning(
        time_s=frame_s + offset.value,
        frame_s=frame_s,
        angle_rad=np.asarray(angle_rad, float),
        u_rad=np.full(count, u_rad),
        quality=np.full(count, 0.9),
        free=np.ones(count, bool),
        answer=np.zeros((count, 1)) if answer is None else answer,
        tick_s=tick_s,
        offset=offset,
        clock_ppm=Quantity(0.0, clock_ppm, "stated"),
    )


def noisy(law: tuple[Law, Law], seconds: float, seed: int, sigma: float = SIGMA) -> FloatArray:
    """Angles of a spin at the frame times, with white noise."""
    t = np.arange(round(seconds * RATE)) / RATE
    return law[0](t) + np.random.default_rng(seed).normal(0, sigma, len(t))
