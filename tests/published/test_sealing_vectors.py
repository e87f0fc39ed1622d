"""Sealing against published vectors.

* RFC 8785: ``values.json``, ``structures.json``, ``arrays.json``, ``unicode.json``,
  ``weird.json`` and number lines of the test data that the RFC's author keeps at
  cyberphone/json-canonicalization (read there).
* RFC 8032, section 7.1: tests 1 to 3 (as quoted in public tests; test 3 from memory).
* FIPS 180-4: NIST's examples for SHA-256 (three of the five from memory; openssl agrees).
* RFC 6962, section 2.1: leaves, roots for 1 to 8 leaves from the test constants of
  transparency-dev/merkle (read there).
"""

from __future__ import annotations

import hashlib
import io
import json
import struct

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from vidspin.documents import read_json
from vidspin.dossier import check_dossier
from vidspin.dossier.bag import hash_file
from vidspin.dossier.canonical import dumps
from vidspin.dossier.merkle import leaf_hash, merkle_root, read_pieces
from vidspin.dossier.sshsig import public_key_of

# ------------------------------------------------------------------------- RFC 8785

VALUES = r"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
VALUES_OUT = (
    '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
    '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
)
STRUCTURES = """{
  "1": {"f": {"f": "hi", "F": 5} , "\\n": 56.0},
  "10": { }, "": "empty", "a": { },
  "111": [ {"e": "yes", "E": "no" } ], "A": { }
}"""
STRUCTURES_OUT = (
    '{"":"empty","1":{"\\n":56,"f":{"F":5,"f":"hi"}},"10":{},"111":[{"E":"no","e":"yes"}],'
    '"A":{},"a":{}}'
)
ARRAYS = '[56, {"d": true, "10": null, "1": [ ]}]'
ARRAYS_OUT = '[56,{"1":[],"10":null,"d":true}]'
UNICODE = '{"Unnormalized Unicode":"A\\u030a"}'
UNICODE_OUT = '{"Unnormalized Unicode":"A\u030a"}'


@pytest.mark.parametrize(
    ("text", "canonical"),
    [(VALUES, VALUES_OUT), (STRUCTURES, STRUCTURES_OUT), (ARRAYS, ARRAYS_OUT),
     (UNICODE, UNICODE_OUT)],
    ids=["values", "structures", "arrays", "unicode"],
)  # fmt: skip
def test_rfc_8785_documents(text: str, canonical: str) -> None:
    assert dumps(json.loads(text)) == canonical.encode("utf-8")


def test_rfc_8785_sorts_keys_by_utf_16() -> None:
    order = ["\n", "\r", "1", "</script>", "\u0080", "\u00f6", "\u20ac", "\U0001f602", "\ufb33"]
    written = dumps(dict.fromkeys(reversed(order), 0))
    assert list(json.loads(written)) == order
    assert sorted(order) != order  # Python's own order would have put the last two the other way


@pytest.mark.parametrize(
    ("bits", "text"),
    [("4340000000000001", "9007199254740994"), ("444b1ae4d6e2ef50", "1e+21"),
     ("3eb0c6f7a0b5ed8d", "0.000001"), ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
     ("8000000000000000", "0")],
)  # fmt: skip
def test_rfc_8785_numbers(bits: str, text: str) -> None:
    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    assert dumps(value) == text.encode()


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 2**53 + 1, b"bytes", {1: 2}])
def test_what_has_no_canonical_form_is_refused(value: object) -> None:
    with pytest.raises(ValueError, match="no canonical form"):
        dumps(value)


@pytest.mark.parametrize("text", ['{"a":1,"a":2}', "[NaN]", "[" * 100_000, '"\\ud800', b"\xff"])
def test_lax_json_is_refused(text: str | bytes) -> None:
    with pytest.raises(ValueError, match=r"."):
        read_json(text if isinstance(text, bytes) else text.encode())


# ------------------------------------------------------------------------- RFC 8032

ED25519 = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf"
        "9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f"
        "11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984"
        "dc6594a7c15e9716ed28dc027beceea1ec40a",
    ),
]


@pytest.mark.parametrize(("secret", "public", "message", "signature"), ED25519)
def test_rfc_8032_signatures(secret: str, public: str, message: str, signature: str) -> None:
    key, said, signed = (bytes.fromhex(text) for text in (public, message, signature))
    private = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert public_key_of(private).raw == key
    assert private.sign(said) == signed
    Ed25519PublicKey.from_public_bytes(key).verify(signed, said)
    assert check_dossier.genuine(key, said, signed)  # the stand-alone script's own arithmetic


@pytest.mark.parametrize("bit", range(0, 512, 37))
def test_own_arithmetic_refuses_a_flipped_signature(bit: int) -> None:
    _, public, message, signature = ED25519[1]
    broken = bytearray(bytes.fromhex(signature))
    broken[bit // 8] ^= 1 << bit % 8
    key, said = bytes.fromhex(public), bytes.fromhex(message)
    assert not check_dossier.genuine(key, said, bytes(broken))
    assert not check_dossier.genuine(key, said + b"\x00", bytes.fromhex(signature))


def test_own_arithmetic_refuses_a_second_form_of_the_same_signature() -> None:
    """S + L would verify as well if it were not refused (RFC 8032, section 5.1.7, step 1)."""
    _, public, message, signature = ED25519[1]
    raw = bytes.fromhex(signature)
    s = int.from_bytes(raw[32:], "little") + check_dossier.L
    forged = raw[:32] + s.to_bytes(32, "little")
    assert not check_dossier.genuine(bytes.fromhex(public), bytes.fromhex(message), forged)


# ----------------------------------------------------------------------- FIPS 180-4

LONG_896 = (
    b"abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmnhijklmnoijklmnopjklmnopqklmnopqr"
    b"lmnopqrsmnopqrstnopqrstu"
)
SHA256 = [
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (LONG_896, "cf5b16a778af8380036ce59e7b0492370b249b11e8f07a51afac45037afee9d1"),
    (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
]


@pytest.mark.parametrize(("data", "digest"), SHA256, ids=["0", "24", "448", "896", "8000000"])
def test_fips_180_4_hashes(data: bytes, digest: str, tmp_path) -> None:
    (tmp_path / "a").write_bytes(data)
    assert hash_file(tmp_path / "a") == digest
    assert read_pieces(io.BytesIO(data), piece_bytes=1000).sha256 == digest


# ------------------------------------------------------------------------- RFC 6962

LEAVES = [
    bytes.fromhex(text)
    for text in ("", "00", "10", "2021", "3031", "40414243", "5051525354555657",
                 "606162636465666768696a6b6c6d6e6f")
]  # fmt: skip
ROOTS = [
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]


@pytest.mark.parametrize("count", range(1, 9))
def test_rfc_6962_roots(count: int) -> None:
    leaves = [leaf_hash(data) for data in LEAVES[:count]]
    assert merkle_root(leaves).hex() == ROOTS[count - 1]
    assert check_dossier.tree([leaf.hex() for leaf in leaves]) == ROOTS[count - 1]


def test_rfc_6962_root_of_nothing() -> None:
    assert merkle_root([]) == hashlib.sha256(b"").digest()


@pytest.mark.parametrize("count", [9, 13, 31, 100])
def test_tree_is_the_one_of_the_definition(count: int) -> None:
    """Against the RFC's own recursive definition, word for word."""

    def mth(data: list[bytes]) -> bytes:
        if len(data) == 1:
            return hashlib.sha256(b"\x00" + data[0]).digest()
        k = 1
        while k * 2 < len(data):
            k *= 2
        return hashlib.sha256(b"\x01" + mth(data[:k]) + mth(data[k:])).digest()

    data = [bytes([n]) for n in range(count)]
    assert merkle_root([leaf_hash(one) for one in data]) == mth(data)
