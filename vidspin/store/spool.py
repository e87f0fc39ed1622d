"""Ring profiles of a long recording in an unnamed temporary file: memory does not grow."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

import numpy as np
from numpy.typing import NDArray

from vidspin.errors import UsageError
from vidspin.profiles import packed, unpacked
from vidspin.records import Float32Array

CHECKPOINT_S = 20.0  # so much work may be lost; keeping takes less than a hundredth of it
BUFFER = 1 << 20  # bytes written at a time
ROWS_BUFFER = 1 << 16  # the same for rows, which are read in small pieces


@contextmanager
def _told(folder: Path | None = None) -> Iterator[None]:
    """Turn a disk that takes no more into one line that says which disk it is."""
    try:
        yield
    except OSError as error:
        place = Path(tempfile.gettempdir()) if folder is None else folder
        raise UsageError(
            f"temporary files cannot be written there ({error.strerror or error})",
            where=str(place), do="free the disk" if folder else "free it or set TMPDIR to another",
        ) from error  # fmt: skip


class _Temporary:
    """A temporary file that the system deletes when it is closed, at the end of a `with`."""

    def __init__(self, buffering: int) -> None:
        with _told():
            self._file: IO[bytes] = tempfile.TemporaryFile(buffering=buffering)  # noqa: SIM115 - closed by __exit__

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with suppress(OSError):  # what the buffer still holds is of no use to anybody
            self._file.close()


class FileProfiles(_Temporary):
    """Profiles kept in a temporary file."""

    def __init__(self) -> None:
        super().__init__(BUFFER)
        self._count = 0
        self._angles = 0

    def __len__(self) -> int:
        return self._count

    def append(self, profile: NDArray[np.float32]) -> None:
        """Add the next frame's profile, (N,)."""
        self._angles = len(profile)
        with _told():
            self._file.write(packed(profile).tobytes())
        self._count += 1

    def read(self, first: int, last: int) -> NDArray[np.float32]:
        """Profiles of frames ``first`` to ``last - 1``, (F, N)."""
        last = min(last, self._count)
        with _told():  # going elsewhere in the file first writes what the buffer holds
            self._file.seek(first * self._angles * 2)
            data = self._file.read((last - first) * self._angles * 2)
            self._file.seek(0, 2)
        return unpacked(np.frombuffer(data, np.uint16).reshape(-1, self._angles))


class FileRows(_Temporary):
    """Rows of numbers kept in a temporary file."""

    def __init__(self) -> None:
        super().__init__(ROWS_BUFFER)
        self._shape = (0, 0)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns so far."""
        return self._shape

    def append(self, rows: Float32Array) -> None:
        """Add the next rows, (K, q)."""
        with _told():
            self._file.seek(0, 2)
            self._file.write(np.ascontiguousarray(rows, np.float32).tobytes())
        self._shape = (self._shape[0] + len(rows), rows.shape[1])

    def __getitem__(self, rows: slice) -> Float32Array:
        """Read rows that follow each other."""
        count, columns = self._shape
        first, last, step = rows.indices(count)
        if step != 1:
            raise ValueError("only rows that follow each other can be read")
        with _told():
            self._file.seek(4 * first * columns)
            data = self._file.read(4 * max(0, last - first) * columns)
        return np.frombuffer(data, np.float32).reshape(-1, columns)


class SetAside(_Temporary):
    """Bytes that nobody needs for a while, in a temporary file instead of in memory.

    Parameters
    ----------
    write : callable
        Writes them into a file.
    """

    def __init__(self, write: Callable[[IO[bytes]], None]) -> None:
        super().__init__(BUFFER)
        try:
            with _told():
                write(self._file)
                self._file.flush()
        except BaseException:
            self.__exit__(None, None, None)
            raise

    def put(self, target: IO[bytes]) -> None:
        """Write them into another file."""
        with _told():
            self._file.seek(0)
        shutil.copyfileobj(self._file, target, BUFFER)


class KeptProfiles(FileProfiles):
    """Profiles in a named file that outlives the process, with what else a pass must keep.

    Parameters
    ----------
    folder : Path
        Holds the two files; made when it is missing.
    key : str
        Of the recording and the options: what was kept under another one is not used.
    every_s : float
        Time between checkpoints.
    """

    def __init__(self, folder: Path, key: str, *, every_s: float = CHECKPOINT_S) -> None:
        super().__init__()
        self._file.close()
        self._folder, self._key, self._every_s = folder, key, every_s
        path = folder / "profiles"
        with _told(folder):
            folder.mkdir(parents=True, exist_ok=True)
            path.touch()
            self._file = path.open("r+b", buffering=BUFFER)
            self._file.seek(0, 2)
        self._last = time.monotonic()

    def due(self) -> bool:
        """Say whether it is time to keep again."""
        return time.monotonic() - self._last >= self._every_s

    def keep(self, state: Mapping[str, NDArray[Any]]) -> None:
        """Keep the profiles so far together with this state, whole or not at all."""
        self._last = time.monotonic()
        with _told(self._folder):
            self._file.flush()
        fresh = self._folder / "state.new"
        own = {"key": np.array(self._key), "angles": np.array(self._angles)}
        try:
            os.fsync(self._file.fileno())
            with fresh.open("wb") as target:
                np.savez(target, **{**dict(state), **own})  # type: ignore[arg-type]
                target.flush()
                os.fsync(target.fileno())
            fresh.replace(self._folder / "state.npz")
        except OSError:  # a full disk costs the checkpoint, not the work
            with suppress(OSError):
                fresh.unlink(missing_ok=True)

    def kept(self) -> dict[str, NDArray[Any]] | None:
        """Give the state that was kept last; None where there is none of this key."""
        try:
            with (
                (self._folder / "state.npz").open("rb") as source,
                np.load(source, allow_pickle=False) as archive,
            ):
                state = {name: archive[name] for name in archive.files}
            angles, count = int(state["angles"]), len(state["chapter"])
        except Exception:  # unpackers raise whatever they stumble over; the pass begins anew
            return None
        there = (self._folder / "profiles").stat().st_size
        if str(state.get("key")) != self._key or count < 1 or there < 2 * angles * count:
            return None
        self._angles = angles
        return state

    def cut(self, count: int) -> None:
        """Keep only the first so many profiles."""
        self._count = count
        with _told(self._folder):
            self._file.truncate(count * self._angles * 2)
            self._file.seek(0, 2)
