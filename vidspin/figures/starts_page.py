"""The starts as one page for a browser: everything in the file, no script, nothing from outside."""

from __future__ import annotations

import math
from html import escape

from vidspin.figures.style import BLUE, FAINT, INK, QUIET
from vidspin.wording import alone, percent
from vidspin.workshop.starts import Starts
from vidspin.workshop.telling import confounded_lines, contrast_line, together_lines

_CSS = f"""
body {{ font: 16px/1.5 Verdana, Arial, sans-serif; color: {INK}; max-width: 75rem;
  margin: 2rem auto; padding: 0 1rem; }}
h1 {{ font-size: 1.6rem; }} h2 {{ font-size: 1.2rem; margin-top: 2rem; }}
table {{ border-collapse: collapse; }} caption {{ text-align: left; color: {QUIET}; }}
th, td {{ padding: .3rem .8rem .3rem 0; border-bottom: 1px solid {FAINT}; text-align: left;
  vertical-align: top; }}
td.n, th.n {{ text-align: right; font-variant-numeric: tabular-nums; }}
th {{ color: {BLUE}; }} figure {{ margin: 1rem 0; }}
.wide {{ overflow-x: auto; max-width: 100%; }}
svg {{ width: 100%; min-width: 44rem; height: auto; }}
body {{ overflow-wrap: break-word; }}
"""


def starts_page(found: Starts, svg: bytes, *, version: str) -> str:
    """Write the page.

    Parameters
    ----------
    found : Starts
    svg : bytes
        The figure of `starts_figure`.
    version : str
        Of the program.

    Returns
    -------
    str
        HTML 5; names and facts from files are escaped.
    """
    by = f" by {found.by}" if found.by else ""
    picture = svg.decode("utf-8")
    picture = picture[picture.index("<svg") :]
    parts = [
        f"<h1>Release speeds{escape(by)}</h1>",
        f"<p>Bins: {escape(found.rule)}.</p>",
        f"<figure>{_wide(picture, 'histograms of the release speeds')}</figure>",
        "<h2>Groups</h2>", _groups(found),
    ]  # fmt: skip
    if found.contrasts:
        items = "".join(f"<li>{escape(contrast_line(pair))}</li>" for pair in found.contrasts)
        parts += ["<h2>Groups compared</h2>", f"<ul>{items}</ul>", *_remarks(found)]
    if found.doubted:
        parts += ["<h2>Counted, but look at them first</h2>", _doubted(found)]
    if found.left_out:
        parts += ["<h2>Left out, not binned</h2>", _left_out(found)]
    parts += ["<h2>Single starts</h2>", _single(found)]
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>Release speeds{escape(by)}</title>\n<style>{_CSS}</style>\n</head>\n<body>\n"
        + "\n".join(parts)
        + f"\n<p>Made by vidspin {escape(version)}.</p>\n</body>\n</html>\n"
    )


def _table(heads: list[str], rows: list[list[str]], *, numbers: set[int]) -> str:
    def row(cells: list[str], tag: str) -> str:
        marks = (' class="n"' if k in numbers else "" for k in range(len(cells)))
        scope = ' scope="col"' if tag == "th" else ""
        return "".join(
            f"<{tag}{mark}{scope}>{escape(cell)}</{tag}>"
            for mark, cell in zip(marks, cells, strict=True)
        )

    body = "".join(f"<tr>{row(cells, 'td')}</tr>" for cells in rows)
    head = f"<thead><tr>{row(heads, 'th')}</tr></thead>"
    return _wide(f"<table>{head}<tbody>{body}</tbody></table>", f"table: {', '.join(heads)}")


def _wide(inner: str, words: str) -> str:
    """Let what is wider than the screen scroll by itself, also by keys."""
    label = f'tabindex="0" role="group" aria-label="{escape(words)}"'
    return f'<div class="wide" {label}>{inner}</div>'


def _groups(found: Starts) -> str:
    rows = []
    for g in found.groups:
        interval = "too few"
        if math.isfinite(g.median_low):
            interval = f"{g.median_low:.1f} to {g.median_high:.1f} ({100 * g.median_level:.1f} %)"
        deviation = f"{g.deviation:.1f}" if math.isfinite(g.deviation) else "–"
        row = [g.label, f"{len(g.rpm)}", f"{g.median:.1f}", interval, f"{g.mean:.1f}", deviation]
        rows.append(row)
    heads = [
        "group", "starts", "median, rev/min", "its interval", "mean", "deviation",
    ]  # fmt: skip
    return _table(heads, rows, numbers={1, 2, 3, 4, 5})


def _remarks(found: Starts) -> list[str]:
    words = together_lines([math.isfinite(pair.p) for pair in found.contrasts])
    words += confounded_lines(found.by, found.also_different)
    return [f"<p>{escape(line)}.</p>" for line in words]


def _doubted(found: Starts) -> str:
    return _table(["attempt", "why"], [[d.name, d.why] for d in found.doubted], numbers=set())


def _left_out(found: Starts) -> str:
    rows = [
        [o.name, o.group, o.why, ", ".join(f"{r:.0f} ({percent(p)})" for r, p in o.candidates)]
        for o in found.left_out
    ]
    return _table(["attempt", "group", "why", "could be, rev/min"], rows, numbers=set())


def _single(found: Starts) -> str:
    rows = [
        [name, group.label, f"{rpm:.2f}", alone(u95)]
        for group in found.groups
        for name, rpm, u95 in zip(group.names, group.rpm, group.u95_rpm, strict=True)
    ]
    return _table(["attempt", "group", "rev/min", "u95"], rows, numbers={2, 3})
