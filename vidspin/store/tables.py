"""What the tables of a result folder hold.

``speed.csv`` and ``candidates.csv`` have one row for each window centre of the spin curve,
``sightings.npz`` one entry for each frame.  An empty cell stands for what is not known.
"""

from __future__ import annotations

import csv
import io
import math
import zipfile
from collections.abc import Sequence
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from vidspin.candidates import alias_orders, candidate_speeds
from vidspin.records import Result, Rows
from vidspin.units import rpm_from_rad_s

ROWS_AT_ONCE = 1 << 14  # of an array that are packed together
BASIS_ARRAYS = ("turned_rad", "u_stated_rad", "answer", "break_s", "counted")
ROLL_ARRAYS = ("roll_rad", "u_roll_rad")  # results of older versions lack them beside these
SPEED_COLUMNS = (
    "time_s",
    "rpm",
    "u95_rpm",
    "u95_rpm_excl_clock",
    "alias_order",
    "sightings",
    "quality",
)


def speed_table(result: Result) -> str:
    """Write ``speed.csv``: one row for each window centre.

    Cells are empty where a speed is not known; while the alias order is unresolved, the
    columns of speed, its uncertainty and the order are empty throughout.
    """
    curve = result.curve
    speed = curve.speed_rad_s if result.alias.resolved else np.full_like(curve.time_s, np.nan)
    known = np.isfinite(speed)
    columns = (
        _cells(curve.time_s, "{:.6f}"),
        _cells(rpm_from_rad_s(speed), "{:.6f}"),
        _cells(np.where(known, rpm_from_rad_s(curve.u95_total_rad_s), np.nan), "{:.6g}"),
        _cells(np.where(known, rpm_from_rad_s(curve.u95_speed_rad_s), np.nan), "{:.6g}"),
        _cells(alias_orders(result, speed), "{:.0f}"),
        _cells(curve.sightings, "{:d}"),
        _cells(curve.quality, "{:.4f}"),
    )
    return _csv(SPEED_COLUMNS, columns)


def candidates_table(result: Result) -> str:
    """Write ``candidates.csv``: a column of rev/min for each candidate order."""
    speeds = candidate_speeds(result)
    names = ["time_s", *(f"rpm_order_{order}" for order in speeds)]
    columns = [_cells(speed, "{:.6f}") for speed in speeds.values()]
    return _csv(names, [_cells(result.curve.time_s, "{:.6f}"), *columns])


def _cells(values: NDArray[Any], pattern: str) -> list[str]:
    """Format numbers; an empty cell stands for what is not known."""
    return [pattern.format(v) if math.isfinite(v) else "" for v in values.tolist()]


def _csv(names: Sequence[str], columns: Sequence[Sequence[str]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(zip(*columns, strict=True))
    return text.getvalue()


def sightings_table(result: Result) -> bytes:
    """Write ``sightings.npz``: what every frame said, so that all can be worked out again."""
    target = io.BytesIO()
    write_sightings(result, target)
    return target.getvalue()


def write_sightings(result: Result, target: IO[bytes]) -> None:
    """Write `sightings_table` into a file that is open."""
    sightings = result.sightings
    arrays: dict[str, NDArray[Any] | Rows] = {
        "time_s": sightings.time_s,
        "angle_rad": sightings.angle_rad,
        "u_rad": sightings.u_rad,
        "quality": sightings.quality,
        "x_px": sightings.x_px,
        "y_px": sightings.y_px,
        "flags": sightings.flags,
        "chapter": sightings.chapter,
        "residual_rad": result.curve.residual_rad,
        **_basis(result),
    }
    # what numpy.savez_compressed does, which takes whole arrays only
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, array in arrays.items():
            with archive.open(f"{name}.npy", "w", force_zip64=True) as entry:
                _write_array(array, entry)


def _write_array(array: NDArray[Any] | Rows, entry: IO[bytes]) -> None:
    """Write one array in numpy's own format, some rows at a time."""
    part = array[:0]
    np.lib.format.write_array_header_1_0(
        entry, {"descr": part.dtype.str, "fortran_order": False, "shape": array.shape}
    )  # fmt: skip
    for first in range(0, array.shape[0], ROWS_AT_ONCE):
        entry.write(array[first : first + ROWS_AT_ONCE].tobytes())


def _basis(result: Result) -> dict[str, NDArray[Any] | Rows]:
    """Arrays from which the speed can be worked out again, `BASIS_ARRAYS` and `ROLL_ARRAYS`."""
    basis = result.basis
    if basis is None:
        return {}
    b = basis
    arrays: tuple[NDArray[Any] | Rows, ...] = (
        b.turned_rad, b.u_rad, b.answer, b.break_s, b.counted, b.roll_rad, b.u_roll_rad,
    )  # fmt: skip
    return dict(zip((*BASIS_ARRAYS, *ROLL_ARRAYS), arrays, strict=True))
