"""How does the top's body move beside its spin?

A body whose middle lies off the spin axis circles it once a turn, always on the same side of
the mark.  Turning the body's place in every frame back by the mark's angle makes that offset
stand still and everything else average out.  A top whose axis leans precesses: its place
circles slowly, at a rate of its own.

Places are taken along the ring's axes, the minor one stretched, so that a circle about the
axis is one again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

from vidspin.cyclic import TWO_PI
from vidspin.records import BoolArray, Ellipse, FloatArray, Quantity, Wobble

SLOW_S = 1.0  # slower movements are wander and are taken out before the run-out is averaged
LEAST_FRAMES = 60
BLOCKS = 12
SEEN = 3.0  # standard uncertainties
# The mark may pull the place that is found for the body by so much of its path's radius
# (simulated and ray-traced tops without run-out: up to 8e-5, half of them below 3e-5).
PULL = 4e-5
SCALE_DOUBT = 0.02  # of the amplitude: linear steps of the follower, smear
WINDOW_S = 6.0
LOW_HZ, HIGH_HZ = 0.5, 8.0  # three turns a window; slower is wander
NEAR_HZ = 1.5  # about a line, over which its floor is taken
CLEAR = 18.0  # power over the floor; 60 places of noise reach that in one window of a million
ONE_WAY = 0.4  # of a circle's power, at most, the other way round: else the camera swings
SPIN_LINES = 3  # multiples of the spin rate that are left out

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Places:
    """Where the top was, frame by frame; N frames of the free spin."""

    time_s: FloatArray
    angle_rad: FloatArray  # mark angle, NaN where unknown; whole turns do not matter
    x_px: FloatArray
    y_px: FloatArray
    usable: BoolArray


def wobble(places: Places, ring: Ellipse, diameter_mm: float | None = None) -> Wobble | None:
    """Find run-out and precession.

    Parameters
    ----------
    places : Places
    ring : Ellipse
        Path of the mark's middle.
    diameter_mm : float, optional
        Diameter of that path on the top.

    Returns
    -------
    Wobble or None
        None where too few frames tell both place and angle.
    """
    good = places.usable & np.isfinite(places.angle_rad) & np.isfinite(places.x_px)
    if good.sum() < LEAST_FRAMES:
        return None
    t = places.time_s[good]
    z = _unfolded(places.x_px[good], places.y_px[good], ring)
    angle = places.angle_rad[good] - ring.tilt_rad
    turn, u = _run_out(z, angle, t, ring.major_px)
    size = abs(turn)
    seen = bool(size > SEEN * u)
    amount = Quantity(size, float(np.hypot(u, SCALE_DOUBT * size)),
                      "averaged over all turns against the mark angle")  # fmt: skip
    z = z - turn * np.exp(1j * angle)
    at, hz, amplitude, u_amplitude, windows = _precession(z, angle, t)
    return Wobble(
        run_out_px=amount,
        run_out_seen=seen,
        angle_rad=Quantity(float(np.angle(turn)), u / size, amount.how) if seen else None,
        run_out_mm=None if diameter_mm is None else in_mm(amount, ring, diameter_mm),
        time_s=at,
        precession_hz=hz,
        amplitude_px=amplitude,
        u_amplitude_px=u_amplitude,
        windows=windows,
    )  # fmt: skip


def in_mm(amount: Quantity, ring: Ellipse, diameter_mm: float) -> Quantity:
    """Put a run-out into mm.

    Parameters
    ----------
    amount : Quantity
        Run-out, px.
    ring : Ellipse
        Path of the mark's middle.
    diameter_mm : float
        Diameter of that path on the top.
    """
    scale = diameter_mm / (2 * ring.major_px)
    how = f"{diameter_mm:g} mm across the mark's path"
    return Quantity(amount.value * scale, amount.u * scale, how)


def _unfolded(x: FloatArray, y: FloatArray, ring: Ellipse) -> Complex:
    """Places along the ring's axes, the minor one stretched."""
    x, y = x - np.median(x), y - np.median(y)
    cos, sin = np.cos(ring.tilt_rad), np.sin(ring.tilt_rad)
    across = (y * cos - x * sin) * ring.major_px / max(ring.minor_px, 1e-9)
    return np.asarray(x * cos + y * sin + 1j * across, np.complex128)


def _take_mean_out(z: Complex, size: int) -> None:
    """Take the running mean out of the array itself: copies of it add up in long recordings."""
    z.real -= uniform_filter1d(z.real, size)
    z.imag -= uniform_filter1d(z.imag, size)


def _run_out(z: Complex, angle: FloatArray, t: FloatArray, radius: float) -> tuple[complex, float]:
    """Offset that turns with the mark, and its standard uncertainty.

    Blocks of time tell the random part.  What turns the other way cannot be a run-out: its size
    tells what else is in step with the mark, as does `PULL`.
    """
    size = max(3, round(SLOW_S / max(float(np.median(np.diff(t))), 1e-9)))
    quick = z.copy()
    _take_mean_out(quick, size)
    # the slow mean takes a part of a slowly passing offset along: undo that
    kept = np.exp(1j * angle)
    _take_mean_out(kept, size)
    parts = np.array_split(np.arange(len(t)), BLOCKS)
    amounts = np.array([_fitted(quick[p], kept[p]) for p in parts])
    weights = np.array([float(np.sum(np.abs(kept[p]) ** 2)) for p in parts])
    mean = _fitted(quick, kept)
    back = _fitted(quick, np.conj(kept, out=kept))
    scatter = float(np.average(np.abs(amounts - mean) ** 2, weights=weights)) / (BLOCKS - 1) / 2
    return mean, float(np.sqrt(scatter + abs(back) ** 2 / 2 + (PULL * radius) ** 2))


def _fitted(z: Complex, shape: Complex) -> complex:
    power = float(np.vdot(shape, shape).real)
    return complex(np.vdot(shape, z)) / power if power > 1e-6 * len(z) else 0.0j


def _precession(
    z: Complex, angle: FloatArray, t: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, int]:
    """Slow circles window by window: time, rate, amplitude, its u, and how many windows."""
    step = float(np.median(np.diff(t)))
    high = min(HIGH_HZ, 0.4 / step)
    rows, windows = [], 0
    starts = np.arange(t[-1] - WINDOW_S, t[0] - step, -WINDOW_S / 2)[::-1]  # the end counts most
    for start in starts:
        inside = (t >= start) & (t <= start + WINDOW_S)
        if inside.sum() < 0.7 * WINDOW_S / step:
            continue
        windows += 1
        found = _circle(z[inside], angle[inside], t[inside], step, high)
        if found is not None:
            rows.append((start + WINDOW_S / 2, *found))
    table = np.array(rows).reshape(-1, 4)
    return table[:, 0], table[:, 1], table[:, 2], table[:, 3], windows


def _circle(
    z: Complex, angle: FloatArray, t: FloatArray, step: float, high_hz: float
) -> tuple[float, float, float] | None:
    """Clearest slow circle of a window: rate, amplitude, u; None when none stands out."""
    even = np.arange(t[0], t[-1], step)
    x = np.interp(even, t, z.real) + 1j * np.interp(even, t, z.imag)
    line = np.polynomial.polynomial
    for part in (x.real, x.imag):
        part -= line.polyval(even - even[0], line.polyfit(even - even[0], part, 2))
    window = np.hanning(len(even))
    spectrum = np.fft.fft(x * window) / window.sum()
    hz = np.fft.fftfreq(len(even), step)
    power = np.abs(spectrum) ** 2
    order = np.argsort(hz)
    size = 2 * max(2, round(NEAR_HZ * len(even) * step)) + 1
    floor = np.empty_like(power)
    floor[order] = median_filter(power[order], size=size, mode="wrap") / np.log(2.0)
    allowed = (np.abs(hz) >= LOW_HZ) & (np.abs(hz) <= high_hz)
    passing = float(np.median(np.diff(np.unwrap(angle)))) / step / TWO_PI
    for h in range(-SPIN_LINES, SPIN_LINES + 1):
        away = np.mod(hz - h * passing + 0.5 / step, 1.0 / step) - 0.5 / step
        allowed &= (np.abs(away) > 3.0 / (len(even) * step)) | (h == 0)
    if not allowed.any():
        return None
    k = int(np.argmax(np.where(allowed, power, 0.0)))
    if power[k] < CLEAR * max(floor[k], 1e-12):
        return None
    near = np.array([k - 1, k, k + 1]) % len(hz)
    back = near * -1 % len(hz)
    if power[k] < power[near].max() or power[back].max() > ONE_WAY * power[k]:
        return None  # the flank of wander, or a swing to and fro
    rate = float(np.average(np.unwrap(hz[near] * step * TWO_PI), weights=power[near]))
    # a Hann window spreads a line over three bins; together they hold its power whole
    amplitude = float(np.sqrt(power[near].sum() / 1.5))
    return rate / step / TWO_PI, amplitude, float(np.sqrt(floor[k] / 2))
