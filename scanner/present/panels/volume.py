"""The strip of volume below the prices of a chart, where the feed tells of some."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.present.chart_look import FALLING, GRID, INK, PALE, POINTS, RISING, TICK
from scanner.present.panels.parts import BODY

if TYPE_CHECKING:
    from scanner.present.chart_sheet import Box, Sheet
    from scanner.present.picture import Picture


def has_volume(picture: Picture) -> bool:
    """Whether there is anything to draw."""
    return bool(np.nansum(picture.volume) > 0)


def draw_volume(sheet: Sheet, picture: Picture, box: Box, bars_spanned: tuple[float, float]) -> None:
    """Draw a column for each bar, hollow where it rose and full where it fell."""
    axes, at = sheet.panel(box), np.arange(len(picture))
    axes.set_xlim(*bars_spanned)
    axes.set_ylim(0, float(np.nanmax(picture.volume)) * 1.05)
    colors = [RISING if up else FALLING for up in picture.close >= picture.open]
    axes.bar(at, np.nan_to_num(picture.volume), 2 * BODY, color=colors, edgecolor=INK, linewidth=1.1 * POINTS, zorder=3)
    axes.axhline(0, color=GRID, linewidth=1.4 * POINTS, zorder=1)
    sheet.text(box.left + 4, box.top + 4, "volume", TICK, PALE)
