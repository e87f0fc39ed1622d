"""Damaged containers of every kind that is read: no crash, hang, traceback or heap of memory.

    python tests/fuzz.py [--count 200] [--seed 0] [--kinds mp4,mkv-hevc,...] [--keep DIR]

A small simulated clip of each kind (`fuzz_seeds.py`) is damaged so many times (bits flipped, cut
off, runs zeroed or doubled, boxes swapped, sizes made absurd) and measured as `vidspin measure`
does it, each in a process of its own with limits on time and memory.  Of a recording of two
chapters one file is damaged, or both.  Prints how the runs of each kind ended, and every run that
ended as none may; the exit code is 1 when there was one.
"""

from __future__ import annotations

import argparse
import os
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import fuzz_seeds
import numpy as np
import psutil
from damage import damaged

KINDS = tuple(fuzz_seeds.KINDS)
TIME_S = 20.0  # of the processor
WAIT_S = 60.0  # by the clock: other work may hold the processor
MEMORY_BYTES = 1 << 30
BACKSTOP_BYTES = 8 << 30  # of addresses: what is allocated at once, between two looks
WITH_RESULT, WITHOUT_RESULT = (0, 5, 6), (3, 4)
WHOLE = tuple(f"exit {code}" for code in WITH_RESULT)
LOOK_S = 0.02
LOADED = (  # once, not in each child
    "matplotlib.backends.backend_agg", "matplotlib.backends.backend_svg", "matplotlib.figure",
    "PIL.ImageDraw", "vidspin.cli.app", "vidspin.cli.measure", "vidspin.figures.stills",
    "vidspin.footage.frames", "vidspin.measure", "vidspin.report", "vidspin.store.spool",
    "vidspin.summary",
)  # fmt: skip

# ------------------------------------------------------------------------------ runs


@dataclass(frozen=True, slots=True)
class Run:
    """How one run ended."""

    kind: str
    number: int
    damage: str
    outcome: str  # exit code, or what happened
    said: str  # on standard error
    seconds: float
    memory: int  # bytes, the most that was seen

    @property
    def bad(self) -> bool:
        """No run may end so."""
        return not self.outcome.startswith("exit")


def measured(clips: tuple[Path, ...], folder: Path) -> tuple[str, str, float, int]:
    """Measure a recording in a process of its own: outcome, what it said, seconds, most memory."""
    heard, began = folder / "stderr", time.monotonic()
    child = os.fork()
    if child == 0:
        _measure_and_leave(clips, folder / "out", heard)
    watched, most, outcome, status, busy_s = psutil.Process(child), 0, "", 0, 0.0
    while True:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            break
        with suppress(psutil.Error):
            most = max(most, watched.memory_info().rss)
            busy_s = sum(watched.cpu_times()[:2])
        late = busy_s > TIME_S or time.monotonic() - began > WAIT_S
        if (late or most > MEMORY_BYTES) and not outcome:
            outcome = "hang" if late else "memory"
            os.kill(child, signal.SIGKILL)
        time.sleep(LOOK_S)
    said = heard.read_text("utf-8", "replace") if heard.exists() else ""
    code = os.waitstatus_to_exitcode(status)
    outcome = outcome or _judged(code, said, folder / "out")
    return outcome, said, time.monotonic() - began, most


def _measure_and_leave(clips: tuple[Path, ...], out: Path, heard: Path) -> None:
    """Be the child: never returns."""
    code = 99
    try:
        resource.setrlimit(resource.RLIMIT_AS, (BACKSTOP_BYTES, BACKSTOP_BYTES))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        target = os.open(heard, os.O_WRONLY | os.O_CREAT)
        os.dup2(target, 1)
        os.dup2(target, 2)
        from vidspin.cli.app import main

        joined = ["--chapters"] if len(clips) > 1 else []
        code = int(main(["measure", *map(str, clips), *joined, "--out", str(out), "--quiet"]))
    finally:
        sys.stderr.flush()
        os._exit(code)


def _judged(code: int, said: str, out: Path) -> str:
    """Put into words how a run ended that ended by itself."""
    left = sorted(p.name for p in out.iterdir()) if out.exists() else []
    folders = [name for name in left if name.endswith(".spin")]
    odd = [name for name in left if name not in folders and not name.endswith(".survey.png")]
    lines = said.splitlines()
    if code < 0:
        return f"crash {signal.Signals(-code).name}"
    if "Traceback" in said or "a bug in" in said:
        return "bug"
    if code not in WITH_RESULT + WITHOUT_RESULT:
        return f"code {code}"
    if odd or bool(folders) != (code in WITH_RESULT):
        return f"half written: {' '.join(left)}"
    if code in WITHOUT_RESULT and (len(lines) != 1 or not lines[0].startswith("vidspin: ")):
        return "not one line"
    if code in WITH_RESULT and lines:
        return "said more than asked"
    return f"exit {code}"


def fuzz(kinds: tuple[str, ...], count: int, seed: int, keep: Path | None = None) -> Iterator[Run]:
    """Yield how each damaged file ended."""
    for name in LOADED:
        import_module(name)
    with tempfile.TemporaryDirectory() as place:
        wholes = _seeds_of_a_child(kinds, Path(place))
        for kind in kinds:
            for number in range(-1, count):  # first as it is: a seed that tells nothing is no seed
                damage, files = "none", wholes[kind]
                if number >= 0:
                    damage, files = _hurt(files, (seed, KINDS.index(kind), number))
                with tempfile.TemporaryDirectory(dir=place) as inner:
                    clips = fuzz_seeds.files_of(kind, Path(inner))
                    for clip, data in zip(clips, files, strict=True):
                        clip.write_bytes(data)
                    run = Run(kind, number, damage, *measured(clips, Path(inner)))
                if number < 0 and run.outcome not in WHOLE:
                    raise RuntimeError(f"the undamaged {kind}: {run.outcome} {run.said}")
                if run.bad and keep is not None:
                    keep.mkdir(parents=True, exist_ok=True)
                    for clip, data in zip(clips, files, strict=True):
                        (keep / f"{seed}-{number}-{clip.name}").write_bytes(data)
                yield run


def _hurt(files: tuple[bytes, ...], seed: tuple[int, ...]) -> tuple[str, tuple[bytes, ...]]:
    """Damage a recording: its only file, or one of two, or both."""
    chosen = int(np.random.default_rng(seed).integers(1, 2 ** len(files)))
    names, hurt = [], []
    for place, data in enumerate(files):
        if chosen >> place & 1:
            name, data = damaged(data, (*seed, place) if place else seed)
            names.append(name)
        hurt.append(data)
    return ", ".join(names), tuple(hurt)


def _seeds_of_a_child(kinds: tuple[str, ...], folder: Path) -> dict[str, tuple[bytes, ...]]:
    """Make the seeds in a process of its own: a process that has decoded must not fork."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.environ.setdefault("SVT_LOG", "1")  # that encoder tells of itself otherwise
            fuzz_seeds.make(kinds, folder)
            code = 0
        except Exception:
            traceback.print_exc()
        finally:
            os._exit(code)
    if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]):
        raise RuntimeError("the seeds could not be made")
    return {
        kind: tuple(one.read_bytes() for one in fuzz_seeds.files_of(kind, folder)) for kind in kinds
    }


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=200, help="damaged files of each kind")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--keep", type=Path, help="where files that ended badly are kept")
    asked = parser.parse_args()
    kinds = tuple(asked.kinds.split(","))
    ends: dict[str, Counter[str]] = {kind: Counter() for kind in kinds}
    longest, most, bad = dict.fromkeys(kinds, 0.0), dict.fromkeys(kinds, 0), 0
    for run in fuzz(kinds, asked.count, asked.seed, asked.keep):
        if run.number < 0:
            continue
        ends[run.kind][run.outcome] += 1
        longest[run.kind] = max(longest[run.kind], run.seconds)
        most[run.kind] = max(most[run.kind], run.memory)
        if run.bad:
            bad += 1
            print(f"{run.kind} {run.number} ({run.damage}): {run.outcome}\n{run.said}", flush=True)
    for kind in kinds:
        told = ", ".join(f"{what}: {count}" for what, count in sorted(ends[kind].items()))
        print(
            f"{kind:13s} {sum(ends[kind].values()):4d} files; {told}; "
            f"longest {longest[kind]:.1f} s, most memory {most[kind] >> 20} MiB"
        )
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"{bad} ended badly; {usage.ru_utime + usage.ru_stime:.0f} s of processor time")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
