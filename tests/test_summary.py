"""The terminal summary: every figure is the result's, doubt is said first."""

from __future__ import annotations

import dataclasses
import math
import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fabricate import END_RPM, START_RPM, Kind, fabricate

from vidspin.cli.measure import _of_ends
from vidspin.figures.style import facts_line
from vidspin.records import Basis, CameraProfile, Result, Settings, StreamOutcome, TouchSearch, Vote
from vidspin.summary import summarise
from vidspin.units import rpm_from_rad_s
from vidspin.wording import at_least, instant, odds, percent, signed, with_u95

KINDS: tuple[Kind, ...] = ("resolved", "unresolved", "partial")


def line(text: str, label: str) -> str:
    """Return what stands behind a label."""
    found = [row for row in text.splitlines() if row.startswith(f"  {label} ")]
    assert len(found) == 1, (label, text)
    return found[0].removeprefix(f"  {label}").strip()


def test_a_file_that_players_mirror_says_whose_sense_of_rotation_it_is() -> None:
    result = fabricate()
    chapters = tuple(dataclasses.replace(c, mirrored=True) for c in result.footage.chapters)
    footage = dataclasses.replace(result.footage, chapters=chapters)
    mirrored = dataclasses.replace(result, footage=footage)
    told = line(summarise(mirrored), "direction")
    assert told.startswith("clockwise as the stored pictures show it; players mirror this file")
    assert "players mirror this file" in facts_line(mirrored)


def test_a_release_speed_that_is_lacking_says_why() -> None:
    result = fabricate()
    assert result.release is not None
    dull = dataclasses.replace(
        result.release, speed_rad_s=None, u95_rad_s=None, speed_lacking="too dim"
    )
    text = summarise(dataclasses.replace(result, release=dull))
    assert "\n                its speed is not told: too dim\n" in text


def test_summary_tells_the_figures_of_the_result() -> None:
    result = fabricate()
    text = summarise(result)
    release, topple, spin = result.release, result.topple, result.spin_time
    assert release is not None
    assert topple is not None
    assert spin is not None
    assert release.speed_rad_s is not None
    assert release.u95_rad_s is not None
    speed, u95 = rpm_from_rad_s(release.speed_rad_s), rpm_from_rad_s(release.u95_rad_s)
    assert f"{speed:.2f} ± {u95:.2f} rev/min" in line(text, "release")
    assert line(text, "release").startswith("0:00:02.133 ± 0.034 s")
    assert line(text, "topple").startswith("0:00:56.400 ± 0.034 s")
    assert line(text, "spin time") == "54.267 ± 0.041 s"
    assert result.revolutions is not None
    assert line(text, "revolutions").startswith(f"{result.revolutions.count:.3f} ± 0.020")
    assert "0.031 turns" in line(text, "revolutions")
    last = float(
        rpm_from_rad_s(result.curve.speed_rad_s[np.isfinite(result.curve.speed_rad_s)])[-1]
    )
    assert line(text, "last speed").startswith(f"{last:.2f} ±")
    assert line(text, "direction") == "clockwise as the camera sees it"
    order = line(text, "alias order")
    assert order.startswith("+1 at")
    assert "46 000 000:1" in order
    assert order.endswith("decided by run-down chain")
    assert "0 to 6000 rev/min, assumed by default" in text
    assert "1798 frames" in line(text, "recording")
    assert "29.97 frames/s" in line(text, "recording")


def test_summary_opens_with_the_answer() -> None:
    first = summarise(fabricate()).splitlines()[0]
    assert first.startswith("evening_07: spun for 54.267 ± 0.041 s, released at ")
    assert first.endswith("rev/min, clockwise")


def test_summary_is_short_enough_to_read() -> None:
    for kind in KINDS:
        rows = summarise(fabricate(kind)).splitlines()
        assert len(rows) <= 30
        assert max(map(len, rows)) <= 110


def test_failed_checks_are_named_with_their_figure() -> None:
    text = summarise(fabricate())
    assert line(text, "checks") == "4 passed, 1 FAILED, 1 could not be checked"
    assert "FAILED hands in the picture: 1.9 s; something covers the top at 0:00:31" in text


def test_a_pass_that_a_person_should_judge_is_no_plain_pass() -> None:
    result = fabricate()
    asked = dataclasses.replace(result.checks[0], state="pass", look=True)
    text = summarise(dataclasses.replace(result, checks=(asked, *result.checks[1:])))
    assert line(text, "checks") == ("3 passed, 1 to be looked at, 1 FAILED, 1 could not be checked")
    assert f"look at {asked.name}, in the report" in text


def test_touches_are_told_with_the_stretch_in_which_they_were_looked_for() -> None:
    result = fabricate()
    search = result.touch_search
    assert search is not None and search.pushes_to_s is not None
    text = summarise(result)
    (touch,) = result.touches
    assert line(text, "touches") == instant(touch.time_s, touch.u95_s)
    assert f"  looked for from {instant(search.from_s)} to {instant(search.to_s)}\n" in text
    assert (
        f"  later only hard pushes are told from the fall, to {instant(search.pushes_to_s)}\n"
        in text
    )
    none = dataclasses.replace(
        result, touches=(), touch_search=TouchSearch(2.0, 30.0, None, ((5.0, 6.5),))
    )
    assert line(summarise(none), "touches") == (
        "none found from 0:00:02.0 to 0:00:30.0 but for 1.5 s unseen between"
    )
    short = dataclasses.replace(none, touch_search=None)
    assert line(summarise(short), "touches").startswith("not looked for")


def test_files_are_named() -> None:
    text = summarise(fabricate(), folder=Path("somewhere/a.spin"), files=["spin.json", "a.png"])
    assert line(text, "files") == str(Path("somewhere/a.spin"))
    assert "spin.json, a.png" in text


def test_unresolved_is_said_first_and_no_speed_is_claimed() -> None:
    result = fabricate("unresolved")
    text = summarise(result)
    rows = text.splitlines()
    assert rows[0] == "evening_07: ALIAS ORDER UNRESOLVED, so there is no single speed"
    assert "released at" not in text
    assert "revolutions" not in text
    assert "last speed" not in text
    assert "rev/min" not in line(text, "release")


def test_unresolved_lists_candidates_with_what_each_would_need() -> None:
    result = fabricate("unresolved")
    text = summarise(result)
    for candidate in result.alias.candidates:
        row = next(r for r in text.splitlines() if r.split()[:1] == [signed(candidate.order)])
        assert f"{abs(candidate.rpm):.1f}" in row
        assert percent(candidate.probability) in row
        assert f"{1000 * (candidate.readout_s or math.nan):.1f} ms" in row
    assert "a negative readout" in text


def test_nobody_is_told_to_learn_the_camera_who_gave_a_profile_of_it() -> None:
    result = fabricate("unresolved")
    profile = CameraProfile("phone", 640, 360, Fraction(30))
    aside = Vote("camera profile", (0.0,) * len(result.alias.candidates), "abstains", "set aside")
    alias = dataclasses.replace(result.alias, votes=(*result.alias.votes, aside))
    settings = dataclasses.replace(result.settings, camera=profile)
    given = dataclasses.replace(result, alias=alias, settings=settings)
    text = summarise(given)
    assert "learn the camera" not in text and "learn the camera" in summarise(result)
    assert line(text, "profile") == "set aside"


def test_unresolved_says_what_would_resolve_it() -> None:
    text = summarise(fabricate("unresolved"))
    assert "--between LOW HIGH" in text
    assert "until the top falls" in text
    assert "higher frame rate" in text
    assert result_reason() in text


def result_reason() -> str:
    return fabricate("unresolved").alias.reason


def test_bounds_of_the_user_are_called_so() -> None:
    text = summarise(fabricate(settings=Settings(bounds_rpm=(1500.0, 2100.0))))
    assert line(text, "bounds") == "1500 to 2100 rev/min, as you stated"


def test_a_speed_that_nothing_was_weighed_against_has_no_odds() -> None:
    result = fabricate()
    verdict = dataclasses.replace(
        result.alias, candidates=result.alias.candidates[:1],
        reason="only one speed lies within the bounds",
    )  # fmt: skip
    told = line(summarise(dataclasses.replace(result, alias=verdict)), "alias order")
    assert told.startswith("+1 at") and told.endswith("only one speed lies within the bounds")
    assert "odds" not in told


def test_an_end_out_of_the_recording_is_said() -> None:
    text = summarise(fabricate("partial"))
    assert line(text, "topple") == "not seen in the recording"
    assert line(text, "spin time").startswith("at least 57.86 s")
    assert "spun for at least 57.86 s" in text  # 57.867 s cut: a limit is not rounded up


def test_overruled_event_shows_both_values() -> None:
    stated = Settings(release_s=3.0, overrule_reason="thumb")
    text = line(summarise(fabricate(settings=stated)), "release")
    assert text.startswith("0:00:03.000")
    assert "stated by you (thumb); measured: 0:00:02.133" in text


def test_slow_motion_states_the_time_scale() -> None:
    result = fabricate()
    slow = dataclasses.replace(
        result.footage, time_scale=Fraction(1, 8), time_scale_from="tag and sound agree on 240"
    )
    text = line(summarise(dataclasses.replace(result, footage=slow)), "time")
    assert text == "1 s of the file is 1/8 s of the scene; tag and sound agree on 240"


def test_faults_of_the_file_are_told() -> None:
    outcome = StreamOutcome(900, 0, ("the file ends early",))
    text = summarise(dataclasses.replace(fabricate(), outcome=outcome))
    assert line(text, "fault") == "the file ends early"


def bare(result: Result) -> Result:
    nan = np.full_like(result.curve.time_s, np.nan)
    return dataclasses.replace(
        result,
        release=None,
        topple=None,
        direction=None,
        spin_time=None,
        revolutions=None,
        checks=(),
        curve=dataclasses.replace(result.curve, speed_rad_s=nan),
        alias=dataclasses.replace(result.alias, candidates=(), votes=()),
    )


def test_result_without_findings_can_be_summed_up() -> None:
    text = summarise(bare(fabricate()))
    assert line(text, "last speed") == "not known"
    assert line(text, "revolutions").startswith("not counted: ")
    assert line(text, "checks") == "none made"
    assert "nan" not in text.lower()


# -------------------------------------------------------------------------- wording


@pytest.mark.parametrize(
    ("value", "u95", "words"),
    [
        (1834.2137, 0.3512, "1834.21 ± 0.35 rev/min"),
        (1834.2137, 4.2, "1834.2 ± 4.2 rev/min"),
        (1834.2137, 42.0, "1834 ± 42 rev/min"),
        (1834.2137, 420.0, "1834 ± 420 rev/min"),
        (0.0, 0.00042, "0.00000 ± 0.00042 rev/min"),
        (1834.2137, None, "1834.2 rev/min"),
        (1834.2137, math.nan, "1834.2 rev/min"),
    ],
)
def test_value_has_the_digits_its_uncertainty_deserves(
    value: float, u95: float | None, words: str
) -> None:
    assert with_u95(value, u95, "rev/min") == words


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (1.63, "1.6:1"),
        (0.25, "1:4"),
        (0.0, "none"),
        (46_123_456.0, "46 000 000:1"),
        (1000.0, "1 000:1"),
        (1e12, "over 1e9:1"),
        (math.inf, "over 1e9:1"),
        (math.nan, "not known"),
    ],
)
def test_odds_in_words(value: float, words: str) -> None:
    assert odds(value) == words


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0.0, "0.0 %"),
        (1e-6, "< 0.1 %"),
        (0.03, "3.0 %"),
        (0.62, "62 %"),
        (0.9949, "99.5 %"),
        (1 - 1e-6, "> 99.9 %"),
        (1.0, "> 99.9 %"),
    ],
)
def test_small_and_great_probabilities_are_not_rounded_to_certainty(
    probability: float, words: str
) -> None:
    assert percent(probability) == words


def test_doubt_of_nothing_is_no_doubt_told() -> None:
    assert with_u95(248.43, 0.0) == "248.4"
    assert instant(1.5, 0.0) == "0:00:01.5"


def test_limits_are_cut() -> None:
    assert at_least(57.8699, "s") == "at least 57.86 s"
    assert at_least(12.3, "s") == "at least 12.30 s"  # 12.3 is 12.30000000000000071 in binary
    assert at_least(0.29, "s") == "at least 0.29 s"  # and 0.29 is 0.28999999999999998


def test_instants_read_as_hours_minutes_seconds() -> None:
    assert instant(2497.25, 0.034) == "0:41:37.250 ± 0.034 s"
    assert instant(2497.25) == "0:41:37.2"


def test_invented_speeds_are_the_ones_asked_for() -> None:
    speeds = fabricate("partial", duration_s=600).curve.speed_rad_s
    known = rpm_from_rad_s(speeds[np.isfinite(speeds)])
    assert known.max() < START_RPM
    assert known.min() > END_RPM


def test_facts_that_were_told_are_shown() -> None:
    told = dataclasses.replace(fabricate(duration_s=12.0), facts={"tip": "ruby", "room": 21.5})
    assert re.search(r"^  facts +room=21\.5, tip=ruby$", summarise(told), flags=re.MULTILINE)
    assert " facts " not in summarise(fabricate(duration_s=12.0))


@pytest.mark.parametrize(
    ("turns_lack", "stated", "why"),
    [
        (True, True, "turns may be missing or counted twice where the mark's angle steps"),
        (False, True, "a stated end lies beyond what was seen"),
        (False, False, "too little of the spin is seen"),
    ],
)
def test_turns_that_are_not_counted_are_told_with_the_reason(
    turns_lack: bool, stated: bool, why: str
) -> None:
    made = fabricate("resolved", settings=Settings(topple_s=57.0 if stated else None))
    assert made.revolutions is not None
    none = dataclasses.replace(made.revolutions, count=None, u95=None)
    no = np.full(3, np.nan)
    basis = Basis(no, no, np.zeros((3, 0)), no, np.full(3, not turns_lack), no, no)
    told = summarise(dataclasses.replace(made, revolutions=none, basis=basis))
    assert f"not counted: {why}" in told


def test_what_is_left_of_a_result_that_was_written_still_tells_the_reason() -> None:
    """The command lets go of the frames' tables before it tells the summary."""
    made = fabricate("resolved")
    assert made.revolutions is not None
    none = dataclasses.replace(made.revolutions, count=None, u95=None)
    no = np.full(3, np.nan)
    closed: Any = None  # as the file of the answers is by then
    basis = Basis(no, no, closed, no, np.full(3, False), no, no)
    left = _of_ends(dataclasses.replace(made, revolutions=none, basis=basis))
    assert "counted twice" in line(summarise(left), "revolutions")
