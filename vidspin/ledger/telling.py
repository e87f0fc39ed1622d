"""What was told to the ledger about a recording, and about others that hold the same files?

Chapters are joined and split again as a person likes, and what was told of each stays with its
files: a row is kept for every recording that was ever told of, also when another one has taken its
place among the attempts.  What counts for a recording is all that was told of any that shares a
file with it, the later over the earlier.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from vidspin.ledger.schema import checksum
from vidspin.records import Fact

Whole = Callable[[Iterable[Sequence[Any]]], Iterator[Sequence[Any]]]


def facts_json(facts: Mapping[str, Fact]) -> str:
    """Write facts as a row keeps them."""
    return json.dumps(facts, ensure_ascii=False, sort_keys=True, allow_nan=False)


class Told:
    """The table ``told`` while a transaction writes.

    Parameters
    ----------
    connection : sqlite3.Connection
    whole : callable
        Passes on rows without their checksum, which must be right.
    """

    def __init__(self, connection: sqlite3.Connection, whole: Whole) -> None:
        self._connection, self._whole = connection, whole
        self._turns: dict[str, int] = {}  # identity and when it was told of last
        self._last = 0
        self._of: dict[str, set[str]] = {}  # file and the recordings that hold it
        for (identity,) in connection.execute("SELECT identity FROM told ORDER BY rowid"):
            self._note(identity)

    def _note(self, identity: str) -> None:
        self._last += 1
        self._turns[identity] = self._last
        for digest in identity.split("+"):
            self._of.setdefault(digest, set()).add(identity)

    def knows(self, identity: str) -> bool:
        """Whether this very recording has a row."""
        return identity in self._turns

    def about(self, identity: str) -> dict[str, Fact]:
        """Return all that counts for a recording."""
        sharing = {one for digest in identity.split("+") for one in self._of.get(digest, ())}
        facts: dict[str, Fact] = {}
        for one in sorted(sharing, key=self._turns.__getitem__):
            facts |= self._row(one)
        return facts

    def tell(self, identity: str, facts: Mapping[str, Fact]) -> None:
        """Keep what is told of a recording now; what was told of it before goes on to count."""
        before = self.about(identity)
        own = self._row(identity) if self.knows(identity) else {}
        row = [identity, facts_json({**{key: before[key] for key in own}, **facts})]
        self._connection.execute("DELETE FROM told WHERE identity = ?", [identity])
        self._connection.execute(
            "INSERT INTO told (identity, facts, checksum) VALUES (?, ?, ?)", [*row, checksum(row)]
        )
        self._note(identity)

    def _row(self, identity: str) -> dict[str, Fact]:
        rows = self._connection.execute(
            "SELECT identity, facts, checksum FROM told WHERE identity = ?", [identity]
        ).fetchall()
        facts: dict[str, Fact] = {}
        for _, said in self._whole(rows):
            facts = json.loads(said)
        return facts
