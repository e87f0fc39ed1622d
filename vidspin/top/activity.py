"""How much moves where in short runs of pictures?

A mark that turns changes the picture all along its ring.  So do, in part, outlines that wander or
shake with the top, hands, and a fall: what these do is kept apart.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.middle import medians
from vidspin.records import BoolArray

Image = NDArray[np.float32]

NOISE_BLUR_PX = 2.0
ABOVE_NOISE = 1.5  # times the median change of a run: what noise hardly reaches once blurred
HANDS = 2.0  # times the usual change above noise: a hand or a fall
OUTLINES = 0.1  # share of the picture that counts as outlines
OUTLINE_BLUR_PX = 0.8
STRIP_ROWS = 32  # of all runs that are looked at together
OUTLINES_STILL = 0.9  # share of the outlines that moves no more than what is taken off


def activity_maps(stacks: list[Image], still: Image) -> list[Image]:
    """Tell how much moves where; noise floor taken off.

    Parameters
    ----------
    stacks : list of (frames, rows, columns) arrays
        Short runs of consecutive frames.
    still : (rows, columns) array
        Their median.

    Returns
    -------
    list of (rows, columns) arrays
        What moves within runs beside outlines, what moves within runs all over, and, of more
        than three runs, what moves between them.
    """
    calm = _calm(stacks)
    steady = [s for s, ok in zip(stacks, calm, strict=True) if ok]
    rows, columns = stacks[0].shape[1:]
    inside, between = np.empty((2, rows, columns), np.float32)
    for first in range(0, rows, STRIP_ROWS):  # what all runs say of all rows takes much room
        strip = slice(first, first + STRIP_ROWS)
        inside[strip] = np.stack([_steady(s[:, strip]) for s in steady]).mean(0)
        means = np.stack([s[:, strip].mean(0) for s in steady])
        between[strip] = np.abs(means - medians(means, 0)).mean(0)
    maps = [inside] + ([between] if len(steady) > 3 else [])
    maps = [np.maximum(m - np.percentile(m, 60), 0).astype(np.float32) for m in maps]
    return [_beside_outlines(maps[0], still), *maps]


def _calm(stacks: list[Image]) -> BoolArray:
    """Tell the runs without hands and falls: these change much of the picture."""
    change = np.empty(len(stacks), np.float32)
    for k, stack in enumerate(stacks):
        within = _steady(stack)
        smooth = cv2.GaussianBlur(within, (0, 0), NOISE_BLUR_PX)
        change[k] = np.maximum(smooth - ABOVE_NOISE * np.median(within), 0.0).mean()
    return np.asarray(change <= HANDS * np.median(change))


def _beside_outlines(activity: Image, still: Image) -> Image:
    """Take off what outlines that wander or shake can change.

    An outline that moves by d changes the picture by d times its gradient; d is taken as that
    of all but the liveliest strong outlines.  The mark sweeps over its ring, so that the still
    is flat there, and what it changes stays.
    """
    smooth = cv2.GaussianBlur(still, (0, 0), OUTLINE_BLUR_PX)
    across, down = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    # what moves also changes its neighbours; 8 is the weight of the operator
    slope = cv2.dilate(np.hypot(across, down) / 8, np.ones((3, 3), np.uint8))
    strong = slope >= max(float(np.percentile(slope, 100 * (1 - OUTLINES))), 1e-6)
    if not strong.any():
        return activity
    moved = float(np.quantile(activity[strong] / slope[strong], OUTLINES_STILL))
    return np.asarray(np.maximum(activity - moved * slope, 0.0), np.float32)


def _steady(stack: Image) -> Image:
    """Mean absolute change of a run's frames."""
    return np.asarray(np.abs(stack - stack.mean(0)).mean(0), np.float32)


def liveliness(stack: Image) -> float:
    """Tell how much the liveliest hundredth of the picture changes within a run.

    Parameters
    ----------
    stack : (frames, rows, columns) array
    """
    change = cv2.GaussianBlur(_steady(stack), (0, 0), 2.0)
    return float(np.percentile(change, 99) - np.median(change))
