"""The ledger as a table for other programs."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from vidspin.facts import fact_text
from vidspin.ledger.book import Entry
from vidspin.workshop.plain import safe_cell

_PLAIN = (
    "name", "recorded", "recorded_from", "resolved", "release_rpm", "u95_release_rpm",
    "topple_rpm", "u95_topple_rpm", "spin_time_s", "u95_spin_time_s", "at_least_s",
    "revolutions", "u95_revolutions", "folder", "added", "identity",
)  # fmt: skip


def entries_csv(entries: Sequence[Entry]) -> str:
    """Write entries as CSV: fixed columns, then one column ``fact.KEY`` for each fact."""
    keys = sorted({key for entry in entries for key in entry.facts})
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*_PLAIN, *(f"fact.{key}" for key in keys)])
    for entry in entries:
        cells = [_cell(getattr(entry, name)) for name in _PLAIN]
        writer.writerow([*cells, *(_cell(entry.facts.get(key)) for key in keys)])
    return text.getvalue()


def _cell(value: Any) -> str:
    return safe_cell(value) if isinstance(value, str) else fact_text(value)


def entries_json(entries: Sequence[Entry]) -> str:
    """Write entries as a JSON list of objects."""
    return json.dumps([asdict(entry) for entry in entries], ensure_ascii=False, allow_nan=False)


def entry_columns(entries: Sequence[Entry]) -> dict[str, list[Any]]:
    """Return entries as columns ready for a data frame."""
    keys = sorted({key for entry in entries for key in entry.facts})
    columns: dict[str, list[Any]] = {
        name: [getattr(entry, name) for entry in entries] for name in _PLAIN
    }
    return columns | {f"fact.{key}": [e.facts.get(key) for e in entries] for key in keys}
