"""Coverage factors against the printed table.

Source: NIST Technical Note 1297 (1994), appendix B, table B.1, read on the institute's web
page; the same table as JCGM 100:2008 table G.2 (identity from memory).
"""

import math

import pytest

from vidspin.uncertainty import coverage_factor

# "68.27", "95.45" and "99.73" stand for one, two and three standard deviations of a normal
# distribution (footnote a); for one degree of freedom it matters: 0.9973 gives 235.78.
COLUMNS = (math.erf(1 / 2**0.5), 0.90, 0.95, math.erf(2 / 2**0.5), 0.99, math.erf(3 / 2**0.5))

PRINTED = """
    1 1.84 6.31 12.71 13.97 63.66 235.80
    2 1.32 2.92 4.30 4.53 9.92 19.21
    3 1.20 2.35 3.18 3.31 5.84 9.22
    4 1.14 2.13 2.78 2.87 4.60 6.62
    5 1.11 2.02 2.57 2.65 4.03 5.51
    6 1.09 1.94 2.45 2.52 3.71 4.90
    7 1.08 1.89 2.36 2.43 3.50 4.53
    8 1.07 1.86 2.31 2.37 3.36 4.28
    9 1.06 1.83 2.26 2.32 3.25 4.09
    10 1.05 1.81 2.23 2.28 3.17 3.96
    11 1.05 1.80 2.20 2.25 3.11 3.85
    12 1.04 1.78 2.18 2.23 3.05 3.76
    13 1.04 1.77 2.16 2.21 3.01 3.69
    14 1.04 1.76 2.14 2.20 2.98 3.64
    15 1.03 1.75 2.13 2.18 2.95 3.59
    16 1.03 1.75 2.12 2.17 2.92 3.54
    17 1.03 1.74 2.11 2.16 2.90 3.51
    18 1.03 1.73 2.10 2.15 2.88 3.48
    19 1.03 1.73 2.09 2.14 2.86 3.45
    20 1.03 1.72 2.09 2.13 2.85 3.42
    25 1.02 1.71 2.06 2.11 2.79 3.33
    30 1.02 1.70 2.04 2.09 2.75 3.27
    35 1.01 1.70 2.03 2.07 2.72 3.23
    40 1.01 1.68 2.02 2.06 2.70 3.20
    45 1.01 1.68 2.01 2.06 2.69 3.18
    50 1.01 1.68 2.01 2.05 2.68 3.16
    100 1.005 1.660 1.984 2.025 2.626 3.077
    inf 1.000 1.645 1.960 2.000 2.576 3.000
"""
ENTRIES = [
    (float(row.split()[0]), p, printed)
    for row in PRINTED.strip().splitlines()
    for p, printed in zip(COLUMNS, row.split()[1:], strict=True)
]
# The printed table has one wrong entry: t90 of 35 is 1.6896.
MISPRINT = (35.0, 0.90)


def test_table_is_whole() -> None:
    assert len(ENTRIES) == 28 * 6


@pytest.mark.parametrize(("dof", "p", "printed"), ENTRIES)
def test_coverage_factor_has_the_printed_digits(dof: float, p: float, printed: str) -> None:
    decimals = len(printed.partition(".")[2])
    expected = "1.69" if (dof, p) == MISPRINT else printed
    assert f"{coverage_factor(p, dof):.{decimals}f}" == expected


def test_the_misprint_is_one() -> None:
    assert coverage_factor(0.90, 35) == pytest.approx(1.6896, abs=5e-5)


def test_three_sigma_is_not_99_73_percent() -> None:
    assert f"{coverage_factor(0.9973, 1):.2f}" == "235.78"
