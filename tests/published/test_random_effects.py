"""Random-effects pooling against a worked example that many books and programs print.

Thirteen trials of a vaccine: counts as in Colditz et al., J. Am. Med. Assoc. 271 (1994) 698-702,
copied from table I of van Houwelingen et al., Stat. Med. 21 (2002) 589-624 as reprinted on the
pages of the R package metafor (Viechtbauer, J. Stat. Softw. 36 (2010) issue 3); log risk ratios
and their variances by the usual formulas.  Printed there: Q 152.2330; common effect -0.4303, u
0.0405; DerSimonian-Laird tau² 0.3088, mean -0.7141, interval with the normal distribution
-1.0644 to -0.3638; with Knapp and Hartung's u 0.1807, t -3.9520, 12 degrees of freedom, interval
-1.1078 to -0.3204.
"""

from __future__ import annotations

import inspect

import numpy as np
import pytest
from scipy import stats

from vidspin.uncertainty import coverage_factor
from vidspin.workshop.effects import contrasts, pool, tau_squared

# cases and others among the treated, cases and others among the rest
TRIALS = np.array(
    [
        (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
        (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619),
        (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
        (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
    ],
    dtype=np.float64,
)  # fmt: skip
A, B, C, D = TRIALS.T
EFFECT = np.log(A / (A + B)) - np.log(C / (C + D))
U = np.sqrt(1 / A - 1 / (A + B) + 1 / C - 1 / (C + D))


WEIGHT = 1 / (U**2 + 0.3088)  # under the printed tau²


def test_effects_and_variances_are_the_printed_ones() -> None:
    printed = [(-0.8893, 0.3256), (-1.5854, 0.1946), (-1.3481, 0.4154), (-1.4416, 0.0200)]
    for (effect, variance), y, u in zip(printed, EFFECT, U, strict=False):
        assert y == pytest.approx(effect, abs=6e-5)
        assert u**2 == pytest.approx(variance, abs=6e-5)


def test_pooling_gives_the_printed_figures() -> None:
    pooled = pool(EFFECT, U, method="dersimonian-laird")
    assert pooled.q == pytest.approx(152.2330, abs=6e-5)
    assert pooled.tau**2 == pytest.approx(0.3088, abs=6e-5)
    assert pooled.mean == pytest.approx(-0.7141, abs=6e-5)
    assert pooled.u == pytest.approx(0.1807, abs=6e-5)
    assert pooled.mean / pooled.u == pytest.approx(-3.9520, abs=6e-5)
    printed = pooled.u * coverage_factor(0.95, 12)
    assert pooled.mean - printed == pytest.approx(-1.1078, abs=6e-5)
    assert pooled.mean + printed == pytest.approx(-0.3204, abs=6e-5)
    # fewer here, since trials of unequal worth count as fewer (Kish); the interval is wider
    assert pooled.dof == pytest.approx(WEIGHT.sum() ** 2 / (WEIGHT**2).sum() - 1, rel=1e-3)
    assert 10 < pooled.dof < 12


def test_paule_and_mandel_s_tau_makes_chi_square_its_expectation() -> None:
    tau2 = tau_squared(EFFECT, U)
    w = 1 / (U**2 + tau2)
    mean = w @ EFFECT / w.sum()
    assert w @ (EFFECT - mean) ** 2 == pytest.approx(12, rel=1e-9)


def test_scatter_within_measurement_gives_no_repeat_scatter() -> None:
    assert tau_squared(np.array([1.0, 1.1, 0.9]), np.full(3, 1.0)) == 0.0
    assert tau_squared(np.array([1.0, 1.1]), np.full(2, 1.0), method="dersimonian-laird") == 0.0


def test_equal_uncertainties_give_student_s_interval() -> None:
    values = np.array([10.1, 9.7, 10.4, 10.0, 9.9])
    pooled = pool(values, np.full(5, 0.05))
    low, high = stats.t.interval(0.95, 4, values.mean(), stats.sem(values))
    assert (pooled.mean - pooled.u95, pooled.mean + pooled.u95) == pytest.approx((low, high))
    assert pooled.tau**2 == pytest.approx(values.var(ddof=1) - 0.05**2, rel=1e-6)


def three_groups() -> list[np.ndarray]:
    rng = np.random.default_rng(5)
    return [rng.normal(m, s, n) for m, s, n in ((0.0, 1.0, 5), (0.8, 2.0, 7), (2.0, 0.5, 4))]


def test_two_groups_give_welch_s_interval() -> None:
    data = three_groups()
    groups = [pool(values, np.full(len(values), 1e-6)) for values in data]
    welch = stats.ttest_ind(data[0], data[1], equal_var=False)
    (pair,) = contrasts(groups[:2])
    assert pair.p == pytest.approx(welch.pvalue, rel=1e-6)
    low, high = welch.confidence_interval(0.95)
    assert pair.difference - pair.u95 == pytest.approx(low, rel=1e-6)
    assert pair.difference + pair.u95 == pytest.approx(high, rel=1e-6)


@pytest.mark.skipif(
    "equal_var" not in inspect.signature(stats.tukey_hsd).parameters,
    reason="this SciPy knows no Games-Howell test to compare with",
)
def test_three_groups_give_the_intervals_of_games_and_howell() -> None:
    data = three_groups()
    groups = [pool(values, np.full(len(values), 1e-6)) for values in data]
    outside = stats.tukey_hsd(*data, equal_var=False)
    interval = outside.confidence_interval(0.95)
    for pair in contrasts(groups):
        i, j = pair.first, pair.second
        assert pair.p == pytest.approx(outside.pvalue[i, j], rel=1e-4)
        assert pair.difference - pair.u95 == pytest.approx(interval.low[i, j], rel=1e-4)
        assert pair.difference + pair.u95 == pytest.approx(interval.high[i, j], rel=1e-4)
