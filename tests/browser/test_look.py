"""The review page in a real browser: by keyboard from the first frame to a kept decision."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from outside import CHROMIUM, needed
from reporting import HOSTILE
from reviewing import copied, document, measured, served

from vidspin.review import Review
from vidspin.store import read_result
from vidspin.units import format_duration
from vidspin.wording import instant

PHONE, DESK = (390, 844), (1280, 900)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    path = needed("Chromium", *CHROMIUM, package="chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def result(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return measured(tmp_path_factory.mktemp("look"))


@pytest.fixture
def own(result: Path, tmp_path: Path) -> Path:
    return copied(result, tmp_path / "own")


@dataclasses.dataclass
class Watched:
    """A page with everything it asked for and complained of."""

    page: Any
    requests: list[str] = dataclasses.field(default_factory=list)
    complaints: list[str] = dataclasses.field(default_factory=list)

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)

    def at(self, frame: int) -> None:
        """Wait until a frame is shown."""
        self.page.wait_for_selector(f'#picture[data-frame="{frame}"]')


Opener = Callable[..., Watched]


@pytest.fixture
def look(browser: Any) -> Iterator[Opener]:
    contexts = []

    def open_page(review: Review, size: tuple[int, int] = DESK, **options: Any) -> Watched:
        viewport = {"width": size[0], "height": size[1]}
        context = browser.new_context(viewport=viewport, reduced_motion="reduce", **options)
        context.set_default_timeout(300_000)  # ms; a full machine is slow
        contexts.append(context)
        watched = Watched(context.new_page())
        watched.page.on("request", lambda request: watched.requests.append(request.url))
        watched.page.on("console", lambda message: watched.complaints.append(message.text))
        watched.page.on("pageerror", lambda error: watched.complaints.append(str(error)))
        watched.page.on("dialog", lambda box: (watched.complaints.append("alert"), box.dismiss()))
        watched.page.goto(review.address)
        watched.page.wait_for_selector("#picture[data-frame]")
        return watched

    yield open_page
    for context in contexts:
        context.close()


def test_the_keyboard_alone_overrules_a_topple(own: Path, look: Opener) -> None:
    before, times = document(own), read_result(own).sightings["time_s"]
    with served(own) as review:
        seen = look(review)
        first = review.scene.frame_at(before["topple"]["time_s"])
        seen.at(first)  # the release is not seen in the recording
        seen.press("Shift+ArrowLeft", "ArrowRight", "ArrowRight")
        seen.at(first - 8)
        seen.press("ArrowDown", "ArrowUp", "ArrowDown")
        seen.at(first)
        seen.press("ArrowRight", "ArrowRight", "ArrowRight")
        seen.at(first + 3)
        seen.press("o")
        assert seen.page.is_checked("input[value=topple]")
        seen.press("Enter")  # without a reason nothing is kept
        assert "Say why" in seen.page.inner_text("#ask-wrong")
        assert seen.page.locator("#ask").is_visible() and "reviews" not in document(own)
        seen.page.keyboard.type("the rim touches o z m here")
        seen.press("Enter")
        seen.page.wait_for_selector("#reviews li")
        assert not seen.page.locator("#ask").is_visible()
        now = seen.page.inner_text("#end-topple")
        found = format_duration(before["topple"]["time_s"], 3)
        told = instant(times[first + 3], document(own)["topple"]["u95_s"])
        assert told in now and f"found by the program: {found}" in now
        assert "the rim touches o z m here" in seen.page.inner_text("#reviews")
        seen.press("Enter")  # confirms what was just stated
        assert "Confirm the topple" in seen.page.inner_text("#ask")
        seen.press("Enter")
        seen.page.wait_for_selector("#reviews li:nth-child(2)")
        seen.page.reload()
        seen.page.wait_for_selector("#reviews li:nth-child(2)")
        assert seen.complaints == []
        assert {urlsplit(u).netloc for u in seen.requests if u.startswith("http")} == {review.host}
        assert {urlsplit(u).scheme for u in seen.requests} <= {"http", "blob", "data"}
    after = document(own)
    assert after["topple"]["time_s"] == times[first + 3]
    assert after["topple"]["measured_s"] == before["topple"]["time_s"]
    assert [one["action"] for one in after["reviews"]] == ["overruled", "confirmed"]


def test_steps_stop_at_the_ends_and_many_presses_add_up(result: Path, look: Opener) -> None:
    with served(result) as review:
        seen = look(review)
        last = review.scene.frames - 1
        seen.press(*["Shift+ArrowRight"] * 40)
        seen.at(last)
        seen.press(*["ArrowLeft"] * 7)
        seen.at(last - 7)
        seen.press(*["Shift+ArrowLeft"] * 40)
        seen.at(0)
        assert seen.page.inner_text("#read-frame") == f"frame 1 of {last + 1}"


def test_ring_and_mark_are_drawn_over_the_frame(result: Path, look: Opener) -> None:
    with served(result) as review:
        seen = look(review)
        seen.press(*["Shift+ArrowLeft"] * 15)
        frame = review.scene.frame_at(document(result)["topple"]["time_s"]) - 150
        seen.at(frame)
        assert review.scene.sight(frame)["marks"]
        count = "document.querySelectorAll('#overlay {}').length"
        assert seen.page.evaluate(count.format(".ring")) == 1
        assert seen.page.evaluate(count.format(".mark")) == 2
        ring = seen.page.locator("#overlay .ring").bounding_box()
        stage = seen.page.locator(".stage").bounding_box()
        assert stage["x"] < ring["x"] and ring["width"] < stage["width"] / 1.5
        seen.press("z")
        assert seen.page.locator("#overlay .ring").bounding_box()["width"] > 1.3 * ring["width"]
        seen.press("m")
        assert not seen.page.locator("#overlay").is_visible()
        assert seen.page.get_attribute("#drawn", "aria-pressed") == "false"


def test_letters_can_be_switched_off_as_keys(own: Path, look: Opener) -> None:
    """WCAG 2.2, success criterion 2.1.4."""
    with served(own) as review:
        seen = look(review)
        seen.page.focus("#letters")
        seen.press("Space", "m", "o")
        assert seen.page.locator("#overlay").is_visible()
        assert not seen.page.locator("#ask").is_visible()
        before = seen.page.get_attribute("#picture", "data-frame")
        seen.press("ArrowRight")
        seen.at(int(before) + 1)
        seen.press("Space", "m")
        assert not seen.page.locator("#overlay").is_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_axe_finds_nothing(own: Path, size: tuple[int, int], scheme: str, look: Opener) -> None:
    with served(own) as review:
        seen = look(review, size, color_scheme=scheme)
        axe = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text()
        seen.page.evaluate(axe)
        for key, selector in (("", "main"), ("Enter", "#ask[open]")):
            if key:
                seen.press(key)
            seen.page.wait_for_selector(selector)
            found = seen.page.evaluate("axe.run({resultTypes: ['violations']})")
            assert [(v["id"], v["nodes"][0]["html"]) for v in found["violations"]] == []
            assert len(found["passes"]) > 10
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= size[0]


@pytest.mark.parametrize("text", [*HOSTILE[:4], HOSTILE[-1]], ids=range(5))
def test_hostile_texts_do_nothing(text: str, own: Path, look: Opener) -> None:
    said = document(own)
    said["recording"]["name"] = said["topple"]["how"] = text
    said["checks"][0] |= {"name": text, "note": text, "figure": text, "at_s": [1.0]}
    said["reviews"] = [
        {"at": text, "event": "topple", "action": "overruled", "from_s": 1.0, "to_s": 2.0,
         "reason": text[:500]},
    ]  # fmt: skip
    (own / "spin.json").write_text(json.dumps(said), "utf-8")
    with served(own) as review:
        seen = look(review, PHONE)
        seen.press("ArrowDown", "ArrowDown")
        seen.page.wait_for_timeout(100)
        assert seen.complaints == []
        assert {urlsplit(u).netloc for u in seen.requests if u.startswith("http")} == {review.host}
        assert seen.page.evaluate("document.scripts.length") == 1
        assert seen.page.evaluate("document.images.length") == 0
        assert seen.page.inner_text("#name").strip()[:20] in text
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]


def test_a_page_of_another_origin_gets_nothing(result: Path, look: Opener, browser: Any) -> None:
    """Even one that knows the address can neither read, show, nor decide."""
    with served(result) as review:
        page = browser.new_context().new_page()
        page.route("http://attacker.example/", lambda route: route.fulfill(
            body="<p>hello</p>", content_type="text/html"
        ))  # fmt: skip
        page.goto("http://attacker.example/")
        tried = page.evaluate(
            """async (at) => {
              const tell = (p) => p.then(() => "let in", () => "refused");
              const image = (src) => new Promise((yes, no) => {
                const one = new Image(); one.onload = yes; one.onerror = no; one.src = src;
              });
              return [
                await tell(fetch(at + "state")),
                await tell(image(at + "frame?n=0")),
                await tell(fetch(at + "done", {method: "POST", body: "{}",
                                               headers: {"Content-Type": "application/json"}})),
                await tell(fetch(at + "done", {method: "POST", body: "{}", mode: "no-cors"})
                  .then((a) => a.type === "opaque" ? Promise.reject() : a)),
              ];
            }""",
            review.address,
        )
        assert tried == ["refused"] * 4
        page.context.close()
        seen = look(review)  # the review has not ended
        assert seen.complaints == []


def test_the_button_ends_the_review(own: Path, look: Opener) -> None:
    with served(own) as review:
        seen = look(review)
        seen.page.click("#done")
        seen.page.wait_for_selector("text=The review has ended")
        assert seen.complaints == []
