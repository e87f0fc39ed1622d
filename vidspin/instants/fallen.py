"""Does a top lie at the end of some pictures, and when did its lean come up to that?

A rigid top on an even base leans no further than until its rim touches, and lies with the same
lean on tip and rim.  So the lean tells when the touch was without regard to where the tip is: not
before it came near to its greatest, nor long after.  And no top stands on its tip alone without
turning: one that neither moves nor turns any more has toppled, however little it leans.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from scipy.ndimage import median_filter

from vidspin.instants.face import ANGLES, circle, log_levels
from vidspin.records import ByteArray, FloatArray

REST_S = 0.25  # at rest for so long at the end
MOVED = 0.03  # ring radii: the middle of a face that lies moves by less in that time
SLOWED = 0.25  # of its fastest: no axis of a top on its tip slows so much while it leans
RATE_S = 0.05  # over which the axis' rate is taken
TURNS_SHARE = 0.35  # of what a turning mark changes from picture to picture: less is noise
BAND = np.linspace(0.8, 1.2, 9)  # ring radii: where the mark is
LEVEL, SMOOTH_S = 0.9, 0.12  # quantile that is the greatest lean; of leans smoothed over so long
NEARLY, CLEARLY = 0.85, 0.7  # of the greatest lean: the rim touches for sure, or may touch
SHARE_WRONG, WRONG_RAD = 0.1, 0.03  # by which a lean may be told too large
LATEST_S = 0.5
TELLING = 2.5  # times the least lean, from where on the greatest tells anything
LEAST_RAD = 0.05
ERRATIC_RAD, BACK_SHARE = 0.25, 0.6  # a lean that was so large goes back to a share of it
FEWEST = 5  # pictures of a state


def smoothed(time_s: FloatArray, values: FloatArray) -> FloatArray:
    """Take running medians over `SMOOTH_S`."""
    step = float(np.median(np.diff(time_s)))
    size = 2 * max(1, round(0.5 * SMOOTH_S / step)) + 1
    return np.asarray(median_filter(values, size, mode="nearest"))


def reached(time: FloatArray, lean: FloatArray, share: float) -> float:
    """Return when the lean came up to a share of its last value, for good."""
    under = np.flatnonzero(lean < share * float(np.median(lean[-3:])))
    return float(time[min(under[-1] + 1, len(lean) - 1)]) if len(under) else float(time[0])


def lean_bounds(time_s: FloatArray, lean_rad: FloatArray) -> tuple[float, float] | None:
    """Between which instants the lean came up to its greatest.

    Parameters
    ----------
    time_s, lean_rad : (n,) arrays

    Returns
    -------
    (float, float) or None
        None where the leans do not tell: hardly more than at their least, or great from the
        first picture on.
    """
    if len(time_s) < 3 * FEWEST:
        return None
    lean = smoothed(time_s, lean_rad)
    most, least = float(np.quantile(lean, LEVEL)), float(np.quantile(lean, 0.1))
    if most < max(TELLING * least, LEAST_RAD):
        return None
    may, must = lean > CLEARLY * most, lean > NEARLY * most
    if may[:2].all() or not must.any():
        return None
    low, high = max(int(np.argmax(may)) - 1, 0), _lasting(must)
    # a lean that is told wrongly by so much passes the share that much earlier: it grows evenly
    step = float(np.median(np.diff(time_s)))
    grows = max(float(time_s[high] - time_s[low + 1]), step) / math.log(NEARLY / CLEARLY)
    wrong = math.log(1.0 / NEARLY) + SHARE_WRONG + WRONG_RAD / most
    late = float(time_s[high]) + min(grows * wrong, LATEST_S)
    return float(time_s[low]), min(late, float(time_s[-1]))


def erratic(time_s: FloatArray, lean_rad: FloatArray) -> bool:
    """Say whether the lean comes up and goes down again: that of a top before it falls does not.

    Seen along its axis a face hardly tells its lean, and may be followed with a wrong one.
    """
    if len(time_s) < 3 * FEWEST:
        return False
    lean = smoothed(time_s, lean_rad)
    high = np.maximum.accumulate(lean)
    return bool(np.any((lean < BACK_SHARE * high) & (high > ERRATIC_RAD)))


def _lasting(state: np.ndarray) -> int:
    """First place from which on a state holds for most of what follows."""
    share = np.cumsum(state[::-1])[::-1] / np.arange(len(state), 0, -1)
    return int(np.argmax(state & (share >= min(0.8, float(share.max())))))


def lies(
    pictures: ByteArray, time_s: FloatArray, pose: FloatArray, shift: FloatArray, a: float
) -> bool:
    """Say whether a top neither moves nor turns in the last pictures.

    Parameters
    ----------
    pictures : (n, rows, columns) array
        Those that were followed.
    time_s : (n,) array
    pose : (n, 4) array
        Middle of the face and axis, ring radii.
    shift : (n, 2) array
        Of the camera, px.
    a : float
        The ring's major semi-axis, px.
    """
    late = np.flatnonzero(time_s > time_s[-1] - REST_S)
    late = late if len(late) >= FEWEST else np.arange(len(time_s))[-FEWEST:]
    half = len(late) // 2
    moved = np.median(pose[late[half:]], axis=0) - np.median(pose[late[:half]], axis=0)
    if np.abs(moved[:2]).max() > MOVED:
        return False
    before = np.arange(max(len(late), FEWEST))
    if before[-1] >= late[0]:
        return False
    spins = _changes(pictures[before], pose[before], shift[before], a)
    rests = _changes(pictures[late], np.repeat(np.median(pose[late], 0)[None], len(late), 0),
                     shift[late], a)  # fmt: skip
    return rests < TURNS_SHARE * spins


def still_from(time_s: FloatArray, pose: FloatArray) -> float:
    """Since when the middle of a face that lies at the end has been where it is then."""
    last = np.median(pose[time_s > time_s[-1] - REST_S, :2], axis=0)
    off = np.flatnonzero(np.hypot(*(pose[:, :2] - last).T) > MOVED)
    return float(time_s[min(off[-1] + 1, len(time_s) - 1)]) if len(off) else float(time_s[0])


def _changes(pictures: ByteArray, pose: FloatArray, shift: FloatArray, a: float) -> float:
    """How much the mark's band changes from picture to picture, log levels squared."""
    rolled = np.stack([_rolled(*one, a) for one in zip(pictures, pose, shift, strict=True)])
    return float(np.mean(np.diff(rolled, axis=0) ** 2))


def _rolled(picture: ByteArray, pose: FloatArray, shift: FloatArray, a: float) -> FloatArray:
    place = a * (pose[:2, None, None] + BAND[:, None] * circle(pose[2:])[:, None, :])
    x, y = (place + shift[:, None, None]).astype(np.float32).reshape(2, len(BAND), len(ANGLES))
    return np.asarray(cv2.remap(log_levels(picture), x, y, cv2.INTER_LINEAR), np.float64)


def slowed(time_s: FloatArray, axis: FloatArray) -> bool:
    """Say whether the axis has all but come to rest after it went round.

    A top on its tip precesses the faster the slower it turns, and the end of its axis moves the
    faster the more it leans; on its rim it comes to rest.
    """
    stride = max(1, round(RATE_S / float(np.median(np.diff(time_s)))))
    if len(time_s) < stride + 2 * FEWEST:
        return False
    rate = np.hypot(*(axis[stride:] - axis[:-stride]).T) / (time_s[stride:] - time_s[:-stride])
    at = time_s[stride:]
    late = rate[at > at[-1] - REST_S]
    usual = smoothed(at, rate)
    return float(np.median(late)) < SLOWED * float(np.quantile(usual, LEVEL))
