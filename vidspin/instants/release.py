"""When did the last finger leave the top? The first instant of undisturbed slowing.

Before the release a hand drives the top, after it the top only slows.  The free spin just after
the release is extrapolated backwards; the last frame whose mark clearly disagrees with it and
the first from which all agree bracket the release.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import erf

from vidspin.cyclic import wrapped
from vidspin.mark.rest import stands
from vidspin.records import BoolArray, FloatArray, IntArray
from vidspin.regression import PolynomialFit, fit_polynomial

FIT_S = 1.6  # of clean free spin that is extrapolated
DEGREE = 3  # of its phase: what drag changes within a second or two counts, and a little beyond
LEAST_FIT = 8  # sightings
FIT_PASSES = 12  # in which far sightings lose their weight
SEARCH_S = 2.0  # backwards and forwards from the first clean stretch
DISAGREES_SIGMA = 5.0
DISAGREES_RAD = 0.012  # left over of shutter and geometry; a hand moves the mark by far more
AGREES_RAD = 0.15  # what is farther off under a hand neither agrees nor disagrees
# Share of the frames that disagree, of those that say either: `AGREES_RAD` of a turn to both
# sides is a twentieth, of half a turn a tenth; outliers of a free spin are a few in a hundred.
FAR_DRIVEN, FAR_FREE = 0.88, 0.04
SURE_DRIVEN = np.log(1000.0)  # three frames
SETTLED_FRAMES = 3  # after the first free frame the second look begins
EDGE_FRAMES = 2  # a spin that agrees from so near to the first frame began before it
# A mark this poorly seen, and so much worse than in the free spin, is under a hand, and may be a
# part of the hand.
WEAK_RAD, WEAK_TIMES = 0.05, 1.5
HIDDEN_BESIDE = 2  # so many weak or unseen frames just before are a hand; one may be chance
# A touch within a second or so of the release: the spin before it is free for so long at least,
# slows, and is as fast as after it but for a tenth; no driven top is.
MOST_TOUCHES = 3
FREE_S, FREE_ALIKE, FREE_MISFIT = 0.35, 0.1, 2.0
# What agrees before a stretch unseen for so long may be a top at rest that does so by chance, one
# frame in 20 with one mark, unless so large a share of the sightings before it does, and moves.
UNSEEN_S, JOINED_SHARE = 0.15, 0.7
STILL_RAD = 0.05  # from frame to frame: what stands still is seen alike at a stand-still speed
START_S = 0.5  # a hand takes a top to its speed in less (invented)
HAND_S = 0.25  # a hand that lets go shows itself in the mark's place no longer (invented)
HID = "a hand hid the mark until the free spin was seen"
COVERED_S = 0.5  # nor hides the mark any longer: lifted towards the camera it stays (invented)
FADE_SHARE = 0.4  # of the mark spacing: a larger lag may be a whole spacing off
FADE_ERROR = 0.1  # relative error of the lag's law
FADE_S = 0.12  # so long before and after the last disagreeing frame the law is held to be good
FADE_MOST = {2: 1000.0, 3: 15000.0}  # fastest start by hand, by power: rad/s2 and rad/s3
FADE_COUNT = 12  # errors of the extrapolation are alike: so many frames count at most
FADE_FITS = 1e-4  # least likelihood of a law that fits


@dataclass(frozen=True, slots=True)
class ReleaseFound:
    """The release, or why it was not seen."""

    seen: bool
    time_s: float
    u95_s: float
    first_free: int  # first frame of the free spin
    how: str
    hidden: bool = False  # the mark was in no frame before
    driven: bool = False  # the mark was seen to lag as a drive makes it


@dataclass(frozen=True, slots=True)
class Spin:
    """Columns of the same N frames, and the distance of equal marks."""

    time_s: FloatArray
    angle_rad: FloatArray
    u_rad: FloatArray
    visible: BoolArray
    period: float  # rad

    def apart(self, away: FloatArray) -> FloatArray:
        """Take whole mark spacings out of differences of angles."""
        return wrapped(away, self.period)


def find_release(  # noqa: PLR0913 - columns of the same frames, and where to begin
    time_s: FloatArray,
    angle_rad: FloatArray,
    u_rad: FloatArray,
    visible: BoolArray,
    *,
    clean: int,
    marks: int,
) -> ReleaseFound:
    """Find the release going back from a clean stretch of free spin.

    Parameters
    ----------
    time_s : (N,) array
        Instants of the angles, s.
    angle_rad : (N,) array
        Mark angles: continuous from frame `clean` on, up to whole mark spacings before it.
    u_rad : (N,) array
        Their standard uncertainties.
    visible : (N,) bool array
        Whether the mark was seen in a frame.
    clean : int
        A frame from which the spin is free for `FIT_S` or to the end.
    marks : int
        Number of equal marks.

    Returns
    -------
    ReleaseFound
        With the 95 % interval of the instant at which the lag began, or half the bracket, which
        begins a frame early and ends late by as long as a top that is still driven can agree.
    """
    spin = Spin(time_s, angle_rad, u_rad, visible, 2 * np.pi / marks)
    found = _settled(spin, clean)
    for _ in range(MOST_TOUCHES):
        before = _free_before(spin, found, clean)
        if before is None:
            break
        at, spin = before
        seen = visible & (time_s < found.time_s - found.u95_s)
        earlier = _look_back(replace(spin, visible=seen), at)
        if earlier.first_free >= found.first_free:
            break
        found = earlier
    return found


def _free_before(spin: Spin, found: ReleaseFound, clean: int) -> tuple[int, Spin] | None:
    """Tell whether the top slowed freely just before what was taken for its release.

    A touch soon after the release bends the spin that is extrapolated; what lies before the bend
    disagrees, but turns about as fast and slows, which no driven top does.

    Returns
    -------
    int, Spin, or None
        The first of the free frames, and the spin with these made continuous with what follows.
    """
    t, visible = spin.time_s, spin.visible
    until = found.time_s - found.u95_s
    rows = np.flatnonzero(visible & (t >= until - FREE_S) & (t < until))
    after = clean + np.flatnonzero(visible[clean:])[: len(rows)]
    if not found.seen or found.hidden or len(rows) < LEAST_FIT or len(after) < len(rows):
        return None
    steps = spin.apart(np.diff(spin.angle_rad[rows]))
    if float(np.median(np.abs(steps))) < STILL_RAD:  # at rest, or a hand: not to be told from it
        return None
    angle, u = spin.angle_rad.copy(), np.hypot(spin.u_rad, DISAGREES_RAD / 4)
    rate = fit_polynomial(
        t[after], angle[after], u[after], centre_s=float(t[clean]), degree=1
    ).rate_rad_s
    for k, then in zip(rows[::-1], [after[0], *rows[:0:-1]], strict=True):
        expected = angle[then] - rate * (t[then] - t[k])
        angle[k] = expected + spin.apart(angle[k] - expected)
    fit = fit_polynomial(t[rows], angle[rows], u[rows], centre_s=until - FREE_S / 2, degree=2)
    slope, u_slope = fit.slope_rad_s2 * np.sign(rate), 2 * float(fit.u()[2])
    alike = abs(fit.rate_rad_s - rate) < FREE_ALIKE * abs(rate)
    if fit.chi2 > FREE_MISFIT**2 * fit.dof or slope > 2 * u_slope or not alike:
        return None
    return int(rows[0]), replace(spin, angle_rad=angle)


def _settled(spin: Spin, clean: int) -> ReleaseFound:
    """Look back, and once more from as near as the first look says."""
    found = _look_back(spin, clean)
    nearer = found.first_free + SETTLED_FRAMES  # a shorter way back is a surer one
    if not found.seen or nearer >= clean:
        return found
    between = slice(nearer, clean)  # put these frames on the turn that the first look says
    expected = fitted(spin, clean).at(spin.time_s[between])[0]
    angle = spin.angle_rad.copy()
    angle[between] = expected + spin.apart(angle[between] - expected)
    return _look_back(replace(spin, angle_rad=angle), nearer)


def _stretch(spin: Spin, clean: int) -> IntArray:
    """Sightings of the clean stretch."""
    t = spin.time_s
    return np.flatnonzero(spin.visible & (t >= t[clean]) & (t <= t[clean] + FIT_S))


def fitted(spin: Spin, clean: int) -> PolynomialFit:
    """Fit the free spin of the clean stretch; what the edge of a hand pulls along is left out."""
    stretch = _stretch(spin, clean)
    t, angle = spin.time_s[stretch], spin.angle_rad[stretch]
    u = np.hypot(spin.u_rad[stretch], DISAGREES_RAD / 4)
    degree = DEGREE if len(stretch) >= 2 * LEAST_FIT else DEGREE - 1
    centre_s, doubt = float(spin.time_s[clean]), u
    for _ in range(FIT_PASSES):  # far ones count less and less: they may be many, to one side
        fit = fit_polynomial(t, angle, doubt, centre_s=centre_s, degree=degree)
        left = np.abs(angle - fit.at(t)[0]) / u
        doubt = u * np.maximum(1.0, left / max(1.0, float(np.median(left))))
    keep = left <= DISAGREES_SIGMA * max(1.0, 1.4826 * float(np.median(left)))
    if keep.sum() < LEAST_FIT:
        return fit
    fit = fit_polynomial(t, np.where(keep, angle, np.nan), u, centre_s=centre_s, degree=degree)
    return fit


def rougher_than_stated(spin: Spin, fit: PolynomialFit, clean: int) -> tuple[float, float]:
    """By how much the clean stretch scatters more than is stated, at least 1, and its scatter, rad.

    Uneven frame times and the like.
    """
    stretch = _stretch(spin, clean)
    left = np.abs(spin.angle_rad[stretch] - fit.at(spin.time_s[stretch])[0])
    scatter = 1.4826 * float(np.median(left))
    stated = np.hypot(spin.u_rad[stretch], DISAGREES_RAD / 4)
    return max(1.0, scatter / float(np.median(stated))), scatter


def _look_back(spin: Spin, clean: int) -> ReleaseFound:
    time_s, u_rad, visible, period = spin.time_s, spin.u_rad, spin.visible, spin.period
    interval = float(np.median(np.diff(time_s)))
    stretch = _stretch(spin, clean)
    if len(stretch) < LEAST_FIT:
        return _not_seen(clean, "too few sightings to look back from")
    fit = fitted(spin, clean)
    since, last = time_s[clean] - SEARCH_S, time_s[stretch[-1]]
    window = np.flatnonzero((time_s >= since) & (time_s <= last))
    expected, u = fit.at(time_s[window])
    away = spin.apart(spin.angle_rad[window] - expected)
    rougher, scatter = rougher_than_stated(spin, fit, clean)
    u = u * rougher  # what is extrapolated is blurred as well
    limit = DISAGREES_SIGMA * np.sqrt(u**2 + u_rad[window] ** 2 + scatter**2) + DISAGREES_RAD
    far = visible[window] & (np.abs(away) > limit)
    near = _agreeing(spin, window, expected, away, limit, clean)

    def bracket(early: float, agrees: int, how: str) -> ReleaseFound:
        """Put the release between an instant and the frame from which the angles agree."""
        ahead = fit.at(time_s[agrees] + np.array([0.0, interval]))[0]
        agreed = min(float(limit[int(np.searchsorted(window, agrees))]), AGREES_RAD)
        lags = unseen_drive_s(agreed, float(np.ptp(ahead)) / interval)
        early, late = early - interval, float(time_s[agrees]) + max(interval, lags)
        return ReleaseFound(True, (early + late) / 2, (late - early) / 2, agrees, how)

    most = max(WEAK_RAD, WEAK_TIMES * float(np.median(u_rad[stretch])))
    clear = near & (u_rad[window] <= most)  # what a hand leaves of a mark agrees by chance
    before = _last_disagreeing(far, near)
    if before < 0 or window[before] < EDGE_FRAMES:
        told = visible[window] & (u_rad[window] <= most)
        sigma, chance = limit / DISAGREES_SIGMA, 2 * AGREES_RAD / period
        first = int(window[_first_agreeing(near, told, sigma, chance, clean - int(window[0]))])
        if time_s[first] - time_s[0] <= EDGE_FRAMES * interval:
            return _not_seen(first, "already spinning freely in the first frame")
        how = "the mark was hidden before the first free sighting"
        return replace(bracket(float(time_s[0]), first, how), hidden=True)
    after = before + 1 + int(np.argmax(near[before + 1 :]))
    first = int(window[after])
    early, late = float(time_s[window[before]]), float(time_s[first])
    # what the edge of a hand makes of a frame next to those that it covers is no lag
    beside = window[(time_s[window] > early - FADE_S) & (window <= first)]
    weak = ~visible[beside] | (u_rad[beside] > most)
    if np.any(u_rad[window[before : after + 1]] > most) or weak.sum() >= HIDDEN_BESIDE:
        strong = np.flatnonzero(clear & (np.arange(len(near)) > before))
        sure = int(window[strong[0]]) if len(strong) else first
        early = min(early, float(time_s[sure]) - COVERED_S)
        return bracket(early, sure, HID)
    usable = np.flatnonzero(visible[window])
    usable = usable[time_s[window[usable]] <= late + FADE_S]
    sigma = limit[usable] / DISAGREES_SIGMA
    faded = _fade(time_s[window[usable]], away[usable], sigma, early, period)
    if faded is not None:
        middle, u95 = faded[0], float(np.hypot(faded[1], 0.5 * interval))
        first = max(first, int(np.searchsorted(time_s, middle)))
        how = "from how far the last driven frames lag behind the free spin"
        return ReleaseFound(True, middle, u95, first, how, driven=True)
    # No drive makes a lag that is large at once: what disagreed was a hand, not the mark.
    how = "from the hand that the last frames show in the mark's place until the free spin was seen"
    return bracket(min(early, late - HAND_S), first, how)


def _agreeing(  # noqa: PLR0913 - columns of the same frames
    spin: Spin, window: IntArray, expected: FloatArray, away: FloatArray, limit: FloatArray,
    clean: int,
) -> BoolArray:  # fmt: skip
    """Tell what agrees; not before an unseen stretch, where that may be chance."""
    visible = spin.visible[window]
    near: BoolArray = visible & (np.abs(away) <= np.minimum(limit, AGREES_RAD))
    rows = np.flatnonzero(visible & (window <= clean))
    unseen = np.diff(spin.time_s[window[rows]]) > UNSEEN_S
    for k in np.flatnonzero(unseen)[::-1]:
        before = rows[max(0, k + 1 - LEAST_FIT) : k + 1]
        agree = before[near[before]]
        many = len(before) == LEAST_FIT and len(agree) >= JOINED_SHARE * LEAST_FIT
        if not many or stands(expected[agree], away[agree], spin.period):
            near[: rows[k] + 1] = False
            break
    return near


def unseen_drive_s(limit_rad: float, speed_rad_s: float) -> float:
    """How long before the release a driven top lags by less than counts as agreeing.

    By a gentle drive, which fades out evenly: the lag grows with the cube of the time.
    """
    fades = max(speed_rad_s, 1.0) / START_S / FADE_S
    return float((6 * limit_rad / fades) ** (1 / 3))


def _fade(
    time: FloatArray, lag: FloatArray, sigma: FloatArray, early: float, period: float
) -> tuple[float, float] | None:
    """Release and half its 95 % interval from the lag of the last driven frames.

    The lag grows with the square of the time before the release where the drive ends at once,
    and with its cube where it fades out evenly.  Both are held to be equally likely.  None
    where the lag tells nothing: it jumps, or is a whole spacing off.
    """
    begin = last = int(np.searchsorted(time, early))
    lag, usual = lag.copy(), float(np.median(np.diff(time)))
    while begin > 0 and time[last] - time[begin - 1] < FADE_S:
        older = lag[begin - 1] + period * round((lag[begin] - lag[begin - 1]) / period)
        grows = abs(older) > abs(lag[begin]) and older * lag[begin] > 0
        if not grows or abs(older) > FADE_SHARE * period or np.diff(time)[begin - 1] > 1.5 * usual:
            break
        begin, lag[begin - 1] = begin - 1, older
    after = min(last + 1, len(lag) - 1)  # a drive that fades is seen in the next frame as well
    follows = lag[after] * np.sign(lag[last]) > 2 * sigma[after] and after > last
    jumps = begin == last and abs(lag[last]) > AGREES_RAD and not follows  # a hand does that too
    if jumps or abs(lag[last]) > FADE_SHARE * period:
        return None
    time, lag, u = time[begin:], lag[begin:], np.hypot(sigma, FADE_ERROR * lag)[begin:]
    grid = np.linspace(early, time[-1], 400)
    belief = np.zeros(len(grid))
    for power, most in FADE_MOST.items():
        shape = np.maximum(grid[:, None] - time, 0.0) ** power / u
        size = (shape @ (lag / u)) / np.maximum((shape**2).sum(axis=1), 1e-300)
        size = np.clip(size, -most, most)
        misfit = ((lag / u - size[:, None] * shape) ** 2).sum(axis=1) / len(time)
        belief += np.exp(-0.5 * misfit * min(len(time), FADE_COUNT))
    if belief.max() < FADE_FITS:
        return None
    belief /= belief.sum()
    middle = float(belief @ grid)
    low, high = np.interp([0.025, 0.975], np.cumsum(belief), grid)
    return middle, float(max(high - middle, middle - low))


def _not_seen(first: int, how: str) -> ReleaseFound:
    return ReleaseFound(False, float("nan"), float("nan"), first, how)


def _first_agreeing(
    near: BoolArray, told: BoolArray, sigma: FloatArray, chance: float, clean: int
) -> int:
    """Frame from which the angles agree, where nothing is known to disagree; at most `clean`.

    The likeliest change from frames that agree by chance to frames that agree but for outliers.
    Where the extrapolation is as rough as the mark spacing both are the same: nothing is told.
    """
    share = np.clip(erf(AGREES_RAD / np.sqrt(2) / sigma), chance, 1 - FAR_FREE)
    agrees, not_ = np.log(share / chance), np.log((1 - share) / (1 - chance))
    evidence = np.where(told, np.where(near, agrees, not_), 0.0)[: clean + 1]
    return clean - int(np.argmax(np.cumsum(evidence[::-1])))


def _last_disagreeing(far: BoolArray, near: BoolArray) -> int:
    """Frame that ends what was driven; -1 where nothing was.

    The likeliest change from frames that agree by chance only to frames that disagree by chance
    only: the edge of a hand or of the picture makes a few frames of the free spin disagree.
    """
    rows = np.flatnonzero(far | near)
    if not len(rows):
        return -1
    disagree, agree = np.log(FAR_DRIVEN / FAR_FREE), np.log((1 - FAR_DRIVEN) / (1 - FAR_FREE))
    evidence = np.cumsum(np.where(far[rows], disagree, agree))
    last = int(np.argmax(evidence))
    return int(rows[last]) if evidence[last] > SURE_DRIVEN else -1
