"""The whole way on short simulated recordings: order, direction, readout, speed, refusals."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from vidspin.again import Wanted, work_out_again
from vidspin.calibration import angles, calibrate, exposure
from vidspin.checks.case import Meeting
from vidspin.errors import NoTopError, UsageError
from vidspin.footage.frames import Recording
from vidspin.instants import ends
from vidspin.instants.ends import Ends
from vidspin.instants.events import stated_u95_s
from vidspin.measure import measure
from vidspin.order import alias, resolve
from vidspin.records import (
    AliasVerdict,
    CameraProfile,
    Event,
    FloatArray,
    Frame,
    Quantity,
    Result,
    Settings,
)
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage, speed, turned_angle
from vidspin.store.spool import FileProfiles, FileRows
from vidspin.summary import summarise
from vidspin.top.survey import RUN_FRAMES, RUNS
from vidspin.units import rpm_from_rad_s

CREATED = "2024-05-01T12:00:00Z"
START = 170.0  # rad/s, 1623 rev/min: with 30 frames a second one turn a frame is 1800
BOUNDS = (1300.0, 1900.0)
CHALLENGE = "VIDSPIN/AAAQEAYEAUDAOCAJ/2405011159"


def scene(**changed: object) -> Scene:
    usual = {
        "width": 320, "height": 180, "seconds": 8.0, "speed_rad_s": START,
        "law": ExponentialLoss(60.0), "wander_px": 0.7,
    }  # fmt: skip
    return Scene(**{**usual, **changed})


class Counted(SimulatedFootage):
    """A recording that counts how often its frames are asked for."""

    def __init__(self, drawn: Scene) -> None:
        super().__init__(drawn)
        self.streams = 0
        self.streamed: list[int] = []
        self.looked_at = 0

    def stream(self) -> Iterator[Frame]:
        """Yield every frame, and write down which."""
        self.streams += 1
        for frame in super().stream():
            self.streamed.append(frame.index)
            yield frame

    def sparse(self, *, runs: int, per_run: int) -> Iterator[tuple[Frame, ...]]:
        """Yield runs of frames, and count them."""
        for run in super().sparse(runs=runs, per_run=per_run):
            self.looked_at += len(run)
            yield run


def measured(footage: SimulatedFootage, settings: Settings, **options: object) -> Result:
    return measure(footage, settings, version="1.2.3", created=CREATED, **options)


@pytest.fixture(scope="module")
def plain() -> tuple[Result, Counted, list[str]]:
    """Clockwise, one mark, bounds stated."""
    footage, told = Counted(scene()), []
    result = measured(
        footage, Settings(bounds_rpm=BOUNDS), progress=lambda stage, done, total: told.append(stage)
    )
    return result, footage, told


@pytest.fixture(scope="module")
def two_marks() -> Result:
    """Counterclockwise, two marks, profiles kept in a file."""
    footage = SimulatedFootage(scene(direction=-1, marks=2, seed=3))
    with FileProfiles() as profiles:
        return measured(footage, Settings(bounds_rpm=BOUNDS), profiles=profiles)


def test_answers_in_a_file_give_the_same_result(two_marks: Result) -> None:
    footage, held = SimulatedFootage(scene(direction=-1, marks=2, seed=3)), two_marks
    assert held.basis is not None
    with FileRows() as answers:
        kept = measured(footage, Settings(bounds_rpm=BOUNDS), answers=answers)
        assert kept.basis is not None
        assert kept.basis.answer is answers
        assert np.array_equal(answers[:], held.basis.answer[:])
    for name in ("speed_rad_s", "u95_speed_rad_s", "u95_total_rad_s"):
        assert np.array_equal(getattr(kept.curve, name), getattr(held.curve, name))
    assert kept.revolutions == held.revolutions
    assert kept.checks == held.checks


@pytest.fixture(scope="module")
def start_only() -> Result:
    """A fast top that hardly slows down while it is filmed, no bounds."""
    with pytest.MonkeyPatch.context() as patch:  # a card was held up all the time
        patch.setattr("vidspin.frames.card.codes_in", lambda luma: [CHALLENGE])
        return measured(SimulatedFootage(scene(law=ExponentialLoss(300.0), seed=5)), Settings())


def test_noise_is_asked_for_before_anything_else_takes_the_verdict_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another doubt's reason, written over "stands still", let frozen noise through as a top."""
    asked: list[str] = []

    def frozen(seen: object, angles: object) -> bool:
        asked.append("frozen")
        return True

    def doubted(*parts: object) -> None:
        asked.append("doubted")

    monkeypatch.setattr("vidspin.checks.believed.frozen", frozen)
    monkeypatch.setattr("vidspin.measure.doubted", doubted)
    with pytest.raises(NoTopError, match="faint and stands still"):
        measured(SimulatedFootage(scene()), Settings(bounds_rpm=BOUNDS))
    assert asked == ["frozen"]


def test_a_verdict_that_breaks_take_back_leaves_open_what_hangs_on_it(
    plain, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The readout belongs to the likeliest speed, and with it what a time stamp stands for."""

    def blurred(angles: angles.Angles, breaks: object, topple: object) -> angles.Angles:
        return replace(angles, verdict=alias.miscounted(angles.verdict, "steps"))

    def lower_half(y_px: FloatArray, *told: object) -> FloatArray:
        assert isinstance(verdict := told[-1], AliasVerdict)
        seen.append(verdict.resolved)
        return np.zeros(len(y_px))

    seen: list[bool] = []
    monkeypatch.setattr("vidspin.result.blurred", blurred)
    monkeypatch.setattr("vidspin.reckoning.later_s", lower_half)
    settings = Settings(bounds_rpm=BOUNDS, release_s=1.5, overrule_reason="seen")
    result = measured(SimulatedFootage(scene()), settings)
    sure, now = (r.shutter.centre_row_offset_s for r in (plain[0], result))
    opened = exposure.left_open(sure, plain[0].shutter.readout_s, result.alias, 1 / 30)
    assert not result.alias.resolved and now == opened and now.u > sure.u
    assert result.release is not None
    assert result.release.u95_s == stated_u95_s(1.5, result.sightings.time_s, now)
    assert seen[-1] is False


def assert_speeds_hold(result: Result, drawn: Scene, most: float = 1e-3) -> None:
    """Nine of ten rows lie within u95, a small part of the speed; none is twice as far off."""
    curve = result.curve
    assert np.isfinite(curve.speed_rad_s).all()
    error = np.abs(curve.speed_rad_s - speed(drawn, curve.time_s)) / curve.u95_total_rad_s
    assert np.mean(error <= 1) >= 0.9
    assert error.max() < 2
    # a wrong order would be off by 188 rad/s or 94; a useless u95 would hold anything
    assert np.all(curve.u95_total_rad_s < most * START)


# ------------------------------------------------------------------------------ plain


def test_bounded_recording_resolves_to_the_true_speed(plain) -> None:
    result, _, _ = plain
    assert result.alias.resolved
    assert result.direction == "clockwise"
    assert result.alias.candidates[0].rpm == pytest.approx(rpm_from_rad_s(START), rel=0.02)
    assert_speeds_hold(result, scene())


def test_readout_is_found_with_its_sign(plain) -> None:
    readout = plain[0].shutter.readout_s
    assert readout is not None and readout.u < 0.25 * 0.012
    assert readout.value == pytest.approx(0.012, abs=3 * readout.u)


def test_every_frame_is_streamed_once_and_a_few_are_looked_at_before(plain) -> None:
    result, footage, _ = plain
    assert footage.streams == 1
    assert footage.streamed == list(range(240))
    assert footage.looked_at == RUNS * RUN_FRAMES
    assert result.outcome.decoded == len(result.sightings.time_s) == 240


def test_turns_and_times_are_those_of_the_recording(plain) -> None:
    result, _, _ = plain
    assert result.release is not None and not result.release.seen and result.topple is None
    assert result.spin_time is not None and result.spin_time.seconds is None
    assert result.spin_time.at_least_s == pytest.approx(239 / 30, abs=0.1)
    ends = turned_angle(scene(), np.array([0.0, 239 / 30])) / (2 * np.pi)
    assert result.revolutions is not None
    # the place of the top and the shutter are known to a hundredth of a turn or two
    assert result.revolutions.count == pytest.approx(ends[1] - ends[0], abs=0.03)


def test_sightings_are_good_and_residuals_small(plain) -> None:
    result, _, _ = plain
    seen = result.sightings
    assert np.mean(seen.flags == 0) > 0.97
    true = scene().ring
    assert seen.x_px == pytest.approx(true.x_px, abs=3.0)
    assert seen.y_px == pytest.approx(true.y_px, abs=3.0)
    ratio = result.curve.residual_rad / seen.u_rad
    # u counts the noise alone: a still and a mark that were learnt add to it
    assert 0.8 < np.nanstd(ratio) < 2.0


def test_result_says_what_was_asked_and_by_which_program(plain) -> None:
    result, footage, told = plain
    assert result.vidspin_version == "1.2.3" and result.created == CREATED
    assert result.settings.bounds_rpm == BOUNDS
    assert result.footage is footage.facts
    assert result.alias.bounds_from == "user" and result.alias.bounds_rpm == BOUNDS
    # a lamp's flicker and sound, where there is none, cannot tell of the times
    assert {c.name for c in result.checks if c.state != "pass"} == {"re-timing", "sound goes on"}
    stages = list(dict.fromkeys(told))
    assert stages[0] == "looking for the top" and stages[1] == "reading frames"
    assert "fitting the speed" in stages


# -------------------------------------------------------------------------- two marks


def test_two_marks_turning_the_other_way_resolve(two_marks) -> None:
    assert two_marks.survey.marks == 2
    assert two_marks.alias.resolved
    assert two_marks.direction == "counterclockwise"
    assert two_marks.alias.candidates[0].rpm == pytest.approx(-rpm_from_rad_s(START), rel=0.02)
    assert_speeds_hold(two_marks, scene(direction=-1, marks=2))
    readout = two_marks.shutter.readout_s
    assert readout is not None
    assert readout.value == pytest.approx(0.012, abs=3 * readout.u)


# ------------------------------------------------------------------------- unresolved


def test_start_alone_without_bounds_stays_unresolved_and_lists_the_truth(start_only) -> None:
    verdict = start_only.alias
    assert not verdict.resolved
    assert verdict.bounds_from == "default"
    assert len(verdict.candidates) > 1
    assert sum(c.probability for c in verdict.candidates) == pytest.approx(1.0, abs=0.01)
    off = [abs(c.rpm - rpm_from_rad_s(START)) for c in verdict.candidates]
    # neighbours are 1800 rev/min apart
    assert min(off) < 30
    assert verdict.reason
    # a rise is the same under every order that turns the same way round
    assert {c.name: c.state for c in start_only.checks}["speed falls"] in ("pass", "unchecked")


def test_challenge_that_was_shown_is_in_the_result(start_only, plain) -> None:
    assert start_only.challenge.text == CHALLENGE
    assert start_only.challenge.first_s == 0.0
    assert start_only.challenge.last_s > 7.0
    assert plain[0].challenge is None


# --------------------------------------------------------------------------- refusals


def test_top_whose_mark_cannot_be_seen_is_no_top() -> None:
    with pytest.raises(NoTopError) as refusal:
        measured(SimulatedFootage(scene(mark_contrast=-1e-3, wander_px=0.0)), Settings())
    assert refusal.value.where == "simulated"
    assert refusal.value.picture.shape == (180, 320)


def test_bounds_that_hold_no_speed_of_the_frames_are_refused() -> None:
    with pytest.raises(UsageError, match="no speed between 1700 and 1750") as refusal:
        measured(SimulatedFootage(scene()), Settings(bounds_rpm=(1700.0, 1750.0)))
    assert refusal.value.where == "--between"


def test_last_row_first_has_the_true_speed_at_the_true_instant() -> None:
    drawn = scene(readout_s=-0.012, direction=-1, law=ExponentialLoss(30.0))
    result = measured(SimulatedFootage(drawn), Settings(bounds_rpm=BOUNDS))
    assert_speeds_hold(result, drawn)


def test_speeds_of_pictures_turned_over_after_they_were_stamped_are_inside(monkeypatch) -> None:
    """Turned by 180 degrees the last stored row is read first; the stamp is still the first's."""

    drawn = scene(readout_s=0.020, law=ExponentialLoss(12.0))
    turned = SimulatedFootage(drawn)
    upright = turned._renderer.frame
    monkeypatch.setattr(turned._renderer, "frame", lambda index: replace(
        upright(index), luma=np.ascontiguousarray(upright(index).luma[::-1, ::-1])
    ))  # fmt: skip
    result = measured(turned, Settings(bounds_rpm=BOUNDS))
    assert result.shutter.readout_s is not None and result.shutter.readout_s.value < -0.018
    # either end of the readout is 10 ms from its middle, in which 14 rad/s a second are lost
    assert_speeds_hold(result, drawn, 2 * 0.010 / 12.0 + 2e-4)


@pytest.mark.parametrize("loss_s", [9.0, 30.0])
def test_candidates_speeds_are_those_of_the_reference_instant(loss_s: float) -> None:
    drawn = scene(law=ExponentialLoss(loss_s))
    verdict = measured(SimulatedFootage(drawn), Settings(bounds_rpm=BOUNDS)).alias
    true = rpm_from_rad_s(float(speed(drawn, np.array([verdict.reference_s]))[0]))
    assert verdict.candidates[0].rpm == pytest.approx(true, rel=3e-4)


def test_top_that_wanders_without_a_visible_mark_is_no_top() -> None:
    with pytest.raises(NoTopError):  # an outline that moves is no mark
        measured(SimulatedFootage(scene(mark_contrast=-1e-3)), Settings())


def test_hand_before_the_top_for_three_seconds_leaves_rows_unknown() -> None:
    """Rows inside the gap are NaN."""

    class Covered(SimulatedFootage):
        def stream(self):
            for frame in super().stream():
                if 120 <= frame.index < 210:
                    luma = frame.luma.copy()
                    luma[40:170, 60:260] = 100
                    frame = replace(frame, luma=luma)
                yield frame

    drawn = scene(seconds=10.0)
    result = measured(Covered(drawn), Settings(bounds_rpm=BOUNDS))
    assert np.isnan(result.curve.speed_rad_s).any()


def test_spin_is_measured_on_both_sides_of_a_long_cover() -> None:
    class Covered(SimulatedFootage):
        def stream(self):
            for frame in super().stream():
                if 300 <= frame.index < 570:
                    luma = frame.luma.copy()
                    luma[40:170, 60:260] = 100
                    frame = replace(frame, luma=luma)
                yield frame

    drawn = scene(seconds=30.0)
    result = measured(Covered(drawn), Settings(bounds_rpm=BOUNDS))
    t = result.curve.time_s
    both = (t < 8.0) | ((t > 21.0) & (t < 29.0))
    true = np.abs(speed(drawn, t))
    assert np.abs(result.curve.speed_rad_s / true - 1)[both].max() < 1e-3
    assert np.isnan(result.curve.speed_rad_s[(t > 13.0) & (t < 16.0)]).all()
    assert result.revolutions.unseen_s == pytest.approx(9.0, abs=0.2)
    turned = np.diff(turned_angle(drawn, result.sightings.time_s[[0, -1]]))[0] / (2 * np.pi)
    assert abs(result.revolutions.count) == pytest.approx(abs(turned), abs=2.0)
    assert {c.name: c.state for c in result.checks}["mark seen"] == "fail"


# ------------------------------------------------------------------------------- seams


class Split(SimulatedFootage):
    """Two chapters; five frames are lost between them, and the seam is drawn as one step."""

    SEAM, LOST = 130, 5

    def stream(self) -> Iterator[Frame]:
        """Yield the frames of both."""
        for frame in super().stream():
            if frame.index < self.SEAM:
                yield frame
            elif frame.index >= self.SEAM + self.LOST:
                yield replace(
                    frame, chapter=1, index=frame.index - self.LOST,
                    time_s=frame.time_s - self.LOST / 30.0,
                )  # fmt: skip


def test_rows_across_a_seam_are_unknown_and_no_check_fails() -> None:
    result = measured(Split(scene()), Settings(bounds_rpm=BOUNDS))
    curve, seam_s = result.curve, (Split.SEAM - 0.5) / 30.0
    across = np.abs(curve.time_s - seam_s) < curve.window_s / 2
    assert 1 <= across.sum() <= 3
    assert np.isnan(curve.speed_rad_s[across]).all()
    assert np.isfinite(curve.speed_rad_s[~across]).sum() >= 4
    assert [c.name for c in result.checks if c.state == "fail"] == []


def test_fit_of_the_shutter_is_that_of_the_order_that_is_used(monkeypatch) -> None:
    """Orders that are as likely as each other change places with every fit."""
    decide, fit, fitted, calls = resolve.verdict, calibrate.tune, [], []

    def verdict(*given: object, **more: object) -> AliasVerdict:
        told = decide(*given, **more)
        calls.append(told)
        ahead = sorted(told.candidates, key=lambda c: c.order)[:2]
        ahead = ahead if len(calls) % 2 else ahead[::-1]
        return replace(told, candidates=tuple(ahead), resolved=False)

    def tune(*given: object, **more: object) -> calibrate.Tuned:
        fitted.append(given[3])
        return fit(*given, **more)

    monkeypatch.setattr(resolve, "verdict", verdict)
    monkeypatch.setattr(calibrate, "tune", tune)
    result = measured(SimulatedFootage(scene(seconds=4.0)), Settings())
    assert len(calls) == 3 and len(set(fitted)) == 2
    assert fitted[-1] == result.alias.candidates[0].order


def test_speeds_before_a_topple_that_is_taken_back_are_as_sure_as_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What another spin ended was no fall: nothing leaned, here and when worked out again."""
    drawn = scene(
        height=240, seconds=9.0, speed_rad_s=44.0, law=ExponentialLoss(25.0), topple_s=7.5
    )  # fmt: skip
    bounds = Settings(bounds_rpm=(300.0, 600.0))
    fell = measured(SimulatedFootage(drawn), bounds)
    assert fell.topple is not None and fell.topple.seen
    assert "leaning" in {c.name for c in fell.curve.budgets[-1].components}
    meeting = Meeting(fell.topple.time_s, 0.2)
    monkeypatch.setattr("vidspin.result.broken_off", lambda *_, **__: (meeting,))
    taken = measured(SimulatedFootage(drawn), bounds)
    assert taken.topple is not None and not taken.topple.seen
    assert "leaning" not in {c.name for c in taken.curve.budgets[-1].components}
    for one in (fell, taken):
        again = work_out_again(one, Wanted(), version="1.2.3", created=CREATED)
        assert np.array_equal(
            again.curve.u95_total_rad_s, one.curve.u95_total_rad_s, equal_nan=True
        )  # fmt: skip


def test_an_end_that_is_taken_back_ends_no_rows_and_no_budget(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Also where nothing was seen to lean, and where it is the release."""
    monkeypatch.setattr("vidspin.result.leaning_before", lambda *_: None)
    monkeypatch.setattr("vidspin.reckoning.leaning_before", lambda *_: None)
    drawn = scene(
        height=240, seconds=9.0, speed_rad_s=44.0, law=ExponentialLoss(25.0), topple_s=7.5
    )  # fmt: skip
    with_release = ends.with_release

    def ending(*given: object) -> Ends:
        found = with_release(*given)
        at = {kind: Event(kind, True, t, 0.05, None, None, "") for kind, t in met.items()}
        return replace(found, release=at["release"], topple=at["topple"])

    met = {"release": 2.0, "topple": 4.0}
    monkeypatch.setattr("vidspin.instants.ends.with_release", ending)
    meetings = tuple(Meeting(t, 0.2) for t in met.values())
    monkeypatch.setattr("vidspin.result.broken_off", lambda *_, **__: meetings)
    taken = measured(SimulatedFootage(drawn), Settings(bounds_rpm=(300.0, 600.0)))
    for one in (taken.release, taken.topple):
        assert one is not None and not one.seen
    assert taken.curve.time_s[[0, -1]].tolist() == [0.5, 5.5]
    assert taken.curve.budgets[0].time_s < 2.0 and taken.curve.budgets[-1].time_s > 4.0


@pytest.mark.parametrize("readout_s", [0.016, 0.010])
def test_bounds_on_the_first_speed_do_not_bind_a_mark_that_the_exposure_hid_at_first(
    readout_s: float,
) -> None:
    """Three marks smeared by more than their distance show when the top has become slower."""
    drawn = scene(
        seconds=12.0, speed_rad_s=158.0, law=ExponentialLoss(20.0), marks=3, exposure_s=1 / 60,
        frame_rate=Fraction(24), readout_s=readout_s, mark_contrast=-60.0, wander_px=0.0,
    )  # fmt: skip
    low, high = (float(rpm_from_rad_s(158.0)) * (1 + share) for share in (-0.15, 0.15))
    result = measured(SimulatedFootage(drawn), Settings(bounds_rpm=(low, high)))
    at = result.alias.reference_s
    true = float(rpm_from_rad_s(speed(drawn, np.array([at]))[0]))
    assert at > 3.0 and true < low  # the mark was hidden, the bounds were true of the start
    assert "may be unseen" in result.alias.votes[-1].note
    near = [c for c in result.alias.candidates if abs(c.rpm - true) < 15.0]
    assert near, [c.rpm for c in result.alias.candidates]
    assert not result.alias.resolved or result.alias.candidates[0] is near[0]
    assert not result.release.seen  # nobody saw a hand: it may have spun before
    assert "may be unseen, so the lower bound need not hold" in summarise(result)


def start(*, profile: bool) -> Result:
    """Measure the sample clip of a start only, its phone's readout known or not."""
    camera = CameraProfile("phone", 640, 360, Fraction(30), Quantity(0.016, 0.0005, "one"))
    footage = Recording.open([Path(__file__).parents[1] / "sample_clips/dipper_start_only.mp4"])
    return measured(footage, Settings(camera=camera if profile else None))


def test_a_profile_of_the_phone_resolves_a_start() -> None:
    """One order too fast, the usual frame fits 3 % better, and all together 6 % worse."""
    verdict = start(profile=True).alias
    assert verdict.resolved
    assert verdict.candidates[0].rpm == pytest.approx(2147, abs=20)


def test_a_profile_is_said_to_be_set_aside_where_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(angles, "left_against", lambda *_: 0.5)  # any other order fits better
    result = start(profile=True)
    notes = {v.cue: v.note for v in result.alias.votes if v.says == "abstains"}
    assert not result.alias.resolved
    assert notes["camera profile"].startswith("set aside: the frames, read under another order")
    assert "set aside" in summarise(result)


@pytest.mark.parametrize("readout_s", [0.0113, 0.009])
def test_shutter_does_not_decide_where_marks_are_smeared_over_most_of_their_distance(
    readout_s: float,
) -> None:
    """Read under one order or another, the gap between smeared marks moves in another way."""
    drawn = scene(
        seconds=6.0, speed_rad_s=281.4, law=ExponentialLoss(39.5), marks=2, mark_contrast=99.0,
        exposure_s=0.008, readout_s=readout_s, frame_rate=Fraction(50), noise=1.75, highlight=0.3,
        seed=20, wander_px=0.0,
    )  # fmt: skip
    verdict = measured(SimulatedFootage(drawn), Settings()).alias
    true = float(rpm_from_rad_s(speed(drawn, np.array([verdict.reference_s]))[0]))
    near = [c for c in verdict.candidates if abs(c.rpm - true) < 20.0]
    assert near, [c.rpm for c in verdict.candidates]
    assert not verdict.resolved or verdict.candidates[0] is near[0]
    shutter = next(v for v in verdict.votes if v.cue == "rolling shutter")
    assert verdict.resolved or (shutter.says == "abstains" and "another order" in shutter.note)
