"""What does each frame of the one pass say? Place, light, and the ring's profile."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from vidspin.follow import Follower
from vidspin.glance import Glancer, Glances
from vidspin.pictures import TimelineKeeper
from vidspin.profiles import Profiles
from vidspin.records import (
    BoolArray,
    FloatArray,
    Footage,
    Frame,
    IntArray,
    SightingFlag,
    Strip,
    Survey,
)

Progress = Callable[[str, int, int], None]

KEPT_BYTES = 96 << 20  # frames of the survey that are kept for the still
DARK_LEVEL = 6.0  # grey levels of the ring below which nothing can be seen
DARK_GAIN = 0.15  # contrast against the still
COVERED = 2.5  # misfit against the usual one about that time
USUAL_FRAMES = 301  # over which the usual misfit is taken
REPORT_FRAMES = 64


@dataclass(frozen=True, slots=True)
class Readings:
    """What the pass found, frame by frame; N frames."""

    time_s: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    misfit: FloatArray
    gain: FloatArray
    level: FloatArray
    chapter: IntArray
    flags: IntArray  # SightingFlag values
    row_fraction: FloatArray  # (angles,) rows from the frame's middle row, frame heights
    rows: int  # of a frame
    timeline: Strip | None = None  # whole frames at round distances of time
    glances: Glances | None = None  # what the whole frames say beside the top

    @property
    def usable(self) -> BoolArray:
        """Frames in which the top was followed, lit and not covered."""
        return np.asarray(self.flags == 0)


class StillFrames:
    """Passes the survey's runs on and keeps some of their frames for the follower."""

    def __init__(self, runs: Iterator[Sequence[Frame]]) -> None:
        self._runs = runs
        self.kept: list[Frame] = []

    def __iter__(self) -> Iterator[Sequence[Frame]]:
        for run in self._runs:
            size = run[0].luma.nbytes if run else 1
            most = max(6, KEPT_BYTES // max(size, 1))
            self.kept += [run[0]] + ([run[len(run) // 2], run[-1]] if len(run) > 8 else [])
            if len(self.kept) > most:
                self.kept = self.kept[::2]
            yield run


def read_recording(
    footage: Footage, survey: Survey, still: Sequence[Frame], profiles: Profiles, progress: Progress
) -> Readings:
    """Read every frame once.

    Parameters
    ----------
    footage : Footage
    survey : Survey
    still : sequence of Frame
        Some frames spread over the recording, for the still.
    profiles : Profiles
        Takes the ring profiles.
    progress : callable
        Told (stage, done, total).

    Returns
    -------
    Readings
    """
    follower, glancer = Follower(survey, still), Glancer(survey, still)
    columns = [array("d") for _ in range(6)]
    chapter, moved, damaged = array("i"), array("b"), array("b")
    expected = round(footage.facts.duration_s * float(footage.facts.frame_rate))
    rows = 0
    keeper = TimelineKeeper(footage.facts.duration_s)
    for frame in footage.stream():
        keeper.see(frame)
        view = follower.read(frame.luma)
        profiles.append(view.profile)
        glancer.add(frame.luma)
        values = (frame.time_s, view.x_px, view.y_px, view.misfit, view.gain, view.level)
        for column, value in zip(columns, values, strict=True):
            column.append(value)
        chapter.append(frame.chapter)
        moved.append(view.moved)
        damaged.append(frame.suspect)
        rows = frame.luma.shape[0]
        if len(chapter) % REPORT_FRAMES == 0:
            progress("reading frames", len(chapter), max(expected, len(chapter)))
    progress("reading frames", len(chapter), len(chapter))
    t, x, y, misfit, gain, level = (np.frombuffer(c) if len(c) else np.zeros(0) for c in columns)
    flags = _flags(misfit, gain, level, np.array(moved, bool), np.array(damaged, bool))
    middle = (rows - 1) / 2
    usual_y = float(np.median(y[flags == 0])) if (flags == 0).any() else survey.ring.y_px
    return Readings(
        t, x, y, misfit, gain, level, np.array(chapter, np.int64), flags,
        (follower.row_offset_px + usual_y - middle) / max(rows, 1), rows, keeper.strip(),
        glancer.finish(),
    )  # fmt: skip


def _flags(
    misfit: FloatArray, gain: FloatArray, level: FloatArray, moved: BoolArray, damaged: BoolArray
) -> IntArray:
    flags = np.zeros(len(misfit), np.int64)
    if len(misfit) == 0:
        return flags
    finite = np.where(np.isfinite(misfit), misfit, 255.0)
    size = min(USUAL_FRAMES, 2 * (len(misfit) // 2) + 1)
    usual = ndimage.percentile_filter(finite, 40, size=size, mode="nearest")
    usual = np.minimum(usual, 3 * np.median(finite))
    flags[finite > COVERED * usual + 1.0] |= int(SightingFlag.OCCLUDED)
    flags[(level < DARK_LEVEL) | (gain < DARK_GAIN)] |= int(SightingFlag.DARK)
    flags[moved] |= int(SightingFlag.MOVED)
    flags[damaged] |= int(SightingFlag.DAMAGED)
    return flags
