"""The command line: exit codes, one-line errors, and what goes where."""

from __future__ import annotations

import errno
import json
import math
import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest
from fabricate import Kind, draw_top, fabricate

import vidspin
from vidspin.built import built_version
from vidspin.cli import app, common, doctor
from vidspin.cli.common import Progress, parse_capture_rate
from vidspin.cli.measure import plan_jobs
from vidspin.errors import ExitCode, FootageError, NoTopError, UsageError
from vidspin.footage import codecs
from vidspin.records import Settings
from vidspin.store import read_result


class Opened(str):
    """A recording of which only the name counts."""

    facts = SimpleNamespace(chapters=(), duration_s=12.0)


class Bench:
    """Stands in for the footage and the measurement; remembers what it was asked."""

    def __init__(self) -> None:
        self.outcomes: dict[str, Kind | BaseException] = {}
        self.opened: list[tuple[list[str], Fraction | None]] = []
        self.settings: list[Settings] = []
        self.stated: list[tuple[str, str]] = []
        self.faulty = False  # whether checks that fail stay failed

    def open(self, paths: Any, captured_at: Fraction | None = None) -> str:
        names = [Path(path).name for path in paths]
        self.opened.append((names, captured_at))
        return Opened(names[0])

    def measure(
        self,
        footage: str,
        settings: Settings,
        *,
        version: str,
        created: str,
        progress: Callable[[str, int, int], None],
        profiles: Any,
        answers: Any,
    ) -> Any:
        assert len(profiles) == 0  # somewhere to keep the profiles, still empty
        answers.append(np.zeros((2, 3), np.float32))  # and the angles' answers to the shutter
        self.settings.append(settings)
        self.stated.append((version, created))
        progress("reading", 0, 10)
        progress("reading", 10, 10)
        progress("fitting", 1, 0)
        outcome = self.outcomes.get(footage, "resolved")
        if isinstance(outcome, BaseException):
            raise outcome
        made = fabricate(outcome, duration_s=12.0, settings=settings)
        if self.faulty:
            return made
        passed = [replace(c, state="pass") if c.state == "fail" else c for c in made.checks]
        return replace(made, checks=tuple(passed))


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    stand_in = Bench()
    frames, measuring = ModuleType("vidspin.footage.frames"), ModuleType("vidspin.measure")
    frames.Recording = stand_in  # type: ignore[attr-defined]
    measuring.measure = stand_in.measure  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "vidspin.footage.frames", frames)
    monkeypatch.setitem(sys.modules, "vidspin.measure", measuring)
    # Drawing has its own tests; here only what is written where matters.
    monkeypatch.setattr("vidspin.figures.draw_all", lambda _: {"speed.png": b"drawn"})
    return stand_in


def run(*arguments: object) -> int:
    return app.main([str(argument) for argument in arguments])


def one_line(text: str) -> str:
    """The text is one line that starts with the program's name; return it."""
    assert text.endswith("\n")
    assert text.count("\n") == 1
    assert text.startswith("vidspin: ")
    return text.strip()


# -------------------------------------------------------------------------- measure


def test_measure_writes_the_folder_beside_the_recording(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("measure", tmp_path / "clip.mp4") == ExitCode.DONE
    out, err = capsys.readouterr()
    stored = read_result(tmp_path / "clip.spin")
    assert out.startswith("evening_07: spun for ")
    assert str(tmp_path / "clip.spin") in out
    assert err == ""  # no bar: not a terminal
    files = [name for name in stored.document["files"] if not name.startswith("still-")]
    assert files == ["report.html", "sightings.npz", "speed.csv", "speed.png"]
    assert f"report.html, spin.json, {', '.join(files[1:])}, " in out  # what to read comes first
    for name in files:
        assert name in out


def test_measure_states_version_and_time(bench: Bench, tmp_path: Path) -> None:
    run("measure", tmp_path / "clip.mp4", "--quiet")
    version, created = bench.stated[0]
    assert version == built_version()
    assert created.endswith("Z")


def test_measure_writes_below_out(bench: Bench, tmp_path: Path) -> None:
    assert run("measure", tmp_path / "clip.mp4", "--out", tmp_path / "new" / "place") == 0
    read_result(tmp_path / "new" / "place" / "clip.spin")


def test_a_failed_check_exits_6_and_the_result_is_written(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.faulty = True
    assert run("measure", tmp_path / "clip.mp4") == ExitCode.CHECK_FAILED
    assert "FAILED hands in the picture" in capsys.readouterr().out
    states = [check["state"] for check in read_result(tmp_path / "clip.spin").document["checks"]]
    assert states.count("fail") == 1


def test_unresolved_result_is_written_and_exits_5(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.outcomes["clip.mp4"] = "unresolved"
    assert run("measure", tmp_path / "clip.mp4") == ExitCode.UNRESOLVED
    assert "ALIAS ORDER UNRESOLVED" in capsys.readouterr().out
    assert read_result(tmp_path / "clip.spin").candidates is not None


def test_json_prints_the_document_and_nothing_else(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("measure", tmp_path / "clip.mp4", "--json") == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed == read_result(tmp_path / "clip.spin").document


def test_quiet_prints_nothing(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("measure", tmp_path / "clip.mp4", "--quiet") == 0
    assert capsys.readouterr() == ("", "")


def test_existing_result_stops_before_the_work(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run("measure", tmp_path / "clip.mp4", "--quiet")
    assert run("measure", tmp_path / "clip.mp4") == ExitCode.USAGE
    assert "--overwrite" in one_line(capsys.readouterr().err)
    assert len(bench.opened) == 1
    assert run("measure", tmp_path / "clip.mp4", "--overwrite", "--quiet") == 0


def test_unreadable_recording_exits_3_in_one_line(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.outcomes["clip.mp4"] = FootageError("no video in it", where="clip.mp4", do="film again")
    assert run("measure", tmp_path / "clip.mp4") == ExitCode.UNREADABLE
    out, err = capsys.readouterr()
    assert one_line(err) == "vidspin: clip.mp4: no video in it; film again"
    assert out == ""
    assert list(tmp_path.iterdir()) == []


def no_top(*, picture: bool) -> NoTopError:
    error = NoTopError("no top was found", where="clip.mp4", do="state it with --centre")
    if picture:
        error.picture = draw_top(0.0, rows=120, columns=160)  # type: ignore[attr-defined]
    return error


def test_no_top_exits_4_with_the_picture(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.outcomes["clip.mp4"] = no_top(picture=True)
    assert run("measure", tmp_path / "clip.mp4") == ExitCode.NO_TOP
    assert str(tmp_path / "clip.survey.png") in one_line(capsys.readouterr().err)
    assert [path.name for path in tmp_path.iterdir()] == ["clip.survey.png"]


def test_picture_of_no_top_replaces_nothing(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "clip.survey.png").write_bytes(b"mine")
    bench.outcomes["clip.mp4"] = no_top(picture=True)
    run("measure", tmp_path / "clip.mp4")
    assert (tmp_path / "clip.survey.png").read_bytes() == b"mine"
    assert (tmp_path / "clip.survey-2.png").exists()


def test_no_top_without_a_picture_exits_4(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.outcomes["clip.mp4"] = no_top(picture=False)
    assert run("measure", tmp_path / "clip.mp4") == ExitCode.NO_TOP
    one_line(capsys.readouterr().err)
    assert list(tmp_path.iterdir()) == []


def test_several_recordings_get_a_folder_each(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("measure", tmp_path / "a.mp4", tmp_path / "b.mov") == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.spin", "b.spin"]
    assert capsys.readouterr().out.count("evening_07: spun for") == 2


def test_one_bad_recording_does_not_stop_the_rest(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.outcomes["a.mp4"] = FootageError("empty", where="a.mp4", do="copy it again")
    bench.outcomes["b.mp4"] = "unresolved"
    paths = [tmp_path / name for name in ("a.mp4", "b.mp4", "c.mp4")]
    assert run("measure", *paths, "--json") == ExitCode.BATCH_FAILED
    out, err = capsys.readouterr()
    assert one_line(err) == "vidspin: a.mp4: empty; copy it again"
    assert len(out.splitlines()) == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == ["b.spin", "c.spin"]


def test_several_recordings_of_which_one_is_unresolved_exit_5(bench: Bench, tmp_path: Path) -> None:
    bench.outcomes["a.mp4"] = "unresolved"
    assert run("measure", tmp_path / "a.mp4", tmp_path / "b.mp4", "--quiet") == 5


def test_chapters_are_one_recording(bench: Bench, tmp_path: Path) -> None:
    paths = tmp_path / "a_1.mp4", tmp_path / "a_2.mp4"
    assert run("measure", *paths, "--chapters", "--quiet") == 0
    assert bench.opened == [(["a_1.mp4", "a_2.mp4"], None)]
    assert [path.name for path in tmp_path.iterdir()] == ["a_1.spin"]


def test_recordings_that_would_share_a_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="share"):
        plan_jobs([tmp_path / "a.mp4", tmp_path / "a.mov"], chapters=False, out=None)


def test_options_become_settings(bench: Bench, tmp_path: Path) -> None:
    arguments = (
        "--centre 960,540.5 --radii 300,200 --tilt -90 --marks 2 --between 1500 2100 "
        "--captured-at 239.76 --release 0:00:02.5 --topple 11 --reason seen --every 0.5 --quiet"
    )
    assert run("measure", tmp_path / "clip.mp4", *arguments.split()) == 0
    assert bench.opened[0][1] == Fraction(240000, 1001)
    assert bench.settings[0] == Settings(
        centre_px=(960.0, 540.5),
        radii_px=(300.0, 200.0),
        tilt_rad=-math.pi / 2,
        marks=2,
        bounds_rpm=(1500.0, 2100.0),
        captured_at=Fraction(240000, 1001),
        release_s=2.5,
        topple_s=11.0,
        overrule_reason="seen",
        every_s=0.5,
    )


def test_without_options_all_is_left_to_the_program(bench: Bench, tmp_path: Path) -> None:
    run("measure", tmp_path / "clip.mp4", "--quiet")
    assert bench.settings == [Settings()]


@pytest.mark.parametrize(
    "arguments",
    [
        "--centre 960",
        "--centre 960,x",
        "--centre 960,nan",
        "--radii 200,300",
        "--radii 0,0",
        "--tilt inf",
        "--tilt steep",
        "--marks 0",
        "--marks 1.5",
        "--between 2100 1500",
        "--between -1 1500",
        "--between 0 inf",
        "--captured-at 0",
        "--captured-at fast",
        "--captured-at 1/0",
        "--release soon",
        "--topple 0:61",
        "--every 0",
        "--every -1",
        "--every 1e-4",
        "--every 0.009",
        "--from other.spin --every 1e-9",
        "--reason because",
        "--marks 5",
        "--marks 99",
    ],
)
def test_bad_value_names_its_option_and_exits_2(
    arguments: str, bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("measure", tmp_path / "clip.mp4", *arguments.split()) == ExitCode.USAGE
    assert f"{arguments.rsplit('--')[-1].split()[0]}:" in one_line(capsys.readouterr().err)
    assert bench.opened == []


@pytest.mark.parametrize("stated", [("--release", "2.5"), ("--topple", "11"), ("--from", "x.spin")])
def test_an_instant_is_stated_with_a_reason(
    stated: tuple[str, str], bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = [*stated, *(("--topple", "11") if "--from" in stated else ())]
    assert run("measure", tmp_path / "clip.mp4", *options) == ExitCode.USAGE
    assert "--reason: an instant is stated without one; say why" in capsys.readouterr().err
    assert run("measure", tmp_path / "clip.mp4", *options, "--reason", " ") == ExitCode.USAGE
    assert bench.opened == []


def test_topple_before_release_is_refused(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("measure", tmp_path / "a.mp4", "--release", "9", "--topple", "0:00:08") == 2
    assert "--topple" in one_line(capsys.readouterr().err)


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("240", Fraction(240)),
        ("240.0", Fraction(240)),
        ("29.97", Fraction(30000, 1001)),
        ("23.98", Fraction(24000, 1001)),
        ("23.976", Fraction(24000, 1001)),
        ("59.94", Fraction(60000, 1001)),
        ("119.88", Fraction(120000, 1001)),
        ("30000/1001", Fraction(30000, 1001)),
        ("29.9", Fraction(299, 10)),
        ("12.5", Fraction(25, 2)),
    ],
)
def test_capture_rates_as_people_write_them(text: str, rate: Fraction) -> None:
    assert parse_capture_rate(text) == rate


# ------------------------------------------------------------------------ the group


def test_interruption_exits_130_in_one_line(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.outcomes["clip.mp4"] = KeyboardInterrupt()
    assert run("measure", tmp_path / "clip.mp4") == ExitCode.INTERRUPTED
    assert "interrupted" in one_line(capsys.readouterr().err)
    assert list(tmp_path.iterdir()) == []


def test_a_bug_is_told_in_one_line_without_a_traceback(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.outcomes["clip.mp4"] = RuntimeError("sum of nothing\nand more")
    assert run("measure", tmp_path / "clip.mp4") == 1
    assert "RuntimeError: sum of nothing" in one_line(capsys.readouterr().err)


@pytest.mark.parametrize("place", [0, 1, 2])
def test_debug_shows_where_an_error_came_from(
    place: int, bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.outcomes["clip.mp4"] = FootageError("empty", where="clip.mp4", do="copy it again")
    arguments: list[object] = ["measure", tmp_path / "clip.mp4"]
    arguments.insert(place, "--debug")
    assert run(*arguments) == ExitCode.UNREADABLE
    err = capsys.readouterr().err
    assert "Traceback" in err
    assert err.splitlines()[-1] == "vidspin: clip.mp4: empty; copy it again"


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["dance"], "dance"),
        (["measure"], "RECORDING"),
        (["measure", "a.mp4", "--dance"], "--dance"),
        (["measure", "a.mp4", "--between", "3"], "--between"),
    ],
)
def test_what_does_not_parse_exits_2_in_one_line(
    arguments: list[str], word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert app.main(arguments) == ExitCode.USAGE
    assert word in one_line(capsys.readouterr().err)


def test_help_lists_every_command_and_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--help") == 0
    out = " ".join(capsys.readouterr().out.split())
    for name, entry in app.COMMANDS.items():
        assert f"{name} " in out
        assert entry.sentence in out
    for code in ExitCode:
        assert f"{int(code)} " in out


def test_no_command_shows_help_and_exits_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert app.main([]) == ExitCode.USAGE
    assert "Commands:" in capsys.readouterr().out


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--version") == 0
    assert capsys.readouterr().out == f"vidspin {built_version()}\n"


def test_version_is_the_one_of_the_package() -> None:
    text = (Path(__file__).parent.parent / "pyproject.toml").read_text("utf-8")
    assert f'version = "{vidspin.__version__}"' in text


@pytest.mark.parametrize("name", list(app.COMMANDS))
def test_list_and_command_say_the_same_sentence(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(name, "--help") == 0
    assert app.COMMANDS[name].sentence in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("arguments", [["--help"], ["measure", "--help"], ["--version"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys; from vidspin.cli.app import main; main(sys.argv[1:]);"
        "heavy = {'numpy', 'scipy', 'cv2', 'matplotlib', 'av', 'rich', 'tqdm'} & set(sys.modules);"
        "sys.exit(', '.join(heavy) or 0)"
    )
    command = [sys.executable, "-c", code, *arguments]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.stderr == ""
    assert done.returncode == 0


def test_module_runs_as_the_command_does() -> None:
    command = [sys.executable, "-m", "vidspin", "--version"]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    assert done.stdout == f"vidspin {built_version()}\n"


def test_public_names_are_there_and_loaded_late() -> None:
    for name in vidspin.__all__:
        assert getattr(vidspin, name) is not None
    assert dir(vidspin) == sorted(vidspin.__all__)
    with pytest.raises(AttributeError, match="no attribute 'dance'"):
        _ = vidspin.dance


# -------------------------------------------------------------------------- streams


class Refusing:
    """A stream that takes nothing."""

    encoding = "utf-8"

    def __init__(self, code: int) -> None:
        self.code = code

    def write(self, text: str) -> int:
        raise OSError(self.code, os.strerror(self.code))

    def flush(self) -> None:
        """There is nothing to hand on."""

    def isatty(self) -> bool:
        return False


def test_output_that_nobody_takes_costs_no_result(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    both = ("measure", tmp_path / "a.mp4", tmp_path / "b.mp4")
    monkeypatch.setattr(sys, "stdout", Refusing(errno.ENOSPC))
    assert run(*both) == ExitCode.USAGE
    assert "stdout: not all could be printed (No space left" in one_line(capsys.readouterr().err)
    assert all((tmp_path / f"{name}.spin" / "spin.json").exists() for name in "ab")
    # what else went wrong is told by the code; a reader that has left is no fault
    bench.outcomes["b.mp4"] = "unresolved"
    assert run(*both, "--overwrite") == ExitCode.UNRESOLVED
    capsys.readouterr()
    monkeypatch.setattr(sys, "stdout", Refusing(errno.EPIPE))
    assert run(*both, "--overwrite") == ExitCode.UNRESOLVED
    assert capsys.readouterr().err == ""


def test_a_closed_or_full_stderr_changes_no_exit_code(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.outcomes["torn.mp4"] = FootageError("it is damaged", where="torn.mp4", do="copy it")
    for stream in (None, Refusing(errno.ENOSPC)):
        monkeypatch.setattr(sys, "stderr", stream)
        assert run("measure", tmp_path / "a.mp4", "--overwrite") == ExitCode.DONE
        assert run("measure", tmp_path / "torn.mp4") == ExitCode.UNREADABLE
        assert run("overnight", tmp_path / "none") == ExitCode.USAGE


def test_a_true_pipe_and_a_full_disk_end_as_documented() -> None:
    plan = f"{sys.executable} -m vidspin plan"
    for where, code, says in (
        ("| head -n 1", 0, ""), ("2>&- >/dev/null", 0, ""),
        (">/dev/full", 2, "stdout: not all could be printed"),
    ):  # fmt: skip
        command = f"set -o pipefail; {plan} {where}"
        done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
        assert done.returncode == code, (where, done.stderr)
        assert says in done.stderr and len(done.stderr.splitlines()) == bool(says)


# ------------------------------------------------------------------------- progress


class Terminal:
    def __init__(self) -> None:
        self.text = ""

    def isatty(self) -> bool:
        return True

    def write(self, text: str) -> None:
        self.text += text

    def flush(self) -> None:
        pass


def test_progress_names_stage_and_time_left_on_a_terminal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    with Progress("clip", shown=True) as progress:
        progress("reading", 0, 100)
        progress("reading", 50, 100)
        progress("fitting", 1, 0)
    assert "clip: reading" in terminal.text
    assert "left" in terminal.text
    counted, _, uncounted = terminal.text.partition("clip: fitting")
    assert "  0 %" in counted
    assert uncounted.startswith(", 00:00") and "%" not in uncounted
    assert terminal.text.rstrip(" ").endswith("\r")  # the bar is gone in the end


def test_time_goes_on_in_a_stage_that_tells_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr(common, "_TICK_S", 0.01)
    with Progress("clip", shown=True) as progress:
        progress("fitting", 0, 0)
        deadline = time.monotonic() + 60
        while terminal.text.count("clip: fitting") < 3 and time.monotonic() < deadline:
            time.sleep(0.01)
    assert terminal.text.count("clip: fitting") >= 3
    assert terminal.text.rstrip(" ").endswith("\r")


def test_progress_is_silent_when_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    with Progress("clip", shown=False) as progress:
        progress("reading", 50, 100)
    assert terminal.text == ""


# --------------------------------------------------------------------------- doctor


def test_doctor_finds_this_machine_fit(capsys: pytest.CaptureFixture[str]) -> None:
    code = run("doctor", "--json")
    findings = json.loads(capsys.readouterr().out)
    assert (code == 0) == (findings["faults"] == [])
    assert findings["vidspin"] == vidspin.__version__
    assert findings["decoders"]["h264"] is True
    assert findings["decode_frames_s"] > 0
    assert "libavcodec" in findings["ffmpeg"]


def broken() -> float:
    raise OSError("no encoder")


def test_doctor_plan_and_key_are_silent_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("keys", "new", tmp_path / "o.key", "--quiet") == 0
    for command in (("doctor",), ("plan",), ("keys", "show", tmp_path / "o.key")):
        assert run(*command, "--quiet") == 0
        assert capsys.readouterr() == ("", "")
        assert run(*command, "--quiet", "--json") == 0
        assert json.loads(capsys.readouterr().out)


def test_doctor_knows_no_decoder_that_does_not_exist() -> None:
    assert not codecs.can_decode("wax_cylinder")


def test_doctor_names_what_is_missing(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(doctor, "_version", lambda _: None)
    monkeypatch.setattr(codecs, "decode_speed", broken)
    monkeypatch.setattr(codecs, "can_decode", lambda name: name != "hevc")
    assert run("doctor", tmp_path / "nowhere") == ExitCode.CHECK_FAILED
    verdict = capsys.readouterr().out.splitlines()[-1]
    for fault in ("no hevc decoder", "av is not installed", "test clip", "cannot be looked at"):
        assert fault in verdict


def test_facts_of_file_and_options_are_kept_with_the_result(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "attempt.toml").write_text('tip = "steel"\nbase = "glass"\n', encoding="utf-8")
    (tmp_path / "other.toml").write_text('tip = "ruby"\n', encoding="utf-8")
    a = tmp_path / "a.mp4"
    assert run("measure", a, "--quiet", "--fact", "tip=carbide", "--fact", "temperature=21") == 0
    stored = read_result(tmp_path / "a.spin").document["facts"]
    assert stored == {"tip": "carbide", "base": "glass", "temperature": 21.0}
    assert run("measure", a, "--quiet", "--overwrite", "--facts", tmp_path / "other.toml") == 0
    assert read_result(tmp_path / "a.spin").document["facts"] == {"tip": "ruby"}
    assert run("measure", a, "--quiet", "--overwrite", "--fact", "tip") == ExitCode.USAGE
