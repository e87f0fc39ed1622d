"""How fast does a phase grow?  Polynomial phase regression, weights, whole turns.

Plain numerics: arrays in, arrays out.  A phase is a continuous angle in radians; a weight
is an inverse variance (or anything proportional to one), and a sample whose phase is NaN or
whose weight is zero or NaN does not count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.records import BoolArray, FloatArray, IntArray
from vidspin.units import RAD_PER_TURN

# Windows are worked off in blocks of about this many samples, to bound memory.
_BLOCK = 1 << 16
# Smallest to largest eigenvalue of scaled normal equations below which the sample times do
# not span the polynomial; a quintic fitted at the edge of its window still has 1e-9.
_SINGULAR = 1e-13


# ---------------------------------------------------------------------- one window


@dataclass(frozen=True, slots=True)
class PolynomialFit:
    """A polynomial in (time - centre) with the covariance of its coefficients."""

    centre_s: float
    coefficients: FloatArray  # (degree + 1,) rad, rad/s, rad/s², ... of (t - centre)**k
    covariance: FloatArray  # (degree + 1, degree + 1), from the stated uncertainties
    chi2: float  # sum of (residual / u)²
    dof: int  # samples used minus coefficients

    @property
    def value_rad(self) -> float:
        """Phase at the centre."""
        return float(self.coefficients[0])

    @property
    def rate_rad_s(self) -> float:
        """Rate at the centre."""
        return float(self.coefficients[1])

    @property
    def slope_rad_s2(self) -> float:
        """Rate of change of the rate at the centre; 0 for a straight line."""
        return 2.0 * float(self.coefficients[2]) if len(self.coefficients) > 2 else 0.0

    def u(self) -> FloatArray:
        """Return the standard uncertainty of each coefficient."""
        return np.sqrt(np.diag(self.covariance))

    def at(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the fitted phase at given times and its standard uncertainty."""
        powers = _powers(time_s - self.centre_s, len(self.coefficients) - 1)
        variance = np.einsum("ni,ij,nj->n", powers, self.covariance, powers)
        return powers @ self.coefficients, np.sqrt(np.maximum(variance, 0.0))


def fit_polynomial(
    time_s: FloatArray,
    phase_rad: FloatArray,
    u_rad: FloatArray,
    *,
    centre_s: float,
    degree: int,
) -> PolynomialFit:
    """Fit one polynomial to phases by weighted least squares.

    Parameters
    ----------
    time_s : ndarray, shape (N,)
        Sample times.
    phase_rad : ndarray, shape (N,)
        Continuous phase; NaN where there is none.
    u_rad : ndarray, shape (N,)
        Standard uncertainty of each phase, independent of the others; samples where it is
        NaN or inf do not count.
    centre_s : float
        Instant to which the coefficients belong.
    degree : int
        Degree of the polynomial, at least 1.

    Returns
    -------
    PolynomialFit
        Coefficients at the centre with covariance, chi-square and degrees of freedom.

    Raises
    ------
    ValueError
        When fewer distinct times than coefficients are left, or an uncertainty is not
        above zero.

    Notes
    -----
    Solved by QR decomposition in time scaled to the longest distance from the centre, which
    keeps a centre outside the data (an extrapolation) well conditioned.  The covariance
    takes the stated uncertainties at their word; multiply it by ``chi2 / dof`` where only
    their ratios are known.

    References
    ----------
    .. [1] JCGM 100:2008, H.3 (the straight line of a thermometer's calibration).
    """
    used = np.isfinite(phase_rad) & np.isfinite(u_rad)
    if np.any(u_rad[used] <= 0):
        raise ValueError("the uncertainty of a phase must be above zero")
    if len(np.unique(time_s[used])) < degree + 1 or degree < 1:
        raise ValueError(f"too few distinct times for a polynomial of degree {degree}")
    offset = time_s[used] - centre_s
    scale = float(np.max(np.abs(offset)))
    root_weight = 1.0 / u_rad[used]
    design = _powers(offset / scale, degree) * root_weight[:, np.newaxis]
    target = phase_rad[used] * root_weight
    q, r = np.linalg.qr(design)
    inverse = np.linalg.inv(r)
    solution = inverse @ (q.T @ target)
    residual = target - design @ solution
    unscale = scale ** -np.arange(degree + 1.0)
    return PolynomialFit(
        centre_s=centre_s,
        coefficients=solution * unscale,
        covariance=inverse @ inverse.T * np.outer(unscale, unscale),
        chi2=float(residual @ residual),
        dof=int(np.count_nonzero(used)) - degree - 1,
    )


# -------------------------------------------------------------------- many windows


@dataclass(frozen=True, slots=True)
class LocalRates:
    """Polynomials fitted in M windows; NaN where a window does not hold enough samples."""

    centre_s: FloatArray  # (M,)
    window_s: FloatArray  # (M,) full length
    value_rad: FloatArray  # (M,) phase at the centre
    rate_rad_s: FloatArray  # (M,) rate at the centre
    slope_rad_s2: FloatArray  # (M,) rate of change of the rate at the centre
    rate_factor: FloatArray  # (M,) standard error of the rate ÷ sigma, 1/s
    slope_factor: FloatArray  # (M,) standard error of the slope ÷ sigma, 1/s²
    chi2: FloatArray  # (M,) weighted sum of squared residuals
    count: IntArray  # (M,) samples used


def local_rates(  # noqa: PLR0913 - three columns of data, two of windows, one choice
    time_s: FloatArray,
    phase_rad: FloatArray,
    weight: FloatArray,
    *,
    centres_s: FloatArray,
    windows_s: FloatArray,
    degree: int = 2,
) -> LocalRates:
    """Fit a polynomial to the phase in each of many windows.

    Parameters
    ----------
    time_s : ndarray, shape (N,)
        Sample times, ascending.
    phase_rad : ndarray, shape (N,)
        Continuous phase; NaN where there is none.
    weight : ndarray, shape (N,)
        Weight of each sample; zero or NaN leaves it out.  With ``1 / u**2`` the standard
        error factors are the standard errors; with ones they are to be multiplied by the
        standard deviation sigma of one phase.
    centres_s : ndarray, shape (M,)
        Window centres.
    windows_s : ndarray, shape (M,)
        Full window lengths; a window holds its two end points.
    degree : int
        Degree of the polynomials, at least 1; 2 by default.

    Returns
    -------
    LocalRates
        One row a window, NaN where the samples do not determine the polynomial.

    Raises
    ------
    ValueError
        When the degree is below 1: a constant has no rate.

    Notes
    -----
    Tretter's regression [1]_, made local.  Each window is centred and scaled by itself, and
    a straight line through its ends is subtracted before the normal equations are formed,
    so that a large phase costs no digits.  The standard errors hold for independent errors
    with variances in inverse ratio to the weights; see `rate_weights` for others.

    References
    ----------
    .. [1] S. A. Tretter, "Estimating the frequency of a noisy sinusoid by linear
       regression", IEEE Trans. Inf. Theory 31 (1985) 832-835.
    """
    if degree < 1:
        raise ValueError("a rate needs a polynomial of degree 1 or more")
    used = np.isfinite(phase_rad) & (weight > 0) & np.isfinite(weight)
    columns = (time_s[used], phase_rad[used], weight[used])
    first = np.searchsorted(columns[0], centres_s - 0.5 * windows_s, side="left")
    count = np.searchsorted(columns[0], centres_s + 0.5 * windows_s, side="right") - first
    table = np.full((6, len(centres_s)), np.nan)
    enough = np.flatnonzero((count > degree) & (windows_s > 0))
    for block in _blocks(enough, count):
        window = (first[block], count[block], centres_s[block], windows_s[block])
        table[:, block] = _fit_block(columns, window, degree)
    value, rate, slope, u_rate, u_slope, chi2 = table
    return LocalRates(
        centre_s=centres_s,
        window_s=windows_s,
        value_rad=value,
        rate_rad_s=rate,
        slope_rad_s2=slope,
        rate_factor=u_rate,
        slope_factor=u_slope,
        chi2=chi2,
        count=count.astype(np.int64),
    )


def rate_weights(
    time_s: FloatArray, weight: FloatArray, centre_s: float, window_s: float, degree: int = 2
) -> FloatArray:
    """Return the weights that make a window's rate out of its phases.

    Parameters
    ----------
    time_s : ndarray, shape (N,)
        Sample times.
    weight : ndarray, shape (N,)
        Weight of each sample in the fit; zero or NaN leaves it out.
    centre_s, window_s : float
        Window centre and full length; the window holds its two end points.
    degree : int
        Degree of the polynomial, at least 1.

    Returns
    -------
    ndarray, shape (N,)
        w in 1/s with ``rate = sum(w * phase)``, zero outside the window.  For errors with
        covariance C the rate's variance is ``w @ C @ w``, for a systematic error e of the
        phase its bias is ``w @ e``.

    Raises
    ------
    ValueError
        When the samples of the window do not determine the polynomial.
    """
    half = 0.5 * window_s
    inside = (time_s >= centre_s - half) & (time_s <= centre_s + half)
    used = np.flatnonzero(inside & (weight > 0) & np.isfinite(weight))
    if len(np.unique(time_s[used])) < degree + 1 or degree < 1:
        raise ValueError(f"too few distinct times for a polynomial of degree {degree}")
    root = np.sqrt(weight[used])
    q, r = np.linalg.qr(_powers((time_s[used] - centre_s) / half, degree) * root[:, np.newaxis])
    weights = np.zeros(len(time_s))
    weights[used] = (np.linalg.inv(r)[1] @ q.T) * root / half
    return weights


def _powers(x: FloatArray, degree: int) -> FloatArray:
    """Return x**0 ... x**degree along a new last axis."""
    return np.asarray(x[..., np.newaxis] ** np.arange(degree + 1), dtype=np.float64)


def _blocks(windows: IntArray, count: IntArray) -> list[IntArray]:
    """Split window numbers so that each part, padded to its longest, fits the block."""
    if not len(windows):
        return []
    by_count = windows[np.argsort(count[windows], kind="stable")]
    parts: list[IntArray] = []
    while len(by_count):
        fits = np.arange(1, len(by_count) + 1) * count[by_count] <= _BLOCK
        size = max(1, int(np.count_nonzero(fits)))
        parts.append(by_count[:size])
        by_count = by_count[size:]
    return parts


def _fit_block(
    columns: tuple[FloatArray, FloatArray, FloatArray],
    window: tuple[IntArray, IntArray, FloatArray, FloatArray],
    degree: int,
) -> FloatArray:
    """Fit some windows at once: rows value, rate, slope, the last two's factors, chi2."""
    time, phase, weight = columns
    first, count, centre, length = window
    step = np.arange(int(count.max()))
    index = np.minimum(first[:, np.newaxis] + step, len(time) - 1)
    inside = step < count[:, np.newaxis]
    half = 0.5 * length[:, np.newaxis]
    x = np.where(inside, (time[index] - centre[:, np.newaxis]) / half, 0.0)
    w = np.where(inside, weight[index], 0.0)
    start, line = _line_through_ends(x, phase[index], count)
    y = np.where(inside, phase[index] - start[:, np.newaxis] - line[:, np.newaxis] * x, 0.0)
    powers = _powers(x, degree)
    weighted = powers * w[..., np.newaxis]
    normal = np.einsum("mni,mnj->mij", weighted, powers)
    moment = np.einsum("mni,mn->mi", weighted, y)
    inverse = _inverse_or_nan(normal)
    solution = np.einsum("mij,mj->mi", inverse, moment)
    residual = y - np.einsum("mni,mi->mn", powers, solution)
    table = np.zeros((6, len(first)))
    table[0] = solution[:, 0] + start
    table[1] = (solution[:, 1] + line) / half[:, 0]
    table[3] = np.sqrt(inverse[:, 1, 1]) / half[:, 0]
    if degree > 1:
        table[2] = 2.0 * solution[:, 2] / half[:, 0] ** 2
        table[4] = 2.0 * np.sqrt(inverse[:, 2, 2]) / half[:, 0] ** 2
    table[5] = np.sum(w * residual**2, axis=1)
    return table


def _line_through_ends(
    x: FloatArray, phase: FloatArray, count: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return value at x = 0 and slope of the line through each window's end samples."""
    last = (np.arange(len(x)), count - 1)
    span = x[last] - x[:, 0]
    rise = phase[last] - phase[:, 0]
    slope = np.divide(rise, span, out=np.zeros_like(span), where=span > 0)
    return phase[:, 0] - slope * x[:, 0], slope


def _inverse_or_nan(normal: FloatArray) -> FloatArray:
    """Invert normal equations; NaN where the sample times do not span the polynomial."""
    diagonal = np.sqrt(np.einsum("mii->mi", normal))
    scale = np.divide(1.0, diagonal, out=np.zeros_like(diagonal), where=diagonal > 0)
    scaled = normal * scale[:, :, np.newaxis] * scale[:, np.newaxis, :]
    eigenvalues = np.linalg.eigvalsh(scaled)
    good: BoolArray = eigenvalues[:, 0] > _SINGULAR * eigenvalues[:, -1]
    inverse = np.full_like(normal, np.nan)
    inverse[good] = np.linalg.inv(scaled[good])
    return np.asarray(inverse * scale[:, :, np.newaxis] * scale[:, np.newaxis, :])


def hermite(x: FloatArray, at: FloatArray, value: FloatArray, slope: FloatArray) -> FloatArray:
    """Carry values and slopes from place to place, by the cubic between each two.

    Parameters
    ----------
    x : (N,) array
        Where the values are asked for.
    at, value, slope : (K,) arrays
        Places, rising and at least two; the values there, and their rates of change.

    Returns
    -------
    (N,) array
        The first value before the first place, the last one behind the last.
    """
    j = np.clip(np.searchsorted(at, x) - 1, 0, len(at) - 2)
    h = at[j + 1] - at[j]
    t = np.clip((x - at[j]) / h, 0.0, 1.0)
    return np.asarray(
        (2 * t**3 - 3 * t**2 + 1) * value[j] + (t**3 - 2 * t**2 + t) * h * slope[j]
        + (3 * t**2 - 2 * t**3) * value[j + 1] + (t**3 - t**2) * h * slope[j + 1]
    )  # fmt: skip


def tame(residual: FloatArray, scale: float) -> FloatArray:
    """Weights of robust least squares (Cauchy): what is far off counts little.

    Parameters
    ----------
    residual : array
        What a fit left.
    scale : float
        Same unit; what is so far off counts half.
    """
    return np.asarray(1.0 / (1.0 + (residual / max(scale, 1e-9)) ** 2))


# --------------------------------------------------------------------- whole turns


def whole_turns(
    time_s: FloatArray,
    phase_rad: FloatArray,
    predicted_rate_rad_s: FloatArray,
    *,
    period_rad: float = RAD_PER_TURN,
) -> IntArray:
    """Return how many whole periods to add to each step of a wrapped phase.

    Parameters
    ----------
    time_s : ndarray, shape (N,)
        Sample times.
    phase_rad : ndarray, shape (N,)
        Measured phase, known up to whole periods.
    predicted_rate_rad_s : ndarray, shape (N - 1,)
        Predicted mean rate between each sample and the next.
    period_rad : float
        What the phase is wrapped to: one turn by default, a turn ÷ marks for equal marks.

    Returns
    -------
    ndarray of int, shape (N - 1,)
        n with ``phase[i + 1] - phase[i] + n[i] * period`` nearest to predicted rate × time.

    Notes
    -----
    The order enters as whole turns of the *phase* in each interval.  Adding
    n × frame rate to a rate instead is wrong as soon as one interval is longer than the
    others: a lost frame then counts n turns too few.
    The answer is right while the prediction is good to half a period in every interval.
    """
    expected = predicted_rate_rad_s * np.diff(time_s)
    return np.rint((expected - np.diff(phase_rad)) / period_rad).astype(np.int64)


def continuous_phase(
    phase_rad: FloatArray, turns: IntArray, *, period_rad: float = RAD_PER_TURN
) -> FloatArray:
    """Return the phase with the whole periods of `whole_turns` added up."""
    total = np.concatenate(([0], np.cumsum(turns)))
    return np.asarray(phase_rad + period_rad * total, dtype=np.float64)
