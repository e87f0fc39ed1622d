"""What a leaning axis does to the mark angle, against discs turned in space."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fabricate_turning import RATE, even, noisy, turning

from vidspin.records import Ellipse
from vidspin.regression import local_rates
from vidspin.speed.curve import spin_curve
from vidspin.speed.leaning import HEIGHT, LATE_S, SHARE, Leaning, leaning_before, leaning_u

RING = Ellipse(200.0, 150.0, 60.0, 42.0, 0.3)
SIGHT = float(np.arccos(42.0 / 60.0))  # between line of sight and upright axis


def turned(axis: np.ndarray, vector: np.ndarray) -> np.ndarray:
    """The rotation by the length of `axis` about it (Rodrigues), of row vectors."""
    angle = float(np.linalg.norm(axis))
    k = axis / max(angle, 1e-12)
    cross = np.cross(k, vector)
    return vector * np.cos(angle) + cross * np.sin(angle) + np.outer(
        vector @ k, k
    ) * (1 - np.cos(angle))  # fmt: skip


def mean_turn(lean: tuple[float, float]) -> float:
    """Mean apparent turn of marks all round a disc that leans, seen in a parallel projection.

    x right, y down, z away from the camera; the disc is tilted towards the camera.
    """
    phase = np.arange(360) * np.pi / 180
    along = np.array([1.0, 0.0, 0.0])
    across = np.array([0.0, np.cos(SIGHT), -np.sin(SIGHT)])
    axis = np.cross(across, along)  # upwards, towards the camera
    disc = np.outer(np.cos(phase), along) + np.outer(np.sin(phase), across)
    lean_to = lean[0] * along + lean[1] * across  # where the axis' tip goes
    leaned = turned(np.cross(axis, lean_to), disc)
    seen = np.arctan2(leaned[:, 1] / np.cos(SIGHT), leaned[:, 0])
    return float(np.angle(np.exp(1j * (seen - phase))).mean())


def face(lean_along: np.ndarray, lean_across: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where the middle of a face goes, px, that leans along the axes of `RING`."""
    u = RING.major_px * HEIGHT * lean_along
    v = RING.minor_px * HEIGHT * lean_across
    cos, sin = np.cos(RING.tilt_rad), np.sin(RING.tilt_rad)
    return RING.x_px + u * cos - v * sin, RING.y_px + u * sin + v * cos


def swinging(amplitude: float, hz: float) -> tuple[np.ndarray, Leaning]:
    t = np.arange(20 * RATE) / RATE
    x, y = face(
        amplitude * np.sin(2 * np.pi * hz * t), amplitude * np.cos(2 * np.pi * hz * t)
    )  # fmt: skip
    found = leaning_before(20.0, t, x, y, RING)
    assert found is not None
    return t, found


@pytest.mark.parametrize("lean", [(0.05, 0.0), (0.0, 0.05), (-0.04, 0.03)])
def test_lean_sideways_turns_the_mark_as_a_disc_in_space_is_seen_to_turn(lean) -> None:
    t = np.arange(20 * RATE) / RATE
    leans = t > 18.6  # the usual place is the upright one
    found = leaning_before(20.0, t, *face(lean[0] * leans, lean[1] * leans), RING)
    assert found is not None
    assert found.turn_rad[-1, 0] == pytest.approx(mean_turn(lean), abs=0.03 * np.hypot(*lean))
    assert found.turn_rad[0].tolist() == [0.0, 0.0]


def test_axis_that_goes_round_turns_the_mark_by_the_solid_angle() -> None:
    """A cap of half-angle a has 2 pi (1 - cos a), whichever way it is gone round."""
    amplitude = 0.1
    _, found = swinging(amplitude, 1.0)
    rounds = LATE_S * 1.0
    cap = 2 * np.pi * (1 - np.cos(amplitude))
    assert abs(found.turn_rad[-1, 1]) == pytest.approx(rounds * cap, rel=0.03)


def test_nothing_leans_without_a_topple_and_before_it_may() -> None:
    t = np.arange(300) / 30
    assert leaning_before(None, t, 0 * t, 0 * t, RING) is None
    assert leaning_before(-9.0, t, 0 * t, 0 * t, RING) is None
    found = leaning_before(9.0, t, 0 * t, 0 * t, RING)
    assert found is not None and t[found.first] == pytest.approx(9.0 - LATE_S, abs=0.04)
    assert not found.turn_rad.any()


def test_doubt_is_the_share_of_what_the_lean_does_to_the_slope() -> None:
    t, leaning = swinging(0.08, 1.3)
    extra = np.zeros((len(t), 2))
    extra[leaning.first :] = leaning.turn_rad
    weight, at, width = np.ones(len(t)), np.array([5.0, 18.4, 19.1]), np.full(3, 0.9)
    rates = [
        local_rates(t, angle, weight, centres_s=at, windows_s=width)
        for angle in (0 * t, extra[:, 0], extra[:, 1])
    ]
    told = leaning_u(leaning, t, weight, rates[0])
    assert told[0] == 0.0  # long before the topple
    expected = SHARE * np.hypot(rates[1].rate_rad_s, rates[2].rate_rad_s)
    assert told == pytest.approx(expected, rel=1e-6)
    assert told[1:].min() > 0.01
    assert not leaning_u(None, t, weight, rates[0]).any()


def test_speeds_before_a_topple_are_less_sure_and_say_why() -> None:
    t, leaning = swinging(0.08, 1.3)
    upright = turning(noisy(even(), 20.0, 3))
    leans = replace(upright, leaning=leaning)
    (sure, _), (doubted, _) = (spin_curve(one, 1.0) for one in (upright, leans))
    early, late = sure.time_s < 20.0 - LATE_S - 3.0, sure.time_s > 18.0
    assert np.array_equal(doubted.speed_rad_s, sure.speed_rad_s)  # nothing is corrected
    assert np.array_equal(doubted.u_speed_rad_s[early], sure.u_speed_rad_s[early])
    assert (doubted.u_speed_rad_s[late] > sure.u_speed_rad_s[late]).all()
    lines = [{c.name: c.u for c in b.components} for b in doubted.budgets]
    assert lines[0]["leaning"] == 0.0 and lines[-1]["leaning"] > 0.0
    assert all("leaning" not in {c.name for c in b.components} for b in sure.budgets)
