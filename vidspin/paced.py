"""Where frames come at another pace, what is followed there, and read?"""

from __future__ import annotations

from dataclasses import replace

from vidspin import alias, onward, resolve
from vidspin.angles import Angles, Seen, read, see, spots, turned
from vidspin.learnt import locked_exposure
from vidspin.pace import other_paces, other_rates
from vidspin.profiles import KeptRows, Profiles
from vidspin.reading import Readings
from vidspin.records import AliasVerdict, Settings, Survey

EXCLUDED = 0.01  # probability; a candidate below it is as good as excluded
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
    return best


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


def going_on(seen: Seen, readings: Readings, survey: Survey, order: int) -> Seen | None:
    """Follow the spin into stretches at another pace; None where it is not seen to go on there.

    Parameters
    ----------
    seen, readings, survey
        The recording, and the mark as followed at the nominal pace.
    order : int
        Alias order there.

    Returns
    -------
    Seen or None
        What is followed in the same stretch of time is no other spin any more.
    """
    more = onward.followed(seen.track, order, spots(seen, readings))
    if more is None:
        return None
    track, passed = more
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


def read_on(  # noqa: PLR0913 - the recording and what is known of it
    profiles: Profiles,
    readings: Readings,
    seen: Seen,
    survey: Survey,
    settings: Settings,
    angles: Angles,
    answers: KeptRows | None = None,
) -> Angles:
    """Read every frame once more, with the model as it is, along a longer track.

    Parameters
    ----------
    profiles, readings, seen, survey, settings
        The recording, and the mark as followed (`going_on`).
    angles : Angles
        What was read before.
    answers : KeptRows, optional
        As in `under_best_order`; it must be empty.

    Returns
    -------
    Angles
    """
    fresh = read(
        profiles, readings, survey, seen, angles.verdict, angles.tuned, angles.order,
        locked_exposure(settings.camera), answers,
    )  # fmt: skip
    return replace(fresh, readout=angles.readout)
