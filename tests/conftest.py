"""Settings that hold for every test."""

import os

from hypothesis import settings

os.environ.setdefault("MPLBACKEND", "Agg")

# The same examples on every run, so that a red test is red for everybody; no deadline, since
# the machines that run this are shared and slow ones are not wrong.
settings.register_profile("vidspin", derandomize=True, deadline=None, database=None)
settings.load_profile("vidspin")
