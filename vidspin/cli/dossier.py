"""``vidspin dossier``: the evidence folder of a result."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from vidspin.built import built_version
from vidspin.cli.common import JsonOption, OverwriteOption, Progress, QuietOption
from vidspin.cli.reporting import reports_of
from vidspin.cli.sealing import (
    ChainOption,
    ReplyOption,
    RequestOption,
    TimeOrder,
    TimestampOption,
    read_file,
    stamp,
)
from vidspin.errors import ExitCode, UsageError


class Handling(StrEnum):
    """What becomes of the recording."""

    include = "include"
    reference = "reference"


def dossier(
    result: Annotated[
        Path | None, typer.Argument(metavar="RESULT", help="Result folder.", show_default=False)
    ] = None,
    recording: Annotated[
        Handling,
        typer.Option(help="Put the recording in, or only its hashes (the file stays with you)."),
    ] = Handling.reference,
    recording_file: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="Where the recording is; repeat for chapters [beside the result].",
            readable=False,
        ),  # fmt: skip
    ] = None,
    attempt: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Facts of the attempt: the filled-in template."),
    ] = None,
    challenge: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="File of whoever made the challenge (.json)."),
    ] = None,
    private_tags: Annotated[
        bool,
        typer.Option(
            "--private-tags",
            help="Also tell places, serial numbers and names that the recording's tags state.",
        ),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Folder for the dossier [beside the result]."),
    ] = None,
    overwrite: OverwriteOption = False,
    template: Annotated[
        bool,
        typer.Option("--template", help="Print the attempt file to fill in; nothing else."),
    ] = False,
    timestamp: TimestampOption = None,
    timestamp_request: RequestOption = None,
    timestamp_reply: ReplyOption = None,
    timestamp_chain: ChainOption = None,
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> int:
    """Make the evidence folder of a result.

    NAME.dossier holds reports, data, stills, the facts of the attempt and the recording or its
    hashes, and HOW-TO-CHECK.txt for people who have never heard of this program. Then let
    the operator and each witness sign it: vidspin countersign.
    """
    from vidspin.dossier import attempt as facts
    from vidspin.dossier.build import Request, build, check_target, locate, read_spin
    from vidspin.units import rfc3339

    if template:
        typer.echo(facts.template(), nl=False)
        return ExitCode.DONE
    if result is None:
        raise UsageError("no result folder given", where="RESULT", do="give a folder NAME.spin")
    target = _target(result, out)
    spin = read_spin(result)
    check_target(target, overwrite=overwrite)
    files = locate(spin, result, recording_file or [])
    tags = _tags(files, include=recording is Handling.include, wanted=private_tags)
    stated = facts.Attempt()
    if attempt is not None:
        stated = facts.read_attempt(read_file(attempt, "--attempt"), str(attempt))
    order = Request(
        result=result,
        target=target,
        recordings=files,
        include=recording is Handling.include,
        attempt=stated,
        challenge=None if challenge is None else read_file(challenge, "--challenge"),
        private_tags=tags,
        overwrite=overwrite,
        version=built_version(),
        created=rfc3339(datetime.now(UTC).replace(microsecond=0)),
    )
    with Progress(target.name, shown=not quiet) as progress:
        made = build(order, progress, reports_of)
    when = stamp(target, TimeOrder(timestamp, timestamp_request, timestamp_reply, timestamp_chain))
    report = {"dossier": str(target), "tag_manifest_sha256": made.tag_hash, "time_stamp": when}
    report |= {"short_hash": made.short_hash, "filmed_after": made.filmed_after}
    keyless = _without_key(made.manifest["signers"])
    if keyless:
        _warn(keyless)
    if as_json:
        typer.echo(json.dumps(report, ensure_ascii=False))
    elif not quiet:
        _tell(report, files, shown=made.manifest["challenge"])
    return ExitCode.DONE


def _without_key(signers: list[dict[str, str | None]]) -> list[str]:
    """Name those whose key the attempt's facts do not state; operator and a witness at least."""
    named = {str(one["role"]): one["key"] for one in signers}
    wanted = ["operator", *(role for role in named if role != "operator")]
    if len(wanted) == 1:
        wanted.append("witnesses")
    return [role for role in wanted if named.get(role) is None]


def _warn(keyless: list[str]) -> None:
    """Say on stderr, also with --quiet, that signatures will not be tied to anybody."""
    typer.echo(
        f"WARNING: no key stated for {', '.join(keyless)}: the report prints no fingerprint, so "
        "nobody can tell whose signatures these will be. State `key` in the attempt file "
        "(vidspin keys new, the line in the .pub file) and make the dossier again.",
        err=True,
    )


def _target(result: Path, out: Path | None) -> Path:
    """Name the dossier after the result folder, which has a name that this system allows."""
    place = result.resolve()
    return (place.parent if out is None else out) / f"{place.stem}.dossier"


def _tags(
    files: tuple[Path | None, ...], *, include: bool, wanted: bool
) -> tuple[Mapping[str, str], ...]:
    """Read what the files tell of places and devices; refuse to hand it on unasked."""
    from vidspin.footage.private import private_tags

    if not (include or wanted):
        return ()
    tags = tuple({} if path is None else private_tags(path) for path in files)
    told = sorted({key for one in tags for key in one})
    if told and not wanted:
        raise UsageError(
            f"the recording itself tells more than it should ({', '.join(told)})",
            where="--recording include",
            do="add --private-tags to hand it on as it is, or take --recording reference",
        )
    return tags if wanted else ()


def _tell(
    report: Mapping[str, str | None], files: tuple[Path | None, ...], *, shown: object
) -> None:
    typer.echo(f"dossier       {report['dossier']}")
    typer.echo(f"short hash    {report['short_hash']}")
    typer.echo(f"to be signed  {report['tag_manifest_sha256']} (tag manifest, SHA-256)")
    if report["filmed_after"] is not None:
        typer.echo(f"filmed after  {report['filmed_after']} (challenge)")
    elif shown is None:
        typer.echo("filmed after  not proven: no challenge was shown")
    else:
        typer.echo("filmed after  not proven: the challenge was not read in the recording")
    sealed = report["time_stamp"]
    typer.echo(f"sealed before {sealed or 'not proven: no time stamp yet'}")
    if any(path is None for path in files):
        typer.echo("The recording was not found: its hash went in, but no hashes of its pieces.")
    typer.echo("Next: vidspin countersign, by the operator and each witness; then vidspin verify.")
