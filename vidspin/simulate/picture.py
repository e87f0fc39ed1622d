"""What the top, its base, the table and the hand look like, without the mark's motion.

Parallel projection of bodies of revolution, drawn back to front as stacked discs.  Shades
are given as signals (0 black, 1 white, as coded), laid over each other in light at
`SUPER` times the picture's resolution and averaged down.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspin.simulate.motion import FACE_HEIGHT, RIM_FOOT, Pose
from vidspin.simulate.scene import Scene

Image = NDArray[np.float32]
Shade = Callable[[Image, Image, Image], Image]
"""(cosine, sine, radius) of a place on a disc, from its axis -> signal."""

SUPER = 2
"""Drawn picture elements a stored one, each way."""

BLACK, WHITE = 16.0, 235.0
RECESS = 0.5  # radius of the groove between ring and hub
STEM_TOP, STEM_RADIUS = 1.32, 0.062
BASE_RADIUS, BASE_DEPTH, BASE_LIP = 1.36, 0.17, 0.09


def signal_of(grey_level: float) -> float:
    """Return the signal (0 to 1) of an 8-bit limited-range grey level."""
    return min(max((grey_level - BLACK) / (WHITE - BLACK), 0.0), 1.0)


# ------------------------------------------------------------------------ projection


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle of the scene as an affine picture of the unit circle.

    ``place = middle + axes @ (cos, sin)``; the angle of `mark_angle` runs in these axes.
    """

    middle: tuple[float, float]
    axes: NDArray[np.float64]  # (2, 2), pixels a unit

    @property
    def inverse(self) -> NDArray[np.float64]:
        """Units of the circle a pixel, (2, 2)."""
        return np.asarray(np.linalg.inv(self.axes))

    def reach(self, radius: float) -> tuple[float, float]:
        """Return half the width and half the height of the ellipse at `radius`."""
        x, y = radius * np.hypot(self.axes[:, 0], self.axes[:, 1])
        return float(x), float(y)


@lru_cache(maxsize=8)
def projection(scene: Scene) -> NDArray[np.float64]:
    """Return pixels a unit (2, 3) of the base plane's two directions and of the height."""
    assert scene.semi_axes_px is not None and scene.ellipse_tilt_rad is not None
    major, minor = scene.semi_axes_px
    c, s = math.cos(scene.ellipse_tilt_rad), math.sin(scene.ellipse_tilt_rad)
    turn = np.array([[c, -s], [s, c]])
    plane = turn @ np.diag([major, minor]) @ turn.T
    height = math.sqrt(major * major - minor * minor) * np.array([s, -c])
    return np.column_stack([plane, height])


def circle_at(scene: Scene, pose: Pose, height: float) -> Circle:
    """Return the circle of unit radius that lies `height` above the tip of the top."""
    assert scene.centre_px is not None
    to_px = projection(scene)
    lean, azimuth = pose.lean_rad, pose.azimuth_rad
    n1, n2 = math.sin(lean) * math.cos(azimuth), math.sin(lean) * math.sin(azimuth)
    n3 = math.cos(lean)
    # The smallest rotation that takes upright to the axis: it adds no twist of its own.
    body = np.array(
        [
            [1.0 - n1 * n1 / (1.0 + n3), -n1 * n2 / (1.0 + n3), n1],
            [-n1 * n2 / (1.0 + n3), 1.0 - n2 * n2 / (1.0 + n3), n2],
            [-n1, -n2, n3],
        ]
    )
    tip = np.asarray(scene.centre_px) - FACE_HEIGHT * to_px[:, 2] + np.asarray(pose.shift_px)
    tip = tip + to_px[:, :2] @ np.asarray(pose.slide)
    axes = to_px @ body
    middle = tip + height * axes[:, 2]
    return Circle((float(middle[0]), float(middle[1])), axes[:, :2])


# ---------------------------------------------------------------------------- canvas


@dataclass(frozen=True, slots=True)
class Layer:
    """A drawn part, laid over what is behind it: ``behind * (1 - cover) + light``."""

    light: Image
    cover: Image
    change: Image  # light that a fully covering mark adds

    def averaged(self) -> Layer:
        """Return the layer at the picture's resolution."""
        size = (self.light.shape[1] // SUPER, self.light.shape[0] // SUPER)
        area = cv2.INTER_AREA
        parts = (self.light, self.cover, self.change)
        light, cover, change = (cv2.resize(part, size, interpolation=area) for part in parts)
        return Layer(_image(light), _image(cover), _image(change))

    def moved(self, x: float, y: float) -> Layer:
        """Return the layer moved to the right and down by a few of its own elements."""
        move, size = np.array([[1.0, 0.0, x], [0.0, 1.0, y]]), self.light.shape[::-1]
        parts = (self.light, self.cover, self.change)
        light, cover, change = (cv2.warpAffine(part, move, size) for part in parts)
        return Layer(_image(light), _image(cover), _image(change))


def _image(pixels: object) -> Image:
    """State that what OpenCV returns is float32."""
    return np.asarray(pixels, np.float32)


class Canvas:
    """A window of the picture at `SUPER` times its resolution, to lay shades on."""

    def __init__(self, scene: Scene, window: tuple[int, int, int, int]) -> None:
        self.left, self.top, width, height = window
        self.gamma = scene.gamma
        self.shape = (height * SUPER, width * SUPER)
        self.light = np.zeros(self.shape, np.float32)
        self.cover = np.zeros(self.shape, np.float32)
        self.change: Image | None = None  # until there is a face to carry the mark

    def _grid(self, low: tuple[float, float], high: tuple[float, float]) -> tuple[slice, slice]:
        """Return the rows and columns of the window between two places, in drawn elements."""
        rows = (low[1] - self.top) * SUPER - 2, (high[1] - self.top) * SUPER + 3
        cols = (low[0] - self.left) * SUPER - 2, (high[0] - self.left) * SUPER + 3
        ends = np.clip([*rows, *cols], 0, [self.shape[0]] * 2 + [self.shape[1]] * 2)
        r0, r1, c0, c1 = (int(e) for e in ends)
        return slice(r0, max(r1, r0)), slice(c0, max(c1, c0))

    def places(self, part: tuple[slice, slice]) -> tuple[Image, Image]:
        """Return x (1, n) and y (m, 1) of a part, in stored picture elements."""
        x = (np.arange(part[1].start, part[1].stop) + 0.5) / SUPER - 0.5 + self.left
        y = (np.arange(part[0].start, part[0].stop) + 0.5) / SUPER - 0.5 + self.top
        return x[None, :].astype(np.float32), y[:, None].astype(np.float32)

    def lay(self, part: tuple[slice, slice], cover: Image, signal: Image | float) -> None:
        """Lay a shade over a part."""
        behind = 1.0 - cover
        self.light[part] *= behind
        if not (np.isscalar(signal) and signal == 0.0):
            bounded = np.clip(np.asarray(signal, np.float32), 0.0, 1.2)
            self.light[part] += cover * _image(cv2.pow(bounded, self.gamma))
        self.cover[part] *= behind
        self.cover[part] += cover
        if self.change is not None:
            self.change[part] *= behind

    def disc(self, circle: Circle, radius: float, shade: Shade, *, soft: float = 0.0) -> None:
        """Lay a disc; a `soft` share of its radius fades outwards (and covers less)."""
        half = circle.reach(radius * (1.0 + soft))
        x0, y0 = circle.middle
        part = self._grid((x0 - half[0], y0 - half[1]), (x0 + half[0], y0 + half[1]))
        x, y = self.places(part)
        if x.size == 0 or y.size == 0:
            return
        back = circle.inverse.astype(np.float32)
        along = back[0, 0] * (x - x0) + back[0, 1] * (y - y0)
        across = back[1, 0] * (x - x0) + back[1, 1] * (y - y0)
        out = np.sqrt(along * along + across * across)
        edge = SUPER * math.sqrt(abs(np.linalg.det(circle.axes)))
        if soft > 0.0:
            cover = np.clip((radius * (1.0 + soft) - out) / (2.0 * soft * radius), 0.0, 1.0)
            cover = cover * cover * (3.0 - 2.0 * cover) * shade(along, across, out)
            self.lay(part, cover.astype(np.float32), 0.0)
            return
        cover = np.clip(0.5 + (radius - out) * edge, 0.0, 1.0).astype(np.float32)
        safe = np.maximum(out, np.float32(1e-6))
        self.lay(part, cover, shade(along / safe, across / safe, out))

    def rod(
        self,
        ends: tuple[tuple[float, float], tuple[float, float]],
        radii_px: tuple[float, float],
        shade: Callable[[Image], Image],
        *,
        strength: float = 1.0,
    ) -> None:
        """Lay a rod with round ends; `shade` gets the place across it, -1 to 1."""
        (x0, y0), (x1, y1) = ends
        wide = max(radii_px)
        low = (min(x0, x1) - wide, min(y0, y1) - wide)
        part = self._grid(low, (max(x0, x1) + wide, max(y0, y1) + wide))
        x, y = self.places(part)
        if x.size == 0 or y.size == 0:
            return
        length = math.hypot(x1 - x0, y1 - y0) + 1e-6
        tx, ty = (x1 - x0) / length, (y1 - y0) / length
        along = ((x - x0) * tx + (y - y0) * ty) / length
        on = np.clip(along, 0.0, 1.0)
        radius = radii_px[0] + (radii_px[1] - radii_px[0]) * on
        out = np.hypot(x - x0 - on * length * tx, y - y0 - on * length * ty)
        side = (x - x0) * -ty + (y - y0) * tx
        cover = strength * np.clip(0.5 + (radius - out) * SUPER, 0.0, 1.0)
        self.lay(part, cover.astype(np.float32), shade((side / radius).clip(-1.0, 1.0)))

    def layer(self) -> Layer:
        """Return what was drawn, at `SUPER` times the picture's resolution."""
        change = np.zeros(self.shape, np.float32) if self.change is None else self.change
        return Layer(self.light, self.cover, change)


# ------------------------------------------------------------------------ the bodies


def _lobe(c: Image, s: Image, at_rad: float, sharp: float) -> Image:
    """Return a smooth bump of height 1 round a direction."""
    toward = c * np.float32(math.cos(at_rad)) + s * np.float32(math.sin(at_rad))
    return np.exp(np.float32(sharp) * (toward - 1.0))


def _wall(level: float, glint: float) -> Shade:
    """Return the shade of a polished wall; light comes from the upper left and the front."""

    def shade(c: Image, s: Image, out: Image) -> Image:
        bright = 0.55 * _lobe(c, s, 2.45, 9.0) + 0.3 * _lobe(c, s, 1.15, 14.0)
        dark = 0.3 * _lobe(c, s, 0.2, 3.0)
        return np.asarray(level * (1.0 + glint * (bright - dark)), np.float32)

    return shade


def draw_top(scene: Scene, pose: Pose, window: tuple[int, int, int, int]) -> Canvas:
    """Draw the top in a pose, with its shadow on the base, and the place for the mark.

    Parameters
    ----------
    scene : Scene
        How it looks.
    pose : Pose
        How it stands.
    window : tuple of int
        Left, top, width and height of the part of the picture to draw.
    """
    canvas = Canvas(scene, window)
    face = signal_of(scene.face_level)
    ground = circle_at(scene, Pose(pose.shift_px, slide=pose.slide), 0.0)
    push = ground.axes @ np.array([0.22, 0.1])
    ground = Circle((ground.middle[0] + push[0], ground.middle[1] + push[1]), ground.axes)
    canvas.disc(ground, 0.92, lambda c, s, out: np.full_like(out, 0.7), soft=0.4)
    for step in np.linspace(0.15, 1.0, 7):
        under = 0.28 * face * (0.5 + 0.5 * float(step))
        canvas.disc(
            circle_at(scene, pose, RIM_FOOT[1] * float(step)),
            RIM_FOOT[0] * float(step),
            _wall(under, 0.6),
        )
    for height in np.linspace(RIM_FOOT[1], FACE_HEIGHT - 0.035, 4):
        canvas.disc(circle_at(scene, pose, float(height)), 1.03, _wall(0.78 * face, 0.8))
    for share in (0.0, 0.5):
        canvas.disc(
            circle_at(scene, pose, FACE_HEIGHT - 0.035 * (1.0 - share)),
            1.03 - 0.03 * share,
            _wall(1.12 * face, 0.45),
        )
    _draw_face(canvas, scene, circle_at(scene, pose, FACE_HEIGHT))
    _draw_hub(canvas, scene, pose)
    return canvas


def _draw_face(canvas: Canvas, scene: Scene, circle: Circle) -> None:
    """Draw the flat ring and note what the mark would change on it."""
    face, paint = signal_of(scene.face_level), signal_of(scene.face_level + scene.mark_contrast)

    def shade(c: Image, s: Image, out: Image) -> Image:
        # Turned metal shines in a bow tie across the light's direction, which stands still.
        double_c, double_s = c * c - s * s, 2.0 * c * s
        bow = _lobe(double_c, double_s, -1.9, 5.0) - 0.25
        grooves = 0.012 * np.sin(out * 75.0) + 0.008 * np.sin(out * 173.0)
        slope = -0.05 * (c * 0.8 + s * 0.6) * out
        rim = 0.10 * np.clip((out - 0.965) * 40.0, 0.0, 1.0)
        return np.asarray(face * (1.0 + 0.3 * scene.highlight * bow + grooves + slope + rim))

    canvas.disc(circle, 1.0, shade)
    # Paint is duller than metal: a third of the highlights stay.
    matt = np.float32(max(face**scene.gamma, 1e-6))  # a black face shines nowhere
    gloss = 1.0 + 0.33 * (canvas.light / matt - 1.0)
    canvas.change = np.float32(paint**scene.gamma) * gloss - canvas.light


def _draw_hub(canvas: Canvas, scene: Scene, pose: Pose) -> None:
    """Draw groove, hub and stem; they hide the mark where they cover it."""
    face = signal_of(scene.face_level)
    flat = circle_at(scene, pose, FACE_HEIGHT)

    def dome(c: Image, s: Image, out: Image) -> Image:
        steep = out / RECESS
        light = steep * (0.25 * _lobe(c, s, -2.3, 2.0) - 0.22 * _lobe(c, s, 0.8, 2.0))
        glint = 0.5 * scene.highlight * np.exp(-(((steep - 0.62) / 0.2) ** 2))
        return np.asarray(face * (0.9 + light + glint * _lobe(c, s, -2.2, 5.0)))

    canvas.disc(flat, RECESS, lambda c, s, out: face * (0.30 + 0.25 * _lobe(c, s, 0.9, 3.0)))
    canvas.disc(flat, RECESS - 0.035, dome)
    if not scene.stem:
        return
    foot, head = circle_at(scene, pose, FACE_HEIGHT + 0.03), circle_at(scene, pose, STEM_TOP)
    size = math.sqrt(abs(np.linalg.det(flat.axes)))
    fall = flat.axes @ np.array([0.46, 0.16])
    tip = (flat.middle[0] + fall[0], flat.middle[1] + fall[1])
    radii = (STEM_RADIUS * size, STEM_RADIUS * size)
    canvas.rod((flat.middle, tip), radii, lambda u: np.zeros_like(u), strength=0.28)
    canvas.disc(flat, 0.15, _wall(0.62 * face, 0.7))
    canvas.disc(foot, 0.125, _wall(0.95 * face, 0.4))

    def round_rod(u: Image) -> Image:
        glint = 0.75 * np.exp(-(((u + 0.3) / 0.28) ** 2)) + 0.2 * np.exp(-(((u - 0.7) / 0.2) ** 2))
        return np.asarray(face * (0.42 + glint - 0.12 * u), np.float32)

    canvas.rod((foot.middle, head.middle), radii, round_rod)
    canvas.disc(head, STEM_RADIUS * 0.95, lambda c, s, out: face * (1.05 + 0.1 * c))


# Thumb, fingers and arm: two ends (right, up of the grip), two radii, of the face's radius.
_HAND = (
    ((0.75, 0.72), (2.1, 1.3), 0.36, 0.55),  # back of the hand
    ((2.1, 1.3), (5.0, 2.6), 0.5, 0.55),  # wrist
    ((1.0, 0.22), (1.9, 0.75), 0.24, 0.45),  # ball of the thumb
    ((0.0, 0.14), (0.5, 0.70), 0.115, 0.16),  # forefinger
    ((0.5, 0.70), (1.4, 1.05), 0.16, 0.26),
    ((0.06, -0.10), (0.55, 0.0), 0.13, 0.17),  # thumb
    ((0.55, 0.0), (1.3, 0.42), 0.165, 0.27),
)
_SKIN = 0.74


def draw_hand(scene: Scene, window: tuple[int, int, int, int]) -> Canvas:
    """Draw thumb, forefinger and hand as they hold the stem."""
    canvas = Canvas(scene, window)
    to_px = projection(scene)
    size = float(np.hypot(*to_px[:, 0]))
    up = to_px[:, 2] / np.hypot(*to_px[:, 2])
    frame = size * np.column_stack([[-up[1], up[0]], up])
    grip = np.asarray(circle_at(scene, Pose(), STEM_TOP - 0.08).middle)
    whole = (slice(0, canvas.shape[0]), slice(0, canvas.shape[1]))
    x, y = canvas.places(whole)
    inside = np.full(canvas.shape, -np.inf, np.float32)
    bumps = np.zeros(canvas.shape, np.float32)
    blend = 0.04 * size
    for begin, end, thin, thick in _HAND:
        (x0, y0), (x1, y1) = grip + frame @ np.array(begin), grip + frame @ np.array(end)
        length = math.hypot(x1 - x0, y1 - y0)
        on = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / np.float32(length * length)
        on = np.clip(on, 0.0, 1.0)
        radius = size * (thin + (thick - thin) * on)
        depth = radius - np.hypot(x - x0 - on * (x1 - x0), y - y0 - on * (y1 - y0))
        inside = np.maximum(inside, depth)
        round_height = np.sqrt(np.maximum(depth * (2.0 * radius - depth), 0.0))
        bumps += np.exp(round_height / blend)
    # A smooth maximum of the pieces' heights joins them as skin does.
    slope_y, slope_x = np.gradient(blend * np.log(bumps) * SUPER)
    # Light comes from the upper left of the upright picture.
    sun_x, sun_y = frame @ np.array([0.45, -0.5]) / size
    lit = (sun_x * slope_x + sun_y * slope_y + 0.74) / np.sqrt(1.0 + slope_x**2 + slope_y**2)
    signal = _SKIN * (0.42 + 0.62 * np.maximum(lit, 0.0))
    canvas.lay(whole, np.clip(0.5 + inside * SUPER, 0.0, 1.0).astype(np.float32), signal)
    return canvas


# --------------------------------------------------------------------------- setting


def draw_setting(scene: Scene, pad: int) -> tuple[Image, Image]:
    """Draw table and base.

    Parameters
    ----------
    scene : Scene
        How they look.
    pad : int
        Picture elements to draw beyond the picture on each side.

    Returns
    -------
    light, bare : ndarray of float32, (rows + 2 pad, columns + 2 pad)
        Light of every place, and the share of it that is table.
    """
    window = (-pad, -pad, scene.width + 2 * pad, scene.height + 2 * pad)
    canvas = Canvas(scene, window)
    tip = circle_at(scene, Pose(), 0.0)
    away = tip.axes @ np.array([0.3, 0.12])
    foot = circle_at(scene, Pose(), -BASE_DEPTH)
    shadow = Circle((foot.middle[0] + away[0], foot.middle[1] + away[1]), foot.axes)
    canvas.disc(shadow, BASE_RADIUS, lambda c, s, out: np.full_like(out, 0.45), soft=0.25)
    for height in np.linspace(-BASE_DEPTH, 0.0, 5):
        canvas.disc(circle_at(scene, Pose(), float(height)), BASE_RADIUS, _wall(0.20, 1.1))

    def lip(c: Image, s: Image, out: Image) -> Image:
        return np.asarray(0.30 * (1.0 + 0.9 * _lobe(c, s, -2.2, 4.0) + 0.5 * _lobe(c, s, 1.0, 8.0)))

    def hollow(c: Image, s: Image, out: Image) -> Image:
        steep = out / BASE_RADIUS
        glow = 0.5 * _lobe(c, s, 0.8, 3.0) - 0.35 * _lobe(c, s, -2.3, 2.0)
        return np.asarray(0.25 * (1.0 + steep * glow))

    canvas.disc(tip, BASE_RADIUS, lip)
    canvas.disc(tip, BASE_RADIUS - BASE_LIP, hollow)
    layer = canvas.layer().averaged()
    table = _table(scene, pad) ** np.float32(scene.gamma)
    return table * (1.0 - layer.cover) + layer.light, 1.0 - layer.cover


def _table(scene: Scene, pad: int) -> Image:
    """Return the signal of the table: planks' grain, and light that falls off."""
    rows, cols = scene.height + 2 * pad, scene.width + 2 * pad
    rng = np.random.default_rng([scene.seed, 5])
    # Grain of large pictures is drawn small and stretched: wide blurs are slow.
    unit = max(scene.width, scene.height) / 640.0
    shrunk = max(unit, 1.0)
    small = math.ceil(rows / shrunk), math.ceil(cols / shrunk)
    unit = min(unit, 1.0)
    grain = np.zeros(small, np.float32)
    for long, thin, weight in ((70.0, 9.0, 1.0), (45.0, 2.2, 0.8), (18.0, 0.7, 0.5)):
        white = rng.standard_normal(small, dtype=np.float32)
        soft = cv2.GaussianBlur(white, (0, 0), sigmaX=long * unit, sigmaY=max(thin * unit, 0.5))
        grain += weight * soft / float(soft.std())
    if shrunk > 1.0:
        grain = _image(cv2.resize(grain, (cols, rows), interpolation=cv2.INTER_CUBIC))
    slant = cv2.getRotationMatrix2D((cols / 2, rows / 2), 7.0, 1.1)
    grain = np.asarray(
        cv2.warpAffine(grain, slant, (cols, rows), borderMode=cv2.BORDER_REFLECT), np.float32
    )
    grain -= float(grain.mean())
    grain *= scene.table_texture / max(float(grain.std()), 1e-9) / (WHITE - BLACK)
    x = np.linspace(-1.0, 1.0, cols, dtype=np.float32)[None, :]
    y = np.linspace(-1.0, 1.0, rows, dtype=np.float32)[:, None]
    falloff = 1.06 - 0.08 * x - 0.05 * y - 0.07 * (x * x + y * y)
    return np.clip((signal_of(scene.table_level) + grain) * falloff, 0.0, 1.0)
