"""Traces that joining, cutting and copying leave among the packets."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from test_footage_maker import change_box, needs_hevc, write_clip

from vidspin.footage.container import examine_all
from vidspin.footage.packets import LEAST_RUN, RUN_BYTES, Run, Track, findings, longest_run
from vidspin.footage.slices import StreamMarks
from vidspin.records import Check
from vidspin.simulate import ExponentialLoss, Scene
from vidspin.simulate.encode import Encoding
from vidspin.simulate.encode import write_clip as write_simulated

GOP = 12
COUNT = 240
TICKS = np.cumsum(
    np.concatenate([[0], 3003 + np.random.default_rng(4).integers(-60, 60, COUNT - 1)])
).tolist()  # unevenly timed, as a phone does


def file_checks(path: Path) -> dict[str, Check]:
    facts = examine_all([path], captured_at=None).facts
    return {c.name: c for c in facts.findings if c.kind == "file"}


def asked(path: Path) -> set[str]:
    """Names of the checks that ask a person to look, but for the writer."""
    found = file_checks(path)
    assert all(c.state != "fail" for c in found.values())
    return {name for name, c in found.items() if c.look and name != "writer"}


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight seconds with sound; every frame differs from every other."""
    path = tmp_path_factory.mktemp("original") / "clip.mp4"
    return write_clip(path, TICKS, gop=GOP, sound_s=8.0, muxer={"video_track_timescale": "90000"})


def copied(
    source: Path,
    target: Path,
    order: Callable[[list[Any]], list[Any]],
    *,
    sound: Callable[[list[Any]], list[Any]] | None = None,
    step: int | None = None,
) -> Path:
    """Copy packets into a new file without decoding, in another order, times closed up."""
    with (
        av.open(str(source), options={"ignore_editlist": "1"}) as given,
        av.open(str(target), "w", options={"video_track_timescale": "90000"}) as made,
    ):
        picture = made.add_stream_from_template(given.streams.video[0])
        heard = made.add_stream_from_template(given.streams.audio[0]) if sound else None
        packets = [p for p in given.demux() if p.size]
        pictures = order([p for p in packets if p.stream.type == "video"])
        payload = [(bytes(p), p.is_keyframe, p.pts) for p in pictures]
        sounds = sound([p for p in packets if p.stream.type == "audio"]) if sound else []
        _write(made, picture, payload, given.streams.video[0].time_base, step)
        _write(made, heard, [(bytes(p), True, None) for p in sounds], Fraction(1, 48000), 1024)
    return target


def _write(made: Any, stream: Any, payload: list[Any], base: Fraction, step: int | None) -> None:
    clock, before = 0, None
    for number, (data, key, pts) in enumerate(payload):
        apart = 0 if pts is None or before is None else pts - before
        if number:
            clock += apart if step is None and 0 < apart < 6000 else step or 3003
        before = pts
        packet = av.Packet(data)
        packet.stream, packet.pts, packet.dts, packet.time_base = stream, clock, clock, base
        packet.is_keyframe = key
        made.mux(packet)


# ------------------------------------------------------------------------------ clean


def test_original_has_no_trace_but_its_writer(original) -> None:
    assert asked(original) == set()
    found = file_checks(original)
    assert found["key frames"].figure == f"every {GOP} packets"
    assert found["key frame numbers"].figure.endswith("key frames are numbered 0 and 1 by turns")
    assert found["parameter sets"].figure.startswith("2 distinct")
    assert found["writer"].look and "Lavf" in found["writer"].figure
    assert found["sound packets"].note == "the sound goes on evenly"


def test_plain_copy_has_no_trace_either(original, tmp_path) -> None:
    again = copied(original, tmp_path / "copy.mp4", list, sound=list)
    assert asked(again) == set()


def test_file_of_a_camera_is_told_from_a_copy_and_neither_fails(original) -> None:
    camera = {"com.apple.quicktime.make": "Kite", "handler_name": "Core Media Video"}
    same = {"time_base": Fraction(1, 600), "created": 3786825600, "modified": 3786825601}
    told = writer(tags=camera, silent=False, **same)
    assert not told.look and told.figure == "no trace of another program"
    copy = writer(tags={"encoder": "Lavf60.3.100"}, silent=True, **same | {"created": 0})
    assert copy.look and copy.figure == (
        "encoder Lavf60.3.100; no time of creation; no camera named; no sound"
    )
    late = writer(tags=camera, silent=False, **same | {"modified": 3786825600 + 10 * 86_400})
    assert late.look and late.figure == "changed long after it was made"
    assert {c.state for c in (told, copy, late)} == {"pass"}


def writer(
    *, time_base: Fraction, created: int, modified: int, tags: dict[str, str], silent: bool
) -> Check:
    heard = Track()
    if not silent:
        heard.sizes.append(1)
    found = findings(
        Track(), heard, time_base=time_base, sound_base=None, frame_s=1 / 30, tags=tags,
        created=created, modified=modified,
    )  # fmt: skip
    return next(c for c in found if c.name == "writer")


# ------------------------------------------------------------------------------- edits


def test_cut_inside_a_group_of_pictures_breaks_the_row_of_key_frames(original, tmp_path) -> None:
    def cut(packets: list[Any]) -> list[Any]:
        return packets[: 5 * GOP + 4] + packets[9 * GOP :]

    found = file_checks(copied(original, tmp_path / "cut.mp4", cut))
    assert found["key frames"].look and "but for 1 of" in found["key frames"].figure


def test_cut_of_whole_groups_breaks_the_row_of_their_numbers(original, tmp_path) -> None:
    """Nothing else tells: an odd number of groups is gone, times are closed up plausibly."""
    told = copied(original, tmp_path / "cut.mp4", lambda p: p[: 5 * GOP] + p[8 * GOP :])
    assert asked(told) == {"key frame numbers"}
    # an even number leaves no trace at all: that is the limit of looking at packets
    silent = copied(original, tmp_path / "even.mp4", lambda p: p[: 5 * GOP] + p[9 * GOP :])
    assert asked(silent) == set()


def test_cut_of_pictures_alone_leaves_the_sound_longer(original, tmp_path) -> None:
    told = copied(original, tmp_path / "cut.mp4", lambda p: p[: 5 * GOP] + p[9 * GOP :], sound=list)
    assert "sound and pictures" in asked(told)
    assert "+25" in file_checks(told)["sound and pictures"].figure  # 8 s against 6.4 s


def test_loop_repeats_packets_at_one_lag(original, tmp_path) -> None:
    def loop(packets: list[Any]) -> list[Any]:
        return packets[: 12 * GOP] + packets[6 * GOP :]

    told = file_checks(copied(original, tmp_path / "loop.mp4", loop))["repeated packets"]
    assert told.look
    assert told.figure == f"{6 * GOP} in a row from {12 * GOP} on are those from {6 * GOP} on"


def test_loop_of_the_sound_repeats_its_packets(original, tmp_path) -> None:
    def noisy(packets: list[Any]) -> list[Any]:
        return packets[:200] + packets[100:]

    rng = np.random.default_rng(1)
    clip = tmp_path / "noise.mp4"
    with av.open(str(clip), "w") as made:
        picture = made.add_stream("libx264", rate=30)
        picture.width, picture.height, picture.pix_fmt = 64, 64, "yuv420p"
        heard = made.add_stream("aac", rate=48000)
        heard.layout = "mono"
        for k in range(300):
            wave = rng.normal(0, 0.2, (1, 1024)).astype(np.float32)
            block = av.AudioFrame.from_ndarray(wave, "fltp", "mono")
            block.sample_rate, block.pts, block.time_base = 48000, k * 1024, Fraction(1, 48000)
            made.mux(heard.encode(block))
        made.mux(heard.encode(None))
        for k in range(192):
            luma = rng.integers(16, 235, (96, 64), np.uint8)
            frame = av.VideoFrame.from_ndarray(luma, "yuv420p")
            frame.pts, frame.time_base = k, Fraction(1, 30)
            made.mux(picture.encode(frame))
        made.mux(picture.encode(None))
    told = copied(clip, tmp_path / "loop.mp4", list, sound=noisy, step=3003)
    assert "repeated sound packets" in asked(told)


def test_concatenation_of_two_encoders_has_two_sets_of_parameters(original, tmp_path) -> None:
    other = write_clip(tmp_path / "other.mp4", TICKS[:60], gop=GOP,
                       encoder={"profile": "baseline", "level": "3.1"})  # fmt: skip
    with av.open(str(other)) as source:
        header = source.streams.video[0].codec_context.extradata
        theirs = [(bytes(p), p.is_keyframe) for p in source.demux(video=0) if p.size]
    sps = b"".join(_length_prefixed(header))
    with (
        av.open(str(original)) as given,
        av.open(str(tmp_path / "both.mp4"), "w") as made,
    ):
        stream = made.add_stream_from_template(given.streams.video[0])
        mine = [(bytes(p), p.is_keyframe) for p in given.demux(video=0) if p.size]
        theirs = [(sps + data if key else data, key) for data, key in theirs]
        payload = [(data, key, None) for data, key in mine + theirs]
        _write(made, stream, payload, Fraction(1, 90000), 3003)
    told = file_checks(tmp_path / "both.mp4")["parameter sets"]
    assert told.look and told.figure.startswith(
        "3 distinct, 10 among"
    )  # one picture set serves both


def _length_prefixed(header: bytes) -> list[bytes]:
    """Parameter sets of an avcC header, as units of a packet."""
    out, at = [], 6
    for _ in range(header[5] & 31):
        size = int.from_bytes(header[at : at + 2], "big")
        out.append(size.to_bytes(4, "big") + header[at + 2 : at + 2 + size])
        at += 2 + size
    count, at = header[at], at + 1
    for _ in range(count):
        size = int.from_bytes(header[at : at + 2], "big")
        out.append(size.to_bytes(4, "big") + header[at + 2 : at + 2 + size])
        at += 2 + size
    return out


def test_seam_with_a_hardly_later_time_is_a_packet_too_soon(tmp_path) -> None:
    ticks = [t if k < 120 else t - 2900 for k, t in enumerate(TICKS)]
    told = file_checks(write_clip(tmp_path / "seam.mp4", ticks, gop=GOP))["packet times"]
    assert told.look and "1 steps far too short" in told.figure


def test_lost_sound_packets_show_as_a_gap(original, tmp_path) -> None:
    clip = write_clip(tmp_path / "gap.mp4", TICKS, gop=GOP, sound_s=8.0)
    with av.open(str(clip)) as given, av.open(str(tmp_path / "lost.mp4"), "w") as made:
        picture = made.add_stream_from_template(given.streams.video[0])
        heard = made.add_stream_from_template(given.streams.audio[0])
        number = 0
        for packet in given.demux():
            if not packet.size:
                continue
            if packet.stream.type == "audio":
                number += 1
                packet.stream = heard
                if 100 <= number < 103:
                    continue
            else:
                packet.stream = picture
            made.mux(packet)
    told = file_checks(tmp_path / "lost.mp4")["sound packets"]
    assert told.look and "up to 64.0 ms" in told.note


def test_times_stretched_by_two_per_cent_are_an_unusual_rate(tmp_path) -> None:
    for factor, odd in ((1.0, False), (1.02, True), (0.98, True)):
        ticks = [round(3003 * factor * k) for k in range(120)]
        told = file_checks(write_clip(tmp_path / f"{factor}.mp4", ticks))["frame rate"]
        assert told.look == odd and told.state == "pass"


def test_time_of_creation_that_nobody_filled_in_is_a_trace(original, tmp_path) -> None:
    data = original.read_bytes()
    made = change_box(
        data, (b"moov", b"mvhd"), lambda b: b[:4] + (3786825600).to_bytes(4, "big") * 2 + b[12:]
    )
    path = tmp_path / "made.mp4"
    path.write_bytes(made)
    assert "no time of creation" in file_checks(original)["writer"].figure
    assert "no time of creation" not in file_checks(path)["writer"].figure


# ------------------------------------------------------------------ of a simulated top


@pytest.fixture(scope="module")
def tops(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two clips of one camera: as a recording of a top looks when it is encoded."""
    folder = tmp_path_factory.mktemp("tops")
    made = []
    for number in (1, 2):
        scene = Scene(
            width=192, height=108, seconds=6.0, jitter_s=2e-4, seed=number, speed_rad_s=120.0,
            law=ExponentialLoss(100.0),
        )  # fmt: skip
        path = folder / f"top{number}.mp4"
        write_simulated(scene, path, Encoding(gop=GOP, b_frames=0, preset="ultrafast"))
        made.append(path)
    return made[0], made[1]


def test_simulated_clip_has_no_trace_of_an_edit(tops) -> None:
    assert asked(tops[0]) == set()


def test_cut_of_a_simulated_clip_without_decoding_is_found(tops, tmp_path) -> None:
    inside = copied(tops[0], tmp_path / "a.mp4", lambda p: p[: 4 * GOP + 5] + p[8 * GOP :])
    assert "key frames" in asked(inside)
    groups = copied(tops[0], tmp_path / "b.mp4", lambda p: p[: 4 * GOP] + p[7 * GOP :])
    assert asked(groups) == {"key frame numbers"}


def test_loop_of_a_simulated_clip_without_decoding_is_found(tops, tmp_path) -> None:
    path = copied(tops[0], tmp_path / "loop.mp4", lambda p: p[: 9 * GOP] + p[5 * GOP :])
    assert "repeated packets" in asked(path)
    told = file_checks(path)["repeated packets"]
    assert told.figure == f"{4 * GOP} in a row from {9 * GOP} on are those from {5 * GOP} on"


def test_two_takes_of_one_camera_put_together_break_the_row_of_key_frames(tops, tmp_path) -> None:
    """Encoder and parameter sets are the same: only the counts of key frames tell."""
    with av.open(str(tops[1])) as given:
        other = [p for p in given.demux(video=0) if p.size]
        path = copied(tops[0], tmp_path / "both.mp4", lambda p: p[: 7 * GOP + 3] + other)
    assert "key frames" in asked(path)


# -------------------------------------------------------------------------------- parts


def test_small_equal_packets_of_a_still_scene_are_no_copy() -> None:
    rng = np.random.default_rng(1)
    digests = rng.integers(1, 2**60, 200).astype(np.uint64)
    sizes = rng.integers(4000, 6000, 200)
    digests[50:90], sizes[50:90] = 7, 12
    assert longest_run(digests, sizes) is None
    digests[120:150], sizes[120:150] = digests[10:40], sizes[10:40]
    run = longest_run(digests, sizes)
    assert run is not None and (run.first, run.count, run.lag) == (120, 30, 110)


def run_packet_by_packet(digests: np.ndarray, sizes: np.ndarray) -> Run | None:
    """What `longest_run` is to give, told one packet after the other."""
    before: dict[int, int] = {}
    best, first, count, lag = None, 0, 0, 0
    for k, digest in enumerate(digests.tolist()):
        j = before.get(digest)
        before[digest] = k
        if j is None:
            count = 0
            continue
        if count and k - j == lag:
            count += 1
        else:
            first, count, lag = k, 1, k - j
        mean = sizes[first : k + 1].mean()
        if count >= LEAST_RUN and mean > RUN_BYTES * np.median(sizes):
            best = Run(first, count, lag) if best is None or count > best.count else best
    if best is None:
        return None
    distinct = set(digests[best.first : best.first + best.count].tolist())
    return best if len(distinct) >= LEAST_RUN else None


def test_longest_run_is_that_of_looking_at_packet_after_packet() -> None:
    rng, found = np.random.default_rng(5), 0
    for _ in range(1500):
        n = int(rng.integers(0, 80))
        digests = rng.integers(0, int(rng.choice([2, 10, 60, 2**62])), n).astype(np.uint64)
        sizes = rng.integers(1, int(rng.choice([3, 100])), n)
        for _ in range(int(rng.integers(0, 4)) if n > 20 else 0):
            length = int(rng.integers(1, n // 2))
            here, there = rng.integers(0, n - length, 2)
            digests[here : here + length] = digests[there : there + length].copy()
            sizes[here : here + length] = sizes[there : there + length].copy()
        expected = run_packet_by_packet(digests, sizes)
        assert longest_run(digests, sizes) == expected
        found += expected is not None
    assert found > 100


def test_hours_of_silent_sound_take_no_time() -> None:
    """Every packet of a muted track is the same; the time was the square of their number."""
    digests, sizes = np.full(250_000, 12345, np.uint64), np.full(250_000, 9)
    start = time.process_time()
    assert longest_run(digests, sizes) is None
    assert time.process_time() - start < 4


def test_packets_that_are_all_different_take_little_room() -> None:
    digests = np.random.default_rng(0).permutation(300_000).astype(np.uint64)
    sizes = np.full(len(digests), 9000)
    tracemalloc.start()
    assert longest_run(digests, sizes) is None
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 80 * len(digests)


@pytest.mark.parametrize(
    "junk", [b"", b"\1", b"\1" * 40, b"\0\0\1\x67" + b"\xff" * 9, b"\xff" * 99]
)
@pytest.mark.parametrize("codec", ["h264", "hevc"])
def test_junk_in_headers_and_packets_is_left_out(codec, junk) -> None:
    marks = StreamMarks(codec, junk)
    for packet in (b"", junk, b"\0\0\0\x05\x65\xff\xff\xff\xff", b"\0\0\0\xff\x65"):
        marks.add(packet)
    assert marks.idr_ids == []


@needs_hevc
def test_hevc_has_one_set_up_too(tmp_path) -> None:
    clip = write_clip(tmp_path / "hevc.mp4", TICKS[:48], codec="libx265", gop=GOP)
    found = file_checks(clip)
    assert found["parameter sets"].figure.startswith("3 distinct")
    assert "key frame numbers" not in found
