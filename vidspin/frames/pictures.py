"""Which pictures of the recording go into the result? The spin chart and the event strips."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
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
LATER_S = 0.25  # distance of the frames that follow these after a release
LATER_FRAMES = 4
# An instant that is less sure than those frames reach has its frames spread over its whole ±; what
# would be minutes of decoding is left.
SPREAD_S = (LATER_S * LATER_FRAMES, 6.0)
STRIP_REACH = 1.9  # half width of a strip picture, ring radii
STRIP_SIZE = 260  # largest side of a strip picture
TIMELINE_SIZE = 480  # largest side of a whole frame that is kept
TIMELINE_FEWEST = 4  # distances between them, where the recording is shorter than an hour
TIMELINE_MOST = 48
TIMELINE_STEPS_S = (900, 600, 300, 120, 60, 30, 20, 10, 5, 2, 1)


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
    footage: Footage,
    survey: Survey,
    kind: str,
    time_s: float,
    x_px: float,
    y_px: float,
    u95_s: float = 0.0,
) -> Strip | None:
    """Cut the frames around an event out of the recording; None when there are none.

    After a release a few frames at a greater distance follow.  Where its `u95_s` is wider than
    that, as many are spread over the interval: one of them must show the hand, another none.
    """

    def cut(frames: Iterator[Frame]) -> list[tuple[float, ByteArray]]:
        """One by one: at 4K all frames of a strip take more than 100 MiB."""
        reach = (survey, x_px, y_px, STRIP_REACH, STRIP_SIZE)
        return [(frame.time_s, crop(frame, *reach)[0]) for frame in frames]

    if SPREAD_S[0] < u95_s <= SPREAD_S[1]:
        gaps = STRIP_BEFORE + STRIP_AFTER + LATER_FRAMES - 1
        every = math.ceil(2 * u95_s * float(footage.facts.frame_rate) / gaps)
        first = footage.passing(time_s - u95_s, before=0, after=gaps * every + 1, every=every)
        times, pictures = zip(*cut(first), strict=True)
        return Strip(kind, np.array(times), pictures)
    cuts = cut(footage.passing(time_s, before=STRIP_BEFORE, after=STRIP_AFTER))
    if not cuts:
        return None
    if kind == "release":  # the hand is still beside the top then; show it going away
        step = max(round(LATER_S * float(footage.facts.frame_rate)), STRIP_AFTER)
        later = footage.passing(time_s, before=0, after=LATER_FRAMES * step + 1, every=step)
        last_s = cuts[-1][0]
        cuts += cut(frame for frame in later if frame.time_s > last_s)
    times, pictures = zip(*cuts, strict=True)
    return Strip(kind, np.array(times), pictures)


def crop(  # noqa: PLR0913 - what, where, how large
    frame: Frame, survey: Survey, x_px: float, y_px: float, reach: float, largest: int
) -> tuple[ByteArray, float, float, float]:
    """Cut the top's surroundings out as 8 bit: picture, its origin (x, y), and its scale."""
    rows, columns = frame.luma.shape
    half = reach * survey.ring.major_px
    left, right = max(0, int(x_px - half)), min(columns, int(x_px + half) + 1)
    top, bottom = max(0, int(y_px - half)), min(rows, int(y_px + half) + 1)
    part, scale = _small(frame.luma[top:bottom, left:right], largest)
    return part, float(left), float(top), scale


def _small(luma: NDArray[Any], largest: int) -> tuple[ByteArray, float]:
    """Copy a picture as 8 bit, no side longer than `largest`; and its scale."""
    part: NDArray[Any] = (luma >> 2 if luma.dtype == np.uint16 else luma).astype(np.uint8)
    scale = min(1.0, largest / max(part.shape))
    if scale < 1.0:
        size = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
        part = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(part, np.uint8), scale


def timeline_step_s(duration_s: float) -> float:
    """Choose the distance of the whole frames that are kept: a quarter of an hour, or less.

    A recording that is shorter than an hour has closer ones, so that there are a few; one of
    many hours has wider ones, so that they do not grow without bound.
    """
    fitting = (s for s in TIMELINE_STEPS_S if duration_s >= TIMELINE_FEWEST * s)
    step = float(next(fitting, TIMELINE_STEPS_S[-1]))
    return step * max(1, int(np.ceil(duration_s / step / TIMELINE_MOST)))


class TimelineKeeper:
    """Keeps a small copy of the whole frame at round distances of time as frames pass by.

    Parameters
    ----------
    duration_s : float
        Length of the recording, scene seconds.
    """

    def __init__(self, duration_s: float) -> None:
        self._step_s = timeline_step_s(duration_s)
        self._next_s = 0.0
        self._time_s: list[float] = []
        self._pictures: list[ByteArray] = []

    def see(self, frame: Frame) -> None:
        """Keep the frame when it is the first at or after the next round instant."""
        if frame.time_s < self._next_s or len(self._pictures) > TIMELINE_MOST:
            return
        self._time_s.append(frame.time_s)
        self._pictures.append(_small(frame.luma, TIMELINE_SIZE)[0])
        self._next_s = self._step_s * (np.floor(frame.time_s / self._step_s) + 1)

    def state(self) -> dict[str, NDArray[Any]]:
        """Give what was kept so far, for a checkpoint."""
        pictures = np.stack(self._pictures) if self._pictures else np.zeros((0, 1, 1), np.uint8)
        times, after = np.array(self._time_s), np.array(self._next_s)
        return {"still_s": times, "still": pictures, "still_next": after}

    def go_on(self, state: Mapping[str, NDArray[Any]]) -> None:
        """Take up what `state` gave."""
        self._time_s = [float(t) for t in state["still_s"]]
        self._pictures = [np.asarray(one, np.uint8) for one in state["still"]]
        self._next_s = float(state["still_next"])

    def strip(self) -> Strip | None:
        """Return what was kept; None when no frame passed."""
        if not self._pictures:
            return None
        return Strip("timeline", np.array(self._time_s), tuple(self._pictures))
