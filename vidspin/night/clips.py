"""What is known of the files of a batch, and of what became of each recording."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from fractions import Fraction
from typing import Any

STATED_DIGITS = 6  # of an instant in seconds; nobody types more


@dataclass(frozen=True, slots=True)
class Clip:
    """One file that was found to be a video, as its own look told."""

    place: str  # path below the folder, with /
    bytes: int
    sha256: str
    look: tuple[str, ...]  # what chapters of one recording have in common, in words
    frames: int
    duration_s: float  # of the file's own clock
    created: str | None  # the container's creation time, ISO 8601
    decode_rate: float  # frames a second in a short decode probe; 0 when it gave none

    @property
    def folder(self) -> str:
        """Folder below the batch's folder, empty for itself."""
        return self.place.rpartition("/")[0]

    @property
    def name(self) -> str:
        """File name with its ending."""
        return self.place.rpartition("/")[2]

    @property
    def stem(self) -> str:
        """File name without its ending."""
        return self.name.rpartition(".")[0] or self.name


def clip_from(place: str, looked: Mapping[str, Any]) -> Clip:
    """Make a clip of what a worker told of a file.

    Raises
    ------
    KeyError, TypeError, ValueError
        The worker told something else.
    """
    created = looked["created"]
    return Clip(
        place, int(looked["bytes"]), str(looked["sha256"]), tuple(map(str, looked["look"])),
        int(looked["frames"]), float(looked["duration_s"]),
        None if created is None else str(created), float(looked["decode_rate"]),
    )  # fmt: skip


class State(StrEnum):
    """What became of a recording; the sentence that tables show is in `SENTENCES`."""

    MEASURED = "measured"
    UNRESOLVED = "unresolved"
    FAILED = "failed"
    KEPT = "kept"
    SAME = "same"
    WAITING = "waiting"


SENTENCES = {
    State.MEASURED: "measured",
    State.UNRESOLVED: "measured; the alias order is unresolved, candidates are listed",
    State.FAILED: "failed",
    State.KEPT: "not measured: another result is in its place",
    State.SAME: "the same content as another recording",
    State.WAITING: "not reached",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One recording in the tables of a batch."""

    name: str
    files: tuple[str, ...]  # chapters, paths below the folder
    state: State
    line: str = ""  # why, in one line
    result: str = ""  # result folder, path from the tables
    rpm: float | None = None  # at release, rev/min; None when unresolved or not seen
    u95_rpm: float | None = None
    spin_time_s: float | None = None
    u95_s: float | None = None
    at_least_s: float | None = None
    failed_checks: tuple[str, ...] = ()

    @property
    def told(self) -> str:
        """What became of it in words, the failed checks by name."""
        failed = f"; FAILED {', '.join(self.failed_checks)}" if self.failed_checks else ""
        return f"{self.line or SENTENCES[self.state]}{failed}"


def job_key(
    sha256: Sequence[str],
    settings: Mapping[str, Any],
    facts: Mapping[str, Any],
    version: str,
    *,
    clock_ppm: float = 0.0,
) -> str:
    """Digest of all that decides a result: contents in order, options, facts, version.

    Parameters
    ----------
    sha256 : sequence of str
        Of the chapters.
    settings, facts : mapping
        As ``spin.json`` holds them.
    version : str
        Of the program.
    clock_ppm : float
        Rate error that the settings' instants are corrected by.

    Returns
    -------
    str
        SHA-256, hexadecimal.
    """
    whole = [list(sha256), _as_stated(settings, clock_ppm), dict(facts), version]
    text = json.dumps(whole, sort_keys=True, ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _as_stated(settings: Mapping[str, Any], clock_ppm: float) -> dict[str, Any]:
    """Take a recording's frame interval and clock out of its settings again."""
    typed = [
        {**one, "u_recorded_s": float(one["u_recorded_s"]) > 0}  # 0: all of it is stated
        for one in settings.get("references", [])
    ]
    instants = {
        name: round(value * (1.0 + 1e-6 * clock_ppm), STATED_DIGITS)
        for name in ("release_s", "topple_s")
        if isinstance(value := settings.get(name), int | float)
    }
    return {**settings, **instants, "references": typed}


def key_of(document: Mapping[str, Any]) -> str | None:
    """Key of a result that is there already, None where it tells too little.

    Parameters
    ----------
    document : mapping
        ``spin.json``.
    """
    try:
        sums = [str(chapter["sha256"]) for chapter in document["recording"]["chapters"]]
        settings, facts = document["settings"], document["facts"]
        version = _released(document["vidspin_version"])
        again = document.get("recomputed")
        if again and _released(again["from_version"]) != version:
            return None  # its angles are an older version's
        clock_ppm = float(document["camera"]["clock_ppm"]["value"]) if _has_clock(settings) else 0.0
        return job_key(sums, settings, facts, version, clock_ppm=clock_ppm)
    except (KeyError, TypeError, ValueError):
        return None


def _released(version: object) -> str:
    """Take the build off a version: a night's results are not done anew for each."""
    return str(version).partition("+")[0]


def _has_clock(settings: Mapping[str, Any]) -> bool:
    """Whether a recording's instants were put on a better clock."""
    camera = settings.get("camera") or {}
    return bool(settings.get("references") or camera.get("clock_ppm"))


def row_of(name: str, files: tuple[str, ...], result: str, document: Mapping[str, Any]) -> Row:
    """Tell a finished recording from its ``spin.json``."""
    resolved = bool(document["alias"]["resolved"])
    release = document["release"] or {}
    spin = document["spin_time"] or {}
    failed = tuple(str(c["name"]) for c in document["checks"] if c["state"] == "fail")
    return Row(
        name, files, State.MEASURED if resolved else State.UNRESOLVED, "", result,
        rpm=release.get("rpm") if resolved and release.get("seen") else None,
        u95_rpm=release.get("u95_rpm") if resolved and release.get("seen") else None,
        spin_time_s=spin.get("seconds"), u95_s=spin.get("u95_s"),
        at_least_s=spin.get("at_least_s"), failed_checks=failed,
    )  # fmt: skip


def look_of(facts: Any) -> tuple[str, ...]:
    """Tell what chapters that one camera split have in common, of a `ChapterFacts`."""
    rate = Fraction(facts.frame_rate)
    tags = facts.tags
    maker = [tags.get(key, "") for key in sorted(tags) if key.endswith(("make", "model"))]
    return (
        facts.container, facts.codec, f"{facts.width}x{facts.height}", f"{facts.bit_depth} bit",
        f"turn {facts.rotation_deg}{' mirrored' if facts.mirrored else ''}",
        f"time base {facts.time_base}", f"about {float(rate):.1f} frames/s",
        f"captured at {facts.capture_rate}", *maker,
    )  # fmt: skip


def as_json(value: Clip | Row) -> dict[str, Any]:
    """Plain values for a log line."""
    return asdict(value)
