"""Every cue of the alias order: what it favours, when it abstains, how the verdict weighs it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from vidspin.aliasing import orders_within
from vidspin.order import alias
from vidspin.order.alias import Evidence, candidate_orders, decide, held_against
from vidspin.reckoning import direction_of
from vidspin.records import AliasVerdict, ShutterFit, Vote
from vidspin.wording import told_unseen

RPM = math.pi / 30
RATE = 30.0
STEP_RPM = 1800.0  # one mark at 30 frames a second
LOG_1000 = math.log(1000.0)


def evidence(
    first_rpm: float = 600.0,
    last_rpm: float = 500.0,
    *,
    u_slope_rpm_s: float = 0.5,
    seconds: float = 40.0,
    fits: Mapping[int, float] | None = None,
    smear: Mapping[int, tuple[float, float]] | None = None,
    topple_seen: bool = False,
    late_s: float = 0.0,
    stray_share: float = 0.0,
    power: float = 0.0,
) -> Evidence:
    """A top that falls from one speed to another, losing a constant plus b w**power."""
    t = np.linspace(0.0, seconds, max(5, int(seconds / 2) + 3))
    part = t / seconds
    speed = first_rpm + (last_rpm - first_rpm) * part
    if power:  # w' = -k w**power, by its own solution for any power but 1
        exponent = 1.0 - power
        ends = first_rpm**exponent, last_rpm**exponent
        speed = (ends[0] + (ends[1] - ends[0]) * part) ** (1.0 / exponent)
    slope = np.gradient(speed, t)
    slope[[0, -1]] = np.nan
    return Evidence(
        time_s=t,
        apparent_rad_s=speed * RPM,
        slope_rad_s2=slope * RPM,
        u_slope_rad_s2=np.where(np.isnan(slope), np.nan, u_slope_rpm_s * RPM),
        frame_rate=RATE,
        marks=1,
        topple_seen=topple_seen,
        fits={n: fit(log) for n, log in (fits or {}).items()},
        smear=smear or {},
        stray_share=stray_share,
        late_s=late_s,
    )


def fit(log_evidence: float) -> ShutterFit:
    zero = np.zeros((2, 2))
    return ShutterFit(0.010, 0.001, zero, zero, np.eye(5), 0.01, log_evidence, 100)


def vote(verdict: AliasVerdict, cue: str) -> Vote:
    return next(v for v in verdict.votes if v.cue == cue)


def log_odds(verdict: AliasVerdict, cue: str) -> dict[int, float]:
    orders = [c.order for c in verdict.candidates]
    return dict(zip(orders, vote(verdict, cue).log_odds, strict=True))


# ------------------------------------------------------------------------- candidates


@pytest.mark.parametrize("marks", [1, 2, 3])
@pytest.mark.parametrize("apparent_rpm", [0.0, 250.0, -899.0, 3000.0])
@pytest.mark.parametrize("bounds", [(0.0, 6000.0), (500.0, 900.0), (1700.0, 1700.0)])
def test_candidates_are_the_orders_of_exact_arithmetic(marks, apparent_rpm, bounds) -> None:
    exact = orders_within(
        Fraction(apparent_rpm) / 60, Fraction(30), marks,
        Fraction(bounds[0]) / 60, Fraction(bounds[1]) / 60,
    )  # fmt: skip
    assert tuple(candidate_orders(apparent_rpm * RPM, RATE, marks, bounds)) == exact


def test_candidates_turn_both_ways() -> None:
    verdict = decide(evidence(), None)
    assert {c.rpm > 0 for c in verdict.candidates} == {True, False}
    assert [c.rpm for c in verdict.candidates] == pytest.approx(
        [600.0 + STEP_RPM * c.order for c in verdict.candidates]
    )


# ------------------------------------------------------------------------------ drift


def test_drift_favours_the_sense_in_which_the_top_slows() -> None:
    odds = log_odds(decide(evidence(600, 500), None), "drift")
    assert all(odds[n] == pytest.approx(0.0, abs=1e-3) for n in odds if 600 + 1800 * n > 0)
    assert all(odds[n] < -LOG_1000 for n in odds if 600 + 1800 * n < 0)
    backwards = log_odds(decide(evidence(500, 600), None), "drift")
    assert all(backwards[n] < -LOG_1000 for n in backwards if 500 + 1800 * n > 0)


def test_drift_never_argues_harder_than_a_push_is_rare() -> None:
    odds = log_odds(decide(evidence(900, 100, u_slope_rpm_s=0.01), None), "drift")
    falling_the_wrong_way = min(v for n, v in odds.items() if 100 + 1800 * n < 0)
    assert falling_the_wrong_way == pytest.approx(math.log(alias.PUSH_PROBABILITY), rel=1e-3)


def test_drift_of_one_stretch_does_not_decide() -> None:
    short = evidence(600, 590, seconds=4.0)
    assert np.isfinite(short.slope_rad_s2).sum() <= 3
    odds = log_odds(decide(short, (500, 1300)), "drift")
    assert -LOG_1000 < odds[-1] < -5.0
    assert not decide(short, (500, 1300)).resolved


def test_drift_abstains_when_the_speed_hardly_changes() -> None:
    verdict = decide(evidence(600, 599, u_slope_rpm_s=1.0), None)
    assert vote(verdict, "drift").says == "abstains"
    assert set(log_odds(verdict, "drift").values()) == {0.0}


def test_a_loss_that_no_window_shows_is_told_by_the_whole_of_a_long_recording() -> None:
    slow = evidence(1560, 1380, seconds=720.0, u_slope_rpm_s=8.0)
    rng = np.random.default_rng(2)
    count = len(slow.time_s)
    rough = replace(
        slow,
        slope_rad_s2=slow.slope_rad_s2 + rng.normal(0, 8 * RPM, count),
        apparent_rad_s=slow.apparent_rad_s + rng.normal(0, 0.5 * RPM, count),
    )
    odds = log_odds(decide(rough, None), "drift")
    assert odds[0] - odds[-2] > 9
    # the same loss after a push in between, and a speed that only wanders, tell nothing
    pushed = rough.apparent_rad_s + 120 * RPM * (rough.time_s > 360.0) * (rough.time_s - 360) / 360
    assert vote(decide(replace(rough, apparent_rad_s=pushed), None), "drift").says == "abstains"
    wandering = evidence(1500, 1500, seconds=720.0, u_slope_rpm_s=8.0)
    wander = wandering.apparent_rad_s + 20 * RPM * np.sin(wandering.time_s / 200.0)
    verdict = decide(replace(wandering, apparent_rad_s=wander), None)
    assert vote(verdict, "drift").says == "abstains"


def test_drift_abstains_without_slopes() -> None:
    e = evidence()
    verdict = decide(replace(e, slope_rad_s2=np.full_like(e.slope_rad_s2, np.nan)), None)
    assert vote(verdict, "drift").says == "abstains"


def test_a_push_in_the_middle_does_not_turn_the_drift() -> None:
    e = evidence(600, 500)
    slope = e.slope_rad_s2.copy()
    slope[8:12] = 300.0 * RPM
    odds = log_odds(decide(replace(e, slope_rad_s2=slope), None), "drift")
    assert odds[0] == pytest.approx(0.0, abs=1e-3)
    assert odds[-1] < -LOG_1000


def test_no_top_turns_round_in_flight() -> None:
    odds = log_odds(decide(evidence(100, -100), None), "drift")
    assert odds[0] == pytest.approx(alias.REVERSAL_LOG, abs=1e-3)


# --------------------------------------------------------------------------- run-down


def test_topple_excludes_orders_that_end_too_fast() -> None:
    odds = log_odds(decide(evidence(700, 300, topple_seen=True), None), "run-down")
    assert odds[0] == 0.0
    # 2100 rev/min are 1300 above what tops topple at
    assert odds[1] == pytest.approx(-LOG_1000 * 1300 / 700, rel=1e-6)


def test_run_down_abstains_without_topple_and_with_little_change() -> None:
    verdict = decide(evidence(600, 590), None)
    assert vote(verdict, "run-down").says == "abstains"


def test_drag_that_vanishes_above_zero_speed_is_no_drag() -> None:
    # loss goes with w**2 of the true speed; from 1800 rev/min more it would end above zero
    verdict = decide(evidence(2400, 300, seconds=80, u_slope_rpm_s=0.05, power=2.0), (0, 4500))
    odds = log_odds(verdict, "run-down")
    assert odds[0] == 0.0
    assert odds[1] < -2.0


def test_a_law_that_holds_for_no_order_says_nothing() -> None:
    e = evidence(900, 300, seconds=80, u_slope_rpm_s=0.05)
    slope = e.slope_rad_s2.copy()
    slope[len(slope) // 2 :] *= 6.0  # a top that leans over loses ever more
    slope[len(slope) // 2 : len(slope) // 2 + 6] *= 0.1
    verdict = decide(replace(e, slope_rad_s2=slope), None)
    assert vote(verdict, "run-down").says == "abstains"


# -------------------------------------------------------------------- rolling shutter


def fits_of(**logs: float) -> dict[int, float]:
    orders = candidate_orders(600 * RPM, RATE, 1, alias.DEFAULT_BOUNDS_RPM)
    return {n: logs.get(f"n{n}".replace("-", "m"), -50.0) for n in orders}


def test_shutter_votes_as_the_fits_say() -> None:
    odds = log_odds(decide(evidence(fits=fits_of(n0=-1.0, n1=-4.0)), None), "rolling shutter")
    assert odds[0] == 0.0
    assert odds[1] == pytest.approx(-3.0)
    assert odds[2] == pytest.approx(-49.0)


def test_shutter_abstains_when_every_order_has_a_possible_readout() -> None:
    verdict = decide(evidence(fits={n: -1.0 - 0.1 * n for n in range(-3, 4)}), None)
    assert vote(verdict, "rolling shutter").says == "abstains"


def test_a_profile_that_was_given_and_set_aside_is_not_denied() -> None:
    told = replace(evidence(), camera="set aside: for a reason")
    assert vote(decide(told, None), "camera profile").note == "set aside: for a reason"
    assert vote(decide(evidence(), None), "camera profile").note == alias.NO_PROFILE


def test_shutter_abstains_where_an_order_was_not_fitted() -> None:
    verdict = decide(evidence(fits={0: 0.0}), None)
    assert vote(verdict, "rolling shutter").says == "abstains"
    assert "could not be fitted" in vote(verdict, "rolling shutter").note


def test_candidates_name_the_readout_that_they_need() -> None:
    verdict = decide(evidence(fits=fits_of(n0=0.0)), None)
    assert {c.readout_s for c in verdict.candidates} == {0.010}
    assert {c.readout_s for c in decide(evidence(), None).candidates} == {None}


# -------------------------------------------------------------------------- exposure


def test_smear_votes_but_no_harder_than_its_cap() -> None:
    smear = {n: (0.002, -1000.0 * abs(n)) for n in range(-4, 5)}
    odds = log_odds(decide(evidence(smear=smear), None), "exposure smear")
    assert odds[0] == 0.0
    assert odds[1] == pytest.approx(-math.log(30.0))


def test_smear_abstains_without_a_range_of_speeds_and_without_smear() -> None:
    assert vote(decide(evidence(), None), "exposure smear").says == "abstains"
    none = {n: (0.0, -abs(n)) for n in range(-4, 5)}
    assert vote(decide(evidence(smear=none), None), "exposure smear").says == "abstains"


# ----------------------------------------------------------------------------- bounds


def test_bounds_that_hold_one_speed_resolve() -> None:
    verdict = decide(evidence(600, 590), (550, 650))
    assert verdict.resolved
    assert [round(c.rpm) for c in verdict.candidates] == [600]
    assert verdict.bounds_from == "user"
    assert verdict.reason == "only one speed lies within the bounds"


def test_bounds_that_hold_no_speed_leave_no_candidate() -> None:
    verdict = decide(evidence(), (1000, 1100))
    assert not verdict.resolved
    assert verdict.candidates == ()
    assert "within the bounds" in verdict.reason


def test_bounds_against_the_drift_do_not_resolve() -> None:
    # the only speed between 1150 and 1250 turns against the sense in which the top slows
    verdict = decide(evidence(600, 500), (1150, 1250))
    assert [round(c.rpm) for c in verdict.candidates] == [-1200]
    assert not verdict.resolved
    assert "contradicts the bounds" in verdict.reason
    assert direction_of(verdict) is None  # only the bounds left it


def test_direction_is_told_where_all_that_is_left_turns_one_way() -> None:
    assert direction_of(decide(evidence(600, 500), (500, 700))) == "clockwise"
    assert direction_of(decide(evidence(600, 500), None)) == "clockwise"
    assert direction_of(decide(evidence(600, 600), (500, 1300))) is None


def test_default_bounds_are_named() -> None:
    verdict = decide(evidence(), None)
    assert verdict.bounds_from == "default"
    assert verdict.bounds_rpm == alias.DEFAULT_BOUNDS_RPM
    assert "0 to 6000 rev/min" in vote(verdict, alias.BOUNDS_CUE).note
    assert vote(verdict, alias.BOUNDS_CUE).says == f"{len(verdict.candidates)} candidates"


def test_what_was_lost_before_the_first_window_lowers_the_lower_bound() -> None:
    # 2.5 rev/min a second: 600 now was 605 to 608 a second ago
    assert not decide(evidence(600, 500), (603, 700)).candidates
    late = decide(evidence(600, 500, late_s=1.0), (603, 700))
    assert [round(c.rpm) for c in late.candidates] == [600]
    assert not decide(evidence(600, 500, late_s=1.0), (640, 700)).candidates


def test_the_lower_bound_does_not_hold_long_after_the_start() -> None:
    verdict = decide(evidence(600, 500, late_s=5.0), (640, 700))
    assert 600 in [round(c.rpm) for c in verdict.candidates]
    assert all(abs(c.rpm) <= 700 for c in verdict.candidates)
    note = vote(verdict, alias.BOUNDS_CUE).note
    assert note == (
        "640 to 700 rev/min at the first free sighting (user); up to 5.0 s of free spin before it "
        "may be unseen, so the lower bound need not hold"
    )
    assert told_unseen([note]) == note.partition("; ")[2]
    assert told_unseen([vote(decide(evidence(600, 500), (500, 700)), alias.BOUNDS_CUE).note]) == ""


# ---------------------------------------------------------------------------- verdict


def test_cues_that_contradict_each_other_leave_it_unresolved() -> None:
    # the shutter wants 2400 rev/min as much as the topple excludes it
    e = evidence(600, 300, topple_seen=True, fits=fits_of(n1=0.0, n0=-60.0))
    verdict = decide(e, None)
    assert not verdict.resolved
    assert verdict.reason == "two cues contradict each other"
    assert verdict.odds < 10.0
    assert sum(c.probability for c in verdict.candidates) == pytest.approx(1.0)


@pytest.mark.parametrize("order", [0, 1])
@pytest.mark.parametrize("bounds", [None, (1700.0, 1900.0)])
def test_what_stands_in_the_picture_is_no_mark(order: int, bounds) -> None:
    """A highlight that comes and goes as the top wanders; once it seems to jump half a turn."""
    seen_rpm = np.array([-1.3, -0.2, -9.2, -7.5, -0.2, 10.8, 3.6, -2.7, -9.4])
    e = evidence(0.7, 0.5, seconds=14.0, topple_seen=True)
    at = np.interp(e.time_s, np.linspace(0.0, 14.0, 9), seen_rpm)
    verdict = decide(replace(e, apparent_rad_s=(at + order * STEP_RPM) * RPM), bounds)
    assert not verdict.resolved
    if verdict.candidates:
        assert "stands still" in verdict.reason


@pytest.mark.parametrize("loss_rpm_s", [0.0, 0.05, 0.5, 2.0])
def test_a_top_at_a_stand_still_speed_passes_on(loss_rpm_s: float) -> None:
    slow = evidence(1802 + 10 * loss_rpm_s, 1802 - 10 * loss_rpm_s, seconds=20.0)
    assert "stands still" not in decide(slow, (1700.0, 1900.0)).reason


def test_sightings_that_follow_no_smooth_spin_leave_it_unresolved() -> None:
    e = evidence(600, 300, topple_seen=True, fits=fits_of(n0=0.0))
    assert decide(e, None).resolved
    verdict = decide(replace(e, stray_share=0.25), None)
    assert not verdict.resolved
    assert "25%" in verdict.reason


def test_too_small_odds_leave_it_unresolved() -> None:
    e = evidence(fits=fits_of(n0=0.0, n1=-LOG_1000 + 0.5))
    verdict = decide(e, None)
    assert not verdict.resolved
    assert "probability of 0.998 only; 0.999 is needed" in verdict.reason
    assert 500 < verdict.odds < 1000
    assert decide(e, None, odds_needed=500.0).resolved


def test_odds_are_those_of_the_best_against_all_others() -> None:
    verdict = decide(evidence(fits=fits_of(n0=0.0, n1=-2.0, n2=-3.0)), None)
    probabilities = [c.probability for c in verdict.candidates]
    assert probabilities == sorted(probabilities, reverse=True)
    assert sum(probabilities) == pytest.approx(1.0)
    assert verdict.odds == pytest.approx(1.0 / (math.exp(-2) + math.exp(-3)), rel=1e-3)


def test_the_sum_of_the_votes_gives_the_odds_between_candidates() -> None:
    e = evidence(700, 300, topple_seen=True, fits=fits_of(n0=0.0, n1=-2.0))
    first, second = decide(e, None).candidates[:2]
    total = sum(v.log_odds[0] - v.log_odds[1] for v in decide(e, None).votes)
    assert math.log(first.probability / second.probability) == pytest.approx(total, rel=1e-6)


def test_speeds_belong_to_the_reference_instant() -> None:
    e = evidence(600, 500)
    assert decide(replace(e, time_s=e.time_s + 3.0), None).reference_s == 3.0


def test_every_cue_has_its_own_name_and_a_sentence() -> None:
    names = [c.name for c in alias.CUES] + [alias.BOUNDS_CUE]
    assert len(set(names)) == len(names)
    assert all(c.sentence.endswith(".") for c in alias.CUES)
    assert [v.cue for v in decide(evidence(), None).votes] == names


def test_bounds_that_the_recording_itself_speaks_against_do_not_resolve() -> None:
    told = evidence(fits=fits_of(n0=0.0))  # sure of 600 rev/min
    alone = decide(told, None)
    assert alone.resolved and alone.candidates[0].rpm == pytest.approx(600.0)
    outside, inside = decide(told, (2000.0, 2600.0)), decide(told, (500.0, 3000.0))
    assert outside.resolved and inside.resolved
    held = held_against(outside, alone)
    assert not held.resolved and held.odds == 1.0 and "600 rev/min" in held.reason
    assert sum(one.probability for one in held.candidates) == pytest.approx(0.5)
    assert [one.order for one in held.candidates] == [one.order for one in outside.candidates]
    assert held_against(inside, alone) == inside
    unsure = replace(alone, resolved=False)
    assert held_against(outside, unsure) == outside
    refused = replace(outside, resolved=False)
    assert held_against(refused, alone) == refused
