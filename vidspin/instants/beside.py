"""When within its bracket did a hand let go, by the mark that shows beside it now and then?

After the release the mark is where the free spin, carried backwards, has it; before it a driven
mark lags, one that a finger brakes leads.  `uncovered` says of every frame how well a mark at any
angle goes with it; here that becomes how likely each instant is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspin.instants.release import (
    DISAGREES_RAD,
    DISAGREES_SIGMA,
    FADE_COUNT,
    FADE_ERROR,
    FADE_MOST,
    FADE_S,
    LEAST_FIT,
    ReleaseFound,
    Spin,
    fitted,
    rougher_than_stated,
    unseen_drive_s,
)
from vidspin.instants.uncovered import Views
from vidspin.records import BoolArray, FloatArray, IntArray
from vidspin.regression import PolynomialFit

# Of the mark beside a hand: instants tried, and sizes of each law, by equal factors.
INSTANTS, SIZES = 160, (20, 40)
LEAST_BELIEF = 1e-4  # of the highest; less likely instants are not looked at again
# A drive may fade more softly still, rad/s4; and by `FADE_S` before the release the lag of a law
# may have eased off by a share.
DRIVES = {**FADE_MOST, 4: 225000.0}
LAWS = ((2, 0.0), (2, 0.35), (3, 0.0), (3, 0.35), (4, 0.0))
# Size of a law where a hand takes a top from rest to a speed of 1 in 1 s, the gentlest of the four
# of a smooth start; none takes longer than `SLOWEST_S` (invented).
OF_A_START, SLOWEST_S = {2: 0.5, 3: 1.0, 4: 2.5}, 2.0
# A finger that stays on brakes the top before it leaves: it loses such shares of its speed a second
# (invented), for so long; what was before that is not known.
BRAKES, BRAKE_S = (0.03, 15.0), (0.04, 0.1, 0.24)
LASTS_S = (0.08, 2 * FADE_S)  # of a law of a drive: a second drive is no part of the first one
# How often the hand drives the top up to the release, brakes it, or does something else (judged).
DRIVEN, BRAKED, ANYHOW = 0.75, 0.22, 0.03
SHOWS_RAD = 0.04  # by less the mark beside a hand is not known to lag (judged)
STRAY = 0.03  # share of frames that show something else at the mark's place (judged)
# What is carried on is off to one side in all frames: Gauss and Hermite's three places.
SIDES = ((0.0, 2 / 3), (3**0.5, 1 / 6), (-(3**0.5), 1 / 6))
Sides = Sequence[tuple[float, float]]
SIDE_DOUBT = 0.5  # of it, that bridges the gaps between them
BESIDE_HAND = "from where the mark beside the hand begins to keep to the free spin"
NARROWER = 0.55  # of what was known; else the frames are ambiguous
TEMPER = 0.85  # of the evidence of a frame: their errors, a shadow's edge say, are alike (judged)
# A hand may stay over the top for longer than `COVERED_S`: so much longer is looked at, and any
# instant there is held to be by so much less likely (invented).
LINGERS_S, LINGERING = 1.0, 0.02
AT_EDGE = 3  # of the instants: an interval that begins there may begin earlier


def narrowed(  # noqa: PLR0913 - columns of the same frames, what they show, and where to begin
    found: ReleaseFound,
    time_s: FloatArray,
    angle_rad: FloatArray,
    u_rad: FloatArray,
    visible: BoolArray,
    seen: tuple[IntArray, Views],
    *,
    clean: int,
    marks: int,
) -> ReleaseFound:
    """Find the release within its interval by the mark that a hand leaves in sight now and then.

    Parameters
    ----------
    found : ReleaseFound
        Any instant of its interval is held to be equally likely; some earlier ones are possible.
    time_s, angle_rad, u_rad, visible : (N,) arrays
        As for `find_release`.
    seen : (K,) int array, Views
        Frames up to the free spin, and what each says of the mark's angle.
    clean, marks : int
        As for `find_release`.

    Returns
    -------
    ReleaseFound
        With the middle of what is believed and its 95 % interval; as it was where that is not
        clearly narrower.

    Notes
    -----
    Bayes' rule over the instant.  After it the mark is where the free spin, carried backwards, has
    it; before it it lags by a law of `DRIVES`, of any size, less and less exactly from `FADE_S` on,
    or leads since a finger brakes the top, or it may be anywhere.
    """
    spin = Spin(time_s, angle_rad, u_rad, visible, 2 * np.pi / marks)
    fit = fitted(spin, clean)
    if not _goes_on(spin, fit, found.first_free, clean):
        return found
    at = time_s[seen[0]]
    free, u = fit.at(at)
    before = _Beside(
        at, free, u * rougher_than_stated(spin, fit, clean)[0], float(fit.rate_rad_s), seen[1]
    )
    usual, high = found.time_s - found.u95_s, found.time_s + found.u95_s
    low = min(usual, float(at[0]) + 2 * FADE_S)

    def believed(low: float, high: float, sizes: int, sides: Sides) -> tuple[FloatArray, ...]:
        instants = np.linspace(low, high, INSTANTS)
        belief = before.belief(instants, sizes, sides) * np.where(instants < usual, LINGERING, 1.0)
        return instants, belief / belief.sum()

    instants, belief = believed(low, high, SIZES[0], SIDES[:1])
    # once more from near: a law that fits may do so for some milliseconds only
    likely, step = instants[belief > LEAST_BELIEF * belief.max()], instants[1] - instants[0]
    edge = low + AT_EDGE * step
    low, high = max(low, likely[0] - step), min(high, likely[-1] + step)
    instants, belief = believed(low, high, SIZES[1], SIDES)
    middle = float(belief @ instants)
    low, high = np.interp([0.025, 0.975], np.cumsum(belief), instants)
    half_frame = 0.5 * float(np.median(np.diff(time_s)))
    gentle = unseen_drive_s(SHOWS_RAD, abs(float(fit.rate_rad_s)))
    u95 = math.hypot(max(high - middle, middle - low), half_frame, gentle)
    lingers = float(belief[instants < usual].sum()) > 0.95  # if it is surely so, to any narrowness
    if low < edge or u95 > (1.0 if lingers else NARROWER) * found.u95_s:
        return found
    return replace(found, time_s=middle, u95_s=u95, how=BESIDE_HAND)


@dataclass(frozen=True, slots=True)
class _Beside:
    """What K frames about a release show beside a hand, and where the free spin would have been."""

    time_s: FloatArray  # (K,)
    free_rad: FloatArray  # (K,) angles of the free spin, carried on
    u_rad: FloatArray  # (K,) alike in all of them
    speed_rad_s: float  # signed
    views: Views

    def belief(self, instants: FloatArray, sizes: int, sides: Sides) -> FloatArray:
        """Tell how likely each of M instants is the release; their sum is 1."""
        told: list[tuple[float, FloatArray]] = []  # prior, and logarithms of likelihoods
        before = instants[:, None] - self.time_s  # (M, K)
        ahead = np.clip(before, 0.0, 2 * FADE_S)
        speed = max(abs(self.speed_rad_s), 1e-9)
        for side, share in sides:
            there = self.free_rad + side * self.u_rad
            freely = self._said(np.ones(len(there)), there, SIDE_DOUBT * self.u_rad)
            after = np.where(before <= 0, freely, 0.0).sum(1)
            told.append((share * ANYHOW, after))
            for power, bend in LAWS:
                shape = ahead**power * (1.0 - bend * np.minimum(ahead / FADE_S, 1.0))
                slow = OF_A_START[power] * speed / SLOWEST_S ** (power - 1)
                law = shape, power * shape / np.maximum(ahead, 1e-9) / speed
                laws = np.geomspace(min(slow, DRIVES[power] / 10), DRIVES[power], sizes)
                part = share * DRIVEN / len(LAWS) / sizes / len(LASTS_S)
                for size in laws:
                    said = self._lagging(before, there, size, law, freely)
                    told += [(part, after + _until(said, before, s)) for s in LASTS_S]
            law = ahead**2, 2 * ahead / speed
            part = share * BRAKED / sizes / len(BRAKE_S)
            for loss in np.geomspace(*BRAKES, sizes):
                said = self._lagging(before, there, -0.5 * loss * speed, law, freely)
                told += [(part, after + _until(said, before, s)) for s in BRAKE_S]
        apart = float(np.median(np.diff(self.time_s))) if len(self.time_s) > 1 else FADE_S
        logs = np.stack([one for _, one in told])
        logs *= TEMPER * min(1.0, FADE_COUNT * apart / FADE_S)
        likely = np.array([prior for prior, _ in told]) @ np.exp(logs - logs.max())
        return np.asarray(likely / likely.sum())

    def _lagging(
        self, before: FloatArray, there: FloatArray, size: float,
        law: tuple[FloatArray, FloatArray], freely: FloatArray,
    ) -> FloatArray:  # fmt: skip
        """Logarithms for a top that lags behind `there`, or leads, before the release."""
        lag, pace = size * law[0], 1.0 - size * law[1]
        inexact = FADE_ERROR * np.maximum(1.0, before / FADE_S) ** 4  # soon worth nothing
        # a driven top has come less far than it seems; earlier it may have rested
        u = np.hypot(inexact * lag, SIDE_DOUBT * self.u_rad)
        said = self._said(pace, there + np.sign(self.speed_rad_s) * lag, u)
        return np.where(pace > 0, said, freely)

    def _said(self, pace: FloatArray, angle_rad: FloatArray, u_rad: FloatArray) -> FloatArray:
        """Logarithms of what the frames say; any of them may show something else."""
        said = self.views.log_at(pace, angle_rad, u_rad)
        return np.asarray(np.logaddexp(np.log1p(-STRAY) + said, np.log(STRAY)))


def _until(said: FloatArray, before: FloatArray, lasts_s: float) -> FloatArray:
    """Add up what the frames of a law say, as far back as it holds."""
    return np.asarray(np.where((before > 0) & (before <= lasts_s), said, 0.0).sum(1))


def _goes_on(spin: Spin, fit: PolynomialFit, first: int, clean: int) -> bool:
    """Whether what is carried back meets the first free frames: none touched the top meanwhile."""
    rows = first + np.flatnonzero(spin.visible[first:clean])[:LEAST_FIT]
    expected, u = fit.at(spin.time_s[rows])
    rougher, scatter = rougher_than_stated(spin, fit, clean)
    size = np.sqrt((u * rougher) ** 2 + spin.u_rad[rows] ** 2 + scatter**2)
    away = np.abs(spin.apart(spin.angle_rad[rows] - expected))
    return not len(rows) or bool(np.median(away / (DISAGREES_SIGMA * size + DISAGREES_RAD)) < 1)
