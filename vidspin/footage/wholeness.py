"""Whether the whole file is there.

A decoder that reaches the end of a cut file stops without a word.  What tells is the
container's own book-keeping: lengths that it announces against bytes that are there.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vidspin.footage.boxes import Movie, TopBox

_PADDING = {"free", "skip", "wide", "uuid"}
_EBML = b"\x1a\x45\xdf\xa3"
_SEGMENT = b"\x18\x53\x80\x67"
_PACKET = 188  # bytes of one packet of a transport stream


@dataclass(frozen=True, slots=True)
class Wholeness:
    """What is missing of a file, in words."""

    missing: tuple[str, ...]
    checked: bool  # False: this container has no length to compare with


def wholeness(
    path: Path, boxes: tuple[TopBox, ...], movie: Movie | None, track_id: int
) -> Wholeness:
    """Compare what a file announces with the bytes that are there.

    Parameters
    ----------
    path : Path
        The file.
    boxes : tuple of TopBox
        Outermost boxes; empty for other containers.
    movie : Movie or None
        What its movie box states.
    track_id : int
        The video track.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    if boxes:
        return _of_boxes(path, boxes, movie, track_id)
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(4096)
    announced: int | None = None
    if head[:4] == _EBML:
        announced = _ebml_end(head)
    elif head[:4] == b"RIFF":
        announced = 8 + int.from_bytes(head[4:8], "little")
    elif head[:1] == b"\x47" and size % _PACKET:
        return Wholeness((f"the last packet is cut to {size % _PACKET} bytes",), True)
    if announced is None:
        return Wholeness((), False)
    if announced > size:
        return Wholeness((f"{size} of {announced} announced bytes are there",), True)
    return Wholeness((), True)


def _of_boxes(
    path: Path, boxes: tuple[TopBox, ...], movie: Movie | None, track_id: int
) -> Wholeness:
    missing = [
        f"its part '{box.kind}' is cut: {box.present} of {box.size} bytes are there"
        for box in boxes
        if box.present < box.size and box.kind not in _PADDING
    ]
    track = next((one for one in movie.tracks if one.id == track_id), None) if movie else None
    if track is not None and track.sample_end is not None:
        inside = int(np.count_nonzero(track.sample_end <= path.stat().st_size))
        if inside < track.samples:
            missing.append(f"{inside} of {track.samples} listed frames lie inside the file")
    return Wholeness(tuple(missing), True)


def _ebml_end(head: bytes) -> int | None:
    """Return where a Matroska segment says it ends; None when it does not say."""
    header = _number(head, 4)
    if header is None:
        return None
    at = header[1] + header[0]
    if head[at : at + 4] != _SEGMENT:
        return None
    length = _number(head, at + 4)
    return None if length is None or length[0] < 0 else length[1] + length[0]


def _number(head: bytes, at: int) -> tuple[int, int] | None:
    """Read a variable-length number: its value (-1: unknown) and where it ends."""
    if at >= len(head) or head[at] == 0:
        return None
    width = 9 - head[at].bit_length()
    if at + width > len(head):
        return None
    value = int.from_bytes(head[at : at + width], "big") & ((1 << (7 * width)) - 1)
    return (-1 if value == (1 << (7 * width)) - 1 else value), at + width
