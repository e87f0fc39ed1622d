"""What do recordings of one camera tell of it, and what does that say of the next recording?

A camera's readout belongs to its mode and does not change, so that many recordings know it
better than one.  Its exposure follows the light unless the user locks it.  The rate of its
clock changes a little with temperature and age.

For a new recording every alias order needs a readout of its own, in inverse ratio to its speed;
a profile tells which of them the camera has.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from scipy.special import log_ndtr

from vidspin.records import CameraProfile, FloatArray, Quantity
from vidspin.uncertainty import rectangular

# How true to life a fitted readout is at best, whatever its fit says of itself (judged from
# simulated recordings).
READOUT_DOUBT = 0.01
# A phone's crystal keeps its rate within this from day to day (half width; from memory).
CLOCK_STEADY_PPM = 5.0
DISAGREE = 5.0  # standard uncertainties between two recordings of one mode that cannot be
SAME_RATE = 0.01  # frame rates of one mode differ by less (29.97 is no other mode than 30)
# No candidate's readout is so near to the profile's: it is the profile of something else.
STRANGE = 4.0
LONGEST_TRACE_RAD = 1.9  # of the mark; above it the ground between its ends is not seen
# However long a smear would be: traces differ from their model, and a lock may have been forgotten.
TRACE_CAP = float(np.log(1e4))
TRACE_DOUBT = 0.15  # of its length: ellipse, rolling shutter and the mark's own edges


@dataclass(frozen=True, slots=True)
class Lesson:
    """What one recording tells of its camera."""

    recording: str
    sha256: str
    width: int
    height: int
    frame_rate: Fraction
    readout_s: Quantity | None
    exposure_s: Quantity | None
    clock_ppm: Quantity | None  # None unless it was measured
    tick_s: float  # unit of the file's times
    jitter_s: float  # scatter of the frame times about even ones, beyond the ticks
    missing: float  # share of frames that are not there


@dataclass(frozen=True, slots=True)
class CameraEvidence:
    """What the order decision may look at of a profile."""

    profile: CameraProfile
    readouts: Mapping[int, tuple[float, float]]  # by order: readout needed and its u, s
    trace_rad: float | None  # length of the mark's trace, None where it is not known


# ------------------------------------------------------------------------------ learning


def learn(lessons: Sequence[Lesson], name: str, *, exposure_fixed: bool = False) -> CameraProfile:
    """Combine recordings of one phone and mode.

    Parameters
    ----------
    lessons : sequence of Lesson
        One or more.
    name : str
        What the user calls the camera and mode.
    exposure_fixed : bool
        The user's word that the exposure is locked.

    Returns
    -------
    CameraProfile

    Raises
    ------
    ValueError
        When there is none, or they cannot be of one mode; the message names two of them.
    """
    if not lessons:
        raise ValueError("no recording tells anything of the camera")
    first = lessons[0]
    for other in lessons[1:]:
        _same_mode(first, other)
    readout = _combined("readout", [(one.recording, one.readout_s) for one in lessons])
    exposure = _typical([one.exposure_s for one in lessons if one.exposure_s is not None])
    clock = _combined("clock rate", [(one.recording, one.clock_ppm) for one in lessons])
    if readout is not None:
        u = float(np.hypot(readout.u, READOUT_DOUBT * readout.value))
        readout = Quantity(readout.value, u, readout.how)
    if clock is not None:
        u = float(np.hypot(clock.u, rectangular(CLOCK_STEADY_PPM)))
        clock = Quantity(clock.value, u, clock.how)
    return CameraProfile(
        name, first.width, first.height, first.frame_rate, readout, exposure,
        exposure_fixed and exposure is not None, clock,
    )  # fmt: skip


def _same_mode(a: Lesson, b: Lesson) -> None:
    sizes = [f"{one.width} x {one.height}" for one in (a, b)]
    if sizes[0] != sizes[1]:
        raise ValueError(f"{a.recording} is {sizes[0]} and {b.recording} {sizes[1]}")
    if abs(float(a.frame_rate / b.frame_rate) - 1) > SAME_RATE:
        rates = [f"{float(one.frame_rate):.4g}" for one in (a, b)]
        raise ValueError(f"{a.recording} has {rates[0]} frames/s and {b.recording} {rates[1]}")


def _combined(what: str, told: Sequence[tuple[str, Quantity | None]]) -> Quantity | None:
    """Weighted mean, widened where the recordings scatter more than they should."""
    known = [(name, q) for name, q in told if q is not None and q.u > 0]
    if not known:
        return None
    for k, (name, a) in enumerate(known):
        for other, b in known[k + 1 :]:
            if abs(a.value - b.value) > DISAGREE * np.hypot(a.u, b.u):
                raise ValueError(f"{name} and {other} disagree about the {what}: not one mode")
    value = np.array([q.value for _, q in known])
    weight = np.array([q.u**-2.0 for _, q in known])
    mean = float(np.average(value, weights=weight))
    u = float(weight.sum() ** -0.5)
    how = f"{len(value)} recording{'s' if len(value) > 1 else ''}"
    if len(value) > 1:
        excess = float(weight @ (value - mean) ** 2) / (len(value) - 1)
        if excess > 1:
            u *= excess**0.5
            how += f", scattering {excess**0.5:.1f} times as much as they should"
    return Quantity(mean, u, how)


def _typical(told: Sequence[Quantity]) -> Quantity | None:
    """Median exposure; its uncertainty is how much a single recording differs from it."""
    if not told:
        return None
    value = np.array([q.value for q in told])
    middle = float(np.median(value))
    own = float(np.median([q.u for q in told]))
    scatter = float(np.std(value, ddof=1)) if len(value) > 1 else 0.0
    u = float(np.hypot(own, scatter))
    return Quantity(middle, u, f"{len(value)} recording{'s' if len(value) > 1 else ''}")


def frame_times(time_s: FloatArray, frame_rate: float, tick_s: float) -> tuple[float, float]:
    """Describe how even a recording's frame times are.

    Parameters
    ----------
    time_s : (N,) array
        Frame times, s, N >= 3.
    frame_rate : float
        Nominal frames a second.
    tick_s : float
        Unit of the times.

    Returns
    -------
    jitter_s : float
        Standard deviation of the times about even ones beyond what rounding to ticks explains.
    missing : float
        Share of frames that are not there.
    """
    steps = np.maximum(np.rint(np.diff(time_s) * frame_rate), 1.0)
    slot = np.concatenate([[0.0], np.cumsum(steps)])
    left = time_s - np.polyval(np.polyfit(slot, time_s, 1), slot)
    beyond = float(np.var(left)) - tick_s**2 / 12
    return float(np.sqrt(max(beyond, 0.0))), float(1.0 - (len(time_s) - 1) / slot[-1])


# ----------------------------------------------------------------------------- the cue


def suits(profile: CameraProfile, width: int, height: int, frame_rate: Fraction) -> str | None:
    """Say why a profile is not of a recording's mode; None when it is."""
    if (profile.width, profile.height) != (width, height):
        return f"it is of pictures of {profile.width} x {profile.height}, not {width} x {height}"
    if abs(float(profile.frame_rate / frame_rate) - 1) > SAME_RATE:
        return f"it is of {float(profile.frame_rate):.4g} frames/s, not {float(frame_rate):.4g}"
    return None


def fits_recording(profile: Quantity, own_s: float, u_own_s: float) -> bool:
    """Whether a profile's readout may be that of a recording."""
    return abs(own_s - profile.value) < STRANGE * float(np.hypot(u_own_s, profile.u))


def weigh(
    evidence: CameraEvidence, speeds: Mapping[int, float]
) -> tuple[dict[int, float], str] | str:
    """Weigh alias orders by what a camera profile knows.

    Parameters
    ----------
    evidence : CameraEvidence
    speeds : mapping of int to float
        Lowest speed of the free spin by order, rad/s: no smear is shorter than that one's.

    Returns
    -------
    (dict of int to float, str) or str
        Natural log-likelihood by order and the grounds, or why the profile tells nothing.

    Notes
    -----
    Readout: a normal law about the profile's value with both uncertainties.  Its height is left
    out on purpose: the rolling-shutter cue compares best fits, so that the range of readouts
    open to each order is not counted there either.

    Exposure, only where the user locks it: a box of length L that runs over a mark makes a
    trace whose area over height is L or more, so that an order whose smear alone is longer
    than the trace seen is excluded.
    """
    profile, notes = evidence.profile, []
    out = dict.fromkeys(speeds, 0.0)
    if profile.readout_s is not None and all(n in evidence.readouts for n in speeds):
        apart = {}
        for n in speeds:
            own, u = evidence.readouts[n]
            apart[n] = (own - profile.readout_s.value) / float(np.hypot(u, profile.readout_s.u))
        if min(abs(z) for z in apart.values()) > STRANGE:
            return "no speed that the frames allow needs the profile's readout: another mode?"
        out = {n: -0.5 * z**2 for n, z in apart.items()}
        ms, u_ms = profile.readout_s.value * 1e3, profile.readout_s.u * 1e3
        notes.append(f"a readout of {ms:.2f} ± {2 * u_ms:.2f} ms")
    exposure, trace = profile.exposure_s, evidence.trace_rad
    if exposure is not None and profile.exposure_fixed and trace is not None:
        for n, speed in speeds.items():
            doubt = float(np.hypot(TRACE_DOUBT * trace, abs(speed) * exposure.u))
            inside = float(log_ndtr((trace - abs(speed) * exposure.value) / doubt))
            out[n] += max(inside, -TRACE_CAP)
        notes.append(f"a locked exposure of {exposure.value * 1e3:.2f} ms")
    if not notes:
        return "the profile holds nothing that tells speeds apart"
    return out, f"'{profile.name}' has {' and '.join(notes)}"


def trace_length(turn: FloatArray) -> float | None:
    """Length of a mark's trace round the ring: its area over its height, rad.

    Parameters
    ----------
    turn : (N,) array
        Brightness of the mark against its ground at even angles of one turn, as seen.

    Returns
    -------
    float or None
        None where the trace leaves too little ground between its ends.
    """
    height = turn - np.median(turn)
    height = height * np.sign(height[int(np.argmax(np.abs(height)))])
    top = float(height.max())
    if top <= 0:
        return None
    # half of what is left of the ground lies above its median: noise, not trace
    length = float(height[height > 0.05 * top].sum()) / top * 2 * np.pi / len(turn)
    return length if length < LONGEST_TRACE_RAD else None
