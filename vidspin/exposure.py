"""How long was one row exposed? What the mark's trace says at different speeds.

The faster the mark, the longer its trace.  Under each exposure one shape of the mark has to
explain all speeds; how well it does so tells the exposure, and how surely it is told.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vidspin import calibrate, learning, markmodel
from vidspin.calibrate import Tuned
from vidspin.profiles import Profiles
from vidspin.records import FloatArray, Quantity
from vidspin.resolve import Spin
from vidspin.uncertainty import rectangular

STEP_RAD = 0.02  # of smear at the highest speed, between exposures that are tried
LONGER = 1.25  # than the trace as it was learnt; its width is known so well
# What the box that stands for an exposure, the edges of a mark and the encoder leave: exposures
# of simulated and ray-traced clips came out 2 % off at most where the trace told them well.
MODEL_DOUBT = 0.03
TOLD = 0.15  # of its value: an exposure less sure by itself is not told

TWO_PI = 2 * np.pi


def refined(profiles: Profiles, spin: Spin, order: int, tuned: Tuned) -> Tuned:
    """Find the exposure, or how much of it is known.

    Parameters
    ----------
    profiles, spin
        The recording.
    order : int
        Alias order.
    tuned : Tuned
        With a first exposure or none.

    Returns
    -------
    Tuned
        With `trace_s` filled, and `exposure_s` as well where the recording tells it; its model
        untouched.

    Notes
    -----
    The harmonics of the mark at each of G speeds are averages over frames; what one shape leaves
    of them is compared as if each speed was one measurement.  That is far fewer than there are
    harmonics, whose errors are not independent.  All exposures up to the longest that could have
    left the trace are as likely beforehand.
    """
    data = calibrate.gather(profiles, tuned.index)
    omega, model = spin.omega(order)[tuned.index], tuned.model
    seen = learning.fading(data, np.mod(tuned.angle_rad, TWO_PI), omega, model)
    usual = max(float(np.median(np.abs(omega))), 1e-6)
    interval = 1.0 / spin.frame_rate
    most = markmodel.longest_smear(
        model, spin.marks, usual * interval, smear_rad=usual * model.exposure_s
    )
    step = STEP_RAD / max(float(np.abs(omega).max()), 1e-6)
    tries = np.arange(0.0, min(LONGER * most / usual, interval) + step, step)
    value, random = _mean(tries, learning.misfits(seen, tries), len(seen.speed))
    random = float(np.hypot(random, rectangular(step / 2)))
    trace = Quantity(
        value,
        float(np.hypot(random, MODEL_DOUBT * value)),
        "how the mark's trace grows with the speed",
    )
    return replace(tuned, trace_s=trace, exposure_s=trace if random < TOLD * value else None)


def _mean(tries: FloatArray, misfit: FloatArray, count: int) -> tuple[float, float]:
    """Mean and standard deviation of an exposure, from what each one leaves of the harmonics."""
    least = max(float(misfit.min()), 1e-30)
    belief = np.exp(-0.5 * count * np.log(np.maximum(misfit, least) / least))
    belief /= belief.sum()
    value = float(belief @ tries)
    return value, float(np.sqrt(belief @ (tries - value) ** 2))
