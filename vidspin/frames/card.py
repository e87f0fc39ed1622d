"""Was a challenge card shown to the camera, and when?

Some of the frames that the one pass decodes anyway are searched for a QR code: two a second
in the first minutes, where the card belongs, and in the last one.  Only a challenge of ours
counts; any other code in the picture is none of our business.
"""

from __future__ import annotations

import json
from collections.abc import Iterator

import cv2
import numpy as np
import zxingcpp

from vidspin.challenge import read_challenge
from vidspin.frames.checkpoint import Resumable
from vidspin.records import (
    Audible,
    Footage,
    FootageFacts,
    Frame,
    LumaArray,
    ShownChallenge,
    SoundBlock,
    StreamOutcome,
)

FIRST_S = 180.0  # scene seconds from the start that are searched
LAST_S = 60.0  # scene seconds before the end that are searched
EVERY_S = 0.5  # a card is held up for seconds
# Longer side of the searched picture.  Measured with noise and blur: at half size, codes of
# 4 px a module of a 1080p frame are found and a look costs 2 ms instead of 14 ms.
LONGEST_SIDE_PX = 1280
MOST_OTHERS = 8  # further challenges that are remembered


def codes_in(luma: LumaArray) -> list[str]:
    """Read the challenges in one frame.

    Parameters
    ----------
    luma : ndarray of uint8 or uint16, shape (rows, columns)
        Stored orientation; 16-bit values hold 10 bits.

    Returns
    -------
    list of str
        Texts of the challenges found, usually none or one.
    """
    picture = luma if luma.dtype == np.uint8 else (luma >> 2).clip(0, 255).astype(np.uint8)
    rows, columns = picture.shape
    factor = -(-max(rows, columns) // LONGEST_SIDE_PX)
    size = (max(columns // factor, 1), max(rows // factor, 1))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA) if factor > 1 else picture
    found = zxingcpp.read_barcodes(
        np.ascontiguousarray(small), formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode)
    )
    return [code.text for code in found if read_challenge(code.text) is not None]


class Watched:
    """A recording whose one pass is watched for a challenge card.

    Stands in for the `Footage` that it is made of.

    Parameters
    ----------
    footage : Footage
        The recording.
    """

    def __init__(self, footage: Footage) -> None:
        self._footage = footage
        self.facts: FootageFacts = footage.facts
        self._seen: dict[str, list[float]] = {}
        self._next_s = 0.0

    def stream(self) -> Iterator[Frame]:
        """Yield every frame once; look at some of them in passing."""
        self._seen.clear()
        self._next_s = 0.0
        yield from self._passing_by(self._footage.stream())

    def stream_from(self, index: int) -> Iterator[Frame]:
        """Yield the frames from a key frame on, where the recording can do so."""
        if not isinstance(self._footage, Resumable):
            raise LookupError("this recording is read from its beginning only")
        yield from self._passing_by(self._footage.stream_from(index))

    def is_spotless(self) -> bool:
        """Say whether the pass can be gone on with from here."""
        return isinstance(self._footage, Resumable) and self._footage.is_spotless()

    def watched(self) -> str:
        """Say which challenges were seen so far."""
        return json.dumps({"seen": self._seen, "next_s": self._next_s})

    def watch_on(self, said: str) -> None:
        """Take up what `watched` said."""
        kept = json.loads(said)
        self._seen = {str(text): [float(t) for t in at] for text, at in kept["seen"].items()}
        self._next_s = float(kept["next_s"])

    def _passing_by(self, frames: Iterator[Frame]) -> Iterator[Frame]:
        for frame in frames:
            if frame.time_s >= self._next_s:
                self._look(frame)
            yield frame

    def _look(self, frame: Frame) -> None:
        late = self.facts.duration_s - LAST_S
        self._next_s = frame.time_s + EVERY_S
        if FIRST_S < frame.time_s < late:
            self._next_s = late
            return
        for text in codes_in(frame.luma):
            if text in self._seen or len(self._seen) <= MOST_OTHERS:
                self._seen.setdefault(text, []).append(frame.time_s)

    def sparse(self, *, runs: int, per_run: int) -> Iterator[tuple[Frame, ...]]:
        """Pass short runs on."""
        return self._footage.sparse(runs=runs, per_run=per_run)

    def around(self, time_s: float, *, before: int, after: int) -> tuple[Frame, ...]:
        """Pass the frames around an instant on."""
        return self._footage.around(time_s, before=before, after=after)

    def passing(self, time_s: float, *, before: int, after: int, every: int = 1) -> Iterator[Frame]:
        """Pass the frames around an instant on, one by one."""
        return self._footage.passing(time_s, before=before, after=after, every=every)

    def sound(self) -> Iterator[SoundBlock]:
        """Pass the sound on, nothing where the recording has none."""
        if isinstance(self._footage, Audible):
            yield from self._footage.sound()

    @property
    def outcome(self) -> StreamOutcome:
        """Say what the last complete pass met."""
        return self._footage.outcome

    def shown(self) -> ShownChallenge | None:
        """Tell the challenge that was shown, None when there was none.

        Of several, the one that was seen first counts and the others are listed.
        """
        if not self._seen:
            return None
        text, *others = self._seen
        times = self._seen[text]
        return ShownChallenge(text, times[0], times[-1], len(times), tuple(others))
