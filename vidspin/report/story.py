"""What was found, in plain words? Headline, figures, events and facts, for page and paper alike.

Every number is taken from the one result and only written out here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from vidspin.report import basis
from vidspin.report.data import ReportData, StillPicture
from vidspin.units import format_duration
from vidspin.wording import (
    alone,
    answer,
    at_least,
    counted,
    cut,
    decimals_for,
    instant,
    plural,
    searched,
    seen_by,
    with_u95,
)

SPEED_UNIT = "rev/min"
# Decimals of a lower limit in seconds, which has no uncertainty of its own.
LIMIT_DECIMALS = 2
_MINUTE_S, _HOUR_S = 60, 3600

EVENT_TITLES = {
    "release": "Release: the last finger leaves the top",
    "topple": "Topple: something other than the tip touches",
    "touch": "Touch: something reaches the top while it spins",
}


# What was found is not what the words mean: said wherever an instant was found, not stated.
STANDS_FOR = {
    "release": (
        "This instant is inferred from the mark's motion: from here on it moves as on a free top. "
        "The fingers themselves are not looked for; the stills may show a hand near the stem for "
        "longer, and those at a greater distance show it going away."
    ),
    "topple": (
        "This instant stands in for the first contact: it is when the tip was seen to leave its "
        "place, or the top to lean over. That something touched earlier is not ruled out; look at "
        "the stills."
    ),
}
# What a spin time is counted from and to, where nobody stated an instant.
COUNTED_AT = {
    "release": (
        "the instant from which the mark moves as on a free top (it stands in for the last "
        "finger’s leaving: fingers are not looked for)"
    ),
    "topple": (
        "the instant at which the tip was seen to leave its place, or the top to lean over (it "
        "stands in for the first touch of anything but the tip)"
    ),
}
PROVEN = "Proven / not proven in this dossier"
_TOUCH_WORDS = (
    "A touch is a sudden change of the speed; what comes near the top without changing its speed "
    "is a matter of the check “hands”."
)

RING_WORDS = (
    "The ring on which the mark runs, unrolled: each column is one picture, the height is the "
    "angle. The mark draws slanting lines; what stands still draws level ones. Circles show where "
    "the measured speed says that the mark must have been seen. Where they lie on the traces of "
    "the mark, the measurement follows the film."
)


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure with its label and a word of explanation."""

    label: str
    value: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Happening:
    """An event with everything that is shown of it."""

    key: str  # "release", "touch-2": also the kind of its stills
    kind: str
    title: str
    seen: bool
    time_s: float | None
    when: str
    speed: str
    how: str
    remarks: tuple[str, ...]
    stills: tuple[StillPicture, ...] = ()
    strip: str = ""  # name of the drawn strip where the folder has no stills
    u95_s: float | None = None


@dataclass(frozen=True, slots=True)
class Claim:
    """What somebody asserts, and what the result says to it."""

    claim: str  # "the top spun for 0:04:40 or longer"
    verdict: str  # "supported", "not supported" or "undecided"
    reasons: tuple[str, ...] = ()
    rule: str = ""
    probability: str = ""


@dataclass(frozen=True, slots=True)
class Proof:
    """One thing that a dossier may prove, whether it does, and what that rests on."""

    what: str
    state: str  # "given", "not given", "to be checked" or "disagrees"
    words: str


@dataclass(frozen=True, slots=True)
class Occasion:
    """What is known of an attempt beside the recording; everything may be absent.

    Attributes
    ----------
    facts : tuple of (str, str)
        What the operator wrote down: place, top, base, rules.
    claims : tuple of Claim
        Claims and the verdicts on them.
    filmed_after, sealed_before : str
        Bounds in time and what they rest on, one sentence each.
    recording : str
        Whether the recording comes with the report.
    proofs : tuple of Proof
        What the dossier proves and what it does not.
    stopwatches : tuple of (str, float)
        Who read a stopwatch, and the reading, s.
    checker_sha256 : str
        SHA-256 of the script that checks the dossier.
    remeasure : str
        The command that measures again and compares, where the report belongs to a dossier.
    """

    facts: tuple[tuple[str, str], ...] = ()
    claims: tuple[Claim, ...] = ()
    filmed_after: str = ""
    sealed_before: str = ""
    recording: str = ""
    remarks: tuple[str, ...] = field(default=())
    proofs: tuple[Proof, ...] = ()
    stopwatches: tuple[tuple[str, float], ...] = ()
    checker_sha256: str = ""
    remeasure: str = ""


# --------------------------------------------------------------------------- wording


def at(time_s: float, decimals: int = 1) -> str:
    """Write an instant as h:mm:ss with the decimals asked for."""
    return format_duration(time_s, decimals)


def spoken(seconds: float, u95_s: float | None = None) -> str:
    """Write a duration as people say it: ``4 min 44.65 s ± 0.08 s``; without u95, cut."""
    decimals = min(decimals_for(u95_s), 3) if u95_s is not None else LIMIT_DECIMALS
    # a lower limit is cut, never rounded up
    whole = cut(seconds, decimals) if u95_s is None else round(seconds, decimals)
    hours, rest = divmod(whole, _HOUR_S)
    minutes, rest = divmod(rest, _MINUTE_S)
    parts = [f"{int(hours)} h"] if hours else []
    parts += [f"{int(minutes)} min"] if minutes or hours else []
    text = " ".join([*parts, f"{rest:.{decimals}f} s"])
    return f"{text} ± {u95_s:.{decimals}f} s" if u95_s is not None else text


def speed_text(rpm: float | None, u95_rpm: float | None) -> str:
    """Write a speed with its uncertainty, or nothing."""
    return "" if rpm is None else with_u95(rpm, u95_rpm, SPEED_UNIT)


def big_number(count: int) -> str:
    """Write a whole number in groups of three."""
    return f"{count:_}".replace("_", "\u202f")


# -------------------------------------------------------------------------- headline


def headline(data: ReportData) -> str:
    """Say in one sentence what was found."""
    spin = data.document["spin_time"] or {}
    if spin.get("seconds") is not None:
        said = f"The top spun for {spoken(spin['seconds'], spin['u95_s'])}."
    elif spin.get("at_least_s") is not None:
        said = f"The top spun for at least {spoken(spin['at_least_s'])}."
    else:
        said = "How long the top spun is not seen in the recording."
    if not data.resolved:
        return f"{said} How fast, the pictures alone do not tell."
    return said


def summary(data: ReportData) -> list[str]:
    """Say in a few sentences what stands behind the headline."""
    return [*_about_time(data), *_about_speed(data), _about_checks(data)]


def _about_time(data: ReportData) -> Iterator[str]:
    spin = data.document["spin_time"] or {}
    if spin.get("seconds") is not None:
        release, topple = (_counted_at(data, kind) for kind in ("release", "topple"))
        yield (
            f"Spin time is counted here from {release} to {topple}. Both are in the recording; how "
            "each instant was found is told under “What happened when”."
        )
    elif spin.get("at_least_s") is not None:
        why = basis.why_a_limit(data.document)
        yield f"{why[0].upper()}{why[1:]}: this is a lower limit, not the spin time."


def _counted_at(data: ReportData, kind: str) -> str:
    """Say what was taken for an end of the spin."""
    if (data.document[kind] or {}).get("overruled"):
        return f"the {kind} as a person stated it"
    return COUNTED_AT[kind]


def _about_speed(data: ReportData) -> Iterator[str]:
    document = data.document
    if not data.resolved:
        count = len(document["alias"]["candidates"])
        yield (
            f"{count} different speeds would have given the same pictures, and nothing in the "
            "recording tells them apart well enough. All of them are listed below; none is claimed."
        )
        return
    release = document["release"] or {}
    said = []
    if release.get("rpm") is not None:
        told = speed_text(release["rpm"], release["u95_rpm"])
        turn = f", {document['direction']}" if document["direction"] else ""
        said.append(f"It was released at {told}{turn}.")
    turned = document["revolutions"] or {}
    if turned.get("count") is not None:
        between = "between release and topple"
        if not all((document[kind] or {}).get("seen") for kind in ("release", "topple")):
            between = "in the part of the spin in which the mark was followed"
        said.append(f"It turned {with_u95(turned['count'], turned['u95'])} times {between}.")
    if said:
        yield " ".join(said)


def _about_checks(data: ReportData) -> str:
    return f"Checks of the recording: {check_counts(data)}."


def check_counts(data: ReportData) -> str:
    """Count the answers of the checks in words."""
    checks = data.document["checks"]
    return counted(answer(check["state"], look=bool(check.get("look"))) for check in checks)


def key_figures(data: ReportData) -> list[Figure]:
    """Return the few figures that the first page shows large."""
    document = data.document
    return [
        _spin_time(document),
        *_speeds(data),
        _turning(document),
        Figure("Checks of the recording", check_counts(data)),
    ]


def _spin_time(document: dict[str, Any]) -> Figure:
    spin = document["spin_time"] or {}
    if spin.get("seconds") is not None:
        return Figure(
            "Spin time",
            with_u95(spin["seconds"], spin["u95_s"], "s"),
            f"{format_duration(spin['seconds'], 1)} (h:mm:ss)",
        )
    if spin.get("at_least_s") is not None:
        return Figure(
            "Spin time",
            at_least(spin["at_least_s"], "s", LIMIT_DECIMALS),
            basis.why_a_limit(document),
        )
    return Figure("Spin time", "not known")


def _speeds(data: ReportData) -> Iterator[Figure]:
    document = data.document
    if not data.resolved:
        count = len(document["alias"]["candidates"])
        yield Figure("Speed", "not determined", f"{count} candidate speeds, listed below")
        return
    for kind in ("release", "topple"):
        event = document[kind] or {}
        if event.get("seen") and event.get("rpm") is not None:
            speed = speed_text(event["rpm"], event["u95_rpm"])
            yield Figure(f"Speed at {kind}", speed, basis.extrapolated(data, kind))
        elif kind == "release" and event.get("speed_lacking"):
            yield Figure(f"Speed at {kind}", "not told", event["speed_lacking"])
    turned = document["revolutions"] or {}
    if turned.get("count") is not None:
        yield Figure("Turns", with_u95(turned["count"], turned["u95"]))
    else:
        yield Figure("Turns", "not counted", "their number is in doubt, see the checks")


def _turning(document: dict[str, Any]) -> Figure:
    direction, chapter = document["direction"], document["recording"]["chapters"][0]
    if direction is None:
        return Figure("Direction", "not determined")
    return Figure("Direction", direction, seen_by(mirrored=chapter["mirrored"]))


def warnings(data: ReportData) -> list[str]:
    """List what a reader must not overlook."""
    document = data.document
    found = [
        f"Check failed: {check['name']} ({check['figure']})."
        for check in document["checks"]
        if check["state"] == "fail"
    ]
    if not data.resolved:
        found.insert(0, "The speed is unresolved: no single speed may be quoted from this report.")
    found += [f"Reading the file: {fault}." for fault in document["recording"]["faults"]]
    for kind in ("release", "topple"):
        event = document[kind] or {}
        if event.get("overruled"):
            found.append(f"The {kind} was stated by a person, not found by the program.")
    return found


# ---------------------------------------------------------------------------- events


def happenings(data: ReportData) -> list[Happening]:
    """List release, touches and topple with all that is known of each."""
    document = data.document
    found = [_happening(data, "release", "release", document["release"])]
    for number, touch in enumerate(document["touches"], start=1):
        key = "touch" if number == 1 else f"touch-{number}"
        found.append(_happening(data, key, "touch", touch))
    return [*found, _happening(data, "topple", "topple", document["topple"])]


def touches(data: ReportData) -> str:
    """Say how many touches were found, and where in the spin one would have been."""
    document = data.document
    count = len(document["touches"])
    found = f"Touches: {count or 'none'} found."
    if "touch_search" not in document:
        return f"{found} The result does not say from when to when they were looked for."
    search = document["touch_search"]
    if search is None:
        return "Touches: not looked for, since too little of the spin is seen."
    words = "; ".join(
        searched(search["from_s"], search["to_s"], search["pushes_to_s"], search["gaps_s"])
    )
    return f"{found} They were looked for {words}.{_not_looked(document, search)} {_TOUCH_WORDS}"


def _not_looked(document: dict[str, Any], search: dict[str, Any]) -> str:
    """Name the stretches at the ends of the spin in which nothing was looked for."""
    release, topple = (document[kind] or {} for kind in ("release", "topple"))
    stop_s = search["to_s"] if search["pushes_to_s"] is None else search["pushes_to_s"]
    lost = []
    if release.get("seen") and search["from_s"] > release["time_s"]:
        lost.append(f"the first {search['from_s'] - release['time_s']:.1f} s after the release")
    if topple.get("seen") and topple["time_s"] > stop_s:
        lost.append(f"the last {topple['time_s'] - stop_s:.1f} s before the topple")
    if not lost:
        return ""
    return f" In {' and '.join(lost)} nothing tells of one: look at the pictures."


def _happening(data: ReportData, key: str, kind: str, event: dict[str, Any] | None) -> Happening:
    title = EVENT_TITLES[kind]
    if event is None or not event["seen"] or event["time_s"] is None:
        why = "" if event is None else event["how"]
        return Happening(key, kind, title, False, None, "not seen in the recording", "", why, ())
    stills = data.of_kind(key)
    strip = f"{key}.png"
    return Happening(
        key=key,
        kind=kind,
        title=title,
        seen=True,
        time_s=float(event["time_s"]),
        when=instant(event["time_s"], event["u95_s"]),
        speed=speed_text(event["rpm"], event["u95_rpm"]),
        how=event["how"] or "",
        remarks=tuple(_remarks(data, kind, event)),
        stills=stills,
        strip=strip if not stills and strip in data.pictures else "",
        u95_s=event["u95_s"],
    )


def _remarks(data: ReportData, kind: str, event: dict[str, Any]) -> Iterator[str]:
    if kind in STANDS_FOR and not event["overruled"]:
        yield STANDS_FOR[kind]
    carried = basis.extrapolated(data, kind) if kind in ("release", "topple") else ""
    if carried:
        yield f"Its speed is {carried}."
    if event.get("speed_lacking"):
        yield f"No speed is told at this instant: {event['speed_lacking']}."
    if event["overruled"]:
        own = event["measured_s"]
        own_u95 = event.get("measured_u95_s")
        found = "found none" if own is None else f"found {at(own, 3)}"
        found += f" ± {own_u95:.3f} s" if own is not None and own_u95 is not None else ""
        reason = event["reason"] or "no reason given"
        yield (
            f"Stated by a person ({reason}); the program {found}. A person tells an instant from "
            "pictures: its ± reaches to the frame before or after, over frames that are missing "
            "there, and holds what a time stamp stands for. Nothing measured it."
        )
    for one in data.document.get("reviews", []):
        if one["event"] == kind:
            yield _reviewed(one)


def _reviewed(one: dict[str, Any]) -> str:
    """Tell one decision of the review page."""
    reason = f": {one['reason']}" if one["reason"] else ""
    if one["action"] == "confirmed":
        return f"Confirmed by a person, who looked at the frames, on {one['at']}{reason}."
    was, now = (
        "not seen in the recording" if t is None else at(t, 3) for t in (one["from_s"], one["to_s"])
    )
    return f"Overruled by a person on {one['at']}, from {was} to {now}{reason}."


# ----------------------------------------------------------------------------- facts


def recording_facts(data: ReportData) -> list[Figure]:
    """Describe the recording and the top in it."""
    document = data.document
    recording = document["recording"]
    rate = Fraction(recording["frame_rate"])
    shown = f"{float(rate):.6g} frames a second"
    if rate.denominator != 1:
        shown += f" (exactly {rate})"
    found = [
        Figure("Length", format_duration(recording["duration_s"] or 0.0, 1), "h:mm:ss"),
        Figure("Frames", big_number(recording["frames"]), shown),
    ]
    if recording["time_scale"] != 1:
        scale = recording["time_scale_exact"]
        found.append(Figure("Slow motion", f"1 s of the file is {scale} s of the scene"))
    found.append(Figure("Time scale", recording["time_scale_from"]))
    found += [_chapter(chapter) for chapter in recording["chapters"]]
    found += [Figure(*fact) for fact in basis.origin(data)]
    tone = "bright" if document["top"]["bright_mark"] else "dark"
    marks = plural(document["marks"], f"{tone} mark")
    given = document["top"]["given"]
    found.append(Figure("Top", marks, f"stated by a person: {', '.join(given)}" if given else ""))
    half_width_ppm = basis.half_width_ppm(data)
    found += _camera(document["camera"], half_width_ppm, resolved=data.resolved)
    return found


def _chapter(chapter: dict[str, Any]) -> Figure:
    size = f"{big_number(chapter['bytes'])} bytes, {chapter['width']} × {chapter['height']} px"
    return Figure("File", chapter["name"], f"{size}, {chapter['codec']} in {chapter['container']}")


def _camera(camera: dict[str, Any], half_width_ppm: float, *, resolved: bool) -> Iterator[Figure]:
    if not resolved:  # the readout that goes with one of several speeds is no fact of the camera
        note = "what each candidate speed needs is listed with the candidates"
        yield Figure("Camera: readout, exposure", "not determined", note)
    for key, label, unit, factor in (
        ("readout_s", "Camera: readout", "ms", 1000.0),
        ("exposure_s", "Camera: exposure", "ms", 1000.0),
        ("clock_ppm", "Camera: clock error", "parts in a million", 1.0),
    ):
        found = camera[key] if resolved or key == "clock_ppm" else None
        if found is not None and key == "clock_ppm" and basis.clock_assumed(found):
            half = f"{half_width_ppm:g}"
            yield Figure(label, f"not measured; taken as 0 ± {half} {unit}", found["how"])
        elif found is not None and found["u"] is not None and math.isfinite(found["u"]):
            u = found["u"] * factor
            value = f"{found['value'] * factor:.{decimals_for(u)}f}"
            yield Figure(
                label, f"{value} {unit}, standard uncertainty {alone(u)}", found["how"] or ""
            )
