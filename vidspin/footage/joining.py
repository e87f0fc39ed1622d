"""Whether chapters belong together, and where each lies on the scene clock.

Each chapter keeps its own ticks.  A seam is drawn as one nominal frame step, since the true
gap is not stated anywhere; what is known about it is said in a finding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from fractions import Fraction
from typing import Generic, Protocol, TypeVar

from vidspin.errors import FootageError, UsageError
from vidspin.footage import rates
from vidspin.footage.table import ChapterClock, FrameTable
from vidspin.records import ChapterFacts, Check, FootageFacts

SEAM_TOLERANCE_S = 2.0  # creation times are whole seconds, written at the start or at the end
SHORT = 30  # frames; the rate of fewer is uncertain by what cameras' frame times jitter
SHORT_RATE = 0.15  # relative, for such a chapter; 24 and 30 frames a second are further apart


class Examined(Protocol):
    """The part of an examined file that joining needs."""

    @property
    def facts(self) -> ChapterFacts: ...  # noqa: D102
    @property
    def table(self) -> FrameTable: ...  # noqa: D102
    @property
    def checks(self) -> tuple[Check, ...]: ...  # noqa: D102
    @property
    def sound_s(self) -> float | None: ...  # noqa: D102


C = TypeVar("C", bound=Examined)


@dataclass(frozen=True, slots=True)
class Joined(Generic[C]):
    """Chapters on one scene clock."""

    facts: FootageFacts
    chapters: tuple[C, ...]
    clocks: tuple[ChapterClock, ...]
    first_index: tuple[int, ...]  # number of the first frame of each chapter


def join(chapters: Sequence[C], *, captured_at: Fraction | None) -> Joined[C]:
    """Put chapters on one scene clock.

    Parameters
    ----------
    chapters : sequence
        Examined files in the order in which they were filmed.
    captured_at : Fraction or None
        Capture rate by the user's word, frames per second.

    Raises
    ------
    FootageError
        Size, bit depth, turn, frame rate or capture rate differ between chapters.
    UsageError
        No chapter, the same content twice, or a capture rate that is not positive.
    """
    if not chapters:
        raise UsageError("no recording is given", where="RECORDING", do="name a file")
    _refuse_strangers(chapters)
    first = chapters[0]
    # a chapter of a few frames, as the last one may be, hardly knows its own rate
    longest = max(chapters, key=lambda one: len(one.table.ticks))
    sounds = [one.sound_s for one in chapters]
    scale = rates.time_scale(
        longest.facts.frame_rate,
        first.facts.capture_rate,
        captured_at=captured_at,
        video_s=sum(one.facts.duration_file_s for one in chapters),
        sound_s=None if None in sounds else sum(one for one in sounds if one is not None),
    )
    step = scale.scale / longest.facts.frame_rate
    clocks: list[ChapterClock] = []
    first_index: list[int] = []
    starts_s, index = Fraction(0), 0
    for chapter in chapters:
        ticks = chapter.table.ticks
        clock = ChapterClock(int(ticks[0]), chapter.table.time_base * scale.scale, starts_s)
        clocks.append(clock)
        first_index.append(index)
        starts_s = clock.exact(int(ticks[-1])) + step
        index += len(ticks)
    findings = _numbered(chapters)
    findings += [] if scale.check is None else [scale.check]
    findings += _seams([one.facts for one in chapters], scale.scale)
    facts = FootageFacts(
        name=_stem(first.facts.name),
        chapters=tuple(one.facts for one in chapters),
        frame_rate=1 / step,
        time_scale=scale.scale,
        time_scale_from=scale.why,
        duration_s=float(starts_s),
        findings=tuple(findings),
        time_doubt=scale.doubt,
    )
    return Joined(facts, tuple(chapters), tuple(clocks), tuple(first_index))


def on_clock(joined: Joined[C], clock_ppm: float) -> Joined[C]:
    """Correct the scene clock for a rate error of the files' clock.

    Parameters
    ----------
    joined : Joined
        Not corrected yet.
    clock_ppm : float
        Rate error, parts in a million; positive = the files' clock runs fast.

    Raises
    ------
    ValueError
        When the times are corrected already.
    """
    if joined.facts.clock_ppm:
        raise ValueError("the times are corrected already")
    # true seconds in a counted one; a millionth of a ppm is far below what anybody knows
    true = 1 / (1 + Fraction(round(clock_ppm * 1e6), 10**12))
    clocks = tuple(
        ChapterClock(one.first_tick, one.tick_s * true, one.starts_s * true)
        for one in joined.clocks
    )
    duration_s = float(Fraction(joined.facts.duration_s) * true)
    facts = replace(joined.facts, duration_s=duration_s, clock_ppm=clock_ppm)
    return replace(joined, facts=facts, clocks=clocks)


def _stem(name: str) -> str:
    return name.rpartition(".")[0] or name


def _numbered(chapters: Sequence[C]) -> list[Check]:
    """Collect the findings of all chapters; with several, each says which file it is of."""
    if len(chapters) == 1:
        return list(chapters[0].checks)
    return [
        replace(check, name=f"{check.name}, chapter {number}")
        for number, chapter in enumerate(chapters, 1)
        for check in chapter.checks
    ]


def _refuse_strangers(chapters: Sequence[C]) -> None:
    first = chapters[0].facts
    seen: dict[str, str] = {}
    for one in (chapter.facts for chapter in chapters):
        if one.sha256 in seen:
            raise UsageError(
                f"the same recording as {seen[one.sha256]}",
                where=one.name,
                do="give each chapter once",
            )
        seen[one.sha256] = one.name
        for what, mine, theirs in (
            ("size", (one.width, one.height), (first.width, first.height)),
            ("bit depth", one.bit_depth, first.bit_depth),
            ("turn", (one.rotation_deg, one.mirrored), (first.rotation_deg, first.mirrored)),
            ("capture rate", one.capture_rate, first.capture_rate),
        ):
            if mine != theirs:
                raise _stranger(what, one, first)
    for chapter in chapters[1:]:
        fewest = min(len(chapter.table.ticks), len(chapters[0].table.ticks))
        allowed = SHORT_RATE if fewest < SHORT else rates.SAME_RATE
        if abs(float(chapter.facts.frame_rate / first.frame_rate) - 1.0) > allowed:
            rates_told = [f" ({float(f.frame_rate):.5g} a second)" for f in (chapter.facts, first)]
            raise _stranger("frame rate", chapter.facts, first, rates_told)


def _stranger(
    what: str, one: ChapterFacts, first: ChapterFacts, told: Sequence[str] = ("", "")
) -> FootageError:
    return FootageError(
        f"its {what}{told[0]} differs from that of {first.name}{told[1]}",
        where=one.name,
        do="give only files that one camera split, or measure each by itself",
    )


def _seams(facts: Sequence[ChapterFacts], scale: Fraction) -> list[Check]:
    checks = []
    for number, (before, after) in enumerate(zip(facts, facts[1:], strict=False), 1):
        name = "chapter seam" if len(facts) == 2 else f"chapter seam {number}"
        checks.append(_seam(name, before, after, float(scale)))
        if (before.codec, before.time_base) != (after.codec, after.time_base):
            note = f"{before.name} and {after.name} were written differently"
            checks.append(Check(f"{name}: same writer", "fail", after.codec, note))
    return checks


def _seam(name: str, before: ChapterFacts, after: ChapterFacts, scale: float) -> Check:
    """Compare creation times with the length of what was filmed between them."""
    start, end = _created(before), _created(after)
    drawn = "the gap is not stated in the files and is drawn as one frame step"
    if start is None or end is None:
        return Check(name, "unchecked", "no creation times", drawn)
    apart = (end - start).total_seconds()
    lengths = (before.duration_file_s * scale, after.duration_file_s * scale)
    gap = min((apart - length for length in lengths), key=abs)
    figure = f"{gap:+.1f} s by the creation times"
    if abs(gap) > SEAM_TOLERANCE_S:
        note = f"{after.name} does not follow {before.name} directly"
        return Check(name, "fail", figure, note)
    note = f"{drawn}; the creation times leave room for {max(gap, 0.0) + 1.0:.1f} s"
    return Check(name, "unchecked", figure, note)


def _created(facts: ChapterFacts) -> datetime | None:
    try:
        stated = datetime.fromisoformat(facts.tags["creation_time"])
    except (KeyError, ValueError):
        return None
    return stated if stated.tzinfo else stated.replace(tzinfo=UTC)
