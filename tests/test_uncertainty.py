import math

import numpy as np
import pytest

from vidspin.records import Component
from vidspin.uncertainty import combine, combine_arrays, coverage_factor, expanded, rectangular


def component(u: float, dof: float = math.inf) -> Component:
    return Component(name="", type="B", u=u, dof=dof)


def test_nothing_to_combine_is_certain() -> None:
    assert combine([]) == (0.0, math.inf)
    assert combine([component(0.0, 3)]) == (0.0, math.inf)


def test_known_components_have_endless_degrees_of_freedom() -> None:
    assert combine([component(3.0), component(4.0)]) == (5.0, math.inf)


def test_one_component_keeps_its_degrees_of_freedom() -> None:
    u, dof = combine([component(2.0, 7.0), component(0.0, 1.0)])
    assert u == 2.0
    assert dof == pytest.approx(7.0, rel=1e-15)


def test_tiny_units_do_not_underflow() -> None:
    u, dof = combine([component(3e-120, 5), component(4e-120, 5)])
    assert u == pytest.approx(5e-120, rel=1e-14)
    assert dof == pytest.approx(5 * 5**4 / (3**4 + 4**4), rel=1e-14)


def test_unknown_component_makes_the_sum_unknown() -> None:
    u, dof = combine([component(1.0), component(math.nan)])
    assert math.isnan(u)
    assert math.isnan(dof)


@pytest.mark.parametrize("wrong", [component(-1.0), component(1.0, 0.0), component(1.0, math.nan)])
def test_impossible_component_is_refused(wrong: Component) -> None:
    with pytest.raises(ValueError, match="must not be negative"):
        combine([wrong])


def test_many_budgets_at_once_are_the_single_ones() -> None:
    u = np.array([[1.0, 0.0, 2.0], [3.0, 0.0, 0.5]])
    dof = np.array([[4.0], [math.inf]])
    combined, effective = combine_arrays(u, dof)
    for j in range(3):
        single = combine([component(u[0, j], 4.0), component(u[1, j])])
        assert (combined[j], effective[j]) == single


def test_coverage_of_arrays_is_coverage_of_numbers() -> None:
    dof = np.array([1.0, 4.5, math.inf])
    expected = [coverage_factor(0.95, value) for value in dof]
    assert coverage_factor(0.95, dof) == pytest.approx(expected, rel=1e-15)
    assert expanded(np.full(3, 2.0), dof) == pytest.approx(2 * np.array(expected), rel=1e-15)


def test_fractional_degrees_lie_between_the_whole_ones() -> None:
    assert coverage_factor(0.95, 17) < coverage_factor(0.95, 16.7) < coverage_factor(0.95, 16)


@pytest.mark.parametrize("p", [0.0, 1.0, 95.0])
def test_coverage_probability_is_a_probability(p: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        coverage_factor(p, 10.0)


def test_half_width_agrees_with_the_variance_of_its_distribution() -> None:
    rng = np.random.default_rng(3)
    n = 200_000
    four_sigma = 4 / math.sqrt(n)  # of a standard deviation, generously
    assert rng.uniform(-1, 1, n).std() == pytest.approx(rectangular(1.0), abs=four_sigma)
