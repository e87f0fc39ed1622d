"""How a batch is planned and carried out; `overnight` has its options and its words."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from vidspin import __version__
from vidspin.cli.batch_options import Options, Told
from vidspin.cli.night_worker import packed
from vidspin.errors import ExitCode, UsageError
from vidspin.night import book, page, schedule
from vidspin.night.clips import Clip, Row, State, clip_from, job_key, key_of, row_of
from vidspin.night.finding import Found, find
from vidspin.night.grouping import Group, group, result_names
from vidspin.night.processes import Ended, Standing, Task, run
from vidspin.night.schedule import Ending, estimate_s, limits_for, wall_s
from vidspin.whole import tidy_file

WORKER = (sys.executable, "-m", "vidspin.cli.night_worker")
LOOK_BYTES_S = 50e6  # bytes a second that are hashed, at the least, for the order of the looks
PAGE, TABLE = "overnight.html", "overnight.csv"

Tell = Callable[[Standing, Sequence[str], Mapping[int, float]], None]
Runner = Callable[..., Mapping[int, Ended]]  # `vidspin.night.processes.run`, or one like it


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the user states of a batch."""

    folder: Path
    out: Path | None
    jobs: int
    overwrite: bool = False
    limit_s: float | None = None
    memory_bytes: int = schedule.MEMORY_BYTES
    command: tuple[str, ...] = WORKER
    scheduler: str | None = None  # of dask.distributed
    seen_as: str | None = None  # the folder, as the scheduler's workers see it

    @property
    def tables(self) -> Path:
        """Where log and tables go."""
        return self.folder if self.out is None else self.out


@dataclass(frozen=True, slots=True)
class Recording:
    """One recording of the plan."""

    name: str  # below the folder, with /
    clips: tuple[Clip, ...]
    told: Told
    folder: Path  # of the result
    key: str
    estimate_s: float

    @property
    def files(self) -> tuple[str, ...]:
        """Its chapters, below the folder."""
        return tuple(clip.place for clip in self.clips)


@dataclass(slots=True)
class Plan:
    """What is to be done, and what is told already."""

    todo: list[Recording] = field(default_factory=list)
    rows: dict[str, Row] = field(default_factory=dict)  # by name
    notes: list[str] = field(default_factory=list)


class Batch:
    """One run over a folder; use it inside of `vidspin.night.book.Lock`.

    Parameters
    ----------
    wishes : Wishes
    tell : callable
        Told the standing, the names of the tasks and their estimates, ten times a second.
    said : callable
        Told a row when a recording is finished.
    runner : callable
        Does the tasks: here, or on other machines.
    """

    def __init__(
        self, wishes: Wishes, tell: Tell, said: Callable[[Row], None], runner: Runner = run
    ) -> None:
        self._wishes = wishes
        self._runner = runner
        self._tell = tell
        self._said = said
        self._options = Options(wishes.folder)
        self.log = book.Log(wishes.tables / book.LOG, _now)
        self.plan = Plan()

    # ---------------------------------------------------------------------- planning

    def make_plan(self) -> Plan:
        """Find and look at the files, group them, and see what is done already."""
        wishes = self._wishes
        found = find(wishes.folder, leave_out=wishes.out)
        for one in found:
            self._options.told(one.path)  # mistakes in option files are told before the work
        stated = self._options.chapters([one.place for one in found])
        self.log.write("began", version=__version__, files=len(found), jobs=wishes.jobs)
        clips = self._look_at(found)
        clips, stated = self._whole(clips, stated)
        grouping = group(clips, stated)
        self.plan.notes += grouping.notes
        names = result_names(grouping.groups, [one.place for one in found])
        # two in one place would cost one of them its result
        assert len({name.casefold() for name in names}) == len(names)
        keys: dict[str, str] = {}
        named = {one.place for one in found if one.named}
        # of equal contents the one that is named as a video is measured
        for files, name in sorted(
            zip(grouping.groups, names, strict=True),
            key=lambda pair: (pair[0].clips[0].place not in named, pair[1]),
        ):
            self._place(self._recording(files, name), keys)
        self.plan.todo.sort(key=lambda recording: (-recording.estimate_s, recording.name))
        return self.plan

    def _look_at(self, found: Sequence[Found]) -> list[Clip]:
        """Look at every file in a worker of its own, unless it was looked at before."""
        known = {one.place: self.log.look_of(one) for one in found}
        new = [one for one in found if known[one.place] is None]
        tasks = [
            Task(
                one.place,
                {"task": "look", "path": wishes_path(self._wishes, one.place), "name": one.place},
                schedule.START_S + one.bytes / LOOK_BYTES_S,
                limits_for(
                    one.bytes / LOOK_BYTES_S,
                    time_s=self._wishes.limit_s,
                    memory_bytes=self._wishes.memory_bytes,
                ),
            )
            for one in new
        ]

        def ended(number: int, how: Ended, last: bool) -> None:
            self._log_ended("look", new[number].place, how)
            if how.ending is Ending.DONE:
                try:
                    clip = clip_from(new[number].place, how.answer)
                except (KeyError, TypeError, ValueError):
                    return
                known[clip.place] = clip
                self.log.looked(new[number], clip)
            elif last:
                self._unreadable(new[number], book.one_line(how.line))

        self._run(tasks, ended)
        return [clip for one in found if (clip := known[one.place]) is not None]

    def _unreadable(self, found: Found, line: str) -> None:
        if found.named:
            row = Row(found.place, (found.place,), State.FAILED, line)
            self.plan.rows[found.place] = row
        else:  # the container also holds other things than recordings
            self.plan.notes.append(f"{found.place} was left out: {line}")

    def _whole(
        self, clips: list[Clip], stated: list[list[str]]
    ) -> tuple[list[Clip], list[list[str]]]:
        """Leave out stated recordings of which a chapter cannot be read: half is none."""
        readable = {clip.place for clip in clips}
        whole = []
        for places in stated:
            missing = [place for place in places if place not in readable]
            if not missing:
                whole.append(places)
                continue
            gone = [self.plan.rows.pop(place, None) for place in missing]
            # a row's line is where, what, what to do; here something else is to be done
            what = (
                gone[0].line.removeprefix(f"{missing[0]}: ").partition("; ")[0] if gone[0] else ""
            )
            why = f" ({what})" if what else ""
            line = (
                f"{missing[0]}: this chapter cannot be read{why}; mend it, or take it out of "
                "`chapters` in vidspin.toml to measure the others"
            )
            name = places[0]
            self.plan.rows[name] = Row(name, tuple(places), State.FAILED, line)
            clips = [clip for clip in clips if clip.place not in places]
        return clips, whole

    def _recording(self, one: Group, name: str) -> Recording:
        from vidspin.store.document import settings_json

        wishes = self._wishes
        told = self._options.told((wishes.folder / one.clips[0].place).absolute())
        base = wishes.folder if wishes.out is None else wishes.out
        settings = settings_json(told.settings)
        sums = [clip.sha256 for clip in one.clips]
        rates = [clip.decode_rate for clip in one.clips if clip.decode_rate > 0]
        return Recording(
            name, one.clips, told, base / f"{name}.spin",
            job_key(sums, settings, told.facts, __version__),
            estimate_s(sum(clip.frames for clip in one.clips), min(rates, default=0.0)),
        )  # fmt: skip

    def _place(self, recording: Recording, keys: dict[str, str]) -> None:
        """See whether a recording is done already, and what is in its place."""
        from vidspin.store.folder import check_target

        rows, name, files = self.plan.rows, recording.name, recording.files
        if recording.key in keys:
            line = f"{files[0]}: the same content as {keys[recording.key]}; it is measured once"
            rows[name] = Row(name, files, State.SAME, line)
            return
        keys[recording.key] = name
        book.tidy(recording.folder)
        row = self._finished(recording)
        if row is not None:
            book.forget_checkpoints(recording.folder)  # a kill may have come between
            rows[name] = row
            return
        try:
            check_target(recording.folder, overwrite=self._wishes.overwrite)
        except UsageError as error:
            what = f"{error.what}, of other options, facts, content or version"
            line = f"{files[0]}: {what}; {error.do}"
            rows[name] = Row(name, files, State.KEPT, book.one_line(line), self._from(recording))
            return
        rows[name] = Row(name, files, State.WAITING)
        self.plan.todo.append(recording)

    def _finished(self, recording: Recording) -> Row | None:
        document = book.read_document(recording.folder)
        if document is None or key_of(document) != recording.key:
            return None
        try:
            return row_of(recording.name, recording.files, self._from(recording), document)
        except (KeyError, TypeError, AttributeError):
            return None

    def _from(self, recording: Recording) -> str:
        """Path of a result folder from the tables."""
        return Path(os.path.relpath(recording.folder, self._wishes.tables)).as_posix()

    # ------------------------------------------------------------------------ working

    def wall_s(self) -> float:
        """Estimate of the time until all is done."""
        return wall_s([one.estimate_s for one in self.plan.todo], self._wishes.jobs)

    def work(self) -> list[Row]:
        """Measure what is to be done; tables are kept up to date all the while."""
        from vidspin.store.document import settings_json

        wishes, todo = self._wishes, self.plan.todo
        tasks = [
            Task(
                one.files[0],
                {
                    "task": "measure",
                    "paths": [wishes_path(wishes, place) for place in one.files],
                    "name": one.name.rpartition("/")[2],
                    "folder": str(one.folder.absolute()),
                    "settings": packed(one.told.settings),
                    "stated": settings_json(one.told.settings),
                    "facts": one.told.facts,
                    "checkpoints": str(book.checkpoints_of(one.folder.absolute())),
                    "key": one.key,
                },
                one.estimate_s,
                limits_for(one.estimate_s, time_s=wishes.limit_s, memory_bytes=wishes.memory_bytes),
            )
            for one in todo
        ]

        def ended(number: int, how: Ended, last: bool) -> None:
            recording = todo[number]
            self._log_ended("measure", recording.name, how, key=recording.key)
            if last:
                self._settle(recording, how)

        for name in (PAGE, TABLE):
            tidy_file(self._wishes.tables / name)
        try:
            self.write_tables()
            self._run(tasks, ended)
        finally:
            for recording in todo:
                book.tidy(recording.folder)
                self._found_finished(recording)
            self.write_tables()
        return self.rows()

    def _found_finished(self, recording: Recording) -> None:
        """Take up a result that was whole just before an interrupt."""
        row = self.plan.rows[recording.name]
        if row.state is State.WAITING and (found := self._finished(recording)) is not None:
            book.forget_checkpoints(recording.folder)
            self.plan.rows[recording.name] = found

    def _settle(self, recording: Recording, how: Ended) -> None:
        how = _taken(recording, how)
        row = self._finished(recording)
        if row is not None or how.ending is Ending.TOLD:  # nothing to go on with
            book.forget_checkpoints(recording.folder)
        if row is None:
            line = book.one_line(how.line) or (
                f"{recording.files[0]}: the file changed while it was measured; run overnight again"
            )
            row = Row(recording.name, recording.files, State.FAILED, line)
            book.tidy(recording.folder)
        self.plan.rows[recording.name] = row
        self._said(row)
        self.write_tables()

    def _run(self, tasks: Sequence[Task], ended: Callable[[int, Ended, bool], None]) -> None:
        names = [task.name for task in tasks]
        estimates = {number: task.estimate_s for number, task in enumerate(tasks)}
        self._runner(
            tasks, self._wishes.command, jobs=self._wishes.jobs, ended=ended,
            tell=lambda standing: self._tell(standing, names, estimates),
        )  # fmt: skip

    def _log_ended(self, task: str, name: str, how: Ended, **more: Any) -> None:
        heard = [book.one_line(line) for line in how.heard] if how.ending != Ending.DONE else []
        self.log.write(
            "ended", task=task, name=name, ending=how.ending.value, code=how.code,
            line=book.one_line(how.line), seconds=round(how.seconds, 2), tries=how.tries,
            heard=heard, **more,
        )  # fmt: skip

    # ------------------------------------------------------------------------- telling

    def rows(self) -> list[Row]:
        """All recordings by their first file."""
        return sorted(self.plan.rows.values(), key=lambda row: (row.files[0], row.name))

    def write_tables(self) -> None:
        """Write page and table as the batch stands; a full disk stops nothing."""
        rows = [replace(row, files=row.files if len(row.files) > 1 else ()) for row in self.rows()]
        text = page.page(rows, self.plan.notes, version=__version__)
        for name, content in ((PAGE, text), (TABLE, page.table_csv(self.rows()))):
            why = book.write_file(self._wishes.tables / name, content.encode("utf-8", "replace"))
            self.log.broken = why or self.log.broken

    def exit_code(self) -> ExitCode:
        """Tell the highest code of the recordings, as `measure` does."""
        return max((_code_of(row) for row in self.plan.rows.values()), default=ExitCode.DONE)

    def plan_code(self) -> ExitCode:
        """Tell a plan's code: whether all that is not done yet can be."""
        lost = any(row.state in (State.FAILED, State.KEPT) for row in self.plan.rows.values())
        return ExitCode.BATCH_FAILED if lost else ExitCode.DONE


def _code_of(row: Row) -> ExitCode:
    """Tell one recording's: without a speed first, then with a failed check."""
    if row.state in (State.FAILED, State.KEPT, State.WAITING):
        return ExitCode.BATCH_FAILED
    if row.state is State.UNRESOLVED:
        return ExitCode.UNRESOLVED
    return ExitCode.CHECK_FAILED if row.failed_checks else ExitCode.DONE


def _taken(recording: Recording, how: Ended) -> Ended:
    """Write what came back from another machine, if any; tell when it cannot be written."""
    from vidspin.store.folder import write_contents

    if "files" not in how.answer:
        return how
    try:
        write_contents(how.answer["files"], recording.folder)
    except UsageError as error:
        return replace(how, ending=Ending.TOLD, line=str(error), answer={})
    return how


def wishes_path(wishes: Wishes, place: str) -> str:
    """Path or URL of a file of the batch, as its workers see it."""
    if wishes.seen_as is not None:
        return f"{wishes.seen_as.rstrip('/')}/{place}"
    return str((wishes.folder / place).absolute())


def _now() -> str:
    from vidspin.units import rfc3339

    return rfc3339(datetime.now(UTC).replace(microsecond=0))
