"""Whatever is given instead of a recording is refused in one clear line, or told."""

from __future__ import annotations

import os
import struct
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_footage_maker import _write_sound, box, change_box, write_clip

from vidspin.errors import ExitCode, FootageError, VidspinError
from vidspin.footage import opening
from vidspin.footage.container import examine_all
from vidspin.footage.frames import Recording

STEADY = [3000 * i for i in range(24)]


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Twenty-four frames, index at the end."""
    return write_clip(tmp_path_factory.mktemp("plain") / "plain.mp4", STEADY).read_bytes()


def _refused(path: Path, words: str) -> None:
    """Expect one line with the file's name and the words, and the right exit code."""
    with pytest.raises(FootageError) as caught:
        Recording.open([path])
    line = str(caught.value)
    assert line.startswith(f"{path.name}: ")
    assert words in line
    assert "\n" not in line and len(line) < 250
    assert caught.value.do
    assert caught.value.exit_code is ExitCode.UNREADABLE


def test_what_is_no_file(tmp_path: Path) -> None:
    _refused(tmp_path / "missing.mp4", "no such file")
    _refused(tmp_path, "this is a folder")
    (tmp_path / "empty.mp4").touch()
    _refused(tmp_path / "empty.mp4", "the file is empty")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.mp4")
    _refused(tmp_path / "pipe.mp4", "not an ordinary file")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read all")
def test_no_permission(tmp_path: Path, plain: bytes) -> None:
    (tmp_path / "locked.mp4").write_bytes(plain)
    (tmp_path / "locked.mp4").chmod(0)
    _refused(tmp_path / "locked.mp4", "permission")


TEXTS = {
    "words": b"The quick brown fox jumps over the lazy dog.\n" * 40,
    "playlist": b"#EXTM3U\n#EXTINF:1,\nother.mp4\n",
    "list": b"ffconcat version 1.0\nfile other.mp4\n",
    "drawing": b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"></svg>',
    "noise": np.random.default_rng(3).bytes(5000),
    "zeros": bytes(5000),
    "head only": box(b"ftyp", b"isom" + bytes(4) + b"isom"),
    "short": b"\0\0\0",
}


@pytest.mark.parametrize("kind", TEXTS)
def test_other_content_named_as_a_recording(kind: str, tmp_path: Path, plain: bytes) -> None:
    # A list that names another file must not make the reader open that one.
    (tmp_path / "other.mp4").write_bytes(plain)
    for suffix in ("mp4", "mkv"):
        path = tmp_path / f"clip.{suffix}"
        path.write_bytes(TEXTS[kind])
        words = "(moov) is missing" if kind == "head only" else "not a"
        _refused(path, words)


def test_sound_alone_is_no_video(tmp_path: Path) -> None:
    path = tmp_path / "sound.mp4"
    with av.open(str(path), "w") as container:
        _write_sound(container, container.add_stream("aac", rate=48000), 0.5)
    _refused(path, "no video in this file")


def test_a_cover_picture_is_no_video(tmp_path: Path) -> None:
    path = tmp_path / "song.mp4"
    with av.open(str(path), "w") as container:
        cover = container.add_stream("mjpeg", rate=1)
        cover.width, cover.height, cover.pix_fmt = 64, 64, "yuvj420p"
        cover.disposition = av.stream.Disposition.attached_pic
        sound = container.add_stream("aac", rate=48000)
        _write_sound(container, sound, 0.5)
        container.mux(cover.encode(av.VideoFrame(64, 64, "yuvj420p")))
        container.mux(cover.encode(None))
    _refused(path, "no video in this file")


def test_one_picture_is_no_recording(tmp_path: Path) -> None:
    _refused(write_clip(tmp_path / "one.mp4", [0]), "holds fewer than two frames")


def test_an_unfinished_recording(tmp_path: Path, plain: bytes) -> None:
    path = tmp_path / "unfinished.mp4"
    path.write_bytes(plain[: plain.index(b"moov") - 4])
    _refused(path, "(moov) is missing")


def test_a_file_cut_inside_its_index(tmp_path: Path, plain: bytes) -> None:
    path = tmp_path / "cut.mp4"
    path.write_bytes(plain[: plain.index(b"moov") + 300])
    _refused(path, "cut short inside its part 'moov'")


def test_pictures_of_absurd_size(tmp_path: Path) -> None:
    path = tmp_path / "huge.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mjpeg", rate=30)
        stream.width, stream.height, stream.pix_fmt = 6016, 6016, "yuvj420p"
        frame = av.VideoFrame(6016, 6016, "yuvj420p")
        for number in range(2):
            frame.pts = number
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    assert 6016 * 6016 > opening.MAX_PIXELS
    _refused(path, "or above 36,000,000 elements")


def test_pictures_without_separate_brightness(tmp_path: Path) -> None:
    path = tmp_path / "rgb.mov"
    write_clip(path, STEADY, codec="png", pix_fmt="rgb24")
    _refused(path, "no separate brightness")


def test_luma_of_nine_bits(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "nine.mkv", STEADY, codec="ffv1", pix_fmt="yuv420p9le")
    _refused(path, "yuv420p9le hold no separate brightness of 8 or 10-16 bits")


def test_too_many_streams(tmp_path: Path, plain: bytes) -> None:
    def many(content: bytes) -> bytes:
        start = content.index(b"trak") - 4
        size = struct.unpack_from(">I", content, start)[0]
        return content + content[start : start + size] * 80

    path = tmp_path / "many.mp4"
    path.write_bytes(change_box(plain, (b"moov",), many))
    _refused(path, "81 streams")


def test_too_many_frames(tmp_path: Path, plain: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vidspin.footage.container.MAX_PACKETS", 20)
    path = tmp_path / "long.mp4"
    path.write_bytes(plain)
    _refused(path, "more than 20 frames")


def test_times_that_cannot_be(tmp_path: Path, plain: bytes) -> None:
    def slow(content: bytes) -> bytes:
        return content[:12] + struct.pack(">I", 1) + content[16:]

    path = tmp_path / "slow.mp4"
    path.write_bytes(change_box(plain, (b"moov", b"trak", b"mdia", b"mdhd"), slow))
    # 24 frames of 3000 s each are possible; of 3000000 s each they are not.

    def slower(_: bytes) -> bytes:
        return bytes(4) + struct.pack(">3I", 1, 24, 3_000_000)

    place = (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"stts")
    path.write_bytes(change_box(path.read_bytes(), place, slower))
    _refused(path, "which cannot be")


def test_a_bad_byte_in_a_tag_does_not_matter(tmp_path: Path, plain: bytes) -> None:
    path = tmp_path / "tag.mp4"
    path.write_bytes(plain.replace(b"Lavf", b"La\xff\xfe"))
    assert path.read_bytes() != plain
    assert examine_all([path], captured_at=None).facts.chapters[0].tags["encoder"].startswith("La")


def test_text_that_strict_decoding_stumbles_over_costs_no_frame(
    tmp_path: Path, plain: bytes
) -> None:
    """A malformed message beside every picture is not damage to the pictures."""
    source, path = tmp_path / "plain.mp4", tmp_path / "odd.mp4"
    source.write_bytes(plain)
    message = b"\x06\x01\xff\x10\x80"  # announces more than it holds
    with av.open(str(source)) as container, av.open(str(path), "w") as target:
        stream = target.add_stream_from_template(container.streams.video[0])
        for packet in container.demux(video=0):
            if packet.size:
                copy = av.Packet(struct.pack(">I", len(message)) + message + bytes(packet))
                copy.pts, copy.dts, copy.time_base = packet.pts, packet.dts, packet.time_base
                copy.is_keyframe, copy.stream = packet.is_keyframe, stream
                target.mux(copy)
    recording = Recording.open([path])
    assert sum(not one.suspect for one in recording.stream()) == 24
    assert recording.outcome.faults == ()
    checks = {one.name: one.state for one in recording.facts.findings}
    assert checks["damage checks"] == "unchecked"


def test_many_edits_do_not_multiply_frames(tmp_path: Path, plain: bytes) -> None:
    def edits(_: bytes) -> bytes:
        return struct.pack(">II", 0, 20_000) + struct.pack(">Iii", 500, 0, 65536) * 20_000

    path = tmp_path / "edits.mp4"
    path.write_bytes(change_box(plain, (b"moov", b"trak", b"edts", b"elst"), edits))
    recording = Recording.open([path])
    assert sum(1 for _ in recording.stream()) == 24
    assert "20000 entries" in (recording.facts.chapters[0].edit_list or "")


def test_memory_running_out_is_told(
    tmp_path: Path, plain: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    def exhausted(*_: object, **__: object) -> None:
        raise MemoryError

    path = tmp_path / "clip.mp4"
    path.write_bytes(plain)
    monkeypatch.setattr(av, "open", exhausted)
    _refused(path, "more memory")


def test_a_file_that_vanishes_is_told(tmp_path: Path, plain: bytes) -> None:
    path = tmp_path / "clip.mp4"
    path.write_bytes(plain)
    recording = Recording.open([path])
    path.unlink()
    with pytest.raises(FootageError, match="no such file"):
        list(recording.stream())


def _damage(data: bytes, low: int, seed: int, share: float) -> bytes:
    rng = np.random.default_rng(seed)
    hurt = bytearray(data)
    for place in rng.integers(low, len(data), max(int((len(data) - low) * share), 1)):
        hurt[place] ^= int(rng.integers(1, 256))
    return bytes(hurt)


PLACES: dict[str, Callable[[bytes], int]] = {
    "index": lambda data: data.index(b"moov") + 4,
    "anywhere": lambda _: 0,
}


@pytest.mark.parametrize("suffix", ["mp4", "mkv", "ts"])
@given(seed=st.integers(0, 10**6), share=st.sampled_from([0.0005, 0.005, 0.05]))
@settings(max_examples=20)
def test_random_damage_ends_in_frames_or_one_line(
    suffix: str, seed: int, share: float, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.getbasetemp() / f"damage-{suffix}"
    folder.mkdir(exist_ok=True)
    whole = folder / f"whole.{suffix}"
    if not whole.exists():
        write_clip(whole, STEADY, b_frames=2)
    data = whole.read_bytes()
    low = PLACES["index" if suffix == "mp4" and seed % 2 else "anywhere"](data)
    hurt = folder / f"hurt.{suffix}"
    hurt.write_bytes(_damage(data, low, seed, share))
    try:
        recording = Recording.open([hurt])
        times = [one.time_s for one in recording.stream()]
        list(recording.sparse(runs=2, per_run=3))
        recording.around(0.3, before=1, after=1)
    except VidspinError as error:
        assert str(error).startswith(f"{hurt.name}: ")
    else:
        assert np.all(np.diff(times) > 0)
        assert recording.outcome.decoded == len(times)
