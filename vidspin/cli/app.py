"""The ``vidspin`` command: which commands there are, and how errors are told.

Commands are looked up in a table and loaded when they are called, so that help appears at
once and one broken installation of a video library does not take the others with it.
"""

from __future__ import annotations

import errno
import importlib
import os
import sys
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from vidspin.cli.streams import steady
from vidspin.errors import ExitCode, UsageError, VidspinError
from vidspin.threads import ONE_EACH

PROGRAM = "vidspin"
_DEBUG_FLAG = "--debug"
LONGEST_LINE = 950  # letters of an error: long names have room, a novel gets its ends back
# Options whose value may be without letters: texts that say nothing then.
MAY_BE_EMPTY = ("--by", "--since", "--until", "--note", "--name", "--reason")
# An error that nobody foresaw: none of the documented codes, and not 0.
_BUG = 1
# What the system answers when the disk, its permissions or a name is at fault, wherever that
# comes up; every command tells more of it where it writes.
_OF_THE_DISK = frozenset(
    getattr(errno, name)
    for name in (
        "EACCES", "EDQUOT", "EFBIG", "EIO", "EMFILE", "ENAMETOOLONG", "ENOSPC", "EPERM", "EROFS",
    )
    if hasattr(errno, name)
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class LazyCommand:
    """Where a command's function is, and the sentence that lists it."""

    module: str
    function: str
    sentence: str


COMMANDS: dict[str, LazyCommand] = {
    "measure": LazyCommand(
        "vidspin.cli.measure", "measure", "Measure the speed of a top from phone recordings."
    ),
    "claim": LazyCommand(
        "vidspin.cli.claim", "claim", "Give the verdict on a claimed spin time or release speed."
    ),
    "overnight": LazyCommand(
        "vidspin.cli.overnight",
        "overnight",
        "Measure every recording below a folder, each in a process of its own.",
    ),
    "look": LazyCommand(
        "vidspin.cli.look",
        "look",
        "Step through the frames of a result, confirm or overrule release and topple.",
    ),
    "simulate": LazyCommand(
        "vidspin.cli.simulate",
        "simulate",
        "Write a synthetic clip of a spinning top, with its exact truth beside it.",
    ),
    "plan": LazyCommand(
        "vidspin.cli.plan", "plan", "Say what a recording will be worth, before filming."
    ),
    "rehearse": LazyCommand(
        "vidspin.cli.rehearse", "rehearse", "Judge a short test clip before the attempt."
    ),
    "starts": LazyCommand(
        "vidspin.cli.starts",
        "starts",
        "Sort release speeds into a histogram, by group, and compare the groups.",
    ),
    "rundown": LazyCommand(
        "vidspin.cli.rundown",
        "rundown",
        "Fit the law by which a top slows: dω/dt = -(a + b·ω + c·ω^p).",
    ),
    "compare": LazyCommand(
        "vidspin.cli.compare",
        "compare",
        "Compare run-downs at equal speed, so that the release speed does not enter.",
    ),
    "forecast": LazyCommand(
        "vidspin.cli.forecast",
        "forecast",
        "Tell the spin time that a release speed will give, or the topple of a broken-off spin.",
    ),
    "ledger": LazyCommand("vidspin.cli.ledger", "app", "Keep the attempts so far in one file."),
    "challenge": LazyCommand(
        "vidspin.cli.challenge",
        "challenge",
        "Make a card with a random challenge, to be shown to the camera first.",
    ),
    "dossier": LazyCommand(
        "vidspin.cli.dossier", "dossier", "Make the evidence folder of a result."
    ),
    "keys": LazyCommand(
        "vidspin.cli.keys", "app", "Make keys to sign dossiers with, and tell their fingerprints."
    ),
    "countersign": LazyCommand(
        "vidspin.cli.countersign",
        "countersign",
        "Sign a dossier as operator or witness, or have its time attested.",
    ),
    "verify": LazyCommand(
        "vidspin.cli.verify",
        "verify",
        "Check every hash, signature, time stamp and figure of a dossier.",
    ),
    "camera": LazyCommand(
        "vidspin.cli.camera", "app", "Learn a camera from its recordings, for the next one."
    ),
    "doctor": LazyCommand(
        "vidspin.cli.doctor", "doctor", "Tell versions, codecs, free disk and decode speed."
    ),
}


class LazyGroup(TyperGroup):
    """Commands by name from `COMMANDS`; a module is imported when its command is called."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Load one command, None when there is none of that name."""
        entry = COMMANDS.get(cmd_name)
        if entry is None:
            return None
        function = getattr(importlib.import_module(entry.module), entry.function)
        if isinstance(function, typer.Typer):  # a command with commands of its own
            return typer.main.get_command(function)
        single = typer.Typer(add_completion=False, rich_markup_mode=None)
        single.command(name=cmd_name)(function)
        return typer.main.get_command(single)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """List the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.sentence) for name, entry in COMMANDS.items()])


app = typer.Typer(cls=LazyGroup, rich_markup_mode=None)


def _show_version(wanted: bool) -> None:  # noqa: FBT001 - typer hands the value over so
    if wanted:
        from vidspin.built import built_version  # not before: it reads all sources

        typer.echo(f"{PROGRAM} {built_version()}")
        raise typer.Exit


@app.callback()
def root(
    version: Annotated[
        bool,
        typer.Option(
            "--version", help="Print version and build.", callback=_show_version, is_eager=True
        ),
    ] = False,
    debug: Annotated[
        bool, typer.Option(_DEBUG_FLAG, help="Show where an error came from (any command).")
    ] = False,
) -> None:
    """Measure a spinning top's speed from phone footage.

    Exit codes: 0 done; 2 usage; 3 recording cannot be read; 4 no top or no mark found;
    5 alias order unresolved (the result is written, with candidates); 6 a check failed;
    7 some recordings of a batch failed; 130 interrupted.
    """


def main(argv: Sequence[str] | None = None) -> int:
    """Run the program.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; those of the process by default.

    Returns
    -------
    int
        The exit code, see `vidspin.errors.ExitCode`.
    """
    arguments, debug = _without_debug(sys.argv[1:] if argv is None else argv)
    for name, count in ONE_EACH.items():
        os.environ.setdefault(name, count)
    _survive_odd_terminals()
    with steady() as out:
        code = _main(arguments, debug=debug)
        out.flush()
        if not out.why:
            return code
        line = f"stdout: not all could be printed ({out.why}); what was written to files is there"
        return _tell(line, code or ExitCode.USAGE, debug=False)


def _main(arguments: list[str], *, debug: bool) -> int:
    """Run a command and tell what ended it."""
    if not arguments:
        _run(["--help"], debug=debug)
        return ExitCode.USAGE
    try:
        _refuse_empty_names(arguments)
        code = _run(arguments, debug=debug)
    except VidspinError as error:
        return _tell(str(error), error.exit_code, debug=debug)
    except typer.TyperException as error:  # what was typed does not parse
        return _tell(_usage_line(error, arguments), ExitCode.USAGE, debug=debug)
    except (KeyboardInterrupt, typer.Abort):
        return _tell("interrupted; finished results are kept", ExitCode.INTERRUPTED, debug=debug)
    except OSError as error:
        # a name that no disk takes, a full disk; what commands expect they tell themselves
        if error.filename is None and error.errno not in _OF_THE_DISK:
            return _bug(error, debug=debug)
        return _tell(_disk_line(error), ExitCode.USAGE, debug=debug)
    except Exception as error:
        return _bug(error, debug=debug)
    if code == ExitCode.INTERRUPTED:  # the command line library caught the key already
        return _tell("interrupted; finished results are kept", code, debug=False)
    return code


def _bug(error: Exception, *, debug: bool) -> int:
    """Tell of an error that nobody foresaw."""
    where = traceback.extract_tb(error.__traceback__)[-1]
    what = f"{type(error).__name__}: {error}".splitlines()[0]
    line = f"a bug in {PROGRAM} ({what}, {where.name}); please report it with {_DEBUG_FLAG}"
    return _tell(line, _BUG, debug=debug)


def _run(arguments: Sequence[str], *, debug: bool) -> int:
    command = typer.main.get_command(app)
    code = command.main(list(arguments), prog_name=PROGRAM, standalone_mode=False, obj=debug)
    return int(code or ExitCode.DONE)


def _refuse_empty_names(arguments: Sequence[str]) -> None:
    """Refuse a name without letters, as an unset variable of a script gives it.

    It would stand for the folder of work: all recordings in it would be measured.  What stands
    before it is told as its place: whether that takes a value only its command knows.
    """
    for before, one in zip(["", *arguments], arguments, strict=False):
        if one or before in MAY_BE_EMPTY:
            continue
        place = f"the argument after {before}" if before else "the first argument"
        raise UsageError("it is empty", where=place, do="give a name; a dot is this folder")


def _without_debug(argv: Sequence[str]) -> tuple[list[str], bool]:
    """Take the debug flag out, wherever it stands before a lone ``--``."""
    end = list(argv).index("--") if "--" in argv else len(argv)
    kept = [argument for argument in argv[:end] if argument != _DEBUG_FLAG]
    return [*kept, *argv[end:]], len(kept) < end


def _survive_odd_terminals() -> None:
    """Let a terminal that lacks a letter show a substitute instead of ending the program."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


def _usage_line(error: typer.TyperException, arguments: Sequence[str]) -> str:
    message = " ".join(error.format_message().split()).rstrip(".")
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else _command_path(arguments)
    return f"{message[:1].lower()}{message[1:]}; see {path} --help"


def _command_path(arguments: Sequence[str]) -> str:
    """Name the command that was typed; an option that lacks a value is told without it."""
    command: Any = typer.main.get_command(app)
    path = [PROGRAM]
    for one in arguments:
        find = getattr(command, "get_command", None)  # of one that has commands of its own
        command = None if find is None else find(None, one)
        if command is None:
            break
        path.append(one)
    return " ".join(path)


def _disk_line(error: OSError) -> str:
    """Say which file the system refused, and why."""
    name = error.filename
    where = "a file" if name is None or isinstance(name, int) else os.fsdecode(name)
    return (
        f"{where}: it cannot be read or written ({error.strerror}); "
        "free the disk, or look to permissions and name"
    )


def _tell(line: str, code: int, *, debug: bool) -> int:
    """Tell an error in one line on stderr; where it came from only when asked."""
    from vidspin.wording import plain  # not before: it takes numpy along

    if debug:
        traceback.print_exc(file=sys.stderr)
    # names of files hold whatever letters they like, also such as a terminal would obey; of a novel
    # that somebody typed the beginning and the end come back
    line = " ".join(line.splitlines())
    if len(line) > LONGEST_LINE:
        line = f"{line[: LONGEST_LINE // 2]} … {line[-LONGEST_LINE // 2 :]}"
    typer.echo(f"{PROGRAM}: {plain(line, longest=LONGEST_LINE + 3)}", err=True)
    return code
