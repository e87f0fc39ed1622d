"""From mark angles to an alias order: the steps between a track and a verdict.

The phase is followed (`apparent`), readout and geometry are fitted under every order that the
bounds allow (`shutter`), and the cues are weighed (`alias`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from vidspin import alias, shutter
from vidspin.apparent import Track, slots, usable
from vidspin.records import AliasVerdict, FloatArray, IntArray, ShutterFit
from vidspin.regression import local_rates
from vidspin.shutter import PhaseAnswer

TWO_PI = 2 * np.pi
SLOPE_WINDOW_S = 4.0  # long enough that the slope stands out, short against the spin-down
MOST_WINDOWS = 400
NEAR_RAD = 1.2  # of mark phase; farther from the smooth track is an outlier


@dataclass(frozen=True, slots=True)
class Spin:
    """What is known of the spin before the model is tuned; N frames."""

    angle_rad: FloatArray  # continuous angle as seen (order 0), NaN where unused
    apparent_rad_s: FloatArray  # smooth apparent speed (order 0)
    slot: IntArray
    frame_rate: float
    marks: int
    tilt_rad: float

    @property
    def order_step(self) -> float:
        """Speed between two alias orders, rad/s."""
        return TWO_PI * self.frame_rate / self.marks

    @property
    def wrapped_rad_s(self) -> FloatArray:
        """How fast the mark seems to pass from frame to frame, rad/s of the mark angle."""
        step = self.order_step
        return np.asarray(self.apparent_rad_s - step * np.rint(self.apparent_rad_s / step))

    def omega(self, order: int) -> FloatArray:
        """Signed spin speed under an alias order, rad/s."""
        return self.apparent_rad_s + order * self.order_step


def spin_of(
    track: Track, time_s: FloatArray, *, frame_rate: float, marks: int, tilt_rad: float
) -> Spin:
    """Take what a track says of the spin, frame by frame.

    Parameters
    ----------
    track : Track
    time_s : (N,) array
        Frame times, s.
    frame_rate : float
        Nominal frames a second.
    marks : int
    tilt_rad : float
        Tilt of the ring's major axis.

    Returns
    -------
    Spin
    """
    near = usable(track, NEAR_RAD)
    rate = np.interp(time_s, track.window_s, track.cycles_per_slot)
    return Spin(
        angle_rad=np.where(near, track.phase_rad, np.nan) / marks,
        apparent_rad_s=rate * TWO_PI * frame_rate / marks,
        slot=slots(time_s, frame_rate),
        frame_rate=frame_rate,
        marks=marks,
        tilt_rad=tilt_rad,
    )


def narrow_answer(
    spin: Spin, time_s: FloatArray, u_rad: FloatArray, row_fraction: FloatArray
) -> PhaseAnswer:
    """Answer of the angles to readout and geometry for one narrow mark.

    Parameters
    ----------
    spin : Spin
        With angles as seen.
    time_s, u_rad : (N,) arrays
    row_fraction : (K,) array
        Rows from the frame's middle row at K even angles of the ring, frame heights.

    Returns
    -------
    PhaseAnswer
        For several marks the columns vanish on the mean over the marks, as they should.
    """
    seen = np.nan_to_num(spin.angle_rad)
    columns = np.zeros((len(seen), 2 + 2 * shutter.HARMONICS))
    grid = np.arange(len(row_fraction)) * (TWO_PI / len(row_fraction))
    for j in range(spin.marks):
        at = seen + TWO_PI * j / spin.marks
        rows = np.interp(np.mod(at, TWO_PI), grid, row_fraction, period=TWO_PI)
        columns[:, 0] += rows * spin.apparent_rad_s
        columns[:, 1] += rows * spin.order_step
        for h in range(1, shutter.HARMONICS + 1):
            columns[:, 2 * h] += np.cos(h * at)
            columns[:, 2 * h + 1] += np.sin(h * at)
    return PhaseAnswer(
        time_s, spin.angle_rad, u_rad, spin.slot, columns / spin.marks, spin.apparent_rad_s,
        spin.frame_rate, spin.marks, spin.tilt_rad, float(np.ptp(row_fraction)) / 2,
    )  # fmt: skip


def fits_of_orders(phase: PhaseAnswer, bounds_rpm: tuple[float, float]) -> dict[int, ShutterFit]:
    """Fit readout and geometry under every order that the bounds allow."""
    first = float(phase.apparent_rad_s[0])
    orders = alias.candidate_orders(first, phase.frame_rate, phase.marks, bounds_rpm)
    limit = 1.0 / phase.frame_rate
    return {n: shutter.fit_order(phase, n, longest_readout_s=limit) for n in orders}


def verdict(
    spin: Spin,
    time_s: FloatArray,
    u_rad: FloatArray,
    fits: Mapping[int, ShutterFit],
    *,
    first: int,
    last: int,
    topple_seen: bool,
    bounds_rpm: tuple[float, float] | None,
    odds_needed: float,
    smear: Mapping[int, tuple[float, float]] | None = None,
) -> AliasVerdict:
    """Weigh the cues over the free spin, frames `first` to `last`."""
    inside = slice(first, last + 1)
    t, angle, u = time_s[inside], spin.angle_rad[inside], u_rad[inside]
    window = min(SLOPE_WINDOW_S, max(0.5, float(t[-1] - t[0]) / 3))
    count = int(np.clip((t[-1] - t[0]) / window * 2, 3, MOST_WINDOWS))
    centres = np.linspace(t[0] + window / 2, t[-1] - window / 2, count)
    weight = np.where(np.isfinite(angle), 1.0, 0.0)
    rates = local_rates(
        t, np.nan_to_num(angle), weight, centres_s=centres, windows_s=np.full(count, window)
    )
    dof = np.maximum(rates.count - 3, 1)
    sigma = np.sqrt(rates.chi2 / dof)  # what is left holds geometry and shutter as well
    sigma = np.maximum(sigma, float(np.nanmedian(u)))
    evidence = alias.Evidence(
        time_s=np.concatenate([[t[0]], centres, [t[-1]]]),
        apparent_rad_s=np.interp(
            np.concatenate([[t[0]], centres, [t[-1]]]), t, spin.apparent_rad_s[inside]
        ),
        slope_rad_s2=np.concatenate([[np.nan], rates.slope_rad_s2, [np.nan]]),
        u_slope_rad_s2=np.concatenate([[np.nan], rates.slope_factor * sigma, [np.nan]]),
        frame_rate=spin.frame_rate,
        marks=spin.marks,
        topple_seen=topple_seen,
        fits=fits,
        smear=smear or {},
    )
    return alias.decide(evidence, bounds_rpm, odds_needed=odds_needed)
