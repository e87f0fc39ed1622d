"""What figures drawn with the plotting library share: style, and PNG and SVG of one drawing."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from vidspin.figures.paper import encode_png
from vidspin.figures.style import FAINT, INK, QUIET, WIDTH_PX, time_ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DPI = 100
STYLE: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 11,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "svg.fonttype": "none",  # words stay words: they can be searched, read aloud, translated
    "svg.hashsalt": "vidspin",  # the same result gives the same file
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
}
_NEAR_EDGE = 0.012  # of an axis: half of "0:12:00" is 31 px, the margin 26 px of 1066
# Where DejaVu Sans is not installed, an SVG is shown in the viewer's own sans-serif.
_SVG_FONTS = "'DejaVu Sans', Verdana, Arial, sans-serif"


def render(
    name: str, draw: Callable[[Figure], None], *, height_px: int, title: str, description: str
) -> dict[str, bytes]:
    """Draw once, give a PNG (1200 px wide) and an SVG.

    Parameters
    ----------
    name : str
        File name without its ending.
    draw : callable
        Draws on the figure that it is given.
    height_px : int
    title, description : str
        What a screen reader tells of the SVG.

    Returns
    -------
    dict of str to bytes
        File names to contents.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    style: Any = STYLE  # the stubs want every key spelled as a literal
    with mpl.rc_context(style), warnings.catch_warnings():
        # A letter of a name that the typeface lacks shows as a box; nothing to warn about.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure = Figure(figsize=(WIDTH_PX / DPI, height_px / DPI), dpi=DPI)
        canvas: Any = FigureCanvasAgg(figure)
        draw(figure)
        canvas.draw()
        png = encode_png(np.asarray(canvas.buffer_rgba())[:, :, :3])
        svg = io.BytesIO()
        figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": None})
    return {f"{name}.png": png, f"{name}.svg": _described(svg.getvalue(), title, description)}


def _described(svg: bytes, title: str, description: str) -> bytes:
    """Give the SVG a title and a description that a screen reader can tell."""
    text = svg.decode("utf-8").replace("'DejaVu Sans'", _SVG_FONTS)
    words = (
        f'<title id="title">{escape(title)}</title>\n<desc id="desc">{escape(description)}</desc>\n'
    )
    match = re.search(r"(<svg\b[^>]*)>", text)
    if match is None:
        raise RuntimeError("the SVG writer gave no <svg> element")
    marked = match.group(1) + ' role="img" aria-labelledby="title desc">\n'
    return (text[: match.start()] + marked + words + text[match.end() :]).encode()


def panel(figure: Figure, box: tuple[float, float, float, float], *, x: str, y: str) -> Axes:
    """Add a panel with a quiet grid and named axes; `box` is left, bottom, width, height."""
    axes = figure.add_axes(box)
    axes.grid(visible=True, color=FAINT, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    return axes


def time_axis(axes: Axes, start_s: float, end_s: float, *, named: bool = True) -> None:
    """Give a panel an axis of time, in seconds or h:mm:ss; unnamed ones have ticks alone."""
    ticks, words, title = time_ticks(start_s, end_s, most=9)
    axes.set_xticks(ticks, words if named else [""] * len(words))
    axes.set_xlim(start_s, end_s)
    if not named:
        return
    axes.set_xlabel(title)
    for tick, label in zip(ticks.tolist(), axes.get_xticklabels(), strict=True):
        # Centred under a tick at the right edge, h:mm:ss would leave the picture.
        if tick > end_s - _NEAR_EDGE * (end_s - start_s):
            label.set_horizontalalignment("right")


def heading(figure: Figure, title: str, line: str, *, left: float = 0.09) -> None:
    """Write the title and one line of facts at the top of a figure of any height."""
    height = figure.get_size_inches()[1] * DPI
    figure.text(left, 1 - 35 / height, title, fontsize=16, fontweight="bold", color=INK)
    figure.text(left, 1 - 60 / height, line, fontsize=11, color=QUIET)
