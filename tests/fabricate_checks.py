"""What the checks look at, of a sound recording or one that is changed in a point."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from fabricate_turning import RATE, exponential, noisy, turning

from vidspin.checks.case import Case, look_for_breaks, phase_of
from vidspin.frames.glance import BANDS, Glances
from vidspin.frames.reading import Readings
from vidspin.records import FloatArray, StreamOutcome
from vidspin.speed.curve import spin_curve, unseen_seconds
from vidspin.speed.turning import Turning, look


def glances_of(count: int, **changed: FloatArray) -> Glances:
    """Whole frames in which nothing happens."""
    one = np.ones(count)
    quiet = Glances(
        same=0.4 * one, jump=0.3 * one, light=one, new=0 * one, near=np.full(count, np.inf),
        shift_x=0 * one, shift_y=0 * one, roll=0 * one, u_roll=1e-4 * one,
        sharp=7 * one, bands=np.ones((count, BANDS), np.float32), scatter=0.6,
    )  # fmt: skip
    return replace(quiet, **changed)


def readings_of(time_s: FloatArray, **changed: object) -> Readings:
    """Readings of frames of which only the times matter."""
    level = np.ones(len(time_s))
    whole = np.zeros(len(time_s), np.int64)
    plain = Readings(
        time_s, level, level, level, level, level, whole, whole, np.zeros(8), 90,
        glances=glances_of(len(time_s)),
    )  # fmt: skip
    return replace(plain, **changed)  # type: ignore[arg-type]


def case_of(spin: Turning | None = None, **changed: object) -> Case:
    """A sound recording, or one that is changed in a point."""
    spin = spin or turning(noisy(exponential(), 20.0, 1))
    noise = look(spin)
    readings = readings_of(spin.frame_s)
    speed = np.gradient(np.nan_to_num(noise.smooth_rad), spin.time_s)
    breaks = look_for_breaks(phase_of(spin, speed, readings, marks=1, frame_s=1 / RATE))
    assert breaks is not None
    spin = replace(spin, parted_s=tuple(s.time_s for s in breaks.found))
    curve, noise = spin_curve(spin, 1.0)
    usual = {
        "outcome": StreamOutcome(len(spin.time_s), 0, ()),
        "readings": readings,
        "turning": spin,
        "noise": noise,
        "curve": curve,
        "breaks": breaks,
        "frame_interval_s": 1 / RATE,
        "unseen_s": unseen_seconds(spin, noise),
        "resolved": True,
        "sense_known": True,
        "topple_s": None,
    }
    return Case(**{**usual, **changed})
