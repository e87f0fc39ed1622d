"""Each check of a recording, each of its answers."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from fabricate_checks import case_of, glances_of, readings_of
from fabricate_turning import RATE, SIGMA, even, exponential, noisy, turning

from vidspin.checks.case import Case, Meeting, broken_off, hidden_s, steadiest
from vidspin.checks.integrity import CHECKS, check_all
from vidspin.checks.repeats import Held, Replay
from vidspin.frames.lamp import Lamp
from vidspin.instants.intrusion import Visit
from vidspin.order.apparent import Track
from vidspin.order.cadence import Pattern
from vidspin.phase.continuous import seams_of
from vidspin.records import Check, Ellipse, SightingFlag, StreamOutcome
from vidspin.speed.curve import spin_curve, unseen_seconds
from vidspin.speed.roll import roll_of


def answer(name: str, case: Case) -> Check:
    return next(check for check in check_all(case) if check.name == name)


def kicked(rate_rad_s: float, at_s: float = 15.0, jump_rad: float = 0.0) -> Case:
    """A spin whose speed, or phase, changes at an instant."""
    t = np.arange(900) / RATE
    angle = 200 * t - 0.5 * t**2
    angle = angle + np.where(t > at_s, rate_rad_s * (t - at_s) + jump_rad, 0.0)
    return case_of(turning(angle + np.random.default_rng(8).normal(0, SIGMA, 900)))


# ---------------------------------------------------------------------------- the whole


def test_sound_recording_passes_every_check_but_the_lamp() -> None:
    told = check_all(case_of())
    assert len(told) == len(CHECKS) == len({check.name for check in told})
    assert {c.name for c in told if c.state != "pass"} == {"re-timing"}
    assert not any(c.look for c in told)
    assert all(c.figure or c.state == "unchecked" for c in told)
    assert all(c.note and c.kind for c in told)


def test_checks_of_the_spin_stay_open_where_there_is_none() -> None:
    case = case_of(turning=None, noise=None, curve=None, breaks=None)
    states = {check.name: check.state for check in check_all(case)}
    open_ones = {n for n, s in states.items() if s == "unchecked"}
    assert open_ones >= {"mark seen", "phase continuity", "speed falls", "no sudden change"}
    assert states["frames complete"] == states["frame gaps"] == "pass"


def test_checks_of_the_picture_stay_open_where_it_was_not_looked_at() -> None:
    t = np.arange(600) / RATE
    case = case_of(readings=readings_of(t, glances=None))
    for name in ("hands", "scene jumps", "camera steady", "focus"):
        assert answer(name, case).state == "unchecked"


# ------------------------------------------------------------------------------- frames


def test_fault_of_the_file_is_told_in_its_own_words() -> None:
    outcome = StreamOutcome(590, 2, ("ends 10 frames early", "picture 7 is damaged"))
    told = answer("frames complete", case_of(outcome=outcome))
    assert told.state == "fail"
    assert told.note == "ends 10 frames early; picture 7 is damaged"
    assert "590 frames read, 2 doubtful" in told.figure


def without(frames: list[int], hidden: list[int] | None = None) -> Case:
    spin = turning(noisy(exponential(), 20.0, 1))
    spin.angle_rad[hidden or []] = np.nan
    keep = np.ones(len(spin.time_s), bool)
    keep[frames] = False
    columns = {
        n: getattr(spin, n)[keep]
        for n in ("time_s", "frame_s", "angle_rad", "u_rad", "quality", "free", "answer")
    }
    return case_of(replace(spin, **columns))


def test_dropped_frames_pass_and_so_does_a_gap_that_the_phase_bridges() -> None:
    single = answer("frame gaps", without([100, 300]))
    assert single.state == "pass"
    assert single.figure == "2 frames lacking; 2.0 frame intervals at most from one to the next"
    stutter = answer("frame gaps", without(list(range(200, 206))))
    assert stutter.state == "pass" and "goes through 1 gaps" in stutter.note
    assert stutter.at_s == pytest.approx((199 / RATE,))


def test_gap_fails_where_it_is_long_or_the_phase_does_not_go_through() -> None:
    long = answer("frame gaps", without(list(range(200, 240))))
    assert long.state == "fail" and long.look
    t = np.arange(600) / RATE
    nothing = case_of(turning=None, noise=None, curve=None, breaks=None,
                      readings=readings_of(np.delete(t, [100, 101, 102])))  # fmt: skip
    assert answer("frame gaps", nothing).state == "fail"
    parts = replace(nothing.readings, chapter=np.repeat([0, 1], [100, 497]))
    assert answer("frame gaps", replace(nothing, readings=parts)).state == "pass"  # a seam
    alone = case_of(turning=None, noise=None, curve=None, breaks=None,
                    readings=readings_of(t[:1]))  # fmt: skip
    assert answer("frame gaps", alone).figure == "one frame"


@pytest.mark.parametrize("seam", [296, 306])
def test_gap_beside_a_seam_between_chapters_stays_open(seam: int) -> None:
    """Four frames between the two tell no phase, and nothing is bridged over a seam."""
    case = without([300, 301, 302])
    assert answer("frame gaps", case).state == "pass" and case.turning is not None
    at = float(case.turning.frame_s[np.searchsorted(case.turning.frame_s, seam / RATE)])
    assert case.breaks is not None
    (bridge,) = case.breaks.bridges
    for bridges in ((), (replace(bridge, turns=None, odds=None),)):  # none was tried, or in vain
        joined = replace(
            case, turning=replace(case.turning, seams_s=(at,)),
            breaks=replace(case.breaks, bridges=bridges),
        )  # fmt: skip
        told = answer("frame gaps", joined)
        assert told.state == "unchecked" and told.look and "seam" in told.note
    far = replace(joined, turning=replace(case.turning, seams_s=(at + 4.0,)))
    assert answer("frame gaps", far).state == "fail"


@pytest.mark.parametrize("late", [False, True])
def test_gap_between_an_end_and_too_few_sightings_stays_open(late: bool) -> None:
    def frames(first: int, last: int, keep: int = 0) -> list[int]:
        """Frames from an end of the 600, of which one in `keep` is left out."""
        chosen = [k for k in range(first, last) if not keep or k % keep]
        return [599 - k for k in chosen] if late else chosen

    gap, hidden = frames(28, 32), frames(0, 28, 4)
    told = answer("frame gaps", without(gap, hidden))
    assert told.state == "unchecked" and told.look and len(told.at_s) == 1
    assert "too seldom" in told.note
    assert answer("frame gaps", without(gap)).state == "pass"
    # who hides the mark for long gains nothing, nor by a long gap
    assert answer("frame gaps", without(frames(70, 74), frames(0, 70, 10))).state == "fail"
    assert answer("frame gaps", without(frames(28, 62), hidden)).state == "fail"


def test_mark_unseen_for_a_tenth_of_the_spin_fails() -> None:
    assert answer("mark seen", case_of(unseen_s=1.5)).state == "pass"
    told = answer("mark seen", case_of(unseen_s=2.5))
    assert (
        told.state == "fail"
        and told.figure == "2.5 s unseen of 20.0 s from the first sighting to the last sighting"
    )


def test_what_may_have_been_spun_before_the_first_sighting_is_unseen_too() -> None:
    told = answer("mark seen", case_of(unseen_s=1.0, hidden_s=0.5, before_s=3.0))
    assert told.state == "fail"
    whole = "20.0 s from the first sighting to the last sighting"
    assert told.figure == f"0.5 s unseen of {whole}, up to 3.0 s more before that"
    assert "before its mark was first seen" in told.note
    assert answer("mark seen", case_of(unseen_s=1.0, hidden_s=0.5, before_s=1.0)).state == "pass"


def test_what_is_unseen_under_the_hand_and_in_the_fall_is_told_and_does_not_fail() -> None:
    spin = turning(noisy(exponential(), 20.0, 1))
    angle, t = spin.angle_rad.copy(), spin.time_s
    angle[(t > 18.1) & (np.mod(t, 0.6) < 0.5)] = np.nan
    spin = replace(spin, angle_rad=angle, free=spin.free & (t > 1.5))
    _, noise = spin_curve(spin, 1.0)
    unseen = unseen_seconds(spin, noise, 0.5, 20.0)
    hidden = hidden_s(spin, noise, 20.0, breaks_s=())
    assert unseen == pytest.approx(2.3, abs=0.3) and hidden == 0.0
    told = answer("mark seen", case_of(spin, unseen_s=unseen, hidden_s=hidden, topple_s=20.0))
    assert told.state == "pass" and "of it under the hand or in the fall" in told.figure
    assert answer("mark seen", case_of(spin, unseen_s=unseen, topple_s=20.0)).state == "fail"
    assert hidden_s(spin, noise, None, breaks_s=()) > 1.0  # nothing fell over


def test_hidden_second_is_told_with_its_turns_and_odds() -> None:
    spin = turning(noisy(even(), 20.0, 3))
    angle = spin.angle_rad.copy()
    angle[300:330] = np.nan
    told = answer("mark seen", case_of(replace(spin, angle_rad=angle)))
    # 31 frame intervals at 199.5 rad/s
    assert "32.8 turns bridged in 1 of them, the count right by over a million to 1" in told.note


# --------------------------------------------------------------------------------- spin


def test_step_of_the_phase_fails_and_tells_the_missing_time() -> None:
    told = answer("phase continuity", kicked(-1.0 * 2.0, jump_rad=0.4))
    assert told.state == "fail" and told.look
    assert "at 15." in told.figure and "s missing" in told.figure
    assert told.at_s == pytest.approx((15.0,), abs=0.1)
    # the speed falls by 2 rad/s and the slope is -1 rad/s2
    assert float(told.figure.split(", ")[1].split(" ")[0]) == pytest.approx(2.0, abs=0.05)


@pytest.mark.parametrize("size", [0.05, -0.08])
def test_small_step_of_the_phase_passes(size) -> None:
    assert answer("phase continuity", kicked(0.0, jump_rad=size)).state == "pass"


def test_spin_too_short_for_a_step_leaves_continuity_open() -> None:
    told = answer("phase continuity", case_of(turning(noisy(even(), 0.6, 7))))
    assert told.state == "unchecked"


def test_stretch_that_cannot_be_bridged_leaves_continuity_open() -> None:
    spin = turning(noisy(exponential(200.0, 20.0), 30.0, 3, sigma=0.05), u_rad=0.05)
    angle = spin.angle_rad.copy()
    angle[300:600] = np.nan
    told = answer("phase continuity", case_of(replace(spin, angle_rad=angle)))
    assert told.state == "unchecked" and "without a sighting" in told.note


def test_push_fails_as_a_rise_with_its_time_and_size() -> None:
    case = kicked(6.0)
    told = answer("speed falls", case)
    assert told.state == "fail" and told.look
    size, share = told.figure.split(" ")[0], told.figure.split("(")[1].split(" ")[0]
    assert float(size) == pytest.approx(6.0 * 30 / np.pi, rel=0.01)
    assert float(share) == pytest.approx(100 * 6.0 / 185.0, abs=0.05)  # of the speed before
    assert told.at_s == pytest.approx((15.0,), abs=0.1)
    assert answer("phase continuity", case).state == "pass"
    assert answer("no sudden change", case).state == "pass"


def test_slow_push_fails_as_a_rise_of_the_curve() -> None:
    t = np.arange(900) / RATE
    speed = 200 - t + 8 / (1 + np.exp(-(t - 15) / 1.5))
    angle = np.cumsum(speed) / RATE
    told = answer(
        "speed falls", case_of(turning(angle + np.random.default_rng(1).normal(0, SIGMA, 900)))
    )
    assert told.state == "fail"


def test_where_nothing_rises_the_usual_limit_is_told_not_the_loosest() -> None:
    case = case_of()
    assert case.curve is not None
    u = case.curve.u_speed_rad_s.copy()
    u[-1] = 0.05 * case.curve.speed_rad_s[-1]  # one row that nearly allows everything
    told = answer("speed falls", replace(case, curve=replace(case.curve, u_speed_rad_s=u)))
    usual = 0.002 * float(np.median(case.curve.speed_rad_s)) * 30 / np.pi
    head, allowed = told.figure.split("; usually ")
    assert told.state == "pass" and head == "no row is faster than one before it"
    assert float(allowed.split(" ")[0]) == pytest.approx(usual, rel=0.05)


def test_sudden_loss_fails_and_a_jerk_while_falling_over_does_not() -> None:
    case = kicked(-3.0)
    told = answer("no sudden change", case)
    assert told.state == "fail" and told.figure.startswith("-28.6")
    assert answer("speed falls", case).state == "pass"
    late = answer("no sudden change", replace(case, topple_s=17.0))
    assert late.state == "pass" and "1 jerks" in late.note


def test_direction_that_is_not_known_leaves_rise_and_loss_together() -> None:
    case = replace(kicked(6.0), sense_known=False)
    assert answer("speed falls", case).state == "unchecked"
    assert answer("no sudden change", case).state == "fail"


def test_unresolved_order_does_not_hide_a_push() -> None:
    told = answer("speed falls", replace(kicked(6.0), resolved=False))
    assert told.state == "fail" and "under the likeliest order" in told.figure


def test_speed_that_falls_is_not_asked_of_a_short_spin() -> None:
    told = answer("speed falls", case_of(turning(noisy(even(), 2.0, 9))))
    assert told.state == "unchecked" and told.note == "too few rows"


@pytest.mark.parametrize("doubt", ["", "faint", "part"])
def test_what_may_be_no_mark_on_its_ring_accuses_nobody(doubt: str) -> None:
    """A true jump fails; by a faint mark, or one that hardly moves in the picture, none does."""
    at = np.arange(600) / RATE
    # 30 turns a second at 30 frames: the mark moves through a tenth of its ring in all
    slow = 2 * np.pi * (30.0 * at - 0.1 * (at / 20.0) ** 2)
    angle = slow if doubt == "part" else noisy(exponential(), 20.0, 1)
    angle = angle + np.random.default_rng(2).normal(0, 0.01, 600)
    angle = np.where(at > 10.0, angle + 0.6, angle)
    spin = turning(angle)
    if doubt == "faint":
        spin = replace(spin, quality=np.full(600, 0.4))
    case = case_of(spin)
    checks = {c.name: c for c in check_all(case)}
    told = checks["phase continuity"]
    assert told.state == ("unchecked" if doubt else "fail") and told.look
    assert bool(case.mark_in_doubt) is bool(doubt)
    assert (case.mark_in_doubt or "does not belong to one spin") in told.note
    # nor does it clear anybody
    assert (checks["repeated stretch"].state == "unchecked") is bool(doubt)


def test_a_mark_seen_at_three_places_all_around_tells_its_ring() -> None:
    """A third of a turn a frame, and hardly another speed."""
    at = np.arange(600) / RATE
    angle = 2 * np.pi * (10.0 * at - 0.02 * (at / 20.0) ** 2)
    assert not case_of(turning(angle + np.random.default_rng(2).normal(0, 0.01, 600))).mark_in_doubt


@pytest.mark.parametrize("gap_s", [0.5, 3.0])
def test_a_long_gap_is_one_whatever_the_mark(gap_s: float) -> None:
    angle = noisy(exponential(), 20.0, 1)
    angle[300:] += 0.6
    spin = replace(turning(angle), quality=np.full(600, 0.4))
    case = case_of(spin)
    late = np.where(case.readings.time_s >= 10.0, gap_s, 0.0)
    time_s = case.readings.time_s + late
    spin = replace(spin, time_s=time_s, frame_s=time_s)
    case = replace(case, readings=replace(case.readings, time_s=time_s), turning=spin)
    told = {c.name: c for c in check_all(case)}["frame gaps"]
    assert told.state == ("unchecked" if gap_s < 1.0 else "fail"), told


def test_pictures_held_beside_the_spin_are_listed_and_fail_nothing() -> None:
    """Before the release a held picture may hide when that was."""
    same = np.full(600, 0.4)
    same[[30, 31, 32, 33, 34, 35]], same[80:82], same[300:310], same[550:600] = 1.0, 1.0, 1.0, 1.0
    readings = readings_of(np.arange(600) / RATE, glances=glances_of(600, same=same))
    case = case_of(readings=readings)
    assert case.turning is not None
    none = answer("held pictures", case)  # in the spin it is the mark that tells
    assert none.state == "pass" and not none.look
    free = np.arange(600) >= 100
    started = replace(case, turning=replace(case.turning, free=free))
    told = answer("held pictures", started)
    assert (told.state, told.look) == ("pass", True)
    assert told.figure == "0 frames; beside the spin 6 frames (0.20 s) from 1.00 s"
    assert told.at_s == (1.0,)
    both = answer("held pictures", replace(started, held=(Held(300, 309),)))
    assert both.state == "fail" and both.figure.endswith(
        "beside the spin 6 frames (0.20 s) from 1.00 s"
    )
    same[29] = 0.9  # hardly anything moved before it, as where nothing happens
    assert not answer("held pictures", started).look


def test_held_pictures_fail_from_three_in_a_row() -> None:
    assert answer("held pictures", case_of()).state == "pass"
    two = answer("held pictures", case_of(held=(Held(100, 101), Held(200, 200))))
    assert two.state == "pass" and two.figure == "3 doubled frames"
    told = answer("held pictures", case_of(held=(Held(100, 129),)))
    assert told.state == "fail" and told.figure == "30 frames (1.00 s) from 3.33 s"


def test_repeated_stretch_names_copy_and_original_and_explains_the_rise() -> None:
    case = replace(kicked(6.0), replay=Replay(460, 120, 0.8, 11.0))
    told = answer("repeated stretch", case)
    assert told.state == "fail"
    assert told.at_s == pytest.approx((460 / RATE, 340 / RATE))
    assert answer("speed falls", case).state == "pass"


# ------------------------------------------------------------------------------ picture


def test_hand_without_a_reaction_is_listed_and_passes() -> None:
    case = case_of(all_visits=(Visit(4.0, 6.0, 1.8, 0.1),))
    told = answer("hands", case)
    assert told.state == "pass" and told.look
    assert "4.00 to 6.00 s, 1.8 radii of the mark's circle away, no reaction" in told.note
    assert told.at_s == (5.0,)


def test_hand_with_a_reaction_fails_and_a_far_one_does_not() -> None:
    near = replace(kicked(-3.0), all_visits=(Visit(14.0, 15.2, 1.2, 0.1),))
    told = answer("hands", near)
    assert told.state == "fail" and "THE SPIN REACTS" in told.note
    far = replace(near, all_visits=(Visit(14.0, 15.2, 4.0, 0.1),))
    assert answer("hands", far).state == "pass"


def test_fifth_hand_is_judged_as_the_first_is_and_listed() -> None:
    far = tuple(Visit(at, at + 0.5, 6.0, 0.01) for at in (2.0, 4.0, 6.0, 8.0))
    near = Visit(14.0, 15.2, 1.2, 0.1)
    told = answer("hands", replace(kicked(-3.0), all_visits=(*far, near)))
    assert told.state == "fail" and "THE SPIN REACTS" in told.note
    assert told.note.endswith("; 1 more")


def test_hand_that_let_go_is_no_visit() -> None:
    told = answer("hands", case_of(all_visits=(Visit(-0.5, 0.4, 1.0, 0.1),)))
    assert told.state == "pass" and told.figure == "0 visits"
    assert told.note.endswith("; the hand that started it was there until 0.40 s")
    assert "may be there for longer" in answer("hands", case_of()).note


def with_glances(**changed: np.ndarray) -> Case:
    t = np.arange(600) / RATE
    return case_of(readings=readings_of(t, glances=glances_of(600, **changed)))


def spike(value: float, usual: float, rows: slice) -> np.ndarray:
    out = np.full(600, usual)
    out[rows] = value
    return out


def test_jump_of_the_scene_asks_a_person_to_look() -> None:
    told = answer("scene jumps", with_glances(jump=spike(9.0, 0.3, slice(300, 301))))
    assert told.state == "pass" and told.look and told.at_s == pytest.approx((10.0,))
    hand = with_glances(
        jump=spike(9.0, 0.3, slice(300, 301)), near=spike(2.0, np.inf, slice(295, 310))
    )
    assert not answer("scene jumps", hand).look


def test_knocked_camera_soft_picture_and_stepping_light_are_noted() -> None:
    knocked = answer("camera steady", with_glances(shift_x=spike(9.0, 0.0, slice(300, 600))))
    assert knocked.state == "pass" and knocked.look
    soft = answer("focus", with_glances(sharp=spike(3.0, 7.0, slice(300, 360))))
    assert soft.state == "pass" and soft.look and "soft for" in soft.note
    stepped = answer("light", with_glances(light=spike(1.3, 1.0, slice(300, 600))))
    assert stepped.state == "pass" and "steps 1 times" in stepped.note and not stepped.look


def test_camera_that_rolls_is_named_in_degrees() -> None:
    t = np.arange(600) / RATE
    angle = np.radians(3.0) * np.clip(t - 10.0, 0, 1)
    plain = case_of()
    assert plain.turning is not None and plain.noise is not None
    told = roll_of(angle, np.full(600, 1e-4), Ellipse(0.0, 0.0, 50.0, 50.0, 0.0))
    spin = replace(plain.turning, roll=told)
    curve, noise = spin_curve(spin, 1.0)
    check = answer("camera steady", replace(plain, turning=spin, noise=noise, curve=curve))
    assert check.state == "pass" and check.look and len(check.at_s) == 1
    assert "turns by 1.50 deg in half a second at most, 3.00 deg in all" in check.figure
    assert "the camera turned, which moves speeds by up to" in check.note
    assert not answer("camera steady", plain).look
    nothing = roll_of(0 * t, np.full(600, 1e-4), Ellipse(0.0, 0.0, 50.0, 50.0, 0.0))
    still = answer("camera steady", replace(plain, turning=replace(spin, roll=nothing)))
    assert not still.look and "turns by 0.00 deg" in still.figure


def test_darkness_over_a_tenth_of_the_spin_fails() -> None:
    flags = np.zeros(600, np.int64)
    flags[100:200] = int(SightingFlag.DARK)
    t = np.arange(600) / RATE
    assert answer("light", case_of(readings=readings_of(t, flags=flags))).state == "fail"


@pytest.mark.parametrize(("off", "state"), [(0.001, "pass"), (-0.02, "fail"), (0.02, "fail")])
def test_lamp_that_keeps_other_time_fails(off, state) -> None:
    lamp = Lamp(50.0, 100 / (1 + off), off, 0.0045, 0.05)
    told = answer("re-timing", case_of(lamp=lamp))
    assert told.state == state
    assert ("consistent with" in told.note) == (state == "pass")


@pytest.mark.parametrize(
    ("seen_hz", "mains", "capture"),
    [(102.5, 50.0, "240"), (97.4, 50.0, ""), (95.1, 50.0, "120"), (115.0, 60.0, "120")],
)
def test_lamp_of_slow_motion_played_slowly_names_its_capture_rate(seen_hz, mains, capture) -> None:
    """100 Hz stands at 12.5 Hz in eightfold slow motion, and 102.5 Hz does at 30 frames/s."""
    off = 2 * mains / seen_hz - 1
    told = answer("re-timing", case_of(lamp=Lamp(mains, seen_hz, off, 0.0045, 0.05)))
    assert told.state == "fail"
    assert (f"state --captured-at {capture}" in told.note) == bool(capture)
    assert ("slow motion" in told.note) == bool(capture)


@pytest.mark.parametrize(
    ("pattern", "lamp_hz", "state"),
    [
        (Pattern(2, 0.6), None, "fail"),
        (Pattern(3, 0.2), None, "unchecked"),  # an encoder's frames of three kinds did that
        (Pattern(3, 0.6), 100.0, "unchecked"),  # 10 turns of the lamp in three frames
        (Pattern(3, 0.6), 120.0, "unchecked"),  # twelve
        (Pattern(5, 0.6), 100.0, "fail"),  # 16.7 turns: the lamp has no part in it
        (Pattern(5, 0.1, skipped=1), 120.0, "fail"),
    ],
)
def test_a_pattern_that_a_lamp_or_encoder_may_make_is_no_failure(pattern, lamp_hz, state) -> None:
    lamp = None if lamp_hz is None else Lamp(lamp_hz / 2, lamp_hz, 0.0, 0.0045, 0.05)
    told = answer("re-timing", case_of(lamp=lamp, pattern=pattern))
    assert told.state == state and told.look
    assert ("under such a lamp or encoder" in told.note) == (state == "unchecked")


@pytest.mark.parametrize("pattern", [Pattern(5, 0.1), Pattern(3, 0.6)])
def test_a_lamp_that_keeps_other_time_fails_beside_a_pattern_that_is_excused(pattern) -> None:
    lamp = Lamp(50.0, 96.0 if pattern.frames == 5 else 90.0, 0.04, 0.0046, 0.05)
    told = answer("re-timing", case_of(lamp=lamp, pattern=pattern))
    assert told.state == "fail"


# -------------------------------------------------------------------------------- curve


def test_step_of_a_face_that_falls_over_is_told_and_is_no_cut() -> None:
    case = kicked(-2.0, jump_rad=0.6)
    assert answer("phase continuity", case).state == "fail"
    assert answer("phase continuity", replace(case, topple_s=18.0)).state == "fail"
    told = answer("phase continuity", replace(case, topple_s=16.5))
    assert told.state == "pass" and "1 steps while the top falls over" in told.note
    # a topple that is not known well may have been as early
    told = answer("phase continuity", replace(case, topple_s=18.0, falls_s=16.5))
    assert told.state == "pass" and "1 steps while the top falls over" in told.note


def test_rows_across_a_break_are_unknown_and_the_rest_stay() -> None:
    case = kicked(-2.0, jump_rad=0.6)
    curve = case.curve
    assert curve is not None and case.breaks is not None
    at = np.array([step.time_s for step in case.breaks.found])
    assert len(at) and np.abs(at - 15.0).max() < 0.1
    gone = np.isnan(curve.speed_rad_s)
    apart = np.abs(curve.time_s[:, None] - at).min(axis=1)
    assert gone[apart < 0.4].all() and not gone[apart > 1.0].any() and gone.sum() <= 3
    assert (curve.window_s[~gone] / 2 < apart[~gone]).all()  # no fit reaches over the break


# ------------------------------------------------------------------------- other spins


def track(first: int, last: int, rate: float, drift: float) -> Track:
    """A track of frames whose apparent rate changes evenly, in cycles a slot."""
    at = np.linspace(first, last, 9) / RATE
    phase = np.full(900, np.nan)
    return Track(first, last, at, rate + drift * np.arange(9), np.ones(9), phase, phase)


def meeting(other: Track, visits: tuple[Visit, ...] = (), *, toppled: bool = False):
    seen = SimpleNamespace(track=track(400, 800, 0.2, -0.002), others=(other,))
    t = np.arange(900) / RATE
    found = broken_off(seen, (400, 800), t, visits, toppled=toppled)
    return tuple(one.time_s for one in found)


def test_spin_that_meets_another_one_at_once_is_broken_off() -> None:
    assert meeting(track(50, 396, 0.4, -0.002)) == pytest.approx((398 / RATE,))
    assert meeting(track(802, 890, -0.1, -0.002)) == pytest.approx((801 / RATE,))


def test_earlier_attempts_hands_and_rolling_tops_are_no_breaks() -> None:
    assert meeting(track(50, 350, 0.4, -0.002)) == ()  # 1.7 s for a new start
    assert meeting(track(370, 396, 0.4, -0.002)) == ()  # shorter than a spin
    assert meeting(track(50, 396, 0.1, 0.02)) == ()  # driven up
    assert meeting(track(50, 396, 0.4, -0.002), (Visit(10.0, 13.2, 1.0, 0.1),)) == ()
    assert meeting(track(802, 890, -0.1, -0.02), toppled=True) == ()  # rolls on its rim


def test_topple_after_which_the_spin_slows_as_before_is_none() -> None:
    assert meeting(track(802, 890, -0.1, -0.0006), toppled=True) == pytest.approx((801 / RATE,))


def test_top_that_comes_to_rest_after_its_topple_is_no_other_spin() -> None:
    still = track(802, 890, 0.02, -0.0025)  # ends at nothing, and falls no faster than before
    assert meeting(still, toppled=True) == ()
    assert meeting(still) == pytest.approx((801 / RATE,))  # nothing fell over


def test_tracks_that_share_a_window_meet_in_its_middle() -> None:
    assert meeting(track(780, 890, -0.1, -0.0006)) == pytest.approx((790 / RATE,))
    assert meeting(track(700, 890, -0.1, -0.0006)) == ()  # both at a time: no other spin


@pytest.mark.parametrize("step", [0.08, -0.08])
def test_size_of_the_step_leaves_out_the_windows_that_straddle_it(step) -> None:
    at_s = 800 / RATE
    windows = at_s + 0.6 * np.arange(-12, 13)
    rate = 0.2 - 0.004 * (windows - at_s) + np.where(windows > at_s, step, 0.0)
    rate[11:14] = 0.33  # half of one spin and half of the other
    tracks = []
    for first, last, rows in ((400, 800, slice(0, 13)), (801, 890, slice(12, 25))):
        phase = np.full(900, np.nan)
        one = Track(first, last, windows[rows], rate[rows], np.ones(13), phase, phase)
        tracks.append(one)
    seen = SimpleNamespace(track=tracks[0], others=(tracks[1],))
    (found,) = broken_off(seen, (400, 800), np.arange(900) / RATE, (), toppled=False)
    assert found.cycles_per_slot == pytest.approx(step, abs=1e-4)


@pytest.mark.parametrize("sense", [1, -1, 0])
def test_spin_that_goes_over_into_a_faster_one_is_a_rise_where_the_sense_is_known(sense) -> None:
    case = case_of(broken_off=(Meeting(13.3, 0.1),), sense=sense)
    told = answer("speed falls", case)
    assert told.state == ("fail" if sense == 1 else "pass")
    if sense == 1:  # 0.1 turns in a frame interval
        assert told.figure.startswith("+180.0 rev/min, or that and whole alias steps, at 13.30 s")


# ---------------------------------------------------------------------- other paces


def changed_pace(until: int = 300, **changed: object) -> Case:
    """A spin whose frames come a quarter later each up to a frame."""
    spin = turning(noisy(exponential(), 20.0, 1))
    steps = np.where(np.arange(len(spin.time_s)) < until, 1.25, 1.0) / RATE
    return case_of(spin, readings=readings_of(np.cumsum(steps)), **changed)


def test_spin_that_is_lost_at_a_change_of_pace_is_no_cut_and_no_push() -> None:
    change = 300 * 1.25 / RATE
    case = changed_pace(broken_off=(Meeting(change + 0.5, 0.1),), sense=1)
    for name in ("phase continuity", "speed falls"):
        told = answer(name, case)
        assert (told.state, told.look) == ("unchecked", True)
        assert told.figure == f"the spin does not go on at {change + 0.5:.2f} s"
        assert "change their pace" in told.note


def test_spin_that_is_broken_off_away_from_a_change_of_pace_fails_as_ever() -> None:
    change = 300 * 1.25 / RATE
    case = changed_pace(broken_off=(Meeting(change, 0.1), Meeting(change + 5.0, 0.1)), sense=1)
    for name in ("phase continuity", "speed falls"):
        told = answer(name, case)
        assert told.state == "fail" and told.at_s == (change + 5.0,)


def test_what_is_unseen_at_another_pace_is_open_and_elsewhere_not() -> None:
    spin = turning(noisy(exponential(), 20.0, 1))
    for first, last, state in ((60, 180, "unchecked"), (420, 540, "fail")):
        angle = spin.angle_rad.copy()
        angle[first:last] = np.nan
        steps = np.where(np.arange(len(angle)) < 300, 1.25, 1.0) / RATE
        dark = replace(spin, angle_rad=angle)
        told = answer("mark seen", case_of(dark, readings=readings_of(np.cumsum(steps))))
        assert (told.state, told.look) == (state, True)
        assert ("at another pace" in told.note) == (state == "unchecked")


# ------------------------------------------------------------------------ open orders


def test_open_order_takes_the_one_under_which_uneven_times_make_least_noise() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(600) / RATE + rng.normal(0, 1e-3, 600)
    spin = turning(60 * t - 0.1 * t**2 + rng.normal(0, SIGMA, 600))
    spin = replace(spin, time_s=t, frame_s=t)
    true = 60 - 0.2 * t
    step = 2 * np.pi * RATE
    for used in (-2, -1, 0, 1, 2):
        found = steadiest(spin, true + used * step, [-2 - used, -1 - used, 0, -used, 1 - used],
                          marks=1, frame_s=1 / RATE)  # fmt: skip
        assert found == pytest.approx(true)


def test_even_times_leave_the_order_that_is_in_use() -> None:
    spin = turning(noisy(even(), 20.0, 1))
    speed = np.full(600, 200.0) - 0.05 * spin.time_s
    kept = steadiest(spin, speed, [0, -1, 1, 2], marks=1, frame_s=1 / RATE)
    assert kept == pytest.approx(speed)


def test_seams_lie_between_the_frames_of_two_chapters() -> None:
    t = np.arange(90) / RATE
    assert seams_of(t, np.zeros(90, np.int64)) == []
    two = seams_of(t, np.repeat([0, 1, 2], 30))
    assert two == pytest.approx([29.5 / RATE, 59.5 / RATE])


def losing(lost: int, seed: int, *, seconds: int = 15, rpm: float = 800.0) -> Case:
    """A spin of which frames are lost again and again, while their times are written evenly."""
    rng = np.random.default_rng(seed)
    angle, _ = exponential(rpm * np.pi / 30, 25.0)
    count = round(seconds * RATE)
    gone = rng.choice(np.arange(20, count - 20), lost, replace=False)
    t = np.delete(np.arange(count) / RATE, gone)
    seen = np.mod(angle(t) + rng.normal(0, 0.003, len(t)), 2 * np.pi)
    step = np.mod(np.diff(seen) - rpm / 1800 * 2 * np.pi + np.pi, 2 * np.pi) - np.pi
    drawn = np.cumsum(np.concatenate([seen[:1], step + rpm / 1800 * 2 * np.pi]))
    return case_of(turning(drawn, u_rad=0.003))


@pytest.mark.parametrize("lost", [3, 6, 10])
def test_frames_lost_again_and_again_never_pass_for_one_spin(lost: int) -> None:
    for seed in range(12):
        case = losing(lost, seed)
        assert answer("phase continuity", case).state != "pass"
        assert not case.whole  # no turns are counted


def test_steps_that_hide_among_others_leave_the_continuity_open() -> None:
    case = case_of()
    assert case.breaks is not None and case.blurred_s is None and case.whole
    scan = case.breaks.scan
    many = len(scan.time_s)
    turns = np.where(np.arange(many) == many // 2, 0.3, 0.01)
    rough = replace(scan, turns=turns, u_turns=np.full(many, 0.068))
    hidden = replace(case, breaks=replace(case.breaks, scan=rough))
    told = answer("phase continuity", hidden)
    assert told.state == "unchecked" and told.look and "0.3000" in told.figure
    assert told.at_s == (pytest.approx(float(scan.time_s[many // 2])),) and not hidden.whole
    small = replace(scan, turns=turns / 4, u_turns=np.full(many, 0.02))
    assert replace(case, breaks=replace(case.breaks, scan=small)).whole
