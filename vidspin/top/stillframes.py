"""Which frames that a survey looks at make the follower's still?"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import count

import numpy as np

from vidspin.records import Frame

LARGE_BYTES = 8 << 20  # frames that are decoded twice rather than held
KEPT_BYTES = 96 << 20  # frames that are kept for the follower's still
KEPT_FRAMES = 12  # but so many, as a short recording gives
FEW_STILL = 4  # frames that make a still

Again = Callable[[float], Sequence[Frame]]


class StillFrames:
    """Passes the survey's runs on and keeps some of their frames, within `room`, for the still.

    Large ones are asked for `again` (frames from an instant on) instead of held meanwhile.
    """

    def __init__(
        self, runs: Iterator[Sequence[Frame]], room: int | None = None, again: Again | None = None
    ) -> None:
        self._runs, self._room, self._again = runs, room, again
        self._kept: list[tuple[int, Frame]] = []  # with the run's number
        self._every = 1  # runs of which frames are kept

    def __iter__(self) -> Iterator[Sequence[Frame]]:
        numbers = count()  # enumerate() would hold the run before while the next one is decoded
        for run in self._runs:
            number = next(numbers)
            size = run[0].luma.nbytes if run else 1
            most = KEPT_BYTES // max(size, 1)
            if self._room is not None:
                most = min(most, max(KEPT_FRAMES, self._room // max(size, 1)))
            most = max(6, most)
            few = [run[0]] + ([run[len(run) // 2], run[-1]] if len(run) > 8 else [])
            if number % self._every == 0:
                self._kept += [(number, self._noted(frame)) for frame in few]
            while len(self._kept) > most and self._every <= number:
                self._every *= 2  # evenly spread over the recording
                self._kept = [one for one in self._kept if one[0] % self._every == 0]
            del few
            yield run
            del run  # before the next one is decoded: both may be large

    @property
    def kept(self) -> list[Frame]:
        """All that were kept."""
        return self._whole(self._kept)

    def of(self, runs: Sequence[int]) -> list[Frame]:
        """Those of some runs, or all where few of these were kept."""
        chosen = [one for one in self._kept if one[0] in set(runs)]
        return self._whole(chosen if len(chosen) >= FEW_STILL else self._kept)

    def _noted(self, frame: Frame) -> Frame:
        large = self._again is not None and frame.luma.nbytes >= LARGE_BYTES
        return replace(frame, luma=np.zeros((0, 0), np.uint8)) if large else frame

    def _whole(self, kept: Sequence[tuple[int, Frame]]) -> list[Frame]:
        whole: list[Frame] = []
        for _, frame in kept:
            missing = self._again is not None and not frame.luma.size
            whole += self._again(frame.time_s) if self._again and missing else [frame]
        return whole
