"""The report as one HTML file: works offline, asks the network for nothing.

A policy in its head forbids every outside request and every script but the one whose hash it
names.  The first curve is drawn here, so that the page is whole without its script.
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
from collections.abc import Iterable, Sequence
from html import escape
from importlib import resources
from typing import Any

import numpy as np

from vidspin.records import FloatArray
from vidspin.report import evidence, story, trust
from vidspin.report.data import ReportData, StillPicture
from vidspin.report.drawing import curve_svg, describe, pieces
from vidspin.report.page_parts import (
    bar,
    bdi,
    definitions,
    picture,
    section,
    still_list,
    table,
)
from vidspin.report.story import Claim, Happening, Occasion
from vidspin.wording import decimals_for

_TABLE_ROWS = 40  # of the speed table for those who cannot see the drawing
_USUAL_SHARE = 98  # of the rows whose uncertainty the lower panel must hold


def html_report(data: ReportData, *, occasion: Occasion | None = None) -> str:
    """Draw up the report as a page.

    Parameters
    ----------
    data : ReportData
        What `gather` read from a result folder.
    occasion : Occasion, optional
        What is known beside the recording: facts of the attempt, claims, bounds in time.

    Returns
    -------
    str
        A whole HTML document.

    Notes
    -----
    Every text that came from a file is escaped and set apart from the direction of the writing
    around it; numbers are those of the result, written out.
    """
    occasion = occasion or Occasion()
    script = _asset("page.js")
    policy = (
        "default-src 'none'; img-src data:; style-src 'unsafe-inline'; "
        f"script-src '{_script_hash(script)}'; base-uri 'none'; form-action 'none'"
    )
    name = data.document["recording"]["name"]
    sections = _sections(data, occasion)
    links = "".join(f'<li><a href="#{key}">{escape(title)}</a></li>' for key, title, _ in sections)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n<link rel="icon" href="data:,">\n'
        f'<meta name="vidspin-result-sha256" content="{data.sha256_of("spin.json")}">\n'
        f"<title>{escape(name)}: evidence report</title>\n<style>\n{_asset('page.css')}</style>\n"
        '</head>\n<body>\n<a class="skip" href="#main">To the report</a>\n'
        f"{_head(data, occasion)}\n"
        f'<nav aria-label="Parts of the report"><ul>{links}</ul></nav>\n<main id="main">\n'
        + "\n".join(section(key, title, body) for key, title, body in sections)
        + f"\n</main>\n{_foot(data)}\n{_dialog()}\n"
        f'<script type="application/json" id="chart-data">{_island(_chart_data(data))}</script>\n'
        f"<script>{script}</script>\n</body>\n</html>\n"
    )


def _asset(name: str) -> str:
    return resources.files("vidspin.report").joinpath("assets", name).read_text("utf-8")


def _script_hash(script: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _island(value: Any) -> str:
    """Write JSON that no markup in it can end."""
    text = json.dumps(value, allow_nan=False, ensure_ascii=True, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _sections(data: ReportData, occasion: Occasion) -> list[tuple[str, str, str]]:
    found = [("curve", "Speed against time", _curve(data))]
    if occasion.claims:
        found.insert(0, ("claims", "Verdict on the claims", _claims(occasion.claims)))
    found += [
        ("events", "What happened when", _events(data)),
        ("order", "How the true speed was told", _order(data)),
        ("chart-of-ring", "The mark, frame by frame", _ring(data)),
        ("checks", "Is the recording whole?", _checks(data)),
        ("budget", "How sure are the speeds?", _budget(data)),
        ("recording", "Recording and files", _recording(data, occasion)),
        ("method", "How it was measured", _method()),
        ("check-it", "How to check this yourself", _how_to_check(data)),
    ]
    return found


# ------------------------------------------------------------------------ first page


def _head(data: ReportData, occasion: Occasion) -> str:
    name = data.document["recording"]["name"]
    said = "".join(f"<p>{escape(text)}</p>" for text in story.summary(data))
    figures = definitions(story.key_figures(data), "figures")
    bounds = [text for text in (occasion.filmed_after, occasion.sealed_before) if text]
    return (
        '<header>\n<p class="kicker">Evidence report on the spin of a hand-started top</p>\n'
        f"<h1>{bdi(name)}</h1>\n"
        f'<p class="lead"><strong>{escape(story.headline(data))}</strong></p>\n{said}\n'
        + _warnings(data)
        + _verdict_line(occasion.claims)
        + f"{figures}\n"
        + "".join(f"<p>{escape(text)}</p>" for text in bounds)
        + '<p class="quiet small">± is a 95 % interval. Times count from the first frame of the '
        "recording, as h:mm:ss.</p>\n</header>"
    )


def _warnings(data: ReportData) -> str:
    found = story.warnings(data)
    if not found:
        return ""
    items = "".join(f"<li>{bdi(text)}</li>" for text in found)
    return f'<div class="notice"><strong>To be noted</strong><ul>{items}</ul></div>\n'


def _verdict_line(claims: Sequence[Claim]) -> str:
    if claims:
        return "".join(_claim(claim) for claim in claims)
    return (
        '<p class="quiet">No claim was put to this result: it says what was measured, and '
        "passes no verdict.</p>\n"
    )


def _claim(claim: Claim) -> str:
    kind = claim.verdict.split(" ")[0]
    return (
        f'<div class="claim {escape(kind)}"><p>Claim: {bdi(claim.claim)}</p>'
        f'<p class="verdict">{escape(claim.verdict)}</p></div>\n'
    )


def _claims(claims: Sequence[Claim]) -> str:
    parts = []
    for claim in claims:
        reasons = "".join(f"<li>{bdi(reason)}</li>" for reason in claim.reasons)
        parts.append(
            _claim(claim)
            + (f"<p>Rule: {bdi(claim.rule)}</p>" if claim.rule else "")
            + (f"<p>Probability: {bdi(claim.probability)}</p>" if claim.probability else "")
            + (f"<ul>{reasons}</ul>" if reasons else "")
        )
    return "".join(parts)


def _foot(data: ReportData) -> str:
    document = data.document
    return (
        '<footer class="quiet small"><p>Made by vidspin '
        f"{escape(document['vidspin_version'])} at {escape(document['created'])}. "
        "SHA-256 of spin.json, from which every figure here is taken: "
        f'<span class="hash">{data.sha256_of("spin.json")}</span></p></footer>'
    )


def _dialog() -> str:
    return (
        '<dialog id="stills" aria-labelledby="stills-title"><div class="head">'
        '<h2 id="stills-title">Stills</h2><button type="button">Close</button></div>'
        '<div class="body"></div></dialog>'
    )


# ----------------------------------------------------------------------------- curve


def _curve(data: ReportData) -> str:
    marks = _marks(data)
    pins = "".join(
        f'<button type="button" class="{mark["kind"]}" data-mark="{number}">'
        f"{escape(mark['button'])}</button>"
        for number, mark in enumerate(marks)
    )
    tools = "".join(
        f'<button type="button" id="zoom-{key}" aria-label="{words}">{sign}</button>'
        for key, sign, words in (
            ("in", "+", "zoom in"),
            ("out", "−", "zoom out"),
            ("left", "←", "earlier"),
            ("right", "→", "later"),
            ("whole", "whole run", "show the whole run"),
        )
    )
    lead = (
        "Each curve is one candidate. All of them fit the pictures; one of them is true."
        if not data.resolved
        else "The curve is the measured speed; its 95 % band is narrower than the line in most "
        "places, so it is drawn apart below. Grey stretches were not seen."
    )
    return (
        f"<p>{lead}</p>\n"
        f'<div class="tools pins needs-script" role="group" aria-label="Events">{pins}</div>\n'
        '<p id="read" class="read needs-script">Point at the curve to read it.</p>\n'
        f'<div id="chart" class="chart" role="application" aria-label="{escape(describe(data))}" '
        f'aria-describedby="chart-help">{curve_svg(data, name=describe(data))}</div>\n'
        '<p id="said" class="skip" role="status"></p>\n'
        f'<div class="tools needs-script" role="group" aria-label="View">{tools}</div>\n'
        '<p id="chart-help" class="quiet small needs-script">Drag across a stretch to look closer; '
        "then drag to move along. Two fingers or the wheel zoom (click the curve first). Keys: "
        "arrows read the curve, shift with arrows moves along, + and − zoom, 0 shows all.</p>\n"
        f"{_speed_table(data)}"
    )


def _marks(data: ReportData) -> list[dict[str, Any]]:
    """List what is marked on the curve, in order of time."""
    found: list[dict[str, Any]] = [
        {
            "time": happening.time_s,
            "kind": happening.kind,
            "label": happening.kind,
            "button": f"{happening.kind} at {happening.when}",
            "target": f"event-{happening.key}",
        }
        for happening in story.happenings(data)
        if happening.time_s is not None
    ]
    for number, check in enumerate(trust.checks(data)):
        if check.state == "fail" and check.time_s is not None:
            found.append(
                {
                    "time": check.time_s,
                    "kind": "fail",
                    "label": check.name,
                    "button": f"check failed: {check.name}",
                    "target": f"check-{number}",
                }
            )
    return sorted(found, key=lambda mark: float(mark["time"]))


def _chart_data(data: ReportData) -> dict[str, Any]:
    step = float(np.median(np.diff(data.time_s))) if data.time_s.size > 1 else 1.0
    curves = [{"rpm": _numbers(data.rpm, 6)}]
    if not data.resolved:
        shares = {view.order: view.probability for view in evidence.candidates(data)}
        curves = [
            {"rpm": _numbers(speeds, 6), "share": shares.get(order, "")}
            for order, speeds in data.candidates.items()
        ]
    shown = data.rpm if data.resolved else next(iter(data.candidates.values()), data.rpm)
    parts = pieces(data.time_s, shown)
    u = data.u95_rpm[np.isfinite(data.u95_rpm)]
    return {
        "resolved": data.resolved,
        "span": data.span_s,
        "step": step,
        "time": _numbers(data.time_s, 6),
        "curves": curves,
        "u95": [float(f"{v:.6g}") if math.isfinite(v) else None for v in data.u95_rpm.tolist()],
        "u_usual": 1.4 * float(np.percentile(u, _USUAL_SHARE)) if u.size else 1.0,
        "gaps": [
            [float(a[-1]) + step / 2, float(b[0]) - step / 2]
            for (a, _), (b, _) in zip(parts[:-1], parts[1:], strict=True)
        ],
        "marks": [
            {key: mark[key] for key in ("time", "kind", "label", "target")} for mark in _marks(data)
        ],
    }


def _numbers(values: FloatArray, decimals: int) -> list[float | None]:
    return [round(v, decimals) if math.isfinite(v) else None for v in values.tolist()]


def _speed_table(data: ReportData) -> str:
    if not data.resolved:
        return (
            '<p class="quiet small">The numbers of every candidate\'s curve are in '
            "candidates.csv.</p>"
        )
    known = np.flatnonzero(np.isfinite(data.rpm))
    if known.size == 0:
        return ""
    pick = np.unique(np.linspace(0, known.size - 1, min(known.size, _TABLE_ROWS)).astype(int))
    rows = []
    for index in known[pick].tolist():
        u = float(data.u95_rpm[index])
        decimals = decimals_for(u)
        rows.append(
            [
                escape(story.at(float(data.time_s[index]))),
                f"{float(data.rpm[index]):.{decimals}f}",
                f"{u:.{decimals}f}" if math.isfinite(u) else "not known",
            ]
        )
    head = ("time", "speed, rev/min", "± 95 %, rev/min")
    body = table(head, rows, numbers=(1, 2), caption=f"{len(rows)} of {known.size} rows of speed.csv")
    return f"<details><summary>The same as a table</summary>{body}</details>"


# ---------------------------------------------------------------------------- events


def _events(data: ReportData) -> str:
    parts = [_event(happening) for happening in story.happenings(data)]
    whole = story.timeline(data)
    if whole:
        parts.append('<h3 id="whole-frames">The whole picture along the way</h3>')
        parts.append("<p>The full frame at round distances of time, as it was filmed.</p>")
        parts.append(
            still_list(
                (still, words, speed, False) for still, words, speed in whole
            ).replace('class="strip"', 'class="strip wide"', 1)
        )
    return "".join(parts)


def _event(happening: Happening) -> str:
    if not happening.seen:
        return f"<h3>{escape(happening.title)}</h3><p>Not in the recording.</p>"
    when = f"<p><strong>{escape(happening.when)}</strong>"
    when += f", at {escape(happening.speed)}" if happening.speed else ""
    how = f".</p><p>How it was found: {bdi(happening.how)}.</p>" if happening.how else ".</p>"
    remarks = "".join(f"<p>{bdi(remark)}</p>" for remark in happening.remarks)
    shown = ""
    if happening.stills:
        shown = still_list(_around(happening))
        shown += '<p class="quiet small">Framed in colour: after the event.</p>'
    elif happening.strip:
        shown = f'<p class="quiet small">Frames around it are in {escape(happening.strip)}.</p>'
    return (
        f'<div id="event-{escape(happening.key)}" class="{happening.kind}" tabindex="-1">'
        f"<h3>{escape(happening.title)}</h3>{when}{how}{remarks}{shown}</div>"
    )


def _around(happening: Happening) -> Iterable[tuple[StillPicture, str, str, bool]]:
    for still in happening.stills:
        after = happening.time_s is not None and still.time_s >= happening.time_s
        caption = story.still_caption(still, happening)
        yield still, story.at(still.time_s, 3), caption, after


# -------------------------------------------------------------------------- evidence


def _order(data: ReportData) -> str:
    said = "".join(f"<p>{bdi(text)}</p>" for text in evidence.why_it_matters(data))
    return (
        f"{said}<p><strong>{bdi(evidence.outcome(data))}</strong></p>"
        f"{_candidate_table(data)}{_cue_table(data)}"
    )


def _candidate_table(data: ReportData) -> str:
    rows = [
        [
            f"{number}{' (the answer)' if view.best else ''}",
            escape(view.rpm),
            escape(view.direction),
            escape(view.probability),
            bar(view.share),
            escape(view.readout),
        ]
        for number, view in enumerate(evidence.candidates(data), start=1)
    ]
    head = (
        "candidate", "speed, rev/min", "direction", "probability", "", "reading time it needs",
    )  # fmt: skip
    caption = f"Speeds that look alike at {evidence.when(data)}"
    return (
        table(head, rows, numbers=(1, 3, 5), caption=caption)
        + f'<p class="quiet small">{evidence.READING_TIME}</p>'
    )


def _cue_table(data: ReportData) -> str:
    views = evidence.cues(data)
    columns = max((len(view.cells) for view in views), default=0)
    rows = []
    for view in views:
        about = (
            f'{escape(view.title)}<br><span class="quiet small">{escape(view.looks_at)} '
            f"<em>Here: {bdi(view.note)}.</em></span>"
        )
        words = [f'<span class="{_cell_class(word)}">{escape(word)}</span>' for word in view.cells]
        rows.append([about, *(["<span>says nothing here</span>"] if view.silent else words)])
    head = ("clue", *(str(number) for number in range(1, columns + 1)))
    caption = "What each clue says to each candidate, by its number above"
    return table(head, rows, caption=caption, css="votes")


def _cell_class(word: str) -> str:
    return "cell-fits" if word == "fits" else "cell-out"


def _ring(data: ReportData) -> str:
    parts = [
        "<p>The ring on which the mark runs, unrolled: each column is one picture, the height is "
        "the angle. The mark draws slanting lines; what stands still draws level ones. Circles "
        "show where the measured speed says that the mark must have been seen. Where they lie on "
        "the dark traces, the measurement follows the film.</p>"
    ]
    for name, words in (
        ("spinchart.png", "The ring against time, with the fitted angle over short stretches"),
        ("survey.png", "What was found in the picture: the path of the mark and the spin axis"),
    ):
        if name in data.pictures:
            parts.append(picture(data.pictures[name], words))
    return "".join(parts)


# ----------------------------------------------------------------------------- trust


def _checks(data: ReportData) -> str:
    rows = []
    views = trust.checks(data)
    for view in views:
        state = f'<span class="state {view.state}">{view.sign} {escape(view.answer)}</span>'
        rows.append([bdi(view.name), state, bdi(view.figure), bdi(view.note)])
    marked = [view.state == "fail" for view in views]
    body = table(("check", "answer", "figure", "what it means"), rows, bad=marked, key="check")
    lead = (
        "A check that could not be made is no reproach to the recording; it only says nothing. "
        "A failed one does not prove tampering: it names what needs an explanation."
    )
    return f"<p>{lead}</p>{body}"


def _budget(data: ReportData) -> str:
    parts = [
        "<p>What may be wrong with a speed, line by line, by the rules of JCGM 100:2008. Type A "
        "comes from the scatter of the data itself, type B from other knowledge. Shares are of the "
        "squared sum.</p>"
    ]
    for view in trust.budgets(data):
        rows = [
            [
                bdi(line.source), escape(line.type), escape(line.u),
                f"{bar(line.share)}{escape(line.share_words)}", bdi(line.note),
            ]
            for line in view.lines
        ]  # fmt: skip
        at = f"{view.at} ({view.when})" if view.when else view.at
        speed = f": {view.speed}" if view.speed else ""
        head = ("source", "type", "standard uncertainty, rev/min", "share", "what it is")
        parts.append(table(head, rows, numbers=(2,), caption=f"At {at}{speed}"))
        parts.append(
            f"<p>Together {escape(view.u)} rev/min; times the factor {escape(view.k)} that makes it "
            f"a 95 % interval: <strong>± {escape(view.u95)} rev/min</strong>.</p>"
        )
    return "".join(parts)


def _recording(data: ReportData, occasion: Occasion) -> str:
    parts = []
    if occasion.facts:
        rows = [[bdi(label), bdi(value)] for label, value in occasion.facts]
        parts.append(table(("the attempt", "as the operator wrote it"), rows))
    parts.append(definitions(story.recording_facts(data), "facts"))
    hashes = [
        [bdi(chapter["name"]), f"{chapter['bytes']}", f'<span class="hash">{escape(chapter["sha256"])}</span>']
        for chapter in data.document["recording"]["chapters"]
    ]  # fmt: skip
    head = ("file", "bytes", "SHA-256")
    parts.append(table(head, hashes, numbers=(1,), caption="The recording"))
    mine = [
        [
            f"{bdi(facts.name)}<br><span class=\"quiet small\">{escape(trust.file_words(facts.name))}</span>",
            f"{facts.bytes}", f'<span class="hash">{facts.sha256}</span>',
        ]
        for facts in data.files
    ]  # fmt: skip
    body = table(head, mine, numbers=(1,), caption="The files of this result")
    parts.append(f"<details><summary>Files of this result and their hashes ({len(mine)})</summary>{body}</details>")
    if occasion.recording:
        parts.append(f"<p>{escape(occasion.recording)}</p>")
    return "".join(parts)


def _method() -> str:
    return "".join(f"<h3>{escape(title)}</h3><p>{escape(text)}</p>" for title, text in trust.METHOD)


def _how_to_check(data: ReportData) -> str:
    items = []
    for step in trust.how_to_check(data):
        command = f"<pre>{escape(step.command)}</pre>" if step.command else ""
        items.append(f"<li>{escape(step.text)}{command}</li>")
    return f'<ol class="steps">{"".join(items)}</ol>'
