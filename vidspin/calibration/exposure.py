"""How long was one row exposed? What the mark's trace says at different speeds.

The faster the mark, the longer its trace.  Under each exposure one shape of the mark has to
explain all speeds; how well it does so tells the exposure, and how surely it is told.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vidspin import markmodel
from vidspin.calibration import calibrate
from vidspin.calibration.calibrate import Tuned
from vidspin.calibration.doubled import doubled
from vidspin.cyclic import TWO_PI
from vidspin.mark import learning
from vidspin.mark.learning import Fading
from vidspin.order.resolve import Spin
from vidspin.profiles import Profiles
from vidspin.records import AliasVerdict, Candidate, FloatArray, Quantity
from vidspin.uncertainty import rectangular

STEP_RAD = 0.02  # of smear at the highest speed, between exposures that are tried
# Than the trace as it was learnt: of marks of unequal strength their mean looks shorter than each.
LONGER = 2.0
# What the box that stands for an exposure, the edges of a mark and the encoder leave: exposures
# of simulated and ray-traced clips came out 2 % off at most where the trace told them well.
MODEL_DOUBT = 0.03
BLUR_RAD = 0.015  # that readout and geometry as fitted may leave, more at one speed than another
# Of the mean square of the trace as seen, by which it has to grow: else its width itself, and what
# visibility and angles make of it, would have to be known too well.
LEAST_GROWTH = 0.04
EXCLUDED = 1e-3  # probability; a candidate below it is as good as excluded
EVEN = 0.5 + 1e-6  # a likelier candidate has better odds than 1, unless these were taken back
OPEN = "; the value is the likeliest candidate's, the doubt takes in the others"
TOLD = 0.15  # of its value: an exposure less sure by itself is not told


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
        With `trace_s` filled, and `exposure_s` as well where the recording tells it, and whether
        the pictures show their neighbours' marks as well; its model untouched.

    Notes
    -----
    One shape of the mark leaves something of its harmonics at each of G speeds: noise, of the
    size that harmonics beyond any mark have, independent from one to the next; and what is wrong
    with the model, which is one error a speed.  By both together the exposures are compared.  All
    up to the longest that could have left the trace are as likely beforehand, and stay so where
    none stands out: what is wrong with the model would choose among them.
    """
    data = calibrate.gather(profiles, tuned.index)
    omega, model = spin.omega(order)[tuned.index], tuned.model
    phi, interval = np.mod(tuned.angle_rad, TWO_PI), 1.0 / spin.frame_rate
    seen = learning.fading(data, phi, omega, model)
    shape = seen.share @ seen.spectra / seen.share.sum()  # under a blend a wrong smear is learnt
    as_seen = replace(model, shape=shape, exposure_s=0.0)
    if doubled(data, phi, omega, as_seen, interval, spin.marks):
        tuned = replace(tuned, beside_s=interval)
    usual = max(float(np.median(np.abs(omega))), 1e-6)
    most, surely = (
        markmodel.longest_smear(
            model, spin.marks, usual * interval, smear_rad=usual * model.exposure_s, surely=sure
        )
        for sure in (False, True)
    )
    step = STEP_RAD / max(float(np.abs(omega).max()), 1e-6)
    tries = np.arange(0.0, min(LONGER * most / usual, interval) + step, step)
    value, random = _mean(tries, _log_likelihood(seen, learning.misfits(seen, tries)))
    slow, fast = np.percentile(np.abs(omega), (5, 95))
    grown = value**2 * float(fast**2 - slow**2) / 12  # mean square that the smear adds between them
    blur = value * BLUR_RAD**2 / max(2 * grown, 1e-12)
    random = float(np.linalg.norm([random, rectangular(step / 2), blur]))
    width = markmodel.seen_width(model, spin.marks, smear_rad=usual * model.exposure_s)
    if random >= TOLD * value or grown < LEAST_GROWTH * width**2 / 12:
        half = min(surely / usual, interval) / 2
        how = "no longer than the mark's trace"
        return replace(tuned, trace_s=Quantity(half, rectangular(half), how), exposure_s=None)
    told = Quantity(
        value,
        float(np.hypot(random, MODEL_DOUBT * value)),
        "how the mark's trace grows with the speed",
    )
    # what two pictures leave side by side is no trace of one
    return replace(tuned, trace_s=told, exposure_s=None if tuned.beside_s else told)


def _log_likelihood(seen: Fading, misfit: FloatArray) -> FloatArray:
    """Log-likelihood of each exposure from what it leaves of the harmonics."""
    speeds = len(seen.speed)
    beyond = np.mean(np.abs(seen.spectra[:, learning.FADING + 1 :]) ** 2, axis=1)
    noise = float(np.mean(seen.share * beyond))  # of one harmonic at one speed
    wrong = max(float(misfit.min()) / speeds - learning.FADING * noise, 0.0)  # at one speed
    return np.asarray(-(misfit - misfit.min()) / max(noise + 2 * wrong, 1e-30))


def _mean(tries: FloatArray, log_likelihood: FloatArray) -> tuple[float, float]:
    """Mean and standard deviation of an exposure, all that are tried as likely beforehand."""
    belief = np.exp(log_likelihood - log_likelihood.max())
    belief /= belief.sum()
    value = float(belief @ tries)
    return value, float(np.sqrt(belief @ (tries - value) ** 2))


def timing(tuned: Tuned, locked: Quantity | None) -> tuple[Quantity | None, Quantity]:
    """Exposure, and the exposure centre of the middle row against the frame's time stamp.

    A stamp stands for the start of the first stored row's exposure (as `simulate` has it; a
    camera's own convention is common practice, no source), so the middle row's centre comes half
    a readout and half an exposure later.  Where the last stored row is read first, the stamp may
    mean either end of the readout: a sensor that stands on its head, or pictures that were turned
    over after they were stamped.
    """
    readout, u_readout = tuned.model.readout_s, tuned.fit.u_readout_s
    if locked is not None:
        length, u = locked.value, locked.u
        known: Quantity | None = replace(locked, how="locked, from the camera profile")
    else:
        known, trace = tuned.exposure_s, tuned.trace_s or Quantity(0.0, 0.0)
        length, u = trace.value, trace.u
    if readout >= 0:
        half, either, how = readout / 2, 0.0, "half of readout and exposure"
    else:
        half, either = 0.0, -readout / 2  # one end or the other, nothing between
        how = "half of the exposure; the stamp may mean either end of the readout"
    # the ring's own rows were read a little before or after the middle row
    beside = float(tuned.model.row_fraction.mean())
    lever = 0.5 + (beside if readout >= 0 else abs(beside))
    beside_u = rectangular(tuned.beside_s)
    how += "; pictures show their neighbours' marks as well" if beside_u else ""
    doubt = float(np.linalg.norm([either, lever * u_readout, u / 2, beside_u]))
    return known, Quantity(half + length / 2, doubt, how)


def still_open(verdict: AliasVerdict) -> tuple[Candidate, ...]:
    """Say which candidates may be the true one, best first; of a resolved verdict its own.

    While the frames or the course of the speed take back what the cues say, their odds speak for
    no candidate and against none.
    """
    cast = verdict.candidates
    if verdict.resolved:
        return cast[:1]
    if not cast or (verdict.odds <= 1.0 and cast[0].probability > EVEN):
        return cast
    return tuple(one for one in cast if one.probability >= EXCLUDED)


def left_open(
    offset: Quantity, readout: Quantity | None, verdict: AliasVerdict, interval_s: float
) -> Quantity:
    """Widen what a time stamp stands for by what it would be under the other candidates.

    Parameters
    ----------
    offset : Quantity
        From `timing`, with readout and exposure as the likeliest candidate's speed needs them.
    readout : Quantity or None
        That readout.
    verdict : AliasVerdict
    interval_s : float
        From frame to frame; no readout and no exposure is longer.

    Returns
    -------
    Quantity
        The same where no other candidate is open, or none would change it.  Else its value stays,
        as all angles of the result are that candidate's, and its doubt reaches evenly to the
        farthest of the others.

    Notes
    -----
    A mark's shift and smear are seen; readout and exposure are these over the speed, so that an
    exposure goes as the readouts that were fitted to the candidates.
    """
    if verdict.resolved or readout is None or not verdict.candidates:
        return offset
    best, away = verdict.candidates[0], 0.0
    length = max(0.0, 2 * offset.value - max(readout.value, 0.0))
    for one in still_open(verdict):
        needed, ratio = readout.value, 1.0
        if one.readout_s is not None and best.readout_s is not None:
            needed = one.readout_s
            ratio = abs(needed) / max(abs(best.readout_s), 1e-9)
        needed = float(np.clip(needed, -interval_s, interval_s))
        own = max(needed, 0.0) / 2 + min(length * ratio, interval_s) / 2
        away = max(away, abs(own - offset.value) + max(-needed, 0.0) / 2 * (readout.value >= 0))
    u = float(np.hypot(offset.u, rectangular(away)))
    return offset if u == offset.u else Quantity(offset.value, u, offset.how + OPEN)


def told_of(
    offset: Quantity, readout: Quantity | None, was: AliasVerdict, now: AliasVerdict,
    interval_s: float,
) -> Quantity:  # fmt: skip
    """Say what a time stamp stands for once other candidates are open than were before."""
    return left_open(by_best_alone(offset, readout, was, interval_s), readout, now, interval_s)


def by_best_alone(
    offset: Quantity, readout: Quantity | None, verdict: AliasVerdict, interval_s: float
) -> Quantity:
    """Take off again what `left_open` added: what is left if the likeliest candidate is true."""
    if OPEN not in offset.how:
        return offset
    bare = Quantity(offset.value, 0.0, offset.how.removesuffix(OPEN))
    own = offset.u**2 - left_open(bare, readout, verdict, interval_s).u ** 2
    return replace(bare, u=float(np.sqrt(max(0.0, own))))
