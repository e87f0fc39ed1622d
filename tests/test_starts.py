"""Release speeds in groups: bins, medians, comparisons, and what is not counted."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from vidspin.errors import UsageError
from vidspin.figures.starts import group_words
from vidspin.figures.starts_page import starts_page
from vidspin.records import Fact
from vidspin.workshop.attempt import Attempt, End
from vidspin.workshop.grouping import (
    ONE_AFTER_ANOTHER,
    OTHER_DAYS,
    UNTOLD,
    Group,
    also_different,
    chosen,
    grouped,
    order_known,
)
from vidspin.workshop.starts import median_interval, starts
from vidspin.workshop.telling import group_line, starts_text

RPM = np.array([1510.0, 1622.0, 1580.0, 1702.0, 1455.0, 1660.0, 1549.0, 1601.0])


def start(rpm: float, tip: str = "steel", name: str = "") -> Attempt:
    facts = {"tip": tip} if tip else {}
    return Attempt(name or f"n{rpm:.0f}", facts, release=End(2.0, 0.03, rpm, 0.4))  # type: ignore[arg-type]


def test_bins_follow_freedman_and_diaconis_and_numpy() -> None:
    found = starts([start(rpm) for rpm in RPM])
    quartiles = np.percentile(RPM, (25, 75))
    width = 2 * (quartiles[1] - quartiles[0]) / len(RPM) ** (1 / 3)
    bins = math.ceil(np.ptp(RPM) / width)
    assert len(found.edges_rpm) - 1 == bins
    assert found.edges_rpm == pytest.approx(np.histogram_bin_edges(RPM, "fd"))
    assert found.counts.sum() == len(RPM)
    assert "Freedman" in found.rule and "rev/min" in found.rule


def test_the_slowest_start_is_counted_where_a_rounding_puts_its_edge_above_it() -> None:
    """0.2 times 5017 is more than 1003.4."""
    found = starts([start(rpm) for rpm in (1003.4, 1005.0, 1006.2, 1008.6)], width_rpm=0.2)
    assert int(np.sum(found.counts)) == 4


def test_a_stated_width_makes_edges_at_its_multiples() -> None:
    found = starts([start(rpm) for rpm in RPM], width_rpm=50.0)
    assert found.edges_rpm.tolist() == [1450, 1500, 1550, 1600, 1650, 1700, 1750]
    assert found.counts.tolist() == [[1, 2, 1, 2, 1, 1]]
    with pytest.raises(UsageError, match="too many"):
        starts([start(rpm) for rpm in RPM], width_rpm=0.1)
    with pytest.raises(UsageError, match="no rule"):
        starts([start(rpm) for rpm in RPM], rule="guess")


@pytest.mark.parametrize(
    ("count", "from_the_end", "level"),
    # by hand: 6 tosses are all heads or all tails in 2/64, 17 have 4 or fewer of one in 6428/131072
    [(6, 1, 0.96875), (7, 1, 0.984375), (8, 1, 0.9921875), (9, 2, 0.9609375), (17, 5, 0.9510)],
)
def test_interval_of_a_median_lies_between_two_of_the_values(
    count: int, from_the_end: int, level: float
) -> None:
    values = np.random.default_rng(4).permutation(np.arange(1.0, count + 1))
    low, high, told = median_interval(values)
    assert (low, high) == (from_the_end, count + 1 - from_the_end)
    assert told == pytest.approx(level, abs=5e-5)


@pytest.mark.parametrize("count", [6, 7, 8, 10, 15])
def test_interval_of_a_median_holds_it_as_often_as_it_says(count: int) -> None:
    """4000 skewed samples; four standard deviations of the share of them are allowed."""
    samples = np.random.default_rng(count).exponential(size=(4000, count))
    found = [median_interval(sample) for sample in samples]
    inside = np.mean([low <= math.log(2) <= high for low, high, _ in found])
    level = found[0][2]
    assert level >= 0.95
    assert inside == pytest.approx(level, abs=4 * math.sqrt(level * (1 - level) / 4000))


def test_few_starts_get_no_interval_of_their_median() -> None:
    assert all(math.isnan(x) for x in median_interval(RPM[:5]))
    assert median_interval(np.full(7, 3.0)) == (3.0, 3.0, 0.984375)


def test_the_level_of_a_median_s_interval_is_told() -> None:
    (group,) = starts([start(rpm) for rpm in RPM]).groups
    for words in (group_line(group), group_words(group)):
        assert "99.2 % interval" in words


def test_what_is_unresolved_or_unseen_is_listed_apart_and_never_counted() -> None:
    doubtful = Attempt("owl", {"tip": "steel"}, resolved=False, candidates=((1700.0, 0.6),))
    late = Attempt("jay", {"tip": "steel"})
    found = starts([*(start(rpm) for rpm in RPM), doubtful, late], by="tip")
    assert found.counts.sum() == len(RPM)
    assert [(o.name, o.candidates) for o in found.left_out] == [
        ("owl", ((1700.0, 0.6),)),
        ("jay", ()),
    ]
    assert "unresolved" in found.left_out[0].why
    assert len(found.table()["name"]) == len(RPM)


def test_only_doubtful_starts_give_no_histogram() -> None:
    found = starts([Attempt("owl", {}, resolved=False)])
    assert found.groups == () and found.counts.shape == (0, 1) and len(found.left_out) == 1


def test_two_groups_are_compared_with_interval_and_exact_permutations() -> None:
    one = [start(rpm, "steel") for rpm in RPM[:5]]
    other = [start(rpm - 250, "ruby") for rpm in RPM[3:]]
    found = starts([*one, *other], by="tip")
    (pair,) = found.contrasts
    assert (pair.first, pair.second, pair.exact) == ("ruby", "steel", True)
    ruby, steel = (np.array([a.release.rpm for a in g if a.release]) for g in (other, one))
    assert pair.difference == pytest.approx(ruby.mean() - steel.mean())
    assert pair.ratio == pytest.approx(ruby.mean() / steel.mean())
    # Welch's t of every exchange, counted by hand
    both = np.concatenate([ruby, steel])
    far = [
        stats.ttest_ind(both[list(pick)], np.delete(both, pick), equal_var=False).statistic
        for pick in combinations(range(len(both)), len(ruby))
    ]
    observed = stats.ttest_ind(ruby, steel, equal_var=False).statistic
    p = np.mean(np.abs(far) >= abs(observed) - 1e-9)
    assert p > stats.ttest_ind(ruby, steel, equal_var=False).pvalue  # the larger is told
    assert pair.p == pytest.approx(p, abs=1e-9)
    assert pair.difference_low < pair.difference < pair.difference_high < 0
    assert pair.ratio_low < pair.ratio < pair.ratio_high < 1


def test_unequal_scatter_and_numbers_are_no_difference_of_means() -> None:
    """4 starts that scatter by 100 against 12 by 30, equal means, 300 times: p <= 0.05 in 15
    of them is right, 4 to 28 is what chance allows at 1 in 1000.  And p never contradicts the
    interval beside it."""
    rng, found = np.random.default_rng(3), 0
    for _ in range(300):
        made = [start(r, "a") for r in rng.normal(1500, 100, 4)]
        made += [start(r, "b") for r in rng.normal(1500, 30, 12)]
        (pair,) = starts(made, by="tip").contrasts
        found += pair.p <= 0.05
        assert pair.p > 0.05 or not pair.difference_low <= 0 <= pair.difference_high
    assert 4 <= found <= 28


def test_groups_without_scatter_in_an_exchange_are_compared() -> None:
    made = [start(r, "a", f"a{k}") for k, r in enumerate((1500.0,) * 4)]
    made += [start(r, "b", f"b{k}") for k, r in enumerate((1400.0, 1400.0, 1400.0, 1410.0))]
    (pair,) = starts(made, by="tip").contrasts
    assert pair.p == pytest.approx(2 / math.comb(8, 4))


def test_small_groups_are_not_compared() -> None:
    found = starts([*(start(r) for r in RPM[:3]), *(start(r, "ruby") for r in RPM)], by="tip")
    (pair,) = found.contrasts
    assert math.isnan(pair.p) and "too few" in pair.note


def test_intervals_of_differences_hold_95_in_100() -> None:
    """Welch's interval of 5 against 6 normal starts, 200 times: 190 expected, 181 to 198 is what
    chance allows at 1 in 1000."""
    rng, inside = np.random.default_rng(1), 0
    for _ in range(200):
        one = [start(r, "a") for r in rng.normal(1600, 100, 5)]
        other = [start(r, "b") for r in rng.normal(1500, 100, 6)]
        (pair,) = starts([*one, *other], by="tip").contrasts
        inside += pair.difference_low <= 100 <= pair.difference_high
    assert 181 <= inside <= 198


def test_an_outlier_leaves_an_interval_that_means_something() -> None:
    """Many resamples of such a group have no scatter: a bootstrap-t interval of it went from
    -469 to +358205, and the ratio's end was 4e49."""
    wild = np.array([1500.0, 1510.0, 1490.0, 1505.0, 6000.0])
    calm = np.array([1400.0, 1405.0, 1395.0, 1400.0])
    made = [start(r, "a", f"a{k}") for k, r in enumerate(wild)]
    made += [start(r, "b", f"b{k}") for k, r in enumerate(calm)]
    (pair,) = starts(made, by="tip").contrasts
    low, high = stats.ttest_ind(wild, calm, equal_var=False).confidence_interval(0.95)
    assert (pair.difference_low, pair.difference_high) == pytest.approx((low, high))
    assert 0.2 < pair.ratio_low < 1 < pair.ratio_high < 10


def test_four_starts_against_four_have_both_ends() -> None:
    """Some resamples have no scatter at all: this printed "+nan to +102.5"."""
    made = [start(r, "a", f"a{k}") for k, r in enumerate((1500.0, 1500.0, 1500.0, 1510.0))]
    made += [start(1400.0, "b", f"b{k}") for k in range(4)]
    (pair,) = starts(made, by="tip").contrasts
    # one group has all of the scatter: Student's t with its three degrees of freedom
    half = 2.5 * stats.t.ppf(0.975, 3)
    assert (pair.difference_low, pair.difference_high) == pytest.approx(
        (102.5 - half, 102.5 + half)
    )


def test_groups_without_scatter_get_no_interval() -> None:
    made = [start(r, tip, f"{tip}{k}") for tip, r in (("a", 1500), ("b", 1400)) for k in range(4)]
    (pair,) = starts(made, by="tip").contrasts
    assert pair.difference == 100
    assert math.isnan(pair.difference_low) and math.isnan(pair.p) and "scatter" in pair.note


def test_groups_by_several_facts_and_untold_last() -> None:
    a, b, c = start(1, "ruby"), start(2, "steel"), start(3, "")
    a = replace(a, facts={"tip": "ruby", "base": "glass"})
    labels = [g.label for g in grouped([c, b, a], "tip, base")]
    assert labels == ["ruby, glass", f"steel, {UNTOLD}", f"{UNTOLD}, {UNTOLD}"]
    assert grouped([a, b], "")[0].label == "all"
    assert chosen([a, b, c], {"tip": "steel"}) == (b,)


def test_facts_that_change_with_the_groups_are_named() -> None:
    def told(tip: str, operator: str, room: float) -> Attempt:
        return Attempt("x", {"tip": tip, "operator": operator, "temperature": room})

    made = grouped([told("a", "P", 20), told("a", "P", 21), told("b", "Q", 20)], "tip")
    assert also_different(made, "tip") == ("operator",)


def sides(**facts: tuple[list[Fact], list[Fact]]) -> tuple[Group, ...]:
    """Two groups by tip that are told these facts; None is not told."""
    made = []
    for side, tip in enumerate("ab"):
        rows = zip(*(values[side] for values in facts.values()), strict=True)
        told = [{k: v for k, v in zip(facts, r, strict=True) if v is not None} for r in rows]
        made += [Attempt("x", {"tip": tip, **t}) for t in told]
    return grouped(made, "tip")


@pytest.mark.parametrize(
    ("first", "second", "named"),
    [
        ([18.0, 18.2, 18.4], [27.0, 27.2, 27.4], True),  # ranges that do not overlap
        ([18.0, 18.2, 18.4], [18.1, 18.3, 27.0], False),
        ([18.0, 18.1, 18.2, 18.3, 27.0], [27.1, 27.2, 27.3, 27.4, 27.5], True),
        ([18.0, 18.1, 18.2, 18.3, 27.0], [17.0, 27.2, 27.3, 27.4, 18.15], False),
        ([20.0] * 5, [20.0, *[25.0] * 4], True),
        (["maker"] * 5, ["maker", *["guest"] * 4], True),  # four of five by another operator
        (["maker", "guest"] * 2, ["guest", "maker"] * 2, False),
        (
            ["maker", "maker", "maker", "guest"],
            ["maker", "guest", "guest", "guest"],
            False,
        ),  # half of it
        (["maker"] * 3, [None] * 3, True),
        ([18.0, 18.1, 18.2], [None] * 3, True),
        (["a1", "a2", "a3"], ["b1", "b2", "b3"], False),  # names of the attempts
        ([True, True, True], [False, False, False], True),
    ],
)
def test_a_fact_that_goes_with_the_groups_for_the_most_part_is_named(
    first: list[Fact], second: list[Fact], named: bool
) -> None:
    assert also_different(sides(room=(first, second)), "tip") == (("room",) if named else ())


@pytest.mark.parametrize(
    ("first", "second", "named"),
    [
        (["2024-05-01", "2024-05-02"], ["2024-07-01", "2024-07-02"], True),
        (["2024-05-01", "2024-05-03"], ["2024-05-02", "2024-05-04"], False),
        (["2024-05-01T20:00", "2024-05-01T20:10"], ["2024-05-01T21:00", "2024-05-01T21:10"], True),
        (["2024-05-01T20:00", "2024-05-01T20:10"], ["2024-05-01", "2024-05-01"], False),
        (["2024-05-01T23:30-04:00"], ["2024-05-02T02:00Z"], True),
        (["some day", "another"], ["2024-07-01", "2024-07-02"], False),
    ],
)
def test_groups_recorded_one_after_another_are_named(
    first: list[Fact], second: list[Fact], named: bool
) -> None:
    told = (ONE_AFTER_ANOTHER,) if named else ()
    assert also_different(sides(date=(first, second)), "tip") == told
    # where the file tells it, it counts as well; when it was measured does not
    for source in ("file", "measured"):
        made = [
            Attempt("x", {"tip": tip}, recorded=str(when), recorded_from=source)
            for tip, side in (("a", first), ("b", second))
            for when in side
        ]
        assert also_different(grouped(made, "tip"), "tip") == (told if source == "file" else ())


def filmed(tip: str, at: str, day: str = "2024-05-01") -> Attempt:
    """An attempt of which a person told the day, and the file the instant."""
    when = {"recorded": day, "recorded_from": "told"} if day else {}
    return Attempt("x", {"tip": tip, **({"date": day} if day else {})}, filmed=at, **when)  # type: ignore[arg-type]


def test_a_day_that_is_told_leaves_the_hour_to_the_file() -> None:
    """`date` in the folder's attempt.toml hid that one tip was spun before the other."""
    hours = [f"2024-05-01T{hour}:00:00Z" for hour in (10, 11, 12, 13)]
    made = grouped([filmed(tip, at) for tip, at in zip("aabb", hours, strict=True)], "tip")
    assert also_different(made, "tip") == (ONE_AFTER_ANOTHER,) and order_known(made)
    turns = grouped([filmed(tip, at) for tip, at in zip("abab", hours, strict=True)], "tip")
    assert also_different(turns, "tip") == () and order_known(turns)
    # a camera whose clock was never set tells nothing
    old = [filmed(tip, at.replace("2024", "1970")) for tip, at in zip("aabb", hours, strict=True)]
    assert also_different(grouped(old, "tip"), "tip") == ()
    assert not order_known(grouped(old, "tip"))


def test_whether_groups_took_turns_is_told_unknown_where_it_is() -> None:
    one, other = filmed("a", "", "2024-05-01"), filmed("b", "", "2024-05-02")
    assert order_known(grouped([one, other], "tip"))
    assert not order_known(grouped([one, filmed("b", "")], "tip"))
    assert not order_known(grouped([one, filmed("b", "", "")], "tip"))
    assert not order_known(grouped([filmed("a", "", ""), other], "tip"))


@pytest.mark.parametrize(
    ("first", "second", "named"),
    [
        ([1, 1, 1, 3, 3, 3], [2, 2, 2, 4, 4, 4], True),  # by turns, but of whole days
        ([1, 3, 5, 7], [2, 4, 6, 8], False),  # a day for each: days scatter as attempts do
        ([1, 1, 3, 3], [1, 1, 3, 3], False),
        ([1, 1, 3, 3], [1, 2, 2, 3], False),  # half of them on days of both
        ([1, 1, 3, 3], [2, 2, 2, 3], True),
    ],
)
def test_groups_on_days_of_their_own_are_named(
    first: list[int], second: list[int], named: bool
) -> None:
    """Without a difference one was told in 19 of 100, days scattering as much as attempts do."""
    days = tuple([f"2024-05-0{day}" for day in side] for side in (first, second))
    assert also_different(sides(date=days), "tip") == ((OTHER_DAYS,) if named else ())  # type: ignore[arg-type]


def test_attempts_that_do_not_tell_the_fact_are_no_group_that_differs() -> None:
    made = [Attempt("x", {"tip": tip, "operator": "maker"}) for tip in "aabb"]
    made += [Attempt("y", {"operator": "guest"})] * 2
    assert also_different(grouped(made, "tip"), "tip") == ()


def test_no_attempt_is_an_error() -> None:
    with pytest.raises(UsageError):
        starts([])


def test_pairs_of_several_groups_are_judged_together() -> None:
    """By the studentised range with Welch's degrees of freedom, by hand: pair by pair, one of
    three pairs that are alike in truth had p 0.05 or less in every ninth case."""
    rng = np.random.default_rng(8)
    data = {tip: rng.normal(1500, 60, 6) + 60 * (tip == "c") for tip in "abc"}
    made = [start(r, tip) for tip, side in data.items() for r in side]
    few = [start(r, "d") for r in (1400.0, 1500.0, 1600.0)]  # too few: no pair of theirs counts
    found = starts([*made, *few], by="tip")
    for pair in (p for p in found.contrasts if not p.note):
        one, other = data[pair.first], data[pair.second]
        welch = stats.ttest_ind(one, other, equal_var=False)
        tail = stats.studentized_range.sf(abs(welch.statistic) * math.sqrt(2), 3, welch.df)
        assert pair.p >= tail * (1 - 1e-6) > 1.5 * welch.pvalue * (1 - 1e-6)
        factor = stats.studentized_range.ppf(0.95, 3, welch.df) / math.sqrt(2)
        half = factor * (one.mean() - other.mean()) / welch.statistic
        assert pair.difference_high - pair.difference == pytest.approx(half, rel=1e-5)
    words = starts_text(found)
    assert "3 pairs are judged together" in words and "not adjusted" not in words


def test_starts_that_do_not_tell_the_fact_are_compared_with_none() -> None:
    untold = [start(rpm - 300, "", f"u{rpm:.0f}") for rpm in RPM]
    (pair,) = starts([*(start(rpm) for rpm in RPM), *untold], by="tip").contrasts
    assert math.isnan(pair.p) and "not told" in pair.note


def test_what_changes_together_with_the_groups_of_starts_is_named() -> None:
    made = [
        replace(start(rpm, tip, f"{tip}{rpm:.0f}"), facts={"tip": tip, "operator": who})
        for tip, who in (("ruby", "maker"), ("jade", "guest")) for rpm in RPM
    ]  # fmt: skip
    found = starts(made, by="tip")
    assert found.also_different == ("operator",)
    words = "change together with tip, so their effect cannot be told from its: operator"
    assert words in starts_text(found) and words in starts_page(found, b"<svg/>", version="1")


def test_one_start_filmed_twice_is_named() -> None:
    """A copy in other bytes, or a second camera's recording, was one more repeat."""

    def spun(name: str, rpm: float, seconds: float, u95_s: float = 0.04) -> Attempt:
        return replace(start(rpm, name=name), spin_time_s=seconds, u95_spin_time_s=u95_s)

    made = [spun("a", 1500.0, 300.0), spun("b", 1500.3, 300.03), spun("c", 1500.2, 303.0)]
    made += [spun("d", 1600.0, 320.0, 2.0), spun("e", 1600.1, 320.1, 2.0), start(1500.1, name="f")]
    (one,) = starts(made).doubted
    assert one.name == "b" and "as a does" in one.why
    rng = np.random.default_rng(2)
    many = [spun(f"n{k}", 1500 * r, 300 * r * s) for k, (r, s) in enumerate(
        zip(rng.normal(1, 0.05, 40), rng.normal(1, 0.02, 40), strict=True))]  # fmt: skip
    assert starts(many).doubted == ()
