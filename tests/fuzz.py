"""Damaged containers of every kind that is read: no crash, hang, traceback or heap of memory.

    python tests/fuzz.py [--count 200] [--seed 0] [--kinds mp4,mov,mkv,webm,ts,avi] [--keep DIR]

A small simulated clip of each kind is damaged so many times (bits flipped, cut off, runs zeroed or
doubled, boxes swapped, sizes made absurd) and measured as `vidspin measure` does it, each in a
process of its own with limits on time and memory.  Prints how the runs of each kind ended, and
every run that ended as none may; the exit code is 1 when there was one.
"""

from __future__ import annotations

import argparse
import os
import resource
import signal
import struct
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction
from importlib import import_module
from pathlib import Path

import av
import numpy as np
import psutil

KINDS = ("mp4", "mov", "mkv", "webm", "ts", "avi")
SCENE = (
    "--size 128x96 --fps 30 --seconds 3 --rpm 700 --law exponential:60 --crf 20 "
    "--preset ultrafast --overwrite --quiet"
)
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
HEAD = 4096  # bytes at either end in which most damage is done to what describes the film


# ----------------------------------------------------------------------------- seeds


def seeds(folder: Path) -> dict[str, bytes]:
    """Return one small clip of each kind."""
    from vidspin.cli.app import main

    made = {}
    for kind in ("mp4", "mov", "mkv"):
        clip = folder / f"seed.{kind}"
        late = "2" if kind == "mov" else "0"  # pictures out of order
        if main(["simulate", str(clip), *SCENE.split(), "--b-frames", late]):
            raise RuntimeError("the seed could not be rendered")
        made[kind] = clip.read_bytes()
    made["ts"] = _copied(folder / "seed.mkv", folder / "seed.ts", "mpegts")
    for kind, codec in (("webm", "libvpx"), ("avi", "mpeg4")):
        made[kind] = _encoded_anew(folder / "seed.mkv", folder / f"seed.{kind}", codec)
    return made


def _copied(source: Path, target: Path, container: str) -> bytes:
    """Put the packets of a clip into another container."""
    with av.open(str(source)) as old, av.open(str(target), "w", format=container) as new:
        stream = new.add_stream_from_template(old.streams.video[0])
        for packet in old.demux(video=0):
            if packet.dts is not None:
                packet.stream = stream
                new.mux(packet)
    return target.read_bytes()


def _encoded_anew(source: Path, target: Path, codec: str) -> bytes:
    with av.open(str(source)) as old, av.open(str(target), "w") as new:
        stream = new.add_stream(codec, rate=Fraction(30))
        stream.width, stream.height, stream.pix_fmt = 128, 96, "yuv420p"
        stream.bit_rate, stream.gop_size = 1_000_000, 30
        for number, frame in enumerate(old.decode(video=0)):
            frame.pts, frame.time_base = number, Fraction(1, 30)
            new.mux(stream.encode(frame))
        new.mux(stream.encode(None))
    return target.read_bytes()


# ---------------------------------------------------------------------------- damage


def _place(data: bytes, random: np.random.Generator) -> int:
    """Choose a byte: anywhere, or near an end, where the boxes are."""
    where = random.integers(3)
    size = len(data)
    near = min(HEAD, size)
    low, high = ((0, size), (0, near), (size - near, size))[int(where)]
    return int(random.integers(low, high))


def _run(data: bytes, random: np.random.Generator) -> tuple[int, int]:
    start = _place(data, random)
    length = int(2 ** random.uniform(0, np.log2(max(2, len(data) // 4))))
    return start, min(len(data), start + length)


def flipped(data: bytes, random: np.random.Generator) -> bytes:
    """Flip up to 64 bits."""
    out = bytearray(data)
    for _ in range(int(2 ** random.uniform(0, 6))):
        out[_place(data, random)] ^= 1 << int(random.integers(8))
    return bytes(out)


def cut(data: bytes, random: np.random.Generator) -> bytes:
    """Cut the end off, or the beginning, or a run out of the middle."""
    start, stop = _run(data, random)
    return (data[:start], data[start:], data[:start] + data[stop:])[int(random.integers(3))]


def zeroed(data: bytes, random: np.random.Generator) -> bytes:
    """Zero a run."""
    start, stop = _run(data, random)
    return data[:start] + bytes(stop - start) + data[stop:]


def doubled(data: bytes, random: np.random.Generator) -> bytes:
    """Write a run twice, or up to 50 times."""
    start, stop = _run(data, random)
    times = 1 if random.random() < 0.7 else int(random.integers(2, 50))
    return data[:stop] + data[start:stop] * times + data[stop:]


def resized(data: bytes, random: np.random.Generator) -> bytes:
    """Put absurd numbers in the place of up to four words of 16, 32 or 64 bits."""
    out = bytearray(data)
    for _ in range(int(random.integers(1, 5))):
        width = int(random.choice([2, 4, 8]))
        most = (1 << 8 * width) - 1
        value = (0, 1, most, most >> 1, int(random.integers(1 << 16)))[int(random.integers(5))]
        at = min(_place(data, random), len(data) - width)
        out[at : at + width] = value.to_bytes(width, "big")
    return bytes(out)


def boxes(data: bytes, start: int = 0, stop: int | None = None) -> list[tuple[int, int]]:
    """List the boxes of an mp4 file, those inside of others too, as (start, stop)."""
    stop, found = len(data) if stop is None else stop, []
    while start + 8 <= stop:
        size = struct.unpack_from(">I", data, start)[0]
        if not 8 <= size <= stop - start:
            break
        found.append((start, start + size))
        if data[start + 4 : start + 8] in (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts"):
            found += boxes(data, start + 8, start + size)
        start += size
    return found


def swapped(data: bytes, random: np.random.Generator) -> bytes:
    """Swap two boxes, or two runs of a file that has none."""
    parts = boxes(data)
    if len(parts) < 2:
        size = int(random.choice([16, 188, 1024]))
        parts = [(k, k + size) for k in range(0, len(data) - size, size)]
    one, other = (parts[int(random.integers(len(parts)))] for _ in range(2))
    (a, b), (c, d) = sorted((one, other))
    if b > c:  # one holds the other: leave the outer one out, all but the inner one
        return data[:a] + data[c:d] + data[b:]
    return data[:a] + data[c:d] + data[b:c] + data[a:b] + data[d:]


DAMAGES: tuple[Callable[[bytes, np.random.Generator], bytes], ...] = (
    flipped, cut, zeroed, doubled, resized, swapped,
)  # fmt: skip


def damaged(data: bytes, seed: tuple[int, ...]) -> tuple[str, bytes]:
    """Damage a file in one of the ways, sometimes in two; the same for the same seed."""
    random = np.random.default_rng(seed)
    names = []
    for _ in range(1 if random.random() < 0.8 else 2):
        damage = DAMAGES[int(random.integers(len(DAMAGES)))]
        data = damage(data, random) or b"\0"
        names.append(damage.__name__)
    return " ".join(names), data


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


def measured(clip: Path, folder: Path) -> tuple[str, str, float, int]:
    """Measure a file in a process of its own: outcome, what it said, seconds, most memory."""
    heard, began = folder / "stderr", time.monotonic()
    child = os.fork()
    if child == 0:
        _measure_and_leave(clip, folder / "out", heard)
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


def _measure_and_leave(clip: Path, out: Path, heard: Path) -> None:
    """Be the child: never returns."""
    code = 99
    try:
        resource.setrlimit(resource.RLIMIT_AS, (BACKSTOP_BYTES, BACKSTOP_BYTES))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        target = os.open(heard, os.O_WRONLY | os.O_CREAT)
        os.dup2(target, 1)
        os.dup2(target, 2)
        from vidspin.cli.app import main

        code = int(main(["measure", str(clip), "--out", str(out), "--quiet"]))
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


def fuzz(
    kinds: tuple[str, ...], count: int, seed: int, keep: Path | None = None
) -> Iterator[Run]:
    """Yield how each damaged file ended."""
    for name in LOADED:
        import_module(name)
    with tempfile.TemporaryDirectory() as place:
        wholes = _seeds_of_a_child(Path(place))
        for kind in kinds:
            for number in range(-1, count):  # first as it is: a seed that tells nothing is no seed
                damage, data = "none", wholes[kind]
                if number >= 0:
                    damage, data = damaged(data, (seed, KINDS.index(kind), number))
                with tempfile.TemporaryDirectory(dir=place) as inner:
                    clip = Path(inner) / f"clip.{kind}"
                    clip.write_bytes(data)
                    run = Run(kind, number, damage, *measured(clip, Path(inner)))
                if number < 0 and run.outcome not in WHOLE:
                    raise RuntimeError(f"the undamaged {kind}: {run.outcome} {run.said}")
                if run.bad and keep is not None:
                    keep.mkdir(parents=True, exist_ok=True)
                    (keep / f"{seed}-{number}.{kind}").write_bytes(data)
                yield run


def _seeds_of_a_child(folder: Path) -> dict[str, bytes]:
    """Render the seeds in a process of its own: a process that has decoded must not fork."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            seeds(folder)
            code = 0
        except Exception:
            traceback.print_exc()
        finally:
            os._exit(code)
    if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]):
        raise RuntimeError("the seeds could not be made")
    return {kind: (folder / f"seed.{kind}").read_bytes() for kind in KINDS}


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
            f"{kind:5s} {sum(ends[kind].values()):4d} files; {told}; "
            f"longest {longest[kind]:.1f} s, most memory {most[kind] >> 20} MiB"
        )
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"{bad} ended badly; {usage.ru_utime + usage.ru_stime:.0f} s of processor time")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
