"""What must hold for any numbers, not only for the ones somebody thought of."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidspin import units
from vidspin.aliasing import (
    alias_order,
    alias_spacing,
    apparent_rate,
    orders_within,
    stand_still_rates,
)
from vidspin.records import Component
from vidspin.regression import continuous_phase, local_rates, whole_turns
from vidspin.uncertainty import combine, coverage_factor

numbers = st.floats(-1e9, 1e9)
rates = st.fractions(-200, 200, max_denominator=2000)
frame_rates = st.sampled_from(
    [Fraction(text) for text in ("24", "25", "30000/1001", "30", "60", "240000/1001", "240")]
)
marks = st.integers(1, 4)

PAIRS = [
    (units.rad_s_from_rpm, units.rpm_from_rad_s),
    (units.turns_from_rad, units.rad_from_turns),
    (units.degrees_from_rad, units.rad_from_degrees),
]


@pytest.mark.parametrize(("there", "back"), PAIRS)
@given(value=numbers)
def test_units_round_trip(there, back, value) -> None:
    assert back(there(value)) == pytest.approx(value, rel=4e-16)
    assert there(back(value)) == pytest.approx(value, rel=4e-16)
    assert there(np.array([value]))[0] == there(value)


@given(hundredths=st.integers(0, 10**8))
def test_durations_round_trip(hundredths: int) -> None:
    seconds = hundredths / 100
    assert units.parse_duration(units.format_duration(seconds, 2)) == seconds


@given(rate=st.fractions(Fraction(1, 1000), 1000))
def test_rates_round_trip(rate: Fraction) -> None:
    assert units.parse_rate(f"{rate.numerator}/{rate.denominator}") == rate


# ------------------------------------------------------------------------- aliasing


@given(rate=rates, frame_rate=frame_rates, marks=marks)
def test_apparent_speed_lies_in_its_interval_and_differs_by_whole_spacings(
    rate: Fraction, frame_rate: Fraction, marks: int
) -> None:
    spacing = alias_spacing(frame_rate, marks)
    seen = apparent_rate(rate, frame_rate, marks)
    assert -spacing / 2 < seen <= spacing / 2
    assert rate == seen + alias_order(rate, frame_rate, marks) * spacing
    assert apparent_rate(seen, frame_rate, marks) == seen


@given(rate=rates, frame_rate=frame_rates, marks=marks)
def test_reversing_the_spin_reverses_what_is_seen(
    rate: Fraction, frame_rate: Fraction, marks: int
) -> None:
    seen = apparent_rate(rate, frame_rate, marks)
    mirrored = apparent_rate(-rate, frame_rate, marks)
    half = alias_spacing(frame_rate, marks) / 2
    assert mirrored == (seen if seen == half else -seen)


@given(rate=rates, frame_rate=frame_rates, marks=marks, low=st.integers(0, 50))
def test_the_true_order_is_among_the_candidates(
    rate: Fraction, frame_rate: Fraction, marks: int, low: int
) -> None:
    high = Fraction(210)
    seen = apparent_rate(rate, frame_rate, marks)
    orders = orders_within(seen, frame_rate, marks, Fraction(low), high)
    spacing = alias_spacing(frame_rate, marks)
    assert (alias_order(rate, frame_rate, marks) in orders) == (abs(rate) >= low)
    assert list(orders) == sorted(set(orders))
    # nothing left out: count by brute force
    every = range(-900, 901)
    assert [n for n in every if low <= abs(seen + n * spacing) <= high] == list(orders)


@given(frame_rate=frame_rates, marks=marks)
def test_marks_look_frozen_at_stand_still_speeds_only(frame_rate: Fraction, marks: int) -> None:
    still = stand_still_rates(frame_rate, Fraction(100), marks)
    assert all(apparent_rate(rate, frame_rate, marks) == 0 for rate in still)
    assert len(still) == math.floor(100 * marks / frame_rate)


@given(rate=rates, frame_rate=frame_rates, marks=marks)
def test_floats_agree_with_fractions_away_from_half_rate(
    rate: Fraction, frame_rate: Fraction, marks: int
) -> None:
    exact = apparent_rate(rate, frame_rate, marks)
    spacing = float(alias_spacing(frame_rate, marks))
    floating = apparent_rate(float(rate), float(frame_rate), marks)
    off = (floating - float(exact)) / spacing
    assert off == pytest.approx(round(off), abs=1e-9)  # at half-rate a float may fall either way
    if abs(exact) < 0.499 * spacing:
        assert round(off) == 0


# ---------------------------------------------------------------------- whole turns


@given(
    steps=st.lists(st.floats(0.004, 0.5), min_size=1, max_size=40),
    rate=st.floats(-600, 600),
    error=st.floats(-0.49, 0.49),
    marks=marks,
    seed=st.integers(0, 2**32 - 1),
)
def test_whole_turns_undo_wrapping(steps, rate, error, marks, seed) -> None:
    # phase of a wandering speed, prediction off by less than half a period in every step
    period = 2 * np.pi / marks
    time = np.concatenate(([0.0], np.cumsum(steps)))
    wander = np.random.default_rng(seed).normal(0, 5, len(time)).cumsum()
    phase = rate * time + wander
    predicted = (np.diff(phase) + error * period) / np.diff(time)
    wrapped = np.mod(phase, period)
    turns = whole_turns(time, wrapped, predicted, period_rad=period)
    rebuilt = continuous_phase(wrapped, turns, period_rad=period)
    assert rebuilt - rebuilt[0] == pytest.approx(phase - phase[0], abs=1e-8)


# ----------------------------------------------------------------- local regression


@given(
    seed=st.integers(0, 2**32 - 1),
    count=st.integers(8, 80),
    degree=st.integers(1, 3),
    offset=st.floats(-0.5, 0.5),
)
def test_local_rates_are_numpy_s_polyfit(seed, count, degree, offset) -> None:
    rng = np.random.default_rng(seed)
    time = 1000 + np.cumsum(rng.uniform(0.5, 1.5, count)) / 60
    phase = rng.uniform(-500, 500) * time + rng.normal(0, 1, count)
    weight = rng.uniform(0.1, 10, count)
    span = float(time[-1] - time[0])
    centre = float(time[0]) + (0.5 + offset) * span
    window = 2.1 * max(centre - time[0], time[-1] - centre)
    fits = local_rates(
        time,
        phase,
        weight,
        centres_s=np.array([centre]),
        windows_s=np.array([window]),
        degree=degree,
    )
    level = phase[0] + phase[-1]  # polyfit itself loses digits to a large phase
    reference, covariance = np.polyfit(
        time - centre, phase - level, degree, w=np.sqrt(weight), cov="unscaled"
    )
    assert fits.count[0] == count
    tolerance = 1e-7 * np.sqrt(np.diag(covariance))[::-1]
    assert abs(fits.value_rad[0] - level - reference[-1]) < tolerance[0] + 1e-9
    assert abs(fits.rate_rad_s[0] - reference[-2]) < tolerance[1]
    assert fits.rate_factor[0] == pytest.approx(np.sqrt(covariance[-2, -2]), rel=1e-7)
    if degree > 1:
        assert abs(fits.slope_rad_s2[0] - 2 * reference[-3]) < 2 * tolerance[2]
        assert fits.slope_factor[0] == pytest.approx(2 * np.sqrt(covariance[-3, -3]), rel=1e-7)


@given(seed=st.integers(0, 2**32 - 1), shift=st.floats(-1e6, 1e6))
def test_where_zero_is_does_not_matter(seed, shift) -> None:
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.uniform(0.5, 1.5, 60)) / 60
    phase = 100 * time + rng.normal(0, 0.1, 60)
    windows = {"centres_s": np.array([0.5]), "windows_s": np.array([0.8])}
    here = local_rates(time, phase, np.ones(60), **windows)
    there = local_rates(time, phase + shift, np.ones(60), **windows)
    assert there.rate_rad_s[0] == pytest.approx(here.rate_rad_s[0], abs=1e-8)
    assert there.value_rad[0] - shift == pytest.approx(here.value_rad[0], abs=1e-8)


# ---------------------------------------------------------------------- uncertainty

components = st.lists(
    st.tuples(st.floats(1e-6, 1e6), st.one_of(st.floats(1, 1e6), st.just(math.inf))),
    min_size=1,
    max_size=8,
)


@given(parts=components)
def test_combine_is_the_formula(parts) -> None:
    u, dof = combine([Component(name="", type="A", u=u, dof=dof) for u, dof in parts])
    variance = math.fsum(value**2 for value, _ in parts)
    below = math.fsum(value**4 / degrees for value, degrees in parts)
    assert u == pytest.approx(math.sqrt(variance), rel=1e-14)
    assert dof == (math.inf if below == 0 else pytest.approx(variance**2 / below, rel=1e-12))


@given(parts=components)
def test_effective_degrees_lie_between_smallest_and_sum(parts) -> None:
    _, dof = combine([Component(name="", type="A", u=u, dof=dof) for u, dof in parts])
    degrees = [value for _, value in parts]
    assert min(degrees) * (1 - 1e-12) <= dof <= sum(degrees) * (1 + 1e-12)


@given(p=st.floats(0.5, 0.999), dof=st.floats(1, 1e5))
def test_less_knowledge_needs_a_larger_factor(p: float, dof: float) -> None:
    assert coverage_factor(p, dof) >= coverage_factor(p, math.inf) > 0
    assert coverage_factor(p, dof) >= coverage_factor(p, 2 * dof)
