"""What does a file that is read back hold, whoever wrote it?

Results, dossiers and tables come from other people's hands.  Each reader here takes the bytes of
one file and gives plain values, or tells in a `ValueError` of one line why it cannot; nothing in
the bytes makes it raise anything else, take memory beyond a multiple of their length, or hand on
numbers that no measurement has.
"""

from __future__ import annotations

import csv
import io
import json
import re
import tomllib
import zipfile
from collections.abc import Collection
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
from numpy.typing import NDArray

from vidspin.records import FloatArray
from vidspin.wording import plain

Document = dict[str, Any]

LARGEST = 2.0**63  # no number of ours comes near; squares and cubes of it are still finite
MOST_UNPACKED = 100  # bytes of arrays for a byte of their archive; measured ones have 1 to 10
ROOM = 1 << 20  # bytes: short recordings pack better
MOST_ARRAYS = 64
MOST_DOTS = 64  # of a line of TOML
UTF_16 = (b"\xff\xfe", b"\xfe\xff")  # what a text of two bytes a letter begins with
_LONGEST_REASON = 160
_VERSION = re.compile(r"[0-9]{1,4}")
_SCHEMAS = {
    "vidspin/spin/1": "spin-1.json",
    "vidspin/manifest/1": "manifest-1.json",
    "vidspin/challenge/1": "challenge-1.json",
}


# ------------------------------------------------------------------------------- JSON


def read_json(data: bytes) -> Any:
    """Read JSON strictly.

    Parameters
    ----------
    data : bytes
        UTF-8; no NaN, no number beyond `LARGEST`, no key twice, no bottomless nesting.  Halves of
        surrogate pairs are let through: names of files can hold them.

    Raises
    ------
    ValueError
        The bytes are not such a JSON text.
    """
    try:
        value = json.loads(
            data.decode("utf-8"), parse_constant=_refuse, parse_float=_float, parse_int=_int,
            object_pairs_hook=_without_repeats,
        )  # fmt: skip
    except RecursionError as error:
        raise ValueError("nested too deeply") from error
    except ValueError as error:
        raise ValueError(_reason(error)) from error
    return value


def _refuse(name: str) -> float:
    raise ValueError(f"it holds {name}, which is not a number")


def _float(text: str) -> float:
    value = float(text)
    if abs(value) > LARGEST:
        raise ValueError(f"{plain(text, longest=20)} is too large a number")
    return value


def _int(text: str) -> int:
    # Python refuses to read thousands of digits, in words about its own settings
    if len(text) > 20 or abs(value := int(text)) >= LARGEST:
        raise ValueError(f"{plain(text, longest=20)} is too large a number")
    return value


def _without_repeats(pairs: list[tuple[str, Any]]) -> Document:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


class OtherSchemaError(ValueError):
    """A document is of an older or newer program."""

    DO = "use the version of vidspin that wrote it, or make it again with this one"


def load_schema(schema: str) -> Document:
    """Return a published JSON Schema (2020-12) by the name that documents give it."""
    text = resources.files("vidspin").joinpath("schema", _SCHEMAS[schema]).read_text("utf-8")
    loaded: Document = json.loads(text)
    return loaded


def check_schema(document: Any, schema: str) -> None:
    """Check a document against its published schema.

    Raises
    ------
    OtherSchemaError
        It names the same schema of another version.
    ValueError
        It does not follow it; the message names the place.
    """
    stated = document.get("schema") if isinstance(document, dict) else None
    if isinstance(stated, str) and stated != schema:
        family, _, version = stated.rpartition("/")
        ours = schema.rpartition("/")[0]
        if family == ours and _VERSION.fullmatch(version):
            raise OtherSchemaError(f"it is of schema {stated}, and this program reads {schema}")
    try:
        error = jsonschema.exceptions.best_match(_validator(schema).iter_errors(document))
    except RecursionError as deep:
        raise ValueError("nested too deeply") from deep
    if error is not None:
        place = "/".join(str(step) for step in error.absolute_path) or "the whole"
        message = plain(error.message, longest=_LONGEST_REASON)
        raise ValueError(f"at {plain(place, longest=_LONGEST_REASON)}: {message}")


@cache
def _validator(schema: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(load_schema(schema))


# ------------------------------------------------------------------------------- TOML


def read_toml(data: bytes) -> dict[str, Any]:
    """Read a TOML file that a person wrote.

    Parameters
    ----------
    data : bytes
        UTF-8, or with the mark of UTF-8 or UTF-16 that editors and shells of Windows put first.

    Raises
    ------
    ValueError
        It is no TOML, or nested too deeply.
    """
    try:
        text = data.decode("utf-16" if data.startswith(UTF_16) else "utf-8-sig")
        # Python's reader remembers every beginning of a dotted key: gigabytes for one of 200 KB.
        if any(line.count(".") > MOST_DOTS for line in text.split("\n")):
            raise ValueError(f"a line with more than {MOST_DOTS} dots")
        return tomllib.loads(text)
    except RecursionError as error:
        raise ValueError("nested too deeply") from error
    except ValueError as error:
        raise ValueError(_reason(error)) from error


# ----------------------------------------------------------------------------- tables


def read_columns(data: bytes) -> dict[str, FloatArray]:
    """Read a table of comma-separated numbers under a line of names.

    Parameters
    ----------
    data : bytes
        UTF-8.

    Returns
    -------
    dict of str to ndarray, shape (M,)
        Columns by name; NaN where a cell is empty.

    Raises
    ------
    ValueError
        It is no such table.
    """
    try:
        names, *rows = csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True)
    except (ValueError, csv.Error) as error:
        raise ValueError(_reason(error)) from error
    if len(set(names)) < len(names):
        raise ValueError("two columns have one name")
    if any(len(row) != len(names) for row in rows):
        raise ValueError("its rows are not of one length")
    cells = np.array([[_cell(cell) for cell in row] for row in rows], np.float64)
    return dict(zip(names, cells.reshape(len(rows), len(names)).T, strict=True))


def _cell(text: str) -> float:
    if not text:
        return np.nan
    try:
        value = float(text)
    except ValueError:
        value = np.nan
    if not abs(value) <= LARGEST:
        raise ValueError(f"{plain(text, longest=20)!r} is not a number")
    return value


# ----------------------------------------------------------------------------- arrays


def read_arrays(
    data: bytes | Path, names: Collection[str] | None = None
) -> dict[str, NDArray[Any]]:
    """Read an archive of arrays of numbers.

    Parameters
    ----------
    data : bytes or Path
        As `numpy.savez` writes it, or the place of a file that holds it.
    names : collection of str, optional
        The only arrays that are wanted; those that are missing are left out.

    Raises
    ------
    ValueError
        It is damaged, unpacks to far more than it holds, or holds anything but numbers.
    """
    try:
        size = data.stat().st_size if isinstance(data, Path) else len(data)
        with zipfile.ZipFile(_source(data)) as archive:
            entries = archive.infolist()
        if (
            sum(entry.file_size for entry in entries) > MOST_UNPACKED * size + ROOM
            or len(entries) > MOST_ARRAYS
        ):
            raise ValueError("it unpacks to far more than it can hold")
        with np.load(_source(data), allow_pickle=False) as opened:
            wanted = [name for name in opened.files if names is None or name in names]
            arrays = {name: np.asarray(opened[name]) for name in wanted}
    except Exception as error:  # unpackers raise whatever they stumble over
        raise ValueError(_reason(error)) from error
    for name, array in arrays.items():
        if array.dtype.kind not in "biuf":
            raise ValueError(f"{plain(name, longest=40)} does not hold numbers")
        if array.dtype.kind == "f" and _reaches_beyond(array):
            raise ValueError(f"{plain(name, longest=40)} holds numbers too large")
    return arrays


def _source(data: bytes | Path) -> io.BytesIO | Path:
    return data if isinstance(data, Path) else io.BytesIO(data)


def _reaches_beyond(array: NDArray[Any]) -> bool:
    """Whether a number is too large, without a copy of the array; NaN is not."""
    if not array.size:
        return False
    with np.errstate(invalid="ignore"):
        ends = float(np.fmax.reduce(array, axis=None)), float(np.fmin.reduce(array, axis=None))
    return max(map(abs, ends)) > LARGEST


def _reason(error: Exception) -> str:
    """Put what a library says into a short line."""
    return plain(" ".join((str(error) or type(error).__name__).split()), longest=_LONGEST_REASON)
