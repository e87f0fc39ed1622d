"""What the video library of this machine can do, and how fast."""

from __future__ import annotations

import io
import time

import av
import av.codec
import numpy as np

_CLIP_COLUMNS, _CLIP_ROWS = 1280, 720
_CLIP_FRAMES = 60


def library_versions() -> dict[str, str]:
    """Return name and version of each FFmpeg library."""
    return {name: ".".join(map(str, number)) for name, number in av.library_versions.items()}


def can_decode(codec: str) -> bool:
    """Tell whether there is a decoder of that name."""
    try:
        return av.codec.Codec(codec, "r").is_decoder
    except ValueError:  # the library's "unknown codec" is a kind of it
        return False


def decode_speed() -> float:
    """Decode a small clip that is made on the spot; return frames a second.

    Raises
    ------
    ValueError, LookupError, OSError
        When it can be neither made nor decoded (the library's errors are kinds of these).
    """
    clip = _make_clip()
    start = time.perf_counter()
    with av.open(clip, "r") as container:
        container.streams.video[0].thread_type = "AUTO"
        frames = len(list(container.decode(video=0)))
    return frames / (time.perf_counter() - start)


def _make_clip() -> io.BytesIO:
    """Encode a bar that moves over a grey ramp, 720p H.264."""
    clip = io.BytesIO()
    ramp = np.tile(np.linspace(40, 200, _CLIP_COLUMNS).astype(np.uint8), (_CLIP_ROWS * 3 // 2, 1))
    ramp[_CLIP_ROWS:] = 128  # no colour
    with av.open(clip, "w", format="mp4") as container:
        stream = container.add_stream("h264", rate=30, options={"preset": "ultrafast"})
        stream.width, stream.height, stream.pix_fmt = _CLIP_COLUMNS, _CLIP_ROWS, "yuv420p"
        for number in range(_CLIP_FRAMES):
            picture = ramp.copy()
            left = (20 * number) % (_CLIP_COLUMNS - 40)
            picture[:_CLIP_ROWS, left : left + 40] = 235
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="yuv420p")))
        container.mux(stream.encode(None))
    clip.seek(0)
    return clip
