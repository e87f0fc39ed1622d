"""At which angle is the mark in this frame, and how sure is that?

A ring profile p(theta) is modelled forward from the mark's angle phi::

    p(theta) = gain * still(theta) + offset + a * visibility(theta) * shape(theta_m - phi)
    theta_m  = theta - geometry(theta) - omega * tau(theta)

*still* is what stands still in the picture (highlights, shadows, the stem), *visibility* says
how strongly the mark shows at each place, *shape* is the mark's own profile smeared by the
exposure, *tau* the time by which the rolling shutter reads a place later than the frame's
middle row, *omega* the spin speed.  The angle is the maximum-likelihood phi; gain, offset (and
brightness bands of a flickering lamp) are projected out.  With tau and geometry at zero the
angle found is the angle as seen; with them, it is the angle at the exposure centre of the
middle row, also where a fast mark shows three times in one frame.

Notes
-----
*still*, *visibility* and *shape* are learnt from the recording by turns: angles from the
model, the model from the angles.  For white noise of one size the estimate reaches the bound
``sigma / sqrt(sum((dp/dphi)**2))`` (Kay, Fundamentals of Statistical Signal Processing vol. I,
ch. 3; from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vidspin.records import FloatArray

Complex = NDArray[np.complex128]

TABLE = 2048  # samples of the shape's table; linear interpolation between them
COARSE = 256  # angles tried before the refinement
CHUNK = 512  # frames worked on at a time
HARMONICS = 96  # of the mark's shape that are learnt
REGROUP_RAD = 0.02  # frames share a coarse search while their templates differ by less
REFINE_STEPS = 4
VISIBILITY_DOUBT = 0.02  # weight of the expected visibility against a usual place's data
TWO_PI = 2.0 * np.pi


@dataclass(frozen=True, slots=True)
class MarkModel:
    """Forward model of a ring profile; N angles."""

    still: FloatArray  # (N,) or (B, N) for B blocks of time
    still_time_s: FloatArray  # (B,) middle of each block, empty when `still` is one profile
    visibility: FloatArray  # (N,) mean 1
    expected: FloatArray  # (N,) visibility that brightness alone suggests; holds where unseen
    shape: Complex  # (HARMONICS + 1,) of the unsmeared mark; mean zero
    row_fraction: FloatArray  # (N,) stored rows from the frame's middle row, in frame heights
    readout_s: float = 0.0  # signed: positive = first stored row is read first
    exposure_s: float = 0.0
    geometry: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))  # cosine, sine, rad
    bands: bool = False  # project out brightness bands of a flickering lamp as well
    spread: float = 1.0  # noise correlation: variance of a smooth sum against white noise

    @property
    def angles(self) -> int:
        """Number of samples round the ring."""
        return len(self.visibility)


@dataclass(frozen=True, slots=True)
class Estimates:
    """Mark angles of F frames."""

    angle_rad: FloatArray  # (F,)
    u_rad: FloatArray  # (F,) from the noise of the same frame
    amplitude: FloatArray  # (F,) of the mark, 1 = as learnt
    u_amplitude: FloatArray
    quality: FloatArray  # (F,) share of the change that the mark explains, 0-1
    noise: FloatArray  # (F,) RMS of what is left, grey levels


def geometry_angle(geometry: FloatArray, theta: FloatArray) -> FloatArray:
    """Evaluate the angle error (seen minus true) at seen angles; rad."""
    total = np.zeros_like(theta)
    for h, (c, s) in enumerate(geometry, start=1):
        total += c * np.cos(h * theta) + s * np.sin(h * theta)
    return total


def sinc_smear(harmonics: FloatArray, smear_rad: float) -> FloatArray:
    """Fade of the angular harmonics under a box exposure of `smear_rad`."""
    return np.sinc(harmonics * smear_rad / TWO_PI)


def width(model: MarkModel) -> float:
    """Angular width of the mark at half height, as learnt, rad."""
    table, _ = _tables(model, 0.0)
    height = np.abs(table[:-1] - np.median(table[:-1]))
    return float((height > 0.5 * height.max()).sum()) * TWO_PI / TABLE


def seen_angle(phi: FloatArray, omega: FloatArray, model: MarkModel) -> FloatArray:
    """Angle at which a mark of true angle phi is seen, rad; the middle one where it is seen thrice."""
    theta = np.arange(model.angles) * (TWO_PI / model.angles)
    seen = np.array(phi, np.float64)
    for _ in range(40):
        rows = np.interp(np.mod(seen, TWO_PI), theta, model.row_fraction, period=TWO_PI)
        ahead = phi + omega * model.readout_s * rows + geometry_angle(model.geometry, seen)
        seen += 0.5 * (ahead - seen)
    return seen


# ------------------------------------------------------------------------- templates


def _tables(model: MarkModel, smear_rad: float) -> tuple[FloatArray, FloatArray]:
    """Shape and its derivative against the angle, smeared, on `TABLE` samples (one more)."""
    h = np.arange(len(model.shape))
    faded = np.zeros(TABLE // 2 + 1, complex)
    faded[: len(h)] = model.shape * sinc_smear(h, smear_rad)
    shape = np.fft.irfft(faded, TABLE) * TABLE
    faded[: len(h)] *= 1j * h
    slope = np.fft.irfft(faded, TABLE) * TABLE
    return np.append(shape, shape[0]), np.append(slope, slope[0])


def _true_base(model: MarkModel, omega: FloatArray) -> FloatArray:
    """Angle on the mark for phi = 0 at each place: (F, N), theta_m of the module's head."""
    theta = np.arange(model.angles) * (TWO_PI / model.angles)
    base = theta - geometry_angle(model.geometry, theta)
    return base - omega[:, None] * (model.readout_s * model.row_fraction)


def _look_up(table: FloatArray, angle: FloatArray) -> FloatArray:
    position = np.mod(angle, TWO_PI) * (TABLE / TWO_PI)
    low = position.astype(np.int64)
    low[low >= TABLE] = TABLE - 1
    part = position - low
    return table[low] * (1 - part) + table[low + 1] * part


def _still_at(model: MarkModel, time_s: float) -> FloatArray:
    if model.still.ndim == 1:
        return model.still
    k = np.interp(time_s, model.still_time_s, np.arange(len(model.still_time_s)))
    low = min(int(k), len(model.still) - 1)
    high = min(low + 1, len(model.still) - 1)
    part = k - low
    return np.asarray((1 - part) * model.still[low] + part * model.still[high])


def _nuisance(model: MarkModel, still: FloatArray) -> FloatArray:
    """Orthonormal rows (q, N) of what is projected out: gain, offset, bands."""
    rows = [still, np.ones_like(still)]
    if model.bands:
        y = model.row_fraction - model.row_fraction.mean()
        y = y / max(float(np.abs(y).max()), 1e-9)
        rows += [still * y, still * (y**2 - np.mean(y**2))]
    q, r = np.linalg.qr(np.stack(rows, 1))
    keep = np.abs(np.diag(r)) > 1e-6 * np.abs(np.diag(r)).max()
    return np.ascontiguousarray(q[:, keep].T)


def _groups(omega: FloatArray, reach_s: float) -> Iterator[slice]:
    """Split consecutive frames where their templates begin to differ, or at `CHUNK`."""
    start = 0
    while start < len(omega):
        stop = min(start + CHUNK, len(omega))
        differs = np.abs(omega[start:stop] - omega[start]) * reach_s > REGROUP_RAD
        if differs.any():
            stop = start + max(1, int(np.argmax(differs)))
        yield slice(start, stop)
        start = stop


def estimate(
    profiles: NDArray[np.float32],
    time_s: FloatArray,
    omega: FloatArray,
    model: MarkModel,
    near_rad: FloatArray | None = None,
) -> Estimates:
    """Find the maximum-likelihood mark angle of every frame.

    Parameters
    ----------
    profiles : (F, N) array
        Ring brightness, grey levels.
    time_s : (F,) array
        Frame times, s (they choose the block of `model.still`).
    omega : (F,) array
        Signed spin speed that rolling shutter and smear are predicted for, rad/s.
    model : MarkModel
    near_rad : (F,) array, optional
        Start of the refinement; without it all angles are tried.

    Returns
    -------
    Estimates
    """
    reach = abs(model.readout_s) * float(np.ptp(model.row_fraction)) + model.exposure_s
    parts = []
    for group in _groups(omega, reach):
        still = _still_at(model, float(time_s[group].mean()))
        basis = _nuisance(model, still)
        data = profiles[group].astype(np.float64)
        data -= (data @ basis.T) @ basis
        speed = omega[group]
        tables = _tables(model, float(np.abs(speed).mean()) * model.exposure_s)
        if near_rad is None:
            start = _coarse(data, model, float(speed.mean()), tables[0], basis)
        else:
            start = near_rad[group]
        parts.append(_refine(data, model, speed, tables, basis, start))
    columns = [np.concatenate(c) for c in zip(*parts, strict=True)]
    return Estimates(*columns)


def _coarse(
    data: FloatArray, model: MarkModel, omega: float, table: FloatArray, basis: FloatArray
) -> FloatArray:
    """Best of `COARSE` angles for each frame (matched filter with free, positive amplitude)."""
    base = _true_base(model, np.array([omega]))[0]
    trial = np.arange(COARSE) * (TWO_PI / COARSE)
    bank = model.visibility * _look_up(table, base - trial[:, None])
    bank -= (bank @ basis.T) @ basis
    norm = np.sqrt(np.maximum((bank**2).sum(1), 1e-12))
    floor = 0.2 * float(norm.max())  # a template that is nearly all nuisance decides nothing
    score = (data @ bank.T) / np.maximum(norm, floor)
    return trial[np.argmax(score, axis=1)]


def _refine(
    data: FloatArray,
    model: MarkModel,
    omega: FloatArray,
    tables: tuple[FloatArray, FloatArray],
    basis: FloatArray,
    start: FloatArray,
) -> tuple[FloatArray, ...]:
    """Gauss-Newton in angle and amplitude, all frames at once."""
    base = _true_base(model, omega)
    phi = np.array(start, np.float64)
    freedom = max(1.0, model.angles / model.spread - len(basis) - 2)
    limit = TWO_PI / COARSE
    for step in range(REFINE_STEPS + 1):
        at = base - phi[:, None]
        shape = model.visibility * _look_up(tables[0], at)
        slope = -model.visibility * _look_up(tables[1], at)  # d/dphi
        shape -= (shape @ basis.T) @ basis
        slope -= (slope @ basis.T) @ basis
        ss, dd, sd = (shape**2).sum(1), (slope**2).sum(1), (shape * slope).sum(1)
        ys, yd = (data * shape).sum(1), (data * slope).sum(1)
        det = np.maximum(ss * dd - sd**2, 1e-12)
        amplitude = (ys * dd - yd * sd) / det
        turn = (yd * ss - ys * sd) / det
        if step == REFINE_STEPS:
            break
        good = amplitude > 0.05
        phi += np.where(good, np.clip(turn / np.where(good, amplitude, 1.0), -limit, limit), 0.0)
    amplitude = ys / np.maximum(ss, 1e-12)
    left = data - amplitude[:, None] * shape
    energy = (left**2).sum(1)
    variance = energy / model.angles * (model.angles / model.spread) / freedom
    white = variance * model.spread  # variance of a sum over neighbours that share noise
    u = np.sqrt(white * ss / det) / np.maximum(np.abs(amplitude), 1e-6)
    u_amplitude = np.sqrt(white / np.maximum(ss, 1e-12))
    total = np.maximum((data**2).sum(1), 1e-12)
    quality = np.clip(1.0 - energy / total, 0.0, 1.0)
    return np.mod(phi, TWO_PI), u, amplitude, u_amplitude, quality, np.sqrt(energy / model.angles)


# ------------------------------------------------------------------------ sensitivity


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """How angles and profiles answer to readout and geometry; p = 2 + 2H columns.

    The columns are: readout at the apparent speed, readout at one alias order, then cosine
    and sine of each harmonic by turns.
    """

    answer: FloatArray  # (F, p) change of the found angle for a unit of each column
    information: FloatArray  # (p, p) of the profiles' shapes, angles left free
    pull: FloatArray  # (p,) right-hand side that belongs to `information`


def sensitivity(
    profiles: NDArray[np.float32],
    time_s: FloatArray,
    apparent: FloatArray,
    order_step: float,
    order: int,
    model: MarkModel,
    phi: FloatArray,
    harmonics: int,
) -> Sensitivity:
    """Linearise the forward model about the found angles.

    Parameters
    ----------
    profiles, time_s, model
        As for `estimate`.
    apparent : (F,) array
        Signed apparent speed, rad/s; the spin speed is this plus ``order * order_step``.
    order_step : float
        Speed between alias orders, rad/s.
    order : int
    phi : (F,) array
        Angles found with `model`, rad.
    harmonics : int
        Of the geometry.

    Returns
    -------
    Sensitivity

    Notes
    -----
    Each column moves the mark's picture by basis(theta), so a profile changes by j * basis with
    j its derivative against the angle.  What gain, offset, amplitude and the angle itself can
    imitate is projected out of the information.
    """
    theta = np.arange(model.angles) * (TWO_PI / model.angles)
    fixed = [model.row_fraction * order_step]
    for h in range(1, harmonics + 1):
        fixed += [np.cos(h * theta), np.sin(h * theta)]
    basis = np.stack([model.row_fraction, *fixed], 1)  # (N, p); column 0 times apparent speed
    p = basis.shape[1]
    answer, information, pull = np.zeros((len(phi), p)), np.zeros((p, p)), np.zeros(p)
    omega = apparent + order * order_step
    reach = abs(model.readout_s) * float(np.ptp(model.row_fraction)) + model.exposure_s
    for group in _groups(omega, reach):
        still = _still_at(model, float(time_s[group].mean()))
        q = _nuisance(model, still)
        data = profiles[group].astype(np.float64)
        data -= (data @ q.T) @ q
        tables = _tables(model, float(np.abs(omega[group]).mean()) * model.exposure_s)
        at = _true_base(model, omega[group]) - phi[group, None]
        shape = model.visibility * _look_up(tables[0], at)
        shape -= (shape @ q.T) @ q
        ss = np.maximum((shape**2).sum(1), 1e-12)
        amplitude = np.clip((data * shape).sum(1) / ss, 0.0, 3.0)
        slope = -model.visibility * _look_up(tables[1], at)
        lean = slope - (slope @ q.T) @ q
        lean -= ((lean * shape).sum(1) / ss)[:, None] * shape
        strength = np.maximum((lean * slope).sum(1), 1e-12)
        scale = np.ones((len(slope), p))
        scale[:, 0] = apparent[group]
        answer[group] = (lean * slope) @ basis / strength[:, None] * scale
        left = data - amplitude[:, None] * shape
        pull += (((slope * left) @ basis) * scale * amplitude[:, None]).sum(0)
        pull -= ((lean * left).sum(1) * amplitude) @ answer[group]  # the angle is free to follow
        power = amplitude**2
        for i, j in ((0, 0), (0, 1), (1, 1)):  # columns: 0 apparent, 1 all others
            weight = power * apparent[group] ** ((i == 0) + (j == 0))
            full = basis.T @ ((weight @ slope**2)[:, None] * basis)
            rows, cols = ([0] if i == 0 else range(1, p)), ([0] if j == 0 else range(1, p))
            information[np.ix_(rows, cols)] += full[np.ix_(rows, cols)]
            if (i, j) == (0, 1):
                information[np.ix_(cols, rows)] += full[np.ix_(cols, rows)]
        for row in q:
            imitated = ((slope * row) @ basis) * scale
            information -= (imitated * power[:, None]).T @ imitated
        imitated = ((slope * shape) @ basis) * scale
        information -= (imitated * (power / ss)[:, None]).T @ imitated
        information -= (answer[group] * (power * strength)[:, None]).T @ answer[group]
    return Sensitivity(answer, 0.5 * (information + information.T), pull)


# --------------------------------------------------------------------------- learning


def first_model(profiles: NDArray[np.float32], row_fraction: FloatArray, *, bright: bool) -> tuple[MarkModel, FloatArray]:
    """Begin: the median stands still, one frame's change is the mark; line the others up.

    Parameters
    ----------
    profiles : (F, N) array
        A sample of the recording.
    row_fraction : (N,) array
    bright : bool
        Whether the mark is brighter than the top.

    Returns
    -------
    MarkModel, (F,) array
        The model and the first angles.
    """
    level = np.median(profiles, axis=0).astype(np.float64)
    weight = np.maximum(level, 0.1 * level.max())
    change = (profiles - level) / weight
    change -= np.median(change, axis=1, keepdims=True)
    angles = profiles.shape[1]
    spectra = np.fft.rfft(change, axis=1)
    spectra[:, HARMONICS:] = 0
    spectra[:, 0] = 0
    energy = (np.abs(spectra) ** 2).sum(1)
    usual = energy <= 4 * np.median(energy)
    peak = np.fft.irfft(spectra, angles, axis=1) * (1.0 if bright else -1.0)
    strongest = int(np.argmax(np.where(usual, peak.max(1), -np.inf)))
    model = spectra[strongest].copy()
    harmonic = np.arange(spectra.shape[1])
    shift = np.zeros(len(profiles), np.int64)
    for _ in range(10):
        shift = np.argmax(np.fft.irfft(spectra * model.conj(), angles, axis=1), axis=1)
        turned = spectra * np.exp(2j * np.pi * harmonic * shift[:, None] / angles)
        model = turned[usual].mean(0)
    relative = np.fft.irfft(model, angles)
    centre = _centre(relative)
    phi = np.mod(shift * (TWO_PI / angles) + centre, TWO_PI)
    visibility = weight / weight.mean()
    shape = np.zeros(HARMONICS + 1, complex)
    count = min(len(model), HARMONICS + 1)
    shape[:count] = (model * np.exp(1j * harmonic * centre) * weight.mean() / angles)[:count]
    return MarkModel(level, np.zeros(0), visibility, visibility, shape, row_fraction), phi


def _centre(shape: FloatArray) -> float:
    """Angle of a hump's middle, by the energy of its outer half."""
    height = np.abs(shape - np.median(shape))
    height = np.where(height > 0.5 * height.max(), height, 0.0)
    angle = np.arange(len(shape)) * (TWO_PI / len(shape))
    return float(np.angle((height * np.exp(1j * angle)).sum()))


def learn(
    profiles: NDArray[np.float32],
    phi: FloatArray,
    omega: FloatArray,
    weight: FloatArray,
    model: MarkModel,
    *,
    visibility_too: bool = True,
) -> MarkModel:
    """Learn still, visibility and shape anew from angles.

    Parameters
    ----------
    profiles : (F, N) array
    phi, omega : (F,) arrays
        Angles (rad) and signed speeds (rad/s).
    weight : (F,) array
        0 leaves a frame out.
    model : MarkModel
        Supplies everything but what is learnt.
    visibility_too : bool
        False leaves the visibility as it is.

    Returns
    -------
    MarkModel
        With one `still` for the whole sample.
    """
    use = weight > 0
    data, phi, omega, w = profiles[use].astype(np.float64), phi[use], omega[use], weight[use]
    if model.still.ndim == 2:
        model = replace(model, still=model.still.mean(0), still_time_s=np.zeros(0))
    base = _true_base(model, omega) - phi[:, None]
    smear = np.abs(omega) * model.exposure_s
    group = _speed_groups(smear)
    data /= _gains(data, model.still + model.visibility * _marks(model, base, smear, group))[:, None]
    for _ in range(2):
        mark = _marks(model, base, smear, group)
        still = np.average(data - model.visibility * mark, axis=0, weights=w)
        change = data - still
        shape = _learn_shape(change, base, smear, group, w, model)
        model = replace(model, still=still, shape=shape)
        if not visibility_too:
            continue
        mark = _marks(model, base, smear, group)
        top = (w[:, None] * change * mark).sum(0)
        bottom = (w[:, None] * mark**2).sum(0)
        doubt = VISIBILITY_DOUBT * bottom.mean()
        visibility = (top + doubt * model.expected) / (bottom + doubt)
        width = max(1.0, model.angles / 256)
        visibility = ndimage.gaussian_filter1d(np.clip(visibility, 0.0, None), width, mode="wrap")
        scale = float(visibility.mean())
        if scale > 0:
            model = replace(model, visibility=np.minimum(visibility / scale, 6.0), shape=shape * scale)
    left = change - model.visibility * _marks(model, base, smear, group)
    return replace(model, spread=_spread(left))


def residual(
    profiles: NDArray[np.float32], phi: FloatArray, omega: FloatArray, model: MarkModel
) -> FloatArray:
    """RMS of profile minus model at given angles, grey levels; (F,)."""
    smear = np.abs(omega) * model.exposure_s
    mark = _marks(model, _true_base(model, omega) - phi[:, None], smear, _speed_groups(smear))
    whole = model.still + model.visibility * mark
    gain = _gains(profiles.astype(np.float64), whole)
    return np.asarray(np.sqrt(((profiles / gain[:, None] - whole) ** 2).mean(1)))


def _gains(data: FloatArray, model: FloatArray) -> FloatArray:
    """Brightness of each frame against its modelled profile, by least squares."""
    ratio = (data * model).sum(1) / np.maximum((model * model).sum(1), 1e-9)
    return np.maximum(ratio, 0.02)


def _speed_groups(smear: FloatArray) -> NDArray[np.int64]:
    """Number the frames by how far they are smeared (steps of 0.03 rad)."""
    return np.rint(smear / 0.03).astype(np.int64)


def _marks(model: MarkModel, base: FloatArray, smear: FloatArray, group: NDArray[np.int64]) -> FloatArray:
    out = np.empty_like(base)
    for g in np.unique(group):
        rows = group == g
        table, _ = _tables(model, float(smear[rows].mean()))
        out[rows] = _look_up(table, base[rows])
    return out


def _learn_shape(
    change: FloatArray,
    base: FloatArray,
    smear: FloatArray,
    group: NDArray[np.int64],
    w: FloatArray,
    model: MarkModel,
) -> Complex:
    """Average the changes on the mark's own angle, one average a smear, and undo the smears."""
    h = np.arange(HARMONICS + 1)
    top = np.zeros(len(h), complex)
    bottom = np.zeros(len(h))
    bins = 512
    for g in np.unique(group):
        rows = group == g
        at = (np.mod(base[rows], TWO_PI) * (bins / TWO_PI)).astype(np.int64) % bins
        v = model.visibility * w[rows, None]
        total = np.bincount(at.ravel(), (v * change[rows]).ravel(), bins)
        norm = np.bincount(at.ravel(), (v * model.visibility).ravel(), bins)
        seen = norm > 0.02 * norm.mean()
        if not seen.any():
            continue
        mean = np.interp(np.arange(bins), np.flatnonzero(seen), total[seen] / norm[seen], period=bins)
        mean -= mean.mean()
        # bins hold their angles' centres, half a bin on
        spectrum = np.fft.rfft(mean)[: len(h)] / bins * np.exp(-1j * h * np.pi / bins)
        fade = sinc_smear(h, float(smear[rows].mean())) * np.sinc(h / bins)
        share = float(w[rows].sum())
        top += share * fade * spectrum
        bottom += share * fade**2
    shape = top / (bottom + 0.02 * float(w.sum()))
    shape[0] = 0
    return shape


def _spread(left: FloatArray) -> float:
    """How much more a smooth sum over neighbours varies than for independent noise."""
    left = left - left.mean(1, keepdims=True)
    power = max(float((left**2).mean()), 1e-12)
    total = 1.0
    for lag in range(1, 9):
        share = float((left * np.roll(left, lag, axis=1)).mean()) / power
        if share < 0.05:
            break
        total += 2 * share
    return total
