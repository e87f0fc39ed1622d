"""Where does the free spin begin and end in the recording?

The track says between which frames the mark turned; the finders say when the hand let go and
when the top fell.  A reviewer may state either instant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspin.angles import Seen
from vidspin.events import event
from vidspin.reading import Readings
from vidspin.records import Event, Footage, Settings, Survey

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
    interval = 1.0 / float(footage.facts.frame_rate)
    release = topple = None
    if t[first] - t[0] > EDGE_S:
        release = event(
            "release",
            seen=True,
            time_s=float(t[first]) - interval / 2,
            u95_s=0.3,
            how="first frame of the track",
            stated_s=settings.release_s,
            reason=settings.overrule_reason,
        )
    if t[-1] - t[last] > EDGE_S:
        topple = event(
            "topple",
            seen=True,
            time_s=float(t[last]) + 0.5,
            u95_s=0.5,
            how="last frame of the track",
            stated_s=settings.topple_s,
            reason=settings.overrule_reason,
        )
    return Ends(first, last, release, topple)
