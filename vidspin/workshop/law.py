"""How does a free top slow down?  The law dω/dt = -(a + b·ω + c·ω^p) and its solution.

Inside, the terms are written at a reference speed: ``f = A + B·x + C·x^p`` with
``x = ω / ω_ref``, so that A, B and C are decelerations in rad/s² of one size and the fit is
well conditioned.  Dry friction of the tip gives A; a viscous film or bearing gives B; air on a
smooth disc gives C with p = 3/2 while its flow is laminar (von Kármán 1921, Cochran 1934) and
p = 9/5 where it is turbulent (von Kármán 1921); the sources are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.records import FloatArray

LAMINAR = 1.5
TURBULENT = 1.8
# A free power stays clear of 0 and 1, where its term is the constant or the linear one.
POWER_BOUNDS = (1.1, 3.0)
_NODES = 96  # Gauss-Legendre points of a coast time; 48 give the same ten digits
_PANELS, _PANEL_NODES = 128, 6  # of a run-down
_LEAST_SLOWING = 1e-12  # rad/s²: a law without slowing takes for ever


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


def run_down(  # noqa: PLR0913 - a law has four parts, then when and how far down
    form: Form,
    start_rad_s: float,
    parameters: FloatArray,
    reference_rad_s: float,
    at_s: FloatArray,
    *,
    slowest_rad_s: float | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Solve the law from time 0: the turned angle, the speed, the angle's derivatives.

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
    slowest_rad_s : float, optional
        About the speed at the last time, or somewhat below: makes it quicker.

    Returns
    -------
    angle : ndarray, shape (N,)
        rad since time 0.
    speed : ndarray, shape (N,)
    jacobian : ndarray, shape (N, 1 + K)
        Derivatives of the angle by the start speed and the parameters.

    Notes
    -----
    Time and angle are integrals over the speed, ``t = ∫ dω / f`` and ``θ = ∫ ω dω / f``, and so
    are their derivatives by the parameters; Gauss-Legendre quadrature panel by panel gives them
    at some hundred speeds.  Between these each is a quintic in time with the right first and
    second derivative at both ends: 1e6 rad come out to 1e-5 rad.  Where the law stops slowing,
    the speed stays.
    """
    low = start_rad_s * 1e-3 if slowest_rad_s is None else min(slowest_rad_s, 0.999 * start_rad_s)
    steps = _steps(form, start_rad_s, parameters, reference_rad_s, low)
    while steps.time[-1] < at_s[-1] and low > start_rad_s * 1e-9:
        low *= 0.25
        steps = _steps(form, start_rad_s, parameters, reference_rad_s, low)
    return _between(steps, at_s)


@dataclass(frozen=True, slots=True)
class _Steps:
    """A run-down at P + 1 falling speeds.

    Row 0 of the tables is the angle, the others are its derivatives by start speed and terms.
    """

    time: FloatArray  # (P + 1,)
    speed: FloatArray  # (P + 1,)
    value: FloatArray  # (2 + K, P + 1)
    rate: FloatArray  # (2 + K, P + 1) derivative in time
    bend: FloatArray  # (2 + K, P + 1) second derivative in time


def _steps(
    form: Form, start: float, parameters: FloatArray, reference: float, low: float
) -> _Steps:
    nodes, weights = np.polynomial.legendre.leggauss(_PANEL_NODES)
    edges = np.geomspace(start, low, _PANELS + 1)
    half = 0.5 * np.log(start / low) / _PANELS
    speed = edges[:-1, np.newaxis] * np.exp(-half * (1.0 + nodes))
    slowing, gradient = _slowing(form, parameters, speed / reference)
    weight = half * weights * speed / slowing
    share = weight / slowing * gradient
    time, angle = _summed(weight), _summed(weight * speed)
    time_by, angle_by = -_summed(share), -_summed(share * speed)
    slowing, gradient = _slowing(form, parameters, edges / reference)
    steep = _steepness(form, parameters, edges / reference) / reference
    speed_by = np.vstack([slowing / slowing[0], slowing * time_by])
    slowing_by = np.vstack([np.zeros_like(edges), gradient])
    return _Steps(
        time=time,
        speed=edges,
        value=np.vstack([angle, (start - edges) / slowing[0], angle_by - edges * time_by]),
        rate=np.vstack([edges, speed_by]),
        bend=np.vstack([-slowing, -steep * speed_by - slowing_by]),
    )


def _summed(panels: FloatArray) -> FloatArray:
    """Add up integrals (..., P, nodes) from the start: (..., P + 1), 0 at the start."""
    sums = np.cumsum(panels.sum(axis=-1), axis=-1)
    return np.concatenate([np.zeros((*sums.shape[:-1], 1)), sums], axis=-1)


def _slowing(form: Form, parameters: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return `shape`, with next to no slowing where the law has none: a fit may try such."""
    value, gradient = shape(form, parameters, x)
    return np.maximum(value, _LEAST_SLOWING), gradient


def _steepness(form: Form, parameters: FloatArray, x: FloatArray) -> FloatArray:
    """Return the derivative of the deceleration by x."""
    total, column = np.zeros_like(x), 1
    if form.linear:
        total = total + parameters[column]
        column += 1
    if form.power is not None:
        power = parameters[column + 1] if form.free else form.power
        total = total + parameters[column] * power * x ** (power - 1.0)
    return total


def _between(steps: _Steps, at_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Interpolate in time: quintics with value, rate and bend of the steps at both ends."""
    i = np.clip(np.searchsorted(steps.time, at_s, side="right") - 1, 0, len(steps.time) - 2)
    h = steps.time[i + 1] - steps.time[i]
    s = np.minimum((at_s - steps.time[i]) / h, 1.0)
    late = np.maximum(at_s - steps.time[-1], 0.0)
    rise = steps.value[:, i + 1] - steps.value[:, i]
    rate, rate_end = h * steps.rate[:, i], h * steps.rate[:, i + 1]
    bend, bend_end = h**2 * steps.bend[:, i], h**2 * steps.bend[:, i + 1]
    c3 = 10 * rise - 6 * rate - 4 * rate_end - 1.5 * bend + 0.5 * bend_end
    c4 = -15 * rise + 8 * rate + 7 * rate_end + 1.5 * bend - bend_end
    c5 = 6 * rise - 3 * rate - 3 * rate_end - 0.5 * bend + 0.5 * bend_end
    found = steps.value[:, i] + s * (rate + s * (0.5 * bend + s * (c3 + s * (c4 + s * c5))))
    speed = rate[0] + s * (bend[0] + s * (3 * c3[0] + s * (4 * c4[0] + s * 5 * c5[0])))
    return found[0] + late * steps.speed[-1], speed / h, np.ascontiguousarray(found[1:].T)


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
