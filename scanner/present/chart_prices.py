"""The upper panel of a chart: bars and averages, the bars of the setup, its place and its levels."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.ticker import MaxNLocator

from scanner.present.chart_levels import Level, levels_of
from scanner.present.chart_look import (
    BAND,
    DASHED,
    DOTTED,
    FALLING,
    FAST,
    GRID,
    INK,
    PALE,
    PLACE,
    POINTS,
    REWARD,
    RISING,
    SLOW,
    SOLID,
    STOP,
)
from scanner.present.chart_sheet import Box, Scale
from scanner.present.spread import spread

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from scanner.events import SetupData
    from scanner.present.chart_sheet import Sheet
    from scanner.present.picture import Mark, Picture

    Floats = NDArray[np.float64]

AHEAD, AHEAD_OF_NOTHING = 13, 2
"""Bars of room behind the last one, where the levels of a setup stand."""
STRETCH = 0.8
"""A level further from the bars shown than this part of their range is only pointed at."""
LABEL, LABEL_GAP, TICK = 20.0, 27.0, 16.0
LEADER = 16.0
LETTER_GAP, LETTER_AWAY, LETTER_ASIDE, LETTER_BARS = 23.0, 40.0, 9.0, 12
BODY = 0.36
"""Half the width of a body, in bars."""


def across(picture: Picture) -> tuple[float, float]:
    """Give the first and last bar that both panels span, with room before and behind."""
    return -1, len(picture) + (AHEAD if picture.setup else AHEAD_OF_NOTHING)


def draw_prices(sheet: Sheet, picture: Picture, box: Box) -> tuple[float, float]:
    """Draw the panel within a box; gives where its axes begin and end, between the prices and the labels."""
    levels = [] if picture.setup is None else levels_of(picture.setup, picture.mark)
    low, high = _reach(picture, levels, box.top - box.bottom)
    ticks, names = _price_ticks(low, high)
    left = box.left + max((sheet.width(name, TICK) for name in names), default=0) + 8
    labels = [_pointing(level, low, high) for level in levels]
    room = max(
        (sheet.width(label, LABEL, bold=level.bold) for label, level in zip(labels, levels, strict=True)), default=0
    )
    right = box.right - (room + LEADER + 4 if levels else 0)
    panel = Box(left, box.bottom, right, box.top)
    axes, scale = sheet.panel(panel), Scale(panel, across(picture), (low, high))
    axes.set_xlim(*scale.bars)
    axes.set_ylim(*scale.prices)

    for tick, name in zip(ticks, names, strict=True):
        axes.axhline(tick, color=GRID, linewidth=1.2 * POINTS, zorder=0)
        sheet.text(left - 6, scale.y(tick) - 6, name, TICK, PALE, align="right")
    _bars(axes, picture)
    _averages(axes, picture)
    if picture.mark is not None:
        _place(axes, picture, picture.mark)
    if picture.setup is not None:
        _levels(axes, picture.setup, levels, len(picture) - 0.5, scale.bars[1])
    if picture.setup is not None and len(picture) >= len(picture.setup["bars"]):
        _letters(sheet, axes, picture, [bar["letter"] for bar in picture.setup["bars"]], scale)
    wanted = [scale.y(min(max(level.price, low), high)) for level in levels]
    placed = spread(wanted, LABEL_GAP, box.bottom + LABEL / 2, box.top - LABEL / 2)
    for level, label, at, to in zip(levels, labels, wanted, placed, strict=True):
        sheet.line((right, right + LEADER - 2), (at, to), level.color, SOLID, 1.2)
        sheet.text(right + LEADER, to - 7, label, LABEL, level.color, bold=level.bold, kind="level")
    return left, right


def _reach(picture: Picture, levels: list[Level], pixels: float) -> tuple[float, float]:
    """Choose the prices that the panel spans: all bars, and the levels that are not too far from them."""
    low, high = float(picture.low.min()), float(picture.high.max())
    span = (high - low) or abs(high) * 1e-4 or 1e-4
    stretch = span * STRETCH
    near = [level.price for level in levels if low - stretch <= level.price <= high + stretch]
    low, high = min([low, *near]), max([high, *near])
    # Room below and above for the letters of the setup's bars.
    margin = max(high - low, span) * 58 / (pixels - 116)
    return low - margin, high + margin


def _price_ticks(low: float, high: float) -> tuple[list[float], list[str]]:
    """Choose round prices, and write them with as many decimals as tell them apart."""
    placed = MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    ticks = [float(tick) for tick in placed if low < tick < high]
    step = Decimal(f"{placed[1] - placed[0]:.3g}").normalize()
    decimals = max(-int(step.as_tuple().exponent), 0)
    return ticks, [f"{tick + 0.0:.{decimals}f}" for tick in ticks]


def _pointing(level: Level, low: float, high: float) -> str:
    """Give the label of a level, with an arrow where it lies outside the panel."""
    if level.price > high:
        return f"↑ {level.label}"
    return f"↓ {level.label}" if level.price < low else level.label


def _bars(axes: Axes, picture: Picture) -> None:
    at = np.arange(len(picture), dtype=float)
    tops, feet = np.maximum(picture.open, picture.close), np.minimum(picture.open, picture.close)
    # The wick stops at the body, so that a hollow one stays hollow.
    wicks = [
        *np.stack([np.stack([at, picture.low], -1), np.stack([at, feet], -1)], 1),
        *np.stack([np.stack([at, tops], -1), np.stack([at, picture.high], -1)], 1),
    ]
    axes.add_collection(LineCollection(wicks, colors=INK, linewidths=1.3 * POINTS, zorder=3), autolim=False)
    corners = np.stack(
        [
            np.stack([at - BODY, feet], -1),
            np.stack([at - BODY, tops], -1),
            np.stack([at + BODY, tops], -1),
            np.stack([at + BODY, feet], -1),
        ],
        1,
    )
    colors = [RISING if up else FALLING for up in picture.close >= picture.open]
    axes.add_collection(
        PolyCollection(list(corners), facecolors=colors, edgecolors=INK, linewidths=1.3 * POINTS, zorder=4),
        autolim=False,
    )


def _averages(axes: Axes, picture: Picture) -> None:
    at = np.arange(len(picture))
    emphasis = picture.mark is not None and picture.mark.place == "average"
    axes.plot(at, picture.fast, color=FAST, linewidth=(2.8 if emphasis else 2.4) * POINTS, linestyle=SOLID, zorder=2)
    axes.plot(at, picture.slow, color=SLOW, linewidth=2.6 * POINTS, linestyle=DASHED, zorder=2)


def _letters(sheet: Sheet, axes: Axes, picture: Picture, letters: list[str], scale: Scale) -> None:
    """Write the letters of the setup's bars on a band behind them, fanned out so that each letter has room."""
    last = len(picture) - 1
    axes.axvspan(last - len(letters) + 0.5, last + 0.5, color=BAND, linewidth=0, zorder=0)
    ends = {side: [scale.y(price) for price in prices[-len(letters) :].tolist()] for side, prices in _sides(picture)}
    side = min(ends, key=lambda side: _bars_met(picture, scale, side, ends[side]))
    edge = min(ends[side]) if side < 0 else max(ends[side])
    y = edge + side * LETTER_AWAY
    for number, (letter, end) in enumerate(zip(letters, ends[side], strict=True)):
        bar = last - len(letters) + 1 + number
        x = scale.x(last) - LETTER_ASIDE - LETTER_GAP * (len(letters) - 1 - number)
        sheet.line((scale.x(bar), x), (end + side * 3, y - side * 11), INK, SOLID, 1.2)
        sheet.text(x, y - 7, letter, LABEL, INK, bold=True, align="center", halo=True)


def _sides(picture: Picture) -> list[tuple[int, Floats]]:
    """Give the sides where the letters may stand, below or above, with the bars' ends there; that of the stop first."""
    below = picture.setup is None or picture.setup["direction"] == "long"
    both = [(-1, picture.low), (1, picture.high)]
    return both if below else both[::-1]


def _bars_met(picture: Picture, scale: Scale, side: int, ends: list[float]) -> int:
    """Count the bars that letters on a side would stand on."""
    edge = min(ends) if side < 0 else max(ends)
    near = edge + side * (LETTER_AWAY - LABEL), edge + side * (LETTER_AWAY + LABEL)
    first = max(len(picture) - LETTER_BARS, 0)
    return sum(
        scale.y(high) > min(near) and scale.y(low) < max(near)
        for low, high in zip(picture.low[first:].tolist(), picture.high[first:].tolist(), strict=True)
    )


def _place(axes: Axes, picture: Picture, mark: Mark) -> None:
    """Draw what makes the place: a line through its points, rings around them, a ring at the end of the pullback."""
    last, (bottom, price) = len(picture) - 1, mark.bottom
    if mark.place == "line":
        (first, start), (second, end) = mark.points
        slope = (end - start) / (second - first)
        axes.plot(
            [first, last + 0.5],
            [start, start + slope * (last + 0.5 - first)],
            color=PLACE,
            linewidth=2.4 * POINTS,
            linestyle=SOLID,
            zorder=5,
        )
    elif mark.points:
        first = min(bar for bar, _ in mark.points)
        axes.plot([first, bottom], [mark.price] * 2, color=PLACE, linewidth=2.4 * POINTS, linestyle=SOLID, zorder=5)
    axes.plot([bottom, last + AHEAD], [mark.price] * 2, color=PLACE, linewidth=1.6 * POINTS, linestyle=DOTTED, zorder=1)
    spots = [spot for spot in mark.points if spot[0] >= 0]
    for spots_of, size, face in ((spots, 11, "none"), ([(bottom, price)], 9, PLACE)):
        axes.plot(
            [bar for bar, _ in spots_of],
            [at for _, at in spots_of],
            linestyle="none",
            marker="o" if face == "none" else "D",
            markersize=size * POINTS,
            markerfacecolor=face,
            markeredgecolor=PLACE,
            markeredgewidth=2 * POINTS,
            zorder=6,
        )


def _levels(axes: Axes, setup: SetupData, levels: list[Level], begin: float, end: float) -> None:
    """Draw the levels from the last bar on, the risk hatched and the way to the first objective tinted."""
    entry, stop = setup["entries"][setup["entry_style"]]["price"], float(setup["levels"]["stop"])
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
