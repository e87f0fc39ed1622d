"""Where is there something to look at, and what was fitted in each frame?

Values for the page, from the files of a result; texts leave here as texts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vidspin.markmodel import MarkModel, seen_angle
from vidspin.records import Ellipse, FloatArray, SightingFlag
from vidspin.review.history import ENDS, instant_of
from vidspin.ring import even_angles, ring_points
from vidspin.units import format_duration
from vidspin.wording import ANSWERS, answer, at_least, instant, with_u95

MOST_INSTANTS = 300
RING_ANGLES = 360
SLOPE_FRAMES = 3  # on either side of a frame, for the speed there
ZOOM_REACH = 1.3  # of the ring's long semi-axis, along the picture's shorter side
SAME_INSTANT_S = 1e-5
LOST = SightingFlag.DARK | SightingFlag.MOVED  # where the top is, is not known then
FLAG_WORDS = {
    SightingFlag.DARK: "too dark",
    SightingFlag.OCCLUDED: "the ring looks covered",
    SightingFlag.MOVED: "the top or the camera moved too far",
    SightingFlag.WEAK: "the mark does not stand out",
    SightingFlag.DAMAGED: "the picture is damaged",
    SightingFlag.OUTLIER: "far from the smooth spin around it",
    SightingFlag.NOT_SPINNING_FREELY: "not taken as free spin",
    SightingFlag.REPEATED: "the picture of the frame before, shown again",
}


class Scene:
    """What the page shows of one result.

    Parameters
    ----------
    document : dict
        ``spin.json``.
    sightings : dict of str to array
        Arrays of ``sightings.npz``.
    sha256 : str
        Of ``spin.json``, hexadecimal.
    """

    def __init__(
        self, document: Mapping[str, Any], sightings: Mapping[str, NDArray[Any]], sha256: str
    ) -> None:
        self._d, self._a, self.sha256 = document, sightings, sha256
        self.time_s: FloatArray = np.asarray(sightings["time_s"], np.float64)
        (x, y), (major, minor) = document["top"]["centre_px"], document["top"]["semi_axes_px"]
        self._ring = Ellipse(x, y, major, minor, document["top"]["tilt_rad"])
        self._model = self._shutter_model()

    @property
    def frames(self) -> int:
        """Frames that can be shown."""
        return len(self.time_s)

    def frame_at(self, time_s: float) -> int:
        """First frame at or after an instant, the last one where there is none."""
        found = int(np.searchsorted(self.time_s, time_s - SAME_INSTANT_S))
        return min(found, self.frames - 1)

    # ---------------------------------------------------------------------- the whole

    def state(self) -> dict[str, Any]:
        """Say everything that does not change from frame to frame."""
        d = self._d
        size, matrix = upright(d["recording"]["chapters"][0])
        found = sorted(self._instants(), key=_when)
        return {
            "name": d["recording"]["name"],
            "of": self.sha256,
            "frames": self.frames,
            "stored": [d["recording"]["chapters"][0][key] for key in ("width", "height")],
            "size": list(size),
            "matrix": list(matrix),
            "near": self._near(size, matrix),
            "figures": self._figures(),
            "instants": found[:MOST_INSTANTS],
            "left_out": max(0, len(found) - MOST_INSTANTS),
            "ends": {kind: self._end(kind) for kind in ENDS},
            "reviews": [self._review(one) for one in d.get("reviews", [])],
        }

    def _instants(self) -> Iterator[dict[str, Any]]:
        d = self._d
        events = [("release", d["release"]), ("topple", d["topple"])]
        events += [("touch", touch) for touch in d["touches"]]
        for kind, event in events:
            seen = event is not None and event["seen"] and event["time_s"] is not None
            note = event["how"] if event is not None and seen else "not seen in the recording"
            yield self._instant(kind, kind, event["time_s"] if seen else None, note)
        for check in d["checks"]:
            kind = "fail" if check["state"] == "fail" else "check"
            words = f"{check['figure']}: {check['note']}" if check["note"] else check["figure"]
            for time_s in check.get("at_s", ()):
                told = ANSWERS[answer(check["state"], look=bool(check.get("look")))]
                title = f"{check['name']} ({told})"
                yield self._instant(kind, title, time_s, words)

    def _instant(self, kind: str, title: str, time_s: float | None, note: str) -> dict[str, Any]:
        return {
            "kind": kind,
            "title": title,
            "note": note,
            "time_s": time_s,
            "when": "" if time_s is None else format_duration(time_s, 3),
            "frame": None if time_s is None else self.frame_at(time_s),
        }

    def _end(self, kind: str) -> dict[str, Any]:
        end, time_s = self._d[kind], instant_of(self._d, kind)
        told = "not seen in the recording"
        if time_s is not None:
            u95_s = end["u95_s"]
            told = instant(time_s, u95_s) if u95_s else format_duration(time_s, 3)
        overruled = end is not None and bool(end["overruled"])
        found = None
        if overruled:
            own = end["measured_s"]
            found = "not found" if own is None else format_duration(own, 3)
        return {
            "told": told,
            "rpm": "" if end is None or end["rpm"] is None
            else with_u95(end["rpm"], end["u95_rpm"], "rev/min"),
            "overruled": overruled,
            "found": found,
            "frame": None if time_s is None else self.frame_at(time_s),
        }  # fmt: skip

    def _figures(self) -> list[list[str]]:
        spin = self._d["spin_time"] or {}
        if spin.get("seconds") is not None:
            told = with_u95(spin["seconds"], spin["u95_s"], "s")
        elif spin.get("at_least_s") is not None:
            told = at_least(spin["at_least_s"], "s")
        else:
            told = "not known"
        return [["Spin time", told]]

    @staticmethod
    def _review(one: Mapping[str, Any]) -> dict[str, Any]:
        was, now = (
            "not seen in the recording" if t is None else format_duration(t, 3)
            for t in (one["from_s"], one["to_s"])
        )  # fmt: skip
        return {
            "at": one["at"], "event": one["event"], "action": one["action"],
            "from": was, "to": now, "reason": one["reason"] or "",
        }  # fmt: skip

    def _near(self, size: tuple[float, float], matrix: tuple[float, ...]) -> list[float]:
        """Part of the upright picture about the top: x, y, width, height."""
        a, b, c, d, e, f = matrix
        x, y = self._ring.x_px + 0.5, self._ring.y_px + 0.5
        part = min(1.0, 2 * ZOOM_REACH * self._ring.major_px / min(size))
        wide, high = (part * side for side in size)
        left = a * x + c * y + e - wide / 2
        top = b * x + d * y + f - high / 2
        return [
            min(max(left, 0.0), size[0] - wide), min(max(top, 0.0), size[1] - high), wide, high
        ]  # fmt: skip

    # ------------------------------------------------------------------- one frame

    def sight(self, n: int) -> dict[str, Any]:
        """Say what was fitted in a frame; places in stored picture elements."""
        a = self._a
        at = replace(self._ring, x_px=float(a["x_px"][n]), y_px=float(a["y_px"][n]))
        followed = math.isfinite(at.x_px) and math.isfinite(at.y_px)
        if not followed:
            at = self._ring
        followed = followed and not int(a["flags"][n]) & int(LOST)
        angle = float(a["angle_rad"][n])
        known = math.isfinite(angle)
        return {
            "frame": n,
            "when": format_duration(float(self.time_s[n]), 3),
            "followed": followed,
            "ring": [at.x_px, at.y_px, at.major_px, at.minor_px, math.degrees(at.tilt_rad)],
            "marks": self._marks(at, self._seen(n, angle)) if known else [],
            "told": self._told(n, angle if known else None),
        }

    def _seen(self, n: int, angle: float) -> float:
        """Angle at which the mark is seen: where the rows were read meanwhile."""
        omega = self._omega(n)
        y = float(self._a["y_px"][n]) - self._ring.y_px
        shift = y / self._d["recording"]["chapters"][0]["height"] if math.isfinite(y) else 0.0
        # the kept angle holds half of what the top's wandering over the rows means
        phi = angle + 0.5 * omega * self._model.readout_s * shift
        return float(seen_angle(np.array([phi]), np.array([omega]), self._model)[0])

    def _omega(self, n: int) -> float:
        """Speed of the turning picture at a frame, rad/s, with its sign; 0 where unknown."""
        turned = self._a.get("turned_rad")
        if turned is None:
            return 0.0
        rows = slice(max(0, n - SLOPE_FRAMES), n + SLOPE_FRAMES + 1)
        good = np.isfinite(turned[rows])
        if good.sum() < 2:
            return 0.0
        t = self.time_s[rows][good]
        return float(np.polyfit(t - t[0], turned[rows][good], 1)[0])

    def _shutter_model(self) -> MarkModel:
        camera, height = self._d["camera"], self._d["recording"]["chapters"][0]["height"]
        y = ring_points(self._ring, 1.0, even_angles(RING_ANGLES))[1]
        flat = np.ones(RING_ANGLES)
        terms = [[t["cos_rad"] or 0.0, t["sin_rad"] or 0.0] for t in camera["geometry"]]
        readout = camera["readout_s"]
        return MarkModel(
            flat, np.zeros(0), flat, flat, np.zeros(2, np.complex128),
            (y - (height - 1) / 2) / height,
            readout_s=0.0 if readout is None else float(readout["value"]),
            geometry=np.array(terms, np.float64).reshape(-1, 2),
        )  # fmt: skip

    def _marks(self, at: Ellipse, seen_rad: float) -> list[list[float]]:
        """Two short lines for each mark, inside and outside of its ring: x1, y1, x2, y2."""
        inner, outer = self._d["top"]["ring"]
        count = int(self._d["marks"])
        angles = seen_rad + even_angles(count)
        lines: list[list[float]] = []
        for low, high in ((inner - 0.3, inner - 0.06), (outer + 0.06, outer + 0.3)):
            x1, y1 = ring_points(at, max(low, 0.05), angles)
            x2, y2 = ring_points(at, max(high, 0.1), angles)
            lines += np.stack([x1, y1, x2, y2], axis=1).tolist()
        return lines

    def _told(self, n: int, angle: float | None) -> str:
        flags = int(self._a["flags"][n])
        doubts = [words for flag, words in FLAG_WORDS.items() if flags & int(flag)]
        if angle is None:
            said = "no mark fitted"
        else:
            u = float(self._a["u_rad"][n])
            degrees = math.degrees(angle) % 360.0
            said = f"mark angle {degrees:.1f}°"
            said += f" (u {math.degrees(u):.2f}°)" if math.isfinite(u) else ""
        return "; ".join([said, *doubts])


def _when(one: Mapping[str, Any]) -> float:
    """Order of the list: by time; an end that is not seen in the recording at its own side."""
    if one["time_s"] is not None:
        return float(one["time_s"])
    return -math.inf if one["kind"] == "release" else math.inf


def upright(chapter: Mapping[str, Any]) -> tuple[tuple[float, float], tuple[float, ...]]:
    """How a player shows the stored picture.

    Parameters
    ----------
    chapter : mapping
        An entry of ``recording.chapters``.

    Returns
    -------
    size : (float, float)
        Width and height of what is shown, in stored rows.
    matrix : tuple of 6 floats
        a, b, c, d, e, f of the map from stored to shown places: x' = a x + c y + e,
        y' = b x + d y + f.
    """
    rows = float(chapter["height"])
    wide = float(Fraction(chapter["sample_aspect"]))
    columns = chapter["width"] * wide
    a, e = (-wide, columns) if chapter["mirrored"] else (wide, 0.0)
    turn = chapter["rotation"]
    if turn == 90:
        return (rows, columns), (0.0, a, -1.0, 0.0, rows, e)
    if turn == 180:
        return (columns, rows), (-a, 0.0, 0.0, -1.0, columns - e, rows)
    if turn == 270:
        return (rows, columns), (0.0, -a, 1.0, 0.0, 0.0, columns - e)
    return (columns, rows), (a, 0.0, 0.0, 1.0, e, 0.0)
