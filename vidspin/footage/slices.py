"""What the heads of coded pictures say: parameter sets, and the numbers of key frames.

Only the few fields that tell one stream from two are read, and nothing is trusted: what does
not parse is left out.  H.264: ISO/IEC 14496-10 clauses 7.3.2.1.1 and 7.3.3; stored form:
ISO/IEC 14496-15 (avcC, hvcC: packets of length-prefixed units).  All from memory.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field

H264_SLICE_IDR, H264_SPS, H264_PPS = 5, 7, 8
HEVC_SETS = range(32, 35)  # VPS, SPS, PPS
_HIGH = {44, 83, 86, 100, 110, 118, 122, 128, 134, 135, 138, 139, 244}
_HEAD = 64  # bytes of a slice that hold its head
_MOST_UNITS = 64


class _Bits:
    """Reads bits; beyond the end it raises IndexError."""

    def __init__(self, data: bytes) -> None:
        self._data = data.replace(b"\0\0\3", b"\0\0")  # emulation prevention
        self._at = 0

    def take(self, count: int) -> int:
        value = 0
        for _ in range(count):
            value = value << 1 | self._data[self._at >> 3] >> (7 - (self._at & 7)) & 1
            self._at += 1
        return value

    def golomb(self) -> int:
        """Read an unsigned exponential-Golomb code."""
        zeros = 0
        while not self.take(1):
            zeros += 1
            if zeros > 32:
                raise ValueError("no such code")
        return (1 << zeros) - 1 + self.take(zeros)

    def signed(self) -> int:
        """Read a signed exponential-Golomb code."""
        code = self.golomb()
        return (code + 1) // 2 if code & 1 else -(code // 2)


@dataclass(frozen=True, slots=True)
class _Head:
    """What of a sequence parameter set the head of a slice depends on."""

    frame_num_bits: int
    frames_only: bool
    planes_apart: bool


@dataclass(slots=True)
class StreamMarks:
    """Collects parameter sets and key-frame numbers of one video stream.

    Attributes
    ----------
    sets : set of bytes
        Digests of the distinct parameter sets, those in the header included.
    inside : int
        Parameter sets met among the packets.
    idr_ids : list of int
        ``idr_pic_id`` of each H.264 key frame that states one, in file order.
    """

    codec: str
    header: bytes
    sets: set[bytes] = field(default_factory=set)
    inside: int = 0
    idr_ids: list[int] = field(default_factory=list)
    _prefix: int = 0  # bytes of a unit's length; 0: start codes
    _head: _Head | None = None

    def __post_init__(self) -> None:
        """Read the stream's header."""
        for unit in self._of_header():
            self._take(unit)

    def add(self, packet: bytes) -> None:
        """Look at a key frame's packet."""
        for unit in _units(packet, self._prefix):
            before = len(unit) and self._kind(unit)
            if self._is_set(before):
                self.inside += 1
            self._take(unit)

    def _kind(self, unit: bytes) -> int:
        return unit[0] >> 1 & 63 if self.codec == "hevc" else unit[0] & 31

    def _is_set(self, kind: int) -> bool:
        return kind in HEVC_SETS if self.codec == "hevc" else kind in (H264_SPS, H264_PPS)

    def _take(self, unit: bytes) -> None:
        if not unit:
            return
        kind = self._kind(unit)
        if self._is_set(kind):
            self.sets.add(hashlib.blake2b(unit, digest_size=8).digest())
            if self.codec == "h264" and kind == H264_SPS:
                self._head = _sequence(unit) or self._head
        elif self.codec == "h264" and kind == H264_SLICE_IDR and self._head is not None:
            number = _idr_id(unit[:_HEAD], self._head)
            if number is not None:
                self.idr_ids.append(number)

    def _of_header(self) -> Iterator[bytes]:
        """Yield the units of avcC, hvcC or a start-code header; set the prefix."""
        h = self.header
        if self.codec == "h264" and len(h) > 6 and h[0] == 1:
            self._prefix = (h[4] & 3) + 1
            yield from _counted(h, 5, 31)
        elif self.codec == "hevc" and len(h) > 22 and h[0] == 1:
            self._prefix = (h[21] & 3) + 1
            at = 23
            for _ in range(h[22]):
                if at + 3 > len(h):
                    return
                count, at = int.from_bytes(h[at + 1 : at + 3], "big"), at + 3
                for _ in range(count):
                    size = int.from_bytes(h[at : at + 2], "big")
                    yield h[at + 2 : at + 2 + size]
                    at += 2 + size
        else:
            yield from _units(h, 0)


def _counted(h: bytes, at: int, mask: int) -> Iterator[bytes]:
    """Yield the sequence sets and then the picture sets of avcC."""
    for _ in range(2):
        if at >= len(h):
            return
        count, at = h[at] & mask, at + 1
        for _ in range(count):
            size = int.from_bytes(h[at : at + 2], "big")
            yield h[at + 2 : at + 2 + size]
            at += 2 + size
        mask = 255


def _units(packet: bytes, prefix: int) -> Iterator[bytes]:
    """Yield the units of a packet: length-prefixed, or after start codes."""
    found = 0
    if prefix:
        at = 0
        while at + prefix < len(packet) and found < _MOST_UNITS:
            size = int.from_bytes(packet[at : at + prefix], "big")
            yield packet[at + prefix : at + prefix + size]
            at += prefix + size
            found += 1
        return
    start = packet.find(b"\0\0\1")
    while start >= 0 and found < _MOST_UNITS:
        stop = packet.find(b"\0\0\1", start + 3)
        yield packet[start + 3 : stop if stop >= 0 else len(packet)].rstrip(b"\0")
        start = stop
        found += 1


def _sequence(unit: bytes) -> _Head | None:
    """Read the part of a sequence parameter set that slice heads depend on."""
    try:
        bits = _Bits(unit[1:])
        profile = bits.take(8)
        bits.take(16)
        bits.golomb()
        apart = False
        if profile in _HIGH:
            chroma = bits.golomb()
            apart = chroma == 3 and bool(bits.take(1))
            bits.golomb()
            bits.golomb()
            bits.take(1)
            if bits.take(1):
                _skip_scaling(bits, 12 if chroma == 3 else 8)
        frame_num_bits = bits.golomb() + 4
        order = bits.golomb()
        if order == 0:
            bits.golomb()
        elif order == 1:
            bits.take(1)
            bits.signed()
            bits.signed()
            for _ in range(min(bits.golomb(), 255)):
                bits.signed()
        bits.golomb()
        bits.take(1)
        bits.golomb()
        bits.golomb()
        return _Head(frame_num_bits, bool(bits.take(1)), apart)
    except (IndexError, ValueError):
        return None


def _skip_scaling(bits: _Bits, lists: int) -> None:
    for number in range(lists):
        if not bits.take(1):
            continue
        last = following = 8
        for _ in range(16 if number < 6 else 64):
            if following:
                following = (last + bits.signed()) % 256
            last = following or last


def _idr_id(unit: bytes, head: _Head) -> int | None:
    """Read the number of a key frame from the head of its first slice."""
    try:
        bits = _Bits(unit[1:])
        if bits.golomb():  # not the picture's first slice
            return None
        bits.golomb()
        bits.golomb()
        if head.planes_apart:
            bits.take(2)
        bits.take(head.frame_num_bits)
        if not head.frames_only and bits.take(1):
            bits.take(1)
        return bits.golomb()
    except (IndexError, ValueError):
        return None
