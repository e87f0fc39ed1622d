"""Which stills does a result folder hold, and what are they called?

One rule for the writer of the pictures, for ``spin.json`` and for the reports.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from vidspin.records import ByteArray, Result, Strip

TIMELINE = "timeline"


@dataclass(frozen=True, slots=True)
class Still:
    """One picture of the recording.

    Attributes
    ----------
    file : str
        Name in the result folder.
    kind : str
        Event that it belongs to (``release``, ``topple``, ``touch``, ``touch-2`` ...), or
        ``timeline`` for whole frames at round distances.
    time_s : float
        Scene seconds from the first frame.
    picture : ndarray, shape (rows, columns)
        As stored, 8 bit.
    """

    file: str
    kind: str
    time_s: float
    picture: ByteArray


def stills(result: Result) -> tuple[Still, ...]:
    """List the stills of a result, events first, each in order of time.

    Parameters
    ----------
    result : Result
        What was measured.

    Returns
    -------
    tuple of Still
        Named ``still-<kind>-<number>.jpg``.
    """
    found: list[Still] = []
    seen: dict[str, int] = {}
    for strip in result.strips:
        seen[strip.kind] = seen.get(strip.kind, 0) + 1
        alike = seen[strip.kind]
        found += _of(strip, strip.kind if alike == 1 else f"{strip.kind}-{alike}")
    if result.timeline is not None:
        found += _of(result.timeline, TIMELINE)
    return tuple(found)


def _of(strip: Strip, kind: str) -> Iterator[Still]:
    for number, (time_s, picture) in enumerate(
        zip(strip.time_s.tolist(), strip.pictures, strict=True), start=1
    ):
        yield Still(f"still-{kind}-{number:02d}.jpg", kind, float(time_s), picture)
