"""What is known of the mark's angle in free spin, and how does it scatter?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.records import BoolArray, Float32Array, FloatArray, Quantity, Rows
from vidspin.regression import LocalRates, hermite, local_rates
from vidspin.speed import scatter
from vidspin.speed.leaning import Leaning
from vidspin.speed.roll import Roll
from vidspin.speed.scatter import FIRST_WINDOW_S

OUTLIER = 5.0  # robust standard deviations
# A median of sizes is as good as the root mean square of this share of the values: asymptotic
# efficiency of the median absolute deviation for normal noise (Rousseeuw & Croux, J. Amer.
# Statist. Assoc. 88 (1993) 1273-1283; from memory, tested numerically).
MEDIAN_EFFICIENCY = 0.37


@dataclass(frozen=True, slots=True)
class Ripple:
    """What the places of the ring put the angle off by, as `ripple` told it; K instants."""

    time_s: FloatArray  # (K,)
    amplitude_rad: FloatArray  # (K, 2H) cosine and sine of each harmonic by turns
    covariance: Float32Array  # (K, 2H, 2H) of what is left of it
    response: Float32Array  # (K, 2H, q) amplitudes that a unit of each shutter column brings
    marks: int  # harmonics are of so many times the angle
    taken: float  # share of the noise that went with it

    def amplitudes_at(self, time_s: FloatArray) -> FloatArray:
        """Return the amplitudes at N instants, straight from one to the next; (N, 2H)."""
        columns = [np.interp(time_s, self.time_s, c) for c in self.amplitude_rad.T]
        return np.stack(columns, axis=1)


@dataclass(frozen=True, slots=True)
class Sticking:
    """How far pictures that stick to earlier ones hold the mark back, as `sticking` told it."""

    # (N, 3) by how much too far the mark is seen, by three shapes; 0 where nothing holds it
    pull_rad: FloatArray


@dataclass(frozen=True, slots=True)
class Turning:
    """Continuous mark angle of the free spin; N frames."""

    time_s: FloatArray  # instants of the angles: exposure centre of the middle row
    frame_s: FloatArray  # frame times as stated
    angle_rad: FloatArray  # continuous, signed, NaN where unused
    u_rad: FloatArray
    quality: FloatArray
    free: BoolArray  # between release and topple
    answer: Rows  # (N, q) angle for one standard doubt of each independent line of the shutter
    tick_s: float  # step of the container's clock
    offset: Quantity  # exposure centre of the middle row minus frame time, s
    clock_ppm: Quantity
    leaning: Leaning | None = None  # before a topple
    parted_s: tuple[float, ...] = ()  # breaks: instants across which the spin is not one piece
    seams_s: tuple[float, ...] = ()  # between chapters: nor is its time there
    ripple: Ripple | None = None  # taken off the angles already
    roll: Roll | None = None  # of the camera
    sticking: Sticking | None = None  # near stand-still speeds
    ends_s: tuple[float | None, float | None] = (None, None)  # release and topple, where seen
    later_s: FloatArray | None = None  # (N,) than the middle row, the top's own rows may be read

    @property
    def edges_s(self) -> tuple[float, ...]:
        """Instants across which nothing may be fitted."""
        return (*self.parted_s, *self.seams_s)

    def in_one_piece(self, at: FloatArray, length_s: FloatArray) -> BoolArray:
        """Tell which of M windows reach over no instant that parts the spin."""
        parted = np.array(self.edges_s, np.float64)
        return np.asarray((np.abs(at[:, None] - parted) > length_s[:, None] / 2).all(axis=1))

    def between_ends(self, at: FloatArray) -> BoolArray:
        """Tell which of M instants lie between release and topple, as far as these were seen."""
        low_s, high_s = self.ends_s
        low_s, high_s = -np.inf if low_s is None else low_s, np.inf if high_s is None else high_s
        return np.asarray((at >= low_s) & (at <= high_s))

    @property
    def told_s(self) -> tuple[float, float]:
        """From when to when speeds are told: free spin that was seen between release and topple.

        Before a release or beyond a topple that a person states it was the hand, or a falling top.
        Where all that was seen lies there, it is all that there is to tell.
        """
        free_s = self.time_s[self.free]
        inside = free_s[self.between_ends(free_s)]
        seen = inside if len(inside) else free_s
        return float(seen[0]), float(seen[-1])


@dataclass(frozen=True, slots=True)
class Noise:
    """What one look at the residuals tells; N frames."""

    usable: BoolArray
    residual_rad: FloatArray
    smooth_rad: FloatArray  # smooth angle at every frame of the free spin
    scale: FloatArray  # (N,) factor on u_rad that explains the scatter about each frame
    spread: float  # variance of a mean over neighbours against independent sightings
    dof: float


def look(turning: Turning) -> Noise:
    """Fit smoothly once, drop outliers, and learn how the residuals scatter."""
    t = turning.time_s
    seen = turning.free & np.isfinite(turning.angle_rad) & np.isfinite(turning.u_rad)
    smooth, residual, usable = _apart(turning, seen, FIRST_WINDOW_S)
    window = FIRST_WINDOW_S
    while not usable.any() and window < np.ptp(t[turning.free]):  # too few sightings in each
        window *= 2
        smooth, residual, usable = _apart(turning, seen, window)
    if not usable.any():
        smooth, residual, usable = np.full(len(t), np.nan), np.full(len(t), np.nan), seen
    scale = scatter.local_size(residual, usable, t, turning.u_rad)
    scale = scale * np.sqrt(scatter.lost(usable, t))
    if turning.ripple is not None:
        scale = scale / np.sqrt(1 - turning.ripple.taken)
    spread = scatter.spread_of(
        residual / (scale * turning.u_rad), usable, scatter.taken_share(usable, t)
    )
    block = min(float(usable.sum()), scatter.pace(usable, t) * scatter.NOISE_BLOCK_S)
    dof = max(2.0, MEDIAN_EFFICIENCY * block / spread)
    return Noise(usable, residual, smooth, scale, spread, dof)


def _apart(
    turning: Turning, seen: BoolArray, window_s: float
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Smooth angle through windows of one length, what is left of each, and which are near it."""
    usable, t = seen, turning.time_s
    smooth = np.full(len(t), np.nan)
    residual = np.full(len(t), np.nan)
    step = max(window_s / 6, float(np.median(np.diff(t))))
    knots = np.arange(t[turning.free][0], t[turning.free][-1] + step, step)
    for _ in range(3):
        weight = np.where(usable, 1.0 / turning.u_rad**2, 0.0)
        angle = np.where(usable, turning.angle_rad, 0.0)
        fit = local_rates(
            t, angle, weight, centres_s=knots, windows_s=np.full(len(knots), window_s)
        )
        smooth[turning.free] = _through(knots, fit, t[turning.free])
        residual = turning.angle_rad - smooth
        size = scatter.local_size(residual, usable, t, turning.u_rad)
        usable = (
            turning.free
            & np.isfinite(residual)
            & (np.abs(residual) < OUTLIER * size * turning.u_rad)
        )
        if not usable.any():
            break
    return smooth, residual, usable


def _through(knots: FloatArray, fit: LocalRates, at: FloatArray) -> FloatArray:
    """Smooth angle between window centres: cubic through their phases and rates."""
    good = np.isfinite(fit.value_rad)
    if good.sum() < 2:
        return np.full(len(at), np.nan)
    x, v, r = knots[good], fit.value_rad[good], fit.rate_rad_s[good]
    inside, slope = hermite(at, x, v, r), fit.slope_rad_s2[good]
    before, after = np.minimum(at - x[0], 0.0), np.maximum(at - x[-1], 0.0)
    inside += before * r[0] + 0.5 * slope[0] * before**2
    inside += after * r[-1] + 0.5 * slope[-1] * after**2
    return inside


def weighted_u(turning: Turning, noise: Noise) -> FloatArray:
    """Take the standard uncertainty of each sighting as its scatter shows it."""
    return turning.u_rad * noise.scale


def weights(noise: Noise, u: FloatArray) -> FloatArray:
    """Weigh every sighting by its uncertainty; 0 leaves one out."""
    return np.where(noise.usable, 1.0 / u**2, 0.0)
