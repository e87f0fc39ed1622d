"""The page: it tells the one result, whole and in plain words, and texts in it are only texts."""

from __future__ import annotations

import base64
import csv
import dataclasses
import hashlib
import html
import io
import json
import math
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from fabricate import KINDS_OF_RESULT as KINDS
from fabricate import Kind
from hypothesis import example, given
from hypothesis import strategies as st
from reporting import HOSTILE, folder_of, invented, with_document, with_text_everywhere

from vidspin.errors import UsageError
from vidspin.frames.pictures import TIMELINE_MOST, TimelineKeeper, timeline_step_s
from vidspin.records import Frame, Quantity, Result
from vidspin.report import (
    Claim,
    Occasion,
    around,
    basis,
    drawing,
    evidence,
    gather,
    html_report,
    story,
    trust,
)
from vidspin.report.data import ReportData
from vidspin.report.drawing import MOST_COLUMNS, curve_svg, pieces, thinned, time_ticks, value_ticks
from vidspin.report.paper import pdf_report
from vidspin.report.pixels import jpeg_size
from vidspin.report.text import breakable, code_points, plain
from vidspin.stills import stills
from vidspin.store import load_schema, read_files, read_result
from vidspin.wording import alone, instant, with_u95

VOID = {"meta", "link", "img", "br"}


class Outline(HTMLParser):
    """Collects visible text, tags and attributes, and checks that elements are closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.texts: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in {"script", "style"}:
            self.texts.append(data)


def outline(page: str) -> Outline:
    found = Outline()
    found.feed(page)
    found.close()
    assert found.open == []
    return found


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[Kind, dict[str, bytes]]:
    place = tmp_path_factory.mktemp("results")
    return {kind: folder_of(invented(kind), place / f"{kind}.spin") for kind in KINDS}


# ------------------------------------------------------------------- the result folder


def test_folder_holds_page_and_stills_and_lists_them(
    results: dict[Kind, dict[str, bytes]], tmp_path: Path
) -> None:
    files = results["resolved"]
    document = json.loads(files["spin.json"])
    jsonschema.Draft202012Validator(load_schema()).validate(document)
    assert sorted({"spin.json", *document["files"]}) == sorted(files)
    assert "report.html" in document["files"]
    kinds = [still["kind"] for still in document["stills"]]
    assert kinds == ["release"] * 7 + ["topple"] * 7 + ["timeline"] * 5
    for still in document["stills"]:
        assert files[still["file"]].startswith(b"\xff\xd8\xff")


def test_stills_are_those_of_the_result_with_their_times() -> None:
    result = invented()
    listed = stills(result)
    assert [still.time_s for still in listed[:7]] == result.strips[0].time_s.tolist()
    assert len({still.file for still in listed}) == len(listed)


def test_a_result_can_be_read_back_beside_its_page(tmp_path: Path) -> None:
    folder_of(invented(), tmp_path / "a.spin")
    assert "report.html" in read_result(tmp_path / "a.spin").document["files"]


def test_reports_can_be_made_from_the_folder(tmp_path: Path) -> None:
    files = folder_of(invented(), tmp_path / "a.spin")
    assert read_files(tmp_path / "a.spin") == files
    assert html_report(gather(read_files(tmp_path / "a.spin"))).encode() == files["report.html"]


@pytest.mark.parametrize("name", ["../../x", "/etc/passwd", "..", "a\\b", ""])
def test_names_that_lead_out_of_the_folder_are_refused(name: str, tmp_path: Path) -> None:
    files = folder_of(invented(duration_s=12.0), tmp_path / "a.spin")

    def change(document: dict[str, list[str]]) -> None:
        document["files"].append(name)

    spin = with_document(files, change)["spin.json"]
    (tmp_path / "a.spin" / "spin.json").write_bytes(spin)
    with pytest.raises(UsageError, match="no file of the folder"):
        read_files(tmp_path / "a.spin")


def test_a_link_in_the_folder_is_not_followed(tmp_path: Path) -> None:
    folder_of(invented(duration_s=12.0), tmp_path / "a.spin")
    table = tmp_path / "a.spin" / "speed.csv"
    table.rename(tmp_path / "elsewhere.csv")
    table.symlink_to(tmp_path / "elsewhere.csv")
    with pytest.raises(UsageError, match="it is a link"):
        read_files(tmp_path / "a.spin")


@pytest.mark.parametrize(
    ("duration_s", "step_s"),
    [(6000, 900), (3600, 900), (3599, 600), (287, 60), (16, 2), (0.5, 1), (100 * 3600, 8100)],
)
def test_whole_frames_are_a_quarter_hour_apart_or_closer(duration_s: float, step_s: float) -> None:
    assert timeline_step_s(duration_s) == step_s


@pytest.mark.parametrize("hours", [0.1, 1.0, 30.0])
def test_kept_frames_do_not_grow_with_length(hours: float) -> None:
    keeper = TimelineKeeper(hours * 3600)
    picture = np.zeros((90, 1600), np.uint8)
    for index, time_s in enumerate(np.arange(0, hours * 3600, hours)):
        keeper.see(Frame(index, 0, index, float(time_s), picture))
    strip = keeper.strip()
    assert strip is not None
    assert 4 <= len(strip.pictures) <= TIMELINE_MOST + 1
    assert strip.time_s[0] == 0.0
    assert strip.pictures[0].shape == (27, 480)
    step = timeline_step_s(hours * 3600)
    # each is the first frame at or after its round instant, and frames are `hours` s apart
    assert np.all(np.mod(strip.time_s, step) < hours + 1e-6)


# ------------------------------------------------------------------------ what it tells


@pytest.mark.parametrize("kind", KINDS)
def test_page_is_well_formed_and_asks_for_nothing(
    kind: Kind, results: dict[Kind, dict[str, bytes]]
) -> None:
    page = results[kind]["report.html"].decode()
    found = outline(page)
    for tag, attributes in found.tags:
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            value = attributes.get(name)
            assert value is None or value.startswith(("data:", "#")), (tag, value)
        assert not any(name.startswith("on") for name in attributes), (tag, attributes)
    addresses = set(re.findall(r"https?://[^\"' ]+", page))
    assert addresses <= {"http://www.w3.org/2000/svg"}  # a name, which nobody asks for
    assert "@import" not in page and "url(" not in page.replace("url(#plot)", "")


def test_policy_names_the_one_script(results: dict[Kind, dict[str, bytes]]) -> None:
    page = results["resolved"]["report.html"].decode()
    policy = next(
        attributes["content"] or ""
        for tag, attributes in outline(page).tags
        if attributes.get("http-equiv") == "Content-Security-Policy"
    )
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.DOTALL)
    assert len(scripts) == 1
    digest = base64.b64encode(hashlib.sha256(scripts[0].encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'")
    assert "unsafe-eval" not in policy


def test_figures_are_those_of_the_result(results: dict[Kind, dict[str, bytes]]) -> None:
    files = results["resolved"]
    document = json.loads(files["spin.json"])
    text = " ".join(outline(files["report.html"].decode()).texts)
    spin, release = document["spin_time"], document["release"]
    assert with_u95(spin["seconds"], spin["u95_s"], "s") in text
    assert with_u95(release["rpm"], release["u95_rpm"], "rev/min") in text
    assert with_u95(document["revolutions"]["count"], document["revolutions"]["u95"]) in text
    assert document["recording"]["chapters"][0]["sha256"] in text
    assert hashlib.sha256(files["spin.json"]).hexdigest() in text
    for check in document["checks"]:
        assert html.unescape(check["note"]) in text
    for line in document["budget"]:
        assert line["source"] in text


def test_curve_of_the_page_is_speed_csv(results: dict[Kind, dict[str, bytes]]) -> None:
    files = results["resolved"]
    page = files["report.html"].decode()
    island = re.search(r'id="chart-data">(.*?)</script>', page, flags=re.DOTALL)
    assert island
    shown = json.loads(island.group(1))
    rows = list(csv.DictReader(io.StringIO(files["speed.csv"].decode())))
    assert [row["time_s"] for row in rows] == [f"{t:.6f}" for t in shown["time"]]
    assert [row["rpm"] for row in rows] == [
        "" if v is None else f"{v:.6f}" for v in shown["curves"][0]["rpm"]
    ]
    assert [mark["kind"] for mark in shown["marks"]] == ["release", "touch", "topple"]


@pytest.mark.parametrize("kind", ["resolved", "partial"])
def test_every_event_has_its_stills(kind: Kind, results: dict[Kind, dict[str, bytes]]) -> None:
    files = results[kind]
    page = files["report.html"].decode()
    for still in json.loads(files["spin.json"])["stills"]:
        assert base64.b64encode(files[still["file"]]).decode() in page


def test_reports_say_from_when_to_when_touches_were_looked_for(
    results: dict[Kind, dict[str, bytes]],
) -> None:
    data = gather(results["resolved"])
    search, topple = data.document["touch_search"], data.document["topple"]
    told = story.touches(data)
    assert told.startswith("Touches: 1 found. They were looked for from ")
    for key in ("from_s", "to_s", "pushes_to_s"):
        assert instant(search[key]) in told
    assert f"the last {topple['time_s'] - search['pushes_to_s']:.1f} s before the topple" in told
    assert html.escape(told) in results["resolved"]["report.html"].decode()
    for change, words in (
        ({"touches": [], "touch_search": search | {"pushes_to_s": None}}, "Touches: none found."),
        ({"touch_search": None}, "not looked for"),
    ):
        changed = gather(with_document(results["resolved"], lambda d, c=change: d.update(c)))
        assert words in story.touches(changed)
    old = gather(with_document(results["resolved"], lambda d: d.pop("touch_search")))
    assert "does not say from when to when" in story.touches(old)


def test_a_pass_to_be_looked_at_is_shown_as_such(results: dict[Kind, dict[str, bytes]]) -> None:
    def ask(document: dict[str, Any]) -> None:
        passed = next(c for c in document["checks"] if c["state"] == "pass")
        passed |= {"look": True, "name": "writer"}

    files = with_document(results["resolved"], ask)
    data = gather(files)
    view = next(view for view in trust.checks(data) if view.name == "writer")
    assert (view.state, view.answer) == ("look", "to be looked at")
    assert "1 to be looked at" in story.check_counts(data)
    assert '<span class="state look">▲ to be looked at</span>' in html_report(data)
    assert [v.state for v in trust.checks(data)][:2] == ["fail", "look"]


def test_facts_are_listed_with_whose_word_they_are(results: dict[Kind, dict[str, bytes]]) -> None:
    told = {"tip": "carbide", "top.mass_g": 41.5}
    files = with_document(results["resolved"], lambda d: d.update(facts=told))
    page = html_report(gather(files))
    text = " ".join(outline(page).texts)
    assert "as told when it was measured" in text
    assert "carbide" in text and "top: mass g" in text and "41.5" in text
    assert basis.FACTS_WORDS in text
    mine = html_report(gather(files), occasion=Occasion(facts=(("Tip", "steel"),)))
    assert "as the operator wrote it" in mine and "carbide" not in mine
    assert basis.FACTS_WORDS in mine
    assert "every recording of its folder" not in results["resolved"]["report.html"].decode()


def test_an_unresolved_page_states_no_single_speed(results: dict[Kind, dict[str, bytes]]) -> None:
    files = results["unresolved"]
    page = files["report.html"].decode()
    data = gather(files)
    said = [story.headline(data), *story.summary(data)]
    said += [figure.value for figure in story.key_figures(data)]
    assert not any("rev/min" in text for text in said)
    assert "not determined" in [figure.value for figure in story.key_figures(data)]
    assert story.key_figures(data)[-2].value == "not determined"  # the direction
    assert not any(view.best for view in evidence.candidates(data))
    assert not any(speed for _, _, speed in around.timeline(data))
    island = re.search(r'id="chart-data">(.*?)</script>', page, flags=re.DOTALL)
    assert island and len(json.loads(island.group(1))["curves"]) == 5
    text = " ".join(outline(page).texts)
    for candidate in json.loads(files["spin.json"])["alias"]["candidates"]:
        assert f"{abs(candidate['rpm']):.1f}" in text


def test_candidates_are_drawn_alike(results: dict[Kind, dict[str, bytes]]) -> None:
    drawing = curve_svg(gather(results["unresolved"]), on_paper=True)
    widths = set(re.findall(r'stroke="#0072b2" stroke-width="([\d.]+)"', drawing))
    assert widths == {"2"}
    assert drawing.count(">alias order ") == 5


def test_a_missing_end_is_a_lower_limit(results: dict[Kind, dict[str, bytes]]) -> None:
    data = gather(results["partial"])
    assert "at least" in story.headline(data)
    assert "The topple is not seen in the recording" in " ".join(story.summary(data))
    assert [h.seen for h in story.happenings(data)] == [True, False]


def test_failed_checks_come_first_and_are_noted(results: dict[Kind, dict[str, bytes]]) -> None:
    data = gather(results["resolved"])
    assert trust.checks(data)[0].state == "fail"
    assert any("hands in the picture" in warning for warning in story.warnings(data))


def test_instant_of_a_check_is_read_from_its_figure(results: dict[Kind, dict[str, bytes]]) -> None:
    def change(document: dict[str, object]) -> None:
        document["checks"] = [
            {"name": "a", "state": "fail", "figure": "largest step 0.2 turn at 9.3 s", "note": ""},
            {"name": "b", "state": "fail", "figure": "0.2 s unseen of 283.7 s", "note": ""},
        ]

    views = trust.checks(gather(with_document(results["resolved"], change)))
    assert [view.time_s for view in views] == [9.3, None]


def test_shares_of_a_budget_add_up(results: dict[Kind, dict[str, bytes]]) -> None:
    for view in trust.budgets(gather(results["resolved"])):
        assert sum(line.share for line in view.lines) == pytest.approx(1.0)


def test_a_budget_tells_two_digits_and_the_degrees_of_freedom(
    results: dict[Kind, dict[str, bytes]],
) -> None:
    def change(document: dict[str, Any]) -> None:
        for total in document["budget_totals"]:
            total.update(u_rpm=0.1502, u95_rpm=0.3, k=1.97, dof=283.6)
        for entry in document["budget"]:
            entry.update(u_rpm=0.0103, dof=None if entry["type"] == "A" else 50.0)

    files = with_document(results["resolved"], change)
    page = " ".join(outline(html_report(gather(files))).texts)
    assert "Together 0.15 rev/min" in page and "± 0.30 rev/min" in page
    assert "for 284 effective degrees of freedom" in page
    for view in trust.budgets(gather(files)):
        assert {line.u for line in view.lines} == {"0.010"}
        assert {line.dof for line in view.lines} == {"50", "–"}


def test_budget_of_the_spin_time_adds_up(results: dict[Kind, dict[str, bytes]]) -> None:
    data = gather(results["resolved"])
    spin, release, topple = (data.document[key] for key in ("spin_time", "release", "topple"))
    clock = basis.NORMAL_95 * data.document["camera"]["clock_ppm"]["u"] * 1e-6 * spin["seconds"]
    lines = basis.spin_time_budget(data)
    assert [line.source for line in lines][:3] == [
        "instant of the release", "instant of the topple", "clock",
    ]  # fmt: skip
    assert lines[2].u95 == f"± {alone(clock)} s"
    assert lines[3].u95 == f"± {alone(spin['u95_s'])} s"
    assert lines[0].u95 == f"± {alone(release['u95_s'])} s"
    assert lines[1].u95 == f"± {alone(topple['u95_s'])} s"
    ends = np.hypot(release["u95_s"], topple["u95_s"])

    def changed(u95_s: float, *, overruled: bool) -> ReportData:
        def change(document: dict[str, Any]) -> None:
            document["spin_time"]["u95_s"] = u95_s
            document["topple"]["overruled"] = overruled

        return gather(with_document(results["resolved"], change))

    less = "less what a time stamp stands for, the same at both ends"
    assert less in basis.spin_time_budget(changed(0.5 * ends, overruled=False))[3].note
    of_old = changed(float(np.hypot(ends, clock)), overruled=False)
    one = changed(0.5 * ends, overruled=True)  # one of them only
    for told_so in (of_old, one):
        assert less not in basis.spin_time_budget(told_so)[3].note
    told = " ".join(outline(html_report(one)).texts)
    assert "over frames that are missing there, and holds what a time stamp stands for" in told


def test_speed_beyond_the_last_sighting_is_called_extrapolated(
    results: dict[Kind, dict[str, bytes]],
) -> None:
    data = gather(results["resolved"])
    at = data.document["topple"]["time_s"]
    far = dataclasses.replace(data, sighted_s=(data.document["release"]["time_s"], at - 1.5))
    assert basis.unseen_ends(far) == [(at - 1.5, at)]
    assert "extrapolated: the mark was last seen 1.50 s before" in html_report(far)
    assert (at - 1.5, at) in drawing.unseen(far)
    near = dataclasses.replace(data, sighted_s=(data.document["release"]["time_s"], at - 0.01))
    assert "extrapolated" not in html_report(near)


@pytest.mark.parametrize("camera", [True, False])
def test_camera_is_said_to_have_written_the_times_only_where_the_file_names_one(
    *, camera: bool, results: dict[Kind, dict[str, bytes]]
) -> None:
    tags = {"com.android.model": "Phone 7"} if camera else {"encoder": "Lavf62.12"}

    def change(document: dict[str, Any]) -> None:
        document["recording"]["chapters"][0]["tags"] = tags

    page = html_report(gather(with_document(results["resolved"], change)))
    text = " ".join(outline(page).texts)
    assert ("the file names a camera (Phone 7)" in text) == camera
    assert ("The file names no camera and was written by Lavf62.12" in text) != camera
    assert "There is no outside check of the time scale" in text


def test_claims_are_shown_with_their_verdict(results: dict[Kind, dict[str, bytes]]) -> None:
    claim = Claim(
        "the top spun for 0:00:50 <b>", "not supported", ("it toppled earlier",), "simple"
    )
    occasion = Occasion(facts=(("place", "barn"),), claims=(claim,), filmed_after="filmed after X")
    page = html_report(gather(results["resolved"]), occasion=occasion)
    text = " ".join(outline(page).texts)
    assert "not supported" in text and "it toppled earlier" in text and "filmed after X" in text
    assert "the top spun for 0:00:50 <b>" in text
    assert "No claim is part" not in text


def test_a_damaged_result_is_refused(results: dict[Kind, dict[str, bytes]]) -> None:
    files = results["resolved"]
    for broken in (
        {k: v for k, v in files.items() if k != "speed.csv"},
        files | {"spin.json": b"{"},
        files | {"spin.json": b'{"alias": {"resolved": NaN}}'},
        files | {"speed.csv": b"time_s,rpm\n1,x\n"},
    ):
        with pytest.raises(UsageError, match="incomplete or damaged"):
            gather(broken)


def bare() -> Result:
    """A result in which everything that may be absent is absent."""
    result = invented(duration_s=12.0)
    assert result.topple is not None
    nan = np.full_like(result.curve.time_s, np.nan)
    return dataclasses.replace(
        result,
        direction=None,
        release=None,
        topple=dataclasses.replace(
            result.topple, seen=False, time_s=math.nan, u95_s=math.inf, speed_rad_s=None
        ),
        touches=(),
        spin_time=None,
        revolutions=None,
        checks=(),
        strips=(),
        timeline=None,
        clock_ppm=Quantity(math.nan, math.nan),
        shutter=dataclasses.replace(result.shutter, readout_s=None, exposure_s=None),
        curve=dataclasses.replace(
            result.curve, speed_rad_s=nan, u95_total_rad_s=nan, u95_speed_rad_s=nan, budgets=()
        ),
        alias=dataclasses.replace(
            result.alias, candidates=(), votes=(), odds=math.inf, reference_s=math.nan
        ),
    )


@pytest.mark.parametrize("resolved", [True, False])
def test_a_result_that_knows_next_to_nothing_is_told_all_the_same(
    resolved: bool, tmp_path: Path
) -> None:
    result = bare()
    result = dataclasses.replace(result, alias=dataclasses.replace(result.alias, resolved=resolved))
    files = folder_of(result, tmp_path / "bare.spin")
    text = " ".join(outline(files["report.html"].decode()).texts)
    assert "How long the top spun is not seen in the recording." in text
    assert "nan" not in text.lower().split() and "None" not in text.split()
    assert pdf_report(gather(files)).startswith(b"%PDF-1.7")


def test_a_curve_of_no_rows_is_drawn(results: dict[Kind, dict[str, bytes]]) -> None:
    files = dict(results["resolved"])
    files["speed.csv"] = files["speed.csv"].splitlines(keepends=True)[0]
    page = html_report(gather(files))
    assert "no speed is known" in page


def test_a_long_recording_gives_a_page_that_opens_fast(tmp_path: Path) -> None:
    """100 minutes: the numbers of the curve stay well under the pictures."""
    files = folder_of(invented(duration_s=6000.0), tmp_path / "long.spin")
    page = files["report.html"].decode()
    island = re.search(r'id="chart-data">(.*?)</script>', page, flags=re.DOTALL)
    assert island and len(island.group(1)) < 300_000
    assert len(page) < 3_000_000


# ------------------------------------------------------------------------ texts are texts


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_texts_stay_texts(text: str, results: dict[Kind, dict[str, bytes]]) -> None:
    page = html_report(gather(with_text_everywhere(results["resolved"], text)))
    clean = outline(results["resolved"]["report.html"].decode())
    found = outline(page)
    assert [tag for tag, _ in found.tags if tag in {"script", "img", "iframe"}] == [
        tag for tag, _ in clean.tags if tag in {"script", "img", "iframe"}
    ]
    assert plain(text) in "".join(found.texts)
    page.encode("utf-8")
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", page)


def test_a_limit_names_the_time_between_chapters_where_both_ends_are_seen(tmp_path: Path) -> None:
    def unknown_gap(document: dict[str, Any]) -> None:
        document["spin_time"] |= {"seconds": None, "u95_s": None, "at_least_s": 9.5}

    files = folder_of(invented(), tmp_path / "a.spin")
    data = gather(with_document(files, unknown_gap))
    why = "the time between two files of the recording is not known"
    assert story.summary(data)[0].startswith(f"{why.capitalize()}: this is a lower limit")
    assert story.key_figures(data)[0].note == why

    def also_no_release(document: dict[str, Any]) -> None:
        unknown_gap(document)
        document["release"] = None

    data = gather(with_document(files, also_no_release))
    assert story.summary(data)[0].startswith("The release is not seen in the recording: this is")


# Signs that show, before the number that they span, though Unicode counts them as format characters
# (property Prepended_Concatenation_Mark).
PREPENDED = "\u0600\u0601\u0602\u0603\u0604\u0605\u06dd\u070f\u0890\u0891\u08e2\U000110bd\U000110cd"


@given(st.text(max_size=60))
@example("\u0600")
def test_plain_text_is_one_visible_line(text: str) -> None:
    shown = plain(text)
    shown.encode("utf-8")
    assert shown == shown.strip()
    assert all(c.isprintable() or c in "\u200c\u200d" + PREPENDED for c in shown)


def test_plain_text_keeps_what_can_be_read() -> None:
    for text in ("Kranichflug №3", "コマ", "שלום", "a b", "50 % ± 2", "👍"):
        assert plain(text) == text
    assert plain("a\nb\tc") == "a b c"
    assert plain("a\u202eb") == "a[U+202E]b"
    assert plain("x" * 500).endswith("[… 500 characters]")


def test_long_runs_can_be_broken() -> None:
    parts = breakable(f"{'f' * 64} short").split("\u200b")
    assert "".join(parts) == f"{'f' * 64} short"
    assert max(map(len, parts)) <= 20


def test_lacking_characters_become_code_points() -> None:
    assert code_points("aé鳥", "鳥") == "aé[U+9CE5]"
    assert code_points("ж鳥独", "鳥") == "ж[U+9CE5][U+72EC]"
    assert code_points("ж鳥") == "[U+0436][U+9CE5]"


def test_stills_within_the_uncertainty_of_their_event_are_told_from_those_after_it(
    results: dict[Kind, dict[str, bytes]],
) -> None:
    def change(document: dict[str, Any]) -> None:
        document["release"]["u95_s"] = u95_s

    def classes() -> list[tuple[str, str]]:
        page = html_report(gather(with_document(results["resolved"], change)))
        part = page[page.index('id="event-release"') : page.index('id="event-topple"')]
        assert "Dashed: within its ±" in part
        return re.findall(r'<li(?: class="(\w+)")?>.*?</b>(.*?)</figcaption>', part)

    stills = [s for s in json.loads(results["resolved"]["spin.json"])["stills"]]
    release_s = json.loads(results["resolved"]["spin.json"])["release"]["time_s"]
    apart = sorted(s["time_s"] - release_s for s in stills if s["kind"] == "release")
    nearest = sorted(abs(t) for t in apart)
    u95_s = 0.5 * (nearest[2] + nearest[3])  # holds three of the seven
    want = ["within" if abs(t) <= u95_s else "after" if t > 0 else "" for t in apart]
    assert want.count("within") == 3 and {"", "after"} < set(want)
    assert [css for css, _ in classes()] == want
    assert [words.endswith(", within ±") for _, words in classes()] == [
        css == "within" for css in want
    ]


def test_a_release_speed_that_is_lacking_says_why(results: dict[Kind, dict[str, bytes]]) -> None:
    def change(document: dict[str, Any]) -> None:
        document["release"] |= {"rpm": None, "u95_rpm": None, "speed_lacking": "too <dim>"}

    data = gather(with_document(results["resolved"], change))
    (speed,) = (one for one in story.key_figures(data) if one.label == "Speed at release")
    assert (speed.value, speed.note) == ("not told", "too <dim>")
    assert "No speed is told at this instant: too &lt;dim&gt;." in html_report(data)


def test_a_clock_that_was_not_measured_says_so(results: dict[Kind, dict[str, bytes]]) -> None:
    def figure(how: str) -> tuple[str, str]:
        def change(document: dict[str, Any]) -> None:
            document["camera"]["clock_ppm"] = {"value": 0.0, "u": 28.9, "how": how}

        facts = story.recording_facts(gather(with_document(results["resolved"], change)))
        (clock,) = (one for one in facts if one.label == "Camera: clock error")
        return clock.value, clock.note

    assumed = "rectangular, ±50 ppm (nothing better is known)"
    assert figure(assumed) == ("not measured; taken as 0 ± 50 parts in a million", assumed)
    assert figure("two references")[0] == "0 parts in a million, standard uncertainty 29"


def test_a_spin_time_says_what_it_is_counted_from(results: dict[Kind, dict[str, bytes]]) -> None:
    def change(document: dict[str, Any]) -> None:
        document["topple"]["overruled"] = True

    said = " ".join(story.summary(gather(with_document(results["resolved"], change))))
    assert "counted here from the instant from which the mark moves as on a free top" in said
    assert "fingers are not looked for) to the topple as a person stated it." in said


def test_a_name_that_a_shell_would_read_is_not_printed_as_a_command(
    results: dict[Kind, dict[str, bytes]],
) -> None:
    def change(document: dict[str, dict[str, list[dict[str, str]]]]) -> None:
        document["recording"]["chapters"][0]["name"] = "a.mp4; rm -rf ~"

    steps = trust.how_to_check(gather(with_document(results["resolved"], change)))
    assert [step.command for step in steps if step.command] == [
        "sha256sum RECORDING",
        "vidspin measure RECORDING",
    ]


# ---------------------------------------------------------------------------- drawing


def test_thinning_keeps_the_extremes() -> None:
    time = np.arange(100_000.0)
    value = np.sin(time / 500)
    value[70_000] = 9.0
    t, v = thinned(time, value)
    assert t.size <= 2 * MOST_COLUMNS
    assert v.max() == 9.0 and t[int(v.argmax())] == 70_000
    assert np.all(np.diff(t) > 0)


def test_no_line_bridges_what_was_not_seen() -> None:
    time = np.array([0.0, 1, 2, 6, 7, 8, 9])
    value = np.array([1.0, 1, 1, 1, np.nan, 1, 1])
    assert [t.tolist() for t, _ in pieces(time, value)] == [[0, 1, 2], [6], [8, 9]]


@given(st.floats(0.01, 4e5))
def test_ticks_are_few_and_inside(span: float) -> None:
    ticks, words = time_ticks(span)
    assert len(ticks) == len(words) and ticks[0] == 0.0 and ticks[-1] <= span * (1 + 1e-6)
    if span <= 8 * 14400:
        assert 1 <= len(ticks) <= 9
    values = value_ticks(span, 6)
    assert 2 <= len(values) <= 7 and values[-1] <= span * (1 + 1e-6)


def test_size_of_a_jpeg_is_read_from_its_header(results: dict[Kind, dict[str, bytes]]) -> None:
    assert jpeg_size(results["resolved"]["still-timeline-01.jpg"]) == (320, 180)
    assert jpeg_size(b"\xff\xd8") == (1, 1)
