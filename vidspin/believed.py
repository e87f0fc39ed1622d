"""May a verdict on the speed be believed, by how frames and speeds follow each other?

Whatever the cues say, they take it that the frames were taken as they are stamped and that what
was followed is a free top.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vidspin import alias
from vidspin.angles import Angles, Seen
from vidspin.cadence import Pattern, pattern_of
from vidspin.reading import Readings


def pattern_in(readings: Readings, seen: Seen, first: int, last: int) -> Pattern | None:
    """Ask whether the frames of the free spin were taken as evenly as they are stamped."""
    rows, slot = slice(first, last + 1), seen.spin.slot
    late = readings.time_s * seen.spin.frame_rate - slot
    phase = np.where(seen.strong > 0, seen.track.phase_rad, np.nan)
    return pattern_of(
        phase[rows], seen.track.expected_rad[rows], slot[rows] - slot[first],
        late[rows] - float(np.median(late[rows])),
    )  # fmt: skip


def doubted(
    angles: Angles, readings: Readings, seen: Seen, pattern: Pattern | None, free: tuple[int, int]
) -> Angles:
    """Take the verdict back where frames or speeds are not those of a top that was filmed."""
    if pattern is not None:
        angles = replace(angles, verdict=alias.taken_unevenly(angles.verdict, pattern))
    first_s, last_s = (float(readings.time_s[k]) for k in free)
    at = seen.track.window_s
    at = at[(at >= first_s) & (at <= last_s)]
    if alias.keeps_on(at, np.interp(at, readings.time_s, angles.omega_rad_s)):
        angles = replace(angles, verdict=alias.driven(angles.verdict))
    return angles
