"""Does a camera profile resolve the start-only clips? One table.

    python tests/clips/profile_table.py [FOLDER] [CLIP ...]

For every clip a phone of its frame rate, readout and exposure (both stand in its truth file)
films two simulated tops from release to topple; what these recordings tell becomes a profile, by
the commands that a user has: measure, camera learn, measure --camera.  The simulated tops have
another view, other speeds and other marks than the clip.  Ends with 1 when an order is wrong or
the profile leaves it open.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path[:0] = [str(p) for p in Path(__file__).resolve().parents[1:3]]  # tests, then the package

import numpy as np  # noqa: E402 - the folder of the tests comes first
from clips.truth_table import SHARED, Clip, clips_in  # noqa: E402

from vidspin.cli.app import main as vidspin  # noqa: E402
from vidspin.simulate import ExponentialLoss, Scene  # noqa: E402
from vidspin.simulate.encode import Encoding, write_clip  # noqa: E402
from vidspin.store.cameras import read_profile  # noqa: E402
from vidspin.units import rad_s_from_rpm  # noqa: E402

STARTS = ("fast_start_30", "standstill_30", "plain_30")
UNRESOLVED = 5


@dataclass(frozen=True, slots=True)
class Verdict:
    """What was said of a clip's order."""

    word: str  # right, unresolved, WRONG
    odds: float
    best_is_right: bool

    def __str__(self) -> str:
        return f"{self.word:10s} {self.odds:9.3g}:1 {'best' if self.best_is_right else 'not best'}"


@dataclass(frozen=True, slots=True)
class Row:
    """One clip."""

    name: str
    readout_s: float  # true
    learnt_s: float
    u_learnt_s: float
    without: Verdict
    known: Verdict

    @property
    def good(self) -> bool:
        """Resolved with a profile, and never wrong."""
        return self.known.word == "right" and self.without.word != "WRONG"

    def __str__(self) -> str:
        return (
            f"{self.name:16s} {self.readout_s * 1e3:7.2f} {self.learnt_s * 1e3:7.2f} ± "
            f"{2 * self.u_learnt_s * 1e3:4.2f}   {self.without!s:32s}   {self.known!s:32s}"
            f"{'' if self.good else '  !'}"
        )


def full_recordings(spec: dict[str, Any], width: int, height: int) -> list[Scene]:
    """Give two run-downs from release to topple, as the phone of a clip would film them."""
    common = Scene(
        width=width, height=height, seconds=34.0, frame_rate=Fraction(spec["fps"]),
        readout_s=spec["readout"], exposure_s=spec["exposure"], release_s=1.5, topple_s=31.0,
        noise=spec.get("noise", 2.0), wander_px=2.0,
    )  # fmt: skip
    return [
        replace(common, speed_rad_s=rad_s_from_rpm(1650.0), law=ExponentialLoss(16.0), seed=41),
        replace(common, speed_rad_s=rad_s_from_rpm(1420.0), law=ExponentialLoss(18.0), seed=42,
                direction=-1, first_angle_rad=2.0, ellipse_tilt_rad=0.2, mark="stripe",
                mark_contrast=60.0, face_level=90.0),
    ]  # fmt: skip


def learn(clip: Clip, folder: Path, width: int, height: int) -> Path:
    """Film, measure and learn; the profile."""
    results = []
    for k, scene in enumerate(full_recordings(clip.truth["spec"], width, height)):
        path = folder / f"full_{k}.mp4"
        write_clip(scene, path, Encoding(preset="veryfast"), overwrite=True)
        if vidspin(["measure", str(path), "--quiet"]) != 0:
            raise SystemExit(f"{clip.name}: simulated run-down {k} was not resolved")
        results.append(str(path.with_suffix(".spin")))
    profile = folder / "phone.toml"
    if vidspin(["camera", "learn", *results, "-o", str(profile), "--quiet"]) not in (0, None):
        raise SystemExit(f"{clip.name}: nothing was learnt")
    return profile


def measured(clip: Clip, out: Path, *options: str) -> Verdict:
    """Measure a clip and hold the order against the truth."""
    code = vidspin(["measure", *map(str, clip.paths), "--out", str(out), "--quiet", *options])
    if code not in (0, UNRESOLVED):
        raise SystemExit(f"{clip.name}: could not be measured")
    said = json.loads((out / f"{clip.paths[0].stem}.spin" / "spin.json").read_text("utf-8"))
    alias, marks = said["alias"], said["marks"]
    begin = clip.truth["release_s"] or 0.0
    rows = np.array([r for r in clip.truth["rpm"] if r[0] >= begin and r[1] > 0])
    sense = 1.0 if clip.truth["direction"] == "clockwise" else -1.0
    true = sense * float(np.interp(alias["reference_s"], rows[:, 0], rows[:, 1]))
    slack = 0.25 * 60 * float(Fraction(said["recording"]["frame_rate"])) / marks
    right = abs(alias["candidates"][0]["rpm"] - true) < slack
    word = ("right" if right else "WRONG") if alias["resolved"] else "unresolved"
    return Verdict(word, float(alias["odds"] or math.nan), right)


def judge(clip: Clip, folder: Path) -> Row:
    """Measure a clip without and with the profile of its phone."""
    without = measured(clip, folder / "without")
    chapter = json.loads(
        (folder / "without" / f"{clip.paths[0].stem}.spin" / "spin.json").read_text("utf-8")
    )["recording"]["chapters"][0]
    profile = learn(clip, folder, chapter["width"], chapter["height"])
    known = measured(clip, folder / "known", "--camera", str(profile))
    learnt = read_profile(profile).readout_s
    value, u = (math.nan, math.nan) if learnt is None else (learnt.value, learnt.u)
    return Row(clip.name, clip.truth["spec"]["readout"], value, u, without, known)


def table(clips: Iterable[Clip]) -> list[Row]:
    """Print the table as it grows."""
    print(f"{'':16s} {'readout':>7s} {'learnt, ms':>14s}   {'without a profile':32s}   with it")
    rows = []
    for clip in clips:
        with tempfile.TemporaryDirectory() as folder:
            rows.append(judge(clip, Path(folder)))
        print(rows[-1], flush=True)
    return rows


def main(arguments: Sequence[str] | None = None) -> int:
    """Run over the clips; 1 when one is wrong or stays open with its profile."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("folder", nargs="?", type=Path, default=SHARED)
    parser.add_argument("clips", nargs="*", default=STARTS)
    given = parser.parse_args(arguments)
    rows = table(clips_in(given.folder, tuple(given.clips)))
    return 0 if rows and all(row.good for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
