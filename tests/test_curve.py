"""Speeds, their coverage, windows, gaps, steps and budgets, on angles of known truth."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from fabricate_turning import RATE, SIGMA, even, exponential, noisy, slowed, turning
from published.bounds import crb_rate

from vidspin.records import Quantity, SpinCurve
from vidspin.speed.curve import (
    MAX_WINDOW_S,
    MIN_SIGHTINGS,
    MIN_WINDOW_S,
    centres,
    on_course,
    spin_curve,
    unseen_seconds,
)
from vidspin.speed.turning import Turning, look
from vidspin.uncertainty import combine, coverage_factor


def curve_of(angle: np.ndarray, **stated: object) -> SpinCurve:
    return spin_curve(turning(angle, **stated), 1.0)[0]


def correlated(count: int, seed: int, share: float) -> np.ndarray:
    """First-order autoregression of unit variance."""
    white = np.random.default_rng(seed).normal(size=count)
    noise = np.empty(count)
    noise[0] = white[0]
    for k in range(1, count):
        noise[k] = share * noise[k - 1] + math.sqrt(1 - share**2) * white[k]
    return noise


def test_spin_of_one_frame_has_no_speed() -> None:
    t = turning(noisy(even(), 10.0, 1))
    one = replace(t, free=np.arange(len(t.time_s)) == 150)
    assert not np.isfinite(spin_curve(one, 1.0)[0].speed_rad_s).any()


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("seed", range(20))
def test_few_scattered_sightings_give_true_speeds_or_none(seed: int) -> None:
    law, rng = exponential(200.0, 300.0), np.random.default_rng(seed)
    angle = noisy(law, float(rng.uniform(2, 60)), seed)
    seen = rng.choice(len(angle), int(rng.integers(3, 40)), replace=False)
    few = np.full(len(angle), np.nan)
    few[seen] = angle[seen]
    curve = curve_of(few)
    told = np.isfinite(curve.speed_rad_s)
    off = np.abs(curve.speed_rad_s - law[1](curve.time_s))[told]
    assert np.all(off < 2.5 * curve.u95_speed_rad_s[told])  # 5 standard uncertainties


# --------------------------------------------------------------------------- coverage


@pytest.mark.parametrize(
    ("law", "stated_u"),
    [(even(), SIGMA), (exponential(), SIGMA), (exponential(200.0, 20.0), SIGMA / 2)],
    ids=["even", "exponential", "fast loss and u stated too small"],
)
def test_u95_holds_the_true_speed_in_95_of_100(law, stated_u) -> None:
    inside, ratio = [], []
    for seed in range(100):
        curve = curve_of(noisy(law, 20.0, seed), u_rad=stated_u)
        error = curve.speed_rad_s - law[1](curve.time_s)
        inside.append(np.mean(np.abs(error) <= curve.u95_speed_rad_s))
        ratio.append(error / curve.u_speed_rad_s)
    # the mean over a recording scatters by 0.067 from seed to seed, since windows overlap:
    # 0.02 is three standard deviations of the mean over 100 seeds
    assert np.mean(inside) == pytest.approx(0.95, abs=0.02)
    assert np.sqrt(np.mean(np.square(ratio))) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize(
    ("power", "tau_s", "seconds"),
    [(0, 30.0, 20.0), (1, 30.0, 20.0), (2, 30.0, 20.0), (1, 12.0, 20.0), (2, 12.0, 20.0),
     (0, 20.0, 8.0), (1, 20.0, 8.0), (2, 20.0, 8.0)],
)  # fmt: skip
@pytest.mark.parametrize("sigma", [0.003, SIGMA])
def test_curvature_of_any_drag_is_taken_off_from_first_to_last(
    power, tau_s, seconds, sigma
) -> None:
    """Dry friction, a film of air and turbulence that take a tenth of the speed a second."""
    law, ratio = slowed(power, tau_s), []
    for seed in range(40):
        angle = noisy(law, seconds, seed, sigma)
        curve = curve_of(angle, u_rad=sigma)
        ratio.append((curve.speed_rad_s - law[1](curve.time_s)) / curve.u95_speed_rad_s)
    third = np.array_split(np.abs(np.array(ratio)), 3, axis=1)
    # 95 of 100 are expected; of the least, some 100 in a third, 0.88 is three standard deviations
    assert min(float(np.mean(part <= 1)) for part in third) > 0.88
    assert np.sqrt(np.mean(np.square(ratio))) > 0.2  # and u95 is not far too large


@pytest.mark.parametrize(("swing", "period_s"), [(0.05, 10.0), (0.3, 16.0), (0.05, 6.0)])
@pytest.mark.parametrize("sigma", [0.003, SIGMA])
def test_speed_that_swings_slowly_lies_within_u95(swing, period_s, sigma) -> None:
    """What comes and goes within seconds is no law of drag: windows are short, or it is doubt."""
    base, w, inside = exponential(200.0, 300.0), 2 * np.pi / period_s, []
    law = (
        lambda t: base[0](t) + swing / w * (1 - np.cos(w * t)),
        lambda t: base[1](t) + swing * np.sin(w * t),
    )
    for seed in range(15):
        curve = curve_of(noisy(law, 60.0, seed, sigma), u_rad=sigma)
        error = curve.speed_rad_s - law[1](curve.time_s)
        inside.append(np.mean(np.abs(error) <= curve.u95_speed_rad_s))
    assert np.mean(inside) > 0.92


def test_error_of_an_even_spin_down_is_near_the_bound_of_its_window() -> None:
    law, error, whole = even(drift=-0.05), [], []
    for seed in range(60):
        curve = curve_of(noisy(law, 30.0, seed))
        inner = (curve.time_s > MAX_WINDOW_S / 2) & (curve.time_s < 30 - MAX_WINDOW_S / 2)
        whole.append(np.mean(curve.window_s[inner] == MAX_WINDOW_S))
        error.append((curve.speed_rad_s - law[1](curve.time_s))[inner])
    assert np.mean(whole) > 0.97  # curvature shortens hardly one: there is none
    bound = crb_rate(round(MAX_WINDOW_S * RATE) + 1, 1 / RATE, SIGMA)
    rms = float(np.sqrt(np.mean(np.square(error))))
    # about 60 * 5 windows that do not overlap: 4 % is the scatter of the RMS itself
    assert 0.88 * bound < rms < 1.3 * bound


def test_stated_u_is_scaled_to_the_scatter_that_is_there() -> None:
    right = curve_of(noisy(even(), 20.0, 1))
    for factor in (0.3, 3.0):
        other = curve_of(noisy(even(), 20.0, 1), u_rad=factor * SIGMA)
        assert other.speed_rad_s == pytest.approx(right.speed_rad_s, abs=1e-3)
        assert other.u_speed_rad_s == pytest.approx(right.u_speed_rad_s, rel=0.1)


def test_scatter_is_scaled_up_by_what_the_smooth_fit_took_from_it() -> None:
    scale = [look(turning(noisy(even(), 40.0, seed))).scale.mean() for seed in range(30)]
    # three of 45 numbers of a window: 1.035; a robust size of 36000 residuals is good to 0.5 %
    assert np.mean(scale) == pytest.approx(1.0, abs=0.015)


def test_noise_that_neighbours_share_widens_u() -> None:
    t = np.arange(1200) / RATE
    law = even()
    white = [curve_of(noisy(law, 40.0, seed)) for seed in range(8)]
    shared = [curve_of(law[0](t) + SIGMA * correlated(1200, seed, 0.6)) for seed in range(8)]
    widened = np.median([c.u_speed_rad_s for c in shared]) / np.median(
        [c.u_speed_rad_s for c in white]
    )
    # sqrt((1 + 0.6) / (1 - 0.6)) = 2 for a mean over very many; the first look, 45 frames long,
    # takes a part of the slow noise for spin
    assert 1.4 < widened < 2.2


def padded(told: Turning, before: int, after: int) -> Turning:
    """The same spin in a recording that shows no spin before and after."""
    count = len(told.angle_rad) + before + after
    free = np.zeros(count, bool)
    free[before : count - after] = True
    angle, u = np.full(count, np.nan), np.full(count, SIGMA)
    angle[free], u[free] = told.angle_rad, told.u_rad
    frame_s = np.arange(count) / RATE
    return replace(
        told, time_s=frame_s, frame_s=frame_s, angle_rad=angle, u_rad=u, free=free,
        quality=np.full(count, 0.9), answer=np.zeros((count, 1)),
    )  # fmt: skip


@pytest.mark.parametrize(("before", "after"), [(1500, 300), (3000, 3000)])
def test_likeness_is_that_of_the_spin_however_long_the_recording(before, after) -> None:
    t = np.arange(1200) / RATE
    alone = turning(even()[0](t) + SIGMA * correlated(1200, 3, 0.6))
    assert look(padded(alone, before, after)).spread == pytest.approx(look(alone).spread, rel=0.1)
    assert look(alone).spread > 2.5


# ---------------------------------------------------------------------------- windows


def test_one_faded_sighting_does_not_set_the_window_of_a_row() -> None:
    told = turning(noisy(exponential(200.0, 12.0), 60.0, 1))
    angle, u = told.angle_rad.copy(), told.u_rad.copy()
    at = np.arange(20, 40) * 30 + 15  # the frames in the middle of rows
    angle[at], u[at] = np.nan, 2.0
    plain, faded = (spin_curve(s, 1.0)[0] for s in (told, replace(told, angle_rad=angle, u_rad=u)))
    assert np.allclose(faded.window_s, plain.window_s, rtol=0.1)
    assert np.allclose(faded.u_speed_rad_s, plain.u_speed_rad_s, rtol=0.25)


@pytest.mark.parametrize(("seconds", "since", "lasts"), [(60, 25, 3), (60, 25, 6), (20, 8, 3)])
def test_noise_that_doubles_for_seconds_widens_u_there_alone(
    seconds: float, since: float, lasts: float
) -> None:
    law = exponential(180.0, 70.0)
    within, without, usual = [], [], []
    for seed in range(120):
        t = np.arange(round(seconds * RATE)) / RATE
        loud = (t >= since) & (t < since + lasts)
        angle = law[0](t) + np.random.default_rng(seed).normal(0, SIGMA, len(t)) * (1 + loud)
        curve = curve_of(angle)
        at, u95 = curve.time_s, curve.u95_speed_rad_s
        good = np.abs(curve.speed_rad_s - law[1](at)) <= u95
        near = (at > since) & (at < since + lasts)
        within += good[near].tolist()
        without += good[~near & (at < since - 3)].tolist()
        usual.append(float(np.median(u95[at > since + lasts + 3])))
    assert np.mean(within) > 0.91 and 0.93 < np.mean(without) < 0.98
    quiet = [
        float(np.median(curve_of(noisy(law, seconds, seed)).u95_speed_rad_s)) for seed in range(30)
    ]
    assert np.mean(usual) < 1.2 * np.mean(quiet)


def test_curvature_shortens_the_windows() -> None:
    straight = curve_of(noisy(even(drift=-0.05), 30.0, 2))
    bent = curve_of(noisy(exponential(200.0, 15.0), 30.0, 2))
    assert np.median(straight.window_s) == MAX_WINDOW_S
    assert np.all(bent.window_s >= MIN_WINDOW_S)
    assert np.median(bent.window_s) < 0.3 * MAX_WINDOW_S
    # the curvature of the speed falls as the speed does, to a seventh in two minutes
    slow = curve_of(noisy(exponential(200.0, 60.0), 120.0, 2))
    assert slow.window_s[-10:].mean() > 1.3 * slow.window_s[:10].mean()


def test_bias_of_curvature_stays_within_u() -> None:
    law = exponential(200.0, 15.0)
    t = np.arange(900) / RATE
    error = np.zeros(30)
    for seed in range(20):
        curve = curve_of(law[0](t) + np.random.default_rng(seed).normal(0, SIGMA, 900))
        error += (curve.speed_rad_s - law[1](curve.time_s)) / curve.u_speed_rad_s / 20
    # the mean over 20 seeds leaves 0.22 of the random part: four of them and u's bias share
    assert np.abs(error).max() < 4 * 0.22 + 0.75


def test_slope_and_direction_do_not_enter_the_speeds_sign() -> None:
    law = exponential()
    forward = curve_of(noisy(law, 20.0, 3))
    backward = curve_of(-noisy(law, 20.0, 3))
    assert backward.speed_rad_s == pytest.approx(forward.speed_rad_s, rel=1e-9)
    assert backward.slope_rad_s2 == pytest.approx(forward.slope_rad_s2, rel=1e-6)
    assert np.all(forward.speed_rad_s > 0)
    true = -200 / 60 * np.exp(-forward.time_s / 60)
    # a slope of a window of 1 s is good to 0.1 rad/s2: far smaller than the slope of 3
    assert np.median(forward.slope_rad_s2 / true) == pytest.approx(1.0, abs=0.05)


def test_rows_stand_at_odd_half_multiples_inside_the_free_spin() -> None:
    assert centres(2.2, 7.4, 1.0) == pytest.approx([2.5, 3.5, 4.5, 5.5, 6.5])
    assert centres(0.0, 1.0, 0.5) == pytest.approx([0.25, 0.75])
    assert len(centres(3.1, 3.2, 1.0)) == 0


def test_no_row_lies_before_the_release_or_beyond_the_topple() -> None:
    t = turning(noisy(even(), 20.0, 1))
    for ends_s, rows in (
        ((None, None), np.arange(0.5, 20.0)),
        ((3.2, 16.7), np.arange(3.5, 16.7)),
        ((3.2, None), np.arange(3.5, 20.0)),
        ((6.1, 6.4), np.array([6.25])),  # too short for a row: one in its middle
    ):
        curve, _ = spin_curve(replace(t, ends_s=ends_s), 1.0)
        assert curve.time_s == pytest.approx(rows, abs=0.02), ends_s
        whole = spin_curve(t, 1.0)[0]  # each row is what it was: its window may reach beyond
        both = np.isin(whole.time_s, curve.time_s)
        if len(rows) > 1:
            assert np.array_equal(whole.speed_rad_s[both], curve.speed_rad_s)


def test_spin_shorter_than_a_row_gets_one_row_in_its_middle() -> None:
    law = even()
    # 0.6 to 1.2 s: no odd half second inside
    t = turning(noisy(law, 1.4, 4))
    free = (t.time_s > 0.55) & (t.time_s < 1.45)
    part = replace(t, free=free)
    curve, _ = spin_curve(part, 3.0)
    assert len(curve.time_s) == 1
    assert curve.time_s[0] == pytest.approx(t.time_s[free].mean(), abs=0.02)


# ------------------------------------------------------------------------------- gaps


def test_speed_beside_a_gap_is_less_sure() -> None:
    angle = noisy(even(), 40.0, 5)
    t = np.arange(len(angle)) / RATE
    angle[(t > 18.2) & (t < 21.8)] = np.nan
    curve = curve_of(angle)
    usual = np.median(curve.u_speed_rad_s)
    beside = (curve.time_s == 17.5) | (curve.time_s == 22.5)
    # a window of which a third is missing at one end
    assert np.all(curve.u_speed_rad_s[beside] > 1.5 * usual)
    assert np.all(curve.sightings[beside] < 0.75 * MAX_WINDOW_S * RATE)
    error = curve.speed_rad_s - even()[1](curve.time_s)
    assert np.abs(error / curve.u_speed_rad_s).max() < 4.5


def test_a_window_whose_middle_lies_off_the_course_tells_no_speed() -> None:
    """As before a fall: a second of the spin, then most of what is seen is something else."""
    t = np.arange(300) / RATE
    seen, usable = np.ones(300, bool), t < 9.3
    usable[(t >= 9.3) & (np.arange(300) % 7 == 0)] = True
    at, length = np.array([5.0, 8.9, 9.5]), np.full(3, 2.2)
    assert on_course(usable, seen, t, at, length).tolist() == [True, True, False]
    gap = seen & ~((t > 4.5) & (t < 5.5))  # nothing seen in the middle is not against it
    assert on_course(usable, gap, t, at, length).tolist() == [True, True, False]


def test_seconds_without_a_sighting_are_counted_from_gaps_of_more_than_three_frames() -> None:
    angle = noisy(even(), 20.0, 6)
    angle[100:102] = np.nan  # two frames: not a gap
    angle[300:390] = np.nan
    t = turning(angle)
    assert unseen_seconds(t, look(t)) == pytest.approx(3.0, abs=0.05)


def test_outliers_are_left_out_and_listed_as_such() -> None:
    law = even()
    angle = noisy(law, 20.0, 7)
    wrong = np.arange(40, 560, 37)
    angle[wrong] += 0.4
    curve, noise = spin_curve(turning(angle), 1.0)
    assert not noise.usable[wrong].any()
    assert np.isnan(curve.residual_rad[wrong]).all()
    # of 600 sound sightings none lies five robust standard deviations off
    assert noise.usable.sum() == len(angle) - len(wrong)
    error = curve.speed_rad_s - law[1](curve.time_s)
    assert np.abs(error / curve.u_speed_rad_s).max() < 4.0


@pytest.mark.parametrize(("off", "known"), [(0.2, True), (0.8, False)])
def test_speed_is_unknown_where_most_sightings_follow_no_smooth_spin(off, known) -> None:
    """Those that are left agree by chance: what they say of the speed is no speed."""
    law = even()
    angle, rng = noisy(law, 20.0, 7), np.random.default_rng(1)
    stray = (np.arange(len(angle)) / RATE > 15.0) & (rng.uniform(size=len(angle)) < off)
    angle[stray] += rng.choice([-1, 1], stray.sum()) * rng.uniform(0.5, 2.5, stray.sum())
    curve = spin_curve(turning(angle), 1.0)[0]
    row = int(np.argmin(np.abs(curve.time_s - 15.5)))
    assert curve.sightings[row] > 3 * MIN_SIGHTINGS  # enough, if they were to be believed
    assert np.isfinite(curve.speed_rad_s[row]) == known
    assert np.isfinite(curve.speed_rad_s[:row]).all()


def test_residuals_and_smooth_angle_are_told_for_every_frame() -> None:
    law = exponential()
    angle = noisy(law, 20.0, 8)
    curve, noise = spin_curve(turning(angle), 1.0)
    assert len(curve.residual_rad) == len(noise.smooth_rad) == len(angle)
    # the smooth angle takes 3 of 45 numbers of a window
    assert np.nanstd(curve.residual_rad) == pytest.approx(SIGMA, rel=0.1)
    true = law[0](np.arange(len(angle)) / RATE)
    # five standard deviations of the smooth angle in the middle, more at the ends
    assert np.abs(noise.smooth_rad - true)[20:-20].max() < 5 * SIGMA


# ------------------------------------------------------------------------------ budget


def test_budgets_add_up_to_u_and_to_the_rows_expanded_uncertainty() -> None:
    angle = noisy(exponential(), 120.0, 9)
    t = np.arange(len(angle)) / RATE
    answer = np.column_stack([0.01 * np.sin(200 * t), 0.02 * np.cos(200 * t)])
    curve = curve_of(
        angle, tick_s=1e-3, offset=Quantity(0.008, 0.003), clock_ppm=29.0,
        answer=answer,
    )  # fmt: skip
    assert [b.at for b in curve.budgets] == ["release", "mid-spin", "last minute"]
    for budget in curve.budgets:
        parts = np.array([c.u for c in budget.components])
        assert budget.u == pytest.approx(math.sqrt(float((parts**2).sum())), rel=1e-12)
        assert budget.k == pytest.approx(float(coverage_factor(0.95, budget.dof)), rel=1e-12)
        row = int(np.argmin(np.abs(curve.time_s - budget.time_s)))
        assert budget.k * budget.u == pytest.approx(curve.u95_total_rad_s[row], rel=1e-9)
        assert budget.speed_rad_s == curve.speed_rad_s[row]
        without = [c.u for c in budget.components if c.name != "clock rate"]
        assert math.hypot(*without) == pytest.approx(curve.u_speed_rad_s[row], rel=1e-9)
        assert all(c.u > 0 for c in budget.components if c.name != "unevenness")
        assert {c.type for c in budget.components} == {"A", "B"}


@pytest.mark.parametrize(("seconds", "at"), [(120.0, 89.5), (20.0, 14.5)])
def test_last_minute_of_a_short_spin_is_near_its_end(seconds, at) -> None:
    budgets = curve_of(noisy(even(), seconds, 9)).budgets
    assert budgets[-1].time_s == pytest.approx(at, abs=1.0)


def test_degrees_of_freedom_are_those_of_a_median_over_the_block() -> None:
    dof = [look(turning(noisy(even(), 20.0, seed))).dof for seed in range(5)]
    assert np.median(dof) == pytest.approx(0.37 * 600, rel=0.1)
    # an hour more of recording does not tell the noise of one half minute any better
    assert look(turning(noisy(even(), 200.0, 1))).dof == pytest.approx(0.37 * 900, rel=0.1)
    sizes = np.median(np.abs(np.random.default_rng(1).normal(size=(4000, 200))), axis=1)
    assert 0.5 / np.var(np.log(sizes)) == pytest.approx(0.37 * 200, rel=0.1)


def test_lines_of_a_budget_are_what_their_sources_make_of_the_speed() -> None:
    angle = noisy(exponential(200.0, 60.0), 20.0, 10)
    plain = curve_of(angle)
    stated = curve_of(angle, offset=Quantity(0.0, 0.004), clock_ppm=50.0, tick_s=1e-4)
    middle = stated.budgets[1]
    lines = {c.name: c.u for c in middle.components}
    assert lines["clock rate"] == pytest.approx(50e-6 * middle.speed_rad_s, rel=1e-9)
    row = int(np.argmin(np.abs(stated.time_s - middle.time_s)))
    slope = abs(stated.slope_rad_s2[row])
    assert lines["instant of a time stamp"] == pytest.approx(0.004 * slope, rel=1e-9)
    # steps of the clock are part of the scatter already: the sum stays
    random = math.hypot(lines["phase noise"], lines["time ticks"])
    alone = {c.name: c.u for c in plain.budgets[1].components}
    assert random == pytest.approx(alone["phase noise"], rel=1e-9)
    # +-0.05 ms at 170 rad/s, rectangular, against a sighting's 8 mrad
    assert lines["time ticks"] / random == pytest.approx(
        middle.speed_rad_s * 5e-5 / math.sqrt(3) / SIGMA, rel=0.1
    )
    # two lines of one estimate have no more degrees of freedom together than it has
    freedom = combine([c for c in middle.components if c.name in ("phase noise", "time ticks")])[1]
    count = next(c.dof for c in plain.budgets[1].components if c.name == "phase noise")
    assert freedom == pytest.approx(count, rel=1e-9)


def test_shutter_left_over_counts_by_what_it_does_to_the_slope_of_the_angle() -> None:
    angle = noisy(even(), 20.0, 11)
    t = np.arange(len(angle)) / RATE
    # a ramp of the angle is a speed; an angle that is everywhere off by the same is none
    ramp = curve_of(angle, answer=0.05 * np.column_stack([t]))
    same = curve_of(angle, answer=0.05 * np.ones((len(t), 1)))
    name = "geometry and shutter"
    of_ramp, of_same = (
        next(c.u for c in curve.budgets[1].components if c.name == name) for curve in (ramp, same)
    )
    assert of_ramp == pytest.approx(0.05, rel=1e-6)
    assert of_same < 1e-9


def test_unseen_time_reaches_from_release_to_topple() -> None:
    """The mark is lost while the top leans over: that counts, though no frame of it is free."""
    t = np.arange(300) / 30.0
    seen = (t >= 1.0) & (t <= 8.0)
    turning = SimpleNamespace(time_s=t, free=seen)
    noise = SimpleNamespace(usable=seen)
    assert unseen_seconds(turning, noise) == 0.0
    # less one frame interval, which lies between any two sightings
    assert unseen_seconds(turning, noise, 1.0, 9.5) == pytest.approx(1.5 - 1 / 30)
    assert unseen_seconds(turning, noise, 0.5, 9.5) == pytest.approx(2.0 - 2 / 30)


def test_a_brief_piece_beside_a_break_has_no_speed() -> None:
    """A leaning face: 16 sightings behind a stretch that nobody saw told a speed 4 % off."""
    angle = noisy(exponential(), 20.0, 3)
    spin = replace(turning(angle), parted_s=(18.9,))
    known = np.isfinite(spin_curve(spin, 0.25)[0].speed_rad_s)
    at = spin_curve(spin, 0.25)[0].time_s
    assert not known[at > 18.9].any() and known[at < 18.4].all()
    longer = replace(spin, parted_s=(18.0,))
    assert np.isfinite(spin_curve(longer, 0.25)[0].speed_rad_s)[at > 18.5].any()
