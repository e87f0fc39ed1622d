"""Does the recording, measured again, give the same figures?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from vidspin.documents import Document, read_columns, read_json
from vidspin.dossier import bag
from vidspin.dossier.examined import Step
from vidspin.dossier.layout import MANIFEST_JSON, RESULT
from vidspin.records import FloatArray
from vidspin.wording import plain, with_u95

NAME = "remeasure"
NORMAL_95 = 1.96
MOST_U95_RATIO = 2.0  # of two uncertainties of the same figure; other libraries move them by less
SAME_PPM = 1e-6  # rates of one set of references differ by rounding at most


def recordings(dossier: Path, given: Sequence[Path]) -> list[Path]:
    """Name the files of the recording: those given, else those in the dossier."""
    if given:
        return list(given)
    manifest = read_json(bag.read_small(dossier / MANIFEST_JSON))
    paths = [chapter["path"] for chapter in manifest["recording"]["chapters"]]
    safe = all(path is not None and bag.is_safe_path(path) for path in paths)
    there = safe and set(paths) <= set(bag.look_through(dossier).sizes)
    return [dossier / path for path in paths] if there else []


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
        old = read_columns(bag.read_small(dossier / RESULT / "speed.csv"))
        says, good = _curves(
            old, read_columns(fresh_table.encode()), resolved=sealed["alias"]["resolved"]
        )
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
    yield from _clocks(sealed, fresh)
    yield from _quantities(sealed, fresh)
    for name, value, u95, unit in (
        ("release", "time_s", "u95_s", "s"),
        ("release", "rpm", "u95_rpm", "rev/min"),
        ("topple", "time_s", "u95_s", "s"),
        ("topple", "rpm", "u95_rpm", "rev/min"),
        ("spin_time", "seconds", "u95_s", "s"),
        ("revolutions", "count", "u95", "turns"),
    ):
        old, new = (
            None if (one[name] or {}).get("seen") is False else _at(one, name, value)
            for one in (sealed, fresh)
        )  # an end that was not seen has no instant
        if old is None or new is None:
            if old != new:
                yield f"{name} {value}: {old} is sealed, {new} came out"
            continue
        doubt = [_at(one, name, u95) or 0.0 for one in (sealed, fresh)]
        apart = abs(old - new) > min(doubt) + 1e-9 * max(abs(old), 1.0)
        if apart or max(doubt) > MOST_U95_RATIO * min(doubt):
            was, now = with_u95(old, doubt[0], unit), with_u95(new, doubt[1], unit)
            yield f"{name}: {was} is sealed, {now} came out"
    states = {check["name"]: check["state"] for check in fresh["checks"]}
    for check in sealed["checks"]:
        came_out = states.get(check["name"], check["state"])  # another version may not have it
        if came_out != check["state"]:
            name, was, now = (plain(str(v)) for v in (check["name"], check["state"], came_out))
            yield f"check {name}: {was} is sealed, {now} came out"


def _clocks(sealed: Document, fresh: Document) -> Iterator[str]:
    """Compare the rates that were worked out from the same references: nothing is random."""
    old, new = (_at(one, "camera", "clock_ppm") for one in (sealed, fresh))
    if old is None or new is None:
        if old != new:
            yield f"clock rate: {'none' if old is None else 'one'} is sealed"
        return
    for key, what in (("value", "rate"), ("u", "uncertainty of the rate")):
        was, now = old[key] or 0.0, new[key] or 0.0
        if abs(was - now) > SAME_PPM:
            yield f"clock {what}: {was:.7g} ppm is sealed, {now:.7g} ppm came out"


def _quantities(sealed: Document, fresh: Document) -> Iterator[str]:
    """Compare what came with the speed: shutter and run-out."""
    for words, unit, *place in (
        ("readout", "s", "camera", "readout_s"),
        ("exposure", "s", "camera", "exposure_s"),
        ("run-out", "px", "wobble", "run_out_px"),
        ("run-out", "mm", "wobble", "run_out_mm"),
    ):
        if place[0] not in sealed:  # results of old have no run-out
            continue
        old, new = _at(sealed, *place), _at(fresh, *place)
        if old is None or new is None:
            if old != new:
                was, now = ("none" if one is None else "one" for one in (old, new))
                yield f"{words} in {unit}: {was} is sealed, {now} came out"
            continue
        doubt = [NORMAL_95 * (one["u"] or 0.0) for one in (old, new)]
        if abs(old["value"] - new["value"]) > min(doubt) + 1e-9 * abs(old["value"]):
            was = with_u95(old["value"], doubt[0], unit)
            yield f"{words}: {was} is sealed, {with_u95(new['value'], doubt[1], unit)} came out"


def _at(document: Document, *place: str) -> Any:
    value: Any = document
    for step in place:
        value = None if value is None else value[step]
    return value


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
    worst = int(np.argmax(apart / np.maximum(doubt, np.finfo(float).tiny)))
    outside = int((apart > doubt + 1e-6).sum())
    at = float(old["time_s"][known][worst])
    says = (
        f"{outside} of {int(known.sum())} speeds differ by more than their u95; the largest "
        f"difference is {apart[worst]:.3g} rev/min at {at:.1f} s (u95 {doubt[worst]:.3g})"
    )
    return says, outside == 0
