"""When does a broken-off spin end?  A run-down carried on to its topple."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vidspin.errors import UsageError
from vidspin.records import BoolArray, FloatArray
from vidspin.uncertainty import NORMAL_95
from vidspin.units import rad_s_from_rpm, rpm_from_rad_s
from vidspin.wording import plural
from vidspin.workshop.attempt import Attempt, cut_at
from vidspin.workshop.coast import passage
from vidspin.workshop.effects import FEWEST_REPEATS
from vidspin.workshop.grouping import mixed_parts
from vidspin.workshop.law import FORMS, Form, coast_time
from vidspin.workshop.rundown import Rundown, fit_rundown

# Where nobody says at which speed a top falls: 95 % of them in this range (invented; hand-spun
# tops lose their balance somewhere between a slow wobble and a few hundred rev/min).
TOPPLE_RPM = (100.0, 500.0)
DRAWS = 4000
SEED = 20240501
# More draws than this share that never fall: the law is not known well enough to go on with.
MOST_ENDLESS = 0.2
# Fewer draws than this share that fall after the recording ends: that it spins on refutes the rest.
LEAST_AHEAD = 0.05


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
    if topple_rpm is None and finished and (parts := mixed_parts([attempt, *finished])):
        assumption += f"; but it and they differ in {parts}"
    draws, endless = _draws(law, falls, rng)
    if endless > MOST_ENDLESS:
        raise UsageError(
            "its run-down is too short to tell that it will fall", where=attempt.name,
            do="record on, or state --power",
        )  # fmt: skip
    if len(misses) >= FEWEST_REPEATS:
        draws = last_s + (draws - last_s) * np.exp(_scatter(np.array(misses), len(draws), rng))
    ahead = draws[draws > last_s]  # it still spins
    if len(ahead) < LEAST_AHEAD * len(draws):
        raise UsageError(
            f"by its law it would have fallen before {last_s:.1f} s, when it still spins: the "
            "speed at the topple is too near to the last one seen", where=attempt.name,
            do="state a slower range with --topple",
        )  # fmt: skip
    return _told(attempt, ahead, (last_s, last), assumption, endless)


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
