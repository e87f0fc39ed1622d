"""What does the place of the top in each picture do to the angle of its mark?

Two things.  Its rows are read at another time: a rolling shutter reads what stands lower later,
unless the picture was moved after its rows were read, by a camera that stabilises.  As the
recording does not tell, half is taken off and half is doubt.  And it is seen from another side:
beside where it usually stands, a line of sight meets the base under another azimuth, and a circle
looks a little more or less flat.  That is left to doubt, since it hangs on the lens.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.frames.glance import Glances
from vidspin.order.geometry import FOCAL
from vidspin.records import BoolArray, Ellipse, FloatArray

FOLLOWED = 0.5  # share of a movement that rows are held to follow, and its standard uncertainty
# Of what another side does under a phone's usual lens: longer lenses leave less, wider ones half
# as much again, and nothing is corrected.
SIDE_DOUBT = 0.6
LEAST_TOLD = 0.9  # of the frames, of the setting; else all movement counts as the top's own


@dataclass(frozen=True, slots=True)
class Placed:
    """What the place does to the angles as seen; N frames."""

    by_readout_rad_s: FloatArray  # (N,) how much too far the mark is seen, a second of readout
    side_rad: FloatArray  # (N, 2) one standard doubt of the sides, aside and along

    def turned_rad(self, readout_s: float) -> FloatArray:
        """By how much too far the mark is held to be seen, (N,); as much again is its doubt."""
        return readout_s * self.by_readout_rad_s


@dataclass(frozen=True, slots=True)
class Places:
    """Where a top is in every picture, and what it is held against; N frames."""

    x_px: FloatArray
    y_px: FloatArray
    usable: BoolArray  # frames in which it was followed
    glances: Glances | None  # what they say of the setting
    ring: Ellipse
    size_px: tuple[float, float]  # columns and rows of the picture


def placed(places: Places, angle_rad: FloatArray, omega_rad_s: FloatArray, marks: int) -> Placed:
    """Tell what the top's place does to the angle of its mark.

    Parameters
    ----------
    places : Places
    angle_rad : (N,) array
        Mark angles, up to whole mark spacings; NaN where not known.
    omega_rad_s : (N,) array
        Signed spin speed.
    marks : int

    Returns
    -------
    Placed

    Notes
    -----
    A camera that looks down on the base at an elevation e, from whose line of sight a top moves
    aside by *d* picture elements, sees a mark that lies an angle p from the ring's major axis at
    ``p - (d cos(e) / f) sin(p)**2``, with f its focal length in picture elements; a top that moves
    by *d* along the minor axis, at ``p + (d cos(e) / (f sin(e))) sin(p) cos(p)``.  To first order,
    own derivation, held against exact projections in the tests.  A camera that turns shows the same
    side elsewhere: movement of the setting takes no part.
    """
    moved = [_about_median(v, places.usable) for v in (places.x_px, places.y_px)]
    by_readout = np.nan_to_num(FOLLOWED * omega_rad_s * moved[1] / places.size_px[1])
    aside, along = _own(places, moved)
    flat = places.ring.minor_px / places.ring.major_px
    slant = np.sqrt(max(0.0, 1.0 - flat**2)) / (FOCAL * max(places.size_px))
    double = np.zeros(len(aside), complex)
    for k in range(marks):  # what equal marks see apart is gone on the mean over them
        p = angle_rad - places.ring.tilt_rad + 2 * np.pi * k / marks
        double += np.exp(2j * p) / marks
    sides = [slant * aside * (double.real - 1.0) / 2, slant / flat * along * double.imag / 2]
    return Placed(by_readout, np.nan_to_num(SIDE_DOUBT * np.column_stack(sides)))


def _about_median(values: FloatArray, usable: BoolArray) -> FloatArray:
    """Against its median; NaN stays."""
    known = usable & np.isfinite(values)
    return values - float(np.median(values[known])) if known.any() else np.zeros(len(values))


def _own(places: Places, moved: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Movement against the setting, along the ring's major and minor axis, picture elements."""
    x, y = moved
    if places.glances is not None:
        setting = [
            np.asarray(v, np.float64) for v in (places.glances.shift_x, places.glances.shift_y)
        ]
        # a setting without edges, or moved too far for them, is put down as not moved at all
        told = np.isfinite(setting[0] + setting[1]) & ((setting[0] != 0) | (setting[1] != 0))
        if places.usable.any() and float(np.mean(told[places.usable])) >= LEAST_TOLD:
            frames = np.arange(len(told))
            filled = [np.interp(frames, frames[told], v[told]) for v in setting]
            x, y = (v - _about_median(f, places.usable) for v, f in zip(moved, filled, strict=True))
    c, s = float(np.cos(places.ring.tilt_rad)), float(np.sin(places.ring.tilt_rad))
    return c * x + s * y, c * y - s * x
