"""RMS error of the speed against the Cramér-Rao bound worked out from the pictures.

    python tests/bench/speed_bound.py [--trials 200] [--processes 2] [--loss 300] [--noise 6]
                                      [--contrasts -24] [--mark dot] [--exposure 0.002] [--told]
                                      [--seconds 10]

Each trial draws a clip of a top in white noise (another speed, mark angle, grain and noise each
time), measures it as `vidspin measure` does, and compares the speed in the middle row of the
curve with the truth.

The bound.  One frame tells the mark angle with the Fisher information
``sum((dI/dangle)**2) / noise**2`` over all elements of the picture, where I is the renderer's
picture before noise and rounding.  Over the frames of the window that the curve really used, the
phase is ``p + w t + a t**2 / 2`` with all three unknown, so the least variance of the centre
speed w is an element of the inverse of ``sum(information * x x')``, ``x = (1, t, t**2 / 2)``
(Tretter, IEEE Trans. Inf. Theory 31 (1985) 832-835, with unequal variances).  All else, the
top's place, its look, the mark's look, readout and exposure, counts as known: the bound is lower
than any method could reach that has to learn these from the clip.  With --told the program is
given readout and exposure too, as a camera profile with a locked exposure gives them.

The check of the bound.  The same noisy frames are given to an estimator that knows the true
picture and its derivative (one step of least squares from the truth); what it loses against the
bound is what rounding to 8 bits and clipping cost, since the bound counts the drawn noise alone.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # the package

import cv2  # noqa: E402 - after the number of threads is set
import numpy as np  # noqa: E402

from vidspin.errors import VidspinError  # noqa: E402
from vidspin.measure import measure  # noqa: E402
from vidspin.records import CameraProfile, FloatArray, Quantity, Settings  # noqa: E402
from vidspin.simulate import (  # noqa: E402
    ExponentialLoss,
    Renderer,
    Scene,
    SimulatedFootage,
    frame_times,
    mark_angle,
    speed,
)
from vidspin.simulate.picture import BLACK, WHITE  # noqa: E402
from vidspin.units import rpm_from_rad_s  # noqa: E402

CONTRASTS = (-96.0, -48.0, -24.0)  # grey levels of the mark against the face
SPEED = 166.0  # rad/s, 1585 rev/min, and up to 4 % more or less
BOUNDS = 0.1  # stated by the user; the nearest other candidate is 16 % off or more
STEP_RAD = 2e-3  # of the numeric derivative: a twelfth of a picture element at the ring
TOLD_U_S = 5e-5
LIMIT = 1.3  # RMS error allowed, in bounds
RIGHT_ORDER = 0.1  # of the speed; a wrong order or direction is farther off
FAR_RAD = 0.3  # an angle farther off is no sighting of the mark
HEAD = (
    "contrast bound/rpm   RMS/rpm  ratio   bias spread knowing  angle stated window  clipping"
    " trials failed"
)
LEGEND = (
    "ratio, bias, spread, knowing and stated are in bounds: RMS, mean and standard deviation of\n"
    "the error, RMS error with the picture known, median stated standard uncertainty; angle: the\n"
    "error of one frame's angle, in its own bound"
)


@dataclass(frozen=True)
class Trial:
    """One clip: what failed, or the error of the speed and what it is to be held against."""

    failure: str
    error: float = np.nan  # rad/s
    bound: float = np.nan
    knowing: float = np.nan  # error of the estimator that knows the picture
    stated: float = np.nan  # standard uncertainty without the clock
    window_s: float = np.nan
    angle_error: float = np.nan  # of a frame of the window, about a smooth course, rad
    angle_bound: float = np.nan  # root mean square of the frames' bounds, rad
    clipped: float = np.nan  # share of the window's information at places that may clip


@dataclass(frozen=True)
class Kind:
    """What all trials of a run share."""

    noise: float  # grey levels
    loss_s: float  # in which the speed falls to 1/e
    mark: str
    exposure_s: float
    told: bool  # readout and exposure are known to the program as well
    seconds: float  # of a clip


def scene_of(kind: Kind, contrast: float, number: int) -> Scene:
    """Draw what differs between trials; no two trials of a run share their noise."""
    seed = number * len(CONTRASTS) + CONTRASTS.index(contrast)
    rng = np.random.default_rng([seed, 11])
    return Scene(
        width=320, height=180, seconds=kind.seconds, law=ExponentialLoss(kind.loss_s),
        speed_rad_s=SPEED * rng.uniform(0.96, 1.04), first_angle_rad=rng.uniform(0, 2 * np.pi),
        mark=kind.mark, mark_contrast=contrast, exposure_s=kind.exposure_s, noise=kind.noise,
        seed=seed,
    )  # fmt: skip


def profile_of(scene: Scene) -> CameraProfile:
    """Write down the scene's readout and exposure, each known to a twentieth of a millisecond."""
    readout, exposure = (
        Quantity(value, TOLD_U_S, "told") for value in (scene.readout_s, scene.exposure_s)
    )
    return CameraProfile(
        "bench", scene.width, scene.height, scene.frame_rate, readout, exposure, True
    )


def grey(renderer: Renderer, index: int) -> FloatArray:
    """Grey levels of a frame before noise and rounding."""
    return renderer.signal(index).astype(np.float64) * (WHITE - BLACK) + BLACK


@dataclass(frozen=True)
class Told:
    """What the F frames of a window tell of the mark angle."""

    information: FloatArray  # (F,) 1/rad**2
    knowing: FloatArray  # (F,) error of the estimator that knows the picture, rad
    clipped: FloatArray  # (F,) share of the information within three sigma of a limit


def tell(scene: Scene, frames: list[int]) -> Told:
    """Work out frame by frame what the picture tells of the angle."""
    first = scene.first_angle_rad
    ahead, behind, drawn = (
        Renderer(replace(scene, first_angle_rad=first + shift))
        for shift in (STEP_RAD / 2, -STEP_RAD / 2, 0.0)
    )
    rows = []
    for k in frames:
        slope = (grey(ahead, k) - grey(behind, k)) / STEP_RAD
        exact, seen = grey(drawn, k), drawn.frame(k).luma.astype(np.float64)
        square = slope * slope
        total = float(square.sum())
        near = (exact < 1 + 3 * scene.noise) | (exact > 254 - 3 * scene.noise)
        error = float((slope * (seen - exact)).sum()) / total
        rows.append((total / scene.noise**2, error, float(square[near].sum()) / total))
    return Told(*np.array(rows).T)


def centre_speed(since_s: FloatArray, told: Told) -> tuple[float, float]:
    """Least standard deviation of the speed at a window's centre, and the knowing error."""
    x = np.stack([np.ones_like(since_s), since_s, since_s**2 / 2], 1)
    inverse = np.linalg.inv((x * told.information[:, None]).T @ x)
    error = inverse @ (x.T @ (told.information * told.knowing))
    return float(np.sqrt(inverse[1, 1])), float(error[1])


def trial(job: tuple[Kind, float, int]) -> Trial:
    """Measure one clip."""
    cv2.setNumThreads(1)
    scene = scene_of(*job)
    rpm = rpm_from_rad_s(scene.speed_rad_s)
    settings = Settings(
        bounds_rpm=((1 - BOUNDS) * rpm, (1 + BOUNDS) * rpm),
        camera=profile_of(scene) if job[0].told else None,
    )
    try:
        result = measure(SimulatedFootage(scene), settings, version="bench",
                         created="2024-05-01T12:00:00Z")  # fmt: skip
    except VidspinError as error:
        return Trial(error.what)
    if not result.alias.resolved:
        return Trial("unresolved")
    curve = result.curve
    row = len(curve.time_s) // 2
    centre, window = float(curve.time_s[row]), float(curve.window_s[row])
    error = float(curve.speed_rad_s[row] - speed(scene, curve.time_s[row : row + 1])[0])
    if not np.isfinite(error):
        return Trial("no speed in the middle row")
    if abs(error) > RIGHT_ORDER * scene.speed_rad_s:
        return Trial("WRONG ORDER OR DIRECTION")
    time_s = frame_times(scene).start_s + scene.centre_row_offset_s
    inside = np.flatnonzero(np.abs(time_s - centre) <= window / 2)
    since, told = time_s[inside] - centre, tell(scene, inside.tolist())
    bound, knowing = centre_speed(since, told)
    off = (result.sightings.angle_rad - mark_angle(scene, time_s))[inside]
    off = np.mod(off + np.pi, 2 * np.pi) - np.pi
    good = np.abs(off) < FAR_RAD  # NaN is not
    if not good.any():
        return Trial("THE ANGLE IS NOT THE MARK'S")
    smooth = np.polynomial.Polynomial.fit(since[good], off[good], 2)
    scatter = np.sum((off[good] - smooth(since[good])) ** 2) / max(good.sum() - 3, 1)
    return Trial(
        "", error, bound, knowing, float(curve.u_speed_rad_s[row]), window, float(np.sqrt(scatter)),
        float(np.sqrt(np.mean(1 / told.information))),
        float(np.average(told.clipped, weights=told.information)),
    )  # fmt: skip


def rms(values: FloatArray) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(values**2)))


def report(contrast: float, trials: list[Trial]) -> float:
    """Print the row of one contrast; its ratio."""
    good = [t for t in trials if not t.failure]
    if not good:
        print(f"{contrast:8.0f}  every trial failed")
        return np.inf
    column = {
        name: np.array([getattr(t, name) for t in good])
        for name in Trial.__dataclass_fields__
        if name != "failure"
    }
    ratio = column["error"] / column["bound"]
    rpm = rpm_from_rad_s(1.0)
    angle = column["angle_error"] / column["angle_bound"]
    print(
        f"{contrast:8.0f} {rms(column['bound']) * rpm:9.5f} {rms(column['error']) * rpm:9.5f}"
        f" {rms(ratio):6.3f} {ratio.mean():+6.2f} {np.std(ratio):6.3f}"
        f" {rms(column['knowing'] / column['bound']):7.3f} {rms(angle):6.3f}"
        f" {np.median(column['stated'] / column['bound']):6.2f}"
        f" {np.median(column['window_s']):6.2f} {column['clipped'].mean():8.2%}"
        f" {len(good):6d} {len(trials) - len(good):6d}",
        flush=True,
    )
    for failure, count in Counter(t.failure for t in trials if t.failure).items():
        print(f"{'':8s}   {count} x {failure}")
    return rms(ratio)


def arguments() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--contrasts", type=float, nargs="+", default=CONTRASTS, help="[all three]")
    parser.add_argument("--trials", type=int, default=200, help="a contrast [200]")
    parser.add_argument("--processes", type=int, default=2, help="[2]")
    parser.add_argument("--loss", type=float, default=300.0, help="s to 1/e of the speed [300]")
    parser.add_argument("--noise", type=float, default=6.0, help="grey levels [6]")
    parser.add_argument("--mark", choices=("dot", "stripe"), default="dot")
    parser.add_argument("--exposure", type=float, default=0.002, help="s [0.002]")
    parser.add_argument("--told", action="store_true", help="tell readout and exposure")
    parser.add_argument("--seconds", type=float, default=10.0, help="of a clip [10]")
    return parser.parse_args()


def main() -> int:
    """Run the trials and print the table; 1 when a ratio is above 1.3."""
    told = arguments()
    kind = Kind(told.noise, told.loss, told.mark, told.exposure, told.told, told.seconds)
    start = time.perf_counter()
    print(kind)
    print(f"rounding to whole levels adds {1 / 12 / told.noise**2:.2%} to the noise's variance")
    print(HEAD, flush=True)
    ratios = []
    with multiprocessing.get_context("spawn").Pool(told.processes) as pool:
        for contrast in told.contrasts:
            trials: list[Trial] = []
            jobs = [(kind, contrast, k) for k in range(told.trials)]
            for done in pool.imap(trial, jobs):
                trials.append(done)
                if len(trials) % 50 == 0 and len(trials) < told.trials:
                    report(contrast, trials)
            ratios.append(report(contrast, trials))
    print(f"{time.perf_counter() - start:.0f} s with {told.processes} processes\n{LEGEND}")
    return int(max(ratios) > LIMIT)


if __name__ == "__main__":
    raise SystemExit(main())
