"""Trusted time: an authority of our own, made with openssl, on the loopback."""

from __future__ import annotations

import re
import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from asn1crypto import tsp
from authority import Authority, openssl
from dossiers import check, failures, make_dossier, make_result, sign, suspects
from outside import needed

from vidspin.cli import app
from vidspin.dossier import bag, seals, timestamp
from vidspin.errors import CheckFailed, UsageError

pytestmark = pytest.mark.usefixtures("openssl_program")


@pytest.fixture(scope="session")
def openssl_program() -> str:
    return needed("openssl", "openssl", package="openssl")


@pytest.fixture(scope="module")
def authority(openssl_program: str, tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("a") / "tsa", "here")


@pytest.fixture(scope="module")
def stranger(openssl_program: str, tmp_path_factory: pytest.TempPathFactory) -> Authority:
    """Another authority, whose root nobody trusts, with its whole chain in its tokens."""
    return Authority(tmp_path_factory.mktemp("b") / "tsa", "elsewhere")


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    dossier, _ = make_dossier(make_result(tmp_path_factory.mktemp("d"), size=1000))
    return dossier


@pytest.fixture
def dossier(plain: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(plain, tmp_path / "a.dossier"))


def roots(authority: Authority) -> tuple[timestamp.Certificate, ...]:
    return tuple(timestamp.read_certificates(authority.root.read_bytes()))


def message_of(dossier: Path) -> bytes:
    return (dossier / bag.TAG_MANIFEST).read_bytes()


def run(*arguments: object) -> int:
    return app.main([str(argument) for argument in arguments])


def stamped(dossier: Path, authority: Authority) -> None:
    query = timestamp.new_request(message_of(dossier))
    seals.add_time(dossier, query, authority.reply(query))


def test_token_from_the_network_holds_for_verify_and_for_openssl(
    authority: Authority, dossier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with authority.online() as url:
        assert run("countersign", dossier, "--timestamp", url) == 0
    assert "sealed before 2" in capsys.readouterr().out
    found = check(dossier, authorities=roots(authority))
    assert found.good
    assert found.sealed_before is not None
    when = datetime.fromisoformat(found.sealed_before)
    assert abs(when - datetime.now(UTC)) < timedelta(minutes=2)
    text = (dossier / "HOW-TO-CHECK.txt").read_text("utf-8")
    (line,) = re.findall(r"^ +(openssl ts -verify .*)$", text, flags=re.MULTILINE)
    command = line.replace("ROOT.pem", str(authority.root))
    done = subprocess.run(["sh", "-c", command], cwd=dossier, check=False, capture_output=True)
    assert b"Verification: OK" in done.stdout + done.stderr


def test_request_is_read_by_openssl(dossier: Path, tmp_path: Path) -> None:
    (tmp_path / "q").write_bytes(timestamp.new_request(message_of(dossier)))
    text = openssl("ts", "-query", "-in", tmp_path / "q", "-text").decode()
    digest = bag.hash_file(dossier / bag.TAG_MANIFEST)
    shown = "".join(re.findall(r"^ +[0-9a-f]{4} - ([0-9a-f -]+?)   ", text, flags=re.MULTILINE))
    assert shown.replace("-", "").replace(" ", "") == digest
    assert "Nonce: 0x" in text
    assert "Certificate required: yes" in text


def test_files_carry_request_and_reply_to_a_machine_with_network_and_back(
    authority: Authority, dossier: Path, tmp_path: Path
) -> None:
    query, reply = tmp_path / "q.tsq", tmp_path / "r.tsr"
    assert run("countersign", dossier, "--timestamp-request", query, "--quiet") == 0
    assert not (dossier / "seals").exists()
    reply.write_bytes(authority.reply(query.read_bytes()))
    arguments = ["--timestamp-request", query, "--timestamp-reply", reply]
    assert run("countersign", dossier, *arguments, "--quiet") == 0
    assert (dossier / "seals" / "time.tsq").read_bytes() == query.read_bytes()
    # a time alone proves nothing of who stands for it
    assert run("verify", dossier, "--authority", authority.root, "--quiet") == 6
    sign(dossier, "operator", tmp_path / "keys")
    assert run("verify", dossier, "--authority", authority.root, "--quiet") == 0


def test_without_a_trusted_root_the_time_is_told_but_not_taken(
    authority: Authority, dossier: Path
) -> None:
    stamped(dossier, authority)
    found = check(dossier)
    assert found.good
    assert found.sealed_before is None
    (step,) = [step for step in found.steps if step.name == "time"]
    assert step.state == "unchecked"
    assert "--authority" in step.says


def test_token_of_another_authority_is_refused_even_with_its_root_in_the_folder(
    authority: Authority, stranger: Authority, dossier: Path
) -> None:
    """A library that is given the folder's certificates as helpers must not trust a root there."""
    stamped(dossier, stranger)
    chain = (dossier / "seals" / "time-chain.pem").read_bytes()
    roots_there = [c for c in timestamp.read_certificates(chain) if c.issuer == c.subject]
    assert len(roots_there) == 1  # the stranger's own root came with the token
    found = check(dossier, authorities=roots(authority))
    assert not found.good
    assert found.sealed_before is None
    assert any("not signed by the authority that you trust" in says for says in failures(found))
    assert check(dossier, authorities=roots(stranger)).sealed_before is not None


def test_intermediate_is_no_root(authority: Authority, dossier: Path) -> None:
    stamped(dossier, authority)
    middle = tuple(timestamp.read_certificates(authority.middle.read_bytes()))
    assert not check(dossier, authorities=middle).good


def test_token_with_its_own_certificate_alone_needs_the_chain(
    tmp_path: Path, dossier: Path
) -> None:
    bare = Authority(tmp_path / "tsa", "bare", chain_in_token=False)
    (bare.folder / "chain.pem").write_bytes((bare.folder / "stamp.pem").read_bytes())
    query = timestamp.new_request(message_of(dossier))
    reply = bare.reply(query)
    middle = timestamp.read_certificates(bare.middle.read_bytes())
    without, with_it = dossier, Path(shutil.copytree(dossier, tmp_path / "b"))
    seals.add_time(without, query, reply)
    assert not check(without, authorities=roots(bare)).good
    seals.add_time(with_it, query, reply, middle)
    assert check(with_it, authorities=roots(bare)).sealed_before is not None


def test_token_about_other_data_is_not_taken(authority: Authority, dossier: Path) -> None:
    query = timestamp.new_request(b"something else")
    with pytest.raises(CheckFailed, match="other data"):
        seals.add_time(dossier, query, authority.reply(query))


def test_token_that_answers_another_request_is_not_taken(
    authority: Authority, dossier: Path
) -> None:
    first, second = (timestamp.new_request(message_of(dossier)) for _ in range(2))
    assert first != second  # each has a nonce of its own
    with pytest.raises(CheckFailed, match="does not answer the request"):
        seals.add_time(dossier, second, authority.reply(first))


@pytest.mark.parametrize("reply", [b"", b"<html>", b"\x30\x03\x02\x01\x00", b"\x30" * 5000])
def test_nonsense_from_an_authority_is_not_taken(reply: bytes, dossier: Path) -> None:
    with pytest.raises(CheckFailed, match="cannot be used"):
        seals.add_time(dossier, None, reply)
    assert not (dossier / "seals").exists()


def test_refusal_of_an_authority_is_told(dossier: Path) -> None:
    reason = b"bad \x1b[2Jhash"  # TimeStampResp{PKIStatusInfo{rejection, PKIFreeText{reason}}}
    text = bytes([0x30, len(reason) + 2, 0x0C, len(reason)]) + reason
    status = bytes([0x30, len(text) + 3, 0x02, 1, 2]) + text
    reply = bytes([0x30, len(status)]) + status
    with pytest.raises(CheckFailed, match=r"refused: bad \\u\{1b\}\[2Jhash"):
        seals.add_time(dossier, None, reply)


def test_token_of_a_changed_dossier_does_not_hold(authority: Authority, dossier: Path) -> None:
    stamped(dossier, authority)
    path = dossier / "data" / "result" / "speed.png"
    path.write_bytes(b"another picture")
    payload = bag.read_list((dossier / bag.MANIFEST).read_bytes())
    payload["data/result/speed.png"] = bag.hash_file(path)
    shutil.move(dossier / "seals", dossier.parent / "seals")
    bag.write_lists(dossier, payload, {})
    shutil.move(dossier.parent / "seals", dossier / "seals")
    found = check(dossier, authorities=roots(authority))
    assert any("no time stamp of this dossier" in says for says in failures(found))
    assert found.sealed_before is None


def test_every_damaged_byte_of_a_token_is_found(authority: Authority, dossier: Path) -> None:
    stamped(dossier, authority)
    for name in ("time.tsr", "time.tsq", "time-chain.pem"):
        path = dossier / "seals" / name
        data = path.read_bytes()
        for at in range(0, len(data), max(len(data) // 12, 1)):
            path.write_bytes(data[:at] + bytes([data[at] ^ 4]) + data[at + 1 :])
            found = check(dossier, authorities=roots(authority))
            assert not found.good
            assert f"seals/{name}" in suspects(found)
        path.write_bytes(data)


def test_unsorted_certificates_are_put_in_order_and_the_bytes_kept(
    authority: Authority, dossier: Path
) -> None:
    query = timestamp.new_request(message_of(dossier))
    reply = authority.reply(query)
    response = tsp.TimeStampResp.load(reply)
    signed = response["time_stamp_token"]["content"]
    originals = [one.dump() for one in signed["certificates"]]
    assert len(originals) == 3
    for order in (sorted(originals), sorted(originals, reverse=True)):
        # length and tag stay: the certificates are only told in another order
        start = reply.index(originals[0])
        assert reply[start : start + sum(map(len, originals))] == b"".join(originals)
        shuffled = reply.replace(b"".join(originals), b"".join(order))
        place = dossier.parent / f"copy-{len(list(dossier.parent.iterdir()))}"
        shutil.copytree(dossier, place)
        seals.add_time(place, query, shuffled)
        assert (place / "seals" / "time.tsr").read_bytes() == shuffled
        assert check(place, authorities=roots(authority)).sealed_before is not None


def test_several_stamps_stand_beside_each_other_and_the_earliest_counts(
    authority: Authority, dossier: Path, tmp_path: Path
) -> None:
    stamped(dossier, authority)
    stamped(dossier, authority)
    sign(dossier, "operator", tmp_path / "keys")
    names = {path.name for path in (dossier / "seals").iterdir()}
    assert {"time.tsr", "time-2.tsr", "operator.sig"} <= names
    found = check(dossier, authorities=roots(authority))
    assert found.good
    assert sum(step.name == "time" and step.state == "pass" for step in found.steps) == 2


@pytest.mark.parametrize("url", ["ftp://x/", "file:///etc/passwd", "nonsense"])
def test_only_web_addresses_are_asked(url: str) -> None:
    with pytest.raises(UsageError, match="no address"):
        timestamp.ask(url, b"q")


def test_silence_of_an_authority_is_told_with_the_way_round() -> None:
    with pytest.raises(UsageError, match="--timestamp-request"):
        timestamp.ask("http://127.0.0.1:9/", b"q")
