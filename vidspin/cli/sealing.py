"""What the commands that seal a dossier share: files, and time stamps with or without network."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspin.errors import UsageError
from vidspin.whole import write_new

if TYPE_CHECKING:
    from vidspin.dossier.timestamp import Certificate

TimestampOption = Annotated[
    str | None,
    typer.Option("--timestamp", metavar="URL", help="Ask this RFC 3161 authority for the time."),
]
RequestOption = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        help="Write the request for a time stamp to a file (.tsq), to be carried to a machine "
        "with network; with --timestamp-reply: the request that the reply answers.",
    ),
]
ReplyOption = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Take the authority's reply from a file (.tsr)."),
]
ChainOption = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Certificates between the authority and its root (PEM)."),
]
_LONGEST_FILE = 1 << 20


@dataclass(frozen=True, slots=True)
class TimeOrder:
    """How a time stamp is to be had."""

    url: str | None = None
    request: Path | None = None
    reply: Path | None = None
    chain: Path | None = None

    @property
    def wanted(self) -> bool:
        """Whether anything is to be done."""
        return any(part is not None for part in (self.url, self.request, self.reply))


def read_file(path: Path, option: str) -> bytes:
    """Read a small file that a person named.

    Raises
    ------
    UsageError
        It cannot be read or is too long.
    """
    try:
        with path.open("rb") as source:
            data = source.read(_LONGEST_FILE + 1)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be read ({error.strerror or error})", where=option, do="check the name"
        ) from error
    if len(data) > _LONGEST_FILE:
        raise UsageError(f"{path} is far too long", where=option, do="check the name")
    return data


def read_certificates(path: Path, option: str) -> list[Certificate]:
    """Read a PEM file that a person named."""
    from vidspin.dossier.timestamp import read_certificates as parse

    try:
        return parse(read_file(path, option))
    except ValueError as error:
        raise UsageError(
            f"{path} holds no certificate", where=option, do="give a file with BEGIN CERTIFICATE"
        ) from error


def stamp(dossier: Path, order: TimeOrder) -> str | None:
    """Get a time stamp for a dossier, or write the request for one.

    Returns
    -------
    str or None
        The authority's time, RFC 3339; None when no time stamp came yet.
    """
    from vidspin.dossier import bag, seals, timestamp

    if order.url is not None and order.reply is not None:
        raise UsageError("it excludes --timestamp", where="--timestamp-reply", do="give one")
    if not order.wanted:
        return None
    helpers = [] if order.chain is None else read_certificates(order.chain, "--timestamp-chain")
    message = bag.read_small(dossier / bag.TAG_MANIFEST)
    if order.reply is not None:
        request = None
        if order.request is not None:
            request = read_file(order.request, "--timestamp-request")
        reply = read_file(order.reply, "--timestamp-reply")
        return timestamp.time_text(seals.add_time(dossier, request, reply, helpers))
    query = timestamp.new_request(message)
    if order.request is not None:
        _write_request(order.request, query)
    if order.url is None:
        return None
    reply = timestamp.ask(order.url, query)
    return timestamp.time_text(seals.add_time(dossier, query, reply, helpers))


def _write_request(path: Path, query: bytes) -> None:
    try:
        write_new(path, query)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written ({error.strerror or error})",
            where="--timestamp-request", do="choose another name",
        ) from error  # fmt: skip
