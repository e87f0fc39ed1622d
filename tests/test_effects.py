"""Pooled repeats: intervals hold what they promise where repeats are measured unequally well."""

from __future__ import annotations

import numpy as np
import pytest

from vidspin.records import FloatArray
from vidspin.workshop.effects import contrasts, pool, stray

TRIALS = 1000
# Four standard deviations of the share of 1000 trials, sqrt(0.05 * 0.95 / 1000): a right 95 %
# stays above this.
LEAST = 0.95 - 4 * 0.0069


def drawn(u: FloatArray, tau: float, rng: np.random.Generator) -> FloatArray:
    """Draw repeats that scatter by tau about 0, measured with u."""
    return rng.normal(0.0, tau, len(u)) + u * rng.standard_normal(len(u))


@pytest.mark.parametrize("count", [3, 5, 10])
@pytest.mark.parametrize("tau", [0.5, 1.0, 3.0])
def test_one_far_better_value_leaves_the_intervals_right(count: int, tau: float) -> None:
    rng = np.random.default_rng(count)
    u = np.concatenate([[0.1], np.ones(count - 1)])
    inside = ahead = found = 0
    for _ in range(TRIALS):
        one, other = (pool(drawn(u, tau, rng), u) for _ in range(2))
        inside += abs(one.mean) <= one.u95
        ahead += abs(one.mean - rng.normal(0.0, tau)) <= one.prediction
        found += contrasts([one, other])[0].p <= 0.05
    assert inside / TRIALS > LEAST
    assert ahead / TRIALS > LEAST
    assert found / TRIALS < 1 - LEAST


@pytest.mark.parametrize("count", [3, 5, 10])
@pytest.mark.parametrize("tau", [0.0, 1.0, 3.0])
def test_equal_uncertainties_hold_the_mean_in_95_of_100(count: int, tau: float) -> None:
    rng = np.random.default_rng(20 + count)
    u = np.ones(count)
    inside = ahead = 0
    for _ in range(TRIALS):
        one = pool(drawn(u, tau, rng), u)
        inside += abs(one.mean) <= one.u95
        ahead += abs(one.mean - rng.normal(0.0, tau)) <= one.prediction
    assert LEAST < inside / TRIALS < 0.95 + 4 * 0.0069
    assert ahead / TRIALS > LEAST


def test_one_far_worse_value_hardly_counts() -> None:
    values = np.array([1.0, 1.2, 0.9, 1.1])
    u = np.full(4, 0.1)
    alone = pool(values, u)
    beside = pool(np.append(values, 6.0), np.append(u, 10.0))
    assert beside.mean == pytest.approx(alone.mean, abs=0.1 * alone.u)
    assert beside.u95 < 1.1 * alone.u95


@pytest.mark.parametrize(("count", "vague"), [(3, 1), (4, 1), (5, 2)])
def test_a_repeat_that_says_next_to_nothing_is_no_degree_of_freedom(count: int, vague: int) -> None:
    """One seen so badly that it could lie anywhere: 87 to 91 % were inside before."""
    rng, draws = np.random.default_rng(count), 1000
    u = np.r_[np.full(count - vague, 0.1), np.full(vague, 10.0)]
    mean = following = 0
    for _ in range(draws):
        found = pool(rng.normal(0, 1, count) + rng.normal(0, 1, count) * u, u)
        mean += abs(found.mean) <= found.u95
        following += abs(found.mean - rng.normal()) <= found.prediction
    chance = 3 * np.sqrt(0.05 * 0.95 / draws)
    assert min(mean, following) / draws > 0.95 - chance


@pytest.mark.parametrize("count", [4, 5, 8])
def test_one_in_a_hundred_groups_has_a_stray_value_by_chance(count: int) -> None:
    """2000 groups: 20 expected, 36 is what chance allows at 1 in 1000; a value that is measured
    badly is none for that."""
    rng = np.random.default_rng(count)
    u = np.concatenate([np.full(count - 1, 0.1), [5.0]])
    found = sum(stray(drawn(u, 1.0, rng), u) is not None for _ in range(2000))
    assert found <= 36
    same = np.full(count, 0.1)
    bumped = drawn(same, 0.1, rng) - np.eye(count)[0] * 20.0
    told = stray(bumped, same)
    assert told is not None and told[0] == 0
    assert stray(bumped[:3], same[:3]) is None
