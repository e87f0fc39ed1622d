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
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vidspin.cyclic import TWO_PI
from vidspin.markmodel import (
    SMEAR_STEP_RAD,
    MarkModel,
    Table,
    look_up,
    on_mark,
    smeared_table,
    spots,
    still_at,
    true_base,
)
from vidspin.records import FloatArray, IntArray
from vidspin.ring import even_angles

COARSE = 256  # angles tried before the refinement
CHUNK = 512  # frames worked on at a time
REGROUP_RAD = 0.08  # frames share a coarse search while their templates differ by less
REFINE_STEPS = 4
SETTLED_RAD = 1e-5  # a hundredth of the best angle's doubt; no further step is taken


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


def _nuisance(model: MarkModel, still: FloatArray, thin: int = 1) -> Table:
    """Orthonormal rows (q, N / thin) of what is projected out: gain, offset, bands."""
    still = still[::thin]
    rows = [still, np.ones_like(still)]
    if model.bands:
        y = (model.row_fraction - model.row_fraction.mean())[::thin]
        y = y / max(float(np.abs(y).max()), 1e-9)
        rows += [still * y, still * (y**2 - np.mean(y**2))]
    q, r = np.linalg.qr(np.stack(rows, 1))
    keep = np.abs(np.diag(r)) > 1e-6 * np.abs(np.diag(r)).max()
    return np.ascontiguousarray(q[:, keep].T, np.float32)


def _without(data: Table, basis: Table) -> Table:
    """Project orthonormal rows out of profiles."""
    return np.asarray(data - (data @ basis.T) @ basis, np.float32)


def _table(array: NDArray[Any]) -> Table:
    """Tell the type checker that products of 32-bit floats are such."""
    return array


def _dot(a: Table, b: Table) -> FloatArray:
    """Scalar products, row by row."""
    return np.asarray(np.einsum("fn,fn->f", a, b), np.float64)


@dataclass(frozen=True, slots=True)
class _Tables:
    """Shape and slope under each smear that occurs among some frames."""

    shape: Table  # (G, ...)
    slope: Table
    row: IntArray  # (F,) which smear each frame has


def _tables(model: MarkModel, omega: FloatArray) -> _Tables:
    smear = np.abs(omega) * model.exposure_s
    steps, row = np.unique(np.rint(smear / SMEAR_STEP_RAD), return_inverse=True)
    mean = np.bincount(row, smear) / np.maximum(np.bincount(row), 1)
    return _Tables(smeared_table(model, mean), smeared_table(model, mean, slope=True), row)


def _chunks(count: int) -> Iterator[slice]:
    for start in range(0, count, CHUNK):
        yield slice(start, min(start + CHUNK, count))


def _groups(omega: FloatArray, reach_s: float) -> Iterator[slice]:
    """Split consecutive frames where their templates begin to differ."""
    start = 0
    while start < len(omega):
        differs = np.abs(omega[start:] - omega[start]) * reach_s > REGROUP_RAD
        stop = start + max(1, int(np.argmax(differs))) if differs.any() else len(omega)
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
    parts = []
    for chunk in _chunks(len(time_s)):
        still = still_at(model, float(time_s[chunk].mean()))
        basis = _nuisance(model, still)
        data, speed = _without(profiles[chunk].astype(np.float32), basis), omega[chunk]
        start = _coarse(data, model, speed, still) if near_rad is None else near_rad[chunk]
        parts.append(_refine(data, model, speed, basis, start))
    columns = [np.concatenate(c) for c in zip(*parts, strict=True)]
    return Estimates(*columns)


def _coarse(data: Table, model: MarkModel, omega: FloatArray, still: FloatArray) -> FloatArray:
    """Best of `COARSE` angles for each frame (matched filter with free, positive amplitude)."""
    thin = max(1, model.angles // COARSE)
    basis = _nuisance(model, still, thin)
    visibility = model.visibility[::thin].astype(np.float32)
    trial, found = even_angles(COARSE), np.empty(len(data))
    reach = abs(model.readout_s) * float(np.ptp(model.row_fraction)) + model.exposure_s
    for group in _groups(omega, reach):
        table = smeared_table(model, np.array([np.abs(omega[group]).mean()]) * model.exposure_s)
        base = true_base(model, np.array([omega[group].mean()]))[:, ::thin]
        bank = _without(visibility * look_up(table, spots(on_mark(base, trial))), basis)
        norm = np.sqrt(np.maximum(_dot(bank, bank), 1e-12))
        floor = 0.2 * float(norm.max())  # a template that is nearly all nuisance decides nothing
        bank /= np.maximum(norm, floor)[:, None].astype(np.float32)
        found[group] = trial[np.argmax(data[group, ::thin] @ bank.T, axis=1)]
    return found


def _refine(
    data: Table, model: MarkModel, omega: FloatArray, basis: Table, start: FloatArray
) -> tuple[FloatArray, ...]:
    """Gauss-Newton in angle and amplitude, all frames at once until each has settled."""
    base, visibility = true_base(model, omega), model.visibility.astype(np.float32)
    tables = _tables(model, omega)
    phi = np.array(start, np.float64)
    shapes = np.empty_like(data)
    sums = np.empty((5, len(phi)))
    limit = TWO_PI / COARSE
    active = np.arange(len(phi))
    for step in range(REFINE_STEPS + 1):
        at, seen = on_mark(base[active], phi[active]), data[active]
        spot = spots(at, tables.row[active])
        shape = visibility * look_up(tables.shape, spot)
        slope = -visibility * look_up(tables.slope, spot)  # d/dphi
        # the data have no part along the basis, so only the templates' own parts matter
        own, lean = _table(shape @ basis.T), _table(slope @ basis.T)
        sums[:, active] = ss, dd, sd, ys, yd = (
            _dot(shape, shape) - _dot(own, own), _dot(slope, slope) - _dot(lean, lean),
            _dot(shape, slope) - _dot(own, lean), _dot(seen, shape), _dot(seen, slope),
        )  # fmt: skip
        shapes[active] = shape - own @ basis
        if step == REFINE_STEPS:
            break
        det = np.maximum(ss * dd - sd**2, 1e-12)
        amplitude, turn = (ys * dd - yd * sd) / det, (yd * ss - ys * sd) / det
        good = amplitude > 0.05
        move = np.where(good, np.clip(turn / np.where(good, amplitude, 1.0), -limit, limit), 0.0)
        still_moving = np.abs(move) > SETTLED_RAD
        active = active[still_moving]
        phi[active] += move[still_moving]
        if not len(active):
            break
    return np.mod(phi, TWO_PI), *_doubts(data, shapes, sums, model, len(basis))


def _doubts(
    data: Table, shapes: Table, sums: FloatArray, model: MarkModel, nuisance: int
) -> tuple[FloatArray, ...]:
    """All of `Estimates` but the angle, from the last templates and their sums."""
    ss, dd, sd, ys, _ = sums
    freedom = max(1.0, model.angles / model.spread - nuisance - 2)
    amplitude = ys / np.maximum(ss, 1e-12)
    left = data - amplitude.astype(np.float32)[:, None] * shapes
    energy = _dot(left, left)
    variance = energy / model.angles * (model.angles / model.spread) / freedom
    white = variance * model.spread  # variance of a sum over neighbours that share noise
    det = np.maximum(ss * dd - sd**2, 1e-12)
    u = np.sqrt(white * ss / det) / np.maximum(np.abs(amplitude), 1e-6)
    u_amplitude = np.sqrt(white / np.maximum(ss, 1e-12))
    quality = np.clip(1.0 - energy / np.maximum(_dot(data, data), 1e-12), 0.0, 1.0)
    return u, amplitude, u_amplitude, quality, np.sqrt(energy / model.angles)


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
    basis = _moves(model, order_step, harmonics)
    p, visibility = basis.shape[1], model.visibility.astype(np.float32)
    answer, information, pull = np.zeros((len(phi), p)), np.zeros((p, p)), np.zeros(p)
    omega = apparent + order * order_step
    for group in _chunks(len(phi)):
        still = still_at(model, float(time_s[group].mean()))
        q = _nuisance(model, still)
        data = _without(profiles[group].astype(np.float32), q)
        tables = _tables(model, omega[group])
        spot = spots(on_mark(true_base(model, omega[group]), phi[group]), tables.row)
        shape = _without(visibility * look_up(tables.shape, spot), q)
        ss = np.maximum(_dot(shape, shape), 1e-12)
        amplitude = np.clip(_dot(data, shape) / ss, 0.0, 3.0)
        slope = -visibility * look_up(tables.slope, spot)
        lean = _without(slope, q)
        lean -= (_dot(lean, shape) / ss).astype(np.float32)[:, None] * shape
        strength = np.maximum(_dot(lean, slope), 1e-12)
        scale = np.ones((len(slope), p))
        scale[:, 0] = apparent[group]
        answer[group] = (lean * slope) @ basis / strength[:, None] * scale
        left = data - amplitude.astype(np.float32)[:, None] * shape
        pull += (((slope * left) @ basis) * scale * amplitude[:, None]).sum(0)
        pull -= (_dot(lean, left) * amplitude) @ answer[group]  # the angle is free to follow
        power = amplitude**2
        for i, j in ((0, 0), (0, 1), (1, 1)):  # columns: 0 apparent, 1 all others
            weight = power * apparent[group] ** ((i == 0) + (j == 0))
            full = basis.T @ ((weight @ (slope * slope))[:, None] * basis)
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


def _moves(model: MarkModel, order_step: float, harmonics: int) -> Table:
    """By how much each column moves the mark's picture at each place; (N, 2 + 2H).

    The first column is still to be multiplied with the apparent speed.
    """
    theta = even_angles(model.angles)
    fixed = [model.row_fraction * order_step]
    for h in range(1, harmonics + 1):
        fixed += [np.cos(h * theta), np.sin(h * theta)]
    return np.stack([model.row_fraction, *fixed], 1).astype(np.float32)
