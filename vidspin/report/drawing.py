"""How does the speed curve look as a drawing? One SVG for page and paper.

On the page colours come from its style sheet (so that dark pages and prints work), on paper they
are written into the drawing.  Values are those of ``speed.csv``; nothing is smoothed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

import numpy as np

from vidspin.records import FloatArray
from vidspin.report.basis import largest_u95, unseen_ends
from vidspin.report.data import ReportData
from vidspin.report.story import SPEED_UNIT, happenings
from vidspin.report.trust import checks
from vidspin.units import format_duration
from vidspin.wording import signed

WIDTH = 760
LEFT, RIGHT = 66, 744
UPPER = (40, 292)  # top and bottom of the speed panel
LOWER = (322, 378)  # top and bottom of the uncertainty panel
# Columns into which long curves are gathered, lowest and highest value of each.
MOST_COLUMNS = 900
FOOT = 52  # below the lowest panel
HEADROOM = 1.06
LONGEST_LABEL = 28
LONG_S = 120.0
_STEPS_S = (1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1200, 1800, 3600, 7200, 14400)
_ROUND = (1.0, 2.0, 2.5, 5.0, 10.0)
_DASHES = ("", "7 4", "2 3", "10 3 2 3", "4 2", "1 2", "12 4", "6 2 2 2", "3 6", "8 8")

# Okabe and Ito (2008), which people with any common kind of colour blindness can tell apart.
_PAPER_LOOK = {
    "axis": 'stroke="#5c5c5c" stroke-width="1" fill="none"',
    "grid": 'stroke="#e2e2e2" stroke-width="1" fill="none"',
    "word": 'fill="#3c3c3c" font-size="12"',
    "band": 'fill="#56b4e9" fill-opacity="0.45" stroke="none"',
    "line": 'stroke="#0072b2" stroke-width="2" fill="none" stroke-linejoin="round"',
    "gap": 'fill="#000000" fill-opacity="0.07" stroke="none"',
    "release": 'stroke="#00795a" stroke-width="1.6" stroke-dasharray="5 3"',
    "topple": 'stroke="#b84a00" stroke-width="1.6" stroke-dasharray="5 3"',
    "touch": 'stroke="#8a5a00" stroke-width="1.6" stroke-dasharray="2 3"',
    "fail": 'stroke="#a3003b" stroke-width="1.6" stroke-dasharray="1 3"',
}


@dataclass(frozen=True, slots=True)
class _Axes:
    """Where values lie on the drawing."""

    span_s: float
    high: float  # rev/min at the top of the upper panel
    high_u: float  # rev/min at the top of the lower panel
    bottom: int  # of the lowest panel; there is no lower one while the order is unresolved
    on_paper: bool

    def look(self, name: str) -> str:
        return _PAPER_LOOK[name] if self.on_paper else f'class="c-{name}"'

    def x(self, time_s: FloatArray | float) -> FloatArray:
        return np.asarray(LEFT + np.asarray(time_s) / self.span_s * (RIGHT - LEFT))

    def y(self, rpm: FloatArray | float) -> FloatArray:
        return np.asarray(UPPER[1] - np.asarray(rpm) / self.high * (UPPER[1] - UPPER[0]))

    def y_u(self, rpm: FloatArray | float) -> FloatArray:
        part = np.minimum(np.asarray(rpm) / self.high_u, 1.0)
        return np.asarray(LOWER[1] - part * (LOWER[1] - LOWER[0]))


def curve_svg(data: ReportData, *, on_paper: bool = False, name: str = "") -> str:
    """Draw speed against time with its 95 % band, events and failed checks.

    Parameters
    ----------
    data : ReportData
        What is drawn.
    on_paper : bool
        Write colours into the drawing; else leave them to the page.
    name : str
        Text that stands for the drawing where it cannot be seen.

    Returns
    -------
    str
        An ``svg`` element.  While the alias order is unresolved every candidate's curve is
        drawn alike, with the likeliest no bolder than the rest.
    """
    axes = _axes(data, on_paper=on_paper)
    label = f' role="img" aria-label="{escape(name)}"' if name else ""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {axes.bottom + FOOT}" '
        f'width="{WIDTH}" height="{axes.bottom + FOOT}"{label}>',
        *_gaps(data, axes),
        *_grid(axes, with_lower=data.resolved, beyond=largest_u95(data, axes.high_u)),
        *(_curve(data, axes) if data.resolved else _alike(data, axes)),
        *_marks(data, axes),
        "</svg>",
    ]
    return "\n".join(parts)


def describe(data: ReportData) -> str:
    """Say in words what the drawing shows."""
    if not data.resolved:
        return (
            f"Speed against time for {len(data.candidates)} candidate speeds, which the pictures "
            "do not tell apart"
        )
    known = np.isfinite(data.rpm)
    if not known.any():
        return "Speed against time; no speed is known"
    first, last = data.rpm[known][[0, -1]].tolist()
    return (
        f"Speed against time: from {first:.0f} {SPEED_UNIT} to {last:.0f} {SPEED_UNIT}, "
        f"with its 95 % uncertainty below"
    )


def _axes(data: ReportData, *, on_paper: bool) -> _Axes:
    shown = [data.rpm] if data.resolved else list(data.candidates.values())
    highest = max((float(np.nanmax(s)) for s in shown if np.isfinite(s).any()), default=0.0)
    u = data.u95_rpm[np.isfinite(data.u95_rpm)]
    # One wild row at an end must not flatten all others: the panel holds 98 of 100 rows.
    high_u = float(np.percentile(u, 98)) * 1.4 if u.size else 0.0
    bottom = LOWER[1] if data.resolved else UPPER[1]
    return _Axes(data.span_s, max(highest * HEADROOM, 1.0), max(high_u, 1e-6), bottom, on_paper)


def thinned(time_s: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Keep the lowest and the highest value of each column where there are too many."""
    if time_s.size <= 2 * MOST_COLUMNS:
        return time_s, value
    kept: list[int] = []
    for part in np.array_split(np.arange(time_s.size), MOST_COLUMNS):
        known = part[np.isfinite(value[part])]
        if known.size == 0:
            kept.append(int(part[0]))
            continue
        ends = {int(known[np.argmin(value[known])]), int(known[np.argmax(value[known])])}
        kept += sorted(ends)
    rows = np.array(kept)
    return time_s[rows], value[rows]


def pieces(time_s: FloatArray, value: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
    """Split a curve where a value is not known or rows are missing."""
    if time_s.size == 0:
        return []
    step = float(np.median(np.diff(time_s))) if time_s.size > 1 else 1.0
    known = np.isfinite(value)
    apart = np.concatenate([[False], np.diff(time_s) > 1.5 * step])
    breaks = np.flatnonzero(apart | ~known)
    found = []
    for t, v in zip(np.split(time_s, breaks), np.split(value, breaks), strict=True):
        good = np.isfinite(v)
        if good.any():
            found.append((t[good], v[good]))
    return found


def _path(x: FloatArray, y: FloatArray) -> str:
    points = [f"{a:.1f} {b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True)]
    if len(points) == 1:
        return f"M{points[0]}h0.1"
    return "M" + "L".join(points)


def _curve(data: ReportData, axes: _Axes) -> Iterator[str]:
    low, high = data.rpm - data.u95_rpm, data.rpm + data.u95_rpm
    for (t, a), (_, b) in zip(pieces(data.time_s, low), pieces(data.time_s, high), strict=True):
        if t.size > 1 and t.size <= 2 * MOST_COLUMNS:
            there, back = _path(axes.x(t), axes.y(b)), _path(axes.x(t[::-1]), axes.y(a[::-1]))
            yield f'<path {axes.look("band")} d="{there}L{back[1:]}Z"/>'
    for t, v in pieces(data.time_s, data.rpm):
        t, v = thinned(t, v)
        yield f'<path {axes.look("line")} d="{_path(axes.x(t), axes.y(v))}"/>'
    for t, v in pieces(data.time_s, data.u95_rpm):
        t, v = thinned(t, v)
        yield f'<path {axes.look("line")} d="{_path(axes.x(t), axes.y_u(v))}"/>'


def _alike(data: ReportData, axes: _Axes) -> Iterator[str]:
    """Draw every candidate alike; its order is written at its end."""
    taken: list[float] = []
    for number, (order, speeds) in enumerate(data.candidates.items()):
        dash = _DASHES[number % len(_DASHES)]
        style = f' stroke-dasharray="{dash}"' if dash else ""
        for t, v in pieces(data.time_s, speeds):
            t, v = thinned(t, v)
            yield f'<path {axes.look("line")}{style} d="{_path(axes.x(t), axes.y(v))}"/>'
        known = speeds[np.isfinite(speeds)]
        if known.size == 0:
            continue
        height = float(axes.y(float(known[0]))) - 6
        while any(abs(height - other) < 13 for other in taken):
            height -= 13
        taken.append(height)
        text = f"alias order {signed(order)}"
        yield f'<text {axes.look("word")} x="{LEFT + 10}" y="{height:.1f}">{text}</text>'


def unseen(data: ReportData) -> list[tuple[float, float]]:
    """List the stretches without a speed, and those without a sighting at both ends, s."""
    shown = data.rpm
    if not data.resolved:
        shown = next(iter(data.candidates.values()), data.rpm)
    parts = pieces(data.time_s, shown)
    step = float(np.median(np.diff(data.time_s))) if data.time_s.size > 1 else 1.0
    inside = [
        (float(before[-1]) + step / 2, float(after[0]) - step / 2)
        for (before, _), (after, _) in zip(parts[:-1], parts[1:], strict=True)
    ]
    return sorted([*inside, *unseen_ends(data)])


def _gaps(data: ReportData, axes: _Axes) -> Iterator[str]:
    """Shade what was filmed and not seen, between release and topple."""
    for start, stop in unseen(data):
        left, right = float(axes.x(start)), float(axes.x(max(stop, start)))
        yield (
            f'<rect {axes.look("gap")} x="{left:.1f}" y="{UPPER[0]}" '
            f'width="{max(right - left, 1):.1f}" height="{axes.bottom - UPPER[0]}"/>'
        )


def _grid(axes: _Axes, *, with_lower: bool, beyond: str) -> Iterator[str]:
    bottom = axes.bottom
    ticks, words = time_ticks(axes.span_s)
    for tick, word in zip(ticks, words, strict=True):
        x = float(axes.x(tick))
        yield f'<path {axes.look("grid")} d="M{x:.1f} {UPPER[0]}V{bottom}"/>'
        yield _text(axes, x, bottom + 18, word, "middle")
    for value in value_ticks(axes.high, 6):
        y = float(axes.y(value))
        yield f'<path {axes.look("grid")} d="M{LEFT} {y:.1f}H{RIGHT}"/>'
        yield _text(axes, LEFT - 8, y + 4, f"{value:g}", "end")
    yield f'<path {axes.look("axis")} d="M{LEFT} {UPPER[0]}V{UPPER[1]}H{RIGHT}"/>'
    title = "time from the first frame, " + ("h:mm:ss" if axes.span_s > LONG_S else "s")
    yield _text(axes, (LEFT + RIGHT) / 2, bottom + 38, title, "middle")
    yield _text(axes, 4, UPPER[0] - 22, f"speed, {SPEED_UNIT}", "start")
    if not with_lower:
        return
    for value in value_ticks(axes.high_u, 2):
        y = float(axes.y_u(value))
        yield f'<path {axes.look("grid")} d="M{LEFT} {y:.1f}H{RIGHT}"/>'
        yield _text(axes, LEFT - 8, y + 4, f"{value:g}", "end")
    yield f'<path {axes.look("axis")} d="M{LEFT} {LOWER[0]}V{LOWER[1]}H{RIGHT}"/>'
    title = f"± 95 %, {SPEED_UNIT}" + (f" ({beyond})" if beyond else "")
    yield _text(axes, LEFT + 10, LOWER[0] - 4, title, "start")


def _text(axes: _Axes, x: float, y: float, words: str, anchor: str) -> str:
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return f"<text {axes.look('word')} {place}>{escape(words)}</text>"


def _marks(data: ReportData, axes: _Axes) -> Iterator[str]:
    """Draw events and failed checks as lines with a word on top."""
    found = [(h.time_s, h.kind, h.kind) for h in happenings(data) if h.time_s is not None]
    for check in checks(data):
        if check.state == "fail" and check.time_s is not None:
            found.append((check.time_s, "fail", short(check.name)))
    free = float(LEFT)
    for time_s, kind, word in sorted(found):
        x = float(axes.x(min(max(time_s, 0.0), axes.span_s)))
        yield f'<path {axes.look(kind)} d="M{x:.1f} {UPPER[0] - 6}V{axes.bottom}"/>'
        width = 6.2 * len(word)
        start = min(max(x - width / 2, free), RIGHT + 12 - width)
        if start >= free - 0.1:
            yield _text(axes, start, UPPER[0] - 9, word, "start")
            free = start + width + 8


def short(name: str) -> str:
    """Cut a name so that it fits above a line."""
    return name if len(name) <= LONGEST_LABEL else f"{name[: LONGEST_LABEL - 1]}…"


def time_ticks(span_s: float) -> tuple[list[float], list[str]]:
    """Choose at most nine round instants from 0 on, and how to write them."""
    step: float = next((s for s in _STEPS_S if span_s / s <= 8), _STEPS_S[-1])
    if span_s < 2:
        step = _round_step(span_s, 6)
    ticks = [step * k for k in range(math.floor(span_s / step + 1e-9) + 1)]
    if span_s > LONG_S:
        return ticks, [format_duration(tick) for tick in ticks]
    return ticks, [f"{tick:g}" for tick in ticks]


def value_ticks(high: float, most: int) -> list[float]:
    """Choose round values from 0 up to `high`, at most `most` steps."""
    step = _round_step(high, most)
    return [step * k for k in range(math.floor(high / step + 1e-9) + 1)]


def _round_step(high: float, most: int) -> float:
    power = 10.0 ** math.floor(math.log10(high / most))
    return float(next(r * power for r in _ROUND if high / (r * power) <= most))
