"""Where in the picture is a mark angle?

The mark runs on a circle that the camera sees as an ellipse.  Angles are measured on the
circle, from the +x direction of the picture, positive clockwise as seen (y points down).
"""

from __future__ import annotations

import numpy as np

from vidspin.records import Ellipse, FloatArray


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
