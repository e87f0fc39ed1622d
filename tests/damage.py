"""Damage to files by chance, the same for the same seed; for `fuzz.py` and `fuzz_documents.py`."""

from __future__ import annotations

import copy
import io
import json
import struct
import tomllib
import zipfile
import zlib
from collections.abc import Callable
from typing import Any

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
        size = min(int(random.choice([16, 188, 1024])), max(1, len(data) // 3))
        parts = [(k, k + size) for k in range(0, max(1, len(data) - size), size)]
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


# ------------------------------------------------------------------- documents: values

_DEEP = 100_000
ODD: tuple[Any, ...] = (
    None, True, False, -1, 0, 1, 0.0, -0.0, 1e308, -1e308, 5e-324, 10**15, -(10**15), 2**63,
    10**400, "", " ", "0", "1/0", "0/0", "30000/1001", "NaN", "../../x", "/", "\0", "x" * 100_000,
    "9" * 5000, "\u202e\x1b[31m\n", "\ud800", [], {}, [[]], [None], [0, 0], {"": None},
    list(range(3000)),
)  # fmt: skip
RAW = ("NaN", "Infinity", "-Infinity", "1e999", "-1e-999", "9" * 5000, "[" * _DEEP, '{"a":' * _DEEP)
RAW_TOML = (
    "nan", "-inf", "1e999", "0x7fffffffffffffffffff", "9" * 5000, "1979-05-27T07:32:00Z",
    "07:32:00", "1979-05-27", "[" * _DEEP, '"""' + "x" * 100_000 + '"""',
)  # fmt: skip
_HOLE = "@@hole@@"


def _branches(value: Any) -> list[tuple[Any, Any]]:
    """List every place of a tree as (container, key)."""
    inside = (
        list(value.items())
        if isinstance(value, dict)
        else list(enumerate(value))
        if isinstance(value, list)
        else []
    )
    return [place for key, part in inside for place in ((value, key), *_branches(part))]


def bent(tree: Any, random: np.random.Generator, raw: tuple[str, ...]) -> tuple[str, Any, str]:
    """Change a tree of values in up to four places; name, tree, and text that fills its hole."""
    tree, names, hole = copy.deepcopy(tree), [], ""
    for _ in range(int(random.choice([1, 1, 1, 2, 4]))):
        places = _branches(tree)
        if not places:
            break
        holder, key = places[int(random.integers(len(places)))]
        way = int(random.integers(8))
        if way == 0:
            del holder[key]
            names.append("removed")
        elif way == 1 and isinstance(holder, dict):
            holder[f"{key}_"] = holder.pop(key)
            names.append("renamed")
        elif way == 2 and isinstance(holder, list):
            holder *= int(random.choice([2, 50]))
            names.append("repeated")
        elif way == 3 and not hole:
            holder[key], hole = _HOLE, raw[int(random.integers(len(raw)))]
            names.append(f"raw {hole[:12]}")
        elif way == 4 and isinstance(holder[key], int | float):
            holder[key] = float(holder[key]) * float(random.choice([-1, 1e-9, 1e9, 1e300]))
            names.append("scaled")
        elif way == 5:
            other, place = places[int(random.integers(len(places)))]
            holder[key] = copy.deepcopy(other[place])
            names.append("another's")
        else:
            odd = ODD[int(random.integers(len(ODD)))]
            holder[key] = copy.deepcopy(odd)
            names.append(f"odd {str(odd)[:12]!r}")
    return " ".join(names), tree, hole


def bent_json(data: bytes, random: np.random.Generator) -> tuple[str, bytes]:
    """Change values of a JSON document."""
    name, tree, hole = bent(json.loads(data), random, RAW)
    return name, json.dumps(tree).replace(f'"{_HOLE}"', hole).encode()


def bent_toml(data: bytes, random: np.random.Generator) -> tuple[str, bytes]:
    """Change values of a TOML document."""
    name, tree, hole = bent(tomllib.loads(data.decode()), random, RAW_TOML)
    lines = [f"{_toml(str(key))} = {_toml(value)}\n" for key, value in tree.items()]
    return name, "".join(lines).replace(f'"{_HOLE}"', hole).encode("utf-8", "replace")


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_toml(str(k))} = {_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    if value is None:
        return '""'
    if isinstance(value, str | bool):
        return json.dumps(value)
    return str(value)  # numbers, days and times


def bent_table(data: bytes, random: np.random.Generator) -> tuple[str, bytes]:
    """Change cells of a table of comma-separated values."""
    rows = [line.split(",") for line in data.decode("utf-8").splitlines()]
    name, tree, hole = bent(rows, random, RAW)
    lines = [",".join(map(str, row)) if isinstance(row, list) else str(row) for row in tree]
    text = "\n".join(lines).replace(_HOLE, hole)
    return name, text.encode("utf-8", "replace")


def bent_arrays(data: bytes, random: np.random.Generator) -> tuple[str, bytes]:
    """Change arrays of an archive, or have it unpack to far more than it is."""
    with np.load(io.BytesIO(data)) as archive:
        arrays: dict[str, Any] = dict(archive)
    key = sorted(arrays)[int(random.integers(len(arrays)))]
    whole, way = arrays[key], int(random.integers(9))
    changes: tuple[Any, ...] = (
        whole[:0], whole[: len(whole) // 2], np.zeros((len(whole), 2)), np.full(len(whole), np.nan),
        np.array(["x" * 9] * len(whole)), whole.astype(complex), whole.astype(float) * 1e300,
        np.array(3.0), None,
    ) if whole.ndim else (np.zeros(3),) * 9  # fmt: skip
    if changes[way] is None:
        del arrays[key]
    else:
        arrays[key] = changes[way]
    out = io.BytesIO()
    np.savez_compressed(out, **arrays)
    return f"{key} in way {way}", out.getvalue()


def bomb(data: bytes, random: np.random.Generator) -> tuple[str, bytes]:
    """Add to an archive, or put in an array's place, what unpacks to 4 GiB."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        entries = {name: archive.read(name) for name in archive.namelist()}
    name = sorted(entries)[int(random.integers(len(entries)))]
    head = io.BytesIO()
    shape = (1 << 29,)
    np.lib.format.write_array_header_1_0(
        head, {"descr": "<f8", "fortran_order": False, "shape": shape}
    )
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    start = packer.compress(head.getvalue()) + packer.flush(zlib.Z_FULL_FLUSH)
    block = packer.compress(bytes(1 << 24)) + packer.flush(zlib.Z_FULL_FLUSH)
    packed = start + block * 256 + packer.flush()
    entries.pop(name)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for other, content in entries.items():
            archive.writestr(other, content)
        archive.writestr(name, packed)
    made = bytearray(out.getvalue())
    size = len(head.getvalue()) + (1 << 32) - (1 << 24)  # must fit into 32 bits
    for mark, method, length in ((b"PK\3\4", 8, 22), (b"PK\1\2", 10, 24)):
        at = made.rfind(mark)
        made[at + method : at + method + 2] = (8).to_bytes(2, "little")
        made[at + length : at + length + 4] = min(size, (1 << 32) - 2).to_bytes(4, "little")
    return f"bomb {name}", bytes(made)


def recoded(data: bytes, random: np.random.Generator) -> tuple[str, bytes]:
    """Write a text in another coding, or something else altogether."""
    text = data.decode("utf-8", "replace")
    ways = {
        "utf-16": text.encode("utf-16"),
        "byte order mark": b"\xef\xbb\xbf" + data,
        "latin-1": text.encode("latin-1", "replace").replace(b"e", b"\xe9"),
        "returns": data.replace(b"\n", b"\r"),
        "nothing": b"",
        "zeros": bytes(len(data)),
        "one byte": b"[",
        "noise": random.bytes(2000),
        "megabytes": data + b" " * (3 << 20),
        "deep": b"[" * _DEEP,
        "deep keys": b"a." * _DEEP + b"a = 1\n",
    }
    name = sorted(ways)[int(random.integers(len(ways)))]
    return name, ways[name]
