"""Does a top turn, or is it at rest: by a run of its ring profiles, or by its mark's angles?

What turns changes the ring in one place from frame to frame; noise changes it everywhere alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vidspin.cyclic import wrapped
from vidspin.profiles import Profiles
from vidspin.records import FloatArray

SMOOTHED = 48  # parts of a turn over which changes are averaged: about a mark
DRAWN_OUT = (1 / 12, 1 / 4)  # likewise about marks that a long exposure draws out
FAINTEST_LEVELS = 0.02  # a change by less is rounding
LEAST_LEVELS = 0.1  # of such a change; frozen pictures have no noise to hold it against
OF_NOISE = 6.0  # the largest change about the ring against the usual one: noise has 3 to 4
LEAST_SHARE = 0.5  # of a run's frames that must show it
# The edge of a hand and a mark at rest are seen at one place, as is a mark at a stand-still speed:
# that they agree says nothing.  A mark that turns is off its mean place by so many times what it is
# off the spin.
MOVES, LEAST_SPREAD_RAD = 3.0, 0.01
STANDING_FRAMES, LEAST_REPEATS = 96, 8  # looked at; of one place
MOST_PLACES = 4  # more of them run into each other
PLACES = (
    " still (at rest, or whole or half turns from frame to frame)",
    ", in two places by turns (half a turn from frame to frame)",
    ", in three places by turns (a third of a turn from frame to frame)",
    ", in four places by turns (a quarter of a turn from frame to frame)",
)
BETTER_SEEN = "film closer, with more light or a bolder mark, or state --centre and --radii"
WHERE_STANDING = (
    "state --centre X,Y, and --radii A,B if that is not enough, or film until the top falls, or at "
    "another frame rate"
)


def at_rest(profiles: NDArray[np.float32]) -> bool:
    """Say whether nothing turns in consecutive frames.

    Parameters
    ----------
    profiles : (F, N) array
        Ring profiles, grey levels; F of two and more.

    Returns
    -------
    bool
    """
    change = _changes(profiles, 1.0 / SMOOTHED)
    usual = np.maximum(1.4826 * np.median(change, axis=1), LEAST_LEVELS)
    return bool(np.mean(change.max(axis=1) > OF_NOISE * usual) < LEAST_SHARE)


def liveliest(profiles: NDArray[np.float32]) -> FloatArray:
    """Largest change anywhere in the ring from frame to frame, of the usual frame, grey levels.

    Parameters
    ----------
    profiles : (F, N) array
        Ring profiles, grey levels; F of two and more.

    Returns
    -------
    (3,) array
        Averaged over about a mark, and over marks that are drawn out to `DRAWN_OUT` of a turn.
        These change most of the ring: by one run alone that cannot be told from noise, but beside
        the runs of a top at rest it can.
    """
    parts = [_changes(profiles, part).max(axis=1) for part in (1.0 / SMOOTHED, *DRAWN_OUT)]
    usual = np.asarray(np.median(parts, axis=1), np.float64)
    return np.maximum(usual, FAINTEST_LEVELS)


def _changes(profiles: NDArray[np.float32], part: float) -> FloatArray:
    """Size of the change from frame to frame, averaged over a part of a turn; (F - 1, N)."""
    change = np.diff(profiles.astype(np.float64), axis=0)
    change -= np.median(change, axis=1, keepdims=True)
    width = max(1, int(profiles.shape[1] * part))
    smooth = ndimage.uniform_filter1d(change, width, axis=1, mode="wrap")
    return np.asarray(np.abs(smooth), np.float64)


def unfollowed(store: Profiles) -> tuple[str, str]:
    """Say why a mark that was found could not be followed, and what to do about it.

    Parameters
    ----------
    store : Profiles
        Ring profiles of all frames; those in the middle of the recording are looked at.

    Returns
    -------
    what, do : str
        A mark that turns 1/p of a turn from frame to frame is seen in p places by turns, over and
        over: every p-th picture is the same.
    """
    what = "the mark was found but its turning could not be followed"
    first = max(0, len(store) // 2 - STANDING_FRAMES // 2)
    profiles = store.read(first, first + STANDING_FRAMES)
    for places in range(1, MOST_PLACES + 1):
        if len(profiles[::places]) >= LEAST_REPEATS and at_rest(profiles[::places]):
            return f"{what}: it seems to stand{PLACES[places - 1]}", WHERE_STANDING
    return what, BETTER_SEEN


def stands(expected_rad: FloatArray, off_rad: FloatArray, period_rad: float) -> bool:
    """Tell whether one place in the picture fits sightings about as well as a spin does.

    Parameters
    ----------
    expected_rad : (N,) array
        Where the spin would have the mark; at least one.
    off_rad : (N,) array
        How far from there it was seen.
    period_rad : float
        Distance of equal marks.

    Returns
    -------
    bool
    """
    away = wrapped(expected_rad - expected_rad[-1], period_rad)
    spread = max(float(np.std(off_rad)), LEAST_SPREAD_RAD)
    return float(np.std(away + off_rad)) < MOVES * spread
