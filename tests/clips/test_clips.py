"""End to end on clips with known truth: never wrong, close, and as sure as stated.

`truth_table.py` beside this file prints the whole table; here the sample clips, and a few quick
shared ones where that folder is there.
"""

from __future__ import annotations

import math
from pathlib import Path

import av
import numpy as np
import pytest
from clips.truth_table import (
    RMS_LIMIT,
    SAMPLES,
    SHARED,
    Row,
    clips_in,
    compared,
    judge,
    line,
    pooled,
    true_rpm,
)

from vidspin.footage.excerpt import Excerpt
from vidspin.footage.frames import Recording
from vidspin.measure import measure
from vidspin.records import Settings
from vidspin.summary import summarise

# One of each kind that is read in a few seconds: plain, slow motion, high frame rate, lamp
# flicker with a rotation tag, 60 frames a second, slow.
QUICK = (
    "plain_30",
    "slowmo_stored_30",
    "highspeed_240",
    "portrait_25",
    "scene2_plain_60",
    "scene2_slow_30",
)
ODDS = 1000.0
UNALIASED = ("slowmo_stored_30", "highspeed_240")

needs_shared = pytest.mark.skipif(not SHARED.is_dir(), reason="no shared/clips beside this")


def judged(folder: Path, names: tuple[str, ...] = (), *, between: bool = False) -> dict[str, Row]:
    rows = {clip.name: judge(clip, between=between) for clip in clips_in(folder, names)}
    for row in rows.values():
        print(line(row))
    return rows


def assert_close_and_honest(rows: dict[str, Row], least_inside: float) -> None:
    wrong = [line(row) for row in rows.values() if row.bad]
    assert not wrong, "\n".join(wrong)
    rms, inside, count = pooled(rows.values())
    assert count >= 20
    assert rms < RMS_LIMIT
    assert inside >= least_inside


@pytest.fixture(scope="module")
def samples() -> dict[str, Row]:
    return judged(SAMPLES)


@pytest.fixture(scope="module")
def bounded() -> dict[str, Row]:
    return judged(SHARED, QUICK, between=True)


def test_chords_in_a_truth_are_not_taken_for_it() -> None:
    t = np.arange(0.5, 14.5, 0.25)
    whole = np.arange(16.0)
    exact = 980 * np.exp(-t / 70)
    chords = np.interp(t, whole, 980 * np.exp(-whole / 70))
    assert (chords - exact).max() > 0.02
    middles = np.arange(1.5, 13.5)
    for rows in (exact, chords):
        told = true_rpm(np.column_stack([t, np.round(rows, 6)]), middles)
        assert told == pytest.approx(980 * np.exp(-middles / 70), abs=1e-3)
    assert np.isnan(true_rpm(np.column_stack([t, chords]), np.array([0.4, 14.3]))).all()
    even = np.column_stack([t, 980 - 3 * t])
    assert true_rpm(even, middles) == pytest.approx(980 - 3 * middles)


def test_sample_clips_are_close_and_as_sure_as_stated(samples: dict[str, Row]) -> None:
    assert len(samples) >= 2
    # 72 speeds, of which 95 % should lie inside: three standard deviations below that
    assert_close_and_honest(samples, 0.95 - 3 * (0.95 * 0.05 / 72) ** 0.5)


def test_a_whole_run_down_is_resolved_without_hints(samples: dict[str, Row]) -> None:
    row = samples["goldfinch_run_down"]
    assert (row.order, row.direction) == ("right", "right")


def test_release_and_topple_lie_within_a_frame_and_their_u95(samples: dict[str, Row]) -> None:
    for row in samples.values():
        assert row.release.good, line(row)
        assert row.topple.good, line(row)


@needs_shared
def test_bounds_resolve_every_clip(bounded: dict[str, Row]) -> None:
    assert set(bounded) == set(QUICK)
    assert {name: row.order for name, row in bounded.items()} == dict.fromkeys(QUICK, "right")
    # speeds of one clip share its shutter fit, so the share scatters more than single ones would
    assert_close_and_honest(bounded, 0.8)


@needs_shared
def test_fast_frames_are_resolved_without_hints() -> None:
    rows = judged(SHARED, UNALIASED)
    assert {name: row.order for name, row in rows.items()} == dict.fromkeys(UNALIASED, "right")
    assert not any(row.bad for row in rows.values())


@needs_shared
def test_a_start_alone_is_never_claimed_wrongly() -> None:
    rows = judged(SHARED, ("plain_30", "scene2_slow_30"))
    for row in rows.values():
        assert not row.bad, line(row)
        assert row.true_listed, line(row)


def without_sound(clip: Path, out: Path) -> Path:
    """Copy the pictures of a clip, packet by packet, and leave its sound out."""
    with av.open(str(clip)) as source, av.open(str(out), "w") as target:
        pictures = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None:
                packet.stream = pictures
                target.mux(packet)
    return out


@needs_shared
def test_angles_are_read_with_the_shutter_of_the_order_that_is_best() -> None:
    """Six orders are as likely as each other here, so that the best one changes with each fit."""
    (clip,) = clips_in(SHARED, ("two_marks_30",))
    result = measure(
        Excerpt(Recording.open(clip.paths), 10.0), Settings(), version="0",
        created="2030-01-01T00:00:00Z",
    )  # fmt: skip
    best, readout = result.alias.candidates[0], result.shutter.readout_s
    assert not result.alias.resolved and best.readout_s is not None and readout is not None
    assert abs(readout.value - best.readout_s) < readout.u
    angle_rad = result.curve.residual_rad[np.isfinite(result.curve.residual_rad)]
    assert np.median(np.abs(angle_rad)) < 5e-3


@needs_shared
def test_only_the_sound_tells_the_order_and_without_it_that_is_said(tmp_path: Path) -> None:
    (clip,) = clips_in(SHARED, ("sound_30",))
    mute = without_sound(clip.paths[0], tmp_path / "mute.mp4")
    results = [
        measure(Recording.open([p]), Settings(), version="0", created="2030-01-01T00:00:00Z")
        for p in (clip.paths[0], mute)
    ]
    heard, unheard = (compared(clip, result) for result in results)
    assert (heard.order, unheard.order) == ("right", "unresolved"), (line(heard), line(unheard))
    assert unheard.true_listed
    print([(r.alias.odds, r.alias.reason) for r in results])
    votes = [next(v for v in r.alias.votes if v.cue == "sound") for r in results]
    assert "abstains" not in votes[0].says
    # what decides is the sound: without its vote the others leave the best two together
    others = [sum(v.log_odds[1] for v in r.alias.votes if v.cue != "sound") for r in results]
    assert votes[0].log_odds[1] < -math.log(ODDS) < min(others)
    assert votes[1].says == "abstains" and "no sound" in votes[1].note
    said = summarise(results[1])
    assert "no sound" in said, said
    assert any(c.name == "sound goes on" and c.state == "unchecked" for c in results[1].checks)
