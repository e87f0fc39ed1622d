"""What did readout and perspective do to the angle, and what would each alias order need?

A mark seen at angle E in a rolling-shutter frame was read ``readout * s(E)`` seconds after the
middle row, s(E) being the rows between in frame heights.  With omega the spin speed and g what
perspective and a misplaced ellipse do, the mark's angle at the middle row's time is::

    M = E - omega * readout * s(E) - g(E)

On a disc this is Kepler's equation.  Written from the seen angle E it is linear in the readout
and in the harmonics of g, while M(t) is smooth: in short windows a quadratic in time stands for
it and is projected out.  One linear least-squares fit over the recording remains.  The speed
enters only as the factor of the readout, so each alias order has its own fit.

References
----------
The rolling-shutter time of a row is standard (Ringaby & Forssen, IJCV 96 (2012) 335-352; from
memory).  Kepler's form and its harmonics 2 J_n(n a)/n: own derivation, tested numerically.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import log_ndtr

from vidspin.order.geometry import GeometryPrior, usual_prior
from vidspin.records import BoolArray, FloatArray, IntArray, ShutterFit

WINDOW_S = 1.2  # long against a turn, short against the curvature of the spin-down
LONGEST_WINDOW_S = 9.0
WINDOW_TURNS_S = 1.0 / (2.0 * np.pi * 2.0)  # a window holds at least two apparent turns
MIN_FRAMES = 24
MAX_FRAMES_USED = 24000
HARMONICS = 10  # of the geometry
NOISE_FLOOR_RAD = 0.001
# Amplitude that the first harmonic may change by over the recording for its own reasons.
DRIFT_PRIOR_RAD = 0.01
FIT_PASSES = 3
OUTLIER = 5.0  # robust standard deviations
FASTEST_RAD_S = 2 * np.pi * 100.0  # no finger starts a top faster
LONGEST_GAP_S = 1.0  # over a longer unseen stretch the count of turns may have slipped
LEAST_EIGENVALUE = 1e-10  # of the largest; below it rounding rules
LEAST_USED = 8  # sightings from which a window is worth fitting
# Turns (from one mark to the next) through which the mark must pass within a window.  What a
# cubic in time leaves of a sine that passes 1.5 times is a fifth of its variance, at 1.0 a
# hundredth: there the columns hold little but the noise of the angles they are taken at, which
# is the noise of the angles to be explained, and anything would seem to fit.
LEAST_PASSED = 1.5
EVEN_S = 1e-6  # frame times that differ less from even ones are even
# How true to life the columns are taken to be, whatever the noise: angles and shapes of marks.
TIME_DOUBT_RAD = 0.002
SHAPE_DOUBT_RAD = 0.02
ANGLE_DOUBT_RAD = 0.0002  # at speeds that were seen, of the shift by the readout; `ripple` tells it
SPLIT_DOUBT_RAD = 1.0


@dataclass(frozen=True, slots=True)
class PhaseAnswer:
    """Continuous angle of the mark with its answer to readout and geometry; N frames.

    The columns of `answer` are those of `sighting.Sensitivity`: readout at the apparent speed,
    readout at one alias order, cosine and sine of each harmonic.
    """

    time_s: FloatArray
    angle_rad: FloatArray  # (N,) with nothing corrected, continuous (order 0), NaN where unused
    u_rad: FloatArray  # (N,) standard uncertainty of each angle from its own frame
    slot: IntArray  # (N,) nominal frame intervals passed
    answer: FloatArray  # (N, 2 + 2H), or (K, 2 + 2H) of some frames only
    apparent_rad_s: FloatArray  # (N,) smooth apparent speed of the mark angle (order 0)
    frame_rate: float
    marks: int
    tilt_rad: float  # of the ring's major axis
    half_rows: float  # half the ring's extent across the rows, frame heights
    information: FloatArray | None = None  # (2 + 2H, 2 + 2H) of the shapes, noise-weighted
    pull: FloatArray | None = None  # (2 + 2H,)
    row_phase_rad: float = np.pi / 2  # mark angle at which the rows lie farthest down
    at: IntArray | None = None  # (K,) frames that the rows of `answer` belong to; None: all
    prior: GeometryPrior | None = None  # what is known of the geometry beforehand; None: the usual

    @property
    def harmonics(self) -> int:
        """Number of harmonics of the geometry."""
        return int(self.answer.shape[1] - 2) // 2

    @property
    def expected(self) -> GeometryPrior:
        """What is known of the geometry beforehand."""
        return self.prior or usual_prior(self.harmonics)

    @property
    def order_step(self) -> float:
        """Speed between two alias orders, rad/s."""
        return 2 * np.pi * self.frame_rate / self.marks

    def omega(self, order: int) -> FloatArray:
        """Signed spin speed under an alias order, rad/s."""
        return self.apparent_rad_s + order * self.order_step

    @property
    def wrapped_rad_s(self) -> FloatArray:
        """How fast the mark seems to pass from frame to frame, rad/s of the mark angle."""
        step = self.order_step
        return np.asarray(self.apparent_rad_s - step * np.rint(self.apparent_rad_s / step))

    def angle_of(self, order: int) -> FloatArray:
        """Continuous angle under an alias order, nothing corrected."""
        return self.angle_rad + 2 * np.pi * order / self.marks * self.slot


def windows(
    slot: IntArray, frame_rate: float, apparent_rad_s: FloatArray, seen: BoolArray
) -> list[IntArray]:
    """Cut frames into windows in which the mark is seen at many angles.

    Near a stand-still speed the mark passes slowly, and a window as short as elsewhere could
    not tell a smooth spin from an angle error; there the windows are longer.  Windows in which it
    is not seen are left out, and of a long spin some are taken.
    """
    parts: list[IntArray] = []
    start = 0
    while start < len(slot):
        passing = abs(float(apparent_rad_s[start])) * WINDOW_TURNS_S
        length = float(np.clip(1.0 / max(passing, 1e-6), WINDOW_S, LONGEST_WINDOW_S))
        size = max(MIN_FRAMES, round(length * frame_rate))
        stop = int(np.searchsorted(slot, slot[start] + size))
        if stop - start >= size // 3 and seen[start:stop].any():
            parts.append(np.arange(start, min(stop, len(slot))))
        start = max(stop, start + 1)
    every = max(1, int(np.ceil(sum(map(len, parts)) / MAX_FRAMES_USED)))
    return parts[::every]


def time_powers(time_s: FloatArray) -> FloatArray:
    """Orthonormal polynomials of time, (n, degree + 1): quadratics, cubics where it is long."""
    length = float(np.ptp(time_s))
    x = (time_s - time_s.mean()) / max(length, 1e-9)
    degree = 2 if length < 2 * WINDOW_S else 3
    q, _ = np.linalg.qr(np.stack([x**k for k in range(degree + 1)], 1))
    return np.asarray(q)


def fit_order(
    phase: PhaseAnswer,
    order: int,
    *,
    longest_readout_s: float,
    expected: tuple[float, float] | None = None,
    timing: Timing | None = None,
) -> ShutterFit:
    """Fit readout and geometry under one alias order.

    Parameters
    ----------
    phase : PhaseAnswer
    order : int
        Whole turns a frame interval (times marks) added to the apparent speed.
    longest_readout_s : float
        The frame interval: no readout is longer.
    expected : (float, float), optional
        Amplitude of the first harmonic, shutter and geometry together, across the rows, and its
        standard uncertainty from another source, rad.
    timing : Timing, optional
        What `timing_of` says of the same phase; it holds for every order.

    Returns
    -------
    ShutterFit
        With ``log_evidence`` comparable between orders of the same phase.
    """
    turn = along_axes(phase.harmonics, phase.tilt_rad)
    merge = np.zeros((2 + 2 * phase.harmonics, 1 + 2 * phase.harmonics))
    merge[0, 0], merge[1, 0] = 1.0, order
    merge[2:, 1:] = turn
    timing = timing or timing_of(phase)
    raw = merge.T @ timing.a @ merge / timing.scale, merge.T @ timing.b / timing.scale
    signed = float(np.nanmedian(phase.omega(order))) * phase.half_rows
    signed = signed if abs(signed) > 1e-9 else 1e-9  # shift across the rows, rad for 1 s of readout
    size = max(float(np.sqrt(np.nanmean(phase.omega(order) ** 2))) * phase.half_rows, 1e-9)
    columns = np.append(1.0 / size, np.ones(2 * phase.harmonics))
    blunt_a, blunt_b, free = _blunted(timing, phase)
    a, b = merge.T @ blunt_a @ merge, merge.T @ blunt_b
    shape_a = np.zeros_like(a)
    if phase.information is not None and phase.pull is not None:
        # shapes see the sum of shutter and first harmonic; how it splits is not theirs to say
        split = np.zeros(len(columns))
        at = phase.row_phase_rad - phase.tilt_rad
        split[:3] = 1.0 / signed, -np.cos(at), -np.sin(at)
        shape = _doubted(
            merge.T @ phase.information @ merge, merge.T @ phase.pull,
            np.diag((SHAPE_DOUBT_RAD * columns) ** 2) + SPLIT_DOUBT_RAD**2 * np.outer(split, split),
        )  # fmt: skip
        a, b = a + shape[0], b + shape[1]
        shape_a = shape[0]
    seen_a, seen_b = a, b  # what the recording says, no prior
    if expected is not None:
        whole = np.zeros(len(columns))
        at = phase.row_phase_rad - phase.tilt_rad
        whole[:3] = signed, np.cos(at), np.sin(at)
        a = a + np.outer(whole, whole) / expected[1] ** 2
        b = b + whole * expected[0] / expected[1] ** 2
    prior = phase.expected
    precision = 1.0 / np.append(longest_readout_s, prior.u_rad) ** 2
    before = np.append(0.0, prior.value_rad)
    inverse = np.linalg.inv(a + np.diag(precision))
    best = inverse @ (b + precision * before)
    u = float(np.sqrt(inverse[0, 0]))
    evidence = -0.5 * (free - float(best @ (2 * seen_b - seen_a @ best)))
    evidence -= 0.5 * float(((best - before) ** 2 * precision).sum())
    evidence += _log_inside(float(best[0]), u, longest_readout_s)
    if abs(best[0]) > longest_readout_s:  # hold it at the limit and let the geometry follow
        pinned = precision.copy()  # what is known stays as doubtful as it was
        pinned[0] = 1e6 / longest_readout_s**2
        held = np.append(np.copysign(longest_readout_s, best[0]), prior.value_rad)
        best = np.linalg.solve(a + np.diag(pinned), b + pinned * held)
    geometry = turn @ best[1:]
    return ShutterFit(
        readout_s=float(best[0]),
        u_readout_s=u,
        geometry=geometry.reshape(-1, 2),
        u_geometry=np.sqrt(np.diag(turn @ inverse[1:, 1:] @ turn.T)).reshape(-1, 2),
        covariance=_angle_covariance(*raw, shape_a, columns, precision),
        residual_rad=float(np.sqrt(timing.variance)),
        log_evidence=evidence,
        frames=timing.count,
    )


def _angle_covariance(
    a: FloatArray, b: FloatArray, shape: FloatArray, columns: FloatArray, precision: FloatArray
) -> FloatArray:
    """Covariance of readout and geometry for the speed's budget.

    Noise, shapes, priors, and what small faults of the readout's column leave at speeds that were
    seen; what those of the harmonics leave is told place by place (`ripple`).  The doubt that
    guards the alias order would be far too wide here.
    """
    doubt = np.zeros(len(columns))
    doubt[0] = (ANGLE_DOUBT_RAD * columns[0]) ** 2
    finer, _ = _doubted(a, b, np.diag(doubt))
    return np.asarray(np.linalg.inv(finer + shape + np.diag(precision)), np.float64)


def _blunted(timing: Timing, phase: PhaseAnswer) -> tuple[FloatArray, FloatArray, float]:
    """Blunt the timing by what its columns are not true to; any order.

    The last number is by how much the chi-square falls when everything is free.  It is the same
    for every order, and so are the doubts: only so can orders be compared.
    """
    apparent = float(np.sqrt(np.nanmean(phase.apparent_rad_s**2)))
    shift = np.array([max(apparent, 1e-3), phase.order_step]) * phase.half_rows
    unit = np.append(1.0 / np.maximum(shift, 1e-9), np.ones(2 * phase.harmonics))
    a, b = timing.a / timing.scale, timing.b / timing.scale
    a, b = _doubted(a, b, np.diag((TIME_DOUBT_RAD * unit) ** 2))
    values, vectors = np.linalg.eigh(a * np.outer(unit, unit))
    along = vectors.T @ (b * unit)
    told = values > LEAST_EIGENVALUE * max(float(values[-1]), 1e-300)
    return a, b, float((along[told] ** 2 / values[told]).sum())


def _log_inside(value: float, u: float, limit: float) -> float:
    """Log of the probability that a normal variable lies within ``-limit ... limit``."""
    upper = log_ndtr((limit - abs(value)) / u)  # the nearer limit
    lower = log_ndtr((-limit - abs(value)) / u)
    return float(upper + np.log1p(-min(np.exp(lower - upper), 1.0 - 1e-12)))


def row_phase(row_fraction: FloatArray) -> float:
    """Mark angle at which the rows of a ring lie farthest down, rad."""
    grid = np.arange(len(row_fraction)) * (2 * np.pi / len(row_fraction))
    return float(np.angle((row_fraction * np.exp(1j * grid)).sum()))


def merged(answer: FloatArray, order: int, tilt_rad: float) -> FloatArray:
    """Answer of the angles to readout and geometry under one order: (N, 1 + 2H).

    The columns are those of `ShutterFit.covariance`.
    """
    turn = along_axes((answer.shape[1] - 2) // 2, tilt_rad)
    readout = answer[:, 0] + order * answer[:, 1]
    return np.column_stack([readout, answer[:, 2:] @ turn])


def _doubted(a: FloatArray, b: FloatArray, doubt: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Blunt normal equations whose solution is only true to a covariance `doubt`.

    Equals adding `doubt` to the covariance that `a` stands for, also where `a` has no inverse.
    """
    damped = np.linalg.inv(np.eye(len(a)) + a @ doubt)
    return damped @ a, damped @ b


def along_axes(harmonics: int, tilt_rad: float) -> FloatArray:
    """Matrix from harmonics along the ellipse's axes to harmonics of the mark angle."""
    out = np.zeros((2 * harmonics, 2 * harmonics))
    for h in range(1, harmonics + 1):
        c, s = np.cos(h * tilt_rad), np.sin(h * tilt_rad)
        out[2 * h - 2 : 2 * h, 2 * h - 2 : 2 * h] = [[c, -s], [s, c]]
    return out


@dataclass(frozen=True, slots=True)
class Timing:
    """Normal equations of the timing, with the smooth spin projected out; any order."""

    a: FloatArray  # (2 + 2H, 2 + 2H)
    b: FloatArray  # (2 + 2H,)
    variance: float  # of a sighting of usual weight, rad**2
    spread: float  # how much more a mean over neighbours varies than for independent frames
    count: int

    @property
    def scale(self) -> float:
        """Variance by which the equations are to be divided."""
        return self.variance * self.spread


def timing_of(phase: PhaseAnswer) -> Timing:
    """Sum the normal equations over windows; sightings far from the fit are left out.

    Both columns of the readout are free here, within a frame interval and the fastest spin, so
    that the scatter and the sightings left out are the same whichever order is asked for
    afterwards.
    """
    seen = np.isfinite(phase.angle_rad)
    cuts = windows(phase.slot, phase.frame_rate, phase.wrapped_rad_s, seen)
    design = _Design(np.hstack([phase.answer, _drifting(phase)]), phase.at)
    root = np.sqrt(_weights(phase.u_rad))
    root[~np.isfinite(phase.angle_rad)] = 0.0
    longest = 1.0 / phase.frame_rate
    readouts = [longest, longest * FASTEST_RAD_S / phase.order_step]
    known = np.concatenate([readouts, usual_prior(phase.harmonics).u_rad, [DRIFT_PRIOR_RAD] * 2])
    prior = 1.0 / known**2
    usual = 0.03  # rad; the first pass knows no better
    solution: FloatArray = np.zeros(design.columns.shape[1])
    for _ in range(FIT_PASSES):
        rows = _projected(phase, design, root, cuts)
        a, b, count = np.zeros((len(solution),) * 2), np.zeros(len(solution)), 0
        for y, d, _ in rows:
            a += d.T @ d
            b += d.T @ y
            count += len(y)
        tiny = np.diag(1e-9 * np.diag(a) + 1e-12)  # the readout's columns may vanish
        solution = np.asarray(np.linalg.solve(a + np.diag(prior) * usual**2 + tiny, b))
        left = [y - d @ solution for y, d, _ in rows]
        every = np.concatenate([np.zeros(0), *left])
        if not len(every):
            break
        usual = max(1.4826 * float(np.median(np.abs(every))), NOISE_FLOOR_RAD)
        root = root.copy()
        for misfit, (_, _, index) in zip(left, rows, strict=True):
            root[index[np.abs(misfit) > OUTLIER * usual]] = 0.0
    used = every[np.abs(every) <= OUTLIER * usual]
    lost = sum(5 if len(y) > 60 else 4 for y, _, _ in rows) + len(solution)
    variance = float((used**2).sum()) / max(1, len(used) - lost)
    timing = Timing(a, b, max(variance, NOISE_FLOOR_RAD**2), _alikeness(left), count)
    return _without_drift(timing)


def _drifting(phase: PhaseAnswer) -> FloatArray:
    """Columns for a first harmonic that changes along the recording for its own reasons.

    Without them a change of a few milliradians (light, a leaning top) would pass for the change
    that a rolling shutter makes with the speed.
    """
    apparent = phase.apparent_rad_s
    span = max(float(np.nanmax(apparent) - np.nanmin(apparent)), 1e-9)
    drift = (apparent - np.nanmedian(apparent)) / span
    drift = drift if phase.at is None else drift[phase.at]
    return phase.answer[:, 2:4] * drift[:, None]


@dataclass(frozen=True, slots=True)
class _Design:
    """Columns of the frames that the windows hold."""

    columns: FloatArray
    at: IntArray | None  # frames of the rows; None: all

    def of(self, frames: IntArray) -> FloatArray:
        """Rows of some frames."""
        return self.columns[frames if self.at is None else np.searchsorted(self.at, frames)]


def _without_drift(normal: Timing) -> Timing:
    """Take the drifting columns out of the normal equations, with what they may be."""
    n = len(normal.b) - 2
    corner = normal.a[n:, n:] + np.eye(2) * normal.scale / DRIFT_PRIOR_RAD**2
    lever = np.linalg.solve(corner, normal.a[n:, :n]).T
    return replace(
        normal,
        a=normal.a[:n, :n] - lever @ normal.a[n:, :n],
        b=normal.b[:n] - lever @ normal.b[n:],
    )


def _weights(u_rad: FloatArray) -> FloatArray:
    """Weight of each sighting, 1 for a usual one."""
    usual = float(np.nanmedian(u_rad))
    return np.asarray((usual**2 + NOISE_FLOOR_RAD**2) / (u_rad**2 + NOISE_FLOOR_RAD**2))


def _projected(
    phase: PhaseAnswer, design: _Design, root: FloatArray, cuts: list[IntArray]
) -> list[tuple[FloatArray, FloatArray, IntArray]]:
    """Weighted angle and columns of each window without their smooth part.

    Smooth in evenly counted time.  What uneven frame times do to the angle is proportional to
    the true speed where the stamps are true, and nothing where only the stamps are uneven; its
    size is left free in each window, so that it argues for no order.
    """
    even_s = phase.slot / phase.frame_rate
    late_s = phase.time_s - even_s
    rows = []
    for window in _without_gaps(phase, root, cuts):
        w = root[window]
        q, _ = np.linalg.qr(time_powers(even_s[window]) * w[:, None])
        late = (late_s[window] - late_s[window].mean()) * w
        late = late - q @ (q.T @ late)
        size = float(np.sqrt(late @ late))
        if size > EVEN_S * np.sqrt(len(window)):
            q = np.column_stack([q, late / size])
        y = (phase.angle_rad[window] - phase.angle_rad[window].mean()) * w
        d = design.of(window) * w[:, None]
        rows.append((y - q @ (q.T @ y), d - q @ (q.T @ d), window))
    return rows


def _without_gaps(phase: PhaseAnswer, root: FloatArray, cuts: list[IntArray]) -> list[IntArray]:
    """Sightings used of each window; a window with a long unseen stretch becomes two."""
    parts = []
    for cut in cuts:
        window = cut[root[cut] > 0]
        gaps = np.flatnonzero(np.diff(phase.time_s[window]) > LONGEST_GAP_S) + 1
        parts += [part for part in np.split(window, gaps) if len(part) >= LEAST_USED]
    return [part for part in parts if _passed(phase, part) >= LEAST_PASSED]


def _passed(phase: PhaseAnswer, window: IntArray) -> float:
    """Return the turns, mark to mark, through which the mark seems to pass in a window."""
    period = 2 * np.pi / phase.marks
    carried = np.rint(np.mean(phase.apparent_rad_s[window]) / phase.order_step)
    angle = phase.angle_rad[window] - carried * period * phase.slot[window]
    low, high = np.percentile(angle, (2, 98))  # outliers pass through nothing
    return float(high - low) / period


def _alikeness(residuals: list[FloatArray]) -> float:
    """1 + 2 * sum of autocorrelations of neighbouring residuals, at least 1."""
    power = sum(float(r @ r) for r in residuals)
    total = 1.0
    if power <= 0:
        return total
    for lag in range(1, 16):
        share = sum(float(r[lag:] @ r[:-lag]) for r in residuals if len(r) > lag) / power
        if share < 0.1:
            break
        total += 2 * share
    return total
