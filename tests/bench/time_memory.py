"""Time and memory of `vidspin measure` against decoding alone, in one run.

    python tests/bench/time_memory.py [--rounds 3] CLIP [CLIP ...]

Each clip is decoded by PyAV alone (thread type AUTO, luma untouched) and measured, by turns,
in processes of their own; medians of wall and processor seconds and the largest resident set
are printed.  Processor seconds say more than wall seconds on a machine that does other work.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

DECODE = """
import av, sys
with av.open(sys.argv[1]) as container:
    stream = container.streams.best("video")
    stream.thread_type = "AUTO"
    print(sum(1 for _ in container.decode(stream)))
"""


def spent(command: list[str]) -> tuple[float, float, float]:
    """Run a command: wall s, processor s, largest resident set in MiB."""
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    wall = time.perf_counter() - start
    code = os.waitstatus_to_exitcode(status)
    process.returncode = code
    if code not in (0, 5, 6):  # alias order unresolved, a check failed: the result is there
        raise SystemExit(f"{command[-1]} ended with {code}")
    return wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def compare(clip: Path, rounds: int) -> None:
    """Print the figures of one clip."""
    rows: dict[str, list[tuple[float, float, float]]] = {"decode": [], "measure": []}
    for _ in range(rounds):
        rows["decode"].append(spent([sys.executable, "-c", DECODE, str(clip)]))
        with tempfile.TemporaryDirectory() as out:
            command = [sys.executable, "-m", "vidspin", "measure", str(clip), "--out", out]
            rows["measure"].append(spent([*command, "--quiet"]))
    middle = {k: [statistics.median(c) for c in zip(*v, strict=True)] for k, v in rows.items()}
    for name, (wall, cpu, peak) in middle.items():
        print(f"{clip.name:24s} {name:8s} {wall:7.2f} s wall {cpu:7.2f} s cpu {peak:6.0f} MiB")
    ratios = [m / d for m, d in zip(middle["measure"], middle["decode"], strict=True)]
    print(f"{clip.name:24s} ratio    {ratios[0]:7.2f}   wall {ratios[1]:7.2f}   cpu")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("clips", nargs="+", type=Path)
    told = parser.parse_args()
    for one in told.clips:
        compare(one, told.rounds)
