"""Where is the top, which ring does the mark sweep, and how many marks are there?

Short runs of consecutive frames, spread over the recording, are compared: what moves within a
run (or, near a stand-still speed, between runs) is the mark.  The rings that the activity may
follow are judged by what only a mark does: one and the same pattern that turns along the ring.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from vidspin.errors import NoTopError, UsageError
from vidspin.middle import medians
from vidspin.records import BoolArray, Ellipse, FloatArray, Footage, Frame, Settings, Survey
from vidspin.ring import even_angles, resized, ring_points
from vidspin.top.activity import activity_maps, liveliness
from vidspin.top.annulus import (
    ANGLES,
    BAND_RADII,
    BAND_STEP,
    HYPOTHESES,
    band,
    hypotheses,
    outlines,
    profiles_along,
    refined,
    roundness,
    unrolled,
)
from vidspin.top.apart import things_apart
from vidspin.top.choices import MORE_ROUNDS, Happenings, attempts, choices, not_at_rest
from vidspin.top.others import with_others
from vidspin.top.pattern import (
    Pattern,
    count_marks,
    evenness,
    skew,
    steadiness,
    turning,
    turning_pattern,
    turning_share,
)
from vidspin.top.reduced import Stack, grey, steadied, still_of, work_stacks
from vidspin.top.settled import settled
from vidspin.top.shift import moved_back
from vidspin.top.stillframes import StillFrames
from vidspin.top.wander import Wander, take_out_wander

Image = NDArray[np.float32]

REFINED = 3  # hypotheses that are refined, a map of activity
MIN_EXPLAINED = 0.12  # share of the ring's change that one turning pattern must explain
MIN_TURNING = 0.2  # of what chance leaves unexplained; noise and shaken outlines reach 0.13
MIN_RESTING = 0.5  # where the pattern hardly moves from frame to frame; the encoder's: 0.45
MIN_STEADY = 0.6  # or equal steps, as a mark smeared to one soft hump has; chance: 1 in 10,000
MIN_STEPS = 20
MIN_SURE = 0.5  # of many rings that were tried, the share of one that may count
RUNS = 12
RUN_FRAMES = 4
MANY_RUNS = 48  # where the first look is unsure
LONG_S = 120.0  # in a longer recording the top may stand or lie for most of the time
SURE = 0.6  # share of the ring's change explained; marks hard to tell from noise stay below
SURE_MERIT = 0.07  # of a ring; rings along outlines, which only seem to turn, reach 0.05
# of the merit, where all change is between runs: by a mark at a stand-still speed all along, or by
# a top that stood and lies
STANDING = 0.1
CLEARLY = 1.05  # times the merit that it has in more runs
FIRST_BYTES = 24 << 20  # of a first look, so that one of more runs needs no more room
MIN_CONTRAST_SIGMA = 5.0  # mark against noise, over all looked-at frames


class NoTop(NoTopError):
    """No turning mark was found; carries the picture of what was looked at."""

    def __init__(  # noqa: PLR0913 - what was found, and how it is told
        self, what: str, *, where: str, do: str, picture: Image, scale: float,
        found: Ellipse | None = None,
    ) -> None:  # fmt: skip
        super().__init__(what, where=where, do=do)
        self.found = found  # the mark's path, stored px, where its turning is what is lacking
        self.picture = np.clip(picture, 0, 255).astype(np.uint8)
        self.scale = scale  # its elements a stored one


def look_for_top(footage: Footage, settings: Settings) -> tuple[Survey, list[Frame]]:
    """Survey a recording, and once more with many more frames where the first look is unsure.

    Parameters
    ----------
    footage : Footage
    settings : Settings

    Returns
    -------
    Survey, list of Frame
        What was found, and a few frames spread over the recording for the still.

    Raises
    ------
    NoTop
        No turning mark stands out.
    UsageError
        The stated centre is outside the picture.
    """
    facts = footage.facts
    if settings.centre_px is not None:
        first, (x, y) = facts.chapters[0], settings.centre_px
        if not (0 <= x < first.width and 0 <= y < first.height):
            raise UsageError(
                f"{x:g},{y:g} is outside the picture of {first.width} x {first.height} px",
                where="--centre", do="give a place within it, in stored pixels",
            )  # fmt: skip

    def again(time_s: float) -> Sequence[Frame]:
        return footage.around(time_s, before=0, after=1)

    still = StillFrames(
        footage.sparse(
            runs=RUNS if facts.duration_s < LONG_S else 2 * RUNS, per_run=RUN_FRAMES
        ),
        FIRST_BYTES, again,
    )  # fmt: skip
    glimpse: tuple[Survey, float] | None = None
    try:
        glimpse = _looked_through(still, settings, facts.name)
        if _is_sure(*glimpse):
            return glimpse[0], still.kept
    except NoTop:
        pass
    many = MANY_RUNS if facts.duration_s < 5 * LONG_S else 3 * MANY_RUNS
    # the first ones may go
    still = StillFrames(_closely(footage, many), again=again)
    try:
        found, merit, chosen = survey_lively(still, settings, name=facts.name)
    except NoTop:
        if glimpse is None:
            raise
        return glimpse[0], still.kept
    if glimpse is not None and glimpse[1] > merit:
        return glimpse[0], still.kept
    return found, still.of(chosen)


def _closely(footage: Footage, many: int) -> Iterator[Sequence[Frame]]:
    """Yield runs spread over the recording, and more of them where something happens."""
    seen = Happenings()
    for run in footage.sparse(runs=many, per_run=RUN_FRAMES):
        seen.add(run)
        yield run
        del run  # before the next one is decoded: both may be large
    for _ in range(MORE_ROUNDS):
        for begin_s in seen.next_s():
            run = footage.around(begin_s, before=0, after=RUN_FRAMES)
            if not run:  # where a recording is damaged no frame may be decoded
                continue
            seen.add(run)
            yield run
            del run


def survey(runs: Iterable[Sequence[Frame]], settings: Settings, *, name: str) -> Survey:
    """Find the ring of the mark and count the marks.

    Parameters
    ----------
    runs : iterable of sequences of Frame
        Short runs of consecutive frames spread over the recording.
    settings : Settings
        ``centre_px``, ``radii_px``, ``tilt_rad`` and ``marks`` replace what would be found.
    name : str
        Name of the recording, for messages.

    Returns
    -------
    Survey
        Ellipse in stored picture elements, limits of the ring, number of marks.

    Raises
    ------
    NoTop
        No turning mark stands out; ``picture`` holds the still that was looked at.
    """
    return _looked_through(runs, settings, name)[0]


def survey_lively(
    runs: Iterable[Sequence[Frame]], settings: Settings, *, name: str
) -> tuple[Survey, float, list[int]]:
    """Find the ring among many runs, in most of which the top may lie at rest.

    All runs, or as many as may be held at once, are tried, then the livelier half, quarter,
    eighth and sixteenth, with and without hands and falls; the ring of most merit is taken.

    Parameters
    ----------
    runs, settings, name
        As for `survey`.

    Returns
    -------
    Survey, float, list of int
        What was found, its merit, and in which runs.

    Raises
    ------
    NoTop
        No turning mark stands out in any of the choices.
    """
    stacks, numbers, scale = _looked_at(runs, name)
    best: tuple[Survey, float, list[int]] | None = None
    failure: NoTop | None = None
    for pieces, of, many in attempts(stacks, numbers):
        refine = HYPOTHESES if many else REFINED
        lively = np.array([liveliness(grey(piece)) for piece in pieces])
        for chosen in choices(lively):
            looked = [pieces[k] for k in chosen]
            try:
                found, merit = _survey_of(list(looked), scale, settings, name, refine)
            except NoTop as error:
                failure = failure or error
                continue
            if best is None or merit > CLEARLY * best[1]:
                best = found, merit, sorted({of[k] for k in not_at_rest(lively, chosen)})
                inside = looked
        if best is not None:
            return with_others(best[0], inside, scale), *best[1:]
    assert failure is not None
    raise failure


def _looked_through(
    runs: Iterable[Sequence[Frame]], settings: Settings, name: str
) -> tuple[Survey, float]:
    """Survey of all runs together, and its merit."""
    stacks, _, scale = _looked_at(runs, name)
    found, merit = _survey_of(list(stacks), scale, settings, name)
    return with_others(found, stacks, scale), merit


def _looked_at(runs: Iterable[Sequence[Frame]], name: str) -> tuple[list[Stack], list[int], float]:
    """Reduced pictures of the runs, the runs' numbers, and the scale."""
    stacks, numbers, scale = work_stacks(runs)
    if not stacks:
        raise NoTop(
            "no frames to look at", where=name, do="check that the recording plays",
            picture=np.zeros((9, 16), np.float32), scale=1.0,
        )  # fmt: skip
    return stacks, numbers, scale


def _survey_of(
    runs: list[Stack], scale: float, settings: Settings, name: str, refine: int = REFINED
) -> tuple[Survey, float]:
    """Survey of some runs, which the list loses, and the merit of its ring, 0-1.

    Where nothing sure is found the top is held in place: it may wander on its base.
    """
    lengths = [len(run) for run in runs]
    frames = steadied(runs)  # the one copy in full: 4 bytes an element add up
    look = _look(frames, lengths, settings, scale, refine)
    found = look.found
    if found is None or not _is_sure(*found):
        wander = take_out_wander(frames, look.top) if look.rings else None
        if wander is not None:
            held = _look(frames, lengths, settings, scale, refine, wander).found
            if held is not None and (found is None or held[1] > CLEARLY * found[1]):
                found = held
    if found is None:
        raise NoTop(
            "no top with a turning mark was found", where=name, do=_advice(settings),
            picture=look.still, scale=scale,
        )  # fmt: skip
    return found


def _is_sure(found: Survey, merit: float) -> bool:
    return found.confidence >= SURE and merit >= SURE_MERIT


@dataclass(frozen=True, slots=True)
class _Look:
    """What one look at all frames says."""

    still: Image
    rings: list[Ellipse]  # that were judged
    found: tuple[Survey, float] | None  # and its merit

    @property
    def top(self) -> Ellipse:
        """What is most like a top: large, and the same all round."""
        return max(self.rings, key=lambda ring: roundness(self.still, ring) * ring.major_px)


def _look(  # noqa: PLR0913 - the pictures, what the user states, how many rings
    frames: Image,
    lengths: list[int],
    settings: Settings,
    scale: float,
    refine: int,
    wander: Wander | None = None,
) -> _Look:
    """Look for the ring along which a pattern turns; `wander` is what was taken out before."""
    stacks = np.split(frames, np.cumsum(lengths)[:-1])
    still = still_of(stacks)
    maps = activity_maps(stacks, still)
    if wander is not None:  # all the rest moves now
        maps = [np.where(wander.near, one, np.float32(0.0)) for one in maps]
    held = _held(settings, wander, scale)
    best, rings = _best_ring(maps, still, frames, lengths, held, scale, refine)
    if best is None and wander is None:  # something else may move more: each thing by itself
        for one in things_apart(maps[1]):
            by_itself, _ = _best_ring([one], still, frames, lengths, held, scale, REFINED + 1)
            best = by_itself if best is None or (by_itself and by_itself[3] > best[3]) else best
    if best is None:
        return _Look(still, rings, None)
    ring, pattern, activity, merit = best
    moved = settled(frames, still, ring, held, scale)
    if moved is not ring:
        ring, pattern = moved, turning_pattern(profiles_along(frames, moved))
        if settings.radii_px is None:  # a broad mark is one pattern at any of its radii
            shown, pattern = _radial_contrast(frames, ring, pattern, stated=False)
            middle = float((shown * BAND_RADII).sum() / shown.sum())
            ring = replace(ring, major_px=middle * ring.major_px, minor_px=middle * ring.minor_px)
    weights, pattern = _radial_contrast(frames, ring, pattern, stated=settings.radii_px is not None)
    inner, outer = _edges(weights)
    bright = bool(skew(pattern.shape) > 0)
    count = settings.marks or count_marks(
        _weighted(frames, ring, weights), bright=bright, rows=_rows_of(ring)
    )
    if wander is not None:
        x, y = wander.usual_px
        still, activity = (moved_back(one, (-x, -y)) for one in (still, activity))
        ring = replace(ring, x_px=ring.x_px + x, y_px=ring.y_px + y)
    stated = {
        "centre": settings.centre_px, "radii": settings.radii_px, "tilt": settings.tilt_rad,
        "marks": settings.marks,
    }  # fmt: skip
    given = [name for name, value in stated.items() if value is not None]
    survey = Survey(
        ring=resized(ring, 1 / scale),
        inner=inner,
        outer=outer,
        radii=BAND_RADII.copy(),
        weights=weights,
        marks=count,
        bright=bright,
        confidence=pattern.explained,
        given=tuple(given),
        picture=np.clip(still, 0, 255).astype(np.uint8),
        activity=activity.astype(np.float64),
        scale=scale,
    )
    return _Look(still, rings, (survey, merit))


def _held(settings: Settings, wander: Wander | None, scale: float) -> Settings:
    """Move what was stated to where the top is held, which is not its usual place."""
    if wander is None or settings.centre_px is None:
        return settings
    (x, y), (right, down) = settings.centre_px, wander.usual_px
    return replace(settings, centre_px=(x - right / scale, y - down / scale))


def _advice(settings: Settings) -> str:
    if settings.centre_px is not None or settings.radii_px is not None:
        return "correct what you stated of the top's place: no mark turns there"
    return "state --centre X,Y --radii A,B, or film a mark that stands out from the top"


# ---------------------------------------------------------------------------- rings


def _best_ring(  # noqa: PLR0913 - what the runs say, what the user states, and the scale
    maps: list[Image],
    still: Image,
    frames: Image,
    lengths: list[int],
    settings: Settings,
    scale: float,
    refine: int,
) -> tuple[tuple[Ellipse, Pattern, Image, float] | None, list[Ellipse]]:
    """Refine the most even rings of every map and keep the one along which a pattern turns.

    All that were refined come with it.  Where many are, only those count along which most of the
    change turns by equal steps: of many trials some are good by chance.
    """
    best: tuple[float, Ellipse, Pattern, Image] | None = None
    rings: list[Ellipse] = []
    edges = hypotheses(outlines(still), settings, scale)
    for activity in maps:
        smooth = np.asarray(cv2.GaussianBlur(activity, (0, 0), 1.5), np.float32)
        starts = hypotheses(smooth, settings, scale) + edges
        starts.sort(key=lambda ring: -band(smooth, ring)[0])
        for start in starts[:refine]:
            ring = refined(smooth, still, start, settings, scale)
            rings.append(ring)
            profiles = profiles_along(frames, ring)
            pattern = turning_pattern(profiles)
            merit = turning_share(profiles) * min(pattern.contrast_sigma / 50.0, 1.0)
            merit *= band(smooth, ring)[0] * roundness(still, ring)
            merit *= evenness(pattern.angles_rad, lengths)
            merit *= max(turning(profiles, pattern, lengths), STANDING)
            if refine > REFINED and not _surely_turns(profiles, pattern, lengths):
                continue
            if best is None or merit > best[0]:
                best = (merit, ring, pattern, activity)
    if best is None:
        return None, rings
    merit, ring, pattern, activity = best
    profiles = profiles_along(frames, ring)
    # equal marks are lined up with this one or that: only the phase from mark to mark is told
    marks = settings.marks or count_marks(
        profiles, bright=bool(skew(pattern.shape) > 0), rows=_rows_of(ring)
    )
    steady, count = steadiness(marks * pattern.angles_rad, lengths)
    share = turning_share(profiles)
    # what stays in place may be what the encoder left of the noise, or outlines that shake
    enough = share >= (MIN_RESTING if steady == 0.0 else MIN_TURNING)
    enough = enough or (steady >= MIN_STEADY and count >= MIN_STEPS)
    stands_out = pattern.explained >= MIN_EXPLAINED
    stands_out &= pattern.contrast_sigma >= MIN_CONTRAST_SIGMA
    return ((ring, pattern, activity, merit) if enough and stands_out else None), rings


# --------------------------------------------------------------------- what turns


def _surely_turns(profiles: FloatArray, pattern: Pattern, lengths: Sequence[int]) -> bool:
    steady, count = steadiness(pattern.angles_rad, lengths)
    return turning_share(profiles) >= MIN_SURE and steady >= MIN_STEADY and count >= MIN_STEPS


def _rows_of(ring: Ellipse) -> FloatArray:
    """How far down the places of an unrolled ring lie; (ANGLES,)."""
    return ring_points(ring, 1.0, even_angles(ANGLES))[1]


def _radial_contrast(
    frames: Image, ring: Ellipse, pattern: Pattern, *, stated: bool
) -> tuple[FloatArray, Pattern]:
    """How strongly the mark shows at each of `BAND_RADII` (best = 1), and the better pattern.

    The mark's own radii are found by asking every radius how much of the turning pattern it
    carries; the pattern is then taken again from those radii alone.
    """
    angle = even_angles(ANGLES)
    flat = np.stack([unrolled(f, ring, BAND_RADII, angle) for f in frames])
    change = flat - medians(flat, 0)
    for _ in range(2):
        shift = np.rint(pattern.angles_rad * ANGLES / (2 * np.pi)).astype(int)
        index = (np.arange(ANGLES) - shift[:, None]) % ANGLES
        turned = pattern.shape[index]
        contrast = np.einsum("kra,ka->r", change, turned)
        contrast = ndimage.gaussian_filter1d(np.maximum(contrast, 0.0), 0.7)
        weights = contrast / max(float(contrast.max()), 1e-12)
        weights[weights < 0.15] = 0.0
        at = int(np.argmin(np.abs(BAND_RADII - 1.0))) if stated else int(np.argmax(weights))
        if weights[at] > 0:
            weights *= _main_hump(weights, at)
            weights /= weights.max()
        profiles = np.einsum("kra,r->ka", flat, weights / max(float(weights.sum()), 1e-12))
        pattern = turning_pattern(profiles)
    return weights, pattern


def _main_hump(weights: FloatArray, top: int) -> BoolArray:
    """Radii about the mark's, number `top`, up to the first dip under a half on either side.

    Beyond lies what moves for another reason: a shadow, or the base behind a top that wanders.
    """
    keep = np.zeros(len(weights), bool)
    keep[top] = True
    for way in (-1, 1):
        k = top + way
        while 0 <= k < len(weights) and (weights[k] >= 0.5 or weights[k] <= weights[k - way]):
            keep[k] = True
            k += way
    return keep


def _edges(weights: FloatArray) -> tuple[float, float]:
    """Inner and outer edge of the radii at which the mark shows at half strength or more."""
    top = int(np.argmax(weights))
    low, high = top, top
    while low > 0 and weights[low - 1] >= 0.5:
        low -= 1
    while high < len(weights) - 1 and weights[high + 1] >= 0.5:
        high += 1
    return float(BAND_RADII[low] - BAND_STEP / 2), float(BAND_RADII[high] + BAND_STEP / 2)


def _weighted(frames: Image, ring: Ellipse, weights: FloatArray) -> FloatArray:
    angle, share = even_angles(ANGLES), (weights / weights.sum())[:, None]
    return np.stack([(unrolled(f, ring, BAND_RADII, angle) * share).sum(0) for f in frames])
