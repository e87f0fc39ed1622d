"""What moves a speed besides the noise of single sightings?

Readout and geometry left over come with the covariance of their fit.  What no model knows (a
leaning top that precesses, uneven stamps, a mark under passing light) shows in the speeds
themselves: those of neighbouring short windows scatter about a smooth run-down by more than
all known doubt allows.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import chdtri

from vidspin.records import FloatArray, Rows
from vidspin.regression import LocalRates, rate_weights

LEAST_SIGHTINGS = 12  # in a window, from which anything is said about it
TREND_S = 12.0  # over which a polynomial stands for the run-down
TREND_DEGREE = 4  # an exponential that falls to 1/e in 20 s leaves 3e-6 of its speed
LEAST_WINDOWS = TREND_DEGREE + 5  # in a trend, from which their scatter is told
ALIKE_S = 30.0  # over which a mark at one place is seen alike
PLACES = 24  # on the ring
LEAST_PLACES = 4
LEAST_ALIKE = 5  # sightings at a place
FAR = 3 * 1.4826  # median absolute deviations: three standard deviations
CHANCE = 0.01  # scatter that known doubt makes so rarely is not made by it


def usual_u(time_s: FloatArray, angle_rad: FloatArray, u_rad: FloatArray) -> FloatArray:
    """Take the noise of single frames out of what the frames say of their own uncertainty.

    A faint mark's uncertainty is worked out from the same noisy elements as its angle, and
    weights that follow this noise cost precision.  What is left are the marks' place on the ring
    and the time; a frame that is off by more than its like (half covered, say) keeps its own.

    Parameters
    ----------
    time_s, angle_rad, u_rad : (N,) arrays
        Of the sightings; NaN where there is none.

    Returns
    -------
    (N,) array
    """
    out = u_rad.copy()
    known = np.flatnonzero(np.isfinite(angle_rad) & np.isfinite(u_rad) & (u_rad > 0))
    if not len(known):
        return out
    block = ((time_s[known] - time_s[known[0]]) / ALIKE_S).astype(np.int64)
    for number in np.unique(block):
        rows = known[block == number]
        bins = min(PLACES, len(rows) // LEAST_SIGHTINGS)
        if bins < LEAST_PLACES:
            continue
        place = (np.mod(angle_rad[rows], 2 * np.pi) * bins / (2 * np.pi)).astype(np.int64) % bins
        own = np.log(u_rad[rows])
        usual = np.array([
            np.median(own[place == k]) if (place == k).sum() >= LEAST_ALIKE else np.nan
            for k in range(bins)
        ])[place]  # fmt: skip
        apart = np.abs(own - usual)
        if np.isfinite(apart).any():
            alike = apart <= FAR * np.nanmedian(apart)
            out[rows[alike]] = np.exp(usual[alike])
    return out


def left_over(  # noqa: PLR0913 - the sightings, what answers, and from where on
    time_s: FloatArray,
    weight: FloatArray,
    answer: Rows,
    rates: LocalRates,
    *,
    first: int = 0,
) -> FloatArray:
    """Carry independent doubts of what adds to the mark angle to the rates of windows.

    Parameters
    ----------
    time_s, weight : (N,) arrays
        Of the sightings; a weight of zero leaves one out.
    answer : (N - first, q) array
        Change of the angle for one standard doubt of each independent line.
    rates : LocalRates
        Quadratics fitted with the same weights.
    first : int
        Sighting that the answer begins with; those before it do not answer.

    Returns
    -------
    (M,) array
        Standard uncertainties, rad/s; NaN where a window holds too little.
    """
    out = np.full(len(rates.centre_s), np.nan)
    low = np.searchsorted(time_s, rates.centre_s - rates.window_s / 2)
    high = np.searchsorted(time_s, rates.centre_s + rates.window_s / 2, side="right")
    for k, (i, j) in enumerate(zip(low, high, strict=True)):
        if j - i < LEAST_SIGHTINGS or not np.isfinite(rates.rate_rad_s[k]):
            continue
        if j <= first:
            out[k] = 0.0
            continue
        w = rate_weights(
            time_s[i:j], weight[i:j], centre_s=float(rates.centre_s[k]),
            window_s=float(rates.window_s[k]), degree=2,
        )  # fmt: skip
        start = max(int(i), first)
        lever = np.nan_to_num(w)[start - i :] @ answer[start - first : j - first]
        out[k] = float(np.linalg.norm(lever))
    return out


def unevenness(
    rates: LocalRates,
    known_u: FloatArray,
    at: FloatArray,
    length_s: FloatArray,
    *,
    parted_s: Sequence[float] = (),
) -> tuple[FloatArray, FloatArray]:
    """Tell how far speeds scatter about a smooth run-down beyond what is known of them.

    Parameters
    ----------
    rates : LocalRates
        Of short windows that follow each other without overlap.
    known_u : (W,) array
        Their standard uncertainties, all known doubt together, rad/s.
    at, length_s : (M,) arrays
        Centres and lengths of the windows that are asked about.
    parted_s : sequence of float
        Instants across which the spin is not one piece: no run-down is smooth across them.

    Returns
    -------
    u : (M,) array
        Standard uncertainty, rad/s; 0 where the scatter is explained or cannot be told.
    dof : (M,) array

    Notes
    -----
    A polynomial through `TREND_S` is taken off; the mean square of what is left against the known
    doubt (the square of a Birge ratio) is 1 where that explains it.  Where it is larger than
    chance would have it, all beyond 1 is unevenness.  A window T times as long holds 1/T of it:
    the mean of a rate that swings.

    References
    ----------
    .. [1] R. T. Birge, "The calculation of errors by the method of least squares", Phys. Rev. 40
       (1932) 207-227 (from memory).
    """
    good = np.isfinite(rates.rate_rad_s) & np.isfinite(known_u) & (known_u > 0)
    t, rate, u = rates.centre_s[good], rates.rate_rad_s[good], known_u[good]
    variance, inverse, told = np.zeros(len(t)), np.zeros(len(t)), np.zeros(len(t), bool)
    piece = np.searchsorted(np.sort(np.array(parted_s, np.float64)), t)
    for k, centre in enumerate(t):
        apart = np.where(piece == piece[k], np.abs(t - centre), np.inf)
        near = np.flatnonzero(apart <= TREND_S / 2)
        if len(near) < LEAST_WINDOWS:  # at an end of the spin the nearest of one side
            near = np.argsort(apart, kind="stable")[:LEAST_WINDOWS]
            near = near[np.isfinite(apart[near])]
        if len(near) < LEAST_WINDOWS or np.ptp(t[near]) > TREND_S:
            continue
        told[k] = True
        free = len(near) - TREND_DEGREE - 1
        x = (t[near] - centre) / TREND_S
        trend = np.polynomial.Polynomial.fit(x, rate[near], TREND_DEGREE, w=1.0 / u[near])
        ratio = float(np.sum(((rate[near] - trend(x)) / u[near]) ** 2)) / free
        if ratio > chdtri(free, CHANCE) / free:
            variance[k], inverse[k] = (ratio - 1.0) * float(np.median(u[near] ** 2)), 1.0 / free
    if not variance.any():
        return np.zeros(len(at)), np.full(len(at), np.inf)
    longer = np.maximum(1.0, length_s / float(np.median(rates.window_s)))
    t, variance, inverse = t[told], variance[told], inverse[told]
    share = np.interp(at, t, inverse)
    dof = np.divide(1.0, share, out=np.full(len(at), np.inf), where=share > 0)
    return np.sqrt(np.interp(at, t, variance)) / longer, dof
