"""Steps of phase and speed: where, how large, how much time, and none where there are none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from faulty_spins import Drawn, Record, record

from vidspin.phase.breaks import Breaks, Step, find_breaks
from vidspin.phase.continuous import Phase, course_of
from vidspin.phase.missing import missing_time

TURN = 2 * np.pi
PLAIN = Drawn(
    frame_rate=30000 / 1001, seconds=20.0, start_rad_s=130.0, drag=(0.02, 0.0002, 1.5), marks=1,
    noise_rad=0.012, jitter_s=0.0, tick_s=1 / 90000, dropped=0.0, doubled=0.0, outliers=0.0,
    unseen_s=0.0, leftover_rad=0.004, wobble_rad=0.0, wobble_hz=1.0, lamp_hz=0.0,
)  # fmt: skip
ROUGH = Drawn(
    frame_rate=30.0, seconds=20.0, start_rad_s=130.0, drag=(0.02, 0.0002, 1.5), marks=1,
    noise_rad=0.012, jitter_s=0.0008, tick_s=1 / 90000, dropped=0.03, doubled=0.0, outliers=0.01,
    unseen_s=0.4, leftover_rad=0.008, wobble_rad=0.0, wobble_hz=1.0, lamp_hz=0.0,
)  # fmt: skip


def phase_of(r: Record, seam: int | None = None) -> Phase:
    at = np.zeros(len(r.time_s), bool)
    if seam is not None:
        at[seam] = True
    return Phase(
        r.time_s, r.angle_rad, r.u_rad, r.omega_rad_s, TURN / r.marks, 1 / r.frame_rate, at
    )


def breaks_of(r: Record) -> Breaks:
    return find_breaks(phase_of(r))


def only(found: tuple[Step, ...]) -> Step:
    assert len(found) == 1
    return found[0]


def hidden_brake(share: float, from_s: float = 12.0, to_s: float = 15.0) -> Breaks:
    """A mark that is covered while 150 rad/s become less by a share, all at once."""
    t = np.arange(0.0, 40.0, 1 / 30)
    speed = (150.0 - 0.3 * t) * np.where(t > from_s + 0.1, 1 - share, 1.0)
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) / 30)])
    angle = angle + np.random.default_rng(5).normal(0, 0.004, len(t))
    angle[(t > from_s) & (t < to_s)] = np.nan
    return find_breaks(
        Phase(t, np.mod(angle, 2 * np.pi), np.full(len(t), 0.004), speed, 2 * np.pi, 1 / 30,
              np.zeros(len(t), bool))
    )  # fmt: skip


@pytest.mark.parametrize("share", [0.0, 0.005, 0.01, 0.02, 0.05])
@pytest.mark.parametrize("unseen_s", [0.5, 1.0, 2.0, 3.0, 6.0])
def test_a_brake_beside_an_unseen_stretch_is_looked_for_on_sides_that_exist(
    share: float, unseen_s: float
) -> None:
    found = hidden_brake(share, to_s=12.0 + unseen_s)
    assert len(found.bridges) == 1
    assert all(np.isfinite(s.sigma) for s in found.found)
    if share == 0.0:
        assert not found.found and (unseen_s > 3.0 or not found.open)


@pytest.mark.parametrize("after_s", [0.4, 0.5, 0.7, 1.0, 1.5])
@pytest.mark.parametrize("share", [-0.02, -0.01, 0.01, 0.02])
@pytest.mark.parametrize("at_end", [False, True])
def test_a_touch_beside_an_end_is_placed_and_signed(
    after_s: float, share: float, at_end: bool
) -> None:
    """What reaches over it from farther in stands out more than the touch itself."""
    t = np.arange(0.0, 20.0, 1 / 30)
    touched_s = float(t[-1]) - after_s if at_end else after_s
    speed = (150.0 - 0.8 * t) * np.where(t > touched_s, 1 + share, 1.0)
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) / 30)])
    angle = angle + np.random.default_rng(7).normal(0, 0.004, len(t))
    found = find_breaks(
        Phase(t, np.mod(angle, 2 * np.pi), np.full(len(t), 0.004), speed, 2 * np.pi, 1 / 30,
              np.zeros(len(t), bool))
    )  # fmt: skip
    step = only(found.found)
    assert abs(step.time_s - touched_s) < 0.1
    assert abs(step.relative - share) < 0.004


def test_nothing_is_looked_for_across_a_seam() -> None:
    r = record(2, drawn=PLAIN)
    ((start, stop),) = breaks_of(r).looked_s
    assert r.time_s[0] < start < r.time_s[0] + 0.4 and r.time_s[-1] - 0.4 < stop < r.time_s[-1]
    first, second = find_breaks(phase_of(r, seam=300)).looked_s
    assert first[0] == start and second[1] == pytest.approx(stop, abs=0.1)  # the grid's step
    assert r.time_s[300] - 0.4 < first[1] < r.time_s[300] < second[0] < r.time_s[300] + 0.4


# ----------------------------------------------------------------------------- clean


@pytest.mark.parametrize("drawn", [PLAIN, ROUGH])
def test_sound_spins_have_no_breaks(drawn) -> None:
    for number in range(6):
        assert breaks_of(record(number, drawn=drawn)).found == ()


def test_steps_of_a_sound_spin_are_as_large_as_they_are_said_to_be() -> None:
    ratio = []
    for number in range(8):
        scan = breaks_of(record(number, drawn=PLAIN)).scan
        assert len(scan.time_s) > 150
        ratio.append((scan.turns / scan.u_turns)[::15])  # windows that hardly share sightings
    spread = np.std(np.concatenate(ratio))
    # a hundred values, and a usual scatter taken from the same steps: 0.2 is three deviations
    assert 0.75 < spread < 1.25


def test_both_directions_and_several_marks_give_the_same_answer() -> None:
    two = Drawn(**{**{n: getattr(PLAIN, n) for n in Drawn.__dataclass_fields__}, "marks": 2})
    for number in (2, 3):  # odd numbers turn the other way
        step = only(breaks_of(record(number, "push", 0.02, two)).found)
        assert step.kink and step.rate_rad_s > 0


def test_a_phase_shown_without_any_noise_has_no_steps() -> None:
    """Pictures that are all the same give angles that are all the same, to the last digit."""
    count = 600
    none = np.zeros(count)
    phase = Phase(
        np.arange(count) / 30, none, np.full(count, 0.01), none, TURN, 1 / 30, none.astype(bool)
    )
    found = find_breaks(phase)
    assert not found.found
    assert np.isfinite(found.scan.sigma).all()


def test_spin_too_short_for_two_sides_has_no_steps() -> None:
    r = record(1, drawn=PLAIN)
    few = slice(0, 12)
    p = phase_of(r)
    short = Phase(p.time_s[few], p.angle_rad[few], p.u_rad[few], p.omega_rad_s[few],
                  p.period_rad, p.frame_s, p.seam[few])  # fmt: skip
    found = find_breaks(short)
    assert found.found == () and len(found.scan.time_s) == 0


# ------------------------------------------------------------------------------ cuts


@pytest.mark.parametrize("drawn", [PLAIN, ROUGH])
@pytest.mark.parametrize("seconds", [0.5, 3.0, 8.0])
def test_cut_is_placed_and_the_missing_time_is_told(drawn, seconds) -> None:
    found = 0
    for number in range(6):
        r = record(number, "cut", seconds, drawn)
        steps = breaks_of(r).found
        if not steps:  # one phase in twenty-five comes out within a fiftieth of a turn
            continue
        found += 1
        step = only(steps)
        if step.kink:  # a step that a kink between two frames would explain as well: as rare
            found -= 1
            continue
        # two frames, or five where some are lost: the frame after the cut may be one of them
        assert step.time_s == pytest.approx(r.at_s, abs=0.2)
        missing = missing_time(step, order_known=False)
        assert missing is not None
        true = round(seconds * drawn.frame_rate) / drawn.frame_rate
        assert missing.seconds == pytest.approx(true, abs=2 * missing.u95_s)
        assert missing.u95_s < 0.15
    assert found >= 4


def test_phase_narrows_the_missing_time_down_where_the_order_is_known() -> None:
    told = []
    clear = Drawn(**{**{n: getattr(PLAIN, n) for n in Drawn.__dataclass_fields__},
                     "noise_rad": 0.002, "leftover_rad": 0.001})  # fmt: skip
    for number in range(6):
        r = record(number, "cut", 3.0, clear)
        missing = missing_time(only(breaks_of(r).found), order_known=True)
        assert missing is not None
        told.append(missing.by_phase)
        if missing.by_phase:
            true = round(3.0 * PLAIN.frame_rate) / PLAIN.frame_rate
            # one turn takes 50 ms; a hundredth of one is allowed for leftovers
            assert missing.seconds == pytest.approx(true, abs=2 * missing.u95_s)
            assert missing.u95_s < 0.002
    assert any(told)


def test_loop_is_a_jump_back_in_time() -> None:
    r = record(4, "loop", 3.0, PLAIN)
    step = only(breaks_of(r).found)
    missing = missing_time(step, order_known=False)
    assert missing is not None and not step.kink
    true = -round(3.0 * PLAIN.frame_rate) / PLAIN.frame_rate
    assert missing.seconds == pytest.approx(true, abs=1.5 * missing.u95_s)


def test_missing_time_is_not_told_of_a_spin_that_does_not_slow() -> None:
    flat = Step(1.0, 0.0, 0.2, 0.001, -0.1, 0.01, 100.0, 0.001, 0.01, False, 9.0, 0.03)
    assert missing_time(flat, order_known=True) is None


# ---------------------------------------------------------------------------- pushes


@pytest.mark.parametrize("drawn", [PLAIN, ROUGH])
@pytest.mark.parametrize("share", [0.015, 0.04, -0.01])
def test_push_and_brake_are_kinks_of_the_right_size(drawn, share) -> None:
    for number in range(3):
        r = record(number, "push", share, drawn)
        found = breaks_of(r)
        step = only(found.found)
        assert step.kink and found.jumps == ()
        assert step.time_s == pytest.approx(r.at_s, abs=0.2)
        before = step.speed_rad_s - step.rate_rad_s / 2
        assert step.rate_rad_s / before == pytest.approx(share, abs=0.005)  # of the speed
        assert step.rate_rad_s / before == pytest.approx(share, abs=4 * step.u_rate_rad_s / before)


def test_two_faults_are_told_apart() -> None:
    r = record(5, "cut", 2.0, PLAIN)
    later = r.time_s > r.at_s + 4.0
    sense = np.sign(np.median(r.omega_rad_s))
    columns = {n: getattr(r, n) for n in Record.__dataclass_fields__}
    extra = 0.03 * 125 * (r.time_s - r.at_s - 4.0)
    angle = np.where(later, r.angle_rad + sense * extra, r.angle_rad)
    both = Record(**{**columns, "angle_rad": angle})
    found = breaks_of(both)
    assert [s.kink for s in found.found] == [False, True]
    assert found.kinks[0].rate_rad_s == pytest.approx(0.03 * 125, rel=0.02)


# ------------------------------------------------------------------- unseen, and seams


def hide(r: Record, low: float, high: float) -> Record:
    hidden = (r.time_s > low) & (r.time_s < high)
    columns = {n: getattr(r, n) for n in Record.__dataclass_fields__}
    return Record(**{**columns, "angle_rad": np.where(hidden, np.nan, r.angle_rad)})


def test_unseen_second_is_bridged_with_its_turns_and_odds() -> None:
    r = record(6, drawn=PLAIN)
    (bridge,) = breaks_of(hide(r, 9.0, 10.0)).bridges
    speed = np.abs(np.interp(9.5, r.time_s, r.omega_rad_s))
    assert bridge.turns == pytest.approx(speed * (bridge.to_s - bridge.from_s) / TURN, abs=0.05)
    assert bridge.odds is not None and bridge.odds > 1e6


def test_long_unseen_stretch_is_not_bridged_and_no_break() -> None:
    noisy = Drawn(**{**{n: getattr(PLAIN, n) for n in Drawn.__dataclass_fields__},
                     "noise_rad": 0.06})  # fmt: skip
    found = breaks_of(hide(record(6, drawn=noisy), 6.0, 13.0))
    assert [b.turns for b in found.bridges] == [None]
    assert found.found == ()
    assert found.open_s == pytest.approx(7.0, abs=0.1)


def test_cut_inside_an_unseen_stretch_is_found_there() -> None:
    r = record(7, "cut", 3.0, PLAIN)
    step = only(breaks_of(hide(r, r.at_s - 0.2, r.at_s + 0.2)).found)
    assert not step.kink and step.gap_s > 0.35
    assert step.time_s == pytest.approx(r.at_s, abs=0.2)


def test_seam_between_chapters_may_hide_any_gap() -> None:
    r = record(8, "cut", 3.0, PLAIN)
    k = int(np.searchsorted(r.time_s, r.at_s - 0.02))
    jump = np.abs(np.diff(np.unwrap(r.angle_rad)))
    assert len(jump) and find_breaks(phase_of(r, seam=k)).found == ()


def test_outliers_at_half_a_turn_do_not_slip_the_phase() -> None:
    r = record(9, drawn=PLAIN)
    angle = r.angle_rad.copy()
    angle[[100, 101, 250, 400, 403]] += np.pi
    odd = Record(**{**{n: getattr(r, n) for n in Record.__dataclass_fields__}, "angle_rad": angle})
    course = course_of(phase_of(odd))
    assert len(course.t) == len(r.time_s) - 5
    assert find_breaks(phase_of(odd)).found == ()


@pytest.mark.parametrize("number", range(5))
def test_unseen_seconds_between_coarse_stamps_are_no_stepping_all_the_time(number: int) -> None:
    phase = phase_of(record(number, drawn=replace(PLAIN, noise_rad=0.03, tick_s=1 / 600)))
    hidden = np.where((phase.time_s > 9.0) & (phase.time_s < 11.2), np.nan, phase.angle_rad)
    breaks = find_breaks(replace(phase, angle_rad=hidden))
    inside = np.abs(breaks.scan.turns[np.abs(breaks.scan.time_s - 10.1) < 1.0])
    assert inside.max() > 0.1  # by what both sides tell of the middle
    assert breaks.blurred_s(np.inf) is None
    assert not breaks.open and not breaks.found
