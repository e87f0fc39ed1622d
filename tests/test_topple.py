"""The instant of the topple, from simulated pictures, altered ones, and the shared clips."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from fractions import Fraction
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from vidspin.footage.frames import Recording
from vidspin.instants import topple
from vidspin.instants.followed import was_covered
from vidspin.instants.onset import onset
from vidspin.instants.tip import Path as FacePath
from vidspin.instants.tip import Tip, escape_s
from vidspin.instants.topple import ToppleFound, find_topple
from vidspin.records import Ellipse
from vidspin.simulate import ExponentialLoss, Renderer, Scene, frame_times
from vidspin.simulate.motion import Pose

SHARED = Path(__file__).parents[2] / "shared" / "clips"
SAMPLES = Path(__file__).parents[1] / "sample_clips"
TOUCH_S = 3.01
SCENE = Scene(
    width=240, height=180, seconds=3.7, speed_rad_s=34.0, law=ExponentialLoss(20.0),
    topple_s=TOUCH_S, precession_hz=1.6, rest_s=1.2, wander_px=1.0, frame_rate=Fraction(25),
    table_texture=14.0, seed=5,
)  # fmt: skip
SCENES = {
    "bright": SCENE,
    "dark, counterclockwise, stripe": replace(
        SCENE, face_level=60.0, mark="stripe", mark_contrast=120.0, direction=-1, seed=6
    ),
    "shaken, flickering": replace(
        SCENE, shake_px=2.0, flicker_hz=100.0, flicker_depth=0.2, seed=8, frame_rate=Fraction(30)
    ),
}


@dataclass(frozen=True)
class Stack:
    """Pictures about an end, with all that the search wants."""

    pictures: np.ndarray
    time_s: np.ndarray
    last: int
    ring: Ellipse

    @property
    def frame_s(self) -> float:
        return float(np.median(np.diff(self.time_s)))

    def found(self, pictures: np.ndarray | None = None) -> ToppleFound:
        seen = self.pictures if pictures is None else pictures
        return find_topple(seen, self.time_s[: len(seen)], self.last, self.ring, self.frame_s)

    def altered(self, change, from_s: float) -> np.ndarray:
        """Pictures changed by ``change(picture, seconds since from_s)`` from an instant on."""
        since = self.time_s - from_s
        return np.stack(
            [change(p, s) if s >= 0 else p for p, s in zip(self.pictures, since, strict=True)]
        )


def drawn(scene: Scene, steady_s: float = 2.2, first_s: float = 1.4) -> Stack:
    renderer, time_s = Renderer(scene), frame_times(scene).start_s
    first = int(np.searchsorted(time_s, first_s))
    pictures = np.stack([renderer.frame(k).luma for k in range(first, len(time_s))])
    last = int(np.searchsorted(time_s, steady_s)) - first
    return Stack(pictures, time_s[first:], last, scene.ring)


@pytest.fixture(scope="module")
def fall() -> Stack:
    return drawn(SCENE)


@pytest.mark.parametrize("name", SCENES)
def test_touch_lies_within_its_uncertainty(name: str) -> None:
    # The follower may give up long before the touch, or only just.
    stack = drawn(SCENES[name], 1.6 if "dark" in name else 2.2, 0.8)
    result = stack.found()
    assert result.seen, result.how
    assert abs(result.time_s - TOUCH_S) <= result.u95_s + stack.frame_s
    assert result.u95_s <= 4 * stack.frame_s
    assert result.earliest_s <= result.time_s


@pytest.mark.parametrize(("noise", "seed"), [(50, 0), (60, 2), (90, 1)])
def test_face_that_is_poorly_followed_widens_the_touch(fall: Stack, noise: int, seed: int) -> None:
    grain = np.random.default_rng(seed).normal(0, noise, fall.pictures.shape)
    poor = fall.found(np.clip(fall.pictures + grain, 0, 255).astype(np.uint8))
    assert poor.seen, poor.how
    assert abs(poor.time_s - TOUCH_S) <= poor.u95_s + fall.frame_s
    assert poor.u95_s > 1.5 * fall.found().u95_s


def test_pictures_that_end_before_the_touch_show_none(fall: Stack) -> None:
    result = fall.found(fall.pictures[fall.time_s < TOUCH_S - 0.1])
    assert not result.seen
    assert np.isnan(result.time_s) and np.isnan(result.u95_s)
    assert "leans" in result.how
    assert TOUCH_S - 0.7 < result.earliest_s < TOUCH_S


def test_a_hand_that_takes_the_top_is_no_topple(fall: Stack) -> None:
    def grasp(picture: np.ndarray, since: float) -> np.ndarray:
        picture = picture.copy()  # fingers from the right edge to the stem within 0.2 s
        begin = max(122, round(240 - 590 * since))
        picture[40:64, begin:] = 215
        return picture

    result = fall.found(fall.altered(grasp, TOUCH_S - 0.4))
    assert not result.seen
    assert "hand" in result.how
    assert result.earliest_s < TOUCH_S - 0.15


def test_a_hand_that_only_comes_near_changes_nothing(fall: Stack) -> None:
    def hover(picture: np.ndarray, since: float) -> np.ndarray:
        picture = picture.copy()
        picture[10:50, 205:] = 215
        return picture

    result = fall.found(fall.altered(hover, TOUCH_S - 0.3))
    assert result.seen, result.how
    assert abs(result.time_s - TOUCH_S) <= result.u95_s + fall.frame_s


def test_darkness_is_no_topple(fall: Stack) -> None:
    result = fall.found(fall.altered(lambda p, _: p // 10, TOUCH_S - 0.3))
    assert not result.seen
    assert "dark" in result.how


def test_a_camera_that_is_knocked_away_is_no_topple(fall: Stack) -> None:
    result = fall.found(fall.altered(lambda p, _: np.roll(p, (25, 60), (0, 1)), TOUCH_S - 0.3))
    assert not result.seen
    assert "camera" in result.how


def test_a_camera_that_pans_is_followed(fall: Stack) -> None:
    panned = fall.altered(lambda p, s: np.roll(p, round(25 * s), 1), TOUCH_S - 0.7)
    result = fall.found(panned)
    assert result.seen, result.how
    assert abs(result.time_s - TOUCH_S) <= result.u95_s + fall.frame_s


def posed(monkeypatch: pytest.MonkeyPatch, pose) -> ToppleFound:
    monkeypatch.setattr(import_module("vidspin.simulate.render"), "pose_at", lambda _, t: pose(t))
    return drawn(replace(SCENE, topple_s=None, seconds=3.4)).found()


def test_a_top_that_spins_on_upright_is_no_topple(monkeypatch: pytest.MonkeyPatch) -> None:
    result = posed(monkeypatch, lambda t: Pose((np.sin(t), np.cos(t))))
    assert not result.seen
    assert "upright" in result.how
    assert result.earliest_s > 3.3


def test_a_push_that_leaves_the_top_upright_is_no_topple(monkeypatch: pytest.MonkeyPatch) -> None:
    result = posed(monkeypatch, lambda t: Pose(slide=(0.8 * max(0.0, t - 2.4), 0.0)))
    assert not result.seen
    assert "without leaning" in result.how
    assert result.earliest_s < 2.45


def test_a_steady_lean_is_not_taken_for_a_touch(monkeypatch: pytest.MonkeyPatch) -> None:
    result = posed(monkeypatch, lambda t: Pose((0, 0), 0.12 * min(1, max(0, 2 * t - 4)), 9 * t))
    assert not result.seen
    assert result.earliest_s <= 2.5


def test_a_tip_that_is_back_in_its_place_is_not_sure_to_have_left(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # A poorly followed face may fit something else for a while; here it does just before the touch.
    touch_s = 2.8

    def pose(t: float) -> Pose:
        return Pose((0, 0), 0.3 * min(1.0, np.exp((t - touch_s) / 0.3)), 4.0 * min(t, touch_s))

    follow = topple.follow

    def astray(*arguments):
        path = follow(*arguments)
        lost = (path.time_s > touch_s - 0.4) & (path.time_s < touch_s - 0.1)
        path.pose[lost, :2] += np.outer(path.time_s[lost] - touch_s + 0.4, (1.2, 0.4))
        path.score[:] = np.minimum(path.score, 0.72)
        return path

    monkeypatch.setattr(import_module("vidspin.simulate.render"), "pose_at", lambda _, t: pose(t))
    monkeypatch.setattr(topple, "follow", astray)
    result = drawn(replace(SCENE, topple_s=None, seconds=4.2)).found()
    assert result.seen, result.how
    assert result.earliest_s <= touch_s <= result.time_s + result.u95_s
    assert "its tip in place and at rest" in result.how


def test_uncertainty_of_the_onset_covers_what_it_states() -> None:
    rng = np.random.default_rng(4)
    step_s, inside, widths = 1 / 30, [], []
    for _ in range(25):
        start = rng.uniform(0.48, 0.52)
        time = np.arange(21) * step_s
        slide = np.outer(np.maximum(time - start, 0.0), (120.0, -40.0))
        low, _, high = onset(time, slide + rng.normal(0.0, 1.0, slide.shape), step_s)
        inside.append(low - 0.5 * step_s <= start <= high + 0.5 * step_s)
        widths.append(high - low)
    assert sum(inside) >= 23
    assert np.median(widths) < 6 * step_s


def clip_stack(path: Path, ring: Ellipse, steady_s: float) -> Stack:
    recording = Recording.open([path])
    rate = float(recording.facts.frame_rate)
    frames = recording.around(steady_s, before=round(1.5 * rate), after=round(1.5 * rate))
    half = 3 * ring.major_px
    left, top = max(0, int(ring.x_px - half)), max(0, int(ring.y_px - half))
    part = slice(top, int(ring.y_px + half)), slice(left, int(ring.x_px + half))
    time_s = np.array([f.time_s for f in frames])
    last = int(np.searchsorted(time_s, steady_s))
    moved = replace(ring, x_px=ring.x_px - left, y_px=ring.y_px - top)
    return Stack(np.stack([f.luma[part] for f in frames]), time_s, last, moved)


def test_sample_clip() -> None:
    truth = json.loads((SAMPLES / "goldfinch_run_down.truth.json").read_text("utf-8"))
    touch = truth["topple_s"]
    ring = Ellipse(*truth["mark_ellipse_px"])
    stack = clip_stack(SAMPLES / "goldfinch_run_down.mp4", ring, touch - 0.8)
    result = stack.found()
    assert result.seen, result.how
    assert abs(result.time_s - touch) <= result.u95_s + stack.frame_s
    assert result.u95_s <= 2 * stack.frame_s


# Where the mark runs in these clips, as measured in their pictures.
RINGS = {
    "full_attempt_30": Ellipse(306.2, 169.5, 89.2, 68.4, -0.025),
    "full_attempt_dark": Ellipse(333.7, 173.8, 88.7, 73.6, -0.015),
}


@pytest.mark.skipif(not SHARED.exists(), reason="needs the clips beside the project")
@pytest.mark.parametrize("name", RINGS)
def test_shared_clips(name: str) -> None:
    touch = json.loads((SHARED / f"{name}.truth.json").read_text("utf-8"))["topple_s"]
    stack = clip_stack(SHARED / f"{name}.mp4", RINGS[name], touch - 0.7)
    result = stack.found()
    assert result.seen, result.how
    assert abs(result.time_s - touch) <= result.u95_s + stack.frame_s
    assert result.u95_s <= 4 * stack.frame_s


def test_pictures_without_a_face_are_no_topple() -> None:
    rng, time_s = np.random.default_rng(0), np.arange(75) / 25
    noise = np.clip(122 + rng.normal(0, 25, (75, 90, 120)), 0, 255).astype(np.uint8)
    found = find_topple(noise, time_s, 38, Ellipse(60.0, 45.0, 25.0, 18.0, 0.0), 1 / 25)
    assert not found.seen
    assert found.earliest_s == time_s[38]
    assert found.how == "the face of the top could not be followed"


def test_single_likely_picture_is_no_face_that_is_followed(
    fall: Stack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a top that already rolls shows is somewhat like its face now and then."""
    follow = topple.follow

    def unlike(*told) -> FacePath:
        path = follow(*told)
        score = np.where(np.arange(len(path.score)) == 2, 0.45, 0.38)
        return replace(path, score=score)

    assert fall.found().seen
    monkeypatch.setattr(topple, "follow", unlike)
    found = fall.found()
    assert found.lost and not found.seen
    assert found.how == "the face of the top could not be followed"


@pytest.mark.parametrize("lay_s", [0.6, 0.85])
def test_a_face_that_leans_no_more_may_have_touched_before_it_was_lost(lay_s: float) -> None:
    time = np.arange(0.0, 1.2, 1 / 60)
    gone, lean = int(np.searchsorted(time, 1.0)), np.minimum(time / lay_s, 1.0) ** 3
    count = len(time)
    score = np.where(np.arange(count) < gone, 1.0, 0.2)
    path = FacePath(np.arange(count), time, np.zeros((count, 4)), score, 1 / 60, 0.003)
    found = topple._out_of_sight(path, lean, gone)
    assert found.earliest_s <= lay_s and found.time_s + found.u95_s >= 1.0


@pytest.mark.parametrize("gap_s", [0.3, 0.5, 0.8])
@pytest.mark.parametrize("end_s", [2.94, 3.02, 3.06, 3.1, 3.18])
def test_frames_that_are_missing_at_the_fall_cost_certainty(gap_s: float, end_s: float) -> None:
    stack = drawn(SCENE, 1.9, 0.8)
    there = ~((stack.time_s > end_s - gap_s) & (stack.time_s < end_s))
    time_s = stack.time_s[there]
    found = find_topple(
        stack.pictures[there], time_s, int(np.searchsorted(time_s, 1.9)), stack.ring, stack.frame_s
    )
    assert not found.seen or abs(found.time_s - TOUCH_S) <= found.u95_s + stack.frame_s


def leant(
    touch_s: float, most: float, tip_speed: float, leaves_s: float, score: float = 0.9
) -> tuple[FacePath, np.ndarray]:
    """A face followed about a touch: its lean comes up to `most` there, its tip leaves later."""
    time = np.arange(0.0, 3.0, 1 / 30)
    lean = most * np.minimum(1.0, np.exp((time - touch_s) / 0.2))
    pose = np.zeros((len(time), 4))
    pose[:, 0] = 3.0 + tip_speed * np.maximum(time - leaves_s, 0.0)
    count = len(time)
    return FacePath(np.arange(count), time, pose, np.full(count, score), 1 / 30, 0.003), lean


@pytest.mark.parametrize("pushed", [False, True])
def test_a_tip_that_sets_out_while_the_top_hardly_leans_wanders(pushed: bool) -> None:
    path, lean = leant(2.0, 0.4, 0.3, 1.0)
    found = ToppleFound(True, 1.0, 0.05, 0.95, "")
    held = topple._with_lean(found, path, lean, pushed=pushed)
    assert held.earliest_s <= 1.0
    assert abs(held.time_s - 2.0) <= held.u95_s + 1 / 30


def test_a_pushed_tip_of_a_top_that_leans_as_it_lies_tells_the_touch() -> None:
    path, lean = leant(2.0, 0.4, 3.0, 2.0)
    lean[path.time_s > 2.4] *= 1.15  # axes are told a little wrongly, here and there
    found = ToppleFound(True, 2.0, 0.05, 1.95, "")
    assert topple._with_lean(found, path, lean, pushed=True) == found


def test_a_face_that_was_covered_for_a_while_tells_of_a_hand() -> None:
    path, _ = leant(1.5, 0.4, 0.0, 9.0)
    assert not was_covered(path)
    path.score[40:60] = 0.5
    assert was_covered(path)


def test_a_face_that_is_lost_at_once_and_found_again_is_no_crash() -> None:
    path, _ = leant(1.5, 0.4, 0.0, 9.0)
    path.score[:40] = 0.1
    tip, _ = topple._leaving(path)
    assert np.isfinite(tip.place).all()


def test_a_low_top_that_wandered_before_it_lay_is_told_by_when_it_lay() -> None:
    path, _ = leant(2.0, 0.05, 0.3, 1.6)
    path.pose[path.time_s > 2.2, 0] = path.pose[-1, 0]
    found = ToppleFound(True, 1.6, 0.1, 1.5, "")
    wide = topple._low(found, path, pushed=False)
    assert wide.seen and wide.earliest_s <= 1.5 and wide.time_s + wide.u95_s >= 2.2
    assert topple._low(found, path, pushed=True) == found
    assert not topple._low(replace(found, u95_s=1.2), path, pushed=False).seen


def test_a_low_top_that_lies_at_the_end_has_toppled(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its rim touches at three degrees, and its mark stands still at the end."""
    touch_s, most = 2.8, 0.055

    def pose(t: float) -> Pose:
        lean = most * min(1.0, np.exp((t - touch_s) / 0.2))
        slide = 1.2 * (1.0 - np.exp(-max(0.0, t - touch_s) / 0.25)) * 0.25
        return Pose((0, 0), lean, 9.0 * min(t, touch_s), (slide * 3.0, 0.0))

    monkeypatch.setattr(import_module("vidspin.simulate.render"), "pose_at", lambda _, t: pose(t))
    scene = replace(SCENE, topple_s=touch_s, rest_s=0.3, seconds=4.4)
    result = drawn(scene).found()
    assert result.seen, result.how
    assert abs(result.time_s - touch_s) <= result.u95_s + 1 / 25


def test_a_face_beyond_every_lean_tells_without_its_axis_that_the_tip_was_gone() -> None:
    tip = Tip(np.array([3.0, 0.0]), 0.5)
    for speed, leaves in ((3.0, True), (0.6, False)):  # one is pushed, the other wanders on
        path, _ = leant(1.5, 0.4, speed, 1.5)
        gone = int(np.searchsorted(path.time_s, 1.52))
        until = escape_s(path, tip, gone)
        assert (until is not None) is leaves
        if until is not None:
            assert 1.5 < until < 1.9
    path, _ = leant(1.5, 0.4, 0.0, 9.0)  # it leans by 60 degrees and goes round
    path.pose[:, :2] = tip.place + 0.5 * 0.87 * np.stack(
        [np.cos(path.time_s), np.sin(path.time_s)], 1
    )
    assert escape_s(path, tip, 45) is None


def test_a_lean_that_goes_back_after_the_tip_left_tells_of_a_face_followed_wrongly() -> None:
    path, lean = leant(2.0, 0.5, 3.0, 1.9)
    found = ToppleFound(True, 1.95, 0.05, 1.9, "")
    assert topple._with_lean(found, path, lean, pushed=True) == found
    lean[(path.time_s > 1.8) & (path.time_s < 2.1)] = 1.1
    assert topple._with_lean(found, path, lean, pushed=True).u95_s >= topple.FALL_S


@pytest.mark.parametrize(("score", "until"), [(0.9, 63), (0.5, None)])
def test_a_face_lost_or_followed_poorly_tells_nothing_without_its_lean(
    score: float, until: int | None
) -> None:
    path, lean = leant(1.5, 0.4, 0.0, 9.0, score)
    found = ToppleFound(True, 1.55, 0.02, 1.53, "")
    low, high = topple._bounds(path, lean, until) or (np.nan, np.nan)
    assert low < 1.53 < 1.57 < high
    held = topple._with_lean(found, path, lean, until=until)
    assert held.earliest_s <= low and held.time_s + held.u95_s >= high - 1e-9


def lain(minor_px: float, off: float = 0.0) -> ToppleFound:
    """Judge a top that came to lie about its tip, or about another place than it had stood in."""
    path, lean = leant(1.5, 0.4, 0.0, 9.0)
    path.pose[path.time_s < 1.5, 0] += off
    scene = SimpleNamespace(ring=Ellipse(0.0, 0.0, 50.0, minor_px, 0.0))
    return topple._on_its_tip(scene, path, lean, Tip(np.array([3.0, 0.0]), 0.5))  # type: ignore[arg-type]


def test_the_lean_of_a_top_seen_from_above_narrows_nothing_down() -> None:
    above, aslant = lain(49.0), lain(35.0)
    assert above.seen and aslant.seen
    assert above.u95_s > 1.3 * aslant.u95_s
    assert above.earliest_s <= 1.5 <= above.time_s + above.u95_s


def test_a_top_that_lies_elsewhere_than_its_tip_stood_did_not_lean_about_it() -> None:
    assert lain(35.0, 0.05).seen
    away = lain(35.0, 0.25)
    assert not away.seen and "not in its place" in away.how


@pytest.mark.parametrize(("u95_s", "seen"), [(0.9, True), (1.2, False)])
def test_a_topple_that_is_told_to_more_than_a_second_is_not_seen(u95_s: float, seen: bool) -> None:
    found = topple._told(ToppleFound(True, 2.0, u95_s, 2.0 - u95_s, ""))
    assert found.seen is seen
    assert found.earliest_s == 2.0 - u95_s


@pytest.mark.parametrize(("later", "lost"), [(0.2, True), (0.4, False)])
def test_a_face_that_shows_as_much_as_ever_was_not_lost_in_a_fall(later: float, lost: bool) -> None:
    path, lean = leant(1.5, 0.4, 0.0, 9.0, 0.42)
    path.score[45:] = later
    assert topple._out_of_sight(path, lean, 45).seen is lost
