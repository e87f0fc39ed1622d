"""What would the air take from a smooth disc of the top's size?  The physical floor.

A top has at least the air drag of a smooth flat disc that turns freely in open air with both
faces wetted; rim, stem, tip and a near table add to it (or, close below, change it).

References
----------
Th. von Kármán, Z. angew. Math. Mech. 1 (1921) 233-252; W. G. Cochran, Proc. Camb. Phil. Soc.
30 (1934) 365-375; H. Schlichting, "Boundary-Layer Theory": torque coefficients of both faces
``3.87/sqrt(Re)`` (laminar) and ``0.146·Re^(-1/5)`` (turbulent), ``Re = ω R² / ν``, the torque
divided by ``ρ ω² R⁵ / 2``; transition near Re = 3e5 (all from memory).
W. Sutherland, Phil. Mag. 36 (1893): viscosity of air against temperature, with the constants
1.716e-5 Pa s at 273.15 K and 110.4 K (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.records import FloatArray

# Wall gradient of the tangential velocity, -G'(0), of the similarity solution.
COCHRAN = 0.61592201
LAMINAR_COEFFICIENT = 2.0 * np.pi * COCHRAN  # 3.870
TURBULENT_COEFFICIENT = 0.146
TRANSITION_RE = 3e5
GAS_CONSTANT_AIR = 287.05  # J/(kg K), dry air
ZERO_CELSIUS_K = 273.15


@dataclass(frozen=True, slots=True)
class Air:
    """Density and viscosity of air."""

    density_kg_m3: float
    viscosity_pa_s: float

    @property
    def kinematic_m2_s(self) -> float:
        """Kinematic viscosity."""
        return self.viscosity_pa_s / self.density_kg_m3


def air(temperature_c: float = 20.0, pressure_hpa: float = 1013.25) -> Air:
    """Return dry air at a temperature and pressure (humidity changes it by under 1 %)."""
    kelvin = temperature_c + ZERO_CELSIUS_K
    viscosity = 1.716e-5 * (kelvin / 273.15) ** 1.5 * (273.15 + 110.4) / (kelvin + 110.4)
    return Air(100.0 * pressure_hpa / (GAS_CONSTANT_AIR * kelvin), viscosity)


def reynolds(speed_rad_s: FloatArray, radius_m: float, medium: Air) -> FloatArray:
    """Return Re = ω R² / ν."""
    return np.asarray(speed_rad_s * radius_m**2 / medium.kinematic_m2_s)


def moment_coefficient(re: FloatArray) -> FloatArray:
    """Return the torque coefficient of both faces: laminar below `TRANSITION_RE`."""
    laminar = LAMINAR_COEFFICIENT / np.sqrt(re)
    return np.where(re < TRANSITION_RE, laminar, TURBULENT_COEFFICIENT * re**-0.2)


def disc_torque(speed_rad_s: FloatArray, radius_m: float, medium: Air) -> FloatArray:
    """Return the air drag of a smooth free disc, both faces, N m.

    Parameters
    ----------
    speed_rad_s : ndarray, shape (n,)
        Speeds above zero.
    radius_m : float
    medium : Air
    """
    coefficient = moment_coefficient(reynolds(speed_rad_s, radius_m, medium))
    return coefficient * 0.5 * medium.density_kg_m3 * speed_rad_s**2 * radius_m**5
