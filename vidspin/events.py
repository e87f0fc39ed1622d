"""When was it released, when did it topple, how fast was it then?

The finders (`release`, `topple`) give instants with brackets; here they become events with a
speed, and a reviewer's instant takes the place of the program's where one was stated.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vidspin.curve import DRAG_POWER, Noise, Turning
from vidspin.records import Event, Revolutions, SpinCurve, SpinTime
from vidspin.regression import local_rates
from vidspin.uncertainty import coverage_factor, rectangular

EDGE_WINDOW_S = 1.5  # of the fit that gives the speed at an end of the spin
# A quadratic through a cubic over a window misses the rate at its end by this share of the third
# derivative times the window squared (shifted Legendre polynomial of degree 3: 12 / 20 / 3!).
END_BIAS = 0.1


def event(  # noqa: PLR0913 - an event's own fields
    kind: str,
    *,
    seen: bool,
    time_s: float,
    u95_s: float,
    how: str,
    stated_s: float | None,
    reason: str,
) -> Event:
    """Make an event without a speed; a stated instant overrules a found one.

    Parameters
    ----------
    kind : str
        "release", "topple" or "touch".
    seen : bool
    time_s, u95_s : float
        Instant found and its expanded uncertainty, s.
    how : str
    stated_s : float or None
        A reviewer's instant, s; the found one stays in `Event.measured_s`.
    reason : str
        The reviewer's reason.

    Returns
    -------
    Event
    """
    if stated_s is None:
        return Event(kind, seen, time_s, u95_s, None, None, how)
    said = f"stated by the reviewer{': ' + reason if reason else ''}; found by the program: {how}"
    return Event(kind, True, stated_s, u95_s, None, None, said, time_s if seen else None)


def with_speed(event: Event, turning: Turning, noise: Noise, curve: SpinCurve) -> Event:
    """Add the speed at an event, from a fit to the free spin beside it."""
    u = turning.u_rad * noise.scale
    weight = np.where(noise.usable, 1.0 / u**2, 0.0)
    angle = np.where(noise.usable, turning.angle_rad, 0.0)
    width = 2 * EDGE_WINDOW_S  # the window lies half outside of the spin
    at = event.time_s + turning.offset.value
    fit = local_rates(
        turning.time_s, angle, weight, centres_s=np.array([at]), windows_s=np.array([width])
    )
    if not np.isfinite(fit.rate_rad_s[0]) or fit.count[0] < 12:
        return event
    nearest = int(np.argmin(np.abs(curve.time_s - event.time_s))) if len(curve.time_s) else 0
    random = float(fit.rate_factor[0]) * np.sqrt(noise.spread)
    systematic = 0.0
    if len(curve.time_s):
        systematic = float(np.nan_to_num(curve.u_speed_rad_s[nearest]))
    speed, slope = abs(float(fit.rate_rad_s[0])), abs(float(fit.slope_rad_s2[0]))
    bias = END_BIAS * DRAG_POWER * slope**2 / max(speed, slope * EDGE_WINDOW_S) * EDGE_WINDOW_S**2
    instant = slope * event.u95_s / 2
    clock = speed * turning.clock_ppm.u * 1e-6
    parts = (random, systematic, rectangular(bias), instant, clock)
    u_total = float(np.linalg.norm(parts))
    k = float(coverage_factor(0.95, noise.dof))
    return replace(event, speed_rad_s=speed, u95_rad_s=k * u_total)


def spin_time(
    release: Event | None, topple: Event | None, first_s: float, last_s: float, *, clock_ppm: float
) -> SpinTime:
    """Topple minus release, or the part that the recording holds.

    Parameters
    ----------
    release, topple : Event or None
    first_s, last_s : float
        Ends of the free spin in the recording, s.
    clock_ppm : float
        Standard uncertainty of the clock rate.
    """
    start = release.time_s if release and release.seen else first_s
    stop = topple.time_s if topple and topple.seen else last_s
    if not (release and release.seen and topple and topple.seen):
        return SpinTime(None, None, max(0.0, stop - start))
    u95 = float(np.hypot(release.u95_s, topple.u95_s))
    u95 = float(np.hypot(u95, 1.96 * clock_ppm * 1e-6 * (stop - start)))
    return SpinTime(stop - start, u95, None)


def revolutions(  # noqa: PLR0913 - both ends with their uncertainties
    turning: Turning,
    noise: Noise,
    start_s: float,
    stop_s: float,
    u95_s: tuple[float, float],
    step: float | None,
    unseen_s: float,
) -> Revolutions:
    """Count the turns between two instants on the smooth angle."""
    t, smooth = turning.time_s, noise.smooth_rad
    good = np.isfinite(smooth)
    if good.sum() < 8:
        return Revolutions(None, None, step, unseen_s)
    ends = []
    speeds = []
    for at, rows in ((start_s, np.flatnonzero(good)[:8]), (stop_s, np.flatnonzero(good)[-8:])):
        at = at + turning.offset.value
        slope, value = np.polyfit(t[rows] - t[rows].mean(), smooth[rows], 1)
        inside = t[good][0] <= at <= t[good][-1]
        ends.append(
            float(np.interp(at, t[good], smooth[good]))
            if inside
            else value + slope * (at - t[rows].mean())
        )
        speeds.append(abs(float(slope)))
    turns = abs(ends[1] - ends[0]) / (2 * np.pi)
    u95 = float(np.hypot(speeds[0] * u95_s[0], speeds[1] * u95_s[1])) / (2 * np.pi)
    return Revolutions(turns, u95, step, unseen_s)
