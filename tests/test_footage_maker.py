"""Small clips made on the spot: each frame carries its own number in its luma.

The other tests of the reader import the makers from here; the tests of this file only prove
that the makers do what they say.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

BITS = 16
CELL = 10  # columns of one bit
WIDTH, HEIGHT = BITS * CELL, 96
CLOCK_90K = Fraction(1, 90000)


def jittered(count: int, step: float = 3003.0, spread: float = 90.0, drops: int = 3) -> list[int]:
    """Frame times as a phone writes them: a step, jitter on each instant, lost frames."""
    rng = np.random.default_rng(count)
    slots = np.arange(count + drops)
    lost = rng.choice(slots[2:-2], drops, replace=False)
    kept = np.setdiff1d(slots, lost)
    return np.rint(kept * step + rng.uniform(-spread, spread, count) + spread).astype(int).tolist()


def rounded(count: int, rate: Fraction, time_base: Fraction) -> list[int]:
    """Frame times of a constant rate, rounded to ticks."""
    return [round(i / rate / time_base) for i in range(count)]


def paint(frame: av.VideoFrame, number: int) -> None:
    """Paint a frame number as a row of dark and light cells."""
    bits = frame.format.components[0].bits
    kind, scale = np.uint16 if bits > 8 else np.uint8, 1 << (bits - 8)
    for place, plane in enumerate(frame.planes):
        view = np.frombuffer(plane, kind).reshape(plane.height, -1)
        view[:] = 128 * scale if place else 60 * scale
    luma = np.frombuffer(frame.planes[0], kind).reshape(frame.planes[0].height, -1)
    for bit in range(BITS):
        if number >> bit & 1:
            luma[8:40, bit * CELL : (bit + 1) * CELL] = 200 * scale
    # Something that moves, so that pictures differ by more than their number.
    column = number * 3 % (frame.width - 8)
    luma[60:76, column : column + 8] = 180 * scale


def number_in(luma: np.ndarray) -> int:
    """Read the painted frame number back."""
    limit = 130 * (4 if luma.dtype == np.uint16 else 1)
    row = luma[16:32, CELL // 2 :: CELL][:, :BITS].astype(float).mean(axis=0)
    return sum(int(value > limit) << bit for bit, value in enumerate(row))


def write_clip(
    path: Path,
    ticks: Iterable[int],
    *,
    time_base: Fraction = CLOCK_90K,
    codec: str = "libx264",
    pix_fmt: str = "yuv420p",
    size: tuple[int, int] = (WIDTH, HEIGHT),
    gop: int = 12,
    b_frames: int = 0,
    muxer: dict[str, str] | None = None,
    tags: dict[str, str] | None = None,
    sound_s: float | None = None,
    encoder: dict[str, str] | None = None,
    aspect: Fraction | None = None,
    first_number: int = 0,
) -> Path:
    """Write a clip with the given frame times."""
    with av.open(str(path), "w", options=muxer or {}) as container:
        container.metadata.update(tags or {})
        stream = container.add_stream(codec, rate=30)
        stream.width, stream.height, stream.pix_fmt = *size, pix_fmt
        stream.time_base = stream.codec_context.time_base = time_base
        stream.codec_context.gop_size = gop
        if aspect is not None:
            stream.codec_context.sample_aspect_ratio = aspect
        stream.codec_context.options = _encoder(codec, gop, b_frames) | (encoder or {})
        sound = container.add_stream("aac", rate=48000) if sound_s is not None else None
        if sound is not None and sound_s is not None:
            _write_sound(container, sound, sound_s)
        for number, tick in enumerate(ticks, first_number):
            frame = av.VideoFrame(*size, pix_fmt)
            paint(frame, number)
            frame.pts, frame.time_base = tick, time_base
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def _encoder(codec: str, gop: int, b_frames: int) -> dict[str, str]:
    common = f"keyint={gop}:min-keyint={gop}:scenecut=0:bframes={b_frames}:b-adapt=0"
    if codec == "libx264":
        return {"preset": "ultrafast", "threads": "1", "x264-params": common}
    if codec == "libx265":
        quiet = f"{common}:log-level=none:pools=1:frame-threads=1"
        return {"preset": "ultrafast", "x265-params": quiet}
    return {}


def _write_sound(container: Any, sound: Any, seconds: float) -> None:
    sound.layout = "mono"
    samples = int(seconds * 48000)
    for start in range(0, samples, 1024):
        count = min(1024, samples - start)
        wave = np.sin(np.arange(start, start + count) * 0.05).astype(np.float32)[None, :]
        block = av.AudioFrame.from_ndarray(np.ascontiguousarray(wave), "fltp", "mono")
        block.sample_rate, block.pts, block.time_base = 48000, start, Fraction(1, 48000)
        container.mux(sound.encode(block))
    container.mux(sound.encode(None))


def has_encoder(name: str) -> bool:
    """Say whether the decoder library was built with an encoder."""
    try:
        av.codec.Codec(name, "w")
    except Exception:
        return False
    return True


needs_hevc = pytest.mark.skipif(not has_encoder("libx265"), reason="no HEVC encoder here")


def box(kind: bytes, content: bytes) -> bytes:
    """Wrap content in a box."""
    return struct.pack(">I4s", 8 + len(content), kind) + content


def change_box(data: bytes, path: tuple[bytes, ...], change: Callable[[bytes], bytes]) -> bytes:
    """Rebuild a file with the content of one box changed, lengths around it mended."""
    out, at, done = [], 0, False
    while at + 8 <= len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        assert 8 <= size <= len(data) - at
        content = data[at + 8 : at + size]
        if kind == path[0] and not done:
            done = True
            rest = path[1:]
            content = change_box(content, rest, change) if rest else change(content)
        out.append(box(kind, content))
        at += size
    assert done, path
    return b"".join(out) + data[at:]


def edit_list(*entries: tuple[int, int, float]) -> Callable[[bytes], bytes]:
    """Make an edit list: duration in movie ticks, media time in track ticks, rate."""

    def change(_: bytes) -> bytes:
        rows = [
            struct.pack(">Iii", length, at, round(rate * 65536)) for length, at, rate in entries
        ]
        return struct.pack(">II", 0, len(rows)) + b"".join(rows)

    return change


def with_keys(data: bytes, values: dict[str, tuple[int, bytes]]) -> bytes:
    """Add named values of stated type to the movie box of a file that ends with it."""
    names = b"".join(box(b"mdta", name.encode()) for name in values)
    items = b"".join(
        box(struct.pack(">I", number), box(b"data", struct.pack(">II", kind, 0) + content))
        for number, (kind, content) in enumerate(values.values(), 1)
    )
    handler = box(b"hdlr", struct.pack(">II4s12s", 0, 0, b"mdta", b"") + b"\0")
    keys = box(b"keys", struct.pack(">II", 0, len(values)) + names)
    meta = box(b"meta", handler + keys + box(b"ilst", items))
    return change_box(data, (b"moov",), lambda content: content + meta)


def rotated(data: bytes, matrix: tuple[int, int, int, int]) -> bytes:
    """Set a, b, c, d of the display matrix of the first track."""
    a, b, c, d = (value << 16 for value in matrix)

    def change(content: bytes) -> bytes:
        whole = struct.pack(">9i", a, b, 0, c, d, 0, 0, 0, 1 << 30)
        return content[:40] + whole + content[76:]

    return change_box(data, (b"moov", b"trak", b"tkhd"), change)


@pytest.mark.parametrize("pix_fmt", ["yuv420p", "yuv420p10le"])
def test_painted_number_reads_back(pix_fmt: str) -> None:
    for number in (0, 1, 37, 40_000, 65_535):
        frame = av.VideoFrame(WIDTH, HEIGHT, pix_fmt)
        paint(frame, number)
        plane = frame.planes[0]
        kind = np.uint8 if pix_fmt == "yuv420p" else np.uint16
        luma = np.frombuffer(plane, kind).reshape(plane.height, -1)[:, :WIDTH]
        assert number_in(luma) == number


def test_changed_box_keeps_the_rest() -> None:
    data = box(b"ftyp", b"x") + box(b"moov", box(b"a   ", b"12") + box(b"b   ", b"34"))
    changed = change_box(data, (b"moov", b"b   "), lambda content: content + b"56")
    assert changed == box(b"ftyp", b"x") + box(b"moov", box(b"a   ", b"12") + box(b"b   ", b"3456"))


def test_jittered_times_rise() -> None:
    assert np.all(np.diff(jittered(120)) > 0)
