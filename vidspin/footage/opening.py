"""How a file that nobody vouches for is opened safely.

Only the four container families that cameras write are let in, only from the disk, and only
pictures up to a fixed size; text that names other files is refused.  Every way in which
opening can fail is told as one `FootageError`.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import av
from av.container import InputContainer
from av.stream import Discard, Disposition
from av.video.stream import VideoStream

from vidspin.errors import FootageError
from vidspin.footage.boxes import walk_top

MAX_PIXELS = 36_000_000  # an 8K picture has 33 million
MAX_STREAMS = 64
MAX_THREADS = 8  # each one holds several pictures: 20 MB a thread at 4K
LARGE_PIXELS = 4_000_000  # a thread of a larger picture holds more than it is worth
MAX_PACKETS = 6_000_000  # seven hours at 240 frames a second

_FORMATS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,mpegts,avi"
_CONTAINER_OPTIONS = {
    "format_whitelist": _FORMATS,
    "protocol_whitelist": "file",
    "ignore_editlist": "1",  # edit lists shift, repeat and drop frames; they are read apart
}
# The container's own options do not reach the decoder that looks at the first pictures.
_PROBE_OPTIONS = {"max_pixels": str(MAX_PIXELS)}
# PyAV 18 takes a list of options, one for each stream; from 19 on the plain options are handed
# to every stream, and texts that are no UTF-8 are always replaced.
_OPTIONS_REACH_STREAMS = int(av.__version__.partition(".")[0]) >= 19
# Whatever the decoder would paper over is to be an exception.
STRICT = "crccheck+bitstream+buffer+explode"

_COPY_AGAIN = "copy the original from the camera again and keep this file untouched"


def file_state(path: Path) -> tuple[int, int]:
    """Return size and modification time in nanoseconds of a readable ordinary file.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    FootageError
        It is missing, a folder, not an ordinary file, empty, or out of reach.
    """
    try:
        state = path.stat()
    except FileNotFoundError as error:
        raise FootageError("no such file", where=path.name, do="check the name") from error
    except (OSError, ValueError) as error:
        raise FootageError(
            "the file cannot be reached", where=path.name, do="check the name and the disk"
        ) from error
    if stat.S_ISDIR(state.st_mode):
        raise FootageError(
            "this is a folder, not a recording", where=path.name, do="name the file itself"
        )
    if not stat.S_ISREG(state.st_mode):
        raise FootageError(
            "this is not an ordinary file", where=path.name, do="copy the recording to the disk"
        )
    if state.st_size == 0:
        raise FootageError("the file is empty", where=path.name, do=_COPY_AGAIN)
    if not os.access(path, os.R_OK):
        raise FootageError(
            "permission denied", where=path.name, do="let yourself read it (chmod u+r), or copy it"
        )
    return state.st_size, state.st_mtime_ns


@contextmanager
def open_video(
    path: Path, *, strict: bool, with_sound: bool = False
) -> Iterator[tuple[InputContainer, VideoStream]]:
    """Open a file for reading its best video stream, and close it afterwards.

    Parameters
    ----------
    path : Path
        The file.
    strict : bool
        Ask the decoder to raise on damage instead of concealing it.
    with_sound : bool, default False
        Leave the sound streams switched on for demuxing.

    Yields
    ------
    container : av.container.InputContainer
        With edit lists ignored: times are the raw media times.
    stream : av.video.stream.VideoStream
        Set up for decoding on all cores, not yet opened for decoding.

    Raises
    ------
    FootageError
        It is no recording, holds no video, is damaged beyond opening, or its pictures are
        larger than `MAX_PIXELS`.
    """
    file_state(path)
    try:
        container = _open(path)
    except Exception as error:  # the library also raises IndexError, UnicodeError and others
        raise _explained(path, error) from error
    try:
        try:
            stream = _pick(container, path, strict=strict, with_sound=with_sound)
        except FootageError:
            raise
        except Exception as error:
            raise _explained(path, error) from error
        yield container, stream
    finally:
        container.close()


def _open(path: Path) -> InputContainer:
    place = str(path.absolute())  # an absolute path is never taken for a protocol's name
    reader: Any = av.open  # its types differ from version to version
    if _OPTIONS_REACH_STREAMS:
        container: InputContainer = reader(
            place, "r", options=dict(_PROBE_OPTIONS), container_options=dict(_CONTAINER_OPTIONS)
        )
        return container
    known = {"options": dict(_CONTAINER_OPTIONS), "metadata_errors": "replace"}
    try:
        container = reader(place, "r", stream_options=[dict(_PROBE_OPTIONS)] * MAX_STREAMS, **known)
    except ValueError as error:
        if type(error) is not ValueError:
            raise
        # A transport stream shows its streams only while it is read, so that nothing can be
        # said about them beforehand.
        container = reader(place, "r", **known)
    return container


def _pick(container: InputContainer, path: Path, *, strict: bool, with_sound: bool) -> VideoStream:
    if len(container.streams) > MAX_STREAMS:
        raise FootageError(
            f"the file holds {len(container.streams)} streams", where=path.name, do=_COPY_AGAIN
        )
    streams = [
        stream
        for stream in container.streams.video
        if stream.codec_context is not None and not stream.disposition & Disposition.attached_pic
    ]
    if not streams:
        raise _incomplete(path) or FootageError(
            "no video in this file", where=path.name, do="give a video recording"
        )
    # A preview or depth track is smaller than the recording itself; among equals, the choice
    # of players counts.
    best = container.streams.best("video")
    chosen = -1 if best is None else best.index
    stream = max(streams, key=lambda one: (one.width * one.height, one.index == chosen))
    if stream.width * stream.height > MAX_PIXELS:
        raise FootageError(
            f"pictures of {stream.width} x {stream.height} are too large",
            where=path.name,
            do="film with at most 8K",
        )
    for other in container.streams:
        if other.index != stream.index and not (with_sound and other.type == "audio"):
            other.discard = Discard.all
    stream.codec_context.options = {
        "max_pixels": str(MAX_PIXELS),
        **({"err_detect": STRICT} if strict else {}),
    }
    stream.thread_type = "AUTO"
    stream.thread_count = _threads(os.cpu_count() or 1, stream.width * stream.height)
    return stream


def _threads(cores: int, pixels: int) -> int:
    """How many pictures are decoded at a time; 0 leaves it to the decoder.

    By itself it takes one more than there are cores.  The cores are idle for a twelfth of the
    time then, since pictures take unequal time and are given out in order.
    """
    if cores == 1 or (pixels > LARGE_PIXELS and cores < MAX_THREADS):
        return 0
    return min(2 * cores + 2, MAX_THREADS)


def _explained(path: Path, error: Exception) -> FootageError:
    """Say in one line why a file could not be opened."""
    if isinstance(error, MemoryError):
        return FootageError(
            "reading needs more memory than there is", where=path.name, do=_COPY_AGAIN
        )
    if isinstance(error, PermissionError):
        return FootageError("no permission to read", where=path.name, do="change its permissions")
    if isinstance(error, av.error.ArgumentError):
        return FootageError(
            "this is not a camera's recording, or its pictures are too large",
            where=path.name,
            do="give an mp4, mov, 3gp, mkv, webm, ts or avi file as the camera wrote it",
        )
    incomplete = _incomplete(path)
    if incomplete is not None:
        return incomplete
    if isinstance(error, av.FFmpegError):
        return FootageError(
            "this is not a recording that can be read, or it is damaged",
            where=path.name,
            do="give an mp4, mov, 3gp, mkv, webm, ts or avi file as the camera wrote it",
        )
    return FootageError(
        f"the file cannot be opened ({type(error).__name__})", where=path.name, do=_COPY_AGAIN
    )


def _incomplete(path: Path) -> FootageError | None:
    """Say which part of an ISO base media file is missing or cut; None if none is."""
    boxes = walk_top(path)
    if boxes and not any(box.kind in ("moov", "moof") for box in boxes):
        return FootageError(
            "the part that lists the frames (moov) is missing, so the recording was not finished",
            where=path.name,
            do=_COPY_AGAIN,
        )
    for box in boxes:
        if box.present < box.size:
            return FootageError(
                f"the file is cut short inside its part '{box.kind}' "
                f"({box.present} of {box.size} bytes)",
                where=path.name,
                do=_COPY_AGAIN,
            )
    return None
