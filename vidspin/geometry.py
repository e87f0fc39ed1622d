"""What may perspective and a misplaced ring have done to the angle, before any angle is fitted?

Harmonics are those along the ring's axes, angle as seen minus true angle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.radial import Beside
from vidspin.records import Ellipse, FloatArray

# What perspective and an ellipse that is a few per cent off leave in the angle, by harmonic:
# perspective moves the axis along the minor axis, which only the first cosine sees.
USUAL_RAD = ((0.15, 0.05), (0.05, 0.05), (0.015, 0.015), (0.008, 0.008))
HIGH_HARMONIC_RAD = 0.004  # and above: stem, highlights, edges
# What the mark's radius does not tell: the mean of its place is only so true, in ring radii and in
# picture elements (encoder, edges, the place of the top), and perspective bends the ring a little.
RADIUS_DOUBT, PLACE_DOUBT_PX = 0.003, 0.2
UNEQUAL_DOUBT = 0.006  # of several marks, which are neither quite equal nor quite even, ring radii
BENT_RAD = 0.006
NEARNESS = 0.1  # usual ratio of a ring's radius to its distance from the camera (our own guess)
ROUND = 1e-3  # flattening below which a ring has no axes


@dataclass(frozen=True, slots=True)
class GeometryPrior:
    """Harmonics of the geometry, cosine and sine in turn, as they are expected; (2H,) each."""

    value_rad: FloatArray
    u_rad: FloatArray


def usual_prior(harmonics: int) -> GeometryPrior:
    """Return what perspective and a misplaced ellipse are allowed where nothing was measured."""
    known = [u for pair in USUAL_RAD for u in pair][: 2 * harmonics]
    u = np.array(known + [HIGH_HARMONIC_RAD] * (2 * harmonics - len(known)))
    return GeometryPrior(np.zeros(2 * harmonics), u)


def measured_prior(beside: Beside | None, ring: Ellipse, harmonics: int) -> GeometryPrior:
    """Let the mark's radius say what a misplaced ring did; perspective stays as it is allowed.

    Parameters
    ----------
    beside : Beside or None
        What the radius says; None leaves the usual doubt.
    ring : Ellipse
    harmonics : int
        At least two.

    Returns
    -------
    GeometryPrior
        The usual doubt of the ring and what was measured, weighed by their variances.

    Notes
    -----
    Perspective goes with the minor axis, whose direction a nearly round ring hardly has: what leaks
    into the first sine is perspective times the error of that direction.
    """
    usual = usual_prior(harmonics)
    if beside is None:
        return usual
    u = np.hypot(np.sqrt(np.diag(beside.covariance)), RADIUS_DOUBT)
    u = np.hypot(u, PLACE_DOUBT_PX / ring.minor_px)
    u = np.hypot(u, UNEQUAL_DOUBT if beside.marks > 1 else 0.0)
    flat = 1.0 - ring.minor_px / ring.major_px
    slant = float(np.sqrt(1.0 - (ring.minor_px / ring.major_px) ** 2))
    astray = float(np.hypot(beside.angle_rad[2], u[2])) / max(flat, ROUND)
    u[1] = np.hypot(u[1], NEARNESS * max(slant, ROUND) * min(1.0, astray))
    u[2:] = np.hypot(u[2:], BENT_RAD)
    value, doubt = usual.value_rad.copy(), usual.u_rad.copy()
    # the first cosine is perspective's: the ring's share of it is taken off, the doubt stays
    value[0] = beside.angle_rad[0]
    doubt[0] = np.hypot(usual.u_rad[0], u[0])
    share = usual.u_rad[1:4] ** 2 / (usual.u_rad[1:4] ** 2 + u[1:] ** 2)
    value[1:4] = share * beside.angle_rad[1:]
    doubt[1:4] = usual.u_rad[1:4] * np.sqrt(1.0 - share)
    return GeometryPrior(value, doubt)
