"""How a stream of packets becomes luma pictures, damage included.

Packets are decoded one by one, so that one damaged packet costs its own picture and not the
rest of the recording; from the damage to the next clean key frame every picture is suspect.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from typing import cast

import numpy as np
from av.codec.codec import Capabilities
from av.container import InputContainer
from av.packet import Packet
from av.stream import Stream
from av.video.frame import VideoFrame
from av.video.plane import VideoPlane
from av.video.stream import VideoStream

from vidspin.footage.slices import LOOKED_AT, FrameNumbers
from vidspin.records import LumaArray

MAX_READ_FAILURES = 16  # in a row, without one packet in between
_MOST_WAITING = 32  # packets whose pictures have not come: 16 threads, 16 to put in order
_DEEP = 10  # bits that luma of more than 8 is handed on with
_MAX_DEPTH = 16
_NO_UNIT_HOLDS = bytes(3)


class Packets:
    """Packets of one or more streams in file order, past places that cannot be read.

    Parameters
    ----------
    container : av.container.InputContainer
        Where they come from; reading goes on from its present place.
    streams : Stream
        The streams wanted.

    Attributes
    ----------
    failures : list of Exception
        What reading met; the packets after it are still delivered.
    broken : bool
        A failure came since this was last set to False.
    """

    def __init__(self, container: InputContainer, *streams: Stream) -> None:
        self._container = container
        self._streams = streams
        self.failures: list[Exception] = []
        self.broken = False

    def __iter__(self) -> Iterator[Packet[Stream]]:
        """Yield every packet that holds data or a time."""
        in_a_row = 0
        while in_a_row < MAX_READ_FAILURES:
            try:
                for packet in self._container.demux(*self._streams):
                    if packet.size or packet.dts is not None:
                        in_a_row = 0
                        yield packet
                return
            except Exception as error:  # damage also shows as IndexError and others
                in_a_row += 1
                self.failures.append(error)
                self.broken = True


class Decoder:
    """Decodes packet by packet and remembers where it met damage.

    What the decoder reports is not enough: it sets the mark of a damaged picture in one thread
    and may hand the picture on in another before that, and it takes most damage of HEVC without
    a word; for an H.264 picture that is not there it shows another.  Bytes that no encoder writes
    and numbers that are left out are therefore looked for as well.

    Parameters
    ----------
    stream : av.video.stream.VideoStream
        The stream that the packets belong to.

    Attributes
    ----------
    errors : int
        Packets that the decoder rejected.
    suspect : bool
        Damage was met and no clean key frame has come since.
    fed : int
        Packets decoded so far.
    """

    def __init__(self, stream: VideoStream) -> None:
        self._decode: Callable[[Packet[VideoStream] | None], list[VideoFrame]] = stream.decode
        self._illegal = _zeroed_slices(stream)
        self._numbers = _frame_numbers(stream)
        self._damaged_at: int | None = None
        self._context = stream.codec_context
        self._under_way: deque[int | None] = deque(maxlen=_MOST_WAITING)  # times of packets
        self._sound: set[int | None] = set()  # times of pictures decoded before the damage
        self.errors = 0
        self.suspect = False
        self.fed = 0

    def feed(self, packet: Packet[VideoStream] | None) -> list[VideoFrame]:
        """Decode one packet, or None to bring out the pictures still held back.

        Returns
        -------
        list of VideoFrame
            In presentation order; empty when the packet is damaged or the picture is held
            back.  Pass each one to `judge`.
        """
        self._under_way.append(None if packet is None else packet.pts)
        if packet is not None:
            self.fed += 1
            lost = self._numbers is not None and self._numbers.jump(_begin(packet))
            if lost or packet.is_corrupt or self._illegal(packet):
                self._doubt(1)
        try:
            return self._decode(packet)
        except EOFError:
            return []
        except Exception:  # the library also raises IndexError, MemoryError and others
            self.errors += 1
            # Where each thread decodes a packet of its own, what it met is told when all the
            # others have been given one: a key frame may have come in between.
            apart = self._context.codec.capabilities & Capabilities.frame_threads
            self._doubt(self._context.thread_count if apart else 1)
            return []

    def _doubt(self, back: int) -> None:
        """Remember damage to one of the last packets until a key frame that is shown after it.

        Pictures come some packets late, so that those before the damage, a key frame among them,
        may still follow.
        """
        times = list(self._under_way)
        place = max(0, len(times) - max(1, back))
        at = times[place]
        if not self.suspect:
            self._sound = {*times[:place]} - {None}
        self.suspect = True
        if at is not None and (self._damaged_at is None or at > self._damaged_at):
            self._damaged_at = at

    def judge(self, picture: VideoFrame) -> bool:
        """Say whether a picture is suspect, and trust again from a clean key frame on."""
        if picture.is_corrupt:
            self.suspect = True
        elif self.suspect and picture.pts in self._sound:
            return False
        elif self.suspect and picture.key_frame and not self._before_damage(picture):
            self.suspect = False
            self._sound.clear()
        return self.suspect

    def trust(self) -> None:
        """Forget the damage met: what follows begins at a key frame elsewhere."""
        self.suspect, self._damaged_at = False, None
        self._under_way.clear()
        self._sound.clear()
        if self._numbers is not None:
            self._numbers.begin()

    def _before_damage(self, picture: VideoFrame) -> bool:
        at = self._damaged_at
        return at is not None and picture.pts is not None and picture.pts <= at


def _zeroed_slices(stream: VideoStream) -> Callable[[Packet[VideoStream]], bool]:
    """Return a test for slices that hold zeros which no encoder can have written.

    Three zero bytes may not stand within a unit: an encoder breaks them up (ITU-T H.264 and
    H.265, 7.4.1 and 7.4.2, emulation prevention).  Places that storage gives back as zeros are
    found so, whatever the decoder makes of them.  Zeros that end a unit are allowed, for some
    writers pad with them.  Only units with a length before them are looked at.
    """
    extra, name = stream.codec_context.extradata or b"", stream.codec_context.name
    if name == "h264" and len(extra) > 6 and extra[0] == 1:
        return lambda packet: _has_zeros(bytes(packet), (extra[4] & 3) + 1, _is_avc_slice)
    if name == "hevc" and len(extra) > 22 and extra[0] == 1:
        return lambda packet: _has_zeros(bytes(packet), (extra[21] & 3) + 1, _is_hevc_slice)
    return lambda _: False


def _frame_numbers(stream: VideoStream) -> FrameNumbers | None:
    if stream.codec_context.name != "h264":
        return None
    return FrameNumbers(bytes(stream.codec_context.extradata or b""))


def _begin(packet: Packet[VideoStream]) -> bytes:
    return bytes(memoryview(packet)[:LOOKED_AT])


def _is_avc_slice(header: int) -> bool:
    return 1 <= header & 31 <= 5  # ITU-T H.264, table 7-1


def _is_hevc_slice(header: int) -> bool:
    return (header >> 1) & 63 < 32  # ITU-T H.265, table 7-1


def _has_zeros(data: bytes, prefix: int, is_slice: Callable[[int], bool]) -> bool:
    at = 0
    while (begin := at + prefix) < len(data):
        at = begin + int.from_bytes(data[at:begin], "big")
        if at > begin and is_slice(data[begin]):
            zeros = data.find(_NO_UNIT_HOLDS, begin, at)
            if zeros >= 0 and data[zeros:at].strip(b"\0"):
                return True
    return False


def decodes_luma(picture: VideoFrame) -> bool:
    """Say whether the first plane of a picture is luma alone, in this machine's byte order.

    It may have 8 bits or 10 to 16.
    """
    layout = picture.format
    parts = layout.components
    if layout.is_rgb or layout.has_palette or layout.is_bayer or not parts:
        return False
    if parts[0].bits > 8 and layout.is_big_endian:
        return False
    # Formats with the value in the upper bits of a word would be a factor off.
    shifted = layout.name.startswith(("p0", "p2", "p4", "xyz"))
    alone = all(part.plane != 0 for part in parts[1:])
    return alone and not shifted and (parts[0].bits == 8 or _DEEP <= parts[0].bits <= _MAX_DEPTH)


class LumaReader:
    """The luma plane of pictures that all have one size and format.

    Luma of more than 10 bits is cut to 10, since 16-bit values are taken as 10-bit samples.

    Parameters
    ----------
    width, height : int
        Stored columns and rows.
    bit_depth : int
        Bits of one luma value.
    """

    def __init__(self, width: int, height: int, bit_depth: int) -> None:
        self._shape = (height, width)
        self._depth = bit_depth
        self._spare = max(0, bit_depth - _DEEP)
        self._type = np.dtype(np.uint8 if bit_depth == 8 else np.uint16)
        self._itemsize = self._type.itemsize
        self._accepted: dict[str, bool] = {}  # by pixel format

    def fits(self, picture: VideoFrame) -> bool:
        """Say whether a picture has the recording's size and bit depth."""
        if picture.width != self._shape[1] or picture.height != self._shape[0]:
            return False
        name = picture.format.name
        known = self._accepted.get(name)
        if known is None:
            known = decodes_luma(picture) and picture.format.components[0].bits == self._depth
            self._accepted[name] = known
        return known

    def view(self, picture: VideoFrame) -> LumaArray:
        """Return a read-only view of the decoder's memory, shape (rows, columns).

        The view keeps the picture alive; nothing is converted or copied, but for more than 10 bits.
        """
        plane = VideoPlane(picture, 0)
        strides = (plane.line_size, self._itemsize)
        # The plane offers the buffer protocol, which its type cannot say before Python 3.12.
        memory = cast("memoryview[int]", plane)
        luma: LumaArray = np.ndarray(self._shape, self._type, memory, 0, strides)
        if self._spare:
            luma = np.asarray(luma >> self._spare, np.uint16)
        luma.setflags(write=False)
        return luma

    def copy(self, picture: VideoFrame) -> LumaArray:
        """Return a read-only copy that does not keep the picture alive."""
        luma = self.view(picture).copy()
        luma.setflags(write=False)
        return luma
