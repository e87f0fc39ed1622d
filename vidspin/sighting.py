"""At which angle is the mark in this frame, and how sure is that?

The angle is the maximum-likelihood phi of the forward model in `markmodel`; gain, offset and
the brightness bands of a flickering lamp are projected out.

Notes
-----
For white noise of one size the estimate reaches the bound
``sigma / sqrt(sum((dp/dphi)**2))`` (Kay, Fundamentals of Statistical Signal Processing vol. I,
ch. 3; from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vidspin.markmodel import TWO_PI, MarkModel, Table, look_up, smeared_tables, true_base
from vidspin.records import FloatArray
from vidspin.ring import even_angles

COARSE = 256  # angles tried before the refinement
CHUNK = 512  # frames worked on at a time
REGROUP_RAD = 0.08  # frames share a coarse search while their templates differ by less
REFINE_STEPS = 4


@dataclass(frozen=True, slots=True)
class Estimates:
    """Mark angles of F frames."""

    angle_rad: FloatArray  # (F,)
    u_rad: FloatArray  # (F,) from the noise of the same frame
    amplitude: FloatArray  # (F,) of the mark, 1 = as learnt
    u_amplitude: FloatArray
    quality: FloatArray  # (F,) share of the change that the mark explains, 0-1
    noise: FloatArray  # (F,) RMS of what is left, grey levels


# ------------------------------------------------------------------------- templates


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
        tables = smeared_tables(model, float(np.abs(speed).mean()) * model.exposure_s)
        if near_rad is None:
            start = _coarse(data, model, float(speed.mean()), tables[0], basis)
        else:
            start = near_rad[group]
        parts.append(_refine(data, model, speed, tables, basis, start))
    columns = [np.concatenate(c) for c in zip(*parts, strict=True)]
    return Estimates(*columns)


def _coarse(
    data: FloatArray, model: MarkModel, omega: float, table: Table, basis: FloatArray
) -> FloatArray:
    """Best of `COARSE` angles for each frame (matched filter with free, positive amplitude)."""
    thin = max(1, model.angles // COARSE)
    base = true_base(model, np.array([omega]))[0]
    trial = even_angles(COARSE)
    bank = model.visibility * look_up(table, base - trial[:, None])
    bank -= (bank @ basis.T) @ basis
    norm = np.sqrt(np.maximum((bank**2).sum(1), 1e-12))
    floor = 0.2 * float(norm.max())  # a template that is nearly all nuisance decides nothing
    bank /= np.maximum(norm, floor)[:, None]
    score = data[:, ::thin].astype(np.float32) @ bank[:, ::thin].T.astype(np.float32)
    return np.asarray(trial[np.argmax(score, axis=1)])


def _refine(  # noqa: PLR0913 - arrays of one group of frames
    data: FloatArray,
    model: MarkModel,
    omega: FloatArray,
    tables: tuple[Table, Table],
    basis: FloatArray,
    start: FloatArray,
) -> tuple[FloatArray, ...]:
    """Gauss-Newton in angle and amplitude, all frames at once."""
    base = true_base(model, omega)
    phi = np.array(start, np.float64)
    freedom = max(1.0, model.angles / model.spread - len(basis) - 2)
    limit = TWO_PI / COARSE
    for step in range(REFINE_STEPS + 1):
        at = base - phi[:, None]
        shape = model.visibility * look_up(tables[0], at)
        slope = -model.visibility * look_up(tables[1], at)  # d/dphi
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


def sensitivity(  # noqa: PLR0913 - columns of the same frames and the model
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
    theta = even_angles(model.angles)
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
        tables = smeared_tables(model, float(np.abs(omega[group]).mean()) * model.exposure_s)
        at = true_base(model, omega[group]) - phi[group, None]
        shape = model.visibility * look_up(tables[0], at)
        shape -= (shape @ q.T) @ q
        ss = np.maximum((shape**2).sum(1), 1e-12)
        amplitude = np.clip((data * shape).sum(1) / ss, 0.0, 3.0)
        slope = -model.visibility * look_up(tables[1], at)
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
