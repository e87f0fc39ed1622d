"""Which stills are shown, and what stands under them?"""

from __future__ import annotations

import numpy as np

from vidspin.report.data import ReportData, StillPicture
from vidspin.report.story import Happening, at, speed_text
from vidspin.stills import TIMELINE
from vidspin.wording import apart_from, side_of

# A row of the table that is farther than this from an instant does not speak for it.
NEAR_S = 5.0
SAME_INSTANT_S = 5e-4  # apart; instants are told to a thousandth

FRAMED = "Framed in colour: after the event. Dashed: within its ±, so perhaps still before it."


def still_caption(still: StillPicture, event: Happening) -> str:
    """Say when a still was taken, against its event."""
    return "" if event.time_s is None else apart_from(still.time_s - event.time_s, event.u95_s)


def still_side(still: StillPicture, event: Happening) -> str:
    """Say on which side of its event a still was taken, as `side_of` does."""
    return "" if event.time_s is None else side_of(still.time_s - event.time_s, event.u95_s)


def timeline(data: ReportData) -> list[tuple[StillPicture, str, str]]:
    """Return the whole frames at round distances: still, instant, speed or nothing."""
    return [
        (still, at(still.time_s), speed_near(data, still.time_s))
        for still in data.of_kind(TIMELINE)
    ]


def speed_near(data: ReportData, time_s: float) -> str:
    """Return the row of ``speed.csv`` nearest to an instant, in words; nothing without one.

    The row's own instant is named where it is another: half a second is many revolutions.
    """
    known = np.flatnonzero(np.isfinite(data.rpm))
    if not data.resolved or known.size == 0:
        return ""
    nearest = int(known[np.argmin(np.abs(data.time_s[known] - time_s))])
    steps = np.diff(data.time_s)
    reach = min(NEAR_S, 0.75 * float(np.median(steps))) if steps.size else NEAR_S
    row_s = float(data.time_s[nearest])
    if abs(row_s - time_s) > reach:
        return ""
    told = speed_text(float(data.rpm[nearest]), float(data.u95_rpm[nearest]))
    return told if abs(row_s - time_s) < SAME_INSTANT_S else f"{told} at {at(row_s)}"
