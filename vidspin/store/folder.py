"""How a result folder comes to be, whole or not at all, and how it is read."""

from __future__ import annotations

import errno
import json
import os
import stat
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from vidspin.documents import (
    Document,
    OtherSchemaError,
    check_schema,
    read_arrays,
    read_columns,
    read_json,
)
from vidspin.errors import UsageError
from vidspin.facts import printable
from vidspin.records import FloatArray, Result
from vidspin.store.document import SCHEMA, drafted, with_files
from vidspin.store.tables import SPEED_COLUMNS, candidates_table, speed_table, write_sightings
from vidspin.whole import Write, new_folder, write_new

DOCUMENT = "spin.json"
SPEED_TABLE = "speed.csv"
SIGHTINGS_TABLE = "sightings.npz"
CANDIDATES_TABLE = "candidates.csv"
REPORT = "report.html"

# Far above what 100 minutes at 240 frames a second give; what is read whole must end somewhere.
_MOST_BYTES = {DOCUMENT: 1 << 26, SPEED_TABLE: 1 << 26, CANDIDATES_TABLE: 1 << 26,
               SIGHTINGS_TABLE: 1 << 30}  # fmt: skip
_ARRAYS = {
    "time_s", "angle_rad", "u_rad", "quality", "x_px", "y_px", "flags", "chapter", "residual_rad",
}  # fmt: skip
_LONGEST_REASON = 200

Report = Callable[[Mapping[str, bytes | Path]], bytes]  # from what the other files hold

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class StoredResult:
    """A result folder as read back.

    Attributes
    ----------
    document : dict
        ``spin.json``.
    speed : dict of str to ndarray, shape (M,)
        Columns of ``speed.csv``; NaN where a cell is empty.
    sightings : dict of str to ndarray, shape (N,)
        Arrays of ``sightings.npz``.
    candidates : dict of str to ndarray, shape (M,), or None
        Columns of ``candidates.csv``; None when the alias order is resolved.
    """

    document: Document
    speed: dict[str, FloatArray]
    sightings: dict[str, NDArray[Any]]
    candidates: dict[str, FloatArray] | None


def check_target(folder: Path, *, overwrite: bool) -> None:
    """Make sure that a result may be written to `folder`; ask before long work.

    Parameters
    ----------
    folder : Path
        The result folder to be.
    overwrite : bool
        Whether a result that is there already may be replaced.

    Raises
    ------
    UsageError
        When something is there that may not be replaced.  Even with `overwrite` only a
        result folder is replaced, and only one to which nobody has added files.
    """
    if not os.path.lexists(folder):
        _check_name(folder)
        return
    if folder.is_symlink() or not folder.is_dir():
        raise UsageError(
            "a file of that name is in the way",
            where=str(folder),
            do="move it or choose another folder with --out",
        )
    if not overwrite:
        raise UsageError(
            "this folder is already there",
            where=str(folder),
            do="add --overwrite to replace it or choose another place with --out",
        )
    foreign = _foreign_entries(folder)
    if foreign:
        raise UsageError(
            f"the folder holds what no measurement wrote ({foreign[0]})",
            where=str(folder),
            do="move it out of the way; --overwrite replaces results only",
        )


def _check_name(folder: Path) -> None:
    """Ask the file system whether it could take the name at all."""
    try:
        folder.lstat()
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            raise UsageError(
                "the name of its result folder would be too long",
                where=str(folder),
                do="give the recording a shorter name",
            ) from error
    except ValueError as error:  # a letter that no file system takes
        raise UsageError(
            f"no folder can have this name ({error})", where=repr(str(folder)), do="choose another"
        ) from error


def _foreign_entries(folder: Path) -> list[str]:
    """Names in the folder that its own ``spin.json`` does not list; hidden ones do not count."""
    names = {entry.name for entry in folder.iterdir() if not entry.name.startswith(".")}
    listed: set[str] = set()
    with suppress(OSError, ValueError):
        document = json.loads((folder / DOCUMENT).read_text("utf-8"))
        if isinstance(document, dict) and document.get("schema") == SCHEMA:
            listed = {DOCUMENT, *map(str, document.get("files", []))}
    return sorted(names - listed)


@dataclass(frozen=True, slots=True)
class Draft:
    """What a result folder holds beside pictures: nothing of it asks for the result any more.

    Attributes
    ----------
    document : dict
        ``spin.json`` but for the names of the files.
    tables : dict of str to bytes or callable
        Name of each table to its content, or to what writes that into an open file.
    """

    document: Document
    tables: dict[str, bytes | Write]


def draft_of(result: Result, sightings: Write | None = None) -> Draft:
    """Draw up document and tables, so that what only they tell of every frame can be let go.

    Parameters
    ----------
    result : Result
        What was measured.
    sightings : callable, optional
        Writes what `write_sightings` made of the result while it had its basis.
    """
    tables: dict[str, bytes | Write] = {
        SPEED_TABLE: speed_table(result).encode(),
        SIGHTINGS_TABLE: partial(write_sightings, result) if sightings is None else sightings,
    }
    if not result.alias.resolved:
        tables[CANDIDATES_TABLE] = candidates_table(result).encode()
    return Draft(drafted(result), tables)


def write_result(
    result: Result,
    pictures: Mapping[str, bytes],
    folder: Path,
    *,
    overwrite: bool = False,
    report: Report | None = None,
) -> Document:
    """Write a result folder, whole or not at all.

    Parameters
    ----------
    result : Result
        What was measured.
    pictures : mapping of str to bytes
        File name and content of each picture.
    folder : Path
        The result folder; its parents are made when they are missing.
    overwrite : bool
        Replace a result that is there already.
    report : callable, optional
        Draws up ``report.html`` from the names of all other files, and what each holds: its
        bytes or its place.

    Returns
    -------
    dict
        The document written to ``spin.json``.

    Raises
    ------
    UsageError
        When something is in the way (see `check_target`) or the place cannot be written.
    """
    return write_draft(draft_of(result), pictures, folder, overwrite=overwrite, report=report)


def write_draft(
    draft: Draft,
    pictures: Mapping[str, bytes],
    folder: Path,
    *,
    overwrite: bool = False,
    report: Report | None = None,
) -> Document:
    """Write what `draft_of` gave and the pictures beside it, as `write_result` does."""
    check_target(folder, overwrite=overwrite)
    files = {**draft.tables, **pictures}
    names = sorted([*files, *([REPORT] if report else [])])
    document = with_files(draft.document, names)
    write_files(document, files, folder, report=report)
    return document


def write_files(
    document: Document,
    files: Mapping[str, bytes | Write],
    folder: Path,
    *,
    report: Report | None = None,
) -> None:
    """Write a document and the files that it lists as a result folder, whole or not at all.

    Parameters
    ----------
    document : dict
    files : mapping of str to bytes or callable
        Without ``spin.json`` and ``report.html``; a callable writes into the open file.
    folder : Path
        What `check_target` let pass.
    report : callable, optional
        As for `write_result`.

    Raises
    ------
    UsageError
        When the place cannot be written.
    """
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    _write({**files, DOCUMENT: text.encode()}, folder, report)


def write_contents(files: Mapping[str, bytes], folder: Path) -> None:
    """Write a result folder as it is, such as one that was made elsewhere, whole or not at all.

    Parameters
    ----------
    files : mapping of str to bytes
        All of them.
    folder : Path
        What `check_target` let pass.

    Raises
    ------
    UsageError
        When the place cannot be written.
    """
    _write(files, folder, None)


def _write(files: Mapping[str, bytes | Write], folder: Path, report: Report | None) -> None:
    try:
        with new_folder(folder) as fresh:
            for name, content in files.items():
                write_new(fresh / name, content)
            if report is not None:
                # what was not held in memory before need not be for the report
                held = {n: fresh / n if callable(c) else c for n, c in files.items()}
                write_new(fresh / REPORT, report(held))
    except OSError as error:
        raise UsageError(
            f"the result cannot be written ({error.strerror or error})",
            where=str(folder),
            do="free the disk or choose another place with --out",
        ) from error


# -------------------------------------------------------------------------- reading


def read_result(folder: Path) -> StoredResult:
    """Read a result folder.

    Parameters
    ----------
    folder : Path
        A folder that `write_result` wrote.

    Returns
    -------
    StoredResult
        The parsed document and tables.

    Raises
    ------
    UsageError
        When the folder is not a result of this schema or is damaged.
    """
    document = _read(folder / DOCUMENT, _document)
    speed = _read(folder / SPEED_TABLE, _speeds)
    sightings = _read(folder / SIGHTINGS_TABLE, _sightings)
    candidates = None
    if not document["alias"]["resolved"]:
        candidates = _read(folder / CANDIDATES_TABLE, read_columns)
    return StoredResult(document, speed, sightings, candidates)


def read_files(folder: Path) -> dict[str, bytes]:
    """Read every file of a result folder as it lies there, for a report or a dossier.

    Parameters
    ----------
    folder : Path
        A folder that `write_result` wrote.

    Returns
    -------
    dict of str to bytes
        ``spin.json`` and the files that it lists, by name.

    Raises
    ------
    UsageError
        When a listed file is missing, or its name leads out of the folder.
    """
    document = _read(folder / DOCUMENT, _document)
    names = [DOCUMENT, *map(str, document["files"])]
    for name in names:
        if name in {"", ".", ".."} or "/" in name or "\\" in name or "\0" in name:
            raise UsageError(
                f"it lists {name!r}, which is no file of the folder",
                where=str(folder / DOCUMENT),
                do="give a folder that `vidspin measure` wrote",
            )
    return {name: _read_plain(folder / name) for name in names}


def refuse_no_folder(place: Path) -> None:
    """Tell apart a name that is none, or that of a file, from a folder that holds no result."""
    if not os.path.lexists(place):
        raise UsageError("there is no such folder", where=str(place), do="check the name")
    if not place.is_dir():
        raise UsageError(
            "this is no result folder", where=str(place),
            do="give a folder that `vidspin measure` wrote",
        )  # fmt: skip


def _read(path: Path, reader: Callable[[bytes], _T]) -> _T:
    """Read one file; whatever is wrong with it is told in one line."""
    try:
        return reader(_content(path))
    except (FileNotFoundError, NotADirectoryError):
        refuse_no_folder(path.parent)
        place = path.parent if path.name == DOCUMENT else path  # it is the folder that is none
        what, inner = "not a result folder, or an incomplete one", path.parent / "data" / "result"
        if path.name == DOCUMENT and inner.is_dir():
            raise UsageError(
                "a dossier, not a result folder", where=str(path.parent), do=f"give {inner}"
            ) from None
    except OSError as error:  # nothing is known of what it holds
        raise UsageError(
            f"it cannot be read ({error.strerror or error})", where=str(path),
            do="look to its permissions and the disk",
        ) from error  # fmt: skip
    except OtherSchemaError as error:
        raise UsageError(str(error), where=str(path), do=error.DO) from None
    except ValueError as error:
        reason = printable(str(error) or type(error).__name__, most=_LONGEST_REASON)
        what, place = f"the file is damaged ({reason})", path
    raise UsageError(what, where=str(place), do="give a folder that `vidspin measure` wrote")


def _read_plain(path: Path) -> bytes:
    def whole(data: bytes) -> bytes:
        if path.is_symlink():
            raise ValueError("it is a link")
        return data

    return _read(path, whole)


def _content(path: Path) -> bytes:
    """Read an ordinary file: a pipe would be waited for, a device may never end."""
    state = path.stat()
    if not stat.S_ISREG(state.st_mode):
        raise ValueError("it is no ordinary file")
    if state.st_size > _MOST_BYTES.get(path.name, state.st_size):
        raise ValueError("it is far larger than it can be")
    return path.read_bytes()


def _document(data: bytes) -> Document:
    document = read_json(data)
    check_schema(document, SCHEMA)
    found: Document = document
    return found


def _speeds(data: bytes) -> dict[str, FloatArray]:
    columns = read_columns(data)
    missing = sorted(set(SPEED_COLUMNS) - columns.keys())
    if missing:
        raise ValueError(f"it lacks {', '.join(missing)}")
    return columns


def _sightings(data: bytes) -> dict[str, NDArray[Any]]:
    """Read the arrays and see that each frame has its place in every one of them."""
    arrays = read_arrays(data)
    missing = sorted(_ARRAYS - arrays.keys())
    if missing:
        raise ValueError(f"it lacks {', '.join(missing)}")
    for name, array in arrays.items():
        if array.ndim != (2 if name == "answer" else 1) or len(array) != len(arrays["time_s"]):
            raise ValueError(f"{printable(name, most=40)} is not one entry for each frame")
    if any(arrays[name].dtype.kind not in "iu" for name in ("flags", "chapter")):
        raise ValueError("flags or chapters are not whole numbers")
    if not np.all(np.diff(arrays["time_s"]) >= 0):
        raise ValueError("its times do not rise")
    return arrays
