"""Simulated start-only records with and without a camera profile: wrong orders, share resolved.

    python tests/bench/orders_profile.py [COUNT] [--processes N]

The first COUNT records (1000) that hold nothing but the start of a spin are judged.  Ends with 1
when an order that was stated is wrong.
"""

from __future__ import annotations

import argparse
import itertools
import multiprocessing
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path[:0] = [str(p) for p in Path(__file__).resolve().parents[1:3]]  # tests, then the package

from profile_trials import trial_with_profile  # noqa: E402 - the folder of the tests comes first
from simulated_records import simulate  # noqa: E402

ODDS = 1000.0
LEAST_RAD = 0.05  # below it neither the readout nor a profile of it can tell much


@dataclass(frozen=True)
class Pair:
    """What became of one record without and with a profile."""

    number: int
    bounded: bool  # the user stated bounds
    still: bool  # the readout moves the mark by less than `LEAST_RAD`
    odds: tuple[float, float]
    resolved: tuple[bool, bool]
    right: tuple[bool, bool]


def starts(count: int) -> list[int]:
    """Numbers of the first `count` records of a start only."""
    return list(islice((n for n in itertools.count() if simulate(n).kind == "start"), count))


def judged(number: int) -> Pair:
    """Judge one record without and with a profile."""
    trials = [trial_with_profile(number, known=k) for k in (False, True)]
    record = trials[0].record
    odds = [t.verdict.odds if t.verdict and t.verdict.candidates else 0.0 for t in trials]
    return Pair(
        number, record.bounds_rpm is not None, record.amplitude < LEAST_RAD,
        (odds[0], odds[1]), (trials[0].resolved, trials[1].resolved),
        (trials[0].best_is_true, trials[1].best_is_true),
    )  # fmt: skip


def line(name: str, rows: Sequence[Pair]) -> str:
    """Share of records resolved without and with a profile."""
    shares = [sum(r.resolved[k] for r in rows) / max(1, len(rows)) for k in (0, 1)]
    return f"  {name:42s} {len(rows):5d}  without {shares[0]:6.1%}  with {shares[1]:6.1%}"


def report(rows: Sequence[Pair]) -> int:
    """Print the table; 1 when an order is wrong."""
    bad = 0
    for k, name in enumerate(("without a profile", "with a profile")):
        sure = [r for r in rows if r.odds[k] >= ODDS]
        wrong = [r.number for r in sure if not r.right[k]]
        stated = [r for r in rows if r.resolved[k]]
        bad += len(wrong) + sum(not r.right[k] for r in stated)
        print(
            f"{len(rows)} starts {name}: {len(sure)} at odds of {ODDS:g}:1 or more, "
            f"{len(wrong)} of them wrong {wrong[:20]}; {len(stated)} stated as resolved"
        )
    print(line("all", rows))
    print(line("bounds by default", [r for r in rows if not r.bounded]))
    print(line("bounds by the user", [r for r in rows if r.bounded]))
    print(line(f"readout moves the mark < {LEAST_RAD:g} rad", [r for r in rows if r.still]))
    print(line(f"readout moves the mark >= {LEAST_RAD:g} rad", [r for r in rows if not r.still]))
    lost = [r.number for r in rows if r.resolved[0] and not r.resolved[1]]
    print(f"  resolved without and no longer with a profile: {len(lost)} {lost[:20]}")
    return int(bad > 0)


def main() -> int:
    """Run the trials."""
    options = argparse.ArgumentParser(description="Starts with and without a camera profile.")
    options.add_argument("count", nargs="?", type=int, default=1000)
    options.add_argument("--processes", type=int, default=1)
    given = options.parse_args()
    with multiprocessing.get_context("spawn").Pool(given.processes) as pool:
        return report(pool.map(judged, starts(given.count), chunksize=8))


if __name__ == "__main__":
    sys.exit(main())
