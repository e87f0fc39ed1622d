"""How was the true speed told from those that look alike, in words that a layman can follow?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from vidspin.report.basis import reference_words
from vidspin.report.data import ReportData
from vidspin.report.story import SPEED_UNIT
from vidspin.units import rad_from_turns, rpm_from_rad_s
from vidspin.wording import odds, percent, signed, told_unseen

# How far a speed lies behind the one that a cue likes best (natural logarithm of the odds), in
# words.  The bounds are 3:1, 20:1 and 1000:1; the last is what the verdict itself asks for.
_FITS, _LESS, _UNLIKELY = math.log(3), math.log(20), math.log(1000)
ABSTAINS = "abstains"
# More candidates than this are told as a number, so that a table stays readable.
MOST_SHOWN = 12
_BILLION = 1e9
_MILLION = 1e6

# Name of the cue in the result: its title, and what it looks at.
CUES = {
    "run-down": (
        "The slow end",
        "Near its end a top turns so slowly that the pictures leave no doubt. From there the "
        "speed is followed back to the start without a break.",
    ),
    "drift": (
        "The way it slows",
        "A free top can only slow down. Whether the seen speed creeps up or down therefore tells "
        "which way round the top turns.",
    ),
    "rolling shutter": (
        "The skew of the camera",
        "A phone reads each picture line by line. A moving mark is therefore seen a little ahead "
        "on one side of its circle and a little behind on the other; the faster it really moves, "
        "the more.",
    ),
    "exposure smear": (
        "The length of the blur",
        "While a picture is exposed the mark moves on and blurs. The faster it really moves, the "
        "longer the blur.",
    ),
    "camera profile": (
        "The camera, known from before",
        "The readout of this camera, and how long it exposes a picture, is known from other "
        "recordings. A speed that would need another camera does not fit.",
    ),
    "bounds": (
        "The limits",
        "Only speeds within stated limits are looked at.",
    ),
    "sound": (
        "The sound",
        "A top that is a little out of true hums at its own rate of turning.",
    ),
    "uneven frame times": (
        "Uneven pictures",
        "Where the distance between pictures varies, a look-alike speed no longer fits all of "
        "them.",
    ),
}


COLUMNS = (
    "Alias order: whole turns (with several equal marks, parts of a turn) from one picture to the "
    "next that the pictures do not show. Needs readout: the camera's readout, the time from the "
    "first to the last row of a picture, if this speed were true; below zero the last stored row "
    "is read first."
)


@dataclass(frozen=True, slots=True)
class CandidateView:
    """A speed that the pictures allow."""

    order: int
    name: str  # the order with its sign, which stands for the candidate in every table
    rpm: str
    direction: str
    probability: str
    share: float  # 0-1, for a bar
    readout: str
    best: bool


@dataclass(frozen=True, slots=True)
class CueView:
    """What one line of evidence says."""

    name: str
    title: str
    looks_at: str
    says: str
    note: str
    silent: bool
    cells: tuple[str, ...]  # one word a candidate, in their order


def why_it_matters(data: ReportData) -> list[str]:
    """Explain to a layman why there is a question at all."""
    recording, marks = data.document["recording"], data.document["marks"]
    rate = float(Fraction(recording["frame_rate"]))
    step = rpm_from_rad_s(rad_from_turns(rate / marks))
    return [
        "A film is a row of separate pictures. Between two of them a fast top may turn a little, "
        "or once round and a little, or twice round and a little: the pictures are the same. It "
        "is why wheels in films seem to stand still or to turn backwards.",
        f"With {rate:.6g} pictures a second and "
        f"{'one mark' if marks == 1 else f'{marks} equal marks'} on the top, speeds that are "
        f"{step:.6g} {SPEED_UNIT} apart look alike. The cues below tell them apart. Each was "
        "asked on its own, and each may abstain.",
    ]


def outcome(data: ReportData) -> str:
    """Say how the question was answered."""
    alias = data.document["alias"]
    low, high = alias["bounds_rpm"]
    by_person = alias["bounds_from"] == "user"
    source = "as a person stated" if by_person else "the usual limits of a start by hand"
    limits = f"Speeds from {low:g} to {high:g} {SPEED_UNIT} were considered ({source})."
    unseen = told_unseen(str(cue["note"]) for cue in alias["cues"])
    if unseen and low > 0:
        limits += f" At the first sighting: {unseen}."
    needed = odds_in_words(alias["odds_needed"])
    stands = odds_in_words(alias["odds"])
    if not data.resolved:
        return (
            f"Answer: open. The likeliest speed stands at {stands} against all others together; "
            f"{needed} is asked for before a speed is named. {limits}"
        )
    return (
        f"Answer: one speed stands at {stands} against all others together; {needed} was asked "
        f"for. {limits}"
    )


def odds_in_words(value: float | None) -> str:
    """Write odds so that they can be read aloud."""
    if value is None:
        return "odds that are not known"
    if value >= _BILLION:
        return "more than a billion to 1"
    if value >= _MILLION:
        return "more than a million to 1"
    return odds(value).replace(":", " to ")


def candidates(data: ReportData) -> list[CandidateView]:
    """List the speeds that look alike, the likeliest first."""
    alias = data.document["alias"]
    return [
        CandidateView(
            order=candidate["order"],
            name=signed(candidate["order"]),
            rpm=f"{abs(candidate['rpm']):.1f}",
            direction=candidate["direction"],
            probability=percent(candidate["probability"] or 0.0),
            share=float(candidate["probability"] or 0.0),
            readout=_milliseconds(candidate["readout_s"]),
            best=data.resolved and index == 0,
        )
        for index, candidate in enumerate(alias["candidates"][:MOST_SHOWN])
    ]


def when(data: ReportData) -> str:
    """Return the instant to which the candidate speeds belong."""
    return reference_words(data)


def _milliseconds(seconds: float | None) -> str:
    return "not known" if seconds is None else f"{1000 * seconds:.1f} ms"


def cues(data: ReportData) -> list[CueView]:
    """List what each cue says to each candidate."""
    return [_cue(cue) for cue in data.document["alias"]["cues"]]


def _cue(cue: dict[str, Any]) -> CueView:
    title, looks_at = CUES.get(cue["name"], (cue["name"], ""))
    silent = cue["says"] == ABSTAINS
    values = cue["log_odds"][:MOST_SHOWN]
    known = [value for value in values if value is not None]
    best = max(known, default=0.0)
    cells = tuple("silent" if silent else _word(value, best) for value in values)
    return CueView(cue["name"], title, looks_at, cue["says"], cue["note"], silent, cells)


def _word(value: float | None, best: float) -> str:
    behind = math.inf if value is None else best - value
    if behind <= _FITS:
        return "fits"
    if behind <= _LESS:
        return "fits less"
    return "unlikely" if behind <= _UNLIKELY else "ruled out"
