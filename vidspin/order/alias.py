"""How many whole turns passed between frames?

Frames alone leave the spin speed open by whole turns a frame interval: every alias order
n gives a speed *apparent + n * frame rate / marks*.  Each cue is one line of evidence, written
as a natural log-likelihood over the candidate orders; the sum, with equal odds beforehand
inside the stated bounds, gives the odds.  A cue that cannot tell abstains.  Where the best
order is not the needed odds ahead of all others together, or where two cues contradict each
other, the answer is *unresolved*.

Cues have names and sentences in `CUES`; reports take them from there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import ndtr

from vidspin.camera import CameraEvidence, weigh
from vidspin.middle import weighted_median
from vidspin.order.cadence import Pattern
from vidspin.order.steady import steady_drift
from vidspin.records import AliasVerdict, Candidate, FloatArray, ShutterFit, Vote
from vidspin.uncertainty import NORMAL_95
from vidspin.units import rad_s_from_rpm, rpm_from_rad_s
from vidspin.wording import unseen_before

DEFAULT_BOUNDS_RPM = (0.0, 6000.0)  # finger start; common practice, no source
ODDS_CAP = 1e12
# A hand that speeds the top up is rare but real: no drift argues harder than this.  In one
# stretch of a few seconds it is less rare than all through the recording.
PUSH_PROBABILITY = 1e-5
PUSH_IN_ONE_STRETCH = 2e-3
REVERSAL_LOG = -20.0  # a top that turns round in flight
# Tops started by fingers topple slower than this, and hardly ever this much faster (a factor
# 1000 for each `TOPPLE_DECADES_RPM`); common practice, no source.
TOPPLE_RPM = 800.0
TOPPLE_DECADES_RPM = 700.0
LAW_BINS = 6
# What is followed for so long, in so many windows, and passes so slowly (of the mark phase) and so
# unevenly (of the square of its speed) is no mark.
STANDS_S, LEAST_SPEEDS, STANDS_RAD_S, UNEVEN = 5.0, 5, 3.0, 0.25
STANDS = "the mark stands still in the picture: nothing shows that it turns"
LAW_DOUBT = 0.15  # relative doubt that drag = c0 + c1 w + c2 w**2 holds in one bin
LAW_LEAST_RANGE = 0.15  # relative range of apparent speeds from which the law can tell
# A spin ends or is touched where the pace changes once in a hundred times (judged), and what rests
# then looks under a given order like a spin that goes on once in 19 (of 1200 invented ones): so
# much in all, in two windows.
GOES_ON, CLEAR_WINDOWS = np.log(1900.0) / 2, 2
SHAPE_CAP = np.log(30.0)  # no smear argues harder than this: marks differ from their model
CONTRADICTION = np.log(1000.0)
TIED = 0.7  # natural log, a factor of two: no preference worth a word
# A law that leaves this much under every order does not hold for this top (a top that leans
# loses more as it slows), and then says nothing.
LAW_MISFIT = 4.5  # natural log; three standard deviations in all
# Sightings far from the smooth track beyond this share: the track is not the mark's.  Outliers
# and jitter stay below a tenth; a mark seen three times in a frame makes it a fifth and more.
MOST_STRAY = 0.1
DOUBTED = 0.5  # share of the odds that is dealt out evenly where the cues are not to be believed
# How much more a top may have lost, second by second, before the first frame than after it; and
# for how long nothing but drag may be supposed: a hand that slows a top hides it about so long.
EARLIER_LOSS = 3.0
LATEST_S = 2.0
NO_PROFILE = "no camera profile was given"


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the cues may look at; J windows along the free spin, in order of time."""

    time_s: FloatArray  # (J,)
    apparent_rad_s: FloatArray  # (J,) continuous apparent speed (order 0), signed
    slope_rad_s2: FloatArray  # (J,) its rate of change
    u_slope_rad_s2: FloatArray  # (J,)
    frame_rate: float
    marks: int
    topple_seen: bool
    fits: Mapping[int, ShutterFit]
    smear: Mapping[int, tuple[float, float]]  # order: (exposure s, log-likelihood); may be empty
    stray_share: float = 0.0  # of the sightings, usually, that are far from the smooth track
    late_s: float = 0.0  # free spin before the first window, unseen
    camera: CameraEvidence | str = NO_PROFILE  # what a profile knows, or why it has no vote
    # What the sound says: log-likelihood by order, or why it says nothing; and in words.
    sound: Mapping[int, float] | str = "the recording was not heard"
    sound_words: Mapping[int, str] = field(default_factory=dict)
    shutter_silent: str = ""  # why the shutter has no vote, whatever the fits say
    # By order, in how many windows at another pace the phase goes on under it.
    paces: Mapping[int, int] | None = None

    @property
    def step_rad_s(self) -> float:
        """Speed between two alias orders."""
        return 2 * np.pi * self.frame_rate / self.marks

    def speed(self, order: int) -> FloatArray:
        """Signed speed under an order, (J,) rad/s."""
        return self.apparent_rad_s + order * self.step_rad_s


@dataclass(frozen=True, slots=True)
class Cue:
    """One line of evidence."""

    name: str
    sentence: str
    weigh: Callable[[Evidence, Sequence[int]], tuple[FloatArray, str] | str]  # str: abstains, why


def candidate_orders(
    first_apparent_rad_s: float, frame_rate: float, marks: int, bounds_rpm: tuple[float, float]
) -> list[int]:
    """List the orders whose speed at the first sighting lies within the bounds, both ways round."""
    step = 2 * np.pi * frame_rate / marks
    low, high = (float(rad_s_from_rpm(b)) for b in bounds_rpm)
    reach = int(np.ceil((high + abs(first_apparent_rad_s)) / step)) + 1
    orders = range(-reach, reach + 1)
    return [n for n in orders if low <= abs(first_apparent_rad_s + n * step) <= high]


# ------------------------------------------------------------------------------- cues


def _drift(e: Evidence, orders: Sequence[int]) -> tuple[FloatArray, str] | str:
    slope, u = _typical_slope(e)
    alike = int((e.slope_rad_s2 * np.sign(slope) > 2 * e.u_slope_rad_s2).sum())
    stretches = max(1, alike // 2)  # windows overlap by half
    if not np.isfinite(slope) or abs(slope) < 2 * u:
        steady = steady_drift(e.time_s, e.apparent_rad_s, e.step_rad_s)
        if steady is None:
            return "the speed hardly changes in the recording"
        slope, u, stretches = steady
    pushed = max(PUSH_PROBABILITY, PUSH_IN_ONE_STRETCH**stretches)
    out = []
    for n in orders:
        speed = e.speed(n)
        if np.sign(speed[0]) != np.sign(speed[-1]):
            out.append(REVERSAL_LOG)
            continue
        falls = ndtr(-np.sign(speed[0]) * slope / u)
        out.append(float(np.log(falls * (1 - pushed) + pushed * (1 - falls))))
    way = "counterclockwise" if slope > 0 else "clockwise"
    rate = abs(float(rpm_from_rad_s(slope)))
    note = f"a free top only slows: it turns {way} (drift {rate:.3g} rev/min a second)"
    return np.array(out), note


def _typical_slope(e: Evidence) -> tuple[float, float]:
    """Weighted median slope and its standard uncertainty, safe against a push or a cut."""
    good = np.isfinite(e.slope_rad_s2) & np.isfinite(e.u_slope_rad_s2)
    if good.sum() < 2:
        return float("nan"), float("inf")
    slope, u = e.slope_rad_s2[good], e.u_slope_rad_s2[good]
    weight = u**-2.0
    middle = weighted_median(slope, weight)
    scatter = 1.4826 * weighted_median(np.abs(slope - middle), weight)
    size = max(float(np.mean(weight) ** -0.5), scatter)
    windows = float(weight.sum() ** 2 / (weight**2).sum()) / 2  # each overlaps its neighbours
    return middle, 1.25 * size / np.sqrt(max(1.0, windows))


def _run_down(e: Evidence, orders: Sequence[int]) -> tuple[FloatArray, str] | str:
    law = _law(e, orders)
    out = np.zeros(len(orders)) if law is None else law
    said = [] if law is None else ["drag that grows with speed fits"]
    if e.topple_seen:
        last = np.array([abs(e.speed(n)[-1]) for n in orders])
        over = np.maximum(rpm_from_rad_s(last) - TOPPLE_RPM, 0.0)
        out = out - np.log(1000.0) * over / TOPPLE_DECADES_RPM
        best = float(rpm_from_rad_s(last[int(np.argmax(out))]))
        said.append(f"the chain back from the topple starts at {best:.0f} rev/min")
    if not said:
        return "the topple is not seen in the recording and the speed range is small"
    return out, "; ".join(said)


def _law(e: Evidence, orders: Sequence[int]) -> FloatArray | None:
    """Log-likelihood of slowing down by c0 + c1 w + c2 w**2 with no negative term, by order."""
    from scipy.optimize import nnls  # loaded while the first frames are decoded

    good = np.isfinite(e.slope_rad_s2)
    speed, slope, u = e.apparent_rad_s[good], e.slope_rad_s2[good], e.u_slope_rad_s2[good]
    if len(speed) < 2 * LAW_BINS or np.ptp(speed) < LAW_LEAST_RANGE * e.step_rad_s:
        return None
    parts = np.array_split(np.argsort(speed), LAW_BINS)
    x = np.array([speed[p].mean() for p in parts])
    y = np.array([np.median(slope[p]) for p in parts])
    noise = np.array([1.25 * np.sqrt(np.mean(u[p] ** 2) / len(p)) for p in parts])
    noise = np.hypot(noise, LAW_DOUBT * np.abs(y) + 1e-6)
    free = np.stack([np.ones_like(x), x, x**2], 1) / noise[:, None]
    left = y / noise - free @ np.linalg.lstsq(free, y / noise, rcond=None)[0]
    base = float(left @ left)
    out = []
    for n in orders:
        signed = x + n * e.step_rad_s
        if np.sign(signed[0]) != np.sign(signed[-1]):
            out.append(REVERSAL_LOG)
            continue
        v, loss = np.abs(signed), -np.sign(signed[0]) * y
        scale = max(float(v.max()), 1e-9)
        design = np.stack([np.ones_like(v), v / scale, (v / scale) ** 2], 1) / noise[:, None]
        _, norm_left = nnls(design, loss / noise)
        out.append(max(REVERSAL_LOG, -0.5 * (norm_left**2 - base)))
    return np.array(out) if max(out) > -LAW_MISFIT else None


def _shutter(e: Evidence, orders: Sequence[int]) -> tuple[FloatArray, str] | str:
    if e.shutter_silent:
        return e.shutter_silent
    if any(n not in e.fits for n in orders):
        return "readout and geometry could not be fitted"
    out = np.array([e.fits[n].log_evidence for n in orders])
    out = out - out.max()  # how well the model fits at all is not known so well
    if np.ptp(out) < TIED:
        return "each order has a possible readout"
    best = e.fits[orders[int(np.argmax(out))]]
    ms, u = best.readout_s * 1e3, best.u_readout_s * 1e3
    return out, f"the rolling shutter fits best with a readout of {ms:.1f} ± {NORMAL_95 * u:.1f} ms"


def _smear(e: Evidence, orders: Sequence[int]) -> tuple[FloatArray, str] | str:
    if any(n not in e.smear for n in orders):
        return "the mark's length changes too little with the speed to tell the candidates apart"
    out = np.array([e.smear[n][1] for n in orders])
    out = np.maximum(out - out.max(), -SHAPE_CAP)
    exposure = e.smear[orders[int(np.argmax(out))]][0]
    if exposure <= 0:
        return "the mark shows no smear that grows with the speed"
    return (
        out,
        f"the mark's length against speed fits best with an exposure of {exposure * 1e3:.2f} ms",
    )


def _camera(e: Evidence, orders: Sequence[int]) -> tuple[FloatArray, str] | str:
    if isinstance(e.camera, str):
        return e.camera
    told = weigh(e.camera, {n: float(np.abs(e.speed(n)).min()) for n in orders})
    if isinstance(told, str):
        return told
    return np.array([told[0][n] for n in orders]), told[1]


def _sound(e: Evidence, orders: Sequence[int]) -> tuple[FloatArray, str] | str:
    if isinstance(e.sound, str):
        return e.sound
    out = np.array([e.sound.get(n, 0.0) for n in orders])
    if out.max() < TIED:
        return "nothing in the sound turns with the top"
    return out, e.sound_words.get(orders[int(np.argmax(out))], "")


def _paces(e: Evidence, orders: Sequence[int]) -> tuple[FloatArray, str] | str:
    if e.paces is None:
        return "no frames at another pace show how the spin goes on"
    clear = np.array([min(e.paces.get(n, 0), CLEAR_WINDOWS) for n in orders])
    if clear.max() == 0:
        return "the spin is lost where the frames change their pace"
    note = f"where the frames change their pace, {int((clear == clear.max()).sum())} of "
    return GOES_ON * (clear - CLEAR_WINDOWS), f"{note}{len(orders)} speeds go on smoothly"


PACES_CUE, ABSTAINS = "uneven frame times", "abstains"
CUES: tuple[Cue, ...] = (
    Cue("run-down", "The top ends slower than the frames can confuse, and drag grows with "
        "speed.", _run_down),
    Cue("drift", "A free top only slows, so the sense of the drift gives the sense of "
        "rotation.", _drift),
    Cue("rolling shutter", "The lines of a frame are read one after the other: the faster the top, "
        "the more its mark is shifted.", _shutter),
    Cue("exposure smear", "The faster the top, the longer the mark's trace.", _smear),
    Cue(PACES_CUE, "At another pace of the frames only the true speed goes on smoothly.",
        _paces),
    Cue("camera profile", "The readout and exposure of this camera are known from other "
        "recordings.", _camera),
    Cue("sound", "A top hums and scrapes in time with its turns, and its tones fall as it slows.",
        _sound),
)  # fmt: skip
BOUNDS_CUE, SHUTTER_CUES = "bounds", ("rolling shutter", "exposure smear", "camera profile")


# ---------------------------------------------------------------------------- verdict


def decide(
    evidence: Evidence, bounds_rpm: tuple[float, float] | None, *, odds_needed: float = 1000.0
) -> AliasVerdict:
    """Weigh all cues and say which alias order the recording has.

    Parameters
    ----------
    evidence : Evidence
    bounds_rpm : (float, float) or None
        Bounds on the speed at the first free sighting as the user states them; None takes
        `DEFAULT_BOUNDS_RPM`.
    odds_needed : float
        Best order against all others together.

    Returns
    -------
    AliasVerdict
        Candidates best first; an `order` counts from the continuous apparent speed as given,
        so that it is the same all along the track.
    """
    bounds = bounds_rpm or DEFAULT_BOUNDS_RPM
    first = float(evidence.apparent_rad_s[0])
    orders = candidate_orders(
        first, evidence.frame_rate, evidence.marks, _bounds_now(evidence, bounds)
    )
    origin = "user" if bounds_rpm else "default"
    if not orders:
        return AliasVerdict(False, (), (), 0.0, bounds, origin, float(evidence.time_s[0]),
                            "no speed that the frames allow lies within the bounds")  # fmt: skip
    votes, total, said = [], np.zeros(len(orders)), []
    for cue in CUES:
        answer = cue.weigh(evidence, orders)
        if isinstance(answer, str):
            votes.append(_Said(cue.name, np.zeros(len(orders)), ABSTAINS, answer))
            continue
        score, note = answer
        total = total + score
        said.append(score)
        votes.append(_Said(cue.name, score - score.max(), "", note))
    rank = [int(k) for k in np.argsort(-total, kind="stable")]
    best, count = rank[0], len(orders)
    doubt = ""
    if any(s[best] < -CONTRADICTION for s in said):
        doubt = "two cues contradict each other" if count > 1 else "a cue contradicts the bounds"
    if evidence.stray_share > MOST_STRAY:
        doubt = f"{evidence.stray_share:.0%} of the sightings do not follow one smooth spin"
    if _stands(evidence):
        doubt = STANDS
    weight = np.exp(total - total.max())
    share = weight / weight.sum()
    others = float((weight.sum() - weight[best]) / weight.sum())
    if doubt:  # what the cues say is then not to be taken at its word
        share = (1 - DOUBTED) * share + DOUBTED / count
        others = 1.0 - float(share[best])
    odds = min(ODDS_CAP, float(share[best]) / max(others, 1.0 / ODDS_CAP))
    candidates = tuple(_candidate(evidence, orders[k], share[k]) for k in rank)
    return AliasVerdict(
        resolved=odds >= odds_needed and not doubt,
        candidates=candidates,
        votes=_votes(votes, rank, candidates, _bounds_note((*bounds, origin), evidence.late_s)),
        odds=odds,
        bounds_rpm=bounds,
        bounds_from=origin,
        reference_s=float(evidence.time_s[0]),
        reason=doubt or _reason(odds, count, odds_needed),
    )


def held_against(verdict: AliasVerdict, without: AliasVerdict) -> AliasVerdict:
    """Take back a verdict within bounds where the cues alone are sure of a speed outside of them.

    Parameters
    ----------
    verdict : AliasVerdict
        Within the user's bounds.
    without : AliasVerdict
        Of the first look at the recording, with the widest bounds.
    """
    if not verdict.resolved or not without.resolved:
        return verdict
    alone = without.candidates[0]
    if any(one.order == alone.order for one in verdict.candidates):
        return verdict
    reason = (
        f"the recording itself speaks for {abs(alone.rpm):.0f} rev/min, outside of the stated"
        f" bounds, by more than {without.odds:.3g} to 1: look whether they are right"
    )
    return replace(
        verdict, resolved=False, reason=reason,
        odds=min(verdict.odds, 1.0),  # half of all that is likely lies outside
        candidates=tuple(
            replace(one, probability=(1 - DOUBTED) * one.probability)
            for one in verdict.candidates
        ),
    )  # fmt: skip


def taken_unevenly(verdict: AliasVerdict, pattern: Pattern) -> AliasVerdict:
    """Take back a verdict on frames that were not taken as evenly as their stamps say.

    Under their true times other speeds are possible, and none of them is among the candidates.
    """
    if pattern.skipped:
        how = "left out" if pattern.skipped > 0 else "put in"
        what = f"frames are {how} once in {pattern.frames:.3g}, and their times do not say so"
    else:
        what = f"the frames are early and late by a pattern of {pattern.frames:.3g}"
    reason = (
        f"{what}: they seem to be taken at another rate than they are stored with, and then other"
        " speeds are possible than those listed"
    )
    return taken_back(verdict, reason)


def miscounted(verdict: AliasVerdict, what: str) -> AliasVerdict:
    """Take back a verdict on a phase that steps again and again.

    Each frame that is missing, and that no stamp tells of, hides the turns of an interval: so many
    turns a second as steps, and their speed is that of no candidate.
    """
    reason = f"{what}: how many turns there were between frames is not known, under any order"
    return taken_back(verdict, reason)


def taken_back(verdict: AliasVerdict, reason: str) -> AliasVerdict:
    """Leave a verdict open, whatever the cues say."""
    return replace(verdict, resolved=False, reason=reason, odds=min(verdict.odds, 1.0))


def _stands(e: Evidence) -> bool:
    """Whether what is followed stays about where it is, as a highlight does; under any order.

    A mark at a stand-still speed passes on by even steps, or by steps that change evenly as the top
    slows; what comes and goes in one place does neither.
    """
    step = e.step_rad_s
    wrapped = e.apparent_rad_s - step * np.rint(e.apparent_rad_s / step)
    slow = float(np.median(np.abs(wrapped))) * e.marks < STANDS_RAD_S
    if not slow or float(np.ptp(e.time_s)) < STANDS_S or len(wrapped) < LEAST_SPEEDS:
        return False
    even = np.polynomial.Polynomial.fit(e.time_s, wrapped, 1)(e.time_s)
    return bool(np.sum((wrapped - even) ** 2) > UNEVEN * np.sum(wrapped**2))


def _bounds_now(e: Evidence, bounds_rpm: tuple[float, float]) -> tuple[float, float]:
    """Bounds at the first window: what was lost since the free spin began may be missing."""
    if e.late_s <= 0:
        return bounds_rpm
    slope, _ = _typical_slope(e)
    if not np.isfinite(slope) or e.late_s > LATEST_S:
        return 0.0, bounds_rpm[1]
    lost = EARLIER_LOSS * abs(slope) * e.late_s
    return max(0.0, bounds_rpm[0] - float(rpm_from_rad_s(lost))), bounds_rpm[1]


def _candidate(e: Evidence, order: int, probability: float) -> Candidate:
    fit, smear = e.fits.get(order), e.smear.get(order)
    return Candidate(
        order=order,
        rpm=float(rpm_from_rad_s(e.speed(order)[0])),
        probability=float(probability),
        readout_s=None if fit is None else fit.readout_s,
        exposure_s=None if smear is None or smear[0] <= 0 else smear[0],
    )


@dataclass(frozen=True, slots=True)
class _Said:
    """What a cue said, orders as they were asked."""

    name: str
    log_odds: FloatArray
    says: str  # empty: what it favours is still to be worked out
    note: str


def _votes(
    said: list[_Said],
    rank: list[int],
    candidates: tuple[Candidate, ...],
    bounds_note: str,
) -> tuple[Vote, ...]:
    """Put the cues' votes in the order of the candidates, and the bounds behind them."""
    votes, count = [], len(rank)
    for s in said:
        ordered = s.log_odds[rank]
        favours = f"{abs(candidates[int(np.argmax(ordered))].rpm):.0f} rev/min"
        ties = int((ordered > -TIED).sum())
        says = s.says or (favours if ties == 1 else f"{ties} of {count} speeds")
        votes.append(Vote(s.name, tuple(float(v) for v in ordered), says, s.note))
    votes.append(Vote(BOUNDS_CUE, (0.0,) * count, f"{count} candidates", bounds_note))
    return tuple(votes)


def _bounds_note(bounds: tuple[float, float, str], late_s: float) -> str:
    low, high, origin = bounds
    note = f"{low:.0f} to {high:.0f} rev/min at the first free sighting ({origin})"
    return f"{note}; {unseen_before(late_s)}" if late_s > 0 else note


def _reason(odds: float, count: int, needed: float) -> str:
    if count == 1:
        return "only one speed lies within the bounds"
    if odds >= needed:
        return f"the best order is ahead of all others by {odds:.3g} to 1"
    best, least = odds / (1.0 + odds), needed / (1.0 + needed)
    best = np.floor(1000.0 * best) / 1000.0  # cut, so that too little never reads as enough
    return f"the likeliest speed has a probability of {best:.3g} only; {least:.4g} is needed"
