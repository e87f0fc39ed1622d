"""A fixed handful of damaged documents; `fuzz_documents.py` by hand does many more."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("resource", reason="no limits on processes here")
import damage  # noqa: E402
import fuzz_documents  # noqa: E402 - needs it
from fuzz_child import Ended  # noqa: E402

SCRIPT = Path(fuzz_documents.__file__)
SUBJECTS = (
    "spin.json", "speed.csv", "sightings.npz", "ledger", "attempt", "law", "challenge", "keys",
    "dossier", "dossier, relisted",
)  # fmt: skip


def test_damaged_documents_end_with_a_documented_code_and_one_line() -> None:
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--count", "1", "--seed", "8", "--damaged-only",
         "--only", ";".join(SUBJECTS)],
        capture_output=True, text=True, timeout=1800,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    lines = done.stdout.splitlines()
    assert [line[:18].strip() for line in lines[:-1]] == list(SUBJECTS)
    assert lines[-1] == f"{len(SUBJECTS)} files, 0 ended badly"


@pytest.mark.parametrize(
    ("code", "stdout", "stderr", "outcome"),
    [
        (0, '{"a": 1}\n', "", "exit 0"),
        (6, '{"a": 1}\n', "", "exit 6"),
        (2, "", "vidspin: a: b; c\n", "exit 2"),
        (2, "", "", "not told in one line"),
        (2, "words\n", "vidspin: a: b; c\n", "not told in one line"),
        (2, "", "vidspin: a: b; c\nmore\n", "more than one line"),
        (2, "", "vidspin: a: \x1b[31m; c\n", "a line that is not printable"),
        (2, "", "vidspin: " + "x" * 5000 + "\n", "a line without end"),
        (0, '{"a": NaN}\n', "", "no JSON (holds NaN)"),
        (1, "", "vidspin: a bug in vidspin (KeyError: 1)\n", "bug"),
        (1, "", "vidspin: a\n", "code 1"),
        (-11, "", "", "crash SIGSEGV"),
    ],
)
def test_bad_ends_are_told_from_good_ones(
    code: int, stdout: str, stderr: str, outcome: str
) -> None:
    ended = Ended(code, "", stdout, stderr, 1.0, 1)
    assert fuzz_documents.judged("claim a.spin --json", ended) == outcome


def test_bent_values_are_the_same_for_the_same_seed_and_often_still_a_document() -> None:
    document = {"a": [1, {"b": "text"}], "c": 2.5, "d": None, "e": True}
    read = 0
    for seed in range(60):
        once, again = (
            damage.bent_json(json.dumps(document).encode(), np.random.default_rng(seed))
            for _ in range(2)
        )
        assert once == again
        try:
            read += json.loads(once[1]) != document
        except (ValueError, RecursionError):
            pass
    assert 30 < read < 60


def test_bent_settings_are_often_still_toml() -> None:
    read = 0
    for seed in range(60):
        _, data = damage.bent_toml(fuzz_documents.OPTIONS, np.random.default_rng(seed))
        try:
            read += bool(tomllib.loads(data.decode("utf-8")))
        except (ValueError, RecursionError):
            pass
    assert read > 30
