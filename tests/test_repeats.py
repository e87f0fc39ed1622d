"""Held pictures and stretches that are shown twice."""

from __future__ import annotations

import numpy as np
import pytest
from faulty_spins import Record, record
from test_breaks import PLAIN, ROUGH

from vidspin.repeats import features, find_replay, held_frames

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
def test_copied_stretch_is_found_blindly_with_its_lag(drawn) -> None:
    r = record(4, "loop", 4.0, drawn)
    found = find_replay(marks_of(r))
    if drawn is ROUGH:  # lost frames shift the copy against its original
        assert found is None or found.correlation > 0.35
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
