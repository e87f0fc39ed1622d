"""Where words go in a figure so that they cover neither lines nor each other.

Places are shares of a panel's width and height, from its lower left corner.
"""

from __future__ import annotations

import math

import numpy as np

from vidspin.records import FloatArray

LETTER = 0.0072  # width of a letter at 10 points in a panel as wide as the sheet
ROW = 0.05  # height of a line of words in the tallest panel
LABEL_DISTANCE = 0.047  # between names beside each other's lines


def apart(heights: FloatArray) -> FloatArray:
    """Move ascending heights (0-1) as little as lets neighbours keep their distance.

    Taking away the distance from each place to the next turns the wish into "ascending",
    whose least-squares answer pools neighbours that are out of order into their mean.
    """
    steps = LABEL_DISTANCE * np.arange(len(heights))
    pools: list[tuple[float, int]] = []
    for height in (heights - steps).tolist():
        mean, count = height, 1
        while pools and pools[-1][0] >= mean:
            before, members = pools.pop()
            mean = (mean * count + before * members) / (count + members)
            count += members
        pools.append((mean, count))
    placed = np.repeat([mean for mean, _ in pools], [count for _, count in pools])
    places: FloatArray = np.clip(placed, 0.0, max(0.0, 1.0 - steps[-1])) + steps
    return places


def free_place(at: float, words: str, taken: FloatArray) -> tuple[float, float, bool]:
    """Find where beside the line at `at` words cover least of what is drawn.

    Returns the place of the upper corner, as shares of the panel, and whether the words lie
    left of the line.
    """
    width, height = _words_size(words)
    late = at + width > 0.98
    left = at - width - 0.006 if late else at + 0.006
    best, least = 0.97, math.inf
    for top in np.arange(0.97, height, -ROW / 2):
        box = (left - 0.01 < taken[:, 0]) & (taken[:, 0] < left + width + 0.01)
        box &= (top - height - 0.02 < taken[:, 1]) & (taken[:, 1] < top + 0.02)
        # Of equally free places the one at an edge of the panel is the quietest.
        cost = float(box.sum()) + 0.5 * min(0.97 - top, top - height)
        if cost < least:
            best, least = float(top), cost
    return (left + width if late else left), best, late


def covered(x: float, y: float, words: str, *, late: bool) -> FloatArray:
    """Return points (n, 2) that words at a place cover."""
    width, height = _words_size(words)
    left = x - width if late else x
    across, down = np.meshgrid(np.linspace(left, left + width, 40), np.linspace(y - height, y, 8))
    return np.stack([across.ravel(), down.ravel()], axis=1)


def _words_size(words: str) -> tuple[float, float]:
    """Estimate width and height of words, as shares of the panel."""
    lines = words.split("\n")
    return 1.1 * LETTER * max(map(len, lines)), ROW * len(lines)
