"""When was it released, when did it topple, how fast was it then?

The finders (`release`, `topple`) give instants with brackets; here they become events with a
speed, and a reviewer's instant takes the place of the program's where one was stated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vidspin.errors import UsageError
from vidspin.phase.breaks import Breaks
from vidspin.records import (
    AliasVerdict,
    ChapterGap,
    Event,
    FloatArray,
    Quantity,
    Settings,
    SpinCurve,
    SpinTime,
    TouchSearch,
)
from vidspin.regression import local_rates
from vidspin.speed.curve import (
    LEAST_ON_COURSE,
    MIN_SIGHTINGS,
    cubic_share,
    jerk_of,
    left_over_u,
    random_u,
    uneven_u,
)
from vidspin.speed.leaning import from_leaning, leaning_u
from vidspin.speed.roll import roll_u
from vidspin.speed.seams import Seam, pieces, within
from vidspin.speed.turning import Noise, Turning, weighted_u, weights
from vidspin.uncertainty import JUDGED_DOF, NORMAL_95, combine_arrays, coverage_factor, rectangular
from vidspin.units import RAD_PER_TURN, rpm_from_rad_s

SAME_INSTANT_S = 1.0
REFERRED_FRAMES = 5  # by which the first sighting may come later than the reference
MOST_REFERRED = 0.1  # of the speed; a first look that was farther off was of something else
CLOCKS_APART = 1e-3  # between the stated clock and the corrected one
EDGE_WINDOW_S = 1.5  # of the fit that gives the speed at an end of the spin
NEARLY_STILL = 1 / 16  # mark spacings a frame: errors then stay where they are for many frames
END_LEVER = 4.0  # a rate at the end of a window is so much less sure than in its middle
FOUND = "found by the program: "  # what stands before its own words where an end is stated
STATED_FRAMES = 1.0  # a reviewer tells an instant from pictures, to the frame before or after


def event(  # noqa: PLR0913 - an event's own fields
    kind: str,
    *,
    seen: bool,
    time_s: float,
    u95_s: float,
    how: str,
    stated_s: float | None,
    reason: str,
    told_s: float = 0.0,
) -> Event:
    """Make an event without a speed; a stated instant overrules a found one.

    Parameters
    ----------
    kind : str
        "release", "topple" or "touch".
    seen : bool
    time_s, u95_s : float
        Instant found and its expanded uncertainty, s.
    how : str
    stated_s : float or None
        A reviewer's instant, s; the found one stays in `Event.measured_s`.
    reason : str
        The reviewer's reason.
    told_s : float
        To within which a reviewer tells an instant, s, from `stated_u95_s`.  Theirs is as unsure as
        they can see it: what the program was in doubt of belongs to its own instant.

    Returns
    -------
    Event
    """
    if stated_s is None:
        return Event(kind, seen, time_s, u95_s, None, None, how)
    said = f"stated by the reviewer{': ' + reason if reason else ''}; {FOUND}{how}"
    own = (time_s, u95_s) if seen else (None, None)
    return Event(kind, True, stated_s, told_s, None, None, said, *own)


def stated_u95_s(stated_s: float | None, frame_s: FloatArray, offset: Quantity) -> float:
    """To within which a person tells an instant from pictures, s; 0 where none is stated.

    Parameters
    ----------
    stated_s : float or None
        As read off the recording's own time stamps.
    frame_s : (N,) array
        Time stamps, s.
    offset : Quantity
        From a stamp to what its frame shows, s: it is not taken off an instant that a person
        states, so that all of it is doubt.

    Returns
    -------
    float
        To the frame before or after, over whatever lies between the two, and the stamp's doubt.
    """
    if stated_s is None:
        return 0.0
    after = int(np.clip(np.searchsorted(frame_s, stated_s), 1, len(frame_s) - 1))
    own = max(float(np.median(np.diff(frame_s))), float(frame_s[after] - frame_s[after - 1]))
    return math.hypot(STATED_FRAMES * own, stamp_u95_s(offset, stated=True))


def stamp_u95_s(offset: Quantity, *, stated: bool) -> float:
    """Doubt of an end of the spin that comes from what a time stamp stands for, s.

    It is the same at both ends, and no doubt of what lies between two that were both found, or
    both stated.
    """
    return math.hypot(offset.value, NORMAL_95 * offset.u) if stated else NORMAL_95 * offset.u


def restamped(
    end: Event | None, was: Quantity, now: Quantity, frame_s: FloatArray, *, stated: bool
) -> Event | None:
    """Tell an end anew once something else is known of what a time stamp stands for.

    Parameters
    ----------
    end : Event or None
        One that was found was moved from its stamp, which stays as it was.
    was, now : Quantity
        From a stamp to what its frame shows, s: as the end was told, and as it is known now.
    frame_s : (N,) array
        Time stamps, s.
    stated : bool
        Its doubt is told from nothing but the stamps: earlier versions left some of it out.
    """
    if end is None or not end.seen:
        return end

    def found(u95_s: float) -> float:
        if was == now:
            return u95_s
        own = u95_s**2 - stamp_u95_s(was, stated=False) ** 2
        return math.hypot(math.sqrt(max(0.0, own)), stamp_u95_s(now, stated=False))

    if not stated:
        return replace(end, u95_s=found(end.u95_s))
    own_u95_s = None if end.measured_u95_s is None else found(end.measured_u95_s)
    told = stated_u95_s(end.time_s, frame_s, now)
    return replace(end, u95_s=told, measured_u95_s=own_u95_s)


def own_u95(
    ends: tuple[Event | None, Event | None], stated: tuple[bool, bool], offset: Quantity
) -> tuple[float, float]:
    """Doubts of release and topple, s, that are no doubt about what a time stamp stands for.

    Parameters
    ----------
    ends : (Event or None, Event or None)
    stated : (bool, bool)
        Whether a person stated them.
    offset : Quantity
        From a stamp to what its frame shows, s.

    Returns
    -------
    (float, float)
        0 for an end that is not there.  All of their doubt where one is stated and the other is
        not: only what was found was moved from its stamp, and the way back does not cancel.

    Notes
    -----
    Two instants that were moved by one and the same `offset` have it with a correlation of 1, and
    their difference does not hold it: JCGM 100:2008, 5.2.2 equation (16), with sensitivities of 1
    and -1.  The exposure is taken to be the same at both, as the fit of the mark's trace takes it.
    """
    seen = [e if e is not None and e.seen else None for e in ends]
    both = None not in seen
    # the end of what was seen, in the place of an end that was not, was moved like one found
    alone = stated[0] != stated[1] if both else any(stated)
    first, last = (
        0.0 if e is None
        else e.u95_s if alone
        else math.sqrt(max(0.0, e.u95_s**2 - stamp_u95_s(offset, stated=said) ** 2))
        for e, said in zip(seen, stated, strict=True)
    )  # fmt: skip
    return first, last


def refuse_outside(settings: Settings, duration_s: float) -> None:
    """Refuse a stated instant that the recording does not hold.

    Parameters
    ----------
    settings : Settings
    duration_s : float
        Of the recording, s.

    Raises
    ------
    UsageError
    """
    for option, stated in (("--release", settings.release_s), ("--topple", settings.topple_s)):
        if stated is not None and not 0 <= stated <= duration_s * (1 + CLOCKS_APART):
            raise UsageError(
                f"{stated:g} s is outside the recording, which is {duration_s:.2f} s long",
                where=option, do="state an instant that the recording shows",
            )  # fmt: skip


def refuse_disorder(release: Event | None, topple: Event | None, settings: Settings) -> None:
    """Refuse a stated instant that lies on the wrong side of the other end.

    Raises
    ------
    UsageError
    """
    if release is None or topple is None or not (release.seen and topple.seen):
        return
    if release.time_s >= topple.time_s:
        option, other = (
            ("--topple", f"after the release, {release.time_s:.2f} s")
            if settings.topple_s is not None
            else ("--release", f"before the topple, {topple.time_s:.2f} s")
        )
        raise UsageError(f"it is not {other}", where=option, do="correct it, or state both ends")


def with_speed(event: Event, turning: Turning, noise: Noise, curve: SpinCurve) -> Event:
    """Add the speed at an event, from a fit to the free spin beside it.

    Parameters
    ----------
    event : Event
        One that was not seen is given no speed: it has no instant.
    turning : Turning
    noise : Noise
    curve : SpinCurve
        A spin without a single row gets no speeds at its ends either.

    Returns
    -------
    Event
        Without a speed, and with the reason, where too few sightings lie beside the event, or most
        of them are off.
    """
    if not event.seen:
        return event
    u = weighted_u(turning, noise)
    weight = weights(noise, u)
    angle = np.where(noise.usable, turning.angle_rad, 0.0)
    width = 2 * EDGE_WINDOW_S  # the window lies half outside of the spin
    at = event.time_s
    fit = local_rates(
        turning.time_s, angle, weight, centres_s=np.array([at]), windows_s=np.array([width])
    )
    if not np.isfinite(fit.rate_rad_s[0]) or fit.count[0] < MIN_SIGHTINGS or not len(curve.time_s):
        why = f"the mark was followed in too few frames within {EDGE_WINDOW_S:g} s of it"
        return replace(event, speed_lacking=why)
    beside = turning.free & np.isfinite(turning.angle_rad)
    beside &= np.abs(turning.time_s - at) <= EDGE_WINDOW_S
    if float(np.mean(noise.usable[beside])) < LEAST_ON_COURSE:
        return replace(event, speed_lacking=_off_course(turning, curve, at))
    random = float(random_u(turning, noise, fit, u)[0])
    systematic = float(left_over_u(turning, noise, fit, u)[0])
    speed, slope = abs(float(fit.rate_rad_s[0])), abs(float(fit.slope_rad_s2[0]))
    share = cubic_share(turning, noise, np.array([at]), np.array([width]))
    jerk = jerk_of(turning, noise)
    speed = max(0.0, speed + float((share * jerk.expected_at(np.array([at])))[0]))
    bias = float((np.abs(share) * jerk.doubt_at(np.array([at])))[0])
    inside = replace(fit, window_s=fit.window_s / 2)  # half of the window holds sightings
    # what parts the spin within the fit has to show itself in the scatter
    breaks, seams = (
        tuple(s for s in instants if abs(s - at) > EDGE_WINDOW_S)
        for instants in (turning.parted_s, turning.seams_s)
    )
    scatter, few = uneven_u(replace(turning, parted_s=breaks, seams_s=seams), noise, inside, u)
    uneven, uneven_dof = END_LEVER * float(scatter[0]), float(few[0])
    lean = float(leaning_u(turning.leaning, turning.time_s, weight, fit)[0])
    rolled = float(roll_u(turning.roll, turning.time_s, weight, fit.centre_s, fit.window_s)[0])
    instant = slope * event.u95_s / 2
    clock = speed * turning.clock_ppm.u * 1e-6
    judged = (systematic, lean, rolled, rectangular(bias), instant, clock)
    u_total, dof = combine_arrays(
        np.array([[random], [uneven], *([part] for part in judged)]),
        np.array([[noise.dof], [uneven_dof], *([JUDGED_DOF] for _ in judged)]),
    )
    k = float(coverage_factor(0.95, float(dof[0])))
    return replace(event, speed_rad_s=speed, u95_rad_s=k * float(u_total[0]))


def _off_course(turning: Turning, curve: SpinCurve, at_s: float) -> str:
    """Say that sightings beside an event follow no smooth spin, and where such errors come from."""
    words = f"most sightings within {EDGE_WINDOW_S:g} s of it are off a smooth spin"
    known = np.flatnonzero(np.isfinite(curve.speed_rad_s))
    if len(known) < 2:
        return words
    near = known[np.argsort(np.abs(curve.time_s[known] - at_s))[:2]]
    line = np.polyfit(curve.time_s[near] - at_s, curve.speed_rad_s[near], 1)
    speeds = np.polyval(line, [-EDGE_WINDOW_S, EDGE_WINDOW_S])
    marks = turning.ripple.marks if turning.ripple is not None else 1
    still_rad_s = RAD_PER_TURN / (marks * float(np.median(np.diff(turning.frame_s))))
    number = round(float(line[1]) / still_rad_s)
    room = NEARLY_STILL * still_rad_s
    if number and speeds.min() - room < number * still_rad_s < speeds.max() + room:
        at = rpm_from_rad_s(number * still_rad_s)
        words += f": near {at:.0f} rev/min the mark nearly stands still from frame to frame"
    return words


def referred(
    verdict: AliasVerdict, turning: Turning, noise: Noise, curve: SpinCurve
) -> AliasVerdict:
    """Give candidates the speed that the finished angles have at their instant.

    Orders are weighed on a first look that carries straight lines beyond its windows; where a
    top loses a tenth of its speed in a second, these miss by a per cent.

    Parameters
    ----------
    verdict : AliasVerdict
        Its first candidate is the order that the angles are read under.
    turning : Turning
    noise : Noise
    curve : SpinCurve

    Returns
    -------
    AliasVerdict
        As it came where the angles tell no speed there, not the order that was weighed, or where
        a candidate would leave the bounds.
    """
    if not verdict.candidates:
        return verdict
    first = verdict.candidates[0].rpm
    there = Event("reference", True, verdict.reference_s, 0.0, None, None, "")
    there = with_speed(there, turning, noise, curve)
    if there.speed_rad_s is None:
        return verdict
    off = math.copysign(float(rpm_from_rad_s(there.speed_rad_s)), first) - first
    seen_s = turning.time_s[noise.usable][0]
    late = verdict.reference_s < seen_s - REFERRED_FRAMES * float(
        np.median(np.diff(turning.time_s))
    )
    now = np.array([c.rpm for c in verdict.candidates])
    low, high = verdict.bounds_rpm
    within = np.all((np.abs(now + off) >= low) & (np.abs(now + off) <= high))
    turned = np.any(np.sign(now + off) != np.sign(now))
    if late or turned or not within or abs(off) > MOST_REFERRED * abs(first):
        return verdict
    moved = tuple(replace(c, rpm=c.rpm + off) for c in verdict.candidates)
    return replace(verdict, candidates=moved)


def spin_time(  # noqa: PLR0913 - the ends, and what is known of clock and chapters
    release: Event | None,
    topple: Event | None,
    first_s: float,
    last_s: float,
    *,
    clock_ppm: float,
    seams: Sequence[Seam] = (),
    own_u95_s: tuple[float, float] | None = None,
    apart_u95_s: float = 0.0,
) -> SpinTime:
    """Topple minus release, or the part that the recording holds.

    Parameters
    ----------
    release, topple : Event or None
    first_s, last_s : float
        Ends of the free spin in the recording, s.
    clock_ppm : float
        Standard uncertainty of the clock rate.
    seams : sequence of Seam
        All of the recording.
    own_u95_s : (float, float), optional
        Doubts of release and topple without what both owe to the same time stamps, from `own_u95`;
        all of their doubts by default.
    apart_u95_s : float
        Doubt of the stamps that is not the same at both.

    Returns
    -------
    SpinTime
        With `at_least_s` where an end is missing: less the doubt about the end that is there and
        about the clock, for a limit has no "plus or minus" behind it.
    """
    start = release.time_s if release and release.seen else first_s
    stop = last_s
    if topple:  # one that was not seen tells until when the top surely stood
        stop = topple.time_s if topple.seen else min(topple.time_s, last_s)
    clock = NORMAL_95 * clock_ppm * 1e-6 * (stop - start)
    both = own_u95_s or tuple(e.u95_s if e else 0.0 for e in (release, topple))
    ends = [u for u, e in zip(both, (release, topple), strict=True) if e and e.seen]
    inside = within(seams, start, stop)
    gaps = tuple(ChapterGap(one.time_s, one.seconds, one.u95_s) for one in inside)
    u95 = float(np.linalg.norm([*ends, clock, apart_u95_s, *(one.u95_s for one in inside)]))
    between = [one.seconds for one in inside if one.seconds is not None]
    if len(between) < len(inside):  # both chapters may hold the same time
        most = float(pieces(inside, start, stop).max())
        return SpinTime(None, None, max(0.0, most - u95), gaps=gaps)
    more, more_u95 = float(sum(between)), float(np.linalg.norm([one.u95_s for one in inside]))
    if len(ends) < 2:
        return SpinTime(None, None, max(0.0, stop - start + more - u95), more, more_u95, gaps)
    return SpinTime(stop - start + more, u95, None, more, more_u95, gaps)


def not_an_end(end: Event, broken_off: tuple[float, ...]) -> Event:
    """Take back a release or a topple at which the recording goes on in another spin at once."""
    if not any(abs(end.time_s - at) < SAME_INSTANT_S for at in broken_off):
        return end
    how = f"the recording goes over into a spin at another speed at once: no {end.kind} is seen"
    return replace(end, seen=False, u95_s=0.0, how=how)


def reactions(breaks: Breaks | None, late_s: float) -> tuple[Event, ...]:
    """List as touches where the speed changes at once while the phase goes through.

    Parameters
    ----------
    breaks : Breaks or None
    late_s : float
        From here on the top is falling over: small steps are those of its leaning.
    """
    if breaks is None:
        return ()
    return tuple(
        Event(
            "touch", True, s.time_s, NORMAL_95 * s.u_time_s, s.speed_rad_s, None,
            f"the speed {'rises' if s.rate_rad_s > 0 else 'drops'} at once by "
            f"{abs(rpm_from_rad_s(s.rate_rad_s)):.3g} rev/min",
        )
        for s in breaks.kinks
        if not from_leaning(s, late_s)
    )  # fmt: skip


def touches_looked_for(breaks: Breaks | None, late_s: float) -> TouchSearch | None:
    """Say from when to when `reactions` would have found a touch.

    Parameters
    ----------
    breaks : Breaks or None
    late_s : float
        From here on the top is falling over.

    Returns
    -------
    TouchSearch or None
        None where no touch would have been found: too little of the spin was seen.
    """
    looked = () if breaks is None else breaks.looked_s
    before = [(a, min(b, late_s)) for a, b in looked if a < late_s]
    if not before:
        return None
    gaps = tuple((b, a) for (_, b), (a, _) in zip(before[:-1], before[1:], strict=True))
    last_s = looked[-1][1]
    return TouchSearch(before[0][0], before[-1][1], last_s if last_s > late_s else None, gaps)
