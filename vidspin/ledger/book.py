"""What can be asked of the ledger, and what is put into it."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any

from vidspin.errors import UsageError
from vidspin.facts import fact_text, has_facts, printable
from vidspin.ledger.schema import checksum, connect, damaged, roll_back, told
from vidspin.ledger.telling import Told, facts_json
from vidspin.records import Fact
from vidspin.units import instant_key
from vidspin.workshop.attempt import MEASURED, Attempt, End

SORTS = {
    "date": "CASE recorded_from WHEN 'measured' THEN '' ELSE recorded END, recorded, name",
    "best": "coalesce(spin_time_s, at_least_s) IS NULL, coalesce(spin_time_s, at_least_s) DESC",
    "worst": "spin_time_s IS NULL, spin_time_s",
    "fastest": "release_rpm IS NULL, release_rpm DESC",
    "slowest": "release_rpm IS NULL, release_rpm",
}
PARTS = ("tip", "base")
_NUMBERS = (
    "release_rpm", "u95_release_rpm", "topple_rpm", "u95_topple_rpm", "spin_time_s",
    "u95_spin_time_s", "at_least_s", "revolutions", "u95_revolutions",
)  # fmt: skip
_COLUMNS = (
    "identity", "name", "folder", "recorded", "recorded_from", "added", "resolved",
    "candidates", *_NUMBERS, "facts",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Entry:
    """One attempt as the ledger keeps it."""

    identity: str  # hashes of the recording's files: the same recording has one entry
    name: str
    folder: str
    recorded: str  # UTC, ISO 8601; a day where only that is known, empty where not even that
    recorded_from: str
    added: str
    resolved: bool
    candidates: tuple[tuple[float, float], ...]
    release_rpm: float | None
    u95_release_rpm: float | None
    topple_rpm: float | None
    u95_topple_rpm: float | None
    spin_time_s: float | None
    u95_spin_time_s: float | None
    at_least_s: float | None
    revolutions: float | None
    u95_revolutions: float | None
    facts: dict[str, Fact]

    @property
    def dated(self) -> str:
        """When it was recorded; empty where nobody knows, for a day of measuring tells nothing."""
        return "" if self.recorded_from == MEASURED else self.recorded

    @property
    def digests(self) -> tuple[str, ...]:
        """SHA-256 of the files; none where nobody knew them."""
        return () if self.identity == self.folder else tuple(self.identity.split("+"))

    def attempt(self) -> Attempt:
        """Return what `starts` needs; speeds and phase are in the result folder only."""
        ends = [
            None if rpm is None else End(float("nan"), float("nan"), rpm, u95 or 0.0)
            for rpm, u95 in (
                (self.release_rpm, self.u95_release_rpm),
                (self.topple_rpm, self.u95_topple_rpm),
            )
        ]
        return Attempt(
            name=self.name, facts=self.facts, resolved=self.resolved, candidates=self.candidates,
            release=ends[0], topple=ends[1], spin_time_s=self.spin_time_s,
            u95_spin_time_s=self.u95_spin_time_s, at_least_s=self.at_least_s,
            revolutions=self.revolutions, u95_revolutions=self.u95_revolutions,
            recorded=self.recorded, recorded_from=self.recorded_from, sha256=self.digests,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Choice:
    """Which attempts to list."""

    where: Mapping[str, Fact] | None = None
    since: str = ""  # ISO 8601 day or instant, included; leaves out what has no date, as
    until: str = ""  # this does; a day is included whole
    sort: str = "date"
    most: int | None = None


@dataclass(frozen=True, slots=True)
class Wear:
    """What one tip or base has done since it was last reground."""

    part: str
    name: str
    since: str  # of the last regrind, empty when never
    attempts: int
    hours: float
    revolutions: float  # of the attempts whose alias order is resolved
    uncounted: int  # attempts whose revolutions are not known
    untimed: int  # attempts whose whole spin time is not known; what was seen of it counts
    undated: int  # attempts not counted: without a date they may be from before `since`


def entry_of(attempt: Attempt, folder: Path, *, added: str) -> Entry:
    """Draw up the entry of an attempt whose result lies in a folder.

    Raises
    ------
    UsageError
        When a person told a date that is none: it could not be held against any day.
    """
    if attempt.recorded_from == "told" and not instant_key(attempt.recorded):
        raise UsageError(
            f"its date {attempt.recorded[:40]!r} is no day", where=str(folder),
            do="add it by itself with --fact date=2024-05-01",
        )  # fmt: skip
    release, topple = attempt.release, attempt.topple
    place = os.fsencode(folder).decode("utf-8", "replace")  # the database keeps UTF-8 alone
    return Entry(
        identity="+".join(attempt.sha256) or place,
        name=attempt.name,
        folder=place,
        recorded=instant_key(attempt.recorded),
        recorded_from=attempt.recorded_from,
        added=added,
        resolved=attempt.resolved,
        candidates=attempt.candidates,
        release_rpm=release.rpm if release else None,
        u95_release_rpm=release.u95_rpm if release else None,
        topple_rpm=topple.rpm if topple else None,
        u95_topple_rpm=topple.u95_rpm if topple else None,
        spin_time_s=attempt.spin_time_s,
        u95_spin_time_s=attempt.u95_spin_time_s,
        at_least_s=attempt.at_least_s,
        revolutions=attempt.revolutions,
        u95_revolutions=attempt.u95_revolutions,
        facts=dict(attempt.facts),
    )


class Ledger:
    """A ledger file that is open; use it as a context.

    Parameters
    ----------
    path : Path
    create : bool
        Make an empty ledger where there is no file.

    Raises
    ------
    UsageError, CheckFailed
        See `schema.connect`.
    """

    def __init__(self, path: Path, *, create: bool = False) -> None:
        self.path = path
        self._connection = connect(path, create=create)

    def __enter__(self) -> Ledger:
        """Return the open ledger."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the file."""
        self._connection.close()

    @contextmanager
    def _asking(self) -> Iterator[sqlite3.Connection]:
        try:
            yield self._connection
        except (sqlite3.Error, UnicodeDecodeError) as error:
            raise told(error, self.path) from error

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """Hold the only write lock from the first statement on; all or nothing is kept."""
        with self._asking() as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                roll_back(connection)
                raise

    # ---------------------------------------------------------------------- attempts

    def add(
        self, entries: Iterable[Entry], stated: Mapping[str, Fact] | None = None
    ) -> tuple[int, int]:
        """Put attempts in; one that is there already is brought up to date.

        So is one that shares a file with it: a chapter that was added alone before, say.

        Parameters
        ----------
        entries : iterable of Entry
        stated : mapping, optional
            Facts told to the ledger about all of them.  They stay, over those of the result,
            until others are told.

        Returns
        -------
        new, renewed : int
        """
        new = renewed = 0
        columns = (*_COLUMNS, "checksum")
        renewal = ", ".join(f"{c} = excluded.{c}" for c in columns)
        statement = (
            f"INSERT INTO attempts ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))}) "
            f"ON CONFLICT (identity) DO UPDATE SET {renewal}"
        )
        with self._writing() as connection:
            there = connection.execute("SELECT identity FROM attempts").fetchall()
            owner = {digest: one for (one,) in there for digest in one.split("+")}
            told = Told(connection, self._whole)
            for entry in entries:
                known = {owner[digest] for digest in entry.identity.split("+") if digest in owner}
                for identity in sorted(one for one in known if not told.knows(one)):
                    told.tell(identity, self._mixed(connection, identity, entry))
                if stated or not told.knows(entry.identity):
                    told.tell(entry.identity, stated or {})
                connection.executemany(
                    "DELETE FROM attempts WHERE identity = ?",
                    [(one,) for one in known - {entry.identity}],
                )
                owner |= dict.fromkeys(entry.identity.split("+"), entry.identity)
                row = _row(_with_told(entry, told.about(entry.identity)))
                connection.execute(statement, [*row, checksum(row)])
                new, renewed = (new, renewed + 1) if known else (new + 1, renewed)
        return new, renewed

    def _mixed(
        self, connection: sqlite3.Connection, identity: str, entry: Entry
    ) -> dict[str, Fact]:
        """Take what earlier versions, which did not keep apart who told what, told of a recording.

        What the result that comes now tells itself is that.
        """
        query = "SELECT facts FROM attempts WHERE identity = ?"
        facts = json.loads(connection.execute(query, [identity]).fetchone()[0])
        return {key: facts[key] for key in facts if key not in entry.facts}

    def entries(self, choice: Choice | None = None) -> list[Entry]:
        """List attempts.

        Parameters
        ----------
        choice : Choice, optional
            All, by date, by default.

        Raises
        ------
        UsageError
            When the order or a day is not known.
        """
        choice = choice or Choice()
        conditions, values = _conditions(choice)
        query = f"SELECT {', '.join(_COLUMNS)}, checksum FROM attempts"
        if conditions:
            query += f" WHERE {' AND '.join(conditions)}"
        query += f" ORDER BY {SORTS[choice.sort]}"
        with self._asking() as connection:
            rows = connection.execute(query, values).fetchall()
        found = [_entry(row) for row in self._whole(rows)]
        return [e for e in found if has_facts(e.facts, choice.where or {})][: choice.most]

    def _whole(self, rows: Iterable[Sequence[Any]]) -> Iterator[Sequence[Any]]:
        """Pass on rows without their checksum, which must be right."""
        for *row, stored in rows:
            if checksum(row) != stored:
                raise damaged(self.path, "the content of a row has changed")
            yield row

    def undated(self, choice: Choice) -> list[Entry]:
        """List what the days of a choice leave out since nobody knows when it was recorded."""
        if not (choice.since or choice.until):
            return []
        return [e for e in self.entries(Choice(where=choice.where)) if not e.dated]

    # -------------------------------------------------------------------------- wear

    def regrind(self, part: str, name: str, *, at: str, added: str, note: str = "") -> str:
        """Note that a tip or base was reground (or is new) at a day or instant.

        Returns
        -------
        str
            The day or instant as it is kept, in UTC.

        Raises
        ------
        UsageError
            When the part is neither, or the day is none.
        """
        key = instant_key(at)
        if part not in PARTS:
            raise UsageError(f"{part!r} is no part that wears", where="PART", do="give tip or base")
        if not key:
            raise UsageError(f"{at!r} is no day", where="--on", do="give one such as 2024-05-01")
        row = [part, printable(name), key, printable(note), added]
        with self._writing() as connection:
            connection.execute(
                "INSERT INTO regrinds (part, name, at, note, added, checksum) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                [*row, checksum(row)],
            )
        return key

    def used(self, part: str) -> list[str]:
        """List the tips or bases of the attempts, by name."""
        names = {fact_text(entry.facts.get(part)) for entry in self.entries()}
        return sorted(names - {""})

    def wear(self) -> list[Wear]:
        """Add up revolutions and hours of every tip and base since its last regrind."""
        with self._asking() as connection:
            rows = connection.execute(
                "SELECT part, name, at, note, added, checksum FROM regrinds ORDER BY at"
            ).fetchall()
        last = {(part, name): at for part, name, at, *_ in self._whole(rows)}
        used = {key: _unworn(*key, at) for key, at in last.items()}
        for entry in self.entries():
            for part in PARTS:
                name = fact_text(entry.facts.get(part))
                since = last.get((part, name), "")
                if not name or (entry.recorded and entry.recorded < since):
                    continue
                wear = used.get((part, name), _unworn(part, name, ""))
                undated = since and not entry.dated
                used[part, name] = (
                    replace(wear, undated=wear.undated + 1) if undated else _worn(wear, entry)
                )
        return [used[key] for key in sorted(used)]


def _unworn(part: str, name: str, since: str) -> Wear:
    return Wear(part, name, since, 0, 0.0, 0.0, 0, 0, 0)


def _worn(wear: Wear, entry: Entry) -> Wear:
    seconds = entry.spin_time_s if entry.spin_time_s is not None else entry.at_least_s
    turned = entry.revolutions
    return replace(
        wear, attempts=wear.attempts + 1, hours=wear.hours + (seconds or 0.0) / 3600.0,
        revolutions=wear.revolutions + (turned or 0.0), uncounted=wear.uncounted + (turned is None),
        untimed=wear.untimed + (entry.spin_time_s is None),
    )  # fmt: skip


def _conditions(choice: Choice) -> tuple[list[str], list[Any]]:
    if choice.sort not in SORTS:
        raise UsageError(
            f"{choice.sort!r} is no order", where="--sort", do=f"give {', '.join(SORTS)}"
        )
    conditions: list[str] = []
    values: list[Any] = []
    if choice.since or choice.until:
        conditions.append("recorded <> '' AND recorded_from <> ?")
        values.append(MEASURED)
    for option, text, sign in (("--since", choice.since, ">="), ("--until", choice.until, "<=")):
        if text:
            key = instant_key(text)
            if not key:
                raise UsageError(f"{text!r} is no day", where=option, do="give 2024-05-01")
            whole_day = "T" not in key and sign == "<="
            conditions.append(f"recorded {sign} ?")
            values.append(f"{key}T99" if whole_day else key)
    return conditions, values


def _row(entry: Entry) -> list[Any]:
    values: dict[str, Any] = {name: getattr(entry, name) for name in _COLUMNS}
    for name in _NUMBERS:  # as SQLite will hand them back, for the checksum
        values[name] = None if values[name] is None else float(values[name])
    values["resolved"] = int(entry.resolved)
    values["candidates"] = json.dumps(entry.candidates)
    values["facts"] = facts_json(entry.facts)
    return list(values.values())


def _with_told(entry: Entry, facts: Mapping[str, Fact]) -> Entry:
    """Lay told facts over those of the result; a date among them is when it was recorded."""
    more = replace(entry, facts={**entry.facts, **facts})
    day = instant_key(fact_text(facts.get("date")))
    return replace(more, recorded=day, recorded_from="told") if day else more


def _entry(row: Sequence[Any]) -> Entry:
    """Make an entry of a row; its fields stand in the order of `_COLUMNS`."""
    *told, resolved, candidates = row[:8]
    pairs = () if candidates == "[]" else tuple((r, p) for r, p in json.loads(candidates))
    values: list[Any] = [*told, bool(resolved), pairs, *row[8:-1], json.loads(row[-1])]
    return Entry(*values)
