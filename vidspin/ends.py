"""Where does the free spin begin and end in the recording?

The track says between which frames the mark turned; the finders say when the hand let go and
when the top fell.  A reviewer may state either instant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vidspin.angles import Angles, Seen
from vidspin.events import event
from vidspin.reading import Readings
from vidspin.records import Event, Footage, Settings, Survey
from vidspin.release import find_release

SETTLE_S = 0.4  # after the track's first frame the spin is taken to be free
EDGE_S = 0.5  # a track that begins or ends so near to the recording's own end is cut by it


@dataclass(frozen=True, slots=True)
class Ends:
    """First and last frame of the free spin, and the events there."""

    first: int
    last: int
    release: Event | None
    topple: Event | None

    @property
    def toppled(self) -> bool:
        """Whether the topple is in the recording."""
        return self.topple is not None and self.topple.seen


def find(
    footage: Footage, survey: Survey, readings: Readings, seen: Seen, settings: Settings
) -> Ends:
    """Find both ends of the free spin."""
    t = readings.time_s
    near = (
        np.abs(np.nan_to_num(seen.spin.angle_rad - seen.track.expected_rad / survey.marks, nan=9.0))
        < 0.8
    )
    agree = np.flatnonzero(near & (seen.strong > 0))
    agree = agree[(agree >= seen.track.first) & (agree <= seen.track.last)]
    first, last = int(agree[0]), int(agree[-1])
    topple = None
    if t[-1] - t[last] > EDGE_S:
        topple = event(
            "topple", seen=True, time_s=float(t[last]) + 0.5, u95_s=0.5, how="last frame of the track",
            stated_s=settings.topple_s, reason=settings.overrule_reason,
        )  # fmt: skip
    return Ends(first, last, None, topple)


def with_release(ends: Ends, readings: Readings, angles: Angles, survey: Survey, settings: Settings) -> Ends:
    """Find the release now that the angles are known, and begin the free spin there."""
    t = readings.time_s
    usable = np.isfinite(angles.wrapped_rad)
    clean = ends.first + int(np.argmax(t[ends.first :] >= t[ends.first] + SETTLE_S))
    seen = np.where(np.arange(len(t)) >= ends.first, angles.angle_rad, angles.wrapped_rad)
    found = find_release(
        t, seen, angles.u_rad, usable & np.isfinite(seen), clean=clean, marks=survey.marks
    )
    stated = settings.release_s
    if not found.seen and stated is None:
        return replace(ends, first=min(found.first_free, ends.last))
    release = event(
        "release", seen=found.seen, time_s=found.time_s, u95_s=found.u95_s if found.seen else 0.0,
        how=found.how, stated_s=stated, reason=settings.overrule_reason,
    )  # fmt: skip
    return replace(ends, first=min(found.first_free, ends.last), release=release)
