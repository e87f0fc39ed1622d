"""The report on paper: one PDF file that is PDF/A-3a and PDF/UA-1, with the data attached.

The text is laid out by typst in its strict mode, which refuses what the standards forbid instead
of leaving it out.  Fonts are the ones that typst brings along, the time is that of the result, so
that the same input gives the same bytes.
"""

from __future__ import annotations

import dataclasses
import json
import re
import tempfile
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any

import typst

from vidspin.errors import UsageError
from vidspin.report import around, basis, evidence, story, trust
from vidspin.report.data import ReportData, StillPicture
from vidspin.report.drawing import curve_svg, describe
from vidspin.report.story import Claim, Figure, Happening, Occasion
from vidspin.report.text import breakable, code_points, plain

STANDARDS: list[typst.PDFStandard] = ["a-3a", "ua-1"]
FONTS = ("Libertinus Serif", "New Computer Modern", "DejaVu Sans Mono")
ROLES = ("operator", "first witness", "second witness")

# What typst says of a character that no font has.
_UNSHOWN = re.compile(r'the text `"(.+)"` could not be displayed')
_MOST_TRIALS = 12

_MIME = {
    ".json": "application/json",
    ".csv": "text/csv",
    ".txt": "text/plain",
    ".html": "text/html",
    ".toml": "application/toml",
}
_OTHER_MIME = "application/octet-stream"
# As wide as the text: the words on them would be too small otherwise (`figures.paper`).
_PICTURES = (
    ("spinchart.png", "The ring against time, with the fitted angle over short stretches"),
    ("survey.png", "What was found in the picture: the path of the mark and the spin axis"),
)
# Names of files, and hashes, which are copied as they are.
_KEPT = frozenset({"file", "curve", "sha256", "copied"})
# A hash or the fingerprint of a key: both fit on a line of their own.
_DIGITS = re.compile(r"[0-9a-f]{64}|SHA256:[A-Za-z0-9+/]{43}")
_GLOSSARY = (
    ("Release", "the instant the last finger leaves the top"),
    (
        "Topple",
        "the first instant anything but the tip touches; what is found is when the tip leaves its "
        "place",
    ),
    ("Spin time", "topple minus release"),
    ("Spin speed", "how often the mark passes a fixed direction of the picture, in turns a minute"),
    ("Candidate", "a speed that would have given the same pictures"),
    ("Alias order", "whole mark spacings a picture that the pictures do not show"),
    ("Readout", "the time from the first to the last row of a picture: phones read row by row"),
    ("±", "the 95 % interval: of a hundred such intervals about 95 hold the true value"),
    ("Fingerprint", "a number worked out from all bytes of a file: change one, and it differs"),
    ("Mark spacing", "a whole turn where there is one mark, half a turn where there are two"),
)


def pdf_report(  # noqa: PLR0913 - what a dossier knows, each by keyword
    data: ReportData,
    *,
    attachments: Mapping[str, bytes] | None = None,
    short_hash: str = "",
    key_fingerprints: Sequence[tuple[str, str]] = (),
    occasion: Occasion | None = None,
    hash_label: str = "dossier",
) -> bytes:
    """Set the report on paper.

    Parameters
    ----------
    data : ReportData
        What `gather` read from a result folder.
    attachments : mapping of str to bytes
        Files to put into the document, byte for byte: ``spin.json``, ``speed.csv``, manifest.
    short_hash : str
        First digits of the hash that seals the dossier, printed on every page.
    key_fingerprints : sequence of (str, str)
        Role and fingerprint of everybody who will sign, an empty fingerprint for a blank; the
        operator and two witnesses with blanks when there are none.
    occasion : Occasion, optional
        What is known beside the recording.
    hash_label : str
        Word before the short hash.

    Returns
    -------
    bytes
        A PDF file.

    Raises
    ------
    UsageError
        The result does not say when it was made.
    typst.TypstError
        The text could not be set; a bug, as everything that files bring is only data.

    Notes
    -----
    A character that none of the fonts brought along has is looked for in the fonts of the
    system (then the bytes depend on them), and when they lack it too it is written as its code
    point; the exact text is in the attached ``spin.json``.
    """
    occasion = occasion or Occasion()
    attachments = attachments or {}
    told = _told(data, occasion)
    told |= {
        "hash": plain(short_hash),
        "hash_label": plain(hash_label),
        "witnesses": _witnesses(data, key_fingerprints),
        "attached": [plain(name) for name in sorted(attachments)],
        "where": ", attached to this document" if "spin.json" in attachments else "",
    }
    told = _each_text(told, breakable) | {
        key: told[key] for key in ("spin_hash", "checker") if _DIGITS.fullmatch(told[key])
    }
    told["attachments"] = [
        _attachment(name, number) for number, name in enumerate(sorted(attachments))
    ]
    files = {f"attachment-{n}": attachments[name] for n, name in enumerate(sorted(attachments))}
    files |= _pictures(data)
    return _set(told, files, _moment(data))


def _moment(data: ReportData) -> int:
    """Return when the result was made, seconds of the common epoch."""
    created = str(data.document["created"])
    try:
        return int(datetime.fromisoformat(created).timestamp())
    except (ValueError, OverflowError) as error:
        raise UsageError(
            f"{created} is not a time of day",
            where="spin.json",
            do="give a folder that `vidspin measure` wrote",
        ) from error


def _set(told: dict[str, Any], files: Mapping[str, bytes], moment: int) -> bytes:
    """Set with the fonts brought along; else with those of the system; else in code points."""
    for system_fonts in (False, True):
        try:
            return _compile(told, files, moment, system_fonts=system_fonts)
        except typst.TypstError as error:
            if not _UNSHOWN.search(error.message):
                raise
    lacking = ""
    for _ in range(_MOST_TRIALS):
        try:
            written = _each_text(told, partial(code_points, lacking=lacking))
            return _compile(written, files, moment, system_fonts=False)
        except typst.TypstError as error:
            found = _UNSHOWN.search(error.message)
            if not found:
                raise
            lacking += found.group(1)
    return _compile(_each_text(told, code_points), files, moment, system_fonts=False)


def _compile(
    told: dict[str, Any], files: Mapping[str, bytes], moment: int, *, system_fonts: bool
) -> bytes:
    with tempfile.TemporaryDirectory(prefix="vidspin-paper-") as name:
        room = Path(name)
        template = resources.files("vidspin.report").joinpath("assets", "paper.typ")
        (room / "paper.typ").write_bytes(template.read_bytes())
        text = json.dumps(told | {"fonts": list(FONTS)}, ensure_ascii=False, allow_nan=False)
        (room / "data.json").write_text(text, "utf-8")
        for file, content in files.items():
            (room / file).write_bytes(content)
        compiler = typst.Compiler(
            room / "paper.typ", root=room, ignore_system_fonts=not system_fonts
        )
        made = compiler.compile(format="pdf", pdf_standards=STANDARDS, timestamp=moment)
    if not isinstance(made, bytes):
        raise RuntimeError("typst gave no single file")
    return made


def _each_text(value: Any, change: Callable[[str], str]) -> Any:
    """Apply a change to every text in a value; names of files stay."""
    if isinstance(value, str):
        return change(value)
    if isinstance(value, dict):
        return {
            key: inner if key in _KEPT else _each_text(inner, change)
            for key, inner in value.items()
        }
    if isinstance(value, list | tuple):
        return [_each_text(inner, change) for inner in value]
    return value


# ------------------------------------------------------------------------- what is told


def _told(data: ReportData, occasion: Occasion) -> dict[str, Any]:
    """Gather everything that the template prints."""
    name = data.document["recording"]["name"]
    return {
        "title": f"{name}: evidence report",
        "footer": f"Evidence report: {_short(name)}",
        "name": name,
        "headline": story.headline(data),
        "summary": story.summary(data),
        "time_basis": basis.time_basis(data, occasion.stopwatches),
        "proven": story.PROVEN,
        "proofs": [dataclasses.asdict(proof) for proof in occasion.proofs],
        "touches": story.touches(data),
        "ends": [dataclasses.asdict(line) for line in basis.spin_time_budget(data)],
        "spin_hash": data.sha256_of("spin.json"),
        "checker": occasion.checker_sha256,
        "bounds": [text for text in (occasion.filmed_after, occasion.sealed_before) if text],
        "warnings": story.warnings(data),
        "figures": [dataclasses.asdict(figure) for figure in story.key_figures(data)],
        "claims": [_claim(claim) for claim in occasion.claims],
        "claim_details": [_claim(claim) for claim in occasion.claims],
        "attempt": [_fact(*fact) for fact in _plain_facts(data, occasion)],
        "attempt_by": "as the operator wrote it down"
        if occasion.facts
        else "as told when it was measured",
        "facts_words": basis.FACTS_WORDS,
        "curve": "curve.svg",
        "curve_words": describe(data),
        "curve_note": _curve_note(data),
        "glossary": [list(entry) for entry in _GLOSSARY],
        "events": [_event(happening) for happening in story.happenings(data)],
        "timeline": [_still(*entry) for entry in around.timeline(data)],
        "method": [list(part) for part in trust.method(data)],
        "recording": [dataclasses.asdict(figure) for figure in story.recording_facts(data)],
        "recording_words": plain(occasion.recording),
        "hashes": _hashes(data),
        "steps": [
            dataclasses.asdict(step) for step in trust.how_to_check(data, occasion.remeasure)
        ],
        "checks_words": trust.CHECKS_WORDS,
        "checks": [_without_times(view) for view in trust.checks(data)],
        "budgets": [_budget(view) for view in trust.budgets(data)],
        "pictures": [
            {"file": f"picture-{key}.jpg", "words": words}
            for key, words in _PICTURES
            if key in data.pictures
        ],
        "ring_words": story.RING_WORDS,
        "framed_words": around.FRAMED,
        **_order(data),
    }


def _short(name: str) -> str:
    return name if len(name) <= 40 else f"{name[:38]}…"


def _curve_note(data: ReportData) -> str:
    if data.resolved:
        still = basis.standing_still(data)
        words = "The uncertainty is drawn apart below the speed; grey stretches were not seen."
        return f"{words} {still}".strip()
    return "Every curve is one candidate; one of them is true, and none is claimed."


def _plain_facts(data: ReportData, occasion: Occasion) -> list[tuple[str, str]]:
    facts = occasion.facts or basis.told(data)
    return [(plain(label), plain(value)) for label, value in facts]


def _fact(label: str, value: str) -> dict[str, Any]:
    return dataclasses.asdict(Figure(label, value)) | {"copied": _copied(value)}


def _copied(text: str) -> str:
    """Return a hash or a fingerprint, which must not be broken; nothing of any other text."""
    return text if _DIGITS.fullmatch(text) else ""


def _claim(claim: Claim) -> dict[str, Any]:
    told = dataclasses.asdict(claim)
    return {
        key: [plain(v) for v in value] if isinstance(value, tuple) else plain(value)
        for key, value in told.items()
    }


def _order(data: ReportData) -> dict[str, Any]:
    orders = [view.name for view in evidence.candidates(data)]
    return {
        "why": evidence.why_it_matters(data),
        "outcome": evidence.outcome(data),
        "reference": evidence.when(data),
        "columns": evidence.COLUMNS,
        "candidates": [
            {
                "name": f"{view.name}{' (the answer)' if view.best else ''}",
                "rpm": view.rpm,
                "direction": view.direction,
                "probability": view.probability,
                "share": view.share,
                "readout": view.readout,
            }
            for view in evidence.candidates(data)
        ],
        "cues": [
            {
                "title": view.title,
                "looks_at": view.looks_at,
                "note": view.note,
                "silent": view.silent,
                "cells": _grouped(view.cells, orders),
            }
            for view in evidence.cues(data)
        ],
    }


def _grouped(cells: Sequence[str], orders: Sequence[str]) -> list[list[str]]:
    """Gather the candidates, by their orders, of which a cue says the same."""
    alike: dict[str, list[str]] = {}
    for word, order in zip(cells, orders, strict=False):
        alike.setdefault(word, []).append(order)
    return [[word, ", ".join(found)] for word, found in alike.items()]


def _event(happening: Happening) -> dict[str, Any]:
    def shown(still: StillPicture) -> dict[str, Any]:
        caption = around.still_caption(still, happening)
        side = around.still_side(still, happening)
        return _still(still, story.at(still.time_s, 3), caption, side)

    return {
        "title": happening.title,
        "kind": happening.kind,
        "seen": happening.seen,
        "when": happening.when,
        "speed": happening.speed,
        "how": happening.how or "not stated",
        "remarks": list(happening.remarks),
        "stills": [shown(still) for still in happening.stills],
        "strip": {"file": f"picture-{happening.key}.jpg" if happening.strip else ""},
    }


def _still(still: StillPicture, when: str, note: str, side: str = "") -> dict[str, Any]:
    words = f"{when}, {note}" if note else when
    file = _still_name(still)
    return {"file": file, "when": when, "note": note, "side": side, "words": words}


def _still_name(still: StillPicture) -> str:
    """Give a picture a name of our own: that in the folder is data."""
    return f"still-{still.number:03d}.jpg"


def _without_times(view: trust.CheckView) -> dict[str, Any]:
    told = dataclasses.asdict(view)
    del told["time_s"]
    return told


def _budget(view: trust.BudgetView) -> dict[str, Any]:
    told = dataclasses.asdict(view)
    when = f", at {view.when}" if view.when else ""
    told["title"] = f"{view.at}{when}" + (f": {view.speed}" if view.speed else "")
    return told


def _hashes(data: ReportData) -> list[dict[str, str]]:
    chapters = data.document["recording"]["chapters"]
    found = [
        {"name": f"{c['name']} (the recording)", "bytes": str(c["bytes"]), "sha256": c["sha256"]}
        for c in chapters
    ]
    return found + [
        {"name": plain(facts.name), "bytes": str(facts.bytes), "sha256": facts.sha256}
        for facts in data.files
        if not facts.name.startswith("still-")
    ]


def _witnesses(data: ReportData, keys: Sequence[tuple[str, str]]) -> list[dict[str, Any]]:
    people = list(keys) or [(role, "") for role in ROLES]
    name = data.document["recording"]["name"]
    return [
        {
            "role": plain(role),
            "fingerprint": plain(fingerprint),
            "copied": _copied(plain(fingerprint)),
            "statement": f"About the attempt filmed in the recording “{_short(name)}” I state:",
            "points": [
                "I was present from the release to the topple and saw the top all the time;",
                "the top was started by hand, and nothing touched it until it toppled;",
                "the recording shows this attempt, and the stopwatch reading below is my own.",
            ],
        }
        for role, fingerprint in people
    ]


def _pictures(data: ReportData) -> dict[str, bytes]:
    """Collect the pictures under names of our own."""
    files = {"curve.svg": curve_svg(data, on_paper=True).encode()}
    for still in data.stills:
        files[_still_name(still)] = still.jpeg
    for key, _ in _PICTURES:
        if key in data.pictures:
            files[f"picture-{key}.jpg"] = data.pictures[key]
    for happening in story.happenings(data):
        if happening.strip:
            files[f"picture-{happening.key}.jpg"] = data.pictures[happening.strip]
    return files


def _attachment(name: str, number: int) -> dict[str, str]:
    words = {
        "spin.json": "Everything that was found, for programs",
        "speed.csv": "Speed against time with its uncertainty",
    }
    return {
        "name": plain(name),
        "file": f"attachment-{number}",
        "mime": _MIME.get(Path(name).suffix.lower(), _OTHER_MIME),
        "relationship": "data",
        "words": words.get(name, "Part of the evidence"),
    }
