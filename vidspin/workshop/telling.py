"""What does a person need to read of an analysis?  Text for the terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from vidspin.units import format_duration, rpm_from_rad_s
from vidspin.wording import percent, plural, with_u95
from vidspin.workshop.compare import CoastGroup, Comparison
from vidspin.workshop.effects import FEWEST_REPEATS
from vidspin.workshop.forecast import Forecast
from vidspin.workshop.grouping import Doubted, LeftOut
from vidspin.workshop.mechanics import Drag
from vidspin.workshop.rundown import Rundown, RundownFit
from vidspin.workshop.starts import StartContrast, StartGroup, Starts
from vidspin.workshop.topple import ExpectedTopple

BAR = 40  # letters of the longest bar
BY_LAW_ALONE = "faster than any start so far: by the law alone"
_MOST_CANDIDATES = 3
ORDER_UNKNOWN = (
    "whether the groups took turns is not known, since it is not known of all when they were "
    "filmed: a tip that wears or a room that warms may be the difference"
)
UNSETTLED = (
    "no form is settled (weight 0.95): each ± holds only if its form is the true one; torque and "
    "power are the mean of all forms by weight, with that doubt in their ±"
)


def starts_text(found: Starts) -> str:
    """Tell the starts: histogram, medians, comparisons, what is left out."""
    lines = [f"bins: {found.rule}"]
    tallest = max([1, *found.counts.ravel().tolist()])
    for group, counts in zip(found.groups, found.counts.tolist(), strict=True):
        lines += ["", group_line(group)]
        for k, count in enumerate(counts):
            low, high = found.edges_rpm[k], found.edges_rpm[k + 1]
            bar = "█" * round(BAR * count / max(tallest, BAR)) if count else ""
            lines.append(f"  {low:7.0f} to {high:7.0f}  {count:4d}  {bar}".rstrip())
    if found.contrasts:
        lines.append("")
        lines += [contrast_line(pair) for pair in found.contrasts]
        lines += together_lines([math.isfinite(pair.p) for pair in found.contrasts])
    lines += confounded_lines(found.by, found.also_different)
    return "\n".join([*lines, *doubted_lines(found.doubted), *left_out_lines(found.left_out)])


def group_line(group: StartGroup) -> str:
    """Tell a group's median with its interval, mean and scatter."""
    words = f"{group.label}: {plural(len(group.rpm), 'start')}, median {group.median:.1f} rev/min"
    if math.isfinite(group.median_low):
        words += (
            f" ({group.median_low:.1f} to {group.median_high:.1f}, "
            f"{100 * group.median_level:.1f} % interval)"
        )
    else:
        words += " (too few for an interval)"
    if math.isfinite(group.deviation):
        words += f"; mean {group.mean:.1f}, standard deviation {group.deviation:.1f}"
    return words


def contrast_line(pair: StartContrast) -> str:
    """Tell how two groups of starts differ."""
    words = f"{pair.first} against {pair.second}: {pair.difference:+.1f} rev/min"
    if pair.note:
        return f"{words}; {pair.note}"
    how = "every exchange counted" if pair.exact else "sampled exchanges"
    return (
        f"{words} ({pair.difference_low:+.1f} to {pair.difference_high:+.1f}), ratio "
        f"{pair.ratio:.4f} ({pair.ratio_low:.4f} to {pair.ratio_high:.4f}), p "
        f"{pair.p:.2g} for equal means (the larger of Welch's and a permutation's, {how})"
    )


def together_lines(judged: Sequence[bool]) -> list[str]:
    """Say that the pairs that are judged are judged together, where they are several."""
    pairs = sum(judged)
    if pairs < 2:
        return []
    return [f"{pairs} pairs are judged together: all intervals hold at once in 95 of 100 cases"]


def confounded_lines(by: str, also_different: Sequence[str]) -> list[str]:
    """Name what changes together with the groups."""
    if not also_different:
        return []
    return [
        f"these change together with {by}, so their effect cannot be told from its: "
        f"{', '.join(also_different)}"
    ]


def doubted_lines(doubted: Sequence[Doubted]) -> list[str]:
    """List what is counted, but not beyond doubt."""
    if not doubted:
        return []
    names: dict[str, list[str]] = {}
    for one in doubted:
        names.setdefault(one.why, []).append(one.name)
    lines = [f"  {', '.join(alike)}: {why}" for why, alike in names.items()]
    return ["", "counted, but look at them first:", *lines]


def left_out_lines(left_out: Sequence[LeftOut]) -> list[str]:
    """List what was not counted, with candidates where the alias order is unresolved."""
    if not left_out:
        return []
    lines = ["", "left out:"]
    for one in left_out:
        words = f"  {one.name}: {one.why}"
        if one.candidates:
            shown = [f"{rpm:.0f} ({percent(p)})" for rpm, p in one.candidates[:_MOST_CANDIDATES]]
            more = len(one.candidates) - len(shown)
            words += (
                f"; could be {', '.join(shown)}{f' or {more} more' if more > 0 else ''} rev/min"
            )
        lines.append(words)
    return lines


# ----------------------------------------------------------------------------- compare


def compare_text(found: Comparison) -> str:
    """Tell a comparison: coast times, scatter, verdicts."""
    slow, fast = found.between_rpm
    lines = [f"coast times from {fast:.0f} down to {slow:.0f} rev/min"]
    for group in found.groups:
        lines += ["", _coast_line(group)]
        for name, seconds, u95 in zip(group.names, group.coast_s, group.u95_coast_s, strict=True):
            lines.append(f"  {name}: {with_u95(float(seconds), float(u95), 's')}")
        lines += _scatter_lines(group)
    if found.differences:
        lines.append("")
        for one in found.differences:
            p = f" (p {one.p:.2g})" if math.isfinite(one.p) else ""
            lines.append(f"{one.verdict}{p}")
        lines += together_lines([one.enough for one in found.differences])
        lines += [] if found.order_known else [ORDER_UNKNOWN]
    lines += confounded_lines(found.by, found.also_different)
    return "\n".join([*lines, *doubted_lines(found.doubted), *left_out_lines(found.left_out)])


def _coast_line(group: CoastGroup) -> str:
    words = f"{group.label}: {plural(len(group.names), 'attempt')}"
    if group.pooled is None or len(group.names) < FEWEST_REPEATS:
        return f"{words}, typically {group.typical_s:.2f} s"
    mean = group.typical_s
    return f"{words}, mean {with_u95(mean, mean * group.pooled.u95, 's')}"


def _scatter_lines(group: CoastGroup) -> list[str]:
    if group.pooled is None:
        return []
    if group.pooled.tau == 0:
        hidden = f"{100 * group.pooled.u_measurement:.2g} %"
        return [f"  no scatter from start to start is seen beyond that of measurement ({hidden})"]
    return [
        f"  from start to start they scatter by {100 * group.pooled.tau:.2g} % (standard "
        f"deviation); measurement is uncertain by {100 * group.pooled.u_measurement:.2g} %"
    ]


# ---------------------------------------------------------------------------- forecast


def forecast_text(
    found: Forecast, *, targets_s: Sequence[float] = (), releases_rpm: Sequence[float] = ()
) -> str:
    """Tell a forecast for some release speeds and some targets."""
    low, high = found.seen_rpm
    count = plural(len(found.names), "attempt")
    lines = [f"from {count} with releases of {low:.0f} to {high:.0f} rev/min"]
    if found.repeat_scatter > 0:
        lines.append(f"at equal speed repeats scatter by {100 * found.repeat_scatter:.2g} %")
    if found.note:
        lines.append(found.note)
    for rpm in dict.fromkeys(releases_rpm or (low, high)):
        lines.append(f"released at {rpm:.0f} rev/min: {_spin_words(*found.at(rpm))}")
        if high * 1.0001 < rpm <= found.release_rpm[-1]:
            lines[-1] += f"; {BY_LAW_ALONE}"
    for target in targets_s:
        lines.append(f"to spin {format_duration(target)}: {_target_words(found, target)}")
    return "\n".join([*lines, *doubted_lines(found.doubted), *left_out_lines(found.left_out)])


def _target_words(found: Forecast, target_s: float) -> str:
    """Say from which speed on a target is reached, or up to which one it is not."""
    ends = f"within this curve, which ends at {found.release_rpm[-1]:.0f} rev/min"
    reached = found.release_for(target_s)
    if not np.isfinite(reached).any():
        return f"not reached {ends}"
    words: list[str] = []
    for who, rpm in zip(("1 in 2 starts", "39 in 40"), reached, strict=True):
        if math.isfinite(rpm):
            alone = f" ({BY_LAW_ALONE})" if rpm > found.seen_rpm[1] * 1.0001 else ""
            between = needed_between(found, target_s) if not words else ""
            words.append(f"{who} reach it from {rpm:.0f} rev/min{between}{alone}")
        elif np.isfinite(found.low_s).any():  # without an interval nothing is known of 39 in 40
            words.append(f"{who} do not reach it {ends}")
    return "; ".join(words)


def needed_between(found: Forecast, target_s: float) -> str:
    """Say how well the release speed is known from which one start in two gets there."""
    low, high = found.median_release_between(target_s)
    if math.isnan(low) or not np.isfinite(found.u95_s).any():
        return ""
    end = f"to {high:.0f}" if math.isfinite(high) else "to beyond this curve"
    return f" ({low:.0f} {end}, 95 %)"


def _spin_words(middle: float, low: float, high: float) -> str:
    if not math.isfinite(middle):
        return "beyond this curve"
    words = f"{format_duration(middle)} = {middle:.1f} s"
    if math.isfinite(low):
        words += f" ({low:.1f} to {high:.1f} s, 95 % of starts)"
    return words


def topple_text(found: ExpectedTopple) -> str:
    """Tell when a broken-off spin is expected to end."""
    lines = [
        f"{found.name}: seen until {format_duration(found.last_s)}, then at "
        f"{found.last_rpm:.1f} rev/min",
        f"topple expected at {format_duration(found.time_s, 1)} "
        f"({format_duration(found.low_s, 1)} to {format_duration(found.high_s, 1)}, 95 %)",
    ]
    if math.isfinite(found.spin_time_s):
        lines.append(
            f"spin time {found.spin_time_s:.1f} s "
            f"({found.low_spin_s:.1f} to {found.high_spin_s:.1f} s, 95 %)"
        )
    return "\n".join([*lines, f"rests on: {found.assumption}"])


# ----------------------------------------------------------------------------- rundown


def rundown_text(found: Rundown, drag: Drag | None = None) -> str:
    """Tell the laws that fit a run-down, and the torques."""
    slow, fast = (rpm_from_rad_s(speed) for speed in found.span_rad_s)
    lines = [f"{found.name}: {fast:.0f} down to {slow:.0f} rev/min"]
    lines.append(
        "law dω/dt = -(a + b·ω + c·ω^p), ω in rad/s; ± is u95 where that form is the true one"
    )
    for fit in found.fits:
        lines += ["", f"{fit.form.name}, weight {fit.weight:.3f}", *_law_lines(fit)]
    if not found.settled:
        lines += ["", UNSETTLED]
    if drag is not None:
        lines += ["", *drag_lines(drag)]
    return "\n".join(lines)


def scaled_words(fit: RundownFit) -> str:
    """Say by how much what a law leaves over scales its uncertainties, up or down."""
    return (
        f"uncertainties {math.sqrt(fit.widened):.2g} times those of independent noise as stated, "
        "by what the law leaves over"
    )


_UNITS = {"start": "rad/s", "a": "rad/s²", "b": "1/s", "c": "(rad/s)^(1-p)/s", "p": ""}


def _law_lines(fit: RundownFit) -> list[str]:
    lines = [
        f"  {name} = {with_u95(value, u95, _UNITS[name])}"
        for name, value, u95 in zip(fit.names, fit.values, fit.u95, strict=True)
    ]
    return [
        *lines,
        f"  {fit.sightings} sightings; {scaled_words(fit)}",
    ]


def drag_lines(drag: Drag) -> list[str]:
    """Tell torque and power at some speeds."""
    lines = [drag.note, "  rev/min   torque µN·m        power mW   ratio to the disc"]
    step = max(1, (len(drag.speed_rpm) - 1) // 5)
    for k in range(0, len(drag.speed_rpm), step):
        torque = with_u95(float(drag.torque_un_m[k]), float(drag.u95_torque_un_m[k]))
        ratio = f"{drag.ratio[k]:.2f}" if drag.ratio is not None else ""
        line = f"  {drag.speed_rpm[k]:7.0f}   {torque:<18} {drag.power_mw[k]:8.3f}   {ratio}"
        lines.append(line.rstrip())
    return lines
