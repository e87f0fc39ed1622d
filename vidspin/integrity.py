"""Is the recording whole? One check is one function and one row in `CHECKS`.

Each says pass, fail or unchecked, with the figure that decided.  Facts of the container arrive
ready made; here the frames, the light and the spin are asked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vidspin.curve import Noise, Steps, Turning
from vidspin.reading import Readings
from vidspin.records import Check, SpinCurve, StreamOutcome
from vidspin.units import rpm_from_rad_s, turns_from_rad

LONG_GAP_FRAMES = 2.5  # a step of more frame intervals is a gap
STEP_SIGMA = 6.0  # of thousands of instants one may lie four standard uncertainties off
STEP_LEAST_TURNS = 0.02
HIDDEN_SHARE = 0.1
ELSEWHERE_S = 3.0  # a shorter one may be a hand that turns the top about
RISE_SIGMA = 5.0
RISE_LEAST = 2e-3  # relative; wobble and wander move the speed by less


@dataclass(frozen=True, slots=True)
class Case:
    """What the checks may look at."""

    outcome: StreamOutcome
    readings: Readings
    turning: Turning | None
    noise: Noise | None
    curve: SpinCurve | None
    steps: Steps | None
    frame_interval_s: float
    unseen_s: float
    resolved: bool
    elsewhere_s: tuple[tuple[float, float], ...] = ()  # other stretches in which something turned


def _frames(case: Case) -> Check:
    faults = case.outcome.faults
    figure = f"{case.outcome.decoded} frames read, {case.outcome.suspect} doubtful"
    if faults:
        return Check("frames complete", "fail", figure, "; ".join(faults))
    return Check("frames complete", "pass", figure, "every frame that the file lists was read")


def _gaps(case: Case) -> Check:
    steps = np.diff(case.readings.time_s) / case.frame_interval_s
    gaps = steps[steps > LONG_GAP_FRAMES]
    dropped = int(np.rint(steps[steps > 1.5] - 1).sum()) if len(steps) else 0
    figure = (
        f"{dropped} frame intervals without a frame, longest {steps.max():.1f}"
        if len(steps)
        else "one frame"
    )
    note = (
        "single dropped frames are usual on phones"
        if dropped
        else "frames follow each other evenly"
    )
    return Check("frame gaps", "fail" if len(gaps) else "pass", figure, note)


def _seen(case: Case) -> Check:
    if case.turning is None:
        return Check("mark seen", "unchecked", "", "no free spin was found")
    t = case.turning.time_s[case.turning.free]
    span = max(float(t[-1] - t[0]), 1e-9)
    share = case.unseen_s / span
    state = "pass" if share < HIDDEN_SHARE else "fail"
    return Check("mark seen", state, f"{case.unseen_s:.1f} s unseen of {span:.1f} s",
                 "stretches of more than three frames without a usable sighting")  # fmt: skip


def _whole(case: Case) -> Check:
    others = [(a, b) for a, b in case.elsewhere_s if b - a > ELSEWHERE_S]
    if not others:
        return Check("one spin", "pass", "one stretch of turning", "no other was seen")
    figure = "turning also " + ", ".join(f"from {a:.1f} to {b:.1f} s" for a, b in sorted(others))
    note = "not joined to the measured spin: unseen too long between them, or another spin"
    return Check("one spin", "unchecked", figure, note)


def _continuity(case: Case) -> Check:
    steps = case.steps
    if steps is None or len(steps.step_rad) == 0:
        return Check("phase continuity", "unchecked", "", "the free spin is too short")
    size = np.abs(steps.step_rad)
    allowed = np.maximum(STEP_SIGMA * steps.u_rad, 2 * np.pi * STEP_LEAST_TURNS)
    worst = int(np.argmax(size / allowed))
    found, most = (turns_from_rad(float(v[worst])) for v in (size, allowed))
    figure = f"largest step {found:.4f} turn at {steps.time_s[worst]:.1f} s, allowed {most:.4f}"
    state = "fail" if size[worst] > allowed[worst] else "pass"
    note = "the phase before each instant against the phase after it, up to one mark spacing"
    return Check("phase continuity", state, figure, note)


def _falls(case: Case) -> Check:
    return falls(case.curve, resolved=case.resolved)


def falls(curve: SpinCurve | None, *, resolved: bool) -> Check:
    """Ask whether the speed only falls."""
    if curve is None or not resolved:
        return Check("speed falls", "unchecked", "", "no single speed is known")
    good = np.isfinite(curve.speed_rad_s)
    v, u = curve.speed_rad_s[good], curve.u_speed_rad_s[good]
    if len(v) < 3:
        return Check("speed falls", "unchecked", "", "too few rows")
    rise = v[1:] - np.minimum.accumulate(v)[:-1]
    allowed = np.maximum(RISE_SIGMA * np.hypot(u[1:], u[:-1]), RISE_LEAST * v[1:])
    worst = int(np.argmax(rise / allowed))
    found, most = (rpm_from_rad_s(float(x[worst])) for x in (np.maximum(rise, 0.0), allowed))
    when = curve.time_s[good][worst + 1]
    figure = f"largest rise {found:.3g} rev/min by {when:.1f} s, allowed {most:.3g}"
    state = "fail" if rise[worst] > allowed[worst] else "pass"
    return Check("speed falls", state, figure, "a free top only slows")


CHECKS: tuple[Callable[[Case], Check], ...] = (_frames, _gaps, _seen, _whole, _continuity, _falls)


def check_all(case: Case) -> tuple[Check, ...]:
    """Run every check of the registry."""
    return tuple(check(case) for check in CHECKS)
