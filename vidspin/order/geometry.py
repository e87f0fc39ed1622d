"""What may perspective and a misplaced ring have done to the angle, before any angle is fitted?

Harmonics are those along the ring's axes, angle as seen minus true angle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.frames.radial import Beside
from vidspin.records import Ellipse, FloatArray

# What perspective and an ellipse that is a few per cent off leave in the angle, by harmonic: of a
# top in the middle of the picture perspective moves the axis along the minor axis, which only the
# first cosine sees.
USUAL_RAD = ((0.15, 0.05), (0.05, 0.05), (0.015, 0.015), (0.008, 0.008))
HIGH_HARMONIC_RAD = 0.004  # and above: stem, highlights, edges
# What the mark's radius does not tell: the mean of its place is only so true, in ring radii and in
# picture elements (encoder, edges, the place of the top), the less so the longer and the wider a
# mark is (its edges lie in other light, and at other places), and perspective bends the ring.
RADIUS_DOUBT, PLACE_DOUBT_PX, LENGTH_DOUBT, WIDTH_DOUBT = 0.003, 0.2, 0.03, 0.02
BENT_RAD = 0.006
# Several marks: of two, painted at 0.80 and 0.77 of the face, the readout was 12 % off.
UNEQUAL_DOUBT = 0.03
NEARNESS = 0.1  # usual ratio of a ring's radius to its distance from the camera (our own guess)
ROUND = 1e-3  # flattening below which a ring has no axes
# Focal length of a phone's usual lens, in longer sides of the picture (from memory), and how far
# the middle of the picture may lie from its axis, which crops and stabilisation move.
FOCAL, CROPPED = 0.75, 0.03
# Longer lenses leave nothing of what that one does, wider ones half as much again.
ASIDE, ASIDE_DOUBT = 0.75, 0.6
BLUNT = 3.0  # an alias order shall not hang on the last thousandth of a geometry


@dataclass(frozen=True, slots=True)
class GeometryPrior:
    """Harmonics of the geometry, cosine and sine in turn, as they are expected; (2H,) each."""

    value_rad: FloatArray
    u_rad: FloatArray

    def blunted(self) -> GeometryPrior:
        """Expect the same, less surely: as surely as usual at most."""
        usual = usual_prior(len(self.u_rad) // 2).u_rad
        return GeometryPrior(
            self.value_rad, np.maximum(self.u_rad, np.minimum(usual, BLUNT * self.u_rad))
        )


def usual_prior(harmonics: int) -> GeometryPrior:
    """Return what perspective and a misplaced ellipse are allowed where nothing was measured."""
    known = [u for pair in USUAL_RAD for u in pair][: 2 * harmonics]
    u = np.array(known + [HIGH_HARMONIC_RAD] * (2 * harmonics - len(known)))
    return GeometryPrior(np.zeros(2 * harmonics), u)


def aside_rad(ring: Ellipse, size_px: tuple[float, float]) -> float:
    """Tell what perspective does to the first sine where a top is filmed beside the middle.

    Parameters
    ----------
    ring : Ellipse
    size_px : (float, float)
        Columns and rows of the picture.

    Returns
    -------
    float
        Sine of the first harmonic along the ring's axes, rad, under a phone's usual lens.

    Notes
    -----
    Beside the middle of the picture a circle's own slant against the picture plane goes another way
    than its path's minor axis, and the axis is moved that way.  To first order in the ring's size
    and its place along the major axis, both in focal lengths; own derivation, within a third of
    exact projections.
    """
    focal = FOCAL * max(size_px)
    x, y = ring.x_px - (size_px[0] - 1) / 2, ring.y_px - (size_px[1] - 1) / 2
    off = x * np.cos(ring.tilt_rad) + y * np.sin(ring.tilt_rad)
    return float(ring.major_px / focal * off / focal)


def measured_prior(
    beside: Beside | None, ring: Ellipse, harmonics: int, size_px: tuple[float, float]
) -> GeometryPrior:
    """Let the mark's radius say what a misplaced ring did; perspective stays as it is allowed.

    Parameters
    ----------
    beside : Beside or None
        What the radius says; None leaves the usual doubt.
    ring : Ellipse
    harmonics : int
        At least two.
    size_px : (float, float)
        Columns and rows of the picture.

    Returns
    -------
    GeometryPrior
        The usual doubt of the ring and what was measured, weighed by their variances.

    Notes
    -----
    Perspective goes with the minor axis, whose direction a nearly round ring hardly has: what leaks
    into the first sine is perspective times the error of that direction.  What it does there to a
    top beside the middle of the picture (`aside_rad`) comes on top, whatever the radius says.
    """
    usual = usual_prior(harmonics)
    value, doubt = usual.value_rad.copy(), usual.u_rad.copy()
    if beside is not None:
        u = _doubt_of(beside, ring)
        # the first cosine is perspective's: the ring's share of it is taken off, the doubt stays
        value[0] = beside.angle_rad[0]
        doubt[0] = np.hypot(usual.u_rad[0], u[0])
        share = usual.u_rad[1:4] ** 2 / (usual.u_rad[1:4] ** 2 + u[1:] ** 2)
        value[1:4] = share * beside.angle_rad[1:]
        doubt[1:4] = usual.u_rad[1:4] * np.sqrt(1.0 - share)
    leak = aside_rad(ring, size_px)
    cropped = ring.major_px / (FOCAL * max(size_px)) * CROPPED / FOCAL
    value[1] += ASIDE * leak
    doubt[1] = np.hypot(doubt[1], np.hypot(ASIDE_DOUBT * leak, cropped))
    return GeometryPrior(value, doubt)


def _doubt_of(beside: Beside, ring: Ellipse) -> FloatArray:
    """Return the standard uncertainty of what the radius says, (4,)."""
    parts = [RADIUS_DOUBT, PLACE_DOUBT_PX / ring.minor_px]
    parts += [LENGTH_DOUBT * beside.length, WIDTH_DOUBT * beside.width_rad]
    parts += [UNEQUAL_DOUBT] if beside.marks > 1 else []
    u = np.sqrt(np.diag(beside.covariance) + np.sum(np.square(parts)))
    flat = 1.0 - ring.minor_px / ring.major_px
    slant = float(np.sqrt(1.0 - (ring.minor_px / ring.major_px) ** 2))
    astray = float(np.hypot(beside.angle_rad[2], u[2])) / max(flat, ROUND)
    u[1] = np.hypot(u[1], NEARNESS * max(slant, ROUND) * min(1.0, astray))
    u[2:] = np.hypot(u[2:], BENT_RAD)
    return np.asarray(u, np.float64)
