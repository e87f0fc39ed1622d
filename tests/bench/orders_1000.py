"""1000 simulated phase records: wrong orders, share resolved by class, calibration.

python tests/bench/orders_1000.py [COUNT]
"""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from order_trials import trial  # noqa: E402 - the folder of the tests comes first

EDGES = (0.0, 0.3, 0.5, 0.7, 0.9, 0.97, 0.99, 0.999, 0.9999, 1.0001)


@dataclass(frozen=True)
class Outcome:
    """What is counted of a trial; small enough to send between processes."""

    number: int
    wrong: bool
    resolved: bool
    best_is_true: bool
    probability: float
    classes: tuple[str, ...]


def outcome(number: int) -> Outcome:
    """Run one trial and name what it is counted under."""
    t = trial(number)
    r = t.record
    names = (
        f"kind {r.kind}",
        f"marks {r.marks}",
        "bounds by the user" if r.bounds_rpm else "bounds by default",
        f"{round(r.frame_rate / 30) * 30:3d} frames/s or about",
    )
    return Outcome(number, t.wrong, t.resolved, t.best_is_true, float(t.probability), names)


def main(count: int) -> int:
    """Run the trials and print the tables; 1 when an order is wrong."""
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        trials = pool.map(outcome, range(count), chunksize=8)
    wrong = [t for t in trials if t.wrong]
    resolved = sum(t.resolved for t in trials)
    print(f"{count} records: {len(wrong)} wrong, {resolved / count:.1%} resolved")
    groups: dict[str, list[Outcome]] = defaultdict(list)
    for t in trials:
        for name in t.classes:
            groups[name].append(t)
    for name, group in sorted(groups.items()):
        print(f"  {name:28s} {len(group):5d}  {sum(t.resolved for t in group) / len(group):6.1%}")
    told = [t for t in trials if t.probability == t.probability]
    print("stated probability of the best order against how often it is the true one")
    for low, high in zip(EDGES[:-1], EDGES[1:], strict=True):
        rows = [t for t in told if low <= t.probability < high]
        if rows:
            stated = sum(t.probability for t in rows) / len(rows)
            hits = sum(t.best_is_true for t in rows) / len(rows)
            print(
                f"  {low:.4f} to {high:.4f}  {len(rows):5d}  stated {stated:.4f}  true {hits:.4f}"
            )
    for t in wrong:
        print("WRONG: record", t.number)
    return int(bool(wrong))


if __name__ == "__main__":
    raise SystemExit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000))
