"""What is in the simulated scene, and what is true of it.

`Scene` holds every setting of a simulated clip; the functions below it answer questions of
truth (frame times, turned angle, mark angle) without drawing anything.

Conventions
-----------
Time
    The time of a frame is the start of the exposure of its stored row 0.  Row ``y`` of
    ``H`` rows is exposed over ``[t + y * readout / H, t + y * readout / H + exposure]``.
Angle
    The mark angle is taken about the ellipse centre after the ellipse has been stretched
    back into a circle along its minor axis: 0 at +x, clockwise positive as seen (y down).
Place
    Whole numbers are the middles of picture elements: (0, 0) is the middle of the first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from fractions import Fraction
from functools import lru_cache

import numpy as np

from vidspin.errors import UsageError
from vidspin.records import Ellipse, FloatArray, IntArray
from vidspin.simulate.spin import LEAD_S, ConstantSpeed, SpeedLaw, Spin, free_spin

MARK_KINDS = ("dot", "stripe")
MAX_MARKS = 4
FASTEST_RAD_S = 1.05e5  # a million rev/min: nothing that a camera sees turns faster
MOST_FRAMES = 2_000_000  # over two hours at 240 a second
FEWER = f"take {MOST_FRAMES:,} or fewer: a shorter clip, or a lower frame rate"
BIT_DEPTHS = (8, 10)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Every setting of a simulated clip; sizes "of the face" are in units of its radius.

    Grey levels are 8-bit luma codes of the limited range (16 black, 235 white), also for
    10-bit clips.
    """

    # --- picture
    width: int = 640  # stored columns
    height: int = 360  # stored rows
    centre_px: tuple[float, float] | None = None  # of the face; None: a good place
    semi_axes_px: tuple[float, float] | None = None  # of the face's edge; None: a good size
    ellipse_tilt_rad: float | None = None  # +x towards +y; None: upright for `rotation_deg`
    bit_depth: int = 8
    rotation_deg: int = 0  # clockwise turn that a player shall apply

    # --- what is seen
    mark: str = "dot"  # or "stripe"
    marks: int = 1  # equal marks, evenly spaced
    mark_contrast: float = -100.0  # grey levels against the face; negative: dark on bright
    mark_radius: float = 0.8  # distance of the mark's middle from the axis, of the face
    mark_size: float = 0.075  # radius of a dot, half the width of a stripe, of the face
    mark_length: float = 0.3  # radial length of a stripe, of the face
    face_level: float = 165.0  # grey level of the face
    highlight: float = 0.5  # strength of the highlights that stand still, 0 to 1
    stem: bool = True  # hides a part of the ring
    table_level: float = 122.0  # grey level of the table
    table_texture: float = 9.0  # standard deviation of its grain, grey levels

    # --- motion
    speed_rad_s: float = 200.0  # at the release, or at the first frame without one
    law: SpeedLaw = ConstantSpeed()
    direction: int = 1  # +1 clockwise as seen, -1 counterclockwise
    first_angle_rad: float = 1.0  # mark angle at turned angle 0
    release_s: float | None = None  # a hand spins the top up and leaves it at this instant
    spin_up_s: float = 0.25
    topple_s: float | None = None  # the rim touches the base at this instant
    precession_hz: float = 1.2  # turns of the leaning axis a second before the topple
    rest_s: float = 1.6  # from topple to rest
    wander_px: float = 0.0  # the top drifts on its base by up to about this much
    shake_px: float = 0.0  # the camera shakes by up to about this much
    runout_px: float = 0.0  # the body's middle circles the spin axis at this distance, once a turn
    runout_rad: float = 0.0  # where it lies from the first mark, clockwise positive as seen

    # --- camera
    seconds: float = 10.0
    frame_rate: Fraction = Fraction(30)  # exposures a scene second
    # From a scene second on, exposures a second: as a phone in dim light changes its pace.
    paces: tuple[tuple[float, Fraction], ...] = ()
    stored_rate: Fraction | None = None  # frames a file second if stretched: slow motion
    capture_tag: bool = True  # tell the capture rate in a tag when stretched
    exposure_s: float = 1 / 500
    readout_s: float = 0.012  # signed: negative when the last stored row is read first
    jitter_s: float = 0.0  # standard deviation of the exposure instants; the stated
    # times follow them
    stamp_jitter_s: float = 0.0  # standard deviation of stated minus true times
    time_base: Fraction = Fraction(1, 90000)  # seconds a tick of the stated times
    dropped: float = 0.0  # share of frames that are missing
    noise: float = 2.0  # standard deviation, grey levels
    shot_noise: float = 0.0  # standard deviation at white, grey levels
    gain: float = 1.0  # factor on the light; what passes white is clipped
    flicker_hz: float = 0.0  # of the lamp's light
    flicker_depth: float = 0.0  # half the swing of its light, of its mean
    gamma: float = 2.2  # signal = light ** (1 / gamma); 1 averages in luma instead
    noise_pool: bool | None = None  # noise from a pool of values; None: large pictures only
    seed: int = 0

    def __post_init__(self) -> None:
        """Fill what was left open and refuse what cannot be drawn."""
        tilt = self.ellipse_tilt_rad
        if tilt is None:
            tilt = -math.radians(self.rotation_deg)
            object.__setattr__(self, "ellipse_tilt_rad", tilt)
        across, down = self.width, self.height
        if abs(math.sin(tilt)) > 0.5:
            across, down = down, across
        size = min(0.29 * down, 0.36 * across)
        if self.semi_axes_px is None:
            object.__setattr__(self, "semi_axes_px", (size, 0.73 * size))
        if self.centre_px is None:
            # Above the middle, because the base takes more room than the stem.
            up = (math.sin(tilt), -math.cos(tilt))
            middle = ((self.width - 1) / 2, (self.height - 1) / 2)
            lift = 0.1 * size
            place = (middle[0] + lift * up[0], middle[1] + lift * up[1])
            object.__setattr__(self, "centre_px", place)
        _refuse(self)

    @property
    def ring(self) -> Ellipse:
        """Path of the mark's middle while the top stands still in the picture."""
        assert self.centre_px is not None and self.semi_axes_px is not None
        assert self.ellipse_tilt_rad is not None
        return Ellipse(
            x_px=self.centre_px[0],
            y_px=self.centre_px[1],
            major_px=self.mark_radius * self.semi_axes_px[0],
            minor_px=self.mark_radius * self.semi_axes_px[1],
            tilt_rad=self.ellipse_tilt_rad,
        )

    @property
    def file_rate(self) -> Fraction:
        """Nominal frames a file second."""
        return self.frame_rate if self.stored_rate is None else self.stored_rate

    @property
    def time_scale(self) -> Fraction:
        """Scene seconds a file second: under 1 for slow motion stored stretched."""
        return self.file_rate / self.frame_rate

    @property
    def centre_row_offset_s(self) -> float:
        """Exposure centre of the middle row minus frame time."""
        return 0.5 * (self.readout_s + self.exposure_s)


def _finite(value: object) -> bool:
    """Say whether a setting holds no NaN and no infinity."""
    parts = value if isinstance(value, tuple) else (value,)
    return all(math.isfinite(part) for part in parts if isinstance(part, float))


def _refuse(scene: Scene) -> None:
    """Raise a `UsageError` for the first setting that cannot be drawn."""
    assert scene.semi_axes_px is not None
    major, minor = scene.semi_axes_px
    half = scene.mark_size if scene.mark == "dot" else 0.5 * scene.mark_length
    end = math.inf if scene.topple_s is None else scene.topple_s
    start = 0.0 if scene.release_s is None else scene.release_s
    skew = abs(scene.readout_s) + scene.exposure_s
    fastest = max(scene.frame_rate, *(rate for _, rate in scene.paces), Fraction(0))
    endless = [f.name for f in fields(scene) if not _finite(getattr(scene, f.name))]
    rows: tuple[tuple[bool, str, str, str], ...] = (
        (bool(endless), ", ".join(endless), "not a number", "take a finite one"),
        (scene.seed < 0, "seed", "negative", "take 0 or more"),
        (min(scene.jitter_s, scene.stamp_jitter_s) < 0, "jitter", "negative", "take 0 or more"),
        (min(scene.width, scene.height) < 16, "size", "picture too small", "take 16x16 or more"),
        (scene.width % 2 + scene.height % 2 > 0, "size", "odd size", "take even numbers"),
        (not 0 < minor < major, "ellipse", "not a tilted circle", "take 0 < minor < major"),
        (scene.mark not in MARK_KINDS, "mark", "unknown kind", "take dot or stripe"),
        (not 1 <= scene.marks <= MAX_MARKS, "marks", "out of range", "take 1 to 4"),
        (scene.mark_size <= 0, "mark size", "not positive", "take a positive size"),
        (
            scene.mark_radius - half < 0.53 or scene.mark_radius + half > 1,
            "mark",
            "mark leaves the flat part of the face (0.53 to 1)",
            "move it or make it smaller",
        ),
        (scene.direction not in (-1, 1), "direction", "unknown", "take 1 or -1"),
        (scene.speed_rad_s < 0, "speed", "negative", "take a speed of 0 or more"),
        (scene.speed_rad_s > FASTEST_RAD_S, "speed", "too fast", "take 1,000,000 rev/min or less"),
        (scene.seconds <= 0, "seconds", "not positive", "take a positive length"),
        (scene.file_rate <= 0 or scene.frame_rate <= 0, "fps", "not positive", "take 30, say"),
        (scene.seconds * fastest > MOST_FRAMES, "seconds", "too many frames", FEWER),
        (
            any(at <= 0 or rate <= 0 for at, rate in scene.paces),
            "pace",
            "not positive",
            "take 12,24, say",
        ),
        (scene.exposure_s <= 0, "exposure", "not positive", "take 1/500, say"),
        (
            skew > LEAD_S,
            "exposure and readout",
            "over a second in all",
            "take shorter ones",
        ),
        (not 0 <= scene.dropped < 0.9, "dropped", "out of range", "take a share under 0.9"),
        (min(scene.noise, scene.shot_noise) < 0, "noise", "negative", "take 0 or more"),
        (scene.gain <= 0 or scene.gamma <= 0, "gain", "not positive", "take 1, say"),
        (not 0 <= scene.flicker_depth < 1, "flicker", "depth out of range", "take 0 to under 1"),
        (scene.bit_depth not in BIT_DEPTHS, "bits", "unknown depth", "take 8 or 10"),
        (scene.rotation_deg % 90 > 0, "rotation", "not a quarter turn", "take 0, 90, 180 or 270"),
        (
            scene.release_s is not None and scene.release_s < scene.spin_up_s,
            "release",
            "earlier than the hand needs to spin the top up",
            f"take {scene.spin_up_s:g} s or later",
        ),
        (end <= start, "topple", "not after the release", "take a later topple"),
    )
    for wrong, where, what, do in rows:
        if wrong:
            raise UsageError(what, where=where, do=do)


@dataclass(frozen=True, slots=True)
class FrameTimes:
    """When the frames were taken and what the file says of it."""

    start_s: FloatArray  # (N,) true start of the exposure of row 0, scene seconds
    ticks: IntArray  # (N,) stated file times in ticks of `Scene.time_base`


def _nominal(scene: Scene) -> FloatArray:
    """Instants at which frames are due, scene seconds."""
    parts, begin, rate = [], Fraction(0), scene.frame_rate
    changes = sorted((Fraction(at), rate) for at, rate in scene.paces)
    for until, following in (*changes, (Fraction(scene.seconds), rate)):
        length = min(until, Fraction(scene.seconds)) - begin
        count = max(math.ceil(length * rate - Fraction(1, 10**9)), 0)
        parts.append(float(begin) + np.arange(count) * rate.denominator / rate.numerator)
        begin, rate = begin + count / rate, following
    due = np.concatenate(parts)
    return due if len(due) else np.zeros(1)


@lru_cache(maxsize=8)
def frame_times(scene: Scene) -> FrameTimes:
    """Return the true and the stated time of every frame that is not dropped."""
    nominal = _nominal(scene)
    count = len(nominal)
    rng = np.random.default_rng([scene.seed, 1])
    # Errors beyond three sigma are cut, so that frames cannot change places unnoticed.
    wobble, stamp, lost = rng.standard_normal((3, count))
    start = nominal + scene.jitter_s * np.clip(wobble, -3.0, 3.0)
    stated = (start + scene.stamp_jitter_s * np.clip(stamp, -3.0, 3.0)) / float(scene.time_scale)
    # The same draw decides which frames are lost: one uniform rank a frame.
    keep = np.argsort(np.argsort(lost[1:])) >= round(scene.dropped * (count - 1))
    keep = np.concatenate([[True], keep])
    ticks = np.rint(stated / float(scene.time_base)).astype(np.int64)
    start, ticks = start[keep], ticks[keep]
    if np.any(np.diff(start) <= 0) or np.any(np.diff(ticks) <= 0):
        raise UsageError(
            "frames would change places", where="jitter", do="take less jitter or a finer time base"
        )
    return FrameTimes(start - start[0], ticks - ticks[0])


@lru_cache(maxsize=8)
def spin_of(scene: Scene) -> Spin:
    """Return the course of the spin: turned angle and speed at any instant."""
    start = 0.0 if scene.release_s is None else scene.release_s
    last = float(frame_times(scene).start_s[-1]) + LEAD_S
    end = last if scene.topple_s is None else scene.topple_s
    return Spin(
        free=free_spin(scene.law, scene.speed_rad_s, max(end, start) - start),
        release_s=scene.release_s,
        spin_up_s=scene.spin_up_s,
        topple_s=scene.topple_s,
        rest_s=scene.rest_s,
    )


def turned_angle(scene: Scene, times_s: FloatArray) -> FloatArray:
    """Return the angle turned since the first frame, rad, in the sense of rotation."""
    return spin_of(scene).turned_rad(times_s)


def speed(scene: Scene, times_s: FloatArray) -> FloatArray:
    """Return the speed in rad/s, the derivative of `turned_angle`."""
    return spin_of(scene).speed_rad_s(times_s)


def mark_angle(scene: Scene, times_s: FloatArray) -> FloatArray:
    """Return the angle of the first mark, rad, clockwise positive as seen, not wrapped."""
    return scene.first_angle_rad + scene.direction * turned_angle(scene, times_s)


def row_start(scene: Scene, frame_s: float, rows: FloatArray | IntArray) -> FloatArray:
    """Return when the exposure of stored rows of the frame at `frame_s` starts."""
    return np.asarray(frame_s + np.asarray(rows, np.float64) * (scene.readout_s / scene.height))
