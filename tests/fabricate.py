"""A plausible `Result` with invented numbers, for tests of what is written, drawn and told.

Nothing here is measured.  The spin slows by a law chosen so that it starts and ends at
stated speeds; pictures are simple drawings of a disc with a mark.
"""

from __future__ import annotations

import math
from fractions import Fraction
from functools import lru_cache
from typing import Literal

import numpy as np

from vidspin.records import (
    AliasVerdict,
    Budget,
    ByteArray,
    Candidate,
    ChapterFacts,
    Check,
    Component,
    Ellipse,
    Event,
    FloatArray,
    FootageFacts,
    Quantity,
    Result,
    Revolutions,
    Settings,
    Shutter,
    SightingFlag,
    Sightings,
    SpinChart,
    SpinCurve,
    SpinTime,
    StreamOutcome,
    Strip,
    Survey,
    TouchSearch,
    Vote,
)
from vidspin.units import rad_s_from_rpm, rpm_from_rad_s

Kind = Literal["resolved", "unresolved", "partial"]
KINDS_OF_RESULT: tuple[Kind, ...] = ("resolved", "unresolved", "partial")

CREATED = "2024-05-01T12:00:00Z"
START_RPM = 1834.0
END_RPM = 320.0
CLOCK = 29e-6  # standard uncertainty of a rate within 50 ppm, rectangular


def fabricate(
    kind: Kind = "resolved",
    *,
    duration_s: float = 60.0,
    frame_rate: Fraction = Fraction(30000, 1001),
    marks: int = 1,
    settings: Settings | None = None,
) -> Result:
    """Invent a result.

    Parameters
    ----------
    kind : str
        ``resolved``: release and topple seen, order known.  ``unresolved``: only the start is
        filmed and the order stays open.  ``partial``: order known, topple not seen.
    duration_s : float
        Length of the recording in seconds.
    frame_rate : Fraction
        Frames a second.
    marks : int
        Equal marks on the top.
    settings : Settings, optional
        What the user stated; an instant stated there overrules the invented one.
    """
    settings = settings or Settings()
    rng = np.random.default_rng(20240501)
    release_s = min(2.0, 0.05 * duration_s) + 0.133
    topple_s = duration_s - min(4.0, 0.06 * duration_s) if kind == "resolved" else duration_s
    frames = np.arange(int(duration_s * frame_rate), dtype=np.float64) / float(frame_rate)
    sightings, residual = _sightings(frames, release_s, topple_s, rng)
    curve = _curve(sightings, residual, release_s, topple_s, settings.every_s)
    resolved = kind != "unresolved"
    speeds = curve.speed_rad_s[np.isfinite(curve.speed_rad_s)]
    u95 = curve.u95_total_rad_s[np.isfinite(curve.speed_rad_s)]
    release = _event("release", release_s, speeds[0], u95[0], settings.release_s)
    topple = _event("topple", topple_s, speeds[-1], u95[-1], settings.topple_s)
    spin = topple.time_s - release.time_s
    return Result(
        vidspin_version="0.1.0",
        created=CREATED,
        settings=settings,
        footage=_footage(duration_s, frame_rate, len(frames)),
        outcome=StreamOutcome(decoded=len(frames), suspect=0, faults=()),
        survey=_survey(marks),
        sightings=sightings,
        shutter=_shutter(resolved=resolved),
        alias=_alias(float(frame_rate) / marks, release_s, resolved=resolved, user=settings),
        direction="clockwise" if resolved else None,
        curve=curve,
        release=release,
        topple=topple if kind == "resolved" else None,
        touches=(_touch(topple_s, speeds),) if kind == "resolved" and duration_s > 40 else (),
        spin_time=SpinTime(spin, 0.041, None) if kind == "resolved" else SpinTime(None, None, spin),
        revolutions=Revolutions(0.5 * spin * (START_RPM + END_RPM) / 60, 0.02, 0.031, 0.2),
        checks=_checks(kind),
        chart=_chart(frames, duration_s, rng),
        strips=_strips(release_s, topple_s, float(frame_rate), kind),
        clock_ppm=Quantity(0.0, 1e6 * CLOCK, "default: anywhere within 50 ppm"),
        touch_search=TouchSearch(release_s + 0.4, topple_s - 3.0, topple_s - 1.6)
        if kind == "resolved"
        else TouchSearch(release_s + 0.4, duration_s - 0.3, None),
    )


def _speed(time_s: FloatArray, release_s: float, topple_s: float) -> FloatArray:
    """Run down from START_RPM to END_RPM, steeper at first, rad/s."""
    part = (time_s - release_s) / (topple_s - release_s)
    bend = 0.9
    fall = (1 - np.exp(-bend * part)) / (1 - math.exp(-bend))
    speed: FloatArray = rad_s_from_rpm(START_RPM + (END_RPM - START_RPM) * fall)
    return speed


def _sightings(
    frames: FloatArray, release_s: float, topple_s: float, rng: np.random.Generator
) -> tuple[Sightings, FloatArray]:
    count = len(frames)
    u = 0.004 + 0.002 * rng.random(count)
    residual = rng.normal(0, u)
    flags = np.zeros(count, dtype=np.int64)
    free = (frames >= release_s) & (frames <= topple_s)
    flags[~free] |= SightingFlag.NOT_SPINNING_FREELY
    gap = (frames > 0.55 * topple_s) & (frames < 0.6 * topple_s)
    flags[gap] |= SightingFlag.OCCLUDED
    residual[gap | ~free] = np.nan
    u[gap] = np.nan
    angle = rng.uniform(0, 2 * np.pi, count)
    angle[gap] = np.nan
    wander = 3.0 * frames / frames[-1]
    return (
        Sightings(
            time_s=frames,
            angle_rad=angle,
            u_rad=u,
            quality=np.where(gap, 0.0, 0.93),
            flags=flags,
            x_px=960 + wander * np.cos(frames / 7),
            y_px=560 + wander * np.sin(frames / 7),
            chapter=np.zeros(count, dtype=np.int64),
        ),
        residual,
    )


def _curve(
    sightings: Sightings, residual: FloatArray, release_s: float, topple_s: float, every_s: float
) -> SpinCurve:
    time = np.arange(every_s / 2, sightings.time_s[-1], every_s)
    speed = _speed(time, release_s, topple_s)
    unknown = (time < release_s) | (time > topple_s)
    unknown |= (time > 0.55 * topple_s) & (time < 0.6 * topple_s)
    u = rad_s_from_rpm(0.05 + 0.02 * np.cos(time / 5) ** 2)
    speed[unknown] = np.nan
    u[unknown] = np.nan
    return SpinCurve(
        time_s=time,
        speed_rad_s=speed,
        u_speed_rad_s=u,
        u95_speed_rad_s=1.97 * u,
        u95_total_rad_s=1.97 * np.hypot(u, CLOCK * speed),
        slope_rad_s2=np.gradient(speed, time),
        window_s=np.full_like(time, 2.0),
        sightings=np.where(unknown, 0, 60).astype(np.int64),
        quality=np.where(unknown, 0.0, 0.93),
        residual_time_s=sightings.time_s,
        residual_rad=residual,
        budgets=tuple(
            _budget(at, when, float(_speed(np.array([when]), release_s, topple_s)[0]))
            for at, when in (
                ("release", release_s),
                ("mid-spin", 0.5 * (release_s + topple_s)),
                ("last minute", topple_s - min(30.0, 0.1 * topple_s)),
            )
        ),
    )


def _budget(at: str, time_s: float, speed: float) -> Budget:
    parts = (
        Component("phase noise", "A", 0.0040, 57.0, "residuals of the local fit"),
        Component("geometry left over", "B", 0.0011, math.inf, ""),
        Component("shutter left over", "B", 0.0007, math.inf, ""),
        Component("tick quantisation", "B", 0.0002, math.inf, ""),
        Component("clock rate", "B", CLOCK * speed, math.inf, "common to the whole recording"),
    )
    u = math.sqrt(sum(part.u**2 for part in parts))
    return Budget(at, time_s, speed, parts, u, 60.0, 2.0)


def _event(kind: str, time_s: float, speed: float, u95: float, stated: float | None) -> Event:
    return Event(
        kind=kind,
        seen=True,
        time_s=time_s if stated is None else stated,
        u95_s=0.034,
        speed_rad_s=float(speed),
        u95_rad_s=float(u95),
        how="hand leaves the ring" if kind == "release" else "the top leaves its place",
        measured_s=None if stated is None else time_s,
        measured_u95_s=None if stated is None else 0.012,
    )


def _touch(topple_s: float, speeds: FloatArray) -> Event:
    speed = float(speeds[len(speeds) // 3])
    return Event("touch", True, topple_s / 3, 0.05, speed, 0.02, "speed drops by 0.4 %")


def _footage(duration_s: float, frame_rate: Fraction, frames: int) -> FootageFacts:
    chapter = ChapterFacts(
        name="evening_07.mp4",
        path="evening_07.mp4",
        bytes=84_213_551,
        sha256="5f" * 32,
        container="mov,mp4,m4a,3gp,3g2,mj2",
        codec="h264",
        width=1920,
        height=1080,
        rotation_deg=0,
        mirrored=False,
        sample_aspect=Fraction(1),
        bit_depth=8,
        full_range=None,
        time_base=Fraction(1, 30000),
        frames_listed=frames,
        frame_rate=frame_rate,
        first_tick=0,
        duration_file_s=duration_s,
        capture_rate=None,
        edit_list=None,
        tags={"com.android.version": "14"},
    )
    return FootageFacts(
        name="evening_07",
        chapters=(chapter,),
        frame_rate=frame_rate,
        time_scale=Fraction(1),
        time_scale_from="no capture rate is stated, so file time is taken as real time",
        duration_s=duration_s,
        findings=(),
    )


@lru_cache(maxsize=64)
def draw_top(angle: float, *, rows: int = 540, columns: int = 960, marks: int = 1) -> ByteArray:
    """Draw a grey disc with dark marks on a lighter table."""
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
    x, y = x - columns / 2, (y - 0.52 * rows) / 0.8
    radius = np.hypot(x, y) / (0.36 * rows)
    picture = 150 + 30 * y / rows
    picture[radius < 1] = 90
    for k in range(marks):
        place = angle + 2 * math.pi * k / marks
        mark = np.hypot(x - 0.27 * rows * math.cos(place), y - 0.27 * rows * math.sin(place))
        picture[mark < 0.05 * rows] = 225
    picture[radius < 0.12] = 190
    drawn: ByteArray = np.clip(picture, 0, 255).astype(np.uint8)
    return drawn


@lru_cache(maxsize=4)
def _survey(marks: int) -> Survey:
    rows, columns = 540, 960
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
    radius = np.hypot(x - columns / 2, (y - 0.52 * rows) / 0.8) / (0.27 * rows)
    return Survey(
        ring=Ellipse(960.0, 561.6, 291.6, 233.3, 0.0),
        inner=0.78,
        outer=1.22,
        marks=marks,
        bright=True,
        confidence=0.97,
        given=(),
        picture=draw_top(0.7, marks=marks),
        activity=np.exp(-(((radius - 1) / 0.12) ** 2)),
        scale=0.5,
    )


def _shutter(*, resolved: bool) -> Shutter:
    return Shutter(
        readout_s=Quantity(0.0143, 0.0004, "fitted from this recording") if resolved else None,
        exposure_s=Quantity(0.0021, 0.0003, "fitted from this recording"),
        geometry=np.array([[0.004, -0.002], [0.001, 0.0005]]),
        u_geometry=np.full((2, 2), 2e-4),
        centre_row_offset_s=Quantity(0.0061, 0.002, "half of readout minus exposure"),
    )


def _alias(step: float, release_s: float, *, resolved: bool, user: Settings) -> AliasVerdict:
    """Candidates a mark spacing a frame (`step` turns a second) apart, both directions."""
    step_rpm = 60.0 * step
    top_order = math.ceil(START_RPM / step_rpm - 0.5)
    apparent = START_RPM - top_order * step_rpm
    orders = [top_order, top_order - 1, -top_order - 1, top_order + 1, -top_order - 2]
    shares = [0.62, 0.21, 0.09, 0.05, 0.03] if not resolved else [1.0, 2e-8, 1e-9, 0.0, 0.0]
    speeds = [apparent + order * step_rpm for order in orders]
    candidates = tuple(
        Candidate(order, rpm, share, 0.0143 * START_RPM / rpm, 0.0021 * START_RPM / abs(rpm))
        for order, rpm, share in zip(orders, speeds, shares, strict=True)
    )
    strong = (0.0, -21.0, -24.0, -60.0, -math.inf)
    weak = (0.0, -1.1, -1.9, -2.5, -3.0)
    none = (0.0,) * len(orders)
    chain = strong if resolved else none
    favours = f"order {top_order:+d}"
    return AliasVerdict(
        resolved=resolved,
        candidates=candidates,
        votes=(
            Vote(
                "run-down chain",
                chain,
                favours if resolved else "abstains",
                "the end is slower than one turn a frame" if resolved else "no end in sight",
            ),
            Vote("rolling shutter", weak, favours, "amplitude 0.11 rad; readout not known"),
            Vote("exposure smear", none, "abstains", "the smear is under 3 degrees"),
        ),
        odds=4.6e7 if resolved else 0.62 / 0.38,
        bounds_rpm=user.bounds_rpm or (0.0, 6000.0),
        bounds_from="user" if user.bounds_rpm else "default",
        reference_s=release_s,
        reason="the run-down chain reaches speeds without ambiguity"
        if resolved
        else "no cue tells the orders apart without a known readout",
    )


def _checks(kind: Kind) -> tuple[Check, ...]:
    return (
        Check("gaps", "pass", "0 frames", "no frame time is missing"),
        Check("repeated frames", "pass", "0 frames", "no two frames are equal"),
        Check("phase continuity", "pass", "0.031 turns", "largest unexplained step"),
        Check("hands in the picture", "fail", "1.9 s", "something covers the top at 0:00:31"),
        Check("speed that rises", "pass" if kind != "unresolved" else "unchecked", "0.0 %", ""),
        Check("sound breaks", "unchecked", "no sound", "the recording has no sound"),
    )


def _chart(frames: FloatArray, duration_s: float, rng: np.random.Generator) -> SpinChart:
    angles = np.linspace(0, 2 * np.pi, 180, endpoint=False)

    def ring(seen: FloatArray) -> ByteArray:
        apart = np.angle(np.exp(1j * (angles[None, :] - seen[:, None])))
        grey = 90 + 130 * np.exp(-((apart / 0.2) ** 2)) + rng.normal(0, 6, apart.shape)
        drawn: ByteArray = np.clip(grey, 0, 255).astype(np.uint8)
        return drawn

    columns = np.linspace(0, duration_s, min(1200, len(frames)))
    drift = 2 * np.pi * (0.4 * columns - 6.0 * (columns / duration_s) ** 2 * 4)
    zooms, times, seen = [], [], []
    for start, rate in ((0.1, 0.02), (0.8, -0.31)):
        time = frames[int(start * len(frames)) :][:90]
        angle = np.mod(2 * np.pi * rate * np.arange(len(time)) + 1.0, 2 * np.pi)
        zooms.append(ring(angle))
        angle = angle.copy()
        angle[40:44] = np.nan
        times.append(time)
        seen.append(angle)
    return SpinChart(ring(drift), columns, tuple(zooms), tuple(times), tuple(seen))


def _strips(release_s: float, topple_s: float, rate: float, kind: Kind) -> tuple[Strip, ...]:
    strips = []
    instants = {"release": release_s}
    if kind == "resolved":
        instants["topple"] = topple_s
    for name, instant in instants.items():
        time: FloatArray = instant + (np.arange(7, dtype=np.float64) - 3.4) / rate
        pictures = tuple(draw_top(0.9 * i, rows=240, columns=300) for i in range(7))
        strips.append(Strip(name, time, pictures))
    return tuple(strips)


def start_rpm(result: Result) -> float:
    """Return the first known speed of the curve in rev/min."""
    speeds = result.curve.speed_rad_s
    return rpm_from_rad_s(float(speeds[np.isfinite(speeds)][0]))
