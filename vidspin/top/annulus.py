"""Which ellipse does the activity of a picture follow?

Every ellipse of a coarse grid is asked how evenly activity lies all along it; the best few are
refined to the annulus that is most like the activity.  Where the mark was seen on a part of its
ring only, the roundness of the still settles the rest: a turned part looks the same all round.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from vidspin.middle import medians
from vidspin.records import Ellipse, FloatArray, Settings
from vidspin.ring import even_angles, resized_px, ring_points

Image = NDArray[np.float32]

ANGLES = 256  # samples along a ring
GRID_WIDTH = 80  # columns of the coarse search
GRID_ANGLES = 24
HYPOTHESES = 10  # distinct candidates of the coarse search, a map of activity
ROUNDNESS_WEIGHT = 0.5  # against the likeness of the annulus; both lie in 0-1
MIN_MAJOR = 0.04  # smallest ring, in picture widths
BAND_RADII = np.asarray(np.arange(0.5, 1.5, 0.025), np.float64)
BAND_STEP = 0.025
BAND_ANGLES = even_angles(64)
BAND_WIDTH = (2, 26)  # narrowest and broadest annulus, in steps
STEPS_A_ROUND = 90  # trials of the simplex, coarse and fine


def hypotheses(activity: Image, settings: Settings, scale: float) -> list[Ellipse]:
    """Coarse grid of ellipses, best first, each the best of its neighbourhood."""
    if settings.centre_px and settings.radii_px:
        x, y = (resized_px(v, scale) for v in settings.centre_px)
        a, b = settings.radii_px
        major, minor = max(a, b) * scale, min(a, b) * scale
        return [Ellipse(x, y, major, minor, settings.tilt_rad or 0.0)]
    reduce = min(1.0, GRID_WIDTH / max(activity.shape))
    size = (round(activity.shape[1] * reduce), round(activity.shape[0] * reduce))
    small = cv2.resize(activity, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 1.0)
    rows, columns = small.shape
    floor = float(np.percentile(small, 95)) * 0.3 + 1e-3
    logs = np.log(small + floor).astype(np.float32)
    baseline = float(logs.mean())
    reach = int(0.5 * max(rows, columns)) + 2
    padded = np.pad(logs, reach, constant_values=float(logs.min()))
    ys, xs = np.mgrid[1 : rows - 1 : 2, 1 : columns - 1 : 2]
    moved = sliding_window_view(padded[1:, 1:], (rows - 2, columns - 2))[:, :, ::2, ::2]
    angle = even_angles(GRID_ANGLES)
    found: list[tuple[float, Ellipse]] = []
    shapes = [(1.0, 0.0)]
    shapes += [(r, t) for r in (0.85, 0.7, 0.55, 0.4) for t in np.arange(6) * np.pi / 6]
    for major in np.geomspace(max(2.5, MIN_MAJOR * columns), 0.48 * max(rows, columns), 14):
        for ratio, tilt in shapes:
            u, v = major * np.cos(angle), major * ratio * np.sin(angle)
            dx = np.rint(u * np.cos(tilt) - v * np.sin(tilt)).astype(int)
            dy = np.rint(u * np.sin(tilt) + v * np.cos(tilt)).astype(int)
            score = moved[dy + reach, dx + reach].sum(axis=0)
            # a broad ring is worth more than a small one of the same evenness
            score = (score.ravel() / GRID_ANGLES - baseline) * np.sqrt(major)
            for k in np.argsort(score)[-2:]:
                i, j = divmod(int(k), xs.shape[1])
                x, y = (
                    (float(xs[i, j]) + 0.5) / reduce - 0.5,
                    (float(ys[i, j]) + 0.5) / reduce - 0.5,
                )
                ring = Ellipse(x, y, major / reduce, major * ratio / reduce, float(tilt))
                found.append((float(score[k]), ring))
    found.sort(key=lambda pair: -pair[0])
    return _distinct([ring for _, ring in found])


def outlines(still: Image) -> Image:
    """Edges of the still: the outlines of a turned part are ellipses too."""
    smooth = cv2.GaussianBlur(still, (0, 0), 1.5)
    return np.sqrt(
        np.hypot(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1))
    )


def _distinct(rings: list[Ellipse]) -> list[Ellipse]:
    """Keep the best few rings that differ in place or size."""
    kept: list[Ellipse] = []
    for ring in rings:
        near = any(
            np.hypot(ring.x_px - k.x_px, ring.y_px - k.y_px) < 0.15 * k.major_px
            and abs(np.log(ring.major_px / k.major_px)) < 0.12
            and abs(np.log(ring.minor_px / k.minor_px)) < 0.2
            for k in kept
        )
        if not near:
            kept.append(ring)
        if len(kept) == HYPOTHESES:
            break
    return kept


def unrolled(
    picture: Image, ring: Ellipse, radii: Sequence[float] | FloatArray, angles_rad: FloatArray
) -> Image:
    """Unroll a picture to (radii, angles); zero outside of it."""
    x, y = ring_points(ring, 1.0, angles_rad)
    r = np.asarray(radii)[:, None]
    map_x = (ring.x_px + r * (x - ring.x_px)).astype(np.float32)
    map_y = (ring.y_px + r * (y - ring.y_px)).astype(np.float32)
    flat = cv2.remap(
        picture, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.0
    )
    return np.asarray(flat, np.float32)


def profiles_along(frames: Image, ring: Ellipse) -> FloatArray:
    """Unroll the ring of every frame to (frames, ANGLES)."""
    angle = even_angles(ANGLES)
    radii = (0.94, 1.0, 1.06)
    grid = np.stack([np.stack(ring_points(ring, r, angle)) for r in radii]).astype(np.float32)
    out = np.empty((len(frames), ANGLES))
    for k, picture in enumerate(frames):
        out[k] = cv2.remap(picture, grid[:, 0], grid[:, 1], cv2.INTER_LINEAR).mean(0)
    return out


def _band_pairs() -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    first, last = np.triu_indices(len(BAND_RADII) + 1, k=BAND_WIDTH[0])
    keep = last - first <= BAND_WIDTH[1]
    return first[keep], last[keep]


BAND_PAIRS = _band_pairs()
BAND_WEIGHT = BAND_RADII / (BAND_RADII.sum() * len(BAND_ANGLES))  # of an element by its area
BAND_AREA = np.concatenate([[0.0], np.cumsum(BAND_WEIGHT * len(BAND_ANGLES))])
BAND_EDGES = np.append(BAND_RADII, BAND_RADII[-1] + BAND_STEP) - BAND_STEP / 2
ROUND_ROWS = slice(4, 34)  # of the unrolled still, about the ring


def band(activity: Image, ring: Ellipse) -> tuple[float, float, float]:
    """Best annulus around a ring: (likeness to the activity 0-1, inner, outer).

    The likeness is the squared correlation between the activity and an annulus of even height:
    sharp for a narrow mark and for a broad stripe alike, where a ridge would be flat.
    """
    return _best_band(unrolled(activity, ring, BAND_RADII, BAND_ANGLES))


def _best_band(activity: Image) -> tuple[float, float, float]:
    """Best annulus of an unrolled activity, as `band` says."""
    flat = np.sqrt(activity)
    rows = flat.sum(1) * BAND_WEIGHT
    mean = float(rows.sum())
    total = float(activity.sum(1) @ BAND_WEIGHT) - mean**2
    inside = np.concatenate([[0.0], np.cumsum(rows)])
    first, last = BAND_PAIRS
    a = BAND_AREA[last] - BAND_AREA[first]
    gain = inside[last] - inside[first] - a * mean
    likeness = np.where(gain > 0, gain**2 / (a * (1 - a)), 0.0) / max(total, 1e-9)
    k = int(np.argmax(likeness))
    return float(likeness[k]), float(BAND_EDGES[first[k]]), float(BAND_EDGES[last[k]])


def roundness(still: Image, ring: Ellipse) -> float:
    """Share of the still's brightness around a ring that depends on the radius alone, 0-1.

    A turned part looks the same all round: the unrolled picture of the right ellipse has
    level rows.  It settles the ellipse where the mark was seen on a part of its ring only.
    """
    return _evenness(unrolled(still, ring, BAND_RADII[ROUND_ROWS], BAND_ANGLES))


def _evenness(still: Image) -> float:
    """Tell the roundness of an unrolled still."""
    rows = medians(still, 1)
    level = float(rows.var())
    return level / max(level + float(np.abs(still - rows[:, None]).mean()) ** 2, 1e-9)


@dataclass(frozen=True, slots=True)
class Nearby:
    """Rings about one, five numbers each; what the user stated is the same in all of them."""

    start: Ellipse  # in elements of the picture
    settings: Settings
    scale: float

    @property
    def fixed(self) -> bool:
        """Whether everything is stated."""
        s = self.settings
        return s.centre_px is not None and s.radii_px is not None and s.tilt_rad is not None

    @property
    def first(self) -> FloatArray:
        """The numbers of the ring itself."""
        flat, turn = -np.log(self.start.minor_px / self.start.major_px), 2 * self.start.tilt_rad
        return np.array([0, 0, 0, flat * np.cos(turn), flat * np.sin(turn)])

    @property
    def step(self) -> FloatArray:
        """Steps of a coarse search, one row a number."""
        return np.diag([0.1 * self.start.major_px, 0.1 * self.start.major_px, 0.1, 0.12, 0.12])

    def __call__(self, p: FloatArray) -> Ellipse:
        """Give the ring of five numbers."""
        given, start = self.settings, self.start
        # (p[3], p[4]): flattening as a vector at twice the tilt, smooth where it is a circle
        flattening = float(np.hypot(p[3], p[4]))
        tilt = 0.5 * float(np.arctan2(p[4], p[3])) if flattening > 1e-9 else 0.0
        if given.tilt_rad is not None:
            tilt = given.tilt_rad
        major = start.major_px * float(np.exp(p[2]))
        minor = major * float(np.exp(-flattening))
        if given.radii_px is not None:
            major, minor = (float(v) for v in np.sort(given.radii_px)[::-1] * self.scale)
        x, y = start.x_px + float(p[0]), start.y_px + float(p[1])
        if given.centre_px is not None:
            x, y = (resized_px(v, self.scale) for v in given.centre_px)
        return Ellipse(x, y, major, minor, tilt)

    def beyond(self, p: FloatArray) -> float:
        """Say how far a ring is no nearby one any more; 0 where it is."""
        away = max(0.0, abs(p[2]) - 0.25) + max(0.0, float(np.hypot(p[3], p[4])) - 1.35)
        return float(away + max(0.0, np.hypot(p[0], p[1]) / self.start.major_px - 0.35))

    def lowest(self, cost: Callable[[FloatArray], float], p: FloatArray, size: float) -> FloatArray:
        """Walk down from some numbers, by steps of a size."""
        from scipy.optimize import minimize  # takes long to load, while the first frames are read

        options = {
            "initial_simplex": np.vstack([p, p + size * self.step]), "maxfev": STEPS_A_ROUND,
            "xatol": 1e-3, "fatol": 1e-5,
        }  # fmt: skip
        return np.asarray(minimize(cost, p, method="Nelder-Mead", options=options).x)


def refined(
    activity: Image, still: Image, start: Ellipse, settings: Settings, scale: float
) -> Ellipse:
    """Climb to the annulus that is most like the activity; what the user stated stays."""
    ring_of = Nearby(start, settings, scale)

    def cost_in(picture: Image) -> Callable[[FloatArray], float]:
        def cost(p: FloatArray) -> float:
            flat = unrolled(picture, ring_of(p), BAND_RADII, BAND_ANGLES)
            likeness = _best_band(flat[..., 0])[0]
            likeness += ROUNDNESS_WEIGHT * _evenness(flat[ROUND_ROWS, :, 1])
            return float(10 * ring_of.beyond(p) - likeness)

        return cost

    if ring_of.fixed:
        return ring_of(np.zeros(5))
    p = ring_of.first
    blurred = cv2.GaussianBlur(activity, (0, 0), max(1.0, 0.06 * start.major_px))
    for changes, size in ((blurred, 1.0), (activity, 0.3)):  # coarse to fine
        picture = np.dstack([changes, still]).astype(np.float32)  # looked up together
        p = ring_of.lowest(cost_in(picture), p, size)
    ring = ring_of(p)
    if settings.radii_px is not None:
        return ring
    _, inner, outer = band(activity, ring)  # let the unit be the middle of the annulus
    middle = 0.5 * (inner + outer)
    return Ellipse(
        ring.x_px, ring.y_px, ring.major_px * middle, ring.minor_px * middle, ring.tilt_rad
    )
