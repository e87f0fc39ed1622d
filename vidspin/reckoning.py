"""What follows from the angles of the free spin and its two ends? Speed, spin time, turns.

The same for a recording that was just read and for sightings that were kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspin.calibration.exposure import still_open
from vidspin.instants.events import own_u95, spin_time, stamp_u95_s, with_speed
from vidspin.phase.breaks import Breaks
from vidspin.phase.continuous import seams_of
from vidspin.records import (
    AliasVerdict,
    Basis,
    Check,
    Event,
    FloatArray,
    FootageFacts,
    IntArray,
    Quantity,
    Result,
    Revolutions,
    Settings,
    SightingFlag,
    SpinCurve,
    SpinTime,
    Survey,
)
from vidspin.speed.curve import spin_curve, unseen_seconds
from vidspin.speed.leaning import leaning_before
from vidspin.speed.revolutions import revolutions
from vidspin.speed.ripple import smoothed_out
from vidspin.speed.roll import roll_of
from vidspin.speed.seams import Seam, check, counted, seams_told, within
from vidspin.speed.sticking import held_back
from vidspin.speed.turning import Noise, Turning
from vidspin.uncertainty import NORMAL_95

CARRIED_S = 0.5  # of turns, to a stated end beyond what was found
LOOKED_BESIDE_S = 0.5  # beside an end that was seen, the pictures about it were looked at
PLACE_S = 0.5  # beside an end, the top's place in the picture is told from so much
SURE_OF_DIRECTION = 0.999  # share of the candidates' probability that turns one way


@dataclass(frozen=True, slots=True)
class Reckoned:
    """What follows from the angles."""

    curve: SpinCurve
    release: Event | None
    topple: Event | None
    spin_time: SpinTime
    revolutions: Revolutions
    seams: tuple[Check, ...]  # what is known of the time between chapters


def reckon(kept: Result, turning: Turning, release: Event | None, topple: Event | None) -> Reckoned:
    """Work out everything that needs no more pictures, as `measure` does.

    Parameters
    ----------
    kept : Result
        Its breaks and largest step stay; `settings.every_s` counts.
    turning : Turning
        Angles of the free spin, from `turning_of`.
    release, topple : Event or None
        Still without their speeds.

    Returns
    -------
    Reckoned
    """
    seen = kept.sightings
    within_s = ends_s(release, topple)
    lean = leaning_before(within_s[1], seen.time_s, seen.x_px, seen.y_px, kept.survey.ring)
    basis, told = kept.basis, kept.revolutions
    breaks = [] if basis is None else basis.break_s[np.isfinite(basis.break_s)].tolist()
    joins = tuple(seams_of(turning.time_s, kept.sightings.chapter))
    turning = replace(turning, leaning=lean, parted_s=tuple(breaks), seams_s=joins, ends_s=within_s)
    turning = held_back(smoothed_out(turning, kept.survey.marks), kept.survey.marks)
    curve, noise = spin_curve(turning, kept.settings.every_s)
    release, topple = (
        None if e is None else with_speed(e, turning, noise, curve) for e in (release, topple)
    )
    step = None if told is None else told.largest_unexplained_step_turns
    unseen = unseen_seconds(turning, noise, *within_s, breaks_s=turning.edges_s)
    seams = between_chapters(
        turning, noise, seen.chapter, kept.survey, kept.footage, kept.alias, breaks
    )
    span, turned, checks = spanned(
        turning, noise, release, topple, seams, settings=kept.settings, step=step,
        unseen_s=unseen, whole=basis is None or bool(basis.counted.all()),
    )  # fmt: skip
    return Reckoned(curve, release, topple, span, turned, checks)


def ends_s(release: Event | None, topple: Event | None) -> tuple[float | None, float | None]:
    """Instants of release and topple, s; None for an end that was not seen."""
    first, last = (e.time_s if e is not None and e.seen else None for e in (release, topple))
    return first, last


def between_chapters(  # noqa: PLR0913 - the spin and what is known of its recording
    turning: Turning, noise: Noise, chapter: IntArray, survey: Survey, facts: FootageFacts,
    verdict: AliasVerdict, breaks_s: Sequence[float],
) -> tuple[Seam, ...]:  # fmt: skip
    """Tell the time between the chapters of a recording, as `seams.seams_told` does."""
    frame_s = 1 / float(facts.frame_rate)
    return seams_told(
        turning, noise, chapter, marks=survey.marks, frame_s=frame_s, resolved=verdict.resolved,
        breaks_s=breaks_s,
    )  # fmt: skip


def spanned(  # noqa: PLR0913 - the spin, its ends, and what is known of what lies between
    turning: Turning,
    noise: Noise,
    release: Event | None,
    topple: Event | None,
    seams: Sequence[Seam],
    *,
    settings: Settings,
    step: float | None,
    unseen_s: float,
    whole: bool,
) -> tuple[SpinTime, Revolutions, tuple[Check, ...]]:
    """Tell how long the spin was, how many turns, and what of it lies between chapters.

    Parameters
    ----------
    turning, noise
        As for `curve.spin_curve`.
    release, topple : Event or None
    seams : sequence of Seam
        From `between_chapters`.
    settings : Settings
        Which ends are stated: no turns are carried on to one that lies beyond what the program
        found, or beyond all sightings, for nobody knows that the top spun there.
    step : float or None
        Largest unexplained step, turns.
    unseen_s : float
    whole : bool
        Whether no turns are missing or counted twice; else there is no count.
    """
    first_s, last_s = (float(t) for t in turning.time_s[turning.free][[0, -1]])
    start = release.time_s if release and release.seen else first_s
    stop = topple.time_s if topple and topple.seen else last_s
    said = (settings.release_s is not None, settings.topple_s is not None)
    own = own_u95((release, topple), said, turning.offset)
    apart = _apart_u95_s(turning, start, stop)
    u95 = (own[0], float(np.hypot(own[1], apart)))
    stamp = stamp_u95_s(turning.offset, stated=all(said))
    turned = revolutions(turning, noise, start, stop, u95, step, unseen_s, stamp)
    turned = counted(turned, seams, start, stop)
    sighted = turning.time_s[noise.usable]
    beyond = False
    if len(sighted):
        beyond = _strange(release, settings.release_s, float(sighted[0]), -1.0)
        beyond |= _strange(topple, settings.topple_s, float(sighted[-1]), 1.0)
    if beyond or not whole:
        turned = replace(turned, count=None, u95=None)
    ppm = turning.clock_ppm.u
    span = spin_time(
        release, topple, first_s, last_s, clock_ppm=ppm, seams=seams, own_u95_s=own,
        apart_u95_s=apart,
    )  # fmt: skip
    return span, turned, check(within(seams, start, stop))


def tick_s(facts: FootageFacts) -> float:
    """Longest tick of the chapters' clocks, scene seconds; 0 where there are no files."""
    ticks = [float(chapter.time_base) for chapter in facts.chapters]
    return max(ticks, default=0.0) * float(facts.time_scale)


def later_s(
    y_px: FloatArray, facts: FootageFacts, readout: Quantity | None, verdict: AliasVerdict
) -> FloatArray | None:
    """How much later than the middle row the rows of the top may have been read, s.

    Parameters
    ----------
    y_px : (N,) array
        Row of the top's place in each frame.
    facts : FootageFacts
    readout : Quantity or None
    verdict : AliasVerdict
        The readout may be that of any candidate that is open, up to a frame interval.

    Returns
    -------
    (N,) array or None
        By the readout and its doubt together: a camera that stabilises moves pictures after their
        rows were read, and what belongs to which row is not known.  None where nothing tells it.
    """
    if readout is None or not facts.chapters:
        return None
    height = facts.chapters[0].height
    most_s = float(np.hypot(readout.value, readout.u))
    if not verdict.resolved:
        needed = [abs(c.readout_s) for c in still_open(verdict) if c.readout_s is not None]
        most_s = max(most_s, min(max(needed, default=0.0), 1.0 / float(facts.frame_rate)))
    return np.asarray(most_s * (y_px - (height - 1) / 2) / height)


def _apart_u95_s(turning: Turning, start_s: float, stop_s: float) -> float:
    """Doubt about time stamps that is not the same at both ends of the spin, s.

    The instant of a topple is that of the middle row, though the pictures show it in rows of its
    own; that of a mark is told from its own rows.  Where the top stands elsewhere at one end than
    at the other, its rows were read at another part of the frame as well.
    """
    if turning.later_s is None:
        return 0.0
    known = turning.free & np.isfinite(turning.later_s)
    if not known.any():
        return 0.0
    t, later, places = turning.time_s[known], turning.later_s[known], []
    for at_s in (start_s, stop_s):
        near = np.abs(t - np.clip(at_s, t[0], t[-1])) <= PLACE_S
        # in a gap of the frames the top is taken to go evenly from one side to the other
        place = np.median(later[near]) if near.any() else np.interp(at_s, t, later)
        places.append(float(place))
    return NORMAL_95 * max(abs(places[1]), abs(places[1] - places[0]))


def _strange(end: Event | None, stated_s: float | None, sighted_s: float, way: float) -> bool:
    """Whether a stated end lies beyond the one that was found, or else beyond all sightings."""
    if end is None or stated_s is None:
        return False
    if end.measured_s is None:
        return way * (end.time_s - sighted_s) > CARRIED_S
    return way * (end.time_s - end.measured_s) > max(end.u95_s, CARRIED_S)


def beyond_s(
    turning: Turning, own_s: tuple[float | None, float | None],
    release: Event | None, topple: Event | None,
) -> float:  # fmt: skip
    """How much of the spin, by its ends, lies outside of what was looked at, s.

    Parameters
    ----------
    turning : Turning
    own_s : (float or None, float or None)
        Ends that the program found, or took before.
    release, topple : Event or None

    Returns
    -------
    float
        0 up to `LOOKED_BESIDE_S`.
    """
    low_s, high_s = (float(t) for t in turning.time_s[turning.free][[0, -1]])
    low_s = low_s if own_s[0] is None else own_s[0]
    high_s = high_s if own_s[1] is None else own_s[1]
    first_s = release.time_s if release is not None and release.seen else low_s
    last_s = topple.time_s if topple is not None and topple.seen else high_s
    beyond = max(0.0, low_s - first_s) + max(0.0, last_s - high_s)
    return beyond if beyond > LOOKED_BESIDE_S else 0.0


def found_s(end: Event | None, stated_s: float | None) -> float | None:
    """Instant of an end as the program found it, s; None where it found none."""
    if end is None or not end.seen:
        return None
    return end.time_s if stated_s is None else end.measured_s


def only_looked_at(checks: Sequence[Check], beyond: float) -> tuple[Check, ...]:
    """Take passed checks back where stated ends take in a stretch that nobody looked at."""
    if beyond <= 0:
        return tuple(checks)
    note = (
        f"the stated ends take in {beyond:.1f} s beyond those that were found, "
        "and nothing was looked for there"
    )
    return tuple(
        one if one.state != "pass" or one.kind == "file"
        else replace(one, state="unchecked", note=note)
        for one in checks
    )  # fmt: skip


def basis_of(turning: Turning, breaks: Breaks | None, *, whole: bool) -> Basis:
    """Say what has to be kept, beside the sightings, to reckon again.

    Parameters
    ----------
    turning : Turning
        With independent shutter lines.
    breaks : Breaks or None
        Where the spin is not one piece.
    whole : bool
        Whether no turns are missing or counted twice.
    """
    count = len(turning.time_s)
    at = np.full(count, np.nan)
    for one_s in breaks.parted_s if breaks else ():
        k = int(np.argmin(np.where(np.isnan(at), np.abs(turning.time_s - one_s), np.inf)))
        at[k] = one_s
    roll, none = turning.roll, np.full(count, np.nan)
    return Basis(
        turning.angle_rad, turning.u_rad, turning.answer, at, np.full(count, whole),
        none if roll is None else roll.roll_rad, none if roll is None else roll.u_rad,
    )  # fmt: skip


def turning_of(result: Result) -> Turning | None:
    """Put the kept angles of a result together again; None where it kept too little."""
    basis, sightings = result.basis, result.sightings
    if basis is None:
        return None
    offset, facts = result.shutter.centre_row_offset_s, result.footage
    return Turning(
        time_s=sightings.time_s + offset.value,
        frame_s=sightings.time_s,
        angle_rad=basis.turned_rad,
        u_rad=basis.u_rad,
        quality=sightings.quality,
        free=(sightings.flags & int(SightingFlag.NOT_SPINNING_FREELY)) == 0,
        answer=basis.answer,
        tick_s=tick_s(facts),
        offset=offset,
        clock_ppm=result.clock_ppm,
        later_s=later_s(sightings.y_px, facts, result.shutter.readout_s, result.alias),
        roll=roll_of(basis.roll_rad, basis.u_roll_rad, result.survey.ring),
    )


def direction_of(verdict: AliasVerdict) -> str | None:
    """Sense of rotation, where the candidates leave next to no doubt about it.

    A single one that is not believed was left by the bounds alone, against what the frames say.
    """
    if len(verdict.candidates) == 1 and not verdict.resolved:
        return None
    clockwise = sum(c.probability for c in verdict.candidates if c.rpm > 0)
    if clockwise > SURE_OF_DIRECTION:
        return "clockwise"
    return "counterclockwise" if clockwise < 1 - SURE_OF_DIRECTION else None
