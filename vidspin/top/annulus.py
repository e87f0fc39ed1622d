"""Which ellipse does the activity of a picture follow?

Every ellipse of a coarse grid is asked how evenly activity lies all along it; the best few are
refined to the annulus that is most like the activity.  Where the mark was seen on a part of its
ring only, the roundness of the still settles the rest: a turned part looks the same all round.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from vidspin.middle import medians
from vidspin.records import Ellipse, FloatArray, Settings
from vidspin.ring import even_angles, resized_px, ring_points

Image = NDArray[np.float32]

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


def refined(
    activity: Image, still: Image, start: Ellipse, settings: Settings, scale: float
) -> Ellipse:
    """Climb to the annulus that is most like the activity; what the user stated stays."""
    radii = None if settings.radii_px is None else np.sort(settings.radii_px)[::-1] * scale
    x0, y0 = start.x_px, start.y_px
    if settings.centre_px is not None:
        x0, y0 = (resized_px(v, scale) for v in settings.centre_px)

    def ring_of(p: FloatArray) -> Ellipse:
        # (p[3], p[4]): flattening as a vector at twice the tilt, smooth where it is a circle
        flattening = float(np.hypot(p[3], p[4]))
        tilt = 0.5 * float(np.arctan2(p[4], p[3])) if flattening > 1e-9 else 0.0
        if settings.tilt_rad is not None:
            tilt = settings.tilt_rad
        major = start.major_px * float(np.exp(p[2]))
        minor = major * float(np.exp(-flattening))
        if radii is not None:
            major, minor = float(radii[0]), float(radii[1])
        dx, dy = (p[0], p[1]) if settings.centre_px is None else (0.0, 0.0)
        return Ellipse(x0 + float(dx), y0 + float(dy), major, minor, tilt)

    def cost(p: FloatArray, picture: Image) -> float:
        penalty = max(0.0, abs(p[2]) - 0.25) + max(0.0, np.hypot(p[3], p[4]) - 1.35)
        penalty += max(0.0, np.hypot(p[0], p[1]) / start.major_px - 0.35)
        flat = unrolled(picture, ring_of(p), BAND_RADII, BAND_ANGLES)
        likeness = _best_band(flat[..., 0])[0]
        likeness += ROUNDNESS_WEIGHT * _evenness(flat[ROUND_ROWS, :, 1])
        return float(10 * penalty - likeness)

    from scipy.optimize import minimize  # takes long to load, while the first frames are decoded

    flat = -np.log(start.minor_px / start.major_px)
    if settings.centre_px is not None and radii is not None and settings.tilt_rad is not None:
        return ring_of(np.zeros(5))  # nothing is free
    p = np.array([0, 0, 0, flat * np.cos(2 * start.tilt_rad), flat * np.sin(2 * start.tilt_rad)])
    step = np.diag([0.1 * start.major_px, 0.1 * start.major_px, 0.1, 0.12, 0.12])
    blurred = cv2.GaussianBlur(activity, (0, 0), max(1.0, 0.06 * start.major_px))
    for changes, size in ((blurred, 1.0), (activity, 0.3)):  # coarse to fine
        picture = np.dstack([changes, still]).astype(np.float32)  # looked up together
        simplex = np.vstack([p, p + size * step])
        options = {
            "initial_simplex": simplex,
            "maxfev": STEPS_A_ROUND,
            "xatol": 1e-3,
            "fatol": 1e-5,
        }
        p = minimize(cost, p, args=(picture,), method="Nelder-Mead", options=options).x
    ring = ring_of(p)
    if radii is not None:
        return ring
    _, inner, outer = band(activity, ring)  # let the unit be the middle of the annulus
    middle = 0.5 * (inner + outer)
    return Ellipse(
        ring.x_px, ring.y_px, ring.major_px * middle, ring.minor_px * middle, ring.tilt_rad
    )
