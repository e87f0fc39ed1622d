"""``vidspin ledger``: the attempts so far, in one file."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspin.cli.attempts import (
    DEFAULT_LEDGER,
    LEDGER_VARIABLE,
    JsonTextOption,
    SilentOption,
    WhereOption,
    readable,
    tell,
    tell_files,
    write_files,
)
from vidspin.cli.common import FactOption, parse_count
from vidspin.errors import UsageError
from vidspin.wording import at_least, plural

if TYPE_CHECKING:
    from vidspin.ledger import Choice, Entry, Wear

_MOST_NAMED = 5  # attempts without a date, in one line

app = typer.Typer(
    add_completion=False, rich_markup_mode=None, help="Keep the attempts so far in one file."
)

LedgerOption = Annotated[
    Path,
    typer.Option("--ledger", metavar="FILE", envvar=LEDGER_VARIABLE, help="The ledger's file."),
]
SinceOption = Annotated[
    str, typer.Option("--since", metavar="DAY", help="Recorded on this day (UTC) or later.")
]
UntilOption = Annotated[
    str, typer.Option("--until", metavar="DAY", help="Recorded on this day (UTC) or before.")
]
SortOption = Annotated[
    str,
    typer.Option("--sort", metavar="ORDER", help="Order: date, best, worst, fastest or slowest."),
]
MostOption = Annotated[
    str | None, typer.Option("--most", metavar="N", help="At most so many attempts [all].")
]


@app.callback()
def ledger() -> None:
    """Keep the attempts so far in one file that several programs may write at once."""


@app.command(short_help="Put attempts into the ledger, which is made where there is none.")
def add(
    results: Annotated[
        list[Path],
        typer.Argument(metavar="RESULT", help="Result folders, or folders with results in them."),
    ],
    book: LedgerOption = Path(DEFAULT_LEDGER),
    fact: FactOption = None,
    quiet: SilentOption = False,
    as_json: JsonTextOption = False,
) -> int:
    """Put attempts into the ledger, which is made where it is not there.

    A recording that is in it already is brought up to date.  Facts stated here are added to
    those of each result and stay until others are stated; the results themselves stay as they
    are.  A date must be of the form 2024-05-01, with a time of day or without.

    Example: vidspin ledger add results --fact base=glass
    """
    from vidspin.facts import parse_facts
    from vidspin.ledger import Choice, Ledger, entry_of
    from vidspin.store import find_results, read_attempt
    from vidspin.workshop.attempt import with_facts

    stated, added = parse_facts(fact or ()), _now()

    def drawn_up(path: Path) -> Entry:
        return entry_of(with_facts(read_attempt(path), stated), path.resolve(), added=added)

    entries, code = readable(find_results(results), drawn_up)
    with Ledger(book, create=True) as opened:
        open_ones = any(not entry.resolved for entry in entries)
        before = opened.entries(Choice()) if open_ones else []
        new, renewed = opened.add(entries, stated)
    for entry in _lost(entries, before):
        typer.echo(
            f"vidspin: {entry.name}: it had a speed in the ledger and is unresolved now; "
            "add the other result once more to have it back", err=True,
        )  # fmt: skip
    tell(
        f"{new} new, {renewed} brought up to date in {book}",
        {"ledger": str(book), "new": new, "renewed": renewed}, quiet=quiet, as_json=as_json,
    )  # fmt: skip
    return code


@app.command("list", short_help="List attempts by date, spin time or release speed.")
def list_attempts(
    book: LedgerOption = Path(DEFAULT_LEDGER),
    where: WhereOption = None,
    since: SinceOption = "",
    until: UntilOption = "",
    sort: SortOption = "date",
    most: MostOption = None,
    quiet: SilentOption = False,
    as_json: JsonTextOption = False,
) -> None:
    """List attempts: by date, best or worst spin time, fastest or slowest start.

    Example: vidspin ledger list --where top=wren --sort best --most 10
    """
    from vidspin.ledger import entries_json

    entries = _entries(book, _choice(where, (since, until), sort, most))
    nothing = f"no attempt in {book} is listed: none is there, or none that was asked for"
    words = _listing(entries) if entries else nothing
    if as_json:
        typer.echo(entries_json(entries))
    elif not quiet:
        typer.echo(words)


@app.command(short_help="Write attempts with all their facts as a table.")
def export(
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="FILE", help="File to write: .csv or .json.", show_default=False
        ),
    ],
    book: LedgerOption = Path(DEFAULT_LEDGER),
    where: WhereOption = None,
    since: SinceOption = "",
    until: UntilOption = "",
    sort: SortOption = "date",
    most: MostOption = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace a file that is there already.")
    ] = False,
    quiet: SilentOption = False,
    as_json: JsonTextOption = False,
) -> None:
    """Write attempts with all their facts as a table for other programs.

    Example: vidspin ledger export --out attempts.csv
    """
    from vidspin.ledger import entries_csv, entries_json

    writers = {".csv": entries_csv, ".json": entries_json}
    writer = writers.get(out.suffix.lower())
    if writer is None:
        raise UsageError("its ending is not known", where=str(out), do="use .csv or .json")
    entries = _entries(book, _choice(where, (since, until), sort, most))
    names = write_files({out.name: writer(entries)}, out.parent, overwrite=overwrite)
    if as_json:
        typer.echo(json.dumps({"file": str(out), "attempts": len(entries)}))
    else:
        tell_files(out.parent, names, quiet=quiet)


@app.command(short_help="Note that a tip or base was reground, or is new.")
def reground(
    part: Annotated[str, typer.Argument(metavar="PART", help="What was reground: tip or base.")],
    name: Annotated[str, typer.Argument(metavar="NAME", help="Which one, as in the facts.")],
    on: Annotated[
        str, typer.Option("--on", metavar="DAY", help="Day or instant, such as 2024-05-01 [now].")
    ] = "",
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="What was done.")] = "",
    book: LedgerOption = Path(DEFAULT_LEDGER),
    quiet: SilentOption = False,
    as_json: JsonTextOption = False,
) -> None:
    """Note that a tip or base was reground, or is new: its wear counts from then on.

    Example: vidspin ledger reground tip ruby --on 2024-05-01
    """
    from vidspin.facts import printable
    from vidspin.ledger import Ledger

    with Ledger(book, create=True) as opened:
        when = opened.regrind(part, name, at=on or _now(), added=_now(), note=note)
        used = opened.used(part)
    tell(
        f"{part} {printable(name)} counts as new from {_spaced(when)} on, in {book}",
        {"part": part, "name": name, "at": when, "note": note}, quiet=quiet, as_json=as_json,
    )  # fmt: skip
    if printable(name) not in used:
        known = f"it holds {', '.join(used)}" if used else f"none tells its {part}"
        typer.echo(
            f"vidspin: no attempt in the ledger has the {part} {printable(name)} ({known}); where "
            f"its name is misspelt, note it again as it stands in the facts",
            err=True,
        )


@app.command(short_help="Tell how far each tip and base is worn.")
def wear(
    book: LedgerOption = Path(DEFAULT_LEDGER),
    quiet: SilentOption = False,
    as_json: JsonTextOption = False,
) -> None:
    """Tell revolutions and hours of every tip and base since it was last reground.

    Example: vidspin ledger wear
    """
    from vidspin.ledger import Ledger

    with Ledger(book) as opened:
        worn = opened.wear()
    tell(_wear_table(worn), [asdict(w) for w in worn], quiet=quiet, as_json=as_json)


# ------------------------------------------------------------------------------- inside


def _lost(entries: list[Entry], before: list[Entry]) -> list[Entry]:
    """List unresolved attempts in whose place a resolved one was."""
    had = {digest for one in before if one.resolved for digest in one.identity.split("+")}
    return [one for one in entries if not one.resolved and had & {*one.identity.split("+")}]


def _now() -> str:
    from vidspin.units import rfc3339

    return rfc3339(datetime.now(UTC).replace(microsecond=0))


def _choice(where: list[str] | None, days: tuple[str, str], sort: str, most: str | None) -> Choice:
    from vidspin.facts import parse_facts
    from vidspin.ledger import Choice

    return Choice(
        where=parse_facts(where or (), where="--where"),
        since=days[0],
        until=days[1],
        sort=sort,
        most=None if most is None else parse_count(most, "--most"),
    )


def _entries(book: Path, choice: Choice) -> list[Entry]:
    from vidspin.ledger import Ledger

    with Ledger(book) as opened:
        found, undated = opened.entries(choice), opened.undated(choice)
    if undated:
        names = ", ".join(entry.name for entry in undated[:_MOST_NAMED])
        more = len(undated) - _MOST_NAMED
        names += f" and {more} more" if more > 0 else ""
        typer.echo(
            f"vidspin: {plural(len(undated), 'attempt')} without a date left out: {names}; "
            "give each its own with `vidspin ledger add RESULT --fact date=2024-05-01`",
            err=True,
        )
    return found


def _listing(entries: list[Entry]) -> str:
    """Lay entries out in columns as wide as their longest cell."""
    heads = ["recorded, UTC", "name", "release rev/min", "spin time s", "revolutions", "facts"]
    return _columns(heads, [_cells(entry) for entry in entries], right={2, 3, 4})


def _cells(entry: Entry) -> list[str]:
    from vidspin.facts import fact_text, printable

    release, turned = entry.release_rpm, entry.revolutions
    when = _spaced(entry.recorded)
    spin = "" if entry.spin_time_s is None else f"{entry.spin_time_s:.2f}"
    if not spin and entry.at_least_s is not None:
        spin = at_least(entry.at_least_s, "").rstrip()
    facts = ", ".join(f"{k}={fact_text(v)}" for k, v in sorted(entry.facts.items()) if k != "notes")
    unresolved = "" if entry.resolved else "unresolved"
    return [
        when if entry.dated or not when else f"(measured {when})",
        entry.name,
        unresolved if release is None else f"{release:.1f}",
        spin,
        "" if turned is None else f"{turned:.0f}",
        printable(facts, most=100),
    ]


def _spaced(when: str) -> str:
    """Write an instant, or a day, as people read it."""
    return when.replace("T", " ").removesuffix("Z")


def _wear_table(worn: list[Wear]) -> str:
    heads = ["part", "name", "since", "attempts", "hours", "revolutions"]
    rows = []
    for w in worn:
        more = f" and those of {w.uncounted} not known" if w.uncounted else ""
        turned = f"{w.revolutions:.0f}{more}"
        rows.append([w.part, w.name, w.since or "ever", f"{w.attempts}", f"{w.hours:.2f}", turned])
    return "\n".join([_columns(heads, rows, right={3, 4}), *_wear_notes(worn)])


def _wear_notes(worn: list[Wear]) -> list[str]:
    """Say what the sums lack."""
    notes = []
    for w in worn:
        if w.untimed:
            count = plural(w.untimed, "attempt")
            notes.append(
                f"{w.part} {w.name}: hours hold only what was seen of {count} whose spin time is "
                "not known"
            )
        if w.undated:
            count = plural(w.undated, "attempt")
            notes.append(
                f"{w.part} {w.name}: {count} without a date not counted, perhaps from before "
                f"{w.since}"
            )
    return notes


def _columns(heads: list[str], rows: list[list[str]], *, right: set[int]) -> str:
    table = [heads, *rows]
    widths = [max(len(row[k]) for row in table) for k in range(len(heads))]
    lines = []
    for row in table:
        cells = [
            cell.rjust(width) if k in right else cell.ljust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)
