"""How does a file or a folder come to be, whole or not at all?

What is written comes to be under a hidden name beside its place and takes its own name by one
rename when it is whole.  When anything fails on the way, what was there before is there again
and nothing else is left.
"""

from __future__ import annotations

import errno
import glob
import hashlib
import os
import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

LONGEST_PREFIX = 200  # bytes; file systems take 255, and letters of chance come behind

Write = Callable[[IO[bytes]], None]  # writes what a file holds


def hidden_prefix(name: str) -> str:
    """Give what the hidden names of a thing begin with while it is written.

    Parameters
    ----------
    name : str
        Its own name; a long one is told by its hash, or the hidden names would be too long.

    Returns
    -------
    str
        Begins and ends with a dot.
    """
    raw = os.fsencode(name)
    if len(raw) > LONGEST_PREFIX:
        return f".{hashlib.sha256(raw).hexdigest()[:32]}."
    return f".{name}."


def write_whole(path: Path, data: bytes) -> None:
    """Write one file, in the place of one that is there; its folder is made.

    Raises
    ------
    OSError
        It cannot be written; what was there is still there.
    """
    write_all_whole({path: data})


def write_all_whole(
    files: Mapping[Path, bytes], *, ready: Mapping[Path, Path] | None = None
) -> None:
    """Write several files that belong together: all of them or none.

    Parameters
    ----------
    files : mapping of Path to bytes
        They replace what is there; their folders are made, and taken away again when that fails.
    ready : mapping of Path to Path, optional
        Further files that lie under a hidden name (the second) beside their place (the first)
        already; they are removed when it fails.

    Raises
    ------
    OSError
        One cannot be written; what was there is still there.
    """
    beside: dict[Path, Path] = dict(ready or {})
    kept: dict[Path, Path | None] = {}  # what had the name; None where nothing had
    made: list[Path] = []
    try:
        for path, data in files.items():
            made += make_folders(path.parent)
            beside[path] = _written_beside(path, data)
        for path, fresh in beside.items():
            kept[path] = _second_name(path)
            fresh.replace(path)
    except BaseException:
        for path, old in kept.items():
            with suppress(OSError):
                _put_back(path, old, fresh=beside[path])
        for left in beside.values():
            with suppress(OSError):
                left.unlink(missing_ok=True)
        remove_folders(made)
        raise
    for old in kept.values():
        if old is not None:
            with suppress(OSError):
                old.unlink()


def write_new(path: Path, data: bytes | Write, mode: int = 0o666) -> None:
    """Write a file that must not exist yet, with this mode from its first byte on.

    Parameters
    ----------
    path : Path
        In a folder that exists.
    data : bytes or callable
        What it holds, or what writes that into the open file.
    mode : int
        Without what the umask forbids.

    Raises
    ------
    FileExistsError
        Something has that name; it is left as it is.
    OSError
        It cannot be written; nothing of it is left.
    """
    number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
    try:
        with os.fdopen(number, "wb") as target:
            if callable(data):
                data(target)
            else:
                target.write(data)
            target.flush()
            os.fsync(target.fileno())
    except BaseException:
        with suppress(OSError):
            path.unlink()
        raise


def tidy_file(path: Path) -> None:
    """Remove the hidden copies that a killed writer of this file left beside it."""
    for left in path.parent.glob(f"{glob.escape(hidden_prefix(path.name))}????????"):
        if left.is_file() and not left.is_symlink():
            with suppress(OSError):
                left.unlink()


@contextmanager
def new_folder(target: Path) -> Iterator[Path]:
    """Give an empty folder to fill, which takes its name when the block ends well.

    Parameters
    ----------
    target : Path
        Its name; a folder that has it is replaced.  Missing parents are made.

    Yields
    ------
    Path
        The folder to fill.

    Raises
    ------
    OSError
        It cannot be made or renamed; what was there is still there.  Should even the way back
        fail, the error says where the old folder is kept.
    """
    made = make_folders(target.parent)
    workplace: Path | None = None
    try:
        workplace = Path(tempfile.mkdtemp(prefix=hidden_prefix(target.name), dir=target.parent))
        fresh = workplace / "new"
        fresh.mkdir()  # unlike mkdtemp's own folder, with the user's usual permissions
        yield fresh
        _take_name(fresh, target, aside=workplace / "old")
    except BaseException:
        if workplace is not None:
            # never the old folder, where it could not be put back
            shutil.rmtree(workplace / "new", ignore_errors=True)
            with suppress(OSError):
                workplace.rmdir()
        remove_folders(made)
        raise
    shutil.rmtree(workplace, ignore_errors=True)


def make_folders(folder: Path) -> list[Path]:
    """Make a folder and those above it; return the new ones, for `remove_folders`.

    Raises
    ------
    OSError
        One cannot be made; none of them is left.
    """
    missing: list[Path] = []
    place = folder
    while not place.exists() and place != place.parent:
        missing.append(place)
        place = place.parent
    made: list[Path] = []
    try:
        for place in reversed(missing):
            place.mkdir(exist_ok=True)
            made.append(place)
    except BaseException:
        remove_folders(made)
        raise
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(folder))
    return made


def remove_folders(made: list[Path]) -> None:
    """Take folders away again that were made for nothing; one that holds something stays."""
    for place in reversed(made):
        with suppress(OSError):
            place.rmdir()


def _written_beside(path: Path, data: bytes) -> Path:
    """Write the data under a hidden name in the same folder, down to the disk."""
    handle, name = tempfile.mkstemp(prefix=hidden_prefix(path.name), dir=path.parent)
    fresh = Path(name)
    try:
        with os.fdopen(handle, "wb") as target:
            target.write(data)
            target.flush()
            os.fsync(target.fileno())  # the name must not outlive a power cut alone
        fresh.chmod(0o666 & ~_umask())  # mkstemp's own are for its maker alone
    except BaseException:
        with suppress(OSError):
            fresh.unlink()
        raise
    return fresh


def _second_name(path: Path) -> Path | None:
    """Give a file a second, hidden name, so that it comes through being replaced."""
    if not os.path.lexists(path):
        return None
    second = path.with_name(hidden_prefix(path.name) + secrets.token_hex(4))
    try:
        try:
            os.link(path, second, follow_symlinks=False)
        except (OSError, NotImplementedError):  # a file system without links
            shutil.copy2(path, second, follow_symlinks=False)
    except BaseException:
        with suppress(OSError):
            second.unlink(missing_ok=True)
        raise
    return second


def _put_back(path: Path, old: Path | None, *, fresh: Path) -> None:
    """Undo the replacing of one file."""
    if old is not None:
        # two names of one file: a rename onto itself does nothing, so the second goes by itself
        os.replace(old, path)
        old.unlink(missing_ok=True)
    elif not fresh.exists():  # it has taken the name already
        path.unlink(missing_ok=True)


def _take_name(fresh: Path, folder: Path, *, aside: Path) -> None:
    """Rename `fresh` to `folder`; what had the name comes back when that fails."""
    replaced = folder.exists()
    if replaced:
        folder.rename(aside)
    try:
        fresh.rename(folder)
    except BaseException as error:
        if replaced:
            try:
                aside.rename(folder)
            except OSError:
                reason = getattr(error, "strerror", None) or error
                raise OSError(
                    getattr(error, "errno", None), f"{reason}; the old one is kept in {aside}"
                ) from error
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
