"""A small recording of every kind that is read, to be damaged by `fuzz.py`.

All are copied or encoded anew from few simulated clips of 3 s, 128 x 96.  A kind's name begins
with the ending of its files; what follows tells how it differs from the first of that ending.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

SCENE = (
    "--size 128x96 --rpm 700 --law exponential:60 --crf 20 --preset ultrafast --overwrite --quiet"
)
DRAWN = {  # what is simulated: file, and options beside `SCENE`
    "plain.mp4": "--seconds 3 --b-frames 0",
    "late.mov": "--seconds 3 --b-frames 2",  # pictures out of order
    "plain.mkv": "--seconds 3 --b-frames 0",
    "hevc.mp4": "--seconds 3 --codec libx265",
    "deep.mp4": "--seconds 3 --bits 10",
    "slow.mp4": "--seconds 3 --fps 120 --stored-fps 30 --b-frames 0",
}
SOUND_HZ = 48000
SECOND_CHAPTER = 60  # its first frame; a key frame


@dataclass(frozen=True, slots=True)
class Kind:
    """How a kind is made."""

    says: str
    source: str
    codec: str | None = None  # None: the packets as they are
    pixels: str = "yuv420p"
    sound: str | None = None
    container: str | None = None  # None: by the ending
    muxer: dict[str, str] = field(default_factory=dict)
    chapters: bool = False  # two files, measured together

    @property
    def copied(self) -> bool:
        """The simulated file serves as it is."""
        return not (self.codec or self.sound or self.container or self.muxer or self.chapters)


_PARTS = {"movflags": "frag_keyframe+empty_moov"}
KINDS = {
    "mp4": Kind("H.264", "plain.mp4"),
    "mov": Kind("H.264, pictures out of order", "late.mov"),
    "mkv": Kind("H.264", "plain.mkv"),
    "webm": Kind("VP8", "plain.mkv", codec="libvpx"),
    "ts": Kind("H.264", "plain.mkv", container="mpegts"),
    "avi": Kind("MPEG-4", "plain.mkv", codec="mpeg4"),
    "mp4-sound": Kind("H.264 and AAC", "plain.mp4", sound="aac"),
    "mp4-hevc": Kind("HEVC", "hevc.mp4"),
    "mp4-10bit": Kind("HEVC of 10 bits", "deep.mp4"),
    "mp4-slow": Kind("H.264, 120 frames/s stored at 30", "slow.mp4"),
    "mp4-parts": Kind("H.264 in fragments", "plain.mp4", muxer=_PARTS),
    "mp4-chapters": Kind("H.264, two files", "plain.mp4", chapters=True),
    "mp4-av1": Kind("AV1", "plain.mp4", codec="libsvtav1"),
    "mov-sound": Kind("H.264 and PCM, two files", "plain.mp4", sound="pcm_s16le", chapters=True),
    "mov-prores": Kind("ProRes, 10 bits", "plain.mp4", codec="prores_ks", pixels="yuv422p10le"),
    "3gp": Kind("H.263", "plain.mp4", codec="h263"),
    "mkv-sound": Kind("H.264 and Opus", "plain.mkv", sound="libopus"),
    "mkv-hevc": Kind("HEVC", "hevc.mp4", container="matroska"),
    "webm-sound": Kind("VP9 and Opus", "plain.mkv", codec="libvpx-vp9", sound="libopus"),
    "ts-sound": Kind("HEVC and MP2", "hevc.mp4", sound="mp2", container="mpegts"),
    "avi-sound": Kind(
        "Motion JPEG and PCM", "plain.mkv", codec="mjpeg", pixels="yuvj420p", sound="pcm_s16le"
    ),
}  # fmt: skip


def files_of(kind: str, folder: Path) -> tuple[Path, ...]:
    """Name the files of a kind's seed."""
    ending = kind.partition("-")[0]
    count = 2 if KINDS[kind].chapters else 1
    return tuple(folder / f"{kind}-{one}.{ending}" for one in range(1, count + 1))


def make(kinds: tuple[str, ...], folder: Path) -> None:
    """Write one small recording of each kind."""
    for kind in kinds:
        recipe, files = KINDS[kind], files_of(kind, folder)
        source = _drawn(recipe.source, folder)
        if recipe.copied:
            files[0].write_bytes(source.read_bytes())
        elif recipe.chapters:
            _write(recipe, source, files[0], (0, SECOND_CHAPTER))
            _write(recipe, source, files[1], (SECOND_CHAPTER, 1 << 30))
        else:
            _write(recipe, source, files[0], (0, 1 << 30))


def _drawn(name: str, folder: Path) -> Path:
    from vidspin.cli.app import main

    clip = folder / name
    if not clip.exists() and main(["simulate", str(clip), *SCENE.split(), *DRAWN[name].split()]):
        raise RuntimeError(f"{name} could not be rendered")
    return clip


def _write(recipe: Kind, source: Path, target: Path, span: tuple[int, int]) -> None:
    """Put frames of a clip into another file, encoded anew or not, with a tone or without."""
    with (
        av.open(str(source)) as old,
        av.open(str(target), "w", format=recipe.container, options=dict(recipe.muxer)) as new,
    ):
        shown = old.streams.video[0]
        stream: Any
        if recipe.codec is None:
            stream = new.add_stream_from_template(shown)
        else:
            stream = new.add_stream(recipe.codec, rate=Fraction(30))
            stream.width, stream.height, stream.pix_fmt = 128, 96, recipe.pixels
            stream.bit_rate, stream.gop_size = 1_000_000, 30
        heard = None
        if recipe.sound is not None:
            heard = new.add_stream(recipe.sound, rate=SOUND_HZ, layout="mono")
        seconds = _pictures(old, new, stream, span, anew=recipe.codec is not None)
        if heard is not None:
            _tone(new, heard, seconds)


def _pictures(old: Any, new: Any, stream: Any, span: tuple[int, int], *, anew: bool) -> float:
    """Write the frames of a span; return how many seconds they are."""
    count = 0
    if anew:
        for count, frame in enumerate(old.decode(video=0)):  # noqa: B007 - the last one counts
            frame = frame.reformat(format=stream.pix_fmt)
            frame.pts, frame.time_base = count, Fraction(1, 30)
            new.mux(stream.encode(frame))
        new.mux(stream.encode(None))
        return (count + 1) / 30
    first = None
    for number, packet in enumerate(old.demux(video=0)):
        if packet.dts is None or not span[0] <= number < span[1]:
            continue
        first = packet.dts if first is None else first
        packet.dts, packet.pts, packet.stream = packet.dts - first, packet.pts - first, stream
        new.mux(packet)
        count += 1
    return count / 30


def _tone(new: Any, stream: Any, seconds: float) -> None:
    """Write the hum of a top at 700 rev/min, ten times a turn."""
    fifo = av.AudioFifo()
    when = np.arange(int(seconds * SOUND_HZ)) / SOUND_HZ
    wave = (8000 * np.sin(2 * math.pi * 10 * 700 / 60 * when)).astype(np.int16)
    frame = av.AudioFrame.from_ndarray(wave[None, :], "s16", "mono")
    frame.sample_rate, frame.pts, frame.time_base = SOUND_HZ, 0, Fraction(1, SOUND_HZ)
    fifo.write(frame)
    resampler = av.AudioResampler(stream.format, "mono", SOUND_HZ)
    while block := fifo.read(960, partial=True):
        for one in resampler.resample(block):
            new.mux(stream.encode(one))
    new.mux(stream.encode(None))
