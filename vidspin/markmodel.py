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

from vidspin.cyclic import TWO_PI
from vidspin.records import FloatArray, IntArray
from vidspin.ring import even_angles

Complex = NDArray[np.complex128]
Table = NDArray[np.float32]
Spot = tuple[Table, Table]  # column and row of a table, for each place

TABLE = 2048  # samples a turn of the shape's table; linear interpolation between them
TABLE_TURNS = 2  # turns to either side that the table covers; beyond it goes on, but slowly
SMEAR_STEP_RAD = 0.03  # smears that differ by less share a template
WHITE = 255.0  # grey level
GAMMA = 2.2  # codes stand for about the 1/2.2 power of the light (common practice, no source)
# Of the height of a dark mark, what at least is left where an exposure has half of its light: an
# exposure adds up light, and codes fall more slowly than it does until black is near.
HALF_OF_DARK = 1.0 - 0.5 ** (1.0 / GAMMA)


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


def still_at(model: MarkModel, time_s: float) -> FloatArray:
    """Return what stands still about an instant; (N,)."""
    if model.still.ndim == 1:
        return model.still
    k = np.interp(time_s, model.still_time_s, np.arange(len(model.still_time_s)))
    low = min(int(k), len(model.still) - 1)
    high = min(low + 1, len(model.still) - 1)
    part = k - low
    return np.asarray((1 - part) * model.still[low] + part * model.still[high])


def sinc_smear(harmonics: IntArray, smear_rad: float | FloatArray) -> FloatArray:
    """Fade of the angular harmonics under a box exposure of `smear_rad`."""
    return np.sinc(harmonics * smear_rad / TWO_PI)


def _width(height: FloatArray, share: float = 0.5) -> float:
    return float((np.abs(height) > share * np.abs(height).max()).sum()) * TWO_PI / TABLE


def _heights(model: MarkModel, smear_rad: float) -> FloatArray:
    """Mark under a smear against what is beside it, grey levels; (TABLE,)."""
    turn = smeared_table(model, np.array([smear_rad]))[0, :TABLE]
    return np.asarray(turn - np.median(turn), np.float64)


def depth(model: MarkModel) -> float:
    """How much darker or brighter the mark is than what is beside it, grey levels."""
    return float(np.abs(_heights(model, 0.0)).max())


def seen_width(model: MarkModel, marks: int, *, smear_rad: float) -> float:
    """Angular width of one mark at half height under a smear, rad."""
    return _width(_heights(model, smear_rad)) / marks


def longest_smear(
    model: MarkModel, marks: int, most_rad: float, *, smear_rad: float = 0.0, surely: bool = False
) -> float:
    """Longest smear that can leave the marks as they are seen, rad.

    Parameters
    ----------
    model : MarkModel
    marks : int
        Number of equal marks.
    most_rad : float
        No exposure smears a mark farther.
    smear_rad : float
        Under which the model shows them as they are seen.
    surely : bool
        Whether no smear may be longer, also where codes are far from light; else by the codes.

    Returns
    -------
    float
        The width of one mark, unless a smear over whole spacings more or less could look alike.

    Notes
    -----
    A mark that turns by s while it is exposed covers a place s / 2 from the middle of its trace
    for at least half as long as it covers the middle; so the width between half values of the light
    is no shorter than s, whatever the mark's own width.  A bright mark's codes are half at less
    light, a dark one's at more.

    A mark smeared over a spacing and some more covers the ring once and that much twice.  What
    shows is then no more than the share ``width / smear`` of black or white paint.
    """
    height = _heights(model, smear_rad)
    seen = float(height[int(np.argmax(np.abs(height)))])
    level = float(model.still.mean())
    share = HALF_OF_DARK if surely and seen < 0 else 0.5
    spacing, one = TWO_PI / marks, _width(height, share) / marks
    if most_rad <= spacing - one:
        return min(one, most_rad)
    paint = level if seen < 0 else max(WHITE - level, 0.0)
    if abs(seen) > paint * one / (spacing - one):
        return one
    times = int((most_rad + one) / spacing)
    return min(most_rad, times * spacing + one)


def seen_angle(phi: FloatArray, omega: FloatArray, model: MarkModel) -> FloatArray:
    """Angle at which a mark of true angle phi is seen, rad; the middle one of three."""
    theta = even_angles(model.angles)
    seen = np.array(phi, np.float64)
    for _ in range(40):
        rows = np.interp(np.mod(seen, TWO_PI), theta, model.row_fraction, period=TWO_PI)
        ahead = phi + omega * model.readout_s * rows + geometry_angle(model.geometry, seen)
        seen += 0.5 * (ahead - seen)
    return seen


def smeared_table(model: MarkModel, smear_rad: FloatArray, *, slope: bool = False) -> Table:
    """Tabulate the shape under each of G smears, or its derivative against the angle.

    Returns
    -------
    (G, 2 * TABLE_TURNS * TABLE) float32 array
        For `look_up`.
    """
    h = np.arange(len(model.shape))
    faded = np.zeros((len(smear_rad), TABLE // 2 + 1), complex)
    faded[:, : len(h)] = model.shape * sinc_smear(h, np.asarray(smear_rad)[:, None])
    if slope:
        faded[:, : len(h)] *= 1j * h
    turn = (np.fft.irfft(faded, TABLE, axis=1) * TABLE).astype(np.float32)
    return np.concatenate([turn] * (2 * TABLE_TURNS), axis=1)


def true_base(model: MarkModel, omega: FloatArray) -> Table:
    """Angle on the mark for phi = 0 at each place: (F, N), theta_m of the module's head."""
    theta = even_angles(model.angles)
    base = (theta - geometry_angle(model.geometry, theta)).astype(np.float32)
    delay = (model.readout_s * model.row_fraction).astype(np.float32)
    return np.asarray(base - omega.astype(np.float32)[:, None] * delay, np.float32)


def on_mark(base: Table, phi: FloatArray) -> Table:
    """Angle on a mark at `phi` (F,) at each place, from `true_base`; (F, N)."""
    return np.asarray(base - np.mod(phi, TWO_PI).astype(np.float32)[:, None], np.float32)


def spots(angle: Table, row: IntArray | None = None) -> Spot:
    """Turn angles into places of a table of `smeared_table`.

    Parameters
    ----------
    angle : (F, N) array
        Angles on the mark, rad.
    row : (F,) array, optional
        The row of the table for each frame; the first by default.

    Returns
    -------
    (F, N) float32 array, (F, N) float32 array
        Columns and rows, for `look_up`.
    """
    columns = angle * np.float32(TABLE / TWO_PI) + np.float32(TABLE_TURNS * TABLE)
    rows = np.zeros(columns.shape, np.float32)
    if row is not None:
        rows += row.astype(np.float32)[:, None]
    return columns, rows


def look_up(table: Table, at: Spot) -> Table:
    """Read a table of `smeared_table`, (G, ...), at places of `spots`; (F, N)."""
    seen = cv2.remap(table, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return np.asarray(seen, np.float32)
