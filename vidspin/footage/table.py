"""When each frame is shown, and where decoding can start.

One pass over the packets, without decoding them, gives every frame time of a file as an
exact whole number of ticks, and the key frames from which a part can be decoded alone.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Protocol

import numpy as np

from vidspin.records import IntArray


class Timed(Protocol):
    """The times of a packet or of a decoded picture, in ticks."""

    pts: int | None
    dts: int | None


class TimedPacket(Timed, Protocol):
    """The part of a packet that a frame table needs."""

    is_keyframe: bool


@dataclass(frozen=True, slots=True)
class FrameTable:
    """Frame times and entry points of one file.

    Attributes
    ----------
    time_base : Fraction
        Seconds a tick.
    ticks : ndarray of int64, shape (N,)
        Distinct frame times in rising order.
    key_ranks : ndarray of int64, shape (K,)
        Place of each key frame in `ticks`, rising.
    key_seeks : ndarray of int64, shape (K,)
        Tick to seek to for each key frame: its decoding time where stated.
    packets : int
        Video packets found.
    untimed : int
        Packets without a time.
    repeated : int
        Packets that share the time of another one.
    by_dts : bool
        The times are decoding times (AVI states no others).
    """

    time_base: Fraction
    ticks: IntArray
    key_ranks: IntArray
    key_seeks: IntArray
    packets: int
    untimed: int
    repeated: int
    by_dts: bool

    def tick_of(self, timed: Timed) -> int | None:
        """Return the frame time of a packet or of a decoded picture."""
        return timed.dts if self.by_dts else timed.pts

    def key_before(self, rank: int) -> int:
        """Return the number of the last key frame shown at or before a frame; 0 if none."""
        return max(int(np.searchsorted(self.key_ranks, rank, side="right")) - 1, 0)


@dataclass(slots=True)
class TableBuilder:
    """Collects packets into a `FrameTable`; eight bytes a frame."""

    time_base: Fraction
    by_dts: bool
    untimed: int = 0
    _ticks: array[int] = field(default_factory=lambda: array("q"))
    _keys: array[int] = field(default_factory=lambda: array("q"))
    _seeks: array[int] = field(default_factory=lambda: array("q"))

    def __len__(self) -> int:
        return len(self._ticks) + self.untimed

    def add(self, packet: TimedPacket) -> None:
        """Take one packet, in file order."""
        tick = packet.dts if self.by_dts else packet.pts
        if tick is None:
            self.untimed += 1
            return
        self._ticks.append(tick)
        if packet.is_keyframe:
            dts = packet.dts
            self._keys.append(tick)
            self._seeks.append(tick if dts is None else dts)

    def finish(self) -> FrameTable:
        """Return what was collected."""
        ticks = np.unique(np.array(self._ticks, np.int64))
        keys, first = np.unique(np.array(self._keys, np.int64), return_index=True)
        seeks = np.array(self._seeks, np.int64)[first]
        if not len(keys):  # nothing is marked as a key frame: decode from the start
            keys = seeks = ticks[:1].copy()
        ranks = np.searchsorted(ticks, keys).astype(np.int64)
        for values in (ticks, ranks, seeks):
            values.setflags(write=False)
        return FrameTable(
            time_base=self.time_base,
            ticks=ticks,
            key_ranks=ranks,
            key_seeks=seeks,
            packets=len(self),
            untimed=self.untimed,
            repeated=len(self._ticks) - len(ticks),
            by_dts=self.by_dts,
        )


@dataclass(frozen=True, slots=True)
class ChapterClock:
    """Turns the ticks of one chapter into scene seconds of the recording.

    Seconds are computed from whole numbers with one rounding, so that each is the float64
    nearest to the exact value.

    Parameters
    ----------
    first_tick : int
        Tick of the chapter's first frame.
    tick_s : Fraction
        Scene seconds a tick.
    starts_s : Fraction
        Scene time of the chapter's first frame.
    """

    first_tick: int
    tick_s: Fraction
    starts_s: Fraction

    def whole_numbers(self) -> tuple[int, int, int]:
        """Return (a, b, c) such that a tick's scene time is ``(tick * a + b) / c``."""
        common = self.tick_s.denominator * self.starts_s.denominator
        per_tick = self.tick_s.numerator * self.starts_s.denominator
        start = self.starts_s.numerator * self.tick_s.denominator
        return per_tick, start - self.first_tick * per_tick, common

    def seconds(self, tick: int) -> float:
        """Return the scene time of a tick in seconds."""
        per_tick, start, common = self.whole_numbers()
        return (tick * per_tick + start) / common

    def exact(self, tick: int) -> Fraction:
        """Return the scene time of a tick in seconds, exactly."""
        return (tick - self.first_tick) * self.tick_s + self.starts_s
