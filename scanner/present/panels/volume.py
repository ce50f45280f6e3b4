"""The panel of volume below the prices of a chart, if the feed has any."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.present.chart.look import GRID, PALE, POINTS, TICK
from scanner.present.chart.sheet import Scale
from scanner.present.panels.parts import draw_boxes

if TYPE_CHECKING:
    from scanner.present.chart.picture import Picture
    from scanner.present.chart.sheet import Box, Sheet


def has_volume(picture: Picture) -> bool:
    """Whether there is anything to draw."""
    return bool(np.nansum(picture.bars.volume) > 0)


def draw_volume(sheet: Sheet, picture: Picture, box: Box, bars_spanned: tuple[float, float]) -> None:
    """Draw a column for each bar, hollow if it rose and full if it fell."""
    volume = np.nan_to_num(picture.bars.volume)
    axes = sheet.panel(Scale(box, bars_spanned, (0, float(volume.max()) * 1.05)))
    draw_boxes(axes, np.zeros(len(volume)), volume, picture.bars.close >= picture.bars.open)
    axes.axhline(0, color=GRID, linewidth=1.4 * POINTS, zorder=1)
    sheet.text(box.left + 4, box.top + 4, "volume", TICK, PALE)
