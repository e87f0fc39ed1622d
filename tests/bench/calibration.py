"""Stated odds of the best order against how often it is wrong, on simulated phase records.

    python tests/bench/calibration.py [COUNT] [--out FILE.svg] [--processes N]

Each record is judged without and with a camera profile.  Prints both tables with 95 % intervals
(Clopper and Pearson) and draws them.  The last table counts verdicts, which other doubts than
the odds can leave unresolved: a verdict at 1000:1 or more that names another order than the true
one is wrong, and the exit code is then 1.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path[:0] = [str(p) for p in Path(__file__).resolve().parents[1:3]]  # tests, then the package

from profile_trials import trial_with_profile  # noqa: E402 - the folder of the tests comes first
from scipy.stats import binomtest  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
PICTURE = ROOT / "docs" / "img" / "calibration.svg"
SHARES = (0.0, 0.3, 0.5, 0.7, 0.9, 0.97, 0.99, 0.999, 0.9999, 1.0001)
ODDS = (0.0, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1e3, 1e4, 1e6, float("inf"))
NEEDED = 1e3
INTERVAL = 0.95


@dataclass(frozen=True)
class Judged:
    """What is counted of a verdict."""

    number: int
    kind: str
    profile: bool
    told: bool  # an order was weighed at all
    probability: float  # of the best candidate, as stated
    odds: float
    right: bool  # the best candidate is the true one
    resolved: bool


@dataclass(frozen=True)
class Bin:
    """Verdicts of like odds."""

    low: float
    high: float
    count: int
    wrong: int
    stated: float  # mean stated chance that the best is wrong

    @property
    def interval(self) -> tuple[float, float]:
        """Bounds of the true error rate."""
        found = binomtest(self.wrong, self.count).proportion_ci(INTERVAL, method="exact")
        return float(found.low), float(found.high)


def judged(number: int) -> list[Judged]:
    """Judge one record without and with a profile."""
    rows = []
    for profile in (False, True):
        t = trial_with_profile(number, known=profile)
        told = t.verdict is not None and bool(t.verdict.candidates)
        odds = t.verdict.odds if t.verdict is not None and told else float("nan")
        rows.append(Judged(number, t.record.kind, profile, told, float(t.probability), odds,
                           t.best_is_true, t.resolved))  # fmt: skip
    return rows


def binned(rows: Sequence[Judged], of: Callable[[Judged], float], edges: Sequence[float]
           ) -> list[Bin]:  # fmt: skip
    """Sort verdicts into bins; empty ones are left out."""
    out = []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        some = [r for r in rows if low <= of(r) < high]
        if some:
            # 1 - p is 0 where p was rounded to 1: the odds know better
            stated = sum(1.0 / (1.0 + r.odds) for r in some) / len(some)
            out.append(Bin(low, high, len(some), sum(not r.right for r in some), stated))
    return out


def table(title: str, bins: Sequence[Bin]) -> None:
    """Print bins with what was stated and what came."""
    print(title)
    for b in bins:
        low, high = b.interval
        inside = "" if low <= b.stated <= high else "  surer than it may be" if (
            b.stated < low) else "  more careful than need be"  # fmt: skip
        print(
            f"  {b.low:10.6g} to {b.high:<10.6g} {b.count:6d}  stated wrong {b.stated:9.3g}  "
            f"wrong {b.wrong:4d} = {b.wrong / b.count:8.3g} ({low:.2g} to {high:.2g}){inside}"
        )


def draw(parts: Sequence[tuple[str, Sequence[Bin], str, str]], count: int, path: Path) -> None:
    """Draw the error rate against the stated one."""
    import matplotlib

    matplotlib.use("svg")
    matplotlib.rcParams["svg.hashsalt"] = "calibration"
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(figsize=(7, 5), layout="constrained")
    axes.plot([1e-13, 1], [1e-13, 1], color="#5c5c5c", lw=1, label="as stated")
    for k, (name, bins, colour, marker) in enumerate(parts):
        for b in bins:
            low, high = b.interval
            x = max(b.stated, 1e-12) * 1.06 ** (2 * k - 1)
            if b.wrong:
                axes.plot([x, x], [low, high], color=colour, lw=1.2)
                axes.plot(x, b.wrong / b.count, marker, color=colour)
            else:  # only a bound is known
                axes.plot([x, x], [high / 2, high], color=colour, lw=1.2)
                axes.plot(x, high / 2, "v", color=colour, mfc="white")
        axes.plot([], [], marker, color=colour, label=name)
    axes.plot([], [], "v", color="#1a1a1a", mfc="white", label="none wrong: 95 % bound above")
    axes.set(xscale="log", yscale="log", xlim=(5e-13, 1), ylim=(1e-4, 1),
             xlabel="stated chance that the best order is wrong, 1 / (1 + odds)",
             ylabel="how often it was wrong (95 % interval)",
             title=f"Stated odds against errors, {count} simulated records")  # fmt: skip
    axes.axvline(1 / (1 + NEEDED), color="#5c5c5c", ls=":", lw=1)
    axes.text(1 / (1 + NEEDED), 0.7, "resolved from here  ", ha="right", color="#5c5c5c")
    axes.legend(loc="lower left", frameon=False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, metadata={"Date": None})


def report(rows: Sequence[Judged], count: int, path: Path) -> int:
    """Print the tables, draw them and give the exit code."""
    parts, bad = [], []
    for profile, colour, marker in ((False, "#0072b2", "o"), (True, "#d55e00", "s")):
        name = "with a camera profile" if profile else "without a profile"
        mine = [r for r in rows if r.profile == profile]
        told = [r for r in mine if r.told]
        print(f"== {count} records, {name}: {len(mine) - len(told)} without any candidate")
        table("by the stated probability of the best order",
              binned(told, lambda r: r.probability, SHARES))  # fmt: skip
        bins = binned(told, lambda r: r.odds, ODDS)
        table("by the stated odds of the best order against all others", bins)
        parts.append((name, bins, colour, marker))
        sure = [r for r in told if r.odds >= NEEDED]
        resolved = [r for r in mine if r.resolved]
        wrong = [r.number for r in resolved if not r.right]
        bad += wrong
        print(
            f"verdicts: {len(sure)} at {NEEDED:g}:1 or more, of which "
            f"{sum(not r.right for r in sure)} wrong; {len(resolved)} stated as resolved "
            f"({len(resolved) / len(mine):.1%}), of which {len(wrong)} wrong {wrong[:20]}"
        )
        for kind in ("full", "middle", "start"):
            some = [r for r in mine if r.kind == kind]
            share = sum(r.resolved for r in some) / max(1, len(some))
            print(f"  {kind:7s} {len(some):5d} records, {share:6.1%} resolved")
    draw(parts, count, path)
    print(path)
    return int(bool(bad))


def main() -> int:
    """Run the trials."""
    options = argparse.ArgumentParser(description="Calibration of the stated odds.")
    options.add_argument("count", nargs="?", type=int, default=5000)
    options.add_argument("--out", type=Path, default=PICTURE)
    options.add_argument("--processes", type=int, default=1)
    given = options.parse_args()
    with multiprocessing.get_context("spawn").Pool(given.processes) as pool:
        rows = [r for pair in pool.imap(judged, range(given.count), chunksize=20) for r in pair]
    return report(rows, given.count, given.out)


if __name__ == "__main__":
    raise SystemExit(main())
