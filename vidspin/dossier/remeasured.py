"""Does the recording, measured again, give the same figures?"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from vidspin.dossier import bag, canonical
from vidspin.dossier.document import Document
from vidspin.dossier.examined import Step
from vidspin.dossier.layout import MANIFEST_JSON, RESULT
from vidspin.records import FloatArray, Settings
from vidspin.wording import plain, with_u95

NAME = "remeasure"


def recordings(dossier: Path, given: Sequence[Path]) -> list[Path]:
    """Name the files of the recording: those given, else those in the dossier."""
    if given:
        return list(given)
    manifest = canonical.loads(bag.read_small(dossier / MANIFEST_JSON))
    paths = [chapter["path"] for chapter in manifest["recording"]["chapters"]]
    safe = all(path is not None and bag.is_safe_path(path) for path in paths)
    there = safe and set(paths) <= set(bag.look_through(dossier).sizes)
    return [dossier / path for path in paths] if there else []


def settings_of(spin: Document) -> Settings:
    """Give back what the user stated when the result was made."""
    stated = spin["settings"]
    captured = stated["captured_at"]
    centre, radii, bounds = (stated[key] for key in ("centre_px", "radii_px", "bounds_rpm"))
    return Settings(
        centre_px=None if centre is None else (centre[0], centre[1]),
        radii_px=None if radii is None else (radii[0], radii[1]),
        tilt_rad=stated["tilt_rad"],
        marks=stated["marks"],
        bounds_rpm=None if bounds is None else (bounds[0], bounds[1]),
        captured_at=None if captured is None else Fraction(captured),
        release_s=stated["release_s"],
        topple_s=stated["topple_s"],
        overrule_reason=stated["overrule_reason"],
        every_s=stated["every_s"],
        clock_half_width_ppm=stated["clock_half_width_ppm"],
        odds_needed=stated["odds_needed"],
    )


def compare(dossier: Path, sealed: Document, fresh: Document, fresh_table: str) -> list[Step]:
    """Compare a sealed result with a fresh one.

    Parameters
    ----------
    dossier : Path
        Where ``speed.csv`` is.
    sealed, fresh : dict
        ``spin.json`` of the dossier and of the new measurement.
    fresh_table : str
        ``speed.csv`` of the new measurement.

    Returns
    -------
    list of Step
        A failure for every figure that differs by more than the smaller of the two u95, else
        one step that says how close they are.
    """
    steps = [Step(NAME, "fail", says) for says in _differences(sealed, fresh)]
    try:
        old = _columns(bag.read_small(dossier / RESULT / "speed.csv").decode("utf-8"))
        says, good = _curves(old, _columns(fresh_table), resolved=sealed["alias"]["resolved"])
        steps.append(Step(NAME, "pass" if good else "fail", says))
    except (ValueError, KeyError) as error:
        steps.append(Step(NAME, "fail", f"speed.csv cannot be compared ({plain(str(error))})"))
    if all(step.state == "pass" for step in steps):
        says = "release, topple, spin time and revolutions come out again within their u95"
        steps.insert(0, Step(NAME, "pass", says))
    return steps


def _differences(sealed: Document, fresh: Document) -> Iterator[str]:
    for place in (("alias", "resolved"), ("alias", "order_at_release"), ("marks",), ("direction",)):
        old, new = _at(sealed, *place), _at(fresh, *place)
        if old != new:
            yield f"{' '.join(place)}: {plain(str(old))} is sealed, {plain(str(new))} came out"
    for name, value, u95, unit in (
        ("release", "time_s", "u95_s", "s"),
        ("release", "rpm", "u95_rpm", "rev/min"),
        ("topple", "time_s", "u95_s", "s"),
        ("topple", "rpm", "u95_rpm", "rev/min"),
        ("spin_time", "seconds", "u95_s", "s"),
        ("revolutions", "count", "u95", "turns"),
    ):
        old, new = _at(sealed, name, value), _at(fresh, name, value)
        if old is None or new is None:
            if old != new:
                yield f"{name} {value}: {old} is sealed, {new} came out"
            continue
        doubt = [_at(one, name, u95) or 0.0 for one in (sealed, fresh)]
        if abs(old - new) > min(doubt) + 1e-9 * max(abs(old), 1.0):
            was, now = with_u95(old, doubt[0], unit), with_u95(new, doubt[1], unit)
            yield f"{name}: {was} is sealed, {now} came out"


def _at(document: Document, *place: str) -> Any:
    value: Any = document
    for step in place:
        value = None if value is None else value[step]
    return value


def _columns(text: str) -> dict[str, FloatArray]:
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    return {
        name: np.array([float(row[name] or "nan") for row in rows])
        for name in ("time_s", "rpm", "u95_rpm")
    }


def _curves(
    old: dict[str, FloatArray], new: dict[str, FloatArray], *, resolved: bool
) -> tuple[str, bool]:
    if len(old["time_s"]) != len(new["time_s"]):
        return f"speed.csv has {len(old['time_s'])} rows, {len(new['time_s'])} came out", False
    known = np.isfinite(old["rpm"])
    if (known != np.isfinite(new["rpm"])).any():
        return "speeds are known in other rows of speed.csv than came out", False
    if not known.any():
        return ("no speed is stated, and none came out", not resolved)
    apart = np.abs(old["rpm"] - new["rpm"])[known]
    doubt = np.minimum(old["u95_rpm"], new["u95_rpm"])[known]
    worst = int(np.argmax(apart / doubt))
    outside = int((apart > doubt + 1e-6).sum())
    at = float(old["time_s"][known][worst])
    says = (
        f"{outside} of {int(known.sum())} speeds differ by more than their u95; the largest "
        f"difference is {apart[worst]:.3g} rev/min at {at:.1f} s (u95 {doubt[worst]:.3g})"
    )
    return says, outside == 0
