"""A recording that breaks off half way: the forecast of its topple covers the true one."""

from __future__ import annotations

from pathlib import Path

import av
import pytest
from clips.truth_table import BOUNDS, SAMPLES, SHARED, Clip, clips_in

from vidspin.footage.frames import Recording
from vidspin.measure import measure
from vidspin.records import Settings
from vidspin.store import read_attempt, write_result
from vidspin.workshop.topple import expected_topple

WHOLE = [
    (SAMPLES, "goldfinch_run_down"),
    (SHARED, "full_attempt_30"),
    (SHARED, "full_attempt_dark"),
]


def broken_off(clip: Clip, to: Path, end_s: float) -> Path:
    """Keep the packets of the first part, as a camera that ran out of room would have."""
    with av.open(str(clip.paths[0])) as source, av.open(str(to), "w") as cut:
        video = source.streams.video[0]
        copy = cut.add_stream_from_template(video)
        for packet in source.demux(video):
            if packet.dts is None or packet.dts * packet.time_base > end_s:
                break
            packet.stream = copy
            cut.mux(packet)
    return to


@pytest.mark.parametrize(("folder", "name"), WHOLE)
def test_forecast_from_half_the_spin_covers_the_topple(
    folder: Path, name: str, tmp_path: Path
) -> None:
    clips = clips_in(folder, (name,))
    if not clips:
        pytest.skip("no shared/clips beside this")
    (clip,) = clips
    topple_s = float(clip.truth["topple_s"])
    half = broken_off(clip, tmp_path / "half.mp4", 0.5 * topple_s)
    bounds = (clip.first_rpm * (1 - BOUNDS), clip.first_rpm * (1 + BOUNDS))
    result = measure(
        Recording.open([half]), Settings(bounds_rpm=bounds),
        version="test", created="2000-01-01T00:00:00Z",
    )  # fmt: skip
    write_result(result, {}, tmp_path / "half.spin")
    attempt = read_attempt(tmp_path / "half.spin")
    assert attempt.topple is None
    told = expected_topple(attempt)
    assert told.last_s == pytest.approx(0.5 * topple_s, abs=2.0)
    assert told.low_s < topple_s < told.high_s
    # an interval that says something: narrower than what is left to go
    assert told.high_s - told.low_s < topple_s
