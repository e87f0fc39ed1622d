"""``vidspin challenge``: a card to film first."""

from __future__ import annotations

import json
import os
import secrets
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from vidspin.cli.common import JsonOption, OverwriteOption, QuietOption
from vidspin.errors import ExitCode, UsageError


def challenge(
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The card: .pdf, .png or .svg.")
    ] = Path("challenge.pdf"),
    by: Annotated[
        str, typer.Option("--by", metavar="ROLE", help="Who makes it, such as witness-a.")
    ] = "",
    public: Annotated[
        str,
        typer.Option(
            metavar="TEXT",
            help="Draw the code from public words that nobody could know before, such as the "
            "numbers of today's lottery, instead of at random.",
        ),
    ] = "",
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> int:
    """Make a card with a random challenge, to be shown to the camera first.

    It proves that a recording was made after the card, so a witness or the adjudicator makes
    it, shortly before the attempt, and keeps the file FILE.json; whoever films gets the
    card. A code that the maker of the recording drew alone proves nothing.
    """
    from vidspin.challenge import CODE_BYTES, new_challenge, public_code
    from vidspin.dossier import canonical
    from vidspin.dossier.document import challenge_document
    from vidspin.figures.card import card_formats, challenge_card
    from vidspin.whole import write_all_whole
    from vidspin.wording import plain

    ending = out.suffix.lower()
    if ending not in card_formats():
        raise UsageError("no such kind of card", where=str(out), do="end it in .pdf, .png or .svg")
    record = out.with_suffix(".json")
    for path in (out, record):
        if os.path.lexists(path) and not overwrite:
            raise UsageError(
                "this file is already there", where=str(path), do="add --overwrite or choose --out"
            )
    code = public_code(public) if public.strip() else secrets.token_bytes(CODE_BYTES)
    try:
        made = new_challenge(code, datetime.now(UTC))
    except ValueError as error:  # the code is right, so it is the time
        raise UsageError(
            f"this machine's clock is wrong ({error})", where="the clock", do="set it first"
        ) from error
    document = challenge_document(
        made.text, by=plain(by) or None, public=" ".join(public.split()) or None
    )
    try:
        card = challenge_card(made, by=plain(by, longest=40), ending=ending)
        # together, for a card whose code nobody keeps proves nothing
        write_all_whole({out: card, record: canonical.dumps(document)})
    except OSError as error:
        raise UsageError(
            f"the card cannot be written ({error.strerror or error})",
            where=str(out), do="choose another --out",
        ) from error  # fmt: skip
    if as_json:
        typer.echo(json.dumps(document, ensure_ascii=False))
    elif not quiet:
        typer.echo(f"challenge  {made.letters}\nwords      {' '.join(made.words)}")
        typer.echo(f"made       {made.made}\ncard       {out}\nkeep       {record}")
    return ExitCode.DONE
