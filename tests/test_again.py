"""A result worked out again without its recording: what may change, and what may not."""

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from vidspin.again import CHECK, narrowed
from vidspin.claim import RULES, UNDECIDED, Limits, evidence_of, judge_time
from vidspin.cli.app import main
from vidspin.errors import ExitCode, UsageError
from vidspin.night.clips import key_of
from vidspin.records import AliasVerdict, Candidate, Vote
from vidspin.store import load_schema, read_result
from vidspin.store.attempts import read_attempt
from vidspin.wording import unseen_before


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("again") / "dunlin.mp4"
    told = ["--rpm", "620", "--law", "exponential:25", "--size", "240x180", "--seconds", "8"]
    assert main(["simulate", str(path), *told, "--quiet"]) == ExitCode.DONE
    return path


@pytest.fixture(scope="module")
def wide(clip: Path) -> Path:
    """Under the default bounds several orders fit."""
    assert main(["measure", str(clip), "--quiet"]) == ExitCode.UNRESOLVED
    return clip.with_suffix(".spin")


def anew(source: Path, out: Path, *options: str) -> tuple[int, Path]:
    if {"--release", "--topple"} & {*options} and "--reason" not in options:
        options = (*options, "--reason", "seen in the pictures")
    code = main(["measure", "--from", str(source), "--out", str(out), "--quiet", *options])
    return code, out / source.name


def document(folder: Path) -> dict[str, Any]:
    said: dict[str, Any] = json.loads((folder / "spin.json").read_text("utf-8"))
    return said


def test_without_other_options_the_same_bytes_come_out(wide: Path, tmp_path: Path) -> None:
    code, made = anew(wide, tmp_path)
    assert code == ExitCode.UNRESOLVED
    for name in ("speed.csv", "candidates.csv", "sightings.npz", "speed.png", "survey.png"):
        assert (made / name).read_bytes() == (wide / name).read_bytes(), name
    old, new = document(wide), document(made)
    jsonschema.validate(new, load_schema())
    assert new.pop("recomputed")["changed"] == []
    assert new["checks"].pop()["name"] == CHECK
    new["created"] = old["created"]
    assert new == old


def test_the_readout_of_one_candidate_is_no_fact_until_the_speed_is_one(
    wide: Path, tmp_path: Path
) -> None:
    """The candidates' table tells what each of them needs; the page claims none."""
    said, page = document(wide), (wide / "report.html").read_text("utf-8")
    told = [said["camera"][key] for key in ("readout_s", "exposure_s")]
    assert all("for that candidate alone" in q["how"] for q in told if q is not None)
    assert told[0] is not None and "the speed that was found" not in told[0]["how"]
    assert "Camera: readout, exposure" in page and "what each candidate speed needs" in page
    best = abs(said["alias"]["candidates"][0]["rpm"])
    code, made = anew(wide, tmp_path, "--between", f"{best - 100:.0f}", f"{best + 100:.0f}")
    assert code == ExitCode.DONE
    now = document(made)["camera"]
    assert now["readout_s"] == told[0] | {"how": "fitted, with the speed that was found"}
    assert now["centre_row_offset_s"] == said["camera"]["centre_row_offset_s"]
    assert "Camera: readout, exposure" not in (made / "report.html").read_text("utf-8")


def test_a_hum_that_may_be_the_top_s_own_stays_open(wide: Path, tmp_path: Path) -> None:
    kept = shutil.copytree(wide, tmp_path / "kept.spin")
    said = document(kept)
    note = "multiples of the spin's own rate pass there: it may be the top that hums"
    clock = said["checks"][-1] | {
        "name": "sound clock", "state": "unchecked", "kind": "sound", "look": True, "note": note,
        "figure": "-1.09 ± 0.45 % by a hum at 50, 100 Hz",
    }  # fmt: skip
    said["checks"].append(clock)
    (kept / "spin.json").write_text(json.dumps(said), "utf-8")
    best = abs(said["alias"]["candidates"][0]["rpm"])
    bounds = ("--between", f"{best - 100:.0f}", f"{best + 100:.0f}")
    code, made = anew(kept, tmp_path / "again", *bounds)
    assert code == ExitCode.DONE
    assert next(c for c in document(made)["checks"] if c["name"] == "sound clock") == clock


def test_narrower_bounds_and_rows_equal_a_new_measurement(
    clip: Path, wide: Path, tmp_path: Path
) -> None:
    best = abs(document(wide)["alias"]["candidates"][0]["rpm"])
    options = ("--between", f"{best - 100:.0f}", f"{best + 100:.0f}", "--every", "0.5")
    measured = main(["measure", str(clip), "--out", str(tmp_path / "new"), "--quiet", *options])
    code, made = anew(wide, tmp_path / "again", *options)
    assert measured == code == ExitCode.DONE
    new, again = read_result(tmp_path / "new" / wide.name), read_result(made)
    # the candidates' readouts are fitted one by one, so that fewer of them change nothing else
    np.testing.assert_allclose(again.speed["rpm"], new.speed["rpm"], rtol=1e-9)
    np.testing.assert_allclose(again.speed["u95_rpm"], new.speed["u95_rpm"], rtol=1e-4)
    assert len(again.speed["rpm"]) > 12
    assert again.document["alias"]["order_at_release"] == new.document["alias"]["order_at_release"]
    assert not (made / "candidates.csv").exists()
    assert again.document["recomputed"]["changed"] == ["--every", "--between"]
    check = again.document["checks"][-1]
    assert check["state"] == "unchecked" and "--every, --between changed" in check["figure"]
    assert CHECK in (made / "report.html").read_text("utf-8")


def test_a_stated_release_overrules_and_both_stay(wide: Path, tmp_path: Path) -> None:
    _, made = anew(wide, tmp_path, "--release", "2.5", "--reason", "seen in slow motion")
    said = document(made)
    assert said["release"]["time_s"] == 2.5 and said["release"]["overruled"]
    assert said["release"]["reason"] == "seen in slow motion"
    first = document(wide)["spin_time"]["at_least_s"]
    assert said["spin_time"]["at_least_s"] == pytest.approx(first - 2.5, abs=0.1)
    assert not any(s["kind"] == "release" for s in said["stills"])


def test_a_stated_end_is_as_unsure_whenever_it_was_stated(wide: Path, tmp_path: Path) -> None:
    """Before the bounds or with them; an earlier version left out what is open of the stamp."""
    best = abs(document(wide)["alias"]["candidates"][0]["rpm"])
    bounds = ("--between", f"{best - 100:.0f}", f"{best + 100:.0f}")
    _, first = anew(wide, tmp_path / "first", "--release", "2.5")
    was = document(first)
    _, at_once = anew(wide, tmp_path / "once", "--release", "2.5", *bounds)
    new = document(at_once)
    assert new["release"]["u95_s"] <= was["release"]["u95_s"]
    _, later = anew(first, tmp_path / "later", *bounds)
    old = shutil.copytree(first, tmp_path / "old" / wide.name)
    was["release"]["u95_s"] = 0.001
    (old / "spin.json").write_text(json.dumps(was), "utf-8")
    _, anew_old = anew(old, tmp_path / "anew", *bounds)
    for made in (later, anew_old):
        for key in ("release", "spin_time", "revolutions"):
            assert document(made)[key] == new[key], key


def test_nothing_beyond_the_stated_ends_is_told_of_the_spin(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bounds = ("--between", "550", "690")
    assert main(["measure", str(clip), "--out", str(tmp_path), "--quiet", *bounds]) == 0
    kept = tmp_path / clip.with_suffix(".spin").name
    was = document(kept)
    was["revolutions"]["unseen_s"] = 3.0  # of a gap that lies before the release stated now
    (kept / "spin.json").write_text(json.dumps(was), "utf-8")
    ends = ("--release", "2.3", "--topple", "6.2", "--reason", "seen in slow motion")
    capsys.readouterr()
    again = ["measure", "--from", str(kept), "--out", str(tmp_path / "again"), *ends]
    assert main(again) == ExitCode.DONE
    last = next(s for s in capsys.readouterr().out.splitlines() if "last speed" in s)
    assert last.endswith("at 0:00:05.5")
    said = document(tmp_path / "again" / kept.name)
    assert said["revolutions"]["unseen_s"] == 0.0
    assert all(2.3 <= line["time_s"] <= 6.2 for line in said["budget_totals"])
    attempt = read_attempt(tmp_path / "again" / kept.name)
    assert attempt.rows is not None
    assert attempt.rows.time_s.tolist() == pytest.approx([2.5, 3.5, 4.5, 5.5])
    assert main(["measure", str(clip), "--out", str(tmp_path / "new"), *bounds, *ends]) == 0
    assert last in capsys.readouterr().out
    new = document(tmp_path / "new" / kept.name)
    assert [b["time_s"] for b in new["budget_totals"]] == [2.5, 4.5, 5.5]


def test_every_check_of_chapters_keeps_its_own_answer(clip: Path, tmp_path: Path) -> None:
    """Theirs has one check more, between those of the file and those of its sound."""
    later = tmp_path / "dunlin_2.mp4"
    told = ["--rpm", "450", "--law", "exponential:25", "--size", "240x180", "--seconds", "5"]
    assert main(["simulate", str(later), *told, "--quiet"]) == ExitCode.DONE
    both = [str(clip), str(later), "--chapters", "--out", str(tmp_path), "--quiet"]
    main(["measure", *both, "--between", "550", "690"])
    folder = tmp_path / clip.with_suffix(".spin").name
    _, made = anew(folder, tmp_path / "again")
    old, new = document(folder)["checks"], document(made)["checks"][:-1]
    assert [c["name"] for c in old] == [c["name"] for c in new]
    assert old[-1]["name"] != "time between chapters" and len(old) > 15
    for before, after in zip(old, new, strict=True):
        assert (before["state"], before["note"]) == (after["state"], after["note"])
    # with the release behind the seam it is no question of this spin
    _, made = anew(folder, tmp_path / "later", "--release", "8.5")
    assert "time between chapters" not in {c["name"] for c in document(made)["checks"]}


def test_a_release_that_only_the_reviewer_saw_is_as_unsure_as_when_measured(
    clip: Path, wide: Path, tmp_path: Path
) -> None:
    bounds = ("--between", "550", "690")
    assert main(["measure", str(clip), "--out", str(tmp_path), "--quiet", *bounds]) == 0
    told = [
        "--release",
        "2.5",
        "--reason",
        "seen",
        "--out",
        str(tmp_path / "new"),
        "--quiet",
        *bounds,
    ]
    assert main(["measure", str(clip), *told]) == 0
    _, made = anew(tmp_path / wide.name, tmp_path / "again", "--release", "2.5")
    measured, said = document(tmp_path / "new" / wide.name), document(made)
    for key in ("u95_s", "rpm", "u95_rpm"):
        assert said["release"][key] == pytest.approx(measured["release"][key], rel=0.02), key


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--marks", "2"), "--marks: it needs the recording itself"),
        (("--between", "0", "9000"), "only 0 to 6000 rev/min were weighed"),
        (("--topple", "8.5"), "8.5 s is outside the recording, which is 8.00 s long"),
        (("--release", "500"), "500 s is outside the recording"),
        (("--between", "5990", "6000"), "exclude the speed under which the angles were read"),
    ],
)
def test_what_needs_the_recording_is_refused(
    wide: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], options: Any, says: str
) -> None:
    code, made = anew(wide, tmp_path, *options)
    assert code == ExitCode.USAGE and says in capsys.readouterr().err and not made.exists()


@pytest.fixture(scope="module")
def fallen(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its topple is in the recording, with seconds of rest behind it."""
    path = tmp_path_factory.mktemp("fallen") / "dunlin.mp4"
    told = ["--rpm", "620", "--law", "exponential:40", "--size", "240x180", "--seconds", "25"]
    assert main(["simulate", str(path), *told, "--topple", "20", "--quiet"]) == ExitCode.DONE
    bounds = ["--between", "550", "700", "--quiet"]
    assert main(["measure", str(path), *bounds]) == ExitCode.DONE
    return path.with_suffix(".spin")


def test_ends_beyond_what_was_looked_at_take_the_checks_back(fallen: Path, tmp_path: Path) -> None:
    old = document(fallen)
    assert old["topple"]["time_s"] == pytest.approx(20.0, abs=0.3)
    code, made = anew(fallen, tmp_path, "--topple", "24.5")
    new = document(made)
    assert code == ExitCode.DONE and new["topple"]["overruled"]
    states = {check["name"]: check["state"] for check in new["checks"]}
    assert states["mark seen"] == states["phase continuity"] == "unchecked"
    beyond = 24.5 - old["topple"]["time_s"]
    unseen = new["revolutions"]["unseen_s"] - old["revolutions"]["unseen_s"]
    assert unseen == pytest.approx(beyond, abs=0.01)
    assert old["revolutions"]["count"] and new["revolutions"]["count"] is None
    verdict = judge_time(evidence_of(new), "", Limits(lower=22.0), RULES["guarded"])
    assert verdict.state == UNDECIDED
    once_more = tmp_path / "measured"
    told = ["measure", str(fallen.with_suffix(".mp4")), "--between", "550", "700", "--quiet"]
    told += ["--topple", "24.5", "--reason", "seen"]
    main([*told, "--out", str(once_more)])  # a check fails: so long unseen
    measured = document(next(once_more.iterdir()))
    # a reviewer tells an instant to a frame, however sure the program was of its own
    assert new["topple"]["u95_s"] == pytest.approx(measured["topple"]["u95_s"], rel=0.01)
    assert new["topple"]["u95_s"] > 0.033
    assert measured["revolutions"]["count"] is None
    assert measured["revolutions"]["unseen_s"] > old["revolutions"]["unseen_s"] + 4.0
    for check in measured["checks"]:
        if check["name"] in ("mark seen", "phase continuity", "no sudden change"):
            assert check["state"] != "pass" and states[check["name"]] == "unchecked"


def test_a_stated_end_on_the_wrong_side_of_the_other_is_refused(
    fallen: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert anew(fallen, tmp_path, "--release", "23")[0] == ExitCode.USAGE
    assert "it is not before the topple" in capsys.readouterr().err


def test_the_result_itself_is_replaced_only_when_told(
    wide: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["measure", "--from", str(wide)]) == ExitCode.USAGE
    assert "--overwrite" in capsys.readouterr().err


def test_a_result_without_the_kept_angles_is_refused(
    wide: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, made = anew(wide, tmp_path)
    arrays = dict(np.load(made / "sightings.npz"))
    del arrays["answer"]
    np.savez(made / "sightings.npz", **arrays)
    assert main(["measure", "--from", str(made), "--overwrite"]) == ExitCode.USAGE
    assert "does not hold what its speed was worked out from" in capsys.readouterr().err


def test_an_older_version_s_angles_do_not_pass_for_this_one_s(wide: Path, tmp_path: Path) -> None:
    _, made = anew(wide, tmp_path)
    said = document(made)
    assert key_of(said) == key_of(document(wide))
    said["recomputed"]["from_version"] = "0.0.1"
    assert key_of(said) is None


VERDICT = AliasVerdict(
    False,
    tuple(Candidate(n, rpm, p, None, None) for n, rpm, p in
          ((1, 1000.0, 0.6), (-1, -1200.0, 0.3), (2, 2800.0, 0.1))),
    (Vote("drift", (0.0, -0.5, -1.0), "1000 rev/min", ""),
     Vote("rolling shutter", (-0.2, 0.0, -3.0), "-1200 rev/min", ""),
     Vote("bounds", (0.0, 0.0, 0.0), "3 candidates", "")),
    1.5, (0.0, 6000.0), "default", 0.0, "the likeliest speed has a probability of 0.6 only",
)  # fmt: skip


def test_votes_among_fewer_candidates_give_new_odds() -> None:
    found = narrowed(VERDICT, (900.0, 1300.0), 0.0, 1000.0)
    # -0.2 against -0.5 in natural logarithms
    assert found.odds == pytest.approx(np.exp(0.3)) and not found.resolved
    assert [c.rpm for c in found.candidates] == [1000.0, -1200.0]
    assert found.votes[1].log_odds == (-0.2, 0.0)
    alone = narrowed(VERDICT, (900.0, 1100.0), 0.0, 1000.0)
    assert alone.resolved and alone.reason == "only one speed lies within the bounds"


def test_lower_bound_stated_afterwards_need_not_hold_where_the_start_went_unseen() -> None:
    late = Vote("bounds", (0.0, 0.0, 0.0), "", f"at the first free sighting; {unseen_before(5.0)}")
    found = narrowed(
        replace(VERDICT, votes=(*VERDICT.votes[:2], late)), (1100.0, 1300.0), 0.0, 1000.0
    )
    assert [c.rpm for c in found.candidates] == [1000.0, -1200.0] and not found.resolved
    assert found.votes[-1].note.endswith(unseen_before(5.0))
    with pytest.raises(UsageError, match="exclude the speed"):  # the same without
        narrowed(VERDICT, (1100.0, 1300.0), 0.0, 1000.0)


@pytest.mark.parametrize(
    ("alias", "first_s", "says"),
    [
        (replace(VERDICT, reason="two cues contradict each other"), 0.0, "two cues contradict"),
        (VERDICT, -2.0, "belong to a later instant"),
        (replace(VERDICT, votes=(Vote("drift", (-1.0, 0.0, 0.0), "", ""),)), 0.0, "fits better"),
    ],
)
def test_bounds_do_not_silence_a_doubt(alias: AliasVerdict, first_s: float, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        narrowed(alias, (900.0, 1300.0), first_s, 1000.0)
