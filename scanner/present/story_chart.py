"""The chart of a story: a setup, where it was entered, the way of its stop, and how it ended; PNG or SVG.

It looks like the chart of the setup. Import this module late: it brings the drawing library.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from scanner.present.chart import direction_of, name_averages, painted, write_caution, write_title
from scanner.present.chart_look import DPI, HEIGHT, INK, PALE, PAPER, STOP, WIDTH
from scanner.present.chart_macd import draw_macd
from scanner.present.chart_sheet import Box, Sheet
from scanner.present.story_picture import story_picture_for
from scanner.present.story_prices import SIGN, draw_story
from scanner.present.wording import counted, sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.analysis.rules import Rules
    from scanner.event_data import StoryData
    from scanner.events import Event
    from scanner.market.bars import Bars
    from scanner.present.chart import Format
    from scanner.present.story_picture import StoryPicture

WORDS = 17.0


def story_chart_for(bars: Bars, told: Sequence[Event], rules: Rules, zone: str, format: Format = "png") -> bytes:  # noqa: A002 - the word that the library uses too
    """Draw a story; as ``story_picture_for``."""
    return draw_story_chart(story_picture_for(bars, told, rules, zone), format)


def draw_story_chart(story: StoryPicture, format: Format = "png") -> bytes:  # noqa: A002 - as above
    """Draw the picture of a story; the same picture gives the same bytes on the same machine."""
    return painted(lambda: compose_story(story), format)


def compose_story(story: StoryPicture) -> Figure:
    """Lay everything out on a sheet."""
    figure = Figure(figsize=(WIDTH / DPI, HEIGHT / DPI), dpi=DPI, facecolor=PAPER)
    sheet = Sheet(figure)
    write_title(sheet, story.shown, f" {direction_of(story.setup)}, {result_of(story.last)}", story.ended_at)
    _what_became_of_it(sheet, story)
    _legend(sheet, story, HEIGHT - 118)
    scale = draw_story(sheet, story, Box(12, 258, WIDTH - 12, HEIGHT - 132))
    draw_macd(sheet, story.shown, Box(scale.box.left, 84, scale.box.right, 226), scale.bars)
    write_caution(sheet)
    return figure


def result_of(data: StoryData) -> str:
    """Give the result in R, what it stands at while open, or the end that has none.

    >>> [result_of({"state": state, "r": r}) for state, r in (("left", "-0.40"), ("open", "0.25"), ("lapsed", None))]
    ['−0.40 R', 'so far +0.25 R', 'lapsed']
    """
    if data["r"] is None:
        return _state(data)
    r = f"{Decimal(data['r']):+f} R".replace("-", "−")
    return f"so far {r}" if data["state"] == "open" else r


def came_of(data: StoryData) -> str:
    """Say how a story ended or stands, and after how many bars.

    >>> came_of({"state": "left_on_pressure", "entry": "101.50", "bars_held": 12, "bars_waited": 2})
    'left on pressure after 12 bars'
    """
    bars = data["bars_waited"] if data["entry"] is None else data["bars_held"]
    return f"{_state(data)} " + (f"after {counted(bars, 'bar')}" if bars else "on the bar of its entry")


def _state(data: StoryData) -> str:
    return data["state"].replace("_", " ")


def _what_became_of_it(sheet: Sheet, story: StoryPicture) -> None:
    """Name the setup, how it ended or stands and why, and that R is before costs."""
    data, y = story.last, HEIGHT - 68
    costs, left = "", WIDTH - 14.0
    if data["r"] is not None:
        costs = "before costs" if data["cost_r"] is None else f"before costs of {data['cost_r']} R"
        sheet.text(left, y, costs, WORDS, PALE, align="right")
        left -= sheet.width(costs, WORDS) + 16
    aside = ", set aside" if data["set_aside"] else ""
    ended = f"{data['title']}{aside}: {came_of(data)}"
    sheet.text(14, y, sheet.fitted(ended, WORDS, left - 14), WORDS, INK)
    sheet.text(14, y - 25, sheet.fitted(sentence(data["reason"]), WORDS, WIDTH - 28), WORDS, PALE)


def _legend(sheet: Sheet, story: StoryPicture, y: float) -> None:
    """Say what lines and marks are, as far as there are some."""
    x, long = name_averages(sheet, story.shown, y), story.last["direction"] == "long"
    for there, marker, color, words in (
        (story.pressure, "v" if long else "^", STOP, "pressure"),
        (story.signals, "s", INK, "exit signal"),
    ):
        if there:
            sheet.mark(x + SIGN / 2, y + 6, marker, color, SIGN)
            x = sheet.text(x + SIGN + 8, y, words, WORDS, PALE) + 22
