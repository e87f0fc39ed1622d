"""``vidspin measure --from RESULT``: other options, without the recording, in seconds."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import typer

from vidspin.again import CHECK, Wanted, work_out_again
from vidspin.built import built_version
from vidspin.cli.common import code_of, told
from vidspin.errors import ExitCode, UsageError
from vidspin.records import Fact, Result

# What the working out changes of a document; everything else stays as it was measured.
CHANGED = (
    "vidspin_version", "created", "direction", "alias", "release", "topple", "spin_time",
    "revolutions", "wobble", "checks", "budget", "budget_totals", "settings", "facts",
)  # fmt: skip
# Drawn or written anew.
FRESH = ("speed.csv", "candidates.csv", "speed.png", "speed.svg", "report.html", "spin.json")


@dataclass(frozen=True, slots=True)
class Anew:
    """What to work out again and where it goes."""

    source: Path
    out: Path | None
    overwrite: bool
    wanted: Wanted
    own_facts: dict[str, Fact]


def target_of(anew: Anew) -> Path:
    """Folder of the new result: under --out, else in the place of the old one."""
    return anew.source if anew.out is None else anew.out / anew.source.resolve().name


@dataclass(frozen=True, slots=True)
class WorkedOut:
    """A result that was worked out again: the value, its document and the other files."""

    result: Result
    document: dict[str, Any]
    contents: dict[str, bytes]


def measure_anew(anew: Anew, *, quiet: bool, as_json: bool) -> ExitCode:
    """Work a result out again and write it.

    Raises
    ------
    UsageError
        The folder is no result, something is in the way, or the options need the pictures.
    """
    from vidspin.store.folder import check_target
    from vidspin.summary import summarise

    target = target_of(anew)
    made = worked_out(anew.source, anew.wanted, anew.own_facts)
    check_target(target, overwrite=anew.overwrite)
    write_worked_out(made, target)
    if as_json:
        typer.echo(json.dumps(made.document, ensure_ascii=False, allow_nan=False))
    elif not quiet:
        files = told(made.document["files"])
        typer.echo(summarise(made.result, folder=target, files=files))
    return code_of(made.result)


def worked_out(source: Path, wanted: Wanted, own_facts: dict[str, Fact]) -> WorkedOut:
    """Work a result out again under other options; nothing is written.

    Raises
    ------
    UsageError
        The folder is no result, or the options need the pictures.
    """
    from vidspin.store.folder import read_files, read_result
    from vidspin.store.revive import revive
    from vidspin.units import rfc3339

    stored, files = read_result(source), read_files(source)
    kept = revive(stored, where=str(source))
    if own_facts:
        wanted = replace(wanted, facts={**kept.facts, **(wanted.facts or {}), **own_facts})
    now = rfc3339(datetime.now(UTC).replace(microsecond=0))
    result = work_out_again(kept, wanted, version=built_version(), created=now)
    contents = _contents(result, kept, files, stored.document)
    document = _document(result, stored.document, files["spin.json"], contents, wanted)
    return WorkedOut(result, document, contents)


def write_worked_out(made: WorkedOut, target: Path) -> None:
    """Write what `worked_out` gave, whole or not at all, with a report of its own.

    Raises
    ------
    UsageError
        The place cannot be written.
    """
    from vidspin.report import gather, html_report
    from vidspin.store.folder import write_files

    write_files(
        made.document, made.contents, target,
        report=lambda all_files: html_report(gather(all_files)).encode(),
    )  # fmt: skip


def _contents(
    result: Result, kept: Result, files: dict[str, bytes], old: dict[str, Any]
) -> dict[str, bytes]:
    """Take what stays from the old folder, and what is made anew."""
    from vidspin.figures.speed import speed_figure
    from vidspin.store.tables import candidates_table, speed_table

    moved = [
        kind for kind, new, was in (
            ("release", result.release, kept.release), ("topple", result.topple, kept.topple)
        ) if new != was and (new is None or was is None or new.time_s != was.time_s)
    ]  # fmt: skip
    # pictures of an instant that is no longer the event's would show the wrong thing
    stale = {f"{kind}.png" for kind in moved}
    stale |= {str(s["file"]) for s in old.get("stills", []) if s["kind"] in moved}
    contents = {k: v for k, v in files.items() if k not in stale and k not in FRESH}
    contents["speed.csv"] = speed_table(result).encode()
    if not result.alias.resolved:
        contents["candidates.csv"] = candidates_table(result).encode()
    return contents | speed_figure(result)


def _document(
    result: Result,
    old: dict[str, Any],
    old_bytes: bytes,
    contents: dict[str, bytes],
    wanted: Wanted,
) -> dict[str, Any]:
    from vidspin.speed.seams import NAME as BETWEEN
    from vidspin.store.document import to_json

    fresh = to_json(result)
    # keys that a result of old lacks and that are still unknown stay out
    document = {**old, **{k: fresh[k] for k in CHANGED if k in old or fresh[k] is not None}}
    # with all that they told, but for the one that is worked out again
    own = {c["name"]: c for c in old["checks"] if c["name"] not in (CHECK, BETWEEN)}
    camera = {key: fresh["camera"][key] for key in ("readout_s", "exposure_s")}
    document["camera"] = {**old["camera"], **camera}
    *now, said = fresh["checks"]
    document["checks"] = [
        {**own.get(new["name"], new), "state": new["state"], "note": new["note"]} for new in now
    ] + [said]
    document["files"] = sorted([*contents, "report.html"])
    document["stills"] = [s for s in old.get("stills", []) if s["file"] in contents]
    for kind, stated_s in (("release", wanted.release_s), ("topple", wanted.topple_s)):
        was = old[kind]
        if stated_s is None and was is not None and was["overruled"]:
            document[kind]["reason"] = was["reason"]  # the new reason is the other end's
    document["recomputed"] = {
        "from_version": old["vidspin_version"],
        "from_created": old["created"],
        "from_sha256": hashlib.sha256(old_bytes).hexdigest(),
        "changed": list(wanted.named()),
    }
    return document


def refuse_options(given: dict[str, Any]) -> None:
    """Refuse options that need the recording.

    Raises
    ------
    UsageError
        One of them is given.
    """
    for name, value in given.items():
        if value:
            raise UsageError(
                "it needs the recording itself", where=name,
                do="leave it out, or measure the recording again",
            )  # fmt: skip
