"""Attempts at equal speed: deceleration, aligned run-downs, coast times."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np

from vidspin.figures.plot import heading, panel, render
from vidspin.figures.style import BLUE, GREEN, INK, ORANGE, QUIET, SKY, VERMILION
from vidspin.units import rpm_from_rad_s
from vidspin.wording import plural
from vidspin.workshop.compare import CoastGroup, Comparison

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_HEIGHT = 1000
_COLOURS = (BLUE, VERMILION, GREEN, ORANGE, SKY, INK, QUIET)
_DASHES = ("-", "--", "-.", ":", (0, (5, 1)), (0, (1, 1)), (0, (3, 1, 1, 1)))
_MARKS = ("o", "s", "^", "D", "v", "P", "X")
_MOST_VERDICTS = 4


def compare_figure(found: Comparison) -> dict[str, bytes]:
    """Draw a comparison.

    Parameters
    ----------
    found : Comparison

    Returns
    -------
    dict of str to bytes
        ``compare.png`` and ``compare.svg``.
    """
    return render(
        "compare",
        lambda figure: _draw(figure, found),
        height_px=_HEIGHT,
        title="Run-downs at equal speed",
        description=" ".join(f"{d.verdict}." for d in found.differences) or _line(found),
    )


def _line(found: Comparison) -> str:
    slow, fast = found.between_rpm
    count = sum(len(g.names) for g in found.groups)
    parts = [plural(count, "attempt"), f"between {slow:.0f} and {fast:.0f} rev/min"]
    if found.left_out:
        parts.append(f"{len(found.left_out)} left out")
    if found.doubted:
        names = [*dict.fromkeys(one.name for one in found.doubted)]
        parts.append(f"look first at {', '.join(names[:3])}{' …' if names[3:] else ''}")
    return " · ".join(parts)


def _look(number: int) -> dict[str, Any]:
    return {
        "color": _COLOURS[number % len(_COLOURS)],
        "linestyle": _DASHES[number % len(_DASHES)],
    }


def _draw(figure: Figure, found: Comparison) -> None:
    by = f" by {found.by}" if found.by else ""
    heading(figure, f"Run-downs at equal speed{by}", _line(found))
    fast = f"time since {found.between_rpm[1]:.0f} rev/min, s"
    speed, slowing_words = "speed, rev/min", "deceleration, rev/min per s"
    slowing = panel(figure, (0.09, 0.60, 0.40, 0.31), x=speed, y=slowing_words)
    aligned = panel(figure, (0.575, 0.60, 0.40, 0.31), x=fast, y=speed)
    ahead = panel(figure, (0.09, 0.205, 0.40, 0.30), x=speed, y="ahead of the mean of all, s")
    times = panel(figure, (0.575, 0.205, 0.40, 0.30), x="coast time, s", y="")
    mean = np.concatenate([g.passing_s for g in found.groups]).mean(axis=0)
    for number, group in enumerate(found.groups):
        _deceleration(slowing, found, group, number)
        for row in group.passing_s:
            aligned.plot(row, found.curve_rpm, linewidth=0.9, alpha=0.8, **_look(number))
            ahead.plot(found.curve_rpm, row - mean, linewidth=0.9, alpha=0.8, **_look(number))
    slowing.set_ylim(bottom=0)
    slowing.legend(loc="upper left", fontsize=10, frameon=False)
    _coast_times(times, found)
    _verdicts(figure, found)


def _deceleration(axes: Any, found: Comparison, group: CoastGroup, number: int) -> None:
    """Draw the mean of each piece with its interval, single attempts as thin lines."""
    edges = found.edges_rpm
    middle = np.sqrt(edges[1:] * edges[:-1])
    if group.pieces:
        mean = rpm_from_rad_s(np.exp(np.array([p.mean for p in group.pieces])))
        u95 = mean * np.array([p.u95 for p in group.pieces])
    else:
        mean, u95 = rpm_from_rad_s(group.deceleration_rad_s2[0]), None
    shift = 1.0 + 0.012 * (number - 0.5 * (len(found.groups) - 1))
    axes.errorbar(
        middle * shift, mean, yerr=u95, fmt=_MARKS[number % len(_MARKS)], markersize=5,
        elinewidth=1.4, capsize=3, color=_COLOURS[number % len(_COLOURS)], label=group.label,
    )  # fmt: skip
    for row in group.deceleration_rad_s2:
        axes.plot(middle * shift, rpm_from_rad_s(row), linewidth=0.5, alpha=0.5, **_look(number))


def _coast_times(axes: Any, found: Comparison) -> None:
    """Draw a lane a group: single attempts with u95, the mean with its interval below them."""
    lanes = np.arange(len(found.groups))[::-1]
    for number, (group, lane) in enumerate(zip(found.groups, lanes, strict=True)):
        colour = _COLOURS[number % len(_COLOURS)]
        place = np.full(len(group.names), lane + 0.12)
        mark = _MARKS[number % len(_MARKS)]
        axes.errorbar(group.coast_s, place, xerr=group.u95_coast_s, fmt=mark, color=colour,
                      markersize=5, elinewidth=1.2, alpha=0.85)  # fmt: skip
        if group.pooled is not None:
            mean = group.typical_s
            axes.errorbar([mean], [lane - 0.2], xerr=[mean * group.pooled.u95], fmt="|",
                          color=INK, markersize=14, elinewidth=2.2, capsize=4)  # fmt: skip
    axes.set_yticks(lanes, [""] * len(lanes))
    for group, lane in zip(found.groups, lanes, strict=True):
        words = f"{group.label} ({len(group.names)})"
        axes.text(0.01, lane + 0.3, words, transform=axes.get_yaxis_transform(), fontsize=10)
    axes.set_ylim(-0.6, len(found.groups) - 0.25)
    axes.set_title("attempts with u95 of the measurement; black: mean with its 95 % interval",
                   fontsize=10, color=QUIET, loc="right")  # fmt: skip


def _verdicts(figure: Figure, found: Comparison) -> None:
    lines = [d.verdict for d in found.differences[:_MOST_VERDICTS]]
    if len(found.differences) > _MOST_VERDICTS:
        lines.append(f"{len(found.differences) - _MOST_VERDICTS} more pairs: see the table")
    if found.also_different:
        lines.append(f"changes together with the groups: {', '.join(found.also_different)}")
    place = 0.125
    for words in [piece for line in lines for piece in wrap(line, 125)]:
        figure.text(0.09, place, words, fontsize=11.5, color=INK)
        place -= 0.026
