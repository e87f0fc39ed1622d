"""The first part of a recording, as a recording of its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from vidspin.footage.frames import Recording
from vidspin.records import FootageFacts, Frame, SoundBlock, StreamOutcome


class Excerpt:
    """The first seconds of a recording; a `Footage`.

    Parameters
    ----------
    recording : Recording
    until_s : float
        Scene seconds that are looked at.
    """

    facts: FootageFacts

    def __init__(self, recording: Recording, until_s: float) -> None:
        self._recording = recording
        self._until_s = until_s
        whole = recording.facts
        self._share = min(1.0, until_s / max(whole.duration_s, 1e-9))
        self.facts = replace(whole, duration_s=min(whole.duration_s, until_s))
        self._outcome: StreamOutcome | None = None

    @property
    def outcome(self) -> StreamOutcome:
        """What the last complete `stream` met."""
        if self._outcome is None:
            raise RuntimeError("the outcome is known when a stream has ended")
        return self._outcome

    def sparse(self, *, runs: int, per_run: int) -> Iterator[tuple[Frame, ...]]:
        """Yield runs of frames spread over the excerpt, as `Footage.sparse`."""
        spread = self._recording.sparse(runs=round(runs / self._share), per_run=per_run)
        for run in spread:
            if run[-1].time_s > self._until_s:
                return
            yield run

    def stream(self) -> Iterator[Frame]:
        """Yield every frame of the excerpt once."""
        decoded = suspect = 0
        for frame in self._recording.stream():
            if frame.time_s > self._until_s:
                break
            decoded += 1
            suspect += frame.suspect
            yield frame
        else:
            self._outcome = self._recording.outcome
            return
        self._outcome = StreamOutcome(decoded, suspect, ())

    def around(self, time_s: float, *, before: int, after: int) -> tuple[Frame, ...]:
        """Return the frames around an instant, as `Footage.around`."""
        return tuple(self.passing(time_s, before=before, after=after))

    def passing(self, time_s: float, *, before: int, after: int, every: int = 1) -> Iterator[Frame]:
        """Yield the same frames one by one, as `Footage.passing`."""
        frames = self._recording.passing(time_s, before=before, after=after, every=every)
        for frame in frames:
            if frame.time_s > self._until_s:
                return
            yield frame

    def sound(self) -> Iterator[SoundBlock]:
        """Yield the sound of the excerpt."""
        for block in self._recording.sound():
            if block.time_s > self._until_s:
                return
            yield block
