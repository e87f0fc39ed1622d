"""What the scatter of neighbouring speeds tells beyond noise, shutter and geometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fabricate_turning import RATE, SIGMA, even, exponential, noisy, turning

from vidspin.regression import LocalRates, local_rates
from vidspin.speed.curve import spin_curve
from vidspin.speed.doubts import LEAST_WINDOWS, left_over, unevenness, usual_u

SHORT_S = 0.8


def rates_of(rate: np.ndarray, short_s: float = SHORT_S) -> LocalRates:
    """Windows that follow each other and have these rates."""
    at, nothing = (np.arange(len(rate)) + 0.5) * short_s, np.zeros(len(rate))
    length, count = np.full(len(rate), short_s), np.full(len(rate), 24)
    return LocalRates(at, length, nothing, rate, *[nothing] * 4, count)


def told(rate: np.ndarray, u: float, length_s: float = SHORT_S) -> tuple[np.ndarray, np.ndarray]:
    rates = rates_of(rate)
    size = len(rate)
    return unevenness(rates, np.full(size, u), rates.centre_s, np.full(size, length_s))


def test_scatter_that_is_known_is_hardly_ever_uneven() -> None:
    rng = np.random.default_rng(1)
    decay = 200 * np.exp(-np.arange(60) * SHORT_S / 20)
    share = [np.mean(told(decay + rng.normal(0, 0.01, 60), 0.01)[0] > 0) for _ in range(60)]
    # one trend in a hundred; rows between two trends see both
    assert np.mean(share) < 0.03


def test_scatter_that_is_not_known_comes_out_in_full() -> None:
    rng, found = np.random.default_rng(2), []
    for _ in range(40):
        found.append(told(200 + rng.normal(0, 0.05, 60), 0.01)[0][5:-5])
    # sqrt(0.05**2 - 0.01**2)
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(0.049, rel=0.05)


def test_longer_windows_hold_less_of_it() -> None:
    rate = 200 + np.random.default_rng(3).normal(0, 0.05, 40)
    short, long = told(rate, 0.01)[0], told(rate, 0.01, 4 * SHORT_S)[0]
    assert long == pytest.approx(short / 4)


def test_scatter_of_a_few_windows_tells_nothing() -> None:
    u, dof = told(200 + 5.0 * (np.arange(LEAST_WINDOWS - 1) % 2), 0.01)
    assert np.all(u == 0) and np.all(np.isinf(dof))


def test_gap_keeps_both_sides_apart() -> None:
    rate = 200 + np.random.default_rng(4).normal(0, 0.05, 40)
    rate[12:36] = np.nan
    u, _ = told(rate, 0.01)
    # four windows beyond 19 s of nothing are too few, and do not borrow from the other side
    assert np.all(u[:12] > 0) and np.all(u[36:] >= 0) and np.isfinite(u).all()


def test_left_over_of_a_ramp_is_its_slope() -> None:
    t = np.arange(300) / RATE
    weight = np.full(300, 1.0)
    at, length = np.array([5.0]), np.array([2.0])
    rates = local_rates(t, 100 * t, weight, centres_s=at, windows_s=length)
    u = left_over(t, weight, 0.03 * t[:, None], rates)
    assert u == pytest.approx([0.03])


def test_speeds_of_a_top_that_wobbles_lie_within_u95() -> None:
    law, inside, without = exponential(170.0, 60.0), [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        angle = noisy(law, 20.0, seed)
        t = np.arange(len(angle)) / RATE
        # a lean of a few degrees, precessing once in 1.7 s
        swing = 0.02 * np.sin(2 * np.pi * rng.uniform(0.4, 0.8) * t + rng.uniform(0, 6.28))
        curve, noise = spin_curve(turning(angle + swing), 1.0)
        error = np.abs(curve.speed_rad_s - law[1](curve.time_s))
        inside.append(np.mean(error <= curve.u95_speed_rad_s))
        line = {c.name: c.u for c in curve.budgets[1].components}
        without.append(line["unevenness"] / line["phase noise"])
    assert np.mean(inside) > 0.9
    assert np.median(without) > 1.0


def test_even_spin_has_no_unevenness_in_its_budget() -> None:
    lines = []
    for seed in range(20):
        curve, _ = spin_curve(turning(noisy(even(), 30.0, seed)), 1.0)
        lines += [c.u for b in curve.budgets for c in b.components if c.name == "unevenness"]
    assert np.mean(np.array(lines) > 0.1 * SIGMA) < 0.1


@pytest.mark.parametrize(("push", "lost_s"), [(1.0, 0.0), (0.0, 0.61)])
def test_what_parts_the_spin_is_no_unevenness_of_the_rest(push: float, lost_s: float) -> None:
    angle_of, speed_of = exponential(200.0, 60.0)
    t, ratios = np.arange(900) / RATE, []
    late = t >= 15.0
    step = angle_of(np.array(15.0 + lost_s)) - angle_of(np.array(15.0))
    step -= np.mod(step + np.pi, 2 * np.pi) - np.pi  # whole turns that nobody saw
    angle = angle_of(t + lost_s * late) + late * (push * (t - 15.0) - step)
    for seed in range(10):
        noise = SIGMA * np.random.default_rng(seed).standard_normal(len(t))
        spin = turning(angle + noise)
        (whole, _), (parted, _) = (
            spin_curve(one, 1.0) for one in (spin, replace(spin, parted_s=(14.98,)))
        )
        after = parted.time_s > 15
        truth = speed_of(parted.time_s + lost_s * after) + push * after
        assert np.isnan(parted.speed_rad_s[np.abs(parted.time_s - 15) < 0.3]).all()
        far = np.abs(parted.time_s - 15) > 1.2
        inside = np.abs(parted.speed_rad_s - truth) <= parted.u95_speed_rad_s
        assert inside[far].mean() > 0.85
        near = far & (np.abs(parted.time_s - 15) < 6)
        ratios.append(np.median((whole.u_speed_rad_s / parted.u_speed_rad_s)[near]))
    assert np.median(ratios) > 4  # what the rest would be doubted by


def test_rows_beside_a_hand_that_pushes_for_a_while_are_in_doubt() -> None:
    """By 2 % within 1.2 s: the ends of the push lie in windows that end at its middle."""
    angle_of, speed_of = exponential(200.0, 60.0)
    t, inside = np.arange(900) / RATE, []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        middle = 15 + rng.uniform(0, 1)
        y = np.clip(t - middle + 0.6, 0, 1.2)
        more = 4.0 * (y**2 / 2.4 + np.maximum(t - middle - 0.6, 0))
        angle = angle_of(t) + more + SIGMA * rng.standard_normal(len(t))
        curve, _ = spin_curve(replace(turning(angle), parted_s=(middle,)), 0.5)
        true = speed_of(curve.time_s) + 4.0 * np.interp(curve.time_s, t, y) / 1.2
        near = np.isfinite(curve.speed_rad_s) & (np.abs(curve.time_s - middle) < 1.5)
        assert near.sum() > 1
        inside.append(np.abs(curve.speed_rad_s - true)[near] <= curve.u95_speed_rad_s[near])
    assert np.concatenate(inside).mean() > 0.9


# ------------------------------------------------------------------------------- weights


def test_noise_of_single_frames_leaves_their_uncertainty() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(900) / 30
    angle = 22.3 * t
    true = 0.01 * (1.5 + np.sin(angle))  # by the place on the ring
    told = true * np.exp(0.1 * rng.standard_normal(len(t)))
    told[400] *= 4  # half covered
    found = usual_u(t, angle, told)
    rest = np.arange(len(t)) != 400
    before, after = (np.std(np.log(one / true)[rest]) for one in (told, found))
    assert after < 0.6 * before  # the width of a place leaves some
    assert found[400] == told[400]


def test_few_sightings_keep_their_own_uncertainty() -> None:
    t = np.arange(40) / 30
    told = np.linspace(0.01, 0.02, 40)
    told[7] = np.nan
    np.testing.assert_array_equal(usual_u(t, 20 * t, told), told)
