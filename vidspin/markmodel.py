"""What does a mark look like in the ring, at any angle and speed? The forward model.

A ring profile p(theta) is modelled from the mark's angle phi::

    p(theta) = gain * still(theta) + offset + a * visibility(theta) * shape(theta_m - phi)
    theta_m  = theta - geometry(theta) - omega * tau(theta)

*still* is what stands still in the picture (highlights, shadows, the stem), *visibility* says
how strongly the mark shows at each place, *shape* is the mark's own profile smeared by the
exposure, *tau* the time by which the rolling shutter reads a place later than the frame's
middle row, *omega* the spin speed.  With tau and geometry at zero phi is the angle as seen;
with them, it is the angle at the exposure centre of the middle row, also where a fast mark
shows three times in one frame.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.records import FloatArray, IntArray
from vidspin.ring import even_angles

Complex = NDArray[np.complex128]
Table = NDArray[np.float32]

TABLE = 2048  # samples a turn of the shape's table; linear interpolation between them
TABLE_TURNS = 3  # turns to either side that the table covers
TWO_PI = 2.0 * np.pi


@dataclass(frozen=True, slots=True)
class MarkModel:
    """Forward model of a ring profile; N angles."""

    still: FloatArray  # (N,) or (B, N) for B blocks of time
    still_time_s: FloatArray  # (B,) middle of each block, empty when `still` is one profile
    visibility: FloatArray  # (N,) mean 1
    expected: FloatArray  # (N,) visibility that brightness alone suggests; holds where unseen
    shape: Complex  # (HARMONICS + 1,) of the unsmeared mark; mean zero
    row_fraction: FloatArray  # (N,) stored rows from the frame's middle row, in frame heights
    readout_s: float = 0.0  # signed: positive = first stored row is read first
    exposure_s: float = 0.0
    geometry: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))  # cosine, sine, rad
    bands: bool = False  # project out brightness bands of a flickering lamp as well
    spread: float = 1.0  # noise correlation: variance of a smooth sum against white noise

    @property
    def angles(self) -> int:
        """Number of samples round the ring."""
        return len(self.visibility)


def geometry_angle(geometry: FloatArray, theta: FloatArray) -> FloatArray:
    """Evaluate the angle error (seen minus true) at seen angles; rad."""
    total = np.zeros_like(theta)
    for h, (c, s) in enumerate(geometry, start=1):
        total += c * np.cos(h * theta) + s * np.sin(h * theta)
    return total


def sinc_smear(harmonics: IntArray, smear_rad: float) -> FloatArray:
    """Fade of the angular harmonics under a box exposure of `smear_rad`."""
    return np.sinc(harmonics * smear_rad / TWO_PI)


def width(model: MarkModel) -> float:
    """Angular width of the mark at half height, as learnt, rad."""
    table, _ = smeared_tables(model, 0.0)
    turn = table[0, :TABLE]
    height = np.abs(turn - np.median(turn))
    return float((height > 0.5 * height.max()).sum()) * TWO_PI / TABLE


def seen_angle(phi: FloatArray, omega: FloatArray, model: MarkModel) -> FloatArray:
    """Angle at which a mark of true angle phi is seen, rad; the middle one of three."""
    theta = even_angles(model.angles)
    seen = np.array(phi, np.float64)
    for _ in range(40):
        rows = np.interp(np.mod(seen, TWO_PI), theta, model.row_fraction, period=TWO_PI)
        ahead = phi + omega * model.readout_s * rows + geometry_angle(model.geometry, seen)
        seen += 0.5 * (ahead - seen)
    return seen


def smeared_tables(model: MarkModel, smear_rad: float) -> tuple[Table, Table]:
    """Shape and its derivative against the angle, smeared, as tables for `look_up`."""
    h = np.arange(len(model.shape))
    faded = np.zeros(TABLE // 2 + 1, complex)
    faded[: len(h)] = model.shape * sinc_smear(h, smear_rad)
    shape = np.fft.irfft(faded, TABLE) * TABLE
    faded[: len(h)] *= 1j * h
    slope = np.fft.irfft(faded, TABLE) * TABLE
    return _table(shape), _table(slope)


def _table(turn: FloatArray) -> Table:
    return np.tile(turn.astype(np.float32), 2 * TABLE_TURNS)[None]


def true_base(model: MarkModel, omega: FloatArray) -> FloatArray:
    """Angle on the mark for phi = 0 at each place: (F, N), theta_m of the module's head."""
    theta = even_angles(model.angles)
    base = theta - geometry_angle(model.geometry, theta)
    return base - omega[:, None] * (model.readout_s * model.row_fraction)


def look_up(table: Table, angle: FloatArray) -> FloatArray:
    """Values of a table of `smeared_tables` at angles within `TABLE_TURNS` turns; (F, N)."""
    place = (angle * (TABLE / TWO_PI) + TABLE_TURNS * TABLE).astype(np.float32)
    nowhere = np.zeros(place.shape, np.float32)  # the table's only row
    return np.asarray(cv2.remap(table, place, nowhere, cv2.INTER_LINEAR), np.float64)
