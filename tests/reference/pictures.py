"""``python -m tests.reference.pictures`` makes the pictures of the README from the invented demo feed.

It takes two minutes, and needs Chromium. The page is that of a station which plays the last day of the feed.
"""

from __future__ import annotations

import subprocess
import sys
import time
from base64 import b64encode
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from playwright.sync_api import Error, sync_playwright

from scanner.commands.messages.example import example
from scanner.ports import Message
from scanner.present.chart.chart import chart_for
from scanner.present.words.words import alert
from scanner.present.words.words_html import html
from tests.adapters.servers import free_port, require
from tests.page.test_browser import FLAGS

if TYPE_CHECKING:
    from playwright.sync_api import Page

HERE = Path("demo_feed")
MOMENT = 1_735_650_000_000_000_000
"""The evening of the last day of the feed."""
PHONE, DESK = {"width": 390, "height": 1_080}, {"width": 1_000, "height": 1_080}
OPEN = 3
"""Open stories that the page should show."""
SECONDS = 150


def draw_alert(page: Page) -> None:
    """Show the mail of an alert as a phone does."""
    sent = example(MOMENT)
    chart = chart_for(sent.bars, sent.event, sent.rules, "UTC")
    words = alert(Message(sent.event), "UTC", None)
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]  # a plain dictionary
    page.set_content(html(words, [f"data:image/png;base64,{b64encode(chart).decode()}"]))
    page.screenshot(path=HERE / "alert.png")


def draw_page(page: Page) -> None:
    """Show the page of a station while some stories are open, if possible when all is well."""
    port = free_port()
    with TemporaryDirectory() as folder:
        text = Path("config/demo.toml").read_text(encoding="utf-8")
        text = text.replace('path = "../demo_feed"', f'path = "{HERE.absolute()}"').replace("pace = 1200", "pace = 600")
        config = Path(folder) / "demo.toml"
        config.write_text(f"{text}\n[page]\nport = {port}\n", encoding="utf-8")
        command = [sys.executable, "-c", "from scanner.cli import main; main()", "watch", str(config)]
        station = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            page.set_viewport_size(DESK)  # type: ignore[arg-type]  # a plain dictionary
            until = time.monotonic() + SECONDS
            while time.monotonic() < until and station.poll() is None:
                try:
                    page.goto(f"http://127.0.0.1:{port}/")
                    if page.locator("li.story").count() >= OPEN:
                        page.screenshot(path=HERE / "page.png", full_page=True)
                        if page.locator("p.well").count():
                            break
                except Error:
                    pass  # it is not served yet
                time.sleep(1)
        finally:
            station.terminate()
            station.wait()


if __name__ == "__main__":
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=require("chromium"), args=FLAGS.split())
        for draw in (draw_alert, draw_page):
            with browser.new_context(device_scale_factor=1.5, color_scheme="light") as context:
                draw(context.new_page())
        browser.close()
