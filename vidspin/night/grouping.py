"""Which files are chapters of one recording?

A camera that splits a recording goes on counting in the file names, starts the next file when
the one before ends, writes it alike, and splits at a fixed size or length.  Files that meet all
of these are joined; when one of them is in doubt they are kept apart, and that is said.
That cameras split so is common practice, no source.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from vidspin.night.clips import Clip

SEAM_TOLERANCE_S = 2.0  # creation times are whole seconds, written at the start or at the end
SPLIT_BYTES = 1 << 30  # cameras split at gigabytes ...
SPLIT_S = 240.0  # ... or after minutes; two short takes may follow each other as closely
EVEN = 0.03  # chapters before the last are alike in size or length within this share
FILE_DIGITS = 3  # a counter may stand before so many digits that stay: 010123, 020123
_DIGITS = re.compile(r"(\d+)")


@dataclass(frozen=True, slots=True)
class Group:
    """The files of one recording, in the order in which they were filmed."""

    clips: tuple[Clip, ...]


@dataclass(frozen=True, slots=True)
class Grouping:
    """Recordings, and what is to be said about files that were kept apart."""

    groups: tuple[Group, ...]
    notes: tuple[str, ...]


def follows(before: str, after: str) -> bool:
    """Whether a file name counts on by one from another.

    Parameters
    ----------
    before, after : str
        Names with their endings.

    Examples
    --------
    >>> follows("take_0007.mp4", "take_0008.mp4"), follows("C010123.mp4", "C020123.mp4")
    (True, True)
    >>> follows("take_0007.mp4", "take_0009.mp4")
    False
    """
    one, two = _DIGITS.split(before), _DIGITS.split(after)
    if len(one) != len(two):
        return False
    changed = [k for k in range(len(one)) if one[k] != two[k]]
    if len(changed) != 1 or changed[0] % 2 == 0:
        return False
    a, b = one[changed[0]], two[changed[0]]
    if int(b) == int(a) + 1:
        return True
    if len(a) != len(b):
        return False
    kept = 0
    while kept < len(a) and a[-1 - kept] == b[-1 - kept]:
        kept += 1
    # the counter may end in equal digits itself: any cut that leaves enough of them will do
    return any(
        int(b[: len(b) - rest]) == int(a[: len(a) - rest]) + 1
        for rest in range(FILE_DIGITS, min(kept, len(a) - 1) + 1)
    )


def group(clips: Sequence[Clip], stated: Sequence[Sequence[str]] = ()) -> Grouping:
    """Group files into recordings.

    Parameters
    ----------
    clips : sequence of Clip
    stated : sequence of sequence of str
        Chapters by a person's word: places below the folder, in their order.

    Returns
    -------
    Grouping
        Sorted by the place of the first file.
    """
    by_place = {clip.place: clip for clip in clips}
    groups = [
        Group(tuple(by_place[place] for place in places if place in by_place)) for places in stated
    ]
    groups = [one for one in groups if one.clips]
    taken = {clip.place for one in groups for clip in one.clips}
    notes: list[str] = []
    folders: dict[str, list[Clip]] = {}
    for clip in sorted(clips, key=lambda one: one.place):
        if clip.place not in taken:
            folders.setdefault(clip.folder, []).append(clip)
    for inside in folders.values():
        groups += _chains(inside, notes)
    groups.sort(key=lambda one: one.clips[0].place)
    return Grouping(tuple(groups), tuple(notes))


def _chains(clips: Sequence[Clip], notes: list[str]) -> Iterable[Group]:
    """Follow the counting names of one folder as long as nothing is in doubt."""
    chains: list[list[Clip]] = []
    open_ends: dict[str, list[Clip]] = {}
    for clip in sorted(clips, key=lambda one: _natural(one.name)):
        ends = [chain for name, chain in open_ends.items() if follows(name, clip.name)]
        joined = None
        for chain in ends:
            doubt = doubt_of(chain, clip)
            if doubt is None and joined is None:
                joined = chain
            elif doubt:
                notes.append(f"{chain[-1].place} and {clip.place} are kept apart: {doubt}")
        if joined is None:
            joined = []
            chains.append(joined)
        else:
            del open_ends[joined[-1].name]
        joined.append(clip)
        open_ends[clip.name] = joined
    return [Group(tuple(chain)) for chain in chains]


def _natural(name: str) -> tuple[tuple[str, int], ...]:
    parts = _DIGITS.split(name)
    return tuple(
        (parts[k], int(parts[k + 1]) if k + 1 < len(parts) else -1) for k in range(0, len(parts), 2)
    )


def doubt_of(chain: Sequence[Clip], clip: Clip) -> str | None:
    """Say why `clip` is not the next chapter; None when nothing is in doubt.

    An empty text stands for two plainly separate recordings, about which nothing need be said.
    """
    before = chain[-1]
    if before.look != clip.look:
        return ""
    gap = gap_s(before, clip)
    if gap is not None and abs(gap) > SEAM_TOLERANCE_S:
        return ""
    long = before.bytes >= SPLIT_BYTES or before.duration_s >= SPLIT_S
    if gap is None:
        return "no creation times tell whether one follows the other directly" if long else ""
    if not long:
        return "the first one is shorter than what a camera splits off"
    if not (_at_most(clip.bytes, before.bytes) or _at_most(clip.duration_s, before.duration_s)):
        return "the second one is longer than the first"
    first = chain[0]
    if not (_alike(before.bytes, first.bytes) or _alike(before.duration_s, first.duration_s)):
        return "the chapters before the last are not of one length"
    return None


def gap_s(before: Clip, after: Clip) -> float | None:
    """Smallest gap between two files that their creation times allow, s; None when not stated.

    The times are written at the start of a file or at its end.
    """
    start, end = _created(before), _created(after)
    if start is None or end is None:
        return None
    apart = (end - start).total_seconds()
    return min((apart - before.duration_s, apart - after.duration_s), key=abs)


def _created(clip: Clip) -> datetime | None:
    try:
        stated = datetime.fromisoformat(clip.created or "")
    except ValueError:
        return None
    return stated if stated.tzinfo else stated.replace(tzinfo=UTC)


def _at_most(value: float, limit: float) -> bool:
    return value <= limit * (1 + EVEN)


def _alike(value: float, other: float) -> bool:
    return abs(value - other) <= EVEN * max(value, other)


def result_names(groups: Sequence[Group], found: Iterable[str] = ()) -> tuple[str, ...]:
    """Name each recording's result below the output folder, with /, without ``.spin``.

    It is the first file's name without its ending; with it where another recording would be
    named so or a file is (``a.mp4`` beside ``a.mp4.mkv``); with a number where that is taken.

    Parameters
    ----------
    groups : sequence of Group
    found : iterable of str
        Places of all files, also of those that cannot be read: they have rows of their own.

    Returns
    -------
    tuple of str
        No two are equal, whatever the case of their letters.  They follow from the files alone,
        not from what is measured already.
    """
    own = [Counter(clip.place.casefold() for clip in one.clips) for one in groups]
    plain = [_below(one.clips[0], one.clips[0].stem) for one in groups]
    alike = Counter(name.casefold() for name in plain)
    places = {clip.place for one in groups for clip in one.clips}
    left = {place for place in found if place not in places}
    files = Counter(place.casefold() for place in places | left)
    names = {
        number: name
        for number, name in enumerate(plain)
        if alike[key := name.casefold()] == 1 and files[key] == own[number][key]
    }
    taken = {name.casefold() for name in [*names.values(), *left]}
    rest = [number for number in range(len(groups)) if number not in names]
    for number in sorted(rest, key=lambda one: groups[one].clips[0].place):
        names[number] = _free(groups[number].clips[0].place, taken)
        taken.add(names[number].casefold())
    return tuple(names[number] for number in range(len(groups)))


def _free(place: str, taken: set[str]) -> str:
    """Count on until a name is free."""
    name, count = place, 1
    while name.casefold() in taken:
        count += 1
        name = f"{place}-{count}"
    return name


def _below(clip: Clip, name: str) -> str:
    return f"{clip.folder}/{name}" if clip.folder else name
