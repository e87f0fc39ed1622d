"""What do the analyses need of one attempt?

An `Attempt` is what they read of a stored result: the facts, the ends of the spin, the speeds
and the phase.  It is made from the parsed document and tables and knows no file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vidspin.errors import UsageError
from vidspin.facts import fact_text, facts_from_table, printable
from vidspin.records import BoolArray, Fact, FloatArray, IntArray
from vidspin.regression import continuous_phase, whole_turns
from vidspin.units import RAD_PER_TURN, rad_s_from_rpm
from vidspin.wording import ONE_TURNS

# Rows state u95 with k near 2; the tables do not hold k itself.
ROW_K = 2.0
# Between rows this far apart the whole turns are not counted: the phase starts anew.
LONGEST_BRIDGE_S = 10.0
MOST_OFF = 0.125  # of the distance of equal marks: a prediction of a gap that is further off
FEWEST_ROWS = 3
MEASURED = "measured"  # a date that tells when it was measured, not when it was filmed


@dataclass(frozen=True, slots=True)
class End:
    """Release or topple, where it is in the recording and the speed at it is known."""

    time_s: float
    u95_s: float
    rpm: float
    u95_rpm: float


@dataclass(frozen=True, slots=True)
class Rows:
    """Speeds of the free spin; M rows, only those that are known."""

    time_s: FloatArray  # (M,) ascending
    speed_rad_s: FloatArray  # (M,) above zero
    u_rad_s: FloatArray  # (M,) standard, without the clock

    def only(self, keep: BoolArray) -> Rows:
        """Return some of the rows."""
        return Rows(self.time_s[keep], self.speed_rad_s[keep], self.u_rad_s[keep])


@dataclass(frozen=True, slots=True)
class Phase:
    """Turned angle of the free spin, whole turns counted; N sightings."""

    time_s: FloatArray  # (N,) mid-exposure of the middle row
    angle_rad: FloatArray  # (N,) continuous within a segment, growing with the spin
    u_rad: FloatArray  # (N,) standard, as stated by the sighting
    segment: IntArray  # (N,) sightings of one number are on one count of turns

    def only(self, keep: BoolArray) -> Phase:
        """Return some of the sightings."""
        return Phase(
            self.time_s[keep], self.angle_rad[keep], self.u_rad[keep], self.segment[keep]
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Gap:
    """Time between two chapters that rows, phase and topple are already moved by."""

    time_s: float  # first instant after it
    u_s: float  # standard: all that comes later shares it


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt as the analyses see it."""

    name: str
    facts: dict[str, Fact] = field(default_factory=dict)
    resolved: bool = True
    candidates: tuple[tuple[float, float], ...] = ()  # (rev/min without sign, probability)
    release: End | None = None
    topple: End | None = None
    spin_time_s: float | None = None
    u95_spin_time_s: float | None = None
    at_least_s: float | None = None
    revolutions: float | None = None
    u95_revolutions: float | None = None
    rows: Rows | None = None
    phase: Phase | None = None
    u_clock: float = 0.0  # standard, share of every time and every speed
    frame_s: float = 0.0
    recorded: str = ""  # ISO 8601; when it was filmed as far as anybody tells
    recorded_from: str = ""  # "told", "file" or `MEASURED`
    filmed: str = ""  # ISO 8601, as the file itself tells, whatever else is told
    sha256: tuple[str, ...] = ()
    release_s: float | None = None  # instant of a release that was seen, its speed known or not
    topple_s: float | None = None
    topple_filmed: bool = False  # also where its instant is not known behind an untold gap
    gaps: tuple[Gap, ...] = ()
    part: str = ""  # why rows and phase are those of a part of the spin only
    doubts: tuple[str, ...] = ()  # touches and failed checks, in words

    def fact(self, key: str) -> str:
        """Return a fact in words, an empty text where nobody told it."""
        return fact_text(self.facts.get(key))

    @property
    def broken_off(self) -> bool:
        """Whether the recording ends before the topple."""
        return self.fell_s is None and not self.topple_filmed

    @property
    def released_s(self) -> float | None:
        """Instant of the release, whatever is known of its speed."""
        return self.release.time_s if self.release is not None else self.release_s

    @property
    def fell_s(self) -> float | None:
        """Instant of the topple, whatever is known of its speed."""
        return self.topple.time_s if self.topple is not None else self.topple_s

    def u_between(self, from_s: FloatArray, to_s: FloatArray) -> FloatArray:
        """Doubt that chapters leave in the time from one instant to another, standard, s."""
        square = np.zeros(np.broadcast(from_s, to_s).shape)
        for gap in self.gaps:
            square += np.where((from_s < gap.time_s) & (gap.time_s <= to_s), gap.u_s**2, 0.0)
        return np.sqrt(square)


def attempt_from(
    name: str,
    document: Mapping[str, Any],
    speed: Mapping[str, FloatArray],
    sightings: Mapping[str, NDArray[Any]],
) -> Attempt:
    """Draw up the attempt that a stored result describes.

    Parameters
    ----------
    name : str
        What to call it, such as the name of the recording.
    document : mapping
        ``spin.json``.
    speed : mapping of str to ndarray, shape (M,)
        Columns of ``speed.csv``.
    sightings : mapping of str to ndarray, shape (N,)
        Arrays of ``sightings.npz``.

    Returns
    -------
    Attempt
        Without rows, phase and speeds while the alias order is unresolved: no single speed of
        such a result may enter an analysis.  Instants are as stated, with one frame interval
        between chapters; `chapters.put_together` moves them to their places.
    """
    resolved = bool(document["alias"]["resolved"])
    spin, turned = document["spin_time"] or {}, document["revolutions"] or {}
    release_s, topple_s = (_instant(document[kind]) for kind in ("release", "topple"))
    rows = _rows(speed, release_s, topple_s) if resolved else None
    recorded, source = _recorded(document)
    filmed = bool(document["topple"] and document["topple"]["seen"])
    return Attempt(
        name=printable(name, most=120),
        facts=facts_from_table(document.get("facts", {}), where=name),
        resolved=resolved,
        candidates=tuple(
            (abs(float(c["rpm"])), float(c["probability"] or 0.0))
            for c in document["alias"]["candidates"]
        ),
        release=_end(document["release"]) if resolved else None,
        topple=_end(document["topple"]) if resolved else None,
        spin_time_s=spin.get("seconds"),
        u95_spin_time_s=spin.get("u95_s"),
        at_least_s=spin.get("at_least_s"),
        revolutions=turned.get("count"),
        u95_revolutions=turned.get("u95"),
        rows=rows,
        phase=None if rows is None else _phase(document, rows, sightings),
        u_clock=1e-6 * float((document["camera"]["clock_ppm"] or {}).get("u") or 0.0),
        frame_s=float(1 / Fraction(document["recording"]["frame_rate"])),
        recorded=recorded,
        recorded_from=source,
        filmed=_filmed(document),
        sha256=tuple(str(chapter["sha256"]) for chapter in document["recording"]["chapters"]),
        release_s=release_s,
        topple_s=topple_s,
        topple_filmed=filmed,
        doubts=_doubts(document),
    )


def _doubts(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Say what speaks against one free spin, undisturbed and truly filmed."""
    touches = len(document["touches"])
    told = [f"touched {touches} times" if touches > 1 else "touched once"] if touches else []
    failed = [c for c in document["checks"] if c["state"] == "fail"]
    two = [c for c in document["checks"] if c["name"] == ONE_TURNS and c["state"] == "unchecked"]
    told += ["another thing turns too: which was meant is not known"] if two else []
    return (
        *told,
        *(printable(f"check failed: {c['name']} ({c['figure']})", most=120) for c in failed),
    )


def _instant(event: Mapping[str, Any] | None) -> float | None:
    return None if event is None or not event["seen"] else event["time_s"]


def _end(event: Mapping[str, Any] | None) -> End | None:
    if event is None or not event["seen"] or event["time_s"] is None or event["rpm"] is None:
        return None
    return End(
        float(event["time_s"]),
        float(event["u95_s"] or 0.0),
        float(event["rpm"]),
        float(event["u95_rpm"] or 0.0),
    )


def _recorded(document: Mapping[str, Any]) -> tuple[str, str]:
    """Say when it was filmed: a person's word, else the file's, else when it was measured."""
    told = fact_text(document.get("facts", {}).get("date"))
    if told:
        return told, "told"
    filmed = _filmed(document)
    return (filmed, "file") if filmed else (str(document["created"]), MEASURED)


def _filmed(document: Mapping[str, Any]) -> str:
    times = [c["tags"].get("creation_time") for c in document["recording"]["chapters"]]
    return next((str(one) for one in times if one), "")


def _rows(
    speed: Mapping[str, FloatArray], release_s: float | None, topple_s: float | None
) -> Rows | None:
    """Take the known speeds; what lies beyond an end, a stated one too, is no free spin."""
    known = np.isfinite(speed["rpm"]) & np.isfinite(speed["u95_rpm_excl_clock"])
    known &= (speed["rpm"] > 0) & (speed["u95_rpm_excl_clock"] > 0)
    known &= speed["time_s"] >= (-np.inf if release_s is None else release_s)
    known &= speed["time_s"] <= (np.inf if topple_s is None else topple_s)
    if np.count_nonzero(known) < FEWEST_ROWS:
        return None
    return Rows(
        speed["time_s"][known],
        rad_s_from_rpm(speed["rpm"][known]),
        rad_s_from_rpm(speed["u95_rpm_excl_clock"][known]) / ROW_K,
    )


def _phase(
    document: Mapping[str, Any], rows: Rows, sightings: Mapping[str, NDArray[Any]]
) -> Phase | None:
    """Count the whole turns between the sightings that carried the speed."""
    offset = (document["camera"]["centre_row_offset_s"] or {}).get("value") or 0.0
    sign = -1.0 if document["direction"] == "counterclockwise" else 1.0
    used = (sightings["flags"] == 0) & np.isfinite(sightings["residual_rad"])
    used &= np.isfinite(sightings["angle_rad"]) & (sightings["u_rad"] > 0)
    if np.count_nonzero(used) < FEWEST_ROWS:
        return None
    time = sightings["time_s"][used].astype(np.float64) + offset
    return counted(
        time,
        sign * sightings["angle_rad"][used].astype(np.float64),
        sightings["u_rad"][used].astype(np.float64),
        rows,
        chapter=sightings["chapter"][used].astype(np.int64),
        period_rad=RAD_PER_TURN / int(document["marks"]),
    )


def counted(  # noqa: PLR0913 - three columns of sightings, the rows, two choices
    time_s: FloatArray,
    angle_rad: FloatArray,
    u_rad: FloatArray,
    rows: Rows,
    *,
    chapter: IntArray | None = None,
    period_rad: float = RAD_PER_TURN,
) -> Phase:
    """Make wrapped angles continuous with the speeds of the rows.

    Parameters
    ----------
    time_s, angle_rad, u_rad : ndarray, shape (N,)
        Sightings, angles growing with the spin and known up to `period_rad`.
    rows : Rows
        Speeds, alias order known.
    chapter : ndarray of int, shape (N,), optional
        File of each sighting: across a seam the turns are not counted.
    period_rad : float
        A turn ÷ number of equal marks.

    Returns
    -------
    Phase
        Segments begin at seams, where nothing is seen for `LONGEST_BRIDGE_S`, and where the rows
        do not tell the turns of a shorter gap.

    Notes
    -----
    Between two frames the speed at their middle predicts the turns.  A chord between rows *G* apart
    is off by the slope's change over it times *G* / 8 at most: for a run-down of an hour a small
    part of a turn in a gap of some seconds, for one of a minute more than that.
    """
    middle, gap_s = 0.5 * (time_s[1:] + time_s[:-1]), np.diff(time_s)
    predicted = np.interp(middle, rows.time_s, rows.speed_rad_s)
    turns = whole_turns(time_s, angle_rad, predicted, period_rad=period_rad)
    angle = continuous_phase(angle_rad, turns, period_rad=period_rad)
    off_rad = _chord_off_rad_s(rows, middle, gap_s) * gap_s
    breaks = (gap_s > LONGEST_BRIDGE_S) | (off_rad > MOST_OFF * period_rad)
    if chapter is not None:
        breaks |= np.diff(chapter) != 0
    segment = np.concatenate([[0], np.cumsum(breaks)]).astype(np.int64)
    return Phase(time_s, angle, u_rad, segment)


def _chord_off_rad_s(rows: Rows, at_s: FloatArray, gap_s: FloatArray) -> FloatArray:
    """By how much the speed may lie off the chord between the rows beside it."""
    t = rows.time_s
    slope = np.gradient(rows.speed_rad_s, t)
    k = np.clip(np.searchsorted(t, at_s) - 1, 0, len(t) - 2)
    bend = np.abs(slope[np.minimum(k + 2, len(t) - 1)] - slope[np.maximum(k - 1, 0)])
    return np.asarray(bend * np.maximum(np.diff(t)[k], gap_s) / 8)


def refuse_twins(attempts: Sequence[Attempt], where: str) -> None:
    """Refuse attempts that were measured on the same footage: one start is no two repeats.

    Raises
    ------
    UsageError
        When two of them share a file, by its SHA-256.
    """
    owner: dict[str, str] = {}
    for attempt in attempts:
        for digest in attempt.sha256:
            if digest in owner:
                both = f"{owner[digest]} and {attempt.name}"
                raise UsageError(
                    f"{both} are results of the same recording", where=where,
                    do="leave one of them out",
                )  # fmt: skip
        owner |= dict.fromkeys(attempt.sha256, attempt.name)


def with_facts(attempt: Attempt, facts: Mapping[str, Fact]) -> Attempt:
    """Return the attempt with more facts told; a date among them is when it was recorded."""
    when = fact_text(facts.get("date"))
    more = replace(attempt, facts={**attempt.facts, **facts})
    return replace(more, recorded=when, recorded_from="told") if when else more


def cut_at(attempt: Attempt, until_s: float) -> Attempt:
    """Return the attempt as if the recording ended at an instant.

    Parameters
    ----------
    attempt : Attempt
    until_s : float
        Seconds from the first frame; what comes later is forgotten, the topple with it.
    """
    rows, phase = attempt.rows, attempt.phase
    if rows is not None:
        rows = rows.only(rows.time_s < until_s)
        rows = rows if len(rows.time_s) >= FEWEST_ROWS else None
    if phase is not None:
        phase = phase.only(phase.time_s < until_s)
    return replace(
        attempt, rows=rows, phase=phase, topple=None, spin_time_s=None, u95_spin_time_s=None,
        revolutions=None, u95_revolutions=None,
        at_least_s=max(until_s - (attempt.released_s or 0.0), 0.0), topple_s=None,
        topple_filmed=False, gaps=tuple(gap for gap in attempt.gaps if gap.time_s < until_s),
    )  # fmt: skip
