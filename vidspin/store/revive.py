"""How a result folder becomes a result again, so that its speed can be worked out anew.

The pictures are gone: what only they could tell is empty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vidspin.documents import Document
from vidspin.errors import UsageError
from vidspin.records import (
    AliasVerdict,
    Basis,
    Candidate,
    ChapterFacts,
    Check,
    Ellipse,
    Event,
    FloatArray,
    FootageFacts,
    Result,
    Revolutions,
    Shutter,
    Sightings,
    SpinChart,
    SpinCurve,
    StreamOutcome,
    Survey,
    TouchSearch,
    Vote,
    Wobble,
)
from vidspin.stated import maybe, quantity, stated_in
from vidspin.store.folder import StoredResult
from vidspin.store.tables import BASIS_ARRAYS, ROLL_ARRAYS

_NOTHING: FloatArray = np.zeros(0)


def revive(stored: StoredResult, *, where: str) -> Result:
    """Make the result of what its folder holds.

    Parameters
    ----------
    stored : StoredResult
        As `read_result` gives it.
    where : str
        The folder, for the error.

    Returns
    -------
    Result
        Without curve, count of turns, spin time and pictures; events carry no speeds.

    Raises
    ------
    UsageError
        The folder does not hold what a result holds.
    """
    try:
        return _result(stored.document, stored.sightings)
    except (KeyError, TypeError, ValueError, ZeroDivisionError) as error:
        raise UsageError(
            f"the result is damaged ({type(error).__name__})", where=where,
            do="give a folder that `vidspin measure` wrote",
        ) from error  # fmt: skip


def _result(d: Document, arrays: Mapping[str, NDArray[Any]]) -> Result:
    recording, camera = d["recording"], d["camera"]
    offset = quantity(camera["centre_row_offset_s"])
    clock = quantity(camera["clock_ppm"])
    if offset is None or clock is None:
        raise ValueError("no instant of the time stamps")
    geometry = camera["geometry"]
    settings = stated_in(d)
    if settings.clock is not None:  # the rate that the kept times were corrected for
        settings = replace(settings, clock=clock)
    outcome = StreamOutcome(
        recording["frames"], recording["suspect_frames"], tuple(recording["faults"])
    )
    shutter = Shutter(
        quantity(camera["readout_s"]),
        quantity(camera["exposure_s"]),
        _terms(geometry, "cos_rad", "sin_rad"),
        _terms(geometry, "u_cos_rad", "u_sin_rad"),
        offset,
    )
    return Result(
        vidspin_version=str(d["vidspin_version"]), created=str(d["created"]),
        settings=settings, footage=_footage(recording, clock.value if settings.clock else 0.0),
        outcome=outcome,
        survey=_survey(d), sightings=_sightings(arrays), shutter=shutter, alias=_alias(d["alias"]),
        direction=d["direction"], curve=_no_curve(), release=_event("release", d["release"]),
        topple=_event("topple", d["topple"]), spin_time=None,
        touches=tuple(e for t in d["touches"] if (e := _event("touch", t)) is not None),
        touch_search=_touch_search(d.get("touch_search")),
        revolutions=_revolutions(d["revolutions"]),
        checks=tuple(_check(c) for c in d["checks"]), chart=_no_chart(), strips=(),
        clock_ppm=clock, facts=dict(d["facts"]), basis=_basis(arrays),
        wobble=_wobble(d.get("wobble")),
    )  # fmt: skip


def _number(said: float | None) -> float:
    return math.nan if said is None else float(said)


def _terms(geometry: list[Document], *names: str) -> FloatArray:
    rows = [[_number(term[name]) for name in names] for term in geometry]
    return np.array(rows, float).reshape(-1, 2)


def _footage(said: Document, clock_ppm: float) -> FootageFacts:
    return FootageFacts(
        name=str(said["name"]), chapters=tuple(_chapter(c) for c in said["chapters"]),
        frame_rate=Fraction(said["frame_rate"]), time_scale=Fraction(said["time_scale_exact"]),
        time_scale_from=str(said["time_scale_from"]), duration_s=float(said["duration_s"]),
        findings=tuple(_check(c) for c in said["findings"]), clock_ppm=clock_ppm,
    )  # fmt: skip


def _chapter(c: Document) -> ChapterFacts:
    rate = c["capture_rate"]
    return ChapterFacts(
        c["name"], "", c["bytes"], c["sha256"], c["container"], c["codec"], c["width"], c["height"],
        c["rotation"], c["mirrored"], Fraction(c["sample_aspect"]), c["bit_depth"],
        c["full_range"], Fraction(c["timebase"]), c["frames"], Fraction(c["frame_rate"]),
        c["first_tick"], _number(c["duration_file_s"]), None if rate is None else Fraction(rate),
        c["edit_list"], dict(c["tags"]),
    )  # fmt: skip


def _check(c: Document) -> Check:
    return Check(
        c["name"], c["state"], c["figure"], c["note"], c.get("kind") or "",
        c.get("threshold") or "", c.get("why") or "", bool(c.get("look")),
        tuple(map(float, c.get("at_s", ()))),
    )  # fmt: skip


def _survey(d: Document) -> Survey:
    top = d["top"]
    return Survey(
        _path(top), top["ring"][0], top["ring"][1], int(d["marks"]), top["bright_mark"],
        _number(top["confidence"]), tuple(top["given"]), np.zeros((1, 1), np.uint8),
        np.zeros((1, 1)), 1.0, others=tuple(map(_path, top.get("others", ()))),
    )  # fmt: skip


def _path(of: Document) -> Ellipse:
    (x, y), (major, minor) = of["centre_px"], of["semi_axes_px"]
    return Ellipse(x, y, major, minor, of["tilt_rad"])


def _alias(a: Document) -> AliasVerdict:
    return AliasVerdict(
        a["resolved"],
        tuple(
            Candidate(
                c["order"], c["rpm"], _number(c["probability"]), c["readout_s"], c["exposure_s"]
            )
            for c in a["candidates"]
        ),
        tuple(
            Vote(c["name"], tuple(map(_number, c["log_odds"])), c["says"], c["note"])
            for c in a["cues"]
        ),
        _number(a["odds"]), (a["bounds_rpm"][0], a["bounds_rpm"][1]), a["bounds_from"],
        _number(a["reference_s"]), a["reason"],
    )  # fmt: skip


def _event(kind: str, e: Document | None) -> Event | None:
    if e is None:
        return None
    own = own_u95 = None
    if e["overruled"]:  # results of old do not hold the program's own uncertainty
        own, own_u95 = maybe(e["measured_s"]), maybe(e.get("measured_u95_s"))
    return Event(
        kind, e["seen"], _number(e["time_s"]),
        _number(e["u95_s"]) if e["seen"] else 0.0, None, None, e["how"], own,
        own_u95,
    )  # fmt: skip


def _touch_search(said: Document | None) -> TouchSearch | None:
    if said is None:
        return None
    gaps = tuple((float(a), float(b)) for a, b in said["gaps_s"])
    return TouchSearch(said["from_s"], said["to_s"], maybe(said["pushes_to_s"]), gaps)


def _revolutions(said: Document | None) -> Revolutions | None:
    if said is None:
        return None
    step = maybe(said["largest_unexplained_step_turns"])
    return Revolutions(None, None, step, float(said["unseen_s"]))


def _wobble(said: Document | None) -> Wobble | None:
    if said is None:
        return None
    amount, slow = quantity(said["run_out_px"]), said["precession"]
    if amount is None:
        raise ValueError("a wobble without its run-out")
    return Wobble(
        amount, bool(said["run_out_seen"]), quantity(said["angle_from_mark_rad"]),
        quantity(said["run_out_mm"]),
        np.array(slow["time_s"], float), np.array(slow["rate_hz"], float),
        np.array(slow["amplitude_px"], float), np.array(slow["u_amplitude_px"], float),
        int(slow["windows"]),
    )  # fmt: skip


def _sightings(a: Mapping[str, NDArray[Any]]) -> Sightings:
    return Sightings(
        a["time_s"], a["angle_rad"], a["u_rad"], a["quality"], a["flags"], a["x_px"], a["y_px"],
        a["chapter"],
    )  # fmt: skip


def _basis(arrays: Mapping[str, NDArray[Any]]) -> Basis | None:
    if not set(BASIS_ARRAYS) <= set(arrays):
        return None
    count = len(arrays["time_s"])
    turned, u, answer, breaks, counted = (np.asarray(arrays[name]) for name in BASIS_ARRAYS)
    none = np.full(count, np.nan)
    rolls = tuple(np.asarray(arrays.get(name, none), np.float64) for name in ROLL_ARRAYS)
    rows = (turned, u, answer, breaks, counted, *rolls)
    if any(len(a) != count for a in rows) or answer.ndim != 2 or any(a.ndim != 1 for a in rolls):
        raise ValueError("arrays of different lengths")
    return Basis(turned, u, answer, breaks, counted.astype(bool), *rolls)


def _no_curve() -> SpinCurve:
    none = _NOTHING
    return SpinCurve(
        none, none, none, none, none, none, none, none.astype(np.int64), none, none, none, ()
    )


def _no_chart() -> SpinChart:
    return SpinChart(np.zeros((0, 0), np.uint8), _NOTHING, (), (), ())
