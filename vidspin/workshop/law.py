"""How does a free top slow down?  The law dω/dt = -(a + b·ω + c·ω^p) and its solution.

Inside, the terms are written at a reference speed: ``f = A + B·x + C·x^p`` with
``x = ω / ω_ref``, so that A, B and C are decelerations in rad/s² of one size and the fit is
well conditioned.  Dry friction of the tip gives A; a viscous film or bearing gives B; air on a
smooth disc gives C with p = 3/2 while its flow is laminar (von Kármán 1921, Cochran 1934) and
p = 9/5 where it is turbulent (von Kármán 1921); the sources are from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from vidspin.records import FloatArray

LAMINAR = 1.5
TURBULENT = 1.8
# A free power stays clear of 0 and 1, where its term is the constant or the linear one.
POWER_BOUNDS = (1.1, 3.0)
# Relative accuracy of the integration: 1e6 rad, a hundred minutes of turning, to 1e-5 rad.
_RTOL = 1e-11
_NODES = 96  # Gauss-Legendre points of a coast time; 48 give the same ten digits
_SLOWEST = 1e-9  # x below which the power is taken there: a fit may try to stop the top


@dataclass(frozen=True, slots=True)
class Form:
    """Which terms a law has.

    Attributes
    ----------
    name : str
        In words.
    linear : bool
        Whether it has the term b·ω.
    power : float or None
        p of the third term, NaN where it is free, None where there is no such term.
    """

    name: str
    linear: bool
    power: float | None

    @property
    def free(self) -> bool:
        """Whether the power is fitted."""
        return self.power is not None and bool(np.isnan(self.power))

    @property
    def terms(self) -> tuple[str, ...]:
        """Names of the parameters in their order, without the speed at the start."""
        names = ["a"] + ["b"] * self.linear + ["c"] * (self.power is not None)
        return tuple(names + ["p"] * self.free)


FORMS: tuple[Form, ...] = (
    Form("constant + linear", True, None),
    Form("constant + power 3/2", False, LAMINAR),
    Form("constant + power 9/5", False, TURBULENT),
    Form("constant + linear + power 3/2", True, LAMINAR),
    Form("constant + linear + power 9/5", True, TURBULENT),
    Form("constant + free power", False, float("nan")),
    Form("constant + linear + free power", True, float("nan")),
)


def shape(form: Form, parameters: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the deceleration and its derivatives by the parameters.

    Parameters
    ----------
    form : Form
    parameters : ndarray, shape (..., K)
        A, B, C in rad/s² and p, as far as the form has them (K = ``len(form.terms)``).
    x : ndarray, shape (...)
        Speed ÷ reference speed, above zero; broadcasts against the parameters.

    Returns
    -------
    deceleration : ndarray, shape (...)
        rad/s², positive where the top slows.
    gradient : ndarray, shape (K, ...)
    """
    value, gradient = np.array(parameters[..., 0] + 0.0 * x), [np.ones_like(x)]
    column = 1
    if form.linear:
        value = value + parameters[..., column] * x
        gradient.append(x)
        column += 1
    if form.power is not None:
        scale = parameters[..., column]
        power = parameters[..., column + 1] if form.free else form.power
        grown = x**power
        value = value + scale * grown
        gradient.append(grown)
        if form.free:
            gradient.append(scale * grown * np.log(x))
    return value, np.stack(np.broadcast_arrays(*gradient))


def run_down(
    form: Form, start_rad_s: float, parameters: FloatArray, reference_rad_s: float, at_s: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Integrate the law from time 0: the turned angle, the speed, the angle's derivatives.

    Parameters
    ----------
    form : Form
    start_rad_s : float
        Speed at time 0.
    parameters : ndarray, shape (K,)
    reference_rad_s : float
        Speed at which x = 1.
    at_s : ndarray, shape (N,)
        Ascending times, 0 or later.

    Returns
    -------
    angle : ndarray, shape (N,)
        rad since time 0.
    speed : ndarray, shape (N,)
    jacobian : ndarray, shape (N, 1 + K)
        Derivatives of the angle by the start speed and the parameters.

    Notes
    -----
    The variational equations are integrated with the law (Dormand-Prince 8(5,3)), so that the
    derivatives are as exact as the angle.
    """
    count = len(parameters)
    slowing = _slowing(form, parameters.tolist())

    def rates(_: float, state: FloatArray) -> list[float]:
        speed, *by_speed = state[1 : 3 + count].tolist()
        value, gradient, steep = slowing(max(speed / reference_rad_s, _SLOWEST))
        steep /= reference_rad_s
        change = [-steep * by - g for by, g in zip(by_speed, gradient, strict=True)]
        return [speed, -value, *change, *by_speed]

    state = np.zeros(2 + 2 * (1 + count))
    state[1], state[2] = start_rad_s, 1.0
    end = max(float(at_s[-1]), 1e-3)
    size = np.full(len(state), 1e-9)
    solution = solve_ivp(
        rates, (0.0, end), state, method="DOP853", rtol=_RTOL, atol=size, dense_output=True
    )
    values = solution.sol(at_s)
    return values[0], values[1], np.ascontiguousarray(values[3 + count :].T)


def _slowing(
    form: Form, parameters: list[float]
) -> Callable[[float], tuple[float, list[float], float]]:
    """Return a function of x: deceleration, derivatives by start and parameters, and by x.

    The same as `shape` for single numbers, which the integration asks for some thousand times.
    """
    a, *rest = parameters
    b = rest.pop(0) if form.linear else 0.0
    c, p = 0.0, 1.0
    if form.power is not None:
        c = rest.pop(0)
        p = rest.pop(0) if form.free else form.power

    def at(x: float) -> tuple[float, list[float], float]:
        gradient = [0.0, 1.0]
        value, steep = a, b
        if form.linear:
            value += b * x
            gradient.append(x)
        if form.power is not None:
            grown = x**p
            value += c * grown
            steep += c * p * grown / x
            gradient.append(grown)
            if form.free:
                gradient.append(c * grown * math.log(x))
        return value, gradient, steep

    return at


def coast_time(
    form: Form,
    parameters: FloatArray,
    reference_rad_s: float,
    from_rad_s: FloatArray | float,
    to_rad_s: FloatArray | float,
) -> tuple[FloatArray, FloatArray]:
    """Return the time from one speed down to another, and its derivatives.

    Parameters
    ----------
    form : Form
    parameters : ndarray, shape (..., K)
    reference_rad_s : float
    from_rad_s, to_rad_s : float or ndarray, shape (...)
        Speeds above zero.

    Returns
    -------
    seconds : ndarray, shape (...)
        inf where the law would never get there: its deceleration is not positive on the way.
    gradient : ndarray, shape (K, ...)
        By the parameters, s per unit.

    Notes
    -----
    ``t = ∫ dω / f(ω)`` by Gauss-Legendre quadrature in the logarithm of the speed.
    """
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    high = np.log(np.asarray(from_rad_s, dtype=np.float64) / reference_rad_s)
    low = np.log(np.asarray(to_rad_s, dtype=np.float64) / reference_rad_s)
    half = 0.5 * (high - low)
    x = np.exp((0.5 * (high + low))[..., np.newaxis] + half[..., np.newaxis] * nodes)
    value, gradient = shape(form, parameters[..., np.newaxis, :], x)
    weight = half[..., np.newaxis] * weights * x * reference_rad_s
    slows = np.all(value > 0, axis=-1)
    safe = np.where(value > 0, value, 1.0)
    seconds = np.where(slows, np.sum(weight / safe, axis=-1), np.inf)
    return seconds, -np.sum(gradient * (weight / safe**2), axis=-1)
