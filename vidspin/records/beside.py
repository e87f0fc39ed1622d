"""What is known beside the pictures and the spin: sound, camera, clock, wobble."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from vidspin.records.plain import FloatArray, Quantity


@dataclass(frozen=True, slots=True)
class SoundBlock:
    """A piece of the recording's sound, all channels mixed to one."""

    time_s: float  # scene seconds of its first sample
    rate_hz: float  # samples a scene second
    samples: NDArray[np.float32]  # (n,) -1 to 1


@runtime_checkable
class Audible(Protocol):
    """A recording whose sound can be heard."""

    def sound(self) -> Iterator[SoundBlock]:
        """Yield the sound in order of time; nothing where there is none."""
        ...


@dataclass(frozen=True, slots=True)
class SoundCurve:
    """Spin speed from the sound alone; K blocks in which its line stands out."""

    time_s: FloatArray  # (K,) block centres
    speed_rad_s: FloatArray  # (K,) magnitude
    u_speed_rad_s: FloatArray  # (K,) standard
    harmonic: int  # of the spin rate at which the line was followed
    channel: str  # what was listened to, in words


@dataclass(frozen=True, slots=True)
class Wobble:
    """How the top's body moves beside its spin."""

    run_out_px: Quantity  # distance of the body's middle from the spin axis, also where not seen
    run_out_seen: bool  # above noise
    angle_rad: Quantity | None  # of the body's middle from the mark, clockwise positive as seen
    run_out_mm: Quantity | None  # where the scale is known
    time_s: FloatArray  # (W,) windows in which a slow precession stands out; may be empty
    precession_hz: FloatArray  # (W,) clockwise positive as seen
    amplitude_px: FloatArray  # (W,) along the ring's major axis
    u_amplitude_px: FloatArray  # (W,)
    windows: int  # looked at


@dataclass(frozen=True, slots=True)
class Reference:
    """An event whose instant is known on the recording's clock and on a better one."""

    recorded_s: float  # scene seconds from the first frame, nothing corrected
    true_s: float  # on the better clock, seconds since the earliest reference there
    u_recorded_s: float
    u_true_s: float
    typed: str = ""  # as the user stated it


@dataclass(frozen=True, slots=True)
class CameraProfile:
    """What is known of one phone and mode."""

    name: str
    width: int  # stored columns
    height: int  # stored rows
    frame_rate: Fraction  # scene frames a second
    readout_s: Quantity | None = None  # signed: positive = first stored row is read first
    exposure_s: Quantity | None = None
    exposure_fixed: bool = False  # the user locks it, so that it holds for other recordings too
    clock_ppm: Quantity | None = None
