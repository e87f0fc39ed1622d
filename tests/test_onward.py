"""A spin goes on where the frames come at another pace, under its own order only."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from vidspin.footage.rates import nominal_rate
from vidspin.measure import measure
from vidspin.order.apparent import Track, follow_phase, slots
from vidspin.order.onward import Spots, followed, told
from vidspin.pace import of_main_pace, other_rates
from vidspin.records import FloatArray, Settings
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage
from vidspin.units import rad_s_from_rpm, rpm_from_rad_s

LONG_S = 40.0


def instants(*paces: tuple[float, float]) -> FloatArray:
    """Frame times: (seconds, frames a second) one after the other."""
    parts, begin = [], 0.0
    for seconds, rate in paces:
        count = round(seconds * rate)
        parts.append(begin + np.arange(count) / rate)
        begin += count / rate
    return np.concatenate(parts)


def turned(time_s: FloatArray, rpm: float) -> FloatArray:
    """Angle of a top that slows down."""
    return rpm * np.pi / 30 * LONG_S * (1 - np.exp(-time_s / LONG_S))


def spotted(
    time_s: FloatArray, angle: FloatArray, *, marks: int = 1, rate: float = 30.0, seed: int = 0
) -> tuple[Track, Spots]:
    """What is followed at the nominal pace, and what all frames show."""
    rng = np.random.default_rng(seed)
    seen = angle + rng.normal(0, 0.05, len(angle)) / marks
    seen = np.mod(seen, 2 * np.pi / marks)
    weight = (rng.random(len(seen)) > 0.05).astype(float)
    tracks = follow_phase(time_s, seen, weight, frame_rate=rate, marks=marks)
    return tracks[0], Spots(time_s, marks * seen, weight, slots(time_s, rate), rate)


def true_order(track: Track, time_s: FloatArray, angle: FloatArray, marks: int) -> int:
    """Whole turns of the mark phase a nominal interval that the track lacks."""
    k = slice(track.first + 20, track.first + 60)
    rate = marks * np.gradient(angle, time_s)[k] / (2 * np.pi * 30.0)
    apparent = np.interp(time_s[k], track.window_s, track.cycles_per_slot)
    return round(float(np.median(rate - apparent)))


@pytest.mark.parametrize("marks", [1, 2, 3])
@pytest.mark.parametrize("rpm", [-2310.0, -640.0, 377.0, 1500.0, 1790.0])
@pytest.mark.parametrize("paces", [((10, 30), (6, 24)), ((4, 25), (9, 30), (4, 25))])
def test_the_spin_goes_on_at_another_pace_under_its_own_order(marks, rpm, paces) -> None:
    t = instants(*paces)
    angle = turned(t, rpm)
    track, spots = spotted(t, angle, marks=marks)
    order = true_order(track, t, angle, marks)
    agree = told(track, range(order - 9, order + 10), spots)
    assert agree is not None
    best = max(agree.values())
    other = round(paces[-1][1])  # orders so far apart are the same at both paces
    period = Fraction(30, other).denominator
    assert {n for n, count in agree.items() if count == best} == {
        n for n in agree if (n - order) % period == 0
    }
    assert all(count == 0 for n, count in agree.items() if (n - order) % period)

    found = followed(track, order, spots)
    assert found is not None
    longer, passed = found
    assert longer.first < 15 and longer.last > len(t) - 15
    phase = longer.phase_rad + 2 * np.pi * order * passed
    off = phase - marks * angle
    off -= np.round(np.nanmedian(off) / (2 * np.pi)) * 2 * np.pi
    assert np.nanmax(np.abs(off)) < 0.4  # whole turns as well, from one pace to the next
    assert np.isfinite(off).sum() > 0.9 * len(t)
    assert followed(track, order + 1, spots) is None


def test_a_spin_that_ends_at_the_change_is_not_followed() -> None:
    t = instants((8, 30), (8, 24))
    angle, after = turned(t, 1500.0), t >= 8.0
    for rpm_less in (300.0, 1228.1):  # a blow, and a hand that stops it
        course = np.where(after, angle - rpm_less * np.pi / 30 * (t - 8.0), angle)
        track, spots = spotted(t, course)
        order = true_order(track, t, course, 1)
        assert not (told(track, range(-9, 10), spots) or {}).get(order)
        assert followed(track, order, spots) is None


def test_a_hand_that_stops_the_top_at_the_change_hardly_ever_speaks_for_an_order() -> None:
    """Nothing turns on: only a speed that looks like none at the new pace goes on by chance."""
    rng, met = np.random.default_rng(3), 0
    for seed in range(60):
        t = instants((6, 30), (5, 24))
        angle = turned(t, float(rng.uniform(500, 3000)))
        track, spots = spotted(t, np.where(t >= 6.0, angle[180], angle), seed=seed)
        agree = told(track, range(0, 4), spots) or {}  # four in a row: all there are at 24
        met += sum(count >= 2 for count in agree.values())
    assert met <= 60 * 4 / 12  # of 300 such tops 1 in 19


def test_frames_of_one_pace_tell_nothing_and_stay_as_they_are() -> None:
    t = np.delete(instants((12, 30)), [50, 51, 190])
    track, spots = spotted(t, turned(t, 1500.0))
    assert told(track, range(-3, 4), spots) is None
    assert followed(track, 1, spots) is None


def test_the_nominal_rate_is_a_pace_and_not_the_mean_of_two() -> None:
    base = Fraction(1, 90000)
    for paces, expected in (
        (((12, 30), (12, 24)), 30),
        (((5, 30), (12, 24)), 24),
        (((12, 30), (3, 24), (4, 25)), 30),
    ):
        ticks = np.rint(instants(*paces) * 90000).astype(np.int64)
        assert nominal_rate(ticks, base).rate == expected
    t = instants((12, 30), (3, 24), (3, 30), (4, 20))
    assert other_rates(t, 30.0) == (pytest.approx(24.0), pytest.approx(20.0))
    rng = np.random.default_rng(0)
    uneven = np.diff(np.arange(601) + rng.normal(0, 0.1, 601))
    assert of_main_pace(uneven).all()
    mixed = rng.choice([1.0, 1.25], 600)
    assert of_main_pace(mixed).mean() > 0.3


SCENE = Scene(
    width=240, height=180, seconds=13.0, speed_rad_s=float(rad_s_from_rpm(1500.0)),
    law=ExponentialLoss(30.0), exposure_s=1 / 250, readout_s=0.008, noise=2.0, seed=5,
    paces=((6.5, Fraction(24)),),
)  # fmt: skip


@pytest.mark.parametrize("scene", [SCENE, replace(SCENE, paces=((3.0, Fraction(24)),))])
def test_a_recording_of_two_paces_is_resolved_and_measured_whole(scene: Scene) -> None:
    result = measure(
        SimulatedFootage(scene), Settings(), version="test", created="2026-01-01T00:00:00Z"
    )
    assert result.alias.resolved
    vote = next(v for v in result.alias.votes if v.cue == "uneven frame times")
    assert vote.log_odds[1] < -6
    at, speed, u95 = result.curve.time_s, result.curve.speed_rad_s, result.curve.u95_speed_rad_s
    known = np.isfinite(speed)
    assert at[known][0] < 4 and at[known][-1] > 11.5
    truth = 1500.0 * np.exp(-at / 30.0)
    off = np.abs(rpm_from_rad_s(np.abs(speed)) - truth)[known]
    assert (off < rpm_from_rad_s(u95[known])).mean() > 0.8
    assert off.max() < 0.5
    assert [c.name for c in result.checks if c.state == "fail"] == []
