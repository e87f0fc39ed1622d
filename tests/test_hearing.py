"""The sound held against the picture: whose hum is it, and do both turn alike?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from fabricate_sound import TURN, Spin, pieces, times, top
from fabricate_turning import SIGMA, exponential, noisy, turning

from vidspin.checks.hearing import agreement, checks_heard, spun_at
from vidspin.checks.soundchecks import Spun, overhear, sound_checks
from vidspin.records import Check, SoundBlock, SoundCurve
from vidspin.speed.sound import LEAST_BLOCKS
from vidspin.speed.turning import look

LINES = (0.01, 0.006, 0.004, 0.003, 0.002, 0.002)


def spin_of(rpm: float, seconds: float = 20.0, loss: float = 0.0007) -> Spin:
    return Spin(rpm / 60, loss=loss, dry_hz_s=0.005, seconds=seconds)


def speeds(spin: Spin) -> Spun:
    at = np.arange(0.0, spin.seconds, 0.5)
    return Spun(at, spin.speed_hz(at)[None])


def clock(samples: np.ndarray, spun: Spun | None) -> Check:
    noise = 0.003 * np.random.default_rng(3).standard_normal(len(samples))
    checks = sound_checks(overhear(pieces(samples + noise)), spun)
    return next(c for c in checks if c.name == "sound clock")


def hum(seconds: float, base_hz: float, harmonics: tuple[int, ...] = (1, 2, 3)) -> np.ndarray:
    t = times(seconds)
    return sum((0.004 * np.sin(TURN * h * base_hz * t + h) for h in harmonics), np.zeros(len(t)))


# -------------------------------------------------------------------------- whose hum


@pytest.mark.parametrize("rpm", [2850, 2920, 1460, 980, 3500])
def test_a_top_that_hums_beside_the_mains_is_not_accused(rpm: int) -> None:
    spin = spin_of(rpm)
    told = clock(top(spin, LINES), speeds(spin))
    assert told.state == "unchecked" and told.look
    assert "it may be the top that hums" in told.note and "by a hum at" in told.figure


def test_the_order_that_is_open_and_hums_there_is_enough() -> None:
    spin = spin_of(2920)
    right = speeds(spin)
    wrong = Spun(right.time_s, right.hz - 20.0)
    assert clock(top(spin, LINES), wrong).state == "fail"
    both = Spun(right.time_s, np.concatenate([wrong.hz, right.hz]))
    assert clock(top(spin, LINES), both).state == "unchecked"


@pytest.mark.parametrize("rpm", [1800, 3400])
def test_stretched_hum_fails_beside_a_top_of_another_speed(rpm: int) -> None:
    spin = spin_of(rpm)
    told = clock(top(spin, LINES) + hum(20.0, 50 / 1.02), speeds(spin))
    assert told.state == "fail" and told.figure.startswith("+2.00")


def test_stretched_hum_that_stays_while_the_spin_goes_on_fails() -> None:
    spin = spin_of(3100, seconds=60.0, loss=0.002)  # passes 49 Hz in the middle
    spun = speeds(spin)
    assert spun.hz.max() > 50 / 1.02 > spun.hz.min()
    assert clock(hum(60.0, 50 / 1.02), spun).state == "fail"
    dark = Spun(spun.time_s, np.where(spun.hz < 48.5, np.nan, spun.hz))
    assert clock(hum(60.0, 50 / 1.02), dark).state == "fail"


def test_where_the_speed_is_not_known_a_note_is_not_told_from_the_mains() -> None:
    unknown = Spun(np.arange(0.0, 20.0, 0.5), np.full((1, 40), np.nan))
    for spun in (None, unknown):
        for harmonics, state in (((1, 2), "unchecked"), ((1, 3), "unchecked"), ((1, 2, 3), "fail")):
            told = clock(hum(20.0, 49.0, harmonics), spun)
            assert (told.state, told.look) == (state, True)
    assert clock(hum(20.0, 49.0, (1, 2)), speeds(spin_of(1800))).state == "fail"


def angles_of(orders: tuple[int, ...], *, resolved: bool) -> SimpleNamespace:
    candidates = tuple(SimpleNamespace(order=n) for n in orders)
    verdict = SimpleNamespace(resolved=resolved, candidates=candidates)
    return SimpleNamespace(order=orders[0], verdict=verdict, omega_rad_s=np.full(600, -200.0))


def test_speeds_of_every_open_order_are_asked_and_none_outside_of_the_free_spin() -> None:
    spin = turning(-noisy(exponential(), 20.0, 1))
    spin = replace(spin, free=spin.free & (spin.time_s > 5.0))
    at = np.arange(0.0, 20.0, 0.5)
    spun = spun_at(at, spin, look(spin), angles_of((-1, 0, -2), resolved=False), 30.0)
    hz = exponential()[1](at) / TURN
    assert np.isnan(spun.hz[:, at < 5.0]).all() and np.isfinite(spun.hz[:, at > 6.5]).all()
    late = (at > 6.5) & (at < 19.0)
    # it turns counterclockwise
    for row, truth in zip(spun.hz, (hz + 30.0, hz, 30.0 - hz), strict=True):
        np.testing.assert_allclose(row[late], truth[late], atol=0.01)
    alone = spun_at(at, spin, look(spin), angles_of((-1, 0, -2), resolved=True), 30.0)
    assert alone.hz.shape == (1, len(at))


def test_checks_of_a_recording_know_the_speed_of_its_top() -> None:
    spin = spin_of(2920)
    t = np.arange(600) / 30.0
    angle = spin.angle(t) + np.random.default_rng(1).normal(0, SIGMA, 600)
    noise = 0.003 * np.random.default_rng(3).standard_normal(len(times(20.0)))

    class Loud:
        facts = SimpleNamespace(frame_rate=30)

        def sound(self) -> Iterator[SoundBlock]:
            return pieces(top(spin, LINES) + noise)

    seen = turning(angle)
    right = angles_of((2,), resolved=True)
    right.omega_rad_s = -right.omega_rad_s
    told = checks_heard(Loud(), None, seen, look(seen), right, marks=1)
    assert {c.name: c.state for c in told}["sound clock"] == "unchecked"
    assert checks_heard(object(), None, seen, look(seen), right, marks=1) == ()


# ---------------------------------------------------------------------- the two speeds


def by_sound(at: np.ndarray, off: float = 0.0, tau_s: float = 60.0) -> SoundCurve:
    speed = exponential(tau_s=tau_s)[1](at) + off
    return SoundCurve(at, speed, np.full(len(at), 0.02), 1, "a line of the sound")


def test_sound_is_held_against_the_picture_at_its_own_instants() -> None:
    spin = turning(noisy(exponential(), 20.0, 1))
    at = np.arange(0.6, 19.9, 1.3)
    assert agreement(by_sound(at), spin, look(spin)).state == "pass"
    assert agreement(by_sound(at, 0.3), spin, look(spin)).state == "fail"


@pytest.mark.parametrize(
    ("ppm", "state"), [(0, "pass"), (60, "pass"), (-60, "pass"), (400, "fail")]
)
def test_a_sound_with_a_crystal_of_its_own_is_not_accused(ppm: int, state: str) -> None:
    """Ten minutes of a clear line tell 20 parts in a million; two honest clocks differ by more."""
    law, at = exponential(200.0, 600.0), np.arange(2.0, 598.0, 2.5)
    spin = turning(noisy(law, 600.0, 1), clock_ppm=29.0)
    off = np.random.default_rng(1).normal(0, 0.01, len(at)) + 1e-6 * ppm * law[1](at)
    sound = SoundCurve(at, law[1](at) + off, np.full(len(at), 0.01), 3, "a line of the sound")
    assert agreement(sound, spin, look(spin)).state == state


def test_blocks_where_the_picture_tells_no_speed_are_left_out() -> None:
    spin = turning(noisy(exponential(), 20.0, 1))
    angle = np.where((spin.time_s > 8.0) & (spin.time_s < 16.0), np.nan, spin.angle_rad)
    spin = replace(spin, angle_rad=angle, free=spin.free & (spin.time_s > 2.0))
    at = np.arange(0.5, 20.0, 1.0)
    sound = by_sound(at, off=np.where((at < 2.0) | ((at > 8.0) & (at < 16.0)), 40.0, 0.0))
    told = agreement(sound, spin, look(spin))
    assert told.state == "pass" and "in 10 blocks" in told.figure


def test_too_few_blocks_beside_the_picture_leave_it_open() -> None:
    spin = turning(noisy(exponential(), 20.0, 1))
    few = by_sound(np.array([3.0, 5.0, 7.0, 21.0, 23.0]))
    assert len(few.time_s) > LEAST_BLOCKS
    told = agreement(few, spin, look(spin))
    assert told.state == "unchecked" and told.figure.startswith("3 blocks")
    torn = replace(spin, parted_s=tuple(np.arange(0.2, 20.0, 0.4)))
    assert agreement(by_sound(np.arange(1.0, 19.0)), torn, look(torn)).state == "unchecked"
