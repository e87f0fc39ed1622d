"""Faces of plain, wandering and low tops; leans that come up to their greatest; tops that lie."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from vidspin.instants.face import Face, from_above, log_levels
from vidspin.instants.fallen import erratic, lean_bounds, lies, slowed, still_from
from vidspin.instants.surroundings import hand_reaches, set_up
from vidspin.records import Ellipse

FINE = 4


def table(seed: int = 0, size: tuple[int, int] = (200, 240)) -> np.ndarray:
    grain = np.random.default_rng(seed).normal(0, 1, size)
    return 120 + 90 * cv2.GaussianBlur(grain, (0, 0), 2.5)


def top(
    middle: tuple[float, float], radius: float, turn: float | None = None, seed: int = 0,
    mark_at: float = 0.7,
) -> np.ndarray:  # fmt: skip
    """Draw a plain disc that hardly differs from its table, from above; a mark where it turns."""
    behind = table(seed)
    large = np.zeros((behind.shape[0] * FINE, behind.shape[1] * FINE), np.float32)

    def spot(x: float, y: float, r: float, level: float) -> None:
        place = (round((x + 0.5) * FINE), round((y + 0.5) * FINE))
        cv2.circle(large, place, round(r * FINE), level, -1)

    spot(*middle, radius, 1.0)
    inside = cv2.resize(large, behind.shape[::-1], interpolation=cv2.INTER_AREA)
    large[:] = 0
    if turn is not None:
        x, y = (middle[k] + mark_at * radius * f(turn) for k, f in enumerate((math.cos, math.sin)))
        spot(x, y, 0.15 * radius, 1.0)
    mark = cv2.resize(large, behind.shape[::-1], interpolation=cv2.INTER_AREA)
    noise = np.random.default_rng(round(1e4 * (turn or 0.0)) + seed).normal(0, 2, behind.shape)
    seen = behind * (1 - inside) + 150 * inside - 110 * mark + noise
    return np.clip(np.rint(seen), 0, 255).astype(np.uint8)


def test_a_face_is_learnt_where_the_top_was_and_out_to_its_edge() -> None:
    # The mark's circle is 0.62 of the face's radius, and the top wanders by a quarter of it.
    phase = np.linspace(0, 4, 30)
    middle = np.stack([120 + 9 * np.cos(phase), 100 + 9 * np.sin(phase)], 1)
    pictures = np.stack([
        top(tuple(m), 58.0, 2.1 * k, mark_at=0.62) for k, m in enumerate(middle)
    ])  # fmt: skip
    ring = Ellipse(*middle[-1], 36.0, 35.9, 0.0)
    face = Face(pictures, ring, middle)
    assert face.edge == pytest.approx(58 / 36, abs=0.06)
    assert face.usual > 0.6
    assert face.astray < 0.5 * face.usual
    later = top((128.0, 92.0), 58.0, 0.4, mark_at=0.62)
    start = face.pose + np.array([0.05, -0.05, 0.0, 0.0])
    start[:2] = np.array([128.0, 92.0]) / 36.0 + 0.05
    found, score = face.fit(log_levels(later), start)
    assert np.hypot(*(36.0 * found[:2] - (128.0, 92.0))) < 1.0
    assert score > 0.6


@pytest.mark.parametrize("most", [0.08, 0.3, 0.5])
@pytest.mark.parametrize("grows_s", [0.1, 0.3, 0.7])
def test_the_lean_tells_the_touch_whatever_the_tip_does(most: float, grows_s: float) -> None:
    rng, inside = np.random.default_rng(3), 0
    for _ in range(20):
        touch = rng.uniform(1.4, 1.6)
        time = np.arange(0.0, 3.0, 1 / 30)
        lean = most * np.minimum(1.0, np.exp((time - touch) / grows_s))
        lean = np.abs(lean * (1 + rng.normal(0, 0.05, len(time))) + rng.normal(0, 0.005, len(time)))
        bounds = lean_bounds(time, lean)
        assert bounds is not None
        inside += bounds[0] - 1 / 30 <= touch <= bounds[1] + 1 / 30
        assert bounds[1] - bounds[0] < 0.2 + 1.2 * grows_s + 0.03 / most
    assert inside >= 19


def test_a_lean_that_was_there_from_the_first_tells_nothing() -> None:
    time = np.arange(0.0, 2.0, 1 / 30)
    assert lean_bounds(time, np.full(len(time), 0.4)) is None
    assert lean_bounds(time, 0.02 + 0.01 * np.sin(time)) is None
    assert lean_bounds(time[:9], time[:9]) is None


def test_a_lean_that_goes_down_again_is_erratic() -> None:
    time = np.arange(0.0, 2.0, 1 / 30)
    falls = 0.4 * np.minimum(1.0, np.exp((time - 1.0) / 0.3))
    bounces = falls * np.where(time > 1.0, 1.0 - 0.3 * np.abs(np.sin(20 * (time - 1.0))), 1.0)
    assert not erratic(time, falls)
    assert not erratic(time, bounces)
    assert erratic(time, falls * np.where((time > 1.2) & (time < 1.6), 0.3, 1.0))
    assert not erratic(time[:5], falls[:5])


def lying(ends: str) -> bool:
    """Half a second of spin, then what `ends` says; a top seen from above."""
    time = np.arange(0.0, 1.6, 1 / 30)
    turn = np.where(time < 0.8, 25.0 * time, 25.0 * 0.8)
    middle = np.repeat([[120.0, 100.0]], len(time), axis=0)
    if ends == "spins":
        turn = 25.0 * time
    if ends == "rolls":
        middle[:, 0] += 60.0 * np.maximum(time - 0.8, 0.0)
    pictures = np.stack([top(tuple(m), 50.0, t) for m, t in zip(middle, turn, strict=True)])
    pose = np.column_stack([middle / 35.0, np.zeros((len(time), 2))])
    assert still_from(time, pose) == pytest.approx(1.6 if ends == "rolls" else 0.0, abs=0.2)
    return lies(pictures, time, pose, np.zeros((len(time), 2)), 35.0)


def test_a_top_lies_that_neither_moves_nor_turns() -> None:
    assert lying("rests")
    assert not lying("spins")
    assert not lying("rolls")


def test_an_axis_that_comes_to_rest_has_slowed_and_one_that_precesses_has_not() -> None:
    time = np.arange(0.0, 2.0, 1 / 30)
    rng = np.random.default_rng(1)

    def axis(angle: np.ndarray, lean: np.ndarray) -> np.ndarray:
        noise = rng.normal(0, 0.004, (len(time), 2))
        return np.stack([lean * np.cos(angle), lean * np.sin(angle)], 1) + noise

    grown = 0.3 * np.minimum(1.0, np.exp((time - 1.0) / 0.3))
    rolled = 9.0 * np.where(time < 1.0, time, 1.0 + 0.2 * (1.0 - np.exp((1.0 - time) / 0.2)))
    assert slowed(time, axis(rolled, grown))
    assert not slowed(time, axis(9.0 * time, grown))
    assert not slowed(time, axis(9.0 * time, np.full(len(time), 0.3)))


@pytest.fixture(scope="module")
def filling() -> tuple[np.ndarray, Ellipse]:
    """A top that fills the height of its picture, its shadow reaching to the picture's edge."""
    picture = top((120.0, 100.0), 88.0).astype(float)
    y, x = np.mgrid[:200, :240]
    shadow = (np.abs(y - 150) < 45) & (x < 90) & (np.hypot(x - 120, y - 100) > 88)
    picture[shadow] *= 0.6
    return picture.astype(np.uint8), Ellipse(120.0, 100.0, 70.0, 69.9, 0.0)


def reaches(still: np.ndarray, now: np.ndarray, ring: Ellipse, *, covered: bool) -> bool:
    pictures = np.stack([still, now])
    scene = set_up(pictures, np.arange(2.0), ring, still.astype(float), 88 / 70)
    pose = np.array([120 / 70, 100 / 70, 0.0, 0.0])
    return hand_reaches(scene, 1, pose, covered=covered)


def test_the_shadow_of_a_top_that_fills_the_picture_is_no_hand(
    filling: tuple[np.ndarray, Ellipse],
) -> None:
    still, ring = filling
    now = still.copy()
    now[94:112, :34] = np.clip(now[94:112, :34].astype(float) * 0.6, 0, 255)  # it has moved
    assert not reaches(still, now, ring, covered=False)
    fingers = still.copy()
    fingers[80:130, :90] = 230
    assert reaches(still, fingers, ring, covered=True)


@pytest.mark.parametrize(("elevation_deg", "above"), [(90, True), (75, True), (60, False)])
def test_a_nearly_round_ring_is_seen_from_above(elevation_deg: float, above: bool) -> None:
    ring = Ellipse(0.0, 0.0, 50.0, 50.0 * math.sin(math.radians(elevation_deg)), 0.0)
    assert from_above(ring) is above
