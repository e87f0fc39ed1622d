"""A disk that fails at the n-th thing that is asked of it.

`Disk` stands between the program and everything below one folder: it counts what would change
the disk (making a file or folder, each write, flush, sync and close of a file that is written,
renames, links, changes of mode) and lets chosen ones fail as the system would. Removing always
works, as it does on a full disk. What libraries write without Python (video files, the ledger's
database) does not pass here; tests bound those by RLIMIT_FSIZE or the database's own limit.
"""

from __future__ import annotations

import builtins
import errno
import hashlib
import io
import os
import stat
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC


class Disk:
    """Counts what is asked of the disk below a folder and fails where it is told to.

    Parameters
    ----------
    root : Path
        What lies outside is left alone.
    code : int
        Of the error, such as ``errno.ENOSPC``.
    at : int
        Number of the first step that fails, from 1; 0 for none.
    lasting : bool
        Later steps fail as well.
    kinds : tuple of str
        Which steps count; all by default.
    """

    def __init__(
        self, root: Path, code: int = 0, at: int = 0, *, lasting: bool = False,
        kinds: tuple[str, ...] = (),
    ) -> None:  # fmt: skip
        self.root, self.code, self.at, self.lasting = str(root.resolve()), code, at, lasting
        self.kinds = kinds
        self.steps: list[str] = []
        self.failed: list[str] = []

    def ask(self, kind: str, path: Any) -> None:
        """Count one step; raise where it is to fail."""
        if self.kinds and kind not in self.kinds:
            return
        name = path if isinstance(path, int) else os.fsdecode(path)
        if not isinstance(name, int) and not os.path.abspath(name).startswith(self.root):
            return
        self.steps.append(kind)
        number = len(self.steps)
        if self.at and (number == self.at or (self.lasting and number > self.at)):
            self.failed.append(f"{kind} {name}")
            file = () if isinstance(name, int) else (name,)
            raise OSError(self.code, os.strerror(self.code), *file)

    @contextmanager
    def between(self) -> Iterator[Disk]:
        """Stand between the program and the disk."""
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(tempfile, "tempdir", f"{self.root}/tmp")
            for kind in ("mkdir", "rename", "replace", "link", "chmod"):
                patch.setattr(os, kind, self._asking(kind, getattr(os, kind)))
            plain_open, file_open = os.open, builtins.open

            def opening(path: Any, flags: int, *rest: Any, **named: Any) -> int:
                if flags & _WRITES:
                    self.ask("open", path)
                return plain_open(path, flags, *rest, **named)

            def syncing(number: int) -> None:
                """Ask, but do not wait for a real disk: nobody pulls the plug here."""
                if _is_plain(number):
                    self.ask("fsync", number)

            def file_opening(file: Any, mode: str = "r", *rest: Any, **named: Any) -> Any:
                written = any(letter in mode for letter in "wxa+")
                if not written or (isinstance(file, int) and not _is_plain(file)):
                    return file_open(file, mode, *rest, **named)
                self.ask("open", file)
                return _Watched(file_open(file, mode, *rest, **named), self)

            patch.setattr(os, "open", opening)
            patch.setattr(os, "fsync", syncing)
            patch.setattr(builtins, "open", file_opening)
            patch.setattr(io, "open", file_opening)
            yield self

    def _asking(self, kind: str, plain: Callable[..., Any]) -> Callable[..., Any]:
        def asked(path: Any, *rest: Any, **named: Any) -> Any:
            self.ask(kind, path)
            return plain(path, *rest, **named)

        return asked


class _Watched:
    """A file that is written, seen by the disk."""

    def __init__(self, file: Any, disk: Disk) -> None:
        self._file, self._disk = file, disk
        # files without a name were counted by the call that opened them
        self._path = file.name if isinstance(file.name, str | bytes) else file.fileno()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def write(self, data: Any) -> int:
        self._disk.ask("write", self._path)
        return int(self._file.write(data))

    def flush(self) -> None:
        self._disk.ask("flush", self._path)
        self._file.flush()

    def truncate(self, size: int | None = None) -> int:
        self._disk.ask("truncate", self._path)
        return int(self._file.truncate(size))

    def close(self) -> None:
        """Close; the disk may say only now that it did not take all, as network disks do."""
        closed = self._file.closed
        self._file.close()
        if not closed:
            self._disk.ask("close", self._path)

    def __enter__(self) -> _Watched:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __iter__(self) -> Iterator[Any]:
        return iter(self._file)


def _is_plain(number: int) -> bool:
    """A file of a disk, not a pipe or terminal."""
    return stat.S_ISREG(os.fstat(number).st_mode)


def picture_of(folder: Path) -> dict[str, str]:
    """Everything below a folder, hidden things too: SHA-256 of files, "folder" for folders."""
    return {
        str(path.relative_to(folder)): "folder"
        if path.is_dir()
        else hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
    }


FULL = (errno.ENOSPC, True, ("open", "mkdir", "write", "flush", "fsync", "truncate", "close"))
"""A disk that is full from one step on; renaming still works."""
REFUSED = (errno.EACCES, False, ())
"""One step that is refused, any; those after it work."""
