"""Is every word of the reports in a dossier what its files make? Forgeries are sealed whole."""

from __future__ import annotations

import base64
import copy
import dataclasses
import io
import re
import time
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pytest
from dossiers import failures, make_dossier, make_result, silent

from vidspin.cli.reporting import reports_of
from vidspin.dossier import remade
from vidspin.dossier.attempt import read_attempt
from vidspin.dossier.examined import Expectations, Step, Verification
from vidspin.dossier.reports import HTML_REPORT, PDF_REPORT, ReportFacts
from vidspin.dossier.verify import verify
from vidspin.report import paper

VERSION = "0.1.0"
FACTS = b'title = "Evening of the goldfinch"\n[operator]\nname = "the operator"\n'
SPIN_TIME = re.compile(r"\d+\.\d+ ± \d+\.\d+ s")


def _verified(dossier: Path, version: str = VERSION) -> Verification:
    return verify(dossier, Expectations(), silent, reporter=reports_of, version=version)


def _reports(found: Verification) -> list[Step]:
    return [step for step in found.steps if step.name == "reports"]


def _forged(folder: Path, edit: Callable[[str], str]) -> Verification:
    """Make a dossier whose page somebody edited before it was sealed."""

    def lying(facts: ReportFacts) -> dict[str, bytes]:
        made = reports_of(facts)
        page = made[HTML_REPORT].decode()
        edited = edit(page)
        assert edited != page
        return {**made, HTML_REPORT: edited.encode()}

    dossier, _ = make_dossier(make_result(folder), reporter=lying)
    assert failures(verify(dossier, Expectations(), silent)) == []  # so it needs a second look
    return _verified(dossier)


@pytest.mark.parametrize("kind", ["resolved", "partial", "unresolved"])
def test_honest_reports_come_out_again_word_by_word(tmp_path: Path, kind: str) -> None:
    attempt = read_attempt(FACTS, "attempt.toml")
    result = make_result(tmp_path, kind=kind)  # type: ignore[arg-type]
    dossier, _ = make_dossier(result, attempt=attempt, reporter=reports_of)
    found = _verified(dossier)
    assert failures(found) == []
    (step,) = _reports(found)
    assert step.state == "pass"
    assert step.says.startswith("report.html and report.pdf say")


def _flat(path: re.Match[str]) -> str:
    """A line of as many places, all at one height."""
    return re.sub(r"([ ,])\d+\.\d", r"\g<1>77.0", path[0])


def _hidden(page: str) -> str:
    shown = SPIN_TIME.search(page)
    assert shown is not None
    return page.replace(shown[0], f"<span hidden>{shown[0]}</span>99.00 ± 0.01 s")


@pytest.mark.parametrize(
    ("edit", "told"),
    [
        (_hidden, "it says '99.00 ± 0.01 s' where its files make"),
        (lambda page: page.replace("</main>", "<p>A record.</p></main>"), "it says 'A record.'"),
        (
            lambda page: page.replace("</style>", "main{display:none}</style>"),
            "its script or style",
        ),
        (lambda page: page.replace('<main id="main">', '<main id="main" hidden>'), "its build"),
        (lambda page: page.replace("<main", "<!-- --><main", 1) + "<p>More.</p>", "says 'More.'"),
        (
            lambda page: re.sub(r'\bd="M[^"]{60,}"', _flat, page),
            "what is drawn on it lies elsewhere",
        ),
        (lambda page: re.sub(r'\bd="M[\d.]+ ', 'd="M# ', page, count=1), "drawn on it lies"),
        (lambda page: re.sub(r'(<text[^>]* y=")[^"]+', r"\g<1>-9999", page), "drawn on it lies"),
        (lambda page: re.sub(r'"span":[\d.]+', '"span":9999.0', page), "its data is not"),
    ],
    ids=["hidden", "added", "style", "attribute", "after", "lines", "sign", "labels", "curve"],
)
def test_an_edited_page_is_found(edit: Callable[[str], str], told: str, tmp_path: Path) -> None:
    (says,) = failures(_forged(tmp_path, edit))
    assert told in says


def test_words_changed_on_paper_alone_are_found(tmp_path: Path) -> None:
    def lying(facts: ReportFacts) -> dict[str, bytes]:
        manifest = copy.deepcopy(facts.manifest)
        manifest["attempt"]["title"] = "Evening of the kestrel"
        paper = reports_of(dataclasses.replace(facts, manifest=manifest))[PDF_REPORT]
        return {**reports_of(facts), PDF_REPORT: paper}

    attempt = read_attempt(FACTS, "attempt.toml")
    dossier, _ = make_dossier(make_result(tmp_path), attempt=attempt, reporter=lying)
    (says,) = failures(_verified(dossier))
    assert "report.pdf: it says 'kestrel" in says
    assert "does not say 'goldfinch" in says


def _papers(folder: Path, *titles: str) -> list[bytes]:
    """Set the papers of one dossier, each with another title of the attempt."""
    made: list[bytes] = []

    def setting(facts: ReportFacts) -> dict[str, bytes]:
        for title in titles:
            manifest = copy.deepcopy(facts.manifest)
            first, *more = title.split("|")
            manifest["attempt"] |= {
                "title": first,
                "witnesses": [{"role": "w", "name": m} for m in more],
            }
            made.append(reports_of(dataclasses.replace(facts, manifest=manifest))[PDF_REPORT])
        return {HTML_REPORT: facts.files[HTML_REPORT]} if HTML_REPORT in facts.files else {}

    attempt = read_attempt(FACTS, "attempt.toml")
    make_dossier(make_result(folder), attempt=attempt, reporter=setting)
    return made


def _pages(paper: bytes) -> int:
    return len(pypdf.PdfReader(io.BytesIO(paper)).pages)


def _with_pages(paper: bytes, *numbers: int, empty: int = 0, creator: str = "") -> bytes:
    """Take some pages of a paper, and add empty ones; say that another library has set it."""
    writer = pypdf.PdfWriter()
    pages = pypdf.PdfReader(io.BytesIO(paper)).pages
    for number in numbers:
        writer.add_page(pages[number])
    for _ in range(empty):
        writer.add_blank_page(595, 842)
    writer.add_metadata({"/Creator": creator or remade.set_by(paper)})
    held = io.BytesIO()
    writer.write(held)
    return held.getvalue()


def test_a_paper_with_another_number_of_pages_hides_no_words(tmp_path: Path) -> None:
    honest, longer = _papers(tmp_path, "An evening", "An evening" + "|without a record" * 9)
    count = _pages(honest)
    assert _pages(longer) > count
    (one,) = remade.in_paper(honest, longer, "report.pdf")
    assert one.says.startswith('it says "without a record, ')  # each word once
    assert list(remade.in_paper(honest, _with_pages(honest, *range(count)), "report.pdf")) == []
    (one,) = remade.in_paper(honest, _with_pages(honest, *range(count - 1)), "report.pdf")
    assert "it does not say" in one.says
    (one,) = remade.in_paper(honest, _with_pages(honest, *range(count), 2), "report.pdf")
    assert "it says" in one.says
    (one,) = remade.in_paper(honest, _with_pages(honest, *range(count), empty=1), "report.pdf")
    assert one.says.startswith(f"it has {count + 1} pages, {count} when it is made here")


@pytest.mark.parametrize("creator", ["", "a library of another version"])
def test_exchanged_pages_are_found_whoever_is_said_to_have_set_them(
    creator: str, tmp_path: Path
) -> None:
    (honest,) = _papers(tmp_path, "An evening")
    first, second, third, *more = range(_pages(honest))
    kept = _with_pages(honest, first, second, third, *more, creator=creator)
    assert list(remade.in_paper(honest, kept, "report.pdf")) == []
    exchanged = _with_pages(honest, first, third, second, *more, creator=creator)
    (one,) = remade.in_paper(honest, exchanged, "report.pdf")
    assert "the same words in another order, 'How it was measured' where its files" in one.says


CONTENTS = "Contents Speed . . . . 2 Files . . . . 3 Words Speed 1834.0 rev/min Files 12 of them"


@pytest.mark.parametrize(
    ("found", "told"),
    [
        (CONTENTS.replace(". 2", ". . 3").replace(". 3 Words", "....... 12 Words"), None),
        (CONTENTS.replace(". 2", ". 9999"), "it says '. . . . . . . . 9999 3'"),
        (CONTENTS.replace("1834.0", "1834.0 . . . 9"), "it says '. . . 9'"),
        (CONTENTS.replace("Words", "Contents Speed . . . 9 Words"), "it says 'Contents Speed"),
        (CONTENTS.replace("12 of them", "of them").replace("1834.0", "12 1834.0"), "under 'Speed'"),
    ],
    ids=["pages", "no page", "behind a figure", "twice", "another part"],
)
def test_only_the_contents_may_have_other_pages_behind_dots(
    found: str, told: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    _paper(monkeypatch, CONTENTS, found)
    monkeypatch.setattr(remade, "set_by", lambda paper: paper.decode())
    says = [one.says for one in remade.in_paper(CONTENTS.encode(), found.encode(), "report.pdf")]
    assert len(says) == (told is not None)
    assert all(told in one for one in says if told)


@pytest.mark.parametrize(
    "found",
    ["Speed " + ". " * 300_000 + "x", "the " * 12_000, "the " * 300_000, "Contents " * 300_000],
    ids=["dots", "one word", "one word, long", "contents"],
)
def test_a_paper_made_to_be_slow_is_compared_at_once(
    found: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = " ".join(f"{CONTENTS} the speed no. {k} of the top" for k in range(300))
    _paper(monkeypatch, made, found)
    start = time.process_time()
    (one,) = remade.in_paper(made.encode(), found.encode(), "report.pdf")
    assert time.process_time() - start < 30  # hours, if every place is held against every other
    assert "it says" in one.says and "it does not say" in one.says


def test_where_words_are_only_counted_one_that_was_broken_elsewhere_is_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(remade, "MOST_STEPS", 0)
    made, found, forged = "SHA-256 2785cb 0b48", "SHA-256 2785 cb0b48", "SHA-256 2785 cb0b49"
    _paper(monkeypatch, made, found, forged)
    assert list(remade.in_paper(made.encode(), found.encode(), "report.pdf")) == []
    (one,) = remade.in_paper(made.encode(), forged.encode(), "report.pdf")
    assert "cb0b49" in one.says


def test_words_that_changed_places_on_paper_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    made, found = "release 1834.0 topple 391.4", "release 391.4 topple 1834.0"
    _paper(monkeypatch, made, found)
    (one,) = remade.in_paper(made.encode(), found.encode(), "report.pdf")
    assert "in another order, from '391.4 topple 1834.0'" in one.says
    # a library of another version may place a picture and its words elsewhere
    monkeypatch.setattr(remade, "set_by", lambda paper: paper.decode())
    with pytest.raises(ValueError, match="another order"):
        list(remade.in_paper(made.encode(), found.encode(), "report.pdf"))


def test_an_honest_paper_whose_pages_break_elsewhere_is_not_accused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (here,) = _papers(tmp_path / "here", "An evening")
    monkeypatch.setattr(paper, "FONTS", ("DejaVu Sans Mono",))  # far wider letters
    there, forged = _papers(tmp_path / "there", "An evening", "A morning")
    assert _pages(there) > _pages(here)
    ours = remade.set_by(here)
    monkeypatch.setattr(remade, "set_by", lambda one: ours if one == here else "another library")
    with pytest.raises(ValueError, match=r"pages, \d+ when it is made here, with the same words"):
        list(remade.in_paper(here, there, "report.pdf"))
    (one,) = remade.in_paper(here, forged, "report.pdf")
    assert one.says.startswith("it says 'A morning' and it does not say 'An evening'")


def test_the_heads_of_tables_are_those_that_the_paper_has() -> None:
    template = resources.files("vidspin.report").joinpath("assets", "paper.typ").read_text("utf-8")
    heads = re.findall(r"table\.header\((.*)\)", template)
    assert {" ".join(re.findall(r"\[(.*?)\]", one)) for one in heads} == {
        " ".join(head) for head in remade.HEADS
    }


def _in_other_words(facts: ReportFacts) -> dict[str, bytes]:
    """Make reports as a build would that calls the alias order otherwise."""
    manifest = copy.deepcopy(facts.manifest)
    manifest["attempt"]["title"] = "Night of the goldfinch"
    made = reports_of(dataclasses.replace(facts, manifest=manifest))
    return {**made, HTML_REPORT: made[HTML_REPORT].replace(b"alias order", b"order of aliases")}


@pytest.mark.parametrize("other", ["0.2.0+3f9c2a71d0be", "0.1.0+3f9c2a71d0be", "0.1.0"])
def test_what_another_build_says_in_other_words_is_open(other: str, tmp_path: Path) -> None:
    attempt = read_attempt(FACTS, "attempt.toml")
    dossier, _ = make_dossier(
        make_result(tmp_path),
        attempt=attempt,
        reporter=_in_other_words,
        version="0.1.0+aaaabbbbcccc",
    )
    assert len(failures(_verified(dossier, version="0.1.0+aaaabbbbcccc"))) == 2  # its own build
    found = _verified(dossier, version=other)
    assert failures(found) == []
    page, sheet = _reports(found)
    assert page.state == sheet.state == "unchecked"
    assert f"made by vidspin 0.1.0+aaaabbbbcccc, and this is {other}, which makes" in page.says
    assert "it says 'order of aliases' where" in page.says and "'Night'" in sheet.says


def test_the_same_words_by_another_build_are_no_question(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path), reporter=reports_of)
    found = _verified(dossier, version="0.2.0")
    assert failures(found) == []
    (step,) = _reports(found)
    assert step.state == "pass"
    assert "word by word (made by vidspin 0.1.0, and this is 0.2.0)" in step.says


def test_a_figure_that_is_not_the_result_s_is_wrong_whoever_made_the_report(tmp_path: Path) -> None:
    def lying(facts: ReportFacts) -> dict[str, bytes]:
        made = reports_of(facts)
        return {
            **made,
            HTML_REPORT: SPIN_TIME.sub("99.00 ± 0.01 s", made[HTML_REPORT].decode()).encode(),
        }

    dossier, _ = make_dossier(make_result(tmp_path), reporter=lying)
    found = _verified(dossier, version="0.2.0")
    assert any("does not state the spin time" in says for says in failures(found))


def test_reports_that_another_build_cannot_make_are_open(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path), reporter=reports_of)

    def falls(facts: ReportFacts) -> dict[str, bytes]:
        raise KeyError("a field of later results")

    found = verify(dossier, Expectations(), silent, reporter=falls, version="0.2.0")
    assert failures(found) == []
    (step,) = _reports(found)
    assert step.state == "unchecked" and "they were made by vidspin 0.1.0, and this is" in step.says


def test_a_report_that_was_left_out_is_found(tmp_path: Path) -> None:
    def without(facts: ReportFacts) -> dict[str, bytes]:
        return {HTML_REPORT: reports_of(facts)[HTML_REPORT]}

    dossier, _ = make_dossier(make_result(tmp_path), reporter=without)
    (says,) = failures(_verified(dossier))
    assert says.startswith("report.pdf: it belongs to such a dossier and is not in it")


def _page(picture: np.ndarray, quality: int = 92) -> bytes:
    data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
    return f'<p><img src="data:image/jpeg;base64,{base64.b64encode(data).decode()}"></p>'.encode()


def test_a_picture_encoded_anew_is_the_same_and_a_figure_written_over_it_is_not() -> None:
    drawn = np.full((120, 200, 3), 250, np.uint8)
    cv2.putText(drawn, "64.1 s", (20, 60), cv2.FONT_HERSHEY_SIMPLEX, 1.0, (30, 30, 30), 2)
    other = np.full((120, 200, 3), 250, np.uint8)
    cv2.putText(other, "84.1 s", (20, 60), cv2.FONT_HERSHEY_SIMPLEX, 1.0, (30, 30, 30), 2)
    assert list(remade.in_page(_page(drawn), _page(drawn, 97), "page")) == []
    for found in (
        _page(other),
        _page(drawn[:60]),
        b'<p><img src="data:image/jpeg;base64,AAAA"></p>',
    ):
        (one,) = remade.in_page(_page(drawn), found, "page")
        assert one.says == "picture 1 of it is not the one that the dossier's files make"


def _paper(monkeypatch: pytest.MonkeyPatch, *texts: str) -> None:
    papers = {text.encode(): [text] for text in texts}
    monkeypatch.setattr(remade, "_texts", lambda paper: papers[paper])


def test_letters_that_another_machine_writes_as_code_points_are_no_forgery(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made, found = "Attempt of [U+1403][U+14C4] 64.15 s", "Attempt of ᐃᓄ 64.15 s"
    _paper(monkeypatch, made, found, "Attempt of ᐃᓄ 84.15 s")
    with pytest.raises(ValueError, match="fonts"):
        list(remade.in_paper(made.encode(), found.encode(), "report.pdf"))
    (one,) = remade.in_paper(made.encode(), "Attempt of ᐃᓄ 84.15 s".encode(), "report.pdf")
    assert "84.15" in one.says


def test_a_report_that_cannot_be_made_again_leaves_the_other_findings(tmp_path: Path) -> None:
    dossier, _ = make_dossier(make_result(tmp_path), reporter=reports_of)

    def falls(facts: ReportFacts) -> dict[str, bytes]:
        raise IndexError("no such cell")

    (dossier / "data" / "result" / "speed.csv").unlink()
    found = verify(dossier, Expectations(), silent, reporter=falls, version=VERSION)
    assert any("speed.csv is missing" in says for says in failures(found))
    (step,) = _reports(found)
    assert step.state == "unchecked"
