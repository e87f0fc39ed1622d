"""When did anything but the tip touch the base?

Until the rim touches, the top turns about its tip: in a parallel projection the middle of
its face lies at ``tip + reach * axis``, where ``axis`` is the picture of the spin axis' unit
vector and ``reach`` the height of the face above the tip, however far the top leans.  From
the touch on it turns about the place of contact, and the tip leaves its own.  So middle and
axis of the face are followed through the pictures, and the instant is sought at which the
tip sets out, and held against that at which the lean comes up to its greatest.

Lengths are in ring radii throughout, except where a name ends in ``_px``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import median_filter

from vidspin.instants.face import Face, from_above, log_levels, steady_pose
from vidspin.instants.fallen import CLEARLY, erratic, lean_bounds, lies, reached, slowed, still_from
from vidspin.instants.followed import (
    LEAD_S,
    SURE_SCORE,
    follow,
    poorness,
    view_ended,
    was_covered,
)
from vidspin.instants.onset import onset
from vidspin.instants.surroundings import Scene, set_up
from vidspin.instants.tip import AWAY, LEAST_POSES, QUICK, Path, Tip, escape_s, pivot
from vidspin.records import ByteArray, Ellipse, FloatArray
from vidspin.ring import resized, resized_px

MAX_MAJOR = 128.0  # larger rings are reduced: the tip is not found better
STILL_S = 1.5  # so much before the last steady picture makes the picture of the steady top
MAX_STEADY = 40  # pictures of the steady top that are taken, about
MAX_FOLLOWED = 180  # pictures that are followed; more are thinned out evenly
BEFORE_S = 0.5  # so much before the slide is fitted with it
LEAST_BEFORE = 5  # pictures of that, however long ago: where frames are missing there
# The tip has left when it stays away by more than `AWAY`, and so many of its usual scatters, for so
# long, and gets farther than `FAR` within twice the time: a tip that stands wanders less.
AWAY_SIGMAS, AWAY_S, FAR = 5.0, 0.1, 0.12
BACK_S = 0.5  # a tip back in its place for so long, to the last picture, may never have left
SLOW = 0.35  # ring radii a second: so slow a tip may have left long after the touch
FALL_S, LATE_S = 0.5, 0.25  # no fall takes longer; a slow slide gets so far after so long
SLIDE_S, SLIDE_REACH = 0.12, 0.3  # so much of the slide is fitted: a straight line holds so long
FALLEN_RAD = 0.25  # a top that leans so much may have fallen before
LEAST_LEAN_RAD = math.radians(4.0)  # a rim that clears its base by less would hardly spin
MOST_SEEN = 0.9  # of the pictures must show the face, for the lean to tell
ASTRAY = 0.15  # a tip that is usually so far from its place did not stand in it
POOR = 0.25  # of `poorness`: a face that is followed so poorly tells nothing alone
GAIN_TIMES, LEAST_GAIN = 2.0, 0.03  # so much better a face correlates with its tip gone
LEAST_TOLD_S = 1.0  # a topple that is told less surely says nothing
AT_REST = 0.02  # a face that moves by less stands still
FLAT_SHARE, FLAT_S = 0.9, 0.25  # a lean, or score, within this share for so long is as it was


@dataclass(frozen=True, slots=True)
class ToppleFound:
    """When the top toppled, or why that was not seen.

    Where `seen` is False, `time_s` and `u95_s` are NaN, and `earliest_s` is the last instant at
    which the top was known to stand on its tip alone.
    """

    seen: bool
    time_s: float
    u95_s: float
    earliest_s: float
    how: str
    lost: bool = False  # there was no upright face from the first picture on


def find_topple(  # noqa: PLR0913 - the pictures, and what is known of each
    pictures: ByteArray,
    time_s: FloatArray,
    last_steady: int,
    ring: Ellipse,
    frame_s: float,
    middle_px: FloatArray | None = None,
) -> ToppleFound:
    """Find the instant at which something other than the tip touches.

    Parameters
    ----------
    pictures : (n, rows, columns) array of uint8
        Crops around the top, of one window that is fixed in the picture and about three
        times the ring's size, from about 1.5 s before the last steady one to 3 s after it.
    time_s : (n,) array
        When each was taken, best the middle of its exposure.
    last_steady : int
        Number of the last picture in which the top was still followed upright.
    ring : Ellipse
        Path of the mark on the upright top, in the crop's picture elements.
    frame_s : float
        Frame interval.
    middle_px : (n, 2) array, optional
        Where the middle of the ring was in each, picture elements; NaN where that is not known.
        A top that wanders is in its place in none but the last steady picture.

    Returns
    -------
    ToppleFound
    """
    if middle_px is None:
        middle_px = np.full((len(pictures), 2), np.nan)
    whole_px = ring.major_px
    pictures, ring = _reduced(pictures, ring)
    middle_px = resized_px(middle_px, ring.major_px / whole_px)
    last = int(np.clip(last_steady, 0, len(pictures) - 1))
    first, start = np.searchsorted(time_s, time_s[last] - np.array([STILL_S, LEAD_S])).tolist()
    every = slice(first, last + 1, max(1, (last + 1 - first) // MAX_STEADY))
    face = Face(pictures[every], ring, middle_px[every])
    scene = set_up(pictures, time_s, ring, np.median(pictures[every], axis=0), face.edge)
    stride = max(1, math.ceil((len(pictures) - start) / MAX_FOLLOWED))
    index = np.arange(start, len(pictures), stride)
    path = follow(face, scene, index, stride * frame_s, middle_px[start])
    standing = path.time_s <= path.time_s[0] + LEAD_S
    if float(np.median(path.score[standing])) <= path.least:
        return _not_seen(time_s[last], "the face of the top could not be followed", lost=True)
    tip, gone = _leaving(path)
    back = None if gone is None else _back(path, tip, gone)
    spoilt = view_ended(scene, path, len(index) if gone is None else (back or gone) + 1)
    if spoilt is not None:
        return _not_seen(path.time_s[max(spoilt[0] - 1, 0)], spoilt[1])
    lean = _lean(path, ring, tip)
    if (path.score[standing] > path.least).all() and _leant_from_the_first(lean[standing], lean):
        how = "the top leaned as far as ever from the first picture on"
        return _not_seen(time_s[last], how, lost=True)
    if gone is None or back is not None:
        return _on_its_tip(scene, path, lean, tip, gone)
    if path.score[gone] < path.least:
        found = _out_of_sight(path, lean, gone)
        return _told(_with_lean(found, path, lean, until=gone)) if found.seen else found
    near = float(lean[max(0, gone - 2) : gone + 2].max() - np.quantile(lean[:gone], 0.1))
    low = near < LEAST_LEAN_RAD
    if low and not _lies(scene, path):
        return _not_seen(path.time_s[gone] - LATE_S, "the top left its place without leaning")
    found, away = _touch(path, lean, tip, gone)
    found = _surely_gone(found, face, scene, path, tip)
    escaped = escape_s(path, tip, gone)
    pushed = away > QUICK and poorness(path, gone) < POOR
    pushed = pushed and not (escaped is None and from_above(ring))
    if not pushed or escaped is None:
        found = _with_lean(found, path, lean, pushed=pushed)
    if escaped is not None and found.time_s + found.u95_s > escaped > found.earliest_s:
        found = _between(found.time_s - found.u95_s, escaped, found.how)
    found = _low(found, path, pushed=pushed) if low else found
    return _told(found)


def _leant_from_the_first(first: FloatArray, lean: FloatArray) -> bool:
    """Say whether the top may have lain on its rim in all pictures."""
    began = float(np.median(first[: len(first) // 3 + 1]))
    return began > max(CLEARLY * float(np.quantile(lean, 0.9)), FALLEN_RAD)


def _reduced(pictures: ByteArray, ring: Ellipse) -> tuple[ByteArray, Ellipse]:
    """Reduce large pictures by a whole factor."""
    if (factor := max(1, math.ceil(ring.major_px / MAX_MAJOR))) == 1:
        return pictures, ring
    size = (pictures.shape[2] // factor, pictures.shape[1] // factor)
    cut = pictures[:, : size[1] * factor, : size[0] * factor]
    small = np.stack([cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in cut])
    return small, resized(ring, 1 / factor)


def _between(low: float, high: float, how: str) -> ToppleFound:
    return ToppleFound(True, 0.5 * (low + high), 0.5 * (high - low), low, how)


def _told(found: ToppleFound) -> ToppleFound:  # nothing of an instant that is told poorly
    sure = not found.seen or found.u95_s <= LEAST_TOLD_S
    return found if sure else _not_seen(found.earliest_s, "the top fell; when is not seen")


def _not_seen(free_until_s: float, reason: str, *, lost: bool = False) -> ToppleFound:
    return ToppleFound(False, math.nan, math.nan, float(free_until_s), reason, lost)


# ---------------------------------------------------------------------------- the tip


def _leaving(path: Path) -> tuple[Tip, int | None]:
    """Return the tip's place and the first picture from which on it stays away.

    The place is learnt from all pictures before that one, so both are found by turns.
    """
    run, count = max(3, round(AWAY_S / path.step_s) + 1), len(path.time_s)
    until = max(LEAST_POSES, int(np.searchsorted(path.time_s, path.time_s[0] + LEAD_S)))
    tried: set[int] = set()
    tip, gone = pivot(path, np.arange(count) < until), None
    while until not in tried:
        tried.add(until)
        use = (path.score > path.least) & (np.arange(count) < until)
        if not use.any():  # lost at once and found again later: the tip as first learnt
            break
        tip = pivot(path, use)
        distance = np.hypot(*tip.offset(path).T)
        lost, limit = path.score < path.least, max(AWAY, AWAY_SIGMAS * tip.scatter)
        away, far = (distance > limit) | lost, (distance > FAR) | lost
        back = (distance < limit) & (path.score > SURE_SCORE)
        back[1:] &= back[:-1]  # one alone may be chance
        # At the end of the pictures fewer stay away, but not a single one.
        gone = None
        for k in range(count - 2, LEAST_POSES - 1, -1):
            later = far[k : k + 2 * run].any() and not back[k + 1 : k + 2 * run].any()
            gone = k if away[k : k + run].all() and later else gone
        slide = max(1, round(0.5 * SLIDE_S / path.step_s))
        until = count if gone is None else max(LEAST_POSES, gone - slide)
    return tip, gone


def _back(path: Path, tip: Tip, gone: int) -> int | None:
    """Return the picture from which on the tip is in its place again, to the last; None if never.

    Where the face was poorly followed, its circles may have fitted something else for a while;
    a slide ends elsewhere.
    """
    there = (np.hypot(*tip.offset(path).T) < AWAY) & (path.score > path.least)
    back = gone + 1 + int(np.flatnonzero(np.append(True, ~there[gone + 1 :]))[-1])
    time = path.time_s
    return back if back < len(time) and time[-1] - time[back] >= BACK_S else None


def _lean(path: Path, ring: Ellipse, tip: Tip) -> FloatArray:
    """Return the angle between the axis and its steady direction, rad."""
    up = -1.0 if tip.reach < 0 else 1.0  # the axis points into the picture, or out of it
    axis = up * path.pose[:, 2:]
    axes = np.column_stack([axis, np.sqrt(np.maximum(0.0, 1.0 - (axis**2).sum(axis=1)))])
    steady = np.append(up * steady_pose(ring)[2:], ring.minor_px / ring.major_px)
    lean = np.arccos(np.clip(axes @ steady, -1.0, 1.0))
    return np.asarray(median_filter(lean, 3, mode="nearest"))


# ----------------------------------------------------------------------- the instant


def _touch(path: Path, lean: FloatArray, tip: Tip, gone: int) -> tuple[ToppleFound, float]:
    """Fit the instant at which the tip set out, and tell how fast, ring radii a second."""
    offset, time = tip.offset(path), path.time_s
    near = (np.hypot(*offset.T) < SLIDE_REACH) & (path.score > path.least)
    near &= time - time[gone] < SLIDE_S
    end = gone + 1 + int(np.argmin(np.append(near[gone + 1 :], False)))
    begin = int(np.searchsorted(time, time[gone] - BEFORE_S))
    begin = max(0, min(begin, gone - LEAST_BEFORE))
    low, middle, high = onset(time[begin:end], offset[begin:end] / tip.scatter, path.step_s)
    at = max(1, int(np.searchsorted(time, middle)))
    away = float(np.hypot(*offset[end - 1]) / max(time[end - 1] - middle, path.step_s))
    leaning = f"{math.degrees(lean[at - 1]):.0f} deg"
    speed = f"{away:.1f} radii of the mark's circle a second"
    how = f"the tip left its place at {speed} and a lean of {leaning}"
    # A lean that had stopped growing long before may mean that the rim already rolled.
    flat = reached(time, lean[:at], FLAT_SHARE)
    stopped = time[at - 1] - flat > FLAT_S and lean[at - 1] > LEAST_LEAN_RAD
    if (stopped or away < SLOW) and flat < low:
        low, how = flat, how + "; the lean had stopped growing before"
        middle = 0.5 * (low + high)
    # a face that was poorly followed even before: the tip may seem to set out anywhere in a fall
    doubt = poorness(path, gone) * FALL_S
    u95 = math.hypot(max(high - middle, middle - low), 0.5 * path.step_s, doubt)
    return ToppleFound(True, middle, u95, middle - u95, how), away


def _surely_gone(found: ToppleFound, face: Face, scene: Scene, path: Path, tip: Tip) -> ToppleFound:
    """Let the touch be as late as the face fits its picture with the tip in place.

    Seen from above an axis is told poorly, and the tip with it: it may seem gone long before.
    """
    time = path.time_s
    first, last = np.searchsorted(time, [found.earliest_s - LATE_S, found.time_s + FALL_S]).tolist()
    gain = np.zeros(last - first)
    for k in range(first, last):
        number = int(path.index[k])
        log, shift = log_levels(scene.pictures[number]), scene.shift_px[number] / face.a
        moved = Tip(tip.place + shift, tip.reach)
        axes = np.vstack([path.pose[k, 2:], path.pose[max(k - 1, 0), 2:], face.leans])
        gain[k - first] = (
            path.score[k] - face.scores(log, face.held(log, moved.pose, axes)[None])[0]
        )
    before = gain[time[first:last] < found.earliest_s]
    usual = float(np.quantile(before, 0.9)) if len(before) else 0.0
    sure = gain > max(GAIN_TIMES * usual, LEAST_GAIN)
    sure[:-1] &= sure[1:]
    sure &= time[first:last] >= found.earliest_s
    until = float(time[first:last][sure][0]) if sure.any() else found.time_s + FALL_S
    if until <= found.time_s + found.u95_s + path.step_s:
        return found
    return _between(found.time_s - found.u95_s, until, found.how)


def _on_its_tip(
    scene: Scene, path: Path, lean: FloatArray, tip: Tip, gone: int | None = None
) -> ToppleFound:
    """Judge a top whose tip stayed: it still spins, or it rolls on its rim about its tip.

    Where the tip seemed gone for a while, from picture `gone` on, it may have been, in a hollow
    base that leads it back: the touch may be as early as that.
    """
    time, level = path.time_s, float(np.median(lean[-3:]))
    bounds = _bounds(path, lean)
    if level < LEAST_LEAN_RAD and (bounds is None or not _lies(scene, path)):
        return _upright(scene, path)
    half, flat = (reached(time, lean, share) for share in (0.5, FLAT_SHARE))
    if gone is not None:
        half = min(half, float(time[gone]) - AWAY_S)
    how = f"the top leans by {math.degrees(level):.0f} deg in the last picture, its tip in place"
    rising = np.hypot(*tip.offset(path).T)[(time < flat if gone is None else time < time[gone])]
    if len(rising) >= LEAST_BEFORE and float(np.median(rising)) > ASTRAY:
        return _not_seen(time[0], "the tip was not in its place before the top lay")
    if was_covered(path):
        return _not_seen(half, how + "; something covered its face for a while")
    if time[-1] - flat < 2 * FLAT_S:
        return _not_seen(time[-1] - LATE_S, how + " until then")
    if np.ptp(path.pose[time > time[-1] - FLAT_S], axis=0).max() > AT_REST:
        if not (slowed(time, path.pose[:, 2:]) or _lies(scene, path)):
            return _not_seen(half, how + "; whether it rolls on its rim is not seen")
    low, high = half, flat + FLAT_S
    seen = path.score > path.least
    told = not (from_above(scene.ring) or erratic(time[seen], lean[seen]))
    if bounds is not None and gone is None and told:
        low, high = max(low, bounds[0]), min(high, bounds[1])
    if low >= high:
        low, high = half, flat + FLAT_S
    return _between(low, high, how + " and at rest")


def _upright(scene: Scene, path: Path) -> ToppleFound:
    """Judge a top that stands as it stood, unless it neither moves nor turns: then it lay so."""
    if not _lies(scene, path):
        return _not_seen(path.time_s[-1], "the top stands upright in the last picture")
    how = "the top lies at the end as it did in the first picture"
    return _not_seen(path.time_s[0], how, lost=True)


def _bounds(path: Path, lean: FloatArray, until: int | None = None) -> tuple[float, float] | None:
    """Between which instants the lean came up to its greatest, in the pictures that tell."""
    seen = (path.score > path.least)[:until]
    if np.mean(seen) < MOST_SEEN:
        return None
    bounds = lean_bounds(path.time_s[:until][seen], lean[:until][seen])
    if bounds is None:
        return None
    wider = 0.5 * poorness(path, len(lean)) * FALL_S  # axes that are told poorly
    return bounds[0] - wider, bounds[1] + wider


def _lies(scene: Scene, path: Path) -> bool:
    """Say whether the top lies in the last pictures, and no hand has laid it there."""
    told = scene.pictures[path.index], path.time_s, path.pose, scene.shift_px[path.index]
    late = path.score[path.time_s > path.time_s[-1] - FLAT_S]
    if float(np.median(late)) < path.least or was_covered(path):
        return False
    resting = lies(*told, scene.ring.major_px)
    return resting and view_ended(scene, path, len(path.index)) is None


def _low(found: ToppleFound, path: Path, *, pushed: bool) -> ToppleFound:
    """Tell the touch of a top that lies, though it hardly leaned when its tip set out.

    A tip that is not `pushed` may wander away long before the touch.
    """
    if pushed:
        return found
    low, high = found.time_s - found.u95_s, found.time_s + found.u95_s
    high = max(high, still_from(path.time_s, path.pose))
    if high - low > 2.0 * LEAST_TOLD_S:
        return _not_seen(low, "the top lies at the end; when it fell is not seen")
    return _between(low, high, found.how + "; it may have wandered before it fell")


def _with_lean(
    found: ToppleFound,
    path: Path,
    lean: FloatArray,
    *,
    until: int | None = None,
    pushed: bool = False,
) -> ToppleFound:
    """Hold the instant at which the tip set out against the lean, of the pictures before `until`.

    A tip that wanders sets out before the touch; a rim may roll about a tip that stays a while.
    Where tip and lean disagree, the touch may be anywhere from one to the other; but no later than
    when the tip was `pushed`, faster than any wanders, at a lean like that at the end.
    """
    bounds = _bounds(path, lean, until)
    about = found.time_s + found.u95_s + FALL_S  # one that falls goes on to lean
    seen = (path.score > path.least) & (path.time_s <= about)
    poorly = bounds is None and poorness(path, len(lean)) > POOR
    if poorly or erratic(path.time_s[seen], lean[seen]):  # where in the fall it was, is not told
        u95 = math.hypot(found.u95_s, FALL_S)
        found = replace(found, u95_s=u95, earliest_s=min(found.earliest_s, found.time_s - u95))
    if bounds is None:
        return found
    at, late = int(np.searchsorted(path.time_s, found.time_s)), lean[-max(5, len(lean) // 4) :]
    as_late = lean[min(at, len(lean) - 1)] > CLEARLY * float(np.median(late))
    early = pushed and as_late and found.time_s < bounds[0]
    agree = bounds[0] <= found.time_s <= bounds[1]
    if early or (agree and until is None and poorness(path, at) < POOR):
        return found  # one that was lost from sight, or poorly followed, tells nothing alone
    low, high = found.time_s - found.u95_s, found.time_s + found.u95_s
    both = _between(min(low, bounds[0]), max(high, bounds[1]), found.how)
    return replace(both, how=found.how + "; its lean was greatest at another time")


def _out_of_sight(path: Path, lean: FloatArray, gone: int) -> ToppleFound:
    """Bracket the touch where the leaning face could not be followed any further.

    A face that leaned no more at the end may have been lying on its rim already.
    """
    after = path.score[gone:][path.time_s[gone:] <= path.time_s[gone] + FLAT_S]
    if float(np.median(after)) > FLAT_SHARE * float(np.median(path.score[:gone])):
        return _not_seen(path.time_s[0], "the face of the top was hardly followed")
    lost = float(path.time_s[gone - 1]) - AWAY_S  # the tip may have begun to leave unseen
    low = min(lost, reached(path.time_s[:gone], lean[:gone], FLAT_SHARE))
    low -= poorness(path, gone) * FALL_S
    how = "the leaning face was lost from sight; a fall from there on takes no longer than this"
    return _between(low, lost + FALL_S, how)
