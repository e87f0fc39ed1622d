"""How a camera profile is kept: a TOML file that a person can read and edit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit
from tomlkit.items import Table

from vidspin.camera import Lesson, frame_times
from vidspin.clock import from_references
from vidspin.documents import read_toml
from vidspin.errors import UsageError
from vidspin.records import CameraProfile, Quantity
from vidspin.store.folder import StoredResult
from vidspin.units import parse_rate
from vidspin.whole import write_whole

SCHEMA = "vidspin/camera/1"
MOST_BYTES = 1 << 20
SMALLEST, LARGEST = 1e-12, 1e12  # of a number: beyond, it is a slip of the finger
MOST_PIXELS = 100_000  # of a picture's side
DIGITS = 6  # significant; no readout is known better
_HEAD = (
    "What vidspin learnt of one camera and mode. Edit it where you know better: every u is a",
    "standard uncertainty (two thirds of the truths lie within it).",
)


# ------------------------------------------------------------------------------ lessons


def lesson_of(stored: StoredResult, place: str) -> Lesson:
    """Take what a stored result tells of its camera.

    Parameters
    ----------
    stored : StoredResult
    place : str
        Where the result lies, for the error.

    Raises
    ------
    UsageError
        When its alias order is unresolved, or it was itself measured with a camera profile.
    """
    document = stored.document
    if not document["alias"]["resolved"]:
        raise UsageError(
            "its alias order is unresolved, so that its readout is open as well",
            where=place,
            do="leave it out",
        )
    if document["settings"].get("camera"):
        raise UsageError(
            "it was measured with a camera profile and tells nothing of its own",
            where=place,
            do="measure it without --camera",
        )
    recording, camera = document["recording"], document["camera"]
    chapter = recording["chapters"][0]
    rate = Fraction(recording["frame_rate"])
    tick_s = float(Fraction(chapter["timebase"])) * float(recording["time_scale"])
    times = np.asarray(stored.sightings["time_s"], np.float64)
    times = times[np.asarray(stored.sightings["chapter"]) == 0] if "chapter" in (
        stored.sightings
    ) else times  # fmt: skip
    clock = _stored(camera["clock_ppm"])
    references = len(document["settings"].get("references") or ())
    jitter_s, missing = frame_times(times, float(rate), tick_s) if len(times) > 2 else (0.0, 0.0)
    return Lesson(
        recording=str(recording["name"]),
        sha256=str(chapter["sha256"]),
        width=int(chapter["width"]),
        height=int(chapter["height"]),
        frame_rate=rate,
        readout_s=_stored(camera["readout_s"]),
        exposure_s=_stored(camera["exposure_s"]),
        clock_ppm=clock if clock is not None and from_references(references, clock) else None,
        tick_s=tick_s,
        jitter_s=jitter_s,
        missing=missing,
    )


def _stored(quantity: dict[str, Any] | None) -> Quantity | None:
    if quantity is None or not quantity["u"]:
        return None
    return Quantity(float(quantity["value"]), float(quantity["u"]), str(quantity["how"]))


# ------------------------------------------------------------------------------ writing


def profile_text(profile: CameraProfile, lessons: Sequence[Lesson]) -> str:
    """Write a profile and the evidence for it as TOML.

    Parameters
    ----------
    profile : CameraProfile
    lessons : sequence of Lesson
        What it was learnt from.
    """
    page = tomlkit.document()
    for line in _HEAD:
        page.add(tomlkit.comment(line))
    page.add("schema", tomlkit.item(SCHEMA))
    page.add("name", tomlkit.item(profile.name))
    mode = tomlkit.table()
    mode.add("width", profile.width)
    mode.add("height", profile.height)
    mode.add("frame_rate", _ratio(profile.frame_rate))
    page.add("mode", mode)
    _add(page, "readout_s", profile.readout_s, "s; negative: the last stored row is read first")
    exposure = _add(page, "exposure_s", profile.exposure_s, "s of one row")
    if exposure is not None:
        why = "true only if you lock it: phones change it with the light"
        exposure.add("fixed", tomlkit.item(profile.exposure_fixed).comment(why))
    _add(page, "clock_ppm", profile.clock_ppm, "rate error, parts in a million; positive: fast")
    if lessons:
        page.add("frame_times", _frame_times(lessons))
        evidence = tomlkit.aot()
        for one in lessons:
            evidence.append(_evidence(one))
        page.add("evidence", evidence)
    return tomlkit.dumps(page)


def _add(
    page: tomlkit.TOMLDocument, name: str, quantity: Quantity | None, words: str
) -> Table | None:
    if quantity is None:
        return None
    table = tomlkit.table()
    table.add("value", tomlkit.item(_short(quantity.value)).comment(words))
    table.add("u", _short(quantity.u))
    table.add("how", quantity.how)
    page.add(name, table)
    return table


def _frame_times(lessons: Sequence[Lesson]) -> Table:
    table = tomlkit.table()
    table.comment("how even the frame times were; nothing is worked out from this")
    table.add("tick_s", _short(max(one.tick_s for one in lessons)))
    table.add("jitter_s", _short(max(one.jitter_s for one in lessons)))
    table.add("missing_share", _short(max(one.missing for one in lessons)))
    return table


def _evidence(one: Lesson) -> Table:
    table = tomlkit.table()
    table.add("recording", one.recording)
    table.add("sha256", one.sha256)
    told = {"readout_s": one.readout_s, "exposure_s": one.exposure_s, "clock_ppm": one.clock_ppm}
    for name, quantity in told.items():
        if quantity is not None:
            table.add(name, [_short(quantity.value), _short(quantity.u)])
    return table


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


def _ratio(rate: Fraction) -> str:
    return f"{rate.numerator}/{rate.denominator}"


def write_profile(text: str, path: Path, *, overwrite: bool) -> None:
    """Write a profile's file whole or not at all.

    Raises
    ------
    UsageError
        When something is there and `overwrite` is not set, or the place cannot be written.
    """
    if path.exists() and not overwrite:
        raise UsageError("it is there already", where=str(path), do="add --overwrite")
    try:
        # names of recordings that are no UTF-8 stand in it only for people
        write_whole(path, text.encode("utf-8", "replace"))
    except OSError as error:
        raise UsageError(
            f"it cannot be written ({error.strerror or error})",
            where=str(path),
            do="choose another place",
        ) from error


# ------------------------------------------------------------------------------ reading


def read_profile(path: Path) -> CameraProfile:
    """Read a camera profile.

    Raises
    ------
    UsageError
        When it cannot be read or does not say what a profile must.
    """
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
        if len(data) > MOST_BYTES:
            raise _bad(path, "it is far larger than a profile")
        page = read_toml(data)
    except OSError as error:
        raise UsageError(
            f"it cannot be read ({error.strerror})", where=str(path), do="check the name"
        ) from error
    except ValueError as error:
        raise _bad(path, f"it is no TOML ({' '.join(str(error).split())[:80]})") from error
    if page.get("schema") != SCHEMA:
        raise _bad(path, f"it does not say schema = {SCHEMA!r}")
    mode = page.get("mode")
    if not isinstance(mode, dict):
        raise _bad(path, "it has no [mode]")
    exposure = _quantity(path, page, "exposure_s", low=0.0)
    return CameraProfile(
        name=_plain(str(page.get("name") or path.stem)),
        width=_count(path, mode, "width"),
        height=_count(path, mode, "height"),
        frame_rate=_rate(path, mode),
        readout_s=_quantity(path, page, "readout_s"),
        exposure_s=exposure,
        exposure_fixed=exposure is not None and page["exposure_s"].get("fixed", False) is True,
        clock_ppm=_quantity(path, page, "clock_ppm"),
    )


def _quantity(
    path: Path, page: dict[str, Any], name: str, low: float = -math.inf
) -> Quantity | None:
    table = page.get(name)
    if table is None:
        return None
    if not isinstance(table, dict):
        raise _bad(path, f"[{name}] is no table of value and u")
    numbers = []
    for key in ("value", "u"):
        number = table.get(key)
        if isinstance(number, bool) or not isinstance(number, int | float):
            raise _bad(path, f"{key} of [{name}] is not a number")
        try:
            numbers.append(float(number))
        except OverflowError as error:
            raise _bad(path, f"{key} of [{name}] is too large") from error
    value, u = numbers
    if not abs(value) <= LARGEST or value < low:
        raise _bad(path, f"{value:g} cannot be the value of [{name}]")
    if not SMALLEST <= u <= LARGEST:
        raise _bad(path, f"u of [{name}] must be above zero, and a number that can be meant")
    return Quantity(value, u, _plain(f"camera profile: {table.get('how', '')}".rstrip(": ")))


def _count(path: Path, mode: dict[str, Any], name: str) -> int:
    value = mode.get(name)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value <= MOST_PIXELS:
        raise _bad(path, f"{name} of [mode] is no count of pixels")
    return value


def _rate(path: Path, mode: dict[str, Any]) -> Fraction:
    try:
        return parse_rate(str(mode.get("frame_rate", "")))
    except ValueError as error:
        raise _bad(path, "frame_rate of [mode] is no rate such as 30000/1001") from error


def _plain(text: str) -> str:
    """Printable text of bounded length: a file's text is data."""
    return "".join(one if one.isprintable() else " " for one in text)[:120]


def _bad(path: Path, what: str) -> UsageError:
    return UsageError(
        f"this is no camera profile: {what}", where=str(path), do="make one with camera learn"
    )
