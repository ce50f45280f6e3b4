"""The chart of a setup as PNG or SVG, readable at a glance on a phone, also in grey.

Whatever colour shows, shape shows too: rising bars are hollow and falling ones full, each line has its own style, the
risk is hatched, and every level is named with its price. Import this module late: it loads the drawing library.
"""

from __future__ import annotations

import textwrap
from functools import cache
from io import BytesIO
from threading import Lock
from typing import TYPE_CHECKING, Any, Literal

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from scanner.present.chart.look import (
    COLORS,
    DASHED,
    DPI,
    FAST,
    HEIGHT,
    INK,
    LEAST_TITLE,
    PALE,
    PAPER,
    SLOW,
    SMALL,
    SOLID,
    TITLE,
    WIDTH,
    WORDS,
    shades,
    shown,
)
from scanner.present.chart.picture import Picture, picture_for
from scanner.present.chart.sheet import Box, Sheet
from scanner.present.glance.acting import with_arrow
from scanner.present.panels.closeup import draw_closeup
from scanner.present.panels.levels import levels_of
from scanner.present.panels.macd import draw_macd
from scanner.present.panels.prices import draw_prices
from scanner.present.panels.volume import draw_volume, has_volume
from scanner.present.words.setup_words import at_place
from scanner.wording.cautions import SHORT
from scanner.wording.times import date, moment

if TYPE_CHECKING:
    from collections.abc import Callable

    from scanner.analysis.rules import Rules
    from scanner.events import Event
    from scanner.market.bars import Bars
    from scanner.present.chart.sheet import Scale

Format = Literal["png", "svg"]

NAME_LENGTH, SHORTEST_NAME = 28, 8
PRICES, VOLUME, MACD = 660.0, 46.0, 432.0
"""The lower end of the prices above other panels, the height of volume, and the lower end of the MACD."""
SETTINGS: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "closewatch",
    "hatch.linewidth": 1.1,
    "path.simplify": True,
}
_DRAWING = Lock()
"""The library's settings belong to the whole process."""


def chart_for(bars: Bars, event: Event, rules: Rules, zone: str, kind: Format = "png") -> bytes:
    """Draw a found setup; as ``picture_for``."""
    return draw(picture_for(bars, event, rules, zone), kind)


def draw(picture: Picture, kind: Format = "png") -> bytes:
    """Draw a picture; the same picture gives the same bytes on the same machine."""
    return painted(lambda: compose(picture), kind)


def painted(composed: Callable[[], Figure], kind: Format, *, as_paths: bool = False) -> bytes:
    """Compose a figure and write it as a file; the letters of an SVG are drawn ``as_paths`` or as text in a font."""
    kept = BytesIO()
    with _DRAWING, mpl.rc_context(SETTINGS | {"svg.fonttype": "path"} if as_paths else SETTINGS):
        figure = composed()
        if kind == "svg":
            figure.savefig(kept, format="svg", facecolor=PAPER, metadata={"Date": None, "Creator": "closewatch"})
            return kept.getvalue()
        canvas = FigureCanvasAgg(figure)
        canvas.draw()  # type: ignore[no-untyped-call]  # the library leaves it untyped
        drawn: memoryview = canvas.buffer_rgba()  # type: ignore[no-untyped-call]  # as above
        pixels = Image.frombuffer("RGBA", canvas.get_width_height(), drawn.tobytes()).convert("RGB")
    pixels.quantize(palette=_palette(), dither=Image.Dither.NONE).save(kept, "png")
    return kept.getvalue()


@cache
def _palette() -> Image.Image:
    """Make our own palette: one found by counting pixels would lose some hues."""
    palette = Image.new("P", (1, 1))
    palette.putpalette([level for color in shades(PAPER, COLORS) for level in color])
    return palette


def compose(picture: Picture) -> Figure:
    """Lay everything out on a sheet."""
    figure = Figure(figsize=(WIDTH / DPI, HEIGHT / DPI), dpi=DPI, facecolor=PAPER)
    sheet = Sheet(figure)
    setup, last = picture.setup, len(picture) - 1
    write_title(sheet, picture, ", no setup" if setup is None else f" {with_arrow(setup['direction'])}")
    y = HEIGHT - 80.0
    if setup is not None:
        evidence = f"evidence {setup['evidence_points']} of {setup['evidence_total']}"
        sheet.text(
            14,
            y,
            sheet.fitted(f"{setup['title']}{at_place(setup['place'])}, {evidence}", WORDS, WIDTH - 28),
            WORDS,
            INK,
        )
        y -= 33
    write_time(sheet, picture, int(picture.times[last]), y)
    name_averages(sheet, picture, y - 33)
    scale = draw_prices(sheet, picture, Box(12, PRICES, WIDTH - 12, y - 52))
    draw_below(sheet, picture, scale)
    levels = [] if setup is None else [level for level in levels_of(setup, picture.mark) if level.bold]
    draw_closeup(sheet, picture, levels, last)
    write_caution(sheet)
    return figure


def draw_below(sheet: Sheet, picture: Picture, scale: Scale, setup_at: int | None = None) -> None:
    """Draw the panels below the prices, over the same bars: volume, if there is any, and the MACD."""
    left, right = scale.box.left, scale.box.right
    top = PRICES - 26
    if has_volume(picture):
        draw_volume(sheet, picture, Box(left, top - VOLUME, right, top), scale.bars)
        top -= VOLUME + 8
    draw_macd(sheet, picture, Box(left, MACD, right, top), scale.bars, setup_at)


def write_caution(sheet: Sheet) -> None:
    """Write the caution at the foot of the sheet."""
    for row, line in enumerate(textwrap.wrap(SHORT, 62)):
        sheet.text(14, 36 - 25 * row, line, SMALL, PALE)


def write_title(sheet: Sheet, picture: Picture, what: str) -> None:
    """Write instrument, timeframe and ``what`` as large as they fit."""
    size, length = TITLE, NAME_LENGTH
    while True:
        words = f"{shown(picture.instrument, length)} {picture.timeframe}{what}"
        if sheet.width(words, size, bold=True) <= WIDTH - 28:
            break
        if size > LEAST_TITLE or length == SHORTEST_NAME:
            size -= 0.5
        else:
            length -= 1
    sheet.text(14, HEIGHT - 42, words, size, INK, bold=True)


def write_time(sheet: Sheet, picture: Picture, time: int, y: float) -> None:
    """Write the time of the last bar."""
    when = date(time, picture.zone) if picture.daily else moment(time, picture.zone)
    sheet.text(14, y, when, WORDS, PALE)


def name_averages(sheet: Sheet, picture: Picture, y: float) -> float:
    """Name the lines of the averages; gives where the text ends."""
    rules = picture.rules
    x = sheet.named_line(14, y, f"{rules.fast_average}-bar", FAST, SOLID, 2.6)
    return sheet.named_line(x, y, f"{rules.slow_average}-bar average", SLOW, DASHED, 2.6)
