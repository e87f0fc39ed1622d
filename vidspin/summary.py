"""What a person needs to read in ten seconds.

Every figure is taken from the one result; nothing is worked out anew.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from vidspin.facts import fact_text
from vidspin.records import AliasVerdict, Candidate, Check, Event, Result, SoundCurve, Vote, Wobble
from vidspin.uncertainty import NORMAL_95
from vidspin.units import degrees_from_rad, format_duration, rpm_from_rad_s
from vidspin.wording import (
    MAY_BE,
    alone,
    answer,
    at_least,
    between_chapters,
    counted,
    elsewhere,
    instant,
    milliseconds,
    odds,
    percent,
    plural,
    searched,
    seen_by,
    signed,
    told_unseen,
    uncounted,
    with_u95,
)

LABEL_WIDTH = 13
# A cue that favours an order by less than this (natural logarithm) did not decide.
DECIDING_LOG_ODDS = 2.3
MOST_TOUCHES = 3  # named on the screen; the report names all
SPEED_UNIT = "rev/min"
HOW_TO_RESOLVE = (
    "state what the speed must be: --between LOW HIGH (rev/min)",
    "film on until the top falls: the slow end fixes the order",
    "film at a higher frame rate",
)
LEARN = "learn the camera from a whole run-down: vidspin camera learn, then --camera FILE"

Line = tuple[str, str]


def summarise(result: Result, *, folder: Path | None = None, files: Sequence[str] = ()) -> str:
    """Sum a result up for the terminal.

    Parameters
    ----------
    result : Result
        What was measured.
    folder : Path, optional
        Where the result was written.
    files : sequence of str
        Names of the files in that folder.

    Returns
    -------
    str
        Lines without a newline at the end.  While the alias order is unresolved that is said
        first, the candidates follow, and no single speed and no count is named.
    """
    lines = [_headline(result), ""]
    if not result.alias.resolved:
        lines += [*_candidate_rows(result.alias), ""]
        given = result.settings.camera is not None
        lines += [*_lay_out(_unresolved_lines(result.alias, given=given)), ""]
    lines += _lay_out(_body(result))
    lines += _told_checks(result)
    if result.facts:
        told = [f"{key}={fact_text(value)}" for key, value in sorted(result.facts.items())]
        lines += _lay_out([("facts", ", ".join(told))])
    if folder is not None:
        lines += _lay_out([("files", f"{folder}")])
        lines += _lay_out([("", ", ".join(files))] if files else [])
        if "report.html" in files:
            lines += _lay_out([("to read", f"{folder / 'report.html'}, in any browser")])
    lines += ["", f"  ± is a 95 % interval; speeds are means over {_window(result)}."]
    return "\n".join(lines)


def _lay_out(lines: Sequence[Line] | Iterator[Line]) -> list[str]:
    return [f"  {label:<{LABEL_WIDTH}} {text}" for label, text in lines]


def _window(result: Result) -> str:
    windows = result.curve.window_s[np.isfinite(result.curve.speed_rad_s)]
    if windows.size == 0:
        return "short windows"
    low, high = float(windows.min()), float(windows.max())
    return f"{low:.2g} s" if math.isclose(low, high) else f"{low:.2g} to {high:.2g} s"


# ------------------------------------------------------------------------- headline


def _headline(result: Result) -> str:
    name = result.footage.name
    if not result.alias.resolved:
        return f"{name}: ALIAS ORDER UNRESOLVED, so there is no single speed"
    parts = []
    if result.spin_time is not None and result.spin_time.seconds is not None:
        parts.append(f"spun for {with_u95(result.spin_time.seconds, result.spin_time.u95_s, 's')}")
    elif result.spin_time is not None and result.spin_time.at_least_s is not None:
        parts.append(f"spun for {at_least(result.spin_time.at_least_s, 's')}")
    speed = _speed_at(result.release)
    if speed:
        parts.append(f"released at {speed}")
    if result.direction:
        parts.append(result.direction)
    return f"{name}: {', '.join(parts) or 'measured'}"


def _speed_at(event: Event | None) -> str:
    if event is None or event.speed_rad_s is None or not math.isfinite(event.speed_rad_s):
        return ""
    u95 = None if event.u95_rad_s is None else rpm_from_rad_s(event.u95_rad_s)
    return with_u95(rpm_from_rad_s(event.speed_rad_s), u95, SPEED_UNIT)


# ----------------------------------------------------------------------- unresolved


def _candidate_rows(alias: AliasVerdict) -> list[str]:
    at = instant(alias.reference_s) if math.isfinite(alias.reference_s) else "the start"
    head = f"  The frames alone fit all of these speeds at {at}:"
    titles = (
        "alias order", SPEED_UNIT, "direction", "probability", "needs readout", "needs exposure",
    )  # fmt: skip
    rows = [titles, *(_candidate_cells(candidate) for candidate in alias.candidates)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(titles))]
    table = [
        "    " + "  ".join(f"{cell:>{width}}" for cell, width in zip(row, widths, strict=True))
        for row in rows
    ]
    if any(candidate.readout_s and candidate.readout_s < 0 for candidate in alias.candidates):
        table.append("    (a negative readout: the last stored row is read first)")
    return [head, *table]


def _candidate_cells(candidate: Candidate) -> tuple[str, ...]:
    return (
        signed(candidate.order),
        f"{abs(candidate.rpm):.1f}",
        "clockwise" if candidate.rpm > 0 else "counterclockwise",
        percent(candidate.probability),
        milliseconds(candidate.readout_s),
        milliseconds(candidate.exposure_s),
    )


def _unresolved_lines(alias: AliasVerdict, *, given: bool) -> Iterator[Line]:
    """Say what speaks for nothing and what would help; `given`: a camera profile was."""
    yield "why", alias.reason
    yield "odds", f"{odds(alias.odds)} for the best order against all others together"
    yield "bounds", _bounds(alias)
    # the one cue that a filmer can add without other light or another camera
    yield from (("sound", v.note) for v in alias.votes if v.cue == "sound" and v.note)
    if given:  # somebody took the trouble of one: why it did not settle the order
        yield from (("profile", v.note) for v in alias.votes if v.cue == "camera profile")
    ways = HOW_TO_RESOLVE if given else (*HOW_TO_RESOLVE, LEARN)
    yield from zip(("to resolve", *["or"] * (len(ways) - 1)), ways, strict=True)


def _bounds(alias: AliasVerdict) -> str:
    low, high = alias.bounds_rpm
    source = "as you stated" if alias.bounds_from == "user" else "assumed by default"
    unseen = told_unseen(v.note for v in alias.votes) if low > 0 else ""
    return f"{low:g} to {high:g} {SPEED_UNIT}, {source}" + (f"; {unseen}" if unseen else "")


# ----------------------------------------------------------------------------- body


def _body(result: Result) -> Iterator[Line]:
    yield "recording", _recording(result)
    if result.footage.time_scale != 1:
        scale = result.footage.time_scale
        yield "time", f"1 s of the file is {scale} s of the scene; {result.footage.time_scale_from}"
    if result.clock_ppm.value or result.settings.references:
        yield "clock", _clock(result)
    for fault in result.outcome.faults:
        yield "fault", fault
    if result.challenge is not None:
        yield "challenge", f"{result.challenge.text} shown at {instant(result.challenge.first_s)}"
    yield "top", _top(result)
    yield from _others(result)
    if result.alias.resolved:
        direction = result.direction
        seen = seen_by(mirrored=result.footage.chapters[0].mirrored)
        yield "direction", f"{direction} {seen}" if direction else "not known"
        yield "alias order", _order(result.alias)
        yield "bounds", _bounds(result.alias)
    yield "release", _event(result, result.release, result.settings.release_s)
    if result.alias.resolved and result.release is not None and result.release.speed_lacking:
        yield "", f"its speed is not told: {result.release.speed_lacking}"
    yield "topple", _event(result, result.topple, result.settings.topple_s)
    yield "spin time", _spin_time(result)
    yield from _touches(result)
    if result.alias.resolved:
        yield "last speed", _last_speed(result)
        yield "revolutions", _revolutions(result)
        if result.sound is not None:
            yield "sound", _sound(result.sound)
    if result.wobble is not None:
        yield "run-out", _run_out(result.wobble)
        yield "precession", _precession(result.wobble)
    yield "checks", _checks(result)


def _recording(result: Result) -> str:
    facts = result.footage
    sizes = [f"{chapter.width} × {chapter.height} px, " for chapter in facts.chapters]
    size = sizes[0] if sizes else ""
    chapters = f", {len(facts.chapters)} chapters" if len(facts.chapters) > 1 else ""
    return (
        f"{format_duration(facts.duration_s, 1)}, {plural(result.outcome.decoded, 'frame')}, "
        f"{size}{float(facts.frame_rate):.6g} frames/s{chapters}"
    )


def _sound(sound: SoundCurve) -> str:
    rate = "the spin rate" if sound.harmonic == 1 else f"{sound.harmonic} times the spin rate"
    return f"{sound.channel} gives the speed too, at {rate} (speed.png)"


def _run_out(wobble: Wobble) -> str:
    size, mm, angle = wobble.run_out_px, wobble.run_out_mm, wobble.angle_rad
    if not wobble.run_out_seen or angle is None:
        return f"not seen above noise (± {alone(NORMAL_95 * size.u)} px)"
    parts = [with_u95(size.value, NORMAL_95 * size.u, "px")]
    if mm is not None:
        parts.append(with_u95(mm.value, NORMAL_95 * mm.u, "mm"))
    way = "clockwise" if angle.value >= 0 else "counterclockwise"
    at, u95 = (float(degrees_from_rad(v)) for v in (abs(angle.value), NORMAL_95 * angle.u))
    off = f"{at:.0f} ± {u95:.0f} deg"
    return f"{' = '.join(parts)}, {off} {way} of the mark as seen"


def _precession(wobble: Wobble) -> str:
    if not len(wobble.time_s):
        return "not seen above noise"
    k = int(np.argmax(wobble.amplitude_px))
    size = with_u95(
        float(wobble.amplitude_px[k]), NORMAL_95 * float(wobble.u_amplitude_px[k]), "px"
    )
    seen = f"in {len(wobble.time_s)} of {wobble.windows} windows"
    rate = abs(float(wobble.precession_hz[k]))
    return f"{seen}; most {size} at {rate:.2f} turns/s, {instant(float(wobble.time_s[k]))}"


def _clock(result: Result) -> str:
    error = result.clock_ppm
    u95 = NORMAL_95 * error.u
    if not error.value:
        within = "" if error.how.startswith("rectangular") else f", within ±{u95:.0f} ppm"
        return f"not corrected{within}: {error.how}"
    way = "fast" if error.value > 0 else "slow"
    return f"runs {way} by {with_u95(abs(error.value), u95, 'ppm')}, corrected; {error.how}"


def _top(result: Result) -> str:
    survey = result.survey
    ring = survey.ring
    given = f" ({', '.join(survey.given)} stated by you)" if survey.given else ""
    return (
        f"{plural(survey.marks, 'mark')} on an ellipse of {ring.major_px:.0f} × "
        f"{ring.minor_px:.0f} px about ({ring.x_px:.0f}, {ring.y_px:.0f}){given}"
    )


def _others(result: Result) -> Iterator[Line]:
    """Say what else turns: of two the one that stands out more is measured, meant or not."""
    if result.survey.others:
        where = elsewhere(result.survey.others)
        if "centre" in result.survey.given:
            yield "", f"another thing turns {where}: {MAY_BE}"
        else:
            yield "", f"ANOTHER THING TURNS {where}: {MAY_BE}; --centre says which was meant"


def _order(alias: AliasVerdict) -> str:
    if len(alias.candidates) == 1:  # nothing was weighed against it
        only = alias.candidates[0]
        return f"{signed(only.order)} at {instant(alias.reference_s)}; {alias.reason}"
    text = f"odds {odds(alias.odds)}"
    if alias.candidates:
        text = f"{signed(alias.candidates[0].order)} at {instant(alias.reference_s)}, {text}"
    decided = [vote.cue for vote in _deciding(alias)]
    return f"{text}; decided by {', '.join(decided)}" if decided else f"{text}; {alias.reason}"


def _deciding(alias: AliasVerdict) -> list[Vote]:
    """Cues that set the best order apart from the next best, strongest first."""
    if len(alias.candidates) < 2:
        return []
    votes = [vote for vote in alias.votes if _margin(vote) >= DECIDING_LOG_ODDS]
    return sorted(votes, key=_margin, reverse=True)


def _margin(vote: Vote) -> float:
    return vote.log_odds[0] - vote.log_odds[1] if len(vote.log_odds) > 1 else 0.0


def _event(result: Result, event: Event | None, stated_s: float | None) -> str:
    if event is None or not event.seen or not math.isfinite(event.time_s):
        return f"not seen ({event.how})" if event and event.how else "not seen in the recording"
    text = instant(event.time_s, event.u95_s)
    speed = _speed_at(event) if result.alias.resolved else ""
    text += f" at {speed}" if speed else ""
    if stated_s is None and event.measured_s is None:
        return f"{text} ({event.how})" if event.how else text
    own = (
        "none found" if event.measured_s is None
        else instant(event.measured_s, event.measured_u95_s)
    )  # fmt: skip
    reason = result.settings.overrule_reason or "no reason given"
    return f"{text}, stated by you ({reason}); measured: {own}"


def _spin_time(result: Result) -> str:
    spin = result.spin_time
    if spin is not None and spin.seconds is not None:
        long = f"{format_duration(spin.seconds)} = " if spin.seconds >= 60 else ""
        between = ""
        if spin.between_u95_s:
            between = f"; {between_chapters(spin.between_s, spin.between_u95_s)}"
        return f"{long}{with_u95(spin.seconds, spin.u95_s, 's')}{between}"
    if spin is not None and spin.at_least_s is not None:
        return f"{at_least(spin.at_least_s, 's')}; an end is not seen in the recording"
    return "not known"


def _touches(result: Result) -> Iterator[Line]:
    times = [instant(touch.time_s, touch.u95_s) for touch in result.touches]
    more = f" and {len(times) - MOST_TOUCHES} more" if len(times) > MOST_TOUCHES else ""
    found = ", ".join(times[:MOST_TOUCHES]) + more
    search = result.touch_search
    if search is None:
        yield "touches", found or "not looked for: too little of the spin is seen"
        return
    first, *later = searched(search.from_s, search.to_s, search.pushes_to_s, search.gaps_s)
    if found:
        yield "touches", found
        yield "", f"looked for {first}"
    else:
        yield "touches", f"none found {first}"
    yield from (("", words) for words in later)


def _last_speed(result: Result) -> str:
    curve = result.curve
    inside = np.isfinite(curve.speed_rad_s)
    # rows beyond a stated end are those of no free spin
    if result.release is not None and result.release.seen:
        inside &= curve.time_s >= result.release.time_s
    if result.topple is not None and result.topple.seen:
        inside &= curve.time_s <= result.topple.time_s
    known = np.flatnonzero(inside)
    if known.size == 0:
        return "not known"
    speed, u95, time = (
        float(values[known[-1]])
        for values in (curve.speed_rad_s, curve.u95_total_rad_s, curve.time_s)
    )
    return f"{with_u95(rpm_from_rad_s(speed), rpm_from_rad_s(u95), SPEED_UNIT)} at {instant(time)}"


def _revolutions(result: Result) -> str:
    turned = result.revolutions
    if turned is None or turned.count is None or not math.isfinite(turned.count):
        basis = result.basis
        lacking = basis is not None and not bool(basis.counted.all())
        stated = (result.settings.release_s, result.settings.topple_s) != (None, None)
        return f"not counted: {uncounted(turns_lack=lacking, stated=stated)}"
    text = with_u95(turned.count, turned.u95)
    step = turned.largest_unexplained_step_turns
    if step is not None and math.isfinite(step):
        text += f"; largest unexplained phase step {step:.3f} turns"
    return f"{text}; unseen for {turned.unseen_s:.1f} s" if turned.unseen_s > 0 else text


def _checks(result: Result) -> str:
    return counted((_answer(check) for check in result.checks), failed="FAILED")


def _answer(check: Check) -> str:
    return answer(check.state, look=check.look)


def _told_checks(result: Result) -> list[str]:
    """Tell what failed, with all that was found, and what a person should look at, by name."""
    failed = [check for check in result.checks if check.state == "fail"]
    notes = [(check, f"; {check.note}" if check.note else "") for check in failed]
    lines = [("", f"FAILED {check.name}: {check.figure}{note}") for check, note in notes]
    asked = ", ".join(check.name for check in result.checks if _answer(check) == "look")
    return _lay_out([*lines, ("", f"look at {asked}, in the report")] if asked else lines)
