"""Whole frames: hands, light, camera, focus, repeats; and what enters the setting."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vidspin.frames.glance import BANDS, BATCH, Glancer, Glances
from vidspin.instants.intrusion import between, reaction, visits
from vidspin.records import Ellipse, Frame, Survey

ROWS, COLUMNS = 180, 320
RING = Ellipse(160.0, 90.0, 30.0, 24.0, 0.0)
SURVEY = Survey(
    RING, 0.8, 1.1, 1, False, 1.0, (), np.zeros((1, 1), np.uint8), np.zeros((1, 1)), 1.0
)
RNG = np.random.default_rng(7)
TABLE = np.clip(
    110 + 25 * np.kron(RNG.normal(0, 1, (12, 20)), np.ones((15, 16))), 30, 200
)  # patches with edges


def picture(seed: int, table: np.ndarray = TABLE, noise: float = 2.0) -> np.ndarray:
    noisy = table + np.random.default_rng(seed).normal(0, noise, table.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def glances_of(pictures: list[np.ndarray]) -> Glances:
    still = [Frame(k, 0, k, k / 30, picture(900 + k)) for k in range(8)]
    glancer = Glancer(SURVEY, still)
    for one in pictures:
        glancer.add(one)
    return glancer.finish()


def with_hand(reach: int, level: float = 190.0) -> np.ndarray:
    table = TABLE.copy()
    table[20:60, COLUMNS - reach :] = level
    return table


def test_still_setting_holds_nothing_new() -> None:
    told = glances_of([picture(k) for k in range(100)])
    assert len(told.same) == 100 and told.bands.shape == (100, BANDS)
    assert not np.isfinite(told.near).any() and told.new.max() == 0
    assert told.light == pytest.approx(1.0, abs=0.005)
    assert np.hypot(told.shift_x, told.shift_y).max() < 1.0
    assert told.same[1:].max() < 0.35  # noise of two grey levels leaves one in seven alike
    assert told.bands == pytest.approx(1.0, abs=0.01)


def test_bands_are_kept_as_long_as_they_are_asked_for() -> None:
    pictures = [picture(k) for k in range(2 * BATCH + 5)]
    asked = BATCH + 9
    glancer = Glancer(SURVEY, [Frame(k, 0, k, k / 30, picture(900 + k)) for k in range(8)])
    for k, one in enumerate(pictures):
        glancer.add(one, bands=k < asked)
    told, whole = glancer.finish(), glances_of(pictures)
    np.testing.assert_array_equal(told.bands, whole.bands[:asked])
    np.testing.assert_array_equal(told.jump, whole.jump)


def test_hand_is_seen_with_its_part_and_how_near_it_comes() -> None:
    pictures = [picture(k, with_hand(100) if 40 <= k < 70 else TABLE) for k in range(100)]
    told = glances_of(pictures)
    there = np.isfinite(told.near)
    assert np.flatnonzero(there).tolist() == list(range(40, 70))
    # 40 rows by 100 columns of 180 by 320, up to a block of 8 more on each side
    assert 40 * 100 <= told.new[there].mean() * 180 * 320 <= 56 * 116
    nearest = np.hypot(COLUMNS - 100 - RING.x_px, RING.y_px - 60) / (30.0 * 1.1)
    assert told.near[there].mean() == pytest.approx(nearest, abs=0.3)


def test_exposure_that_steps_is_light_and_nothing_new() -> None:
    pictures = [picture(k, TABLE * (1.25 if k >= 50 else 1.0)) for k in range(100)]
    told = glances_of(pictures)
    assert not np.isfinite(told.near).any()
    assert told.light[60:].mean() == pytest.approx(1.25, abs=0.02)
    assert told.jump[50] < 3 * np.median(told.jump)


def test_black_pictures_are_dark_and_divide_by_nothing() -> None:
    black = np.zeros(TABLE.shape, np.uint8)
    told = glances_of([black if 40 <= k < 44 else picture(k) for k in range(100)])
    assert told.light[40:44] == pytest.approx(0.0, abs=0.01)
    assert np.isfinite(told.shift_x).all() and np.isfinite(told.shift_y).all()


def test_creeping_bands_of_a_lamp_are_nothing_new() -> None:
    rows = np.arange(ROWS)[:, None]
    pictures = [
        picture(k, TABLE * (1 + 0.15 * np.cos(2 * np.pi * (rows / 130 + k / 90))))
        for k in range(2 * BATCH)
    ]
    told = glances_of(pictures)
    assert np.isfinite(told.near).mean() < 0.02
    assert told.bands.std(axis=0).max() > 0.05  # but they are told


def test_camera_that_shifts_is_told_in_stored_elements() -> None:
    pictures = [picture(k, np.roll(TABLE, 2, axis=1) if k >= 50 else TABLE) for k in range(100)]
    told = glances_of(pictures)
    moved = np.median(told.shift_x[60:]) - np.median(told.shift_x[:40])
    # one linear step on block means gets most of it
    assert moved == pytest.approx(2.0, abs=0.8)
    assert abs(np.median(told.shift_y[60:])) < 0.5


def test_repeated_picture_equals_the_one_before_it() -> None:
    pictures = [picture(k) for k in range(60)]
    pictures[30:40] = [pictures[29]] * 10
    told = glances_of(pictures)
    assert np.flatnonzero(told.same > 0.9995).tolist() == list(range(30, 40))
    assert told.jump[30:40].max() == 0.0


def test_scene_that_changes_at_once_jumps() -> None:
    other = TABLE[::-1]
    told = glances_of([picture(k, other if k >= 50 else TABLE) for k in range(80)])
    assert int(np.argmax(told.jump)) == 50
    assert told.jump[50] > 10 * np.median(told.jump)


def test_blur_takes_the_steepness_of_edges() -> None:
    grain = 110 + np.random.default_rng(5).normal(0, 20, TABLE.shape)
    soft = np.apply_along_axis(lambda v: np.convolve(v, np.ones(3) / 3, "same"), 1, grain)
    sharp = glances_of([picture(k, grain, noise=0.3) for k in range(20)]).sharp
    dull = glances_of([picture(k, soft, noise=0.3) for k in range(20)]).sharp
    assert dull.mean() < 0.7 * sharp.mean()


def test_ten_bit_pictures_say_the_same() -> None:
    deep = [picture(k).astype(np.uint16) * 4 for k in range(20)]
    still = [Frame(k, 0, k, k / 30, picture(900 + k).astype(np.uint16) * 4) for k in range(8)]
    glancer = Glancer(SURVEY, still)
    for one in deep:
        glancer.add(one)
    told, plain = glancer.finish(), glances_of([picture(k) for k in range(20)])
    assert told.light == pytest.approx(plain.light, abs=1e-3)
    assert told.sharp == pytest.approx(plain.sharp, abs=1e-6)


@pytest.mark.parametrize("shape", [(16, 16), (24, 400), (400, 24)])
def test_odd_sizes_are_looked_at(shape) -> None:
    frame = np.full(shape, 90, np.uint8)
    tiny = Survey(Ellipse(shape[1] / 2, shape[0] / 2, 6.0, 5.0, 0.0), 0.8, 1.1, 1, False, 1.0, (),
                  np.zeros((1, 1), np.uint8), np.zeros((1, 1)), 1.0)  # fmt: skip
    glancer = Glancer(tiny, [Frame(0, 0, 0, 0.0, frame)])
    for _ in range(3):
        glancer.add(frame)
    assert len(glancer.finish().light) == 3
    assert len(Glancer(tiny, [Frame(0, 0, 0, 0.0, frame)]).finish().light) == 0


# --------------------------------------------------------------------------- visits


def test_visits_join_short_absences_and_leave_out_flashes() -> None:
    t = np.arange(300) / 30.0
    near, part = np.full(300, np.inf), np.zeros(300)
    for low, high in ((60, 80), (85, 100), (200, 201)):
        near[low:high], part[low:high] = 2.0, 0.1
    near[90] = 1.4
    covered = np.zeros(300, bool)
    (visit,) = visits(t, near, part, covered)
    assert (visit.from_s, visit.to_s) == (pytest.approx(2.0), pytest.approx(99 / 30))
    assert visit.nearest == 1.4 and visit.part == 0.1
    covered[95:105] = True
    assert visits(t, near, part, covered)[0].nearest == 0.0
    assert visits(t, np.full(300, np.inf), part, np.zeros(300, bool)) == ()


def test_hand_that_lets_go_was_there_before_the_spin() -> None:
    t = np.arange(300) / 30.0
    near = np.where((t < 2.0) | ((t > 5) & (t < 6)), 2.0, np.inf)
    found = visits(t, near, np.zeros(300), np.zeros(300, bool))
    assert len(found) == 2
    assert [v.from_s for v in between(found, 1.5, 9.0)] == [pytest.approx(5.0, abs=0.1)]


def test_reaction_is_told_with_its_uncertainty() -> None:
    from faulty_spins import record
    from test_breaks import PLAIN, breaks_of

    from vidspin.instants.intrusion import Visit

    r = record(1, "push", -0.01, PLAIN)
    found = breaks_of(r)
    near = reaction(Visit(r.at_s - 0.5, r.at_s + 0.3, 1.2, 0.1), found)
    assert near is not None and near.step is not None
    assert near.rate_rad_s == pytest.approx(-0.01 * near.step.speed_rad_s, rel=0.05)
    away = reaction(Visit(1.5, 2.5, 1.2, 0.1), found)
    assert away is not None and away.step is None
    assert abs(away.rate_rad_s) < 5 * away.u_rate_rad_s
    assert reaction(Visit(90.0, 91.0, 1.2, 0.1), found) is None


def test_another_exposure_while_a_hand_is_near_is_no_reaction() -> None:
    from faulty_spins import record
    from test_breaks import PLAIN, breaks_of

    from vidspin.instants.intrusion import Visit

    r = record(1, "push", -0.01, PLAIN)
    found = breaks_of(r)
    exposed = replace(found, found=tuple(replace(s, exposed=True) for s in found.found))
    near = reaction(Visit(r.at_s - 0.5, r.at_s + 0.3, 1.2, 0.1), exposed)
    assert near is None or near.step is None


def test_nothing_is_said_of_a_hand_over_a_stretch_that_no_phase_bridges() -> None:
    from test_breaks import hidden_brake

    from vidspin.instants.intrusion import Visit

    found = hidden_brake(0.02)
    (gap,) = found.open
    assert found.parted_s[0] == pytest.approx(gap.from_s + 0.4)
    assert found.parted_s[-1] == pytest.approx(gap.to_s - 0.4)
    assert max(np.diff(found.parted_s)) <= 0.4
    assert reaction(Visit(12.0, 15.0, 0.0, 0.1), found) is None
    assert reaction(Visit(30.0, 31.0, 0.0, 0.1), found) is not None
