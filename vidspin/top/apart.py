"""Which things move apart from each other in the picture?

Rings are looked for where most moves, all over the picture.  A screen that shows a film, or a
person in the background, moves more than a small top and takes all of the places that are looked
at: then every thing that moves by itself is worth a look of its own.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]

BLUR_PX = 1.5
LEAST = 0.03  # of the liveliest places, which may be a screen: what moves less joins nothing
LIVELIEST = 99.5
JOIN = 0.02  # of the picture's width: nearer parts are one thing, as a mark's ring behind a stem is
SMALLEST = 0.08  # side of a thing, in picture widths; a smaller ring is not looked for
MOST_THINGS = 4


def things_apart(activity: Image) -> list[Image]:
    """Part what moves into things that do not touch.

    Parameters
    ----------
    activity : (rows, columns) array
        How much moves where.

    Returns
    -------
    list of (rows, columns) arrays
        The activity of one thing each, those that move most in all first; none where all that
        moves is one thing.
    """
    smooth = cv2.GaussianBlur(activity, (0, 0), BLUR_PX)
    least = LEAST * float(np.percentile(smooth, LIVELIEST))
    side = 2 * max(1, round(0.5 * JOIN * activity.shape[1])) + 1
    moves = cv2.dilate((smooth > least).astype(np.uint8), np.ones((side, side), np.uint8))
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(moves)
    if count <= 2:  # the first is all that does not move
        return []
    wide = SMALLEST * max(activity.shape)
    large = [k for k in range(1, count) if max(boxes[k, 2], boxes[k, 3]) >= wide]
    moved = np.bincount(labels.ravel(), smooth.ravel(), minlength=count)
    large.sort(key=lambda k: -moved[k])
    return [np.where(labels == k, activity, np.float32(0.0)) for k in large[:MOST_THINGS]]
