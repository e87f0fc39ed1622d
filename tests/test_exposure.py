"""The exposure: right within what it says, silent where it is not told."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from functools import cache
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from fabricate_profiles import Ring
from test_calibrate import RATE, as_seen, film, spin_of

from vidspin.calibration.calibrate import Tuned, tune
from vidspin.calibration.exposure import left_open, refined, still_open, timing, told_of
from vidspin.order.alias import miscounted
from vidspin.order.resolve import Spin
from vidspin.profiles import MemoryProfiles
from vidspin.reckoning import later_s
from vidspin.records import AliasVerdict, Candidate, FootageFacts, Quantity


@cache
def calibrated(exposure_s: float, slowing: int = 600) -> tuple[MemoryProfiles, Spin, Tuned]:
    # noise of 2 grey levels on a mark of 40, from 190 down to 115 rad/s in 600 frames
    ring = Ring(noise=2.0, readout_s=0.012, exposure_s=exposure_s)
    return calibrated_ring(ring, slowing)


def calibrated_ring(
    ring: Ring, count: int = 600, seed: int = 0
) -> tuple[MemoryProfiles, Spin, Tuned]:
    footage = film(ring, 190.0, count=count, seed=seed)
    plain = as_seen(footage)
    spin = spin_of(footage, plain, 1)
    store = footage.store
    return store, spin, tune(store, footage.frames, spin, 1, plain, longest_readout_s=1 / RATE)


@pytest.mark.parametrize("exposure_s", [0.001, 0.003, 0.0045, 0.012])
def test_exposure_is_right_within_its_uncertainty(exposure_s: float) -> None:
    store, spin, first = calibrated(exposure_s)
    found = refined(store, spin, 1, first).exposure_s
    assert found is not None
    assert abs(found.value - exposure_s) < 2 * found.u
    # the random part is small beside what the model is good for
    assert 0.03 * found.value <= found.u < 0.15 * found.value


def test_the_model_is_left_as_it_was() -> None:
    store, spin, first = calibrated(0.002)
    better = refined(store, spin, 1, first)
    assert better.model is first.model
    assert better.fit is first.fit


def test_exposure_of_an_even_spin_is_not_told_but_known_to_be_shorter_than_the_trace() -> None:
    # the mark is 0.28 rad wide at half its height, 1.6 ms at 180 rad/s
    store, spin, first = calibrated(0.0005, slowing=120)
    found = refined(store, spin, 1, first)
    assert found.exposure_s is None
    assert found.trace_s is not None
    assert abs(found.trace_s.value - 0.0005) < 2 * found.trace_s.u
    assert 0.0003 < found.trace_s.u < 0.002


def test_exposure_over_a_whole_spacing_is_told() -> None:
    """Four marks smeared into each other and beyond look narrower than one that was not."""
    exposure_s = 0.0125  # 2.3 to 1.6 rad between marks 1.57 rad apart
    ring = Ring(noise=2.0, readout_s=0.004, exposure_s=exposure_s, marks=4, mark_depth=-80.0)
    store, spin, first = calibrated_ring(ring)
    found = refined(store, spin, 1, first).exposure_s
    assert found is not None
    assert abs(found.value - exposure_s) < 2 * found.u


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("exposure_s", [0.002, 0.003])
def test_exposure_that_hardly_changes_a_broad_marks_trace_is_not_told(
    exposure_s: float, seed: int
) -> None:
    """A smear that adds a fiftieth to the mean square of the trace is not told from the mark."""
    ring = Ring(noise=1.0, readout_s=0.012, exposure_s=exposure_s, mark_width=0.6)
    store, spin, first = calibrated_ring(ring, 120, seed)
    found = refined(store, spin, 1, first)
    assert found.exposure_s is None
    assert found.trace_s is not None
    assert abs(found.trace_s.value - exposure_s) < 2 * found.trace_s.u


@pytest.mark.parametrize(
    ("marks", "weakest", "exposure_s"), [(2, 0.4, 0.002), (2, 0.2, 0.003), (3, 0.3, 0.004)]
)
def test_marks_of_unequal_strength_tell_the_exposure_too(
    marks: int, weakest: float, exposure_s: float
) -> None:
    """Their mean looks shorter than each of them."""
    ring = Ring(
        noise=2.0, readout_s=0.012, exposure_s=exposure_s, marks=marks, weakest=weakest,
        mark_depth=-80.0, mark_width=0.05,
    )  # fmt: skip
    store, spin, first = calibrated_ring(ring)
    told = refined(store, spin, 1, first).exposure_s
    assert told is not None and abs(told.value - exposure_s) < 2 * told.u


def verdict_of(*candidates: tuple[float, float | None, float], resolved: bool) -> AliasVerdict:
    made = tuple(Candidate(k, rpm, p, r, None) for k, (rpm, r, p) in enumerate(candidates))
    return AliasVerdict(
        resolved, made, (), made[0].probability / max(1 - made[0].probability, 1e-12),
        (0.0, 6000.0), "default", 0.0, "",
    )  # fmt: skip


def test_a_stamp_stands_for_as_much_as_the_open_candidates_leave_it() -> None:
    """A readout of 4 ms at 3600 rev/min is one of 8 ms at 1800: their middles are 2 ms apart."""
    own, readout = Quantity(0.002, 0.0003, "half of readout and exposure"), Quantity(0.004, 0.001)
    both = verdict_of((3600.0, 0.004, 0.6), (1800.0, 0.008, 0.399), (900.0, 0.016, 1e-5),
                      resolved=False)  # fmt: skip
    told = left_open(own, readout, both, 1 / 30)
    assert told.value == own.value and told.how.startswith(own.how) and told.how != own.how
    assert told.u == pytest.approx(math.hypot(0.0003, 0.002 / 3**0.5))
    assert left_open(own, readout, verdict_of((3600.0, 0.004, 1.0), resolved=True), 1 / 30) == own
    # the other way round the stamp may mean either end of the readout
    other = verdict_of((1800.0, 0.004, 0.5), (-1800.0, -0.004, 0.5), resolved=False)
    assert left_open(own, readout, other, 1 / 30).u == pytest.approx(
        math.hypot(0.0003, 0.004 / 3**0.5)
    )
    one = verdict_of((3600.0, 0.004, 1.0), resolved=True)
    narrowed = told_of(told, readout, both, one, 1 / 30)
    assert narrowed.u == pytest.approx(own.u) and narrowed.how == own.how
    assert told_of(own, readout, both, one, 1 / 30) == own  # of an older result


def test_a_verdict_that_was_taken_back_leaves_all_candidates_open() -> None:
    """Its cues spoke for one by 1e9 to 1, but of frames that were not taken as they are stamped."""
    own, readout = Quantity(0.002, 0.0003, "half of readout and exposure"), Quantity(0.004, 0.001)
    sure = verdict_of((3600.0, 0.004, 1 - 2e-9), (1800.0, 0.008, 1e-9), (900.0, 0.012, 1e-9),
                      resolved=True)  # fmt: skip
    back = miscounted(sure, "frames are missing")
    assert [len(still_open(v)) for v in (sure, back)] == [1, 3]
    assert left_open(own, readout, sure, 1 / 30) == own
    told = left_open(own, readout, back, 1 / 30)
    assert told.how != own.how
    assert told.u == pytest.approx(math.hypot(0.0003, 0.004 / 3**0.5))
    # cues that are believed exclude what they leave next to no probability
    unsure = verdict_of((3600.0, 0.004, 0.98), (3500.0, 0.004, 0.02), (900.0, 0.012, 1e-18),
                        resolved=False)  # fmt: skip
    assert len(still_open(unsure)) == 2
    assert left_open(own, readout, unsure, 1 / 30) == own  # nothing added, nothing said
    facts = cast("FootageFacts", SimpleNamespace(
        chapters=(SimpleNamespace(height=181),), frame_rate=Fraction(30)))  # fmt: skip
    low = np.array([180.0])
    for verdict, most_s in ((unsure, 0.004), (back, 0.012)):
        later = later_s(low, facts, Quantity(0.004, 0.0), verdict)
        assert later is not None and later[0] == pytest.approx(most_s * 90 / 181)


def test_the_time_of_averaged_pictures_is_in_doubt_by_a_frame() -> None:
    store, spin, first = calibrated(0.0045)
    one = refined(store, spin, 1, first)
    assert one.beside_s == 0.0
    (_, sure), (_, open_) = timing(one, None), timing(replace(one, beside_s=1 / RATE), None)
    assert open_.value == sure.value
    assert open_.u == pytest.approx(math.hypot(sure.u, 1 / RATE / math.sqrt(3)))
