"""Least uncertainties that published work allows for the rate and the slope of a phase."""

import math


def crb_rate(n: int, spacing_s: float, sigma_rad: float) -> float:
    """Return the least standard deviation of a rate measured from evenly spaced phases.

    Parameters
    ----------
    n : int
        Number of samples, at least 2.
    spacing_s : float
        Time between samples.
    sigma_rad : float
        Standard deviation of one phase, white.

    Returns
    -------
    float
        Cramér-Rao bound in rad/s.

    Notes
    -----
    ``var = 12 sigma² / (d² N (N² - 1))``: the same with a constant rate as with a constant
    slope when the rate is asked for at the centre of the window.  A sinusoid with amplitude
    A in noise of variance s² has phases of variance s²/A² = 1 / (2 SNR).

    References
    ----------
    .. [1] D. C. Rife, R. R. Boorstyn, "Single-tone parameter estimation from discrete-time
       observations", IEEE Trans. Inf. Theory 20 (1974) 591-598.
    .. [2] S. A. Tretter, IEEE Trans. Inf. Theory 31 (1985) 832-835: regression reaches it.
    """
    return math.sqrt(12.0 / (n * (n**2 - 1.0))) * sigma_rad / spacing_s


def crb_rate_at_end(n: int, spacing_s: float, sigma_rad: float) -> float:
    """Return the bound of `crb_rate` for the rate at a window's end, slope unknown.

    Notes
    -----
    The variance is (16 N² - 30 N + 11) / (N² - 4) times that at the centre, about sixteen
    times: where the recording ends inside a window, the speed is four times less certain.
    Follows from `crb_rate` and `crb_chirp`, whose errors are independent at the centre.
    """
    factor = (16.0 * n**2 - 30.0 * n + 11.0) / (n**2 - 4.0)
    return math.sqrt(factor) * crb_rate(n, spacing_s, sigma_rad)


def crb_chirp(n: int, spacing_s: float, sigma_rad: float) -> float:
    """Return the least standard deviation of the rate of change of a rate, rad/s².

    Notes
    -----
    ``var = 720 sigma² / (d⁴ N (N² - 1) (N² - 4))`` for the slope alpha of a phase
    p + w t + alpha t² / 2 with all three unknown; arguments as in `crb_rate`, n at least 3.

    References
    ----------
    .. [1] P. M. Djurić, S. M. Kay, "Parameter estimation of chirp signals", IEEE Trans.
       Acoust. Speech Signal Process. 38 (1990) 2118-2126.
    .. [2] S. Peleg, B. Porat, "Estimation and classification of polynomial-phase signals",
       IEEE Trans. Inf. Theory 37 (1991) 422-430.
    """
    return math.sqrt(720.0 / (n * (n**2 - 1.0) * (n**2 - 4.0))) * sigma_rad / spacing_s**2


def jerk_bias(jerk_rad_s3: float, window_s: float) -> float:
    """Return how far a constant jerk shifts the centre rate of a quadratic fit, rad/s.

    Parameters
    ----------
    jerk_rad_s3 : float
        Second derivative of the rate, taken as constant over the window.
    window_s : float
        Full length of the window.

    Returns
    -------
    float
        ``jerk * window**2 / 40``, signed; the limit of ``jerk d² (3 N² - 7) / 120`` for N
        evenly spaced samples d apart.

    Notes
    -----
    The phase t³ / 6 projected on t over the window, 3/5 of (window / 2)², shows as a rate.
    """
    return jerk_rad_s3 * window_s**2 / 40.0
