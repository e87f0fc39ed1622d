"""Run-out and precession: recovered within what they say, and not seen where there is none."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from fabricate import fabricate

from vidspin.footage.frames import Recording
from vidspin.measure import measure
from vidspin.records import Ellipse, Result, Settings, Wobble
from vidspin.simulate import ExponentialLoss, Scene
from vidspin.simulate.encode import Encoding, write_clip
from vidspin.simulate.motion import pose_at
from vidspin.simulate.scene import mark_angle
from vidspin.speed.wobble import Places, wobble
from vidspin.store import to_json
from vidspin.summary import summarise

TURN = 2 * np.pi
RING = Ellipse(320.0, 180.0, 90.0, 66.0, 0.3)


def places(
    *,
    run_out: float = 0.0,
    off: float = 0.0,
    circle: tuple[float, float] = (0.0, 0.0),  # amplitude at the end, turns a second
    swing: float = 0.0,
    wander: float = 0.0,
    noise: float = 0.03,
    seconds: float = 60.0,
    seed: int = 0,
) -> Places:
    """Places of a top on a tilted ellipse, drawn from its motion."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * 30)) / 30.0
    angle = TURN * (19.3 * t - 0.06 * t**2) + 1.0
    body = run_out * np.exp(1j * (angle + off - RING.tilt_rad))
    body = body + circle[0] * (t / seconds) ** 2 * np.exp(1j * TURN * circle[1] * t)
    body = body + swing * np.sin(TURN * 2.3 * t)
    body = body + wander * (np.sin(0.3 * t) + 1j * np.sin(0.21 * t + 1))
    along, across = body.real, body.imag * RING.minor_px / RING.major_px
    cos, sin = np.cos(RING.tilt_rad), np.sin(RING.tilt_rad)
    x, y = along * cos - across * sin, along * sin + across * cos
    x, y = (v + rng.normal(0, noise, len(t)) for v in (x, y))
    return Places(t, np.mod(angle, TURN), 320 + x, 180 + y, np.ones(len(t), bool))


def found(given: Places, diameter_mm: float | None = None) -> Wobble:
    result = wobble(given, RING, diameter_mm)
    assert result is not None
    return result


# ------------------------------------------------------------------------------- run-out


def test_run_out_and_its_angle_are_within_their_uncertainty() -> None:
    inside, turned = 0, 0
    for seed in range(60):
        off = TURN * seed / 60 - np.pi
        w = found(places(run_out=0.05, off=off, wander=3.0, noise=0.2, seed=seed))
        assert w.run_out_seen and w.angle_rad is not None
        inside += abs(w.run_out_px.value - 0.05) < 2 * w.run_out_px.u
        away = np.mod(w.angle_rad.value - off + np.pi, TURN) - np.pi
        turned += abs(away) < 2 * w.angle_rad.u
    # 95 % of 60 less three standard deviations is 52
    assert inside >= 52
    assert turned >= 52


def test_no_run_out_is_not_seen() -> None:
    seen = [found(places(wander=3.0, noise=0.2, seed=k)).run_out_seen for k in range(60)]
    # three standard uncertainties in two dimensions: 1 in 90 of pure noise, less with the pull
    assert sum(seen) <= 3


def test_millimetres_follow_from_the_diameter_of_the_mark_s_path() -> None:
    w = found(places(run_out=0.3), diameter_mm=9.0)  # 20 px/mm
    assert w.run_out_mm is not None
    assert w.run_out_mm.value == pytest.approx(0.015, abs=2 * w.run_out_mm.u)
    assert w.run_out_mm.value == pytest.approx(w.run_out_px.value / 20.0)
    assert found(places(run_out=0.3)).run_out_mm is None


def test_what_turns_the_other_way_is_no_run_out_and_widens() -> None:
    plain = found(places(run_out=0.05))
    given = places(run_out=0.05)
    angle = given.angle_rad - RING.tilt_rad
    moved = replace(given, x_px=given.x_px + 0.04 * np.cos(angle) * np.cos(RING.tilt_rad),
                    y_px=given.y_px + 0.04 * np.cos(angle) * np.sin(RING.tilt_rad))  # fmt: skip
    assert found(moved).run_out_px.u > 3 * plain.run_out_px.u


def test_too_few_frames_tell_nothing() -> None:
    short = places(seconds=1.5)
    assert wobble(short, RING) is None
    blind = places()
    assert wobble(replace(blind, usable=np.zeros(len(blind.time_s), bool)), RING) is None


# ---------------------------------------------------------------------------- precession


@pytest.mark.parametrize("rate", [1.7, -1.7])
def test_precession_is_found_with_rate_sense_and_growing_amplitude(rate: float) -> None:
    w = found(places(circle=(0.4, rate), run_out=0.1, wander=3.0))
    assert len(w.time_s) > 8
    assert w.precession_hz == pytest.approx(np.full(len(w.time_s), rate), abs=0.05)
    true = 0.4 * (w.time_s / 60.0) ** 2
    # the amplitude grows within a window: 6 s at 50 s is a quarter, weighted towards the middle
    assert w.amplitude_px == pytest.approx(true, rel=0.1, abs=3 * float(w.u_amplitude_px.max()))


def test_still_wandering_and_swinging_places_do_not_precess() -> None:
    for given in (places(seed=1), places(wander=5.0, seed=2), places(swing=0.3, seed=3)):
        w = found(given)
        assert w.windows > 10
        assert len(w.time_s) == 0


def test_run_out_is_not_taken_for_precession() -> None:
    assert len(found(places(run_out=0.5, noise=0.01)).time_s) == 0


# -------------------------------------------------------------------------------- a clip


def measured(folder: Path, run_out_px: float) -> Result:
    scene = Scene(
        seconds=8.0, frame_rate=Fraction(30000, 1001), speed_rad_s=1150 * np.pi / 30,
        law=ExponentialLoss(60.0), runout_px=run_out_px, runout_rad=0.7, readout_s=0.010,
    )  # fmt: skip
    clip = folder / "dunlin.mp4"
    write_clip(scene, clip, Encoding(preset="veryfast"), overwrite=True)
    # 20 px/mm on the path of the mark's middle
    settings = Settings(bounds_rpm=(900, 1300), diameter_mm=2 * scene.ring.major_px / 20.0)
    return measure(Recording.open([clip]), settings, version="0", created="2030-01-01T00:00:00Z")


def test_run_out_of_a_simulated_clip_is_recovered(tmp_path: Path) -> None:
    w = measured(tmp_path, 0.3).wobble
    assert w is not None and w.run_out_seen and w.run_out_mm is not None and w.angle_rad is not None
    assert abs(w.run_out_px.value - 0.3) < 2 * w.run_out_px.u < 0.15
    assert abs(w.run_out_mm.value - 0.015) < 2 * w.run_out_mm.u
    assert abs(w.angle_rad.value - 0.7) < 2 * w.angle_rad.u < 0.6


def test_a_simulated_clip_without_run_out_shows_none(tmp_path: Path) -> None:
    result = measured(tmp_path, 0.0)
    assert result.wobble is not None
    assert not result.wobble.run_out_seen
    assert result.wobble.run_out_px.u < 0.02
    assert "run-out       not seen above noise" in summarise(result)


def test_simulated_body_circles_the_axis_in_step_with_its_mark() -> None:
    scene = Scene(runout_px=2.0, runout_rad=0.5, speed_rad_s=20.0)
    for t in (0.1, 0.37):
        x, y = pose_at(scene, t).shift_px
        ratio = scene.ring.major_px / scene.ring.minor_px
        at = np.arctan2(y * ratio, x)  # the ellipse lies level
        expected = float(mark_angle(scene, np.array([t]))[0]) + 0.5
        assert np.cos(at - expected) == pytest.approx(1.0, abs=1e-9)
        assert np.hypot(x, y * ratio) == pytest.approx(2.0)


# -------------------------------------------------------------------------------- result


def test_document_and_summary_tell_the_wobble() -> None:
    w = found(places(run_out=0.3, off=-0.6, circle=(0.4, 1.7)), diameter_mm=9.0)
    plain = fabricate(duration_s=12.0)
    assert to_json(plain)["wobble"] is None
    result = replace(plain, wobble=w)
    told = to_json(result)["wobble"]
    assert told["run_out_seen"] is True
    assert told["run_out_px"]["value"] == w.run_out_px.value
    assert len(told["precession"]["rate_hz"]) == len(w.time_s)
    words = summarise(result)
    assert "counterclockwise of the mark" in words
    assert "1.70 turns/s" in words
