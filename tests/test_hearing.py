"""The sound held against the picture: do both turn alike?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from fabricate_turning import exponential, noisy, turning

from vidspin.hearing import agreement
from vidspin.records import SoundCurve
from vidspin.sound import LEAST_BLOCKS
from vidspin.turning import look

# ---------------------------------------------------------------------- the two speeds


def by_sound(at: np.ndarray, off: float = 0.0, tau_s: float = 60.0) -> SoundCurve:
    speed = exponential(tau_s=tau_s)[1](at) + off
    return SoundCurve(at, speed, np.full(len(at), 0.02), 1, "a line of the sound")


def test_sound_is_held_against_the_picture_at_its_own_instants() -> None:
    spin = turning(noisy(exponential(), 20.0, 1))
    at = np.arange(0.6, 19.9, 1.3)
    assert agreement(by_sound(at), spin, look(spin)).state == "pass"
    assert agreement(by_sound(at, 0.3), spin, look(spin)).state == "fail"


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
