"""The run-down law: its solution, and what a fit to the phase tells of it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from simulated_attempts import RPM, Law, attempt, by_clock, spin

from vidspin.errors import UsageError
from vidspin.uncertainty import coverage_factor
from vidspin.workshop import rundown
from vidspin.workshop.attempt import Phase, cut_at
from vidspin.workshop.drag import air
from vidspin.workshop.law import FORMS, coast_time, run_down, shape
from vidspin.workshop.mechanics import Body, drag_of
from vidspin.workshop.rundown import fit_rundown, forms_of_power
from vidspin.workshop.telling import UNSETTLED, rundown_text

BY_NAME = {form.name: form for form in FORMS}
LAMINAR = BY_NAME["constant + power 3/2"]
LINEAR = BY_NAME["constant + linear"]
FULL = BY_NAME["constant + linear + free power"]


def test_dry_friction_alone_slows_evenly() -> None:
    t = np.linspace(0, 100, 11)
    angle, speed, _ = run_down(LAMINAR, 200.0, np.array([0.5, 0.0]), 100.0, t)
    assert speed == pytest.approx(200 - 0.5 * t, rel=1e-9)
    assert angle == pytest.approx(200 * t - 0.25 * t**2, rel=1e-9)
    seconds, _ = coast_time(LAMINAR, np.array([0.5, 0.0]), 100.0, 200.0, 150.0)
    assert seconds == pytest.approx(100.0, rel=1e-9)


def test_viscous_friction_alone_slows_exponentially() -> None:
    t = np.linspace(0, 300, 7)
    k = 0.01  # 1/s: B / reference
    _, speed, _ = run_down(LINEAR, 200.0, np.array([0.0, k * 100.0]), 100.0, t)
    assert speed == pytest.approx(200 * np.exp(-k * t), rel=1e-9)


def test_laminar_air_alone_follows_its_closed_form() -> None:
    """w = (w0^(-1/2) + k t / 2)^(-2) for dw/dt = -k w^(3/2)."""
    k, t = 1e-4, np.linspace(0, 2000, 9)
    _, speed, _ = run_down(LAMINAR, 200.0, np.array([0.0, k * 100.0**1.5]), 100.0, t)
    closed = (200**-0.5 + 0.5 * k * t) ** -2
    assert speed == pytest.approx(closed, rel=1e-9)
    seconds, _ = coast_time(
        LAMINAR, np.array([0.0, k * 100.0**1.5]), 100.0, 200.0, float(closed[-1])
    )
    assert seconds == pytest.approx(2000.0, rel=1e-9)


def test_a_hundred_minutes_come_out_to_a_hundred_thousandth_of_a_radian() -> None:
    k, t = 2e-5, np.linspace(0, 6000, 50_001)
    angle, _, _ = run_down(LAMINAR, 180.0, np.array([0.0, k * 100.0**1.5]), 100.0, t)
    closed = 2 / k * (180**0.5 - 1 / (180**-0.5 + 0.5 * k * t))
    assert closed[-1] > 4e5
    assert np.abs(angle - closed).max() < 1e-5


def test_derivatives_are_those_of_small_changes() -> None:
    t = np.linspace(1, 100, 5)
    law = np.array([150.0, 0.2, 0.1, 0.3, 1.6])
    _, _, jacobian = run_down(FULL, float(law[0]), law[1:], 80.0, t)
    _, by_law = coast_time(FULL, law[1:], 80.0, 150.0, 60.0)
    _, by_shape = shape(FULL, law[1:], np.array(1.3))
    for k in range(5):
        step = 1e-5 * law[k] * np.eye(5)[k]
        up, down = (
            run_down(FULL, float(x[0]), x[1:], 80.0, t)[0] for x in (law + step, law - step)
        )
        assert jacobian[:, k] == pytest.approx((up - down) / (2 * step[k]), rel=2e-5, abs=1e-6)
        if k:
            up, down = (
                coast_time(FULL, x[1:], 80.0, 150.0, 60.0)[0] for x in (law + step, law - step)
            )
            assert by_law[k - 1] == pytest.approx((up - down) / (2 * step[k]), rel=1e-6)
            up, down = (shape(FULL, x[1:], np.array(1.3))[0] for x in (law + step, law - step))
            assert by_shape[k - 1] == pytest.approx((up - down) / (2 * step[k]), rel=1e-6)


def test_a_law_that_does_not_slow_never_arrives() -> None:
    seconds, _ = coast_time(LINEAR, np.array([-0.5, 1.0]), 100.0, 200.0, 20.0)
    assert np.isinf(seconds)


def test_parameters_are_recovered_within_their_uncertainty() -> None:
    """60 simulated run-downs: 57 expected within u95, 50 to 60 is what chance allows at 1 in 1000;
    errors ÷ u are Student's t with 8 degrees of freedom, whose root mean square is 1.15.  The
    bench does this for 600 run-downs and every form.
    """
    law, rng = Law(0.05, 0.0, 1.2e-4, 1.5), np.random.default_rng(11)
    turning = spin(law, 1400.0, 500.0)
    inside, ratios, widened = np.zeros(2), [], []
    for _ in range(60):
        seen = attempt(turning, rng, noise_rad=0.01, frame_rate=2.0, stated=0.5)
        fit = fit_rundown(seen, forms=(LAMINAR,)).best
        errors = np.array([fit.value("a") - law.a, fit.value("c") - law.c])
        inside += np.abs(errors) <= fit.u95[1:]
        ratios.append(errors / fit.u[1:])
        widened.append(fit.widened)
    assert np.all(inside >= 50)
    # 120 values in correlated pairs: the root mean square is good to a tenth
    assert 0.85 < np.sqrt(np.mean(np.square(ratios))) < 1.5
    # the stated u is half the true one; chi-square with 8 degrees of freedom, 60 times
    assert np.mean(widened) == pytest.approx(4.0, rel=0.2)


def test_a_clock_that_goes_wrong_is_within_the_uncertainty() -> None:
    """One that is fast by 60 parts in a million shows every parameter off by what is stated."""
    turning = spin(Law(0.05, 2e-4, 1.2e-4), 1400.0)
    form = (BY_NAME["constant + linear + power 3/2"],)
    exact = attempt(turning, np.random.default_rng(5), noise_rad=1e-5, frame_rate=2.0)
    wrong = attempt(
        by_clock(turning, 6e-5), np.random.default_rng(5), noise_rad=1e-5, frame_rate=2.0
    )
    true = fit_rundown(exact, forms=form).best
    seen = fit_rundown(replace(wrong, u_clock=6e-5), forms=form).best
    assert seen.clock == pytest.approx(seen.values - true.values, rel=0.02)
    assert np.all(np.abs(seen.values - true.values) < seen.u95)
    assert np.all(true.u < 0.1 * seen.u)


def test_the_right_power_is_chosen_and_a_free_one_found() -> None:
    rng = np.random.default_rng(3)
    for p, name in ((1.5, "power 3/2"), (1.8, "power 9/5")):
        c = 1.2e-4 * 120 ** (1.5 - p)
        seen = attempt(spin(Law(0.05, 0.0, c, p), 1600.0), rng, noise_rad=0.01, frame_rate=2.0)
        found = fit_rundown(seen)
        assert sum(fit.weight for fit in found.fits) == pytest.approx(1.0)
        other = "power 9/5" if p == 1.5 else "power 3/2"
        assert f"constant + {other}" not in {fit.form.name for fit in found.fits}
        assert f"constant + {name}" in {fit.form.name for fit in found.fits}
        free = fit_rundown(seen, forms=forms_of_power("free")[:1]).best
        # 1.6 u95 are 3.2 u: a chance of 1 in 300 a figure, with a fixed seed
        assert abs(free.value("p") - p) < free.u95[free.names.index("p")] * 1.6
        speed = np.array([60.0, 120.0])
        slowing, u95 = free.deceleration(speed)
        assert np.all(np.abs(slowing - (0.05 + c * speed**p)) < 1.6 * u95)


def test_coast_times_of_the_fit_are_the_true_ones() -> None:
    turning = spin(Law(), 1600.0)
    seen = attempt(turning, np.random.default_rng(8), noise_rad=0.01, frame_rate=5.0)
    seconds, u = fit_rundown(seen).best.coast(1200 * RPM, 600 * RPM)
    t = np.linspace(0, turning.duration_s, 200_001)
    speed = turning.speed(t)
    true = np.interp(-600 * RPM, -speed, t) - np.interp(-1200 * RPM, -speed, t)
    assert abs(seconds - true) < 4 * u
    assert u < 0.05


def test_averaging_neighbours_loses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = attempt(spin(Law(), 1200.0, 700.0), np.random.default_rng(2), noise_rad=0.01)
    monkeypatch.setattr(rundown, "MOST_VALUES", 10**6)
    plain = fit_rundown(seen, forms=(LAMINAR,)).best
    monkeypatch.setattr(rundown, "MOST_VALUES", 600)
    thinned = fit_rundown(seen, forms=(LAMINAR,)).best
    assert len(plain.time_s) > 5 * len(thinned.time_s)
    assert plain.sightings == thinned.sightings
    for name in ("a", "c"):
        u = plain.u[plain.names.index(name)]
        assert abs(plain.value(name) - thinned.value(name)) < 0.1 * u
        assert thinned.u[thinned.names.index(name)] == pytest.approx(u, rel=0.5)


def test_a_seam_whose_turns_nobody_counted_does_not_bend_the_law() -> None:
    seen = attempt(spin(Law(), 1400.0), np.random.default_rng(4), noise_rad=0.01, frame_rate=5.0)
    assert seen.phase is not None
    later = seen.phase.time_s > 300.0
    phase = Phase(
        seen.phase.time_s, seen.phase.angle_rad + 7.3 * later, seen.phase.u_rad,
        later.astype(np.int64),
    )  # fmt: skip
    fit = fit_rundown(replace(seen, phase=phase), forms=(LAMINAR,)).best
    assert abs(fit.value("c") - 1.2e-4) < 4 * fit.u[fit.names.index("c")]
    assert np.abs(fit.residual_rad).max() < 0.06


def test_likeness_of_neighbours_widens_the_uncertainty() -> None:
    seen = attempt(spin(Law(), 1400.0), np.random.default_rng(6), noise_rad=0.01, frame_rate=5.0)
    assert seen.phase is not None
    slow = 0.01 * np.sin(seen.phase.time_s / 9.0)
    phase = replace(seen.phase, angle_rad=seen.phase.angle_rad + slow)
    plain = fit_rundown(seen, forms=(LAMINAR,)).best
    bent = fit_rundown(replace(seen, phase=phase), forms=(LAMINAR,)).best
    assert bent.widened > 5 * plain.widened
    assert bent.u[1] > 2 * plain.u[1]


def test_only_the_stated_speeds_take_part() -> None:
    seen = attempt(spin(Law(), 1400.0), np.random.default_rng(7), noise_rad=0.01, frame_rate=5.0)
    found = fit_rundown(seen, forms=(LAMINAR,), between_rpm=(700.0, 1000.0))
    low, high = found.span_rad_s
    assert 699 * RPM < low < high < 1001 * RPM


def test_what_cannot_be_fitted_is_told() -> None:
    seen = attempt(spin(Law(), 1400.0), np.random.default_rng(9), noise_rad=0.01, frame_rate=5.0)
    with pytest.raises(UsageError, match="unresolved"):
        fit_rundown(replace(seen, resolved=False, rows=None, phase=None))
    with pytest.raises(UsageError, match="too little"):
        fit_rundown(cut_at(seen, 5.0))
    with pytest.raises(UsageError, match="no power"):
        forms_of_power("2")


def test_torque_holds_the_doubt_which_form_it_is() -> None:
    rng = np.random.default_rng(31)
    found = fit_rundown(attempt(spin(Law(0.2, 0.0, 4e-4), 1500.0), rng, noise_rad=0.01))
    one, other = (
        replace(fit, weight=share) for fit, share in zip(found.fits[:2], (0.75, 0.25), strict=True)
    )
    both = replace(found, fits=(one, other))
    speed = np.linspace(*found.span_rad_s, 5)
    (a, u_a), (b, u_b) = one.deceleration(speed), other.deceleration(speed)
    value, u95 = both.deceleration(speed)
    assert value == pytest.approx(0.75 * a + 0.25 * b)
    between = coverage_factor(0.95, one.dof) ** 2 * 0.75 * 0.25 * (a - b) ** 2
    assert u95**2 == pytest.approx(0.75 * u_a**2 + 0.25 * u_b**2 + between)
    torque = drag_of(both, Body(2e-5), air()).u95_torque_un_m
    assert torque[[0, -1]] == pytest.approx(20.0 * u95[[0, -1]])


def test_torque_at_both_ends_is_within_its_u95_in_95_of_100() -> None:
    """60 run-downs, white noise; three standard deviations of the share of 120 ends."""
    rng, law, inside = np.random.default_rng(12), Law(0.2, 0.0, 4e-4), 0
    for _ in range(60):
        seen = attempt(spin(law, 1500.0, 320.0), rng, noise_rad=0.01, frame_rate=4.0)
        drag = drag_of(fit_rundown(seen), Body(2e-5), air())
        true = 20.0 * (law.a + law.c * (drag.speed_rpm * RPM) ** 1.5)
        off = np.abs(drag.torque_un_m - true) / drag.u95_torque_un_m
        inside += int(off[0] <= 1) + int(off[-1] <= 1)
    assert inside / 120 > 0.95 - 3 * (0.95 * 0.05 / 120) ** 0.5


def test_a_square_law_with_all_terms_is_found() -> None:
    """A fit of all terms and a free power was given up half way down its valley: the torque, by
    forms 100 times worse, was within its u95 in 20 of 100 places."""
    rng, law, inside = np.random.default_rng(3), Law(0.2, 1.2e-3, 1.2e-5, 2.0), 0
    turning = spin(law, 1500.0)
    for _ in range(20):
        found = fit_rundown(attempt(turning, rng, noise_rad=0.01, frame_rate=4.0))
        assert found.best.form == FORMS[-1]
        off = abs(found.best.value("p") - 2.0) / found.best.u95[-1]
        ends = np.array(found.span_rad_s)
        value, u95 = found.deceleration(ends)
        true = law.a + law.b * ends + law.c * ends**2
        assert off < 4 and np.all(np.abs(value - true) < 4 * u95)
        inside += int(np.sum(np.abs(value - true) <= u95))
    assert inside / 40 > 0.95 - 3 * (0.95 * 0.05 / 40) ** 0.5


@pytest.mark.parametrize("rows_apart", [0.0, None])
def test_speeds_that_hardly_differ_stop_nothing(rows_apart: float | None) -> None:
    seen = attempt(spin(Law(1e-4, 0.0, 0.0), 1500.0, 1499.0), np.random.default_rng(4), u_rpm=1e-6,
                   noise_rad=0.01, frame_rate=2.0)  # fmt: skip
    assert seen.rows is not None
    flat = seen
    if rows_apart is not None:
        speed = np.full(len(seen.rows.time_s), 150.0)
        flat = replace(seen, rows=replace(seen.rows, speed_rad_s=speed))
    try:
        found = fit_rundown(flat)
    except UsageError as error:
        assert "no law could be fitted" in str(error)
    else:
        assert all(np.all(np.isfinite(fit.u)) for fit in found.fits)


def test_less_drag_than_a_disc_has_is_told_as_wrong() -> None:
    """A ratio of 0.89 stood in the table without a word."""
    seen = attempt(
        spin(Law(0.35, 0.0, 4e-4), 1400.0), np.random.default_rng(3), noise_rad=0.01, frame_rate=5.0
    )
    found = fit_rundown(seen, forms=(LAMINAR,))
    light, heavy = (drag_of(found, Body(j, 0.0, 0.04), air()) for j in (2e-6, 4e-6))
    assert light.ratio is not None and light.ratio.min() < 1 and "told wrongly" in light.note
    assert heavy.ratio is not None and heavy.ratio.min() > 1 and "wrongly" not in heavy.note
    assert drag_of(found, Body(2e-6, 0.2, 0.04), air()).note.count("wrongly") == 0  # ± 40 %


def test_uncertainties_below_those_of_independent_noise_are_not_called_widened() -> None:
    seen = attempt(spin(Law(), 1400.0), np.random.default_rng(9), noise_rad=0.01, frame_rate=5.0)
    found = fit_rundown(seen, forms=(LAMINAR,))
    tame = replace(found, fits=(replace(found.best, widened=0.64),))
    assert "uncertainties 0.8 times those of independent noise" in rundown_text(tame)


def test_values_of_a_law_have_the_digits_of_their_u95() -> None:
    rng = np.random.default_rng(32)
    found = fit_rundown(attempt(spin(Law(0.2, 0.0, 4e-4), 1500.0), rng, noise_rad=0.01))
    told = re.findall(r"^  \w+ = (-?\d+\.?\d*) ± (\d+\.?\d*)", rundown_text(found), re.MULTILINE)
    assert len(told) == sum(len(fit.names) for fit in found.fits)
    for value, u95 in told:
        assert len(value.partition(".")[2]) == len(u95.partition(".")[2])
        assert len(u95.replace(".", "").lstrip("0")) >= 2


def test_a_form_that_is_not_settled_is_told() -> None:
    rng = np.random.default_rng(32)
    found = fit_rundown(attempt(spin(Law(0.2, 0.0, 4e-4), 1500.0), rng, noise_rad=0.01))
    assert found.best.weight < 0.95 and UNSETTLED in rundown_text(found)
    sure = replace(found, fits=(replace(found.best, weight=0.96), *found.fits[1:]))
    assert UNSETTLED not in rundown_text(sure)


def test_the_table_has_columns_of_one_length() -> None:
    seen = attempt(spin(Law(), 1400.0), np.random.default_rng(9), noise_rad=0.01, frame_rate=5.0)
    table = fit_rundown(seen, forms=(LAMINAR,)).best.table()
    assert [len(column) for column in table.values()] == [3, 3, 3, 3]
    assert table["parameter"] == ["start", "a", "c"]
