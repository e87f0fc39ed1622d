"""Which files below a folder may be recordings? By their first bytes, not only by their names."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

HEAD = 1024  # bytes that are looked at
MOST_FILES = 100_000
ENDINGS = frozenset(
    {".mp4", ".m4v", ".mov", ".3gp", ".3g2", ".mkv", ".webm", ".ts", ".mts", ".m2ts", ".avi"}
)
# Still pictures and sound lie in the same container; brands from ISO/IEC 23008-12 and from
# common practice.
_NOT_VIDEO = frozenset(
    {b"heic", b"heix", b"heim", b"heis", b"mif1", b"avif", b"crx ", b"M4A ", b"M4B "}
)
_FIRST_BOXES = frozenset({b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip"})
_SYNC = 0x47  # of a transport stream's packets


@dataclass(frozen=True, slots=True)
class Found:
    """A file that may be a recording."""

    path: Path
    place: str  # below the folder, with /
    bytes: int
    changed_ns: int
    named: bool  # its name promises a video, so that it is worth a line when it is none


def is_video(head: bytes) -> bool:
    """Whether a file that begins so may be one of the containers that cameras write."""
    if head[4:8] == b"ftyp" and head[8:12] in _NOT_VIDEO:
        return False
    if head[4:8] in _FIRST_BOXES or head[:4] == b"\x1a\x45\xdf\xa3":
        return True
    if head[:4] == b"RIFF" and head[8:12] == b"AVI ":
        return True
    return any(
        len(head) > start + 2 * step and all(head[start + k * step] == _SYNC for k in range(3))
        for start, step in ((0, 188), (4, 192))
    )


def find(folder: Path, *, leave_out: Path | None = None) -> tuple[Found, ...]:
    """List files below a folder that may be recordings, sorted by place.

    Parameters
    ----------
    folder : Path
    leave_out : Path, optional
        A folder into which is not looked: that of the results.

    Notes
    -----
    Hidden files, result folders, and folders reached by links are not looked into.
    """
    out = None if leave_out is None or leave_out == folder else leave_out.resolve()
    found = []
    for path in _files(folder, out):
        try:
            state = path.stat()
            if not stat.S_ISREG(state.st_mode):
                continue
            with path.open("rb") as source:
                head = source.read(HEAD)
        except OSError:
            head, state = b"", None
        named = path.suffix.lower() in ENDINGS
        if not (named or is_video(head)):
            continue
        place = path.relative_to(folder).as_posix()
        size, changed = (state.st_size, state.st_mtime_ns) if state else (0, 0)
        found.append(Found(path, place, size, changed, named))
        if len(found) >= MOST_FILES:
            break
    return tuple(sorted(found, key=lambda one: one.place))


def _files(folder: Path, out: Path | None) -> Iterator[Path]:
    for root, folders, names in os.walk(folder):
        here = Path(root)
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".") and not name.endswith(".spin")
            and (out is None or (here / name).resolve() != out)
        )  # fmt: skip
        for name in sorted(names):
            if not name.startswith("."):
                yield here / name
