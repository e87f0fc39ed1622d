"""Facts that a person tells of an attempt, read from files."""

from __future__ import annotations

import tomllib
from pathlib import Path

from vidspin.errors import UsageError
from vidspin.facts import facts_from_table, printable
from vidspin.records import Fact

BESIDE = "attempt.toml"
MOST_BYTES = 1 << 20  # a file of facts is a page or two


def facts_from_file(path: Path) -> dict[str, Fact]:
    """Read the facts that a TOML file holds.

    Raises
    ------
    UsageError
        When the file cannot be read, is no TOML or holds what is no fact.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise UsageError("too large for facts", where=str(path), do="give a small TOML file")
        table = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise UsageError(
            f"the file cannot be read ({error.strerror or error})",
            where=str(path),
            do="give a TOML file of facts",
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise UsageError(
            f"not a TOML file ({printable(str(error), most=80)})",
            where=str(path),
            do='write lines such as tip = "carbide"',
        ) from error
    return facts_from_table(table, where=str(path))


def facts_beside(recording: Path) -> dict[str, Fact]:
    """Read ``attempt.toml`` in the recording's folder; nothing where there is none."""
    path = recording.parent / BESIDE
    return facts_from_file(path) if path.is_file() else {}
