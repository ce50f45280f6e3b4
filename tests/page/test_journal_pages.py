"""The journal of the page, page by page and as filtered, and the charts of a browser without script."""

from __future__ import annotations

import re
from html import unescape
from typing import TYPE_CHECKING

import pytest

from tests.journal.samples import HOUR, again, found
from tests.page.served import get, served

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.page.served import Served

NAMES = ("FULMAR", "TERN", "SKUA")
SETUPS = [found(NAMES[number % 3], at=1_772_467_200_000_000_000 + number * HOUR) for number in range(90)]
STORY_BARS = 620
"""Bars of GANNET after which the last of its stories has ended."""


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("journal")) as serving:
        serving.take(STORY_BARS)
        serving.say(*SETUPS, again(SETUPS[4], size="7"))
        for setup in (SETUPS[7], SETUPS[70]):
            serving.store.decisions.add(setup.thread, "pass")
        serving.until(SETUPS[70].thread, "/journal?decision=passed")
        yield serving


def walked(page: Served, path: str) -> list[list[str]]:
    """Follow the links to older entries; gives the stories of each page."""
    pages = []
    while path:
        text = get(page.url + path).text
        pages.append(re.findall(r'<a href="/story/([0-9a-f]+)"', text))
        further = re.search(r'<a href="([^"]+)" rel="next">', text)
        path = unescape(further[1]) if further else ""
    return pages


def stories(page: Served, path: str) -> list[str]:
    return [story for shown in walked(page, path) for story in shown]


def test_the_journal_shows_every_setup_once_on_its_pages_the_newest_first(page: Served) -> None:
    known = [kept.event.thread for kept in page.store.events.find(kinds=["setup.qualified"])]
    known.pop()  # it was reported again, and keeps its first place
    assert stories(page, "/journal") == known[::-1]
    assert [len(shown) for shown in walked(page, "/journal")[:2]] == [40, 40]


def test_the_journal_shows_one_instrument_or_one_decision_alone(page: Served) -> None:
    ours = [setup.thread for setup in reversed(SETUPS)]
    assert stories(page, "/journal?instrument=TERN") == ours[1::3]
    passed = [SETUPS[70].thread, SETUPS[7].thread]
    assert stories(page, "/journal?decision=passed") == passed
    assert stories(page, "/journal?decision=none")[:88] == [thread for thread in ours if thread not in passed]
    assert "No setup matches." in get(page.url + "/journal?decision=taken").text


def test_an_explained_bar_is_drawn_without_script(page: Served) -> None:
    light, dark = (get(f"{page.url}/picture/why.png?instrument=GANNET&timeframe=15m{more}") for more in ("", "&dark=1"))
    assert (light.status_code, dark.status_code) == (200, 200)
    assert light.content.startswith(b"\x89PNG")
    assert light.content != dark.content


def test_the_chart_of_a_story_marks_its_fills_and_its_signs(page: Served) -> None:
    told = [kept.event for kept in page.store.events.find(kinds=["setup.entered", "setup.exit_signal", "setup.closed"])]
    (thread, signal), *_ = ((each.thread, each) for each in told if each.kind == "setup.exit_signal")
    (entered, closed) = (each.data for each in told if each.thread == thread and each is not signal)
    chart = get(f"{page.url}/data/story/{thread}").json()
    labels = {mark["label"]: (mark["kind"], mark["price"]) for mark in chart["marks"]}
    assert labels == {
        f"entered {entered['entry']}": ("entry", float(entered["entry"])),
        "exit signal": ("sign", float(signal.data["close"])),
        f"left {closed['exit']}": ("exit", float(closed["exit"])),
    }
    signs = [mark["at"] for mark in chart["marks"] if mark["kind"] == "sign"]
    assert [chart["close"][at] for at in signs] == [float(signal.data["close"])]
