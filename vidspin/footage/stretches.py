"""Which pictures a stretch of frames holds.

Decoding starts at the last key frame shown at or before the stretch.  Seeking is never
trusted: packets are read on until the very key frame comes, and when the file's index leads
behind it, an earlier key frame or the start of the file is tried.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from av.container import InputContainer
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from vidspin.footage.decoding import Decoder, Packets
from vidspin.footage.opening import open_video
from vidspin.footage.table import FrameTable

_EARLIER_KEYS = 2  # key frames to step back before reading from the start
_REORDER = 64  # packets that may lie between a picture and its place in the file
# Frames behind a run, up to the next key frame, that may go unseen: in more of them the top may
# stand, lie or be absent where it is looked for.  So many are decoded for that in all.
MOST_UNSEEN, MOST_BETWEEN = 150, 9000


@dataclass(frozen=True, slots=True)
class Stretch:
    """Consecutive frames of one chapter, or of every `step` of them the first `run`."""

    chapter: int
    rank: int
    count: int
    run: int = 1
    step: int = 1

    def keeps(self, rank: int) -> bool:
        """Whether a frame of it is wanted."""
        return (rank - self.rank) % self.step < self.run


def read_on(room: Stretch, per_run: int, *, even: int, fair: int) -> Stretch:
    """Read on from a key frame: some frames, or as many in short runs over far more room.

    Parameters
    ----------
    room : Stretch
        From the key frame to as far as may be decoded.
    per_run : int
        Frames in a short run.
    even, fair : int
        Frames wanted: as many from each key frame, and in proportion to the room.

    Returns
    -------
    Stretch
    """
    runs = max(even, fair) // per_run
    if runs < 2 or room.count - even < MOST_UNSEEN:
        return replace(room, count=min(even, room.count))
    runs = min(runs, room.count // per_run)
    step = (room.count - per_run) // (runs - 1)
    return replace(room, count=(runs - 1) * step + per_run, run=per_run, step=step)


class StretchReader:
    """Reads stretches of frames of one file; use it in a ``with`` statement.

    Parameters
    ----------
    path : Path
        The file.
    table : FrameTable
        Its frame times and key frames.
    strict : bool
        Ask the decoder to raise on damage.
    alone : bool, default False
        Decode on one thread, which holds fewer pictures.

    Attributes
    ----------
    decoded : int
        Packets decoded so far, over all stretches.
    errors : int
        Packets that the decoder rejected so far.
    """

    def __init__(self, path: Path, table: FrameTable, *, strict: bool, alone: bool = False) -> None:
        self._path = path
        self._table = table
        self._strict = strict
        self._alone = alone
        self._stack = ExitStack()
        self._container: InputContainer
        self._stream: VideoStream
        self._decoder: Decoder
        self.decoded = 0
        self.errors = 0

    def __enter__(self) -> StretchReader:
        """Open the file."""
        self._open()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the file."""
        self._stack.close()

    def _open(self) -> None:
        self._stack.close()
        opened = open_video(self._path, strict=self._strict)
        self._container, self._stream = self._stack.enter_context(opened)
        if self._alone:
            self._stream.codec_context.thread_count = 1
        self._decoder = Decoder(self._stream)

    def pictures(self, rank: int, count: int) -> Iterator[tuple[int, VideoFrame, bool]]:
        """Decode frames by their place in the frame table.

        Parameters
        ----------
        rank : int
            Place of the first frame wanted.
        count : int
            Frames wanted.

        Yields
        ------
        rank : int
            Place of the picture in the frame table.
        picture : VideoFrame
            The picture; frames that cannot be decoded are left out.
        suspect : bool
            The decoder reported damage since the key frame.
        """
        table = self._table
        if count < 1:
            return
        wanted = {
            tick: rank + i for i, tick in enumerate(table.ticks[rank : rank + count].tolist())
        }
        key = table.key_before(rank)
        packets = self._from_key(key)
        decoder = self._decoder  # after positioning, which may open the file anew
        decoder.trust()
        fed, errors = decoder.fed, decoder.errors
        for packet in chain(self._needed(packets, key, set(wanted)), (None,)):
            for picture in decoder.feed(packet):
                suspect = decoder.judge(picture)
                place = wanted.get(table.tick_of(picture))
                if place is not None:
                    yield place, picture, suspect
        self.decoded += decoder.fed - fed
        self.errors += decoder.errors - errors

    def _needed(
        self, packets: Iterator[Packet[Any]], key: int, coming: set[int]
    ) -> Iterator[Packet[Any]]:
        """Yield the packets from a key frame on until all wanted ones have come."""
        table = self._table
        key_rank = int(table.key_ranks[key])
        key_tick = int(table.ticks[key_rank])
        most = int(np.searchsorted(table.ticks, max(coming))) - key_rank + _REORDER
        for packet in packets:
            tick = table.tick_of(packet)
            # What is shown before the key frame builds on pictures before it.
            if tick is None or tick >= key_tick:
                yield packet
                most -= 1
                coming.discard(key_tick if tick is None else tick)
            if not coming or most < 0:
                return

    def _from_key(self, key: int) -> Iterator[Packet[Any]]:
        """Return the packets from a key frame on, none when it cannot be found."""
        tick = int(self._table.ticks[self._table.key_ranks[key]])
        seek = int(self._table.key_seeks[key])
        for earlier in (*range(key, max(key - _EARLIER_KEYS, 0) - 1, -1), None):
            packets = self._placed(earlier)
            for packet in packets:
                if self._table.tick_of(packet) == tick:
                    return chain((packet,), packets)
                order = packet.dts if packet.dts is not None else self._table.tick_of(packet)
                if earlier is not None and order is not None and order > seek:
                    break  # behind it already
        return iter(())

    def _placed(self, key: int | None) -> Iterator[Packet[Any]]:
        """Go to a key frame by its own decoding time, or to the start of the file."""
        if key is None:
            self._open()
        else:
            try:
                self._container.seek(int(self._table.key_seeks[key]), stream=self._stream)
            except Exception:  # no index, or a damaged one: the next try reads from the start
                return iter(())
        return iter(Packets(self._container, self._stream))


def decodes_from(path: Path, table: FrameTable, rank: int) -> bool:
    """Say whether one key frame decodes under strict checks."""
    with StretchReader(path, table, strict=True) as reader:
        found = list(reader.pictures(rank, 1))
    return bool(found) and reader.errors == 0


def sought(
    container: InputContainer, stream: VideoStream, packets: Packets, table: FrameTable, rank: int
) -> tuple[Iterator[Packet[Any]], int]:
    """Go to the last key frame at or before a frame, for reading on from there to the end.

    Parameters
    ----------
    container, stream, packets
        Just opened, nothing read yet.
    table : FrameTable
    rank : int
        Place of the frame in the table.

    Returns
    -------
    packets : iterator of Packet
        From the key frame on, without the pictures that are shown before it.
    rank : int
        Place of the key frame.

    Raises
    ------
    LookupError
        The index of the file does not lead to the key frame.
    """
    key = table.key_before(rank)
    key_rank = int(table.key_ranks[key])
    tick = int(table.ticks[key_rank])
    if key_rank > 0:
        try:
            container.seek(int(table.key_seeks[key]), stream=stream)
        except Exception as error:  # no index, or a damaged one
            raise LookupError("the file has no index that leads to its key frames") from error
    coming = iter(packets)
    for packet in coming:
        at = table.tick_of(packet)
        if at == tick:
            rest = (p for p in coming if (t := table.tick_of(p)) is None or t >= tick)
            return chain((packet,), rest), key_rank
        if at is not None and key_rank > 0 and at > tick + _REORDER * _step(table):
            break  # behind it already
    raise LookupError("the index of the file does not lead to the key frame")


def _step(table: FrameTable) -> int:
    return int(np.median(np.diff(table.ticks))) if len(table.ticks) > 1 else 1
