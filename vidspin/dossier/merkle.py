"""Which piece of a large file was changed?

A file is cut into pieces of a fixed size; the Merkle tree hash of RFC 6962, section 2.1, over
the pieces ties all of them to one value, and the list of leaf hashes tells a damaged piece
from its neighbours.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import BinaryIO

PIECE_BYTES = 1 << 20  # a changed byte is placed to within a second or so of phone footage
_LEAF, _NODE = b"\x00", b"\x01"


@dataclass(frozen=True, slots=True)
class Pieces:
    """What a file's bytes hash to, whole and in pieces.

    Attributes
    ----------
    size : int
        Length of the file, bytes.
    sha256 : str
        Of the whole file, hexadecimal.
    piece_bytes : int
        Length of every piece but the last.
    leaves : tuple of bytes
        Leaf hash of every piece in order; none for an empty file.
    """

    size: int
    sha256: str
    piece_bytes: int
    leaves: tuple[bytes, ...]

    @property
    def root(self) -> str:
        """The Merkle tree hash, hexadecimal."""
        return merkle_root(self.leaves).hex()


def leaf_hash(piece: bytes) -> bytes:
    """Hash one leaf: SHA-256(0x00 || piece)."""
    return hashlib.sha256(_LEAF + piece).digest()


def merkle_root(leaves: Sequence[bytes]) -> bytes:
    """Hash a list of leaf hashes to one value.

    Parameters
    ----------
    leaves : sequence of bytes
        Leaf hashes, see `leaf_hash`.

    Returns
    -------
    bytes
        The Merkle tree hash of RFC 6962, section 2.1.

    Notes
    -----
    The RFC splits at the largest power of two below the count.  Pairing neighbours level by
    level, an odd last one carried up as it is, builds the same tree without recursion.
    """
    if not leaves:
        return hashlib.sha256(b"").digest()
    level = list(leaves)
    while len(level) > 1:
        paired = [
            hashlib.sha256(_NODE + level[k] + level[k + 1]).digest()
            for k in range(0, len(level) - 1, 2)
        ]
        level = paired + level[len(level) & ~1 :]
    return level[0]


def read_pieces(
    source: BinaryIO,
    *,
    piece_bytes: int = PIECE_BYTES,
    copy_to: BinaryIO | None = None,
    tell: Callable[[int], None] | None = None,
) -> Pieces:
    """Hash a file in one pass, whole and in pieces.

    Parameters
    ----------
    source : binary file
        Read from where it stands to its end.
    piece_bytes : int
        Length of a piece.
    copy_to : binary file, optional
        Takes the bytes as well.
    tell : callable, optional
        Told the bytes done after every piece.
    """
    whole = hashlib.sha256()
    leaves: list[bytes] = []
    done = 0
    while piece := source.read(piece_bytes):
        whole.update(piece)
        leaf = hashlib.sha256(_LEAF)
        leaf.update(piece)
        leaves.append(leaf.digest())
        done += len(piece)
        if copy_to is not None:
            copy_to.write(piece)
        if tell is not None:
            tell(done)
    return Pieces(done, whole.hexdigest(), piece_bytes, tuple(leaves))


def leaves_text(leaves: Sequence[bytes]) -> bytes:
    """Write leaf hashes, one line of hexadecimal each."""
    return "".join(f"{leaf.hex()}\n" for leaf in leaves).encode("ascii")


def read_leaves(data: bytes) -> tuple[bytes, ...]:
    """Read what `leaves_text` wrote.

    Raises
    ------
    ValueError
        The bytes are not exactly what it would write.
    """
    lines = data.decode("ascii").split("\n")
    leaves = tuple(bytes.fromhex(line) for line in lines[:-1])
    if any(len(leaf) != 32 for leaf in leaves) or leaves_text(leaves) != data:
        raise ValueError("not a list of piece hashes")
    return leaves


def differing(sealed: Sequence[bytes], found: Sequence[bytes]) -> list[int]:
    """List the pieces, counted from 0, that differ, are missing or were added."""
    longest = max(len(sealed), len(found))
    shortest = min(len(sealed), len(found))
    return [k for k in range(shortest) if sealed[k] != found[k]] + list(range(shortest, longest))
