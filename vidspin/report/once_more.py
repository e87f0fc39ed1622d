"""Which command measures a recording as it was measured here?"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from vidspin.units import degrees_from_rad

# Words that no shell reads otherwise; anything else that a person typed is only hinted at.
_SAFE_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]*", re.ASCII)
_SAFE_VALUE = re.compile(r"[A-Za-z0-9][A-Za-z0-9.,:+=/-]*", re.ASCII)


def shown_name(name: str) -> str:
    """Return a file's name, or a word that stands for one that a shell might read otherwise."""
    return name if _SAFE_NAME.fullmatch(name) else "RECORDING"


def measure_command(document: dict[str, Any]) -> str:
    """Write the command that measures with all that was stated for this result.

    Parameters
    ----------
    document : dict
        ``spin.json``.

    Returns
    -------
    str
        A camera profile is named PROFILE: the result holds what it said, not its file.
    """
    names = [shown_name(chapter["name"]) for chapter in document["recording"]["chapters"]]
    words = ["vidspin measure", *(names or ["RECORDING"])]
    words += ["--chapters"] if len(names) > 1 else []
    return " ".join([*words, *(f"{option} {value}" for option, value in _stated(document))])


def _stated(document: dict[str, Any]) -> Iterator[tuple[str, str]]:
    said = document["settings"]
    written = {
        "--centre": _pair(said["centre_px"], ","),
        "--radii": _pair(said["radii_px"], ","),
        "--tilt": None if said["tilt_rad"] is None else _number(degrees_from_rad(said["tilt_rad"])),
        "--marks": said["marks"],
        "--between": _pair(said["bounds_rpm"], " "),
        "--captured-at": said["captured_at"],
        "--every": None if said["every_s"] == 1 else _number(said["every_s"]),
        "--diameter": _number(said.get("diameter_mm")),
        "--camera": None if said.get("camera") is None else "PROFILE",
    }
    yield from ((option, f"{value}") for option, value in written.items() if value is not None)
    # on the corrected clock there; a person states them on that of the recording
    rate = 1 + 1e-6 * float((document["camera"]["clock_ppm"] or {}).get("value") or 0.0)
    for key, option in (("release_s", "--release"), ("topple_s", "--topple")):
        if said[key] is not None:
            yield option, f"{said[key] * rate:.6f}".rstrip("0").rstrip(".")
    if said["release_s"] is not None or said["topple_s"] is not None:
        reason = said.get("overrule_reason") or ""
        yield "--reason", reason if _SAFE_VALUE.fullmatch(reason) else "REASON"
    for one in said.get("references") or ():
        yield "--reference", one["typed"] if _SAFE_VALUE.fullmatch(one["typed"]) else "T=CLOCK"


def _pair(said: list[float] | None, between: str) -> str | None:
    return None if said is None else between.join(f"{one:.10g}" for one in said)


def _number(said: float | None) -> str | None:
    return None if said is None else f"{said:.10g}"
