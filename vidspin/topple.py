"""Finds when the top touches its base with something other than its tip.

Until the rim touches, the top turns about its tip: in a parallel projection the middle of
its face lies at ``tip + reach * axis``, where ``axis`` is the picture of the spin axis' unit
vector and ``reach`` the height of the face above the tip, however far the top leans.  From
the touch on it turns about the place of contact, and the tip leaves its own.  So middle and
axis of the face are followed through the pictures, and the instant is sought at which the
tip sets out.  Neither the brightness of the face nor its spin enters.

The face is followed by its circles (edge, groove, hub): the slope of the log brightness along
each radius is correlated with that of the steady pictures, without regard to sign, because a
leaning disc that catches the lamp swaps bright and dark.  What the top is not, table and base,
tells how the camera moved, and whether a hand came in.

Lengths are in ring radii throughout, except where a name ends in ``_px``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import median_filter

from vidspin.face import Face, Image, blurred, circle, log_levels, steady_pose
from vidspin.middle import median
from vidspin.records import BoolArray, ByteArray, Ellipse, FloatArray, IntArray

MAX_MAJOR = 128.0  # larger rings are reduced: the tip is not found better
STILL_S = 1.5  # so much before the last steady picture makes the picture of the steady top
LEAD_S = 0.5  # so much before it the top is followed, to learn where its tip stands
MAX_FOLLOWED = 180  # pictures that are followed; more are thinned out evenly
LEAST_SCORE, SURE_SCORE = 0.4, 0.75  # a face that is followed correlates better than this

USUAL_REACH, U_REACH = 0.65, 0.3  # height of the face, where no lean has told it yet
U_DRIFT = 0.15  # a tip that stands wanders by so much a second
BEFORE_S = 0.5  # so much before the slide is fitted with it
LEAST_BEFORE = 5  # pictures of that, however long ago: where frames are missing there
AWAY = 0.06  # the tip has left when it stays farther away than this ...
AWAY_SIGMAS, AWAY_S = 5.0, 0.1  # ... and than so many times its usual scatter, for so long ...
FAR = 0.12  # ... and gets farther than this within twice the time: a tip that stands wanders less
BACK_S = 0.5  # a tip back in its place for so long, to the last picture, may never have left
SLOW = 0.35  # ring radii a second: so slow a tip may have left long after the touch
FALL_S, LATE_S = 0.5, 0.25  # no fall takes longer; a slow slide gets so far after so long
LEAST_SCATTER, LEAST_SCATTER_PX = 0.003, 0.2  # no fit of a face is better than either
SLIDE_S, SLIDE_REACH = 0.12, 0.3  # so much of the slide is fitted: a straight line holds so long
JERK_SHARE, GENTLE_SHARE = 0.8, 0.2  # belief in a slide that sets out with a jerk, or gently
ALIKE = 2.0  # errors of neighbouring pictures are alike: so many count as one
LEAST_LEAN_RAD = math.radians(4.0)  # a rim that clears its base by less would hardly spin
AT_REST = 0.02  # a face that moves by less stands still
FLAT_SHARE, FLAT_S = 0.9, 0.25  # a lean within this share of its last for so long has stopped

STILL_FROM = 2.0  # the setting is taken from here outwards
BODY, STEM = 1.3, 1.2  # the face's edge, and where the stem ends along the axis
CHANGED_LEVELS = 20.0  # grey levels by which a place has changed for sure
HAND_AREA, HAND_GAP = 0.02, 0.12  # the smallest hand; so close to the body it has reached it
DARK_SHARE = 0.3  # light below this share of the usual: too dark
SAME_SHARE = 0.5  # of the setting must be explained, of the usual share, or it has moved


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


@dataclass(frozen=True, slots=True)
class _Scene:
    """The pictures, and what table and base say about each."""

    pictures: ByteArray  # (n, rows, columns)
    time_s: FloatArray  # (n,)
    ring: Ellipse
    still: Image  # (rows, columns) steady picture, blurred
    around: BoolArray  # (rows, columns) where the top hardly gets
    shift_px: FloatArray  # (n, 2) of the camera against the steady picture
    same: FloatArray  # (n,) how far the setting is in its place, 1 as usual
    light: FloatArray  # (n,) brightness of the picture, of the steady one


@dataclass(frozen=True, slots=True)
class _Path:
    """Where the face was in each followed picture, the camera's motion taken out."""

    index: IntArray  # (n,) number of the picture
    time_s: FloatArray  # (n,)
    pose: FloatArray  # (n, 4) middle of the face, and unit vector of the axis in the picture
    score: FloatArray  # (n,) correlation with the steady face, 0-1
    step_s: float
    finest: float  # no single picture tells the tip better than this


@dataclass(frozen=True, slots=True)
class _Tip:
    """The place about which the top turns."""

    place: FloatArray  # (2,)
    reach: float  # height of the face above it
    scatter: float = AWAY  # usual error of one picture's tip

    def pose(self, axis: FloatArray) -> FloatArray:
        """Return middle and axis of a face that leans about this tip."""
        return np.concatenate([self.place + self.reach * axis, axis])

    def offset(self, path: _Path) -> FloatArray:
        """Return how far each picture's tip is from this place, (n, 2)."""
        return np.asarray(path.pose[:, :2] - self.reach * path.pose[:, 2:] - self.place)


def find_topple(
    pictures: ByteArray, time_s: FloatArray, last_steady: int, ring: Ellipse, frame_s: float
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

    Returns
    -------
    ToppleFound
    """
    pictures, ring = _reduced(pictures, ring)
    last = int(np.clip(last_steady, 0, len(pictures) - 1))
    first, start = np.searchsorted(time_s, time_s[last] - np.array([STILL_S, LEAD_S])).tolist()
    steady = pictures[first : last + 1 : max(1, (last + 1 - first) // 40)]
    scene = _set_up(pictures, time_s, ring, np.median(steady, axis=0))
    stride = max(1, math.ceil((len(pictures) - start) / MAX_FOLLOWED))
    index = np.arange(start, len(pictures), stride)
    path = _follow(Face(steady, ring), scene, index, stride * frame_s)
    standing = path.time_s <= path.time_s[0] + LEAD_S
    if float(np.median(path.score[standing])) <= LEAST_SCORE:
        lost = _not_seen(time_s[last], "the face of the top could not be followed")
        return replace(lost, lost=True)
    tip, gone = _leaving(path)
    back = None if gone is None else _back(path, tip, gone)
    spoilt = _spoilt(scene, path, len(index) if gone is None else (back or gone) + 1)
    if spoilt is not None:
        return _not_seen(path.time_s[max(spoilt[0] - 1, 0)], spoilt[1])
    lean = _lean(path, ring, tip)
    if gone is None or back is not None:
        return _on_its_tip(path, lean, gone)
    if lean[max(0, gone - 2) : gone + 2].max() < LEAST_LEAN_RAD:
        return _not_seen(path.time_s[gone] - LATE_S, "the top left its place without leaning")
    if path.score[gone] < LEAST_SCORE:
        return _out_of_sight(path, lean, gone)
    return _touch(path, lean, tip, gone)


def _reduced(pictures: ByteArray, ring: Ellipse) -> tuple[ByteArray, Ellipse]:
    """Reduce large pictures by a whole factor."""
    if (factor := max(1, math.ceil(ring.major_px / MAX_MAJOR))) == 1:
        return pictures, ring
    size = (pictures.shape[2] // factor, pictures.shape[1] // factor)
    cut = pictures[:, : size[1] * factor, : size[0] * factor]
    small = np.stack([cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in cut])
    x, y = ((place + 0.5) / factor - 0.5 for place in (ring.x_px, ring.y_px))
    return small, Ellipse(x, y, ring.major_px / factor, ring.minor_px / factor, ring.tilt_rad)


def _between(low: float, high: float, how: str) -> ToppleFound:
    return ToppleFound(True, 0.5 * (low + high), 0.5 * (high - low), low, how)


def _not_seen(free_until_s: float, reason: str) -> ToppleFound:
    return ToppleFound(False, math.nan, math.nan, float(free_until_s), reason)


# ---------------------------------------------------------------- table, base and hand


def _grain(picture: ByteArray | FloatArray) -> Image:
    """Keep what is fine enough to tell motion; light that changes from row to row goes out."""
    fine = blurred(picture, 2.0)
    size = (max(1, fine.shape[1] // 4), max(1, fine.shape[0] // 4))
    coarse = blurred(cv2.resize(fine, size, interpolation=cv2.INTER_AREA), 3.0)
    return np.asarray(fine - cv2.resize(coarse, fine.shape[::-1]), np.float32)


def _set_up(pictures: ByteArray, time_s: FloatArray, ring: Ellipse, steady: FloatArray) -> _Scene:
    """Line every picture up with the steady one by what lies around the top."""
    still, fine = blurred(steady, 2.0), _grain(steady)
    y, x = np.mgrid[0 : still.shape[0], 0 : still.shape[1]].astype(np.float32)
    out = np.hypot(x - ring.x_px, y - ring.y_px) / ring.major_px > STILL_FROM
    out[:8], out[-8:], out[:, :8], out[:, -8:] = False, False, False, False
    use = np.flatnonzero(out)[:: max(1, int(out.sum()) // 6000)]
    slopes = np.stack([np.gradient(fine, axis=k).ravel()[use] for k in (1, 0)], -1)
    design = np.column_stack([fine.ravel()[use], np.ones(len(use)), slopes])
    places = np.stack([x.ravel()[use], y.ravel()[use]], -1)
    # A bare table tells no motion: slopes under a tenth of a grey level are noise.
    textured = len(use) > 200 and np.linalg.eigvalsh(slopes.T @ slopes)[0] > 0.01 * len(use)
    shift, same = np.zeros((len(pictures), 2)), np.ones(len(pictures))
    for k, picture in enumerate(pictures if textured else []):
        shift[k] = shift[max(k - 1, 0)]
        at, same[k] = _line_up(_grain(picture), places, design, shift[k])
        if same[k] > SAME_SHARE * np.median(same[: k + 1]):
            shift[k] = at
    same /= np.maximum(np.median(same), 1e-9)
    light = pictures.mean(axis=(1, 2)) / max(float(still.mean()), 1.0)
    return _Scene(pictures, time_s, ring, still, out, shift, same, light)


def _line_up(
    soft: Image, places: Image, design: FloatArray, start: FloatArray
) -> tuple[FloatArray, float]:
    """Return the shift against the still and the share explained; a hand weighs little."""
    at, weight = start.copy(), np.ones(len(design))
    for _ in range(10):
        moved = (places + at).astype(np.float32)
        seen = cv2.remap(soft, moved[None, :, 0], moved[None, :, 1], cv2.INTER_LINEAR)[0]
        weighted = design * weight[:, None]
        p = np.linalg.lstsq(weighted.T @ design, weighted.T @ seen, rcond=None)[0]
        left = np.abs(seen - design @ p)
        weight = _tame(left, 2.0 * median(left))
        step = np.clip(p[2:] / max(float(p[0]), 0.2), -3.0, 3.0)
        at = at - step
        if np.abs(step).max() < 0.01:
            break
    unexplained = median(left**2) / max(median((seen - median(seen)) ** 2), 1e-9)
    return at, max(0.0, 1.0 - unexplained)


def _tame(left: FloatArray, scale: float) -> FloatArray:
    """Weights of robust least squares (Cauchy): far ones count little."""
    return np.asarray(1.0 / (1.0 + (left / max(scale, 1e-9)) ** 2))


def _spoilt(scene: _Scene, path: _Path, until: int) -> tuple[int, str] | None:
    """Say what else than a topple ended the view, and in which followed picture."""
    for k, number in enumerate(path.index[:until].tolist()):
        if scene.light[number] < DARK_SHARE:
            return k, "the picture went dark while the top stood on its tip"
        if scene.same[number] < SAME_SHARE:
            return k, "the camera moved away while the top stood on its tip"
        if _hand_reaches(scene, number, path.pose[k]):
            return k, "a hand reached the top before it fell"
    return None


def _hand_reaches(scene: _Scene, number: int, pose: FloatArray) -> bool:
    """Say whether something that comes in from the crop's edge gets to the top."""
    picture, a = scene.pictures[number], scene.ring.major_px
    back = np.column_stack([np.eye(2), -scene.shift_px[number]])
    soft, size = cv2.GaussianBlur(picture, (0, 0), 2.0), picture.shape[::-1]
    seen = cv2.warpAffine(soft, back, size, borderMode=cv2.BORDER_REPLICATE)
    change = np.asarray(seen, np.float64) - scene.still
    rows = np.flatnonzero(scene.around.sum(axis=1) >= 10)[::8]
    if len(rows):  # the light, which may flicker from row to row, smoothly
        light = [median(change[row, scene.around[row]]) for row in rows]
        change -= np.interp(np.arange(len(change)), rows, light)[:, None]
    body = _silhouette(scene, pose)
    own = body + _silhouette(scene, steady_pose(scene.ring)) > 0
    changed = ((np.abs(change) > CHANGED_LEVELS) & ~own).astype(np.uint8)
    _, label, stats, _ = cv2.connectedComponentsWithStats(changed)
    edge = np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]])
    width = 2 * max(1, round(HAND_GAP * a)) + 1
    close = cv2.dilate(body, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width)))
    near = np.intersect1d(label[close > 0], edge)
    return bool(np.any(stats[near[near > 0], cv2.CC_STAT_AREA] > HAND_AREA * a * a))


def _silhouette(scene: _Scene, pose: FloatArray) -> ByteArray:
    """Return the hull of face, tip and stem as ones in a picture."""
    face = pose[:2, None] + BODY * circle(pose[2:])
    ends = pose[:2] + np.array([[STEM], [-USUAL_REACH]]) * pose[2:]
    hull = cv2.convexHull((scene.ring.major_px * np.vstack([face.T, ends])).astype(np.float32))
    body = np.zeros(scene.still.shape, np.uint8)
    return np.asarray(cv2.fillConvexPoly(body, np.rint(hull).astype(np.int32), 1), np.uint8)


def _follow(face: Face, scene: _Scene, index: IntArray, step_s: float) -> _Path:
    """Follow middle and axis of the face.

    Each picture is tried from where the motion leads and, in doubt, from the last pose and
    the best one with its tip in place.  These keep a glare from carrying the face away.
    """
    poses, scores = np.zeros((len(index), 4)), np.zeros(len(index))
    finest = max(LEAST_SCATTER, LEAST_SCATTER_PX / face.a)
    path = _Path(index, scene.time_s[index], poses, scores, step_s, finest)
    tip = _Tip(face.pose[:2] - USUAL_REACH * face.pose[2:], USUAL_REACH)
    before, last = face.pose, face.pose
    for k, number in enumerate(index.tolist()):
        log, shift = log_levels(scene.pictures[number]), np.zeros(4)
        shift[:2] = scene.shift_px[number] / face.a
        led = 2.0 * last - before + shift
        moved = _Tip(tip.place + shift[:2], tip.reach)
        tries = [face.fit(log, led)]
        stray = np.hypot(*(moved.pose(tries[0][0][2:]) - tries[0][0])[:2])
        if tries[0][1] < SURE_SCORE or stray > AWAY / 2:
            tries.append(face.fit(log, last + shift))
            axes = np.vstack([last[2:], *(pose[2:] for pose, _ in tries), face.leans])
            tries.append(face.fit(log, face.held(log, moved.pose, axes)))
        best, scores[k] = max(tries, key=lambda found: found[1])
        poses[k] = best - shift
        before, last = last, poses[k]
        there = np.hypot(*tip.offset(path).T) < AWAY
        if k >= 8 and there[k]:
            tip = _pivot(path, there & (np.arange(len(index)) <= k))
    return path


# ---------------------------------------------------------------------------- the tip


def _pivot(path: _Path, use: BoolArray) -> _Tip:
    """Fit the place about which the top turned; it may drift, evenly and slowly."""
    time, pose = path.time_s[use], path.pose[use]
    ones, since = np.ones(len(time)), time[-1]
    rows = np.einsum("ni,jk->njik", np.column_stack([ones, time - since]), np.eye(2))
    design = np.column_stack([rows.reshape(2 * len(time), 4), pose[:, 2:].ravel()])
    belief = np.diag([1.0 / U_DRIFT, 1.0 / U_DRIFT, 1.0 / U_REACH]) @ np.eye(5)[2:]
    known = np.array([0.0, 0.0, USUAL_REACH / U_REACH])
    weight, scatter = ones, path.finest
    for _ in range(8):
        root = np.repeat(np.sqrt(weight), 2) / scatter
        matrix = np.vstack([design * root[:, None], belief])
        p = np.linalg.lstsq(matrix, np.append(pose[:, :2].ravel() * root, known), rcond=None)[0]
        left = np.hypot(*(pose[:, :2] - (design @ p).reshape(-1, 2)).T)
        # Median of a distance in the plane: 1.18 standard deviations of a coordinate.
        scatter = max(median(left) / 1.18, path.finest)
        weight = _tame(left, 2.0 * scatter)
    return _Tip(p[:2], float(p[4]), scatter)


def _leaving(path: _Path) -> tuple[_Tip, int | None]:
    """Return the tip's place and the first picture from which on it stays away.

    The place is learnt from all pictures before that one, so both are found by turns.
    """
    run, count = max(3, round(AWAY_S / path.step_s) + 1), len(path.time_s)
    until = max(8, int(np.searchsorted(path.time_s, path.time_s[0] + LEAD_S)))
    tried: set[int] = set()
    while until not in tried:
        tried.add(until)
        use = (path.score > LEAST_SCORE) & (np.arange(count) < until)
        if not use.any():  # lost at once and found again later: the tip as first learnt
            break
        tip = _pivot(path, use)
        distance = np.hypot(*tip.offset(path).T)
        lost, limit = path.score < LEAST_SCORE, max(AWAY, AWAY_SIGMAS * tip.scatter)
        away, far = (distance > limit) | lost, (distance > FAR) | lost
        back = (distance < limit) & (path.score > SURE_SCORE)
        back[1:] &= back[:-1]  # one alone may be chance
        # At the end of the pictures fewer stay away, but not a single one.
        gone = None
        for k in range(count - 2, 7, -1):
            later = far[k : k + 2 * run].any() and not back[k + 1 : k + 2 * run].any()
            gone = k if away[k : k + run].all() and later else gone
        until = count if gone is None else max(8, gone - max(1, round(0.5 * SLIDE_S / path.step_s)))
    return tip, gone


def _back(path: _Path, tip: _Tip, gone: int) -> int | None:
    """Return the picture from which on the tip is in its place again, to the last; None if never.

    Where the face was poorly followed, its circles may have fitted something else for a while;
    a slide ends elsewhere.
    """
    there = (np.hypot(*tip.offset(path).T) < AWAY) & (path.score > LEAST_SCORE)
    back = gone + 1 + int(np.flatnonzero(np.append(True, ~there[gone + 1 :]))[-1])
    time = path.time_s
    return back if back < len(time) and time[-1] - time[back] >= BACK_S else None


def _lean(path: _Path, ring: Ellipse, tip: _Tip) -> FloatArray:
    """Return the angle between the axis and its steady direction, rad."""
    up = -1.0 if tip.reach < 0 else 1.0  # the axis points into the picture, or out of it
    axis = up * path.pose[:, 2:]
    axes = np.column_stack([axis, np.sqrt(np.maximum(0.0, 1.0 - (axis**2).sum(axis=1)))])
    steady = np.append(up * steady_pose(ring)[2:], ring.minor_px / ring.major_px)
    lean = np.arccos(np.clip(axes @ steady, -1.0, 1.0))
    return np.asarray(median_filter(lean, 3, mode="nearest"))


# ----------------------------------------------------------------------- the instant


def _touch(path: _Path, lean: FloatArray, tip: _Tip, gone: int) -> ToppleFound:
    """Fit the instant at which the tip set out."""
    offset, time = tip.offset(path), path.time_s
    near = (np.hypot(*offset.T) < SLIDE_REACH) & (path.score > LEAST_SCORE)
    near &= time - time[gone] < SLIDE_S
    end = gone + 1 + int(np.argmin(np.append(near[gone + 1 :], False)))
    begin = int(np.searchsorted(time, time[gone] - BEFORE_S))
    begin = max(0, min(begin, gone - LEAST_BEFORE))
    low, middle, high = _onset(time[begin:end], offset[begin:end] / tip.scatter, path.step_s)
    at = max(1, int(np.searchsorted(time, middle)))
    away = float(np.hypot(*offset[end - 1]) / max(time[end - 1] - middle, path.step_s))
    leaning = f"{math.degrees(lean[at - 1]):.0f} deg"
    speed = f"{away:.1f} radii of the mark's circle a second"
    how = f"the tip left its place at {speed} and a lean of {leaning}"
    # A lean that had stopped growing long before may mean that the rim already rolled.
    flat = _reached(time, lean[:at], FLAT_SHARE)
    stopped = time[at - 1] - flat > FLAT_S and lean[at - 1] > LEAST_LEAN_RAD
    if (stopped or away < SLOW) and flat < low:
        low, how = flat, how + "; the lean had stopped growing before"
        middle = 0.5 * (low + high)
    # a face that was poorly followed even before: the tip may seem to set out anywhere in a fall
    poor = max(0.0, SURE_SCORE - float(np.median(path.score[:gone]))) / (SURE_SCORE - LEAST_SCORE)
    u95 = math.hypot(max(high - middle, middle - low), 0.5 * path.step_s, poor * FALL_S)
    return ToppleFound(True, middle, u95, middle - u95, how)


def _onset(time: FloatArray, offset: FloatArray, step_s: float) -> tuple[float, float, float]:
    """Return lower end, mean and upper end of the instant at which the tip set out.

    A slide that sets out with a jerk (uniform) and one that sets out gently (uniformly
    accelerated) are weighed against each other at every instant.
    """
    grid = np.arange(time[2], time[-1] - 0.25 * step_s, 0.05 * step_s)
    misfit = np.array([[_misfit(time, offset, t, k) for t in grid] for k in (1, 2)])
    likely = np.exp(-0.5 * (misfit - misfit.min()) / ALIKE)
    belief = JERK_SHARE * likely[0] + GENTLE_SHARE * likely[1]
    belief /= belief.sum()
    low, high = np.interp([0.025, 0.975], np.cumsum(belief), grid)
    return float(low), float(belief @ grid), float(high)


def _misfit(time: FloatArray, offset: FloatArray, start_s: float, power: int) -> float:
    """Return -2 log likelihood of a slide from an instant on; errors have wide tails."""
    slide = np.maximum(time - start_s, 0.0) ** power
    design, weight = np.column_stack([np.ones(len(time)), slide]), np.ones(len(time))
    for _ in range(3):
        root = np.sqrt(weight)[:, None]
        p = np.linalg.lstsq(design * root, offset * root, rcond=None)[0]
        left = np.hypot(*(offset - design @ p).T)
        weight = _tame(left, 2.0)
    return float(4.0 * np.log1p((left / 2.0) ** 2).sum())


def _reached(time: FloatArray, lean: FloatArray, share: float) -> float:
    """Return when the lean came up to a share of its last value, for good."""
    under = np.flatnonzero(lean < share * float(np.median(lean[-3:])))
    return float(time[min(under[-1] + 1, len(lean) - 1)]) if len(under) else float(time[0])


def _on_its_tip(path: _Path, lean: FloatArray, gone: int | None = None) -> ToppleFound:
    """Judge a top whose tip stayed: it still spins, or it rolls on its rim about its tip.

    Where the tip seemed gone for a while, from picture `gone` on, it may have been, in a hollow
    base that leads it back: the touch may be as early as that.
    """
    time, level = path.time_s, float(np.median(lean[-3:]))
    if level < LEAST_LEAN_RAD:
        return _not_seen(time[-1], "the top stands upright in the last picture")
    half, flat = (_reached(time, lean, share) for share in (0.5, FLAT_SHARE))
    if gone is not None:
        half = min(half, float(time[gone]) - AWAY_S)
    how = f"the top leans by {math.degrees(level):.0f} deg in the last picture, its tip in place"
    if time[-1] - flat < 2 * FLAT_S:
        return _not_seen(time[-1] - LATE_S, how + " until then")
    if np.ptp(path.pose[time > time[-1] - FLAT_S], axis=0).max() > AT_REST:
        return _not_seen(half, how + "; whether it rolls on its rim is not seen")
    return _between(half, flat + FLAT_S, how + " and at rest")


def _out_of_sight(path: _Path, lean: FloatArray, gone: int) -> ToppleFound:
    """Bracket the touch where the leaning face could not be followed any further.

    A face that leaned no more at the end may have been lying on its rim already.
    """
    lost = float(path.time_s[gone - 1]) - AWAY_S  # the tip may have begun to leave unseen
    low = min(lost, _reached(path.time_s[:gone], lean[:gone], FLAT_SHARE))
    how = "the leaning face was lost from sight; a fall from there on takes no longer than this"
    return _between(low, lost + FALL_S, how)
