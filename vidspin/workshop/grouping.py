"""Which attempts belong together?  Groups by a fact, and choices by facts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vidspin.facts import fact_text
from vidspin.records import Fact
from vidspin.workshop.attempt import Attempt

ALL = "all"
UNTOLD = "(not told)"


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
    wanted = {key: fact_text(value) for key, value in where.items()}
    return tuple(a for a in attempts if all(a.fact(key) == value for key, value in wanted.items()))


def also_different(groups: Sequence[Group], by: str) -> tuple[str, ...]:
    """Name the facts that differ between groups though the groups were not made by them.

    What differs together with the fact of interest cannot be told from it.  A fact counts when
    each group has one value of it (or is without) and not all groups have the same.
    """
    keys = {key for group in groups for a in group.attempts for key in a.facts}
    found = []
    for key in sorted(keys - {k.strip() for k in by.split(",")} - {"notes", "date"}):
        values = [{a.fact(key) for a in group.attempts} for group in groups]
        if all(len(v) == 1 for v in values) and len(set.union(*values)) > 1:
            found.append(key)
    return tuple(found)
