"""What follows from the angles of the free spin and its two ends? Speed, spin time, turns.

The same for a recording that was just read and for sightings that were kept.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vidspin.breaks import Breaks
from vidspin.continuous import seams_of
from vidspin.curve import (
    spin_curve,
    unknown_across,
)
from vidspin.events import spin_time, with_speed
from vidspin.leaning import leaning_before
from vidspin.records import (
    AliasVerdict,
    Basis,
    Event,
    Result,
    Revolutions,
    SightingFlag,
    SpinCurve,
    SpinTime,
)
from vidspin.revolutions import revolutions
from vidspin.turning import (
    Turning,
)

SURE_OF_DIRECTION = 0.999  # share of the candidates' probability that turns one way


@dataclass(frozen=True, slots=True)
class Reckoned:
    """What follows from the angles."""

    curve: SpinCurve
    release: Event | None
    topple: Event | None
    spin_time: SpinTime
    revolutions: Revolutions


def reckon(kept: Result, turning: Turning, release: Event | None, topple: Event | None) -> Reckoned:
    """Work out everything that needs no more pictures, as `measure` does.

    Parameters
    ----------
    kept : Result
        Its breaks, unseen stretches and largest step stay; `settings.every_s` counts.
    turning : Turning
        Angles of the free spin, from `turning_of`.
    release, topple : Event or None
        Still without their speeds.

    Returns
    -------
    Reckoned
    """
    seen = kept.sightings
    fell_s = topple.time_s if topple is not None and topple.seen else None
    lean = leaning_before(fell_s, seen.time_s, seen.x_px, seen.y_px, kept.survey.ring)
    turning = replace(turning, leaning=lean)
    curve, noise = spin_curve(turning, kept.settings.every_s)
    basis, told = kept.basis, kept.revolutions
    breaks = [] if basis is None else basis.break_s[np.isfinite(basis.break_s)].tolist()
    seams = seams_of(turning.time_s, kept.sightings.chapter)
    curve = unknown_across(curve, [*breaks, *seams])
    release, topple = (
        None if e is None else with_speed(e, turning, noise, curve) for e in (release, topple)
    )
    first_s, last_s = (float(t) for t in turning.time_s[turning.free][[0, -1]])
    start = release.time_s if release and release.seen else first_s
    stop = topple.time_s if topple and topple.seen else last_s
    u95 = (release.u95_s if release else 0.0, topple.u95_s if topple else 0.0)
    step, unseen = (
        (None, 0.0) if told is None else (told.largest_unexplained_step_turns, told.unseen_s)
    )
    turned = revolutions(turning, noise, start, stop, u95, step, unseen)
    if basis is not None and not basis.counted.all():  # turns are missing or counted twice
        turned = replace(turned, count=None, u95=None)
    span = spin_time(release, topple, first_s, last_s, clock_ppm=turning.clock_ppm.u)
    return Reckoned(curve, release, topple, span, turned)


def basis_of(turning: Turning, breaks: Breaks | None) -> Basis:
    """Say what has to be kept, beside the sightings, to reckon again.

    Parameters
    ----------
    turning : Turning
        With independent shutter lines.
    breaks : Breaks or None
        Where the spin is not one piece.
    """
    count = len(turning.time_s)
    at = np.full(count, np.nan)
    for one_s in breaks.parted_s if breaks else ():
        k = int(np.argmin(np.where(np.isnan(at), np.abs(turning.time_s - one_s), np.inf)))
        at[k] = one_s
    counted = np.full(count, breaks is None or not breaks.jumps)
    return Basis(turning.angle_rad, turning.u_rad, turning.answer, at, counted)


def turning_of(result: Result) -> Turning | None:
    """Put the kept angles of a result together again; None where it kept too little."""
    basis, sightings = result.basis, result.sightings
    if basis is None:
        return None
    offset, facts = result.shutter.centre_row_offset_s, result.footage
    ticks = [float(chapter.time_base) for chapter in facts.chapters]
    return Turning(
        time_s=sightings.time_s + offset.value,
        frame_s=sightings.time_s,
        angle_rad=basis.turned_rad,
        u_rad=basis.u_rad,
        quality=sightings.quality,
        free=(sightings.flags & int(SightingFlag.NOT_SPINNING_FREELY)) == 0,
        answer=basis.answer,
        covariance=np.eye(basis.answer.shape[1]),
        tick_s=max(ticks, default=0.0) * float(facts.time_scale),
        offset=offset,
        clock_ppm=result.clock_ppm,
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
