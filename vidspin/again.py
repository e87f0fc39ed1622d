"""What changes when options change and the pictures are not read again?

The angles of a result were read under one alias order, with the readout and geometry that belong
to it.  Rows, instants and narrower bounds can change under them; what would have needed other
pictures or another order is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspin.calibration.exposure import told_of
from vidspin.calibration.learnt import as_told
from vidspin.errors import UsageError
from vidspin.instants.events import (
    FOUND,
    event,
    refuse_disorder,
    refuse_outside,
    restamped,
    stated_u95_s,
)
from vidspin.order.alias import BOUNDS_CUE, ODDS_CAP
from vidspin.reckoning import (
    beyond_s,
    direction_of,
    found_s,
    later_s,
    only_looked_at,
    reckon,
    turning_of,
)
from vidspin.records import (
    AliasVerdict,
    Check,
    Ellipse,
    Event,
    Fact,
    Result,
    Settings,
    Shutter,
    Wobble,
)
from vidspin.speed.seams import NAME as BETWEEN
from vidspin.speed.turning import Turning
from vidspin.speed.wobble import in_mm
from vidspin.wording import told_unseen

CHECK = "worked out again"
_NEEDS = "measure the recording again with these options"
SAME_INSTANT_S = 1e-6


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be different; None leaves it as it was."""

    every_s: float | None = None
    bounds_rpm: tuple[float, float] | None = None
    release_s: float | None = None
    topple_s: float | None = None
    reason: str = ""
    facts: dict[str, Fact] | None = None
    diameter_mm: float | None = None

    def named(self) -> tuple[str, ...]:
        """Names of the options that are given."""
        given = {
            "--every": self.every_s, "--between": self.bounds_rpm, "--release": self.release_s,
            "--topple": self.topple_s, "--diameter": self.diameter_mm, "--fact": self.facts,
        }  # fmt: skip
        return tuple(name for name, value in given.items() if value is not None)


def work_out_again(kept: Result, wanted: Wanted, *, version: str, created: str) -> Result:
    """Work out speed, spin time and turns of kept angles under other options.

    Parameters
    ----------
    kept : Result
        As read back from its folder; without pictures.
    wanted : Wanted
    version, created : str
        Of this working out.

    Returns
    -------
    Result
        With a check that says that the pictures were not read again.

    Raises
    ------
    UsageError
        The result kept too little, or the options would have needed the pictures.
    """
    turning = turning_of(kept)
    if turning is None:
        raise UsageError(
            "this result does not hold what its speed was worked out from", where="--from",
            do="measure the recording again; results of this version hold it",
        )  # fmt: skip
    wanted = _on_clock(wanted, kept.footage.clock_ppm)
    settings, alias = _settings(kept.settings, wanted), kept.alias
    refuse_outside(settings, kept.footage.duration_s)
    if wanted.bounds_rpm is not None:
        first = float(kept.sightings.time_s[turning.free][0])
        alias = narrowed(alias, wanted.bounds_rpm, first, settings.odds_needed)
    kept, turning = _with_offset(kept, turning, alias)
    why, offset = settings.overrule_reason, kept.shutter.centre_row_offset_s
    release, topple = (
        _event(kind, old, at_s, why, stated_u95_s(at_s, kept.sightings.time_s, offset))
        for kind, old, at_s in (
            ("release", kept.release, wanted.release_s), ("topple", kept.topple, wanted.topple_s),
        )
    )  # fmt: skip
    refuse_disorder(release, topple, settings)
    r = reckon(replace(kept, settings=settings, alias=alias), turning, release, topple)
    fresh = {c.name: c for c in r.seams}  # each in the place of the old one: the folder's order
    own = [
        fresh.pop(c.name, c) for c in kept.checks
        if c.name != CHECK and (c.name != BETWEEN or c.name in fresh)  # no seam, no question
    ]  # fmt: skip
    before = found_s(kept.release, None), found_s(kept.topple, None)
    beyond = beyond_s(turning, before, r.release, r.topple)
    own = list(only_looked_at((*own, *fresh.values()), beyond))
    return replace(
        kept, vidspin_version=version, created=created, settings=settings, alias=alias,
        direction=direction_of(alias), curve=r.curve, release=r.release, topple=r.topple,
        spin_time=r.spin_time, revolutions=r.revolutions,
        checks=(*own, _said(kept, wanted)), shutter=_shutter(kept.shutter, resolved=alias.resolved),
        facts=kept.facts if wanted.facts is None else wanted.facts,
        wobble=_wobble(kept.wobble, kept.survey.ring, wanted.diameter_mm),
    )  # fmt: skip


def _with_offset(kept: Result, turning: Turning, alias: AliasVerdict) -> tuple[Result, Turning]:
    """Let what a time stamp stands for, and the doubt of both ends, follow the candidates."""
    was, facts = kept.shutter.centre_row_offset_s, kept.footage
    interval_s = 1.0 / (float(facts.frame_rate) * (1.0 + 1e-6 * facts.clock_ppm))  # as measured
    now = was
    if alias is not kept.alias:
        now = told_of(was, kept.shutter.readout_s, kept.alias, alias, interval_s)
        later = later_s(kept.sightings.y_px, kept.footage, kept.shutter.readout_s, alias)
        turning = replace(turning, offset=now, later_s=later)
    release, topple = (
        restamped(end, was, now, kept.sightings.time_s, stated=end is not None and _stated(end))
        for end in (kept.release, kept.topple)
    )
    shutter = replace(kept.shutter, centre_row_offset_s=now)
    return replace(kept, shutter=shutter, release=release, topple=topple), turning


def _stated(end: Event) -> bool:
    return FOUND in end.how


def _on_clock(wanted: Wanted, clock_ppm: float) -> Wanted:
    """Put stated instants, which are the recording's, on the corrected clock, as `measure` does."""
    true = 1.0 / (1.0 + 1e-6 * clock_ppm)
    release_s, topple_s = (
        None if t is None else t * true for t in (wanted.release_s, wanted.topple_s)
    )
    return replace(wanted, release_s=release_s, topple_s=topple_s)


def _shutter(kept: Shutter, *, resolved: bool) -> Shutter:
    """Say whether readout and exposure go with one speed now."""
    readout, exposure = (as_told(q, resolved=resolved) for q in (kept.readout_s, kept.exposure_s))
    return replace(kept, readout_s=readout, exposure_s=exposure)


def _wobble(kept: Wobble | None, ring: Ellipse, diameter_mm: float | None) -> Wobble | None:
    """Give the run-out in mm where the diameter is newly stated."""
    if kept is None or diameter_mm is None:
        return kept
    return replace(kept, run_out_mm=in_mm(kept.run_out_px, ring, diameter_mm))


def _said(kept: Result, wanted: Wanted) -> Check:
    names = ", ".join(wanted.named()) or "no option"
    figure = f"{names} changed; angles read by version {kept.vidspin_version} on {kept.created}"
    note = "from the kept angles: the recording was not read again, its checks are as they were"
    return Check(CHECK, "unchecked", figure, note)


def _settings(old: Settings, wanted: Wanted) -> Settings:
    def either(new: float | None, kept: float | None) -> float | None:
        return kept if new is None else new

    settings = replace(
        old,
        every_s=old.every_s if wanted.every_s is None else wanted.every_s,
        bounds_rpm=wanted.bounds_rpm or old.bounds_rpm,
        release_s=either(wanted.release_s, old.release_s),
        topple_s=either(wanted.topple_s, old.topple_s),
        overrule_reason=wanted.reason or old.overrule_reason,
        diameter_mm=either(wanted.diameter_mm, old.diameter_mm),
    )
    start, stop = settings.release_s, settings.topple_s
    if start is not None and stop is not None and start >= stop:
        raise UsageError("it is not after --release", where="--topple", do="correct one of them")
    return settings


def _event(
    kind: str, old: Event | None, stated_s: float | None, reason: str, told_s: float
) -> Event | None:
    """Put a newly stated instant in the place of the program's own, which stays in the record.

    The reviewer's is told to within `told_s`.
    """
    if stated_s is None:
        return None if old is None else replace(old, speed_rad_s=None, u95_rad_s=None)
    seen, time_s, u95_s, how = False, float("nan"), 0.0, "not found"
    if old is not None:
        seen, time_s, u95_s, how = old.seen, old.time_s, old.u95_s, old.how
        if _stated(old):  # before
            seen, how = old.measured_s is not None, how.rpartition(FOUND)[2]
            time_s = float("nan") if old.measured_s is None else old.measured_s
            u95_s = old.u95_s if old.measured_u95_s is None else old.measured_u95_s
    return event(
        kind, seen=seen, time_s=time_s, u95_s=u95_s, how=how, stated_s=stated_s, reason=reason,
        told_s=told_s,
    )  # fmt: skip


def narrowed(
    alias: AliasVerdict, bounds_rpm: tuple[float, float], first_s: float, odds_needed: float
) -> AliasVerdict:
    """Weigh the candidates again that lie within narrower bounds.

    Parameters
    ----------
    alias : AliasVerdict
        With the votes of its candidates.
    bounds_rpm : (float, float)
        On the speed at the first free sighting, rev/min.
    first_s : float
        When that was, s.
    odds_needed : float

    Returns
    -------
    AliasVerdict
        The votes are those that were cast; among fewer candidates they give other odds.

    Raises
    ------
    UsageError
        The bounds are wider than those that were weighed, they exclude the order under which
        the angles were read, or the candidates' speeds belong to another instant.
    """
    low, high = bounds_rpm
    within = f"{low:g} to {high:g} rev/min"
    if low < alias.bounds_rpm[0] or high > alias.bounds_rpm[1]:
        raise _refused(f"{within}: only {_words(alias.bounds_rpm)} were weighed")
    if not alias.candidates or abs(alias.reference_s - first_s) > SAME_INSTANT_S:
        raise _refused(f"{within}: the speeds of the candidates belong to a later instant")
    unseen = told_unseen(v.note for v in alias.votes)  # at the start it was another speed
    least = 0.0 if unseen else low
    keep = [k for k, c in enumerate(alias.candidates) if least <= abs(c.rpm) <= high]
    if 0 not in keep:
        raise _refused(f"{within} exclude the speed under which the angles were read")
    cast = [vote for vote in alias.votes if vote.cue != BOUNDS_CUE]
    votes = tuple(
        replace(v, log_odds=tuple(np.subtract(one := _of(v.log_odds, keep), max(one)).tolist()))
        for v in cast
    )
    total = np.sum([v.log_odds for v in votes], axis=0) if votes else np.zeros(len(keep))
    share = np.exp(total - total.max()) / np.exp(total - total.max()).sum()
    doubt = _doubt(alias, odds_needed)
    if doubt or int(np.argmax(total)) != 0:
        raise _refused(f"{within}: {doubt or 'another order than the one read fits better now'}")
    others = max(1.0 - float(share[0]), 1.0 / ODDS_CAP)
    odds = min(ODDS_CAP, float(share[0]) / others)
    candidates = tuple(
        replace(alias.candidates[k], probability=float(p)) for k, p in zip(keep, share, strict=True)
    )
    bounds = [v for v in alias.votes if v.cue == BOUNDS_CUE]
    note = f"{_words(bounds_rpm)} at the first free sighting (user), stated afterwards"
    note = f"{note}; {unseen}" if unseen else note
    said = tuple(
        replace(v, log_odds=(0.0,) * len(keep), says=f"{len(keep)} candidates", note=note)
        for v in bounds
    )
    reason = (
        "only one speed lies within the bounds" if len(keep) == 1
        else f"the best order is ahead of all others by {odds:.3g} to 1; {odds_needed:g} to 1 "
        "is needed"
    )  # fmt: skip
    return replace(
        alias, resolved=odds >= odds_needed, candidates=candidates, votes=(*votes, *said),
        odds=odds, bounds_rpm=bounds_rpm, bounds_from="user", reason=reason,
    )  # fmt: skip


def _of(values: Sequence[float], keep: Sequence[int]) -> list[float]:
    return [values[k] for k in keep]


def _doubt(alias: AliasVerdict, odds_needed: float) -> str:
    """Return the reason why the cues were not taken at their word; it may hold still."""
    plain = alias.reason.startswith(
        ("only one speed", "the best order is ahead", "the likeliest speed has")
    )
    return "" if plain or (alias.resolved and alias.odds >= odds_needed) else alias.reason


def _words(bounds_rpm: tuple[float, float]) -> str:
    return f"{bounds_rpm[0]:g} to {bounds_rpm[1]:g} rev/min"


def _refused(what: str) -> UsageError:
    return UsageError(what, where="--between", do=_NEEDS)
