"""How far the free spin reaches back, by what was seen of the mark."""

from __future__ import annotations

import numpy as np
import pytest

from vidspin.instants.reach import UNSEEN_DRIVE_S, Reach, reach_back

RATE = 30
PERIOD = 2 * np.pi


def free_spin(seconds: float = 5.0, start: float = 170.0, loss: float = 2.0, marks: int = 1):
    """Instants and angles of a top that only slows."""
    t = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(7).normal(0, 0.01 / marks, len(t))
    return t, start * t - 0.5 * loss * t**2 + noise


def reached(t, angle, covered, *, visible=None, clean_s: float = 3.0, marks: int = 1) -> Reach:
    clean, period = int(np.searchsorted(t, clean_s)), PERIOD / marks
    known = np.where(np.arange(len(t)) < clean, np.mod(angle, period), angle)
    seen = np.ones(len(t), bool) if visible is None else visible
    return reach_back(t, known, seen, covered, clean=clean, marks=marks)


@pytest.mark.parametrize("marks", [1, 2, 3, 4])
@pytest.mark.parametrize("start", [60.0, 170.0, 195.0])
def test_spin_that_turned_on_in_unlike_frames_reaches_back_to_the_first(
    marks: int, start: float
) -> None:
    t, angle = free_spin(start=start, marks=marks)
    reach = reached(t, angle, t < 2.4, marks=marks)
    assert reach.first <= 3  # fewer frames than that may agree by chance
    assert reach.free[:72].mean() > 0.9
    assert np.abs(reach.angle_rad - angle)[reach.free].max() < 1e-6  # on their turns again
    assert t[reach.sure] <= UNSEEN_DRIVE_S + 4.5 / RATE


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("start", [150.0, 188.5])  # the second looks like a mark at rest
def test_edges_of_a_hand_are_no_spin(seed: int, start: float) -> None:
    rng = np.random.default_rng(seed)
    t, angle = free_spin(start=start)
    edge = np.where(t < 1.0, rng.uniform(0, PERIOD), rng.uniform(0, PERIOD, len(t)))
    covered = t < 2.0
    reach = reached(t, np.where(covered, edge, angle), covered)
    assert t[reach.first] >= 2.0 - 2.5 / RATE


@pytest.mark.parametrize("release_s", [1.5, 1.52, 2.0])
@pytest.mark.parametrize("drive_s", [0.2, 0.5])
def test_driven_top_is_no_free_spin_but_for_an_instant(release_s: float, drive_s: float) -> None:
    t = np.arange(5 * RATE) / RATE
    fine = np.arange(0, 5.01, 1e-4)
    drive = np.clip((fine - release_s + drive_s) / drive_s, 0, 1)
    speed = 170.0 * drive * np.exp(-np.maximum(fine - release_s, 0) / 60)
    angle = np.interp(t, fine, np.concatenate([[0.0], np.cumsum(speed[:-1] * 1e-4)]))
    angle = angle + np.random.default_rng(1).normal(0, 0.01, len(t))
    reach = reached(t, angle, np.zeros(len(t), bool))
    assert t[reach.first] >= release_s - UNSEEN_DRIVE_S - 1 / RATE
    assert t[reach.sure] >= release_s - 1 / RATE


@pytest.mark.parametrize("apart", [0.0, 0.1])
def test_mark_at_rest_is_no_spin_at_a_stand_still_speed(apart: float) -> None:
    """Seen at the very place at which a spin that seems to stand would have it."""
    t, angle = free_spin(start=PERIOD * RATE, loss=0.02)
    at_rest = t < 2.0
    reach = reached(t, np.where(at_rest, angle[60] + apart, angle), at_rest)
    assert t[reach.first] >= 2.0 - 2.5 / RATE


def test_stretch_with_no_mark_in_sight_is_bridged() -> None:
    t, angle = free_spin()
    hidden = (t > 1.2) & (t < 1.8)
    reach = reached(t, angle, t < 2.0, visible=~hidden)
    assert reach.first <= 2
    assert not reach.free[hidden].any()


def test_noise_is_no_spin() -> None:
    t, angle = free_spin()
    lost = t < 2.0
    noise = np.random.default_rng(3).uniform(0, PERIOD, len(t))
    reach = reached(t, np.where(lost, noise, angle), lost)
    assert t[reach.first] >= 2.0 - 2.5 / RATE
