"""The page in a real browser: nothing leaves it, everything on it works, everybody can use it."""

from __future__ import annotations

import dataclasses
import json
import socket
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from fabricate import Kind
from outside import CHROMIUM, needed
from reporting import HOSTILE, folder_of, invented, with_text_everywhere

from vidspin.report import gather, html_report

PHONE, DESK = (390, 844), (1280, 900)
KINDS: tuple[Kind, ...] = ("resolved", "unresolved", "partial")


@dataclasses.dataclass
class Watched:
    """A page with everything it asked for and complained of."""

    page: Any
    requests: list[str] = dataclasses.field(default_factory=list)
    complaints: list[str] = dataclasses.field(default_factory=list)

    def read(self) -> str:
        return str(self.page.inner_text("#read"))

    def view(self) -> list[float]:
        """Round instants on the time axis."""
        texts = self.page.eval_on_selector_all(
            "#chart text[text-anchor=middle]", "ts => ts.map(t => t.textContent)"
        )
        return [float(text) for text in texts if text.replace(".", "").isdigit()]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    path = needed("Chromium", *CHROMIUM, package="chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[Kind, Path]:
    place = tmp_path_factory.mktemp("pages")
    for kind in KINDS:
        folder_of(invented(kind), place / kind)
    return {kind: place / kind for kind in KINDS}


Opener = Callable[..., Watched]


@pytest.fixture
def look(browser: Any) -> Iterator[Opener]:
    contexts = []

    def open_page(path: Path, size: tuple[int, int] = DESK, **options: Any) -> Watched:
        viewport = {"width": size[0], "height": size[1]}
        context = browser.new_context(viewport=viewport, **{"offline": True} | options)
        context.set_default_timeout(300_000)  # ms; a full machine is slow
        contexts.append(context)
        watched = Watched(context.new_page())
        watched.page.on("request", lambda request: watched.requests.append(request.url))
        watched.page.on("console", lambda message: watched.complaints.append(message.text))
        watched.page.on("pageerror", lambda error: watched.complaints.append(str(error)))
        watched.page.on("dialog", lambda box: (watched.complaints.append("alert"), box.dismiss()))
        watched.page.goto(path.as_uri())
        return watched

    yield open_page
    for context in contexts:
        context.close()


def report(folder: Path) -> Path:
    return folder / "report.html"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_nothing_is_asked_of_the_network_and_nothing_goes_wrong(
    kind: Kind, size: tuple[int, int], folders: dict[Kind, Path], look: Opener
) -> None:
    seen = look(report(folders[kind]), size)
    seen.page.evaluate("document.querySelectorAll('img').forEach(i => i.loading = 'eager')")
    seen.page.evaluate("Promise.all([...document.images].map(i => i.decode()))")
    outside = [url for url in seen.requests[1:] if not url.startswith("data:")]
    assert outside == [] and seen.complaints == []
    assert seen.page.evaluate("document.documentElement.scrollWidth") <= size[0]
    assert seen.page.evaluate("document.querySelectorAll('#chart svg .c-line').length") >= 1


def test_the_policy_stops_what_somebody_puts_in_later(
    folders: dict[Kind, Path], look: Opener, tmp_path: Path
) -> None:
    page = report(folders["resolved"]).read_text("utf-8")
    doctored = tmp_path / "doctored.html"
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.5)
        address = f"http://127.0.0.1:{server.getsockname()[1]}/x.png"
        bait = f"<script>alert(3)</script><img src='{address}'></body>"
        doctored.write_text(page.replace("</body>", bait), "utf-8")
        seen = look(doctored, offline=False)
        with pytest.raises(TimeoutError):
            server.accept()
    assert "alert" not in seen.complaints
    assert any("Content Security Policy" in text for text in seen.complaints)


@pytest.mark.parametrize(
    ("kind", "scheme", "size"),
    [
        ("resolved", "light", DESK),
        ("resolved", "dark", PHONE),
        ("unresolved", "light", PHONE),
        ("unresolved", "dark", DESK),
    ],
)
def test_axe_finds_nothing(
    kind: Kind, scheme: str, size: tuple[int, int], folders: dict[Kind, Path], look: Opener
) -> None:
    seen = look(report(folders[kind]), size, color_scheme=scheme)
    seen.page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    seen.page.evaluate(resources.files("axe_playwright_python").joinpath("axe.min.js").read_text())
    found = seen.page.evaluate("axe.run({resultTypes: ['violations']})")
    assert [(v["id"], v["impact"], v["nodes"][0]["html"]) for v in found["violations"]] == []
    assert len(found["passes"]) > 30


def test_words_of_the_curve_have_contrast(folders: dict[Kind, Path], look: Opener) -> None:
    """Words in drawings are left undecided by axe: their ratio is worked out here (WCAG 2.2)."""
    ratio = """() => {
      const light = (text) => text.match(/[\\d.]+/g).slice(0, 3).map(Number).map((v) => v / 255)
        .map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
        .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
      const word = light(getComputedStyle(document.querySelector('#chart .c-word')).fill);
      const paper = light(getComputedStyle(document.body).backgroundColor);
      return (Math.max(word, paper) + 0.05) / (Math.min(word, paper) + 0.05);
    }"""
    for scheme in ("light", "dark"):
        seen = look(report(folders["resolved"]), color_scheme=scheme)
        assert seen.page.evaluate(ratio) >= 4.5


# ---------------------------------------------------------------------------- the curve


def test_pointing_reads_value_and_uncertainty(folders: dict[Kind, Path], look: Opener) -> None:
    seen = look(report(folders["resolved"]))
    seen.page.locator("#chart").scroll_into_view_if_needed()
    box = seen.page.locator("#chart svg").bounding_box()
    seen.page.mouse.move(box["x"] + box["width"] / 4, box["y"] + 120)
    told = seen.read()
    rows = [
        line.split(",") for line in (folders["resolved"] / "speed.csv").read_text().splitlines()[1:]
    ]
    decimals = len(told.split(" ±")[0].split(".")[1])
    written = {f"{float(row[1]):.{decimals}f}" for row in rows if row[1]}
    assert told.split(" ±")[0] in written
    assert " ± " in told and "rev/min at 0:00:" in told


def test_an_unresolved_curve_reads_every_candidate(folders: dict[Kind, Path], look: Opener) -> None:
    seen = look(report(folders["unresolved"]))
    seen.page.focus("#chart")
    seen.page.keyboard.press("ArrowRight")
    assert seen.read().startswith("unresolved: ")
    assert seen.read().count(" or ") == 4


def test_keys_zoom_move_and_read(folders: dict[Kind, Path], look: Opener) -> None:
    seen = look(report(folders["resolved"]))
    whole = seen.view()
    seen.page.focus("#chart")
    for key in ("ArrowRight", "+", "+"):
        seen.page.keyboard.press(key)
    seen.page.wait_for_timeout(50)
    near = seen.view()
    assert near != whole
    first = seen.read()
    seen.page.keyboard.press("ArrowRight")
    assert seen.read() != first
    seen.page.wait_for_timeout(400)
    assert seen.page.inner_text("#said") in seen.read()
    seen.page.keyboard.press("Shift+ArrowRight")
    seen.page.wait_for_timeout(50)
    assert seen.view() != near
    seen.page.keyboard.press("0")
    seen.page.wait_for_timeout(50)
    assert seen.view() == whole


def test_dragging_picks_a_stretch_and_then_moves_it(
    folders: dict[Kind, Path], look: Opener
) -> None:
    seen = look(report(folders["resolved"]))
    seen.page.locator("#chart").scroll_into_view_if_needed()
    box = seen.page.locator("#chart svg").bounding_box()
    assert seen.page.is_disabled("#zoom-out")

    def drag(start: float, stop: float) -> None:
        y = box["y"] + 120
        seen.page.mouse.move(box["x"] + start * box["width"], y)
        seen.page.mouse.down()
        seen.page.mouse.move(box["x"] + stop * box["width"], y, steps=4)
        seen.page.mouse.up()
        seen.page.wait_for_timeout(50)

    drag(0.3, 0.5)
    picked = seen.view()
    assert seen.page.is_enabled("#zoom-out")
    drag(0.3, 0.6)
    assert min(seen.view()) < min(picked)
    seen.page.click("#zoom-whole")
    assert seen.page.is_disabled("#zoom-out")


def test_an_event_shows_its_stills(folders: dict[Kind, Path], look: Opener) -> None:
    seen = look(report(folders["resolved"]))
    seen.page.click("text=release at")
    box = seen.page.locator("dialog#stills")
    assert box.is_visible()
    assert box.locator("img").count() == 7
    assert "Release" in box.locator("h2").inner_text()
    seen.page.keyboard.press("Escape")
    assert not box.is_visible()


def test_a_touch_on_the_marker_in_the_curve_shows_them_too(
    folders: dict[Kind, Path], look: Opener
) -> None:
    seen = look(report(folders["resolved"]), PHONE, has_touch=True)
    seen.page.locator("#chart").scroll_into_view_if_needed()
    box = seen.page.locator("#chart svg").bounding_box()
    line = seen.page.locator("#chart .c-topple").get_attribute("d")
    scale = box["width"] / float(seen.page.get_attribute("#chart svg", "width"))
    x = float(line[1:].split(" ")[0]) * scale
    seen.page.touchscreen.tap(box["x"] + x, box["y"] + 150)
    assert seen.page.locator("dialog#stills").is_visible()


# ----------------------------------------------------------------------- other readers


def test_without_its_script_the_page_is_whole(folders: dict[Kind, Path], look: Opener) -> None:
    seen = look(report(folders["resolved"]), java_script_enabled=False)
    chart = seen.page.locator("#chart svg")
    assert chart.is_visible() and chart.locator("path").count() > 10
    assert not seen.page.locator("#zoom-in").is_visible()


def test_it_prints_on_white_with_its_curve(folders: dict[Kind, Path], look: Opener) -> None:
    seen = look(report(folders["resolved"]), color_scheme="dark")
    seen.page.emulate_media(media="print")
    colour = seen.page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert colour == "rgb(255, 255, 255)"
    assert not seen.page.locator("#zoom-in").is_visible()
    assert len(seen.page.pdf()) > 50_000


@pytest.mark.parametrize("text", [*HOSTILE[:4], HOSTILE[-1]], ids=range(5))
def test_hostile_texts_do_nothing(
    text: str, folders: dict[Kind, Path], look: Opener, tmp_path: Path
) -> None:
    files = {path.name: path.read_bytes() for path in folders["resolved"].iterdir()}
    page = tmp_path / "hostile.html"
    page.write_text(html_report(gather(with_text_everywhere(files, text))), "utf-8")
    seen = look(page, PHONE)
    seen.page.focus("#chart")
    seen.page.keyboard.press("ArrowRight")
    seen.page.click("text=release at")
    assert seen.complaints == []
    assert [url for url in seen.requests[1:] if not url.startswith("data:")] == []
    assert seen.page.evaluate("document.scripts.length") == 2
    assert seen.page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
    assert json.loads(seen.page.inner_text("#chart-data") or "{}")["resolved"] is True
