"""Simulated recordings by a camera that rolls about its optical axis."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import cv2
import numpy as np

from vidspin.records import FloatArray, Frame
from vidspin.simulate import Scene, SimulatedFootage

MARGIN = 40  # picture elements that come into the picture as the camera rolls
Roll = Callable[[FloatArray], FloatArray]


class Rolled(SimulatedFootage):
    """A drawn recording whose pictures are turned, moved and cut out.

    Parameters
    ----------
    scene : Scene
        Drawn with `MARGIN` more on all sides than what is seen.
    roll : callable
        Radians, clockwise as seen, at given times.
    shift : callable, optional
        Picture elements (to the right, down) at given times.
    noise : float
        Standard deviation of grey levels, after the turn.
    """

    def __init__(
        self, scene: Scene, roll: Roll, *,
        shift: Callable[[float], tuple[float, float]] = lambda t: (0.0, 0.0), noise: float = 2.0,
    ) -> None:  # fmt: skip
        super().__init__(scene)
        self.roll, self._shift, self._noise = roll, shift, noise
        (chapter,) = self.facts.chapters
        size = {"width": scene.width - 2 * MARGIN, "height": scene.height - 2 * MARGIN}
        self.facts = replace(self.facts, chapters=(replace(chapter, **size),))

    def sparse(self, *, runs: int, per_run: int) -> Iterator[tuple[Frame, ...]]:
        """Yield runs of turned frames."""
        for run in super().sparse(runs=runs, per_run=per_run):
            yield tuple(self._turned(frame) for frame in run)

    def stream(self) -> Iterator[Frame]:
        """Yield every frame, turned."""
        for frame in super().stream():
            yield self._turned(frame)

    def passing(self, time_s: float, *, before: int, after: int, every: int = 1) -> Iterator[Frame]:
        """Yield turned frames around an instant."""
        for frame in super().passing(time_s, before=before, after=after, every=every):
            yield self._turned(frame)

    def _turned(self, frame: Frame) -> Frame:
        rows, columns = frame.luma.shape
        turn = cv2.getRotationMatrix2D(
            ((columns - 1) / 2, (rows - 1) / 2),
            -np.degrees(float(self.roll(np.array(frame.time_s)))), 1.0,
        )  # fmt: skip
        turn[:, 2] += self._shift(frame.time_s)
        seen = cv2.warpAffine(
            frame.luma.astype(np.float32), turn, (columns, rows), flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )[MARGIN:-MARGIN, MARGIN:-MARGIN]  # fmt: skip
        noise = np.random.default_rng((self.scene.seed, frame.index)).normal(
            0.0, self._noise, seen.shape
        )
        return replace(frame, luma=np.clip(np.rint(seen + noise), 0, 255).astype(np.uint8))
