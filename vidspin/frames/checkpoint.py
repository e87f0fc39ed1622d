"""What must a broken-off pass over a recording have kept, so that it can go on?

The two sides: a recording that can be read from the middle on, and a store that keeps what was
read so far.  Only a spotless pass is kept: after damage, what the decoder would give is no longer
known from the middle on.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from vidspin.records import Frame, LumaArray

State = Mapping[str, NDArray[Any]]


@runtime_checkable
class Resumable(Protocol):
    """A recording whose one pass can begin in the middle."""

    def stream_from(self, index: int) -> Iterator[Frame]:
        """Yield the frames from a key frame at or before `index` on; LookupError: it cannot."""
        ...

    def is_spotless(self) -> bool:
        """Say whether the pass has met nothing but good frames so far."""
        ...

    def watched(self) -> str:
        """Say what was seen in passing, as text."""
        ...

    def watch_on(self, said: str) -> None:
        """Take up what `watched` said."""
        ...


@runtime_checkable
class Checkpoints(Protocol):
    """A store of profiles that outlives its process."""

    def due(self) -> bool:
        """Say whether it is time to keep again."""
        ...

    def keep(self, state: State) -> None:
        """Keep the profiles so far together with this state, whole or not at all."""
        ...

    def kept(self) -> dict[str, NDArray[Any]] | None:
        """Give the state that was kept last; None where there is none."""
        ...

    def cut(self, count: int) -> None:
        """Keep only the first so many profiles."""
        ...


def fingerprint(luma: LumaArray) -> int:
    """Return a checksum of a picture, by which it is known again."""
    return zlib.crc32(np.ascontiguousarray(luma).tobytes())
