"""Where frames come at another pace, what is followed there, and read?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vidspin.calibration.angles import Angles, Seen, see, turned
from vidspin.frames.reading import Readings
from vidspin.order import alias, onward, resolve
from vidspin.pace import other_paces, other_rates
from vidspin.profiles import Profiles
from vidspin.records import AliasVerdict, Survey

EXCLUDED = 0.01  # probability; a candidate below it is as good as excluded
MOST_ORDERS = 25  # either way: 6000 rev/min with four marks at 24 frames a second have 17
WHOLE = 0.1  # turns; orders that differ by so nearly whole ones at the other pace look alike there
MORE = 1.2  # times the sightings, for the pace of the spin not to be the nominal one


def see_at_its_pace(
    profiles: Profiles, readings: Readings, survey: Survey, frame_rate: float
) -> Seen | None:
    """Learn the mark and follow it, at the pace at which most of its turning was filmed.

    Parameters
    ----------
    profiles, readings, survey
        The recording.
    frame_rate : float
        Nominal frames a second; of a recording that is mostly no spin, not those of the spin.

    Returns
    -------
    Seen or None
        None when nothing turns clearly at any pace.
    """
    best = see(profiles, readings, survey, frame_rate)
    for rate in other_rates(readings.time_s, frame_rate):
        one = see(profiles, readings, survey, rate)
        if one is not None and (best is None or turned(one) > MORE * turned(best)):
            best = one
    if best is None or not at_other_paces(readings, best.spin.frame_rate):
        return best
    orders = range(-MOST_ORDERS, MOST_ORDERS + 1)
    return replace(best, agree=onward.told(best.track, orders, _spots(best, readings)))


def at_other_paces(readings: Readings, frame_rate: float) -> bool:
    """Whether some of the frames come at a pace that is no whole number of nominal intervals."""
    return bool(other_paces(readings.time_s, 1.0 / frame_rate))


def agreed(verdict: AliasVerdict) -> bool:
    """Whether the spin may be followed on: all speeds that are still possible go on alike.

    Two orders may differ by whole turns at both paces (by five at 24 and 30 frames a second).
    """
    if verdict.resolved:
        return True
    vote = next((v for v in verdict.votes if v.cue == alias.PACES_CUE), None)
    if vote is None or vote.says == alias.ABSTAINS:
        return False
    odds = zip(verdict.candidates, vote.log_odds, strict=True)
    return all(said > -alias.TIED for one, said in odds if one.probability > EXCLUDED)


def going_on(seen: Seen, readings: Readings, survey: Survey, angles: Angles) -> Seen | None:
    """Follow the spin into stretches at another pace; None where it is not seen to go on there.

    Parameters
    ----------
    seen, readings, survey
        The recording, and the mark as followed at the nominal pace.
    angles : Angles
        What was read of it there.

    Returns
    -------
    Seen or None
        What is followed in the same stretch of time is no other spin any more.
    """
    if not agreed(angles.verdict):
        return None
    more = onward.followed(seen.track, angles.order, _spots(seen, readings))
    if more is None:
        return None
    track, passed = more
    possible = [c.order for c in angles.verdict.candidates if c.probability > EXCLUDED]
    apart = np.array(sorted({n - angles.order for n in possible}))
    turns = apart[:, None] * passed[track.first : track.last + 1]
    if not angles.verdict.resolved and np.abs(turns - np.rint(turns)).max(initial=0.0) > WHOLE:
        return None  # what is followed under one of them is not under another
    spin = resolve.spin_of(
        track, readings.time_s, frame_rate=seen.spin.frame_rate, marks=survey.marks,
        tilt_rad=survey.ring.tilt_rad,
    )  # fmt: skip
    others = tuple(
        t for t in seen.others if not track.first <= (t.first + t.last) / 2 <= track.last
    )
    return replace(
        seen, track=track, others=others,
        spin=replace(spin, geometry=seen.spin.geometry, passed=passed),
        elsewhere=tuple((t.first, t.last) for t in others),
    )  # fmt: skip


def _spots(seen: Seen, readings: Readings) -> onward.Spots:
    """Gather what the frames show, whatever the order."""
    weight = np.where(readings.usable, seen.strong, 0.0)
    phase = seen.spin.marks * seen.angle_rad
    return onward.Spots(readings.time_s, phase, weight, seen.spin.slot, seen.spin.frame_rate)
