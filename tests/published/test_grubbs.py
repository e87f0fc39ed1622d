"""A value far from the others against Grubbs' test (F. E. Grubbs, Technometrics 11 (1969) 1-21).

Eight mass-spectrometer measurements of a uranium isotope (Tietjen and Moore, Technometrics 14
(1972); as in the NIST/SEMATECH e-Handbook, 1.3.5.17.1, there with G 2.4687; from memory, G worked
out again).  Critical values of the one-sided test at 0.01 for 4 to 8 values, as a printed table of
1950/1969 values in a teaching sheet has them (DIN 32645, DIN 38402 named as its sources).
"""

from __future__ import annotations

import numpy as np
import pytest

from vidspin.workshop.effects import stray

URANIUM = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
NONE = np.zeros(8)


def test_the_printed_outlier_is_found() -> None:
    g = (URANIUM[-1] - URANIUM.mean()) / URANIUM.std(ddof=1)
    assert g == pytest.approx(2.4687, abs=1e-4)
    found = stray(URANIUM, NONE)
    assert found is not None and found[0] == 7 and found[1] < 1e-6
    assert stray(URANIUM[:-1], NONE[:-1]) is None


@pytest.mark.parametrize(
    ("count", "critical"), [(4, 1.49), (5, 1.75), (6, 1.94), (7, 2.10), (8, 2.22)]
)
def test_p_at_the_printed_critical_values(count: int, critical: float) -> None:
    """One side at 0.01 is both at 0.02; p at half a unit of the last digit above and below."""
    p = []
    for g in (critical + 0.005, critical - 0.005):
        values = with_one_at(count, g)
        found = stray(values, np.zeros(count), risk=1.0)
        assert found is not None and found[0] == 0
        p.append(found[1])
    assert p[0] < 0.02 < p[1]


def with_one_at(count: int, g: float) -> np.ndarray:
    """Make values of which the first lies g standard deviations above the mean of all."""
    others = np.resize([1.0, -1.0], count - 1)
    others = others - others.mean()
    # far value d above the others' mean: g = d (k - 1) / k / s with s of all values
    square = float(others @ others)
    k = count
    d = np.sqrt(g**2 * square / (k - 1) / (((k - 1) / k) ** 2 - g**2 / k))
    return np.concatenate([[d], others])
