"""Peak memory of `vidspin measure` against the length of a recording.

    python tests/bench/memory_length.py [MINUTES ...]

Renders run-downs of so many minutes (1, 10 and 100 when none are given) with `vidspin simulate`,
128 x 96 at 30 frames a second, measures each in a process of its own, and prints frames,
processor seconds and the largest resident set.  Rendering 100 minutes takes about two minutes.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from vidspin.night.processes import ENVIRONMENT  # as a worker of a batch has it

RATE = 30
MINUTES = (1, 10, 100)


def program(*words: str) -> tuple[int, float, float]:
    """Run vidspin: exit code, processor s, largest resident set in MiB."""
    command = [sys.executable, "-m", "vidspin", *words]
    process = subprocess.Popen(command, env={**os.environ, **ENVIRONMENT})
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    return process.returncode, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def main() -> None:
    """Run the bench."""
    asked = [int(word) for word in sys.argv[1:]] or list(MINUTES)
    with tempfile.TemporaryDirectory() as place:
        for minutes in asked:
            clip = Path(place) / f"run_{minutes}.mp4"
            program(
                "simulate", str(clip), "--size", "128x96", "--fps", str(RATE), "--quiet",
                "--seconds", str(60 * minutes), "--rpm", "700", "--preset", "ultrafast",
                "--law", f"exponential:{60 * minutes}",
            )  # fmt: skip
            code, cpu, peak = program("measure", str(clip), "--out", place, "--quiet")
            frames = 60 * minutes * RATE
            print(
                f"{minutes:4d} min {frames:7d} frames: exit code {code}, {cpu:6.1f} s cpu, "
                f"{peak:4.0f} MiB", flush=True,
            )  # fmt: skip
            clip.unlink()


if __name__ == "__main__":
    main()
