"""What pyproject.toml declares is what was tried, as the tables in DEVELOPERS.md say."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from dependency_sets import constraints, lower_bounds

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]


def rows(heading: str) -> list[list[str]]:
    """Rows of the table in DEVELOPERS.md whose first column has this heading."""
    _, found, rest = (ROOT / "DEVELOPERS.md").read_text("utf-8").partition(f"| {heading} |")
    assert found, heading
    return [
        [cell.strip().strip("`") for cell in line.strip("|").split("|")]
        for line in rest.split("\n\n")[0].splitlines()[2:]
    ]


def parts(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", version))


def test_the_oldest_versions_that_were_tried_are_the_lower_bounds() -> None:
    assert {name: oldest for name, oldest, _ in rows("dependency")} == lower_bounds()


def test_the_newest_that_were_tried_are_not_older() -> None:
    for name, oldest, newest in rows("dependency"):
        assert parts(newest) >= parts(oldest), name


def test_pythons_are_declared_only_where_a_suite_passed_on_them() -> None:
    declared = {
        word.rpartition(" ")[2]
        for word in PROJECT["classifiers"]
        if re.search(r"Python :: 3\.\d+$", word)
    }
    passed = {
        ".".join(python.split(".")[:2])
        for _, python, _, outcome in rows("set")
        if " passed" in outcome and " failed" not in outcome and " error" not in outcome
    }
    assert declared == passed
    lowest = PROJECT["requires-python"].removeprefix(">=")
    assert all(parts(python) >= parts(lowest) for python in declared)


def test_constraints_name_one_version_of_every_library_with_a_bound() -> None:
    bounds = lower_bounds(extras=("test", "cluster", "docs"))
    lines = constraints(bounds).splitlines()
    assert "numpy==2.0" in lines
    assert len(lines) == len([bound for bound in bounds.values() if bound])
    # types of libraries follow the libraries, whatever version those have
    unbound = {name for name, bound in bounds.items() if bound is None}
    assert all(name.startswith("types-") for name in unbound)


@pytest.mark.parametrize("extra", ["cluster", "docs"])
def test_libraries_of_an_extra_have_the_same_bound_for_the_tests(extra: str) -> None:
    own, tests = PROJECT["optional-dependencies"][extra], PROJECT["optional-dependencies"]["test"]
    assert set(own) <= set(tests)
