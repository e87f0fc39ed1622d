"""What do the JSON documents of a dossier say, and do they follow their schemas?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vidspin.challenge import public_code, read_challenge
from vidspin.documents import Document, check_schema, read_json
from vidspin.dossier import canonical
from vidspin.dossier.merkle import Pieces
from vidspin.wording import plain

MANIFEST_SCHEMA = "vidspin/manifest/1"
CHALLENGE_SCHEMA = "vidspin/challenge/1"
SPIN_SCHEMA = "vidspin/spin/1"
SHORT_HASH = 16  # hexadecimal digits of the manifest's hash that are printed on every page


@dataclass(frozen=True, slots=True)
class Chapter:
    """One file of the recording, as the dossier holds or names it.

    Attributes
    ----------
    name : str
        Its own name; any text.
    path : str or None
        Where it lies in the dossier, None when it is only named.
    sha256 : str
        Of the whole file.
    bytes : int
        Its length.
    pieces : Pieces or None
        None when the file could not be read when the dossier was made.
    pieces_path : str or None
        Where the list of piece hashes lies.
    private_tags : dict of str to str
        Places and serial numbers that the file states, where the maker wanted them told.
    """

    name: str
    path: str | None
    sha256: str
    bytes: int
    pieces: Pieces | None
    pieces_path: str | None
    private_tags: Mapping[str, str]


def manifest_document(  # noqa: PLR0913 - the parts of the document
    *,
    version: str,
    created: str,
    spin: Document,
    chapters: Sequence[Chapter],
    files: Mapping[str, tuple[int, str]],
    attempt: Document,
    signers: Sequence[Document],
    challenge: Document | None,
) -> Document:
    """Draw up ``manifest.json``.

    Parameters
    ----------
    version, created : str
        Of the program and the time, RFC 3339.
    spin : dict
        ``spin.json``.
    chapters : sequence of Chapter
        The recording.
    files : mapping of str to (int, str)
        Length and SHA-256 of every file under ``data/`` that is neither this document nor a
        report (the reports quote its hash).
    attempt : dict
        What the maker states.
    signers : sequence of dict
        Role and key fingerprint of everybody who is to sign; the key may be None.
    challenge : dict or None
        The challenge that was handed out (``challenge.json``).
    """
    return {
        "schema": MANIFEST_SCHEMA,
        "vidspin_version": version,
        "created": created,
        "recording": {
            "name": spin["recording"]["name"],
            "included": all(one.path is not None for one in chapters),
            "chapters": [_chapter(one) for one in chapters],
        },
        "files": [
            {"path": path, "bytes": size, "sha256": digest}
            for path, (size, digest) in sorted(files.items())
        ],
        "attempt": attempt,
        "signers": list(signers),
        "challenge": freshness(spin.get("challenge"), challenge),
    }


def _chapter(chapter: Chapter) -> Document:
    pieces = chapter.pieces
    tree = None
    if pieces is not None:
        tree = {
            "piece_bytes": pieces.piece_bytes,
            "pieces": len(pieces.leaves),
            "root": pieces.root,
            "list": chapter.pieces_path,
        }
    return {
        "name": chapter.name,
        "path": chapter.path,
        "bytes": chapter.bytes,
        "sha256": chapter.sha256,
        "merkle": tree,
        "private_tags": dict(chapter.private_tags),
    }


def freshness(shown: Document | None, given: Document | None) -> Document | None:
    """Say what the challenge proves.

    Parameters
    ----------
    shown : dict or None
        ``challenge`` of ``spin.json``: what the camera saw.
    given : dict or None
        ``challenge.json``: what somebody handed out.

    Returns
    -------
    dict or None
        ``filmed_after`` is set when the camera saw the challenge that was handed out, or,
        when nothing was given, any challenge; then ``by`` and ``public`` are null.
    """
    if given is None and shown is None:
        return None
    text = given["text"] if given is not None else shown["text"] if shown is not None else ""
    challenge = read_challenge(text)
    seen = shown is not None and shown["text"] == text
    return {
        "text": text,
        "made": None if challenge is None else challenge.made,
        "by": None if given is None else given["by"],
        "public": None if given is None else given["public"],
        "shown": seen,
        "first_s": shown["first_s"] if seen and shown is not None else None,
        "last_s": shown["last_s"] if seen and shown is not None else None,
        "filmed_after": challenge.made if seen and challenge is not None else None,
    }


def challenge_document(text: str, *, by: str | None, public: str | None) -> Document:
    """Draw up ``challenge.json``: what was handed out, by whom, drawn from what."""
    challenge = read_challenge(text)
    if challenge is None:
        raise ValueError(f"not a challenge: {plain(text)}")
    if public is not None and public_code(public) != challenge.code:
        raise ValueError("the code does not follow from the public words")
    return {
        "schema": CHALLENGE_SCHEMA,
        "text": text,
        "words": list(challenge.words),
        "made": challenge.made,
        "by": by,
        "public": public,
    }


def read_document(data: bytes, schema: str, *, in_canonical_form: bool = False) -> Document:
    """Read a JSON document and check it against its schema.

    Raises
    ------
    ValueError
        It is no strict JSON, does not follow the schema, or (where asked) is not in the
        canonical form of RFC 8785.
    """
    document = read_json(data)
    check_schema(document, schema)
    if in_canonical_form and canonical.dumps(document) != data:
        raise ValueError("it is not in canonical form")
    found: Document = document
    return found
