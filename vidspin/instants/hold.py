"""Did a hand hold the top before the spin, or were the frames unlike for another reason?

Frames are unlike the others when something covers the top, but also when its light changes, the
camera focuses, or the top stands elsewhere.  A hand is known by what it does: the mark stands
still or lags behind the free spin, or something reaches to the top from outside of the picture
while the mark is hidden.  Where the mark turned on meanwhile as it turns after, no hand held it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vidspin.calibration.angles import Angles
from vidspin.cyclic import wrapped
from vidspin.frames.reading import Readings
from vidspin.instants.intrusion import TOUCH_REACH
from vidspin.instants.reach import Reach, reach_back
from vidspin.instants.release import (
    COVERED_S,
    EDGE_FRAMES,
    FADE_MOST,
    FIT_S,
    HID,
    LEAST_FIT,
    ReleaseFound,
    find_release,
)
from vidspin.records import BoolArray, Ellipse, FloatArray, SightingFlag
from vidspin.regression import fit_polynomial

HAND_BEFORE_S = 3.0  # the free spin; a release is looked for in two of these
LEAST_START = 1.5  # frame intervals from rest to free spin
SETTLE_S = 0.4  # after the first frame of a track the spin is free for sure: looked back from
UNSEEN_S = 0.2  # before that frame; some frames of a start are never read
LEAST_HOLD_S = 0.3  # of a hand that is there when the recording begins, to be known as one
LOST = int(SightingFlag.DARK | SightingFlag.MOVED)  # the place of the top is not known
GONE_S = 0.35  # a hand that let go is away by then, and no longer shows the mark (invented)
BESIDE_SHARE = 0.5  # of the frames of a hold in which the hand is seen beside the top as well
LEAST_BESIDE = 2  # of these frames
LEAVES_S = 0.7  # from the last covered frame to the first of the free spin
WALK_S = 1.5  # of the free spin that tell how the top walks
# Of the ring's radius: a top that stood so far from its usual place is itself what is new there.
ELSEWHERE_RADII = 0.4
# From frame to frame: a free spin that seems to turn by less looks like a mark at rest.
LOOKS_AT_REST_RAD = 0.15

AT_FIRST = "already spinning freely when the recording begins, in frames unlike the others as well"
SPUN_BEFORE = "the top spun freely before its mark was hidden as after: nothing released it there"
NOT_JOINED = "the top was spinning before the mark was hidden, and the two were not joined"
TOO_SHORT = "what hid the mark in the recording's first moment may have been anything"
NEITHER = "neither a hand nor the mark at rest was seen before: it may have been spinning"
TURNED_ON = "the frames before are unlike the others, but the mark turned on in most of them"
NO_HAND = "the frames before are unlike the others, but no hand was seen beside the top"


@dataclass(frozen=True, slots=True)
class Before:
    """What is known of the frames before the free spin; N frames."""

    readings: Readings
    angles: Angles
    angle_rad: FloatArray  # continuous from `first` on, up to whole mark spacings before it
    visible: BoolArray  # something like the mark was seen
    first: int  # frame of the track
    held_s: FloatArray  # instants of unlike frames and of a mark at rest, where they are many
    rest_s: FloatArray  # those of a mark at rest
    earlier_s: float  # until when something turned that is not joined to this spin
    ring: Ellipse
    marks: int

    @property
    def covered(self) -> BoolArray:
        """Unlike frames before the track."""
        covered = (self.readings.flags & int(SightingFlag.OCCLUDED)) != 0
        return np.asarray(covered & (np.arange(len(covered)) < self.first))


def free_before(found: ReleaseFound, before: Before, clean: int) -> tuple[ReleaseFound, Reach]:
    """Look for the release once more where the top spun freely before what was found.

    Parameters
    ----------
    found : ReleaseFound
    before : Before
    clean : int
        A frame from which the spin is free.

    Returns
    -------
    ReleaseFound, Reach
        What was found, or what is left of it, and how far back the free spin reaches.
    """
    t, marks = before.readings.time_s, before.marks
    doubtful = before.covered | np.isin(t, before.rest_s)
    reach = reach_back(t, before.angle_rad, before.visible, doubtful, clean=clean, marks=marks)
    if not found.seen:
        return replace(found, first_free=min(found.first_free, reach.sure)), reach
    from_start = reach.first <= EDGE_FRAMES or t[reach.first] - t[0] <= UNSEEN_S
    if from_start and t[found.first_free] - t[reach.first] > GONE_S:
        return replace(found, seen=False, first_free=reach.sure, how=AT_FIRST), reach
    if t[reach.first] >= found.time_s - found.u95_s - float(np.median(np.diff(t))):
        return found, reach
    u = np.where(reach.free, before.angles.u_rad, before.angles.u_wrapped_rad)  # no hand's edge
    settled = min(clean, int(np.searchsorted(t, t[reach.first] + SETTLE_S)))
    again = find_release(t, reach.angle_rad, u, before.visible, clean=settled, marks=marks)
    if again.seen and again.time_s - again.u95_s <= t[reach.first]:
        return again, reach
    return replace(found, seen=False, first_free=reach.sure, how=SPUN_BEFORE), reach


def left_by_a_hand(found: ReleaseFound, before: Before) -> ReleaseFound:
    """Look for the release no earlier than a hand over the top may have let go.

    Where the mark was not seen at all before the free spin, any instant since the recording began
    is possible; but a hand that covers the top until the spin is seen let go shortly before.

    Parameters
    ----------
    found : ReleaseFound
    before : Before

    Returns
    -------
    ReleaseFound
        As it was where no hand from outside of the picture is seen to leave about then.
    """
    t, first = before.readings.time_s, found.first_free
    over = np.flatnonzero(before.covered[:first])
    known = found.seen and found.hidden and len(over)
    if not known or t[first] - t[over[-1]] > LEAVES_S:
        return found
    leaves_s = float(t[over[-1]])
    early = leaves_s - COVERED_S - float(np.median(np.diff(t)))
    recent = (t > leaves_s - COVERED_S) & (t <= leaves_s)
    covered = before.covered & recent
    mostly = covered.sum() >= BESIDE_SHARE * recent.sum()
    beside = before.readings.glances is not None and _hand_beside(before, covered)
    late = found.time_s + found.u95_s
    if early <= found.time_s - found.u95_s or not (mostly and beside):
        return found
    return replace(found, time_s=(early + late) / 2, u95_s=(late - early) / 2, how=HID)


def no_release(found: ReleaseFound, before: Before, reach: Reach) -> str:
    """Say why what was found is not known to be a release; empty where it is."""
    t, covered = before.readings.time_s, before.covered
    if found.time_s - found.u95_s < before.earlier_s:
        return NOT_JOINED
    if found.hidden and t[found.first_free] - t[0] < LEAST_HOLD_S:
        return TOO_SHORT
    since = -np.inf if found.hidden else float(t[found.first_free]) - HAND_BEFORE_S
    if not (before.held_s >= since).any():  # what hid or spoilt the mark was no hand
        return NEITHER
    rest_s = before.rest_s[before.rest_s >= since]
    if found.driven or _rests(before, found, rest_s) or _driven_in_sight(found, before):
        return ""
    lit, hidden = covered & reach.free, covered & ~reach.free & (t >= since)
    shown_s = float(np.ptp(t[lit])) if lit.any() else 0.0
    if shown_s > GONE_S and lit.sum() > hidden.sum():
        return TURNED_ON
    return "" if _hand_beside(before, hidden) else NO_HAND


def _driven_in_sight(found: ReleaseFound, before: Before) -> bool:
    """Whether the mark lags as a drive makes it, if what unlike frames show is the mark.

    A hand that only dims the top leaves the mark in sight.
    """
    t = before.readings.time_s
    clean = int(np.searchsorted(t, t[found.first_free] + SETTLE_S))
    again = find_release(
        t, before.angle_rad, before.angles.u_rad, before.visible, clean=clean, marks=before.marks
    )
    return again.driven and bool(abs(again.time_s - found.time_s) <= found.u95_s)


def _rests(before: Before, found: ReleaseFound, rest_s: FloatArray) -> bool:
    """Whether the mark stood still at some instants, and the free spin would not look so."""
    t, angle = before.readings.time_s, before.angle_rad
    rows = np.arange(max(found.first_free, before.first), len(t))
    rows = rows[before.visible[rows] & (t[rows] <= t[rows[0]] + FIT_S)]
    if len(rest_s) == 0 or len(rows) < LEAST_FIT:
        return len(rest_s) > 0
    if rest_s[-1] - t[0] < LEAST_HOLD_S:  # an encoder short of bits begins with a held picture
        return False
    fit = fit_polynomial(
        t[rows], angle[rows], np.full(len(rows), 0.02), centre_s=float(t[rows[0]]), degree=2
    )
    period, interval = 2 * np.pi / before.marks, float(np.median(np.diff(t)))
    # a rest that goes over into the spin faster than any hand starts one is a picture that was held
    least_s = max(LEAST_START * interval, 0.5 * abs(float(fit.rate_rad_s)) / FADE_MOST[2])
    if t[rows[0]] - rest_s[-1] < least_s:
        return False
    step = fit.at(rest_s)[0] - fit.at(rest_s - interval)[0]
    return bool(np.median(np.abs(wrapped(step, period))) > LOOKS_AT_REST_RAD)


def _hand_beside(before: Before, rows: BoolArray) -> bool:
    """Whether something new reached to the top in frames that hide the mark.

    A hand comes with an arm, from outside of the picture; light, blur and a walk of the top change
    the top alone.  Where the setting was not looked at nobody can tell.
    """
    glances = before.readings.glances
    if glances is None or len(glances.near) != len(rows):
        return True
    beside = (glances.near <= TOUCH_REACH) & _at_home(before)
    count = int(np.count_nonzero(beside & rows))
    return count >= max(LEAST_BESIDE, BESIDE_SHARE * int(np.count_nonzero(rows)))


def _at_home(before: Before) -> BoolArray:
    """Say in which frames the top stood at its usual place: elsewhere it is itself what is new.

    Where the follower had not found the top, how it walks later tells where it walked in from.
    """
    readings, ring, first = before.readings, before.ring, before.first
    t, lost = readings.time_s, (readings.flags & LOST) != 0
    walk = readings.usable & (np.arange(len(t)) >= first) & (t <= t[first] + WALK_S)
    lost &= np.count_nonzero(walk) >= LEAST_FIT
    away = []
    for place, usual in ((readings.x_px, ring.x_px), (readings.y_px, ring.y_px)):
        line = np.polyfit(t[walk] - t[first], place[walk], 1) if lost.any() else np.zeros(2)
        away.append(np.where(lost, np.polyval(line, t - t[first]), place) - usual)
    return np.asarray(np.hypot(*away) <= ELSEWHERE_RADII * ring.major_px)
