"""The documentation builds as a site without a warning, holds together, and loads nothing."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType
from urllib.parse import unquote, urlsplit

import pytest
from outside import CHROMIUM, needed

from vidspin.cli import app

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
# What makes a browser load something by itself; links that a person may follow are not in it.
LOADS = {
    "script": "src",
    "img": "src",
    "iframe": "src",
    "source": "src",
    "link": "href",
    "object": "data",
}
TO_READ = ("canonical", "next", "prev", "author")


class Page(HTMLParser):
    """What a page loads, where it leads, and which places it has."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path = path
        self.loads: list[str] = []
        self.leads: list[str] = []
        self.places: set[str] = set()
        self.alts: list[str | None] = []
        self.feed(path.read_text("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        has = dict(attrs)
        self.places.update(value for key in ("id", "name") if (value := has.get(key)))
        if tag == "img":
            self.alts.append(has.get("alt"))
        where = has.get(LOADS.get(tag, ""))
        if where and has.get("rel") not in TO_READ:
            self.loads.append(where)
        if tag == "a" and has.get("href"):
            self.leads.append(str(has["href"]))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("site")
    command = [sys.executable, "-m", "mkdocs", "build", "--strict", "-f", ".mkdocs.yml"]
    command += ["--site-dir", str(place)]
    # No network: whatever would be fetched while building fails, and with it the build.
    nowhere = {name: "http://127.0.0.1:9" for name in ("http_proxy", "https_proxy")}
    environment = {**os.environ, **nowhere, "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=1800
    )
    assert done.returncode == 0, done.stderr
    assert "WARNING" not in done.stderr
    return place


@pytest.fixture(scope="module")
def pages(site: Path) -> dict[Path, Page]:
    return {path: Page(path) for path in sorted(site.rglob("*.html"))}


def hook() -> ModuleType:
    spec = importlib.util.spec_from_file_location("site_hook", DOCS / "site_hook.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_page_is_in_the_site(site: Path) -> None:
    for source in DOCS.rglob("*.md"):
        assert (site / source.relative_to(DOCS)).with_suffix(".html").is_file()
    for made in ("index", "architecture", "commands/index"):
        assert (site / f"{made}.html").is_file()


def test_every_page_is_in_the_navigation(site: Path, pages: dict[Path, Page]) -> None:
    led = {urlsplit(where).path for where in pages[site / "index.html"].leads}
    for path in pages:
        if path.name not in ("404.html", "search.html"):
            assert path.relative_to(site).as_posix() in led, path.name


def test_what_is_no_page_stays_out(site: Path) -> None:
    assert not list(site.rglob("site_hook*")) and not list(site.rglob("__pycache__"))
    assert (site / "check_dossier.py").read_bytes() == (DOCS / "check_dossier.py").read_bytes()


def test_pages_load_nothing_from_elsewhere(site: Path, pages: dict[Path, Page]) -> None:
    for path, page in pages.items():
        if path.name == "404.html":
            continue  # shown by a server, with the paths of its root
        assert page.loads
        for where in page.loads:
            parts = urlsplit(where)
            assert not parts.scheme and not parts.netloc, f"{path.name} loads {where}"
            assert (path.parent / unquote(parts.path)).is_file(), f"{path.name} lacks {where}"


def test_style_sheets_load_nothing_from_elsewhere(site: Path) -> None:
    sheets = list(site.rglob("*.css"))
    assert sheets
    for sheet in sheets:
        text = sheet.read_text("utf-8")
        assert "@import" not in text
        for where in re.findall(r"url\(['\"]?([^'\")]+)", text):
            assert not re.match(r"(https?:)?//", where), f"{sheet.name} loads {where}"


def test_links_lead_to_places_that_are_there(site: Path, pages: dict[Path, Page]) -> None:
    for path, page in pages.items():
        if path.name == "404.html":
            continue
        for where in page.leads:
            parts = urlsplit(where)
            if parts.scheme or parts.netloc:
                continue
            target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            assert target.is_file(), f"{path.name} leads to {where}"
            if parts.fragment and target in pages:
                assert unquote(parts.fragment) in pages[target].places, f"{path.name}: {where}"


def test_pictures_are_told_in_words_and_small(site: Path, pages: dict[Path, Page]) -> None:
    for page in pages.values():
        assert all(alt is not None for alt in page.alts)
    assert all(pages[site / "filming.html"].alts)
    for picture in (DOCS / "img").glob("*.jpg"):
        assert picture.stat().st_size < 60_000


def options(command: object) -> Iterator[str]:
    for parameter in getattr(command, "params", []):
        yield from (word for word in parameter.opts if word.startswith("--"))


def test_every_command_and_option_has_its_place() -> None:
    made = dict(hook().pages())
    import typer

    group = typer.main.get_command(app.app)
    context = group.make_context(app.PROGRAM, [], resilient_parsing=True)
    for name in app.COMMANDS:
        text = made[f"commands/{name}.md"]
        assert f"commands/{name}.md" in made["index.md"], f"README does not list {name}"
        command = group.get_command(context, name)
        words = list(options(command))
        if hasattr(command, "list_commands"):
            for below in command.list_commands(context):
                assert f"\n## vidspin {name} {below}\n" in text
                words += options(command.get_command(context, below))
        for word in words:
            assert word in text, f"{name}: {word}"


def test_signs_of_markdown_in_help_texts_are_only_letters() -> None:
    plain = hook().plain
    assert plain("a*b*c <d> e_f_g [1] |") == r"a\*b\*c \<d\> e\_f\_g \[1\] \|"


def test_pages_can_be_used_by_everybody(site: Path) -> None:
    path = needed("Chromium", *CHROMIUM, package="chromium")
    from axe_playwright_python.sync_playwright import Axe
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path)
        page = browser.new_page()
        page.set_default_timeout(300_000)  # ms; a full machine is slow
        for name in ("index.html", "filming.html", "commands/measure.html", "tutorial.html"):
            page.goto((site / name).as_uri())
            found = Axe().run(page).response["violations"]
            grave = [v["id"] for v in found if v["impact"] in ("serious", "critical")]
            assert not grave, f"{name}: {grave}"
        page.set_viewport_size({"width": 390, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        browser.close()


def test_a_browser_asks_for_nothing_outside(site: Path) -> None:
    path = needed("Chromium", *CHROMIUM, package="chromium")
    from playwright.sync_api import sync_playwright

    asked: list[str] = []
    widths: list[int] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path)
        page = browser.new_page()
        page.set_default_timeout(300_000)  # ms; a full machine is slow
        page.on("request", lambda request: asked.append(request.url))
        for name in ("index.html", "filming.html", "commands/measure.html", "method.html"):
            page.goto((site / name).as_uri())
            page.wait_for_load_state("networkidle")
            assert page.inner_text("h1")
            widths += page.evaluate("[...document.images].map(i => i.naturalWidth)")
        browser.close()
    assert asked and len(widths) >= 3 and all(widths)
    outside = [url for url in asked if not url.startswith((site.as_uri(), "data:"))]
    assert not outside
