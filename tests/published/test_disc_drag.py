"""Drag of a rotating disc: the similarity equations solved anew, and the printed laws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_bvp

from vidspin.workshop.drag import (
    COCHRAN,
    LAMINAR_COEFFICIENT,
    Air,
    air,
    disc_torque,
    moment_coefficient,
    reynolds,
)


def test_cochran_s_wall_gradient_follows_from_the_similarity_equations() -> None:
    """von Kármán 1921: H' = -2F, F'' = F² - G² + F'H, G'' = 2FG + G'H.

    Cochran 1934 prints F'(0) 0.510, G'(0) -0.616, H(inf) -0.886 (digits from memory); the
    equations are printed in Higgins' course notes (2008).
    """

    def slopes(_: object, y: np.ndarray) -> np.ndarray:
        f, df, g, dg, h = y
        return np.array([df, f**2 - g**2 + df * h, dg, 2 * f * g + dg * h, -2 * f])

    def walls(low: np.ndarray, high: np.ndarray) -> np.ndarray:
        return np.array([low[0], low[2] - 1, low[4], high[0], high[2]])

    z = np.linspace(0, 20, 400)
    decay = np.exp(-z)
    guess = np.array([0.5 * z * decay, 0.5 * (1 - z) * decay, decay, -decay, -0.88 * (1 - decay)])
    solved = solve_bvp(slopes, walls, z, guess, tol=1e-9, max_nodes=100_000)
    assert solved.success
    _, df, _, dg, _ = solved.y[:, 0]
    assert dg == pytest.approx(-0.61592201, abs=1e-7)
    assert COCHRAN == pytest.approx(-dg, abs=1e-7)
    assert df == pytest.approx(0.51023262, abs=1e-7)
    assert solved.y[4, -1] == pytest.approx(-0.88447, abs=2e-5)


def test_laminar_coefficient_is_schlichting_s() -> None:
    assert pytest.approx(3.87, abs=0.005) == LAMINAR_COEFFICIENT
    assert moment_coefficient(np.array([1e4]))[0] == pytest.approx(3.87 / 100, rel=1e-3)


def test_laminar_torque_is_the_textbook_s() -> None:
    """Bird, Stewart, Lightfoot: T = 0.616 pi rho R^4 sqrt(mu W^3 / rho) on both faces."""
    medium, speed, radius = Air(1.2, 1.8e-5), np.array([250.0]), 0.03
    printed = 0.616 * np.pi * 1.2 * radius**4 * np.sqrt(1.8e-5 * speed**3 / 1.2)
    assert disc_torque(speed, radius, medium) == pytest.approx(printed, rel=1e-3)


def test_turbulent_torque_is_the_textbook_s() -> None:
    """The same: T = 0.073 rho W² R^5 (mu / (R² W rho))^(1/5)."""
    medium, speed, radius = Air(1.2, 1.8e-5), np.array([600.0]), 0.2
    re = reynolds(speed, radius, medium)
    assert re[0] > 3e5
    printed = 0.073 * 1.2 * speed**2 * radius**5 * re**-0.2
    assert disc_torque(speed, radius, medium) == pytest.approx(printed, rel=1e-3)
    assert moment_coefficient(re) == pytest.approx(0.146 * re**-0.2, rel=1e-12)


def test_the_two_laws_cross_where_they_should() -> None:
    """Re = 5.553e4: both laws written out give the same there."""
    re = 5.553e4
    assert LAMINAR_COEFFICIENT / np.sqrt(re) == pytest.approx(0.146 * re**-0.2, rel=2e-3)


def test_air_is_that_of_the_standard_atmosphere() -> None:
    """ISO 2533 at 15 °C, 1013.25 hPa: 1.225 kg/m³ and 1.789e-5 Pa s (from memory)."""
    medium = air(15.0)
    assert medium.density_kg_m3 == pytest.approx(1.225, abs=0.0005)
    assert medium.viscosity_pa_s == pytest.approx(1.789e-5, abs=0.005e-5)


def test_a_disc_of_brass_loses_as_much_as_worked_out_by_hand() -> None:
    """R 20 mm, 3000 rev/min, 20 °C: Re 8289 and 8.08e-6 N m with nu = 1.516e-5, rho 1.204."""
    medium = Air(1.204, 1.204 * 1.516e-5)
    speed = np.array([100 * np.pi])
    assert reynolds(speed, 0.02, medium)[0] == pytest.approx(8289, abs=1)
    assert disc_torque(speed, 0.02, medium)[0] == pytest.approx(8.08e-6, abs=0.01e-6)
