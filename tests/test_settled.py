"""A ring that lies between a mark's path and another's is moved to the mark's."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from vidspin.records import Ellipse, Settings
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage
from vidspin.top import settled as module


def settled(pictures: np.ndarray, ring: Ellipse, settings: Settings, scale: float) -> Ellipse:
    still = np.median(pictures, axis=0).astype(np.float32)
    return module.settled(pictures, still, ring, settings, scale)


PATH = Ellipse(120.0, 80.0, 40.0, 28.0, 0.0)
ROWS, COLUMNS = np.mgrid[:180, :240].astype(np.float32)


def frames(*, reflection: float = 0.0, contrast: float = 90.0, count: int = 40) -> np.ndarray:
    """A mark on its path, and, fainter, one below it that a polished base shows; noise 2."""
    rng = np.random.default_rng(7)
    out = np.empty((count, *ROWS.shape), np.float32)
    for k in range(count):
        angle = 2.4 * k + 0.002 * k * k
        out[k] = 120 + rng.normal(0, 2, ROWS.shape)
        for down, size, light in ((0.0, 1.0, contrast), (22.0, 1.15, reflection)):
            x = PATH.x_px + size * PATH.major_px * math.cos(angle + 0.8 * (down > 0))
            y = PATH.y_px + down + size * PATH.minor_px * math.sin(angle + 0.8 * (down > 0))
            if down and y < PATH.y_px + 22.0:
                continue  # behind the top
            blob = np.hypot((COLUMNS - x) / 6, (ROWS - y) / 5)
            out[k] += light * 0.5 * (1 - np.tanh((blob - 1) / 0.3))
    return out


def off(ring: Ellipse) -> float:
    return math.hypot(ring.x_px - PATH.x_px, ring.y_px - PATH.y_px)


def test_a_ring_between_the_mark_and_its_reflection_settles_on_the_mark() -> None:
    askew = Ellipse(125.0, 87.0, 45.0, 31.0, 0.3)
    ring = settled(frames(reflection=40.0), askew, Settings(), 1.0)
    assert off(askew) > 8 and off(ring) < 3
    # through the mark, which is as broad as that
    assert ring.major_px == pytest.approx(PATH.major_px, abs=6.0)
    assert ring.minor_px == pytest.approx(PATH.minor_px, abs=5.0)


def test_two_marks_that_a_shutter_shows_at_changing_distances_are_left_alone() -> None:
    """On a ring askew enough one of them is seen alone, which is one pattern indeed."""
    scene = Scene(
        width=320, height=180, speed_rad_s=140.0, law=ExponentialLoss(40.0), seconds=8.0,
        marks=2, readout_s=0.02, mark_contrast=-100.0,
    )  # fmt: skip
    runs = SimulatedFootage(scene).sparse(runs=12, per_run=4)
    pictures = np.stack([f.luma for run in runs for f in run]).astype(np.float32)
    path = scene.ring
    near = replace(path, x_px=path.x_px + 1.0, major_px=1.02 * path.major_px)
    assert settled(pictures, near, Settings(), 1.0) is near


def test_a_ring_about_which_the_still_is_round_is_not_moved() -> None:
    """A top that is dark outside of the ring: its outline says that the ring lies right."""
    askew = Ellipse(125.0, 87.0, 45.0, 31.0, 0.3)
    c, s = math.cos(askew.tilt_rad), math.sin(askew.tilt_rad)
    x, y = COLUMNS - askew.x_px, ROWS - askew.y_px
    radius = np.hypot((x * c + y * s) / askew.major_px, (y * c - x * s) / askew.minor_px)
    face = np.where(radius > 1.15, -80.0, 0.0).astype(np.float32)
    assert settled(frames(reflection=40.0) + face, askew, Settings(), 1.0) is askew


def test_what_is_stated_stays() -> None:
    askew = Ellipse(125.0, 87.0, 45.0, 31.0, 0.3)
    pictures = frames(reflection=40.0)
    held = settled(pictures, askew, Settings(centre_px=(125.0, 87.0)), 1.0)
    assert (held.x_px, held.y_px) == (125.0, 87.0)
    all_stated = Settings(centre_px=(125.0, 87.0), radii_px=(45.0, 31.0), tilt_rad=0.3)
    assert settled(pictures, askew, all_stated, 1.0) is askew


def test_a_ring_on_the_path_stays_the_same() -> None:
    near = Ellipse(121.0, 80.5, 40.5, 27.5, 0.0)
    assert settled(frames(), near, Settings(), 1.0) is near


def test_noise_moves_no_ring() -> None:
    """Of a faint mark most is noise wherever the ring lies: no reason to move it."""
    near = Ellipse(121.0, 80.5, 40.5, 27.5, 0.0)
    assert settled(frames(contrast=5.0), near, Settings(), 1.0) is near
    assert settled(frames(contrast=0.0), near, Settings(), 1.0) is near
