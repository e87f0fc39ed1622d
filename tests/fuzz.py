"""Damaged containers of every kind that is read: no crash, hang, traceback or heap of memory.

    python tests/fuzz.py [--count 100] [--seed 0] [--kinds mp4,...] [--keep DIR] [--log FILE]

A small simulated clip of each kind (`fuzz_seeds.py`) is damaged so many times (bits flipped, cut
off, runs zeroed or doubled, boxes swapped, sizes made absurd) and measured as `vidspin measure`
does it, each in a process of its own with limits on time and memory.  Of a recording of two
chapters one file is damaged, or both.  Prints how the runs of each kind ended, and every run that
ended as none may; the exit code is 1 when there was one.  With a log the same command goes on
where it was broken off, and `--tally FILE...` sums up what was logged.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from importlib import import_module
from pathlib import Path

import fuzz_child
import fuzz_seeds
import numpy as np
from damage import damaged

KINDS = tuple(fuzz_seeds.KINDS)
WITH_RESULT, WITHOUT_RESULT = (0, 5, 6), (3, 4)
WHOLE = tuple(f"exit {code}" for code in WITH_RESULT)
LOADED = (  # once, not in each child
    "annotated_types", "pydantic", "typer._adapters",
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
    out = folder / "out"

    def measure() -> int:
        from vidspin.cli.app import main

        joined = ["--chapters"] if len(clips) > 1 else []
        return int(main(["measure", *map(str, clips), *joined, "--out", str(out), "--quiet"]))

    ended = fuzz_child.run(measure, folder)
    outcome = ended.crash or _judged(ended.code, ended.stdout + ended.stderr, out)
    return outcome, ended.stdout + ended.stderr, ended.seconds, ended.memory


def _judged(code: int, said: str, out: Path) -> str:
    """Put into words how a run ended that ended by itself."""
    left = sorted(p.name for p in out.iterdir()) if out.exists() else []
    folders = [name for name in left if name.endswith(".spin")]
    odd = [name for name in left if name not in folders and not name.endswith(".survey.png")]
    lines = said.splitlines()
    if code not in WITH_RESULT + WITHOUT_RESULT:
        return f"code {code}"
    if odd or bool(folders) != (code in WITH_RESULT):
        return f"half written: {' '.join(left)}"
    if code in WITHOUT_RESULT and (len(lines) != 1 or not lines[0].startswith("vidspin: ")):
        return "not one line"
    if code in WITH_RESULT and lines:
        return "said more than asked"
    return f"exit {code}"


def fuzz(
    kinds: tuple[str, ...], numbers: range, seed: int, keep: Path | None = None
) -> Iterator[Run]:
    """Yield how each damaged file ended, the kinds by turns."""
    for name in LOADED:
        import_module(name)
    with tempfile.TemporaryDirectory() as place:
        wholes = _seeds(kinds, Path(place))
        for number in (-1, *numbers):  # first as they are: a seed that tells nothing is no seed
            for kind in kinds:
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


def _seeds(kinds: tuple[str, ...], folder: Path) -> dict[str, tuple[bytes, ...]]:
    def make() -> None:
        os.environ.setdefault("SVT_LOG", "1")  # that encoder tells of itself otherwise
        fuzz_seeds.make(kinds, folder)

    fuzz_child.prepare(make)
    return {
        kind: tuple(one.read_bytes() for one in fuzz_seeds.files_of(kind, folder)) for kind in kinds
    }


def _logged(path: Path | None) -> list[Run]:
    if path is None or not path.exists():
        return []
    return [Run(**json.loads(line)) for line in path.read_text("utf-8").splitlines()]


def _told(runs: list[Run]) -> str:
    """Sum up, a line for each kind."""
    lines = []
    for kind in dict.fromkeys(run.kind for run in runs):
        own = [run for run in runs if run.kind == kind]
        ends = Counter(run.outcome for run in own)
        told = ", ".join(f"{what}: {count}" for what, count in sorted(ends.items()))
        longest, most = max(run.seconds for run in own), max(run.memory for run in own)
        lines.append(
            f"{kind:13s} {len(own):4d} files; {told}; "
            f"longest {longest:.1f} s, most memory {most >> 20} MiB"
        )
    bad = sum(run.bad for run in runs)
    return "\n".join([*lines, f"{len(runs)} files, {bad} ended badly"])


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=100, help="damaged files of each kind")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--keep", type=Path, help="where files that ended badly are kept")
    parser.add_argument("--log", type=Path, help="a line for each run; one seed a file")
    parser.add_argument("--tally", type=Path, nargs="+", help="sum up logs, and end")
    asked = parser.parse_args()
    if asked.tally:
        sys.stdout.write(_told([run for path in asked.tally for run in _logged(path)]) + "\n")
        return 0
    kinds = tuple(asked.kinds.split(","))
    runs = _logged(asked.log)
    begin = len(runs) // len(kinds)  # a round that was broken off is made again
    runs = runs[: begin * len(kinds)]
    if asked.log is not None:
        asked.log.write_text("".join(json.dumps(asdict(run)) + "\n" for run in runs), "utf-8")
    for run in fuzz(kinds, range(begin, asked.count), asked.seed, asked.keep):
        if run.number < 0:
            continue
        runs.append(run)
        if asked.log is not None:
            with asked.log.open("a", encoding="utf-8") as log:
                log.write(json.dumps(asdict(run)) + "\n")
        if run.bad:
            print(f"{run.kind} {run.number} ({run.damage}): {run.outcome}\n{run.said}", flush=True)
    print(_told(runs))
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"{usage.ru_utime + usage.ru_stime:.0f} s of processor time")
    return int(any(run.bad for run in runs))


if __name__ == "__main__":
    sys.exit(main())
