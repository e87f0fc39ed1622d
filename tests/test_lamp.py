"""A lamp's flicker against the frame times."""

from __future__ import annotations

import numpy as np
import pytest

from vidspin.frames.glance import BANDS
from vidspin.frames.lamp import flicker


def bands_of(
    lamp_hz: float,
    rate: float,
    seconds: float = 16.0,
    depth: float = 0.05,
    readout_s: float = 0.012,
) -> tuple[np.ndarray, np.ndarray]:
    """Frame times and what rows see of a lamp, with noise of a thousandth."""
    t = np.arange(round(seconds * rate)) / rate
    delay = np.arange(BANDS) / BANDS * readout_s
    light = 1 + depth * np.cos(2 * np.pi * lamp_hz * (t[:, None] + delay))
    noise = np.random.default_rng(1).normal(0, 0.001, light.shape)
    return t, (light + noise).astype(np.float32)


@pytest.mark.parametrize("stretch", [1.0, 1.02, 0.98, 1.007])
@pytest.mark.parametrize(("lamp", "rate"), [(100.0, 30000 / 1001), (100.0, 60.0), (120.0, 50.0)])
def test_stretched_times_are_measured(lamp, rate, stretch) -> None:
    t, bands = bands_of(lamp, rate)
    told = flicker(t * stretch, bands, rate / stretch, readout_sign=1)
    assert told is not None
    assert told.deviation == pytest.approx(
        stretch - 1, abs=0.0003
    )  # a fifth of 1 / (16 s * 100 Hz)
    assert (abs(told.deviation) > told.u95) == (stretch != 1.0)
    assert told.depth == pytest.approx(0.05, rel=0.1)


def test_bands_that_creep_are_measured_too() -> None:
    """120 Hz at 29.97 frames a second moves by an eighth of a period in a second."""
    t, bands = bands_of(120.0, 30000 / 1001)
    told = flicker(t, bands, 30000 / 1001, readout_sign=1)
    assert told is not None and told.mains_hz == 60.0
    assert told.deviation == pytest.approx(0.0, abs=0.0003)
    told = flicker(t * 1.02, bands, 30000 / 1001 / 1.02, readout_sign=1)
    assert told is not None and told.deviation == pytest.approx(0.02, abs=0.0003)


def test_flicker_that_stands_still_says_nothing() -> None:
    t, bands = bands_of(100.0, 25.0)
    assert flicker(t, bands, 25.0) is None
    assert flicker(t * 1.02, bands, 25.0 / 1.02) is None


def test_daylight_and_slow_changes_of_light_say_nothing() -> None:
    t, bands = bands_of(100.0, 30.0, depth=0.0)
    assert flicker(t, bands, 30.0) is None
    cloud = (1 + 0.1 * np.sin(2 * np.pi * 0.13 * t))[:, None].astype(np.float32)
    assert flicker(t, bands * cloud, 30.0) is None


def test_way_in_which_bands_run_rules_the_mirror_image_out() -> None:
    """100 Hz at 30 frames/s has the alias 10 Hz, and so has 110 Hz, which runs the other way."""
    t, bands = bands_of(110.0, 30.0)
    assert flicker(t, bands, 30.0) is None or flicker(t, bands, 30.0, readout_sign=1) is None
    t, backwards = bands_of(100.0, 30.0, readout_s=-0.012)
    told = flicker(t, backwards, 30.0, readout_sign=-1)
    assert told is not None and abs(told.deviation) < 0.0003


def test_stretch_of_the_true_mains_is_within_u95() -> None:
    """Grids keep to 0.2 Hz of 50; a true recording under such a lamp passes."""
    for off in (-0.003, 0.003):
        t, bands = bands_of(100.0 * (1 + off), 30.0)
        told = flicker(t, bands, 30.0, readout_sign=1)
        assert told is not None and abs(told.deviation) < told.u95


def test_short_or_empty_recordings_say_nothing() -> None:
    t, bands = bands_of(100.0, 30.0, seconds=2.0)
    assert flicker(t, bands, 30.0) is None
    t, bands = bands_of(100.0, 30.0)
    assert flicker(t, np.full_like(bands, np.nan), 30.0) is None
    assert flicker(t[:0], bands[:0], 30.0) is None


@pytest.mark.parametrize("alike", [True, False])
def test_what_beats_in_all_rows_at_once_is_no_lamp(alike: bool) -> None:
    """A hand that sways by 2 Hz, or an exposure that hunts: 120 Hz stands in 30 frames a second."""
    t, bands = bands_of(100.0, 30.0, depth=0.0)
    size = np.full(BANDS, 0.03) if alike else np.random.default_rng(3).normal(0, 0.03, BANDS)
    sway = 1 + np.sin(2 * np.pi * 2.1 * t)[:, None] * size
    assert flicker(t, (bands * sway).astype(np.float32), 30.0) is None
    _, lamp = bands_of(122.1, 30.0)  # the same beat, row after row
    assert flicker(t, lamp, 30.0) is not None


@pytest.mark.parametrize("settles_s", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("off_hz", [-0.3, -0.25, -0.2, 0.15, 0.2, 0.25, 0.3])
@pytest.mark.parametrize(
    ("rate", "seconds"), [(30.0, 4.2), (30.0, 5.0), (120.0, 4.2), (120.0, 6.8), (240.0, 4.2)]
)
def test_foot_of_a_flicker_that_hardly_moves_is_no_lamp(rate, seconds, off_hz, settles_s) -> None:
    """It nearly stands, or alternates, where no line is told; what lies beside it is no other.

    60 Hz mains, off by as much as large grids are.  An exposure that settles in the first seconds
    draws the line out to both sides.
    """
    t, bands = bands_of(120.0 + off_hz, rate, seconds, depth=0.5, readout_s=0.004)
    gain = 1 + (np.exp(-t / settles_s) if settles_s else 0 * t)
    told = flicker(t, (bands * gain[:, None]).astype(np.float32), rate)
    assert told is None or abs(told.deviation) <= told.u95


@pytest.mark.parametrize("rate", [30.0, 120.0, 240.0])
@pytest.mark.parametrize("stretch", [1.0, 1.02])
def test_exposure_that_settles_does_not_hide_a_lamp(rate, stretch) -> None:
    t, bands = bands_of(100.0, rate, 5.0, depth=0.5, readout_s=0.004)
    gain = 1 + np.exp(-t / 0.3)
    told = flicker(t * stretch, (bands * gain[:, None]).astype(np.float32), rate / stretch)
    assert told is not None and (abs(told.deviation) <= told.u95) == (stretch == 1)


@pytest.mark.parametrize(("lamp", "rate"), [(836.0, 240.0), (597.0, 240.0), (980.0, 120.0)])
def test_bands_that_run_faster_than_frames_are_read_are_no_mains_lamp(lamp, rate) -> None:
    """A dimmed lamp pulses at any frequency; its alias may lie near twice that of the mains.

    A readout that fills the frame makes the mains' own bands run as fast as they can.
    """
    t, bands = bands_of(lamp, rate, 6.0, depth=0.3, readout_s=0.0038)
    assert flicker(t, bands, rate) is None
    t, bands = bands_of(100.0, rate, 6.0, depth=0.3, readout_s=0.99 / rate)
    told = flicker(t, bands, rate)
    assert told is not None and abs(told.deviation) < told.u95


def test_leakage_of_a_deep_flicker_elsewhere_is_no_lamp() -> None:
    """257.5 Hz show as 17.5 at 120 frames a second, and a little at every place near the ends."""
    t, bands = bands_of(257.55, 120.0, 4.64, depth=0.3, readout_s=0.0043)
    for sign in (0, 1):
        told = flicker(t, bands, 120.0, readout_sign=sign)
        assert told is None
