"""Why may the figures be believed, and how can a stranger check them?"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from vidspin.report import basis
from vidspin.report.data import ReportData
from vidspin.report.once_more import measure_command, shown_name
from vidspin.report.story import at, speed_text
from vidspin.wording import ANSWERS, alone, answer

SIGNS = {"pass": "✓", "look": "▲", "fail": "✗", "unchecked": "○"}
CHECKS_WORDS = (
    "A check that could not be made is no reproach to the recording; it only says nothing. One "
    "to be looked at found nothing that is wrong by itself, but something that only a person can "
    "judge. A failed one does not prove tampering: it names what needs an explanation."
)
# Figures of checks name their instant so; newer results state it as a number.
_INSTANT = re.compile(r"\b(?:at|by) (\d+(?:\.\d+)?) s\b", re.ASCII)

FILE_WORDS = {
    "spin.json": "everything that was found, for programs",
    "speed.csv": "speed against time with its uncertainty",
    "sightings.npz": "what every frame says about the mark: enough to work out all again",
    "candidates.csv": "the curve that each candidate speed would mean",
    "speed.png": "the speed as a picture",
    "speed.svg": "the speed as a drawing",
    "spinchart.png": "the ring against time",
    "survey.png": "what was found in the picture",
    "release.png": "frames around the release",
    "topple.png": "frames around the topple",
}

_METHOD = (
    (
        "Finding the mark",
        "Frames from all over the recording show what moves: the top, the ring on which its mark "
        "runs, and how many marks there are. In every frame the ring is unrolled, what stands "
        "still is taken away, and the place at which the picture of the mark fits best is its "
        "angle. How sharply it fits is the uncertainty of that angle.",
    ),
    (
        "The camera's own errors",
        "A phone exposes the lines of a picture one after the other and each for a while, so a "
        "fast mark is seen slightly bent and blurred. Both effects are measured on the recording "
        "itself and taken into account. They shift the mark to and fro within a turn; they do not "
        "change how many turns it makes.",
    ),
    (
        "Whole turns",
        "Pictures alone do not tell how many whole turns passed between two of them. Independent "
        "cues decide; their votes are printed in this report. Unless one speed stands at a "
        "thousand to one against all others, no speed is given at all.",
    ),
    (
        "Speed",
        "Through the angles of a short stretch of time the smooth motion of a slowing top is "
        "fitted. The speed belongs to the middle of that stretch. For a top whose axis swings "
        "round, it is the spin together with that swing: the rate at which the mark passes a "
        "fixed direction.",
    ),
    (
        "Uncertainty",
        "Every ± is a 95 % interval: of a hundred such intervals, about 95 hold the true value. "
        "It is built from a list of contributions by the rules of JCGM 100:2008, the international "
        "guide to the expression of uncertainty; the list is printed in this report.",
    ),
    (
        "Release and topple",
        "The release is the instant the last finger leaves the top, the topple the first instant "
        "at which anything but the tip touches. What is found stands in for them: the mark begins "
        "to move as on a free top; the tip leaves its place. The frames around both are printed, "
        "so that a reader can judge. A person may overrule either; then both values are shown.",
    ),
    (
        "Completeness",
        "A free top only slows, and its mark goes round without a jump. A cut, a repeated stretch "
        "or a push leaves a step in angle or speed. The checks look for such steps, and for gaps "
        "and damage in the file. They find clumsy changes, not every careful forgery.",
    ),
)


# Where a budget was drawn up, in words.
_PLACES = {
    "release": "In the first stretch after the release",
    "mid-spin": "In the middle of the spin",
    "last minute": "Late in the spin",
}


def method(data: ReportData) -> list[tuple[str, str]]:
    """Tell how it was measured, a title and a paragraph each."""
    return [("Times", basis.times_text(data)), *_METHOD]


@dataclass(frozen=True, slots=True)
class CheckView:
    """One question about the recording and its answer."""

    name: str
    state: str  # "pass", "look", "fail" or "unchecked"
    answer: str
    sign: str
    figure: str
    note: str
    time_s: float | None


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One contribution to the uncertainty."""

    source: str
    type: str
    u: str
    dof: str  # degrees of freedom
    share: float  # of the variance, 0-1
    share_words: str
    note: str


@dataclass(frozen=True, slots=True)
class BudgetView:
    """The contributions at one instant and their sum."""

    at: str
    when: str
    speed: str
    lines: tuple[BudgetLine, ...]
    u: str
    k: str
    dof: str  # effective ones, from which k follows
    u95: str


@dataclass(frozen=True, slots=True)
class Step:
    """One thing a stranger can do to check, and the command for it."""

    text: str
    command: str = ""


def checks(data: ReportData) -> list[CheckView]:
    """List the checks: failed ones first, then what a person should look at."""
    rank = {"fail": 0, "look": 1, "unchecked": 2, "pass": 3}
    views = [_check(check) for check in data.document["checks"]]
    return sorted(views, key=lambda view: rank.get(view.state, 0))


def _check(check: dict[str, Any]) -> CheckView:
    state = answer(check["state"], look=bool(check.get("look")))
    stated = check.get("time_s")
    if stated is None:
        found = _INSTANT.search(check["figure"])
        stated = float(found.group(1)) if found else None
    return CheckView(
        name=check["name"],
        state=state,
        answer=ANSWERS.get(state, state),
        sign=SIGNS.get(state, "○"),
        figure=check["figure"],
        note=check["note"],
        time_s=stated,
    )


def budgets(data: ReportData) -> list[BudgetView]:
    """List the uncertainty budgets in order of time."""
    document = data.document
    return [_budget(total, document["budget"]) for total in document["budget_totals"]]


def _budget(total: dict[str, Any], lines: list[dict[str, Any]]) -> BudgetView:
    mine = [line for line in lines if line["at"] == total["at"]]
    variance = sum((line["u_rpm"] or 0.0) ** 2 for line in mine)
    return BudgetView(
        at=_PLACES.get(total["at"], f"At {total['at']}"),
        when="" if total["time_s"] is None else at(total["time_s"], 3),
        speed=speed_text(total["rpm"], total["u95_rpm"]),
        lines=tuple(_line(line, variance) for line in mine),
        u=_significant(total["u_rpm"]),
        k="not known" if total["k"] is None else f"{total['k']:.2f}",
        dof=_freedom(total["dof"]),
        u95=_significant(total["u95_rpm"]),
    )


def _line(line: dict[str, Any], variance: float) -> BudgetLine:
    share = (line["u_rpm"] or 0.0) ** 2 / variance if variance > 0 else 0.0
    words = f"{100 * share:.0f} %" if share >= 0.01 else "< 1 %"
    u = _significant(line["u_rpm"])
    dof = _freedom(line["dof"])
    return BudgetLine(line["source"], line["type"], u, dof, share, words, line["note"])


def _significant(value: float | None) -> str:
    return "not known" if value is None else alone(value)


def _freedom(dof: float | None) -> str:
    """Write degrees of freedom; a dash where there are none to count."""
    return "–" if dof is None else f"{dof:.0f}"


# What is to come of measuring again, with the result at hand and with the whole dossier.
_OUTCOME = {
    "result": "The figures must agree within their uncertainties.",
    "dossier": "It goes by what was stated for this result, compares every figure, and says which "
    "one does not come out again.",
}


def file_words(name: str) -> str:
    """Say what a file of the result folder holds."""
    if name.startswith("still-"):
        return "a picture of the recording"
    return FILE_WORDS.get(name, "")


def how_to_check(data: ReportData, remeasure: str = "") -> list[Step]:
    """List what a stranger can do, the easiest first.

    Parameters
    ----------
    data : ReportData
    remeasure : str
        The command that measures again and compares, where one does both: that of a dossier.
    """
    chapters = data.document["recording"]["chapters"]
    name = chapters[0]["name"] if chapters else "RECORDING"
    version = data.document["vidspin_version"]
    return [
        Step(
            "Look. The stills of release and topple show whether the hand is off and whether the "
            "top still stands. Open the recording in any player and go to the times named here."
        ),
        Step(
            "Time it. A stopwatch run along with the recording, from release to topple, must agree "
            "with the spin time within your own reaction time."
        ),
        Step(
            "Count. Near the end of the spin the mark can be followed by eye: go through the last "
            "seconds frame by frame and count its turns; compare with the speed named there."
        ),
        Step(
            "Make sure that it is the same recording: the fingerprint (SHA-256) of the file must "
            "be the one printed here, to the last digit.",
            f"sha256sum {shown_name(name)}",
        ),
        Step(
            f"Measure again with the same program (vidspin {version}); it is free. "
            + _OUTCOME["dossier" if remeasure else "result"],
            remeasure or measure_command(data.document),
        ),
        Step(
            "Work it out anew without the video: sightings.npz holds time and angle of the mark "
            "for every frame, with the uncertainty of each. Add camera.centre_row_offset_s.value "
            "of spin.json to the times: the angles are those of mid-exposure."
        ),
    ]
