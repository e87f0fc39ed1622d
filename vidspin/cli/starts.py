"""``vidspin starts``: release speeds in groups."""

from __future__ import annotations

from typing import Annotated

import typer

from vidspin import __version__
from vidspin.cli.attempts import (
    ByOption,
    FilesOption,
    FromLedgerOption,
    JsonTextOption,
    ReplaceOption,
    ResultsArgument,
    SilentOption,
    WhereOption,
    group_keys,
    listed_attempts,
    tell,
    tell_files,
    write_files,
)
from vidspin.cli.common import parse_number


def starts(
    results: ResultsArgument = None,
    ledger: FromLedgerOption = None,
    where: WhereOption = None,
    by: ByOption = "",
    bins: Annotated[
        str, typer.Option("--bins", metavar="RULE", help="Rule for the bins: fd, scott, sturges.")
    ] = "fd",
    width: Annotated[
        str | None,
        typer.Option("--width", metavar="RPM", help="Width of the bins, rev/min [by the rule]."),
    ] = None,
    out: FilesOption = None,
    overwrite: ReplaceOption = False,
    quiet: SilentOption = False,
    as_json: JsonTextOption = False,
) -> int:
    """Sort release speeds into a histogram, by group, and compare the groups.

    Medians come with intervals of exact level, two groups with difference, ratio and a permutation
    test of equal means.  Attempts whose alias order is unresolved, or whose release is not seen in
    the recording, are listed apart and counted nowhere.

    With --out the table, the picture and a page for the browser are written.

    Example: vidspin starts results --by tip --out starts
    """
    from vidspin.workshop.plain import columns_csv, jsonable
    from vidspin.workshop.starts import starts as analyse
    from vidspin.workshop.telling import starts_text

    width_rpm = None if width is None else parse_number(width, "--width", low=0.0, above=True)
    attempts, code = listed_attempts(results, ledger, where)
    found = analyse(attempts, by=group_keys(by, attempts), rule=bins, width_rpm=width_rpm)
    tell(starts_text(found), jsonable(found), quiet=quiet, as_json=as_json)
    if out is not None:
        from vidspin.figures.starts import starts_figure
        from vidspin.figures.starts_page import starts_page

        pictures = starts_figure(found)
        page = starts_page(found, pictures["starts.svg"], version=__version__)
        files: dict[str, str | bytes] = {
            "starts.csv": columns_csv(found.table()),
            **pictures,
            "starts.html": page,
        }
        tell_files(out, write_files(files, out, overwrite=overwrite), quiet=quiet or as_json)
    return code
