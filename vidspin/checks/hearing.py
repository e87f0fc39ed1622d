"""What does the recording's sound say, held against its picture?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vidspin.calibration.angles import Angles, Seen
from vidspin.checks.soundchecks import Spun, overhear, sound_checks
from vidspin.records import Audible, Check, FloatArray, Footage, SoundCurve
from vidspin.speed.curve import curve_at
from vidspin.speed.sound import CHANNELS, LEAST_BLOCKS, Apparent, Heard, listen, sound_curve
from vidspin.speed.turning import Noise, Turning
from vidspin.uncertainty import rectangular
from vidspin.units import rpm_from_rad_s, turns_from_rad

SAID = 2.0  # natural log-likelihood from which a line is named
DIFFER = 4.0  # standard uncertainties of the median difference at which sound and picture differ
# Sound and frames may each have a crystal of its own: the doubt of a clock that nobody measured.
SOUND_CLOCK_PPM = 50.0
SPUN_EVERY_S = 0.5  # a free top keeps its speed to 1 % meanwhile


@dataclass(frozen=True, slots=True)
class Hearing:
    """A recording's sound as far as it may speak."""

    why_not: str  # empty where it may
    turning: Apparent | None = None
    heard: Heard | None = None

    def log_likelihoods(self, orders: Sequence[int]) -> dict[int, float] | str:
        """Natural log-likelihood of each order, or why the sound tells nothing."""
        if self.heard is None:
            return self.why_not
        return {n: self.heard.log_likelihood(n) for n in orders}

    def words(self, order: int) -> str:
        """Name what speaks for an order."""
        lines = [] if self.heard is None else self.heard.lines(order)
        clear = sorted((one for one in lines if one.worth > SAID), key=lambda one: -one.worth)
        if not clear:
            return ""
        rates = " and ".join(sorted({str(one.harmonic) for one in clear[:3]}))
        return f"{CHANNELS[clear[0].channel]} follows the spin, {rates} to a turn"


def hear(footage: Footage, seen: Seen, time_s: FloatArray, *, first: int, last: int) -> Hearing:
    """Hear the free spin, frames `first` to `last`.

    Parameters
    ----------
    footage : Footage
    seen : Seen
    time_s : (N,) array
        Frame times.
    first, last : int
        Frames of the free spin, inclusive.

    Returns
    -------
    Hearing
    """
    if not isinstance(footage, Audible):
        return Hearing("the recording was not heard")
    if footage.facts.time_scale != 1:
        return Hearing("the sound of slow motion keeps a clock of its own")
    spin = seen.spin
    inside = np.zeros(len(time_s), bool)
    inside[first : last + 1] = True
    inside &= np.isfinite(seen.track.expected_rad)
    if inside.sum() < 2:
        return Hearing("too little of the spin was seen")
    turning = Apparent(
        time_s[inside], seen.track.expected_rad[inside] / spin.marks,
        spin.slot[inside].astype(np.float64), spin.frame_rate, spin.marks,
    )  # fmt: skip
    heard = listen(footage.sound(), turning)
    if heard.blocks < LEAST_BLOCKS:
        few = "no sound" if heard.blocks == 0 else "too little sound"
        return Hearing(f"the recording holds {few} during the free spin")
    return Hearing("", turning, heard)


def speed_heard(footage: Footage, hearing: Hearing, order: int) -> SoundCurve | None:
    """Follow the speed by the sound alone under an order that is resolved."""
    if hearing.heard is None or hearing.turning is None or not isinstance(footage, Audible):
        return None
    return sound_curve(footage.sound(), hearing.turning, hearing.heard, order)


def checks_heard(  # noqa: PLR0913 - the recording, and all that is known of its spin
    footage: Footage, sound: SoundCurve | None, turning: Turning, noise: Noise, angles: Angles,
    *, marks: int,
) -> tuple[Check, ...]:  # fmt: skip
    """Run every check of the sound; none where the recording cannot be heard.

    Parameters
    ----------
    footage : Footage
    sound : SoundCurve or None
        From `speed_heard`.
    turning, noise
        As for `curve.curve_at`.
    angles : Angles
        Under which order they were read, and which are still open.
    marks : int
    """
    if not isinstance(footage, Audible):
        return ()
    told = overhear(footage.sound())
    spun = None
    if told is not None:
        at = told.slow_from_s + np.arange(0.0, told.slow_s, SPUN_EVERY_S)
        spun = spun_at(at, turning, noise, angles, float(footage.facts.frame_rate) / marks)
    checks = sound_checks(told, spun)
    return checks if sound is None else (*checks, agreement(sound, turning, noise))


def spun_at(
    at: FloatArray, turning: Turning, noise: Noise, angles: Angles, orders_hz: float
) -> Spun:
    """Tell the speeds that the spin may have, at instants, under every order that is open.

    Parameters
    ----------
    at : (M,) array
        Anywhere in the recording, s.
    turning, noise
        As for `curve.curve_at`.
    angles : Angles
    orders_hz : float
        From one order to the next.
    """
    verdict = angles.verdict
    others = () if verdict.resolved else verdict.candidates
    orders = sorted({angles.order, *(c.order for c in others)})
    sense = 1.0 if np.nanmedian(angles.omega_rad_s) >= 0 else -1.0
    hz = sense * turns_from_rad(_seen_at(at, turning, noise)[0])
    steps = np.subtract(orders, angles.order) * orders_hz
    return Spun(at, np.abs(hz + steps[:, None]))


def _seen_at(at: FloatArray, turning: Turning, noise: Noise) -> tuple[FloatArray, FloatArray]:
    """Speed by the picture and its standard uncertainty, rad/s; NaN where not known."""
    free = turning.time_s[turning.free]
    inside = (at >= free[0]) & (at <= free[-1])
    speed, u = np.full((2, len(at)), np.nan)
    if inside.any():
        seen = curve_at(turning, noise, at[inside])
        speed[inside], u[inside] = seen.speed_rad_s, seen.u_speed_rad_s
    return speed, u


def agreement(sound: SoundCurve, turning: Turning, noise: Noise) -> Check:
    """Hold the speed by the sound against the one by the picture, at the sound's own instants.

    Parameters
    ----------
    sound : SoundCurve
    turning, noise
        As for `curve.curve_at`.

    Notes
    -----
    The picture's uncertainty here is without its clock, which counts once, with the sound's own.
    """
    speed, u_speed = _seen_at(sound.time_s, turning, noise)
    known = np.isfinite(speed)
    count = int(known.sum())
    if count < LEAST_BLOCKS:
        figure = f"{count} blocks of the sound lie where the picture tells a speed"
        note = f"{LEAST_BLOCKS} are needed to hold the one against the other"
        return Check("speed by sound", "unchecked", figure, note)
    apart = (sound.speed_rad_s - speed)[known]
    u = np.hypot(sound.u_speed_rad_s, u_speed)[known]
    # the two clocks differ alike in every block, however many there are
    ppm = np.hypot(turning.clock_ppm.u, rectangular(SOUND_CLOCK_PPM))
    common = float(np.median(1e-6 * ppm * speed[known] / u))
    sure = float(np.median(apart / u)) / float(np.hypot(np.sqrt(1.57 / count), common))
    rms = float(rpm_from_rad_s(np.sqrt(np.mean(apart**2))))
    figure = f"{rms:.2g} rev/min RMS apart in {count} blocks"
    if abs(sure) > DIFFER:
        return Check("speed by sound", "fail", figure, "sound and picture turn at different rates")
    return Check("speed by sound", "pass", figure, "the sound's own line turns as the picture does")
