"""What do still, visibility and mark of this recording look like? Learnt from angles.

By turns with the estimate of the angles: the model from the angles, the angles from the model.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vidspin.markmodel import (
    TWO_PI,
    Complex,
    MarkModel,
    look_up,
    sinc_smear,
    smeared_tables,
    true_base,
)
from vidspin.records import FloatArray

HARMONICS = 96  # of the mark's shape that are learnt
VISIBILITY_DOUBT = 0.02  # weight of the expected visibility against a usual place's data


def first_model(
    profiles: NDArray[np.float32], row_fraction: FloatArray, *, bright: bool
) -> tuple[MarkModel, FloatArray]:
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


def learn(  # noqa: PLR0913 - four columns of the same frames
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
    base = true_base(model, omega) - np.mod(phi, TWO_PI)[:, None]
    smear = np.abs(omega) * model.exposure_s
    group = _speed_groups(smear)
    data /= _gains(data, model.still + model.visibility * _marks(model, base, smear, group))[
        :, None
    ]
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
            model = replace(
                model, visibility=np.minimum(visibility / scale, 6.0), shape=shape * scale
            )
    left = change - model.visibility * _marks(model, base, smear, group)
    return replace(model, spread=_spread(left))


def residual(
    profiles: NDArray[np.float32], phi: FloatArray, omega: FloatArray, model: MarkModel
) -> FloatArray:
    """RMS of profile minus model at given angles, grey levels; (F,)."""
    smear = np.abs(omega) * model.exposure_s
    base = true_base(model, omega) - np.mod(phi, TWO_PI)[:, None]
    mark = _marks(model, base, smear, _speed_groups(smear))
    whole = model.still + model.visibility * mark
    gain = _gains(profiles.astype(np.float64), whole)
    return np.asarray(np.sqrt(((profiles / gain[:, None] - whole) ** 2).mean(1)))


def _gains(data: FloatArray, model: FloatArray) -> FloatArray:
    """Brightness of each frame against its modelled profile, by least squares."""
    ratio = (data * model).sum(1) / np.maximum((model * model).sum(1), 1e-9)
    return np.asarray(np.maximum(ratio, 0.02))


def _speed_groups(smear: FloatArray) -> NDArray[np.int64]:
    """Sort frames by the length of their smear into steps of 0.03 rad."""
    return np.rint(smear / 0.03).astype(np.int64)


def _marks(
    model: MarkModel, base: FloatArray, smear: FloatArray, group: NDArray[np.int64]
) -> FloatArray:
    out = np.empty_like(base)
    for g in np.unique(group):
        rows = group == g
        table, _ = smeared_tables(model, float(smear[rows].mean()))
        out[rows] = look_up(table, base[rows])
    return out


def _learn_shape(  # noqa: PLR0913 - data, where they lie, and the model
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
        mean = np.interp(
            np.arange(bins), np.flatnonzero(seen), total[seen] / norm[seen], period=bins
        )
        mean -= mean.mean()
        # bins hold their angles' centres, half a bin on
        spectrum = np.fft.rfft(mean)[: len(h)] / bins * np.exp(-1j * h * np.pi / bins)
        fade = sinc_smear(h, float(smear[rows].mean())) * np.sinc(h / bins)
        share = float(w[rows].sum())
        top += share * fade * spectrum
        bottom += share * fade**2
    shape: Complex = (top / (bottom + 0.02 * float(w.sum()))).astype(np.complex128)
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
