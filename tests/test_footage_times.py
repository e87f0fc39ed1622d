"""Every frame has the exact time that was written for it, whatever the container."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_footage_maker import CLOCK_90K, jittered, needs_hevc, number_in, rounded, write_clip

from vidspin.errors import FootageError
from vidspin.footage import rates
from vidspin.footage.frames import Recording
from vidspin.footage.table import ChapterClock
from vidspin.pace import at_another_pace, other_paces

CLIPS = Path(__file__).parents[2] / "shared" / "clips"
NTSC, NTSC_60 = Fraction(30000, 1001), Fraction(60000, 1001)
TICK_600 = Fraction(1, 600)
MILLISECOND = Fraction(1, 1000)

CASES = {
    "vfr.mp4": (jittered(60), {}),
    "vfr_b.mp4": (jittered(60), {"b_frames": 2}),
    "vfr_faststart.mp4": (jittered(60), {"b_frames": 2, "muxer": {"movflags": "faststart"}}),
    "fragments.mp4": (
        jittered(60),
        {"b_frames": 2, "muxer": {"movflags": "frag_keyframe+empty_moov"}},
    ),
    "offset.mp4": ([45_000 + tick for tick in jittered(60)], {}),
    "tick600.mov": (
        rounded(60, NTSC, TICK_600),
        {"time_base": TICK_600, "muxer": {"video_track_timescale": "600"}},
    ),
    "ntsc60.mp4": (
        [1001 * i for i in range(60)],
        {"time_base": Fraction(1, 60000), "muxer": {"video_track_timescale": "60000"}},
    ),
    "ntsc60_90k.mp4": (rounded(60, NTSC_60, CLOCK_90K), {}),
    "fast240.mp4": (jittered(60, 375.0, 18.0), {}),
    "vfr.3gp": (jittered(60), {}),
    "vfr.mkv": (jittered(60), {"b_frames": 2}),
    "vfr.ts": (jittered(60), {"b_frames": 2}),
    "still.avi": (list(range(40)), {"time_base": Fraction(1, 30), "codec": "libx264"}),
}


def _expected(name: str, ticks: list[int], time_base: Fraction) -> tuple[list[Fraction], Fraction]:
    """Frame times from the first frame, as the container is able to state them."""
    if name.endswith(".mkv"):
        whole = [round(tick * time_base / MILLISECOND) for tick in ticks]
        return [(one - whole[0]) * MILLISECOND for one in whole], MILLISECOND
    return [(one - ticks[0]) * time_base for one in ticks], time_base


@pytest.mark.parametrize("name", CASES)
def test_times_are_exact_and_belong_to_their_pictures(name: str, tmp_path: Path) -> None:
    ticks, options = CASES[name]
    write_clip(tmp_path / name, ticks, **options)
    recording = Recording.open([tmp_path / name])
    frames = [(one.index, number_in(one.luma), one.tick, one.time_s) for one in recording.stream()]
    numbers = list(range(len(ticks)))
    assert [one[0] for one in frames] == numbers
    assert [one[1] for one in frames] == numbers
    times, time_base = _expected(name, ticks, options.get("time_base", CLOCK_90K))
    assert recording.facts.chapters[0].time_base == time_base
    first = frames[0][2]
    if name.endswith(".mkv"):  # halves of a millisecond may be rounded either way
        error = [abs(one[3] - float(time)) for one, time in zip(frames, times, strict=True)]
        assert max(error) <= 0.0011
    else:
        assert [(one[2] - first) * time_base for one in frames] == times
        assert [one[3] for one in frames] == [float(time) for time in times]
    assert recording.outcome.faults == ()
    assert (recording.outcome.decoded, recording.outcome.suspect) == (len(ticks), 0)


@needs_hevc
def test_ten_bit_hevc_has_exact_times_and_ten_bit_luma(tmp_path: Path) -> None:
    ticks = jittered(40)
    clip = write_clip(
        tmp_path / "hdr.mp4", ticks, codec="libx265", pix_fmt="yuv420p10le", b_frames=2
    )
    recording = Recording.open([clip])
    frames = list(recording.stream())
    assert [number_in(one.luma) for one in frames] == list(range(40))
    assert [one.tick - frames[0].tick for one in frames] == [one - ticks[0] for one in ticks]
    facts = recording.facts.chapters[0]
    assert (facts.codec, facts.bit_depth) == ("hevc", 10)
    assert all(one.luma.dtype == np.uint16 for one in frames)
    assert 700 < max(int(one.luma.max()) for one in frames) < 1024


def test_avi_with_reordered_pictures_is_refused(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "b.avi", range(40), time_base=Fraction(1, 30), b_frames=2)
    with pytest.raises(FootageError, match="b.avi: this AVI file stores pictures out of order"):
        Recording.open([clip])


@given(
    first=st.integers(-(10**6), 10**12),
    ticks=st.integers(0, 10**12),
    base=st.sampled_from([1, 600, 1000, 30000, 90000, 240000]),
    scale=st.fractions(Fraction(1, 40), Fraction(40), max_denominator=2000),
    start=st.fractions(0, 10**5, max_denominator=10**6),
)
def test_seconds_are_the_nearest_float(
    first: int, ticks: int, base: int, scale: Fraction, start: Fraction
) -> None:
    clock = ChapterClock(first, scale / base, start)
    exact = ticks * scale / base + start
    assert clock.exact(first + ticks) == exact
    assert clock.seconds(first + ticks) == float(exact)


@pytest.mark.parametrize("rate", rates.STANDARD_RATES, ids=str)
@pytest.mark.parametrize("time_base", [CLOCK_90K, TICK_600, MILLISECOND], ids=str)
def test_rounded_times_of_a_standard_rate_give_that_rate(rate: Fraction, time_base: Fraction):
    if rate * time_base > Fraction(1, 2):
        pytest.skip("finer than the ticks can tell")
    ticks = np.array(rounded(int(rate * 20), rate, time_base))
    found = rates.nominal_rate(ticks, time_base)
    assert (found.rate, found.certain) == (rate, True)


@pytest.mark.parametrize("rate", [NTSC, Fraction(30), Fraction(25), NTSC_60, Fraction(240)])
def test_jitter_and_lost_frames_leave_the_rate(rate: Fraction) -> None:
    step = float(1 / rate / CLOCK_90K)
    ticks = np.array(jittered(600, step, 0.06 * step, drops=9))
    assert rates.nominal_rate(ticks, CLOCK_90K).rate == rate


@pytest.mark.parametrize("ppm", [-100, 100])
def test_a_camera_clock_within_its_tolerance_keeps_the_standard_rate(ppm: int) -> None:
    ticks = np.array(rounded(900, NTSC * (1 + Fraction(ppm, 10**6)), CLOCK_90K))
    assert rates.nominal_rate(ticks, CLOCK_90K).rate == NTSC


def test_other_rates_are_stated_as_they_are() -> None:
    assert rates.nominal_rate(np.arange(90) * 3100, CLOCK_90K).rate == Fraction(90000, 3100)
    halfway = np.array(rounded(600, Fraction(29985, 1000), CLOCK_90K))
    assert rates.nominal_rate(halfway, CLOCK_90K).rate == Fraction(90000, 3002)
    coarse = np.array(rounded(600, Fraction(2832, 100), TICK_600))
    assert float(rates.nominal_rate(coarse, TICK_600).rate) == pytest.approx(28.32, rel=2e-4)


def test_a_few_coarse_times_leave_the_rate_open() -> None:
    found = rates.nominal_rate(np.array(rounded(12, NTSC, MILLISECOND)), MILLISECOND)
    checks = rates.rate_checks(found, np.array(rounded(12, NTSC, MILLISECOND)), MILLISECOND)
    assert not found.certain
    assert [one.state for one in checks if one.name == "frame rate"] == ["unchecked"]


def _thirty() -> rates.NominalRate:
    return rates.NominalRate(Fraction(30), True, "as filmed")


def test_a_ramp_into_slow_motion_is_found() -> None:
    ticks = np.cumsum([3000] * 60 + [375] * 120 + [3000] * 60)
    checks = rates.rate_checks(rates.nominal_rate(ticks, CLOCK_90K), ticks, CLOCK_90K)
    assert "even pace" in [one.name for one in checks if one.state == "fail"]
    drops = np.array(jittered(240, drops=6))
    checks = rates.rate_checks(rates.nominal_rate(drops, CLOCK_90K), drops, CLOCK_90K)
    assert [one.state for one in checks] == ["pass"] * len(checks)


@pytest.mark.parametrize("other", [Fraction(24), Fraction(25), Fraction(20)])
def test_a_pace_that_dim_light_changes_is_told_and_accused_of_nothing(other: Fraction) -> None:
    step = int(1 / other / CLOCK_90K)
    ticks = np.cumsum([3000] * 200 + [step] * 100)
    (told,) = (c for c in rates.rate_checks(_thirty(), ticks, CLOCK_90K) if c.name == "even pace")
    assert (told.state, told.look) == ("unchecked", True)
    assert told.figure.endswith(f"% of steps about {1000 / float(other):.2f} ms")


@pytest.mark.parametrize(
    ("time_base", "rate"), [(TICK_600, Fraction(240)), (MILLISECOND, Fraction(240))]
)
def test_rounded_frame_times_are_no_other_pace(time_base: Fraction, rate: Fraction) -> None:
    ticks = np.array(rounded(2000, rate, time_base))
    steps = np.diff(ticks) * float(time_base * rate)
    assert np.abs(steps - 1.0).max() > 0.15
    assert not at_another_pace(steps).any()


def test_lost_and_jittered_frames_are_no_other_pace() -> None:
    assert not at_another_pace(np.diff(jittered(600, 3000, 250, drops=60)) / 3000).any()
    assert not at_another_pace(np.resize([1.0, 2.0], 600)).any()
    assert not at_another_pace(np.full(5, 1.25)).any()  # too few


def test_a_short_stretch_at_another_pace_is_not_worth_a_word() -> None:
    steps = np.ones(1200)
    steps[240:264] = 1.25
    assert not at_another_pace(steps).any()
    steps[240:336] = 1.25
    assert np.flatnonzero(at_another_pace(steps)).tolist() == list(range(240, 336))
    t = np.cumsum(np.concatenate([[0.0], steps])) / 30
    assert other_paces(t, 1 / 30) == ((pytest.approx(8.0), pytest.approx(12.0)),)


@pytest.mark.skipif(not CLIPS.is_dir(), reason="the clips with known truth are not here")
@pytest.mark.parametrize(
    "name", ["chaptered_30", "cut_30", "highspeed_240", "slowmo_stored_30", "vfr_600"]
)
def test_clips_with_known_truth(name: str) -> None:
    truth = json.loads((CLIPS / f"{name}.truth.json").read_text())
    recording = Recording.open(sorted(CLIPS.glob(f"{name}*.mp4")))
    times = np.array([one.time_s for one in recording.stream()])
    scale = float(recording.facts.time_scale)
    expected = np.array(truth["file_frame_times_s"]) * scale
    tick = float(recording.facts.chapters[0].time_base) * scale
    assert len(times) == len(expected) == truth["frames"]
    # Both ends of an interval are rounded to ticks, and the truth is written with 6 digits.
    assert np.abs(times - (expected - expected[0])).max() <= tick / 2 + 1e-6
    assert recording.outcome.faults == ()
