"""A camera that rolls: how far it is told, and what that does to speeds and their doubt."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from fabricate_turning import RATE, even, exponential, noisy, turning
from rolled import MARGIN, Roll, Rolled

from vidspin.again import Wanted, work_out_again
from vidspin.frames.glance import BATCH, Glancer, Glances
from vidspin.instants.events import event, with_speed
from vidspin.measure import measure
from vidspin.reckoning import turning_of
from vidspin.records import Ellipse, FloatArray, Frame, Result, Settings, Survey
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage, speed
from vidspin.speed.curve import spin_curve
from vidspin.speed.roll import SHARE, roll_of, roll_u
from vidspin.speed.roll import Roll as Told
from vidspin.store.revive import _basis
from vidspin.store.tables import ROLL_ARRAYS, sightings_table
from vidspin.units import rpm_from_rad_s

SCENE = Scene(
    width=320 + 2 * MARGIN, height=180 + 2 * MARGIN, seconds=8.0, noise=0.2, speed_rad_s=170.0,
    law=ExponentialLoss(60.0), semi_axes_px=(50.0, 30.0), readout_s=0.004, seed=4,
)  # fmt: skip
RING = replace(SCENE.ring, x_px=SCENE.ring.x_px - MARGIN, y_px=SCENE.ring.y_px - MARGIN)
SURVEY = Survey(
    RING, 0.8, 1.2, 1, False, 1.0, (), np.zeros((1, 1), np.uint8), np.zeros((1, 1)), 1.0
)
UPRIGHT = Ellipse(160.0, 90.0, 60.0, 60.0, 0.0)


def ramp(degrees: float, first_s: float, last_s: float) -> Roll:
    return lambda t: np.radians(degrees) * np.clip((t - first_s) / (last_s - first_s), 0, 1)


def sway(degrees: float, hz: float) -> Roll:
    return lambda t: np.radians(degrees) * np.sin(2 * np.pi * hz * t)


def still(t: FloatArray) -> FloatArray:
    return 0 * t


@pytest.fixture(scope="module")
def drawn() -> list[Frame]:
    """Frames before the camera is turned, with room about what it sees."""
    return list(SimulatedFootage(SCENE).stream())


def looked_at(
    drawn: list[Frame],
    roll: Roll,
    *,
    change: Callable[[Frame], Frame] = lambda f: f,
    **moved: object,
) -> tuple[FloatArray, Glances]:
    """Frame times and what the frames say of a camera that rolls."""
    footage = Rolled(SCENE, roll, **moved)
    frames = [change(footage._turned(frame)) for frame in drawn]
    glancer = Glancer(SURVEY, frames[:: len(frames) // 9])
    for frame in frames:
        glancer.add(frame.luma)
    return np.array([frame.time_s for frame in frames]), glancer.finish()


def about(value: FloatArray) -> FloatArray:
    return value - np.median(value)


# ---------------------------------------------------------------------------- told


@pytest.mark.parametrize("roll", [ramp(3, 2, 5), ramp(5, 3, 5), sway(5, 0.3), ramp(2, 0, 8)])
def test_roll_of_degrees_is_told(drawn: list[Frame], roll: Roll) -> None:
    """Also one that goes on for so long that the setting's reference would have followed it."""
    t, told = looked_at(drawn, roll)
    assert np.isfinite(told.roll).mean() > 0.85
    known = np.isfinite(told.roll)
    true, found = roll(t)[known], told.roll[known].astype(float)
    assert np.polyfit(true, found, 1)[0] == pytest.approx(1.0, abs=0.3)  # blocks are coarse
    assert np.std(about(found) - about(true)) < 0.3 * np.std(true)


def test_roll_is_told_while_the_camera_wanders(drawn: list[Frame]) -> None:
    t, told = looked_at(
        drawn, ramp(3, 2, 5), shift=lambda t: (8 * np.sin(2 * t), 5 * np.cos(1.5 * t))
    )
    known = np.isfinite(told.roll)
    assert known.mean() > 0.9
    assert np.polyfit(ramp(3, 2, 5)(t)[known], told.roll[known], 1)[0] == pytest.approx(1, abs=0.15)


def test_camera_at_rest_or_shifted_does_not_roll(drawn: list[Frame]) -> None:
    for shift in (lambda t: (0.0, 0.0), lambda t: (2 * np.sin(t), np.cos(t))):
        _, told = looked_at(drawn, still, shift=shift)
        assert np.isfinite(told.roll).all()
        assert np.std(told.roll) < 1e-3


@pytest.mark.parametrize(("bands", "cloud"), [(0.1, 0.0), (0.0, 0.1), (0.02, 0.05)])
def test_passing_light_and_a_lamps_bands_are_no_roll(
    drawn: list[Frame], bands: float, cloud: float
) -> None:
    def lit(frame: Frame) -> Frame:
        rows, columns = (np.arange(n) / 130 for n in frame.luma.shape)
        swing = bands * np.sin(2 * np.pi * (rows[:, None] + frame.time_s * 1.7))
        light = 0.9 + swing - cloud * np.sin(frame.time_s / 2) * columns - 0.01 * frame.time_s
        return replace(frame, luma=np.rint(frame.luma * light).astype(np.uint8))

    _, told = looked_at(drawn, still, change=lit)
    assert np.isfinite(told.roll).mean() > 0.9
    assert np.nanstd(told.roll) < 1.5e-3


def test_hand_that_passes_is_hardly_a_roll(drawn: list[Frame]) -> None:
    def reached(frame: Frame) -> Frame:
        luma, reach = frame.luma.copy(), max(0, int(90 - 60 * abs(frame.time_s - 4.0)))
        luma[20:70, luma.shape[1] - reach :] = 190
        return replace(frame, luma=luma)

    _, told = looked_at(drawn, still, change=reached)
    assert np.nanmax(np.abs(about(told.roll.astype(float)))) < 6e-3


def test_plain_setting_tells_no_roll() -> None:
    flat = [
        np.clip(np.random.default_rng(k).normal(120, 2, (180, 320)), 0, 255).astype(np.uint8)
        for k in range(BATCH + 8)
    ]
    glancer = Glancer(SURVEY, [Frame(0, 0, 0, 0.0, flat[0])])
    for one in flat:
        glancer.add(one)
    told = glancer.finish()
    assert roll_of(told.roll, told.u_roll, RING) is None or np.isnan(told.roll).mean() > 0.5


def test_broken_off_pass_goes_on_with_the_same_roll(drawn: list[Frame]) -> None:
    footage = Rolled(SCENE, sway(3, 0.2))
    frames = [footage._turned(frame) for frame in drawn]
    _, whole = looked_at(drawn, sway(3, 0.2))
    first, second = (Glancer(SURVEY, frames[:: len(frames) // 9]) for _ in range(2))
    for frame in frames[:150]:
        first.add(frame.luma)
    second.go_on({name: np.array(value) for name, value in first.state().items()})
    for frame in frames[150:]:
        second.add(frame.luma)
    np.testing.assert_array_equal(second.finish().roll, whole.roll)


# --------------------------------------------------------------------------- doubt


def told_as(turn: FloatArray, ring: Ellipse = UPRIGHT, noise: float = 3e-4) -> Told:
    """A roll as it is told, with noise."""
    roll = roll_of(
        turn + np.random.default_rng(2).normal(0, noise, len(turn)), np.full(len(turn), noise), ring
    )
    assert roll is not None
    return roll


def test_noise_is_told_from_neighbours() -> None:
    t = np.arange(600) / RATE
    assert told_as(sway(2, 0.3)(t)).noise_rad == pytest.approx(3e-4, rel=0.15)


def test_path_seen_from_aside_turns_by_more_than_the_camera() -> None:
    """The mean over marks all round an ellipse that is turned by a small angle."""
    ring, small = Ellipse(0.0, 0.0, 60.0, 30.0, 0.0), 1e-4
    phase = np.arange(360) * np.pi / 180
    x, y = 60 * np.cos(phase), 30 * np.sin(phase)
    cos, sin = np.cos(small), np.sin(small)
    seen = np.arctan2((sin * x + cos * y) / 30, (cos * x - sin * y) / 60)
    mean = float(np.angle(np.exp(1j * (seen - phase))).mean())
    assert told_as(np.zeros(60), ring).gain == pytest.approx(mean / small, rel=1e-3)


def test_doubt_is_the_share_of_what_the_roll_does_to_the_slope() -> None:
    t = np.arange(20 * RATE) / RATE
    roll = told_as(ramp(2, 8, 10)(t))
    at, width = np.array([4.0, 9.0, 15.0]), np.full(3, 1.6)
    told = roll_u(roll, t, np.ones(len(t)), at, width)
    assert told == pytest.approx([0.0, SHARE * np.radians(1.0), 0.0], rel=0.1)
    assert not roll_u(None, t, np.ones(len(t)), at, width).any()
    assert not roll_u(roll, t, np.zeros(len(t)), at, width).any()


def test_noise_of_a_camera_at_rest_is_no_doubt() -> None:
    t = np.arange(120 * RATE) / RATE
    at = np.arange(3.0, 117.0, 0.5)
    told = roll_u(told_as(0 * t), t, np.ones(len(t)), at, np.full(len(at), 2.0))
    assert np.count_nonzero(told) <= 2


def test_roll_that_was_lost_for_a_while_goes_straight_on() -> None:
    t = np.arange(20 * RATE) / RATE
    turn = ramp(2, 8, 10)(t)
    turn[(t > 8.4) & (t < 9.6)] = np.nan
    told = roll_u(told_as(turn), t, np.ones(len(t)), np.array([9.0]), np.array([1.6]))
    # the rate beside it is that of the ramp or, by noise, a little more
    assert 0.9 < told[0] / (SHARE * np.radians(1.0)) < 1.3


def test_what_turned_too_fast_to_be_told_is_no_rest() -> None:
    """There and back within a second: nothing is left of it between the ends of the gap."""
    t = np.arange(20 * RATE) / RATE
    turn = np.radians(8.0) * np.exp(-0.5 * ((t - 10) / 0.35) ** 2)
    turn[np.abs(t - 10) < 0.6] = np.nan
    told = roll_u(told_as(turn), t, np.ones(len(t)), np.array([9.6]), np.array([1.0]))
    assert told[0] > 0.05  # rad/s; a straight line between the ends says 0


def test_speeds_of_a_rolling_camera_say_why_they_are_less_sure() -> None:
    t = np.arange(20 * RATE) / RATE
    steady = turning(noisy(even(), 20.0, 3))
    rolls = replace(steady, roll=told_as(ramp(3, 9, 11)(t)))
    rests = replace(steady, roll=told_as(0 * t))
    (sure, noise), (doubted, _), (same, _) = (spin_curve(s, 1.0) for s in (steady, rolls, rests))
    near = np.abs(sure.time_s - 10.0) < 1.0
    assert np.array_equal(doubted.speed_rad_s, sure.speed_rad_s)  # nothing is corrected
    assert (doubted.u_speed_rad_s[near] > 1.5 * sure.u_speed_rad_s[near]).all()
    assert np.array_equal(same.u95_speed_rad_s, sure.u95_speed_rad_s)
    lines = [{c.name: c for c in b.components} for b in doubted.budgets]
    assert lines[1]["camera roll"].u > 0.01
    assert (lines[1]["camera roll"].type, lines[1]["camera roll"].dof) == ("B", 50.0)
    assert all("camera roll" not in {c.name for c in b.components} for b in same.budgets)
    end = event(
        "release", seen=True, time_s=9.0, u95_s=0.01, how="", stated_s=None, reason=""
    )  # fmt: skip
    doubts = [with_speed(end, s, noise, sure).u95_rad_s for s in (steady, rolls)]
    assert doubts[0] is not None and doubts[1] is not None and doubts[1] > 1.2 * doubts[0]


# --------------------------------------------------------------- recordings, whole


def measured(roll: Roll, **changed: object) -> tuple[Result, FloatArray]:
    """A result, and how many u95 each of its speeds is off."""
    scene = replace(SCENE, **changed)
    rpm = rpm_from_rad_s(scene.speed_rad_s)
    result = measure(
        Rolled(scene, roll, noise=1.0), Settings(bounds_rpm=(0.85 * rpm, 1.05 * rpm)),
        version="1.2.3", created="2024-05-01T12:00:00Z",
    )  # fmt: skip
    curve = result.curve
    error = np.abs(curve.speed_rad_s - speed(scene, curve.time_s)) / curve.u95_total_rad_s
    return result, error[np.isfinite(error)]


def steady(result: Result) -> tuple[str, str, bool]:
    (check,) = (c for c in result.checks if c.name == "camera steady")
    return check.figure, check.note, check.look


def without(result: Result) -> FloatArray:
    """Uncertainties of the same sightings without what was told of the roll."""
    assert result.basis is not None
    nothing = np.full_like(result.basis.roll_rad, np.nan)
    kept = replace(result, basis=replace(result.basis, roll_rad=nothing))
    curve = work_out_again(kept, Wanted(), version="1", created="2024-05-01T12:00:00Z").curve
    return curve.u95_total_rad_s


@pytest.fixture(scope="module")
def rolling() -> tuple[Result, FloatArray]:
    """Four degrees in two seconds."""
    return measured(ramp(4, 3, 5))


def test_speeds_of_a_rolled_recording_lie_within_their_uncertainty(
    rolling: tuple[Result, FloatArray],
) -> None:
    result, error = rolling
    assert np.mean(error <= 1) >= 0.9
    assert (error * result.curve.u95_total_rad_s / without(result)).max() > 1.5  # as it was


def test_check_names_the_roll_in_degrees(rolling: tuple[Result, FloatArray]) -> None:
    figure, note, look = steady(rolling[0])
    assert look and "the camera turned" in note
    half, whole = (float(n) for n in re.findall(r"([0-9.]+) deg", figure))
    assert half == pytest.approx(1.0, rel=0.3) and whole == pytest.approx(4.0, rel=0.2)


def test_result_that_is_worked_out_again_keeps_the_roll(
    rolling: tuple[Result, FloatArray],
) -> None:
    result, _ = rolling
    again = work_out_again(result, Wanted(), version="1", created="2024-05-01T12:00:00Z")
    np.testing.assert_allclose(again.curve.u95_total_rad_s, result.curve.u95_total_rad_s, rtol=1e-6)


def test_result_of_an_older_version_tells_no_roll(rolling: tuple[Result, FloatArray]) -> None:
    with np.load(io.BytesIO(sightings_table(rolling[0]))) as archive:
        arrays = dict(archive)
    old = {name: array for name, array in arrays.items() if name not in ROLL_ARRAYS}
    kept, before = (replace(rolling[0], basis=_basis(a)) for a in (arrays, old))
    spin, plain = turning_of(kept), turning_of(before)
    assert spin is not None and spin.roll is not None
    assert plain is not None and plain.roll is None
    assert np.array_equal(plain.angle_rad, spin.angle_rad, equal_nan=True)


def test_recording_at_rest_keeps_its_budget() -> None:
    result, error = measured(still)
    np.testing.assert_array_equal(result.curve.u95_total_rad_s, without(result))
    assert np.mean(error <= 1) >= 0.9
    figure, _, look = steady(result)
    assert not look and "turns by 0.0" in figure


def test_a_roll_that_has_its_line_is_no_unevenness_too() -> None:
    angle = noisy(exponential(200.0, 600.0), 60.0, 0)
    t = np.arange(len(angle)) / RATE
    turn = np.radians(3.0) * np.sin(2 * np.pi * t / 5.0)
    told = Told(turn / 1.025, np.full(len(t), 1e-4), 1.025, 1e-4)
    rolled = spin_curve(replace(turning(angle + turn), roll=told), 1.0)[0]
    lines = {c.name: c.u for c in rolled.budgets[1].components}
    assert lines["camera roll"] > 0.01 and lines["unevenness"] == 0.0
    untold = spin_curve(turning(angle + turn), 1.0)[0]
    assert next(c.u for c in untold.budgets[1].components if c.name == "unevenness") > 0.01
