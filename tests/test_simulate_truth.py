"""What the simulator states as truth is consistent with itself."""

from __future__ import annotations

import json
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vidspin.errors import UsageError
from vidspin.simulate import (
    ConstantSpeed,
    DragLoss,
    ExponentialLoss,
    Scene,
    SpeedTable,
    frame_times,
    mark_angle,
    speed,
    truth_of,
    turned_angle,
)
from vidspin.units import rad_s_from_rpm

LAWS = [
    ConstantSpeed(),
    ExponentialLoss(20.0),
    DragLoss(0.6, 4e-3, 1.5),
    DragLoss(5.0, 0.0),
    SpeedTable((0.0, 3.0, 11.0, 40.0), (210.0, 190.0, 195.0, 20.0)),
]


@pytest.mark.parametrize("law", LAWS, ids=lambda law: type(law).__name__)
@pytest.mark.parametrize("events", [{}, {"release_s": 1.3, "topple_s": 25.0}])
def test_speed_is_the_derivative_of_the_turned_angle(law, events) -> None:
    scene = Scene(seconds=30.0, speed_rad_s=200.0, law=law, **events)
    # Off the nodes of tables and joins, where a central difference spans a kink.
    t = np.arange(0.0137, 29.9, 0.0731)
    h = 1e-4
    slope = (turned_angle(scene, t + h) - turned_angle(scene, t - h)) / (2 * h)
    np.testing.assert_allclose(slope, speed(scene, t), rtol=1e-6, atol=2e-4)


def test_linear_drag_agrees_with_its_closed_form_over_ten_minutes() -> None:
    a, b, start = 0.4, 0.008, 210.0
    scene = Scene(seconds=600.0, speed_rad_s=start, law=DragLoss(a, b, 1.0))
    t = np.linspace(0.0, 200.0, 4001)
    closed = (start + a / b) * -np.expm1(-b * t) / b - a / b * t
    np.testing.assert_allclose(turned_angle(scene, t), closed, atol=1e-7, rtol=0)
    stop = math.log((start + a / b) / (a / b)) / b
    assert np.all(speed(scene, np.array([stop + 0.1, 599.0])) == 0.0)
    full = (start + a / b) * -math.expm1(-b * stop) / b - a / b * stop
    assert turned_angle(scene, np.array([599.0]))[0] == pytest.approx(full, abs=1e-4)


def test_dry_friction_alone_stops_the_top_after_its_stopping_time() -> None:
    scene = Scene(seconds=60.0, speed_rad_s=100.0, law=DragLoss(5.0, 0.0))
    assert turned_angle(scene, np.array([50.0]))[0] == pytest.approx(1000.0, abs=1e-6)
    assert speed(scene, np.array([10.0, 20.5]))[0] == pytest.approx(50.0)
    assert speed(scene, np.array([20.5]))[0] == 0.0


@given(
    release=st.floats(0.3, 3.0),
    tau=st.floats(3.0, 90.0),
    rpm=st.floats(200.0, 5000.0),
)
@settings(max_examples=25, deadline=None)
def test_hand_brings_the_top_from_rest_to_the_stated_speed(release, tau, rpm) -> None:
    scene = Scene(
        seconds=6.0, release_s=release, speed_rad_s=rad_s_from_rpm(rpm), law=ExponentialLoss(tau)
    )
    still = np.array([0.0, release - scene.spin_up_s])
    assert np.all(turned_angle(scene, still) == 0.0)
    assert np.all(speed(scene, still) == 0.0)
    assert speed(scene, np.array([release]))[0] == pytest.approx(rad_s_from_rpm(rpm))
    assert np.all(np.diff(turned_angle(scene, np.linspace(0.0, 6.0, 600))) >= 0.0)


def test_top_stands_still_after_its_topple() -> None:
    scene = Scene(seconds=10.0, topple_s=5.0)
    after = np.array([5.0 + scene.rest_s, 9.0])
    assert np.all(speed(scene, after) == 0.0)
    assert np.ptp(turned_angle(scene, after)) == 0.0


def test_clockwise_angles_grow_and_counterclockwise_angles_fall() -> None:
    t = np.array([0.0, 0.01])
    assert np.diff(mark_angle(Scene(direction=1), t))[0] > 0
    assert np.diff(mark_angle(Scene(direction=-1), t))[0] < 0


def test_jittered_times_are_stated_as_they_are_to_half_a_tick() -> None:
    scene = Scene(
        frame_rate=Fraction(30000, 1001),
        jitter_s=4e-4,
        dropped=0.05,
        time_base=Fraction(1, 600),
        seconds=20.0,
    )
    times = frame_times(scene)
    assert times.start_s[0] == 0.0 and times.ticks[0] == 0
    assert times.start_s.size == 600 - 30
    error = times.ticks / 600 - times.start_s
    assert np.abs(error).max() < 1.0 / 600
    steps = np.diff(times.start_s)
    assert 1e-4 < np.std(steps[steps < 0.04]) < 1e-3


def test_stamp_jitter_moves_the_stated_times_only() -> None:
    plain, jittery = Scene(seconds=5.0), Scene(seconds=5.0, stamp_jitter_s=1e-3)
    np.testing.assert_array_equal(frame_times(plain).start_s, frame_times(jittery).start_s)
    error = frame_times(jittery).ticks - frame_times(plain).ticks
    assert 50 < np.std(error) < 130  # 90 ticks are a millisecond


def test_truth_document_holds_turns_at_the_middle_rows_exposure() -> None:
    scene = Scene(seconds=4.0, topple_s=3.0, law=ExponentialLoss(9.0), direction=-1)
    truth = json.loads(json.dumps(truth_of(scene, "clip"), allow_nan=False))
    assert truth["direction"] == "counterclockwise"
    assert truth["topple_s"] == 3.0 and truth["release_s"] is None
    assert truth["frames"] == len(truth["turns"]) == len(truth["file_frame_times_s"]) == 120
    assert truth["centre_row_offset_s"] == pytest.approx(0.007)
    seen = truth["file_frame_times_s"][50] + truth["centre_row_offset_s"]
    turned = turned_angle(scene, np.array([seen]))[0]
    assert truth["turns"][50] == pytest.approx(turned / (2 * math.pi), abs=2e-5)
    assert truth["turns"][95] is None
    assert [t for t, _ in truth["rpm"]] == [0.5, 1.5, 2.5]
    assert truth["mark_angle_at_turn_zero_rad"] == -1.0
    assert truth["scene"]["law"] == {"kind": "ExponentialLoss", "time_constant_s": 9.0}


def test_stretched_slow_motion_states_its_truth_in_file_seconds() -> None:
    scene = Scene(seconds=1.0, frame_rate=Fraction(240), stored_rate=Fraction(30), topple_s=0.5)
    truth = truth_of(scene, "slow")
    assert scene.time_scale == Fraction(1, 8)
    assert truth["topple_s"] == 4.0
    assert truth["file_frame_times_s"][1] == pytest.approx(1 / 30)
    assert len(truth["rpm"]) == 4


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"marks": 5}, "marks"),
        ({"seconds": float("nan")}, "seconds"),
        ({"seconds": 1e9}, "seconds"),
        ({"speed_rad_s": 1e11}, "speed"),
        ({"centre_px": (1.0, float("inf"))}, "centre_px"),
        ({"seed": -1}, "seed"),
        ({"exposure_s": 0.0}, "exposure"),
        ({"release_s": 0.1}, "release"),
        ({"release_s": 2.0, "topple_s": 1.0}, "topple"),
        ({"mark_radius": 0.98}, "mark"),
        ({"width": 641}, "size"),
        ({"flicker_depth": 1.5}, "flicker"),
        ({"rotation_deg": 45}, "rotation"),
    ],
)
def test_settings_that_cannot_be_drawn_are_refused_by_name(wrong, says) -> None:
    with pytest.raises(UsageError, match=says):
        Scene(**wrong)
