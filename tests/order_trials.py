"""From a simulated record to a verdict, and whether the verdict is right."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulated_records import RPM, Record, simulate

from vidspin.order import alias, resolve
from vidspin.order.apparent import follow_phase
from vidspin.records import AliasVerdict

ODDS_NEEDED = 1000.0
SURE_OF_DIRECTION = 0.999  # share of the candidates from which a direction is stated
END_S = 1.5  # a track that stops so long before the topple does not hold the topple


@dataclass(frozen=True)
class Trial:
    """What the program made of a record."""

    record: Record
    verdict: AliasVerdict | None  # None: no track
    best_is_true: bool
    true_is_listed: bool
    probability: float  # of the best candidate, as stated
    wrong_direction: bool = False

    @property
    def resolved(self) -> bool:
        """Whether an order was stated."""
        return self.verdict is not None and self.verdict.resolved

    @property
    def wrong(self) -> bool:
        """Whether an order was stated that is not the true one."""
        return self.resolved and not self.best_is_true


def verdict_of(record: Record) -> AliasVerdict | None:
    """Run the steps from angles to a verdict as a measurement does."""
    tracks = follow_phase(
        record.time_s, record.angle_rad, record.weight,
        frame_rate=record.frame_rate, marks=record.marks,
    )  # fmt: skip
    if not tracks:
        return None
    track = tracks[0]
    spin = resolve.spin_of(
        track, record.time_s,
        frame_rate=record.frame_rate, marks=record.marks, tilt_rad=record.tilt_rad,
    )  # fmt: skip
    phase = resolve.narrow_answer(spin, record.time_s, record.u_rad, record.row_fraction)
    bounds = record.bounds_rpm or alias.DEFAULT_BOUNDS_RPM
    fits = resolve.fits_of_orders(phase, bounds)
    end = record.time_s[track.last]
    return resolve.verdict(
        spin, record.time_s, record.u_rad, fits, first=track.first, last=track.last,
        topple_seen=record.topple_s is not None and abs(end - record.topple_s) < END_S,
        bounds_rpm=record.bounds_rpm, odds_needed=ODDS_NEEDED, free_from_s=record.free_from_s,
    )  # fmt: skip


def trial(number: int) -> Trial:
    """Simulate record `number` and judge the verdict on it."""
    record = simulate(number)
    verdict = verdict_of(record)
    if verdict is None or not verdict.candidates:
        return Trial(record, verdict, False, False, math.nan)
    true = record.true_rad_s(verdict.reference_s)
    against = sum(c.probability for c in verdict.candidates if c.rpm * true < 0)
    near = [abs(c.rpm * RPM - true) < record.spacing_rad_s / 2 for c in verdict.candidates]
    best = verdict.candidates[0].probability
    return Trial(record, verdict, near[0], any(near), best, against > SURE_OF_DIRECTION)
