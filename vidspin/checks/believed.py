"""May a verdict on the speed be believed, by how frames and speeds follow each other?

Whatever the cues say, they take it that the frames were taken as they are stamped and that what
was followed is a free top.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vidspin.calibration.angles import Angles, Seen, frozen
from vidspin.calibration.exposure import left_open
from vidspin.calibration.paced import EXCLUDED
from vidspin.checks.case import TOPPLING_S
from vidspin.cyclic import TWO_PI
from vidspin.frames.reading import Readings
from vidspin.order import alias
from vidspin.order.cadence import Pattern, pattern_of
from vidspin.phase.breaks import Breaks
from vidspin.phase.skips import clear_steps, crowded, steps_of, strays_of, train_of, unpaired
from vidspin.records import Ellipse, Event, FloatArray, IntArray

# What goes round with the place of a top that leans more and more is its light and shade.
LEANS_TURNS, LEANS_ALIKE, LEANS_LATE, LEANS_GROWS = 0.75, 0.7, 0.85, 2.0
LEANS_LEAST = 16  # sightings
LEANS = "what was followed goes round with the leaning of the falling top: it may be no mark"
LEAST_SIGHTINGS = 8  # of the free spin, to say anything of it
HARDLY_SEEN = "the mark is hardly seen while it turns freely"
# The best tops lose their speed to 1/e in some thousand seconds (common practice, no source).
KEEPS_ON_S, KEEPS_LEAST_S = 1e4, 4.0
DRIVEN = (
    "what was followed does not slow down at all: no free top turns so, but a lamp that pulses"
    " may look like it"
)
WIDENED = 2.0  # noise alone has 1.0 to 1.1, losses of one to three frames a second 3.5 to 4


@dataclass(frozen=True, slots=True)
class Taken:
    """How the frames of the free spin were taken, beside what their stamps say."""

    pattern: Pattern | None  # by which they are early and late, left out or put in
    lost_s: tuple[float, ...] = ()  # instants at which some are missing, where these are too many
    times: str = ""  # why all times may be those of slow motion, and speeds as many times as high


def pattern_in(readings: Readings, seen: Seen, first: int, last: int) -> Pattern | None:
    """Ask whether the frames of the free spin were taken as evenly as they are stamped."""
    rows, slot = slice(first, last + 1), seen.spin.slot
    late = readings.time_s * seen.spin.frame_rate - slot
    phase = np.where(seen.strong > 0, seen.track.phase_rad, np.nan)
    return pattern_of(
        phase[rows], seen.track.expected_rad[rows], slot[rows] - slot[first],
        late[rows] - float(np.median(late[rows])),
    )  # fmt: skip


def how_taken(  # noqa: PLR0913 - the recording, and which part of it is asked
    pattern: Pattern | None, angles: Angles, readings: Readings, seen: Seen, free: tuple[int, int],
    topple: Event | None,
) -> Taken:  # fmt: skip
    """Ask once more, with the angles that shutter and geometry are taken off of.

    Parameters
    ----------
    pattern : Pattern or None
        What was found without them.
    angles, readings, seen
        The recording, under the best order: another one adds whole turns to each interval.
    free : (int, int)
        First and last frame of the free spin.
    topple : Event or None
        Before one that was seen a leaning top turns in jerks.
    """
    angles = _most_smoothly(angles, readings, seen, free)
    if pattern is not None and not _outlives(angles, readings, seen, free):
        pattern = None
    until_s = _leans_from(topple)
    end = min(free[1] + 1, int(np.searchsorted(readings.time_s, until_s)))
    rows, spin = slice(free[0], max(end, free[0])), seen.spin
    return frames_taken(
        readings.time_s[rows], angles.angle_rad[rows], angles.omega_rad_s[rows], spin.slot[rows],
        rate=spin.frame_rate, marks=spin.marks, known=pattern,
    )  # fmt: skip


def _most_smoothly(angles: Angles, readings: Readings, seen: Seen, free: tuple[int, int]) -> Angles:
    """Angles and speed under that open order under which the frames follow each other best.

    Another order adds whole turns to each interval, and so as much of them to a frame as its stamp
    is late: of stamps that tell the truth about uneven frames a wrong order makes noise, and of
    noise it makes patterns.  Even stamps leave all orders alike.
    """
    spin, verdict = seen.spin, angles.verdict
    if verdict.resolved or spin.passed is not None:
        return angles
    rows = slice(free[0], free[1] + 1)
    t, slot = readings.time_s[rows], spin.slot[rows] - spin.slot[free[0]]
    late = (t - t[0]) * spin.frame_rate - slot
    off = spin.marks * (angles.angle_rad[rows] - _turned(t, angles.omega_rad_s[rows]))

    def scatter(more: int) -> float:
        """Usual size of what a frame is off by, of two neighbours' middle."""
        unit = np.exp(1j * (off - TWO_PI * more * late))
        bend = np.abs(np.angle(unit[2:] * unit[:-2] * unit[1:-1].conj() ** 2))
        bend = bend[np.isfinite(bend)]
        return float(np.median(bend)) if len(bend) else 0.0

    orders = (c.order - angles.order for c in verdict.candidates if c.probability > EXCLUDED)
    more = min((0, *orders), key=scatter)  # the likeliest of those that are alike
    turns = TWO_PI * more / spin.marks
    return replace(
        angles, angle_rad=angles.angle_rad + turns * spin.slot,
        omega_rad_s=angles.omega_rad_s + turns * spin.frame_rate,
    )  # fmt: skip


def _outlives(angles: Angles, readings: Readings, seen: Seen, free: tuple[int, int]) -> bool:
    """Whether a short pattern is still there behind shutter and geometry, in all of the spin.

    At a speed at which the mark keeps to every sixth frame, say, these put it off alike each time.
    """
    rows, spin = slice(free[0], free[1] + 1), seen.spin
    t, slot = readings.time_s[rows], spin.slot[rows] - spin.slot[free[0]]
    late = (t - t[0]) * spin.frame_rate - slot
    smooth = spin.marks * _turned(t, angles.omega_rad_s[rows])
    return pattern_of(spin.marks * angles.angle_rad[rows], smooth, slot, late) is not None


def frames_taken(  # noqa: PLR0913 - a phase, its stamps, and what is known of both
    time_s: FloatArray,
    angle_rad: FloatArray,
    omega_rad_s: FloatArray,
    slot: IntArray,
    *,
    rate: float,
    marks: int,
    known: Pattern | None = None,
) -> Taken:
    """Ask which frames are missing, put in or shown again though their stamps are even.

    Parameters
    ----------
    time_s, angle_rad, omega_rad_s : (N,) arrays
        Stamps, angles of the mark (NaN where not seen), and the smooth speed.
    slot : (N,) array
        Nominal frame intervals since any frame.
    rate : float
        Frames a second.
    marks : int
    known : Pattern, optional
        Found before, and told unless a longer one explains the steps.

    Returns
    -------
    Taken
    """
    if len(slot) < 2:
        return Taken(known)
    slot = slot - slot[0]
    phase, smooth = marks * angle_rad, marks * _turned(time_s, omega_rad_s)
    late = (time_s - time_s[0]) * rate - slot
    steps = steps_of(phase, smooth, slot, late)
    train, pattern = train_of(steps), known
    if train is not None:
        pattern = Pattern(train.frames, train.off_rad, int(train.skipped))
    elif known is None:
        train = train_of(strays_of(phase, smooth, slot, late))
        pattern = None if train is None else Pattern(train.frames, train.off_rad)
    at = unpaired(*clear_steps(steps), rate)
    lost = np.interp(at[crowded(at, rate)] + 0.5, slot, time_s)
    return Taken(pattern, tuple(float(s) for s in lost))


def _turned(time_s: FloatArray, omega_rad_s: FloatArray) -> FloatArray:
    """Angle that a speed has gone through at each frame, (N,)."""
    ahead = 0.5 * (omega_rad_s[1:] + omega_rad_s[:-1]) * np.diff(time_s)
    return np.asarray(np.concatenate([[0.0], np.cumsum(ahead)]))


def doubted(
    angles: Angles, readings: Readings, seen: Seen, taken: Taken, free: tuple[int, int]
) -> Angles:
    """Take the verdict back where frames or speeds are not those of a top that was filmed.

    What a time stamp stands for is as open as the speed that readout and exposure go with.
    """
    if taken.pattern is not None:
        angles = replace(angles, verdict=alias.taken_unevenly(angles.verdict, taken.pattern))
    elif taken.lost_s:
        what = f"frames are missing or put in at {len(taken.lost_s)} places, and no time says so"
        angles = replace(angles, verdict=alias.miscounted(angles.verdict, what))
    elif taken.times:
        angles = replace(angles, verdict=alias.taken_back(angles.verdict, taken.times))
    first_s, last_s = (float(readings.time_s[k]) for k in free)
    at = seen.track.window_s
    at = at[(at >= first_s) & (at <= last_s)]
    if keeps_on(at, np.interp(at, readings.time_s, angles.omega_rad_s)):
        angles = replace(angles, verdict=alias.taken_back(angles.verdict, DRIVEN))
    return with_stamps_open(angles, 1.0 / seen.spin.frame_rate)


def with_stamps_open(angles: Angles, interval_s: float) -> Angles:
    """Leave open what a time stamp stands for, as `exposure.left_open` does, by the verdict."""
    offset = left_open(angles.offset, angles.readout, angles.verdict, interval_s)
    return replace(angles, offset=offset)


def keeps_on(since_s: FloatArray, speed_rad_s: FloatArray) -> bool:
    """Whether speeds, in order of time, stay the same for longer than any free top's do.

    The fall from the first to the last third, against one that would take `KEEPS_ON_S` to 1/e.
    """
    count = len(since_s) // 3
    if count < 2 or float(np.ptp(since_s)) < KEEPS_LEAST_S:
        return False
    first, last = slice(0, count), slice(len(since_s) - count, None)
    fell = abs(float(np.median(speed_rad_s[first]) - np.median(speed_rad_s[last])))
    apart = float(np.median(since_s[last]) - np.median(since_s[first]))
    return fell < abs(float(np.median(speed_rad_s))) * apart / KEEPS_ON_S


def no_spin(
    angles: Angles, seen: Seen, readings: Readings, ring: Ellipse, free: slice
) -> str | None:
    """Say why what was followed is no mark of a top that turns; None where nothing speaks so."""
    if hardly_seen(angles, free):
        return HARDLY_SEEN
    if frozen(seen, angles):
        return "what was followed is faint and stands still: it may be noise"
    x, y = readings.x_px[free], readings.y_px[free]
    return LEANS if goes_with_lean(angles.angle_rad[free], x, y, ring) else None


def hardly_seen(angles: Angles, free: slice) -> bool:
    """Whether too few sightings lie in the free spin to say anything of it."""
    return bool(np.isfinite(angles.angle_rad[free]).sum() < LEAST_SIGHTINGS)


def goes_with_lean(
    angle_rad: FloatArray, x_px: FloatArray, y_px: FloatArray, ring: Ellipse
) -> bool:
    """Whether what was followed is no mark but the side to which a falling top leans.

    Where the mark is too faint, what goes round with the precession is all that is left.  Run-out
    goes round with a mark as well, but it is the same all along.

    Parameters
    ----------
    angle_rad : (N,) array
        Angle of the mark in the free spin, as seen or true, NaN where not sighted.
    x_px, y_px : (N,) arrays
        Where the middle of the face was.
    ring : Ellipse
    """
    cos, sin, aspect = np.cos(ring.tilt_rad), np.sin(ring.tilt_rad), ring.minor_px / ring.major_px
    known = np.isfinite(angle_rad) & np.isfinite(x_px) & np.isfinite(y_px)
    angle, x, y = angle_rad[known], x_px[known], y_px[known]
    if len(angle) < LEANS_LEAST:
        return False
    x, y = x - x.mean(), y - y.mean()
    place = x * cos + y * sin + 1j * (y * cos - x * sin) / aspect
    half = len(place) // 2
    late = place[half:] * np.exp(-1j * angle[half:])
    side = place * np.exp(-1j * angle)
    return bool(
        np.abs(np.sum(side)) > LEANS_ALIKE * np.sum(np.abs(side))
        and np.abs(np.sum(late)) > LEANS_LATE * np.sum(np.abs(late))
        and np.ptp(np.unwrap(np.angle(place[half:]))) > 2 * np.pi * LEANS_TURNS
        and np.median(np.abs(late)) > LEANS_GROWS * np.median(np.abs(place[:half]))
    )


def blurred(angles: Angles, breaks: Breaks | None, topple: Event | None) -> Angles:
    """Take the verdict back where the phase steps so much all along that no step stands out."""
    late_s = _leans_from(topple)
    if (
        breaks is None
        or breaks.blurred_s(late_s, widened=WIDENED) is None
        or not angles.verdict.resolved
    ):
        return angles
    what = "the phase steps all the time, as where frames are missing again and again"
    return replace(angles, verdict=alias.miscounted(angles.verdict, what))


def _leans_from(topple: Event | None) -> float:
    """Tell from when on the top may lean before it falls, s; the topple may be as early as told."""
    seen = topple is not None and topple.seen
    return topple.time_s - topple.u95_s - TOPPLING_S if topple is not None and seen else np.inf
