"""What does a camera profile add to one recording's own fit?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from vidspin import camera
from vidspin.calibration.calibrate import Tuned
from vidspin.camera import CameraEvidence
from vidspin.markmodel import TABLE, MarkModel, smeared_table
from vidspin.order.shutter import along_axes
from vidspin.records import CameraProfile, Quantity, ShutterFit
from vidspin.uncertainty import NORMAL_95

_LOCKED = "locked"
_FOUND = "fitted, with the speed that was found"
_LIKELIEST = "fitted, with the likeliest candidate's speed"
_OPEN = "; holds for that candidate alone, the speed is unresolved"


def camera_evidence(
    profile: CameraProfile, fits: Mapping[int, ShutterFit], model: MarkModel
) -> CameraEvidence:
    """Gather what the order decision may look at of a profile.

    Parameters
    ----------
    profile : CameraProfile
    fits : mapping of int to ShutterFit
        Readout that each order needs, shapes of the mark included.
    model : MarkModel
        The mark as seen, no speed assumed: its shape holds the smear.

    Returns
    -------
    CameraEvidence
    """
    turn = smeared_table(model, np.zeros(1))[0, :TABLE].astype(np.float64)
    readouts = {n: (fit.readout_s, fit.u_readout_s) for n, fit in fits.items()}
    return CameraEvidence(profile, readouts, camera.trace_length(turn))


def locked_exposure(profile: CameraProfile | None) -> Quantity | None:
    """Exposure that the user locked, by a profile; None where none is."""
    return profile.exposure_s if profile is not None and profile.exposure_fixed else None


def with_profile(tuned: Tuned, profile: CameraProfile) -> Tuned:
    """Let a profile's readout sharpen a recording's own readout and geometry.

    Parameters
    ----------
    tuned : Tuned
        The recording's own fit.
    profile : CameraProfile

    Returns
    -------
    Tuned
        The same where the profile has no readout or contradicts the recording.

    Notes
    -----
    The profile's value is one more measurement of the fit's first parameter; all parameters
    follow by their covariance (the update of linear least squares by an observation).
    """
    known = profile.readout_s
    fit = tuned.fit
    if known is None or not camera.fits_recording(known, fit.readout_s, fit.u_readout_s):
        return tuned
    # the covariance in the fit is that of speeds already seen; the readout's own doubt is wider
    wide = fit.covariance * (fit.u_readout_s**2 / fit.covariance[0, 0])
    gain = wide[:, 0] / (wide[0, 0] + known.u**2)
    moved = gain * (known.value - fit.readout_s)
    narrow = fit.covariance[:, 0] / (fit.covariance[0, 0] + known.u**2)
    covariance = fit.covariance - np.outer(narrow, fit.covariance[0])
    turn = along_axes(len(fit.geometry), tuned.phase.tilt_rad)
    geometry = fit.geometry + (turn @ moved[1:]).reshape(-1, 2)
    readout_s = fit.readout_s + float(moved[0])
    sharper = replace(
        fit,
        readout_s=readout_s,
        u_readout_s=float(np.sqrt(wide[0, 0] * known.u**2 / (wide[0, 0] + known.u**2))),
        geometry=geometry,
        covariance=covariance,
    )
    model = replace(tuned.model, readout_s=readout_s, geometry=geometry)
    return replace(tuned, model=model, fit=sharper)


def readout_of(tuned: Tuned, own: Tuned) -> Quantity:
    """Readout of a result, and in words where it came from.

    Parameters
    ----------
    tuned, own : Tuned
        With a profile's help and by the recording alone; the same where no profile helped.
    """
    fit, alone = tuned.fit, own.fit
    if tuned is own:
        return Quantity(tuned.model.readout_s, fit.u_readout_s, _FOUND)
    ms, u = alone.readout_s * 1e3, alone.u_readout_s * 1e3
    own_readout = f"{ms:.2f} ± {NORMAL_95 * u:.2f} ms"
    how = f"{_FOUND} ({own_readout}), and the camera profile"
    return Quantity(tuned.model.readout_s, fit.u_readout_s, how)


def as_told(fitted: Quantity | None, *, resolved: bool) -> Quantity | None:
    """Say of a readout or an exposure whether the speed that it was fitted under is known.

    Parameters
    ----------
    fitted : Quantity or None
        As found, or as told before.
    resolved : bool
        Else it goes with the likeliest candidate alone, as all angles of the result do.
    """
    if fitted is None or fitted.how.startswith(_LOCKED):  # the user's word fits every candidate
        return fitted
    plain = fitted.how.removesuffix(_OPEN).replace(_LIKELIEST, _FOUND)
    if resolved:
        return replace(fitted, how=plain)
    return replace(fitted, how=plain.replace(_FOUND, _LIKELIEST) + _OPEN)
