"""The page made from words: it says all that the words say, and no name can add to it."""

from __future__ import annotations

import subprocess
from base64 import b64encode
from collections import Counter
from functools import cache
from html.parser import HTMLParser
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from scanner.ports import Message, Notes
from scanner.present.chart.look import HEIGHT, WIDTH
from scanner.present.words.words import alert, digest
from scanner.present.words.words_html import DARK, STYLES, html
from scanner.wording.cautions import FULL
from scanner.wording.words import NUMBERS
from tests.adapters.samples import HOSTILE_NAMES, RECORD, setup_event
from tests.adapters.servers import require
from tests.adapters.story_samples import FOLLOWING, story_event
from tests.present.each_kind import one_of_each

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from scanner.wording.words import Words


class Reader(HTMLParser):
    """Reads a page as a browser does: its elements, their attributes, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    @property
    def text(self) -> str:
        return "\n".join(self.texts).replace("\u00a0", " ")


def words_of(name: str, reason: str = "it is told here why") -> Words:
    return digest([Message(event) for event in one_of_each(name, reason).values()], "UTC", {})


@cache
def usual_page() -> Reader:
    return Reader(html(words_of("A", "B")))


def test_the_page_of_an_alert_says_all_that_the_words_say() -> None:
    words = alert(Message(setup_event()), "Europe/Berlin", "America/New_York")
    page = Reader(html(words, ["cid:chart"]))
    for line in (*words.levels, *words.why):
        assert {line.name, line.value, line.note} - {""} <= set(page.texts)
    for text in (words.headline, words.title, words.lead, words.against, words.wrong, words.folded, FULL, NUMBERS):
        assert text in page.text
    assert all(figure.value in page.text for figure in words.figures)
    assert [attributes["src"] for tag, attributes in page.elements if tag == "img"] == ["cid:chart"]


def test_the_page_of_what_follows_says_all_that_the_words_say() -> None:
    for kind in FOLLOWING:
        words = alert(Message(story_event(kind)), "Europe/Berlin", "America/New_York")
        page = Reader(html(words))
        for line in words.why:
            assert {line.name, line.value, line.note} - {""} <= set(page.texts)
        assert words.orders
        assert all(text in page.text for text in (words.headline, words.lead, words.orders, words.wrong, FULL))


def test_a_digest_shows_each_alert_with_its_chart() -> None:
    messages = [Message(setup_event(name)) for name in ("HARBOUR", "GANNET", "FULMAR")]
    words = digest(messages, "UTC", {})
    page = Reader(html(words, ["cid:one", None, "cid:three"]))
    for part in words.parts:
        assert all(text in page.text for text in (part.headline, part.lead, part.glance, part.wrong))
    assert [attributes["src"] for tag, attributes in page.elements if tag == "img"] == ["cid:one", "cid:three"]
    order = [page.text.index(sign) for sign in ("FULMAR 15m", "GANNET 15m", "HARBOUR 15m")]
    assert order == sorted(order)


@given(st.text(st.characters(exclude_categories=())), st.text(st.characters(exclude_categories=())))
def test_no_name_and_no_reason_adds_an_element_or_an_attribute(name: str, reason: str) -> None:
    page = Reader(html(words_of(name, reason)))
    # A reason of only spaces leaves a paragraph out, and a long name may move a sentence into its own paragraph;
    # nothing ever adds any other element.
    added = Counter(map(repr, page.elements)) - Counter(map(repr, usual_page().elements))
    assert not [element for element in added if not element.startswith("('p'")]
    assert {repr(element) for element in page.elements} <= {repr(element) for element in usual_page().elements}


@pytest.mark.parametrize("name", HOSTILE_NAMES.values(), ids=HOSTILE_NAMES)
def test_hostile_names(name: str) -> None:
    page = html(words_of(name))
    assert "<script>" not in page
    assert Reader(page).elements == Reader(html(words_of("HARBOUR"))).elements
    assert len(page) < 40_000


def luminance(colour: str) -> float:
    """Relative luminance of a colour, after WCAG 2.2."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


LIGHT_PAIRS = [("#1b242e", "#ffffff"), ("#1b242e", "#f6ead9"), ("#5a6470", "#ffffff"), ("#5a6470", "#efece4")]
DARK_PAIRS = [("#e9e6df", "#1c232b"), ("#e9e6df", "#33291a"), ("#a7b0bb", "#1c232b"), ("#a7b0bb", "#12171c")]


@pytest.mark.parametrize(("ink", "ground"), [*LIGHT_PAIRS, ("#23676b", "#ffffff"), *DARK_PAIRS, ("#7fc6ca", "#1c232b")])
def test_text_contrasts_with_its_background(ink: str, ground: str) -> None:
    """Web Content Accessibility Guidelines 2.2, success criterion 1.4.3 (from memory): at least 4.5 to 1."""
    assert ink in DARK + str(STYLES)
    assert ground in DARK + str(STYLES)
    assert contrast(ink, ground) >= 4.5


def test_nothing_is_fetched_from_elsewhere() -> None:
    page = html(words_of("HARBOUR"))
    assert not any(word in page for word in ("http:", "https:", "url(", "@import", "<script", "<link"))


PHONE, SCREENS, BEYOND = 360, 3 * 740, 200
"""Pixels: the width of a phone, the height of three of its screens, and the height checked below them."""


def height_in_a_browser(page: str, folder: Path) -> int:
    """Show a page as wide as a phone in Chromium, and find the last row of pixels that is not background."""
    source, picture = folder / "mail.html", folder / "mail.png"
    source.write_text(page, encoding="utf-8")
    size = f"--window-size={PHONE},{SCREENS + BEYOND}"
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", size, f"--screenshot={picture}"]
    command = [require("chromium"), *options, f"--user-data-dir={folder / 'browser'}", source.as_uri()]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    shown = np.asarray(Image.open(picture).convert("L")).astype(int)
    assert shown.shape == (SCREENS + BEYOND, PHONE), "the browser took the size"
    inked = np.flatnonzero(shown.max(axis=1) - shown.min(axis=1) > 8)
    return int(inked[-1]) + 1


def test_a_setup_with_all_that_speaks_against_it_fits_on_three_screens_of_a_phone(tmp_path: Path) -> None:
    """With a chart, the open risk, the same bets and a long record; «All details» is closed."""
    event = setup_event("LONDON-BRENT-2026-12")
    event.data["surroundings"]["room"] |= {"verdict": False}
    event.data["surroundings"]["cost"] = {
        "measured": 0.31,
        "threshold": "<= 0.1",
        "verdict": False,
        "text": "spread and commission of both ways in R",
    }
    risk = (
        "Taking it would bring the open risk to 4.60 R, 4140.12 EUR, in 5 positions.",
        "Caution: that is 4.60 R in all, above the ceiling of 4 R.",
        "Same bet as GANNET 15m long, open; FULMAR 15m long.",
    )
    words = alert(Message(event, notes=Notes(risk, RECORD)), "Europe/Berlin", "America/New_York")
    chart = BytesIO()
    Image.new("RGB", (WIDTH, HEIGHT), "#fcfaf4").save(chart, "png")
    page = html(words, [f"data:image/png;base64,{b64encode(chart.getvalue()).decode()}"])
    assert SCREENS / 2 < height_in_a_browser(page, tmp_path) <= SCREENS
