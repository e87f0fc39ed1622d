"""At which rate the frames were taken, and whether the file is played at that rate.

The nominal rate comes from the commonest step of the frame times.  Containers round times to
their ticks and cameras deliver them with jitter, so a standard rate is named only when the
mean step agrees with it within what ticks, jitter and a camera's clock can explain.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from vidspin.errors import UsageError
from vidspin.pace import at_another_pace, of_main_pace
from vidspin.records import Check, FloatArray, IntArray

STANDARD_RATES = tuple(
    Fraction(top, bottom)
    for top, bottom in (
        (24000, 1001),
        (24, 1),
        (25, 1),
        (30000, 1001),
        (30, 1),
        (48, 1),
        (50, 1),
        (60000, 1001),
        (60, 1),
        (90, 1),
        (100, 1),
        (120000, 1001),
        (120, 1),
        (240000, 1001),
        (240, 1),
        (480, 1),
        (960, 1),
    )
)
CLOCK_TOLERANCE = 250e-6  # relative; cameras' crystals keep within 100e-6, rates lie 1000e-6 apart
ODD_RATE = 0.003  # relative; phones keep to a usual rate, lost frames set apart
SAME_RATE = 0.02  # a tag within this of the stored rate, or of its multiple, states that
# A camera that stores slow motion stretches it by a whole factor; the rates that it names may be of
# two families, 240 and 30000/1001, which are a thousandth apart.
FAMILIES_APART = 0.0015
SAME_FACTOR = 1e-5  # digits that a stated rate was rounded to
SAME_LENGTH = 0.05  # sound and pictures end together within this, relative
ENDS_APART_S = 0.15  # of the scene, by which a camera may end the one before the other (judged)
FASTEST = 1000  # frames a second that slow motion is captured at, stretched to 30
# Phones film slow motion at 60 and up; one that falls to fewer frames in dim light does so from
# 30 or 60 (common practice, no source).
SLOW_MOTION_FROM, HIGH_SPEED_FROM = 59.0, 100.0
FINE_TICK = 1000  # ticks a step from which the median step is exact enough to be the rate
_MAD_TO_SIGMA = 1.4826  # standard deviation of a normal law in median absolute deviations
_OUTLIER_SIGMA = 6.0
_LONGEST_GAP = 8  # steps; a longer gap tells nothing about the step
_RAMP_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class NominalRate:
    """Nominal frame rate and how it was found."""

    rate: Fraction  # frames a file second
    certain: bool  # False: more than one standard rate would explain the times
    how: str


def nominal_rate(ticks: IntArray, time_base: Fraction) -> NominalRate:
    """Find the nominal frame rate of a file.

    Parameters
    ----------
    ticks : ndarray of int64, shape (N,)
        Frame times in rising order, at least two.
    time_base : Fraction
        Seconds a tick.

    Returns
    -------
    NominalRate
        The nearest standard rate when it explains the mean step, else the exact rational of
        the median step (of the mean step where ticks are coarse).  Where a phone went from one pace
        to another, that of the pace that most frames keep to.

    Notes
    -----
    Gaps of a whole number of steps are counted as that many; steps that fit no multiple are
    left out.  Errors of the rounded and jittered end points of each unbroken part are what
    the mean step may be off by; they shrink with the number of steps.
    """
    steps = np.diff(ticks)
    steps = steps[of_main_pace(steps.astype(np.float64))]  # the mean of two paces is none
    median = float(np.median(steps))
    near = steps[np.abs(steps - median) <= 0.4 * median + 1.0]
    step = float(near.mean())
    whole = np.maximum(np.rint(steps / step), 1.0)
    off = steps - whole * step
    sigma = _MAD_TO_SIGMA * float(np.median(np.abs(off - np.median(off))))
    kept = (np.abs(off) <= _OUTLIER_SIGMA * sigma + 1.5) & (whole <= _LONGEST_GAP)
    parts = int(np.count_nonzero(kept[1:] & ~kept[:-1])) + int(kept[0])
    if not parts:
        kept[:] = True
        parts = 1
    span, count = int(steps[kept].sum()), int(whole[kept].sum())
    explained = (1.0 + 3.0 * sigma) * math.sqrt(parts) / count
    mean_rate = Fraction(count) / (span * time_base)
    allowed = CLOCK_TOLERANCE + explained * count / span
    fits = sorted(
        (abs(float(mean_rate / rate) - 1.0), rate)
        for rate in STANDARD_RATES
        if abs(float(mean_rate / rate) - 1.0) <= allowed
    )
    if fits:
        return NominalRate(
            fits[0][1],
            len(fits) == 1,
            f"mean step {float(1000 / mean_rate):.4f} ms over {count} steps",
        )
    if median >= FINE_TICK:
        middle = Fraction(int(np.sort(steps)[len(steps) // 2]))
        return NominalRate(1 / (middle * time_base), True, "median step, no standard rate")
    return NominalRate(mean_rate, True, "mean step, no standard rate")


def rate_checks(found: NominalRate, ticks: IntArray, time_base: Fraction) -> tuple[Check, ...]:
    """Say how sure the nominal rate is and whether one rate holds throughout.

    Parameters
    ----------
    found : NominalRate
        What `nominal_rate` found.
    ticks : ndarray of int64, shape (N,)
        Frame times in rising order.
    time_base : Fraction
        Seconds a tick.
    """
    rate = f"{float(found.rate):.6g} frames/s"
    nearest = min(STANDARD_RATES, key=lambda one: abs(math.log(float(found.rate / one))))
    off = float(found.rate / nearest) - 1.0
    if not found.certain:
        note = f"{found.how}: another rate fits as well"
        checks = [Check("frame rate", "unchecked", rate, note, "file")]
    elif abs(off) > ODD_RATE:
        note = (
            f"{found.how}; {100 * off:+.2f} % from the nearest usual rate: few cameras film so, "
            "and times that were stretched look so"
        )
        checks = [Check("frame rate", "pass", rate, note, "file", look=True)]
    else:
        checks = [Check("frame rate", "pass", rate, found.how, "file")]
    checks += _pace_check(np.diff(ticks) * float(time_base * found.rate), found.rate)
    tick_s = float(time_base)
    coarse = tick_s > 2e-4
    checks.append(
        Check(
            "time resolution",
            "unchecked" if coarse else "pass",
            f"{1e6 * tick_s:.4g} us a tick",
            f"frame times are rounded by up to {500 * tick_s:.3g} ms"
            if coarse
            else "rounding of the frame times does not matter",
        )
    )
    return tuple(checks)


def _pace_check(steps: FloatArray, rate: Fraction) -> list[Check]:
    """Say where frames come at another pace; nothing where they do not."""
    # One lost frame makes a step of 2; a second pace makes many, one after the other.
    odd = (steps > 1.6) | (steps < 0.6)
    runs = odd[1:] & odd[:-1]
    share = float(runs.mean()) if len(runs) else 0.0
    state, note = "fail", "the file changes its pace: a part in slow motion, or many lost frames"
    if share <= _RAMP_SHARE:
        odd = at_another_pace(steps)
        share, state = float(odd.mean()) if len(odd) else 0.0, "unchecked"
        note = (
            "the file changes its pace by no whole factor, as phones do by themselves in dim "
            "light: a spin is followed across where its mark is seen on both sides"
        )
        if not share:
            return []
    other = float(np.median(steps[odd])) / float(rate)
    figure = f"{100 * share:.0f} % of steps about {1000 * other:.2f} ms"
    return [Check("even pace", state, figure, note, look=state == "unchecked")]


@dataclass(frozen=True, slots=True)
class TimeScale:
    """Recorded (scene) second per file second, and why."""

    scale: Fraction
    why: str
    check: Check | None
    doubt: str = ""  # why no speed may be told on these times


def time_scale(
    stored: Fraction,
    capture: Fraction | None,
    *,
    captured_at: Fraction | None,
    video_s: float,
    sound_s: float | None,
) -> TimeScale:
    """Decide whether a file plays in real time.

    Parameters
    ----------
    stored : Fraction
        Nominal frame rate of the file.
    capture : Fraction or None
        Capture rate by the container's tag.
    captured_at : Fraction or None
        Capture rate by the user's word; overrides everything.
    video_s : float
        Length of the pictures in file seconds.
    sound_s : float or None
        Length of the sound in seconds, None without sound.

    Returns
    -------
    TimeScale
        1 for true times, below 1 for slow motion.

    Raises
    ------
    UsageError
        `captured_at` is not a positive rate.

    Notes
    -----
    The tag is found both on files with true times and on stretched ones, so it decides only
    together with the stored rate.  Sound is never stretched by cameras: when it lasts as long
    as the scene would, the stretch is confirmed.  Phones go on stating the rate that they were set
    to when they fall to fewer frames in dim light: below `HIGH_SPEED_FROM` there is no stretch
    where the sound lasts as long as the file, or where cameras stretch by no such factor.
    """
    if captured_at is not None:
        return _by_the_user(stored, captured_at)
    if capture is None:
        why = "the file states no capture rate: its times are taken as true"
        check, doubt = _sound_doubt(stored, video_s, sound_s)
        return TimeScale(Fraction(1), why, check, doubt)
    tag, kept = f"{float(capture):.6g}", f"{float(stored):.6g}"
    if abs(float(capture / stored) - 1.0) <= SAME_RATE:
        why = f"the capture rate {tag} agrees with the stored rate {kept}: times are true"
        odd = abs(float(capture / stored) - 1.0) > ODD_RATE
        note = f"{why}, but not exactly: they may have been stretched" if odd else why
        return TimeScale(
            Fraction(1), why, Check("time scale", "pass", f"{tag} frames/s", note, "file", look=odd)
        )
    scale, snapped = _stretch(stored, capture)
    said = f"captured at {tag} and stored at {kept} frames/s by the file's tag"
    as_scene, as_file = (
        sound_s is not None and abs(sound_s / length - 1.0) <= SAME_LENGTH
        for length in (video_s * float(scale), video_s)
    )
    doubt = _no_stretch(stored, capture)
    if as_file and capture < HIGH_SPEED_FROM:
        doubt = f"the sound lasts {sound_s:.2f} s, as the file does, and no camera stretches it"
    if doubt and not (as_scene and capture >= SLOW_MOTION_FROM):
        why = f"{said}, but {doubt}: times are taken as true; if not, state --captured-at {tag}"
        check = Check("time scale", "unchecked", "x 1", why, look=True)
        return TimeScale(Fraction(1), why, check)
    # cameras stretch by whole factors
    state, look = "unchecked", bool(snapped) or 1 not in scale.as_integer_ratio()
    if as_scene:
        state, end = "pass", f"the sound lasts {sound_s:.2f} s, as the scene then does"
    elif sound_s is None:
        end = "there is no sound to check it by"
    else:
        like = "lasts as long as the file" if as_file else "fits neither reading"
        look, end = True, f"the sound lasts {sound_s:.2f} s and {like}"
    if not as_scene and stored < capture < HIGH_SPEED_FROM:
        look = True
        end += (
            "; a phone that dim light slows down looks so too: if the times are true, state "
            f"--captured-at {kept}"
        )
    why = f"{said}{snapped}: taken as {_times(scale)}; {end}"
    return TimeScale(scale, why, Check("time scale", state, f"x {scale}", why, look=look))


def _no_stretch(stored: Fraction, capture: Fraction) -> str:
    """Say why no camera stretches from one rate to the other; empty where some may."""
    if capture >= HIGH_SPEED_FROM:  # dim light does not make 30 of 240
        return ""
    ratio = float(max(capture / stored, stored / capture))
    if abs(ratio / max(round(ratio), 2) - 1.0) > SAME_RATE:
        return "cameras stretch by whole factors, and dim light slows some phones down"
    if stored < capture < SLOW_MOTION_FROM:
        return "slow motion is captured at 60 and up, and dim light slows some phones down"
    return ""


def _stretch(stored: Fraction, capture: Fraction) -> tuple[Fraction, str]:
    """Divide stored by captured rate, and say what was done beside a whole factor."""
    ratio = capture / stored
    factor = round(ratio)
    off = abs(float(ratio / factor) - 1.0) if factor > 1 else 0.0
    if off == 0.0 or off > FAMILIES_APART:
        return 1 / ratio, ""
    if off < SAME_FACTOR:
        return Fraction(1, factor), ""
    rate = f"{float(stored * factor):.6g}"
    return Fraction(1, factor), (
        f" ({factor} times the stored rate is {rate}, which is meant, as cameras stretch by whole "
        f"factors; else speeds are {100 * off:.2g} % off)"
    )


def _sound_doubt(
    stored: Fraction, video_s: float, sound_s: float | None
) -> tuple[Check | None, str]:
    """Warn where the sound is shorter than the pictures by a usual slow-motion factor.

    A sound that broke off hardly does so within `ENDS_APART_S` of that length: then there is doubt.
    """
    for factor in (2, 4, 8, 16, 32):
        if sound_s and abs(video_s / (sound_s * factor) - 1.0) <= SAME_LENGTH:
            found = f"the sound lasts {sound_s:.2f} s, the pictures {factor} times that"
            capture = f"--captured-at {float(stored * factor):.6g}"
            note = (
                f"{found}: if this is slow motion, state {capture}; if the times are true, "
                f"--captured-at {float(stored):.6g}"
            )
            exact = abs(video_s / factor - sound_s) <= ENDS_APART_S and stored * factor <= FASTEST
            return Check("time scale", "unchecked", "x 1", note, look=True), note if exact else ""
    return None, ""


def _by_the_user(stored: Fraction, captured_at: Fraction) -> TimeScale:
    if captured_at <= 0:
        raise UsageError(
            "a capture rate has to be positive",
            where="--captured-at",
            do="give frames a second, such as 240",
        )
    kept, said = f"{float(stored):.6g}", f"{float(captured_at):.6g}"
    if abs(float(captured_at / stored) - 1.0) <= SAME_RATE:
        why = f"the user states a capture rate of {said}, the stored rate {kept}: times are true"
        return TimeScale(Fraction(1), why, None)
    scale, snapped = _stretch(stored, captured_at)
    why = f"the user states a capture rate of {said}; stored at {kept}{snapped}: {_times(scale)}"
    if not snapped:
        return TimeScale(scale, why, None)
    return TimeScale(scale, why, Check("time scale", "unchecked", f"x {scale}", why, look=True))


def _times(scale: Fraction) -> str:
    if scale < 1:
        return f"slow motion, {float(1 / scale):.4g} times slower than the scene"
    return f"time lapse, {float(scale):.4g} times faster than the scene"


def plausible_rate(value: object) -> Fraction | None:
    """Read a capture rate from a tag's value; None when it is no usable rate.

    Parameters
    ----------
    value : object
        Text, whole number or floating point number.
    """
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        rate = Fraction(value)
    else:  # the pattern bounds the size of the numbers as well
        text = str(value).strip()
        if not re.fullmatch(r"[0-9]{1,7}(\.[0-9]{1,9}|/[1-9][0-9]{0,6})?", text):
            return None
        rate = Fraction(text)
    # A 32-bit float cannot state 29.97 exactly; the rate meant is the simple one nearby.
    near = rate.limit_denominator(1001)
    meant = near if abs(float(near - rate)) < 1e-5 * max(float(rate), 1.0) else rate
    return meant if Fraction(1, 10) <= meant <= 100_000 else None
