"""The upper panel of a chart: bars and averages, the bars of the setup, its place and its levels."""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.event_data import chosen_entry
from scanner.present.chart.look import BAND, DOTTED, PLACE, POINTS, REWARD, STOP
from scanner.present.panels.levels import Level, levels_of
from scanner.present.panels.parts import draw_labels, draw_line, draw_panel, draw_rings

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from scanner.event_data import SetupData
    from scanner.present.chart.picture import Mark, Picture
    from scanner.present.chart.sheet import Box, Scale, Sheet

AHEAD, AHEAD_OF_NOTHING = 10, 2
"""Room after the last bar, in bars, for the levels of a setup."""


def draw_prices(sheet: Sheet, picture: Picture, box: Box) -> Scale:
    """Draw the panel within a box; gives the area of its axes, between the prices and the labels."""
    levels = [] if picture.setup is None else levels_of(picture.setup, picture.mark)
    # All panels span the same bars, with room before and after.
    bars = (-1, len(picture) + (AHEAD if picture.setup else AHEAD_OF_NOTHING))
    axes, scale = draw_panel(sheet, picture, levels, box, bars)
    if picture.mark is not None:
        _place(axes, picture, picture.mark)
    if picture.setup is not None:
        _levels(axes, picture.setup, levels, len(picture) - 0.5, scale.bars[1])
        axes.axvspan(
            len(picture) - 0.5 - len(picture.setup["bars"]), len(picture) - 0.5, color=BAND, linewidth=0, zorder=0
        )
    draw_labels(sheet, levels, scale, scale.box.right)
    return scale


def _place(axes: Axes, picture: Picture, mark: Mark) -> None:
    """Draw the place: a line through its points, rings around them, a ring at the end of the pullback."""
    last, bottom = len(picture) - 1, mark.bottom[0]
    if mark.points:
        ends = min(bar for bar, _ in mark.points), last + 0.5 if mark.place == "line" else bottom
        draw_line(axes, ends, [mark.at(end) for end in ends], PLACE, 2.4, zorder=5)
    draw_line(axes, [bottom, last + AHEAD], [mark.price] * 2, PLACE, 1.6, DOTTED, zorder=1)
    draw_rings(axes, mark.points, mark.bottom)


def _levels(axes: Axes, setup: SetupData, levels: list[Level], begin: float, end: float) -> None:
    """Draw the levels from the last bar on, the risk hatched and the way to the first objective tinted."""
    entry, stop = chosen_entry(setup)["price"], float(setup["levels"]["stop"])
    if entry is not None:
        axes.fill_between(
            [begin, end], float(entry), stop, facecolor="none", edgecolor=STOP, hatch="////", linewidth=0, zorder=1
        )
    if entry is not None and setup["levels"]["objectives"]:
        goal = float(setup["levels"]["objectives"][0])
        axes.fill_between([begin, end], float(entry), goal, color=REWARD, linewidth=0, zorder=0)
    for level in levels:
        if level.color != PLACE:
            axes.plot(
                [begin, end],
                [level.price] * 2,
                color=level.color,
                linestyle=level.line,
                linewidth=level.width * POINTS,
                solid_capstyle="butt",
                zorder=5 if level.bold else 4,
            )
