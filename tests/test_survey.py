"""Ring, marks and their count, on small simulated pictures and on rings drawn by hand."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from fractions import Fraction

import cv2
import numpy as np
import pytest

from vidspin.errors import UsageError
from vidspin.records import Ellipse, Frame, Settings, Survey
from vidspin.ring import even_angles, ring_points
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage
from vidspin.top.activity import activity_maps
from vidspin.top.annulus import band, hypotheses, outlines, refined, roundness, unrolled
from vidspin.top.choices import ENOUGH_LIVELY, MOST_RUNS, Happenings, attempts, choices, not_at_rest
from vidspin.top.pattern import count_marks, evenness, skew, turning, turning_pattern
from vidspin.top.reduced import work_stacks
from vidspin.top.stillframes import StillFrames
from vidspin.top.survey import (
    MANY_RUNS,
    RUN_FRAMES,
    RUNS,
    NoTop,
    _closely,
    look_for_top,
    survey,
    survey_lively,
)

# A top that slows down: at one constant speed evenly spread looks could meet the mark at the
# same few angles again and again.
SPIN = {"speed_rad_s": 170.0, "law": ExponentialLoss(40.0), "seconds": 8.0}
SMALL = {"width": 320, "height": 180}
DRAWN = Ellipse(100.0, 70.0, 50.0, 30.0, 0.4)


def looks(scene: Scene) -> list[tuple[Frame, ...]]:
    return list(SimulatedFootage(scene).sparse(runs=RUNS, per_run=RUN_FRAMES))


def surveyed(settings: Settings | None = None, **scene: object) -> tuple[Survey, Ellipse]:
    """What the survey finds in a scene, and the ring that is true."""
    drawn = Scene(**{**SMALL, **SPIN, **scene})
    return survey(looks(drawn), settings or Settings(), name="test"), drawn.ring


def assert_same_ring(found: Ellipse, true: Ellipse, *, share: float) -> None:
    """Place and both axes agree to a share of the true major axis."""
    allowed = share * true.major_px
    assert math.hypot(found.x_px - true.x_px, found.y_px - true.y_px) < allowed
    assert found.major_px == pytest.approx(true.major_px, abs=allowed)
    assert found.minor_px == pytest.approx(true.minor_px, abs=allowed)
    # the tilt moves the ring's points by so much times the difference of the axes
    turn = math.remainder(found.tilt_rad - true.tilt_rad, math.pi)
    assert abs(turn) * (true.major_px - true.minor_px) < allowed


def drawn_annulus(ring: Ellipse, inner: float, outer: float) -> np.ndarray:
    """An annulus of height 100 on nothing, 4 x 4 points a picture element; (140, 200)."""
    sub = (np.arange(4) + 0.5) / 4 - 0.5
    y, x = (np.arange(140)[:, None] + sub).ravel(), (np.arange(200)[:, None] + sub).ravel()
    dx, dy = x[None, :] - ring.x_px, y[:, None] - ring.y_px
    c, s = math.cos(ring.tilt_rad), math.sin(ring.tilt_rad)
    radius = np.hypot((dx * c + dy * s) / ring.major_px, (-dx * s + dy * c) / ring.minor_px)
    inside = ((radius > inner) & (radius < outer)).astype(np.float32)
    return 100 * inside.reshape(140, 4, 200, 4).mean(axis=(1, 3)).astype(np.float32)


# ---------------------------------------------------------------------- whole survey

# 3 % of the ring: the survey looks at pictures of at most 480 columns, here at rings of about
# 40 elements, and the follower needs the ring to be good to a mark's width, 9 % of it.
RING_SHARE = 0.03


@pytest.mark.parametrize(
    ("view", "marks", "contrast"),
    [
        ({}, 1, -100.0),
        ({"semi_axes_px": (45.0, 40.0), "ellipse_tilt_rad": 0.6}, 3, -100.0),
        ({"semi_axes_px": (60.0, 30.0), "ellipse_tilt_rad": -0.3}, 2, 110.0),
        ({"centre_px": (110.0, 100.0), "semi_axes_px": (62.0, 58.0)}, 1, 110.0),
        ({"mark": "stripe"}, 4, -100.0),
    ],
    ids=["usual", "turned", "flat", "steep", "stripes"],
)
def test_ring_polarity_and_number_of_marks_are_found(view, marks, contrast) -> None:
    face = 165.0 if contrast < 0 else 70.0
    found, true = surveyed(**view, marks=marks, mark_contrast=contrast, face_level=face)
    assert_same_ring(found.ring, true, share=RING_SHARE)
    assert found.marks == marks
    assert found.bright == (contrast > 0)
    assert found.inner < 1.0 < found.outer
    assert found.given == ()


def test_survey_describes_the_picture_that_it_looked_at() -> None:
    found, true = surveyed(width=640, height=360)
    assert found.scale == pytest.approx(480 / 640)
    assert found.picture.shape == found.activity.shape == (270, 480)
    assert_same_ring(found.ring, true, share=RING_SHARE)
    # the activity lies on the mark's path, in the picture's own scale; elsewhere is noise
    y, x = np.mgrid[:270, :480]
    dx = (x + 0.5) / found.scale - 0.5 - true.x_px
    dy = (y + 0.5) / found.scale - 0.5 - true.y_px
    radius = np.hypot(dx / true.major_px, dy / true.minor_px)
    ring = (radius > 0.8) & (radius < 1.2)
    assert found.activity[ring].mean() > 10 * found.activity[~ring].mean()
    # a dot of radius 0.075 on a path of radius 0.8 shows from 0.91 to 1.09 of the path
    shown = found.radii[found.weights > 0.5]
    assert shown.min() == pytest.approx(0.91, abs=0.05)
    assert shown.max() == pytest.approx(1.09, abs=0.05)


def test_hand_in_the_first_looks_is_ignored() -> None:
    found, true = surveyed(release_s=1.5)
    assert_same_ring(found.ring, true, share=RING_SHARE)
    assert found.marks == 1 and not found.bright


@pytest.mark.parametrize("seed", [0, 3])
def test_one_mark_that_a_hand_held_and_a_fall_ended_is_counted_as_one(seed) -> None:
    scene = Scene(
        width=640, height=360, speed_rad_s=157.0, law=ExponentialLoss(9.0),
        readout_s=0.016, exposure_s=0.001, release_s=2.0, topple_s=15.0, seconds=17.0, seed=seed,
    )  # fmt: skip
    assert look_for_top(SimulatedFootage(scene), Settings())[0].marks == 1


def test_lamp_flicker_does_not_hide_the_ring() -> None:
    found, true = surveyed(flicker_hz=100.0, flicker_depth=0.6, mark_contrast=-40.0)
    assert_same_ring(found.ring, true, share=RING_SHARE)
    assert found.marks == 1 and not found.bright
    # the mark's own radii, not all those over which the light's bands pass
    assert found.inner == pytest.approx(0.91, abs=0.05)
    assert found.outer == pytest.approx(1.09, abs=0.05)


@pytest.mark.parametrize("seed", [1, 3])
@pytest.mark.parametrize(
    ("marks", "contrast", "noise", "exposure_s", "rate"),
    [(2, -60.0, 2.0, 0.016, 30), (3, -25.0, 2.5, 0.0079, 120)],
)
def test_equal_marks_that_a_long_exposure_draws_out_are_found_and_counted(
    marks, contrast, noise, exposure_s, rate, seed
) -> None:
    """No frame shows humps to count, and each pattern is lined up with this mark or that."""
    drawn = {"speed_rad_s": 120.0, "law": ExponentialLoss(45.0), "frame_rate": Fraction(rate)}
    found, true = surveyed(
        marks=marks, mark_contrast=contrast, noise=noise, exposure_s=exposure_s, seed=seed, **drawn
    )
    assert_same_ring(found.ring, true, share=RING_SHARE)
    assert found.marks == marks


@pytest.mark.parametrize("level", [0.0, 120.0])
def test_one_mark_is_supposed_where_nothing_changes(level) -> None:
    assert count_marks(np.full((12, 256), level), bright=True) == 1


@pytest.mark.parametrize("marks", [2, 3])
def test_marks_on_a_clipped_face_without_any_noise_are_counted(marks) -> None:
    """Nothing changes at most places for most of the time; where the marks pass, it does."""
    found, _ = surveyed(
        marks=marks, height=240, speed_rad_s=60.0, law=ExponentialLoss(60.0),
        mark_contrast=-110.0, highlight=0.0, noise=0.0, gain=2.2,
    )  # fmt: skip
    assert found.marks == marks


def wandering_disc(reach: float, contrast: float) -> Iterator[tuple[Frame, ...]]:
    """A disc of radius 40 about (240, 135) with a faint wedge, on a busy table (invented).

    The picture in the middle of all, to which the others are held, lies at the end of its way.
    """
    rng, placed = np.random.default_rng(0), np.random.default_rng(1)
    y, x = np.mgrid[:270, :480].astype(np.float32)
    table = 100 * cv2.GaussianBlur(rng.normal(0, 1, x.shape).astype(np.float32), (0, 0), 2)
    for k in range(24):
        away = placed.uniform(-reach, reach, 2) if k != 12 else (reach, reach)
        dx, dy = x - 240 - away[0], y - 135 - away[1]
        r, frames = np.hypot(dx, dy) / 40, []
        face = 60 + table * (r >= 1) + (80 + 15 * np.cos(20 * r)) * (r < 1) - 40 * (r < 0.3)
        for j in range(4):
            off = np.angle(np.exp(1j * (np.arctan2(dy, dx) - 2.1 * k - 1.3 * j)))
            wedge = (np.abs(off) < 0.25) & (r > 0.6) & (r < 0.85)
            seen = face + contrast * wedge + rng.normal(0, 2, r.shape)
            luma = np.clip(seen, 0, 255).astype(np.uint8)
            frames.append(Frame(4 * k + j, 0, 0, 0.0, luma))
        yield tuple(frames)


@pytest.mark.parametrize("stated", [Settings(), Settings(centre_px=(240.0, 135.0))])
def test_held_top_is_looked_for_where_it_is_held_also_with_its_centre_stated(
    stated: Settings,
) -> None:
    found = survey(wandering_disc(3.5, 10.0), stated, name="test")
    ring = found.ring
    # the wedge reaches from 24 to 34 px
    assert 26.0 < ring.minor_px <= ring.major_px < 32.0
    assert (ring.x_px, ring.y_px) == pytest.approx((240.0, 135.0), abs=0.6)
    assert found.inner > 0.7 and found.outer < 1.25
    assert found.marks == 1 and found.confidence > 0.8


WANDERS = {
    "width": 480, "height": 270, "seconds": 21.0, "speed_rad_s": 133.0, "exposure_s": 1 / 120,
    "law": ExponentialLoss(59.0), "runout_px": 1.0, "gain": 0.6, "topple_s": 19.5, "seed": 2,
}  # fmt: skip


def test_top_that_wanders_by_a_seventh_of_its_ring_is_held_and_found() -> None:
    lamp = {"flicker_hz": 100.0, "flicker_depth": 0.26, "release_s": 1.5, "noise": 1.3}
    found, true = surveyed(
        **WANDERS, **lamp, mark="stripe", mark_contrast=-48.0, wander_px=9.0
    )  # fmt: skip
    assert found.marks == 1
    assert found.ring.major_px == pytest.approx(true.major_px, rel=RING_SHARE)
    assert found.ring.minor_px == pytest.approx(true.minor_px, rel=RING_SHARE)
    # it stands there in usual frames, not in one of them
    assert math.hypot(found.ring.x_px - true.x_px, found.ring.y_px - true.y_px) < 9.0


def test_shadows_that_wander_with_the_top_are_no_second_mark() -> None:
    found, true = surveyed(**WANDERS, noise=1.5, mark_contrast=-70.0, wander_px=6.0)
    assert found.marks == 1
    assert found.outer < 1.3  # the dot reaches to 1.09, the base begins at 1.35
    assert found.radii[found.weights > 0].max() < 1.35
    assert found.ring.major_px == pytest.approx(true.major_px, rel=RING_SHARE)


def test_recording_stored_on_its_side_keeps_stored_coordinates() -> None:
    found, true = surveyed(width=180, height=320, rotation_deg=90, wander_px=0.5)
    assert found.picture.shape == (320, 180)
    assert true.tilt_rad == pytest.approx(-math.pi / 2)
    assert_same_ring(found.ring, true, share=RING_SHARE)


def test_ten_bit_frames_give_the_ring_of_eight_bit_frames() -> None:
    eight = looks(Scene(**SMALL, **SPIN))
    ten = [
        tuple(Frame(f.index, 0, f.tick, f.time_s, f.luma.astype(np.uint16) * 4) for f in run)
        for run in eight
    ]
    stated = Settings(centre_px=(158.0, 85.0), radii_px=(42.0, 31.0), tilt_rad=0.0)
    one, other = (survey(runs, stated, name="test") for runs in (eight, ten))
    # INTER_AREA does not resize pictures of this size, so that the grey levels are the same
    assert np.array_equal(one.picture, other.picture)
    assert np.array_equal(one.weights, other.weights)


# -------------------------------------------------------------------------- options


def test_stated_ring_and_marks_are_taken_as_they_are() -> None:
    stated = Settings(centre_px=(158.0, 85.0), radii_px=(42.0, 31.0), tilt_rad=0.05, marks=2)
    found, _ = surveyed(stated)
    ring = found.ring
    assert (ring.x_px, ring.y_px, ring.major_px, ring.minor_px, ring.tilt_rad) == pytest.approx(
        (158.0, 85.0, 42.0, 31.0, 0.05), abs=1e-9
    )
    assert found.marks == 2
    assert set(found.given) == {"centre", "radii", "tilt", "marks"}


def test_stated_centre_is_kept_and_the_rest_is_found_about_it() -> None:
    true = Scene(**SMALL, **SPIN).ring
    found, _ = surveyed(Settings(centre_px=(true.x_px, true.y_px)))
    assert (found.ring.x_px, found.ring.y_px) == pytest.approx((true.x_px, true.y_px), abs=1e-9)
    assert_same_ring(found.ring, true, share=RING_SHARE)
    assert found.given == ("centre",)


def test_stated_tilt_is_kept_and_the_rest_is_found_about_it() -> None:
    found, true = surveyed(Settings(tilt_rad=0.5), semi_axes_px=(60.0, 35.0), ellipse_tilt_rad=0.5)
    assert found.ring.tilt_rad == 0.5
    assert_same_ring(found.ring, true, share=RING_SHARE)
    assert found.given == ("tilt",)


# -------------------------------------------------------------------------- nothing there


def test_no_frames_are_no_top() -> None:
    with pytest.raises(NoTop, match="no frames to look at") as refusal:
        survey([], Settings(), name="evening_07")
    assert refusal.value.where == "evening_07"
    assert refusal.value.picture.dtype == np.uint8


# --------------------------------------------------------------------------- annulus


def test_band_of_a_drawn_annulus_has_its_edges() -> None:
    picture = drawn_annulus(DRAWN, 0.85, 1.1)
    likeness, inner, outer = band(picture, DRAWN)
    # edges lie between the steps of 0.025; one step to either side is the resolution
    assert inner == pytest.approx(0.85, abs=0.026)
    assert outer == pytest.approx(1.10, abs=0.026)
    assert likeness > 0.8
    moved = Ellipse(DRAWN.x_px + 8, DRAWN.y_px, DRAWN.major_px, DRAWN.minor_px, DRAWN.tilt_rad)
    assert band(picture, moved)[0] < 0.7 * likeness


def test_drawn_annulus_is_climbed_to_from_a_start_beside_it() -> None:
    picture = drawn_annulus(DRAWN, 0.85, 1.15)
    start = Ellipse(106.0, 67.0, 46.0, 31.0, 0.2)
    found = refined(picture, picture, start, Settings(), 1.0)
    # 2 %: half of a step of `band` at the ring's middle
    assert_same_ring(found, DRAWN, share=0.02)


def test_drawn_annulus_is_among_the_first_hypotheses() -> None:
    guesses = hypotheses(drawn_annulus(DRAWN, 0.9, 1.1), Settings(), 1.0)
    # the coarse grid has steps of about 20 % in size, 30 degrees in tilt
    assert_same_ring(guesses[0], DRAWN, share=0.2)
    stated = Settings(centre_px=(20.0, 30.0), radii_px=(8.0, 12.0), tilt_rad=0.1)
    assert hypotheses(drawn_annulus(DRAWN, 0.9, 1.1), stated, 1.0) == [
        Ellipse(20.0, 30.0, 12.0, 8.0, 0.1)
    ]


def test_still_is_roundest_about_its_own_ellipse() -> None:
    still = drawn_annulus(DRAWN, 0.9, 1.1) + 60
    about = roundness(still, DRAWN)
    assert about > 0.9
    for wrong in (
        Ellipse(DRAWN.x_px + 5, DRAWN.y_px, DRAWN.major_px, DRAWN.minor_px, DRAWN.tilt_rad),
        Ellipse(DRAWN.x_px, DRAWN.y_px, DRAWN.major_px, 1.2 * DRAWN.minor_px, DRAWN.tilt_rad),
        Ellipse(DRAWN.x_px, DRAWN.y_px, DRAWN.major_px, DRAWN.minor_px, 0.0),
    ):
        assert roundness(still, wrong) < about - 0.1


def test_unrolled_annulus_is_a_level_stripe_and_zero_outside_of_the_picture() -> None:
    flat = unrolled(drawn_annulus(DRAWN, 0.8, 1.2), DRAWN, (0.6, 1.0, 1.4), even_angles(64))
    assert np.all(flat[0] == 0) and np.all(flat[2] == 0)
    assert np.all(flat[1] == 100)
    beyond = Ellipse(100.0, 70.0, 500.0, 400.0, 0.0)
    assert np.all(unrolled(np.full((140, 200), 9, np.float32), beyond, (1.0,), even_angles(8)) == 0)


def test_outlines_lie_where_the_drawn_edge_is() -> None:
    edges = outlines(drawn_annulus(DRAWN, 0.0, 1.0))
    x, y = ring_points(DRAWN, 1.0, even_angles(32))
    on_edge = edges[np.rint(y).astype(int), np.rint(x).astype(int)]
    assert on_edge.min() > 0.7 * edges.max()
    assert edges[70, 100] < 0.01 * edges.max()


# --------------------------------------------------------------------------- pattern


def humps(
    angles: Sequence[float] | np.ndarray, marks: int, rng: np.random.Generator, *, size: float
) -> np.ndarray:
    """Ring profiles with equal humps at given angles on a level of 100, noise 1; (K, 256)."""
    theta = even_angles(256)
    rows = []
    for at in angles:
        away = np.mod(marks * (theta - at) + np.pi, 2 * np.pi) - np.pi
        rows.append(100 + size * np.exp(-0.5 * (away / marks / 0.1) ** 2))
    return np.array(rows) + rng.normal(0, 1, (len(rows), 256))


@pytest.mark.parametrize("size", [40.0, -40.0])
def test_turn_of_a_pattern_is_found_frame_by_frame(size) -> None:
    rng = np.random.default_rng(1)
    angles = rng.uniform(0, 2 * np.pi, 60)
    found = turning_pattern(humps(angles, 1, rng, size=size))
    error = np.angle(np.exp(1j * (found.angles_rad - angles)))
    error -= np.median(error)  # the pattern's own zero is free
    # whole samples: half of one is 0.012 rad
    assert np.abs(error).max() < 0.03
    assert found.explained > 0.9
    assert found.contrast_sigma > 50
    assert np.sign(skew(found.shape)) == np.sign(size)


def test_hand_over_a_few_profiles_does_not_bend_the_pattern() -> None:
    rng = np.random.default_rng(2)
    angles = rng.uniform(0, 2 * np.pi, 60)
    profiles = humps(angles, 1, rng, size=-40.0)
    profiles[:6, 50:180] = 20.0
    found = turning_pattern(profiles)
    error = np.angle(np.exp(1j * (found.angles_rad - angles)))[6:]
    assert np.abs(error - np.median(error)).max() < 0.03
    assert found.explained > 0.9


@pytest.mark.parametrize("size", [40.0, -40.0])
@pytest.mark.parametrize("marks", [1, 2, 3, 4])
def test_humps_of_single_frames_are_counted(marks, size) -> None:
    rng = np.random.default_rng(marks)
    profiles = humps(rng.uniform(0, 2 * np.pi, 40), marks, rng, size=size)
    assert count_marks(profiles, bright=size > 0) == marks


def test_marks_are_counted_where_brightness_and_shutter_differ_round_the_ring() -> None:
    rng = np.random.default_rng(5)
    theta = even_angles(256)
    light = 1 + 0.5 * np.cos(theta - 1)
    rows = []
    for at in rng.uniform(0, 2 * np.pi, 40):
        row = np.full(256, 100.0)
        for turn in range(3):
            seen = at + turn * 2 * np.pi / 3
            seen += 0.25 * np.sin(seen)  # the rolling shutter shifts each mark by its own amount
            away = np.mod(theta - seen + np.pi, 2 * np.pi) - np.pi
            row -= 40 * np.exp(-0.5 * (away / 0.1) ** 2)
        rows.append(row * light)
    profiles = np.array(rows) + rng.normal(0, 1, (40, 256))
    assert count_marks(profiles, bright=False) == 3


@pytest.mark.parametrize("shift", [-0.8, 0.66])
@pytest.mark.parametrize("marks", [1, 2, 3, 4])
@pytest.mark.parametrize("width", [0.1, 0.35])
def test_marks_are_counted_where_the_shutter_shifts_them_far(marks, width, shift) -> None:
    """Three marks shifted so far show more of a second and a fourth wave than of a third."""
    rng = np.random.default_rng(marks)
    theta, rows = even_angles(256), np.sin(even_angles(256))
    profiles = np.full((40, 256), 100.0)
    for row, at in zip(profiles, rng.uniform(0, 2 * np.pi, 40), strict=True):
        for turn in range(marks):  # what lies at theta - shift on the top is seen at theta
            away = theta - shift * rows - at - turn * 2 * np.pi / marks
            away = np.mod(away + np.pi, 2 * np.pi) - np.pi
            row -= 40 * np.exp(-0.5 * (away / width) ** 2)
    profiles += rng.normal(0, 1, profiles.shape)
    assert count_marks(profiles, bright=False, rows=37.5 * rows) == marks


def sheared(
    angles: np.ndarray,
    shifts: np.ndarray,
    marks: Sequence[tuple[float, float]],
    rng: np.random.Generator,
    *,
    width: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Dark marks (place in turns, strength) as a rolling shutter shows them, and the rows."""
    theta, rows = even_angles(256), np.sin(even_angles(256))
    profiles = np.full((len(angles), 256), 100.0)
    for row, at, shift in zip(profiles, angles, shifts, strict=True):
        for place, strength in marks:
            away = theta - shift * rows - at - 2 * np.pi * place
            away = np.mod(away + np.pi, 2 * np.pi) - np.pi
            row -= 40 * strength * np.exp(-0.5 * (away / width) ** 2)
    return profiles + rng.normal(0, 1, profiles.shape), 37.5 * rows


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("width", [0.1, 0.15])
def test_hand_that_holds_one_mark_at_first_does_not_make_two_of_it(width, seed) -> None:
    """Under a wrong shift its shade, half a turn from the mark, is a second one."""
    rng = np.random.default_rng(seed)
    angles, shifts = rng.uniform(0, 2 * np.pi, 48), np.linspace(0.5, 0.15, 48)
    angles[:12], shifts[:12] = 1.0, 0.0
    profiles, rows = sheared(angles, shifts, [(0.0, 1.0)], rng, width=width)
    theta = even_angles(256)
    profiles[:12] -= 30 * np.exp(-0.5 * ((theta - 5.3) / 0.25) ** 2)
    assert count_marks(profiles, bright=False, rows=rows) == 1


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("first", [-0.85, 0.6])
@pytest.mark.parametrize("marks", [1, 2, 3, 4])
def test_marks_are_counted_while_their_shift_falls_with_the_speed(marks, first, seed) -> None:
    rng = np.random.default_rng(seed)
    angles, shifts = rng.uniform(0, 2 * np.pi, 48), np.geomspace(first, 0.3 * first, 48)
    equal = [(k / marks, 1.0) for k in range(marks)]
    profiles, rows = sheared(angles, shifts, equal, rng, width=0.3 if marks < 4 else 0.2)
    assert count_marks(profiles, bright=False, rows=rows) == marks


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("marks", [1, 2, 3, 4])
def test_marks_are_counted_where_the_shutter_shows_some_of_them_three_times(marks, seed) -> None:
    rng = np.random.default_rng(seed)
    angles, shifts = rng.uniform(0, 2 * np.pi, 48), np.linspace(1.2, 1.0, 48)
    equal = [(k / marks, 1.0) for k in range(marks)]
    profiles, rows = sheared(angles, shifts, equal, rng, width=0.1)
    assert count_marks(profiles, bright=False, rows=rows) == marks


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("marks", [2, 3, 4])
def test_marks_of_unlike_strength_and_spacing_are_counted(marks, seed) -> None:
    """Down to 0.6 of the strongest, and four degrees out of place."""
    rng = np.random.default_rng(seed)
    places = np.arange(marks) / marks + rng.uniform(-4, 4, marks) / 360
    painted = list(zip(places, [1.0, *rng.uniform(0.6, 1, marks - 1)], strict=True))
    angles, shifts = rng.uniform(0, 2 * np.pi, 48), np.full(48, rng.uniform(-0.8, 0.8))
    profiles, rows = sheared(angles, shifts, painted, rng, width=0.1)
    assert count_marks(profiles, bright=False, rows=rows) == marks


@pytest.mark.parametrize("seed", range(3))
def test_small_blemish_opposite_a_mark_is_no_second_one(seed) -> None:
    rng = np.random.default_rng(seed)
    angles, shifts = rng.uniform(0, 2 * np.pi, 48), np.full(48, -0.4)
    profiles, rows = sheared(angles, shifts, [(0.0, 1.0), (0.5, 0.12)], rng, width=0.1)
    assert count_marks(profiles, bright=False, rows=rows) == 1


# ------------------------------------------------------------------ chance and shake


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("grain", [0.0, 40.0], ids=["wall", "table"])
def test_noise_over_a_still_picture_is_no_top(seed, grain) -> None:
    rng = np.random.default_rng(seed)
    table = 120 + grain * cv2.GaussianBlur(rng.standard_normal((180, 320)), (0, 0), 2)
    pictures = np.clip(table + rng.normal(0, 2, (48, 180, 320)), 0, 255).astype(np.uint8)
    frames = [Frame(k, 0, k, k / 30, picture) for k, picture in enumerate(pictures)]
    with pytest.raises(NoTop, match="no top with a turning mark") as refusal:
        survey([frames[k : k + 4] for k in range(0, 48, 4)], Settings(), name="test")
    assert refusal.value.picture.shape == (180, 320)
    assert np.abs(refusal.value.picture - np.clip(table, 0, 255)).mean() < 2


def test_top_without_a_mark_is_no_top() -> None:
    with pytest.raises(NoTop) as refusal:
        surveyed(mark_contrast=-1e-3)
    assert refusal.value.picture.shape == (180, 320)


def test_shaken_camera_does_not_lead_the_ring_to_the_rim() -> None:
    found, true = surveyed(shake_px=1.0)
    assert_same_ring(found.ring, true, share=RING_SHARE)


def test_stated_centre_is_kept_in_reduced_pictures() -> None:
    found, _ = surveyed(Settings(centre_px=(319.5, 169.0)), width=640, height=360)
    assert (found.ring.x_px, found.ring.y_px) == pytest.approx((319.5, 169.0), abs=1e-6)


def test_a_faint_mark_is_looked_for_in_more_frames() -> None:
    """Contrast of 24 levels in noise of 6."""
    law = ExponentialLoss(300.0)
    scenes = [
        Scene(
            **SMALL,
            seconds=10.0,
            law=law,
            speed_rad_s=speed,
            first_angle_rad=angle,
            mark_contrast=-24.0,
            noise=6.0,
            seed=seed,
        )  # fmt: skip
        for seed, speed, angle in [(23, 161.9, 2.0), (56, 166.0, 0.5), (50, 170.1, 4.4)]
    ]
    looked = []
    for scene in scenes:
        found, still = look_for_top(SimulatedFootage(scene), Settings())
        assert_same_ring(found.ring, scene.ring, share=0.05)
        looked.append(len(still))
    assert MANY_RUNS in looked


@pytest.mark.parametrize("place", [(320.0, 90.0), (-1.0, 90.0), (160.0, 5000.0)])
def test_a_stated_centre_outside_the_picture_is_refused(place: tuple[float, float]) -> None:
    footage = SimulatedFootage(Scene(**SMALL, **SPIN))
    with pytest.raises(UsageError, match="outside the picture of 320 x 180 px"):
        look_for_top(footage, Settings(centre_px=place, radii_px=(40.0, 30.0)))


def test_the_picture_of_no_top_knows_its_scale() -> None:
    """Its axes count stored pixels: a place read off it can be stated."""
    grain = np.random.default_rng(0).normal(120, 5, (12, 540, 960)).clip(0, 255).astype(np.uint8)
    frames = [Frame(k, 0, k, k / 30, one) for k, one in enumerate(grain)]
    with pytest.raises(NoTop) as caught:
        survey([frames[:4], frames[4:8], frames[8:]], Settings(), name="table")
    assert caught.value.picture.shape == (270, 480)
    assert caught.value.scale == pytest.approx(0.5)


def test_a_short_spin_is_found_in_a_long_recording() -> None:
    """The phone films on while the top lies: the livelier runs are those to go by."""
    scene = Scene(
        width=320, height=240, speed_rad_s=73.0, law=ExponentialLoss(25.0), release_s=6.0,
        topple_s=26.0, seconds=150.0,
    )  # fmt: skip
    found, still = look_for_top(SimulatedFootage(scene), Settings())
    assert_same_ring(found.ring, scene.ring, share=0.05)
    assert all(frame.time_s < 35.0 for frame in still)  # or the fallen top would be in the still


@pytest.mark.parametrize("runs", [5, MANY_RUNS, 3 * MANY_RUNS])
def test_no_choice_of_runs_takes_more_room_than_another_recording_s(runs: int) -> None:
    lively = np.random.default_rng(2).lognormal(size=runs)
    all_of_them, *livelier = list(choices(lively))
    assert max(map(len, [all_of_them, *livelier])) <= min(runs, MOST_RUNS)
    assert len(set(np.diff(all_of_them))) == 1 and all_of_them[-1] >= 0.95 * (runs - 1)
    for chosen in livelier:
        assert np.median(lively[chosen]) > np.median(lively)


def test_runs_at_rest_stay_out_of_the_still_of_those_that_spin() -> None:
    lively = np.concatenate([np.full(30, 1.0), np.full(12, 5.0)])
    lively *= np.random.default_rng(0).uniform(0.95, 1.05, 42)
    assert not_at_rest(lively, range(22, 42)) == list(range(30, 42))
    # where hardly anything is calm, or the usual run is, nothing is told apart
    faint = np.random.default_rng(1).uniform(1.0, 2.0, 42)
    assert not_at_rest(faint, range(20)) == list(range(20))
    assert not_at_rest(lively, range(10, 40)) == list(range(10, 40))


def drawn_run(at_s: float, *, begin_s: float, end_s: float, noise: float) -> list[Frame]:
    """Four frames of a disc that moves to the side at `begin_s`, its mark turning to `end_s`."""
    rng = np.random.default_rng(round(1000 * at_s))
    y, x = np.mgrid[0:120, 0:160].astype(np.float32)
    out = []
    for k in range(4):
        t = at_s + k / 30
        spins = begin_s <= t < end_s
        middle, phase = (80.0 if t < end_s else 70.0), (7.0 * t if spins else 1.0)
        picture = 100 + 60 * (np.hypot(x - middle, y - 60) < 40)
        mark = np.hypot(x - middle - 30 * np.cos(phase), y - 60 - 30 * np.sin(phase)) < 5
        luma = picture - 50 * mark + noise * rng.standard_normal(picture.shape)
        out.append(Frame(round(30 * t), 0, round(30 * t), t, luma.clip(0, 255).astype(np.uint8)))
    return out


def looked(length_s: float, begin_s: float, end_s: float, noise: float = 2.0) -> list[float]:
    """Where more runs are looked at, beside 48 that are spread over a recording."""
    seen, more = Happenings(), []
    for at in np.linspace(0.0, length_s, 48):
        seen.add(drawn_run(float(at), begin_s=begin_s, end_s=end_s, noise=noise))
    for _ in range(8):
        for at in seen.next_s():
            more.append(at)
            seen.add(drawn_run(at, begin_s=begin_s, end_s=end_s, noise=noise))
    return more


@pytest.mark.parametrize(("begin_s", "end_s"), [(3605.0, 3640.0), (40.0, 50.0), (6000.0, 6008.0)])
def test_a_closer_look_is_taken_where_something_happens(begin_s: float, end_s: float) -> None:
    """Two hours, one look in two and a half minutes: what differs before and after leads there."""
    more = np.array(looked(7200.0, begin_s, end_s))
    assert ((more >= begin_s) & (more < end_s)).sum() >= 6
    assert ((more > begin_s - 160) & (more < end_s + 160)).all() and len(more) <= 48


class Damaged:
    """Two hours, of which seconds about the spin cannot be decoded."""

    def sparse(self, *, runs: int, per_run: int) -> Iterator[list[Frame]]:
        for at in np.linspace(0.0, 7200.0, runs):
            yield drawn_run(float(at), begin_s=3605.0, end_s=3640.0, noise=2.0)[:per_run]

    def around(self, time_s: float, *, before: int, after: int) -> list[Frame]:
        assert before == 0
        if 3600.0 < time_s < 3700.0:
            return []
        return drawn_run(time_s, begin_s=3605.0, end_s=3640.0, noise=2.0)[:after]


def test_a_closer_look_at_what_cannot_be_decoded_shows_nothing() -> None:
    still = StillFrames(_closely(Damaged(), 48))  # type: ignore[arg-type]
    assert [len(run) for run in still] == 48 * [4]


@pytest.mark.parametrize("noise", [0.0, 2.0, 8.0])
def test_no_closer_look_is_taken_where_nothing_or_enough_happens(noise: float) -> None:
    assert looked(600.0, 700.0, 700.0, noise) == []
    assert looked(600.0, -1.0, 700.0, noise) == []
    assert len(looked(600.0, 100.0, 600.0 - 100.0, noise)) < ENOUGH_LIVELY  # 32 of 48 already


def test_runs_that_were_looked_at_later_are_put_in_their_place() -> None:
    runs = [drawn_run(at, begin_s=0.0, end_s=9.0, noise=0.0) for at in (0.0, 4.0, 8.0, 2.0)]
    stacks, numbers, _ = work_stacks(runs)
    assert numbers == [0, 3, 1, 2]
    assert np.array_equal(stacks[1][0], runs[3][0].luma)


def outlines_of(places: list[float], step: float, noise: float) -> np.ndarray:
    """Profiles of runs of four, a hump at a place of each that advances within the run."""
    rng, angle = np.random.default_rng(4), even_angles(256)
    at = np.concatenate([place + step * np.arange(4) for place in places])[:, None]
    hump = np.exp(-0.5 * (np.angle(np.exp(1j * (angle - at))) / 0.15) ** 2)
    return 100 + 40 * hump + noise * rng.standard_normal((len(at), 256))


@pytest.mark.parametrize("noise", [0.1, 1.0])
def test_what_lies_here_first_and_there_later_is_not_seen_to_turn(noise: float) -> None:
    lengths = [4] * 12
    rests = outlines_of([0.5] * 4 + [2.0] * 3 + [4.5] * 5, 0.0, noise)
    pattern = turning_pattern(rests)
    assert pattern.explained > 0.6  # enough to be sure of, by what it explains
    assert turning(rests, pattern, lengths) < 0.1
    spins = outlines_of(list(np.linspace(0.0, 40.0, 12)), 1.3, noise)
    assert turning(spins, turning_pattern(spins), lengths) > 0.8


def test_a_pattern_that_stands_has_no_say_on_how_even_its_steps_are() -> None:
    rng = np.random.default_rng(0)
    rest, odd = np.zeros(4 * 9), rng.uniform(0, 2 * np.pi, 4 * 9)
    alone = evenness(odd, [4] * 9)
    assert evenness(np.concatenate([rest, odd]), [4] * 18) == pytest.approx(alone)
    assert alone < 0.6 and evenness(rest, [4] * 9) == 1.0


WHOLE = {
    "width": 320, "height": 240, "seconds": 14.0, "release_s": 1.9, "topple_s": 11.4,
    "speed_rad_s": 46.0, "law": ExponentialLoss(19.0), "mark_contrast": -76.0,
}  # fmt: skip


@pytest.mark.parametrize(
    "own", [{"runout_px": 1.0, "wander_px": 3.0, "seed": 2}, {"marks": 2, "noise": 4.6, "seed": 1}]
)
def test_outlines_hands_and_the_fall_are_not_taken_for_the_mark(own: dict[str, float]) -> None:
    """A whole attempt of a quarter of a minute: many of its looks hold a hand or a fall."""
    scene = Scene(**WHOLE, **own)
    found, _ = look_for_top(SimulatedFootage(scene), Settings())
    assert_same_ring(found.ring, scene.ring, share=0.08)
    assert found.marks == scene.marks


def test_activity_beside_outlines_keeps_the_mark_and_drops_what_shakes() -> None:
    rng = np.random.default_rng(3)
    rows, columns = np.mgrid[0:120, 0:160].astype(np.float32)
    stacks = []
    for _ in range(8):
        run = []
        for _ in range(4):
            dx, dy, at = *rng.normal(0, 0.5, 2), rng.uniform(0, 2 * np.pi)
            outline = 60 * (np.hypot(columns - 80 - dx, rows - 60 - dy) < 50)
            x, y = 80 + 30 * np.cos(at), 60 + 30 * np.sin(at)
            mark = -80 * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / 18)
            run.append(100 + cv2.GaussianBlur(outline.astype(np.float32), (0, 0), 1.0) + mark)
        stacks.append(np.stack(run).astype(np.float32))
    still = np.median(np.concatenate(stacks), axis=0)
    beside, within, _ = activity_maps(stacks, still)
    radius = np.hypot(columns - 80, rows - 60)
    ring, edge = np.abs(radius - 30) < 3, np.abs(radius - 50) < 2
    assert within[edge].mean() > 0.5 * within[ring].mean()
    assert beside[edge].mean() < 0.1 * beside[ring].mean()
    assert beside[ring].mean() > 0.8 * within[ring].mean()


def test_one_long_run_is_cut_and_then_more_rings_are_tried() -> None:
    run = np.arange(190 * 6, dtype=np.float32).reshape(190, 2, 3)
    first, second, third = attempts([run], [7])
    assert first[0][0] is run and first[1:] == ([7], False)
    assert len(second[0]) == len(second[1]) >= 8 and set(second[1]) == {7} and not second[2]
    assert np.array_equal(np.concatenate(second[0]), run)
    assert third[2] and len(third[0]) == len(second[0])
    many = [run[:4]] * 12
    assert [got[2] for got in attempts(many, list(range(12)))] == [False, True]


def test_a_short_recording_of_one_run_with_a_hand_is_found() -> None:
    """A hand's frames lay in the one run that a file with one key frame gives."""
    scene = Scene(
        width=320, height=200, seconds=6.0, law=ExponentialLoss(30.0), speed_rad_s=42.0,
        release_s=1.2, noise=1.0, frame_rate=30, exposure_s=0.002, mark_contrast=-70.0, seed=2,
    )  # fmt: skip
    frames = list(SimulatedFootage(scene).stream())
    found, merit, chosen = survey_lively([frames], Settings(), name="one run")
    assert merit > 0 and chosen == [0] and found.marks == 1
    x, y = scene.centre_px
    assert np.hypot(found.ring.x_px - x, found.ring.y_px - y) < 4.0
    assert found.ring.major_px == pytest.approx(0.8 * scene.semi_axes_px[0], rel=0.12)


def test_a_clear_mark_needs_no_second_look() -> None:
    _, still = look_for_top(SimulatedFootage(Scene(**SMALL, **SPIN)), Settings())
    assert len(still) == RUNS


@pytest.mark.parametrize("marks", [1, 2, 3, 4])
def test_equal_marks_that_turn_by_equal_steps_are_even_whichever_one_is_lined_up(marks) -> None:
    rng = np.random.default_rng(marks)
    lengths = [4] * 30
    turned = np.concatenate([rng.uniform(0, 6) + 2.2 * np.arange(n) for n in lengths])
    turned += rng.integers(0, marks, len(turned)) * 2 * np.pi / marks + rng.normal(0, 0.02, 120)
    assert evenness(turned, lengths) > 0.97  # exp(-n**2 * 6 * 0.02**2 / 2): 0.98 of four
    assert (
        evenness(rng.uniform(0, 6.3, 120), lengths) < 0.4
    )  # of 60: by chance 0.13, the most of four
    assert evenness(np.zeros(2), [1, 1]) == 1.0


def test_a_frame_in_which_nothing_stands_out_has_no_vote_on_the_number_of_marks() -> None:
    angle = np.linspace(0, 2 * np.pi, 256, endpoint=False)
    turned = np.arange(12) * 2.4
    profiles = 150 - 60 * np.exp(8 * (np.cos(angle - turned[:, None]) - 1))
    profiles[5] = 165.0  # brighter all round, the mark covered
    assert count_marks(profiles, bright=False) == 1
