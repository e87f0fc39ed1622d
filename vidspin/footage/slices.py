"""What the heads of coded pictures say: parameter sets, and the numbers of pictures.

Only the few fields that tell one stream from two are read, and nothing is trusted: what does
not parse is left out.  H.264: ISO/IEC 14496-10 clauses 7.3.2.1.1 and 7.3.3; stored form:
ISO/IEC 14496-15 (avcC, hvcC: packets of length-prefixed units).  All from memory.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

H264_SLICE, H264_SLICE_IDR, H264_SPS, H264_PPS = 1, 5, 7, 8
HEVC_SETS = range(32, 35)  # VPS, SPS, PPS
_HIGH = {44, 83, 86, 100, 110, 118, 122, 128, 134, 135, 138, 139, 244}
_HEAD = 64  # bytes of a slice that hold its head
_MOST_UNITS = 64
_MOST_SETS = 256  # of a kind
LOOKED_AT = 4096  # bytes of a packet in which its first slice begins
_ANEW = 5  # memory_management_control_operation: all pictures are forgotten, the count is at 0


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
    gaps_allowed: bool
    frames_only: bool
    planes_apart: bool
    chroma: bool
    order_bits: int  # of the order of display; 0: it is not written so
    order_steps: bool  # it is written as steps


@dataclass(frozen=True, slots=True)
class _Picture:
    """What of a picture parameter set the head of a slice depends on."""

    order_of_fields: bool
    references: tuple[int, int]  # usual numbers, less one
    weighted: tuple[bool, bool]  # of slices with one list of references, and with two
    copies: bool


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
        self._prefix, units = _of_header(self.codec, self.header)
        for unit in units:
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


class FrameNumbers:
    """Tells where H.264 packets are missing, by the numbers of the pictures.

    A picture's ``frame_num`` is that of the reference picture before it in decoding order, or
    one more, in a fixed number of bits; pictures that no other refers to (``nal_ref_idc`` 0) are
    not counted, an IDR picture begins at 0, and one that has all others forgotten counts as 0 from
    then on (ITU-T H.264, 7.4.3).  The decoder patches over a larger step without a word.  A lost
    picture that is not counted is not told, nor are whole counts of them, or one less, which looks
    like the second field of a picture; streams that may leave numbers out are not looked at.

    Parameters
    ----------
    header : bytes
        The stream's, as avcC or with start codes.
    """

    def __init__(self, header: bytes) -> None:
        self._prefix, units = _of_header("h264", header)
        self._set = b""
        self._head: _Head | None = None
        self._mixed = False  # several counts that cannot be told apart
        self._pictures: dict[int, _Picture | None] = {}
        self.begin()
        for unit in units:
            self._learn(unit)

    def begin(self) -> None:
        """Forget the pictures so far: what follows begins at a key frame elsewhere."""
        self._before: int | None = None
        self._goes_on = True  # the picture before for sure did not have the others forgotten
        self._begun = False

    def jump(self, packet: bytes) -> bool:
        """Say whether reference pictures are missing before the next packet.

        Its first `LOOKED_AT` bytes are enough.
        """
        for unit in _units(packet, self._prefix):
            kind = unit[0] & 31 if unit else 0
            self._learn(unit)
            if kind == H264_SLICE_IDR:
                self._before, self._goes_on, self._begun = 0, True, True
                return False
            elif kind == H264_SLICE:
                return self._steps_over(unit[:_HEAD])
        self._before = None
        return False

    def _learn(self, unit: bytes) -> None:
        kind = unit[0] & 31 if unit else 0
        if kind == H264_PPS:
            number, told = _picture(unit)
            if number < _MOST_SETS:
                self._pictures[number] = told
        elif kind == H264_SPS and unit != self._set:
            head = _sequence(unit)
            self._mixed |= bool(self._set) and head != self._head
            self._set, self._head = unit, head

    def _steps_over(self, unit: bytes) -> bool:
        head, before, counted = self._head, self._before, bool(unit[0] & 0x60)
        number = None if head is None or self._mixed else _frame_number(unit, head)
        if head is None or number is None or head.gaps_allowed:
            self._before = None
            return False
        if before is None:
            # Pictures shown before a first key frame that is no IDR may have been left out.
            if counted and self._begun:
                self._count(number, unit, head)
            self._begun |= counted
            return False
        whole, goes_on = 1 << head.frame_num_bits, self._goes_on
        step = (number - before) % whole
        if counted:
            self._count(number, unit, head)
        elif step > 1:
            self._before, self._goes_on = (number - 1) % whole, True
        return step > 1 and (goes_on or number > 1)

    def _count(self, number: int, unit: bytes, head: _Head) -> None:
        """Keep the number of a reference picture for the next one."""
        forgets = _forgets(unit, head, self._pictures)
        self._before, self._goes_on = (0 if forgets else number), forgets is not None


def _of_header(codec: str, h: bytes) -> tuple[int, Iterable[bytes]]:
    """Return how many bytes a unit's length has, and the units of avcC, hvcC or start codes."""
    if codec == "h264" and len(h) > 6 and h[0] == 1:
        return (h[4] & 3) + 1, _counted(h, 5, 31)
    if codec == "hevc" and len(h) > 22 and h[0] == 1:
        return (h[21] & 3) + 1, _arrays(h)
    return 0, _units(h, 0)


def _arrays(h: bytes) -> Iterator[bytes]:
    """Yield the sets of hvcC."""
    at = 23
    for _ in range(h[22]):
        if at + 3 > len(h):
            return
        count, at = int.from_bytes(h[at + 1 : at + 3], "big"), at + 3
        for _ in range(count):
            size = int.from_bytes(h[at : at + 2], "big")
            yield h[at + 2 : at + 2 + size]
            at += 2 + size


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
        apart, chroma = False, 1
        if profile in _HIGH:
            chroma = bits.golomb()
            apart = chroma == 3 and bool(bits.take(1))
            bits.golomb()
            bits.golomb()
            bits.take(1)
            if bits.take(1):
                _skip_scaling(bits, 12 if chroma == 3 else 8)
        frame_num_bits = bits.golomb() + 4
        order, order_bits, order_steps = bits.golomb(), 0, False
        if order == 0:
            order_bits = bits.golomb() + 4
        elif order == 1:
            order_steps = not bits.take(1)
            bits.signed()
            bits.signed()
            for _ in range(min(bits.golomb(), 255)):
                bits.signed()
        bits.golomb()
        gaps = bool(bits.take(1))
        bits.golomb()
        bits.golomb()
        frames_only = bool(bits.take(1))
        coloured = chroma > 0 and not apart
        return _Head(frame_num_bits, gaps, frames_only, apart, coloured, order_bits, order_steps)
    except (IndexError, ValueError):
        return None


def _picture(unit: bytes) -> tuple[int, _Picture | None]:
    """Read a picture parameter set: its number, and what of it slice heads depend on."""
    number = -1
    try:
        bits = _Bits(unit[1:])
        number = bits.golomb()
        bits.golomb()
        bits.take(1)
        order_of_fields = bool(bits.take(1))
        if bits.golomb():  # parts of a picture in groups, which nobody makes
            return number, None
        references = bits.golomb(), bits.golomb()
        weighted = bool(bits.take(1)), bits.take(2) == 1
        for _ in range(3):
            bits.signed()
        bits.take(2)
        return number, _Picture(order_of_fields, references, weighted, bool(bits.take(1)))
    except (IndexError, ValueError):
        return number, None


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
        _take_number(bits, head)
        if not head.frames_only and bits.take(1):
            bits.take(1)
        return bits.golomb()
    except (IndexError, ValueError):
        return None


def _frame_number(unit: bytes, head: _Head) -> int | None:
    """Read the number of a picture from the head of a slice."""
    try:
        bits = _Bits(unit[1:])
        bits.golomb()
        return _take_number(bits, head)
    except (IndexError, ValueError):
        return None


def _take_number(bits: _Bits, head: _Head) -> int:
    """Read on to ``frame_num`` from behind a slice's first field."""
    bits.golomb()
    bits.golomb()
    if head.planes_apart:
        bits.take(2)
    return bits.take(head.frame_num_bits)


def _forgets(unit: bytes, head: _Head, pictures: dict[int, _Picture | None]) -> bool | None:
    """Whether a reference picture that is no IDR has all others forgotten; None if not known.

    Reads the head of its slice to the end (7.3.3): the way there has every field before it.
    """
    try:
        bits = _Bits(unit[1:])
        bits.golomb()
        kind, picture = bits.golomb() % 5, pictures.get(bits.golomb())
        if picture is None:
            return None
        bits.take((2 if head.planes_apart else 0) + head.frame_num_bits)
        _skip_order(bits, head, picture)
        if kind not in (2, 4):
            counts = _skip_references(bits, kind, picture)
            if picture.weighted[kind == 1]:
                _skip_weights(bits, sum(counts), chroma=head.chroma)
        if bits.take(1):
            while operation := bits.golomb():
                if operation == _ANEW:
                    return True
                for _ in range(2 if operation == 3 else 1):
                    bits.golomb()
        return False
    except (IndexError, ValueError):
        return None


def _skip_order(bits: _Bits, head: _Head, picture: _Picture) -> None:
    """Read over what a slice says of its place in the order of display."""
    in_fields = not head.frames_only and bool(bits.take(1))
    bits.take(int(in_fields) + head.order_bits)
    two = picture.order_of_fields and not in_fields
    steps = int(head.order_steps) + int(two and (head.order_steps or head.order_bits > 0))
    for _ in range(steps):
        bits.signed()
    if picture.copies:
        bits.golomb()


def _skip_references(bits: _Bits, kind: int, picture: _Picture) -> list[int]:
    """Read over the references of a slice of kind P 0, B 1 or SP 3; how many there are."""
    lists = 2 if kind == 1 else 1
    if kind == 1:
        bits.take(1)
    counts = [one + 1 for one in picture.references[:lists]]
    if bits.take(1):
        counts = [bits.golomb() + 1 for _ in range(lists)]
    for _ in range(lists):
        if bits.take(1):
            while bits.golomb() != 3:
                bits.golomb()
    return counts


def _skip_weights(bits: _Bits, references: int, *, chroma: bool) -> None:
    """Read over the weights of so many references."""
    kinds = (2, 4) if chroma else (2,)
    for _ in kinds:
        bits.golomb()
    for _ in range(references):
        for numbers in kinds:
            if bits.take(1):
                for _ in range(numbers):
                    bits.signed()
