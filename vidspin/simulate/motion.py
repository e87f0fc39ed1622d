"""Where the top, the camera and the hand are at an instant.

Closed forms of time with random phases drawn from the scene's seed: any frame can be drawn
without the frames before it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from vidspin.records import FloatArray
from vidspin.simulate.scene import Scene, mark_angle

FACE_HEIGHT = 0.5
"""Height of the face above the tip, in units of the face's radius."""

RIM_FOOT = (1.03, 0.3)
"""Radius and height of the rim's lower edge, same unit: what touches the base first."""

CONTACT_LEAN_RAD = math.atan2(RIM_FOOT[1], RIM_FOOT[0])
"""Lean of the axis at which the rim touches the base."""

LEAN_TURNS = 0.85
"""Precession turns in which the lean grows by e: three to four turns are seen."""

STEADY_TURNS = 6.0
"""So many precession turns before the topple the lean is under a thousandth of its end."""

HAND_GONE_S = 0.6
"""So long after the release the hand is out of the picture."""


@dataclass(frozen=True, slots=True)
class Pose:
    """How the top stands; `lean` is 0 while it spins upright."""

    shift_px: tuple[float, float] = (0.0, 0.0)  # of the whole top in the picture
    lean_rad: float = 0.0  # of the axis from upright
    azimuth_rad: float = 0.0  # where the axis leans to, in the base's plane
    slide: tuple[float, float] = (0.0, 0.0)  # of the tip, of the face's radius


@dataclass(frozen=True, slots=True)
class Waves:
    """A smooth path: a few sines a coordinate, about 1 high."""

    hz: FloatArray  # (2, n)
    phase_rad: FloatArray  # (2, n)
    height: FloatArray  # (n,)

    def at(self, time_s: float) -> tuple[float, float]:
        """Return the place at an instant; (0, 0) at time 0."""
        turn = 2.0 * np.pi * self.hz * time_s + self.phase_rad
        x, y = (self.height * (np.sin(turn) - np.sin(self.phase_rad))).sum(axis=1)
        return float(x), float(y)


@lru_cache(maxsize=16)
def waves(seed: int, kind: int, low_hz: float, high_hz: float) -> Waves:
    """Draw a path whose sines lie between two frequencies."""
    rng = np.random.default_rng([seed, kind])
    count = 4
    return Waves(
        hz=rng.uniform(low_hz, high_hz, (2, count)),
        phase_rad=rng.uniform(0.0, 2.0 * np.pi, (2, count)),
        height=np.full(count, 0.3),
    )


def camera_shift(scene: Scene, time_s: float) -> tuple[float, float]:
    """Return how far shake has moved the picture at an instant."""
    if scene.shake_px == 0.0:
        return 0.0, 0.0
    x, y = waves(scene.seed, 2, 0.7, 5.0).at(time_s)
    return scene.shake_px * x, scene.shake_px * y


def pose_at(scene: Scene, time_s: float) -> Pose:
    """Return how the top stands at an instant (camera shake included in the shift)."""
    x, y = camera_shift(scene, time_s)
    if scene.wander_px != 0.0:
        # The top stands still under the hand and sets out from there.
        free = time_s - (0.0 if scene.release_s is None else scene.release_s)
        across, down = waves(scene.seed, 3, 0.02, 0.15).at(max(free, 0.0))
        x, y = x + scene.wander_px * across, y + scene.wander_px * down
    if scene.runout_px != 0.0:
        across, down = _runout(scene, time_s)
        x, y = x + across, y + down
    if scene.topple_s is None:
        return Pose((x, y))
    until = scene.topple_s - time_s
    if until * scene.precession_hz > STEADY_TURNS:
        return Pose((x, y))
    start = float(np.random.default_rng([scene.seed, 4]).uniform(0.0, 2.0 * np.pi))
    if until >= 0.0:
        # At the start of the sequence the lean comes in from nothing instead of a step.
        left = 1.0 - until * scene.precession_hz / STEADY_TURNS
        growth = math.exp(-until * scene.precession_hz / LEAN_TURNS) * min(1.0, 4.0 * left)
        turned = -2.0 * np.pi * scene.precession_hz * until
        lean = CONTACT_LEAN_RAD * growth
        return Pose((x, y), lean, start + scene.direction * turned)
    return _after_topple(scene, (x, y), start, -until)


def _runout(scene: Scene, time_s: float) -> tuple[float, float]:
    """Return where the body's middle is on its circle about the spin axis, as seen."""
    ring = scene.ring
    turned = float(mark_angle(scene, np.array([time_s]))[0]) + scene.runout_rad - ring.tilt_rad
    along = scene.runout_px * math.cos(turned)
    across = scene.runout_px * math.sin(turned) * ring.minor_px / ring.major_px
    cos, sin = math.cos(ring.tilt_rad), math.sin(ring.tilt_rad)
    return along * cos - across * sin, along * sin + across * cos


def _after_topple(
    scene: Scene, shift_px: tuple[float, float], start_rad: float, since_s: float
) -> Pose:
    """Return the pose of the top that rolls on its rim, slides off and comes to rest."""
    since_s = min(since_s, scene.rest_s)
    x = since_s / scene.rest_s
    slowing = (1.0 - (1.0 - x) ** 3) / 3.0
    rolled = 2.0 * np.pi * 1.6 * scene.precession_hz * scene.rest_s * slowing
    hop = 0.25 * abs(math.sin(9.0 * since_s)) * math.exp(-3.5 * since_s)
    away = start_rad + scene.direction * 0.5 * np.pi
    reach = 0.45 * (1.0 - (1.0 - x) ** 2)
    return Pose(
        shift_px,
        CONTACT_LEAN_RAD * (1.0 - hop),
        start_rad + scene.direction * rolled,
        (reach * math.cos(away), reach * math.sin(away)),
    )


def hand_shift(scene: Scene, time_s: float) -> tuple[float, float] | None:
    """Return how far the hand is from where it holds the stem, of the face's radius.

    Returns
    -------
    tuple of float or None
        Towards the right and towards the top of the upright picture; None when there is no
        hand in the picture.
    """
    if scene.release_s is None or time_s > scene.release_s + HAND_GONE_S:
        return None
    since = time_s - scene.release_s
    if since <= 0.0:
        # The fingers roll the stem between them while they speed it up.
        x = min(max(since / scene.spin_up_s + 1.0, 0.0), 1.0)
        return 0.06 * math.sin(np.pi * x), 0.05 * x * x
    reach = 2.5 * since + 22.0 * since * since
    return 0.86 * reach, 0.05 + 0.5 * reach
