"""Programs that some tests need and the package does not: found here, or the test is left out.

`.ci/run` installs them and sets VIDSPIN_ALL_TESTS, so that there a missing one is a failure.
"""

from __future__ import annotations

import os
import shutil

import pytest

CHROMIUM = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


def needed(what: str, *names: str, package: str) -> str:
    """Return the path of the first program that is there; leave the test out when none is."""
    for name in names:
        path = shutil.which(name)
        if path:
            return path
    message = f"left out: {what} is not installed (Debian: apt-get install {package})"
    if os.environ.get("VIDSPIN_ALL_TESTS"):
        pytest.fail(message)
    pytest.skip(message)
