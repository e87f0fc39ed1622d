"""How fast, and how evenly, are the starts?  Release speeds in groups.

Only releases that are in the recording and whose alias order is resolved are counted; all
others are listed with the reason and enter no bin, no median and no comparison.

References
----------
D. Freedman, P. Diaconis, Z. Wahrsch. verw. Geb. 57 (1981) 453-476: width of the bins.
W. R. Thompson, Ann. Math. Stat. 7 (1936) 122-128: a median lies between two of the values.
B. L. Welch, Biometrika 34 (1947) 28-35: means of groups with unequal scatter; of more than two
groups P. A. Games, J. F. Howell, J. Educ. Stat. 1 (1976) 113-125.  A. Janssen, Stat. Probab. Lett.
36 (1997) 9-21, and E. Chung, J. P. Romano, Ann. Stat. 41 (2013) 484-507: permutations of Welch's
t.  (All from memory.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from vidspin.errors import UsageError
from vidspin.records import FloatArray, IntArray
from vidspin.uncertainty import COVERAGE
from vidspin.workshop.attempt import Attempt
from vidspin.workshop.effects import judged
from vidspin.workshop.grouping import (
    UNTOLD,
    Doubted,
    Group,
    LeftOut,
    also_different,
    doubted,
    grouped,
)

# Rules for the width of the bins: numpy's name and the sentence that states it.
BIN_RULES = {
    "fd": "Freedman and Diaconis: twice the interquartile range ÷ cube root of the number",
    "scott": "Scott: 3.49 standard deviations ÷ cube root of the number",
    "sturges": "Sturges: one bin more than the base-2 logarithm of the number",
}
RESAMPLES = 9999
# Lowest and highest of five values hold the median with 1 - 2/2^5 = 94 %, of six with 97 %.
FEWEST_FOR_MEDIAN = 6
# The smallest two-sided permutation p of two groups of three is 2/20: nothing to be told.
FEWEST_FOR_CONTRAST = 4
SEED = 20240501  # resampling starts alike on every run, so that a report can be made again
MOST_BINS = 200


@dataclass(frozen=True, slots=True)
class StartGroup:
    """Release speeds of one group, in rev/min."""

    label: str
    names: tuple[str, ...]
    rpm: FloatArray  # (n,)
    u95_rpm: FloatArray  # (n,)
    median: float
    median_low: float  # between two of the values; NaN with fewer than `FEWEST_FOR_MEDIAN`
    median_high: float
    median_level: float  # how often such an interval holds the median: 0.95 or more
    mean: float
    deviation: float  # standard deviation of the values; NaN for one


@dataclass(frozen=True, slots=True)
class StartContrast:
    """Two groups compared: first against second."""

    first: str
    second: str
    difference: float  # of the means, rev/min
    difference_low: float
    difference_high: float
    ratio: float  # of the means
    ratio_low: float
    ratio_high: float
    p: float  # are the means equal?  The larger of that of all pairs and of a permutation of t
    exact: bool  # every exchange was counted, not a sample of them
    note: str  # why nothing is told, where nothing is


@dataclass(frozen=True, slots=True)
class Starts:
    """The starts of some attempts."""

    by: str  # fact that makes the groups, "" for one group
    groups: tuple[StartGroup, ...]
    left_out: tuple[LeftOut, ...]
    edges_rpm: FloatArray  # (bins + 1,) common to all groups
    counts: IntArray  # (groups, bins)
    rule: str  # in words, with the width that came out
    contrasts: tuple[StartContrast, ...]
    also_different: tuple[str, ...] = ()  # what else changes together with the groups, in words
    doubted: tuple[Doubted, ...] = ()  # counted, but touched or failed in a check

    def table(self) -> dict[str, list[str] | FloatArray]:
        """Return one row an attempt, as columns ready for a data frame."""
        return {
            "name": [name for group in self.groups for name in group.names],
            "group": [group.label for group in self.groups for _ in group.names],
            "release_rpm": np.concatenate([g.rpm for g in self.groups] or [np.zeros(0)]),
            "u95_rpm": np.concatenate([g.u95_rpm for g in self.groups] or [np.zeros(0)]),
        }


def starts(
    attempts: Sequence[Attempt],
    *,
    by: str = "",
    rule: str = "fd",
    width_rpm: float | None = None,
    seed: int = SEED,
) -> Starts:
    """Sort the release speeds of attempts into groups and bins, and compare the groups.

    Parameters
    ----------
    attempts : sequence of Attempt
    by : str
        Fact whose values make the groups; one group when empty.
    rule : str
        A name in `BIN_RULES`.
    width_rpm : float, optional
        Width of the bins, overrules `rule`; edges are then at multiples of it.
    seed : int
        Where the resampling starts.

    Returns
    -------
    Starts

    Raises
    ------
    UsageError
        When no attempt is given, or the rule is not known, or the width is too small.

    Notes
    -----
    The medians' intervals lie between two of the values, with their exact level.  Two groups are
    compared by their means: Welch's intervals for the difference and for the logarithm of the
    ratio, and the larger of Welch's p and that of a permutation of the size of his t.  Of more
    than two groups all pairs are judged together (Games and Howell).  Exchanges
    of the plain difference ask whether the groups are alike in everything: with unequal numbers
    and scatter they find differences of the means that are not there, and those of t still do
    with few starts.  (Resamples of four or five starts often have next to no scatter of their
    own, so that a bootstrap-t interval has no end that means anything.)
    """
    if not attempts:
        raise UsageError("no attempt is given", where="starts", do="give result folders")
    counted, left_out, members = [], [], []
    for group in grouped(attempts, by):
        told, other = _split(group)
        left_out += other
        if told:
            counted.append(_group(group.label, told))
            members.append(Group(group.label, tuple(told)))
    speeds = np.concatenate([g.rpm for g in counted] or [np.zeros(0)])
    edges, words = _edges(speeds, rule, width_rpm)
    counts = [np.histogram(group.rpm, edges)[0] for group in counted]
    enough = sum(not _too_little(group) for group in counted)
    pairs = [
        _contrast(one, other, enough, seed)
        for i, one in enumerate(counted) for other in counted[i + 1 :]
    ]  # fmt: skip
    return Starts(
        by, tuple(counted), tuple(left_out), edges,
        np.array(counts, dtype=np.int64).reshape(len(counts), len(edges) - 1), words, tuple(pairs),
        also_different(members, by), doubted([a for group in members for a in group.attempts]),
    )  # fmt: skip


def _split(group: Group) -> tuple[list[Attempt], list[LeftOut]]:
    told, other = [], []
    for attempt in group.attempts:
        if not attempt.resolved:
            why = "alias order unresolved"
            other.append(LeftOut(attempt.name, group.label, why, attempt.candidates))
        elif attempt.release is None:
            why = "the release is not seen in the recording, or its speed is not known"
            other.append(LeftOut(attempt.name, group.label, why))
        else:
            told.append(attempt)
    return told, other


def _group(label: str, attempts: Sequence[Attempt]) -> StartGroup:
    releases = [a.release for a in attempts if a.release is not None]
    rpm = np.array([end.rpm for end in releases])
    low, high, level = median_interval(rpm)
    return StartGroup(
        label=label, names=tuple(a.name for a in attempts), rpm=rpm,
        u95_rpm=np.array([end.u95_rpm for end in releases]),
        median=float(np.median(rpm)), median_low=low, median_high=high, median_level=level,
        mean=float(rpm.mean()),
        deviation=float(rpm.std(ddof=1)) if len(rpm) > 1 else math.nan,
    )  # fmt: skip


def median_interval(values: FloatArray) -> tuple[float, float, float]:
    """Return the interval of the median between two of the values, and its exact level.

    Parameters
    ----------
    values : ndarray, shape (n,)

    Returns
    -------
    low, high : float
        The narrowest pair of values, as far from the lower end as from the upper, that holds
        the median of the population with `COVERAGE` or more; NaN with fewer than
        `FEWEST_FOR_MEDIAN` values.
    level : float
        The probability with which it does so, whatever the distribution; NaN likewise.

    Notes
    -----
    Values below the median are as many as heads of n tosses, so that the k-th from either end
    miss it with ``2 P(heads < k)`` (Thompson 1936).
    """
    n = len(values)
    if n < FEWEST_FOR_MEDIAN:
        return math.nan, math.nan, math.nan
    missed = 2.0 * stats.binom.cdf(np.arange(n // 2), n, 0.5)  # by the first, second, ... value
    k = int(np.flatnonzero(missed <= 1.0 - COVERAGE)[-1])
    ordered = np.sort(values)
    return float(ordered[k]), float(ordered[n - 1 - k]), 1.0 - float(missed[k])


def _edges(speeds: FloatArray, rule: str, width_rpm: float | None) -> tuple[FloatArray, str]:
    """Choose the bins from all groups together, and say how."""
    if rule not in BIN_RULES:
        known = ", ".join(BIN_RULES)
        raise UsageError(f"{rule!r} is no rule for bins", where="--bins", do=f"give {known}")
    if len(speeds) == 0:
        return np.array([0.0, 1.0]), "no bins: nothing to count"
    if width_rpm is not None:
        low, high = np.floor(speeds.min() / width_rpm), np.floor(speeds.max() / width_rpm) + 1
        if high - low > MOST_BINS:
            raise UsageError(
                f"{high - low:.0f} bins are too many", where="--width", do="give a larger width"
            )
        edges = width_rpm * np.arange(low, high + 1)
        edges[0] = min(float(edges[0]), float(speeds.min()))  # by a rounding above the slowest
        return edges, f"width {width_rpm:g} rev/min, as stated"
    edges = np.histogram_bin_edges(speeds, bins=rule)
    if len(edges) - 1 > MOST_BINS:
        edges = np.linspace(edges[0], edges[-1], MOST_BINS + 1)
    width = float(edges[1] - edges[0])
    return edges, f"{BIN_RULES[rule]}; width {width:.3g} rev/min"


# ------------------------------------------------------------------------- two groups


def _contrast(one: StartGroup, other: StartGroup, groups: int, seed: int) -> StartContrast:
    """Compare two groups, of so many that are judged together."""
    difference, ratio = one.mean - other.mean, one.mean / other.mean
    note = _why_not(one, other)
    if note:
        nan = math.nan
        return StartContrast(
            one.label, other.label, difference, nan, nan, ratio, nan, nan, nan, False, note
        )
    sizes = np.array([len(one.rpm), len(other.rpm)], dtype=np.float64)
    u = np.array([one.deviation, other.deviation]) / np.sqrt(sizes)
    half, p, _ = judged(difference, u, sizes - 1, groups)
    shares = u / np.array([one.mean, other.mean])
    half_log, _, _ = judged(math.log(ratio), shares, sizes - 1, groups)
    tested = stats.permutation_test(
        _about_their_mean(one.rpm, other.rpm), _size_of_t, n_resamples=RESAMPLES, vectorized=True,
        alternative="greater", rng=np.random.default_rng(seed),
    )  # fmt: skip
    exchanges = math.comb(len(one.rpm) + len(other.rpm), len(one.rpm))
    return StartContrast(
        one.label, other.label, difference, difference - half, difference + half, ratio,
        ratio * math.exp(-half_log), ratio * math.exp(half_log), max(p, float(tested.pvalue)),
        exchanges <= RESAMPLES, "",
    )  # fmt: skip


def _why_not(one: StartGroup, other: StartGroup) -> str:
    found = _too_little(one) or _too_little(other)
    if found:
        return found
    if np.ptp(one.rpm) == np.ptp(other.rpm) == 0:
        return "no start differs from the others of its group: their scatter is not known"
    return ""


def _too_little(group: StartGroup) -> str:
    """Say why a group cannot be compared with any other."""
    if UNTOLD in group.label:
        return "what is not told may be the same or not"
    if len(group.rpm) < FEWEST_FOR_CONTRAST:
        return f"fewer than {FEWEST_FOR_CONTRAST} starts in a group: too few to tell"
    return ""


def _about_their_mean(one: FloatArray, other: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Take the common mean out, so that rounding parts no exchanges that are alike."""
    middle = np.concatenate([one, other]).mean()
    return one - middle, other - middle


def _size_of_t(one: FloatArray, other: FloatArray, axis: int = -1) -> FloatArray:
    difference = np.abs(one.mean(axis=axis) - other.mean(axis=axis))
    variance = [v.var(axis=axis, ddof=1) / v.shape[axis] for v in (one, other)]
    # an exchange without scatter has a very large t instead of none, so that it can be counted
    least = np.finfo(np.float64).eps * max(np.abs(one).max(), np.abs(other).max())
    return np.asarray(difference / np.maximum(np.sqrt(variance[0] + variance[1]), least))
