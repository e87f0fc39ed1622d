"""Does each picture show the mark where the picture beside it has it, as well?

Phones and editors average pictures that follow each other.  Where the mark has moved on by more
than its breadth, it is there twice: which of the two is the picture's own nobody can tell once
both are about as strong, and its time is in doubt by a frame interval.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vidspin.cyclic import TWO_PI
from vidspin.markmodel import (
    TABLE,
    TABLE_TURNS,
    MarkModel,
    Table,
    look_up,
    on_mark,
    smeared_table,
    spots,
    true_base,
)
from vidspin.records import FloatArray

LEAST_APART = 2.0  # breadths, from which two marks show side by side
LEAST_FRAMES = 30
FOOT = 0.1  # of its height, to which a mark is taken
ALIKE = 0.6  # of the stronger one: a weaker one does not move the stronger's angle


def doubled(  # noqa: PLR0913 - columns of the same frames, the model and the frames
    data: NDArray[np.float32],
    angle_rad: FloatArray,
    omega: FloatArray,
    model: MarkModel,
    interval_s: float,
    marks: int,
) -> bool:
    """Say whether the pictures show the mark of the picture beside them about as strongly.

    Parameters
    ----------
    data : (F, N) array
        Ring profiles.
    angle_rad, omega : (F,) arrays
        Angles (rad) and signed speeds (rad/s); another alias order puts the mark of the picture
        beside it at the same place.
    model : MarkModel
        Its shape that of the mark as seen, no smear taken off: it may hold both marks, of which the
        stronger is taken.
    interval_s : float
        From frame to frame.
    marks : int

    Returns
    -------
    bool
        False where the mark never moves far enough to be seen twice.

    Notes
    -----
    One hump of the mark's shape is fitted to each profile at three places by least squares: at its
    own, and a frame earlier and later.  A mark of odd shape may have a second hump at one of them,
    but not while the way from frame to frame changes.
    """
    spacing = TWO_PI / marks
    hump, breadth = _hump(model, marks)
    step = omega * interval_s
    away = np.abs(step - spacing * np.rint(step / spacing))
    use = (away > LEAST_APART * breadth) & (spacing - 2 * away > LEAST_APART * breadth)
    if use.sum() < LEAST_FRAMES:
        return False
    base = true_base(model, omega[use])
    still = model.still if model.still.ndim == 1 else model.still.mean(0)
    change = data[use].astype(np.float64) - still
    visibility = model.visibility
    phi, step = angle_rad[use], step[use]
    seen = [
        visibility * look_up(hump, spots(on_mark(base, phi + turn)))
        for turn in (np.zeros(len(step)), -step, step)
    ]
    columns = np.stack([*seen, np.broadcast_to(visibility, change.shape)], axis=-1)
    normal = np.einsum("fni,fnj->ij", columns, columns)
    own, *beside = np.linalg.solve(normal, np.einsum("fni,fn->i", columns, change))[:3]
    return bool(own > 0 and max(beside) - max(min(beside), 0.0) > ALIKE * own)


def _hump(model: MarkModel, marks: int) -> tuple[Table, float]:
    """Take one hump a spacing out of the shape as it is learnt, for `look_up`; its breadth."""
    turn = smeared_table(model, np.zeros(1))[0, :TABLE].astype(np.float64)
    height = turn - np.median(turn)
    size = TABLE // marks
    top = int(np.argmax(np.abs(height)))
    shown = height * np.sign(height[top]) / abs(height[top])
    reach = [
        next((k for k in range(size // 2) if shown[(top + way * k) % TABLE] < FOOT), size // 2)
        for way in (1, -1)
    ]
    half = [
        next((k for k in range(size // 2) if shown[(top + way * k) % TABLE] < 0.5), size // 2)
        for way in (1, -1)
    ]
    own = np.zeros(TABLE)
    for mark in range(marks):
        rows = (top + mark * TABLE // marks + np.arange(-reach[1] + 1, reach[0])) % TABLE
        own[rows] = height[(rows - mark * TABLE // marks) % TABLE]
    whole = np.tile(own.astype(np.float32), 2 * TABLE_TURNS)[None]
    return whole, sum(half) * TWO_PI / TABLE
