"""Errors that go with the mark angle are no breaks, and breaks are no such errors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vidspin.phase.breaks import Breaks, find_breaks
from vidspin.phase.continuous import Phase, course_of
from vidspin.phase.leftovers import drag_changes_sides, least_left
from vidspin.phase.sides import REACH_S

TURN, RATE, CROSSES_S = 2 * np.pi, 50.0, 10.0
T = np.arange(20 * RATE) / RATE


def turned(few: int, slope: float) -> tuple[np.ndarray, np.ndarray]:
    """Phase in turns and speed, turns/s, of a spin that meets 1/few turn a frame in the middle."""
    speed = RATE / few + slope * (T - CROSSES_S)
    return RATE / few * T + 0.5 * slope * (T - CROSSES_S) ** 2, speed


def phase(few: int, slope: float, extra: np.ndarray, noise: float = 0.02) -> Phase:
    turns, speed = turned(few, slope)
    seen = TURN * turns + extra + np.random.default_rng(1).normal(0, noise, len(T))
    return Phase(
        T, np.mod(seen, TURN), np.full(len(T), noise), TURN * speed, TURN, 1 / RATE,
        np.zeros(len(T), bool),
    )  # fmt: skip


def breaks(few: int, slope: float, extra: np.ndarray, noise: float = 0.02) -> Breaks:
    return find_breaks(phase(few, slope, extra, noise))


@pytest.mark.parametrize("few", [2, 3, 4])
@pytest.mark.parametrize("slope", [-0.5, -0.25])
@pytest.mark.parametrize("at", [0.0, 1.6, 3.1, 5.8])
def test_slow_wave_of_the_mark_angle_is_no_break(few, slope, at) -> None:
    turns, _ = turned(few, slope)
    assert breaks(few, slope, 0.12 * np.cos(few * TURN * turns + at)).found == ()


@pytest.mark.parametrize("few", [2, 3])
def test_drag_of_an_encoder_that_changes_sides_is_no_break(few) -> None:
    """The mark lags behind its drift by so much, and leads it afterwards."""
    since = T - CROSSES_S
    drag = 0.08 * np.sign(since) * np.exp(-((since / 2.0) ** 2))
    assert breaks(few, -0.25, drag).jumps == ()
    # the same step where the mark never comes back to the same places is one
    moved = np.where(T < 4.0, -0.08, 0.08)
    (step,) = breaks(few, -0.25, moved).found
    assert step.turns == pytest.approx(0.16 / TURN, rel=0.15)
    assert step.time_s == pytest.approx(4.0, abs=0.05)


@pytest.mark.parametrize("step", [0.08, -0.2, 0.45])
def test_larger_steps_are_found_at_such_speeds_too(step) -> None:
    (found,) = breaks(3, -0.25, TURN * step * (T > CROSSES_S)).found
    assert found.turns == pytest.approx(step, rel=0.05)


@pytest.mark.parametrize(("hidden_s", "excused"), [(0.0, True), (0.6, False)])
def test_what_happened_while_nobody_saw_the_mark_is_not_excused(
    hidden_s, excused, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = phase(3, -0.25, TURN * 0.2 * (T > CROSSES_S))
    hidden = np.where(np.abs(T - CROSSES_S) < hidden_s / 2, np.nan, seen.angle_rad)
    monkeypatch.setattr("vidspin.phase.breaks.least_left", lambda *_: 0.0)  # explains everything
    assert len(find_breaks(replace(seen, angle_rad=hidden)).found) == (0 if excused else 1)


def test_waves_are_fitted_to_the_sightings_that_the_step_was_fitted_to(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = []

    def told(track, rows) -> float:
        asked.append((track, rows))
        return np.inf

    monkeypatch.setattr("vidspin.phase.breaks.least_left", told)
    breaks(3, -0.25, TURN * 0.2 * (T > CROSSES_S))
    for track, rows in asked:
        assert np.array_equal(np.diff(rows), np.ones(len(rows) - 1))
        assert track.t[rows[0]] == pytest.approx(CROSSES_S - REACH_S, abs=0.05)
        assert track.t[rows[-1]] == pytest.approx(CROSSES_S + REACH_S, abs=0.05)
        assert track.frame_s == 1 / RATE
    assert asked


@pytest.mark.parametrize("share", [-0.015, 0.02])
def test_pushes_are_found_at_such_speeds_too(share) -> None:
    pushed = TURN * share * RATE / 3 * np.clip(T - CROSSES_S, 0.0, None)
    (found,) = breaks(3, -0.25, pushed).found
    assert found.kink
    assert found.relative == pytest.approx(share, rel=0.1)


def test_wave_must_pass_slowly_and_have_enough_sightings() -> None:
    fast = course_of(phase(3, -0.25, np.zeros(len(T))))
    rows = np.arange(0, 100)  # 2.5 turns a second from the nearest slow speed
    assert least_left(fast, rows) == np.inf
    slow = np.arange(450, 550)
    assert least_left(fast, slow) == pytest.approx(100, rel=0.5)  # chi-square of its own noise
    assert least_left(fast, slow[:8]) == np.inf
    assert drag_changes_sides(fast, CROSSES_S) and not drag_changes_sides(fast, 4.0)


@pytest.mark.parametrize(("lasts_s", "share"), [(0.4, 0.05), (1.2, 0.02)])
@pytest.mark.parametrize("few", [1, 2, 3, 4])
def test_pushes_that_take_their_time_are_found_at_such_speeds_too(few, lasts_s, share) -> None:
    """A step is a poor model of them, and a large wave of the angle could stand for one."""
    rises = []
    for seed in range(10):
        near = RATE / few * (1 + np.random.default_rng(seed).uniform(-0.02, 0.02))
        fine = np.arange(-1, 21, 1e-3)
        part = np.clip((fine - CROSSES_S) / lasts_s + 0.5, 0.0, 1.0)
        speed = near - 0.15 * (fine - CROSSES_S) + share * near * part**2 * (3 - 2 * part)
        turns = np.interp(T, fine, np.concatenate([[0.0], np.cumsum(speed[1:] * 1e-3)]))
        seen = TURN * turns + np.random.default_rng(seed).normal(0, 0.0025, len(T))
        found = find_breaks(Phase(
            T, np.mod(seen, TURN), np.full(len(T), 0.0025), TURN * np.interp(T, fine, speed),
            TURN, 1 / RATE, np.zeros(len(T), bool),
        ))  # fmt: skip
        rises.append(any(one.rate_rad_s > 0 for one in found.kinks))
    assert np.mean(rises) >= 0.8
