"""What the commands on several attempts share: which results, which facts, where to write."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from vidspin.errors import ExitCode, UsageError
from vidspin.whole import write_all_whole

if TYPE_CHECKING:
    from vidspin.ledger import Entry
    from vidspin.workshop.attempt import Attempt

LEDGER_VARIABLE = "VIDSPIN_LEDGER"
DEFAULT_LEDGER = "vidspin-ledger.sqlite"
LONGEST_LINE = 1000  # letters of what is told about one result; paths are at most some hundreds
_T = TypeVar("_T")
_U = TypeVar("_U")

ResultsArgument = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="RESULT",
        help="Result folders, or folders with results in them.",
        show_default=False,
    ),
]
FromLedgerOption = Annotated[
    Path | None,
    typer.Option("--ledger", metavar="FILE", help="Take the attempts of this ledger."),
]
WhereOption = Annotated[
    list[str] | None,
    typer.Option("--where", metavar="KEY=VALUE", help="Only attempts with this fact; repeatable."),
]
ByOption = Annotated[
    str,
    typer.Option("--by", metavar="KEY", help="Fact that makes the groups; several with commas."),
]
FilesOption = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="Folder for tables and pictures.")
]
ReplaceOption = Annotated[
    bool, typer.Option("--overwrite", help="Replace files that are there already.")
]
SilentOption = Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")]
JsonTextOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")]
PowerOption = Annotated[
    str, typer.Option("--power", metavar="P", help="Power of the law: auto, 3/2, 9/5 or free.")
]


def group_keys(by: str, attempts: Sequence[Attempt]) -> str:
    """Bring the keys of ``--by`` to the form in which facts are kept.

    Raises
    ------
    UsageError
        When one is no key, or no attempt tells it: all would be in one group, "not told".
    """
    from vidspin.facts import fact_key

    if not by.strip():
        return ""
    keys = [fact_key(key, where="--by") for key in by.split(",")]
    told = sorted({key for attempt in attempts for key in attempt.facts})
    for key in keys:
        if key not in told:
            do = f"give one of {', '.join(told)}" if told else "tell the facts of the attempts"
            raise UsageError(f"no attempt tells {key!r}", where="--by", do=do)
    return ",".join(keys)


def readable(sources: Sequence[_T], read: Callable[[_T], _U]) -> tuple[list[_U], ExitCode]:
    """Read all results that can be read: one bad folder stops nothing.

    Parameters
    ----------
    sources : sequence
        Such as folders.
    read : callable
        Reads one.

    Returns
    -------
    read : list
        What could be read.
    code : ExitCode
        ``BATCH_FAILED`` where one could not; each of those is told in a line on stderr.

    Raises
    ------
    UsageError
        When there is none but such as cannot be read.
    """
    from vidspin.wording import plain

    good: list[_U] = []
    bad: list[UsageError] = []
    for source in sources:
        try:
            good.append(read(source))
        except UsageError as error:
            bad.append(error)
    if bad and not good:
        raise bad[0]
    for why in bad:
        typer.echo(f"vidspin: {plain(str(why), longest=LONGEST_LINE)}", err=True)
    return good, ExitCode.BATCH_FAILED if bad else ExitCode.DONE


def chosen_attempts(
    results: Sequence[Path] | None, ledger: Path | None, where: Sequence[str] | None
) -> tuple[list[Attempt], ExitCode]:
    """Read attempts with their speeds, from result folders or those that a ledger names.

    Returns
    -------
    attempts : list of Attempt
    code : ExitCode
        As `readable` gives it.

    Raises
    ------
    UsageError
        When neither or both are given, nothing is left, or no folder can be read.
    """
    from vidspin.facts import parse_facts
    from vidspin.store import find_results, read_attempt
    from vidspin.workshop.grouping import chosen

    facts = parse_facts(where or (), where="--where")
    _one_source(results, ledger)
    if ledger is not None:
        # the ledger may have been told facts that the result does not hold
        attempts, code = readable(entries_of(ledger, where), _with_ledger_facts)
    else:
        found, code = readable(find_results(results or ()), read_attempt)
        attempts = list(chosen(found, facts))
    return _some(attempts, "RESULT" if ledger is None else "--ledger"), code


def listed_attempts(
    results: Sequence[Path] | None, ledger: Path | None, where: Sequence[str] | None
) -> tuple[list[Attempt], ExitCode]:
    """Read attempts, from a ledger without their speeds: enough for their starts."""
    if ledger is None:
        return chosen_attempts(results, ledger, where)
    _one_source(results, ledger)
    attempts = [entry.attempt() for entry in entries_of(ledger, where)]
    return _some(attempts, "--ledger"), ExitCode.DONE


def _one_source(results: Sequence[Path] | None, ledger: Path | None) -> None:
    if bool(results) == (ledger is not None):
        raise UsageError(
            "the attempts must come from one place", where="RESULT", do="give results or --ledger"
        )


def _some(attempts: list[Attempt], source: str) -> list[Attempt]:
    from vidspin.workshop.attempt import refuse_twins

    if not attempts:
        raise UsageError("no attempt is left", where="--where", do="ask for fewer facts")
    refuse_twins(attempts, source)
    return attempts


def entries_of(ledger: Path, where: Sequence[str] | None) -> list[Entry]:
    """List a ledger's attempts that have these facts."""
    from vidspin.facts import parse_facts
    from vidspin.ledger import Choice, Ledger

    with Ledger(ledger) as book:
        return book.entries(Choice(where=parse_facts(where or (), where="--where")))


def _with_ledger_facts(entry: Entry) -> Attempt:
    from dataclasses import replace

    from vidspin.store import read_attempt

    read = read_attempt(Path(entry.folder))
    return replace(
        read, name=entry.name, facts=entry.facts, recorded=entry.recorded,
        recorded_from=entry.recorded_from,
    )  # fmt: skip


def between(pair: tuple[str, str] | None) -> tuple[float, float] | None:
    """Read the two speeds of ``--between``."""
    from vidspin.cli.common import parse_number

    if pair is None:
        return None
    low, high = (parse_number(text, "--between", low=0.0, above=True) for text in pair)
    if low >= high:
        raise UsageError(
            f"{low:g} to {high:g} rev/min holds no speed", where="--between", do="give LOW HIGH"
        )
    return low, high


def write_files(files: Mapping[str, str | bytes], folder: Path, *, overwrite: bool) -> list[str]:
    """Write files, all of them whole or none.

    Returns
    -------
    list of str
        Their names.

    Raises
    ------
    UsageError
        When one is there already and may not be replaced, or the folder cannot be written.
    """
    there = [name for name in files if os.path.lexists(folder / name)]
    if there and not overwrite:
        raise UsageError(
            f"{there[0]} is already there", where=str(folder), do="add --overwrite to replace it"
        )
    try:
        write_all_whole(
            {
                folder / name: content.encode() if isinstance(content, str) else content
                for name, content in files.items()
            }
        )
    except OSError as error:
        raise UsageError(
            f"the files cannot be written ({error.strerror or error})",
            where=str(folder),
            do="choose another place with --out",
        ) from error
    return list(files)


def tell(text: str, document: Any, *, quiet: bool, as_json: bool) -> None:
    """Print an analysis: JSON for programs, else words, or nothing."""
    if as_json:
        typer.echo(json.dumps(document, ensure_ascii=False, allow_nan=False))
    elif not quiet:
        typer.echo(text)


def tell_files(folder: Path, names: Sequence[str], *, quiet: bool) -> None:
    """Say on stderr what was written."""
    if not quiet:
        typer.echo(f"wrote {', '.join(names)} to {folder}", err=True)
