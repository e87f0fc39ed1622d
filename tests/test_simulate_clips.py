"""Clips written to files state what the scene states."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from vidspin.cli.simulate import simulate
from vidspin.errors import UsageError
from vidspin.simulate import Renderer, Scene, frame_times
from vidspin.simulate.encode import Encoding, truth_path, write_clip

SMALL = {"width": 160, "height": 90, "seconds": 1.0}


def decoded(path: Path):
    with av.open(str(path), options={"ignore_editlist": "1"}) as container:
        stream = container.streams.video[0]
        frames = list(container.decode(stream))
        return frames, dict(container.metadata)


def instants(frames) -> list[Fraction]:
    seconds = [
        Fraction(f.pts) * Fraction(f.time_base.numerator, f.time_base.denominator) for f in frames
    ]
    return [s - seconds[0] for s in seconds]


@pytest.mark.parametrize("ending", [".mp4", ".mov"])
@pytest.mark.parametrize(
    "times",
    [
        {"frame_rate": Fraction(30000, 1001)},
        {"time_base": Fraction(1, 600), "jitter_s": 4e-4, "dropped": 0.1},
        {"frame_rate": Fraction(240), "stored_rate": Fraction(30)},
    ],
    ids=["ntsc", "ticks600", "slow"],
)
def test_decoded_times_are_the_scenes_ticks_exactly(tmp_path, ending, times) -> None:
    scene = Scene(**SMALL, **times)
    path = tmp_path / f"clip{ending}"
    write_clip(scene, path, Encoding(preset="ultrafast"))
    frames, tags = decoded(path)
    expected = [int(tick) * scene.time_base for tick in frame_times(scene).ticks]
    assert expected == instants(frames)
    has_tag = tags.get("com.android.capture.fps") == "240.000000"
    assert has_tag == (scene.stored_rate is not None)


@pytest.mark.parametrize("bits", [8, 10])
def test_decoded_luma_is_the_drawn_luma(tmp_path, bits) -> None:
    scene = Scene(**SMALL, bit_depth=bits, noise=0.0, rotation_deg=90)
    path = tmp_path / "clip.mp4"
    write_clip(scene, path, Encoding(crf=8, preset="ultrafast"))
    frames, _ = decoded(path)
    frame = frames[7]
    assert frame.format.name == ("yuv420p" if bits == 8 else "yuv420p10le")
    assert frame.rotation % 360 == 270  # counterclockwise, where the scene says clockwise
    kind = np.uint8 if bits == 8 else np.uint16
    plane = frame.planes[0]
    rows = np.frombuffer(plane, kind).reshape(plane.height, -1)[:, : plane.width]
    error = rows.astype(float) - Renderer(scene).frame(7).luma
    assert np.sqrt(np.mean(error**2)) < 2.0 * (1 if bits == 8 else 4)


def test_truth_lies_beside_the_clip_and_nothing_else_is_left(tmp_path) -> None:
    path = tmp_path / "clip.mp4"
    written = write_clip(Scene(**SMALL), path)
    assert written.truth == truth_path(path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["clip.mp4", "clip.truth.json"]
    assert json.loads(written.truth.read_text())["frames"] == 30
    with pytest.raises(UsageError, match="--overwrite"):
        write_clip(Scene(**SMALL), path)


@pytest.mark.parametrize(
    ("name", "scene", "encoding", "says"),
    [
        ("clip.avi", {}, {}, "kind of file"),
        ("no/clip.mp4", {}, {}, "no such folder"),
        ("clip.mp4", {}, {"codec": "h263"}, "codec"),
        ("clip.mp4", {}, {"preset": "brisk"}, "cannot be written"),
        ("clip.mkv", {"rotation_deg": 90}, {}, "rotation"),
        ("clip.mp4", {"time_base": Fraction(1001, 30000)}, {}, "time base"),
    ],
)
def test_what_cannot_be_written_is_refused_and_leaves_nothing(
    tmp_path, name, scene, encoding, says
) -> None:
    with pytest.raises(UsageError, match=says):
        write_clip(Scene(**SMALL, **scene), tmp_path / name, Encoding(**encoding))
    assert list(tmp_path.iterdir()) == []


@pytest.fixture(scope="module")
def command() -> typer.Typer:
    app = typer.Typer()
    app.command()(simulate)
    return app


def test_command_writes_clip_and_truth_and_says_where(tmp_path, command) -> None:
    table = tmp_path / "speeds.csv"
    table.write_text("seconds,rpm\n0,900\n2,600\n")
    out = tmp_path / "clip.mp4"
    args = [
        str(out), "--size", "160x90", "--seconds", "1", "--fps", "30000/1001", "--law",
        f"table:{table}", "--flicker", "100,0.2", "--exposure", "1/300", "--direction",
        "counterclockwise", "--preset", "ultrafast", "--json",
    ]  # fmt: skip
    result = CliRunner().invoke(command, args)
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout) == {
        "clip": str(out),
        "truth": str(truth_path(out)),
        "frames": 30,
    }
    truth = json.loads(truth_path(out).read_text())
    assert truth["rpm"][0] == [0.5, pytest.approx(825.0)]
    assert truth["direction"] == "counterclockwise"


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--law", "drag:1"),
        ("--law", "table:nowhere.csv"),
        ("--fps", "fast"),
        ("--size", "640"),
        ("--exposure", "1/0"),
        ("--flicker", "100"),
    ],
)
def test_command_refuses_bad_options_in_one_line(tmp_path, command, option, value) -> None:
    result = CliRunner().invoke(command, [str(tmp_path / "clip.mp4"), option, value])
    assert isinstance(result.exception, UsageError)
    assert "\n" not in str(result.exception)
    assert list(tmp_path.iterdir()) == []
