"""Verdicts on simulated records whose camera is known from a profile."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
from order_trials import END_S, ODDS_NEEDED, Trial
from simulated_records import RPM, Record, simulate

from vidspin.camera import CameraEvidence
from vidspin.order import alias, resolve
from vidspin.order.apparent import follow_phase
from vidspin.records import AliasVerdict, CameraProfile, Quantity

# What profiles of two simulated run-downs came out at.
U_READOUT_S, U_RELATIVE = 0.3e-3, 0.02


def profile_of(record: Record) -> CameraProfile:
    """Profile whose readout is off the record's own as its uncertainty allows."""
    rng = np.random.default_rng([record.number, 77])
    u = math.hypot(U_READOUT_S, U_RELATIVE * record.readout_s)
    rate = Fraction(record.frame_rate).limit_denominator(1001)
    readout = Quantity(record.readout_s + u * rng.standard_normal(), u, "simulated")
    return CameraProfile("simulated", 640, 360, rate, readout)


def verdict_with(record: Record, profile: CameraProfile | None) -> AliasVerdict | None:
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
    known: CameraEvidence | str = alias.NO_PROFILE
    if profile is not None:
        readouts = {n: (f.readout_s, f.u_readout_s) for n, f in fits.items()}
        known = CameraEvidence(profile, readouts, None)
    end = record.time_s[track.last]
    return resolve.verdict(
        spin, record.time_s, record.u_rad, fits, first=track.first, last=track.last,
        topple_seen=record.topple_s is not None and abs(end - record.topple_s) < END_S,
        bounds_rpm=record.bounds_rpm, odds_needed=ODDS_NEEDED, free_from_s=record.free_from_s,
        camera=known,
    )  # fmt: skip


def trial_with_profile(number: int, *, known: bool = True) -> Trial:
    """Simulate record `number` and judge the verdict with (or without) a profile."""
    record = simulate(number)
    verdict = verdict_with(record, profile_of(record) if known else None)
    if verdict is None or not verdict.candidates:
        return Trial(record, verdict, False, False, math.nan)
    true = record.true_rad_s(verdict.reference_s)
    near = [abs(c.rpm * RPM - true) < record.spacing_rad_s / 2 for c in verdict.candidates]
    return Trial(record, verdict, near[0], any(near), verdict.candidates[0].probability)
