"""What is true of a simulated clip, as a document to lay beside it.

Times are *file* seconds (scene seconds divided by `Scene.time_scale`); speeds are those of
the scene.  Keys:

``rpm``
    Rows of time and speed at every half second of the file between release and topple.
``turns``
    Turned angle of the mark at the exposure centre of the middle row of each frame; null
    from the topple on.
``mark_angle_at_turn_zero_rad``
    Mark angle at turn 0, counted from +x in the sense of rotation.
``centre_row_offset_s``
    Exposure centre of the middle row minus frame time, scene seconds.
``file_frame_times_s``
    True times of the frames; the file itself states them rounded to its ticks, with the
    scene's stamp errors.
``centre_px``
    Rows of time and place of the face's centre at the times of ``rpm``.
``mark_ellipse_px``
    Centre, semi-axes and tilt (rad) of the mark's path when the top has not moved yet.
``scene``
    Every setting.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from fractions import Fraction
from typing import Any

import numpy as np

from vidspin.simulate.motion import FACE_HEIGHT, pose_at
from vidspin.simulate.picture import circle_at
from vidspin.simulate.scene import Scene, frame_times, speed, turned_angle
from vidspin.units import rpm_from_rad_s, turns_from_rad

SCHEMA = "vidspin/truth/1"


def truth_of(scene: Scene, name: str) -> dict[str, Any]:
    """Return the truth of a clip, ready for JSON.

    Parameters
    ----------
    scene : Scene
        What was drawn.
    name : str
        Name of the clip, without its ending.
    """
    scale = float(scene.time_scale)
    start = frame_times(scene).start_s
    end = math.inf if scene.topple_s is None else scene.topple_s
    seen = start + scene.centre_row_offset_s
    turns = turns_from_rad(turned_angle(scene, seen))
    halves = np.arange(0.5, float(start[-1]) / scale, 1.0)
    halves = halves[halves * scale < end]
    rpm = rpm_from_rad_s(speed(scene, halves * scale))
    ring = scene.ring
    released = 0.0 if scene.release_s is None else scene.release_s
    places = [circle_at(scene, pose_at(scene, t * scale), FACE_HEIGHT).middle for t in halves]
    return {
        "schema": SCHEMA,
        "name": name,
        "frames": int(start.size),
        "direction": "clockwise" if scene.direction > 0 else "counterclockwise",
        "marks": scene.marks,
        "release_s": _in_file(scene.release_s, scale),
        "topple_s": _in_file(scene.topple_s, scale) if end <= float(start[-1]) else None,
        "rpm_at_release": float(rpm_from_rad_s(speed(scene, np.array([released])))[0]),
        "rpm": [[float(t), round(float(w), 6)] for t, w in zip(halves, rpm, strict=True)],
        "mark_angle_at_turn_zero_rad": scene.direction * scene.first_angle_rad,
        "centre_row_offset_s": scene.centre_row_offset_s,
        "mark_ellipse_px": [ring.x_px, ring.y_px, ring.major_px, ring.minor_px, ring.tilt_rad],
        "centre_px": [
            [float(t), round(x, 3), round(y, 3)] for t, (x, y) in zip(halves, places, strict=True)
        ],
        "file_frame_times_s": [round(float(t), 7) for t in start / scale],
        "turns": [
            round(float(n), 7) if t < end else None for n, t in zip(turns, seen, strict=True)
        ],
        "scene": _plain(asdict(scene)) | {"law": _law(scene)},
    }


def _in_file(time_s: float | None, scale: float) -> float | None:
    """Return an instant of the scene in file seconds."""
    return None if time_s is None else time_s / scale


def _law(scene: Scene) -> dict[str, Any]:
    """Return the speed law with its kind."""
    return {"kind": type(scene.law).__name__} | dict(_plain(asdict(scene.law)))


def _plain(value: Any) -> Any:
    """Turn fractions into strings and tuples into lists, all the way down."""
    if isinstance(value, Fraction):
        return str(value)
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value
