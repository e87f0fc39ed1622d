"""What ``spin.json`` says.

`to_json` draws up the document; its JSON Schema lies in ``vidspin/schema/``.  Angles are
radians, times scene seconds, speeds rev/min; numbers are numbers, what is absent is null,
and NaN or infinity never appear.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from vidspin import documents
from vidspin.candidates import alias_orders, direction_told
from vidspin.challenge import read_challenge
from vidspin.documents import Document
from vidspin.records import (
    Budget,
    CameraProfile,
    Candidate,
    ChapterFacts,
    Check,
    Ellipse,
    Event,
    Quantity,
    Reference,
    Result,
    Settings,
    ShownChallenge,
    SightingFlag,
    TouchSearch,
    Wobble,
)
from vidspin.stills import stills
from vidspin.units import rpm_from_rad_s

SCHEMA = "vidspin/spin/1"
# Odds beyond this say nothing more about the world, and infinity is not a JSON number.
ODDS_CEILING = 1e12
# Share of the sightings that lie within the stated wander; the rest may be bumps.
WANDER_SHARE = 95.0


def load_schema() -> Document:
    """Return the JSON Schema (2020-12) of ``spin.json``."""
    return documents.load_schema(SCHEMA)


def to_json(result: Result, *, files: Sequence[str] = ()) -> Document:
    """Draw up the document that ``spin.json`` holds.

    Parameters
    ----------
    result : Result
        What was measured.
    files : sequence of str
        Names of the other files of the folder.

    Returns
    -------
    dict
        Plain strings, numbers, booleans, lists and dicts.  While the alias order is
        unresolved no single speed and no count of revolutions appears in it.
    """
    return with_files(drafted(result), files)


def with_files(document: Document, files: Sequence[str]) -> Document:
    """Give what `drafted` gave the names of the other files; stills that are none are left out."""
    stills = [still for still in document["stills"] if still["file"] in files]
    return {**document, "stills": stills, "files": [str(name) for name in files]}


def drafted(result: Result) -> Document:
    """Draw up the document before the other files are known: every still is listed, no file."""
    return {
        "schema": SCHEMA,
        "vidspin_version": result.vidspin_version,
        "created": result.created,
        "recording": _recording(result),
        "top": _top(result),
        "marks": int(result.survey.marks),
        "direction": direction_told(result),
        "alias": _alias(result),
        "camera": _camera(result),
        "release": _event(result, result.release, result.settings.release_s),
        "topple": _event(result, result.topple, result.settings.topple_s),
        "touches": [_event(result, touch, None) for touch in result.touches],
        "touch_search": _touch_search(result.touch_search),
        "spin_time": _spin_time(result),
        "revolutions": _revolutions(result),
        "sound": _sound(result),
        "wobble": _wobble(result.wobble),
        "checks": [_check(check) for check in result.checks],
        "budget": [line for budget in result.curve.budgets for line in _budget_lines(budget)],
        "budget_totals": [_budget_total(result, budget) for budget in result.curve.budgets],
        "challenge": _challenge(result.challenge),
        "settings": _settings(result.settings),
        "stills": [
            {"file": still.file, "kind": still.kind, "time_s": float(still.time_s)}
            for still in stills(result)
        ],
        "facts": dict(sorted(result.facts.items())),
        "files": [],
    }


def _number(value: float | None) -> float | None:
    """Give a plain float, or None for what is absent, NaN or infinite."""
    return None if value is None or not math.isfinite(value) else float(value)


def _ratio(value: Fraction | None) -> str | None:
    return None if value is None else f"{value.numerator}/{value.denominator}"


def _pair(values: tuple[float, float] | None) -> list[float] | None:
    return None if values is None else [float(value) for value in values]


def _rpm(rad_s: float | None) -> float | None:
    return None if rad_s is None else _number(rpm_from_rad_s(rad_s))


def _quantity(quantity: Quantity | None) -> Document | None:
    if quantity is None or _number(quantity.value) is None:
        return None
    return {"value": float(quantity.value), "u": _number(quantity.u), "how": quantity.how}


def _recording(result: Result) -> Document:
    facts, outcome = result.footage, result.outcome
    tagged = [chapter.capture_rate for chapter in facts.chapters if chapter.capture_rate]
    return {
        "name": facts.name,
        "chapters": [_chapter(chapter) for chapter in facts.chapters],
        "frames": int(outcome.decoded),
        "suspect_frames": int(outcome.suspect),
        "faults": list(outcome.faults),
        "duration_s": _number(facts.duration_s),
        "frame_rate": _ratio(facts.frame_rate),
        "capture_rate": _ratio(tagged[0] if tagged else None),
        "time_scale": float(facts.time_scale),
        "time_scale_exact": _ratio(facts.time_scale),
        "time_scale_from": facts.time_scale_from,
        "findings": [_check(check) for check in facts.findings],
    }


def _chapter(chapter: ChapterFacts) -> Document:
    return {
        "name": chapter.name,
        "bytes": int(chapter.bytes),
        "sha256": chapter.sha256,
        "container": chapter.container,
        "codec": chapter.codec,
        "width": int(chapter.width),
        "height": int(chapter.height),
        "rotation": int(chapter.rotation_deg),
        "mirrored": bool(chapter.mirrored),
        "sample_aspect": _ratio(chapter.sample_aspect),
        "bit_depth": int(chapter.bit_depth),
        "full_range": chapter.full_range,
        "timebase": _ratio(chapter.time_base),
        "frames": int(chapter.frames_listed),
        "frame_rate": _ratio(chapter.frame_rate),
        "first_tick": int(chapter.first_tick),
        "duration_file_s": _number(chapter.duration_file_s),
        "capture_rate": _ratio(chapter.capture_rate),
        "edit_list": chapter.edit_list,
        "tags": {str(key): str(value) for key, value in sorted(chapter.tags.items())},
        "sound_s": _number(chapter.sound_s),
    }


def _top(result: Result) -> Document:
    survey = result.survey
    others = [_path(one) for one in survey.others]
    return {
        **_path(survey.ring),
        "wander_px": _wander_px(result),
        "ring": [float(survey.inner), float(survey.outer)],
        "bright_mark": bool(survey.bright),
        "confidence": _number(survey.confidence),
        "given": list(survey.given),
        **({"others": others} if others else {}),
    }


def _path(ring: Ellipse) -> Document:
    return {
        "centre_px": [float(ring.x_px), float(ring.y_px)],
        "semi_axes_px": [float(ring.major_px), float(ring.minor_px)],
        "tilt_rad": float(ring.tilt_rad),
    }


def _wander_px(result: Result) -> float | None:
    """Distance from its median place within which the top's centre mostly stays."""
    sightings = result.sightings
    unusable = SightingFlag.OCCLUDED | SightingFlag.MOVED | SightingFlag.DARK
    use = np.isfinite(sightings.x_px) & np.isfinite(sightings.y_px)
    use &= (sightings.flags & int(unusable)) == 0
    if not use.any():
        return None
    x, y = sightings.x_px[use], sightings.y_px[use]
    distance = np.hypot(x - np.median(x), y - np.median(y))
    return float(np.percentile(distance, WANDER_SHARE))


def _alias(result: Result) -> Document:
    alias = result.alias
    return {
        "resolved": bool(alias.resolved),
        "bounds_rpm": _pair(alias.bounds_rpm),
        "bounds_from": alias.bounds_from,
        "order_at_release": _order_at_release(result) if alias.resolved else None,
        "odds": _odds(alias.odds),
        "odds_needed": float(result.settings.odds_needed),
        "reference_s": _number(alias.reference_s),
        "reason": alias.reason,
        "candidates": [_candidate(candidate) for candidate in alias.candidates],
        "cues": [
            {
                "name": vote.cue,
                "says": vote.says,
                "log_odds": [_number(value) for value in vote.log_odds],
                "note": vote.note,
            }
            for vote in alias.votes
        ],
    }


def _odds(odds: float) -> float | None:
    return None if math.isnan(odds) else float(min(max(odds, 0.0), ODDS_CEILING))


def _candidate(candidate: Candidate) -> Document:
    p = candidate.probability
    return {
        "order": int(candidate.order),
        "rpm": float(candidate.rpm),
        "direction": "clockwise" if candidate.rpm > 0 else "counterclockwise",
        "odds": _odds(p / (1.0 - p) if p < 1.0 else ODDS_CEILING),
        "probability": _number(p),
        "readout_s": _number(candidate.readout_s),
        "exposure_s": _number(candidate.exposure_s),
    }


def _order_at_release(result: Result) -> int | None:
    """Order at the release, or at the first known speed where that is out of the recording."""
    speeds = result.curve.speed_rad_s[np.isfinite(result.curve.speed_rad_s)][:1]
    release = result.release.speed_rad_s if result.release else None
    if release is not None and math.isfinite(release):
        speeds = np.array([release])
    return int(alias_orders(result, speeds)[0]) if speeds.size else None


def _camera(result: Result) -> Document:
    shutter = result.shutter
    terms = zip(shutter.geometry, shutter.u_geometry, strict=True)
    return {
        "readout_s": _quantity(shutter.readout_s),
        "exposure_s": _quantity(shutter.exposure_s),
        "clock_ppm": _quantity(result.clock_ppm),
        "centre_row_offset_s": _quantity(shutter.centre_row_offset_s),
        "geometry": [
            {
                "harmonic": index,
                "cos_rad": _number(term[0]),
                "sin_rad": _number(term[1]),
                "u_cos_rad": _number(u[0]),
                "u_sin_rad": _number(u[1]),
            }
            for index, (term, u) in enumerate(terms, start=1)
        ],
    }


def _event(result: Result, event: Event | None, stated_s: float | None) -> Document | None:
    if event is None:
        return None
    known = result.alias.resolved
    overruled = stated_s is not None or event.measured_s is not None
    own_s, own_u95_s = (event.time_s, event.u95_s) if event.seen else (None, None)
    if overruled:
        own_s, own_u95_s = event.measured_s, event.measured_u95_s
    return {
        "seen": bool(event.seen),
        "time_s": _number(event.time_s),
        "u95_s": _number(event.u95_s) if event.seen else None,
        "rpm": _rpm(event.speed_rad_s) if known else None,
        "u95_rpm": _rpm(event.u95_rad_s) if known else None,
        "speed_lacking": event.speed_lacking or None if known else None,
        "how": event.how,
        "overruled": overruled,
        "measured_s": _number(own_s),
        "measured_u95_s": _number(own_u95_s),
        "reason": (result.settings.overrule_reason or None) if overruled else None,
    }


def _touch_search(search: TouchSearch | None) -> Document | None:
    if search is None:
        return None
    return {
        "from_s": float(search.from_s),
        "to_s": float(search.to_s),
        "pushes_to_s": _number(search.pushes_to_s),
        "gaps_s": [_pair(gap) for gap in search.gaps_s],
    }


def _spin_time(result: Result) -> Document | None:
    if result.spin_time is None:
        return None
    return {
        "seconds": _number(result.spin_time.seconds),
        "u95_s": _number(result.spin_time.u95_s),
        "at_least_s": _number(result.spin_time.at_least_s),
        "between_chapters_s": _number(result.spin_time.between_s),
        "between_chapters_u95_s": _number(result.spin_time.between_u95_s),
        "chapter_gaps": [
            {"time_s": float(g.time_s), "seconds": _number(g.seconds), "u95_s": float(g.u95_s)}
            for g in result.spin_time.gaps
        ],
    }


def _revolutions(result: Result) -> Document | None:
    turned = result.revolutions
    if turned is None:
        return None
    known = result.alias.resolved
    return {
        "count": _number(turned.count) if known else None,
        "u95": _number(turned.u95) if known else None,
        "largest_unexplained_step_turns": _number(turned.largest_unexplained_step_turns),
        "unseen_s": _number(turned.unseen_s),
    }


def _sound(result: Result) -> Document | None:
    heard = result.sound
    if heard is None or not result.alias.resolved:
        return None
    return {
        "channel": heard.channel,
        "harmonic": int(heard.harmonic),
        "time_s": [float(t) for t in heard.time_s],
        "rpm": [float(v) for v in rpm_from_rad_s(heard.speed_rad_s)],
        "u_rpm": [float(v) for v in rpm_from_rad_s(heard.u_speed_rad_s)],
    }


def _wobble(wobble: Wobble | None) -> Document | None:
    if wobble is None:
        return None
    return {
        "run_out_seen": bool(wobble.run_out_seen),
        "run_out_px": _quantity(wobble.run_out_px),
        "run_out_mm": _quantity(wobble.run_out_mm),
        "angle_from_mark_rad": _quantity(wobble.angle_rad),
        "precession": {
            "windows": int(wobble.windows),
            "time_s": [float(v) for v in wobble.time_s],
            "rate_hz": [float(v) for v in wobble.precession_hz],
            "amplitude_px": [float(v) for v in wobble.amplitude_px],
            "u_amplitude_px": [float(v) for v in wobble.u_amplitude_px],
        },
    }


def _check(check: Check) -> Document:
    return {
        "name": check.name,
        "state": check.state,
        "figure": check.figure,
        "note": check.note,
        "kind": check.kind,
        "threshold": check.threshold,
        "why": check.why,
        "look": bool(check.look),
        "at_s": [float(at) for at in check.at_s],
    }


def _budget_lines(budget: Budget) -> list[Document]:
    return [
        {
            "at": budget.at,
            "source": component.name,
            "type": component.type,
            "u_rpm": _rpm(component.u),
            "dof": _number(component.dof),
            "note": component.note,
        }
        for component in budget.components
    ]


def _budget_total(result: Result, budget: Budget) -> Document:
    return {
        "at": budget.at,
        "time_s": _number(budget.time_s),
        "rpm": _rpm(budget.speed_rad_s) if result.alias.resolved else None,
        "u_rpm": _rpm(budget.u),
        "dof": _number(budget.dof),
        "k": _number(budget.k),
        "u95_rpm": _rpm(budget.k * budget.u),
    }


def settings_json(settings: Settings) -> Document:
    """Say what the user stated, as ``spin.json`` holds it."""
    return _settings(settings)


def _challenge(shown: ShownChallenge | None) -> Document | None:
    challenge = None if shown is None else read_challenge(shown.text)
    if shown is None or challenge is None:
        return None
    return {
        "text": challenge.text,
        "words": list(challenge.words),
        "made": challenge.made,
        "first_s": float(shown.first_s),
        "last_s": float(shown.last_s),
        "sightings": int(shown.sightings),
        "others": list(shown.others),
    }


def _settings(settings: Settings) -> Document:
    return {
        "centre_px": _pair(settings.centre_px),
        "radii_px": _pair(settings.radii_px),
        "tilt_rad": _number(settings.tilt_rad),
        "marks": settings.marks,
        "bounds_rpm": _pair(settings.bounds_rpm),
        "captured_at": _ratio(settings.captured_at),
        "release_s": _number(settings.release_s),
        "topple_s": _number(settings.topple_s),
        "overrule_reason": settings.overrule_reason,
        "every_s": float(settings.every_s),
        "clock_half_width_ppm": float(settings.clock_half_width_ppm),
        "odds_needed": float(settings.odds_needed),
        "references": [_reference(one) for one in settings.references],
        "camera": _profile(settings.camera),
        "diameter_mm": _number(settings.diameter_mm),
    }


def _profile(profile: CameraProfile | None) -> Document | None:
    if profile is None:
        return None
    return {
        "name": profile.name,
        "width": int(profile.width),
        "height": int(profile.height),
        "frame_rate": _ratio(profile.frame_rate),
        "readout_s": _quantity(profile.readout_s),
        "exposure_s": _quantity(profile.exposure_s),
        "exposure_fixed": bool(profile.exposure_fixed),
        "clock_ppm": _quantity(profile.clock_ppm),
    }


def _reference(reference: Reference) -> Document:
    return {
        "recorded_s": float(reference.recorded_s),
        "u_recorded_s": float(reference.u_recorded_s),
        "true_s": float(reference.true_s),
        "u_true_s": float(reference.u_true_s),
        "typed": reference.typed,
    }
