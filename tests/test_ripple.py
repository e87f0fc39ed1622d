"""What the ring's places put the angle off by is told, taken off, and doubted for what is left."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fabricate_turning import RATE, even, exponential, turning
from scipy.signal import lfilter

from vidspin.records import FloatArray
from vidspin.regression import local_rates
from vidspin.speed import ripple
from vidspin.speed.curve import spin_curve
from vidspin.speed.ripple import ALIKE_S, BLOCK_S, HARMONICS, left_over, smoothed_out
from vidspin.speed.turning import look

STANDING = 2 * np.pi * RATE  # rad/s: the mark of such a spin is seen at one place
SIGMA = 0.0015


def pattern(angle: FloatArray, size: float, seed: int, marks: int = 1) -> FloatArray:
    """Harmonics of the mark's angle whose amplitudes wander as `ripple` takes them to."""
    g = np.random.default_rng((7, seed))
    kept = np.exp(-1 / (RATE * ALIKE_S))
    out = np.zeros(len(angle))
    for h in range(1, HARMONICS + 1):
        for turn in (np.cos(marks * h * angle), np.sin(marks * h * angle)):
            steps = np.sqrt(1 - kept**2) * g.standard_normal(len(angle))
            steps[0] = g.standard_normal()
            out += size * lfilter([1.0], [1.0, -kept], steps) * turn
    return out


def times(seconds: float) -> FloatArray:
    return np.arange(round(seconds * RATE)) / RATE


def white(count: int, seed: int) -> FloatArray:
    return SIGMA * np.random.default_rng(seed).standard_normal(count)


def test_a_ripple_is_told_and_taken_off() -> None:
    angle = exponential(220.0, 200.0)[0](times(120.0))
    off = pattern(angle, 5e-4, 1)
    spin = turning(angle + off + white(len(angle), 1), u_rad=SIGMA)
    left = smoothed_out(spin, 1).angle_rad - (spin.angle_rad - off)
    assert np.std(left) < 0.35 * np.std(off)


def test_nothing_is_made_up_where_there_is_none() -> None:
    angle = exponential(220.0, 200.0)[0](times(120.0))
    spin = turning(angle + white(len(angle), 2), u_rad=SIGMA)
    assert np.std(smoothed_out(spin, 1).angle_rad - spin.angle_rad) < 0.3 * SIGMA


@pytest.mark.parametrize("marks", [1, 2])
def test_what_passes_quickly_is_no_noise(marks: int) -> None:
    """Speeds are as sure as they are without it: it averages out."""
    angle_of, speed_of = exponential(220.0, 200.0)
    t = times(90.0)
    angle = angle_of(t)
    counted, taken, inside = [], [], []
    for seed in range(6):
        off = pattern(angle, 4e-4, seed, marks)
        spin = turning(angle + off + white(len(t), seed), u_rad=SIGMA)
        naive, _ = spin_curve(spin, 1.0)
        curve, _ = spin_curve(smoothed_out(spin, marks), 1.0)
        counted.append(np.median(naive.u_speed_rad_s))
        taken.append(np.median(curve.u_speed_rad_s))
        error = np.abs(curve.speed_rad_s - speed_of(curve.time_s))
        inside.append(error <= curve.u95_speed_rad_s)
    assert np.median(taken) < 0.85 * np.median(counted)
    assert 0.92 < np.concatenate(inside).mean() < 0.99


def test_what_passes_slowly_is_in_doubt() -> None:
    """A third of a turn a second: for seconds the ripple is speed, and nobody can tell."""
    angle_of, speed_of = even(STANDING + 2.2, -0.02)
    t = times(60.0)
    angle = angle_of(t)
    inside, known = [], []
    for seed in range(12):
        spin = turning(angle + pattern(angle, 4e-4, seed) + white(len(t), seed), u_rad=SIGMA)
        curve, _ = spin_curve(smoothed_out(spin, 1), 1.0)
        inside.append(np.abs(curve.speed_rad_s - speed_of(curve.time_s)) <= curve.u95_speed_rad_s)
        line = {c.name: c.u for c in curve.budgets[1].components}
        known.append(line["geometry and shutter"] / line["phase noise"])
    assert np.median(known) > 0.4
    assert 0.92 < np.concatenate(inside).mean()


def test_a_top_that_swings_still_does() -> None:
    """Precession is the top's own; it is no place of the ring and stays in the budget."""
    angle_of, speed_of = exponential(170.0, 60.0)
    t, lines, inside = times(20.0), [], []
    for seed in range(12):
        swing = 0.02 * np.sin(2 * np.pi * (0.4 + 0.03 * seed) * t + seed)
        spin = turning(angle_of(t) + swing + white(len(t), seed), u_rad=SIGMA)
        curve, _ = spin_curve(smoothed_out(spin, 1), 1.0)
        line = {c.name: c.u for c in curve.budgets[1].components}
        lines.append(line["unevenness"] / line["phase noise"])
        inside.append(np.abs(curve.speed_rad_s - speed_of(curve.time_s)) <= curve.u95_speed_rad_s)
    assert np.median(lines) > 3.0
    assert np.concatenate(inside).mean() > 0.9


def test_what_the_shutter_is_off_by_goes_with_the_ripple() -> None:
    angle = exponential(200.0, 300.0)[0](times(60.0))
    doubt = 0.002 * np.cos(angle)[:, None]  # a geometry that is off by 2 mrad, standard
    spin = turning(angle + white(len(angle), 3), u_rad=SIGMA, answer=doubt)
    smooth = smoothed_out(spin, 1)
    at = np.arange(5.0, 55.0, 0.7)
    u = []
    for one in (spin, smooth):
        noise = look(one)
        weight = np.ones(len(angle))
        rates = local_rates(one.time_s, one.angle_rad, weight, centres_s=at,
                            windows_s=np.full(len(at), 1.1))  # fmt: skip
        u.append(np.median(left_over(one, noise, weight, rates)))
    assert u[1] < 0.5 * u[0]


def test_the_smoother_gives_what_the_joint_normal_distribution_gives() -> None:
    """All blocks at once by the conditional normal distribution: no recursion."""
    g, blocks, size = np.random.default_rng(4), 5, 2 * HARMONICS
    d = g.standard_normal((blocks, 30, size))
    y = g.standard_normal((blocks, 30))
    a, b = np.einsum("kni,knj->kij", d, d), np.einsum("kni,kn->ki", d, y)
    told = ripple._Told(BLOCK_S * np.arange(blocks), a, b[..., None], 1.0, 1.0)
    scale, noise = np.linspace(0.5, 1.5, size), 1.7
    mean, covariance = ripple._wandering(told, noise, scale)
    apart = np.abs(np.subtract.outer(np.arange(blocks), np.arange(blocks))) * BLOCK_S
    prior = np.kron(np.exp(-apart / ALIKE_S), np.diag(scale**2))
    whole = np.zeros((blocks * size, blocks * size))
    for k in range(blocks):
        whole[k * size : (k + 1) * size, k * size : (k + 1) * size] = a[k] / noise
    joint = np.linalg.inv(np.linalg.inv(prior) + whole)
    assert mean[..., 0].ravel() == pytest.approx(joint @ b.ravel() / noise, abs=1e-9)
    for k in range(blocks):
        part = joint[k * size : (k + 1) * size, k * size : (k + 1) * size]
        assert covariance[k] == pytest.approx(part, abs=1e-9)


def test_nothing_is_told_across_a_break() -> None:
    angle = exponential(220.0, 200.0)[0](times(60.0))
    angle = angle + 0.4 * (times(60.0) > 30.0)
    spin = turning(angle + white(len(angle), 5), u_rad=SIGMA)
    off = smoothed_out(replace(spin, parted_s=(30.0,)), 1).angle_rad - spin.angle_rad
    assert np.std(off) < 0.3 * SIGMA


@pytest.mark.parametrize("count", [3, 10, 40])
def test_a_handful_of_frames_tells_none(count: int) -> None:
    angle = even()[0](times(60.0))[:count]
    spin = turning(angle + white(count, 6), u_rad=SIGMA)
    smooth = smoothed_out(spin, 1)
    assert np.std(smooth.angle_rad - spin.angle_rad) < SIGMA
    assert smooth.ripple is None or smooth.ripple.taken < 0.5


def test_what_was_not_seen_stays_unseen() -> None:
    angle = exponential()[0](times(20.0)) + white(600, 7)
    angle[100:130] = np.nan
    assert np.array_equal(np.isnan(smoothed_out(turning(angle), 1).angle_rad), np.isnan(angle))


def test_a_hole_of_hours_costs_nothing() -> None:
    angle = exponential(220.0, 200.0)[0](times(60.0))
    spin = turning(angle + white(len(angle), 8), u_rad=SIGMA)
    late = spin.time_s + 40_000.0 * (spin.time_s > 30.0)
    told = smoothed_out(replace(spin, time_s=late, parted_s=(20_000.0,)), 1).ripple
    assert told is not None and len(told.time_s) < 10
