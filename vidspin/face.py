"""Where is the face of a top in a picture, and how does it lean?

The face is followed by its circles (edge, groove, hub): the slope of the log brightness along
each radius is correlated with that of steady pictures, without regard to sign, because a leaning
disc that catches the lamp swaps bright and dark.  Lengths are in ring radii, except where a name
ends in ``_px``.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from vidspin.records import ByteArray, Ellipse, FloatArray

Image = NDArray[np.float32]

RADII = np.linspace(0.40, 1.38, 44)  # from the hub over the mark to the face's edge
ANGLES = np.arange(72) * (2.0 * np.pi / 72)
LEANS_RAD = (0.1, 0.2, 0.3)  # leans that are tried afresh in every picture, 30 degrees apart
DARKEST = 16.0  # added to grey levels before the logarithm: black tells nothing


def steady_pose(ring: Ellipse) -> FloatArray:
    """Return middle and axis of the upright face; the axis may as well point the other way."""
    across = math.sqrt(max(0.0, 1.0 - (ring.minor_px / ring.major_px) ** 2))
    axis = (across * math.sin(ring.tilt_rad), -across * math.cos(ring.tilt_rad))
    return np.array([ring.x_px / ring.major_px, ring.y_px / ring.major_px, *axis])


def circle(axis: FloatArray) -> FloatArray:
    """Return the unit circle about an axis as the picture shows it, (2, angles)."""
    along = float(np.hypot(*axis))
    toward = axis / along if along > 1e-9 else np.array([0.0, 1.0])
    unit = np.stack([np.cos(ANGLES), np.sin(ANGLES)])
    squeeze = 1.0 - math.sqrt(max(1.0 - along * along, 1e-3))
    return np.asarray(unit - squeeze * np.outer(toward, toward @ unit))


class Face:
    """The circles of the steady face, to be found again at any lean."""

    def __init__(self, steady: ByteArray, ring: Ellipse) -> None:
        self.a = ring.major_px
        self.pose = steady_pose(ring)
        turn = np.arange(0.0, 2.0 * np.pi, np.pi / 6)
        around = np.column_stack([np.cos(turn), np.sin(turn)])
        self.leans = self.pose[2:] + np.concatenate([math.sin(x) * around for x in LEANS_RAD])
        slopes = [self._slopes(log_levels(picture), self.pose) for picture in steady]
        self._like = np.asarray(np.median(slopes, axis=0), np.float32)
        self._size = np.sqrt((self._like**2).sum(axis=0))

    def _slopes(self, log: Image, pose: FloatArray) -> Image:
        """Unroll the face and take the slope along each radius."""
        ring = self.a * circle(pose[2:])
        x, y = ((self.a * pose[k] + RADII[:, None] * ring[k]).astype(np.float32) for k in (0, 1))
        rolled = cv2.remap(log, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(rolled[2:] - rolled[:-2], np.float32)

    def score(self, log: Image, pose: FloatArray) -> float:
        """Correlate a picture's face with the steady one, radius by radius."""
        if pose[2] ** 2 + pose[3] ** 2 > 0.998:  # seen from the edge there is no face
            return -1.0
        slopes = self._slopes(log, pose)
        like = np.abs((slopes * self._like).sum(axis=0))
        return float(np.mean(like / (np.sqrt((slopes**2).sum(axis=0)) * self._size + 1e-2)))

    def fit(self, log: Image, pose: FloatArray) -> tuple[FloatArray, float]:
        """Find the face near a pose."""
        found = climb(lambda p: self.score(log, p), pose, np.array([0.02, 0.02, 0.03, 0.03]))
        return found, self.score(log, found)

    def held(
        self, log: Image, pose_of: Callable[[FloatArray], FloatArray], axes: FloatArray
    ) -> FloatArray:
        """Find the face while its tip stays in place, from the best of some axes."""

        def height(axis: FloatArray) -> float:
            return self.score(log, pose_of(axis))

        return pose_of(climb(height, max(axes, key=height), np.array([0.04, 0.04])))


def blurred(picture: ByteArray | FloatArray, sigma_px: float) -> Image:
    """Blur a picture."""
    return np.asarray(cv2.GaussianBlur(picture.astype(np.float32), (0, 0), sigma_px), np.float32)


def log_levels(picture: ByteArray) -> Image:
    """Return the logarithm of a picture, hardly blurred."""
    return np.asarray(np.log(blurred(picture, 1.0) + np.float32(DARKEST)), np.float32)


def climb(
    height: Callable[[FloatArray], float], start: FloatArray, steps: FloatArray
) -> FloatArray:
    """Climb to the highest place near a start (Nelder-Mead: the height has no slopes)."""
    corners = np.vstack([start, start + np.diag(steps)])
    options = {"initial_simplex": corners, "xatol": 3e-4, "fatol": 2e-5, "maxfev": 160}
    found = minimize(lambda p: -height(p), start, method="Nelder-Mead", options=options)
    return np.asarray(found.x, np.float64)
