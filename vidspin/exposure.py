"""How long was one row exposed? The fade of the mark with speed, searched finely.

The exposure that calibration takes is good enough to find the angles; what is kept of a camera
has to be better than that, and has to say how good it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vidspin import calibrate, learning
from vidspin.calibrate import Tuned
from vidspin.markmodel import MarkModel
from vidspin.profiles import Profiles
from vidspin.records import FloatArray, Quantity
from vidspin.resolve import Spin

PARTS = 3  # of the frames, each searched by itself: their scatter is the random part
MOST_FRAMES = 150  # a part
FIRST_STEPS, SECOND_STEPS = 9, 7
REACH = 0.08  # of the frame interval, about the calibration's value
# What the box that stands for an exposure, the edges of a mark and the encoder leave: fitted
# exposures of simulated and ray-traced clips came out 1 to 5 % short.
MODEL_DOUBT = 0.05

TWO_PI = 2 * np.pi


def refined(profiles: Profiles, spin: Spin, order: int, tuned: Tuned) -> Tuned:
    """Search the exposure finely.

    Parameters
    ----------
    profiles, spin
        The recording.
    order : int
        Alias order.
    tuned : Tuned
        With a first exposure.

    Returns
    -------
    Tuned
        With `exposure_s` filled, its model untouched; as it came where the recording does not
        tell an exposure.
    """
    if not tuned.exposure_known or tuned.model.exposure_s <= 0:
        return tuned
    data = calibrate.gather(profiles, tuned.index)
    angle, omega = np.mod(tuned.angle_rad, TWO_PI), spin.omega(order)[tuned.index]
    reach = REACH / spin.frame_rate
    found = np.array(
        [
            _best(_energy(data[rows], angle[rows], omega[rows], tuned.model), tuned, reach)
            for rows in _parts(len(angle))
        ]
    )
    value = float(found.mean())
    random = float(found.std(ddof=1)) / np.sqrt(PARTS)
    exposure = Quantity(
        value,
        float(np.hypot(random, MODEL_DOUBT * value)),
        "how the mark's trace grows with the speed",
    )
    return replace(tuned, exposure_s=exposure) if value > 0 else tuned


def _parts(count: int) -> list[NDArray[np.int64]]:
    """Interleaved rows of each part."""
    every = max(1, count // (PARTS * MOST_FRAMES))
    return [np.arange(k * every, count, PARTS * every) for k in range(PARTS)]


def _energy(
    data: NDArray[np.float32], angle: FloatArray, omega: FloatArray, model: MarkModel
) -> Callable[[float], float]:
    one = np.ones(len(omega))

    def energy(exposure_s: float) -> float:
        trial = replace(model, exposure_s=exposure_s)
        trial = learning.learn(data, angle, omega, one, trial, free=True)
        return float(np.mean(learning.residual(data, angle, omega, trial) ** 2))

    return energy


def _best(energy: Callable[[float], float], tuned: Tuned, reach: float) -> float:
    """Exposure of least energy: two grids, then a parabola through the least three."""
    low, high = max(0.0, tuned.model.exposure_s - reach), tuned.model.exposure_s + reach
    for steps in (FIRST_STEPS, SECOND_STEPS):
        tries = np.linspace(low, high, steps)
        left = np.array([energy(float(e)) for e in tries])
        k = int(np.clip(np.argmin(left), 1, steps - 2))
        low, high = float(tries[k - 1]), float(tries[k + 1])
    step = float(tries[1] - tries[0])
    bend = left[k - 1] - 2 * left[k] + left[k + 1]
    slope = 0.5 * (left[k + 1] - left[k - 1])
    shift = float(np.clip(-slope / bend, -1.0, 1.0)) if bend > 0 else 0.0
    return float(tries[k]) + shift * step
