"""The worked examples of JCGM 100:2008 (GUM), annexes G and H.

Inputs and results were read in two open packages that carry the examples: GTC (MSL, New
Zealand, 2024; ``examples/GUM_H1.py``, ``GUM_H2.py``, ``GUM_H3.py`` and their pages) and suncal
(``test_GUMH2.csv``, "Table H.4, p. 88").  Values marked "from memory" were in neither.
The standard rounds on the way; one unit of its last printed digit is allowed where it does.
"""

import math

import numpy as np
import pytest

from vidspin.records import Component
from vidspin.regression import fit_polynomial
from vidspin.uncertainty import combine, coverage_factor, expanded, rectangular


def component(u: float, dof: float) -> Component:
    return Component(name="", type="A", u=u, dof=dof)


# ------------------------------------------------------- G.4.1 (example from memory)


def test_g_4_1_effective_degrees_of_freedom() -> None:
    # Y = b X1 X2 X3; relative u 0.25 %, 0.57 %, 0.82 %; n = 10, 5, 15
    u, dof = combine([component(0.25, 9), component(0.57, 4), component(0.82, 14)])
    assert f"{u:.2f}" == "1.03"  # u_c / y = 1.03 %
    assert f"{dof:.1f}" == "19.0"  # nu_eff = 19.0
    assert f"{coverage_factor(0.95, dof):.2f}" == "2.09"  # t95(19)
    assert f"{expanded(u, dof):.1f}" == "2.2"  # U95 = 2.2 %


def test_g_4_1_is_a_trap_for_cutting_digits() -> None:
    _, dof = combine([component(0.25, 9), component(0.57, 4), component(0.82, 14)])
    assert dof == pytest.approx(18.999, abs=5e-4)
    assert int(dof) == 18


# -------------------------------------------------------------- H.1 gauge block (nm)

LENGTH_NM = 50.000623e6
TERMS = {
    "standard": (25.0, 18),
    "expansion difference": (LENGTH_NM * 0.1 * rectangular(1e-6), 50),
    "temperature difference": (LENGTH_NM * 11.5e-6 * rectangular(0.05), 2),
}
COMPARISON = [(5.8, 24), (3.9, 5), (6.7, 8)]


def test_h_1_terms() -> None:
    u_d, dof_d = combine([component(*part) for part in COMPARISON])
    assert f"{u_d:.1f}" == "9.7"
    # printed 25.6 comes from the rounded 9.7 nm; unrounded it is 25.4
    assert dof_d == pytest.approx(25.447, abs=5e-4)
    assert dof_d * (9.7 / u_d) ** 4 == pytest.approx(25.6, abs=0.05)
    assert f"{TERMS['expansion difference'][0]:.1f}" == "2.9"
    assert f"{TERMS['temperature difference'][0]:.1f}" == "16.6"


def test_h_1_result() -> None:
    comparison = combine([component(*part) for part in COMPARISON])
    u, dof = combine([component(*part) for part in (*TERMS.values(), comparison)])
    assert f"{u:.0f}" == "32"
    assert dof == pytest.approx(16.7, abs=0.1)  # printed 16.7 (from memory), truncated to 16
    k = coverage_factor(0.99, math.floor(dof))
    assert f"{k:.2f}" == "2.92"
    assert k * u == pytest.approx(93, abs=1)  # printed 93 = 2.92 × the rounded 32; 92.48


# --------------------------------------------- H.3 calibration of a thermometer

TEMPERATURE = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
CORRECTION = np.array(
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
)


def test_h_3_straight_line() -> None:
    ones = np.ones(11)
    fit = fit_polynomial(TEMPERATURE, CORRECTION, ones, centre_s=20.0, degree=1)
    s = math.sqrt(fit.chi2 / fit.dof)
    u = s * fit.u()
    assert fit.dof == 9
    assert fit.chi2 == pytest.approx(1.10096583109e-4, rel=1e-11)  # sum of squared residuals
    assert f"{s:.4f}" == "0.0035"
    assert [f"{fit.value_rad:.4f}", f"{u[0]:.4f}"] == ["-0.1712", "0.0029"]
    assert [f"{fit.rate_rad_s:.5f}", f"{u[1]:.5f}"] == ["0.00218", "0.00067"]
    r = fit.covariance[0, 1] / math.sqrt(fit.covariance[0, 0] * fit.covariance[1, 1])
    assert f"{r:.2f}" == "-0.93"


@pytest.mark.parametrize("centre", [20.0, float(TEMPERATURE.mean())])
def test_h_3_prediction_does_not_depend_on_the_centre(centre: float) -> None:
    fit = fit_polynomial(TEMPERATURE, CORRECTION, np.ones(11), centre_s=centre, degree=1)
    value, u = fit.at(np.array([30.0]))
    assert f"{value[0]:.4f}" == "-0.1494"  # b(30)
    assert f"{u[0] * math.sqrt(fit.chi2 / fit.dof):.4f}" == "0.0041"


def test_h_3_5_at_the_mean_the_coefficients_are_uncorrelated() -> None:
    # from memory: y1' = -0.1625 (11), r = 0
    mean = float(TEMPERATURE.mean())
    fit = fit_polynomial(TEMPERATURE, CORRECTION, np.ones(11), centre_s=mean, degree=1)
    u = math.sqrt(fit.chi2 / fit.dof) * fit.u()
    assert [f"{fit.value_rad:.4f}", f"{u[0]:.4f}"] == ["-0.1625", "0.0011"]
    r = fit.covariance[0, 1] / math.sqrt(fit.covariance[0, 0] * fit.covariance[1, 1])
    assert abs(r) < 1e-12
