"""Does a file tell where it was filmed, by which single device, or by whom?

Asked before a recording is handed on, since it goes as it is or not at all: taking
something out would change its hash.
"""

from __future__ import annotations

import re
from pathlib import Path

from vidspin.footage.boxes import TopBox, read_movie, walk_top
from vidspin.footage.opening import open_video

# Names of tags as cameras, phones and programs write them; new ones of the same kinds match too.
_PRIVATE = re.compile(
    r"location|iso6709|gps|latitude|longitude|altitude|geo|xyz|loci|place|serial|imei|udid|"
    r"device.?id|identifier|uuid|artist|author|owner|creator",
    re.IGNORECASE,
)
# Tracks of samples whose contents nobody here reads; a time code is no secret.
_HARMLESS_DATA = {"tmcd", "text", "rtp ", ""}
_LONGEST_VALUE = 120
_SEARCHED_BYTES = 1 << 20  # of a box of private use


def private_tags(path: Path) -> dict[str, str]:
    """List what a file tells of place, single device and person.

    Parameters
    ----------
    path : Path
        A recording.

    Returns
    -------
    dict of str to str
        Name of the tag and its value as one printable line; for a track or box whose
        contents are not read here, a note of what it may hold.  Empty when nothing was found,
        which does not prove that there is nothing.

    Raises
    ------
    FootageError
        The file is no recording.
    """
    stated: dict[str, object] = {}
    tracks: dict[str, str] = {}
    with open_video(path, strict=False) as (container, _):
        stated |= container.metadata
        for stream in container.streams:
            stated |= stream.metadata
            if stream.type == "data":
                kind = _kind(stream.codec_context)
                if kind not in _HARMLESS_DATA:
                    tracks[f"track {kind}"] = "a track of data that may hold places"
    boxes = walk_top(path)
    movie = read_movie(path, boxes) if boxes else None
    if movie is not None:
        stated |= movie.keys
    found = {key: _line(value) for key, value in stated.items() if _PRIVATE.search(key)}
    if any(_tells_gps(path, box) for box in boxes if box.kind in ("uuid", "udta", "meta")):
        found["box of private use"] = "holds fields of a satellite receiver"
    return dict(sorted({**found, **tracks}.items()))


def _kind(context: object) -> str:
    return str(getattr(context, "codec_tag", None) or "unknown")


def _line(value: object) -> str:
    text = "".join(one if one.isprintable() else " " for one in str(value))
    return text.strip()[:_LONGEST_VALUE]


def _tells_gps(path: Path, box: TopBox) -> bool:
    with path.open("rb") as file:
        file.seek(box.start)
        return b"GPS" in file.read(min(box.present, _SEARCHED_BYTES))
