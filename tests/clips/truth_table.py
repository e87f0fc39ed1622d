"""Are order, direction, speeds and events right on clips whose truth is known? One table.

    python tests/clips/truth_table.py [FOLDER] [--between] [CLIP ...]

Every clip of the folder with a NAME.truth.json beside it is measured, without hints or, with
--between, with bounds 15 % to both sides of its true first speed.  NAME_1.mp4, NAME_2.mp4 are
chapters of one recording.  Without a folder: sample_clips/, and shared/clips beside the
repository where that is there.  Ends with 1 when an order or a direction is wrong or a clip
cannot be measured.

What is compared: each row of the speed curve that lies between true release and true topple
with the true speed at that instant, against `u95` without the clock (the clips' clocks are exact).
Truth times are file seconds; slow motion is scaled to scene seconds.  Clips with a built-in fault
must run; their errors stay out of the pool.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from vidspin.errors import VidspinError
from vidspin.footage.frames import Recording
from vidspin.measure import measure
from vidspin.records import Event, Result, Settings
from vidspin.units import rpm_from_rad_s

REPOSITORY = Path(__file__).resolve().parents[2]
SAMPLES = REPOSITORY / "sample_clips"
SHARED = REPOSITORY.parent / "shared" / "clips"

FAULTY = ("cut", "push", "sound")  # first word of a clip's name: recordings made to be wrong
BOUNDS = 0.15  # either side of the true first speed
RMS_LIMIT = 2e-4  # of the speed, pooled
STRAIGHT_RPM = 2e-5  # that rounded rows of a chord may be off it
TRUTH_GAP_S = 1.01  # truth is interpolated between rows no further apart than this


@dataclass(frozen=True, slots=True)
class Clip:
    """A recording and its truth."""

    name: str
    paths: tuple[Path, ...]
    truth: dict[str, Any]

    @property
    def faulty(self) -> bool:
        """Say whether the recording was made to be wrong."""
        return self.name.split("_")[0] in FAULTY

    @property
    def first_rpm(self) -> float:
        """Return the first true speed of the free spin."""
        after = self.truth["release_s"] or 0.0
        return next(float(w) for t, w in self.truth["rpm"] if t >= after and w > 0)


@dataclass(frozen=True, slots=True)
class End:
    """An event against its truth."""

    error_s: float | None = None  # None: not in both
    u95_s: float | None = None
    allowed_s: float = math.inf
    word: str = "-"  # where there is no error to tell

    @property
    def good(self) -> bool:
        """Say whether it was told from nothing, and lies within a frame plus its u95."""
        if self.error_s is None:
            return self.word == "-"
        return abs(self.error_s) <= self.allowed_s

    def __str__(self) -> str:
        """Return error, u95, and a mark where the error is too large."""
        if self.error_s is None or self.u95_s is None:
            return self.word
        return f"{self.error_s:+.3f}±{self.u95_s:.3f}{'' if self.good else ' !'}"


@dataclass(frozen=True, slots=True)
class Row:
    """What the table says of one clip."""

    name: str
    faulty: bool = False
    order: str = "-"  # right, unresolved, WRONG
    best_is_right: bool = False
    true_listed: bool = False  # the true speed is among the candidates
    direction: str = "-"  # right, untold, WRONG
    error: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))  # of the speed
    inside: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    release: End = End()
    topple: End = End()
    seconds: float = 0.0
    failure: str = ""

    @property
    def bad(self) -> bool:
        """Say whether the program was wrong, not only unsure."""
        return bool(self.failure) or "WRONG" in (self.order, self.direction)

    @property
    def pooled(self) -> bool:
        """Say whether its errors count."""
        return self.order == "right" and not self.faulty


def clips_in(folder: Path, names: Sequence[str] = ()) -> list[Clip]:
    """List the clips of a folder that have a truth file, in order of name."""
    found = []
    for path in sorted(folder.glob("*.truth.json")):
        name = path.name.removesuffix(".truth.json")
        if names and name not in names:
            continue
        files = sorted(folder.glob(f"{name}.m*")) or sorted(folder.glob(f"{name}_[0-9].m*"))
        if files:
            found.append(Clip(name, tuple(files), json.loads(path.read_text("utf-8"))))
    return found


def judge(clip: Clip, *, between: bool = False) -> Row:
    """Measure a clip and hold the result against its truth."""
    first = clip.first_rpm
    bounds = (first * (1 - BOUNDS), first * (1 + BOUNDS)) if between else None
    start = time.perf_counter()
    try:
        result = measure(
            Recording.open(clip.paths),
            Settings(bounds_rpm=bounds),
            version="truth table",
            created="2000-01-01T00:00:00Z",
        )
    except VidspinError as error:
        return Row(clip.name, clip.faulty, failure=str(error))
    return compared(clip, result, time.perf_counter() - start)


def compared(clip: Clip, result: Result, seconds: float = 0.0) -> Row:
    """Hold a result against the truth of its clip."""
    facts, truth = result.footage, clip.truth
    scale, rate = float(facts.time_scale), float(facts.frame_rate)
    rpm = np.array(truth["rpm"], float)
    rpm[:, 0] *= scale
    release, topple = (
        None if truth[key] is None else truth[key] * scale for key in ("release_s", "topple_s")
    )
    rpm = rpm[(rpm[:, 0] >= (release or 0.0)) & (rpm[:, 1] > 0)]
    curve = result.curve
    seen, u95 = rpm_from_rad_s(curve.speed_rad_s), rpm_from_rad_s(curve.u95_speed_rad_s)
    true = true_rpm(rpm, curve.time_s)
    true[_far(curve.time_s, rpm[:, 0])] = np.nan
    known = np.isfinite(seen) & np.isfinite(true) & (curve.time_s <= (topple or np.inf))
    error = (seen[known] - true[known]) / true[known]
    inside = np.abs(seen[known] - true[known]) <= u95[known]
    # one alias order more or less is this far away, and a wrong sense of rotation not nearer
    slack = 0.25 * 60 * rate / int(truth.get("marks") or truth["spec"].get("marks") or 1)
    sense = 1.0 if truth["direction"] == "clockwise" else -1.0
    at = float(np.interp(result.alias.reference_s, rpm[:, 0], rpm[:, 1])) * sense
    near = [abs(c.rpm - at) < min(slack, 0.1 * abs(at) + 30) for c in result.alias.candidates]
    right = bool(near and near[0])
    order = "unresolved" if not result.alias.resolved else "right" if right else "WRONG"
    direction = "untold"
    if result.direction is not None:
        direction = "right" if result.direction == truth["direction"] else "WRONG"
    return Row(
        clip.name, clip.faulty, order, right, any(near), direction, error, inside,
        _end(result.release, release, 1 / rate), _end(result.topple, topple, 1 / rate), seconds,
    )  # fmt: skip


def true_rpm(rows: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """True speeds at instants, rev/min; NaN outside of the rows (time, speed).

    Rows between whole seconds may be chords from one second to the next, which lie above a
    run-down that bends (by 0.02 rev/min at a loss of 13 rev/min a second): a cubic goes through
    the others.
    """
    nodes = rows[1:-1][np.abs(np.diff(rows[:, 1], 2)) > STRAIGHT_RPM]
    if len(nodes) < 4:
        return np.asarray(np.interp(at, rows[:, 0], rows[:, 1], left=np.nan, right=np.nan))
    true = np.asarray(CubicSpline(nodes[:, 0], nodes[:, 1])(at), np.float64)
    return np.where((at >= rows[0, 0]) & (at <= rows[-1, 0]), true, np.nan)


def _far(at: NDArray[np.float64], rows: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say where the rows of the truth to both sides are too far apart to interpolate."""
    right = np.clip(np.searchsorted(rows, at), 1, len(rows) - 1)
    return np.asarray(rows[right] - rows[right - 1] > TRUTH_GAP_S)


def _end(event: Event | None, true_s: float | None, frame_s: float) -> End:
    seen = event is not None and event.seen
    if true_s is None:
        return End(word="invented" if seen else "-")
    if event is None or not seen:
        return End(word="missed")
    return End(event.time_s - true_s, event.u95_s, frame_s + event.u95_s)


# ----------------------------------------------------------------------------- table

HEAD = (
    f"{'clip':22s} {'order':11s} {'direction':9s} {'rms %':>8s} {'inside':>7s} {'rows':>4s} "
    f"{'release error, s':>17s} {'topple error, s':>17s} {'took':>6s}"
)


def line(row: Row) -> str:
    """Return a clip's line of the table."""
    if row.failure:
        return f"{row.name:22s} NOT MEASURED: {row.failure}"
    rms, inside = "-", "-"
    if row.best_is_right and row.error.size:
        rms, inside = f"{100 * _rms(row.error):.4f}", f"{100 * row.inside.mean():.1f}%"
    notes = ["fault, not pooled"] if row.faulty else []
    if row.order == "unresolved":
        notes.append("best is right" if row.best_is_right else "best is another")
        notes += [] if row.true_listed else ["TRUE SPEED NOT LISTED"]
    return (
        f"{row.name:22s} {row.order:11s} {row.direction:9s} {rms:>8s} {inside:>7s} "
        f"{row.error.size:4d} {row.release!s:>17s} {row.topple!s:>17s} {row.seconds:4.1f} s "
        f"{', '.join(notes)}"
    ).rstrip()


def pooled(rows: Iterable[Row]) -> tuple[float, float, int]:
    """Return RMS error (of the speed), share inside u95, and number of speeds; resolved clips."""
    kept = [row for row in rows if row.pooled and row.error.size]
    if not kept:
        return math.nan, math.nan, 0
    error = np.concatenate([row.error for row in kept])
    return _rms(error), float(np.concatenate([row.inside for row in kept]).mean()), error.size


def _rms(values: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(values**2)))


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Measure clips with known truth.")
    parser.add_argument("what", nargs="*", metavar="FOLDER or CLIP", help="a folder first, names")
    parser.add_argument(
        "--between", action="store_true", help="state bounds 15 % about the true first speed"
    )
    asked = parser.parse_args(argv)
    names = list(asked.what)
    folders = [SHARED, SAMPLES]
    if names and Path(names[0]).is_dir():
        folders = [Path(names.pop(0))]
    clips = [clip for folder in folders if folder.is_dir() for clip in clips_in(folder, names)]
    if not clips:
        parser.error("no clip with a truth file there")
    print(HEAD)
    rows = []
    for clip in clips:
        rows.append(judge(clip, between=asked.between))
        print(line(rows[-1]), flush=True)
    return closing(rows)


def closing(rows: Sequence[Row]) -> int:
    """Print what the table amounts to; return the exit code."""
    rms, inside, count = pooled(rows)
    honest = [row for row in rows if not row.faulty]
    print(
        f"\npooled over {count} speeds of {sum(row.pooled for row in rows)} resolved clips: "
        f"rms {100 * rms:.4f} % (limit {100 * RMS_LIMIT:g} %), inside u95 {100 * inside:.1f} %"
    )
    ends = [end for row in honest for end in (row.release, row.topple)]
    print(
        f"orders: {sum(row.order == 'right' for row in honest)} right, "
        f"{sum(row.order == 'unresolved' for row in honest)} unresolved, "
        f"{sum(row.order == 'WRONG' for row in honest)} wrong; "
        f"ends beyond a frame plus u95, missed or invented: {sum(not end.good for end in ends)}"
    )
    wrong = [row.name for row in rows if row.bad]
    if wrong:
        print("WRONG:", ", ".join(wrong))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
