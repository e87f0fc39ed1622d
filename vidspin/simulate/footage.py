"""A scene as a recording: what the analysis looks at, without a file in between."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from fractions import Fraction

import numpy as np

from vidspin.records import ChapterFacts, FootageFacts, Frame, StreamOutcome
from vidspin.simulate.render import Renderer
from vidspin.simulate.scene import Scene

CAPTURE_RATE_KEY = "com.android.capture.fps"
"""The tag in which phones state the rate at which slow motion was captured."""


class SimulatedFootage:
    """A `Footage` that draws its frames when they are asked for.

    Parameters
    ----------
    scene : Scene
        What to draw.
    name : str
        Name of the recording.

    Notes
    -----
    Frames are not kept: each look draws them anew, and the same bytes come out.
    """

    def __init__(self, scene: Scene, name: str = "simulated") -> None:
        self.scene = scene
        self._renderer = Renderer(scene)
        self._outcome: StreamOutcome | None = None
        self.facts = _facts(scene, name, self._renderer.times.ticks.tolist())

    def __len__(self) -> int:
        """Return the number of frames."""
        return len(self._renderer)

    def sparse(self, *, runs: int, per_run: int) -> Iterator[tuple[Frame, ...]]:
        """Yield runs of consecutive frames, spread evenly from the first to the last frame.

        Parameters
        ----------
        runs : int
            How many; fewer where they would overlap.
        per_run : int
            Frames in each; fewer in a recording that is shorter.
        """
        count = len(self)
        length = max(min(per_run, count), 1)
        number = max(min(runs, count // length), 1)
        for begin in np.rint(np.linspace(0, count - length, number)).astype(int).tolist():
            yield tuple(self._renderer.frame(begin + k) for k in range(length))

    def stream(self) -> Iterator[Frame]:
        """Yield every frame once, in order."""
        self._outcome = None
        for index in range(len(self)):
            yield self._renderer.frame(index)
        self._outcome = StreamOutcome(decoded=len(self), suspect=0, faults=())

    def around(self, time_s: float, *, before: int, after: int) -> tuple[Frame, ...]:
        """Return frames around an instant.

        Parameters
        ----------
        time_s : float
            Scene seconds from the first frame.
        before, after : int
            So many frames at or before the instant, and after it; fewer at the ends.
        """
        return tuple(self.passing(time_s, before=before, after=after))

    def passing(self, time_s: float, *, before: int, after: int, every: int = 1) -> Iterator[Frame]:
        """Yield the same frames one by one, one of `every`."""
        scene = self.scene
        tick_s = float(scene.time_base * scene.time_scale)
        stated = self._renderer.times.ticks * tick_s
        # Half a tick of grace: an instant is often a frame's own time, rounded.
        cut = int(np.searchsorted(stated, time_s + 0.5 * tick_s, side="right"))
        first = cut - min(before, cut) // every * every
        span = range(first, min(cut + after, len(self)), every)
        for index in span:
            yield self._renderer.frame(index)

    @property
    def outcome(self) -> StreamOutcome:
        """Say what the last complete `stream` met."""
        if self._outcome is None:
            raise RuntimeError("no stream has been read to its end")
        return self._outcome


def _facts(scene: Scene, name: str, ticks: list[int]) -> FootageFacts:
    """State what a file of the scene would state."""
    tagged = scene.stored_rate is not None and scene.capture_tag
    last_s = Fraction(ticks[-1]) * scene.time_base
    length_s = float(last_s + 1 / scene.file_rate)
    chapter = ChapterFacts(
        name=f"{name}.mp4",
        path="",
        bytes=0,
        sha256=hashlib.sha256(repr(scene).encode()).hexdigest(),
        container="simulated",
        codec="none",
        width=scene.width,
        height=scene.height,
        rotation_deg=scene.rotation_deg % 360,
        mirrored=False,
        sample_aspect=Fraction(1),
        bit_depth=scene.bit_depth,
        full_range=False,
        time_base=scene.time_base,
        frames_listed=len(ticks),
        frame_rate=scene.file_rate,
        first_tick=ticks[0],
        duration_file_s=length_s,
        capture_rate=scene.frame_rate if tagged else None,
        edit_list=None,
        tags={CAPTURE_RATE_KEY: f"{float(scene.frame_rate):.6f}"} if tagged else {},
    )
    stretched = scene.stored_rate is not None
    return FootageFacts(
        name=name,
        chapters=(chapter,),
        frame_rate=scene.frame_rate,
        time_scale=scene.time_scale,
        time_scale_from="the simulated scene's own" if stretched else "times are taken as stated",
        duration_s=float(scene.time_scale) * length_s,
    )
