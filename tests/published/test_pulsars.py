"""Two real rotators seen as sparse arrival times: pulsars.

Data, source and licence: ``data/README.md``.
"""

import csv
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from vidspin.regression import PolynomialFit, fit_polynomial, whole_turns
from vidspin.units import rad_from_turns, turns_from_rad

DATA = Path(__file__).parent / "data"

# ------------------------------------- J1748-2021E: 3.3e9 turns, frequency and slow-down

# NGC6440E.par.good of pint-pulsar 1.1.8 (read)
F0_PRINTED = Decimal("61.4854765543727595")  # Hz
U_F0 = 1.8e-11
F1_PRINTED = -1.181337e-15  # Hz/s
U_F1 = 1.44e-18
TRES_PRINTED_US = 21.18

# Subtracted exactly before floats come in: 3.3e9 turns to 1e-3 turn is 13 digits, and what is
# left of them is a phase of a few turns.  Rounded to nine digits: it gives nothing away.
F0_GUESS = Decimal("61.4854765")


class Arrivals:
    """Arrival times with what is left of the pulse number after the guess."""

    def __init__(self) -> None:
        with (DATA / "pulsar_ngc6440e.csv").open(newline="") as file:
            rows = list(csv.DictReader(file))
        time = [Decimal(row["t_s_since_mjd53750_tdb_ssb"]) for row in rows]
        number = [Decimal(row["pulse_number"]) for row in rows]
        left = [n - F0_GUESS * t for n, t in zip(number, time, strict=True)]
        self.time_s = np.array([float(t) for t in time])
        self.left_turns = np.array([float(value - left[0]) for value in left])
        self.u_turns = np.array([float(row["sigma_s"]) for row in rows]) * float(F0_GUESS)
        partials = [key for key in rows[0] if key.startswith("dphase")]
        self.partials = np.array([[float(row[key]) for row in rows] for key in partials])

    def fit(self, turns: np.ndarray) -> PolynomialFit:
        return fit_polynomial(self.time_s, turns, self.u_turns, centre_s=0.0, degree=2)

    def residual(self, turns: np.ndarray) -> np.ndarray:
        return (turns - self.fit(turns).at(self.time_s)[0]) / self.u_turns


def fit_with_place_and_dispersion(data: Arrivals) -> tuple[PolynomialFit, np.ndarray]:
    """Fit phase, frequency and slow-down together with three nuisance terms.

    The nuisance terms follow from what the polynomial leaves of them (Frisch-Waugh-Lovell).
    """
    columns = np.array([data.residual(partial) for partial in data.partials]).T
    q, r = np.linalg.qr(columns)
    inverse = np.linalg.inv(r)
    nuisance = inverse @ (q.T @ data.residual(data.left_turns))
    fit = data.fit(data.left_turns - nuisance @ data.partials)
    shares = np.array([data.fit(partial).coefficients for partial in data.partials]).T
    covariance = fit.covariance + shares @ (inverse @ inverse.T) @ shares.T
    return fit, np.sqrt(np.diag(covariance))


def test_frequency_and_slow_down_within_their_uncertainty() -> None:
    fit, u = fit_with_place_and_dispersion(Arrivals())
    f0_error = float(F0_GUESS - F0_PRINTED) + fit.rate_rad_s  # turns/s here: the phase is turns
    assert abs(f0_error) < U_F0
    assert abs(fit.slope_rad_s2 - F1_PRINTED) < U_F1
    # the stated uncertainties to the digits printed
    assert f"{u[1]:.1e}" == "1.8e-11"
    assert 2 * u[2] == pytest.approx(U_F1, abs=0.01e-18)


def test_residuals_are_what_the_stated_sigmas_promise() -> None:
    data = Arrivals()
    fit, _ = fit_with_place_and_dispersion(data)
    dof = fit.dof - len(data.partials)
    assert dof == 56
    assert fit.chi2 == pytest.approx(dof, abs=2 * np.sqrt(2 * dof))
    wrms_us = np.sqrt(fit.chi2 / np.sum(data.u_turns**-2.0)) / float(F0_GUESS) * 1e6
    assert wrms_us == pytest.approx(TRES_PRINTED_US, abs=0.2)  # its fit has more digits of sky


def test_a_missing_effect_shows_in_chi_square() -> None:
    data = Arrivals()
    assert data.fit(data.left_turns).chi2 > 2.5 * 59


# --------------------------------------- J0209-7427: whole turns bridged over wide gaps


@pytest.fixture(scope="module")
def j0209() -> tuple[np.ndarray, np.ndarray]:
    table = np.loadtxt(DATA / "pulsar_j0209.csv", delimiter=",", skiprows=1)
    return table[:, 0], table[:, 2]


SEED = 8  # pulse numbers taken as known; all the others are to be found


def bridge(time_s: np.ndarray, number: np.ndarray, *, last: int, degree: int) -> np.ndarray:
    """Number the pulses one gap after the other from the seed on.

    The mean rate over a gap is predicted by a polynomial through the last few pulses.
    """
    found = [float(value) for value in number[:SEED]]
    for i in range(SEED, len(time_s)):
        past = slice(i - last, i)
        turns = rad_from_turns(np.array(found[past]) - found[-1])
        fit = fit_polynomial(time_s[past], turns, np.ones(last), centre_s=time_s[i], degree=degree)
        mean_rate = fit.value_rad / (time_s[i] - time_s[i - 1])
        gap = time_s[i - 1 : i + 1]
        found.append(found[-1] + whole_turns(gap, np.zeros(2), np.array([mean_rate]))[0])
    return np.array(found)


def test_gaps_are_wide_and_the_rate_changes(j0209: tuple[np.ndarray, np.ndarray]) -> None:
    time, number = j0209
    rate = np.diff(number) / np.diff(time)
    assert len(time) == 85
    assert np.median(np.diff(number)) == 1212.5
    assert np.ptp(rate) / rate.mean() == pytest.approx(0.00259, abs=0.0001)


def test_a_local_cubic_numbers_every_pulse_right(j0209: tuple[np.ndarray, np.ndarray]) -> None:
    time, number = j0209
    assert np.array_equal(bridge(time, number, last=8, degree=3), number)


def test_the_rate_of_the_gap_before_is_not_enough(j0209: tuple[np.ndarray, np.ndarray]) -> None:
    time, number = j0209
    before = rad_from_turns(np.diff(number)[:-1] / np.diff(time)[:-1])
    turns = whole_turns(time[1:], np.zeros(len(time) - 1), before)
    assert 1 <= np.count_nonzero(turns != np.diff(number)[1:]) <= 5


def test_one_rate_for_all_gaps_is_wrong_in_most(j0209: tuple[np.ndarray, np.ndarray]) -> None:
    time, number = j0209
    mean = rad_from_turns((number[-1] - number[0]) / (time[-1] - time[0]))
    turns = whole_turns(time, np.zeros(len(time)), np.full(len(time) - 1, mean))
    assert np.mean(turns == np.diff(number)) < 0.5
    assert turns_from_rad(mean) == pytest.approx(0.1076, abs=1e-3)
