"""Simulated phase records with one fault each, and clean ones, with the truth beside them.

What comes out is what the sightings of a recording would be: frame times as a file states them,
mark angles up to whole turns with noise, the place of the top, and the brightness of bands of
rows under a lamp.  The spin is integrated by SciPy, frames are taken at scene instants, and a
fault is done to the frames (cut, loop, held pictures, stretched times) or to the top (push,
brake).  Copies of a frame carry its noise again, with a fresh share for a second compression.

Clean records have what phones and tops do without anybody's doing: jitter, coarse ticks, lost and
doubled frames, outliers, an unseen stretch, leftovers of shutter and ellipse, a wobbling top.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from vidspin.checks.believed import frames_taken
from vidspin.checks.case import Case, lamp_of, look_for_breaks, phase_of, replayed
from vidspin.checks.repeats import held_frames
from vidspin.frames.glance import BANDS, Glances
from vidspin.frames.reading import Readings
from vidspin.order.apparent import slots
from vidspin.records import Quantity, SightingFlag, StreamOutcome
from vidspin.speed.curve import spin_curve, unseen_seconds
from vidspin.speed.turning import Turning

Floats = NDArray[np.float64]
RPM = np.pi / 30
TURN = 2 * np.pi
AGAIN = 0.35  # fresh noise of a second compression, of the first one's
FAULTS = ("cut", "loop", "push", "brake", "held", "stretched")


@dataclass(frozen=True)
class Record:
    """Frames of one record, and what was done to it."""

    number: int
    fault: str  # "" for a clean one
    size: float  # s for cut, loop and held; relative for push, brake and stretched
    at_s: float  # file seconds
    frame_rate: float
    marks: int
    time_s: Floats
    angle_rad: Floats
    u_rad: Floats
    omega_rad_s: Floats  # as a track through the record would give it
    x_px: Floats
    y_px: Floats
    bands: NDArray[np.float32]
    lit: bool = field(default=False)  # by a lamp on the mains


@dataclass(frozen=True)
class Drawn:
    """Circumstances of a record."""

    frame_rate: float
    seconds: float
    start_rad_s: float
    drag: tuple[float, float, float]
    marks: int
    noise_rad: float
    jitter_s: float
    tick_s: float
    dropped: float
    doubled: float
    outliers: float
    unseen_s: float
    leftover_rad: float
    wobble_rad: float
    wobble_hz: float
    lamp_hz: float  # 0: daylight


def draw(rng: np.random.Generator) -> Drawn:
    """Draw the circumstances: wider than what phones and finger tops do."""
    rate = float(rng.choice([24.0, 25.0, 30000 / 1001, 30.0, 50.0, 60000 / 1001, 60.0, 120.0]))
    start = rng.uniform(250.0, 2400.0) * RPM
    life = rng.uniform(40.0, 1500.0)  # s in which the drag would stop the top
    power = rng.uniform(0.5, 2.0)
    even = rng.uniform(0.1, 0.9) * start / life
    lamp = float(rng.choice([0.0, 0.0, 100.0, 120.0])) * (1 + rng.uniform(-0.002, 0.002))
    return Drawn(
        frame_rate=rate,
        seconds=float(rng.uniform(12.0, 45.0)),
        start_rad_s=start,
        drag=(even, (start / life - even) / start**power, power),
        marks=int(rng.choice([1, 1, 1, 2])),
        noise_rad=float(np.exp(rng.uniform(np.log(0.003), np.log(0.03)))),
        jitter_s=float(rng.choice([0.0, 0.0002, 0.001])),
        tick_s=float(rng.choice([1 / 90000, 1 / 90000, 1 / 600, 1e-3])),
        dropped=float(rng.choice([0.0, 0.01, 0.03])),
        doubled=float(rng.choice([0.0, 0.0, 0.002])),
        outliers=float(rng.choice([0.0, 0.005, 0.02])),
        unseen_s=float(rng.choice([0.0, 0.0, 0.4])),
        leftover_rad=float(rng.uniform(0.0, 0.012)),
        wobble_rad=float(rng.choice([0.0, 0.0, 0.02])),
        wobble_hz=float(rng.uniform(0.4, 1.5)),
        lamp_hz=lamp,
    )


def record(number: int, fault: str = "", size: float = 0.0, drawn: Drawn | None = None) -> Record:
    """Make one record.

    Parameters
    ----------
    number : int
        Seed.
    fault : str
        One of `FAULTS`, or empty.
    size : float
        See `Record.size`; below zero `held` puts the held frames in instead of hiding others.
    drawn : Drawn, optional
        Circumstances; drawn by the seed by default.
    """
    rng = np.random.default_rng([20251125, number])
    d = drawn or draw(rng)
    extra = size if fault == "cut" else 0.0
    count = int((d.seconds + extra) * d.frame_rate)
    at = float(rng.uniform(0.3, 0.7)) * d.seconds
    scene = np.arange(count) / d.frame_rate + np.clip(rng.normal(0, 1, count), -3, 3) * d.jitter_s
    angle, speed = _spin(d, scene, at, size if fault in ("push", "brake") else 0.0)
    wobble = d.wobble_rad * np.sin(TURN * d.wobble_hz * scene + 1.0)
    left = d.leftover_rad * np.sin(angle + 0.5) + 0.3 * d.leftover_rad * np.cos(2 * angle)
    seen = angle + wobble + left + rng.normal(0, d.noise_rad, count)
    places = rng.normal(0, 0.05, (2, count))
    order, gap = _order(fault, size, at, d, count)
    fresh = np.where(_copied(order, fault), AGAIN, 0.0)
    seen = seen[order] + fresh * rng.normal(0, d.noise_rad, len(order))
    x, y = (p[order] + fresh * rng.normal(0, 0.05, len(order)) for p in places)
    times = np.arange(len(order)) / d.frame_rate + gap
    times = times + (scene - np.arange(count) / d.frame_rate)[order] * (1 - fresh / AGAIN)
    bands = _lamp(d, scene[order], rng)
    if fault == "stretched":
        times = times * (1 + size)
    keep = _kept(rng, d, len(order))
    times = np.rint(times / d.tick_s) * d.tick_s
    keep &= np.concatenate([[True], np.diff(times) > 0])
    seen, sure = _spoilt(rng, d, seen, times)
    smooth = _smoothed(speed[order], d) / (1 + size if fault == "stretched" else 1.0)
    rate = d.frame_rate / (1 + size if fault == "stretched" else 1.0)
    sense = -1.0 if number % 2 else 1.0
    period = TURN / d.marks
    return Record(
        number, fault, size, at, rate, d.marks, times[keep],
        np.where(sure, np.mod(sense * seen, period), np.nan)[keep],
        np.full(int(keep.sum()), d.noise_rad), sense * smooth[keep], 300 + x[keep], 200 + y[keep],
        bands[keep], d.lamp_hz > 0,
    )  # fmt: skip


def _spin(d: Drawn, scene: Floats, at: float, kick: float) -> tuple[Floats, Floats]:
    """Turned angle and speed at scene instants; the top is pushed within a fiftieth of a second."""
    a, b, p = d.drag

    def law(_: float, y: Floats) -> list[float]:
        return [y[1], -(a + b * max(y[1], 0.0) ** p) if y[1] > 0 else 0.0]

    def run(start: float, stop: float, y0: list[float]) -> object:
        return solve_ivp(
            law, (start, stop), y0, dense_output=True, rtol=1e-10, atol=1e-8, max_step=1.0
        )

    end = float(scene[-1]) + 1.0
    if kick == 0.0:
        y = run(-1.0, end, [0.0, d.start_rad_s]).sol(scene)
        return y[0], y[1]
    first = run(-1.0, at, [0.0, d.start_rad_s])
    angle, speed = first.y[:, -1]
    second = run(at, end, [angle, speed * (1 + kick)])
    y = np.where(scene < at, first.sol(np.minimum(scene, at)), second.sol(np.maximum(scene, at)))
    return y[0], y[1]


def _order(fault: str, size: float, at: float, d: Drawn, count: int) -> tuple[NDArray, Floats]:
    """Which scene frame each file frame shows."""
    k, n = int(at * d.frame_rate), max(1, round(abs(size) * d.frame_rate))
    frames = np.arange(count)
    if fault == "cut":
        frames = np.concatenate([frames[:k], frames[k + n :]])
    elif fault == "loop":
        frames = np.concatenate([frames[:k], frames[max(0, k - n) :]])
    elif fault == "held" and size > 0:
        frames = frames.copy()
        frames[k : k + n] = k - 1
    elif fault == "held":
        frames = np.concatenate([frames[:k], np.full(n, k - 1), frames[k:]])
    return frames, np.zeros(len(frames))


def _copied(order: NDArray, fault: str) -> NDArray:
    """Frames that show a scene frame again."""
    if fault not in ("loop", "held"):
        return np.zeros(len(order), bool)
    first = np.zeros(len(order), bool)
    first[np.unique(order, return_index=True)[1]] = True
    return ~first


def _lamp(d: Drawn, scene: Floats, rng: np.random.Generator) -> NDArray[np.float32]:
    """Brightness of bands of rows that a rolling shutter reads one after the other."""
    delay = np.arange(BANDS) / BANDS * 0.7 / d.frame_rate
    light = 1 + rng.normal(0, 0.0015, (len(scene), BANDS))
    if d.lamp_hz > 0:
        light += 0.05 * np.cos(TURN * d.lamp_hz * (scene[:, None] + delay))
    return light.astype(np.float32)


def _kept(rng: np.random.Generator, d: Drawn, count: int) -> NDArray:
    keep = rng.random(count) >= d.dropped
    keep[:2] = True
    return keep


def _spoilt(
    rng: np.random.Generator, d: Drawn, seen: Floats, times: Floats
) -> tuple[Floats, NDArray]:
    """Add outliers and doubled frames, and hide a stretch."""
    seen = seen.copy()
    stray = rng.random(len(seen)) < d.outliers
    seen[stray] += rng.uniform(-2, 2, int(stray.sum()))
    twice = np.flatnonzero(rng.random(len(seen)) < d.doubled)
    twice = twice[twice > 0]
    seen[twice] = seen[twice - 1]
    hidden = rng.uniform(0.1, 0.9) * times[-1]
    return seen, ~((times > hidden) & (times < hidden + d.unseen_s))


def _smoothed(speed: Floats, d: Drawn) -> Floats:
    """Take the speed as a track would: smeared over about a second."""
    size = max(3, int(1.2 * d.frame_rate)) | 1
    padded = np.pad(speed, size // 2, mode="edge")
    return np.convolve(padded, np.ones(size) / size, "valid")


# ----------------------------------------------------------------------------- checks


def case_of(r: Record) -> Case:
    """Gather what the checks look at, as the measurement does."""
    count = len(r.time_s)
    period = TURN / r.marks
    held = held_frames(r.time_s, r.angle_rad, r.u_rad, r.omega_rad_s, None, period_rad=period)
    flags = np.zeros(count, np.int64)
    for h in held:
        flags[h.first : h.last + 1] |= int(SightingFlag.REPEATED)
    angle = np.where(flags == 0, r.angle_rad, np.nan)
    phase = np.concatenate([[0.0], np.cumsum(0.5 * (r.omega_rad_s[1:] + r.omega_rad_s[:-1])
                                             * np.diff(r.time_s))])  # fmt: skip
    start = np.nanmedian(np.angle(np.exp(1j * (angle[:20] - phase[:20]) * r.marks))) / r.marks
    phase += start
    angle = phase + np.mod(angle - phase + period / 2, period) - period / 2
    one = np.ones(count)
    still = Glances(
        same=0.4 * one, jump=0.3 * one, light=one, new=0 * one, near=np.full(count, np.inf),
        shift_x=0 * one, shift_y=0 * one, roll=0 * one, u_roll=1e-4 * one,
        sharp=7 * one, bands=r.bands, scatter=0.6,
    )  # fmt: skip
    readings = Readings(
        r.time_s, r.x_px, r.y_px, one, one, 100 * one, np.zeros(count, np.int64), flags,
        np.linspace(-0.3, 0.3, 8), 360, glances=still,
    )  # fmt: skip
    spin = Turning(
        time_s=r.time_s, frame_s=r.time_s, angle_rad=angle, u_rad=r.u_rad, quality=0.9 * one,
        free=np.ones(count, bool), answer=np.zeros((count, 1)),
        tick_s=0.0, offset=Quantity(0.0, 0.0), clock_ppm=Quantity(0.0, 0.0),
    )  # fmt: skip
    whole = phase_of(spin, r.omega_rad_s, readings, marks=r.marks, frame_s=1 / r.frame_rate)
    breaks = look_for_breaks(whole)
    spin = replace(spin, parted_s=tuple(s.time_s for s in breaks.found))
    curve, noise = spin_curve(spin, 1.0)
    taken = frames_taken(
        r.time_s, angle, r.omega_rad_s, slots(r.time_s, r.frame_rate), rate=r.frame_rate,
        marks=r.marks,
    )  # fmt: skip
    return Case(
        outcome=StreamOutcome(count, 0, ()), readings=readings, turning=spin, noise=noise,
        curve=curve, breaks=breaks,
        frame_interval_s=1 / r.frame_rate, unseen_s=unseen_seconds(spin, noise), resolved=True,
        sense_known=True, topple_s=None, held=held,
        replay=replayed(whole, breaks, (r.x_px, r.y_px)), all_visits=(),
        lamp=lamp_of(readings, r.frame_rate, 1), pattern=taken.pattern, lost_s=taken.lost_s,
    )  # fmt: skip
