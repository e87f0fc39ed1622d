"""Speed against time with its uncertainty, the events, and what the fit left over."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from vidspin.candidates import candidate_speeds
from vidspin.figures.placing import LETTER, apart, covered, free_place
from vidspin.figures.plot import render, time_axis
from vidspin.figures.style import (
    BLUE,
    EVENT_COLOURS,
    FAINT,
    INK,
    QUIET,
    SKY,
    UNRESOLVED,
    VERMILION,
    broken_at_gaps,
    clock_text,
    facts_line,
    recording_span,
    seen_events,
    spans_where,
)
from vidspin.records import Candidate, Event, FloatArray, Result, SoundCurve
from vidspin.uncertainty import NORMAL_95
from vidspin.units import degrees_from_rad, rpm_from_rad_s
from vidspin.wording import decimals_for, odds, percent, signed, with_u95

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_HEIGHT_PX = 820
_LEFT, _RIGHT = 0.09, 0.978
# Room for the words beside the candidates' lines.
_RIGHT_UNRESOLVED = 0.80
# Up to this many residuals each is a dot; more are drawn as bands of their spread.
_MOST_DOTS = 4000
_CURVE_POINTS = 400
_PALE = "#c9e5f6"
_BAND_BINS = 500
_FEWEST_IN_BIN = 8
_MOST_LABELS = 14
_MOST_TOUCH_LABELS = 6


def speed_figure(result: Result) -> dict[str, bytes]:
    """Draw the speed against time.

    Parameters
    ----------
    result : Result
        What was measured.  While its alias order is unresolved, all candidates are drawn
        alike, as thin labelled alternatives under a statement that says so.

    Returns
    -------
    dict of str to bytes
        ``speed.png`` (1200 px wide) and ``speed.svg`` (words as text, with title and
        description); both come from one drawing.
    """
    return render(
        "speed",
        lambda figure: _draw(figure, result),
        height_px=_HEIGHT_PX,
        title=f"Speed of {result.footage.name} against time",
        description=_description(result),
    )


def _draw(figure: Figure, result: Result) -> None:
    resolved = result.alias.resolved
    width = (_RIGHT if resolved else _RIGHT_UNRESOLVED) - _LEFT
    speed = figure.add_axes((_LEFT, 0.39, width, 0.485))
    spread = figure.add_axes((_LEFT, 0.235, width, 0.115))
    left_over = figure.add_axes((_LEFT, 0.075, width, 0.115))
    start, end = recording_span(result)
    for panel in (speed, spread, left_over):
        panel.set_xlim(start, end)
        panel.yaxis.set_label_coords(-0.05 / width, 0.5)
        time_axis(panel, start, end, named=panel is left_over)
        panel.grid(visible=True, color=FAINT, linewidth=0.6)
        panel.set_axisbelow(True)
    _heading(figure, result)
    if resolved:
        _draw_speed(speed, result)
    else:
        _draw_candidates(speed, result)
    speed.set_ylabel("speed, rev/min")
    _draw_gaps(speed, result)
    _draw_spread(spread, result)
    _draw_residuals(left_over, result)
    _draw_events((speed, spread, left_over), result)


def _heading(figure: Figure, result: Result) -> None:
    figure.text(_LEFT, 0.957, result.footage.name, fontsize=16, fontweight="bold", color=INK)
    figure.text(_LEFT, 0.926, facts_line(result), fontsize=11, color=QUIET)
    if not result.alias.resolved:
        statement = (
            f"{UNRESOLVED}: the frames fit every line below; none of them is a measured speed"
        )
        figure.text(
            *(_LEFT, 0.888, statement),
            fontsize=11.5,
            fontweight="bold",
            color="white",
            bbox={"facecolor": VERMILION, "edgecolor": "none", "boxstyle": "square,pad=0.35"},
        )


def _key(panel: Axes, *entries: tuple[str, str]) -> None:
    """Explain colours in words above a panel's upper right; quicker than a legend."""
    right = 1.0
    for words, colour in reversed(entries):
        mark, rest = words[0], words[1:]
        place: dict[str, Any] = {
            "xycoords": "axes fraction",
            "textcoords": "offset points",
            "fontsize": 10,
        }
        right -= LETTER * (len(rest) + 1)
        panel.annotate(rest, (right, 1.0), (0, 4), color=INK, ha="left", **place)
        panel.annotate(mark, (right, 1.0), (0, 4), color=colour, ha="right", **place)
        right -= 4 * LETTER


# ---------------------------------------------------------------------- speed panel


def _draw_speed(panel: Axes, result: Result) -> None:
    curve = result.curve
    time, speed, u95 = broken_at_gaps(
        curve.time_s, rpm_from_rad_s(curve.speed_rad_s), rpm_from_rad_s(curve.u95_total_rad_s)
    )
    panel.fill_between(time, speed - u95, speed + u95, color=SKY, alpha=0.55, linewidth=0)
    panel.plot(time, speed, color=BLUE, linewidth=1.6)
    _lone_points(panel, time, speed)
    _speed_limits(panel, speed)
    keys = [("━ spin speed", BLUE), ("█ 95 % band", SKY), ("█ not seen", FAINT)]
    if result.sound is not None:
        _draw_sound(panel, result.sound)
        keys.insert(1, ("┃ by sound ± 95 %", VERMILION))
    _key(panel, *keys)


def _draw_sound(panel: Axes, sound: SoundCurve) -> None:
    """Bars beside the line: what the sound alone says, block by block."""
    speed, reach = (
        rpm_from_rad_s(sound.speed_rad_s),
        rpm_from_rad_s(NORMAL_95 * sound.u_speed_rad_s),
    )
    panel.vlines(sound.time_s, speed - reach, speed + reach, color=VERMILION, linewidth=1.6)


def _lone_points(panel: Axes, time: FloatArray, speed: FloatArray) -> None:
    """Dot the values that have no neighbour, since a line would not show them."""
    known = np.concatenate([[False], np.isfinite(speed), [False]])
    lone = known[1:-1] & ~known[:-2] & ~known[2:]
    panel.plot(time[lone], speed[lone], ".", color=BLUE)


def _speed_limits(panel: Axes, speed: FloatArray) -> None:
    """Start the axis at zero where the speeds spread far enough for that to show them."""
    known = speed[np.isfinite(speed)]
    if known.size == 0:
        panel.set_ylim(0, 1)
        panel.text(0.5, 0.5, "no speed is known", transform=panel.transAxes, ha="center")
    elif known.min() < 0.6 * known.max():
        panel.set_ylim(0, 1.1 * known.max())
    else:
        room = 0.18 * (np.ptp(known) or 0.01 * known.max() or 1.0)  # a top that stands still
        panel.set_ylim(known.min() - room, known.max() + room)


def _draw_candidates(panel: Axes, result: Result) -> None:
    curves = candidate_speeds(result)
    for candidate in result.alias.candidates:
        time, speed = broken_at_gaps(result.curve.time_s, curves[candidate.order])
        style = "-" if candidate.rpm > 0 else "--"
        panel.plot(time, speed, color=INK, linewidth=0.9, linestyle=style)
    _speed_limits(panel, np.concatenate([*curves.values(), [0.0]]) if curves else np.zeros(0))
    _label_candidates(panel, result, curves)
    for place, words in ((1.1, "━ ↻ clockwise"), (1.05, "╍ ↺ counterclockwise")):
        panel.text(1.03, place, words, transform=panel.transAxes, fontsize=10, va="center")


def _label_candidates(panel: Axes, result: Result, curves: dict[int, FloatArray]) -> None:
    """Name each line at its right end; names that would collide move apart."""
    shown = [
        candidate
        for candidate in result.alias.candidates[:_MOST_LABELS]
        if np.isfinite(curves[candidate.order]).any()
    ]
    if not shown:
        return
    low, high = panel.get_ylim()
    ends = {c.order: _last(curves[c.order]) for c in shown}
    heights = {order: (end - low) / (high - low) for order, end in ends.items()}
    shown.sort(key=lambda candidate: heights[candidate.order])
    places = apart(np.array([heights[candidate.order] for candidate in shown]))
    for candidate, place in zip(shown, places.tolist(), strict=True):
        where: dict[str, Any] = {"transform": panel.transAxes, "clip_on": False}
        height = heights[candidate.order]
        panel.plot([1.0, 1.025], [height, place], color=QUIET, linewidth=0.6, **where)
        panel.text(1.03, place, _candidate_words(candidate), fontsize=10, va="center", **where)
    hidden = len(result.alias.candidates) - len(shown)
    if hidden:
        words = f"{hidden} less likely not named"
        panel.text(1.03, -0.06, words, fontsize=10, transform=panel.transAxes)


def _last(speed: FloatArray) -> float:
    return float(speed[np.isfinite(speed)][-1])


def _candidate_words(candidate: Candidate) -> str:
    turn = "↻" if candidate.rpm > 0 else "↺"
    return f"order {signed(candidate.order)} {turn} {percent(candidate.probability)}"


def _draw_gaps(panel: Axes, result: Result) -> None:
    """Shade where the top was not seen well enough for a speed."""
    curve = result.curve
    known = np.flatnonzero(np.isfinite(curve.speed_rad_s))
    if known.size == 0:
        return
    inside = slice(int(known[0]), int(known[-1]) + 1)
    time, speed = broken_at_gaps(curve.time_s[inside], curve.speed_rad_s[inside])
    gaps = spans_where(~np.isfinite(speed), lambda a, b: (time[a - 1], time[b + 1]))
    for start, end in gaps:
        panel.axvspan(start, end, color=FAINT, alpha=0.6, linewidth=0)


def _draw_events(panels: tuple[Axes, ...], result: Result) -> None:
    """Mark the events on all panels and name them where nothing else is drawn."""
    start_s, end_s = panels[0].get_xlim()
    taken = _drawn_places(panels[0], result)
    touches = 0
    for event in seen_events(result):
        colour = EVENT_COLOURS.get(event.kind, QUIET)
        for panel in panels:
            panel.axvline(event.time_s, color=colour, linewidth=1.2, linestyle=(0, (4, 2)))
        touches += event.kind == "touch"
        if event.kind == "touch" and touches > _MOST_TOUCH_LABELS:
            continue
        words = _event_words(result, event, end_s)
        at = (event.time_s - start_s) / (end_s - start_s)
        x, y, late = free_place(at, words, taken)
        taken = np.concatenate([taken, covered(x, y, words, late=late)])
        panels[0].text(
            *(x, y, words),
            transform=panels[0].transAxes,
            ha="right" if late else "left",
            va="top",
            fontsize=10.5,
            linespacing=1.35,
        )


def _drawn_places(panel: Axes, result: Result) -> FloatArray:
    """Return points (n, 2) of the drawn curves, as shares of the panel."""
    (left, right), (low, high) = panel.get_xlim(), panel.get_ylim()
    curves = candidate_speeds(result) if not result.alias.resolved else {}
    speeds = list(curves.values()) or [rpm_from_rad_s(result.curve.speed_rad_s)]
    points = [np.zeros((0, 2))]
    for speed in speeds:
        known = np.isfinite(speed)
        if known.any():
            time = np.linspace(left, right, _CURVE_POINTS)
            time = time[(time >= result.curve.time_s[known][0])]
            height = np.interp(time, result.curve.time_s[known], speed[known])
            points.append(
                np.stack([(time - left) / (right - left), (height - low) / (high - low)], axis=1)
            )
    return np.concatenate(points)


def _event_words(result: Result, event: Event, end_s: float) -> str:
    when = clock_text(event.time_s, end_s, event.u95_s)
    unsure = f" ± {event.u95_s:.{min(3, decimals_for(event.u95_s))}f} s"
    words = [f"{event.kind} at {when.removesuffix(' s')}{unsure}"]
    if result.alias.resolved and event.speed_rad_s is not None and event.kind != "touch":
        u95 = None if event.u95_rad_s is None else rpm_from_rad_s(event.u95_rad_s)
        words.append(with_u95(rpm_from_rad_s(event.speed_rad_s), u95, "rev/min"))
    if event.measured_s is not None:
        words.append(f"stated by a person; measured {clock_text(event.measured_s, end_s, 0.01)}")
    return "\n".join(words)


# --------------------------------------------------------------------- lower panels


def _draw_spread(panel: Axes, result: Result) -> None:
    curve = result.curve
    time, total, without = broken_at_gaps(
        curve.time_s, rpm_from_rad_s(curve.u95_total_rad_s), rpm_from_rad_s(curve.u95_speed_rad_s)
    )
    if result.alias.resolved:  # the clock's part grows with the speed, which must be known
        panel.plot(time, total, color=BLUE, linewidth=1.3)
    panel.plot(time, without, color=VERMILION, linewidth=1.1, linestyle="--")
    shown = np.concatenate([total, without]) if result.alias.resolved else without
    highest = np.nanpercentile(shown, 99) if np.isfinite(shown).any() else 1.0
    panel.set_ylim(0, 1.35 * float(highest) or 1.0)
    panel.set_ylabel("± 95 %,\nrev/min")
    keys = [("━ with the clock's rate", BLUE), ("╍ without", VERMILION)]
    _key(panel, *(keys if result.alias.resolved else [("╍ without the clock's rate", VERMILION)]))


def _draw_residuals(panel: Axes, result: Result) -> None:
    used = np.isfinite(result.curve.residual_rad)
    time = result.curve.residual_time_s[used]
    angle = degrees_from_rad(result.curve.residual_rad[used])
    panel.axhline(0, color=QUIET, linewidth=0.8)
    panel.set_ylabel("residual,\ndegrees")
    if angle.size == 0:
        return
    reach = 1.35 * float(np.percentile(np.abs(angle), 99.5)) or 1.0
    if angle.size <= _MOST_DOTS:
        _draw_dots(panel, time, angle, size=0.016 * reach)
    else:
        _draw_residual_bands(panel, time, angle)
    panel.set_ylim(-reach, reach)


def _draw_dots(panel: Axes, time: FloatArray, angle: FloatArray, *, size: float) -> None:
    """Dot many values as one path of short strokes: a tenth of the time of markers."""
    gap = np.full_like(time, np.nan)
    x = np.stack([time, time, gap], axis=1).ravel()
    y = np.stack([angle - size, angle + size, gap], axis=1).ravel()
    panel.plot(x, y, color=BLUE, linewidth=1.8, alpha=0.7, solid_capstyle="butt")


def _draw_residual_bands(panel: Axes, time: FloatArray, angle: FloatArray) -> None:
    edges = np.linspace(*panel.get_xlim(), _BAND_BINS + 1)
    cuts = np.searchsorted(time, edges)
    bands = np.full((5, _BAND_BINS), np.nan)
    for i in range(_BAND_BINS):
        part = angle[cuts[i] : cuts[i + 1]]
        if part.size >= _FEWEST_IN_BIN:
            bands[:, i] = np.percentile(part, (2.5, 25, 50, 75, 97.5))
    middle = 0.5 * (edges[1:] + edges[:-1])
    for low, high, colour in ((0, 4, _PALE), (1, 3, SKY)):
        panel.fill_between(middle, bands[low], bands[high], color=colour, linewidth=0)
    panel.plot(middle, bands[2], color=BLUE, linewidth=0.8)
    _key(panel, ("━ median", BLUE), ("█ half the frames", SKY), ("█ 95 % of them", _PALE))


# ------------------------------------------------------------------------------ svg


def _description(result: Result) -> str:
    start, end = recording_span(result)
    parts = [f"Time from {start:.1f} to {end:.1f} s.", f"{facts_line(result)}."]
    if result.alias.resolved:
        parts += [f"{_event_words(result, e, end)}." for e in seen_events(result)]
    else:
        parts.append(f"{UNRESOLVED}, odds {odds(result.alias.odds)}. Candidates:")
        parts += [
            f"{_candidate_words(candidate)}, {abs(candidate.rpm):.1f} rev/min "
            f"{'clockwise' if candidate.rpm > 0 else 'counterclockwise'};"
            for candidate in result.alias.candidates
        ]
    return " ".join(part.replace("\n", ", ") for part in parts)
