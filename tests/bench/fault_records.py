"""Which faults do the checks of the spin find in phase records, how often are clean ones accused?

    python tests/bench/fault_records.py [--count 300] [--first 0]

As `fault_detection.py`, but without pictures: records of mark angles as the sightings of a
recording would be (`tests/faulty_spins.py`), with wider circumstances and so cheap that many can
be looked at.  A fault counts as found when any check fails; after every 50 the table is told.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import defaultdict
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[up]) for up in (2, 1)]  # package and tests

import numpy as np  # noqa: E402 - after the number of threads is set
from faulty_spins import FAULTS, case_of, record  # noqa: E402
from scipy.stats import binomtest  # noqa: E402

from vidspin.checks.integrity import check_all  # noqa: E402

SIZES = {  # smallest and largest: s, or relative
    "cut": (0.2, 5.0), "loop": (0.3, 5.0), "push": (0.015, 0.1), "brake": (0.015, 0.1),
    "held": (0.15, 2.0), "stretched": (0.02, 0.05),
}  # fmt: skip


def judge(number: int, fault: str) -> list[str]:
    """Names of the checks that fail."""
    size = 0.0
    if fault:
        rng = np.random.default_rng([number, 5])
        low, high = SIZES[fault]
        size = float(np.exp(rng.uniform(np.log(low), np.log(high))))
        size *= -1 if fault == "brake" or (fault == "held" and rng.random() < 0.5) else 1
    case = case_of(record(number, fault, size))
    if fault == "stretched" and case.lamp is None:
        return ["no lamp"]
    return [c.name for c in check_all(case) if c.state == "fail"]


def tell(found: dict[str, list[bool]]) -> None:
    """Print the table."""
    for fault, hits in found.items():
        low, high = binomtest(sum(hits), len(hits)).proportion_ci(0.95)
        share = f"{sum(hits):3d} of {len(hits):3d} = {np.mean(hits):6.1%} [{low:.1%}, {high:.1%}]"
        print(f"{fault or 'clean, accused':16s} {share}", flush=True)


def main() -> int:
    """Run the trials; 1 when a clean record in a hundred is accused."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=300, help="faulty ones, and clean ones [300]")
    parser.add_argument("--first", type=int, default=0, help="number of the first [0]")
    told = parser.parse_args()
    found: dict[str, list[bool]] = defaultdict(list)
    for k in range(told.first, told.first + told.count):
        for fault in (FAULTS[k % len(FAULTS)], ""):
            failed = judge(k, fault)
            if failed != ["no lamp"]:
                found[fault].append(bool(failed))
            if bool(failed) != bool(fault):
                print(f"{fault or 'clean'} {k}: {', '.join(failed) or 'missed'}", flush=True)
        if (k + 1 - told.first) % 50 == 0:
            tell(found)
    tell(found)
    return int(np.mean(found[""]) > 0.01)


if __name__ == "__main__":
    raise SystemExit(main())
