"""How a ledger file is laid out, and how an older one becomes a newer one.

One step of `MIGRATIONS` leads from each version to the next; a file's version is SQLite's
``user_version``.  Steps that were released are never changed, only added to.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from vidspin.errors import CheckFailed, UsageError

# "vspn" as a number: tells a ledger from any other SQLite file.
APPLICATION_ID = 0x7673706E
# Another writer is waited for so long; adding one attempt takes some milliseconds.
BUSY_S = 30.0

MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE attempts (
            id INTEGER PRIMARY KEY,
            identity TEXT NOT NULL UNIQUE,
            name TEXT NOT NULL,
            folder TEXT NOT NULL,
            recorded TEXT NOT NULL,
            recorded_from TEXT NOT NULL,
            added TEXT NOT NULL,
            resolved INTEGER NOT NULL,
            candidates TEXT NOT NULL,
            release_rpm REAL, u95_release_rpm REAL,
            topple_rpm REAL, u95_topple_rpm REAL,
            spin_time_s REAL, u95_spin_time_s REAL, at_least_s REAL,
            revolutions REAL, u95_revolutions REAL,
            facts TEXT NOT NULL,
            checksum INTEGER NOT NULL
        ) STRICT""",
        "CREATE INDEX by_recorded ON attempts (recorded)",
    ),
    (
        """CREATE TABLE regrinds (
            id INTEGER PRIMARY KEY,
            part TEXT NOT NULL,
            name TEXT NOT NULL,
            at TEXT NOT NULL,
            note TEXT NOT NULL,
            added TEXT NOT NULL,
            checksum INTEGER NOT NULL
        ) STRICT""",
    ),
    (
        """CREATE TABLE told (
            identity TEXT PRIMARY KEY,
            facts TEXT NOT NULL,
            checksum INTEGER NOT NULL
        ) STRICT""",
    ),
)
VERSION = len(MIGRATIONS)
READ_FROM = 2  # an archive of this version and later can be listed as it is


def checksum(values: Sequence[Any]) -> int:
    """Return the CRC-32 of a row: SQLite checks how its pages hang together, not what they say."""
    return zlib.crc32(ascii(list(values)).encode())


def damaged(path: Path, why: str) -> CheckFailed:
    """Return the error that tells of a damaged file and what can be done."""
    return CheckFailed(
        f"the ledger is damaged ({why})",
        where=str(path),
        do="put back a copy of the file, or move it away and make it anew with `vidspin ledger "
        "add` from the result folders, which hold everything but the regrinds and the facts "
        "stated with `ledger add --fact`",
    )


def connect(path: Path, *, create: bool) -> sqlite3.Connection:
    """Open a ledger file, check that it is whole and bring it to the current version.

    Parameters
    ----------
    path : Path
    create : bool
        Make an empty ledger where there is no file.

    Raises
    ------
    UsageError
        When there is no such file, it is no ledger, it is of a newer program, or somebody
        else keeps it locked.
    CheckFailed
        When it is damaged.
    """
    if not path.exists() and not create:
        raise UsageError(
            "there is no such ledger", where=str(path), do="start one with `vidspin ledger add`"
        )
    fresh = not path.exists()
    try:
        connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
    except sqlite3.Error as error:
        raise UsageError(
            f"the file cannot be opened ({error})", where=str(path), do="give another --ledger"
        ) from error
    connection.text_factory = _text
    try:
        _check(connection, path)
        _migrate(connection)
    except (sqlite3.Error, UnicodeDecodeError) as error:
        connection.close()
        why = told(error, path)
        if fresh and isinstance(why, UsageError) and "locked" not in str(error):
            _remove_empty(path)
        raise why from error
    except BaseException:
        connection.close()
        raise
    return connection


def _remove_empty(path: Path) -> None:
    """Remove the file of a ledger that could not be begun."""
    with suppress(OSError):
        if path.stat().st_size == 0:
            path.unlink()


def roll_back(connection: sqlite3.Connection) -> None:
    """Undo what is not committed; a full disk may have made the database do so itself."""
    with suppress(sqlite3.Error):  # the reason is on its way already
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def _text(data: bytes) -> str:
    """Read a text; in a damaged file it may be none."""
    return data.decode("utf-8", "replace")


def told(error: sqlite3.Error | UnicodeDecodeError, path: Path) -> UsageError | CheckFailed:
    """Turn an error of the database into one of ours."""
    if isinstance(error, UnicodeDecodeError):  # sqlite quotes what it stumbled over
        return damaged(path, "it holds what is no text")
    words = str(error)
    if isinstance(error, sqlite3.OperationalError) and "locked" in words:
        return UsageError(
            "another program has kept it locked", where=str(path), do="try again when it is done"
        )
    if isinstance(error, sqlite3.OperationalError) and (
        "readonly" in words or "unable to open" in words or "full" in words or "I/O" in words
    ):
        return UsageError(
            f"the ledger cannot be written ({words})",
            where=str(path),
            do="free the disk or give another --ledger",
        )
    if "not a database" in words:
        words = "or it is no ledger: it does not begin as a database does"
    return damaged(path, words)


def _check(connection: sqlite3.Connection, path: Path) -> None:
    """Tell apart: empty, ours and whole, ours and damaged, not ours, newer."""
    connection.execute("BEGIN")  # one view of the file: another program may be making it just now
    try:
        _look(connection, path)
    finally:
        roll_back(connection)


def _look(connection: sqlite3.Connection, path: Path) -> None:
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
    empty = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    if empty and version == 0 and owner == 0:
        return
    if owner != APPLICATION_ID:
        raise UsageError(
            "the file is a database of another program", where=str(path), do="give another --ledger"
        )
    if version > VERSION:
        raise UsageError(
            f"the ledger is of version {version}, this program knows {VERSION}",
            where=str(path),
            do="use a newer vidspin",
        )
    finding = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    if finding != "ok":
        raise damaged(path, finding.splitlines()[0])


def _migrate(connection: sqlite3.Connection) -> None:
    """Take the steps that are missing; a second writer that comes at the same time waits."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version == VERSION:
        return
    try:
        connection.execute("BEGIN IMMEDIATE")
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        for step in MIGRATIONS[version:]:
            for statement in step:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {VERSION}")
        connection.execute("COMMIT")
    except BaseException as error:
        roll_back(connection)
        if version >= READ_FROM and "readonly" in str(error):
            return  # what listing needs is there
        raise
