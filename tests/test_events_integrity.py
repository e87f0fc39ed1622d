"""Events with their speeds, spin time and revolutions; each check's every answer."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from fabricate_turning import RATE, SIGMA, even, exponential, noisy, turning

from vidspin.curve import Turning, look, phase_steps, seen_share, spin_curve
from vidspin.events import event, revolutions, spin_time, with_speed
from vidspin.integrity import CHECKS, Case, check_all
from vidspin.reading import Readings
from vidspin.records import Check, Event, Quantity, StreamOutcome

# ------------------------------------------------------------------------------ events


def found(kind: str = "release", *, seen: bool = True, at: float = 2.0) -> Event:
    return Event(kind, seen, at, 0.05, None, None, "found")


def test_reviewers_instant_overrules_and_both_values_are_kept() -> None:
    told = event(
        "topple", seen=True, time_s=61.2, u95_s=0.04, how="the tip leaves its place",
        stated_s=60.9, reason="the rim touches first",
    )  # fmt: skip
    assert told.time_s == 60.9
    assert told.measured_s == 61.2
    assert "the rim touches first" in told.how and "the tip leaves its place" in told.how


def test_reviewers_instant_makes_an_unseen_event_seen_without_a_measured_value() -> None:
    told = event(
        "release", seen=False, time_s=0.0, u95_s=0.04, how="not in the recording",
        stated_s=1.5, reason="",
    )  # fmt: skip
    assert told.seen and told.time_s == 1.5
    assert told.measured_s is None
    assert told.how.startswith("stated by the reviewer;")


def test_event_that_nobody_overrules_is_as_it_was_found() -> None:
    told = event(
        "release", seen=True, time_s=2.0, u95_s=0.03, how="found", stated_s=None, reason=""
    )
    assert told == Event("release", True, 2.0, 0.03, None, None, "found", None)


def test_speed_at_either_end_of_an_even_spin_lies_within_u95_in_95_of_100() -> None:
    law, ratio = even(200.0, -2.0), []
    for seed in range(80):
        t = turning(noisy(law, 10.0, seed))
        curve, noise = spin_curve(t, 1.0)
        for at in (0.0, float(t.time_s[-1])):
            known = with_speed(replace(found(at=at), u95_s=0.0), t, noise, curve)
            assert known.u95_rad_s is not None and known.speed_rad_s is not None
            ratio.append((known.speed_rad_s - float(law[1](np.array(at)))) / known.u95_rad_s)
    # 160 independent ends: three standard deviations are 0.05; the curve's own noise is
    # counted in on top, so that more may be inside
    assert np.mean(np.abs(ratio) <= 1) > 0.90
    assert np.std(ratio) > 0.3  # but u95 is not two thirds too large


def test_doubt_about_the_instant_widens_the_speed_by_the_slope() -> None:
    t = turning(noisy(exponential(200.0, 20.0), 20.0, 1))
    curve, noise = spin_curve(t, 1.0)
    sharp = with_speed(replace(found(at=10.0), u95_s=0.0), t, noise, curve)
    dull = with_speed(replace(found(at=10.0), u95_s=0.5), t, noise, curve)
    slope = 200 / 20 * math.exp(-0.5)
    assert math.sqrt(dull.u95_rad_s**2 - sharp.u95_rad_s**2) == pytest.approx(0.5 * slope, rel=0.05)


def test_event_far_from_any_sighting_gets_no_speed() -> None:
    t = turning(noisy(even(), 10.0, 2))
    curve, noise = spin_curve(t, 1.0)
    assert with_speed(found(at=30.0), t, noise, curve) == found(at=30.0)


def test_spin_time_is_topple_minus_release_with_both_doubts() -> None:
    known = spin_time(found(at=2.0), found("topple", at=62.0), 2.1, 61.8, clock_ppm=100.0)
    assert known.seconds == 60.0 and known.at_least_s is None
    clock = 1.96 * 100e-6 * 60
    assert known.u95_s == pytest.approx(math.sqrt(0.05**2 + 0.05**2 + clock**2), rel=1e-9)


@pytest.mark.parametrize(
    ("release", "topple", "least"),
    [
        (None, found("topple", at=62.0), 61.5),
        (found(at=2.0), None, 58.0),
        (None, None, 59.5),
        (found(at=2.0, seen=False), found("topple", at=62.0), 61.5),
        (found(at=2.0), found("topple", at=62.0, seen=False), 58.0),
    ],
)
def test_spin_time_is_at_least_what_the_recording_holds(release, topple, least) -> None:
    known = spin_time(release, topple, 0.5, 60.0, clock_ppm=0.0)
    assert known.seconds is None and known.u95_s is None
    assert known.at_least_s == pytest.approx(least)


def test_revolutions_are_the_turns_between_two_instants() -> None:
    law = exponential(200.0, 60.0)
    t = turning(noisy(law, 30.0, 3), offset=Quantity(0.01, 0.0))
    t = replace(t, angle_rad=law[0](t.time_s) + (t.angle_rad - law[0](t.frame_s)))
    told = revolutions(t, look(t), 5.0, 25.0, (0.02, 0.04), 0.001, 0.3)
    ends = law[0](np.array([5.01, 25.01]))
    # each end of the smooth angle is good to about half a sighting
    assert told.count == pytest.approx((ends[1] - ends[0]) / (2 * np.pi), abs=3 * SIGMA / 6.28)
    # speeds at the ends of the recording, 200 and 121 rad/s
    by_hand = math.hypot(200 * 0.02, 200 * math.exp(-0.5) * 0.04) / (2 * np.pi)
    assert told.u95 == pytest.approx(by_hand, rel=0.03)
    assert told.largest_unexplained_step_turns == 0.001 and told.unseen_s == 0.3


def test_revolutions_reach_beyond_the_sightings_at_the_speed_there() -> None:
    law = even(200.0, -0.05)
    t = turning(noisy(law, 30.0, 4))
    noise = look(t)
    inside = revolutions(t, noise, 0.0, 29.9, (0.0, 0.0), None, 0.0)
    beyond = revolutions(t, noise, -0.1, 30.0, (0.0, 0.0), None, 0.0)
    more = (200 * 0.1 + (200 - 1.5) * 0.1) / (2 * np.pi)
    # a slope through eight frames of 8 mrad carried on by 0.1 to 0.2 s: 0.007 turn each
    assert beyond.count - inside.count == pytest.approx(more, abs=0.02)


def test_revolutions_of_too_few_sightings_are_not_counted() -> None:
    t = turning(noisy(even(), 10.0, 5))
    noise = look(t)
    few = replace(noise, smooth_rad=np.full(len(t.time_s), np.nan))
    told = revolutions(t, few, 1.0, 9.0, (0.1, 0.1), None, 2.0)
    assert told.count is None and told.u95 is None and told.unseen_s == 2.0


# -------------------------------------------------------------------------------- checks


def readings_of(time_s: np.ndarray) -> Readings:
    """Readings of frames of which only the times matter."""
    level = np.ones(len(time_s))
    whole = np.zeros(len(time_s), np.int64)
    return Readings(time_s, level, level, level, level, level, whole, whole, np.zeros(8), 90)


def case_of(spin: Turning | None = None, **changed: object) -> Case:
    """A sound recording, or one that is changed in a point."""
    spin = spin or turning(noisy(exponential(), 20.0, 1))
    curve, noise = spin_curve(spin, 1.0)
    usual = {
        "outcome": StreamOutcome(len(spin.time_s), 0, ()),
        "readings": readings_of(spin.frame_s),
        "turning": spin,
        "noise": noise,
        "curve": curve,
        "steps": phase_steps(spin, noise, 1),
        "frame_interval_s": 1 / RATE,
        "unseen_s": seen_share(spin, noise),
        "resolved": True,
    }
    return Case(**{**usual, **changed})


def answer(name: str, case: Case) -> Check:
    return next(check for check in check_all(case) if check.name == name)


def test_sound_recording_passes_every_check() -> None:
    told = check_all(case_of())
    assert len(told) == len(CHECKS)
    assert len({check.name for check in told}) == len(CHECKS)
    assert {check.name: check.state for check in told} == {
        "frames complete": "pass",
        "frame gaps": "pass",
        "mark seen": "pass",
        "phase continuity": "pass",
        "speed falls": "pass",
    }
    assert all(check.figure and check.note for check in told)


def test_checks_of_the_spin_stay_open_where_there_is_none() -> None:
    told = check_all(case_of(turning=None, noise=None, curve=None, steps=None))
    states = {check.name: check.state for check in told}
    assert states["mark seen"] == states["phase continuity"] == "unchecked"
    assert states["speed falls"] == "unchecked"
    assert states["frames complete"] == states["frame gaps"] == "pass"
    assert all(check.note for check in told)


def test_fault_of_the_file_is_told_in_its_own_words() -> None:
    outcome = StreamOutcome(590, 2, ("ends 10 frames early", "picture 7 is damaged"))
    told = answer("frames complete", case_of(outcome=outcome))
    assert told.state == "fail"
    assert told.note == "ends 10 frames early; picture 7 is damaged"
    assert "590 frames read, 2 doubtful" in told.figure


def test_single_dropped_frames_pass_and_a_hole_fails() -> None:
    t = np.arange(600) / RATE
    single = answer("frame gaps", case_of(readings=readings_of(np.delete(t, [100, 300]))))
    assert single.state == "pass"
    assert single.figure.startswith("2 frame intervals without a frame, longest 2.0")
    hole = answer("frame gaps", case_of(readings=readings_of(np.delete(t, [100, 101, 102]))))
    assert hole.state == "fail"
    assert hole.figure.startswith("3 frame intervals without a frame, longest 4.0")
    alone = answer("frame gaps", case_of(readings=readings_of(t[:1])))
    assert alone.state == "pass" and alone.figure == "one frame"


def test_mark_unseen_for_a_tenth_of_the_spin_fails() -> None:
    assert answer("mark seen", case_of(unseen_s=1.5)).state == "pass"
    told = answer("mark seen", case_of(unseen_s=2.5))
    assert told.state == "fail" and told.figure == "2.5 s unseen of 20.0 s"


@pytest.mark.parametrize(("size", "state"), [(0.3, "fail"), (0.05, "pass")])
def test_step_of_the_phase_fails_where_it_is_large(size, state) -> None:
    spin = turning(noisy(exponential(), 20.0, 6))
    cut = replace(spin, angle_rad=spin.angle_rad + np.where(spin.time_s > 12.0, size, 0.0))
    told = answer("phase continuity", case_of(cut))
    assert told.state == state  # 0.02 turn, 0.126 rad, are allowed whatever the noise
    if state == "fail":
        at = float(told.figure.split(" at ")[1].split(" s")[0])
        assert at == pytest.approx(12.0, abs=0.3)


def test_spin_too_short_for_a_step_leaves_continuity_open() -> None:
    assert answer("phase continuity", case_of(turning(noisy(even(), 1.5, 7)))).state == "unchecked"


def test_push_that_speeds_the_top_up_fails() -> None:
    t = np.arange(900) / RATE
    pushed = 200 * t - 0.5 * t**2 + np.where(t > 15, 6.0 * (t - 15), 0.0)  # 3 % faster
    angle = pushed + np.random.default_rng(8).normal(0, SIGMA, 900)
    told = answer("speed falls", case_of(turning(angle)))
    assert told.state == "fail"
    rise = float(told.figure.split("rise ")[1].split(" rev")[0])
    # 6 rad/s, less the 1 to 2 rad/s that are lost between the rows before and after the push
    assert 4.0 < rise * 2 * np.pi / 60 < 6.0
    assert answer("speed falls", case_of(turning(-angle))).state == "fail"


def test_speed_that_falls_is_not_asked_of_an_unresolved_or_a_short_spin() -> None:
    assert answer("speed falls", case_of(resolved=False)).state == "unchecked"
    short = case_of(turning(noisy(even(), 2.0, 9)))
    told = answer("speed falls", short)
    assert told.state == "unchecked" and told.note == "too few rows"


def test_speed_at_either_end_of_a_bent_spin_lies_within_u95() -> None:
    law, ratio = exponential(200.0, 30.0), []
    for seed in range(60):
        t = turning(noisy(law, 20.0, seed))
        curve, noise = spin_curve(t, 1.0)
        for at in (0.0, float(t.time_s[-1])):
            known = with_speed(replace(found(at=at), u95_s=0.0), t, noise, curve)
            ratio.append((known.speed_rad_s - float(law[1](np.array(at)))) / known.u95_rad_s)
    assert np.mean(np.abs(ratio) <= 1) > 0.90
