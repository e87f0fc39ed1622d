"""What does a roll of the camera about its optical axis do to the speed of the mark?

A camera in a hand turns by degrees within seconds, and the mark's apparent angle turns with it: to
the frames that is speed.  The setting about the top tells the roll, but not so well as to take it
off: it may be hidden in part, and what lies nearer or farther than the top moves otherwise.
Nothing is corrected; what the roll would do to the slope of the angle in a window counts as doubt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from vidspin.records import Ellipse, Float32Array, FloatArray
from vidspin.regression import rate_weights
from vidspin.speed.doubts import LEAST_SIGHTINGS

# Of what the roll would do, as a standard uncertainty, as for a lean: a half-width of 1.4 times it,
# evenly spread.  The roll told is right within a tenth or two where the setting has any texture.
SHARE = 0.8
SIGNIFICANT = 3.0  # standard deviations by the frames' own noise
MOST_UNTOLD = 0.2  # of a window; beyond, it turned as fast at least as it did beside it
BESIDE_S, LINE = 1.0, 7
LEAST_FRAMES = 12  # in which it was told
# Of the doubt about a frame's roll, what neighbours share: encoders freeze the noise of a setting
# for seconds.  Means of half a second of recordings on a tripod scatter by 0.2 to 1.4 times it.
SHARED = 0.7


@dataclass(frozen=True, slots=True)
class Roll:
    """How the camera stood rolled in each frame."""

    roll_rad: FloatArray  # (N,) clockwise as seen; NaN where not told
    u_rad: FloatArray  # (N,) its standard uncertainty, by the setting
    gain: float  # by which a mark's angle on the ring turns, on the mean over the ring
    noise_rad: float  # of one frame, against its neighbours

    @property
    def turn_rad(self) -> FloatArray:
        """What it adds to the mark angle, (N,); straight on where it was not told."""
        return self.gain * _throughout(self.roll_rad)

    def quickest(self, time_s: FloatArray) -> FloatArray:
        """How fast the mark turned with the camera where that was told last or next, rad/s, (N,).

        The largest within `BESIDE_S` to both sides, by straight lines through `LINE` frames.
        """
        told = np.isfinite(self.roll_rad)
        whole = ndimage.minimum_filter1d(told, LINE)
        ahead = np.arange(LINE) - (LINE - 1) / 2
        rate = ndimage.correlate1d(self.turn_rad, ahead / float(ahead @ ahead))
        rate = np.where(whole, np.abs(rate), 0.0) / float(np.median(np.diff(time_s)))
        size = 2 * round(BESIDE_S / float(np.median(np.diff(time_s)))) + 1
        return np.asarray(ndimage.maximum_filter1d(rate, size))

    @property
    def u_turn_rad(self) -> FloatArray:
        """Standard uncertainty of that, (N,)."""
        return self.gain * _throughout(self.u_rad)


def roll_of(
    roll_rad: FloatArray | Float32Array, u_rad: FloatArray | Float32Array, ring: Ellipse
) -> Roll | None:
    """Take up what the frames told of the camera's roll.

    Parameters
    ----------
    roll_rad, u_rad : (N,) arrays
        And its standard uncertainty; NaN where not told.
    ring : Ellipse
        The mark's path.

    Returns
    -------
    Roll or None
        None where too few frames tell.

    Notes
    -----
    A picture that turns by a small angle turns a mark that is seen at an angle ``p`` from the major
    axis of its path, a to b, by ``a/b cos(p)**2 + b/a sin(p)**2`` of it once the path is stretched
    to a circle: by ``(a/b + b/a) / 2`` on the mean.

    The noise is told by second differences of neighbours, in which no hand moves: their variance is
    six times that of a frame.
    """
    roll, u = np.asarray(roll_rad, np.float64), np.asarray(u_rad, np.float64)
    roll = np.where(np.isfinite(u), roll, np.nan)
    bend = np.diff(roll, 2)
    bend = bend[np.isfinite(bend)]
    if len(bend) < LEAST_FRAMES:
        return None
    noise = 1.4826 * float(np.median(np.abs(bend))) / np.sqrt(6)
    ratio = ring.major_px / ring.minor_px
    return Roll(roll, u, (ratio + 1 / ratio) / 2, noise)


def _throughout(values: FloatArray) -> FloatArray:
    """Fill what is not known, straight from one known value to the next."""
    frames, known = np.arange(len(values)), np.isfinite(values)
    return np.asarray(np.interp(frames, frames[known], values[known]))


def roll_u(
    roll: Roll | None,
    time_s: FloatArray,
    weight: FloatArray,
    at: FloatArray,
    length_s: FloatArray,
) -> FloatArray:
    """Carry the roll to the rates of windows, as a doubt.

    Parameters
    ----------
    roll : Roll or None
    time_s, weight : (N,) arrays
        Of the sightings; a weight of zero leaves one out.
    at, length_s : (M,) arrays
        Centres and lengths of the windows.

    Returns
    -------
    (M,) array
        Standard uncertainties, rad/s; 0 where nothing rolls, or by less than its noise makes, or
        where a window holds too little.
    """
    out = np.zeros(len(at))
    if roll is None:
        return out
    turn, u, quick = roll.turn_rad, roll.u_turn_rad, roll.quickest(time_s)
    untold = ~np.isfinite(roll.roll_rad)
    low = np.searchsorted(time_s, at - length_s / 2)
    high = np.searchsorted(time_s, at + length_s / 2, side="right")
    for k, (i, j) in enumerate(zip(low, high, strict=True)):
        if np.count_nonzero(weight[i:j] > 0) < LEAST_SIGHTINGS:
            continue
        w = rate_weights(
            time_s[i:j], weight[i:j], centre_s=float(at[k]), window_s=float(length_s[k])
        )
        lever = abs(float(w @ turn[i:j]))
        apart = roll.gain * roll.noise_rad * float(np.linalg.norm(w))
        # one error in each half of the window, which weigh alike
        shared = SHARED * float(np.abs(w) @ u[i:j]) / np.sqrt(2)
        noise = np.hypot(apart, shared)
        if untold[i:j].mean() > MOST_UNTOLD:  # what turned too fast to be told
            lever = max(lever, float(quick[i:j].max()))
        if lever > SIGNIFICANT * noise:
            out[k] = SHARE * lever
    return out
