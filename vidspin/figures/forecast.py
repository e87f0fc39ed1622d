"""Spin time against release speed, and the expected topple of a broken-off spin."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np

from vidspin.figures.plot import heading, panel, render, time_axis
from vidspin.figures.style import BLUE, FAINT, GREEN, INK, QUIET, SKY, VERMILION
from vidspin.units import format_duration, rpm_from_rad_s
from vidspin.wording import plural
from vidspin.workshop.attempt import Attempt
from vidspin.workshop.forecast import Forecast
from vidspin.workshop.telling import needed_between
from vidspin.workshop.topple import ExpectedTopple

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def forecast_figure(
    found: Forecast, attempts: Sequence[Attempt] = (), target_s: float | None = None
) -> dict[str, bytes]:
    """Draw spin time against release speed.

    Parameters
    ----------
    found : Forecast
    attempts : sequence of Attempt
        Finished ones are drawn as points.
    target_s : float, optional
        A spin time to mark.

    Returns
    -------
    dict of str to bytes
        ``forecast.png`` and ``forecast.svg``.
    """
    return render(
        "forecast",
        lambda figure: _draw(figure, found, attempts, target_s),
        height_px=640,
        title="Spin time against release speed",
        description=" · ".join(filter(None, (_line(found), found.note))),
    )


def _line(found: Forecast) -> str:
    parts = [f"from {plural(len(found.names), 'attempt')}"]
    if np.isfinite(found.repeat_scatter):
        parts.append(f"repeats scatter by {100 * found.repeat_scatter:.2g} % at equal speed")
    return " · ".join(parts)


def _draw(
    figure: Figure, found: Forecast, attempts: Sequence[Attempt], target_s: float | None
) -> None:
    heading(figure, "Spin time against release speed", _line(found))
    words = wrap(found.note, 140)
    low = 0.12 + 0.03 * len(words)
    figure.text(0.09, 0.015, "\n".join(words), fontsize=10, color=QUIET, linespacing=1.4)
    box = (0.09, low, 0.885, 0.86 - low)
    axes = panel(figure, box, x="release speed, rev/min", y="spin time, s")
    speed = found.release_rpm
    if np.isfinite(found.low_s).any():
        axes.fill_between(speed, found.low_s, found.high_s, color=SKY, alpha=0.5,
                          label="95 % of the next starts")  # fmt: skip
    axes.plot(speed, found.spin_time_s, color=BLUE, linewidth=1.8, label="median")
    axes.axvspan(found.seen_rpm[1], float(speed[-1]), color=FAINT, alpha=0.6, linewidth=0,
                 label="faster than any start so far: by the law alone")  # fmt: skip
    points = [(a.release.rpm, a.spin_time_s) for a in attempts if a.release and a.spin_time_s]
    if points:
        axes.plot(*zip(*points, strict=True), "o", color=INK, markersize=5, label="attempts")
    if target_s is not None:
        _target(axes, found, target_s)
    axes.set_xlim(float(speed[0]), float(speed[-1]))
    highest = np.nanmax(np.concatenate([found.spin_time_s, found.high_s, [target_s or 0.0]]))
    axes.set_ylim(0, 1.2 * float(highest))
    axes.legend(loc="lower right", fontsize=10.5, frameon=False)


def _target(axes: Any, found: Forecast, target_s: float) -> None:
    axes.axhline(target_s, color=VERMILION, linewidth=1.2, linestyle=(0, (4, 2)))
    words = [f"target {format_duration(target_s)}"]
    shares = ("1 start in 2 reaches it", "39 starts in 40 reach it")
    for release, share in zip(found.release_for(target_s), shares, strict=True):
        if np.isfinite(release):
            axes.plot([release, release], [0, target_s], color=VERMILION, linewidth=1.0)
            between = "" if words[1:] else needed_between(found, target_s)
            words.append(f"from {release:.0f} rev/min{between} {share}")
    if len(words) == 1:
        words.append("no release speed on this curve reaches it")
    axes.text(0.012, 0.97, "\n".join(words), transform=axes.transAxes, va="top", fontsize=10.5,
              linespacing=1.4)  # fmt: skip


def topple_figure(found: ExpectedTopple, attempt: Attempt) -> dict[str, bytes]:
    """Draw a broken-off run-down and when it is expected to end.

    Returns
    -------
    dict of str to bytes
        ``forecast.png`` and ``forecast.svg``.
    """
    return render(
        "forecast",
        lambda figure: _draw_topple(figure, found, attempt),
        height_px=560,
        title=f"Expected topple of {found.name}",
        description=f"{topple_words(found)}; {found.assumption}.",
    )


def topple_words(found: ExpectedTopple) -> str:
    """Say when the topple is expected."""
    middle, low, high = (format_duration(t, 1) for t in (found.time_s, found.low_s, found.high_s))
    words = f"topple expected at {middle} ({low} to {high}, 95 %)"
    if np.isfinite(found.spin_time_s):
        spin = [
            format_duration(t, 1) for t in (found.spin_time_s, found.low_spin_s, found.high_spin_s)
        ]
        words += f", spin time {spin[0]} ({spin[1]} to {spin[2]})"
    return words


def _draw_topple(figure: Figure, found: ExpectedTopple, attempt: Attempt) -> None:
    heading(figure, f"Expected topple of {found.name}", f"{topple_words(found)}")
    axes = panel(figure, (0.09, 0.19, 0.885, 0.64), x="", y="speed, rev/min")
    rows = attempt.rows
    if rows is not None:
        axes.plot(rows.time_s, rpm_from_rad_s(rows.speed_rad_s), color=BLUE, linewidth=1.8)
    axes.axvline(found.last_s, color=QUIET, linewidth=1.0, linestyle=":")
    axes.axvspan(found.low_s, found.high_s, color=SKY, alpha=0.45, linewidth=0)
    axes.axvline(found.time_s, color=VERMILION, linewidth=1.6)
    axes.set_ylim(bottom=0)
    top = axes.get_ylim()[1]
    counts, edges = np.histogram(found.draws_s, 60)
    axes.stairs(0.35 * top * counts / counts.max(), edges, fill=True, color=GREEN, alpha=0.5)
    time_axis(axes, *axes.get_xlim())
    axes.text(found.last_s, top * 0.98, "the recording ends ", ha="right", va="top", fontsize=10.5)
    words = "\n".join(wrap(f"Band: 95 %. It rests on: {found.assumption}.", 140))
    figure.text(0.09, 0.015, words, fontsize=10, color=QUIET, linespacing=1.4)
