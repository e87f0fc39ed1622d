"""Dossiers: what is in them, who signed them, and that every change is found and named."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import json
import os
import re
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pypdf
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from dossiers import SIZE, check, failures, flip, make_dossier, make_result, sign, suspects
from outside import needed

from vidspin.cli.reporting import reports_of
from vidspin.dossier import bag, build, canonical, seals, sshsig
from vidspin.dossier.attempt import Attempt, read_attempt, template
from vidspin.dossier.build import _free_name, locate, read_spin
from vidspin.dossier.keys import load_key, new_key, public_path
from vidspin.dossier.merkle import PIECE_BYTES
from vidspin.dossier.reports import ReportFacts
from vidspin.errors import CheckFailed, FootageError, UsageError

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="session")
def ssh_keygen() -> str:
    return needed("ssh-keygen", "ssh-keygen", package="openssh-client")


@pytest.fixture(scope="session")
def sha256sum() -> str:
    return needed("sha256sum", "sha256sum", package="coreutils")


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a dossier with the recording, signed by two people; tests copy it."""
    folder = tmp_path_factory.mktemp("sealed")
    dossier, _ = make_dossier(make_result(folder), attempt=read_attempt(FACTS, "a.toml"))
    for role in ("operator", "witness-a"):
        sign(dossier, role, folder / "keys")
    return dossier


@pytest.fixture
def dossier(sealed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(sealed, tmp_path / "a.dossier"))


FACTS = b'title = "Evening of the goldfinch"\n[top]\nmass_g = 41.5\n[[witness]]\nname = "W"\n'


def files_of(dossier: Path) -> list[str]:
    return list(bag.look_through(dossier).sizes)


# ----------------------------------------------------------------------------- bag


def test_whole_dossier_verifies_and_names_signers(dossier: Path) -> None:
    found = check(dossier)
    assert failures(found) == []
    assert found.good
    assert sorted(found.signers) == ["operator", "witness-a"]
    assert found.filmed_after is None
    assert found.sealed_before is None


def test_every_file_of_the_result_is_in_it_unchanged(sealed: Path) -> None:
    result = sealed.parent / "goldfinch.spin"
    inside = sealed / "data" / "result"
    assert {p.name for p in inside.iterdir()} == {p.name for p in result.iterdir()}
    for path in result.iterdir():
        assert (inside / path.name).read_bytes() == path.read_bytes()
    recording = sealed / "data" / "recording" / "goldfinch.mp4"
    assert recording.read_bytes() == (sealed.parent / "goldfinch.mp4").read_bytes()
    assert (sealed / "data" / "attempt.toml").read_bytes() == FACTS


def test_same_result_and_time_give_the_same_bytes(tmp_path: Path) -> None:
    result = make_result(tmp_path)
    first, one = make_dossier(result, target=tmp_path / "1")
    second, two = make_dossier(result, target=tmp_path / "2")
    assert one.tag_hash == two.tag_hash
    assert files_of(first) == files_of(second)


# the library does what Python 3.13 has begun to warn of
@pytest.mark.filterwarnings("ignore:'count' is passed as positional:DeprecationWarning")
def test_bag_is_valid_for_the_bagit_library(dossier: Path) -> None:
    bagit = pytest.importorskip("bagit", reason="left out: the bagit library checks the bag")
    assert bagit.Bag(str(dossier)).is_valid()
    flip(dossier / "data" / "result" / "speed.csv", 100, 1)
    assert not bagit.Bag(str(dossier)).is_valid()


@pytest.mark.usefixtures("sha256sum")
@pytest.mark.parametrize("name", ["tagmanifest-sha256.txt", "manifest-sha256.txt"])
def test_lists_are_read_by_sha256sum(name: str, dossier: Path) -> None:
    command = ["sha256sum", "--strict", "-c", name]
    subprocess.run(command, cwd=dossier, check=True, capture_output=True)


def test_reference_holds_the_hashes_and_pieces_but_not_the_recording(tmp_path: Path) -> None:
    dossier, made = make_dossier(make_result(tmp_path), include=False)
    chapter = made.manifest["recording"]["chapters"][0]
    assert not made.manifest["recording"]["included"]
    assert chapter["path"] is None
    assert chapter["merkle"]["pieces"] == -(-SIZE // PIECE_BYTES)
    assert not list(dossier.rglob("*.mp4"))
    found = check(dossier)
    assert found.good
    assert any(s.name == "recording" and s.state == "unchecked" for s in found.steps)
    assert check(dossier, recordings=(tmp_path / "goldfinch.mp4",)).good


def test_recording_that_is_not_at_hand_leaves_its_hash_without_pieces(tmp_path: Path) -> None:
    dossier, made = make_dossier(make_result(tmp_path), include=False, recordings=(None,))
    assert made.manifest["recording"]["chapters"][0]["merkle"] is None
    assert check(dossier, recordings=(tmp_path / "goldfinch.mp4",)).good
    for lost in (None, tmp_path / "none.mp4"):
        with pytest.raises(FootageError, match="--recording-file"):
            make_dossier(tmp_path / "goldfinch.spin", recordings=(lost,), target=tmp_path / "x")


def test_a_recording_that_may_not_be_read_is_told_as_that(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    result, film = make_result(tmp_path), tmp_path / "goldfinch.mp4"
    opened = Path.open

    def locked(path: Path, *how: Any, **more: Any) -> Any:
        if path == film:
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return opened(path, *how, **more)

    monkeypatch.setattr(Path, "open", locked)
    with pytest.raises(FootageError, match=r"goldfinch.mp4: permission denied"):
        make_dossier(result)


def test_another_recording_than_the_measured_one_is_refused(tmp_path: Path) -> None:
    result = make_result(tmp_path)
    flip(tmp_path / "goldfinch.mp4", 17, 0)
    with pytest.raises(CheckFailed, match="not the file that was measured"):
        make_dossier(result)
    assert [p.name for p in tmp_path.iterdir() if "dossier" in p.name] == []


def test_unsigned_dossier_is_replaced_only_when_asked_and_a_signed_one_never(
    tmp_path: Path,
) -> None:
    result = make_result(tmp_path)
    dossier, _ = make_dossier(result)
    with pytest.raises(UsageError, match="already there"):
        make_dossier(result)
    for name in ("attempt.toml", "data/notes.txt", "data/result/spin.json.bak", "my notes.txt"):
        (dossier / name).write_text("written by hand", "utf-8")
        with pytest.raises(UsageError, match=rf"no list of the dossier names \({name}\)"):
            make_dossier(result, overwrite=True)
        assert (dossier / name).read_text("utf-8") == "written by hand"
        (dossier / name).unlink()
    (dossier / ".DS_Store").write_bytes(b"of a file manager")
    make_dossier(result, overwrite=True)
    sign(dossier, "operator", tmp_path / "keys")
    with pytest.raises(UsageError, match="sealed this dossier"):
        make_dossier(result, overwrite=True)
    (tmp_path / "b").mkdir()
    with pytest.raises(UsageError, match="in the way"):
        make_dossier(result, overwrite=True, target=tmp_path / "b")


def test_unresolved_result_makes_a_dossier_as_well(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path, kind="unresolved"))
    assert check(dossier).good


# --------------------------------------------------------------------------- keys


def test_private_key_is_for_its_owner_alone(tmp_path: Path) -> None:
    os.umask(0)
    try:
        new_key(tmp_path / "k")
    finally:
        os.umask(0o022)
    assert stat.S_IMODE((tmp_path / "k").stat().st_mode) == 0o600
    with pytest.raises(UsageError, match="already"):
        new_key(tmp_path / "k")
    (tmp_path / "k").chmod(0o644)
    with pytest.raises(UsageError, match="others can read"):
        load_key(tmp_path / "k")


def test_passphrase_locks_the_key(tmp_path: Path) -> None:
    public = new_key(tmp_path / "k", b"correct horse")
    for wrong in (None, b"wrong"):
        with pytest.raises(UsageError, match="passphrase"):
            load_key(tmp_path / "k", wrong)
    assert sshsig.public_key_of(load_key(tmp_path / "k", b"correct horse")) == public


def test_key_files_tell_nothing_of_machine_or_person(tmp_path: Path) -> None:
    new_key(tmp_path / "k")
    assert len(public_path(tmp_path / "k").read_text().split()) == 2


@pytest.mark.usefixtures("ssh_keygen")
@pytest.mark.parametrize("passphrase", [None, b"correct horse"])
def test_ssh_keygen_reads_our_keys(passphrase: bytes | None, tmp_path: Path) -> None:
    public = new_key(tmp_path / "k", passphrase)
    words = (passphrase or b"").decode()
    command = ["ssh-keygen", "-y", "-P", words, "-f", str(tmp_path / "k")]
    shown = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert shown.split()[:2] == public.line.split()
    listed = subprocess.run(
        ["ssh-keygen", "-l", "-f", str(tmp_path / "k.pub")], check=True, capture_output=True,
        text=True,
    ).stdout  # fmt: skip
    assert listed.split()[1] == public.fingerprint


@pytest.mark.usefixtures("ssh_keygen")
def test_keys_of_ssh_keygen_sign_and_other_kinds_are_refused(tmp_path: Path) -> None:
    for kind in ("ed25519", "ecdsa"):
        command = ["ssh-keygen", "-q", "-t", kind, "-N", "", "-f", str(tmp_path / kind)]
        subprocess.run(command, check=True)
    assert isinstance(load_key(tmp_path / "ed25519"), Ed25519PrivateKey)
    with pytest.raises(UsageError, match="Ed25519"):
        load_key(tmp_path / "ecdsa")


# --------------------------------------------------------------------- signatures


@pytest.mark.usefixtures("ssh_keygen")
def test_signature_is_byte_for_byte_the_one_of_ssh_keygen(tmp_path: Path) -> None:
    new_key(tmp_path / "k")
    (tmp_path / "m").write_bytes(b"some list\n")
    command = ["ssh-keygen", "-q", "-Y", "sign", "-f", "k", "-n", sshsig.NAMESPACE, "m"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    ours = sshsig.sign(b"some list\n", load_key(tmp_path / "k"))
    assert (tmp_path / "m.sig").read_bytes() == ours


@pytest.mark.usefixtures("ssh_keygen")
def test_signatures_hold_for_the_command_of_the_instructions(dossier: Path) -> None:
    text = (dossier / "HOW-TO-CHECK.txt").read_text("utf-8")
    (line,) = re.findall(r"^ +(ssh-keygen -Y verify .*)$", text, flags=re.MULTILINE)
    for role in ("operator", "witness-a"):
        command = line.replace("ROLE", role)
        done = subprocess.run(["sh", "-c", command], cwd=dossier, check=False, capture_output=True)
        assert done.returncode == 0, done.stderr
        assert done.stdout.startswith(b'Good "vidspin-dossier" signature for ' + role.encode())
    swapped = line.replace("-I ROLE", "-I operator").replace("ROLE.sig", "witness-a.sig")
    assert subprocess.run(["sh", "-c", swapped], cwd=dossier, capture_output=True).returncode != 0
    flip(dossier / "tagmanifest-sha256.txt", 5, 1)
    command = line.replace("ROLE", "operator")
    assert subprocess.run(["sh", "-c", command], cwd=dossier, capture_output=True).returncode != 0


def test_signature_with_a_key_that_is_not_listed_fails(dossier: Path) -> None:
    other = sshsig.sign((dossier / bag.TAG_MANIFEST).read_bytes(), Ed25519PrivateKey.generate())
    (dossier / "seals" / "operator.sig").write_bytes(other)
    found = check(dossier)
    assert not found.good
    assert "operator" not in found.signers
    assert "seals/operator.sig" in suspects(found)


def test_signature_for_another_purpose_fails(dossier: Path, sealed: Path) -> None:
    key = load_key(sealed.parent / "keys" / "operator.key")
    message = (dossier / bag.TAG_MANIFEST).read_bytes()
    foreign = sshsig.sign(message, key, namespace="file")
    (dossier / "seals" / "operator.sig").write_bytes(foreign)
    assert any("another purpose" in says for says in failures(check(dossier)))


def test_missing_signature_of_a_listed_signer_is_told(dossier: Path) -> None:
    (dossier / "seals" / "witness-a.sig").unlink()
    found = check(dossier)
    assert any("witness-a is missing" in says for says in failures(found))


def _killed_while_signing(
    dossier: Path, place: Path, monkeypatch: pytest.MonkeyPatch, **options: bool
) -> list[Path]:
    """Sign, and copy the dossier as it lies on the disk before each rename and after the last."""
    copies: list[Path] = []
    rename = Path.replace
    place.mkdir()
    new_key(place / "w.key")

    def kept(self: Path, target: Path) -> Path:
        copies.append(Path(shutil.copytree(dossier, place / f"{len(copies)}.dossier")))
        return rename(self, target)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", kept)
        patched.setattr(Path, "unlink", lambda *_, **__: None)  # killed before it tidied up
        seals.countersign(dossier, "witness-a", load_key(place / "w.key"), **options)
    return [*copies, dossier]


@pytest.mark.parametrize("again", [False, True], ids=["new", "replaced"])
def test_a_signing_that_was_killed_is_told_and_completed_or_undone(
    again: bool, dossier: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not again:
        (dossier / "seals" / "witness-a.sig").unlink()
        others = {"operator": seals.signers(dossier)["operator"]}
        (dossier / seals.SIGNERS).write_bytes(sshsig.allowed_signers(others.items()))
        listed = bag.list_text(seals.seal_hashes(dossier))
        (dossier / seals.SEALS_LIST).write_bytes(listed)
    assert failures(check(dossier)) == []
    before = seals.seal_hashes(dossier)
    states = _killed_while_signing(dossier, tmp_path / "k", monkeypatch, overwrite=again)
    assert len(states) == 4
    for number, state in enumerate(states):
        told = failures(check(state))
        assert told[0].startswith("seals: a signing was broken off")
        assert sum("broken off" in says for says in told) == 1
        assert not any("no dossier gives" in says for says in told)
        seals.tidy(state)
        assert failures(check(state)) == []
        assert [p.name for p in (state / "seals").iterdir() if p.name.startswith(".")] == []
        if number == 0:
            assert seals.seal_hashes(state) == before
        else:  # as if it had not been killed
            assert seals.seal_hashes(state) == seals.seal_hashes(states[-1])


def test_hidden_files_that_complete_nothing_are_removed(dossier: Path) -> None:
    """Nothing that is sound is replaced by them."""
    hidden = dossier / "seals" / ".seals-sha256.txt.abcd1234"
    before = seals.seal_hashes(dossier)
    hidden.write_bytes(bag.list_text({"seals/operator.sig": "0" * 64}))
    (dossier / "seals" / ".operator.sig.abcd1234").write_bytes(b"another signature")
    seals.tidy(dossier)
    assert seals.seal_hashes(dossier) == before
    assert failures(check(dossier)) == []
    (dossier / "seals" / "operator.sig").write_bytes(b"damaged")
    hidden.write_bytes(bag.list_text({"seals/../../x": "0" * 64}))
    seals.tidy(dossier)
    assert not hidden.exists()
    assert (dossier / "seals" / "operator.sig").read_bytes() == b"damaged"


def test_key_given_by_the_checker_must_be_the_one_that_signed(dossier: Path) -> None:
    real = check(dossier).signers
    assert check(dossier, fingerprints=real).good
    other = "SHA256:" + "A" * 43
    assert not check(dossier, fingerprints={"operator": other}).good
    assert not check(dossier, fingerprints={"witness-b": other}).good


def test_key_named_in_the_report_must_be_the_one_that_signed(tmp_path: Path) -> None:
    stated = new_key(tmp_path / "mine")
    facts = read_attempt(f'[operator]\nkey = "{stated.line}"\n'.encode(), "a.toml")
    dossier, made = make_dossier(make_result(tmp_path), attempt=facts)
    assert made.manifest["attempt"]["operator"]["key"] == stated.fingerprint
    assert any("has not signed" in step.says for step in check(dossier).steps)
    sign(dossier, "operator", tmp_path / "other")
    found = check(dossier)
    assert any("another key than the report names" in says for says in failures(found))
    seals.countersign(dossier, "operator", load_key(tmp_path / "mine"), overwrite=True)
    assert check(dossier).good


def test_role_signs_once_and_has_a_plain_name(dossier: Path, sealed: Path) -> None:
    key = load_key(sealed.parent / "keys" / "operator.key")
    with pytest.raises(UsageError, match="has signed already"):
        seals.countersign(dossier, "operator", key)
    for role in ("../x", "Operator", "", "a b", "con", "x" * 60):
        with pytest.raises(UsageError, match="is no role"):
            seals.countersign(dossier, role, key)


# ------------------------------------------------------------------------- changes


def test_any_flipped_bit_is_found_and_its_file_named(sealed: Path, tmp_path: Path) -> None:
    """Two random bits in each file; the bench does two hundred."""
    rng = np.random.default_rng(1)
    place = Path(shutil.copytree(sealed, tmp_path / "a.dossier"))
    for path in files_of(sealed):
        data = (sealed / path).read_bytes()
        for _ in range(1 if len(data) > PIECE_BYTES else 2):
            at, bit = int(rng.integers(len(data))), int(rng.integers(8))
            flip(place / path, at, bit)
            found = check(place)
            assert not found.good, f"{path}: bit {bit} of byte {at} went unnoticed"
            assert path in suspects(found), f"{path}: not among {suspects(found)}"
            (place / path).write_bytes(data)
    assert check(place).good


@pytest.mark.parametrize("path", ["data/extra.txt", "extra.txt", "seals/extra.txt", "x/y.txt"])
def test_added_file_is_found(path: str, dossier: Path) -> None:
    (dossier / path).parent.mkdir(exist_ok=True)
    (dossier / path).write_text("more")
    assert path in suspects(check(dossier))


@pytest.mark.parametrize(
    "path", ["data/result/speed.csv", "HOW-TO-CHECK.txt", "manifest-sha256.txt", "bagit.txt",
             "tagmanifest-sha256.txt", "data/manifest.json", "seals/allowed_signers"]
)  # fmt: skip
def test_missing_file_is_found(path: str, dossier: Path) -> None:
    (dossier / path).unlink()
    assert path in suspects(check(dossier))


def test_payload_changed_together_with_all_lists_is_found_by_the_signatures(dossier: Path) -> None:
    path = dossier / "data" / "result" / "speed.png"
    path.write_bytes(b"another picture")
    payload = bag.read_list((dossier / bag.MANIFEST).read_bytes())
    payload["data/result/speed.png"] = bag.hash_file(path)
    shutil.move(dossier / "seals", dossier.parent / "seals")
    bag.write_lists(dossier, payload, {"Bagging-Date": "2026-11-25"})
    shutil.move(dossier.parent / "seals", dossier / "seals")
    found = check(dossier)
    assert found.signers == {}
    assert sum("does not fit" in says for says in failures(found)) == 2


def test_changed_piece_of_the_recording_is_named(dossier: Path) -> None:
    flip(dossier / "data" / "recording" / "goldfinch.mp4", PIECE_BYTES + 5, 3)
    (says,) = [s for s in failures(check(dossier)) if "piece" in s]
    assert "1 piece of 3 is not as sealed: number 2 " in says
    assert f"from byte {PIECE_BYTES} on" in says


@pytest.mark.parametrize("change", ["cut", "grown"])
def test_cut_or_grown_recording_names_the_pieces(change: str, tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path), include=False)
    data = (tmp_path / "goldfinch.mp4").read_bytes()
    other = data[: PIECE_BYTES + 7] if change == "cut" else data + bytes(PIECE_BYTES)
    (tmp_path / "other.mp4").write_bytes(other)
    (says,) = failures(check(dossier, recordings=(tmp_path / "other.mp4",)))
    assert ("number 2, 3 " if change == "cut" else "number 3, 4 ") in says
    assert ("pieces of 3 are" if change == "cut" else "pieces of 4 are") in says
    assert says.endswith("it is 1 piece shorter" if change == "cut" else "it is 1 piece longer")


def test_another_recording_is_told_as_such_and_not_by_its_pieces(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path), include=False)
    sign(dossier, "operator", tmp_path / "keys")
    other = tmp_path / "other.mp4"
    other.write_bytes(bytes(9 * PIECE_BYTES))
    (says,) = failures(check(dossier, recordings=(other,)))
    assert says.endswith("no piece of it is the same, so it may be another file altogether")
    told = script(dossier, "--recording", other).stdout
    assert "no piece is the same: it may be another file" in told
    assert "of 3" not in told


def test_figures_that_disagree_before_sealing_are_found(tmp_path: Path) -> None:
    result = make_result(tmp_path)
    spin = json.loads((result / "spin.json").read_text("utf-8"))
    original = dict(spin)

    def told(change: Any) -> list[str]:
        spin = json.loads(json.dumps(original))
        change(spin)
        (result / "spin.json").write_text(json.dumps(spin), "utf-8")
        dossier, _ = make_dossier(result, overwrite=True)
        return failures(check(dossier))

    def longer(spin: Any) -> None:
        spin["spin_time"]["seconds"] += 10

    def faster(spin: Any) -> None:
        spin["release"]["rpm"] *= 1.5

    def more(spin: Any) -> None:
        spin["recording"]["frames"] += 1

    def unending(spin: Any) -> None:
        spin["spin_time"] |= {"seconds": None, "u95_s": None, "at_least_s": 3600.0}

    assert told(lambda spin: None) == []
    assert any("longer than the recording" in says for says in told(unending))
    assert any("topple minus release" in says for says in told(longer))
    assert any("at the release" in says for says in told(faster))
    assert any("sightings.npz" in says for says in told(more))


def test_report_page_that_says_something_else_is_found(tmp_path: Path) -> None:
    result = make_result(tmp_path)
    spin = (result / "spin.json").read_text("utf-8")
    from vidspin.dossier.consistency import headline

    figures = " and ".join(headline(json.loads(spin)).values())

    digest = hashlib.sha256(spin.encode()).hexdigest()

    def told(figures: str, block: str) -> list[str]:
        block = block.replace("<", "\\u003c")
        page = f'<p>{figures} {digest}</p><script type="application/json">{block}</script>'
        (result / "report.html").write_text(page, "utf-8")
        dossier, _ = make_dossier(result, overwrite=True)
        assert (dossier / "data" / "report.html").is_file()
        return failures(check(dossier))

    assert told(figures, spin) == []
    assert told(figures.replace(" ", "\u00a0\n "), f'{{"spin": {spin}}}') == []
    assert any("does not state" in says for says in told("nothing", spin))
    other = spin.replace('"marks": 1', '"marks": 2')
    assert any("another spin.json" in says for says in told(figures, f"[{other}]"))


@pytest.mark.parametrize(
    ("kind", "figure"),
    [("partial", "at least 11.26 s"), ("unresolved", "at least 11.26 s"), ("resolved", "Turns")],
)
def test_limits_and_turns_on_a_page_are_held_against_the_result(
    tmp_path: Path, kind: Any, figure: str
) -> None:
    def edited(facts: ReportFacts) -> dict[str, bytes]:
        page = reports_of(facts)["report.html"].decode("utf-8")
        turned = json.loads(facts.files["spin.json"])["revolutions"]["count"]
        old, new = (figure, "at least 3611.26 s")
        if figure == "Turns":
            old, new = f"{turned:.3f}", "35000.000"
        assert old in page
        return {"report.html": page.replace(old, new).encode("utf-8")}

    result = make_result(tmp_path, kind=kind)
    dossier, _ = make_dossier(result, reporter=reports_of)
    assert failures(check(dossier)) == []
    dossier, _ = make_dossier(result, reporter=edited, overwrite=True)
    assert any("report.html: it does not state the" in says for says in failures(check(dossier)))


SPEEDS = "data/result/speed.csv"


def without_uncertainty(cells: list[str]) -> None:
    cells[1], cells[2] = str(1.5 * float(cells[1])), ""


def without_instant(cells: list[str]) -> None:
    cells[0] = ""


def at_one_instant(cells: list[str]) -> None:
    cells[0] = "1.0"


@pytest.mark.parametrize("change", [without_uncertainty, without_instant, at_one_instant])
def test_speeds_without_uncertainty_or_instant_are_found(tmp_path: Path, change: Any) -> None:
    result = make_result(tmp_path)
    head, *rows = (result / "speed.csv").read_text("utf-8").splitlines()
    cells = [row.split(",") for row in rows]
    for row in cells:
        if row[1]:
            change(row)
    (result / "speed.csv").write_text("\n".join([head, *map(",".join, cells)]) + "\n", "utf-8")
    dossier, _ = make_dossier(result)
    (says,) = failures(check(dossier))
    assert says.startswith(f"{SPEEDS}: the table is damaged")


def test_page_that_was_made_from_another_result_is_found(tmp_path: Path) -> None:
    result = make_result(tmp_path)

    def foreign(facts: ReportFacts) -> dict[str, bytes]:
        spin = facts.files["spin.json"].replace(b'"marks": 1', b'"marks": 2')
        other = dataclasses.replace(facts, files={**facts.files, "spin.json": spin})
        return {"report.html": reports_of(other)["report.html"]}

    dossier, _ = make_dossier(result, reporter=foreign)
    assert any("another spin.json" in says for says in failures(check(dossier)))


@pytest.mark.parametrize(
    ("kind", "figures"),
    [
        ("resolved", "spin time, speed at the release and turns"),
        ("partial", "spin time, speed at the release and turns"),
        ("unresolved", "spin time"),
    ],
)
def test_verify_names_the_figures_of_the_reports_that_it_compared(
    tmp_path: Path, kind: Any, figures: str
) -> None:
    dossier, _ = make_dossier(make_result(tmp_path, kind=kind), reporter=reports_of)
    (says,) = (s.says for s in check(dossier).steps if s.name == "figures")
    assert says == (
        "manifest and tables agree with spin.json; report.html and report.pdf bear its hash and "
        f"state its {figures}"
    )


def test_page_and_paper_agree_with_the_dossier_and_are_the_same_again(tmp_path: Path) -> None:
    result = make_result(tmp_path)
    facts = read_attempt(FACTS, "a.toml")
    dossier, one = make_dossier(result, attempt=facts, reporter=reports_of)
    assert failures(check(dossier)) == []
    paper = pypdf.PdfReader(dossier / "data" / "report.pdf")
    attached = {name: parts for name, parts in paper.attachments.items()}
    assert attached["manifest.json"] == [(dossier / "data" / "manifest.json").read_bytes()]
    for name in ("spin.json", "speed.csv"):
        assert attached[name] == [(dossier / "data" / "result" / name).read_bytes()]
    assert all(one.short_hash in page.extract_text() for page in paper.pages)
    again, two = make_dossier(result, attempt=facts, reporter=reports_of, target=tmp_path / "again")
    assert one.tag_hash == two.tag_hash


def proofs_of(result: Path, reading: str, **options: Any) -> tuple[str, str]:
    """Return the words of the page, and of the paper, of a dossier with this stopwatch."""
    watch = f'stopwatch = "{reading}"\n' if reading else ""
    facts = read_attempt(f'[[witness]]\nname = "W"\n{watch}'.encode(), "a.toml")
    dossier, _ = make_dossier(result, attempt=facts, reporter=reports_of, overwrite=True, **options)
    assert failures(check(dossier)) == []
    page = (dossier / "data" / "report.html").read_text("utf-8")
    paper = pypdf.PdfReader(dossier / "data" / "report.pdf")
    return page, " ".join(" ".join(p.extract_text() for p in paper.pages).split())


def test_a_stopwatch_that_disagrees_is_no_proof(tmp_path: Path) -> None:
    result = make_result(tmp_path)
    seconds = json.loads((result / "spin.json").read_text("utf-8"))["spin_time"]["seconds"]
    state = '<th scope="row">{}</th><td><span class="state {}">{}</span>'
    page, paper = proofs_of(result, f"{seconds + 0.3:.2f}")
    assert "W (the maker&#x27;s word)" in page and "W (the maker's word)" in paper
    for what in ("Stopwatch", "Time scale"):
        assert state.format(what, "pass", "given") in page
    page, paper = proofs_of(result, f"{seconds + 1.2:.2f}")
    for what in ("Stopwatch", "Time scale"):
        assert state.format(what, "look", "disagrees") in page
        assert f"{what} disagrees" in paper
    assert "+1.20 s against the spin time, more than the hand (0.5 s) and" in page


def test_a_dossier_s_report_says_how_to_measure_it_again_and_compare(tmp_path: Path) -> None:
    result = make_result(tmp_path)
    page, _ = proofs_of(result, "")
    assert "<pre>vidspin verify DOSSIER --remeasure</pre>" in page
    page, _ = proofs_of(result, "", include=False)
    assert "<pre>vidspin verify DOSSIER --recording FILE --remeasure</pre>" in page


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("hash", "does not bear the hash"),
        ("attachment", "attached to it is not the dossier's"),
        ("figures", "does not state the spin time"),
        ("nonsense", "cannot be read"),
    ],
)
def test_paper_that_says_something_else_is_found(change: str, told: str, tmp_path: Path) -> None:
    def lying(facts: ReportFacts) -> dict[str, bytes]:
        if change == "nonsense":
            return {"report.pdf": b"%PDF-1.7 and nothing else"}
        if change == "hash":
            return reports_of(dataclasses.replace(facts, short_hash="0123456789abcdef"))
        if change == "attachment":
            return reports_of(dataclasses.replace(facts, manifest_bytes=b"{}"))
        spin = json.loads(facts.files["spin.json"])
        spin["spin_time"]["seconds"] += 60.0
        files = {**facts.files, "spin.json": json.dumps(spin).encode()}
        return reports_of(dataclasses.replace(facts, files=files))

    dossier, _ = make_dossier(make_result(tmp_path), reporter=lying)
    found = [s for s in check(dossier).steps if "data/report.pdf" in s.files]
    assert any(told in step.says for step in found)


@pytest.mark.parametrize("named", [False, True])
def test_paper_has_a_statement_for_everybody_who_signs(*, named: bool, tmp_path: Path) -> None:
    """Where nobody was named: the operator and two witnesses, with blanks for their keys."""
    key = "SHA256:" + "k" * 43
    facts, roles = Attempt(), ["operator", "witness-a", "witness-b"]
    if named:
        text = f'[[witness]]\nrole = "umpire"\nkey = "{key}"\n'
        facts, roles = read_attempt(text.encode(), "a.toml"), ["operator", "umpire"]
    dossier, _ = make_dossier(make_result(tmp_path), attempt=facts, reporter=reports_of)
    pages = pypdf.PdfReader(dossier / "data" / "report.pdf").pages
    text = " ".join(page.extract_text() for page in pages).replace("\u200b", "")
    assert re.findall(r"Statement of the ([a-z-]+)", text) == roles
    assert text.replace("\n", "").count(key) == (2 if named else 0)  # among the facts as well


# -------------------------------------------------------------------------- hostile


@pytest.mark.parametrize(
    "name", ["../../x.mp4", "..\\..\\x.mp4", "/etc/x.mp4", "a b\u202egpj.mp4", "\x1b[2Jx.mp4",
             "nul.mp4", "x" * 300 + ".mp4"]
)  # fmt: skip
def test_recording_with_a_hostile_name_stays_in_the_bag(name: str, tmp_path: Path) -> None:
    result = make_result(tmp_path / "in", name=name if len(name) < 200 else "y.mp4")
    if len(name) >= 200:
        spin = json.loads((result / "spin.json").read_text("utf-8"))
        spin["recording"]["chapters"][0]["name"] = name
        (result / "spin.json").write_text(json.dumps(spin), "utf-8")
    recording = next(p for p in (tmp_path / "in").iterdir() if p.is_file())
    dossier, made = make_dossier(
        result, recordings=(recording,), target=tmp_path / "out" / "a.dossier"
    )
    assert made.manifest["recording"]["chapters"][0]["name"] == name
    assert made.manifest["recording"]["chapters"][0]["path"] == "data/recording/recording-1.mp4"
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["a.dossier"]
    found = check(dossier)
    assert found.good
    assert all(step.says.isprintable() for step in found.steps)


def test_recording_is_not_looked_for_outside_the_folder(tmp_path: Path) -> None:
    (tmp_path / "secret.mp4").write_bytes(b"x")
    result = make_result(tmp_path / "in", name="../secret.mp4")
    assert locate(read_spin(result), result, []) == (None,)


@pytest.mark.parametrize(
    "member", ["../../x", "data/../../x", "/etc/passwd", "data/a b", "data/\x1b"]
)
@pytest.mark.parametrize("name", ["manifest-sha256.txt", "tagmanifest-sha256.txt"])
def test_member_path_that_leaves_the_bag_is_not_followed(
    name: str, member: str, dossier: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[str] = []
    real = bag.open_plain
    monkeypatch.setattr(bag, "open_plain", lambda p: opened.append(str(p)) or real(p))
    (dossier.parent / "x").write_text("outside")
    with (dossier / name).open("a") as target:
        target.write(f"{'0' * 64}  {member}\n")
    found = check(dossier)
    assert name in suspects(found)
    inside = str(dossier) + os.sep
    assert opened
    assert all(os.path.normpath(path).startswith(inside) for path in opened)
    assert all(step.says.isprintable() for step in found.steps)


@pytest.mark.parametrize("where", ["data/result/speed.csv", "seals", "data", "data/more"])
def test_link_in_a_bag_is_told_and_not_followed(where: str, dossier: Path) -> None:
    outside = dossier.parent / "outside"
    place = dossier / where
    if place.exists():
        shutil.move(place, outside)
    else:
        outside.write_text("secret")
    place.symlink_to(outside)
    found = check(dossier)
    assert where in suspects(found)
    assert any("is a link" in says for says in failures(found))


def test_pipe_in_a_bag_is_not_waited_for(dossier: Path) -> None:
    os.mkfifo(dossier / "data" / "pipe")
    assert "data/pipe" in suspects(check(dossier))


def test_terminal_escapes_in_names_are_told_as_text(dossier: Path) -> None:
    (dossier / "data" / "\x1b]0;owned\x07\u202etxt").write_text("x")
    found = check(dossier)
    assert any("\\u{1b}]0;owned\\u{7}\\u{202e}txt" in says for says in failures(found))
    assert all(step.says.isprintable() for step in found.steps)


def test_sealed_link_in_a_result_folder_is_not_followed(tmp_path: Path) -> None:
    result = make_result(tmp_path)
    (result / "speed.png").unlink()
    (result / "speed.png").symlink_to("/etc/passwd")
    with pytest.raises(UsageError, match="a link"):
        make_dossier(result)
    spin = json.loads((result / "spin.json").read_text("utf-8"))
    spin["files"] = ["../goldfinch.mp4"]
    (result / "spin.json").write_text(json.dumps(spin), "utf-8")
    with pytest.raises(UsageError, match="unsafe name"):
        make_dossier(result)


@pytest.mark.parametrize(
    "content", [b"", b"[" * 200_000, b'{"schema": "vidspin/manifest/1"}', b"\xff\xfe", b"null"]
)
@pytest.mark.parametrize("path", ["data/manifest.json", "data/result/spin.json"])
def test_nonsense_in_a_document_is_a_finding(path: str, content: bytes, dossier: Path) -> None:
    (dossier / path).write_bytes(content)
    found = check(dossier)
    assert path in suspects(found)


def test_archive_that_would_unpack_to_gigabytes_is_not_unpacked(tmp_path: Path) -> None:
    import zipfile

    result = make_result(tmp_path)
    with zipfile.ZipFile(result / "sightings.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("time_s.npy", bytes(60_000_000))
    dossier, _ = make_dossier(result)
    assert any("far more than it can hold" in says for says in failures(check(dossier)))


# -------------------------------------------------------------------- attempt facts


def test_what_a_dossier_takes_its_checks_read(tmp_path: Path) -> None:
    result = make_result(tmp_path)
    path = result / "sightings.npz"
    with np.load(path) as opened:
        arrays = dict(opened)
    frames = len(arrays["time_s"])  # as a recording of some hours at 240 frames a second
    arrays["more"] = np.zeros((frames, (1 << 28) // frames + 1), np.uint8)
    np.savez(path, **arrays)
    assert path.stat().st_size > 1 << 28
    dossier, _ = make_dossier(result)
    assert failures(check(dossier)) == []


def test_reports_that_no_check_would_read_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (limit,) = re.findall(r"^LONGEST = 1 << (.+)$", SCRIPT.read_text("utf-8"), re.MULTILINE)
    assert build.LONGEST_FOR_SCRIPT == 1 << int(limit)
    long = {"report.html": b" " * 2000}
    monkeypatch.setattr(build, "LONGEST_FOR_SCRIPT", 1999)
    monkeypatch.setattr(build, "_READ_BY_SCRIPT", ("data/report.html",))
    with pytest.raises(UsageError, match=r"report\.html: longer than its checks read"):
        make_dossier(make_result(tmp_path), target=tmp_path / "d", reporter=lambda _: long)
    assert not (tmp_path / "d").exists()


def test_template_can_be_read_as_it_is_and_filled_in() -> None:
    empty = read_attempt(template().encode(), "t")
    assert empty.facts == {}
    filled = template().replace('title = ""', 'title = "</script><b>$x$"')
    filled = filled.replace('stopwatch = ""', 'stopwatch = "0:41:37.2"')
    filled = filled.replace('mass_g      = ""', "mass_g      = 41.5")
    facts = read_attempt(filled.encode(), "t").facts
    assert facts["title"] == "</script><b>$x$"
    assert facts["top"] == {"mass_g": 41.5}
    assert facts["witnesses"] == [{"role": "witness-a", "stopwatch": 2497.2}]


@pytest.mark.parametrize(
    ("text", "words"),
    [("tittle = 'x'", "tittle"), ("[top]\nmass = 3", "mass"), ("title = ['a']", "title"),
     ("[[witness]]\nstopwatch = 'long'", "stopwatch"), ("[operator]\nkey = 'abc'", "key"),
     ("title = ", "TOML"), ("[[witness]]\nrole = '../x'", "role"), ("witness = 3", "witness"),
     ("[[witness]]\nrole='a1'\n[[witness]]\nrole='a1'", "twice")],
)  # fmt: skip
def test_attempt_file_with_a_mistake_is_refused_by_name(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        read_attempt(text.encode(), "a.toml")


# -------------------------------------------------------------------- stand-alone script

SCRIPT = ROOT / "vidspin" / "dossier" / "check_dossier.py"


def script(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-I", "-S", str(SCRIPT), *map(str, arguments)]
    return subprocess.run(command, check=False, capture_output=True, text=True)


def test_script_in_the_dossier_and_in_the_documentation_is_the_same(sealed: Path) -> None:
    assert (sealed / "check_dossier.py").read_bytes() == SCRIPT.read_bytes()
    assert (ROOT / "docs" / "check_dossier.py").read_bytes() == SCRIPT.read_bytes()
    digest = hashlib.sha256(SCRIPT.read_bytes()).hexdigest()
    assert digest in (ROOT / "docs" / "dossier.md").read_text("utf-8")


def test_script_uses_the_standard_library_alone() -> None:
    modules = re.findall(r"^(?:import|from) (\w+)", SCRIPT.read_text("utf-8"), flags=re.MULTILINE)
    assert set(modules) <= set(sys.stdlib_module_names)


def test_script_finds_a_whole_dossier_whole(dossier: Path) -> None:
    done = script(dossier)
    assert done.returncode == 0, done.stdout + done.stderr
    for role, fingerprint in check(dossier).signers.items():
        assert f"signed by  {role}, with the key {fingerprint}" in done.stdout


@pytest.mark.parametrize(
    "path", ["data/result/speed.csv", "bag-info.txt", "manifest-sha256.txt", "seals/operator.sig",
             "tagmanifest-sha256.txt", "data/recording/goldfinch.mp4", "seals/allowed_signers"]
)  # fmt: skip
def test_script_finds_a_flipped_bit(path: str, dossier: Path) -> None:
    size = (dossier / path).stat().st_size
    flip(dossier / path, size // 2, 0)
    done = script(dossier)
    assert done.returncode == 6
    assert "SOMETHING IS WRONG" in done.stdout


def test_script_names_the_changed_piece(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path), include=False)
    recording = tmp_path / "goldfinch.mp4"
    sign(dossier, "operator", tmp_path / "keys")
    assert script(dossier, "--recording", recording).returncode == 0
    flip(recording, 2 * PIECE_BYTES + 1, 7)
    done = script(dossier, "--recording", recording)
    assert done.returncode == 6
    assert f"piece 3 of 3, from byte {2 * PIECE_BYTES} on" in done.stdout


def with_manifest(dossier: Path, change: Callable[[Any], object]) -> list[str]:
    """Change the manifest of an unsigned dossier, list it anew; tell what is found."""
    path = dossier / "data" / "manifest.json"
    said = json.loads(path.read_bytes())
    change(said)
    path.write_bytes(canonical.dumps(said))
    (dossier / "seals").mkdir(exist_ok=True)
    relisted(dossier)
    return failures(check(dossier))


def test_recording_that_is_said_to_be_there_and_is_not_is_found(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path))
    path = "data/recording/goldfinch.mp4"
    (dossier / path).unlink()

    def drop(said: Any) -> None:
        said["files"] = [one for one in said["files"] if one["path"] != path]

    (says,) = with_manifest(dossier, drop)
    assert says == f"data/manifest.json says that it is {path}, which is missing"


def test_manifest_says_the_same_twice_of_what_is_in_the_dossier(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path), include=False)
    (says,) = with_manifest(dossier, lambda said: said["recording"].update(included=True))
    assert "does not say the same twice" in says


def test_witness_without_a_role_is_a_finding(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path))
    key = f"SHA256:{'A' * 43}"
    told = with_manifest(dossier, lambda said: said["attempt"].update(witnesses=[{"key": key}]))
    assert any("without a role" in says for says in told)


def relisted(dossier: Path) -> None:
    """Bring both lists up to date and sign anew, as somebody would who changed a file."""
    for path in (dossier / "seals").iterdir():
        path.unlink()
    names = [name for name in files_of(dossier) if name.startswith("data/")]
    hashes = {name: bag.hash_file(dossier / name) for name in names}
    (dossier / "seals").rmdir()
    bag.write_lists(dossier, hashes, {"Bagging-Date": "2026-11-25"})


def test_result_that_was_changed_and_sealed_anew_is_found(tmp_path: Path) -> None:
    """Manifest and reports still bear the old hash."""
    dossier, _ = make_dossier(make_result(tmp_path), reporter=reports_of)
    sign(dossier, "operator", tmp_path / "keys")
    done = script(dossier)
    assert done.returncode == 0, done.stdout
    spin = dossier / "data" / "result" / "spin.json"
    spin.write_bytes(spin.read_bytes().replace(b'"marks": 1', b'"marks": 2'))
    relisted(dossier)
    sign(dossier, "operator", tmp_path / "others")
    done = script(dossier)
    assert done.returncode == 6
    for words in (
        "data/result/spin.json: is not what data/manifest.json says",
        "data/report.html: does not bear the hash of spin.json",
        "data/report.pdf: carries another spin.json",
    ):
        assert words in done.stdout
    told = failures(check(dossier))
    assert "data/result/spin.json is not what data/manifest.json says" in told
    assert any("report.pdf: the spin.json attached" in says for says in told)


def named(tmp_path: Path) -> Path:
    """Make a dossier whose facts name two people with their keys; nobody has signed yet."""
    lines = []
    for role in ("operator", "witness-a"):
        (tmp_path / "keys").mkdir(exist_ok=True)
        line = new_key(tmp_path / "keys" / role).line
        head = "[operator]" if role == "operator" else f'[[witness]]\nrole = "{role}"'
        lines.append(f'{head}\nkey = "{line} a comment"\n')
    facts = read_attempt("".join(lines).encode(), "a.toml")
    return make_dossier(make_result(tmp_path), attempt=facts)[0]


def test_signers_are_those_whom_the_facts_name(tmp_path: Path) -> None:
    dossier = named(tmp_path)
    keys = {role: load_key(tmp_path / "keys" / role) for role in ("operator", "witness-a")}
    assert script(dossier).returncode == 6
    seals.countersign(dossier, "operator", keys["operator"])
    done = script(dossier)
    assert done.returncode == 6
    assert "witness-a: has not signed with the key named" in done.stdout
    assert any("witness-a, whose key" in says for says in failures(check(dossier)))
    with pytest.raises(UsageError, match="this very key"):
        seals.countersign(dossier, "witness-a", keys["operator"])
    seals.countersign(dossier, "witness-a", keys["witness-a"])
    assert script(dossier).returncode == 0
    assert check(dossier).good
    sign(dossier, "witness-b", tmp_path / "more")
    done = script(dossier)
    assert done.returncode == 6
    assert "seals/witness-b.sig: the dossier names no such signer" in done.stdout
    assert any("witness-b signed, whom" in says for says in failures(check(dossier)))


def test_one_key_for_two_people_is_refused_and_found(dossier: Path) -> None:
    line = new_key(dossier.parent / "one").line
    twice = f'[operator]\nkey = "{line}"\n[[witness]]\nkey = "{line}"\n'
    with pytest.raises(UsageError, match="stands twice"):
        read_attempt(twice.encode(), "a.toml")
    folder = dossier / "seals"
    shutil.copy(folder / "operator.sig", folder / "witness-a.sig")
    signers = (folder / "allowed_signers").read_text("utf-8").splitlines()
    same = signers[0].replace("operator", "witness-a")
    (folder / "allowed_signers").write_text(f"{signers[0]}\n{same}\n", "utf-8")
    (dossier / seals.SEALS_LIST).write_bytes(bag.list_text(seals.seal_hashes(dossier)))
    assert any("one and the same key" in says for says in failures(check(dossier)))
    done = script(dossier)
    assert done.returncode == 6
    assert "made with the same key as operator" in done.stdout


@pytest.mark.parametrize("change", ["added", "deleted"])
def test_script_finds_files_added_to_the_seals_or_deleted(change: str, dossier: Path) -> None:
    if change == "added":
        (dossier / "seals" / "note.txt").write_text("x")
    else:
        (dossier / "seals" / "witness-a.sig").unlink()
    done = script(dossier)
    assert done.returncode == 6
    assert ("note.txt: is not in" if change == "added" else "witness-a.sig: is in") in done.stdout


def test_script_is_not_led_out_of_the_folder(dossier: Path) -> None:
    (dossier / "data" / "link").symlink_to("/etc/passwd")
    (dossier / "data" / "\x1b[2J").write_text("x")
    with (dossier / "manifest-sha256.txt").open("a") as target:
        target.write(f"{'0' * 64}  data/../../x\n")
    done = script(dossier)
    assert done.returncode == 6
    assert "\x1b" not in done.stdout
    assert "path is unsafe" in done.stdout


def sealed_by_strangers(dossier: Path, tmp_path: Path) -> None:
    """Make everything anew that can be, with keys of one's own."""
    (dossier / "seals").mkdir(exist_ok=True)
    relisted(dossier)
    for role in ("operator", "witness-a"):
        sign(dossier, role, tmp_path / "strangers")


@pytest.mark.parametrize("signers", ["absent", "others"])
def test_script_takes_the_signers_from_the_attempt_s_facts(signers: str, tmp_path: Path) -> None:
    dossier = named(tmp_path)
    (dossier / "data" / "attempt.toml").unlink()
    path = dossier / "data" / "manifest.json"
    manifest = json.loads(path.read_bytes())
    manifest["files"] = [f for f in manifest["files"] if f["path"] != "data/attempt.toml"]
    stated = manifest.pop("signers")
    if signers == "others":
        manifest["signers"] = [{**one, "key": None} for one in stated]
    path.write_bytes(canonical.dumps(manifest))
    sealed_by_strangers(dossier, tmp_path)
    done = script(dossier)
    assert done.returncode == 6
    for one in stated:
        assert f"{one['role']}: has not signed with the key named, {one['key']}" in done.stdout
    assert ("names other signers" in done.stdout) == (signers == "others")


@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "utf-16"])
def test_script_reads_keys_as_verify_does(coding: str, tmp_path: Path) -> None:
    key = new_key(tmp_path / "own.key")
    text = f'[operator]\nkey = " {key.fingerprint} "\n[[witness]]\nkey = "  "\n'
    facts = read_attempt(text.encode(coding), "a.toml")
    dossier, _ = make_dossier(make_result(tmp_path), attempt=facts)
    seals.countersign(dossier, "operator", load_key(tmp_path / "own.key"))
    assert check(dossier).good
    done = script(dossier)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("length", [88, 89, 96, 97])
def test_a_long_name_leaves_room_for_the_list_of_pieces(length: int, tmp_path: Path) -> None:
    name = "a" * (length - 4) + ".mp4"
    result = make_result(tmp_path, name=name)
    dossier, made = make_dossier(result, recordings=(tmp_path / name,))
    assert check(dossier).good
    (chapter,) = made.manifest["recording"]["chapters"]
    kept = length + len(".pieces.txt") <= bag.LONGEST_NAME
    assert chapter["path"].endswith(name if kept else "recording-1.mp4")


def test_a_chapter_takes_no_name_that_another_one_has() -> None:
    taken: set[str] = set()
    names = ["recording-2.mp4", "take 2.mp4", "take 3.mp4", "Recording-2.MP4"]
    given = [_free_name(name, number, taken) for number, name in enumerate(names, 1)]
    assert given == ["recording-2.mp4", "recording-3.mp4", "recording-4.mp4", "recording-5.mp4"]


@pytest.mark.parametrize("path", [".DS_Store", "seals/.DS_Store", "data/Thumbs.db", "desktop.ini"])
def test_what_a_file_manager_left_is_told_apart_from_damage(path: str, dossier: Path) -> None:
    (dossier / path).write_bytes(b"\0\0\0\1Bud1")
    told = failures(check(dossier))
    name = path.rpartition("/")[2]
    assert any(f"{path} " in one and f"delete {name}: your file manager" in one for one in told)
    done = script(dossier)
    assert done.returncode == 6 and "your file manager made it" in done.stdout
    (dossier / path).unlink()
    assert check(dossier).good and "file manager" not in script(dossier).stdout


def test_a_renamed_file_is_told_under_both_names(dossier: Path) -> None:
    (dossier / "data" / "result" / "speed.png").rename(dossier / "data" / "result" / "fast.png")
    told, said = failures(check(dossier)), script(dossier).stdout
    for name, how in (("speed", "is named in data/manifest.json and is missing"),
                      ("fast", "is not in data/manifest.json")):  # fmt: skip
        assert any(says.endswith(f"data/result/{name}.png {how}") for says in told)
        assert f"data/result/{name}.png: {how}" in said
