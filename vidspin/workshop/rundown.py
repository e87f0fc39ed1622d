"""Which law does a run-down follow?  Fits of the law to the phase itself.

Nothing is differentiated: the turned angle that the law predicts is compared with every
sighting.  The forms of `law.FORMS` are fitted side by side and weighed by Akaike's criterion.

References
----------
K. P. Burnham, D. R. Anderson, "Model Selection and Multimodel Inference", 2nd ed. (2002):
AICc, its form for over-dispersed data (QAICc) and the weights of the models (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from vidspin.errors import UsageError
from vidspin.records import FloatArray, IntArray
from vidspin.uncertainty import coverage_factor
from vidspin.units import rad_s_from_rpm
from vidspin.workshop.attempt import Attempt, Phase, Rows
from vidspin.workshop.law import FORMS, LAMINAR, POWER_BOUNDS, Form, coast_time, run_down, shape

# The hand still leaves, and the top already leans, in these parts of the free spin
# (invented: well above the doubt of either instant).
AFTER_RELEASE_S = 1.0
BEFORE_TOPPLE_S = 3.0
LOOSE_GAP_S = 0.01  # standard doubt of the time between chapters; no law is fitted across more
# The residuals are summed in so many stretches more than there are parameters: what is left over
# in their sums tells how much wider than independent noise the parameters scatter.  More would
# tell it better were neighbours alike over a short time only; long stretches also see a shutter
# or a tilt that is not quite right, whose trace turns slowly near a stand-still speed.
FREEDOM = 8
FEWEST_SIGHTINGS = 60
FEWEST_SECONDS = 4.0
# Long recordings: neighbours are averaged until about this many values are left.
MOST_VALUES = 2500
# Akaike weight from which a form counts as settled: what the others say is then within the
# twentieth that a u95 leaves out anyway.
SETTLED_WEIGHT = 0.95
# Akaike weight below which a form is not mentioned again.
NEGLIGIBLE_WEIGHT = 1e-3
_SINGULAR = 1e-13


@dataclass(frozen=True, slots=True)
class RundownFit:
    """One form of the law, fitted.

    The covariances hold everything that was fitted, in the order of `names`: the scatter, with
    `dof` degrees of freedom, and the doubt of the recording's clock.
    """

    form: Form
    names: tuple[str, ...]  # "start" and the terms: start speed, a, b, c, p
    values: FloatArray  # (1 + K,) rad/s, rad/s², 1/s, (rad/s)^(1-p)/s, 1
    covariance: FloatArray  # (1 + K, 1 + K)
    clock: FloatArray  # (1 + K,) what one standard doubt of the clock does to `values`
    dof: float
    reference_rad_s: float
    scaled: FloatArray  # (1 + K,) start speed, then A, B, C in rad/s² at the reference speed, p
    scaled_covariance: FloatArray  # (1 + K, 1 + K)
    start_s: float  # time to which "start" belongs
    time_s: FloatArray  # (N,) sightings used, or means of some neighbours
    residual_rad: FloatArray  # (N,) seen minus law
    u_rad: FloatArray  # (N,) as stated by the sightings
    sightings: int  # that carried the fit
    widened: float  # variance of the residuals' sums against independent noise as stated
    criterion: float  # QAICc; smaller is better
    weight: float = 1.0  # Akaike weight among the forms that were tried

    @property
    def u(self) -> FloatArray:
        """Standard uncertainties of `values`."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def u95(self) -> FloatArray:
        """Expanded uncertainties of `values`."""
        scatter = np.sqrt(np.maximum(np.diag(self.covariance) - self.clock**2, 0.0))
        return np.hypot(
            coverage_factor(0.95, self.dof) * scatter, coverage_factor(0.95, np.inf) * self.clock
        )

    def value(self, name: str) -> float:
        """Return a parameter, 0 where the form lacks the term."""
        if name == "p" and self.form.power is not None and not self.form.free:
            return self.form.power
        return float(self.values[self.names.index(name)]) if name in self.names else 0.0

    def deceleration(self, speed_rad_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return -dω/dt at given speeds and its expanded uncertainty, rad/s²."""
        value, gradient = shape(self.form, self.scaled[1:], speed_rad_s / self.reference_rad_s)
        covariance = self.scaled_covariance[1:, 1:]
        variance = np.einsum("i...,ij,j...->...", gradient, covariance, gradient)
        return value, np.sqrt(np.maximum(variance, 0)) * coverage_factor(0.95, self.dof)

    def coast(self, from_rad_s: float, to_rad_s: float) -> tuple[float, float]:
        """Return the time between two speeds and its standard uncertainty, s."""
        seconds, gradient = coast_time(
            self.form, self.scaled[1:], self.reference_rad_s, from_rad_s, to_rad_s
        )
        variance = float(gradient @ self.scaled_covariance[1:, 1:] @ gradient)
        return float(seconds), float(np.sqrt(max(variance, 0.0)))

    def table(self) -> dict[str, FloatArray | list[str]]:
        """Return the parameters as columns, ready for a data frame."""
        return {
            "parameter": list(self.names),
            "value": self.values,
            "u": self.u,
            "u95": self.u95,
        }


@dataclass(frozen=True, slots=True)
class Rundown:
    """All forms that fit one attempt, the likeliest first."""

    name: str
    fits: tuple[RundownFit, ...]  # weights sum to 1
    span_rad_s: tuple[float, float]  # slowest and fastest speed that took part

    @property
    def best(self) -> RundownFit:
        """The form with the largest weight."""
        return self.fits[0]

    @property
    def settled(self) -> bool:
        """Whether one form is so much likelier than all others that the choice adds no doubt."""
        return self.best.weight >= SETTLED_WEIGHT

    def deceleration(self, speed_rad_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the mean -dω/dt of all forms and its expanded uncertainty, rad/s².

        Notes
        -----
        Weighted by Akaike weight; the variance is that of the fits and that of the forms about
        their mean (Burnham and Anderson 2002, the unconditional variance).
        """
        told = [fit.deceleration(speed_rad_s) for fit in self.fits]
        weights = np.array([fit.weight for fit in self.fits])
        value, u95 = (np.stack(one) for one in zip(*told, strict=True))
        mean = weights @ value
        k = coverage_factor(0.95, self.best.dof)  # of every form alike: `FREEDOM`
        within, between = weights @ (u95 / k) ** 2, weights @ (value - mean) ** 2
        return mean, k * np.sqrt(within + between)


def forms_of_power(power: str) -> tuple[Form, ...]:
    """List the forms that a stated power leaves: ``auto``, ``3/2``, ``9/5`` or ``free``."""
    if power == "auto":
        return FORMS
    if power == "free":
        return tuple(f for f in FORMS if f.free)
    wanted = {"3/2": LAMINAR, "1.5": LAMINAR, "9/5": 1.8, "1.8": 1.8}.get(power)
    if wanted is None:
        raise UsageError(
            f"{power!r} is no power of the law", where="--power", do="give auto, 3/2, 9/5 or free"
        )
    return tuple(f for f in FORMS if f.power == wanted)


def fit_rundown(
    attempt: Attempt,
    *,
    forms: Sequence[Form] = FORMS,
    between_rpm: tuple[float, float] | None = None,
) -> Rundown:
    """Fit the law of the run-down to an attempt's phase.

    Parameters
    ----------
    attempt : Attempt
        Resolved, with its phase.
    forms : sequence of Form
        What to try.
    between_rpm : (float, float), optional
        Slowest and fastest speed that may take part, rev/min; the whole free spin but its
        first `AFTER_RELEASE_S` and last `BEFORE_TOPPLE_S` by default.

    Returns
    -------
    Rundown
        Every form that the data determine, with its weight.

    Raises
    ------
    UsageError
        When the attempt is unresolved, or too short, or no form can be fitted.

    Notes
    -----
    Weighted least squares on the turned angle.  Neighbouring residuals are alike (geometry left
    over, what no law knows of), so the covariance of independent errors is multiplied by what
    the sums of the residuals over long stretches of the run-down show, with `FREEDOM` degrees of
    freedom.  A clock that goes wrong by a share e scales all times alike: a by 1 - 2 e, b and
    the speed by 1 - e, c by 1 - (2 - p) e.
    """
    phase, rows = _usable(attempt, between_rpm)
    values = _averaged(phase)
    tried = [_fit(form, values, rows, attempt.u_clock) for form in forms]
    fits = [fit for fit in tried if fit is not None]
    if not fits:
        raise UsageError(
            "no law could be fitted", where=attempt.name, do="give a longer piece of the run-down"
        )
    span = (float(rows.speed_rad_s.min()), float(rows.speed_rad_s.max()))
    return Rundown(attempt.name, _weighed(fits), span)


def _joined(attempt: Attempt, first_s: float, last_s: float) -> tuple[float, float]:
    """Take the longest stretch whose time is known well; of a spin that goes on, the last."""
    loose = [gap.time_s for gap in attempt.gaps if gap.u_s > LOOSE_GAP_S]
    edges = [first_s, *(t for t in loose if first_s < t < last_s), last_s]
    parts = list(zip(edges[:-1], edges[1:], strict=True))
    if attempt.broken_off and parts[-1][1] - parts[-1][0] >= FEWEST_SECONDS:
        return parts[-1]
    return max(parts, key=lambda part: part[1] - part[0])


def _usable(attempt: Attempt, between_rpm: tuple[float, float] | None) -> tuple[Phase, Rows]:
    """Take the part of phase and rows that a law of free spin may be asked about."""
    phase, rows = attempt.phase, attempt.rows
    if not attempt.resolved or phase is None or rows is None:
        why = "its alias order is unresolved" if not attempt.resolved else "it has no phase"
        raise UsageError(why, where=attempt.name, do="leave it out or measure it with --between")
    first, last = float(phase.time_s[0]), float(phase.time_s[-1])
    if attempt.released_s is not None:
        first = max(first, attempt.released_s + AFTER_RELEASE_S)
    if attempt.fell_s is not None:
        last = attempt.fell_s - BEFORE_TOPPLE_S
    first, last = _joined(attempt, first, last)
    if between_rpm is not None:
        low, high = (rad_s_from_rpm(speed) for speed in between_rpm)
        inside = rows.time_s[(rows.speed_rad_s >= low) & (rows.speed_rad_s <= high)]
        first, last = (
            (max(first, float(inside[0])), min(last, float(inside[-1])))
            if len(inside)
            else (last, first)
        )
    keep = (phase.time_s >= first) & (phase.time_s <= last)
    near = (rows.time_s >= first) & (rows.time_s <= last)
    if keep.sum() < FEWEST_SIGHTINGS or last - first < FEWEST_SECONDS or near.sum() < 3:
        raise UsageError(
            "too little of its run-down is there", where=attempt.name, do="leave it out"
        )
    return phase.only(keep), rows.only(near)


@dataclass(frozen=True, slots=True)
class _Values:
    """Means of neighbouring sightings; with few sightings each stands for itself."""

    time_s: FloatArray  # weighted mean time
    angle_rad: FloatArray
    u_rad: FloatArray
    spread_s2: FloatArray  # weighted variance of the times within a mean
    part: IntArray  # number of the segment, from 0
    sightings: int


def _averaged(phase: Phase) -> _Values:
    """Average neighbours of one segment where there are more sightings than a fit needs.

    A straight piece of phase passes through the mean of its angles at the mean of its times;
    what the curvature adds, half the slope of the speed times the variance of the times, is
    put to the law's side (`_Problem`).  So nothing is lost but a third derivative.
    """
    part = np.unique(phase.segment, return_inverse=True)[1].astype(np.int64)
    size = -(-len(part) // MOST_VALUES)
    place = np.arange(len(part)) - np.searchsorted(part, part)
    group = np.cumsum(np.concatenate([[0], (np.diff(part) != 0) | (place[1:] % size == 0)]))
    w = phase.u_rad**-2.0
    total = np.bincount(group, w)
    time = np.bincount(group, w * phase.time_s) / total
    first = np.searchsorted(group, np.arange(len(total)))
    base = phase.angle_rad[first]  # large phases cost no digits
    angle = base + np.bincount(group, w * (phase.angle_rad - base[group])) / total
    spread = np.bincount(group, w * (phase.time_s - time[group]) ** 2) / total
    return _Values(time, angle, 1.0 / np.sqrt(total), spread, part[first], len(part))


class _Problem:
    """Residuals and derivatives of one form; the last evaluation is kept for both."""

    def __init__(self, form: Form, values: _Values, reference: float, slowest: float) -> None:
        self.form, self.values = form, values
        self.reference, self.slowest = reference, slowest
        self.at = values.time_s - values.time_s[0]
        self.offsets = np.eye(int(values.part[-1]) + 1)[values.part]
        self._key, self._kept = b"", (np.zeros(0), np.zeros((0, 0)))

    def angle(self, law: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what the law makes of each value, and the derivatives."""
        angle, speed, slopes = run_down(
            self.form, float(law[0]), law[1:], self.reference, self.at,
            slowest_rad_s=self.slowest,
        )  # fmt: skip
        x = np.maximum(speed / self.reference, 1e-9)
        slowing = shape(self.form, law[1:], x)[0]
        return angle - 0.5 * slowing * self.values.spread_s2, slopes

    def evaluate(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return residual ÷ u and its derivatives."""
        if x.tobytes() != self._key:
            laws = 1 + len(self.form.terms)
            angle, slopes = self.angle(x[:laws])
            residual = angle + x[laws:][self.values.part] - self.values.angle_rad
            u = self.values.u_rad
            derivative = np.concatenate([slopes, self.offsets], axis=1) / u[:, np.newaxis]
            self._key, self._kept = x.tobytes(), (residual / u, derivative)
        return self._kept


class _Knots:
    """The terms of a law told by its deceleration at as many speeds.

    A free power and the other terms make up for each other along a bent valley, in which a fit
    needs hundreds of steps; at some speeds the deceleration is the same all along it.
    """

    def __init__(self, form: Form, slowest: float, fastest: float) -> None:
        self._form = form
        self._count = len(form.terms) - form.free
        self._x = np.geomspace(slowest, fastest, self._count)

    def _terms(self, power: float) -> FloatArray:
        """Return by how much each term slows at each of the speeds, for 1 of it."""
        one = np.ones(self._count)
        given = np.concatenate([one, [power]]) if self._form.free else one
        return shape(self._form, given, self._x)[1][: self._count].T

    def _split(self, x: FloatArray) -> tuple[slice, float]:
        return slice(1, 1 + self._count), float(x[1 + self._count]) if self._form.free else 0.0

    def from_law(self, x: FloatArray) -> FloatArray:
        """Return start speed, decelerations, power and the rest for those of a law."""
        terms, power = self._split(x)
        z = x.copy()
        z[terms] = self._terms(power) @ x[terms]
        return z

    def to_law(self, z: FloatArray) -> FloatArray:
        """Undo `from_law`."""
        terms, power = self._split(z)
        x = z.copy()
        x[terms] = np.linalg.solve(self._terms(power), z[terms])
        return x

    def slopes(self, z: FloatArray, by_law: FloatArray) -> FloatArray:
        """Turn derivatives by a law's parameters into those by decelerations and power."""
        terms, power = self._split(z)
        found = by_law.copy()
        found[:, terms] = by_law[:, terms] @ np.linalg.inv(self._terms(power))
        if self._form.free:
            law = self.to_law(z)[1 : 2 + self._count]
            by_power = shape(self._form, law, self._x)[1][self._count]
            found[:, 1 + self._count] -= found[:, terms] @ by_power
        return found


def _least(problem: _Problem, knots: _Knots, x0: FloatArray) -> FloatArray | None:
    """Find the law of the least residuals from a first guess; None where none is found."""
    form, last = problem.form, len(problem.form.terms)
    low, high = np.full(len(x0), -np.inf), np.full(len(x0), np.inf)
    low[0] = 1e-6
    if form.free:
        low[last], high[last] = POWER_BOUNDS
    found = least_squares(
        lambda z: problem.evaluate(knots.to_law(z))[0], knots.from_law(x0),
        jac=lambda z: knots.slopes(z, problem.evaluate(knots.to_law(z))[1]),
        bounds=(low, high), x_scale="jac", method="trf", xtol=1e-10, ftol=1e-8, gtol=1e-12,
        max_nfev=60,
    )  # fmt: skip
    at_bound = form.free and not low[last] + 1e-6 < found.x[last] < high[last] - 1e-6
    return None if found.status <= 0 or at_bound else knots.to_law(found.x)


def _fit(form: Form, values: _Values, rows: Rows, u_clock: float) -> RundownFit | None:
    """Fit one form; None where the data do not determine it."""
    slowest, fastest = float(rows.speed_rad_s.min()), float(rows.speed_rad_s.max())
    reference = float(np.sqrt(slowest * fastest))
    problem = _Problem(form, values, reference, 0.9 * slowest)
    first = _first_guess(form, rows, float(values.time_s[0]), reference)
    laws = len(first)
    begin = np.unique(values.part, return_index=True)[1]
    x0 = np.concatenate([first, (values.angle_rad - problem.angle(first)[0])[begin]])
    try:
        found = _least(problem, _Knots(form, slowest / reference, fastest / reference), x0)
    except np.linalg.LinAlgError:  # its speeds are one
        return None
    if found is None:
        return None
    residual, slopes = problem.evaluate(found)
    inverse = _inverse(slopes.T @ slopes)
    if inverse is None:
        return None
    widened = _widened(residual, len(x0))
    clock = _clock_share(form, found[:laws]) * u_clock
    covariance = (inverse * widened)[:laws, :laws] + np.outer(clock, clock)
    return _in_plain_units(
        RundownFit(
            form=form, names=("start", *form.terms), values=found[:laws],
            covariance=covariance, clock=clock, dof=float(FREEDOM), reference_rad_s=reference,
            scaled=found[:laws], scaled_covariance=covariance,
            start_s=float(values.time_s[0]), time_s=values.time_s,
            residual_rad=-residual * values.u_rad, u_rad=values.u_rad,
            sightings=values.sightings, widened=widened, criterion=float(residual @ residual),
        )
    )  # fmt: skip


def _clock_share(form: Form, scaled: FloatArray) -> FloatArray:
    """Return the change of start speed and terms for a clock that is fast by its whole rate."""
    powers = [1.0, 2.0] + [1.0] * form.linear
    if form.power is not None:
        powers.append(2.0 - (float(scaled[-1]) if form.free else form.power))
    return np.concatenate([-np.array(powers) * scaled[: len(powers)], [0.0] * form.free])


def _first_guess(form: Form, rows: Rows, start_s: float, reference: float) -> FloatArray:
    """Guess start speed and terms from differences of the rows, by straight least squares."""
    count = max(2, min(24, len(rows.time_s) // 2))
    picks = np.unique(np.linspace(0, len(rows.time_s) - 1, count + 1).astype(int))
    time, speed = rows.time_s[picks], rows.speed_rad_s[picks]
    slowing = -np.diff(speed) / np.diff(time)
    x = 0.5 * (speed[1:] + speed[:-1]) / reference
    columns = [np.ones_like(x)] + [x] * form.linear
    if form.power is not None:
        columns.append(x ** (LAMINAR if form.free else form.power))
    terms = np.linalg.lstsq(np.stack(columns, axis=1), slowing, rcond=1e-6)[0]
    start = float(speed[0] - slowing[0] * (start_s - time[0]))
    return np.concatenate([[start], terms, [LAMINAR] * form.free])


def _widened(residual: FloatArray, parameters: int) -> float:
    """Tell the variance of the residuals' sums against that of independent noise as stated."""
    parts = np.array_split(residual, parameters + FREEDOM)
    return float(sum(part.sum() ** 2 / len(part) for part in parts)) / FREEDOM


def _inverse(normal: FloatArray) -> FloatArray | None:
    """Invert normal equations, None where the data do not determine the parameters."""
    scale = 1.0 / np.sqrt(np.diag(normal))
    scaled = normal * np.outer(scale, scale)
    eigenvalues = np.linalg.eigvalsh(scaled)
    if not np.all(np.isfinite(scaled)) or eigenvalues[0] < _SINGULAR * eigenvalues[-1]:
        return None
    return np.asarray(np.linalg.inv(scaled) * np.outer(scale, scale))


def _in_plain_units(fit: RundownFit) -> RundownFit:
    """Turn A, B, C at the reference speed into a, b, c of the law in rad/s."""
    reference, names = fit.reference_rad_s, fit.names
    values, change = fit.values.copy(), np.eye(len(fit.values))
    for name, power in (("b", 1.0), ("c", fit.value("p"))):
        if name in names:
            i = names.index(name)
            change[i, i] = reference**-power
            values[i] *= reference**-power
    if "p" in names:
        i, j = names.index("c"), names.index("p")
        change[i, j] = -values[i] * np.log(reference)
    return replace(
        fit, values=values, covariance=change @ fit.covariance @ change.T,
        clock=change @ fit.clock,
    )  # fmt: skip


def _weighed(fits: Sequence[RundownFit]) -> tuple[RundownFit, ...]:
    """Put the forms in order with their Akaike weights; negligible ones are left out.

    The noise against which all of them are judged is that of the richest form.
    """
    richest = max(fits, key=lambda fit: len(fit.names))
    noise = richest.widened
    # as many independent values as the likeness of neighbours leaves, a stretch at least
    plain = float(np.mean((richest.residual_rad / richest.u_rad) ** 2))
    independent = len(richest.time_s) * min(1.0, plain / noise)
    effective = max(independent, richest.dof + len(richest.names))
    criteria = []
    for fit in fits:
        k = len(fit.names) + 1  # and the noise
        criteria.append(
            fit.criterion / noise + 2 * k + 2 * k * (k + 1) / max(effective - k - 1, 1.0)
        )
    relative = np.exp(-0.5 * (np.array(criteria) - min(criteria)))
    weights = np.where(relative < NEGLIGIBLE_WEIGHT * relative.sum(), 0.0, relative)
    weights /= weights.sum()
    weighed = [
        replace(fit, criterion=criterion, weight=float(weight))
        for fit, criterion, weight in zip(fits, criteria, weights, strict=True)
        if weight > 0
    ]
    return tuple(sorted(weighed, key=lambda fit: -fit.weight))
