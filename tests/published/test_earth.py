"""A rotator sampled once a day: the Earth, from the published UT1 - UTC.

One sample a day of a body that turns 1.0027 times a day: the frames alone suggest 0.0027
turns a day, the rest is alias order.  The year 2015 holds a leap second, an interval that is
1 s longer than the others, which a rate corrected by "order × sampling rate" gets wrong.
Data, source and licence: ``data/README.md``.  The formula of the Earth rotation angle is
from memory (IERS Conventions): 2 pi (0.7790572732640 + 1.00273781191135448 Tu).
"""

from pathlib import Path

import numpy as np
import pytest

from vidspin.aliasing import apparent_rate
from vidspin.regression import continuous_phase, fit_polynomial, local_rates, whole_turns
from vidspin.units import rad_from_turns, turns_from_rad

DATA = Path(__file__).parent / "data"
DAY = 86400.0
TURNS_A_DAY = 1.00273781191135448
NOMINAL_RAD_S = 7.292115e-5  # rounded on purpose: a prediction need not be exact


class Year:
    """Times and wrapped angles of one year, once a day."""

    def __init__(self, year: int) -> None:
        table = np.loadtxt(DATA / f"earth_ut1_{year}.csv", delimiter=",", skiprows=1)
        mjd, ut1_utc, self.sigma_s, self.lod_ms, self.sigma_lod_ms, tai_utc = table.T
        days = mjd - mjd[0]
        self.time_s = days * DAY + (tai_utc - tai_utc[0])  # a leap second makes a day longer
        turns = 0.779057273264 + TURNS_A_DAY * ut1_utc / DAY + (TURNS_A_DAY - 1) * days
        self.wrapped_rad = rad_from_turns(turns % 1.0)
        steps = whole_turns(self.time_s, self.wrapped_rad, np.full(len(days) - 1, NOMINAL_RAD_S))
        self.phase_rad = continuous_phase(self.wrapped_rad, steps)
        self.u_rad = rad_from_turns(self.sigma_s / DAY)


def excess_ms(rate_rad_s: float | np.ndarray) -> float | np.ndarray:
    """Length of day minus 86400 s for a rate of rotation."""
    return (rad_from_turns(TURNS_A_DAY) / rate_rad_s - DAY) * 1e3


def end_to_end_ms(year: Year) -> float:
    turned = year.phase_rad[-1] - year.phase_rad[0]
    return float(excess_ms(turned / (year.time_s[-1] - year.time_s[0])))


def test_once_a_day_the_earth_seems_almost_to_stand_still() -> None:
    assert apparent_rate(TURNS_A_DAY, 1.0) == pytest.approx(0.00273781, abs=5e-9)


@pytest.mark.parametrize("number", [2015, 2020])
def test_mean_length_of_day_agrees_with_the_published_column(number: int) -> None:
    year = Year(number)
    # the column is an instantaneous value with a stated sigma of some 0.007 ms a day
    published = float(np.mean(0.5 * (year.lod_ms[1:] + year.lod_ms[:-1])))
    assert end_to_end_ms(year) == pytest.approx(published, abs=float(year.sigma_lod_ms.mean()))


def test_printed_means() -> None:
    # 2015: 1.2544 end to end, 1.2533 the mean of the column; 2020: -0.0032 and -0.0017
    assert f"{end_to_end_ms(Year(2015)):.4f}" == "1.2544"
    assert f"{end_to_end_ms(Year(2020)):.4f}" == "-0.0032"


@pytest.mark.parametrize("number", [2015, 2020])
def test_three_day_regression_follows_the_published_column(number: int) -> None:
    year = Year(number)
    inner = slice(1, -1)
    local = local_rates(
        year.time_s,
        year.phase_rad,
        1 / year.u_rad**2,
        centres_s=year.time_s[inner],
        windows_s=np.full(len(year.time_s) - 2, 2.1 * DAY),
    )
    assert np.all(local.count == 3)
    difference = excess_ms(local.rate_rad_s) - year.lod_ms[inner]
    # our own standard error and the column's, in ms; the fortnightly tide (0.36 ms, 13.66
    # days) is flattened by 3.5 % over the window: 0.009 ms rms
    ours = local.rate_factor / NOMINAL_RAD_S * DAY * 1e3
    expected = np.sqrt(np.mean(ours**2 + year.sigma_lod_ms[inner] ** 2) + 0.009**2)
    assert np.sqrt(np.mean(difference**2)) < 1.5 * expected
    assert np.sqrt(np.mean(difference**2)) < 0.02


def test_order_times_sampling_rate_is_wrong_across_a_leap_second() -> None:
    year = Year(2015)
    # right: the order as whole turns in each interval
    u = np.full(len(year.time_s), float(year.u_rad.mean()))
    centre = 0.5 * float(year.time_s[-1])
    right = fit_polynomial(year.time_s, year.phase_rad, u, centre_s=centre, degree=1)
    assert float(excess_ms(right.rate_rad_s)) == pytest.approx(1.25, abs=0.1)
    # wrong: the slow apparent phase fitted, then one turn a nominal day added to its rate
    slow = continuous_phase(
        year.wrapped_rad,
        whole_turns(year.time_s, year.wrapped_rad, np.zeros(len(year.time_s) - 1)),
    )
    apparent = fit_polynomial(year.time_s, slow, u, centre_s=centre, degree=1)
    wrong = apparent.rate_rad_s + rad_from_turns(1 / DAY)
    assert f"{float(excess_ms(wrong)):.2f}" == "-2.91"


def test_mean_rate_and_regression_slope_are_different_questions() -> None:
    # 2020: regression -0.115 ms, end to end -0.003 ms; the slope weighs the middle of the year
    year = Year(2020)
    u = np.full(len(year.time_s), float(year.u_rad.mean()))
    centre = 0.5 * float(year.time_s[-1])
    fit = fit_polynomial(year.time_s, year.phase_rad, u, centre_s=centre, degree=1)
    assert f"{float(excess_ms(fit.rate_rad_s)):.3f}" == "-0.115"
    assert f"{end_to_end_ms(year):.3f}" == "-0.003"


def test_every_turn_of_the_year_is_counted() -> None:
    year = Year(2015)
    turned = turns_from_rad(float(year.phase_rad[-1] - year.phase_rad[0]))
    assert turned == pytest.approx(364 * TURNS_A_DAY, abs=1e-4)
