"""The chart of a setup, to be judged at a glance on a phone, also in grey: PNG or SVG.

What colour says, shape says too: rising bars are hollow and falling ones full, each line has a style of its own, the
risk is hatched, and every level is named with its price. Import this module late: it brings the drawing library.
"""

from __future__ import annotations

import textwrap
from functools import cache
from io import BytesIO
from threading import Lock
from typing import TYPE_CHECKING, Any, Literal

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from PIL import Image

from scanner.present.cautions import SHORT
from scanner.present.chart_look import (
    COLORS,
    DASHED,
    DPI,
    FAST,
    HEIGHT,
    INK,
    PALE,
    PAPER,
    SLOW,
    SOLID,
    WIDTH,
    shown,
)
from scanner.present.chart_macd import draw_macd
from scanner.present.chart_prices import draw_prices
from scanner.present.chart_sheet import Box, Sheet
from scanner.present.picture import Picture, picture_for
from scanner.present.times import date, moment

if TYPE_CHECKING:
    from collections.abc import Callable

    from scanner.analysis.rules import Rules
    from scanner.event_data import SetupData
    from scanner.events import Event
    from scanner.market.bars import Bars

Format = Literal["png", "svg"]

SHADES = 6
"""Of each colour in a PNG: enough for smooth edges, few enough for a small file."""
NAME_LENGTH, SHORTEST_NAME = 28, 8
TITLE, LEAST_TITLE = 25.0, 20.0
SETTINGS: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "closewatch",
    "hatch.linewidth": 1.1,
    "path.simplify": True,
}
_DRAWING = Lock()
"""The library's settings belong to the whole process."""


def chart_for(bars: Bars, event: Event, rules: Rules, zone: str, format: Format = "png") -> bytes:  # noqa: A002 - the word that the library uses too
    """Draw a found setup; as ``picture_for``."""
    return draw(picture_for(bars, event, rules, zone), format)


def draw(picture: Picture, format: Format = "png") -> bytes:  # noqa: A002 - as above
    """Draw a picture; the same picture gives the same bytes on the same machine."""
    return painted(lambda: compose(picture), format)


def painted(composed: Callable[[], Figure], format: Format, *, as_paths: bool = False) -> bytes:  # noqa: A002 - as above
    """Compose a figure and write it as a file; the letters of an SVG are drawn ``as_paths`` or left to other fonts."""
    kept = BytesIO()
    with _DRAWING, mpl.rc_context(SETTINGS | {"svg.fonttype": "path"} if as_paths else SETTINGS):
        figure = composed()
        if format == "svg":
            figure.savefig(kept, format="svg", facecolor=PAPER, metadata={"Date": None, "Creator": "closewatch"})
            return kept.getvalue()
        canvas = FigureCanvasAgg(figure)
        canvas.draw()  # type: ignore[no-untyped-call]  # the library leaves it untyped
        drawn: memoryview = canvas.buffer_rgba()  # type: ignore[no-untyped-call]  # as above
        pixels = Image.frombuffer("RGBA", canvas.get_width_height(), drawn.tobytes()).convert("RGB")
    pixels.quantize(palette=_palette(), dither=Image.Dither.NONE).save(kept, "png", optimize=True)
    return kept.getvalue()


@cache
def _palette() -> Image.Image:
    """Mix each colour with the paper; a palette of our own keeps the hues that one found by counting would lose."""
    paper, inks = to_rgb(PAPER), [to_rgb(color) for color in COLORS]
    mixed = [
        round(255 * (part * shade + ground * (SHADES - shade)) / SHADES)
        for ink in inks
        for shade in range(SHADES + 1)
        for part, ground in zip(ink, paper, strict=True)
    ]
    palette = Image.new("P", (1, 1))
    palette.putpalette(mixed)
    return palette


def compose(picture: Picture) -> Figure:
    """Lay everything out on a sheet."""
    figure = Figure(figsize=(WIDTH / DPI, HEIGHT / DPI), dpi=DPI, facecolor=PAPER)
    sheet = Sheet(figure)
    _title(sheet, picture)
    _legend(sheet, picture)
    scale = draw_prices(sheet, picture, Box(12, 258, WIDTH - 12, HEIGHT - 84))
    draw_macd(sheet, picture, Box(scale.box.left, 84, scale.box.right, 226), scale.bars)
    write_caution(sheet)
    return figure


def write_caution(sheet: Sheet) -> None:
    """Write the caution at the foot of the sheet."""
    for row, line in enumerate(textwrap.wrap(SHORT, 84)):
        sheet.text(14, 31 - 19 * row, line, 15, PALE)


def _title(sheet: Sheet, picture: Picture) -> None:
    """Write instrument, timeframe, direction and place on the left, the time on the right."""
    setup = picture.setup
    what = ", no setup"
    if setup is not None:
        what = " " + direction_of(setup) + (f" at {setup['place']}" if setup["place"] else "")
    write_title(sheet, picture, what, int(picture.times[-1]))


def direction_of(setup: SetupData) -> str:
    """Give the direction with its arrow."""
    return f"{'▲' if setup['direction'] == 'long' else '▼'} {setup['direction']}"


def write_title(sheet: Sheet, picture: Picture, what: str, time: int) -> None:
    """Write instrument and timeframe with ``what`` on the left and the time on the right, as large as they fit."""
    when = date(time, picture.zone) if picture.daily else moment(time, picture.zone)
    size, length = TITLE, NAME_LENGTH
    while True:
        words = f"{shown(picture.instrument, length)} {picture.timeframe}{what}"
        wide = sheet.width(words, size, bold=True) + sheet.width(when, size * 0.76) + 16
        if wide <= WIDTH - 28:
            break
        if size > LEAST_TITLE or length == SHORTEST_NAME:
            size -= 0.5
        else:
            length -= 1
    sheet.text(14, HEIGHT - 40, words, size, INK, bold=True)
    sheet.text(WIDTH - 14, HEIGHT - 40, when, size * 0.76, PALE, align="right")


def _legend(sheet: Sheet, picture: Picture) -> None:
    y = HEIGHT - 70
    name_averages(sheet, picture, y)
    if (setup := picture.setup) is not None:
        evidence = f"evidence {setup['evidence_points']} of {setup['evidence_total']}"
        sheet.text(WIDTH - 14, y, f"{setup['title']}, {evidence}", 17, INK, align="right")


def name_averages(sheet: Sheet, picture: Picture, y: float) -> float:
    """Say which line is which average; gives where the words end."""
    rules, x = picture.rules, 14.0
    for color, style, words in (
        (FAST, SOLID, f"{rules.fast_average}-bar average"),
        (SLOW, DASHED, f"{rules.slow_average}-bar average"),
    ):
        sheet.line((x, x + 34), (y + 6, y + 6), color, style, 2.6)
        x = sheet.text(x + 42, y, words, 17, PALE) + 24
    return x
