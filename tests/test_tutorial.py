"""The terminal session of the tutorial, run command by command: it prints what the page says.

On the page, `[…]` stands for lines that are left out. Times of day, paths, keys and hashes are
new in every run; a key or hash must be the same wherever the page has the same one.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "tutorial.md").read_text("utf-8")
CLIPS = ("goldfinch_run_down.mp4", "dipper_start_only.mp4")
HOME = "/home/you/first-hour"  # where the page's reader works
LEFT_OUT = "[…]"
_BLOCK = re.compile(r"^```(console|toml)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_TOKEN = re.compile(
    r"(?P<secret>SHA256:[\w+/]{43}|\b[0-9a-f]{16,64}\b)"
    r"|(?P<instant>\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d+)?Z?)"
    r"|(?P<number>\d+\.\d+)"
)


@dataclass(frozen=True)
class Step:
    """One command with the lines below it, or one file to write."""

    command: str
    lines: tuple[str, ...]
    file: bool = False


def steps(page: str) -> list[Step]:
    found: list[Step] = []
    for kind, block in _BLOCK.findall(page):
        if kind == "toml":
            name, _, text = block.partition("\n")
            found.append(Step(name.removeprefix("# "), (text,), file=True))
            continue
        for piece in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, *lines = piece.rstrip().replace("\\\n", "").split("\n")
            found.append(Step(command, tuple(lines)))
    return found


STEPS = steps(PAGE)


@dataclass
class Session:
    """What was printed so far, and which of its keys and hashes stand for the page's."""

    place: Path
    printed: list[list[str]] = field(default_factory=list)
    ours: dict[str, str] = field(default_factory=dict)
    code: int = 0

    def run(self, step: Step) -> None:
        if step.file:
            (self.place / step.command).write_text(self.in_our_words(step.lines[0]), "utf-8")
            self.printed.append([])
            return
        tools = f"{self.place.parent / 'bin'}{os.pathsep}{os.environ['PATH']}"
        done = subprocess.run(
            ["sh", "-c", f"(exit {self.code})\n{self.in_our_words(step.command)}"],
            cwd=self.place,
            env={**os.environ, "PATH": tools, "PYTHONUNBUFFERED": "1"},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
            timeout=1800,
        )
        self.code = done.returncode
        self.printed.append(done.stdout.replace(str(self.place), HOME).rstrip("\n").splitlines())
        self.learn(step)

    def in_our_words(self, text: str) -> str:
        return _TOKEN.sub(lambda found: self.ours.get(found[0], found[0]), text)

    def learn(self, step: Step) -> None:
        """Take the keys and hashes of a line for those that the page has there."""
        for theirs, ours in zip(step.lines, self.printed[-1], strict=False):
            a, b = (
                [found["secret"] for found in _TOKEN.finditer(line) if found["secret"]]
                for line in (theirs, ours)
            )
            for secret, other in zip(a, b, strict=False):
                self.ours.setdefault(secret, other)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    if shutil.which("sh") is None:
        pytest.skip("left out: the session is one of a POSIX shell")
    place = (tmp_path_factory.mktemp("tutorial") / "first-hour").resolve()
    place.mkdir()
    for clip in CLIPS:
        shutil.copy(ROOT / "sample_clips" / clip, place)
    tools = place.parent / "bin"
    tools.mkdir()
    for name, call in (("vidspin", f'"{sys.executable}" -m vidspin'), ("python3", sys.executable)):
        (tools / name).write_text(f'#!/bin/sh\nexec {call} "$@"\n', "utf-8")
        (tools / name).chmod(0o755)
    session = Session(place)
    for step in STEPS:
        session.run(step)
    return session


def same(theirs: str, ours: str, known: dict[str, str]) -> bool:
    """Whether a printed line is the page's: numbers to their last digit, words exactly."""
    if _TOKEN.sub("~", theirs) != _TOKEN.sub("~", ours):
        return False
    for a, b in zip(_TOKEN.finditer(theirs), _TOKEN.finditer(ours), strict=True):
        if a.lastgroup != b.lastgroup:
            return False
        if a["secret"] and known.get(a[0]) != b[0]:
            return False
        if a["number"]:
            digits = len(a[0].partition(".")[2])
            off = abs(float(a[0]) - float(b[0]))
            if len(b[0].partition(".")[2]) != digits or off > 1.01 * 10.0**-digits:
                return False
    return True


def holds(page: list[str], printed: list[str], known: dict[str, str]) -> bool:
    """Whether the lines of the page, with what it leaves out, are the printed ones."""
    if not page:
        return not printed
    if page[0] == LEFT_OUT:
        return any(holds(page[1:], printed[k:], known) for k in range(len(printed) + 1))
    if not printed or not same(page[0], printed[0], known):
        return False
    return holds(page[1:], printed[1:], known)


def test_the_page_has_a_session() -> None:
    assert len(STEPS) > 12
    assert {"measure", "claim", "dossier", "verify"} <= {
        step.command.split()[1] for step in STEPS if step.command.startswith("vidspin")
    }


def test_all_that_is_typed_is_run() -> None:
    typed = [line for line in PAGE.splitlines() if line.startswith("$ ")]
    assert len(typed) == sum(not step.file for step in STEPS)


@pytest.mark.parametrize("number", range(len(STEPS)), ids=[step.command[:50] for step in STEPS])
def test_a_step_prints_what_the_page_says(session: Session, number: int) -> None:
    step = STEPS[number]
    if not step.file:
        printed = session.printed[number]
        assert holds(list(step.lines), printed, session.ours), "\n".join(printed)


@pytest.mark.parametrize(
    ("page", "printed"),
    [
        (["speed 1.20"], ["speed 1.23"]),
        (["speed 1.20"], ["speed 1.201"]),
        (["12 rows"], ["13 rows"]),
        (["one", "two"], ["one"]),
        (["one"], ["one", "two"]),
        (["one", LEFT_OUT, "four"], ["one", "two", "three"]),
        (["key " + "ab" * 8], ["key " + "cd" * 8]),
        (["at 2026-01-01T00:00:00Z"], ["at noon"]),
    ],
)
def test_another_output_is_told(page: list[str], printed: list[str]) -> None:
    assert not holds(page, printed, {"ab" * 8: "ef" * 8})


def test_what_may_differ_may_differ() -> None:
    page = ["at 2026-01-01T00:00:00Z", LEFT_OUT, "speed 1.20, key " + "ab" * 8]
    printed = ["at 2027-02-02T11:11:11Z", "one", "two", "speed 1.21, key " + "cd" * 8]
    assert holds(page, printed, {"ab" * 8: "cd" * 8})
