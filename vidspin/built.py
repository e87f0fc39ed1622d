"""Which build of the program is this?

Between two releases there are many builds, and each may say the same thing in other words or find a
check that the one before had not.  So what is written down names the build behind the version: a
digest over the sources, which is the same wherever and however they are installed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable

from vidspin import __version__

# What the program is made of; nothing that Python or an editor leaves beside it.
SOURCES = (".py", ".json", ".css", ".js", ".html", ".typ", ".toml", ".txt")
DIGITS = 12  # hexadecimal, of the digest
UNKNOWN = (
    "unknown"  # in the place of the digest, where only what Python made of the sources is there
)


@cache
def built_version() -> str:
    """Return version and build, such as ``0.1.0+3f9c2a71d0be`` (a local version of PEP 440)."""
    return f"{__version__}+{build_of(resources.files('vidspin'))}"


def same_build(one: str, other: str) -> bool:
    """Whether two versions name one build; what names none that is known is never the same."""
    return one == other and one.partition("+")[2] != UNKNOWN


def build_of(package: Traversable) -> str:
    """Name the build of a package, `UNKNOWN` where its code came without sources."""
    if not any(path.endswith(".py") for path, _ in _sources(package, "")):
        return UNKNOWN
    return digest_of(package)[:DIGITS]


def digest_of(package: Traversable) -> str:
    """Hash names and contents of all sources, SHA-256; ends of lines of any system are alike."""
    digest = hashlib.sha256()
    for path, source in sorted(_sources(package, ""), key=lambda pair: pair[0]):
        data = source.read_bytes().replace(b"\r\n", b"\n")
        digest.update(f"{path} {len(data)}\n".encode())
        digest.update(data)
    return digest.hexdigest()


def _sources(folder: Traversable, below: str) -> Iterator[tuple[str, Traversable]]:
    for entry in folder.iterdir():
        if entry.is_dir():
            yield from _sources(entry, f"{below}{entry.name}/")
        elif entry.name.endswith(SOURCES):
            yield f"{below}{entry.name}", entry
