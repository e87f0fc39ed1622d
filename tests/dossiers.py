"""Small dossiers of invented results, made in a moment, for tests of sealing and checking."""

from __future__ import annotations

import dataclasses
import hashlib
from pathlib import Path
from typing import Any

import numpy as np
from fabricate import START_RPM, Kind, fabricate

from vidspin.dossier.attempt import Attempt
from vidspin.dossier.build import Made, Request, build
from vidspin.dossier.examined import Expectations, Verification
from vidspin.dossier.keys import new_key
from vidspin.dossier.reports import page_of_the_result
from vidspin.dossier.seals import countersign
from vidspin.dossier.verify import verify
from vidspin.records import Result, ShownChallenge
from vidspin.store import write_result
from vidspin.units import rad_s_from_rpm

CREATED = "2026-11-25T12:00:00Z"
SIZE = 2_500_000  # of the stand-in for a recording: two whole pieces and a part of one


def silent(stage: str, done: int, total: int) -> None:
    """Tell nobody."""


def invented(kind: Kind) -> Result:
    """Invent a short result whose figures agree with each other."""
    result = fabricate(kind, duration_s=12.0)
    if kind == "unresolved" or result.release is None:
        return result
    # the invented release has the speed of the first row, a second later
    start = dataclasses.replace(result.release, speed_rad_s=rad_s_from_rpm(START_RPM))
    return dataclasses.replace(result, release=start)


def make_result(
    folder: Path,
    *,
    kind: Kind = "resolved",
    size: int = SIZE,
    name: str = "goldfinch.mp4",
    challenge: str | None = None,
) -> Path:
    """Write an invented result beside a recording of random bytes; return the result folder."""
    data = np.random.default_rng(7).integers(0, 256, size, dtype=np.uint8).tobytes()
    folder.mkdir(parents=True, exist_ok=True)
    (folder / Path(name.replace("\\", "/")).name).write_bytes(data)
    result = invented(kind)
    chapter = dataclasses.replace(
        result.footage.chapters[0], name=name, bytes=size, sha256=hashlib.sha256(data).hexdigest()
    )
    result = dataclasses.replace(
        result,
        footage=dataclasses.replace(result.footage, name="goldfinch", chapters=(chapter,)),
        challenge=None if challenge is None else ShownChallenge(challenge, 1.5, 6.0, 10),
    )
    place = folder / "goldfinch.spin"
    write_result(result, {"speed.png": b"\x89PNG drawn", "speed.svg": b"<svg/>"}, place)
    return place


def make_dossier(result: Path, **options: Any) -> tuple[Path, Made]:
    """Make a dossier beside the result."""
    recording = result.parent / "goldfinch.mp4"
    target = options.pop("target", result.parent / "goldfinch.dossier")
    reporter = options.pop("reporter", page_of_the_result)
    fields = {"recordings": (recording,), "include": True, "version": "0.1.0", "created": CREATED}
    made = build(Request(result, target, **{**fields, **options}), silent, reporter)
    return target, made


def sign(dossier: Path, role: str, keys: Path) -> str:
    """Sign a dossier with a new key; return its fingerprint."""
    from vidspin.dossier.keys import load_key

    keys.mkdir(exist_ok=True)
    path = keys / f"{role}.key"
    public = new_key(path)
    countersign(dossier, role, load_key(path))
    return public.fingerprint


def check(dossier: Path, **known: Any) -> Verification:
    """Verify a dossier."""
    return verify(dossier, Expectations(**known), silent)


def failures(found: Verification) -> list[str]:
    """List what failed, a sentence each."""
    return [step.says for step in found.steps if step.state == "fail"]


def suspects(found: Verification) -> set[str]:
    """List the files that failures are about."""
    return {path for step in found.steps if step.state == "fail" for path in step.files}


def flip(path: Path, at: int, bit: int) -> None:
    """Flip one bit of a file."""
    data = bytearray(path.read_bytes())
    data[at] ^= 1 << bit
    path.write_bytes(bytes(data))


__all__ = ["Attempt", "check", "failures", "flip", "make_dossier", "make_result", "sign"]
