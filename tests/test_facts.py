"""Facts that a person tells: one form of key, plain values, nothing that can do harm."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest

from vidspin.cli.told import facts_beside, facts_from_file
from vidspin.errors import UsageError
from vidspin.facts import fact_number, fact_text, facts_from_table, parse_facts, printable


def test_a_number_becomes_one_and_a_name_stays_text() -> None:
    told = parse_facts(["temperature=21.5", "tip=carbide", "base=007", "stem = 1e5", "gap=-0.5"])
    assert told == {
        "temperature": 21.5,
        "tip": "carbide",
        "base": "007",
        "stem": "1e5",
        "gap": -0.5,
    }


def test_keys_have_one_form_and_the_last_value_counts() -> None:
    assert parse_facts(["Room Temperature=20", "room-temperature=21"]) == {"room_temperature": 21.0}


@pytest.mark.parametrize("text", ["tip", "=x", "tip=", "ti/p=x", "t" * 65 + "=x", "ключ=x"])
def test_what_is_no_fact_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        parse_facts([text])


def test_a_toml_file_becomes_flat() -> None:
    table = tomllib.loads(
        'operator = "A"\nrules = ["one", "two"]\nday = 2024-05-01\nlive = true\n'
        'title = ""\n[top]\nname = "wren"\nmass_g = 45\ntip = "ruby"\n[attempt]\n'
        'base = "glass"\n[[witness]]\nname = "B"\n'
    )
    assert facts_from_table(table, where="attempt.toml") == {
        "operator": "A",
        "rules": "one; two",
        "day": "2024-05-01",
        "live": True,
        "top": "wren",
        "top.mass_g": 45.0,
        "tip": "ruby",
        "base": "glass",
    }


@pytest.mark.parametrize("text", ["x = nan", "x = [inf]", '"a/b" = 1'])
def test_a_toml_file_with_other_things_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match=r"attempt\.toml"):
        facts_from_table(tomllib.loads(text), where="attempt.toml")


def test_text_loses_its_control_characters_and_its_length() -> None:
    assert printable("a\x1b[2Jb\nc") == "a\ufffd[2Jb c"
    assert len(printable("x" * 9000)) == 2000
    assert printable("Ka\u0308fer") == fact_text("Ka\u0308fer") == "K\u00e4fer"


def test_files_that_hold_no_facts_are_told_in_a_line(tmp_path: Path) -> None:
    bad = {"bad.toml": b"tip = ", "bytes.toml": b"\xff\xff", "deep.toml": b"a=" + b"[" * 9000}
    for name, content in bad.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(UsageError, match=name):
            facts_from_file(tmp_path / name)
    with pytest.raises(UsageError, match="missing"):
        facts_from_file(tmp_path / "missing.toml")


def test_facts_beside_a_recording_are_found(tmp_path: Path) -> None:
    assert facts_beside(tmp_path / "a.mp4") == {}
    (tmp_path / "attempt.toml").write_text('tip = "steel"\n', encoding="utf-8")
    assert facts_beside(tmp_path / "a.mp4") == {"tip": "steel"}


def test_facts_are_written_as_people_do() -> None:
    assert [fact_text(v) for v in ("x", 21.5, 3.0, True, None)] == ["x", "21.5", "3", "yes", ""]
    assert fact_number({"a": 2.0, "b": "x", "c": True}, "a") == 2.0
    assert fact_number({"a": 2.0, "b": "x", "c": True}, "b") is None
    assert fact_number({"c": True}, "c") is None
    json.dumps(parse_facts(["a=1"]), allow_nan=False)
