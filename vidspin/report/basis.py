"""What do the figures rest on, and what is not proven? Who wrote the file, its clock, the ends."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from vidspin.claim import e_number
from vidspin.facts import fact_text
from vidspin.report.data import ReportData
from vidspin.uncertainty import NORMAL_95
from vidspin.units import format_duration, rad_from_turns, rpm_from_rad_s
from vidspin.wording import alone, between_chapters, decimals_for, with_u95

# Tags by which a file names the camera that made it (what phones write; from memory).
CAMERA_TAGS = (
    "com.apple.quicktime.make",
    "com.apple.quicktime.model",
    "com.android.manufacturer",
    "com.android.model",
    "make",
    "model",
)
SOFTWARE_TAGS = ("encoder", "com.apple.quicktime.software", "com.android.version")
# Said wherever such facts are listed.
FACTS_WORDS = (
    "Somebody told this; the program measured none of it. A file attempt.toml counts for every "
    "recording of its folder: where several lie there, it was told of all of them."
)
# Frames without a sighting that count as unseen; the measurement uses the same limit.
LONGEST_BLINK = 4.5
# Two presses of a button by hand, each 0.1 to 0.2 s off: assumed, since a reading comes without.
HAND_U95_S = 0.5
MOST_CROSSINGS = 4


@dataclass(frozen=True, slots=True)
class EndsLine:
    """What adds to the uncertainty of the spin time."""

    source: str
    u95: str
    note: str


# ------------------------------------------------------------- what was told of the attempt


def told(data: ReportData) -> tuple[tuple[str, str], ...]:
    """List the facts that somebody told when the recording was measured: label, value."""
    facts = data.document.get("facts", {})
    return tuple(
        (key.replace(".", ": ").replace("_", " "), fact_text(value))
        for key, value in sorted(facts.items())
    )


# ------------------------------------------------------------------ who wrote the file


def camera_named(data: ReportData) -> str:
    """Return the camera that every file names, or nothing."""
    named = [
        " ".join(
            dict.fromkeys(chapter["tags"][key] for key in CAMERA_TAGS if chapter["tags"].get(key))
        )
        for chapter in data.document["recording"]["chapters"]
    ]
    return ", ".join(dict.fromkeys(named)) if named and all(named) else ""


def written_by(data: ReportData) -> str:
    """Return the program that wrote the files, as they state it, or nothing."""
    return ", ".join(dict.fromkeys(_tags(data, SOFTWARE_TAGS)))


def _tags(data: ReportData, keys: tuple[str, ...]) -> Iterator[str]:
    for chapter in data.document["recording"]["chapters"]:
        yield from (chapter["tags"][key] for key in keys if chapter["tags"].get(key))


def origin(data: ReportData) -> list[tuple[str, str, str]]:
    """List what the files state of their own making: label, value, remark."""
    made = ", ".join(dict.fromkeys(_tags(data, ("creation_time",))))
    sound = [chapter.get("sound_s", math.nan) for chapter in data.document["recording"]["chapters"]]
    if any(one is None for one in sound):
        heard = "none"
    elif any(math.isnan(one) for one in sound):
        heard = "not looked at"
    else:
        heard = f"{sum(sound):.1f} s"
    return [
        (
            "Camera named in the file",
            camera_named(data) or "none",
            "a tag, which anybody can write",
        ),
        ("Written by", written_by(data) or "not stated", "the encoder that the file names"),
        ("Creation time in the file", made or "not stated", "by the clock of what wrote it"),
        ("Sound", heard, ""),
    ]


def times_text(data: ReportData) -> str:
    """Say whose times the frames carry, as far as the file tells."""
    camera, program = camera_named(data), written_by(data)
    if camera:
        start = (
            f"Every frame carries the time at which it was taken; the file names a camera "
            f"({camera}) as its maker, which is a tag and no proof."
        )
    else:
        by = f" and was written by {program}" if program else ""
        start = (
            f"Every frame carries a time. The file names no camera{by}: whether these are the "
            "times at which a camera took the frames, it does not tell."
        )
    return (
        f"{start} The times are used as they are. How far their clock may be out is a line "
        "of its own in the uncertainty budget."
    )


# ------------------------------------------------------------------------- time scale


@dataclass(frozen=True, slots=True)
class OutsideCheck:
    """What besides the file itself bears on its time scale."""

    text: str
    agrees: bool = True


def stopwatch_checks(
    data: ReportData, stopwatches: tuple[tuple[str, float], ...]
) -> list[OutsideCheck]:
    """Hold the readings of stopwatches against the spin time, by their E_n number."""
    spin = data.document["spin_time"] or {}
    seconds, found = spin.get("seconds"), []
    for role, reading in stopwatches:
        text, agrees = f"stopwatch of {role}: {format_duration(reading, 2)}", True
        if seconds is not None:
            text += f", {reading - seconds:+.2f} s against the spin time"
            agrees = abs(e_number(reading, HAND_U95_S, seconds, spin.get("u95_s") or 0.0)) <= 1
        elif (least := spin.get("at_least_s")) is not None:
            text += f", where at least {format_duration(least, 2)} of free spin is seen"
            agrees = reading + HAND_U95_S >= least
        if not agrees:
            text += f", more than the hand ({HAND_U95_S:g} s) and the ± of both ends explain: "
            text += "it disagrees"
        found.append(OutsideCheck(text, agrees))
    return found


def outside_checks(
    data: ReportData, stopwatches: tuple[tuple[str, float], ...]
) -> list[OutsideCheck]:
    """List what besides the file itself speaks for or against its time scale."""
    found = stopwatch_checks(data, stopwatches)
    for check in data.document["checks"]:
        if check["name"] == "re-timing" and check["state"] == "pass":
            told = check["note"] or check["figure"]
            found.append(OutsideCheck(f"flicker of a lamp in the picture ({told})"))
    return found


def time_basis(data: ReportData, stopwatches: tuple[tuple[str, float], ...] = ()) -> str:
    """Say beside the headline what all times rest on."""
    clock = data.document["camera"]["clock_ppm"] or {}
    u = clock.get("u")
    allowed = ""
    if u is not None and math.isfinite(u):
        if clock_assumed(clock):
            size = f"anywhere within ±{half_width_ppm(data):g} parts in a million"
        else:
            size = f"of {_ppm(u)} parts in a million (95 %)"
        allowed = f" An error of that clock {size} is allowed for."
    found = [one.text for one in outside_checks(data, stopwatches)]
    if found:
        told = f"Outside checks of the time scale: {'; '.join(found)}."
    else:
        told = "There is no outside check of the time scale: no stopwatch and no reference."
    return f"All times rest on the file's own clock.{allowed} {told}"


def clock_assumed(clock: dict[str, Any] | None) -> bool:
    """Whether nothing was known of the clock, which was then taken as right within bounds."""
    return str((clock or {}).get("how", "")).startswith("rectangular")


def half_width_ppm(data: ReportData) -> float:
    """Half width of the clock's rectangular doubt, parts in a million."""
    return float(data.document["settings"]["clock_half_width_ppm"])


def _ppm(u: float) -> str:
    return f"{NORMAL_95 * u:.0f}"


# ------------------------------------------------------------------------- both ends


def unseen_ends(data: ReportData) -> list[tuple[float, float]]:
    """Return the stretches at both ends of the spin in which the mark was not seen, s.

    Those between release and first sighting, and between last sighting and topple, where longer
    than a few frames.
    """
    if data.sighted_s is None:
        return []
    first, last = data.sighted_s
    rate = float(Fraction(data.document["recording"]["frame_rate"]))
    found = []
    for kind, start, stop in (("release", None, first), ("topple", last, None)):
        event = data.document[kind] or {}
        at = event.get("time_s") if event.get("seen") else None
        if at is None:
            continue
        begin, end = (at, stop) if start is None else (start, at)
        if begin is not None and end is not None and end - begin > LONGEST_BLINK / rate:
            found.append((float(begin), float(end)))
    return found


def beyond_sightings(data: ReportData, kind: str) -> float:
    """Return by how much an event lies beyond the sightings, s; 0 where it does not."""
    event = data.document[kind] or {}
    at = event.get("time_s")
    for begin, end in unseen_ends(data):
        if at in (begin, end):
            return end - begin
    return 0.0


def extrapolated(data: ReportData, kind: str) -> str:
    """Say that a speed at an event was carried on, or nothing."""
    beyond = beyond_sightings(data, kind)
    if beyond <= 0 or (data.document[kind] or {}).get("rpm") is None:
        return ""
    side = "last seen" if kind == "topple" else "first seen"
    when = "before" if kind == "topple" else "after"
    return f"extrapolated: the mark was {side} {beyond:.2f} s {when}"


def why_a_limit(document: dict[str, Any]) -> str:
    """Say why the spin time has only a lower limit: an end, or a time between chapters."""
    unseen = [k for k in ("release", "topple") if not (document[k] or {}).get("seen")]
    if not unseen:
        return "the time between two files of the recording is not known"
    verb = "are" if len(unseen) > 1 else "is"
    return f"the {' and the '.join(unseen)} {verb} not seen in the recording"


def spin_time_budget(data: ReportData) -> list[EndsLine]:
    """List what adds to the uncertainty of the spin time, half widths of 95 % intervals."""
    document = data.document
    spin = document["spin_time"] or {}
    if spin.get("seconds") is None:
        return []
    lines = []
    for kind in ("release", "topple"):
        event = document[kind]
        lines.append(
            EndsLine(f"instant of the {kind}", _seconds(event["u95_s"]), event["how"] or "")
        )
    u = (document["camera"]["clock_ppm"] or {}).get("u")
    clock = None if u is None else NORMAL_95 * u * 1e-6 * spin["seconds"]
    note = "the length of the spin times the error that the clock may have"
    lines.append(EndsLine("clock", _seconds(clock), note))
    if spin.get("between_chapters_u95_s"):
        between, u95 = spin["between_chapters_s"], spin["between_chapters_u95_s"]
        note = f"{between_chapters(between, u95)}; by the spin's own speed and phase"
        lines.append(EndsLine("time between chapters", _seconds(u95), note))
    total = with_u95(spin["seconds"], spin["u95_s"], "s")
    parts = [document[kind]["u95_s"] for kind in ("release", "topple")]
    parts += [clock, spin.get("between_chapters_u95_s")]
    listed, u95 = math.hypot(*(part or 0.0 for part in parts)), spin["u95_s"] or 0.0
    same = document["release"]["overruled"] == document["topple"]["overruled"]
    less = ""
    if same and not math.isclose(listed, u95, rel_tol=1e-3):  # earlier versions took nothing off
        less = ", less what a time stamp stands for, the same at both ends"
    how = f"root of the squared sum{less}: {total}"
    return [*lines, EndsLine("together", _seconds(spin["u95_s"]), how)]


def _seconds(value: float | None) -> str:
    return "not known" if value is None else f"± {alone(value)} s"


# --------------------------------------------------------------------------- standing


def standing_still(data: ReportData) -> str:
    """Name the instants at which the mark seems to stand still, or nothing.

    There each picture shows the mark at nearly the same place, so that what the camera does to
    it does not average out over a turn.
    """
    known = np.flatnonzero(np.isfinite(data.rpm))
    if not data.resolved or known.size < 2:
        return ""
    rate = float(Fraction(data.document["recording"]["frame_rate"]))
    step = rpm_from_rad_s(rad_from_turns(rate / data.document["marks"]))
    t, rpm = data.time_s[known], data.rpm[known]
    told = []
    for number in range(1, int(rpm.max() / step) + 1):
        crossed = np.flatnonzero(np.diff(np.sign(rpm - number * step)) != 0)
        told += [
            f"{number * step:.6g} rev/min at {format_duration(float(t[k]), 1)}" for k in crossed
        ]
    if not told:
        return ""
    more = f" and {len(told) - MOST_CROSSINGS} more" if len(told) > MOST_CROSSINGS else ""
    return (
        f"At {'; '.join(told[:MOST_CROSSINGS])}{more} the mark seems to stand still from picture "
        "to picture: what the camera does to it no longer averages out, and the uncertainty grows "
        "near there."
    )


def largest_u95(data: ReportData, axis: float) -> str:
    """Say how far the uncertainty goes beyond the axis of its chart, or nothing."""
    u = data.u95_rpm[np.isfinite(data.u95_rpm)]
    if u.size == 0 or float(u.max()) <= axis:
        return ""
    largest = float(u.max())
    return f"cut; largest ± {largest:.{decimals_for(largest)}f}"


def reference_words(data: ReportData) -> str:
    """Name the frame to which the candidate speeds belong, and where it lies to the release."""
    reference = data.document["alias"]["reference_s"]
    if reference is None:
        return "the start"
    rate = float(Fraction(data.document["recording"]["frame_rate"]))
    words = f"{format_duration(reference, 3)}, about frame {round(reference * rate) + 1}"
    release: dict[str, Any] = data.document["release"] or {}
    if release.get("seen") and release.get("time_s") is not None:
        apart = reference - release["time_s"]
        words += f", {abs(apart):.3f} s {'after' if apart >= 0 else 'before'} the release"
        if apart < 0:
            words += " (the middle of the first stretch of frames that was compared)"
    return words
