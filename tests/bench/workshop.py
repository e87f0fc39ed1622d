"""How often do the analyses' intervals hold, and how often do they see a difference?

Simulated run-downs with known truth, at the level of measured results.  Run by hand:

    OMP_NUM_THREADS=1 python tests/bench/workshop.py groups
    OMP_NUM_THREADS=1 python tests/bench/workshop.py nulls
    OMP_NUM_THREADS=1 python tests/bench/workshop.py several
    OMP_NUM_THREADS=1 python tests/bench/workshop.py days
    OMP_NUM_THREADS=1 python tests/bench/workshop.py laws
    OMP_NUM_THREADS=1 python tests/bench/workshop.py torques
    OMP_NUM_THREADS=1 python tests/bench/workshop.py forecasts
    OMP_NUM_THREADS=1 python tests/bench/workshop.py topples
    OMP_NUM_THREADS=1 python tests/bench/workshop.py ledger

A second argument scales the number of trials (1 by default).
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

sys.path.insert(0, str(Path(__file__).parents[1]))

from simulated_attempts import RPM, Floats, Law, Spin, attempt, spin

from vidspin.workshop.attempt import Attempt, End, cut_at
from vidspin.workshop.compare import Difference, compare
from vidspin.workshop.effects import contrasts, pool
from vidspin.workshop.forecast import forecast
from vidspin.workshop.law import FORMS
from vidspin.workshop.rundown import fit_rundown, forms_of_power
from vidspin.workshop.starts import starts
from vidspin.workshop.topple import TOPPLE_RPM, expected_topple

LAMINAR = forms_of_power("3/2")[:1]
BETWEEN = (500.0, 1200.0)
Z95 = 1.959964
CLOCK = 2.9e-5  # standard: anywhere within 50 parts in a million


def scaled(base: Spin, factor: float, release_rpm: float) -> Spin:
    """The run-down of a law `factor` times as strong: the base's, `factor` times as fast."""
    first = brentq(lambda t: float(base.speed(t)) - release_rpm * RPM, 0.0, base.duration_s)
    angle = float(base.angle(first))
    return Spin(
        base.law.scaled(factor), release_rpm, base.topple_rpm,
        (base.duration_s - first) / factor,
        lambda s: base.speed(first + factor * s),
        lambda s: (base.angle(first + factor * s) - angle) / factor,
    )  # fmt: skip


def interval(hits: int, trials: int) -> str:
    """Share with its 95 % range of chance (Wilson)."""
    p, z = hits / trials, Z95
    centre = (p + z**2 / (2 * trials)) / (1 + z**2 / trials)
    half = z / (1 + z**2 / trials) * math.sqrt(p * (1 - p) / trials + z**2 / (4 * trials**2))
    return f"{100 * p:.1f} % ({100 * (centre - half):.1f} to {100 * (centre + half):.1f})"


# ------------------------------------------------------------------------------ groups


CASES = [  # words, scatter of the two groups, u of a speed in rev/min, repeats
    ("repeats scatter 0.5 %", (0.005, 0.005), 0.03, (3, 5, 8, 12)),
    ("0.3 % against 0.8 %", (0.003, 0.008), 0.03, (3, 5, 8, 12)),
    ("0.3 %, measurement 0.3 %", (0.003, 0.003), 0.9, (5, 8)),
]


def groups(scale: float) -> None:
    """200 pairs of groups for each number of repeats and each true difference."""
    trials = round(200 * scale)
    base = spin(Law(0.1, 0.0, 2.4e-4), 1750.0)
    differences = (0.0, 0.005, 0.01, 0.02)
    print("| scatter | repeats | interval holds | told at 0 % | 0.5 % | 1 % | 2 % |")
    print("|---|---|---|---|---|---|---|")
    for words, scatter, u_rpm, numbers in CASES:
        for n in numbers:
            rng = np.random.default_rng(100 + n)
            inside, told = 0, []
            for true in differences:
                seen = 0
                for _ in range(trials):
                    pair = _pair(base, n, (scatter, u_rpm), true, rng)
                    inside += pair.low <= 100 * true <= pair.high
                    seen += "longer than" in pair.verdict
                told.append(f"{100 * seen / trials:.1f} %")
            holds = interval(inside, trials * len(differences))
            print(f"| {words} | {n} | {holds} | {' | '.join(told)} |", flush=True)


def nulls(scale: float) -> None:
    """1000 pairs of groups without a difference: how often one is told all the same."""
    trials = round(1000 * scale)
    base = spin(Law(0.1, 0.0, 2.4e-4), 1750.0)
    print("| scatter | repeats | difference told where there is none |")
    print("|---|---|---|")
    for words, scatter, u_rpm, numbers in CASES:
        for n in numbers:
            rng = np.random.default_rng(500 + n)
            told = [
                "longer than" in _pair(base, n, (scatter, u_rpm), 0.0, rng).verdict
                for _ in range(trials)
            ]
            print(f"| {words} | {n} | {interval(sum(told), trials)} |", flush=True)


def several(scale: float) -> None:
    """Groups that start alike: how often some pair is told apart all the same."""
    trials = round(150 * scale)
    print("| groups of six starts | some pair told apart |")
    print("|---|---|")
    for count in (2, 3, 5):
        rng, told = np.random.default_rng(700 + count), 0
        for _ in range(trials):
            made = [
                Attempt(f"{tip}{k}", {"tip": tip}, release=End(2.0, 0.03, float(rpm), 0.4))
                for tip in "abcde"[:count] for k, rpm in enumerate(rng.normal(1500, 60, 6))
            ]  # fmt: skip
            told += any(pair.p <= 0.05 for pair in starts(made, by="tip").contrasts)
        print(f"| {count} | {interval(told, trials)} |", flush=True)


def days(scale: float) -> None:
    """Coast times that scatter from day to day as they do from start to start, no difference."""
    trials = round(2000 * scale)
    print("| days of either group | difference told where there is none |")
    print("|---|---|")
    for words, sides in (
        ("1 1 1 3 3 3 and 2 2 2 4 4 4 (named)", ([0, 0, 0, 2, 2, 2], [1, 1, 1, 3, 3, 3])),
        ("a day for each", ([0, 2, 4, 6, 8], [1, 3, 5, 7, 9])),
        ("1 1 1 2 2 2, both", ([0, 0, 0, 1, 1, 1], [0, 0, 0, 1, 1, 1])),
    ):
        rng, told = np.random.default_rng(1), 0
        for _ in range(trials):
            day = rng.normal(0, 1, 10)
            pooled = [pool(day[s] + rng.normal(0, 1, len(s)), np.full(len(s), 0.01)) for s in sides]
            told += contrasts(pooled)[0].p <= 0.05
        print(f"| {words} | {interval(told, trials)} |", flush=True)


def torques(scale: float) -> None:
    """Decelerations of laws with a square term against their u95, whole and broken-off spins."""
    trials = round(40 * scale)
    print("| law | deceleration within u95, seven speeds each |")
    print("|---|---|")
    for law in (Law(0.2, 1.2e-3, 1.2e-5, 2.0), Law(0.02, 5e-4, 3e-5, 2.0), Law(0.3, 3e-3, 0.0)):
        rng, turning, held = np.random.default_rng(3), spin(law, 1500.0), []
        for k in range(trials):
            seen = attempt(turning, rng, noise_rad=0.01, frame_rate=4.0)
            seen = cut_at(seen, 2.0 + 0.45 * turning.duration_s) if k % 5 > 2 else seen
            found = fit_rundown(seen)
            speed = np.linspace(*found.span_rad_s, 7)
            value, u95 = found.deceleration(speed)
            true = law.a + law.b * speed + law.c * speed**law.p
            held += (np.abs(value - true) <= u95).tolist()
        print(f"| {law} | {interval(sum(held), len(held))} |", flush=True)


def _pair(
    base: Spin,
    n: int,
    kind: tuple[tuple[float, float], float],
    longer: float,
    rng: np.random.Generator,
) -> Difference:
    """Compare two groups of n repeats, the first of which coasts longer by a share."""
    (one, other), u_rpm = kind
    made = [
        *_repeats(base, "a", n, (one, longer, u_rpm), rng),
        *_repeats(base, "b", n, (other, 0.0, u_rpm), rng),
    ]
    (pair,) = compare(made, by="base", between_rpm=BETWEEN).differences
    return pair


def _repeats(
    base: Spin, label: str, n: int, kind: tuple[float, float, float], rng: np.random.Generator
) -> list[Attempt]:
    spread, longer, u_rpm = kind
    made = []
    for k in range(n):
        factor = math.exp(-math.log1p(longer) - rng.normal(0, spread))
        turning = scaled(base, factor, float(np.clip(rng.normal(1500, 70), 1300, 1740)))
        facts = {"base": label}
        made.append(
            attempt(turning, rng, name=f"{label}{k}", facts=facts, u_rpm=u_rpm, u_clock=CLOCK)
        )  # type: ignore[arg-type]
    return made


# -------------------------------------------------------------------------------- laws


def laws(scale: float) -> None:
    """Parameters of simulated run-downs against their u95."""
    trials = round(150 * scale)
    truths = [
        Law(0.05, 0.0, 1.2e-4, 1.5), Law(0.35, 0.0, 2.4e-4, 1.5), Law(0.1, 8e-4, 1.0e-4, 1.5),
        Law(0.1, 0.0, 3.0e-5, 1.8),
    ]  # fmt: skip
    hits: dict[tuple[str, str], list[bool]] = defaultdict(list)
    best: list[bool] = []
    for number, law in enumerate(truths):
        rng = np.random.default_rng(200 + number)
        turning = spin(law, 1600.0)
        for k in range(trials):
            seen = attempt(turning, rng, noise_rad=0.008, frame_rate=6.0, stated=0.8, u_clock=CLOCK)
            if k % 4 == 1:
                seen = cut_at(seen, 2.0 + 0.4 * turning.duration_s)
            if k % 4 == 2:
                seen = _alike(seen, rng, over_s=2.0, size=0.008)
            if k % 4 == 3:
                seen = _alike(seen, rng, over_s=15.0, size=0.002)
            found = fit_rundown(seen)
            for fit in found.fits:
                right = fit.form.free or fit.form.power == law.p
                if not right or (law.b and not fit.form.linear):
                    continue
                for name in fit.names[1:]:
                    i = fit.names.index(name)
                    ok = abs(fit.values[i] - getattr(law, name)) <= fit.u95[i]
                    hits[fit.form.name, name].append(bool(ok))
            own = found.best.form
            best.append(own.free or own.power == law.p)
    print("| form | parameter | within u95 |")
    print("|---|---|---|")
    for (form, name), held in sorted(hits.items()):
        print(f"| {form} | {name} | {interval(sum(held), len(held))} of {len(held)} |")
    everything = [h for held in hits.values() for h in held]
    print(f"| all | all | {interval(sum(everything), len(everything))} of {len(everything)} |")
    print(f"likeliest form has the right power or a free one: {interval(sum(best), len(best))}")


def _alike(seen: Attempt, rng: np.random.Generator, *, over_s: float, size: float) -> Attempt:
    """Add noise that neighbours share over some time."""
    assert seen.phase is not None
    step = float(np.median(np.diff(seen.phase.time_s)))
    reach = round(4 * over_s / step)
    white = rng.normal(0, 1, len(seen.phase.time_s) + 2 * reach)
    kernel = np.exp(-np.abs(np.arange(-reach, reach + 1)) * 2 * step / over_s)
    shared = np.convolve(white, kernel / np.sqrt((kernel**2).sum()), "valid")
    phase = replace(seen.phase, angle_rad=seen.phase.angle_rad + size * shared)
    return replace(seen, phase=phase)


# --------------------------------------------------------------------------- forecasts


def forecasts(scale: float) -> None:
    """Spin time of the next start, released up to 15 % faster than any before."""
    trials = round(400 * scale)
    print("| repeats | next spin time inside the interval | width of the interval |")
    print("|---|---|---|")
    for n in (3, 5, 8, 12):
        rng = np.random.default_rng(300 + n)
        inside, widths = 0, []
        for _ in range(trials):
            made = [_one(rng, rng.normal(1400, 70), k) for k in range(n)]
            fastest = max(a.release.rpm for a in made if a.release)
            release = rng.uniform(1200, 1.15 * fastest)
            new = _one(rng, release, n)
            _, low, high = forecast(made, forms=LAMINAR).at(release)
            inside += low <= (new.spin_time_s or 0.0) <= high
            widths.append((high - low) / (new.spin_time_s or 1.0))
        print(f"| {n} | {interval(inside, trials)} | {100 * np.median(widths):.0f} % |", flush=True)


def _one(rng: np.random.Generator, release_rpm: float, number: int) -> Attempt:
    law = Law(0.2, 0.0, 4e-4).scaled(math.exp(rng.normal(0, 0.02)))
    turning = spin(law, release_rpm, float(np.exp(rng.normal(math.log(310), 0.06))))
    return attempt(turning, rng, name=f"n{number}", noise_rad=0.01, frame_rate=2.0, u_clock=CLOCK)


# ----------------------------------------------------------------------------- topples


def topples(scale: float) -> None:
    """Broken-off run-downs, cut at 30 to 70 % of their spin time."""
    trials = round(200 * scale)
    print("| what is known | true topple inside the interval | median width |")
    print("|---|---|---|")
    for words, kind in (
        ("nothing: topple 100 to 500 rev/min assumed", "alone"),
        ("topple ±5 % stated", "stated"),
        ("5 finished repeats", "repeats"),
        ("5 finished repeats, drag doubled below 450 rev/min", "leaning"),
    ):
        rng = np.random.default_rng(400)
        inside, widths = 0, []
        for _ in range(trials):
            low, high, true = _topple(kind, rng)
            inside += low <= true <= high
            widths.append((high - low) / true)
        print(f"| {words} | {interval(inside, trials)} | {100 * np.median(widths):.0f} % |", flush=True)  # fmt: skip  # noqa: E501


def _topple(kind: str, rng: np.random.Generator) -> tuple[float, float, float]:
    p = float(rng.choice([1.5, 1.8]))
    law = Law(rng.uniform(0.05, 0.4), 0.0, rng.uniform(1e-4, 4e-4) * 120 ** (1.5 - p), p)
    if kind == "alone":
        middle, width = math.log(TOPPLE_RPM[0] * TOPPLE_RPM[1]) / 2, math.log(5.0) / 2 / Z95
        falls = math.exp(rng.normal(middle, width))
    else:
        falls = rng.uniform(200.0, 400.0)

    def draw(lean: bool) -> Attempt:
        own = law.scaled(math.exp(rng.normal(0, 0.02)))
        speed = falls * math.exp(rng.normal(0, 0.05 / Z95 if kind != "alone" else 0.0))
        release = rng.normal(1500, 80)
        turning = leaning(own, release, speed) if lean else spin(own, release, speed)
        return attempt(turning, rng, noise_rad=0.008, frame_rate=4.0, u_clock=CLOCK)

    new = draw(kind == "leaning")
    assert new.topple is not None
    true = new.topple.time_s
    cut = cut_at(new, 2.0 + rng.uniform(0.3, 0.7) * (true - 2.0))
    if kind == "alone":
        found = expected_topple(cut)
    elif kind == "stated":
        found = expected_topple(cut, topple_rpm=(0.95 * falls, falls / 0.95))
    else:
        repeats = [draw(kind == "leaning") for _ in range(5)]
        forms = forms_of_power("3/2" if p == 1.5 else "9/5")
        found = expected_topple(cut, repeats=repeats, forms=forms)
    return found.low_s, found.high_s, true


def leaning(law: Law, release_rpm: float, topple_rpm: float) -> Spin:
    """A run-down whose drag doubles below 450 rev/min, as when the top leans over."""
    change = 450.0
    if topple_rpm >= change:
        return spin(law, release_rpm, topple_rpm)
    first, last = spin(law, release_rpm, change), spin(law.scaled(2.0), change, topple_rpm)
    turn = float(first.angle(first.duration_s))

    def pick(early: object, late: object, offset: float) -> object:
        def at(t: Floats) -> Floats:
            since = np.asarray(t) - first.duration_s
            return np.where(
                since < 0,
                early(np.minimum(t, first.duration_s)),  # type: ignore[operator]
                offset + late(np.maximum(since, 0.0)),  # type: ignore[operator]
            )

        return at

    return Spin(
        law, release_rpm, topple_rpm, first.duration_s + last.duration_s,
        pick(first.speed, last.speed, 0.0), pick(first.angle, last.angle, turn),
    )  # fmt: skip


# ------------------------------------------------------------------------------ ledger


def ledger(scale: float) -> None:
    """Listing ten thousand attempts."""
    from test_ledger import entry

    from vidspin.ledger import Choice, Ledger

    count = round(10_000 * scale)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "l.sqlite"
        with Ledger(path, create=True) as book:
            book.add(entry(n) for n in range(count))
        for words, choice in (
            ("all by date", Choice()), ("best first", Choice(sort="best")),
            ("of one tip", Choice(where={"tip": "ruby"})),
            ("ten best", Choice(sort="best", most=10)),
        ):  # fmt: skip
            wall, cpu = time.perf_counter(), time.process_time()
            with Ledger(path) as book:
                found = len(book.entries(choice))
            wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
            print(f"| {words} | {found} of {count} | {wall:.2f} s | {cpu:.2f} s of processor |")


if __name__ == "__main__":
    assert len(FORMS) == 7
    section = {
        f.__name__: f
        for f in (groups, nulls, several, days, laws, torques, forecasts, topples, ledger)
    }
    start = time.perf_counter()
    section[sys.argv[1]](float(sys.argv[2]) if len(sys.argv) > 2 else 1.0)
    print(f"{time.perf_counter() - start:.0f} s", file=sys.stderr)
