"""How are the same tasks done by workers of an existing scheduler (dask.distributed)?

Each task is carried out on its machine as `processes` does it here: in a fresh process within
limits.  What it wrote comes back through the scheduler, so that the machines need to read the
recordings but not to write where the results go.
"""

from __future__ import annotations

import gc
import logging
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from vidspin.built import built_version
from vidspin.errors import UsageError
from vidspin.night.processes import LOOK_S, Ended, Standing, Task, Worker
from vidspin.night.schedule import Ending, Running, order, tried_again

CONNECT_S = 10.0
NO_WORKERS_S = 600.0  # so long a batch waits for workers when all have gone
COUNT_S = 5.0  # how often they are counted
TELL_S = 1.0  # a worker tells how far it is no more often
KEPT = "vidspin-checkpoints"  # below a machine's temporary folder

Done = Callable[[int, Ended, bool], None]


class Cluster:
    """Workers of one scheduler; use it in a ``with`` statement.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    UsageError
        On entering: the extra is not installed, nobody answers, no worker is there, or one has
        another version or build of the program.

    Attributes
    ----------
    threads : int
        Tasks that run side by side.
    """

    def __init__(self, address: str) -> None:
        self._address = address
        self._client: Any = None
        self._stages: dict[int, tuple[str, float, float]] = {}  # stage, share, seconds so far
        self._counted = self._manned = 0.0  # when workers were counted, when some were there
        self.threads = 0

    def __enter__(self) -> Cluster:
        """Connect, and see whether the workers can do it."""
        try:
            from distributed import Client
        except ImportError as error:
            raise self._cannot(
                "dask.distributed is not installed", "pip install 'vidspin[cluster]'"
            ) from error
        for name in ("distributed.client", "distributed.core"):  # told in lines of our own
            logging.getLogger(name).setLevel(logging.CRITICAL)
        # A client that could not connect says farewell when it is collected, under a lock that the
        # next one holds while it starts: collected there, both would wait for ever.
        gc.collect()
        try:
            connect: Any = Client  # its types are not told
            self._client = connect(
                self._address, timeout=CONNECT_S, set_as_default=False, name="vidspin"
            )
        except (OSError, ValueError, TimeoutError) as error:
            raise self._cannot(
                "no scheduler answers there",
                "start one (dask scheduler) or leave the option out to measure on this machine",
            ) from error
        try:
            self._look()
        except BaseException:
            self._client.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        """Disconnect; what still runs for this client ends."""
        with suppress(Exception):  # a scheduler that is gone needs no farewell
            self._client.close(timeout=CONNECT_S)

    def _cannot(self, what: str, do: str) -> UsageError:
        return UsageError(what, where=f"--scheduler {self._address}", do=do)

    def _look(self) -> None:
        self.threads = sum(self._client.nthreads().values())
        if not self.threads:
            raise self._cannot("the scheduler has no workers", "start some (dask worker)")
        told = self._client.run(_version, on_error="return")
        for worker, version in sorted(told.items()):
            if version != built_version():
                has = f"vidspin {version}"
                if isinstance(version, Exception):
                    has = "no vidspin that can do it"
                raise self._cannot(
                    f"its worker {worker} has {has}", f"install vidspin {built_version()} there"
                )

    def run(
        self,
        tasks: Sequence[Task],
        command: Sequence[str],
        *,
        jobs: int,
        ended: Done,
        tell: Callable[[Standing], None],
    ) -> dict[int, Ended]:
        """Do all tasks, as `processes.run` does; the scheduler says how many at a time.

        Parameters
        ----------
        tasks, command, jobs, ended, tell
            As there; the first word of `command` is replaced by each machine's own interpreter.

        Returns
        -------
        dict of int to Ended
            By number; `answer` holds under ``files`` what a task wrote.
        """
        del jobs
        topic = f"vidspin-{os.urandom(8).hex()}"
        self._stages = {}
        self._counted = self._manned = time.monotonic()
        self._client.subscribe_topic(topic, self._hear)
        waiting = {}
        for place, number in enumerate(order([task.estimate_s for task in tasks])):
            future = self._submit(tasks[number], command, (topic, number, 1), -place)
            waiting[number] = (future, 1)
        done: dict[int, Ended] = {}
        try:
            while waiting:
                for number, (future, tries) in list(waiting.items()):
                    if not future.done():
                        continue
                    how = _how(future, tasks[number], tries)
                    self._stages.pop(number, None)
                    again = tried_again(how.ending, tries)
                    ended(number, how, not again)
                    if again:
                        once_more = (topic, number, tries + 1)
                        future = self._submit(tasks[number], command, once_more, -len(tasks))
                        waiting[number] = (future, tries + 1)
                    else:
                        del waiting[number]
                        done[number] = replace(how, answer={})  # the files are written by now
                if waiting and self._deserted():
                    self._client.cancel([future for future, _ in waiting.values()], force=True)
                tell(self._standing(tasks, waiting, done))
                time.sleep(LOOK_S)
        finally:
            with suppress(Exception):  # the scheduler may be gone
                self._client.cancel([future for future, _ in waiting.values()], force=True)
                self._client.unsubscribe_topic(topic)
        return done

    def _deserted(self) -> bool:
        """Whether no worker has been there for long."""
        now = time.monotonic()
        if now - self._counted < COUNT_S:
            return False
        self._counted = now
        with suppress(Exception):  # a scheduler that is gone shows in the tasks
            if self._client.nthreads():
                self._manned = now
            return now - self._manned > NO_WORKERS_S
        return False

    def _submit(
        self, task: Task, command: Sequence[str], place: tuple[str, int, int], priority: int
    ) -> Any:
        return self._client.submit(
            carry_out, task, tuple(command[1:]), place, pure=False, retries=0, priority=priority,
            key=f"{place[0]}-{place[1]}-{place[2]}",
        )  # fmt: skip

    def _hear(self, event: tuple[float, Any]) -> None:
        number, stage, share, seconds = event[1]
        self._stages[int(number)] = (str(stage), float(share), float(seconds))

    def _standing(
        self, tasks: Sequence[Task], waiting: Mapping[int, Any], done: Mapping[int, Ended]
    ) -> Standing:
        heard = dict(self._stages)
        running = tuple(
            (n, Running(tasks[n].estimate_s, heard[n][2], heard[n][1]), heard[n][0])
            for n in waiting
            if n in heard
        )
        return Standing(tuple(n for n in waiting if n not in heard), running, done)


def _version() -> str:
    from vidspin.built import built_version as there

    return there()


def _how(future: Any, task: Task, tries: int) -> Ended:
    """Tell how a task ended, also when its machine went away."""
    error = future.exception() if future.status == "error" else None
    if future.status == "finished":
        how: Ended = future.result()
        return how
    what = f"the worker's machine did not finish it ({type(error).__name__})"
    if error is None:
        what = "the scheduler or all of its workers went away before it was finished"
    twice = ", twice" if tries > 1 else ""
    line = f"{task.name}: {what}{twice}; look at the scheduler's log and run overnight again"
    return Ended(Ending.CRASHED, 7, line, {}, 0.0, tries)


# ------------------------------------------------------------------ on a worker's machine


def carry_out(task: Task, words: Sequence[str], place: tuple[str, int, int]) -> Ended:
    """Do one task in a process of its own, within its limits, and bring back what it wrote.

    Parameters
    ----------
    task : Task
    words : sequence of str
        What follows the interpreter.
    place : (str, int, int)
        Topic for progress, number of the task, number of the try.
    """
    from distributed import get_worker

    machine: Any = get_worker()
    key, told = machine.get_current_task(), 0.0
    topic, number, tries = place
    with tempfile.TemporaryDirectory(prefix="vidspin-") as own:
        try:
            request = at_home(task.request, Path(own))
        except Exception as error:  # each kind of storage raises its own
            what = " ".join(f"{type(error).__name__}: {error}".split())[:160]
            line = (
                f"{task.name}: its worker cannot read it ({what}); "
                "correct --seen-as, or let the workers reach it"
            )
            return Ended(Ending.TOLD, 3, line, {}, 0.0, tries)
        process = Worker(replace(task, request=request), (sys.executable, *words))
        try:
            while not process.look():
                if not _wanted(machine, key):
                    process.kill(Ending.CRASHED)
                if time.monotonic() - told > TELL_S:
                    told = time.monotonic()
                    now = process.running
                    machine.log_event(topic, (number, process.stage, now.share, now.elapsed_s))
                time.sleep(LOOK_S)
        except BaseException:
            process.kill(Ending.CRASHED)
            raise
        return _brought_back(process.end(tries), request)


def _brought_back(how: Ended, request: Mapping[str, Any]) -> Ended:
    """Add what was written; forget the checkpoints when there is nothing to go on with."""
    if how.ending in (Ending.DONE, Ending.TOLD) and "checkpoints" in request:
        shutil.rmtree(request["checkpoints"], ignore_errors=True)
    if how.ending is not Ending.DONE or "folder" not in request:
        return how
    return replace(how, answer={**how.answer, "files": _files(Path(request["folder"]))})


def _wanted(machine: Any, key: str) -> bool:
    """Whether the client still waits for the task: it may have been killed."""
    task = machine.state.tasks.get(key)
    return task is not None and task.state == "executing"


def at_home(request: Mapping[str, Any], own: Path) -> dict[str, Any]:
    """Turn a request's paths into those of this machine; fetch what has a URL.

    Parameters
    ----------
    request : mapping
        Of a task.
    own : Path
        An empty folder.
    """
    here = dict(request)
    if "path" in here:
        here["path"] = _fetched(here["path"], own / "in")
    if "paths" in here:
        here["paths"] = [
            _fetched(path, own / "in" / str(k)) for k, path in enumerate(here["paths"])
        ]
    if "folder" in here:
        (own / "out").mkdir()
        here["folder"] = str(own / "out" / Path(here["folder"]).name)
    if "checkpoints" in here:
        here["checkpoints"] = str(Path(tempfile.gettempdir()) / KEPT / here["key"])
    return here


def _fetched(place: str, to: Path) -> str:
    if "://" not in place:
        return place
    from fsspec.core import url_to_fs

    system, path = url_to_fs(place)
    to.mkdir(parents=True)
    target = to / place.rpartition("/")[2]
    system.get_file(path, str(target))
    return str(target)


def _files(folder: Path) -> dict[str, bytes]:
    return {one.name: one.read_bytes() for one in sorted(folder.iterdir()) if one.is_file()}
