"""Which alias order do mark angles speak for?  The steps between a track and a verdict.

The phase is followed (`apparent`), readout and geometry are fitted under every order that the
bounds allow (`shutter`), and the cues are weighed (`alias`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d

from vidspin.camera import CameraEvidence
from vidspin.cyclic import TWO_PI
from vidspin.order import alias, shutter
from vidspin.order.apparent import NEAR_RAD, Track, slots, usable
from vidspin.order.geometry import GeometryPrior
from vidspin.order.shutter import PhaseAnswer
from vidspin.records import AliasVerdict, BoolArray, FloatArray, IntArray, ShutterFit
from vidspin.regression import local_rates
from vidspin.units import rpm_from_rad_s

SLOPE_WINDOW_S = 4.0  # long enough that the slope stands out, short against the spin-down
MOST_WINDOWS = 400
CROWD_S = 0.5
MOST_FAR = 0.3  # share of the sightings around, above which none of them is taken
RATE_WINDOW_S = 3.0  # of the smooth apparent speed; a free top's jerk bends nothing in it
RATE_SEEN = 0.4  # share of the window's frames that it needs
END_WINDOWS = 3  # over which the slope at an end is taken
RATE_CLEAR = 0.85  # of the usual coherence; a hand in the window takes more
STRAY_BIN_S = 1.0
# What shutter and geometry may shift a mark by.  Near a stand-still speed this passes slowly
# and looks like a change of speed.
SLOW_ERROR_RAD = 0.5


@dataclass(frozen=True, slots=True)
class Spin:
    """What is known of the spin before the model is tuned; N frames."""

    angle_rad: FloatArray  # continuous angle as seen (order 0), NaN where unused
    apparent_rad_s: FloatArray  # smooth apparent speed (order 0)
    slot: IntArray  # nominal frame intervals
    frame_rate: float
    marks: int
    tilt_rad: float
    stray_share: float = 0.0  # of the sightings, usually, that are far from the smooth track
    geometry: GeometryPrior | None = None  # as expected beforehand; None: as usual
    # (N,) nominal frame intervals with their parts, where what is followed goes on at another pace
    passed: FloatArray | None = None

    @property
    def order_step(self) -> float:
        """Speed between two alias orders, rad/s."""
        return TWO_PI * self.frame_rate / self.marks

    @property
    def wrapped_rad_s(self) -> FloatArray:
        """How fast the mark seems to pass from frame to frame, rad/s of the mark angle."""
        step = self.order_step
        return np.asarray(self.apparent_rad_s - step * np.rint(self.apparent_rad_s / step))

    @property
    def windows(self) -> list[IntArray]:
        """Frames of each window that a fit of the shutter looks at."""
        seen = np.isfinite(self.angle_rad)
        return shutter.windows(self.slot, self.frame_rate, self.wrapped_rad_s, seen)

    @property
    def window_frames(self) -> IntArray:
        """Frames of all of them."""
        return np.concatenate([np.zeros(0, np.int64), *self.windows])

    def omega(self, order: int) -> FloatArray:
        """Signed spin speed under an alias order, rad/s."""
        return self.apparent_rad_s + order * self.order_step


def spin_of(
    track: Track, time_s: FloatArray, *, frame_rate: float, marks: int, tilt_rad: float
) -> Spin:
    """Take what a track says of the spin, frame by frame.

    Parameters
    ----------
    track : Track
    time_s : (N,) array
        Frame times, s.
    frame_rate : float
        Nominal frames a second.
    marks : int
    tilt_rad : float
        Tilt of the ring's major axis.

    Returns
    -------
    Spin
    """
    near = _trusted(track, usable(track, NEAR_RAD), frame_rate)
    return Spin(
        angle_rad=np.where(near, track.phase_rad, np.nan) / marks,
        apparent_rad_s=_smooth_rate(track, near, time_s, frame_rate) / marks,
        slot=slots(time_s, frame_rate),
        frame_rate=frame_rate,
        marks=marks,
        tilt_rad=tilt_rad,
        stray_share=_stray_share(track, time_s),
    )


def _trusted(track: Track, near: BoolArray, frame_rate: float) -> BoolArray:
    """Sightings near the track, without those among many that are far: near by chance."""
    seen = np.isfinite(track.phase_rad).astype(float)
    size = max(3, round(CROWD_S * frame_rate))
    far, all_seen = (uniform_filter1d(x, size, mode="constant") for x in (seen * ~near, seen))
    return np.asarray(near & (far <= MOST_FAR * all_seen))


def _smooth_rate(
    track: Track, near: BoolArray, time_s: FloatArray, frame_rate: float
) -> FloatArray:
    """Apparent rate of the mark phase at every frame, rad/s, by local quadratics.

    The lines of the windows give it too, but a line whose window is half unseen is rough, and
    what is rough here would pass for a change of speed later on.
    """
    local = local_rates(
        time_s, track.phase_rad, near.astype(float),
        centres_s=track.window_s, windows_s=np.full(len(track.window_s), RATE_WINDOW_S),
    )  # fmt: skip
    good = (local.count > RATE_SEEN * RATE_WINDOW_S * frame_rate) & np.isfinite(local.rate_rad_s)
    good &= track.coherence > RATE_CLEAR * np.median(track.coherence)
    at, rate = track.window_s, TWO_PI * frame_rate * track.cycles_per_slot
    if good.sum() > END_WINDOWS:
        at, rate = at[good], local.rate_rad_s[good]
    # straight on beyond the windows at both ends
    ends = np.array([time_s[track.first], time_s[track.last]])
    far = min(END_WINDOWS, len(at) - 1)
    slope = np.array([rate[far] - rate[0], rate[-1] - rate[-1 - far]]) / (at[far] - at[0])
    beyond = rate[[0, -1]] + slope * (ends - at[[0, -1]])
    nodes = np.concatenate([ends[:1], at, ends[1:]])
    return np.asarray(np.interp(time_s, nodes, np.concatenate([beyond[:1], rate, beyond[1:]])))


def _stray_share(track: Track, time_s: FloatArray) -> float:
    """Median over the track of the share of sightings that are far from it, second by second."""
    seen = np.flatnonzero(np.isfinite(track.phase_rad))
    if not len(seen):
        return 1.0
    second = ((time_s[seen] - time_s[seen[0]]) / STRAY_BIN_S).astype(int)
    count = np.bincount(second)
    far = np.bincount(second, weights=~usable(track, NEAR_RAD)[seen])
    return float(np.median(far[count > 0] / count[count > 0]))


def narrow_answer(
    spin: Spin,
    time_s: FloatArray,
    u_rad: FloatArray,
    row_fraction: FloatArray,
    at: IntArray | None = None,
) -> PhaseAnswer:
    """Answer of the angles to readout and geometry for one narrow mark.

    Parameters
    ----------
    spin : Spin
        With angles as seen.
    time_s, u_rad : (N,) arrays
    row_fraction : (K,) array
        Rows from the frame's middle row at K even angles of the ring, frame heights.
    at : (K,) array, optional
        Frames whose answer is wanted, rising; all by default.

    Returns
    -------
    PhaseAnswer
    """
    part = spin if at is None else replace(
        spin, angle_rad=spin.angle_rad[at], apparent_rad_s=spin.apparent_rad_s[at],
        slot=spin.slot[at],
    )  # fmt: skip
    return PhaseAnswer(
        time_s, spin.angle_rad, u_rad, spin.slot, narrow_columns(part, row_fraction),
        spin.apparent_rad_s, spin.frame_rate, spin.marks, spin.tilt_rad,
        float(np.ptp(row_fraction)) / 2, at=at, prior=spin.geometry,
    )  # fmt: skip


def narrow_columns(spin: Spin, row_fraction: FloatArray) -> FloatArray:
    """Columns of `narrow_answer`, (N, 2 + 2H).

    For several marks they vanish on the mean over the marks, as they should.
    """
    seen = np.nan_to_num(spin.angle_rad)
    columns = np.zeros((len(seen), 2 + 2 * shutter.HARMONICS))
    grid = np.arange(len(row_fraction)) * (TWO_PI / len(row_fraction))
    # rows that all mark angles share only move the instant, which no angle can tell
    uneven = row_fraction - row_fraction.mean()
    for j in range(spin.marks):
        at = seen + TWO_PI * j / spin.marks
        rows = np.interp(np.mod(at, TWO_PI), grid, uneven, period=TWO_PI)
        columns[:, 0] += rows * spin.apparent_rad_s
        columns[:, 1] += rows * spin.order_step
        for h in range(1, shutter.HARMONICS + 1):
            columns[:, 2 * h] += np.cos(h * at)
            columns[:, 2 * h + 1] += np.sin(h * at)
    columns /= spin.marks
    return columns


def fits_of_orders(phase: PhaseAnswer, bounds_rpm: tuple[float, float]) -> dict[int, ShutterFit]:
    """Fit readout and geometry under every order that the bounds allow."""
    step, high = phase.order_step, bounds_rpm[1]
    # every order that may be asked for, also later in the spin-down than the bounds are meant
    wide = (0.0, high + float(rpm_from_rad_s(step)))
    first = float(phase.apparent_rad_s[0])
    orders = alias.candidate_orders(first, phase.frame_rate, phase.marks, wide)
    timing, limit = shutter.timing_of(phase), 1.0 / phase.frame_rate
    phase = replace(phase, prior=phase.expected.blunted())
    return {n: shutter.fit_order(phase, n, longest_readout_s=limit, timing=timing) for n in orders}


def verdict(  # noqa: PLR0913 - where, what was fitted, and what is known besides
    spin: Spin,
    time_s: FloatArray,
    u_rad: FloatArray,
    fits: Mapping[int, ShutterFit],
    *,
    first: int,
    last: int,
    topple_seen: bool,
    bounds_rpm: tuple[float, float] | None,
    odds_needed: float,
    smear: Mapping[int, tuple[float, float]] | None = None,
    free_from_s: float = np.inf,
    camera: CameraEvidence | str = alias.NO_PROFILE,
    sound: Mapping[int, float] | str = "the recording was not heard",
    sound_words: Mapping[int, str] | None = None,
    shutter_silent: str = "",
    paces: Mapping[int, int] | None = None,
) -> AliasVerdict:
    """Weigh the cues over the free spin, frames `first` to `last`.

    Parameters
    ----------
    spin : Spin
    time_s, u_rad : (N,) arrays
    fits : mapping of int to ShutterFit
        From `fits_of_orders`.
    first, last : int
        Frames of the free spin within the track.
    topple_seen : bool
        Whether the top topples where the track ends: frame `last` shows about its last speed.
    bounds_rpm : (float, float) or None
        As the user states them; None takes the default.
    odds_needed : float
        Best order against all others together.
    smear : mapping of int to (float, float), optional
        Exposure and log-likelihood by order.
    free_from_s : float, optional
        When the free spin began, where that was before frame `first`: the instant that the
        bounds are meant for.
    camera : CameraEvidence or str
        What a camera profile knows, or why it has no vote.
    sound : mapping of int to float, or str
        Log-likelihood by order from the sound, or why it tells nothing.
    sound_words : mapping of int to str, optional
        What speaks for an order there.
    shutter_silent : str
        Why the rolling shutter has no vote; empty: it has.
    paces : mapping of int to int, optional
        In how many windows at another pace of the frames the phase goes on under an order.

    Returns
    -------
    AliasVerdict
    """
    inside = slice(first, last + 1)
    t, angle = time_s[inside], spin.angle_rad[inside]
    window = min(SLOPE_WINDOW_S, max(0.5, float(t[-1] - t[0]) / 3))
    count = int(np.clip((t[-1] - t[0]) / window * 2, 3, MOST_WINDOWS))
    centres = np.linspace(t[0] + window / 2, t[-1] - window / 2, count)
    at = np.concatenate([[t[0]], centres, [t[-1]]])
    apparent = np.interp(at, t, spin.apparent_rad_s[inside])
    slope, u = _slopes(t, angle, u_rad[inside], centres, window)
    wrapped = np.interp(centres, t, spin.wrapped_rad_s[inside]) * spin.marks
    u = np.hypot(u, SLOW_ERROR_RAD * _passing_for_slope(np.abs(wrapped), window))
    evidence = alias.Evidence(
        time_s=at,
        apparent_rad_s=apparent,
        slope_rad_s2=np.concatenate([[np.nan], slope, [np.nan]]),
        u_slope_rad_s2=np.concatenate([[np.nan], u, [np.nan]]),
        frame_rate=spin.frame_rate,
        marks=spin.marks,
        topple_seen=topple_seen,
        fits=fits,
        smear=smear or {},
        stray_share=spin.stray_share,
        late_s=max(0.0, float(t[0]) - free_from_s),
        camera=camera,
        sound=sound,
        sound_words=sound_words or {},
        shutter_silent=shutter_silent,
        paces=paces,
    )
    return alias.decide(evidence, bounds_rpm, odds_needed=odds_needed)


def _slopes(
    t: FloatArray, angle: FloatArray, u_rad: FloatArray, centres: FloatArray, window: float
) -> tuple[FloatArray, FloatArray]:
    """Rate of change of the apparent speed by local quadratics, and its random uncertainty.

    NaN where a window holds an unseen stretch over which the count of turns may have slipped.
    """
    weight = np.where(np.isfinite(angle), 1.0, 0.0)
    lengths = np.full(len(centres), window)
    rates = local_rates(t, np.nan_to_num(angle), weight, centres_s=centres, windows_s=lengths)
    dof = np.maximum(rates.count - 3, 1)
    sigma = np.sqrt(rates.chi2 / dof)  # what is left holds geometry and shutter as well
    sigma = np.maximum(sigma, float(np.nanmedian(u_rad)))
    seen = t[weight > 0]
    low = np.searchsorted(seen, centres - window / 2)
    high = np.searchsorted(seen, centres + window / 2)
    gap = np.array(
        [np.max(np.diff(seen[i:j]), initial=0.0) for i, j in zip(low, high, strict=True)]
    )
    whole = gap < min(shutter.LONGEST_GAP_S, window / 2)
    return np.where(whole, rates.slope_rad_s2, np.nan), rates.slope_factor * sigma


def _passing_for_slope(rate: FloatArray, window: float) -> FloatArray:
    """Slope that a sine of 1 rad passing at `rate` adds to a quadratic over `window`, 1/s**2.

    At most: ``60 |j2(x)| / window**2`` with ``x = rate * window / 2`` and the spherical Bessel
    function j2, which is ``rate**2`` for a slow sine and falls as 1/x for a fast one.
    """
    fast = 120.0 / (np.maximum(rate, 1e-9) * window**3)
    return np.asarray(np.minimum(rate**2, fast))
