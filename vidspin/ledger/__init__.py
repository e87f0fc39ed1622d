"""The attempts so far, in one SQLite file that several programs may write at once."""

from __future__ import annotations

from vidspin.ledger.book import Choice, Entry, Ledger, Wear, entry_of
from vidspin.ledger.tables import entries_csv, entries_json, entry_columns

__all__ = [
    "Choice",
    "Entry",
    "Ledger",
    "Wear",
    "entries_csv",
    "entries_json",
    "entry_columns",
    "entry_of",
]
