"""Damage to files by chance, the same for the same seed; for `fuzz.py` and `fuzz_documents.py`."""

from __future__ import annotations

import struct
from collections.abc import Callable

import numpy as np

HEAD = 4096  # bytes at either end in which most damage is done to what describes a film


def _place(data: bytes, random: np.random.Generator) -> int:
    """Choose a byte: anywhere, or near an end, where the boxes are."""
    where = random.integers(3)
    size = len(data)
    near = min(HEAD, size)
    low, high = ((0, size), (0, near), (size - near, size))[int(where)]
    return int(random.integers(low, high))


def _run(data: bytes, random: np.random.Generator) -> tuple[int, int]:
    start = _place(data, random)
    length = int(2 ** random.uniform(0, np.log2(max(2, len(data) // 4))))
    return start, min(len(data), start + length)


def flipped(data: bytes, random: np.random.Generator) -> bytes:
    """Flip up to 64 bits."""
    out = bytearray(data)
    for _ in range(int(2 ** random.uniform(0, 6))):
        out[_place(data, random)] ^= 1 << int(random.integers(8))
    return bytes(out)


def cut(data: bytes, random: np.random.Generator) -> bytes:
    """Cut the end off, or the beginning, or a run out of the middle."""
    start, stop = _run(data, random)
    return (data[:start], data[start:], data[:start] + data[stop:])[int(random.integers(3))]


def zeroed(data: bytes, random: np.random.Generator) -> bytes:
    """Zero a run."""
    start, stop = _run(data, random)
    return data[:start] + bytes(stop - start) + data[stop:]


def doubled(data: bytes, random: np.random.Generator) -> bytes:
    """Write a run twice, or up to 50 times."""
    start, stop = _run(data, random)
    times = 1 if random.random() < 0.7 else int(random.integers(2, 50))
    return data[:stop] + data[start:stop] * times + data[stop:]


def resized(data: bytes, random: np.random.Generator) -> bytes:
    """Put absurd numbers in the place of up to four words of 16, 32 or 64 bits."""
    out = bytearray(data)
    for _ in range(int(random.integers(1, 5))):
        width = int(random.choice([2, 4, 8]))
        most = (1 << 8 * width) - 1
        value = (0, 1, most, most >> 1, int(random.integers(1 << 16)))[int(random.integers(5))]
        at = min(_place(data, random), len(data) - width)
        out[at : at + width] = value.to_bytes(width, "big")
    return bytes(out)


def boxes(data: bytes, start: int = 0, stop: int | None = None) -> list[tuple[int, int]]:
    """List the boxes of an mp4 file, those inside of others too, as (start, stop)."""
    stop, found = len(data) if stop is None else stop, []
    while start + 8 <= stop:
        size = struct.unpack_from(">I", data, start)[0]
        if not 8 <= size <= stop - start:
            break
        found.append((start, start + size))
        if data[start + 4 : start + 8] in (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts"):
            found += boxes(data, start + 8, start + size)
        start += size
    return found


def swapped(data: bytes, random: np.random.Generator) -> bytes:
    """Swap two boxes, or two runs of a file that has none."""
    parts = boxes(data)
    if len(parts) < 2:
        size = int(random.choice([16, 188, 1024]))
        parts = [(k, k + size) for k in range(0, len(data) - size, size)]
    one, other = (parts[int(random.integers(len(parts)))] for _ in range(2))
    (a, b), (c, d) = sorted((one, other))
    if b > c:  # one holds the other: leave the outer one out, all but the inner one
        return data[:a] + data[c:d] + data[b:]
    return data[:a] + data[c:d] + data[b:c] + data[a:b] + data[d:]


DAMAGES: tuple[Callable[[bytes, np.random.Generator], bytes], ...] = (
    flipped, cut, zeroed, doubled, resized, swapped,
)  # fmt: skip


def damaged(data: bytes, seed: tuple[int, ...]) -> tuple[str, bytes]:
    """Damage a file in one of the ways, sometimes in two; the same for the same seed."""
    random = np.random.default_rng(seed)
    names = []
    for _ in range(1 if random.random() < 0.8 else 2):
        damage = DAMAGES[int(random.integers(len(DAMAGES)))]
        data = damage(data, random) or b"\0"
        names.append(damage.__name__)
    return " ".join(names), data
