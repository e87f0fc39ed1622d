"""Which readout makes the mark sharpest, and do the frames agree about it?

The rolling shutter widens the mark where it runs with the readout and narrows it where it runs
against it: all readouts are tried, and the one that leaves least of the frames begins the fit.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from vidspin.mark import learning, sighting
from vidspin.markmodel import MarkModel
from vidspin.records import FloatArray

FRAMES = 96
ANGLES = 256
LIMIT_RAD = 1.8  # amplitude of the angle error; three images of one mark begin at 1
STEP_RAD = 0.3  # the minimum is about twice as wide
HALVINGS = 2
RUN = 6  # frames that follow each other and belong to the same half
USUAL = 0.95  # of the frames count
SCAN_DOUBT_RAD = 0.1  # standard uncertainty of the amplitude that the scan finds


def scan_readout(  # noqa: PLR0913 - columns of the same frames, the model and what is tried
    data: NDArray[np.float32],
    time_s: FloatArray,
    omega: FloatArray,
    model: MarkModel,
    longest_s: float,
    *,
    exposure_too: bool = False,
) -> tuple[MarkModel, float]:
    """Try readouts over their whole range; keep the one under which the mark is sharpest.

    The rolling shutter widens the mark where it runs with the readout and narrows it where it
    runs against it, so a model with the right readout leaves least.  Several marks, a long smear
    and a mark seen three times have one clear minimum too, where angles alone would mislead.
    Where the speed changes much, each readout is tried with the exposure that suits it best: a
    long exposure widens the mark as well, more where it is faster.

    The number that comes with the model is the standard doubt of the amplitude of the angle error,
    rad, where frames do not agree which readout leaves least: next to 0 for a mark seen well.
    """
    every = max(1, len(data) // FRAMES)
    thin = max(1, data.shape[1] // ANGLES)
    d, t, w = data[::every, ::thin], time_s[::every], omega[::every]
    small = _thinned(model, thin)
    longest = longest_s if exposure_too else None
    # the amplitude of the angle error is what is tried: readout * speed * half the rows
    size = angle_per_readout(omega, model)
    limit = min(LIMIT_RAD, longest_s * size)

    half = (np.arange(len(d)) // min(RUN, max(1, len(d) // 2))) % 2 == 0

    @cache
    def left(amplitude: float) -> FloatArray:
        # each half under the mark that the other one shows: no frame fits its own noise
        out, start = np.empty(len(d)), replace(small, readout_s=amplitude / size)
        for own in (half, ~half):
            learnt, _ = _learnt(d[~own], t[~own], w[~own], start, longest)
            phi = sighting.estimate(d[own], t[own], w[own], learnt).angle_rad
            out[own] = learning.residual(d[own], phi, w[own], learnt) ** 2
        return out

    def energy(amplitude: float) -> float:
        usual = np.sort(left(amplitude))
        return float(usual[: max(1, int(USUAL * len(usual)))].mean())

    tries = np.linspace(-limit, limit, 2 * int(np.ceil(limit / STEP_RAD)) + 1)
    step, best = float(tries[1] - tries[0]), min(map(float, tries), key=energy)
    for _ in range(HALVINGS):
        step /= 2
        around = [a for a in (best - step, best, best + step) if abs(a) <= limit]
        best = min(around, key=energy)
    doubt = _doubt(tries - best, np.array([left(float(a)) for a in tries]) - left(best))
    return _learnt(data, time_s, omega, replace(model, readout_s=best / size), longest)[0], doubt


def _doubt(apart: FloatArray, more: FloatArray) -> float:
    """Tell how far off the best amplitude may be, where frames do not agree about it, rad.

    Parameters
    ----------
    apart : (A,) array
        Amplitudes that were tried, from the best one, evenly spaced.
    more : (A, F) array
        What each leaves of each frame beyond what the best one does.
    """
    usual = np.sort(more, axis=1)[:, : max(2, int(USUAL * more.shape[1]))]
    chance = np.maximum(usual.std(axis=1), 1e-12) / np.sqrt(usual.shape[1])
    likely = np.exp(-0.5 * np.maximum(usual.mean(axis=1) / chance, 0.0) ** 2)
    other = np.abs(apart) > STEP_RAD  # nearer ones lie in the same minimum: the fit descends it
    likely = np.where(other, likely, 0.0)
    return float(np.sqrt(likely @ apart**2 / (1.0 + likely.sum())))


def _learnt(
    data: NDArray[np.float32],
    time_s: FloatArray,
    omega: FloatArray,
    model: MarkModel,
    longest_s: float | None,
) -> tuple[MarkModel, FloatArray]:
    """Learn the mark twice under a readout, and the exposure unless no longest one is given."""
    for _ in range(2):  # marks may change places once they look alike, so all angles are tried
        phi = sighting.estimate(data, time_s, omega, model).angle_rad
        if longest_s is not None:
            model = with_exposure(data, phi, omega, model, longest_s)
        model = learning.learn(data, phi, omega, np.ones(len(omega)), model, free=True)
    return model, phi


def with_exposure(
    data: NDArray[np.float32],
    phi: FloatArray,
    omega: FloatArray,
    model: MarkModel,
    longest_s: float,
) -> MarkModel:
    """Take the exposure under which the mark's fading with speed is explained best."""
    seen = learning.fading(data, phi, omega, model)
    return replace(model, exposure_s=learning.likeliest_exposure(seen, longest_s))


def angle_per_readout(omega: FloatArray, model: MarkModel) -> float:
    """Amplitude of the angle error for a readout of one second, rad."""
    return float(np.median(np.abs(omega))) * float(np.ptp(model.row_fraction)) / 2


def _thinned(model: MarkModel, thin: int) -> MarkModel:
    return replace(
        model, still=model.still[::thin], visibility=model.visibility[::thin],
        expected=model.expected[::thin], row_fraction=model.row_fraction[::thin],
    )  # fmt: skip
