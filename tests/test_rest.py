"""A top that lies at rest for most of a recording is measured all the same."""

from __future__ import annotations

import numpy as np
import pytest

from vidspin.calibration.calibrate import TUNE_FRAMES, TUNE_WINDOWS, _tuning_frames, first_samples
from vidspin.mark.rest import BETTER_SEEN, at_rest, unfollowed
from vidspin.measure import measure
from vidspin.order.resolve import Spin
from vidspin.records import Settings
from vidspin.simulate import ExponentialLoss, Scene, SimulatedFootage

TURN = 2 * np.pi


def run(
    step_rad: float, *, noise: float = 1.0, depth: float = 40.0, seed: int = 0, width: float = 0.08
) -> np.ndarray:
    """Profiles of 24 frames whose mark advances by so much from each to the next."""
    rng = np.random.default_rng(seed)
    angle = np.arange(720) * TURN / 720
    at = 1.0 + step_rad * np.arange(24)[:, None]
    off = np.angle(np.exp(1j * (angle - at)))
    level = 120 + 20 * np.sin(3 * angle) - depth * np.exp(-0.5 * (off / width) ** 2)
    return (level + noise * rng.standard_normal(level.shape)).astype(np.float32)


@pytest.mark.parametrize("noise", [0.0, 1.0, 6.0])
@pytest.mark.parametrize("seed", range(3))
def test_noise_alone_is_rest_and_a_mark_that_advances_is_none(noise, seed) -> None:
    assert at_rest(run(0.0, noise=noise, seed=seed))
    for step in (0.2, 1.7, 3.1):
        assert not at_rest(run(step, noise=noise, seed=seed))


class Kept:
    """Profiles of a recording, run after run."""

    def __init__(self, runs: list[np.ndarray]) -> None:
        self._all = np.concatenate(runs)

    def __len__(self) -> int:
        return len(self._all)

    def read(self, first: int, last: int) -> np.ndarray:
        return self._all[first:last]


@pytest.mark.parametrize(
    ("part", "told"), [(1, "to stand still"), (2, "in two places"), (3, "three"), (4, "four")]
)
def test_a_mark_that_seems_to_stand_is_told_as_such(part: int, told: str) -> None:
    runs = [run(TURN / part, seed=k) for k in range(5)]
    what, do = unfollowed(Kept(runs))  # type: ignore[arg-type]
    assert told in what and do.startswith("state --centre X,Y, and --radii A,B if that is")


def test_a_mark_that_goes_on_or_too_few_frames_seem_not_to_stand() -> None:
    assert unfollowed(Kept([run(0.4, seed=k) for k in range(5)])) == (  # type: ignore[arg-type]
        "the mark was found but its turning could not be followed", BETTER_SEEN,
    )  # fmt: skip
    assert unfollowed(Kept([run(0.0)[:5]]))[1] == BETTER_SEEN


def test_light_that_changes_all_over_is_rest() -> None:
    lit = run(0.0) * (1 + 0.1 * np.sin(np.arange(24)))[:, None]
    assert at_rest(lit.astype(np.float32))


@pytest.mark.parametrize(("resting", "others"), [(20, 0), (60, 1)])
def test_frames_that_turn_are_asked_as_well_where_most_rest(resting, others) -> None:
    """As well, not instead: a mark too faint to be seen to turn looks like rest (attempt 539)."""
    turning = 100 - resting if others == 0 else 10
    runs = [run(0.0, seed=k) for k in range(resting)] + [run(1.1, seed=k) for k in range(turning)]
    kept = Kept(runs)
    samples = first_samples(kept, np.ones(len(kept), bool), 24)  # type: ignore[arg-type]
    assert len(samples) == 1 + others
    assert samples[0].min() < 24 and samples[0].max() > len(kept) - 25  # all over
    for index in samples[1:]:
        assert index.min() >= 24 * (resting - 1)


@pytest.mark.parametrize("depth", [3.0, 40.0])
def test_a_mark_that_is_drawn_out_is_seen_to_turn_beside_runs_at_rest(depth: float) -> None:
    """It changes the ring nearly everywhere, as noise does."""
    runs = [run(0.0, noise=2.0, seed=k, width=0.9) for k in range(60)]
    runs += [run(1.1, noise=2.0, depth=depth, seed=k, width=0.9) for k in range(20)]
    kept = Kept(runs)
    assert at_rest(runs[-1])
    samples = first_samples(kept, np.ones(len(kept), bool), 24)  # type: ignore[arg-type]
    assert len(samples) == 2 and samples[1].min() >= 24 * 60


def test_where_nothing_turns_no_run_is_livelier_than_others() -> None:
    kept = Kept([run(0.0, seed=k) for k in range(80)])
    assert len(first_samples(kept, np.ones(len(kept), bool), 24)) == 1  # type: ignore[arg-type]


def spin(rate: int, seconds: float, free: tuple[float, float], speed: float = 60.0) -> Spin:
    """Spin of a recording in which the mark turns freely for a part of the time."""
    slot = np.arange(round(seconds * rate))
    t = slot / rate
    angle = np.where((t >= free[0]) & (t < free[1]), speed * t, np.nan)
    return Spin(angle, np.full(len(slot), speed), slot, float(rate), 1, 0.0)


@pytest.mark.parametrize(
    ("rate", "seconds", "free"),
    [(240, 30.0, (3.0, 25.0)), (30, 600.0, (300.0, 310.0)), (30, 300.0, (60.0, 90.0)),
     (60, 4000.0, (2000.0, 2020.0))],
)  # fmt: skip
def test_frames_to_tune_by_are_those_of_the_free_spin(rate, seconds, free) -> None:
    told = spin(rate, seconds, free)
    index = _tuning_frames(told)
    assert np.isfinite(told.angle_rad[index]).all()
    cuts = np.split(index, np.flatnonzero(np.diff(index) > 1) + 1)
    at = index / rate
    assert len(cuts) >= 1 and len(index) >= min(TUNE_FRAMES / 2, 0.5 * rate * (free[1] - free[0]))
    # from its beginning to its end
    assert at.min() < free[0] + 2.0 and at.max() > free[1] - 2.0
    middle = np.mean((at > free[0] + 0.25 * np.ptp(free)) & (at < free[1] - 0.25 * np.ptp(free)))
    assert middle > 0.5 / TUNE_WINDOWS


def test_so_little_that_no_window_holds_it_is_taken_as_it_is() -> None:
    told = spin(30, 60.0, (20.0, 20.3))
    assert np.array_equal(_tuning_frames(told), np.flatnonzero(np.isfinite(told.angle_rad)))


@pytest.mark.parametrize(
    ("before_s", "after_s", "seed"), [(24.0, 2.0, 5), (12.0, 14.0, 5), (12.0, 14.0, 6)]
)
def test_a_short_spin_in_a_long_recording_of_the_top_at_rest(before_s, after_s, seed) -> None:
    """The mark was learnt as a part of the still, or the rest was followed instead of the spin.

    Or the outline of the top, which stood before and lay behind, was taken for the mark.
    """
    scene = Scene(
        width=240, height=180, seconds=before_s + 9.0 + after_s, law=ExponentialLoss(10.0),
        speed_rad_s=120.0, release_s=before_s, topple_s=before_s + 9.0, frame_rate=30,
        readout_s=0.012, exposure_s=0.002, noise=1.5, seed=seed,
    )  # fmt: skip
    made = measure(SimulatedFootage(scene), Settings(), version="t", created="2024-05-01T12:00:00Z")
    assert made.alias.resolved and made.release is not None and made.topple is not None
    assert abs(made.release.time_s - before_s) <= made.release.u95_s + 1 / 30
    assert abs(made.topple.time_s - before_s - 9.0) <= made.topple.u95_s + 1 / 30
    curve = made.curve
    known = np.isfinite(curve.speed_rad_s)
    true = 120.0 * np.exp(-(curve.time_s[known] - before_s) / 10.0)
    inside = np.abs(curve.speed_rad_s[known] - true) <= curve.u95_speed_rad_s[known]
    assert known.sum() >= 6 and inside.mean() > 0.7
