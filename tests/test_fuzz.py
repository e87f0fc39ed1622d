"""A fixed handful of damaged containers; `fuzz.py` by hand does many more."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("resource", reason="no limits on processes here")
import fuzz  # noqa: E402 - needs it
import fuzz_child  # noqa: E402
from damage import damaged  # noqa: E402

SCRIPT = Path(fuzz.__file__)


def test_damaged_containers_end_with_a_result_or_one_line() -> None:
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--count", "1", "--seed", "5"],
        capture_output=True, text=True, timeout=1800,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    told = dict(re.findall(r"^([\w-]+) +(\d+) files", done.stdout, re.MULTILINE))
    assert told == dict.fromkeys(fuzz.KINDS, "1")
    assert "exit 3" in done.stdout and "exit 5" in done.stdout  # damage that tells, and none


@pytest.mark.parametrize(
    ("code", "said", "left", "outcome"),
    [
        (0, "", ["clip.spin"], "exit 0"),
        (3, "vidspin: clip: no film; copy it again\n", [], "exit 3"),
        (3, "vidspin: clip: no film\nmore\n", [], "not one line"),
        (3, "vidspin: clip: no film; copy it again\n", ["clip.spin"], "half written: clip.spin"),
        (0, "", [], "half written: "),
        (0, "", [".clip.spin.part", "clip.spin"], "half written: .clip.spin.part clip.spin"),
        (99, "", [], "code 99"),
    ],
)
def test_bad_ends_are_told_from_good_ones(
    tmp_path: Path, code: int, said: str, left: list[str], outcome: str
) -> None:
    for name in left:
        (tmp_path / name).mkdir()
    assert fuzz._judged(code, said, tmp_path) == outcome


def test_damage_is_the_same_for_the_same_seed() -> None:
    data = bytes(range(256)) * 40
    for number in range(40):
        name, once = damaged(data, (3, number))
        assert (name, once) == damaged(data, (3, number))
    assert len({damaged(data, (3, number))[1] for number in range(40)}) > 35


@pytest.mark.parametrize(
    ("code", "killed", "stderr", "outcome"),
    [
        (1, "", "vidspin: a bug in vidspin (KeyError: 1)\n", "bug"),
        (99, "", "Traceback (most recent call last):\n", "bug"),
        (-11, "", "", "crash SIGSEGV"),
        (-9, "memory", "", "memory"),
        (3, "", "vidspin: clip: no film; copy it again\n", ""),
    ],
)
def test_what_no_run_may_end_with(code: int, killed: str, stderr: str, outcome: str) -> None:
    assert fuzz_child.Ended(code, killed, "", stderr, 1.0, 1).crash == outcome


@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
def test_a_hang_and_hunger_are_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def hang() -> int:
        while True:
            pass

    def eat() -> int:
        held = []
        while True:
            held.append(bytearray(b"x") * (8 << 20))

    monkeypatch.setattr(fuzz_child, "TIME_S", 0.5)
    assert fuzz_child.run(hang, tmp_path).crash == "hang"
    monkeypatch.setattr(fuzz_child, "TIME_S", 20.0)
    monkeypatch.setattr(fuzz_child, "MEMORY_BYTES", 600 << 20)
    assert fuzz_child.run(eat, tmp_path).crash == "memory"
    assert fuzz_child.run(lambda: 3, tmp_path).code == 3
    assert "KeyError" in fuzz_child.run(lambda: {}[0], tmp_path).stderr
