"""Work side by side: failures told, nobody works for nobody."""

from __future__ import annotations

import os
import sys
import threading
from pathlib import Path

import pytest

from vidspin.cli import app
from vidspin.errors import FootageError
from vidspin.footage import container
from vidspin.threads import ONE_EACH, beside, load_meanwhile


def test_work_beside_ends_when_nobody_waits() -> None:
    seen = []

    def work(nobody_waits: threading.Event) -> str:
        seen.append(nobody_waits.wait(timeout=60))
        return "never asked for"

    with pytest.raises(LookupError), beside(work):
        raise LookupError
    assert seen == [True]


def test_work_beside_answers_or_raises() -> None:
    with beside(lambda _: 7) as answer:
        assert answer() == 7
    with beside(lambda _: 1 // 0) as answer, pytest.raises(ZeroDivisionError):
        answer()


def test_a_module_that_cannot_be_loaded_is_left_to_whoever_wants_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "spare_part.py").write_text("raise RuntimeError")
    (tmp_path / "good_part.py").write_text("")
    monkeypatch.syspath_prepend(tmp_path)
    load_meanwhile("spare_part", "good_part")
    for thread in threading.enumerate():
        if thread.name == "loading":
            thread.join(timeout=60)
    assert "good_part" in sys.modules and "spare_part" not in sys.modules
    del sys.modules["good_part"]


def test_the_program_gives_libraries_one_thread_unless_told_otherwise(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ONE_EACH:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    app.main(["--version"])
    capsys.readouterr()
    assert {name: os.environ[name] for name in ONE_EACH} == {**ONE_EACH, "OMP_NUM_THREADS": "3"}


def test_a_file_that_cannot_be_read_is_not_hashed_to_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise FootageError("no frames", where="clip.mp4", do="film again")

    told, hashed = [], container._sha256

    def digest(path: Path, nobody_waits: threading.Event) -> str:
        told.append(nobody_waits.wait(timeout=60))
        return hashed(path, nobody_waits)

    clip = min((Path(__file__).parents[1] / "sample_clips").glob("*.mp4"))
    monkeypatch.setattr(container, "_read", refuse)
    monkeypatch.setattr(container, "_sha256", digest)
    with pytest.raises(FootageError, match="no frames"):
        container.examine(clip)
    assert told == [True]
