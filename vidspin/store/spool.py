"""Ring profiles of a long recording in an unnamed temporary file: memory does not grow."""

from __future__ import annotations

import tempfile
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from vidspin.profiles import packed, unpacked

BUFFER = 1 << 20  # bytes written at a time


class FileProfiles:
    """Profiles kept in a temporary file that the system deletes when it is closed."""

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile(buffering=BUFFER)  # noqa: SIM115 - closed by __exit__
        self._count = 0
        self._angles = 0

    def __enter__(self) -> FileProfiles:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()

    def __len__(self) -> int:
        return self._count

    def append(self, profile: NDArray[np.float32]) -> None:
        """Add the next frame's profile, (N,)."""
        self._angles = len(profile)
        self._file.write(packed(profile).tobytes())
        self._count += 1

    def read(self, first: int, last: int) -> NDArray[np.float32]:
        """Profiles of frames ``first`` to ``last - 1``, (F, N)."""
        last = min(last, self._count)
        self._file.seek(first * self._angles * 2)
        data = self._file.read((last - first) * self._angles * 2)
        self._file.seek(0, 2)
        return unpacked(np.frombuffer(data, np.uint16).reshape(-1, self._angles))
