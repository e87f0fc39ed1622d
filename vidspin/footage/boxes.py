"""What the boxes of an ISO base media file (MP4, MOV, 3GP) say.

An own small reader, independent of the decoder library, for the facts that the library
changes or hides: the edit list, the two time scales, tagged values of every number type,
and where in the file the listed frames should lie.  It never follows a reference out of the
file, never trusts a length beyond the bytes that are there, and returns what it could read:
a damaged box is an absent box.

Box layouts: ISO/IEC 14496-12 (elst, mvhd, mdhd, stsz, stsc, stco) and the QuickTime file
format (metadata keys with typed values).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

MAX_TOP_BOXES = 200_000  # a fragmented day at two fragments a second
MAX_MOVIE_BYTES = 1 << 29  # the frame tables of a day at 240 frames a second are smaller
MAX_EDITS = 4096
MAX_KEYS = 1024
EMPTY_EDIT = -1

_TRACK_PATH = (b"mdia", b"minf", b"stbl")


@dataclass(frozen=True, slots=True)
class TopBox:
    """One box of the outermost level."""

    kind: str
    start: int  # byte offset in the file
    size: int  # bytes that it announces, header included
    present: int  # bytes of it that the file holds


@dataclass(frozen=True, slots=True)
class Edit:
    """One entry of an edit list."""

    duration: int  # ticks of the movie's time scale
    media_time: int  # ticks of the track's time scale; EMPTY_EDIT for a pause
    rate: Fraction


@dataclass(frozen=True, slots=True)
class Track:
    """What one track box states."""

    id: int
    timescale: int
    edits: tuple[Edit, ...]
    edits_listed: int
    samples: int
    sample_end: NDArray[np.int64] | None  # last byte + 1 of each sample, None: not known


@dataclass(frozen=True, slots=True)
class Movie:
    """What the movie box states."""

    timescale: int
    preferred_rate: Fraction
    fragmented: bool
    tracks: tuple[Track, ...]
    keys: dict[str, str | int | float] = field(default_factory=dict)
    created: int | None = None  # seconds from 1904; 0 where nobody filled it in
    modified: int | None = None


def walk_top(path: Path) -> tuple[TopBox, ...]:
    """List the boxes of the outermost level.

    Parameters
    ----------
    path : Path
        File to look at.

    Returns
    -------
    tuple of TopBox
        In file order; empty when the file does not start like an ISO base media file.
        The walk ends at the first header that cannot be one.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    boxes: list[TopBox] = []
    with path.open("rb") as file:
        end = file.seek(0, 2)
        start = 0
        while start + 8 <= end and len(boxes) < MAX_TOP_BOXES:
            file.seek(start)
            head = file.read(16)
            size, kind = struct.unpack_from(">I4s", head)
            if not kind.isascii() or not kind.decode("ascii").isprintable():
                break
            if size == 1 and len(head) == 16:
                size = struct.unpack_from(">Q", head, 8)[0]
            elif size == 0:
                size = end - start
            if size < 8:
                break
            boxes.append(TopBox(kind.decode("ascii"), start, size, min(size, end - start)))
            start += size
    first_kinds = {"ftyp", "moov", "mdat", "free", "wide", "skip", "pnot", "styp", "uuid"}
    return tuple(boxes) if boxes and boxes[0].kind in first_kinds else ()


def read_movie(path: Path, boxes: tuple[TopBox, ...]) -> Movie | None:
    """Read the movie box.

    Parameters
    ----------
    path : Path
        File to look at.
    boxes : tuple of TopBox
        What `walk_top` found in it.

    Returns
    -------
    Movie or None
        None when there is no whole movie box or it states nothing readable.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    for box in boxes:
        if box.kind == "moov" and box.present == box.size <= MAX_MOVIE_BYTES:
            with path.open("rb") as file:
                return _movie(_content(file, box))
    return None


def _content(file: BinaryIO, box: TopBox) -> memoryview:
    file.seek(box.start)
    raw = memoryview(file.read(box.size))
    large = int.from_bytes(raw[:4], "big") == 1
    return raw[16 if large else 8 :]


def _children(body: memoryview) -> Iterator[tuple[bytes, memoryview]]:
    """Yield kind and content of each box inside another, as far as lengths allow."""
    at = 0
    while at + 8 <= len(body):
        size, kind = struct.unpack_from(">I4s", body, at)
        head = 8
        if size == 1 and at + 16 <= len(body):
            size, head = struct.unpack_from(">Q", body, at + 8)[0], 16
        elif size == 0:
            size = len(body) - at
        if size < head or at + size > len(body):
            return
        yield kind, body[at + head : at + size]
        at += size


def _child(body: memoryview, *path: bytes) -> memoryview | None:
    """Find a box by its path of kinds; the first one of each kind counts."""
    found: memoryview | None = body
    for wanted in path:
        if found is None:
            return None
        found = next((content for kind, content in _children(found) if kind == wanted), None)
    return found


def _unpack(layout: str, body: memoryview | None, at: int) -> tuple[int, ...] | None:
    if body is None or at + struct.calcsize(layout) > len(body):
        return None
    return struct.unpack_from(layout, body, at)


def _movie(body: memoryview) -> Movie | None:
    header = _child(body, b"mvhd")
    wide = header is not None and len(header) > 0 and header[0] == 1
    found = _unpack(">I", header, 20 if wide else 12)
    if found is None:
        return None
    rate = _unpack(">i", header, 32 if wide else 20)
    made = _unpack(">QQ" if wide else ">II", header, 4)
    tracks = [_track(content) for kind, content in _children(body) if kind == b"trak"]
    keys: dict[str, str | int | float] = {}
    for place in ((b"meta",), (b"udta", b"meta")):
        keys |= _keys(_child(body, *place))
    return Movie(
        timescale=found[0],
        preferred_rate=Fraction(rate[0], 1 << 16) if rate else Fraction(1),
        fragmented=_child(body, b"mvex") is not None,
        tracks=tuple(track for track in tracks if track is not None),
        keys=keys,
        created=made[0] if made else None,
        modified=made[1] if made else None,
    )


def _track(body: memoryview) -> Track | None:
    header = _child(body, b"tkhd")
    media = _child(body, b"mdia", b"mdhd")
    if header is None or media is None or not len(header) or not len(media):
        return None
    identity = _unpack(">I", header, 20 if header[0] == 1 else 12)
    timescale = _unpack(">I", media, 20 if media[0] == 1 else 12)
    if identity is None or timescale is None:
        return None
    listed, edits = _edits(_child(body, b"edts", b"elst"))
    table = _child(body, *_TRACK_PATH)
    samples, ends = (0, None) if table is None else _sample_ends(table)
    return Track(identity[0], timescale[0], edits, listed, samples, ends)


def _edits(body: memoryview | None) -> tuple[int, tuple[Edit, ...]]:
    """Count what is listed and return at most MAX_EDITS entries of it."""
    count = _unpack(">I", body, 4)
    if body is None or count is None:
        return 0, ()
    layout = ">QqhH" if body[0] == 1 else ">IihH"
    width = struct.calcsize(layout)
    there = min(count[0], (len(body) - 8) // width)
    entries = []
    for number in range(min(there, MAX_EDITS)):
        duration, media_time, whole, part = struct.unpack_from(layout, body, 8 + number * width)
        entries.append(Edit(duration, media_time, whole + Fraction(part, 1 << 16)))
    return there, tuple(entries)


def _array(body: memoryview | None, layout: str, count: int, at: int) -> NDArray[np.int64]:
    """Read up to `count` big-endian numbers, as many as the box really holds."""
    if body is None:
        return np.zeros(0, np.int64)
    width = np.dtype(layout).itemsize
    there = max(min(count, (len(body) - at) // width), 0)
    return np.frombuffer(body, layout, there, at if there else 0).astype(np.int64)


def _sample_ends(table: memoryview) -> tuple[int, NDArray[np.int64] | None]:
    """Return the number of samples listed and the byte after each one."""
    sizes_box = _child(table, b"stsz")
    sizes_head = _unpack(">II", sizes_box, 4)
    if sizes_head is None:
        return 0, None
    constant, count = sizes_head
    if constant:
        return count, None  # one size for all is sound, not pictures
    sizes = _array(sizes_box, ">u4", count, 12)
    chunks_box, layout = _child(table, b"stco"), ">u4"
    if chunks_box is None:
        chunks_box, layout = _child(table, b"co64"), ">u8"
    chunk_count = _unpack(">I", chunks_box, 4)
    runs_box = _child(table, b"stsc")
    run_count = _unpack(">I", runs_box, 4)
    if chunk_count is None or run_count is None or not len(sizes):
        return count, None
    chunks = _array(chunks_box, layout, chunk_count[0], 8)
    runs = _array(runs_box, ">u4", run_count[0] * 3, 8)
    runs = runs[: len(runs) // 3 * 3].reshape(-1, 3)
    per_chunk = _per_chunk(runs, len(chunks))
    if per_chunk is None or int(per_chunk.sum()) < len(sizes):
        return count, None
    before = np.concatenate(([0], np.cumsum(per_chunk)))[:-1]  # samples before each chunk
    total = np.concatenate(([0], np.cumsum(sizes)))
    chunk_of = np.searchsorted(before, np.arange(len(sizes)), side="right") - 1
    start_of_chunk = total[np.minimum(before[chunk_of], len(sizes))]
    return count, chunks[chunk_of] + total[1:] - start_of_chunk


def _per_chunk(runs: NDArray[np.int64], chunks: int) -> NDArray[np.int64] | None:
    """Spread the run-length table over the chunks: samples in each chunk."""
    if not len(runs) or not chunks:
        return None
    first = runs[:, 0] - 1
    lengths = np.diff(np.append(first, chunks))
    if first[0] != 0 or np.any(lengths < 0) or np.any(runs[:, 1] < 0):
        return None
    return np.repeat(runs[:, 1], lengths)


def _keys(meta: memoryview | None) -> dict[str, str | int | float]:
    """Read named values from a metadata box, of every number type in use."""
    if meta is None:
        return {}
    # ISO files put four bytes of version and flags before the first child, QuickTime none.
    inner = meta if bytes(meta[4:8]) == b"hdlr" else meta[4:]
    names = _key_names(_child(inner, b"keys"))
    values: dict[str, str | int | float] = {}
    for kind, content in _children(_child(inner, b"ilst") or memoryview(b"")):
        number = int.from_bytes(kind, "big")
        value = _value(_child(content, b"data"))
        if 1 <= number <= len(names) and value is not None:
            values.setdefault(names[number - 1], value)
    return values


def _key_names(body: memoryview | None) -> list[str]:
    names: list[str] = []
    for _, content in _children(body[8:] if body is not None else memoryview(b"")):
        if len(names) >= MAX_KEYS:
            break
        names.append(bytes(content).decode("utf-8", "replace"))
    return names


_WHOLE = {21: True, 22: False, 65: True, 66: True, 67: True, 74: True}
_WHOLE |= {75: False, 76: False, 77: False, 78: False}


def _value(body: memoryview | None) -> str | int | float | None:
    """Read one typed value: text 1, whole numbers, 32 or 64 bit floating point."""
    if body is None or len(body) < 8:
        return None
    kind = int.from_bytes(body[1:4], "big")
    content = bytes(body[8:])
    if kind == 1:
        return content.decode("utf-8", "replace")
    if kind in _WHOLE and 1 <= len(content) <= 8:
        return int.from_bytes(content, "big", signed=_WHOLE[kind])
    if kind in (23, 24) and len(content) == (4 if kind == 23 else 8):
        return float(struct.unpack(">f" if kind == 23 else ">d", content)[0])
    return None
