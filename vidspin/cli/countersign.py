"""``vidspin countersign``: sign a dossier, or have its time attested."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspin.cli.common import JsonOption, Progress, QuietOption, read_passphrase
from vidspin.cli.sealing import (
    ChainOption,
    ReplyOption,
    RequestOption,
    TimeOrder,
    TimestampOption,
    stamp,
)
from vidspin.errors import CheckFailed, ExitCode, UsageError

if TYPE_CHECKING:
    from vidspin.dossier.sshsig import PrivateKey


def countersign(
    dossier: Annotated[Path, typer.Argument(metavar="DOSSIER", help="Dossier folder.")],
    key: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Your private key (vidspin keys new).")
    ] = None,
    role: Annotated[
        str | None, typer.Option("--as", metavar="ROLE", help="operator, witness-a, …")
    ] = None,
    passphrase_file: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Take the key's passphrase from a file [asked for]."),
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace the signature of that role.")
    ] = False,
    timestamp: TimestampOption = None,
    timestamp_request: RequestOption = None,
    timestamp_reply: ReplyOption = None,
    timestamp_chain: ChainOption = None,
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> int:
    """Sign a dossier as operator or witness, or have its time attested.

    The dossier is checked first; a damaged one is not signed. A signature covers every file in
    it. A time stamp (RFC 3161) proves that it existed by then; it can be added
    without a key.
    """
    from vidspin.dossier.bag import SEALS, how_to_tidy
    from vidspin.dossier.examined import Expectations
    from vidspin.dossier.seals import countersign as sign
    from vidspin.dossier.seals import tidy
    from vidspin.dossier.sshsig import public_key_of
    from vidspin.dossier.verify import verify
    from vidspin.dossier.vouched import EXPECTED

    order = TimeOrder(timestamp, timestamp_request, timestamp_reply, timestamp_chain)
    if (key is None) != (role is None) or (key is None and not order.wanted):
        raise UsageError("both are needed to sign", where="--key and --as", do="give both")
    tidy(dossier)
    with Progress(dossier.name, shown=not quiet) as progress:
        found = verify(dossier, Expectations(), progress)
    # a signature that is about to be replaced may be bad
    replaced = (f"{SEALS}/{role}.sig",) if overwrite else ()
    # signatures that have yet to come do not make it unsound
    wrong = [
        step for step in found.steps
        if step.state == "fail" and step.name != EXPECTED and step.files[:1] != replaced
    ]  # fmt: skip
    if wrong:
        litter = any(how_to_tidy(path) for path in wrong[0].files[:1])
        raise CheckFailed(
            f"it is not whole and was not signed ({wrong[0].says})", where=str(dossier),
            do="then sign it again" if litter else "get an undamaged copy; see vidspin verify",
        )  # fmt: skip
    report: dict[str, str | None] = {"tag_manifest_sha256": found.tag_hash}
    if key is not None and role is not None:
        private = _private(key, passphrase_file)
        _refuse_another_key(dossier, role, public_key_of(private).fingerprint)
        public = sign(dossier, role, private, overwrite=overwrite)
        report |= {"role": role, "fingerprint": public.fingerprint}
    report["time_stamp"] = stamp(dossier, order)
    if as_json:
        typer.echo(json.dumps(report))
    elif not quiet:
        _tell(report, order)
    return ExitCode.DONE


def _private(key: Path, passphrase_file: Path | None) -> PrivateKey:
    from vidspin.dossier.keys import is_locked, load_key

    secret = None
    if passphrase_file is not None or (
        sys.stdin is not None and sys.stdin.isatty() and is_locked(key)
    ):
        secret = read_passphrase(passphrase_file, ask=True, twice=False)
    return load_key(key, secret)


def _refuse_another_key(dossier: Path, role: str, fingerprint: str) -> None:
    """Sign as somebody only with the key that the dossier names for them, if it names one.

    Where it names any key, nobody else signs, nor anybody with a key of somebody else.
    """
    from vidspin.dossier.attempt import expected_signers
    from vidspin.dossier.layout import MANIFEST_JSON

    manifest = json.loads((dossier / MANIFEST_JSON).read_text("utf-8"))  # was checked
    signers = expected_signers(manifest["attempt"])  # older manifests do not list them
    people = {one["role"]: one["key"] for one in signers}
    named = people.get(role)
    if named and named != fingerprint:
        raise UsageError(
            f"the dossier names {named} as the key of {role}, and this one is {fingerprint}; "
            "nothing was signed", where="--key",
            do="sign with the key that is named, or correct the attempt file and make the "
            "dossier anew",
        )  # fmt: skip
    owner = [one for one, key in people.items() if key == fingerprint and one != role]
    if owner or (any(people.values()) and role not in people):
        says = f"this is the key of {owner[0]}" if owner else f"the dossier names no {role}"
        raise UsageError(
            f"{says}; nothing was signed", where="--as",
            do=f"sign as {owner[0] if owner else ' or '.join(people)}",
        )  # fmt: skip


def _tell(report: dict[str, str | None], order: TimeOrder) -> None:
    if report.get("role"):
        typer.echo(f"signed as     {report['role']}")
        typer.echo(f"key           {report['fingerprint']}")
        typer.echo("              (write it on paper, with your name: it ties this to you)")
    typer.echo(f"covers        {report['tag_manifest_sha256']} (tag manifest, SHA-256)")
    if report["time_stamp"] is not None:
        typer.echo(f"sealed before {report['time_stamp']}")
    elif order.request is not None:
        typer.echo(f"request       {order.request}")
