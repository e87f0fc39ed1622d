"""Marks that pictures hold back near stand-still speeds: who is believed, and how far."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fabricate_turning import RATE, Law, exponential, turning

from vidspin.records import FloatArray
from vidspin.speed.curve import spin_curve
from vidspin.speed.sticking import held_back
from vidspin.speed.turning import Turning

SIGMA = 0.004
HALF = np.pi * RATE  # rad/s: half a turn a frame, back at the same place every other one


def blended(law: tuple[Law, Law], seconds: float, lag: int, most: float, wide: float, marks: int,
            seed: int) -> Turning:  # fmt: skip
    """Spin whose mark is seen too near to where it was `lag` frames ago, as a blend has it.

    Two Gaussian humps whose sum's middle of the flanks is the angle: the later one by its share,
    which fades as they draw apart.
    """
    t = np.arange(round(seconds * RATE)) / RATE
    spacing = 2 * np.pi / marks
    away = law[0](t) - law[0](t - lag / RATE)
    away -= spacing * np.rint(away / spacing)
    share = most * np.exp(-0.5 * (away / wide) ** 2)
    noise = np.random.default_rng(seed).normal(0, SIGMA, len(t))
    return turning(law[0](t) - share * away + noise, u_rad=SIGMA)


def off(one: Turning, law: tuple[Law, Law]) -> tuple[FloatArray, FloatArray]:
    """Errors of the 1-s speeds in u95, and u95."""
    curve, _ = spin_curve(one, 1.0)
    error = curve.speed_rad_s - law[1](curve.time_s)
    return error / curve.u95_speed_rad_s, curve.u95_speed_rad_s


@pytest.mark.parametrize(
    ("speed", "lag", "marks", "wide", "seconds"),
    [
        (HALF, 2, 1, 0.15, 20.0),
        (2 * HALF, 1, 1, 0.15, 20.0),
        (2 * HALF / 3, 3, 1, 0.2, 20.0),
        (HALF, 1, 2, 0.1, 30.0),
        (2 * HALF, 1, 1, 0.02, 20.0),
    ],
)
def test_speeds_at_which_the_mark_is_held_back_say_so(
    speed: float, lag: int, marks: int, wide: float, seconds: float
) -> None:
    law = exponential(1.05 * speed, 150.0) if wide > 0.05 else exponential(1.02 * speed, 420.0)
    share = 0.25 if wide > 0.05 else 0.8  # to within a picture element a mark may stay where it was
    one = blended(law, seconds, lag, share, wide, marks, 1)
    apart, u95 = off(one, law)
    assert np.abs(apart).max() > 1.5  # what the scatter alone says is not so
    held, wider = off(held_back(one, marks), law)
    assert np.abs(held).max() <= 1.0
    worst = int(np.argmax(np.abs(apart)))
    assert wider[worst] > u95[worst]


def test_nothing_is_doubted_where_nothing_is_held_back() -> None:
    doubted = 0
    for seed in range(40):
        lag = 1 + seed % 3
        law = exponential(1.05 * 2 * HALF / lag, 150.0)
        honest = blended(law, 20.0, lag, 0.0, 0.15, 1, seed)
        doubted += held_back(honest, 1) is not honest
    assert doubted == 0


def test_a_mark_that_is_pushed_on_is_not_held_back() -> None:
    law = exponential(1.05 * HALF, 150.0)
    pushed = blended(law, 20.0, 2, -0.25, 0.15, 1, 2)
    assert held_back(pushed, 1) is pushed


def test_speeds_far_from_stand_still_ones_are_as_sure_as_before() -> None:
    law = exponential(1.3 * HALF, 1000.0)  # 0.65 turns a frame, slowly
    away = blended(law, 20.0, 2, 0.25, 0.1, 1, 3)
    assert held_back(away, 1) is away


def test_what_parts_the_spin_is_not_looked_across() -> None:
    """A step of the speed on the passage looks like a pull; both sides tell nothing of it."""
    law = exponential(1.02 * HALF, 150.0)
    one = blended(law, 20.0, 2, 0.0, 0.15, 1, 4)
    crossing = 150.0 * np.log(1.02)
    step = np.where(one.time_s > crossing, -0.3 * (one.time_s - crossing), 0.0)
    parted = replace(one, angle_rad=one.angle_rad + step, parted_s=(crossing,))
    assert held_back(parted, 1) is parted


@pytest.mark.parametrize("marks", [1, 3])
def test_a_spin_that_passes_the_stand_still_speed_in_its_last_frame(marks: int) -> None:
    """Braked so hard that already the frame after the passage lies beyond every breadth."""
    speed, loss = 2 * HALF / marks, 120.0
    t = np.arange(60) / RATE
    first = speed + loss * (t[-1] - 1.4 / RATE)
    braked = turning(first * t - 0.5 * loss * t**2, u_rad=SIGMA)
    assert held_back(braked, marks) is braked
