"""What the analyses take from one attempt: its ends, its chapters, and that it counts once."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from simulated_attempts import Law, attempt, spin, write_folder

from vidspin.errors import UsageError
from vidspin.store import read_attempt
from vidspin.workshop.attempt import Attempt, End, Rows, counted
from vidspin.workshop.chapters import put_together, seams_within
from vidspin.workshop.compare import compare
from vidspin.workshop.forecast import forecast
from vidspin.workshop.rundown import BEFORE_TOPPLE_S, fit_rundown, forms_of_power
from vidspin.workshop.topple import expected_topple

LAW = Law(0.2, 0.0, 4e-4)
LAMINAR = forms_of_power("3/2")[:1]


def made(seed: int = 1, *, name: str = "wren") -> Attempt:
    turning = spin(LAW, 1400.0)
    return attempt(turning, np.random.default_rng(seed), name=name, noise_rad=0.01, frame_rate=10.0)


def moved(whole: Attempt, at_s: float, by_s: float) -> Attempt:
    """As a recording in two chapters states it: `by_s` between them are not filmed, or twice."""
    rows, phase, topple = whole.rows, whole.phase, whole.topple
    assert rows is not None and phase is not None and topple is not None

    def drawn(time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        unseen = (time_s > at_s) & (time_s < at_s + by_s)
        return time_s - by_s * (time_s > at_s), ~unseen

    row_s, known = drawn(rows.time_s)
    frame_s, seen = drawn(phase.time_s)
    return replace(
        whole,
        rows=replace(
            rows, time_s=row_s[known], speed_rad_s=rows.speed_rad_s[known],
            u_rad_s=rows.u_rad_s[known],
        ),
        phase=replace(
            phase, time_s=frame_s[seen], angle_rad=phase.angle_rad[seen], u_rad=phase.u_rad[seen],
            segment=(phase.time_s > at_s).astype(np.int64)[seen],
        ),
        topple=replace(topple, time_s=topple.time_s - by_s),
    )  # fmt: skip


# ------------------------------------------------------------------------------- ends


def folder_of(place: Path, **changed: Any) -> Path:
    """Write a result, and change what its document states."""
    folder = write_folder(spin(LAW, 1400.0), place / "wren.spin", np.random.default_rng(2))
    path = folder / "spin.json"
    document = json.loads(path.read_text("utf-8"))
    for key, value in changed.items():
        document[key] |= value
    path.write_text(json.dumps(document), "utf-8")
    return folder


def test_a_topple_whose_speed_is_not_known_is_a_topple_all_the_same(tmp_path) -> None:
    known = read_attempt(folder_of(tmp_path / "a"))
    found = read_attempt(folder_of(tmp_path / "b", topple={"rpm": None, "u95_rpm": None}))
    assert found.topple is None and found.fell_s == known.fell_s and not found.broken_off
    with pytest.raises(UsageError, match="topple is in the recording"):
        expected_topple(found)
    one, other = (forecast([a], forms=LAMINAR) for a in (known, found))
    assert one.at(1300.0)[0] == pytest.approx(other.at(1300.0)[0], rel=1e-3)
    assert other.left_out == ()


def test_what_leans_before_a_topple_of_unknown_speed_is_left_out_of_the_law() -> None:
    whole = made()
    assert whole.topple is not None and whole.rows is not None
    nameless = replace(whole, topple=None, topple_s=whole.topple.time_s)
    last_s = whole.topple.time_s - BEFORE_TOPPLE_S
    slowest = float(whole.rows.speed_rad_s[whole.rows.time_s <= last_s].min())
    assert fit_rundown(nameless, forms=LAMINAR).span_rad_s[0] == pytest.approx(slowest)


# --------------------------------------------------------------------------- chapters


@pytest.mark.parametrize("by_s", [1.3, -1.3])
def test_chapters_are_put_to_their_places_in_time(by_s: float) -> None:
    whole = made()
    told = put_together(moved(whole, 60.0, by_s), [(60.0, by_s, 0.002)])
    assert told.rows is not None and told.phase is not None and told.topple is not None
    assert whole.rows is not None and whole.topple is not None
    assert told.topple.time_s == pytest.approx(whole.topple.time_s)
    assert (np.diff(told.rows.time_s) > 0).all() and (np.diff(told.phase.time_s) > 0).all()
    true = np.interp(told.rows.time_s, whole.rows.time_s, whole.rows.speed_rad_s)
    assert told.rows.speed_rad_s == pytest.approx(true)
    drawn = moved(whole, 60.0, by_s)
    one, other, wrong = (
        compare([replace(a, sha256=())], between_rpm=(400, 1300)).groups[0].coast_s[0]
        for a in (whole, told, drawn)
    )
    assert other == pytest.approx(one, abs=0.01) and abs(wrong - one) > 1.0
    a, b = (fit_rundown(one, forms=LAMINAR).best for one in (whole, told))
    allowed = 3 * float(np.sqrt(a.covariance[1, 1] + b.covariance[1, 1]))
    assert b.value("a") == pytest.approx(a.value("a"), abs=allowed)


def test_doubt_about_the_time_between_chapters_is_in_the_coast_time() -> None:
    sure, unsure = (put_together(moved(made(), 60.0, 1.0), [(60.0, 1.0, u)]) for u in (0.001, 0.3))
    one, other = (
        compare([a], between_rpm=(400, 1300)).groups[0].u95_coast_s[0] for a in (sure, unsure)
    )
    assert one < 0.1 and other == pytest.approx(0.3, rel=0.1)
    # no law is fitted across it: the longest stretch is, of a spin that goes on the last
    early = put_together(moved(made(), 60.0, 1.0), [(60.0, 1.0, 0.3)])
    late = put_together(moved(made(), 150.0, 1.0), [(150.0, 1.0, 0.3)])
    going_on = replace(late, topple=None)
    for one, before in ((early, False), (late, True), (going_on, False)):
        assert one.rows is not None
        seam_s = one.gaps[0].time_s
        part = (one.rows.time_s < seam_s) == before
        fastest = float(one.rows.speed_rad_s[part & (one.rows.time_s > 3.0)].max())
        assert fit_rundown(one, forms=LAMINAR).span_rad_s[1] == pytest.approx(fastest, rel=0.02)


@pytest.mark.parametrize(("at_s", "kept"), [(60.0, "later"), (150.0, "earlier")])
def test_of_chapters_whose_time_is_not_told_the_longest_part_is_left(
    at_s: float, kept: str
) -> None:
    whole = made()
    drawn = replace(moved(whole, at_s, 1.0), topple_filmed=True, spin_time_s=None)
    found = put_together(drawn, [(at_s, None, 0.0)])
    assert found.rows is not None and found.phase is not None and not found.broken_off
    assert ((found.rows.time_s > at_s) == (kept == "later")).all()
    assert (found.fell_s is None) == (kept == "earlier") and found.gaps == ()
    with pytest.raises(UsageError, match="time between its chapters"):
        forecast([found])
    span = (500, 900) if kept == "later" else (1000, 1300)
    part, all_of_it = (compare([a], between_rpm=span).groups[0].coast_s[0] for a in (found, whole))
    assert part == pytest.approx(all_of_it, abs=0.02)  # it lies on one side of the seam
    other = replace(made(7, name="robin"), sha256=("robin",))
    both = compare([found, other])  # its part does not narrow the range of the others
    assert [o.why for o in both.left_out] == ["the time between its chapters is not known"]
    assert both.between_rpm == compare([other]).between_rpm


def test_several_gaps_add_up() -> None:
    twice = moved(moved(made(), 90.0, 0.5), 40.0, 1.0)  # the second lies at 89 s as stated
    whole, found = made(), put_together(twice, [(40.0, 1.0, 0.01), (89.0, 0.5, 0.02)])
    assert whole.topple is not None and found.topple is not None
    assert found.topple.time_s == pytest.approx(whole.topple.time_s)
    between = found.u_between(np.array([10.0, 50.0, 100.0]), np.array([110.0, 110.0, 110.0]))
    assert between == pytest.approx([np.hypot(0.005, 0.01), 0.01, 0.0])


def test_gaps_come_from_the_result_and_from_an_older_one(tmp_path) -> None:
    gap = {"between_chapters_s": 0.5, "between_chapters_u95_s": 0.01}
    told = [{"time_s": 30.0, "seconds": 0.5, "u95_s": 0.01}]
    found = read_attempt(folder_of(tmp_path / "a", spin_time=gap | {"chapter_gaps": told}))
    assert [(g.time_s, g.u_s) for g in found.gaps] == [(30.0, 0.005)]
    plain = read_attempt(folder_of(tmp_path / "b"))
    assert plain.fell_s is not None and found.fell_s == pytest.approx(plain.fell_s + 0.5)


@pytest.mark.parametrize(
    ("seams", "sums", "told"),
    [
        ((), (0.0, 0.0), ()),
        ((1.0, 999.0), (0.0, 0.0), ()),  # before the release, after the topple
        ((1.0, 30.0), (0.5, 0.01), ((30.0, 0.5, 0.01),)),
        ((30.0,), (0.0, 0.0), ((30.0, None, 0.0),)),
        ((30.0, 60.0), (0.7, 0.02), ((30.0, None, 0.02), (60.0, None, 0.02))),
    ],
)
def test_seams_of_a_result_of_before_are_those_within_the_spin(seams, sums, told) -> None:
    time_s = np.arange(0.0, 1200.0, 0.1)
    document = {
        "spin_time": {"between_chapters_s": sums[0], "between_chapters_u95_s": sums[1]},
        "release": {"seen": True, "time_s": 2.0}, "topple": {"seen": True, "time_s": 237.0},
    }  # fmt: skip
    chapter = np.searchsorted(np.array(seams), time_s)
    found = seams_within(document, {"chapter": chapter, "time_s": time_s})
    assert len(found) == len(told)
    for (at, seconds, u95), (true_at, true_seconds, true_u95) in zip(found, told, strict=True):
        assert at == pytest.approx(true_at, abs=0.1)
        assert (seconds, u95) == (true_seconds, true_u95)


# -------------------------------------------------------------------------- counted once


def test_one_recording_is_no_two_repeats() -> None:
    one, other = made(1), replace(made(1), name="wren again")
    for ask in (compare, forecast):
        with pytest.raises(UsageError, match="wren and wren again are results of the same"):
            ask([one, other])
    part = replace(made(2, name="robin"), sha256=("x", *one.sha256))  # a chapter in common
    with pytest.raises(UsageError, match="same recording"):
        compare([one, part])


def test_starts_that_outlast_their_recording_take_the_interval_back() -> None:
    rng = np.random.default_rng(3)
    starts = []
    for k in range(8):
        turning = spin(LAW.scaled(float(np.exp(rng.normal(0, 0.05)))), rng.normal(1400, 40))
        starts.append(attempt(turning, rng, name=f"n{k}", noise_rad=0.01, frame_rate=4.0))
    whole = forecast(starts, forms=LAMINAR)
    assert np.isfinite(whole.at(1400.0)[1])
    middle = float(np.median([a.spin_time_s or 0.0 for a in starts]))
    ended = [
        a if (a.spin_time_s or 0.0) < middle
        else replace(a, topple=None, spin_time_s=None, at_least_s=middle) for a in starts
    ]  # fmt: skip
    found = forecast(ended, forms=LAMINAR)
    assert np.isnan(found.at(1400.0)[1]) and "too short" in found.note
    once = [replace(starts[0], topple=None, spin_time_s=None, at_least_s=1.02 * middle)]
    some = forecast([*once, *starts[1:]], forms=LAMINAR)
    assert np.isfinite(some.at(1400.0)[1]) and "may be somewhat short" in some.note
    early = [replace(a, topple=None, spin_time_s=None, at_least_s=50.0) for a in starts[:2]]
    stopped = forecast([*early, *starts[2:]], forms=LAMINAR)  # they tell nothing of how long
    assert np.isfinite(stopped.at(1400.0)[1]) and stopped.note == ""


def test_an_end_holds_what_is_known_of_it() -> None:
    plain = Attempt("owl")
    assert plain.broken_off and plain.released_s is None
    assert replace(plain, release=End(2.0, 0.1, 900.0, 1.0)).released_s == 2.0
    assert replace(plain, release_s=3.0).released_s == 3.0


@pytest.mark.parametrize("factor", [1, 4, 8, 16])
@pytest.mark.parametrize("gap_s", [2.0, 4.0, 6.0, 8.0, 9.5])
def test_turns_of_a_hidden_stretch_are_right_or_not_counted(factor: int, gap_s: float) -> None:
    """Spins of 4 minutes to 15 s; a chord between rows is off by turns for the shortest."""
    run = spin(Law(0.2, 0, 4e-4).scaled(factor), 1500.0)
    from_s = 3.0
    t = np.arange(0.0, run.duration_s, 1 / 30)
    t = t[(t < from_s) | (t > from_s + gap_s)]
    at = np.arange(0.5, run.duration_s, 1.0)
    at = at[(at < from_s - 0.4) | (at > from_s + gap_s + 0.4)]
    true = run.angle(t)
    rows = Rows(at, run.speed(at), np.full(len(at), 0.003))
    phase = counted(t, np.mod(true, 2 * np.pi), np.full(len(t), 0.005), rows)
    for segment in np.unique(phase.segment):
        one = phase.segment == segment
        turned = np.ptp(phase.angle_rad[one]) - np.ptp(true[one])
        assert turned == pytest.approx(0.0, abs=0.01)
    assert len(np.unique(phase.segment)) == 1 or gap_s * factor >= 8


def test_touches_and_failed_checks_are_read(tmp_path) -> None:
    folder = folder_of(tmp_path)
    path = folder / "spin.json"
    document = json.loads(path.read_text("utf-8"))
    touch = {**document["release"], "time_s": 40.0}
    (failed,) = [c for c in document["checks"] if c["state"] == "fail"]
    words = f"check failed: {failed['name']} ({failed['figure']})"
    for touches, told in (
        ([], ()),
        ([touch], ("touched once",)),
        ([touch] * 2, ("touched 2 times",)),
    ):
        path.write_text(json.dumps(document | {"touches": touches}), "utf-8")
        assert read_attempt(folder).doubts == (*told, words)


def test_an_attempt_beside_which_another_thing_turns_is_in_doubt_unless_its_centre_was_stated(
    tmp_path,
) -> None:
    folder = folder_of(tmp_path)
    path = folder / "spin.json"
    document = json.loads(path.read_text("utf-8"))
    others = [c for c in document["checks"] if c["name"] != "one thing turns"]
    for state, doubt in (("unchecked", True), ("pass", False)):
        asked = {**others[0], "name": "one thing turns", "state": state}
        path.write_text(json.dumps(document | {"checks": [*others, asked]}), "utf-8")
        words = "another thing turns too: which was meant is not known"
        assert (words in read_attempt(folder).doubts) is doubt
