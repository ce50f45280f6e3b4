"""The lower panel of a chart: the MACD line, its signal, and the time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.present.chart_look import DASHED, GRID, INK, PALE, POINTS, RISEN, SLOW, SOLID
from scanner.present.chart_sheet import Box, Scale
from scanner.present.time_ticks import time_ticks

if TYPE_CHECKING:
    from scanner.present.chart_sheet import Sheet
    from scanner.present.picture import Picture


def draw_macd(sheet: Sheet, picture: Picture, box: Box, bars_spanned: tuple[float, float]) -> None:
    """Draw both lines around zero, from the first to the last bar spanned, and name the time below."""
    axes, bars = sheet.panel(box), np.arange(len(picture))
    both = np.concatenate([picture.macd, picture.signal])
    reach = float(np.nanmax(np.abs(both))) if np.isfinite(both).any() else 0.0
    reach = reach * 1.15 or 1.0
    scale = Scale(box, bars_spanned, (-reach, reach * 1.25))
    axes.set_xlim(*scale.bars)
    axes.set_ylim(*scale.prices)
    axes.axhline(0, color=GRID, linewidth=1.4 * POINTS, zorder=1)
    sheet.text(box.left - 6, scale.y(0) - 6, "0", 16, PALE, align="right")
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
    axes.plot(bars, picture.macd, color=INK, linewidth=2.2 * POINTS, linestyle=SOLID, zorder=4)
    axes.plot(bars, picture.signal, color=SLOW, linewidth=1.9 * POINTS, linestyle=DASHED, zorder=3)

    rules, x, y = picture.rules, box.left + 4, box.top - 8
    for color, style, words in (
        (INK, SOLID, f"MACD {rules.macd_fast}, {rules.macd_slow}"),
        (SLOW, DASHED, f"signal {rules.macd_signal}"),
    ):
        sheet.line((x, x + 34), (y + 6, y + 6), color, style, 2.2)
        x = sheet.text(x + 42, y, words, 16, PALE) + 22
    end = box.left
    for bar, words in time_ticks(picture.times.tolist(), picture.zone):
        at, wide = scale.x(bar), sheet.width(words, 16)
        start = min(max(at - wide / 2, box.left), box.right - wide)
        if start < end:
            continue
        end = sheet.text(start, box.bottom - 22, words, 16, PALE) + 12
        sheet.line((at, at), (box.bottom, box.bottom - 6), PALE, SOLID, 1.4)
