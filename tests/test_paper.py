"""The paper: both standards in one file, data attached byte for byte, same input same bytes.

typst's strict mode raises where the standards are not met; the assertions here look at the
structure of the file from outside.  No validator for PDF/A can be installed with the tests.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pikepdf
import pytest
from fabricate import Kind
from outside import needed
from pypdf import PageObject, PdfReader
from reporting import HOSTILE, folder_of, invented, with_document, with_text_everywhere

from vidspin.errors import UsageError
from vidspin.figures.paper import SMALL, encode_png
from vidspin.figures.style import WIDTH_PX
from vidspin.report import Claim, Occasion, gather
from vidspin.report.paper import ROLES, pdf_report
from vidspin.report.text import plain
from vidspin.wording import with_u95

HASH = "3f9a61c277d0e41b"
KEYS = (("operator", "SHA256:2Yf0s3c9TqO7wq3sJ1rZkJY0vX9H2p4hVtKkq8m3J1A"), ("witness", ""))


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[Kind, dict[str, bytes]]:
    place = tmp_path_factory.mktemp("results")
    kinds: tuple[Kind, ...] = ("resolved", "unresolved")
    return {kind: folder_of(invented(kind), place / f"{kind}.spin") for kind in kinds}


def attached(files: dict[str, bytes]) -> dict[str, bytes]:
    return {name: files[name] for name in ("spin.json", "speed.csv")} | {
        "manifest.json": b'{"files":[]}'
    }


def paper_of(files: dict[str, bytes]) -> bytes:
    return pdf_report(
        gather(files), attachments=attached(files), short_hash=HASH, key_fingerprints=KEYS
    )


@pytest.fixture(scope="module")
def papers(results: dict[Kind, dict[str, bytes]]) -> dict[Kind, bytes]:
    return {kind: paper_of(files) for kind, files in results.items()}


@pytest.fixture(scope="module")
def opened(papers: dict[Kind, bytes]) -> pikepdf.Pdf:
    return pikepdf.open(io.BytesIO(papers["resolved"]))


def words(pdf: bytes) -> list[str]:
    """Return the text of every page, as a reader other than typst sees it."""
    tool = needed("pdftotext", "pdftotext", package="poppler-utils")
    done = subprocess.run(
        [tool, "-enc", "UTF-8", "-", "-"], input=pdf, capture_output=True, check=True
    )
    return done.stdout.decode().split("\f")[:-1]


# ---------------------------------------------------------------------------- structure


def test_metadata_claims_both_standards(opened: pikepdf.Pdf) -> None:
    with opened.open_metadata() as metadata:
        assert metadata["pdfaid:part"] == "3"
        assert metadata["pdfaid:conformance"] == "A"
        assert metadata["pdfuaid:part"] == "1"
        assert metadata["dc:title"] == "evening_07: evidence report"


def test_output_intent_language_tags_and_title_are_there(opened: pikepdf.Pdf) -> None:
    root = opened.Root
    intent = root.OutputIntents[0]
    assert str(intent.S) == "/GTS_PDFA1" and len(intent.DestOutputProfile.read_bytes()) > 100
    assert str(root.Lang) == "en"
    assert bool(root.MarkInfo.Marked) is True
    assert bool(root.ViewerPreferences.DisplayDocTitle) is True
    assert not opened.is_encrypted
    assert "/JavaScript" not in root.get("/Names", {})


def test_every_font_is_embedded(opened: pikepdf.Pdf) -> None:
    descriptors = [
        thing
        for thing in opened.objects
        if isinstance(thing, pikepdf.Dictionary) and thing.get("/Type") == "/FontDescriptor"
    ]
    assert descriptors
    for descriptor in descriptors:
        assert any(f"/FontFile{kind}" in descriptor for kind in ("", "2", "3"))


def structure(opened: pikepdf.Pdf) -> list[pikepdf.Dictionary]:
    return [
        thing
        for thing in opened.objects
        if isinstance(thing, pikepdf.Dictionary) and thing.get("/Type") == "/StructElem"
    ]


def test_two_pictures_stay_in_their_part(
    results: dict[Kind, dict[str, bytes]],
) -> None:
    files = results["resolved"]
    survey = np.full((900, 1200, 3), 160, np.uint8)
    files = files | {"survey.png": encode_png(survey)}
    files = with_document(files, lambda d: d["files"].append("survey.png")) | {
        "survey.png": files["survey.png"]
    }
    pages = [" ".join(page.split()) for page in words(paper_of(files))]
    (caption,) = (k for k, page in enumerate(pages) if "What was found in the picture: " in page)
    (checks,) = (k for k, page in enumerate(pages) if "Is the recording whole? A check" in page)
    assert caption < checks or pages[checks].index("What was found") < pages[checks].index("Is the")


def test_every_picture_has_words(opened: pikepdf.Pdf) -> None:
    figures = [node for node in structure(opened) if node.S == "/Figure"]
    assert len(figures) >= 15  # curve, stills, spin chart
    assert all(str(node.get("/Alt", "")).strip() for node in figures)


def test_tables_have_heads_and_headings_do_not_skip(opened: pikepdf.Pdf) -> None:
    kinds = [str(node.S) for node in structure(opened)]
    assert kinds.count("/TH") >= kinds.count("/Table") >= 6
    assert {"/H1", "/H2"} <= set(kinds)


def test_bookmarks_lead_to_the_parts(opened: pikepdf.Pdf) -> None:
    with opened.open_outline() as outline:
        titles = [item.title for item in outline.root]
    assert titles[0] == "About this report"
    assert titles[-1] == "Statements of the people present"
    assert len(titles) == 10


@pytest.mark.parametrize("kind", ["resolved", "unresolved"])
def test_attachments_are_identical_and_related(
    kind: Kind, results: dict[Kind, dict[str, bytes]], papers: dict[Kind, bytes]
) -> None:
    with pikepdf.open(io.BytesIO(papers[kind])) as pdf:
        expected = attached(results[kind])
        assert set(pdf.attachments) == set(expected)
        for name, content in expected.items():
            assert pdf.attachments[name].get_file().read_bytes() == content
        assert len(pdf.Root.AF) == len(expected)
        for entry in pdf.Root.AF:
            assert str(entry.AFRelationship) == "/Data"
            assert str(entry.Desc)


def test_pictures_are_kept_as_they_were_encoded(
    results: dict[Kind, dict[str, bytes]], opened: pikepdf.Pdf
) -> None:
    streams = {
        hashlib.sha256(thing.read_raw_bytes()).hexdigest()
        for thing in opened.objects
        if isinstance(thing, pikepdf.Stream) and thing.get("/Subtype") == "/Image"
    }
    stills = [name for name in results["resolved"] if name.startswith("still-")]
    for name in stills:
        assert hashlib.sha256(results["resolved"][name]).hexdigest() in streams, name


# --------------------------------------------------------------------------- same bytes


def test_same_input_gives_the_same_bytes(
    results: dict[Kind, dict[str, bytes]], papers: dict[Kind, bytes]
) -> None:
    assert paper_of(results["resolved"]) == papers["resolved"]


def test_time_zone_and_language_of_the_machine_do_not_matter(
    papers: dict[Kind, bytes], results: dict[Kind, dict[str, bytes]], tmp_path: Path
) -> None:
    for name, content in results["resolved"].items():
        (tmp_path / name).write_bytes(content)
    code = (
        "import hashlib, sys; from pathlib import Path; import test_paper as t;"
        "files = {p.name: p.read_bytes() for p in Path(sys.argv[1]).iterdir()};"
        "print(hashlib.sha256(t.paper_of(files)).hexdigest())"
    )
    environment = os.environ | {
        "TZ": "Pacific/Auckland",
        "LC_ALL": "tr_TR.UTF-8",
        "PYTHONHASHSEED": "7",
        "TMPDIR": str(tmp_path.parent),
        "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *sys.path]),
    }
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)],
        env=environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.strip() == hashlib.sha256(papers["resolved"]).hexdigest()


def test_other_input_gives_other_bytes(
    results: dict[Kind, dict[str, bytes]], papers: dict[Kind, bytes]
) -> None:
    def change(document: dict[str, dict[str, float]]) -> None:
        document["spin_time"]["seconds"] += 1.0

    assert paper_of(with_document(results["resolved"], change)) != papers["resolved"]


# ------------------------------------------------------------------------------ layout

LEAST_PT = 7.0
TEXT_MM = 168.0  # width of the text on the page
ATTEMPT = (
    ("Place", "barn of the lark"),
    ("Operator: fingerprint of the key", KEYS[0][1]),
    ("Notes", "words " * 60),
)


@pytest.fixture(scope="module")
def full_papers(results: dict[Kind, dict[str, bytes]]) -> dict[Kind, bytes]:
    """As in a dossier: with what the operator wrote down, and the script's hash."""
    occasion = Occasion(facts=ATTEMPT, checker_sha256=hashlib.sha256(b"script").hexdigest())
    return {
        kind: pdf_report(
            gather(files), attachments=attached(files), short_hash=HASH, key_fingerprints=KEYS,
            occasion=occasion,
        )
        for kind, files in results.items()
    }  # fmt: skip


def test_hashes_are_copied_in_one_piece(
    full_papers: dict[Kind, bytes], results: dict[Kind, dict[str, bytes]]
) -> None:
    text = "\n".join(words(full_papers["resolved"]))
    assert "\u200b" not in text
    files = results["resolved"]
    for name in ("spin.json", "speed.csv", "sightings.npz"):
        assert hashlib.sha256(files[name]).hexdigest() in text.split(), name
    assert hashlib.sha256(b"script").hexdigest() in text.split()
    assert text.split().count(KEYS[0][1]) == 2  # with the facts, and beside the signature


def test_long_names_are_broken_and_copied_without_a_sign(
    results: dict[Kind, dict[str, bytes]],
) -> None:
    name = "f" * 70 + ".mp4"

    def rename(document: dict[str, Any]) -> None:
        document["recording"]["name"] = document["recording"]["chapters"][0]["name"] = name

    pdf = pdf_report(gather(with_document(results["resolved"], rename)))
    assert "\u200b" not in "".join(words(pdf))
    with pikepdf.open(io.BytesIO(pdf)) as document, document.open_metadata() as metadata:
        assert metadata["dc:title"].startswith(name)
    for page in PdfReader(io.BytesIO(pdf)).pages:
        for place, _, text in letters(page):
            wide = len(text.strip()) * 3.0  # a narrow letter of the smallest size, pt
            assert place + wide <= float(page.mediabox.width), text


def letters(page: PageObject) -> list[tuple[float, float, str]]:
    """Place from the left, size and text of every piece of text of a page, pt."""
    found: list[tuple[float, float, str]] = []

    def visit(text: str, cm: list[float], tm: list[float], _: Any, size: float) -> None:
        if text.strip():
            scale = abs(tm[3] * cm[3] - tm[2] * cm[1])
            found.append((tm[4] * cm[0] + cm[4], size * scale, text))

    page.extract_text(visitor_text=visit)
    return found


@pytest.mark.parametrize("kind", ["resolved", "unresolved"])
def test_no_lettering_is_too_small_to_read(kind: Kind, full_papers: dict[Kind, bytes]) -> None:
    pages = PdfReader(io.BytesIO(full_papers[kind])).pages
    sizes = [(size, text) for page in pages for _, size, text in letters(page)]
    assert len(sizes) > 300
    assert min(sizes)[0] >= LEAST_PT, min(sizes)


def test_words_on_pictures_are_as_large_on_paper() -> None:
    assert SMALL * TEXT_MM / 25.4 * 72 / WIDTH_PX >= LEAST_PT


@pytest.mark.parametrize("kind", ["resolved", "unresolved"])
def test_no_page_ends_with_a_heading(kind: Kind, full_papers: dict[Kind, bytes]) -> None:
    pdf = full_papers[kind]
    with pikepdf.open(io.BytesIO(pdf)) as document, document.open_outline() as outline:
        headings = {item.title for part in outline.root for item in (part, *part.children)}
    assert len(headings) > 15
    for text in words(pdf):
        body = text.partition("Evidence report: ")[0].split("\n")
        last = [line for line in body if line.strip()][-1]
        assert last.strip() not in headings


@pytest.mark.parametrize("kind", ["resolved", "unresolved"])
def test_pages_are_filled(kind: Kind, full_papers: dict[Kind, bytes], tmp_path: Path) -> None:
    """But for the last page, no page ends above two thirds of its height."""
    tool = needed("pdftoppm", "pdftoppm", package="poppler-utils")
    (tmp_path / "a.pdf").write_bytes(full_papers[kind])
    command = [tool, "-r", "36", "-gray", str(tmp_path / "a.pdf"), str(tmp_path / "page")]
    subprocess.run(command, check=True)
    pages = sorted(tmp_path.glob("page-*.pgm"))
    for page in pages[:-1]:
        grey = cv2.imread(str(page), cv2.IMREAD_GRAYSCALE)
        assert grey is not None
        body = grey[: round(0.92 * len(grey))]  # the footer is below
        assert np.flatnonzero((body < 200).any(axis=1))[-1] > 0.67 * len(grey), page.name


@pytest.mark.parametrize("told", range(12, 24, 3))
def test_no_short_table_is_torn_apart(told: int, results: dict[Kind, dict[str, bytes]]) -> None:
    """Wherever on its page a table begins: facts told before it move it down."""
    occasion = Occasion(facts=tuple((f"fact {n}", "told") for n in range(told)))
    files = results["resolved"]
    pdf = pdf_report(
        gather(files), attachments=attached(files), short_hash=HASH, key_fingerprints=KEYS,
        occasion=occasion,
    )  # fmt: skip
    pages = words(pdf)
    for head, last, count in (
        ("u, rev/min", "times the factor", 3), ("needs readout", "-4.9 ms", 1),
        ("95 %, half width", "root of the squared sum", 1),
    ):  # fmt: skip
        assert [page.count(head) for page in pages] == [page.count(last) for page in pages]
        assert sum(page.count(head) for page in pages) == count


# ------------------------------------------------------------------------ what it tells


def test_every_page_has_its_number_and_the_hash(papers: dict[Kind, bytes]) -> None:
    for pdf in papers.values():
        pages = words(pdf)
        assert len(pages) >= 9
        for number, text in enumerate(pages, start=1):
            assert f"page {number} of {len(pages)}" in text
            assert HASH in text


def test_first_page_has_verdict_figures_and_curve(
    papers: dict[Kind, bytes], results: dict[Kind, dict[str, bytes]], opened: pikepdf.Pdf
) -> None:
    document = json.loads(results["resolved"]["spin.json"])
    first = " ".join(words(papers["resolved"])[0].split())
    assert "The top spun for 54" in first
    assert with_u95(document["spin_time"]["seconds"], document["spin_time"]["u95_s"], "s") in first
    assert with_u95(document["release"]["rpm"], document["release"]["u95_rpm"], "rev/min") in first
    assert "time from the first frame" in first  # the title of the curve's axis


def test_method_is_one_page(papers: dict[Kind, bytes]) -> None:
    pages = [text for text in words(papers["resolved"]) if "How it was measured\n" in text]
    method = pages[-1]
    assert "Times" in method and "Completeness" in method


def test_statements_have_blanks_and_key_fingerprints(papers: dict[Kind, bytes]) -> None:
    text = "\n".join(words(papers["resolved"]))
    for blank in ("Name", "Role", "Signature", "Place and date", "Stopwatch, if any"):
        assert text.count(f"{blank}\n") >= len(KEYS), blank
    assert "Statement of the operator" in text and "Statement of the witness" in text
    assert KEYS[0][1] in text


def test_without_keys_operator_and_two_witnesses_may_sign(
    results: dict[Kind, dict[str, bytes]],
) -> None:
    text = "\n".join(words(pdf_report(gather(results["unresolved"]))))
    assert all(f"Statement of the {role}" in text for role in ROLES)


def test_an_unresolved_paper_states_no_single_speed(papers: dict[Kind, bytes]) -> None:
    pages = words(papers["unresolved"])
    assert "not determined" in pages[0]
    assert "rev/min" not in pages[0].replace("speed, rev/min", "")


def test_claims_and_attempt_are_printed(results: dict[Kind, dict[str, bytes]]) -> None:
    claim = Claim("the top spun for 0:00:50 or longer", "supported", ("odds",), "simple", "99.9 %")
    occasion = Occasion(facts=(("Place", "barn of the lark"),), claims=(claim,))
    pages = words(pdf_report(gather(results["resolved"]), occasion=occasion))
    assert "supported" in pages[0] and "the top spun for 0:00:50 or longer" in pages[0]
    assert "barn of the lark" in pages[1] and "simple" in pages[1]


# ------------------------------------------------------------------------ texts are texts


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_texts_are_printed(text: str, results: dict[Kind, dict[str, bytes]]) -> None:
    pdf = paper_of(with_text_everywhere(results["resolved"], text))
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        with opened.open_metadata() as metadata:
            assert metadata["dc:title"].startswith(plain(text)[:100])
        assert "/JavaScript" not in opened.Root.get("/Names", {})


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("コマの記録", "コマの記録|[U+30B3]"),
        ("spin \U0001f300 top", "\U0001f300|[U+1F300]"),
        ("שלום", "שלום"),
        ("Жаворонок", "Жаворонок"),
    ],
)
def test_a_glyph_that_no_font_has_never_stops_the_report(
    name: str, shown: str, results: dict[Kind, dict[str, bytes]]
) -> None:
    def change(document: dict[str, dict[str, str]]) -> None:
        document["recording"]["name"] = name

    files = with_document(results["unresolved"], change)
    pdf = paper_of(files)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert opened.attachments["spin.json"].get_file().read_bytes() == files["spin.json"]
        title = str(opened.docinfo["/Title"])
    assert any(part in title for part in shown.split("|"))


def test_a_result_without_a_time_is_refused(results: dict[Kind, dict[str, bytes]]) -> None:
    def change(document: dict[str, str]) -> None:
        document["created"] = "yesterday"

    with pytest.raises(UsageError, match="not a time of day"):
        paper_of(with_document(results["resolved"], change))
