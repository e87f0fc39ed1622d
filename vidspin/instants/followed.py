"""Where was the face of the top in one picture after another, and was it followed well?

Lengths are in ring radii throughout, except where a name ends in ``_px``.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from vidspin.instants.face import Face, log_levels
from vidspin.instants.surroundings import SAME_SHARE, Scene, hand_reaches
from vidspin.instants.tip import AWAY, LEAST_POSES, USUAL_REACH, Path, Tip, pivot
from vidspin.records import FloatArray, IntArray

LEAD_S = 0.5  # from the first picture on: there the top is known to stand
LAST_S = 0.25  # of the last pictures that show how the face is seen at the end
LEAST_SCORE, SURE_SCORE = 0.4, 0.75  # a face that is followed correlates better than this
# A plain, dark or small one correlates less: than this share of its usual, where it stands out
# from what lies beside it by so much.
LEAST_SHARE, CLEAR = 0.75, 2.0
TWIN = 0.03  # of correlation: so much more for a lean that is off the last one by a radian
LEAST_SCATTER, LEAST_SCATTER_PX = 0.003, 0.2  # no fit of a face is better than either
COVERED, HIDDEN = 0.8, 0.6  # of its usual score: a face that shows less may be covered, or is
DARK_SHARE = 0.3  # light below this share of the usual: too dark


def follow(face: Face, scene: Scene, index: IntArray, step_s: float, middle_px: FloatArray) -> Path:
    """Follow middle and axis of the face.

    Parameters
    ----------
    face : Face
        As it was learnt while the top was steady.
    scene : Scene
        The pictures, and how the camera moved.
    index : (n,) array
        Numbers of the pictures to look at, rising.
    step_s : float
        From one of them to the next, s.
    middle_px : (2,) array
        Middle of the face in the first one, picture elements; NaN where that is not known.

    Returns
    -------
    Path

    Notes
    -----
    Each picture is tried from where the motion leads and, in doubt, from the last pose and
    the best one with its tip in place.  These keep a glare from carrying the face away.
    """
    poses, scores = np.zeros((len(index), 4)), np.zeros(len(index))
    finest = max(LEAST_SCATTER, LEAST_SCATTER_PX / face.a)
    clear = face.usual > CLEAR * face.astray
    least = min(LEAST_SCORE, LEAST_SHARE * face.usual) if clear else LEAST_SCORE
    path = Path(index, scene.time_s[index], poses, scores, step_s, finest, least)
    begin = face.pose.copy()
    if np.isfinite(middle_px).all():
        begin[:2] = middle_px / face.a
    tip = Tip(begin[:2] - USUAL_REACH * begin[2:], USUAL_REACH)
    before, last = begin, begin
    for k, number in enumerate(index.tolist()):
        log, shift = log_levels(scene.pictures[number]), np.zeros(4)
        shift[:2] = scene.shift_px[number] / face.a
        led = 2.0 * last - before + shift
        moved = Tip(tip.place + shift[:2], tip.reach)
        tries = [face.fit(log, led)]
        stray = np.hypot(*(moved.pose(tries[0][0][2:]) - tries[0][0])[:2])
        if tries[0][1] < SURE_SCORE or stray > AWAY / 2:
            tries.append(face.fit(log, last + shift))
            axes = np.vstack([last[2:], *(pose[2:] for pose, _ in tries), face.leans])
            tries.append(face.fit(log, face.held(log, moved.pose, axes)))
        # A circle shows two leans; that which the motion leads to, or the last one, is it.
        known = np.stack([last[2:], led[2:]])
        far = [float(np.hypot(*(known - pose[2:]).T).min()) for pose, _ in tries]
        chosen = int(
            np.argmax([tried[1] - TWIN * off for tried, off in zip(tries, far, strict=True)])
        )
        best, scores[k] = tries[chosen]
        poses[k] = best - shift
        before, last = last, poses[k]
        there = np.hypot(*tip.offset(path).T) < AWAY
        if k >= LEAST_POSES and there[k]:
            tip = pivot(path, there & (np.arange(len(index)) <= k))
    return path


def poorness(path: Path, gone: int) -> float:
    """How poorly the face was followed before picture `gone` of a path: 0 well, 1 hardly."""
    short = SURE_SCORE - float(np.median(path.score[:gone]))
    return min(max(0.0, short) / (SURE_SCORE - LEAST_SCORE), 1.0)


def was_covered(path: Path) -> bool:
    """Say whether the face showed less for a while than at the end, as under a hand."""
    size = 2 * max(1, round(0.5 * LAST_S / path.step_s)) + 1
    last = float(np.median(path.score[path.time_s > path.time_s[-1] - LAST_S]))
    return float(median_filter(path.score, size, mode="nearest").min()) < COVERED * last


def view_ended(scene: Scene, path: Path, until: int) -> tuple[int, str] | None:
    """Say what else than a topple ended the view, and in which followed picture.

    Parameters
    ----------
    scene : Scene
    path : Path
    until : int
        So many of its pictures are looked at.

    Returns
    -------
    (int, str) or None
        Place in the path, and the reason in words; None where nothing ended it.
    """
    usual = float(np.median(path.score[path.time_s <= path.time_s[0] + LEAD_S]))
    for k, number in enumerate(path.index[:until].tolist()):
        if scene.light[number] < DARK_SHARE:
            return k, "the picture went dark while the top stood on its tip"
        if scene.same[number] < SAME_SHARE:
            return k, "the camera moved away while the top stood on its tip"
        hidden = path.score[k] < HIDDEN * usual
        if hand_reaches(scene, number, path.pose[k], covered=hidden):
            return k, "a hand reached the top before it fell"
    return None
