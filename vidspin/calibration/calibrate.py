"""What do still, mark and shutter of this recording look like?

By turns: angles from the model, the smooth spin from the angles, readout and geometry from
what is left, and the model anew from the smooth spin.  A few windows of frames spread over the
recording are enough for that; every frame is then read once with the finished model.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vidspin import markmodel
from vidspin.calibration.scan import SCAN_DOUBT_RAD, angle_per_readout, scan_readout, with_exposure
from vidspin.cyclic import TWO_PI, nearest
from vidspin.mark import learning, sighting
from vidspin.mark.rest import at_rest, liveliest
from vidspin.mark.sighting import Estimates
from vidspin.markmodel import MarkModel
from vidspin.middle import medians
from vidspin.order import shutter
from vidspin.order.resolve import Spin
from vidspin.order.shutter import PhaseAnswer
from vidspin.profiles import Profiles
from vidspin.records import BoolArray, FloatArray, IntArray, Quantity, ShutterFit
from vidspin.ring import even_angles

SAMPLE_FRAMES = 360  # for the first model; enough to see the mark at every angle
MOST_AT_REST = 0.5  # of them may show a top at rest, whose mark would be learnt as the still
LOOKED_AT = 10  # times as many that are looked at then
CALM_SHARE, OF_CALM = 0.25, 2.0  # of these; runs in which so many times as much changes do not rest
TUNE_FRAMES = 600  # for readout, geometry and exposure
TUNE_WINDOWS, TUNE_SHARE = 3, 0.5  # at least, and the share of its frames that each must show
PLAIN_TURNS = 4
LEAST_TURNING = 72  # frames that are better than all
LEAST_SHOWN = 8  # frames that show the mark, to learn it from
FORWARD_TURNS = 6
WILD = 3.0  # times the usual misfit: such a frame shows something else than mark and still
UNLIKE_MARK = 0.02  # of a readout: slanted marks left 3 %, broad ones that reach the rim more
SETTLED_RAD = 2e-4  # a turn that moves the angles by less (median) is the last
READ_FRAMES = 4096  # frames read from the store at a time
SLOWEST_RAD_S = 1e-3  # as good as at rest
SMOOTH_WITHIN_RAD = 0.03  # frames are put on the smooth spin when they lie this near
# Fastest : slowest, from which the fade of a mark of any width tells the exposure; else by so much
# its trace would have to change between the two.
LEAST_SPEED_RANGE, LEAST_CHANGE_RAD = 1.3, 0.1


@dataclass(frozen=True, slots=True)
class Frames:
    """What is known of every frame beside its profile; N frames."""

    time_s: FloatArray
    usable: BoolArray  # lit, not covered, followed


def sample(usable: BoolArray, count: int, run: int) -> IntArray:
    """Pick runs of consecutive usable frames spread over the recording."""
    good = np.flatnonzero(usable)
    if len(good) <= count:
        return good
    runs = max(1, count // run)
    starts = np.linspace(0, len(good) - run, runs).astype(int)
    return np.unique(np.concatenate([good[s : s + run] for s in starts]))


def gather(profiles: Profiles, index: IntArray) -> NDArray[np.float32]:
    """Read some frames' profiles, in runs."""
    cuts = np.flatnonzero(np.diff(index) > 1) + 1
    return np.concatenate([profiles.read(int(r[0]), int(r[-1]) + 1) for r in np.split(index, cuts)])


def first_samples(profiles: Profiles, usable: BoolArray, run: int) -> list[IntArray]:
    """Pick frames for the first model, in runs spread over the recording.

    Where most of them show nothing that turns, also such that do: a top may be at rest for most of
    the time, its mark a part of the still, or its mark may be too faint to be seen to turn.
    """
    index = sample(usable, SAMPLE_FRAMES, run)
    if not len(index) or _at_rest(profiles, index, run)[0].mean() <= MOST_AT_REST:
        return [index]
    more = sample(usable, LOOKED_AT * SAMPLE_FRAMES, run)
    rests, lively = _at_rest(profiles, more, run)
    rests &= (lively < OF_CALM * np.quantile(lively, CALM_SHARE, axis=0)).all(axis=1)
    turns = np.zeros(len(usable), bool)
    turns[more[~rests]] = True
    return [index] + ([sample(turns, SAMPLE_FRAMES, run)] if turns.sum() >= LEAST_TURNING else [])


def _at_rest(profiles: Profiles, index: IntArray, run: int) -> tuple[BoolArray, FloatArray]:
    """Say of each frame whether its run shows nothing that turns, and how much changes there."""
    parts = [index[k : k + run] for k in range(0, len(index), run)]
    angles = profiles.read(0, 1).shape[1]
    data = [np.resize(gather(profiles, part), (max(2, len(part)), angles)) for part in parts]
    rests, lively = [at_rest(one) for one in data], [liveliest(one) for one in data]
    count = [len(part) for part in parts]
    return np.repeat(rests, count), np.repeat(lively, count, axis=0)


def plain_model(
    profiles: Profiles, frames: Frames, row_fraction: FloatArray, index: IntArray, *, bright: bool
) -> MarkModel | None:
    """Learn still and mark from some frames, no speed known: the angles will be angles as seen.

    None where hardly a frame shows it (a light that pulses, say, leaves most of them dark).
    """
    data, time_s = gather(profiles, index), frames.time_s[index]
    zero = np.zeros(len(index))
    if not medians(data, 0).max() > 0:  # dark for most of the time
        return None
    model, phi, usual = learning.first_model(data, row_fraction, bright=bright)
    weight = usual.astype(float)
    for _ in range(PLAIN_TURNS):
        if np.count_nonzero(weight) < LEAST_SHOWN:
            return None
        model = learning.learn(data, phi, zero, weight, model, free=True)
        found = sighting.estimate(data, time_s, zero, model)
        phi = found.angle_rad
        # a hand that nobody flagged is ten times as strong as a mark, and would be learnt instead
        alike = found.noise <= WILD * np.median(found.noise)
        weight = ((found.amplitude > 0.3) & alike).astype(float)
    if np.count_nonzero(weight) < LEAST_SHOWN:
        return None
    if _banded(data, time_s, phi, model):
        model = replace(model, bands=True)
        for _ in range(2):
            model = learning.learn(data, phi, zero, weight, model, free=True)
            phi = sighting.estimate(data, time_s, zero, model).angle_rad
    return learning.learn(data, phi, zero, weight, model)


def _banded(
    data: NDArray[np.float32], time_s: FloatArray, phi: FloatArray, model: MarkModel
) -> bool:
    """Whether brightness bands of a flickering lamp pass over the ring.

    They do when taking them out leaves much less than taking out as many free numbers would.
    """
    zero = np.zeros(len(phi))
    without = sighting.estimate(data, time_s, zero, model, phi)
    bands = sighting.estimate(data, time_s, zero, replace(model, bands=True), phi)
    return bool(np.median(bands.noise) < 0.8 * np.median(without.noise))


def read_all(profiles: Profiles, frames: Frames, omega: FloatArray, model: MarkModel) -> Estimates:
    """Estimate every frame's angle, reading the store in pieces."""
    count = len(profiles)
    out = {name: np.empty(count) for name in Estimates.__dataclass_fields__}
    for first in range(0, count, READ_FRAMES):
        piece = slice(first, min(first + READ_FRAMES, count))
        found = sighting.estimate(
            profiles.read(piece.start, piece.stop), frames.time_s[piece], omega[piece], model
        )
        for name, column in out.items():
            column[piece] = getattr(found, name)
    return Estimates(**out)


@dataclass(frozen=True, slots=True)
class Tuned:
    """Model with its shutter and geometry, and what the last turn of fitting saw."""

    model: MarkModel
    fit: ShutterFit
    phase: PhaseAnswer
    index: IntArray  # (K,) frames that the fit looked at
    angle_rad: FloatArray  # (K,) their continuous angles under the model
    left: FloatArray  # (K,) RMS that the model leaves of each frame's profile, grey levels
    shift_rad: float  # first amplitude of the angle error across the rows, with its sign
    doubt_rad: float = 0.0  # of it, where frames do not agree about it
    trace_s: Quantity | None = None  # what the mark's trace says of the exposure, if little
    exposure_s: Quantity | None = None  # the same where it says it well
    beside_s: float = 0.0  # by which a picture's mark may be that of the picture beside it


def rows_at(model: MarkModel, seen: FloatArray) -> FloatArray:
    """Rows from the middle row at seen angles, frame heights."""
    theta = even_angles(model.angles)
    return np.interp(np.mod(seen, TWO_PI), theta, model.row_fraction, period=TWO_PI)


@dataclass(frozen=True, slots=True)
class _Sampled:
    """The frames that the fit looks at, K of them."""

    index: IntArray  # (K,)
    data: NDArray[np.float32]  # (K, N) profiles
    time_s: FloatArray  # (K,)
    omega: FloatArray  # (K,) under the order
    wide: bool  # whether the speed changes so much that the fade of the mark tells the exposure


def _sampled(
    profiles: Profiles, frames: Frames, spin: Spin, order: int, model: MarkModel
) -> _Sampled:
    index = _tuning_frames(spin)
    omega = spin.omega(order)[index]
    change = _speed_range(np.abs(omega))
    most = float(np.median(np.abs(omega))) / spin.frame_rate
    trace = markmodel.longest_smear(model, spin.marks, most)
    wide = change > LEAST_SPEED_RANGE or trace * (1.0 - 1.0 / change) > LEAST_CHANGE_RAD
    return _Sampled(index, gather(profiles, index), frames.time_s[index], omega, wide)


def _answers(
    s: _Sampled, spin: Spin, order: int, model: MarkModel, angle: FloatArray
) -> PhaseAnswer:
    """Linearise the model about continuous angles of the frames.

    `angle` holds the continuous angles found with `model` (under `order`).  The phase that comes
    back has nothing corrected, so that fits for any order start from it.
    """
    apparent = spin.apparent_rad_s[s.index]
    wrapped = np.mod(angle, TWO_PI)
    found = sighting.sensitivity(
        s.data, s.time_s, apparent, spin.order_step, order, model, wrapped, shutter.HARMONICS
    )
    current = _columns(model, order)
    own = sighting.estimate(s.data, s.time_s, s.omega, model, wrapped)
    noise = float(np.median(own.noise**2)) * model.spread  # neighbours share noise
    information = found.information / noise
    pull = found.pull / noise + information @ current
    raw = angle + found.answer @ current - TWO_PI * order / spin.marks * spin.slot[s.index]
    return PhaseAnswer(
        s.time_s, raw, own.u_rad, spin.slot[s.index], found.answer, apparent, spin.frame_rate,
        spin.marks,
        spin.tilt_rad, float(np.ptp(model.row_fraction)) / 2, information, pull,
        shutter.row_phase(model.row_fraction), prior=spin.geometry,
    )  # fmt: skip


def _columns(model: MarkModel, order: int) -> FloatArray:
    """Readout and geometry of a model as the columns of a sensitivity."""
    out = np.zeros(2 + 2 * shutter.HARMONICS)
    out[0], out[1] = model.readout_s, order * model.readout_s
    out[2 : 2 + model.geometry.size] = model.geometry.ravel()
    return out


def tune(  # noqa: PLR0913 - the recording, the model and a limit
    profiles: Profiles,
    frames: Frames,
    spin: Spin,
    order: int,
    model: MarkModel,
    *,
    longest_readout_s: float,
) -> Tuned:
    """Fit readout, geometry and exposure under one alias order.

    Parameters
    ----------
    profiles, frames, spin
        The recording.
    order : int
        Alias order of the spin speed.
    model : MarkModel
        The plain model.
    longest_readout_s : float
        The frame interval.

    Returns
    -------
    Tuned
    """
    sampled = _sampled(profiles, frames, spin, order, model)
    data, time_s, omega, index = sampled.data, sampled.time_s, sampled.omega, sampled.index
    # marks are equal: a plain model under a rolling shutter blurs some more than others, and a
    # scan from there stays in the minimum at which one of them is sharp
    equal = np.where(np.arange(len(model.shape)) % spin.marks == 0, model.shape, 0)
    model = replace(model, shape=equal)
    wide = sampled.wide
    model, doubt = scan_readout(data, time_s, omega, model, longest_readout_s, exposure_too=wide)
    size, sense = angle_per_readout(omega, model), float(np.sign(np.median(omega)))
    found = sighting.estimate(data, time_s, omega, model)
    period = TWO_PI / spin.marks
    carried = spin.angle_rad[index] + period * order * spin.slot[index]
    # the seen angle lies within a few tenths of a turn of the true one: carry it over
    angle = _carried(found.angle_rad, carried, model, omega, period)
    shift = model.readout_s * size * sense
    return _fitted(sampled, spin, order, model, angle, (shift, doubt), longest_readout_s)


def tune_again(  # noqa: PLR0913 - the recording, what is fitted already and a limit
    profiles: Profiles,
    frames: Frames,
    spin: Spin,
    order: int,
    model: MarkModel,
    tuned: Tuned,
    tuned_order: int,
    *,
    longest_readout_s: float,
) -> Tuned:
    """Fit readout, geometry and exposure under another order, from a fit under one order.

    Parameters
    ----------
    profiles, frames, spin
        The recording, as it was tuned.
    order : int
        Alias order of the spin speed.
    model : MarkModel
        The plain model.
    tuned : Tuned
        What `tune` found under `tuned_order`.
    tuned_order : int
    longest_readout_s : float
        The frame interval.

    Returns
    -------
    Tuned

    Notes
    -----
    The pictures show shifts and smears, products of readout and exposure with the speed; another
    order explains the same ones by other times.  Where a scan would end is known so.
    """
    sampled = _sampled(profiles, frames, spin, order, model)
    before = spin.omega(tuned_order)[tuned.index]
    usual = float(np.median(sampled.omega))
    ratio = float(np.median(before)) / (usual if abs(usual) > SLOWEST_RAD_S else SLOWEST_RAD_S)
    limit, model = longest_readout_s, tuned.model
    model = replace(
        model,
        readout_s=float(np.clip(model.readout_s * ratio, -limit, limit)),
        exposure_s=min(model.exposure_s * abs(ratio), limit),
    )
    turns = TWO_PI * (order - tuned_order) / spin.marks * spin.slot[tuned.index]
    angle = _found(sampled.data, sampled.time_s, sampled.omega, model, tuned.angle_rad + turns)
    shift = tuned.shift_rad, tuned.doubt_rad
    return _fitted(sampled, spin, order, model, angle, shift, limit)


def _fitted(  # noqa: PLR0913 - the frames and where to begin
    s: _Sampled,
    spin: Spin,
    order: int,
    model: MarkModel,
    angle: FloatArray,
    shift: tuple[float, float],
    longest_readout_s: float,
) -> Tuned:
    """Take turns: readout and geometry from the angles, the model, the angles anew.

    `shift` is the amplitude of the angle error that a scan found, rad, and its doubt beyond that of
    any scan.  A fit knows its own minimum only: the doubt which of them is right comes on top.
    """
    (shift_rad, doubt_rad), ones = shift, np.ones(len(s.index))
    expected = shift_rad, float(np.hypot(SCAN_DOUBT_RAD, doubt_rad))
    cuts = shutter.windows(
        spin.slot[s.index], spin.frame_rate, spin.wrapped_rad_s[s.index],
        np.isfinite(spin.angle_rad[s.index]),
    )  # fmt: skip
    for turn in range(FORWARD_TURNS):
        phase = _answers(s, spin, order, model, angle)
        fit = shutter.fit_order(
            phase, order, longest_readout_s=longest_readout_s, expected=expected
        )
        model = _with_fit(model, fit, longest_readout_s)
        # angles under the new readout and geometry, then the smooth spin through them
        before = angle
        angle = _smoothed(
            s.time_s, phase.angle_of(order) - phase.answer @ _columns(model, order), cuts
        )
        if s.wide:
            model = with_exposure(s.data, angle, s.omega, model, longest_readout_s)
        model = learning.learn(s.data, angle, s.omega, ones, model, free=True)
        angle = _found(s.data, s.time_s, s.omega, model, angle)
        moved = angle - before
        if turn > 1 and np.median(np.abs(moved - np.median(moved))) < SETTLED_RAD:
            break
    # readout and exposure are known: what noise made goes, and the angles are found once more
    angle = _smoothed(s.time_s, angle, cuts)
    model = learning.learn(s.data, angle, s.omega, ones, model)
    angle = _found(s.data, s.time_s, s.omega, model, angle)
    phase = _answers(s, spin, order, model, angle)
    fit = shutter.fit_order(phase, order, longest_readout_s=longest_readout_s, expected=expected)
    left = learning.residual(s.data, np.mod(angle, TWO_PI), s.omega, model)
    unsure_s = np.hypot(doubt_rad / angle_per_readout(s.omega, model), UNLIKE_MARK * fit.readout_s)
    fit = replace(fit, u_readout_s=float(np.hypot(fit.u_readout_s, unsure_s)))
    return Tuned(model, fit, phase, s.index, angle, left, shift_rad, doubt_rad)


def left_against(rival: Tuned, best: Tuned) -> float:
    """RMS that a fit leaves of the frames' profiles, as a multiple of what another one leaves.

    Of the usual frame, or of all frames together but for those that both fail to explain: the
    larger.  The usual frame alone misleads: the shift grows with the speed, and a wrong order may
    fit the more frames in the middle of a recording the better, and those at its ends, which tell
    orders apart, the worse.  All together mislead where a few frames outweigh the rest.
    """
    least = np.minimum(rival.left, best.left)
    alike = least <= WILD * np.median(least)
    usual = np.median(rival.left) / np.median(best.left)
    whole = np.sqrt(np.mean(rival.left[alike] ** 2) / np.mean(best.left[alike] ** 2))
    return float(max(usual, whole))


def _smoothed(time_s: FloatArray, angle: FloatArray, cuts: list[IntArray]) -> FloatArray:
    """Put the frames on the smooth spin that lie near it."""
    smooth = _smooth(time_s, angle, cuts)
    return np.where(np.abs(smooth - angle) < SMOOTH_WITHIN_RAD, smooth, angle)


def _found(
    data: NDArray[np.float32],
    time_s: FloatArray,
    omega: FloatArray,
    model: MarkModel,
    angle: FloatArray,
) -> FloatArray:
    """Find angles anew near those that are known, whole turns kept."""
    found = sighting.estimate(data, time_s, omega, model, np.mod(angle, TWO_PI))
    return nearest(found.angle_rad, angle)


def _carried(
    phi: FloatArray, seen: FloatArray, model: MarkModel, omega: FloatArray, period: float
) -> FloatArray:
    """Put true angles on the turn that their continuous seen angles say."""
    expected = seen - omega * model.readout_s * rows_at(model, seen)
    return nearest(phi, expected, period)


def _with_fit(model: MarkModel, fit: ShutterFit, longest_readout_s: float) -> MarkModel:
    readout = float(np.clip(fit.readout_s, -longest_readout_s, longest_readout_s))
    return replace(model, readout_s=readout, geometry=fit.geometry)


def _tuning_frames(spin: Spin) -> IntArray:
    """Whole windows, spread over the free spin; all of its frames where there is none."""
    known = np.isfinite(spin.angle_rad)
    cuts = [cut[known[cut]] for cut in spin.windows if known[cut].mean() >= TUNE_SHARE]
    if not cuts:
        return np.flatnonzero(known)[:TUNE_FRAMES]
    keep = max(TUNE_WINDOWS, int(TUNE_FRAMES // np.median([len(cut) for cut in cuts])))
    return np.concatenate(
        [cuts[int(k)] for k in np.unique(np.linspace(0, len(cuts) - 1, keep).astype(int))]
    )


def _smooth(time_s: FloatArray, angle: FloatArray, cuts: list[IntArray]) -> FloatArray:
    """Quadratic in time through each window; NaN where a window holds too little."""
    out = np.full(len(angle), np.nan)
    for rows in cuts:
        rows = rows[np.isfinite(angle[rows])]
        if len(rows) < 8:
            continue
        powers = shutter.time_powers(time_s[rows])
        y = angle[rows] - angle[rows].mean()
        use = np.ones(len(rows), bool)
        for _ in range(3):
            fit = np.linalg.lstsq(powers[use], y[use], rcond=None)[0]
            left = np.abs(y - powers @ fit)
            use = left < 4 * 1.4826 * np.median(left) + 1e-6
        out[rows] = powers @ fit + angle[rows].mean()
    return out


def _speed_range(speed: FloatArray) -> float:
    low, high = np.percentile(speed, (5, 95))
    return float(high / max(low, 1e-6))
