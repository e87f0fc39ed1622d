"""Which top, tip or base coasts longer?  Attempts compared at equal speed.

The release speed does not enter: what is compared is the time that each attempt takes from one
speed to another that all of them pass, and the deceleration in pieces of that range.  Repeats
scatter more than a measurement is uncertain, so that only groups of repeats can be told apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vidspin.errors import UsageError
from vidspin.records import FloatArray
from vidspin.uncertainty import coverage_factor
from vidspin.units import rad_s_from_rpm, rpm_from_rad_s
from vidspin.wording import plural, with_u95
from vidspin.workshop.attempt import Attempt, refuse_twins
from vidspin.workshop.coast import Coast, coast
from vidspin.workshop.effects import FEWEST_REPEATS, Pooled, contrasts, pool, stray
from vidspin.workshop.grouping import (
    UNTOLD,
    Doubted,
    Group,
    LeftOut,
    also_different,
    doubted,
    grouped,
    order_known,
)

POINTS = 24  # of the curves drawn, a multiple of the pieces
PIECES = 6  # of the range, of equal ratio of speeds
LEAST_RATIO = 1.1  # of the two common speeds: below, nothing worth comparing is left
ROUND_RPM = 10.0  # the common speeds are chosen at multiples of this
RISK = 0.05


@dataclass(frozen=True, slots=True)
class CoastGroup:
    """Coast times of one group; n attempts, K pieces of the range."""

    label: str
    names: tuple[str, ...]
    coast_s: FloatArray  # (n,) between the two common speeds
    u95_coast_s: FloatArray  # (n,) measurement alone
    passing_s: FloatArray  # (n, POINTS + 1) times at the curve's speeds, 0 at the fast end
    deceleration_rad_s2: FloatArray  # (n, K) mean of each piece
    pooled: Pooled | None  # of the logarithms of the coast times; None for one attempt
    pieces: tuple[Pooled, ...]  # (K,) of the logarithms of the decelerations; or empty

    @property
    def typical_s(self) -> float:
        """Coast time of the group: geometric mean, s."""
        return float(np.exp(self.pooled.mean if self.pooled else np.log(self.coast_s).mean()))


@dataclass(frozen=True, slots=True)
class Difference:
    """One group's coast time against another's, in per cent of the other's."""

    first: str
    second: str
    percent: float
    low: float
    high: float
    p: float
    # each group has `FEWEST_REPEATS` or more and tells its fact; else low, high and p are NaN
    enough: bool
    verdict: str
    pieces_percent: FloatArray  # (K,) of the coast time in each piece; NaN where too few
    pieces_u95: FloatArray  # (K,) half widths, simultaneous over pieces and pairs


@dataclass(frozen=True, slots=True)
class Comparison:
    """Some attempts at equal speed."""

    by: str
    between_rpm: tuple[float, float]  # slow and fast end of the range
    edges_rpm: FloatArray  # (K + 1,) edges of the pieces, falling
    curve_rpm: FloatArray  # (POINTS + 1,) speeds of `passing_s`, falling
    groups: tuple[CoastGroup, ...]
    differences: tuple[Difference, ...]
    left_out: tuple[LeftOut, ...]
    also_different: tuple[str, ...]  # what else changes together with the groups, in words
    order_known: bool = True  # whether it is known if the groups took turns
    doubted: tuple[Doubted, ...] = ()  # counted, but touched, failed in a check, or far off

    def table(self) -> dict[str, list[str] | FloatArray]:
        """Return one row an attempt, as columns ready for a data frame."""
        none = [np.zeros(0)]
        return {
            "name": [name for group in self.groups for name in group.names],
            "group": [group.label for group in self.groups for _ in group.names],
            "coast_s": np.concatenate([g.coast_s for g in self.groups] or none),
            "u95_s": np.concatenate([g.u95_coast_s for g in self.groups] or none),
        }


def compare(
    attempts: Sequence[Attempt],
    *,
    by: str = "",
    between_rpm: tuple[float, float] | None = None,
) -> Comparison:
    """Compare attempts at equal speed.

    Parameters
    ----------
    attempts : sequence of Attempt
    by : str
        Fact whose values make the groups; one group when empty.
    between_rpm : (float, float), optional
        Slow and fast speed, rev/min; by default the widest range that all resolved attempts
        pass.  Attempts that do not pass it are left out, with the reason.

    Returns
    -------
    Comparison

    Raises
    ------
    UsageError
        When no attempt is resolved, or no range is common.

    Notes
    -----
    Logarithms of the coast times are pooled group by group (`effects.pool`), all pairs of
    groups are judged together (`effects.contrasts`).  A group needs `FEWEST_REPEATS` attempts
    for a verdict: the scatter from repeat to repeat has to be known, and two attempts alone,
    however well measured, do not tell it.  Attempts that do not tell the fact are listed, but
    are no group of their own that could be judged.
    """
    refuse_twins(attempts, "compare")
    slow, fast = between_rpm if between_rpm is not None else _common_range(attempts)
    if not 0 < slow < fast:
        raise UsageError("it holds no speed", where="--between", do="give LOW HIGH in rev/min")
    speeds = np.geomspace(rad_s_from_rpm(fast), rad_s_from_rpm(slow), POINTS + 1)
    made, left_out, members = [], [], []
    for group in grouped(attempts, by):
        read = [(a, coast(a, speeds)) for a in group.attempts]
        left_out += [
            LeftOut(a.name, group.label, c.why_not, () if a.resolved else a.candidates)
            for a, c in read
            if c.why_not
        ]
        kept = [(a, c) for a, c in read if not c.why_not]
        if kept:
            made.append(_group(group.label, kept, speeds))
            members.append(Group(group.label, tuple(a for a, _ in kept)))
    if not made:
        raise UsageError(
            f"no attempt is seen from {fast:.0f} down to {slow:.0f} rev/min",
            where="--between",
            do="choose a narrower range",
        )
    far = [words for group in made if (words := _far_off(group)) is not None]
    kept_all = [a for group in members for a in group.attempts]
    return Comparison(
        by, (slow, fast), rpm_from_rad_s(speeds[:: POINTS // PIECES]), rpm_from_rad_s(speeds),
        tuple(made), _differences(made, (slow, fast)), tuple(left_out), also_different(members, by),
        order_known([g for g in members if UNTOLD not in g.label]), (*doubted(kept_all), *far),
    )  # fmt: skip


def _common_range(attempts: Sequence[Attempt]) -> tuple[float, float]:
    """Choose the widest range that every resolved attempt passes."""
    ends = [
        (float(a.rows.speed_rad_s.min()), float(a.rows.speed_rad_s.max()), a.name)
        for a in ([a for a in attempts if not a.part] or attempts)
        if a.rows is not None
    ]
    if not ends:
        raise UsageError(
            "no attempt has a known speed", where="compare", do="give resolved results"
        )
    low, _, lowest = max(ends)
    _, high, highest = min(ends, key=lambda end: end[1])
    slow = math.ceil(rpm_from_rad_s(low) / ROUND_RPM) * ROUND_RPM
    fast = math.floor(rpm_from_rad_s(high) / ROUND_RPM) * ROUND_RPM
    if fast < LEAST_RATIO * slow:
        raise UsageError(
            f"no range of speeds is common ({lowest} ends at {rpm_from_rad_s(low):.0f}, "
            f"{highest} starts at {rpm_from_rad_s(high):.0f} rev/min)",
            where="compare",
            do="leave one of them out or state --between",
        )
    return slow, fast


def _group(label: str, read: Sequence[tuple[Attempt, Coast]], speeds: FloatArray) -> CoastGroup:
    fine = np.stack([c.time_s for _, c in read])
    step = POINTS // PIECES
    passing, edges = fine[:, ::step], speeds[::step]
    u_passing = np.stack([c.u_s for _, c in read])[:, ::step]
    clock = np.array([[a.u_clock] for a, _ in read])
    lasting = np.diff(passing, axis=1)
    u_lasting = np.hypot(u_passing[:, 1:], u_passing[:, :-1])
    whole = passing[:, -1] - passing[:, 0]
    gaps = np.stack([a.u_between(p[:-1], p[1:]) for (a, _), p in zip(read, passing, strict=True)])
    u_lasting = np.hypot(u_lasting, gaps)
    u_whole = np.sqrt(u_passing[:, -1] ** 2 + u_passing[:, 0] ** 2 + (gaps**2).sum(axis=1))
    u_log = np.hypot(u_whole / whole, clock[:, 0])
    slowing = -np.diff(edges) / lasting
    u_slowing = np.hypot(u_lasting / lasting, clock)
    several = len(read) > 1
    return CoastGroup(
        label=label, names=tuple(c.name for _, c in read), coast_s=whole,
        u95_coast_s=coverage_factor(0.95, math.inf) * u_log * whole,
        passing_s=fine - fine[:, :1], deceleration_rad_s2=slowing,
        pooled=pool(np.log(whole), u_log) if several else None,
        pieces=tuple(
            pool(np.log(slowing[:, k]), u_slowing[:, k]) for k in range(slowing.shape[1])
        ) if several else (),
    )  # fmt: skip


def _far_off(group: CoastGroup) -> Doubted | None:
    """Name the attempt of a group that is unlike all others of it."""
    u = group.u95_coast_s / coverage_factor(0.95, math.inf) / group.coast_s
    found = stray(np.log(group.coast_s), u)
    if found is None:
        return None
    others = np.exp(np.log(np.delete(group.coast_s, found[0])).mean())
    percent = 100 * float(group.coast_s[found[0]] / others - 1)
    than = "longer" if percent > 0 else "shorter"
    return Doubted(
        group.names[found[0]],
        f"coasts {abs(percent):.2g} % {than} than the others of {group.label} (p {found[1]:.2g}): "
        "was it touched, or is it told wrongly?",
    )


def _differences(
    groups: Sequence[CoastGroup], between: tuple[float, float]
) -> tuple[Difference, ...]:
    """Compare every pair; groups with enough repeats are judged together."""
    enough = [g for g in groups if len(g.names) >= FEWEST_REPEATS and UNTOLD not in g.label]
    pooled = [group.pooled for group in enough if group.pooled is not None]
    judged = {}
    if len(pooled) > 1:
        for contrast in contrasts(pooled):
            pair = (enough[contrast.first].label, enough[contrast.second].label)
            judged[pair] = contrast
    made = []
    for i, one in enumerate(groups):
        for other in groups[i + 1 :]:
            pair = (one.label, other.label)
            if pair not in judged:
                made.append(_unjudged(one, other))
                continue
            c = judged[pair]
            pieces, u_pieces = _piecewise(one, other, pairs=len(judged))
            percent, low, high = (
                100 * math.expm1(x)
                for x in (c.difference, c.difference - c.u95, c.difference + c.u95)
            )
            words = _verdict(pair, (percent, low, high), c.p, between)
            made.append(Difference(*pair, percent, low, high, c.p, True, words, pieces, u_pieces))
    return tuple(made)


def _piecewise(one: CoastGroup, other: CoastGroup, *, pairs: int) -> tuple[FloatArray, FloatArray]:
    """Compare the coast times piece by piece; Bonferroni over pieces and pairs."""
    p = 1.0 - RISK / (len(one.pieces) * pairs)
    found = [
        contrasts((b, a), p=p)[0] for a, b in zip(one.pieces, other.pieces, strict=True)
    ]  # a longer coast is a smaller deceleration
    percent = np.array([100 * math.expm1(c.difference) for c in found])
    u95 = np.array([100 * math.exp(c.difference) * c.u95 for c in found])
    return percent, u95


def _unjudged(one: CoastGroup, other: CoastGroup) -> Difference:
    """Say why two groups get no verdict: one of them is no group, or they are too few."""
    nan = np.full(PIECES, np.nan)
    percent = 100 * (one.typical_s / other.typical_s - 1)
    first, second = (f"{g.label} ({plural(len(g.names), 'attempt')})" for g in (one, other))
    if UNTOLD in one.label or UNTOLD in other.label:
        words = f"no verdict between {first} and {second}: what is not told may be the same or not"
    else:
        words = (
            f"too few to tell {first} from {second}: the scatter from start to start is known "
            f"from {FEWEST_REPEATS} of each on"
        )
    return Difference(
        one.label, other.label, percent, math.nan, math.nan, math.nan, False, words, nan, nan
    )


def _verdict(
    pair: tuple[str, str],
    figures: tuple[float, float, float],
    p: float,
    between: tuple[float, float],
) -> str:
    """Put a difference into words."""
    percent, low, high = figures
    span = f"between {between[0]:.0f} and {between[1]:.0f} rev/min"
    if p <= RISK:
        one, other = pair if percent > 0 else (pair[1], pair[0])
        if percent < 0:  # told from the other side, as a share of the shorter coast
            percent, low, high = (100 * ((1 / (1 + 0.01 * x)) - 1) for x in (percent, high, low))
        u95 = 0.5 * (high - low)
        size = with_u95(percent, u95, "%")
        if u95 >= percent:  # an interval of a ratio lies unevenly: this one holds no 0
            size = f"{percent:.2g} % ({low:.2g} to {high:.2g} %)"
        return f"{one} coasts {size} longer than {other} {span}"
    # as a share of the shorter coast, whichever group is named first, and never cut
    if low <= -100 or not math.isfinite(high):
        return f"no bound on a difference between {pair[0]} and {pair[1]} {span}"
    most = _rounded_up(max(high, 100 * (1 / (1 + 0.01 * low) - 1)))
    return f"no difference above {most} % between {pair[0]} and {pair[1]} {span}"


def _rounded_up(percent: float) -> str:
    """Write a bound with two digits, rounded up."""
    step = 10.0 ** (math.floor(math.log10(max(percent, 1e-6))) - 1)
    return f"{math.ceil(percent / step - 1e-9) * step:.6f}".rstrip("0").rstrip(".")
