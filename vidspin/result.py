"""What does a measurement say, once angles and ends are found?

parts - angles of the free spin - breaks - speed - checks - ends with their speeds - result
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vidspin import reckoning
from vidspin.calibration.angles import Angles, Seen, Tell, flags_of
from vidspin.calibration.learnt import as_told
from vidspin.checks.believed import Taken, blurred, with_stamps_open
from vidspin.checks.case import (
    Case,
    broken_off,
    hidden_s,
    lamp_of,
    look_for_breaks,
    phase_under,
    replayed,
    visits_of,
)
from vidspin.checks.hearing import Hearing, checks_heard, speed_heard
from vidspin.checks.integrity import check_all
from vidspin.checks.repeats import Held
from vidspin.clock import rate_of
from vidspin.frames import pictures
from vidspin.frames.reading import Readings
from vidspin.instants import ends
from vidspin.instants.ends import Ends
from vidspin.instants.events import not_an_end, reactions, referred, touches_looked_for, with_speed
from vidspin.phase.breaks import Breaks
from vidspin.phase.continuous import Phase, seams_of
from vidspin.phase.exposed import with_exposures
from vidspin.profiles import Profiles
from vidspin.records import (
    BoolArray,
    Event,
    Footage,
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
from vidspin.speed.curve import spin_curve, unseen_seconds
from vidspin.speed.doubts import usual_u
from vidspin.speed.leaning import leaning_before
from vidspin.speed.ripple import smoothed_out
from vidspin.speed.roll import roll_of
from vidspin.speed.sticking import held_back
from vidspin.speed.turning import Noise, Turning
from vidspin.speed.wobble import Places, wobble

MOST_STRIPS = 4  # of each kind of instant at which a person should look


@dataclass(frozen=True, slots=True)
class Parts:
    """What was found in one recording, before its speed is fitted."""

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


def _turning(p: Parts, free: BoolArray) -> Turning:
    """Gather the angles of the free spin for the curve."""
    a, t, glances = p.angles, p.readings.time_s, p.readings.glances
    ends_s = reckoning.ends_s(p.ends.release, p.ends.topple)
    return Turning(
        time_s=t + a.offset.value,
        frame_s=t,
        angle_rad=np.where(free, a.angle_rad, np.nan),
        u_rad=usual_u(t, np.where(free, a.angle_rad, np.nan), a.u_rad),
        quality=a.quality,
        free=free,
        answer=a.answer,
        tick_s=reckoning.tick_s(p.footage.facts),
        offset=a.offset,
        clock_ppm=p.settings.clock or rate_of((), None, p.settings.clock_half_width_ppm),
        leaning=leaning_before(
            ends_s[1], t, p.readings.x_px, p.readings.y_px, p.survey.ring,
        ),
        ends_s=ends_s,
        later_s=reckoning.later_s(p.readings.y_px, p.footage.facts, a.readout, a.verdict),
        roll=None if glances is None else roll_of(glances.roll, glances.u_roll, p.survey.ring),
    )  # fmt: skip


def result_of(p: Parts, version: str, created: str, tell: Tell) -> Result:
    """Fit the speed, check the recording, and put the result together.

    Parameters
    ----------
    p : Parts
        The angles under their order, the two ends and all that was seen.
    version, created : str
        Kept in the result.
    tell : callable
        Told what is being done.

    Returns
    -------
    Result
    """
    free = np.zeros(len(p.readings.time_s), bool)
    free[p.ends.first : p.ends.last + 1] = True
    turning = _turning(p, free)
    p, turning, phase, breaks = _looked_through(p, turning)
    parted = () if breaks is None else breaks.parted_s
    joins = tuple(seams_of(turning.time_s, p.readings.chapter))
    as_read = replace(turning, parted_s=parted, seams_s=joins)
    turning = held_back(smoothed_out(as_read, p.survey.marks), p.survey.marks)
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


def _looked_through(p: Parts, turning: Turning) -> tuple[Parts, Turning, Phase, Breaks | None]:
    """Look for breaks of the spin, and whether any would show."""
    frame_s = 1.0 / float(p.footage.facts.frame_rate)
    phase = phase_under(p.angles, turning, p.readings, marks=p.survey.marks, frame_s=frame_s)
    seen = np.isfinite(turning.angle_rad)
    breaks = with_exposures(look_for_breaks(phase), p.profiles, turning.time_s, seen, p.angles)
    angles = blurred(p.angles, breaks, p.ends.topple)
    if angles.verdict is not p.angles.verdict:  # what hangs on the verdict is open again
        t, was = p.readings.time_s, p.angles.offset
        angles = with_stamps_open(angles, 1.0 / p.seen.spin.frame_rate)
        told = ends.with_stamps(p.ends, was, angles.offset, t, p.settings)
        p = replace(p, angles=angles, ends=told)
        turning = _turning(p, turning.free)
    return p, turning, phase, breaks


def _beyond_s(p: Parts, turning: Turning) -> float:
    """How much of the spin, by stated ends, lies beyond what was found, s."""
    release, topple = p.ends.release, p.ends.topple
    found = reckoning.found_s
    own = found(release, p.settings.release_s), found(topple, p.settings.topple_s)
    return reckoning.beyond_s(turning, own, release, topple)


def _case(  # noqa: PLR0913 - the spin, and what was found in it
    p: Parts, turning: Turning, curve: SpinCurve, noise: Noise, phase: Phase,
    breaks: Breaks | None,
) -> Case:  # fmt: skip
    """Gather what the checks look at."""
    r, rate, broken = p.readings, float(p.footage.facts.frame_rate), turning.edges_s
    release_s, topple_s = reckoning.ends_s(p.ends.release, p.ends.topple)
    free, sure = np.flatnonzero(turning.free), sure_until(p.ends)
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
        survey=p.survey,
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
    p: Parts, turning: Turning, noise: Noise, curve: SpinCurve, case: Case
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


def sure_until(spin_ends: Ends) -> float:
    """Tell until when the top stood for sure: a mark may stand once it may have fallen."""
    topple = spin_ends.topple
    return topple.time_s - topple.u95_s if topple is not None and topple.seen else np.inf


def _sightings(p: Parts, free: BoolArray, noise: Noise) -> Sightings:
    r, a = p.readings, p.angles
    return Sightings(
        r.time_s, np.where(np.isfinite(a.angle_rad), np.mod(a.angle_rad, 2 * np.pi), np.nan),
        np.where(np.isfinite(a.angle_rad), a.u_rad, np.nan), a.quality,
        flags_of(r, a, free, noise.usable), r.x_px, r.y_px, r.chapter,
    )  # fmt: skip


def _wobble(p: Parts, noise: Noise) -> Wobble | None:
    if p.survey.marks > 1 and not p.angles.verdict.resolved:
        return None  # the order decides which of the marks is which
    r = p.readings
    inside = slice(p.ends.first, p.ends.last + 1)
    places = Places(
        r.time_s[inside], p.angles.angle_rad[inside], r.x_px[inside], r.y_px[inside],
        (r.usable & noise.usable)[inside],
    )  # fmt: skip
    return wobble(places, p.survey.ring, p.settings.diameter_mm)


def _shutter(p: Parts) -> Shutter:
    fit, known = p.angles.tuned.fit, p.angles.verdict.resolved
    readout, exposure = (as_told(q, resolved=known) for q in (p.angles.readout, p.angles.exposure))
    return Shutter(readout, exposure, fit.geometry, fit.u_geometry, p.angles.offset)


def _direction(p: Parts) -> str | None:
    return reckoning.direction_of(p.angles.verdict)


def _chart(p: Parts, noise: Noise) -> SpinChart:
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


def _strips(p: Parts) -> tuple[Strip, ...]:
    made = []
    for e in (p.ends.release, p.ends.topple):
        if e is None or not e.seen:
            continue
        k = int(np.argmin(np.abs(p.readings.time_s - e.time_s)))
        x, y = float(p.readings.x_px[k]), float(p.readings.y_px[k])
        u95_s = e.u95_s if e.kind == "release" else 0.0
        s = pictures.strip(p.footage, p.survey, e.kind, e.time_s, x, y, u95_s)
        if s is not None:
            made.append(s)
    return tuple(made)


def _more_strips(p: Parts, case: Case) -> tuple[Strip, ...]:
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
