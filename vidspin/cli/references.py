"""References as people type them: an instant of the recording and what a better clock said.

``--reference 12.40=2030-05-01T10:00:00.5Z`` (an instant with its zone) or
``--reference 12.40=0:00:00.0`` (a stopwatch).  How exactly a time is known is told by how
exactly it is written: the last digit is taken as half a step up or down.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from vidspin.cli.common import parse_instant, parse_number
from vidspin.errors import UsageError

if TYPE_CHECKING:
    from vidspin.records import FootageFacts, Reference, Settings

OPTION = "--reference"
WITHIN_OPTION = "--reference-within"
_EXAMPLE = "give 12.40=2030-05-01T10:00:00.5Z, or 12.40=0:41:37.2 of a stopwatch"
_SECONDS = re.compile(
    r"(\d+)(?:[.,](\d+))?\s*(?:s|Z|[+-]\d\d(?::?\d\d)?)?$", re.IGNORECASE | re.ASCII
)
# What ends with minutes or hours: its last digit says a minute or more.
_NO_SECONDS = re.compile(r"T\d\d(?::?\d\d)?(?:Z|[+-]\d\d(?::?\d\d)?)$|[hm](?:in)?$", re.IGNORECASE)


def parse_references(texts: Sequence[str], within: str | None = None) -> tuple[Reference, ...]:
    """Read the options ``--reference`` and ``--reference-within``.

    Parameters
    ----------
    texts : sequence of str
        Each ``T=CLOCK``: T on the recording's own clock, CLOCK either an instant with its zone
        (RFC 3339) or the reading of a stopwatch.
    within : str, optional
        Half width of what each pair may be off by, seconds, instead of the digits typed.

    Returns
    -------
    tuple of Reference
        Empty for none.  ``u_recorded_s`` does not hold the frame interval yet; it is 0 where
        `within` covers everything.

    Raises
    ------
    UsageError
        When one cannot be read, only one is given, or instants and readings are mixed.
    """
    half = None if within is None else parse_number(within, WITHIN_OPTION, low=0.0, above=True)
    if not texts:
        if half is not None:
            raise UsageError("it tells of nothing", where=WITHIN_OPTION, do=f"give {OPTION} too")
        return ()
    if len(texts) == 1:
        raise UsageError("one reference tells no rate", where=OPTION, do="give two or more")
    from vidspin.records import Reference
    from vidspin.uncertainty import rectangular

    parts = [_parts(text) for text in texts]
    instants = [_instant(clock) for _, clock in parts]
    if any(one is None for one in instants):
        if any(one is not None for one in instants):
            raise UsageError("instants and stopwatch readings are mixed", where=OPTION, do=_EXAMPLE)
        seconds = [parse_instant(clock, OPTION) for _, clock in parts]
    else:
        first = min(one for one in instants if one is not None)
        seconds = [(one - first).total_seconds() for one in instants if one is not None]
    start = min(seconds)
    return tuple(
        Reference(
            recorded_s=parse_instant(recorded, OPTION),
            true_s=true_s - start,
            u_recorded_s=rectangular(_half_step(recorded) if half is None else 0.0),
            u_true_s=rectangular(_half_step(clock) if half is None else half),
            typed=f"{recorded}={clock}",
        )
        for (recorded, clock), true_s in zip(parts, seconds, strict=True)
    )


def _parts(text: str) -> tuple[str, str]:
    recorded, sign, clock = (part.strip() for part in text.partition("="))
    if not sign or not recorded or not clock:
        raise UsageError(f"{text!r} is no reference", where=OPTION, do=_EXAMPLE)
    for part in (recorded, clock):
        if _NO_SECONDS.search(part):
            raise UsageError(f"{part!r} tells no seconds", where=OPTION, do=_EXAMPLE)
    return recorded, clock


def _instant(text: str) -> datetime | None:
    """Read an instant with a date; None for anything else, which must be a stopwatch's."""
    if not re.match(r"\d{4}-\d\d-\d\d", text, re.ASCII):
        return None
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{text!r} is not an instant", where=OPTION, do=_EXAMPLE) from error
    if when.utcoffset() is None:
        raise UsageError(
            f"{text!r} has no zone", where=OPTION, do="end it with Z or an offset such as +02:00"
        )
    return when.astimezone(UTC)


def _half_step(text: str) -> float:
    """Half of the last digit that is written, seconds."""
    found = _SECONDS.search(text.strip())
    decimals = len(found.group(2) or "") if found else 0
    return 0.5 * 10.0**-decimals


def with_clock(settings: Settings, facts: FootageFacts) -> Settings:
    """Settle the clock's rate now that the frame interval is known.

    Parameters
    ----------
    settings : Settings
        With its references and camera profile.
    facts : FootageFacts
        Of the recording, its clock not corrected: what a frame shows happened up to one frame
        interval earlier.

    Returns
    -------
    Settings
        With `clock`, and instants that the user stated put on the corrected clock.

    Raises
    ------
    UsageError
        When the references cannot be right.
    """
    from vidspin.clock import rate_of
    from vidspin.uncertainty import rectangular

    frame_s, duration_s = 1.0 / float(facts.frame_rate), facts.duration_s
    learnt = settings.camera.clock_ppm if settings.camera else None
    late = [one.typed for one in settings.references if one.recorded_s > duration_s + frame_s]
    if late:
        raise UsageError(
            f"{late[0]!r} lies behind the end at {duration_s:.2f} s", where=OPTION, do=_EXAMPLE
        )
    between = rectangular(frame_s / 2)
    references = tuple(
        replace(one, u_recorded_s=math.hypot(one.u_recorded_s, between))
        if one.u_recorded_s > 0
        else one
        for one in settings.references
    )
    try:
        clock = rate_of(references, learnt, settings.clock_half_width_ppm)
    except ValueError as error:
        raise UsageError(
            str(error), where=OPTION, do="check the instants, or state --captured-at"
        ) from error
    true = 1.0 / (1.0 + 1e-6 * clock.value)
    release_s, topple_s = (
        None if t is None else t * true for t in (settings.release_s, settings.topple_s)
    )
    return replace(
        settings, references=references, clock=clock, release_s=release_s, topple_s=topple_s
    )
