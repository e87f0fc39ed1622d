"""In which order does all this happen?

recording - survey - sightings - shutter and geometry - alias order - spin curve - events - result
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag

from vidspin import ends, pictures
from vidspin.angles import Angles, Seen, flags_of, see, under_best_order
from vidspin.clock import rate_of
from vidspin.curve import Noise, Turning, phase_steps, seen_share, spin_curve
from vidspin.ends import Ends
from vidspin.events import revolutions, spin_time, with_speed
from vidspin.hearing import Hearing, agreement, hear, speed_heard
from vidspin.integrity import Case, check_all
from vidspin.profiles import MemoryProfiles, Profiles
from vidspin.reading import Progress, Readings, StillFrames, read_recording
from vidspin.records import (
    BoolArray,
    Footage,
    Result,
    Settings,
    Shutter,
    Sightings,
    SpinChart,
    Strip,
    Survey,
    Wobble,
)
from vidspin.survey import NoTop, survey
from vidspin.wobble import Places, wobble

SURVEY_RUNS = 24
SURVEY_RUN_FRAMES = 3
SURE_OF_DIRECTION = 0.999  # share of the candidates' probability that turns one way


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
        Told (stage, done, total).
    profiles : Profiles, optional
        Where ring profiles are kept meanwhile; memory by default.

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
    """
    facts = footage.facts
    progress("looking for the top", 0, 1)
    still = StillFrames(footage.sparse(runs=SURVEY_RUNS, per_run=SURVEY_RUN_FRAMES))
    found = survey(still, settings, name=facts.name)
    progress("looking for the top", 1, 1)
    store: Profiles = profiles if profiles is not None else MemoryProfiles()
    readings = read_recording(footage, found, still.kept, store, progress)
    rate = float(facts.frame_rate) * (1.0 + 1e-6 * facts.clock_ppm)  # in corrected seconds
    seen = see(store, readings, found, rate)
    if seen is None:
        raise NoTop(
            "the mark was found but its turning could not be followed", where=facts.name,
            do="film closer, with more light or a bolder mark, or state --centre and --radii",
            picture=found.picture.astype(np.float32),
        )  # fmt: skip

    def tell(stage: str) -> None:
        progress(stage, 0, 1)

    spin_ends = ends.find(footage, found, readings, seen, settings)
    tell("listening")
    hearing = hear(
        footage, seen, readings.time_s, first=spin_ends.first, last=spin_ends.last
    )  # fmt: skip
    angles = under_best_order(
        store, readings, seen, settings, first=spin_ends.first, last=spin_ends.last,
        topple_seen=spin_ends.toppled, tell=tell, hearing=hearing,
    )  # fmt: skip
    if angles is None:
        low, high = settings.bounds_rpm or (0, 0)
        raise NoTop(
            f"no speed between {low:g} and {high:g} rev/min fits the frames", where="--between",
            do="widen the bounds", picture=found.picture.astype(np.float32),
        )  # fmt: skip
    tell("fitting the speed")
    spin_ends = ends.with_release(spin_ends, readings, angles, found, settings)
    parts = _Parts(footage, settings, found, readings, seen, spin_ends, angles, store, hearing)
    return _result(parts, version, created)


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
    hearing: Hearing


def _turning(p: _Parts, free: BoolArray) -> Turning:
    """Gather the angles of the free spin for the curve."""
    a, t = p.angles, p.readings.time_s
    ticks = [float(c.time_base) for c in p.footage.facts.chapters]
    scale = float(p.footage.facts.time_scale)
    return Turning(
        time_s=t + a.offset.value,
        frame_s=t,
        angle_rad=np.where(free, a.angle_rad, np.nan),
        u_rad=a.u_rad,
        quality=a.quality,
        free=free,
        answer=a.answer,
        covariance=block_diag(a.tuned.fit.covariance, 1.0),  # the last column is one standard doubt
        tick_s=max(ticks, default=0.0) * scale,
        offset=a.offset,
        clock_ppm=p.settings.clock or rate_of((), None, p.settings.clock_half_width_ppm),
    )


def _result(p: _Parts, version: str, created: str) -> Result:
    count = len(p.readings.time_s)
    free = np.zeros(count, bool)
    free[p.ends.first : p.ends.last + 1] = True
    turning = _turning(p, free)
    curve, noise = spin_curve(turning, p.settings.every_s)
    steps = phase_steps(turning, noise, p.survey.marks)
    unseen = seen_share(turning, noise)
    verdict = p.angles.verdict
    release, topple = (
        None if e is None else with_speed(e, turning, noise, curve)
        for e in (p.ends.release, p.ends.topple)
    )
    first_s, last_s = float(p.readings.time_s[p.ends.first]), float(p.readings.time_s[p.ends.last])
    start = release.time_s if release and release.seen else first_s
    stop = topple.time_s if topple and topple.seen else last_s
    largest = float(np.abs(steps.step_rad).max() / (2 * np.pi)) if len(steps.step_rad) else None
    u95 = (release.u95_s if release else 0.0, topple.u95_s if topple else 0.0)
    case = Case(p.footage.outcome, p.readings, turning, noise, curve, steps,
                1.0 / float(p.footage.facts.frame_rate), unseen, verdict.resolved)  # fmt: skip
    sound = speed_heard(p.footage, p.hearing, p.angles.order) if verdict.resolved else None
    return Result(
        vidspin_version=version,
        created=created,
        settings=p.settings,
        footage=p.footage.facts,
        outcome=p.footage.outcome,
        survey=p.survey,
        sightings=_sightings(p, free, noise),
        shutter=_shutter(p),
        alias=verdict,
        direction=_direction(p),
        curve=curve,
        release=release,
        topple=topple,
        touches=(),
        spin_time=spin_time(release, topple, first_s, last_s, clock_ppm=turning.clock_ppm.u),
        revolutions=revolutions(turning, noise, start, stop, u95, largest, unseen),
        checks=(
            *p.footage.facts.findings,
            *check_all(case),
            *(() if sound is None else (agreement(sound, curve),)),
        ),  # fmt: skip
        chart=_chart(p, noise),
        strips=_strips(p),
        clock_ppm=turning.clock_ppm,
        sound=sound,
        wobble=_wobble(p, noise),
    )


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
    fit = p.angles.tuned.fit
    return Shutter(
        p.angles.readout, p.angles.exposure, fit.geometry, fit.u_geometry, p.angles.offset,
    )  # fmt: skip


def _direction(p: _Parts) -> str | None:
    clockwise = sum(c.probability for c in p.angles.verdict.candidates if c.rpm > 0)
    if clockwise > SURE_OF_DIRECTION:
        return "clockwise"
    return "counterclockwise" if clockwise < 1 - SURE_OF_DIRECTION else None


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
        s = pictures.strip(
            p.footage,
            p.survey,
            e.kind,
            e.time_s,
            float(p.readings.x_px[k]),
            float(p.readings.y_px[k]),
        )
        if s is not None:
            made.append(s)
    return tuple(made)
