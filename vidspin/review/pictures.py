"""How does a frame become a picture for the page, without keeping the whole recording?"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable

import cv2
import numpy as np

from vidspin.records import ByteArray, FloatArray, Footage, Frame

MOST_BYTES = 48 << 20  # of JPEG files kept
LONGEST_SIDE = 1920  # larger pictures are shown smaller
# Decoding starts at a key frame: neighbours of a frame come at little cost.
BEFORE, AFTER = 6, 10
SAME_INSTANT_S = 1e-5  # times of one frame differ by rounding at most


class Pictures:
    """Frames of a recording as JPEG files, decoded when they are asked for.

    Parameters
    ----------
    footage : Footage
        The recording.
    time_s : (N,) array
        Instants of the frames that can be asked for, scene seconds.
    encode : callable
        Makes a JPEG file of an 8 bit picture.
    most_bytes : int
        What is kept at most; the newest picture in any case.
    """

    def __init__(
        self,
        footage: Footage,
        time_s: FloatArray,
        encode: Callable[[ByteArray], bytes],
        *,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        self._footage, self._time_s, self._encode = footage, time_s, encode
        self._most = most_bytes
        self._kept: OrderedDict[int, bytes] = OrderedDict()
        self._lock = threading.Lock()  # one decoder at a time

    @property
    def kept_bytes(self) -> int:
        """Size of what is kept."""
        return sum(len(jpeg) for jpeg in self._kept.values())

    def jpeg(self, n: int) -> bytes | None:
        """Return frame `n`, as stored; None where it cannot be decoded.

        Raises
        ------
        FootageError
            The recording can no longer be read.
        """
        with self._lock:
            if n not in self._kept:
                self._decode(n)
            found = self._kept.get(n)
            if found is not None:
                self._kept.move_to_end(n)
            return found

    def _decode(self, n: int) -> None:
        """Decode a frame and its neighbours; the one asked for is kept last, so the longest."""
        at = float(self._time_s[n]) - SAME_INSTANT_S
        asked: bytes | None = None
        for frame in self._footage.passing(at, before=BEFORE, after=AFTER):
            row = int(np.searchsorted(self._time_s, frame.time_s - SAME_INSTANT_S))
            there = row < len(self._time_s)
            if not there or abs(self._time_s[row] - frame.time_s) > SAME_INSTANT_S:
                continue
            if row == n:
                asked = self._encode(self._shown(frame))
            elif row not in self._kept:
                self._keep(row, self._encode(self._shown(frame)))
        if asked is not None:
            self._keep(n, asked)

    def _keep(self, n: int, jpeg: bytes) -> None:
        self._kept[n] = jpeg
        while len(self._kept) > 1 and self.kept_bytes > self._most:
            self._kept.popitem(last=False)

    def _shown(self, frame: Frame) -> ByteArray:
        deep = frame.luma.dtype == np.uint16  # 10-bit samples
        picture = np.asarray(frame.luma >> 2 if deep else frame.luma, np.uint8)
        scale = LONGEST_SIDE / max(picture.shape)
        if scale < 1.0:
            rows, columns = (max(1, round(side * scale)) for side in picture.shape)
            picture = np.asarray(
                cv2.resize(picture, (columns, rows), interpolation=cv2.INTER_AREA), np.uint8
            )
        return picture
