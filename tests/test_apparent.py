"""Tracks of the apparent phase: through aliasing, gaps, stand-still, and not out of noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from vidspin.mark.lying import without_rest
from vidspin.order.apparent import Track, agreeing, follow_phase, slots, usable

Floats = NDArray[np.float64]
TURN = 2 * math.pi
NOISE_RAD = 0.02


def record(
    speed_turns_s: tuple[float, ...], seconds: float, rate: float = 30.0, seed: int = 0
) -> tuple[Floats, Floats, Floats]:
    """Times, wrapped angles, true continuous angles; the speed is a polynomial of time."""
    t = np.arange(int(seconds * rate)) / rate
    whole = np.polynomial.Polynomial(speed_turns_s).integ()
    true = TURN * whole(t)
    noise = np.random.default_rng(seed).normal(0, NOISE_RAD, len(t))
    return t, np.mod(true + noise, TURN), true


def follow(
    t: Floats, angle: Floats, weight: Floats | None = None, rate: float = 30.0, marks: int = 1
) -> tuple[Track, ...]:
    every = np.ones(len(t)) if weight is None else weight
    return follow_phase(t, angle, every, frame_rate=rate, marks=marks)


def order_of(track: Track, t: Floats, true: Floats, rate: float = 30.0, marks: int = 1) -> Floats:
    """Whole turns a slot between true and followed mark phase, from frame to frame."""
    ahead = marks * true - track.phase_rad
    return np.asarray(np.diff(ahead) / TURN / np.diff(slots(t, rate)))


# ------------------------------------------------------------------------------ slots


def test_slots_count_lost_frames() -> None:
    t = np.array([0, 1, 2, 5, 6, 66]) / 30.0
    assert slots(t, 30.0).tolist() == [0, 1, 2, 5, 6, 66]


def test_slots_follow_a_clock_that_is_off() -> None:
    t = np.arange(100_000) / 30.0 * 1.0003  # adds up to a whole frame in two minutes
    assert np.array_equal(slots(t, 30.0), np.arange(100_000))


@pytest.mark.parametrize("tick", [1 / 600, 1e-3])
def test_slots_survive_rough_stamps_of_fast_frames(tick) -> None:
    rng = np.random.default_rng(5)
    true = np.arange(5000) / 240.0 + np.clip(rng.normal(0, 5e-4, 5000), -8e-4, 8e-4)
    stamps = np.rint(true / tick) * tick
    assert np.array_equal(slots(stamps - stamps[0], 240.0), np.arange(5000))


def test_slots_never_stand_still() -> None:
    assert np.all(np.diff(slots(np.array([0.0, 0.001, 0.002, 0.1]), 30.0)) >= 1)


# ------------------------------------------------------------------- through aliasing


@pytest.mark.parametrize("rate", [24.0, 30.0, 60.0, 240.0])
def test_one_order_holds_all_along_a_run_down(rate) -> None:
    t, angle, true = record((90.0, -2.0), 40.0, rate)  # through several stand-stills
    track = follow(t, angle, rate=rate)[0]
    assert track.first == 0
    assert track.last == len(t) - 1
    order = order_of(track, t, true, rate)
    assert np.abs(order - np.rint(order[0])).max() < 6 * NOISE_RAD / TURN * math.sqrt(2)


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_the_rate_is_the_true_one_but_for_whole_turns(sign) -> None:
    t, angle, _ = record((sign * 40.0, sign * -0.5), 20.0)
    track = follow(t, angle)[0]
    away = track.cycles_per_slot - sign * (40.0 - 0.5 * track.window_s) / 30.0
    assert np.abs(away - np.rint(away[0])).max() < 1e-3


def test_several_marks_at_a_steep_loss() -> None:
    # 90 rev/min a second with three marks: the mark phase loses 0.15 turns a slot each second
    t, angle, true = record((65.0, -1.5), 25.0)
    track = follow(t, np.mod(angle, TURN / 3), marks=3)[0]
    assert track.last - track.first > 0.95 * len(t)
    order = order_of(track, t, true, marks=3)[track.first : track.last]
    assert np.abs(order - np.rint(order[0])).max() < 0.2


def test_a_stand_still_speed_is_no_end() -> None:
    t, angle, true = record((30.2, -0.02), 20.0)
    track = follow(t, angle)[0]
    assert (track.first, track.last) == (0, len(t) - 1)
    assert np.ptp(true - track.phase_rad - TURN * slots(t, 30.0)) < 0.3


def test_outliers_are_on_the_track_and_far_from_it() -> None:
    t, angle, true = record((20.0, -0.3), 20.0)
    rng = np.random.default_rng(1)
    wild = rng.random(len(t)) < 0.03
    track = follow(t, np.where(wild, rng.uniform(0, TURN, len(t)), angle))[0]
    near = usable(track)
    assert near[~wild].all()
    assert near[wild].mean() < 0.5
    assert np.isfinite(track.phase_rad[wild]).all()


# ------------------------------------------------------------------------------- gaps


@pytest.mark.parametrize("lost", [True, False], ids=["frames lost", "frames unseen"])
def test_a_gap_of_two_seconds_is_bridged_to_the_turn(lost) -> None:
    t, angle, true = record((50.0, -0.4), 24.0)
    hidden = (t > 10.0) & (t < 12.0)
    if lost:
        t, angle, true = t[~hidden], angle[~hidden], true[~hidden]
        weight = np.ones(len(t))
    else:
        weight = np.where(hidden, 0.0, 1.0)
        angle = np.where(hidden, 0.0, angle)
    tracks = follow(t, angle, weight)
    assert len(tracks) == 1
    seen = np.isfinite(tracks[0].phase_rad)
    away = (true - tracks[0].phase_rad)[seen] / TURN
    carried = np.rint(away[0] - away[-1]) / (slots(t, 30.0)[-1])
    assert np.array_equal(seen, weight > 0)
    assert np.ptp(away + np.rint(carried) * slots(t, 30.0)[seen]) < 0.05


def test_a_long_gap_makes_two_tracks_the_longer_first() -> None:
    t, angle, _ = record((50.0, -0.4), 60.0)
    hidden = (t > 10.0) & (t < 26.0)  # the speed falls by a fifth of a turn a frame meanwhile
    tracks = follow(t, angle, np.where(hidden, 0.0, 1.0))
    assert len(tracks) == 2
    assert t[tracks[0].first] == pytest.approx(26.0, abs=0.05)
    assert t[tracks[1].last] == pytest.approx(10.0, abs=0.05)


def test_what_stands_still_is_no_track_however_long_it_lies_there() -> None:
    t, spinning, _ = record((20.3, -0.1), 12.0)
    rest = 2.0 + np.random.default_rng(3).normal(0, NOISE_RAD, 1500)
    whole = np.concatenate([t, t[-1] + 0.5 + np.arange(1500) / 30.0])
    (only,) = follow(whole, np.concatenate([spinning, rest]))
    assert only.last < len(t)
    assert follow(whole[len(t) :] - whole[len(t)], rest) == ()


def test_a_rate_that_jumps_over_a_gap_is_not_bridged() -> None:
    t, angle, _ = record((50.0,), 30.0)
    _, after, _ = record((45.5,), 30.0)  # a hand took 0.15 turns a slot away
    hidden = (t > 12.0) & (t < 13.0)
    tracks = follow(t, np.where(t > 12.5, after, angle), np.where(hidden, 0.0, 1.0))
    assert len(tracks) == 2
    assert t[tracks[0].first] > 12.5


# ---------------------------------------------------------------------- start and end


def test_what_a_hand_shows_before_the_start_is_not_on_the_track() -> None:
    t, angle, _ = record((25.0, -0.2), 15.0)
    rng = np.random.default_rng(3)
    angle = np.where((t < 1.5) | (t > 13.0), rng.uniform(0, TURN, len(t)), angle)
    track = follow(t, angle)[0]
    # two in five angles at random are near by chance: a few frames may be taken in
    assert t[track.first] == pytest.approx(1.5, abs=0.4)
    assert t[track.last] == pytest.approx(13.0, abs=0.4)


def test_a_top_held_still_is_not_on_the_track() -> None:
    t, angle, _ = record((29.3, -0.05), 15.0)  # the spin's own apparent rate is near zero
    track = follow(t, np.where(t < 1.5, 1.0, angle))[0]
    assert t[track.first] == pytest.approx(1.5, abs=0.2)


@pytest.mark.parametrize("marks", [1, 2])
def test_a_top_that_lies_still_after_its_fall_is_not_on_the_track(marks) -> None:
    # Its own speed would be 1 turn a second by then, hardly another apparent rate.
    t, angle, _ = record((9.9, -0.7), 14.5)
    weight = np.where((t > 11.0) & (t < 12.5), 0.0, 1.0)
    lies = np.random.default_rng(5).normal(2.0, NOISE_RAD, len(t))
    track = follow(t, np.where(t < 12.0, angle, lies), weight, marks=marks)[0]
    assert t[track.last] == pytest.approx(11.0, abs=0.1)


def test_a_top_that_rolls_out_after_its_fall_and_lies_there_is_not_on_the_track() -> None:
    t, angle, _ = record((9.9, -0.7), 14.5)
    since = np.maximum(t - 11.0, 0.0)
    rolls = TURN * (2.2 * since - 1.1 * since**2 / 1.3) + angle[np.searchsorted(t, 11.0)]
    stops = TURN * 1.1 * 1.3 + angle[np.searchsorted(t, 11.0)]
    after = np.where(since < 1.3, rolls, stops)
    noise = np.random.default_rng(5).normal(0, NOISE_RAD, len(t))
    track = follow(t, np.where(t < 11.0, angle, after + noise))[0]
    assert 10.5 < t[track.last] < 11.0


@pytest.mark.parametrize("loss", [0.02, 0.1, 0.3, 0.6, 1.0])
@pytest.mark.parametrize("end_s", [0.3, 0.6, 1.0, 2.0])
def test_a_spin_that_ends_about_a_stand_still_speed_is_kept(loss, end_s) -> None:
    t, angle, _ = record((30.0 + loss * (15.0 - end_s), -loss), 15.0)
    assert follow(t, angle)[0].last == len(t) - 1


@pytest.mark.parametrize("loss", [0.008, 0.016, 0.03])
@pytest.mark.parametrize(("rate", "noise"), [(240.0, 0.06), (240.0, 0.08), (60.0, 0.07)])
def test_a_noisy_spin_that_ends_about_a_stand_still_speed_is_kept(rate, noise, loss) -> None:
    rng = np.random.default_rng(7)
    for end_s in rng.uniform(0.0, 2.0, 8):
        t, angle, _ = record((rate + loss * (15.0 - end_s), -loss), 15.0, rate)
        angle = angle + rng.normal(0, noise, len(t))
        assert follow(t, angle, rate=rate)[0].last == len(t) - 1


@pytest.mark.parametrize("loss", [0.02, 0.1, 0.5, 1.0])
@pytest.mark.parametrize("outliers", [0.0, 0.03])
def test_a_mark_hidden_before_a_stand_still_speed_is_no_fall(loss, outliers) -> None:
    rng = np.random.default_rng(8)
    for end_s in (0.0, 0.3, 0.6):
        t, angle, _ = record((30.0 + loss * (15.0 - end_s), -loss), 15.0)
        angle = np.where(rng.random(len(t)) < outliers, rng.uniform(0, TURN, len(t)), angle)
        weight = np.where((t > 13.7) & (t < 14.4), 0.0, 1.0)
        kept, rest = without_rest(np.arange(len(t)), angle, weight, 30.0)
        assert rest.rolls == rest.lies
        assert np.array_equal(kept, weight)


@pytest.mark.parametrize("rate", [30.0, 240.0])
@pytest.mark.parametrize("hidden_s", [0.0, 0.3, 1.5])
@pytest.mark.parametrize("lies_s", [1.0, 3.0])
def test_noise_hides_no_rest(rate, hidden_s, lies_s) -> None:
    rng = np.random.default_rng(9)
    t, angle, _ = record((9.9, -0.7), 14.0, rate)
    lies = np.where(t < 14.0 - lies_s, angle, 2.0) + rng.normal(0, 0.06, len(t))
    weight = np.where((t > 14.0 - lies_s - hidden_s) & (t < 14.0 - lies_s), 0.0, 1.0)
    _, rest = without_rest(np.arange(len(t)), lies, weight, rate)
    assert rest.lies / rate == pytest.approx(14.0 - lies_s, abs=0.1)


@pytest.mark.parametrize("rate", [30.0, 240.0])
@pytest.mark.parametrize("hidden_s", [0.0, 0.2, 0.6])
def test_a_spin_that_a_hand_stops_is_kept_until_then(rate, hidden_s) -> None:
    t, angle, _ = record((3.0, -0.05), 20.0, rate)
    held = np.random.default_rng(5).normal(2.0, NOISE_RAD, len(t))
    weight = np.where(np.abs(t - 17.0) < hidden_s / 2, 0.0, 1.0)
    track = follow(t, np.where(t < 17.0, angle, held), weight, rate)[0]
    assert t[track.last] == pytest.approx(17.0 - hidden_s / 2, abs=0.1)


@pytest.mark.parametrize("rolls_s", [0.6, 1.0, 1.4])
@pytest.mark.parametrize("speed", [3.0, 6.0, 9.7])
def test_no_roll_is_taken_for_a_spin_that_a_hand_stops(speed, rolls_s) -> None:
    t, angle, _ = record((speed + 1.1, -0.1), 15.0)
    since = np.clip(t - 11.0, 0.0, rolls_s)
    rolls = TURN * speed * (since - since**2 / (2.0 * rolls_s))
    noise = np.random.default_rng(5).normal(0, NOISE_RAD, len(t))
    rolls = rolls + angle[np.searchsorted(t, 11.0)] + noise
    assert t[follow(t, np.where(t < 11.0, angle, rolls))[0].last] < 11.0


def test_a_long_roll_that_leads_to_rest_by_itself_is_no_stop_by_a_hand() -> None:
    t, angle, _ = record((9.9, -0.7), 18.0)
    since = np.clip(t - 11.0, 0.0, 4.0)
    rolls = TURN * 2.2 * (since - since**2 / 8.0) + angle[np.searchsorted(t, 11.0)]
    noise = np.random.default_rng(5).normal(0, NOISE_RAD, len(t))
    assert t[follow(t, np.where(t < 11.0, angle, rolls + noise))[0].last] < 13.5


def test_a_spin_that_ends_at_a_stand_still_speed_is_kept() -> None:
    t, angle, _ = record((30.3, -0.02), 15.0)
    assert follow(t, angle)[0].last == len(t) - 1


def test_a_spin_that_starts_at_a_stand_still_speed_is_kept() -> None:
    t, angle, _ = record((30.0, -0.02), 15.0)
    assert follow(t, angle)[0].first == 0


# ------------------------------------------------------------------------------ noise


def test_track_with_a_good_beginning_and_no_good_end_keeps_its_ends() -> None:
    off = np.array([0.0] * 12 + [3.0] * 30)
    assert agreeing(off, np.arange(42), 0, 41, 30) == (0, 41)


@pytest.mark.parametrize("rate", [24.0, 30.0, 60.0, 240.0])
def test_noise_alone_gives_no_track(rate) -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        t = np.arange(int(20 * rate)) / rate
        assert not follow(t, rng.uniform(0, TURN, len(t)), rate=rate)


def test_nothing_seen_gives_no_track() -> None:
    t, angle, _ = record((20.0,), 10.0)
    assert follow(t, angle, np.where(t < 0.3, 1.0, 0.0)) == ()


# --------------------------------------------------------------------- long unseen stretches


@pytest.mark.parametrize("hidden_s", [7.0, 25.0])
def test_spin_goes_on_under_the_same_order_after_a_long_unseen_stretch(hidden_s) -> None:
    t, angle, true = record((33.0, -0.02, 1e-5), 90.0)
    weight = np.where((t > 30) & (t < 30 + hidden_s), 0.0, 1.0)
    tracks = follow(t, angle, weight)
    assert len(tracks) == 1
    assert tracks[0].first < 5 and tracks[0].last > len(t) - 6
    seen = np.flatnonzero((weight > 0) & usable(tracks[0]))
    ahead = (true - tracks[0].phase_rad)[seen] / TURN
    order = np.diff(ahead) / np.diff(seen)
    near = np.diff(seen) == 1
    assert np.unique(np.rint(order[near])).tolist() == [1.0]
    assert np.abs(order[near] - 1.0).max() < 0.1


@pytest.mark.parametrize("speed", [(23.3, -0.3), (37.2, -0.02), (34.5, 0.2)])
def test_second_start_after_an_unseen_stretch_is_another_track(speed) -> None:
    t, angle, _ = record((33.0, -0.02, 1e-5), 30.0)
    _, again, _ = record(speed, 30.0, seed=1)
    late = np.arange(len(again)) / 30.0 + 45.0
    tracks = follow(np.concatenate([t, late]), np.concatenate([angle, again]))
    assert len(tracks) == 2


@pytest.mark.parametrize("hidden_s", [2.3, 3.1, 4.6, 5.7])
@pytest.mark.parametrize("marks", [1, 2])
def test_turns_are_counted_over_a_hand_wherever_it_comes_in(hidden_s, marks) -> None:
    wrong = 0
    for k in range(12):  # windows begin every 0.6 s: the hand comes and goes anywhere in them
        speed, tau, rng = 21.3 + 0.7 * k, 45.0 + 20.0 * k, np.random.default_rng(k)
        t = np.arange(900) / 30.0
        true = TURN * speed * tau * (1 - np.exp(-t / tau))
        # what readout and geometry do to the mark as seen
        shear = 0.25 / marks * np.sin(marks * true + k)
        seen = np.mod(true + shear + rng.normal(0, NOISE_RAD / 2, 900), TURN)
        start = 12.0 + 0.11 * k
        weight = ((t < start) | (t > start + hidden_s)).astype(float)
        track = follow(t, np.where(weight > 0, seen, 0.0), weight, marks=marks)[0]
        assert track.first < 30 and track.last > 870
        before, after = int((start - 2) * 30), int((start + hidden_s + 2) * 30)
        ahead = marks * true - track.phase_rad
        turns = (ahead[after] - ahead[before]) / TURN
        whole = np.median(order_of(track, t, true, marks=marks))
        wrong += abs(turns - whole * (after - before)) > 0.5
    assert wrong == 0


def test_frames_seconds_apart_make_no_track() -> None:
    time_s = 4.0 * np.arange(60)  # as damage can state them; a warning would fail
    angle = np.mod(0.3 * np.arange(60), 2 * np.pi)
    assert follow_phase(time_s, angle, np.ones(60), frame_rate=0.25, marks=1) == ()
