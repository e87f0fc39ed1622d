"""Worked examples of conformity and of E_n numbers, with the digits that are printed.

Where an example is known from a secondary copy or from memory only, that stands beside it.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from vidspin.claim import (
    NOT_SUPPORTED,
    RULES,
    SUPPORTED,
    UNDECIDED,
    Limits,
    Measured,
    conformance_probability,
    decide,
    e_number,
)

# JCGM 106:2012 Table 1: z for a conformance probability with one limit (from memory; 2 decimals).
TABLE_1 = [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]


@pytest.mark.parametrize(("probability", "z"), TABLE_1)
def test_table_of_z_values(probability, z) -> None:
    limit = Limits(upper=10.0 + z * 0.5)
    # half a unit of the second decimal of z, carried through the normal density there
    rounding = 0.005 * stats.norm.pdf(z)
    told = conformance_probability(10.0, 0.5, limit)
    assert told == pytest.approx(probability, abs=1.05 * rounding)


def test_breakdown_voltage_with_an_upper_limit() -> None:
    """JCGM 106:2012 clause 7, from memory: y = -5.47 V, u = 0.05 V, T_U = -5.40 V, p = 0.92."""
    assert conformance_probability(-5.47, 0.05, Limits(upper=-5.40)) == pytest.approx(
        0.92, abs=0.005
    )


def test_metal_container_with_a_lower_limit() -> None:
    """JCGM 106:2012 clause 7, from memory: y = 509.7, u = 8.6, T_L = 490, p = 0.99."""
    assert conformance_probability(509.7, 8.6, Limits(lower=490.0)) == pytest.approx(
        0.99, abs=0.005
    )


def test_speed_limit_enforcement() -> None:
    """JCGM 106:2012 clause 8 and ILAC-G8: u = 2 % of the speed, limit 100 km/h, 99.9 %.

    The question is read in a laboratory's retelling, the answer 107 km/h is from memory.
    """
    speeds = np.arange(100.0, 115.0)
    sure = [conformance_probability(v, 0.02 * v, Limits(lower=100.0)) >= 0.999 for v in speeds]
    assert speeds[int(np.argmax(sure))] == 107.0


def test_resistors_of_a_production() -> None:
    """JCGM 106:2012 clause 9: N(1500, 0.12) ohm within 1499.8 to 1500.2, measured with u = 0.04.

    Inputs read in a public script; 0.904 conform, consumer's risk 0.0099 with acceptance limits
    1499.82 and 1500.18, 0.0189 with acceptance limits at the tolerance limits (computed there).
    Here the measurement's own probability is integrated over the production.
    """
    tolerance = Limits(1499.8, 1500.2)
    assert conformance_probability(1500.0, 0.12, tolerance) == pytest.approx(0.904, abs=0.0005)

    def accepted_though_outside(accept: Limits) -> float:
        def density(true: float) -> float:
            return stats.norm.pdf(true, 1500.0, 0.12) * conformance_probability(true, 0.04, accept)

        upper, _ = integrate.quad(density, 1500.2, 1501.2)
        return float(2 * upper)

    guarded = Limits(1499.82, 1500.18)
    assert accepted_though_outside(guarded) == pytest.approx(0.0099, abs=0.00005)
    assert accepted_though_outside(tolerance) == pytest.approx(0.0189, abs=0.00005)


def test_guard_band_of_one_expanded_uncertainty_leaves_two_point_three_per_cent() -> None:
    """ILAC-G8:09/2019 (as quoted by a laboratory): w = U, k = 2, false accept below 2.5 %."""
    at_acceptance_limit = conformance_probability(2.0, 1.0, Limits(lower=0.0))
    assert at_acceptance_limit == pytest.approx(0.977, abs=0.0005)
    measured = Measured(2.0, 1.0, 2.0)
    assert decide(measured, Limits(lower=0.0), RULES["guarded"]) == SUPPORTED


@pytest.mark.parametrize(
    ("value", "guarded", "simple"),
    [
        (10.21, SUPPORTED, SUPPORTED),
        (10.19, UNDECIDED, SUPPORTED),
        (9.81, UNDECIDED, NOT_SUPPORTED),
        (9.79, NOT_SUPPORTED, NOT_SUPPORTED),
    ],
)
def test_zones_of_iso_14253_1(value, guarded, simple) -> None:
    """Conformity inside the limit drawn in by U, nonconformity outside the limit widened by U."""
    measured, limits = Measured(value, 0.1, 0.2), Limits(lower=10.0)
    assert decide(measured, limits, RULES["guarded"]) == guarded
    assert decide(measured, limits, RULES["simple"]) == simple


# NIST Dataplot reference manual, "ISO 13528 EN SCORE": first batch of GEAR.DAT against 1, with
# uncertainties of twice the batch's and twice the whole file's standard deviation.  The rows
# are read there; the two standard deviations are the NIST handbook's, from memory.
BATCH_SD, FILE_SD = 0.0043461, 0.0062789
ROWS = [(1.006, 0.393), (0.996, -0.262), (0.998, -0.131), (1.000, 0.000)]


@pytest.mark.parametrize(("value", "printed"), ROWS)
def test_e_numbers_of_a_batch_of_gears(value, printed) -> None:
    told = e_number(value, 2 * BATCH_SD, 1.0, 2 * FILE_SD)
    assert told == pytest.approx(printed, abs=0.0005)


def test_standard_deviation_of_the_first_batch_is_that_of_its_ten_gears() -> None:
    """The ten diameters as printed in the NIST handbook (from memory)."""
    batch = [1.006, 0.996, 0.998, 1.000, 0.992, 0.993, 1.002, 0.999, 0.994, 1.000]
    assert np.std(batch, ddof=1) == pytest.approx(BATCH_SD, abs=5e-8)
