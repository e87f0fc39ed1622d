"""What the reports of a dossier are made from: result, manifest, and what the maker states."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vidspin.dossier.reports import ReportFacts
    from vidspin.report.basis import OutsideCheck
    from vidspin.report.data import ReportData

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
_FILE = "HOW-TO-CHECK.txt"
_WANTED = (("date", "Date"), ("place", "Place"), ("rules", "Rules"))
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
    from vidspin.report.story import Proof
    from vidspin.report.text import plain

    data = gather(facts.files)
    manifest = facts.manifest
    occasion = Occasion(
        facts=tuple((plain(label), plain(text)) for label, text in _stated(manifest["attempt"])),
        filmed_after=plain(_filmed_after(manifest["challenge"])),
        recording=plain(_recording(manifest["recording"])),
        proofs=tuple(
            Proof(what, state, plain(words)) for what, state, words in _proofs(manifest, data)
        ),
        stopwatches=tuple((plain(role), seconds) for role, seconds in _stopwatches(manifest)),
        checker_sha256=_checker(),
        remeasure=_remeasure(manifest["recording"]),
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


def _remeasure(recording: dict[str, Any]) -> str:
    """Return the command that measures again and compares; the folder may have any name."""
    files = (
        "" if recording["included"] else " --recording FILE" * max(1, len(recording["chapters"]))
    )
    return f"vidspin verify DOSSIER{files} --remeasure"


def _checker() -> str:
    """Return the SHA-256 of the script that lies in every dossier."""
    import hashlib
    from importlib import resources

    from vidspin.dossier.layout import CHECKER

    script = resources.files("vidspin.dossier").joinpath(CHECKER).read_bytes()
    return hashlib.sha256(script).hexdigest()


def _stopwatches(manifest: dict[str, Any]) -> list[tuple[str, float]]:
    witnesses = manifest["attempt"].get("witnesses", [])
    return [(str(w["role"]), float(w["stopwatch"])) for w in witnesses if "stopwatch" in w]


def _proofs(manifest: dict[str, Any], data: ReportData) -> Iterator[tuple[str, str, str]]:
    """Say what this dossier proves and what it does not: what, state, what it rests on."""
    from vidspin.report.basis import outside_checks, stopwatch_checks

    attempt, fresh = manifest["attempt"], manifest["challenge"]
    keys = [one["role"] for one in manifest["signers"] if one["key"]]
    named = f"keys are named for {', '.join(keys)}; whether they signed: step 4 of {_FILE}"
    none = "no key is named, so that no signature can be tied to a person"
    yield "Signatures", "to be checked" if keys else "not given", named if keys else none
    yield (
        "Time stamp", "to be checked",
        "none when this report was made; one may have been added as seals/time.tsr (step 6)",
    )  # fmt: skip
    honest = fresh is not None and fresh["filmed_after"] and (fresh["by"] or fresh["public"])
    words = "when it was filmed is not proven"
    if honest:
        words = f"filmed after {fresh['filmed_after']}, if the challenge is honest (step 7)"
    yield "Challenge", "given" if honest else "not given", words
    people = [str(w.get("name") or w["role"]) for w in attempt.get("witnesses", [])]
    named = f"{', '.join(people)} (the maker's word)"
    yield "Witnesses", _given(people), named if people else "nobody is named who saw it"
    readings = tuple(_stopwatches(manifest))
    yield "Stopwatch", *_checked(stopwatch_checks(data, readings), "no reading is stated")
    for key, label, empty in (
        ("date", "Date", "the day of the attempt is not stated"),
        ("rules", "Rules", "the rules followed are not stated"),
    ):
        stated = attempt.get(key)
        words = f"{_text(stated)} (the maker's word)" if stated else empty
        yield label, _given(stated), words
    alone = "times rest on the file's own clock alone"
    yield "Time scale", *_checked(outside_checks(data, readings), alone)


def _checked(found: list[OutsideCheck], none: str) -> tuple[str, str]:
    """Say what outside checks come to: one that disagrees is never told as a proof."""
    words = "; ".join(one.text for one in found) or none
    return ("disagrees" if any(not one.agrees for one in found) else _given(found)), words


def _given(value: object) -> str:
    return "given" if value else "not given"


def _stated(attempt: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Lay what the maker states out in rows, and what was left empty."""
    yield from _filled(attempt)
    operator, witnesses = attempt.get("operator", {}), attempt.get("witnesses", [])
    yield from ((label, "not given") for key, label in _WANTED if key not in attempt)
    yield from (
        (f"Operator: {_label(key)}", "not given") for key in ("name", "key") if key not in operator
    )
    for one in witnesses:
        for key in ("name", "key", "stopwatch"):
            if key not in one:
                yield f"{str(one['role']).capitalize()}: {_label(key)}", "not given"
    if not witnesses:
        yield "Witnesses", "not given"


def _filled(attempt: dict[str, Any]) -> Iterator[tuple[str, str]]:
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
    from vidspin.facts import fact_text

    return fact_text(value)


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
