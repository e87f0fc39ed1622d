"""Held pictures and stretches that are shown twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from faulty_spins import Record, record
from test_breaks import PLAIN, ROUGH

from vidspin.checks.repeats import Held, features, find_replay, held_frames, stopped, together

TURN = 2 * np.pi


def held_in(r: Record, same: np.ndarray | None = None):
    return held_frames(
        r.time_s, r.angle_rad, r.u_rad, r.omega_rad_s, same, period_rad=TURN / r.marks
    )


def marks_of(r: Record) -> np.ndarray:
    return features(
        r.time_s, r.angle_rad, r.omega_rad_s, (r.x_px, r.y_px), period_rad=TURN / r.marks
    )


@pytest.mark.parametrize("seconds", [0.2, 1.0, -0.5])
def test_held_pictures_are_found_frame_for_frame(seconds) -> None:
    r = record(2, "held", seconds, PLAIN)
    (run,) = held_in(r)
    count = round(abs(seconds) * PLAIN.frame_rate)
    assert abs(run.count - count) <= 1  # the next frame may stand by chance
    assert r.time_s[run.first] == pytest.approx(r.at_s, abs=0.05)


@pytest.mark.parametrize("drawn", [PLAIN, ROUGH])
def test_nothing_is_held_in_a_sound_spin(drawn) -> None:
    for number in range(5):
        assert held_in(record(number, drawn=drawn)) == ()


def test_mark_at_a_stand_still_speed_is_not_held() -> None:
    """One turn a frame: the mark stands in the pictures for seconds."""
    t = np.arange(300) / 30.0
    speed = TURN * 30.0 * (1 - 2e-5 * t)
    angle = np.cumsum(speed / 30.0) + np.random.default_rng(1).normal(0, 0.01, 300)
    none = held_frames(t, np.mod(angle, TURN), np.full(300, 0.01), speed,
                       np.ones(300), period_rad=TURN)  # fmt: skip
    assert none == ()


def test_single_doubled_frame_is_told_by_the_equal_picture() -> None:
    r = record(3, drawn=PLAIN)
    angle = r.angle_rad.copy()
    angle[200] = angle[199]
    same = np.full(len(angle), 0.4)
    same[200] = 1.0
    twice = Record(
        **{**{n: getattr(r, n) for n in Record.__dataclass_fields__}, "angle_rad": angle}
    )
    (run,) = held_in(twice, same)
    assert (run.first, run.last) == (200, 200)


@pytest.mark.parametrize("drawn", [PLAIN, ROUGH])
def test_copied_stretch_is_found_blindly_where_no_frames_are_lost(drawn) -> None:
    r = record(4, "loop", 4.0, drawn)
    found = find_replay(marks_of(r))
    if drawn is ROUGH:  # lost frames shift the copy against its original
        assert found is None
        return
    assert found is not None and found.correlation > 0.6
    assert found.lag == round(4.0 * drawn.frame_rate)


def test_short_loop_is_found_where_the_spin_jumps_back() -> None:
    r = record(5, "loop", 1.0, PLAIN)
    at = int(np.searchsorted(r.time_s, r.at_s))
    found = find_replay(marks_of(r), [(at, 25, 36)])
    assert found is not None and found.lag == 30


@pytest.mark.parametrize("drawn", [PLAIN, ROUGH])
def test_sound_spins_repeat_nothing(drawn) -> None:
    for number in range(6):
        marks = marks_of(record(number, drawn=drawn))
        assert find_replay(marks) is None
        assert find_replay(marks, [(300, 60, 120)]) is None


def test_beat_of_a_lamp_in_all_columns_is_no_copy() -> None:
    """It is like itself at many lags, a copy is at one."""
    n = 600
    t = np.arange(n)
    rng = np.random.default_rng(3)
    beat = np.sin(0.7 * t) + np.sin(1.9 * t)
    places = [beat + rng.normal(0, 0.3, n) for _ in range(2)]
    angle = np.mod(4.1 * t + 0.01 * (beat + rng.normal(0, 0.3, n)), TURN)
    marks = features(t / 30.0, angle, np.full(n, 4.1 * 30), places, period_rad=TURN)
    assert find_replay(marks) is None


# -------------------------------------------------------------------------------- stops


def passing(
    advance: float, count: int = 0, *, spread: float = 0.0, after: float | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Angles that advance evenly and stand for some frames from 150 on; u; likeness."""
    rng = np.random.default_rng(4)
    step = np.full(300, advance)
    step[150:] = advance if after is None else after
    step[150 : 150 + count] = 0.0
    fresh = np.where(step == 0.0, 0.3, 1.0)
    angle = np.cumsum(step) + np.where(step == 0, 0, rng.normal(0, max(spread, 1e-9), 300))
    angle[150 : 150 + count] = angle[149]
    same = np.where(step == 0.0, 0.5, 0.2) + rng.uniform(0, 0.05, 300)
    return np.mod(angle + fresh * rng.normal(0, 0.005, 300), TURN), np.full(300, 0.005), same


@pytest.mark.parametrize(
    ("advance", "count", "spread"),
    [(1.9, 5, 0.0), (-3.1, 9, 0.4), (0.08, 40, 0.0), (1.3, 12, 0.4)],
)
def test_stop_is_found_without_times_and_tracks(advance, count, spread) -> None:
    angle, u, same = passing(advance, count, spread=spread)
    (found,) = stopped(angle, u, same, period_rad=TURN)
    assert abs(found.first - 150) <= 1 and abs(found.count - count) <= 2
    assert stopped(angle, u, None, period_rad=TURN) == (found,)


@pytest.mark.parametrize("advance", [1.9, -3.1, 0.08, 0.01, 0.0])
def test_mark_that_goes_on_has_not_stopped(advance) -> None:
    angle, u, same = passing(advance)
    assert stopped(angle, u, same, period_rad=TURN) == ()
    assert stopped(angle, u, None, period_rad=TURN) == ()


@pytest.mark.parametrize("advance", [0.53, 1.9])
def test_stop_in_perfectly_even_turning_is_found(advance) -> None:
    """Angles without any noise: the mean of their unit vectors may be longer than 1 by rounding."""
    moves = np.concatenate([np.full(60, advance), np.zeros(12), np.full(60, advance)])
    angle = np.concatenate([[0.0], np.cumsum(moves)])
    (found,) = stopped(angle, np.full(len(angle), 0.005), None, period_rad=TURN)
    assert (found.first, found.count) == (61, 12)


def test_top_that_is_stopped_and_spun_anew_is_no_held_picture() -> None:
    angle, u, _ = passing(1.9, 30, after=0.7)
    assert stopped(angle, u, None, period_rad=TURN) == ()


def test_pass_through_a_stand_still_speed_is_no_stop() -> None:
    t = np.arange(600) / 30.0
    angle = np.cumsum(0.08 * (1 - t / 10)) + np.random.default_rng(1).normal(0, 0.01, 600)
    assert stopped(np.mod(angle, TURN), np.full(600, 0.01), None, period_rad=TURN) == ()


def test_mark_that_stands_in_pictures_that_change_is_no_held_picture() -> None:
    """What covers the top may pass for a mark that stands."""
    angle, u, same = passing(1.9, 12)
    changing = np.random.default_rng(5).uniform(0.2, 0.25, len(same))
    assert stopped(angle, u, changing, period_rad=TURN) == ()


def test_mark_that_seems_to_stand_for_some_frames_needs_pictures_that_are_alike() -> None:
    """A stem or a glare that the mark passes behind is taken for it: the pictures go on."""
    angle, u, same = passing(1.9, 5)
    t, omega = np.arange(300) / 30.0, np.full(300, 1.9 * 30)
    (run,) = held_frames(t, angle, u, omega, same, period_rad=TURN)
    assert (run.first, run.count) == (150, 5)
    assert held_frames(t, angle, u, omega, None, period_rad=TURN) == (run,)
    changing = np.random.default_rng(5).uniform(0.2, 0.25, len(same))
    (misread,) = held_frames(t, angle, u, omega, changing, period_rad=TURN)
    assert run.alike and misread == replace(run, alike=False)


def test_what_two_looks_found_is_told_once() -> None:
    assert together((Held(3, 9), Held(30, 30)), (Held(5, 12), Held(20, 24))) == (
        Held(3, 12), Held(20, 24), Held(30, 30),
    )  # fmt: skip
