"""Release speeds in groups: histogram, single values with their u95, medians."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from vidspin.figures.plot import heading, panel, render
from vidspin.figures.style import BLUE, INK, QUIET, SKY, VERMILION
from vidspin.wording import plural
from vidspin.workshop.grouping import ALL
from vidspin.workshop.starts import StartGroup, Starts

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ROW_PX, _TOP_PX, _FOOT_PX = 190, 90, 75
_MOST_ROWS = 10
_RUG = (-0.34, -0.14)  # lanes below the bars, in shares of the tallest bar
_LEFT, _WIDTH = 0.07, 0.905


def starts_figure(found: Starts) -> dict[str, bytes]:
    """Draw the release speeds, a row for each group.

    Parameters
    ----------
    found : Starts
        What was left out is named below the figure and drawn nowhere in it.

    Returns
    -------
    dict of str to bytes
        ``starts.png`` and ``starts.svg``.
    """
    rows = found.groups[:_MOST_ROWS]
    height = _TOP_PX + _FOOT_PX + _ROW_PX * max(len(rows), 1)
    return render(
        "starts",
        lambda figure: _draw(figure, found, rows, height),
        height_px=height,
        title="Release speeds",
        description=" ".join([_line(found), *map(group_words, found.groups)]),
    )


def _line(found: Starts) -> str:
    count = sum(len(group.rpm) for group in found.groups)
    parts = [plural(count, "start"), found.rule]
    if found.left_out:
        parts.append(f"{len(found.left_out)} left out, not binned")
    return " · ".join(parts)


def group_words(group: StartGroup) -> str:
    """Say a group's figures in one sentence."""
    words = f"{group.label}: {plural(len(group.rpm), 'start')}, median {group.median:.0f} rev/min"
    if np.isfinite(group.median_low):
        words += (
            f" ({group.median_low:.0f} to {group.median_high:.0f}, "
            f"{100 * group.median_level:.1f} % interval)"
        )
    return words + "."


def _draw(figure: Figure, found: Starts, rows: tuple[StartGroup, ...], height: int) -> None:
    by = f" by {found.by}" if found.by else ""
    heading(figure, f"Release speeds{by}", _line(found), left=_LEFT)
    if not rows:
        figure.text(0.5, 0.5, "no start can be counted", ha="center", color=INK)
        return
    edges = found.edges_rpm
    whiskers = [g.rpm + sign * np.nan_to_num(g.u95_rpm) for g in rows for sign in (-1, 1)]
    seen = np.concatenate([*whiskers, edges])
    room = 0.04 * (np.ptp(seen) or 1.0)
    tallest = int(found.counts.max())
    for number, group in enumerate(rows):
        bottom = (_FOOT_PX + (len(rows) - 1 - number) * _ROW_PX + 34) / height
        last = number == len(rows) - 1
        label = "release speed, rev/min" if last else ""
        axes = panel(figure, (_LEFT, bottom, _WIDTH, (_ROW_PX - 44) / height), x=label, y="starts")
        axes.set_xlim(float(seen.min() - room), float(seen.max() + room))
        axes.set_ylim(1.5 * _RUG[0] * tallest, 1.28 * tallest)
        axes.set_yticks(_whole_ticks(tallest))
        if not last:
            axes.tick_params(labelbottom=False)
        axes.stairs(found.counts[number], edges, fill=True, color=SKY, alpha=0.75)
        axes.stairs(found.counts[number], edges, color=BLUE, linewidth=1.0)
        axes.axhline(0, color=QUIET, linewidth=0.8)
        _rug(axes, group, tallest)
        words = group_words(group)
        words = words.removeprefix(f"{ALL}: ") if group.label == ALL else words
        axes.text(0.008, 0.97, words, transform=axes.transAxes, va="top", fontsize=10.5)
    figure.text(
        _LEFT, 18 / height,
        "below each histogram: single starts with their 95 % uncertainty (blue), the median with "
        "its interval (orange)", fontsize=10, color=QUIET,
    )  # fmt: skip


def _rug(axes: Any, group: StartGroup, tallest: int) -> None:
    lanes = [share * tallest for share in _RUG]
    axes.errorbar(
        group.rpm, np.full(len(group.rpm), lanes[1]), xerr=group.u95_rpm, fmt="|", color=BLUE,
        markersize=8, elinewidth=1.4, alpha=0.8,
    )  # fmt: skip
    axes.plot([group.median], [lanes[0]], "D", color=VERMILION, markersize=5)
    if np.isfinite(group.median_low):
        axes.plot(
            [group.median_low, group.median_high], [lanes[0]] * 2, color=VERMILION, linewidth=2
        )


def _whole_ticks(tallest: int) -> list[int]:
    step = max(1, -(-tallest // 4))
    return list(range(0, tallest + 1, step))
