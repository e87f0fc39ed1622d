"""What is to be read in the morning: ``overnight.html`` and ``overnight.csv``.

Neither holds a time of day, so that a batch that was broken off and gone on with ends with the
same bytes as one that was not.
"""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Sequence
from html import escape
from urllib.parse import quote

from vidspin.night.clips import SENTENCES, Row, State
from vidspin.wording import at_least, plural, with_u95
from vidspin.workshop.plain import safe_cell

CSV_COLUMNS = (
    "recording", "files", "state", "release_rpm", "u95_rpm", "spin_time_s", "u95_s",
    "at_least_s", "failed_checks", "result", "line",
)  # fmt: skip
_CSS = """
:root{color-scheme:light dark}body{font:16px/1.5 system-ui,sans-serif;margin:2rem auto;
max-width:70rem;padding:0 1rem}table{border-collapse:collapse;width:100%}th,td{text-align:left;
vertical-align:top;padding:.4rem .7rem;border-bottom:1px solid #8886}td.n,th.n{text-align:right;
font-variant-numeric:tabular-nums;white-space:nowrap}tr.bad th{border-left:.3rem solid #c33}
tr.open th{border-left:.3rem solid #c80}.small{font-size:.85em;opacity:.8}.wide{overflow-x:auto}
"""


def table_csv(rows: Sequence[Row]) -> str:
    """Write ``overnight.csv``, one row a recording."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for row in rows:
        writer.writerow([
            safe_cell(row.name), safe_cell("; ".join(row.files)), row.state.value,
            _cell(row.rpm), _cell(row.u95_rpm), _cell(row.spin_time_s), _cell(row.u95_s),
            _cell(_down(row.at_least_s)), safe_cell("; ".join(row.failed_checks)),
            safe_cell(row.result), safe_cell(row.line),
        ])  # fmt: skip
    return text.getvalue()


def _cell(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _down(value: float | None) -> float | None:
    """Cut a lower limit to milliseconds: rounded up it would claim too much."""
    return None if value is None else math.floor(value * 1000) / 1000


def headline(rows: Sequence[Row]) -> str:
    """Count the states in one sentence."""
    counts = {state: sum(row.state is state for row in rows) for state in State}
    words = {
        State.MEASURED: "measured", State.UNRESOLVED: "with the alias order unresolved",
        State.FAILED: "failed", State.KEPT: "not measured, another result is in their place",
        State.SAME: "the same content as another", State.WAITING: "not reached",
    }  # fmt: skip
    parts = [f"{counts[state]} {words[state]}" for state in State if counts[state]]
    failed = sum(bool(row.failed_checks) for row in rows)
    checks = f"; a check FAILED in {plural(failed, 'recording')}" if failed else ""
    return f"{plural(len(rows), 'recording')}: {', '.join(parts) or 'none'}{checks}"


def page(rows: Sequence[Row], notes: Sequence[str], *, version: str) -> str:
    """Draw up ``overnight.html``: one file that works offline.

    Parameters
    ----------
    rows : sequence of Row
    notes : sequence of str
        What else is to be said, such as chapters kept apart.
    version : str
        Of the program.
    """
    body = "".join(_row(row) for row in rows)
    said = "".join(f"<li><bdi>{escape(note)}</bdi></li>" for note in notes)
    also = f"<h2>Also to be said</h2><ul>{said}</ul>" if notes else ""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "style-src 'unsafe-inline'\">"
        f"<title>Overnight</title><style>{_CSS}</style></head><body><main>"
        f"<h1>Overnight</h1><p>{escape(headline(rows))}.</p>"
        '<div class="wide"><table><thead><tr><th scope="col">recording</th>'
        '<th scope="col">what became of it</th><th scope="col" class="n">speed at release, rev/min'
        '</th><th scope="col" class="n">spin time, s</th><th scope="col">checks that failed</th>'
        f"</tr></thead><tbody>{body}</tbody></table></div>{also}"
        f'<p class="small">vidspin {escape(version)}. ± is the expanded uncertainty, 95 %. '
        "Options, times and tries are in overnight.log.jsonl.</p></main></body></html>\n"
    )


def _row(row: Row) -> str:
    calm = {State.MEASURED: "", State.SAME: "", State.UNRESOLVED: ' class="open"'}
    css = calm.get(row.state, ' class="bad"')
    css = css or (' class="open"' if row.failed_checks else "")
    name = f"<bdi>{escape(row.name)}</bdi>"
    if row.result:
        name = f'<a href="{escape(quote(os.fsencode(row.result)))}/report.html">{name}</a>'
    files = "".join(f"<br><bdi>{escape(file)}</bdi>" for file in row.files)
    line = f'<br><bdi class="small">{escape(row.line)}</bdi>' if row.line else ""
    spin = _pm(row.spin_time_s, row.u95_s)
    if row.spin_time_s is None and row.at_least_s is not None:
        spin = at_least(row.at_least_s, "").rstrip()
    return (
        f'<tr{css}><th scope="row">{name}'
        f'<span class="small">{files}</span></th><td>{escape(SENTENCES[row.state])}{line}</td>'
        f'<td class="n">{_pm(row.rpm, row.u95_rpm)}</td><td class="n">{spin}</td>'
        f"<td>{escape(', '.join(row.failed_checks))}</td></tr>"
    )


def _pm(value: float | None, u95: float | None) -> str:
    return "–" if value is None else with_u95(value, u95)
