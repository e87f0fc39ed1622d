"""Worker processes: one recording each, within limits, so that a bad one costs only itself.

A worker is a fresh process that gets one line of JSON on its standard input and answers with
lines of JSON on its standard output: ``{"progress": [stage, done, total]}``, at last
``{"answer": {...}}`` or ``{"error": {"code": ..., "line": ...}}``.  Its standard input stays open
as long as this process lives; a worker ends when it is closed (see `end_with_parent`).
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import IO, Any

import psutil

from vidspin.night.schedule import Ending, Limits, Running, order, tried_again
from vidspin.threads import ONE_EACH

LOOK_S = 0.1  # how often workers are looked after
MEMORY_LOOK_S = 0.5
LONGEST_LINE = 1 << 20
KEPT_LINES = 20  # of what a worker says on its standard error
ENVIRONMENT = {
    **ONE_EACH,
    # The GNU allocator otherwise learns to keep freed pictures of 4K: 150 MiB of them.
    "MALLOC_MMAP_THRESHOLD_": str(1 << 20),
}


@dataclass(frozen=True, slots=True)
class Task:
    """What one worker is to do."""

    name: str
    request: Mapping[str, Any]
    estimate_s: float
    limits: Limits


@dataclass(frozen=True, slots=True)
class Ended:
    """How a task ended."""

    ending: Ending
    code: int  # exit code of the program that it stands for
    line: str  # why, empty when done
    answer: Mapping[str, Any]
    seconds: float
    tries: int
    heard: tuple[str, ...] = ()  # last lines on its standard error


@dataclass(frozen=True, slots=True)
class Standing:
    """How far the tasks are."""

    waiting: tuple[int, ...]  # numbers of tasks
    running: tuple[tuple[int, Running, str], ...]  # number, state, stage in words
    ended: Mapping[int, Ended]


class Worker:
    """One process at one task."""

    def __init__(self, task: Task, command: Sequence[str]) -> None:
        self.task = task
        self.began = self.heard_at = time.monotonic()
        self.stage, self.share = "starting", 0.0
        self._answer: Mapping[str, Any] | None = None
        self._error: Mapping[str, Any] | None = None
        self._killed: Ending | None = None
        self._said: deque[str] = deque(maxlen=KEPT_LINES)
        self._memory_at = 0.0
        self._process = subprocess.Popen(
            list(command), stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env={**os.environ, **ENVIRONMENT}, start_new_session=True,
        )  # fmt: skip
        readers = ((self._process.stdout, self._take), (self._process.stderr, self._keep))
        self._threads = [
            threading.Thread(target=_each_line, args=(stream, take), daemon=True)
            for stream, take in readers
        ]
        for thread in self._threads:
            thread.start()
        with suppress(OSError):  # it may have died already, which is found out below
            assert self._process.stdin is not None
            self._process.stdin.write(json.dumps(dict(task.request)).encode() + b"\n")
            self._process.stdin.flush()

    @property
    def running(self) -> Running:
        """How far it is."""
        return Running(self.task.estimate_s, time.monotonic() - self.began, self.share)

    def _keep(self, line: bytes) -> None:
        self._said.append(line.decode("utf-8", "replace").rstrip()[:200])

    def _take(self, line: bytes) -> None:
        try:
            message = json.loads(line)
            if "progress" in message:
                stage, done, total = message["progress"]
                self.stage, self.share = str(stage), min(1.0, done / total) if total else 0.0
                self.heard_at = time.monotonic()
            self._answer = message.get("answer", self._answer)
            self._error = message.get("error", self._error)
        except (ValueError, TypeError, AttributeError):
            self._keep(line)

    def look(self) -> bool:
        """Hold it to its limits; True when it has ended."""
        if self._process.poll() is not None:
            return True
        now, limits = time.monotonic(), self.task.limits
        if now - self.began > limits.time_s:
            self.kill(Ending.LATE)
        elif now - self.heard_at > limits.silence_s:
            self.kill(Ending.HUNG)
        elif now - self._memory_at > MEMORY_LOOK_S:
            self._memory_at = now
            with suppress(psutil.Error):
                if psutil.Process(self._process.pid).memory_info().rss > limits.memory_bytes:
                    self.kill(Ending.MEMORY)
        return False

    def kill(self, why: Ending) -> None:
        """End it at once."""
        self._killed = why
        with suppress(OSError):
            self._process.kill()

    def end(self, tries: int) -> Ended:
        """Tell how it ended, after it has."""
        code = self._process.wait()
        for thread in self._threads:
            thread.join(2.0)
        for stream in (self._process.stdin, self._process.stdout, self._process.stderr):
            with suppress(OSError):
                if stream is not None:
                    stream.close()
        seconds = time.monotonic() - self.began
        said = tuple(self._said)
        if self._killed is None and code == 0 and self._answer is not None:
            done = int(self._answer.get("code", 0))
            return Ended(Ending.DONE, done, "", self._answer, seconds, tries, said)
        if self._killed is None and code == 0 and self._error is not None:
            line = " ".join(str(self._error.get("line", "")).split())
            return Ended(
                Ending.TOLD, int(self._error.get("code", 1)), line, {}, seconds, tries, said
            )
        ending = self._killed or Ending.CRASHED
        return Ended(ending, 7, _why(ending, code, self.task, tries), {}, seconds, tries, said)


def _each_line(stream: IO[bytes], take: Callable[[bytes], None]) -> None:
    with suppress(OSError, ValueError):
        while line := stream.readline(LONGEST_LINE):
            take(line)


def _why(ending: Ending, code: int, task: Task, tries: int) -> str:
    limits = task.limits
    how = {
        Ending.CRASHED: f"its worker crashed ({_signal(code)})",
        Ending.HUNG: f"its worker told nothing for {limits.silence_s:.0f} s and was ended",
        Ending.LATE: f"it took longer than {limits.time_s:.0f} s and was ended",
        Ending.MEMORY: f"it needed more than {limits.memory_bytes >> 20} MiB and was ended",
    }[ending]
    do = {
        Ending.LATE: "allow more with --limit",
        Ending.MEMORY: "allow more with --memory, or measure it by itself",
    }.get(ending, "copy the file from the camera again, or measure it by itself")
    return f"{task.name}: {how}{', twice' if tries > 1 else ''}; {do}"


def _signal(code: int) -> str:
    with suppress(ValueError):
        if code < 0:
            return signal.Signals(-code).name
    return f"exit code {code}"


def run(
    tasks: Sequence[Task],
    command: Sequence[str],
    *,
    jobs: int,
    ended: Callable[[int, Ended, bool], None],
    tell: Callable[[Standing], None],
) -> dict[int, Ended]:
    """Do all tasks, so many side by side, longest first; a dead worker gets a second try.

    Parameters
    ----------
    tasks : sequence of Task
    command : sequence of str
        Starts a worker.
    jobs : int
        Workers side by side.
    ended : callable
        Told number, ending, and whether this is the last try, as soon as a worker ends.
    tell : callable
        Told the standing ten times a second.

    Returns
    -------
    dict of int to Ended
        By number.  On an interrupt all workers are ended and the interrupt goes on.
    """
    waiting = deque(order([task.estimate_s for task in tasks]))
    tries = dict.fromkeys(range(len(tasks)), 0)
    at_work: dict[int, Worker] = {}
    done: dict[int, Ended] = {}
    try:
        while waiting or at_work:
            while waiting and len(at_work) < jobs:
                number = waiting.popleft()
                tries[number] += 1
                at_work[number] = Worker(tasks[number], command)
            for number, worker in list(at_work.items()):
                if worker.look():
                    del at_work[number]
                    how = worker.end(tries[number])
                    again = tried_again(how.ending, tries[number])
                    ended(number, how, not again)
                    if again:  # after the others: what disturbed it may be over then
                        waiting.append(number)
                    else:
                        done[number] = how
            states = tuple((n, w.running, w.stage) for n, w in at_work.items())
            tell(Standing(tuple(waiting), states, done))
            time.sleep(LOOK_S)
    finally:
        for worker in at_work.values():
            worker.kill(Ending.CRASHED)
        for worker in at_work.values():
            worker.end(1)
    return done


# ---------------------------------------------------------------- on the worker's side


def request_of_parent() -> tuple[dict[str, Any], Callable[[dict[str, Any]], None]]:
    """Read the task, and keep standard output for the answers alone.

    Returns
    -------
    request : dict
    say : callable
        Sends one message to the parent.
    """
    answers = os.fdopen(os.dup(1), "wb", buffering=0)
    os.dup2(2, 1)  # whatever prints does not disturb the answers
    request: dict[str, Any] = json.loads(sys.stdin.buffer.readline())
    end_with_parent()

    def say(message: dict[str, Any]) -> None:
        answers.write(json.dumps(message, allow_nan=False).encode() + b"\n")

    return request, say


def end_with_parent() -> None:
    """Let this process end at once when its parent is gone, however that ended."""

    def watch() -> None:
        with suppress(OSError, ValueError):
            while os.read(0, 4096):
                pass
        os._exit(130)

    threading.Thread(target=watch, daemon=True).start()
