"""Which files are one recording, in which order, for how long: the pure half of a batch."""

from dataclasses import replace
from pathlib import Path

import pytest

from vidspin.night.clips import Clip, job_key, key_of
from vidspin.night.finding import find, is_video
from vidspin.night.grouping import Group, follows, gap_s, group, result_names
from vidspin.night.schedule import (
    Ending,
    Running,
    estimate_s,
    left_s,
    limits_for,
    order,
    tried_again,
    wall_s,
)

GIB = 1 << 30


def clip(place: str, start: str | None, seconds: float = 600.0, gib: float = 4.0) -> Clip:
    created = None if start is None else f"2030-05-01T{start}Z"
    return Clip(
        place, int(gib * GIB), place, ("mp4", "hevc", "3840x2160"), 18000, seconds, created, 60.0
    )


def places(*clips: Clip) -> list[tuple[str, ...]]:
    return [tuple(c.place for c in one.clips) for one in group(clips).groups]


# -------------------------------------------------------------------------- chapters


@pytest.mark.parametrize(
    ("before", "after", "counts_on"),
    [
        ("take_0007.mp4", "take_0008.mp4", True),
        ("take_0009.mp4", "take_0010.mp4", True),
        ("C010123.MP4", "C020123.MP4", True),  # the chapter's number before the file's
        ("C090123.MP4", "C100123.MP4", True),
        ("C010123.MP4", "C020124.MP4", False),
        ("take_0007.mp4", "take_0009.mp4", False),
        ("take_0007.mp4", "tale_0008.mp4", False),
        ("take_0007.mp4", "take_0008.mov", False),
        ("take_1.mp4", "take_1.mp4", False),
        ("VID_20300501_100003.mp4", "VID_20300501_110417.mp4", False),  # a time of day
        ("wren.mp4", "lark.mp4", False),
    ],
)
def test_names_that_count_on_by_one(before: str, after: str, counts_on: bool) -> None:
    assert follows(before, after) is counts_on


def test_chapters_that_a_camera_split_are_one_recording() -> None:
    three = [
        clip("a/T0001.mp4", "10:00:00"),
        clip("a/T0002.mp4", "10:10:00"),
        clip("a/T0003.mp4", "10:20:01", seconds=47.0, gib=0.3),
    ]
    assert places(*three) == [("a/T0001.mp4", "a/T0002.mp4", "a/T0003.mp4")]


def test_creation_times_at_the_files_end_join_them_too() -> None:
    # written when a file is closed: the second one's is its own length after the first's
    pair = clip("T1.mp4", "10:10:00"), clip("T2.mp4", "10:10:47", seconds=47.0, gib=0.3)
    assert gap_s(*pair) == 0.0 and places(*pair) == [("T1.mp4", "T2.mp4")]


@pytest.mark.parametrize(
    ("second", "says"),
    [
        (clip("T0002.mp4", "10:10:09", 47.0, 0.3), None),  # 9 s later: another attempt
        (clip("T0003.mp4", "10:10:00", 47.0, 0.3), None),
        (replace(clip("T0002.mp4", "10:10:00", 47.0, 0.3), look=("mp4", "h264")), None),
        (clip("T0002.mp4", None, 47.0, 0.3), "no creation times tell"),
        (clip("T0002.mp4", "10:10:00", 700.0, 5.0), "the second one is longer than the first"),
    ],
)
def test_what_is_in_doubt_is_kept_apart_and_said(second: Clip, says: str | None) -> None:
    grouping = group([clip("T0001.mp4", "10:00:00"), second])
    assert [len(one.clips) for one in grouping.groups] == [1, 1]
    assert len(grouping.notes) == (says is not None)
    assert says is None or says in grouping.notes[0]


def test_two_short_takes_in_a_row_are_not_chapters() -> None:
    pair = clip("T1.mp4", "10:00:00", 20.0, 0.1), clip("T2.mp4", "10:00:21", 15.0, 0.08)
    assert places(*pair) == [("T1.mp4",), ("T2.mp4",)]
    assert "shorter than what a camera splits off" in group(pair).notes[0]


def test_a_short_file_ends_its_recording() -> None:
    # 10 min, 2 min, 2 min: the camera was stopped after the second file
    three = [
        clip("T1.mp4", "10:00:00"),
        clip("T2.mp4", "10:10:00", seconds=300.0, gib=2.0),
        clip("T3.mp4", "10:15:01", seconds=300.0, gib=2.0),
    ]
    assert places(*three) == [("T1.mp4", "T2.mp4"), ("T3.mp4",)]
    assert "not of one length" in group(three).notes[0]


def test_a_person_s_word_on_chapters_counts() -> None:
    two = [clip("b.mp4", None, 5.0, 0.1), clip("a.mp4", None, 5.0, 0.1)]
    grouping = group(two, [["b.mp4", "a.mp4"]])
    assert [tuple(c.place for c in one.clips) for one in grouping.groups] == [("b.mp4", "a.mp4")]


def test_results_of_equal_names_keep_the_ending() -> None:
    clips = [clip(p, None) for p in ("wren.mp4", "wren.mov", "sub/wren.mp4", "lark.mp4")]
    names = result_names([Group((one,)) for one in clips])
    assert names == ("wren.mp4", "wren.mov", "sub/wren", "lark")


@pytest.mark.parametrize(
    ("readable", "left", "expected"),
    [
        # without its ending the third would be named like the second file
        (("a.mov", "a.mp4", "a.mp4.mkv"), (), ("a.mov", "a.mp4", "a.mp4.mkv")),
        (("a.mp4.mkv",), ("a.mp4",), ("a.mp4.mkv",)),  # which has a row of its own
        (("a", "a.mp4"), (), ("a", "a.mp4")),
        # one name on most disks
        (("b/A.mp4", "b/a.MP4", "b/a.mp4"), (), ("b/A.mp4", "b/a.MP4-2", "b/a.mp4-3")),
        (("A.mp4", "a.mp4", "a.mp4-2"), (), ("A.mp4", "a.mp4-2", "a.mp4-2-2")),
        (("A.mov", "a.MOV"), ("a.mov",), ("A.mov-2", "a.MOV-3")),
    ],
)
def test_no_two_results_have_one_name(
    readable: tuple[str, ...], left: tuple[str, ...], expected: tuple[str, ...]
) -> None:
    groups = [Group((clip(place, None),)) for place in readable]
    assert result_names(groups, [*readable, *left]) == expected
    # whatever the order in which they are found
    assert result_names(groups[::-1], [*left, *readable[::-1]]) == expected[::-1]
    folded = {name.casefold() for name in (*expected, *left)}
    assert len(folded) == len(readable) + len(left)


def test_a_recording_without_an_ending_and_its_chapters_keep_their_name() -> None:
    chapters = Group((clip("T1", None), clip("T2", None)))
    assert result_names([chapters], ["T1", "T2"]) == ("T1",)


# --------------------------------------------------------------------------- finding


def test_recordings_are_found_by_their_first_bytes(tmp_path: Path) -> None:
    mp4 = b"\0\0\0\x18ftypisom" + bytes(500)
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "noname").write_bytes(mp4)
    (tmp_path / "photo.heic").write_bytes(b"\0\0\0\x18ftypheic" + bytes(500))
    (tmp_path / "notes.txt").write_text("hello")
    (tmp_path / "broken.mp4").write_bytes(b"hello")
    (tmp_path / ".hidden.mp4").write_bytes(mp4)
    (tmp_path / "wren.spin").mkdir()
    (tmp_path / "wren.spin" / "clip.mp4").write_bytes(mp4)
    found = find(tmp_path)
    assert [(one.place, one.named) for one in found] == [
        ("broken.mp4", True),
        ("sub/noname", False),
    ]


def test_other_containers_are_known_and_sound_is_not_video() -> None:
    packets = b"".join(b"\x47" + bytes(187) for _ in range(4))
    assert is_video(packets) and is_video(b"\x1a\x45\xdf\xa3" + bytes(60))
    assert is_video(b"RIFF\0\0\0\0AVI " + bytes(60))
    assert not is_video(b"RIFF\0\0\0\0WAVE" + bytes(60)) and not is_video(b"\x47" * 2)


# -------------------------------------------------------------------------- schedule


def test_longest_first_and_the_time_until_all_is_done() -> None:
    assert order([3.0, 9.0, 5.0, 9.0]) == [1, 3, 2, 0]
    # two workers: 9 + 3 beside 9 + 5
    assert wall_s([3.0, 9.0, 5.0, 9.0], 2) == 14.0
    # 4 s left on one of two: 10 on the idle one, 5 behind the 4
    assert wall_s([10.0, 5.0], 2, [4.0]) == 10.0
    assert wall_s([], 3) == 0.0


def test_only_what_died_is_tried_again_and_only_once() -> None:
    assert tried_again(Ending.CRASHED, 1) and tried_again(Ending.HUNG, 1)
    assert not tried_again(Ending.CRASHED, 2)
    assert not tried_again(Ending.TOLD, 1) and not tried_again(Ending.DONE, 1)


def test_limits_grow_with_the_estimate_and_yield_to_a_person() -> None:
    assert estimate_s(18_000, 60.0, work=2.0) == 6.0 + 600.0
    assert limits_for(1000.0).time_s == 12_000.0 and limits_for(1000.0).silence_s == 2000.0
    assert limits_for(1.0).time_s == 1800.0 and limits_for(1.0).silence_s == 900.0
    assert limits_for(1000.0, time_s=60.0).silence_s == 60.0


def test_time_left_follows_the_frames_read() -> None:
    # half of the frames are 0.45 of the work: 90 s done, 200 s in all
    assert left_s(Running(1000.0, 90.0, 0.5), 1.0) == pytest.approx(110.0)
    assert left_s(Running(100.0, 20.0, 0.0), 1.5) == pytest.approx(130.0)


# ------------------------------------------------------------------------------ keys


def test_a_key_changes_with_whatever_decides_the_result() -> None:
    base = job_key(["a", "b"], {"every_s": 1.0}, {"tip": "steel"}, "1")
    others = {
        job_key(["b", "a"], {"every_s": 1.0}, {"tip": "steel"}, "1"),
        job_key(["a", "b"], {"every_s": 0.5}, {"tip": "steel"}, "1"),
        job_key(["a", "b"], {"every_s": 1.0}, {"tip": "carbide"}, "1"),
        job_key(["a", "b"], {"every_s": 1.0}, {"tip": "steel"}, "2"),
    }
    assert len(others) == 4 and base not in others
    document = {
        "recording": {"chapters": [{"sha256": "a"}, {"sha256": "b"}]},
        "settings": {"every_s": 1.0}, "facts": {"tip": "steel"}, "vidspin_version": "1",
    }  # fmt: skip
    assert key_of(document) == base
    assert key_of({**document, "recording": None}) is None
    # a build of the same version does not have a night's results done anew
    built = {**document, "vidspin_version": "1+3f9c2a71d0be"}
    assert key_of(built) == base
    assert key_of({**built, "recomputed": {"from_version": "1"}}) == base
    assert key_of({**built, "recomputed": {"from_version": "0.9+3f9c2a71d0be"}}) is None


def test_a_key_is_that_of_what_was_stated_whatever_the_recording_s_clock_made_of_it() -> None:
    one = {"recorded_s": 1.5, "u_recorded_s": 0.03, "true_s": 0.0, "u_true_s": 0.03, "typed": "a"}
    stated = {"references": [one], "release_s": 12.34, "topple_s": None, "camera": None}
    base = job_key(["a"], stated, {}, "1")
    settled = {**stated, "references": [{**one, "u_recorded_s": 0.04}],
               "release_s": 12.34 / (1 + 250e-6)}  # fmt: skip
    document = {
        "recording": {"chapters": [{"sha256": "a"}]}, "settings": settled, "facts": {},
        "vidspin_version": "1", "camera": {"clock_ppm": {"value": 250.0, "u": 3.0}},
    }  # fmt: skip
    assert key_of(document) == base
    others = [
        {**stated, "release_s": 12.35},
        {**stated, "references": [{**one, "true_s": 0.5}]},
        {**stated, "references": [{**one, "u_recorded_s": 0.0}]},
        {**stated, "references": []},
    ]
    assert base not in [job_key(["a"], other, {}, "1") for other in others]
