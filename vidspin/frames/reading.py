"""What does each frame of the one pass say? Place, light, and the ring's profile."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vidspin.frames.checkpoint import Checkpoints, Resumable, fingerprint
from vidspin.frames.follow import Follower
from vidspin.frames.glance import Glancer, Glances
from vidspin.frames.lamp import LONGEST_S
from vidspin.frames.pictures import TimelineKeeper
from vidspin.frames.radial import Unrolled, WideFrames
from vidspin.profiles import Profiles
from vidspin.records import (
    BoolArray,
    Float32Array,
    FloatArray,
    Footage,
    Frame,
    IntArray,
    SightingFlag,
    Strip,
    Survey,
)

Progress = Callable[[str, int, int], None]

DARK_LEVEL = 6.0  # grey levels of the ring below which nothing can be seen
DARK_GAIN = 0.15  # contrast against the still
COVERED = 2.5  # misfit against the usual one about that time
USUAL_S, USUAL_FRAMES = 10.0, 301  # over which the usual misfit is taken: no hand stays so long
REPORT_FRAMES = 64
READING = "reading frames"


@dataclass(frozen=True, slots=True)
class Readings:
    """What the pass found, frame by frame; N frames."""

    time_s: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    misfit: Float32Array  # what the flags were taken from
    gain: Float32Array
    level: Float32Array
    chapter: IntArray
    flags: IntArray  # SightingFlag values
    row_fraction: FloatArray  # (angles,) rows from the frame's middle row, frame heights
    rows: int  # of a frame
    timeline: Strip | None = None  # whole frames at round distances of time
    glances: Glances | None = None  # what the whole frames say beside the top
    unrolled: Unrolled | None = None  # some frames, the ring in all its width

    @property
    def usable(self) -> BoolArray:
        """Frames in which the top was followed, lit and not covered."""
        return np.asarray(self.flags == 0)


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
    expected = round(footage.facts.duration_s * float(footage.facts.frame_rate))
    so_far = _SoFar(survey, still, footage.facts.duration_s, expected)
    del still  # whole frames that nobody needs during the pass
    kept = profiles if isinstance(profiles, Checkpoints) else None  # asking costs much, each time
    for frame in _coming(footage, profiles, so_far):
        profiles.append(so_far.read(frame))
        count = len(so_far.chapter)
        if count % REPORT_FRAMES == 0:
            progress(READING, count, max(expected, count))
        if kept is not None and kept.due():
            so_far.keep(footage, kept, frame)
    progress(READING, len(so_far.chapter), len(so_far.chapter))
    return so_far.readings(survey)


def flags_only(readings: Readings) -> Readings:
    """Leave out what the flags were taken from: nothing else asks for it."""
    none = np.zeros(0, np.float32)
    return replace(readings, misfit=none, gain=none, level=none)


class _SoFar:
    """What the pass has read."""

    def __init__(
        self, survey: Survey, still: Sequence[Frame], duration_s: float, expected: int
    ) -> None:
        self._follower, self._glancer = Follower(survey, still), Glancer(survey, still)
        self._keeper = TimelineKeeper(duration_s)
        self._began = (self._follower.identity, self._glancer.identity)
        self._columns = [array("d") for _ in range(6)]
        self.chapter, self._moved, self._damaged = array("i"), array("b"), array("b")
        self._rows = 0
        self._wide = WideFrames(expected)

    def read(self, frame: Frame) -> NDArray[np.float32]:
        """Read the next frame; return its profile."""
        self._keeper.see(frame)
        view = self._follower.read(frame.luma, wide=self._wide.wants(len(self.chapter)))
        self._wide.add(len(self.chapter), view.wide)
        self._glancer.add(frame.luma, bands=self._in_lamp_light(frame.time_s))
        values = (frame.time_s, view.x_px, view.y_px, view.misfit, view.gain, view.level)
        for column, value in zip(self._columns, values, strict=True):
            column.append(value)
        self.chapter.append(frame.chapter)
        self._moved.append(view.moved)
        self._damaged.append(frame.suspect)
        self._rows = frame.luma.shape[0]
        return view.profile

    def _in_lamp_light(self, time_s: float) -> bool:
        """Whether a frame belongs to those that are looked at for a lamp."""
        times = self._columns[0]
        return not times or time_s - times[0] <= LONGEST_S

    def keep(self, footage: Footage, profiles: Checkpoints, frame: Frame) -> None:
        """Keep all of it after a frame, as long as the pass is spotless."""
        spotless = isinstance(footage, Resumable) and footage.is_spotless()
        if not spotless or frame.index != len(self.chapter) - 1:
            return
        assert isinstance(footage, Resumable)
        profiles.keep({
            "columns": np.array(self._columns), "chapter": np.array(self.chapter),
            "moved": np.array(self._moved), "rows": np.array(self._rows),
            "last": np.array(fingerprint(frame.luma)),
            "survey": np.array(self._began), "watched": np.array(footage.watched()),
            **self._follower.state(), **self._keeper.state(), **self._glancer.state(),
            **self._wide.state(),
        })  # fmt: skip

    def began_as(self, state: Mapping[str, NDArray[Any]]) -> bool:
        """Whether what was kept began from the same survey."""
        kept = tuple(int(v) for v in state["survey"])
        return kept == self._began and all(
            name in state for name in (*self._wide.state(), *self._follower.state())
        )

    def go_on(self, state: Mapping[str, NDArray[Any]]) -> None:
        """Take up what was kept."""
        self._columns = [array("d", column) for column in state["columns"]]
        self.chapter = array("i", [int(c) for c in state["chapter"]])
        self._moved = array("b", [int(m) for m in state["moved"]])
        self._damaged = array("b", bytes(len(self.chapter)))
        self._rows = int(state["rows"])
        self._follower.go_on(state)
        self._keeper.go_on(state)
        self._glancer.go_on(state)
        self._wide.go_on(state)

    def readings(self, survey: Survey) -> Readings:
        """Put it together when the pass is over."""
        rows = self._rows
        t, x, y, misfit, gain, level = (np.array(self._columns.pop(0)) for _ in range(6))
        moved, damaged = np.array(self._moved, bool), np.array(self._damaged, bool)
        flags = _flags(t, misfit, gain, level, moved, damaged)
        middle = (rows - 1) / 2
        usual_y = float(np.median(y[flags == 0])) if (flags == 0).any() else survey.ring.y_px
        return Readings(
            t, x, y, misfit.astype(np.float32), gain.astype(np.float32), level.astype(np.float32),
            np.array(self.chapter, np.int64), flags,
            (self._follower.row_offset_px + usual_y - middle) / max(rows, 1), rows,
            self._keeper.strip(), self._glancer.finish(),
            self._wide.unrolled(self._follower.wide_radii),
        )  # fmt: skip


def _coming(footage: Footage, profiles: Profiles, so_far: _SoFar) -> Iterator[Frame]:
    """Yield the frames that are still to be read: all, or those after the last checkpoint.

    The last frame that was read before is decoded once more; only where it is the very same
    picture the pass goes on behind it.
    """
    kept = profiles.kept() if isinstance(profiles, Checkpoints) else None
    if not isinstance(profiles, Checkpoints):
        yield from footage.stream()
        return
    if kept is None or not isinstance(footage, Resumable) or not so_far.began_as(kept):
        profiles.cut(0)
        yield from footage.stream()
        return
    last, same = len(kept["chapter"]) - 1, False
    try:
        frames = footage.stream_from(last)
        for frame in frames:
            if frame.index == last:
                same = fingerprint(frame.luma) == int(kept["last"]) and footage.is_spotless()
            if frame.index >= last:
                break
    except LookupError:
        same = False
    if not same:
        profiles.cut(0)
        yield from footage.stream()
        return
    so_far.go_on(kept)
    footage.watch_on(str(kept["watched"]))
    profiles.cut(last + 1)
    yield from frames


def _usual(time_s: FloatArray, misfit: FloatArray) -> FloatArray:
    """Usual misfit about each frame; of fast frames some are enough."""
    interval = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 0.0
    every = max(1, round(USUAL_S / USUAL_FRAMES / interval)) if interval > 0 else 1
    some = misfit[::every]
    size = min(USUAL_FRAMES, 2 * (len(some) // 2) + 1)
    usual = ndimage.percentile_filter(some, 40, size=size, mode="reflect")
    return np.asarray(np.repeat(usual, every)[: len(misfit)], np.float64)


def _flags(  # noqa: PLR0913 - columns of the same frames
    time_s: FloatArray,
    misfit: FloatArray,
    gain: FloatArray,
    level: FloatArray,
    moved: BoolArray,
    damaged: BoolArray,
) -> IntArray:
    flags = np.zeros(len(misfit), np.int64)
    if len(misfit) == 0:
        return flags
    finite = np.where(np.isfinite(misfit), misfit, 255.0)
    usual = np.minimum(_usual(time_s, finite), 3 * np.median(finite))
    flags[finite > COVERED * usual + 1.0] |= int(SightingFlag.OCCLUDED)
    flags[(level < DARK_LEVEL) | (gain < DARK_GAIN)] |= int(SightingFlag.DARK)
    flags[moved] |= int(SightingFlag.MOVED)
    flags[damaged] |= int(SightingFlag.DAMAGED)
    return flags
