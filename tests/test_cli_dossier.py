"""The commands dossier, keys, countersign, verify and challenge."""

from __future__ import annotations

import dataclasses
import json
import shutil
import stat
import subprocess
import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import ModuleType
from typing import Any

import av
import jsonschema
import numpy as np
import pytest
from dossiers import flip, make_dossier, make_result, sign
from fabricate import fabricate

from vidspin.cli import app
from vidspin.cli.reporting import _filled
from vidspin.clock import rate_of
from vidspin.dossier import bag, canonical
from vidspin.dossier.attempt import read_attempt
from vidspin.dossier.remeasured import compare
from vidspin.errors import ExitCode
from vidspin.footage.private import private_tags
from vidspin.records import CameraProfile, Quantity, Reference, Settings, ShownChallenge, Wobble
from vidspin.stated import stated_in
from vidspin.store import load_schema, speed_table, to_json

ROOT = Path(__file__).parents[1]
CLIP = ROOT / "sample_clips" / "goldfinch_run_down.mp4"
PLACE = "+48.2082+016.3738/"


def run(*arguments: object) -> int:
    return app.main([str(argument) for argument in arguments])


@pytest.fixture
def result(tmp_path: Path) -> Path:
    return make_result(tmp_path, size=3000)


# ------------------------------------------------------------------------- dossier


def test_from_result_to_verified_dossier(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "goldfinch.dossier"
    assert run("keys", "new", tmp_path / "o.key", "--quiet") == 0
    assert run("dossier", result) == 0
    told = capsys.readouterr()
    assert "filmed after  not proven" in told.out
    assert "WARNING: no key stated for operator, witnesses" in told.err
    assert run("verify", place) == ExitCode.CHECK_FAILED
    assert "NOT PROVEN: nobody has signed it" in capsys.readouterr().out
    assert run("countersign", place, "--key", tmp_path / "o.key", "--as", "operator") == 0
    fingerprint = capsys.readouterr().out.partition("SHA256:")[2][:43]
    assert run("verify", place, "--expect", f"operator=SHA256:{fingerprint}") == 0
    out = capsys.readouterr().out
    assert "NOTHING WAS FOUND TO BE WRONG" in out
    assert "signed by      operator" in out
    flip(place / "data" / "result" / "speed.csv", 40, 2)
    assert run("verify", place) == ExitCode.CHECK_FAILED
    out = capsys.readouterr().out
    assert "WRONG  files       data/result/speed.csv was changed" in out
    assert "SOMETHING IS WRONG" in out


def test_damaged_dossier_is_not_signed(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dossier, _ = make_dossier(result)
    run("keys", "new", tmp_path / "o.key", "--quiet")
    flip(dossier / "HOW-TO-CHECK.txt", 40, 2)
    arguments = ["countersign", dossier, "--key", tmp_path / "o.key", "--as", "operator"]
    assert run(*arguments) == ExitCode.CHECK_FAILED
    assert "HOW-TO-CHECK.txt" in capsys.readouterr().err
    assert not (dossier / "seals").exists()


def test_a_role_signs_with_the_key_that_the_dossier_names(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    keys = {}
    for name in ("own", "other"):
        assert run("keys", "new", tmp_path / f"{name}.key") == 0
        keys[name] = "SHA256:" + capsys.readouterr().out.partition("SHA256:")[2][:43]
    facts = tmp_path / "attempt.toml"
    facts.write_text(f'[operator]\nname = "somebody"\nkey = "{keys["own"]}"\n', "utf-8")
    assert run("dossier", result, "--attempt", facts, "--quiet") == 0
    place = tmp_path / "goldfinch.dossier"
    arguments = ["countersign", place, "--as", "operator", "--key"]
    capsys.readouterr()
    assert run(*arguments, tmp_path / "other.key") == ExitCode.USAGE
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and keys["own"] in told and keys["other"] in told
    assert not (place / "seals").exists()
    assert run(*arguments, tmp_path / "own.key", "--quiet") == 0
    assert run("verify", place, "--quiet") == 0


def test_a_passphrase_is_not_asked_for_where_nobody_can_answer(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "vidspin", "keys", "new", str(tmp_path / "o.key")]
    done = subprocess.run(
        [*command, "--passphrase"], stdin=subprocess.DEVNULL, capture_output=True, text=True,
        start_new_session=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2 and done.stdout == ""
    assert done.stderr == ("vidspin: --passphrase: no terminal to ask on; use --passphrase-file\n")
    assert list(tmp_path.iterdir()) == []


def test_where_keys_are_named_nobody_else_signs(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("operator", "witness-a", "stranger"):
        assert run("keys", "new", tmp_path / f"{name}.key", "--quiet") == 0
    line = (tmp_path / "witness-a.key.pub").read_text("utf-8").strip()
    facts = tmp_path / "attempt.toml"
    facts.write_text(
        f'[operator]\nname = "A"\n[[witness]]\nrole = "witness-a"\nkey = "{line}"\n', "utf-8"
    )
    assert run("dossier", result, "--attempt", facts, "--quiet") == 0
    place = tmp_path / "goldfinch.dossier"
    capsys.readouterr()
    for role, key, words in (
        ("witness-1", "witness-a", "this is the key of witness-a; nothing was signed; sign as"),
        ("operator", "witness-a", "this is the key of witness-a"),
        ("witness-1", "stranger", "names no witness-1; nothing was signed; sign as operator or w"),
    ):
        arguments = ["countersign", place, "--key", tmp_path / f"{key}.key", "--as", role]
        assert run(*arguments) == ExitCode.USAGE
        assert words in capsys.readouterr().err
        assert not (place / "seals").exists()
    for name in ("operator", "witness-a"):
        key = tmp_path / f"{name}.key"
        assert run("countersign", place, "--key", key, "--as", name, "--quiet") == 0
    assert run("verify", place, "--quiet") == 0


@pytest.mark.parametrize("name", ["operator.sig", "allowed_signers", "seals-sha256.txt"])
def test_what_a_killed_countersign_left_does_not_hinder_the_next(
    name: str, result: Path, tmp_path: Path
) -> None:
    dossier, _ = make_dossier(result)
    sign(dossier, "witness-a", tmp_path / "keys")
    left = dossier / "seals" / f".{name}.a1b2_c3d"
    foreign = dossier / "seals" / ".notes.txt.a1b2c3d4"
    left.write_bytes(b"half")
    assert run("verify", dossier, "--quiet") == ExitCode.CHECK_FAILED
    assert run("keys", "new", tmp_path / "o.key", "--quiet") == 0
    arguments = ["countersign", dossier, "--key", tmp_path / "o.key", "--as", "operator", "--quiet"]
    foreign.write_bytes(b"somebody's")
    assert run(*arguments) == ExitCode.CHECK_FAILED and foreign.exists()
    foreign.unlink()
    assert run(*arguments) == 0
    assert run("verify", dossier, "--quiet") == 0


def test_countersign_says_what_to_delete_after_a_file_manager(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dossier, _ = make_dossier(result)
    (dossier / ".DS_Store").write_bytes(b"Bud1")
    assert run("keys", "new", tmp_path / "o.key", "--quiet") == 0
    capsys.readouterr()
    arguments = ["countersign", dossier, "--key", tmp_path / "o.key", "--as", "operator"]
    assert run(*arguments) == ExitCode.CHECK_FAILED
    told = capsys.readouterr().err
    assert "delete .DS_Store: your file manager made it" in told and "undamaged" not in told


def test_reports_state_figures_as_they_were_told() -> None:
    facts = {"date": 20261125.0, "top": {"mass_g": 1234.567, "name": "wren"}}
    assert list(_filled(facts)) == [
        ("Date", "20261125"), ("Top: mass, g", "1234.567"), ("Top: name", "wren"),
    ]  # fmt: skip


def test_bad_signature_can_be_replaced_by_its_own_role(result: Path, tmp_path: Path) -> None:
    dossier, _ = make_dossier(result)
    sign(dossier, "operator", tmp_path / "keys")
    flip(dossier / "seals" / "operator.sig", 60, 1)
    key = tmp_path / "keys" / "operator.key"
    arguments = ["countersign", dossier, "--key", key, "--as", "operator", "--quiet"]
    assert run(*arguments) == ExitCode.CHECK_FAILED
    assert run(*arguments, "--overwrite") == 0
    assert run("verify", dossier, "--quiet") == 0


def test_recording_whose_name_is_no_utf_8_is_refused_in_one_line(
    result: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    document = json.loads((result / "spin.json").read_text("utf-8"))
    document["recording"]["name"] = "owl\udcff"
    document["recording"]["chapters"][0]["name"] = "owl\udcff.mp4"
    (result / "spin.json").write_text(json.dumps(document), "utf-8")
    assert run("dossier", result) == ExitCode.USAGE
    told = capsys.readouterr().err
    assert "rename the recording" in told and told.count("\n") == 1


def test_template_is_printed_alone(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert run("dossier", "--template") == 0
    text = capsys.readouterr().out
    (tmp_path / "a.toml").write_text(text.replace('title = ""', 'title = "Evening"'), "utf-8")
    result = make_result(tmp_path, size=3000)
    assert run("dossier", result, "--attempt", tmp_path / "a.toml", "--quiet") == 0
    manifest = (tmp_path / "goldfinch.dossier" / "data" / "manifest.json").read_bytes()
    assert json.loads(manifest)["attempt"] == {"title": "Evening"}


def test_json_tells_what_machines_need(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("dossier", result, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    sign(Path(told["dossier"]), "operator", tmp_path / "keys")
    assert run("verify", told["dossier"], "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["good"]
    assert found["tag_manifest_sha256"] == told["tag_manifest_sha256"]
    assert {step["state"] for step in found["steps"]} == {"pass", "unchecked"}


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["dossier"], "RESULT"),
        (["dossier", "nowhere.spin"], "nowhere.spin: there is no such folder; check the name"),
        (["verify", "nowhere"], "folder"),
        (["countersign", "nowhere"], "--key"),
        (["countersign", "nowhere", "--as", "operator"], "--key"),
        (["verify", "nowhere", "--expect", "operator"], "--expect"),
        (["verify", "nowhere", "--challenge", "x"], "--challenge"),
        (["challenge", "--out", "card.doc"], "card.doc"),
        (["keys", "show", "nowhere.pub"], "nowhere.pub"),
    ],
)
def test_wrong_use_is_told_in_one_line(
    arguments: list[str], word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*arguments) == ExitCode.USAGE
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert word in err


def test_passphrase_comes_from_a_file(result: Path, tmp_path: Path) -> None:
    dossier, _ = make_dossier(result)
    (tmp_path / "words").write_text("correct horse\n")
    key = tmp_path / "o.key"
    assert run("keys", "new", key, "--passphrase-file", tmp_path / "words", "--quiet") == 0
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    arguments = ["countersign", dossier, "--key", key, "--as", "operator", "--quiet"]
    assert run(*arguments) == ExitCode.USAGE
    assert run(*arguments, "--passphrase-file", tmp_path / "words") == 0


def test_keys_show_tells_the_same_fingerprint(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("keys", "new", tmp_path / "o.key", "--json") == 0
    made = json.loads(capsys.readouterr().out)
    for name in ("o.key", "o.key.pub"):
        assert run("keys", "show", tmp_path / name, "--json") == 0
        assert json.loads(capsys.readouterr().out)["fingerprint"] == made["fingerprint"]


def test_dossier_whose_manifest_lists_no_signers_can_be_signed(tmp_path: Path) -> None:
    """As earlier versions made them; who is to sign follows from the facts."""
    right, wrong = tmp_path / "right.key", tmp_path / "wrong.key"
    for key in (right, wrong):
        assert run("keys", "new", key, "--quiet") == 0
    line = right.with_suffix(".key.pub").read_text("utf-8").strip()
    facts = read_attempt(f'[operator]\nkey = "{line}"\n'.encode(), "a.toml")
    dossier, _ = make_dossier(make_result(tmp_path, size=3000), attempt=facts)
    manifest = dossier / "data" / "manifest.json"
    said = json.loads(manifest.read_bytes())
    del said["signers"]
    manifest.write_bytes(canonical.dumps(said))
    names = [name for name in bag.look_through(dossier).sizes if name.startswith("data/")]
    bag.write_lists(dossier, {name: bag.hash_file(dossier / name) for name in names}, {})
    as_operator = ("countersign", dossier, "--as", "operator", "--quiet", "--key")
    assert run(*as_operator, wrong) == ExitCode.USAGE
    assert run(*as_operator, right) == 0
    assert run("verify", dossier, "--quiet") == 0


# ------------------------------------------------------------------------- challenge


def test_challenge_writes_card_and_record_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    card = tmp_path / "c.png"
    assert run("challenge", "--out", card, "--by", "witness-a", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert json.loads((tmp_path / "c.json").read_bytes()) == told
    assert told["by"] == "witness-a"
    assert card.read_bytes().startswith(b"\x89PNG")
    assert run("challenge", "--out", card) == ExitCode.USAGE
    dossier = make_dossier(make_result(tmp_path, challenge=told["text"]))[0]
    sign(dossier, "operator", tmp_path / "keys")
    assert run("verify", dossier, "--challenge", tmp_path / "c.json", "--quiet") == 0
    assert run("verify", dossier, "--challenge", told["text"], "--quiet") == 0


# ----------------------------------------------------------------------- private tags


def with_place(path: Path) -> None:
    """Copy the sample clip's first packets and state a place."""
    with av.open(str(CLIP)) as source, av.open(str(path), "w") as target:
        target.metadata["location"] = PLACE
        stream = target.add_stream_from_template(source.streams.video[0])
        for number, packet in enumerate(source.demux(source.streams.video[0])):
            if packet.dts is None or number > 60:
                continue
            packet.stream = stream
            target.mux(packet)


def test_place_in_a_recording_is_handed_on_only_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import hashlib

    result = make_result(tmp_path, size=10)
    clip = tmp_path / "goldfinch.mp4"
    with_place(clip)
    spin = json.loads((result / "spin.json").read_text("utf-8"))
    chapter = spin["recording"]["chapters"][0]
    chapter["sha256"] = hashlib.sha256(clip.read_bytes()).hexdigest()
    chapter["bytes"] = clip.stat().st_size
    (result / "spin.json").write_text(json.dumps(spin), "utf-8")
    assert PLACE in private_tags(clip).values()

    dossier = tmp_path / "goldfinch.dossier"
    assert run("dossier", result, "--recording", "include") == ExitCode.USAGE
    assert "location" in capsys.readouterr().err
    assert not dossier.exists()

    assert run("dossier", result, "--quiet") == 0
    for path in dossier.rglob("*"):
        assert path.is_dir() or PLACE.encode() not in path.read_bytes()
    shutil.rmtree(dossier)
    assert run("dossier", result, "--recording", "include", "--private-tags", "--quiet") == 0
    assert PLACE.encode() in (dossier / "data" / "manifest.json").read_bytes()
    sign(dossier, "operator", tmp_path / "keys")
    assert run("verify", dossier, "--quiet") == 0


def test_plain_clip_tells_nothing_private() -> None:
    assert private_tags(CLIP) == {}


# -------------------------------------------------------------------------- remeasure

TOLD = Settings(
    centre_px=(10.0, 20.5), radii_px=(9.0, 8.0), tilt_rad=0.1, marks=2, bounds_rpm=(10.0, 4000.0),
    captured_at=Fraction(240000, 1001), release_s=2.0, topple_s=9.5, overrule_reason="seen",
    every_s=0.5, clock_half_width_ppm=20.0, odds_needed=2000.0,
)  # fmt: skip


CAMERA = CameraProfile(
    "phone", 1280, 720, Fraction(30000, 1001), Quantity(-0.012, 3e-4, "told"),
    Quantity(0.002, 1e-4, "told"), exposure_fixed=True, clock_ppm=Quantity(12.0, 3.0, "told"),
)  # fmt: skip
REFERENCES = (Reference(0.1, 0.0, 0.01, 0.02, "0.1=0"), Reference(900.0, 899.8, 0.01, 0.02, ""))


@pytest.mark.parametrize(
    "settings",
    [
        Settings(),
        TOLD,
        replace(TOLD, camera=CAMERA, diameter_mm=31.5),
        replace(TOLD, references=REFERENCES),
        replace(TOLD, camera=CAMERA, references=REFERENCES, diameter_mm=31.5),
    ],
)
def test_settings_come_back_from_the_document(settings: Settings) -> None:
    learnt = settings.camera and settings.camera.clock_ppm
    if settings.references or learnt:
        clock = rate_of(settings.references, learnt or None, settings.clock_half_width_ppm)
        settings = replace(settings, clock=clock)
    document = json.loads(json.dumps(to_json(fabricate(duration_s=12.0, settings=settings))))
    assert stated_in(document) == settings
    jsonschema.validate(document, load_schema())


def test_a_profile_of_an_older_result_has_the_recording_s_mode() -> None:
    document = to_json(fabricate(duration_s=12.0, settings=Settings(camera=CAMERA)))
    for key in ("width", "height", "frame_rate"):
        del document["settings"]["camera"][key]
    jsonschema.validate(document, load_schema())
    found = stated_in(document).camera
    chapter = document["recording"]["chapters"][0]
    assert found is not None and (found.width, found.height) == (
        chapter["width"], chapter["height"]
    )  # fmt: skip
    assert found.frame_rate == Fraction(document["recording"]["frame_rate"])


def remeasured(monkeypatch: pytest.MonkeyPatch, outcome: Any) -> None:
    """Let the measurement of any recording come out so."""
    frames, measuring = ModuleType("vidspin.footage.frames"), ModuleType("vidspin.measure")

    class Recording:
        @staticmethod
        def open(paths: Any, captured_at: Any = None) -> Any:
            assert [Path(path).name for path in paths] == ["goldfinch.mp4"]

    frames.Recording = Recording  # type: ignore[attr-defined]
    measuring.measure = lambda *_, **__: outcome  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "vidspin.footage.frames", frames)
    monkeypatch.setitem(sys.modules, "vidspin.measure", measuring)


def test_remeasure_compares_within_u95(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    dossier, _ = make_dossier(make_result(tmp_path, size=3000))
    sign(dossier, "operator", tmp_path / "keys")
    from dossiers import invented

    same = invented("resolved")
    remeasured(monkeypatch, same)
    assert run("verify", dossier, "--remeasure") == 0
    assert "come out again within their u95" in capsys.readouterr().out
    release = same.release
    assert release is not None
    for share, code in ((0.9, 0), (1.1, ExitCode.CHECK_FAILED)):
        later = dataclasses.replace(release, time_s=release.time_s + share * release.u95_s)
        remeasured(monkeypatch, dataclasses.replace(same, release=later))
        assert run("verify", dossier, "--remeasure", "--quiet") == code


def test_verify_leaves_open_what_it_was_not_asked_to_measure_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A result that was edited before it was sealed fits every list and every signature."""
    dossier, _ = make_dossier(make_result(tmp_path, size=3000))
    sign(dossier, "operator", tmp_path / "keys")
    assert run("verify", dossier) == 0
    told = capsys.readouterr().out
    assert "open   remeasure   not asked for (--remeasure)" in told
    assert "things stayed open" in told


def test_remeasure_finds_a_doctored_curve(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path, size=3000))
    from dossiers import invented

    spin = to_json(invented("resolved"))
    table = speed_table(invented("resolved"))
    assert all(step.state == "pass" for step in compare(dossier, spin, spin, table))
    rows = table.splitlines()
    cells = rows[5].split(",")
    cells[1] = str(float(cells[1]) + 2 * float(cells[2]))
    doctored = "\n".join([*rows[:5], ",".join(cells), *rows[6:]])
    steps = compare(dossier, spin, spin, doctored)
    assert any(step.state == "fail" and "1 of " in step.says for step in steps)
    turned = {**spin, "direction": "counterclockwise"}
    assert any("direction" in step.says for step in compare(dossier, spin, turned, table))
    surer = {**spin, "spin_time": {**spin["spin_time"], "u95_s": spin["spin_time"]["u95_s"] / 10}}
    assert any("spin_time" in s.says for s in compare(dossier, surer, spin, table))
    # an end that was not seen has no instant to compare, however it is written down
    unseen = [
        {**spin, "release": None if at is None else
         {**spin["release"], "seen": False, "time_s": at, "rpm": None}}
        for at in (None, 0.4, 0.5)
    ]  # fmt: skip
    for sealed in unseen:
        for fresh in unseen:
            assert all(s.state == "pass" for s in compare(dossier, sealed, fresh, table))
        assert any("release" in s.says for s in compare(dossier, sealed, spin, table))
    first, *rest = spin["checks"]
    state = "fail" if first["state"] == "pass" else "pass"
    mended = {**spin, "checks": [{**first, "state": state}, *rest]}
    assert any(f"check {first['name']}" in s.says for s in compare(dossier, mended, spin, table))
    fewer = {**spin, "checks": rest}  # by an older version
    assert all(step.state == "pass" for step in compare(dossier, spin, fewer, table))
    assert any(
        f"check {first['name']}: none" in s.says for s in compare(dossier, fewer, spin, table)
    )
    for version in ("0.0.9", f"{spin['vidspin_version']}+3f9c2a71d0be"):
        older = {**fewer, "vidspin_version": version}
        (left,) = (step for step in compare(dossier, older, spin, table) if step.state != "pass")
        assert left.state == "unchecked" and f"no check {first['name']}" in left.says


@pytest.mark.parametrize(
    ("place", "change", "says"),
    [
        (("camera", "clock_ppm", "value"), 0.01, "clock rate: "),
        (("camera", "clock_ppm", "u"), -5.0, "clock uncertainty of the rate: "),
        (("camera", "readout_s", "value"), 0.01, "readout: "),
        (("wobble", "run_out_px", "value"), 1.0, "run-out: "),
        (("wobble", "run_out_mm"), None, "run-out in mm: one is sealed, none came out"),
    ],
)
def test_remeasure_finds_a_doctored_clock_shutter_and_run_out(
    tmp_path: Path, place: tuple[str, ...], change: float | None, says: str
) -> None:
    dossier, _ = make_dossier(make_result(tmp_path, size=3000))
    size = Quantity(0.3, 0.02, "averaged")
    wobble = Wobble(size, True, size, size, *[np.zeros(0)] * 4, windows=3)
    from dossiers import invented

    made = replace(invented("resolved"), wobble=wobble)
    spin, table = to_json(made), speed_table(made)
    assert all(step.state == "pass" for step in compare(dossier, spin, spin, table))
    fresh = json.loads(json.dumps(spin))
    *outer, last = place
    inner = fresh
    for key in outer:
        inner = inner[key]
    inner[last] = None if change is None else inner[last] + change
    failed = [step.says for step in compare(dossier, spin, fresh, table) if step.state == "fail"]
    assert len(failed) == 1 and failed[0].startswith(says), failed


TEXT = "VIDSPIN/ABCDEFGHIJKLMNOP/2611251200"
OTHER = "VIDSPIN/ABCDEFGHIJKLMNOA/2611251200"


def test_remeasure_finds_a_card_that_was_not_filmed(tmp_path: Path) -> None:
    from dossiers import invented

    dossier, _ = make_dossier(make_result(tmp_path, size=3000))
    made = invented("resolved")
    table = speed_table(made)
    none, card, late, other = (
        to_json(replace(made, challenge=shown))
        for shown in (
            None, ShownChallenge(TEXT, 1.5, 6.0, 10), ShownChallenge(TEXT, 1.5, 9.0, 10),
            ShownChallenge(OTHER, 1.5, 6.0, 10),
        )
    )  # fmt: skip

    def failed(sealed: Any, fresh: Any) -> list[str]:
        steps = compare(dossier, sealed, fresh, table)
        return [step.says for step in steps if step.state == "fail"]

    assert failed(card, none) == [f"challenge: {TEXT} is sealed, none came out"]
    assert failed(other, card) == [f"challenge: {OTHER} is sealed, {TEXT} came out"]
    assert failed(late, card) == [
        "challenge: from 1.5 to 9.0 s is sealed, from 1.5 to 6.0 s came out"
    ]
    assert failed(none, card) == [f"challenge: none is sealed, {TEXT} came out"]
    assert failed({**none, "vidspin_version": "0.0.9"}, card) == []  # it may not have seen it
    (seen,) = (s for s in compare(dossier, card, card, table) if "card" in s.says)
    assert (seen.state, seen.says) == ("pass", "the card was read again, from 1.5 s on")


@pytest.mark.parametrize(
    ("place", "value", "says"),
    [
        (("spin_time", "at_least_s"), 3600.0, "spin_time: at least 3600.00 s is sealed"),
        (("recording", "duration_s"), 4000.0, "duration: 4000.0 s is sealed"),
        (("recording", "chapters", 0, "tags"), {"make": "Apple"}, "tag com.android.version: "),
        (("alias", "bounds_from"), "user", "alias bounds_from: user is sealed"),
        (("alias", "bounds_rpm"), [0.0, 900.0], "alias bounds_rpm: "),
        (("touches",), [], "touches: 0 are sealed, 1 came out"),
        (("touches", 0, "time_s"), 11.0, "touch: 11.0 s is sealed"),
        (("touch_search", "from_s"), 0.0, "touches were looked for, from: 0.0 s is sealed"),
        (("touch_search", "gaps_s"), [[20.0, 25.0]], "touches were looked for, gaps of: 5.0 s"),
        (("touch_search",), None, "touches were looked for, from: None s is sealed"),
    ],
)
def test_remeasure_finds_what_else_was_doctored(
    tmp_path: Path, place: tuple[str | int, ...], value: Any, says: str
) -> None:
    dossier, _ = make_dossier(make_result(tmp_path, size=3000))
    made = fabricate("partial" if "at_least_s" in place else "resolved")
    (dossier / "data" / "result" / "speed.csv").write_text(speed_table(made), "utf-8")
    spin, table = to_json(made), speed_table(made)
    assert all(step.state == "pass" for step in compare(dossier, spin, spin, table))
    sealed: Any = json.loads(json.dumps(spin))
    *outer, last = place
    inner = sealed
    for key in outer:
        inner = inner[key]
    inner[last] = value
    failed = [step.says for step in compare(dossier, sealed, spin, table) if step.state == "fail"]
    assert failed and failed[0].startswith(says), failed


def test_result_with_ends_stated_afterwards_leaves_its_touches_open(tmp_path: Path) -> None:
    from dossiers import invented

    dossier, _ = make_dossier(make_result(tmp_path, size=3000))
    spin, table = to_json(invented("resolved")), speed_table(invented("resolved"))
    again = {
        **spin, "touch_search": None, "recomputed": {},
        "settings": {**spin["settings"], "release_s": 0.7},
    }  # fmt: skip
    (left,) = (step for step in compare(dossier, again, spin, table) if step.state != "pass")
    assert left.state == "unchecked" and "touches were not compared" in left.says
    older = {key: value for key, value in spin.items() if key not in ("touch_search", "challenge")}
    assert all(step.state == "pass" for step in compare(dossier, older, spin, table))


@pytest.mark.parametrize(
    ("column", "change", "says"),
    [
        (0, lambda cell: f"{float(cell) + 0.1:.6f}", "belong to other instants"),
        (0, lambda cell: "", "belong to other instants"),
        (2, lambda cell: f"{float(cell) / 100:.6g}", "u95_rpm of speed.csv"),
        (2, lambda cell: "", "u95_rpm of speed.csv"),
        (3, lambda cell: f"{float(cell) / 100:.6g}", "u95_rpm_excl_clock of speed.csv"),
        (4, lambda cell: "7", "alias_order of speed.csv"),
    ],
)
def test_remeasure_compares_every_column_that_tells_of_the_speed(
    tmp_path: Path, column: int, change: Any, says: str
) -> None:
    from dossiers import invented

    dossier, _ = make_dossier(make_result(tmp_path, size=3000))
    spin, table = to_json(invented("resolved")), speed_table(invented("resolved"))
    head, *rows = table.splitlines()
    cells = [row.split(",") for row in rows]
    cells[5][column] = change(cells[5][column])
    doctored = "\n".join([head, *map(",".join, cells)])
    (dossier / "data" / "result" / "speed.csv").write_text(doctored, "utf-8")
    failed = [step.says for step in compare(dossier, spin, spin, table) if step.state == "fail"]
    assert len(failed) == 1 and says in failed[0], failed


def test_either_order_will_do_where_the_order_changes(tmp_path: Path) -> None:
    from dossiers import invented

    dossier, _ = make_dossier(make_result(tmp_path, size=3000))
    spin, table = to_json(invented("resolved")), speed_table(invented("resolved"))
    head, *rows = table.splitlines()
    change = 30.0 * 30000 / 1001  # half a turn a frame
    speeds = [row.split(",") for row in rows]
    near = min((c for c in speeds if c[1]), key=lambda c: abs(float(c[1]) - change))
    for beside, good in ((0.5, True), (2.0, False)):
        near[1] = f"{change + beside * float(near[2]):.6f}"
        steps = []
        for place, order in ((dossier / "data" / "result" / "speed.csv", "0"), (None, "1")):
            near[4] = order
            text = "\n".join([head, *map(",".join, speeds)])
            if place is not None:
                place.write_text(text, "utf-8")
            else:
                steps = compare(dossier, spin, spin, text)
        assert all(step.state == "pass" for step in steps) is good


def test_remeasure_without_the_recording_stays_open(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dossier, _ = make_dossier(make_result(tmp_path, size=3000), include=False)
    sign(dossier, "operator", tmp_path / "keys")
    assert run("verify", dossier, "--remeasure") == 0
    assert "open   remeasure   the recording is not at hand" in capsys.readouterr().out
