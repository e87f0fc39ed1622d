"""``vidspin overnight``: every recording below a folder, one bad file stops nothing."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vidspin.cli.common import OutOption, OverwriteOption, QuietOption, parse_count, parse_number
from vidspin.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from vidspin.cli.batch import Batch, Runner, Wishes
    from vidspin.night.clips import Row
    from vidspin.night.processes import Standing

NOTIFY_S = 60  # longest time that the user's command may take
SHOW_S = 0.5


def overnight(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where the recordings are.", show_default=False)
    ],
    out: OutOption = None,
    jobs: Annotated[
        str | None,
        typer.Option(metavar="N", help="Recordings side by side [one a processor]."),
    ] = None,
    plan: Annotated[
        bool, typer.Option("--plan", help="Say what would be done and how long it takes, and end.")
    ] = False,
    overwrite: OverwriteOption = False,
    limit: Annotated[
        str | None,
        typer.Option(metavar="MIN", help="Longest time for one recording, minutes [12 estimates]."),
    ] = None,
    memory: Annotated[
        str, typer.Option(metavar="MIB", help="Most memory for one recording, MiB.")
    ] = "2048",
    notify: Annotated[
        str | None,
        typer.Option(metavar="CMD", help="Run this when done; the summary is its last argument."),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Let the workers of a dask scheduler do it, such as tcp://10.0.0.5:8786.",
        ),
    ] = None,
    seen_as: Annotated[
        str | None,
        typer.Option(
            metavar="PLACE",
            help="FOLDER as those workers see it: a path or a URL that fsspec reads [FOLDER].",
        ),
    ] = None,
    quiet: QuietOption = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one line of JSON for each recording.")
    ] = False,
) -> int:
    """Measure every recording below a folder, each in a process of its own.

    Files are known by their content; chapters that a camera split are joined where nothing is in
    doubt.  Run it again after an interrupt, a crash or a full disk: what is finished stays, the
    rest is done.  A file vidspin.toml in the folder, or beside a recording, holds options of
    vidspin measure, such as between = [0, 4000] or camera = "phone.toml" (a path from there); a
    table ["IMG_0001.mp4"] those of one file, such as reference = ["12.40=0:00:00.0", ...].

    Writes overnight.html, overnight.csv and overnight.log.jsonl.  Exit code 7 when a recording
    failed, each with its line; else 6 when a check of one failed, 5 when one is unresolved.  With
    --plan it is 7 when a recording cannot be read or a result is in its way, else 0.
    """
    from vidspin.cli.batch import Wishes

    if not folder.is_dir():
        raise UsageError("no such folder", where=str(folder), do="name the recordings' folder")
    wishes = Wishes(
        folder, out, _default_jobs() if jobs is None else parse_count(jobs, "--jobs"), overwrite,
        None if limit is None else 60 * parse_number(limit, "--limit", low=0.0, above=True),
        round(parse_number(memory, "--memory", low=64.0)) << 20,
        scheduler=scheduler, seen_as=seen_as,
    )  # fmt: skip
    if seen_as is not None and scheduler is None:
        raise UsageError("only a scheduler's workers need it", where="--seen-as", do="leave it out")
    words = notify_words(notify)
    code, summary = run_batch(wishes, only_plan=plan, quiet=quiet, as_json=as_json)
    if words and not plan:
        _notify(words, summary)
    return code


def _default_jobs() -> int:
    return os.cpu_count() or 1


def run_batch(
    wishes: Wishes, *, only_plan: bool = False, quiet: bool = False, as_json: bool = False
) -> tuple[ExitCode, str]:
    """Carry out a batch.

    Parameters
    ----------
    wishes : Wishes
    only_plan : bool
        End after the plan was told.
    quiet, as_json : bool

    Returns
    -------
    code : ExitCode
    summary : str
        One sentence.

    Raises
    ------
    UsageError
        Nothing is found, an option file is wrong, another batch is at work there, or a scheduler
        cannot do it.
    """
    from vidspin.cli.batch import Batch
    from vidspin.night.book import Lock
    from vidspin.night.page import headline

    with ExitStack() as stack:
        wishes, runner = _runner(wishes, stack)
        shown = Shown(wishes.jobs, shown=not quiet and _redrawn())
        stack.enter_context(Lock(wishes.tables))
        stack.enter_context(shown)
        batch = Batch(wishes, shown, lambda row: _say(row, quiet=quiet, as_json=as_json), runner)
        batch.make_plan()
        if not batch.plan.rows:
            raise UsageError(
                "no recording is there", where=str(wishes.folder), do="name the recordings' folder"
            )
        _tell_plan(batch, wishes, only_plan=only_plan, quiet=quiet, as_json=as_json)
        if only_plan:
            return batch.plan_code(), headline(batch.rows())
        batch.work()
    summary = headline(batch.rows())
    if batch.log.broken:
        typer.echo(
            f"vidspin: {wishes.tables}: log or tables are incomplete ({batch.log.broken}); "
            "free the disk and run overnight again", err=True,
        )  # fmt: skip
    if not quiet and not as_json:
        typer.echo(f"{summary}\n{wishes.tables / 'overnight.html'}")
    return batch.exit_code(), summary


def _redrawn() -> bool:
    """Whether lines that were printed can be written over: a dumb terminal shows the codes."""
    return sys.stderr.isatty() and os.environ.get("TERM") != "dumb"


def _runner(wishes: Wishes, stack: ExitStack) -> tuple[Wishes, Runner]:
    """Choose who does the tasks: processes of this machine, or workers of a scheduler."""
    from vidspin.night.processes import run

    if wishes.scheduler is None:
        return wishes, run
    from vidspin.night.cluster import Cluster

    cluster = stack.enter_context(Cluster(wishes.scheduler))
    return replace(wishes, jobs=cluster.threads), cluster.run


def _tell_plan(
    batch: Batch, wishes: Wishes, *, only_plan: bool, quiet: bool, as_json: bool
) -> None:
    """Tell what will be done; what needs no work is told as it will be in the end."""
    from vidspin.night.clips import State
    from vidspin.units import format_duration

    todo = {one.name: one for one in batch.plan.todo}
    for row in batch.rows():
        if row.state is not State.WAITING:
            _say(row, quiet=quiet, as_json=as_json)
        elif only_plan and as_json:
            typer.echo(json.dumps({**asdict(row), "estimate_s": todo[row.name].estimate_s}))
        elif only_plan and not quiet:
            about = format_duration(todo[row.name].estimate_s)
            typer.echo(f"to measure   {row.name} ({', '.join(row.files)}), about {about}")
    if quiet or as_json:
        return
    for note in batch.plan.notes:
        typer.echo(f"note: {note}")
    typer.echo(
        f"{len(todo)} of {len(batch.rows())} recordings to measure, {wishes.jobs} side by side, "
        f"about {format_duration(batch.wall_s())} by a short decode probe"
    )


def _say(row: Row, *, quiet: bool, as_json: bool) -> None:
    """Tell one recording: results on stdout, failures on stderr."""
    from vidspin.night.clips import State

    if as_json:
        typer.echo(json.dumps(asdict(row), ensure_ascii=False, allow_nan=False))
    if row.state in (State.FAILED, State.KEPT):
        typer.echo(f"vidspin: {row.line}", err=True)
    elif not quiet and not as_json:
        typer.echo(f"{row.state.value:<12} {row.name}: {row.told}")


def notify_words(command: str | None) -> list[str]:
    """Split the user's command as a shell would; it is run without one.

    Raises
    ------
    UsageError
        It is empty or its quotes do not match.
    """
    if command is None:
        return []
    try:
        words = shlex.split(command)
    except ValueError:
        words = []
    if not words:
        raise UsageError(
            "no command that can be run", where="--notify", do="give one such as notify-send"
        )
    return words


def _notify(words: Sequence[str], summary: str) -> None:
    """Run the user's command; that it fails changes no result."""
    try:
        code = subprocess.run([*words, summary], timeout=NOTIFY_S, check=False).returncode
        why = f"exit code {code}" if code else ""
    except (OSError, ValueError, subprocess.TimeoutExpired) as error:
        why = getattr(error, "strerror", None) or "it did not end in time"
    if why:
        typer.echo(f"vidspin: --notify: {words[0]} failed ({why}); the results are there", err=True)


class Shown:
    """Progress of a batch on a terminal: all of it with the time left, and what runs now."""

    def __init__(self, jobs: int, *, shown: bool) -> None:
        self._jobs, self._shown = jobs, shown
        self._bars: list[Any] = []
        self._at = 0.0

    def __enter__(self) -> Shown:
        """Start without a bar."""
        return self

    def __exit__(self, *_: object) -> None:
        """Remove the bars."""
        for bar in self._bars:
            bar.close()

    def __call__(
        self, standing: Standing, names: Sequence[str], estimates: Mapping[int, float]
    ) -> None:
        """Show how far the batch is."""
        now = time.monotonic()
        if not self._shown or (now - self._at < SHOW_S and (standing.running or standing.waiting)):
            return
        self._at = now
        for bar, line in zip(self._lines_of(), lines(standing, names, estimates, self._jobs)):  # noqa: B905 - a line for each bar
            bar.set_description_str(line)

    def _lines_of(self) -> list[Any]:
        from tqdm import tqdm

        while len(self._bars) <= self._jobs:
            self._bars.append(
                tqdm(
                    total=0, position=len(self._bars), bar_format="{desc}", leave=False,
                    file=sys.stderr, dynamic_ncols=True,
                )
            )  # fmt: skip
        return self._bars


def lines(
    standing: Standing, names: Sequence[str], estimates: Mapping[int, float], jobs: int
) -> list[str]:
    """Put the standing into words: a line for the whole, then one for each worker.

    Parameters
    ----------
    standing : Standing
    names : sequence of str
        Of the tasks, by number.
    estimates : mapping of int to float
        Seconds, by number.
    jobs : int

    Returns
    -------
    list of str
        ``1 + jobs`` lines; those of idle workers are empty.
    """
    from vidspin.night.schedule import left_s, pace_of, wall_s
    from vidspin.units import format_duration

    pace = pace_of([(estimates[n], ended.seconds) for n, ended in standing.ended.items()])
    left = [left_s(running, pace) for _, running, _ in standing.running]
    whole = wall_s([estimates[n] * pace for n in standing.waiting], jobs, left)
    told = [f"{len(standing.ended)} of {len(names)} done, {format_duration(whole)} left"]
    for (number, running, stage), rest in zip(standing.running, left, strict=True):
        share = f" {running.share:.0%}" if running.share else ""
        told.append(f"  {names[number]}: {stage}{share}, {format_duration(rest)} left")
    return told + [""] * (1 + jobs - len(told))
