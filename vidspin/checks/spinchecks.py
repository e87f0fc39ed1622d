"""Is the spin one piece, unaided, shown once? Each check is one function."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspin.checks.case import Case
from vidspin.checks.repeats import Held, frozen
from vidspin.phase.breaks import LEAST_RATE, LEAST_STEP, SIGMA, Step
from vidspin.phase.missing import Missing, missing_time
from vidspin.phase.skips import MOST_STEPS, SIDES_S
from vidspin.records import Check, FloatArray
from vidspin.speed.leaning import LEANING_RAD_S, from_leaning
from vidspin.uncertainty import NORMAL_95
from vidspin.units import rpm_from_rad_s
from vidspin.wording import with_u95

RISE_SIGMA = 5.0
RISE_LEAST = 2e-3  # relative; wobble and wander move the speed by less
HELD_FRAMES = 3  # a phone doubles a frame now and then, rarely two
COPY_NEAR_S = 2.0  # between the found copy and the seam that it begins with
LONGEST_LIST = 4

STEP_THRESHOLD = (
    f"{SIGMA:g} times the usual scatter, and {LEAST_STEP:g} turn "
    f"or {100 * LEAST_RATE:g} % of the speed"
)
STEP_WHY = (
    "tens of thousands of instants are compared, and leftovers of the shutter make small steps"
)
PACE_NOTE = "the frames change their pace there: what is one spin looks like two"
LOST_THRESHOLD = f"{MOST_STEPS} steps less than {SIDES_S:g} s apart"
LOST_WHY = "one by one they are told as breaks; so near each other they pass for a speed"


def rpm(rad_s: float) -> float:
    """Speed in rev/min."""
    return float(rpm_from_rad_s(rad_s))


def missing_words(missing: Missing | None) -> str:
    """Say how much time lies between both sides of a step."""
    if missing is None:
        return "how much time is missing cannot be told"
    size = with_u95(abs(missing.seconds), missing.u95_s, "s")
    return f"{size} {'missing' if missing.seconds > 0 else 'shown twice or put in'}"


def continuity(case: Case) -> Check:
    """Ask whether the phase goes through the whole spin."""
    name, breaks = "phase continuity", case.breaks
    if breaks is None or (len(breaks.scan.time_s) == 0 and not breaks.found):
        return Check(name, "unchecked", "", "the free spin is too short", "spin")
    # a face that leans by ten degrees and more shows its mark elsewhere; the top is seen to fall
    jumps = tuple(s for s in breaks.jumps if s.time_s < case.fall_s)
    late = len(breaks.jumps) - len(jumps)
    paced, met = _by_pace(case, [m.time_s for m in case.broken_off])
    if met:
        note = (
            "another spin begins or ends there at once: a cut, a push or a brake, another attempt"
        )
        return Check(
            name, "fail", _not_on(met), note, "spin", STEP_THRESHOLD, STEP_WHY, True, met
        )  # fmt: skip
    if jumps:
        said = [
            f"{s.turns:+.4f} turn at {s.time_s:.2f} s, "
            f"{missing_words(missing_time(s, order_known=case.resolved, marks=case.marks))}"
            for s in jumps[:LONGEST_LIST]
        ]
        more = f" and {len(jumps) - LONGEST_LIST} more" if len(jumps) > LONGEST_LIST else ""
        note = "the phase before and after does not belong to one spin: a cut, a loop or lost time"
        return Check(
            name, "fail", "; ".join(said) + more, note, "spin", STEP_THRESHOLD, STEP_WHY, True,
            tuple(s.time_s for s in jumps),
        )  # fmt: skip
    if case.lost_s:
        at, most = case.lost_s, LONGEST_LIST
        where = ", ".join(f"{s:.2f}" for s in at[:most]) + (", ..." if len(at) > most else "")
        told = f"{len(at)} steps by the mark's own advance from frame to frame, at {where} s"
        note = "frames are missing or put in again and again, and their times do not say so"
        return Check(name, "fail", told, note, "spin", LOST_THRESHOLD, LOST_WHY, True, at[:most])
    if paced:
        return Check(
            name, "unchecked", _not_on(paced), PACE_NOTE, "spin", STEP_THRESHOLD, STEP_WHY, True,
            paced,
        )  # fmt: skip
    figure = _largest(case)
    if breaks.open_s > 0:
        note = f"the phase cannot be carried over {breaks.open_s:.1f} s without a sighting"
        at = tuple(b.from_s for b in breaks.open)
        return Check(name, "unchecked", figure, note, "spin", STEP_THRESHOLD, STEP_WHY, True, at)
    blurred_s = case.blurred_s
    if blurred_s is not None:
        note = "the phase steps so much all the time that single steps do not stand out"
        return Check(
            name, "unchecked", figure, note, "spin", STEP_THRESHOLD, STEP_WHY, True, (blurred_s,)
        )
    note = "the phase before each instant against the phase after it, up to one mark spacing"
    note += f"; {late} steps while the top falls over" if late else ""
    exposed = tuple(s.time_s for s in breaks.exposed)
    note += _exposed_words(exposed) if exposed else ""
    return Check(
        name, "pass", figure, note, "spin", STEP_THRESHOLD, STEP_WHY, bool(exposed), exposed
    )


def _exposed_words(at_s: Sequence[float]) -> str:
    """Say where the phase steps for no more than another exposure."""
    where = ", ".join(f"{at:.2f}" for at in at_s[:LONGEST_LIST])
    more = ", ..." if len(at_s) > LONGEST_LIST else ""
    return (
        f"; at {where}{more} s the mark's trace changes its length: the camera changed its "
        "exposure, which explains the step there without missing time"
    )


def _by_pace(case: Case, at_s: Sequence[float]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Part instants into those at a change of pace and others."""
    paced = tuple(at for at in at_s if case.at_a_change_of_pace(at))
    return paced, tuple(at for at in at_s if at not in paced)


def _not_on(at_s: Sequence[float]) -> str:
    return "the spin does not go on at " + ", ".join(f"{at:.2f} s" for at in at_s)


def _largest(case: Case) -> str:
    assert case.breaks is not None
    scan = case.breaks.scan
    if len(scan.time_s) == 0:
        return ""
    worst = int(np.argmax(np.abs(scan.turns)))
    return (
        f"largest step {abs(scan.turns[worst]):.4f} ± {NORMAL_95 * scan.u_turns[worst]:.4f} turn "
        f"at {scan.time_s[worst]:.1f} s"
    )


def falls(case: Case) -> Check:
    """Ask whether the speed only falls."""
    name = "speed falls"
    threshold = f"{RISE_SIGMA:g} standard uncertainties and {100 * RISE_LEAST:g} % of the speed"
    why = "a free top only slows; wobble moves the speed by less"
    if case.curve is None or case.breaks is None or not case.sense_known:
        note = "the direction of rotation is not known" if case.curve is not None else "no spin"
        return Check(name, "unchecked", "", note, "spin", threshold, why)
    # a copy goes on faster than its original ended; that is told as what it is
    copied = case.replay_s
    pushes = [
        s
        for s in case.breaks.kinks
        if s.rate_rad_s > 0
        and not from_leaning(s, case.late_s)
        and (copied is None or abs(s.time_s - copied) > COPY_NEAR_S)
    ]
    if pushes:
        said = "; ".join(_push_words(s, resolved=case.resolved) for s in pushes[:LONGEST_LIST])
        note = "the speed rises at once while the phase goes through: the top was pushed"
        at = tuple(s.time_s for s in pushes)
        return Check(name, "fail", said, note, "spin", threshold, why, True, at)
    paced, at = _by_pace(case, [at for at, _ in case.rises])
    if at:
        said = "; ".join(
            f"{rpm(step):+.1f} rev/min, or that and whole alias steps, at {when:.2f} s"
            for when, step in case.rises
            if when in at
        )
        note = "the spin goes over into a faster one at once: the top was pushed, or time is lost"
        return Check(name, "fail", said, note, "spin", threshold, why, True, at)
    rise = _slow_rise(case)
    if paced and (rise is None or rise[0] <= rise[1]):
        return Check(
            name, "unchecked", _not_on(paced), PACE_NOTE, "spin", threshold, why, True, paced
        )  # fmt: skip
    if rise is None:
        return Check(name, "unchecked", "", "too few rows", "spin", threshold, why)
    found, most, when = rise
    if found > 0:
        figure = f"largest rise {rpm(found):.3g} rev/min by {when:.1f} s, allowed {rpm(most):.3g}"
    else:
        figure = f"no row is faster than one before it; usually {rpm(most):.3g} rev/min are allowed"
    if found > most:
        note = "the speed rises over some time: the top was driven on"
        return Check(name, "fail", figure, note, "spin", threshold, why, True, (when,))
    return Check(name, "pass", figure, "a free top only slows", "spin", threshold, why)


def _push_words(step: Step, *, resolved: bool) -> str:
    u95 = NORMAL_95 * rpm(step.u_rate_rad_s)
    share = f"{100 * step.relative:+.2f} %" + ("" if resolved else " under the likeliest order")
    return (
        f"{rpm(step.rate_rad_s):+.2f} ± {u95:.2f} rev/min ({share}) "
        f"at {step.time_s:.2f} ± {NORMAL_95 * step.u_time_s:.2f} s"
    )


def _slow_rise(case: Case) -> tuple[float, float, float] | None:
    """Largest rise of the curve between two breaks, what is allowed, and when.

    Where nothing rises, what is usually allowed: the row that comes nearest to a rise is the
    least certain one, and its limit tells of none.
    """
    assert case.curve is not None and case.breaks is not None
    curve = case.curve
    good = np.isfinite(curve.speed_rad_s)
    t, v, u = curve.time_s[good], curve.speed_rad_s[good], curve.u_speed_rad_s[good]
    part = np.searchsorted([s.time_s for s in case.breaks.found], t)
    best: tuple[float, float, float] | None = None
    limits: list[float] = []
    for p in np.unique(part):
        rows = part == p
        if rows.sum() < 3:
            continue
        w, uw, tw = v[rows], u[rows], t[rows]
        lowest = np.minimum.accumulate(w)
        at_lowest = np.maximum.accumulate(np.where(w <= lowest, np.arange(len(w)), 0))
        rise = w[1:] - lowest[:-1]
        least = np.where(tw[1:] < case.late_s, RISE_LEAST * w[1:], LEANING_RAD_S)
        allowed = np.maximum(RISE_SIGMA * np.hypot(uw[1:], uw[at_lowest[:-1]]), least)
        k = int(np.argmax(rise / allowed))
        one = (float(rise[k]), float(allowed[k]), float(tw[k + 1]))
        best = one if best is None or one[0] / one[1] > best[0] / best[1] else best
        limits += allowed.tolist()
    return best if best is None or best[0] > 0 else (0.0, float(np.median(limits)), best[2])


def sudden(case: Case) -> Check:
    """Ask whether the speed changes at once, other than by a push."""
    name = "no sudden change"
    if case.breaks is None:
        return Check(name, "unchecked", "", "no free spin was found", "spin")
    kinks = [s for s in case.breaks.kinks if s.rate_rad_s <= 0 or not case.sense_known]
    losses = [s for s in kinks if not from_leaning(s, case.late_s)]
    if losses:
        said = "; ".join(_push_words(s, resolved=case.resolved) for s in losses[:LONGEST_LIST])
        note = "a touch, a knock against something, or time that is missing"
        at = tuple(s.time_s for s in losses)
        return Check(name, "fail", said, note, "spin", STEP_THRESHOLD, STEP_WHY, True, at)
    note = "the speed changes smoothly"
    if kinks:
        note += f"; {len(kinks)} jerks while the top falls over"
    scan = case.breaks.scan
    figure = ""
    if len(scan.time_s):
        worst = int(np.argmax(scan.sigma))
        figure = f"largest step {scan.sigma[worst]:.1f} times the usual scatter"
    return Check(name, "pass", figure, note, "spin", STEP_THRESHOLD, STEP_WHY)


def held(case: Case) -> Check:
    """Ask whether pictures are held while the mark should turn."""
    name, t = "held pictures", case.readings.time_s
    threshold = f"{HELD_FRAMES} frames in a row"
    why = "phones double single frames; several in a row hide time"
    runs = [h for h in case.held if h.count >= HELD_FRAMES]
    glances, spun = case.readings.glances, case.turning
    others = frozen(
        None if glances is None else glances.same.astype(np.float64),
        np.ones(len(t), bool) if spun is None else ~spun.free,
    )  # fmt: skip
    beside = f"beside the spin {_listed(others, t)}" if others else ""
    single = sum(h.count for h in case.held) - sum(h.count for h in runs)
    doubled = f"{single} doubled frames" if single else ""
    if runs:
        said = "; ".join([_listed(runs, t), *([beside] if beside else [])])
        note = "the mark stands still where it cannot: a picture is held"
        at = tuple(float(t[h.first]) for h in (*runs, *others))
        return Check(name, "fail", said, note, "picture", threshold, why, True, at)
    note = (
        "single doubled frames are usual on phones" if single else "the mark moves in every frame"
    )
    if beside:  # it says nothing against the spin, but may hide how it began or ended
        said = f"{doubled or '0 frames'}; {beside}"
        note += "; pictures beside the spin are held, or nothing moved there"
        at = tuple(float(t[h.first]) for h in others)
        return Check(name, "pass", said, note, "picture", threshold, why, True, at)
    return Check(name, "pass", doubled or "0 frames", note, "picture", threshold, why)


def _listed(runs: Sequence[Held], t: FloatArray) -> str:
    """List the first runs of held pictures."""
    said = [
        f"{h.count} frames ({t[h.last] - t[h.first - 1]:.2f} s) from {t[h.first]:.2f} s"
        for h in runs[:LONGEST_LIST]
    ]
    return "; ".join(said)


def replay(case: Case) -> Check:
    """Ask whether a stretch of the spin is shown twice."""
    name = "repeated stretch"
    if case.turning is None:
        return Check(name, "unchecked", "", "no free spin was found", "spin")
    found = case.replay
    if found is None:
        note = "no stretch brings the noise of another one again"
        return Check(name, "pass", "none found", note, "spin")
    t = case.turning.frame_s[case.turning.free]
    copy, original = case.replay_s or 0.0, float(t[max(found.at - found.lag, 0)])
    figure = (
        f"the noise about {copy:.2f} s is that about {original:.2f} s, "
        f"correlation {found.correlation:.2f}"
    )
    note = f"{found.lag} frames are shown again: noise does not repeat by itself"
    return Check(
        name, "fail", figure, note, "spin", f"{found.sigma:.0f} standard deviations of chance", "",
        True, (copy, original),
    )  # fmt: skip


def seen(case: Case) -> Check:
    """Ask how much of the spin was hidden, and what happened meanwhile."""
    name, threshold = "mark seen", "a tenth of the spin"
    why = "what is bridged is inferred, not seen"
    if case.turning is None:
        return Check(name, "unchecked", "", "no free spin was found", "spin", threshold, why)
    first, last = case.free_s
    to_topple = case.topple_s is not None and case.topple_s >= last
    last = max(last, case.topple_s or last)
    span = max(last - first, 1e-9)
    hidden = case.unseen_s if case.hidden_s is None else case.hidden_s
    before = case.before_s
    most = 0.1 * (span + before)
    state = "pass" if hidden + before < most else "fail"
    paced_s = min(case.unseen_at_other_paces_s(), hidden + before) if state == "fail" else 0.0
    if paced_s and hidden + before - paced_s < most:
        state = "unchecked"
    until = "topple" if to_topple else "last sighting"
    whole = f"{span:.1f} s from the first sighting to the {until}"
    figure = f"{case.unseen_s:.1f} s unseen of {whole}"
    if before >= 0.1:
        figure = f"{hidden:.1f} s unseen of {whole}, up to {before:.1f} s more before that"
    elif case.unseen_s - hidden >= 0.1:
        figure += f", {case.unseen_s - hidden:.1f} s of it under the hand or in the fall"
    bridges = case.breaks.bridges if case.breaks is not None else ()
    carried = [b for b in bridges if b.turns is not None and b.odds is not None]
    note = "stretches of more than three frames without a usable sighting"
    if before >= 0.1:
        note += "; the top may have spun freely before its mark was first seen"
    if state == "unchecked":
        note += f"; {paced_s:.1f} s of them have frames at another pace, at which the mark is lost"
    at = tuple(b.from_s for b in bridges)
    if carried:
        turns = sum(b.turns or 0.0 for b in carried)
        odds = min(b.odds or 0.0 for b in carried)
        said = f"{odds:.3g} to 1" if odds < 1e6 else "over a million to 1"
        note += f"; {turns:.1f} turns bridged in {len(carried)} of them, the count right by {said}"
    if len(carried) < len(bridges):
        note += f"; {len(bridges) - len(carried)} cannot be bridged"
    return Check(name, state, figure, note, "spin", threshold, why, state != "pass", at)
