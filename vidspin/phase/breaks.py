"""Where does the spin not go on as it went before?

At every instant the phase just before it is carried on to meet the phase just after it.  A
free top leaves no step between them: neither in the phase (up to one mark spacing) nor in the
speed.  Time that is missing or shown twice leaves both, a push or a touch a step of the speed
alone.  Only steps and slopes are used, so that the alias order need not be known: it adds the
same to both sides.

Notes
-----
Not only the noise of single sightings but the scatter of the steps themselves sets what
counts as one: leftovers of shutter and geometry, a slow wobble and coarse frame times move
both sides of every instant, and do so all the time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from vidspin.cyclic import TWO_PI, wrapped
from vidspin.phase.continuous import LEAST_SIGHTINGS, Course, Phase, course_of
from vidspin.phase.leftovers import MOST_DRAG, drag_changes_sides, least_left, noise_of
from vidspin.phase.sides import REACH_S, blocks, both_sides, fit_sides, reached
from vidspin.records import BoolArray, FloatArray

LONG_REACHES_S = (5.0, 3.2, 2.2)  # when one is measured; the bend of both sides then cancels
BRIEF_S = 1.0  # when a phase is carried to a seam: what bends the curve within it hardly counts
MOST_BEND = 1.3  # variance left by a long fit against that of a short one
LEAST_S = 0.25  # of a side
GRID_S = 0.1
NEAR_S = 0.6  # an instant is known so well from the grid; sides reach so much farther to place it
SIGMA = 6.0  # of tens of thousands of instants one may lie four standard uncertainties off
LEAST_STEP = 0.02  # turn; smaller steps of the phase are not told from leftovers
LEAST_RATE = 2.5e-3  # relative; wobble and wander move the speed by less
# A step that was not found is not let pass from so many standard uncertainties and turns on: lost
# frames leave up to half a turn, what is left in clean records was 0.065 at most (150 of them).
BLURRED, BLURRED_STEP = 4.0, 0.1
HOLDS = 4.0  # standard uncertainties that a step has to have when it is measured
LOCAL_S = 20.0  # the usual scatter of the steps is taken from so much about an instant
LONGEST_UNSEEN_S = 0.3  # across which errors that go with the angle excuse a step
KINK_CHI2 = 12.0  # by which a kink may fit worse than a step (three standard uncertainties)
MOST_BREAKS = 40
INTO_OPEN_S = 0.4  # half of the shortest window of a speed
LEAST_NOISE = 1e-12  # variances of a sighting: equal angles are not told to the last digit
MEDIAN_CHI2 = float(2 * np.log(2.0))  # of two degrees of freedom
MOST_LOG_ODDS = float(np.log(1e9))  # no model of a spin is better than that
SQRT_12 = float(np.sqrt(12.0))  # rectangular: width over this


@dataclass(frozen=True, slots=True)
class Step:
    """What an instant leaves between the spin before it and the spin after it.

    Speeds and slopes are counted in the sense of rotation: a push is positive.
    """

    time_s: float
    u_time_s: float
    turns: float  # phase after minus before, up to one mark spacing
    u_turns: float
    rate_rad_s: float  # speed after minus before
    u_rate_rad_s: float
    speed_rad_s: float  # mean of before and after, under the order of `Phase.omega_rad_s`
    slope_rad_s2: float  # likewise; below zero for a top that slows
    u_slope_rad_s2: float
    kink: bool  # the phase goes through, only the speed changes
    sigma: float  # size in units of the usual scatter
    gap_s: float  # from the last sighting before to the first after
    rate_slope_cov: float = 0.0  # covariance of rate and slope, rad2/s3
    exposed: bool = False  # no time is missing: the camera changed its exposure there
    reach_s: float = 0.0  # of each side that was fitted

    @property
    def relative(self) -> float:
        """Step of the speed against the speed before it."""
        return self.rate_rad_s / max(self.speed_rad_s - self.rate_rad_s / 2, 1e-9)


@dataclass(frozen=True, slots=True)
class Scan:
    """Steps along the spin; M instants."""

    time_s: FloatArray
    turns: FloatArray
    u_turns: FloatArray  # standard, widened to the usual scatter
    rate_rad_s: FloatArray  # in the sense of rotation
    u_rate_rad_s: FloatArray
    sigma: FloatArray  # joint size in units of the usual scatter
    widening: FloatArray  # usual scatter over what the noise of sightings explains, 1 or more


@dataclass(frozen=True, slots=True)
class Bridge:
    """An unseen stretch, and what the spin on both sides says happened meanwhile."""

    from_s: float
    to_s: float
    turns: float | None  # None: the phase cannot be carried over
    odds: float | None  # that the count of turns is right, against one mark spacing more or less


@dataclass(frozen=True, slots=True)
class Breaks:
    """Steps all along the spin, those that stand out, and the stretches that nobody saw."""

    scan: Scan
    found: tuple[Step, ...]  # in order of time
    bridges: tuple[Bridge, ...]
    looked_s: tuple[tuple[float, float], ...] = ()  # first and last instant of each piece
    dropped: tuple[tuple[float, float], ...] = ()  # instants that did not matter, and widening
    small: tuple[Step, ...] = ()  # that stand out, but are too small to be told

    @property
    def jumps(self) -> tuple[Step, ...]:
        """Where the phase does not go through."""
        return tuple(s for s in self.found if not s.kink and not s.exposed)

    @property
    def exposed(self) -> tuple[Step, ...]:
        """Where it does not because the camera changed its exposure."""
        return tuple(s for s in self.found if s.exposed)

    @property
    def kinks(self) -> tuple[Step, ...]:
        """Where only the speed changes."""
        return tuple(s for s in self.found if s.kink)

    @property
    def open(self) -> tuple[Bridge, ...]:
        """Stretches over which the phase cannot be carried."""
        return tuple(b for b in self.bridges if b.turns is None)

    @property
    def open_s(self) -> float:
        """Seconds over which the phase cannot be carried."""
        return sum(b.to_s - b.from_s for b in self.open)

    def blurred_s(self, until_s: float, *, widened: float = 0.0) -> float | None:
        """Instant of the largest step that is not found only because all steps scatter so much.

        A recording that loses frames again and again makes its own steps the usual ones: they
        scatter by `widened` times what the noise of its sightings explains.  Across a stretch
        that nobody saw every step is unsure, and the odds of its bridge tell that.
        """
        scan = self.scan
        size, unsure = np.abs(scan.turns), scan.u_turns > LEAST_STEP
        for one in self.bridges:
            if one.turns is not None and one.to_s - one.from_s > LONGEST_UNSEEN_S:
                unsure &= (scan.time_s <= one.from_s) | (scan.time_s >= one.to_s)
        large = (size > BLURRED * scan.u_turns) | unsure
        large &= (size > BLURRED_STEP) & (scan.time_s < until_s)
        large &= scan.widening >= widened
        if not large.any():
            return None
        return float(scan.time_s[int(np.argmax(np.where(large, size, 0.0)))])

    @property
    def parted_s(self) -> tuple[float, ...]:
        """Instants across which nothing is known of the spin: where it breaks, or was not seen.

        Of a stretch that no phase bridges there are so many that no speed is told in it, and none
        by a fit that reaches farther into it than `INTO_OPEN_S`.  A step of the phase that is too
        small to be told still is many times what a speed of a second may be off by.
        """
        parted = [s.time_s for s in (*self.found, *self.small)]
        for one in self.open:
            inside = one.to_s - one.from_s - 2 * INTO_OPEN_S
            count = 1 + max(0, int(np.ceil(inside / INTO_OPEN_S)))
            edge = min(INTO_OPEN_S, (one.to_s - one.from_s) / 2)
            parted += np.linspace(one.from_s + edge, one.to_s - edge, count).tolist()
        return tuple(parted)


def find_breaks(phase: Phase) -> Breaks:
    """Look for steps of phase and speed all along the spin.

    Parameters
    ----------
    phase : Phase

    Returns
    -------
    Breaks
        Nothing where the spin is too short to have two sides.

    Notes
    -----
    By binary segmentation: the step that stands out most is placed, the spin is cut there, and
    both parts are looked through again.  A step counts when it exceeds `SIGMA` times its usual
    scatter and either `LEAST_STEP` turns or `LEAST_RATE` of the speed.
    """
    track = course_of(phase)
    spans = list(track.pieces)
    whole: list[Scan] = []
    looked: dict[int, tuple[float, float]] = {}  # by the piece that an instant lies in
    cuts: list[tuple[int, float, float]] = []
    while spans and len(cuts) < MOST_BREAKS:
        low, high = spans.pop()
        scan = _scan(track, low, high)
        if scan is None:
            continue
        piece = next(k for k, (a, b) in enumerate(track.pieces) if a <= low and high <= b)
        start, stop = looked.get(piece, (np.inf, -np.inf))
        looked[piece] = min(start, float(scan.time_s[0])), max(stop, float(scan.time_s[-1]))
        counts = _counts(track, scan)
        if not counts.any():
            whole.append(scan)
            continue
        worst = int(np.argmax(np.where(counts, scan.sigma, 0.0)))
        at = _place(track, low, high, float(scan.time_s[worst]))
        cuts.append((at, float(scan.sigma[worst]), float(scan.widening[worst])))
        spans += [(low, at), (at, high)]
    steps, dropped = _weighed(track, sorted(cuts))
    edges = sorted({i for piece in track.pieces for i in piece} | {at for at, _ in steps})
    bridges = tuple(_bridge(track, edges, k) for k in track.gaps)
    pieces = tuple(looked[k] for k in sorted(looked))
    return Breaks(_joined(whole), tuple(step for _, step in steps), bridges, pieces, dropped)


def steps_across(
    phase: Phase, at_s: float, sides_s: tuple[float, float], *, widening: float
) -> tuple[Step, Step] | None:
    """Measure what an instant leaves between both sides, whether or not it stands out.

    Parameters
    ----------
    phase : Phase
    at_s : float
        Instant between two sightings, s.
    sides_s : (float, float)
        Instants to which the sides may reach at most.
    widening : float
        By how much the scatter of means is more than that of independent sightings.

    Returns
    -------
    Step, Step, or None
        By sides of `BRIEF_S` and by the longest that will do: of the first phase and speed are
        truer, of the second rate and slope surer.  None where too little is seen on a side.
    """
    track = course_of(phase)
    at = int(np.searchsorted(track.t, at_s))
    edges = {i for piece in track.pieces for i in piece}
    edges |= {int(k) for k in np.searchsorted(track.t, sides_s)}
    low = max((e for e in edges if e < at), default=0)
    high = min((e for e in edges if e > at), default=len(track.t))
    if min(at - low, high - at) < LEAST_SIGHTINGS:
        return None
    span = (low, high)
    brief, long = (_one(track, span, at, r)[0] for r in (BRIEF_S, _reach(track, span, at)))
    return _widened(brief, widening), _widened(long, widening)


def placed(phase: Phase, about_s: float) -> float:
    """Find the instant near another at which both sides' fits leave least, whatever they leave."""
    track = course_of(phase)
    about = int(np.clip(np.searchsorted(track.t, about_s), 0, len(track.t) - 1))
    low, high = next((a, b) for a, b in track.pieces if a <= about < b)
    at = min(_place(track, low, high, about_s), len(track.t) - 1)  # of a piece of a few sightings
    return float(0.5 * (track.t[at - 1] + track.t[at]))


def _bridge(track: Course, edges: list[int], k: int) -> Bridge:
    """Tell what happened in an unseen stretch that ends with sighting `k`."""
    from_s, to_s = float(track.t[k - 1]), float(track.t[k])
    low = max(e for e in edges if e < k)
    high = min(e for e in edges if e > k)
    if k in edges or min(k - low, high - k) < LEAST_SIGHTINGS:
        return Bridge(from_s, to_s, None, None)
    step, _, _ = _one(track, (low, high), k, REACH_S)
    spacing = track.period / TWO_PI
    u = max(step.u_turns, 1e-4 * spacing)
    lead = ((spacing - abs(step.turns)) ** 2 - step.turns**2) / (2 * u**2)
    odds = float(np.exp(min(lead, MOST_LOG_ODDS)))
    turns = float(track.phi[k] - track.phi[k - 1]) / TWO_PI
    return Bridge(from_s, to_s, turns, odds)


# ------------------------------------------------------------------------------ steps


def _scan(track: Course, low: int, high: int) -> Scan | None:
    """Compare both sides on a grid of instants within a span of sightings."""
    first, last = _inner(track, low, high)
    if last <= first:
        return None
    grid = np.arange(track.t[first], track.t[last], GRID_S)
    cut = np.unique(np.clip(np.searchsorted(track.t, grid), first, last))
    parts: list[tuple[FloatArray, ...]] = []
    for rows in blocks(track, cut):
        before, after, at = both_sides(track, low, high, cut[rows], REACH_S)
        dof = before.count + after.count - 6
        noise = np.maximum((before.chi2 + after.chi2) / dof, LEAST_NOISE)
        delta = after.value[:, :2] - before.value[:, :2]
        delta[:, 0] = wrapped(delta[:, 0], track.period)
        inverse = (before.inverse + after.inverse)[:, :2, :2]
        parts.append((at, delta[:, 0], delta[:, 1], noise, *_columns(inverse)))
    at, step, rate, noise, c00, c01, c11 = (np.concatenate(c) for c in zip(*parts, strict=True))
    noise = _local_median(at, noise)
    size = (step**2 * c11 - 2 * step * rate * c01 + rate**2 * c00) / (c00 * c11 - c01**2) / noise
    usual = np.maximum(_local_median(at, size) / MEDIAN_CHI2, 1.0)
    spread = np.sqrt(noise * usual)
    return Scan(
        at, step / TWO_PI, np.sqrt(c00) * spread / TWO_PI, rate, np.sqrt(c11) * spread,
        np.sqrt(size / usual), np.sqrt(usual),
    )  # fmt: skip


def _inner(track: Course, low: int, high: int) -> tuple[int, int]:
    """Sightings of a span that have enough of it on both sides."""
    first = int(np.searchsorted(track.t, track.t[low] + LEAST_S))
    last = int(np.searchsorted(track.t, track.t[high - 1] - LEAST_S))
    return max(low + LEAST_SIGHTINGS, first), min(high - LEAST_SIGHTINGS, last)


def _columns(matrix: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    return matrix[:, 0, 0], matrix[:, 0, 1], matrix[:, 1, 1]


def _local_median(at: FloatArray, value: FloatArray) -> FloatArray:
    """Median over `LOCAL_S` about each instant."""
    size = 2 * int(LOCAL_S / GRID_S / 2) + 1
    if len(at) <= size:
        return np.full(len(at), float(np.median(value)))
    return np.asarray(ndimage.median_filter(value, size, mode="nearest"))


def _counts(track: Course, scan: Scan) -> BoolArray:
    """Whether each step stands out and is large enough to matter."""
    speed = np.interp(scan.time_s, track.t, np.abs(track.speed))
    large = np.abs(scan.turns) > LEAST_STEP
    large |= np.abs(scan.rate_rad_s) > LEAST_RATE * speed
    return np.asarray((scan.sigma > SIGMA) & large)


def _place(track: Course, low: int, high: int, about_s: float) -> int:
    """Find the sighting before which the spin breaks: both sides' fits leave least there.

    Beside an end the side that reaches over a break, not the break itself, may stand out most.
    """
    begin, early, about, late, end = np.searchsorted(
        track.t, about_s + np.array([-REACH_S - NEAR_S, -REACH_S, 0.0, REACH_S, REACH_S + NEAR_S])
    )
    begin, end = max(low, int(begin)), min(high, int(end))
    cut = np.arange(
        max(begin + LEAST_SIGHTINGS, int(early)), min(end - LEAST_SIGHTINGS, int(late)) + 1
    )
    if not len(cut):  # beside an unseen stretch: there is nothing to fit to one side
        most = max(high - LEAST_SIGHTINGS, low + LEAST_SIGHTINGS)
        return int(np.clip(about, low + LEAST_SIGHTINGS, most))
    at, start, stop = np.full(len(cut), about_s), np.full(len(cut), begin), np.full(len(cut), end)
    left = fit_sides(track, start, cut, at).chi2 + fit_sides(track, cut, stop, at).chi2
    return int(cut[int(np.argmin(left))])


def _weighed(
    track: Course, cuts: list[tuple[int, float, float]]
) -> tuple[list[tuple[int, Step]], tuple[tuple[float, float], ...]]:
    """Measure steps with long sides up to their neighbours; drop the least until all matter.

    Returns
    -------
    list
        Those that matter.
    tuple
        Instant and widening of each that was dropped.
    """
    ends = {i for piece in track.pieces for i in piece}
    dropped: list[tuple[float, float]] = []
    while True:
        edges = sorted(ends | {at for at, *_ in cuts})
        steps = []
        for at, sigma, widening in cuts:
            k = edges.index(at)
            step = _measured(track, (edges[k - 1], edges[k + 1]), at)
            steps.append((at, _widened(replace(step, sigma=sigma), widening)))
        weak = [
            i for i, (at, step) in enumerate(steps)
            if not _matters(step) or _goes_with_angle(track, edges, at, step)
        ]  # fmt: skip
        if not weak:
            return steps, tuple(dropped)
        at, _, widening = cuts.pop(min(weak, key=lambda i: steps[i][1].sigma))
        dropped.append((float(track.t[at]), widening))


def _matters(step: Step) -> bool:
    """Whether a step still stands out when it is measured with long sides."""
    phase = not step.kink and abs(step.turns) > max(LEAST_STEP / 2, HOLDS * step.u_turns)
    rate = abs(step.rate_rad_s) > HOLDS * step.u_rate_rad_s
    return phase or (rate and abs(step.rate_rad_s) > LEAST_RATE / 2 * abs(step.speed_rad_s))


def _goes_with_angle(track: Course, edges: list[int], at: int, step: Step) -> bool:
    """Whether what goes with the mark angle explains a step as well as a step does."""
    if step.gap_s > LONGEST_UNSEEN_S:  # whoever hid the mark may have touched the top
        return False
    phase_only = not step.kink and abs(step.rate_rad_s) < HOLDS * step.u_rate_rad_s
    if phase_only and abs(step.turns) < MOST_DRAG and drag_changes_sides(track, step.time_s):
        return True
    k = edges.index(at)
    span = (edges[k - 1], edges[k + 1])
    _, chi2, noise = _one(track, span, at, REACH_S)
    start, stop, _ = reached(track, *span, np.array([at]), REACH_S)  # the same sightings
    rows = np.arange(start[0], stop[0])
    noise = min(noise, noise_of(track, rows))  # a step is no good model of a push of a second
    return least_left(track, rows) < chi2 + KINK_CHI2 * noise


def _widened(step: Step, factor: float) -> Step:
    """Let neighbours that share noise, and leftovers, widen what the fits state."""
    return replace(
        step, u_turns=step.u_turns * factor, u_rate_rad_s=step.u_rate_rad_s * factor,
        u_slope_rad_s2=step.u_slope_rad_s2 * factor,
        rate_slope_cov=step.rate_slope_cov * factor**2,
    )  # fmt: skip


def _measured(track: Course, span: tuple[int, int], at: int) -> Step:
    """Measure a step with long sides; tell a kink from a jump."""
    reach = _reach(track, span, at)
    jump, chi2, noise = _one(track, span, at, reach)
    plain = replace(jump, u_time_s=jump.gap_s / SQRT_12)
    if jump.rate_rad_s == 0:
        return plain
    first_lead = TWO_PI * jump.turns / jump.rate_rad_s
    moved = int(np.searchsorted(track.t, jump.time_s - first_lead))
    inside = span[0] + LEAST_SIGHTINGS <= moved <= span[1] - LEAST_SIGHTINGS
    if abs(first_lead) > 2 * NEAR_S or not inside:
        return plain
    kink, chi2_kink, _ = _one(track, span, moved, reach)
    if kink.rate_rad_s == 0:
        return plain
    lead = TWO_PI * kink.turns / kink.rate_rad_s
    gap = max(kink.gap_s, jump.gap_s)
    # what is left of the phase when the instant may lie anywhere between two frames
    rest = max(0.0, abs(lead) - gap) * abs(kink.rate_rad_s) / TWO_PI
    worse = (chi2_kink - chi2) / noise + (rest / kink.u_turns) ** 2
    at_once = abs(first_lead) < 1.5 * gap and rest < LEAST_STEP / 2  # a push takes some frames
    if worse > KINK_CHI2 and not at_once:
        return plain
    u_time = float(np.hypot(TWO_PI * kink.u_turns / kink.rate_rad_s, kink.gap_s / SQRT_12))
    return replace(kink, time_s=kink.time_s - lead, u_time_s=u_time, turns=0.0, kink=True)


def _reach(track: Course, span: tuple[int, int], at: int) -> float:
    """Longest reach over which quadratics still leave no more than the noise."""
    least = _one(track, span, at, REACH_S)[2]
    for reach in LONG_REACHES_S:
        if _one(track, span, at, reach)[2] < MOST_BEND * least:
            return reach
    return REACH_S


def _one(
    track: Course, span: tuple[int, int], at: int, reach_s: float
) -> tuple[Step, float, float]:
    """Step at one cut from long fits; their chi-square, and that of one sighting."""
    cut = np.array([at])
    before, after, when = both_sides(track, *span, cut, reach_s)
    dof = max(int(before.count[0] + after.count[0]) - 6, 1)
    chi2 = float(before.chi2[0] + after.chi2[0])
    noise = max(chi2 / dof, LEAST_NOISE)
    delta = after.value[0] - before.value[0]
    u = np.sqrt(noise * np.diag(before.inverse[0] + after.inverse[0]))
    both = 0.5 * (after.value[0] + before.value[0])
    step = Step(
        time_s=float(when[0]),
        u_time_s=0.0,
        turns=float(wrapped(delta[:1], track.period)[0]) / TWO_PI,
        u_turns=float(u[0]) / TWO_PI,
        rate_rad_s=float(delta[1]),
        u_rate_rad_s=float(u[1]),
        speed_rad_s=float(both[1]),
        slope_rad_s2=float(both[2]),
        u_slope_rad_s2=float(u[2]) / 2,
        kink=False,
        sigma=0.0,
        gap_s=float(track.t[at] - track.t[at - 1]),
        rate_slope_cov=float(noise * (after.inverse[0, 1, 2] - before.inverse[0, 1, 2]) / 2),
        reach_s=reach_s,
    )
    return step, chi2, noise


def _joined(scans: list[Scan]) -> Scan:
    none = np.zeros(0)
    if not scans:
        return Scan(none, none, none, none, none, none, none)
    scans = sorted(scans, key=lambda s: float(s.time_s[0]))
    names = Scan.__dataclass_fields__
    return Scan(*(np.concatenate([getattr(s, n) for s in scans]) for n in names))
