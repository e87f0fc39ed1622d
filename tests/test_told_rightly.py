"""Small things that were once told wrongly: limits, locks, pictures, ends."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from dossiers import make_result

from vidspin.calibration.learnt import as_told
from vidspin.cli.measure import _if_short
from vidspin.errors import UsageError
from vidspin.records import Ellipse, Quantity
from vidspin.report import gather
from vidspin.report.basis import stopwatch_checks
from vidspin.simulate import Scene
from vidspin.top.survey import NoTop


def _files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_a_stopwatch_below_what_is_seen_at_least_disagrees(tmp_path: Path) -> None:
    files = _files(make_result(tmp_path))
    spin = json.loads(files["spin.json"])
    spin["spin_time"] |= {"seconds": None, "u95_s": None, "at_least_s": 10.29}
    data = gather({**files, "spin.json": json.dumps(spin).encode()})
    below, above = stopwatch_checks(data, (("witness-a", 5.0), ("witness-b", 11.0)))
    assert not below.agrees and "at least" in below.text
    assert above.agrees


def test_a_locked_exposure_is_the_users_word_under_every_candidate() -> None:
    locked = Quantity(0.002, 1e-5, "locked, from the camera profile")
    assert as_told(locked, resolved=False) == locked
    fitted = Quantity(0.012, 1e-3, "fitted, with the speed that was found")
    told = as_told(fitted, resolved=False)
    assert told is not None and "likeliest" in told.how
    assert as_told(told, resolved=True) == fitted


def test_the_picture_of_a_short_recording_keeps_what_was_found() -> None:
    ring = Ellipse(50.0, 40.0, 20.0, 15.0, 0.0)
    error = NoTop(
        "its turning could not be followed", where="a.mp4", do="film closer",
        picture=np.zeros((8, 8), np.float32), scale=1.0, found=ring,
    )  # fmt: skip

    class Facts:
        duration_s = 0.4

    short = _if_short(error, Facts())  # type: ignore[arg-type]
    assert "too short" in str(short)
    assert short.found == ring  # type: ignore[attr-defined]


def test_a_changed_pace_goes_round_no_limit() -> None:
    with pytest.raises(UsageError, match="too many frames"):
        Scene(seconds=1000.0, paces=((0.5, Fraction(10_000)),))
