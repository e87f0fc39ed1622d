"""Does the recording, measured again, give the same figures?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from vidspin.built import same_build
from vidspin.documents import Document, read_columns, read_json
from vidspin.dossier import bag
from vidspin.dossier.examined import Step
from vidspin.dossier.layout import MANIFEST_JSON, RESULT
from vidspin.records import FloatArray
from vidspin.uncertainty import NORMAL_95
from vidspin.wording import plain, with_u95

NAME = "remeasure"
MOST_U95_RATIO = 2.0  # of two uncertainties of the same figure; other libraries move them by less
SAME_PPM = 1e-6  # rates of one set of references differ by rounding at most
SAME_S = 1e-3  # of a row: that of a spin too short for two is its middle, which is fitted
CARD_S = 1.0  # a card is looked for twice a second
NEAR_S = 0.1  # of lengths that state no u95: a few frames more or less


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
        one step that says how close they are.  What one of the two versions cannot tell is
        left open.
    """
    steps = [Step(NAME, "fail", says) for says in _differences(sealed, fresh)]
    try:
        old = read_columns(bag.read_small(dossier / RESULT / "speed.csv"))
        says, good = _curves(old, read_columns(fresh_table.encode()), sealed, fresh)
        steps.append(Step(NAME, "pass" if good else "fail", says))
    except (ValueError, KeyError) as error:
        steps.append(Step(NAME, "fail", f"speed.csv cannot be compared ({plain(str(error))})"))
    if all(step.state == "pass" for step in steps):
        says = "release, topple, spin time and revolutions come out again within their u95"
        steps.insert(0, Step(NAME, "pass", says))
        if sealed.get("challenge") is not None:
            seen = f"the card was read again, from {fresh['challenge']['first_s']:.1f} s on"
            steps.append(Step(NAME, "pass", seen))
    steps += [Step(NAME, "unchecked", says) for says in _left_open(sealed, fresh)]
    return steps


def _differences(sealed: Document, fresh: Document) -> Iterator[str]:
    for place in (
        ("alias", "resolved"), ("alias", "order_at_release"), ("alias", "bounds_from"),
        ("alias", "bounds_rpm"), ("marks",), ("direction",),
    ):  # fmt: skip
        old, new = _at(sealed, *place), _at(fresh, *place)
        if old != new:
            yield f"{' '.join(place)}: {plain(str(old))} is sealed, {plain(str(new))} came out"
    yield from _recording(sealed, fresh)
    yield from _challenge(sealed, fresh)
    yield from _clocks(sealed, fresh)
    yield from _quantities(sealed, fresh)
    yield from _figures(sealed, fresh)
    yield from _limit(sealed, fresh)
    yield from _touches(sealed, fresh)
    yield from _checks(sealed, fresh)


def _figures(sealed: Document, fresh: Document) -> Iterator[str]:
    """Compare what a reader looks for first."""
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


def _checks(sealed: Document, fresh: Document) -> Iterator[str]:
    states = {check["name"]: check["state"] for check in fresh["checks"]}
    for check in sealed["checks"]:
        came_out = states.get(check["name"], check["state"])  # another version may not have it
        if came_out != check["state"]:
            name, was, now = (plain(str(v)) for v in (check["name"], check["state"], came_out))
            yield f"check {name}: {was} is sealed, {now} came out"
    if _read_by_this_version(sealed, fresh):
        for name, state in _unsealed_checks(sealed, fresh):
            yield f"check {name}: none is sealed, {state} came out"


def _unsealed_checks(sealed: Document, fresh: Document) -> list[tuple[str, str]]:
    """List the checks that came out and are not in the sealed result, with their answers."""
    known = {check["name"] for check in sealed["checks"]}
    return [(one["name"], one["state"]) for one in fresh["checks"] if one["name"] not in known]


def _read_by_this_version(sealed: Document, fresh: Document) -> bool:
    """Whether everything must be in the sealed result that is in the fresh one.

    A result that was worked out again keeps what the version told that read the recording.
    """
    if "recomputed" in sealed:
        return False
    return same_build(str(sealed["vidspin_version"]), str(fresh["vidspin_version"]))


def _ends_stated_afterwards(sealed: Document) -> bool:
    """Whether touches were looked for between other ends than those that are stated."""
    stated = (sealed["settings"][key] for key in ("release_s", "topple_s"))
    return "recomputed" in sealed and any(instant is not None for instant in stated)


def _left_open(sealed: Document, fresh: Document) -> Iterator[str]:
    """Say what could not be compared, since the sealed result was made in another way."""
    missing = _unsealed_checks(sealed, fresh)
    if missing and not _read_by_this_version(sealed, fresh):
        named = ", ".join(f"{name} ({state})" for name, state in missing)
        yield f"the sealed result, by another version or worked out again, has no check {named}"
    if _ends_stated_afterwards(sealed):
        yield "release or topple were stated afterwards: touches were not compared"


def _recording(sealed: Document, fresh: Document) -> Iterator[str]:
    """Compare what the files themselves tell."""
    old, new = sealed["recording"], fresh["recording"]
    if _apart(old["duration_s"], new["duration_s"], NEAR_S):
        yield f"duration: {old['duration_s']} s is sealed, {new['duration_s']} s came out"
    if len(old["chapters"]) != len(new["chapters"]):
        yield f"{len(old['chapters'])} files are sealed, {len(new['chapters'])} were measured"
        return
    firm = _read_by_this_version(sealed, fresh)  # another version may keep fewer tags
    for was, now in zip(old["chapters"], new["chapters"], strict=True):
        before, after = was["tags"], now["tags"]
        for key in sorted(before if not firm else {*before, *after}):
            if before.get(key) != after.get(key):
                words = [plain(str(one.get(key, "nothing"))) for one in (before, after)]
                yield f"tag {plain(key)}: {words[0]} is sealed, {words[1]} came out"


def _challenge(sealed: Document, fresh: Document) -> Iterator[str]:
    """Compare which card was read, and when."""
    old, new = sealed.get("challenge"), fresh["challenge"]
    if old is None:
        if new is not None and _read_by_this_version(sealed, fresh):
            yield f"challenge: none is sealed, {plain(new['text'])} came out"
    elif new is None or old["text"] != new["text"]:
        came_out = "none" if new is None else plain(new["text"])
        yield f"challenge: {plain(old['text'])} is sealed, {came_out} came out"
    elif any(_apart(old[key], new[key], CARD_S) for key in ("first_s", "last_s")):
        was, now = (f"{one['first_s']:.1f} to {one['last_s']:.1f} s" for one in (old, new))
        yield f"challenge: from {was} is sealed, from {now} came out"


def _limit(sealed: Document, fresh: Document) -> Iterator[str]:
    """Compare the lower limits of the spin time."""
    old, new = (_at(one, "spin_time", "at_least_s") for one in (sealed, fresh))
    if _apart(old, new, _slack(sealed, fresh)):
        was, now = ("none" if one is None else f"at least {one:.2f} s" for one in (old, new))
        yield f"spin_time: {was} is sealed, {now} came out"


def _touches(sealed: Document, fresh: Document) -> Iterator[str]:
    """Compare the touches, and where they were looked for."""
    if _ends_stated_afterwards(sealed):
        return
    old, new = sealed["touches"], fresh["touches"]
    if len(old) != len(new):
        yield f"touches: {len(old)} are sealed, {len(new)} came out"
    else:
        for was, now in zip(old, new, strict=True):
            doubt = min(one["u95_s"] or 0.0 for one in (was, now))
            if _apart(was["time_s"], now["time_s"], doubt + SAME_S):
                yield f"touch: {was['time_s']} s is sealed, {now['time_s']} s came out"
    if "touch_search" not in sealed:  # results of old do not tell
        return
    searches = [_searched(one["touch_search"]) for one in (sealed, fresh)]
    slack = _slack(sealed, fresh)
    for name, was, now in zip(("from", "to", "pushes to", "gaps of"), *searches, strict=True):
        if _apart(was, now, slack):
            yield f"touches were looked for, {name}: {was} s is sealed, {now} s came out"


def _searched(search: Document | None) -> tuple[float | None, ...]:
    """Give start and end of the search, the end for pushes, and what it left out."""
    if search is None:
        return (None,) * 4
    left_out = float(sum(stop - start for start, stop in search["gaps_s"]))
    return search["from_s"], search["to_s"], search["pushes_to_s"], left_out


def _slack(sealed: Document, fresh: Document) -> float:
    """Tell by how much lengths may differ that hang on release and topple."""
    ends = [one for one in ("release", "topple") if _at(sealed, one, "seen")]
    return NEAR_S + sum(min(_at(d, end, "u95_s") or 0.0 for d in (sealed, fresh)) for end in ends)


def _apart(old: float | None, new: float | None, allowed: float) -> bool:
    """Whether two numbers differ; what is unknown equals only what is unknown."""
    if old is None or new is None:
        return old is not new
    return not abs(old - new) <= allowed


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
    old: dict[str, FloatArray], new: dict[str, FloatArray], sealed: Document, fresh: Document
) -> tuple[str, bool]:
    if len(old["time_s"]) != len(new["time_s"]):
        return f"speed.csv has {len(old['time_s'])} rows, {len(new['time_s'])} came out", False
    if not (np.abs(old["time_s"] - new["time_s"]) <= SAME_S).all():
        return "the rows of speed.csv belong to other instants than came out", False
    known = np.isfinite(old["rpm"])
    if (known != np.isfinite(new["rpm"])).any():
        return "speeds are known in other rows of speed.csv than came out", False
    if not known.any():
        return ("no speed is stated, and none came out", not sealed["alias"]["resolved"])
    for name in ("u95_rpm", "u95_rpm_excl_clock"):
        pair = np.stack([old[name], new[name]])[:, known]
        near = pair.max(axis=0) <= MOST_U95_RATIO * pair.min(axis=0)
        if not (near | np.isnan(pair).all(axis=0)).all():
            return f"{name} of speed.csv is not what came out", False
    apart = np.abs(old["rpm"] - new["rpm"])[known]
    doubt = np.minimum(old["u95_rpm"], new["u95_rpm"])[known]
    if not _same_orders(old, new, fresh)[known].all():
        return "alias_order of speed.csv is not what came out", False
    worst = int(np.argmax(apart / np.maximum(doubt, np.finfo(float).tiny)))
    outside = int((~(apart <= doubt + 1e-6)).sum())
    at = float(old["time_s"][known][worst])
    says = (
        f"{outside} of {int(known.sum())} speeds differ by more than their u95; the largest "
        f"difference is {apart[worst]:.3g} rev/min at {at:.1f} s (u95 {doubt[worst]:.3g})"
    )
    return says, outside == 0


def _same_orders(
    old: dict[str, FloatArray], new: dict[str, FloatArray], fresh: Document
) -> np.ndarray:
    """Compare the orders row by row; where the speed is at a change of order, both will do."""
    spacing = 60.0 * float(Fraction(fresh["recording"]["frame_rate"])) / fresh["marks"]
    from_change = np.abs((new["rpm"] / spacing) % 1.0 - 0.5) * spacing
    apart = np.abs(old["alias_order"] - new["alias_order"])
    same: np.ndarray = (apart == 0) | ((apart == 1) & (from_change <= new["u95_rpm"]))
    return same
