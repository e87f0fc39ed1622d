"""What do errors that go with the mark angle do where few angles are seen again and again?

Near a stand-still speed, and near speeds at which every second to fourth frame shows the mark at
the same angle, what shutter and geometry left passes so slowly that it looks like a step of the
phase.  It is told from one by its own shape: a wave of the mark angle, which the frames show.
Where the mark comes back to nearly the same place, encoders also drag it towards where it was the
time before; when the slow drift turns round, the drag changes sides, and the phase steps by up to
a few hundredths of a turn.
"""

from __future__ import annotations

import numpy as np

from vidspin.phase.continuous import Course
from vidspin.records import IntArray

FEW_ANGLES = 4  # at most, that are seen again and again
MOST_PASSED = 6.0  # waves that pass meanwhile; more are no slow passing
# Two of 150 drawn attempts showed a drag of 0.01 turn to either side, within 0.3 s.
DRAG_S, MOST_DRAG = 0.5, 0.04  # and turn, from one side to the other
# What shutter, geometry and encoder leave beside few angles: rad, and noises of a sighting where
# the mark is seen poorly (both judged).  A larger wave is a change of the spin.
MOST_WAVE, MOST_NOISES = 0.02, 7.0
NOISE_DEGREE = 7  # of a curve that follows any push; what it leaves is noise
DEGREE = 3  # of the spin beside the wave: with it, as many unknowns as two quadratics have


def least_left(track: Course, rows: IntArray) -> float:
    """Fit a smooth spin and one slow wave of the mark angle.

    Parameters
    ----------
    track : Course
    rows : array of int
        Sightings that follow each other.

    Returns
    -------
    float
        Least chi-square over the waves that pass slowly there and are no larger than what is left
        elsewhere; infinite where none passes.
    """
    t, phi, root = track.t[rows], track.phi[rows], np.sqrt(track.weight[rows])
    if len(t) < 2 * (DEGREE + 3):
        return float("inf")
    frame_s = track.frame_s
    advance = track.speed[rows] * frame_s / track.period  # mark spacings a frame
    x = (t - t.mean()) / max(float(np.ptp(t)) / 2, 1e-9)
    smooth = np.stack([x**k for k in range(DEGREE + 1)], 1)
    moved = (phi - phi.mean()) * root
    shaped = smooth * root[:, None]
    # the wave of the smooth spin: that of the sightings would hold, and so explain, their noise
    turned = phi.mean() + smooth @ np.linalg.lstsq(shaped, moved, rcond=None)[0]
    usual = float(np.sqrt(noise_of(track, rows))) / float(np.sqrt(np.mean(track.weight[rows])))
    most, least = max(MOST_WAVE, MOST_NOISES * usual), float("inf")
    for m in range(1, FEW_ANGLES + 1):
        drift = m * advance - np.rint(m * float(np.median(advance)))
        passed = float(np.abs(np.diff(t) * 0.5 * (drift[1:] + drift[:-1])).sum()) / frame_s
        if passed > MOST_PASSED:
            continue
        wave = m * 2 * np.pi * turned / track.period
        design = np.column_stack([shaped, np.cos(wave) * root, np.sin(wave) * root])
        found = np.linalg.lstsq(design, moved, rcond=None)[0]
        left = moved - design @ found
        size = float(np.hypot(*found[-2:]))
        if size > most:
            rest = moved - design[:, -2:] @ found[-2:] * (most / size)
            left = rest - shaped @ np.linalg.lstsq(shaped, rest, rcond=None)[0]
        least = min(least, float(left @ left))
    return least


def noise_of(track: Course, rows: IntArray) -> float:
    """Tell the mean square of what a flexible curve leaves of sightings, in their variances."""
    t, root = track.t[rows], np.sqrt(track.weight[rows])
    if len(t) < 2 * (NOISE_DEGREE + 1):
        return float("inf")
    x = (t - t.mean()) / max(float(np.ptp(t)) / 2, 1e-9)
    design = np.polynomial.chebyshev.chebvander(x, NOISE_DEGREE) * root[:, None]
    moved = (track.phi[rows] - track.phi[rows].mean()) * root
    left = moved - design @ np.linalg.lstsq(design, moved, rcond=None)[0]
    return float(left @ left) / (len(t) - NOISE_DEGREE - 1)


def drag_changes_sides(track: Course, at_s: float) -> bool:
    """Tell whether the slow drift of a mark that comes back to few places turns round.

    Parameters
    ----------
    track : Course
    at_s : float
        To `DRAG_S` before and after which it is looked for.
    """
    frame_s = track.frame_s
    around = at_s + np.linspace(-DRAG_S, DRAG_S, 9)
    advance = np.interp(around, track.t, track.speed) * frame_s / track.period
    drifts = [m * advance - np.rint(m * advance[4]) for m in range(1, FEW_ANGLES + 1)]
    return any(bool(d.min() <= 0.0 <= d.max()) for d in drifts)
