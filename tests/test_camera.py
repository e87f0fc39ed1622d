"""The camera profile: what is learnt, how it is kept, and what it says of the next recording."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from fabricate import fabricate
from profile_trials import trial_with_profile
from test_alias import evidence, fits_of, log_odds, vote

from vidspin.calibration.learnt import with_profile
from vidspin.camera import (
    CLOCK_STEADY_PPM,
    CameraEvidence,
    Lesson,
    frame_times,
    learn,
    suits,
    trace_length,
    weigh,
)
from vidspin.cli.app import main
from vidspin.clock import rate_of
from vidspin.errors import ExitCode, UsageError
from vidspin.order.alias import decide
from vidspin.records import CameraProfile, Quantity, Reference, Result, Settings, ShutterFit
from vidspin.store import to_json, write_result
from vidspin.store.cameras import profile_text, read_profile, write_profile
from vidspin.uncertainty import rectangular

RATE = Fraction(30000, 1001)
PROFILE = CameraProfile("meadow", 640, 360, RATE, Quantity(0.012, 0.0003, "two"))


def lesson(name: str = "a", **more: object) -> Lesson:
    plain = Lesson(
        name, name * 64, 640, 360, RATE, Quantity(0.012, 0.0004), Quantity(0.002, 0.0001), None,
        1e-5, 0.0, 0.0,
    )  # fmt: skip
    return replace(plain, **more)  # type: ignore[arg-type]


# ------------------------------------------------------------------------------ learning


def test_recordings_are_averaged_by_their_uncertainties() -> None:
    profile = learn(
        [lesson("a", readout_s=Quantity(0.0120, 0.0002)),
         lesson("b", readout_s=Quantity(0.0124, 0.0004))], "x",
    )  # fmt: skip
    assert profile.readout_s is not None
    assert profile.readout_s.value == pytest.approx((0.0120 * 4 + 0.0124) / 5)
    own = (0.0002**-2 + 0.0004**-2) ** -0.5
    assert profile.readout_s.u == pytest.approx(float(np.hypot(own, 0.01 * 0.01208)))


def test_scatter_beyond_the_uncertainties_widens() -> None:
    near = learn([lesson("a"), lesson("b")], "x").readout_s
    far = learn(
        [lesson("a"), lesson("b", readout_s=Quantity(0.0136, 0.0004))], "x"
    ).readout_s  # fmt: skip
    assert near is not None and far is not None
    # 1.6 ms apart with 0.4 ms each: reduced chi-square is 1.6**2 / 2 / 0.4**2 = 8
    assert far.u == pytest.approx(float(np.hypot(0.0004 / 2**0.5 * 8**0.5, 0.01 * 0.0128)))
    assert "scattering 2.8 times" in far.how
    assert far.u > 2 * near.u


@pytest.mark.parametrize(
    ("other", "words"),
    [
        ({"readout_s": Quantity(0.016, 0.0004)}, "disagree about the readout"),
        ({"width": 1920}, "1920 x 360"),
        ({"frame_rate": Fraction(60)}, "frames/s and b 60"),
    ],
)
def test_recordings_of_different_modes_are_refused(other: dict, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        learn([lesson("a"), lesson("b", **other)], "x")


def test_nothing_to_learn_from_is_refused() -> None:
    with pytest.raises(ValueError, match="no recording"):
        learn([], "x")


def test_exposure_counts_only_where_it_is_locked() -> None:
    lessons = [lesson("a"), lesson("b", exposure_s=Quantity(0.004, 0.0001))]
    free = learn(lessons, "x")
    assert not free.exposure_fixed
    assert free.exposure_s is not None
    # one recording says how far the next may be from it
    assert free.exposure_s.u == pytest.approx(float(np.hypot(0.0001, 0.002 / 2**0.5)))
    assert learn(lessons, "x", exposure_fixed=True).exposure_fixed


def test_clock_keeps_the_doubt_of_another_day() -> None:
    profile = learn([lesson("a", clock_ppm=Quantity(21.0, 0.5)), lesson("b")], "x")
    assert profile.clock_ppm is not None
    assert profile.clock_ppm.value == 21.0
    assert profile.clock_ppm.u == pytest.approx(float(np.hypot(0.5, rectangular(CLOCK_STEADY_PPM))))


def test_frame_times_tell_jitter_beyond_ticks_and_missing_frames() -> None:
    rng = np.random.default_rng(3)
    even = np.arange(3000) / 30.0
    tick = 1 / 600
    rounded = np.rint(even / tick) * tick
    assert frame_times(rounded, 30.0, tick)[0] < 0.2e-3  # rounding alone is 0.48 ms
    uneven = even + rng.normal(0, 1e-3, len(even))
    jitter, missing = frame_times(uneven, 30.0, 1e-5)
    assert jitter == pytest.approx(1e-3, rel=0.05)
    assert missing == 0.0
    kept = rng.random(len(even)) > 0.1
    kept[[0, -1]] = True
    assert frame_times(even[kept], 30.0, 1e-5)[1] == pytest.approx(1 - kept.mean(), abs=1e-3)


# ------------------------------------------------------------------------------- the cue


def test_the_order_that_needs_the_profile_s_readout_is_favoured() -> None:
    readouts = {0: (0.030, 0.002), 1: (0.0121, 0.0008), 2: (0.0076, 0.0004)}
    told = weigh(CameraEvidence(PROFILE, readouts, None), {0: 30.0, 1: 75.0, 2: 120.0})
    assert not isinstance(told, str)
    logs, note = told
    assert logs[1] == pytest.approx(-0.5 * 0.0001**2 / (0.0008**2 + 0.0003**2))
    assert logs[2] == pytest.approx(-0.5 * 0.0044**2 / (0.0004**2 + 0.0003**2))
    assert "12.00 ± 0.60 ms" in note  # a 95 % interval, as every ±


def test_a_profile_of_another_mode_says_nothing() -> None:
    readouts = {0: (0.030, 0.002), 1: (0.019, 0.0005), 2: (0.0076, 0.0004)}
    told = weigh(CameraEvidence(PROFILE, readouts, None), {0: 30.0, 1: 75.0, 2: 120.0})
    assert isinstance(told, str) and "another mode" in told


def test_a_locked_exposure_excludes_smears_longer_than_the_trace() -> None:
    locked = replace(
        PROFILE, readout_s=None, exposure_s=Quantity(0.002, 0.0001), exposure_fixed=True
    )
    speeds = {0: 50.0, 1: 150.0, 2: 400.0}
    told = weigh(CameraEvidence(locked, {}, 0.4), speeds)
    assert not isinstance(told, str)
    assert told[0][0] > -0.01 and told[0][1] > -0.2  # 0.1 and 0.3 rad fit into 0.4
    assert told[0][2] < -6.0  # 0.8 rad do not
    free = replace(locked, exposure_fixed=False)
    assert isinstance(weigh(CameraEvidence(free, {}, 0.4), speeds), str)


def test_trace_is_at_least_as_long_as_the_smear() -> None:
    theta = np.linspace(-np.pi, np.pi, 2048, endpoint=False)
    mark = np.exp(-((theta / 0.05) ** 2))
    for smear in (0.1, 0.4, 1.0):
        box = np.abs(theta) < smear / 2
        seen = np.real(np.fft.ifft(np.fft.fft(mark) * np.fft.fft(box)))
        for sign in (1.0, -1.0):  # bright and dark marks
            length = trace_length(sign * np.fft.fftshift(seen) + 3.0)
            assert length is not None
            assert smear * 0.97 < length < smear + 0.25
    assert trace_length(np.cos(theta)) is None
    assert trace_length(np.zeros(64)) is None


def test_profile_resolves_what_the_shutter_alone_does_not() -> None:
    fits = {n: ShutterFit(0.012 * 600 / (600 + 1800 * n) if n >= 0 else -0.004, 0.0003,
                          np.zeros((2, 2)), np.zeros((2, 2)), np.eye(5), 0.01, 0.0, 100)
            for n in fits_of()}  # fmt: skip
    plain = replace(evidence(), fits=fits)
    assert not decide(plain, None).resolved
    assert vote(decide(plain, None), "camera profile").says == "abstains"
    known = CameraEvidence(
        PROFILE, {n: (f.readout_s, f.u_readout_s) for n, f in fits.items()}, None
    )
    verdict = decide(replace(plain, camera=known), None)
    assert verdict.resolved
    assert verdict.candidates[0].order == 0
    assert log_odds(verdict, "camera profile")[1] < -100


@pytest.mark.parametrize("number", range(24))
def test_no_simulated_record_with_a_profile_has_a_wrong_order(number: int) -> None:
    # `bench/orders_profile.py` runs more of them
    assert not trial_with_profile(number).wrong


# ----------------------------------------------------------------------- own fit and profile


def tuned(readout_s: float, u: float) -> object:
    from vidspin.calibration.calibrate import Tuned
    from vidspin.markmodel import MarkModel
    from vidspin.order.shutter import PhaseAnswer

    zero = np.zeros(4)
    # readout and the sine across the rows are told apart poorly
    covariance = np.diag([u**2, 1e-6, 0.01**2])
    covariance[0, 2] = covariance[2, 0] = -0.9 * u * 0.01
    fit = ShutterFit(
        readout_s, u, np.array([[0.0, 0.05]]), np.zeros((1, 2)), covariance, 0.01, 0.0, 99
    )
    phase = PhaseAnswer(
        zero, zero, zero, zero.astype(int), np.zeros((4, 4)), zero, 30.0, 1, 0.0, 0.2
    )
    model = MarkModel(zero, zero[:0], zero, zero, zero.astype(complex), zero, readout_s)
    return Tuned(model, fit, phase, zero.astype(int), zero, zero, 0.0)


def test_profile_sharpens_readout_and_what_hangs_on_it() -> None:
    own = tuned(0.013, 0.001)
    both = with_profile(own, PROFILE)  # type: ignore[arg-type]
    gain = 0.001**2 / (0.001**2 + 0.0003**2)
    assert both.fit.readout_s == pytest.approx(0.013 - gain * 0.001)
    assert both.fit.u_readout_s == pytest.approx((0.001**-2 + 0.0003**-2) ** -0.5)
    # a millisecond less of readout is a sine of -0.9 * 0.01 / 0.001 * -0.001 rad more
    assert both.fit.geometry[0, 1] == pytest.approx(0.05 + gain * 0.009)
    assert both.model.readout_s == both.fit.readout_s
    assert np.all(np.linalg.eigvalsh(both.fit.covariance) > 0)


def test_a_profile_that_contradicts_the_recording_changes_nothing() -> None:
    own = tuned(0.020, 0.001)
    assert with_profile(own, PROFILE) is own  # type: ignore[arg-type]
    assert with_profile(own, replace(PROFILE, readout_s=None)) is own  # type: ignore[arg-type]


def test_suits_names_the_difference() -> None:
    assert suits(PROFILE, 640, 360, Fraction(30)) is None
    assert "1920 x 1080" in (suits(PROFILE, 1920, 1080, RATE) or "")
    assert "60" in (suits(PROFILE, 640, 360, Fraction(60)) or "")


# ------------------------------------------------------------------------------ the file


def test_what_is_written_is_read_back() -> None:
    full = replace(
        PROFILE, exposure_s=Quantity(0.002, 0.0001, "one"), exposure_fixed=True,
        clock_ppm=Quantity(-12.5, 3.0, "one"),
    )  # fmt: skip
    text = profile_text(full, [lesson("a")])
    page = tomllib.loads(text)
    assert page["readout_s"]["value"] == 0.012
    assert page["evidence"][0]["readout_s"] == [0.012, 0.0004]
    assert text.startswith("# What vidspin learnt")


def test_a_file_read_back_is_the_profile(tmp_path: Path) -> None:
    path = tmp_path / "phone.toml"
    write_profile(profile_text(PROFILE, []), path, overwrite=False)
    again = read_profile(path)
    assert again.readout_s is not None and PROFILE.readout_s is not None
    assert replace(again, readout_s=PROFILE.readout_s) == PROFILE
    assert (again.readout_s.value, again.readout_s.u) == (0.012, 0.0003)
    with pytest.raises(UsageError, match="there already"):
        write_profile("", path, overwrite=False)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("schema", "skema"), "does not say schema"),
        (("width = 640", "width = -640"), "width"),
        (("width = 640", "width = true"), "width"),
        (("30000/1001", "30000/0"), "frame_rate"),
        (("u = 0.0003", "u = 0"), "must be above zero"),
        (("value = 0.012", "value = nan"), "cannot be the value"),
        (("value = 0.012", 'value = "x"'), "not a number"),
        (("[mode]", "[mode"), "no TOML"),
        (("[mode]", "[made]"), r"no \[mode\]"),
    ],
)
def test_a_file_that_is_no_profile_is_told(
    change: tuple[str, str], words: str, tmp_path: Path
) -> None:
    path = tmp_path / "phone.toml"
    path.write_text(profile_text(PROFILE, []).replace(*change, 1), "utf-8")
    with pytest.raises(UsageError, match=words):
        read_profile(path)


def test_a_file_s_text_is_data(tmp_path: Path) -> None:
    path = tmp_path / "phone.toml"
    text = profile_text(PROFILE, []).replace('"meadow"', '"mea\\u001b[2Jdow"')
    path.write_text(text, "utf-8")
    assert "\x1b" not in read_profile(path).name


# ---------------------------------------------------------------------------- the command


def stored(folder: Path, kind: str = "resolved", **more: object) -> Path:
    result: Result = fabricate(kind, duration_s=12.0)  # type: ignore[arg-type]
    write_result(replace(result, **more), {}, folder, overwrite=False)  # type: ignore[arg-type]
    return folder


def test_learn_writes_a_profile(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "phone.toml"
    references = (Reference(0, 0, 0.01, 0.01), Reference(9, 9, 0.01, 0.01))
    folder = stored(
        tmp_path / "a.spin", settings=Settings(references=references),
        clock_ppm=Quantity(12.0, 2.0, "2 references"),
    )  # fmt: skip
    assert main(["camera", "learn", str(folder), "-o", str(out), "--json"]) == ExitCode.DONE
    told = json.loads(capsys.readouterr().out)
    document = json.loads((folder / "spin.json").read_text("utf-8"))
    own = document["camera"]["readout_s"]
    assert told["readout_s"]["value"] == pytest.approx(own["value"], rel=1e-6)
    assert told["readout_s"]["u"] >= own["u"]
    assert told["clock_ppm"]["value"] == 12.0
    assert read_profile(out).width == document["recording"]["chapters"][0]["width"]


def test_clock_without_references_is_not_learnt(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = stored(tmp_path / "a.spin")
    assert main(["camera", "learn", str(folder), "-o", str(tmp_path / "p.toml")]) == 0
    assert "measure with --reference" in capsys.readouterr().out


def test_clock_that_references_could_not_tell_is_not_learnt(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The default of ±50 ppm from nine recordings is no measurement of ±20."""
    near = (Reference(0, 0, 0.01, 0.5), Reference(9, 9, 0.01, 0.5))
    folder = stored(
        tmp_path / "a.spin", settings=Settings(references=near), clock_ppm=rate_of(near, None, 50.0)
    )
    assert main(["camera", "learn", str(folder), "-o", str(tmp_path / "p.toml")]) == 0
    assert "measure with --reference" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("made", "words"),
    [
        ({"kind": "unresolved"}, "unresolved"),
        ({"settings": Settings(camera=PROFILE)}, "nothing of its own"),
    ],
)
def test_results_that_tell_nothing_of_their_own_are_refused(
    made: dict, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = stored(tmp_path / "a.spin", **made)
    assert main(["camera", "learn", str(folder), "-o", str(tmp_path / "p.toml")]) == ExitCode.USAGE
    assert words in capsys.readouterr().err


def test_one_recording_twice_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    a, b = stored(tmp_path / "a.spin"), stored(tmp_path / "b.spin")
    out = str(tmp_path / "p.toml")
    assert main(["camera", "learn", str(a), str(b), "-o", out]) == ExitCode.USAGE
    assert "the same recording" in capsys.readouterr().err


def test_document_names_the_profile_that_was_given() -> None:
    document = to_json(replace(fabricate(duration_s=12.0), settings=Settings(camera=PROFILE)))
    assert document["settings"]["camera"]["name"] == "meadow"
    assert document["settings"]["camera"]["readout_s"]["value"] == 0.012
