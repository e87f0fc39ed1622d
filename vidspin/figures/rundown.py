"""A run-down's law: deceleration, what is left over, torque and power."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from vidspin.figures.plot import heading, panel, render, time_axis
from vidspin.figures.style import BLUE, GREEN, INK, ORANGE, QUIET, SKY, VERMILION
from vidspin.records import FloatArray
from vidspin.units import degrees_from_rad, rpm_from_rad_s
from vidspin.wording import with_u95
from vidspin.workshop.mechanics import Drag
from vidspin.workshop.rundown import Rundown, RundownFit
from vidspin.workshop.telling import scaled_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_POINTS = 200
_MOST_DOTS = 3000
_LEGEND_LINE_PX = 21  # of words of size 10 at 100 dots an inch, and the space between them
_MOST_LEGEND = 0.6  # of a panel
_COLOURS = (BLUE, VERMILION, GREEN, ORANGE)


@dataclass(frozen=True, slots=True)
class _Layout:
    height: int
    panels: int


def rundown_figure(
    found: Rundown, rows: tuple[FloatArray, FloatArray] | None = None, drag: Drag | None = None
) -> dict[str, bytes]:
    """Draw a fitted run-down.

    Parameters
    ----------
    found : Rundown
    rows : (ndarray, ndarray), optional
        Instants and speeds (s, rad/s) of the speed table, drawn as differences to compare with.
    drag : Drag
        Torques and power, where the moment of inertia is known.

    Returns
    -------
    dict of str to bytes
        ``rundown.png`` and ``rundown.svg``.
    """
    layout = _Layout(1060 if drag is not None else 780, 3 if drag is not None else 2)
    best = found.best
    return render(
        "rundown",
        lambda figure: _draw(figure, found, rows, drag, layout),
        height_px=layout.height,
        title=f"Run-down of {found.name}",
        description=f"{best.form.name}: {law_words(best)}",
    )


def law_words(fit: RundownFit) -> str:
    """Write the fitted law with its uncertainties."""
    parts = []
    for name, value, u95 in zip(fit.names, fit.values, fit.u95, strict=True):
        if name != "start":
            parts.append(f"{name} = {scientific(value, u95)}")
    if fit.form.power is not None and not fit.form.free:
        parts.append(f"p = {fit.form.power:g} (fixed)")
    return ", ".join(parts)


def scientific(value: float, u95: float) -> str:
    """Write a value with its uncertainty and one power of ten: ``(2.400 ± 0.007)e-4``."""
    size = max(abs(value), u95)
    power = int(np.floor(np.log10(size))) if size > 0 else 0
    if -2 <= power <= 3:
        return with_u95(value, u95)
    return f"({with_u95(value / 10.0**power, u95 / 10.0**power)})e{power}"


def _draw(
    figure: Figure,
    found: Rundown,
    rows: tuple[FloatArray, FloatArray] | None,
    drag: Drag | None,
    layout: _Layout,
) -> None:
    best = found.best
    sure = "± 95 %" if found.settled else "± 95 % if this form is the true one"
    line = f"{law_words(best)} (rad, s; {sure})"
    heading(figure, f"Run-down of {found.name}", line)
    unit = (layout.height - 110) / layout.panels / layout.height
    boxes = [
        (0.09, 1 - 85 / layout.height - (k + 1) * unit + 0.065 * 780 / layout.height, 0.845,
         unit - 0.085 * 780 / layout.height)
        for k in range(layout.panels)
    ]  # fmt: skip
    speed = np.linspace(*found.span_rad_s, _POINTS)
    _deceleration(panel(figure, boxes[0], x="speed, rev/min", y="deceleration, rev/min per s"),
                  found, rows, speed)  # fmt: skip
    if drag is not None:
        _torque(figure, boxes[1], drag)
    _residuals(panel(figure, boxes[-1], x="", y="residual, degrees"), best)


def _deceleration(
    axes: Any, found: Rundown, rows: tuple[FloatArray, FloatArray] | None, speed: FloatArray
) -> None:
    if rows is not None and len(rows[0]) > 12:
        step = max(1, len(rows[0]) // 60)
        time, seen = rows[0][::step], rows[1][::step]
        axes.plot(
            rpm_from_rad_s(0.5 * (seen[1:] + seen[:-1])),
            rpm_from_rad_s(-np.diff(seen) / np.diff(time)),
            ".", color=QUIET, markersize=4, label="differences of the speed table (not fitted)",
        )  # fmt: skip
    for fit, colour in zip(found.fits, _COLOURS, strict=False):
        value, u95 = (rpm_from_rad_s(v) for v in fit.deceleration(speed))
        style = "-" if fit is found.best else "--"
        label = f"{fit.form.name} ({fit.weight:.2f})"
        axes.plot(rpm_from_rad_s(speed), value, style, color=colour, linewidth=1.4, label=label)
        if fit is found.best:
            axes.fill_between(rpm_from_rad_s(speed), value - u95, value + u95, color=SKY, alpha=0.5)
    _legend_above(axes)


def _legend_above(axes: Any) -> None:
    """Set the legend above all curves, with so much room for it as it has lines."""
    legend = axes.legend(loc="upper left", fontsize=10, frameon=False)
    lines = len(legend.get_texts())
    box_px = axes.get_window_extent().height
    share = min((lines * _LEGEND_LINE_PX + _LEGEND_LINE_PX / 2) / box_px, _MOST_LEGEND)
    axes.set_ylim(0, axes.get_ylim()[1] / (1 - share))


def _residuals(axes: Any, fit: RundownFit) -> None:
    step = max(1, len(fit.time_s) // _MOST_DOTS)
    angle = degrees_from_rad(fit.residual_rad)
    axes.axhline(0, color=QUIET, linewidth=0.8)
    axes.plot(fit.time_s[::step], angle[::step], ".", color=SKY, markersize=2)
    parts = np.array_split(np.arange(len(angle)), min(60, max(1, len(angle) // 8)))
    middle = np.array([fit.time_s[p].mean() for p in parts])
    mean = np.array([angle[p].mean() for p in parts])
    axes.plot(middle, mean, color=VERMILION, linewidth=1.4)
    time_axis(axes, *axes.get_xlim())
    reach = 1.25 * float(np.percentile(np.abs(angle), 99.5)) or 1.0
    axes.set_ylim(-reach, reach)
    words = (
        f"{fit.sightings} sightings; means of {len(parts)} stretches in orange; {scaled_words(fit)}"
    )
    axes.text(0.008, 0.97, words, transform=axes.transAxes, va="top", fontsize=10, color=INK)


def _torque(figure: Figure, box: tuple[float, float, float, float], drag: Drag) -> None:
    axes = panel(figure, box, x="speed, rev/min", y="torque, µN·m")
    speed = drag.speed_rpm
    axes.plot(speed, drag.torque_un_m, color=BLUE, linewidth=1.6, label="torque")
    axes.fill_between(
        speed, drag.torque_un_m - drag.u95_torque_un_m, drag.torque_un_m + drag.u95_torque_un_m,
        color=SKY, alpha=0.5,
    )  # fmt: skip
    if drag.floor_un_m is not None:
        axes.plot(speed, drag.floor_un_m, "--", color=GREEN, linewidth=1.4,
                  label="smooth free disc of this size")  # fmt: skip
    right = axes.twinx()
    right.plot(speed, drag.power_mw, ":", color=VERMILION, linewidth=1.6)
    right.set_ylabel("power, mW")
    right.spines["right"].set_visible(True)
    right.set_ylim(bottom=0)
    axes.plot([], [], ":", color=VERMILION, linewidth=1.6, label="power (right)")
    below = axes.get_ylim()[1]
    _legend_above(axes)
    right.set_ylim(0, right.get_ylim()[1] * axes.get_ylim()[1] / below)
