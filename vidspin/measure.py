"""In which order does all this happen?

recording - survey - sightings - shutter and geometry - alias order - spin curve - events - result
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vidspin.calibration.angles import Angles, Seen, free_only, under_best_order, windows_only
from vidspin.calibration.paced import agreed, at_other_paces, going_on, see_at_its_pace
from vidspin.checks.believed import (
    HARDLY_SEEN,
    doubted,
    hardly_seen,
    how_taken,
    no_spin,
    pattern_in,
)
from vidspin.checks.case import held_in, marked
from vidspin.checks.hearing import hear
from vidspin.errors import UsageError
from vidspin.frames.card import Watched
from vidspin.frames.reading import Progress, Readings, flags_only, read_recording
from vidspin.instants import ends
from vidspin.instants.ends import Ends
from vidspin.instants.events import refuse_disorder, refuse_outside
from vidspin.mark.rest import BETTER_SEEN, unfollowed
from vidspin.profiles import KeptRows, MemoryProfiles, Profiles
from vidspin.records import Footage, FootageFacts, Result, Settings, Survey
from vidspin.result import Parts, result_of
from vidspin.top.survey import NoTop, look_for_top
from vidspin.wording import elsewhere


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
            do=facts.time_doubt or (_instead(found) if pattern is None else AS_WRITTEN),
        )  # fmt: skip
    if (doubt := no_spin(angles, seen, readings, found.ring, slice(first, last + 1))) is not None:
        raise _no_mark(doubt, facts, found)
    taken = how_taken(pattern, angles, readings, seen, (first, last), spin_ends.topple)
    taken = replace(taken, times=facts.time_doubt)
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
    parts = Parts(
        footage, settings, found, readings, seen, spin_ends, angles, store, held, hearing, taken
    )
    return replace(result_of(parts, version, created, tell), challenge=watched.shown())


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


def _instead(found: Survey) -> str:
    """Say what to do where no speed fits."""
    if not found.others or "centre" in found.given:
        return WIDER
    where = elsewhere(found.others)
    return f"another thing turns {where}: state --centre if that was meant, or {WIDER}"


WIDER = (
    "widen the bounds; if they are true, it was no mark that was followed: state --centre, --radii,"
    " or it is slow motion played slowly: state --captured-at"
)
AS_WRITTEN = "give the file as the camera wrote it"
