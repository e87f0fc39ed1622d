"""What a spin tells of the time between two chapters, and what is said where it tells nothing."""

from dataclasses import replace

import numpy as np
import pytest
from fabricate_turning import Law, even, exponential, turning

from vidspin.dossier.consistency import in_spin
from vidspin.instants.events import spin_time
from vidspin.phase.breaks import Step
from vidspin.records import Event, Revolutions
from vidspin.speed.seams import NAME, Seam, _phase, _with_leftovers, check, counted, seams_told
from vidspin.speed.turning import Turning, look
from vidspin.wording import between_chapters

FRAME_S = 1 / 30


def chapters(
    law: tuple[Law, Law], gap_s: float, *, cut: int = 220, count: int = 480, marks: int = 1,
    seed: int = 0, sigma: float = 0.002,
) -> tuple[Turning, np.ndarray, float]:  # fmt: skip
    """A spin with a gap, drawn as if it were none: turning, chapters, turns that are not drawn."""
    t = np.arange(count) * FRAME_S
    after = np.arange(cut + round(gap_s / FRAME_S), count)
    source = np.concatenate([t[:cut], t[after]])
    true = law[0](source)
    noise = np.random.default_rng(seed).normal(0, sigma, len(true))
    spacing = 2 * np.pi / marks
    ahead = true[cut] - true[cut - 1] - law[1](t[cut : cut + 1])[0] * FRAME_S
    hidden = spacing * round(ahead / spacing)
    drawn = true - np.where(np.arange(len(true)) >= cut, hidden, 0.0) + noise
    chapter = (np.arange(len(true)) >= cut).astype(int)
    return turning(drawn, u_rad=sigma), chapter, hidden / (2 * np.pi)


def told(spin: Turning, chapter: np.ndarray, **known: object) -> tuple[Seam, ...]:
    said = {"marks": 1, "frame_s": FRAME_S, "resolved": True, **known}
    return seams_told(spin, look(spin), chapter, **said)  # type: ignore[arg-type]


@pytest.mark.parametrize("gap_s", [-0.1, 0.0, 0.1, 0.5, 1.0])
@pytest.mark.parametrize(("speed", "tau_s"), [(94.2, 30.0), (157.0, 60.0), (210.0, 120.0)])
@pytest.mark.parametrize("seed", range(3))
def test_time_and_turns_between_chapters_are_told(
    speed: float, tau_s: float, gap_s: float, seed: int
) -> None:
    spin, chapter, hidden = chapters(exponential(speed, tau_s), gap_s, seed=seed)
    (seam,) = told(spin, chapter)
    assert seam.seconds is not None
    assert seam.seconds == pytest.approx(gap_s, abs=seam.u95_s)
    assert seam.turns == pytest.approx(hidden, abs=seam.u95_turns)
    if gap_s <= 0.1:  # the slowing leaves no doubt by how many turns
        assert seam.u95_turns < 0.03


def test_a_gap_known_by_its_slowing_alone_is_less_sure() -> None:
    spin, chapter, _ = chapters(exponential(157.0, 60.0), 0.3)
    sure, unsure = (told(spin, chapter, resolved=known)[0] for known in (True, False))
    assert sure.u95_s < 0.002 < unsure.u95_s < 0.2
    assert unsure.seconds == pytest.approx(0.3, abs=unsure.u95_s)


def test_two_marks_tell_half_turns() -> None:
    spin, chapter, hidden = chapters(exponential(157.0, 30.0), 0.5, marks=2)
    (seam,) = told(spin, chapter, marks=2)
    assert seam.seconds == pytest.approx(0.5, abs=seam.u95_s)
    assert seam.turns == pytest.approx(hidden, abs=seam.u95_turns)


@pytest.mark.parametrize(
    ("law", "gap_s"), [(even(150.0, 0.0), 0.3), (exponential(157.0, 30.0), 4.0)]
)
def test_what_does_not_slow_or_is_too_long_is_not_told(law: tuple[Law, Law], gap_s: float) -> None:
    spin, chapter, _ = chapters(law, gap_s)
    assert [one.seconds for one in told(spin, chapter)] == [None]


def test_one_file_has_no_seam() -> None:
    spin, chapter, _ = chapters(exponential(157.0, 60.0), 0.3)
    assert told(spin, np.zeros_like(chapter)) == ()
    assert check(()) == ()


RELEASE = Event("release", True, 1.0, 0.03, 150.0, 0.1, "")
TOPPLE = Event("topple", True, 21.0, 0.04, 30.0, 0.1, "")


def test_spin_time_takes_in_what_was_not_filmed() -> None:
    seams = (Seam(8.0, 0.5, 0.02, 7.0, 0.1), Seam(15.0, -0.1, 0.01, -1.0, 0.05), Seam(0.5))
    found = spin_time(RELEASE, TOPPLE, 0.0, 25.0, clock_ppm=0.0, seams=seams)
    assert found.seconds == pytest.approx(20.4) and found.between_s == pytest.approx(0.4)
    assert found.u95_s == pytest.approx(np.linalg.norm([0.03, 0.04, 0.02, 0.01]))
    open_end = replace(TOPPLE, seen=False, time_s=25.0)
    least = spin_time(RELEASE, open_end, 0.0, 25.0, clock_ppm=0.0, seams=seams)
    assert least.seconds is None
    assert least.at_least_s == pytest.approx(24.4 - np.linalg.norm([0.03, 0.02, 0.01]))
    document = {
        "release": {"time_s": 1.0, "rpm": 1.0}, "topple": {"time_s": 21.0, "rpm": 1.0},
        "spin_time": {"seconds": found.seconds, "between_chapters_s": found.between_s},
        "recording": {"frames": 9, "suspect_frames": 0}, "alias": {"resolved": True},
    }  # fmt: skip
    assert not list(in_spin(document))
    document["spin_time"]["between_chapters_s"] = 0.0
    assert len(list(in_spin(document))) == 1


def test_an_untold_gap_leaves_the_longest_chapter_and_no_turns() -> None:
    seams = (Seam(8.0), Seam(10.0, 0.2, 0.01, 3.0, 0.1))
    found = spin_time(RELEASE, TOPPLE, 0.0, 25.0, clock_ppm=0.0, seams=seams)
    assert (found.seconds, found.u95_s) == (None, None)
    assert found.at_least_s == pytest.approx(11.0, abs=0.06) and found.at_least_s < 11.0
    turned = Revolutions(300.0, 0.1, 0.01, 0.0)
    uncounted = replace(turned, count=None, u95=None)
    assert counted(turned, seams, 1.0, 21.0) == uncounted
    assert counted(turned, seams[1:], 10.5, 21.0) == uncounted  # too near to an end
    assert counted(turned, seams[1:], 12.0, 21.0) == turned
    known = counted(turned, seams[1:], 1.0, 21.0)
    assert known.count == 303.0 and known.u95 == pytest.approx(np.hypot(0.1, 0.1))
    (said,) = check(seams)
    assert said.name == NAME and said.state == "unchecked" and said.look
    assert check(seams[1:])[0].state == "pass"


@pytest.mark.parametrize("touch", [0.995, 1.002, 1.01])
def test_a_touch_between_the_chapters_is_mostly_noticed(touch: float) -> None:
    """Phase and slowing then tell two different times; at chance they agree."""
    angle, speed = exponential(157.0, 60.0)
    at_s = 220 * FRAME_S
    after = speed(np.array([at_s]))[0] * touch

    def bent(t: np.ndarray) -> np.ndarray:
        late = exponential(after, 60.0)[0](np.maximum(t - at_s, 0.0))
        return np.where(t < at_s, angle(t), angle(np.array([at_s]))[0] + late)

    told_s = []
    for seed in range(20):
        spin, chapter, _ = chapters((bent, speed), 0.3, seed=seed, sigma=0.004)
        told_s += [one.seconds for one in told(spin, chapter)]
    assert sum(s is not None for s in told_s) <= 9


def test_honest_gaps_stay_told() -> None:
    law = exponential(157.0, 60.0)
    for seed in range(40):
        spin, chapter, _ = chapters(law, 0.3, seed=seed, sigma=0.004)
        assert told(spin, chapter)[0].seconds is not None


@pytest.mark.parametrize(("speed", "tau_s", "gap_s"), [(157.0, 15.0, 1.5), (157.0, 30.0, 1.0)])
def test_noise_and_bend_over_a_long_gap_are_in_the_doubt(
    speed: float, tau_s: float, gap_s: float
) -> None:
    inside = []
    for seed in range(30):
        spin, chapter, _ = chapters(exponential(speed, tau_s), gap_s, seed=seed, sigma=0.02)
        (seam,) = told(spin, chapter)
        if seam.seconds is not None:
            inside.append(abs(seam.seconds - gap_s) <= seam.u95_s)
    assert len(inside) >= 25 and np.mean(inside) >= 0.85


def test_nothing_is_told_beside_a_break_or_outside_of_the_free_spin() -> None:
    spin, chapter, _ = chapters(exponential(157.0, 60.0), 0.3)
    (seam,) = told(spin, chapter)
    for beside in (seam.time_s - 0.4, seam.time_s + 0.8):
        assert told(spin, chapter, breaks_s=(beside,))[0].seconds is None
    far = told(spin, chapter, breaks_s=(seam.time_s - 2.0, seam.time_s + 2.0))[0]
    assert far.seconds == pytest.approx(0.3, abs=far.u95_s)
    free = np.arange(len(chapter)) > 240
    (outside,) = told(replace(spin, free=free), chapter)
    assert outside == Seam(seam.time_s)


def test_a_chapter_of_a_few_outliers_tells_nothing_twice() -> None:
    spin, chapter, _ = chapters(exponential(157.0, 60.0), 0.3)
    chapter = chapter + (np.arange(len(chapter)) >= 226)
    wild = np.where(chapter == 1, spin.angle_rad + 2.0, spin.angle_rad)
    assert [one.seconds for one in told(replace(spin, angle_rad=wild), chapter)] == [None, None]
    for count in (1, 2):
        few = np.where(np.arange(len(chapter)) < count, spin.angle_rad, np.nan)
        assert {one.seconds for one in told(replace(spin, angle_rad=few), chapter)} == {None}


def test_words_tell_what_was_filmed_by_nobody_from_what_was_filmed_twice() -> None:
    assert (
        between_chapters(0.5, 0.02)
        == "0.500 ± 0.020 s of it lie between chapters, filmed by nobody"
    )
    assert (
        between_chapters(-0.5, 0.02)
        == "0.500 ± 0.020 s that two chapters both hold are counted once"
    )
    assert between_chapters(-2e-5, 8.4e-4) == "the chapters follow without a gap, to ± 0.00084 s"


def test_what_the_place_of_a_wandering_top_leaves_is_in_the_doubt() -> None:
    """One doubt bends the angle slowly all through; each case has another share of it."""
    rng, misses = np.random.default_rng(8), []
    for seed in range(40):
        spin, chapter, _ = chapters(exponential(80.0, 600.0), 0.2, seed=seed)
        shape = 0.01 * np.sin(spin.time_s * rng.uniform(0.3, 1.0) + rng.uniform(0, 6.3))[:, None]
        wandered = replace(
            spin, angle_rad=spin.angle_rad + rng.normal() * shape[:, 0], answer=shape,
        )  # fmt: skip
        (seam,) = told(wandered, chapter)
        if seam.seconds is not None:
            misses.append(abs(seam.seconds - 0.2) / seam.u95_s)
    assert len(misses) > 10
    assert np.mean(np.array(misses) > 1.0) < 0.15


@pytest.mark.parametrize("before", [0.0, 0.5, 1.0])
def test_a_mark_that_is_hidden_about_a_seam_tells_the_turns_or_none(before: float) -> None:
    """A hand at the phone as it begins another file: nothing is within reach of the seam."""
    misses = []
    for seed in range(30):
        spin, chapter, turns = chapters(exponential(157.0, 60.0), 0.1, seed=seed)
        count = (42, 60, 66, 72)[seed % 4]
        begin = int(np.argmax(chapter)) - round(before * count)
        angle = spin.angle_rad.copy()
        angle[begin : begin + count] = np.nan
        (seam,) = told(replace(spin, angle_rad=angle), chapter)
        if seam.seconds is not None:
            misses.append(abs(seam.seconds - 0.1) / seam.u95_s)
            assert abs(seam.turns - turns) < 3 * seam.u95_turns
    assert np.mean(np.array([*misses, 0.0]) > 1.0) < 0.15
    assert len(misses) > 20 or before != 0.5


@pytest.mark.parametrize(("alike", "expected"), [(True, (0.0, 0.04)), (False, (0.0, 0.0))])
def test_what_bends_both_sides_alike_is_in_the_doubt_of_their_mean_slope(alike, expected) -> None:
    spin, chapter, _ = chapters(exponential(157.0, 60.0), 0.3)
    at_s = float(spin.time_s[219:221].mean())
    x = spin.time_s - at_s
    shape = 0.02 * x**2 * (1.0 if alike else np.sign(x))
    bent = replace(spin, answer=shape[:, None])
    phase = _phase(bent, look(bent), chapter, 1, FRAME_S)
    assert phase is not None
    step = Step(at_s, 0.0, 0.0, 0.0, 0.0, 0.0, 150.0, -2.0, 0.0, False, 0.0, 0.0, reach_s=3.0)
    wider = _with_leftovers(bent, phase, step, (0.0, 99.0))
    assert (wider.u_rate_rad_s, wider.u_slope_rad_s2) == pytest.approx(expected, abs=1e-9)
