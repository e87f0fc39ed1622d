"""What is in a bag, and which lists say so? (BagIt 1.0, RFC 8493)

Names are kept to letters, digits, dot, dash and underscore, so that nothing ever needs
encoding and every checker agrees; lists are sorted, with two spaces between hash and name
and LF at the end, so that ``sha256sum -c`` and ``shasum -c`` read them.  A list that is not
exactly so was not written by this program and is refused.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from vidspin.errors import CheckFailed, UsageError
from vidspin.whole import write_whole
from vidspin.wording import plain

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
BAGIT, BAG_INFO = "bagit.txt", "bag-info.txt"
MANIFEST, TAG_MANIFEST = "manifest-sha256.txt", "tagmanifest-sha256.txt"
DATA, SEALS = "data", "seals"
LONGEST_NAME = 100
LONGEST_LIST = 1 << 26  # bytes of a tag file that are read at most
MOST_FILES = 10_000
DEEPEST = 8
BLOCK = 1 << 22

# What the file managers of macOS and Windows leave in folders that somebody looks into.
_LITTER = {".ds_store", "desktop.ini", "thumbs.db"}

# What the writer of a seal leaves beside it when it is killed (`vidspin.whole`).
_BROKEN_OFF = re.compile(rf"{SEALS}/\.[a-z0-9._-]+\.[a-z0-9_]{{8}}")
_NAME = re.compile(r"[A-Za-z0-9_-](?:[A-Za-z0-9._-]*[A-Za-z0-9_-])?")
_LINE = re.compile(r"([0-9a-f]{64})  ([A-Za-z0-9._/-]+)")
# Names that stand for devices on Windows, whatever comes behind the dot.
_DEVICES = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(1, 10))}


@dataclass(frozen=True, slots=True)
class Tree:
    """What lies in a folder.

    Attributes
    ----------
    sizes : dict of str to int
        Path below the folder, with slashes, and length of each plain file.
    odd : dict of str to str
        Path and what is wrong with each thing that must not be there: links, devices, unsafe
        names.  They are not opened and not entered.
    """

    sizes: dict[str, int]
    odd: dict[str, str]


def is_safe_name(name: str) -> bool:
    """Tell whether a name means the same file everywhere and cannot leave its folder."""
    return (
        len(name) <= LONGEST_NAME
        and _NAME.fullmatch(name) is not None
        and name.split(".")[0].lower() not in _DEVICES
    )


def is_safe_path(path: str) -> bool:
    """Tell whether a path of a list stays in the folder, whatever the system makes of it."""
    parts = path.split("/")
    return len(parts) <= DEEPEST and all(is_safe_name(part) for part in parts)


def how_to_tidy(path: str) -> str:
    """Say what to do about a file that a file manager left; nothing where it is another."""
    name = path.rpartition("/")[2]
    litter = name.lower() in _LITTER or name.startswith("._")
    return f"delete {plain(name)}: your file manager made it" if litter else ""


def is_of_broken_seal(path: str) -> bool:
    """Tell whether a path is a hidden name under which seals are written."""
    return _BROKEN_OFF.fullmatch(path) is not None


def look_through(root: Path) -> Tree:
    """List what lies in a folder, following nothing.

    Raises
    ------
    UsageError
        There is no such folder, or it cannot be read.
    """
    sizes: dict[str, int] = {}
    odd: dict[str, str] = {}
    pending = [PurePosixPath()]
    try:
        while pending:
            below = pending.pop()
            with os.scandir(root / below) as entries:
                for entry in entries:
                    _sort_in(entry, below, sizes, odd, pending)
            if len(sizes) + len(odd) > MOST_FILES:
                raise UsageError(
                    "far too many files for a dossier", where=str(root), do="give a dossier folder"
                )
    except OSError as error:
        raise UsageError(
            f"not a folder that can be read ({error.strerror or error})",
            where=plain(str(root)), do="give the folder of a dossier",
        ) from error  # fmt: skip
    return Tree(dict(sorted(sizes.items())), dict(sorted(odd.items())))


def _sort_in(
    entry: os.DirEntry[str],
    below: PurePosixPath,
    sizes: dict[str, int],
    odd: dict[str, str],
    pending: list[PurePosixPath],
) -> None:
    path = (below / entry.name).as_posix()
    mode = entry.stat(follow_symlinks=False).st_mode
    if stat.S_ISLNK(mode) or getattr(entry, "is_junction", bool)():
        odd[path] = "is a link, which could lead out of the folder"
    elif not is_safe_name(entry.name):
        odd[path] = "has a name that no dossier gives"
    elif stat.S_ISDIR(mode):
        if len(below.parts) + 1 >= DEEPEST:
            odd[path] = "lies too deep"
        else:
            pending.append(below / entry.name)
    elif stat.S_ISREG(mode):
        sizes[path] = entry.stat(follow_symlinks=False).st_size
    else:
        odd[path] = "is neither a file nor a folder"


def read_small(path: Path, *, longest: int = LONGEST_LIST) -> bytes:
    """Read a file that cannot be long.

    Raises
    ------
    ValueError
        It is longer than that, or cannot be read.
    """
    try:
        with open_plain(path) as source:
            data = source.read(longest + 1)
    except OSError as error:
        raise ValueError(f"it cannot be read ({error.strerror or error})") from error
    if len(data) > longest:
        raise ValueError("it is far longer than it can be")
    return data


def open_plain(path: Path) -> BinaryIO:
    """Open a plain file for reading; a link that took its place meanwhile is refused."""
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    return os.fdopen(os.open(path, flags | getattr(os, "O_NONBLOCK", 0)), "rb")


def hash_file(path: Path, tell: Callable[[int], None] | None = None) -> str:
    """Return the SHA-256 of a plain file, hexadecimal."""
    digest = hashlib.sha256()
    done = 0
    with open_plain(path) as source:
        while block := source.read(BLOCK):
            digest.update(block)
            done += len(block)
            if tell is not None:
                tell(done)
    return digest.hexdigest()


# ---------------------------------------------------------------------------- lists


def list_text(hashes: Mapping[str, str]) -> bytes:
    """Write a list of paths and their SHA-256, as ``sha256sum`` reads it."""
    return "".join(f"{hashes[path]}  {path}\n" for path in sorted(hashes)).encode("ascii")


def read_list(data: bytes) -> dict[str, str]:
    """Read what `list_text` wrote.

    Raises
    ------
    ValueError
        The bytes are not exactly what it would write, or a path could leave the folder.
    """
    try:
        lines = data.decode("ascii").split("\n")[:-1]
    except UnicodeDecodeError as error:
        raise ValueError("it holds bytes that no list has") from error
    hashes: dict[str, str] = {}
    for number, line in enumerate(lines, start=1):
        match = _LINE.fullmatch(line)
        if match is None or not is_safe_path(match[2]):
            raise ValueError(f"line {number} is not a hash, two spaces and a safe path")
        hashes[match[2]] = match[1]
    if list_text(hashes) != data:
        raise ValueError("it is not sorted, or a path stands twice, or an end of line is odd")
    return hashes


def info_text(fields: Mapping[str, str]) -> bytes:
    """Write ``bag-info.txt``; values are one line each."""
    return "".join(f"{key}: {plain(value)}\n" for key, value in fields.items()).encode("utf-8")


def oxum(sizes: Mapping[str, int]) -> str:
    """Say how long the payload is: octets and files, as in ``Payload-Oxum``."""
    payload = [size for path, size in sizes.items() if path.startswith(f"{DATA}/")]
    return f"{sum(payload)}.{len(payload)}"


def write_lists(root: Path, payload: Mapping[str, str], fields: Mapping[str, str]) -> str:
    """Write the tag files of a bag whose payload and further tag files are in place.

    Parameters
    ----------
    root : Path
        The bag.
    payload : mapping of str to str
        Path (``data/…``) and SHA-256 of every payload file.
    fields : mapping of str to str
        For ``bag-info.txt``; ``Payload-Oxum`` is added.

    Returns
    -------
    str
        SHA-256 of the tag manifest, which is what everybody signs.
    """
    sizes = look_through(root).sizes
    if {path for path in sizes if path.startswith(f"{DATA}/")} != set(payload):
        raise CheckFailed(
            "its files changed while it was written", where=str(root), do="make the dossier again"
        )
    write_whole(root / BAGIT, DECLARATION)
    write_whole(root / MANIFEST, list_text(payload))
    write_whole(root / BAG_INFO, info_text({**fields, "Payload-Oxum": oxum(sizes)}))
    tags = [path for path in look_through(root).sizes if is_tag(path)]
    tag_list = list_text({path: hash_file(root / path) for path in tags})
    write_whole(root / TAG_MANIFEST, tag_list)
    return hashlib.sha256(tag_list).hexdigest()


def is_tag(path: str) -> bool:
    """Tell whether the tag manifest lists a path: all but payload, seals and itself."""
    return path.split("/")[0] not in (DATA, SEALS) and path != TAG_MANIFEST
