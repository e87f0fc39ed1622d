"""How is text from files made harmless? Names, titles and tags are data, never layout.

What a text may hold and a reader cannot see (control characters, terminal escapes, marks that
turn the direction of writing round) is written out as its code point, so that nobody is misled
and nothing is lost.
"""

from __future__ import annotations

import unicodedata
from typing import Any

# Longest text from a file that is printed whole; the exact one is in spin.json.
LONGEST = 400
# Longest run without a place to break a line: it fits into the narrowest column, and no word
# of the report is longer.
LONGEST_RUN = 20
BREAK = "\u200b"

# Invisible characters that Unicode does not count as controls: they change the direction or the
# look of their neighbours, or hide text.  Joiners (U+200C, U+200D) stay: some scripts need them.
_MISLEADING = frozenset(
    [
        *(0x00AD, 0x034F, 0x061C, 0x115F, 0x1160, 0x17B4, 0x17B5, 0x180E, 0x200B, 0x200E, 0x200F),
        *range(0x2028, 0x2030),
        *range(0x2060, 0x2070),
        *(0x3164, 0xFEFF, 0xFFA0, *range(0xFFF0, 0xFFFC)),
        *range(0xE0000, 0xE1000),
    ]
)
_UNSEEN = frozenset(["Cc", "Cs", "Cn", "Co"])  # controls, lone surrogates, not assigned, private


def plain(text: object, *, longest: int = LONGEST) -> str:
    """Return text with everything unseen written out.

    Parameters
    ----------
    text : object
        Anything from a file; turned into a string first.
    longest : int
        Longer texts are cut, and say so.

    Returns
    -------
    str
        One line of visible characters.  Line ends and tabs become spaces; other controls, marks
        of direction, lone surrogates and unassigned characters become ``[U+202E]``.
    """
    source = str(text)
    cut = source[:longest]
    written = "".join(_visible(character) for character in cut)
    written = " ".join(written.split(" ")).strip()
    return f"{written} [… {len(source)} characters]" if len(source) > longest else written


def _visible(character: str) -> str:
    if character in "\n\r\t\v\f":
        return " "
    code = ord(character)
    if unicodedata.category(character) in _UNSEEN or code in _MISLEADING:
        return f"[U+{code:04X}]"
    return " " if character.isspace() else character


def cleaned(value: Any) -> Any:
    """Return a JSON value with `plain` text in place of every text and key in it."""
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, dict):
        return {plain(key): cleaned(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [cleaned(inner) for inner in value]
    return value


def breakable(text: str) -> str:
    """Put places to break a line into runs without a space (hashes, names)."""
    words = []
    for word in text.split(" "):
        parts = [word[i : i + LONGEST_RUN] for i in range(0, len(word), LONGEST_RUN)]
        words.append(BREAK.join(parts))
    return " ".join(words)


def code_points(text: str, lacking: str | None = None) -> str:
    """Write characters that no font has as code points: the last resort.

    Parameters
    ----------
    text : str
        Any text.
    lacking : str, optional
        Characters known to be lacking; one from the scripts of East Asia or beyond stands for
        all of them.  Without it everything but Latin-1 and the signs of the report is written so.
    """
    far = lacking is not None and any(ord(character) >= _FAR for character in lacking)

    def shown(character: str) -> bool:
        if lacking is None:
            return ord(character) < 0x100 or character in _SIGNS
        return character not in lacking and not (far and ord(character) >= _FAR)

    return "".join(c if shown(c) else f"[U+{ord(c):04X}]" for c in text)


_FAR = 0x2E80  # radicals, ideographs, syllables, pictures
_SIGNS = frozenset("–—‘’“”…−×÷±°µΩ·⁻³²→←↑↓✓✗▲●○≤≥\u200b\u202f")
