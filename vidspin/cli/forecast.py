"""``vidspin forecast``: spin time against release speed, and the end of a broken-off spin."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspin.cli.attempts import (
    FilesOption,
    FromLedgerOption,
    JsonTextOption,
    PowerOption,
    ReplaceOption,
    ResultsArgument,
    SilentOption,
    WhereOption,
    chosen_attempts,
    tell,
    tell_files,
    write_files,
)
from vidspin.cli.common import parse_instant, parse_number
from vidspin.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from vidspin.workshop.attempt import Attempt
    from vidspin.workshop.forecast import Forecast
    from vidspin.workshop.topple import ExpectedTopple


def forecast(
    results: ResultsArgument = None,
    ledger: FromLedgerOption = None,
    where: WhereOption = None,
    going_on: Annotated[
        Path | None,
        typer.Option(
            "--topple-of", metavar="RESULT", help="Tell when this broken-off spin will end."
        ),
    ] = None,
    until: Annotated[
        str | None,
        typer.Option(metavar="T", help="With --topple-of: forget what comes after this instant."),
    ] = None,
    topple: Annotated[
        tuple[str, str] | None,
        typer.Option(
            metavar="LOW HIGH",
            help="Speed at which it falls, rev/min, 95 % [as the results, else 100 500].",
        ),
    ] = None,
    target: Annotated[
        list[str] | None,
        typer.Option(metavar="TIME", help="Spin time to reach, s or h:mm:ss; repeatable."),
    ] = None,
    release: Annotated[
        list[str] | None,
        typer.Option(metavar="RPM", help="Release speed to forecast, rev/min; repeatable."),
    ] = None,
    power: PowerOption = "auto",
    out: FilesOption = None,
    overwrite: ReplaceOption = False,
    quiet: SilentOption = False,
    as_json: JsonTextOption = False,
) -> int:
    """Tell the spin time that a release speed will give, or the topple of a broken-off spin.

    From finished attempts of one top: spin time against release speed with an interval for the
    next start, and the release speed that a target needs.

    With --topple-of, for a recording that ends before the top falls: when it is expected to
    fall.  Three finished attempts or more tell at which speed this top falls; without them a
    wide range of speeds is assumed, and the answer says so.

    Example: vidspin forecast results --where tip=ruby --target 30:00
    """
    from vidspin.workshop.rundown import forms_of_power

    forms = forms_of_power(power)
    if going_on is None:
        if until is not None or topple is not None:
            raise UsageError(
                "they belong to --topple-of", where="--until, --topple", do="add --topple-of"
            )
        from vidspin.workshop.forecast import forecast as analyse

        attempts, code = chosen_attempts(results, ledger, where)
        found = analyse(attempts, forms=forms)
        asked = (target or (), release or ())
        _tell_curve(found, attempts, asked, Manner(out, overwrite, quiet, as_json))
        return code
    if target or release:
        raise UsageError(
            "they belong to the next start", where="--target, --release", do="leave --topple-of out"
        )
    from vidspin.workshop.topple import expected_topple

    repeats: list[Attempt] = []
    code = ExitCode.DONE
    if results or ledger:
        repeats, code = chosen_attempts(results, ledger, where)
    attempt = _broken_off(going_on, until)
    repeats = [a for a in repeats if not set(a.sha256) & set(attempt.sha256)]
    topples = None if topple is None else _speeds(topple)
    expected = expected_topple(attempt, repeats=repeats, topple_rpm=topples, forms=forms)
    _tell_topple(expected, attempt, Manner(out, overwrite, quiet, as_json))
    return code


class Manner:
    """Where to write and how to tell."""

    def __init__(self, out: Path | None, overwrite: bool, quiet: bool, as_json: bool) -> None:
        self.out, self.overwrite, self.quiet, self.as_json = out, overwrite, quiet, as_json


def _broken_off(path: Path, until: str | None) -> Attempt:
    from vidspin.store import read_attempt
    from vidspin.workshop.attempt import cut_at

    attempt = read_attempt(path)
    if until is not None:
        return cut_at(attempt, parse_instant(until, "--until"))
    if not attempt.broken_off:
        raise UsageError(
            "its topple is in the recording", where=str(path), do="give --until to look back"
        )
    return attempt


def _speeds(pair: tuple[str, str]) -> tuple[float, float]:
    low, high = (parse_number(text, "--topple", low=0.0, above=True) for text in pair)
    if low >= high:
        raise UsageError("it holds no speed", where="--topple", do="give LOW HIGH in rev/min")
    return low, high


def _tell_curve(
    found: Forecast,
    attempts: Sequence[Attempt],
    asked: tuple[Sequence[str], Sequence[str]],
    manner: Manner,
) -> None:
    from vidspin.workshop.plain import columns_csv, jsonable
    from vidspin.workshop.telling import forecast_text

    targets = [parse_instant(text, "--target") for text in asked[0]]
    releases = [parse_number(text, "--release", low=0.0, above=True) for text in asked[1]]
    document = jsonable(found) | {
        "targets": [
            {
                "spin_time_s": t,
                "release_rpm": jsonable(found.release_for(t)),
                "median_release_rpm_95": jsonable(found.median_release_between(t)),
            }
            for t in targets  # fmt: skip
        ],
        "releases": [{"release_rpm": r, "spin_time_s": jsonable(found.at(r))} for r in releases],
    }
    text = forecast_text(found, targets_s=targets, releases_rpm=releases)
    tell(text, document, quiet=manner.quiet, as_json=manner.as_json)
    if manner.out is not None:
        from vidspin.figures.forecast import forecast_figure

        pictures = forecast_figure(found, attempts, targets[0] if targets else None)
        files: dict[str, str | bytes] = {"forecast.csv": columns_csv(found.table()), **pictures}
        names = write_files(files, manner.out, overwrite=manner.overwrite)
        tell_files(manner.out, names, quiet=manner.quiet or manner.as_json)


def _tell_topple(found: ExpectedTopple, attempt: Attempt, manner: Manner) -> None:
    from vidspin.workshop.plain import jsonable
    from vidspin.workshop.telling import topple_text

    document = jsonable(found, without=("draws_s",))
    tell(topple_text(found), document, quiet=manner.quiet, as_json=manner.as_json)
    if manner.out is not None:
        from vidspin.figures.forecast import topple_figure

        files = topple_figure(found, attempt)
        names = write_files(files, manner.out, overwrite=manner.overwrite)
        tell_files(manner.out, names, quiet=manner.quiet or manner.as_json)
