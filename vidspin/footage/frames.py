"""What is in each frame, and when it was taken.

`Recording` is the `Footage` of real files: luma as stored, exact times, one pass over all
frames with bounded memory, and cheap looks at a few stretches.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import chain, groupby
from pathlib import Path
from typing import Any

import numpy as np

from vidspin.errors import FootageError
from vidspin.footage.container import Chapter, examine_all
from vidspin.footage.decoding import Decoder, LumaReader, Packets
from vidspin.footage.joining import Joined, on_clock
from vidspin.footage.opening import file_state, open_video
from vidspin.footage.sound import sound_blocks
from vidspin.footage.stretches import MOST_BETWEEN, Stretch, StretchReader, read_on, sought
from vidspin.records import FootageFacts, Frame, SoundBlock, StreamOutcome

RUN_BYTES = 64 << 20  # longest run of copied frames, unless the caller asks for more
# Short runs of larger pictures are decoded on one thread: a few pictures from a key frame on
# hardly fill more, and each thread holds pictures of its own.
LARGE_BYTES = 8 << 20


@dataclass(slots=True)
class _Tally:
    """What the pass over one chapter met."""

    came: int = 0  # pictures that the decoder gave
    used: int = 0
    suspect: int = 0
    first_suspect_s: float | None = None
    out_of_order: int = 0
    strange: int = 0  # of another size or format
    strange_like: str = ""
    rejected: int = 0
    unreadable: int = 0
    later: list[str] = field(default_factory=list)  # faults found after the last frame


class Recording:
    """A recording in one or more files; made by `Recording.open`.

    Attributes
    ----------
    facts : FootageFacts
        What the files state.
    """

    facts: FootageFacts

    def __init__(self, joined: Joined[Chapter]) -> None:
        self.facts = joined.facts
        self._joined = joined
        self._chapters = joined.chapters
        self._clocks = joined.clocks
        self._first_index = joined.first_index
        self._outcome: StreamOutcome | None = None
        self._beside = 0
        self._tallies: list[_Tally] = []

    @classmethod
    def open(
        cls, paths: Sequence[Path] | Sequence[str], captured_at: Fraction | None = None
    ) -> Recording:
        """Examine the files of a recording.

        Parameters
        ----------
        paths : sequence of Path or str
            The file, or the chapters in the order in which they were filmed.
        captured_at : Fraction, optional
            Capture rate in frames per second by the user's word; default: by the files.

        Raises
        ------
        FootageError
            A file cannot be read, or the chapters do not belong together.
        UsageError
            No file, the same file twice, or a capture rate that is not positive.
        """
        return cls(examine_all([Path(path) for path in paths], captured_at=captured_at))

    def on_clock(self, clock_ppm: float) -> Recording:
        """Return the same recording with scene times corrected for its clock's rate error.

        Parameters
        ----------
        clock_ppm : float
            Parts in a million; positive = the files' clock runs fast.
        """
        return self if clock_ppm == 0 else Recording(on_clock(self._joined, clock_ppm))

    @property
    def frames(self) -> int:
        """Frame times found in the files; the pass gives fewer when frames are damaged."""
        return sum(len(chapter.table.ticks) for chapter in self._chapters)

    @property
    def decoded_beside(self) -> int:
        """Frames decoded by `sparse` and `around` so far, beside the one full pass."""
        return self._beside

    @property
    def outcome(self) -> StreamOutcome:
        """What the last complete `stream` met.

        Raises
        ------
        RuntimeError
            No pass has been completed.
        """
        if self._outcome is None:
            raise RuntimeError("the outcome is known when a stream has ended")
        return self._outcome

    def stream(self) -> Iterator[Frame]:
        """Yield every frame once, in presentation order.

        Yields
        ------
        Frame
            `luma` is a read-only view of the decoder's memory: copy what is kept.  `index` is
            the place among all frame times that the files state, so that frames which
            cannot be decoded leave gaps.

        Raises
        ------
        FootageError
            A file can no longer be opened.

        Notes
        -----
        Frames whose time does not rise, and frames of another size, are left out and
        reported in `outcome`, as is an early end, which the decoder does not report.
        """
        yield from self.stream_from(0)

    def is_spotless(self) -> bool:
        """Say whether the pass has met nothing but good frames so far."""
        return all(
            (tally.suspect, tally.out_of_order, tally.strange, len(tally.later)) == (0, 0, 0, 0)
            and (tally.rejected, tally.unreadable) == (0, 0)
            for tally in self._tallies
        )

    def watched(self) -> str:
        """Nothing is seen in passing."""
        return ""

    def watch_on(self, said: str) -> None:
        """Nothing was seen in passing."""

    def stream_from(self, index: int) -> Iterator[Frame]:
        """Yield the frames from the last key frame at or before `index` on.

        Parameters
        ----------
        index : int
            The frames before it were read in an earlier pass, which was spotless until there.

        Yields
        ------
        Frame
            As from `stream`; the outcome counts the earlier frames too.

        Raises
        ------
        FootageError
            A file can no longer be opened.
        LookupError
            The key frame cannot be found in the file.
        """
        tallies = self._tallies = []
        for number, chapter in enumerate(self._chapters):
            tally, count = _Tally(), len(chapter.table.ticks)
            tallies.append(tally)
            rank = max(0, index - self._first_index[number])
            if rank < count:
                yield from self._stream_chapter(number, tally, rank)
            else:
                tally.came = tally.used = count
                tally.later = _changed(chapter)
        self._outcome = StreamOutcome(
            decoded=sum(tally.used for tally in tallies),
            suspect=sum(tally.suspect for tally in tallies),
            faults=tuple(
                fault
                for chapter, tally in zip(self._chapters, tallies, strict=True)
                for fault in _faults(chapter, tally)
            ),
        )

    def _stream_chapter(self, number: int, tally: _Tally, rank: int) -> Iterator[Frame]:
        chapter = self._chapters[number]
        table, first = chapter.table, self._first_index[number]
        listed, count, position = table.ticks.item, len(table.ticks), 0
        per_tick, start, common = self._clocks[number].whole_numbers()
        reader = _luma_reader(chapter)
        last: int | None = None
        path = chapter.place
        with open_video(path, strict=chapter.strict) as (container, stream):
            decoder = Decoder(stream)
            packets = Packets(container, stream)
            coming: Iterator[Any] = iter(packets)
            if rank > 0:
                coming, position = sought(container, stream, packets, table, rank)
                tally.came = tally.used = position
                last = listed(position - 1) if position else None
            for packet in chain(coming, (None,)):
                if packets.broken:  # pictures are missing that later ones build on
                    decoder.suspect, packets.broken = True, False
                tally.rejected, tally.unreadable = decoder.errors, len(packets.failures)
                for picture in decoder.feed(packet):
                    suspect = decoder.judge(picture)
                    tick = table.tick_of(picture)
                    tally.came += 1
                    if tick is None or (last is not None and tick <= last):
                        tally.out_of_order += 1
                        continue
                    if not reader.fits(picture):
                        tally.strange += 1
                        tally.strange_like = _looks(
                            picture.width, picture.height, picture.format.name
                        )
                        continue
                    last = tick
                    if position >= count or listed(position) != tick:
                        position = int(np.searchsorted(table.ticks, tick))
                    time_s = (tick * per_tick + start) / common
                    if suspect:
                        tally.suspect += 1
                        if tally.first_suspect_s is None:
                            tally.first_suspect_s = time_s
                    tally.used += 1
                    yield Frame(
                        first + position, number, tick, time_s, reader.view(picture), suspect
                    )
                    position += 1
        tally.rejected = decoder.errors
        tally.unreadable = len(packets.failures)
        tally.later = _changed(chapter)

    def sparse(self, *, runs: int, per_run: int) -> Iterator[tuple[Frame, ...]]:
        """Yield short runs of consecutive frames spread over the recording.

        Parameters
        ----------
        runs : int
            Runs wanted; decoding can start at key frames only, so that a recording with
            fewer of them gives fewer, longer runs, or is decoded over long stretches for short
            ones.
        per_run : int
            Frames in a run.

        Yields
        ------
        tuple of Frame
            Consecutive frames that own their pixels.  Very long runs of large pictures come
            in several pieces, to bound the memory held.

        Raises
        ------
        FootageError
            A file can no longer be opened.
        """
        for number, stretches in groupby(self._spread(runs, per_run), lambda one: one.chapter):
            facts = self._chapters[number].facts
            each = facts.width * facts.height * (1 if facts.bit_depth == 8 else 2)
            longest = max(per_run, RUN_BYTES // each, 1)
            with self._reader(number, alone=each >= LARGE_BYTES) as reader:
                for stretch in stretches:
                    pieces = -(-stretch.count // longest)
                    frames = self._copies(reader, stretch)
                    yield from _consecutive(frames, -(-stretch.count // pieces))

    def sound(self) -> Iterator[SoundBlock]:
        """Yield the sound in order of time, in a pass over the audio packets alone.

        Yields
        ------
        SoundBlock
            Nothing where the recording has no sound.

        Raises
        ------
        FootageError
            A file can no longer be opened.
        """
        return sound_blocks(self._chapters, self._clocks)

    def around(self, time_s: float, *, before: int, after: int) -> tuple[Frame, ...]:
        """Return the frames around an instant.

        Parameters
        ----------
        time_s : float
            Instant in scene seconds from the first frame.
        before : int
            Frames earlier than the instant.
        after : int
            Frames at the instant or later.

        Returns
        -------
        tuple of Frame
            In order of time; fewer at the ends of the recording, or where frames cannot be
            decoded.  They own their pixels.

        Raises
        ------
        FootageError
            A file can no longer be opened.
        """
        return tuple(self.passing(time_s, before=before, after=after))

    def passing(self, time_s: float, *, before: int, after: int, every: int = 1) -> Iterator[Frame]:
        """Yield the frames around an instant one by one: what is not kept takes no room.

        Parameters
        ----------
        time_s, before, after
            As for `around`.
        every : int
            Keep one frame of so many, counted from the instant.

        Yields
        ------
        Frame
            They own their pixels.

        Raises
        ------
        FootageError
            A file can no longer be opened.
        """
        middle = bisect_left(range(self.frames), time_s, key=self._time_of)
        low, high = max(middle - before, 0), min(middle + after, self.frames)
        for number, first in enumerate(self._first_index):
            end = first + len(self._chapters[number].table.ticks)
            start, stop = max(low, first), min(high, end)
            if start < stop:
                with self._reader(number) as reader:
                    stretch = Stretch(number, start - first, stop - start)
                    yield from self._copies(reader, stretch, every, middle % every)

    def _time_of(self, index: int) -> float:
        number = bisect_left(self._first_index, index + 1) - 1
        tick = int(self._chapters[number].table.ticks[index - self._first_index[number]])
        return self._clocks[number].seconds(tick)

    def _spread(self, runs: int, per_run: int) -> list[Stretch]:
        """Choose key frames near evenly spread places and how far to read from each."""
        ranks = [chapter.table.key_ranks for chapter in self._chapters]
        chapter_of = np.repeat(np.arange(len(ranks)), [len(one) for one in ranks])
        firsts = np.array([*self._first_index, self.frames])
        at = np.concatenate(ranks) + firsts[chapter_of]
        # A run that would be cut by the end of its file is worth less than its neighbour.
        roomy = firsts[chapter_of + 1] - at >= per_run
        if roomy.any():
            at, chapter_of = at[roomy], chapter_of[roomy]
        if len(at) > runs:
            targets = (np.arange(runs) + 0.5) * self.frames / runs - per_run / 2
            after = np.clip(np.searchsorted(at, targets), 1, len(at) - 1)
            nearest = np.unique(after - (targets - at[after - 1] < at[after] - targets))
            at, chapter_of = at[nearest], chapter_of[nearest]
        ends = np.minimum(np.append(at[1:], self.frames), firsts[chapter_of + 1])
        even = max(per_run, runs * per_run // max(len(at), 1))
        room = np.minimum(ends - at, max(even, MOST_BETWEEN // max(len(at), 1)))
        fair = runs * per_run * room // max(int(room.sum()), 1)
        return [
            read_on(
                Stretch(number, index - int(firsts[number]), frames), per_run, even=even, fair=share
            )
            for number, index, frames, share in zip(
                chapter_of.tolist(), at.tolist(), room.tolist(), fair.tolist(), strict=True
            )
        ]

    def _reader(self, number: int, *, alone: bool = False) -> StretchReader:
        chapter = self._chapters[number]
        return StretchReader(chapter.place, chapter.table, strict=chapter.strict, alone=alone)

    def _copies(
        self, reader: StretchReader, stretch: Stretch, every: int = 1, phase: int = 0
    ) -> Iterator[Frame]:
        """Decode a stretch, keep one frame of `every`; frames own their pixels."""
        number = stretch.chapter
        chapter, first = self._chapters[number], self._first_index[number]
        luma = _luma_reader(chapter)
        clock = self._clocks[number]
        before = reader.decoded
        for rank, picture, suspect in reader.pictures(stretch.rank, stretch.count):
            wanted = stretch.keeps(rank) and (first + rank) % every == phase
            if wanted and luma.fits(picture):
                tick = int(chapter.table.ticks[rank])
                # no name for the copy: it would outlive its use by one decoded picture
                yield Frame(
                    first + rank, number, tick, clock.seconds(tick), luma.copy(picture), suspect
                )
        self._beside += reader.decoded - before


def _consecutive(frames: Iterator[Frame], most: int) -> Iterator[tuple[Frame, ...]]:
    """Group frames that follow each other, at most so many together."""
    held: list[Frame] = []
    last = -1
    for frame in frames:
        if held and frame.index != last + 1:
            yield tuple(held)
            held.clear()
        held.append(frame)
        last = frame.index
        del frame  # nothing of a run is held while the next one is decoded
        if len(held) == most:
            yield tuple(held)
            held.clear()
    if held:
        yield tuple(held)


def _luma_reader(chapter: Chapter) -> LumaReader:
    facts = chapter.facts
    return LumaReader(facts.width, facts.height, facts.bit_depth)


def _looks(width: int, height: int, layout: str) -> str:
    return f"{width} x {height} {layout}"


def _changed(chapter: Chapter) -> list[str]:
    """Say whether the file changed since it was examined."""
    try:
        now = file_state(chapter.place)
    except FootageError:
        return ["the file is gone since it was examined"]
    if now[0] != chapter.state[0]:
        grown = f"from {chapter.state[0]} to {now[0]} bytes"
        return [f"the file changed its size {grown} while it was read: it is still being written"]
    if now != chapter.state:
        return ["the file was written to while it was read"]
    return []


def _faults(chapter: Chapter, tally: _Tally) -> list[str]:
    """Say in sentences what went wrong in one chapter; nothing when nothing did."""
    table, facts = chapter.table, chapter.facts
    expected = max(facts.frames_listed, table.packets)
    faults = []
    if chapter.missing:
        of = f" of {expected}" if tally.came < expected else ""
        why = "; ".join(chapter.missing)
        faults.append(f"ended early: {tally.came}{of} frames ({why})")
    elif tally.came < expected:
        faults.append(f"the decoder gave {tally.came} of {expected} frames")
    places = tally.rejected + tally.unreadable
    if places or tally.suspect:
        where = "" if tally.first_suspect_s is None else f", first at {tally.first_suspect_s:.3f} s"
        # A decoder that patches over what is missing rejects nothing.
        damage = f"damage at {places} places" if places else "damage that the decoder patched over"
        faults.append(f"{damage}{where}; {tally.suspect} frames are suspect")
    if tally.out_of_order:
        faults.append(f"{tally.out_of_order} frames left out: their times do not rise")
    if tally.strange:
        faults.append(
            f"{tally.strange} frames left out: they are {tally.strange_like} instead of "
            f"{facts.width} x {facts.height} with {facts.bit_depth} bit"
        )
    return [f"{facts.name}: {fault}" for fault in faults + tally.later]
