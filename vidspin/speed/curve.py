"""How fast, how sure?

In a window about each instant a quadratic is fitted to the continuous mark angle at the exact
frame times; its slope at the centre is the speed.  The window is as long as the curvature of
the spin-down allows.  What the fit cannot know of itself (geometry and shutter left over, the
instant that a time stamp stands for, the clock) is added line by line.

References
----------
S. A. Tretter, IEEE Trans. Inf. Theory 31 (1985) 832-835: phase regression and its bound;
JCGM 100:2008 for the budget (both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from vidspin.records import BoolArray, Budget, Component, FloatArray, SpinCurve
from vidspin.regression import LocalRates, local_rates
from vidspin.speed import scatter
from vidspin.speed.doubts import LEAST_WINDOWS, unevenness
from vidspin.speed.leaning import leaning_u
from vidspin.speed.ripple import left_over
from vidspin.speed.roll import roll_u
from vidspin.speed.scatter import FIRST_WINDOW_S
from vidspin.speed.sticking import sticking_u
from vidspin.speed.turning import Noise, Turning, look, weighted_u, weights
from vidspin.uncertainty import JUDGED_DOF, combine, combine_arrays, expanded, rectangular

MIN_WINDOW_S = 0.8
MAX_WINDOW_S = 5.0
MIN_SIGHTINGS = 12
LEAST_ON_COURSE = 0.5  # of the sightings of a row: else most follow no smooth spin
JERK_WINDOW_S = 6.0
LEAST_JERK_S = 1e-3  # of a spin of one frame
LEAST_KNOTS = 3  # that tell how the slope changes
# Power of the speed that its loss goes with where nothing better is known: a thin film of air,
# between dry friction (0) and turbulence (2).
DRAG_POWER = 1.0
LEAST_DRAG = 1e-12  # rad/s**3; for its logarithm
SURE_SLOPE = 3.0  # times the least doubt of a slope; others are not looked at
BRIEF = 1.6  # a window of 6 s and a difference of neighbours leave so much less of a swing (judged)
MOST_GROWTH = 2.5  # of that logarithm beyond both ends
BIAS_SHARE = 0.25  # curvature bias allowed, in random standard uncertainties
USUAL_FRAMES = 15  # about an instant, of which one or two tell nothing of the others
PUSHED_S = 2.0  # to both sides of what parts the spin, a hand may still have been at it
UNSEEN_FRAMES = 4.5  # intervals without a sighting: more than three frames
BESIDE = 0.999  # of the room beside an instant that parts the spin
TYPE_A = ("phase noise", "time ticks", "unevenness")


def centres(first_s: float, last_s: float, every_s: float) -> FloatArray:
    """Instants of the rows: odd half multiples of `every_s` from one instant to another."""
    first = int(np.ceil(first_s / every_s - 0.5))
    last = int(np.floor(last_s / every_s - 0.5))
    return np.asarray((np.arange(first, last + 1) + 0.5) * every_s, np.float64)


def spin_curve(turning: Turning, every_s: float) -> tuple[SpinCurve, Noise]:
    """Fit the speed against time.

    Parameters
    ----------
    turning : Turning
    every_s : float
        Distance of the rows, s.

    Returns
    -------
    SpinCurve, Noise
        Speeds without sign; NaN where too few sightings are near, most of them are off, the window
        reaches over an instant at which the spin is not one piece, or its piece is too brief to
        tell its noise.
    """
    noise = look(turning)
    low_s, high_s = turning.told_s
    at = centres(low_s, high_s, every_s)
    if len(at) == 0:
        at = np.array([0.5 * (low_s + high_s)])
    return curve_at(turning, noise, at), noise


def curve_at(turning: Turning, noise: Noise, at: FloatArray) -> SpinCurve:
    """Fit the speed at instants of one's own, as `spin_curve` does at its rows.

    Parameters
    ----------
    turning : Turning
    noise : Noise
        From `look`.
    at : (M,) array
        Instants within the free spin, s.
    """
    u = weighted_u(turning, noise)
    jerk = jerk_of(turning, noise)
    length = _windows(at, turning, noise, u, jerk)
    rates = _rates(turning, noise, u, at, length)
    share = cubic_share(turning, noise, at, length)
    rates = _straightened(rates, share, jerk)
    lines = _lines(turning, noise, rates, u, np.abs(share) * jerk.doubt_at(at))
    total, dof = combine_arrays(*(np.stack(part) for part in zip(*lines.values(), strict=True)))
    clock = np.abs(rates.rate_rad_s) * turning.clock_ppm.u * 1e-6
    all_u, all_dof = combine_arrays(
        np.stack([total, clock]),
        np.stack([np.nan_to_num(dof, nan=1.0), np.full(len(at), JUDGED_DOF)]),  # NaN in a gap
    )
    known = np.isfinite(rates.rate_rad_s) & (rates.count >= MIN_SIGHTINGS)
    seen = turning.free & np.isfinite(turning.angle_rad)
    known &= on_course(noise.usable, seen, turning.time_s, at, length)
    one_piece = turning.in_one_piece(at, length)
    known &= one_piece & (_piece_s(turning, at) >= FIRST_WINDOW_S)
    nan = np.where(known, 1.0, np.nan)
    told = known & turning.between_ends(at)
    return SpinCurve(
        time_s=at,
        speed_rad_s=np.abs(rates.rate_rad_s) * nan,
        u_speed_rad_s=total * nan,
        u95_speed_rad_s=expanded(total, dof) * nan,
        u95_total_rad_s=expanded(all_u, all_dof) * nan,
        slope_rad_s2=np.where(one_piece, rates.slope_rad_s2 * np.sign(rates.rate_rad_s), np.nan),
        window_s=length,
        sightings=rates.count,
        quality=_means(turning.quality, noise.usable, turning.time_s, at, length),
        residual_time_s=turning.frame_s,
        residual_rad=np.where(noise.usable, noise.residual_rad, np.nan),
        budgets=tuple(_budgets(turning, rates, lines, clock, told)),
    )


# ---------------------------------------------------------------------------- windows


def _rates(
    turning: Turning, noise: Noise, u: FloatArray, at: FloatArray, length: FloatArray
) -> LocalRates:
    angle = np.where(noise.usable, turning.angle_rad, 0.0)
    return local_rates(
        turning.time_s, angle, weights(noise, u), centres_s=at, windows_s=length
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Jerk:
    """How fast the slope of the speed changes, rad/s**3, at K instants."""

    time_s: FloatArray  # (K,)
    drag: FloatArray  # (K,) what a drag of `DRAG_POWER` makes of it
    expected: FloatArray  # (K,)
    doubt: FloatArray  # (K,) limits to both sides

    def expected_at(self, at: FloatArray) -> FloatArray:
        """Return the jerk to be reckoned with, at M instants."""
        return np.asarray(np.interp(at, self.time_s, self.expected) * self._growth(at))

    def doubt_at(self, at: FloatArray) -> FloatArray:
        """Return limits to both sides of it, wider before the first and after the last instant."""
        inside = np.interp(at, self.time_s, self.doubt)
        outside = np.maximum(inside, np.interp(at, self.time_s, self.drag)) * self._growth(at)
        within = (at >= self.time_s[0]) & (at <= self.time_s[-1])
        return np.where(within, inside, outside)

    def _growth(self, at: FloatArray) -> FloatArray:
        """Carry a drag's jerk on beyond both ends, as it goes there: by a power of itself."""
        log, t = np.log(self.drag), self.time_s
        grown = np.zeros(len(at))
        for k, other, outside in ((0, 1, at < t[0]), (-1, -2, at > t[-1])):
            if len(t) < 2:
                break
            slope = (log[k] - log[other]) / (t[k] - t[other])
            grown = np.where(outside, slope * (at - t[k]), grown)
        return np.exp(np.clip(grown, -MOST_GROWTH, MOST_GROWTH))


def jerk_of(turning: Turning, noise: Noise) -> Jerk:
    """Tell how fast the slope changes: what a drag makes of it, and how far that may be off.

    Parameters
    ----------
    turning : Turning
    noise : Noise
        From `look`.

    Notes
    -----
    Drag that goes with the speed to the power p changes the slope by ``p * slope**2 / speed``,
    with p from 0 to 2, and below that where a top that slows loses more.  What the recording shows
    is taken within these, that of p = 1 where it shows nothing; half of that stays in doubt.
    """
    u = weighted_u(turning, noise)
    t = turning.time_s[turning.free]
    span = float(t[-1] - t[0])
    window = max(min(JERK_WINDOW_S, span / 2), LEAST_JERK_S)
    count = max(2, int(span / window * 2))
    knots = np.linspace(t[0] + window / 2, t[-1] - window / 2, count)
    fit = _rates(turning, noise, u, knots, np.full(count, window))
    good = np.isfinite(fit.slope_rad_s2) & (np.abs(fit.rate_rad_s) > 1e-3)
    if good.any():  # beside a gap few sightings at one side of a window say next to nothing
        good &= fit.slope_factor < SURE_SLOPE * np.min(fit.slope_factor[good])
    whole = good & turning.in_one_piece(knots, np.full(count, window))
    if whole.sum() >= LEAST_KNOTS:
        good = whole
    knots, rate = knots[good], fit.rate_rad_s[good]
    slope = fit.slope_rad_s2[good] * np.sign(rate)
    drag = np.maximum(DRAG_POWER * slope**2 / np.abs(rate), LEAST_DRAG)
    if len(knots) < LEAST_KNOTS:
        usual = np.array([np.median(drag) if len(drag) else LEAST_DRAG])
        return Jerk((t[:1] + t[-1:]) / 2, usual, usual, usual)
    noisy = float(np.median(fit.slope_factor[good])) * np.sqrt(noise.spread) / window
    seen = np.gradient(_smooth(slope), knots)
    told = drag**2 / (drag**2 + noisy**2)  # else it is p = 1 that is known better
    likely = told * seen + (1 - told) * drag
    expected = np.clip(likely, -2 * drag, 2 * drag)  # what is seen beyond that is no law's
    one_sided = np.where((knots == knots[0]) | (knots == knots[-1]), 2.0, 1.0)
    beyond = np.abs(seen - expected) - noisy * one_sided  # within the noise is no curvature
    doubt = np.maximum(beyond, np.clip(noisy, drag / 2, drag))
    # what comes and goes within seconds is smoothed away above, and windows reach over it
    raw = np.abs(np.gradient(slope, knots) - expected)
    brief = np.where(raw > 3 * np.sqrt(2) * noisy * one_sided, raw, 0.0)
    doubt = np.maximum(doubt, BRIEF * ndimage.maximum_filter1d(brief, 3))
    return Jerk(knots, drag, expected, doubt)


def _smooth(slope: FloatArray) -> FloatArray:
    """Smooth over neighbours, carried on beyond both ends as it goes there."""
    more = min(4, len(slope) - 1)
    before, after = 2 * slope[0] - slope[more:0:-1], 2 * slope[-1] - slope[-2 : -2 - more : -1]
    whole = ndimage.gaussian_filter1d(np.concatenate([before, slope, after]), 1.0)
    return np.asarray(whole[more : more + len(slope)])


def cubic_share(turning: Turning, noise: Noise, at: FloatArray, length: FloatArray) -> FloatArray:
    """By how much a jerk of 1 makes the true rate higher than that of a window's quadratic, s**2.

    Parameters
    ----------
    turning, noise
    at, length : (M,) arrays
        Instants and lengths of the windows about them.

    Returns
    -------
    (M,) array
        -T**2 / 40 in the middle of an even window T, T**2 / 10 at its ends (the slope of the
        shifted Legendre polynomial of degree 3 over 120); here as the sightings lie.
    """
    begin = float(turning.time_s[turning.free][0])
    t = turning.time_s - begin
    weight = weights(noise, weighted_u(turning, noise))
    fit = local_rates(turning.time_s, t**3 / 6, weight, centres_s=at, windows_s=length)
    return np.asarray((at - begin) ** 2 / 2 - fit.rate_rad_s)


def _straightened(rates: LocalRates, share: FloatArray, jerk: Jerk) -> LocalRates:
    """Add to each speed what the expected curvature took from it, or take off what it added."""
    missed = share * jerk.expected_at(rates.centre_s)
    return replace(rates, rate_rad_s=rates.rate_rad_s + np.sign(rates.rate_rad_s) * missed)


def _windows(
    at: FloatArray,
    turning: Turning,
    noise: Noise,
    u: FloatArray,
    jerk: Jerk,
) -> FloatArray:
    """Longest window whose doubt about curvature stays under a share of the random part."""
    bend = jerk.doubt_at(at)
    usable = noise.usable
    pace = scatter.pace(usable, turning.time_s)
    sigma = usual_about(turning, noise, at, u) * np.sqrt(noise.spread)
    # bias j T^2 / 40 = share * sigma sqrt(12 / (pace T^3)), solved for T
    top = BIAS_SHARE * 40 * sigma * np.sqrt(12 / pace)
    with np.errstate(divide="ignore"):
        length = np.where(bend > 0, (top / np.maximum(bend, 1e-12)) ** (2 / 7), MAX_WINDOW_S)
    if turning.edges_s:  # beside an instant that parts the spin a short row is better than none
        apart = np.abs(at[:, None] - np.array(turning.edges_s)).min(axis=1)
        length = np.minimum(length, BESIDE * 2 * apart)
    least = max(MIN_WINDOW_S, 1.5 * MIN_SIGHTINGS / pace)
    return np.clip(length, least, max(MAX_WINDOW_S, least))


def usual_about(turning: Turning, noise: Noise, at: FloatArray, u: FloatArray) -> FloatArray:
    """Usual uncertainty of the sightings about some instants; one frame sets nothing."""
    used = noise.usable & np.isfinite(u)
    if not used.any():
        return np.asarray(np.interp(at, turning.time_s, u))
    rows = ndimage.median_filter(u[used], USUAL_FRAMES, mode="nearest")
    return np.asarray(np.interp(at, turning.time_s[used], rows))


def _piece_s(turning: Turning, at: FloatArray) -> FloatArray:
    """Length of the piece of the spin that each instant lies in, s."""
    t = turning.time_s[turning.free]
    edges = np.unique(np.clip([t[0], *turning.edges_s, t[-1]], t[0], t[-1]))
    if len(edges) < 3:
        return np.full(len(at), np.inf)  # whole, however short
    k = np.clip(np.searchsorted(edges, at) - 1, 0, len(edges) - 2)
    return np.asarray(np.diff(edges)[k])


# ----------------------------------------------------------------------------- budget


def _lines(
    turning: Turning,
    noise: Noise,
    rates: LocalRates,
    u: FloatArray,
    bent: FloatArray,
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """List standard uncertainties of the speed by source, with degrees of freedom."""
    speed = np.abs(rates.rate_rad_s)
    random = random_u(turning, noise, rates, u)
    usual = usual_about(turning, noise, rates.centre_s, u)
    tick = speed * rectangular(turning.tick_s / 2)
    share = np.minimum(tick / usual, 0.999)  # the scatter holds the tick already: split it
    judged = np.full(len(speed), JUDGED_DOF)
    # phase noise and ticks are one estimate: together they have its degrees of freedom
    two = np.nan_to_num(share**2)
    count = noise.dof * ((1 - two) ** 2 + two**2)
    lean = leaning_u(turning.leaning, turning.time_s, weights(noise, u), rates)
    rolled = rolled_u(turning, noise, rates.centre_s, rates.window_s)
    sticks = sticking_u(turning, noise, rates.centre_s, rates.window_s)
    return {
        "phase noise": (random * np.sqrt(1 - share**2), count),
        "time ticks": (random * share, count),
        "unevenness": uneven_u(turning, noise, rates, u),
        "window": (bent / np.sqrt(3), judged),
        "geometry and shutter": (left_over_u(turning, noise, rates, u), judged),
        "instant of a time stamp": (np.abs(rates.slope_rad_s2) * turning.offset.u, judged),
        **({"leaning": (lean, judged)} if turning.leaning else {}),
        **({"camera roll": (rolled, judged)} if rolled.any() else {}),
        **({"sticking picture": (sticks, judged)} if sticks.any() else {}),
    }


def random_u(turning: Turning, noise: Noise, rates: LocalRates, u: FloatArray) -> FloatArray:
    """Carry the scatter of the sightings to rates, rad/s, more where a window scatters more."""
    of, t, at, length = noise.usable, turning.time_s, rates.centre_s, rates.window_s
    ratio = np.clip(noise.residual_rad / u, -scatter.CLIP, scatter.CLIP)
    seen = turning.free & np.isfinite(ratio)
    square = np.where(seen, ratio**2, 0.0)
    more = scatter.excess(
        _means(square, of, t, at, length), _means(square, seen, t, at, length),
        rates.count, noise.spread,
    )  # fmt: skip
    return np.asarray(rates.rate_factor * np.sqrt(noise.spread * more))


def left_over_u(turning: Turning, noise: Noise, rates: LocalRates, u: FloatArray) -> FloatArray:
    """Carry the doubt of readout, geometry and ripple to rates, rad/s; NaN where not known."""
    return left_over(turning, noise, weights(noise, u), rates)


def rolled_u(turning: Turning, noise: Noise, at: FloatArray, length: FloatArray) -> FloatArray:
    """Carry the camera's roll to rates, rad/s; 0 where none is told."""
    weight = weights(noise, weighted_u(turning, noise))
    return roll_u(turning.roll, turning.time_s, weight, at, length)


def uneven_u(
    turning: Turning, noise: Noise, rates: LocalRates, u: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Scatter of the speeds of short windows that nothing else explains, for each row.

    What parts the spin is no scatter of the pieces, but a hand pushes for a while: beside it the
    step itself counts as doubt.
    """
    within, dof = _scatter_of(turning, noise, rates, u)
    if not turning.parted_s:
        return within, dof
    across, dof_across = _scatter_of(replace(turning, parted_s=()), noise, rates, u)
    apart = np.abs(rates.centre_s[:, None] - np.array(turning.parted_s)).min(axis=1)
    beside = (apart < PUSHED_S) & (across > within)
    return np.where(beside, across, within), np.where(beside, dof_across, dof)


def _scatter_of(
    turning: Turning, noise: Noise, rates: LocalRates, u: FloatArray
) -> tuple[FloatArray, FloatArray]:
    t = turning.time_s[turning.free]
    pace = scatter.pace(noise.usable, turning.time_s)
    short = max(MIN_WINDOW_S, 1.5 * MIN_SIGHTINGS / pace)
    middles = np.arange(t[0] + short / 2, t[-1] - short / 2, short)
    if len(middles) < LEAST_WINDOWS:
        return np.zeros(len(rates.centre_s)), np.full(len(rates.centre_s), np.inf)
    brief = _rates(turning, noise, u, middles, np.full(len(middles), short))
    enough = brief.count > 0.5 * pace * short
    known = _known_u(turning, noise, brief, u)
    enough &= turning.in_one_piece(middles, brief.window_s)
    known = np.where(enough, known, np.nan)
    return unevenness(brief, known, rates.centre_s, rates.window_s, parted_s=turning.edges_s)


def _known_u(turning: Turning, noise: Noise, brief: LocalRates, u: FloatArray) -> FloatArray:
    """All lines of short windows that differ from one to the next, together, rad/s."""
    lean = leaning_u(turning.leaning, turning.time_s, weights(noise, u), brief)
    rolled = rolled_u(turning, noise, brief.centre_s, brief.window_s)
    sticks = sticking_u(turning, noise, brief.centre_s, brief.window_s)
    found = (random_u(turning, noise, brief, u), left_over_u(turning, noise, brief, u))
    return np.asarray(np.linalg.norm([*found, lean, rolled, sticks], axis=0))


def _budgets(
    turning: Turning,
    rates: LocalRates,
    lines: dict[str, tuple[FloatArray, FloatArray]],
    clock: FloatArray,
    told: BoolArray,
) -> list[Budget]:
    """Write the budget out at release, mid-spin and in the last minute of the rows told of."""
    rows = np.flatnonzero(told)
    if len(rows) == 0:
        return []
    begin, end = (float(t) for t in rates.centre_s[rows[[0, -1]]])
    # the middle of the last minute, or near the end of a spin that is hardly longer
    late = end - min(30.0, (end - begin) / 4)
    last = rows[np.searchsorted(rates.centre_s[rows], late)]
    picks = {"release": rows[0], "mid-spin": rows[len(rows) // 2], "last minute": last}
    step = f"container steps of {turning.tick_s * 1e3:.4g} ms"
    notes = {
        "phase noise": "scatter about the smooth spin, widened as frames close together err alike",
        "time ticks": f"{step}, rounded to the nearest; part of the scatter",
        "unevenness": "scatter of neighbouring speeds beyond all other lines: wobble, precession",
        "window": "curvature of the spin-down within the window beyond what was taken off",
        "geometry and shutter": "readout, perspective, ellipse, ripple left over, from their fits",
        "instant of a time stamp": "from the stamp to mid-exposure of the middle row",
        "leaning": "the axis leans and goes round before the topple; from the face's way",
        "camera roll": "the camera turned about its optical axis; from the setting",
        "sticking picture": "near a stand-still speed pictures hold the mark at an earlier place",
    }
    budgets = []
    for name, k in picks.items():
        parts = [
            Component(n, "A" if n in TYPE_A else "B", float(v[0][k]), float(v[1][k]), notes[n])
            for n, v in lines.items()
        ]
        parts.append(
            Component("clock rate", "B", float(clock[k]), JUDGED_DOF, turning.clock_ppm.how)
        )
        u, dof = combine(parts)
        k95 = expanded(1.0, dof)  # the factor itself
        at, speed = float(rates.centre_s[k]), float(abs(rates.rate_rad_s[k]))
        budgets.append(Budget(name, at, speed, tuple(parts), u, dof, k95))
    return budgets


def on_course(
    usable: BoolArray, seen: BoolArray, t: FloatArray, at: FloatArray, length: FloatArray
) -> BoolArray:
    """Whether most of what is seen in a window lies on the smooth course, in its middle as well.

    Sightings that lie off in the middle are another phase, and what is left of the window at one
    side of it says nothing of the speed there.
    """
    off = _means(~usable, seen, t, at, np.minimum(length, MIN_WINDOW_S))
    told = _means(usable, seen, t, at, length) >= LEAST_ON_COURSE
    return np.asarray(told & (off <= 1 - LEAST_ON_COURSE))


def _means(value: FloatArray | BoolArray, of: BoolArray, t: FloatArray, at: FloatArray,
           length: FloatArray) -> FloatArray:  # fmt: skip
    """Means of what counts, `of`, in windows; 0 where nothing does."""
    total = np.concatenate([[0.0], np.cumsum(np.where(of, value, 0.0))])
    count = np.concatenate([[0], np.cumsum(of)])
    low = np.searchsorted(t, at - length / 2)
    high = np.searchsorted(t, at + length / 2, side="right")
    return np.asarray((total[high] - total[low]) / np.maximum(count[high] - count[low], 1))


# ------------------------------------------------------------------------ whole spin


def unseen_seconds(
    turning: Turning, noise: Noise, start_s: float | None = None, stop_s: float | None = None,
    *, breaks_s: Sequence[float] = (),
) -> float:  # fmt: skip
    """Sum the seconds of the spin that lie in gaps of more than three frames without a sighting.

    The spin reaches from release to topple where those are given, s, else from the first to the
    last frame of the free spin.  Beside instants at which it is not one piece, `breaks_s`, what
    lies off the smooth curve was seen all the same.
    """
    seen = noise.usable.copy()
    for at in breaks_s:
        near = np.abs(turning.time_s - at) < FIRST_WINDOW_S
        seen |= near & turning.free & np.isfinite(turning.angle_rad)
    free = turning.time_s[turning.free]
    start, stop = (free[0] if start_s is None else start_s), free[-1] if stop_s is None else stop_s
    t = turning.time_s[seen & (turning.time_s >= start) & (turning.time_s <= stop)]
    if len(t) < 2:
        return 0.0
    usual = float(np.median(np.diff(turning.time_s)))
    gaps = np.diff(np.concatenate([[start], t, [stop]]))
    return float((gaps[gaps > UNSEEN_FRAMES * usual] - usual).sum())
