"""What a person at a terminal meets: help that fits, and words that complete themselves."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer

from vidspin.cli import app
from vidspin.errors import ExitCode

COLUMNS = 80


def commands() -> list[tuple[str, Any]]:
    """Every context, from the program itself down to commands of commands."""
    root = typer.main.get_command(app.app)
    found, left = [], [(root, root.make_context(app.PROGRAM, [], resilient_parsing=True))]
    while left:
        command, context = left.pop()
        found.append((context.command_path, context))
        for word in command.list_commands(context) if hasattr(command, "list_commands") else ():
            below = command.get_command(context, word)
            inner = below.make_context(word, [], parent=context, resilient_parsing=True)
            left.append((below, inner))
    return found


CONTEXTS = commands()


def complete(line: str, *, shell: str = "bash") -> list[str]:
    words = line.split(" ")
    done = subprocess.run(
        [sys.executable, "-c", "from vidspin.cli.app import main; raise SystemExit(main())"],
        env={
            **os.environ,
            "_VIDSPIN_COMPLETE": f"complete_{shell}",
            "COMP_WORDS": line,
            "COMP_CWORD": str(len(words) - 1),
        },
        capture_output=True,
        text=True,
        check=True,
        timeout=600,
    )
    assert not done.stderr
    return done.stdout.split()


@pytest.mark.parametrize("context", [c for _, c in CONTEXTS], ids=[name for name, _ in CONTEXTS])
def test_help_fits_a_terminal_of_80_columns(context: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(COLUMNS))
    lines = context.get_help().splitlines()
    assert len(lines) > 4
    assert not [line for line in lines if len(line) > COLUMNS]


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("vidspin cl", ["claim"]),
        ("vidspin ledger w", ["wear"]),
        ("vidspin measure --bet", ["--between"]),
        ("vidspin simulate --direction counter", ["counterclockwise"]),
        ("vidspin nothing", []),
    ],
)
def test_the_shell_completes_what_is_typed(typed: str, words: list[str]) -> None:
    assert complete(typed) == words


def test_all_commands_are_offered() -> None:
    assert complete("vidspin ") == list(app.COMMANDS)


@pytest.mark.parametrize(
    ("typed", "named"),
    [
        (["measure", "a.mp4", "--between", "1500-1700"], "vidspin measure"),
        (["camera", "learn", "a.spin", "-o"], "vidspin camera learn"),
        (["plan", "--speeds", "1900"], "vidspin plan"),
    ],
)
def test_an_option_that_lacks_a_value_names_its_command(
    typed: list[str], named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert app.main(typed) == ExitCode.USAGE
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and told.rstrip().endswith(f"; see {named} --help")


def test_a_name_with_spaces_that_the_shell_took_apart_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("wren in spring.mp4").write_bytes(b"no recording")
    assert app.main(["measure", "wren", "in", "spring.mp4"]) == ExitCode.UNREADABLE
    assert (
        'wren: no such file; put quotation marks: "wren in spring.mp4"' in capsys.readouterr().err
    )


def test_a_folder_of_results_is_named_where_one_result_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert app.main(["claim", ".", "--spin-time", "40"]) == ExitCode.USAGE
    assert "vidspin: .: not a result folder" in capsys.readouterr().err
