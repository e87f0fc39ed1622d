"""Textbook examples of aliasing and strobe light."""

from fractions import Fraction as F

import pytest

from vidspin.aliasing import apparent_rate, orders_within, stand_still_rates
from vidspin.units import rad_s_from_rpm, turns_from_rad

# NPTEL course 112103024, module 14, lecture 2, example 14.2 (read): a strobe at 30 Hz, true and
# apparent speed of the shaft in Hz.  15 and 45 are half-rate: either direction fits.
STROBE = [
    (30, 0), (60, 0), (25, -5), (34, 4), (54, -6), (76, -14), (600, 0), (15, 15),
    (45, 15), (18, -12),
]  # fmt: skip


@pytest.mark.parametrize(("shaft", "seen"), STROBE)
def test_strobe_example(shaft: int, seen: int) -> None:
    assert apparent_rate(F(shaft), F(30)) == seen


def test_slip_in_the_strobe_example() -> None:
    # the text has a 13 Hz shaft appear at -17 Hz; 13 is below half of 30 and appears as itself
    assert apparent_rate(F(13), F(30)) == 13
    assert apparent_rate(F(13), F(30)) != -17


def test_disc_of_dsp_first_problem_4_2() -> None:
    # McClellan, Schafer & Yoder (question read in a copy, answers worked out): a disc with one
    # spot at 5400 rev/min clockwise, filmed at 89 frames/s, seems to turn at +1 rev/s
    disc = F(5400, 60)
    assert apparent_rate(disc, F(89)) == 1
    assert [fs for fs in range(30, 91) if apparent_rate(disc, F(fs)) == 0] == [30, 45, 90]
    backwards = [fs for fs in range(40, 90) if apparent_rate(disc, F(fs)) < 0]
    assert backwards == list(range(46, 60))  # 60 exactly is half-rate: ambiguous


@pytest.mark.parametrize(
    ("frame_rate", "seen"), [(F(24), F(15, 2)), (F(12), F(-9, 2)), (F(15, 2), 0), (F(6), F(3, 2))]
)
def test_car_wheel_exercise(frame_rate: F, seen: F) -> None:
    # multimedia textbook exercise (question read in a copy, answers worked out): 36 km/h,
    # tyre of 0.4244 m, one white mark: 7.5 turns a second
    assert 10 / (3.14159265 * 0.4244) == pytest.approx(7.5, abs=5e-4)
    assert apparent_rate(F(15, 2), frame_rate) == seen


@pytest.mark.parametrize(("per_frame", "seen"), [(80, 80), (350, -10)])
def test_degrees_per_frame_of_a_film_glossary(per_frame: int, seen: int) -> None:
    # glossary of film technique (read): 350 degrees a frame look like 10 degrees backwards
    assert apparent_rate(F(per_frame, 360), F(1)) == F(seen, 360)


def test_beyond_half_rate_a_tone_is_mirrored() -> None:
    # Lathi, section 8, figure 8.13 (read in a course copy): pi + x looks like pi - x backwards
    for x in (F(1, 10), F(1, 3), F(1, 2)):
        assert apparent_rate((1 + x) / 2, F(1)) == -(1 - x) / 2


# rev/min as seen at 240, 60 and 30000/1001 frames/s (worked out with exact fractions)
SEEN_RPM = [
    (3000, 3000, -600, "-596.4036"),
    (3600, 3600, 0, "3.5964"),
    (7199, 7199, -1, "6.1928"),
    (7201, -7199, 1, "8.1928"),
    (14400, 0, 0, "14.3856"),
]


@pytest.mark.parametrize(("rpm", "at_240", "at_60", "at_29_97"), SEEN_RPM)
def test_table_of_speeds(rpm: int, at_240: int, at_60: int, at_29_97: str) -> None:
    turns = F(rpm, 60)
    assert 60 * apparent_rate(turns, F(240)) == at_240
    assert 60 * apparent_rate(turns, F(60)) == at_60
    assert f"{float(60 * apparent_rate(turns, F(30000, 1001))):.4f}" == at_29_97
    # the same in floats, as the stages use it
    floating = apparent_rate(turns_from_rad(rad_s_from_rpm(float(rpm))), 30000 / 1001)
    assert 60 * floating == pytest.approx(float(at_29_97), abs=5e-5)


def test_two_frame_rates_leave_one_speed_below_their_common_multiple() -> None:
    # 47 turns a second at 30 and 25 frames/s: -13 and -3; alike again only 150 higher
    assert (apparent_rate(F(47), F(30)), apparent_rate(F(47), F(25))) == (-13, -3)
    at_30 = {-13 + 30 * n for n in orders_within(F(-13), F(30), 1, F(0), F(150))}
    at_25 = {-3 + 25 * n for n in orders_within(F(-3), F(25), 1, F(0), F(150))}
    assert at_30 & at_25 == {47, -103}


def test_three_marks_stand_still_three_times_as_often() -> None:
    assert stand_still_rates(F(30), F(40), 3) == (10, 20, 30, 40)
