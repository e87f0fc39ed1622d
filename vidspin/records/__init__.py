"""What things are called and what each of them holds.

Frozen values; nothing here computes.  Arrays are read-only and of one length N (one entry a
frame) unless said otherwise.  A field's suffix is its unit (``_px`` stored picture elements),
``u_`` marks its standard uncertainty.  Times are real (scene) seconds from the first frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import IntFlag
from fractions import Fraction
from typing import Protocol

import numpy as np

from vidspin.records.beside import Audible as Audible
from vidspin.records.beside import CameraProfile as CameraProfile
from vidspin.records.beside import Reference as Reference
from vidspin.records.beside import SoundBlock as SoundBlock
from vidspin.records.beside import SoundCurve as SoundCurve
from vidspin.records.beside import Wobble as Wobble
from vidspin.records.plain import BoolArray as BoolArray
from vidspin.records.plain import ByteArray as ByteArray
from vidspin.records.plain import Float32Array as Float32Array
from vidspin.records.plain import FloatArray as FloatArray
from vidspin.records.plain import IntArray as IntArray
from vidspin.records.plain import LumaArray as LumaArray
from vidspin.records.plain import Quantity as Quantity
from vidspin.records.plain import Rows as Rows

Fact = str | float | bool  # what a person tells of an attempt: the value that belongs to a key


@dataclass(frozen=True, slots=True)
class Frame:
    """One decoded frame: luma only, stored orientation, read-only view.

    ``luma`` may be a view into the decoder's memory: copy what is kept.  16-bit values are
    10-bit samples.
    """

    index: int  # 0-based over the whole recording
    chapter: int  # 0-based
    tick: int  # presentation time in the chapter's own time base
    time_s: float  # scene seconds from the recording's first frame
    luma: LumaArray  # (rows, columns)
    suspect: bool = False  # the decoder reported damage at or before this frame


@dataclass(frozen=True, slots=True)
class ChapterFacts:
    """What the container of one file states."""

    name: str
    path: str
    bytes: int
    sha256: str
    container: str
    codec: str
    width: int  # stored columns
    height: int  # stored rows
    rotation_deg: int  # clockwise turn that a player applies: 0, 90, 180 or 270
    mirrored: bool  # the display matrix has a negative determinant
    sample_aspect: Fraction  # width : height of one stored picture element
    bit_depth: int
    full_range: bool | None  # None: not stated, treated as limited
    time_base: Fraction  # seconds a tick
    frames_listed: int  # frames that the container announces; 0 = not stated
    frame_rate: Fraction  # nominal, from the commonest step of the frame times
    first_tick: int
    duration_file_s: float  # last frame time - first frame time + one nominal frame
    capture_rate: Fraction | None  # from the container's tag, None when absent
    edit_list: str | None  # a finding in words; None when there is nothing to say
    tags: dict[str, str] = field(default_factory=dict)  # allow-listed, no places, no serials
    sound_s: float | None = None  # length of the sound, None where there is none


@dataclass(frozen=True, slots=True)
class FootageFacts:
    """What the files of one recording state, before a frame is looked at."""

    name: str
    chapters: tuple[ChapterFacts, ...]
    frame_rate: Fraction  # scene frames a scene second (after the time scale)
    time_scale: Fraction  # recorded (scene) second per file second, e.g. 1/8
    time_scale_from: str  # one sentence: why this scale was taken
    duration_s: float  # scene seconds
    findings: tuple[Check, ...] = ()  # what the container's facts alone already tell
    # Rate error of the files' clock that scene times are already corrected for, parts in a
    # million; positive = the clock runs fast, so that times were divided by 1 + 1e-6 of it.
    clock_ppm: float = 0.0
    time_doubt: str = ""  # why the times may be stretched, so that no speed may be told on them


@dataclass(frozen=True, slots=True)
class StreamOutcome:
    """What the one pass over all frames met; available when the stream has ended."""

    decoded: int
    suspect: int
    faults: tuple[str, ...]  # one sentence each: early ends, decoder errors, time order


class Footage(Protocol):
    """A recording that can be looked at: sparsely, once in full, or around an instant."""

    facts: FootageFacts

    def sparse(self, *, runs: int, per_run: int) -> Iterator[tuple[Frame, ...]]:
        """Yield about `runs` short runs of consecutive frames spread over the recording.

        Each run holds up to `per_run` frames; where key frames are fewer than `runs`, fewer
        and longer runs come, so that about ``runs * per_run`` frames are decoded in all.
        Frames of a run own their pixels (they stay valid).
        """

    def stream(self) -> Iterator[Frame]:
        """Yield every frame once, in presentation order."""

    def around(self, time_s: float, *, before: int, after: int) -> tuple[Frame, ...]:
        """Return the frames around an instant; frames own their pixels."""

    def passing(self, time_s: float, *, before: int, after: int, every: int = 1) -> Iterator[Frame]:
        """Yield the same frames one by one, of each `every` one; they own their pixels."""

    @property
    def outcome(self) -> StreamOutcome:
        """Say what the last complete `stream` met."""


@dataclass(frozen=True, slots=True)
class Ellipse:
    """Ellipse in stored picture elements; `tilt_rad` turns +x towards +y (down)."""

    x_px: float
    y_px: float
    major_px: float
    minor_px: float
    tilt_rad: float


@dataclass(frozen=True, slots=True)
class Survey:
    """Where the top is, which ring the mark sweeps, and how many marks there are."""

    ring: Ellipse  # path of the mark's centre
    inner: float  # inner edge of the mark's ring in units of `ring`
    outer: float  # outer edge, same unit
    marks: int
    bright: bool  # the mark is brighter than the top
    confidence: float  # 0-1: share of the ring on which the mark was seen moving
    given: tuple[str, ...]  # what the user stated instead: "centre", "radii", ...
    picture: ByteArray  # (rows, columns) still that the survey looked at, 8 bit
    activity: FloatArray  # (rows, columns) how much moves where, at the picture's scale
    scale: float  # picture elements of `picture` a stored picture element
    radii: FloatArray = field(default_factory=lambda: np.ones(1))  # (R,) in ring units
    weights: FloatArray = field(default_factory=lambda: np.ones(1))  # (R,) mark's contrast, 0-1
    others: tuple[Ellipse, ...] = ()  # where else in the picture a pattern turns


class SightingFlag(IntFlag):
    """Why a sighting is not used or is to be taken with care."""

    NONE = 0
    DARK = 1  # too little light to see the top
    OCCLUDED = 2  # the top looks as if covered: a hand, a shadow, or its own leaning
    MOVED = 4  # its place was not found: moved too far in one frame, or too unlike
    WEAK = 8  # the mark does not stand out from the noise
    DAMAGED = 16  # the decoder reported damage
    OUTLIER = 32  # seen, but far from the smooth spin around it
    NOT_SPINNING_FREELY = 64  # outside of what was followed as free spin
    REPEATED = 128  # the mark stands though it should turn: a picture shown again


@dataclass(frozen=True, slots=True)
class Sightings:
    """What every frame says about the mark."""

    time_s: FloatArray  # frame times (N,)
    angle_rad: FloatArray  # mark angle at the exposure centre of the middle row (N,)
    u_rad: FloatArray  # its standard uncertainty (N,), NaN where there is no sighting
    quality: FloatArray  # 0-1: share of the picture's change that the mark explains (N,)
    flags: IntArray  # SightingFlag values (N,)
    x_px: FloatArray  # place of the top's centre (N,)
    y_px: FloatArray  # (N,)
    chapter: IntArray  # (N,)


@dataclass(frozen=True, slots=True)
class Basis:
    """What the speed is worked out from, beside the sightings; N frames."""

    turned_rad: FloatArray  # (N,) continuous, signed, NaN where unused
    u_rad: FloatArray  # (N,) as each sighting stated it
    answer: Rows  # (N, q) for one doubt of each independent shutter line
    break_s: FloatArray  # (N,) instant of a break of the spin at the frame beside it, else NaN
    counted: BoolArray  # (N,) False throughout where turns are missing or counted twice
    roll_rad: FloatArray  # (N,) of the camera, clockwise as seen; NaN where not told
    u_roll_rad: FloatArray  # (N,) its standard uncertainty


@dataclass(frozen=True, slots=True)
class Shutter:
    """What readout, exposure and perspective did to the angle."""

    readout_s: Quantity | None  # signed: positive = first stored row is read first
    exposure_s: Quantity | None
    geometry: FloatArray  # (H, 2) cosine and sine coefficients of the angle error, rad
    u_geometry: FloatArray  # (H, 2)
    centre_row_offset_s: Quantity  # exposure centre of the middle row minus frame time


@dataclass(frozen=True, slots=True)
class ShutterFit:
    """Readout and geometry that one alias order needs."""

    readout_s: float
    u_readout_s: float
    geometry: FloatArray  # (H, 2) cosine and sine, rad
    u_geometry: FloatArray  # (H, 2)
    covariance: FloatArray  # (1 + 2H, 1 + 2H) of readout, then cosine and sine by turns
    residual_rad: float  # RMS of what is left
    log_evidence: float  # natural log, of this order's fit against a fit without any prior
    frames: int


@dataclass(frozen=True, slots=True)
class Vote:
    """What one cue says about the candidates."""

    cue: str  # name in the registry of `alias`
    log_odds: tuple[float, ...]  # natural log-likelihood per candidate, best = 0
    says: str  # one short phrase: the candidate it favours, or "abstains"
    note: str  # grounds, in words


@dataclass(frozen=True, slots=True)
class Candidate:
    """One alias order that the recording might have."""

    order: int  # whole turns a frame interval added to the apparent speed (signed)
    rpm: float  # signed speed at the reference instant, clockwise positive, rev/min
    probability: float
    readout_s: float | None  # readout that this order would need
    exposure_s: float | None  # exposure that this order would need


@dataclass(frozen=True, slots=True)
class AliasVerdict:
    """How many whole turns passed between frames, or why that is not known."""

    resolved: bool
    candidates: tuple[Candidate, ...]  # best first
    votes: tuple[Vote, ...]
    odds: float  # best order against all others together
    bounds_rpm: tuple[float, float]
    bounds_from: str  # "default" or "user"
    reference_s: float  # instant to which `Candidate.rpm` belongs
    reason: str  # one sentence


@dataclass(frozen=True, slots=True)
class Component:
    """One line of an uncertainty budget, in rad/s."""

    name: str
    type: str  # "A" or "B"
    u: float
    dof: float  # degrees of freedom, inf when the value is not an estimate
    note: str = ""


@dataclass(frozen=True, slots=True)
class Budget:
    """Uncertainty budget of the speed at one instant."""

    at: str  # "release", "mid-spin", "last minute"
    time_s: float
    speed_rad_s: float
    components: tuple[Component, ...]
    u: float  # combined, rad/s
    dof: float  # effective, Welch-Satterthwaite
    k: float  # coverage factor for 95 %


@dataclass(frozen=True, slots=True)
class SpinCurve:
    """Spin speed against time; M window centres."""

    time_s: FloatArray  # (M,)
    speed_rad_s: FloatArray  # (M,) magnitude, NaN where not known
    u_speed_rad_s: FloatArray  # (M,) standard, without the clock rate
    u95_speed_rad_s: FloatArray  # (M,) expanded, without the clock rate
    u95_total_rad_s: FloatArray  # (M,) expanded, with the clock rate
    slope_rad_s2: FloatArray  # (M,) rate of change of the speed
    window_s: FloatArray  # (M,) length of the fitted window
    sightings: IntArray  # (M,) sightings in the window
    quality: FloatArray  # (M,) mean quality
    residual_time_s: FloatArray  # (N,) frame times
    residual_rad: FloatArray  # (N,) sighting minus smooth spin, NaN where unused
    budgets: tuple[Budget, ...]


# ---------------------------------------------------------------------------- events


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at an instant."""

    kind: str  # "release", "topple" or "touch"
    seen: bool
    time_s: float
    u95_s: float
    speed_rad_s: float | None
    u95_rad_s: float | None
    how: str
    measured_s: float | None = None  # the program's own value where a reviewer overruled it
    measured_u95_s: float | None = None  # and its expanded uncertainty; None where not kept
    speed_lacking: str = ""  # why no speed at it is told


@dataclass(frozen=True, slots=True)
class Check:
    """One question about the recording and its answer."""

    name: str
    state: str  # "pass", "fail" or "unchecked"
    figure: str  # the number that decided, with its unit
    note: str
    kind: str = ""  # what was asked: "file", "picture", "sound" or "spin"; "" where not said
    threshold: str = ""  # what the figure was held against
    why: str = ""  # why that threshold
    look: bool = False  # a person should look, whatever the state
    at_s: tuple[float, ...] = ()  # where to look, scene seconds


@dataclass(frozen=True, slots=True)
class TouchSearch:
    """Where in the spin a touch would have been found; all instants in scene seconds."""

    from_s: float  # from here on both sides of an instant can be compared
    to_s: float  # the last instant, or the first from which the top falls over
    pushes_to_s: float | None  # from `to_s` until here only hard pushes are told from the fall
    gaps_s: tuple[tuple[float, float], ...] = ()  # between them, where they cannot


@dataclass(frozen=True, slots=True)
class ChapterGap:
    """Time between two chapters, beyond the one frame interval that instants are stated with."""

    time_s: float  # instant of the seam as stated
    seconds: float | None  # None: the spin does not tell it; below zero both hold the same time
    u95_s: float


@dataclass(frozen=True, slots=True)
class SpinTime:
    """Topple minus release, or the part of it that is in the recording."""

    seconds: float | None
    u95_s: float | None
    at_least_s: float | None
    between_s: float = 0.0  # of it between chapters, by the spin itself; below zero shown twice
    between_u95_s: float = 0.0
    gaps: tuple[ChapterGap, ...] = ()  # each of them


@dataclass(frozen=True, slots=True)
class Revolutions:
    """Turns between release and topple (or the ends of the recording)."""

    count: float | None
    u95: float | None
    largest_unexplained_step_turns: float | None
    unseen_s: float


@dataclass(frozen=True, slots=True)
class ShownChallenge:
    """A challenge card that the camera saw."""

    text: str  # what its QR code holds
    first_s: float  # first and last frame in which it was read, scene seconds
    last_s: float
    sightings: int  # frames in which it was read, of those that were searched
    others: tuple[str, ...] = ()  # further challenges in the recording


@dataclass(frozen=True, slots=True)
class Strip:
    """Pictures of the frames around an event."""

    kind: str
    time_s: FloatArray  # (n,)
    pictures: tuple[ByteArray, ...]  # n crops of equal shape


@dataclass(frozen=True, slots=True)
class SpinChart:
    """Angle-against-time picture of the ring."""

    whole: ByteArray  # (columns over time, angles)
    whole_time_s: FloatArray  # (columns,)
    zooms: tuple[ByteArray, ...]  # each (frames, angles)
    zoom_time_s: tuple[FloatArray, ...]
    zoom_seen_rad: tuple[FloatArray, ...]  # fitted mark angle as seen, NaN where not known


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything the user may state; stored with the result."""

    centre_px: tuple[float, float] | None = None
    radii_px: tuple[float, float] | None = None
    tilt_rad: float | None = None
    marks: int | None = None
    bounds_rpm: tuple[float, float] | None = None
    captured_at: Fraction | None = None
    release_s: float | None = None
    topple_s: float | None = None
    overrule_reason: str = ""
    every_s: float = 1.0
    clock_half_width_ppm: float = 50.0  # rectangular, where nothing better is known
    odds_needed: float = 1000.0
    references: tuple[Reference, ...] = ()
    clock: Quantity | None = None  # rate error of the recording's clock, ppm; None: not known
    camera: CameraProfile | None = None
    diameter_mm: float | None = None  # of the path of the mark's middle on the top


@dataclass(frozen=True, slots=True)
class Result:
    """Everything that was found out about one recording."""

    vidspin_version: str
    created: str  # RFC 3339 UTC
    settings: Settings
    footage: FootageFacts
    outcome: StreamOutcome
    survey: Survey
    sightings: Sightings
    shutter: Shutter
    alias: AliasVerdict
    direction: str | None  # "clockwise" / "counterclockwise" as seen by the camera
    curve: SpinCurve
    release: Event | None
    topple: Event | None
    touches: tuple[Event, ...]
    spin_time: SpinTime | None
    revolutions: Revolutions | None
    checks: tuple[Check, ...]
    chart: SpinChart
    strips: tuple[Strip, ...]
    clock_ppm: Quantity
    timeline: Strip | None = None  # whole frames at round distances of time
    facts: dict[str, Fact] = field(default_factory=dict)  # told by a person, not measured
    challenge: ShownChallenge | None = None
    basis: Basis | None = None  # kept so that the speed can be worked out again
    sound: SoundCurve | None = None
    wobble: Wobble | None = None
    touch_search: TouchSearch | None = None
