"""Where is the face of a top in a picture, and how does it lean?

The face is followed by its circles (edge, groove, hub): the slope of the log brightness along
each radius is correlated with that of steady pictures, without regard to sign, because a leaning
disc that catches the lamp swaps bright and dark.  Lengths are in ring radii, except where a name
ends in ``_px``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.instants.climb import climb
from vidspin.records import ByteArray, Ellipse, FloatArray

Image = NDArray[np.float32]

STEP = 0.98 / 43
RADII = 0.40 + STEP * np.arange(98)  # from the hub over the mark to beyond the face's edge
USUAL_EDGE, PAST_EDGE = 1.30, 0.08  # where the edge is not told, and so much is taken beyond it
EDGE_FROM, EDGE_CLEAR = 1.05, 2.0  # an edge's slope is so many times the usual one there
ANGLES = np.arange(72) * (2.0 * np.pi / 72)
UNIT = np.stack([np.cos(ANGLES), np.sin(ANGLES)])
LEANS_RAD = (0.1, 0.2, 0.3)  # leans that are tried afresh in every picture, 30 degrees apart
BESIDE = 0.25  # so far beside the face there is none
UPRIGHT, MOST_UPRIGHT = 0.3, 0.8  # so near to its usual pose in most of the steady pictures
LEARNT_AGAIN = 2  # times, from where the face was found in the steady pictures
ROUND = 0.94  # minor over major: a face seen from above, by 70 degrees, hardly tells its lean
DARKEST = 16.0  # added to grey levels before the logarithm: black tells nothing


def steady_pose(ring: Ellipse) -> FloatArray:
    """Return middle and axis of the upright face; the axis may as well point the other way."""
    across = math.sqrt(max(0.0, 1.0 - (ring.minor_px / ring.major_px) ** 2))
    axis = (across * math.sin(ring.tilt_rad), -across * math.cos(ring.tilt_rad))
    return np.array([ring.x_px / ring.major_px, ring.y_px / ring.major_px, *axis])


def circle(axis: FloatArray) -> FloatArray:
    """Return the unit circle about an axis as the picture shows it, (2, angles)."""
    return np.asarray(circles(axis[None])[0])


def circles(axes: FloatArray) -> FloatArray:
    """Return the unit circles about K axes as the picture shows them, (K, 2, angles)."""
    along = np.hypot(axes[:, 0], axes[:, 1])[:, None]
    toward = np.where(along > 1e-9, axes / np.maximum(along, 1e-9), (0.0, 1.0))
    squeeze = 1.0 - np.sqrt(np.maximum(1.0 - along**2, 1e-3))
    return np.asarray(UNIT - (squeeze * toward)[:, :, None] * (toward @ UNIT)[:, None, :])


def from_above(ring: Ellipse) -> bool:
    """Say whether a top is seen so much from above that its face's lean is hardly told."""
    return ring.minor_px > ROUND * ring.major_px


class Face:
    """The circles of the steady face, to be found again at any lean."""

    def __init__(
        self, steady: ByteArray, ring: Ellipse, middle_px: FloatArray | None = None
    ) -> None:
        self.a, self._radii = ring.major_px, RADII
        self.pose = steady_pose(ring)
        turn = np.arange(0.0, 2.0 * np.pi, np.pi / 6)
        around = np.column_stack([np.cos(turn), np.sin(turn)])
        self.leans = self.pose[2:] + np.concatenate([math.sin(x) * around for x in LEANS_RAD])
        poses = np.repeat(self.pose[None], len(steady), axis=0)
        if middle_px is not None:
            poses[:, :2] = np.where(np.isfinite(middle_px), middle_px / self.a, poses[:, :2])
        logs = [log_levels(picture) for picture in steady]
        self._learn(logs, poses)
        edge = self._edge()
        self._radii = RADII[: int(np.searchsorted(RADII, edge + PAST_EDGE)) + 1]
        self._learn(logs, poses)
        given = poses
        for _ in range(LEARNT_AGAIN):  # a top that leans already shows its circles elsewhere
            fits = [self.fit(log, pose) for log, pose in zip(logs, poses, strict=True)]
            found = np.stack([pose for pose, _ in fits])
            if np.mean(np.abs(found - given).max(axis=1) < UPRIGHT) < MOST_UPRIGHT:
                break  # one that rolls on its rim is no face to be found again
            poses = found
            self._learn(logs, poses)
        self.edge = edge
        self.usual = float(np.median([score for _, score in fits]))
        beside = np.zeros((4, 4))
        beside[:, :2] = BESIDE * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
        astray = [self.scores(log, pose + beside) for log, pose in zip(logs, poses, strict=True)]
        self.astray = float(np.median(astray))

    def _learn(self, logs: list[Image], poses: FloatArray) -> None:
        """Take the steady face from pictures in which its place is known."""
        slopes = [self._slopes(log, pose[None])[0] for log, pose in zip(logs, poses, strict=True)]
        self._like = np.asarray(np.median(slopes, axis=0), np.float32)
        self._size = np.sqrt((self._like**2).sum(axis=0))
        # Where face and table are alike there is little to be found again; a glare is no more.
        weight = np.minimum(self._size, np.median(self._size)) + np.float32(1e-6)
        self._weight = weight / weight.sum()

    def _edge(self) -> float:
        """Tell where the face ends: the strongest circle outside the mark."""
        # What lies about the top has no circles: its slopes swap signs around them.
        waves = np.abs(np.fft.rfft(self._like, axis=1)[:, :2])
        strength = np.hypot(waves[:, 0], np.sqrt(2.0) * waves[:, 1])
        radii = self._radii[1:-1]
        outside = radii > EDGE_FROM
        at = int(np.argmax(np.where(outside, strength, 0.0)))
        clear = strength[at] > EDGE_CLEAR * float(np.median(strength[outside]))
        return float(radii[at]) if clear else USUAL_EDGE

    def _slopes(self, log: Image, poses: FloatArray) -> Image:
        """Unroll the face and take the slope along each radius, for K poses."""
        rings = (self.a * circles(poses[:, 2:])).astype(np.float32)
        middles = (self.a * poses[:, :2]).astype(np.float32)
        radii = self._radii.astype(np.float32)[:, None]
        x, y = (middles[:, k, None, None] + radii * rings[:, None, k] for k in (0, 1))
        flat = (len(poses) * len(radii), len(ANGLES))
        rolled = cv2.remap(
            log, x.reshape(flat), y.reshape(flat), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ).reshape(x.shape)  # fmt: skip
        return np.asarray(rolled[:, 2:] - rolled[:, :-2], np.float32)

    def scores(self, log: Image, poses: FloatArray) -> FloatArray:
        """Correlate a picture's face at K poses with the steady one, radius by radius."""
        slopes = self._slopes(log, poses)
        like = np.abs(np.einsum("kra,ra->ka", slopes, self._like))
        size = np.sqrt(np.einsum("kra,kra->ka", slopes, slopes)) * self._size
        score = (like / (size + 1e-2)) @ self._weight
        edge_on = (poses[:, 2:] ** 2).sum(axis=1) > 0.998  # seen from the edge there is no face
        return np.where(edge_on, -1.0, score)

    def fit(self, log: Image, pose: FloatArray) -> tuple[FloatArray, float]:
        """Find the face near a pose."""
        return climb(lambda p: self.scores(log, p), pose, np.array([0.02, 0.02, 0.03, 0.03]))

    def held(
        self, log: Image, pose_of: Callable[[FloatArray], FloatArray], axes: FloatArray
    ) -> FloatArray:
        """Find the face while its tip stays in place, from the best of some axes."""

        def heights(tried: FloatArray) -> FloatArray:
            return self.scores(log, np.stack([pose_of(axis) for axis in tried]))

        best = axes[int(np.argmax(heights(axes)))]
        return pose_of(climb(heights, best, np.array([0.04, 0.04]))[0])


def blurred(picture: NDArray[Any], sigma_px: float) -> Image:
    """Blur a picture."""
    return np.asarray(cv2.GaussianBlur(picture.astype(np.float32), (0, 0), sigma_px), np.float32)


def log_levels(picture: ByteArray) -> Image:
    """Return the logarithm of a picture, hardly blurred."""
    return np.asarray(np.log(blurred(picture, 1.0) + np.float32(DARKEST)), np.float32)
