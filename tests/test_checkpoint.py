"""A pass that was broken off goes on from its last checkpoint and ends with the same readings."""

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vidspin.cli.app import main
from vidspin.errors import ExitCode
from vidspin.footage.frames import Recording
from vidspin.frames.card import Watched
from vidspin.frames.reading import Readings, read_recording
from vidspin.records import Settings
from vidspin.store.spool import FileProfiles, KeptProfiles
from vidspin.top.stillframes import StillFrames
from vidspin.top.survey import survey


class BrokenOff(Exception):
    """As a kill: nothing is done after it."""


class EveryTen(KeptProfiles):
    """Keeps after every tenth frame, whatever the clock says."""

    def due(self) -> bool:
        return len(self) % 10 == 0


def simulated(path: Path, *options: str) -> Path:
    told = ["--rpm", "500", "--size", "200x160", "--seconds", "5", "--quiet", *options]
    assert main(["simulate", str(path), *told]) == ExitCode.DONE
    return path


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Path]]:
    folder = tmp_path_factory.mktemp("kept")
    first = simulated(folder / "a1.mp4", "--gop", "20", "--b-frames", "2")
    second = simulated(folder / "a2.mp4", "--gop", "20", "--b-frames", "2", "--angle", "5")
    hevc = simulated(folder / "b.mp4", "--gop", "24", "--b-frames", "3", "--codec", "libx265")
    return {"h264": [first], "chapters": [first, second], "hevc": [hevc]}


def read(paths: list[Path], profiles: Any, *, until: int | None = None) -> tuple[Readings, Any]:
    footage = Watched(Recording.open(paths))
    still = StillFrames(footage.sparse(runs=8, per_run=3))
    found = survey(still, Settings(), name="clip")
    if until is not None:
        footage.stream = breaking(footage.stream, until)  # type: ignore[method-assign]
        footage.stream_from = breaking(footage.stream_from, until)  # type: ignore[method-assign]
    return read_recording(footage, found, still.kept, profiles, lambda *_: None), footage


def breaking(stream: Any, until: int) -> Any:
    def shorter(*where: int) -> Iterator[Any]:
        for frame in stream(*where):
            if frame.index >= until:
                raise BrokenOff
            yield frame

    return shorter


def same(found: Any, expected: Any) -> None:
    """Compare to the last bit, whatever is inside."""
    if is_dataclass(expected):
        for one in fields(expected):
            same(getattr(found, one.name), getattr(expected, one.name))
    elif isinstance(expected, tuple):
        for a, b in zip(found, expected, strict=True):
            same(a, b)
    else:
        np.testing.assert_array_equal(found, expected)


def assert_same(paths: list[Path], folder: Path, breaks: list[int]) -> KeptProfiles:
    with FileProfiles() as undisturbed:
        expected, whole = read(paths, undisturbed)
        for until in breaks:
            with pytest.raises(BrokenOff), EveryTen(folder, "key") as kept:
                read(paths, kept, until=until)
        with EveryTen(folder, "key") as kept:
            began = kept.kept()
            found, footage = read(paths, kept)
            assert began is not None and len(began["chapter"]) == breaks[-1] // 10 * 10
            assert len(kept) == len(undisturbed)
            np.testing.assert_array_equal(kept.read(0, 10**6), undisturbed.read(0, 10**6))
    same(found, expected)
    assert footage.outcome == whole.outcome
    assert footage.watched() == whole.watched()
    return kept


@pytest.mark.parametrize(
    ("name", "breaks"),
    [("h264", [3, 41, 99]), ("hevc", [25, 77]), ("chapters", [60, 150, 163])],
)
def test_broken_off_and_gone_on_gives_the_same_readings(
    clips: dict[str, list[Path]], tmp_path: Path, name: str, breaks: list[int]
) -> None:
    assert_same(clips[name], tmp_path, breaks)


def test_a_break_about_the_end_of_the_lamp_s_stretch_changes_nothing(
    clips: dict[str, list[Path]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("vidspin.frames.reading.LONGEST_S", 1.5)
    assert_same(clips["h264"], tmp_path, [41, 52, 99])
    with FileProfiles() as store:
        readings, _ = read(clips["h264"], store)
    assert readings.glances is not None
    assert len(readings.glances.bands) == np.count_nonzero(readings.time_s <= 1.5)


def test_only_the_rest_is_decoded(clips: dict[str, list[Path]]) -> None:
    footage = Recording.open(clips["h264"])
    assert next(footage.stream_from(99)).index == 80  # key frames every 20
    assert next(footage.stream_from(100)).index == 100
    assert len(list(footage.stream_from(100))) == footage.frames - 100
    assert footage.outcome.decoded == footage.frames and footage.outcome.faults == ()


def broken_off(paths: list[Path], folder: Path, until: int) -> None:
    with pytest.raises(BrokenOff), EveryTen(folder, "key") as kept:
        read(paths, kept, until=until)


@pytest.mark.parametrize("other", ["last", "survey"])  # picture, or place of the top
def test_another_beginning_than_the_kept_one_starts_anew(
    clips: dict[str, list[Path]], tmp_path: Path, other: str
) -> None:
    broken_off(clips["h264"], tmp_path, 50)
    with np.load(tmp_path / "state.npz") as archive:
        state = dict(archive)
    state[other] = state[other] + 1
    state["columns"] = state["columns"] * 0.0  # would be seen in the readings
    np.savez(tmp_path / "state.npz", **state)
    with FileProfiles() as undisturbed, KeptProfiles(tmp_path, "key") as kept:
        expected, _ = read(clips["h264"], undisturbed)
        found, _ = read(clips["h264"], kept)
        np.testing.assert_array_equal(found.x_px, expected.x_px)
        np.testing.assert_array_equal(found.time_s, expected.time_s)
        np.testing.assert_array_equal(kept.read(0, 999), undisturbed.read(0, 999))


@pytest.mark.parametrize("harm", ["other key", "cut state", "cut profiles", "no state"])
def test_a_checkpoint_that_does_not_fit_is_not_used(
    clips: dict[str, list[Path]], tmp_path: Path, harm: str
) -> None:
    broken_off(clips["h264"], tmp_path, 50)
    state, profiles = tmp_path / "state.npz", tmp_path / "profiles"
    if harm == "cut state":
        state.write_bytes(state.read_bytes()[:500])
    elif harm == "cut profiles":
        profiles.write_bytes(profiles.read_bytes()[:-2])
    elif harm == "no state":
        state.unlink()
    with KeptProfiles(tmp_path, "other" if harm == "other key" else "key") as kept:
        assert kept.kept() is None
        found, _ = read(clips["h264"], kept)
        assert len(kept) == len(found.time_s) == 150


def test_a_damaged_pass_is_not_kept_behind_the_damage(
    clips: dict[str, list[Path]], tmp_path: Path
) -> None:
    data = bytearray(clips["h264"][0].read_bytes())
    at = int(len(data) * 0.55)
    data[at : at + 400] = bytes(400)
    damaged = tmp_path / "damaged.mp4"
    damaged.write_bytes(data)
    with EveryTen(tmp_path / "kept", "key") as kept:
        _, footage = read([damaged], kept)
        assert footage.outcome.suspect > 0 and not footage.is_spotless()
        state = kept.kept()
    assert state is not None
    # what a decoder makes of damage differs from pass to pass, so that none of it may be kept
    # (a pass may also give fewer pictures than there are, and says so first)
    doubtful = " ".join(footage.outcome.faults).partition("first at ")[2].split(" s")[0]
    assert 20 < len(state["chapter"]) <= round(float(doubtful) * 30)
