"""Frames that were left out or put in by a pattern are found by what the phase steps by."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest

from vidspin.calibration.angles import Angles
from vidspin.checks.believed import WIDENED, Taken, frames_taken, how_taken
from vidspin.measure import measure
from vidspin.order.alias import miscounted
from vidspin.phase.breaks import Breaks, find_breaks
from vidspin.phase.continuous import Phase
from vidspin.phase.skips import (
    ANY,
    Steps,
    clear_steps,
    crowded,
    steps_of,
    strays_of,
    train_of,
    unpaired,
)
from vidspin.records import Settings
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage

NOISE = 0.03


def turned(time_s: np.ndarray, rpm: float, falls_s: float = 15.0) -> np.ndarray:
    """Mark phase of a top that slows down."""
    return rpm * np.pi / 30 * falls_s * (1 - np.exp(-time_s / falls_s))


def taken(rate: Fraction, stored: Fraction, seconds: float, begin: float) -> np.ndarray:
    """When each frame of a file of rate `stored` was taken by a camera of another rate."""
    number = np.arange(int(seconds * stored))
    return np.floor(number * float(rate / stored) + begin) / float(rate)


def steps_in(
    seen: np.ndarray, slot: np.ndarray | None = None, late: np.ndarray | None = None, of=steps_of
) -> Steps:
    """Steps of a phase with noise, against a smooth course that is roughly right."""
    slot = np.arange(len(seen)) if slot is None else slot
    advance = np.angle(np.exp(1j * np.diff(seen)))
    size = 31
    # what a tracker makes of it: the usual advance, over about a second
    smooth = np.array([np.median(advance[max(0, k - size) : k + size]) for k in range(len(seen))])
    return of(seen, np.cumsum(smooth), slot, np.zeros(len(seen)) if late is None else late)


def with_noise(phase: np.ndarray, seed: int, noise: float = NOISE) -> np.ndarray:
    return phase + noise * np.random.default_rng(seed).standard_normal(len(phase))


@pytest.mark.parametrize(
    ("rate", "stored"),
    [
        (25, 24), (24, 22), (30, Fraction(105, 4)), (25, Fraction(45, 2)), (24, 21),
        (25, Fraction(24000, 1001)), (60, Fraction(58)), (50, Fraction(48000, 1001)),
        (30, Fraction(29)), (24, 25), (30, 32), (24, Fraction(132, 5)), (60, 61), (50, 26),
    ],
)  # fmt: skip
@pytest.mark.parametrize("seed", range(2))
def test_frames_left_out_or_put_in_by_a_pattern_are_found(rate, stored, seed) -> None:
    rate, stored = Fraction(rate), Fraction(stored)
    rng = np.random.default_rng(seed)
    at = taken(rate, stored, 24.0, float(rng.uniform(0, 0.99)))
    train = train_of(steps_in(with_noise(turned(at, rng.uniform(700, 2200)), seed)))
    assert train is not None
    nearest = rate / stored - round(rate / stored)  # frames too many or too few, each frame
    every = float(1 / abs(nearest))
    assert any(abs(train.frames * k - every) < 0.02 * every + 0.3 for k in (1, 2, 3, 4))
    if rate > stored and train.skipped != ANY:
        assert train.skipped > 0


def test_a_repeated_frame_that_comes_back_is_found() -> None:
    phase = turned(np.arange(500) / 30, 1300.0)
    phase[9::11] = phase[8::11][: len(phase[9::11])]
    seen = with_noise(phase, 3)
    train = train_of(steps_in(seen, of=strays_of))
    assert train is not None and train.frames == pytest.approx(11, abs=0.1)
    assert not len(clear_steps(steps_in(seen))[0])  # nothing is missing


def clean(seed: int) -> np.ndarray:
    """A phase with all that tops, cameras and encoders do to it, and no conversion."""
    rng = np.random.default_rng([7, seed])
    rate, count = float(rng.choice([24, 25, 30, 50, 60])), 480
    phase = turned(np.arange(count) / rate, rng.uniform(300, 2400), rng.uniform(8, 200))
    slow = 0.3 * np.sin(2 * np.pi * rng.uniform(0.3, 2.5) * np.arange(count) / rate)  # precession
    left = 0.15 * np.sin(phase + 1) + 0.06 * np.sin(2 * phase)  # shutter and geometry
    beat = 1 + 2 * (np.arange(count) % rng.integers(12, 31) == 0)  # key frames
    seen = phase + slow + left + rng.uniform(0.01, 0.1) * beat * rng.standard_normal(count)
    stray = rng.random(count) < 0.02
    seen[stray] += rng.uniform(-3, 3, int(stray.sum()))
    return seen


@pytest.mark.parametrize("seed", range(40))
def test_tops_cameras_and_encoders_leave_no_pattern(seed) -> None:
    seen = clean(seed)
    assert train_of(steps_in(seen)) is None and train_of(steps_in(seen, of=strays_of)) is None
    at, _ = clear_steps(steps_in(seen))
    assert not crowded(at, 24.0).any()


def test_losses_that_the_stamps_tell_of_are_none() -> None:
    rng = np.random.default_rng(5)
    kept = np.flatnonzero(rng.random(600) > 0.05)
    every = np.flatnonzero(np.arange(600) % 25 > 0)
    for slot in (kept, every):
        steps = steps_in(with_noise(turned(slot / 30, 1500.0), 5), slot)
        # a course by the stamps: each gap holds as many advances as it says
        smooth = turned(slot / 30, 1500.0)
        steps = steps_of(with_noise(smooth, 5), smooth, slot, np.zeros(len(slot)))
        assert train_of(steps) is None and not len(clear_steps(steps)[0])


def test_coarse_stamps_that_step_by_a_pattern_are_no_cadence() -> None:
    slot = np.arange(600)
    late = 0.25 * (slot // 20)
    phase = turned((slot + late) / 30, 1040.0, 1e4)
    steps = steps_in(with_noise(phase, 1, 0.01), slot, late)
    assert train_of(steps) is None
    assert train_of(steps_in(with_noise(phase, 1, 0.01), slot)) is not None  # without the stamps


def test_single_losses_are_no_pattern_but_a_crowd_of_them_is_told() -> None:
    rng = np.random.default_rng(8)
    lost = np.sort(rng.choice(np.arange(20, 460), 3, replace=False))
    few = np.delete(np.arange(480), lost)
    steps = steps_in(with_noise(turned(few / 30, 1300.0), 8))
    assert train_of(steps) is None
    at, size = clear_steps(steps)
    assert not crowded(at, 30.0).any() and (np.abs(size) > 0.4).all()
    many = np.flatnonzero(rng.random(480) > 0.06)
    at, _ = clear_steps(steps_in(with_noise(turned(many / 30, 1300.0), 8)))
    assert crowded(at, 30.0).sum() >= 4


def asked(phase: np.ndarray, stamp: np.ndarray, speed: np.ndarray, off: int) -> Taken:
    """What is asked of an open order that is so many whole turns an interval off."""
    slot, n = np.arange(len(stamp)), len(stamp)
    turns = 2 * np.pi * off
    angles = Angles(
        0, SimpleNamespace(resolved=False, candidates=[
            SimpleNamespace(order=-k, probability=0.3) for k in (0, off, off - 2)
        ]), None, phase + turns * slot, *(np.zeros(n),) * 4, speed + turns * 30, np.zeros((n, 1)),
        None, None,
    )  # fmt: skip
    spin = SimpleNamespace(frame_rate=30.0, marks=1, slot=slot, passed=None)
    return how_taken(
        None, angles, SimpleNamespace(time_s=stamp), SimpleNamespace(spin=spin), (0, n - 1), None
    )


def test_uneven_frames_have_no_pattern_under_a_wrong_order() -> None:
    """A wrong order makes noise of frames that are late and say so, and some noise comes back."""
    accused = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        stamp = np.arange(560) / 30 + rng.normal(0, 1e-3, 560)
        phase, speed = (
            turned(stamp, 2061.0, 200.0),
            np.gradient(turned(stamp, 2061.0, 200.0), stamp),
        )
        seen = phase + rng.normal(0, 0.03, 560)
        turns = 2 * np.pi * 2
        wrong = frames_taken(
            stamp, seen + turns * np.arange(560), speed + turns * 30, np.arange(560), rate=30.0,
            marks=1,
        )  # fmt: skip
        accused.append(wrong.pattern is not None)
        assert asked(seen, stamp, speed, 2).pattern is None
    assert any(accused)


@pytest.mark.parametrize("off", [0, 2])
def test_a_pattern_is_there_under_every_order_where_stamps_are_even(off: int) -> None:
    real = taken(Fraction(30), Fraction(25), 20.0, 0.3)
    stamp = np.arange(len(real)) / 30
    seen = with_noise(turned(real, 1300.0), 1)
    speed = np.gradient(turned(stamp, 1300.0), stamp)
    assert asked(seen, stamp, speed, off).pattern is not None


def test_too_few_frames_have_no_steps() -> None:
    assert train_of(steps_in(turned(np.arange(30) / 30, 900.0))) is None
    assert len(crowded(np.zeros(0, int), 30.0)) == 0


def test_where_the_phase_steps_all_the_time_no_verdict_holds() -> None:
    """Frames lost all over the place: single steps do not stand out, so no order is sure."""
    rng = np.random.default_rng(2)
    kept = np.flatnonzero(rng.random(900) > 0.12)
    stamp = np.arange(len(kept)) / 30
    seen = with_noise(turned(kept / 30, 1000.0), 2)
    speed = np.gradient(turned(kept / 30, 1000.0), stamp)
    phase = Phase(
        stamp, np.mod(seen, 2 * np.pi), np.full(len(stamp), NOISE), speed, 2 * np.pi, 1 / 30,
        np.zeros(len(stamp), bool),
    )  # fmt: skip
    breaks = find_breaks(phase)
    assert isinstance(breaks, Breaks)
    assert breaks.jumps or breaks.blurred_s(np.inf) is not None


class Dropped(SimulatedFootage):
    """Every eighth picture left out, and the rest given even times."""

    def stream(self):  # type: ignore[no-untyped-def]
        stamps = []
        for frame in super().stream():
            stamps.append((frame.tick, frame.time_s))
            if frame.index % 8 == 3:
                continue
            index = frame.index - (frame.index + 5) // 8
            yield type(frame)(index, frame.chapter, *stamps[index], frame.luma)


@pytest.mark.parametrize("bounds", [None, (1300.0, 2000.0)])
def test_a_verdict_on_a_file_with_frames_left_out_is_taken_back(bounds) -> None:
    scene = Scene(
        width=240, height=160, seconds=14.0, law=ExponentialLoss(9.0), speed_rad_s=175.0,
        noise=1.5, frame_rate=30, seed=4,
    )  # fmt: skip
    made = measure(
        Dropped(scene), Settings(bounds_rpm=bounds), version="t", created="2024-05-01T12:00:00Z"
    )
    told = {check.name: check for check in made.checks}["re-timing"]
    assert not made.alias.resolved
    assert told.state == "fail" and told.figure.startswith("every 7 frames")
    assert "left out" in told.note
    assert made.alias.odds <= 1
    again = miscounted(replace(made.alias, resolved=True, odds=1e6), "the phase steps")
    assert not again.resolved and again.odds == 1 and "the phase steps" in again.reason


@pytest.mark.parametrize(("size", "hertz"), [(0.4, 2.0), (0.4, 2.5), (0.5, 1.5)])
def test_a_wobble_of_the_mark_is_no_pattern(size: float, hertz: float) -> None:
    """Its extremes come back as well, but every other one goes the other way."""
    at = taken(Fraction(30), Fraction(30), 60.0, 0.0)
    swing = size * np.sin(2 * np.pi * hertz * at)
    for seed in range(4):
        phase = with_noise(turned(at, 900.0 + 150 * seed) + swing, seed)
        assert train_of(steps_in(phase)) is None


def test_steps_that_the_next_one_takes_back_are_no_losses() -> None:
    """A few frames that show something else: two losses of one advance do not cancel."""
    slot = np.array([100, 108, 200, 300, 309, 400])
    size = np.array([1.2, -1.1, 1.2, -0.9, 1.0, 1.2])
    assert unpaired(slot, size, 30.0).tolist() == [200, 400]
    assert unpaired(slot, np.full(6, 3.1), 30.0).tolist() == slot.tolist()
    assert unpaired(np.array([100, 140]), np.array([1.2, -1.2]), 30.0).tolist() == [100, 140]


@pytest.mark.parametrize("seed", range(3))
def test_noise_alone_takes_no_verdict_back(seed: int) -> None:
    """Steps that the noise of the sightings explains are not those of frames that are missing."""
    t = np.arange(120 * 30) / 30
    speed = 150.0 * np.exp(-t / 120)
    angle = 150.0 * 120 * (1 - np.exp(-t / 120))
    angle = angle + 0.3 * np.random.default_rng(seed).standard_normal(len(t))
    u = np.full(len(t), 0.3)
    none = np.zeros(len(t), bool)
    phase = Phase(t, np.mod(angle, 2 * np.pi), u, speed, 2 * np.pi, 1 / 30, none)
    assert find_breaks(phase).blurred_s(np.inf, widened=WIDENED) is None
