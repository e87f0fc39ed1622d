"""Where the free spin begins and ends, by what was seen of the mark."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from vidspin.angles import Seen
from vidspin.ends import span_of


@pytest.mark.parametrize("marks", [1, 2, 3, 4])
def test_spin_ends_where_sightings_leave_the_track_however_many_marks(marks: int) -> None:
    """What a fallen top shows is far from the track, but within half a spacing of marks."""
    rng, fall = np.random.default_rng(marks), 500
    expected = 0.3 * np.arange(600.0)  # mark phase of the track, which goes on a little too far
    off = np.where(np.arange(600) < fall, rng.normal(0, 0.05, 600), rng.uniform(0.9, 1.2, 600))
    seen = SimpleNamespace(
        spin=SimpleNamespace(angle_rad=(expected + off) / marks),
        track=SimpleNamespace(first=20, last=560, expected_rad=expected),
        strong=np.ones(600),
    )
    assert span_of(cast("Seen", seen), marks) == (20, fall - 1)


def test_weak_and_lost_sightings_are_no_end_of_a_spin() -> None:
    expected = 0.3 * np.arange(100.0)
    angle, strong = expected.copy(), np.ones(100)
    angle[:8], strong[90:] = np.nan, 0.0
    seen = SimpleNamespace(
        spin=SimpleNamespace(angle_rad=angle), strong=strong,
        track=SimpleNamespace(first=5, last=97, expected_rad=expected),
    )  # fmt: skip
    assert span_of(cast("Seen", seen), 1) == (8, 89)
