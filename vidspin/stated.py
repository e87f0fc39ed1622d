"""What did the user state, as ``spin.json`` holds it?

A result that is worked out or measured again goes by everything that it was made with.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from vidspin.clock import rate_of
from vidspin.records import CameraProfile, Quantity, Reference, Settings

Said = Mapping[str, Any]


def stated_in(document: Said) -> Settings:
    """Give back the settings of a result.

    Parameters
    ----------
    document : mapping
        A whole ``spin.json``.

    Returns
    -------
    Settings
        As the measurement used them: instants on the corrected clock, references with the
        doubt of the frame interval, and the clock's rate fitted from them anew where there are
        references or the profile knows one.

    Raises
    ------
    KeyError, TypeError, ValueError
        When it is no result, or its references fit no clock.
    """
    said = document["settings"]
    captured = said["captured_at"]
    half_width = float(said["clock_half_width_ppm"])
    references = tuple(_reference(one) for one in said.get("references") or ())
    camera = _profile(said.get("camera"), document["recording"])
    learnt = None if camera is None else camera.clock_ppm
    known = bool(references) or learnt is not None
    return Settings(
        centre_px=_pair(said["centre_px"]), radii_px=_pair(said["radii_px"]),
        tilt_rad=maybe(said["tilt_rad"]), marks=said["marks"],
        bounds_rpm=_pair(said["bounds_rpm"]),
        captured_at=None if captured is None else Fraction(captured),
        release_s=maybe(said["release_s"]), topple_s=maybe(said["topple_s"]),
        overrule_reason=str(said["overrule_reason"]), every_s=float(said["every_s"]),
        clock_half_width_ppm=half_width, odds_needed=float(said["odds_needed"]),
        references=references, camera=camera, diameter_mm=maybe(said.get("diameter_mm")),
        clock=rate_of(references, learnt, half_width) if known else None,
    )  # fmt: skip


def quantity(said: Said | None) -> Quantity | None:
    """Give back a quantity of the document."""
    if said is None:
        return None
    u = said["u"]
    return Quantity(float(said["value"]), math.nan if u is None else float(u), str(said["how"]))


def _reference(said: Said) -> Reference:
    return Reference(
        recorded_s=float(said["recorded_s"]), u_recorded_s=float(said["u_recorded_s"]),
        true_s=float(said["true_s"]), u_true_s=float(said["u_true_s"]), typed=str(said["typed"]),
    )  # fmt: skip


def _profile(said: Said | None, recording: Said) -> CameraProfile | None:
    """Profile that was given; results of old say no mode, which was the recording's."""
    if said is None:
        return None
    first = recording["chapters"][0]
    return CameraProfile(
        name=str(said["name"]), width=int(said.get("width", first["width"])),
        height=int(said.get("height", first["height"])),
        frame_rate=Fraction(said.get("frame_rate", recording["frame_rate"])),
        readout_s=quantity(said["readout_s"]), exposure_s=quantity(said["exposure_s"]),
        exposure_fixed=bool(said["exposure_fixed"]), clock_ppm=quantity(said["clock_ppm"]),
    )  # fmt: skip


def _pair(said: Any) -> tuple[float, float] | None:
    return None if said is None else (float(said[0]), float(said[1]))


def maybe(said: float | None) -> float | None:
    """Give back a number that may be absent."""
    return None if said is None else float(said)
