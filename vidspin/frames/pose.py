"""How does the whole picture stand against a still one: shifted, turned, grown?

A camera in a hand rolls about its optical axis, and all that it sees turns with it.  Small pictures
of block means are laid on a still one, shifted, turned and grown: one linear step for a whole batch
where the camera stands as it stood, several where it moves.  The still follows slow changes of the
light where it lies under the picture, so that a slow roll is no change of the still.  Light that
changes from row to row or slowly over the picture passes for no movement.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.records import BoolArray, FloatArray

Small = NDArray[np.float32]  # block means of one frame, or of several along the first axis

ADAPT = 1.0 / 256  # how fast the still follows slow changes, a frame
EDGE_SIZES = 12.0  # usual differences; most of a hand differs by more
FAR_SIZES = 5.0 * 1.4826  # of the usual ones after the step: five standard deviations
LEAST_SIZE = 0.3  # grey levels, taken for the usual difference where that is less
DARKEST = 0.05  # light against the still, below which nothing is told
NEAR = 0.1  # blocks at the picture's edge: a step this small needs none after it
SETTLED = 0.25  # and one that is larger after all of them has led nowhere
STEPS = 4  # that are tried at most
FEW = 8  # frames that are taken one step after the other where the camera moves
MOST_STEP = 3.0  # blocks; no linear step tells a larger one
MOST_DOUBT = 0.004  # rad, standard deviation of a frame's roll by the noise of the blocks
FAR = 0.5  # blocks at the picture's edge, from where a still of the last frames serves better
LEAST_TOLD = 0.75  # of a batch, below which it does as well
RIDGE = 1e-5  # of the strongest column: what cannot be told is not moved
BLUR_BLOCKS = 1.0  # what is finer is not seen alike when it moves
KINDS = 4  # of movement: shift to the right and down, roll, growth
# Powers of x and y with which light may change over the picture, beside any change from row to row
LIGHTS = ((1, 0), (2, 0), (1, 1), (2, 1), (1, 2), (3, 0))


class Poses:
    """Lays small pictures on a still, a batch at a time.

    Parameters
    ----------
    still : (rows, columns) array
        Block means of the usual picture.
    setting : (rows, columns) bool array
        Blocks that may be looked at: the top's own may not.
    """

    def __init__(self, still: Small, setting: BoolArray) -> None:
        self._still, self._setting = _blurred(still[None])[0], setting
        self._pose = np.zeros(KINDS)
        self._turned = 0.0  # by which the still itself stands rolled against the first one
        rows, columns = still.shape
        self._middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
        y, x = np.mgrid[:rows, :columns].astype(np.float32)
        self._x, self._y = x - np.float32(self._middle[0]), y - np.float32(self._middle[1])
        self._edge = float(np.hypot(*self._middle))

    def rolls(self, small: Small, light: FloatArray | Small) -> tuple[FloatArray, FloatArray]:
        """Tell by how much each frame is rolled.

        Parameters
        ----------
        small : (F, rows, columns) array
            Block means of the next frames.
        light : (F,) array
            Their brightness against the still.

        Returns
        -------
        rolls : (F,) array
            Radians against the first still, clockwise positive as seen; NaN where not told.
        u : (F,) array
            Standard uncertainty by what is left of the blocks: also noise that an encoder froze.
        """
        small = _blurred(small)
        poses, doubt, left = self._laid(small, np.asarray(light, np.float64))
        told = np.isfinite(doubt)
        rolls = np.where(told, self._turned + poses[:, 2], np.nan)
        if np.mean(told) < LEAST_TOLD or float(self._reach(self._pose[None])[0]) > FAR:
            self._begin_anew(small, np.asarray(light, np.float64), rolls)
        else:
            self._adapt(left, told, poses)
        return rolls, doubt

    def state(self) -> dict[str, NDArray[Any]]:
        """Give what changed since the first frame, for a checkpoint."""
        return {"pose_still": self._still, "pose": np.append(self._pose, self._turned)}

    def go_on(self, state: Mapping[str, NDArray[Any]]) -> None:
        """Take up what `state` gave."""
        self._still = state["pose_still"]
        self._pose, self._turned = state["pose"][:KINDS], float(state["pose"][KINDS])

    # ------------------------------------------------------------------------- laying on

    def _laid(self, small: Small, light: FloatArray) -> tuple[FloatArray, FloatArray, Small]:
        """Pose of each frame, the doubt about its roll, and what is left of it, light set apart.

        From where the camera stood last; where it has moved on meanwhile, half of the frames first.
        """
        poses = np.repeat(self._pose[None], len(small), axis=0)
        step, doubt, left = self._step(small, light, self._pose[None])
        if (self._reach(step) > NEAR).any() and len(small) > FEW:
            half = len(small) // 2
            parts = [self._laid(small[s], light[s]) for s in (slice(half), slice(half, None))]
            poses, doubt, left = (np.concatenate(p) for p in zip(*parts, strict=True))
            return poses, doubt, left
        poses = _together(poses, step)
        for _ in range(STEPS - 1):
            far = np.flatnonzero(self._reach(step) > NEAR)
            if not len(far):
                break
            more, doubt[far], left[far] = self._step(small[far], light[far], poses[far])
            poses[far] = _together(poses[far], more)
            step = np.zeros_like(step)
            step[far] = more
        doubt[self._reach(step) > SETTLED] = np.nan
        told = np.isfinite(doubt)
        if told.any():
            self._pose = np.median(poses[told][-3:], axis=0)
        return poses, doubt, left

    def _step(
        self, small: Small, light: FloatArray, poses: FloatArray
    ) -> tuple[FloatArray, FloatArray, Small]:
        """Make one linear step from poses, of all frames the same or of each its own.

        Returns the step, the doubt about its roll (NaN where none is told), and what is left.
        """
        warped, inside = self._warped(poses)
        where = self._setting & inside
        rows = _Rows(warped)
        columns = np.stack([rows.even(c, where) for c in self._columns(warped)], axis=-1)
        columns = columns.reshape(len(warped), -1, KINDS + len(LIGHTS))
        lit = np.maximum(light, DARKEST).astype(np.float32)[:, None, None]
        flat: Small = np.asarray(small / lit - warped, np.float32)
        size = np.maximum(_medians(np.abs(flat), where), LEAST_SIZE)
        use = where & (np.abs(flat) < EDGE_SIZES * size[:, None, None])
        rest = rows.even(flat, use)
        step, _ = _solved(columns, rest, use)
        rest = np.asarray(rest - _moved(columns, step, rest.shape), np.float32)
        size = np.maximum(_medians(np.abs(rest), where), LEAST_SIZE)
        use = where & ~_grown(np.abs(rest) > FAR_SIZES * size[:, None, None])
        rest = rows.even(rest, use)
        more, spread = _solved(columns, rest, use)
        rest = np.where(use, rest - _moved(columns, more, rest.shape), 0.0).astype(np.float32)
        step = (step + more)[:, :KINDS] / np.array([1.0, 1.0, self._edge, self._edge])
        doubt = 1.4826 * size * spread / self._edge
        told = (doubt < MOST_DOUBT) & (light > DARKEST) & (self._reach(step) < MOST_STEP)
        step[~told] = 0.0
        return step, np.where(told, doubt, np.nan), rest

    def _columns(self, warped: Small) -> tuple[Small, ...]:
        """Tell what a unit of each movement and of light does; each (1 or F, rows, columns)."""
        gx, gy = np.zeros_like(warped), np.zeros_like(warped)
        gx[:, :, 1:-1] = (warped[:, :, 2:] - warped[:, :, :-2]) / 2
        gy[:, 1:-1] = (warped[:, 2:] - warped[:, :-2]) / 2
        x, y = self._x / self._edge, self._y / self._edge
        lit = (warped * (x**p * y**q) for p, q in LIGHTS)
        return -gx, -gy, y * gx - x * gy, -(x * gx + y * gy), *lit

    def _warped(self, poses: FloatArray) -> tuple[Small, BoolArray]:
        """Return the still as it is seen from poses, and where it shows anything."""
        size = self._still.shape[::-1]
        warped = np.empty((len(poses), *self._still.shape), np.float32)
        inside = np.ones(warped.shape, bool)
        for k, pose in enumerate(poses):
            if not pose.any():
                warped[k] = self._still
                continue
            matrix = self._matrix(pose)
            warped[k] = cv2.warpAffine(
                self._still, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
            )
            back = cv2.invertAffineTransform(matrix)
            x = back[0, 0] * (self._x + self._middle[0]) + back[0, 1] * (self._y + self._middle[1])
            y = back[1, 0] * (self._x + self._middle[0]) + back[1, 1] * (self._y + self._middle[1])
            x, y = x + back[0, 2], y + back[1, 2]
            inside[k] = (x >= 0) & (x <= size[0] - 1) & (y >= 0) & (y <= size[1] - 1)
        return warped, inside

    def _matrix(self, pose: FloatArray) -> FloatArray:
        """From the still's blocks to those of a picture at a pose."""
        cos, sin = np.exp(pose[3]) * np.cos(pose[2]), np.exp(pose[3]) * np.sin(pose[2])
        turn = np.array([[cos, -sin], [sin, cos]])
        return np.column_stack([turn, self._middle + pose[:2] - turn @ self._middle])

    def _reach(self, step: FloatArray) -> FloatArray:
        """How far a step goes at the picture's edge, blocks."""
        shift = np.hypot(step[:, 0], step[:, 1])
        return np.asarray(shift + self._edge * np.hypot(step[:, 2], step[:, 3]))

    # -------------------------------------------------------------------------- the still

    def _adapt(self, left: Small, told: BoolArray, poses: FloatArray) -> None:
        """Let the still follow slow changes, where it lies under the pictures."""
        rate = 1.0 - (1.0 - ADAPT) ** float(told.sum())
        change = left[told].mean(axis=0)
        pose = poses[told].mean(axis=0)
        if float(self._reach(pose[None])[0]) > 0:
            change = cv2.warpAffine(
                change, self._matrix(pose), change.shape[::-1],
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            )  # fmt: skip
        self._still = self._still + np.float32(rate) * change

    def _begin_anew(self, small: Small, light: FloatArray, rolls: FloatArray) -> None:
        """Take the last frames for the still: the camera shows something else."""
        bright = light > DARKEST
        if not bright.any():
            return
        last = slice(-FEW, None)
        scale = light[bright][last].astype(np.float32)
        known = rolls[bright][last]  # of the frames that the still is made of, and of no others
        if np.isfinite(known).any():
            self._turned = float(np.nanmedian(known))
        self._still = np.mean(small[bright][last] / scale[:, None, None], axis=0)
        self._pose = np.zeros(KINDS)


def _blurred(small: Small) -> Small:
    """Smooth over a block: a linear step reaches farther, and finer things are not seen alike."""
    channels = np.ascontiguousarray(small.transpose(1, 2, 0))
    blurred = cv2.GaussianBlur(channels, (0, 0), BLUR_BLOCKS)
    blurred = blurred.reshape(channels.shape)  # a single channel loses its axis
    return np.ascontiguousarray(blurred.transpose(2, 0, 1))


def _together(poses: FloatArray, step: FloatArray) -> FloatArray:
    """Go on from poses by a step each."""
    cos, sin = (np.exp(step[:, 3]) * f(step[:, 2]) for f in (np.cos, np.sin))
    x = cos * poses[:, 0] - sin * poses[:, 1] + step[:, 0]
    y = sin * poses[:, 0] + cos * poses[:, 1] + step[:, 1]
    return np.column_stack([x, y, poses[:, 2] + step[:, 2], poses[:, 3] + step[:, 3]])


class _Rows:
    """Light that differs from row to row, as a lamp's bands do: it may not pass for a movement."""

    def __init__(self, warped: Small) -> None:
        self._level = warped
        self._square = warped * warped

    def even(self, picture: Small, where: BoolArray) -> Small:
        """Take from each row of pictures what is in proportion to the still's."""
        weight = where.astype(np.float32)
        top = (weight * picture * self._level).sum(axis=2)
        bottom = (weight * self._square).sum(axis=2)
        return np.asarray(picture - (top / (bottom + np.float32(1.0)))[..., None] * self._level)


def _grown(far: BoolArray) -> BoolArray:
    """Add the neighbours of blocks, into which these were smoothed."""
    grown = far.copy()
    grown[:, 1:] |= far[:, :-1]
    grown[:, :-1] |= far[:, 1:]
    far = grown.copy()
    grown[:, :, 1:] |= far[:, :, :-1]
    grown[:, :, :-1] |= far[:, :, 1:]
    return grown


def _moved(columns: Small, step: FloatArray, shape: tuple[int, ...]) -> Small:
    """Tell what a step does to the blocks."""
    steps = step.astype(np.float32)
    if len(columns) == 1:
        return np.asarray(steps @ columns[0].T).reshape(shape)
    return np.asarray(np.einsum("fpi,fi->fp", columns, steps)).reshape(shape)


def _solved(columns: Small, left: Small, use: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Least squares of what is left by columns; and by how much noise of 1 moves the roll."""
    count = columns.shape[-1]
    weight, left = use.reshape(len(use), -1).astype(np.float32), left.reshape(len(left), -1)
    if len(columns) == 1:  # all frames have them in common: two products of matrices
        one = columns[0]
        pairs = (one[:, :, None] * one[:, None, :]).reshape(len(one), -1)
        normal = (weight @ pairs).reshape(-1, count, count)
        right = (weight * left) @ one
    else:
        turned = (weight[..., None] * columns).swapaxes(1, 2)
        normal = turned @ columns
        right = np.einsum("fip,fp->fi", turned, left)
    normal, right = normal.astype(np.float64), right.astype(np.float64)
    strongest = np.einsum("fii->fi", normal)[:, :KINDS].max(axis=1) + 1e-3
    normal = normal + (RIDGE * strongest)[:, None, None] * np.eye(count)
    inverse = np.linalg.inv(normal)
    return np.einsum("fij,fj->fi", inverse, right), np.sqrt(np.abs(inverse[:, 2, 2]))


def _medians(size: Small, where: BoolArray) -> FloatArray:
    """Medians over the blocks that count."""
    if len(where) == 1:
        some = size[:, where[0]]
        return np.median(some, axis=1) if some.shape[1] else np.zeros(len(size))
    return np.array([np.median(s[w]) if w.any() else 0.0 for s, w in zip(size, where, strict=True)])
