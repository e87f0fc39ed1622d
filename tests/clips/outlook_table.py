"""Do plan and rehearsal foretell what a measurement then achieves? One table.

    python tests/clips/outlook_table.py [FOLDER] [CLIP ...] [--seconds S]

Every clip with a truth file is measured (with bounds of 15 % to both sides of its true first
speed, so that each has one speed), planned from its settings and from sizes read off a picture,
and rehearsed from its first S (30) seconds.  Compared is the expanded uncertainty of the speed: of
the plan in mid-spin, with the clock's rate; of the rehearsal the median over the rehearsed part,
for which it speaks, without the clock's rate, and under the true one of the orders that it leaves
open.
Ends with 1 when a ratio lies outside of 1.5 either way.  Clips with a built-in fault are shown
and not counted: a plan knows of no cut.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from clips.truth_table import BOUNDS, SHARED, Clip, clips_in

from vidspin.footage.excerpt import Excerpt
from vidspin.footage.frames import Recording
from vidspin.measure import measure
from vidspin.plan import Plan, at_speed
from vidspin.records import Budget, Result, Settings
from vidspin.rehearsal import judge, measurable, open_uncertainties, sight
from vidspin.units import rpm_from_rad_s

FACTOR = 1.5
REHEARSED_S = 30.0
# Sizes in the picture as a ruler on the screen gives them, px: top, mark along and across the
# turn, radius of its path; and contrast in grey levels.
DOT = (215, 12, 10, 90, 60)
STRIPE = (215, 12, 25, 85, 90)
SECOND = (150, 6, 8, 54, 70)


@dataclass(frozen=True)
class Foretold:
    """What was expected of a clip and what came."""

    name: str
    faulty: bool
    measured: float  # u95 in mid-spin, rev/min
    planned: float
    measured_excl: float  # without the clock's rate, median over the rehearsed part
    rehearsed_excl: float
    fit: bool

    @property
    def ratios(self) -> tuple[float, float]:
        """Plan and rehearsal over the measurement."""
        return self.planned / self.measured, self.rehearsed_excl / self.measured_excl

    @property
    def good(self) -> bool:
        """Whether both lie within `FACTOR`."""
        return self.faulty or all(1 / FACTOR < r < FACTOR for r in self.ratios)

    def __str__(self) -> str:
        plan, rehearsal = self.ratios
        return (
            f"{self.name:22s} {self.measured:9.3f} {self.planned:9.3f} {plan:6.2f}   "
            f"{self.measured_excl:9.4f} {self.rehearsed_excl:9.4f} {rehearsal:6.2f}  "
            f"{'fit' if self.fit else 'unfit':6s}"
            f"{'' if self.good else ' !'}{' (fault)' if self.faulty else ''}"
        )


def planned(clip: Clip, result: Result) -> Plan:
    """Plan a clip from its settings and the sizes that a filmer would know."""
    spec: dict[str, Any] = clip.truth["spec"]
    top, mark, length, ring, contrast = (
        SECOND if "atlas" not in spec else STRIPE if "stripe" in spec["atlas"] else DOT
    )
    begin = clip.truth["release_s"] or 0.0
    rows = [(t, w) for t, w in clip.truth["rpm"] if t >= begin and w > 0]
    rate = Fraction(spec["fps"])
    chapter = result.footage.chapters[0]
    return Plan(
        high_rpm=rows[0][1], low_rpm=rows[-1][1],
        spin_time_s=(rows[-1][0] - rows[0][0]) * float(result.footage.time_scale),
        frame_rate=float(rate),
        exposure_s=spec["exposure"], readout_s=spec["readout"], width=chapter.width,
        height=chapter.height, top_px=top, mark_px=mark, mark_length_px=length, ring_px=ring,
        marks=spec["marks"], contrast=contrast,
        tick_s=float(chapter.time_base) * float(result.footage.time_scale),
    )  # fmt: skip


def middle(result: Result) -> Budget:
    """Budget in mid-spin."""
    return next(b for b in result.curve.budgets if b.at == "mid-spin")


def excl_until(result: Result, time_s: float) -> float:
    """Give the median u95 without the clock up to an instant, rev/min."""
    early = result.curve.u95_speed_rad_s[result.curve.time_s <= time_s]
    return float(rpm_from_rad_s(float(np.nanmedian(early))))


def foretell(clip: Clip, rehearsed_s: float) -> Foretold:
    """Measure, plan and rehearse one clip."""
    first = clip.first_rpm
    bounds = (first * (1 - BOUNDS), first * (1 + BOUNDS))
    recording = Recording.open(clip.paths)
    result = measure(recording, Settings(bounds_rpm=bounds), version="table", created="")
    budget = middle(result)
    speed, u95 = (float(rpm_from_rad_s(v)) for v in (budget.speed_rad_s, budget.k * budget.u))
    excerpt = Excerpt(Recording.open(clip.paths), rehearsed_s)
    tried = measure(excerpt, Settings(), version="table", created="")
    times = tried.curve.residual_time_s
    groups = [excerpt.around(float(t), before=6, after=6) for t in times[len(times) // 4 :: 90][:3]]
    rows = judge(sight(groups, tried.survey, full_range=False), tried)
    sense = 1.0 if clip.truth["direction"] == "clockwise" else -1.0
    told = open_uncertainties(tried)  # of each order that it leaves open: take the true one
    rehearsed = min(told, key=lambda one: abs(one[0] - sense * speed))[1]
    return Foretold(
        clip.name, clip.faulty, u95, at_speed(planned(clip, result), speed).u95_rpm,
        excl_until(result, tried.curve.time_s[-1]), rehearsed, measurable(rows),
    )  # fmt: skip


def table(clips: Iterable[Clip], rehearsed_s: float = REHEARSED_S) -> list[Foretold]:
    """Print the table as it grows."""
    print(f"{'':22s} {'measured':>9s} {'planned':>9s} {'ratio':>6s}   "
          f"{'measured*':>9s} {'rehearsed*':>9s} {'ratio':>6s}")  # fmt: skip
    rows = []
    for clip in clips:
        rows.append(foretell(clip, rehearsed_s))
        print(rows[-1], flush=True)
    print("u95 of the speed, rev/min; * without the clock's rate, median of the rehearsed part")
    return rows


def main() -> int:
    """Run over a folder; 1 when something was not foretold."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("folder", nargs="?", type=Path, default=SHARED)
    parser.add_argument("clips", nargs="*")
    parser.add_argument("--seconds", type=float, default=REHEARSED_S)
    given = parser.parse_args()
    rows = table(clips_in(given.folder, tuple(given.clips)), given.seconds)
    return 0 if rows and all(row.good for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
