"""How a result is written and read back.

A result folder is written to a temporary sibling and renamed when it is whole: a reader
sees a complete folder or none.
"""

from __future__ import annotations

from vidspin.store.attempts import find_results, read_attempt
from vidspin.store.document import SCHEMA, load_schema, to_json
from vidspin.store.folder import StoredResult, check_target, read_files, read_result, write_result
from vidspin.store.tables import candidates_table, sightings_table, speed_table

__all__ = [
    "SCHEMA",
    "StoredResult",
    "candidates_table",
    "check_target",
    "find_results",
    "load_schema",
    "read_attempt",
    "read_files",
    "read_result",
    "sightings_table",
    "speed_table",
    "to_json",
    "write_result",
]
