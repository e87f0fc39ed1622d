"""What do still, visibility and mark of this recording look like? Learnt from angles.

By turns with the estimate of the angles: the model from the angles, the angles from the model.
A frame's noise must not become part of what its own angle is then found by, and a place of the
ring is seen by few of the frames.  So two halves of the frames, drawn at random, tell how much of
the mark's shape and of its visibility is noise, block by block of their harmonics, and each block
is taken back by its share of it (L. Cavalier and A. B. Tsybakov, "Penalized blockwise Stein's
method", Math. Methods Stat. 10 (2001) 247-282; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vidspin.cyclic import TWO_PI
from vidspin.markmodel import (
    SMEAR_STEP_RAD,
    Complex,
    MarkModel,
    Spot,
    Table,
    look_up,
    on_mark,
    sinc_smear,
    smeared_table,
    spots,
    true_base,
)
from vidspin.middle import medians
from vidspin.records import BoolArray, FloatArray, IntArray

HARMONICS = 96  # of the mark's shape that are learnt
BINS = 512  # of a turn, in which the changes are averaged on the mark's own angle
SPEEDS = 40  # most groups of like speed in which the mark's fading is looked at
SMEAR_TRIAL_RAD = 0.15  # at the highest speed, between exposures that are tried first
TRIAL_HALVINGS = 3
FADING = 64  # harmonics that tell the exposure; higher ones hold more noise than mark
FADED_AWAY = 1e-4  # a harmonic that has faded so far (in power) at all speeds is not known
WIDER = 0.3  # share by which a block of harmonics is wider than the one before
VISIBILITY_DOUBT = 0.02  # weight of the expected visibility against a usual place's data


def first_model(
    profiles: NDArray[np.float32], row_fraction: FloatArray, *, bright: bool
) -> tuple[MarkModel, FloatArray, BoolArray]:
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
    MarkModel, (F,) array, (F,) bool array
        The model, the first angles, and the frames that do not change by far more than usual.
    """
    level = medians(profiles, 0).astype(np.float64)
    weight = np.maximum(level, 0.1 * level.max())
    change = (profiles - level) / weight
    change -= medians(change, 1)[:, None]
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
    first = MarkModel(level, np.zeros(0), visibility, visibility, shape, row_fraction)
    return first, phi, usual


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
    free: bool = False,
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
    free : bool
        Leave in what noise made: what comes nearest to these very frames, to compare models by.

    Returns
    -------
    MarkModel
        With one `still` for the whole sample.
    """
    use = weight > 0
    phi, omega, w = phi[use], omega[use], weight[use].astype(np.float32)
    if model.still.ndim == 2:
        model = replace(model, still=model.still.mean(0), still_time_s=np.zeros(0))
    places = _places(model, phi, omega)
    mark = places.marks(model)
    data = profiles[use].astype(np.float32)
    data /= _gains(data, _profile(model, mark))[:, None]
    share, half = w / w.sum(), None if free else _halves(len(w))
    bins = places.bins(half)
    for _ in range(2):
        still = share @ (data - model.visibility.astype(np.float32) * mark)
        change = data - still
        shape = _learn_shape(change, places, bins, w, half, model)
        model = replace(model, still=still.astype(np.float64), shape=shape)
        mark = places.marks(model)
        visibility = _learn_visibility(change, mark, w, half, model.expected)
        width = max(1.0, model.angles / 256)
        visibility = ndimage.gaussian_filter1d(np.clip(visibility, 0.0, None), width, mode="wrap")
        scale = float(visibility.mean())
        if scale > 0:
            model = replace(
                model, visibility=np.minimum(visibility / scale, 6.0), shape=shape * scale
            )
            mark *= np.float32(scale)
    left = change - model.visibility.astype(np.float32) * mark
    return replace(model, spread=_spread(left))


def _halves(count: int) -> IntArray:
    """0 or 1 for each frame, at random: a mark may show at other places in every other frame."""
    return np.random.default_rng(0).permutation(count) % 2


def _steady_share(whole: Complex, difference: Complex) -> FloatArray:
    """Share of each harmonic to keep, alike within a block: what noise did not make.

    Parameters
    ----------
    whole : (H,) complex array
        Harmonics learnt from all frames.
    difference : (H,) complex array
        Those of one half of the frames minus those of the other: four times the noise's power.
    """
    kept = np.ones(len(whole))
    first = 1
    while first < len(whole):
        block = slice(first, first + 1 + int(first * WIDER))
        power, noise = (float((np.abs(part[block]) ** 2).sum()) for part in (whole, difference / 2))
        noise *= 1 + len(kept[block]) ** -0.5  # two halves tell it no better
        kept[block] = max(0.0, 1.0 - noise / power) if power > 0 else 0.0
        first = block.stop
    return kept


def _learn_visibility(
    change: Table, mark: Table, w: Table, half: IntArray | None, expected: FloatArray
) -> FloatArray:
    """Ask each place how strongly the mark shows there against what is expected; (N,)."""
    weights = w[None] if half is None else np.stack([w * (half == 0), w * (half == 1)])
    tops, bottoms = (
        np.asarray(weights @ part, np.float64) for part in (change * mark, mark * mark)
    )
    top, bottom = tops.sum(0), bottoms.sum(0)
    doubt = VISIBILITY_DOUBT * float(bottom.mean())
    more = (top - bottom * expected) / (bottom + doubt)
    if half is None:
        return np.asarray(expected + more)
    one, other = (tops - bottoms * expected) / (bottoms + doubt / 2)
    harmonics = np.fft.rfft(more)
    harmonics *= _steady_share(harmonics, np.fft.rfft(one - other))
    return np.asarray(expected + np.fft.irfft(harmonics, len(more)))


def residual(
    profiles: NDArray[np.float32], phi: FloatArray, omega: FloatArray, model: MarkModel
) -> FloatArray:
    """RMS of profile minus model at given angles, grey levels; (F,)."""
    whole = _profile(model, _places(model, phi, omega).marks(model))
    data = profiles.astype(np.float32)
    left = data / _gains(data, whole)[:, None] - whole
    return np.sqrt(np.asarray(np.einsum("fn,fn->f", left, left), np.float64) / model.angles)


def _profile(model: MarkModel, mark: Table) -> Table:
    """Still and mark together, (F, N)."""
    visibility = model.visibility.astype(np.float32)
    return np.asarray(model.still.astype(np.float32) + visibility * mark, np.float32)


def _gains(data: Table, model: Table) -> Table:
    """Brightness of each frame against its modelled profile, by least squares."""
    top, bottom = (np.einsum("fn,fn->f", a, model) for a in (data, model))
    return np.asarray(np.maximum(top / np.maximum(bottom, 1e-9), 0.02), np.float32)


@dataclass(frozen=True, slots=True)
class _Places:
    """Where on the mark each place of each frame lies, frames of like smear in G groups."""

    base: Table  # (F, N) rad
    group: IntArray  # (F,)
    smear_rad: FloatArray  # (G,)
    at: Spot  # the same in elements of a table with a row for each group

    def marks(self, model: MarkModel) -> Table:
        """Look the smeared mark up at every place, visibility left out; (F, N)."""
        return look_up(smeared_table(model, self.smear_rad), self.at)

    def bins(self, half: IntArray | None) -> IntArray:
        """Bin of a turn that each place falls into, group by group and half by half; (F * N,)."""
        group = 2 * self.group + (0 if half is None else half)
        return _bins(self.base, group)


def _places(model: MarkModel, phi: FloatArray, omega: FloatArray) -> _Places:
    smear = np.abs(omega) * model.exposure_s
    steps, group = np.unique(np.rint(smear / SMEAR_STEP_RAD), return_inverse=True)
    count = np.bincount(group, minlength=len(steps))
    mean = np.bincount(group, smear, minlength=len(steps)) / np.maximum(count, 1)
    base = on_mark(true_base(model, omega), phi)
    return _Places(base, group, mean, spots(base, group))


def _spectra(
    change: Table, base: Table, group: IntArray, w: Table, visibility: FloatArray
) -> tuple[NDArray[np.complex128], FloatArray]:
    """Average the changes of each group on the mark's own angle.

    Returns
    -------
    (G, HARMONICS + 1) complex array
        Harmonics of each group's mean change; zero for a group that shows too little.
    (G,) array
        Weight of each group.
    """
    groups = int(group.max()) + 1
    share = np.asarray(np.bincount(group, w, groups), np.float64)
    return _harmonics(*_binned(change, _bins(base, group), w, visibility, groups), share)


def _bins(base: Table, group: IntArray) -> IntArray:
    """Bin of a turn that each place falls into, BINS for each group; (F * N,)."""
    at = (base * np.float32(BINS / TWO_PI) + np.float32(4 * BINS)).astype(np.int32) & (BINS - 1)
    # as np.bincount wants it: it would make a copy of its own each time
    return np.asarray(at + (group * BINS)[:, None], np.intp).ravel()


def _binned(
    change: Table, at: IntArray, w: Table, visibility: FloatArray, groups: int
) -> tuple[FloatArray, FloatArray]:
    """Add the changes of each group up on the mark's own angle, and the weights; (G, BINS)."""
    v = visibility.astype(np.float32) * w[:, None]
    total, norm = (
        np.asarray(np.bincount(at, x.ravel(), groups * BINS), np.float64)
        for x in (v * change, v * visibility.astype(np.float32))
    )
    return total.reshape(groups, BINS), norm.reshape(groups, BINS)


def _harmonics(
    total: FloatArray, norm: FloatArray, share: FloatArray
) -> tuple[NDArray[np.complex128], FloatArray]:
    """Harmonics of each group's mean; a group that shows too little has none, and no share."""
    h, share = np.arange(HARMONICS + 1), share.copy()
    spectra = np.zeros((len(total), len(h)), complex)
    for g in range(len(total)):
        seen = norm[g] > 0.02 * norm[g].mean()
        if not seen.any():
            share[g] = 0.0
            continue
        mean = np.interp(
            np.arange(BINS), np.flatnonzero(seen), total[g, seen] / norm[g, seen], period=BINS
        )
        spectra[g] = np.fft.rfft(mean - mean.mean())[: len(h)]
    # bins hold their angles' centres, half a bin on, and average over a bin
    spectra *= np.exp(-1j * h * np.pi / BINS) / BINS
    return spectra, share


def _learn_shape(  # noqa: PLR0913 - columns of the same frames
    change: Table, places: _Places, bins: IntArray, w: Table, half: IntArray | None,
    model: MarkModel,
) -> Complex:  # fmt: skip
    """Average the changes on the mark's own angle, one average a smear, and undo the smears."""
    groups, group = len(places.smear_rad), 2 * places.group + (0 if half is None else half)
    parts = _binned(change, bins, w, model.visibility, 2 * groups)
    total, norm = (part.reshape(groups, 2, BINS) for part in parts)
    share = np.asarray(np.bincount(group, w, 2 * groups), np.float64).reshape(groups, 2)
    h = np.arange(HARMONICS + 1)
    fade = sinc_smear(h, places.smear_rad[:, None]) * np.sinc(h / BINS)

    def unsmeared(total: FloatArray, norm: FloatArray, share: FloatArray) -> Complex:
        least = FADED_AWAY * float(share.sum())
        spectra, share = _harmonics(total, norm, share)
        shape: Complex = (share @ (fade * spectra)) / (share @ fade**2 + least)
        shape[0] = 0
        return shape

    shape = unsmeared(total.sum(1), norm.sum(1), share.sum(1))
    if half is None:
        return shape
    one, other = (unsmeared(total[:, k], norm[:, k], share[:, k]) for k in (0, 1))
    # noise is told by what is seen: where the smear leaves next to nothing of a harmonic, the
    # mark's own is next to nothing but noise, and would speak for its whole block
    seen = np.sqrt(np.tensordot(share.sum(1), fade**2, 1) / share.sum())
    return shape * _steady_share(shape * seen, (one - other) * seen)


@dataclass(frozen=True, slots=True)
class Fading:
    """How the mark's harmonics look at each of G speeds, in slow order."""

    spectra: NDArray[np.complex128]  # (G, HARMONICS + 1)
    share: FloatArray  # (G,) weight
    speed: FloatArray  # (G,) rad/s, no sign


def fading(
    profiles: NDArray[np.float32], phi: FloatArray, omega: FloatArray, model: MarkModel
) -> Fading:
    """Average the mark on its own angle, speed by speed.

    Parameters
    ----------
    profiles : (F, N) array
    phi, omega : (F,) arrays
        Angles (rad) and signed speeds (rad/s).
    model : MarkModel
        Still, visibility, readout and geometry are used as they are.

    Returns
    -------
    Fading
        What a longer exposure would have faded.  No exposure is assumed but for each frame's
        brightness.
    """
    places = _places(model, phi, omega)
    data = profiles.astype(np.float32)
    data /= _gains(data, _profile(model, places.marks(model)))[:, None]
    change = data - model.still.astype(np.float32)
    speed = np.abs(omega)
    step = max(float(np.ptp(speed)) / np.clip(len(speed) // 8, 4, SPEEDS), 1e-9)
    _, group = np.unique(np.floor((speed - speed.min()) / step), return_inverse=True)
    one = np.ones(len(speed), np.float32)
    spectra, share = _spectra(change, places.base, group, one, model.visibility)
    mean = np.bincount(group, speed) / np.maximum(np.bincount(group), 1)
    return Fading(spectra, share, mean)


def likeliest_exposure(seen: Fading, longest_s: float) -> float:
    """Find the exposure under which one shape explains the mark at all speeds best.

    Parameters
    ----------
    seen : Fading
    longest_s : float
        No exposure is longer.

    Returns
    -------
    float
        Seconds.

    Notes
    -----
    Harmonic m of a mark that turns by s while a row is exposed is faded by sinc(m s / 2 pi).  For
    each exposure the best shape is a weighted mean, so that many exposures are tried at once;
    the misfit has several minima.
    """
    step = SMEAR_TRIAL_RAD / max(float(seen.speed.max()), 1e-9)
    tries = np.arange(0.0, longest_s + step, step)
    for _ in range(TRIAL_HALVINGS):
        best = float(tries[int(np.argmin(misfits(seen, tries)))])
        step /= 4
        tries = best + step * np.arange(-4, 5)
        tries = tries[(tries >= 0) & (tries <= longest_s)]
    return float(tries[int(np.argmin(misfits(seen, tries)))])


def misfits(seen: Fading, exposure_s: FloatArray) -> FloatArray:
    """Tell what the best shape leaves of the harmonics, for each of T exposures.

    Parameters
    ----------
    seen : Fading
    exposure_s : (T,) array

    Returns
    -------
    (T,) array
        Power that is left, weighted over the speeds.
    """
    h = np.arange(1, FADING + 1)
    spectra = seen.spectra[:, 1 : FADING + 1]
    smear = exposure_s[:, None, None] * seen.speed[:, None]
    fade = np.asarray(sinc_smear(h, smear) * np.sinc(h / BINS), np.float64)  # (T, G, FADING)
    top = np.einsum("g,tgh,gh->th", seen.share, fade, spectra)
    bottom = np.einsum("g,tgh,tgh->th", seen.share, fade, fade)
    shape = top / (bottom + FADED_AWAY * seen.share.sum())
    left = np.abs(spectra - fade * shape[:, None]) ** 2
    return np.asarray(np.einsum("g,tgh->t", seen.share, left), np.float64)


def _spread(left: Table) -> float:
    """How much more a smooth sum over neighbours varies than for independent noise."""
    left = left - left.mean(1, keepdims=True)
    power = max(float(np.einsum("fn,fn->", left, left)), 1e-12)
    total = 1.0
    for lag in range(1, 9):
        inner = np.einsum("fn,fn->", left[:, lag:], left[:, :-lag])
        round_ = np.einsum("fn,fn->", left[:, :lag], left[:, -lag:])
        share = float(inner + round_) / power
        if share < 0.05:
            break
        total += 2 * share
    return total
