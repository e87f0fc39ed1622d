"""Names of files as people and other systems give them: they work, or are refused in one line."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from dossiers import make_result
from fabricate import fabricate

from vidspin.cli.app import main
from vidspin.cli.batch import Wishes
from vidspin.cli.overnight import run_batch
from vidspin.errors import ExitCode
from vidspin.footage.frames import Recording
from vidspin.night.book import LOG, checkpoints_of, tidy
from vidspin.simulate import ConstantSpeed, Scene
from vidspin.simulate.encode import write_clip
from vidspin.whole import hidden_prefix

NAMES = {
    "umlauts": "Kreisel höher Äquator",
    "combining": "kreisel-ho\u0308her",
    "emoji": "top 🌀 spin ✨",
    "right to left": "סביבון",
    "spaces": "  two  blanks ",
    "leading dash": "-rf",
    "leading dot": ".hidden",
    "windows path": r"C:\clips\a",
    "reserved": "con",
    "several dots": "a.b..c",
    "pattern": "[a-z]*?{x}",
    "quotes": 'it\'s "so" $HOME `x`',
    "percent": "100%s%d{0}",
    "line feed": "two\nlines",
    "escape": "red\x1b[31m",
    "not utf-8": os.fsdecode(b"caf\xe9 \xff"),
}

DOUBLE = (sys.executable, str(Path(__file__).parent / "night_double.py"))
LONGEST = 255  # bytes; what the file systems of the tested machines take


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("clip") / "a.mp4"
    scene = Scene(width=160, height=120, seconds=0.5, law=ConstantSpeed())
    return write_clip(scene, path).clip.read_bytes()


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The real reader, an invented measurement of what it read, and no drawing."""

    def measured(footage: Any, settings: Any, *, created: str, **_: Any) -> Any:
        assert sum(1 for _ in footage.stream()) == 15
        made = fabricate("resolved", duration_s=12.0, settings=settings)
        facts = replace(made.footage, chapters=footage.facts.chapters)
        return replace(made, created=created, footage=facts)

    monkeypatch.setattr("vidspin.measure.measure", measured)
    monkeypatch.setattr("vidspin.figures.draw_all", lambda _: {"speed.png": b"drawn"})


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
@pytest.mark.usefixtures("quick")
def test_a_recording_of_any_name_is_read_and_gets_its_result(
    name: str, clip: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)  # plain names, as they are typed
    Path(f"{name}.mp4").write_bytes(clip)
    code = main(["measure", "--", f"{name}.mp4"])
    told = capsys.readouterr()
    assert code in (ExitCode.DONE, ExitCode.CHECK_FAILED), told.err
    assert "\x1b" not in told.out + told.err
    assert sorted(os.listdir()) == sorted([f"{name}.mp4", f"{name}.spin"])
    document = json.loads(Path(f"{name}.spin", "spin.json").read_text("utf-8"))
    assert document["recording"]["chapters"][0]["frames"] == 15
    again = main(["measure", "--", f"{name}.mp4"])
    told = capsys.readouterr()
    assert again == ExitCode.USAGE and told.err.count("\n") == 1
    assert "already there" in told.err and "\x1b" not in told.err


@pytest.mark.usefixtures("quick")
def test_the_longest_name_is_measured_and_one_that_is_too_long_is_refused_at_once(
    clip: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fits = tmp_path / f"{'x' * (LONGEST - len('.spin'))}.mp4"
    longer = tmp_path / f"{'y' * (LONGEST - len('.mp4'))}.mp4"  # its result would have 256
    wide = tmp_path / f"{'ü' * 125}.mp4"  # 254 bytes of 129 letters
    for path in (fits, longer, wide):
        path.write_bytes(clip)
    assert main(["measure", str(fits), "--quiet"]) in (ExitCode.DONE, ExitCode.CHECK_FAILED)
    assert fits.with_suffix(".spin").is_dir()
    capsys.readouterr()
    for path in (longer, wide):
        code = main(["measure", str(path), "--quiet"])
        told = capsys.readouterr().err
        if path is longer:
            assert code == ExitCode.USAGE and told.count("\n") == 1
            assert "too long" in told and "shorter name" in told
        else:
            assert code in (ExitCode.DONE, ExitCode.CHECK_FAILED), told
    left = sorted(len(os.fsencode(entry)) for entry in os.listdir(tmp_path))
    assert left == [254, 254, 255, 255, 255], os.listdir(tmp_path)


def test_names_on_the_way_stay_within_what_a_disk_takes(tmp_path: Path) -> None:
    for name in ("wren.spin", "x" * 250 + ".spin", "ü" * 125 + ".spin"):
        hidden = f"{hidden_prefix(name)}12345678"
        assert len(os.fsencode(hidden)) <= LONGEST and hidden.startswith(".")
        kept = checkpoints_of(tmp_path / name)
        kept.mkdir()
        (kept / "profiles").touch()
        left = tmp_path / hidden
        (left / "old").mkdir(parents=True)
        (left / "old" / "spin.json").touch()
        tidy(tmp_path / name)  # a killed writer had moved the result aside
        assert (tmp_path / name / "spin.json").exists() and not left.exists()
        assert kept.exists()
    assert hidden_prefix("x" * 250 + "1") != hidden_prefix("x" * 250 + "2")


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
def test_files_that_are_written_may_have_any_name(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    result = make_result(tmp_path / name, size=30)
    made = [
        ["simulate", "--rpm", "600", "--size", "64x48", "--seconds", "0.1", "--", f"{name}.mp4"],
        ["challenge", f"--out={name}.svg"],
        ["keys", "new", "--", f"{name}.key"],
        ["camera", "learn", f"--out={name}.toml", "--", str(result)],
        ["dossier", f"--out={name}", "--recording", "reference", "--", str(result)],
        ["ledger", "add", f"--ledger={name}.ledger", "--", str(result)],
        ["ledger", "list", f"--ledger={name}.ledger"],
        ["starts", f"--out={name}.starts", "--", str(result)],
    ]
    for arguments in made:
        code = main(arguments)
        told = capsys.readouterr()
        assert code == ExitCode.DONE, (arguments, told.err)
        assert "\x1b" not in told.out + told.err, arguments
        assert "Traceback" not in told.err
    endings = ("", ".mp4", ".truth.json", ".svg", ".json", ".key", ".key.pub", ".toml",
               ".ledger", ".starts")  # fmt: skip
    assert sorted(os.listdir()) == sorted(f"{name}{ending}" for ending in endings)


def test_a_night_with_names_of_every_kind(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    for number, name in enumerate(NAMES.values()):
        (folder / f"{name}.mp4").write_text(f"do measure\nsalt {number}\n")
    wishes = Wishes(folder, tmp_path / "out", 2, command=DOUBLE)
    for _ in range(2):  # the second time all is done already, and the log is read
        code, summary = run_batch(wishes, quiet=True)
        assert code == ExitCode.DONE, capsys.readouterr().err
    made = {path.name for path in (tmp_path / "out").iterdir()}
    shown = {name for name in NAMES.values() if not name.startswith(".")}
    assert {f"{name}.spin" for name in shown} <= made
    log = (tmp_path / "out" / LOG).read_bytes().splitlines()
    looked = [json.loads(line) for line in log if b'"looked"' in line]
    assert {one["clip"]["place"] for one in looked} == {f"{name}.mp4" for name in shown}
    (tmp_path / "out" / "overnight.html").read_text("utf-8")
    assert "Traceback" not in capsys.readouterr().err


def test_a_machine_that_knows_ascii_alone(clip: bytes, tmp_path: Path) -> None:
    """No locale, no UTF-8 mode: names come as bytes that Python cannot read."""
    path = tmp_path / "Kreisel höher 🌀.mp4"
    path.write_bytes(clip)
    environment = {
        **os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0",
        "PYTHONIOENCODING": "",
    }  # fmt: skip

    def run(*arguments: str) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(
            [sys.executable, "-m", "vidspin", *arguments], env=environment, cwd=tmp_path,
            capture_output=True, check=False,
        )  # fmt: skip

    measured = run("measure", path.name)
    # half a second of a clip tells little; what matters is that it was read and told
    assert measured.returncode in (0, 4, 5, 6), measured.stderr
    assert b"Traceback" not in measured.stderr and b"a bug in" not in measured.stderr
    (measured.stdout + measured.stderr).decode("utf-8")
    written = {entry for entry in os.listdir(tmp_path) if entry != path.name}
    assert written <= {"Kreisel höher 🌀.spin", "Kreisel höher 🌀.survey.png"} and written
    for arguments in (
        ("simulate", "ü.mp4", "--rpm", "600", "--size", "64x48", "--seconds", "0.1"),
        ("challenge", "--out", "Karte für 🌀.svg"),
        ("--help",), ("doctor",), ("measure", "--help"),
    ):  # fmt: skip
        done = run(*arguments)
        assert done.returncode == 0, (arguments, done.stderr)
        (done.stdout + done.stderr).decode("utf-8")
    assert {"ü.mp4", "ü.truth.json", "Karte für 🌀.svg"} <= set(os.listdir(tmp_path))


def test_opening_tells_names_without_what_a_terminal_would_obey(tmp_path: Path) -> None:
    with pytest.raises(Exception, match="no such file") as told:
        Recording.open([tmp_path / "a\x1b[31m\n.mp4"])
    assert told.type.__name__ == "FootageError"
