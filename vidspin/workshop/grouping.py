"""Which attempts belong together?  Groups by a fact, and choices by facts."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations

from vidspin.facts import fact_number, has_facts
from vidspin.records import Fact
from vidspin.units import instant_key
from vidspin.workshop.attempt import Attempt

ALL = "all"
UNTOLD = "(not told)"
ONE_AFTER_ANOTHER = "time of recording (one after another)"
OTHER_DAYS = "day of recording (for the most part days of one group alone)"
PARTS = ("top", "tip", "base", "stem")  # of another one of these, attempts are no repeats
# So large a share of one group would have to be told otherwise to be like the other, and so much
# of what a fact does is then in their difference: more than half of it is mostly that fact's.
MOSTLY = 0.5
# Numbers scatter by themselves, and small groups lie apart by chance: groups of five out of one
# range are at this distance or above in one case of 13, of three (no overlap) in one of 10.
APART = 0.8
# Two starts by hand agree so well in speed and spin time in one of 3000 pairs: speeds that scatter
# by 5 %, spin times at one speed by 2 %, each within ± 0.1 %.
ALIKE = 1e-3
_DAY = len("2024-05-01")
_MOST_NAMED = 4


@dataclass(frozen=True, slots=True)
class Group:
    """Attempts of one value of a fact."""

    label: str
    attempts: tuple[Attempt, ...]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An attempt that is not counted, and why."""

    name: str
    group: str
    why: str
    candidates: tuple[tuple[float, float], ...] = ()  # (rev/min, probability) if unresolved


@dataclass(frozen=True, slots=True)
class Doubted:
    """An attempt that counts, but not beyond doubt."""

    name: str
    why: str


def doubted(attempts: Sequence[Attempt]) -> tuple[Doubted, ...]:
    """List attempts that were touched, failed a check, or may be another one filmed again."""
    told = [Doubted(a.name, "; ".join(a.doubts)) for a in attempts if a.doubts]
    return (*told, *_filmed_again(attempts))


def _filmed_again(attempts: Sequence[Attempt]) -> Iterator[Doubted]:
    """Find attempts that start and spin alike: a second camera's, or a copy in other bytes."""
    known = [
        (a.release, a.spin_time_s, a.u95_spin_time_s, a.name)
        for a in attempts if a.release and a.spin_time_s and a.u95_spin_time_s
    ]  # fmt: skip
    known.sort(key=lambda one: one[0].rpm)
    for i, (release, seconds, u95_s, name) in enumerate(known):
        for other, other_s, other_u95_s, twin in known[i + 1 :]:
            if other.rpm - release.rpm > ALIKE * other.rpm:
                break
            within_rpm = math.hypot(release.u95_rpm, other.u95_rpm)
            within_s = math.hypot(u95_s, other_u95_s)
            sure = within_rpm <= ALIKE * release.rpm and within_s <= ALIKE * seconds
            if (
                sure
                and other.rpm - release.rpm <= within_rpm
                and abs(other_s - seconds) <= within_s
            ):
                why = f"starts and spins as {name} does, within ±: is it one start, filmed twice?"
                yield Doubted(twin, why)
                break


def grouped(attempts: Sequence[Attempt], by: str) -> tuple[Group, ...]:
    """Sort attempts into groups by a fact.

    Parameters
    ----------
    attempts : sequence of Attempt
    by : str
        Key of the fact; several with commas between make groups of their combinations; one
        group when empty.

    Returns
    -------
    tuple of Group
        In the order of their labels; attempts of which the fact is not told come last.
    """
    if not by:
        return (Group(ALL, tuple(attempts)),) if attempts else ()
    keys = [key.strip() for key in by.split(",")]
    members: dict[tuple[str, ...], list[Attempt]] = {}
    for attempt in attempts:
        members.setdefault(tuple(attempt.fact(key) or UNTOLD for key in keys), []).append(attempt)
    order = sorted(members, key=lambda label: [(value == UNTOLD, value) for value in label])
    return tuple(Group(", ".join(label), tuple(members[label])) for label in order)


def chosen(attempts: Sequence[Attempt], where: Mapping[str, Fact]) -> tuple[Attempt, ...]:
    """Keep the attempts whose facts are these."""
    return tuple(a for a in attempts if has_facts(a.facts, where))


def also_different(groups: Sequence[Group], by: str) -> tuple[str, ...]:
    """Name what differs between two groups or more though the groups were not made by it.

    What differs together with the fact of interest cannot be told from it.

    Parameters
    ----------
    groups : sequence of Group
        Those that do not tell the fact of interest are not looked at.
    by : str

    Returns
    -------
    tuple of str
        Keys of facts, and `ONE_AFTER_ANOTHER` where the recordings of groups do not take turns,
        `OTHER_DAYS` where they do so by whole days, each of several attempts.

    Notes
    -----
    Words (and facts that not all tell) count where two groups have more than `MOSTLY` unlike;
    not where every attempt has its own, such as a file name.  Numbers and times of recording
    count where their distributions lie `APART` or more; ranges that do not overlap lie 1 apart.
    """
    pairs = list(combinations([group for group in groups if UNTOLD not in group.label], 2))
    keys = {key for pair in pairs for group in pair for a in group.attempts for key in a.facts}
    keys -= {key.strip() for key in by.split(",")} | {"notes", "date"}
    found = [key for key in sorted(keys) if any(_unlike(one, two, key) for one, two in pairs)]
    by_date = "date" in {key.strip() for key in by.split(",")}
    if not by_date and any(_apart(*_order(one, two)) for one, two in pairs):
        found.append(ONE_AFTER_ANOTHER)
    elif not by_date and any(_other_days(one, two) for one, two in pairs):
        found.append(OTHER_DAYS)
    return tuple(found)


def mixed_parts(attempts: Sequence[Attempt]) -> str:
    """Say in which parts attempts differ, as far as told; empty where in none."""
    said = []
    for part in PARTS:
        names = sorted({attempt.fact(part) for attempt in attempts})
        if len(names) > 1:
            shown = [name or UNTOLD for name in names[:_MOST_NAMED]]
            more = len(names) - len(shown)
            said.append(f"{part} ({', '.join(shown)}{f' and {more} more' if more else ''})")
    return ", ".join(said)


def recorded_days(attempts: Sequence[Attempt]) -> int:
    """Count the days on which attempts were recorded; 0 where the day of one is not known."""
    days = {_day(attempt) for attempt in attempts}
    return 0 if "" in days else len(days)


def recorded_ranks(attempts: Sequence[Attempt]) -> list[float]:
    """Rank attempts by the instants of their recordings; empty where those are not all known."""
    when = [_recorded(attempt) for attempt in attempts]
    if not all("T" in one for one in when) or len(set(when)) < len(when):
        return []
    ranks = sorted(when)
    return [float(ranks.index(one)) for one in when]


def order_known(groups: Sequence[Group]) -> bool:
    """Whether it is known if the recordings of groups took turns.

    It is where every instant is known, or every day and no day has recordings of two groups.
    """
    known = [[_recorded(attempt) for attempt in group.attempts] for group in groups]
    if all("T" in when for side in known for when in side):
        return True
    days = [{when[:_DAY] for when in side} for side in known]
    if "" in set().union(*days):
        return False
    return not any(one & two for one, two in combinations(days, 2))


def _unlike(one: Group, two: Group, key: str) -> bool:
    """Whether a fact goes with two groups, wholly or for the most part."""
    members = (one.attempts, two.attempts)
    told = [[n for a in g if (n := fact_number(a.facts, key)) is not None] for g in members]
    words = [[a.fact(key) for a in g] for g in members]
    if all(told) and len(told[0] + told[1]) == sum(map(bool, words[0] + words[1])):
        return _apart(*told)
    return _differ(*words)


def _differ(one: Sequence[str], two: Sequence[str]) -> bool:
    """Whether two groups have more than `MOSTLY` of some words unlike."""
    values = {*one, *two}
    if len(values) == len(one) + len(two) > 2:
        return False  # a name of the attempt, no condition that it shares with others
    alike = sum(min(side.count(v) / len(side) for side in (one, two)) for v in values)
    return 1.0 - alike > MOSTLY


def _apart(one: Sequence[float], two: Sequence[float]) -> bool:
    """Whether two sets of numbers hardly overlap (the distance of Kolmogorov and Smirnov)."""
    if not one or not two:
        return False
    below = [[sum(x <= v for x in side) / len(side) for side in (one, two)] for v in {*one, *two}]
    return max(abs(a - b) for a, b in below) > APART - 1e-9


def _order(one: Group, two: Group) -> tuple[list[float], list[float]]:
    """Rank when attempts were recorded, by their days where only days are known of some."""
    known = [[when for a in g.attempts if (when := _recorded(a))] for g in (one, two)]
    days = any("T" not in when for side in known for when in side)
    cut = [[when[:_DAY] if days else when for when in side] for side in known]
    ranks = {when: float(rank) for rank, when in enumerate(sorted({*cut[0], *cut[1]}))}
    return [ranks[when] for when in cut[0]], [ranks[when] for when in cut[1]]


def _other_days(one: Group, two: Group) -> bool:
    """Whether two groups were recorded on days of their own, for the most part."""
    known = bool(recorded_days((*one.attempts, *two.attempts)))
    return known and _differ(*([_day(a) for a in group.attempts] for group in (one, two)))


def _day(attempt: Attempt) -> str:
    return _recorded(attempt)[:_DAY]


def _recorded(attempt: Attempt) -> str:
    """Tell when an attempt was recorded; when it was measured says nothing of that.

    A day that is told (by a file of facts for the whole folder, say) leaves the hour to the file,
    whose day may be the one before or after where the told one is by the clock on the wall.
    """
    source = attempt.recorded if attempt.recorded_from in ("told", "file") else ""
    when, filmed = instant_key(attempt.fact("date")) or instant_key(source), attempt.filmed
    key = instant_key(filmed)
    if len(when) != _DAY or not key:
        return when
    apart = date.fromisoformat(key[:_DAY]) - date.fromisoformat(when)
    return key if abs(apart.days) <= 1 else when
