"""The rate of the recording's clock: fitted from references, and what it moves."""

from __future__ import annotations

import json
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from vidspin.cli.app import main
from vidspin.cli.references import parse_references, with_clock
from vidspin.clock import fitted_rate, rate_of
from vidspin.errors import UsageError
from vidspin.footage.frames import Recording
from vidspin.records import FootageFacts, Quantity, Reference, Settings
from vidspin.simulate import ConstantSpeed, Scene
from vidspin.simulate.encode import Encoding, write_clip
from vidspin.uncertainty import rectangular

FAST_PPM = 200.0
RATE = 554.0 * np.pi / 30
DEFAULT_U = 50.0 / 3**0.5


def reference(recorded_s: float, true_s: float, u: float = 0.01) -> Reference:
    return Reference(recorded_s, true_s, u, u)


def facts(duration_s: float) -> FootageFacts:
    return FootageFacts("wagtail", (), Fraction(30), Fraction(1), "", duration_s)


# ------------------------------------------------------------------------------- the fit


def test_exact_references_give_the_exact_rate() -> None:
    # a clock that counts 1000.2 s in 1000 s is 200 ppm fast
    found = fitted_rate([reference(10.0, 0.0), reference(1010.2, 1000.0)])
    assert found.value == pytest.approx(FAST_PPM, abs=1e-6)
    # slope's uncertainty: sqrt(2) * sqrt(2) * 0.01 s over 1000.2 s
    assert found.u == pytest.approx(0.02 / 1000.2 * 1e6, rel=1e-3)


def test_rate_of_two_references_lies_within_its_u95_as_often_as_it_should() -> None:
    rng = np.random.default_rng(5)
    trials, inside = 2000, 0
    frame, digit = 1 / 60, 0.05  # half of a frame interval at 30/s, half of a tenth of a second
    u = rectangular(frame), rectangular(digit)
    for _ in range(trials):
        true = np.array([rng.uniform(0, 50), rng.uniform(1500, 3000)])
        seen = true * (1 + FAST_PPM * 1e-6) + rng.uniform(-frame, frame, 2)
        said = true + rng.uniform(-digit, digit, 2)
        pairs = zip(seen, said, strict=True)
        found = fitted_rate([Reference(r, t, u[0], u[1]) for r, t in pairs])
        inside += abs(found.value - FAST_PPM) < 1.96 * found.u
    # four rectangular errors: 95 % nominal, somewhat more in truth; 3 sd of 2000 trials is 1.5 %
    assert 0.935 < inside / trials < 0.985


@pytest.mark.parametrize("count", [3, 4, 5, 10])
@pytest.mark.parametrize("times", [1.0, 1.5, 2.0, 3.0])
def test_few_references_that_scatter_more_than_stated_still_hold_the_rate(
    count: int, times: float
) -> None:
    """Instants that are `times` as uncertain as stated, 1.96 u as everybody downstream takes it.

    Three times as much as stated is more than a few references can tell for certain: 90 % there.
    """
    rng = np.random.default_rng(7)
    trials, inside = 1000, 0
    for _ in range(trials):
        true = np.linspace(0.0, 2400.0, count)
        seen = true * (1 + FAST_PPM * 1e-6) + times * 0.02 * rng.standard_normal(count)
        pairs = zip(seen, true, strict=True)
        found = fitted_rate([Reference(r, t, 0.02, 1e-9) for r, t in pairs])
        inside += abs(found.value - FAST_PPM) < 1.96 * found.u
    chance = 3 * (0.05 * 0.95 / trials) ** 0.5
    assert inside / trials > (0.90 if times == 3.0 else 0.95) - chance


def test_a_third_reference_that_agrees_does_not_spoil_the_other_two() -> None:
    two = fitted_rate([reference(0.0, 0.0), reference(3000.0, 3000.0)])
    three = [reference(0.0, 0.0), reference(1500.0, 1500.0), reference(3000.0, 3000.0)]
    assert two.u < fitted_rate(three).u < 3 * two.u < DEFAULT_U


def test_scatter_beyond_the_stated_uncertainties_widens() -> None:
    late = [0.0, 0.3, -0.3, 0.3, 0.0]
    points = [reference(500.0 * k, 500.0 * k + d) for k, d in enumerate(late)]
    narrow = [reference(500.0 * k, 500.0 * k) for k in range(5)]
    assert fitted_rate(points).u > 5 * fitted_rate(narrow).u
    assert "scatter" in fitted_rate(points).how


@pytest.mark.parametrize(
    "points",
    [
        [reference(0, 0)],
        [reference(5, 0), reference(5, 3)],
        [Reference(0, 0, 0, 0), Reference(9, 9, 0, 0)],
    ],
    ids=["one", "same instant", "no uncertainty"],
)
def test_references_that_give_no_rate_are_refused(points: list[Reference]) -> None:
    with pytest.raises(ValueError):
        fitted_rate(points)


# -------------------------------------------------------------------- which rate is taken


def test_without_references_the_default_stands() -> None:
    rate = rate_of((), None, 50.0)
    assert (rate.value, rate.u) == (0.0, pytest.approx(DEFAULT_U))


def test_profile_goes_before_the_default() -> None:
    learnt = Quantity(30.0, 2.0, "camera profile")
    assert rate_of((), learnt, 50.0) == learnt


def test_references_that_tell_more_than_the_default_are_taken() -> None:
    found = rate_of([reference(0, 0), reference(3000.06, 3000.0)], None, 50.0)
    assert found.value == pytest.approx(20.0, abs=0.01)
    assert found.u < DEFAULT_U


def test_references_too_near_to_each_other_do_not_improve_on_the_default() -> None:
    found = rate_of([reference(0, 0), reference(20.0, 20.0)], None, 50.0)
    assert (found.value, found.u) == (0.0, pytest.approx(DEFAULT_U))
    assert "too near" in found.how


def test_references_that_contradict_the_default_are_taken_though_they_tell_less() -> None:
    points = [reference(0, 0, 0.02), reference(1000.5, 1000.0, 0.02)]
    found = rate_of(points, None, 50.0)
    assert found.u > DEFAULT_U
    assert found.value == pytest.approx(500.0, abs=0.5)


def test_a_slope_of_no_clock_is_refused() -> None:
    with pytest.raises(ValueError, match="no camera's clock"):
        rate_of([reference(0, 0), reference(1010.0, 1000.0)], None, 50.0)


# ------------------------------------------------------------------------ what is typed


def test_instants_with_zones_and_stopwatch_readings_are_read() -> None:
    a, b = parse_references(["12.40=2030-05-01T10:00:00.5Z", "41:52=2030-05-01T12:41:40+02:00"])
    assert (a.recorded_s, b.recorded_s) == (12.4, 2512.0)
    assert b.true_s - a.true_s == pytest.approx(2499.5)
    assert a.u_recorded_s == pytest.approx(rectangular(0.005))
    assert b.u_recorded_s == pytest.approx(rectangular(0.5))
    assert (a.u_true_s, b.u_true_s) == pytest.approx((rectangular(0.05), rectangular(0.5)))
    c, d = parse_references(["5=0:00:00.00", "0:10:05=600.25"])
    assert (c.true_s, d.true_s) == (0.0, 600.25)
    assert d.u_true_s == pytest.approx(rectangular(0.005))


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (["12=0"], "two or more"),
        (["12", "13=1"], "no reference"),
        (["12=2030-05-01T10:00:00", "13=2030-05-01T10:00:01"], "no zone"),
        (["12=2030-05-01T10:00:00Z", "13=5"], "mixed"),
        (["12=2030-13-01T10:00:00Z", "13=2030-05-01T10:00:01Z"], "is no time|not an instant"),
        (["x=0", "13=5"], "is no time|not an instant"),
    ],
)
def test_references_that_cannot_be_read_are_told(typed: list[str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        parse_references(typed)


def test_frame_interval_counts_unless_the_user_says_how_exact_it_is() -> None:
    typed = ["0.000=0.000", "50.000=50.000"]
    plain, exact = (
        with_clock(Settings(references=parse_references(typed, within)), facts(60.0))
        for within in (None, "0.001")
    )
    assert plain.references[0].u_recorded_s == pytest.approx(rectangular(1 / 60), rel=1e-3)
    assert exact.references[0].u_recorded_s == 0.0
    assert exact.clock is not None and exact.clock.u == pytest.approx(
        rectangular(0.001) * 2**0.5 / 50 * 1e6, rel=1e-3
    )


def test_references_behind_the_end_are_told() -> None:
    settings = Settings(references=parse_references(["1=0", "99=98"]))
    with pytest.raises(UsageError, match="behind the end"):
        with_clock(settings, facts(60.0))


def test_stated_instants_go_to_the_corrected_clock() -> None:
    references = parse_references(["0.000=0.000", "3000.600=3000.000"])
    settings = with_clock(Settings(references=references, topple_s=3000.6), facts(3001.0))
    assert settings.topple_s == pytest.approx(3000.0, abs=1e-6)


# -------------------------------------------------------------------------- what it moves


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clip whose clock counts 200 ppm too much: 30.006 true frames a second, stated as 30."""
    path = tmp_path_factory.mktemp("clock") / "wagtail.mp4"
    rate = Fraction(30) * (1 + Fraction(200, 10**6))
    scene = Scene(
        width=320, height=180, seconds=4.0, frame_rate=rate, stored_rate=Fraction(30),
        capture_tag=False, speed_rad_s=RATE, law=ConstantSpeed(), readout_s=0.008,
    )  # fmt: skip
    write_clip(scene, path, Encoding(preset="ultrafast"), overwrite=False)
    return path


def test_corrected_times_are_recorded_times_divided_by_the_rate(clip: Path) -> None:
    plain = Recording.open([clip])
    moved = plain.on_clock(FAST_PPM)
    frames = [[f.time_s for f in r.around(2.01, before=2, after=2)] for r in (plain, moved)]
    assert np.array(frames[1]) == pytest.approx(np.array(frames[0]) / 1.0002, abs=1e-9)
    assert moved.facts.duration_s == pytest.approx(plain.facts.duration_s / 1.0002)
    assert moved.facts.frame_rate == plain.facts.frame_rate
    assert plain.on_clock(0.0) is plain
    with pytest.raises(ValueError, match="already"):
        moved.on_clock(5.0)


def test_references_recover_the_rate_and_the_curve_moves(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pairs = [(t, t / (1 + FAST_PPM * 1e-6)) for t in (0.1, 3.9)]
    typed = [f"--reference={r:.5f}={t:.5f}" for r, t in pairs]
    command = ["measure", str(clip), "--out", str(tmp_path), "--json", "--between", "500", "600"]
    assert main([*command, *typed, "--reference-within", "0.0001"]) == 0
    known = json.loads(capsys.readouterr().out)
    clock = known["camera"]["clock_ppm"]
    assert abs(clock["value"] - FAST_PPM) < 2 * clock["u"] < 60.0
    assert len(known["settings"]["references"]) == 2
    middle = next(t for t in known["budget_totals"] if t["at"] == "mid-spin")
    # uncorrected it would be 0.11 rev/min too slow
    assert abs(middle["rpm"] - 554.0) < middle["u95_rpm"] < 0.08
    assert main([*command, "--overwrite"]) == 0
    plain = json.loads(capsys.readouterr().out)
    fast = 1 + clock["value"] * 1e-6
    speeds = [np.array([b["rpm"] for b in d["budget_totals"]]) for d in (known, plain)]
    assert len(speeds[0]) > 1
    assert speeds[0] == pytest.approx(speeds[1] * fast, rel=1e-5)
    lengths = [d["recording"]["duration_s"] for d in (known, plain)]
    assert lengths[0] == pytest.approx(lengths[1] / fast, rel=1e-9)
    plain_middle = next(t for t in plain["budget_totals"] if t["at"] == "mid-spin")
    assert plain_middle["rpm"] < 554.0 - 0.08
    line = next(b for b in known["budget"] if b["at"] == "mid-spin" and b["source"] == "clock rate")
    assert line["u_rpm"] == pytest.approx(middle["rpm"] * clock["u"] * 1e-6, rel=1e-3)


@pytest.mark.parametrize(
    "clock", ["2030-05-01T10:00Z", "2030-05-01T10Z", "2030-05-01T10:00+02:00", "41m", "1h", "1h2m"]
)
def test_clock_without_seconds_is_refused(clock: str) -> None:
    """Cut to the minute it is up to 60 s off, and would count as good to half a second."""
    with pytest.raises(UsageError, match="tells no seconds"):
        parse_references([f"10={clock}", "500=2030-05-01T10:08:10Z"])


@pytest.mark.parametrize("zone", ["Z", "+02:00", "+0200", "+02"])
@pytest.mark.parametrize("point", [".", ","])
def test_last_digit_counts_whatever_the_zone_and_the_decimal_sign(zone: str, point: str) -> None:
    texts = [f"10=2030-05-01T10:00:00{point}25{zone}", f"500=2030-05-01T10:08:10{point}25{zone}"]
    found = parse_references(texts)
    assert found[0].u_true_s == pytest.approx(0.005 / math.sqrt(3))
    assert found[1].true_s == pytest.approx(490.0)
