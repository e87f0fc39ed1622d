"""Settings that hold for every test."""

import os
import signal
from collections.abc import Iterator

import pytest
from hypothesis import settings

os.environ.setdefault("MPLBACKEND", "Agg")

# The same examples on every run, so that a red test is red for everybody; no deadline, since
# the machines that run this are shared and slow ones are not wrong.
settings.register_profile("vidspin", derandomize=True, deadline=None, database=None)
settings.load_profile("vidspin")


@pytest.fixture
def ctrl_c_is_heard() -> Iterator[None]:
    """By the programs that a test starts, also where the whole run was started deaf to it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)
