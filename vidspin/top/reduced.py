"""What do small pictures of short runs of frames look like, without lamp flicker and shake?"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import count
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.middle import median_picture, medians
from vidspin.records import Frame
from vidspin.top.shift import Still, moved_back

Image = NDArray[np.float32]
Stack = NDArray[Any]  # (frames, rows, columns), as decoded: a quarter or half of an Image's room

WORK_WIDTH = 480  # columns of the survey's pictures; enough to place a ring to 1 % of its size
SHAKE_LIMIT_PX = 12.0  # in the reduced picture; a camera that moves further was knocked over
STILL_FRAMES = 12  # that make the still
LEVEL_COLUMNS = 3  # every third column tells the light of a row
OWN_BYTES = 1 << 21  # twice the least that allocators give back at once


def work_stacks(runs: Iterable[Sequence[Frame]]) -> tuple[list[Stack], list[int], float]:
    """Reduce every run to a stack (frames, rows, columns) of its own type, in order of time."""
    stacks: list[Stack] = []
    numbers: list[int] = []
    begins: list[int] = []
    scale = 1.0
    seen = count()  # enumerate() would hold the run before while the next one is decoded
    for run in runs:
        number = next(seen)
        pictures = []
        begin = run[0].index if run else 0
        for frame in run:
            rows, columns = frame.luma.shape
            own = min(1.0, WORK_WIDTH / max(rows, columns))
            size = (round(columns * own), round(rows * own))
            pictures.append(cv2.resize(frame.luma, size, interpolation=cv2.INTER_AREA))
            del frame
        del run  # before the next one is decoded: both may be large
        if pictures and (not stacks or pictures[0].shape == stacks[0].shape[1:]):
            scale = own
            stacks.append(_stacked(pictures))
            numbers.append(number)
            begins.append(begin)
    order = np.argsort(begins, kind="stable").tolist()
    return [stacks[k] for k in order], [numbers[k] for k in order], scale


def _stacked(pictures: list[Stack]) -> Stack:
    """Put pictures into a block large enough to go back to the system as soon as it is freed."""
    one = pictures[0]
    size = len(pictures) * one.nbytes
    block = np.empty(max(size, OWN_BYTES), np.uint8)[:size]  # what is not used takes no room
    out = block.view(one.dtype).reshape(len(pictures), *one.shape)
    return np.stack(pictures, out=out)


def grey(stack: Stack) -> Image:
    """8-bit grey levels; 16-bit values are 10-bit samples."""
    return stack.astype(np.float32) * np.float32(0.25 if stack.dtype == np.uint16 else 1.0)


def steadied(runs: list[Stack]) -> Image:
    """All frames in grey levels, without lamp flicker and shake; the list of runs is emptied.

    Lamp flicker: every row of a frame gets the still's brightness.  Shake: every frame is moved
    to where the still lies, since outlines that shake would be taken for something that turns.
    """
    few = _few(runs)
    light: Image = median_picture([grey(one[:, ::LEVEL_COLUMNS]) for one in few])
    light += 1.0
    levelled = [_levelled(grey(one[None]), light)[0] for one in few]
    still = Still(median_picture(levelled), SHAKE_LIMIT_PX)
    frames = np.empty((sum(map(len, runs)), *runs[0].shape[1:]), np.float32)
    first = 0
    while runs:
        run = runs.pop(0)
        for k, frame in enumerate(_levelled(grey(run), light), first):
            frames[k] = _held(still, frame)
        first += len(run)
    return frames


def _levelled(stack: Image, light: Image) -> Image:
    """Frames with the brightness of every row as in the still, whose `LEVEL_COLUMNS` are given."""
    ratio = medians((stack[:, :, ::LEVEL_COLUMNS] + 1.0) / light, 2)
    ratio = cv2.blur(ratio.astype(np.float32), (9, 1), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(stack / np.maximum(ratio, 0.05)[:, :, None], np.float32)


def _held(still: Still, frame: Image) -> Image:
    shift = still.shift(frame)
    return frame if shift is None else moved_back(frame, shift)  # None: not a shake


def still_of(stacks: list[Image]) -> Image:
    """Median of a few first frames of runs."""
    return median_picture(_few(stacks))


def _few(stacks: list[Stack]) -> list[Stack]:
    """First frames of some runs."""
    return [s[0] for s in stacks[:: max(1, len(stacks) // STILL_FRAMES)]]
