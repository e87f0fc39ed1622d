"""How long will it spin?  Spin time against release speed, and the topple of a broken-off spin.

Two questions, two answers.  `forecast` draws up what repeats of one top tell about the next
start; `expected_topple` carries one run-down on to its end.

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

from vidspin.errors import UsageError
from vidspin.records import BoolArray, FloatArray
from vidspin.uncertainty import NORMAL_95
from vidspin.units import rad_s_from_rpm, rpm_from_rad_s
from vidspin.wording import plural
from vidspin.workshop.attempt import Attempt, cut_at, refuse_twins
from vidspin.workshop.coast import passage
from vidspin.workshop.effects import FEWEST_REPEATS, pool
from vidspin.workshop.grouping import LeftOut
from vidspin.workshop.law import FORMS, Form, coast_time
from vidspin.workshop.rundown import Rundown, fit_rundown

# Where nobody says at which speed a top falls: 95 % of them in this range (invented; hand-spun
# tops lose their balance somewhere between a slow wobble and a few hundred rev/min).
TOPPLE_RPM = (100.0, 500.0)
SPEEDS = 61  # of a forecast's curve
BEYOND = 1.3  # the curve goes this far beyond the fastest start
DRAWS = 4000
# Of all starts, that outlast the forecast in recordings which end first: with 15 % the next start
# still lay inside in 93 %, with 44 % in 77 (eight starts that scatter by 5 %, 300 draws each).
MOST_LONGER = 0.2
SEED = 20240501
# More draws than this share that never fall: the law is not known well enough to go on with.
MOST_ENDLESS = 0.2


@dataclass(frozen=True, slots=True)
class Forecast:
    """Spin time against release speed, for the next start of a top."""

    names: tuple[str, ...]  # attempts that carry it
    release_rpm: FloatArray  # (K,) ascending
    spin_time_s: FloatArray  # (K,) median
    low_s: FloatArray  # (K,) 95 % prediction interval of one start; NaN with too few repeats
    high_s: FloatArray  # (K,)
    seen_rpm: tuple[float, float]  # slowest and fastest release: beyond it the law is trusted
    repeat_scatter: float  # from repeat to repeat at equal speed, share of the spin time
    left_out: tuple[LeftOut, ...]
    note: str  # what is missing, in words

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

    def table(self) -> dict[str, FloatArray]:
        """Return the curve as columns, ready for a data frame."""
        return {
            "release_rpm": self.release_rpm,
            "spin_time_s": self.spin_time_s,
            "low_s": self.low_s,
            "high_s": self.high_s,
        }


@dataclass(frozen=True, slots=True)
class ExpectedTopple:
    """When a top whose recording ends before is expected to fall."""

    name: str
    time_s: float  # median, seconds from the first frame
    low_s: float  # 95 % interval
    high_s: float
    spin_time_s: float  # median, from the release; NaN where the release is not seen
    low_spin_s: float
    high_spin_s: float
    last_s: float  # where the recording ends
    last_rpm: float
    assumption: str  # from where the speed at the topple was taken
    draws_s: FloatArray  # (D,) the distribution itself, seconds from the first frame
    endless: float  # share of draws that never fall; they are not in `draws_s`


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


# --------------------------------------------------------------------- the next start


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
    middle, half, scatter = np.full(SPEEDS, np.nan), np.full(SPEEDS, np.nan), math.nan
    known = np.all(np.isfinite(left), axis=0)
    for k in np.flatnonzero(known):
        middle[k] = float(left[:, k].mean())
        if len(usable) >= FEWEST_REPEATS:
            pooled = pool(left[:, k], u * left[:, k])
            middle[k], half[k] = pooled.mean, pooled.prediction
            if speeds[k] <= np.median(releases):
                scatter = pooled.tau / pooled.mean
    note = ""
    if len(usable) < FEWEST_REPEATS:
        note = (
            f"{len(usable)} complete: with fewer than {FEWEST_REPEATS} attempts the scatter from "
            "start to start is not known, and no interval is given"
        )
    found = Forecast(
        tuple(a.name for a in usable), speeds, middle, np.maximum(middle - half, 0.0),
        middle + half, (float(releases.min()), float(releases.max())), scatter,
        tuple(left_out), note,
    )  # fmt: skip
    return _without_the_longest(found, attempts)


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
    return replace(found, low_s=nan, high_s=nan, note=note)


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
    names = " and ".join(name for name, end in ends.items() if end is None) or "speed"
    return f"the {names} is not seen in the recording, or its speed is not known"


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


# ------------------------------------------------------------------ a broken-off spin


def expected_topple(
    attempt: Attempt,
    *,
    repeats: Sequence[Attempt] = (),
    topple_rpm: tuple[float, float] | None = None,
    forms: Sequence[Form] = FORMS,
    seed: int = SEED,
) -> ExpectedTopple:
    """Carry a run-down on to its topple.

    Parameters
    ----------
    attempt : Attempt
        Resolved; its recording ends before the topple (see `cut_at` to pretend so).
    repeats : sequence of Attempt
        Finished attempts of the same top: `FEWEST_REPEATS` or more tell at which speed it
        falls, or was last seen before, and how well its law tells the end.
    topple_rpm : (float, float), optional
        Range of the speed at the topple, 95 %, stated by a person; overrules the repeats'.
    forms : sequence of Form
    seed : int

    Returns
    -------
    ExpectedTopple

    Raises
    ------
    UsageError
        When no law can be fitted, or the law does not tell that the top will fall.

    Notes
    -----
    The interval holds the fit's covariance, the choice between the laws (by Akaike weight),
    and the speed at the topple.  With repeats, each of them is cut at the same speed and
    carried on in the same way: how far that misses its own topple, on the mean and in scatter,
    corrects the forecast and widens it.
    """
    if not attempt.broken_off:
        raise UsageError("its topple is in the recording", where=attempt.name, do="leave it out")
    law = fit_rundown(attempt, forms=forms)
    assert attempt.rows is not None
    rng = np.random.default_rng(seed)
    last_s, last = float(attempt.rows.time_s[-1]), float(attempt.rows.speed_rad_s[-1])
    finished = [a for a in repeats if a.fell_s is not None and a.resolved]
    usual, words = _usual_end(finished)
    misses: list[float] = []
    if topple_rpm is None and 0 < usual < rpm_from_rad_s(last):
        misses = [
            m for m in (_miss(a, last, rad_s_from_rpm(usual), forms, seed) for a in finished)
            if math.isfinite(m)
        ]  # fmt: skip
    if len(misses) >= FEWEST_REPEATS:
        falls = np.full(DRAWS, rad_s_from_rpm(usual))
        assumption = (
            f"{len(misses)} finished attempts of the same top: they {words} {usual:.0f} rev/min, "
            "and forecasts of them from the same speed told by how much such a forecast misses"
        )
    else:
        falls, assumption = _falling_speeds(topple_rpm, finished, last, rng)
    draws, endless = _draws(law, falls, rng)
    if endless > MOST_ENDLESS:
        raise UsageError(
            "its run-down is too short to tell that it will fall", where=attempt.name,
            do="record on, or state --power",
        )  # fmt: skip
    if len(misses) >= FEWEST_REPEATS:
        draws = last_s + (draws - last_s) * np.exp(_scatter(np.array(misses), len(draws), rng))
    draws = draws[draws > last_s]
    return _told(attempt, draws, (last_s, last), assumption, endless)


def _usual_end(finished: Sequence[Attempt]) -> tuple[float, str]:
    """Speed near which attempts ended, rev/min, and in words what it is; 0 with too few.

    A face that leans hides the mark for the last second or two, and how fast a top slows while
    it leans no law tells: the speed at the topple is then not known.  The last one seen does as
    well, since what comes after it is part of what forecasts to it are seen to miss.
    """
    fallen = [a.topple.rpm for a in finished if a.topple is not None]
    words = "fell near"
    if len(fallen) < FEWEST_REPEATS:
        fallen = [
            float(rpm_from_rad_s(a.rows.speed_rad_s[-1])) for a in finished if a.rows is not None
        ]
        words = "do not show their speed at the topple and were last seen near"
    if len(fallen) < FEWEST_REPEATS:
        return 0.0, ""
    return float(np.exp(np.mean(np.log(fallen)))), words


def _told(
    attempt: Attempt, draws: FloatArray, last: tuple[float, float], assumption: str, endless: float
) -> ExpectedTopple:
    low, middle, high = (float(q) for q in np.quantile(draws, (0.025, 0.5, 0.975)))
    start = math.nan if attempt.released_s is None else attempt.released_s
    return ExpectedTopple(
        name=attempt.name, time_s=middle, low_s=low, high_s=high, spin_time_s=middle - start,
        low_spin_s=low - start, high_spin_s=high - start, last_s=last[0],
        last_rpm=rpm_from_rad_s(last[1]), assumption=assumption, draws_s=np.sort(draws),
        endless=endless,
    )  # fmt: skip


def _draws(
    law: Rundown, falls_rad_s: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, float]:
    """Draw instants of the topple: form by weight, parameters by their covariance."""
    weights = np.array([fit.weight for fit in law.fits])
    which = rng.choice(len(weights), len(falls_rad_s), p=weights / weights.sum())
    times = np.full(len(falls_rad_s), np.inf)
    for number, fit in enumerate(law.fits):
        mine: BoolArray = which == number
        count = int(mine.sum())
        if not count:
            continue
        normal = rng.multivariate_normal(
            np.zeros(len(fit.scaled)), fit.scaled_covariance, count, method="eigh"
        )
        wide = np.sqrt(fit.dof / rng.chisquare(fit.dof, count))  # Student's t of many variables
        drawn = fit.scaled + normal * wide[:, np.newaxis]
        seconds, _ = coast_time(
            fit.form, drawn[:, 1:], fit.reference_rad_s, drawn[:, 0], falls_rad_s[mine]
        )
        times[mine] = fit.start_s + seconds
    ends = np.isfinite(times)
    return times[ends], 1.0 - float(ends.mean())


def _falling_speeds(
    stated_rpm: tuple[float, float] | None,
    finished: Sequence[Attempt],
    last_rad_s: float,
    rng: np.random.Generator,
) -> tuple[FloatArray, str]:
    """Draw speeds at the topple below the last speed seen, and say where they come from."""
    seen = np.log([a.topple.rpm for a in finished if a.topple is not None])
    low, high = stated_rpm or TOPPLE_RPM
    middle, width = 0.5 * math.log(low * high), 0.5 * math.log(high / low) / NORMAL_95
    if stated_rpm is None and len(seen) >= FEWEST_REPEATS:
        drawn = float(seen.mean()) + _scatter(seen - seen.mean(), 40 * DRAWS, rng)
        assumption = f"speed at the topple as of {len(seen)} finished attempts of the same top"
    else:
        drawn = rng.normal(middle, width, 40 * DRAWS)
        whose = "stated by you" if stated_rpm else f"assumed, since {_untold(finished)}"
        assumption = f"speed at the topple {low:g} to {high:g} rev/min, {whose}"
    falls = rad_s_from_rpm(np.exp(drawn))
    falls = falls[falls < last_rad_s][:DRAWS]
    if len(falls) < DRAWS:
        raise UsageError(
            f"it is already slower ({rpm_from_rad_s(last_rad_s):.0f} rev/min) than the speed at "
            "the topple", where="--topple", do="state a slower range",
        )  # fmt: skip
    return falls, assumption


def _untold(finished: Sequence[Attempt]) -> str:
    """Say why nobody knows at which speed the top falls."""
    if not finished:
        return "nothing tells it"
    count = plural(len(finished), "finished attempt")
    if all(a.topple is None for a in finished):
        verb = "shows" if len(finished) == 1 else "show"
        return f"{count} of the same top {verb} no speed at the topple"
    return f"{count} of the same top {'does' if len(finished) == 1 else 'do'} not tell it"


def _scatter(values: FloatArray, count: int, rng: np.random.Generator) -> FloatArray:
    """Draw the next of some values: their mean, and Student's t with one value more."""
    n = len(values)
    width = float(values.std(ddof=1)) * math.sqrt(1.0 + 1.0 / n)
    return np.asarray(values.mean() + width * rng.standard_t(n - 1, count))


def _miss(
    finished: Attempt, cut_rad_s: float, falls_rad_s: float, forms: Sequence[Form], seed: int
) -> float:
    """Logarithm of the true time left over the forecast one, cut at a speed; NaN if it cannot."""
    if finished.rows is None or finished.fell_s is None:
        return math.nan
    at = passage(finished.rows, cut_rad_s).time_s
    if not math.isfinite(at) or finished.fell_s <= at:
        return math.nan
    try:
        law = fit_rundown(cut_at(finished, at), forms=forms)
    except UsageError:
        return math.nan
    rng = np.random.default_rng(seed)
    draws, endless = _draws(law, np.full(DRAWS, falls_rad_s), rng)
    if endless > MOST_ENDLESS or not len(draws):
        return math.nan
    forecast_s = float(np.median(draws)) - at
    return math.log((finished.fell_s - at) / forecast_s) if forecast_s > 0 else math.nan
