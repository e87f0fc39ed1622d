"""By how much did a picture move against a still one?

A linear least-squares fit at the elements with the steepest slopes, in which what moves by
itself counts little, from the better of two starts: no move at all, and the place at which
reduced pictures look most alike.

References
----------
B. D. Lucas and T. Kanade, "An iterative image registration technique with an application to
stereo vision", Proc. IJCAI 1981 (the linear step; from memory).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.middle import median
from vidspin.records import FloatArray

Image = NDArray[np.float32]

BLUR_PX = 1.5  # noise counts less, and the linear step reaches farther
MOST_POINTS = 4000  # of the steepest slopes
TURNS = 8
TAME = 3.0  # usual misfits at which an element counts a quarter
SETTLED_PX = 0.01  # a tenth of what would show along an outline
COARSE_SIDE = 96  # largest side of the reduced pictures
LEAST_GAIN = 0.2  # contrast against the still; less is another picture
LEAST_SLOPES = 1e-6  # determinant of the fit under which a picture tells no move


class Still:
    """A still picture that others are held against.

    Parameters
    ----------
    picture : (rows, columns) float32 array
        Grey levels.
    reach_px : float
        Largest move that is looked for.
    """

    def __init__(self, picture: Image, reach_px: float) -> None:
        self.reach_px = reach_px
        base = _blurred(picture)
        rows, columns = base.shape
        edge = min(int(np.ceil(reach_px)), rows // 4, columns // 4)
        inner = (slice(edge, rows - edge), slice(edge, columns - edge))
        gx = (cv2.Sobel(base, cv2.CV_32F, 1, 0, ksize=3) / 8)[inner]
        gy = (cv2.Sobel(base, cv2.CV_32F, 0, 1, ksize=3) / 8)[inner]
        steep = (gx * gx + gy * gy).ravel()
        count = min(MOST_POINTS, len(steep))
        pick = np.sort(np.argpartition(steep, len(steep) - count)[len(steep) - count :])
        y, x = np.divmod(pick, gx.shape[1])
        self._x, self._y = (x + edge).astype(np.float32), (y + edge).astype(np.float32)
        level = base[inner].ravel()[pick]
        self._level = level
        self._design = np.stack([level, np.ones_like(level), gx.ravel()[pick], gy.ravel()[pick]], 1)
        self._factor = max(1, int(np.ceil(max(rows, columns) / COARSE_SIDE)))
        small = _reduced(base, self._factor)
        self._margin = min(
            int(np.ceil(reach_px / self._factor)), small.shape[0] // 4, small.shape[1] // 4
        )
        m = self._margin
        self._template = small[m : small.shape[0] - m, m : small.shape[1] - m]

    def shift(self, picture: Image) -> tuple[float, float] | None:
        """Find by how much a picture lies off.

        Parameters
        ----------
        picture : (rows, columns) float32 array
            Of the still's size.

        Returns
        -------
        (float, float) or None
            Columns and rows by which everything lies farther right and down than in the still;
            None where nothing within `reach_px` fits.
        """
        soft = _blurred(picture)
        starts = [np.zeros(2), self._likeliest(soft)]
        at = min(starts, key=lambda start: self._misfit(soft, start))
        gain, offset = 1.0, median(self._seen(soft, at) - self._level)
        for _ in range(TURNS):
            seen = self._seen(soft, at)
            left = np.abs(seen - gain * self._level - offset)
            weight = 1.0 / (1.0 + (left / (TAME * median(left) + 1e-3)) ** 2) ** 2
            weighted = self._design * weight[:, None].astype(np.float32)
            normal = (weighted.T @ self._design).astype(np.float64)
            if np.linalg.det(normal[2:, 2:]) < LEAST_SLOPES:
                break
            p = np.linalg.lstsq(normal, (weighted.T @ seen).astype(np.float64), rcond=None)[0]
            gain, offset = (float(p[0]), float(p[1])) if p[0] > LEAST_GAIN else (1.0, float(p[1]))
            step = p[2:] / gain
            at = at - step
            if np.hypot(*at) > self.reach_px:
                return None
            if np.hypot(*step) < SETTLED_PX:
                break
        return float(at[0]), float(at[1])

    def _seen(self, soft: Image, at: FloatArray) -> Image:
        x, y = self._x + np.float32(at[0]), self._y + np.float32(at[1])
        seen = cv2.remap(soft, x[None], y[None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(seen[0], np.float32)

    def _misfit(self, soft: Image, at: FloatArray) -> float:
        left = self._seen(soft, at) - self._level
        return median(np.abs(left - np.float32(median(left))))

    def _likeliest(self, soft: Image) -> FloatArray:
        """Place at which the reduced still lies in a picture, to a part of its elements."""
        small = _reduced(soft, self._factor)
        likeness = np.asarray(
            cv2.matchTemplate(small, self._template, cv2.TM_CCOEFF_NORMED), np.float32
        )
        row, column = np.unravel_index(int(np.argmax(likeness)), likeness.shape)
        x = column + _summit(likeness[row], int(column)) - self._margin
        y = row + _summit(likeness[:, column], int(row)) - self._margin
        return np.array([x, y]) * self._factor


def moved_back(picture: Image, shift: tuple[float, float]) -> Image:
    """Move a picture to where the still lies; edges are continued."""
    if abs(shift[0]) < SETTLED_PX and abs(shift[1]) < SETTLED_PX:
        return picture
    matrix = np.array([[1, 0, -shift[0]], [0, 1, -shift[1]]], np.float64)
    size = (picture.shape[1], picture.shape[0])
    moved = cv2.warpAffine(picture, matrix, size, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, np.float32)


def _blurred(picture: Image) -> Image:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), BLUR_PX), np.float32)


def _reduced(picture: Image, factor: int) -> Image:
    if factor == 1:
        return picture
    size = (picture.shape[1] // factor, picture.shape[0] // factor)
    cut = picture[: size[1] * factor, : size[0] * factor]
    return np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), np.float32)


def _summit(line: Image, k: int) -> float:
    """Where a parabola through a line's highest value and its neighbours is highest."""
    if not 0 < k < len(line) - 1:
        return 0.0
    low, top, high = (float(v) for v in line[k - 1 : k + 2])
    bend = low - 2 * top + high
    return float(np.clip(0.5 * (low - high) / bend, -0.5, 0.5)) if bend < -1e-12 else 0.0
