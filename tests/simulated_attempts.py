"""Simulated attempts with known truth, at the level of a measured result.

The run-down is integrated here by itself (Runge-Kutta 4(5), nothing of the program's law), the
rows are true speeds with noise of the stated size, the sightings true angles with noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from fabricate import fabricate
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from vidspin.records import Fact, Revolutions, SightingFlag, SpinTime
from vidspin.store import write_result
from vidspin.workshop.attempt import Attempt, End, Rows, counted

Floats = NDArray[np.float64]
RPM = math.pi / 30


@dataclass(frozen=True)
class Law:
    """dω/dt = -(a + b ω + c ω^p), rad and s."""

    a: float = 0.05
    b: float = 0.0
    c: float = 1.2e-4
    p: float = 1.5

    def scaled(self, factor: float) -> Law:
        """Slow `factor` times faster: every coast time becomes 1 / factor of what it was."""
        return Law(self.a * factor, self.b * factor, self.c * factor, self.p)


@dataclass(frozen=True)
class Spin:
    """The true run-down from release to topple."""

    law: Law
    release_rpm: float
    topple_rpm: float
    duration_s: float
    speed: Any  # time since the release -> rad/s
    angle: Any  # time since the release -> rad


def spin(law: Law, release_rpm: float, topple_rpm: float = 300.0) -> Spin:
    """Integrate a run-down."""

    def rates(_: float, y: Floats) -> Floats:
        w = max(float(y[1]), 0.0)
        return np.array([w, -(law.a + law.b * w + law.c * w**law.p)])

    def toppled(_: float, y: Floats) -> float:
        return float(y[1]) - topple_rpm * RPM

    toppled.terminal = True  # type: ignore[attr-defined]
    found = solve_ivp(
        rates, (0.0, 1e5), [0.0, release_rpm * RPM], events=toppled, rtol=1e-10, atol=1e-9,
        dense_output=True,
    )  # fmt: skip
    return Spin(
        law, release_rpm, topple_rpm, float(found.t[-1]),
        lambda t: found.sol(t)[1], lambda t: found.sol(t)[0],
    )  # fmt: skip


def by_clock(turning: Spin, fast: float) -> Spin:
    """Show a run-down by a clock that is fast by a share: all takes longer, speeds are slower."""
    rate = 1.0 + fast
    return replace(
        turning, release_rpm=turning.release_rpm / rate, topple_rpm=turning.topple_rpm / rate,
        duration_s=turning.duration_s * rate, speed=lambda t: turning.speed(t / rate) / rate,
        angle=lambda t: turning.angle(t / rate),
    )  # fmt: skip


def attempt(
    turning: Spin,
    rng: np.random.Generator,
    *,
    name: str = "wren",
    facts: dict[str, Fact] | None = None,
    u_rpm: float = 0.03,
    noise_rad: float | None = None,
    frame_rate: float = 30.0,
    stated: float = 1.0,
    release_s: float = 2.0,
    u_clock: float = 0.0,
) -> Attempt:
    """See a run-down as a result would: rows every second, sightings where `noise_rad` is given.

    `stated` is the stated uncertainty of a sighting ÷ the true one.  With `u_clock` the clock
    goes wrong by a share drawn from that standard uncertainty.
    """
    if u_clock:
        turning = by_clock(turning, rng.normal(0.0, u_clock))
    end = release_s + turning.duration_s
    at = np.arange(math.ceil(release_s) + 0.5, end, 1.0)
    true = turning.speed(at - release_s)
    u = np.full(len(at), u_rpm * RPM)
    rows = Rows(at, true + rng.normal(0.0, u), u)
    phase = None
    if noise_rad is not None:
        time = np.arange(release_s, end, 1.0 / frame_rate)
        angle = turning.angle(time - release_s) + rng.normal(0.0, noise_rad, len(time))
        wrapped = np.mod(angle + 1.0, 2 * np.pi)
        phase = counted(time, wrapped, np.full(len(time), stated * noise_rad), rows)
    return Attempt(
        name=name,
        facts=facts or {},
        release=End(release_s, 0.03, turning.release_rpm, 2 * u_rpm),
        topple=End(end, 0.03, turning.topple_rpm, 2 * u_rpm),
        spin_time_s=turning.duration_s,
        u95_spin_time_s=0.04,
        revolutions=float(turning.angle(turning.duration_s)) / (2 * np.pi),
        u95_revolutions=0.02,
        rows=rows,
        phase=phase,
        u_clock=u_clock,
        frame_s=1.0 / frame_rate,
        recorded="2024-05-01T12:00:00Z",
        recorded_from="measured",
        sha256=(name,),
    )


def write_folder(
    turning: Spin,
    folder: Path,
    rng: np.random.Generator,
    *,
    facts: dict[str, Fact] | None = None,
    resolved: bool = True,
    topple_seen: bool = True,
) -> Path:
    """Write a result folder that holds this run-down; all else in it is invented."""
    release_s, rate = 2.0, 30.0
    end = release_s + turning.duration_s
    base = fabricate("resolved" if resolved else "unresolved", duration_s=end + 2.0)
    time = base.sightings.time_s
    free = (time >= release_s) & (time <= end)
    since = np.clip(time - release_s, 0.0, turning.duration_s)
    offset = base.shutter.centre_row_offset_s.value
    angle = turning.angle(np.clip(since + offset, 0.0, turning.duration_s))
    noise = rng.normal(0.0, 0.005, len(time))
    rows = base.curve.time_s
    known = (rows > release_s) & (rows < end)
    speed = np.where(known, turning.speed(np.clip(rows - release_s, 0, turning.duration_s)), np.nan)
    u = np.where(known, 0.03 * RPM, np.nan)
    curve = replace(
        base.curve, speed_rad_s=speed + rng.normal(0.0, 0.03 * RPM, len(rows)), u_speed_rad_s=u,
        u95_speed_rad_s=2 * u, u95_total_rad_s=2 * np.hypot(u, 2.9e-5 * speed),
        residual_rad=np.where(free, noise, np.nan),
    )  # fmt: skip
    sightings = replace(
        base.sightings, angle_rad=np.mod(angle + noise, 2 * np.pi),
        u_rad=np.full(len(time), 0.005),
        flags=np.where(free, 0, int(SightingFlag.NOT_SPINNING_FREELY)).astype(np.int64),
    )  # fmt: skip
    assert base.release is not None
    release = replace(base.release, time_s=release_s, speed_rad_s=turning.release_rpm * RPM)
    topple = replace(release, kind="topple", time_s=end, speed_rad_s=turning.topple_rpm * RPM)
    turns = float(turning.angle(turning.duration_s)) / (2 * np.pi)
    footage = replace(
        base.footage, name=folder.name.removesuffix(".spin"),
        chapters=tuple(replace(c, sha256=f"{rng.integers(2**62):064x}")
                       for c in base.footage.chapters),
    )  # fmt: skip
    result = replace(
        base, curve=curve, sightings=sightings, footage=footage, facts=facts or {},
        release=release, topple=topple if topple_seen and resolved else None, touches=(),
        spin_time=SpinTime(turning.duration_s, 0.04, None) if topple_seen and resolved
        else SpinTime(None, None, turning.duration_s),
        revolutions=Revolutions(turns, 0.02, 0.003, 0.0),
    )  # fmt: skip
    assert rate == round(float(result.footage.frame_rate))
    write_result(result, {}, folder)
    return folder
