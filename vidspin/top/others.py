"""What else turns in the picture, beside the top that was found?

A second top, a fan, or the top's own image in a mirror turn as a mark does; which of them was
meant no picture tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.records import Ellipse, Settings, Survey
from vidspin.ring import radii_at, resized
from vidspin.top.activity import activity_maps
from vidspin.top.annulus import band, hypotheses, profiles_along, refined
from vidspin.top.pattern import turning, turning_pattern, turning_share
from vidspin.top.reduced import Stack, steadied, still_of

Image = NDArray[np.float32]

BESIDE = 1.5  # times the outer edge of the mark's ring: within, it is the top's own doing
TRIED = 2  # rings for each other thing
MOST_OTHERS = 3
# Of the liveliest places in the whole picture; what moves less stands out less than any mark.
LEAST_ACTIVITY, LIVELIEST = 0.1, 99.5
# Of the change that one turning pattern explains beyond chance, and of that within runs: a second
# top has 0.6 and 0.9, people, displays, clocks and what an encoder leaves of noise 0.2 and 0.7.
LEAST_SHARE, LEAST_TURNING = 0.4, 0.5


def with_others(found: Survey, runs: list[Stack], scale: float) -> Survey:
    """Add to a survey the paths along which a pattern turns that is not the found top's.

    Parameters
    ----------
    found : Survey
    runs : list of (frames, rows, columns) arrays
        The reduced pictures that it was found in; the top may wander in them.
    scale : float
        Elements of the pictures a stored one.

    Returns
    -------
    Survey
        With `MOST_OTHERS` paths at most, those that stand out most first.
    """
    lengths = [len(run) for run in runs]
    frames = steadied(list(runs))
    stacks = np.split(frames, np.cumsum(lengths)[:-1])
    still = still_of(stacks)
    activity = activity_maps(stacks, still)[1]  # all that moves within runs
    smooth = np.asarray(cv2.GaussianBlur(activity, (0, 0), 1.5), np.float32)
    least = LEAST_ACTIVITY * float(np.percentile(smooth, LIVELIEST))
    known, others = [(resized(found.ring, scale), BESIDE * max(found.outer, 1.0))], list[Ellipse]()
    while len(others) < MOST_OTHERS:
        # without the little that moves everywhere, whose edge about a hole is an annulus as well
        left = np.maximum(smooth - np.float32(least), 0.0)
        for ring, reach in known:
            left[_within(ring, reach, left.shape)] = 0.0
        if float(np.percentile(left, LIVELIEST)) <= 0.0:
            break
        starts = hypotheses(left, Settings(), scale)
        starts.sort(key=lambda ring: -band(left, ring)[0])
        rings = [refined(left, still, start, Settings(), scale) for start in starts[:TRIED]]
        turn = [
            ring for ring in rings
            if all(_apart(ring, one) for one, _ in known) and _turns(frames, lengths, ring)
        ]  # fmt: skip
        if not turn:
            break
        others.append(turn[0])
        known.append((turn[0], BESIDE))
    return replace(found, others=tuple(resized(one, 1 / scale) for one in others))


def _turns(frames: Image, lengths: Sequence[int], ring: Ellipse) -> bool:
    profiles = profiles_along(frames, ring)
    pattern = turning_pattern(profiles)
    if turning(profiles, pattern, lengths) < LEAST_TURNING:
        return False
    return turning_share(profiles) >= LEAST_SHARE


def _apart(one: Ellipse, other: Ellipse) -> bool:
    """Whether neither ring goes round the middle of the other."""
    return all(
        float(radii_at(a, np.array(b.x_px - a.x_px), np.array(b.y_px - a.y_px))) > 1.0
        for a, b in ((one, other), (other, one))
    )


def _within(ring: Ellipse, reach: float, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    return np.asarray(radii_at(ring, columns - ring.x_px, rows - ring.y_px) <= reach)
