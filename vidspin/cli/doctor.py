"""``vidspin doctor``: whether this machine is fit for the work."""

from __future__ import annotations

import io
import json
import os
import platform
import shutil
import time
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Annotated, Any

import typer

from vidspin import __version__
from vidspin.errors import ExitCode

_PACKAGES = ("av", "numpy", "scipy", "opencv-python-headless", "scikit-image", "matplotlib")
# What phones record; the last one is what some cameras call Motion JPEG.
_NEEDED_DECODERS = ("h264", "hevc")
_OTHER_DECODERS = ("av1", "vp9", "prores", "mpeg4", "mjpeg")
_LITTLE_DISK_BYTES = 1 << 30
_CLIP_SIZE = (1280, 720)
_CLIP_FRAMES = 60


def doctor(
    folder: Annotated[
        Path, typer.Argument(help="Folder whose disk is looked at.", show_default=False)
    ] = Path(),
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")] = False,
) -> int:
    """Tell versions, codecs, free disk and decode speed.

    Ends with exit code 6 when something that a measurement needs is missing.
    """
    findings = _examine(folder)
    faults = _faults(findings)
    if as_json:
        typer.echo(json.dumps({**findings, "faults": faults}))
    else:
        for label, value in findings.items():
            typer.echo(f"{label.replace('_', ' '):<16} {_words(value)}")
        typer.echo(f"{'verdict':<16} {'; '.join(faults) or 'fit for the work'}")
    return ExitCode.CHECK_FAILED if faults else ExitCode.DONE


def _examine(folder: Path) -> dict[str, Any]:
    """Collect the facts; what cannot be found out is None."""
    return {
        "vidspin": __version__,
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        "processors": os.cpu_count(),
        "packages": {name: _version(name) for name in _PACKAGES},
        "ffmpeg": _ffmpeg_versions(),
        "decoders": {name: _can_decode(name) for name in (*_NEEDED_DECODERS, *_OTHER_DECODERS)},
        "free_disk_bytes": _free_bytes(folder),
        "decode_frames_s": _decode_speed(),
    }


def _version(package: str) -> str | None:
    try:
        return version(package)
    except PackageNotFoundError:
        return None


def _ffmpeg_versions() -> dict[str, str] | None:
    try:
        import av
    except ImportError:
        return None
    return {name: ".".join(map(str, number)) for name, number in av.library_versions.items()}


def _can_decode(codec: str) -> bool:
    try:
        import av.codec

        return av.codec.Codec(codec, "r").is_decoder
    except (ImportError, ValueError):
        return False


def _free_bytes(folder: Path) -> int | None:
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None


def _decode_speed() -> float | None:
    """Frames a second of decoding a small clip that is made on the spot."""
    try:
        import av

        clip = _make_clip()
        start = time.perf_counter()
        with av.open(clip, "r") as container:
            container.streams.video[0].thread_type = "AUTO"
            frames = len(list(container.decode(video=0)))
        return round(frames / (time.perf_counter() - start), 1)
    except (ImportError, ValueError, OSError):  # the library's errors are kinds of these
        return None


def _make_clip() -> io.BytesIO:
    """Encode a bar that moves over a grey ramp."""
    import av
    import numpy as np

    width, height = _CLIP_SIZE
    clip = io.BytesIO()
    ramp = np.tile(np.linspace(40, 200, width).astype(np.uint8), (height * 3 // 2, 1))
    ramp[height:] = 128
    with av.open(clip, "w", format="mp4") as container:
        stream = container.add_stream("h264", rate=30, options={"preset": "ultrafast"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        for number in range(_CLIP_FRAMES):
            picture = ramp.copy()
            picture[:height, (20 * number) % width :][:, :40] = 235
            frame = av.VideoFrame.from_ndarray(picture, format="yuv420p")
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    clip.seek(0)
    return clip


def _faults(findings: dict[str, Any]) -> list[str]:
    """Name what a measurement needs and this machine lacks."""
    faults = [f"{name} is not installed" for name, v in findings["packages"].items() if v is None]
    faults += [f"no {name} decoder" for name in _NEEDED_DECODERS if not findings["decoders"][name]]
    if findings["decode_frames_s"] is None:
        faults.append("a test clip could not be decoded")
    free = findings["free_disk_bytes"]
    if free is None:
        faults.append("the folder cannot be looked at")
    elif free < _LITTLE_DISK_BYTES:
        faults.append("less than 1 GiB of disk is free")
    return faults


def _words(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name} {_words(part)}" for name, part in value.items())
    if isinstance(value, bool):
        return "yes" if value else "NO"
    if isinstance(value, int) and value >= _LITTLE_DISK_BYTES:
        return f"{value / (1 << 30):.1f} GiB"
    return "not known" if value is None else str(value)
