"""Where does the free spin begin and end in the recording?

The track says between which frames the mark turned; the finders say when the hand let go and
when the top fell.  A reviewer may state either instant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from vidspin.calibration.angles import Angles, Seen
from vidspin.cyclic import TWO_PI, wrapped
from vidspin.frames.pictures import crop
from vidspin.frames.reading import Readings
from vidspin.instants.beside import LINGERS_S, narrowed
from vidspin.instants.events import event, restamped, stamp_u95_s, stated_u95_s
from vidspin.instants.hold import (
    SETTLE_S,
    UNSEEN_S,
    Before,
    free_before,
    left_by_a_hand,
    no_release,
)
from vidspin.instants.release import FADE_S, ReleaseFound, find_release
from vidspin.instants.topple import ToppleFound, find_topple
from vidspin.instants.uncovered import views
from vidspin.markmodel import still_at
from vidspin.profiles import Profiles
from vidspin.records import (
    BoolArray,
    Event,
    FloatArray,
    Footage,
    Quantity,
    Settings,
    SightingFlag,
    Survey,
)
from vidspin.ring import resized, resized_px

LOOK_BEFORE_S = 1.5  # the last steady frame
LOOK_AFTER_S = 3.0  # it: a top may lean for seconds before it falls
LOOK_RATE = 60.0  # pictures a second at most that are kept, about
LOOK_REACH = 3.0  # half width of the pictures, ring radii
LOOK_SIZE = 480  # their largest side
LEAST_PICTURES = 12
NEAR_RAD = 0.8  # of the mark phase (a turn from mark to mark): so near it belongs to the track
DRAWN_OUT_S = (0.75, 1.5)  # a fallen top may roll for so long with its mark in sight
LEFT_RADII, LEFT_SIZES = 0.2, 4.0  # of wander, or of usual ones: no top gets so far upright
LEFT_FRAMES = 5  # that it is away at the end
EDGE_S = 0.5  # a track that begins or ends so near to the recording's own end is cut by it
STILL_RAD = 0.05  # from frame to frame; what noise makes of a smeared mark jumps about
# A mark at rest is smeared by nothing, so it is no weaker than later (1); what a mark that is
# smeared away leaves of the ring stands still too, at 0.4 to 0.7.
REST_AMPLITUDE = 0.8
TOLD_S, TOLD_FRAMES = 0.5, 4  # half of the frames of which tell what happens, at least so many
# Frames about the release that are looked at beside a hand: so far apart at least, so many at most.
VIEW_S, MOST_VIEWS, LEAST_VIEWS = 0.008, 200, 4
SAME_PLACE = 0.02  # of the ring's radius: so far off, angles are a fiftieth of a radian off
EARLIER_S = 3.0  # so long a stretch of other turning is a spin, no hand that turns the top about


@dataclass(frozen=True, slots=True)
class Ends:
    """First and last frame of the free spin, and the events there."""

    first: int
    last: int
    release: Event | None
    topple: Event | None
    earlier_s: float = -np.inf  # until when something turned that is not joined to this spin
    unseen_from_s: float = np.inf  # from when on the top may have spun freely with no mark seen
    # instants before the spin at which a hand was over the top, or the mark stood still
    held_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    rest_s: FloatArray = field(default_factory=lambda: np.zeros(0))  # those of a mark at rest

    def toppled_by(self, time_s: float) -> bool:
        """Whether the top toppled about when its track ended: the last speed is a topple's."""
        seen = self.topple is not None and self.topple.seen
        return seen and self.topple is not None and self.topple.time_s - time_s < LOOK_AFTER_S


def find(
    footage: Footage, survey: Survey, readings: Readings, seen: Seen, settings: Settings
) -> Ends:
    """Find both ends of the free spin."""
    t = readings.time_s
    first, last = span_of(seen, survey.marks)
    topple = None
    if t[-1] - t[last] > EDGE_S or settings.topple_s is not None:
        topple, last = _topple(footage, survey, readings, last, settings)
    elif (left := _left_place(readings, survey, first, last)) is not None:
        # a mark that is in sight until the recording ends does not say that the top still stands
        fallen, end = _topple(footage, survey, readings, left, settings)
        if fallen is not None and fallen.seen:
            topple, last = fallen, end
    spins = [b for a, b in seen.elsewhere if b <= first and t[b] - t[a] > EARLIER_S]
    earlier = float(t[max(spins)]) if spins else -np.inf
    held = _held(readings, seen, first)
    rest = held & ((readings.flags[:first] & int(SightingFlag.OCCLUDED)) == 0)
    return Ends(
        first, last, None, topple, earlier, _unseen_from(t, held, first), t[:first][held],
        t[:first][rest],
    )  # fmt: skip


def _held(readings: Readings, seen: Seen, first: int) -> BoolArray:
    """Say in which frames before `first` a hand was over the top, or the mark stood still."""
    covered = (readings.flags[:first] & int(SightingFlag.OCCLUDED)) != 0
    period = TWO_PI / seen.spin.marks
    moved = wrapped(np.diff(seen.angle_rad[:first]), period)
    both = (seen.strong[1:first] > 0) & (seen.strong[: max(first - 1, 0)] > 0)
    both &= seen.amplitude[1:first] > REST_AMPLITUDE
    still = np.concatenate([np.zeros(min(first, 1), bool), both & (np.abs(moved) < STILL_RAD)])
    told = np.flatnonzero(covered | still)
    begun = np.searchsorted(readings.time_s, readings.time_s[told] - TOLD_S)
    count = np.arange(1, len(told) + 1) - np.searchsorted(told, begun)
    held = np.zeros(first, bool)
    often = (count >= TOLD_FRAMES) & (count >= 0.5 * (told - begun + 1))  # few may be chance
    held[told[often]] = True
    return held


def _unseen_from(t: FloatArray, held: BoolArray, first: int) -> float:
    """Since when the top may have spun freely before frame `first`, its mark in no frame.

    Since a hand was over it last, or its mark stood still.  A mark that the exposure smears away
    only shows once the top has become slower; sightings that are not on the track say nothing.
    """
    since = float(t[np.flatnonzero(held)[-1]]) if held.any() else float(t[0])
    return since if t[first] - since > UNSEEN_S else float(t[first])


def span_of(seen: Seen, marks: int) -> tuple[int, int]:
    """First and last frame at which a clear sighting lies on the track.

    Parameters
    ----------
    seen : Seen
    marks : int
        Between equal marks no sighting is farther from the track than half their spacing: what
        counts as near is a share of that.

    Returns
    -------
    int, int
    """
    off = marks * seen.spin.angle_rad - seen.track.expected_rad
    on_track = (np.abs(np.nan_to_num(off, nan=np.inf)) < NEAR_RAD) & (seen.strong > 0)
    frames = np.flatnonzero(on_track[: seen.track.last + 1])
    frames = frames[frames >= seen.track.first]
    return int(frames[0]), int(frames[-1])


def _left_place(readings: Readings, survey: Survey, first: int, last: int) -> int | None:
    """Last frame at which the top was where it spun, when it has left that place for good."""
    rows = slice(first, last + 1)
    x, y = readings.x_px[rows], readings.y_px[rows]
    away = np.hypot(x - np.median(x), y - np.median(y)) / survey.ring.major_px
    limit = max(LEFT_RADII, LEFT_SIZES * float(np.median(away)))
    if float(np.median(away[-LEFT_FRAMES:])) <= limit:
        return None
    return first + int(np.flatnonzero(away <= limit)[-1])


def _topple(
    footage: Footage, survey: Survey, readings: Readings, last: int, settings: Settings
) -> tuple[Event | None, int]:
    """Look at the pictures about the end of the track for the first touch.

    A mark that still shows on a top that rolls after its fall draws the track out beyond it.  Where
    no upright face is there at the track's end, what was there before is looked at, and with a
    topple found there the free spin ends.

    Returns
    -------
    Event or None, int
        The topple, and the last frame of the free spin.
    """
    t = readings.time_s
    found = _looked_at(footage, survey, readings, last)
    for back_s in DRAWN_OUT_S:
        if found is None or not found.lost:
            break
        earlier = int(np.searchsorted(t, t[last] - back_s))
        before = _looked_at(footage, survey, readings, earlier)
        if before is not None and before.seen:
            found, last = before, min(last, int(np.searchsorted(t, before.time_s)))
    stated, reason = settings.topple_s, settings.overrule_reason
    own = stated_u95_s(stated, t, Quantity(0.0, 0.0))  # what a stamp stands for is told later
    if found is not None and found.seen:
        topple = event(
            "topple", seen=True, time_s=found.time_s, u95_s=found.u95_s, how=found.how,
            stated_s=stated, reason=reason, told_s=own,
        )  # fmt: skip
        return topple, last
    how = "too few frames about the end of the free spin" if found is None else found.how
    if stated is None and t[-1] - t[last] <= EDGE_S:
        return None, last
    until = float(t[last]) if found is None else min(float(t[last]), found.earliest_s)
    return event(
        "topple", seen=False, time_s=until, u95_s=0.0, how=how, stated_s=stated, reason=reason,
        told_s=own,
    ), last  # fmt: skip


def _looked_at(
    footage: Footage, survey: Survey, readings: Readings, last: int
) -> ToppleFound | None:
    """Look for a topple about a frame; None where there are too few pictures."""
    t, steady = readings.time_s, last
    while steady > 0 and readings.flags[steady]:
        steady -= 1
    rate = float(footage.facts.frame_rate)
    every = max(1, round(rate / LOOK_RATE))  # pictures of a high-speed recording are alike
    before, after = round(LOOK_BEFORE_S * rate), round(LOOK_AFTER_S * rate)
    x, y = float(readings.x_px[steady]), float(readings.y_px[steady])
    cuts, times, read = [], [], []
    for frame in footage.passing(float(t[steady]), before=before, after=after, every=every):
        cuts.append(crop(frame, survey, x, y, LOOK_REACH, LOOK_SIZE))
        times.append(frame.time_s)
        read.append(int(np.argmin(np.abs(t - frame.time_s))))
    if len(cuts) < LEAST_PICTURES:
        return None
    _, left, top, scale = cuts[0]
    ring = resized(replace(survey.ring, x_px=x - left, y_px=y - top), scale)
    when = np.array(times)
    at = int(np.argmin(np.abs(when - t[steady])))
    middle = resized_px(np.stack([readings.x_px[read] - left, readings.y_px[read] - top], 1), scale)
    middle[readings.flags[read] != 0] = np.nan
    pictures = np.stack([c[0] for c in cuts])
    return find_topple(pictures, when, at, ring, every / rate, middle)


def with_release(  # noqa: PLR0913 - the recording and what is known of it
    ends: Ends, profiles: Profiles, readings: Readings, angles: Angles, survey: Survey,
    settings: Settings,
) -> Ends:  # fmt: skip
    """Find the release now that the angles are known, and begin the free spin there.

    What was found in pictures is moved from time stamps to the instants that they show.
    """
    topple = ends.topple
    if topple is not None:
        topple = _shown(topple, angles.offset, stated=settings.topple_s is not None)
    ends = replace(ends, topple=topple)
    t = readings.time_s
    usable = np.isfinite(angles.wrapped_rad)
    clean = ends.first + int(np.argmax(t[ends.first :] >= t[ends.first] + SETTLE_S))
    seen = np.where(np.arange(len(t)) >= ends.first, angles.angle_rad, angles.wrapped_rad)
    visible = usable & np.isfinite(seen)
    found = find_release(t, seen, angles.u_wrapped_rad, visible, clean=clean, marks=survey.marks)
    before = Before(
        readings, angles, seen, visible, ends.first, ends.held_s, ends.rest_s, ends.earlier_s,
        survey.ring, survey.marks,
    )  # fmt: skip
    found, reach = free_before(found, before, clean)
    found = left_by_a_hand(found, before)
    if found.seen and (why := no_release(found, before, reach)):
        found = replace(found, seen=False, first_free=min(found.first_free, reach.sure), how=why)
    found = _beside_the_hand(found, before, profiles, clean)
    stated = settings.release_s
    first = min(found.first_free, ends.last)
    own = stated_u95_s(stated, t, Quantity(0.0, 0.0))
    release = event(
        "release", seen=found.seen, time_s=found.time_s if found.seen else float(t[first]),
        u95_s=found.u95_s if found.seen else 0.0,
        how=found.how, stated_s=stated, reason=settings.overrule_reason, told_s=own,
    )  # fmt: skip
    release = _shown(release, angles.offset, stated=stated is not None)
    return replace(ends, first=first, release=release)


def _beside_the_hand(
    found: ReleaseFound, before: Before, profiles: Profiles, clean: int
) -> ReleaseFound:
    """Ask the parts of the ring that a hand leaves open when within its interval it let go."""
    t, angles = before.readings.time_s, before.angles
    if not found.seen or found.driven:
        return found
    low, high = found.time_s - found.u95_s, found.time_s + found.u95_s
    since = max(low - 2 * FADE_S - LINGERS_S, before.earlier_s)  # it may have let go earlier
    about = (t > min(since, low - 2 * FADE_S)) & (t < high)
    rows = np.flatnonzero(about & _in_place(before, found.first_free))
    thinner = math.ceil(len(rows) / MOST_VIEWS)
    rows = rows[:: max(1, round(VIEW_S / float(np.median(np.diff(t)))), thinner)]
    if len(rows) < LEAST_VIEWS:
        return found
    model = angles.tuned.model
    seen = views(
        np.concatenate([profiles.read(k, k + 1) for k in rows.tolist()]).astype(np.float64),
        still_at(model, float(t[found.first_free])),
        float(angles.omega_rad_s[found.first_free]), model,
        float(np.median(angles.tuned.left)), before.marks,
    )  # fmt: skip
    return narrowed(
        found, t, before.angle_rad, angles.u_wrapped_rad, before.visible, (rows, seen),
        clean=clean, marks=before.marks,
    )  # fmt: skip


def _in_place(before: Before, free: int) -> BoolArray:
    """Say in which frames the ring was read where the top is: found, or left where it is later.

    A hand over the top spoils the search for it, and its last place is taken; a held top stands.
    """
    readings = before.readings
    away = np.hypot(readings.x_px - readings.x_px[free], readings.y_px - readings.y_px[free])
    lost = (readings.flags & int(SightingFlag.MOVED)) != 0
    dark = (readings.flags & int(SightingFlag.DARK)) != 0
    return np.asarray(~dark & (~lost | (away < SAME_PLACE * before.ring.major_px)))


def with_stamps(
    ends: Ends, was: Quantity, now: Quantity, frame_s: FloatArray, settings: Settings
) -> Ends:
    """Tell both ends anew once less is known of what a time stamp stands for."""
    release, topple = (
        restamped(end, was, now, frame_s, stated=stated_s is not None)
        for end, stated_s in (
            (ends.release, settings.release_s), (ends.topple, settings.topple_s),
        )
    )  # fmt: skip
    return replace(ends, release=release, topple=topple)


def _shown(event: Event, offset: Quantity, *, stated: bool) -> Event:
    """Move the program's own instant from a frame's time stamp to its exposure centre.

    A stated one stays as it was stated, the way from the stamp in its doubt.
    """
    if not event.seen:
        return event
    u95 = math.hypot(event.u95_s, stamp_u95_s(offset, stated=stated))
    if not stated:
        return replace(event, time_s=event.time_s + offset.value, u95_s=u95)
    event, own, own_u95 = replace(event, u95_s=u95), event.measured_s, event.measured_u95_s
    if own is None or own_u95 is None:
        return event
    own_u95 = math.hypot(own_u95, stamp_u95_s(offset, stated=False))
    return replace(event, measured_s=own + offset.value, measured_u95_s=own_u95)
