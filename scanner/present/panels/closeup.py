"""The close-up of a chart: the last bars large enough to be judged one by one, with the setup's letters explained."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from scanner.present.chart.look import BAND, DOTTED, INK, LABEL, PALE, PLACE, WIDTH, WORDS
from scanner.present.chart.sheet import Box
from scanner.present.panels.parts import draw_labels, draw_line, draw_panel

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from scanner.event_data import SetupBar
    from scanner.present.chart.picture import Mark, Picture
    from scanner.present.chart.sheet import Scale, Sheet
    from scanner.present.panels.levels import Level

BOX = Box(12, 70, WIDTH - 12, 390)
SHOWN = 12
"""Fewest bars, with those of the setup."""
BEFORE = 8
"""Fewest bars before the setup."""
HEAD = 40
"""Pixels that the line above the panel takes."""
ROOM = 50.0
"""Pixels below and above the bars, for letters."""
LETTER_AWAY, BESIDE, BETWEEN = 8.0, 8.0, 20.0


def draw_closeup(sheet: Sheet, picture: Picture, levels: Sequence[Level], last: int, after: int = 0) -> None:
    """Draw the bars up to the setup at ``last``, or to the last bar, and ``after`` bars more, at the foot of the sheet.

    ``levels`` are drawn from the setup on, and named.
    """
    letters: Sequence[SetupBar] = [] if picture.setup is None else picture.setup["bars"]
    begin = max(last + 1 - max(SHOWN - after, len(letters) + BEFORE), 0)
    near = _part(picture, begin, last + 1 + after)
    at = last - begin
    axes, scale = draw_panel(sheet, near, levels, replace(BOX, top=BOX.top - HEAD), (-0.8, len(near) + 0.6), room=ROOM)
    if near.mark is not None:
        _place(axes, near.mark, len(near))
    for level in levels:
        draw_line(axes, [at + 0.5, scale.bars[1]], [level.price] * 2, level.color, level.width, level.line, zorder=2)
    _letters(sheet, axes, near, at, scale)
    draw_labels(sheet, levels, scale, scale.box.right, "near")
    _explain(sheet, letters, len(near))


def _part(picture: Picture, first: int, stop: int) -> Picture:
    """Give a picture of some of the bars."""
    part = slice(first, stop)
    return replace(
        picture,
        bars=picture.bars[part],
        fast=picture.fast[part],
        slow=picture.slow[part],
        macd=picture.macd[part],
        signal=picture.signal[part],
        mark=None if picture.mark is None else picture.mark.counted_from(first),
    )


def _place(axes: Axes, mark: Mark, bars: int) -> None:
    """Draw the line, or the price, of the place within the close-up."""
    ends = -1 if mark.place == "line" else mark.bottom[0], bars
    draw_line(axes, ends, [mark.at(end) for end in ends], PLACE, 1.8, DOTTED, zorder=2)


def _letters(sheet: Sheet, axes: Axes, near: Picture, last: int, scale: Scale) -> None:
    """Write the letters of the setup's bars above or below them, with a band behind the bars."""
    if near.setup is None:
        return
    letters = [bar["letter"] for bar in near.setup["bars"]]
    first, long = last + 1 - len(letters), near.setup["direction"] == "long"
    axes.axvspan(first - 0.5, last + 0.5, color=BAND, linewidth=0, zorder=0)
    for bar, letter in enumerate(letters, start=first):
        if bar < 0:
            continue
        end = scale.y(float((near.bars.low if long else near.bars.high)[bar]))
        y = end - LETTER_AWAY - LABEL if long else end + LETTER_AWAY + 6
        sheet.text(scale.x(bar), y, letter, LABEL, INK, bold=True, align="center")


def _explain(sheet: Sheet, letters: Sequence[SetupBar], bars: int) -> None:
    """Explain the letters above the panel, or give the number of bars."""
    y = BOX.top - WORDS
    if not letters:
        sheet.text(BOX.left, y, f"The last {bars} bars" if bars > 1 else "The last bar", WORDS, PALE)
        return
    widths = [sheet.width(bar["letter"], WORDS, bold=True) + BESIDE for bar in letters]
    names = [bar["name"] for bar in letters]
    room = BOX.right - BOX.left - sum(widths) - BETWEEN * (len(letters) - 1)
    if sum(sheet.width(name, WORDS) for name in names) > room:
        names = [sheet.fitted(name, WORDS, room / len(names)) for name in names]
    x = BOX.left
    for bar, wide, name in zip(letters, widths, names, strict=True):
        sheet.text(x, y, bar["letter"], WORDS, INK, bold=True)
        sheet.text(x + wide, y, name, WORDS, PALE)
        x += wide + sheet.width(name, WORDS) + BETWEEN
