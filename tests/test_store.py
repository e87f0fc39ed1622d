"""The result folder: what it says, that it is whole, and that it comes back."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
import os
import stat
import zipfile
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from fabricate import CLOCK, Kind, fabricate
from hypothesis import given
from hypothesis import strategies as st

from vidspin.aliasing import alias_order
from vidspin.candidates import alias_orders, candidate_speeds
from vidspin.errors import UsageError
from vidspin.records import (
    AliasVerdict,
    Basis,
    Candidate,
    Quantity,
    Result,
    Revolutions,
    Settings,
    SpinTime,
    StreamOutcome,
)
from vidspin.report import gather
from vidspin.store import (
    check_target,
    load_schema,
    read_result,
    sightings_table,
    to_json,
    write_result,
)
from vidspin.store.spool import FileRows
from vidspin.units import rad_from_turns, rpm_from_rad_s

KINDS: tuple[Kind, ...] = ("resolved", "unresolved", "partial")
PICTURES = {"speed.png": b"\x89PNG", "speed.svg": b"<svg/>"}


def validate(document: dict[str, Any]) -> None:
    schema = load_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(document)


def strict(text: str) -> Any:
    def refuse(name: str) -> None:
        raise AssertionError(f"{name} in spin.json")

    return json.loads(text, parse_constant=refuse)


# ------------------------------------------------------------------------ spin.json


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("marks", [1, 3])
def test_document_follows_the_published_schema(kind: Kind, marks: int) -> None:
    validate(to_json(fabricate(kind, marks=marks), files=["speed.csv"]))


def test_document_of_a_bare_result_follows_the_schema() -> None:
    """Everything that may be absent is absent, everything that may be NaN is NaN."""
    result = fabricate("resolved", duration_s=12)
    nan = np.full_like(result.curve.time_s, np.nan)
    assert result.topple is not None
    bare = dataclasses.replace(
        result,
        direction=None,
        release=None,
        topple=dataclasses.replace(
            result.topple, seen=False, time_s=math.nan, u95_s=math.inf, speed_rad_s=None
        ),
        touches=(),
        spin_time=None,
        revolutions=None,
        checks=(),
        strips=(),
        clock_ppm=Quantity(math.nan, math.nan),
        shutter=dataclasses.replace(result.shutter, readout_s=None, exposure_s=None),
        curve=dataclasses.replace(result.curve, speed_rad_s=nan, budgets=()),
        alias=dataclasses.replace(result.alias, candidates=(), odds=math.inf),
    )
    document = to_json(bare)
    validate(document)
    assert document["camera"]["clock_ppm"] is None
    assert document["topple"]["time_s"] is None
    assert document["alias"]["order_at_release"] is None
    strict(json.dumps(document, allow_nan=False))


@pytest.mark.parametrize("kind", KINDS)
def test_written_numbers_are_never_nan(kind: Kind, tmp_path: Path) -> None:
    write_result(fabricate(kind), {}, tmp_path / "a.spin")
    strict((tmp_path / "a.spin" / "spin.json").read_text("utf-8"))


def test_schema_refuses_what_the_contract_does_not_have() -> None:
    document = to_json(fabricate())
    document["release"]["mood"] = "hopeful"
    with pytest.raises(jsonschema.ValidationError, match="mood"):
        validate(document)


@pytest.mark.parametrize("key", sorted(load_schema()["required"]))
def test_schema_asks_for_each_key(key: str) -> None:
    document = to_json(fabricate(duration_s=12))
    del document[key]
    with pytest.raises(jsonschema.ValidationError, match=key):
        validate(document)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("release", "rpm"), 1800.0),
        (("alias", "order_at_release"), 1),
        (("revolutions", "count"), 1000.0),
        (("budget_totals", 0, "rpm"), 1800.0),
    ],
)
def test_schema_refuses_a_speed_while_unresolved(path: tuple[Any, ...], value: float) -> None:
    document = to_json(fabricate("unresolved"))
    place: Any = document
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        validate(document)


def test_every_property_of_the_schema_is_described() -> None:
    def bare(node: Any, name: str) -> list[str]:
        found = []
        for key, child in node.get("properties", {}).items():
            if "description" not in child and "$ref" not in child:
                found.append(f"{name}.{key}")
            for inner in (child, *child.get("oneOf", ()), child.get("items", {})):
                found += bare(inner, f"{name}.{key}")
        return found

    schema = load_schema()
    nodes = {"spin": schema, **schema["$defs"]}
    assert [place for name, node in nodes.items() for place in bare(node, name)] == []


def test_document_tells_what_the_result_holds() -> None:
    result = fabricate()
    document = to_json(result)
    assert result.release is not None
    assert result.release.speed_rad_s is not None
    assert document["release"]["rpm"] == rpm_from_rad_s(result.release.speed_rad_s)
    assert document["release"]["time_s"] == result.release.time_s
    assert document["recording"]["frame_rate"] == "30000/1001"
    assert document["recording"]["frames"] == result.outcome.decoded
    assert document["recording"]["time_scale_from"] == result.footage.time_scale_from
    assert document["alias"]["order_at_release"] == 1
    assert document["camera"]["clock_ppm"]["u"] == pytest.approx(1e6 * CLOCK)
    assert document["checks"][3]["state"] == "fail"
    assert {line["at"] for line in document["budget"]} == {"release", "mid-spin", "last minute"}
    assert document["budget"][0]["u_rpm"] == rpm_from_rad_s(0.0040)
    assert document["budget"][1]["dof"] is None  # infinite


def test_document_keeps_both_values_of_an_overruled_event() -> None:
    stated = Settings(release_s=3.5, overrule_reason="thumb still on at 2.1 s")
    event = to_json(fabricate(settings=stated))["release"]
    assert event["overruled"] is True
    assert event["time_s"] == 3.5
    assert event["measured_s"] == pytest.approx(2.133)
    assert (event["u95_s"], event["measured_u95_s"]) == (0.034, 0.012)
    assert event["reason"] == "thumb still on at 2.1 s"


def test_an_end_that_is_not_seen_has_no_uncertainty() -> None:
    made = fabricate()
    assert made.release is not None
    unseen = replace(made, release=replace(made.release, seen=False, time_s=0.0, u95_s=0.0))
    event = to_json(unseen)["release"]
    assert (event["seen"], event["u95_s"], event["measured_s"]) == (False, None, None)


def test_document_of_a_measured_event_says_that_nobody_overruled_it() -> None:
    event = to_json(fabricate())["topple"]
    assert event["overruled"] is False
    assert event["measured_s"] == event["time_s"]
    assert event["measured_u95_s"] == event["u95_s"]
    assert event["reason"] is None


def test_unresolved_document_holds_candidates_and_no_single_speed() -> None:
    document = to_json(fabricate("unresolved"))
    assert document["release"]["rpm"] is None
    assert document["alias"]["order_at_release"] is None
    assert document["revolutions"]["count"] is None
    assert document["direction"] is None  # the candidates turn both ways
    assert [c["order"] for c in document["alias"]["candidates"]] == [1, 0, -2, 2, -3]
    first = document["alias"]["candidates"][0]
    assert first["readout_s"] == pytest.approx(0.0143)
    assert first["odds"] == pytest.approx(0.62 / 0.38)
    assert document["alias"]["candidates"][2]["direction"] == "counterclockwise"


def test_odds_are_finite_even_where_nothing_speaks_against() -> None:
    result = fabricate()
    certain = dataclasses.replace(result, alias=dataclasses.replace(result.alias, odds=math.inf))
    assert to_json(certain)["alias"]["odds"] == 1e12


def test_settings_come_back_exactly() -> None:
    settings = Settings(
        centre_px=(960.0, 540.0), bounds_rpm=(1500.0, 2100.0), captured_at=Fraction(240000, 1001)
    )
    stored = to_json(fabricate(settings=settings))["settings"]
    assert stored["centre_px"] == [960.0, 540.0]
    assert stored["bounds_rpm"] == [1500.0, 2100.0]
    assert stored["captured_at"] == "240000/1001"
    assert stored["marks"] is None


def test_faults_of_the_pass_are_told() -> None:
    outcome = StreamOutcome(decoded=900, suspect=3, faults=("the file ends in a frame",))
    document = to_json(dataclasses.replace(fabricate(), outcome=outcome))
    assert document["recording"]["faults"] == ["the file ends in a frame"]
    assert document["recording"]["suspect_frames"] == 3


def test_an_end_out_of_the_recording_gives_a_lower_bound() -> None:
    document = to_json(fabricate("partial"))
    assert document["topple"] is None
    assert document["spin_time"]["seconds"] is None
    assert document["spin_time"]["at_least_s"] == pytest.approx(60 - 2.133)


# --------------------------------------------------------------------------- tables


def test_speed_table_holds_the_curve(tmp_path: Path) -> None:
    result = fabricate()
    write_result(result, {}, tmp_path / "a.spin")
    speed = read_result(tmp_path / "a.spin").speed
    assert list(speed) == [
        "time_s", "rpm", "u95_rpm", "u95_rpm_excl_clock", "alias_order", "sightings", "quality",
    ]  # fmt: skip
    np.testing.assert_allclose(speed["time_s"], result.curve.time_s, atol=1e-6)
    expected = rpm_from_rad_s(result.curve.speed_rad_s)
    np.testing.assert_allclose(speed["rpm"], expected, atol=1e-6)
    total = rpm_from_rad_s(result.curve.u95_total_rad_s)
    np.testing.assert_allclose(speed["u95_rpm"], total, rtol=1e-5)
    np.testing.assert_array_equal(np.isnan(speed["rpm"]), np.isnan(speed["u95_rpm"]))
    assert (speed["u95_rpm"] >= speed["u95_rpm_excl_clock"])[np.isfinite(expected)].all()


@pytest.mark.parametrize("rows", [1, 7, 1 << 14])
def test_sightings_table_is_what_numpy_writes(rows: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """However few rows are packed at a time, wherever the answer to the shutter is kept."""
    monkeypatch.setattr("vidspin.store.tables.ROWS_AT_ONCE", rows)
    result = fabricate(duration_s=12)
    count = len(result.sightings.time_s)
    answer = np.random.default_rng(1).normal(size=(count, 5)).astype(np.float32)
    basis = Basis(
        np.arange(count) / 3, np.full(count, 0.01), answer, np.full(count, np.nan),
        np.ones(count, bool), np.linspace(0, 0.1, count), np.full(count, 1e-4),
    )  # fmt: skip
    held = sightings_table(replace(result, basis=basis))
    with FileRows() as kept:
        kept.append(answer)
        assert sightings_table(replace(result, basis=replace(basis, answer=kept))) == held
    with np.load(io.BytesIO(held)) as archive:
        arrays = dict(archive)
    for name in ("turned_rad", "answer", "counted", "roll_rad"):
        want = getattr(basis, name)
        assert arrays[name].dtype == want.dtype
        assert np.array_equal(arrays[name], want)
    ours, theirs = zipfile.ZipFile(io.BytesIO(held)), io.BytesIO()
    np.savez_compressed(theirs, **arrays)
    other = zipfile.ZipFile(theirs)
    assert ours.namelist() == other.namelist()
    for name in ours.namelist():
        assert ours.read(name) == other.read(name)


def test_report_is_given_the_place_of_what_is_not_in_memory(tmp_path: Path) -> None:
    seen: dict[str, bytes] = {}

    def report(files: Mapping[str, bytes | Path]) -> bytes:
        seen.update({n: c.read_bytes() if isinstance(c, Path) else c for n, c in files.items()})
        assert {n for n, c in files.items() if isinstance(c, Path)} == {"sightings.npz"}
        read, held = gather(files), gather(seen)
        assert {one.name for one in read.files} == set(files)
        assert (read.files, read.sighted_s) == (held.files, held.sighted_s)
        assert read.sighted_s is not None
        return b"told"

    write_result(fabricate(), PICTURES, tmp_path / "a.spin", report=report)
    assert (tmp_path / "a.spin" / "report.html").read_bytes() == b"told"
    for name, content in seen.items():
        assert (tmp_path / "a.spin" / name).read_bytes() == content


def test_a_report_that_fails_leaves_no_folder(tmp_path: Path) -> None:
    def report(files: Mapping[str, bytes | Path]) -> bytes:
        raise UsageError("incomplete", where="report", do="nothing")

    with pytest.raises(UsageError, match="incomplete"):
        write_result(fabricate(), PICTURES, tmp_path / "a.spin", report=report)
    assert os.listdir(tmp_path) == []


def test_unresolved_speed_table_is_empty_of_speeds(tmp_path: Path) -> None:
    write_result(fabricate("unresolved"), {}, tmp_path / "a.spin")
    with (tmp_path / "a.spin" / "speed.csv").open(newline="") as source:
        rows = list(csv.DictReader(source))
    for column in ("rpm", "u95_rpm", "u95_rpm_excl_clock", "alias_order"):
        assert {row[column] for row in rows} == {""}
    assert {row["sightings"] for row in rows} == {"0", "60"}


def test_candidates_table_has_a_column_for_each_order(tmp_path: Path) -> None:
    result = fabricate("unresolved")
    write_result(result, {}, tmp_path / "a.spin")
    stored = read_result(tmp_path / "a.spin")
    assert stored.candidates is not None
    assert list(stored.candidates) == [
        "time_s", "rpm_order_1", "rpm_order_0", "rpm_order_-2", "rpm_order_2", "rpm_order_-3",
    ]  # fmt: skip
    assert "candidates.csv" in stored.document["files"]


def test_resolved_folder_has_no_candidates_table(tmp_path: Path) -> None:
    write_result(fabricate(), {}, tmp_path / "a.spin")
    assert read_result(tmp_path / "a.spin").candidates is None
    assert not (tmp_path / "a.spin" / "candidates.csv").exists()


def with_candidates(result: Result, pairs: list[tuple[int, float]]) -> Result:
    candidates = tuple(Candidate(order, rpm, 0.5, None, None) for order, rpm in pairs)
    alias: AliasVerdict = dataclasses.replace(result.alias, candidates=candidates)
    return dataclasses.replace(result, alias=alias)


def test_candidates_that_turn_against_each_other_mirror_each_other() -> None:
    """30 frames/s, apparent speed +600 falling: +600 clockwise or 1200 the other way."""
    result = fabricate("unresolved", frame_rate=Fraction(30))
    slow = dataclasses.replace(
        result.curve, speed_rad_s=rad_from_turns(np.array([10.0, 9.0, np.nan])),
        time_s=np.array([0.5, 1.5, 2.5]),
    )  # fmt: skip
    result = with_candidates(
        dataclasses.replace(result, curve=slow), [(0, 600.0), (-1, -1200.0), (1, 2400.0)]
    )
    speeds = candidate_speeds(result)
    np.testing.assert_allclose(speeds[0], [600, 540, np.nan])
    np.testing.assert_allclose(speeds[-1], [1200, 1260, np.nan])  # it would have to quicken
    np.testing.assert_allclose(speeds[1], [2400, 2340, np.nan])


def test_candidates_of_a_best_one_that_turns_counterclockwise() -> None:
    result = fabricate("unresolved", frame_rate=Fraction(30))
    slow = dataclasses.replace(
        result.curve, speed_rad_s=rad_from_turns(np.array([10.0, 9.0])), time_s=np.array([0.5, 1.5])
    )
    result = with_candidates(
        dataclasses.replace(result, curve=slow), [(0, -600.0), (-1, -2400.0), (1, 1200.0)]
    )
    speeds = candidate_speeds(result)
    np.testing.assert_allclose(speeds[0], [600, 540])
    np.testing.assert_allclose(speeds[-1], [2400, 2340])
    np.testing.assert_allclose(speeds[1], [1200, 1260])


@given(
    turns=st.floats(0.0, 100.0),
    clockwise=st.booleans(),
    marks=st.integers(1, 4),
)
def test_orders_agree_with_the_arithmetic_of_one_speed(
    turns: float, clockwise: bool, marks: int
) -> None:
    result = dataclasses.replace(BASE, survey=dataclasses.replace(BASE.survey, marks=marks))
    result = with_candidates(result, [(0, 1.0 if clockwise else -1.0)])
    sign = 1 if clockwise else -1
    rate = float(result.footage.frame_rate)
    nearest = (sign * turns * marks / rate - 0.5) % 1.0
    if min(nearest, 1 - nearest) > 1e-9:  # at the very edge rounding may differ
        order = float(alias_orders(result, rad_from_turns(np.array([turns])))[0])
        assert order == alias_order(sign * turns, rate, marks)


BASE = fabricate(duration_s=12)


def test_sightings_come_back_exactly(tmp_path: Path) -> None:
    result = fabricate()
    write_result(result, {}, tmp_path / "a.spin")
    sightings = read_result(tmp_path / "a.spin").sightings
    for name in ("time_s", "angle_rad", "u_rad", "quality", "x_px", "y_px", "flags", "chapter"):
        np.testing.assert_array_equal(sightings[name], getattr(result.sightings, name))
    np.testing.assert_array_equal(sightings["residual_rad"], result.curve.residual_rad)


# --------------------------------------------------------------------------- folder


def test_folder_holds_exactly_what_it_lists(tmp_path: Path) -> None:
    document = write_result(fabricate(), PICTURES, tmp_path / "deep" / "a.spin")
    names = {path.name for path in (tmp_path / "deep" / "a.spin").iterdir()}
    assert names == {"spin.json", *document["files"]}
    assert names >= {"speed.csv", "sightings.npz", *PICTURES}
    assert os.listdir(tmp_path / "deep") == ["a.spin"]


def test_folder_comes_back(tmp_path: Path) -> None:
    document = write_result(fabricate(), PICTURES, tmp_path / "a.spin")
    assert read_result(tmp_path / "a.spin").document == document


def test_same_result_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_result(fabricate(), PICTURES, tmp_path / name)
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()


def test_folder_is_as_readable_as_its_neighbours(tmp_path: Path) -> None:
    (tmp_path / "plain").mkdir()
    write_result(fabricate(), {}, tmp_path / "a.spin")
    modes = {stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("plain", "a.spin")}
    assert len(modes) == 1


def test_existing_result_stays_without_overwrite(tmp_path: Path) -> None:
    write_result(fabricate(), PICTURES, tmp_path / "a.spin")
    with pytest.raises(UsageError, match="--overwrite"):
        write_result(fabricate("partial"), {}, tmp_path / "a.spin")
    assert read_result(tmp_path / "a.spin").document["topple"] is not None


def test_overwrite_replaces_the_whole_folder(tmp_path: Path) -> None:
    write_result(fabricate(), PICTURES, tmp_path / "a.spin")
    write_result(fabricate("partial"), {}, tmp_path / "a.spin", overwrite=True)
    assert read_result(tmp_path / "a.spin").document["topple"] is None
    assert not (tmp_path / "a.spin" / "speed.png").exists()
    assert os.listdir(tmp_path) == ["a.spin"]


def test_overwrite_spares_a_folder_with_other_things(tmp_path: Path) -> None:
    write_result(fabricate(), {}, tmp_path / "a.spin")
    (tmp_path / "a.spin" / "notes.txt").write_text("mine")
    with pytest.raises(UsageError, match=r"notes\.txt"):
        write_result(fabricate(), {}, tmp_path / "a.spin", overwrite=True)
    assert (tmp_path / "a.spin" / "notes.txt").read_text() == "mine"


def test_overwrite_spares_a_folder_that_is_no_result(tmp_path: Path) -> None:
    (tmp_path / "holiday").mkdir()
    (tmp_path / "holiday" / "beach.jpg").write_bytes(b"sun")
    with pytest.raises(UsageError, match=r"beach\.jpg"):
        write_result(fabricate(), {}, tmp_path / "holiday", overwrite=True)


def test_a_file_in_the_way_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "a.spin").write_text("a file")
    with pytest.raises(UsageError, match="in the way"):
        check_target(tmp_path / "a.spin", overwrite=True)


@pytest.mark.parametrize("overwrite", [False, True])
@pytest.mark.parametrize("call", ["fsync", "mkdir", "rename"])
def test_failure_leaves_no_half_written_folder(
    call: str, overwrite: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if overwrite:
        write_result(fabricate(), PICTURES, tmp_path / "a.spin")
    before = sorted(path.name for path in tmp_path.rglob("*"))
    with monkeypatch.context() as patch:
        inject(patch, call)
        with pytest.raises(UsageError, match="No space left"):
            write_result(fabricate("partial"), PICTURES, tmp_path / "a.spin", overwrite=overwrite)
    assert sorted(path.name for path in tmp_path.rglob("*")) == before
    if overwrite:
        assert read_result(tmp_path / "a.spin").document["topple"] is not None


def inject(patch: pytest.MonkeyPatch, call: str) -> None:
    """Let the disk be full at the third file, at the folder, or at the last step."""
    full = OSError(28, "No space left on device")
    calls = {"n": 0}
    if call == "fsync":

        def fsync(_: int) -> None:
            calls["n"] += 1
            if calls["n"] == 3:
                raise full

        patch.setattr(os, "fsync", fsync)
        return
    real = getattr(Path, call)

    def fails(self: Path, *args: Any, **options: Any) -> Any:
        if self.name == "new":
            raise full
        return real(self, *args, **options)

    patch.setattr(Path, call, fails)


def test_interruption_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_result(fabricate(), PICTURES, tmp_path / "a.spin")
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("spin.json", b"{"),
        ("spin.json", b'{"schema": "vidspin/spin/9"}'),
        ("spin.json", b'{"schema": "vidspin/spin/1"}'),
        ("spin.json", b'{"schema": NaN}'),
        ("speed.csv", b"time_s,rpm\n1,fast\n"),
        ("speed.csv", b""),
        ("sightings.npz", b"PK no zip"),
    ],
)
def test_damaged_folder_is_told_in_one_line(name: str, content: bytes, tmp_path: Path) -> None:
    write_result(fabricate(duration_s=12), {}, tmp_path / "a.spin")
    (tmp_path / "a.spin" / name).write_bytes(content)
    with pytest.raises(UsageError, match="damaged") as caught:
        read_result(tmp_path / "a.spin")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["spin.json", "speed.csv", "sightings.npz"])
def test_incomplete_folder_is_told(name: str, tmp_path: Path) -> None:
    write_result(fabricate(duration_s=12), {}, tmp_path / "a.spin")
    (tmp_path / "a.spin" / name).unlink()
    with pytest.raises(UsageError, match="incomplete"):
        read_result(tmp_path / "a.spin")


@given(
    seconds=st.none() | st.floats(allow_nan=True, allow_infinity=True),
    count=st.none() | st.floats(allow_nan=True, allow_infinity=True),
)
def test_no_number_however_odd_breaks_the_document(
    seconds: float | None, count: float | None
) -> None:
    odd = dataclasses.replace(
        BASE,
        spin_time=SpinTime(seconds, seconds, seconds),
        revolutions=Revolutions(count, count, count, 0.0),
    )
    strict(json.dumps(to_json(odd), allow_nan=False))
