"""Where frames come at another pace, what is followed there, and read?"""

from __future__ import annotations

from dataclasses import replace

from vidspin import onward, resolve
from vidspin.angles import Angles, Seen, read, spots
from vidspin.pace import other_paces
from vidspin.profiles import KeptRows, Profiles
from vidspin.reading import Readings
from vidspin.records import Settings, Survey


def at_other_paces(readings: Readings, frame_rate: float) -> bool:
    """Whether some of the frames come at a pace that is no whole number of nominal intervals."""
    return bool(other_paces(readings.time_s, 1.0 / frame_rate))


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
        seen, track=track, spin=replace(spin, geometry=seen.spin.geometry, passed=passed), others=others,
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
    tuned, order, camera = angles.tuned, angles.order, settings.camera
    locked = camera.exposure_s if camera is not None and camera.exposure_fixed else None
    fresh = read(
        profiles, readings, survey, seen, angles.verdict, tuned, order, locked, answers
    )  # fmt: skip
    return replace(fresh, readout=angles.readout)
