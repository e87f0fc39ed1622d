"""The commands on several attempts: what they read, print and write."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from simulated_attempts import Law, spin, write_folder

from vidspin.cli import app
from vidspin.errors import ExitCode
from vidspin.ledger import Ledger, entry_of
from vidspin.store import find_results, load_schema, read_attempt

LAW = Law(0.9, 0.0, 1.2e-3)


def run(*arguments: object) -> int:
    return app.main([str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight attempts with two tips, one of them unresolved, one broken off."""
    folder = tmp_path_factory.mktemp("attempts")
    rng = np.random.default_rng(41)
    for tip, count in (("ruby", 3), ("steel", 3)):
        for k in range(count):
            turning = spin(LAW.scaled(np.exp(rng.normal(0, 0.005))), rng.normal(1400, 40))
            facts = {"tip": tip, "inertia_kg_m2": 2e-5, "diameter_mm": 45.0}
            write_folder(turning, folder / f"{tip}{k}.spin", rng, facts=facts)  # type: ignore[arg-type]
    write_folder(spin(LAW, 1400.0), folder / "owl.spin", rng, facts={"tip": "jade"}, resolved=False)
    write_folder(
        spin(LAW, 1400.0, 700.0), folder / "cut.spin", rng, facts={"tip": "jade"},
        topple_seen=False,
    )  # fmt: skip
    return folder


def test_a_stored_run_down_comes_back_as_an_attempt(results: Path) -> None:
    attempt = read_attempt(results / "ruby0.spin")
    assert attempt.resolved and attempt.phase is not None and attempt.rows is not None
    assert (attempt.name, attempt.fact("tip")) == ("ruby0", "ruby")
    turned = np.ptp(attempt.phase.angle_rad) / (2 * np.pi)
    assert turned == pytest.approx(attempt.revolutions, abs=0.5)
    doubtful = read_attempt(results / "owl.spin")
    assert not doubtful.resolved and doubtful.rows is None and doubtful.phase is None
    assert doubtful.release is None and len(doubtful.candidates) == 5
    assert len(find_results([results])) == 8
    assert len(find_results([results, results / "owl.spin"])) == 8


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("alias",), {"resolved": True}),
        (("recording", "frame_rate"), "0/0"),
        (("recording", "chapters"), [{}]),
        (("release",), {"seen": True}),
        (("marks",), "two"),
        (("facts",), {"tip": {"a/b": 1}}),
        (("facts",), ["tip"]),
        (("camera",), None),
    ],
)
def test_a_result_that_was_tampered_with_is_told_in_a_line(
    results: Path, tmp_path: Path, path: tuple[str, ...], value: object,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    folder = tmp_path / "bent.spin"
    shutil.copytree(results / "ruby0.spin", folder)
    document = json.loads((folder / "spin.json").read_text("utf-8"))
    *way, last = path
    inner = document
    for key in way:
        inner = inner[key]
    inner[last] = value
    (folder / "spin.json").write_text(json.dumps(document), "utf-8")
    assert run("starts", folder) == ExitCode.USAGE
    told = capsys.readouterr().err
    assert told.startswith("vidspin: ") and told.count("\n") == 1 and "bent" in told


@pytest.mark.parametrize("command", ["starts", "compare", "forecast", "add", "by ledger"])
def test_one_unreadable_result_stops_nothing_and_is_told(
    command: str, results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, book = tmp_path / "evening", tmp_path / "book.sqlite"
    for tip in ("ruby", "steel"):
        for number in range(3):
            shutil.copytree(results / f"{tip}{number}.spin", folder / f"{tip}{number}.spin")
    add = ("ledger", "add", folder, "--ledger", book, "--json")
    assert run(*add) == ExitCode.DONE
    (folder / "steel1.spin" / "spin.json").write_text('{"schema": "vidspin/spin/0"}', "utf-8")
    capsys.readouterr()
    run_it: dict[str, tuple[object, ...]] = {
        "starts": ("starts", folder, "--json"), "compare": ("compare", folder, "--by", "tip"),
        "forecast": ("forecast", folder), "add": add,
        "by ledger": ("compare", "--ledger", book, "--by", "tip"),
    }  # fmt: skip
    assert run(*run_it[command]) == ExitCode.BATCH_FAILED
    told = capsys.readouterr()
    assert told.out
    assert told.err.count("\n") == 1 and "steel1.spin" in told.err
    assert "it is of schema vidspin/spin/0, and this program reads vidspin/spin/1" in told.err
    if command == "add":
        assert json.loads(told.out)["renewed"] == 5


def test_facts_are_what_the_schema_allows(results: Path) -> None:
    document = json.loads((results / "ruby0.spin" / "spin.json").read_text("utf-8"))
    checker = jsonschema.Draft202012Validator(load_schema())
    checker.validate(document)
    for bad in ({"Tip": "x"}, {"tip": None}, {"tip": {"a": 1}}):
        assert not checker.is_valid({**document, "facts": bad})
    del document["facts"]  # results from before there were facts
    checker.validate(document)


def test_starts_prints_and_writes(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert run("starts", results, "--by", "tip", "--out", out) == 0
    told = capsys.readouterr()
    assert "ruby: 3 starts" in told.out and "owl: alias order unresolved" in told.out
    assert "starts.html" in told.err
    assert {p.name for p in out.iterdir()} == {
        "starts.csv", "starts.png", "starts.svg", "starts.html",
    }  # fmt: skip
    assert run("starts", results, "--out", out) == ExitCode.USAGE
    assert "already there" in capsys.readouterr().err
    assert run("starts", results, "--out", out, "--overwrite", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert sum(map(sum, document["counts"])) == 7
    assert run("starts", results, "--where", "tip=ruby", "--quiet") == 0
    assert capsys.readouterr().out == ""


def test_compare_prints_a_verdict_and_writes(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ("compare", results, "--by", "tip", "--between", "500", "1200")
    assert run(*arguments, "--out", tmp_path / "c") == 0
    told = capsys.readouterr().out
    assert "between ruby and steel between 500 and 1200 rev/min" in told or "coasts" in told
    assert "too few to tell" not in told  # jade has no attempt that passes the range
    assert "cut: it is not seen down to" in told
    assert (tmp_path / "c" / "compare.csv").read_text("utf-8").count("\n") == 7
    assert run(*arguments, "--json") == 0
    assert json.loads(capsys.readouterr().out)["differences"][0]["enough"] is True
    assert run("compare", results, "--between", "900", "500") == ExitCode.USAGE


def test_forecast_tells_spin_times_and_a_topple(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ruby = ("forecast", results, "--where", "tip=ruby", "--power", "3/2")
    assert run(*ruby, "--target", "1:00", "--release", "1300", "--out", tmp_path / "f") == 0
    told = capsys.readouterr().out
    assert "released at 1300 rev/min" in told and "to spin 0:01:00" in told
    assert (tmp_path / "f" / "forecast.csv").is_file()
    assert run(*ruby, "--topple-of", results / "cut.spin", "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["low_s"] < found["time_s"] < found["high_s"]
    assert "3 finished attempts" in found["assumption"]
    whole = read_attempt(results / "ruby1.spin")
    assert whole.topple is not None
    back = ("forecast", "--topple-of", results / "ruby1.spin", "--power", "3/2", "--json")
    assert run(*back, "--until", 0.5 * whole.topple.time_s) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["low_s"] < whole.topple.time_s < found["high_s"]
    assert run(*back) == ExitCode.USAGE
    assert "--until" in capsys.readouterr().err
    assert run("forecast", results, "--until", "10") == ExitCode.USAGE
    capsys.readouterr()
    assert run(*back, "--until", "60", "--target", "3:00") == ExitCode.USAGE
    assert "--target" in capsys.readouterr().err  # it was passed over in silence
    assert run("forecast", "--topple-of", results / "owl.spin") == ExitCode.USAGE
    assert "unresolved" in capsys.readouterr().err


def test_rundown_prints_the_law_and_the_torque(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "r"
    assert run("rundown", results / "ruby0.spin", "--power", "3/2", "--out", out) == 0
    told = capsys.readouterr().out
    assert "constant + power 3/2" in told and "torque" in told and "Reynolds" in told
    assert {p.name for p in out.iterdir()} == {
        "rundown.csv", "residuals.csv", "torque.csv", "rundown.png", "rundown.svg",
    }  # fmt: skip
    other = ("rundown", results / "ruby0.spin", "--power", "3/2", "--json")
    assert run(*other, "--inertia", "4e-5") == 0
    torque = json.loads(capsys.readouterr().out)["drag"]["torque_un_m"]
    assert run(*other) == 0
    halved = json.loads(capsys.readouterr().out)["drag"]["torque_un_m"]
    assert torque == pytest.approx([2 * t for t in halved])
    assert run("rundown", results / "cut.spin", "--diameter", "45") == ExitCode.USAGE
    assert "--inertia" in capsys.readouterr().err
    assert run("rundown", results / "cut.spin", "--power", "2") == ExitCode.USAGE


def test_the_ledger_is_filled_listed_exported_and_worn(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    book = tmp_path / "book.sqlite"
    monkeypatch.setenv("VIDSPIN_LEDGER", str(book))
    assert run("ledger", "list") == ExitCode.USAGE
    assert "ledger add" in capsys.readouterr().err
    assert run("ledger", "add", results, "--fact", "base=glass") == 0
    assert "8 new, 0 brought up to date" in capsys.readouterr().out
    assert run("ledger", "add", results / "ruby0.spin", "--quiet") == 0
    assert run("ledger", "list", "--where", "tip=ruby", "--sort", "best") == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 4 and "tip=ruby" in lines[1] and "base=glass" not in lines[0]
    assert all(line.startswith("(measured 20") for line in lines[1:])
    assert run("ledger", "list", "--where", "tip=jade") == 0
    told = capsys.readouterr().out
    assert "unresolved" in told and "at least " in told
    assert run("ledger", "list", "--where", "tip=rubby") == 0
    assert capsys.readouterr().out.startswith(f"no attempt in {book} is listed")
    assert run("ledger", "reground", "tip", "rubby", "--on", "2019-01-01") == 0
    told = capsys.readouterr()
    assert told.out == f"tip rubby counts as new from 2019-01-01 on, in {book}\n"
    assert "no attempt in the ledger has the tip rubby (it holds jade, ruby" in told.err
    assert run("ledger", "reground", "tip", "ruby", "--on", "2020-01-01") == 0
    assert capsys.readouterr().err == ""
    assert run("ledger", "wear") == 0
    assert "ruby   2020-01-01" in capsys.readouterr().out
    assert run("ledger", "wear", "--json") == 0
    assert {w["part"] for w in json.loads(capsys.readouterr().out)} == {"tip", "base"}
    assert run("ledger", "export", "--out", tmp_path / "x.csv") == 0
    assert (tmp_path / "x.csv").read_text("utf-8").count("\n") == 9
    assert run("ledger", "export", "--out", tmp_path / "x.csv") == ExitCode.USAGE
    assert run("ledger", "export", "--out", tmp_path / "x.txt") == ExitCode.USAGE
    capsys.readouterr()
    assert run("starts", "--ledger", book, "--by", "tip", "--json") == 0
    assert sum(map(sum, json.loads(capsys.readouterr().out)["counts"])) == 7
    assert run("compare", "--ledger", book, "--where", "tip=ruby") == 0
    assert "ruby2" in capsys.readouterr().out


def test_a_lower_limit_in_the_list_is_cut(results: Path) -> None:
    from vidspin.cli.ledger import _cells

    cut = results / "cut.spin"
    entry = entry_of(read_attempt(cut), cut, added="2030-01-01T00:00:00Z")
    assert _cells(replace(entry, at_least_s=20.956))[3] == "at least 20.95"


def test_a_speed_that_leaves_the_ledger_is_told(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (kept,) = [path for path in results.glob("*.spin") if "owl" in path.name]
    known = next(path for path in sorted(results.glob("*.spin")) if path != kept)
    again = shutil.copytree(kept, tmp_path / "again.spin")  # as if of the same recording
    document = json.loads((again / "spin.json").read_text("utf-8"))
    same = json.loads((known / "spin.json").read_text("utf-8"))["recording"]["chapters"][0]
    document["recording"]["chapters"][0]["sha256"] = same["sha256"]
    (again / "spin.json").write_text(json.dumps(document), "utf-8")
    book = ("--ledger", tmp_path / "book.db")
    assert run("ledger", "add", known, *book) == 0
    assert capsys.readouterr().err == ""
    assert run("ledger", "add", again, *book) == 0
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert told.startswith("vidspin: again: it had a speed in the ledger and is unresolved now")
    assert run("ledger", "add", again, *book) == 0
    assert capsys.readouterr().err == ""


def test_every_ledger_command_is_silent_or_tells_json(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = ("--ledger", tmp_path / "book.db")
    table = ("--out", tmp_path / "all.csv", "--overwrite")
    commands = {
        ("add", results): {"ledger": str(tmp_path / "book.db"), "new": 0, "renewed": 8},
        ("export", *table): {"file": str(tmp_path / "all.csv"), "attempts": 8},
        ("reground", "tip", "ruby", "--on", "2024-05-01"): {
            "part": "tip", "name": "ruby", "at": "2024-05-01", "note": "",
        },
        ("list",): None, ("wear",): None,
    }  # fmt: skip
    for command, told in commands.items():
        assert run("ledger", *command, *book, "--quiet") == 0
        assert capsys.readouterr().out == ""
        assert run("ledger", *command, *book, "--json", "--quiet") == 0
        found = json.loads(capsys.readouterr().out)
        assert found == told if told else isinstance(found, list)
    assert run("ledger", "export", *book, *table) == 0
    assert capsys.readouterr().err == f"wrote all.csv to {tmp_path}\n"


def test_a_ledger_wants_dates_that_it_can_compare(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    book = tmp_path / "book.sqlite"
    monkeypatch.setenv("VIDSPIN_LEDGER", str(book))
    one = results / "ruby0.spin"
    assert run("ledger", "add", one, "--fact", "date=3.5.2024") == ExitCode.USAGE
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and "ruby0.spin" in told
    assert "its date '3.5.2024' is no day; add it by itself with --fact date=2024-05-01" in told
    assert not book.exists()
    assert run("ledger", "add", one, results / "cut.spin", "--fact", "date=2024-05-03") == 0
    assert run("ledger", "list", "--until", "2024-05-03") == 0
    told = capsys.readouterr()
    assert told.out.count("2024-05-03") == 2 + 2  # recorded, and the fact
    assert told.err == ""
    assert run("ledger", "add", one, "--quiet") == 0  # nothing told anew
    assert run("ledger", "list") == 0
    assert capsys.readouterr().out.count("2024-05-03") == 2 + 2


def test_listings_and_wear_name_what_has_no_date(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setenv("VIDSPIN_LEDGER", str(tmp_path / "book.sqlite"))
    made = [entry_of(read_attempt(results / f"{n}.spin"), tmp_path, added="")
            for n in ("ruby0", "ruby1", "cut")]  # fmt: skip
    with Ledger(tmp_path / "book.sqlite", create=True) as ledger:
        ledger.add(
            [replace(e, recorded="") for e in made[:2]] + [replace(made[2], recorded_from="file")]
        )
        ledger.regrind("tip", "ruby", at="2024-05-04", added="")
    for option in ("--since", "--until"):
        assert run("ledger", "list", option, "2024-05-03", "--json") == 0
        told = capsys.readouterr()
        assert not {e["name"] for e in json.loads(told.out)} & {"ruby0", "ruby1"}
        assert (
            "2 attempts without a date left out: ruby0, ruby1; give each its own with" in told.err
        )
    assert run("ledger", "wear") == 0
    told = capsys.readouterr().out
    assert "tip ruby: 2 attempts without a date not counted, perhaps from before 2024-05-04" in told
    assert "tip jade: hours hold only what was seen of 1 attempt whose spin time is not" in told


def test_attempts_come_from_one_place(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("starts") == ExitCode.USAGE
    assert run("starts", results, "--ledger", tmp_path / "x") == ExitCode.USAGE
    assert run("starts", tmp_path) == ExitCode.USAGE
    assert run("starts", results, "--where", "tip=none") == ExitCode.USAGE
    assert run("starts", results, "--by", "a/b") == ExitCode.USAGE
    assert run("starts", results, "--by", "tip,tpi") == ExitCode.USAGE
    assert run("compare", results, "--by", "tpi") == ExitCode.USAGE
    errors = capsys.readouterr().err.splitlines()
    assert all("no attempt tells 'tpi'; give one of " in line for line in errors[5:])
    assert len(errors) == 7 and all(line.startswith("vidspin: ") for line in errors)


def test_the_list_of_ledger_commands_is_not_cut(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("ledger", "--help") == 0
    listed = capsys.readouterr().out.partition("Commands:")[2].strip().splitlines()
    assert len(listed) == 5 and not [line for line in listed if line.endswith("...")]
