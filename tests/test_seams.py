"""What a spin tells of the time between two chapters, and what is said where it tells nothing."""

from dataclasses import replace

import numpy as np
import pytest
from fabricate_turning import Law, even, exponential, turning

from vidspin.dossier.consistency import in_spin
from vidspin.events import spin_time
from vidspin.records import Event, Revolutions
from vidspin.seams import NAME, Seam, check, counted, seams_told
from vidspin.turning import Turning, look

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
    assert seam.seconds == pytest.approx(gap_s, abs=1.3 * seam.u95_s)
    assert seam.turns == pytest.approx(hidden, abs=1.3 * seam.u95_turns)
    if gap_s <= 0.1:  # the slowing leaves no doubt by how many turns
        assert seam.u95_turns < 0.03


def test_a_gap_known_by_its_slowing_alone_is_less_sure() -> None:
    spin, chapter, _ = chapters(exponential(157.0, 60.0), 0.3)
    sure, unsure = (told(spin, chapter, resolved=known)[0] for known in (True, False))
    assert sure.u95_s < 0.002 < unsure.u95_s < 0.2
    assert unsure.seconds == pytest.approx(0.3, abs=1.3 * unsure.u95_s)


def test_two_marks_tell_half_turns() -> None:
    spin, chapter, hidden = chapters(exponential(157.0, 30.0), 0.5, marks=2)
    (seam,) = told(spin, chapter, marks=2)
    assert seam.seconds == pytest.approx(0.5, abs=1.3 * seam.u95_s)
    assert seam.turns == pytest.approx(hidden, abs=1.3 * seam.u95_turns)


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
    assert counted(turned, seams) == replace(turned, count=None, u95=None)
    known = counted(turned, seams[1:])
    assert known.count == 303.0 and known.u95 == pytest.approx(np.hypot(0.1, 0.1))
    (said,) = check(seams)
    assert said.name == NAME and said.state == "unchecked" and said.look
    assert check(seams[1:])[0].state == "pass"
