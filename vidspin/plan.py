"""What will a recording be worth? Worked out before it is filmed.

From sizes, distances and the camera's settings: how large the top will be in the picture, how
long the mark's smear, how exact an angle and a speed, where the mark will seem to stand still,
what will tell the alias order, how large the file.  The formulas are those of the method with the
program's own rule for the length of a window; what cannot be known beforehand (light, encoder,
shape of the run-down) is a stated judgement.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from vidspin.aliasing import stand_still_rates
from vidspin.order.alias import TOPPLE_RPM
from vidspin.order.shutter import LEAST_PASSED, LONGEST_WINDOW_S
from vidspin.speed.curve import BIAS_SHARE, DRAG_POWER, MAX_WINDOW_S, MIN_SIGHTINGS, MIN_WINDOW_S
from vidspin.uncertainty import rectangular
from vidspin.units import (
    RAD_PER_TURN,
    degrees_from_rad,
    format_duration,
    rad_s_from_rpm,
    rpm_from_rad_s,
)
from vidspin.wording import alone

EDGE_PX = 3.0  # width of a sharp edge in a phone's picture (lens, sharpening, encoder; judged)
# Noise of an encoder is alike in neighbouring elements: so many times less of it averages out
# (from simulated and ray-traced clips, where it was 2 to 3.5).
ALIKE = 3.0
FLOOR_RAD = 3e-4  # what shapes and geometry leave at best
CLOCK_PPM = 50.0  # half width
# First harmonic of the geometry that passes for a readout where the speeds lie close together;
# over a wide run-down the readout is told to so much.
GEOMETRY_RAD, TOLD_READOUT_S = 0.06, 0.4e-3
LEFT_OVER_RAD = 1e-3  # of readout and geometry, going round with the mark
SHIFT_TELLS_RAD = 0.12  # change of the rolling shutter's shift over a run-down that tells the order
SHIFT_PROFILE_RAD = 0.25  # shift between two orders that a known readout tells apart
BITS_PER_ELEMENT = 0.10  # of a phone's encoder, a frame (common practice, no source)
POWER_W, BATTERY_WH = 3.5, 15.0  # filming with the screen on; a phone's battery (judged)
WIDE_SMEAR_RAD = math.pi / 4
SMALL_TOP_PX = 120.0
# A loss of speed that goes with speed**power: from dry friction of the tip (0) over a film of air
# (1) and a laminar disc (1.5) to turbulence (2, more than the 1.8 of a smooth disc).  How much of
# each a top has is not known beforehand.
DRAG_POWERS = (0.0, 0.5, 1.0, 1.5, 2.0)


@dataclass(frozen=True, slots=True)
class Plan:
    """What somebody means to film."""

    high_rpm: float
    low_rpm: float
    spin_time_s: float
    frame_rate: float
    exposure_s: float
    readout_s: float
    width: int
    height: int
    top_px: float  # diameter in the picture
    mark_px: float  # along the turn
    mark_length_px: float  # across it
    ring_px: float  # radius of the mark's path
    marks: int = 1
    contrast: float = 80.0  # of the mark against the top, grey levels of 256
    noise: float = 3.0  # of one element, grey levels
    bits_s: float | None = None
    u_readout_s: float | None = None  # known from a camera profile
    tick_s: float = 1 / 90000  # unit of the file's times, scene seconds


@dataclass(frozen=True, slots=True)
class At:
    """What is to be expected at one speed."""

    rpm: float
    smear_rad: float
    u_angle_rad: float  # of one frame
    window_s: float
    u_speed_rad_s: float  # standard, without the clock
    u95_rpm: float
    u95_rpm_excl_clock: float


@dataclass(frozen=True, slots=True)
class StandStill:
    """A speed at which the mark will seem to stand still."""

    rpm: float
    # from ... to, over the laws of drag (`DRAG_POWERS`):
    after_s: tuple[float, float]  # after the release
    lasts_s: tuple[float, float]  # in which too little passes for readout and geometry to be told


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a plan is worth."""

    plan: Plan
    fast: At
    slow: At
    limit_rpm: float  # below it the frames leave no doubt
    stand_stills: tuple[StandStill, ...]
    cues: tuple[tuple[str, bool, str], ...]  # name, whether it will resolve, why
    file_bytes: float
    battery: float  # share
    advice: tuple[str, ...] = field(default=())

    @property
    def resolves(self) -> bool:
        """Whether something will tell the alias order."""
        return any(tells for _, tells, _ in self.cues)


def in_pixels(size_mm: float, distance_mm: float, view_rad: float, width: int) -> float:
    """Size in the picture of something seen straight on, px.

    Parameters
    ----------
    size_mm, distance_mm : float
    view_rad : float
        Angle that the picture's width takes in.
    width : int
        Columns.
    """
    return size_mm * width / (2.0 * distance_mm * math.tan(view_rad / 2.0))


def u_angle(plan: Plan, speed_rad_s: float) -> float:
    """Work out the standard uncertainty of the mark angle from one frame, rad.

    Notes
    -----
    The Cramer-Rao bound of the place of a box of height C and two edges of width e in white
    noise n over b rows, ``n / sqrt(2 b C**2 / e)``, the box smeared by the exposure, the noise
    alike in neighbours (`ALIKE`).
    """
    smear = speed_rad_s * plan.exposure_s * plan.ring_px
    height = plan.contrast * min(1.0, plan.mark_px / max(smear, 1e-9))
    edge = math.hypot(EDGE_PX, min(plan.mark_px, smear))
    rows = plan.mark_length_px * plan.marks
    along = ALIKE * plan.noise / math.sqrt(2.0 * rows * height**2 / edge)
    return math.hypot(along / plan.ring_px, FLOOR_RAD)


def at_speed(plan: Plan, rpm: float) -> At:
    """Work out what is to be expected at one speed.

    Parameters
    ----------
    plan : Plan
    rpm : float
        Between the lowest and the highest speed.
    """
    speed = rad_s_from_rpm(rpm)
    decay = math.log(plan.high_rpm / plan.low_rpm) / plan.spin_time_s
    # a time rounded to whole ticks is as good as an angle that is off by so much
    slope, u_seen = speed * decay, u_angle(plan, speed)
    u = math.hypot(u_seen, speed * rectangular(plan.tick_s / 2))
    jerk = DRAG_POWER * slope**2 / speed / 2  # the recording shows the rest itself
    least = max(MIN_WINDOW_S, 1.5 * MIN_SIGHTINGS / plan.frame_rate)
    allowed = BIAS_SHARE * 40.0 * u * math.sqrt(12.0 / plan.frame_rate) / max(jerk, 1e-12)
    window = min(max(allowed ** (2.0 / 7.0), least), max(MAX_WINDOW_S, least))
    count = window * plan.frame_rate
    random = u * math.sqrt(12.0 / count) / window
    bias = rectangular(jerk * window**2 / 40.0)
    passing = max(abs(_passing(plan, speed)), RAD_PER_TURN / window)
    left_over = LEFT_OVER_RAD * 12.0 / (window**2 * passing)
    stamp = slope * _u_stamp(plan, speed)
    without = math.sqrt(random**2 + bias**2 + left_over**2 + stamp**2)
    clock = speed * rectangular(CLOCK_PPM) * 1e-6
    return At(
        rpm=rpm,
        smear_rad=speed * plan.exposure_s,
        u_angle_rad=u_seen,
        window_s=window,
        u_speed_rad_s=without,
        u95_rpm=2.0 * rpm_from_rad_s(math.hypot(without, clock)),
        u95_rpm_excl_clock=2.0 * rpm_from_rad_s(without),
    )


def _u_stamp(plan: Plan, speed_rad_s: float) -> float:
    """Doubt about the instant of a time stamp: half of the readout's and of the exposure's, s."""
    readout = GEOMETRY_RAD * plan.height / (speed_rad_s * plan.ring_px)
    readout = min(readout, rectangular(1.0 / plan.frame_rate))
    if plan.u_readout_s is not None:
        readout = min(readout, plan.u_readout_s)
    if _shift_changes(plan) > SHIFT_TELLS_RAD:
        readout = min(readout, TOLD_READOUT_S)
    trace = plan.mark_px / plan.ring_px / speed_rad_s + plan.exposure_s
    return 0.5 * math.hypot(readout, trace / math.sqrt(12.0))


def _shift_changes(plan: Plan) -> float:
    """By how much the rolling shutter's shift changes over the run-down, rad."""
    change = rad_s_from_rpm(plan.high_rpm - plan.low_rpm)
    return change * plan.readout_s * plan.ring_px / plan.height


def _passing(plan: Plan, speed_rad_s: float) -> float:
    """How fast the mark seems to pass, rad/s of its angle."""
    step = RAD_PER_TURN * plan.frame_rate / plan.marks
    return speed_rad_s - step * round(speed_rad_s / step)


def look_ahead(plan: Plan) -> Outlook:
    """Work out what a plan is worth.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Outlook
    """
    stills = []
    for rate in stand_still_rates(plan.frame_rate, plan.high_rpm / 60.0, plan.marks):
        rpm = 60.0 * float(rate)
        if not plan.low_rpm <= rpm <= plan.high_rpm:
            continue
        stills.append(_stand_still(plan, rpm))
    bits = plan.bits_s or BITS_PER_ELEMENT * plan.width * plan.height * plan.frame_rate
    outlook = Outlook(
        plan=plan,
        fast=at_speed(plan, plan.high_rpm),
        slow=at_speed(plan, plan.low_rpm),
        limit_rpm=30.0 * plan.frame_rate / plan.marks,
        stand_stills=tuple(stills),
        cues=_cues(plan),
        file_bytes=bits * plan.spin_time_s / 8.0,
        battery=POWER_W * plan.spin_time_s / 3600.0 / BATTERY_WH,
    )
    return Outlook(
        **{name: getattr(outlook, name) for name in Outlook.__slots__ if name != "advice"},
        advice=tuple(_advice(outlook)),
    )


def _stand_still(plan: Plan, rpm: float) -> StandStill:
    """Say when a speed is passed, and for how long it lasts, by each law of drag.

    The instants of any mixture of powers from 0 to 2 lie between those of the two: what is lost
    at high speed beside what is lost at low speed only grows with the power.
    """
    whole = [_coast(p, plan.high_rpm, plan.low_rpm) for p in DRAG_POWERS]
    after = [
        plan.spin_time_s * _coast(p, plan.high_rpm, rpm) / all_of_it
        for p, all_of_it in zip(DRAG_POWERS, whole, strict=True)
    ]
    slopes = [
        rpm**p * all_of_it / plan.spin_time_s / 60.0  # turns/s**2
        for p, all_of_it in zip(DRAG_POWERS, whole, strict=True)
    ]
    passed = 2.0 * LEAST_PASSED / plan.marks / LONGEST_WINDOW_S  # turns/s
    return StandStill(rpm, (min(after), max(after)), (passed / max(slopes), passed / min(slopes)))


def _coast(power: float, high: float, low: float) -> float:
    """Time from one speed to a lower one under a loss of speed**power, times its coefficient."""
    if power == 1.0:
        return math.log(high / low)
    rest = 1.0 - power
    return (math.pow(high, rest) - math.pow(low, rest)) / rest


def _cues(plan: Plan) -> tuple[tuple[str, bool, str], ...]:
    """Which cues will tell the alias order, and why."""
    limit = 30.0 * plan.frame_rate / plan.marks
    half = plan.ring_px / plan.height
    shift = [rad_s_from_rpm(v) * plan.readout_s * half for v in (plan.high_rpm, plan.low_rpm)]
    apart = RAD_PER_TURN * plan.frame_rate / plan.marks * plan.readout_s * half
    falls = plan.low_rpm < min(limit, TOPPLE_RPM)
    known = plan.u_readout_s is not None
    return (
        ("run-down", falls,
         f"the slow end lies {'below' if falls else 'above'} {min(limit, TOPPLE_RPM):.0f} rev/min, "
         + ("where the frames leave no doubt" if limit <= TOPPLE_RPM
            else "where tops topple, which tells the order from there back")
         + ", if the topple is filmed"),
        ("rolling shutter", _shift_changes(plan) > SHIFT_TELLS_RAD,
         f"it shifts the mark by {degrees_from_rad(shift[0]):.1f} deg at first and "
         f"{degrees_from_rad(shift[1]):.1f} deg at last"),
        ("camera profile", known and apart > SHIFT_PROFILE_RAD,
         f"neighbouring orders differ by {degrees_from_rad(apart):.1f} deg of shift, "
         + ("and the readout is known" if known else "but no profile was given")),
        ("sound", False, "if the top can be heard and its speed falls by a few per cent"),
    )  # fmt: skip


def _usual(rate: float) -> int:
    """Next shutter speed on a camera's dial, 1/s."""
    dial = (60, 125, 250, 500, 1000, 2000, 4000, 8000)
    return next((one for one in dial if one >= rate), dial[-1])


def _advice(o: Outlook) -> list[str]:
    """Say what to change, in plain sentences; most important first."""
    plan, said = o.plan, []
    if not o.resolves:
        said.append(
            "Nothing will tell the alias order: film until the top falls, at a higher frame rate "
            "or with a camera profile."
        )
    if plan.marks > 1:
        said.append(
            f"Paint one mark instead of {plan.marks}: fewer speeds look alike, and the limit rises "
            f"to {30 * plan.frame_rate:.0f} rev/min."
        )
    if o.fast.smear_rad > WIDE_SMEAR_RAD / plan.marks:
        want = WIDE_SMEAR_RAD / plan.marks / rad_s_from_rpm(plan.high_rpm)
        said.append(
            f"The mark smears over {degrees_from_rad(o.fast.smear_rad):.0f} degrees: expose "
            f"1/{_usual(1 / want)} s or less, with more light."
        )
    if plan.top_px < SMALL_TOP_PX:
        said.append(
            f"The top is only {plan.top_px:.0f} px wide: go nearer or film at a higher resolution."
        )
    if plan.top_px > 0.8 * min(plan.width, plan.height):
        said.append("The top fills the picture and has no room to wander: go farther away.")
    smallest = 2.0 * EDGE_PX
    if plan.mark_px < 0.9 * smallest:
        said.append(
            f"The mark is only {plan.mark_px:.1f} px wide: make it "
            f"{smallest / plan.mark_px:.1f} times as wide."
        )
    for still in o.stand_stills:
        if still.lasts_s[1] > 20.0:
            said.append(
                f"About {still.rpm:.0f} rev/min the mark stands still for up to "
                f"{still.lasts_s[1]:.0f} s, and its angle there is worth less: another frame rate "
                "moves that speed."
            )
            break
    if o.battery > 0.7:
        said.append(f"Filming takes about {o.battery:.0%} of a battery: plug the phone in.")
    return said


def _expected(at: At) -> str:
    return (
        f"{at.rpm:.0f} rev/min: smear {degrees_from_rad(at.smear_rad):.1f} deg, angle good to "
        f"{degrees_from_rad(at.u_angle_rad):.2f} deg a frame, speed to ± {alone(at.u95_rpm)} "
        f"rev/min (± {alone(at.u95_rpm_excl_clock)} without the clock's rate)"
    )


def _size(size: float) -> str:
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.0f} MB"


def _span(ends: tuple[float, float], write: Callable[[float], str] = "{:.0f}".format) -> str:
    """Write a range, or its one value where both ends read alike."""
    low, high = (write(end) for end in ends)
    return low if low == high else f"{low} to {high}"


def sentences(o: Outlook) -> list[tuple[str, str]]:
    """Tell an outlook in labelled lines."""
    p = o.plan
    lines = [
        ("picture", f"the top is {p.top_px:.0f} px wide of {p.width} × {p.height}, the mark "
                    f"{p.mark_px:.1f} × {p.mark_length_px:.1f} px on a path of radius "
                    f"{p.ring_px:.0f} px"),
        ("at first", _expected(o.fast)),
        ("at last", _expected(o.slow)),
        ("no doubt", f"below {o.limit_rpm:.0f} rev/min the frames alone tell the speed"),
    ]  # fmt: skip
    lines += [
        ("stand-still", f"{s.rpm:.0f} rev/min, {_span(s.after_s, format_duration)} after the "
                        f"release (that depends on its drag), for about {_span(s.lasts_s)} s")
        for s in o.stand_stills
    ]  # fmt: skip
    if not o.stand_stills:
        lines.append(("stand-still", "none between the first and the last speed"))
    lines += [
        (f"{name}", f"{'will tell' if tells else 'may not tell'} the alias order: {why}")
        for name, tells, why in o.cues
    ]
    lines.append(
        ("file", f"{_size(o.file_bytes)} and about {o.battery:.0%} of a phone's battery "
                 f"(judged) for {format_duration(p.spin_time_s)}")
    )  # fmt: skip
    advice = o.advice or ("Nothing: film like that.",)
    return lines + [("to change" if k == 0 else "", text) for k, text in enumerate(advice)]
