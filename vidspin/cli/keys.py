"""``vidspin keys``: keys to sign dossiers with."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from vidspin.cli.common import JsonOption, QuietOption, read_passphrase
from vidspin.errors import ExitCode

app = typer.Typer(add_completion=False, rich_markup_mode=None, no_args_is_help=True)


@app.callback()
def keys() -> None:
    """Make keys to sign dossiers with, and tell their fingerprints.

    Make a key once and keep it: its fingerprint, on paper with your name, is what ties a
    signature to you.
    """


@app.command("new")
def new(
    path: Annotated[
        Path, typer.Argument(metavar="FILE", help="The private key; FILE.pub gets the public one.")
    ] = Path("vidspin.key"),
    passphrase: Annotated[
        bool, typer.Option("--passphrase", help="Ask for a passphrase that locks the key.")
    ] = False,
    passphrase_file: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Take the passphrase from the first line of a file."),
    ] = None,
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> int:
    """Make a key pair; nobody else can read the private key."""
    from vidspin.dossier.keys import new_key, public_path

    secret = read_passphrase(passphrase_file, ask=passphrase, twice=True)
    public = new_key(path, secret)
    _tell(path, public_path(path), public.fingerprint, quiet=quiet, as_json=as_json)
    return ExitCode.DONE


@app.command("show")
def show(
    path: Annotated[
        Path, typer.Argument(metavar="FILE", help="The public key.", show_default=False)
    ],
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> int:
    """Tell the fingerprint of a public key."""
    from vidspin.dossier.keys import load_public, public_path

    path = path if path.suffix == ".pub" else public_path(path)
    _tell(None, path, load_public(path).fingerprint, quiet=quiet, as_json=as_json)
    return ExitCode.DONE


def _tell(
    private: Path | None, public: Path, fingerprint: str, *, quiet: bool, as_json: bool
) -> None:
    facts = {"private_key": str(private), "public_key": str(public), "fingerprint": fingerprint}
    if private is None:
        del facts["private_key"]
    if as_json:
        typer.echo(json.dumps(facts))
    elif not quiet:
        for label, value in facts.items():
            typer.echo(f"{label.replace('_', ' '):<12} {value}")
