"""Is this the recording that was sealed, and since when can it have been filmed?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from vidspin.challenge import public_code, read_challenge
from vidspin.documents import Document
from vidspin.dossier.examined import Examined, Expectations
from vidspin.dossier.layout import MANIFEST_JSON
from vidspin.dossier.merkle import (
    PIECE_BYTES,
    Pieces,
    differing,
    merkle_root,
    read_leaves,
    read_pieces,
)
from vidspin.units import rfc3339
from vidspin.wording import plain, plural

PIECES_NAMED = 8


class Filmed:
    """Checks the recording piece by piece, and the challenge.

    Parameters
    ----------
    examined : Examined
        The folder; takes the findings.
    known : Expectations
        What is known from elsewhere.
    manifest : dict or None
        ``manifest.json``.
    """

    def __init__(self, examined: Examined, known: Expectations, manifest: Document | None) -> None:
        self._x, self._known, self._manifest = examined, known, manifest

    def check_recording(self) -> None:
        """Compare the recording with what was sealed; name the pieces that differ."""
        if self._manifest is None:
            self._x.say("recording", "unchecked", f"{MANIFEST_JSON} cannot be read")
            return
        chapters = self._manifest["recording"]["chapters"]
        given = self._known.recordings
        if given and len(given) != len(chapters):
            says = f"the recording has {plural(len(chapters), 'file')}, you gave {len(given)}"
            self._x.fail("recording", says)
            return
        inside = all(chapter["path"] is not None for chapter in chapters)
        if self._manifest["recording"]["included"] != inside:
            says = f"{MANIFEST_JSON} does not say the same twice of what is in the dossier"
            self._x.fail("recording", says, MANIFEST_JSON)
        for number, chapter in enumerate(chapters):
            sealed = self._leaves(chapter)
            path = chapter["path"]
            if path is not None and path in self._x.hashes:
                self._piecewise(chapter, sealed, path, self._x.pieces)
            elif path is not None:
                says = f"{MANIFEST_JSON} says that it is {path}, which is missing"
                self._x.fail("recording", says, path, MANIFEST_JSON)
            if given:
                self._outside(chapter, sealed, given[number])
            elif path is None:
                says = f"{plain(chapter['name'])} is not in the dossier; check it with --recording"
                self._x.say("recording", "unchecked", says)

    def _leaves(self, chapter: Document) -> tuple[bytes, ...]:
        """Read the sealed list of piece hashes and check it against the tree hash."""
        merkle = chapter["merkle"]
        if merkle is None:
            return ()
        try:
            leaves = read_leaves(self._x.small(merkle["list"]))
        except ValueError as error:
            self._x.fail("recording", f"{merkle['list']}: {error}", merkle["list"])
            return ()
        if merkle_root(leaves).hex() != merkle["root"] or len(leaves) != merkle["pieces"]:
            says = f"{merkle['list']} does not lead to the tree hash in {MANIFEST_JSON}"
            self._x.fail("recording", says, merkle["list"], MANIFEST_JSON)
        return leaves

    def _outside(self, chapter: Document, sealed: tuple[bytes, ...], path: Path) -> None:
        name = plain(str(path))
        merkle = chapter["merkle"]
        try:
            size = path.stat().st_size
            with path.open("rb") as source:
                pieces = read_pieces(
                    source, piece_bytes=merkle["piece_bytes"] if merkle else PIECE_BYTES,
                    tell=lambda done: self._x.tell("reading the recording", done, size),
                )  # fmt: skip
        except OSError as error:
            self._x.fail("recording", f"{name} cannot be read ({error.strerror})", name)
            return
        self._piecewise(chapter, sealed, name, {name: pieces})

    def _piecewise(
        self, chapter: Document, sealed: Sequence[bytes], path: str, read: Mapping[str, Pieces]
    ) -> None:
        pieces = read.get(path)
        found = pieces.sha256 if pieces is not None else self._x.hashes[path]
        if found == chapter["sha256"]:
            self._x.say("recording", "pass", f"{path} is the recording that was sealed")
            return
        if pieces is None or not sealed:
            self._x.fail("recording", f"{path} is not the recording that was sealed", path)
            return
        says = f"{path} is not the recording that was sealed: {_unlike(sealed, pieces)}"
        self._x.fail("recording", says, path)

    def check_freshness(self, sealed: datetime | None) -> str | None:
        """Say from when on the recording can have been made, None when that is open."""
        fresh: Any = None if self._manifest is None else self._manifest["challenge"]
        name, wanted = "freshness", self._known.challenge
        if fresh is None:
            if wanted is not None:
                self._x.fail(name, "the recording shows no challenge, and you gave one")
            else:
                self._x.say(name, "unchecked", "no challenge: when it was filmed is not proven")
            return None
        if wanted is not None and wanted != fresh["text"]:
            self._x.fail(name, f"the challenge is {fresh['text']}, not the one you gave")
            return None
        if not fresh["shown"]:
            self._x.say(name, "unchecked", "the challenge was not read in the recording")
            return None
        after = self._filmed_after(fresh, name, from_you=wanted is not None)
        if after is not None and sealed is not None and rfc3339(sealed) < after:
            says = f"the challenge is dated {after}, after the time stamp"
            self._x.fail(name, says, MANIFEST_JSON)
            return None
        return after

    def _filmed_after(self, fresh: Document, name: str, *, from_you: bool) -> str | None:
        challenge = read_challenge(fresh["text"])
        after: str = fresh["filmed_after"] or ""
        if challenge is None or challenge.made != after:
            self._x.fail(
                name, "the manifest dates the challenge otherwise than it is", MANIFEST_JSON
            )
            return None
        if fresh["public"] is not None and public_code(fresh["public"]) != challenge.code:
            self._x.fail(name, "the challenge does not follow from the public words", MANIFEST_JSON)
            return None
        if fresh["first_s"] is None:
            says = "the manifest does not say when the card was read"
            self._x.fail(name, says, MANIFEST_JSON)
            return None
        # whether it is in the picture, only a new measurement or a look at it tells
        seen = f"the result says the card was read from {fresh['first_s']:.1f} s on"
        if from_you:
            self._x.say(name, "pass", f"filmed after {after}: {seen}, and it is the one you gave")
        elif (fresh["by"] or "").strip() or fresh["public"]:
            named = (fresh["by"] or "").strip()
            who = f"made by {plain(named)}" if named else "drawn from public words"
            self._x.say(
                name, "pass", f"filmed after {after} if the challenge, {who}, is honest: {seen}"
            )
        else:
            says = f"{seen}, dated {after}, but nobody is named who made it"
            self._x.say(name, "unchecked", says)
            return None
        return after


def _unlike(sealed: Sequence[bytes], read: Pieces) -> str:
    """Say in what a file is unlike the sealed one: another file, or some pieces of it."""
    bad = differing(sealed, read.leaves)
    count = max(len(sealed), len(read.leaves))
    if len(bad) == count:
        return "no piece of it is the same, so it may be another file altogether"
    named = ", ".join(str(k + 1) for k in bad[:PIECES_NAMED])
    more = f" and {len(bad) - PIECES_NAMED} more" if len(bad) > PIECES_NAMED else ""
    more_than = len(read.leaves) - len(sealed)
    way = "longer" if more_than > 0 else "shorter"
    length = f"; it is {plural(abs(more_than), 'piece')} {way}" if more_than else ""
    return (
        f"{plural(len(bad), 'piece')} of {count} {'is' if len(bad) == 1 else 'are'} not as sealed: "
        f"number {named}{more} (pieces of {read.piece_bytes} bytes, the first from byte "
        f"{bad[0] * read.piece_bytes} on){length}"
    )
