"""What is around a top in pictures: did the camera move, does a hand come in?

What the top is not, table and base, tells both.  Lengths are in ring
radii, except where a name ends in ``_px``.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vidspin.instants.face import Image, blurred, circle, steady_pose
from vidspin.middle import median
from vidspin.records import BoolArray, ByteArray, Ellipse, FloatArray
from vidspin.regression import tame

STILL_FROM, OFF_EDGE = 2.0, 0.6  # the setting is taken from here, and so far from the face
LEAST_AROUND = 0.25  # of the picture must be setting, to tell the camera's motion
BEYOND = 0.03  # of the face's edge
STEM, TIP = 1.2, 0.65  # so far from the face they end along the axis, usually
CHANGED_LEVELS = 20.0  # grey levels by which a place has changed for sure
HAND_AREA, HAND_GAP = 0.02, 0.12  # the smallest hand; so close to the body it has reached it
BESIDE = 0.8  # so far beside the top its shadow reaches
SAME_SHARE = 0.5  # of the setting must be explained, of the usual share, or it has moved


@dataclass(frozen=True, slots=True)
class Scene:
    """The pictures, and what table and base say about each."""

    pictures: ByteArray  # (n, rows, columns)
    time_s: FloatArray  # (n,)
    ring: Ellipse
    still: Image  # (rows, columns) steady picture, blurred
    around: BoolArray  # (rows, columns) where the top hardly gets
    shift_px: FloatArray  # (n, 2) of the camera against the steady picture
    same: FloatArray  # (n,) how far the setting is in its place, 1 as usual
    light: FloatArray  # (n,) brightness of the picture, of the steady one
    edge: float  # of the face, ring radii


def _grain(picture: ByteArray | FloatArray) -> Image:
    """Keep what is fine enough to tell motion; light that changes from row to row goes out."""
    fine = blurred(picture, 2.0)
    size = (max(1, fine.shape[1] // 4), max(1, fine.shape[0] // 4))
    coarse = blurred(cv2.resize(fine, size, interpolation=cv2.INTER_AREA), 3.0)
    return np.asarray(fine - cv2.resize(coarse, fine.shape[::-1]), np.float32)


def set_up(
    pictures: ByteArray, time_s: FloatArray, ring: Ellipse, steady: FloatArray, edge: float
) -> Scene:
    """Line every picture up with the steady one by what lies around the top."""
    still, fine = blurred(steady, 2.0), _grain(steady)
    y, x = np.mgrid[0 : still.shape[0], 0 : still.shape[1]].astype(np.float32)
    out = np.hypot(x - ring.x_px, y - ring.y_px) / ring.major_px > max(STILL_FROM, edge + OFF_EDGE)
    out[:8], out[-8:], out[:, :8], out[:, -8:] = False, False, False, False
    use = np.flatnonzero(out)[:: max(1, int(out.sum()) // 6000)]
    slopes = np.stack([np.gradient(fine, axis=k).ravel()[use] for k in (1, 0)], -1)
    design = np.column_stack([fine.ravel()[use], np.ones(len(use)), slopes])
    places = np.stack([x.ravel()[use], y.ravel()[use]], -1)
    # A bare table tells no motion: slopes under a tenth of a grey level are noise.
    # Nor do the corners beside a top that fills the picture, in which little but its shadow is.
    wide = out.mean() > LEAST_AROUND
    textured = (
        wide and len(use) > 200 and np.linalg.eigvalsh(slopes.T @ slopes)[0] > 0.01 * len(use)
    )
    shift, same = np.zeros((len(pictures), 2)), np.ones(len(pictures))
    for k, picture in enumerate(pictures if textured else []):
        shift[k] = shift[max(k - 1, 0)]
        at, same[k] = _line_up(_grain(picture), places, design, shift[k])
        if same[k] > SAME_SHARE * np.median(same[: k + 1]):
            shift[k] = at
    same /= np.maximum(np.median(same), 1e-9)
    light = pictures.mean(axis=(1, 2)) / max(float(still.mean()), 1.0)
    return Scene(pictures, time_s, ring, still, out, shift, same, light, edge)


def _line_up(
    soft: Image, places: Image, design: FloatArray, start: FloatArray
) -> tuple[FloatArray, float]:
    """Return the shift against the still and the share explained; a hand weighs little."""
    at, weight = start.copy(), np.ones(len(design))
    for _ in range(10):
        moved = (places + at).astype(np.float32)
        seen = cv2.remap(soft, moved[None, :, 0], moved[None, :, 1], cv2.INTER_LINEAR)[0]
        weighted = design * weight[:, None]
        p = np.linalg.lstsq(weighted.T @ design, weighted.T @ seen, rcond=None)[0]
        left = np.abs(seen - design @ p)
        weight = tame(left, 2.0 * median(left))
        step = np.clip(p[2:] / max(float(p[0]), 0.2), -3.0, 3.0)
        at = at - step
        if np.abs(step).max() < 0.01:
            break
    unexplained = median(left**2) / max(median((seen - median(seen)) ** 2), 1e-9)
    return at, max(0.0, 1.0 - unexplained)


def hand_reaches(scene: Scene, number: int, pose: FloatArray, *, covered: bool = True) -> bool:
    """Say whether something that comes in from the crop's edge gets to the top.

    Where the top nearly fills the crop, itself and its shadow come in from the edge beside it as
    well: there that counts only where the face is covered.
    """
    picture, a = scene.pictures[number], scene.ring.major_px
    back = np.column_stack([np.eye(2), -scene.shift_px[number]])
    soft, size = cv2.GaussianBlur(picture, (0, 0), 2.0), picture.shape[::-1]
    seen = cv2.warpAffine(soft, back, size, borderMode=cv2.BORDER_REPLICATE)
    change = np.asarray(seen, np.float64) - scene.still
    rows = np.flatnonzero(scene.around.sum(axis=1) >= 10)[::8]
    if len(rows):  # the light, which may flicker from row to row, smoothly
        light = [median(change[row, scene.around[row]]) for row in rows]
        change -= np.interp(np.arange(len(change)), rows, light)[:, None]
    body = _silhouette(scene, pose)
    own = np.maximum(body, _silhouette(scene, steady_pose(scene.ring)))
    changed = ((np.abs(change) > CHANGED_LEVELS) & (own == 0)).astype(np.uint8)
    _, label, stats, _ = cv2.connectedComponentsWithStats(changed)
    close = _grown(body, HAND_GAP * a)
    if not covered:
        label = np.where(_frame(label.shape) & (_grown(own, BESIDE * a) > 0), 0, label)
    edge = np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]])
    near = np.intersect1d(label[close > 0], edge)
    return bool(np.any(stats[near[near > 0], cv2.CC_STAT_AREA] > HAND_AREA * a * a))


def _grown(body: ByteArray, by_px: float) -> ByteArray:
    width = 2 * max(1, round(by_px)) + 1
    return np.asarray(
        cv2.dilate(body, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))), np.uint8
    )


def _frame(shape: tuple[int, ...]) -> BoolArray:
    """Outermost rows and columns."""
    frame = np.ones(shape, bool)
    frame[1:-1, 1:-1] = False
    return frame


def _silhouette(scene: Scene, pose: FloatArray) -> ByteArray:
    """Return the hull of face, tip and stem as ones in a picture."""
    face = pose[:2, None] + (scene.edge + BEYOND) * circle(pose[2:])
    ends = pose[:2] + np.array([[STEM], [-TIP]]) * pose[2:]
    hull = cv2.convexHull((scene.ring.major_px * np.vstack([face.T, ends])).astype(np.float32))
    body = np.zeros(scene.still.shape, np.uint8)
    return np.asarray(cv2.fillConvexPoly(body, np.rint(hull).astype(np.int32), 1), np.uint8)
