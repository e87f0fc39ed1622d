"""Place and ring profile of a top that was drawn by hand where the test says."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vidspin.frames.follow import MAX_MAJOR, SEARCH_AGAIN, Follower
from vidspin.records import Ellipse, Frame, Survey
from vidspin.ring import even_angles, ring_points

RING = Ellipse(80.0, 60.0, 32.0, 24.0, 0.3)
SHAPE = (120, 160)
LEVEL, MARK, MARK_WIDTH = 150.0, -80.0, 0.25


def found(ring: Ellipse = RING) -> Survey:
    """What a survey would say of the drawn top."""
    return Survey(
        ring=ring, inner=0.9, outer=1.1, marks=1, bright=False, confidence=1.0, given=(),
        picture=np.zeros((1, 1), np.uint8), activity=np.zeros((1, 1)), scale=1.0,
        radii=np.linspace(0.97, 1.03, 3), weights=np.ones(3),
    )  # fmt: skip


def picture(
    at: tuple[float, float] = (0.0, 0.0),
    angle: float = 0.0,
    *,
    ring: Ellipse = RING,
    shape: tuple[int, int] = SHAPE,
    seed: int | None = None,
) -> np.ndarray:
    """A top moved by `at` with its mark at `angle`: smooth formulas, noise 1; grey levels."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    c, s = math.cos(ring.tilt_rad), math.sin(ring.tilt_rad)
    dx, dy = x - ring.x_px - at[0], y - ring.y_px - at[1]
    u, v = (dx * c + dy * s) / ring.major_px, (-dx * s + dy * c) / ring.minor_px
    radius, theta = np.hypot(u, v), np.arctan2(v, u) + ring.tilt_rad
    soft = 1.2 / ring.minor_px  # edges about a picture element wide
    table = 90 + 6 * np.sin(0.11 * x * 32 / ring.major_px) * np.cos(0.13 * y * 32 / ring.major_px)
    top = LEVEL * np.ones(shape) + 25 * np.exp(-((u - 0.3) ** 2 + (v + 0.5) ** 2) / 0.1)
    top -= 70 / (1 + np.exp((radius - 0.45) / soft))  # a dark hub
    away = np.mod(theta - angle + np.pi, 2 * np.pi) - np.pi
    across = np.exp(-0.5 * ((radius - 1.0) / 0.06) ** 4)  # level near its middle
    top += MARK * across * np.exp(-0.5 * (away / MARK_WIDTH) ** 2)
    inside = 1 / (1 + np.exp((radius - 1.2) / soft))
    drawn = table + inside * (top - table)
    if seed is not None:
        drawn = drawn + np.random.default_rng(seed).normal(0, 1, shape)
    return drawn


def luma(drawn: np.ndarray) -> np.ndarray:
    return np.clip(np.rint(drawn), 0, 255).astype(np.uint8)


def follower(
    ring: Ellipse = RING, shape: tuple[int, int] = SHAPE
) -> tuple[Follower, tuple[float, float]]:
    """A follower whose still comes from frames of the top at its surveyed place.

    Told with it is where it says that the top stands there, with its mark well averaged out:
    how far a step leads from there is asked of every frame.
    """
    frames = [
        Frame(k, 0, k, k / 30, luma(picture((0, 0), 2.1 * k, ring=ring, shape=shape, seed=100 + k)))
        for k in range(12)
    ]
    follow = Follower(found(ring), frames)
    views = [follow.read(luma(picture((0, 0), k, ring=ring, shape=shape, seed=k))) for k in (1, 4)]
    start = float(np.mean([v.x_px for v in views])), float(np.mean([v.y_px for v in views]))
    # still and survey are at one to a quarter of a picture element
    assert start == pytest.approx((ring.x_px, ring.y_px), abs=0.25 * follow.factor)
    return follow, start


def wander(count: int, step: float) -> np.ndarray:
    """A smooth path through the place of the survey; largest step `step`; (count, 2)."""
    t = np.arange(count)
    path = np.stack([np.sin(0.37 * t) + 0.5 * np.sin(0.9 * t), np.cos(0.31 * t) - 1], 1)
    return path * step / np.abs(np.diff(path, axis=0)).max()


# ---------------------------------------------------------------------------- place


def test_place_is_right_to_a_twentieth_of_a_picture_element() -> None:
    follow, start = follower()
    for k, (x, y) in enumerate(wander(60, 0.9)):
        view = follow.read(luma(picture((x, y), 2.3 * k, seed=k)))
        assert view.x_px == pytest.approx(start[0] + x, abs=0.05)
        assert view.y_px == pytest.approx(start[1] + y, abs=0.05)
        assert not view.moved


def test_misfit_is_the_noise_where_the_still_fits() -> None:
    follow, _ = follower()
    rng = np.random.default_rng(6)
    noisy = [picture(angle=k) + rng.normal(0, 4, SHAPE) for k in range(20)]
    misfit = [follow.read(luma(drawn)).misfit for drawn in noisy]
    # noise 4, smoothed by a Gaussian of 1 px whose squares sum to 1 / (4 pi); the still's own
    # noise and what the mark leaves at the edge of its ring (0.2 each) add 4 % to 1.13
    assert np.mean(misfit) == pytest.approx(4 / math.sqrt(4 * math.pi), rel=0.08)


def test_mark_does_not_pull_the_place_along() -> None:
    follow, _ = follower()
    for _ in range(3):
        follow.read(luma(picture(angle=0.0, seed=1)))
    angle = even_angles(24)
    views = [follow.read(luma(picture(angle=a, seed=k))) for k, a in enumerate(angle)]
    for column in ("x_px", "y_px"):
        place = np.array([getattr(v, column) for v in views])
        once_a_turn = 2 * np.abs(np.mean(place * np.exp(1j * angle)))
        # white errors of `place` would leave about std * sqrt(pi / 24) there; 0.01 px moves
        # a mark on a ring of 24 px by 0.4 mrad
        assert once_a_turn < 0.01


def test_jump_of_several_picture_elements_is_found_again() -> None:
    follow, start = follower()
    for k in range(5):
        follow.read(luma(picture(seed=k)))
    for x, y in ((7.3, -4.6), (1.2, 2.2), (-9.7, 9.8), (25.0, -20.0)):
        follow.read(luma(picture((x, y), 1.0, seed=9)))
        view = follow.read(luma(picture((x, y), 1.0, seed=10)))
        assert not view.moved
        # another part of the table lies beside the rim: twice the usual
        assert view.x_px == pytest.approx(start[0] + x, abs=0.1)
        assert view.y_px == pytest.approx(start[1] + y, abs=0.1)


def test_jump_too_far_to_be_found_is_flagged() -> None:
    follow, start = follower()
    for k in range(5):
        follow.read(luma(picture(seed=k)))
    view = follow.read(luma(picture((60.0, -20.0), 1.0, seed=9)))
    assert view.moved
    assert (view.x_px, view.y_px) == pytest.approx(start, abs=0.05)


def test_top_that_is_gone_is_flagged_and_its_last_place_kept() -> None:
    follow, start = follower()
    for k in range(5):
        follow.read(luma(picture((1.0, 0.5), seed=k)))
    rng = np.random.default_rng(1)
    for _ in range(3):
        view = follow.read(luma(90 + rng.normal(0, 1, SHAPE)))
        assert view.moved
        assert (view.x_px, view.y_px) == pytest.approx((start[0] + 1.0, start[1] + 0.5), abs=0.05)
    back = follow.read(luma(picture((1.4, 0.2), seed=8)))
    assert not back.moved
    assert (back.x_px, back.y_px) == pytest.approx((start[0] + 1.4, start[1] + 0.2), abs=0.05)


def test_a_top_that_lies_for_long_is_not_searched_for_in_every_frame(monkeypatch) -> None:
    """Hours of rest took twice as long as the spin; what comes back is seen at once."""
    follow, start = follower()
    for k in range(5):
        follow.read(luma(picture(seed=k)))
    searched: list[float] = []
    look = Follower._likeliest

    def counted(self: Follower, seen: np.ndarray, x: float, y: float) -> tuple[float, float]:
        searched.append(x)
        return look(self, seen, x, y)

    monkeypatch.setattr(Follower, "_likeliest", counted)
    rng, far = np.random.default_rng(1), (60.0, -20.0)
    for k in range(100):
        assert follow.read(luma(picture(far, 1.0, seed=200 + k))).moved
    assert len(searched) == -(-100 // (1 + SEARCH_AGAIN))
    view = follow.read(luma(picture((7.3, -4.6), 1.0, seed=9)))  # within reach, elsewhere
    view = follow.read(luma(picture((7.3, -4.6), 1.0, seed=10)))
    assert not view.moved
    assert view.x_px == pytest.approx(start[0] + 7.3, abs=0.1)
    searched.clear()  # what changes is searched for
    for k in range(10):
        assert follow.read(luma(60 + 10 * k + rng.normal(0, 1, SHAPE))).moved
    assert len(searched) == 10


def test_first_frames_that_show_no_standing_top_do_not_become_the_usual() -> None:
    """A recording may begin with the top lying: what lies at its end passed for followed."""
    frames = [
        Frame(k, 0, k, k / 30, luma(picture((0, 0), 2.1 * k, seed=100 + k))) for k in range(12)
    ]
    follow, rng = Follower(found(), frames), np.random.default_rng(3)
    lying = [luma(90 + rng.normal(0, 1, SHAPE)) for _ in range(20)]
    for one in lying[:10]:
        follow.read(one)
    assert not [k for k in range(20) if follow.read(luma(picture(seed=k))).moved]
    assert all(follow.read(one).moved for one in lying[10:])


def test_what_was_given_up_is_kept_with_a_checkpoint() -> None:
    follow, _ = follower()
    again, _ = follower()
    for k in range(4):
        follow.read(luma(picture((60.0, -20.0), 1.0, seed=k)))
    again.go_on(follow.state())
    for k in range(30):
        frame = luma(picture((60.0, -20.0), 1.0, seed=10 + k))
        one, other = follow.read(frame), again.read(frame)
        assert (one.misfit, one.gain, one.moved) == (other.misfit, other.gain, other.moved)


def test_top_partly_outside_of_the_picture_is_followed() -> None:
    ring = Ellipse(26.0, 100.0, 32.0, 24.0, 0.3)  # left and lower edge cut through the ring
    follow, start = follower(ring)
    theta = even_angles(follow.angles)
    x, y = ring_points(ring, 1.1, theta)
    inside = (x > 3) & (y < SHAPE[0] - 4)
    assert 0.3 < np.mean(~inside)
    for k, (dx, dy) in enumerate(wander(20, 0.9)):
        view = follow.read(luma(picture((dx, dy), -0.5, ring=ring, seed=k)))
        # what lies outside repeats the edge and does not move with the top: twice the usual
        assert view.x_px == pytest.approx(start[0] + dx, abs=0.1)
        assert view.y_px == pytest.approx(start[1] + dy, abs=0.1)
        lowest = theta[inside][np.argmin(view.profile[inside])]
        assert abs(math.remainder(lowest + 0.5, 2 * math.pi)) < 0.08


# --------------------------------------------------------------------------- profile


def test_profile_shows_the_mark_at_its_angle_and_depth() -> None:
    follow, _ = follower()
    theta = even_angles(follow.angles)
    for k, angle in enumerate((0.2, 1.7, 3.3, 5.0)):
        view = follow.read(luma(picture((0.4 * k, 0.3), angle, seed=k)))
        plain = follow.read(luma(picture((0.4 * k, 0.3), angle + np.pi, seed=k + 50)))
        change = view.profile - plain.profile
        near = np.abs(np.angle(np.exp(1j * (theta - angle)))) < 1.5
        weight = np.where(near, np.clip(-change, 3, None) - 3, 0)
        centre = np.angle((weight * np.exp(1j * theta)).sum())
        # about 20 picture elements with noise 1 on flanks of 80 / 0.25 levels a radian: 1 mrad;
        # a place that is 0.05 px off turns the ring by up to 2 mrad
        assert abs(math.remainder(centre - angle, 2 * math.pi)) < 0.006
        # the mark is 3 picture elements across: between elements its edges count in
        assert change.min() == pytest.approx(MARK, rel=0.1)


def test_brightness_and_contrast_of_a_frame_are_taken_out_of_its_profile() -> None:
    (plain, _), (dimmed, _) = follower(), follower()
    drawn = picture((0.3, -0.2), 2.0, seed=4)
    one = plain.read(luma(drawn))
    other = dimmed.read(luma(0.7 * drawn + 21))
    assert one.gain == pytest.approx(1.0, abs=0.005)
    assert other.gain == pytest.approx(0.7, abs=0.005)
    assert other.level == pytest.approx(0.7 * one.level + 21, abs=0.3)
    # rounding of single elements to whole levels: 0.3 / 0.7, averaged over the ring's width
    assert np.abs(other.profile - one.profile).max() < 1.5
    assert np.mean(other.profile - one.profile) == pytest.approx(0.0, abs=0.3)
    assert (other.x_px, other.y_px) == pytest.approx((one.x_px, one.y_px), abs=0.02)


def test_ten_bit_frames_read_as_eight_bit_frames_do() -> None:
    (eight, _), (ten, _) = follower(), follower()
    for k, place in enumerate([(0.2, 0.1), (0.9, -0.3), (6.4, -3.0)]):
        frame = luma(picture(place, 1.5 * k, seed=k))
        one, other = eight.read(frame), ten.read(frame.astype(np.uint16) * 4)
        # the softened picture is rounded to whole steps: 0.3 of a level at 8 bits
        place, gain = (other.x_px, other.y_px), (other.gain, other.misfit)
        assert (one.x_px, one.y_px) == pytest.approx(place, abs=0.01)
        assert (one.gain, one.misfit) == pytest.approx(gain, abs=0.1)
        assert one.level == pytest.approx(other.level, abs=0.01)
        assert np.abs(one.profile - other.profile).max() < 0.3


def test_row_offsets_are_those_of_the_ring() -> None:
    follow, _ = follower()
    _, y = ring_points(RING, 1.0, even_angles(follow.angles))
    # weighed by radius, the middle of 0.97 to 1.03 lies at 1.0006
    assert follow.row_offset_px == pytest.approx(y - RING.y_px, abs=0.002 * RING.major_px)


# ------------------------------------------------------------------------- large tops


def test_large_top_is_reduced_and_reported_in_stored_picture_elements() -> None:
    ring = Ellipse(400.5, 330.5, 280.0, 210.0, 0.3)
    shape = (660, 800)
    follow, start = follower(ring, shape)
    assert follow.factor == math.ceil(280 / MAX_MAJOR) == 2
    assert follow.ring.major_px <= MAX_MAJOR
    for k, (x, y) in enumerate(wander(6, 1.5)):
        view = follow.read(luma(picture((x, y), 2.0, ring=ring, shape=shape, seed=k)))
        # a twentieth of a reduced picture element
        assert view.x_px == pytest.approx(start[0] + x, abs=0.1)
        assert view.y_px == pytest.approx(start[1] + y, abs=0.1)
    theta = even_angles(follow.angles)
    assert theta[np.argmin(view.profile)] == pytest.approx(2.0, abs=0.05)
    _, rows = ring_points(ring, 1.0, theta)
    assert follow.row_offset_px == pytest.approx(rows - ring.y_px, abs=0.002 * ring.major_px)


def absolute(ring, path):
    """Follower whose still comes from frames on a path about the surveyed place."""
    path = path - path.mean(0)
    frames = [
        Frame(k, 0, k, k / 30, luma(picture(tuple(p), 2.1 * k, ring=ring, seed=100 + k)))
        for k, p in enumerate(path)
    ]
    return Follower(found(ring), frames)


@pytest.mark.parametrize("step", [0.0, 0.4, 1.5])
@pytest.mark.parametrize("ring", [RING, Ellipse(80.4, 60.3, 32.0, 24.0, 0.3)])
def test_place_is_that_of_the_survey_plus_the_move(ring, step) -> None:
    follow = absolute(ring, wander(12, step) if step else np.zeros((12, 2)))
    for k, (x, y) in enumerate(wander(40, 0.9)):
        view = follow.read(luma(picture((x, y), 2.3 * k, ring=ring, seed=k)))
        assert view.x_px == pytest.approx(ring.x_px + x, abs=0.07)
        assert view.y_px == pytest.approx(ring.y_px + y, abs=0.07)


def test_mark_that_passes_the_pictures_edge_does_not_pull_the_place_along() -> None:
    ring = Ellipse(26.0, 100.0, 32.0, 24.0, 0.3)
    follow, start = follower(ring)
    for k, (dx, dy) in enumerate(wander(60, 0.9)):
        view = follow.read(luma(picture((dx, dy), 0.3 * k - 0.5, ring=ring, seed=k)))
        assert view.x_px == pytest.approx(start[0] + dx, abs=0.1)
        assert view.y_px == pytest.approx(start[1] + dy, abs=0.1)


@pytest.mark.parametrize("turns", [0.3, 0.6])
def test_bands_of_a_lamp_are_taken_out_row_by_row(turns: float) -> None:
    """Rows are read one after the other: a lamp's flicker lies over the top in bands."""
    follow, start = follower()
    rows = np.arange(SHAPE[0])[:, None] / 60.0 - 1.0  # the top takes about half of the rows
    plain = follow.read(luma(picture(angle=1.0, seed=1)))
    for k, phase in enumerate(np.arange(6)):
        light = 1.0 + 0.17 * np.sin(2 * np.pi * turns * rows + phase)
        view = follow.read(luma(light * picture(angle=1.0, seed=30 + k)))
        # 17 % of the top's 150 levels are 25; left is noise, and what a cubic cannot follow
        assert np.abs(view.profile - plain.profile).max() < 5.0
        assert (view.x_px, view.y_px) == pytest.approx(start, abs=0.1)
        assert view.misfit < 2.5 and not view.moved


@pytest.mark.parametrize("depth", [0.2, 0.4])
@pytest.mark.parametrize("from_deg", [0, 40, 90])
def test_a_soft_shadow_that_crosses_the_top_covers_nothing(depth: float, from_deg: int) -> None:
    """Its edge is a slope of the light from one side to the other, and the mark stays in sight."""
    follow, start = follower()
    plain = follow.read(luma(picture(angle=1.0, seed=1)))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    way = math.radians(from_deg)
    along = (x - RING.x_px) * math.cos(way) + (y - RING.y_px) * math.sin(way)
    light = 1 - depth / (1 + np.exp(-along / 25))
    view = follow.read(luma(light * picture(angle=1.0, seed=5)))
    # 40 % of the top's 150 levels are 60; left is what a parabola cannot follow
    assert np.abs(view.profile - plain.profile).max() < 30 * depth
    assert (view.x_px, view.y_px) == pytest.approx(start, abs=0.2)
    assert view.misfit < 2.5 and not view.moved


@pytest.mark.parametrize("first", ["nothing", "the top elsewhere"])
def test_first_frame_that_does_not_fit_spoils_no_later_one(first: str) -> None:
    """As where a stand sagged by more than the still reaches, and a hand is there to begin with."""
    away = (9.0, -6.0)
    frames = [
        Frame(k, 0, k, k / 30, luma(picture((0, 0), 2.1 * k, seed=100 + k))) for k in range(12)
    ]
    follow = Follower(found(), frames)
    drawn = np.full(SHAPE, 100.0) if first == "nothing" else picture(away, 2.0, seed=1)
    follow.read(luma(drawn))
    views = [follow.read(luma(picture(away, k, seed=k))) for k in range(6)]
    assert not any(view.moved for view in views)
    assert views[-1].x_px == pytest.approx(RING.x_px + away[0], abs=0.3)
    assert views[-1].y_px == pytest.approx(RING.y_px + away[1], abs=0.3)
    assert follow.read(luma(np.full(SHAPE, 100.0))).moved


# ---------------------------------------------------------- what turns beside the mark's ring


def with_wedge(angle: float, middle: float, width: float, seed: int) -> np.ndarray:
    """A top on whose face something bright turns along, at a radius and about as broad as told."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    c, s = math.cos(RING.tilt_rad), math.sin(RING.tilt_rad)
    dx, dy = x - RING.x_px, y - RING.y_px
    u, v = (dx * c + dy * s) / RING.major_px, (-dx * s + dy * c) / RING.minor_px
    away = np.mod(np.arctan2(v, u) + RING.tilt_rad - angle + np.pi, 2 * np.pi) - np.pi
    across = np.exp(-0.5 * ((np.hypot(u, v) - middle) / width) ** 4)
    wedge = 70 * across * np.exp(-0.5 * (away / 0.35) ** 4)
    return picture(angle=angle, seed=seed) + wedge


def with_stills_of(survey: Survey, middle: float, width: float) -> Follower:
    frames = [
        Frame(k, 0, k, k / 30, luma(with_wedge(2.1 * k, middle, width, 100 + k))) for k in range(12)
    ]
    return Follower(survey, frames)


def test_a_first_frame_that_fits_best_of_all_does_not_lose_the_others() -> None:
    follow = with_stills_of(found(), 0.55, 0.2)
    first = follow.read(luma(picture(angle=1.0, seed=1)))  # where the wedge is hidden
    assert not first.moved
    views = [follow.read(luma(with_wedge(2.3 * k, 0.55, 0.2, k))) for k in range(2, 60)]
    assert max(view.misfit for view in views) > 3 * first.misfit + 1.0
    assert not any(view.moved for view in views)


def test_a_covered_top_is_lost_as_before() -> None:
    follow, _ = follower()
    for k in range(20):
        assert not follow.read(luma(picture(angle=k, seed=k))).moved
    covered = picture(angle=3, seed=3)
    covered[40:80, 60:110] = 60
    assert follow.read(luma(covered)).moved
