"""Which of a recording's short runs of pictures is a survey to look at?"""

from __future__ import annotations

from bisect import insort
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.records import FloatArray, Frame

FEWEST_RUNS = 6  # of a choice
MOST_RUNS = 72  # likewise; all frames of a choice are held in full
WILD = 4.0  # times as lively as usual: a hand or a fall
# Liveliness of the calm quarter of a recording, and times that: up to where a run is as calm, and
# from where the usual run of a choice is not.
CALM_SHARE, AS_CALM, NOT_CALM = 0.25, 1.3, 2.0
LEAST_PIECE, PIECES = 12, 16  # frames of a piece of a long run, and pieces
# Pictures that tell where in a recording something happens, and how many more are looked at there.
EVENT_COLUMNS, EVENT_BLUR_PX = 160, 1.5
EVENTFUL = 1.5  # times the usual change; that of noise keeps within a tenth of it
ENOUGH_LIVELY = 24  # runs in which something moves: a half of those that are looked at first
MORE_ROUNDS, MORE_RUNS = 8, 6  # of more runs, and of these in each
Stack = NDArray[Any]  # (frames, rows, columns)


def attempts(
    stacks: list[Stack], numbers: list[int]
) -> Iterator[tuple[list[Stack], list[int], bool]]:
    """Yield pictures to look at, the runs they are of, and whether to try many rings.

    Parameters
    ----------
    stacks : list of (frames, rows, columns) arrays
        Runs of consecutive frames.
    numbers : list of int
        Of the runs.

    Yields
    ------
    list of arrays, list of int, bool

    Notes
    -----
    Short recordings with few key frames come as one long run, a hand's frames among all others:
    it is cut where nothing is found in it as it is.  Then rings less even than others are tried.
    """
    yield stacks, numbers, False
    if len(stacks) < FEWEST_RUNS:
        cuts = [max(1, min(len(stack) // LEAST_PIECE, PIECES // len(stacks))) for stack in stacks]
        parts = [np.array_split(stack, cut) for stack, cut in zip(stacks, cuts, strict=True)]
        numbers = [n for n, cut in zip(numbers, cuts, strict=True) for _ in range(cut)]
        stacks = [piece for part in parts for piece in part]
        yield stacks, numbers, False
    yield stacks, numbers, True


def choices(lively: FloatArray) -> Iterator[list[int]]:
    """Yield the runs to try: those in which the top spins are livelier than those at rest.

    Parameters
    ----------
    lively : (K,) array
        How much changes within each run.

    Yields
    ------
    list of int
    """
    yield list(range(0, len(lively), -(-len(lively) // MOST_RUNS)))
    order = np.argsort(-lively, kind="stable")
    for share in (2, 4, 8, 16):
        chosen = order[: min(len(order) // share, MOST_RUNS)]
        if len(chosen) < FEWEST_RUNS:
            return
        yield sorted(chosen.tolist())
        mild = chosen[lively[chosen] <= WILD * np.median(lively[chosen])]
        if FEWEST_RUNS // 2 <= len(mild) < len(chosen):
            yield sorted(mild.tolist())


def not_at_rest(lively: FloatArray, chosen: Sequence[int]) -> list[int]:
    """Leave out of a choice what is no livelier than the calm runs of a recording.

    Where the usual run of a choice shows the spin, a top at rest must not get into its still.
    """
    own, calm = lively[np.asarray(chosen, np.int64)], float(np.quantile(lively, CALM_SHARE))
    if float(np.median(own)) < NOT_CALM * calm:
        return list(chosen)
    return [k for k, one in zip(chosen, own, strict=True) if one > AS_CALM * calm]


@dataclass(frozen=True, slots=True, order=True)
class _Looked:
    """One run that was looked at."""

    first_s: float
    last_s: float
    change: float = field(compare=False)  # the most anywhere in the picture, within the run
    picture: NDArray[np.float32] = field(compare=False)


class Happenings:
    """Where in a recording something happens, by the runs of frames that were looked at so far.

    Of a top that lies at rest for hours and spins for a minute, runs that are spread evenly show
    hardly anything.  But the picture is another one after the spin, and another one still during
    it: between two runs that differ, and beside one in which something moves, lies what is worth
    a closer look.
    """

    def __init__(self) -> None:
        self._runs: list[_Looked] = []

    def add(self, run: Sequence[Frame]) -> None:
        """Take note of the next run."""
        rows, columns = run[0].luma.shape if run else (0, 0)
        if not rows * columns:
            return
        scale = min(1.0, EVENT_COLUMNS / max(rows, columns))
        size = (max(1, round(columns * scale)), max(1, round(rows * scale)))
        stack = np.stack([_small(frame, size) for frame in run])
        picture = stack.mean(0)
        change = float(np.abs(stack - picture).mean(0).max())
        insort(self._runs, _Looked(run[0].time_s, run[-1].time_s, change, picture))

    def next_s(self) -> list[float]:
        """Say from when on more runs are worth a look, s; none where enough of them are lively."""
        runs = [one for one in self._runs if one.picture.shape == self._runs[0].picture.shape]
        if len(runs) < FEWEST_RUNS:
            return []
        change = np.array([one.change for one in runs])
        pairs = list(zip(runs[:-1], runs[1:], strict=True))
        apart = np.array([float(np.abs(b.picture - a.picture).max()) for a, b in pairs])
        lively = change > EVENTFUL * np.median(change)
        if lively.sum() >= ENOUGH_LIVELY:
            return []
        eventful = lively[:-1] | lively[1:] | (apart > EVENTFUL * np.median(apart))
        gaps = [(b.first_s - a.last_s, a.last_s) for a, b in pairs]
        length = float(np.median([one.last_s - one.first_s for one in runs]))
        open_ = [gap for gap, here in zip(gaps, eventful, strict=True) if here]
        open_ = sorted((gap for gap in open_ if gap[0] > 3.0 * length), reverse=True)[:MORE_RUNS]
        return sorted(begin + 0.5 * (gap - length) for gap, begin in open_)


def _small(frame: Frame, size: tuple[int, int]) -> NDArray[np.float32]:
    """Reduce a frame to a small picture, 8-bit grey levels, without most of the noise."""
    small = cv2.resize(frame.luma, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    small *= np.float32(0.25 if frame.luma.dtype == np.uint16 else 1.0)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), EVENT_BLUR_PX), np.float32)
