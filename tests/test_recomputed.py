"""Everything that a result was measured with goes along when it is worked out or measured again."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from dossiers import sign

from vidspin.again import CHECK
from vidspin.cli.app import main
from vidspin.errors import ExitCode
from vidspin.records import CameraProfile, Quantity
from vidspin.simulate.encode import Encoding, write_clip
from vidspin.simulate.scene import Scene
from vidspin.simulate.spin import ExponentialLoss
from vidspin.store import load_schema
from vidspin.store.cameras import profile_text, write_profile

FAST_PPM = 200.0
RATE = 60
SECONDS = 5.0
RUN_OUT_PX = 0.5


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Slow motion without a tag, by a clock that counts 200 ppm too much; a top out of true."""
    path = tmp_path_factory.mktemp("recomputed") / "whimbrel.mp4"
    scene = Scene(
        width=320, height=180, seconds=SECONDS, frame_rate=RATE * Fraction(1_000_200, 10**6),
        stored_rate=Fraction(30), capture_tag=False, speed_rad_s=60.0, law=ExponentialLoss(90.0),
        readout_s=0.006, runout_px=RUN_OUT_PX, runout_rad=0.7,
    )  # fmt: skip
    write_clip(scene, path, Encoding(preset="ultrafast"), overwrite=False)
    return path


@pytest.fixture(scope="module")
def measured(clip: Path) -> Path:
    profile = CameraProfile(
        "phone", 320, 180, Fraction(RATE), Quantity(0.006, 2e-4, "two recordings"),
        Quantity(0.0012, 2e-4, "two recordings"), exposure_fixed=True,
        clock_ppm=Quantity(150.0, 40.0, "two recordings"),
    )  # fmt: skip
    camera = clip.with_name("phone.toml")
    write_profile(profile_text(profile, ()), camera, overwrite=False)
    pairs = [(t, t / (1 + FAST_PPM * 1e-6)) for t in (0.1, SECONDS - 0.1)]
    options = [f"--reference={r:.5f}={t:.5f}" for r, t in pairs]
    code = main([
        "measure", str(clip), "--captured-at", str(RATE), "--camera", str(camera), *options,
        "--reference-within", "0.00005", "--diameter", "31.5", "--fact", "tip=steel",
        "--release", "1.25", "--reason", "seen", "--quiet",
    ])  # fmt: skip
    assert code == ExitCode.DONE
    camera.unlink()  # nothing of it may be needed again
    return clip.with_suffix(".spin")


def document(folder: Path) -> dict[str, Any]:
    said: dict[str, Any] = json.loads((folder / "spin.json").read_text("utf-8"))
    return said


def anew(source: Path, out: Path, *options: str) -> Path:
    done = ["measure", "--from", str(source), "--out", str(out), "--quiet", *options]
    assert main(done) == ExitCode.DONE
    return out / source.name


def test_the_result_was_made_with_all_of_it(measured: Path) -> None:
    said = document(measured)
    jsonschema.validate(said, load_schema())
    clock = said["camera"]["clock_ppm"]
    assert abs(clock["value"] - FAST_PPM) < 2 * clock["u"] < 60.0
    assert "2 references" in clock["how"]
    votes = {c["name"]: c["says"] for c in said["alias"]["cues"]}
    assert "abstains" not in votes["camera profile"]
    assert len(said["alias"]["candidates"]) > 1
    assert said["wobble"]["run_out_mm"] is not None
    # read on the recording's own clock
    assert said["release"]["time_s"] == pytest.approx(1.25 / (1 + clock["value"] * 1e-6), abs=1e-9)


def test_worked_out_again_nothing_is_lost(measured: Path, tmp_path: Path) -> None:
    made = anew(measured, tmp_path)
    old, new = document(measured), document(made)
    jsonschema.validate(new, load_schema())
    for key in ("camera", "alias", "wobble", "settings", "facts", "recording", "budget", "release"):
        assert new[key] == old[key], key
    assert new.pop("recomputed")["changed"] == []
    assert new["checks"].pop()["name"] == CHECK
    new["created"] = old["created"]
    assert new == old
    assert (made / "speed.csv").read_bytes() == (measured / "speed.csv").read_bytes()
    page = (made / "report.html").read_text("utf-8")
    assert "2 references over 5 s" in page and "locked, from the camera profile" in page


def test_again_of_again_still_holds_all_of_it(measured: Path, tmp_path: Path) -> None:
    twice = anew(anew(measured, tmp_path / "1", "--every", "0.5"), tmp_path / "2", "--every", "1")
    assert (twice / "speed.csv").read_bytes() == (measured / "speed.csv").read_bytes()
    assert document(twice)["settings"] == document(measured)["settings"]


def test_an_instant_means_the_same_to_both(measured: Path, clip: Path, tmp_path: Path) -> None:
    """Stated again as it was stated first, on the recording's clock."""
    made = anew(measured, tmp_path, "--release", "1.25", "--reason", "seen")
    assert document(made)["release"] == document(measured)["release"]
    assert document(made)["spin_time"] == document(measured)["spin_time"]


def test_another_diameter_needs_no_pictures(measured: Path, tmp_path: Path) -> None:
    made = document(anew(measured, tmp_path, "--diameter", "63"))
    old, new = document(measured)["wobble"], made["wobble"]
    assert new["run_out_px"] == old["run_out_px"]
    for key in ("value", "u"):
        assert new["run_out_mm"][key] == pytest.approx(2 * old["run_out_mm"][key])
    assert made["settings"]["diameter_mm"] == 63.0
    assert made["recomputed"]["changed"] == ["--diameter"]


@pytest.fixture(scope="module")
def dossier(measured: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("sealed") / "whimbrel.dossier"
    assert main(["dossier", str(measured), "--out", str(place.parent), "--quiet"]) == 0
    assert place.is_dir(), list(place.parent.iterdir())
    sign(place, "operator", place.parent / "keys")
    return place


def test_a_dossier_measured_again_agrees(
    dossier: Path, clip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["verify", str(dossier), "--remeasure", "--recording", str(clip)])
    said = capsys.readouterr().out
    assert code == 0, said
    assert "come out again within their u95" in said
    rows = [line for line in said.splitlines() if "speeds differ" in line]
    # the same version on the same bytes: the same figures, not only near ones
    assert len(rows) == 1 and " 0 of " in rows[0] and "difference is 0 rev/min" in rows[0]
