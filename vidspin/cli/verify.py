"""``vidspin verify``: is a dossier what was sealed?"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vidspin.built import built_version
from vidspin.cli.common import JsonOption, Progress, QuietOption
from vidspin.cli.sealing import read_certificates, read_file
from vidspin.errors import ExitCode, UsageError, VidspinError

if TYPE_CHECKING:
    from vidspin.dossier.examined import Step, Verification

_EXPECTED = re.compile(r"([a-z0-9-]+)=(SHA256:[A-Za-z0-9+/]{43})")
_WORDS = {"pass": "ok", "fail": "WRONG", "unchecked": "open"}
_LABEL = 11
NOT_REMEASURED = "not asked for (--remeasure): do the figures follow from the recording?"


def verify(
    dossier: Annotated[Path, typer.Argument(metavar="DOSSIER", help="Dossier folder.")],
    recording: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help="The recording, where it is not in the dossier."),
    ] = None,
    authority: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="Root certificate (PEM) of a time stamp authority that you trust, from its own "
            "site, not from the dossier.",
        ),
    ] = None,
    expect: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ROLE=SHA256:…", help="The key that a role must have signed with; repeat."
        ),
    ] = None,
    challenge: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help="The challenge that you handed out: its text or file."),
    ] = None,
    remeasure: Annotated[
        bool,
        typer.Option("--remeasure", help="Also measure the recording again and compare."),
    ] = False,
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> int:
    """Check every hash, signature, time stamp and figure of a dossier.

    Ends with exit code 0 when nothing was found to be wrong and somebody signed it, else with
    6. What could not be checked is said as well.
    """
    from vidspin.cli.reporting import reports_of
    from vidspin.dossier.examined import Expectations, Step
    from vidspin.dossier.verify import verify as examine

    known = Expectations(
        recordings=tuple(recording or ()),
        authorities=tuple(
            one for path in authority or () for one in read_certificates(path, "--authority")
        ),
        fingerprints=dict(_expected(text) for text in expect or ()),
        challenge=None if challenge is None else _challenge(challenge),
    )
    with Progress(dossier.name, shown=not quiet) as progress:
        found = examine(dossier, known, progress, reporter=reports_of, version=built_version())
        steps = list(found.steps)
        if remeasure:
            steps += _remeasure(dossier, found, known.recordings, progress)
        else:  # a result that was edited before it was sealed fits all lists and signatures
            steps.append(Step("remeasure", "unchecked", NOT_REMEASURED))
    good = bool(found.signers) and all(step.state != "fail" for step in steps)
    if as_json:
        typer.echo(json.dumps(_document(found, steps, good=good), ensure_ascii=False))
    elif not quiet:
        typer.echo(_words(dossier, found, steps, good=good))
    return ExitCode.DONE if good else ExitCode.CHECK_FAILED


def _expected(text: str) -> tuple[str, str]:
    match = _EXPECTED.fullmatch(text)
    if match is None:
        raise UsageError(f"{text!r} is no key", where="--expect", do="give operator=SHA256:…")
    return match[1], match[2]


def _challenge(text: str) -> str:
    from vidspin.challenge import read_challenge
    from vidspin.dossier.document import CHALLENGE_SCHEMA, read_document

    if read_challenge(text) is not None:
        return text
    try:
        stated = read_document(read_file(Path(text), "--challenge"), CHALLENGE_SCHEMA)["text"]
    except ValueError as error:
        raise UsageError(
            "neither a challenge nor its file", where="--challenge", do="give VIDSPIN/…/… or .json"
        ) from error
    return str(stated)


def _remeasure(
    dossier: Path, found: Verification, given: Sequence[Path], progress: Progress
) -> list[Step]:
    """Measure the recording again and compare within the uncertainties."""
    from vidspin.dossier.examined import Step
    from vidspin.dossier.remeasured import compare, recordings
    from vidspin.footage.frames import Recording
    from vidspin.measure import measure
    from vidspin.stated import stated_in
    from vidspin.store import speed_table, to_json
    from vidspin.store.spool import FileProfiles
    from vidspin.wording import plain

    name = "remeasure"
    if found.spin is None:
        return [Step(name, "fail", "there is no result to compare with")]
    paths = recordings(dossier, given)
    if not paths:
        return [Step(name, "unchecked", "the recording is not at hand; give it with --recording")]
    try:
        settings = stated_in(found.spin)
    except (KeyError, TypeError, ValueError) as error:
        return [Step(name, "fail", f"what was stated cannot be used again ({plain(str(error))})")]
    try:
        footage = Recording.open(paths, captured_at=settings.captured_at)
        if settings.clock is not None:
            footage = footage.on_clock(settings.clock.value)
        with FileProfiles() as profiles:
            fresh = measure(
                footage, settings, version=built_version(), created=found.spin["created"],
                progress=progress, profiles=profiles,
            )  # fmt: skip
    except VidspinError as error:
        return [Step(name, "fail", f"the recording could not be measured again: {error}")]
    return compare(dossier, found.spin, to_json(fresh), speed_table(fresh))


def _document(found: Verification, steps: Sequence[Step], *, good: bool) -> dict[str, Any]:
    return {
        "good": good,
        "steps": [asdict(step) for step in steps],
        "tag_manifest_sha256": found.tag_hash,
        "signers": found.signers,
        "filmed_after": found.filmed_after,
        "sealed_before": found.sealed_before,
    }


def _words(dossier: Path, found: Verification, steps: Sequence[Step], *, good: bool) -> str:
    """Tell the result so that somebody who never saw the program understands it."""
    from vidspin.wording import plain

    lines = [f"{plain(dossier.name or str(dossier))}", ""]
    lines += [f"  {_WORDS[step.state]:<6} {step.name:<{_LABEL}} {step.says}" for step in steps]
    signed = ", ".join(sorted(found.signers)) or "nobody"
    lines += ["", f"  signed by      {signed}"]
    lines.append(f"  filmed after   {found.filmed_after or 'not proven'}")
    lines.append(f"  sealed before  {found.sealed_before or 'not proven'}")
    wrong = sum(step.state == "fail" for step in steps)
    left = sum(step.state == "unchecked" for step in steps)
    lines.append("")
    if wrong:
        lines.append(f"SOMETHING IS WRONG: {wrong} of {len(steps)} findings; do not rely on it.")
        return "\n".join(lines)
    if not good:
        lines.append("NOT PROVEN: nobody has signed it, so anybody could have made or changed it.")
        return "\n".join(lines)
    rest = f" {left} of {len(steps)} things stayed open (see above)." if left else ""
    lines.append(f"NOTHING WAS FOUND TO BE WRONG.{rest}")
    lines.append(
        "It shows that these bytes are what the named keys signed. That the attempt took\n"
        "place as claimed is for the witnesses to say; compare the keys with those on paper."
    )
    return "\n".join(lines)
