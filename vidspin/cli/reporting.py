"""What the reports of a dossier are made from: result, manifest, and what the maker states."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vidspin.dossier.reports import ReportFacts

_LABELS = {
    "title": "Attempt",
    "mass_g": "mass, g",
    "diameter_mm": "diameter, mm",
    "height_mm": "height, mm",
    "distance_mm": "distance, mm",
    "key": "fingerprint of the key",
}
_WITNESSES = ("witness-a", "witness-b")
_HOW = "HOW-TO-CHECK.txt in the dossier tells how to check it with ordinary tools."
_ATTACHED = ("spin.json", "speed.csv")


def reports_of(facts: ReportFacts) -> dict[str, bytes]:
    """Make page and paper of a dossier.

    Parameters
    ----------
    facts : ReportFacts
        What the dossier holds.

    Returns
    -------
    dict of str to bytes
        ``report.html`` and ``report.pdf``; the same for the same dossier.
    """
    from vidspin.dossier.reports import HTML_REPORT, PDF_REPORT
    from vidspin.report import Occasion, gather, html_report
    from vidspin.report.paper import pdf_report
    from vidspin.report.text import plain

    data = gather(facts.files)
    manifest = facts.manifest
    occasion = Occasion(
        facts=tuple((plain(label), plain(text)) for label, text in _stated(manifest["attempt"])),
        filmed_after=plain(_filmed_after(manifest["challenge"])),
        recording=plain(_recording(manifest["recording"])),
    )
    attachments = {name: facts.files[name] for name in _ATTACHED}
    attachments["manifest.json"] = facts.manifest_bytes
    paper = pdf_report(
        data,
        attachments=attachments,
        short_hash=facts.short_hash,
        key_fingerprints=_signers(manifest["attempt"], dict(facts.fingerprints)),
        occasion=occasion,
    )
    return {HTML_REPORT: html_report(data, occasion=occasion).encode(), PDF_REPORT: paper}


def _stated(attempt: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Lay what the maker states out in rows."""
    for key, value in attempt.items():
        if isinstance(value, dict):
            yield from ((f"{key.capitalize()}: {_label(k)}", _text(v)) for k, v in value.items())
        elif key == "witnesses":
            for one in value:
                role = str(one.get("role", "witness")).capitalize()
                rest = {k: v for k, v in one.items() if k != "role"}
                yield from ((f"{role}: {_label(k)}", _stopwatch(k, v)) for k, v in rest.items())
        else:
            yield _label(key).capitalize(), _text(value)


def _label(key: str) -> str:
    return _LABELS.get(key, key)


def _text(value: str | float) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _stopwatch(key: str, value: str | float) -> str:
    from vidspin.units import format_duration

    if key == "stopwatch" and isinstance(value, float):
        return f"{format_duration(value, 2)} (h:mm:ss)"
    return _text(value)


def _filmed_after(fresh: dict[str, Any] | None) -> str:
    """Say since when the recording can have been made, and what that rests on."""
    if fresh is None or fresh["filmed_after"] is None:
        return ""
    made = f"{fresh['filmed_after'][:10]} {fresh['filmed_after'][11:16]} UTC"
    shown = f"a card with the code {fresh['text']} is in the picture at {fresh['first_s']:.0f} s"
    if fresh["by"] is not None:
        return f"Filmed after {made}, when {fresh['by']} made a challenge: {shown}."
    if fresh["public"] is not None:
        return f"Filmed after {made}, when public words were known: {shown}."
    return f"A card dated {made} was filmed, but nobody is named who made it: {shown}."


def _recording(recording: dict[str, Any]) -> str:
    if recording["included"]:
        return f"The recording is part of the dossier. {_HOW}"
    return f"The recording stays with its maker; the dossier holds its fingerprints. {_HOW}"


def _signers(attempt: dict[str, Any], keys: dict[str, str]) -> list[tuple[str, str]]:
    """List who is to sign by hand: the people named, each with a blank where no key is known.

    Where no witness was named there are blanks for two.
    """
    roles = [str(one["role"]) for one in attempt.get("witnesses", [])] or list(_WITNESSES)
    return [(role, keys.get(role, "")) for role in dict.fromkeys(["operator", *roles, *keys])]
