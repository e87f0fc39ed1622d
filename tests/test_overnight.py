"""A batch: what one bad recording costs, what an interrupt costs, what is told."""

import csv
import io
import json
import os
import random
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from night_bytes import whole

from vidspin.cli.app import main
from vidspin.cli.batch import Batch, Wishes
from vidspin.cli.overnight import _redrawn, lines, notify_words, run_batch
from vidspin.cli.streams import steady
from vidspin.errors import ExitCode, UsageError
from vidspin.night import book, schedule
from vidspin.night.clips import Row, State
from vidspin.night.processes import Ended, Standing, Task, run
from vidspin.night.schedule import Ending, Limits, Running
from vidspin.workshop.plain import FORMULA

HERE = Path(__file__).parent
DOUBLE = (sys.executable, str(HERE / "night_double.py"))
CALM = Limits(600.0, 600.0, 1 << 30)


def write(folder: Path, **recordings: str) -> Path:
    """Files for the double; each its own content."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in recordings.items():
        (folder / f"{name}.mp4").write_text(f"{text}\nsalt {name}\n" if text else "", "utf-8")
    return folder


def batch(folder: Path, out: Path, **more: Any) -> tuple[ExitCode, dict[str, Any], str]:
    wishes = Wishes(folder, out, more.pop("jobs", 2), command=DOUBLE, **more)
    code, summary = run_batch(wishes, quiet=True)
    table = (out / "overnight.csv").read_text("utf-8").splitlines()
    return code, {row.split(",")[0]: row for row in table[1:]}, summary


# ------------------------------------------------------------------------- isolation


def test_bad_recordings_cost_only_themselves(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write(
        tmp_path / "in", wren="do measure", empty="", torn="do refuse", stint="do crash",
        full="do full", dunlin="do unresolved", blind="do crash look", odd="do bug",
    )  # fmt: skip
    code, rows, summary = batch(folder, tmp_path / "out")
    assert code == ExitCode.BATCH_FAILED
    assert rows["wren"].split(",")[2] == "measured"
    assert rows["dunlin"].split(",")[2] == "unresolved"
    failed = {
        name: row
        for name, row in rows.items()
        if row.split(",")[2] == "failed"
    }  # fmt: skip
    assert sorted(failed) == ["blind.mp4", "empty.mp4", "full", "odd", "stint", "torn"]
    told = capsys.readouterr().err.splitlines()
    assert len(told) == len(failed)  # each failure has its one line
    by_name = {Path(line.split()[1].rstrip(":")).stem: line for line in told}
    assert "crashed (SIGSEGV), twice" in by_name["stint"]
    assert "crashed (SIGSEGV), twice" in by_name["blind"]
    assert "the file is empty" in by_name["empty"]
    assert "it is damaged\ufffd[31m badly" in by_name["torn"]
    assert "File too large" in by_name["full"]
    assert "a bug in vidspin (ValueError: an impossible number)" in by_name["odd"]
    # nothing half-written is left
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "dunlin.spin", "overnight.csv", "overnight.html", book.LOG, "wren.spin",
    ]  # fmt: skip
    assert summary.startswith("8 recordings: 1 measured, 1 with the alias order unresolved, 6")


def test_a_failed_check_is_told_with_its_recording_and_by_the_exit_code(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write(tmp_path / "in", wren="do cut", dunlin="do unresolved", lark="do measure")
    wishes = Wishes(folder, tmp_path / "out", 2, command=DOUBLE)
    for _ in range(2):  # the second time it is there already
        code, summary = run_batch(wishes)
        assert code == ExitCode.CHECK_FAILED
        assert summary.endswith("; a check FAILED in 1 recording")
        told = capsys.readouterr().out.splitlines()
        assert "measured     wren: measured; FAILED phase continuity" in told
        assert "measured     lark: measured" in told


def test_a_night_goes_on_when_nobody_reads_what_it_prints(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write(tmp_path / "in", wren="do measure", lark="do measure")
    wishes = Wishes(folder, tmp_path / "out", 2, command=DOUBLE)
    with open("/dev/full", "w", encoding="utf-8") as full:
        monkeypatch.setattr(sys, "stdout", full)
        with steady() as out:
            assert run_batch(wishes)[0] == ExitCode.DONE
        assert out.why == "No space left on device"
        monkeypatch.undo()
    assert {path.name for path in (tmp_path / "out").glob("*.spin")} == {"wren.spin", "lark.spin"}


def test_bars_that_a_terminal_cannot_redraw_are_not_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert _redrawn()
    monkeypatch.setenv("TERM", "dumb")
    assert not _redrawn()


def test_a_night_with_a_corrupt_an_empty_a_hanging_and_an_out_of_space_case(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schedule, "LEAST_SILENCE_S", 5.0)  # a quarter of an hour otherwise
    monkeypatch.setattr(schedule, "SILENCE_TIMES", 0.0)
    bad = {"torn": "do refuse", "empty": "", "stuck": "do hang", "nospace": "do nospace"}
    good = {f"wren_{letter}": "do measure" for letter in "acegi"}
    folder, out = write(tmp_path / "in", **bad, **good), tmp_path / "out"
    code, rows, summary = batch(folder, out)
    assert code == ExitCode.BATCH_FAILED
    assert summary.startswith("9 recordings: 5 measured, 4 failed")
    assert {name for name, row in rows.items() if ",measured," in row} == set(good)
    lines_told = capsys.readouterr().err.splitlines()
    told = {Path(line.split()[1].rstrip(":")).stem: line for line in lines_told}
    assert len(lines_told) == len(bad)
    assert told.keys() == bad.keys()
    assert "empty.mp4: the file is empty" in told["empty"]
    assert "the result cannot be written (No space left on device)" in told["nospace"]
    assert "its worker told nothing for 5 s and was ended, twice" in told["stuck"]
    assert "it is damaged" in told["torn"]
    assert {path.name for path in out.glob("*.spin")} == {f"{name}.spin" for name in good}
    assert not [path for path in out.iterdir() if path.name.startswith(".")]


@pytest.mark.parametrize(
    ("do", "limits", "ending", "says"),
    [
        ("hang", Limits(600.0, 1.5, 1 << 30), Ending.HUNG, "told nothing for 2 s and was ended"),
        ("late", Limits(2.0, 600.0, 1 << 30), Ending.LATE, "took longer than 2 s"),
        ("eat", Limits(600.0, 600.0, 300 << 20), Ending.MEMORY, "more than 300 MiB"),
    ],
)
def test_a_worker_beyond_its_limits_is_ended_and_tried_once_more(
    tmp_path: Path, do: str, limits: Limits, ending: Ending, says: str
) -> None:
    folder = write(tmp_path, bad=f"do {do}", good="do measure")
    tasks = [measuring(folder, "bad", limits), measuring(folder, "good", CALM)]
    lasts: list[tuple[int, bool]] = []
    done = run(
        tasks, DOUBLE, jobs=2, ended=lambda number, _, last: lasts.append((number, last)),
        tell=lambda _: None,
    )  # fmt: skip
    assert done[1].ending is Ending.DONE
    assert (done[0].ending, done[0].tries) == (ending, 2)
    assert says in done[0].line and ", twice; " in done[0].line
    assert [last for number, last in lasts if number == 0] == [False, True]


def test_a_second_try_that_works_is_a_result(tmp_path: Path) -> None:
    folder = write(tmp_path / "in", stint=f"do crash\nonce {tmp_path / 'tried'}")
    code, rows, _ = batch(folder, tmp_path / "out")
    assert code == ExitCode.DONE and rows["stint"].split(",")[2] == "measured"
    log = (tmp_path / "out" / book.LOG).read_text("utf-8").splitlines()
    ended = [e for e in map(json.loads, log) if e["event"] == "ended" and e["task"] == "measure"]
    assert [(e["ending"], e["tries"]) for e in ended] == [("crashed", 1), ("done", 2)]


def measuring(folder: Path, name: str, limits: Limits) -> Task:
    from vidspin.cli.night_worker import packed
    from vidspin.records import Settings

    request = {
        "task": "measure", "paths": [str(folder / f"{name}.mp4")], "name": name, "facts": {},
        "folder": str(folder / f"{name}.spin"), "settings": packed(Settings()), "stated": {},
    }  # fmt: skip
    return Task(f"{name}.mp4", request, 1.0, limits)


# ---------------------------------------------------------------------------- resume

DRIVER = """
import sys
from pathlib import Path
from vidspin.cli.batch import Wishes
from vidspin.cli.overnight import run_batch
folder, out, double = map(Path, sys.argv[1:])
run_batch(Wishes(folder, out, 2, command=(sys.executable, str(double))), quiet=True)
"""


def start(folder: Path, out: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", DRIVER, str(folder), str(out), DOUBLE[1]],
        stderr=subprocess.DEVNULL,
    )


def test_killed_at_random_moments_and_resumed_gives_the_same_bytes(tmp_path: Path) -> None:
    folder = write(
        tmp_path / "in", torn="do refuse",
        **{f"wren_{chr(97 + k)}": f"do measure\ns 0.{k}" for k in range(4)},
    )  # fmt: skip
    began = time.monotonic()
    start(folder, tmp_path / "undisturbed").wait()
    length = time.monotonic() - began
    rng = random.Random(11)
    out = tmp_path / "disturbed"
    for _ in range(3):
        process = start(folder, out)
        time.sleep(rng.uniform(0.3, 0.8) * length)
        process.send_signal(signal.SIGKILL)
        process.wait()
    batch(folder, out)
    assert whole(out) == whole(tmp_path / "undisturbed")


def test_workers_end_with_a_killed_parent(tmp_path: Path) -> None:
    mark = tmp_path / "began"
    folder = write(tmp_path / "in", slow=f"do hang\nonce {mark}")
    process = start(folder, tmp_path / "out")
    wait_for(mark.exists)
    import psutil

    workers = psutil.Process(process.pid).children()
    assert len(workers) == 1
    process.kill()
    process.wait()
    assert psutil.wait_procs(workers, timeout=300)[1] == []
    assert not (tmp_path / "out" / "slow.spin").exists()


@pytest.mark.usefixtures("ctrl_c_is_heard")
def test_interrupt_keeps_what_is_finished_and_says_what_is_not(tmp_path: Path) -> None:
    mark = tmp_path / "began"
    folder = write(tmp_path / "in", wren="do measure", slow=f"do hang\nonce {mark}\nframes 9")
    out = tmp_path / "out"
    process = start(folder, out)
    wait_for(lambda: (out / "wren.spin").exists() and mark.exists())
    process.send_signal(signal.SIGINT)
    assert process.wait(300) != 0
    rows = (out / "overnight.csv").read_text("utf-8")
    assert "\nwren,wren.mp4,measured," in rows and "\nslow,slow.mp4,waiting," in rows
    before = (out / "wren.spin" / "spin.json").stat().st_ino
    code, table, _ = batch(folder, out)
    assert code == ExitCode.DONE and ",measured," in table["slow"]
    assert (out / "wren.spin" / "spin.json").stat().st_ino == before  # not measured again


def wait_for(happens: Any) -> None:
    end = time.monotonic() + 600
    while not happens():
        assert time.monotonic() < end
        time.sleep(0.05)


def test_other_options_ask_before_a_result_is_replaced(tmp_path: Path) -> None:
    folder, out = write(tmp_path / "in", wren="do measure"), tmp_path / "out"
    batch(folder, out)
    (folder / "vidspin.toml").write_text("every = 0.5\n", "utf-8")
    code, rows, _ = batch(folder, out)
    assert code == ExitCode.BATCH_FAILED and ",kept," in rows["wren"]
    assert "--overwrite" in rows["wren"]
    code, rows, _ = batch(folder, out, overwrite=True)
    assert code == ExitCode.DONE and ",measured," in rows["wren"]
    document = json.loads((out / "wren.spin" / "spin.json").read_text("utf-8"))
    assert document["settings"]["every_s"] == 0.5


def test_what_a_killed_writer_left_is_removed_and_the_old_result_comes_back(
    tmp_path: Path,
) -> None:
    left = tmp_path / ".wren.spin.x7_abcde"
    (left / "new").mkdir(parents=True)
    (left / "old").mkdir()
    (left / "old" / "spin.json").write_text("{}")
    foreign = tmp_path / ".wren.spin.minemine"
    (foreign / "notes").mkdir(parents=True)
    book.tidy(tmp_path / "wren.spin")
    assert (tmp_path / "wren.spin" / "spin.json").exists()
    assert not left.exists() and foreign.exists()


def test_what_belongs_to_a_result_whose_name_begins_alike_is_left_alone(tmp_path: Path) -> None:
    old = tmp_path / ".a.spin.b.spin.abcd1234" / "old"  # the only copy of a.spin.b
    old.mkdir(parents=True)
    book.tidy(tmp_path / "a.spin")
    assert old.exists() and not (tmp_path / "a.spin").exists()
    book.tidy(tmp_path / "a.spin.b.spin")
    assert (tmp_path / "a.spin.b.spin").exists() and not old.parent.exists()


def test_checkpoints_of_a_result_that_was_whole_when_the_kill_came_are_forgotten(
    tmp_path: Path,
) -> None:
    folder, out = write(tmp_path / "in", wren="do measure"), tmp_path / "out"
    batch(folder, out)
    kept = book.checkpoints_of(out / "wren.spin")
    kept.mkdir()
    (kept / "profiles").write_bytes(b"x")
    batch(folder, out)
    assert not kept.exists() and (out / "wren.spin").exists()


def test_a_second_batch_at_the_same_place_is_refused(tmp_path: Path) -> None:
    with (
        book.Lock(tmp_path),
        pytest.raises(UsageError, match="another overnight is at work"),
        book.Lock(tmp_path),
    ):
        pass
    (tmp_path / book.LOCK).write_text('{"process": 1, "began": -60.0}')  # not that process's time
    with book.Lock(tmp_path):
        assert json.loads((tmp_path / book.LOCK).read_text())["process"] == os.getpid()
    assert not (tmp_path / book.LOCK).exists()


def refused(folder: Path) -> bool:
    """Whether a second batch is."""
    try:
        with book.Lock(folder):
            return False
    except UsageError:
        return True


@pytest.mark.parametrize("links", [True, False])
def test_a_lock_is_never_seen_without_what_it_says(
    links: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another batch looks at the moment between making the file and writing it."""
    real, others = os.fdopen, []

    def fdopen(number: int, mode: str) -> Any:
        monkeypatch.setattr(os, "fdopen", real)
        others.append(book.Lock(tmp_path))
        with suppress(UsageError):
            others[0].__enter__()
            others.append("holds it")
        return real(number, mode)

    def no_link(*_: object) -> None:
        monkeypatch.setattr(os, "fdopen", fdopen)
        raise PermissionError

    if links:
        monkeypatch.setattr(os, "fdopen", fdopen)
    else:
        monkeypatch.setattr(os, "link", no_link)
    # exactly one of the two holds it
    assert refused(tmp_path) == (len(others) == 2) == links
    assert [p.name for p in tmp_path.iterdir()] == ([book.LOCK] if links else [])


def test_an_empty_lock_holds_for_the_moments_in_which_it_may_be_written(tmp_path: Path) -> None:
    lock = tmp_path / book.LOCK
    lock.write_bytes(b"")
    assert refused(tmp_path) and lock.exists()
    old = time.time() - 2 * book.YOUNG_S
    os.utime(lock, (old, old))
    assert not refused(tmp_path)


def test_a_left_lock_that_another_batch_took_over_meanwhile_is_not_removed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lock = tmp_path / book.LOCK
    lock.write_text('{"process": 1, "began": -60.0}')
    real, other = book.Lock._held, book.Lock(tmp_path)

    def held(self: book.Lock, content: bytes) -> bool:
        monkeypatch.setattr(book.Lock, "_held", real)
        found = real(self, content)
        other.__enter__()
        return found

    monkeypatch.setattr(book.Lock, "_held", held)
    assert refused(tmp_path)
    assert json.loads(lock.read_text())["process"] == os.getpid()
    other.__exit__(None, None, None)
    assert not list(tmp_path.iterdir())


# ------------------------------------------------------------------- plan and options


def plan_of(folder: Path, out: Path) -> Batch:
    out.mkdir(exist_ok=True)
    made = Batch(Wishes(folder, out, 2, command=DOUBLE), lambda *_: None, lambda _: None)
    made.make_plan()
    return made


def test_equal_contents_are_measured_once(tmp_path: Path) -> None:
    folder = write(tmp_path / "in", wren="do measure")
    (folder / "copy.mp4").write_bytes((folder / "wren.mp4").read_bytes())
    made = plan_of(folder, tmp_path / "out")
    assert [one.name for one in made.plan.todo] == ["copy"]
    assert made.plan.rows["wren"].state is State.SAME


def test_every_recording_has_a_result_of_its_own(tmp_path: Path) -> None:
    folder = write(tmp_path / "in", **{"a": "do measure", "a.mp4": ""})
    (folder / "a.mov").write_text("do measure\nanother\n", "utf-8")
    (folder / "a.mp4.mkv").write_text("do measure\na third\n", "utf-8")
    made = plan_of(folder, tmp_path / "out")
    assert {one.name for one in made.plan.todo} == {"a.mov", "a.mp4", "a.mp4.mkv"}
    assert set(made.plan.rows) == {"a.mov", "a.mp4", "a.mp4.mkv", "a.mp4.mp4"}


def test_options_come_from_the_folder_beside_and_the_file_s_own_table(tmp_path: Path) -> None:
    folder = write(tmp_path / "in", wren="do measure")
    write(folder / "sub", lark="do measure", pipit="do measure")
    (folder / "vidspin.toml").write_text(
        'between = [0, 3000]\nevery = 2\nfact = {tip = "carbide"}\n', "utf-8"
    )
    (folder / "sub" / "vidspin.toml").write_text(
        'every = 0.5\n["pipit.mp4"]\ncentre = [960.5, 540]\nrelease = "0:01.5"\n'
        'reason = "seen"\ndiameter = 41.5\n',
        "utf-8",
    )
    told = {one.name: one.told for one in plan_of(folder, tmp_path / "out").plan.todo}
    assert told["wren"].settings.bounds_rpm == (0.0, 3000.0)
    assert told["wren"].settings.every_s == 2.0 and told["wren"].facts == {"tip": "carbide"}
    assert told["sub/lark"].settings.every_s == 0.5
    assert told["sub/lark"].settings.bounds_rpm == (0.0, 3000.0)
    assert told["sub/lark"].settings.centre_px is None
    assert told["sub/pipit"].settings.centre_px == (960.5, 540.0)
    assert told["sub/pipit"].settings.release_s == 1.5
    assert told["sub/pipit"].settings.diameter_mm == 41.5
    assert told["sub/lark"].settings.diameter_mm is None


PROFILE = """schema = "vidspin/camera/1"
mode = {width = 128, height = 96, frame_rate = "30/1"}
clock_ppm = {value = 40.0, u = 5.0}
"""


def test_a_camera_s_profile_is_found_from_the_file_that_names_it(tmp_path: Path) -> None:
    folder = write(tmp_path / "in", wren="do measure")
    write(folder / "sub", lark="do measure", pipit="do measure")
    (folder / "phone.toml").write_text(PROFILE, "utf-8")
    (folder / "vidspin.toml").write_text('camera = "phone.toml"\n', "utf-8")
    (folder / "sub" / "own.toml").write_text(PROFILE.replace("40.0", "7.0"), "utf-8")
    (folder / "sub" / "vidspin.toml").write_text('["pipit.mp4"]\ncamera = "own.toml"\n', "utf-8")
    made = {one.name: one for one in plan_of(folder, tmp_path / "out").plan.todo}
    clock = {name: one.told.settings.camera.clock_ppm.value for name, one in made.items()}
    assert clock == {"wren": 40.0, "sub/lark": 40.0, "sub/pipit": 7.0}
    # another word of the profile is another job
    (folder / "phone.toml").write_text(PROFILE.replace("40.0", "41.0"), "utf-8")
    again = {one.name: one for one in plan_of(folder, tmp_path / "out").plan.todo}
    assert again["wren"].key != made["wren"].key
    assert again["sub/pipit"].key == made["sub/pipit"].key


def test_references_are_those_of_one_recording(tmp_path: Path) -> None:
    folder = write(tmp_path / "in", wren="do measure", lark="do measure")
    (folder / "vidspin.toml").write_text(
        '["lark.mp4"]\nreference = ["1.5=0:00:00.0", "61.5=0:01:00.0"]\nreference-within = 0.01\n',
        "utf-8",
    )
    made = {one.name: one.told.settings for one in plan_of(folder, tmp_path / "out").plan.todo}
    assert made["wren"].references == ()
    assert [one.true_s for one in made["lark"].references] == [0.0, 60.0]
    assert [one.u_true_s for one in made["lark"].references] == pytest.approx(
        [0.01 / 3**0.5, 0.01 / 3**0.5]
    )


def test_what_is_finished_with_references_a_profile_and_an_instant_stays_finished(
    tmp_path: Path,
) -> None:
    folder, out = tmp_path / "in", tmp_path / "out"
    folder.mkdir()
    clip = ["simulate", str(folder / "lark.mp4"), "--rpm", "420", "--size", "128x96"]
    assert main([*clip, "--seconds", "4", "--fps", "30", "--quiet"]) == ExitCode.DONE
    (folder / "phone.toml").write_text(PROFILE, "utf-8")
    (folder / "vidspin.toml").write_text(
        'camera = "phone.toml"\nbetween = [380, 460]\n["lark.mp4"]\n'
        'reference = ["0.25=0:00:00.00", "3.75=0:00:03.51"]\nrelease = 0.123456\nreason = "seen"\n',
        "utf-8",
    )
    assert main(["overnight", str(folder), "--quiet", "--out", str(out)]) != ExitCode.BATCH_FAILED
    document = json.loads((out / "lark.spin" / "spin.json").read_text("utf-8"))
    assert len(document["settings"]["references"]) == 2
    assert document["settings"]["camera"]["clock_ppm"]["value"] == 40.0
    assert document["settings"]["release_s"] != 0.123456  # put on the better clock
    wishes = Wishes(folder, out, 1)
    made = Batch(wishes, lambda *_: None, lambda _: None)
    assert made.make_plan().todo == []
    assert made.plan.rows["lark"].state in (State.MEASURED, State.UNRESOLVED)


def test_a_profile_of_another_mode_costs_its_recording_one_line(tmp_path: Path) -> None:
    folder, out = tmp_path / "in", tmp_path / "out"
    folder.mkdir()
    clip = ["simulate", str(folder / "lark.mp4"), "--rpm", "420", "--size", "128x96"]
    assert main([*clip, "--seconds", "2", "--fps", "30", "--quiet"]) == ExitCode.DONE
    (folder / "phone.toml").write_text(PROFILE.replace("128", "1920"), "utf-8")
    (folder / "vidspin.toml").write_text('camera = "phone.toml"\n', "utf-8")
    assert main(["overnight", str(folder), "--quiet", "--out", str(out)]) == ExitCode.BATCH_FAILED
    table = (out / "overnight.csv").read_text("utf-8")
    assert "not the profile of lark" in table and "leave camera out of vidspin.toml" in table


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('camera = "gone.toml"', "gone.toml: it cannot be read"),
        ('camera = "vidspin.toml"', "this is no camera profile"),
        ('camera = "/dev/null"', "/dev/null: it is no file"),
        ("camera = [true]", "vidspin.toml, camera: not a number or a text"),
        ('reference = ["1=0:00:00.0", "2=0:00:01.0"]', "reference: it belongs to one recording"),
        ("reference-within = 0.1", "reference-within: it belongs to one recording"),
        ('["wren.mp4"]\nreference = ["1=0:00:00.0"]', "one reference tells no rate"),
        ('["wren.mp4"]\nreference = 1', "reference: not a list of texts"),
        ('["wren.mp4"]\nreference-within = 1', "--reference-within: it tells of nothing"),
        ("betwen = [0, 1]", "'betwen' is no option of vidspin measure; use centre, radii"),
        ("between = [9, 1]", "vidspin.toml, --between: 9 to 1 rev/min holds no speed"),
        ("diameter = -1", "vidspin.toml, diameter: -1 is out of range; give a number above 0"),
        ("every = 0", "vidspin.toml, every: 0 is out of range; give a number of 0.01 or"),
        ("every = 1e-4", "vidspin.toml, every: 0.0001 is out of range"),
        ("release = 1.5", "vidspin.toml, --reason: an instant is stated without one"),
        ("marks = 5", "vidspin.toml, marks: 5 is out of range; give 1 to 4"),
        ("every = true", "vidspin.toml, every: not a number or a text"),
        ('["gone.mp4"]\nmarks = 2', "[gone.mp4] is no file beside it"),
        ('chapters = ["wren.mp4"]', "chapters is not a list of lists"),
        ("every 1", "not a TOML file"),
    ],
)
def test_a_mistake_in_the_options_is_one_line_before_any_work(
    tmp_path: Path, text: str, says: str
) -> None:
    folder = write(tmp_path / "in", wren="do measure")
    (folder / "vidspin.toml").write_text(text, "utf-8")
    with pytest.raises(UsageError) as caught:
        plan_of(folder, tmp_path / "out")
    assert says in str(caught.value) and "\n" not in str(caught.value)


def test_stated_chapters_are_one_recording_and_none_when_one_cannot_be_read(
    tmp_path: Path,
) -> None:
    folder = write(tmp_path / "in", a="do measure", b="do measure", c="do measure", d="")
    (folder / "vidspin.toml").write_text(
        'chapters = [["b.mp4", "a.mp4"], ["c.mp4", "d.mp4"]]\n', "utf-8"
    )
    made = plan_of(folder, tmp_path / "out")
    assert [one.files for one in made.plan.todo] == [("b.mp4", "a.mp4")]
    failed = made.plan.rows["c.mp4"]
    assert failed.state is State.FAILED and failed.files == ("c.mp4", "d.mp4")
    assert failed.line == (
        "d.mp4: this chapter cannot be read (the file is empty); mend it, or take it out of "
        "`chapters` in vidspin.toml to measure the others"
    )


# ----------------------------------------------------------------------------- words


def test_progress_tells_the_time_left_of_all_and_of_each() -> None:
    done = Ended(Ending.DONE, 0, "", {}, 20.0, 1)  # took twice its estimate
    standing = Standing((2,), ((1, Running(100.0, 90.0, 0.5), "reading frames"),), {0: done})
    told = lines(standing, ["a", "b", "c"], {0: 10.0, 1: 100.0, 2: 30.0}, 2)
    # b: 90 s for 0.45 of its work leave 110 s; c: 30 s at half the pace beside it
    assert told == ["1 of 3 done, 0:01:50 left", "  b: reading frames 50%, 0:01:50 left", ""]


def test_notify_gets_the_summary_as_its_last_argument(tmp_path: Path) -> None:
    from vidspin.cli.overnight import _notify

    target = tmp_path / "said"
    code = f"import sys; open({str(target)!r}, 'w').write(sys.argv[-1])"
    _notify([sys.executable, "-c", code], "2 recordings: 2 measured")
    assert target.read_text() == "2 recordings: 2 measured"
    assert notify_words("say 'all done'") == ["say", "all done"]
    with pytest.raises(UsageError, match="--notify"):
        notify_words("say 'all")


def test_hostile_names_stay_text_in_the_tables() -> None:
    from vidspin.night.page import page, table_csv

    row = Row("=cmd()<script>", ("x",), State.FAILED, "<b>why</b>")
    assert "<script>" not in page([row], ["<i>"], version="1") and "<b>" not in page(
        [row], ["<i>"], version="1"
    )
    assert table_csv([row]).splitlines()[1].startswith("'=cmd()")
    for start in FORMULA:
        cell = f"{start}1+1"
        row = Row(cell, (cell,), State.FAILED, cell, cell, failed_checks=(cell,))
        (made,) = list(csv.DictReader(io.StringIO(table_csv([row]), newline="")))
        for column in ("recording", "files", "failed_checks", "result", "line"):
            assert made[column] == f"'{cell}".replace("\r", " ")  # which would begin a row


def test_a_lower_limit_is_never_rounded_up() -> None:
    from vidspin.night.page import page, table_csv

    row = Row("wren", (), State.MEASURED, at_least_s=7.99996)
    assert ",7.999," in table_csv([row])
    assert "at least 7.9" in page([row], [], version="1")


def test_a_plan_tells_what_would_be_done_and_measures_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write(tmp_path / "in", wren="do measure\nframes 3000", empty="")
    out = tmp_path / "out"
    wishes = Wishes(folder, out, 1, command=DOUBLE)
    code, _ = run_batch(wishes, only_plan=True)
    told = capsys.readouterr()
    assert code == ExitCode.BATCH_FAILED  # for the empty one cannot be read
    # 6 s for a start, and twice the 3 s that the probe's 1000 frames a second mean
    assert "to measure   wren (wren.mp4), about 0:00:12" in told.out
    assert "1 of 2 recordings to measure, 1 side by side, about 0:00:12" in told.out
    assert "empty.mp4: the file is empty" in told.err
    assert sorted(path.name for path in out.iterdir()) == [book.LOG]
    run_batch(wishes, only_plan=True, as_json=True)
    lines_of = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(one["name"], one.get("estimate_s")) for one in lines_of] == [
        ("empty.mp4", None), ("wren", 12.0),
    ]  # fmt: skip
    (folder / "empty.mp4").unlink()
    assert run_batch(wishes, only_plan=True)[0] == ExitCode.DONE
    (out / "wren.spin").mkdir()
    (out / "wren.spin" / "mine.txt").write_text("notes")  # in the way: it would not be measured
    assert run_batch(wishes, only_plan=True)[0] == ExitCode.BATCH_FAILED


def test_the_user_s_command_runs_at_the_end_of_a_batch_and_not_after_a_plan(
    tmp_path: Path,
) -> None:
    from vidspin.cli.app import main

    folder = write(tmp_path / "in", empty="")
    target = tmp_path / "said"
    code = f"import sys; open({str(target)!r}, 'a').write(sys.argv[-1])"
    notify = f'{sys.executable} -c "{code}"'
    command = ["overnight", str(folder), "--notify", notify, "--quiet"]
    assert main([*command, "--plan"]) == ExitCode.BATCH_FAILED
    assert not target.exists()
    assert main(command) == ExitCode.BATCH_FAILED
    assert target.read_text("utf-8") == "1 recording: 1 failed"


def test_copies_of_the_page_that_a_killed_writer_left_go_with_the_next_run(tmp_path: Path) -> None:
    folder, out = write(tmp_path / "in", wren="do measure"), tmp_path / "out"
    out.mkdir()
    left = [out / ".overnight.html.r395xqcl", out / ".overnight.csv.0a1b2c3d"]
    mine = out / ".overnight.html.is-somebody-else's"
    for path in (*left, mine):
        path.write_bytes(b"half")
    batch(folder, out)
    assert not any(path.exists() for path in left) and mine.read_bytes() == b"half"
    left[0].write_bytes(b"half")
    batch(folder, out)  # nothing left to do
    assert not left[0].exists()
