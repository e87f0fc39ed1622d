"""How do the analyses' values become tables and JSON?"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np

# A spreadsheet takes a cell that begins so for a formula and may run it.
FORMULA = ("=", "+", "-", "@", "\t", "\r")


def jsonable(value: Any, *, without: Sequence[str] = ()) -> Any:
    """Turn records, arrays and numbers into what JSON can hold; NaN and infinity become null.

    Parameters
    ----------
    value : object
        Dataclasses, mappings, sequences, numpy arrays, numbers, text, None.
    without : sequence of str
        Names of fields that are left out, wherever they are.
    """
    if is_dataclass(value) and not isinstance(value, type):
        kept = [f.name for f in fields(value) if f.name not in without]
        return {name: jsonable(getattr(value, name), without=without) for name in kept}
    if isinstance(value, Mapping):
        return {str(key): jsonable(item, without=without) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return jsonable(value.tolist(), without=without)
    if isinstance(value, list | tuple):
        return [jsonable(item, without=without) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


def safe_cell(text: str) -> str:
    """Return text for a table that no spreadsheet takes for a formula.

    A carriage return, which `csv` leaves without quotes, would begin another row.
    """
    shown = text.replace("\r", " ")
    return f"'{shown}" if text.startswith(FORMULA) else shown


def columns_csv(columns: Mapping[str, Any]) -> str:
    """Write columns of equal length as CSV; an empty cell stands for what is not known."""
    lines: list[str] = []
    writer = csv.writer(SimpleNamespace(write=lines.append), lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*([_cell(v) for v in c] for c in columns.values()), strict=True))
    return "".join(lines)


def _cell(value: Any) -> str:
    if isinstance(value, str):
        return safe_cell(value)
    if value is None or (isinstance(value, float | np.floating) and not math.isfinite(value)):
        return ""
    return f"{value:.9g}" if isinstance(value, float | np.floating) else str(value)
