"""A process of its own for one run of the program, with limits on time and memory."""

from __future__ import annotations

import os
import resource
import signal
import sys
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import psutil

TIME_S = 20.0  # of the processor
WAIT_S = 300.0  # by the clock: other work may hold the processor
MEMORY_BYTES = 1 << 30
BACKSTOP_BYTES = 8 << 30  # of addresses: what is allocated at once, between two looks
LOOK_S = 0.02
_LOST = 99  # exit code of a child that did not get as far as an exit code


@dataclass(frozen=True, slots=True)
class Ended:
    """How a child ended, and what it said."""

    code: int  # negative: the signal that ended it
    killed: str  # why we ended it, or nothing
    stdout: str
    stderr: str
    seconds: float
    memory: int  # bytes of its own, the most that was seen

    @property
    def crash(self) -> str:
        """Name what no run may end with whatever it was given; nothing when it did not."""
        if self.killed:
            return self.killed
        if self.code < 0:
            return f"crash {signal.Signals(-self.code).name}"
        if "Traceback" in self.stderr or "a bug in" in self.stderr:
            return "bug"
        return ""


def run(call: Callable[[], int], heard: Path) -> Ended:
    """Call in a process of its own; `heard` is a folder for what it says."""
    out, err = heard / "stdout", heard / "stderr"
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        _call_and_leave(call, out, err)
    watched, most, killed, status, busy_s = psutil.Process(child), 0, "", 0, 0.0
    while True:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            break
        with suppress(psutil.Error):
            # Its own: whoever forked it may be large, and every page is shared at first.
            most = max(most, watched.memory_full_info().uss)
            busy_s = sum(watched.cpu_times()[:2])
        late = busy_s > TIME_S or time.monotonic() - began > WAIT_S
        if (late or most > MEMORY_BYTES) and not killed:
            killed = "hang" if late else "memory"
            os.kill(child, signal.SIGKILL)
        time.sleep(LOOK_S)
    told = [one.read_text("utf-8", "replace") if one.exists() else "" for one in (out, err)]
    code = os.waitstatus_to_exitcode(status)
    return Ended(code, killed, *told, time.monotonic() - began, most)


def _call_and_leave(call: Callable[[], int], out: Path, err: Path) -> None:
    """Be the child: never returns."""
    code = _LOST
    try:
        resource.setrlimit(resource.RLIMIT_AS, (BACKSTOP_BYTES, BACKSTOP_BYTES))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        for number, path in ((1, out), (2, err)):
            os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT), number)
        sys.stdout, sys.stderr = (
            os.fdopen(number, "w", encoding="utf-8", closefd=False) for number in (1, 2)
        )
        code = int(call())
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else _LOST
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def prepare(make: Callable[[], object]) -> None:
    """Make what runs need in a process of its own: one that has decoded must not fork."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            make()
            code = 0
        except Exception:
            traceback.print_exc()
        finally:
            os._exit(code)
    if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]):
        raise RuntimeError("what the runs need could not be made")
