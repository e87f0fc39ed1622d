"""What does a whole frame say beside the top: has it changed, moved, is something new in it?

Every frame is reduced to a small picture of block means.  Against a reference of the setting
(the usual picture, without what comes and goes) each small picture gives light, shift of the
camera, and the part that something new covers; against the frame before, whether it changed at
all or all at once.  A sparse set of single picture elements tells a frame that repeats the one
before it from one that only looks alike: noise does not repeat.
"""

from __future__ import annotations

import zlib
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.frames.pose import Poses
from vidspin.records import BoolArray, Float32Array, FloatArray, Frame, LumaArray, Survey

BLOCKS = 48  # along the longer side of the picture
FEWEST_BLOCKS = 12  # along the shorter one
SPARSE = 96  # picture elements along the longer side that tell repeats
BANDS = 16  # of rows, for the lamp's flicker
BLOCK_ROWS = 4  # rows of a block that go into its mean, evenly spaced
TOP_REACH = 1.75  # ring radii from its centre that the top may cover when it wanders and leans
DARKEST = 0.01  # light of a picture against the first: below, it is black and tells of nothing
NEW_LEVELS = 9.0  # grey levels by which a block must change to hold something new
NEW_SIGMA = 8.0  # and in units of its usual scatter
ADAPT = 1.0 / 256  # how fast the reference follows slow changes, a frame
BATCH = 64  # frames that are looked at together
BAND_BLOCKS = 6  # blocks of a row that tell its brightness
BAND_LEAST = 0.01  # spread of the rows' brightness from which a lamp is taken out row by row
LEAST_SETTING = 0.1  # of the picture that is taken for setting at least
EDGE_SIZES = 12.0  # usual changes; edges change more than plain parts, a hand more than edges
MOST_SHIFT = 1.5  # blocks, beyond which one linear step does not tell a shift
LEAST_PART = 0.006  # of the picture; less is a reflex, a crumb, an insect
Small = NDArray[np.float32]  # block means of one frame, or of several along the first axis


@dataclass(frozen=True, slots=True)
class Glances:
    """What every frame says beside the top; N frames.

    In 32 bits, which is more than a picture's noise leaves: work on it in 64.
    """

    same: Float32Array  # share of the sparse picture elements that equal those of the frame before
    jump: Float32Array  # mean change of the setting since then, light set apart, grey levels
    light: Float32Array  # brightness of the setting against the reference, 1 = as there
    new: Float32Array  # share of the picture that the largest new thing covers
    near: Float32Array  # distance of its nearest block from the top's axis, ring radii; inf: none
    shift_x: Float32Array  # of the setting against the reference, stored px
    shift_y: Float32Array
    roll: Float32Array  # of the camera against the first frames, rad, clockwise; NaN: not told
    u_roll: Float32Array  # its standard uncertainty, most of it alike from frame to frame
    sharp: Float32Array  # mean step from element to next but one about the top, grey levels
    bands: Float32Array  # (K, BANDS) brightness of bands of rows, the first K frames, against it
    scatter: float  # usual change of a block that holds nothing new, grey levels


class Glancer:
    """Looks at whole frames, a batch at a time.

    Parameters
    ----------
    survey : Survey
    frames : sequence of Frame
        Some frames spread over the recording; their median is the setting.

    Notes
    -----
    Costs a quarter of a millisecond a frame, where the camera moves up to one; 10 numbers a frame
    are kept, `BANDS` more of those that are looked at for a lamp.
    """

    def __init__(self, survey: Survey, frames: Sequence[Frame]) -> None:
        rows, columns = frames[0].luma.shape
        longer = max(rows, columns)
        block = min(longer / BLOCKS, min(rows, columns) / FEWEST_BLOCKS)
        # a whole number of the rows that are looked at: OpenCV is ten times faster then
        self._every = max(1, round(block / BLOCK_ROWS))
        self._block = self._every * BLOCK_ROWS
        self._size = (max(2, columns // self._block), max(2, rows // self._block))
        self._stride = max(1, longer // SPARSE)
        ring = survey.ring
        self._axis = (ring.x_px, ring.y_px)
        self._radius = ring.major_px * max(survey.outer, 1.0)
        stack = np.stack([self._small(f.luma) for f in frames])
        level = np.median(stack, axis=(1, 2), keepdims=True)
        reference = np.median(stack / np.maximum(level, 1.0), axis=0) * np.median(level)
        self._reference = np.asarray(reference, np.float32)
        self._distance = self._distances()
        self._setting = self._distance > TOP_REACH
        if self._setting.mean() < LEAST_SETTING:  # the top fills the picture
            self._setting = self._distance >= np.quantile(self._distance, 1 - LEAST_SETTING)
        self._scatter = np.ones(reference.shape, np.float32)
        self._poses = Poses(self._reference, self._setting)
        self._queue: list[Small] = []
        self._before: Small | None = None
        self._sparse: NDArray[Any] | None = None
        self._lit = 0  # frames whose bands are kept
        self._frame = [array("f") for _ in range(2)]  # same, sharp
        self._parts = [array("f") for _ in range(9)]  # all of `Glances` from batches; bands last

    def add(self, luma: LumaArray, *, bands: bool = True) -> None:
        """Look at the next frame.

        Parameters
        ----------
        luma : (rows, columns) uint8 or uint16 array
            16-bit values are taken as 10-bit samples.
        bands : bool
            Keep its bands of rows, which only the first stretch of a recording is asked for;
            none is kept after a frame without.
        """
        self._lit += bands
        for column, value in zip(self._frame, (self._same(luma), self._sharp(luma)), strict=True):
            column.append(value)
        self._queue.append(self._small(luma))
        if len(self._queue) == BATCH:
            self._work_off()

    def finish(self) -> Glances:
        """Return what all frames said."""
        if self._queue:
            self._work_off()
        same, sharp = (np.array(c, np.float32) for c in self._frame)
        columns = [np.array(c, np.float32) for c in self._parts]
        jump, light, new, near, x, y, roll, u_roll, bands = columns
        scatter = float(np.median(self._scatter[self._setting])) if len(same) else 1.0
        return Glances(
            same, jump, light, new, near, x, y, roll, u_roll, sharp, bands.reshape(-1, BANDS),
            scatter,
        )  # fmt: skip

    @property
    def identity(self) -> int:
        """Checksum of the setting against which the next frame is held."""
        return zlib.crc32(np.ascontiguousarray(self._reference).tobytes())

    def state(self) -> dict[str, NDArray[Any]]:
        """Give what changed since the first frame, for a checkpoint."""
        none = np.zeros((0, *self._reference.shape), np.float32)
        parts = {f"glance_part_{k}": np.array(c, np.float32) for k, c in enumerate(self._parts)}
        return {
            "glance_reference": self._reference, "glance_scatter": self._scatter,
            "glance_queue": np.stack(self._queue) if self._queue else none,
            "glance_before": none if self._before is None else self._before,
            "glance_sparse": np.zeros((0, 0)) if self._sparse is None else self._sparse,
            "glance_frame": np.array(self._frame), "glance_lit": np.array(self._lit), **parts,
            **self._poses.state(),
        }  # fmt: skip

    def go_on(self, state: Mapping[str, NDArray[Any]]) -> None:
        """Take up what `state` gave."""
        self._reference, self._scatter = state["glance_reference"], state["glance_scatter"]
        self._queue = list(state["glance_queue"])
        before, sparse = state["glance_before"], state["glance_sparse"]
        self._before = before if len(before) else None
        self._sparse = sparse if sparse.size else None
        self._lit = int(state["glance_lit"])
        self._frame = [array("f", column) for column in state["glance_frame"]]
        names = [f"glance_part_{k}" for k in range(len(self._parts))]
        self._parts = [array("f", state[name].astype(np.float32).tobytes()) for name in names]
        self._poses.go_on(state)

    # ------------------------------------------------------------------ single frames

    def _small(self, luma: LumaArray) -> Small:
        """Block means, 8-bit grey levels."""
        high, wide = self._size[1] * self._block, self._size[0] * self._block
        part = luma[: high : self._every, :wide]
        small = cv2.resize(part, self._size, interpolation=cv2.INTER_AREA)
        deep = np.float32(0.25 if luma.dtype == np.uint16 else 1.0)
        return np.asarray(small, np.float32) * deep

    def _same(self, luma: LumaArray) -> float:
        """Share of sparse picture elements that equal those of the frame before."""
        half = self._stride // 2
        sparse = np.ascontiguousarray(luma[half :: self._stride, half :: self._stride])
        before, self._sparse = self._sparse, sparse
        return 0.0 if before is None else float(np.count_nonzero(before == sparse) / sparse.size)

    def _sharp(self, luma: LumaArray) -> float:
        """Mean step over two picture elements along some rows through the top."""
        x, y = self._axis
        r = 1.2 * self._radius
        rows, columns = luma.shape
        left, right = max(0, int(x - r)), min(columns, int(x + r))
        top, bottom = max(0, int(y - r)), min(rows, int(y + r))
        part = luma[top : bottom : max(1, (bottom - top) // 24), left:right].astype(np.int32)
        if part.shape[1] < 4 or part.shape[0] < 1:
            return 0.0
        deep = 0.25 if luma.dtype == np.uint16 else 1.0
        return float(np.abs(part[:, 2:] - part[:, :-2]).mean()) * deep

    # ------------------------------------------------------------------------ batches

    def _work_off(self) -> None:
        small = np.stack(self._queue)
        self._queue = []
        light, left = _against(small, self._reference, self._setting)
        left = self._without_bands(small, light, left)
        x, y, left = self._shifted(left, light)
        limit = np.maximum(NEW_LEVELS * np.maximum(light, 0.3)[:, None, None],
                           NEW_SIGMA * self._scatter)  # fmt: skip
        new = self._setting & (np.abs(left) > limit)
        part, near = self._nearest(new)
        lit = max(0, self._lit - len(self._parts[0]))  # of these frames
        said = (self._jumps(small), light, part, near, x * self._block, y * self._block,
                *self._poses.rolls(small, light), self._bands(small, new)[:lit])  # fmt: skip
        for column, values in zip(self._parts, said, strict=True):
            column.frombytes(np.ascontiguousarray(values, np.float32).tobytes())
        self._adapt(left, light, new)

    def _without_bands(self, small: Small, light: Small, left: Small) -> Small:
        """Take out bands that a flickering lamp lays over all frames, row by row."""
        count = self._setting.sum(axis=1)
        ratio = np.where(self._setting, small / np.maximum(self._reference, 4.0), np.nan)
        rows = np.flatnonzero(count >= BAND_BLOCKS)
        if len(rows) < 4:
            return left
        gain = np.repeat(light[:, None], small.shape[1], axis=1)
        gain[:, rows] = np.nanmedian(ratio[:, rows], axis=2)
        spread = np.std(gain[:, rows] / np.maximum(light, DARKEST)[:, None], axis=1)
        if float(np.quantile(spread, 0.2)) < BAND_LEAST:  # a hand is not in every frame
            return left
        return np.asarray(small - gain[..., None] * self._reference, np.float32)

    def _shifted(self, left: Small, light: Small) -> tuple[Small, Small, Small]:
        """Shift of the setting in blocks by one linear step, and what is left after it."""
        gx = cv2.Sobel(self._reference, cv2.CV_32F, 1, 0, ksize=3) / 8
        gy = cv2.Sobel(self._reference, cv2.CV_32F, 0, 1, ksize=3) / 8
        size = np.maximum(np.median(np.abs(left[:, self._setting]), axis=1), 1.0)
        use = (self._setting & (np.abs(left) < EDGE_SIZES * size[:, None, None])).astype(np.float32)
        xx, xy, yy = (np.einsum("fij,ij->f", use, g) for g in (gx * gx, gx * gy, gy * gy))
        ex, ey = (np.einsum("fij,ij->f", use * left, g) for g in (gx, gy))
        det = xx * yy - xy * xy
        plain = det < 1e-3 * (xx + yy + 1.0) ** 2  # no edges, or edges of one direction only
        det = np.where(plain, 1.0, det) * np.maximum(light, DARKEST)
        dx, dy = -(yy * ex - xy * ey) / det, -(xx * ey - xy * ex) / det
        far = plain | (np.hypot(dx, dy) > MOST_SHIFT)
        dx, dy = (np.where(far, 0.0, d).astype(np.float32) for d in (dx, dy))
        moved = (light * dx)[:, None, None] * gx + (light * dy)[:, None, None] * gy
        return dx, dy, left + moved.astype(np.float32)

    def _adapt(self, left: Small, light: Small, new: BoolArray) -> None:
        """Let the reference follow slow changes where nothing is new."""
        usual = (light > 0.5) & (light < 2.0) & (new.mean(axis=(1, 2)) < 0.3)
        if not usual.any():
            return
        old = (~new[usual]).astype(np.float32)
        count = old.sum(0)
        rate = (1.0 - (1.0 - ADAPT) ** count).astype(np.float32)
        shift = (old * left[usual] / light[usual][:, None, None]).sum(0) / np.maximum(count, 1.0)
        size = (old * np.abs(left[usual])).sum(0) / np.maximum(count, 1.0)
        self._reference = self._reference + rate * shift
        self._scatter = self._scatter + rate * (np.float32(1.25) * size - self._scatter)

    def _nearest(self, new: BoolArray) -> tuple[Small, Small]:
        """Share of the picture covered by the largest new thing, and how near it comes."""
        part = np.zeros(len(new), np.float32)
        near = np.full(len(new), np.inf, np.float32)
        least = LEAST_PART * new[0].size
        for k in np.flatnonzero(np.count_nonzero(new, axis=(1, 2)) >= least):
            grown = cv2.dilate(new[k].astype(np.uint8), np.ones((3, 3), np.uint8))
            count, labels = cv2.connectedComponents(grown, connectivity=8)
            sizes = np.bincount(labels[new[k]], minlength=count)
            largest = int(np.argmax(sizes))
            if sizes[largest] >= least:
                part[k] = sizes[largest] / new[k].size
                near[k] = self._distance[new[k] & (labels == largest)].min()
        return part, near

    def _jumps(self, small: Small) -> Small:
        """Mean change of the setting since the frame before, light set apart."""
        first = small[:1] if self._before is None else self._before
        before = np.concatenate([first, small[:-1]])
        self._before = small[-1:]
        _, left = _against(small, before, self._setting)
        return np.asarray(np.abs(left[:, self._setting]).mean(axis=1), np.float32)

    def _bands(self, small: Small, new: BoolArray) -> Small:
        """Brightness of bands of rows against the reference, where nothing is new."""
        rows = np.linspace(0, small.shape[1], BANDS + 1).astype(int)[:-1]
        use = (self._setting & ~new).astype(np.float32)
        top, bottom = (small * use).sum(2), (self._reference * use).sum(2)
        top, bottom = (np.add.reduceat(v, rows, axis=1) for v in (top, bottom))
        seen = bottom > 1.0
        return np.where(seen, top / np.where(seen, bottom, 1.0), np.nan).astype(np.float32)

    def _distances(self) -> FloatArray:
        """Distance of each block from the top's axis, ring radii."""
        x = (np.arange(self._size[0]) + 0.5) * self._block - self._axis[0]
        y = (np.arange(self._size[1]) + 0.5) * self._block - self._axis[1]
        return np.asarray(np.hypot(x[None], y[:, None]) / self._radius)


def _against(small: Small, reference: Small, setting: BoolArray) -> tuple[Small, Small]:
    """Brightness of frames against a reference (robust), and what is left after it."""
    below = np.maximum(reference[..., setting], 4.0)
    light = np.median(small[:, setting] / below, axis=1).astype(np.float32)
    return light, small - light[:, None, None] * reference
