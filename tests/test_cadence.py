"""Frames that were taken at another rate than they are stored with are found out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vidspin.checks.believed import keeps_on
from vidspin.errors import UsageError
from vidspin.measure import measure
from vidspin.order.alias import taken_back, taken_unevenly
from vidspin.order.cadence import Pattern, pattern_of
from vidspin.records import AliasVerdict, Settings
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage


def smooth(time_s: np.ndarray, rpm: float = 1100.0, falls_s: float = 15.0) -> np.ndarray:
    """Mark phase of a top that slows down."""
    return rpm * np.pi / 30 * falls_s * (1 - np.exp(-time_s / falls_s))


def stored(taken: int, rate: int, seconds: float = 11.0) -> tuple[np.ndarray, np.ndarray]:
    """Stamps of a file of `rate` made from frames of rate `taken`, and when these were taken."""
    stamp = np.arange(int(seconds * rate)) / rate
    return stamp, np.floor(stamp * taken + 1e-6) / taken


def followed(phase: np.ndarray, period: int = 24) -> np.ndarray:
    """What a tracker makes of phases that it knows up to whole turns: a smooth course."""
    step = np.angle(np.exp(1j * np.diff(phase, prepend=phase[0])))
    turned = np.cumsum(step)
    x = np.arange(len(turned))
    out = np.empty(len(turned))
    for first in range(0, len(turned), period):
        rows = slice(first, first + period)
        out[rows] = np.polyval(np.polyfit(x[rows], turned[rows], 2), x[rows])
    return phase - turned + out


def found(phase: np.ndarray, noise: float = 0.05, seed: int = 0, late: float = 0.0) -> object:
    rng = np.random.default_rng(seed)
    seen = phase + noise * rng.standard_normal(len(phase))
    slot = np.arange(len(phase))
    return pattern_of(seen, followed(phase), slot, late * (slot % 2))


@pytest.mark.parametrize(
    ("taken", "rate", "frames"), [(30, 60, 2), (25, 30, 6), (30, 25, 5), (20, 30, 3)]
)
@pytest.mark.parametrize("seed", range(3))
def test_a_converted_rate_is_found_by_its_pattern(taken, rate, frames, seed) -> None:
    _, true_s = stored(taken, rate)
    pattern = found(smooth(true_s, 300.0 + 40 * seed), seed=seed)
    assert isinstance(pattern, Pattern) and pattern.frames == frames and pattern.off_rad > 0.06


@pytest.mark.parametrize("seed", range(20))
def test_even_frames_have_no_pattern(seed) -> None:
    rng = np.random.default_rng(seed)
    true_s = np.arange(330) / 30 + rng.choice([0, 0.001]) * rng.standard_normal(330)
    phase = smooth(true_s, rng.uniform(300, 2200))
    # what a shutter leaves goes with the mark's angle, at any speed
    left = 0.08 * np.sin(phase + rng.uniform(0, 6)) + 0.05 * np.sin(2 * phase)
    assert found(phase + left, noise=rng.uniform(0.02, 0.5), seed=seed) is None


def test_a_pattern_that_the_stamps_have_too_is_known() -> None:
    _, true_s = stored(30, 60)
    assert found(smooth(true_s, 340.0)) is not None
    assert found(smooth(true_s, 340.0), late=0.5) is None


def test_too_few_frames_tell_nothing() -> None:
    _, true_s = stored(30, 60, 1.0)
    assert found(smooth(true_s)) is None


def test_a_verdict_on_such_frames_is_taken_back() -> None:
    scene = Scene(
        width=240, height=160, seconds=9.0, law=ExponentialLoss(12.0), speed_rad_s=120.0,
        noise=1.5, frame_rate=60, seed=4,
    )  # fmt: skip
    even = SimulatedFootage(scene)
    settings = Settings(bounds_rpm=(900.0, 1400.0))
    plain = measure(even, settings, version="t", created="2024-05-01T12:00:00Z")
    assert plain.alias.resolved

    class Doubled(SimulatedFootage):
        """Every second picture shown twice, as in 60 frames a second made from 30."""

        def stream(self):  # type: ignore[no-untyped-def]
            before = None
            for frame in super().stream():
                before = frame.luma if frame.index % 2 == 0 else before
                yield type(frame)(
                    frame.index, frame.chapter, frame.tick, frame.time_s, before.copy()
                )

    made = measure(Doubled(scene), settings, version="t", created="2024-05-01T12:00:00Z")
    assert not made.alias.resolved and "pattern of 2" in made.alias.reason
    told = {check.name: check for check in made.checks}["re-timing"]
    assert told.state == "fail" and "every 2 frames" in told.figure
    assert isinstance(made.alias, AliasVerdict)
    assert not taken_unevenly(plain.alias, Pattern(2, 0.2)).resolved
    assert not taken_back(plain.alias, "why").resolved


def test_no_speed_is_told_on_times_that_may_be_stretched() -> None:
    """Slow motion without its tag, whose sound tells: all speeds would be eight times as high."""
    scene = Scene(
        width=240, height=160, seconds=6.0, law=ExponentialLoss(12.0), speed_rad_s=75.0,
        noise=1.5, frame_rate=30, seed=4,
    )  # fmt: skip
    footage, settings = SimulatedFootage(scene), Settings(bounds_rpm=(500.0, 900.0))
    assert measure(footage, settings, version="t", created="2024-05-01T12:00:00Z").alias.resolved
    footage.facts = replace(footage.facts, time_doubt="the sound lasts 0.75 s")
    told = measure(footage, settings, version="t", created="2024-05-01T12:00:00Z").alias
    assert not told.resolved and told.reason == "the sound lasts 0.75 s"
    assert told.odds <= 1.0
    with pytest.raises(UsageError) as refused:  # 700 and 2500 are candidates
        measure(
            footage, Settings(bounds_rpm=(1400.0, 1700.0)), version="t",
            created="2024-05-01T12:00:00Z",
        )  # fmt: skip
    assert refused.value.do == "the sound lasts 0.75 s"


def test_what_does_not_slow_is_no_free_top() -> None:
    """A lamp that pulses at 100 Hz made 1200.00 rev/min in every row, at 10**12 to 1."""
    at = np.arange(0.0, 11.0, 0.3)
    rng = np.random.default_rng(1)
    even = 125.66 + 0.001 * rng.standard_normal(len(at))
    assert keeps_on(at, even) and keeps_on(at, -even)
    assert not keeps_on(at, even * np.exp(-at / 3000))  # the best top
    assert not keeps_on(at[:10], even[:10])  # too short to tell


@pytest.mark.parametrize("harmonic", [1, 2])
@pytest.mark.parametrize("size", [2, 3, 4, 5, 6])
def test_what_goes_with_the_mark_s_angle_is_no_pattern_where_that_keeps_to_the_frames(
    size: int, harmonic: int
) -> None:
    """An encoder put a faint mark off by a third of a radian at some places of the ring."""
    at = np.arange(330) / 30.0
    for off in (-0.03, 0.0, 0.02):  # rad a frame beside a speed at which the mark comes back
        phase = (2 * np.pi / size / harmonic + off) * 30.0 * at - 0.01 * at**2
        assert found(phase + 0.3 * np.cos(harmonic * phase)) is None, off


def test_a_mark_that_keeps_to_the_frames_for_seconds_is_no_pattern() -> None:
    """25 turns a second in 30 frames: each sixth frame sees it at one place, and shutter and
    geometry put it off there by the same part all the time."""
    scene = Scene(
        width=320, height=180, seconds=10.0, law=ExponentialLoss(300.0), speed_rad_s=159.6,
        first_angle_rad=1.0, mark_contrast=-96.0, exposure_s=0.002, noise=6.0, seed=42,
    )  # fmt: skip
    result = measure(
        SimulatedFootage(scene), Settings(bounds_rpm=(1370.0, 1680.0)), version="t",
        created="2024-05-01T12:00:00Z",
    )  # fmt: skip
    assert result.alias.resolved
    assert next(c for c in result.checks if c.name == "re-timing").state != "fail"
