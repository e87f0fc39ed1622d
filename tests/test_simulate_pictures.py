"""The pictures show what the truth states; checked without the renderer's own formulas."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from vidspin.simulate import Renderer, Scene, SimulatedFootage, mark_angle, render

# Averaging in luma, no noise and no stem: a grey level is then linear in the mark's cover.
BARE = {"gamma": 1.0, "noise": 0.0, "stem": False, "bit_depth": 10, "mark_contrast": -90.0}
SMALL = {"width": 320, "height": 180}


def luma(scene: Scene, index: int = 0) -> np.ndarray:
    return Renderer(scene).frame(index).luma.astype(float)


def cover(scene: Scene, index: int = 0) -> np.ndarray:
    """Share of each picture element that the mark covers, NaN off the face."""
    renderer = Renderer(scene)
    still = renderer.still(index)
    change = np.where(still.change < -0.05, still.change * 4 * 219, np.nan)
    return (renderer.frame(index).luma - (still.light * 4 * 219 + 64)) / change


def corrected(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Angle and radius (of the face) of every picture element after ellipse correction."""
    ring, (major, minor) = scene.ring, scene.semi_axes_px
    y, x = np.mgrid[: scene.height, : scene.width].astype(float)
    c, s = math.cos(ring.tilt_rad), math.sin(ring.tilt_rad)
    p = ((x - ring.x_px) * c + (y - ring.y_px) * s) / major
    q = (-(x - ring.x_px) * s + (y - ring.y_px) * c) / minor
    return np.arctan2(q, p) + ring.tilt_rad, np.hypot(p, q)


def seen_angle(scene: Scene, share: np.ndarray) -> tuple[float, float]:
    """Mean direction of the mark and the mean row where it is seen."""
    angle, _ = corrected(scene)
    weight = np.nan_to_num(share).clip(0.02) - 0.02
    turn = (weight * np.exp(1j * angle)).sum()
    return float(np.angle(turn)), float((weight.sum(axis=1) * np.arange(scene.height)).sum()) / (
        float(weight.sum())
    )


def wrapped(angle: float) -> float:
    return math.remainder(angle, 2 * math.pi)


@pytest.mark.parametrize("mark", ["dot", "stripe"])
@pytest.mark.parametrize("readout", [0.016, -0.016])
def test_picture_elements_agree_with_a_brute_force_average(mark, readout) -> None:
    scene = Scene(
        **BARE,
        **SMALL,
        mark=mark,
        readout_s=readout,
        exposure_s=1 / 250,
        speed_rad_s=170.0,
        first_angle_rad=0.4,
        ellipse_tilt_rad=0.3,
    )
    index = 2
    share = cover(scene, index)
    start = index / 30
    ring, (major, minor) = scene.ring, scene.semi_axes_px
    c, s = math.cos(0.3), math.sin(0.3)
    rng = np.random.default_rng(3)
    rows, cols = np.nonzero((share > 0.05) & np.isfinite(share))
    for pick in rng.choice(rows.size, 40, replace=False):
        y, x = int(rows[pick]), int(cols[pick])
        # 6 x 6 points of the picture element, 900 instants of its row's own exposure.
        sub = (np.arange(6) + 0.5) / 6 - 0.5
        px, py = np.meshgrid(x + sub - ring.x_px, y + sub - ring.y_px)
        p, q = (px * c + py * s) / major, (-px * s + py * c) / minor
        u, v = (p * c - q * s).ravel(), (p * s + q * c).ravel()
        begin = start + y * readout / scene.height
        when = begin + (np.arange(900) + 0.5) / 900 * scene.exposure_s
        at = 0.4 + 170.0 * when[:, None]
        if mark == "dot":
            hit = np.hypot(u - 0.8 * np.cos(at), v - 0.8 * np.sin(at)) < scene.mark_size
        else:
            along, cross = u * np.cos(at) + v * np.sin(at), v * np.cos(at) - u * np.sin(at)
            hit = (np.abs(cross) < scene.mark_size) & (np.abs(along - 0.8) < 0.15)
        assert share[y, x] == pytest.approx(hit.mean(), abs=0.035)


@pytest.mark.parametrize("exposure", [1 / 500, 1 / 100, 1 / 45])
def test_smear_spreads_the_mark_over_the_angle_turned_in_the_exposure(exposure) -> None:
    speed = 120.0
    scene = Scene(**BARE, readout_s=0.0, exposure_s=exposure, speed_rad_s=speed)
    still = cover(replace(scene, exposure_s=1e-6))
    share = cover(scene)
    angle, radius = corrected(scene)
    middle = mark_angle(scene, np.array([exposure / 2]))[0]

    def spread(seen: np.ndarray, about: float) -> tuple[float, float]:
        # Cover per angle on the middle of the path: a picture element's share of angle is even.
        path = np.abs(radius - 0.8) < 0.04
        away = np.remainder(angle[path] - about + np.pi, 2 * np.pi) - np.pi
        weight = np.nan_to_num(seen[path])
        return float(weight.sum()), float((weight * away**2).sum() / weight.sum())

    whole, variance = spread(still, scene.first_angle_rad)
    total, smeared = spread(share, middle)
    assert total == pytest.approx(whole, rel=0.03)  # the light is only moved about
    length = math.sqrt(12 * (smeared - variance))
    assert math.degrees(length) == pytest.approx(math.degrees(speed * exposure), rel=0.02)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize(("seen_at", "side"), [(math.pi / 2, 1), (-math.pi / 2, -1)])
def test_rolling_shutter_moves_the_mark_by_its_rows_delay(direction, seen_at, side) -> None:
    speed, readout, exposure = 150.0, 0.014, 1 / 4000
    base = Scene(
        **BARE, readout_s=readout, exposure_s=exposure, speed_rad_s=speed, direction=direction
    )
    reach = side * 0.8 * base.semi_axes_px[1]
    row = base.ring.y_px + reach
    # Chosen so that the mark passes the lowest (highest) place when its row is exposed.
    when = row * readout / base.height + exposure / 2
    scene = replace(base, first_angle_rad=seen_at - direction * speed * when)
    seen, mean_row = seen_angle(scene, cover(scene))
    assert seen == pytest.approx(seen_at, abs=0.01)
    assert mean_row == pytest.approx(row, abs=1.5)
    at_middle = mark_angle(scene, np.array([scene.centre_row_offset_s]))[0]
    # Kepler's equation: seen = true + a sin(seen), counted from the middle row of the picture.
    kepler = direction * speed * readout * (row - base.height / 2) / base.height
    assert wrapped(seen - at_middle) == pytest.approx(kepler, abs=0.01)
    assert abs(kepler) > 0.2


def test_mark_goes_round_in_the_stated_direction() -> None:
    for direction in (1, -1):
        scene = Scene(**BARE, **SMALL, speed_rad_s=20.0, direction=direction, first_angle_rad=0.3)
        first, _ = seen_angle(scene, cover(scene, 0))
        then, _ = seen_angle(scene, cover(scene, 1))
        assert wrapped(then - first) == pytest.approx(direction * 20.0 / 30, abs=0.06)


def test_mark_sits_at_its_angle_in_a_tilted_ellipse() -> None:
    for tilt in (-1.2, 0.0, 0.5):
        scene = Scene(**BARE, speed_rad_s=0.0, first_angle_rad=2.0, ellipse_tilt_rad=tilt, marks=1)
        seen, _ = seen_angle(scene, cover(scene))
        assert seen == pytest.approx(2.0, abs=0.004)


def test_bright_mark_on_a_dark_top_is_brighter() -> None:
    scene = Scene(**SMALL, face_level=70.0, mark_contrast=110.0, noise=0.0, speed_rad_s=0.0)
    other = replace(scene, first_angle_rad=scene.first_angle_rad + 2.0)
    gain = luma(scene) - luma(other)
    assert gain.max() > 80 and gain.min() < -80  # here with the mark, there without


@pytest.mark.parametrize("face", [16.0, 235.0])
def test_darkest_and_brightest_face_are_pictures_too(face) -> None:
    """At the ends of what `simulate --face` takes."""
    drawn = Scene(width=160, height=120, face_level=face, mark_contrast=125.0 - face)
    assert np.isfinite(Renderer(drawn).signal(3)).all()


@pytest.mark.parametrize("marks", [2, 3, 4])
def test_equal_marks_look_the_same_a_part_of_a_turn_later(marks) -> None:
    scene = Scene(**SMALL, marks=marks, noise=0.0)
    turned = replace(scene, first_angle_rad=scene.first_angle_rad + 2 * math.pi / marks)
    once = replace(scene, marks=1)
    assert np.abs(luma(scene) - luma(turned)).max() <= 1
    assert np.abs(luma(scene) - luma(once)).max() > 20


def test_flicker_bands_follow_the_lamp_through_the_rows() -> None:
    scene = Scene(
        **(BARE | {"mark_contrast": -1.0}),
        flicker_hz=100.0,
        flicker_depth=0.4,
        exposure_s=1 / 300,
        readout_s=0.018,
    )
    light = (luma(scene, 3) - 64) / (luma(replace(scene, flicker_depth=0.0), 3) - 64)
    band = np.median(light, axis=1)
    begin = 0.1 + np.arange(scene.height) * 0.018 / scene.height
    phase = 2 * np.pi * 100.0 * (begin + scene.exposure_s / 2)
    waves = np.column_stack([np.ones_like(phase), np.cos(phase), np.sin(phase)])
    level, c, s = np.linalg.lstsq(waves, band, rcond=None)[0]
    assert level == pytest.approx(1.0, abs=0.01)
    assert math.hypot(c, s) == pytest.approx(0.4 * np.sinc(100.0 / 300), rel=0.03)
    assert np.abs(waves @ [level, c, s] - band).max() < 0.02


def test_equal_scenes_give_equal_bytes_in_any_order() -> None:
    scene = Scene(
        **SMALL,
        seconds=1.0,
        wander_px=1.5,
        shake_px=0.5,
        flicker_hz=100.0,
        flicker_depth=0.2,
        shot_noise=1.0,
        release_s=0.4,
    )
    forward = [frame.luma.tobytes() for frame in render(scene)]
    again = Renderer(scene)
    backward = [again.frame(i).luma.tobytes() for i in reversed(range(len(forward)))]
    assert forward == backward[::-1]
    assert forward[5] != next(iter(render(replace(scene, seed=1)))).luma.tobytes()


@pytest.mark.parametrize("pooled", [False, True])
def test_noise_is_white_and_has_the_stated_level(pooled) -> None:
    scene = Scene(noise=3.0, noise_pool=pooled, speed_rad_s=0.0, bit_depth=10)
    renderer = Renderer(scene)
    clean = luma(replace(scene, noise=0.0))
    one, two = ((renderer.frame(k).luma - clean) / 4 for k in (0, 1))
    assert one.std() == pytest.approx(3.0, rel=0.03)
    assert abs(np.mean(one[:, 1:] * one[:, :-1])) < 0.06
    assert abs(np.mean(one[1:] * one[:-1])) < 0.06
    assert abs(np.mean(one * two)) < 0.06


def test_shot_noise_adds_in_square() -> None:
    scene = Scene(noise=1.5, shot_noise=2.0, gamma=2.0, speed_rad_s=0.0)
    rest = luma(scene) - luma(replace(scene, noise=0.0, shot_noise=0.0))
    # With a square-root tone curve shot noise is the same at every level.
    assert rest.std() == pytest.approx(2.5, rel=0.03)


def test_hand_covers_a_part_of_the_top_until_the_release() -> None:
    scene = Scene(noise=0.0, release_s=1.0, seconds=3.0, table_texture=0.0)
    renderer = Renderer(scene)
    angle, radius = corrected(scene)
    free = renderer.frame(80).luma.astype(int)
    ring = (radius > 0.55) & (radius < 0.98)
    held = np.abs(renderer.frame(10).luma - free)[ring] > 12
    assert 0.08 < held.mean() < 0.6
    gone = np.abs(renderer.frame(60).luma - free)[ring & (np.abs(angle) < 3)] > 12
    assert gone.mean() < 0.05  # only the mark is elsewhere


def test_top_leans_more_and_more_before_it_topples_and_lies_still_after() -> None:
    from vidspin.simulate.motion import CONTACT_LEAN_RAD, pose_at

    scene = Scene(seconds=12.0, topple_s=8.0, noise=0.0, **SMALL)
    leans = np.array([pose_at(scene, t).lean_rad for t in np.linspace(2.0, 8.0, 200)])
    assert leans[0] == 0.0 and np.all(np.diff(leans) >= 0.0)
    assert leans[-1] == pytest.approx(CONTACT_LEAN_RAD)
    turns = (pose_at(scene, 8.0).azimuth_rad - pose_at(scene, 5.0).azimuth_rad) / (2 * math.pi)
    assert 3.0 < turns < 4.0
    renderer = Renderer(scene)
    assert np.array_equal(renderer.frame(300).luma, renderer.frame(340).luma)
    assert np.abs(renderer.frame(300).luma.astype(int) - renderer.frame(30).luma).max() > 60


def test_simulated_footage_shows_the_same_frames_whichever_way_it_is_asked() -> None:
    scene = Scene(**SMALL, seconds=2.0, frame_rate=Fraction(240), stored_rate=Fraction(30))
    footage = SimulatedFootage(scene)
    assert footage.facts.time_scale == Fraction(1, 8)
    assert footage.facts.chapters[0].capture_rate == 240
    assert footage.facts.duration_s == pytest.approx(2.0)
    with pytest.raises(RuntimeError):
        _ = footage.outcome
    whole = list(footage.stream())
    assert footage.outcome.decoded == len(whole) == len(footage) == 480
    assert whole[48].time_s == pytest.approx(0.2)
    runs = list(footage.sparse(runs=6, per_run=3))
    assert [len(run) for run in runs] == [3] * 6
    assert runs[0][0].index == 0 and runs[-1][-1].index == 479
    near = footage.around(0.2, before=2, after=2)
    assert [frame.index for frame in near] == [47, 48, 49, 50]
    for frame in (*runs[3], *near):
        assert np.array_equal(frame.luma, whole[frame.index].luma)
    assert not near[0].luma.flags.writeable
    assert len(list(footage.sparse(runs=50, per_run=1000))) == 1


def test_signal_is_the_frame_before_noise_and_rounding() -> None:
    scene = Scene(width=160, height=120, noise=3.0, speed_rad_s=50.0, wander_px=1.0, seed=4)
    exact = Renderer(scene).signal(7).astype(float) * 219 + 16
    assert np.array_equal(np.floor(exact + 0.5), luma(replace(scene, noise=0.0), 7))
    left = luma(scene, 7) - exact
    # 19,200 elements tell a standard deviation to 0.5 %, a mean to 0.02; rounding adds 1/12
    assert left.std() == pytest.approx(np.sqrt(9 + 1 / 12), rel=0.02)
    assert left.mean() == pytest.approx(0.0, abs=0.1)
