"""What the container states comes out as stated, and what is odd is said."""

from __future__ import annotations

import hashlib
import struct
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_footage_maker import (
    CLOCK_90K,
    change_box,
    edit_list,
    rotated,
    rounded,
    with_keys,
    write_clip,
)

from vidspin.errors import FootageError, UsageError
from vidspin.footage import rates
from vidspin.footage.boxes import read_movie, walk_top
from vidspin.footage.container import examine, examine_all
from vidspin.records import Check, FootageFacts

STEADY = [3000 * i for i in range(30)]
CAPTURE = "com.android.capture.fps"


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Thirty frames at 30 frames/s, reordered, index at the end."""
    path = tmp_path_factory.mktemp("plain") / "plain.mp4"
    # the edit lists below count in these ticks; versions of FFmpeg differ in what they take
    muxer = {"movie_timescale": "1000"}
    return write_clip(path, STEADY, b_frames=2, muxer=muxer).read_bytes()


@pytest.fixture(scope="module")
def unordered(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Thirty frames at 30 frames/s, not reordered."""
    path = tmp_path_factory.mktemp("unordered") / "plain.mp4"
    return write_clip(path, STEADY).read_bytes()


def _look(tmp_path: Path, data: bytes, name: str = "clip.mp4", **options: Any) -> FootageFacts:
    path = tmp_path / name
    path.write_bytes(data)
    return examine_all([path], captured_at=options.get("captured_at")).facts


def _check(facts: FootageFacts, name: str) -> Check:
    return next(one for one in facts.findings if one.name == name)


def test_facts_of_a_plain_clip(tmp_path: Path, plain: bytes) -> None:
    facts = _look(tmp_path, plain)
    chapter = facts.chapters[0]
    assert (facts.name, chapter.name, chapter.bytes) == ("clip", "clip.mp4", len(plain))
    assert chapter.sha256 == hashlib.sha256(plain).hexdigest()
    assert (chapter.container, chapter.codec, chapter.bit_depth) == ("mp4", "h264", 8)
    assert (chapter.width, chapter.height) == (160, 96)
    assert (chapter.time_base, chapter.frames_listed) == (CLOCK_90K, 30)
    assert facts.frame_rate == chapter.frame_rate == 30
    assert facts.duration_s == chapter.duration_file_s == 1.0
    assert (facts.time_scale, chapter.capture_rate, chapter.edit_list) == (1, None, None)
    assert {one.state for one in facts.findings} == {"pass"}


# ------------------------------------------------------------------------- geometry

TURNS = [
    ((1, 0, 0, 1), 0, False),
    ((0, 1, -1, 0), 90, False),
    ((-1, 0, 0, -1), 180, False),
    ((0, -1, 1, 0), 270, False),
    ((-1, 0, 0, 1), 0, True),
    ((0, -1, -1, 0), 90, True),
]


@pytest.mark.parametrize(("matrix", "degrees", "mirrored"), TURNS)
def test_display_matrix_gives_clockwise_turn_and_mirror(
    tmp_path: Path,
    unordered: bytes,
    matrix: tuple[int, int, int, int],
    degrees: int,
    mirrored: bool,
) -> None:
    chapter = _look(tmp_path, rotated(unordered, matrix)).chapters[0]
    assert (chapter.rotation_deg, chapter.mirrored) == (degrees, mirrored)
    assert (chapter.width, chapter.height) == (160, 96)
    # Turning the unit vectors as a player does gives back the matrix.
    turn = np.deg2rad(degrees)
    rows = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    flip = np.diag([-1.0 if mirrored else 1.0, 1.0])
    a, b, c, d = matrix
    np.testing.assert_allclose(rows @ flip, [[a, c], [b, d]], atol=1e-12)


def test_a_slanted_turn_is_a_finding(tmp_path: Path, unordered: bytes) -> None:
    facts = _look(tmp_path, rotated(unordered, (4, 3, -3, 4)))
    assert _check(facts, "picture turn").figure == "36.9 degrees"


def test_picture_elements_that_are_not_square(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "wide.mp4", STEADY, aspect=Fraction(4, 3))
    assert examine(clip).facts.sample_aspect == Fraction(4, 3)


@pytest.mark.parametrize(
    ("pix_fmt", "stated", "full"),
    [
        ("yuv420p", "", None),
        ("yuv420p", "tv", False),
        ("yuvj420p", "pc", True),
    ],
)
def test_range_is_stated_or_unknown(
    tmp_path: Path, pix_fmt: str, stated: str, full: bool | None
) -> None:
    # The range is only written beside a colour description.
    colours = {"color_range": stated, "color_primaries": "bt709"} if stated else {}
    clip = write_clip(tmp_path / "range.mp4", STEADY, pix_fmt=pix_fmt, encoder=colours)
    assert examine(clip).facts.full_range is full


def test_the_track_that_players_prefer_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "two.mp4"
    with av.open(str(path), "w") as container:
        streams = []
        for width, height in ((80, 48), (320, 192)):
            stream = container.add_stream("libx264", rate=30, options={"preset": "ultrafast"})
            stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
            streams.append(stream)
        for number in range(8):
            for stream in streams:
                frame = av.VideoFrame(stream.width, stream.height, "yuv420p")
                for plane in frame.planes:
                    plane.update(bytes([128]) * plane.buffer_size)
                frame.pts = number
                container.mux(stream.encode(frame))
        for stream in streams:
            container.mux(stream.encode(None))
    facts = examine_all([path], captured_at=None).facts
    assert (facts.chapters[0].width, facts.chapters[0].height) == (320, 192)
    assert _check(facts, "one video track").state == "unchecked"


# ----------------------------------------------------------------------------- tags


def test_only_listed_tags_are_kept(tmp_path: Path) -> None:
    secret = {
        "location": "+12.3456+065.4321/",
        "com.apple.quicktime.location.ISO6709": "+12.3456+065.4321/",
        "com.android.serial": "SN-0042",
        "artist": "A. Person",
        "title": "my garden",
        "comment": "at home",
    }
    clip = write_clip(
        tmp_path / "tags.mp4",
        STEADY,
        muxer={"movflags": "use_metadata_tags"},
        tags=secret | {"com.android.version": "14", "creation_time": "2024-05-01T10:00:00Z"},
    )
    assert b"SN-0042" in clip.read_bytes()
    tags = examine(clip).facts.tags
    assert tags["com.android.version"] == "14"
    assert tags["creation_time"].startswith("2024-05-01T10:00:00")
    kept = repr(tags)
    assert not any(value in kept for value in secret.values())


TYPED = [
    (1, b"240.000000", Fraction(240)),
    (1, b"240", Fraction(240)),
    (1, b"239.76", Fraction(23976, 100)),
    (23, struct.pack(">f", 240.0), Fraction(240)),
    (23, struct.pack(">f", 240000 / 1001), Fraction(240000, 1001)),
    (23, struct.pack(">f", 29.97), Fraction(2997, 100)),
    (24, struct.pack(">d", 119.88), Fraction(11988, 100)),
    (21, struct.pack(">h", 240), Fraction(240)),
    (22, struct.pack(">B", 240), Fraction(240)),
    (67, struct.pack(">i", 120), Fraction(120)),
    (77, struct.pack(">I", 960), Fraction(960)),
]


@pytest.mark.parametrize(("kind", "content", "rate"), TYPED)
def test_capture_rate_of_every_number_type(
    tmp_path: Path, unordered: bytes, kind: int, content: bytes, rate: Fraction
) -> None:
    facts = _look(tmp_path, with_keys(unordered, {CAPTURE: (kind, content)}))
    assert facts.chapters[0].capture_rate == rate


def test_capture_rate_written_as_text_by_a_muxer(tmp_path: Path) -> None:
    options: dict[str, Any] = {"tags": {CAPTURE: "240"}}
    movie = write_clip(
        tmp_path / "a.mp4", STEADY, muxer={"movflags": "use_metadata_tags"}, **options
    )
    other = write_clip(tmp_path / "a.mkv", STEADY, **options)
    assert examine(movie).facts.capture_rate == examine(other).facts.capture_rate == 240


@pytest.mark.parametrize("content", [b"0", b"-30", b"nan", b"1e9999999", b"fast", b""])
def test_unusable_capture_rate_is_a_finding(
    tmp_path: Path, unordered: bytes, content: bytes
) -> None:
    facts = _look(tmp_path, with_keys(unordered, {CAPTURE: (1, content)}))
    assert (facts.chapters[0].capture_rate, facts.time_scale) == (None, 1)
    assert _check(facts, "capture rate").state == "unchecked"


# ---------------------------------------------------------------------- slow motion


@pytest.mark.parametrize(
    ("stored", "capture", "sound", "scale", "state", "words"),
    [
        (30, None, None, Fraction(1), None, "no capture rate"),
        (30, None, 8.0, Fraction(1), None, "no capture rate"),
        (30, None, 1.0, Fraction(1), "unchecked", "no capture rate"),
        (240, 240, None, Fraction(1), "pass", "agrees with the stored rate"),
        (240, 238, 8.0, Fraction(1), "pass", "times are true"),
        (30, 240, None, Fraction(1, 8), "unchecked", "no sound"),
        (30, 240, 1.0, Fraction(1, 8), "pass", "lasts 1.00 s, as the scene then does"),
        (30, 240, 8.0, Fraction(1, 8), "unchecked", "as long as the file"),  # no dim light is that
        (30, 60, 8.0, Fraction(1), "unchecked", "lasts 8.00 s, as the file does"),
        (30, 240, 3.0, Fraction(1, 8), "unchecked", "fits neither"),
        (30, 2, None, Fraction(15), "unchecked", "time lapse"),
    ],
)
def test_time_scale_weighs_tag_rate_and_sound(
    stored: int,
    capture: int | None,
    sound: float | None,
    scale: Fraction,
    state: str | None,
    words: str,
) -> None:
    found = rates.time_scale(
        Fraction(stored),
        None if capture is None else Fraction(capture),
        captured_at=None,
        video_s=8.0,
        sound_s=sound,
    )
    assert found.scale == scale
    assert words in found.why
    assert (found.check.state if found.check else None) == state


@pytest.mark.parametrize(
    ("stored", "video_s", "sound_s", "look", "doubt"),
    [
        (30, 8.0, 1.0, True, True),
        (30, 48.0, 6.02, True, True),
        (30, 80.0, 9.7, True, False),  # a third of a second off: it may have broken off there
        (240, 8.0, 1.0, True, False),  # of 1920 frames a second
        (30, 8.0, None, False, False),
        (30, 8.0, 8.0, False, False),
        (30, 8.0, 3.0, False, False),
    ],
)
def test_sound_of_slow_motion_without_a_tag_leaves_the_times_in_doubt(
    stored: int, video_s: float, sound_s: float | None, look: bool, doubt: bool
) -> None:
    """No camera stretches sound: where it lasts an eighth of the pictures, they are stretched."""
    found = rates.time_scale(
        Fraction(stored), None, captured_at=None, video_s=video_s, sound_s=sound_s
    )
    assert found.scale == 1
    assert (found.check is not None and found.check.look) == look
    assert bool(found.doubt) == doubt
    if doubt:
        assert "--captured-at 240" in found.doubt and "--captured-at 30" in found.doubt
    said = rates.time_scale(
        Fraction(stored), None, captured_at=Fraction(stored), video_s=video_s, sound_s=sound_s
    )
    assert not said.doubt


@pytest.mark.parametrize("sound_s", [None, 8.0])
@pytest.mark.parametrize(
    ("stored", "capture"), [("24", "30"), ("25", "30"), ("20", "30"), ("15", "30"), ("24", "60"),
                            ("14.985", "29.97"), ("30", "25")],
)  # fmt: skip
def test_phone_that_dim_light_slows_down_films_no_slow_motion(
    stored: str, capture: str, sound_s: float | None
) -> None:
    """Its tag goes on stating the rate that it was set to."""
    found = rates.time_scale(
        Fraction(stored), Fraction(capture), captured_at=None, video_s=8.0, sound_s=sound_s
    )
    assert found.scale == 1
    assert found.check is not None and (found.check.state, found.check.look) == ("unchecked", True)
    assert f"state --captured-at {capture}" in found.check.note


@pytest.mark.parametrize(
    ("sound_s", "scale", "state", "look"),
    [
        (None, Fraction(1, 2), "unchecked", True),
        (8.0, Fraction(1), "unchecked", True),
        (4.0, Fraction(1, 2), "pass", False),
    ],
)
def test_60_stored_as_30_is_slow_motion_or_dim_light(
    sound_s: float | None, scale: Fraction, state: str, look: bool
) -> None:
    found = rates.time_scale(
        Fraction(30), Fraction(60), captured_at=None, video_s=8.0, sound_s=sound_s
    )
    assert found.scale == scale
    assert found.check is not None and (found.check.state, found.check.look) == (state, look)
    assert ("--captured-at" in found.why) == look


def test_sound_of_scene_length_confirms_no_stretch_that_cameras_do_not_make() -> None:
    """It ends before the pictures where a writer lost its end."""
    found = rates.time_scale(Fraction(24), Fraction(30), captured_at=None, video_s=8.0, sound_s=6.4)
    assert found.scale == 1
    found = rates.time_scale(
        Fraction(25), Fraction(240), captured_at=None, video_s=9.6, sound_s=1.0
    )
    assert found.scale == Fraction(5, 48)
    assert found.check is not None and found.check.state == "pass"


@pytest.mark.parametrize("by_the_user", [False, True])
@pytest.mark.parametrize(
    ("stored", "capture", "scale", "look"),
    [
        (Fraction(30000, 1001), Fraction(240), Fraction(1, 8), True),
        (Fraction(30), Fraction(240000, 1001), Fraction(1, 8), True),
        (Fraction(30000, 1001), Fraction("239.76"), Fraction(1, 8), False),  # two digits
        (Fraction(30000, 1001), Fraction(240000, 1001), Fraction(1, 8), False),
    ],
)
def test_slow_motion_is_stretched_by_a_whole_factor(
    by_the_user: bool, stored: Fraction, capture: Fraction, scale: Fraction, look: bool
) -> None:
    """240 and 30000/1001 are rates of two families: 8.008 times is no camera's."""
    found = rates.time_scale(
        stored, capture, captured_at=capture if by_the_user else None, video_s=8.0, sound_s=None
    )
    assert found.scale == scale
    assert (found.check is not None and found.check.look) == look
    assert ("0.1 % off" in found.why) == look


def test_the_users_word_needs_no_whole_factor() -> None:
    rate, word = Fraction(25), Fraction(240)
    found = rates.time_scale(rate, word, captured_at=word, video_s=8.0, sound_s=None)
    assert (found.scale, found.check) == (Fraction(5, 48), None)
    by_tag = rates.time_scale(rate, word, captured_at=None, video_s=8.0, sound_s=None)
    assert by_tag.scale == Fraction(5, 48) and by_tag.check is not None and by_tag.check.look


def test_stretched_file_is_told_in_scene_terms(tmp_path: Path, unordered: bytes) -> None:
    data = with_keys(unordered, {CAPTURE: (23, struct.pack(">f", 240.0))})
    facts = _look(tmp_path, data)
    assert (facts.time_scale, facts.frame_rate) == (Fraction(1, 8), 240)
    assert facts.duration_s == 0.125
    assert facts.chapters[0].duration_file_s == 1.0
    assert "captured at 240 and stored at 30" in facts.time_scale_from


def test_sound_of_scene_length_confirms_the_stretch(tmp_path: Path) -> None:
    ticks = [3000 * i for i in range(160)]
    slow = write_clip(tmp_path / "slow.mp4", ticks, sound_s=160 / 240)
    facts = _look(tmp_path, with_keys(slow.read_bytes(), {CAPTURE: (1, b"240")}))
    assert (facts.time_scale, _check(facts, "time scale").state) == (Fraction(1, 8), "pass")


def test_the_users_word_overrides_the_tag(tmp_path: Path, unordered: bytes) -> None:
    data = with_keys(unordered, {CAPTURE: (1, b"240")})
    facts = _look(tmp_path, data, captured_at=Fraction(120))
    assert (facts.time_scale, facts.frame_rate) == (Fraction(1, 4), 120)
    assert "user" in facts.time_scale_from
    facts = _look(tmp_path, data, captured_at=Fraction(30))
    assert (facts.time_scale, facts.frame_rate) == (1, 30)
    with pytest.raises(UsageError, match="capture rate has to be positive"):
        _look(tmp_path, data, captured_at=Fraction(0))


# ----------------------------------------------------------------------- edit lists

ELST = (b"moov", b"trak", b"edts", b"elst")
# The movie counts in milliseconds; the first picture of the reordered clip is at tick 6000.
EDITS = [
    ([(1000, 6000, 1.0)], None, "pass"),
    ([(333, -1, 1.0), (1000, 6000, 1.0)], None, "pass"),
    ([(1067, 0, 1.0)], "before the first frame", "pass"),
    ([(500, 51000, 1.0)], "hides 15 frames at the start and 0 at the end", "fail"),
    ([(490, 6000, 1.0)], "hides 0 frames at the start and 15 at the end", "fail"),
    ([(300, 6000, 1.0), (300, 60000, 1.0)], "2 entries", "fail"),
    ([(500, 51000, 1.0), (500, 6000, 1.0)], "2 entries", "fail"),
    ([(300, -1, 1.0), (300, -1, 1.0), (1000, 6000, 1.0)], "2 of them pauses", "pass"),
    ([(300, 6000, 1.0), (300, -1, 1.0), (600, 33000, 1.0)], "1 of them pauses", "fail"),
    ([(0, 6000, 1.0)], "hides 0 frames at the start and 29 at the end", "fail"),
]


@pytest.mark.parametrize(("entries", "words", "state"), EDITS)
def test_edit_lists_are_told_and_do_not_touch_the_times(
    tmp_path: Path,
    plain: bytes,
    entries: list[tuple[int, int, float]],
    words: str | None,
    state: str,
) -> None:
    facts = _look(tmp_path, change_box(plain, ELST, edit_list(*entries)))
    chapter = facts.chapters[0]
    assert (chapter.first_tick, chapter.duration_file_s, chapter.frames_listed) == (6000, 1.0, 30)
    assert _check(facts, "edit list").state == state
    if words is None:
        assert chapter.edit_list is None
    else:
        assert chapter.edit_list is not None and words in chapter.edit_list


@pytest.mark.parametrize("rate", [0.5, 0.0, 2.0])
def test_an_edit_at_another_speed_is_refused(tmp_path: Path, plain: bytes, rate: float) -> None:
    with pytest.raises(FootageError, match=f"clip.mp4: .*at {rate:g} times normal speed"):
        _look(tmp_path, change_box(plain, ELST, edit_list((1000, 6000, rate))))


def test_a_preferred_rate_of_the_movie_is_a_finding(tmp_path: Path, unordered: bytes) -> None:
    def twice(content: bytes) -> bytes:
        return content[:20] + struct.pack(">I", 2 << 16) + content[24:]

    facts = _look(tmp_path, change_box(unordered, (b"moov", b"mvhd"), twice))
    assert "2 times normal speed" in (facts.chapters[0].edit_list or "")


# ------------------------------------------------------------------------- chapters


def _two(tmp_path: Path, created: tuple[str, str], **other: Any) -> list[Path]:
    return [
        write_clip(
            tmp_path / f"part{number}.mp4",
            rounded(30, Fraction(30000, 1001), CLOCK_90K),
            tags={"creation_time": when},
            first_number=30 * number,
            **(other if number else {}),
        )
        for number, when in enumerate(created)
    ]


@pytest.mark.parametrize(
    ("second", "state"),
    [
        ("2024-05-01T10:00:01Z", "unchecked"),
        ("2024-05-01T10:00:07Z", "fail"),
        ("2024-05-01T09:59:50Z", "fail"),
    ],
)
def test_chapters_are_joined_at_one_step_and_the_seam_is_told(
    tmp_path: Path, second: str, state: str
) -> None:
    facts = examine_all(_two(tmp_path, ("2024-05-01T10:00:00Z", second)), captured_at=None).facts
    assert [one.name for one in facts.chapters] == ["part0.mp4", "part1.mp4"]
    assert facts.duration_s == pytest.approx(60 * 1001 / 30000, abs=1e-12)
    assert _check(facts, "chapter seam").state == state
    assert _check(facts, "file is whole, chapter 2").state == "pass"


def test_chapters_that_do_not_belong_together_are_refused(tmp_path: Path) -> None:
    created = ("2024-05-01T10:00:00Z", "2024-05-01T10:00:01Z")
    with pytest.raises(FootageError, match=r"part1.mp4: its size differs from that of part0.mp4"):
        examine_all(_two(tmp_path, created, size=(176, 96)), captured_at=None)
    first = tmp_path / "part0.mp4"
    fast = write_clip(tmp_path / "fast.mp4", [1500 * i for i in range(40)])
    with pytest.raises(
        FootageError,
        match=r"fast.mp4: its frame rate \(\d.* a second\) differs from that of part0.mp4 \(\d",
    ):
        examine_all([first, fast], captured_at=None)
    with pytest.raises(UsageError, match="same recording"):
        examine_all([first, first], captured_at=None)
    with pytest.raises(UsageError, match="no recording"):
        examine_all([], captured_at=None)


def test_a_last_chapter_of_a_few_uneven_frames_belongs_to_the_rest(tmp_path: Path) -> None:
    long = write_clip(tmp_path / "long.mp4", [3003 * i for i in range(60)])
    # two steps of 36.7 ms: read by themselves they are of another frame rate than 29.97
    rest = write_clip(tmp_path / "rest.mp4", [3303 * i for i in range(3)], first_number=60)
    facts = examine_all([long, rest], captured_at=None).facts
    assert facts.frame_rate == Fraction(30000, 1001)
    assert facts.duration_s == pytest.approx((60 * 3003 + 2 * 3303 + 3003) / 90000, abs=1e-9)
    turned = examine_all([rest, long], captured_at=None).facts
    assert turned.frame_rate == Fraction(30000, 1001)
    dim = write_clip(tmp_path / "dim.mp4", [3750 * i for i in range(3)], first_number=60)
    with pytest.raises(
        FootageError, match=r"dim.mp4: its frame rate \([\d.]+ a second\) differs from that of long"
    ):
        examine_all([long, dim], captured_at=None)
    one = write_clip(tmp_path / "one.mp4", [0], first_number=60)
    with pytest.raises(
        FootageError, match=r"fewer than two frames; give a video, or leave this chapter out"
    ):
        examine_all([long, one], captured_at=None)


# ------------------------------------------------------------------------ box reader


def test_sample_places_agree_with_the_packets(tmp_path: Path, plain: bytes) -> None:
    path = tmp_path / "clip.mp4"
    path.write_bytes(plain)
    movie = read_movie(path, walk_top(path))
    assert movie is not None
    with av.open(str(path)) as container:
        ends = [one.pos + one.size for one in container.demux(video=0) if one.size]
    assert movie.tracks[0].samples == 30
    assert movie.tracks[0].sample_end.tolist() == ends  # type: ignore[union-attr]


@given(data=st.data())
def test_damaged_boxes_never_raise(
    data: st.DataObject, unordered: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    start = unordered.index(b"moov")
    places = st.integers(start - 4, len(unordered) - 1)
    hurt = bytearray(unordered)
    for place in data.draw(st.lists(places, min_size=1, max_size=6)):
        hurt[place] = data.draw(st.sampled_from([0, 1, 127, 128, 255]))
    path = tmp_path_factory.getbasetemp() / "hurt.mp4"
    path.write_bytes(hurt)
    read_movie(path, walk_top(path))
