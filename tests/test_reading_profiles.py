"""Stores of ring profiles agree, and each frame of the one pass gets the flags it deserves."""

from __future__ import annotations

import io
import weakref
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from vidspin.frames.reading import Readings, _flags, read_recording
from vidspin.profiles import BLOCK, LOWEST_LEVEL, MemoryProfiles, packed, unpacked
from vidspin.records import Frame, SightingFlag, Survey
from vidspin.ring import even_angles, ring_points
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage, mark_angle
from vidspin.store.spool import FileProfiles, FileRows, SetAside
from vidspin.top.stillframes import StillFrames

# ----------------------------------------------------------------------------- stores


def random_profiles(count: int, angles: int = 128) -> np.ndarray:
    rng = np.random.default_rng(count)
    return rng.uniform(-100, 300, (count, angles)).astype(np.float32)


def test_grey_levels_come_back_within_half_a_step() -> None:
    levels = random_profiles(50)
    back = unpacked(packed(levels))
    assert back.dtype == np.float32
    # half a step of 1/128; the largest levels carry 1.5e-5 of float32 rounding on top
    assert np.abs(back - levels).max() <= 1 / 256 + 3e-5


def test_levels_out_of_reach_are_kept_at_its_ends() -> None:
    far = np.array([-1e4, LOWEST_LEVEL, 383.9, 1e6], np.float32)
    back = unpacked(packed(far))
    assert back[:2] == pytest.approx([LOWEST_LEVEL, LOWEST_LEVEL], abs=1 / 128)
    assert back[3] == pytest.approx(383.99, abs=0.01)
    assert back[2] == pytest.approx(383.9, abs=1 / 256)


@pytest.mark.parametrize(
    ("first", "last"),
    [(0, 1), (0, 30), (BLOCK - 3, BLOCK + 4), (BLOCK, BLOCK + 1), (5, 2 * BLOCK + 50),
     (2 * BLOCK, 9 * BLOCK), (BLOCK - 1, BLOCK)],
)  # fmt: skip
def test_both_stores_give_the_frames_that_were_asked_for(first, last) -> None:
    levels = random_profiles(2 * BLOCK + 50, 16)
    memory = MemoryProfiles()
    with FileProfiles() as file:
        for profile in levels:
            memory.append(profile)
            file.append(profile)
        assert len(memory) == len(file) == len(levels)
        one, other = memory.read(first, last), file.read(first, last)
    assert one.shape == levels[first:last].shape
    assert np.array_equal(one, other)
    assert np.abs(one - levels[first:last]).max() <= 1 / 256 + 3e-5


def test_file_is_read_between_writes_and_gone_afterwards() -> None:
    levels = random_profiles(40, 16)
    with FileProfiles() as file:
        for k, profile in enumerate(levels):
            file.append(profile)
            assert np.abs(file.read(0, k + 1) - levels[: k + 1]).max() <= 1 / 256 + 3e-5
    with pytest.raises(ValueError, match="closed"):
        file.read(0, 1)


@pytest.mark.parametrize(
    "part", [slice(0, 3), slice(7, 8), slice(95, 120), slice(4, 4), slice(9, 5), slice(-5, None)]
)
def test_rows_of_a_file_are_those_of_an_array(part: slice) -> None:
    whole = random_profiles(100, 22)
    with FileRows() as rows:
        assert rows.shape == (0, 0)
        rows.append(whole[:40])
        assert rows[38:45].tolist() == whole[38:40].tolist()  # read between writes
        rows.append(whole[::-1][:60][::-1])
        assert rows.shape == whole.shape
        read = rows[part]
        assert read.dtype == np.float32
        assert read.shape == whole[part].shape
        assert np.array_equal(read, whole[part])
        with pytest.raises(ValueError, match="follow each other"):
            rows[::2]
    with pytest.raises(ValueError, match="closed"):
        rows[0:1]


def test_what_was_set_aside_comes_back_until_nobody_wants_it() -> None:
    content, target = bytes(range(256)) * 9000, io.BytesIO()  # more than goes over at a time
    with SetAside(lambda file: file.write(content) and None) as aside:
        aside.put(target)
    assert target.getvalue() == content
    with pytest.raises(ValueError, match="closed"):
        aside.put(target)


# ------------------------------------------------------------------------------ flags

SCENE = Scene(
    width=160, height=90, seconds=12.0, speed_rad_s=100.0, law=ExponentialLoss(40.0), wander_px=1.0
)
Change = Callable[[Frame], Frame]


@lru_cache(maxsize=1)
def drawn() -> tuple[Frame, ...]:
    """Every frame of the scene, drawn once."""
    return tuple(SimulatedFootage(SCENE).stream())


class Spoilt(SimulatedFootage):
    """A simulated recording some of whose frames are changed on their way."""

    def __init__(self, change: Change) -> None:
        super().__init__(SCENE)
        self._change = change

    def stream(self) -> Iterator[Frame]:
        """Yield every frame, changed."""
        yield from map(self._change, drawn())


def survey_of(scene: Scene) -> Survey:
    """What a survey would say: the truth."""
    return Survey(
        ring=scene.ring, inner=0.9, outer=1.1, marks=1, bright=False, confidence=1.0, given=(),
        picture=np.zeros((1, 1), np.uint8), activity=np.zeros((1, 1)), scale=1.0,
        radii=np.array([0.95, 1.0, 1.05]), weights=np.ones(3),
    )  # fmt: skip


def read(change: Change = lambda frame: frame) -> tuple[Readings, MemoryProfiles, list[str]]:
    footage = Spoilt(change)
    still = StillFrames(SimulatedFootage(SCENE).sparse(runs=12, per_run=3))
    for _ in still:
        pass
    told: list[str] = []
    store = MemoryProfiles()
    readings = read_recording(
        footage, survey_of(SCENE), still.kept, store,
        lambda stage, done, total: told.append(f"{stage} {done}/{total}"),
    )  # fmt: skip
    return readings, store, told


def changed(first: int, last: int, luma: Callable[[np.ndarray], np.ndarray]) -> Change:
    """Change the pixels of frames `first` to `last - 1`."""

    def change(frame: Frame) -> Frame:
        if not first <= frame.index < last:
            return frame
        return replace(frame, luma=np.clip(luma(frame.luma.astype(float)), 0, 255).astype(np.uint8))

    return change


def flagged(readings: Readings, flag: SightingFlag) -> list[int]:
    return np.flatnonzero(readings.flags & int(flag)).tolist()


def test_sound_recording_has_no_flags_and_every_frame() -> None:
    readings, store, told = read()
    assert readings.usable.all()
    assert len(readings.time_s) == len(store) == 360
    assert readings.time_s == pytest.approx(np.arange(360) / 30, abs=1e-4)
    assert np.all(readings.chapter == 0)
    assert told[-1] == "reading frames 360/360" and told[0] == "reading frames 64/360"
    assert readings.gain == pytest.approx(1.0, abs=0.05)
    assert readings.rows == 90


def test_profiles_show_where_the_mark_is() -> None:
    readings, store, _ = read()
    theta = even_angles(store.read(0, 1).shape[1])
    change = store.read(0, 360) - np.median(store.read(0, 360), axis=0)
    lowest = theta[np.argmin(change, axis=1)]
    true = mark_angle(SCENE, readings.time_s + SCENE.centre_row_offset_s)
    off = np.angle(np.exp(1j * (lowest - true)))
    # readout of 12 ms: up to 0.3 rad where rows are read early or late, and the place of 1/128
    # of a turn; the mark itself is 0.09 rad wide to either side
    assert np.percentile(np.abs(off), 95) < 0.4
    _, y = ring_points(SCENE.ring, 1.0, theta)
    rows = (y - (SCENE.height - 1) / 2) / SCENE.height
    # the top wanders by a picture element or two of 90 rows
    assert readings.row_fraction == pytest.approx(rows, abs=0.03)


def test_lights_out_are_dark() -> None:
    readings, _, _ = read(changed(100, 110, lambda luma: 0.02 * luma))
    assert flagged(readings, SightingFlag.DARK) == list(range(100, 110))
    assert readings.usable[:100].all() and readings.usable[111:].all()


def test_exposure_that_drifts_is_neither_dark_nor_covered() -> None:
    readings, _, _ = read(changed(100, 360, lambda luma: 0.6 * luma + 5))
    assert readings.usable.all()
    assert readings.gain[200:] == pytest.approx(0.6, abs=0.05)


def test_hand_over_the_top_is_covered() -> None:
    x, y = SCENE.centre_px

    def hand(luma: np.ndarray) -> np.ndarray:
        luma = luma.copy()
        luma[int(y) - 40 : int(y) + 2, int(x) - 4 : int(x) + 40] = 170
        return luma

    readings, _, _ = read(changed(150, 170, hand))
    seen = flagged(readings, SightingFlag.OCCLUDED)
    assert set(range(150, 170)) <= set(seen)
    assert readings.usable[:150].all() and readings.usable[172:].all()


def test_top_that_leaves_its_place_in_one_frame_is_moved() -> None:
    readings, _, _ = read(changed(200, 204, lambda luma: np.roll(luma, 60, axis=1)))
    seen = flagged(readings, SightingFlag.MOVED)
    assert seen == list(range(200, 204))
    assert readings.x_px[203] == pytest.approx(readings.x_px[199], abs=0.5)
    assert readings.usable[204:].all()


def test_frames_that_the_decoder_doubts_are_damaged() -> None:
    readings, _, _ = read(lambda f: replace(f, suspect=f.index in (7, 300)))
    assert flagged(readings, SightingFlag.DAMAGED) == [7, 300]
    assert readings.usable.sum() == 358


def test_chapters_of_the_frames_are_kept() -> None:
    readings, _, _ = read(lambda f: replace(f, chapter=int(f.index >= 180)))
    assert readings.chapter.tolist() == [0] * 180 + [1] * 180


def test_recording_without_a_frame_reads_as_nothing() -> None:
    class Empty(SimulatedFootage):
        def stream(self) -> Iterator[Frame]:
            yield from ()

    footage = Empty(SCENE)
    still = [run[0] for run in footage.sparse(runs=6, per_run=1)]
    readings = read_recording(footage, survey_of(SCENE), still, MemoryProfiles(), lambda *_: None)
    assert len(readings.time_s) == len(readings.flags) == 0


# -------------------------------------------------------------------------- still frames


def runs_of(frames: int, count: int, shape: tuple[int, int]) -> list[tuple[Frame, ...]]:
    luma = np.zeros(shape, np.uint8)
    return [
        tuple(Frame(k * frames + j, 0, 0, 0.0, luma) for j in range(frames)) for k in range(count)
    ]


def test_all_runs_pass_and_one_frame_of_each_is_kept() -> None:
    runs = runs_of(3, 24, (90, 160))
    still = StillFrames(iter(runs))
    assert list(still) == runs
    assert [f.index for f in still.kept] == [3 * k for k in range(24)]


def test_long_runs_leave_three_frames_each() -> None:
    still = StillFrames(iter(runs_of(12, 2, (90, 160))))
    for _ in still:
        pass
    assert [f.index for f in still.kept] == [0, 6, 11, 12, 18, 23]


def test_twice_as_many_runs_of_large_pictures_keep_no_more_frames() -> None:
    kept = []
    for count in (12, 24):
        still = StillFrames(iter(runs_of(3, count, (90, 160))), 13 * 90 * 160)
        for _ in still:
            assert len(still.kept) <= 13
        kept.append([f.index for f in still.kept])
    assert kept == [[3 * k for k in range(12)], [6 * k for k in range(12)]]


def test_pictures_too_large_for_the_room_are_kept_all_the_same() -> None:
    still = StillFrames(iter(runs_of(3, 12, (90, 160))), 2 * 90 * 160)
    for _ in still:
        pass
    assert len(still.kept) == 12


def test_large_frames_are_asked_for_again_instead_of_held(monkeypatch) -> None:
    monkeypatch.setattr("vidspin.top.stillframes.LARGE_BYTES", 90 * 160)
    held: list[weakref.ref[np.ndarray]] = []
    asked: list[float] = []

    def runs() -> Iterator[tuple[Frame, ...]]:
        for k in range(8):
            luma = np.full((90, 160), k, np.uint8)
            held.append(weakref.ref(luma))
            run = (Frame(3 * k, 0, 0, float(k), luma),)
            del luma
            yield run
            del run

    def again(time_s: float) -> tuple[Frame, ...]:
        asked.append(time_s)
        luma = np.full((90, 160), int(time_s), np.uint8)
        return () if time_s == 5 else (Frame(3 * int(time_s), 0, 0, time_s, luma),)

    still = StillFrames(runs(), None, again)
    for run in still:
        del run
    assert not asked
    assert all(ref() is None for ref in held)
    # one that cannot be decoded a second time is left out
    assert [(f.index, int(f.luma[0, 0])) for f in still.kept] == [
        (3 * k, k) for k in range(8) if k != 5
    ]
    assert [f.index for f in still.of([1, 2, 3, 4])] == [3, 6, 9, 12]
    assert asked == [*range(8), 1, 2, 3, 4]


def test_small_frames_are_held_and_not_asked_for() -> None:
    def again(time_s: float) -> tuple[Frame, ...]:
        raise AssertionError("it was asked for")

    runs = runs_of(3, 24, (90, 160))
    still = StillFrames(iter(runs), again=again)
    assert list(still) == runs
    assert len(still.kept) == 24


def test_frames_kept_stay_within_their_room(monkeypatch) -> None:
    monkeypatch.setattr("vidspin.top.stillframes.KEPT_BYTES", 10 * 90 * 160)
    still = StillFrames(iter(runs_of(3, 50, (90, 160))))
    for _ in still:
        assert len(still.kept) <= 10
    indices = [f.index for f in still.kept]
    # thinned evenly: the kept frames still reach over the recording
    assert len(indices) > 5 and indices[-1] > 100 and indices[0] == 0


@pytest.mark.parametrize("rate", [25.0, 30.0, 60.0, 120.0, 240.0])
def test_hand_of_two_seconds_is_no_usual_sight_at_any_frame_rate(rate: float) -> None:
    t = np.arange(0, 14, 1 / rate)
    misfit = 2.0 + 0.1 * np.random.default_rng(1).normal(size=len(t))
    hand = (t > 4.0) & (t < 6.2)
    misfit[hand] = 9.0
    ones = np.full(len(t), 100.0)
    flags = _flags(t, misfit, ones, ones, ones < 0, ones < 0)
    assert np.array_equal(flags == int(SightingFlag.OCCLUDED), hand)
