"""The lower panel of a chart: the MACD line, its signal, where they cross, and the time."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from scanner.present.chart.look import DASHED, GRID, INK, PALE, POINTS, RISEN, SLOW, SOLID, STOP, TICK
from scanner.present.chart.sheet import Box, Scale
from scanner.present.panels.parts import draw_line, draw_markers
from scanner.wording.times import in_zone
from scanner.wording.words import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.present.chart.picture import Picture
    from scanner.present.chart.sheet import Sheet


RING = 15.0
LEGEND = 34
"""Pixels above the lines, for their names."""
MARGIN = 0.12
"""Room below and above the lines, as a part of their range."""
TIMES = 26
"""Pixels from the panel down to the names of times."""
FEWEST_TIMES, MOST_TIMES = 2, 4
CALENDAR = (("%Y", "%Y"), ("%Y %m", "%b %Y"), ("%Y %m %d", "{day} %b"), ("%Y %m %d %H", "%H:%M"))
"""From rare to frequent: what changes, and how it is named."""


def crosses(picture: Picture) -> list[tuple[int, bool]]:
    """Give the bars at which the MACD line crossed its signal, each with whether it crossed up."""
    gap = picture.macd - picture.signal
    return [
        (bar, bool(gap[bar] > 0))
        for bar in range(1, len(gap))
        if (gap[bar] > 0 and gap[bar - 1] <= 0) or (gap[bar] < 0 and gap[bar - 1] >= 0)
    ]


def draw_macd(
    sheet: Sheet, picture: Picture, box: Box, bars_spanned: tuple[float, float], setup_at: int | None
) -> None:
    """Draw both lines around zero over all bars of the panel, and name the times below.

    The last cross is marked; with ``setup_at``, in a story's chart, the last one up to that bar and all later ones.
    """
    panel = replace(box, top=box.top - LEGEND)
    bars = np.arange(len(picture))
    both = np.concatenate([picture.macd, picture.signal, [0.0]])
    low, high = float(np.nanmin(both)), float(np.nanmax(both))
    margin = (high - low) * MARGIN or 1.0
    scale = Scale(panel, bars_spanned, (low - margin, high + margin))
    axes = sheet.panel(scale)
    axes.axhline(0, color=GRID, linewidth=1.4 * POINTS, zorder=1)
    sheet.text(box.left - 6, scale.y(0) - 8, "0", TICK, PALE, align="right")
    gap = picture.macd - picture.signal
    axes.fill_between(
        bars,
        picture.macd,
        picture.signal,
        where=gap < 0,
        interpolate=True,
        facecolor="none",
        edgecolor=PALE,
        hatch="////",
        linewidth=0,
        zorder=2,
    )
    axes.fill_between(
        bars, picture.macd, picture.signal, where=gap >= 0, interpolate=True, color=RISEN, linewidth=0, zorder=2
    )
    draw_line(axes, bars, picture.macd, INK, 2.2, zorder=4)
    draw_line(axes, bars, picture.signal, SLOW, 1.9, DASHED, zorder=3)

    found = crosses(picture)
    up_to = len(picture) - 1 if setup_at is None else setup_at
    begin = max((bar for bar, _ in found if bar <= up_to), default=0)
    marked = [each for each in found if each[0] >= begin]
    for bar, _ in marked:
        spot = (bar, float(picture.macd[bar] + picture.signal[bar]) / 2)
        draw_markers(axes, [spot], "o", RING, STOP, "none", 2.2, zorder=6, clipped=False)
    rules, x, y = picture.rules, box.left + 4, box.top - 20
    x = sheet.named_line(x, y, f"MACD {rules.macd_fast}, {rules.macd_slow}", INK, SOLID, 2.2)
    x = sheet.named_line(x, y, f"signal {rules.macd_signal}", SLOW, DASHED, 2.2)
    if marked:
        sheet.mark(x + RING / 2, y + 7, "$\u25cb$", STOP, RING)
        sheet.text(x + RING + 8, y, _cross_in_words(marked, up_to, setup_at), TICK, INK)
    end = box.left
    for bar, words in time_ticks(picture.times.tolist(), picture.zone):
        at, wide = scale.x(bar), sheet.width(words, TICK)
        start = min(max(at - wide / 2, box.left), box.right - wide)
        if start < end:
            continue
        sheet.text(start, box.bottom - TIMES, words, TICK, PALE)
        end = start + wide + 14
        sheet.line((at, at), (box.bottom, box.bottom - 6), PALE, SOLID, 1.4)


def _cross_in_words(marked: list[tuple[int, bool]], last: int, setup_at: int | None) -> str:
    """Give the direction and age of the marked cross; for several, only say that they are crosses."""
    if setup_at is not None:
        return "crosses"
    bar, up = marked[-1]
    ago = last - bar
    return f"crossed {'up' if up else 'down'} " + (f"{counted(ago, 'bar')} ago" if ago else "at the last bar")


def time_ticks(times: Sequence[int], zone: str) -> list[tuple[int, str]]:
    """Choose the bars at which a day, month or year begins, whichever is rare enough, and name them.

    ``times`` are nanoseconds since 1970 UTC, in order.

    >>> quarters = [1_772_467_200_000_000_000 + 900_000_000_000 * bar for bar in range(200)]
    >>> time_ticks(quarters, "UTC")
    [(32, '3 Mar'), (128, '4 Mar')]
    """
    moments = [in_zone(time, zone) for time in times]
    chosen: list[int] = []
    name = "%H:%M"
    for changing, name in CALENDAR:  # noqa: B007 - the last name stays where none is frequent enough
        keys = [moment.strftime(changing) for moment in moments]
        chosen = [bar for bar in range(1, len(keys)) if keys[bar] != keys[bar - 1]]
        if len(chosen) >= FEWEST_TIMES:
            break
    every = -(-len(chosen) // MOST_TIMES)
    return [(bar, moments[bar].strftime(name.replace("{day}", str(moments[bar].day)))) for bar in chosen[:: every or 1]]
