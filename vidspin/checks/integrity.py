"""Is the recording whole? One check is one function and one row in `CHECKS`.

Each says pass, fail or unchecked, with the figure that decided and what it was held against.
Facts of the container arrive ready made; here the frames, the pictures and the spin are asked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from vidspin.checks import picturechecks, spinchecks
from vidspin.checks.case import Case
from vidspin.phase.breaks import Bridge
from vidspin.records import Check
from vidspin.wording import MAY_BE, ONE_TURNS, elsewhere, plural

LONG_GAP_FRAMES = 2.5  # a step of more frame intervals is a gap
LONGEST_GAP_S = 1.0  # of which the spin may say what happened
EDGE_S = 0.5
# From an end; with the mark half hidden so much is needed to bridge a gap, and a forger gains
# no more of the spin by hiding it.
NEAR_END_S = 2.0
BRIDGED_ODDS = 1000.0
ELSEWHERE_S = 3.0  # a shorter one may be a hand that turns the top about


def _frames(case: Case) -> Check:
    faults = case.outcome.faults
    figure = f"{case.outcome.decoded} frames read, {case.outcome.suspect} doubtful"
    if faults:
        return Check("frames complete", "fail", figure, "; ".join(faults), "file")
    note = "every frame that the file lists was read"
    return Check("frames complete", "pass", figure, note, "file")


def _gaps(case: Case) -> Check:
    """Ask for gaps; one passes where the spin shows that nothing but frames is missing."""
    name, t = "frame gaps", case.readings.time_s
    threshold = f"gaps of {LONGEST_GAP_S:g} s, or that the phase does not bridge"
    why = "phones drop frames; the mark's phase shows that time went on as stated"
    steps = np.diff(t) / case.frame_interval_s
    if len(steps) == 0:
        return Check(name, "pass", "one frame", "nothing to compare", "file", threshold, why)
    dropped = int(np.rint(steps[steps > 1.5] - 1).sum())
    lacking = f"{plural(dropped, 'frame')} lacking" if dropped else "no frame lacking"
    figure = f"{lacking}; {steps.max():.1f} frame intervals at most from one to the next"
    first, last = case.free_s
    # what is missing at a seam between chapters is not stated: no time went by there that was
    same = np.diff(case.readings.chapter) == 0
    starts = [float(t[k]) for k in np.flatnonzero((steps > LONG_GAP_FRAMES) & same)]
    # next to the ends there is nothing to bridge to, and nothing to gain
    inside = [s for s in starts if first + EDGE_S <= s < last - EDGE_S or case.turning is None]
    loose = [s for s in inside if not _bridged(case, s)]
    bad = [s for s in loose if not _hardly_seen(case, s)]
    if bad:
        note = "time went by that no frame shows and no phase bridges"
        return Check(name, "fail", figure, note, "file", threshold, why, True, tuple(bad))
    if loose:
        note = (
            "the mark is seen too seldom between a gap and an end of the spin, or a seam, "
            "to bridge it"
        )
        return Check(name, "unchecked", figure, note, "file", threshold, why, True, tuple(loose))
    note = "single dropped frames are usual on phones" if dropped else "frames follow evenly"
    if inside:
        note = f"the phase goes through {len(inside)} gaps as their times say"
    return Check(name, "pass", figure, note, "file", threshold, why, False, tuple(inside))


def _bridged(case: Case, start_s: float) -> bool:
    """Whether the phase goes through the gap that starts at an instant."""
    bridge = _bridge_over(case, start_s)
    if bridge is None or _steps(case, start_s):
        return False
    short = bridge.to_s - bridge.from_s < LONGEST_GAP_S
    return short and bridge.odds is not None and bridge.odds > BRIDGED_ODDS


def _hardly_seen(case: Case, start_s: float) -> bool:
    """Whether a short gap has too few sightings for any bridge between it and an end near it.

    A seam between chapters is such an end: nothing is bridged over it, for its time is not known.
    """
    bridge = _bridge_over(case, start_s)
    unbridged = case.breaks is not None and (bridge is None or bridge.turns is None)
    if not unbridged or _steps(case, start_s):
        return False
    edges = np.array([*case.free_s, *(case.turning.seams_s if case.turning is not None else ())])
    t = case.readings.time_s
    stop_s = float(t[np.searchsorted(t, start_s, side="right")])
    near = np.maximum(start_s - edges, edges - stop_s).min() < NEAR_END_S
    return bool(near) and stop_s - start_s < LONGEST_GAP_S


def _steps(case: Case, start_s: float) -> bool:
    """Whether the spin does not go on, over a gap, as it went before."""
    at, near = _instant(case, start_s)
    found = () if case.breaks is None else case.breaks.found
    return any(
        s.time_s - s.gap_s <= at + near and s.time_s + s.gap_s >= at for s in found if not s.exposed
    )


def _bridge_over(case: Case, start_s: float) -> Bridge | None:
    """Bridge over a gap; none was tried where a side has too few sightings."""
    at, near = _instant(case, start_s)
    bridges = () if case.breaks is None else case.breaks.bridges
    return next((b for b in bridges if b.from_s <= at + near and b.to_s > at + near), None)


def _instant(case: Case, start_s: float) -> tuple[float, float]:
    """Instant of a frame's angle, and how far from it another may be to be the same, s."""
    offset = 0.0 if case.turning is None else case.turning.offset.value
    return start_s + offset, 0.5 * case.frame_interval_s


def _whole(case: Case) -> Check:
    name, threshold = "one spin", f"another stretch of turning of {ELSEWHERE_S:g} s"
    why = "what is measured is one spin; another may be its other part, or another try"
    others = sorted((a, b) for a, b in case.elsewhere_s if b - a > ELSEWHERE_S)
    if not others:
        figure, note = "one stretch of turning", "no other was seen"
        return Check(name, "pass", figure, note, "spin", threshold, why)
    figure = "turning also " + ", ".join(f"from {a:.1f} to {b:.1f} s" for a, b in others)
    note = "not joined to the measured spin: unseen too long between them, or another spin"
    starts = tuple(a for a, _ in others)
    return Check(name, "unchecked", figure, note, "spin", threshold, why, True, starts)


def _alone(case: Case) -> Check:
    """Ask whether anything else turns: which of two was meant no picture tells."""
    name, threshold = ONE_TURNS, "a pattern that turns beside the top"
    why = "of two that turn the one that stands out more is measured, meant or not"
    survey = case.survey
    if survey is None or not survey.others:
        figure, note = "one turning thing", "no other was seen"
        return Check(name, "pass", figure, note, "picture", threshold, why)
    ring, places = survey.ring, elsewhere(survey.others)
    figure = f"measured about ({ring.x_px:.0f}, {ring.y_px:.0f}); turning also {places}"
    if "centre" in survey.given:
        note = "the one about the stated centre was measured"
        return Check(name, "pass", figure, note, "picture", threshold, why)
    note = f"which was meant is not known; state --centre where another was: {MAY_BE}"
    return Check(name, "unchecked", figure, note, "picture", threshold, why, True)


CHECKS: tuple[Callable[[Case], Check], ...] = (
    _frames,
    _gaps,
    spinchecks.seen,
    _whole,
    _alone,
    spinchecks.continuity,
    spinchecks.falls,
    spinchecks.sudden,
    spinchecks.held,
    spinchecks.replay,
    picturechecks.hands,
    picturechecks.scene,
    picturechecks.camera,
    picturechecks.light,
    picturechecks.focus,
    picturechecks.retiming,
)


# What these say of the spin rests on the angles of a mark on its ring, what those allege as well.
BY_ANGLE = (spinchecks.continuity, spinchecks.falls, spinchecks.sudden, spinchecks.replay)
ALLEGED_BY_ANGLE = (*BY_ANGLE, _gaps, spinchecks.held, picturechecks.hands)


def check_all(case: Case) -> tuple[Check, ...]:
    """Run every check of the registry; what was followed has to be a mark, for it to say a thing.

    A mark in doubt accuses nobody, and clears nobody either.
    """
    doubt = case.mark_in_doubt
    told = [(check, check(case)) for check in CHECKS]
    return tuple(_left_open(c, doubt) if doubt and _hangs(of, c, case) else c for of, c in told)


def _hangs(check: Callable[[Case], Check], told: Check, case: Case) -> bool:
    """Whether what a check says hangs on the angles of the mark."""
    if told.state == "pass":
        return check in BY_ANGLE
    if check is _gaps and any(_seconds_from(case, at) >= LONGEST_GAP_S for at in told.at_s):
        return False  # so long a gap is one, whatever the phase does
    return told.state == "fail" and check in ALLEGED_BY_ANGLE


def _seconds_from(case: Case, start_s: float) -> float:
    """Seconds from a frame to the next one."""
    t = case.readings.time_s
    k = min(int(np.searchsorted(t, start_s, side="right")), len(t) - 1)
    return float(t[k]) - start_s


def _left_open(told: Check, doubt: str) -> Check:
    """Let a person look at what a mark in doubt says."""
    note = f"{told.note}; or none of it: {doubt}"
    return replace(told, state="unchecked", note=note, look=True)
