"""The page in a real browser: every page at two widths, light and dark, by keyboard, by axe, and without script."""

from __future__ import annotations

import time
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from tests.adapters.samples import HOSTILE_NAMES
from tests.adapters.servers import require
from tests.journal.samples import closed, found, told
from tests.page.served import HOSTILE, Served, served

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Request

FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
)
BEFORE, AT, AFTER = 590, 593, 600
"""Bars before a setup, with it, and some more while its story is open."""
LOOKS: tuple[tuple[int, Literal["light", "dark"], dict[str, list[str]] | None], ...] = (
    (360, "light", {}),
    (1280, "light", None),
    (1280, "dark", {"runOnly": ["color-contrast"]}),
    (360, "dark", None),
)
"""Width, colours, and the rules that axe checks; None if they were checked at another width."""


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("page")) as serving:
        serving.take(BEFORE)
        won = found("FULMAR")
        serving.say(won, *(found(name) for name in HOSTILE_NAMES.values()), found(HOSTILE))
        serving.store.decisions.add(won.thread, "take", price=Decimal("101.65"), text="<i>late</i>")
        serving.say(told(won, "setup.entered", 1, "open"), closed(won, 5, "103.15"))
        serving.until("FULMAR", "/journal")
        serving.until("As of")
        yield serving


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=require("chromium"), args=FLAGS.split())
        yield chromium
        chromium.close()


class Watched:
    """The complaints of a browser, and its requests."""

    def __init__(self, context: BrowserContext, url: str) -> None:
        self.wrong: list[str] = []
        self.url = url
        context.on("console", self._console)
        context.on("weberror", lambda error: self.wrong.append(str(error.error)))
        context.on("dialog", lambda dialog: self.wrong.append(dialog.message))
        context.on("request", self._request)

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"}:
            self.wrong.append(message.text)

    def _request(self, request: Request) -> None:
        if not request.url.startswith((self.url, "data:")):
            self.wrong.append(request.url)


@pytest.fixture(scope="module")
def context(browser: Browser, page: Served) -> Iterator[tuple[BrowserContext, Watched]]:
    opened = browser.new_context(viewport={"width": 360, "height": 740}, color_scheme="light")
    yield opened, Watched(opened, page.url)
    opened.close()


@pytest.fixture
def window(context: tuple[BrowserContext, Watched]) -> Iterator[Page]:
    opened, watched = context
    window = opened.new_page()
    yield window
    window.close()
    assert watched.wrong == []


def drawn(window: Page) -> None:
    """Wait for the chart, if the page has one."""
    if window.locator("figure[data-chart]").count():
        window.wait_for_selector(".plot[data-drawn]")


def story(page: Served, name: str) -> str:
    return next(
        f"/story/{kept.event.thread}"
        for kept in reversed(page.store.events.find(kinds=["setup.qualified"]))
        if kept.event.data["instrument"] == name
    )


AXE = {"preload": False, "resultTypes": ["violations"]}
"""With preloading, axe itself would break the policy of styles; results without a fault are not needed."""
PAGES = {
    "now": "/",
    "list": "/series",
    "why": "/why?instrument=GANNET",
    "why which": "/why",
    "journal": "/journal",
    "review": "/review?until=2026-03-03",
    "study": "/study",
    "setups": "/setups",
    "setup": "/setups/flag",
    "story": "GANNET",
}


@pytest.mark.parametrize("name", PAGES)
def test_every_page_fits_and_can_be_read_by_all(window: Page, page: Served, name: str) -> None:
    window.goto(page.url + (story(page, PAGES[name]) if name == "story" else PAGES[name]))
    drawn(window)
    # Of what axe checks, only colours differ in the dark.
    for width, scheme, rules in LOOKS:
        window.set_viewport_size({"width": width, "height": 740})
        window.emulate_media(color_scheme=scheme)
        assert window.evaluate("document.documentElement.scrollWidth") <= width
        if rules is not None:
            found_wrong = Axe().run(window, options=AXE | rules).response["violations"]
            assert [(each["id"], [node["html"] for node in each["nodes"]]) for each in found_wrong] == []
    assert "not advice" in window.inner_text("footer")


def test_a_setup_appears_within_a_second_of_its_commit_without_reload(window: Page, page: Served) -> None:
    window.goto(page.url)
    window.wait_for_selector("#now")
    window.evaluate("window.stayed = true")
    window.wait_for_timeout(300)  # until the page listens
    (setup,) = [each for each in page.take(AT) if each.facts.begins]
    committed = time.monotonic()
    window.wait_for_selector(f"[data-story='{setup.thread}']", timeout=5_000)
    assert time.monotonic() - committed < 1
    assert window.evaluate("window.stayed")
    assert "New: GANNET 15m" in window.inner_text("#live")


def test_a_message_that_comes_brings_the_figures_up_to_date_and_closes_nothing_that_is_read(
    window: Page, page: Served
) -> None:
    setup = found("TERN")
    page.say(setup, told(setup, "setup.entered", 1, "open"))
    page.until("entered", f"/story/{setup.thread}")
    window.goto(f"{page.url}/story/{setup.thread}")
    window.wait_for_timeout(300)  # until the page listens
    window.click("#messages-list li:last-child summary >> nth=0")
    page.say(closed(setup, 4, "103.15"))
    window.wait_for_selector("#messages-list li:nth-child(3)")
    is_open = "Array.from(document.querySelectorAll('#messages-list li'), each => !!each.querySelector('[open]'))"
    assert window.evaluate(is_open) == [False, False, True]
    assert "103.15" in window.inner_text("#figures")


def test_a_decision_is_stored_and_shown_in_the_journal(window: Page, page: Served) -> None:
    if page.taken < AFTER:
        page.take(AFTER)
    path = story(page, "GANNET")
    page.until("Take", path)
    window.goto(page.url + path)
    window.fill("#pass-text", 'a <b>report</b> & "more"')
    window.click("text=I pass")
    window.wait_for_selector(".done")
    assert 'a <b>report</b> & "more"' in window.inner_text("#messages-list")
    window.goto(f"{page.url}/journal?decision=passed")
    assert "GANNET" in window.inner_text("table.journal")
    (kept,) = page.store.decisions.on(path.rpartition("/")[2])
    assert (kept.kind, kept.text) == ("pass", 'a <b>report</b> & "more"')


def test_names_from_outside_are_shown_as_text(window: Page, page: Served) -> None:
    window.goto(page.url)
    shown = window.inner_text("#now")
    for part in ("<script>alert(1)<", "ABC<000D><000A>Bcc", "<202E>gpj.exe", "🚀", "#/+/$share", "<img src=x one"):
        assert part in shown
    window.goto(page.url + story(page, HOSTILE_NAMES["markup"]))
    assert "<script>alert(1)" in window.inner_text("h1")
    window.goto(page.url + "/series?find=" + "%3Cimg")
    window.click(".series h2 a")  # an address with such a name leads to its bars
    assert "no bar" in window.inner_text(".wrong")
    assert "<img src=x" in window.inner_text(".wrong")


def test_no_name_is_so_wide_that_a_phone_shows_nothing_of_its_result(window: Page, page: Served) -> None:
    window.set_viewport_size({"width": 360, "height": 740})
    window.goto(page.url + "/journal")
    widest = "Math.max(...Array.from(document.querySelectorAll('table.journal th:first-child'), e => e.offsetWidth))"
    assert window.evaluate(widest) <= 360 / 2


def test_the_state_of_a_story_without_a_result_has_no_figure(page: Served) -> None:
    lost = found("PUFFIN")
    page.say(lost, told(lost, "setup.broken_off", 2, "broken_off", r=None))
    assert "State: <b>broken off</b>.</p>" in page.until("broken off", f"/story/{lost.thread}")


def test_a_chart_is_read_and_zoomed_by_keyboard(window: Page, page: Served) -> None:
    window.goto(page.url + "/why?instrument=GANNET&timeframe=15m")
    drawn(window)
    window.keyboard.press("Tab")
    assert window.evaluate("document.activeElement.className") == "skip"
    before = window.inner_text(".read")
    window.focus(".plot")
    window.keyboard.press("ArrowLeft")
    assert window.inner_text(".read") != before
    shown = window.locator(".plot").screenshot()
    window.keyboard.press("-")
    window.wait_for_timeout(100)  # until it is drawn
    assert window.locator(".plot").screenshot() != shown


def test_everything_except_live_changes_works_without_script(browser: Browser, page: Served) -> None:
    context = browser.new_context(java_script_enabled=False)
    window = context.new_page()
    window.goto(page.url + story(page, "GANNET"))
    picture = window.locator("figure.chart img")
    picture.wait_for()
    assert (picture.bounding_box() or {"height": 0})["height"] > 200
    window.fill("#note-text", "by hand")
    window.click("text=Keep the note")
    window.wait_for_selector(".done")
    window.goto(page.url + "/series")
    assert "Nearest:" in window.inner_text(".series")
    context.close()
