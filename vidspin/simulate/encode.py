"""How a simulated clip gets into a video file, with exact times and its truth beside it."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

from vidspin.errors import UsageError
from vidspin.simulate.footage import CAPTURE_RATE_KEY
from vidspin.simulate.render import Renderer
from vidspin.simulate.scene import Scene
from vidspin.simulate.truth import truth_of
from vidspin.whole import hidden_prefix, write_all_whole

FORMATS = {".mp4": "mp4", ".mov": "mov", ".mkv": "matroska"}
CODECS = {8: ("libx264", "libx265"), 10: ("libx265", "libx264")}
"""Codecs a bit depth may have, the usual one first."""

Progress = Callable[[int, int], object]

ENCODER_THREADS = 2

_PIXELS = {8: "yuv420p", 10: "yuv420p10le"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoding:
    """How the frames are compressed."""

    codec: str | None = None  # None: libx264 for 8 bits, libx265 for 10
    crf: int = 23
    preset: str = "medium"
    gop: int = 30  # frames from key frame to key frame
    b_frames: int = 2
    colour: bool = True  # wood and skin; else grey


@dataclass(frozen=True, slots=True)
class Written:
    """Where a clip and its truth were put."""

    clip: Path
    truth: Path
    frames: int


def truth_path(clip: Path) -> Path:
    """Return where the truth of a clip lies: ``NAME.truth.json`` beside it."""
    return clip.with_name(f"{clip.stem}.truth.json")


def write_clip(
    scene: Scene,
    path: Path,
    encoding: Encoding | None = None,
    *,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> Written:
    """Draw a scene into a video file and write its truth beside it.

    Parameters
    ----------
    scene : Scene
        What to draw.
    path : Path
        Where to; ``.mp4``, ``.mov`` or ``.mkv``.
    encoding : Encoding
        How to compress.
    overwrite : bool
        Replace files that are there.
    progress : callable
        Gets the number of frames written and the number of all frames, after each one.

    Returns
    -------
    Written
        Where both files are.

    Raises
    ------
    UsageError
        The name, the folder, the codec or the tag cannot be used, a file is in the way, or
        the encoder or the disk refuses.

    Notes
    -----
    Both files are written under another name beside their place and renamed when whole.
    MP4 and MOV state the scene's ticks exactly, MKV rounds them to milliseconds.
    """
    encoding = encoding or Encoding()
    truth = truth_path(path)
    codec = _refuse(scene, path, encoding)
    for target in (path, truth):
        if target.exists() and not overwrite:
            raise UsageError("is there already", where=str(target), do="give --overwrite")
    renderer = Renderer(scene)
    beside = path.with_name(f"{hidden_prefix(path.name)}part")
    try:
        _write_video(renderer, beside, FORMATS[path.suffix.lower()], (codec, encoding), progress)
        document = json.dumps(truth_of(scene, path.stem), allow_nan=False) + "\n"
        write_all_whole({truth: document.encode()}, ready={path: beside})
    except (OSError, av.error.FFmpegError) as error:
        reason = getattr(error, "strerror", None) or " ".join(str(error).split())
        raise UsageError(
            f"cannot be written ({reason})", where=str(path), do="check the disk and the encoding"
        ) from error
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)
    return Written(path, truth, len(renderer))


def _refuse(scene: Scene, path: Path, encoding: Encoding) -> str:
    """Raise a `UsageError` for what cannot be written; return the codec."""
    if path.suffix.lower() not in FORMATS:
        raise UsageError("unknown kind of file", where=str(path), do="name it .mp4, .mov or .mkv")
    if not path.parent.is_dir():
        raise UsageError("no such folder", where=str(path.parent), do="make it first")
    codec = encoding.codec or CODECS[scene.bit_depth][0]
    if codec not in CODECS[scene.bit_depth]:
        raise UsageError("unknown codec", where=codec, do="take libx264 or libx265")
    if codec not in av.codecs_available:
        raise UsageError("not in this build of FFmpeg", where=codec, do="take another codec")
    if scene.rotation_deg % 360 and path.suffix.lower() == ".mkv":
        raise UsageError("no rotation tag in this kind of file", where=str(path), do="take .mp4")
    return codec


def _write_video(
    renderer: Renderer,
    path: Path,
    container_format: str,
    how: tuple[str, Encoding],
    progress: Progress | None,
) -> None:
    """Draw, compress and mux all frames."""
    scene, (codec, encoding) = renderer.scene, how
    options = {}
    if container_format != "matroska":
        # The track's clock must be the scene's, or the muxer would round the ticks.
        options = {
            "movflags": "use_metadata_tags+faststart",
            "video_track_timescale": str(_timescale(scene)),
        }
    # an absolute path is never taken for a protocol's name
    with av.open(str(path.absolute()), "w", format=container_format, options=options) as container:
        if scene.stored_rate is not None and scene.capture_tag:
            container.metadata[CAPTURE_RATE_KEY] = f"{float(scene.frame_rate):.6f}"
        added: Any = container.add_stream(codec, rate=scene.file_rate, options=_options(how))
        stream: VideoStream = added
        _describe(stream, scene, codec)
        for index in range(len(renderer)):
            for packet in stream.encode(_video_frame(renderer, index, encoding)):
                container.mux(packet)
            if progress is not None:
                progress(index + 1, len(renderer))
        for packet in stream.encode(None):
            container.mux(packet)


def _timescale(scene: Scene) -> int:
    """Return the ticks a second of the track, a whole number."""
    if scene.time_base.numerator != 1:
        raise UsageError(
            "not one part of a second", where="time base", do="take 1/90000 or 1/600, say"
        )
    return scene.time_base.denominator


def _options(how: tuple[str, Encoding]) -> dict[str, str]:
    """Return the encoder's options."""
    codec, encoding = how
    options = {"crf": str(encoding.crf), "preset": encoding.preset}
    if codec == "libx265":
        options["x265-params"] = (
            f"keyint={encoding.gop}:bframes={encoding.b_frames}:log-level=error"
        )
        return options
    return options | {"g": str(encoding.gop), "bf": str(encoding.b_frames)}


def _describe(stream: VideoStream, scene: Scene, codec: str) -> None:
    """State size, clock, colour and rotation of the stream."""
    stream.width, stream.height = scene.width, scene.height
    stream.pix_fmt = _PIXELS[scene.bit_depth]
    stream.time_base = scene.time_base
    context: Any = stream.codec_context
    context.time_base = scene.time_base
    # Fixed, for x264 decides by it, and every machine shall write the same bytes.
    context.thread_count = ENCODER_THREADS
    context.color_range = 1  # limited
    context.colorspace = context.color_primaries = context.color_trc = 1  # BT.709
    if codec == "libx265":
        context.codec_tag = "hvc1"  # what phones write, and what players of theirs want
    if scene.rotation_deg % 360:
        turn: Any = getattr(stream, "set_display_rotation", None)
        if turn is None:
            raise UsageError(
                "this PyAV cannot write a rotation tag", where="rotation", do="take PyAV 18"
            )
        # FFmpeg counts its display rotation counterclockwise.
        turn(-(scene.rotation_deg % 360))


def _video_frame(renderer: Renderer, index: int, encoding: Encoding) -> VideoFrame:
    """Return a drawn frame as the encoder wants it."""
    scene = renderer.scene
    drawn = renderer.frame(index)
    frame = VideoFrame(scene.width, scene.height, _PIXELS[scene.bit_depth])
    half = (scene.height // 2, scene.width // 2)
    grey = np.full(half, 128, np.uint8)
    blue, red = renderer.chroma(index) if encoding.colour else (grey, grey)
    for plane, pixels in zip(frame.planes, (drawn.luma, blue, red), strict=True):
        _fill(plane, pixels if plane.width == scene.width else _deepened(pixels, scene.bit_depth))
    frame.pts, frame.time_base = drawn.tick, Fraction(scene.time_base)
    return frame


def _deepened(pixels: NDArray[Any], bit_depth: int) -> NDArray[Any]:
    """Return 8-bit codes at a picture's own depth."""
    return pixels if bit_depth == 8 else pixels.astype(np.uint16) << (bit_depth - 8)


def _fill(plane: Any, pixels: NDArray[Any]) -> None:
    """Copy rows into a plane whose rows may be longer than the picture.

    What lies behind the picture is filled too: encoders read some of it, and the same scene
    shall give the same bytes.
    """
    wide = plane.line_size // pixels.itemsize
    view = np.frombuffer(plane, pixels.dtype).reshape(plane.height, wide)
    view[:, : plane.width] = pixels
    view[:, plane.width :] = pixels[:, -1:]
