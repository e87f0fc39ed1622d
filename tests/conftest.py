"""Settings that hold for every test."""

import os
import signal
from collections.abc import Iterator

import pytest
from hypothesis import settings

os.environ.setdefault("MPLBACKEND", "Agg")
# Workers share the cores as it is: more threads of linear algebra in each of them wait for one
# another (a third of the time).  Read when numpy is loaded, which nothing has done yet.
if "PYTEST_XDIST_WORKER" in os.environ:
    os.environ.setdefault("OMP_NUM_THREADS", "1")

# The same examples on every run, so that a red test is red for everybody; no deadline, since
# the machines that run this are shared and slow ones are not wrong.
settings.register_profile("vidspin", derandomize=True, deadline=None, database=None)
settings.load_profile("vidspin")

# Files that take longest, longest first: they are begun first, so that no worker is left with
# minutes of work when the others are done.
LONGEST = (
    "test_measure.py",
    "test_uncovered.py",
    "test_cli_bad_input.py",
    "test_fuzz.py",
    "test_calibrate.py",
    "test_rest.py",
    "test_clips.py",
    "test_survey.py",
    "test_again.py",
    "test_tutorial.py",
    "test_hold.py",
    "test_recomputed.py",
    "test_topple.py",
    "test_roll.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files that take longest first; all else stays as it was."""
    rank = {name: place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda one: rank.get(one.path.name, len(LONGEST)))


@pytest.fixture
def ctrl_c_is_heard() -> Iterator[None]:
    """By the programs that a test starts, also where the whole run was started deaf to it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)
