"""Kills `vidspin overnight` at random moments and compares what is left in the end.

    python tests/bench/overnight_kills.py [--kills 20] [--seed 1]

Twelve short recordings, rendered by `vidspin simulate`, are measured once undisturbed and once
with a ``kill -9`` of the whole batch at random moments; each next run goes on.  Told are the
kills that met a batch at work, what they met, and whether both folders hold the same bytes,
except for the times of day and the log.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from night_bytes import whole, without_times

RECORDINGS = 12
SIZE = "160x120"


def render(folder: Path) -> None:
    """Twelve recordings of different lengths and speeds."""
    folder.mkdir()
    for k in range(RECORDINGS):
        told = [
            "simulate", str(folder / f"top_{chr(97 + k)}.mp4"), "--size", SIZE, "--quiet",
            "--rpm", str(300 + 70 * k), "--seconds", str(4 + 2 * (k % 4)), "--seed", str(k),
            "--preset", "ultrafast",
        ]  # fmt: skip
        subprocess.run([sys.executable, "-m", "vidspin", *told], check=True)
    for truth in folder.glob("*.json"):
        truth.unlink()
    (folder / "vidspin.toml").write_text("between = [0, 1700]\n", "utf-8")


def start(folder: Path, out: Path) -> subprocess.Popen[bytes]:
    """Start a batch."""
    command = [sys.executable, "-m", "vidspin", "overnight", str(folder), "--out", str(out)]
    return subprocess.Popen([*command, "--quiet", "--jobs", "2"], stderr=subprocess.PIPE)


def finished(out: Path) -> int:
    """Count the results that are whole."""
    return len(list(out.glob("*.spin")))


def main() -> int:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng = random.Random(asked.seed)
    with tempfile.TemporaryDirectory() as place:
        folder, calm = Path(place) / "in", Path(place) / "calm"
        render(folder)
        began = time.monotonic()
        code = start(folder, calm).wait()
        length = time.monotonic() - began
        print(f"undisturbed: exit code {code}, {finished(calm)} results, {length:.0f} s wall")
        expected = without_times(whole(calm))
        met, rounds, worst = 0, 0, 0
        while met < asked.kills:
            rounds += 1
            wild = Path(place) / f"wild{rounds}"
            met = disturbed(folder, wild, met, asked.kills, rng, length)
            worst = max(worst, compare(expected, without_times(whole(wild)), wild))
        verdict = "NOT the same bytes" if worst else "the same bytes"
        print(f"{met} kills in {rounds} rounds: {verdict}")
        return worst


def disturbed(  # what is killed, how often already and at most, when
    folder: Path, out: Path, met: int, kills: int, rng: random.Random, length: float
) -> int:
    """Carry out one batch with kills until it is done; return the kills so far."""
    while True:
        process = start(folder, out)
        end = time.monotonic() + rng.uniform(0.02, 0.5) * length
        while met < kills and time.monotonic() < end and process.poll() is None:
            time.sleep(0.02)
        if met == kills or process.poll() is not None:
            told = process.communicate()[1].decode().strip()
            print(f"done: exit code {process.returncode} {told}", flush=True)
            return met
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        met += 1
        print(f"kill {met:2d}: {finished(out)} results whole", flush=True)


def compare(expected: dict[str, bytes], found: dict[str, bytes], out: Path) -> int:
    """Print what differs."""
    missing, more = expected.keys() - found.keys(), found.keys() - expected.keys()
    other = [name for name in expected.keys() & found.keys() if expected[name] != found[name]]
    log = [json.loads(line) for line in (out / "overnight.log.jsonl").read_bytes().splitlines()]
    tries = sum(one["event"] == "ended" and one["task"] == "measure" for one in log)
    print(
        f"{len(expected)} files: {len(missing)} missing, {len(more)} too many, {len(other)} with "
        f"other bytes; {tries} measurements ended for {RECORDINGS} recordings"
    )
    for name in sorted([*missing, *more, *other]):
        print(f"  {name}")
    return 1 if missing or more or other else 0


if __name__ == "__main__":
    raise SystemExit(main())
