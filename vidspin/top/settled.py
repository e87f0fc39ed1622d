"""Which ring near a found one lets one pattern explain what turns along it?

What moves is all that an annulus is climbed to by.  Where more than the mark moves about it, such
as its image in a polished base, the annulus holds some of both and lies askew; the mark then comes
and goes along it.  Along its own path it is one and the same pattern in all frames.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vidspin.records import Ellipse, FloatArray, Settings
from vidspin.ring import even_angles, ring_points
from vidspin.top.annulus import Nearby, profiles_along, roundness
from vidspin.top.pattern import count_marks, skew, turning_pattern

Image = NDArray[np.float32]

WELL_EXPLAINED = 0.8  # of the change along a ring, by one pattern: nothing else takes part
# Roundness of the still about a ring that lies right, as its turned top tells: a fast shutter draws
# one mark out here and there as well, and a ring must not be bent to make up for that.
ROUND = 0.3
# Of what was left unexplained, at most this may be left by a ring that takes another's place:
# noise, which lies along all rings alike, leaves 0.9 and more.
CLEARLY_LESS = 0.6


def settled(
    frames: Image, still: Image, ring: Ellipse, settings: Settings, scale: float
) -> Ellipse:
    """Move a ring to where one turning pattern explains most, if that is far more.

    Parameters
    ----------
    frames : (K, rows, columns) array
        Grey levels.
    still : (rows, columns) array
        Their median.
    ring : Ellipse
        Elements of the pictures.
    settings : Settings
        What is stated stays.
    scale : float
        Elements of the pictures a stored one.

    Returns
    -------
    Ellipse
        The same one where it explains enough, or no other clearly more; and of several marks,
        which the shutter shows now nearer to each other and now less near: they are no one pattern
        along their path, and most like one where only one of them is seen.
    """
    ring_of = Nearby(ring, settings, scale)
    if roundness(still, ring) >= ROUND:
        return ring
    left = _left(frames, ring)
    if left <= 1.0 - WELL_EXPLAINED or ring_of.fixed or _marks(frames, ring, settings) > 1:
        return ring

    def cost(p: FloatArray) -> float:
        return _left(frames, ring_of(p)) + 10 * ring_of.beyond(p)

    best = ring_of(ring_of.lowest(cost, ring_of.first, 1.0))
    return best if _left(frames, best) <= CLEARLY_LESS * left else ring


def _marks(frames: Image, ring: Ellipse, settings: Settings) -> int:
    profiles = profiles_along(frames, ring)
    bright = bool(skew(turning_pattern(profiles).shape) > 0)
    rows = ring_points(ring, 1.0, even_angles(profiles.shape[1]))[1]
    return settings.marks or count_marks(profiles, bright=bright, rows=rows)


def _left(frames: Image, ring: Ellipse) -> float:
    """Share of the change along a ring that one turning pattern leaves, 0-1."""
    return 1.0 - turning_pattern(profiles_along(frames, ring)).explained
