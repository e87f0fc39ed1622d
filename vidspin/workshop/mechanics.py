"""Which torque slows the top, and how far is it from what air alone would do?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.errors import UsageError
from vidspin.records import FloatArray
from vidspin.units import rpm_from_rad_s
from vidspin.workshop.drag import TRANSITION_RE, Air, disc_torque, reynolds
from vidspin.workshop.rundown import Rundown

STEPS = 40


@dataclass(frozen=True, slots=True)
class Body:
    """What must be known of a top to turn decelerations into torques."""

    inertia_kg_m2: float
    u_inertia: float = 0.0  # standard, share of it
    diameter_m: float | None = None


@dataclass(frozen=True, slots=True)
class Drag:
    """Torque and power against speed; n speeds."""

    speed_rpm: FloatArray
    torque_un_m: FloatArray  # µN·m
    u95_torque_un_m: FloatArray
    power_mw: FloatArray
    floor_un_m: FloatArray | None  # air drag of a smooth free disc of this diameter, both faces
    ratio: FloatArray | None  # torque ÷ floor
    reynolds: FloatArray | None
    note: str

    def table(self) -> dict[str, FloatArray]:
        """Return columns ready for a data frame."""
        columns = {
            "speed_rpm": self.speed_rpm,
            "torque_un_m": self.torque_un_m,
            "u95_torque_un_m": self.u95_torque_un_m,
            "power_mw": self.power_mw,
        }
        if self.floor_un_m is not None and self.ratio is not None and self.reynolds is not None:
            columns |= {
                "disc_un_m": self.floor_un_m,
                "ratio_to_disc": self.ratio,
                "reynolds": self.reynolds,
            }
        return columns


def drag_of(found: Rundown, body: Body, medium: Air) -> Drag:
    """Turn a fitted run-down into torque and power.

    Parameters
    ----------
    found : Rundown
    body : Body
    medium : Air
        Used where the diameter is known.

    Returns
    -------
    Drag
        Over the range of speeds that was fitted.

    Raises
    ------
    UsageError
        When moment of inertia or diameter are not above zero.

    Notes
    -----
    Torque = moment of inertia × deceleration (the mean of all forms by their weights, with
    the doubt which of them it is), power = torque × speed.  The floor is the drag of
    a smooth flat disc in open air (`drag.disc_torque`).  A ratio below 1 means that something
    told is wrong, or that air is thinner or the diameter smaller than stated.
    """
    if not body.inertia_kg_m2 > 0 or (body.diameter_m is not None and not body.diameter_m > 0):
        raise UsageError(
            "moment of inertia and diameter must be above zero", where=found.name,
            do="state them in kg m² and mm",
        )  # fmt: skip
    speed = np.linspace(*found.span_rad_s, STEPS)
    slowing, u95 = found.deceleration(speed)
    torque = 1e6 * body.inertia_kg_m2 * slowing
    u95_torque = np.hypot(1e6 * body.inertia_kg_m2 * u95, 2.0 * body.u_inertia * torque)
    floor = ratio = re = None
    note = "no diameter is told: no floor"
    if body.diameter_m is not None:
        radius = 0.5 * body.diameter_m
        floor = 1e6 * disc_torque(speed, radius, medium)
        ratio, re = torque / floor, reynolds(speed, radius, medium)
        flow = "laminar" if re.max() < TRANSITION_RE else "turbulent at the fast end"
        note = (
            f"smooth free disc, both faces, air {medium.density_kg_m3:.3f} kg/m³; Reynolds number "
            f"{re.min():.0f} to {re.max():.0f}: {flow}"
        )
        if np.any(torque + u95_torque < floor):
            note += (
                "; less drag than such a disc has: moment of inertia, diameter or air is told "
                "wrongly"
            )
    if body.u_inertia == 0:
        note += "; the moment of inertia is taken as exact"
    return Drag(
        rpm_from_rad_s(speed), torque, u95_torque, 1e-3 * torque * speed, floor, ratio, re, note
    )


def body_from(
    inertia_kg_m2: float | None, diameter_mm: float | None, u_inertia: float = 0.0
) -> Body | None:
    """Return the body that facts tell of; None where the moment of inertia is not told."""
    if inertia_kg_m2 is None:
        return None
    return Body(inertia_kg_m2, u_inertia, None if diameter_mm is None else 1e-3 * diameter_mm)
