"""The command that measures again: everything that was stated for the result is stated in it."""

from __future__ import annotations

import json
import shlex
from fractions import Fraction
from pathlib import Path

import pytest
from fabricate import fabricate

from vidspin.cli import app
from vidspin.cli import measure as measuring
from vidspin.records import CameraProfile, Quantity, Reference, Settings
from vidspin.report.once_more import measure_command
from vidspin.stated import stated_in
from vidspin.store import write_result

STATED = Settings(
    centre_px=(251.25, 160.0), radii_px=(80.0, 61.5), tilt_rad=0.25, marks=2,
    bounds_rpm=(500.0, 2400.0), captured_at=Fraction(240000, 1001), release_s=2.125,
    topple_s=64.1, overrule_reason="seen", every_s=0.5, diameter_mm=31.4,
    references=(
        Reference(1.5, 0.01, 0.0, 0.01, "1.50=0:00:10.5"),
        Reference(61.5, 0.01, 60.0, 0.01, "61.50=0:01:10.5"),
    ),
)  # fmt: skip


def document_of(settings: Settings, folder: Path) -> dict[str, object]:
    write_result(fabricate(settings=settings), {}, folder)
    return json.loads((folder / "spin.json").read_text("utf-8"))


def test_the_command_states_what_was_stated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    document = document_of(STATED, tmp_path / "wren.spin")
    caught: list[Settings] = []
    monkeypatch.setattr(
        measuring, "_measure_all", lambda jobs, settings, *_, **__: caught.append(settings) or 0
    )
    (program, *words) = shlex.split(measure_command(document))
    assert (program, app.main(words)) == ("vidspin", 0)
    (mine,), theirs = caught, stated_in(document)
    for name in ("centre_px", "radii_px", "marks", "bounds_rpm", "captured_at", "every_s",
                 "diameter_mm", "overrule_reason"):  # fmt: skip
        assert getattr(mine, name) == getattr(theirs, name), name
    assert mine.tilt_rad == pytest.approx(theirs.tilt_rad, abs=1e-9)
    assert [one.typed for one in mine.references] == [one.typed for one in theirs.references]
    # instants are stated on the recording's clock and kept on the corrected one
    clock = document["camera"]["clock_ppm"]["value"]  # type: ignore[index]
    assert mine.release_s == pytest.approx(theirs.release_s * (1 + 1e-6 * clock), abs=1e-6)
    assert mine.topple_s == pytest.approx(theirs.topple_s * (1 + 1e-6 * clock), abs=1e-6)


def test_nothing_stated_is_the_bare_command(tmp_path: Path) -> None:
    document = document_of(Settings(), tmp_path / "wren.spin")
    name = document["recording"]["chapters"][0]["name"]  # type: ignore[index]
    assert measure_command(document) == f"vidspin measure {name}"


def test_a_profile_and_what_a_shell_would_read_are_only_hinted_at(tmp_path: Path) -> None:
    reference = Reference(1.5, 0.01, 0.0, 0.01, "1.5=$(ls)")
    camera = CameraProfile("wide", 1280, 720, Fraction(240), Quantity(0.01, 1e-4, "learnt"))
    document = document_of(Settings(references=(reference,), camera=camera), tmp_path / "wren.spin")
    command = measure_command(document)
    assert command.endswith(" --camera PROFILE --reference T=CLOCK")


def test_chapters_are_named_in_their_order(tmp_path: Path) -> None:
    document = document_of(Settings(), tmp_path / "wren.spin")
    recording = document["recording"]
    recording["chapters"] = [{"name": "a.mp4"}, {"name": "b.mp4"}]  # type: ignore[index]
    assert measure_command(document) == "vidspin measure a.mp4 b.mp4 --chapters"
