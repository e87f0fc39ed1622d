"""Simulated phase records with a camera profile: wrong orders, share resolved, calibration.

python tests/bench/orders_profile.py [COUNT]
"""

from __future__ import annotations

import multiprocessing
import os
import sys
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path[:0] = [str(p) for p in Path(__file__).resolve().parents[1:3]]  # tests, then the package

from profile_trials import trial_with_profile  # noqa: E402 - the folder of the tests comes first

EDGES = (0.0, 0.5, 0.9, 0.99, 0.999, 0.9999, 1.0001)


def outcome(number: int) -> tuple[int, str, bool, bool, bool, bool, float]:
    """Run one trial with a profile and one without."""
    known, plain = (trial_with_profile(number, known=k) for k in (True, False))
    return (number, known.record.kind, known.wrong, known.resolved, plain.resolved,
            known.best_is_true, float(known.probability))  # fmt: skip


def main(count: int) -> int:
    """Run the trials and print the tables; 1 when an order is wrong."""
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        rows = pool.map(outcome, range(count), chunksize=8)
    wrong = [r[0] for r in rows if r[2]]
    print(f"{count} records with a profile: {len(wrong)} wrong orders {wrong[:20]}")
    for kind in ("full", "middle", "start"):
        some = [r for r in rows if r[1] == kind]
        print(f"  {kind:7s} {len(some):5d}  resolved {sum(r[3] for r in some) / len(some):6.1%}"
              f"  without {sum(r[4] for r in some) / len(some):6.1%}")  # fmt: skip
    print("stated probability of the best order against how often it is the true one")
    for low, high in zip(EDGES[:-1], EDGES[1:], strict=True):
        some = [r for r in rows if low <= r[6] < high]
        if some:
            stated = sum(r[6] for r in some) / len(some)
            print(f"  {stated:8.4%} stated, {sum(r[5] for r in some) / len(some):8.4%} true, "
                  f"{len(some)} records")  # fmt: skip
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 300))
