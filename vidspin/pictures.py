"""Which pictures of the recording go into the result? The spin chart and the event strips."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.markmodel import MarkModel, seen_angle
from vidspin.profiles import Profiles
from vidspin.records import ByteArray, FloatArray, Footage, Frame, SpinChart, Strip, Survey

CHART_COLUMNS = 1200
ZOOM_FRAMES = 150
STRIP_BEFORE = 4
STRIP_AFTER = 4
STRIP_REACH = 1.9  # half width of a strip picture, ring radii
STRIP_SIZE = 260  # largest side of a strip picture
CONTRAST = 2.5  # robust spread of the change along the ring that fills the grey scale


def spin_chart(  # noqa: PLR0913 - what is drawn and what is drawn over it
    profiles: Profiles,
    time_s: FloatArray,
    *,
    zoom_at: list[int],
    smooth_rad: FloatArray | None,
    omega: FloatArray | None,
    model: MarkModel | None,
) -> SpinChart:
    """Take the angle-against-time picture of the whole recording and of a few stretches.

    Parameters
    ----------
    profiles : Profiles
    time_s : (N,) array
    zoom_at : list of int
        Middle frames of the stretches.
    smooth_rad, omega : (N,) arrays or None
        Smooth true angle and speed, for the line over the stretches.
    model : MarkModel or None

    Returns
    -------
    SpinChart
    """
    count = len(profiles)
    pick = np.unique(np.linspace(0, count - 1, min(count, CHART_COLUMNS)).astype(int))
    whole = np.concatenate([profiles.read(int(k), int(k) + 1) for k in pick])
    zooms, times, seen = [], [], []
    for middle in zoom_at:
        first = int(np.clip(middle - ZOOM_FRAMES // 2, 0, max(0, count - ZOOM_FRAMES)))
        rows = slice(first, min(count, first + ZOOM_FRAMES))
        zooms.append(_grey(profiles.read(rows.start, rows.stop)))
        times.append(time_s[rows])
        if smooth_rad is None or omega is None or model is None:
            seen.append(np.full(rows.stop - rows.start, np.nan))
        else:
            angle = seen_angle(np.nan_to_num(smooth_rad[rows]), omega[rows], model)
            seen.append(np.where(np.isfinite(smooth_rad[rows]), np.mod(angle, 2 * np.pi), np.nan))
    return SpinChart(_grey(whole), time_s[pick], tuple(zooms), tuple(times), tuple(seen))


def _grey(rows: NDArray[np.float32]) -> ByteArray:
    change = rows - np.median(rows, axis=0)
    size = max(float(np.percentile(np.abs(change), 99)), 1.0)
    return np.asarray(np.clip(128 + 127 * change / size, 0, 255), np.uint8)


def strip(  # noqa: PLR0913 - where and when
    footage: Footage, survey: Survey, kind: str, time_s: float, x_px: float, y_px: float
) -> Strip | None:
    """Cut the frames around an event out of the recording; None when there are none."""
    frames = footage.around(time_s, before=STRIP_BEFORE, after=STRIP_AFTER)
    if not frames:
        return None
    pictures = tuple(crop(f, survey, x_px, y_px, STRIP_REACH, STRIP_SIZE)[0] for f in frames)
    return Strip(kind, np.array([f.time_s for f in frames]), pictures)


def crop(  # noqa: PLR0913 - what, where, how large
    frame: Frame, survey: Survey, x_px: float, y_px: float, reach: float, largest: int
) -> tuple[ByteArray, float, float, float]:
    """Cut the top's surroundings out as 8 bit: picture, its origin (x, y), and its scale."""
    rows, columns = frame.luma.shape
    half = reach * survey.ring.major_px
    left, right = max(0, int(x_px - half)), min(columns, int(x_px + half) + 1)
    top, bottom = max(0, int(y_px - half)), min(rows, int(y_px + half) + 1)
    part: NDArray[Any] = frame.luma[top:bottom, left:right]
    if part.dtype == np.uint16:
        part = part >> 2
    part = part.astype(np.uint8)
    scale = min(1.0, largest / max(part.shape))
    if scale < 1.0:
        size = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
        part = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(part, np.uint8), float(left), float(top), scale
