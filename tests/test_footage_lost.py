"""Packets that are not there: found by the numbers of H.264 pictures, never where all is well."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from test_footage_maker import write_clip

from vidspin.footage import opening
from vidspin.footage.frames import Recording
from vidspin.footage.slices import FrameNumbers

COUNT, GOP = 120, 24
_KEYS = f"keyint={GOP}:min-keyint={GOP}:scenecut=0:b-adapt=0"
SETTINGS: dict[str, dict[str, str]] = {
    "plain": {"x264-params": f"{_KEYS}:bframes=0"},
    "reordered": {"x264-params": f"{_KEYS}:bframes=3:b-pyramid=none"},
    "pyramid": {"x264-params": f"{_KEYS}:bframes=5:b-pyramid=normal:ref=6"},
    "strict": {"x264-params": f"{_KEYS}:bframes=5:b-pyramid=strict"},
    "slices": {"x264-params": f"{_KEYS}:bframes=2:slices=4"},
    "interlaced": {"x264-params": f"{_KEYS}:bframes=2:tff=1"},
    "headers": {"x264-params": f"{_KEYS}:bframes=0:aud=1:repeat-headers=1"},
    "one reference": {"x264-params": f"{_KEYS}:bframes=0:ref=1", "preset": "fast"},
    "no delay": {"x264-params": f"{_KEYS}", "tune": "zerolatency", "preset": "veryfast"},
    "open": {"x264-params": f"{_KEYS}:bframes=3:b-pyramid=normal:open-gop=1"},
    "open strict": {"x264-params": f"{_KEYS}:bframes=7:b-pyramid=strict:open-gop=1"},
    "refreshed": {"x264-params": f"keyint={GOP}:bframes=0:intra-refresh=1", "preset": "fast"},
}  # fmt: skip


def clip(path: Path, name: str) -> Path:
    ticks = [3000 * k for k in range(COUNT)]
    muxer = {"video_track_timescale": "90000"} if path.suffix == ".mp4" else {}
    return write_clip(path, ticks, size=(320, 240), encoder=SETTINGS[name], muxer=muxer)


def without(source: Path, target: Path, number: int) -> Path:
    """Copy a file without one of its packets, all times kept."""
    with av.open(str(source), options={"ignore_editlist": "1"}) as given:
        stream = given.streams.video[0]
        packets = [one for one in given.demux(stream) if one.size]
        with av.open(str(target), "w", options={"video_track_timescale": "90000"}) as made:
            out = made.add_stream_from_template(stream)
            for one in packets[:number] + packets[number + 1 :]:
                copy = av.Packet(bytes(one))
                copy.pts, copy.dts, copy.duration = one.pts, one.dts, one.duration
                copy.time_base, copy.is_keyframe = stream.time_base, one.is_keyframe
                copy.stream = out
                made.mux(copy)
    return target


def shown(recording: Recording) -> dict[int, tuple[np.ndarray, bool]]:
    """Pictures and whether they are suspect, by 30ths of a second from the first."""
    return {round(one.time_s * 30): (one.luma.copy(), one.suspect) for one in recording.stream()}


@pytest.mark.parametrize("threads", [1, 6])
@pytest.mark.parametrize("kind", ["mp4", "mkv", "ts"])
@pytest.mark.parametrize("name", ["plain", "pyramid", "slices", "one reference"])
def test_what_is_built_on_a_missing_packet_is_suspect(
    name: str, kind: str, threads: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "_threads", lambda cores, pixels: threads)
    whole = clip(tmp_path / f"whole.{kind}", name)
    clean = shown(Recording.open([whole]))
    recording = Recording.open([without(whole, tmp_path / f"lost.{kind}", 2 * GOP + 1)])
    found = shown(recording)
    suspect = {k for k, (_, doubted) in found.items() if doubted}
    wrong = {k for k, (luma, _) in found.items() if not np.array_equal(luma, clean[k][0])}
    assert wrong and wrong <= suspect <= set(range(2 * GOP + 1, 3 * GOP))
    assert {*range(2 * GOP + 1), *range(3 * GOP, COUNT)} <= {*found}
    assert any("damage that the decoder patched over" in one for one in recording.outcome.faults)
    assert any(one.suspect for one in recording.around((3 * GOP - 3) / 30, before=2, after=2))
    assert not any(one.suspect for one in recording.around((2 * GOP) / 30, before=3, after=1))


@pytest.mark.parametrize("kind", ["mp4", "ts"])
@pytest.mark.parametrize("name", SETTINGS)
def test_no_honest_recording_is_doubted(name: str, kind: str, tmp_path: Path) -> None:
    recording = Recording.open([clip(tmp_path / f"a.{kind}", name)])
    assert not any(one.suspect for one in recording.stream())
    assert recording.outcome.decoded == COUNT and not recording.outcome.faults


@pytest.mark.parametrize("kind", ["mp4", "ts"])
@pytest.mark.parametrize("name", [one for one in SETTINGS if one != "refreshed"])
def test_what_is_left_out_after_a_seek_is_no_loss(name: str, kind: str, tmp_path: Path) -> None:
    """Pictures that are shown before the key frame, where it does not begin a count.

    Recordings without key frames, refreshed bit by bit, lack pictures after a seek.
    """
    recording = Recording.open([clip(tmp_path / f"a.{kind}", name)])
    beside = [one for run in recording.sparse(runs=4, per_run=12) for one in run]
    for k in (23, 30, 49, 71, 95, 118):
        beside += recording.around(k / 30, before=3, after=4)
    assert len(beside) > 60 and not any(one.suspect for one in beside)
    for index in (26, 50, 97):
        again = list(recording.stream_from(index))
        assert again[-1].index == COUNT - 1 and not any(one.suspect for one in again)


# -------------------------------------------------------------------------------- parts


def coded(value: int) -> str:
    """Unsigned exponential-Golomb code."""
    digits = f"{value + 1:b}"
    return "0" * (len(digits) - 1) + digits


def unit(head: int, bits: str) -> bytes:
    bits += "1" + "0" * (-len(bits) - 1 & 7)
    return bytes([head]) + int(bits, 2).to_bytes(len(bits) // 8, "big")


def sequence(*, bits: int = 4, gaps: bool = False, fields: bool = False) -> bytes:
    """Sequence parameter set of a plain stream, and picture parameter sets: plain and weighted."""
    first = coded(0) + coded(bits - 4) + coded(2) + coded(1) + str(int(gaps))
    last = "010" if fields else "11"
    whole = unit(0x67, f"{66:08b}{0:08b}{30:08b}{first}{coded(9)}{coded(5)}{last}00")
    plain, weighted = (
        unit(0x68, f"{coded(k)}{coded(0)}00{coded(0)}{coded(1)}{coded(0)}{k}00{coded(0) * 3}000")
        for k in (0, 1)
    )
    return b"\0\0\0\1".join((whole, plain, weighted))


def picture(  # noqa: PLR0913 - what a slice head has
    number: int, *, counted: bool = True, key: bool = False, bits: int = 4, forgets: bool = False,
    kind: int = 5, weighted: bool = False,
) -> bytes:  # fmt: skip
    """Packet of one picture, with start codes and a delimiter."""
    head = (0x60 if counted else 0) | (5 if key else 1)
    said = f"{coded(0)}{coded(kind)}{coded(int(weighted))}{number:0{bits}b}"
    if key:
        said += coded(0)
    elif kind == 5:
        said += f"1{coded(0)}1{coded(0)}{coded(3)}{coded(3)}"  # one reference, in another order
    elif kind == 6:
        said += f"11{coded(0)}{coded(1)}00"
    if weighted:
        said += f"{coded(5)}{coded(5)}1{coded(8)}{coded(3)}0"
    if key:
        said += "00"
    elif counted:
        said += f"1{coded(1)}{coded(2)}{coded(5)}{coded(0)}" if forgets else "0"
    return b"\0\0\0\1\x09\xf0\0\0\1" + unit(head, said)


def jumps(packets: list[bytes], header: bytes = b"\0\0\0\1" + sequence()) -> list[int]:
    numbers = FrameNumbers(header)
    return [k for k, one in enumerate(packets) if numbers.jump(one)]


def row(*numbers: int, **options: Any) -> list[bytes]:
    return [picture(one, **options) for one in numbers]


def test_a_step_over_a_number_is_told_once() -> None:
    key = picture(0, key=True)
    assert jumps([key, *row(1, 2, 3)]) == []
    assert jumps([key, *row(1, 3, 4)]) == [2]
    assert jumps([key, *row(*range(1, 16), 0, 1, 2)]) == []  # four bits
    assert jumps([key, *row(*range(1, 16), 1, 2)]) == [16]
    assert jumps([key, *row(1, 2), key, *row(1)]) == []
    between = [picture(3, counted=False)] * 2
    assert jumps([key, *row(1, 2), *between, *row(3, 4)]) == []
    assert jumps([key, *row(1), *between, *row(3, 4)]) == [2]
    assert jumps([key, *row(1, 2), *between, *row(4)]) == [5]


def test_what_may_leave_numbers_out_is_not_doubted() -> None:
    key = picture(0, key=True)
    assert jumps([key, *row(1, 3, 4)], b"\0\0\0\1" + sequence(gaps=True)) == []
    assert jumps(row(7, 10, 11, 13)) == [3]  # begins at a key frame that is no IDR picture
    assert jumps([key, *row(1, 1, 2, 2, 3)]) == []  # fields
    plain = sequence().split(b"\0\0\0\1")[0]  # what a slice says of the others cannot be read
    for last in (4, 9, 12, 14):
        begun = [key, *row(*range(1, last + 1)), *row(1, 2)]
        assert jumps(begun, b"\0\0\0\1" + plain) == []  # a count that may begin anew
    assert jumps([key, b"", picture(9), b"\0\0\1\x06junk", picture(3)]) == []
    assert jumps([key, *row(1, 3)], b"") == []
    two = b"\0\0\0\1" + sequence() + b"\0\0\0\1" + sequence(bits=9)
    assert jumps([key, *row(1, 3)], two) == []


@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize("kind", [5, 6, 7])  # one list of references, two, none
@pytest.mark.parametrize("last", range(1, 16))
def test_a_picture_that_has_the_others_forgotten_begins_the_count_anew(
    kind: int, last: int, weighted: bool
) -> None:
    """Memory management control operation 5; without it, that many pictures are missing."""
    weighted &= kind == 5
    key, before = picture(0, key=True), row(*range(1, last))
    for forgets in (True, False):
        one = picture(last, forgets=forgets, kind=kind, weighted=weighted)
        missing = not forgets and last != 16 and (1 - last) % 16 > 1
        after = [picture(1, counted=False), *row(1, 2)]
        assert jumps([key, *before, one, *after]) == ([last + 1] if missing else []), forgets
        found = jumps([key, *before, one, *row(2, 3)])
        assert (found == [last + 1]) is (forgets or last not in (1, 2))


def test_a_seek_begins_the_count_anew() -> None:
    numbers = FrameNumbers(b"\0\0\0\1" + sequence())
    assert not numbers.jump(picture(0, key=True)) and not numbers.jump(picture(1))
    numbers.begin()
    assert not numbers.jump(picture(6)) and not numbers.jump(picture(9))
    assert numbers.jump(picture(11))


@pytest.mark.parametrize(
    "junk", [b"", b"\1", b"\1" * 40, b"\0\0\1\x67" + b"\xff" * 9, b"\0\0\1\x67", bytes(99)]
)
def test_junk_is_no_jump(junk: bytes) -> None:
    numbers = FrameNumbers(junk)
    for packet in (junk, b"\0\0\0\5\x41\xff\xff\xff\xff", b"\0\0\1\x41", *row(1, 9)):
        assert not numbers.jump(packet)
