"""What may the checks of a recording look at?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspin.calibration.angles import Angles, Seen
from vidspin.checks.repeats import (
    Held,
    Replay,
    features,
    find_replay,
    held_frames,
    stopped,
    together,
)
from vidspin.cyclic import wrapped
from vidspin.frames.lamp import Lamp, flicker
from vidspin.frames.reading import Readings
from vidspin.instants.intrusion import Visit, between, visits
from vidspin.order.apparent import Track
from vidspin.order.cadence import Pattern
from vidspin.pace import other_paces
from vidspin.phase.breaks import Breaks, find_breaks
from vidspin.phase.continuous import Phase
from vidspin.phase.missing import missing_time
from vidspin.phase.smallsteps import small_steps
from vidspin.records import BoolArray, FloatArray, SightingFlag, SpinCurve, StreamOutcome, Survey
from vidspin.speed.curve import UNSEEN_FRAMES, unseen_seconds
from vidspin.speed.leaning import from_leaning
from vidspin.speed.turning import Noise, Turning

TOPPLING_S = 3.0  # before the topple a leaning top loses speed in jerks
LEANING_S = 2.0  # before the topple a leaning face looks like a covered one
LAG_DOUBT_FRAMES = 3
STEADIER = 0.8  # of the scatter under another order, to be taken in its place
OTHER_S = 2.0  # of a spin that is more than a hand's doing
OVERLAP_S = 1.2  # a window that holds the end of one spin and the start of another
ROLLS = 4.0  # times the drift of the spin: what slows so fast rolls on its rim
ROLLING_S = 4.0  # after a topple, until the top lies still
AT_REST = 0.01  # cycles a slot; a spin that stands still for the camera is seldom so near to it
CLEAR_OF = 0.6  # of a window: its half, and the doubt about the instant
DRIFT_WINDOWS = 600  # of a track that tell its drift: all pairs of more would fill the memory
NEAR_WINDOWS = 5  # beside a meeting that tell the speeds there; those that straddle it do not
LEAST_SHARE = 0.01  # of the best candidate's probability: others are as good as excluded
MEETS_S = 0.4  # from one spin to the next; nobody stops a top and spins it up in less
LEAST_EXPLAINED = 0.5  # of what changes along the ring; below, something else tells more of it
# Of the ring (of the way from mark to mark), in one piece, may be unseen; in sectors of which each
# other is seen in some frames.
MOST_OF_RING, SECTORS, SECTOR_SEEN = 1 / 3, 24, 2


@dataclass(frozen=True, slots=True)
class Meeting:
    """Where one spin goes over into another at once."""

    time_s: float
    cycles_per_slot: float  # step of the apparent speed there, clockwise positive, within a half


@dataclass(frozen=True, slots=True)
class Case:
    """What the checks may look at."""

    outcome: StreamOutcome
    readings: Readings
    turning: Turning | None
    noise: Noise | None
    curve: SpinCurve | None
    breaks: Breaks | None
    frame_interval_s: float
    unseen_s: float
    resolved: bool
    sense_known: bool  # the direction of rotation is known, so that a push is told from a brake
    topple_s: float | None  # None: not seen in the recording
    falls_s: float | None = None  # the earliest that it may have been; None: as it was told
    hidden_s: float | None = None  # of `unseen_s`, apart from the hand's and the fall's; None: all
    before_s: float = 0.0  # that the top may have spun freely before its mark was first seen
    held: tuple[Held, ...] = ()
    replay: Replay | None = None
    lost_s: tuple[float, ...] = ()  # where frames are missing, too many to be told one by one
    pattern: Pattern | None = None  # by which frames are early and late though their stamps are not
    all_visits: tuple[Visit, ...] = ()
    lamp: Lamp | None = None
    sense: int = 0  # of rotation as seen: 1 clockwise, -1 counterclockwise, 0 not known
    marks: int = 1
    elsewhere_s: tuple[tuple[float, float], ...] = ()  # other stretches in which something turned
    survey: Survey | None = None
    broken_off: tuple[Meeting, ...] = ()  # where a spin at another speed begins or ends

    @property
    def free_s(self) -> tuple[float, float]:
        """First and last instant of the free spin."""
        if self.turning is None or not self.turning.free.any():
            return 0.0, 0.0
        t = self.turning.frame_s[self.turning.free]
        return float(t[0]), float(t[-1])

    @property
    def mark_in_doubt(self) -> str:
        """Why what was followed may not be the mark on its ring; empty where nothing speaks so.

        A mark that stands nearly still from frame to frame is seen on a part of its ring, and any
        ring that touches its path there will do: its angles along a wrong one jump and turn back.
        """
        if self.survey is not None and self.survey.others and "centre" not in self.survey.given:
            return "another thing turns in the picture, and which was meant is not known"
        if self.turning is None or self.noise is None or not self.noise.usable.any():
            return ""
        usable = self.noise.usable
        seen = self.turning.free & np.isfinite(self.turning.angle_rad)  # where it is off as well
        if float(np.median(self.turning.quality[seen])) < LEAST_EXPLAINED:
            return "the mark explains less than half of what changes along its ring"
        part = np.mod(self.marks * self.turning.angle_rad[usable] / (2 * np.pi), 1.0)
        sectors = np.bincount((part * SECTORS).astype(int) % SECTORS, minlength=SECTORS)
        # a mark that is seen at three places all around, say, tells its ring well enough
        seen_in = np.flatnonzero(sectors >= SECTOR_SEEN)
        unseen = np.diff([*seen_in, seen_in[0] + SECTORS]) - 1 if len(seen_in) else [SECTORS]
        if max(unseen) > MOST_OF_RING * SECTORS:
            return (
                "the mark is not seen on a third of its ring at one side, so that another may fit"
            )
        return ""

    @property
    def rises(self) -> tuple[tuple[float, float], ...]:
        """Where the spin goes over into a faster one: instant, and step to the nearest alias."""
        if self.turning is None or self.sense == 0:
            return ()
        cycle = 2 * np.pi / self.marks / self.frame_interval_s
        steps = ((m.time_s, self.sense * m.cycles_per_slot * cycle) for m in self.broken_off)
        return tuple(step for step in steps if step[1] > 0)

    @property
    def other_paces_s(self) -> tuple[tuple[float, float], ...]:
        """Stretches at a pace that is no whole number of nominal frame intervals."""
        return other_paces(self.readings.time_s, self.frame_interval_s)

    def at_a_change_of_pace(self, at_s: float) -> bool:
        """Whether the frames come at another pace from about an instant on, or until then."""
        ends = [end for stretch in self.other_paces_s for end in stretch]
        return any(abs(at_s - end) <= OVERLAP_S for end in ends)

    def unseen_at_other_paces_s(self) -> float:
        """How much of what was not seen, from where the top may have spun on, is in them, s."""
        if self.turning is None or self.noise is None or not self.other_paces_s:
            return 0.0
        first, last = self.free_s
        seen = self.turning.time_s[self.noise.usable]
        inner = seen[(seen > first) & (seen < last)]
        edges = np.concatenate([[first - self.before_s], inner, [last]])
        hidden = np.diff(edges) > UNSEEN_FRAMES * self.frame_interval_s
        knots = np.array(self.other_paces_s).ravel()
        spent = np.cumsum(np.diff(knots, prepend=knots[0]) * (np.arange(len(knots)) % 2))
        return float(np.diff(np.interp(edges, knots, spent)) @ hidden)

    @property
    def replay_s(self) -> float | None:
        """Where a copied stretch was found."""
        if self.replay is None or self.turning is None:
            return None
        return float(self.turning.frame_s[self.turning.free][self.replay.at])

    @property
    def _falls_s(self) -> float:
        known = self.topple_s if self.falls_s is None else self.falls_s
        return float("inf") if known is None else known

    @property
    def late_s(self) -> float:
        """From here on the top is falling over."""
        return self._falls_s - TOPPLING_S

    @property
    def fall_s(self) -> float:
        """From here on the face leans so far that the mark's angle is not the top's."""
        return self._falls_s - LEANING_S

    @property
    def blurred_s(self) -> float | None:
        """Where the phase may step unnoticed, for it steps all the time; None where it does not."""
        return None if self.breaks is None else self.breaks.blurred_s(self.late_s)

    @property
    def whole(self) -> bool:
        """Whether no turns are missing or counted twice, as far as the phase tells."""
        return self.breaks is None or (not self.breaks.jumps and self.blurred_s is None)

    @property
    def largest_step_turns(self) -> float | None:
        """Largest step of the phase that no touch explains."""
        if self.breaks is None:
            return None
        sizes = np.abs([*self.breaks.scan.turns, *(s.turns for s in self.breaks.jumps)])
        return float(sizes.max()) if len(sizes) else None

    @property
    def visits(self) -> tuple[Visit, ...]:
        """What entered while the spin was free."""
        return between(self.all_visits, *self.free_s)


def phase_of(
    turning: Turning, omega_rad_s: FloatArray, readings: Readings, *, marks: int, frame_s: float
) -> Phase:
    """Cut the free spin's mark angles out for `find_breaks`."""
    free = turning.free
    seam = np.diff(readings.chapter, prepend=readings.chapter[:1]) != 0
    return Phase(
        time_s=turning.time_s[free],
        angle_rad=turning.angle_rad[free],
        u_rad=turning.u_rad[free],
        omega_rad_s=omega_rad_s[free],
        period_rad=2 * np.pi / marks,
        frame_s=frame_s,
        seam=seam[free],
    )


def steadiest(
    turning: Turning, omega_rad_s: FloatArray, orders: Sequence[int], *, marks: int, frame_s: float
) -> FloatArray:
    """Choose the alias order under which the steps from frame to frame scatter least.

    Parameters
    ----------
    turning : Turning
    omega_rad_s : (N,) array
        Signed speed under the order that is in use.
    orders : sequence of int
        Orders that are left, against the one in use: 0 is that one.
    marks : int
    frame_s : float
        Nominal frame interval.

    Returns
    -------
    (N,) array
        Speed under that order; the one in use where none is clearly better.

    Notes
    -----
    Breaks are found under any order while frames are evenly timed.  Uneven times under a wrong
    one, or coarse ones under any, move the mark by the speed times what they are off: that is
    noise that hides breaks, and the least of it is best.
    """
    free = turning.free
    t, angle, omega = turning.time_s[free], turning.angle_rad[free], omega_rad_s[free]
    period = 2 * np.pi / marks
    step = period / frame_s
    best, least = 0, np.inf
    for order in sorted(orders, key=abs):
        ahead = 0.5 * (omega[1:] + omega[:-1]) * np.diff(t) + order * step * np.diff(t)
        off = wrapped(np.diff(angle) - ahead, period)
        bends = np.abs(np.diff(off))
        bends = bends[np.isfinite(bends)]
        scatter = float(np.median(bends)) if len(bends) > 8 else 0.0
        if scatter < STEADIER * least:
            best, least = order, scatter
    return np.asarray(omega_rad_s + best * step)


def hidden_s(
    turning: Turning, noise: Noise, falls_s: float | None, *, breaks_s: Sequence[float]
) -> float:
    """Seconds unseen between the first free sighting and the fall, which may begin at `falls_s`.

    What a hand hides at the release is in the doubt about the release; a top that leans and falls
    over is seen, if not its mark.
    """
    until = None if falls_s is None else falls_s - LEANING_S
    return unseen_seconds(turning, noise, None, until, breaks_s=breaks_s)


def phase_under(
    angles: Angles, turning: Turning, readings: Readings, *, marks: int, frame_s: float
) -> Phase:
    """Cut out what is looked through for breaks, by the speeds that make least noise.

    Where the order is open that may be another one than the first.
    """
    verdict = angles.verdict
    if verdict.resolved:
        speed = angles.omega_rad_s
    else:
        first = verdict.candidates[0]
        others = [
            c.order - angles.order
            for c in verdict.candidates
            if c.rpm * first.rpm > 0 and c.probability > LEAST_SHARE * first.probability
        ]
        speed = steadiest(turning, angles.omega_rad_s, [0, *others], marks=marks, frame_s=frame_s)
    return phase_of(turning, speed, readings, marks=marks, frame_s=frame_s)


def look_for_breaks(phase: Phase) -> Breaks | None:
    """Find the breaks of the spin; None where too little of it is seen."""
    if np.isfinite(phase.angle_rad).sum() < 2:
        return None
    breaks = find_breaks(phase)
    return replace(breaks, small=small_steps(phase, breaks))


def replayed(
    phase: Phase,
    breaks: Breaks | None,
    places: tuple[FloatArray, ...],
    falls_s: float | None = None,
) -> Replay | None:
    """Look for a stretch that is shown twice, first where the spin itself goes back in time.

    The swing of a top that leans before it falls, at `falls_s` or later, goes back too, and is like
    itself.
    """
    if len(phase.time_s) < 3:
        return None
    marks = features(
        phase.time_s, phase.angle_rad, phase.omega_rad_s, places, period_rad=phase.period_rad
    )
    late_s = np.inf if falls_s is None else falls_s - TOPPLING_S
    suspected = []
    for step in breaks.found if breaks is not None else ():
        missing = missing_time(step, order_known=False)
        if missing is None or missing.seconds >= 0:
            continue
        if step.kink and from_leaning(step, late_s):
            continue
        at = int(np.searchsorted(phase.time_s, step.time_s))
        lag = -missing.seconds / phase.frame_s
        doubt = 1.5 * missing.u95_s / phase.frame_s + LAG_DOUBT_FRAMES
        suspected.append((at, int(lag - doubt), int(lag + doubt) + 1))
    return find_replay(marks, suspected)


def broken_off(
    seen: Seen,
    span: tuple[int, int],
    time_s: FloatArray,
    all_visits: tuple[Visit, ...],
    *,
    toppled: bool,
) -> tuple[Meeting, ...]:
    """Find where the free spin meets another spin with no time between to stop and start.

    Parameters
    ----------
    seen : Seen
    span : (int, int)
        First and last frame of the free spin.
    time_s : (N,) array
    all_visits : tuple of Visit
        A hand at the meeting explains it.
    toppled : bool
        The free spin ends with what looks like a topple.

    Returns
    -------
    tuple of Meeting

    Notes
    -----
    Nobody stops a top and spins it up again within `MEETS_S`, and a spin that a hand drives up
    grows faster, it does not slow.  A top that rolls after its topple slows many times faster
    than it did while it spun, and soon lies still; one that slows as before has not toppled.
    """
    found = []
    first, last = span
    own = _drift(seen.track) if seen.others else 0.0
    for other in seen.others:
        before = other.first + other.last < first + last
        meets = time_s[first] - time_s[other.last], time_s[other.first] - time_s[last]
        apart = float(meets[0] if before else meets[1])
        long = time_s[other.last] - time_s[other.first] >= OTHER_S
        if not long or not -OVERLAP_S <= apart <= MEETS_S or len(other.window_s) < 3:
            continue
        edge = (other.last, first) if before else (last, other.first)
        at = 0.5 * float(time_s[edge[0]] + time_s[edge[1]])
        hand = any(v.from_s - MEETS_S <= at <= v.to_s + MEETS_S for v in all_visits)
        drift = _drift(other)
        lasted = time_s[other.last] - time_s[other.first]
        rests = lasted < ROLLING_S and abs(other.cycles_per_slot[-1]) < AT_REST
        rolls = toppled and not before and (rests or not abs(drift) < ROLLS * abs(own))
        if drift * own > 0 and not hand and not rolls:
            pair = (other, seen.track) if before else (seen.track, other)
            found.append(Meeting(at, _jump(*pair, at)))
    return tuple(sorted(found, key=lambda one: one.time_s))


def _drift(track: Track) -> float:
    """Rate of change of a track's apparent speed: the same sign for spins that both slow."""
    count = len(track.window_s)
    some = np.linspace(0, count - 1, min(count, DRIFT_WINDOWS)).astype(int)
    t, rate = track.window_s[some], track.cycles_per_slot[some]
    one, other = np.triu_indices(len(t), 1)
    # a window at an end may hold half of another spin: the median of all slopes (Theil, Sen)
    return float(np.median((rate[other] - rate[one]) / (t[other] - t[one])))


def _jump(before: Track, after: Track, at_s: float) -> float:
    """Step of the apparent speed where two tracks meet, cycles a slot, within half of one."""
    ends = []
    for track, side in ((before, -1), (after, 1)):
        apart = side * (track.window_s - at_s)
        rows = np.argsort(apart)
        rows = rows[apart[rows] > CLEAR_OF * OVERLAP_S][:NEAR_WINDOWS]
        if len(rows) < 2:  # every window straddles it: the speeds are hardly known
            rows = np.argsort(-apart)[:2]
        line = np.polyfit(track.window_s[rows] - at_s, track.cycles_per_slot[rows], 1)
        ends.append(float(line[1]))
    return float(np.mod(ends[1] - ends[0] + 0.5, 1.0) - 0.5)


def visits_of(readings: Readings, free: BoolArray, falls_s: float | None) -> tuple[Visit, ...]:
    """Find what entered the setting, anywhere in the recording.

    A face that leans before it falls, at `falls_s` or later, looks like a covered one.
    """
    if readings.glances is None or len(readings.glances.near) != len(readings.time_s):
        return ()
    covered = (readings.flags & int(SightingFlag.OCCLUDED)) != 0
    end = np.inf if falls_s is None else falls_s - LEANING_S
    covered = covered & free & (readings.time_s < end)
    near, new = (np.asarray(v, np.float64) for v in (readings.glances.near, readings.glances.new))
    return visits(readings.time_s, near, new, covered)


def lamp_of(readings: Readings, frame_rate: float, readout_sign: int = 0) -> Lamp | None:
    """Look for a lamp's flicker in the bands of rows; `readout_sign` 0 = not known."""
    if readings.glances is None:
        return None
    bands = readings.glances.bands  # of the first frames
    return flicker(
        readings.time_s[: len(bands)], bands, frame_rate, readout_sign=readout_sign
    )  # fmt: skip


def held_in(readings: Readings, seen: Seen, survey: Survey) -> tuple[Held, ...]:
    """Find pictures that are held while the mark should turn."""
    rows = slice(seen.track.first, seen.track.last + 1)
    glances, period = readings.glances, 2 * np.pi / survey.marks
    same = None if glances is None else glances.same.astype(np.float64)
    angle, u = np.where(seen.strong > 0, seen.angle_rad, np.nan), seen.u_rad
    found = held_frames(
        readings.time_s[rows], angle[rows], u[rows], seen.spin.apparent_rad_s[rows],
        None if same is None else same[rows], period_rad=period,
    )  # fmt: skip
    found = tuple(replace(h, first=h.first + rows.start, last=h.last + rows.start) for h in found)
    # the edge of a hand stands still too
    return together(found, stopped(np.where(readings.usable, angle, np.nan), u, same,
                                   period_rad=period))  # fmt: skip


def marked(readings: Readings, held: tuple[Held, ...]) -> Readings:
    """Flag the pictures that are held."""
    flags = readings.flags.copy()
    for h in held:
        flags[h.first : h.last + 1] |= int(SightingFlag.REPEATED)
    return replace(readings, flags=flags)
