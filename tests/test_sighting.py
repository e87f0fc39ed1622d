"""Mark angles, their uncertainty, and the learning of the model, on profiles of known truth."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from fabricate_profiles import Ring
from scipy.optimize import brentq

from vidspin.mark.learning import first_model, learn, residual
from vidspin.mark.sighting import Estimates, estimate, sensitivity
from vidspin.markmodel import (
    TABLE,
    MarkModel,
    geometry_angle,
    longest_smear,
    seen_angle,
    seen_width,
    sinc_smear,
)

HARMONICS = 96
TURN = 2 * np.pi


def model_of(ring: Ring, **known: object) -> MarkModel:
    """The exact model of a ring: nothing learnt."""
    fine = np.arange(4096) * (TURN / 4096)
    shape = np.fft.rfft(ring.mark(fine))[: HARMONICS + 1] / 4096
    shape[0] = 0  # the mean goes into the still
    still = ring.still + ring.visibility * float(ring.mark(fine).mean())
    model = MarkModel(
        still, np.zeros(0), ring.visibility, ring.visibility, shape, ring.rows,
        readout_s=ring.readout_s, exposure_s=ring.exposure_s, geometry=np.array(ring.geometry),
    ) if ring.geometry else MarkModel(
        still, np.zeros(0), ring.visibility, ring.visibility, shape, ring.rows,
        readout_s=ring.readout_s, exposure_s=ring.exposure_s,
    )  # fmt: skip
    return replace(model, **known)


def found(ring: Ring, phi: np.ndarray, omega: np.ndarray, model: MarkModel, seed: int) -> Estimates:
    profiles = ring.profiles(phi, omega, np.random.default_rng(seed))
    return estimate(profiles, np.arange(len(phi)) / 30, omega, model)


def error(seen: np.ndarray, true: np.ndarray, marks: int = 1) -> np.ndarray:
    period = TURN / marks
    return np.mod(seen - true + period / 2, period) - period / 2


def spread_out(count: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0, TURN, count)


# ---------------------------------------------------------------------- uncertainty


@pytest.mark.parametrize(
    "ring",
    [
        Ring(noise=3.0),
        Ring(noise=3.0, readout_s=0.014, exposure_s=1 / 400),
        Ring(noise=3.0, readout_s=-0.012, geometry=((0.05, -0.03), (0.02, 0.01))),
        Ring(noise=3.0, marks=2, readout_s=0.014),
        Ring(noise=3.0, readout_s=0.016, exposure_s=1 / 120),
    ],
    ids=["plain", "readout", "geometry", "two marks", "long smear"],
)
def test_errors_divided_by_u_are_a_unit_normal(ring) -> None:
    count = 2000
    phi, omega = spread_out(count, 1), np.full(count, 180.0)
    seen = found(ring, phi, omega, model_of(ring), seed=2)
    ratio = error(seen.angle_rad, phi, ring.marks) / seen.u_rad
    # four standard deviations of mean, spread and share of 2000 unit normal values
    assert abs(ratio.mean()) < 4 / math.sqrt(count)
    assert ratio.std() == pytest.approx(1.0, abs=4 / math.sqrt(2 * count))
    inside = np.mean(np.abs(ratio) < 1.96)
    assert inside == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / count))
    assert np.median(seen.noise) == pytest.approx(3.0, rel=0.02)


def test_u_is_the_bound_of_the_marks_slope() -> None:
    ring = Ring(noise=2.0, light=0.0)
    phi = spread_out(200, 3)
    seen = found(ring, phi, np.full(200, 50.0), model_of(ring), seed=4)
    # independent of the model: slope of the mark, sampled; gain and offset cost 2 of 256 numbers
    slope = np.gradient(ring.mark(ring.theta - np.pi), ring.theta)
    bound = 2.0 / math.sqrt(float((slope**2).sum()))
    assert np.median(seen.u_rad) == pytest.approx(bound, rel=0.05)


def test_amplitude_and_quality_fall_where_the_mark_is_hidden() -> None:
    ring = Ring(noise=2.0)
    model = model_of(ring)
    phi, omega = spread_out(60, 5), np.full(60, 90.0)
    seen = found(ring, phi, omega, model, seed=6)
    assert np.abs(seen.amplitude - 1).max() < 4.5 * seen.u_amplitude.max()
    assert seen.quality.min() > 0.5
    bare = found(replace(ring, mark_depth=0.0), phi, omega, model, seed=6)
    # the best of all angles in noise: a few standard deviations at most
    assert np.all(np.abs(bare.amplitude) < 4.5 * bare.u_amplitude)
    assert bare.quality.max() < 0.25


# -------------------------------------------------------------------- forward model


@pytest.mark.parametrize("a", [0.2, -0.5, 0.7])
def test_seen_angle_solves_keplers_equation(a) -> None:
    # M = E - a sin E with a = speed * readout * half the rows, solved by bracketing
    ring = Ring(readout_s=0.012, angles=512)
    speed = a / (ring.readout_s * ring.half_rows)
    mean = np.linspace(0, TURN, 40, endpoint=False)
    kepler = [brentq(lambda e, m=m: e - a * math.sin(e) - m, m - 1, m + 1) for m in mean]
    seen = seen_angle(mean, np.full(40, speed), model_of(ring))
    # a straight line between 512 rows is up to 2e-5 off; 40 half steps leave 0.85**40 of 0.7
    assert seen == pytest.approx(np.array(kepler), abs=2e-3)


@pytest.mark.parametrize("a", [0.2, -0.5, 0.7])
def test_narrow_mark_seen_where_kepler_puts_it_is_read_at_its_mean_anomaly(a) -> None:
    ring = Ring(readout_s=0.012, mark_width=0.03, angles=512)
    speed = a / (ring.readout_s * ring.half_rows)
    mean = np.linspace(0, TURN, 40, endpoint=False)
    kepler = [brentq(lambda e, m=m: e - a * math.sin(e) - m, m - 1, m + 1) for m in mean]
    drawn = []
    for e in kepler:
        # near E the mark is stretched by the slope of Kepler's equation, nothing else
        wide = ring.mark_width / (1 - a * math.cos(e))
        away = np.mod(ring.theta - e + np.pi, TURN) - np.pi
        seen = ring.mark_depth * np.exp(-0.5 * (away / wide) ** 2)
        drawn.append(ring.still + ring.visibility * seen)
    profiles = np.array(drawn, np.float32)
    got = estimate(profiles, np.arange(40) / 30, np.full(40, speed), model_of(ring))
    # the stretch itself changes over the mark: up to a / 2 times its stretched width squared
    assert np.abs(error(got.angle_rad, mean)).max() < 3e-3


@pytest.mark.parametrize(
    ("ring", "speed"),
    [
        (Ring(readout_s=0.012), 150.0),
        (Ring(readout_s=-0.016), 150.0),
        (Ring(readout_s=0.016, exposure_s=1 / 100), -190.0),
        (Ring(readout_s=0.020), 250.0),
        (Ring(readout_s=0.016, marks=3), 170.0),
        (Ring(geometry=((0.08, -0.05), (0.02, 0.0))), 100.0),
    ],
    ids=["0.54 rad", "last row first", "1.9 rad smear", "three images", "three marks", "geometry"],
)
def test_angle_is_that_of_the_middle_rows_exposure_centre(ring, speed) -> None:
    phi, omega = spread_out(120, 7), np.full(120, speed)
    seen = estimate(ring.profiles(phi, omega), np.arange(120) / 30, omega, model_of(ring))
    # no noise; what is left comes from the table's steps (3 mrad, interpolated) and the samples
    assert np.abs(error(seen.angle_rad, phi, ring.marks)).max() < 1e-3
    assert seen.amplitude == pytest.approx(1.0, abs=0.01)


def test_smear_fades_harmonics_as_the_average_over_the_exposure_does() -> None:
    smear = 1.3
    h = np.arange(12)
    moment = ((np.arange(2000) + 0.5) / 2000 - 0.5) * smear
    average = np.exp(1j * h[:, None] * moment).mean(1)
    assert np.abs(average - sinc_smear(h, smear)).max() < 1e-6


def test_geometry_angle_is_the_sum_of_its_harmonics() -> None:
    theta = np.array([0.3, 2.0])
    terms = np.array([[0.1, 0.2], [0.03, -0.04]])
    by_hand = [
        0.1 * math.cos(t) + 0.2 * math.sin(t) + 0.03 * math.cos(2 * t) - 0.04 * math.sin(2 * t)
        for t in theta
    ]
    assert geometry_angle(terms, theta) == pytest.approx(by_hand, abs=1e-12)


def test_width_is_the_marks_at_half_height() -> None:
    # full width at half height of a Gaussian: 2 sqrt(2 ln 2) standard deviations
    ring = Ring(mark_width=0.15)
    assert seen_width(model_of(ring), 1, smear_rad=0.0) == pytest.approx(2.3548 * 0.15, rel=0.03)


@pytest.mark.parametrize(
    ("marks", "depth", "most", "longest"),
    [
        (1, -60.0, 4.0, 0.28),  # no exposure reaches another turn
        (1, -60.0, 9.0, 0.28),  # a sixth of the ring would show black paint by 6 levels
        (1, -4.0, 9.0, 6.57),
        (1, -4.0, 6.4, 6.4),  # as long as the frame allows
        (3, -4.0, 3.0, 2.38),
        (3, -4.0, 5.0, 4.47),  # twice the spacing
        (3, 70.0, 5.0, 0.28),
    ],
)
def test_smear_is_no_longer_than_the_trace_unless_it_may_be_a_spacing_more(
    marks, depth, most, longest
) -> None:
    ring = Ring(marks=marks, mark_depth=depth, mark_width=0.28 / 2.3548)
    assert longest_smear(model_of(ring), marks, most) == pytest.approx(longest, abs=0.02)


@pytest.mark.parametrize("size", [0.1, 0.19, 0.3])
@pytest.mark.parametrize(("face", "paint"), [(165.0, 16.0), (165.0, 69.0), (60.0, 210.0)])
def test_no_smear_is_longer_than_the_longest_where_codes_are_no_light(size, face, paint) -> None:
    """Light is added up while a dot passes, then coded by its 1/2.2 power."""
    smear, angle = 0.33, np.arange(TABLE) * (TURN / TABLE)
    away = np.mod(angle + np.pi, TURN) - np.pi
    light = [(code - 16.0) ** 2.2 for code in (face, paint)]
    codes = np.zeros(TABLE)
    half = smear / 2
    for chord in size * np.sqrt(1 - np.linspace(-0.95, 0.95, 20) ** 2):  # a dot's, by radius
        low, high = (np.clip(away + end, -chord / 2, chord / 2) for end in (-half, half))
        seen = light[0] + (high - low) / smear * (light[1] - light[0])
        codes += seen ** (1 / 2.2) / 20
    shape = np.fft.rfft(codes - codes.mean())[: HARMONICS + 1] / TABLE
    model = model_of(Ring())
    model = replace(model, still=np.full(model.angles, face), shape=shape)
    assert smear - 0.01 <= longest_smear(model, 1, 4.0, surely=True) < 1.35 * max(smear, size)


def test_start_near_the_truth_gives_the_answer_of_the_full_search() -> None:
    ring = Ring(noise=2.0, readout_s=0.014)
    phi, omega = spread_out(80, 8), np.full(80, 180.0)
    profiles = ring.profiles(phi, omega, np.random.default_rng(9))
    model, t = model_of(ring), np.arange(80) / 30
    full = estimate(profiles, t, omega, model)
    near = estimate(profiles, t, omega, model, np.mod(phi + 0.02, TURN))
    assert np.abs(error(near.angle_rad, full.angle_rad)).max() < 0.02 * full.u_rad.min()


def test_still_is_taken_from_the_frames_own_block_of_time() -> None:
    ring = Ring()
    phi, omega = spread_out(40, 10), np.full(40, 60.0)
    later = ring.profiles(phi, omega) + 30 * np.cos(2 * ring.theta).astype(np.float32)
    exact = model_of(ring)
    blocks = np.stack([exact.still, exact.still + 30 * np.cos(2 * ring.theta)])
    model = replace(exact, still=blocks, still_time_s=np.array([0.0, 100.0]))
    right = estimate(later, np.full(40, 100.0), omega, model)
    assert np.abs(error(right.angle_rad, phi)).max() < 1e-3
    wrong = estimate(later, np.full(40, 0.0), omega, model)
    assert np.abs(error(wrong.angle_rad, phi)).max() > 1e-2


# --------------------------------------------------------------------------- flicker


def banded(ring: Ring, phi: np.ndarray, omega: np.ndarray) -> np.ndarray:
    """Profiles under a lamp whose bands pass over the rows, another phase each frame."""
    rng = np.random.default_rng(11)
    plain = ring.profiles(phi, omega, rng)
    y = ring.rows / ring.half_rows
    phase = rng.uniform(0, TURN, len(phi))
    lamp = 1 + 0.15 * np.cos(1.2 * y[None, :] + phase[:, None])
    return (plain * lamp).astype(np.float32)


def test_bands_of_a_flickering_lamp_are_projected_out() -> None:
    ring = Ring(noise=1.0, mark_depth=-25.0)
    phi, omega = spread_out(300, 12), np.full(300, 60.0)
    profiles, t = banded(ring, phi, omega), np.arange(300) / 30
    model = model_of(ring)
    plain = estimate(profiles, t, omega, model)
    clean = estimate(profiles, t, omega, replace(model, bands=True))
    # noise 1 alone would leave 0.005 rad (its u); the lamp also scales the mark by up to 15 %
    assert np.std(error(clean.angle_rad, phi)) < 1.5 * np.median(clean.u_rad)
    assert np.std(error(plain.angle_rad, phi)) > 2 * np.std(error(clean.angle_rad, phi))
    assert np.median(clean.noise) < 0.5 * np.median(plain.noise)


# ----------------------------------------------------------------------- sensitivity


def test_answer_is_what_finite_differences_of_the_estimate_give() -> None:
    ring = Ring(readout_s=0.012, geometry=((0.03, 0.02), (0.01, -0.01)))
    apparent, step, order = np.full(60, 20.0), TURN * 30, 1
    omega = apparent + order * step
    phi, t = spread_out(60, 13), np.arange(60) / 30
    profiles, model = ring.profiles(phi, omega), model_of(ring)
    told = sensitivity(profiles, t, apparent, step, order, model, phi, 2)

    def angle(**changed: object) -> np.ndarray:
        return estimate(profiles, t, omega, replace(model, **changed), phi).angle_rad

    # more readout in the model takes as much out of the angle: the answer's sign is reversed
    d = 2e-4
    slope = error(angle(readout_s=0.012 + d), angle(readout_s=0.012 - d)) / (2 * d)
    told_readout = told.answer[:, 0] + order * told.answer[:, 1]
    size = np.abs(told_readout).max()
    assert size > 20  # half the rows times the speed: 0.3 * 208
    assert np.abs(slope + told_readout).max() < 0.02 * size
    for h in (0, 1):
        for part in (0, 1):
            shift = np.zeros((2, 2))
            shift[h, part] = 5e-3
            base = np.array(ring.geometry)
            slope = error(angle(geometry=base + shift), angle(geometry=base - shift)) / 1e-2
            column = told.answer[:, 2 + 2 * h + part]
            assert np.abs(slope + column).max() < 0.02 * np.abs(column).max()


def test_pull_and_information_are_derivatives_of_what_is_left() -> None:
    true = Ring(readout_s=0.013, geometry=((0.02, 0.0),), noise=0.5)
    apparent, step, order = np.full(80, 25.0), TURN * 30, 1
    omega = apparent + order * step
    phi, t = spread_out(80, 14), np.arange(80) / 30
    profiles = true.profiles(phi, omega, np.random.default_rng(15))
    base = model_of(replace(true, readout_s=0.0126, geometry=((0.025, 0.004),)))

    def left(model: MarkModel) -> float:
        """Half the sum of squares, angle, amplitude, gain and offset free."""
        seen = estimate(profiles, t, omega, model, phi)
        return 0.5 * float((seen.noise**2).sum()) * true.angles

    at = estimate(profiles, t, omega, base, phi).angle_rad
    told = sensitivity(profiles, t, apparent, step, order, base, at, 1)
    # readout moves columns 0 and 1 together, geometry one column each
    directions = {
        "readout": np.array([1.0, order, 0, 0]),
        "cosine": np.array([0, 0, 1.0, 0]),
        "sine": np.array([0, 0, 0, 1.0]),
    }
    steps = {"readout": 1e-4, "cosine": 3e-3, "sine": 3e-3}

    def moved(name: str, by: float) -> MarkModel:
        shift = directions[name] * by
        return replace(
            base, readout_s=base.readout_s + shift[0], geometry=base.geometry + shift[None, 2:]
        )

    for name, d in steps.items():
        down, middle, up = (left(moved(name, by)) for by in (-d, 0.0, d))
        direction = directions[name]
        curvature = float(direction @ told.information @ direction)
        # a Gauss-Newton step neglects the residual's own curvature: a few per cent
        assert (up - 2 * middle + down) / d**2 == pytest.approx(curvature, rel=0.08)
        pull = float(direction @ told.pull)
        doubt = 0.03 * abs(curvature) * d
        assert (down - up) / (2 * d) == pytest.approx(pull, rel=0.05, abs=doubt)
    # angles that are off by half a standard deviation pull alike: they are free to follow
    beside = sensitivity(profiles, t, apparent, step, order, base, at + 1e-3, 1)
    size = np.sqrt(np.diag(told.information))
    assert np.abs((beside.pull - told.pull) / size).max() < 0.1 * np.abs(told.pull / size).max()
    eigenvalues = np.linalg.eigvalsh(told.information)
    assert eigenvalues.min() > -1e-6 * eigenvalues.max()


# -------------------------------------------------------------------------- learning


@pytest.mark.parametrize(
    "ring",
    [
        Ring(noise=1.0),
        Ring(noise=1.0, readout_s=0.014, exposure_s=1 / 200),
        Ring(noise=1.0, marks=2, mark_depth=35.0),
    ],
    ids=["dark", "readout and smear", "two bright"],
)
def test_still_visibility_and_shape_are_learnt_from_known_angles(ring) -> None:
    count = 600
    phi, omega = spread_out(count, 16), np.full(count, 150.0)
    profiles = ring.profiles(phi, omega, np.random.default_rng(17))
    exact = model_of(ring)
    blank = replace(
        exact,
        still=np.median(profiles, axis=0).astype(float),
        visibility=np.ones(ring.angles),
        expected=np.ones(ring.angles),
        shape=np.zeros(HARMONICS + 1, complex),
    )
    learnt = blank
    for _ in range(3):
        learnt = learn(profiles, phi, omega, np.ones(count), learnt)
    # the frames' brightness is taken against the first still, which has no mark in it yet
    gain = learnt.still.mean() / exact.still.mean()
    assert gain == pytest.approx(1.0, abs=0.03)
    # noise 1 over the tenth of 600 frames that show the mark at a place leaves 0.13 levels of
    # 40 there; a tenth of that in the still; the visibility is smoothed on top
    assert learnt.visibility.mean() == pytest.approx(1.0, abs=1e-6)
    assert np.abs(learnt.visibility - exact.visibility).max() < 0.06
    assert np.abs(learnt.still / gain - exact.still).max() < 0.5
    # one speed cannot tell a sharp smeared mark from a blunt one: compared is what was seen
    order, at = np.arange(HARMONICS + 1), np.arange(0, TURN, 0.02)
    seen = sinc_smear(order, 150.0 * ring.exposure_s) * np.exp(1j * at[:, None] * order)
    one, other = (2 * (m.shape * seen).real.sum(1) for m in (learnt, exact))
    assert np.abs(one / gain - other).max() < 0.03 * abs(ring.mark_depth)
    left = residual(profiles, phi, omega, learnt)
    assert np.median(left) == pytest.approx(1.0, rel=0.05)


@pytest.mark.parametrize(("noise", "worse"), [(12.0, 1.15), (1.0, 1.25)])
def test_noise_does_not_become_part_of_the_mark(noise: float, worse: float) -> None:
    """A model that holds the frames' own noise finds them again too well, and others badly."""
    ring = Ring(noise=noise, readout_s=0.012)
    count, exact = 200, model_of(ring)
    phi, omega = spread_out(count, 30), np.full(count, 150.0)
    profiles = ring.profiles(phi, omega, np.random.default_rng(31))
    fresh, fast = spread_out(1000, 32), np.full(1000, 150.0)
    even = np.ones(ring.angles)

    def errors(*, free: bool) -> tuple[float, float]:
        """RMS error of other frames' angles, and the stated uncertainty."""
        learnt = replace(exact, visibility=even, expected=even)
        for _ in range(3):
            learnt = learn(profiles, phi, omega, np.ones(count), learnt, free=free)
        seen = found(ring, fresh, fast, learnt, seed=33)
        return float(error(seen.angle_rad, fresh).std()), float(np.median(seen.u_rad))

    best = float(error(found(ring, fresh, fast, exact, seed=33).angle_rad, fresh).std())
    rms, stated = errors(free=False)
    assert best < rms < worse * best
    assert stated == pytest.approx(rms, rel=0.2)
    free_rms, free_stated = errors(free=True)
    assert free_rms > 1.15 * rms
    assert free_stated < 0.75 * free_rms


def test_frames_of_no_weight_are_not_learnt_from() -> None:
    ring = Ring(noise=1.0)
    phi, omega = spread_out(200, 18), np.full(200, 90.0)
    profiles = ring.profiles(phi, omega, np.random.default_rng(19))
    weight = np.ones(200)
    weight[50:100] = 0
    spoilt = profiles.copy()
    spoilt[50:100] = 20.0
    one = learn(profiles, phi, omega, weight, model_of(ring))
    other = learn(spoilt, phi, omega, weight, model_of(ring))
    assert np.array_equal(one.still, other.still)
    assert np.array_equal(one.shape, other.shape)


def test_noise_that_neighbours_share_is_noticed() -> None:
    ring = Ring()
    count = 300
    phi, omega = spread_out(count, 20), np.full(count, 90.0)
    white = np.random.default_rng(21).normal(0, 2, (count, ring.angles))
    shared = (white + np.roll(white, 1, 1) + np.roll(white, 2, 1)) / 3
    plain = ring.profiles(phi, omega)
    ones, model = np.ones(count), model_of(ring)
    alone = learn((plain + white).astype(np.float32), phi, omega, ones, model)
    assert alone.spread == pytest.approx(1.0, abs=0.05)
    profiles = (plain + shared).astype(np.float32)
    learnt = learn(profiles, phi, omega, ones, model)
    # a mean over three: correlations 2/3 and 1/3, so 1 + 2 * (2/3 + 1/3) = 3
    assert learnt.spread == pytest.approx(3.0, rel=0.1)
    seen = estimate(profiles, np.arange(count) / 30, omega, learnt)
    ratio = error(seen.angle_rad, phi) / seen.u_rad
    # the mark is a few samples wide, so that it sees not quite all of the shared noise
    assert ratio.std() == pytest.approx(0.95, abs=4 / math.sqrt(2 * count))


@pytest.mark.parametrize("depth", [-40.0, 40.0])
def test_first_model_lines_the_frames_up(depth) -> None:
    ring = Ring(noise=2.0, mark_depth=depth)
    phi, omega = spread_out(150, 22), np.full(150, 90.0)
    profiles = ring.profiles(phi, omega, np.random.default_rng(23))
    profiles[[3, 70]] += 900 * (ring.theta < 1)  # a hand, far stronger than any mark
    model, first, usual = first_model(profiles, ring.rows, bright=depth > 0)
    assert np.flatnonzero(~usual).tolist() == [3, 70]
    # whole samples of 0.025 rad, and the mark's middle by the energy of its outer half
    off = error(first, phi)[usual]
    assert np.std(off) < 0.02
    assert abs(off.mean()) < 0.02
    assert seen_width(model, 1, smear_rad=0.0) == pytest.approx(2.3548 * ring.mark_width, rel=0.25)
