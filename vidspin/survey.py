"""Where is the top, which ring does the mark sweep, and how many marks are there?

Short runs of consecutive frames, spread over the recording, are compared: what moves within a
run (or, near a stand-still speed, between runs) is the mark.  Every ellipse of a coarse grid is
asked how evenly activity lies all along it; the best few are refined and then judged by what
only a mark does: one and the same pattern that turns along the ring.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import minimize

from vidspin.errors import NoTopError
from vidspin.records import Ellipse, FloatArray, Frame, Settings, Survey
from vidspin.ring import ring_points

Image = NDArray[np.float32]

WORK_WIDTH = 480  # columns of the survey's pictures; enough to place a ring to 1 % of its size
GRID_WIDTH = 80  # columns of the coarse search
ANGLES = 256  # samples along a ring
GRID_ANGLES = 24
HYPOTHESES = 10  # distinct candidates of the coarse search, a map of activity
ROUNDNESS_WEIGHT = 0.5  # against the likeness of the annulus; both lie in 0-1
REFINED = 4  # of these, how many are refined
MIN_MAJOR = 0.04  # smallest ring, in picture widths
BAND_RADII = np.arange(0.5, 1.5, 0.025)
BAND_STEP = 0.025
BAND_ANGLES = np.arange(64) * (2 * np.pi / 64)
BAND_WIDTH = (2, 26)  # narrowest and broadest annulus, in steps
MIN_EXPLAINED = 0.12  # share of the ring's change that one turning pattern must explain
MIN_CONTRAST_SIGMA = 5.0  # mark against noise, over all looked-at frames


class NoTop(NoTopError):
    """No turning mark was found; carries the picture of what was looked at."""

    def __init__(self, what: str, *, where: str, do: str, picture: Image) -> None:
        super().__init__(what, where=where, do=do)
        self.picture = np.clip(picture, 0, 255).astype(np.uint8)


DEBUG = False


@dataclass(frozen=True, slots=True)
class Pattern:
    """What turns along a ring: the outcome of lining up all profiles."""

    angles_rad: FloatArray  # (frames,) turn of the pattern in each frame
    shape: FloatArray  # (ANGLES,) the pattern, mean zero
    explained: float  # share of the change along the ring, 0-1
    contrast_sigma: float


def survey(runs: Iterable[Sequence[Frame]], settings: Settings, *, name: str) -> Survey:
    """Find the ring of the mark and count the marks.

    Parameters
    ----------
    runs : iterable of sequences of Frame
        Short runs of consecutive frames spread over the recording.
    settings : Settings
        ``centre_px``, ``radii_px``, ``tilt_rad`` and ``marks`` replace what would be found.
    name : str
        Name of the recording, for messages.

    Returns
    -------
    Survey
        Ellipse in stored picture elements, limits of the ring, number of marks.

    Raises
    ------
    NoTop
        No turning mark stands out; ``picture`` holds the still that was looked at.
    """
    stacks, scale = _work_stacks(runs)
    if not stacks:
        raise NoTop(
            "no frames to look at", where=name, do="check that the recording plays",
            picture=np.zeros((9, 16), np.float32),
        )  # fmt: skip
    stacks = _level(stacks)
    still = np.median(np.stack([s[0] for s in stacks[:: max(1, len(stacks) // 12)]]), axis=0)
    maps = _activity_maps(stacks)
    frames = np.concatenate(stacks)
    found = _best_ring(maps, still, frames, settings, scale)
    if found is None:
        raise NoTop(
            "no top with a turning mark was found", where=name,
            do="state --centre X,Y --radii A,B, or film a mark that stands out from the top",
            picture=still,
        )  # fmt: skip
    ring, pattern, activity = found
    weights, pattern = _radial_contrast(frames, ring, pattern)
    inner, outer = _edges(weights)
    bright = bool(_skew(pattern.shape) > 0)
    count = settings.marks or count_marks(_weighted(frames, ring, weights), bright=bright)
    given = [n for n, v in (("centre", settings.centre_px), ("radii", settings.radii_px),
                            ("tilt", settings.tilt_rad), ("marks", settings.marks)) if v is not None]  # fmt: skip
    return Survey(
        ring=_scaled(ring, 1 / scale),
        inner=inner,
        outer=outer,
        radii=BAND_RADII.copy(),
        weights=weights,
        marks=count,
        bright=bright,
        confidence=pattern.explained,
        given=tuple(given),
        picture=np.clip(still, 0, 255).astype(np.uint8),
        activity=activity.astype(np.float64),
        scale=scale,
    )


# ------------------------------------------------------------------------- pictures


def _work_stacks(runs: Iterable[Sequence[Frame]]) -> tuple[list[Image], float]:
    """Reduce every run to a float stack (frames, rows, columns) of 8-bit grey levels."""
    stacks: list[Image] = []
    scale = 1.0
    for run in runs:
        pictures = []
        for frame in run:
            rows, columns = frame.luma.shape
            scale = min(1.0, WORK_WIDTH / max(rows, columns))
            size = (round(columns * scale), round(rows * scale))
            small = cv2.resize(frame.luma, size, interpolation=cv2.INTER_AREA)
            levels = small.astype(np.float32)
            pictures.append(levels / 4 if frame.luma.dtype == np.uint16 else levels)
        if pictures and (not stacks or pictures[0].shape == stacks[0].shape[1:]):
            stacks.append(np.stack(pictures))
    return stacks, scale


def _level(stacks: list[Image]) -> list[Image]:
    """Take lamp flicker out: every row of a frame gets the still's brightness."""
    every = max(1, len(stacks) // 12)
    still = np.median(np.stack([s[0] for s in stacks[::every]]), axis=0) + 1.0
    levelled = []
    for stack in stacks:
        ratio = np.median((stack + 1.0) / still, axis=2)
        ratio = cv2.blur(ratio.astype(np.float32), (9, 1), borderType=cv2.BORDER_REPLICATE)
        levelled.append((stack / np.maximum(ratio, 0.05)[:, :, None]).astype(np.float32))
    return levelled


def _activity_maps(stacks: list[Image]) -> list[Image]:
    """How much moves where: within runs, and between runs; noise floor taken off."""
    within = np.stack([_steady(s) for s in stacks])
    total = within.mean(axis=(1, 2))
    calm = total <= 3 * np.median(total)  # leaves out hands and the fall
    inside = within[calm].mean(0) if calm.any() else within.mean(0)
    means = np.stack([s.mean(0) for s, ok in zip(stacks, calm, strict=True) if ok])
    between = np.abs(means - np.median(means, axis=0)).mean(0)
    maps = [inside] + ([between] if len(means) > 3 else [])
    return [np.maximum(m - np.percentile(m, 60), 0).astype(np.float32) for m in maps]


def _steady(stack: Image) -> Image:
    """Mean absolute change of a run after taking out a small common shift of the picture."""
    if len(stack) < 2:
        return np.zeros(stack.shape[1:], np.float32)
    base = stack[0]
    moved = [base]
    for other in stack[1:]:
        (dx, dy), response = cv2.phaseCorrelate(base, other)
        if response > 0.3 and 0.2 < np.hypot(dx, dy) < 12:
            matrix = np.array([[1, 0, -dx], [0, 1, -dy]], np.float64)
            other = cv2.warpAffine(
                other, matrix, (base.shape[1], base.shape[0]), borderMode=cv2.BORDER_REPLICATE
            )
        moved.append(other)
    aligned = np.stack(moved)
    return np.abs(aligned - aligned.mean(0)).mean(0).astype(np.float32)


# ---------------------------------------------------------------------------- rings


def _scaled(ring: Ellipse, factor: float) -> Ellipse:
    shift = 0.5 * (factor - 1.0)  # centres of picture elements, not their corners
    return Ellipse(
        ring.x_px * factor + shift, ring.y_px * factor + shift,
        ring.major_px * factor, ring.minor_px * factor, ring.tilt_rad,
    )  # fmt: skip


def _best_ring(
    maps: list[Image], still: Image, frames: Image, settings: Settings, scale: float
) -> tuple[Ellipse, Pattern, Image] | None:
    """Refine the most even rings of every map and keep the one along which a pattern turns."""
    best: tuple[float, Ellipse, Pattern, Image] | None = None
    outlines = _hypotheses(_outlines(still), settings, scale)
    for activity in maps:
        smooth = cv2.GaussianBlur(activity, (0, 0), 1.5)
        starts = _hypotheses(smooth, settings, scale) + outlines
        starts.sort(key=lambda ring: -_band(smooth, ring)[0])
        for start in starts[:REFINED]:
            ring = _refined(smooth, still, start, settings, scale)
            pattern = turning_pattern(_profiles(frames, ring))
            merit = pattern.explained * min(pattern.contrast_sigma / 50.0, 1.0)
            merit *= _band(smooth, ring)[0] * _roundness(still, ring)
            if DEBUG:
                print(f"   {merit:.3f} ev={_evenness(smooth, ring):.2f} ex={pattern.explained:.2f} cs={pattern.contrast_sigma:.0f} band={_band(smooth,ring)[0]:.2f} ({ring.x_px:.0f},{ring.y_px:.0f}) {ring.major_px:.1f}x{ring.minor_px:.1f} from {start.major_px:.1f}x{start.minor_px:.1f}")
            if best is None or merit > best[0]:
                best = (merit, ring, pattern, activity)
    if best is None:
        return None
    _, ring, pattern, activity = best
    if pattern.explained < MIN_EXPLAINED or pattern.contrast_sigma < MIN_CONTRAST_SIGMA:
        return None
    return ring, pattern, activity


def _hypotheses(activity: Image, settings: Settings, scale: float) -> list[Ellipse]:
    """Coarse grid of ellipses, best first, each the best of its neighbourhood."""
    if settings.centre_px and settings.radii_px:
        (x, y), (a, b) = settings.centre_px, settings.radii_px
        return [Ellipse(x * scale, y * scale, max(a, b) * scale, min(a, b) * scale, settings.tilt_rad or 0.0)]
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
    width = padded.shape[1]
    ys, xs = np.mgrid[1 : rows - 1 : 2, 1 : columns - 1 : 2]
    centres = ((ys + reach) * width + xs + reach).ravel()
    flat = padded.ravel()
    angle = np.arange(GRID_ANGLES) * (2 * np.pi / GRID_ANGLES)
    found: list[tuple[float, Ellipse]] = []
    shapes = [(1.0, 0.0)]
    shapes += [(r, t) for r in (0.85, 0.7, 0.55, 0.4) for t in np.arange(6) * np.pi / 6]
    for major in np.geomspace(max(2.5, MIN_MAJOR * columns), 0.48 * max(rows, columns), 14):
        for ratio, tilt in shapes:
            u, v = major * np.cos(angle), major * ratio * np.sin(angle)
            dx = np.rint(u * np.cos(tilt) - v * np.sin(tilt)).astype(int)
            dy = np.rint(u * np.sin(tilt) + v * np.cos(tilt)).astype(int)
            steps = dy * width + dx
            score = np.zeros(len(centres), np.float32)
            for step in steps:
                score += flat[centres + step]
            # a broad ring is worth more than a small one of the same evenness
            score = (score / GRID_ANGLES - baseline) * np.sqrt(major)
            for k in np.argsort(score)[-2:]:
                i, j = divmod(int(k), xs.shape[1])
                x, y = (float(xs[i, j]) + 0.5) / reduce - 0.5, (float(ys[i, j]) + 0.5) / reduce - 0.5
                ring = Ellipse(x, y, major / reduce, major * ratio / reduce, float(tilt))
                found.append((float(score[k]), ring))
    found.sort(key=lambda pair: -pair[0])
    return _distinct([ring for _, ring in found])


def _outlines(still: Image) -> Image:
    """Edges of the still: the outlines of a turned part are ellipses too."""
    smooth = cv2.GaussianBlur(still, (0, 0), 1.5)
    return np.sqrt(np.hypot(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)))


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


def _evenness(activity: Image, ring: Ellipse) -> float:
    """Geometric mean of the activity along the ring, in grey levels."""
    floor = 0.02 * float(activity.max()) + 1e-3
    angle = np.arange(96) * (2 * np.pi / 96)
    return float(np.exp(np.log(_sampled(activity, ring, (1.0,), angle) + floor).mean()))


def _sampled(picture: Image, ring: Ellipse, radii: Sequence[float] | FloatArray, angles_rad: FloatArray) -> Image:
    """Unroll a picture to (radii, angles); zero outside of it."""
    x, y = ring_points(ring, 1.0, angles_rad)
    r = np.asarray(radii)[:, None]
    map_x = (ring.x_px + r * (x - ring.x_px)).astype(np.float32)
    map_y = (ring.y_px + r * (y - ring.y_px)).astype(np.float32)
    return cv2.remap(picture, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.0)


def _band_pairs() -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    first, last = np.triu_indices(len(BAND_RADII) + 1, k=BAND_WIDTH[0])
    keep = last - first <= BAND_WIDTH[1]
    return first[keep], last[keep]


BAND_PAIRS = _band_pairs()


def _band(activity: Image, ring: Ellipse) -> tuple[float, float, float]:
    """Best annulus around a ring: (likeness to the activity 0-1, inner, outer).

    The likeness is the squared correlation between the activity and an annulus of even height:
    sharp for a narrow mark and for a broad stripe alike, where a ridge would be flat.
    """
    unrolled = np.sqrt(_sampled(activity, ring, BAND_RADII, BAND_ANGLES))
    weight = BAND_RADII / (BAND_RADII.sum() * len(BAND_ANGLES))
    mean = float((unrolled * weight[:, None]).sum())
    total = float((unrolled**2 * weight[:, None]).sum()) - mean**2
    rows = unrolled.sum(1) * weight
    inside = np.concatenate([[0.0], np.cumsum(rows)])
    area = np.concatenate([[0.0], np.cumsum(weight * len(BAND_ANGLES))])
    first, last = BAND_PAIRS
    a = area[last] - area[first]
    gain = inside[last] - inside[first] - a * mean
    likeness = np.where(gain > 0, gain**2 / (a * (1 - a)), 0.0) / max(total, 1e-9)
    k = int(np.argmax(likeness))
    edges = np.append(BAND_RADII, BAND_RADII[-1] + BAND_STEP) - BAND_STEP / 2
    return float(likeness[k]), float(edges[first[k]]), float(edges[last[k]])


def _roundness(still: Image, ring: Ellipse) -> float:
    """Share of the still's brightness around a ring that depends on the radius alone, 0-1.

    A turned part looks the same all round: the unrolled picture of the right ellipse has
    level rows.  It settles the ellipse where the mark was seen on a part of its ring only.
    """
    unrolled = _sampled(still, ring, BAND_RADII[4:34], BAND_ANGLES)
    rows = np.median(unrolled, axis=1)
    return float(rows.var() / max(float(rows.var() + np.abs(unrolled - rows[:, None]).mean() ** 2), 1e-9))


def _refined(
    activity: Image, still: Image, start: Ellipse, settings: Settings, scale: float
) -> Ellipse:
    """Climb to the annulus that is most like the activity; what the user stated stays."""
    centre = None if settings.centre_px is None else np.asarray(settings.centre_px) * scale
    radii = None if settings.radii_px is None else np.sort(settings.radii_px)[::-1] * scale
    x0, y0 = (start.x_px, start.y_px) if centre is None else (float(centre[0]), float(centre[1]))

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
        dx, dy = (p[0], p[1]) if centre is None else (0.0, 0.0)
        return Ellipse(x0 + float(dx), y0 + float(dy), major, minor, tilt)

    def cost(p: FloatArray, picture: Image) -> float:
        penalty = max(0.0, abs(p[2]) - 0.25) + max(0.0, np.hypot(p[3], p[4]) - 1.35)
        penalty += max(0.0, np.hypot(p[0], p[1]) / start.major_px - 0.35)
        ring = ring_of(p)
        return -_band(picture, ring)[0] - ROUNDNESS_WEIGHT * _roundness(still, ring) + 10 * penalty

    flat = -np.log(start.minor_px / start.major_px)
    p = np.array([0, 0, 0, flat * np.cos(2 * start.tilt_rad), flat * np.sin(2 * start.tilt_rad)])
    step = np.diag([0.1 * start.major_px, 0.1 * start.major_px, 0.1, 0.12, 0.12])
    blurred = cv2.GaussianBlur(activity, (0, 0), max(1.0, 0.06 * start.major_px))
    for picture, size in ((blurred, 1.0), (activity, 0.3)):  # coarse to fine
        simplex = np.vstack([p, p + size * step])
        options = {"initial_simplex": simplex, "maxfev": 110, "xatol": 1e-3, "fatol": 1e-5}
        p = minimize(cost, p, args=(picture,), method="Nelder-Mead", options=options).x
    ring = ring_of(p)
    if radii is not None:
        return ring
    _, inner, outer = _band(activity, ring)  # let the unit be the middle of the annulus
    middle = 0.5 * (inner + outer)
    return Ellipse(ring.x_px, ring.y_px, ring.major_px * middle, ring.minor_px * middle, ring.tilt_rad)


# --------------------------------------------------------------------- what turns


def _profiles(frames: Image, ring: Ellipse) -> FloatArray:
    """Unroll the ring of every frame to (frames, ANGLES)."""
    angle = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    radii = (0.94, 1.0, 1.06)
    grid = np.stack([np.stack(ring_points(ring, r, angle)) for r in radii]).astype(np.float32)
    out = np.empty((len(frames), ANGLES))
    for k, picture in enumerate(frames):
        out[k] = cv2.remap(picture, grid[:, 0], grid[:, 1], cv2.INTER_LINEAR).mean(0)
    return out


def _radial_contrast(frames: Image, ring: Ellipse, pattern: Pattern) -> tuple[FloatArray, Pattern]:
    """How strongly the mark shows at each of `BAND_RADII` (best = 1), and the better pattern.

    The mark's own radii are found by asking every radius how much of the turning pattern it
    carries; the pattern is then taken again from those radii alone.
    """
    angle = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    unrolled = np.stack([_sampled(f, ring, BAND_RADII, angle) for f in frames])
    change = unrolled - np.median(unrolled, axis=0)
    for _ in range(2):
        shift = np.rint(pattern.angles_rad * ANGLES / (2 * np.pi)).astype(int)
        index = (np.arange(ANGLES) - shift[:, None]) % ANGLES
        turned = pattern.shape[index]
        contrast = np.einsum("kra,ka->r", change, turned)
        contrast = ndimage.gaussian_filter1d(np.maximum(contrast, 0.0), 0.7)
        weights = contrast / max(float(contrast.max()), 1e-12)
        weights[weights < 0.15] = 0.0
        profiles = np.einsum("kra,r->ka", unrolled, weights / max(float(weights.sum()), 1e-12))
        pattern = turning_pattern(profiles)
    return weights, pattern


def _edges(weights: FloatArray) -> tuple[float, float]:
    """Inner and outer edge of the radii at which the mark shows at half strength or more."""
    top = int(np.argmax(weights))
    low, high = top, top
    while low > 0 and weights[low - 1] >= 0.5:
        low -= 1
    while high < len(weights) - 1 and weights[high + 1] >= 0.5:
        high += 1
    return float(BAND_RADII[low] - BAND_STEP / 2), float(BAND_RADII[high] + BAND_STEP / 2)


def _weighted(frames: Image, ring: Ellipse, weights: FloatArray) -> FloatArray:
    angle = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    share = (weights / weights.sum())[:, None]
    return np.stack([(_sampled(f, ring, BAND_RADII, angle) * share).sum(0) for f in frames])


def turning_pattern(profiles: FloatArray) -> Pattern:
    """Line up ring profiles and say how much of their change one turning pattern explains.

    Parameters
    ----------
    profiles : (K, N) array
        Brightness along the ring, one row a frame.

    Returns
    -------
    Pattern
        Turn of the pattern in each frame, its shape, and the share it explains.
    """
    count, angles = profiles.shape
    change = profiles - np.median(profiles, axis=0)
    change -= change.mean(axis=1, keepdims=True)
    energy = (change**2).sum(1)
    use = energy <= 4 * np.median(energy) + 1e-12  # hands and falls stay out
    spectra = np.fft.rfft(change, axis=1)
    strongest = int(np.argmax(np.where(use, energy, -1)))
    model = spectra[strongest].copy()
    harmonics = np.arange(spectra.shape[1])
    shifts = np.zeros(count, np.int64)
    for _ in range(8):
        shifts = np.argmax(np.fft.irfft(spectra * model.conj(), angles, axis=1), axis=1)
        turned = spectra * np.exp(2j * np.pi * harmonics * shifts[:, None] / angles)
        model = turned[use].mean(0)
    shape = np.fft.irfft(model, angles)
    # leave-one-out: a frame must not explain itself
    own = np.fft.irfft(turned[use], angles, axis=1)
    others = (shape * use.sum() - own) / max(1, use.sum() - 1)
    fitted = (own * others).sum() / max(float((others**2).sum()), 1e-12)
    left = ((own - fitted * others) ** 2).sum()
    total = max(float((own**2).sum()), 1e-12)
    explained = max(0.0, 1.0 - float(left) / total) if fitted > 0 else 0.0
    noise = float(np.sqrt(left / own.size))
    signal = float(np.sqrt((shape**2).sum() * use.sum()))
    angle = shifts * (2 * np.pi / angles)
    return Pattern(angle, shape, explained, signal / max(noise, 1e-9))


def count_marks(profiles: FloatArray, *, bright: bool) -> int:
    """Count equal marks (1 to 4) by the humps that single frames show.

    Parameters
    ----------
    profiles : (K, N) array
        Brightness along the ring, one row a frame.
    bright : bool
        Whether the marks are brighter than the top.

    Returns
    -------
    int
        The number of humps of like height and even spacing that most frames agree on.

    Notes
    -----
    Humps are counted frame by frame, since a rolling shutter shifts each mark by its own
    amount: their distances change from frame to frame, and a mean over frames smears them.
    """
    angles = profiles.shape[1]
    level = np.median(profiles, axis=0)
    change = (profiles - level) / np.maximum(level, 0.1 * level.max())  # paint scales the light
    energy = change.var(axis=1)
    change = change[energy <= 4 * np.median(energy) + 1e-12]
    kernel = np.exp(-0.5 * (np.arange(-12, 13) / (angles / 85)) ** 2)
    smooth = ndimage.convolve1d(change, kernel / kernel.sum(), axis=1, mode="wrap")
    smooth *= 1.0 if bright else -1.0
    strength = ndimage.uniform_filter1d(np.percentile(smooth, 95, axis=0), angles // 8, mode="wrap")
    smooth /= np.maximum(strength, 0.2 * strength.max())
    votes = np.zeros(5)
    for row in smooth:
        top = row.max()
        peaks = np.flatnonzero((row > np.roll(row, 1)) & (row >= np.roll(row, -1)) & (row > 0.5 * top))
        spacing = np.diff(np.append(peaks, peaks[0] + angles)) * len(peaks) / angles
        if len(peaks) <= 4 and np.all(abs(spacing - 1) < 0.35):
            votes[len(peaks)] += 1
    return int(np.argmax(votes[1:])) + 1 if votes.any() else 1


def _skew(shape: FloatArray) -> float:
    centred = shape - np.median(shape)
    return float((centred**3).sum())


__all__ = ["NoTop", "Pattern", "count_marks", "survey", "turning_pattern"]
