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
sys.path[:0] = [str(p) for p in Path(__file__).resolve().parents[1:3]]  # tests, then the package

from order_trials import trial  # noqa: E402 - the folder of the tests comes first

SHIFTS = ((0.1, "below 0.1 rad"), (0.3, "below 0.3 rad"), (1.0, "below 1 rad"), (99, "more"))
EDGES = (0.0, 0.3, 0.5, 0.7, 0.9, 0.97, 0.99, 0.999, 0.9999, 1.0001)


@dataclass(frozen=True)
class Outcome:
    """What is counted of a trial; small enough to send between processes."""

    number: int
    wrong: bool
    resolved: bool
    best_is_true: bool
    wrong_direction: bool
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
        f"hand: {r.hand or 'none'}",
        "shift of the mark " + next(n for limit, n in SHIFTS if r.amplitude < limit),
        f"{'run-down' if r.kind == 'full' else 'part'}, {r.marks} marks, "
        f"{'40' if r.frame_rate < 40 else '80' if r.frame_rate < 80 else '250'} frames/s at most",
    )
    return Outcome(number, t.wrong, t.resolved, t.best_is_true, t.wrong_direction,
                   float(t.probability), names)  # fmt: skip


def main(count: int) -> int:
    """Run the trials and print the tables; 1 when an order is wrong."""
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        trials = pool.map(outcome, range(count), chunksize=8)
    wrong = [t for t in trials if t.wrong]
    resolved = sum(t.resolved for t in trials)
    against = sum(t.wrong_direction for t in trials)
    print(f"{count} records: {len(wrong)} wrong orders, {against} wrong directions, "
          f"{resolved / count:.1%} resolved")  # fmt: skip
    groups: dict[str, list[Outcome]] = defaultdict(list)
    for t in trials:
        for name in t.classes:
            groups[name].append(t)
    for name, group in sorted(groups.items()):
        print(f"  {name:40s} {len(group):5d}  {sum(t.resolved for t in group) / len(group):6.1%}")
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
