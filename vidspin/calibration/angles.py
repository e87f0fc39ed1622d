"""What is the continuous mark angle of every frame, and under which alias order?

First without knowing a speed: the mark as seen, its track, the candidates.  Then under the best
order: readout, geometry and exposure, the order once more with them, and every frame's angle at
the exposure centre of the middle row.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np

from vidspin import markmodel
from vidspin.calibration import calibrate, exposure
from vidspin.calibration.calibrate import Tuned, left_against
from vidspin.calibration.learnt import camera_evidence, locked_exposure, readout_of, with_profile
from vidspin.calibration.place import Placed, Places, placed
from vidspin.camera import CameraEvidence
from vidspin.cyclic import TWO_PI, nearest
from vidspin.frames import radial
from vidspin.frames.reading import Readings
from vidspin.markmodel import MarkModel
from vidspin.order import alias, resolve, shutter
from vidspin.order.apparent import Track, follow_phase, way
from vidspin.order.geometry import GeometryPrior, measured_prior
from vidspin.order.resolve import Spin
from vidspin.profiles import KeptRows, Profiles
from vidspin.records import (
    AliasVerdict,
    BoolArray,
    Float32Array,
    FloatArray,
    IntArray,
    Quantity,
    Rows,
    Settings,
    SightingFlag,
    Survey,
)

# Noise that an encoder froze looks like a mark that stands, or that comes and goes with the kind
# of frame; it was up to 4 grey levels deep in nearly all empty tables, a mark smeared away 1.3.
LEAST_DEPTH, FROZEN_DEPTH = 0.5, 5.0  # of a mark, and of one that seems to stand
WEAK_AMPLITUDE = 0.25  # of the mark as learnt; below it the mark is hidden or washed out
WEAK_SIGMA = 4.0  # amplitude against its own uncertainty
COVERED_U_RAD = 0.1  # a hand's edge can be taken for the mark's
SAMPLE_RUN = 24  # consecutive frames in the sample for the first model
ANSWER_FRAMES = 4096  # whose answers are worked out together
RETUNES = 2  # the order may change once its readout is known better
RIVALS = 2  # nearest orders under which the frames are read for comparison
CLEARLY_LESS = 0.985  # of what is left; with one mark, rivals of right orders left 0.986 and more
CONTESTED = "set aside: the frames, read under another order, contradict what the shutter says"

Tell = Callable[[str], None]


class Listener(Protocol):
    """What the sound says of alias orders."""

    def log_likelihoods(self, orders: Sequence[int]) -> dict[int, float] | str:
        """Return the log-likelihood of each order, or why the sound tells nothing."""
        ...

    def words(self, order: int) -> str:
        """Name what speaks for an order."""
        ...


@dataclass(frozen=True, slots=True)
class Seen:
    """The mark as seen, no speed assumed."""

    model: MarkModel
    angle_rad: FloatArray  # (N,)
    u_rad: FloatArray  # (N,)
    track: Track
    spin: Spin
    strong: FloatArray  # (N,) 1 where the mark stands out, else 0
    amplitude: FloatArray  # (N,) of the mark, 1 = as it usually is
    elsewhere: tuple[tuple[int, int], ...] = ()  # first and last frame of other turning stretches
    others: tuple[Track, ...] = ()  # the same with their rates
    # By order, in how many windows at another pace of the frames the spin goes on under it.
    agree: Mapping[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Angles:
    """The mark's angle under the best order; N frames."""

    order: int  # in terms of the track's continuous apparent speed
    verdict: AliasVerdict
    tuned: Tuned
    angle_rad: FloatArray  # continuous, signed, NaN outside of the track or without a sighting
    wrapped_rad: FloatArray  # the same up to whole mark spacings, under a hand as well
    u_wrapped_rad: FloatArray  # its standard uncertainty: what covers the top pulls the angle
    u_rad: FloatArray
    quality: FloatArray
    omega_rad_s: FloatArray  # signed spin speed used for the templates
    # (N, 4 + 2H) change for one standard doubt of each independent line: readout and geometry
    # mixed, and three of the place; what is doubt needs no more digits
    answer: Rows
    offset: Quantity  # exposure centre of the middle row minus frame time
    exposure: Quantity | None
    readout: Quantity | None = None


def see(profiles: Profiles, readings: Readings, survey: Survey, frame_rate: float) -> Seen | None:
    """Learn the mark as seen and follow its phase; None when nothing turns clearly."""
    if readings.usable.sum() < 16:
        return None
    best = None
    for index in calibrate.first_samples(profiles, readings.usable, SAMPLE_RUN):
        seen = _seen_by(index, profiles, readings, survey, frame_rate)
        if seen is not None and (best is None or turned(seen) > turned(best)):
            best = seen
    if best is None:
        return None
    spin = replace(best.spin, geometry=_geometry(readings, survey, best.spin, best.strong > 0))
    return replace(best, spin=spin)


def turned(seen: Seen) -> int:
    """Count the sightings of what was followed; none where it turned nothing.

    Nor where it is so faint, and passes so slowly, that it may be what noise leaves of the rest.
    """
    turns, track = way(seen.track), seen.track
    passes = alias.STANDS_RAD_S * (track.last - track.first + 1) / seen.spin.frame_rate
    if turns < TWO_PI or (turns < passes and markmodel.depth(seen.model) < FROZEN_DEPTH):
        return 0
    return int(np.isfinite(seen.spin.angle_rad).sum())


def _seen_by(
    index: IntArray, profiles: Profiles, readings: Readings, survey: Survey, frame_rate: float
) -> Seen | None:
    """Follow the mark by a model that some frames teach; None where they teach none."""
    frames = _frames(readings)
    model = calibrate.plain_model(
        profiles, frames, readings.row_fraction, index, bright=survey.bright
    )
    if model is None or markmodel.depth(model) < LEAST_DEPTH:
        return None
    found = calibrate.read_all(profiles, frames, np.zeros(len(readings.time_s)), model)
    strong = (found.amplitude > WEAK_AMPLITUDE) & (found.amplitude > WEAK_SIGMA * found.u_amplitude)
    weight = (strong & readings.usable).astype(float)
    if weight.sum() < 16:
        return None
    tracks = follow_phase(
        readings.time_s, found.angle_rad, weight, frame_rate=frame_rate, marks=survey.marks
    )
    if not tracks:
        return None
    spin = resolve.spin_of(
        tracks[0],
        readings.time_s,
        frame_rate=frame_rate,
        marks=survey.marks,
        tilt_rad=survey.ring.tilt_rad,
    )
    elsewhere = tuple((t.first, t.last) for t in tracks[1:])
    return Seen(
        model, found.angle_rad, found.u_rad, tracks[0], spin, weight, found.amplitude, elsewhere,
        tracks[1:],
    )  # fmt: skip


def _geometry(readings: Readings, survey: Survey, spin: Spin, good: BoolArray) -> GeometryPrior:
    """Ask the mark's radius how the ring lies beside its path."""
    beside, ring = None, survey.ring
    if readings.unrolled is not None:
        beside = radial.ring_beside(
            readings.unrolled, np.mod(spin.angle_rad, TWO_PI), good,
            marks=survey.marks, tilt_rad=ring.tilt_rad,
        )  # fmt: skip
    return measured_prior(beside, ring, shutter.HARMONICS, _size_px(survey))


def _places(readings: Readings, survey: Survey) -> Places:
    return Places(
        readings.x_px, readings.y_px, readings.usable, readings.glances, survey.ring,
        (_size_px(survey)[0], float(readings.rows)),
    )  # fmt: skip


def _size_px(survey: Survey) -> tuple[float, float]:
    """Columns and rows of the stored picture."""
    rows, columns = (length / survey.scale for length in survey.picture.shape)
    return columns, rows


def frozen(seen: Seen, angles: Angles) -> bool:
    """Whether what was followed is so faint and stands so still that it may be no mark at all."""
    return angles.verdict.reason == alias.STANDS and markmodel.depth(seen.model) < FROZEN_DEPTH


def windows_only(seen: Seen) -> Seen:
    """Keep what is still asked of it once the angles are known: windows of its tracks."""
    none = np.zeros(0)

    def cut(track: Track) -> Track:
        return replace(track, phase_rad=none, expected_rad=none)

    spin = replace(
        seen.spin, angle_rad=none, apparent_rad_s=none, slot=none.astype(np.int64)
    )  # fmt: skip
    return replace(
        seen, angle_rad=none, u_rad=none, strong=none, amplitude=none, track=cut(seen.track),
        spin=spin,
        others=tuple(map(cut, seen.others)),
    )  # fmt: skip


def free_only(angles: Angles) -> Angles:
    """Keep what is still asked of it once the ends are known: nothing under a hand."""
    none = np.zeros(0)
    return replace(angles, wrapped_rad=none, u_wrapped_rad=none)


def under_best_order(  # noqa: PLR0913 - the recording, what is known of it, and whom to tell
    profiles: Profiles,
    readings: Readings,
    seen: Seen,
    survey: Survey,
    settings: Settings,
    *,
    first: int,
    last: int,
    topple_seen: bool,
    tell: Tell,
    unseen_from_s: float = np.inf,
    hearing: Listener | None = None,
    answers: KeptRows | None = None,
) -> Angles | None:
    """Resolve the alias order and read every frame under the best one.

    Parameters
    ----------
    profiles, readings, seen
        The recording and the mark as seen.
    survey : Survey
    settings : Settings
    first, last : int
        Frames of the free spin, inclusive.
    topple_seen : bool
    tell : callable
        Told what begins.
    unseen_from_s : float
        From when on the top may have spun freely before frame `first` without being seen.
    hearing : Listener, optional
        What the sound says of any orders.
    answers : KeptRows, optional
        Takes the answer of all angles to the shutter; memory by default.

    Returns
    -------
    Angles or None
        None when no speed that the frames allow lies within the bounds.
    """
    spin, frames = seen.spin, _frames(readings)
    free = _cut(spin, first, last)
    phase = resolve.narrow_answer(
        free, readings.time_s, seen.u_rad, seen.model.row_fraction, at=free.window_frames
    )

    def decide(
        answer: shutter.PhaseAnswer, whole: shutter.PhaseAnswer, silent: str = "",
        stated: tuple[float, float] | None = settings.bounds_rpm,
    ) -> AliasVerdict:  # fmt: skip
        bounds = stated or alias.DEFAULT_BOUNDS_RPM
        fits = resolve.fits_of_orders(answer, bounds)
        known: CameraEvidence | str = alias.NO_PROFILE if settings.camera is None else silent
        if settings.camera is not None and not silent:
            needed = fits if whole is answer else resolve.fits_of_orders(whole, bounds)
            known = camera_evidence(settings.camera, needed, seen.model)
        heard: dict[str, Any] = {} if hearing is None else {
            "sound": hearing.log_likelihoods(list(fits)),
            "sound_words": {n: hearing.words(n) for n in fits},
        }  # fmt: skip
        return resolve.verdict(
            spin, readings.time_s, seen.u_rad, fits, first=first, last=last,
            topple_seen=topple_seen, bounds_rpm=stated, free_from_s=unseen_from_s,
            odds_needed=settings.odds_needed, camera=known, shutter_silent=silent,
            paces=seen.agree, **heard,
        )  # fmt: skip

    def tune(order: int) -> Tuned:
        tell("fitting readout and geometry")
        return calibrate.tune(
            profiles, frames, free, order, seen.model, longest_readout_s=1.0 / spin.frame_rate
        )

    def again(order: int, tuned: Tuned, tuned_order: int) -> Tuned:
        return calibrate.tune_again(
            profiles, frames, free, order, seen.model, tuned, tuned_order,
            longest_readout_s=1.0 / spin.frame_rate,
        )  # fmt: skip

    def read_as(tuned: Tuned, silent: str) -> AliasVerdict:
        # shapes tell the amount of the shift, not how it grows with the speed: times alone vote,
        # but the readout that an order needs, to be held against a profile, is theirs as well
        return decide(replace(tuned.phase, information=None, pull=None), tuned.phase, silent)

    tell("weighing alias orders")
    verdict = decide(phase, phase)
    if not verdict.candidates:
        return None
    verdict, tuned = _settled(verdict, tune, again, read_as, settings.odds_needed)
    verdict = _held_against(verdict, lambda wide: decide(phase, phase, stated=wide), settings)
    order = verdict.candidates[0].order
    tell("fitting the exposure")
    tuned = exposure.refined(profiles, spin, order, tuned)
    own = tuned
    if settings.camera is not None:
        tuned = with_profile(own, settings.camera)
    tell("reading the mark angles")
    locked = locked_exposure(settings.camera)
    angles = _read(profiles, readings, survey, seen, verdict, tuned, order, locked, answers)
    return replace(angles, readout=readout_of(tuned, own))


def _held_against(
    verdict: AliasVerdict,
    decide: Callable[[tuple[float, float]], AliasVerdict],
    settings: Settings,
) -> AliasVerdict:
    """Hold a verdict within stated bounds against what the first look says without them."""
    if settings.bounds_rpm is None or not verdict.resolved:
        return verdict
    low, high = alias.DEFAULT_BOUNDS_RPM
    return alias.held_against(verdict, decide((low, max(high, settings.bounds_rpm[1]))))


def _settled(
    verdict: AliasVerdict,
    tune: Callable[[int], Tuned],
    again: Callable[[int, Tuned, int], Tuned],
    read_as: Callable[[Tuned, str], AliasVerdict],
    odds_needed: float,
) -> tuple[AliasVerdict, Tuned]:
    """Read the frames under the best order until it stays the best; what was read comes with it."""
    for left in reversed(range(RETUNES + 1)):
        order = verdict.candidates[0].order
        tuned = tune(order)
        if not left:  # votes that swing to and fro settle nothing; the angles need one order's fit
            return verdict, tuned
        verdict = read_as(tuned, "")
        if verdict.candidates[0].order == order:
            break
    if verdict.resolved:
        verdict, tuned = _challenged(verdict, tuned, again, read_as, odds_needed)
        if verdict.candidates[0].order != order:
            tuned = tune(verdict.candidates[0].order)
    return verdict, tuned


def _challenged(
    verdict: AliasVerdict,
    tuned: Tuned,
    again: Callable[[int, Tuned, int], Tuned],
    read_as: Callable[[Tuned, str], AliasVerdict],
    odds_needed: float,
) -> tuple[AliasVerdict, Tuned]:
    """Take the shutter's vote away where the frames, read under another order, contradict it.

    They do when they speak for that order, or when it fits them clearly better, with the same
    shifts and smears under both.  A mark that turns by nearly its own distance from the next
    while it is exposed has its angles where the model puts them, and each order may then find
    itself confirmed.  Only orders that nothing but the shutter speaks against are asked, the
    nearest ones.
    """
    others = np.sum([v.log_odds for v in verdict.votes if v.cue not in alias.SHUTTER_CUES], axis=0)
    best = verdict.candidates[0].order
    near = np.flatnonzero(others > others[0] - np.log(odds_needed))
    rivals = sorted((verdict.candidates[k].order for k in near if k), key=lambda n: abs(n - best))
    for rival in rivals[:RIVALS]:
        own = again(rival, tuned, best)
        if left_against(own, tuned) < CLEARLY_LESS:
            ours = again(best, own, rival)
            if left_against(ours, tuned) < 1.0:
                verdict, tuned = read_as(ours, ""), ours
        better = left_against(own, tuned) < CLEARLY_LESS
        said = verdict.candidates[0].order, read_as(own, "").candidates[0].order
        if better or said != (best, best):
            return read_as(tuned, CONTESTED), tuned
        if not verdict.resolved:
            break
    return verdict, tuned


def _read(  # noqa: PLR0913 - the recording and what is known of it
    profiles: Profiles,
    readings: Readings,
    survey: Survey,
    seen: Seen,
    verdict: AliasVerdict,
    tuned: Tuned,
    order: int,
    locked: Quantity | None,
    answers: KeptRows | None,
) -> Angles:
    """Read every frame with the finished model."""
    spin, model = seen.spin, tuned.model
    omega = spin.omega(order)
    found = calibrate.read_all(profiles, _frames(readings), omega, model)
    period = TWO_PI / spin.marks
    passed = spin.slot if spin.passed is None else spin.passed
    expected = seen.track.expected_rad / spin.marks + period * order * passed
    angle = nearest(found.angle_rad, expected, period)
    weak = (found.amplitude < WEAK_AMPLITUDE) | (found.amplitude < WEAK_SIGMA * found.u_amplitude)
    angle = np.where(weak | ~readings.usable, np.nan, angle)
    place = placed(_places(readings, survey), found.angle_rad, omega, spin.marks)
    later = place.turned_rad(model.readout_s)
    lost = (readings.flags & int(SightingFlag.DARK | SightingFlag.MOVED)) != 0
    alone = np.where(weak | lost, np.nan, found.angle_rad - later)
    covered = (readings.flags & int(SightingFlag.OCCLUDED)) != 0
    u_alone = np.where(covered, np.hypot(found.u_rad, COVERED_U_RAD), found.u_rad)
    known, offset = exposure.timing(tuned, locked)
    parts = _answer(spin, order, tuned, place)
    if answers is not None:
        for part in parts:
            answers.append(part)
    return Angles(
        order, verdict, tuned, angle - later, alone, u_alone, found.u_rad, found.quality, omega,
        np.concatenate(list(parts)) if answers is None else answers, offset, known,
    )  # fmt: skip


def _answer(spin: Spin, order: int, tuned: Tuned, place: Placed) -> Iterator[Float32Array]:
    """Answer of all angles to the independent lines of the shutter, and to the doubts of the place.

    Turned so that each column stands for one standard doubt of its own, the answer holds all of
    the covariance: ``A C A' = (A L)(A L)'`` with ``C = L L'``.
    """
    values, vectors = np.linalg.eigh(tuned.fit.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    later = place.turned_rad(tuned.model.readout_s)
    for first in range(0, len(later), ANSWER_FRAMES):
        rows = slice(first, first + ANSWER_FRAMES)
        part = replace(
            spin, angle_rad=spin.angle_rad[rows], apparent_rad_s=spin.apparent_rad_s[rows],
            slot=spin.slot[rows],
        )  # fmt: skip
        columns = resolve.narrow_columns(part, tuned.model.row_fraction)
        columns = shutter.merged(columns, order, spin.tilt_rad)
        columns[:, 0] += place.by_readout_rad_s[rows]  # a wrong readout takes a wrong share off
        answer = np.column_stack([columns @ root, later[rows], place.side_rad[rows]])
        yield answer.astype(np.float32)


def _cut(spin: Spin, first: int, last: int) -> Spin:
    """Leave out what is not free spin, and what came at another pace: its turns are parts."""
    angle = spin.angle_rad.copy()
    if spin.passed is not None:
        angle[spin.passed != spin.slot] = np.nan
    angle[:first] = np.nan
    angle[last + 1 :] = np.nan
    return replace(spin, angle_rad=angle, stray_share=0.0)


def _frames(readings: Readings) -> calibrate.Frames:
    return calibrate.Frames(readings.time_s, readings.usable)


def flags_of(readings: Readings, angles: Angles, free: BoolArray, usable: BoolArray) -> IntArray:
    """Flag every frame's sighting; `SightingFlag` values."""
    flags = readings.flags.copy()
    weak = ~np.isfinite(angles.angle_rad) & (readings.flags == 0) & free
    flags[weak] |= int(SightingFlag.WEAK)
    flags[free & np.isfinite(angles.angle_rad) & ~usable] |= int(SightingFlag.OUTLIER)
    flags[~free] |= int(SightingFlag.NOT_SPINNING_FREELY)
    return flags
