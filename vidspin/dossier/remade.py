"""Are the reports in a dossier what is made of its files?

The pages that people read are drawn up from files that lie beside them, and the same build makes
the same words of the same files.  So they are made once more and compared: what is said, how it is
shown, and the pictures.  Libraries of another version may break the pages of the paper elsewhere,
or round the last step of a drawn line otherwise; neither counts.
"""

from __future__ import annotations

import base64
import binascii
import io
import json
import logging
import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from html.parser import HTMLParser
from itertools import chain, takewhile, zip_longest
from typing import Any

import cv2
import numpy as np
import pypdf

from vidspin.dossier.consistency import Disagreement
from vidspin.wording import plain

# Of a drawing: a rounded place may differ in its last digit on another machine.
GEOMETRY = {
    "d", "points", "x", "y", "x1", "y1", "x2", "y2", "cx", "cy", "r", "width", "height",
    "transform",
}  # fmt: skip
DRAWN = 0.2  # px
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")
NEAR, NEARLY = 2e-6, 1e-5  # absolute, relative: numbers that a page draws from, rounded for it
SHOWN = 60  # letters of a passage that are told
BLOCK, BLOCK_GREY = 8, 6.0  # px, grey levels: decoders differ by two
_LATIN, _SIGNS = 0x250, frozenset("–—‘’“”…±×−·←→↑↓≤≥°′″‰•✓✗▲●○Ω⁻")
_FOOT = ["Evidence", "report:"]  # begins the words at the foot of a page
_NUMBERING = re.compile(r"\bpage\s+\d+\s+of\s+\d+\s*$")  # ends them
# Heads of the tables of the paper: they stand once more where a table goes on on another page.
HEADS = tuple(
    tuple(head.split())
    for head in (
        "what value", "what state what it rests on", "check answer figure what it means",
        "alias order speed, rev/min direction probability share needs readout",
        "source type u, rev/min share what it is", "source 95 %, half width what it is",
        "file bytes SHA-256",
    )
)  # fmt: skip
# Those heads, and in the contents the dots and the page behind a title.
_BREAKS = re.compile(
    "|".join([*(rf"(?<= ){re.escape(' '.join(head))}(?= )" for head in HEADS),
              r"(?<= )\.(?: ?\.){2,} \d+(?= )"])
)  # fmt: skip
MOST_TIMES = 3  # of its words; a paper with more of them is compared by their counts alone
_DATA = re.compile(r"data:image/[a-z]+;base64,([A-Za-z0-9+/=]+)")


@dataclass(frozen=True, slots=True)
class _Piece:
    """A tag, a stretch of text, or what a script or a style holds."""

    kind: str  # "tag", "text", "code" or "data"
    says: str


class _Pieces(HTMLParser):
    """Takes a page apart; pictures by themselves."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.pieces: list[_Piece] = []
        self.pictures: list[bytes] = []
        self.geometry: list[list[float]] = []
        self._code = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = []
        for name, value in attrs:
            found = _DATA.fullmatch(value or "")
            if found is not None:
                self.pictures.append(found[1].encode())
                said.append(f"{name}=picture")
            elif name in GEOMETRY:
                said.append(f"{name}={_NUMBER.sub('#', value or '')}")
                self.geometry.append([float(one) for one in _NUMBER.findall(value or "")])
            else:
                said.append(f"{name}={value}")
        self.pieces.append(_Piece("tag", f"<{tag} {' '.join(said)}>"))
        if tag in ("script", "style"):
            self._code = "data" if ("type", "application/json") in attrs else "code"

    def handle_endtag(self, tag: str) -> None:
        self.pieces.append(_Piece("tag", f"</{tag}>"))
        self._code = ""

    def handle_data(self, data: str) -> None:
        if self._code or data.strip():
            self.pieces.append(_Piece(self._code or "text", data))

    def handle_decl(self, decl: str) -> None:
        self.pieces.append(_Piece("tag", f"<!{decl}>"))

    def unknown_decl(self, data: str) -> None:
        self.pieces.append(_Piece("tag", f"<![{data}"))

    def handle_pi(self, data: str) -> None:
        self.pieces.append(_Piece("tag", f"<?{data}"))


def in_page(made: bytes, found: bytes, name: str) -> Iterator[Disagreement]:
    """Compare a page with the one that is made of the same files.

    Parameters
    ----------
    made, found : bytes
        HTML as it is made now, and as it lies in the dossier.
    name : str
        File name of the page.
    """
    try:
        ours, theirs = _taken_apart(made), _taken_apart(found)
    except (ValueError, AssertionError) as error:
        yield Disagreement(name, f"it is damaged ({plain(str(error))})")
        return
    for kinds in (("text",), ("text", "code", "data", "tag")):  # words tell most
        want, have = ([p for p in side.pieces if p.kind in kinds] for side in (ours, theirs))
        for one, other in zip_longest(want, have):
            if not _same(one, other):
                yield Disagreement(name, _told(one, other))
                return  # what follows is out of step
    due, drawn = list(chain(*ours.geometry)), list(chain(*theirs.geometry))
    near = (abs(one - other) <= DRAWN for one, other in zip(due, drawn, strict=False))
    if len(due) != len(drawn) or not all(near):
        yield Disagreement(
            name, "what is drawn on it lies elsewhere than the dossier's files make it"
        )
    alike = (_same_picture(a, b) for a, b in zip(ours.pictures, theirs.pictures, strict=True))
    for number, same in enumerate(alike, 1):
        if not same:
            says = f"picture {number} of it is not the one that the dossier's files make"
            yield Disagreement(name, says)


def _taken_apart(page: bytes) -> _Pieces:
    reader = _Pieces()
    reader.feed(page.decode("utf-8"))
    reader.close()
    return reader


def _same(one: _Piece | None, other: _Piece | None) -> bool:
    if one is None or other is None or one.kind != other.kind:
        return False
    if one.kind != "data":
        return one.says == other.says
    try:
        return _same_data(json.loads(one.says), json.loads(other.says))
    except (ValueError, RecursionError):
        return False


def _same_data(one: Any, other: Any) -> bool:
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_same_data(one[k], other[k]) for k in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same_data, one, other))
    if isinstance(one, float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=NEARLY, abs_tol=NEAR)
    return type(one) is type(other) and one == other


def _told(one: _Piece | None, other: _Piece | None) -> str:
    """Say where a page first differs."""
    if other is not None and other.kind == "text":
        where = f" where its files make {_short(one.says)}" if one is not None else ""
        return f"it says {_short(other.says)}{where}"
    if one is not None and one.kind == "text":
        return f"it ends before {_short(one.says)}, which the dossier's files make"
    what = {"code": "script or style", "data": "data"}.get(other.kind if other else "", "build")
    return f"its {what} is not what the dossier's files make"


def _short(text: str) -> str:
    text = plain(" ".join(text.split()))
    return repr(text if len(text) <= SHOWN else f"{text[:SHOWN]}…")


def _same_picture(one: bytes, other: bytes) -> bool:
    """Whether two pictures show the same, as far as an encoder of another version may differ."""
    if one == other:
        return True
    a, b = _decoded(one), _decoded(other)
    if a is None or b is None or a.shape != b.shape:
        return False
    apart = cv2.absdiff(a, b).max(axis=2).astype(np.float32)
    return float(cv2.blur(apart, (BLOCK, BLOCK)).max()) <= BLOCK_GREY


def _decoded(coded: bytes) -> Any:
    try:
        data = base64.b64decode(coded, validate=True)
    except binascii.Error:
        return None
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) if data else None


def in_paper(made: bytes, found: bytes, name: str) -> Iterator[Disagreement]:
    """Compare the words of the paper with those that are made of the same files.

    Parameters
    ----------
    made, found : bytes
        PDF as it is made now, and as it lies in the dossier.
    name : str
        File name of the paper.

    Raises
    ------
    ValueError
        Its words are those, and what else differs need mean nothing: letters that one machine sets
        and another one writes as code points; or, where such letters are in it or another library
        has set it, the number of pages and the order of the words.

    Notes
    -----
    The words of all pages are one stream, without what depends on where the pages break: their
    feet, heads of tables that go on, page numbers in the contents.
    """
    ours = _texts(made)
    try:
        theirs = _texts(found)
    except Exception:  # noqa: BLE001 - the library raises whatever it stumbles over; told already
        return
    foot = _foot(ours)
    want, have = _stream(ours, foot), _stream(theirs, foot)
    added, missing = _apart(want, have)
    if (added or missing) and _plain_words(want) == _plain_words(have):
        raise ValueError("letters in it that are not in the fonts of every machine")
    if added or missing:
        says = [f"it says {_short(' '.join(added))}"] if added else []
        says += [f"it does not say {_short(' '.join(missing))}"] if missing else []
        yield Disagreement(name, f"{' and '.join(says)}, unlike the paper that its files make")
        return
    counts = len(theirs), len(ours)
    may_differ = set_by(made) != set_by(found) or not _in_our_fonts(want)
    if may_differ and counts[0] != counts[1]:
        says_so = f"{counts[0]} pages, {counts[1]} when it is made here, with the same words"
        raise ValueError(says_so)
    if counts[0] != counts[1]:
        yield Disagreement(
            name, f"it has {counts[0]} pages, and the dossier's files make {counts[1]}"
        )
    elif "".join(want) != "".join(have):
        start = next(
            k for k, (one, other) in enumerate(zip(want, have, strict=False)) if one != other
        )
        elsewhere = f"the same words in another order, from {_short(' '.join(have[start:]))} on"
        if may_differ:
            raise ValueError(elsewhere)
        yield Disagreement(name, f"it has {elsewhere}")


def _foot(texts: Sequence[str]) -> list[str]:
    """Find the words at the foot of every page, before the number of the page."""
    pages = [_NUMBERING.sub("", text).split() for text in texts]
    alike = takewhile(lambda words: len(set(words)) == 1, zip(*map(reversed, pages), strict=False))
    foot = [words[0] for words in alike][::-1]
    first = next((k for k in range(len(foot)) if foot[k : k + len(_FOOT)] == _FOOT), len(foot))
    return foot[first:]


def _stream(texts: Sequence[str], foot: Sequence[str]) -> list[str]:
    """Gather the words of all pages, without what depends on where they break."""
    stream: list[str] = []
    for text in texts:
        words = _NUMBERING.sub("", text).split()
        stream += words[: -len(foot)] if foot and words[-len(foot) :] == list(foot) else words
    return _BREAKS.sub(" ", f" {' '.join(stream)} ").split()


def _apart(want: Sequence[str], have: Sequence[str]) -> tuple[list[str], list[str]]:
    """List the words that were added and those that are missing, wherever they stand.

    A long word that was broken elsewhere is still the same word.
    """
    if Counter(want) == Counter(have):
        return [], []
    if len(have) > MOST_TIMES * len(want):  # to compare places would take hours
        return list((Counter(have) - Counter(want)).elements()), []
    added: Counter[str] = Counter()
    missing: Counter[str] = Counter()
    for kind, a, b, c, d in SequenceMatcher(None, want, have, autojunk=False).get_opcodes():
        if kind != "equal" and "".join(want[a:b]) != "".join(have[c:d]):
            missing.update(want[a:b])
            added.update(have[c:d])
    return list((added - missing).elements()), list((missing - added).elements())


def _plain_words(words: Sequence[str]) -> Counter[str]:
    """Count the words of letters and signs that the fonts brought along have."""
    return Counter(word for word in words if _in_our_fonts([word]))


def _in_our_fonts(words: Sequence[str]) -> bool:
    """Whether the fonts brought along have all letters and signs of these words."""
    return all(
        "[U+" not in word and all(ord(c) < _LATIN or c in _SIGNS for c in word) for word in words
    )


def _texts(paper: bytes) -> Sequence[str]:
    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # it tells of each oddity otherwise
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(paper)).pages]


def set_by(paper: bytes) -> str:
    """Name the library that says it has set a paper; nothing where it does not say so."""
    try:
        stated = pypdf.PdfReader(io.BytesIO(paper)).metadata
        return str(stated.creator or "") if stated else ""
    except Exception:  # the library raises whatever it stumbles over
        return ""
