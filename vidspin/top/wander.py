"""What does a top that wanders on its base look like when it is held in place?

A survey compares pictures element by element: where the top wanders by a tenth of its ring,
outlines change more than the mark does, and the mark lies elsewhere in each picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vidspin.middle import median_picture
from vidspin.records import BoolArray, Ellipse
from vidspin.top.shift import Still, moved_back

Image = NDArray[np.float32]

REACH = 1.6  # ring radii about the top that are compared: its outlines, and little of the rest
MOST_MOVE = 0.25  # of the ring's radius; what moves further has fallen
LEAST_PX = 1.0  # of all moves; less is no reason to look again
LEAST_SIDE = 16  # elements
BASES = 12  # pictures that make the one the others are held against
LEAST_HELD = 0.5  # of the pictures


@dataclass(frozen=True, slots=True)
class Wander:
    """Where the top was looked at, and its usual place against the picture that it is held to."""

    near: BoolArray  # (rows, columns): about the top
    usual_px: tuple[float, float]  # columns and rows farther right and down


def take_out_wander(frames: Image, top: Ellipse) -> Wander | None:
    """Move pictures, in place, to where the top lies as in one of them.

    Parameters
    ----------
    frames : (K, rows, columns) float32 array
        Grey levels; those in which the top is not found again stay as they are.
    top : Ellipse
        Any ring of the top, in elements of the pictures.

    Returns
    -------
    Wander or None
        None where the top hardly moves or cannot be held; the pictures are then as they were.
    """
    rows, columns = frames.shape[1:]
    y, x = _about(top.y_px, top, rows), _about(top.x_px, top, columns)
    if min(y.stop - y.start, x.stop - x.start) < LEAST_SIDE:
        return None
    cuts = frames[:, y, x]  # copied one by one: all of them take much room
    base = np.ascontiguousarray(cuts[len(cuts) // 2])
    for _ in range(2):
        still = Still(base, MOST_MOVE * top.major_px)
        moves = [still.shift(np.ascontiguousarray(cut)) for cut in cuts]
        held = [k for k, move in enumerate(moves) if move is not None]
        if len(held) < LEAST_HELD * len(cuts):
            return None
        some = held[:: max(1, len(held) // BASES)]
        base = median_picture([moved_back(cuts[k].copy(), moves[k] or (0.0, 0.0)) for k in some])
    known = np.array([move for move in moves if move is not None])
    if float(np.ptp(known, axis=0).max()) < LEAST_PX:
        return None
    for frame, move in zip(frames, moves, strict=True):
        if move is not None:
            frame[:] = moved_back(frame, move)
    near = np.zeros((rows, columns), bool)
    near[y, x] = True
    usual = np.median(known, axis=0)
    return Wander(near, (float(usual[0]), float(usual[1])))


def _about(middle: float, top: Ellipse, size: int) -> slice:
    reach = REACH * top.major_px
    return slice(max(0, int(middle - reach)), max(0, min(size, int(middle + reach) + 1)))
