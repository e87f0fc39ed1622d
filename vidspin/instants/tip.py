"""About which place does a top turn that leans on its tip?

Lengths are in ring radii.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.middle import median
from vidspin.records import BoolArray, FloatArray, IntArray
from vidspin.regression import tame

USUAL_REACH, U_REACH = 0.65, 0.3  # height of the face, where no lean has told it yet
U_DRIFT = 0.15  # a tip that stands wanders by so much a second
AWAY = 0.06  # a tip that stands is nearer to its place
LEAST_POSES = 8  # of pictures, that tell the place of a tip
QUICK = 0.8  # ring radii a second: no tip wanders so fast
ANY_LEAN = 0.9  # sine of a lean that no top on its tip has


@dataclass(frozen=True, slots=True)
class Path:
    """Where the face was in each followed picture, the camera's motion taken out."""

    index: IntArray  # (n,) number of the picture
    time_s: FloatArray  # (n,)
    pose: FloatArray  # (n, 4) middle of the face, and unit vector of the axis in the picture
    score: FloatArray  # (n,) correlation with the steady face, 0-1
    step_s: float
    finest: float  # no single picture tells the tip better than this
    least: float = 0.4  # a face that is followed correlates better


@dataclass(frozen=True, slots=True)
class Tip:
    """The place about which the top turns."""

    place: FloatArray  # (2,)
    reach: float  # height of the face above it
    scatter: float = AWAY  # usual error of one picture's tip

    def pose(self, axis: FloatArray) -> FloatArray:
        """Return middle and axis of a face that leans about this tip."""
        return np.concatenate([self.place + self.reach * axis, axis])

    def offset(self, path: Path) -> FloatArray:
        """Return how far each picture's tip is from this place, (n, 2)."""
        return np.asarray(path.pose[:, :2] - self.reach * path.pose[:, 2:] - self.place)


def pivot(path: Path, use: BoolArray) -> Tip:
    """Fit the place about which the top turned; it may drift, evenly and slowly."""
    time, pose = path.time_s[use], path.pose[use]
    ones, since = np.ones(len(time)), time[-1]
    rows = np.einsum("ni,jk->njik", np.column_stack([ones, time - since]), np.eye(2))
    design = np.column_stack([rows.reshape(2 * len(time), 4), pose[:, 2:].ravel()])
    belief = np.diag([1.0 / U_DRIFT, 1.0 / U_DRIFT, 1.0 / U_REACH]) @ np.eye(5)[2:]
    known = np.array([0.0, 0.0, USUAL_REACH / U_REACH])
    weight, scatter = ones, path.finest
    for _ in range(8):
        root = np.repeat(np.sqrt(weight), 2) / scatter
        matrix = np.vstack([design * root[:, None], belief])
        p = np.linalg.lstsq(matrix, np.append(pose[:, :2].ravel() * root, known), rcond=None)[0]
        left = np.hypot(*(pose[:, :2] - (design @ p).reshape(-1, 2)).T)
        # Median of a distance in the plane: 1.18 standard deviations of a coordinate.
        scatter = max(median(left) / 1.18, path.finest)
        weight = tame(left, 2.0 * scatter)
    return Tip(p[:2], float(p[4]), scatter)


def escape_s(path: Path, tip: Tip, gone: int) -> float | None:
    """When was the face farther from the tip's place than a lean or a wandering tip takes it?

    That asks for no axis, which a face seen from above hardly tells: the tip was gone by then.
    `gone` is the first picture in which the tip seemed away.
    """
    far = np.hypot(*(path.pose[gone:, :2] - tip.place).T)
    reach = max(abs(tip.reach), USUAL_REACH)
    since = path.time_s[gone:] - path.time_s[gone]
    out = (far > ANY_LEAN * reach + QUICK * since) & (path.score[gone:] > path.least)
    out[:-1] &= out[1:]  # one alone may be chance
    return float(path.time_s[gone + int(np.argmax(out))]) if out.any() else None
