"""What people give by mistake: names of nothing, folders for files, results of other programs."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from dossiers import make_dossier, make_result
from simulated_attempts import Law, spin, write_folder

from vidspin.cli.app import main
from vidspin.errors import ExitCode


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Hold a result, a dossier, a recording, and much that is none of these."""
    desk = tmp_path_factory.mktemp("desk")
    rng = np.random.default_rng(1)
    write_folder(spin(Law(0.9, 0.0, 1.2e-3), 1400.0), desk / "wren.spin", rng, facts={})
    for name, schema in (("old", "vidspin/spin/0"), ("new", "vidspin/spin/2"), ("x", "other/1")):
        place = Path(shutil.copytree(desk / "wren.spin", desk / f"{name}.spin"))
        document = json.loads((place / "spin.json").read_text("utf-8"))
        (place / "spin.json").write_text(json.dumps({**document, "schema": schema}), "utf-8")
    (desk / "notes.txt").write_text("Notes of the evening.\n")
    (desk / "empty").mkdir()
    make_dossier(make_result(desk / "d", size=3000))
    return desk


def said(capture: pytest.CaptureFixture[str]) -> str:
    """Nothing on stdout, and one line: what, where, what to do."""
    told = capture.readouterr()
    assert told.out == ""
    assert told.err.startswith("vidspin: ") and told.err.count("\n") == 1
    assert ": " in told.err[9:] and "; " in told.err and " bug " not in told.err
    return told.err


@pytest.mark.parametrize(
    "arguments",
    [
        ["keys", "new", ""], ["keys", "show", ""], ["simulate", "", "--rpm", "9"],
        ["overnight", ""], ["measure", ""], ["starts", ""], ["starts", "wren.spin", "--out", ""],
        ["verify", ""],
        ["ledger", "list", "--ledger", ""], ["ledger", "reground", "tip", ""],
        ["overnight", "--quiet", ""],
    ],
)  # fmt: skip
def test_an_empty_name_is_no_folder(
    arguments: list[str], desk: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(desk)
    before = sorted(desk.iterdir())
    assert main(arguments) == ExitCode.USAGE
    place = f"the argument after {arguments[arguments.index('') - 1]}"
    assert f"{place}: it is empty; give a name" in said(capsys)
    assert sorted(desk.iterdir()) == before


def test_a_text_that_says_nothing_may_be_empty(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["starts", str(desk / "wren.spin"), "--by", ""]) == ExitCode.DONE
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("command", [["claim", "--spin-time", "60"], ["rundown"], ["dossier"]])
@pytest.mark.parametrize(
    ("place", "told"),
    [
        ("missing.spin", "missing.spin: there is no such folder; check the name"),
        ("notes.txt", "; give a folder that `vidspin measure` wrote"),
        ("empty", "empty"),
        ("d/goldfinch.dossier", "a dossier, not a result folder; give "),
        ("x.spin", "schema"),
    ],
)
def test_what_is_no_result_is_told_as_what_it_is(
    command: list[str], place: str, told: str, desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    name, *options = command
    assert main([name, str(desk / place), *options]) == ExitCode.USAGE
    line = said(capsys)
    assert told in line and "cannot be read" not in line


@pytest.mark.parametrize("name", ["old", "new"])
def test_a_result_of_another_schema_is_not_called_damaged(
    name: str, desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for command in ("starts", "rundown", "dossier", "look"):
        assert main([command, str(desk / f"{name}.spin")]) == ExitCode.USAGE
        line = said(capsys)
        schema = "vidspin/spin/0" if name == "old" else "vidspin/spin/2"
        assert f"it is of schema {schema}, and this program reads vidspin/spin/1" in line
        assert "use the version of vidspin that wrote it, or make it again with this one" in line


@pytest.mark.parametrize("place", ["empty", "wren.spin/../empty"])
def test_a_folder_that_is_no_dossier_is_told_in_one_line(
    place: str, desk: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for command in (["verify"], ["countersign", "--key", "k", "--as", "operator"]):
        assert main([command[0], str(desk / place), *command[1:]]) == ExitCode.USAGE
        assert "this is no dossier; give the folder that vidspin dossier made" in said(capsys)
    # one that lost its lists is a dossier, and damaged
    lost = Path(shutil.copytree(desk / "d" / "goldfinch.dossier", tmp_path / "lost.dossier"))
    (lost / "tagmanifest-sha256.txt").unlink()
    assert main(["verify", str(lost), "--quiet"]) == ExitCode.CHECK_FAILED


def test_a_folder_is_no_recording_whatever_lies_beside_it(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for place in ("wren.spin", "d/goldfinch.dossier", "empty"):
        assert main(["measure", str(desk / place)]) == ExitCode.UNREADABLE
        assert "this is a folder, not a recording; name the file itself" in said(capsys)
    dossier = ["dossier", str(desk / "d" / "goldfinch.spin"), "--out", str(desk / "other")]
    assert main([*dossier, "--recording-file", str(desk / "empty")]) == ExitCode.UNREADABLE
    assert "empty: this is a folder, not a recording" in said(capsys)
