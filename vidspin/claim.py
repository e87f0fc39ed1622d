"""Does the claim hold? Conformity with a stated limit, and agreement with witnesses.

A claim sets a limit (or two) that the true value must meet.  The measured value with its
uncertainty gives the probability that it does, and a decision rule turns value, uncertainty
and limit into a verdict.  What is in doubt beside the number (an end that was not filmed, an
order that is not known, a check that failed) can only take a verdict back to *undecided*.

References
----------
JCGM 106:2012, 7 (conformance probability), 8.2 (simple acceptance), 8.3 (guard bands);
ISO 14253-1 (proof of conformity and of nonconformity: the uncertainty counts against whoever
proves); ISO 13528 and ISO/IEC 17043 (E_n number).  All from memory and secondary copies; the
worked examples in ``tests/published`` say which values are printed where.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from scipy import stats

from vidspin.uncertainty import NORMAL_95
from vidspin.wording import at_least
from vidspin.wording import odds as words_of_odds

SUPPORTED = "supported"
NOT_SUPPORTED = "not supported"
UNDECIDED = "undecided"

# Checks that must have passed, not merely not failed, before a recording supports a claim:
# without them nothing shows that it is one unbroken, unaided spin.
NEEDED_CHECKS = ("phase continuity", "speed falls")


# ------------------------------------------------------------------------ conformity


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured value with its standard and expanded uncertainty (95 %)."""

    value: float
    u: float
    u95: float


@dataclass(frozen=True, slots=True)
class Limits:
    """Tolerance limits that the true value must keep to; None is no limit on that side."""

    lower: float | None = None
    upper: float | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """A decision rule: how many expanded uncertainties the guard band is wide."""

    name: str
    guard: float
    source: str


RULES: dict[str, Rule] = {
    "guarded": Rule("guarded acceptance", 1.0, "w = U, JCGM 106:2012 8.3.2 and ISO 14253-1"),
    "simple": Rule("simple acceptance", 0.0, "no guard band, JCGM 106:2012 8.2"),
}


def conformance_probability(value: float, u: float, limits: Limits) -> float:
    """Return the probability that the true value keeps to the limits.

    Parameters
    ----------
    value, u : float
        Measured value and its standard uncertainty, 0 or more.
    limits : Limits

    Returns
    -------
    float
        For a normal distribution about `value`, JCGM 106:2012 equations (7) to (9).
    """
    if u < 0 or not math.isfinite(value) or not math.isfinite(u):
        raise ValueError(f"no measured value: {value} with standard uncertainty {u}")
    if u == 0:
        return float(_inside(value, limits))
    below = 0.0 if limits.lower is None else stats.norm.cdf((limits.lower - value) / u)
    above = 0.0 if limits.upper is None else stats.norm.sf((limits.upper - value) / u)
    return float(max(0.0, 1.0 - below - above))


def _inside(value: float, limits: Limits, band: float = 0.0) -> bool:
    """Whether a value keeps to limits that are drawn in by `band` (negative: widened)."""
    low_ok = limits.lower is None or value >= limits.lower + band
    return low_ok and (limits.upper is None or value <= limits.upper - band)


def decide(measured: Measured, limits: Limits, rule: Rule) -> str:
    """Decide by a rule: supported, not supported, or (within the guard bands) undecided.

    Parameters
    ----------
    measured : Measured
    limits : Limits
    rule : Rule
        Its guard band is on both sides of a limit: inside it for proof that the limit is
        kept, outside it for proof that it is not.

    Returns
    -------
    str
    """
    band = rule.guard * measured.u95
    if _inside(measured.value, limits, band):
        return SUPPORTED
    return UNDECIDED if _inside(measured.value, limits, -band) else NOT_SUPPORTED


def e_number(value: float, u95: float, reference: float, u95_reference: float) -> float:
    """Compare a value with another one: their difference in combined expanded uncertainties.

    Parameters
    ----------
    value, u95 : float
        The value that is compared and its expanded uncertainty.
    reference, u95_reference : float

    Returns
    -------
    float
        ``(value - reference) / sqrt(u95**2 + u95_reference**2)``; both agree where it lies
        between -1 and 1.  The two uncertainties must not share a source.

    References
    ----------
    ISO 13528:2015 9.7 and ISO/IEC 17043:2010 B.3.1.3 e) (clause numbers from memory).
    """
    combined = math.hypot(u95, u95_reference)
    if combined == 0:
        raise ValueError("two values without uncertainty cannot be compared")
    return (value - reference) / combined


# -------------------------------------------------------------------------- evidence


@dataclass(frozen=True, slots=True)
class Condition:
    """What stands beside the number: a finding and which verdicts it forbids."""

    text: str
    forbids: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one result says about a claim."""

    name: str
    spin_time: Measured | None  # s
    release_rpm: Measured | None
    time_lacking: str  # why no spin time can be judged, empty where one can
    speed_lacking: str
    resolved: bool
    conditions: tuple[Condition, ...]  # for claims of either kind
    time_conditions: tuple[Condition, ...]  # for claims about the spin time only
    speed_conditions: tuple[Condition, ...]


def evidence_of(document: Mapping[str, Any]) -> Evidence:
    """Gather from a stored result (``spin.json``) what bears on a claim.

    Parameters
    ----------
    document : mapping
        As `vidspin.store.read_result` gives it.

    Returns
    -------
    Evidence
    """
    alias = document["alias"]
    ends = {kind: document[kind] for kind in ("release", "topple")}
    spin = document["spin_time"] or {}
    both = (SUPPORTED, NOT_SUPPORTED)
    unseen = [kind for kind, end in ends.items() if end is None or not end["seen"]]
    time, time_lacking = _spin_time(spin, unseen)
    time_conditions = [
        Condition(f"the {kind} is not seen in the recording", both) for kind in unseen
    ]
    # a topple out of the recording says nothing of the speed at the release, but the spin that
    # the claim belongs to is then not whole: no support, though a wrong speed stays wrong
    speed_conditions = [
        Condition(
            f"the {kind} is not seen in the recording", both if kind == "release" else both[:1]
        )
        for kind in unseen
    ]
    if not alias["resolved"]:
        known, needed = alias.get("odds"), words_of_odds(alias["odds_needed"])
        said = "" if known is None else f" (odds {words_of_odds(known)}, {needed} needed)"
        text = f"the alias order is unresolved{said}"
        time_conditions.append(Condition(text, (SUPPORTED,)))
        speed_conditions.append(Condition(text, both))
    speed, speed_lacking = _release_speed(document)
    return Evidence(
        name=_printable(str(document["recording"]["name"])),
        spin_time=time,
        release_rpm=speed,
        time_lacking=time_lacking,
        speed_lacking=speed_lacking,
        resolved=bool(alias["resolved"]),
        conditions=(*_check_conditions(document), *_remarks(document, ends)),
        time_conditions=tuple(time_conditions),
        speed_conditions=tuple(speed_conditions),
    )


def _printable(text: str) -> str:
    """Text from a file is data: what a terminal would obey becomes a space."""
    return "".join(c if c.isprintable() else " " for c in text)


def _only_whole(unseen: Sequence[str]) -> str:
    """Say what a lower limit lacks to support a claim."""
    lacking = "both ends were filmed" if unseen else "the time between two files is known"
    return f"claims are supported only where {lacking}"


def _spin_time(spin: Mapping[str, Any], unseen: Sequence[str]) -> tuple[Measured | None, str]:
    """Return the spin time, or None and why none can be judged."""
    seconds, u95, least = (spin.get(key) for key in ("seconds", "u95_s", "at_least_s"))
    if seconds is not None and u95:
        return Measured(seconds, u95 / NORMAL_95, u95), ""
    if seconds is not None:
        return None, _bare(f"{seconds:.2f} s of spin time")
    if least is not None:
        return None, f"{at_least(least, 's')} is measured, but {_only_whole(unseen)}"
    return None, "no spin time is known"


def _release_speed(document: Mapping[str, Any]) -> tuple[Measured | None, str]:
    """Return the speed at the release, or None and why none can be judged."""
    end, resolved = document["release"], document["alias"]["resolved"]
    if not resolved or not end or not end["seen"] or end["rpm"] is None:
        why = end.get("speed_lacking") if end and resolved else None
        words = "no single speed at the release is known"
        return None, f"{words}: {_printable(why)}" if why else words
    if not end["u95_rpm"]:
        return None, _bare(f"{end['rpm']:.1f} rev/min at the release")
    totals = [t for t in document["budget_totals"] if t["at"] == "release" and t["k"]]
    k = float(totals[0]["k"]) if totals else NORMAL_95
    return Measured(end["rpm"], end["u95_rpm"] / k, end["u95_rpm"]), ""


def _bare(value: str) -> str:
    """Say why a value without uncertainty decides nothing: an absent one is not one of zero."""
    return f"the result states {value} without an uncertainty: how far it may be off is not known"


def _check_conditions(document: Mapping[str, Any]) -> list[Condition]:
    """List failed checks, which forbid either verdict, and needed ones that were not made."""
    found = []
    told = set()
    for check in document["checks"]:
        name, figure = (_printable(str(check[key])) for key in ("name", "figure"))
        told.add(name)
        if check["state"] == "fail":
            text = f"check failed: {name} ({figure})"
            found.append(Condition(text, (SUPPORTED, NOT_SUPPORTED)))
        elif check["state"] != "pass" and (name in NEEDED_CHECKS or check.get("look")):
            forbids = (SUPPORTED,) if name in NEEDED_CHECKS else ()
            found.append(Condition(f"could not be checked: {name} ({figure})", forbids))
        elif check.get("look"):
            found.append(Condition(f"a person should look: {name} ({figure})"))
    lacking = [name for name in NEEDED_CHECKS if name not in told]
    return found + [Condition(f"check not made: {name}", (SUPPORTED,)) for name in lacking]


def _remarks(document: Mapping[str, Any], ends: Mapping[str, Any]) -> list[Condition]:
    """List what is to be known with the verdict but forbids none."""
    found = []
    turned = document["revolutions"] or {}
    if turned.get("unseen_s"):
        found.append(Condition(f"the mark was not seen for {turned['unseen_s']:.1f} s in all"))
    for kind, end in ends.items():
        if end and end["overruled"]:
            own, own_u95 = end["measured_s"], end.get("measured_u95_s")
            told = "" if own is None else f"{own:.3f} s"
            told += f" ± {own_u95:.3f} s" if told and own_u95 is not None else ""
            said = f"the program's own: {told}" if told else "the program saw none"
            found.append(Condition(f"the {kind} is stated by a reviewer ({said})"))
    alias = document["alias"]
    if alias["resolved"]:
        low, high = alias["bounds_rpm"]
        source = "as the user states" if alias["bounds_from"] == "user" else "by default"
        odds = alias["odds"]
        told = "not stated" if odds is None else words_of_odds(odds)
        said = f"odds of the alias order: {told}"
        if len(alias["candidates"]) == 1:  # nothing was weighed against it
            said = "only one alias order fits"
        text = f"{said}, within {low:g} to {high:g} rev/min {source}"
        found.append(Condition(text))
    return found


# --------------------------------------------------------------------------- verdict


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one recording says about one claim."""

    claim: str  # in words
    unit: str
    limits: Limits
    state: str  # SUPPORTED, NOT_SUPPORTED or UNDECIDED
    measured: Measured | None
    probability: float | None  # that the limits are kept, from the measured value alone
    rule: Rule
    guard: float | None  # width of the guard band
    reason: str
    conditions: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """A witness's reading beside the measured spin time."""

    seconds: float
    u95_s: float
    e_number: float | None  # None: there is no spin time with an uncertainty

    @property
    def agrees(self) -> bool | None:
        """Whether both agree within their uncertainties, |E_n| <= 1."""
        return None if self.e_number is None else abs(self.e_number) <= 1.0


def judge_time(
    evidence: Evidence, claim: str, limits: Limits, rule: Rule, *, u95_limit: float = 0.0
) -> Verdict:
    """Judge a claim about the spin time.

    Parameters
    ----------
    evidence : Evidence
    claim : str
        The claim in words.
    limits : Limits
        In seconds.
    rule : Rule
    u95_limit : float
        Expanded uncertainty of the limit itself, where it was measured.

    Returns
    -------
    Verdict
    """
    conditions = (*evidence.time_conditions, *evidence.conditions)
    measured = _with_limit(evidence.spin_time, u95_limit)
    return _judge(claim, "s", limits, measured, rule, conditions, evidence.time_lacking)


def judge_speed(
    evidence: Evidence, claim: str, limits: Limits, rule: Rule, *, other: Evidence | None = None
) -> Verdict:
    """Judge a claim about the speed at the release.

    Parameters
    ----------
    evidence : Evidence
    claim : str
    limits : Limits
        In rev/min; with `other` on the difference of both speeds.
    rule : Rule
    other : Evidence, optional
        Another recording whose speed is the one to beat.

    Returns
    -------
    Verdict
    """
    conditions = [*evidence.speed_conditions, *evidence.conditions]
    measured = evidence.release_rpm
    lacking = evidence.speed_lacking
    if other is not None:
        theirs = (*other.speed_conditions, *other.conditions)
        conditions += [Condition(f"{other.name}: {c.text}", c.forbids) for c in theirs]
        if measured is not None and other.release_rpm is None:
            measured, lacking = None, f"{other.name}: {other.speed_lacking}"
        elif measured is not None and other.release_rpm is not None:
            measured = _difference(measured, other.release_rpm)
    return _judge(claim, "rev/min", limits, measured, rule, conditions, lacking)


def compare_reading(evidence: Evidence, seconds: float, u95_s: float) -> Comparison:
    """Compare a witness's reading with the measured spin time by its E_n number."""
    own = evidence.spin_time
    if own is None:
        return Comparison(seconds, u95_s, None)
    return Comparison(seconds, u95_s, e_number(seconds, u95_s, own.value, own.u95))


def with_readings(evidence: Evidence, compared: Sequence[Comparison]) -> Evidence:
    """Put readings that disagree among the conditions of claims about the spin time.

    Notes
    -----
    They forbid no verdict, like every finding that a person should look at: one honest reading in
    twenty is further off than its 95 % uncertainty, and whose fault it is no rule can tell.
    """
    found = tuple(
        Condition(
            f"a person should look: stopwatch {number} disagrees with the measured spin time "
            f"(E_n = {one.e_number:.2f})"
        )
        for number, one in enumerate(compared, start=1)
        if one.e_number is not None and not one.agrees
    )
    return replace(evidence, time_conditions=(*evidence.time_conditions, *found))


def _with_limit(measured: Measured | None, u95_limit: float) -> Measured | None:
    if measured is None or u95_limit == 0:
        return measured
    u = math.hypot(measured.u, u95_limit / NORMAL_95)
    return Measured(measured.value, u, math.hypot(measured.u95, u95_limit))


def _difference(one: Measured, other: Measured) -> Measured:
    """Difference of two independent values; clocks of two cameras do not share their error."""
    return Measured(
        one.value - other.value, math.hypot(one.u, other.u), math.hypot(one.u95, other.u95)
    )


def _judge(  # noqa: PLR0913 - a verdict's own fields
    claim: str,
    unit: str,
    limits: Limits,
    measured: Measured | None,
    rule: Rule,
    conditions: Sequence[Condition],
    lacking: str,
) -> Verdict:
    if measured is None:
        return Verdict(
            claim, unit, limits, UNDECIDED, None, None, rule, None, lacking, tuple(conditions)
        )
    state = decide(measured, limits, rule)
    reason = _reason(state, rule)
    against = [c.text for c in conditions if state in c.forbids]
    if against:
        reason = f"by its number alone it would be {state}, but {against[0]}"
        if len(against) > 1:
            reason += f" ({len(against) - 1} more below)"
        state = UNDECIDED
    return Verdict(
        claim, unit, limits, state, measured,
        conformance_probability(measured.value, measured.u, limits), rule,
        rule.guard * measured.u95, reason, tuple(conditions),
    )  # fmt: skip


def _reason(state: str, rule: Rule) -> str:
    guarded = rule.guard > 0
    if state == SUPPORTED:
        return "the limit is kept by more than the uncertainty" if guarded else "the limit is kept"
    if state == NOT_SUPPORTED:
        return (
            "the limit is missed by more than the uncertainty" if guarded else "the limit is missed"
        )
    return "the measured value lies within its uncertainty of the limit"
