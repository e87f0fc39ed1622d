"""Readout and geometry from exact Kepler angles; what each order needs, and when none is told."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from vidspin.order import shutter
from vidspin.order.geometry import GeometryPrior, usual_prior
from vidspin.order.resolve import Spin, narrow_answer
from vidspin.order.shutter import PhaseAnswer, fit_order, timing_of
from vidspin.records import ShutterFit

Floats = NDArray[np.float64]
TURN = 2 * math.pi
RATE = 30.0
LONGEST_S = 1 / RATE
HALF_ROWS = 0.3  # frame heights
ROWS = HALF_ROWS * np.sin(np.arange(720) * TURN / 720)  # major axis along the rows
GEOMETRY = np.array([[0.06, -0.02], [0.01, 0.015]])  # cosine and sine by harmonics


@dataclass(frozen=True)
class Film:
    """What is filmed; speeds in turns a second."""

    first: float = 33.0
    last: float = 27.0
    seconds: float = 30.0
    readout_s: float = 0.012
    noise_rad: float = 0.005
    marks: int = 1
    jitter_s: float = 0.0
    tick_s: float = 0.0
    wrong_count: float | None = None  # instant of a gap after which a turn too many is counted
    hidden_s: tuple[float, float] = (0.0, 0.0)


def geometry(seen: Floats) -> Floats:
    shift = np.zeros_like(seen)
    for h, (a, b) in enumerate(GEOMETRY, 1):
        shift += a * np.cos(h * seen) + b * np.sin(h * seen)
    return shift


def seen_angle(true: Floats, speed: Floats, readout_s: float, rng: np.random.Generator) -> Floats:
    """Angle E of ``true = E - speed * readout * rows(E) - geometry(E)``, by trial and bisection.

    Where a mark is seen three times one of its pictures is taken at random.
    """

    def miss(e: Floats, k: NDArray[np.int64]) -> Floats:
        rows = HALF_ROWS * np.sin(e)
        return np.asarray(e - speed[k] * readout_s * rows - geometry(e) - true[k])

    reach = 3.0
    low, high = np.zeros_like(true), np.zeros_like(true)
    for k in range(len(true)):
        grid = np.linspace(true[k] - reach, true[k] + reach, 121)
        up = miss(grid, np.full(len(grid), k)) > 0
        at = int(rng.choice(np.flatnonzero(up[1:] != up[:-1])))
        low[k], high[k] = grid[at], grid[at + 1]
    every = np.arange(len(true))
    rising = miss(high, every) > 0
    for _ in range(45):
        middle = (low + high) / 2
        above = (miss(middle, every) > 0) == rising
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return (low + high) / 2


def filmed(film: Film, seed: int = 0) -> tuple[PhaseAnswer, int]:
    """Answer of one narrow mark, and the true order against it."""
    rng = np.random.default_rng(seed)
    slot = np.arange(int(film.seconds * RATE))
    t = slot / RATE + np.clip(rng.normal(0, film.jitter_s, len(slot)), -5e-3, 5e-3)
    slope = (film.last - film.first) / film.seconds
    true = TURN * (film.first * t + 0.5 * slope * t**2)
    speed = TURN * (film.first + slope * t)
    seen = np.zeros(len(slot))
    for j in range(film.marks):
        mark = true + TURN * j / film.marks
        seen += (seen_angle(mark, speed, film.readout_s, rng) - mark) / film.marks
    seen += true + rng.normal(0, film.noise_rad, len(slot))
    step = TURN * RATE / film.marks
    order = round(float(speed[0]) / step)
    angle = seen - step / RATE * order * slot
    if film.wrong_count is not None:
        angle = angle + np.where(t > film.wrong_count, TURN / film.marks, 0.0)
    angle = np.where((t > film.hidden_s[0]) & (t < film.hidden_s[1]), np.nan, angle)
    stamps = np.rint(t / film.tick_s) * film.tick_s if film.tick_s else t
    spin = Spin(angle, speed - order * step, slot, RATE, film.marks, 0.0)
    return narrow_answer(spin, stamps, np.full(len(slot), film.noise_rad), ROWS), order


def fits(phase: PhaseAnswer, orders: tuple[int, ...]) -> dict[int, ShutterFit]:
    timing = timing_of(phase)
    return {n: fit_order(phase, n, longest_readout_s=LONGEST_S, timing=timing) for n in orders}


# ---------------------------------------------------------------------------- readout


@pytest.mark.parametrize("readout_s", [0.016, 0.004, 0.0, -0.012])
def test_readout_and_geometry_are_recovered(readout_s) -> None:
    # amplitudes of the angle error up to 0.016 * 2 pi * 33 * 0.3 = 1.0
    phase, order = filmed(Film(readout_s=readout_s))
    fit = fit_order(phase, order, longest_readout_s=LONGEST_S)
    assert fit.readout_s == pytest.approx(readout_s, abs=3 * fit.u_readout_s)
    # the first harmonic trades with the readout, within the same uncertainty
    u = fit.u_geometry[:2] + 0.002
    assert np.abs((fit.geometry[:2] - GEOMETRY) / u).max() < 3.0
    # Noise e of the seen angle E leaves e (1 - a cos E) in the true one; frames are even in the
    # true angle, so E comes with density 1 - a cos E, and the mean square is 1 + 3 a**2 / 2.
    amplitude = readout_s * TURN * 30.0 * HALF_ROWS
    expected = 0.005 * math.sqrt(1 + 1.5 * amplitude**2)
    assert fit.residual_rad == pytest.approx(expected, rel=0.1)


@pytest.mark.parametrize("sine", [0.01, 0.02, 0.03])
def test_a_readout_that_is_held_at_its_limit_stays_as_doubtful(sine, monkeypatch) -> None:
    """Held, it was "known" to 0.03 ms, and what it trades with to a tenth of its error."""
    monkeypatch.setattr(sys.modules[__name__], "GEOMETRY", np.array([[0.06, sine], [0.01, 0.015]]))
    phase, order = filmed(
        Film(first=6.0, last=5.8, seconds=20.0, readout_s=0.0325, noise_rad=0.01), 1
    )
    fit = fit_order(phase, order, longest_readout_s=LONGEST_S)
    assert fit.covariance[0, 0] ** 0.5 > 1e-3 and fit.u_readout_s > 1e-3
    assert abs(fit.geometry[0, 1] - sine) < 2.5 * fit.u_geometry[0, 1]
    assert abs(fit.geometry[0, 1] - sine) < 2.5 * fit.covariance[2, 2] ** 0.5


def test_errors_of_the_readout_stay_within_its_uncertainty() -> None:
    ratio = []
    for seed in range(30):
        phase, order = filmed(Film(seconds=12.0, last=31.0), seed)
        fit = fit_order(phase, order, longest_readout_s=LONGEST_S)
        ratio.append((fit.readout_s - 0.012) / fit.u_readout_s)
    # the doubts that are built in make u wider than the scatter, never narrower
    assert np.sqrt(np.mean(np.square(ratio))) < 1.2
    assert np.abs(ratio).max() < 3.0


def test_a_mark_seen_three_times_still_tells_the_readout() -> None:
    film = Film(first=33.0, last=20.0, readout_s=0.020)  # amplitude 1.24 at first
    phase, order = filmed(film)
    fit = fit_order(phase, order, longest_readout_s=LONGEST_S)
    assert fit.readout_s == pytest.approx(0.020, abs=max(3 * fit.u_readout_s, 4e-4))


def test_outliers_are_left_out() -> None:
    phase, order = filmed(Film())
    rng = np.random.default_rng(9)
    phase.angle_rad[rng.random(len(phase.angle_rad)) < 0.03] += 1.0
    fit = fit_order(phase, order, longest_readout_s=LONGEST_S)
    assert fit.readout_s == pytest.approx(0.012, abs=3 * fit.u_readout_s)
    assert fit.residual_rad < 0.01


# ----------------------------------------------------------------------------- orders


def test_a_wide_range_of_speeds_tells_the_order() -> None:
    phase, order = filmed(Film(first=50.0, last=10.0, seconds=60.0))
    logs = {n: f.log_evidence for n, f in fits(phase, tuple(range(-4, 4))).items()}
    assert max(logs, key=lambda n: logs[n]) == order
    assert sorted(logs.values())[-2] < logs[order] - math.log(1000)


def test_a_slow_order_would_need_a_readout_that_is_too_long() -> None:
    phase, order = filmed(Film(first=32.0, last=31.5, readout_s=0.016))
    found = fits(phase, (0, order, order + 1))
    assert order == 1
    assert found[0].log_evidence < found[1].log_evidence - math.log(1000)
    assert abs(found[0].readout_s) == pytest.approx(LONGEST_S, rel=1e-4)  # held at the limit


def test_at_one_speed_every_fast_order_has_a_possible_readout() -> None:
    phase, order = filmed(Film(first=40.0, last=39.8))
    found = fits(phase, (order, order + 1, order + 2))
    logs = [f.log_evidence for f in found.values()]
    assert np.ptp(logs) < 0.7
    # the shift is the same, so speed times readout is
    shifts = [found[n].readout_s * float(phase.omega(n).mean()) for n in found]
    assert np.allclose(shifts, shifts[0], rtol=0.05)


def test_evidence_does_not_hang_on_how_the_timing_was_handed_over() -> None:
    phase, order = filmed(Film(seconds=10.0))
    own = fit_order(phase, order, longest_readout_s=LONGEST_S)
    handed = fit_order(phase, order, longest_readout_s=LONGEST_S, timing=timing_of(phase))
    assert own.log_evidence == handed.log_evidence


# -------------------------------------------------------------------------- abstaining


def test_near_a_stand_still_speed_nothing_is_told() -> None:
    phase, _ = filmed(Film(first=30.02, last=29.98, seconds=15.0))
    found = fits(phase, (-1, 0, 1, 2))
    logs = [f.log_evidence for f in found.values()]
    assert np.ptp(logs) < 0.1
    assert timing_of(phase).count == 0
    assert all(f.readout_s == pytest.approx(0.0, abs=1e-6) for f in found.values())
    assert all(f.u_readout_s > 0.5 * LONGEST_S for f in found.values())


@pytest.mark.parametrize("marks", [2, 3])
def test_the_mean_over_several_marks_tells_nothing(marks) -> None:
    phase, order = filmed(Film(marks=marks, seconds=15.0))
    assert np.abs(phase.answer[:, :2]).max() < 1e-3 * TURN * RATE * HALF_ROWS
    logs = [f.log_evidence for f in fits(phase, tuple(range(order - 3, order + 4))).values()]
    assert np.ptp(logs) < 0.1


@pytest.mark.parametrize("tick_s", [0.0, 1 / 600])
def test_uneven_frame_times_argue_for_no_order(tick_s) -> None:
    # a global shutter: all that distinguishes the orders is the jitter
    film = Film(readout_s=0.0, jitter_s=1e-3, tick_s=tick_s)
    phase, order = filmed(film)
    logs = [f.log_evidence for f in fits(phase, (order, order + 1, order + 2)).values()]
    assert np.ptp(logs) < 0.7


def test_a_turn_miscounted_in_a_long_gap_does_no_harm() -> None:
    film = Film(seconds=20.0, hidden_s=(8.0, 9.5), wrong_count=9.0)
    phase, order = filmed(film)
    fit = fit_order(phase, order, longest_readout_s=LONGEST_S)
    assert fit.residual_rad < 0.01
    assert fit.readout_s == pytest.approx(0.012, abs=3 * fit.u_readout_s)


def test_nothing_seen_leaves_the_prior() -> None:
    phase, order = filmed(Film(seconds=5.0))
    phase.angle_rad[:] = np.nan
    fit = fit_order(phase, order, longest_readout_s=LONGEST_S)
    assert fit.frames == 0
    assert fit.u_readout_s == pytest.approx(LONGEST_S, rel=0.01)


# ------------------------------------------------------------------------------ parts


@pytest.mark.parametrize("value", [0.0, 0.5, -0.9, 1.3])
def test_probability_of_the_readout_range_is_the_normal_one(value) -> None:
    direct = norm.cdf((1.0 - value) / 0.4) - norm.cdf((-1.0 - value) / 0.4)
    assert shutter._log_inside(value, 0.4, 1.0) == pytest.approx(math.log(direct), rel=1e-9)


def test_probability_far_outside_stays_finite() -> None:
    # the tail of the normal: log Q(z) is about -z**2 / 2 - log(z sqrt(2 pi))
    z = (50.0 - 1.0) / 0.4
    tail = -(z**2) / 2 - math.log(z * math.sqrt(TURN))
    assert shutter._log_inside(50.0, 0.4, 1.0) == pytest.approx(tail, rel=1e-4)


def test_a_geometry_known_beforehand_tells_the_readout_at_one_speed() -> None:
    # 12 s of nearly one speed: the sine of a misplaced ring and that of the rows look alike
    phase, order = filmed(Film(first=33.0, last=32.5, seconds=12.0))
    blind = fit_order(phase, order, longest_readout_s=LONGEST_S)
    usual = usual_prior(phase.harmonics)
    value, u = usual.value_rad.copy(), usual.u_rad.copy()
    value[:4], u[1:4] = GEOMETRY.ravel() + [0.03, 0.002, -0.001, 0.001], 0.004
    told = fit_order(
        replace(phase, prior=GeometryPrior(value, u)), order, longest_readout_s=LONGEST_S
    )
    assert told.u_readout_s < blind.u_readout_s / 4
    assert abs(told.readout_s - 0.012) < 2.5 * told.u_readout_s
    assert told.u_readout_s < 1e-4
    assert told.geometry[:2] == pytest.approx(GEOMETRY, abs=0.006)


def test_angles_overrule_what_was_expected_of_the_geometry() -> None:
    # a wide range of speeds splits ring and rows, whatever was thought of the ring
    phase, order = filmed(Film(first=33.0, last=20.0, seconds=60.0, noise_rad=0.002))
    usual = usual_prior(phase.harmonics)
    wrong = usual.value_rad.copy()
    wrong[1] = 0.03
    told = fit_order(
        replace(phase, prior=GeometryPrior(wrong, usual.u_rad)), order, longest_readout_s=LONGEST_S
    )
    assert told.readout_s == pytest.approx(0.012, abs=2.5 * told.u_readout_s)
    # what was expected is a whole standard doubt off; most of the way is gone
    off = np.abs(told.geometry[0] - GEOMETRY[0])
    assert np.all(off < 2.5 * told.u_geometry[0])
    assert off[1] < 0.3 * (0.03 - GEOMETRY[0, 1])


def test_windows_are_longer_where_the_mark_passes_slowly() -> None:
    slot = np.arange(3000)
    fast = shutter.windows(slot, RATE, np.full(3000, 20.0), np.ones(3000, bool))
    slow = shutter.windows(slot, RATE, np.full(3000, 1.5), np.ones(3000, bool))
    assert len(fast[0]) == round(shutter.WINDOW_S * RATE)
    assert len(slow[0]) / RATE == pytest.approx(2.0 * TURN / 1.5, abs=0.05)
    assert np.array_equal(np.concatenate(fast), slot)


def test_time_powers_are_orthonormal() -> None:
    q = shutter.time_powers(np.linspace(3.0, 9.0, 50) ** 1.1)
    assert q.shape == (50, 4)
    assert np.allclose(q.T @ q, np.eye(4), atol=1e-12)


def test_frames_of_the_windows_are_all_that_the_fit_asks_for() -> None:
    slot = np.arange(60_000)  # so long that windows are left out
    speed = TURN * (3.3 - 2.0 * slot / len(slot))
    angle = np.cumsum(speed) / RATE + np.random.default_rng(4).normal(0, 0.01, len(slot))
    spin = Spin(angle, speed, slot, RATE, 1, 0.0)
    told = slot / RATE, np.full(len(slot), 0.01), ROWS
    some = narrow_answer(spin, *told, at=spin.window_frames)
    assert len(some.answer) < 0.5 * len(slot)
    every, few = timing_of(narrow_answer(spin, *told)), timing_of(some)
    assert np.array_equal(every.a, few.a) and np.array_equal(every.b, few.b)
    assert (every.variance, every.spread, every.count) == (few.variance, few.spread, few.count)
