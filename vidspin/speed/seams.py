"""How long was nothing filmed between two chapters?

The files do not say it, and they are drawn one frame interval apart.  A top that slows is slower
after a gap by what it lost meanwhile, and its phase says by which part of a turn it went on: the
spin itself tells the time between the chapters, or the time that both hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspin.phase.breaks import BRIEF_S, Step, steps_across
from vidspin.phase.continuous import LEAST_SIGHTINGS, Phase, seams_of
from vidspin.phase.missing import missing_time
from vidspin.records import Check, FloatArray, IntArray, Revolutions
from vidspin.speed.scatter import FIRST_WINDOW_S
from vidspin.speed.turning import Noise, Turning
from vidspin.uncertainty import NORMAL_95

# More than the doubt about creation times allows is no seam of one recording (`joining`), and may
# be a spin that began anew.
MOST_BETWEEN_S = 2.0
AGREES = 1.3  # times the doubt of the slowing alone; chance is beyond it once in a hundred
SIDE_S = 1.5  # from which the drawn step of the angle is taken
CARRIED = 0.2  # of a mark spacing, u95 up to which a side may be carried to the seam
NAME = "time between chapters"
WHY = "creation times are whole seconds, written at the start or at the end of a file"


@dataclass(frozen=True, slots=True)
class Seam:
    """What the spin tells of the time between two chapters."""

    time_s: float  # in the drawn time, with one frame interval between the chapters
    seconds: float | None = None  # beyond that interval; None: the spin does not tell
    u95_s: float = 0.0
    turns: float = 0.0  # beyond those of the drawn angle
    u95_turns: float = 0.0


def seams_told(  # noqa: PLR0913 - the spin, where its chapters begin, and what is known of it
    turning: Turning,
    noise: Noise,
    chapter: IntArray,
    *,
    marks: int,
    frame_s: float,
    resolved: bool,
    breaks_s: Sequence[float] = (),
) -> tuple[Seam, ...]:
    """Tell the time between chapters from the speed and phase on both sides.

    Parameters
    ----------
    turning, noise
        As for `curve.spin_curve`.
    chapter : (N,) array
        File of each frame.
    marks : int
    frame_s : float
        Nominal frame interval.
    resolved : bool
        Whether the alias order is known: only then the phase narrows the time down.
    breaks_s : sequence of float
        Where the spin is not one piece: nothing is carried across these.

    Returns
    -------
    tuple of Seam
        All of the recording; those outside of the free spin are not told.
    """
    every = seams_of(turning.time_s, chapter)
    phase = _phase(turning, noise, chapter, marks, frame_s) if every else None
    if phase is None:
        return tuple(Seam(s) for s in every)
    first, last = float(phase.time_s[0]), float(phase.time_s[-1])
    edges = sorted({first - 1.0, last + 1.0, *every, *breaks_s})
    told = []
    for at in every:
        sides = max(e for e in edges if e < at), min(e for e in edges if e > at)
        near = min(at - sides[0], sides[1] - at) < BRIEF_S
        if not first < at < last or near:
            told.append(Seam(at))
            continue
        told.append(_told(turning, noise, phase, at, sides, marks=marks, resolved=resolved))
    return tuple(told)


def _phase(
    turning: Turning, noise: Noise, chapter: IntArray, marks: int, frame_s: float
) -> Phase | None:
    rows = np.flatnonzero(turning.free & np.isfinite(noise.smooth_rad))
    if len(rows) < 2:
        return None
    t = turning.time_s[rows]
    return Phase(
        time_s=t,
        angle_rad=turning.angle_rad[rows],  # beside a seam no smooth curve is near them
        u_rad=turning.u_rad[rows] * noise.scale[rows],
        omega_rad_s=np.gradient(noise.smooth_rad[rows], t),
        period_rad=2 * np.pi / marks,
        frame_s=frame_s,
        seam=np.diff(chapter[rows], prepend=chapter[rows[:1]]) != 0,
    )


def _told(  # noqa: PLR0913 - as seams_told
    turning: Turning, noise: Noise, phase: Phase, at_s: float, sides_s: tuple[float, float], *,
    marks: int, resolved: bool,
) -> Seam:  # fmt: skip
    steps = steps_across(phase, at_s, sides_s, widening=float(np.sqrt(noise.spread)))
    drawn = _drawn_turns(turning, at_s, marks)
    if steps is None or drawn is None:
        return Seam(at_s)
    brief, long = (_with_leftovers(turning, phase, step, sides_s) for step in steps)
    known = {name: getattr(brief, name) for name in ("turns", "u_turns", "speed_rad_s")}
    step = replace(long, **known)
    slowed = missing_time(step, order_known=False)
    missing = missing_time(step, order_known=resolved, marks=marks)
    if missing is None or slowed is None or step.speed_rad_s <= 0:
        return Seam(at_s)
    if abs(missing.seconds) + missing.u95_s > MOST_BETWEEN_S:
        return Seam(at_s)
    if abs(missing.seconds - slowed.seconds) > AGREES * slowed.u95_s:
        return Seam(at_s)  # something touched the top meanwhile
    u95_s = missing.u95_s
    if missing.by_phase:  # the mean speed of both sides carries it over the gap
        unsure = NORMAL_95 * missing.seconds * brief.u_rate_rad_s / 2
        bend = missing.seconds**3 * step.slope_rad_s2**2 / step.speed_rad_s / 12
        u95_s = float(np.linalg.norm([u95_s, *np.array([unsure, bend]) / step.speed_rad_s]))
    # the step is known up to whole mark spacings; the drawn angle took one of them
    drawn = step.turns + round((drawn - step.turns) * marks) / marks
    turn_s = 2 * np.pi / step.speed_rad_s
    return Seam(at_s, missing.seconds, u95_s, missing.seconds / turn_s - drawn, u95_s / turn_s)


def _with_leftovers(
    turning: Turning, phase: Phase, step: Step, sides_s: tuple[float, float]
) -> Step:
    """Widen a step by what readout, geometry and the top's place leave: it moves a whole side.

    A top that wanders on its base goes to other places on one side than on the other.
    """
    at_s, answers = step.time_s, []
    known = np.isin(turning.time_s, phase.time_s) & np.isfinite(turning.angle_rad)
    known &= (turning.time_s >= sides_s[0]) & (turning.time_s < sides_s[1])
    far = np.abs(turning.time_s - at_s)
    for side in (turning.time_s < at_s, turning.time_s >= at_s):
        own = np.flatnonzero(known & side)
        # where a hand hid the mark, as far as the fit went: to the nearest sightings
        reach_s = max(step.reach_s, float(np.sort(far[own])[:LEAST_SIGHTINGS].max(initial=0.0)))
        rows = own[far[own] <= reach_s]
        x, u = turning.time_s[rows] - at_s, turning.u_rad[rows]
        solve = np.linalg.pinv(np.vander(x, 3, increasing=True) / u[:, None]) / u
        answer = np.nan_to_num(turning.answer[int(rows[0]) : int(rows[-1]) + 1][rows - rows[0]])
        answers.append(solve @ answer.astype(np.float64))
    before, after = answers
    # the slope is the mean of both sides', twice their square terms: what bends both alike stays
    moved = np.stack([after[0] - before[0], after[1] - before[1], after[2] + before[2]])
    open_ = moved @ moved.T
    u_turns, u_rate, u_slope = np.sqrt(np.maximum(np.diag(open_), 0.0))
    return replace(
        step,
        u_turns=float(np.hypot(step.u_turns, u_turns / (2 * np.pi))),
        u_rate_rad_s=float(np.hypot(step.u_rate_rad_s, u_rate)),
        u_slope_rad_s2=float(np.hypot(step.u_slope_rad_s2, u_slope)),
        rate_slope_cov=step.rate_slope_cov + float(open_[1, 2]),
    )


def _drawn_turns(turning: Turning, at_s: float, marks: int) -> float | None:
    """Tell by how many turns the angle after a seam is ahead of the one before, as drawn.

    None where it is not told which of the marks is meant.
    """
    seen = turning.free & np.isfinite(turning.angle_rad)
    ends = []
    for low, high in ((at_s - SIDE_S, at_s), (at_s, at_s + SIDE_S)):
        rows = seen & (turning.time_s >= low) & (turning.time_s <= high)
        if rows.sum() < 3:
            return None
        x = turning.time_s[rows] - at_s
        solve = np.linalg.pinv(np.vander(x, 3))
        u_rad = float(np.linalg.norm(solve[2] * turning.u_rad[rows]))
        if NORMAL_95 * u_rad > CARRIED * 2 * np.pi / marks:
            return None
        fit = solve @ turning.angle_rad[rows]
        ends.append((float(fit[2]), float(fit[1])))
    sense = np.sign(ends[0][1] + ends[1][1])
    return float(sense * (ends[1][0] - ends[0][0]) / (2 * np.pi))


def within(seams: Sequence[Seam], start_s: float, stop_s: float) -> tuple[Seam, ...]:
    """Those between two instants."""
    return tuple(one for one in seams if start_s < one.time_s < stop_s)


def pieces(seams: Sequence[Seam], start_s: float, stop_s: float) -> FloatArray:
    """Lengths of what each chapter holds between two instants, s."""
    return np.diff([start_s, *(one.time_s for one in seams), stop_s])


def counted(
    turned: Revolutions, seams: Sequence[Seam], start_s: float, stop_s: float
) -> Revolutions:
    """Add the turns between chapters to those between two instants.

    No count where the spin does not tell them, or where the smooth curve that is counted on at
    an end reaches over a seam.
    """
    inside = within(seams, start_s, stop_s)
    ends = np.array([start_s, stop_s])
    if any(np.abs(one.time_s - ends).min() < FIRST_WINDOW_S for one in seams):
        return replace(turned, count=None, u95=None)
    if not inside or turned.count is None:
        return turned
    if any(one.seconds is None for one in inside):
        return replace(turned, count=None, u95=None)
    u95 = None
    if turned.u95 is not None:
        u95 = float(np.linalg.norm([turned.u95, *(one.u95_turns for one in inside)]))
    return replace(turned, count=turned.count + sum(one.turns for one in inside), u95=u95)


def check(seams: Sequence[Seam]) -> tuple[Check, ...]:
    """Say what is known of the time between chapters; nothing where there is one file."""
    if not seams:
        return ()
    at = tuple(one.time_s for one in seams)
    said = [
        "not told by the spin" if one.seconds is None else f"{one.seconds:+.3f} ± {one.u95_s:.2g} s"
        for one in seams
    ]
    known = all(one.seconds is not None for one in seams)
    note = (
        "from how much slower, and at which part of a turn, the spin goes on, if nothing touched"
        " the top meanwhile: nobody saw it"
    )
    if not known:
        note = (
            "the slowing does not tell it within 2 s, or the phase contradicts it: time and turns"
            " across it are not counted"
        )
    state = "pass" if known else "unchecked"
    return (Check(NAME, state, "; ".join(said), note, "spin", f"{MOST_BETWEEN_S:g} s", WHY,
                  True, at),)  # fmt: skip
