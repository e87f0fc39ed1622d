"""The instant of the release from angles alone."""

from __future__ import annotations

import numpy as np
import pytest

from vidspin.instants.release import COVERED_S, ReleaseFound, find_release

FRAME_S = 1 / 30
U_RAD = 0.004


def spun_up(  # noqa: PLR0913 - a top, its camera and what comes by chance
    release_s: float, *, noise=U_RAD, seed: int = 1, seconds=5.0, frame_s=FRAME_S, tau_s=90.0
):
    """Angles of a top that stands, is driven for 0.25 s with a drive that fades, and slows."""
    t = np.arange(round(seconds / frame_s)) * frame_s
    fine = np.arange(0, seconds + 0.01, 1e-4)
    drive = np.clip((fine - release_s + 0.25) / 0.25, 0, 1)
    speed = 220.0 * drive**2 * (3 - 2 * drive) * np.exp(-np.maximum(fine - release_s, 0) / tau_s)
    turned = np.concatenate([[0.0], np.cumsum(speed[:-1] * np.diff(fine))])
    angle = np.interp(t, fine, turned)
    return t, angle + np.random.default_rng(seed).normal(0, noise, len(t))


def found(t, angle, visible=None, clean_s: float = 3.0, u: float = U_RAD) -> ReleaseFound:
    clean = int(np.searchsorted(t, clean_s))
    wrapped = np.where(np.arange(len(t)) < clean, np.mod(angle, 2 * np.pi), angle)
    seen = np.ones(len(t), bool) if visible is None else visible
    return find_release(t, wrapped, np.full(len(t), u), seen, clean=clean, marks=1)


@pytest.mark.parametrize("release_s", np.linspace(2.0, 2.0333, 6))
def test_release_lies_within_a_frame_and_its_u95(release_s: float) -> None:
    result = found(*spun_up(release_s), clean_s=release_s + 0.4)
    assert result.seen
    assert abs(result.time_s - release_s) <= FRAME_S + result.u95_s
    assert result.u95_s <= 1.5 * FRAME_S


@pytest.mark.parametrize("tau_s", [6.0, 8.0, 12.0, 20.0])
@pytest.mark.parametrize("seed", range(4))
def test_light_top_that_slows_quickly_is_not_driven_all_the_longer(tau_s: float, seed: int) -> None:
    """Its loss changes within the second that is extrapolated: no hand does that."""
    release_s = 1.2 + 0.02 * seed
    t, angle = spun_up(release_s, tau_s=tau_s, seed=seed)
    result = found(t, angle, clean_s=release_s + 0.5)
    assert result.seen and result.u95_s <= 1.5 * FRAME_S
    assert abs(result.time_s - release_s) <= result.u95_s


def test_free_spin_from_the_first_frame_has_no_release() -> None:
    t = np.arange(150) * FRAME_S
    angle = 200 * t - 0.5 * t**2 + np.random.default_rng(2).normal(0, U_RAD, 150)
    result = found(t, angle, clean_s=0.5)
    assert not result.seen
    assert "first frame" in result.how
    assert result.first_free <= 1


@pytest.mark.parametrize("seed", range(8))
def test_angles_that_agree_by_chance_are_no_free_spin(seed: int) -> None:
    """Three smeared marks, 60 mrad of noise: a second back the extrapolation says nothing."""
    release_s, rate, rng = 1.66, 60, np.random.default_rng(seed)
    t = np.arange(5 * rate) / rate
    free = 161.0 * (t - release_s) - 1.8 * (t - release_s) ** 2
    angle = rng.uniform(0, 6.28) + np.where(t < release_s, 0.0, free)  # until then it stands
    angle = angle + rng.normal(0, 0.06, len(t))
    clean = int(np.searchsorted(t, release_s + 0.55))
    period = 2 * np.pi / 3
    wrapped = np.where(np.arange(len(t)) < clean, np.mod(angle, period), angle)
    u = np.full(len(t), 0.06)
    result = find_release(t, wrapped, u, rng.random(len(t)) < 0.6, clean=clean, marks=3)
    assert not result.seen or abs(result.time_s - release_s) <= result.u95_s


@pytest.mark.parametrize("after_s", [0.5, 0.6, 0.8, 1.0, 1.3, 2.0])
@pytest.mark.parametrize("share", [0.01, 0.025, 0.05])
def test_a_touch_soon_after_is_not_the_release(after_s: float, share: float) -> None:
    t, angle = spun_up(2.0, seconds=8.0)
    speed = 220.0 * np.exp(-after_s / 90)
    angle = angle - share * speed * np.maximum(t - 2.0 - after_s, 0.0)
    result = found(t, angle, clean_s=2.4)
    assert result.seen
    assert abs(result.time_s - 2.0) <= FRAME_S + result.u95_s
    assert result.u95_s < 0.2 or result.hidden  # a fit that a large bend spoils tells nothing


@pytest.mark.parametrize("seed", range(4))
def test_a_top_at_rest_is_not_spinning_at_a_stand_still_speed(seed: int) -> None:
    """Seen at 30 frames a second, 188 rad/s looks like rest, and 197 slows as from a touch."""
    t, angle = spun_up(2.0, seed=seed)
    t_free = np.maximum(t - 2.0, 0.0)
    angle = np.where(t < 2.0, 1.0, 1.0 + 197.0 * t_free - 0.4 * t_free**2)
    angle = angle + np.random.default_rng(seed).normal(0, U_RAD, len(t))
    visible = (t < 1.9) | (t > 2.15)
    result = found(t, angle, visible, clean_s=2.6)
    assert result.seen
    assert abs(result.time_s - 2.0) <= result.u95_s < 0.3


@pytest.mark.parametrize("lag_rad", [0.3, 0.8, 1.9])
def test_one_frame_of_a_hand_is_no_lag(lag_rad: float) -> None:
    """A hand whose edges pass for the mark, half a turn away, once nearer; then the free mark."""
    t, angle = spun_up(2.0)
    hand, rng = np.flatnonzero((t > 1.85) & (t < 2.12)), np.random.default_rng(0)
    angle[hand[:-1]] += rng.choice([-1, 1], len(hand) - 1) * rng.uniform(2.6, 3.1, len(hand) - 1)
    angle[hand[-1]] += lag_rad
    result = found(t, angle, clean_s=2.6)
    assert result.seen
    assert abs(result.time_s - 2.0) <= result.u95_s


def test_uneven_frame_times_are_no_release() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(150) * FRAME_S
    angle = 200 * (t + rng.normal(0, 4e-4, 150)) - 0.5 * t**2  # 80 mrad of scatter, u of 4
    assert not found(t, angle, clean_s=1.0).seen


def test_hidden_frames_widen_the_bracket() -> None:
    t, angle = spun_up(2.0)
    visible = (t < 1.7) | (t > 2.3)
    result = found(t, angle, visible, clean_s=2.8)
    assert result.seen
    assert result.u95_s > 0.2
    assert abs(result.time_s - 2.0) <= result.u95_s


@pytest.mark.parametrize("stays_s", [0.1, 0.3, 0.45])
def test_a_hand_that_is_lifted_towards_the_camera_hides_the_mark_for_a_while(
    stays_s: float,
) -> None:
    t, angle = spun_up(2.0)
    visible = (t < 1.3) | (t > 2.0 + stays_s)
    result = found(t, angle, visible, clean_s=2.9)
    assert result.seen
    assert abs(result.time_s - 2.0) <= result.u95_s


def test_a_single_outlier_after_the_release_is_not_taken_for_it() -> None:
    t, angle = spun_up(2.0)
    angle[int(2.3 / FRAME_S)] += 1.0
    result = found(t, angle, clean_s=2.5)
    assert abs(result.time_s - 2.0) <= FRAME_S + result.u95_s


def test_too_few_sightings_are_said_so() -> None:
    t, angle = spun_up(2.0)
    result = found(t, angle, np.zeros(len(t), bool))
    assert not result.seen
    assert "too few" in result.how


@pytest.mark.parametrize("rate", [25, 60, 240])
@pytest.mark.parametrize("power", [1, 2])
def test_lag_tells_the_release_at_every_frame_rate(rate: int, power: int) -> None:
    rng = np.random.default_rng(rate + power)
    for release_s in rng.uniform(1.0, 1.1, 5):
        t = np.arange(3 * rate) / rate
        fine = np.arange(0, 3.01, 1e-4)
        left = np.clip((release_s - fine) / 0.3, 0, 1)  # of the drive
        speed = 180.0 * (1 - left**power) * np.exp(-np.maximum(fine - release_s, 0) / 90)
        turned = np.concatenate([[0.0], np.cumsum(speed[:-1] * 1e-4)])
        angle = np.interp(t, fine, turned) + rng.normal(0, U_RAD, len(t))
        result = found(t, angle, clean_s=release_s + 0.4)
        assert result.seen
        assert abs(result.time_s - release_s) <= result.u95_s
        assert result.u95_s <= max(1.5 / rate, 0.06)


def test_a_mark_that_is_the_hand_widens_the_bracket() -> None:
    t, angle = spun_up(2.0)
    angle = np.where((t > 1.6) & (t < 2.06), angle[int(1.6 / FRAME_S)], angle)  # stands still
    u = np.where((t > 1.6) & (t < 2.06), 0.1, U_RAD)
    clean = int(np.searchsorted(t, 2.5))
    wrapped = np.where(np.arange(len(t)) < clean, np.mod(angle, 2 * np.pi), angle)
    result = find_release(t, wrapped, u, np.ones(len(t), bool), clean=clean, marks=1)
    assert result.seen
    assert "hand" in result.how
    assert abs(result.time_s - 2.0) <= result.u95_s <= COVERED_S / 2 + 1.5 * FRAME_S


@pytest.mark.parametrize("lost", [False, True])
@pytest.mark.parametrize("edge_rad", [-0.6, 0.3, 0.6])
def test_edge_of_a_leaving_hand_is_no_lag(edge_rad: float, lost: bool) -> None:
    t, angle = spun_up(2.0)
    covered = (t > 1.6) & (t < 2.06)
    angle = np.where(covered, angle[int(1.6 / FRAME_S)], angle)
    u = np.where(covered, 0.1, U_RAD)
    edge = int(np.searchsorted(t, 2.06))  # one more frame that nobody flags, pulled by the hand
    angle[edge], u[edge] = angle[edge] + edge_rad, 3 * U_RAD
    clean = int(np.searchsorted(t, 2.5))
    wrapped = np.where(np.arange(len(t)) < clean, np.mod(angle, 2 * np.pi), angle)
    visible = ~covered if lost else np.ones(len(t), bool)
    result = find_release(t, wrapped, u, visible, clean=clean, marks=1)
    assert result.seen
    assert "hand" in result.how
    assert abs(result.time_s - 2.0) <= result.u95_s <= 0.25 + 1.5 * FRAME_S


def test_mark_that_is_pulled_along_once_a_while_is_no_release() -> None:
    t = np.arange(150) * FRAME_S
    angle = 170 * t - 0.5 * t**2 + np.random.default_rng(4).normal(0, U_RAD, 150)
    for first in range(4, 60, 10):  # three frames of ten, at the edge of the picture
        angle[first : first + 3] += 0.3, 0.5, 0.2
    result = found(t, angle, clean_s=0.4)
    assert not result.seen
    assert "first frame" in result.how


def test_hand_that_lets_the_mark_show_before_it_leaves_is_no_second_drive() -> None:
    t, angle = spun_up(2.0)
    covered = (t > 1.5) & (t < 2.2)
    u = np.where(covered, 0.1, U_RAD)
    shown = int(np.searchsorted(t, 2.2))
    angle[shown : shown + 2] += 0.4, 0.7  # the hand's edge passes over the mark
    clean = int(np.searchsorted(t, 2.6))
    wrapped = np.where(np.arange(len(t)) < clean, np.mod(angle, 2 * np.pi), angle)
    result = find_release(t, wrapped, u, np.ones(len(t), bool), clean=clean, marks=1)
    assert result.seen
    assert abs(result.time_s - 2.0) <= result.u95_s <= COVERED_S / 2 + 2.5 * FRAME_S


@pytest.mark.parametrize("usual", [U_RAD, 0.08])  # a mark that a long exposure smears
def test_what_a_hand_shows_is_no_free_sighting_however_well_it_agrees(usual: float) -> None:
    t, angle = spun_up(2.0)
    covered = t < 2.2
    free = np.polynomial.Polynomial.fit(t[~covered], angle[~covered], 3)
    angle = np.where(covered, free(t), angle)  # by chance where the free spin would have been
    u, visible = np.where(covered, 0.18, usual), ~covered
    visible[[40, 52, 55]] = True
    clean = int(np.searchsorted(t, 2.6))
    wrapped = np.where(np.arange(len(t)) < clean, np.mod(angle, 2 * np.pi), angle)
    result = find_release(t, wrapped, u, visible, clean=clean, marks=1)
    assert result.seen
    assert result.time_s - result.u95_s <= FRAME_S
    assert 2.2 <= result.time_s + result.u95_s <= 2.2 + 2.5 * FRAME_S


@pytest.mark.parametrize("release_s", np.linspace(2.0, 2.1, 8))
def test_bracket_of_a_hidden_release_ends_when_no_drive_could_pass_unseen(release_s: float) -> None:
    """At 120 frames/s a top agrees with its free spin several frames before the hand lets go."""
    t, angle = spun_up(release_s, noise=0.012, frame_s=1 / 120)
    u = np.where(t > release_s - 0.05, 0.012, 0.1)
    clean = int(np.searchsorted(t, release_s + 0.4))
    wrapped = np.where(np.arange(len(t)) < clean, np.mod(angle, 2 * np.pi), angle)
    result = find_release(t, wrapped, u, np.ones(len(t), bool), clean=clean, marks=1)
    assert result.seen
    assert "hand" in result.how
    assert abs(result.time_s - release_s) <= result.u95_s <= COVERED_S / 2 + 0.05


@pytest.mark.parametrize("rate", [24, 30, 60, 120])
@pytest.mark.parametrize("marks", [1, 2, 4])
def test_a_top_at_rest_in_sight_that_a_hand_then_hides_agrees_by_chance_only(
    rate: int, marks: int
) -> None:
    """Rest, a hand over it that spins it up, the free spin: one frame of rest in 20 to 5 agrees."""
    rng, wrong, period = np.random.default_rng(100 * rate + marks), 0, 2 * np.pi / marks
    t = np.arange(5 * rate) / rate
    for _ in range(25):
        release_s, speed = 2.0 + rng.uniform(0, 1 / rate), rng.uniform(100, 300)
        driven = np.clip(t - release_s + 0.25, 0, 0.25)
        drive = speed * (driven**3 / 0.25**2 - driven**4 / (2 * 0.25**3))
        free = speed * (0.125 + 90 * -np.expm1(-np.maximum(t - release_s, 0.0) / 90))
        angle = rng.uniform(0, 6.28) + np.where(t < release_s, drive, free)
        angle = rng.choice([-1, 1]) * angle + rng.normal(0, U_RAD, len(t))
        shown_s = release_s + rng.uniform(0.02, 0.15)
        visible = (t < release_s - rng.uniform(0.3, 0.6)) | (t > shown_s)
        clean = int(np.searchsorted(t, shown_s + 0.4))
        seen = np.where(np.arange(len(t)) < clean, np.mod(angle, period), angle)
        u = np.full(len(t), U_RAD)
        result = find_release(t, seen, u, visible, clean=clean, marks=marks)
        wrong += not result.seen or abs(result.time_s - release_s) > result.u95_s
    assert wrong == 0
