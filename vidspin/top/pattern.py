"""What turns along a ring, and how many marks are there?

Profiles of one ring at different times are lined up with each other: one and the same pattern
that turns is what only a mark does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from vidspin.middle import medians
from vidspin.records import FloatArray, IntArray
from vidspin.ring import even_angles

HAND_ENERGY = 4.0  # change of a profile, in medians, above which something else is in the way
ALIGN_TURNS = 8
MOST_MARKS = 4
QUIET = 0.02  # of the strongest changes: differences below it are nowhere restless
RESTLESS = 1.5  # times the usual change along the ring, for most of the time
MOST_AGREE = 0.5  # of the frames whose humps are counted
# Of the strongest harmonic; in 44 drawn attempts others had 0.55 and less, or 0.88 and more.
STRONG = 0.7
# Shifts by a rolling shutter that are tried; from 1 on a mark is seen three times.
MOST_SHIFT_RAD, SHIFT_STEP_RAD = 1.2, 0.1
SHIFT_LEFT = (0.6, 0.3)  # of the shift, and so of the speed, at the last frame
COARSE = 2  # samples that go into one where shifts are tried
LINE_UP_TURNS = 3
WAVES = 12  # harmonics that are looked at
# No wave of one hump that is the same on both sides is stronger than its first, however narrow
# it is: every second one holds half of the change at most, every third a third.  Of two marks,
# one 0.6 times as strong as the other, every second holds 0.94.
NEARLY_ALL = 0.65
AT_REST_RAD = 0.3  # steps of a pattern that wanders with the picture are smaller
LIVELY = 0.75  # of the runs; what changes more than in these counts no more


@dataclass(frozen=True, slots=True)
class Pattern:
    """What turns along a ring: the outcome of lining up all profiles."""

    angles_rad: FloatArray  # (frames,) turn of the pattern in each frame
    shape: FloatArray  # (N,) the pattern, mean zero
    explained: float  # share of the change along the ring, 0-1
    contrast_sigma: float


def turning_share(profiles: FloatArray) -> float:
    """How much better one pattern explains the change than chance lines up, 0-1.

    Profiles of the same power spectra with random phases say what lining up gains by chance:
    next to nothing for a mark, everything for noise and for an outline that is shaken.
    """
    rng = np.random.default_rng(0)
    spectra = np.fft.rfft(profiles - medians(profiles, 0), axis=1)
    turned = spectra * np.exp(2j * np.pi * rng.random(spectra.shape))
    chance = turning_pattern(np.fft.irfft(turned, profiles.shape[1], axis=1)).explained
    left = 1.0 - turning_pattern(profiles).explained
    return float(np.clip(1.0 - left / max(1.0 - chance, 1e-9), 0.0, 1.0))


def turning_pattern(profiles: FloatArray) -> Pattern:
    """Line up ring profiles and say how much of their change one turning pattern explains.

    Parameters
    ----------
    profiles : (K, N) array
        Brightness along the ring, one row a frame.

    Returns
    -------
    Pattern
        Turn of the pattern in each frame, its shape, and the share it explains.
    """
    count, angles = profiles.shape
    change = profiles - medians(profiles, 0)
    change -= change.mean(axis=1, keepdims=True)
    energy = (change**2).sum(1)
    use = energy <= HAND_ENERGY * np.median(energy) + 1e-12  # hands and falls stay out
    spectra = np.fft.rfft(change, axis=1)
    strongest = int(np.argmax(np.where(use, energy, -1)))
    model = spectra[strongest].copy()
    harmonics = np.arange(spectra.shape[1])
    shifts = np.zeros(count, np.int64)
    for _ in range(ALIGN_TURNS):
        shifts = np.argmax(np.fft.irfft(spectra * model.conj(), angles, axis=1), axis=1)
        turned = spectra * np.exp(2j * np.pi * harmonics * shifts[:, None] / angles)
        model = turned[use].mean(0)
    shape = np.fft.irfft(model, angles)
    # leave-one-out: a frame must not explain itself
    own = np.fft.irfft(turned[use], angles, axis=1)
    others = (shape * use.sum() - own) / max(1, use.sum() - 1)
    fitted = (own * others).sum() / max(float((others**2).sum()), 1e-12)
    left = ((own - fitted * others) ** 2).sum()
    total = max(float((own**2).sum()), 1e-12)
    explained = max(0.0, 1.0 - float(left) / total) if fitted > 0 else 0.0
    noise = float(np.sqrt(left / own.size))
    signal = float(np.sqrt((shape**2).sum() * use.sum()))
    angle = shifts * (2 * np.pi / angles)
    return Pattern(angle, shape, explained, signal / max(noise, 1e-9))


def steadiness(angles_rad: FloatArray, lengths: Sequence[int]) -> tuple[float, int]:
    """How alike the steps of a pattern are from frame to frame, 0-1, and how many were compared.

    Parameters
    ----------
    angles_rad : (K,) array
        Turn of the pattern in each frame, modulo 2 pi.
    lengths : sequence of int
        Numbers of consecutive frames, adding up to K.

    Returns
    -------
    resultant : float
        Mean resultant length of the change of step.  A top turns by equal steps, aliased or not;
        chance gives lengths near 1 over the root of the number.  A pattern that stays in place
        is not steady here: anything that wanders slowly does that too.
    count : int
        Changes of step that were looked at.
    """
    bends = _differences(angles_rad, lengths, 2)
    if len(bends) == 0:
        return 0.0, 0
    turned = np.angle(np.exp(1j * _differences(angles_rad, lengths, 1)))
    at_rest = np.median(np.abs(turned)) < AT_REST_RAD
    return (0.0 if at_rest else float(abs(np.exp(1j * bends).mean()))), len(bends)


def turning(profiles: FloatArray, pattern: Pattern, lengths: Sequence[int]) -> float:
    """Correlate the change within runs with that of the pattern as it turns there, 0-1.

    Parameters
    ----------
    profiles : (K, N) array
        Brightness along the ring, one row a frame.
    pattern : Pattern
        What was lined up in them.
    lengths : sequence of int
        Numbers of consecutive frames, adding up to K.

    Returns
    -------
    float
        Mean over the runs, lively ones before others.  The outline of a top that stands first and
        lies later is a pattern, in two places of the ring, that explains all of the change between
        runs and next to nothing within any.
    """
    angles = profiles.shape[1]
    shift = np.rint(pattern.angles_rad * angles / (2 * np.pi)).astype(np.int64)
    turned = pattern.shape[(np.arange(angles) - shift[:, None]) % angles]
    cuts = np.cumsum(lengths)[:-1]
    alike, size = np.zeros((2, len(lengths)))
    for k, (seen, told) in enumerate(
        zip(*(np.split(a, cuts) for a in (profiles, turned)), strict=True)
    ):
        change, model = seen - seen.mean(0), told - told.mean(0)
        size[k] = float(np.sqrt((change**2).mean()))
        both = size[k] * float(np.sqrt((model**2).mean()))
        alike[k] = float((change * model).mean()) / max(both, 1e-12)
    weight = np.minimum(size, np.quantile(size, LIVELY)) + 1e-12  # hands and falls change the most
    return float(np.clip((weight * alike).sum() / weight.sum(), 0.0, 1.0))


def evenness(angles_rad: FloatArray, lengths: Sequence[int]) -> float:
    """How even the steps of a pattern of 1 to 4 equal marks are from frame to frame, 0-1.

    Parameters
    ----------
    angles_rad : (K,) array
        Turn of the pattern in each frame, modulo 2 pi.
    lengths : sequence of int
        Numbers of consecutive frames, adding up to K.

    Returns
    -------
    float
        Largest mean resultant length of the change of step, counted in one to four marks' spacings:
        equal marks are lined up by chance with this one or that.  1 where nothing can be compared.
        A pattern that stands in place is as even as can be: runs in which it does have no say.
    """
    runs = np.split(angles_rad, np.cumsum(lengths)[:-1])
    away = [float(np.abs(np.angle(np.exp(1j * np.diff(run)))).max(initial=0.0)) for run in runs]
    moving = [run for run, most in zip(runs, away, strict=True) if most >= AT_REST_RAD]
    if not moving:
        return 1.0
    bends = _differences(np.concatenate(moving), [len(run) for run in moving], 2)
    if len(bends) == 0:
        return 1.0
    return max(float(abs(np.exp(1j * n * bends).mean())) for n in range(1, MOST_MARKS + 1))


def _differences(angles_rad: FloatArray, lengths: Sequence[int], order: int) -> FloatArray:
    """Differences from frame to frame within each run of consecutive frames, one after another."""
    runs = np.split(angles_rad, np.cumsum(lengths)[:-1])
    return np.concatenate([np.diff(run, n=order) for run in runs])


def count_marks(profiles: FloatArray, *, bright: bool, rows: FloatArray | None = None) -> int:
    """Count equal marks (1 to 4).

    Parameters
    ----------
    profiles : (K, N) array
        Brightness along the ring, one row a frame.
    bright : bool
        Whether the marks are brighter than the top.
    rows : (N,) array, optional
        How far down each place of the ring lies, in any unit; without it the marks are taken to
        be seen at even distances.

    Returns
    -------
    int
        How many marks leave nothing but their own number of waves and its multiples round the
        ring, once a shift across the rows is taken back.  Where no two or more do, the number of
        humps of like height and even spacing that most frames agree on; where most show none,
        the lowest strong harmonic of the ring.

    Notes
    -----
    A rolling shutter shifts each mark by its own amount, in proportion to its row: equal marks
    are seen at distances that change from frame to frame, and a picture of three may have more
    of a fourth wave than of a third.  Shifted back by the right amount, which is that under which
    one turning pattern explains the frames best, n equal marks have no harmonics but n and its
    multiples, however long the exposure.
    """
    angles = profiles.shape[1]
    level = np.median(profiles, axis=0)
    # paint scales the light
    change = (profiles - level) / np.maximum(np.maximum(level, 0.1 * level.max()), 1e-9)
    energy = change.var(axis=1)
    use = energy <= HAND_ENERGY * np.median(energy) + 1e-12
    change, when = change[use], np.linspace(0.0, 1.0, len(profiles))[use]
    # marks come by everywhere alike and seldom: where most frames differ something else changes
    usual = medians(np.abs(change), 0)
    usual += QUIET * float(np.percentile(np.abs(change), 99)) + 1e-12  # a clipped face has none
    change *= np.minimum(1.0, RESTLESS * np.median(usual) / usual) ** 2
    told = _unshifted_count(change, np.zeros(angles) if rows is None else rows, when)
    if told > 1:
        return told
    kernel = np.exp(-0.5 * (np.arange(-12, 13) / (angles / 85)) ** 2)
    smooth = ndimage.convolve1d(change, kernel / kernel.sum(), axis=1, mode="wrap")
    smooth *= 1.0 if bright else -1.0
    strength = ndimage.uniform_filter1d(np.percentile(smooth, 95, axis=0), angles // 8, mode="wrap")
    smooth /= np.maximum(np.maximum(strength, 0.2 * strength.max()), 1e-12)
    votes = np.zeros(5)
    for row in smooth:
        top = row.max()
        peaks = np.flatnonzero(
            (row > np.roll(row, 1)) & (row >= np.roll(row, -1)) & (row > 0.5 * top)
        )
        if len(peaks) == 0:  # brighter or darker all round: nothing stands out in this frame
            continue
        spacing = np.diff(np.append(peaks, peaks[0] + angles)) * len(peaks) / angles
        if len(peaks) <= 4 and np.all(abs(spacing - 1) < 0.35):
            votes[len(peaks)] += 1
    if votes.max() >= MOST_AGREE * len(smooth):
        return int(np.argmax(votes[1:])) + 1
    return _lowest_harmonic(change)


def _lowest_harmonic(change: FloatArray) -> int:
    """Find the lowest of the first harmonics that is about as strong as any of them."""
    power = _usual_power(change)[1 : MOST_MARKS + 1]
    return int(np.argmax(power >= STRONG * power.max())) + 1  # 1 where nothing changes


def _unshifted_count(change: FloatArray, rows: FloatArray, when: FloatArray) -> int:
    """Count the marks whose harmonics hold nearly all of the change, shifted back; else 1."""
    power = _usual_power(_unshifted(change, rows, when))[1 : WAVES + 1]
    held = [float(power[n - 1 :: n].sum()) for n in range(1, MOST_MARKS + 1)]
    # two marks' harmonics hold four marks' too, so the larger numbers are asked first
    large = int(np.argmax(held[2:])) + 3
    told = [n for n in (large, 2) if held[n - 1] > NEARLY_ALL * held[0]]
    return told[0] if told else 1


def _unshifted(change: FloatArray, rows: FloatArray, when: FloatArray) -> FloatArray:
    """Profiles with the shutter's shift taken back by as much as makes them most alike.

    Parameters
    ----------
    change : (K, N) array
    rows : (N,) array
    when : (K,) array
        0 at the first frame of all to 1 at the last.

    Returns
    -------
    (K, N) array
        The shift goes with the speed, and a top only slows: it is the same in all frames, or
        falls evenly to one of `SHIFT_LEFT`.

    Notes
    -----
    How many marks there are has no say in this: a wrong shift draws humps out and changes what
    their harmonics hold, and the largest of many shares is that of the most distorted profiles.
    """
    down = rows - rows.mean()
    most = float(np.abs(down).max())
    if most == 0.0:
        return change
    steps = round(MOST_SHIFT_RAD / SHIFT_STEP_RAD)
    shifts = np.arange(-steps, steps + 1)[:, None] * (SHIFT_STEP_RAD / most) * down
    every = COARSE if change.shape[1] % COARSE == 0 else 1
    coarse = change.reshape(len(change), -1, every).mean(2).astype(np.float32)
    thin = shifts[:, every // 2 :: every]
    back = np.stack([_shifted_back(coarse, shift) for shift in thin])
    places = np.arange(coarse.shape[1]) - thin * (coarse.shape[1] / (2 * np.pi))

    def course(first: int, left: float) -> IntArray:
        return np.rint(first * (1 - (1 - left) * when)).astype(np.int64) + steps

    def unlike(at: tuple[int, float]) -> float:
        taken = course(*at)
        return _unlike(coarse, back[taken, np.arange(len(change))], places[taken])

    steady = min(((first, 1.0) for first in range(-steps, steps + 1)), key=unlike)
    starts = [steady[0] + k * int(np.sign(steady[0])) for k in range(3)]
    falling = [(k, left) for left in SHIFT_LEFT for k in starts if 0 < abs(k) <= steps]
    taken = course(*min([steady, *falling], key=unlike))
    found = np.empty_like(change)
    for one in np.unique(taken):
        found[taken == one] = _shifted_back(change[taken == one], shifts[one])
    return found


def _unlike(seen: FloatArray, back: FloatArray, places: FloatArray) -> float:
    """Share of the change in a usual frame that is left by one pattern that turns, 0-1.

    Parameters
    ----------
    seen, back : (K, N) array
        Profiles as they were seen, and with a shift taken back.
    places : (K, N) array
        Where in `back` what was seen at each place belongs, samples.

    Notes
    -----
    What is left is that of the ring as seen, where the noise is the same for all shifts, and not
    that of a profile which a wrong one draws out here and squeezes there.  The pattern is learnt
    from the half of the frames that are like it, and judged by the usual frame: a hand that holds
    the top, and a fall, change more of the ring than marks do.
    """
    count = back.shape[1]
    spectra = np.fft.rfft(back, axis=1)
    power = (seen**2).sum(1)
    model = spectra[np.argsort(power)[len(power) // 2]]  # hands are stronger, hidden marks weaker
    turn = (2j * np.pi / count * np.arange(spectra.shape[1])).astype(spectra.dtype)
    left = power
    for _ in range(LINE_UP_TURNS):
        shift = np.argmax(np.fft.irfft(spectra * model.conj(), count, axis=1), axis=1)[:, None]
        away = seen - _at(np.fft.irfft(model * np.exp(-turn * shift), count, axis=1), places)
        left = (away**2).sum(1) / np.maximum(power, 1e-12)
        like = left <= np.median(left)
        model = (spectra * np.exp(turn * shift))[like].mean(0)
    return float(np.median(left))


def _shifted_back(change: FloatArray, shift_rad: FloatArray) -> FloatArray:
    """Put what is seen at theta to ``theta - shift(theta)``, row by row; (K, N).

    Of what is seen three times the first is taken.
    """
    count = change.shape[1]
    grid = even_angles(count)
    thrice = np.concatenate([grid - 2 * np.pi, grid, grid + 2 * np.pi])
    reached = np.maximum.accumulate(thrice - np.tile(shift_rad, 3))
    places = np.interp(grid, reached, thrice) * (count / (2 * np.pi))
    return _at(change, np.broadcast_to(places, change.shape))


def _at(profiles: FloatArray, places: FloatArray) -> FloatArray:
    """Profiles between their samples, round the ring; both (K, N)."""
    count = profiles.shape[1]
    low = np.floor(places).astype(np.int64)
    part = (places - low).astype(profiles.dtype)
    before = np.take_along_axis(profiles, low % count, axis=1)
    after = np.take_along_axis(profiles, (low + 1) % count, axis=1)
    return np.asarray(before * (1 - part) + after * part)


def _usual_power(change: FloatArray) -> FloatArray:
    """Power of each harmonic round the ring in a usual frame, noise taken off."""
    power = medians(np.abs(np.fft.rfft(change, axis=1)) ** 2, 0)
    return np.asarray(np.maximum(power - np.median(power[len(power) // 3 :]), 0.0))


def skew(shape: FloatArray) -> float:
    """Third moment about the median: positive for a bright mark."""
    centred = shape - np.median(shape)
    return float((centred**3).sum())
