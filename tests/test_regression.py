import tracemalloc

import numpy as np
import pytest

from vidspin.regression import (
    continuous_phase,
    fit_polynomial,
    hermite,
    local_rates,
    rate_weights,
    tame,
    whole_turns,
)

RNG = np.random.default_rng(11)


def uneven_times(n: int, rate: float) -> np.ndarray:
    return np.cumsum(np.random.default_rng(n).uniform(0.8, 1.2, n)) / rate


def test_exact_polynomial_is_found_exactly() -> None:
    t = uneven_times(50, 30.0)
    fit = fit_polynomial(t, 7 + 300 * t - 2 * t**2, np.full(50, 0.1), centre_s=1.0, degree=2)
    assert fit.value_rad == pytest.approx(305.0, rel=1e-12)
    assert fit.rate_rad_s == pytest.approx(296.0, rel=1e-12)
    assert fit.slope_rad_s2 == pytest.approx(-4.0, rel=1e-10)
    assert fit.dof == 47
    assert fit.chi2 < 1e-15


def test_centre_far_outside_the_data_is_sound() -> None:
    t = 1e5 + uneven_times(60, 30.0)
    phase = 3 + 2 * (t - 1e5) + 0.5 * (t - 1e5) ** 2
    inside = fit_polynomial(t, phase, np.ones(60), centre_s=1e5, degree=2)
    outside = fit_polynomial(t, phase, np.ones(60), centre_s=1e5 - 20, degree=2)
    value, u = inside.at(np.array([1e5 - 20]))
    assert outside.value_rad == pytest.approx(value[0], rel=1e-9)
    assert outside.u()[0] == pytest.approx(u[0], rel=1e-9)


def test_missing_phases_do_not_count() -> None:
    t = uneven_times(40, 30.0)
    phase = 5 * t + RNG.normal(0, 0.1, 40)
    u = np.full(40, 0.1)
    u[3] = np.inf
    u[4] = np.nan
    phase[5] = np.nan
    keep = np.array([i not in (3, 4, 5) for i in range(40)])
    fit = fit_polynomial(t, phase, u, centre_s=0.5, degree=1)
    kept = fit_polynomial(t[keep], phase[keep], u[keep], centre_s=0.5, degree=1)
    assert fit.dof == kept.dof == 35
    assert fit.coefficients == pytest.approx(kept.coefficients, rel=1e-13)


def test_too_few_distinct_times_are_refused() -> None:
    t = np.array([0.0, 0.0, 1.0])
    with pytest.raises(ValueError, match="too few distinct times"):
        fit_polynomial(t, t, np.ones(3), centre_s=0.0, degree=2)
    with pytest.raises(ValueError, match="too few distinct times"):
        rate_weights(t, np.ones(3), 0.5, 2.0, 2)


def test_phase_without_uncertainty_is_refused() -> None:
    t = np.arange(4.0)
    with pytest.raises(ValueError, match="above zero"):
        fit_polynomial(t, t, np.zeros(4), centre_s=0.0, degree=1)


def test_errors_divided_by_u_are_unit_normal() -> None:
    rng = np.random.default_rng(7)
    t = uneven_times(40, 30.0)
    u = rng.uniform(0.05, 0.2, 40)
    pulls = np.array(
        [
            (fit.coefficients - [1.0, 9.0, -0.5]) / fit.u()
            for fit in (
                fit_polynomial(
                    t,
                    1 + 9 * (t - 0.6) - 0.5 * (t - 0.6) ** 2 + rng.normal(0, u),
                    u,
                    centre_s=0.6,
                    degree=2,
                )
                for _ in range(2000)
            )
        ]
    )
    # four standard deviations of a mean and of a variance over 2000 trials
    assert np.all(np.abs(pulls.mean(axis=0)) < 4 / np.sqrt(2000))
    assert np.all(np.abs(pulls.var(axis=0) - 1) < 4 * np.sqrt(2 / 2000))


def test_windows_without_enough_samples_are_nan() -> None:
    t = np.array([0.0, 0.1, 0.2, 5.0, 5.0, 5.0, 9.0])
    fits = local_rates(
        t, 3 * t, np.ones(7), centres_s=np.array([0.1, 5.0, 7.0, 20.0]), windows_s=np.full(4, 1.0)
    )
    assert fits.rate_rad_s[0] == pytest.approx(3.0, rel=1e-12)
    assert np.all(np.isnan(fits.rate_rad_s[1:]))  # one instant thrice, nothing, outside
    assert np.all(np.isnan(fits.rate_factor[1:]))
    assert fits.count.tolist() == [3, 3, 0, 0]


def test_no_samples_at_all_give_nan() -> None:
    fits = local_rates(
        np.arange(3.0), np.full(3, np.nan), np.ones(3), centres_s=np.ones(2), windows_s=np.ones(2)
    )
    assert np.all(np.isnan(fits.rate_rad_s))


def test_long_recording_keeps_its_digits() -> None:
    # 6000 rev/min for three hours: 6.8e6 rad of phase, a speed wanted to 1e-6
    t = 10_000 + uneven_times(2000, 240.0)
    phase = 628.3 * t - 0.01 * (t - 10_000) ** 2
    centres = np.array([10_002.0, 10_005.0])
    fits = local_rates(t, phase, np.ones(2000), centres_s=centres, windows_s=np.full(2, 2.0))
    expected = 628.3 - 0.02 * (centres - 10_000)
    # the phase itself is stored to 9e-10 rad
    assert fits.rate_rad_s == pytest.approx(expected, abs=1e-9)


def test_weights_reproduce_the_rate_and_its_error() -> None:
    t = uneven_times(300, 60.0)
    phase = 50 * t + RNG.normal(0, 0.05, 300)
    weight = RNG.uniform(0.5, 2.0, 300)
    weight[::7] = np.nan
    fits = local_rates(t, phase, weight, centres_s=np.array([2.5]), windows_s=np.array([2.0]))
    w = rate_weights(t, weight, 2.5, 2.0)
    assert w @ phase == pytest.approx(fits.rate_rad_s[0], rel=1e-12)
    variance = np.nansum(w**2 / weight)
    assert np.sqrt(variance) == pytest.approx(fits.rate_factor[0], rel=1e-12)
    assert np.all(w[(t < 1.5) | (t > 3.5)] == 0)


def test_six_thousand_windows_take_no_table_of_all_frames_by_all_windows() -> None:
    t = uneven_times(360_000, 60.0)
    centres = np.linspace(0, t[-1], 6000)
    tracemalloc.start()
    fits = local_rates(t, 300 * t, np.ones(len(t)), centres_s=centres, windows_s=np.full(6000, 5.0))
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert fits.count.max() > 290
    assert fits.rate_rad_s == pytest.approx(300.0)
    assert most < 100 << 20  # all frames by all windows are 17 GiB


def test_whole_turns_survive_a_lost_frame() -> None:
    # 47 turns a second at 30 frames/s: apparent -13; frame 5 is lost
    t = np.delete(np.arange(10) / 30.0, 5)
    true = 2 * np.pi * 47 * t
    wrapped = np.angle(np.exp(1j * true))
    turns = whole_turns(t, wrapped, np.full(8, 2 * np.pi * 47.2))
    assert continuous_phase(wrapped, turns) - wrapped[0] == pytest.approx(true, abs=1e-9)


def test_whole_turns_of_equal_marks_are_parts_of_a_turn() -> None:
    t = np.arange(20) / 60.0
    true = 2 * np.pi * 31 * t
    period = 2 * np.pi / 3
    wrapped = np.mod(true, period)
    turns = whole_turns(t, wrapped, np.full(19, 2 * np.pi * 31.0), period_rad=period)
    assert continuous_phase(wrapped, turns, period_rad=period) == pytest.approx(true, abs=1e-9)


def test_hermite_follows_a_cubic_and_stays_where_it_ends() -> None:
    at = np.array([0.0, 1.0, 2.5, 4.0])
    value, slope = at**3 - 2 * at, 3 * at**2 - 2
    x = np.linspace(0.0, 4.0, 33)
    assert hermite(x, at, value, slope) == pytest.approx(x**3 - 2 * x)
    assert hermite(np.array([-1.0, 5.0]), at, value, slope) == pytest.approx(value[[0, -1]])


def test_weights_that_tame_fall_with_the_square_of_what_is_far_off() -> None:
    assert tame(np.array([0.0, 2.0, -2.0, 200.0]), 2.0) == pytest.approx(
        [1.0, 0.5, 0.5, 1e-4], rel=1e-3
    )
    assert np.isfinite(tame(np.array([0.0, 1.0]), 0.0)).all()
