"""What do the reports read? The files of one result folder, and nothing else."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from vidspin.documents import read_arrays, read_columns, read_json
from vidspin.errors import UsageError
from vidspin.records import FloatArray
from vidspin.report.text import cleaned

DOCUMENT = "spin.json"
SPEED_TABLE = "speed.csv"
SIGHTINGS = "sightings.npz"
CANDIDATES_TABLE = "candidates.csv"
REPORT = "report.html"
JPEG_QUALITY = 88
_DRAWN = ("spinchart.png", "survey.png")
_STRIPS = ("release", "topple", "touch")
_ORDER_COLUMN = "rpm_order_"


@dataclass(frozen=True, slots=True)
class FileFacts:
    """Name, size and SHA-256 of one file of the folder."""

    name: str
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class StillPicture:
    """A still with its instant (scene seconds), its JPEG content and its place in the list."""

    number: int
    kind: str
    time_s: float
    jpeg: bytes


@dataclass(frozen=True, slots=True)
class ReportData:
    """Everything that a report may tell.

    Attributes
    ----------
    document : dict
        ``spin.json``, every text in it made harmless by `text.plain`.
    time_s, rpm, u95_rpm : ndarray, shape (M,)
        Columns of ``speed.csv``; NaN where a cell is empty.
    candidates : dict of int to ndarray, shape (M,)
        Columns of ``candidates.csv`` by alias order; empty when the order is resolved.
    files : tuple of FileFacts
        Every file of the folder but the report itself, by name.
    sighted_s : (float, float) or None
        First and last frame time with a sighting that was used; None when that is not known.
    stills : tuple of StillPicture
        Those that ``spin.json`` lists and the folder holds.
    pictures : dict of str to bytes
        The drawn pictures as JPEG, by the name that the folder gives them.
    """

    document: dict[str, Any]
    time_s: FloatArray
    rpm: FloatArray
    u95_rpm: FloatArray
    candidates: dict[int, FloatArray]
    files: tuple[FileFacts, ...]
    stills: tuple[StillPicture, ...]
    pictures: dict[str, bytes]
    sighted_s: tuple[float, float] | None = None

    @property
    def resolved(self) -> bool:
        """Whether the alias order is known, so that there is a single speed."""
        return bool(self.document["alias"]["resolved"])

    @property
    def span_s(self) -> float:
        """Length of the recording, scene seconds; never 0."""
        last = float(self.time_s[-1]) if self.time_s.size else 0.0
        return max(float(self.document["recording"]["duration_s"] or 0.0), last, 1e-3)

    def of_kind(self, kind: str) -> tuple[StillPicture, ...]:
        """Return the stills of one kind, in order of time."""
        return tuple(still for still in self.stills if still.kind == kind)

    def sha256_of(self, name: str) -> str:
        """Return the SHA-256 of a file of the folder, or an empty text."""
        return next((facts.sha256 for facts in self.files if facts.name == name), "")


def gather(files: Mapping[str, bytes | Path]) -> ReportData:
    """Read what the reports need from the contents of a result folder.

    Parameters
    ----------
    files : mapping of str to bytes or Path
        File name to content, or to the place of a file whose content is too much for memory;
        ``spin.json`` and ``speed.csv`` must be among them.

    Returns
    -------
    ReportData

    Raises
    ------
    UsageError
        When a needed file is missing or damaged.
    """
    held = {name: content for name, content in files.items() if isinstance(content, bytes)}
    try:
        document = read_json(held[DOCUMENT])
        speed = read_columns(held[SPEED_TABLE])
        resolved = bool(document["alias"]["resolved"])
        candidates = {} if resolved else _candidates(held.get(CANDIDATES_TABLE, b""))
        entries = document.get("stills", [])
        kinds = {str(entry["kind"]) for entry in entries}
        return ReportData(
            document=cleaned(document),
            time_s=speed["time_s"],
            rpm=speed["rpm"],
            u95_rpm=speed["u95_rpm"],
            candidates=candidates,
            files=tuple(
                _facts(name, content) for name, content in sorted(files.items()) if name != REPORT
            ),
            stills=_stills(entries, held),
            pictures=_pictures(held, kinds),
            sighted_s=_sighted(files.get(SIGHTINGS, b"")),
        )
    except (KeyError, ValueError, TypeError, AttributeError) as error:
        reason = (str(error) or type(error).__name__).splitlines()[0]
        raise UsageError(
            f"the result is incomplete or damaged ({reason})",
            where=DOCUMENT,
            do="give a folder that `vidspin measure` wrote",
        ) from error


def _facts(name: str, content: bytes | Path) -> FileFacts:
    """Tell size and hash of a file."""
    if isinstance(content, bytes):
        return FileFacts(name, len(content), hashlib.sha256(content).hexdigest())
    with content.open("rb") as source:
        digest = hashlib.file_digest(source, "sha256").hexdigest()
    return FileFacts(name, content.stat().st_size, digest)


def _candidates(content: bytes) -> dict[int, FloatArray]:
    if not content:
        return {}
    columns = read_columns(content)
    found = {}
    for name, speeds in columns.items():
        order = name.removeprefix(_ORDER_COLUMN)
        if order != name:
            found[int(order)] = speeds
    return found


def _sighted(content: bytes | Path) -> tuple[float, float] | None:
    """Read between which instants the mark was seen; None where the table does not tell."""
    if not content:
        return None
    try:
        table = read_arrays(content, ("time_s", "u_rad", "flags"))
        used = (table["flags"] == 0) & np.isfinite(table["u_rad"])
        seen = table["time_s"][used]
    except (LookupError, ValueError):
        return None  # whether it is whole is for the checks of the dossier to say
    return (float(seen[0]), float(seen[-1])) if seen.size else None


def _stills(listed: list[dict[str, Any]], files: Mapping[str, bytes]) -> tuple[StillPicture, ...]:
    """Take the stills that are there and are pictures."""
    found: list[StillPicture] = []
    for entry in listed:
        content = files.get(entry["file"])
        if content is not None and content.startswith(b"\xff\xd8\xff"):
            kind, time_s = str(entry["kind"]), float(entry["time_s"])
            found.append(StillPicture(len(found), kind, time_s, content))
    return tuple(found)


def _pictures(files: Mapping[str, bytes], kinds: set[str]) -> dict[str, bytes]:
    """Take the drawn pictures that the reports show: strips only where there are no stills."""
    found = {}
    for name, content in files.items():
        stem, _, end = name.rpartition(".")
        strip = stem.startswith(_STRIPS) and stem not in kinds
        if end == "png" and (name in _DRAWN or strip):
            jpeg = _as_jpeg(content)
            if jpeg:
                found[name] = jpeg
    return found


def _as_jpeg(content: bytes) -> bytes | None:
    """Encode a drawn picture anew, smaller; None when it cannot be read."""
    picture = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR)
    if picture is None:
        return None
    options = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    options += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    done, data = cv2.imencode(".jpg", picture, options)
    return data.tobytes() if done else None
