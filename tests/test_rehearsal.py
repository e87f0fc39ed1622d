"""The rehearsal: each fault of a test clip gets its light and remedy."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from fabricate import fabricate

from vidspin.calibration.exposure import left_open
from vidspin.cli.app import main
from vidspin.errors import ExitCode
from vidspin.footage.excerpt import Excerpt
from vidspin.footage.frames import Recording
from vidspin.records import CameraProfile, Candidate, Ellipse, Frame, Quantity, Result, SightingFlag
from vidspin.rehearsal import (
    AMBER,
    BLURRED,
    GREEN,
    RED,
    SOFT,
    Judged,
    Sight,
    judge,
    measurable,
    open_uncertainties,
    sight,
)
from vidspin.uncertainty import NORMAL_95

SAMPLE = Path(__file__).parents[1] / "sample_clips" / "dipper_start_only.mp4"
GOOD = Sight(60.0, 2.0, 0.5, 0.0, 0.4, 0.01)


def clean(**more: object) -> Result:
    """A result of an even recording in which everything was seen."""
    result = fabricate("resolved", duration_s=20.0)
    s = result.sightings
    n = len(s.time_s)
    ring = Ellipse(960.0, 540.0, 150.0, 110.0, 0.0)
    return replace(
        result,
        survey=replace(result.survey, ring=ring, outer=1.1, marks=1),
        sightings=replace(
            s, flags=np.zeros(n, np.int64), angle_rad=np.nan_to_num(s.angle_rad),
            x_px=np.full(n, 960.0), y_px=np.full(n, 540.0),
        ),
        **more,
    )  # fmt: skip


def row(rows: tuple[Judged, ...], name: str) -> Judged:
    return next(one for one in rows if one.name == name)


def light(name: str, seen: Sight = GOOD, result: Result | None = None) -> str:
    return row(judge(seen, result or clean()), name).light


# ------------------------------------------------------------------------------- lights


def test_a_good_clip_is_green_all_over() -> None:
    rows = judge(GOOD, clean())
    assert {one.light for one in rows} == {GREEN}
    assert measurable(rows)
    assert not any(one.remedy for one in rows)


@pytest.mark.parametrize(
    ("name", "change", "lights"),
    [
        ("mark contrast", ({"contrast": 12.0}, {"contrast": 3.0}), (AMBER, RED)),
        ("focus", ({"blur": 0.75}, {"blur": 0.95}), (AMBER, RED)),
        ("clipping", ({"clipped": 0.1}, {"clipped": 0.5}), (AMBER, RED)),
        ("flicker", ({"flicker": 0.1}, {"flicker": 0.4}), (AMBER, RED)),
        ("smear", ({"trace_rad": 1.2}, {"trace_rad": None}), (AMBER, RED)),
    ],
)
def test_what_the_pictures_show_is_judged(name: str, change: tuple, lights: tuple) -> None:
    for part, expected in zip(change, lights, strict=True):
        rows = judge(replace(GOOD, **part), clean())
        assert row(rows, name).light == expected
        assert row(rows, name).remedy
        assert measurable(rows) is (expected != RED)


def test_a_small_top_and_one_at_the_edge_are_told() -> None:
    result = clean()
    for ring, name, expected in (
        (Ellipse(960, 540, 40, 30, 0), "size", AMBER),
        (Ellipse(960, 540, 15, 11, 0), "size", RED),
        (Ellipse(180, 540, 150, 110, 0), "room", RED),
    ):
        moved = replace(result, survey=replace(result.survey, ring=ring))
        assert light(name, result=moved) == expected


def test_shake_drops_uneven_times_and_hidden_marks_are_told() -> None:
    result, rng = clean(), np.random.default_rng(2)
    s = result.sightings
    n = len(s.time_s)
    shaken = replace(s, x_px=960 + rng.normal(0, 1.0, n), y_px=540 + rng.normal(0, 1.0, n))
    uneven = replace(s, time_s=s.time_s + rng.uniform(-4e-3, 4e-3, n))
    hidden = replace(s, angle_rad=np.where(np.arange(n) % 2, s.angle_rad, np.nan))
    kept = rng.random(n) > 0.1
    fields = ("time_s", "angle_rad", "u_rad", "quality", "flags", "x_px", "y_px", "chapter")
    dropped = replace(s, **{f: getattr(s, f)[kept] for f in fields})
    for sightings, name, expected in (
        (shaken, "steadiness", AMBER), (uneven, "frame times", AMBER),
        (hidden, "mark read", RED), (dropped, "frame drops", RED),
    ):  # fmt: skip
        assert light(name, result=replace(result, sightings=sightings)) == expected


def test_covered_frames_do_not_count_as_shake() -> None:
    result = clean()
    s = result.sightings
    jumps = s.x_px + 50.0 * (np.arange(len(s.x_px)) % 7 == 0)
    flags = np.where(np.arange(len(s.x_px)) % 7 == 0, int(SightingFlag.OCCLUDED), 0)
    covered = replace(result, sightings=replace(s, x_px=jumps, flags=flags))
    assert light("steadiness", result=covered) == GREEN


def test_an_open_order_is_amber_and_no_speed_is_named() -> None:
    result = fabricate("unresolved", duration_s=20.0)
    rows = judge(GOOD, replace(result, sightings=clean().sightings))
    order = row(rows, "alias order")
    assert order.light == AMBER and "speeds open" in order.figure
    assert "without the clock's rate" in row(rows, "uncertainty").figure


def test_doubt_of_the_stamp_goes_against_the_speed_of_each_open_order() -> None:
    result = fabricate("unresolved", duration_s=20.0)
    curve = result.curve
    even = np.ones(len(curve.time_s))
    curve = replace(curve, u95_speed_rad_s=NORMAL_95 * 0.005 * even, slope_rad_s2=-4.0 * even)
    offset = Quantity(0.005, 0.001, "")  # 0.004 rad/s of the 0.005
    shutter = replace(result.shutter, centre_row_offset_s=offset)
    cast = (Candidate(2, 3000.0, 0.6, None, None), Candidate(1, 1200.0, 0.3999, None, None),
            Candidate(0, -600.0, 1e-4, None, None))  # fmt: skip
    alias = replace(result.alias, candidates=cast)
    result = replace(result, alias=alias, curve=curve, shutter=shutter)
    told = dict(open_uncertainties(result))
    rpm = 30 / np.pi
    assert told == {
        3000.0: pytest.approx(NORMAL_95 * 0.005 * rpm),
        1200.0: pytest.approx(NORMAL_95 * np.hypot(0.003, 0.010) * rpm),
    }
    # what the other orders leave open of the stamp is no doubt under one of them
    readout = Quantity(0.0143, 0.0004, "")
    cast = tuple(replace(c, readout_s=0.0143 * 3000.0 / c.rpm) for c in cast)
    alias = replace(alias, candidates=cast)
    wide = left_open(offset, readout, alias, 1.0 / float(result.footage.frame_rate))
    assert wide.u > 3 * offset.u
    shutter = replace(shutter, centre_row_offset_s=wide, readout_s=readout)
    more = np.hypot(0.005, 4.0 * np.sqrt(wide.u**2 - offset.u**2))
    beside = replace(curve, u95_speed_rad_s=NORMAL_95 * more * even)
    opened = replace(result, alias=alias, curve=beside, shutter=shutter)
    assert dict(open_uncertainties(opened)) == pytest.approx(told)
    rows = judge(GOOD, replace(result, sightings=clean().sightings))
    assert "± 0.094 to 0.20 rev/min" in row(rows, "uncertainty").figure
    # a profile knows the readout as a time, whatever the speed
    profile = CameraProfile("phone", 640, 360, Fraction(30))
    held = replace(result, settings=replace(result.settings, camera=profile))
    assert [u95 for _, u95 in open_uncertainties(held)] == pytest.approx(
        [NORMAL_95 * 0.005 * rpm] * 2
    )
    assert "camera profile" in row(rows, "alias order").remedy
    known = judge(GOOD, replace(held, sightings=clean().sightings))
    assert "camera profile" not in row(known, "alias order").remedy


# ------------------------------------------------------------------------------ pictures


def frames(
    *, blur: float = 0.0, noise: float = 2.0, white: bool = False, lamp: float = 0.0,
    shade: float = 0.0,
):  # fmt: skip
    """Two runs of frames of a disc whose mark goes round."""
    import cv2

    rng = np.random.default_rng(1)
    yy, xx = np.mgrid[0:200, 0:240].astype(float)
    rho, angle = np.hypot(xx - 120, yy - 100), np.arctan2(yy - 100, xx - 120)
    made = []
    for k in range(24):
        top = np.where(rho < 60, 250.0 if white else 160.0, 90.0)
        away = np.mod(angle - 1.7 * k + np.pi, 2 * np.pi) - np.pi
        mark = (np.abs(away) < 0.15) & (rho > 40) & (rho < 56)
        picture = np.where(mark, top - 70, top) * (1 + lamp * np.cos(1.3 * k))
        picture *= 1 + shade * np.clip((xx - 120) / 60, -1, 1)
        if blur:
            picture = cv2.GaussianBlur(picture, (0, 0), blur)
        picture = picture + rng.normal(0, noise, picture.shape)
        made.append(Frame(k, 0, k, k / 30, np.clip(np.rint(picture), 0, 255).astype(np.uint8)))
    return [made[:12], made[12:]]


def seen(**how: object) -> Sight:
    survey = replace(clean().survey, ring=Ellipse(120.0, 100.0, 48.0, 48.0, 0.0))
    return sight(frames(**how), survey, full_range=False)  # type: ignore[arg-type]


def test_sight_measures_contrast_noise_and_trace() -> None:
    s = seen()
    assert s.contrast == pytest.approx(70.0, abs=8.0)
    assert s.noise == pytest.approx(2.0, abs=0.4)  # whole grey levels blunt the median
    assert s.trace_rad == pytest.approx(0.3, abs=0.06)
    assert s.clipped == 0.0
    assert s.flicker < 0.01


def test_sight_measures_blur_clipping_and_flicker() -> None:
    for noise in (2.0, 6.0):
        sharp, soft, blurred = (seen(blur=px, noise=noise).blur for px in (0.0, 2.0, 6.0))
        assert sharp < SOFT < soft < BLURRED < blurred
    assert seen(white=True).clipped > 0.7
    assert seen(lamp=0.05).flicker == pytest.approx(0.1, abs=0.02)


def test_a_mark_in_uneven_light_is_no_flicker() -> None:
    """It hides more light on the bright side of the top than on the dark one."""
    assert seen(shade=0.5, noise=0.5).flicker < 0.002
    assert seen(shade=0.5, lamp=0.05).flicker == pytest.approx(0.1, abs=0.02)


def test_no_remedy_for_flicker_smears_the_mark() -> None:
    rows = judge(replace(GOOD, flicker=0.1), clean())
    assert "exposure of a whole" not in row(rows, "flicker").remedy


# ------------------------------------------------------------------------------- command


def test_excerpt_is_the_first_part_of_a_recording() -> None:
    whole = Recording.open([SAMPLE])
    part = Excerpt(whole, 3.0)
    frames = list(part.stream())
    assert len(frames) == 91  # 0.0 to 3.0 s at 30 a second
    assert part.outcome.decoded == 91
    assert part.facts.duration_s == 3.0
    assert part.facts.frame_rate == Fraction(30)
    assert all(f.time_s <= 3.0 for run in part.sparse(runs=4, per_run=2) for f in run)
    assert all(f.time_s <= 3.0 for f in part.around(3.0, before=4, after=4))
    assert list(part.sound()) == []


def test_command_judges_the_sample_clip(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", str(SAMPLE), "--json"]) == ExitCode.DONE
    told = json.loads(capsys.readouterr().out)
    assert told["measurable"] is True
    lights = {one["name"]: one["light"] for one in told["judged"]}
    assert lights["alias order"] == AMBER  # a start alone at 30 frames a second
    assert lights["mark contrast"] == lights["frame drops"] == lights["focus"] == GREEN
    assert lights["flicker"] == GREEN  # its stripe alone swings the top's mean by 3.7 %
    assert {one["light"] for one in told["judged"]} <= {GREEN, AMBER}
