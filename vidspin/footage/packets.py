"""What the packets of a file say without being decoded: traces of joining, cutting, copying.

All of it only raises suspicion: every trace has innocent causes (a messenger, a share sheet, a
repair), and a careful edit leaves none.  So nothing here fails; it asks a person to look.  That
a recording is whole is shown by the spin.
"""

from __future__ import annotations

import hashlib
from array import array
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from vidspin.footage.slices import StreamMarks
from vidspin.records import Check, IntArray

HASHED_BYTES = 1 << 14  # of a packet; two that agree so far, and in size, are the same
LEAST_RUN = 8  # equal packets in a row at one lag; fewer come about in still scenes
RUN_BYTES = 0.25  # of a usual packet that such a packet holds at least, on average
SHORT_STEP = 0.35  # of a frame interval; cameras do not deliver so soon after each other
REGULAR = 0.8  # share of equal distances from which key frames or sound packets are regular
LENGTHS_DIFFER = 0.005  # relative
LENGTHS_DIFFER_S = 0.25
MOST_SHOWN = 4
NO_TIME = -(1 << 62)
GENERAL_MUXERS = ("lavf", "lavc", "gpac", "handbrake", "x264", "x265")
GENERAL_SCALES = {12288, 15360, 12800, 11988}  # what FFmpeg's muxer makes of usual rates


class Coded(Protocol):
    """The part of a packet that is looked at."""

    pts: int | None
    duration: int | None
    is_keyframe: bool
    size: int


@dataclass(slots=True)
class Track:
    """Collects the packets of one stream, in file order; 25 bytes a packet."""

    pts: array[int] = field(default_factory=lambda: array("q"))
    durations: array[int] = field(default_factory=lambda: array("q"))
    sizes: array[int] = field(default_factory=lambda: array("L"))
    digests: array[int] = field(default_factory=lambda: array("Q"))
    keys: array[int] = field(default_factory=lambda: array("L"))  # numbers of key frames
    marks: StreamMarks | None = None

    def add(self, packet: Coded) -> None:
        """Take one packet."""
        data = memoryview(packet)  # type: ignore[arg-type]  # the library does not say that it may
        digest = hashlib.blake2b(data[:HASHED_BYTES], digest_size=8).digest()
        if packet.is_keyframe:
            self.keys.append(len(self.sizes))
            if self.marks is not None:
                self.marks.add(bytes(data[:HASHED_BYTES]))
        self.pts.append(NO_TIME if packet.pts is None else packet.pts)
        self.durations.append(packet.duration or 0)
        self.sizes.append(packet.size)
        self.digests.append(int.from_bytes(digest, "big") ^ packet.size)


@dataclass(frozen=True, slots=True)
class Run:
    """Packets that are equal to others before them, at one distance."""

    first: int
    count: int
    lag: int


def longest_run(digests: IntArray | NDArray[np.uint64], sizes: IntArray) -> Run | None:
    """Find the longest run of packets that repeat earlier ones at a constant lag.

    Parameters
    ----------
    digests, sizes : (N,) arrays

    Returns
    -------
    Run or None
        None below `LEAST_RUN`, or when the run holds hardly anything.
    """
    if not len(digests):
        return None
    order = np.argsort(digests, kind="stable")
    same = digests[order[1:]] == digests[order[:-1]]
    lag = np.zeros(len(digests), np.int64)  # to the last equal packet before; 0: there is none
    lag[order[1:][same]] = (order[1:] - order[:-1])[same]
    at = np.flatnonzero(lag)
    goes_on = (np.diff(at, prepend=-1) == 1) & (np.diff(lag[at], prepend=0) == 0)
    first = np.maximum.accumulate(np.where(goes_on, 0, at))
    count = at - first + 1
    held = np.concatenate(([0], np.cumsum(sizes)))
    enough = (held[at + 1] - held[first]) / count > RUN_BYTES * float(np.median(sizes))
    count[(count < LEAST_RUN) | ~enough] = 0
    if not count.any():
        return None
    k = int(np.argmax(count))
    best = Run(int(first[k]), int(count[k]), int(lag[at[k]]))
    if len(np.unique(digests[best.first : best.first + best.count])) < LEAST_RUN:
        return None
    return best


def findings(  # noqa: PLR0913 - what a file's packets and boxes say
    video: Track,
    sound: Track | None,
    *,
    time_base: Fraction,
    sound_base: Fraction | None,
    frame_s: float,
    tags: dict[str, str],
    created: int | None,
    modified: int | None,
) -> tuple[Check, ...]:
    """Say what the packets show.

    Parameters
    ----------
    video, sound : Track
    time_base, sound_base : Fraction
        Seconds a tick.
    frame_s : float
        Nominal frame interval, file seconds.
    tags : dict
        Allow-listed tags of the container.
    created, modified : int or None
        Times of the movie header, seconds from 1904; None where there is none.
    """
    checks = [
        _pace(video, time_base, frame_s),
        _key_frames(video, time_base),
        _numbers(video),
        _sets(video),
        _repeats(video, "repeated packets", frame_s),
    ]
    if sound is not None and len(sound.sizes) > 2 and sound_base is not None:
        step = float(np.median(np.array(sound.durations)) * sound_base) or frame_s
        checks += [
            _sound_pace(sound, sound_base),
            _repeats(sound, "repeated sound packets", step),
            _lengths(video, sound, time_base, sound_base, frame_s),
        ]
    silent = sound is None or not len(sound.sizes)
    checks.append(_writer(time_base, tags, created, modified, silent=silent))
    return tuple(c for c in checks if c is not None)


def _asked(name: str, figure: str, note: str, file_s: Sequence[float] = ()) -> Check:
    """Pass and ask a person to look; instants are those of the file, not of the scene."""
    if file_s:
        where = ", ".join(f"{at:.2f}" for at in file_s[:MOST_SHOWN])
        note += f" (at {where} s of the file{', and more' if len(file_s) > MOST_SHOWN else ''})"
    return Check(name, "pass", figure, note, "file", look=True)


def _plain(name: str, figure: str, note: str) -> Check:
    return Check(name, "pass", figure, note, "file")


def _seconds(track: Track, number: int, base: Fraction) -> float:
    start = min((p for p in track.pts if p != NO_TIME), default=0)
    return float((track.pts[number] - start) * base)


def _pace(video: Track, base: Fraction, frame_s: float) -> Check:
    """Frames that follow too soon: where two pieces were joined."""
    name = "packet times"
    ticks = np.unique(np.array([p for p in video.pts if p != NO_TIME], np.int64))
    if len(ticks) < 3:
        return _plain(name, f"{len(ticks)} packets", "too few to compare")
    steps = np.diff(ticks) * float(base)
    soon = np.flatnonzero(steps < SHORT_STEP * frame_s)
    if len(soon):
        at = [float(int(ticks[k + 1] - ticks[0]) * base) for k in soon]
        figure = f"{len(soon)} steps far too short, the least {1e3 * steps.min():.2f} ms"
        return _asked(name, figure, "pieces may have been joined there", at)
    if len(np.unique(np.diff(ticks))) == 1:
        note = "all steps are equal: times were written anew, or the camera's clock is very even"
        return _plain(name, "one step", note)
    return _plain(name, f"steps of {1e3 * steps.min():.2f} ms and more", "no frame comes too soon")


def _key_frames(video: Track, base: Fraction) -> Check:
    """Distances of key frames: encoders keep them, cuts do not."""
    name = "key frames"
    gaps = np.diff(np.array(video.keys, np.int64))
    if len(gaps) < 3:
        return _plain(name, f"{len(video.keys)} key frames", "too few to compare")
    usual = Counter(gaps.tolist()).most_common(1)[0][0]
    near = np.abs(gaps - usual) <= max(2, 0.1 * usual)  # pictures out of order shift them a little
    odd, count = np.flatnonzero(~near), int(near.sum())
    if not len(odd):
        return _plain(name, f"every {usual} packets", "key frames are evenly spaced")
    if count < REGULAR * len(gaps):
        return _plain(name, "uneven", "the encoder sets key frames as it likes: they tell nothing")
    at = [_seconds(video, video.keys[k + 1], base) for k in odd]
    figure = f"every {usual} packets, but for {len(odd)} of {len(gaps)}: " + ", ".join(
        str(int(gaps[k])) for k in odd[:MOST_SHOWN]
    )
    note = "packets may be missing, pieces were joined, or the picture changed much at once there"
    return _asked(name, figure, note, at)


def _numbers(video: Track) -> Check | None:
    """Numbers of H.264 key frames: encoders count or toggle them, a cut breaks the row."""
    name = "key frame numbers"
    ids = [] if video.marks is None else video.marks.idr_ids
    if len(ids) < 4 or len(set(ids)) == 1:
        return None
    steps = np.diff(np.array(ids, np.int64))
    top = max(ids)
    toggles = top == 1
    regular = steps != 0 if toggles else (steps == 1) | (np.array(ids[1:]) == 0)
    if regular.all():
        how = "0 and 1 by turns" if toggles else "in turn"
        none = "no single one is missing" if toggles else "none is missing"
        figure = f"the {len(ids)} key frames are numbered {how}"
        return _plain(name, figure, f"that is how the encoder wrote them; {none} between others")
    if regular.mean() < REGULAR:
        return None  # numbered in a way that is not known
    odd = np.flatnonzero(~regular)
    figure = f"{len(odd)} of {len(steps)} do not follow the one before"
    return _asked(name, figure, "whole groups of pictures may be missing, repeated or joined there")


def _sets(video: Track) -> Check | None:
    """Parameter sets: one recording has one encoder, set up once."""
    if video.marks is None or not video.marks.sets:
        return None
    name, sets = "parameter sets", video.marks
    kinds = 3 if sets.codec == "hevc" else 2
    figure = f"{len(sets.sets)} distinct, {sets.inside} among the packets"
    if len(sets.sets) > kinds:
        return _asked(name, figure, "pictures of more than one encoder, or set-up, are in the file")
    return _plain(name, figure, "one set-up of one encoder")


def _repeats(track: Track, name: str, step_s: float) -> Check:
    """Packets that are in the file twice, in the same order."""
    sizes = np.array(track.sizes, np.int64)
    run = longest_run(np.array(track.digests, np.uint64), sizes)
    if run is None:
        return _plain(name, "none", "no stretch of coded data is in the file twice")
    figure = f"{run.count} in a row from {run.first} on are those from {run.first - run.lag} on"
    at = [(run.first - run.lag) * step_s, run.first * step_s]
    return _asked(name, figure, "a stretch was copied: coded pictures do not repeat", at)


def _sound_pace(sound: Track, base: Fraction) -> Check:
    """Lengths of sound packets: one codec, one length; seams and gaps show as others."""
    name = "sound packets"
    pts = np.array(sound.pts, np.int64)
    steps = np.diff(pts)
    usual = int(np.median(steps))
    tolerance = max(1, round(0.0011 / float(base)) if base > Fraction(1, 2000) else 1)
    inner = slice(1, len(steps) - 1)  # the first and the last packet may be cut by the recorder
    odd = np.flatnonzero(np.abs(steps[inner] - usual) > tolerance) + 1
    figure = f"{len(pts)} packets, {len(odd)} of another length than {float(usual * base):.4f} s"
    if not len(odd) or len(odd) > (1 - REGULAR) * len(steps):
        note = "the sound goes on evenly" if not len(odd) else "the codec's packets differ anyway"
        return _plain(name, figure, note)
    start = int(pts[0])
    at = [float((int(pts[k]) - start) * base) for k in odd]
    most = float(np.abs(steps[odd] - usual).max() * base)
    note = f"the sound has gaps or seams, up to {1e3 * most:.1f} ms"
    return _asked(name, figure, note, at)


def _lengths(
    video: Track, sound: Track, base: Fraction, sound_base: Fraction, frame_s: float
) -> Check:
    """Lengths of sound and pictures: recorders stop both at once."""
    name = "sound and pictures"
    ticks = [p for p in video.pts if p != NO_TIME]
    shown = float((max(ticks) - min(ticks)) * base) + frame_s
    heard = float((sound.pts[-1] - sound.pts[0] + sound.durations[-1]) * sound_base)
    off = heard - shown
    figure = f"sound {heard:.3f} s, pictures {shown:.3f} s: {1e6 * off / shown:+.0f} ppm"
    if abs(off) < max(LENGTHS_DIFFER * shown, LENGTHS_DIFFER_S):
        note = "consistent with one clock, to the length of a packet; no proof"
        return _plain(name, figure, note)
    note = "one of them may have been stretched, cut, or begun or stopped on its own"
    return _asked(name, figure, note)


def _writer(
    base: Fraction,
    tags: dict[str, str],
    created: int | None,
    modified: int | None,
    *,
    silent: bool,
) -> Check:
    """Ask whether the file looks as a camera wrote it; traces of a program that is no camera."""
    name, traces, lacking = "writer", [], []
    for key in ("encoder", "handler_name"):
        text = tags.get(key, "")
        if text.lower().startswith(GENERAL_MUXERS) or text == "VideoHandler":
            traces.append(f"{key} {text}")
    if created == 0:
        traces.append("no time of creation")
    elif created and modified and modified - created > 86_400:
        traces.append("changed long after it was made")
    scale = base.denominator if base.numerator == 1 else 0
    if scale in GENERAL_SCALES:
        traces.append(f"time scale {scale}")
    if not any(key.endswith(("make", "model", "manufacturer")) for key in tags):
        lacking.append("no camera named")  # many phones name none
    if silent:
        lacking.append("no sound")  # slow motion has none
    if not traces:
        note = "no proof: traces can be removed"
        figure = "; ".join(["no trace of another program", *lacking])
        return _plain(name, figure, note)
    note = "it may have been copied into another file: by a messenger, an editor or a repair"
    return _asked(name, "; ".join(traces + lacking), note)
