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
from itertools import accumulate, chain, takewhile, zip_longest
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
        "source type u, rev/min dof share what it is", "source 95 %, half width what it is",
        "file bytes SHA-256",
    )
)  # fmt: skip
_HEADS_BY_FIRST = {head[0]: [one for one in HEADS if one[0] == head[0]] for head in HEADS}
CONTENTS = "Contents"  # heads the list of the parts of the paper
LONGEST_TITLE, LONGEST_PAGE = 12, 3  # words of a title in it, digits of the page behind it
# Steps of comparing words by place, some seconds; where it takes more, they are counted alone.
MOST_STEPS = 10_000_000
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


def _once(words: Sequence[str]) -> str:
    """Put words into a line, each once: one at the foot of every page comes as often."""
    seen: set[str] = set()
    kept = []
    for word in words:
        if word not in seen or not any(map(str.isalnum, word)):
            kept.append(word)
        seen.add(word)
    return " ".join(kept)


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
        and another one writes as code points; or, where such letters are in it or it says that
        another library has set it, the number of pages and the order of the words within a part.

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
    titles = _titles(want)
    want, have = _without_leaders(want, titles), _without_leaders(have, titles)
    added, missing = _apart(want, have)
    if (added or missing) and _plain_words(want) == _plain_words(have):
        raise ValueError("letters in it that are not in the fonts of every machine")
    if added or missing:
        says = [f"it says {_short(_once(added))}"] if added else []
        says += [f"it does not say {_short(_once(missing))}"] if missing else []
        yield Disagreement(name, f"{' and '.join(says)}, unlike the paper that its files make")
        return
    ordered = "".join(want) == "".join(have)
    # Who has set a paper is only what it says of itself, so that much must hold whoever did.
    strayed = "" if ordered else _strayed(want, have, titles)
    differs = ""
    if strayed:
        differs = f"the same words in another order, {strayed}"
    elif len(theirs) != len(ours):
        differs = f"{len(theirs)} pages, {len(ours)} when it is made here, with the same words"
    elif not ordered:
        pairs = enumerate(zip(want, have, strict=False))
        start = next((k for k, (one, other) in pairs if one != other), 0)
        differs = f"the same words in another order, from {_short(' '.join(have[start:]))} on"
    if not differs:
        return
    if not strayed and (set_by(made) != set_by(found) or not _in_our_fonts(want)):
        raise ValueError(differs)
    yield Disagreement(name, f"it has {differs}")


def _foot(texts: Sequence[str]) -> list[str]:
    """Find the words at the foot of every page, before the number of the page."""
    pages = [_NUMBERING.sub("", text).split() for text in texts]
    alike = takewhile(lambda words: len(set(words)) == 1, zip(*map(reversed, pages), strict=False))
    foot = [words[0] for words in alike][::-1]
    first = next((k for k in range(len(foot)) if foot[k : k + len(_FOOT)] == _FOOT), len(foot))
    return foot[first:]


def _stream(texts: Sequence[str], foot: Sequence[str]) -> list[str]:
    """Gather the words of all pages, without their feet and the heads of tables."""
    stream: list[str] = []
    for text in texts:
        words = _NUMBERING.sub("", text).split()
        stream += words[: -len(foot)] if foot and words[-len(foot) :] == list(foot) else words
    return list(_without_heads(stream))


def _without_heads(words: Sequence[str]) -> Iterator[str]:
    at = 0
    while at < len(words):
        for head in _HEADS_BY_FIRST.get(words[at], ()):
            if tuple(words[at : at + len(head)]) == head:
                at += len(head)
                break
        else:
            yield words[at]
            at += 1


def _titles(words: Sequence[str]) -> list[tuple[str, ...]]:
    """List the titles in the contents, as far as they head a part elsewhere."""
    for head in (k for k, word in enumerate(words) if word == CONTENTS):
        titles, at = [], head + 1
        while (entry := _entry(words, at)) is not None:
            title, at = entry
            titles.append(title)
        if titles:
            rest = f" {' '.join(words[:head])} {CONTENTS} {' '.join(words[at:])} "
            heads = [f" {' '.join(title)} " in rest for title in titles]
            return titles[: max((k for k, one in enumerate(heads, 1) if one), default=0)]
    return []


def _without_leaders(words: list[str], titles: Sequence[tuple[str, ...]]) -> list[str]:
    """Leave out the dots and the page behind each of these titles in the contents.

    Only there, and only once: a number behind dots anywhere else is one that the paper states.
    """
    for head in (k for k, word in enumerate(words) if word == CONTENTS):
        at, kept = head + 1, [CONTENTS]
        for title in titles:
            entry = _entry(words, at)
            if entry is None or entry[0] != title:
                break
            kept += title
            at = entry[1]
        if len(kept) > 1:
            return words[:head] + kept + words[at:]
    return words


def _entry(words: Sequence[str], at: int) -> tuple[tuple[str, ...], int] | None:
    """Read a title, three dots or more and a page; tell the title and what word comes next."""
    title = tuple(takewhile(lambda word: word.strip("."), words[at : at + LONGEST_TITLE + 1]))
    at += len(title)
    dots = 0
    while at < len(words) and not words[at].strip("."):
        dots += len(words[at])
        at += 1
    page = words[at] if at < len(words) else ""
    fits = page.isascii() and page.isdecimal() and len(page) <= LONGEST_PAGE
    if not 0 < len(title) <= LONGEST_TITLE or dots < 3 or not fits:
        return None
    return title, at + 1


def _strayed(want: Sequence[str], have: Sequence[str], titles: Sequence[tuple[str, ...]]) -> str:
    """Say which part of a paper of the same words has others, or comes in another place."""
    ours, theirs = _parts(want, titles), _parts(have, titles)
    for (title, due), (other, there) in zip_longest(ours, theirs, fillvalue=("", [])):
        if title != other:
            return f"{_short(other)} where its files make {_short(title)}"
        if any(_apart(due, there)):
            return f"under {_short(title)}" if title else "before the first heading"
    return ""


def _parts(words: Sequence[str], titles: Sequence[tuple[str, ...]]) -> list[tuple[str, list[str]]]:
    """Cut the words before every title of a part, wherever it stands."""
    first = {title[0]: [one for one in titles if one[0] == title[0]] for title in titles}
    parts: list[tuple[str, list[str]]] = [("", [])]
    for at, word in enumerate(words):
        for title in first.get(word, ()):
            if tuple(words[at : at + len(title)]) == title:
                parts.append((" ".join(title), []))
        parts[-1][1].append(word)
    return parts


def _apart(want: Sequence[str], have: Sequence[str]) -> tuple[list[str], list[str]]:
    """List the words that were added and those that are missing, wherever they stand.

    A long word that was broken elsewhere is still the same word.
    """
    due, there = Counter(want), Counter(have)
    if due == there or "".join(want) == "".join(have):
        return [], []
    blocks = _alike(want, have)
    if blocks is None:
        return list((there - due).elements()), list((due - there).elements())
    added: Counter[str] = Counter()
    missing: Counter[str] = Counter()
    a = c = 0
    for b, d, size in blocks:
        if "".join(want[a:b]) != "".join(have[c:d]):
            missing.update(want[a:b])
            added.update(have[c:d])
        a, c = b + size, d + size
    return list((added - missing).elements()), list((missing - added).elements())


def _alike(want: Sequence[str], have: Sequence[str]) -> list[tuple[int, int, int]] | None:
    """Find the stretches that both have, as `SequenceMatcher`; None where it takes too long.

    Looking for one costs a step for every pair of equal words, and a paper can be made of one word.
    """
    count = Counter(have)
    pairs = list(accumulate((count[word] for word in want), initial=0))
    matcher = SequenceMatcher(None, want, have, autojunk=False)
    blocks = [(len(want), len(have), 0)]
    steps, left = 0, [(0, len(want), 0, len(have))]
    while left:
        a, b, c, d = left.pop()
        steps += pairs[b] - pairs[a]
        if steps > MOST_STEPS:
            return None
        found = matcher.find_longest_match(a, b, c, d)
        if found.size:
            blocks.append((found.a, found.b, found.size))
            left.append((a, found.a, c, found.b))
            left.append((found.a + found.size, b, found.b + found.size, d))
    return sorted(blocks)


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
