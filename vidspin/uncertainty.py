"""How contributions combine into a standard and an expanded uncertainty (JCGM 100).

Components are taken as independent: lines that are not come turned into such that are
(`calibration/angles` for shutter and geometry).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import overload

import numpy as np
from scipy.special import stdtrit

from vidspin.records import Component, FloatArray

COVERAGE = 0.95  # coverage probability of every u95 in a result
NORMAL_95 = 1.959964  # the coverage factor of what is not estimated from few values
# Of a type B line that is believed to a tenth: 1 / (2 * 0.1**2), JCGM 100:2008, G.4.2 (G.3).
JUDGED_DOF = 50.0


def combine(components: Sequence[Component]) -> tuple[float, float]:
    """Combine independent components into one uncertainty and its degrees of freedom.

    Parameters
    ----------
    components : sequence of Component
        Standard uncertainties of one unit with their degrees of freedom (inf when the
        uncertainty itself is taken as known).

    Returns
    -------
    u : float
        Root sum of squares, in the components' unit; 0 for no components.
    dof : float
        Effective degrees of freedom, not rounded; inf when nothing in it is an estimate.

    Raises
    ------
    ValueError
        When an uncertainty is negative or a number of degrees of freedom is not above zero.

    See Also
    --------
    combine_arrays : the same for many budgets at once, and the formula.
    """
    u = np.array([component.u for component in components], dtype=np.float64)
    dof = np.array([component.dof for component in components], dtype=np.float64)
    combined, effective = combine_arrays(u[:, np.newaxis], dof[:, np.newaxis])
    return float(combined[0]), float(effective[0])


def combine_arrays(u: FloatArray, dof: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Combine K independent components of M budgets.

    Parameters
    ----------
    u : ndarray, shape (K, M)
        Standard uncertainties; NaN where one is not known.
    dof : ndarray, shape (K, M) or (K, 1)
        Degrees of freedom of each, above zero, may be inf.

    Returns
    -------
    u : ndarray, shape (M,)
        Combined standard uncertainty; NaN where a component is NaN.
    dof : ndarray, shape (M,)
        Effective degrees of freedom, not rounded; inf where nothing is an estimate.

    Raises
    ------
    ValueError
        When an uncertainty is negative or a number of degrees of freedom is not above zero.

    Notes
    -----
    Welch-Satterthwaite: ``dof = u_c**4 / sum(u_i**4 / dof_i)``, here with each ``u_i``
    divided by ``u_c`` first so that tiny units do not underflow.  It holds for independent
    components only, and a correlated pair has to be merged before it comes here.

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.2 equation (10) and G.4.1 equation (G.2b).
    """
    if np.any(u < 0) or not np.all(dof > 0):
        raise ValueError("uncertainties must not be negative, degrees of freedom be above zero")
    combined = np.sqrt(np.sum(np.square(u), axis=0))
    share = np.divide(u, combined, out=np.zeros_like(u), where=combined > 0)
    inverse = np.sum(share**4 / dof, axis=0)
    effective = np.divide(1.0, inverse, out=np.full_like(inverse, np.inf), where=inverse > 0)
    return combined, np.where(np.isnan(combined), np.nan, effective)


@overload
def coverage_factor(p: float, dof: float) -> float: ...
@overload
def coverage_factor(p: float, dof: FloatArray) -> FloatArray: ...
def coverage_factor(p: float, dof: float | FloatArray) -> float | FloatArray:
    """Return the factor k that turns a standard uncertainty into an expanded one.

    Parameters
    ----------
    p : float
        Coverage probability, 0 < p < 1.
    dof : float or ndarray
        Effective degrees of freedom, above zero, may be inf; need not be whole.

    Returns
    -------
    float or ndarray
        Two-sided quantile of Student's t; of the normal distribution where `dof` is inf.

    Notes
    -----
    JCGM 100 G.6.4 takes the next lower whole number of degrees of freedom because a printed
    table has no others.  Cutting digits in a program is a trap: the standard's own example
    comes to 18.999, which it prints as 19.0, and ``int(18.999)`` is 18.  The quantile is
    defined between whole numbers, so that nothing is rounded here; the answer lies between
    those of the two neighbours in the table.

    References
    ----------
    .. [1] JCGM 100:2008, G.3.2, G.6.4 and Table G.2.
    """
    if not 0 < p < 1:
        raise ValueError(f"a coverage probability lies between 0 and 1, not at {p}")
    factor = stdtrit(dof, 0.5 * (1.0 + p))
    return np.asarray(factor, dtype=np.float64) if isinstance(dof, np.ndarray) else float(factor)


@overload
def expanded(u: float, dof: float, *, p: float = COVERAGE) -> float: ...
@overload
def expanded(u: FloatArray, dof: FloatArray, *, p: float = COVERAGE) -> FloatArray: ...
def expanded(
    u: float | FloatArray, dof: float | FloatArray, *, p: float = COVERAGE
) -> float | FloatArray:
    """Return the expanded uncertainty: coverage factor times standard uncertainty."""
    return coverage_factor(p, dof) * u


def rectangular(half_width: float) -> float:
    """Return the standard uncertainty of a value anywhere in ±half_width (4.3.7)."""
    return half_width / math.sqrt(3.0)
