"""The challenge card: one page to be held in front of the camera."""

from __future__ import annotations

import io
from typing import Any

import segno

from vidspin.challenge import Challenge

_PAGE_IN = (8.27, 11.69)  # A4
_CODE_IN = 7.0  # with its quiet zone: 178 mm
_QUIET_MODULES = 4
_FORMATS = {".pdf": "pdf", ".png": "png", ".svg": "svg"}
_WORDS_A_LINE = 5
_INSTRUCTIONS = (
    "Before the attempt, in the same unbroken shot: hold this page before the camera, flat and",
    "in focus, so that the code fills a third of the picture's height, for five seconds; read",
    "the words aloud. Do it again at the end. Whoever made the code keeps the file beside it.",
)


def card_formats() -> tuple[str, ...]:
    """Return the endings of the files that `challenge_card` can make."""
    return tuple(_FORMATS)


def challenge_card(challenge: Challenge, *, by: str = "", ending: str = ".pdf") -> bytes:
    """Draw the card.

    Parameters
    ----------
    challenge : Challenge
        What the code holds.
    by : str
        Role of whoever made it; printable text.
    ending : str
        One of `card_formats`.

    Returns
    -------
    bytes
        A page of A4; the same for the same challenge.
    """
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context({"svg.hashsalt": challenge.text, "pdf.fonttype": 42}):
        figure = Figure(figsize=_PAGE_IN, facecolor="white")
        figure.text(0.5, 0.955, "CHALLENGE", ha="center", size=22, weight="bold")
        made = f"made {challenge.made[:10]} {challenge.made[11:16]} UTC"
        figure.text(
            0.5, 0.925, f"{made}, by {by}" if by else made, ha="center", size=14, parse_math=False
        )
        left, height = 0.5 - _CODE_IN / _PAGE_IN[0] / 2, _CODE_IN / _PAGE_IN[1]
        axes = figure.add_axes((left, 0.915 - height, _CODE_IN / _PAGE_IN[0], height))
        _draw_code(axes, challenge.text)
        figure.text(
            0.5, 0.272, challenge.letters, ha="center", size=29, weight="bold", family="monospace"
        )
        words = challenge.words
        for number in range(0, len(words), _WORDS_A_LINE):
            line = "   ".join(words[number : number + _WORDS_A_LINE])
            y = 0.222 - 0.042 * (number // _WORDS_A_LINE)
            figure.text(0.5, y, line, ha="center", size=21)
        for number, line in enumerate(_INSTRUCTIONS):
            figure.text(0.5, 0.125 - 0.019 * number, line, ha="center", size=10.5)
        figure.text(0.5, 0.045, challenge.text, ha="center", size=10, family="monospace")
        return _written(figure, _FORMATS[ending])


def _draw_code(axes: Any, text: str) -> None:
    """Draw the dark modules as one shape, each run of a row a rectangle."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    code = segno.make(text, error="h", micro=False, boost_error=False)
    rows = [list(row) for row in code.matrix]
    corners: list[tuple[float, float]] = []
    for y, row in enumerate(rows):
        starts = [x for x, on in enumerate(row) if on and (x == 0 or not row[x - 1])]
        for x in starts:
            end = next((k for k in range(x, len(row)) if not row[k]), len(row))
            corners += [(x, y), (end, y), (end, y + 1), (x, y + 1), (x, y)]
    steps = [Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY]
    path = Path(corners, steps * (len(corners) // len(steps)))
    axes.add_patch(PathPatch(path, facecolor="black", edgecolor="black", linewidth=0.1))
    axes.set_xlim(-_QUIET_MODULES, len(rows) + _QUIET_MODULES)
    axes.set_ylim(len(rows) + _QUIET_MODULES, -_QUIET_MODULES)
    axes.set_aspect("equal")
    axes.axis("off")


def _written(figure: Any, kind: str) -> bytes:
    dates: dict[str, dict[str, None]] = {
        "pdf": {"CreationDate": None, "ModDate": None},
        "svg": {"Date": None},
    }
    target = io.BytesIO()
    figure.savefig(target, format=kind, dpi=150, metadata=dates.get(kind))
    return target.getvalue()
