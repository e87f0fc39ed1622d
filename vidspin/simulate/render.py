"""What the camera sees of the scene, frame by frame.

The still parts are composed in linear light and coded as signal = light ** (1 / gamma); the
mark's cover, averaged over each row's own exposure (see `mark`), is added in light before
the coding.

What is approximate: the place and lean of the top, the hand and the camera are those of the
middle row's exposure for the whole frame; the place of the still parts (not of the mark) is
rounded to 1/32 picture element; no perspective, lens or focus; the mark's edge covers a
picture element by its distance to the middle.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.records import Frame, LumaArray
from vidspin.simulate.mark import lamp_of_rows, mark_cover
from vidspin.simulate.motion import FACE_HEIGHT, Pose, camera_shift, hand_shift, pose_at
from vidspin.simulate.picture import (
    BASE_RADIUS,
    BLACK,
    STEM_TOP,
    SUPER,
    WHITE,
    Image,
    Layer,
    circle_at,
    draw_hand,
    draw_setting,
    draw_top,
    projection,
)
from vidspin.simulate.scene import Scene, frame_times

PLACE_STEPS = 32
"""Steps a picture element to which the place of the still parts is rounded."""

POOL_ABOVE_PX = 400_000
"""Pictures larger than this take their noise from a pool unless the scene says otherwise."""

POOL_SPARE = 1 << 18
"""Values by which the pool is larger than a picture: so many places to start from."""


@dataclass(frozen=True, slots=True)
class Still:
    """A frame without mark, flicker and noise."""

    signal: Image  # (rows, columns) as coded, 0 to 1
    light: Image  # linear, gain included
    change: Image  # light that a fully covering mark adds
    top_cover: Image  # share of each place that is top or its shadow
    hand_cover: Image | None


@dataclass(frozen=True, slots=True)
class _Key:
    """All that a `Still` depends on, rounded: equal keys, equal pictures."""

    top: Pose
    camera: tuple[float, float]
    hand: tuple[float, float] | None


@dataclass(slots=True)
class _Kept:
    """The last still picture and what was made of it."""

    key: _Key | None = None
    still: Still | None = None
    chroma: tuple[NDArray[np.uint8], NDArray[np.uint8]] | None = None


def _rounded(place: tuple[float, float]) -> tuple[float, float]:
    """Round a place to the grid of the still parts."""
    return round(place[0] * PLACE_STEPS) / PLACE_STEPS, round(place[1] * PLACE_STEPS) / PLACE_STEPS


class Renderer:
    """Draws any frame of a scene by its index; equal scenes give equal bytes.

    Parameters
    ----------
    scene : Scene
        What to draw.

    Notes
    -----
    A frame depends on the scene and its index alone, never on frames drawn before; noise
    comes from a generator seeded by both.  Not for several threads at once.
    """

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.times = frame_times(scene)
        self._pad = 0 if scene.shake_px == 0.0 else math.ceil(2.5 * scene.shake_px) + 2
        light, self._bare = draw_setting(scene, self._pad)
        self._light = light * np.float32(scene.gain)
        self._window = _top_window(scene, Pose())
        self._top = draw_top(scene, Pose(), self._window).layer()
        self._hand: Layer | None = None
        self._kept = _Kept()
        self._signal = self._coded(self._light) if self._pad == 0 else None

    def __len__(self) -> int:
        """Return the number of frames."""
        return int(self.times.ticks.size)

    def frame(self, index: int) -> Frame:
        """Draw one frame.

        Parameters
        ----------
        index : int
            0-based.

        Returns
        -------
        Frame
            Read-only luma of its own; `tick` and `time_s` are what a file would state.
        """
        scene = self.scene
        tick = int(self.times.ticks[index])
        stated = float(tick * scene.time_base * scene.time_scale)
        return Frame(index, 0, tick, stated, self._digits(self.signal(index), index))

    def signal(self, index: int) -> Image:
        """Return what a frame codes before noise and rounding: (rows, columns), 0 to 1."""
        scene = self.scene
        start = float(self.times.start_s[index])
        pose = pose_at(scene, start + scene.centre_row_offset_s)
        still = self.still(index)
        signal = still.signal.copy()
        lamp = lamp_of_rows(scene, start)
        if lamp is not None:
            signal = np.minimum(signal * (lamp ** (1.0 / scene.gamma))[:, None], np.float32(1.0))
        self._paint_mark(signal, still, start, pose)
        return signal

    def chroma(self, index: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """Return the two colour planes of a frame at half its resolution: 8 bit, no noise.

        The table is wood, the hand is skin, all else is grey.
        """
        still = self.still(index)
        if self._kept.chroma is None:
            pad, (rows, cols) = self._pad, still.signal.shape
            warm = self._bare[pad : pad + rows, pad : pad + cols] * (1.0 - still.top_cover)
            if still.hand_cover is not None:
                warm = warm * (1.0 - still.hand_cover) + still.hand_cover
            half = cv2.resize(warm, (cols // 2, rows // 2), interpolation=cv2.INTER_AREA)
            blue = np.rint(128.0 - 14.0 * half).astype(np.uint8)
            self._kept.chroma = blue, np.rint(128.0 + 11.0 * half).astype(np.uint8)
        return self._kept.chroma

    def still(self, index: int) -> Still:
        """Return a frame without its mark, flicker and noise."""
        time_s = float(self.times.start_s[index]) + self.scene.centre_row_offset_s
        pose = pose_at(self.scene, time_s)
        top = Pose(_rounded(pose.shift_px), pose.lean_rad, pose.azimuth_rad, pose.slide)
        camera = _rounded(camera_shift(self.scene, time_s))
        key = _Key(top, camera, hand_shift(self.scene, time_s))
        if self._kept.still is None or self._kept.key != key:
            self._kept.key, self._kept.chroma = key, None
            self._kept.still = self._compose(key)
        return self._kept.still

    # ------------------------------------------------------------------ the still parts

    def _compose(self, key: _Key) -> Still:
        """Lay top and hand over the setting."""
        scene = self.scene
        light = self._setting(key.camera)
        shape = light.shape
        change, cover = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        top, left, above = self._top_layer(key.top)
        rows, row_part = _overlap(above, top.light.shape[0], shape[0])
        cols, col_part = _overlap(left, top.light.shape[1], shape[1])
        part, gain = (row_part, col_part), np.float32(scene.gain)
        light[rows, cols] *= 1.0 - top.cover[part]
        light[rows, cols] += gain * top.light[part]
        change[rows, cols] = gain * top.change[part]
        cover[rows, cols] = top.cover[part]
        hand = None
        if key.hand is not None:
            hand = self._hand_over(light, change, key.hand, key.camera)
        if self._signal is None or hand is not None:
            signal = self._coded(light)
        else:
            signal = self._signal.copy()
            signal[rows, cols] = self._coded(light[rows, cols])
        return Still(signal, light, change, cover, hand)

    def _setting(self, shift: tuple[float, float]) -> Image:
        """Return a copy of the setting's light, moved by the camera's shake."""
        if self._pad == 0:
            return self._light.copy()
        size = (self.scene.width, self.scene.height)
        move = np.array([[1.0, 0.0, shift[0] - self._pad], [0.0, 1.0, shift[1] - self._pad]])
        return np.asarray(cv2.warpAffine(self._light, move, size, flags=cv2.INTER_LINEAR))

    def _top_layer(self, pose: Pose) -> tuple[Layer, int, int]:
        """Return the top as it stands, and the column and row where its layer begins."""
        if pose.lean_rad != 0.0 or pose.slide != (0.0, 0.0):
            window = _top_window(self.scene, pose)
            return draw_top(self.scene, pose, window).layer().averaged(), window[0], window[1]
        (x, y), (left, above, _, _) = pose.shift_px, self._window
        whole_x, whole_y = math.floor(x), math.floor(y)
        top = self._top
        if (x, y) != (whole_x, whole_y):
            top = top.moved((x - whole_x) * SUPER, (y - whole_y) * SUPER)
        return top.averaged(), left + whole_x, above + whole_y

    def _hand_over(
        self,
        light: Image,
        change: Image,
        place: tuple[float, float],
        camera: tuple[float, float],
    ) -> Image:
        """Lay the hand over light and change in place; return its cover."""
        scene = self.scene
        if self._hand is None:
            self._hand = draw_hand(scene, (0, 0, scene.width, scene.height)).layer().averaged()
        to_px = projection(scene)
        up = to_px[:, 2] / np.hypot(*to_px[:, 2])
        reach = float(np.hypot(*to_px[:, 0]))
        x = reach * (place[1] * up[0] - place[0] * up[1]) + camera[0]
        y = reach * (place[1] * up[1] + place[0] * up[0]) + camera[1]
        # The hand leaves the way its arm came, so that what moves in from outside is empty.
        hand = self._hand.moved(x, y)
        seen = 1.0 - hand.cover
        light *= seen
        light += np.float32(scene.gain) * hand.light
        change *= seen
        return hand.cover

    def _coded(self, light: Image) -> Image:
        """Return the signal of linear light."""
        bounded = np.clip(light, 0.0, 1.0)
        return np.asarray(cv2.pow(bounded, 1.0 / self.scene.gamma), np.float32)

    # ------------------------------------------------------------- what moves in a frame

    def _paint_mark(self, signal: Image, still: Still, start_s: float, pose: Pose) -> None:
        """Paint all marks into the signal where they pass during each row's exposure."""
        seen = mark_cover(self.scene, start_s, pose, still.change)
        if seen is None:
            return
        steady = still.light[seen.place] * seen.lamp
        painted = self._coded(steady + still.change[seen.place] * seen.cover)
        signal[seen.place] = painted.ravel()

    def _digits(self, signal: Image, index: int) -> LumaArray:
        """Turn the signal into noisy luma codes."""
        scene = self.scene
        step = np.float32(1 << (scene.bit_depth - 8))
        codes = signal * (step * (WHITE - BLACK)) + step * BLACK
        if scene.noise > 0.0 or scene.shot_noise > 0.0:
            noise = _noise(scene, index)
            if scene.shot_noise > 0.0:
                noise *= _noise_levels(scene)[(signal * 255.0).astype(np.uint8)] * step
            else:
                noise *= np.float32(scene.noise) * step
            codes += noise
        codes += np.float32(0.5)
        np.clip(codes, step, 255.0 * step - step, out=codes)
        luma = codes.astype(np.uint8) if scene.bit_depth == 8 else codes.astype(np.uint16)
        luma.flags.writeable = False
        return luma


# --------------------------------------------------------------------------- pieces


def _top_window(scene: Scene, pose: Pose) -> tuple[int, int, int, int]:
    """Return left, top, width, height that hold the top in a pose, and its shadow."""
    foot, head = circle_at(scene, pose, 0.0), circle_at(scene, pose, STEM_TOP)
    wide = foot.reach(BASE_RADIUS + 0.25)
    low = [min(foot.middle[k] - wide[k], head.middle[k]) for k in (0, 1)]
    high = [max(foot.middle[k] + wide[k], head.middle[k]) for k in (0, 1)]
    face = circle_at(scene, pose, FACE_HEIGHT)
    wide = face.reach(1.06)
    low = [min(low[k], face.middle[k] - wide[k]) for k in (0, 1)]
    high = [max(high[k], face.middle[k] + wide[k]) for k in (0, 1)]
    # Never much more than the picture: a top may be larger than it.
    reach = 4 + math.ceil(2.5 * (scene.wander_px + scene.shake_px))
    size = (scene.width, scene.height)
    begin = [max(math.floor(low[k]) - 4, -reach) for k in (0, 1)]
    end = [min(math.ceil(high[k]) + 4, size[k] + reach) for k in (0, 1)]
    return begin[0], begin[1], max(end[0] - begin[0], 1), max(end[1] - begin[1], 1)


def _overlap(start: int, length: int, limit: int) -> tuple[slice, slice]:
    """Return where a stretch lies in 0..limit, and which part of the stretch that is."""
    low, high = min(max(start, 0), limit), min(max(start + length, 0), limit)
    return slice(low, high), slice(low - start, high - start)


@lru_cache(maxsize=8)
def _noise_levels(scene: Scene) -> Image:
    """Return the standard deviation of the noise at 256 signals, grey levels.

    Light of L has shot noise proportional to sqrt(L); the tone curve multiplies it by its
    slope, L ** (1 / gamma - 1).
    """
    signal = np.maximum(np.arange(256) / 255.0, 0.02)
    shot = scene.shot_noise * signal ** (1.0 - 0.5 * scene.gamma)
    return np.hypot(scene.noise, shot).astype(np.float32)


def _noise(scene: Scene, index: int) -> Image:
    """Return white noise of unit variance for a frame, (rows, columns)."""
    shape = (scene.height, scene.width)
    rng = np.random.Generator(np.random.SFC64([scene.seed, 6, index]))
    pooled = scene.noise_pool
    if pooled is None:
        pooled = scene.width * scene.height > POOL_ABOVE_PX
    if not pooled:
        return rng.standard_normal(shape, dtype=np.float32)
    start, sign = int(rng.integers(POOL_SPARE)), float(rng.integers(2) * 2 - 1)
    pool = _noise_pool(scene.seed, shape[0] * shape[1] + POOL_SPARE)
    return pool[start : start + shape[0] * shape[1]].reshape(shape) * np.float32(sign)


@lru_cache(maxsize=2)
def _noise_pool(seed: int, size: int) -> Image:
    """Draw the pool from which frames take a stretch each."""
    rng = np.random.Generator(np.random.SFC64([seed, 7]))
    return rng.standard_normal(size, dtype=np.float32)


def render(scene: Scene) -> Iterator[Frame]:
    """Draw all frames of a scene in order.

    Parameters
    ----------
    scene : Scene
        What to draw.

    Yields
    ------
    Frame
        Index, stated tick and time, luma of its own.
    """
    renderer = Renderer(scene)
    for index in range(len(renderer)):
        yield renderer.frame(index)
