"""What does a test clip say of the attempt to come?

The clip is measured as an attempt would be; beside the result a few frames are looked at for
what a filmer can change: light, focus, contrast, the room that the top has to wander.  Every
figure gets a light and, unless that is green, a remedy.

References
----------
F. Crete et al., "The blur effect: perception and estimation with a new no-reference perceptual
blur metric", Proc. SPIE 6492 (2007) 64920I, as scikit-image's `blur_effect` (focus).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.measure import blur_effect

from vidspin.calibration.exposure import by_best_alone
from vidspin.camera import LONGEST_TRACE_RAD, frame_times, trace_length
from vidspin.records import FloatArray, Frame, Result, SightingFlag, Survey
from vidspin.ring import even_angles, ring_points
from vidspin.uncertainty import NORMAL_95
from vidspin.units import degrees_from_rad, rpm_from_rad_s
from vidspin.wording import alone

GREEN, AMBER, RED = "green", "amber", "red"
ANGLES = 256
REACH = 1.35  # of the ring: how much of the top's surroundings is looked at
FULL_WHITE, LIMITED_WHITE = 253, 234
GRAIN_PX = 1.5  # noise would pass for sharpness
# Blur of tops in focus over which a Gaussian of 1.3 and 4 px is laid: edges then rise over 4 and
# 8 px (six ray-traced clips, two scenes: 0.70 to 0.75 and 0.88 to 0.90; a drawn disc 0.73, 0.89).
SOFT, BLURRED = 0.73, 0.88
NOT_FREE = int(SightingFlag.NOT_SPINNING_FREELY)


@dataclass(frozen=True, slots=True)
class Sight:
    """What a few frames show."""

    contrast: float  # of the mark in the ring, grey levels
    noise: float  # of one picture element, grey levels
    blur: float  # of the top: 0 sharp, 1 nothing but blur
    clipped: float  # share of the top that is white
    trace_rad: (
        float | None
    )  # length of the mark's trace, smear included; None: a large part of a turn
    flicker: float  # swing of the light over neighbouring frames, of its mean


@dataclass(frozen=True, slots=True)
class Judged:
    """One question about the clip."""

    name: str
    light: str  # green, amber or red
    figure: str
    remedy: str  # empty where the light is green


def sight(groups: Sequence[Sequence[Frame]], survey: Survey, *, full_range: bool) -> Sight:
    """Look at some frames.

    Parameters
    ----------
    groups : sequence of sequences of Frame
        Runs of neighbouring frames from different parts of the clip.
    survey : Survey
    full_range : bool
        Whether white is 255 instead of 235.
    """
    runs = [np.stack([_crop(f, survey) for f in run]) for run in groups if len(run) > 2]
    stack = np.concatenate(runs)
    still = np.median(stack, axis=0)
    ring = np.stack([_ring(one, survey) for one in stack])
    away = ring - np.median(ring, axis=0)
    inside, outside = _inside(survey, still.shape)
    steps = np.concatenate([np.diff(run, axis=0)[:, outside].ravel() for run in runs])
    white = FULL_WHITE if full_range else LIMITED_WHITE
    lit = (still >= 0.5 * np.median(still[inside])) & (still < white)
    return Sight(
        contrast=float(np.percentile(np.abs(away), 99)),
        noise=1.4826 * float(np.median(np.abs(steps))) / np.sqrt(2.0),
        blur=_blur(still),
        clipped=float((stack[:, inside] >= white).mean()),
        trace_rad=_trace(away),
        flicker=max(_swing(run[:, lit]) for run in runs),
    )


def _swing(run: NDArray[np.float32]) -> float:
    """Swing of the light over a run of frames, of its mean; elements along the second axis.

    What the mark passes over changes most, and a lamp changes all alike: the half that changes
    least tells the lamp without the mark.
    """
    if not run.shape[1]:
        return 0.0
    unrest = run.std(axis=0) / np.maximum(run.mean(axis=0), 1.0)
    level = run[:, unrest <= np.median(unrest)].mean(axis=1)
    return float(np.ptp(level) / max(level.mean(), 1.0))


def _crop(frame: Frame, survey: Survey) -> NDArray[np.float32]:
    """Cut the top out, grey levels of 8 bits; edges are continued."""
    r, half = survey.ring, int(np.ceil(REACH * survey.ring.major_px))
    size = (2 * half + 1, 2 * half + 1)
    luma = frame.luma if frame.luma.dtype == np.uint8 else (frame.luma // 4).astype(np.uint8)
    cut = cv2.getRectSubPix(np.ascontiguousarray(luma), size, (r.x_px, r.y_px))
    return np.asarray(cut, np.float32)


def _ring(crop: NDArray[np.float32], survey: Survey) -> FloatArray:
    r, half = survey.ring, crop.shape[0] // 2
    x, y = ring_points(r, 1.0, even_angles(ANGLES))
    at = [(v - centre + half).astype(np.float32)[None] for v, centre in ((x, r.x_px), (y, r.y_px))]
    return np.asarray(cv2.remap(crop, at[0], at[1], cv2.INTER_LINEAR)[0], np.float64)


def _inside(survey: Survey, shape: tuple[int, ...]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Elements of the top within its ring, and those well outside of it."""
    r, half = survey.ring, shape[0] // 2
    yy, xx = np.mgrid[0 : shape[0], 0 : shape[1]] - half
    cos, sin = np.cos(r.tilt_rad), np.sin(r.tilt_rad)
    rho = np.hypot((xx * cos + yy * sin) / r.major_px, (yy * cos - xx * sin) / r.minor_px)
    return rho < 1.1, rho > 1.25


def _trace(away: FloatArray) -> float | None:
    lengths = [trace_length(row) for row in away]
    known = [one for one in lengths if one is not None]
    return float(np.median(known)) if len(known) > len(lengths) / 2 else None


def _blur(still: NDArray[np.float32]) -> float:
    soft = cv2.GaussianBlur(still.astype(np.float32), (0, 0), GRAIN_PX)
    return float(blur_effect(soft))  # type: ignore[no-untyped-call]


# ----------------------------------------------------------------------------- judging


def _light(value: float, green: float, amber: float) -> str:
    """Rank a value where less is better (green below `green`, amber below `amber`)."""
    return GREEN if value <= green else AMBER if value <= amber else RED


def _row(name: str, light: str, figure: str, remedy: str) -> Judged:
    return Judged(name, light, figure, "" if light == GREEN else remedy)


def judge(seen: Sight, result: Result) -> tuple[Judged, ...]:
    """Judge a test clip.

    Parameters
    ----------
    seen : Sight
    result : Result
        The clip measured as an attempt would be.

    Returns
    -------
    tuple of Judged
    """
    return (*_picture_rows(seen, result), *_course_rows(result), *_worth_rows(result))


def _picture_rows(seen: Sight, result: Result) -> list[Judged]:
    r, chapter = result.survey.ring, result.footage.chapters[0]
    ratio = seen.contrast / max(seen.noise, 0.3)
    edges = [r.x_px, chapter.width - 1 - r.x_px, r.y_px, chapter.height - 1 - r.y_px]
    reach = max(result.survey.outer, 1.0)
    halves = [reach * r.major_px] * 2 + [reach * max(r.minor_px, 1.0)] * 2
    room = max(0.0, min(e - h for e, h in zip(edges, halves, strict=True)) / r.major_px)
    return [
        _row("mark contrast", _light(-ratio, -10.0, -4.0),
             f"{seen.contrast:.0f} grey levels, {ratio:.0f} times the noise",
             "paint the mark blacker or whiter, or light the top better"),
        _row("smear", _light((seen.trace_rad or 9.0) * result.survey.marks, 0.8, LONGEST_TRACE_RAD),
             _trace_words(seen.trace_rad), "expose shorter, with more light; a smaller mark"),
        _row("focus", _light(seen.blur, SOFT, BLURRED),
             f"blur {seen.blur:.2f} (0 sharp, 1 nothing but blur)",
             "lock the focus on the top, and clean the lens"),
        _row("clipping", _light(seen.clipped, 0.03, 0.2), f"{seen.clipped:.1%} of the top is white",
             "less exposure, or turn the lamp so that it is not mirrored"),
        _row("flicker", _light(seen.flicker, 0.03, 0.2),
             f"the light swings by {seen.flicker:.1%} of its mean",
             "daylight or a lamp on direct current; no longer exposure, which smears the mark"),
        _row("size", _light(-r.major_px, -60.0, -20.0),
             f"the mark runs on a path of radius {r.major_px:.0f} px",
             "go nearer or film at a higher resolution"),
        _row("room", _light(-room, -0.5, -0.15),
             f"{room * r.major_px:.0f} px to the nearest edge, {room:.1f} radii",
             "go farther away or put the top in the middle: it may wander"),
    ]  # fmt: skip


def _trace_words(trace_rad: float | None) -> str:
    if trace_rad is None:
        return f"the mark's trace is longer than {degrees_from_rad(LONGEST_TRACE_RAD):.0f} deg"
    return f"the mark's trace is {degrees_from_rad(trace_rad):.0f} deg long"


def _course_rows(result: Result) -> list[Judged]:
    s = result.sightings
    steady = (s.flags & ~NOT_FREE) == 0
    both = steady[1:] & steady[:-1]
    steps = np.hypot(np.diff(s.x_px), np.diff(s.y_px))[both]
    shake = float(np.sqrt(np.mean(steps**2)) / np.sqrt(2.0)) if len(steps) else float("nan")
    tick = float(result.footage.chapters[0].time_base) * float(result.footage.time_scale)
    rate = float(result.footage.frame_rate)
    jitter, missing = frame_times(s.time_s, rate, tick)
    free = (s.flags & NOT_FREE) == 0
    read = float(np.isfinite(s.angle_rad[free]).mean()) if free.any() else 0.0
    return [
        _row("steadiness", _light(shake, 0.3, 2.0), f"{shake:.2f} px from frame to frame",
             "put the phone on a stand and do not touch it; switch stabilisation off"),
        _row("frame drops", _light(missing, 0.002, 0.05), f"{missing:.2%} of frames are missing",
             "close other programs, free the disk, let the phone cool"),
        _row("frame times", _light(jitter * rate, 0.05, 0.25),
             f"uneven by {jitter * 1e3:.2f} ms beyond the file's ticks",
             "lock the frame rate; more light keeps phones from changing it"),
        _row("mark read", _light(1 - read, 0.05, 0.4), f"in {read:.0%} of the frames",
             "keep hands and shadows away, and see the rows above"),
    ]  # fmt: skip


def open_uncertainties(result: Result) -> tuple[tuple[float, float], ...]:
    """Say how exact the speed would be under each order that the clip leaves open.

    Parameters
    ----------
    result : Result
        The clip measured as an attempt would be.

    Returns
    -------
    tuple of (float, float)
        Signed speed of a candidate, and the expanded uncertainty (95 %) without the clock's
        rate, whose part grows with the speed; both in rev/min, best order first.  Empty where no
        speed came out.

    Notes
    -----
    The median over the clip: what readout and geometry leave beats with the apparent speed, so
    that one instant may be twice as good as its neighbour.  The curve belongs to the best order.
    Readout and exposure are seen as angles, which are times of less doubt the faster the top:
    under another order the doubt about a stamp's instant goes in inverse ratio to the speed.  A
    camera profile knows both as times.  That the orders need other readouts is no doubt under any
    one of them, and comes off.
    """
    curve, cast = result.curve, result.alias.candidates
    known = np.isfinite(curve.u95_speed_rad_s) & np.isfinite(curve.slope_rad_s2)
    if not known.any():
        return ()
    shutter, facts = result.shutter, result.footage
    interval_s = 1.0 / (float(facts.frame_rate) * (1.0 + 1e-6 * facts.clock_ppm))  # as measured
    offset = shutter.centre_row_offset_s
    own = by_best_alone(offset, shutter.readout_s, result.alias, interval_s)
    slope = NORMAL_95 * curve.slope_rad_s2[known]
    shut = 1.0 / (1.0 + result.settings.odds_needed)
    still_open = cast[:1] if result.alias.resolved else [c for c in cast if c.probability > shut]
    out = []
    for one in still_open:
        times = abs(cast[0].rpm / one.rpm) if one.rpm and result.settings.camera is None else 1.0
        more = (times * own.u) ** 2 - offset.u**2
        square = curve.u95_speed_rad_s[known] ** 2 + slope**2 * more
        u95 = float(np.sqrt(np.median(np.maximum(square, 0.0))))
        out.append((one.rpm, float(rpm_from_rad_s(u95))))
    return tuple(out)


def _worth_rows(result: Result) -> list[Judged]:
    rows, curve = [], result.curve
    known = [u95 for _, u95 in open_uncertainties(result)]
    if known:
        typical = float(rpm_from_rad_s(float(np.nanmedian(curve.speed_rad_s))))
        if result.alias.resolved:  # another speed has another uncertainty
            u95 = float(rpm_from_rad_s(float(np.nanmedian(curve.u95_total_rad_s))))
            figure = f"± {alone(u95)} rev/min at {typical:.0f} rev/min (95 %)"
        else:
            least, most = alone(min(known)), alone(max(known))
            span = least if least == most else f"{least} to {most}"
            figure = f"± {span} rev/min by which speed is true (95 %, without the clock's rate)"
        share = known[0] / NORMAL_95 / max(typical, 1e-9)
        rows.append(_row("uncertainty", _light(share, 3e-4, 1e-2), figure, "see the rows above"))
    light, figure = (GREEN, "this clip tells it") if result.alias.resolved else (
        AMBER, f"this clip leaves {len(result.alias.candidates)} speeds open")  # fmt: skip
    ways = "use a higher frame rate" if result.settings.camera is not None else (
        "use a camera profile or a higher frame rate")  # fmt: skip
    remedy = f"film the attempt until the top falls, or {ways}"
    return [*rows, _row("alias order", light, figure, remedy)]


def measurable(rows: Sequence[Judged]) -> bool:
    """Whether an attempt filmed like the clip would be measurable: nothing is red."""
    return all(row.light != RED for row in rows)
