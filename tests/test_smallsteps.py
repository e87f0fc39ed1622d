"""Steps that are too small to be told are found, so that no speed is fitted across them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from faulty_spins import Drawn, record
from test_breaks import PLAIN, ROUGH, phase_of

from vidspin.checks.case import look_for_breaks
from vidspin.phase.breaks import find_breaks
from vidspin.phase.smallsteps import small_steps

AT_S, TURN = 9.0, 2 * np.pi
CLEAR = replace(PLAIN, noise_rad=0.004, leftover_rad=0.0)


@pytest.mark.parametrize("turns", [0.008, -0.008])
def test_a_step_too_small_to_be_told_parts_the_speeds(turns: float) -> None:
    phase = phase_of(record(3, drawn=CLEAR))
    stepped = replace(phase, angle_rad=phase.angle_rad + TURN * turns * (phase.time_s > AT_S))
    breaks = look_for_breaks(stepped)
    assert breaks is not None and not breaks.found
    assert len(breaks.small) == 1
    step = breaks.small[0]
    assert abs(step.time_s - AT_S) < 0.1
    sense = np.sign(np.median(phase.omega_rad_s))
    assert abs(step.turns - sense * turns) < 4 * step.u_turns
    assert any(abs(at - AT_S) < 0.1 for at in breaks.parted_s)


@pytest.mark.parametrize("drawn", [CLEAR, PLAIN, ROUGH])
def test_sound_spins_have_no_small_steps(drawn: Drawn) -> None:
    for number in range(12):
        phase = phase_of(record(number, drawn=drawn))
        assert small_steps(phase, find_breaks(phase)) == ()


def test_pieces_of_a_few_sightings_have_no_small_steps_and_no_fault() -> None:
    phase = phase_of(record(3, drawn=CLEAR))
    breaks = find_breaks(phase)
    last = len(phase.time_s) - 5
    for seen in (slice(0, last), slice(5, None)):
        hidden = np.full(len(phase.time_s), np.nan)
        hidden[seen] = phase.angle_rad[seen]
        hidden[last - 200 : last] = np.nan
        ends = [(float(phase.time_s[k]), 1.0) for k in (0, 3, last - 100, last + 2, -1)]
        few = replace(phase, angle_rad=hidden)
        assert small_steps(few, replace(breaks, dropped=tuple(ends))) == ()
