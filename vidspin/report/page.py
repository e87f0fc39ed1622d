"""The report as one HTML file: works offline, asks the network for nothing.

A policy in its head forbids every outside request and every script but the one whose hash it
names.  The first curve is drawn here, so that the page is whole without its script.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Sequence
from html import escape
from importlib import resources
from typing import Any

from vidspin.report import around, basis, evidence, story, trust
from vidspin.report.data import FileFacts, ReportData, StillPicture
from vidspin.report.page_curve import chart_data, curve_section
from vidspin.report.page_parts import bar, bdi, definitions, picture, section, still_list, table
from vidspin.report.story import Claim, Happening, Occasion
from vidspin.report.text import plain

_PROOF_LOOK = {
    "given": "pass", "not given": "unchecked", "to be checked": "unchecked", "disagrees": "look",
}  # fmt: skip


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
        f'<script type="application/json" id="chart-data">{_island(chart_data(data))}</script>\n'
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
    found = [("curve", "Speed against time", curve_section(data))]
    if occasion.claims:
        found.insert(0, ("claims", "Verdict on the claims", _claims(occasion.claims)))
    found += [
        ("events", "What happened when", _events(data)),
        ("order", "How the true speed was told", _order(data)),
        ("chart-of-ring", "The mark, frame by frame", _ring(data)),
        ("checks", "Is the recording whole?", _checks(data)),
        ("budget", "How sure are the figures?", _budget(data)),
        ("recording", "Recording and files", _recording(data, occasion)),
        ("method", "How it was measured", _method(data)),
        ("check-it", "How to check this yourself", _how_to_check(data, occasion)),
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
        f'<p class="lead"><strong>{escape(story.headline(data))}</strong></p>\n'
        f"<p>{bdi(basis.time_basis(data, occasion.stopwatches))}</p>\n{said}\n"
        + _warnings(data)
        + _verdict_line(occasion.claims)
        + f"{figures}\n"
        + "".join(f"<p>{escape(text)}</p>" for text in bounds)
        + _proofs(occasion)
        + '<p class="quiet small">± is a 95 % interval. Times count from the first frame of the '
        "recording, as h:mm:ss.</p>\n</header>"
    )


def _proofs(occasion: Occasion) -> str:
    if not occasion.proofs:
        return ""
    rows = [
        [escape(one.what), f'<span class="state {_PROOF_LOOK[one.state]}">{one.state}</span>',
         bdi(one.words)]
        for one in occasion.proofs
    ]  # fmt: skip
    return table(("", "", ""), rows, caption=story.PROVEN, css="proofs") + "\n"


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
        '<p class="quiet">No claim is part of this report: it says what was measured, and '
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


# ---------------------------------------------------------------------------- events


def _events(data: ReportData) -> str:
    parts = [_event(data, happening) for happening in story.happenings(data)]
    parts.insert(1, f"<p>{escape(story.touches(data))}</p>")
    whole = around.timeline(data)
    if whole:
        parts.append('<h3 id="whole-frames">The whole picture along the way</h3>')
        parts.append("<p>The full frame at round distances of time, in grey.</p>")
        parts.append(
            still_list((still, words, speed, "") for still, words, speed in whole).replace(
                'class="strip"', 'class="strip wide"', 1
            )
        )
    return "".join(parts)


def _event(data: ReportData, happening: Happening) -> str:
    if not happening.seen:
        why = f": {bdi(happening.how)}" if happening.how else ""
        return f"<h3>{escape(happening.title)}</h3><p>Not seen in the recording{why}.</p>"
    when = f"<p><strong>{escape(happening.when)}</strong>"
    when += f", at {escape(happening.speed)}" if happening.speed else ""
    how = f".</p><p>How it was found: {bdi(happening.how)}.</p>" if happening.how else ".</p>"
    remarks = "".join(f"<p>{bdi(remark)}</p>" for remark in happening.remarks)
    shown = ""
    if happening.stills:
        shown = still_list(_around(happening))
        shown += f'<p class="quiet small">{around.FRAMED}</p>'
    elif happening.strip:
        shown = picture(data.pictures[happening.strip], f"Frames around the {happening.kind}")
    return (
        f'<div id="event-{escape(happening.key)}" class="{happening.kind}" tabindex="-1">'
        f"<h3>{escape(happening.title)}</h3>{when}{how}{remarks}{shown}</div>"
    )


def _around(happening: Happening) -> Iterable[tuple[StillPicture, str, str, str]]:
    for still in happening.stills:
        caption = around.still_caption(still, happening)
        yield still, story.at(still.time_s, 3), caption, around.still_side(still, happening)


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
            f'<span class="narrow">alias order </span>{view.name}'
            f"{' (the answer)' if view.best else ''}",
            escape(view.rpm),
            escape(view.direction),
            escape(view.probability),
            bar(view.share),
            escape(view.readout),
        ]
        for view in evidence.candidates(data)
    ]
    head = ("alias order", "speed, rev/min", "direction", "probability", "", "needs readout")
    caption = f"Speeds that look alike at {evidence.when(data)}"
    return (
        table(head, rows, numbers=(1, 3, 5), caption=caption)
        + f'<p class="quiet small">{evidence.COLUMNS}</p>'
    )


def _cue_table(data: ReportData) -> str:
    views = evidence.cues(data)
    orders = [view.name for view in evidence.candidates(data)]
    rows = []
    for view in views:
        about = (
            f'{escape(view.title)}<br><span class="quiet small">{escape(view.looks_at)} '
            f"<em>Here: {bdi(view.note)}.</em></span>"
        )
        words = [f'<span class="{_cell_class(word)}">{escape(word)}</span>' for word in view.cells]
        rows.append([about, *(["<span>says nothing here</span>"] if view.silent else words)])
    head = ("cue", *orders)
    caption = "What each cue says to each candidate, by its alias order"
    return table(head, rows, caption=caption, css="votes")


def _cell_class(word: str) -> str:
    return "cell-fits" if word == "fits" else "cell-out"


def _ring(data: ReportData) -> str:
    parts = [f"<p>{story.RING_WORDS}</p>"]
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
    return f"<p>{trust.CHECKS_WORDS}</p>{body}"


def _budget(data: ReportData) -> str:
    parts = [
        "<p>What may be wrong with a speed, line by line, by the rules of JCGM 100:2008. Type A "
        "comes from the scatter of the data itself, type B from other knowledge. Shares are of the "
        "squared sum.</p>"
    ]
    for view in trust.budgets(data):
        rows = [
            [
                bdi(line.source), escape(line.type), escape(line.u), escape(line.dof),
                f"{bar(line.share)}{escape(line.share_words)}", bdi(line.note),
            ]
            for line in view.lines
        ]  # fmt: skip
        at = f"{view.at}, at {view.when}" if view.when else view.at
        speed = f": {view.speed}" if view.speed else ""
        head = (
            "source", "type", "standard uncertainty, rev/min", "degrees of freedom", "share",
            "what it is",
        )  # fmt: skip
        parts.append(table(head, rows, numbers=(2, 3), caption=f"{at}{speed}"))
        parts.append(
            f"<p>Together {escape(view.u)} rev/min; times the factor {escape(view.k)} (Student's t "
            f"for {escape(view.dof)} effective degrees of freedom) that makes "
            f"it a 95 % interval: <strong>± {escape(view.u95)} rev/min</strong>.</p>"
        )
    ends = basis.spin_time_budget(data)
    if ends:
        lines = [[escape(line.source), escape(line.u95), bdi(line.note)] for line in ends]
        names = ("source", "95 %, half width", "what it is")
        parts.append(table(names, lines, numbers=(1,), caption="The spin time"))
    return "".join(parts)


def _recording(data: ReportData, occasion: Occasion) -> str:
    parts = []
    facts, by = occasion.facts, "as the operator wrote it"
    if not facts:
        facts, by = basis.told(data), "as told when it was measured"
    if facts:
        rows = [[bdi(label), bdi(value)] for label, value in facts]
        parts.append(table(("the attempt", by), rows))
        parts.append(f'<p class="quiet small">{basis.FACTS_WORDS}</p>')
    parts.append(definitions(story.recording_facts(data), "facts"))
    hashes = [
        [bdi(chapter["name"]), f"{chapter['bytes']}", _hash(chapter["sha256"])]
        for chapter in data.document["recording"]["chapters"]
    ]
    head = ("file", "bytes", "SHA-256")
    parts.append(table(head, hashes, numbers=(1,), caption="The recording"))
    mine = [[_file_name(facts), f"{facts.bytes}", _hash(facts.sha256)] for facts in data.files]
    body = table(head, mine, numbers=(1,), caption="The files of this result")
    title = f"Files of this result and their hashes ({len(mine)})"
    parts.append(f"<details><summary>{title}</summary>{body}</details>")
    if occasion.recording:
        parts.append(f"<p>{escape(occasion.recording)}</p>")
    return "".join(parts)


def _hash(digits: str) -> str:
    return f'<span class="hash">{escape(digits)}</span>'


def _file_name(facts: FileFacts) -> str:
    words = escape(trust.file_words(facts.name))
    return f'{bdi(plain(facts.name))}<br><span class="quiet small">{words}</span>'


def _method(data: ReportData) -> str:
    return "".join(
        f"<h3>{escape(title)}</h3><p>{bdi(text)}</p>" for title, text in trust.method(data)
    )


def _how_to_check(data: ReportData, occasion: Occasion) -> str:
    items = []
    for step in trust.how_to_check(data, occasion.remeasure):
        command = f"<pre>{escape(step.command)}</pre>" if step.command else ""
        items.append(f"<li>{escape(step.text)}{command}</li>")
    return f'<ol class="steps">{"".join(items)}</ol>'
