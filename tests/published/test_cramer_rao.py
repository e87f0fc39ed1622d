"""Bounds on rate and slope of a phase, and that the regression reaches them.

Formulas: Rife & Boorstyn 1974 (tone), Tretter 1985 (regression), Djurić & Kay 1990 and Peleg &
Porat 1991 (chirp), from memory, proved symbolically before they came here; the weights of
phase differences: Kay 1989, read in the Haskell package dsp, DSP/Estimation/Frequency/WLP.hs;
information of the chirp coefficient alone: A. S. Master 2003, Stanford CCRMA, equation 21, read.

Monte Carlo tolerances are four standard deviations of a sample variance, sqrt(2 / trials)
each, and the seeds are fixed.
"""

import math

import numpy as np
import pytest
from published.bounds import crb_chirp, crb_rate, crb_rate_at_end, jerk_bias

from vidspin.regression import fit_polynomial, local_rates, rate_weights
from vidspin.units import rpm_from_rad_s

N, SPACING, SIGMA = 61, 1 / 240, 0.02
TRIALS = 4000
FOUR_SIGMA = 4 * math.sqrt(2 / TRIALS)


def test_golden_numbers() -> None:
    # N = 61, d = 1/240 s, sigma = 0.02 rad, computed from the formulas in another language
    assert f"{crb_rate(N, SPACING, SIGMA):.7f}" == "0.0349056"
    assert f"{rpm_from_rad_s(crb_rate(N, SPACING, SIGMA)):.5f}" == "0.33332"
    assert f"{crb_chirp(N, SPACING, SIGMA):.5f}" == "1.06435"
    assert f"{crb_rate_at_end(N, SPACING, SIGMA):.6f}" == "0.137547"


@pytest.mark.parametrize("degree", [1, 2])
def test_regression_has_the_bound_as_its_covariance(degree: int) -> None:
    time = SPACING * np.arange(N)
    centre = 0.5 * float(time[-1])
    fit = fit_polynomial(time, 5 * time, np.full(N, SIGMA), centre_s=centre, degree=degree)
    # the bound of the rate at the centre is the same with and without a slope to be found
    assert fit.u()[1] == pytest.approx(crb_rate(N, SPACING, SIGMA), rel=1e-12)
    if degree == 2:
        assert 2 * fit.u()[2] == pytest.approx(crb_chirp(N, SPACING, SIGMA), rel=1e-12)
        variance = SIGMA**2 * 3 * (3 * N**2 - 7) / (4 * N * (N**2 - 4))
        assert fit.u()[0] ** 2 == pytest.approx(variance, rel=1e-12)


def test_rate_at_the_end_costs_the_stated_factor() -> None:
    time = SPACING * np.arange(N)
    fit = fit_polynomial(time, time, np.full(N, SIGMA), centre_s=float(time[-1]), degree=2)
    assert fit.u()[1] == pytest.approx(crb_rate_at_end(N, SPACING, SIGMA), rel=1e-10)


def test_cubic_costs_six_and_a_quarter_in_variance() -> None:
    time = SPACING * np.arange(N)
    fit = fit_polynomial(time, time, np.full(N, SIGMA), centre_s=0.5 * float(time[-1]), degree=3)
    n = float(N)
    variance = 25 * SIGMA**2 * (3 * n**4 - 18 * n**2 + 31)
    variance /= SPACING**2 * n * (n**2 - 1) * (n**2 - 4) * (n**2 - 9)
    assert fit.u()[1] ** 2 == pytest.approx(variance, rel=1e-10)
    assert variance / crb_rate(N, SPACING, SIGMA) ** 2 == pytest.approx(6.25, rel=0.01)


def test_weights_are_kay_s_summed() -> None:
    # w_t = 6 t (N - t) / (N (N² - 1)) on the phase differences t = 1 .. N - 1, sum 1
    t = np.arange(1, N)
    kay = 6 * t * (N - t) / (N * (N**2 - 1))
    assert kay.sum() == pytest.approx(1.0, rel=1e-14)
    time = np.arange(N, dtype=float)
    ours = rate_weights(time, np.ones(N), 0.5 * (N - 1), N - 1.0, 1)
    on_differences = -np.cumsum(ours)[:-1]
    assert on_differences == pytest.approx(kay, abs=1e-15)


def test_information_of_the_chirp_coefficient_alone() -> None:
    # J = N^5/80 - N^3/24 + 7 N/240 for phase a n², unit sigma, n centred
    n = np.arange(N) - 0.5 * (N - 1)
    assert np.sum(n**4) == pytest.approx(N**5 / 80 - N**3 / 24 + 7 * N / 240, rel=1e-13)


def test_monte_carlo_of_local_regression_reaches_the_bound() -> None:
    rng = np.random.default_rng(20240611)
    span = N * SPACING
    time = SPACING * np.arange(N * TRIALS)
    phase = 300 * time - 2 * time**2 + rng.normal(0, SIGMA, N * TRIALS)
    centres = span * np.arange(TRIALS) + 0.5 * (N - 1) * SPACING
    fits = local_rates(
        time,
        phase,
        np.ones(N * TRIALS),
        centres_s=centres,
        windows_s=np.full(TRIALS, span - 0.5 * SPACING),
    )
    assert np.all(fits.count == N)
    rate_error = (fits.rate_rad_s - (300 - 4 * centres)) / crb_rate(N, SPACING, SIGMA)
    slope_error = (fits.slope_rad_s2 + 4) / crb_chirp(N, SPACING, SIGMA)
    for error in (rate_error, slope_error):
        assert np.mean(error**2) == pytest.approx(1.0, abs=FOUR_SIGMA)
        assert abs(np.mean(error)) < 4 / math.sqrt(TRIALS)
    chi2 = fits.chi2 / SIGMA**2
    assert chi2.mean() == pytest.approx(N - 3, abs=4 * math.sqrt(2 * (N - 3) / TRIALS))


def test_phase_of_a_noisy_tone_reaches_the_tone_bound() -> None:
    # var >= 6 / (SNR d² N (N² - 1)), SNR = A² / (2 s²); phases have variance 1 / (2 SNR)
    rng = np.random.default_rng(1974)
    snr, n = 100.0, 64
    s = math.sqrt(1 / (2 * snr))
    noise = rng.normal(0, s, (TRIALS, n)) + 1j * rng.normal(0, s, (TRIALS, n))
    tone = np.exp(1j * 0.7 * np.arange(n)) + noise
    phase = np.unwrap(np.angle(tone), axis=1)
    weights = rate_weights(np.arange(n, dtype=float), np.ones(n), 0.5 * (n - 1), n - 1.0, 1)
    bound = 6 / (snr * n * (n**2 - 1))
    assert crb_rate(n, 1.0, s) ** 2 == pytest.approx(bound, rel=1e-12)
    # at 20 dB the phase of tone plus noise is 1 / (2 SNR) wide to first order in 1 / SNR
    tolerance = FOUR_SIGMA + 2 / snr
    assert np.mean((phase @ weights - 0.7) ** 2) / bound == pytest.approx(1.0, abs=tolerance)


def test_bias_of_the_rate_from_jerk() -> None:
    # j d² (3 N² - 7) / 120 for N samples; j T² / 40 in the limit
    jerk, time = 3.0, SPACING * (np.arange(N) - 0.5 * (N - 1))
    fit = fit_polynomial(time, jerk * time**3 / 6, np.ones(N), centre_s=0.0, degree=2)
    exact = jerk * SPACING**2 * (3 * N**2 - 7) / 120
    assert fit.rate_rad_s == pytest.approx(exact, rel=1e-12)
    assert jerk_bias(jerk, N * SPACING) == pytest.approx(exact, rel=1e-3)
