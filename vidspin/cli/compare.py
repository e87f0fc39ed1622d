"""``vidspin compare``: run-downs of several attempts at equal speed."""

from __future__ import annotations

from typing import Annotated

import typer

from vidspin.cli.attempts import (
    ByOption,
    FilesOption,
    FromLedgerOption,
    JsonTextOption,
    ReplaceOption,
    ResultsArgument,
    SilentOption,
    WhereOption,
    between,
    chosen_attempts,
    group_keys,
    tell,
    tell_files,
    write_files,
)


def compare(
    results: ResultsArgument = None,
    ledger: FromLedgerOption = None,
    where: WhereOption = None,
    by: ByOption = "",
    speeds: Annotated[
        tuple[str, str] | None,
        typer.Option(
            "--between", metavar="LOW HIGH", help="Common speeds, rev/min [widest that all pass]."
        ),
    ] = None,
    out: FilesOption = None,
    overwrite: ReplaceOption = False,
    quiet: SilentOption = False,
    as_json: JsonTextOption = False,
) -> int:
    """Compare run-downs at equal speed, so that the release speed does not enter.

    The time from one common speed down to another is told for each attempt and each group, the
    scatter from start to start apart from the uncertainty of the measurement.  The verdict is
    in words; three attempts a group are needed for one, and several groups are judged together.

    Example: vidspin compare results --by base --between 500 1500
    """
    from vidspin.workshop.compare import compare as analyse
    from vidspin.workshop.plain import columns_csv, jsonable
    from vidspin.workshop.telling import compare_text

    attempts, code = chosen_attempts(results, ledger, where)
    found = analyse(attempts, by=group_keys(by, attempts), between_rpm=between(speeds))
    document = jsonable(found, without=("passing_s", "curve_rpm"))
    tell(compare_text(found), document, quiet=quiet, as_json=as_json)
    if out is not None:
        from vidspin.figures.compare import compare_figure

        files: dict[str, str | bytes] = {
            "compare.csv": columns_csv(found.table()),
            **compare_figure(found),
        }
        tell_files(out, write_files(files, out, overwrite=overwrite), quiet=quiet or as_json)
    return code
