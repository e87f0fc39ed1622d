"""Which pieces is the page built of? Tables, figures, pictures; text in, markup out."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape

from vidspin.report.data import StillPicture
from vidspin.report.pixels import jpeg_size
from vidspin.report.story import Figure


def bdi(text: str) -> str:
    """Escape a text from a file and keep its direction of writing to itself."""
    return f"<bdi>{escape(text)}</bdi>"


def section(key: str, title: str, body: str) -> str:
    """Set a part of the report with its heading."""
    return (
        f'<section id="{key}" aria-labelledby="{key}-title">'
        f'<h2 id="{key}-title">{escape(title)}</h2>\n{body}</section>'
    )


def definitions(figures: Iterable[Figure], css: str) -> str:
    """Set figures as cards."""
    cards = []
    for figure in figures:
        note = f'<dd class="quiet small">{bdi(figure.note)}</dd>' if figure.note else ""
        cards.append(
            f'<div><dt>{escape(figure.label)}</dt><dd class="value">{bdi(figure.value)}</dd>'
            f"{note}</div>"
        )
    return f'<dl class="{css}">{"".join(cards)}</dl>'


def table(  # noqa: PLR0913 - the look of a table, each by keyword
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    numbers: Sequence[int] = (),
    caption: str = "",
    bad: Sequence[bool] = (),
    key: str = "",
    css: str = "",
) -> str:
    """Set a table; the first cell of a row heads it, a last one reaches to the end of the row.

    Parameters
    ----------
    head : sequence of str
        Plain words for the columns.
    rows : sequence of sequence of str
        Markup of the cells.
    numbers : sequence of int
        Columns that are set flush right.
    caption : str
        Plain words above the table.
    bad : sequence of bool
        Rows that are to stand out.
    key : str
        Gives every row the id ``key-number``.
    css : str
        Class of the table.
    """
    flush = {column: ' class="n"' for column in numbers}
    titles = "".join(
        f'<th scope="col"{flush.get(i, "")}>{escape(word)}</th>' if word else "<td></td>"
        for i, word in enumerate(head)
    )
    lines = []
    for number, row in enumerate(rows):
        cells = "".join(_cell(row, i, head, flush.get(i, "")) for i in range(1, len(row)))
        place = f' id="{key}-{number}" tabindex="-1"' if key else ""
        mark = ' class="bad"' if number < len(bad) and bad[number] else ""
        first = f'<th scope="row"{flush.get(0, "")}>{row[0]}</th>'
        lines.append(f"<tr{place}{mark}>{first}{cells}</tr>")
    above = f"<caption>{escape(caption)}</caption>" if caption else ""
    return (
        f'<div class="scroll" tabindex="0" role="group" aria-label="{escape(caption or head[0])}">'
        f'<table class="{f"stack {css}".strip()}">{above}<thead><tr>{titles}</tr></thead>'
        f"<tbody>{''.join(lines)}</tbody></table></div>"
    )


def _cell(row: Sequence[str], column: int, head: Sequence[str], flush: str) -> str:
    """Set one cell; the last of a short row spans what is left."""
    span = max(1, len(head) - column) if column == len(row) - 1 else 1
    wide = f' colspan="{span}"' if span > 1 else ""
    title = f' data-head="{escape(head[column])}"' if head[column] and span == 1 else ""
    return f"<td{flush}{wide}{title}>{row[column]}</td>"


def bar(share: float) -> str:
    """Draw a share as a bar; the number stands beside it in words."""
    width = 100 * min(max(share, 0.0), 1.0)
    return f'<span class="share"><span class="bar" style="width:{width:.1f}%"></span></span>'


def data_url(jpeg: bytes) -> str:
    """Write a JPEG file as an address that needs no network."""
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")


def picture(jpeg: bytes, words: str) -> str:
    """Set a drawn picture, which scrolls sideways on narrow screens."""
    width, height = jpeg_size(jpeg)
    return (
        f'<figure><div class="scroll" tabindex="0" role="group" aria-label="{escape(words)}">'
        f'<img class="plate" loading="lazy" decoding="async" width="{width}" height="{height}" '
        f'alt="{escape(words)}" src="{data_url(jpeg)}"></div>'
        f"<figcaption>{escape(words)}</figcaption></figure>"
    )


def still_list(stills: Iterable[tuple[StillPicture, str, str, str]]) -> str:
    """Set stills side by side: still, instant, remark, and its side of the event or nothing."""
    items = []
    for still, when, remark, side in stills:
        width, height = jpeg_size(still.jpeg)
        told = f"{when}, {remark}" if remark else when
        css = f' class="{side}"' if side in ("within", "after") else ""
        items.append(
            f'<li{css}><figure><img loading="lazy" decoding="async" width="{width}" '
            f'height="{height}" alt="Frame at {escape(told)}" src="{data_url(still.jpeg)}">'
            f"<figcaption><b>{escape(when)}</b>{escape(remark)}</figcaption></figure></li>"
        )
    return f'<ul class="strip">{"".join(items)}</ul>'
