"""Whatever is typed behind an option, the answer is a documented exit code and one clear line."""

from __future__ import annotations

import contextlib
import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import typer
from dossiers import invented
from hypothesis import given, settings
from hypothesis import strategies as st

from vidspin.cli import app
from vidspin.errors import ExitCode
from vidspin.store import write_result

REFUSED = (ExitCode.USAGE, ExitCode.UNREADABLE, ExitCode.NO_TOP)
LONGEST_LINE = 1200
# What would reach the network, run a program, wait for a key, or name files to write.
LEFT_OUT = {
    "--help", "--timestamp", "--scheduler", "--seen-as", "--notify", "--passphrase", "--out", "-o",
    "--timestamp-request", "--install-completion", "--show-completion", "--overwrite",
}  # fmt: skip
# What stands behind the options: it is refused after they were read, or is told of in no time.
ARGUMENTS: dict[str, tuple[str, ...]] = {
    "measure": ("none.mp4",),
    "overnight": ("none", "--plan"),
    "claim": ("gold.spin",),
    "simulate": ("clip.xyz",),
    "plan": (),
    "rehearse": ("none.mp4",),
    "starts": ("gold.spin",),
    "rundown": ("none.spin",),
    "compare": ("none.spin",),
    "forecast": ("none.spin",),
    "ledger add": ("none.spin",),
    "ledger list": (),
    "ledger export": ("--out", "table.csv", "--overwrite"),
    "ledger reground": ("tip", "ruby"),
    "ledger wear": (),
    "challenge": ("--out", "none/no.svg"),
    "dossier": ("none.spin",),
    "countersign": ("none",),
    "verify": ("none",),
    "camera learn": ("none.spin", "--out", "phone.toml"),
    "keys show": ("none.pub",),
}
ODD = (
    "", " ", "0", "-0", "-1", "1", "2.5", "nan", "NaN", "inf", "-inf", "1e308", "1e400", "-1e400",
    "5e-324", "9" * 400, "9" * 5000, "0x10", "1_000", "1/0", "0/0", "1/3", "30000/1001", "½", "²",
    "١٢", "٣,٤", "1,2", ",", "1,", "nan,inf", "-5,-5", "1e308,1e308", "0:00", "99:99:99", "-1:00",
    "0:41:37.2", "1±2", "1±nan", "1±-1", "±", "1e300±1e300", "a=b", "=", "=b", "a=", "a=nan",
    "0=0:00", "1=2", "2030-05-01T10:00:00Z", "9999-99-99", "0001-01-01", "x" * 20_000, "\x1b[31m",
    "a\nb", "\u202e", "\u2028", "\udc80", "--", "-", "*", "%s", "{}", "../..", "0x0", "1x1",
    "64x48", "99999999999x99999999999", "constant", "exponential:0", "exponential:nan", "drag:1",
    "drag:nan,nan", "table:none.csv", "table:", "table:.", "auto", "free", "3/2", "guarded",
)  # fmt: skip
VALUES = (
    st.sampled_from(ODD)
    | st.floats().map(repr)
    | st.integers().map(str)
    | st.fractions().map(str)
    | st.tuples(st.floats(), st.floats()).map(lambda pair: f"{pair[0]},{pair[1]}")
    | st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=30)
)


@dataclass(frozen=True)
class Typed:
    """One option of a command."""

    name: str
    values: int  # that it takes; 0 for a flag


def commands() -> Iterator[tuple[str, Any]]:
    """Every command with its name, those of groups too."""
    root = typer.main.get_command(app.app)
    context = root.make_context("vidspin", ["plan"], resilient_parsing=True)
    for name in app.COMMANDS:
        command: Any = root.get_command(context, name)  # type: ignore[attr-defined]
        if hasattr(command, "commands"):
            yield from ((f"{name} {inner}", one) for inner, one in command.commands.items())
        else:
            yield name, command


def options(command: Any) -> list[Typed]:
    return [
        Typed(one.opts[0], 0 if one.is_flag else one.nargs)
        for one in command.params
        if one.param_type_name == "option" and not LEFT_OUT & {*one.opts}
    ]


OPTIONS = {name: options(command) for name, command in commands()}


@pytest.fixture(scope="module", autouse=True)
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder with one result and a ledger, in which the commands are run."""
    folder = tmp_path_factory.mktemp("options")
    write_result(invented("resolved"), {}, folder / "gold.spin")
    with contextlib.chdir(folder), pytest.MonkeyPatch.context() as patch:
        patch.setenv("VIDSPIN_LEDGER", str(folder / "ledger.sqlite"))
        assert app.main(["ledger", "add", "gold.spin", "--quiet"]) == 0
        yield folder


def answered(arguments: list[str]) -> tuple[int, str, str]:
    """Run the program; give its exit code and what it said."""
    said = [io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2)]
    with contextlib.redirect_stdout(said[0]), contextlib.redirect_stderr(said[1]):
        code = app.main(arguments)
    out, err = (one.buffer.getvalue().decode("utf-8") for one in said)  # type: ignore[attr-defined]
    return int(code), out, err


def check(arguments: list[str]) -> None:
    """Hold the answer to what is promised."""
    code, out, err = answered(arguments)
    assert code in {int(one) for one in ExitCode} and "a bug in" not in err, err
    if code in REFUSED:
        assert out == ""
        assert err.startswith("vidspin: ") and err.endswith("\n") and err.count("\n") == 1
        assert err[:-1].isprintable() and len(err) <= LONGEST_LINE
    elif "--json" in arguments:
        for line in out.splitlines():
            json.loads(line, parse_constant=pytest.fail)


@st.composite
def typed(draw: st.DrawFn, name: str) -> list[str]:
    """A command line: some options of the command with odd values."""
    words: list[str] = []
    for option in draw(st.lists(st.sampled_from(OPTIONS[name]), min_size=1, max_size=3)):
        if option.values == 0:
            words.append(option.name)
        elif option.values == 1:
            words.append(f"{option.name}={draw(VALUES)}")
        else:
            words += [option.name, *(draw(VALUES) for _ in range(option.values))]
    return [*name.split(), *words, *ARGUMENTS[name]]


def test_every_command_is_tried_or_left_out_for_a_reason() -> None:
    # look serves until it is ended, doctor has no option with a value, keys new writes where told
    assert set(OPTIONS) == {*ARGUMENTS, "look", "doctor", "keys new"}
    assert sum(len(found) for found in OPTIONS.values()) > 100


@pytest.mark.parametrize("name", ARGUMENTS)
@given(data=st.data())
@settings(max_examples=8)
def test_odd_values_are_told_in_one_line(name: str, data: st.DataObject) -> None:
    check(data.draw(typed(name)))


WORST = ("nan", "-inf", "1e400", "1e999999999", "9" * 5000, "\udc80", "x" * 20_000, "-1", "")


@pytest.mark.parametrize("name", ARGUMENTS)
def test_every_option_meets_one_of_the_worst_values(name: str) -> None:
    """Which one turns with the options, so that each kind of option meets most of them."""
    for turn, option in enumerate(one for one in OPTIONS[name] if one.values):
        value = WORST[(turn + len(name)) % len(WORST)]
        words = [f"{option.name}={value}"]
        if option.values > 1:
            words = [option.name, *[value] * option.values]
        check([*name.split(), *words, *ARGUMENTS[name]])
