"""How long will the next start spin?  Spin time against release speed, from repeats of one top.

References
----------
J. P. T. Higgins, S. G. Thompson, D. J. Spiegelhalter, J. R. Stat. Soc. A 172 (2009) 137-159:
the prediction interval of a random-effects view (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from vidspin.errors import UsageError
from vidspin.records import FloatArray
from vidspin.units import rad_s_from_rpm, rpm_from_rad_s
from vidspin.wording import plural
from vidspin.workshop.attempt import Attempt, refuse_twins
from vidspin.workshop.coast import passage
from vidspin.workshop.effects import FEWEST_REPEATS, pool
from vidspin.workshop.grouping import (
    Doubted,
    LeftOut,
    doubted,
    mixed_parts,
    recorded_days,
    recorded_ranks,
)
from vidspin.workshop.law import FORMS, Form
from vidspin.workshop.rundown import Rundown, fit_rundown

SPEEDS = 61  # of a forecast's curve
BEYOND = 1.3  # the curve goes this far beyond the fastest start
# Of all starts, that outlast the forecast in recordings which end first: with 15 % the next start
# still lay inside in 93 %, with 44 % in 77 (eight starts that scatter by 5 %, 300 draws each).
MOST_LONGER = 0.2
FEWEST_FOR_TREND = 5  # attempts; a line through three or four has any slope
TREND = 0.05  # of tops that do not change, so many seem to


@dataclass(frozen=True, slots=True)
class Forecast:
    """Spin time against release speed, for the next start of a top."""

    names: tuple[str, ...]  # attempts that carry it
    release_rpm: FloatArray  # (K,) ascending
    spin_time_s: FloatArray  # (K,) median
    low_s: FloatArray  # (K,) 95 % prediction interval of one start; NaN with too few repeats
    high_s: FloatArray  # (K,)
    u95_s: FloatArray  # (K,) of the median itself; NaN likewise
    seen_rpm: tuple[float, float]  # slowest and fastest release: beyond it the law is trusted
    repeat_scatter: float  # from repeat to repeat at equal speed, share of the spin time
    left_out: tuple[LeftOut, ...]
    note: str  # what is missing, in words
    doubted: tuple[Doubted, ...] = ()  # counted, but touched or failed in a check

    def at(self, release_rpm: float) -> tuple[float, float, float]:
        """Return median, low and high spin time for a release speed, s; NaN beyond the curve."""
        inside = self.release_rpm[0] <= release_rpm <= self.release_rpm[-1]
        values = (self.spin_time_s, self.low_s, self.high_s)
        return tuple(
            float(np.interp(release_rpm, self.release_rpm, v)) if inside else math.nan
            for v in values
        )  # type: ignore[return-value]

    def release_for(self, spin_time_s: float) -> tuple[float, float]:
        """Return the release speed for a spin time: one in two, and 97.5 % of starts.

        NaN where the curve does not reach it.
        """
        return tuple(
            _first_reach(self.release_rpm, times, spin_time_s)
            for times in (self.spin_time_s, self.low_s)
        )  # type: ignore[return-value]

    def median_release_between(self, spin_time_s: float) -> tuple[float, float]:
        """Return the 95 % interval of the release speed from which one start in two gets there.

        An end is NaN where it lies beyond the curve, both where no interval is given.
        """
        ends = (self.spin_time_s + self.u95_s, self.spin_time_s - self.u95_s)
        return tuple(_first_reach(self.release_rpm, times, spin_time_s) for times in ends)  # type: ignore[return-value]

    def table(self) -> dict[str, FloatArray]:
        """Return the curve as columns, ready for a data frame."""
        return {
            "release_rpm": self.release_rpm,
            "spin_time_s": self.spin_time_s,
            "u95_s": self.u95_s,
            "low_s": self.low_s,
            "high_s": self.high_s,
        }


def _first_reach(x: FloatArray, y: FloatArray, wanted: float) -> float:
    """Return where a curve first reaches a value; NaN where it does not.

    A bound may fall again where the law alone carries it.  The first crossing holds all the same
    for faster starts: they come down to that speed later and spin on from there.
    """
    known = np.isfinite(y)
    x, y = x[known], y[known]
    reached = np.flatnonzero(y >= wanted)
    if not len(reached):
        return math.nan
    here = slice(max(int(reached[0]) - 1, 0), int(reached[0]) + 1)  # one interval: sorted
    return float(np.interp(wanted, y[here], x[here]))


def forecast(attempts: Sequence[Attempt], *, forms: Sequence[Form] = FORMS) -> Forecast:
    """Draw up spin time against release speed from repeats of one top.

    Parameters
    ----------
    attempts : sequence of Attempt
        Of one top, tip and base; only those with release and topple carry the forecast.
    forms : sequence of Form
        Laws that may carry a run-down on to speeds above its release.

    Returns
    -------
    Forecast

    Raises
    ------
    UsageError
        When no attempt is complete.

    Notes
    -----
    Each attempt tells at every speed how long it spun on from there: read from its rows below
    its release, and above it by its own law.  At each speed these times are pooled; the next
    start lies within Student's t times the scatter from repeat to repeat and the uncertainty of
    the mean.
    """
    refuse_twins(attempts, "forecast")
    usable, left_out = _complete(attempts)
    if not usable:
        reasons = "; ".join(f"{o.name}: {o.why}" for o in left_out[:3])
        raise UsageError(
            f"no attempt is complete ({reasons})", where="forecast", do="give finished attempts"
        )
    releases = np.array([a.release.rpm for a in usable if a.release])
    slowest = max(_last_rpm(a) for a in usable) * 1.02
    speeds = np.geomspace(slowest, BEYOND * releases.max(), SPEEDS)
    laws = [_law(a, forms) for a in usable]
    left = np.stack([_time_left(a, law, speeds) for a, law in zip(usable, laws, strict=True)])
    u = np.array([_u_share(a) for a in usable])
    middle, half, u95 = (np.full(SPEEDS, np.nan) for _ in range(3))
    scatter = math.nan
    known = np.all(np.isfinite(left), axis=0)
    for k in np.flatnonzero(known):
        middle[k] = float(left[:, k].mean())
        if len(usable) >= FEWEST_REPEATS:
            pooled = pool(left[:, k], u * left[:, k])
            middle[k], half[k], u95[k] = pooled.mean, pooled.prediction, pooled.u95
            if speeds[k] <= np.median(releases):
                scatter = pooled.tau / pooled.mean
    found = Forecast(
        tuple(a.name for a in usable), speeds, middle, np.maximum(middle - half, 0.0),
        middle + half, u95, (float(releases.min()), float(releases.max())), scatter,
        tuple(left_out), "; ".join([*_reserves(usable), *_trend(usable, left, speeds)]),
        doubted(usable),
    )  # fmt: skip
    return _without_the_longest(found, attempts)


def _reserves(usable: Sequence[Attempt]) -> list[str]:
    """Say what attempts lack to stand for the next start."""
    found = []
    if len(usable) < FEWEST_REPEATS:
        found.append(
            f"{len(usable)} complete: with fewer than {FEWEST_REPEATS} attempts the scatter from "
            "start to start is not known, and no interval is given"
        )
    if parts := mixed_parts(usable):
        found.append(
            f"they differ in {parts}: this is the forecast of no one of these (choose one with "
            "--where)"
        )
    days = recorded_days(usable)
    if len(usable) >= FEWEST_REPEATS > days > 0:
        found.append(
            f"recorded on {plural(days, 'day')}: what changes from day to day is hardly in the "
            "interval"
        )
    return found


def _trend(usable: Sequence[Attempt], left: FloatArray, speeds: FloatArray) -> list[str]:
    """Say where attempts spin longer or shorter from one to the next: a tip that wears, say.

    Compared is the time left from the fastest speed that all of them had.
    """
    ranks = recorded_ranks(usable)
    slowest = min(a.release.rpm for a in usable if a.release)
    there = np.flatnonzero(np.all(np.isfinite(left), axis=0) & (speeds <= slowest))
    if len(ranks) < FEWEST_FOR_TREND or not len(there):
        return []
    times = np.log(left[:, there[-1]])
    if np.ptp(times) == 0:
        return []
    found = stats.linregress(ranks, times)
    if not found.pvalue <= TREND:
        return []
    size = 100 * math.expm1(abs(found.slope))
    how = "longer" if found.slope > 0 else "shorter"
    return [
        f"from one attempt to the next they spin {size:.2g} % {how} (p {found.pvalue:.2g}): the "
        "next start will rather be like the last ones"
    ]


def _without_the_longest(found: Forecast, attempts: Sequence[Attempt]) -> Forecast:
    """Take the interval back where recordings ended while the top spun on beyond the forecast.

    Those left out are the longest spins then, and what is left says too little of the next one.
    """
    longer = [
        a.name
        for a in attempts
        if a.resolved and a.release is not None and a.fell_s is None and a.at_least_s is not None
        and a.at_least_s > found.at(a.release.rpm)[0]
    ]  # fmt: skip
    if not longer:
        return found
    names = ", ".join(longer[:3]) + (", …" if len(longer) > 3 else "")
    words = (
        f"{plural(len(longer), 'attempt')} left out ({names}) still spun when this forecast says "
        "that half of such starts have fallen: "
    )
    few = len(longer) <= MOST_LONGER * (len(longer) + len(found.names))
    words += "it may be somewhat short" if few else "it is too short, and no interval is given"
    note = f"{found.note}; {words}" if found.note else words
    if few:
        return replace(found, note=note)
    nan = np.full(len(found.release_rpm), np.nan)
    return replace(found, low_s=nan, high_s=nan, u95_s=nan, note=note)


def _complete(attempts: Sequence[Attempt]) -> tuple[list[Attempt], list[LeftOut]]:
    usable, left_out = [], []
    for a in attempts:
        if not a.resolved:
            left_out.append(LeftOut(a.name, "", "alias order unresolved", a.candidates))
        elif a.part:
            left_out.append(LeftOut(a.name, "", a.part))
        elif a.release is None or a.fell_s is None or a.rows is None:
            left_out.append(LeftOut(a.name, "", _lacking(a)))
        else:
            usable.append(a)
    return usable, left_out


def _lacking(attempt: Attempt) -> str:
    ends = {"release": attempt.release, "topple": attempt.fell_s}
    names = [name for name, end in ends.items() if end is None] or ["speed"]
    verb, whose = ("are", "their") if names[1:] else ("is", "its")
    return (
        f"the {' and '.join(names)} {verb} not seen in the recording, or {whose} speed is not known"
    )


def _last_rpm(attempt: Attempt) -> float:
    """Speed at the topple, or the last that is known before it."""
    if attempt.topple is not None:
        return attempt.topple.rpm
    assert attempt.rows is not None
    return rpm_from_rad_s(float(attempt.rows.speed_rad_s[-1]))


def _law(attempt: Attempt, forms: Sequence[Form]) -> Rundown | None:
    try:
        return fit_rundown(attempt, forms=forms)
    except UsageError:
        return None  # its rows alone carry it up to its own release


def _time_left(attempt: Attempt, law: Rundown | None, speeds_rpm: FloatArray) -> FloatArray:
    """Time from each speed to the attempt's own topple, s; NaN where nothing tells it."""
    rows, release, fell_s = attempt.rows, attempt.release, attempt.fell_s
    assert rows is not None and release is not None and fell_s is not None
    spun = fell_s - release.time_s
    out = np.full(len(speeds_rpm), np.nan)
    top = rad_s_from_rpm(release.rpm)
    for k, speed in enumerate(rad_s_from_rpm(speeds_rpm).tolist()):
        if speed < float(rows.speed_rad_s[0]):
            at = passage(rows, speed).time_s
            if not math.isfinite(at) and law is not None:  # hidden just then: by its law
                at = sum(
                    fit.weight * (fit.start_s + fit.coast(fit.value("start"), speed)[0])
                    for fit in law.fits
                )
            out[k] = fell_s - at
        elif speed <= top:  # between the first row and the release
            share = (top - speed) / max(top - float(rows.speed_rad_s[0]), 1e-9)
            out[k] = spun - share * (float(rows.time_s[0]) - release.time_s)
        elif law is not None:
            out[k] = spun + sum(fit.weight * fit.coast(speed, top)[0] for fit in law.fits)
    return np.where(out > 0, out, np.nan)


def _u_share(attempt: Attempt) -> float:
    """Measurement uncertainty of a spin time, as a share of it."""
    spin, u95 = attempt.spin_time_s, attempt.u95_spin_time_s
    share = attempt.u_clock if spin is None or u95 is None else 0.5 * u95 / spin  # clock included
    return max(share, 1e-9)
