"""In which order does all this happen?

recording - survey - sightings - shutter and geometry - alias order - spin curve - events - result
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vidspin import ends, pictures, reckoning
from vidspin.angles import (
    Angles,
    Seen,
    Tell,
    flags_of,
    free_only,
    under_best_order,
    windows_only,
)
from vidspin.believed import (
    HARDLY_SEEN,
    Taken,
    blurred,
    doubted,
    hardly_seen,
    how_taken,
    no_spin,
    pattern_in,
    with_stamps_open,
)
from vidspin.breaks import Breaks
from vidspin.card import Watched
from vidspin.case import (
    Case,
    broken_off,
    held_in,
    hidden_s,
    lamp_of,
    look_for_breaks,
    marked,
    phase_under,
    replayed,
    visits_of,
)
from vidspin.clock import rate_of
from vidspin.continuous import Phase, seams_of
from vidspin.curve import spin_curve, unseen_seconds
from vidspin.doubts import usual_u
from vidspin.ends import Ends
from vidspin.errors import UsageError
from vidspin.events import (
    not_an_end,
    reactions,
    referred,
    refuse_disorder,
    refuse_outside,
    touches_looked_for,
    with_speed,
)
from vidspin.exposed import with_exposure
from vidspin.hearing import Hearing, checks_heard, hear, speed_heard
from vidspin.integrity import check_all
from vidspin.leaning import leaning_before
from vidspin.learnt import as_told
from vidspin.paced import agreed, at_other_paces, going_on, see_at_its_pace
from vidspin.profiles import KeptRows, MemoryProfiles, Profiles
from vidspin.reading import Progress, Readings, flags_only, read_recording
from vidspin.records import (
    BoolArray,
    Event,
    Footage,
    FootageFacts,
    Result,
    Settings,
    Shutter,
    Sightings,
    SpinChart,
    SpinCurve,
    Strip,
    Survey,
    Wobble,
)
from vidspin.repeats import Held
from vidspin.rest import BETTER_SEEN, unfollowed
from vidspin.ripple import smoothed_out
from vidspin.roll import roll_of
from vidspin.survey import NoTop, look_for_top
from vidspin.turning import Noise, Turning
from vidspin.wobble import Places, wobble

MOST_STRIPS = 4  # of each kind of instant at which a person should look


def _silent(stage: str, done: int, total: int) -> None:
    """Tell nobody."""


def measure(  # noqa: PLR0913 - what the command line passes in
    footage: Footage,
    settings: Settings,
    *,
    version: str,
    created: str,
    progress: Progress = _silent,
    profiles: Profiles | None = None,
    answers: KeptRows | None = None,
) -> Result:
    """Measure one recording.

    Parameters
    ----------
    footage : Footage
        The recording; every frame is decoded once, a few more for survey and strips.
    settings : Settings
        What the user states.
    version, created : str
        Version of the program and RFC 3339 time, kept in the result.
    progress : callable
        Told (stage, done, total); a total of 0 where nobody knows.
    profiles : Profiles, optional
        Where ring profiles are kept meanwhile; memory by default.
    answers : KeptRows, optional
        Where every angle's answer to the shutter is kept, which the result's basis refers to;
        memory by default.

    Returns
    -------
    Result

    Raises
    ------
    NoTopError
        No top, or no turning mark on it, was found; the exception has the `picture` that was
        looked at.
    FootageError
        The recording cannot be read.
    UsageError
        No speed within the stated bounds fits, or a stated instant is impossible.
    """
    facts = footage.facts
    refuse_outside(settings, facts.duration_s)
    footage = watched = Watched(footage)
    progress("looking for the top", 0, 0)
    found, *still = look_for_top(footage, settings)
    store: Profiles = profiles if profiles is not None else MemoryProfiles()
    # handed over for good: at 4K these frames take 100 MiB
    readings = flags_only(read_recording(footage, found, still.pop(), store, progress))
    rate = float(facts.frame_rate) * (1.0 + 1e-6 * facts.clock_ppm)  # in corrected seconds
    seen = see_at_its_pace(store, readings, found, rate)
    held = () if seen is None else held_in(readings, seen, found)
    if held:  # once more, without the pictures that are shown again
        readings = marked(readings, held)
        seen = see_at_its_pace(store, readings, found, rate) or seen
    if seen is None:
        what, do = unfollowed(store)
        raise _no_mark(what, facts, found, do)

    def tell(stage: str) -> None:
        progress(stage, 0, 0)  # how much of it is done, nobody knows

    spin_ends = ends.find(footage, found, readings, seen, settings)
    tell("listening")
    first, last = spin_ends.first, spin_ends.last
    pattern = pattern_in(readings, seen, first, last)
    hearing = hear(footage, seen, readings.time_s, first=first, last=last)
    paced = at_other_paces(readings, seen.spin.frame_rate)

    def under_order(seen: Seen, at: Ends, answers: KeptRows | None) -> Angles | None:
        return under_best_order(
            store, readings, seen, found, settings, first=at.first, last=at.last, tell=tell,
            answers=answers, topple_seen=at.toppled_by(float(readings.time_s[at.last])),
            unseen_from_s=at.unseen_from_s, hearing=hearing,
        )  # fmt: skip

    angles = under_order(seen, spin_ends, None if paced else answers)
    if angles is None:
        low, high = settings.bounds_rpm or (0, 0)
        raise UsageError(
            f"no speed between {low:g} and {high:g} rev/min fits the frames", where="--between",
            do=WIDER if pattern is None else "give the file as the camera wrote it",
        )  # fmt: skip
    if (doubt := no_spin(angles, seen, readings, found.ring, slice(first, last + 1))) is not None:
        raise _no_mark(doubt, facts, found)
    taken = how_taken(pattern, angles, readings, seen, (first, last), spin_ends.topple)
    longer = going_on(seen, readings, found, angles) if paced else None
    if longer is not None:  # once more, with all that is seen at the other pace
        on = ends.find(footage, found, readings, longer, settings)
        again = under_order(longer, on, answers)
        if again is not None and again.order == angles.order and agreed(again.verdict):
            seen, spin_ends, angles = longer, on, again
    angles = doubted(angles, readings, seen, taken, (spin_ends.first, spin_ends.last))
    tell("fitting the speed")
    spin_ends = _with_release(spin_ends, store, readings, angles, found, settings, facts)
    seen, angles = windows_only(seen), free_only(angles)
    parts = _Parts(
        footage, settings, found, readings, seen, spin_ends, angles, store, held, hearing, taken
    )
    return replace(_result(parts, version, created, tell), challenge=watched.shown())


def _with_release(  # noqa: PLR0913 - what tells a release, and what to call the recording
    at: Ends, store: Profiles, readings: Readings, angles: Angles, found: Survey,
    settings: Settings, facts: FootageFacts,
) -> Ends:  # fmt: skip
    """Look for the release; before it is no free spin, and after it there must be some."""
    at = ends.with_release(at, store, readings, angles, found, settings)
    if hardly_seen(angles, slice(at.first, at.last + 1)):
        raise _no_mark(HARDLY_SEEN, facts, found)
    refuse_disorder(at.release, at.topple, settings)
    return at


def _no_mark(what: str, facts: FootageFacts, found: Survey, do: str = BETTER_SEEN) -> NoTop:
    picture = found.picture.astype(np.float32)
    return NoTop(
        what, where=facts.name, picture=picture, scale=found.scale, do=do, found=found.ring
    )


WIDER = (
    "widen the bounds; if they are true, it was no mark that was followed: state --centre, --radii"
)


@dataclass(frozen=True, slots=True)
class _Parts:
    footage: Footage
    settings: Settings
    survey: Survey
    readings: Readings
    seen: Seen
    ends: Ends
    angles: Angles
    profiles: Profiles
    held: tuple[Held, ...]
    hearing: Hearing
    taken: Taken


def _turning(p: _Parts, free: BoolArray) -> Turning:
    """Gather the angles of the free spin for the curve."""
    a, t, glances = p.angles, p.readings.time_s, p.readings.glances
    ticks = [float(c.time_base) for c in p.footage.facts.chapters]
    scale = float(p.footage.facts.time_scale)
    ends_s = reckoning.ends_s(p.ends.release, p.ends.topple)
    return Turning(
        time_s=t + a.offset.value,
        frame_s=t,
        angle_rad=np.where(free, a.angle_rad, np.nan),
        u_rad=usual_u(t, np.where(free, a.angle_rad, np.nan), a.u_rad),
        quality=a.quality,
        free=free,
        answer=a.answer,
        covariance=np.eye(a.answer.shape[1]),
        tick_s=max(ticks, default=0.0) * scale,
        offset=a.offset,
        clock_ppm=p.settings.clock or rate_of((), None, p.settings.clock_half_width_ppm),
        leaning=leaning_before(
            ends_s[1], t, p.readings.x_px, p.readings.y_px, p.survey.ring,
        ),
        ends_s=ends_s,
        later_s=reckoning.later_s(p.readings.y_px, p.footage.facts, a.readout, a.verdict),
        roll=None if glances is None else roll_of(glances.roll, glances.u_roll, p.survey.ring),
    )  # fmt: skip


def _result(p: _Parts, version: str, created: str, tell: Tell) -> Result:
    free = np.zeros(len(p.readings.time_s), bool)
    free[p.ends.first : p.ends.last + 1] = True
    turning = _turning(p, free)
    p, turning, phase, breaks = _looked_through(p, turning)
    parted = () if breaks is None else breaks.parted_s
    joins = tuple(seams_of(turning.time_s, p.readings.chapter))
    as_read = replace(turning, parted_s=parted, seams_s=joins)
    turning = smoothed_out(as_read, p.survey.marks)
    curve, noise = spin_curve(turning, p.settings.every_s)
    wobbling = _wobble(p, noise)  # while there are fewest columns beside its own
    tell("checking the recording")
    case = _case(p, turning, curve, noise, phase, breaks)
    verdict = p.angles.verdict
    release, topple = _told_ends(p, turning, noise, curve, case)
    if (kept := reckoning.ends_s(release, topple)) != turning.ends_s:  # one was taken back
        lean = turning.leaning if kept[1] is not None else None  # nothing fell
        turning = replace(turning, leaning=lean, ends_s=kept)
        curve, _ = spin_curve(turning, p.settings.every_s)
    facts, breaks_s = p.footage.facts, [] if breaks is None else breaks.parted_s
    seams = reckoning.between_chapters(
        turning, noise, p.readings.chapter, p.survey, facts, verdict, breaks_s
    )
    span, turned, seam_checks = reckoning.spanned(
        turning, noise, release, topple, seams, settings=p.settings,
        step=case.largest_step_turns, unseen_s=case.unseen_s, whole=case.whole,
    )  # fmt: skip
    sound = speed_heard(p.footage, p.hearing, p.angles.order) if verdict.resolved else None
    return Result(
        vidspin_version=version,
        created=created,
        settings=p.settings,
        footage=facts,
        outcome=p.footage.outcome,
        survey=p.survey,
        sightings=_sightings(p, free, noise),
        shutter=_shutter(p),
        alias=referred(verdict, turning, noise, curve),
        direction=_direction(p),
        curve=curve,
        release=release,
        topple=topple,
        touches=reactions(breaks, case.late_s),
        touch_search=touches_looked_for(breaks, case.late_s),
        spin_time=span,
        revolutions=turned,
        checks=(
            *facts.findings,
            *reckoning.only_looked_at((*check_all(case), *seam_checks), _beyond_s(p, turning)),
            *checks_heard(p.footage, sound, turning, noise, p.angles, marks=p.survey.marks),
        ),
        chart=_chart(p, noise),
        strips=(*_strips(p), *_more_strips(p, case)),
        clock_ppm=turning.clock_ppm,
        timeline=p.readings.timeline,
        basis=reckoning.basis_of(as_read, breaks, whole=case.whole),
        sound=sound,
        wobble=wobbling,
    )


def _looked_through(p: _Parts, turning: Turning) -> tuple[_Parts, Turning, Phase, Breaks | None]:
    """Look for breaks of the spin, and whether any would show."""
    frame_s = 1.0 / float(p.footage.facts.frame_rate)
    phase = phase_under(p.angles, turning, p.readings, marks=p.survey.marks, frame_s=frame_s)
    breaks = with_exposure(look_for_breaks(phase), p.profiles, turning, p.angles)
    angles = blurred(p.angles, breaks, p.ends.topple)
    if angles.verdict is not p.angles.verdict:  # what hangs on the verdict is open again
        t, was = p.readings.time_s, p.angles.offset
        angles = with_stamps_open(angles, 1.0 / p.seen.spin.frame_rate)
        told = ends.with_stamps(p.ends, was, angles.offset, t, p.settings)
        p = replace(p, angles=angles, ends=told)
        turning = _turning(p, turning.free)
    return p, turning, phase, breaks


def _beyond_s(p: _Parts, turning: Turning) -> float:
    """How much of the spin, by stated ends, lies beyond what was found, s."""
    release, topple = p.ends.release, p.ends.topple
    found = reckoning.found_s
    own = found(release, p.settings.release_s), found(topple, p.settings.topple_s)
    return reckoning.beyond_s(turning, own, release, topple)


def _case(  # noqa: PLR0913 - the spin, and what was found in it
    p: _Parts, turning: Turning, curve: SpinCurve, noise: Noise, phase: Phase,
    breaks: Breaks | None,
) -> Case:  # fmt: skip
    """Gather what the checks look at."""
    r, rate, broken = p.readings, float(p.footage.facts.frame_rate), turning.edges_s
    release_s, topple_s = reckoning.ends_s(p.ends.release, p.ends.topple)
    free, sure = np.flatnonzero(turning.free), _sure_until(p.ends)
    falls_s = None if topple_s is None else sure
    all_visits = visits_of(r, turning.free, falls_s)
    sense_known = _direction(p) is not None
    readout_sign = int(np.sign(p.angles.tuned.model.readout_s))  # goes with the direction
    places = (r.x_px[turning.free], r.y_px[turning.free])
    return Case(
        outcome=p.footage.outcome,
        readings=r,
        turning=turning,
        noise=noise,
        curve=curve,
        breaks=breaks,
        frame_interval_s=1.0 / rate,
        unseen_s=unseen_seconds(turning, noise, release_s, topple_s, breaks_s=broken),
        hidden_s=hidden_s(turning, noise, falls_s, breaks_s=broken),
        before_s=max(
            0.0,
            float(r.time_s[p.ends.first])
            - max(p.ends.unseen_from_s, -np.inf if release_s is None else release_s),
        ),
        resolved=p.angles.verdict.resolved,
        sense_known=sense_known,
        sense={"clockwise": 1, "counterclockwise": -1, None: 0}[_direction(p)],
        marks=p.survey.marks,
        topple_s=topple_s,
        falls_s=falls_s,
        held=tuple(
            h
            for h in p.held
            if h.alike and free[0] <= h.first <= free[-1] and r.time_s[h.first] < sure
        ),
        replay=replayed(phase, breaks, places, falls_s),
        all_visits=all_visits,
        pattern=p.taken.pattern,
        lost_s=p.taken.lost_s,
        broken_off=broken_off(
            p.seen, (p.ends.first, p.ends.last), r.time_s, all_visits, toppled=topple_s is not None
        ),
        lamp=lamp_of(r, rate, readout_sign if sense_known else 0),
        elsewhere_s=tuple(
            (float(turning.time_s[a]), float(turning.time_s[b])) for a, b in p.seen.elsewhere
        ),
    )


def _told_ends(
    p: _Parts, turning: Turning, noise: Noise, curve: SpinCurve, case: Case
) -> tuple[Event | None, Event | None]:
    """Give release and topple their speeds; where another spin begins is no end of this one."""
    release, topple = (
        None if e is None else with_speed(e, turning, noise, curve)
        for e in (p.ends.release, p.ends.topple)
    )
    met = tuple(m.time_s for m in case.broken_off)
    if release is not None and p.settings.release_s is None:
        release = not_an_end(release, met)
    if topple is not None and p.settings.topple_s is None:
        topple = not_an_end(topple, met)
    return release, topple


def _sure_until(spin_ends: Ends) -> float:
    """Tell until when the top stood for sure: a mark may stand once it may have fallen."""
    topple = spin_ends.topple
    return topple.time_s - topple.u95_s if topple is not None and topple.seen else np.inf


def _sightings(p: _Parts, free: BoolArray, noise: Noise) -> Sightings:
    r, a = p.readings, p.angles
    return Sightings(
        r.time_s, np.where(np.isfinite(a.angle_rad), np.mod(a.angle_rad, 2 * np.pi), np.nan),
        np.where(np.isfinite(a.angle_rad), a.u_rad, np.nan), a.quality,
        flags_of(r, a, free, noise.usable), r.x_px, r.y_px, r.chapter,
    )  # fmt: skip


def _wobble(p: _Parts, noise: Noise) -> Wobble | None:
    if p.survey.marks > 1 and not p.angles.verdict.resolved:
        return None  # the order decides which of the marks is which
    r = p.readings
    inside = slice(p.ends.first, p.ends.last + 1)
    places = Places(
        r.time_s[inside], p.angles.angle_rad[inside], r.x_px[inside], r.y_px[inside],
        (r.usable & noise.usable)[inside],
    )  # fmt: skip
    return wobble(places, p.survey.ring, p.settings.diameter_mm)


def _shutter(p: _Parts) -> Shutter:
    fit, known = p.angles.tuned.fit, p.angles.verdict.resolved
    readout, exposure = (as_told(q, resolved=known) for q in (p.angles.readout, p.angles.exposure))
    return Shutter(readout, exposure, fit.geometry, fit.u_geometry, p.angles.offset)


def _direction(p: _Parts) -> str | None:
    return reckoning.direction_of(p.angles.verdict)


def _chart(p: _Parts, noise: Noise) -> SpinChart:
    first, last = p.ends.first, p.ends.last
    middles = [
        first + pictures.ZOOM_FRAMES // 2,
        (first + last) // 2,
        last - pictures.ZOOM_FRAMES // 2,
    ]
    long = last - first > 4 * pictures.ZOOM_FRAMES
    return pictures.spin_chart(
        p.profiles, p.readings.time_s, zoom_at=middles if long else middles[:1],
        smooth_rad=noise.smooth_rad, omega=p.angles.omega_rad_s, model=p.angles.tuned.model,
    )  # fmt: skip


def _strips(p: _Parts) -> tuple[Strip, ...]:
    made = []
    for e in (p.ends.release, p.ends.topple):
        if e is None or not e.seen:
            continue
        k = int(np.argmin(np.abs(p.readings.time_s - e.time_s)))
        x, y = float(p.readings.x_px[k]), float(p.readings.y_px[k])
        s = pictures.strip(p.footage, p.survey, e.kind, e.time_s, x, y)
        if s is not None:
            made.append(s)
    return tuple(made)


def _more_strips(p: _Parts, case: Case) -> tuple[Strip, ...]:
    """Cut out what a person should look at: touches, breaks of the phase, hands."""
    instants = {
        "touch": [e.time_s for e in reactions(case.breaks, case.late_s)],
        "break": [s.time_s for s in case.breaks.jumps] if case.breaks is not None else [],
        "hand": [0.5 * (v.from_s + v.to_s) for v in case.visits],
    }
    made = []
    for kind, times in instants.items():
        for time_s in times[:MOST_STRIPS]:
            k = int(np.argmin(np.abs(p.readings.time_s - time_s)))
            x, y = float(p.readings.x_px[k]), float(p.readings.y_px[k])
            cut = pictures.strip(p.footage, p.survey, kind, time_s, x, y)
            made += [] if cut is None else [cut]
    return tuple(made)
