"""The mark's radius tells how the ring lies beside its path, whatever shutter and light do."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from vidspin.frames.radial import (
    ANGLES,
    MOST_KEPT,
    RADII,
    Beside,
    Unrolled,
    WideFrames,
    radii_of,
    ring_beside,
)
from vidspin.order.geometry import FOCAL, aside_rad, measured_prior, usual_prior
from vidspin.records import Ellipse, FloatArray

TILT = 0.4


@dataclass(frozen=True)
class Ring:
    """A top's ring and what is wrong with it, in units of the ring along its axes."""

    beside: tuple[float, float] = (0.0, 0.0)  # of the ring's middle from the path's
    flatter: tuple[float, float] = (0.0, 0.0)  # of the flattening, and at 45 degrees to it
    marks: int = 1
    shear_rad: float = 0.0  # of a mark over a ring radius: rows are read one after the other
    light: float = 0.0  # slope over a ring radius, to the right
    noise: float = 2.0

    def true_place(self, seen: FloatArray, radius: FloatArray) -> tuple[FloatArray, FloatArray]:
        """True angle and radius of points that the ring has at seen ones, along the axes."""
        x, y = radius * np.cos(seen), radius * np.sin(seen)
        e, f = self.flatter
        # the ring takes for a circle what is a circle moved and stretched
        x, y = x + self.beside[0], y + self.beside[1]
        x, y = (1 - e) * x - f * y, (1 + e) * y - f * x
        return np.arctan2(y, x), np.hypot(x, y)

    def frames(self, phi: FloatArray, seed: int = 1) -> Unrolled:
        """Film a dot (a half width of 0.09 radii and rad, at radius 1) at true angles `phi`."""
        rng, radii = np.random.default_rng(seed), radii_of(0.85, 1.15, 1.3)
        axes = np.arange(ANGLES) * (2 * np.pi / ANGLES) - TILT
        angle, r = self.true_place(axes[None], radii[:, None])
        grain = 20 * np.sin(3 * axes) + 30 * np.cos(5 * radii[:, None] + axes)  # what stands
        out = np.empty((len(phi), RADII, ANGLES), np.float32)
        for k, at in enumerate(phi - TILT):
            # the part of the ring to the right is read sooner for what lies farther out
            off = angle + self.shear_rad * (r - 1) * np.sin(angle) - at
            step = 2 * np.pi / self.marks
            off = np.mod(off + step / 2, step) - step / 2
            dark = 1 / (1 + np.exp((np.hypot(off, r - 1) - 0.09) / 0.02))
            lit = 1 + self.light * (r - 1) * np.cos(angle)
            out[k] = 150 + grain - 60 * dark * lit + self.noise * rng.standard_normal(off.shape)
        return Unrolled(np.arange(len(phi)), out.astype(np.float16), radii)

    def error(self, true: FloatArray) -> FloatArray:
        """Angle that the ring puts on points of the path at true angles, seen minus true."""
        seen = true.copy()
        for _ in range(30):  # the inverse of `true_place` on the path
            radius = np.ones_like(seen)
            for _ in range(30):
                radius += 1.0 - self.true_place(seen, radius)[1]
            seen += np.angle(np.exp(1j * (true - self.true_place(seen, radius)[0])))
        return np.angle(np.exp(1j * (seen - true)))

    def harmonics(self) -> FloatArray:
        """Cosine and sine of the first and second harmonic of `error` at seen angles."""
        true = np.linspace(0, 2 * np.pi, 720, endpoint=False)
        error = self.error(true)
        design = [f(h * (true + error)) for h in (1, 2, 3) for f in (np.cos, np.sin)]
        columns = np.stack([np.ones_like(true), *design], 1)
        return np.asarray(np.linalg.lstsq(columns, error, rcond=None)[0][1:5])

    def told(self, count: int = 150, seed: int = 1) -> Beside:
        """What is told of such a ring from frames at angles that come as they will."""
        true = np.random.default_rng(seed).uniform(0, 2 * np.pi, count)
        seen = np.mod(true + self.error(true - TILT), 2 * np.pi)
        found = ring_beside(
            self.frames(true, seed), seen, np.ones(count, bool), marks=self.marks, tilt_rad=TILT
        )
        assert found is not None
        return found


@pytest.mark.parametrize(
    "ring",
    [
        pytest.param(Ring(), id="true"),
        pytest.param(Ring(beside=(0.03, 0.0)), id="along the major axis"),
        pytest.param(Ring(beside=(0.01, -0.04)), id="across"),
        pytest.param(Ring(flatter=(0.02, 0.0)), id="too flat"),
        pytest.param(Ring(flatter=(-0.01, 0.02)), id="turned"),
        pytest.param(Ring(beside=(-0.02, 0.02), flatter=(0.01, 0.01)), id="all of it"),
        pytest.param(Ring(beside=(0.03, 0.01), shear_rad=0.3), id="rolling shutter"),
        pytest.param(Ring(beside=(0.02, 0.0), light=0.2), id="light from one side"),
        pytest.param(Ring(beside=(0.02, 0.0), noise=12.0), id="much noise"),
    ],
)
def test_the_radius_tells_the_angle_that_a_misplaced_ring_puts_on(ring: Ring) -> None:
    # the angles come from points moved one by one, not from the relation that is used
    found, true = ring.told(), ring.harmonics()
    assert found.angle_rad == pytest.approx(true, abs=0.003)
    assert np.all(np.sqrt(np.diag(found.covariance)) < 0.003)


def test_of_equal_marks_the_ring_is_told_as_well() -> None:
    ring = Ring(beside=(0.03, -0.02), flatter=(0.01, 0.0), marks=2)
    assert ring.told().angle_rad == pytest.approx(ring.harmonics(), abs=0.004)


def test_what_chance_does_is_what_is_stated() -> None:
    ring = Ring(beside=(0.02, 0.01), noise=25.0)
    found = [ring.told(80, seed) for seed in range(16)]
    off = np.array([f.angle_rad for f in found])
    stated = np.mean([np.diag(f.covariance) for f in found], axis=0)
    # 15 degrees of freedom each: the ratio of variances lies within 0.3 to 2.3 nearly always
    assert np.all(off.var(0, ddof=1) < 2.3 * stated)
    assert np.all(off.var(0, ddof=1) > 0.2 * stated)


def test_too_few_frames_or_a_mark_that_stands_tell_nothing() -> None:
    ring = Ring(beside=(0.03, 0.0))
    some = np.random.default_rng(3).uniform(0, 2 * np.pi, 100)

    def told(phi: FloatArray, good: FloatArray) -> Beside | None:
        return ring_beside(ring.frames(phi), phi, good > 0, marks=1, tilt_rad=TILT)

    assert told(some, np.ones(100)) is not None
    assert told(some, np.arange(100) < 20) is None
    assert told(np.where(np.arange(100) < 20, some, np.nan), np.ones(100)) is None
    assert told(0.2 + 0.1 * some / 6, np.ones(100)) is None


def test_a_mark_that_is_smeared_all_round_tells_nothing() -> None:
    frames = Ring().frames(np.zeros(60))
    flat = np.random.default_rng(2).normal(150.0, 2.0, frames.levels.shape).astype(np.float16)
    phi = np.random.default_rng(3).uniform(0, 2 * np.pi, 60)
    smeared = replace(frames, levels=flat)
    assert ring_beside(smeared, phi, np.ones(60, bool), marks=1, tilt_rad=TILT) is None


def test_a_mark_at_two_places_alone_is_not_believed() -> None:
    phi = np.repeat([0.5, 0.5 + np.pi], 40) + 0.01 * np.random.default_rng(1).standard_normal(80)
    assert ring_beside(Ring().frames(phi), phi, np.ones(80, bool), marks=1, tilt_rad=TILT) is None


# --------------------------------------------------------------- what is expected of a geometry

SIZE = (1601.0, 1201.0)
OVAL = Ellipse(800.0, 600.0, 90.0, 65.0, TILT)  # in the middle of the picture


def beside(*values: float, u: float = 0.001) -> Beside:
    return Beside(np.array(values), np.eye(4) * u**2, 150)


def test_the_usual_doubt_holds_where_nothing_was_measured() -> None:
    prior, usual = measured_prior(None, OVAL, 10, SIZE), usual_prior(10)
    assert not prior.value_rad.any()
    assert prior.u_rad == pytest.approx(usual.u_rad, rel=0.1)
    assert len(prior.u_rad) == 20


def test_what_was_measured_is_expected_and_perspective_stays_possible() -> None:
    prior = measured_prior(beside(0.01, -0.03, 0.004, 0.002), OVAL, 10, SIZE)
    assert prior.value_rad[:4] == pytest.approx([0.01, -0.03, 0.004, 0.002], rel=0.05)
    assert prior.u_rad[0] >= 0.15  # along the minor axis, whatever the ring
    assert 0.003 < prior.u_rad[1] < 0.01
    assert np.all(prior.u_rad[2:4] < 0.01)
    assert prior.u_rad[4:] == pytest.approx(usual_prior(10).u_rad[4:])


def test_what_was_measured_badly_changes_little() -> None:
    prior = measured_prior(beside(0.1, 0.1, 0.1, 0.1, u=0.5), OVAL, 10, SIZE)
    assert prior.value_rad[1:4] == pytest.approx(0.0, abs=0.002)
    assert prior.u_rad[1:4] == pytest.approx(0.05, rel=0.01)


def test_a_ring_that_is_nearly_round_has_no_direction_for_perspective() -> None:
    # the minor axis may point anywhere: a part of perspective may look like the first sine
    nearly = replace(OVAL, minor_px=86.0)
    told = beside(0.0, 0.0, 0.02, 0.02, u=0.003)
    assert (
        measured_prior(told, nearly, 10, SIZE).u_rad[1]
        > 1.5 * measured_prior(told, OVAL, 10, SIZE).u_rad[1]
    )
    # and none at all from straight above, where perspective does nothing
    above = replace(OVAL, minor_px=90.0)
    assert measured_prior(beside(0, 0, 0, 0), above, 10, SIZE).u_rad[1] < 0.005


def test_a_small_ring_is_known_less_well() -> None:
    small = replace(OVAL, major_px=18.0, minor_px=13.0)
    told = beside(0.0, 0.0, 0.0, 0.0)
    assert (
        measured_prior(told, small, 10, SIZE).u_rad[1]
        > 2 * measured_prior(told, OVAL, 10, SIZE).u_rad[1]
    )


def test_long_wide_and_several_marks_are_known_less_well() -> None:
    told = beside(0.0, 0.0, 0.0, 0.0)
    plain = measured_prior(told, OVAL, 10, SIZE).u_rad[1]
    for other in ({"length": 0.8}, {"width_rad": 1.2}, {"marks": 2}):
        assert measured_prior(replace(told, **other), OVAL, 10, SIZE).u_rad[1] > 1.5 * plain


def test_the_extent_of_a_mark_is_told() -> None:
    told = Ring().told()
    assert told.length == pytest.approx(0.18, abs=0.06)
    assert told.width_rad == pytest.approx(0.18, abs=0.06)


def test_for_the_order_geometry_is_blunter_and_never_more_doubtful_than_usual() -> None:
    usual, prior = usual_prior(10), measured_prior(beside(0.01, -0.03, 0.0, 0.0), OVAL, 10, SIZE)
    blunt = prior.blunted()
    assert blunt.value_rad == pytest.approx(prior.value_rad)
    assert np.all(blunt.u_rad >= prior.u_rad)
    assert np.all(blunt.u_rad <= np.maximum(usual.u_rad, prior.u_rad))
    assert blunt.u_rad[1] > 2.5 * prior.u_rad[1]


# ------------------------------------------- perspective beside the middle: exact projections


def projected(
    slant: float, distance: float, off: tuple[float, float]
) -> tuple[Ellipse, FloatArray]:
    """Ellipse of a circle of radius 1 under a pinhole of focal length 1, and harmonics along it.

    The camera looks down by `slant`; the circle lies level, `distance` away, at `off` from the
    middle of the picture.
    """
    true = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    level = np.array([[1.0, 0.0, 0.0], [0.0, np.sin(slant), -np.cos(slant)]])
    ray = np.array([*off, 1.0])
    at = distance * ray / np.linalg.norm(ray) + np.stack([np.cos(true), np.sin(true)], 1) @ level
    x, y = at[:, 0] / at[:, 2], at[:, 1] / at[:, 2]
    conic = np.linalg.lstsq(np.stack([x * x, x * y, y * y, x, y], 1), np.ones(720), rcond=None)[0]
    q = np.array([[conic[0], conic[1] / 2], [conic[1] / 2, conic[2]]])
    middle = np.linalg.solve(2 * q, -conic[3:])
    sizes, axes = np.linalg.eigh(q / (1 + middle @ q @ middle))
    a, b = 1 / np.sqrt(sizes)
    tilt = float(np.arctan2(axes[1, 0], axes[0, 0]))
    tilt = (tilt + np.pi / 2) % np.pi - np.pi / 2
    x, y = x - middle[0], y - middle[1]
    u, v = x * np.cos(tilt) + y * np.sin(tilt), -x * np.sin(tilt) + y * np.cos(tilt)
    seen = np.arctan2(v / b, u / a)
    error = np.unwrap(seen - true)
    design = [f(h * seen) for h in (1, 2, 3) for f in (np.cos, np.sin)]
    found = np.linalg.lstsq(np.stack([np.ones(720), *design], 1), error, rcond=None)[0]
    return Ellipse(float(middle[0]), float(middle[1]), float(a), float(b), tilt), found[1:5]


def shown(ring: Ellipse, focal: float) -> tuple[Ellipse, tuple[float, float]]:
    """Place a ring, in focal lengths, in a picture whose longer side is 1 / `focal` of them."""
    px = 1000.0  # a focal length: enough that no picture element limits the ring's place
    size = (px / focal, 0.75 * px / focal)
    x, y = px * ring.x_px + (size[0] - 1) / 2, px * ring.y_px + (size[1] - 1) / 2
    return Ellipse(x, y, px * ring.major_px, px * ring.minor_px, ring.tilt_rad), size


@pytest.mark.parametrize("slant", [30, 45, 60, 75])
@pytest.mark.parametrize("distance", [6.0, 12.0])
@pytest.mark.parametrize("off", [(0.0, 0.0), (0.1, 0.0), (0.2, 0.05), (-0.4, 0.0), (0.0, 0.2)])
def test_perspective_beside_the_middle_is_allowed_for(
    slant: float, distance: float, off: tuple[float, float]
) -> None:
    ring, true = projected(np.radians(slant), distance, off)
    if np.hypot(*off) < 0.3:  # farther out it is too much, by up to a factor of two
        assert aside_rad(*shown(ring, FOCAL)) == pytest.approx(true[1], rel=0.4, abs=0.004)
    # nothing is wrong with the ring: what is expected holds the truth, also through other lenses
    for focal in (0.6, FOCAL, 1.0, 3.0):
        placed, size = shown(ring, focal)
        prior = measured_prior(beside(0.0, 0.0, 0.0, 0.0), placed, 10, size)
        assert abs(prior.value_rad[1] - true[1]) < 2.0 * prior.u_rad[1], focal
    # the second harmonic and the first cosine hold it as well
    assert abs(true[0]) < 2.0 * 0.15
    assert np.all(np.abs(true[2:]) < 0.012)


# ------------------------------------------------------------------------ frames that are kept


def levels() -> np.ndarray:
    return np.zeros((RADII, ANGLES), np.float32)


def kept(frames: int, expected: int) -> list[int]:
    wide = WideFrames(expected)
    for k in range(frames):
        wide.add(k, levels() if wide.wants(k) else None)
    return [int(k) for k in wide.unrolled(np.ones(RADII)).frame]


@pytest.mark.parametrize("expected", [300, 90_000, 100])
def test_kept_frames_are_spread_and_never_too_many(expected: int) -> None:
    frames = kept(9000 if expected == 100 else expected, expected)
    assert len(frames) <= 2 * MOST_KEPT
    assert len(frames) >= min(MOST_KEPT, expected) - 1
    assert frames == sorted(set(frames))
    assert np.max(np.diff(frames)) <= 3 * max(1.0, frames[-1] / len(frames))


def test_kept_frames_keep_step_with_nothing() -> None:
    at = np.array(kept(90_000, 90_000))
    for period in range(2, 40):
        share = np.bincount(at % period, minlength=period) / len(at)
        assert share.max() < 2.5 / period


def test_a_pass_that_was_broken_off_keeps_the_same_frames() -> None:
    whole, first = WideFrames(5000), WideFrames(5000)
    for k in range(5000):
        whole.add(k, levels() + k % 7 if whole.wants(k) else None)
    for k in range(2000):
        first.add(k, levels() + k % 7 if first.wants(k) else None)
    second = WideFrames(5000)
    second.go_on(first.state())
    for k in range(2000, 5000):
        second.add(k, levels() + k % 7 if second.wants(k) else None)
    one, other = whole.unrolled(np.ones(RADII)), second.unrolled(np.ones(RADII))
    assert np.array_equal(one.frame, other.frame)
    assert np.array_equal(one.levels, other.levels)
