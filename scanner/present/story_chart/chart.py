"""The chart of a story as PNG or SVG: a setup, its entry, the moves of its stop, and its end.

It looks like the chart of the setup. Import this module late: it loads the drawing library.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from scanner.market.digits import with_minus
from scanner.present.chart.chart import (
    PRICES,
    draw_below,
    name_averages,
    painted,
    write_caution,
    write_time,
    write_title,
)
from scanner.present.chart.look import DPI, HEIGHT, INK, PALE, PAPER, STOP, TICK, WIDTH, WORDS
from scanner.present.chart.sheet import Box, Sheet
from scanner.present.glance.acting import with_arrow
from scanner.present.panels.closeup import draw_closeup
from scanner.present.panels.story import SIGN, beginning_of_story, draw_story
from scanner.present.story_chart.picture import story_picture_for
from scanner.wording.words import counted, sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.analysis.rules import Rules
    from scanner.event_data import StoryData
    from scanner.events import Event
    from scanner.market.bars import Bars
    from scanner.present.chart.chart import Format
    from scanner.present.story_chart.picture import StoryPicture

AFTER = 5
"""Bars after the setup in the close-up."""


def story_chart_for(bars: Bars, told: Sequence[Event], rules: Rules, zone: str) -> bytes:
    """Draw a story as PNG; as ``story_picture_for``."""
    return draw_story_chart(story_picture_for(bars, told, rules, zone))


def draw_story_chart(story: StoryPicture, kind: Format = "png") -> bytes:
    """Draw the picture of a story; the same picture gives the same bytes on the same machine."""
    return painted(lambda: compose_story(story), kind)


def compose_story(story: StoryPicture) -> Figure:
    """Lay everything out on a sheet."""
    figure = Figure(figsize=(WIDTH / DPI, HEIGHT / DPI), dpi=DPI, facecolor=PAPER)
    sheet, picture = Sheet(figure), story.shown
    write_title(sheet, picture, f" {with_arrow(story.setup['direction'])}, {result_of(story.last)}")
    _what_became_of_it(sheet, story, HEIGHT - 80)
    write_time(sheet, picture, story.ended_at, HEIGHT - 146)
    _legend(sheet, story, HEIGHT - 179)
    scale = draw_story(sheet, story, Box(12, PRICES, WIDTH - 12, HEIGHT - 198))
    draw_below(sheet, picture, scale, story.setup_at)
    after = min(AFTER, len(picture) - 1 - story.setup_at)
    draw_closeup(sheet, picture, beginning_of_story(story), story.setup_at, after)
    write_caution(sheet)
    return figure


def result_of(data: StoryData) -> str:
    """Give the result in R, the R so far of an open position, or the state of one without R.

    >>> [result_of({"state": state, "r": r}) for state, r in (("left", "-0.40"), ("open", "0.25"), ("lapsed", None))]
    ['−0.40 R', 'so far +0.25 R', 'lapsed']
    """
    if data["r"] is None:
        return _state(data)
    r = with_minus(f"{Decimal(data['r']):+f} R")
    return f"so far {r}" if data["state"] == "open" else r


def came_of(data: StoryData) -> str:
    """Give the end or state of a story, and after how many bars.

    >>> came_of({"state": "left_on_pressure", "entry": "101.50", "bars_held": 12, "bars_waited": 2})
    'left on pressure after 12 bars'
    """
    bars = data["bars_waited"] if data["entry"] is None else data["bars_held"]
    return f"{_state(data)} " + (f"after {counted(bars, 'bar')}" if bars else "on the bar of its entry")


def _state(data: StoryData) -> str:
    return data["state"].replace("_", " ")


def _what_became_of_it(sheet: Sheet, story: StoryPicture, y: float) -> None:
    """Name the setup, its end or state and the reason, and say that R is before costs."""
    data = story.last
    aside = ", set aside" if data["set_aside"] else ""
    ended = f"{data['title']}{aside}: {came_of(data)}"
    sheet.text(14, y, sheet.fitted(ended, WORDS, WIDTH - 28), WORDS, INK)
    sheet.text(14, y - 33, sheet.fitted(sentence(data["reason"]), WORDS, WIDTH - 28), WORDS, PALE)
    if data["r"] is not None:
        costs = "before costs" if data["cost_r"] is None else f"before costs of {data['cost_r']} R"
        sheet.text(WIDTH - 14, y - 66, costs, WORDS, PALE, align="right")


def _legend(sheet: Sheet, story: StoryPicture, y: float) -> None:
    """Explain the lines and marks that are there."""
    x, long = name_averages(sheet, story.shown, y), story.last["direction"] == "long"
    for there, marker, color, words in (
        (story.pressure, "v" if long else "^", STOP, "pressure"),
        (story.signals, "s", INK, "exit signal"),
    ):
        if there:
            sheet.mark(x + SIGN / 2, y + 6, marker, color, SIGN)
            sheet.text(x + SIGN + 8, y, words, TICK, PALE)
            x += SIGN + 8 + sheet.width(words, TICK) + 20
