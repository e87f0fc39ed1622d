"""The sound of a recording, in a pass of its own over its audio packets alone.

It is read after the frames, once it is known when the top spins and how its apparent speed
changes: then nothing of it has to be kept, whatever the length.  Video packets are skipped by
the demuxer, so that the pass costs a small part of decoding the frames.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, Protocol

import av
import numpy as np
from av.stream import Discard

from vidspin.footage.decoding import Packets
from vidspin.footage.opening import open_video
from vidspin.footage.table import ChapterClock, FrameTable
from vidspin.records import SoundBlock

MAX_RATE_HZ = 400_000  # beyond any microphone's; a file may state anything


class Heard(Protocol):
    """The part of an examined file that its sound needs."""

    @property
    def place(self) -> Path: ...  # noqa: D102
    @property
    def table(self) -> FrameTable: ...  # noqa: D102


def sound_blocks(chapters: Sequence[Heard], clocks: Sequence[ChapterClock]) -> Iterator[SoundBlock]:
    """Yield the sound of all chapters on the scene clock.

    Parameters
    ----------
    chapters, clocks
        Of one recording.

    Yields
    ------
    SoundBlock
        As the codec cuts it, some 20 ms each.  Places that cannot be decoded leave gaps.

    Raises
    ------
    FootageError
        A file can no longer be opened.
    """
    for chapter, clock in zip(chapters, clocks, strict=True):
        yield from _chapter_sound(chapter, clock)


def _chapter_sound(chapter: Heard, clock: ChapterClock) -> Iterator[SoundBlock]:
    base = chapter.table.time_base
    scale = float(clock.tick_s / base)  # scene seconds a file second
    zero = clock.first_tick * base
    with open_video(chapter.place, strict=False, with_sound=True) as (container, video):
        streams = [one for one in container.streams.audio if one.codec_context is not None]
        if not streams:
            return
        stream = streams[0]
        video.discard = Discard.all
        mixer = av.AudioResampler(format="flt", layout="mono")
        for packet in Packets(container, stream):
            for pts, unit, rate, samples in _decoded(stream, packet, mixer):
                file_s = float(pts * unit - zero)
                time_s = float(clock.starts_s) + file_s * scale
                yield SoundBlock(time_s, rate / scale, samples)


def _decoded(
    stream: Any, packet: Any, mixer: av.AudioResampler
) -> list[tuple[int, Fraction, float, np.ndarray[Any, np.dtype[np.float32]]]]:
    """Decode one packet; damage costs its own samples only."""
    out = []
    try:
        for frame in stream.decode(packet):
            pts, unit = frame.pts, frame.time_base
            if pts is None or unit is None or not 0 < frame.sample_rate <= MAX_RATE_HZ:
                continue
            unit = Fraction(unit.numerator, unit.denominator)
            parts = [one.to_ndarray().reshape(-1) for one in mixer.resample(frame)]
            if parts:
                samples = np.concatenate(parts).astype(np.float32, copy=False)
                out.append((int(pts), unit, float(frame.sample_rate), samples))
    except Exception:  # the library raises many kinds on damage; sound is a courtesy
        return out
    return out
