"""How far do repeats scatter, and how far is that only measurement?  A random-effects view.

Each repeat i gives a value y_i with standard measurement uncertainty u_i.  The true values of
repeats scatter about their mean with standard deviation tau: y_i = mean + repeat_i + error_i.

References
----------
R. C. Paule, J. Mandel, J. Res. NBS 87 (1982) 377-385: tau from the generalised chi-square.
R. DerSimonian, N. Laird, Control. Clin. Trials 7 (1986) 177-188: tau from its first step.
J. Hartung, G. Knapp, Stat. Med. 20 (2001) 3875-3889: uncertainty of the mean with Student's t.
L. Kish, Survey Sampling (1965), section 11.7: effective number of unequally weighted values.
P. A. Games, J. F. Howell, J. Educ. Stat. 1 (1976) 113-125: all pairs of groups at once.
F. E. Grubbs, Technometrics 11 (1969) 1-21: a value far from the others.
(All from memory; the numbers that they give are checked against published ones in the tests.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.optimize import brentq

from vidspin.records import FloatArray
from vidspin.uncertainty import combine_arrays, coverage_factor

# Below three repeats the scatter is known with one degree of freedom or none.
FEWEST_REPEATS = 3
# Of three values two lie close together now and then: the third is then no stray one.
FEWEST_FOR_STRAY = 4
STRAY = 0.01  # of groups without a stray value have one all the same
LEAST_DOF = 0.5  # with which Student's t says next to nothing, and stays finite


@dataclass(frozen=True, slots=True)
class Pooled:
    """Repeats drawn together."""

    mean: float
    u: float  # standard uncertainty of the mean: repeats and measurement
    dof: float
    tau: float  # standard deviation from repeat to repeat, measurement taken out
    scatter: float  # standard deviation of single values, typical measurement not taken out
    u_measurement: float  # typical (root mean square) measurement uncertainty of one repeat
    q: float  # chi-square of the values about their mean with measurement alone
    count: int

    @property
    def u95(self) -> float:
        """Expanded uncertainty of the mean."""
        return self.u * coverage_factor(0.95, self.dof)

    @property
    def prediction(self) -> float:
        """Half width of the interval that holds the next repeat's true value with 95 % or more.

        It rests on `scatter`, since a few repeats do not tell how much of it measurement is; it
        is wider than it would have to be where measurement is most of it.
        """
        return float(np.hypot(self.scatter, self.u) * coverage_factor(0.95, self.dof))


@dataclass(frozen=True, slots=True)
class Contrast:
    """Difference of two groups' means, all pairs of a comparison judged together."""

    first: int  # numbers of the groups
    second: int
    difference: float  # first minus second
    u95: float  # half width of its simultaneous 95 % interval
    p: float  # adjusted: small where no chance scatter of any pair would do this
    dof: float


def tau_squared(values: FloatArray, u: FloatArray, *, method: str = "paule-mandel") -> float:
    """Estimate the variance from repeat to repeat.

    Parameters
    ----------
    values, u : ndarray, shape (k,)
        Values and standard measurement uncertainties (above zero), k of 2 or more.
    method : str
        ``paule-mandel`` (the root of the generalised chi-square) or ``dersimonian-laird``.

    Returns
    -------
    float
        0 where measurement alone explains the scatter.
    """
    k = len(values)
    if method == "dersimonian-laird":
        w = u**-2.0
        q = _chi2(values, u, 0.0)
        return float(max(0.0, (q - (k - 1)) / (w.sum() - (w**2).sum() / w.sum())))
    if _chi2(values, u, 0.0) <= k - 1:
        return 0.0
    high = float(np.var(values, ddof=1)) + float(np.max(u)) ** 2
    while _chi2(values, u, high) > k - 1:
        high *= 2.0
    return float(brentq(lambda t2: _chi2(values, u, t2) - (k - 1), 0.0, high, xtol=1e-15 * high))


def _chi2(values: FloatArray, u: FloatArray, tau2: float) -> float:
    w = 1.0 / (u**2 + tau2)
    mean = float(w @ values / w.sum())
    return float(w @ (values - mean) ** 2)


def pool(values: FloatArray, u: FloatArray, *, method: str = "paule-mandel") -> Pooled:
    """Pool repeats with their measurement uncertainties.

    Parameters
    ----------
    values, u : ndarray, shape (k,)
        Values and standard measurement uncertainties; k of 2 or more.
    method : str
        See `tau_squared`.

    Returns
    -------
    Pooled

    Raises
    ------
    ValueError
        With fewer than two values, or an uncertainty that is not above zero.

    Notes
    -----
    Weights ``1 / (t² + u_i²)`` with t the larger of tau and the median of u; the variance of the
    mean is Hartung and Knapp's weighted sum of squares.  Its degrees of freedom are Kish's
    effective number of values ``sum(w)² / sum(w²)`` less one: a value that says next to nothing is
    no repeat.  With equal uncertainties this is Student's t of the plain mean, exactly.  The median
    keeps one value that is measured far better than the others from being all of the mean: that it
    is known better is worth little where repeats scatter, and a tau below the others' uncertainty
    cannot be told from none.
    """
    if len(values) < 2 or not np.all(u > 0):
        raise ValueError("pooling needs two values or more, with uncertainties above zero")
    tau2 = tau_squared(values, u, method=method)
    typical = float(np.median(u)) ** 2
    w = 1.0 / (u**2 + max(tau2, typical))
    mean = float(w @ values / w.sum())
    dof = max(float(w.sum() ** 2 / (w**2).sum()) - 1.0, LEAST_DOF)
    # against what the weights make of them: 1 on the mean where tau is as estimated
    ratio = float(w @ (values - mean) ** 2) / (len(values) - 1)
    return Pooled(
        mean=mean, u=float(np.sqrt(ratio / w.sum())), dof=dof, tau=float(np.sqrt(tau2)),
        scatter=float(np.sqrt(ratio * (max(tau2, typical) + typical))),
        u_measurement=float(np.sqrt(np.mean(u**2))), q=_chi2(values, u, 0.0), count=len(values),
    )  # fmt: skip


def contrasts(groups: Sequence[Pooled], *, p: float = 0.95) -> tuple[Contrast, ...]:
    """Compare every pair of groups, allowing for the number of pairs.

    Parameters
    ----------
    groups : sequence of Pooled
        Two or more.
    p : float
        Probability that all intervals hold their true difference.

    Returns
    -------
    tuple of Contrast
        One a pair.  With two groups it is Welch's t interval.

    Notes
    -----
    Games and Howell: the studentised range with Welch-Satterthwaite degrees of freedom, so
    neither equal scatter nor equal numbers are assumed.
    """
    made = []
    for i, one in enumerate(groups):
        for j in range(i + 1, len(groups)):
            other = groups[j]
            difference = one.mean - other.mean
            u = np.array([one.u, other.u])
            dof = np.array([one.dof, other.dof])
            made.append(Contrast(i, j, difference, *judged(difference, u, dof, len(groups), p=p)))
    return tuple(made)


def judged(
    difference: float, u: FloatArray, dof: FloatArray, groups: int, *, p: float = 0.95
) -> tuple[float, float, float]:
    """Judge one difference of two means among all pairs of some groups (see `contrasts`).

    Parameters
    ----------
    difference : float
    u, dof : ndarray, shape (2,)
        Standard uncertainties of the two means, and their degrees of freedom.
    groups : int
        How many groups there are, these two among them.
    p : float
        Probability that all intervals hold their true difference.

    Returns
    -------
    u95, tail, dof : float
        Half width of the interval, adjusted p and Welch-Satterthwaite degrees of freedom.
    """
    combined, effective = (
        float(x[0]) for x in combine_arrays(u[:, np.newaxis], dof[:, np.newaxis])
    )
    if combined == 0:
        return 0.0, 1.0, effective
    tail = _range_tail(groups, effective, abs(difference) / combined)
    return _range_factor(groups, effective, p) * combined, tail, effective


def stray(values: FloatArray, u: FloatArray, *, risk: float = STRAY) -> tuple[int, float] | None:
    """Find a value that lies too far from all others to be one of them.

    Parameters
    ----------
    values, u : ndarray, shape (k,)
        Values and standard measurement uncertainties.
    risk : float
        The largest p that is told.

    Returns
    -------
    (int, float) or None
        Its number and p; None where no p is so small, or with fewer than
        `FEWEST_FOR_STRAY` values.

    Notes
    -----
    Each value against the mean of the others by Student's t with their scatter, Bonferroni's
    allowance for having looked at all: Grubbs' test, but that a value's own measurement
    uncertainty may be why it is far.
    """
    k = len(values)
    if k < FEWEST_FOR_STRAY:
        return None
    tail = np.ones(k)
    for i in range(k):
        others = np.delete(values, i)
        width = math.sqrt(float(others.var(ddof=1)) * k / (k - 1) + float(u[i]) ** 2)
        if width > 0:
            tail[i] = 2.0 * stats.t.sf(abs(values[i] - others.mean()) / width, k - 2)
    worst = int(np.argmin(tail))
    p = min(1.0, k * float(tail[worst]))
    return (worst, p) if p <= risk else None


def _range_factor(groups: int, dof: float, p: float) -> float:
    if groups == 2:
        return coverage_factor(p, dof)
    return float(stats.studentized_range.ppf(p, groups, dof) / np.sqrt(2.0))


def _range_tail(groups: int, dof: float, ratio: float) -> float:
    if groups == 2:
        return float(2.0 * stats.t.sf(ratio, dof))
    return float(stats.studentized_range.sf(ratio * np.sqrt(2.0), groups, dof))
