"""How far the simulated top has turned, and how fast it turns.

The truth of a simulated clip.  Angles are turned angles in the sense of rotation, in
radians from the first frame; times are scene seconds from the first frame.

Accuracy of the turned angle: `ConstantSpeed`, `ExponentialLoss` and `SpeedTable` are closed
forms (float64 rounding).  `DragLoss` is integrated by the classical Runge-Kutta rule with
steps of `STEP_S` and read between the nodes by cubic Hermite interpolation; against the
closed form for ``p = 1`` the angle is good to 1e-7 rad over ten minutes, far below any
mark's sighting.  Speed is everywhere the derivative of the angle that is returned.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vidspin.errors import UsageError
from vidspin.records import FloatArray

STEP_S = 0.05
"""Step of the numerical integration: the error grows with its fourth power."""

LEAD_S = 1.0
"""The speed law is known this long before its start: rows may be read before row 0."""


@dataclass(frozen=True, slots=True)
class ConstantSpeed:
    """The top keeps its speed."""


@dataclass(frozen=True, slots=True)
class ExponentialLoss:
    """Speed falls to 1/e in `time_constant_s`."""

    time_constant_s: float


@dataclass(frozen=True, slots=True)
class DragLoss:
    """The speed w obeys ``dw/dt = -(a + b * w**p)``, w in rad/s, until it stands still."""

    a: float  # rad/s2: dry friction of the tip
    b: float  # rad/s2 per (rad/s)**p: air
    p: float = 1.5


@dataclass(frozen=True, slots=True)
class SpeedTable:
    """Speeds at given times since the start, straight lines between, held at both ends."""

    times_s: tuple[float, ...]
    speeds_rad_s: tuple[float, ...]

    def __post_init__(self) -> None:
        rising = all(x < y for x, y in zip(self.times_s, self.times_s[1:], strict=False))
        if len(self.times_s) < 2 or len(self.times_s) != len(self.speeds_rad_s) or not rising:
            raise UsageError(
                "a table of speeds needs two or more rows with rising times",
                where="speed table",
                do="give one time and one speed a row",
            )


SpeedLaw = ConstantSpeed | ExponentialLoss | DragLoss | SpeedTable
FreeSpin = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""Times since the start -> (turned angle since the start, speed)."""


def free_spin(law: SpeedLaw, start_rad_s: float, length_s: float) -> FreeSpin:
    """Return turned angle and speed of a top that is left alone.

    Parameters
    ----------
    law : SpeedLaw
        How the speed changes.
    start_rad_s : float
        Speed at time 0; a `SpeedTable` has its own and ignores this one.
    length_s : float
        Times up to this one will be asked for.

    Returns
    -------
    callable
        Takes times in seconds since the start, of any shape and not before ``-LEAD_S``;
        returns turned angles in rad and speeds in rad/s of the same shape.
    """
    if isinstance(law, SpeedTable):
        return _tabulated(law)
    if isinstance(law, DragLoss):
        return _integrated(law, start_rad_s, length_s)
    if isinstance(law, ExponentialLoss):
        tau = law.time_constant_s
        return lambda t: (-start_rad_s * tau * np.expm1(-t / tau), start_rad_s * np.exp(-t / tau))
    return lambda t: (start_rad_s * t, np.full(np.shape(t), start_rad_s))


def _tabulated(law: SpeedTable) -> FreeSpin:
    """Integrate straight lines exactly; the end speeds are held outside the table."""
    times = np.asarray(law.times_s, np.float64)
    speeds = np.asarray(law.speeds_rad_s, np.float64)
    slopes = np.append(np.diff(speeds) / np.diff(times), 0.0)
    area = np.concatenate([[0.0], np.cumsum(np.diff(times) * (speeds[1:] + speeds[:-1]) / 2.0)])

    def angle(t: FloatArray) -> FloatArray:
        k = np.clip(np.searchsorted(times, t, side="right") - 1, 0, times.size - 1)
        since = t - times[k]
        bend = np.where(since < 0.0, 0.0, slopes[k])
        return np.asarray(area[k] + since * (speeds[k] + 0.5 * bend * since))

    at_zero = float(angle(np.zeros(1))[0])
    return lambda t: (angle(t) - at_zero, np.interp(t, times, speeds))


def _integrated(law: DragLoss, start_rad_s: float, length_s: float) -> FreeSpin:
    """Integrate the drag law both ways from its start; read it by Hermite interpolation."""
    back = _march(law, start_rad_s, LEAD_S, -STEP_S)
    ahead = _march(law, start_rad_s, length_s + STEP_S, STEP_S)
    t, angle, speed = np.concatenate([back[:0:-1], ahead]).T

    def read(times: FloatArray) -> tuple[FloatArray, FloatArray]:
        k = np.clip(np.searchsorted(t, times, side="right") - 1, 0, t.size - 2)
        h = t[k + 1] - t[k]
        x = np.clip((times - t[k]) / h, 0.0, 1.0)
        rise = angle[k + 1] - angle[k]
        c1, c2 = h * speed[k], 3.0 * rise - h * (2.0 * speed[k] + speed[k + 1])
        c3 = h * (speed[k] + speed[k + 1]) - 2.0 * rise
        return angle[k] + x * (c1 + x * (c2 + x * c3)), (c1 + x * (2.0 * c2 + 3.0 * x * c3)) / h

    return read


def _march(law: DragLoss, start_rad_s: float, length_s: float, step: float) -> FloatArray:
    """Return rows of (time, angle, speed) from 0 to `length_s` in the direction of `step`."""

    def slope(w: float) -> float:
        return -(law.a + law.b * float(max(w, 0.0) ** law.p))

    rows = [(0.0, 0.0, start_rad_s)]
    while abs(rows[-1][0]) < length_s:
        t, angle, w = rows[-1]
        k1 = slope(w)
        k2 = slope(w + 0.5 * step * k1)
        k3 = slope(w + 0.5 * step * k2)
        k4 = slope(w + step * k3)
        after = w + step * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0
        if after <= 0.0:
            # The last bit before it stands still, at the slope that holds there.
            if w > 0.0:
                rest = w / -k1
                rows.append((t + rest, angle + 0.5 * w * rest, 0.0))
            rows.append((rows[-1][0] + length_s + 1.0, rows[-1][1], 0.0))
            break
        # The angle's own Runge-Kutta sum, which only needs the speeds at the three places.
        turned = step * (w + step * (k1 + k2 + k3) / 6.0)
        rows.append((t + step, angle + turned, after))
    return np.array(rows)


@dataclass(frozen=True, slots=True)
class Spin:
    """The whole course of the spin: hand, free run, end.

    Notes
    -----
    Before the release the hand speeds the top up from rest over `spin_up_s` along
    ``3 x**2 - 2 x**3``; after the topple the speed falls to nothing over `rest_s` along
    ``(1 - x)**2``.  Both ends join the free run without a step in speed.
    """

    free: FreeSpin
    release_s: float | None
    spin_up_s: float
    topple_s: float | None
    rest_s: float

    def turned_rad(self, times_s: FloatArray) -> FloatArray:
        """Return the turned angle since the first frame, in the sense of rotation."""
        return self._course(np.asarray(times_s, np.float64))[0]

    def speed_rad_s(self, times_s: FloatArray) -> FloatArray:
        """Return the speed; the derivative of `turned_rad`."""
        return self._course(np.asarray(times_s, np.float64))[1]

    def _course(self, times: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return angle and speed: the three parts joined."""
        start = 0.0 if self.release_s is None else self.release_s
        end = np.inf if self.topple_s is None else self.topple_s
        first = -LEAD_S if self.release_s is None else start
        angle, speed = self.free(np.clip(times, first, end) - start)
        if self.release_s is not None:
            full = float(self.free(np.zeros(1))[1][0])
            x = np.clip((times - start) / self.spin_up_s + 1.0, 0.0, 1.0)
            early = times < start
            angle = angle + full * self.spin_up_s * (x**3 - 0.5 * x**4)
            speed = np.where(early, full * x * x * (3.0 - 2.0 * x), speed)
        if self.topple_s is not None:
            left = np.clip((end + self.rest_s - times) / self.rest_s, 0.0, 1.0)
            at_end = float(self.free(np.array([end - start]))[1][0])
            angle = angle + at_end * self.rest_s / 3.0 * (1.0 - left**3)
            speed = np.where(times > end, at_end * left**2, speed)
        return angle, speed
