"""The plan: figures that follow from the settings, and what it says to change."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from simulated_attempts import RPM, Law, spin

from vidspin.cli.app import main
from vidspin.errors import ExitCode
from vidspin.plan import Plan, at_speed, in_pixels, look_ahead, sentences, u_angle

PLAN = Plan(
    high_rpm=2000.0, low_rpm=300.0, spin_time_s=600.0, frame_rate=30.0, exposure_s=1 / 500,
    readout_s=0.015, width=1920, height=1080, top_px=400.0, mark_px=30.0, mark_length_px=30.0,
    ring_px=170.0,
)  # fmt: skip
SHORT = replace(PLAN, low_rpm=1950.0, spin_time_s=12.0)  # a start only


def advice(plan: Plan) -> str:
    return " ".join(look_ahead(plan).advice)


def cue(plan: Plan, name: str) -> bool:
    return next(tells for n, tells, _ in look_ahead(plan).cues if n == name)


# ------------------------------------------------------------------------------- figures


def test_sizes_in_the_picture_follow_from_the_angle_of_view() -> None:
    # a width of 2 * 300 * tan(45 deg) = 600 mm on 1200 columns: 2 px/mm
    assert in_pixels(50.0, 300.0, math.pi / 2, 1200) == pytest.approx(100.0)


def test_smear_is_speed_times_exposure() -> None:
    # 2000 rev/min for 2 ms: a fifteenth of a turn
    assert at_speed(PLAN, 2000.0).smear_rad == pytest.approx(2 * np.pi / 15)


def test_speed_uncertainty_follows_the_bound_of_a_tone() -> None:
    at = at_speed(PLAN, 1150.0)
    count = at.window_s * 30.0
    bound = at.u_angle_rad * (12 / count) ** 0.5 / at.window_s
    assert at.u_speed_rad_s > bound
    # not much beside the random part: a steady spin, far from a stand-still
    assert at.u_speed_rad_s < 1.8 * bound
    clock = 1150.0 * 50e-6 / 3**0.5
    without = at.u95_rpm_excl_clock / 2
    assert at.u95_rpm == pytest.approx(2 * math.hypot(without, clock))


def test_coarse_ticks_are_an_angle_noise_of_speed_times_their_rounding() -> None:
    fine, coarse = (at_speed(replace(PLAN, tick_s=t), 1150.0) for t in (1 / 90000, 1 / 600))
    assert coarse.u_angle_rad == fine.u_angle_rad  # the picture is as good as before
    rounding = 1150 * np.pi / 30 / 600 / 12**0.5
    count = coarse.window_s * 30.0
    random = math.hypot(coarse.u_angle_rad, rounding) * (12 / count) ** 0.5 / coarse.window_s
    assert random < coarse.u_speed_rad_s < 1.6 * random
    assert coarse.u95_rpm_excl_clock > 5 * fine.u95_rpm_excl_clock


@pytest.mark.parametrize(
    "better",
    [{"contrast": 160.0}, {"noise": 1.5}, {"mark_length_px": 60.0}, {"marks": 2},
     {"exposure_s": 1 / 2000}],
    ids=["contrast", "noise", "length", "marks", "exposure"],
)  # fmt: skip
def test_what_should_help_the_angle_helps(better: dict) -> None:
    speed = 2000 * np.pi / 30
    assert u_angle(replace(PLAN, **better), speed) < u_angle(PLAN, speed)


@pytest.mark.parametrize("rpm", [1200.0, 900.0, 600.0])
@pytest.mark.parametrize(
    "law", [Law(0.2, 0.0, 4e-4), Law(0.5, 0.0, 1e-4), Law(0.02, 0.0, 1.2e-3, 1.8), Law(0.1, 0.02)],
    ids=["mixed", "dry", "turbulent", "film"],
)  # fmt: skip
def test_a_stand_still_is_crossed_in_the_span_told_whatever_the_drag(law: Law, rpm: float) -> None:
    turning = spin(law, 1400.0, 320.0)
    plan = replace(
        PLAN, high_rpm=1400.0, low_rpm=320.0, spin_time_s=turning.duration_s, frame_rate=rpm / 60
    )
    still = look_ahead(plan).stand_stills[0]
    assert still.rpm == pytest.approx(rpm)
    true = brentq(lambda t: turning.speed(t) - rpm * RPM, 0.0, turning.duration_s)
    assert still.after_s[0] < true < still.after_s[1]


def test_the_span_of_a_stand_still_ends_at_dry_friction_and_at_turbulence() -> None:
    (still,) = look_ahead(PLAN).stand_stills
    assert still.rpm == pytest.approx(1800.0)
    fast = 600.0 * (1 / 1800 - 1 / 2000) / (1 / 300 - 1 / 2000)
    assert still.after_s == pytest.approx((fast, 600.0 * 200 / 1700))
    # the speed's slope there, 1700 rev/min in 600 s or more: the longer, the less it falls
    assert still.lasts_s[1] / still.lasts_s[0] == pytest.approx(
        1800.0**2 * (1 / 300 - 1 / 2000) / 1700
    )
    two = look_ahead(replace(PLAN, marks=2)).stand_stills
    assert [round(s.rpm) for s in two] == [900, 1800]


def test_limit_and_file() -> None:
    o = look_ahead(replace(PLAN, bits_s=17e6))
    assert o.limit_rpm == 900.0
    assert o.file_bytes == pytest.approx(17e6 * 600 / 8)


# ---------------------------------------------------------------------------------- cues


def test_a_whole_run_down_tells_the_order_and_a_start_alone_does_not() -> None:
    assert cue(PLAN, "run-down") and look_ahead(PLAN).resolves
    assert not look_ahead(replace(SHORT, readout_s=0.0)).resolves


def test_a_known_readout_tells_the_order_of_a_start() -> None:
    assert not cue(SHORT, "camera profile")
    assert cue(replace(SHORT, u_readout_s=0.0003), "camera profile")
    # a global shutter tells nothing, however well it is known
    assert not cue(replace(SHORT, u_readout_s=0.0003, readout_s=0.0), "camera profile")


# -------------------------------------------------------------------------------- advice


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"marks": 3}, "Paint one mark"),
        ({"exposure_s": 1 / 60}, "expose 1/500 s or less"),
        ({"top_px": 70.0}, "only 70 px wide"),
        ({"top_px": 1000.0}, "no room to wander"),
        ({"mark_px": 2.0}, "3.0 times as wide"),
        ({"spin_time_s": 12000.0}, "plug the phone in"),
    ],
)
def test_advice_names_what_is_wrong(change: dict, words: str) -> None:
    assert words in advice(replace(PLAN, **change))


def test_a_good_plan_is_left_alone() -> None:
    assert look_ahead(PLAN).advice == ()
    assert ("to change", "Nothing: film like that.") in sentences(look_ahead(PLAN))


# ------------------------------------------------------------------------------- command


def test_command_tells_in_sentences(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "--speeds", "2200", "350", "--lasting", "0:20:00"]) == ExitCode.DONE
    out = capsys.readouterr().out
    told = "1800 rev/min, 0:00:50 to 0:04:19 after the release (that depends on its drag)"
    assert f"stand-still      {told}, for about 3 to 13 s" in out
    assert "0:20:00" in out


def test_command_ends_with_6_when_nothing_tells_the_order(
    capsys: pytest.CaptureFixture[str],
) -> None:
    short = ["--speeds", "2000", "1950", "--lasting", "12", "--readout", "0", "--json"]
    assert main(["plan", *short]) == ExitCode.CHECK_FAILED
    told = json.loads(capsys.readouterr().out)
    assert told["resolves"] is False
    assert told["plan"]["readout_s"] == 0.0
    assert {c["name"] for c in told["cues"]} >= {"run-down", "sound", "camera profile"}


@pytest.mark.parametrize(
    "wrong",
    [["--speeds", "300", "2000"], ["--size", "big"], ["--view", "170"], ["--exposure", "0"],
     ["--exposure", "500"], ["--top", "-3"]],
    ids=["order", "size", "view", "exposure", "a shutter of 500 for 1/500", "top"],
)  # fmt: skip
def test_wrong_settings_are_told(wrong: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", *wrong]) == ExitCode.USAGE
    assert wrong[0] in capsys.readouterr().err
