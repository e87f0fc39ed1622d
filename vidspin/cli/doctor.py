"""``vidspin doctor``: whether this machine is fit for the work."""

from __future__ import annotations

import json
import os
import platform
import shutil
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Annotated, Any

import typer

from vidspin import __version__
from vidspin.built import built_version
from vidspin.cli.common import QuietOption
from vidspin.errors import ExitCode

_PACKAGES = ("av", "numpy", "scipy", "scikit-image", "opencv-python-headless", "matplotlib")
# What phones record.
_NEEDED_DECODERS = ("h264", "hevc")
_OTHER_DECODERS = ("av1", "vp9", "prores", "mpeg4", "mjpeg")
_LITTLE_DISK_BYTES = 1 << 30
_LABELS = {"free_disk_bytes": "free disk", "decode_frames_s": "decoding 720p, frames/s"}


def doctor(
    folder: Annotated[
        Path, typer.Argument(help="Folder whose disk is looked at.", show_default=False)
    ] = Path(),
    quiet: QuietOption = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")] = False,
) -> int:
    """Tell versions, codecs, free disk and decode speed.

    Ends with exit code 6 when something that a measurement needs is missing.
    """
    findings = _examine(folder)
    faults = _faults(findings)
    if as_json:
        typer.echo(json.dumps({**findings, "faults": faults}))
    elif not quiet:
        for label, value in findings.items():
            typer.echo(f"{_LABELS.get(label, label):<24} {_words(value)}")
        typer.echo(f"{'verdict':<24} {'; '.join(faults) or 'fit for the work'}")
    return ExitCode.CHECK_FAILED if faults else ExitCode.DONE


def _examine(folder: Path) -> dict[str, Any]:
    """Collect the facts; what cannot be found out is None."""
    return {
        "vidspin": __version__,
        "build": built_version().partition("+")[2],
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        "processors": os.cpu_count(),
        "packages": {name: _version(name) for name in _PACKAGES},
        **_video(),
        "free_disk_bytes": _free_bytes(folder),
    }


def _version(package: str) -> str | None:
    try:
        return version(package)
    except PackageNotFoundError:
        return None


def _free_bytes(folder: Path) -> int | None:
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None


def _video() -> dict[str, Any]:
    """Ask the video library; when it cannot be loaded, it can do nothing."""
    decoders = (*_NEEDED_DECODERS, *_OTHER_DECODERS)
    try:
        from vidspin.footage import codecs
    except ImportError:
        return {"ffmpeg": None, "decoders": dict.fromkeys(decoders, False), "decode_frames_s": None}
    try:
        speed = round(codecs.decode_speed(), 1)
    except (ValueError, LookupError, OSError):
        speed = None
    return {
        "ffmpeg": codecs.library_versions(),
        "decoders": {name: codecs.can_decode(name) for name in decoders},
        "decode_frames_s": speed,
    }


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
