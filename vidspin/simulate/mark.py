"""How much of each picture element the mark covers while its row is exposed.

Every picture element has the time window of its own row.  The mark's cover is averaged over
many instants of that window, dense enough that the mark moves by less than an eighth of its
width from one to the next; lamp flicker weighs the instants.  Nothing here knows a formula
for smear or rolling shutter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vidspin.records import FloatArray
from vidspin.simulate.motion import FACE_HEIGHT, Pose
from vidspin.simulate.picture import Circle, Image, circle_at
from vidspin.simulate.scene import Scene, mark_angle, row_start, speed

STEPS_PER_WIDTH = 8
"""Instants in which the mark moves by its own width: the smear's sampling."""

STEPS_PER_FLICKER = 24
"""Instants in one period of the lamp."""

BLOCK = 1 << 16
"""Cover values worked on at once: they stay in the processor's cache."""

Places = tuple[NDArray[np.int64], NDArray[np.int64]]
"""Rows and columns of picture elements."""


@dataclass(frozen=True, slots=True)
class MarkCover:
    """What the marks do to a frame; arrays of one length, an entry a picture element."""

    place: Places
    cover: Image  # mean of lamp times cover
    lamp: Image  # mean of the lamp's light, 1 for a steady lamp


def lamp(scene: Scene, times_s: FloatArray) -> FloatArray:
    """Return the lamp's light, of its mean."""
    turn = 2.0 * np.pi * scene.flicker_hz * times_s
    return np.asarray(1.0 + scene.flicker_depth * np.cos(turn + 0.7))


def lamp_of_rows(scene: Scene, start_s: float) -> Image | None:
    """Return the lamp's mean light over each row's exposure; None for a steady lamp."""
    if scene.flicker_depth == 0.0:
        return None
    begin = row_start(scene, start_s, np.arange(scene.height))
    light = lamp(scene, begin[:, None] + instants(scene, start_s))
    return np.asarray(light.mean(axis=1), np.float32)


def instants(scene: Scene, start_s: float) -> FloatArray:
    """Return instants spread evenly over an exposure, relative to its start."""
    ends = np.array([start_s, start_s + 2.0 * scene.centre_row_offset_s])
    path = float(speed(scene, ends).max()) * scene.exposure_s * scene.mark_radius
    steps = math.ceil(STEPS_PER_WIDTH * path / (2.0 * scene.mark_size)) + 1
    if scene.flicker_depth > 0.0:
        steps = max(steps, math.ceil(STEPS_PER_FLICKER * scene.flicker_hz * scene.exposure_s) + 1)
    return np.asarray((np.arange(steps) + 0.5) * (scene.exposure_s / steps))


def mark_cover(scene: Scene, start_s: float, pose: Pose, change: Image) -> MarkCover | None:
    """Average the marks' cover over the exposure of every picture element near them.

    Parameters
    ----------
    scene : Scene
        The marks, the spin and the shutter.
    start_s : float
        True time of the frame.
    pose : Pose
        How the top stands.
    change : ndarray, (rows, columns)
        0 where the mark cannot be seen.

    Returns
    -------
    MarkCover or None
        None when the ring lies outside the picture.
    """
    circle = circle_at(scene, pose, FACE_HEIGHT)
    half = scene.mark_size if scene.mark == "dot" else 0.5 * scene.mark_length
    # A picture element and a half: so far the soft edge of the cover reaches.
    edge = 1.5 / float(np.linalg.svd(circle.axes, compute_uv=False)[-1])
    outer, inner = scene.mark_radius + half + edge, scene.mark_radius - half - edge
    rows, cols = _span(circle, outer, change.shape)
    if rows.size == 0 or cols.size == 0:
        return None
    times = row_start(scene, start_s, rows)[:, None] + instants(scene, start_s)
    angles = mark_angle(scene, times)
    back = circle.inverse.astype(np.float32)
    x = (cols - circle.middle[0]).astype(np.float32)[None, :]
    y = (rows - circle.middle[1]).astype(np.float32)[:, None]
    u, v = back[0, 0] * x + back[0, 1] * y, back[1, 0] * x + back[1, 1] * y
    out = u * u + v * v
    ring = (out > max(inner, 0.0) ** 2) & (out < outer * outer)
    ring &= change[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1] != 0.0
    # Half the angle that the mark sweeps in any row's exposure, its own width included.
    swept = 0.5 * float((angles.max(axis=1) - angles.min(axis=1)).max())
    wide = (scene.mark_size + edge) / (scene.mark_radius if scene.mark == "dot" else inner)
    swept += math.asin(min(wide, 1.0)) + 0.01
    if swept < math.pi:
        ring &= _near((u, v), angles, swept, scene.marks)
    at, beside = np.nonzero(ring)
    weight = None
    light = np.ones(at.size, np.float32)
    if scene.flicker_depth > 0.0:
        weight = lamp(scene, times).astype(np.float32)
        light = weight.mean(axis=1)[at]
    cover = np.zeros(at.size, np.float32)
    for turn in range(scene.marks):
        ahead = angles + 2.0 * np.pi * turn / scene.marks
        cover += _mean_cover(scene, back, (u[at, beside], v[at, beside], at), ahead, weight)
    return MarkCover((at + rows[0], beside + cols[0]), cover, light)


def _span(
    circle: Circle, radius: float, shape: tuple[int, ...]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the rows and columns of the picture that a circle touches."""
    (x, y), (wide, high) = circle.middle, circle.reach(radius)
    rows = np.arange(max(math.floor(y - high), 0), min(math.ceil(y + high) + 1, shape[0]))
    cols = np.arange(max(math.floor(x - wide), 0), min(math.ceil(x + wide) + 1, shape[1]))
    return rows, cols


def _near(
    place: tuple[Image, Image], angles: FloatArray, swept: float, marks: int
) -> NDArray[np.bool_]:
    """Return which places a mark comes near during their row's exposure."""
    middle = 0.5 * (angles.max(axis=1) + angles.min(axis=1))
    u, v = place
    bound = np.sqrt(u * u + v * v) * np.float32(math.cos(swept))
    near = np.zeros(bound.shape, np.bool_)
    for turn in range(marks):
        at = middle + 2.0 * np.pi * turn / marks
        c, s = np.cos(at).astype(np.float32)[:, None], np.sin(at).astype(np.float32)[:, None]
        near |= u * c + v * s >= bound
    return near


def _mean_cover(
    scene: Scene,
    back: Image,
    places: tuple[Image, Image, NDArray[np.int64]],
    angles: FloatArray,
    weight: Image | None,
) -> Image:
    """Return the mean of (weight times cover) over the instants, for each place.

    Parameters
    ----------
    scene : Scene
        The mark's kind and size.
    back : ndarray, (2, 2)
        Units of the face a pixel.
    places : tuple of ndarray, (n,)
        Both coordinates on the face, and the row of `angles` that holds the place's time.
    angles : ndarray, (rows, instants)
        Angle of the mark.
    weight : ndarray, (rows, instants), or None
        The lamp's light at each instant.
    """
    u, v, at = places
    cover = _dot_cover if scene.mark == "dot" else _stripe_cover
    c, s = np.cos(angles).astype(np.float32), np.sin(angles).astype(np.float32)
    metric = back @ back.T
    total = np.zeros(u.size, np.float32)
    block = max(BLOCK // max(u.size, 1), 1)
    for first in range(0, angles.shape[1], block):
        last = slice(first, first + block)
        seen = cover(scene, metric, (u[:, None], v[:, None]), (c[at, last], s[at, last]))
        if weight is not None:
            seen *= weight[at, last]
        total += seen.sum(axis=1)
    return total / np.float32(angles.shape[1])


def _dot_cover(
    scene: Scene, metric: Image, place: tuple[Image, Image], toward: tuple[Image, Image]
) -> Image:
    """Return how much of each picture element a dot covers."""
    away_u = place[0] - np.float32(scene.mark_radius) * toward[0]
    away_v = place[1] - np.float32(scene.mark_radius) * toward[1]
    square = away_u * away_u + away_v * away_v + np.float32(1e-9)
    # Change of the distance along one picture element where it changes fastest.
    steep = metric[0, 0] * away_u * away_u + metric[1, 1] * away_v * away_v
    steep += (2.0 * metric[0, 1]) * away_u * away_v + np.float32(1e-12)
    far = np.sqrt(square)
    cover = 0.5 + (np.float32(scene.mark_size) - far) * far / np.sqrt(steep)
    return np.asarray(np.clip(cover, 0.0, 1.0))


def _stripe_cover(
    scene: Scene, metric: Image, place: tuple[Image, Image], toward: tuple[Image, Image]
) -> Image:
    """Return how much of each picture element a radial stripe covers."""
    (u, v), (c, s) = place, toward
    cross = np.abs(v * c - u * s)
    along = np.abs(u * c + v * s - np.float32(scene.mark_radius))
    mixed = 2.0 * metric[0, 1] * c * s
    step_cross = np.sqrt(metric[1, 1] * c * c + metric[0, 0] * s * s - mixed)
    step_along = np.sqrt(metric[0, 0] * c * c + metric[1, 1] * s * s + mixed)
    wide = np.clip(0.5 + (np.float32(scene.mark_size) - cross) / step_cross, 0.0, 1.0)
    long = np.clip(0.5 + (np.float32(0.5 * scene.mark_length) - along) / step_along, 0.0, 1.0)
    return np.asarray(wide * long)
