"""Where in the picture is a mark angle?

The mark runs on a circle that the camera sees as an ellipse.  Angles are measured on the
circle, from the +x direction of the picture, positive clockwise as seen (y points down).
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np

from vidspin.records import Ellipse, FloatArray

Place = TypeVar("Place", float, FloatArray)


def even_angles(count: int) -> FloatArray:
    """`count` evenly spaced angles of one turn from 0, rad."""
    return np.asarray(np.arange(count) * (2 * np.pi / count), np.float64)


def ring_points(
    ring: Ellipse, radius: float, angles_rad: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Place points of a ring: (x, y) at mark angles `angles_rad` and `radius` in ring units.

    The mark angle is measured on the circle whose picture the ellipse is, from the +x
    direction of the picture, positive clockwise as seen (y points down).
    """
    ratio = ring.minor_px / ring.major_px
    # the circle's own angle is measured from the picture's +x, not from the major axis
    local = angles_rad - ring.tilt_rad
    u = radius * ring.major_px * np.cos(local)
    v = radius * ring.major_px * ratio * np.sin(local)
    cos, sin = np.cos(ring.tilt_rad), np.sin(ring.tilt_rad)
    return ring.x_px + u * cos - v * sin, ring.y_px + u * sin + v * cos


def radii_at(ring: Ellipse, dx_px: FloatArray, dy_px: FloatArray) -> FloatArray:
    """Tell how far places beside a ring's centre are from it, in ring units."""
    cos, sin = np.cos(ring.tilt_rad), np.sin(ring.tilt_rad)
    u, v = dx_px * cos + dy_px * sin, -dx_px * sin + dy_px * cos
    return np.asarray(np.hypot(u / ring.major_px, v / ring.minor_px))


def half_size(ring: Ellipse, radius: float) -> tuple[float, float]:
    """Half of a ring's extent across columns and rows, at a radius in ring units."""
    cos, sin = np.cos(ring.tilt_rad), np.sin(ring.tilt_rad)
    return (
        radius * float(np.hypot(ring.major_px * cos, ring.minor_px * sin)),
        radius * float(np.hypot(ring.major_px * sin, ring.minor_px * cos)),
    )


def resized_px(place_px: Place, factor: float) -> Place:
    """Carry a place over into a picture that is resized: elements have whole numbers as middles."""
    return place_px * factor + 0.5 * (factor - 1.0)


def resized(ring: Ellipse, factor: float) -> Ellipse:
    """Carry a ring over into a picture that is resized by a factor."""
    return Ellipse(
        resized_px(ring.x_px, factor), resized_px(ring.y_px, factor),
        ring.major_px * factor, ring.minor_px * factor, ring.tilt_rad,
    )  # fmt: skip
