"""One full pass, sparse runs and looks around an instant show the same frames."""

from __future__ import annotations

import subprocess
import sys
import weakref
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import chain, islice
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from av.codec.context import ThreadType
from test_footage_maker import (
    CLOCK_90K,
    change_box,
    jittered,
    needs_hevc,
    number_in,
    rounded,
    write_clip,
)

from vidspin.footage import container, frames, opening
from vidspin.footage.boxes import walk_top
from vidspin.footage.frames import Recording
from vidspin.footage.stretches import StretchReader
from vidspin.records import Footage, Frame

KINDS = {
    "plain.mp4": {},
    "reordered.mp4": {"b_frames": 2},
    "fragments.mp4": {"b_frames": 2, "muxer": {"movflags": "frag_keyframe+empty_moov"}},
    "a.mkv": {"b_frames": 2},
    "a.ts": {"b_frames": 2},
    "open.mp4": {"b_frames": 2, "encoder": {"x264-params": "keyint=12:open-gop=1:bframes=2"}},
    "still.avi": {"time_base": Fraction(1, 30)},
    "intra.mp4": {"gop": 1},
}


def _clip(path: Path, count: int = 150, **options: Any) -> Path:
    ticks = range(count) if "time_base" in options else jittered(count)
    return write_clip(path, ticks, **options)


def _same(one: Frame, other: Frame) -> bool:
    facts = (one.index, one.chapter, one.tick, one.time_s)
    return facts == (other.index, other.chapter, other.tick, other.time_s) and np.array_equal(
        one.luma, other.luma
    )


def _copied(recording: Recording) -> list[Frame]:
    return [
        Frame(one.index, one.chapter, one.tick, one.time_s, one.luma.copy(), one.suspect)
        for one in recording.stream()
    ]


@pytest.mark.parametrize("name", KINDS)
def test_sparse_and_around_agree_with_the_pass(name: str, tmp_path: Path) -> None:
    recording = Recording.open([_clip(tmp_path / name, **KINDS[name])])
    footage: Footage = recording
    every = _copied(recording)
    assert len(every) == recording.frames == 150
    runs = list(footage.sparse(runs=5, per_run=8))
    assert [len(one) for one in runs] == [8] * 5
    assert recording.decoded_beside <= 1.3 * 40
    for run in runs:
        assert [one.index for one in run] == list(range(run[0].index, run[0].index + 8))
        assert all(_same(one, every[one.index]) for one in run)
    for index in (0, 1, 11, 12, 13, 77, 148, 149):
        found = footage.around(every[index].time_s, before=3, after=4)
        expected = every[max(index - 3, 0) : index + 4]
        assert len(found) == len(expected)
        assert all(_same(one, other) for one, other in zip(found, expected, strict=True))


@needs_hevc
def test_hevc_agrees_too(tmp_path: Path) -> None:
    clip = _clip(tmp_path / "a.mp4", 60, codec="libx265", pix_fmt="yuv420p10le", b_frames=3)
    recording = Recording.open([clip])
    every = _copied(recording)
    for run in recording.sparse(runs=3, per_run=6):
        assert all(_same(one, every[one.index]) for one in run)
    found = recording.around(every[31].time_s, before=2, after=2)
    assert [number_in(one.luma) for one in found] == [29, 30, 31, 32]


@pytest.mark.parametrize("bits", [10, 12, 14])
def test_deeper_luma_is_handed_on_with_ten_bits(bits: int, tmp_path: Path) -> None:
    """All that looks at pictures takes 16-bit values as 10-bit samples."""
    path = _clip(tmp_path / "a.mkv", 20, codec="ffv1", pix_fmt=f"yuv422p{bits}le", gop=1)
    recording = Recording.open([path])
    assert recording.facts.chapters[0].bit_depth == bits
    for one in chain(recording.stream(), recording.around(0.2, before=2, after=2)):
        assert number_in(one.luma) == one.index and not one.luma.flags.writeable
        assert set(np.unique(one.luma)) <= {60 * 4, 180 * 4, 200 * 4}


@needs_hevc
def test_hevc_of_12_bits_is_read_as_that_of_10(tmp_path: Path) -> None:
    deep, ten = (
        _copied(
            Recording.open(
                [_clip(tmp_path / f"{bits}.mp4", 40, codec="libx265", pix_fmt=f"yuv420p{bits}le")]
            )
        )
        for bits in (12, 10)
    )
    assert [number_in(one.luma) for one in deep] == list(range(40))
    for one, other in zip(deep, ten, strict=True):
        assert np.abs(one.luma.astype(int) - other.luma).mean() < 4


@pytest.mark.parametrize("wrong", [1, 3, 9])
def test_an_index_that_leads_astray_is_noticed(wrong: int, tmp_path: Path) -> None:
    clip = _clip(tmp_path / "a.mp4", b_frames=2)
    every = _copied(Recording.open([clip]))
    table = container.examine(clip).table
    astray = replace(table, key_seeks=np.roll(table.key_seeks, -wrong))
    with StretchReader(clip, astray, strict=True) as reader:
        for rank in (0, 30, 77, 149):
            found = [(place, one.pts) for place, one, _ in reader.pictures(rank, 5)]
            assert found == [(one.index, one.tick) for one in every[rank : rank + 5]]


def test_decoding_uses_all_cores(tmp_path: Path) -> None:
    with container.open_video(_clip(tmp_path / "a.mp4", 5), strict=True) as (_, stream):
        assert stream.thread_type == ThreadType.AUTO


@pytest.mark.parametrize(
    ("cores", "large", "threads"),
    [(1, False, 0), (2, False, 6), (2, True, 0), (64, False, 8), (64, True, 8)],
)
def test_small_pictures_are_decoded_further_ahead(
    cores: int, large: bool, threads: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clip = _clip(tmp_path / "a.mp4", 5)
    monkeypatch.setattr("os.cpu_count", lambda: cores)
    if large:
        monkeypatch.setattr(opening, "LARGE_PIXELS", 1)
    with container.open_video(clip, strict=True) as (_, stream):
        assert stream.thread_count == threads
        assert sum(1 for _ in stream.container.decode(stream)) == 5


def test_runs_are_spread_over_the_recording(tmp_path: Path) -> None:
    recording = Recording.open([_clip(tmp_path / "a.mp4", 600)])
    starts = [one[0].index for one in recording.sparse(runs=6, per_run=10)]
    assert len(starts) == 6
    assert max(abs(start + 5 - (i + 0.5) * 100) for i, start in enumerate(starts)) <= 12


@pytest.mark.parametrize(("gop", "count", "lengths"), [(100, 200, [36, 36]), (400, 200, [72])])
def test_few_key_frames_give_fewer_longer_runs(
    gop: int, count: int, lengths: list[int], tmp_path: Path
) -> None:
    recording = Recording.open([_clip(tmp_path / "a.mp4", count, gop=gop, b_frames=2)])
    assert [len(one) for one in recording.sparse(runs=6, per_run=12)] == lengths
    assert recording.decoded_beside <= 1.3 * 72


@pytest.mark.parametrize("gop", [250, 900])
def test_short_runs_reach_over_the_whole_of_a_recording_with_few_key_frames(
    gop: int, tmp_path: Path
) -> None:
    recording = Recording.open([_clip(tmp_path / "a.mp4", 900, gop=gop)])
    runs = list(recording.sparse(runs=12, per_run=4))
    assert max(len(run) for run in runs) <= 12  # the last ones have no room to be spread over
    assert 8 <= len(runs) <= 12
    starts = [run[0].index for run in runs]
    assert starts[0] == 0 and starts[-1] >= 640
    assert max(np.diff(starts)) <= 250


@pytest.mark.parametrize("gop", [1, 5])
def test_runs_keep_their_length_however_many_are_wanted(
    gop: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An excerpt of hours asks for thousands of runs, of which it keeps the first."""
    monkeypatch.setattr(frames, "MOST_BETWEEN", 60)
    recording = Recording.open([_clip(tmp_path / "a.mp4", 300, gop=gop)])
    runs = list(recording.sparse(runs=200, per_run=4))
    assert min(len(run) for run in runs) >= min(4, gop)
    assert sum(len(run) for run in runs) >= 200


def test_more_asked_than_there_is_gives_every_frame_once(tmp_path: Path) -> None:
    recording = Recording.open([_clip(tmp_path / "a.mp4", 40)])
    found = [one.index for run in recording.sparse(runs=30, per_run=30) for one in run]
    assert found == list(range(40))


def test_long_runs_of_large_pictures_come_in_pieces(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recording = Recording.open([_clip(tmp_path / "a.mp4", 100, gop=100)])
    monkeypatch.setattr(frames, "RUN_BYTES", 20 * 160 * 96)
    runs = list(recording.sparse(runs=6, per_run=12))
    assert [len(one) for one in runs] == [18] * 4
    assert [one.index for run in runs for one in run] == list(range(72))


def test_frames_beside_the_pass_own_their_pixels(tmp_path: Path) -> None:
    recording = Recording.open([_clip(tmp_path / "a.mp4", 60)])
    kept = [
        *next(iter(recording.sparse(runs=2, per_run=5))),
        *recording.around(1, before=2, after=2),
    ]
    assert all(one.luma.base is None and not one.luma.flags.writeable for one in kept)
    streamed = next(iter(recording.stream()))
    assert streamed.luma.base is not None
    with pytest.raises(ValueError, match="read-only"):
        streamed.luma[0, 0] = 1


def test_outcome_needs_a_complete_pass(tmp_path: Path) -> None:
    recording = Recording.open([str(_clip(tmp_path / "a.mp4", 30))])
    for _ in islice(recording.stream(), 5):
        pass
    with pytest.raises(RuntimeError, match="ended"):
        _ = recording.outcome
    assert sum(1 for _ in recording.stream()) == sum(1 for _ in recording.stream()) == 30
    assert recording.outcome.decoded == 30


def test_chapters_keep_their_ticks_and_share_one_clock(tmp_path: Path) -> None:
    rate = Fraction(30000, 1001)
    parts = [
        write_clip(
            tmp_path / f"part{number}.ts",
            [90_000 + 7000 * number + tick for tick in rounded(40, rate, CLOCK_90K)],
            first_number=40 * number,
        )
        for number in range(3)
    ]
    recording = Recording.open(parts)
    every = _copied(recording)
    assert [number_in(one.luma) for one in every] == [one.index for one in every]
    assert [one.chapter for one in every] == [0] * 40 + [1] * 40 + [2] * 40
    assert [every[i].tick for i in (0, 40, 80)] == [90_000, 97_000, 104_000]
    assert [one.time_s for one in every] == [float(i / rate) for i in range(120)]
    found = recording.around(every[40].time_s, before=3, after=2)
    assert all(_same(a, b) for a, b in zip(found, every[37:42], strict=True))
    runs = list(recording.sparse(runs=6, per_run=5))
    assert {one.chapter for run in runs for one in run} == {0, 1, 2}
    assert all(_same(one, every[one.index]) for run in runs for one in run)


def test_slow_motion_times_are_scene_times(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "slow.mp4", [3000 * i for i in range(40)])
    recording = Recording.open([clip], captured_at=Fraction(240))
    assert [one.time_s for one in recording.stream()] == [i / 240 for i in range(40)]
    assert [one.index for one in recording.around(8 / 240, before=1, after=1)] == [7, 8]


# --------------------------------------------------------------------------- faults


def test_a_cut_file_is_told_although_the_decoder_says_nothing(tmp_path: Path) -> None:
    whole = write_clip(tmp_path / "a.mp4", jittered(120), muxer={"movflags": "faststart"})
    data = whole.read_bytes()
    cut = tmp_path / "cut.mp4"
    cut.write_bytes(data[: int(len(data) * 0.55)])
    recording = Recording.open([cut])
    came = [number_in(one.luma) for one in recording.stream()]
    assert came == list(range(len(came))) and 30 < len(came) < 90
    outcome = recording.outcome
    assert outcome.decoded == len(came)
    assert f"cut.mp4: ended early: {len(came)} of 120 frames" in outcome.faults[0]
    check = next(one for one in recording.facts.findings if one.name == "file is whole")
    assert check.state == "fail" and "'mdat' is cut" in check.note


@pytest.mark.parametrize("name", ["a.mkv", "a.ts", "a.avi", "fragments.mp4"])
def test_cut_files_of_other_containers_are_told(name: str, tmp_path: Path) -> None:
    whole = _clip(
        tmp_path / name, 60, **(KINDS["still.avi"] if name == "a.avi" else KINDS.get(name, {}))
    )
    data = whole.read_bytes()
    place = int(len(data) * 0.55) // 188 * 188 + 100
    if name == "fragments.mp4":  # cut inside a part that holds pictures
        data_boxes = [one for one in walk_top(whole) if one.kind == "mdat"]
        place = data_boxes[3].start + data_boxes[3].size // 2
    whole.write_bytes(data[:place])
    recording = Recording.open([whole])
    came = sum(1 for _ in recording.stream())
    assert 0 < came < 60
    assert any("ended early" in fault for fault in recording.outcome.faults)


def test_damage_marks_frames_until_a_clean_key_frame(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "a.mp4", [3000 * i for i in range(96)], gop=24)
    clean = {one.tick: one.luma.copy() for one in Recording.open([clip]).stream()}
    data = bytearray(clip.read_bytes())
    with container.open_video(clip, strict=True) as (source, stream):
        hurt = next(one for one in source.demux(stream) if one.pts == 30 * 3000)
        data[hurt.pos + 6 : hurt.pos + hurt.size] = bytes(hurt.size - 6)
    clip.write_bytes(data)
    recording = Recording.open([clip])
    streamed = list(recording.stream())
    suspects = [one.index for one in streamed if one.suspect]
    wrong = [one.index for one in streamed if not np.array_equal(one.luma, clean[one.tick])]
    assert wrong and set(wrong) <= set(suspects) <= set(range(30, 48))
    assert {*range(30), *range(48, 96)} <= {one.index for one in streamed}
    assert recording.outcome.suspect == len(suspects)
    assert any("damage at" in fault for fault in recording.outcome.faults)
    assert any(one.suspect for one in recording.around(40 / 30, before=2, after=2))
    assert not any(one.suspect for one in recording.around(60 / 30, before=2, after=2))


@pytest.mark.parametrize("codec", ["libx264", pytest.param("libx265", marks=needs_hevc)])
@pytest.mark.parametrize("behind", [1, 6])  # packets behind a key frame
def test_places_given_back_as_zeros_are_told_in_every_pass(
    codec: str, behind: int, tmp_path: Path
) -> None:
    path = _clip(tmp_path / "a.mp4", 72, codec=codec, gop=12, b_frames=2, size=(320, 240))
    clean = _copied(Recording.open([path]))
    with av.open(str(path)) as source:
        packets = [one for one in source.demux(video=0) if one.size]
        places = [(one.pos, one.size, one.pts) for one in packets]
        key = [k for k, one in enumerate(packets) if one.is_keyframe][3]
    place, size, pts = places[key + behind]
    shown = clean[sum(other < pts for _, _, other in places)].tick
    known = {one.tick: one for one in clean}
    harmed = bytearray(path.read_bytes())
    harmed[place + size // 3 : place + size // 2] = bytes(size // 2 - size // 3)
    path.write_bytes(harmed)
    for _ in range(10):  # the decoder alone leaves it out now and then
        streamed = _copied(Recording.open([path]))
        suspect = {one.tick for one in streamed if one.suspect}
        lost = {*known} - {one.tick for one in streamed}
        wrong = {one.tick for one in streamed if not _same(known[one.tick], one)}
        assert suspect and wrong <= suspect and shown in suspect | lost
        assert not suspect & {one.tick for one in clean[:24] + clean[60:]}
    others = _copied(Recording.open([_clip(tmp_path / "b.mp4", 72, codec=codec)]))
    assert not any(one.suspect for one in others)


@needs_hevc
@pytest.mark.parametrize("behind", [1, 11])  # packets behind a key frame
def test_damage_costs_one_group_by_any_number_of_threads(
    behind: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a thread met is told some packets later, when the next group has begun."""
    path = _clip(tmp_path / "a.mp4", 60, codec="libx265", gop=12)
    clean = {one.tick: one for one in _copied(Recording.open([path]))}
    with av.open(str(path)) as source:
        hurt = [one for one in source.demux(video=0) if one.size][24 + behind]
    harmed = bytearray(path.read_bytes())
    harmed[hurt.pos + 8 : hurt.pos + hurt.size] = bytes(hurt.size - 8)
    path.write_bytes(harmed)
    for threads in (0, 1, 2, 5, 8):
        monkeypatch.setattr(opening, "_threads", lambda cores, pixels, n=threads: n)
        trusted = [one for one in _copied(Recording.open([path])) if not one.suspect]
        assert {one.index for one in trusted} == {*range(24 + behind), *range(36, 60)}
        assert all(_same(clean[one.tick], one) for one in trusted)


def test_a_damaged_start_does_not_lose_the_rest(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "a.mp4", [3000 * i for i in range(96)], gop=24)
    data = bytearray(clip.read_bytes())
    with container.open_video(clip, strict=True) as (source, stream):
        hurt = next(iter(source.demux(stream)))
        data[hurt.pos + 4 : hurt.pos + hurt.size] = b"\xff" * (hurt.size - 4)
    clip.write_bytes(data)
    recording = Recording.open([clip])
    assert {*range(24, 96)} <= {one.index for one in recording.stream() if not one.suspect}
    assert recording.outcome.faults


def test_repeated_times_are_left_out_and_told(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "a.mp4", [3000 * i for i in range(40)])

    def stuck(_: bytes) -> bytes:
        pairs = [(20, 3000), (5, 0), (15, 3000)]
        flat = b"".join(a.to_bytes(4, "big") + b.to_bytes(4, "big") for a, b in pairs)
        return bytes(4) + len(pairs).to_bytes(4, "big") + flat

    place = (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"stts")
    clip.write_bytes(change_box(clip.read_bytes(), place, stuck))
    recording = Recording.open([clip])
    streamed = list(recording.stream())
    assert [one.index for one in streamed] == list(range(35))
    assert np.all(np.diff([one.time_s for one in streamed]) > 0)
    assert recording.outcome.faults == ("a.mp4: 5 frames left out: their times do not rise",)
    check = next(one for one in recording.facts.findings if one.name == "frame times stated")
    assert (check.state, check.figure) == ("fail", "35 distinct times of 40 frames")


def test_frames_of_another_size_are_left_out_and_told(tmp_path: Path) -> None:
    first = write_clip(tmp_path / "a.ts", [90_000 + 3000 * i for i in range(24)])
    second = write_clip(
        tmp_path / "b.ts", [90_000 + 3000 * i for i in range(24, 36)], size=(192, 112)
    )
    both = tmp_path / "both.ts"
    both.write_bytes(first.read_bytes() + second.read_bytes())
    recording = Recording.open([both])
    assert {one.luma.shape for one in recording.stream()} == {(96, 160)}
    assert recording.outcome.decoded == 24
    assert any(
        "12 frames left out: they are 192 x 112 yuv420p" in one for one in recording.outcome.faults
    )


def test_a_file_that_grows_is_told(tmp_path: Path) -> None:
    clip = _clip(tmp_path / "a.mp4", 40)
    recording = Recording.open([clip])
    for frame in recording.stream():
        if frame.index == 3:
            with clip.open("ab") as file:
                file.write(bytes(100))
    assert recording.outcome.decoded == 40
    assert any("still being written" in fault for fault in recording.outcome.faults)


# --------------------------------------------------------------------------- memory

_MEASURE = """
import resource, sys
from vidspin.footage.frames import Recording
recording = Recording.open([sys.argv[1]])
count = sum(int(one.luma[0, 0]) >= 0 for one in recording.stream())
print(count, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no resource module")
def test_memory_does_not_grow_with_length(tmp_path: Path) -> None:
    size = (480, 272)
    peak = []
    for count in (60, 900):
        ticks = [3000 * i for i in range(count)]
        clip = write_clip(tmp_path / f"{count}.mp4", ticks, size=size, gop=60)
        told = subprocess.run(
            [sys.executable, "-c", _MEASURE, str(clip)], capture_output=True, text=True, check=True
        )
        came, kilobytes = map(int, told.stdout.split())
        assert came == count
        peak.append(kilobytes)
    # All frames of the longer clip would be 110 MB.
    assert peak[1] - peak[0] < 12_000


def test_nothing_of_a_run_is_held_while_the_next_one_is_decoded() -> None:
    """Four frames of 4K with 10 bits take 63 MiB."""
    decoded: list[weakref.ref[np.ndarray]] = []

    def picture() -> np.ndarray:
        luma = np.zeros((9, 16), np.uint16)
        decoded.append(weakref.ref(luma))
        return luma

    def coming() -> Iterator[Frame]:
        for k in [*range(8), 20, 21]:  # two whole runs, and a short one elsewhere
            if k in {0, 4, 20}:
                assert all(ref() is None for ref in decoded)
            yield Frame(k, 0, k, 0.0, picture())

    lengths = []
    for run in frames._consecutive(coming(), 4):
        lengths.append(len(run))
        del run
    assert lengths == [4, 4, 2]
