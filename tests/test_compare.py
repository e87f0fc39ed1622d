"""Attempts at equal speed: passages, coast times, verdicts in words."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import brentq
from simulated_attempts import RPM, Law, Spin, attempt, spin

from vidspin.errors import UsageError
from vidspin.figures.compare import compare_figure
from vidspin.figures.starts_page import starts_page
from vidspin.workshop.attempt import Attempt, Rows
from vidspin.workshop.coast import passage
from vidspin.workshop.compare import _verdict, compare
from vidspin.workshop.forecast import forecast
from vidspin.workshop.starts import starts
from vidspin.workshop.telling import ORDER_UNKNOWN, compare_text, forecast_text, starts_text

LAW = Law(0.2, 0.0, 4e-4)


def repeats(
    base: str, count: int, rng: np.random.Generator, *, longer: float = 0.0, scatter: float = 0.004
) -> list[Attempt]:
    """Attempts whose coast times are `longer` and scatter from one to the next."""
    made = []
    for k in range(count):
        factor = np.exp(-np.log1p(longer) - rng.normal(0, scatter))
        turning = spin(LAW.scaled(factor), rng.normal(1500, 60))
        made.append(attempt(turning, rng, name=f"{base}{k}", facts={"base": base}))
    return made


def test_a_passage_is_found_where_the_speed_falls_through_a_value() -> None:
    turning = spin(LAW, 1500.0)
    seen = attempt(turning, np.random.default_rng(1), u_rpm=0.03)
    assert seen.rows is not None
    t = np.linspace(0, turning.duration_s, 400_001)
    true = 2.0 + np.interp(-900 * RPM, -turning.speed(t), t)
    found = passage(seen.rows, 900 * RPM)
    assert abs(found.time_s - true) < 3 * found.u_s
    slope = LAW.a + LAW.c * (900 * RPM) ** 1.5
    assert found.u_s == pytest.approx(0.03 * RPM / slope, rel=0.05)


def passing(turning: Spin, rpm: float) -> float:
    """When a run-down truly passes a speed."""
    return float(brentq(lambda t: turning.speed(t) - rpm * RPM, 0, turning.duration_s))


def coast_errors(factor: float, rng: np.random.Generator, count: int = 40) -> list[float]:
    """Errors of coast times ÷ their u, of tops that slow `factor` times faster than `LAW`."""
    errors = []
    for _ in range(count):
        turning = spin(LAW.scaled(factor), 1500.0 + rng.uniform(-20.0, 20.0))
        seen = attempt(turning, rng, release_s=2.0 + rng.uniform())
        try:
            (group,) = compare([seen], between_rpm=(500.0, 1200.0)).groups
        except UsageError:  # the first row comes too late
            continue
        true = passing(turning, 500.0) - passing(turning, 1200.0)
        errors.append((float(group.coast_s[0]) - true) / (0.5 * float(group.u95_coast_s[0])))
    return errors


@pytest.mark.parametrize("factor", [1.0, 8.0, 12.0, 20.0, 30.0])
def test_coast_times_of_quick_tops_are_as_sure_as_they_say(factor: float) -> None:
    # spin times of 245, 31, 21, 12 and 8 s; rows every second, each with its own noise
    errors = np.array(coast_errors(factor, np.random.default_rng(28)))
    assert len(errors) >= 25
    # no more than noise: their mean by 3, their scatter by 3.5 of its own standard deviations
    assert abs(errors.mean()) < 3 / len(errors) ** 0.5
    assert np.sqrt(np.mean(errors**2)) < 1 + 3.5 / (2 * len(errors)) ** 0.5


@pytest.mark.parametrize(
    "law",
    [Law(0.5, 0.0, 0.0), Law(0.0, 0.0, 1e-5, 2.0), Law(0.3, 0.0, 3e-5, 2.0), LAW],
    ids=["dry", "turbulent", "both", "laminar"],
)
@pytest.mark.parametrize("seconds", [6.0, 20.0, 60.0])
def test_what_the_polynomial_leaves_over_is_within_its_bound(law: Law, seconds: float) -> None:
    turning = spin(law.scaled(spin(law, 1500.0).duration_s / seconds), 1500.0)
    for start in (0.1, 0.4, 0.7):
        at = np.arange(start, seconds, 1.0)
        speed = turning.speed(at)
        rows = Rows(at, speed, np.full(len(at), 1e-9))  # no noise: u is the bound alone
        for rpm in np.linspace(1.02 * speed[-1] / RPM, 0.99 * speed[0] / RPM, 9):
            found = passage(rows, float(rpm) * RPM)
            assert abs(found.time_s - passing(turning, rpm)) < 3**0.5 * found.u_s + 1e-6


@pytest.mark.parametrize("every_s", [0.1, 0.25, 0.5, 1.0])
def test_rows_that_share_their_noise_say_how_sure_a_passage_is(every_s: float) -> None:
    # a slow top, and a noise that is alike over two seconds, as that of overlapping windows
    rng, fine, u = np.random.default_rng(29), 0.05, 0.1 * RPM
    errors = []
    for _ in range(200):
        time = np.arange(-60.0, 60.0, fine)
        noise = gaussian_filter1d(rng.normal(size=len(time)), 0.7 / fine)
        speed = (600.0 - 0.1 * time) * RPM + noise * u / noise.std()
        some = slice(int(rng.integers(20)), None, round(every_s / fine))
        rows = Rows(time[some], speed[some], np.full(len(time[some]), u))
        found = passage(rows, 600.0 * RPM)
        if not found.why_not:
            errors.append(found.time_s / found.u_s)
    assert len(errors) > 180
    # as sure as one row: the scatter of 200 is good to 5 %, two of these
    assert np.std(errors) < 1.1
    assert np.mean(np.abs(errors) < 1.96) > 0.92


def test_a_speed_that_rises_about_a_passage_is_not_passed() -> None:
    # a fall by one row and a rise thereafter: a slope with the wrong sign is no uncertainty
    speed = 100.0 + np.array([0.1, -4.0, -3.0, -2.0, -1.0, -0.5])
    found = passage(Rows(np.arange(6.0), speed, np.full(6, 0.01)), 100.0)
    assert "does not fall" in found.why_not and np.isnan(found.u_s)


def test_what_was_not_seen_is_no_passage() -> None:
    seen = attempt(spin(LAW, 1500.0), np.random.default_rng(1)).rows
    assert seen is not None
    assert "below" in passage(seen, 1600 * RPM).why_not
    assert "down to" in passage(seen, 200 * RPM).why_not
    gap = np.abs(seen.speed_rad_s - 900 * RPM) > 20 * RPM
    holed = Rows(seen.time_s[gap], seen.speed_rad_s[gap], seen.u_rad_s[gap])
    assert "while it passes" in passage(holed, 900 * RPM).why_not
    pushed = replace(seen, speed_rad_s=seen.speed_rad_s + 100 * RPM * (seen.time_s > 60))
    speed = float(seen.speed_rad_s[np.searchsorted(seen.time_s, 60.0)])
    assert "more than once" in passage(pushed, speed + 20 * RPM).why_not


def test_a_longer_coast_is_found_with_its_size() -> None:
    rng = np.random.default_rng(20)
    found = compare(
        [*repeats("glass", 6, rng, longer=0.03), *repeats("steel", 6, rng)],
        by="base", between_rpm=(500.0, 1200.0),
    )  # fmt: skip
    (pair,) = found.differences
    assert (pair.first, pair.second, pair.enough) == ("glass", "steel", True)
    assert pair.low < 3.0 < pair.high and pair.p < 0.05
    assert pair.verdict.startswith("glass coasts ")
    assert pair.verdict.endswith("% longer than steel between 500 and 1200 rev/min")
    assert np.all(np.abs(pair.pieces_percent - 3.0) < 1.5 * pair.pieces_u95)
    turned = compare(
        [*repeats("a", 6, rng), *repeats("b", 6, rng, longer=0.03)],
        by="base", between_rpm=(500.0, 1200.0),
    )  # fmt: skip
    assert turned.differences[0].percent < 0
    assert turned.differences[0].verdict.startswith("b coasts ")


def test_no_difference_is_told_with_the_size_that_can_be_ruled_out() -> None:
    rng = np.random.default_rng(21)
    found = compare(
        [*repeats("glass", 5, rng), *repeats("steel", 5, rng)],
        by="base", between_rpm=(500.0, 1200.0),
    )  # fmt: skip
    (pair,) = found.differences
    said = re.fullmatch(
        r"no difference above ([\d.]+) % between glass and steel between 500 and 1200 rev/min",
        pair.verdict,
    )
    # of the shorter coast, whichever that is, and never less than the interval holds
    most = max(pair.high, 100 * (1 / (1 + 0.01 * pair.low) - 1))
    assert said is not None and pair.p > 0.05
    assert most <= float(said[1]) < 1.11 * most


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ((-12.0, -26.7, 5.1), "no difference above 37 % between"),  # 1 / 0.733
        ((12.0, -4.9, 36.4), "no difference above 37 % between"),  # the labels the other way round
        ((3.0, 0.13, 23.33), "no difference above 24 % between"),
        ((60.0, -5.0, 142.0), "no difference above 150 % between"),
        ((0.1, -0.2, 0.41), "no difference above 0.41 % between"),
    ],
)
def test_a_bound_that_can_be_ruled_out_is_never_cut(
    figures: tuple[float, float, float], words: str
) -> None:
    assert _verdict(("a", "b"), figures, 0.4, (500.0, 1200.0)).startswith(words)


def test_no_bound_is_told_where_there_is_none() -> None:
    told = _verdict(("a", "b"), (5.0, -100.0, 1e9), 0.5, (100.0, 200.0))
    assert told.startswith("no bound on a difference between a and b")


def test_a_difference_is_told_with_an_interval_that_holds_no_0() -> None:
    told = _verdict(("a", "b"), (22.0, 0.5, 48.4), 0.045, (500.0, 1200.0))
    assert told.startswith("a coasts 22 % (0.5 to 48 %) longer than b")


def test_scatter_from_repeat_to_repeat_is_told_from_measurement() -> None:
    rng = np.random.default_rng(22)
    calm = compare(repeats("x", 12, rng, scatter=1e-9), between_rpm=(500.0, 1200.0)).groups[0]
    wild = compare(repeats("x", 12, rng, scatter=0.01), between_rpm=(500.0, 1200.0)).groups[0]
    assert calm.pooled is not None and wild.pooled is not None
    assert calm.pooled.tau < 3 * calm.pooled.u_measurement < 0.001
    # a standard deviation of 12 is good to 22 %: three of these
    assert wild.pooled.tau == pytest.approx(0.01, rel=0.66)


def test_two_attempts_alone_are_too_few() -> None:
    rng = np.random.default_rng(23)
    found = compare([*repeats("glass", 1, rng, longer=0.2), *repeats("steel", 1, rng)], by="base")
    (pair,) = found.differences
    assert not pair.enough and np.isnan(pair.p)
    assert pair.verdict.startswith("too few to tell glass (1 attempt) from steel (1 attempt)")
    assert found.groups[0].pooled is None


def test_attempts_that_do_not_tell_the_fact_get_no_verdict() -> None:
    rng = np.random.default_rng(27)
    glass, steel = repeats("glass", 4, rng), repeats("steel", 4, rng)
    untold = [replace(a, facts={}) for a in repeats("x", 4, rng, longer=0.1)]
    two = compare([*glass, *steel], by="base", between_rpm=(500.0, 1200.0))
    found = compare([*glass, *steel, *untold], by="base", between_rpm=(500.0, 1200.0))
    assert [d.enough for d in found.differences] == [True, False, False]
    assert found.differences[0].p == two.differences[0].p  # two are judged, not three
    one = found.differences[1]
    assert np.isnan(one.p) and one.verdict == (
        "no verdict between glass (4 attempts) and (not told) (4 attempts): what is not told may "
        "be the same or not"
    )


def test_three_groups_are_judged_together() -> None:
    rng = np.random.default_rng(24)
    groups = [repeats(base, 4, rng) for base in ("a", "b", "c")]
    three = compare([x for g in groups for x in g], by="base", between_rpm=(500.0, 1200.0))
    two = compare([*groups[0], *groups[1]], by="base", between_rpm=(500.0, 1200.0))
    assert len(three.differences) == 3
    wide, narrow = (c.differences[0] for c in (three, two))
    assert wide.high - wide.low > narrow.high - narrow.low
    assert wide.p > narrow.p


def test_the_common_range_is_what_all_of_them_pass() -> None:
    rng = np.random.default_rng(25)
    made = repeats("x", 4, rng)
    found = compare(made)
    slow, fast = found.between_rpm
    fastest = [a.rows.speed_rad_s.max() / RPM for a in made if a.rows]
    slowest = [a.rows.speed_rad_s.min() / RPM for a in made if a.rows]
    assert slow - 10 < max(slowest) <= slow and fast <= min(fastest) < fast + 10
    assert found.left_out == ()
    assert found.edges_rpm[0] == pytest.approx(fast) and found.edges_rpm[-1] == pytest.approx(slow)


def test_attempts_that_do_not_pass_the_range_are_left_out_with_the_reason() -> None:
    rng = np.random.default_rng(26)
    made = repeats("x", 3, rng)
    doubtful = Attempt("owl", {"base": "x"}, resolved=False, candidates=((900.0, 0.9),))
    slow = attempt(spin(LAW, 1000.0), rng, name="slow", facts={"base": "x"})
    found = compare([*made, doubtful, slow], by="base", between_rpm=(500.0, 1200.0))
    assert {o.name: o.why for o in found.left_out} == {
        "owl": "alias order unresolved",
        "slow": "it is first seen below 1200 rev/min",
    }
    assert len(found.table()["coast_s"]) == 3


def test_no_common_range_is_an_error_that_names_the_culprits() -> None:
    rng = np.random.default_rng(27)
    low = attempt(spin(LAW, 500.0, 300.0), rng, name="low")
    high = attempt(spin(LAW, 1500.0, 900.0), rng, name="high")
    with pytest.raises(UsageError, match=r"high ends at .*low starts at"):
        compare([low, high])
    with pytest.raises(UsageError, match="holds no speed"):
        compare([low], between_rpm=(900.0, 300.0))
    with pytest.raises(UsageError, match="no attempt is seen"):
        compare([low], between_rpm=(2000.0, 3000.0))
    with pytest.raises(UsageError, match="known speed"):
        compare([Attempt("owl", resolved=False)])


def test_an_attempt_unlike_all_others_of_its_group_is_named() -> None:
    """One that was bumped hides a difference of 2 %, and nothing said so."""
    rng = np.random.default_rng(5)
    made = [*repeats("glass", 5, rng), *repeats("steel", 5, rng, longer=0.02)]
    calm = compare(made, by="base", between_rpm=(500, 1200))
    assert calm.doubted == ()
    bumped = replace(repeats("steel", 1, rng, longer=-0.1)[0], name="knocked", sha256=("k",))
    found = compare([*made, bumped], by="base", between_rpm=(500, 1200))
    (one,) = found.doubted
    assert one.name == "knocked" and re.search(r"coasts 1[12](\.\d)? % shorter than", one.why)
    text = compare_text(found)
    assert "counted, but look at them first:\n  knocked: coasts" in text
    assert b"look first at knocked" in compare_figure(found)["compare.svg"]


def test_touches_and_failed_checks_are_told_with_what_counts() -> None:
    rng = np.random.default_rng(6)
    made = [*repeats("glass", 3, rng), *repeats("steel", 3, rng)]
    made[1] = replace(made[1], doubts=("touched once", "check failed: speed that rises (2 %)"))
    line = f"  {made[1].name}: touched once; check failed: speed that rises (2 %)"
    assert line in compare_text(compare(made, by="base"))
    assert line in forecast_text(forecast(made))
    assert line in starts_text(starts(made, by="base"))
    assert (
        made[1].name
        in starts_page(starts(made, by="base"), b"<svg/>", version="1")
        .partition("look at them first")[2]
        .partition("Single starts")[0]
    )


def test_no_scatter_beyond_measurement_is_not_told_as_none() -> None:
    rng = np.random.default_rng(7)
    text = compare_text(compare(repeats("glass", 3, rng, scatter=0.0)[:2], by="base"))
    assert "no scatter from start to start is seen beyond that of measurement (0.0" in text


def test_an_order_that_is_not_known_is_told() -> None:
    rng = np.random.default_rng(8)
    made = [*repeats("glass", 3, rng), *repeats("steel", 3, rng)]
    assert ORDER_UNKNOWN in compare_text(compare(made, by="base"))
    turns = [
        replace(a, filmed=f"2024-05-01T1{k % 3}:{10 * (k // 3):02d}:00Z", recorded_from="file",
                recorded=f"2024-05-01T1{k % 3}:{10 * (k // 3):02d}:00Z")
        for k, a in enumerate(made)
    ]  # fmt: skip
    assert ORDER_UNKNOWN not in compare_text(compare(turns, by="base"))
    assert ORDER_UNKNOWN not in compare_text(compare(made))
