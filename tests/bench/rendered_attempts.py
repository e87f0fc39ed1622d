"""Whole attempts, drawn at random and filmed by `vidspin simulate`: is anything wrong with them?

    python tests/bench/rendered_attempts.py [--count 40] [--first 0] [--step 1] [--keep DIR]
                                            [--smeared | --paced]

Each attempt is a spin-up under a hand, a run-down and, in three of four, a topple, in a clip
of 12 to 24 s whose camera, light, top and mark are drawn anew; odd numbers are measured with
bounds of 15 % about the true first speed.  For each one the table of `tests/clips` is printed
and every check that failed: these recordings are clean, so each of them is a false alarm.  Ends
with 1 when an order or a direction is wrong.  With --smeared: free spins of 7 to 14 s without
hand and topple, 300 to 3000 rev/min, one to four marks, exposed for up to 0.95 of the frame
interval; --step 2 from an odd number takes those with bounds alone.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
REPOSITORY = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPOSITORY), str(REPOSITORY / "tests" / "clips")]

import numpy as np  # noqa: E402
import truth_table  # noqa: E402
from scipy.stats import binomtest  # noqa: E402

from vidspin.cli.app import main as vidspin  # noqa: E402
from vidspin.errors import VidspinError  # noqa: E402
from vidspin.footage.frames import Recording  # noqa: E402
from vidspin.measure import measure  # noqa: E402
from vidspin.records import Settings  # noqa: E402

RATES = ("24", "25", "30", "30", "30", "30000/1001", "50", "60", "60", "120")
READOUTS_S = (0.004, 0.012, 0.016, 0.024, -0.012)
SIZES = ("320x240", "400x300", "480x270", "270x480", "426x240")


def drawn(number: int) -> list[str]:
    """Options of one attempt."""
    g = np.random.default_rng((2026, number))
    fps = str(g.choice(RATES))
    rate = float(np.divide(*(float(v) for v in (fps + "/1").split("/")[:2])))
    seconds = 12.0 if rate > 60 else float(g.uniform(16, 24))
    rpm = float(np.exp(g.uniform(np.log(400), np.log(2400))))
    release = float(g.uniform(1.0, 2.5))
    options = {
        "fps": fps, "size": str(g.choice(SIZES)), "seconds": f"{seconds:.2f}",
        "rpm": f"{rpm:.1f}", "release": f"{release:.3f}",
        "law": f"exponential:{g.uniform(12, 60):.1f}",
        "direction": str(g.choice(["clockwise", "counterclockwise"])),
        "angle": f"{g.uniform(0, 360):.1f}",
        "mark": str(g.choice(["dot", "dot", "stripe"])),
        "marks": str(g.choice([1, 1, 1, 2, 3])),
        "contrast": f"{g.choice([-1, -1, 1]) * g.uniform(35, 110):.0f}",
        "face": f"{g.uniform(110, 170):.0f}",
        "wander": f"{g.choice([0, 0, 1, 3, 6]):.1f}", "runout": f"{g.choice([0, 0.3, 1.0]):.1f}",
        "shake": f"{g.choice([0, 0, 0.3, 1.5]):.1f}", "noise": f"{g.uniform(1, 5):.1f}",
        "exposure": f"{min(1 / float(g.choice([60, 120, 250, 500, 2000])), 0.95 / rate):.6f}",
        "readout": f"{g.choice([0.004, 0.012, 0.016, 0.024, -0.012]) * min(1, 30 / rate):.4f}",
        "highlight": f"{g.uniform(0, 0.8):.2f}", "gain": f"{g.choice([1, 1, 0.6, 0.35])}",
        "jitter": f"{g.choice([0, 0, 0.0003])}", "dropped": f"{g.choice([0, 0, 0.004])}",
        "ticks": str(g.choice([90000, 90000, 600])), "crf": str(int(g.integers(18, 28))),
        "seed": str(number),
    }  # fmt: skip
    if g.random() < 0.3:
        options["flicker"] = f"{g.choice([100, 120])},{g.uniform(0.05, 0.35):.2f}"
    if g.random() < 0.75:
        options["topple"] = f"{seconds - g.uniform(1.5, 3.0):.3f}"
    if options["ticks"] == "600" and rate % 1:
        options["ticks"] = "90000"
    return [part for name, value in options.items() for part in (f"--{name}", value)]


def smeared(number: int) -> list[str]:
    """Options of one free spin that is exposed for long."""
    g = np.random.default_rng((77, number))
    fps = str(g.choice(["24", "25", "30", "30", "30", "50", "60"]))
    seconds, rpm = float(g.uniform(7, 14)), float(np.exp(g.uniform(np.log(300), np.log(3000))))
    options = {
        "fps": fps, "size": "320x240", "seconds": f"{seconds:.2f}", "rpm": f"{rpm:.1f}",
        "law": f"exponential:{g.uniform(12, 60):.1f}",
        "direction": str(g.choice(["clockwise", "counterclockwise"])),
        "angle": f"{g.uniform(0, 360):.1f}", "mark": str(g.choice(["dot", "stripe"])),
        "marks": str(g.choice([1, 2, 3, 4])),
        "contrast": f"{g.choice([-1, 1]) * g.uniform(60, 110):.0f}", "face": "140",
        "noise": f"{g.uniform(1, 4):.1f}", "exposure": f"{g.uniform(0.05, 0.95) / float(fps):.6f}",
        "readout": f"{g.choice(READOUTS_S) * min(1, 30 / float(fps)):.4f}",
        "crf": "20", "seed": str(number),
    }  # fmt: skip
    return [part for name, value in options.items() for part in (f"--{name}", value)]


PACES = ((30, 24), (24, 30), (30, 24, 30), (24, 30, 24), (30, 25), (30, 20), (60, 48), (30, 24, 20))


def paced(number: int) -> list[str]:
    """Options of an attempt during which the camera changes its pace."""
    g = np.random.default_rng((99, number))
    options = dict(zip(*[iter(drawn(number))] * 2, strict=True))
    first, *later = PACES[int(g.integers(len(PACES)))]
    release, end = float(options["--release"]), float(options.get("--topple", 14.0))
    at = np.sort(g.uniform(0.2, 0.8, len(later))) * (end - release) + release
    changes = [f"{second:.3f},{rate}" for second, rate in zip(at, later, strict=True)]
    options |= {"--fps": str(first), "--seconds": f"{max(end + 2.0, 16.0):.2f}"}
    longest = 0.95 / max(first, *later)
    options["--exposure"] = f"{min(float(options['--exposure']), longest):.6f}"
    options["--readout"] = f"{np.clip(float(options['--readout']), -longest, longest):.4f}"
    flat = [part for pair in options.items() for part in pair]
    return flat + [part for one in changes for part in ("--pace", one)]


KINDS: dict[str, Callable[[int], list[str]]] = {
    "attempt": drawn, "smeared": smeared, "paced": paced,
}  # fmt: skip


def attempt(number: int, folder: Path, kind: str) -> tuple[truth_table.Row, list[str]]:
    """Film and measure one attempt: its row of the table, and what its checks say wrongly."""
    path, options = folder / f"{kind}_{number}.mp4", KINDS[kind](number)
    there = path.exists() and path.with_suffix(".truth.json").exists()
    asked = ["simulate", str(path), *options, "--quiet", "--overwrite"]
    if not there and vidspin(asked) != 0:
        raise SystemExit(f"{kind} {number} cannot be simulated: {options}")
    truth = json.loads(path.with_suffix(".truth.json").read_text("utf-8"))
    clip = truth_table.Clip(path.stem, (path,), truth)
    low, high = (clip.first_rpm * (1 + s * truth_table.BOUNDS) for s in (-1, 1))
    start = time.perf_counter()
    try:
        result = measure(
            Recording.open(clip.paths), Settings(bounds_rpm=(low, high) if number % 2 else None),
            version="bench", created="2000-01-01T00:00:00Z",
        )  # fmt: skip
    except VidspinError as error:
        return truth_table.Row(clip.name, failure=str(error)), []
    row = truth_table.compared(clip, result, time.perf_counter() - start)
    return row, [f"{c.name}: {c.figure}" for c in result.checks if c.state == "fail"]


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--step", type=int, default=1)
    parser.add_argument("--smeared", action="store_true")
    parser.add_argument("--paced", action="store_true")
    parser.add_argument("--keep", type=Path, help="leave clips there; take old ones")
    asked = parser.parse_args()
    rows, accused, kind = [], 0, "attempt"
    kind = "smeared" if asked.smeared else "paced" if asked.paced else kind
    print(truth_table.HEAD)
    with tempfile.TemporaryDirectory() as place:
        folder = asked.keep or Path(place)
        folder.mkdir(parents=True, exist_ok=True)
        for number in range(asked.first, asked.first + asked.count * asked.step, asked.step):
            row, fails = attempt(number, folder, kind)
            rows.append(row)
            accused += bool(fails)
            print(truth_table.line(row), *(f"    FALSE ALARM {f}" for f in fails), sep="\n")
            sys.stdout.flush()
            if asked.keep is None:
                for path in folder.glob(f"{kind}_{number}.*"):
                    path.unlink()
    sure = binomtest(accused, len(rows)).proportion_ci(method="exact")
    print(
        f"accused {accused} of {len(rows)} = {100 * accused / len(rows):.1f} % "
        f"[{100 * sure.low:.1f}, {100 * sure.high:.1f}]"
    )
    return truth_table.closing(rows)


if __name__ == "__main__":
    sys.exit(main())
