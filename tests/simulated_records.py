"""Simulated phase records: what a camera would have seen of a top, with the truth beside it.

Nothing of the program is imported.  The spin is integrated numerically (Runge-Kutta), the mark
runs on a circle in space that a pinhole camera sees in perspective, every row of the picture
is read at its own instant, and the instant at which the mark crosses its row is found by
bisection.  What comes out is what a sighting would be: wrapped mark angles with noise,
outliers, uneven and rounded frame times, lost frames, unseen stretches, a hand.

The figures that are drawn are broad on purpose: wider than what phones and finger tops do.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import trapezoid
from scipy.interpolate import CubicHermiteSpline

Floats = NDArray[np.float64]

FRAME_RATES = (24.0, 24000 / 1001, 25.0, 30000 / 1001, 30.0, 50.0, 60000 / 1001, 60.0, 120.0, 240.0)
TICKS_S = (None, 1 / 90000, 1 / 600, 1e-3)  # resolution of the frame times
ROW_ANGLES = 720  # even angles at which the surveyed ring's rows are listed
STEP_S = 0.02  # of the integration; a push lasts five steps or more
MOST_FRAMES = 9000  # keeps a thousand records affordable
RPM = math.pi / 30  # rad/s of one rev/min
TURN = 2 * math.pi
FASTEST_RPM = 5900.0
SLOWEST_RPM = 60.0


@dataclass(frozen=True)
class Record:
    """Sightings of one recording, and the truth; N frames, weight 0 where the top is unseen."""

    number: int
    kind: str  # "start", "middle" or "full"
    hand: str  # "", "push" or "brake"
    frame_rate: float  # nominal
    marks: int
    time_s: Floats  # stamps
    angle_rad: Floats  # as seen, in [0, 2 pi / marks)
    weight: Floats
    u_rad: Floats  # as the program would state it
    row_fraction: Floats  # rows from the middle row on the surveyed ring, frame heights
    tilt_rad: float
    bounds_rpm: tuple[float, float] | None
    free_from_s: float  # when the spin begins, with which the bounds are meant
    topple_s: float | None  # None: not seen in the recording
    readout_s: float
    amplitude: float  # largest angle error of the shutter over the record, rad
    jitter_s: float
    noise_rad: float
    true_rad_s: Callable[[float], float]  # signed speed at a time, clockwise positive

    @property
    def spacing_rad_s(self) -> float:
        """Distance of speeds that look alike."""
        return TURN * self.frame_rate / self.marks


# ---------------------------------------------------------------------------- the spin


@dataclass(frozen=True)
class _Spin:
    speed: CubicHermiteSpline  # magnitude, rad/s
    angle: CubicHermiteSpline  # its integral, rad
    end_s: float


def _integrate(
    start_rad_s: float,
    loss: Callable[[float], float],
    torque: Callable[[float], float],
    longest_s: float,
    stop_rad_s: float,
) -> _Spin:
    """Integrate the spin-down by Runge-Kutta's fourth-order rule until time or spin is over."""

    def rate(t: float, w: float) -> float:
        return torque(t) - loss(max(w, 0.0))

    t, w, h = 0.0, start_rad_s, STEP_S
    times, speeds, rates = [t], [w], [rate(t, w)]
    while t < longest_s and w > stop_rad_s:
        k1 = rates[-1]
        k2 = rate(t + h / 2, w + h / 2 * k1)
        k3 = rate(t + h / 2, w + h / 2 * k2)
        k4 = rate(t + h, w + h * k3)
        t, w = t + h, w + h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
        times.append(t)
        speeds.append(w)
        rates.append(rate(t, w))
    speed = CubicHermiteSpline(times, speeds, rates)
    return _Spin(speed, speed.antiderivative(), times[-1])


def _law(
    rng: np.random.Generator, start: float, end: float, life_s: float
) -> Callable[[float], float]:
    """Draw dw/dt = -(a + b w**p) that falls from `start` to `end` in about `life_s`.

    One law in three loses more once the top leans over: a tenth to three times as much again.
    """
    power = rng.uniform(0.0, 2.0)
    constant = rng.uniform(0.0, 1.0)  # share of the loss at the start that is constant
    lean = rng.uniform(0.1, 3.0) if rng.random() < 1 / 3 else 0.0
    fall = end * rng.uniform(0.1, 0.5)

    def shape(w: float) -> float:
        lost: float = constant + (1 - constant) * (w / start) ** power
        if lean:
            lost *= 1 + lean * math.exp(-max(w - end, 0.0) / fall)
        return lost

    grid = np.linspace(end, start, 200)
    needed = float(trapezoid([1 / shape(float(w)) for w in grid], grid))
    scale = needed / life_s
    return lambda w: scale * shape(w)


def _pulse(begin_s: float, length_s: float, change_rad_s: float) -> Callable[[float], float]:
    """Torque of a hand: a raised cosine that changes the speed by `change_rad_s`."""

    def torque(t: float) -> float:
        x = (t - begin_s) / length_s
        return change_rad_s / length_s * (1 - math.cos(TURN * x)) if 0 < x < 1 else 0.0

    return torque


# -------------------------------------------------------------------------- the camera


@dataclass(frozen=True)
class _View:
    """A mark's circle in perspective, and the ellipse that a survey would have taken it for."""

    inclination: float  # of the circle's axis against the line of sight
    distance: float  # of the camera, in radii of the circle
    scale: float  # frame heights a unit of the picture plane
    turn: float  # of the picture, rad
    row: float  # of the axis from the middle row, frame heights
    ellipse: Floats  # surveyed: x, y, major, minor, tilt; frame heights from the axis
    bumps: Floats  # (H, 2) further angle errors by harmonics, rad

    def place(self, theta: Floats) -> tuple[Floats, Floats]:
        """Place of the mark in the picture (x, y from the axis, frame heights)."""
        x, y = np.cos(theta), np.sin(theta) * math.cos(self.inclination)
        depth = np.sin(theta) * math.sin(self.inclination)
        zoom = self.scale * self.distance / (self.distance + depth)
        c, s = math.cos(self.turn), math.sin(self.turn)
        return zoom * (x * c - y * s), zoom * (x * s + y * c)

    def rows(self, theta: Floats) -> Floats:
        """Rows of the mark from the middle row, frame heights."""
        return self.row + self.place(theta)[1]

    def seen(self, theta: Floats) -> Floats:
        """Mark angle that the surveyed ellipse gives, on the turn of the true one."""
        x, y = self.place(theta)
        x0, y0, major, minor, tilt = self.ellipse
        c, s = math.cos(tilt), math.sin(tilt)
        u, v = (x - x0) * c + (y - y0) * s, (y - y0) * c - (x - x0) * s
        angle = np.arctan2(v / minor, u / major) + tilt
        for h, (a, b) in enumerate(self.bumps, 1):
            angle = angle + a * np.cos(h * angle) + b * np.sin(h * angle)
        # the mark's own zero is its place at theta = turn, so both angles are of one size
        return theta + self.turn + _wrapped(angle - theta - self.turn, TURN)

    def surveyed_rows(self) -> Floats:
        """Rows of the surveyed ring at even mark angles."""
        _, y0, major, minor, tilt = self.ellipse
        local = np.arange(ROW_ANGLES) * TURN / ROW_ANGLES - tilt
        along, across = major * np.cos(local), minor * np.sin(local)
        return np.asarray(self.row + y0 + along * math.sin(tilt) + across * math.cos(tilt))


def _wrapped(angle: Floats, period: float) -> Floats:
    return np.asarray(np.mod(angle + period / 2, period) - period / 2)


def _view(rng: np.random.Generator) -> _View:
    """Draw a camera; most are held level or upright, some anyhow."""
    inclination = math.acos(rng.uniform(0.3, 0.98))
    distance = rng.uniform(7.0, 40.0)
    held = rng.choice([0.0, math.pi / 2, rng.uniform(-math.pi / 2, math.pi / 2)], p=[0.6, 0.2, 0.2])
    turn = float(held + rng.normal(0, 0.1))
    scale = rng.uniform(0.06, 0.42)
    plain = _View(inclination, distance, scale, turn, 0.0, np.zeros(5), np.zeros((0, 2)))
    x, y = plain.place(np.linspace(0, TURN, 60, endpoint=False))
    row = rng.uniform(-1, 1) * max(0.0, 0.48 - float(np.max(np.abs(y))))
    # the picture of a circle is an ellipse, though not about the picture of its centre
    design = np.stack([x * x, x * y, y * y, x, y], 1)
    a, b, c, d, e = np.linalg.lstsq(design, np.ones(len(x)), rcond=None)[0]
    x0, y0 = np.linalg.solve([[2 * a, b], [b, 2 * c]], [-d, -e])
    size = 1 + a * x0**2 + b * x0 * y0 + c * y0**2
    values, vectors = np.linalg.eigh(np.array([[a, b / 2], [b / 2, c]]) / size)
    major, minor = 1 / np.sqrt(values)
    tilt = math.atan2(vectors[1, 0], vectors[0, 0])
    tilt += round((turn - tilt) / math.pi) * math.pi  # of the two names of an axis the near one
    wrong = rng.normal(0, 0.01, 4)  # the survey is a per cent off
    ellipse = np.array([
        x0 + wrong[0] * scale, y0 + wrong[1] * scale * minor / major,
        major * (1 + wrong[2]), minor * (1 + wrong[3]), tilt + rng.normal(0, 0.005),
    ])  # fmt: skip
    bumps = rng.normal(0, 1, (6, 2)) * np.array([0.015, 0.01, 0.004, 0.003, 0.002, 0.001])[:, None]
    return _View(inclination, distance, scale, turn, row, ellipse, bumps)


def _true_angle(
    angle: Floats,
    speed: Floats,
    slope: Floats,
    readout_s: float,
    view: _View,
    rng: np.random.Generator,
) -> Floats:
    """Angle of the mark on its circle when its own row is read.

    Solves ``theta = angle(t + readout * rows(theta))`` frame by frame; where one mark is seen
    several times in a frame, one of its pictures is taken at random.
    """

    def miss(theta: Floats, k: NDArray[np.int64] | slice = slice(None)) -> Floats:
        later = readout_s * view.rows(theta)
        return np.asarray(theta - angle[k] - speed[k] * later - 0.5 * slope[k] * later**2)

    probe = view.rows(np.linspace(0, TURN, 720))
    span = float(np.max(np.abs(probe)))
    climb = float(np.max(np.abs(np.diff(probe)))) * 719 / TURN
    reach = np.abs(speed) * abs(readout_s) * span * 1.05 + 0.02
    low, high = angle - reach, angle + reach
    many = np.flatnonzero(np.abs(speed * readout_s) * climb > 0.95)
    for k in many:
        grid = np.linspace(low[k], high[k], max(8, math.ceil(2 * reach[k] / 0.05)))
        one = np.full(len(grid), k)
        ups = miss(grid, one) > 0
        crossing = np.flatnonzero(ups[1:] != ups[:-1])
        at = int(rng.choice(crossing))
        low[k], high[k] = grid[at], grid[at + 1]
    sign = np.where(miss(high) > 0, 1.0, -1.0)
    for _ in range(44):
        middle = 0.5 * (low + high)
        above = sign * miss(middle) > 0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return 0.5 * (low + high)


# -------------------------------------------------------------------------- the record


def simulate(number: int) -> Record:
    """Make record `number`; the same number gives the same record."""
    rng = np.random.default_rng([number, 20260101])
    frame_rate = float(rng.choice(FRAME_RATES))
    marks = int(rng.choice([1, 2, 3], p=[0.6, 0.25, 0.15]))
    kind = str(rng.choice(["start", "middle", "full"], p=[0.45, 0.15, 0.4]))
    hand = str(rng.choice(["", "push", "brake"], p=[0.86, 0.07, 0.07]))
    spin, toppled, hand_s, start = _draw_spin(
        rng, kind, hand, frame_rate, frame_rate / marks * TURN
    )
    sign = float(rng.choice([-1.0, 1.0]))
    view = _view(rng)
    readout = 0.0
    if rng.random() < 0.9:
        readout = float(rng.choice([-1, 1]) * rng.uniform(0.0, min(0.030, 1 / frame_rate)))
    stamps, times, jitter = _frame_times(rng, spin.end_s, frame_rate)
    angle, speed = sign * spin.angle(times), sign * spin.speed(times)
    slope = sign * spin.speed.derivative()(times)
    shift = np.zeros(len(times))
    for j in range(marks):
        mark = angle + TURN * j / marks
        theta = _true_angle(mark, speed, slope, readout, view, rng)
        shift += (view.seen(theta) - mark) / marks
    if kind == "full":
        shift += _precession(rng, times, spin)
    noise = float(np.exp(rng.uniform(math.log(1e-3), math.log(30e-3))))
    each = noise * np.exp(rng.normal(0, 0.2, len(times)))
    seen = angle + shift + rng.normal(0, 1, len(times)) * each
    outliers = rng.random(len(times)) < rng.uniform(0.0, 0.03)
    seen = np.where(outliers, rng.uniform(0, TURN, len(times)), seen)
    weight, seen = _covered(rng, times, seen, hand_s, spin.end_s)
    kept = (weight >= 0) & (rng.random(len(times)) > rng.choice([0.0, 0.002, 0.02]))
    bounds = None
    if rng.random() < 0.25:  # the user's word is up to a tenth off
        stated = start / RPM * rng.uniform(0.9, 1.1)
        bounds = (0.85 * stated, 1.15 * stated)
    reach = abs(readout) * float(np.ptp(view.rows(np.linspace(0, TURN, 99)))) / 2
    origin = stamps[kept][0]
    return Record(
        number=number, kind=kind, hand=hand, frame_rate=frame_rate, marks=marks,
        time_s=stamps[kept] - origin, angle_rad=np.mod(seen[kept], TURN / marks),
        weight=weight[kept], u_rad=(each * rng.uniform(0.7, 1.4))[kept],
        row_fraction=view.surveyed_rows(), tilt_rad=float(view.ellipse[4]), bounds_rpm=bounds,
        free_from_s=-origin, topple_s=spin.end_s - origin if toppled else None, readout_s=readout,
        amplitude=reach * float(np.max(np.abs(speed))), jitter_s=jitter, noise_rad=noise,
        true_rad_s=lambda t: sign * float(spin.speed(min(t + origin, spin.end_s))),
    )  # fmt: skip


def _draw_spin(
    rng: np.random.Generator, kind: str, hand: str, frame_rate: float, spacing: float
) -> tuple[_Spin, bool, tuple[float, float] | None, float]:
    """Draw a spin-down and the part of it that is filmed."""
    end = rng.uniform(120.0, 700.0) * RPM
    if rng.random() < 0.5:
        start = rng.uniform(600.0, 2600.0) * RPM
    else:
        start = math.exp(rng.uniform(math.log(SLOWEST_RPM), math.log(FASTEST_RPM))) * RPM
    if rng.random() < 0.12:  # about a stand-still speed
        still = max(1, round(start / spacing)) * spacing
        start = still * rng.uniform(0.998, 1.01) if still < FASTEST_RPM * RPM else start
    if kind == "full":
        start = max(start, end * rng.uniform(1.3, 3.0))
        longest = min(240.0, MOST_FRAMES / frame_rate)
        life = math.exp(rng.uniform(math.log(20.0), math.log(longest)))
    else:
        end = min(end, start / 2)
        life = math.exp(rng.uniform(math.log(40.0), math.log(2000.0)))
    law = _law(rng, start, end, life)
    if kind == "middle":  # the filming starts when a part of the spin is over
        start = start - (start - end) * rng.uniform(0.1, 0.8)
    longest = 1e9 if kind == "full" else rng.uniform(5.0, 30.0 if kind == "start" else 60.0)
    longest = min(longest, 1.5 * MOST_FRAMES / frame_rate)
    torque, hand_s = _pulse(0, 1, 0), None
    if hand:
        length = rng.uniform(0.1, 0.8)
        at = rng.uniform(0.2, 0.8) * min(longest, 0.7 * life)
        part = rng.uniform(0.01, 0.10) if hand == "push" else -rng.uniform(0.03, 0.30)
        torque, hand_s = _pulse(at, length, part * start), (at, length)
    spin = _integrate(start, law, torque, longest, end)
    return spin, kind == "full" and spin.end_s < longest - STEP_S, hand_s, start


def _frame_times(
    rng: np.random.Generator, end_s: float, frame_rate: float
) -> tuple[Floats, Floats, float]:
    """Stamps and true instants of the frames; the clock is up to 50 ppm off the nominal rate."""
    count = int(end_s * frame_rate)
    even = np.arange(count) / (frame_rate * (1 + rng.uniform(-50e-6, 50e-6)))
    jitter = 0.0 if rng.random() < 0.4 else rng.uniform(0.0, 1e-3)
    swing = 0.2 / frame_rate
    true = even + np.clip(rng.normal(0, jitter, count) if jitter else 0.0, -swing, swing)
    true = np.clip(true, 0.0, end_s)
    tick = TICKS_S[rng.integers(len(TICKS_S))]
    stamps = true if tick is None else np.rint(true / tick) * tick
    if rng.random() < 0.1:  # a camera that writes even times whatever it did
        stamps = even
    return stamps, true, jitter


def _precession(rng: np.random.Generator, times: Floats, spin: _Spin) -> Floats:
    """Slow wobble of the seen angle: a milliradian at first, several as the spin ends."""
    size = rng.uniform(0.0, 2e-3) + rng.uniform(0.0, 8e-3) * np.exp(
        (times - spin.end_s) / (0.1 * spin.end_s)
    )
    rate = rng.uniform(1.0, 6.0) * spin.speed(0.0) / np.maximum(spin.speed(times), 1.0)
    grown = np.concatenate([[0.0], np.cumsum(rate[1:] * np.diff(times))])
    return np.asarray(size * np.sin(grown + rng.uniform(0, TURN)))


def _covered(
    rng: np.random.Generator,
    times: Floats,
    seen: Floats,
    hand_s: tuple[float, float] | None,
    end_s: float,
) -> tuple[Floats, Floats]:
    """Weights and angles with stretches out of sight: 0 = unseen, -1 = frame lost.

    A covered mark is noticed mostly; sometimes it gives angles at random instead.
    """
    weight, seen = np.ones(len(times)), seen.copy()
    stretches = [(rng.uniform(0, end_s), rng.uniform(0.1, 2.0)) for _ in range(rng.integers(0, 4))]
    stretches = [s for s in stretches if s[1] < 0.2 * end_s]
    if hand_s is not None and rng.random() < 0.7:
        spare = rng.uniform(0.0, 0.5)
        stretches.append((hand_s[0] - spare, hand_s[1] + 2 * spare))
    if rng.random() < 0.5:  # the hand that starts it
        stretches.append((-1.0, 1.0 + rng.uniform(0.0, 0.1) * min(end_s, 15.0)))
    for begin, length in stretches:
        inside = (times >= begin) & (times < begin + length)
        how = rng.choice(3, p=[0.4, 0.4, 0.2])
        if how == 2:
            seen[inside] = rng.uniform(0, TURN, int(inside.sum()))
        else:
            weight[inside] = -float(how)
    return weight, seen
