"""Whatever write fails: the old result or none, one line, the documented code, nothing left over.

Every command that writes is run once in peace, to count what it asks of the disk, then once for
each of those steps with that step failing. What takes seconds and writes nothing (measuring,
drawing) is done once and handed out again.
"""

from __future__ import annotations

import errno
import json
import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from dossiers import make_dossier, make_result
from fabricate import fabricate
from faults import FULL, REFUSED, Disk, picture_of

from vidspin.cli.app import main
from vidspin.errors import ExitCode, NoTopError, UsageError
from vidspin.whole import new_folder

RECORDING = b"a stand-in for a recording"
PICTURES = {"starts.png": b"drawn", "starts.svg": b"<svg/>"}


# ------------------------------------------------------------------------- what is run


class Footage:
    """Stands in for a recording; `Recording.open` is the class itself."""

    facts = SimpleNamespace(chapters=(), duration_s=12.0)

    @classmethod
    def open(cls, paths: Any, captured_at: Any = None) -> Footage:
        for path in paths:
            Path(path).read_bytes()
        return cls()


@cache
def _made() -> Any:
    made = fabricate("resolved", duration_s=12.0)
    passed = [replace(c, state="pass") if c.state == "fail" else c for c in made.checks]
    return replace(made, checks=tuple(passed))


def _measured(
    footage: Any, settings: Any, *, version: str, created: str, progress: Any, profiles: Any,
    answers: Any,
) -> Any:  # fmt: skip
    """What a measurement writes on its way: profiles, answers; what it gives: invented."""
    for _ in range(3):
        profiles.append(np.zeros(64, np.float32))
    assert profiles.read(0, 3).shape == (3, 64)
    answers.append(np.ones((5, 4), np.float32))
    assert answers[1:4].sum() == 12
    return replace(_made(), created=created)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Measuring and drawing hand out what they made before."""
    import vidspin.cli.anew
    import vidspin.figures
    import vidspin.figures.stills
    import vidspin.report

    monkeypatch.setattr("vidspin.footage.frames.Recording", Footage)
    monkeypatch.setattr("vidspin.measure.measure", _measured)
    monkeypatch.setattr(vidspin.figures, "draw_all", lambda _: {"speed.png": b"drawn"})
    monkeypatch.setattr(vidspin.figures.stills, "draw_stills", lambda _: {})
    monkeypatch.setattr(vidspin.report, "html_report", lambda _: "<html>drawn</html>")
    monkeypatch.setattr("vidspin.dossier.document.check_schema", lambda *_: None)
    monkeypatch.setattr("vidspin.cli.anew.work_out_again", _worked_out_again)
    monkeypatch.setattr("vidspin.footage.private.private_tags", lambda _: {})
    monkeypatch.setattr("vidspin.cli.dossier.reports_of", lambda _: {"report.pdf": b"drawn"})
    monkeypatch.setattr("vidspin.figures.starts.starts_figure", lambda _: PICTURES)
    monkeypatch.setattr("vidspin.figures.starts_page.starts_page", lambda *_, **__: "<html/>")
    monkeypatch.setattr("vidspin.figures.speed.speed_figure", lambda _: PICTURES)
    monkeypatch.setattr("vidspin.figures.card.challenge_card", lambda *_, **__: b"<svg/>")


def _worked_out_again(kept: Any, wanted: Any, *, version: str, created: str) -> Any:
    """As `vidspin.again` gives it: the same result, with one more check that says so."""
    from vidspin.again import CHECK

    said = replace(kept.checks[0], name=CHECK)
    return replace(kept, created=created, facts=wanted.facts, checks=(*kept.checks, said))


def prepare_measure(room: Path) -> list[str]:
    (room / "wren.mp4").write_bytes(RECORDING)
    return ["measure", str(room / "wren.mp4")]


def prepare_measure_out(room: Path) -> list[str]:
    return [*prepare_measure(room), "--out", str(room / "of" / "today")]


def prepare_measure_again(room: Path) -> list[str]:
    arguments = prepare_measure(room)
    assert main([*arguments, "--quiet"]) == 0
    (room / "wren.spin" / "speed.csv").write_text("of yesterday\n")
    return [*arguments, "--overwrite"]


def prepare_from(room: Path) -> list[str]:
    assert main([*prepare_measure(room), "--quiet"]) == 0
    return ["measure", "--from", str(room / "wren.spin"), "--overwrite", "--fact", "tip=ruby"]


def prepare_simulate(room: Path) -> list[str]:
    small = ["--rpm", "600", "--size", "64x48", "--seconds", "0.2"]
    return ["simulate", str(room / "wren.mp4"), *small]


def prepare_dossier(room: Path) -> list[str]:
    return ["dossier", str(make_result(room, size=3000)), "--recording", "include"]


def prepare_dossier_again(room: Path) -> list[str]:
    arguments = prepare_dossier(room)
    assert main([*arguments, "--quiet"]) == 0
    return [*arguments, "--overwrite"]


def prepare_keys(room: Path) -> list[str]:
    return ["keys", "new", str(room / "safe" / "o.key")]


def prepare_countersign(room: Path) -> list[str]:
    dossier, _ = make_dossier(make_result(room, size=3000), reporter=lambda _: {})
    assert main(["keys", "new", str(room / "o.key"), "--quiet"]) == 0
    return ["countersign", str(dossier), "--key", str(room / "o.key"), "--as", "operator"]


def prepare_countersign_second(room: Path) -> list[str]:
    arguments = prepare_countersign(room)
    assert main([*arguments, "--quiet"]) == 0
    assert main(["keys", "new", str(room / "a.key"), "--quiet"]) == 0
    return [*arguments[:3], str(room / "a.key"), "--as", "witness-a"]


def prepare_request(room: Path) -> list[str]:
    dossier, _ = make_dossier(make_result(room, size=3000), reporter=lambda _: {})
    return ["countersign", str(dossier), "--timestamp-request", str(room / "time.tsq")]


def prepare_challenge(room: Path) -> list[str]:
    return ["challenge", "--out", str(room / "card.svg"), "--public", "six numbers of a lottery"]


def prepare_challenge_again(room: Path) -> list[str]:
    (room / "card.svg").write_text("of yesterday")
    (room / "card.json").write_text("{}")
    return [*prepare_challenge(room), "--overwrite"]


def prepare_camera(room: Path) -> list[str]:
    result = make_result(room, size=3000)
    return ["camera", "learn", str(result), "-o", str(room / "profiles" / "phone.toml")]


def prepare_starts(room: Path) -> list[str]:
    return ["starts", str(make_result(room, size=30)), "--out", str(room / "starts")]


CASES: dict[str, Callable[[Path], list[str]]] = {
    name.removeprefix("prepare_"): function
    for name, function in list(globals().items())
    if name.startswith("prepare_")
}


# ----------------------------------------------------------------------- every step fails


@pytest.mark.parametrize("fault", [FULL, REFUSED], ids=["disk full", "refused"])
@pytest.mark.parametrize("case", CASES)
def test_a_failed_write_leaves_the_old_or_nothing(
    case: str, fault: tuple[int, bool, tuple[str, ...]], tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    code, lasting, kinds = fault
    start = tmp_path / "start"
    (start / "tmp").mkdir(parents=True)
    arguments = CASES[case](start)
    peace = tmp_path / "room"
    shutil.copytree(start, peace)
    arguments = [word.replace(str(start), str(peace)) for word in arguments]
    before = picture_of(peace)
    capsys.readouterr()
    with Disk(peace, kinds=kinds).between() as disk:
        assert main(arguments) in (ExitCode.DONE, ExitCode.CHECK_FAILED)
    capsys.readouterr()
    whole = set(picture_of(peace))
    assert whole > set(before) or "again" in case or "--overwrite" in arguments
    steps = list(disk.steps)
    assert len(steps) >= 5, steps
    for at in range(1, len(steps) + 1):
        shutil.rmtree(peace)
        shutil.copytree(start, peace)
        with Disk(peace, code, at, lasting=lasting, kinds=kinds).between() as disk:
            ended = main(arguments)
        told = capsys.readouterr().err
        assert disk.failed, (at, steps)
        after = picture_of(peace)
        if ended in (ExitCode.DONE, ExitCode.CHECK_FAILED):
            # there was another way, such as a copy where a link was refused
            assert set(after) == whole, (disk.failed, set(after) ^ whole)
            continue
        assert ended == ExitCode.USAGE, (disk.failed, told)
        lines = [line for line in told.splitlines() if not line.startswith(("WARNING", "wrote"))]
        assert len(lines) == 1 and lines[0].startswith("vidspin: "), (disk.failed, told)
        assert os.strerror(code) in lines[0] and "a bug in" not in lines[0], (disk.failed, told)
        assert after == before, (disk.failed, set(after) ^ set(before))


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EACCES, errno.EROFS, errno.EIO])
def test_what_the_disk_refuses_elsewhere_is_no_bug(
    code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def measured(*_: Any, **__: Any) -> None:
        raise OSError(code, os.strerror(code), "/somewhere/else")

    monkeypatch.setattr("vidspin.measure.measure", measured)
    assert main(prepare_measure(tmp_path)) == ExitCode.USAGE
    told = capsys.readouterr().err
    assert told.startswith(
        f"vidspin: /somewhere/else: it cannot be read or written ({os.strerror(code)})"
    )
    assert told.count("\n") == 1

    def wrong(*_: Any, **__: Any) -> None:
        raise ConnectionResetError(errno.ECONNRESET, "Connection reset")

    monkeypatch.setattr("vidspin.measure.measure", wrong)
    assert main(prepare_measure(tmp_path)) == 1  # not of the disk: nobody foresaw it
    assert "a bug in vidspin" in capsys.readouterr().err


@pytest.mark.parametrize("fault", [FULL, REFUSED], ids=["disk full", "refused"])
def test_a_decision_that_cannot_be_kept_leaves_the_result_as_it_was(
    fault: tuple[int, bool, tuple[str, ...]], tmp_path: Path
) -> None:
    """What the review page does with a decision; its server tells the error to the page."""
    from vidspin.cli.look import _Bench, _fingerprint
    from vidspin.review.history import CONFIRMED, Decision

    code, lasting, kinds = fault
    start, room = tmp_path / "start", tmp_path / "room"
    make_result(start, size=30)

    def decide() -> None:
        place = room / "goldfinch.spin"
        of = _fingerprint(place)
        _Bench(place, None).decide(Decision("release", CONFIRMED, 3, "", of))  # type: ignore[arg-type]

    shutil.copytree(start, room)
    with Disk(room, kinds=kinds).between() as disk:
        decide()
    said = json.loads((room / "goldfinch.spin" / "spin.json").read_text("utf-8"))
    assert [one["action"] for one in said["reviews"]] == ["confirmed"]
    steps = len(disk.steps)
    assert steps >= 15
    for at in range(1, steps + 1):
        shutil.rmtree(room)
        shutil.copytree(start, room)
        with (
            Disk(room, code, at, lasting=lasting, kinds=kinds).between() as disk,
            pytest.raises(UsageError, match=os.strerror(code)),
        ):
            decide()
        assert disk.failed
        assert picture_of(room) == picture_of(start), disk.failed


def test_the_picture_of_no_top_is_whole_or_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is a courtesy: that no top was found is told whether it can be written or not."""

    def nothing_found(*_: Any, **__: Any) -> None:
        error = NoTopError("no top was found", where="wren", do="film it nearer")
        error.picture = np.zeros((48, 64), np.uint8)  # type: ignore[attr-defined]
        raise error

    monkeypatch.setattr("vidspin.measure.measure", nothing_found)
    arguments = prepare_measure(tmp_path)
    before = set(picture_of(tmp_path)) | {"tmp"}
    (tmp_path / "tmp").mkdir()
    at = 0
    while True:
        with Disk(tmp_path, errno.ENOSPC, at, lasting=True, kinds=FULL[2]).between() as disk:
            ended = main(arguments)
        told = capsys.readouterr().err
        made = set(picture_of(tmp_path)) - before
        if at and not disk.failed:
            break
        if at and ended == ExitCode.USAGE:
            assert "temporary files cannot be written" in told and made == set()
        else:
            assert ended == ExitCode.NO_TOP and "no top was found" in told
            assert made == (set() if at else {"wren.survey.png"}), disk.failed
        assert told.count("\n") == 1
        (tmp_path / "wren.survey.png").unlink(missing_ok=True)
        at += 1
    assert at > 5


def test_the_old_folder_is_never_removed_when_nothing_can_be_renamed(tmp_path: Path) -> None:
    """The new one cannot take the name, and the old one cannot have it back."""
    place = tmp_path / "wren.spin"
    place.mkdir()
    (place / "spin.json").write_text("of yesterday")
    disk = Disk(tmp_path, errno.EROFS, 2, lasting=True, kinds=("rename",))
    with disk.between(), pytest.raises(OSError, match="the old one is kept in") as told:
        with new_folder(place) as fresh:
            (fresh / "spin.json").write_text("of today")
    assert len(disk.failed) == 2
    kept = Path(str(told.value.strerror).partition("kept in ")[2])
    assert (kept / "spin.json").read_text() == "of yesterday"
    assert [path.name for path in tmp_path.rglob("spin.json")] == ["spin.json"]


# ---------------------------------------------------------------------------- overnight


def _in_process(tasks: Any, command: Any, *, jobs: int, ended: Any, tell: Any) -> dict[int, Any]:
    """Do the tasks of a batch here, so that the disk sees them; measure as `measure` does."""
    from vidspin.cli.measure import Job, Manner, measure_one
    from vidspin.errors import VidspinError
    from vidspin.night.processes import Ended
    from vidspin.night.schedule import Ending

    done = {}
    for number, task in enumerate(tasks):
        asked = task.request
        try:
            if asked["task"] == "look":
                data = Path(asked["path"]).read_bytes()
                answer: dict[str, Any] = {
                    "bytes": len(data), "sha256": "0" * 63 + str(len(data)), "look": ["double"],
                    "frames": 30, "duration_s": 1.0, "created": None, "decode_rate": 1e3,
                }  # fmt: skip
            else:
                job = Job(
                    (Path(asked["paths"][0]),), asked["name"], Path(asked["folder"]), {},
                    (Path(asked["checkpoints"]), asked["key"]),
                )  # fmt: skip
                answer = {"code": int(measure_one(job, _settings(), Manner(True, True, False)))}
            done[number] = Ended(Ending.DONE, 0, "", answer, 0.1, 1)
        except VidspinError as error:
            done[number] = Ended(Ending.TOLD, int(error.exit_code), str(error), {}, 0.1, 1)
        ended(number, done[number], True)
    return done


def _settings() -> Any:
    from vidspin.records import Settings

    return Settings()


def test_a_night_on_a_failing_disk_leaves_whole_results_or_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Results whole or absent, the failure told, no lock left."""
    monkeypatch.setattr("vidspin.night.processes.run", _in_process)
    monkeypatch.setattr("vidspin.cli.batch.Batch._finished", _finished_as_named)
    start, room = tmp_path / "start", tmp_path / "room"
    (start / "tmp").mkdir(parents=True)
    (start / "wren.mp4").write_bytes(RECORDING)
    (start / "stint.mp4").write_bytes(RECORDING + b" of another top")
    arguments = ["overnight", str(room), "--out", str(room / "out"), "--quiet"]
    shutil.copytree(start, room)
    with Disk(room).between() as disk:
        assert main(arguments) == ExitCode.DONE, capsys.readouterr().err
    whole = set(picture_of(room / "out" / "wren.spin"))
    steps = len(disk.steps)
    assert steps > 60 and not [p for p in (room / "out").iterdir() if p.name.startswith(".")]
    for at in range(1, steps + 1, 3):
        shutil.rmtree(room)
        shutil.copytree(start, room)
        with Disk(room, errno.ENOSPC, at, lasting=True, kinds=FULL[2]).between() as disk:
            ended = main(arguments)
        told = capsys.readouterr().err
        if not disk.failed:  # renames and the like are no steps of a full disk
            continue
        assert ended in (ExitCode.USAGE, ExitCode.BATCH_FAILED, ExitCode.DONE), told
        assert told.count("No space left on device") >= 1 and "Traceback" not in told
        assert "a bug in" not in told
        out = room / "out"
        for place in out.glob("*.spin"):
            assert set(picture_of(place)) == whole
        left = [p.name for p in out.iterdir() if p.name.startswith(".")] if out.exists() else []
        assert left == [], disk.failed


def _finished_as_named(batch: Any, recording: Any) -> Any:
    """The invented result states hashes of its own, so that only its being there counts."""
    from vidspin.night.book import read_document
    from vidspin.night.clips import row_of

    document = read_document(recording.folder)
    if document is None:
        return None
    return row_of(recording.name, recording.files, batch._from(recording), document)


# ------------------------------------------------ what is written without Python's own files


def test_a_ledger_whose_disk_is_full_keeps_what_it_had(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The database is told to stay within the pages that it has; then it says it is full."""
    import sqlite3

    from vidspin.ledger import schema

    book = tmp_path / "top.ledger"
    for name in ("wren", "stint"):
        make_result(tmp_path / name, size=30 + len(name))
    ledger = ["ledger", "add", "--ledger", str(book)]
    assert main([*ledger, str(tmp_path / "wren" / "goldfinch.spin"), "--quiet"]) == ExitCode.DONE
    # so much that the next entry does not fit into the last page
    before = book.read_bytes()
    limited = sqlite3.connect

    def connect(*arguments: Any, **named: Any) -> sqlite3.Connection:
        made = limited(*arguments, **named)
        pages = made.execute("PRAGMA page_count").fetchone()[0]
        made.execute(f"PRAGMA max_page_count = {max(pages, 1)}")
        return made

    monkeypatch.setattr(schema.sqlite3, "connect", connect)
    capsys.readouterr()
    result = tmp_path / "stint" / "goldfinch.spin"
    document = json.loads((result / "spin.json").read_text("utf-8"))
    document["facts"] = {f"note_{n}": "x" * 190 for n in range(40)}
    (result / "spin.json").write_text(json.dumps(document), "utf-8")
    assert main([*ledger, str(result), "--quiet"]) == ExitCode.USAGE
    told = capsys.readouterr().err
    assert "full" in told and told.count("\n") == 1 and told.startswith("vidspin: ")
    assert book.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["stint", "top.ledger", "wren"]


def test_a_new_ledger_on_a_full_disk_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    result = make_result(tmp_path / "wren", size=30)
    told = limited_run(["ledger", "add", "--ledger", str(tmp_path / "top.ledger"), str(result)])
    assert told.returncode == ExitCode.USAGE, told.stderr
    assert told.stderr.startswith("vidspin: ") and told.stderr.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["wren"]


def test_a_clip_that_the_disk_does_not_take_is_not_there(tmp_path: Path) -> None:
    clip = ["simulate", str(tmp_path / "wren.mp4"), "--rpm", "600", "--size", "320x240"]
    told = limited_run([*clip, "--seconds", "2", "--quiet"])
    assert told.returncode == ExitCode.USAGE, told.stderr
    assert told.stderr.startswith("vidspin: ") and told.stderr.count("\n") == 1
    assert "cannot be written" in told.stderr
    assert list(tmp_path.iterdir()) == []


def limited_run(arguments: list[str]) -> subprocess.CompletedProcess[str]:
    """Run the program while no file may become longer than a few pages."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))

    return subprocess.run(
        [sys.executable, "-B", "-c", _LIMITED, *arguments], capture_output=True, text=True,
        check=False, preexec_fn=limit,
    )  # fmt: skip


# The signal would end the process; without it writing fails, as on a full disk.
_LIMITED = """
import signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from vidspin.cli.app import main
sys.exit(main(sys.argv[1:]))
"""


# ------------------------------------------------------------------------ what vanishes


def test_a_recording_that_vanishes_on_the_way_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = prepare_measure(tmp_path)
    (tmp_path / "wren.mp4").unlink()
    monkeypatch.undo()  # the real reader
    assert main(arguments) == ExitCode.UNREADABLE
    assert "no such file" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_recording_that_vanishes_after_it_was_opened_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    clip = tmp_path / "wren.mp4"
    small = ["--rpm", "600", "--size", "160x120", "--seconds", "2"]
    assert main(["simulate", str(clip), *small, "--quiet"]) == ExitCode.DONE
    monkeypatch.undo()
    from vidspin.footage.frames import Recording

    plain = Recording.open

    def opening(paths: Any, **named: Any) -> Recording:
        footage = plain(paths, **named)
        clip.unlink()
        return footage

    with monkeypatch.context() as patch:
        patch.setattr(Recording, "open", opening)
        assert main(["measure", str(clip), "--quiet"]) == ExitCode.UNREADABLE
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and "wren.mp4" in told and "a bug in" not in told
    assert [path.name for path in tmp_path.iterdir()] == ["wren.truth.json"]


@pytest.mark.parametrize("name", ["spin.json", "speed.csv", "sightings.npz", "speed.png"])
def test_a_result_of_which_a_file_vanishes_is_told(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    result = make_result(tmp_path, size=30)
    (result / name).unlink()
    before = picture_of(tmp_path)
    dossier = ["dossier", str(result), "--recording", "reference"]
    for arguments in (["measure", "--from", str(result), "--overwrite"], dossier):
        assert main([*arguments, "--quiet"]) == ExitCode.USAGE
        lines = [one for one in capsys.readouterr().err.splitlines() if "WARNING" not in one]
        assert len(lines) == 1 and "goldfinch.spin" in lines[0]
        assert picture_of(tmp_path) == before


def test_a_recording_that_vanishes_while_the_dossier_is_made_leaves_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = prepare_dossier(tmp_path)
    (tmp_path / "tmp").mkdir()
    from vidspin.dossier import build

    plain = build._result_files

    def reading(*values: Any) -> Any:
        (tmp_path / "goldfinch.mp4").unlink()
        return plain(*values)

    monkeypatch.setattr(build, "_result_files", reading)
    before = set(picture_of(tmp_path)) - {"goldfinch.mp4"}
    assert main(arguments) == ExitCode.UNREADABLE
    assert "there is no such file" in capsys.readouterr().err
    assert set(picture_of(tmp_path)) == before


# ----------------------------------------------------------------------- the clock jumps


class Jumping(datetime):
    """A clock that is set to another century at every look."""

    looks = 0

    @classmethod
    def now(cls, tz: Any = None) -> Any:
        cls.looks += 1
        start = (datetime(1970, 1, 1, tzinfo=UTC), datetime(2106, 2, 7, tzinfo=UTC))
        return start[cls.looks % 2] + timedelta(seconds=cls.looks)


def test_a_night_keeps_its_lock_when_the_clock_is_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Setting the clock moves, as the system tells them, the start of machine and processes."""
    import psutil

    from vidspin.night.book import Lock

    began, booted = psutil.Process.create_time, psutil.boot_time
    with Lock(tmp_path):
        for days in (-20_000, 3, 40_000):
            jump_s = 86400.0 * days
            monkeypatch.setattr(psutil.Process, "create_time", lambda self: began(self) + jump_s)  # noqa: B023
            monkeypatch.setattr(psutil, "boot_time", lambda: booted() + jump_s)  # noqa: B023
            with pytest.raises(UsageError, match="another overnight is at work"), Lock(tmp_path):
                pass
    assert list(tmp_path.iterdir()) == []


def test_a_card_needs_a_clock_of_this_century(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("vidspin.cli.challenge.datetime", Jumping)
    for _ in range(2):
        assert main(prepare_challenge(tmp_path)) == ExitCode.USAGE
        told = capsys.readouterr().err
        assert "this machine's clock is wrong" in told and told.count("\n") == 1
        assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("case", [case for case in CASES if "challenge" not in case])
def test_a_clock_that_jumps_changes_dates_alone(
    case: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Jumping.looks = 0
    (tmp_path / "tmp").mkdir()
    steady, jumping = tmp_path / "steady", tmp_path / "jumping"
    for room in (steady, jumping):
        room.mkdir()
        arguments = CASES[case](room)
        with monkeypatch.context() as patch:
            if room is jumping:
                for module in ("anew", "dossier", "measure"):
                    patch.setattr(f"vidspin.cli.{module}.datetime", Jumping)
                patch.setattr("time.time", lambda: Jumping.now().timestamp())
            assert main(arguments) in (ExitCode.DONE, ExitCode.CHECK_FAILED)
            looked = Jumping.looks
    # tables of several attempts and keys bear no date
    assert looked or not case.startswith(("measure", "from", "dossier"))
    assert set(picture_of(jumping)) == set(picture_of(steady))
    for path in jumping.rglob("*.json"):
        json.loads(path.read_text("utf-8"))
