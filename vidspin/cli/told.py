"""Facts that a person tells of an attempt, read from files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from vidspin.documents import read_toml as parsed
from vidspin.errors import UsageError
from vidspin.facts import facts_from_table, printable
from vidspin.records import Fact

BESIDE = "attempt.toml"
MOST_BYTES = 1 << 20  # a file of facts is a page or two


def read_toml(path: Path, *, of: str, example: str) -> dict[str, Any]:
    """Read a small TOML file.

    Parameters
    ----------
    path : Path
    of : str
        What the file holds, for the error.
    example : str
        A line of such a file, for the error.

    Raises
    ------
    UsageError
        When it cannot be read, is far too large or is no TOML.
    """
    where = str(path)
    try:
        with path.open("rb") as file:  # devices and pipes do not tell their length
            data = file.read(MOST_BYTES + 1)
        if len(data) > MOST_BYTES:
            raise UsageError(f"too large for {of}", where=where, do="give a small TOML file")
        return parsed(data)
    except OSError as error:
        raise UsageError(
            f"the file cannot be read ({error.strerror or error})", where=where,
            do=f"give a TOML file of {of}",
        ) from error  # fmt: skip
    except ValueError as error:
        raise UsageError(
            f"not a TOML file ({printable(str(error), most=80)})", where=where,
            do=f"write lines such as {example}",
        ) from error  # fmt: skip


def facts_from_file(path: Path) -> dict[str, Fact]:
    """Read the facts that a TOML file holds.

    Raises
    ------
    UsageError
        When the file cannot be read, is no TOML or holds what is no fact.
    """
    table = read_toml(path, of="facts", example='tip = "carbide"')
    return facts_from_table(table, where=str(path))


def facts_beside(recording: Path) -> dict[str, Fact]:
    """Read ``attempt.toml`` in the recording's folder; nothing where there is none."""
    path = recording.parent / BESIDE
    return facts_from_file(path) if path.is_file() else {}
