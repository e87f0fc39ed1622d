"""How fast, and how evenly, are the starts?  Release speeds in groups.

Only releases that are in the recording and whose alias order is resolved are counted; all
others are listed with the reason and enter no bin, no median and no comparison.

References
----------
D. Freedman, P. Diaconis, Z. Wahrsch. verw. Geb. 57 (1981) 453-476: width of the bins.
B. Efron, Ann. Stat. 7 (1979) 1-26: the bootstrap.  E. J. G. Pitman, Suppl. J. R. Stat. Soc. 4
(1937) 119-130: permutation tests.  (All from memory.)
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from vidspin.errors import UsageError
from vidspin.records import FloatArray, IntArray
from vidspin.workshop.attempt import Attempt
from vidspin.workshop.grouping import Group, LeftOut, grouped

# Rules for the width of the bins: numpy's name and the sentence that states it.
BIN_RULES = {
    "fd": "Freedman and Diaconis: twice the interquartile range ÷ cube root of the number",
    "scott": "Scott: 3.49 standard deviations ÷ cube root of the number",
    "sturges": "Sturges: one bin more than the base-2 logarithm of the number",
}
RESAMPLES = 9999
# With five values the widest bootstrap interval of a median holds it with 1 - 2/2^5 = 94 %.
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
    median_low: float  # 95 % bootstrap interval; NaN with fewer than `FEWEST_FOR_MEDIAN`
    median_high: float
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
    p: float  # permutation, two-sided
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
    The medians' intervals are percentile bootstrap intervals.  Two groups are compared by their
    means: bootstrap-t for difference and ratio, and a permutation test of the difference.  With
    more than two groups no allowance is made for the number of pairs: the p values say so.
    """
    if not attempts:
        raise UsageError("no attempt is given", where="starts", do="give result folders")
    counted, left_out = [], []
    for group in grouped(attempts, by):
        told, other = _split(group)
        left_out += other
        if told:
            counted.append(_group(group.label, told, seed))
    speeds = np.concatenate([g.rpm for g in counted] or [np.zeros(0)])
    edges, words = _edges(speeds, rule, width_rpm)
    counts = [np.histogram(group.rpm, edges)[0] for group in counted]
    pairs = [
        _contrast(one, other, seed) for i, one in enumerate(counted) for other in counted[i + 1 :]
    ]
    return Starts(
        by, tuple(counted), tuple(left_out), edges,
        np.array(counts, dtype=np.int64).reshape(len(counts), len(edges) - 1), words, tuple(pairs),
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


def _group(label: str, attempts: Sequence[Attempt], seed: int) -> StartGroup:
    releases = [a.release for a in attempts if a.release is not None]
    rpm = np.array([end.rpm for end in releases])
    low, high = median_interval(rpm, seed=seed)
    return StartGroup(
        label=label, names=tuple(a.name for a in attempts), rpm=rpm,
        u95_rpm=np.array([end.u95_rpm for end in releases]),
        median=float(np.median(rpm)), median_low=low, median_high=high, mean=float(rpm.mean()),
        deviation=float(rpm.std(ddof=1)) if len(rpm) > 1 else math.nan,
    )  # fmt: skip


def median_interval(values: FloatArray, *, seed: int = SEED) -> tuple[float, float]:
    """Return the 95 % percentile bootstrap interval of the median; NaN for too few values."""
    if len(values) < FEWEST_FOR_MEDIAN:
        return math.nan, math.nan
    if np.ptp(values) == 0:
        return float(values[0]), float(values[0])
    found = stats.bootstrap(
        (values,), np.median, n_resamples=RESAMPLES, method="percentile", vectorized=True,
        rng=np.random.default_rng(seed),
    ).confidence_interval  # fmt: skip
    return float(found.low), float(found.high)


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
        return edges, f"width {width_rpm:g} rev/min, as stated"
    edges = np.histogram_bin_edges(speeds, bins=rule)
    if len(edges) - 1 > MOST_BINS:
        edges = np.linspace(edges[0], edges[-1], MOST_BINS + 1)
    width = float(edges[1] - edges[0])
    return edges, f"{BIN_RULES[rule]}; width {width:.3g} rev/min"


# ------------------------------------------------------------------------- two groups


def _contrast(one: StartGroup, other: StartGroup, seed: int) -> StartContrast:
    difference, ratio = one.mean - other.mean, one.mean / other.mean
    if min(len(one.rpm), len(other.rpm)) < FEWEST_FOR_CONTRAST:
        nan, note = math.nan, f"fewer than {FEWEST_FOR_CONTRAST} starts in a group: too few to tell"
        return StartContrast(
            one.label, other.label, difference, nan, nan, ratio, nan, nan, nan, False, note
        )
    low, high = bootstrap_t(one.rpm, other.rpm, _difference, seed=seed)
    log_low, log_high = bootstrap_t(one.rpm, other.rpm, _log_ratio, seed=seed)
    tested = stats.permutation_test(
        (one.rpm, other.rpm), _mean_difference, n_resamples=RESAMPLES, vectorized=True,
        rng=np.random.default_rng(seed),
    )  # fmt: skip
    exchanges = math.comb(len(one.rpm) + len(other.rpm), len(one.rpm))
    return StartContrast(
        one.label, other.label, difference, low, high, ratio, math.exp(log_low),
        math.exp(log_high), float(tested.pvalue), exchanges <= RESAMPLES, "",
    )  # fmt: skip


Statistic = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]


def bootstrap_t(
    one: FloatArray, other: FloatArray, statistic: Statistic, *, seed: int = SEED
) -> tuple[float, float]:
    """Return the 95 % bootstrap-t interval of a statistic of two samples.

    Parameters
    ----------
    one, other : ndarray, shapes (n,) and (m,)
        Samples, n and m of 4 or more.
    statistic : callable
        Takes resamples (R, n) and (R, m), gives the statistic and its standard error, (R,).
    seed : int

    Notes
    -----
    Each resample's statistic is divided by its own standard error (Efron 1981, from memory):
    for means of few values this holds its 95 % where percentiles come out too narrow.
    """
    rng = np.random.default_rng(seed)
    pick = [rng.integers(0, len(v), (RESAMPLES, len(v))) for v in (one, other)]
    value, error = (float(x[0]) for x in statistic(one[np.newaxis], other[np.newaxis]))
    again, errors = statistic(one[pick[0]], other[pick[1]])
    t = np.divide(again - value, errors, out=np.full(RESAMPLES, np.inf), where=errors > 0)
    t = np.where((errors == 0) & (again == value), 0.0, t)
    low, high = np.quantile(t, (0.025, 0.975))
    return value - float(high) * error, value - float(low) * error


def _difference(one: FloatArray, other: FloatArray) -> tuple[FloatArray, FloatArray]:
    error = np.sqrt(one.var(axis=-1, ddof=1) / one.shape[-1]
                    + other.var(axis=-1, ddof=1) / other.shape[-1])  # fmt: skip
    return one.mean(axis=-1) - other.mean(axis=-1), error


def _log_ratio(one: FloatArray, other: FloatArray) -> tuple[FloatArray, FloatArray]:
    parts = [v.var(axis=-1, ddof=1) / v.shape[-1] / v.mean(axis=-1) ** 2 for v in (one, other)]
    return np.log(one.mean(axis=-1) / other.mean(axis=-1)), np.sqrt(parts[0] + parts[1])


def _mean_difference(one: FloatArray, other: FloatArray, axis: int = -1) -> FloatArray:
    return np.asarray(one.mean(axis=axis) - other.mean(axis=axis))
