"""Verdicts on claims: what supports them, what can never, and how the command tells it."""

from __future__ import annotations

import dataclasses
import errno
import itertools
import json
import math
import os
from pathlib import Path
from typing import Any

import pytest
from fabricate import fabricate

from vidspin.claim import (
    NEEDED_CHECKS,
    NOT_SUPPORTED,
    RULES,
    SUPPORTED,
    UNDECIDED,
    Evidence,
    Limits,
    Measured,
    compare_reading,
    conformance_probability,
    decide,
    e_number,
    evidence_of,
    judge_speed,
    judge_time,
)
from vidspin.cli import app
from vidspin.records import Check, Result
from vidspin.store import to_json, write_result
from vidspin.units import parse_reading, parse_speed

GUARDED = RULES["guarded"]
SOUND = tuple(Check(name, "pass", "0", "") for name in NEEDED_CHECKS)


def result(kind: str = "resolved", checks: tuple[Check, ...] = SOUND) -> Result:
    return dataclasses.replace(fabricate(kind), checks=checks)  # type: ignore[arg-type]


def evidence(made: Result) -> Evidence:
    return evidence_of(json.loads(json.dumps(to_json(made))))


def spin_time(made: Result) -> float:
    assert made.spin_time is not None and made.spin_time.seconds is not None
    return made.spin_time.seconds


# --------------------------------------------------------------------------- numbers


def test_value_without_uncertainty_conforms_or_does_not() -> None:
    assert conformance_probability(5.0, 0.0, Limits(lower=5.0)) == 1.0
    assert conformance_probability(5.0, 0.0, Limits(upper=4.9)) == 0.0


@pytest.mark.parametrize(("value", "u"), [(math.nan, 1.0), (1.0, -1.0), (1.0, math.inf)])
def test_what_is_no_measured_value_is_refused(value, u) -> None:
    with pytest.raises(ValueError, match="no measured value"):
        conformance_probability(value, u, Limits(lower=0.0))


def test_two_limits_take_away_on_both_sides() -> None:
    one = conformance_probability(0.0, 1.0, Limits(upper=1.0))
    assert conformance_probability(0.0, 1.0, Limits(-1.0, 1.0)) == pytest.approx(2 * one - 1)


def test_interval_narrower_than_the_uncertainty_supports_nothing() -> None:
    measured = Measured(0.0, 1.0, 2.0)
    assert decide(measured, Limits(-1.5, 1.5), GUARDED) == UNDECIDED


def test_e_number_is_one_where_intervals_of_equal_length_overlap_by_the_root_of_two() -> None:
    assert e_number(10.0 + math.sqrt(2.0), 1.0, 10.0, 1.0) == pytest.approx(1.0)
    with pytest.raises(ValueError, match="cannot be compared"):
        e_number(1.0, 0.0, 1.0, 0.0)


# -------------------------------------------------------------------------- verdicts


def test_sound_recording_supports_what_is_true_and_refutes_what_is_not() -> None:
    made = result()
    e, seconds = evidence(made), spin_time(made)  # u95 0.041 s
    assert judge_time(e, "", Limits(lower=seconds - 0.1), GUARDED).state == SUPPORTED
    assert judge_time(e, "", Limits(lower=seconds), GUARDED).state == UNDECIDED
    assert judge_time(e, "", Limits(lower=seconds + 0.1), GUARDED).state == NOT_SUPPORTED
    near = judge_time(e, "", Limits(lower=seconds - 0.041), GUARDED)
    assert near.probability == pytest.approx(0.975, abs=0.0001)  # one-sided, at U
    assert near.guard == pytest.approx(0.041)


def test_speed_is_judged_with_the_budget_s_coverage_factor() -> None:
    made = result()
    e = evidence(made)
    assert made.release is not None and e.release_rpm is not None
    k = made.curve.budgets[0].k
    assert made.curve.budgets[0].at == "release"
    assert e.release_rpm.u * k == pytest.approx(e.release_rpm.u95)
    limit = Limits(lower=e.release_rpm.value - 2 * e.release_rpm.u95)
    assert judge_speed(e, "", limit, GUARDED).state == SUPPORTED


def broken() -> dict[str, Result]:
    """Results that may support nothing, by what is wrong with them."""
    whole = result()
    assert whole.release is not None and whole.topple is not None
    cases = {
        "order unresolved": dataclasses.replace(
            whole, alias=dataclasses.replace(whole.alias, resolved=False)
        ),
        "release unseen": dataclasses.replace(
            whole, release=dataclasses.replace(whole.release, seen=False)
        ),
        "no release": dataclasses.replace(whole, release=None),
        "topple unseen": dataclasses.replace(
            whole, topple=dataclasses.replace(whole.topple, seen=False)
        ),
        "no topple": dataclasses.replace(whole, topple=None),
        "start only": result("unresolved"),
        "end only": result("partial"),
    }
    for name in (*NEEDED_CHECKS, "loop", "re-timing", "frame gaps"):
        checks = (*(c for c in SOUND if c.name != name), Check(name, "fail", "3 s", ""))
        cases[f"{name} failed"] = dataclasses.replace(whole, checks=checks)
    for name in NEEDED_CHECKS:
        others = tuple(c for c in SOUND if c.name != name)
        cases[f"{name} missing"] = dataclasses.replace(whole, checks=others)
        open_check = (*others, Check(name, "unchecked", "", ""))
        cases[f"{name} unchecked"] = dataclasses.replace(whole, checks=open_check)
    return cases


BROKEN = broken()


@pytest.mark.parametrize(
    ("name", "rule"),
    list(itertools.product(BROKEN, RULES.values())),
    ids=lambda v: getattr(v, "name", v),
)
def test_never_supported_without_order_ends_and_checks(name, rule) -> None:
    """Not even a claim that is far below the measured value."""
    e = evidence(BROKEN[name])
    told = [
        judge_time(e, "", Limits(lower=1.0), rule),
        judge_time(e, "", Limits(lower=1.0, upper=1e6), rule),
        judge_speed(e, "", Limits(lower=1.0), rule),
        judge_speed(evidence(result()), "", Limits(lower=-1e5), rule, other=e),
        judge_speed(e, "", Limits(lower=-1e5), rule, other=evidence(result())),
    ]
    assert SUPPORTED not in {v.state for v in told}
    assert all(v.reason for v in told)


def test_failed_check_also_stands_in_the_way_of_a_refusal() -> None:
    """What is missing from the recording might have made the spin longer."""
    e = evidence(BROKEN["phase continuity failed"])
    told = judge_time(e, "", Limits(lower=1e4), GUARDED)
    assert told.state == UNDECIDED and "not supported" in told.reason


def test_open_order_does_not_keep_a_spin_time_from_being_refuted() -> None:
    e = evidence(BROKEN["order unresolved"])
    assert judge_time(e, "", Limits(lower=1e4), GUARDED).state == NOT_SUPPORTED
    assert judge_speed(e, "", Limits(lower=1e5), GUARDED).state == UNDECIDED


def test_wrong_release_speed_is_refuted_though_the_topple_is_not_filmed() -> None:
    e = evidence(BROKEN["no topple"])
    assert judge_speed(e, "", Limits(lower=1e5), GUARDED).state == NOT_SUPPORTED


def test_part_of_a_spin_says_how_much_it_shows() -> None:
    made = result("partial")
    told = judge_time(evidence(made), "", Limits(lower=1.0), GUARDED)
    assert made.spin_time is not None
    assert told.state == UNDECIDED and told.probability is None
    least = math.floor(100 * made.spin_time.at_least_s) / 100
    assert told.reason.startswith(f"at least {least:.2f} s is measured, but claims are supported")


@pytest.mark.parametrize("u95", [None, 0.0])
def test_value_without_an_uncertainty_decides_nothing(u95) -> None:
    """An uncertainty that is absent is not one of zero, whatever the limit's own is."""
    document = json.loads(json.dumps(to_json(result())))
    document["spin_time"]["u95_s"] = document["release"]["u95_rpm"] = u95
    e = evidence_of(document)
    told = [
        judge_time(e, "", Limits(lower=1.0), GUARDED),
        judge_time(e, "", Limits(lower=1e4), RULES["simple"]),
        judge_time(e, "", Limits(lower=1.0), GUARDED, u95_limit=0.5),
        judge_speed(e, "", Limits(lower=1.0), GUARDED),
        judge_speed(evidence(result()), "", Limits(lower=-1e5), GUARDED, other=e),
    ]
    assert {v.state for v in told} == {UNDECIDED}
    assert {v.probability for v in told} == {None}
    assert all("without an uncertainty" in v.reason for v in told)
    assert f"{document['spin_time']['seconds']:.2f} s of spin time" in told[0].reason
    assert compare_reading(e, 54.0, 0.5).agrees is None


def test_conditions_name_failed_checks_unseen_time_odds_and_stated_instants() -> None:
    from vidspin.records import Settings

    made = fabricate("resolved", settings=Settings(topple_s=57.0, overrule_reason="rim"))
    checks = (*SOUND, Check("hands in the picture", "fail", "1.9 s", ""))
    texts = [c.text for c in evidence(dataclasses.replace(made, checks=checks)).conditions]
    assert any("check failed: hands in the picture (1.9 s)" in t for t in texts)
    assert any("not seen for 0.2 s" in t for t in texts)
    assert any("odds of the alias order" in t and "0 to 6000 rev/min" in t for t in texts)
    assert any("topple is stated by a reviewer" in t for t in texts)


def test_a_check_stands_among_the_conditions_once_and_as_the_summary_counts_it() -> None:
    checks = (
        Check("phase continuity", "unchecked", "0.1 turn", "", look=True),
        Check("speed falls", "pass", "none", "", look=True),
        Check("one spin", "unchecked", "turning also", "", look=True),
    )
    told = [c for c in evidence(result(checks=checks)).conditions if "odds" not in c.text]
    words = {c.text: c.forbids for c in told if "not seen" not in c.text}
    assert words == {
        "could not be checked: phase continuity (0.1 turn)": (SUPPORTED,),
        "a person should look: speed falls (none)": (),
        "could not be checked: one spin (turning also)": (),
    }


def test_odds_are_written_as_everywhere() -> None:
    made = result()
    odds = dataclasses.replace(made.alias, odds=26_213_000.0)
    texts = [c.text for c in evidence(dataclasses.replace(made, alias=odds)).conditions]
    assert any("odds of the alias order: 26 000 000:1, within" in text for text in texts)


def test_longer_than_a_measured_time_takes_in_its_uncertainty() -> None:
    made = result()
    limits = Limits(lower=spin_time(made) - 0.1)
    sharp = judge_time(evidence(made), "", limits, GUARDED)
    dull = judge_time(evidence(made), "", limits, GUARDED, u95_limit=0.5)
    assert (sharp.state, dull.state) == (SUPPORTED, UNDECIDED)
    assert dull.guard == pytest.approx(math.hypot(0.041, 0.5))


def test_faster_than_another_result_is_judged_on_the_difference() -> None:
    slow, fast = evidence(result()), evidence(result())
    assert fast.release_rpm is not None
    faster = dataclasses.replace(
        fast, release_rpm=dataclasses.replace(fast.release_rpm, value=fast.release_rpm.value + 50)
    )
    told = judge_speed(faster, "", Limits(lower=0.0), GUARDED, other=slow)
    assert told.state == SUPPORTED
    assert told.measured is not None and told.measured.value == pytest.approx(50.0)
    assert told.measured.u95 == pytest.approx(math.sqrt(2) * fast.release_rpm.u95)
    equal = judge_speed(fast, "", Limits(lower=0.0), GUARDED, other=slow)
    assert equal.state == UNDECIDED and equal.probability == pytest.approx(0.5)


def test_witness_is_compared_and_changes_nothing() -> None:
    made = result()
    e, seconds = evidence(made), spin_time(made)
    near = compare_reading(e, seconds + 0.3, 0.5)
    assert near.e_number == pytest.approx(0.3 / math.hypot(0.5, 0.041))
    assert near.agrees
    assert compare_reading(e, seconds + 0.7, 0.5).agrees is False
    assert compare_reading(evidence(result("partial")), seconds, 0.5).agrees is None


# -------------------------------------------------------------------------- readings


@pytest.mark.parametrize(
    "text", ["2497.2±0.5", "0:41:37.2 ± 0.5 s", "41m37.2s +/- 0.5", "2497.2+-0.5"]
)
def test_readings_are_read_as_people_write_them(text) -> None:
    assert parse_reading(text) == (2497.2, 0.5)


@pytest.mark.parametrize("text", ["2497.2", "2497.2±0", "±0.5", "2497.2±0.5±0.1", "a±b", ""])
def test_readings_without_an_uncertainty_are_refused(text) -> None:
    with pytest.raises(ValueError, match=r"2497\.2±0\.5|41m37s"):
        parse_reading(text)


def test_speeds_are_read_with_and_without_their_unit() -> None:
    assert {parse_speed(t) for t in ("1834.5", "1834.5 rpm", "1834.5rev/min", " 1834.5 RPM ")} == {
        1834.5
    }
    for text in ("", "fast", "-3", "1e3", "1834 Hz"):
        with pytest.raises(ValueError, match="not a speed"):
            parse_speed(text)


# --------------------------------------------------------------------------- command


def stored(made: Result, folder: Path) -> Path:
    write_result(made, {}, folder)
    return folder


def run(*arguments: object) -> int:
    return app.main(["claim", *map(str, arguments)])


def told_json(capsys: Any) -> dict[str, Any]:
    return json.loads(capsys.readouterr().out)


def test_command_says_supported_with_exit_0(tmp_path, capsys) -> None:
    made = result()
    folder = stored(made, tmp_path / "wren.spin")
    assert run(folder, "--spin-time", f"{spin_time(made) - 1:.1f}") == 0
    out = capsys.readouterr().out
    assert ": SUPPORTED" in out and "w = U, JCGM 106:2012" in out and "± 0.041 s" in out
    assert "odds of the alias order" in out


def test_command_gives_json_and_exit_6_when_not_supported(tmp_path, capsys) -> None:
    folder = stored(result(), tmp_path / "wren.spin")
    assert run(folder, "--spin-time", "0:41:37", "--stopwatch", "54.1±0.5", "--json") == 6
    told = told_json(capsys)
    (claim,) = told["claims"]
    assert claim["verdict"] == "not supported" and claim["lower"] == 2497.0
    assert claim["probability"] == 0.0 and claim["rule"] == "guarded acceptance"
    (reading,) = told["stopwatch"]
    expected = (54.1 - claim["measured"]) / math.hypot(0.5, claim["u95"])
    assert reading["e_number"] == pytest.approx(expected)


def test_command_judges_several_claims_and_all_must_hold(tmp_path, capsys) -> None:
    folder = stored(result(), tmp_path / "wren.spin")
    assert run(folder, "--longer-than", "30±0.2", "--speed", "1500 rpm", "--json") == 0
    assert [c["verdict"] for c in told_json(capsys)["claims"]] == ["supported"] * 2
    assert run(folder, "--longer-than", "30", "--speed", "2500", "--json") == 6
    assert [c["verdict"] for c in told_json(capsys)["claims"]] == ["supported", "not supported"]


def test_within_asks_for_the_value_itself(tmp_path, capsys) -> None:
    made = result()
    folder = stored(made, tmp_path / "wren.spin")
    near = f"{spin_time(made) - 1:.1f}"
    assert run(folder, "--spin-time", near, "--within", "0.5") == 6
    assert "supported from" in capsys.readouterr().out
    assert run(folder, "--spin-time", near, "--within", "0.01") == 6
    told = capsys.readouterr().out  # it read "supported from 42.9 to 42.1 s"
    assert "no measured value supports a claim that is closer than ±" in told
    assert run(folder, "--spin-time", near, "--within", "1.5 s") == 0
    assert "within ±1.5 s" in capsys.readouterr().out


def test_faster_than_reads_the_other_result(tmp_path, capsys) -> None:
    one = stored(result(), tmp_path / "wren.spin")
    other = stored(result("unresolved"), tmp_path / "robin.spin")
    assert run(one, "--faster-than", other, "--json") == 6
    (claim,) = told_json(capsys)["claims"]
    assert claim["verdict"] == "undecided" and claim["measured"] is None
    assert any("unresolved" in c["text"] for c in claim["conditions"])


def test_a_stopwatch_that_disagrees_stands_among_the_conditions(tmp_path, capsys) -> None:
    made = result()
    folder, claimed = stored(made, tmp_path / "wren.spin"), f"{spin_time(made) - 1:.1f}"
    near = f"{spin_time(made):.1f}±0.5"
    assert run(folder, "--spin-time", claimed, "--speed", "1500", "--stopwatch", near,
               "--stopwatch", "50±0.5", "--json") == 0  # fmt: skip
    time, speed = told_json(capsys)["claims"]
    (listed,) = [c for c in time["conditions"] if "stopwatch" in c["text"]]
    assert listed["text"].startswith("a person should look: stopwatch 2 disagrees")
    assert listed["forbids"] == []
    assert not any("stopwatch" in c["text"] for c in speed["conditions"])


def test_a_speed_that_nobody_can_judge_says_why(tmp_path, capsys) -> None:
    made = result()
    dull = dataclasses.replace(
        made.release, speed_rad_s=None, u95_rad_s=None, speed_lacking="too dim"
    )
    folder = stored(dataclasses.replace(made, release=dull), tmp_path / "wren.spin")
    assert run(folder, "--speed", "1500") == 6
    out = capsys.readouterr().out
    assert "UNDECIDED" in out and "no single speed at the release is known: too dim" in out


def test_a_broken_off_spin_tells_what_is_measured_of_it(tmp_path, capsys) -> None:
    folder = stored(result("partial"), tmp_path / "wren.spin")
    assert run(folder, "--spin-time", "5") == 6
    least = json.loads((folder / "spin.json").read_text("utf-8"))["spin_time"]["at_least_s"]
    told = f"at least {math.floor(100 * least) / 100:.2f} s is measured, but claims are supported"
    assert f"{told} only where both ends were filmed" in capsys.readouterr().out


def test_a_dossier_is_no_result_and_says_where_one_is(tmp_path, capsys) -> None:
    folder = stored(result(), tmp_path / "wren.dossier" / "data" / "result")
    assert run(tmp_path / "wren.dossier", "--speed", "1500") == 2
    assert f"a dossier, not a result folder; give {folder}" in capsys.readouterr().err


def test_a_claimed_release_speed_reads_well(tmp_path, capsys) -> None:
    folder = stored(result(), tmp_path / "wren.spin")
    run(folder, "--speed", "1500")
    assert ": released with at least 1500 rev/min: " in capsys.readouterr().out
    run(folder, "--speed", "1500", "--within", "5")
    assert ": released at 1500 rev/min within ±5 rev/min: " in capsys.readouterr().out


def test_stopwatch_alone_is_compared(tmp_path, capsys) -> None:
    made = result()
    folder = stored(made, tmp_path / "wren.spin")
    assert run(folder, "--stopwatch", f"{spin_time(made):.1f}+-0.5") == 0
    assert "agrees" in capsys.readouterr().out
    assert run(folder, "--stopwatch", "50±0.5") == 0
    assert "DISAGREES" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((), "no claim is stated"),
        (("--spin-time", "long"), "--spin-time"),
        (("--speed", "fast"), "--speed"),
        (("--longer-than", "1±"), "--longer-than"),
        (("--stopwatch", "2497"), "2497.2±0.5"),
        (("--within", "1"), "--within"),
        (("--spin-time", "1", "--speed", "1", "--within", "1"), "--within"),
        (("--spin-time", "1", "--rule", "kind"), "guarded or simple"),
        (("--faster-than", "nowhere.spin"), "nowhere.spin"),
    ],
)
def test_what_cannot_be_read_is_told_in_one_line_with_exit_2(
    tmp_path, capsys, arguments, told
) -> None:
    folder = stored(result(), tmp_path / "wren.spin")
    assert run(folder, *arguments) == 2
    err = capsys.readouterr().err
    assert told in err and err.count("\n") == 1


def test_damaged_result_is_told_not_a_bug(tmp_path, capsys) -> None:
    folder = stored(result(), tmp_path / "wren.spin")
    document = json.loads((folder / "spin.json").read_text("utf-8"))
    del document["alias"]["bounds_rpm"]
    (folder / "spin.json").write_text(json.dumps(document), "utf-8")
    assert run(folder, "--spin-time", "30") == 2
    assert "the file is damaged" in capsys.readouterr().err


def test_a_result_that_may_not_be_read_is_not_called_damaged(
    tmp_path, capsys, monkeypatch
) -> None:  # fmt: skip
    folder = stored(result(), tmp_path / "wren.spin")
    refused = PermissionError(errno.EACCES, os.strerror(errno.EACCES), "spin.json")

    def locked(path: Path) -> bytes:
        raise refused

    monkeypatch.setattr("vidspin.store.folder._content", locked)
    assert run(folder, "--spin-time", "30") == 2
    err = capsys.readouterr().err
    assert "spin.json: it cannot be read (Permission denied)" in err and "damaged" not in err


def test_name_of_a_recording_cannot_steer_the_terminal(tmp_path, capsys) -> None:
    made = result()
    footage = dataclasses.replace(made.footage, name="wren\x1b[2J")
    folder = stored(dataclasses.replace(made, footage=footage), tmp_path / "wren.spin")
    run(folder, "--spin-time", "30")
    assert "\x1b" not in capsys.readouterr().out
