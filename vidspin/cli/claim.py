"""``vidspin claim``: what a result says about a claimed spin time or speed."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from vidspin.cli.common import JsonOption, QuietOption
from vidspin.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from vidspin.claim import Comparison, Evidence, Limits, Rule, Verdict

SCHEMA = "vidspin/claim/1"
_AS_STATED = ".10g"  # all the digits of a duration of many hours
_LABEL_WIDTH = 13
LEAST_CHANCE = 1e-9  # no measured value is surer
_T = TypeVar("_T")


def claim(
    result: Annotated[
        Path, typer.Argument(metavar="RESULT", help="Result folder.", show_default=False)
    ],
    spin_time: Annotated[
        str | None,
        typer.Option(metavar="DURATION", help="Claim: spun for at least so long, 0:41:37."),
    ] = None,
    speed: Annotated[
        str | None,
        typer.Option(metavar="RPM", help="Claim: released at so many rev/min at least."),
    ] = None,
    faster_than: Annotated[
        Path | None,
        typer.Option(metavar="RESULT", help="Claim: released faster than in another result."),
    ] = None,
    longer_than: Annotated[
        str | None,
        typer.Option(metavar="DURATION", help="Claim: spun for longer than so, 2497.2±0.5."),
    ] = None,
    within: Annotated[
        str | None,
        typer.Option(
            metavar="X",
            help="The claimed --spin-time (s) or --speed (rev/min) is right to ±X, not 'at least'.",
        ),
    ] = None,
    stopwatch: Annotated[
        list[str] | None,
        typer.Option(metavar="READING", help="A witness's spin time, 2497.2±0.5 (95 %); repeat."),
    ] = None,
    rule: Annotated[
        str, typer.Option(metavar="NAME", help="Decision rule: guarded or simple.")
    ] = "guarded",
    quiet: QuietOption = False,
    as_json: JsonOption = False,
) -> int:
    """Give the verdict on a claimed spin time or release speed.

    A claim is supported, not supported or undecided. Guarded acceptance (the default) wants the
    limit kept by more than the 95 % uncertainty; simple acceptance takes the measured value as
    it is. No claim is supported while the alias order is unresolved, an end of the spin is not
    in the recording, or a check of the recording failed. A stopwatch that disagrees stands among
    the conditions and forbids no verdict: a person should look.

    Exit code 0 when every claim is supported, else 6.
    """
    from vidspin.claim import compare_reading, with_readings
    from vidspin.units import parse_reading

    evidence = _evidence(result)
    chosen = _rule(rule)
    readings = [_read(text, "--stopwatch", parse_reading, "2497.2±0.5") for text in stopwatch or []]
    compared = [compare_reading(evidence, *reading) for reading in readings]
    evidence = with_readings(evidence, compared)
    verdicts = _verdicts(
        evidence, chosen, spin_time=spin_time, speed=speed, faster_than=faster_than,
        longer_than=longer_than, within=within,
    )  # fmt: skip
    if not verdicts and not readings:
        raise UsageError(
            "no claim is stated", where="vidspin claim", do="add --spin-time, --speed or the like"
        )
    if as_json:
        typer.echo(json.dumps(_document(evidence, verdicts, compared), ensure_ascii=False))
    elif not quiet:
        typer.echo(_text(evidence, verdicts, compared))
    held = all(v.state == "supported" for v in verdicts)
    return ExitCode.DONE if held else ExitCode.CHECK_FAILED


def _evidence(folder: Path) -> Evidence:
    """Read a result; a document whose parts are not what the schema says is damaged."""
    from vidspin.claim import evidence_of
    from vidspin.store import read_result

    document = read_result(folder).document
    try:
        return evidence_of(document)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise UsageError(
            f"the result is damaged ({type(error).__name__}: {error})", where=str(folder),
            do="measure the recording again",
        ) from error  # fmt: skip


def _rule(name: str) -> Rule:
    from vidspin.claim import RULES

    if name not in RULES:
        raise UsageError(f"no rule {name!r}", where="--rule", do=f"give {' or '.join(RULES)}")
    return RULES[name]


def _read(text: str, option: str, parse: Callable[[str], _T], example: str) -> _T:
    try:
        return parse(text)
    except ValueError as error:
        raise UsageError(
            f"{text!r} cannot be read", where=option, do=f"give one such as {example}"
        ) from error


def _verdicts(
    evidence: Evidence,
    rule: Rule,
    *,
    spin_time: str | None,
    speed: str | None,
    faster_than: Path | None,
    longer_than: str | None,
    within: str | None,
) -> list[Verdict]:
    from vidspin.claim import Limits, judge_speed, judge_time
    from vidspin.units import format_duration, parse_duration, parse_speed

    verdicts = []
    if within is not None and (spin_time is None) == (speed is None):
        raise UsageError(
            "it belongs to one claim", where="--within", do="give it with --spin-time or --speed"
        )
    if spin_time is not None:
        seconds = _read(spin_time, "--spin-time", parse_duration, "0:41:37")
        text, limits = _limits(seconds, within, parse_duration, "s")
        words = f"spun for {text}{_clock(seconds, format_duration)}"
        verdicts.append(judge_time(evidence, words, limits, rule))
    if longer_than is not None:
        seconds, u95 = _read(longer_than, "--longer-than", _reading_or_duration, "0:41:37")
        stated = f"{seconds:{_AS_STATED}} s"
        stated = stated if u95 == 0 else f"{seconds:{_AS_STATED}} ± {u95:{_AS_STATED}} s"
        words = f"spun for longer than {stated}{_clock(seconds, format_duration)}"
        verdicts.append(judge_time(evidence, words, Limits(lower=seconds), rule, u95_limit=u95))
    if speed is not None:
        rpm = _read(speed, "--speed", parse_speed, "1834")
        text, limits = _limits(rpm, within, parse_speed, "rev/min")
        words = f"released {'with' if within is None else 'at'} {text}"
        verdicts.append(judge_speed(evidence, words, limits, rule))
    if faster_than is not None:
        other = _evidence(faster_than)
        words = f"released faster than in {other.name}"
        verdicts.append(judge_speed(evidence, words, Limits(lower=0.0), rule, other=other))
    return verdicts


def _reading_or_duration(text: str) -> tuple[float, float]:
    from vidspin.units import parse_duration, parse_reading

    try:
        return parse_duration(text), 0.0
    except ValueError:
        return parse_reading(text)


def _limits(
    value: float, within: str | None, parse: Callable[[str], float], unit: str
) -> tuple[str, Limits]:
    from vidspin.claim import Limits

    if within is None:
        return f"at least {value:{_AS_STATED}} {unit}", Limits(lower=value)
    width = _read(within, "--within", parse, "0.5")
    words = f"{value:{_AS_STATED}} {unit} within ±{width:{_AS_STATED}} {unit}"
    return words, Limits(value - width, value + width)


def _clock(seconds: float, write: Callable[[float, int], str]) -> str:
    """Write a duration of a minute or more as people do, with the decimals that it has."""
    decimals = len(f"{seconds:.3f}".rstrip("0").partition(".")[2])
    return f" ({write(seconds, decimals)})" if seconds >= 60 else ""


# ----------------------------------------------------------------------------- words


def _text(evidence: Evidence, verdicts: list[Verdict], compared: list[Comparison]) -> str:
    lines: list[str] = []
    for verdict in verdicts:
        lines += [f"{evidence.name}: {verdict.claim}: {verdict.state.upper()}", ""]
        lines += [f"  {label:<{_LABEL_WIDTH}} {text}" for label, text in _rows(verdict)]
        lines.append("")
    for number, one in enumerate(compared, start=1):
        lines.append(f"  {f'stopwatch {number}':<{_LABEL_WIDTH}} {_compared(one)}")
    if compared:
        lines.append("  (readings of witnesses are compared, not averaged in; E_n as in ISO 13528)")
    return "\n".join(lines).rstrip()


def _rows(verdict: Verdict) -> list[tuple[str, str]]:
    from vidspin.wording import percent, with_u95

    rows = []
    if verdict.measured is not None:
        value, u95 = verdict.measured.value, verdict.measured.u95
        rows.append(("measured", f"{with_u95(value, u95, verdict.unit)} (95 %)"))
    if verdict.probability is not None:
        # a normal distribution far from its limit is 1 in floating point, and nothing measured is
        likely = min(max(verdict.probability, LEAST_CHANCE), 1 - LEAST_CHANCE)
        rows.append(("probability", f"{percent(likely)} that the claim is true, by the measured "
                     "value alone"))  # fmt: skip
    rows.append(("rule", _rule_words(verdict)))
    rows.append(("why", verdict.reason))
    for number, condition in enumerate(verdict.conditions):
        mark = "! " if condition.forbids else "  "
        rows.append(("conditions" if number == 0 else "", mark + condition.text))
    return rows


def _rule_words(verdict: Verdict) -> str:
    from vidspin.wording import decimals_for

    text = f"{verdict.rule.name} ({verdict.rule.source})"
    lower, upper, w = verdict.limits.lower, verdict.limits.upper, verdict.guard
    if w is None or not w or lower is None:
        return text
    decimals = decimals_for(w)
    if upper is not None and lower + w > upper - w:
        return f"{text}: no measured value supports a claim that is closer than ±{w:.{decimals}f}"
    if upper is not None:
        between = f"{lower + w:.{decimals}f} to {upper - w:.{decimals}f} {verdict.unit}"
        return f"{text}: supported from {between}"
    return (
        f"{text}: supported from {lower + w:.{decimals}f}, not supported below "
        f"{lower - w:.{decimals}f} {verdict.unit}"
    )


def _compared(one: Comparison) -> str:
    text = f"{one.seconds:{_AS_STATED}} ± {one.u95_s:{_AS_STATED}} s"
    if one.e_number is None:
        return f"{text}: nothing to compare it with"
    agrees = "agrees" if one.agrees else "DISAGREES"
    return f"{text}: E_n = {one.e_number:.2f}, {agrees}"


def _document(
    evidence: Evidence, verdicts: list[Verdict], compared: list[Comparison]
) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "recording": evidence.name,
        "claims": [_claim_entry(v) for v in verdicts],
        "stopwatch": [
            {"seconds": c.seconds, "u95_s": c.u95_s, "e_number": c.e_number, "agrees": c.agrees}
            for c in compared
        ],
    }


def _claim_entry(v: Verdict) -> dict[str, Any]:
    return {
        "claim": v.claim,
        "verdict": v.state,
        "unit": v.unit,
        "lower": v.limits.lower,
        "upper": v.limits.upper,
        "measured": None if v.measured is None else v.measured.value,
        "u": None if v.measured is None else v.measured.u,
        "u95": None if v.measured is None else v.measured.u95,
        "probability": v.probability,
        "rule": v.rule.name,
        "rule_source": v.rule.source,
        "guard_band": v.guard,
        "reason": v.reason,
        "conditions": [
            {"text": c.text, "forbids": list(c.forbids)} for c in v.conditions
        ],
    }  # fmt: skip
