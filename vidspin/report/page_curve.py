"""The speed curve of the page: numbers for its script, buttons, and the same as a table."""

from __future__ import annotations

import math
from html import escape
from typing import Any

import numpy as np

from vidspin.records import FloatArray
from vidspin.report import evidence, story, trust
from vidspin.report.basis import largest_u95, standing_still
from vidspin.report.data import ReportData
from vidspin.report.drawing import curve_svg, describe, short, unseen
from vidspin.report.page_parts import table
from vidspin.wording import decimals_for, signed

_TABLE_ROWS = 40  # of the speed table for those who cannot see the drawing
_USUAL_SHARE = 98  # of the rows whose uncertainty the lower panel must hold


def curve_section(data: ReportData) -> str:
    """Set the curve with its buttons, its reading and the same as a table."""
    marks = _marks(data)
    pins = "".join(
        f'<button type="button" class="{mark["kind"]}" data-mark="{number}">'
        f"{escape(mark['button'])}</button>"
        for number, mark in enumerate(marks)
    )
    tools = "".join(
        f'<button type="button" id="zoom-{key}" aria-label="{words}">{sign}</button>'
        for key, sign, words in (
            ("in", "+", "zoom in"),
            ("out", "−", "zoom out"),
            ("left", "←", "earlier"),
            ("right", "→", "later"),
            ("whole", "whole run", "show the whole run"),
        )
    )
    lead = (
        "Each curve is one candidate. All of them fit the pictures; one of them is true."
        if not data.resolved
        else "The curve is the measured speed; its 95 % band is narrower than the line in most "
        "places, so it is drawn apart below. Grey stretches were not seen."
    )
    still = standing_still(data)
    lead += f"</p><p>{escape(still)}" if still else ""
    return (
        f"<p>{lead}</p>\n"
        f'<div class="tools pins needs-script" role="group" aria-label="Events">{pins}</div>\n'
        '<p id="read" class="read needs-script">Point at the curve to read it.</p>\n'
        f'<div id="chart" class="chart" role="application" aria-label="{escape(describe(data))}" '
        f'aria-describedby="chart-help">{curve_svg(data, name=describe(data))}</div>\n'
        '<p id="said" class="skip" role="status"></p>\n'
        f'<div class="tools needs-script" role="group" aria-label="View">{tools}</div>\n'
        '<p id="chart-help" class="quiet small needs-script">Drag across a stretch to look closer; '
        "then drag to move along. Two fingers or the wheel zoom (click the curve first). Keys: "
        "arrows read the curve, shift with arrows moves along, + and − zoom, 0 shows all.</p>\n"
        f"{_speed_table(data)}"
    )


def _marks(data: ReportData) -> list[dict[str, Any]]:
    """List what is marked on the curve, in order of time."""
    found: list[dict[str, Any]] = [
        {
            "time": happening.time_s,
            "kind": happening.kind,
            "label": happening.kind,
            "button": f"{happening.kind} at {happening.when}",
            "target": f"event-{happening.key}",
        }
        for happening in story.happenings(data)
        if happening.time_s is not None
    ]
    for number, check in enumerate(trust.checks(data)):
        if check.state == "fail" and check.time_s is not None:
            found.append(
                {
                    "time": check.time_s,
                    "kind": "fail",
                    "label": short(check.name),
                    "button": f"check failed: {short(check.name)}",
                    "target": f"check-{number}",
                }
            )
    return sorted(found, key=lambda mark: float(mark["time"]))


def chart_data(data: ReportData) -> dict[str, Any]:
    """Gather the numbers that the script of the page draws."""
    step = float(np.median(np.diff(data.time_s))) if data.time_s.size > 1 else 1.0
    curves: list[dict[str, Any]] = [{"rpm": _numbers(data.rpm, 6)}]
    if not data.resolved:
        shares = {view.order: view.probability for view in evidence.candidates(data)}
        curves = [
            {
                "rpm": _numbers(speeds, 6),
                "order": signed(order),
                "share": shares.get(order, ""),
            }
            for order, speeds in data.candidates.items()
        ]
    u = data.u95_rpm[np.isfinite(data.u95_rpm)]
    usual = 1.4 * float(np.percentile(u, _USUAL_SHARE)) if u.size else 1.0
    return {
        "resolved": data.resolved,
        "span": data.span_s,
        "step": step,
        "time": _numbers(data.time_s, 6),
        "curves": curves,
        "u95": [float(f"{v:.6g}") if math.isfinite(v) else None for v in data.u95_rpm.tolist()],
        "u_usual": usual,
        "beyond": largest_u95(data, usual),
        "gaps": [list(stretch) for stretch in unseen(data)],
        "marks": [
            {key: mark[key] for key in ("time", "kind", "label", "target")} for mark in _marks(data)
        ],
    }


def _numbers(values: FloatArray, decimals: int) -> list[float | None]:
    return [round(v, decimals) if math.isfinite(v) else None for v in values.tolist()]


def _speed_table(data: ReportData) -> str:
    if not data.resolved:
        return (
            '<p class="quiet small">The numbers of every candidate\'s curve are in '
            "candidates.csv.</p>"
        )
    known = np.flatnonzero(np.isfinite(data.rpm))
    if known.size == 0:
        return ""
    pick = np.unique(np.linspace(0, known.size - 1, min(known.size, _TABLE_ROWS)).astype(int))
    rows = []
    for index in known[pick].tolist():
        u = float(data.u95_rpm[index])
        decimals = decimals_for(u)
        rows.append(
            [
                escape(story.at(float(data.time_s[index]))),
                f"{float(data.rpm[index]):.{decimals}f}",
                f"{u:.{decimals}f}" if math.isfinite(u) else "not known",
            ]
        )
    head = ("time", "speed, rev/min", "± 95 %, rev/min")
    caption = f"{len(rows)} of {known.size} rows of speed.csv"
    body = table(head, rows, numbers=(1, 2), caption=caption)
    return f"<details><summary>The same as a table</summary>{body}</details>"
