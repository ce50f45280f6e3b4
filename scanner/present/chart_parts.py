"""What the price panels of all charts have in common: prices, bars and averages, labels, and the setup's letters."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.ticker import MaxNLocator

from scanner.present.chart_look import (
    BAND,
    DASHED,
    FALLING,
    FAST,
    GRID,
    INK,
    PALE,
    PLACE,
    POINTS,
    RISING,
    SLOW,
    SOLID,
)
from scanner.present.chart_sheet import Box, Scale
from scanner.present.spread import spread

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from scanner.present.chart_levels import Level
    from scanner.present.chart_sheet import Sheet
    from scanner.present.picture import Picture, Spot

    Floats = NDArray[np.float64]

STRETCH = 0.8
"""A level further from the bars shown than this part of their range is only pointed at."""
LABEL, LABEL_GAP, TICK = 20.0, 27.0, 16.0
LEADER = 16.0
LETTER_GAP, LETTER_AWAY, LETTER_ASIDE, LETTER_BARS = 23.0, 40.0, 9.0, 12
BODY = 0.36
"""Half the width of a body, in bars."""


def draw_panel(
    sheet: Sheet, picture: Picture, levels: Sequence[Level], box: Box, bars: tuple[float, float], aside: float = 0
) -> tuple[Axes, Scale]:
    """Draw bars and averages from the first to the last of ``bars``, with the prices on their left.

    The panel stands in the box so that there is room on its right for the labels, and ``aside`` pixels before them.
    """
    low, high = _reach(picture, levels, box.top - box.bottom)
    ticks, names = _price_ticks(low, high)
    left = box.left + max((sheet.width(name, TICK) for name in names), default=0) + 8
    labels = [_pointing(level, low, high) for level in levels]
    room = max(
        (sheet.width(label, LABEL, bold=level.bold) for label, level in zip(labels, levels, strict=True)), default=0
    )
    right = box.right - aside - (room + LEADER + 4 if levels else 0)
    panel = Box(left, box.bottom, right, box.top)
    axes, scale = sheet.panel(panel), Scale(panel, bars, (low, high))
    axes.set_xlim(*scale.bars)
    axes.set_ylim(*scale.prices)
    for tick, name in zip(ticks, names, strict=True):
        axes.axhline(tick, color=GRID, linewidth=1.2 * POINTS, zorder=0)
        sheet.text(left - 6, scale.y(tick) - 6, name, TICK, PALE, align="right")
    _bars(axes, picture)
    _averages(axes, picture)
    return axes, scale


def draw_labels(sheet: Sheet, levels: Sequence[Level], scale: Scale, left: float) -> None:
    """Name the levels, the lowest first, from ``left`` on, as close to their prices as there is room."""
    low, high = scale.prices
    wanted = [scale.y(min(max(level.price, low), high)) for level in levels]
    placed = spread(wanted, LABEL_GAP, scale.box.bottom + LABEL / 2, scale.box.top - LABEL / 2)
    for level, at, to in zip(levels, wanted, placed, strict=True):
        label = _pointing(level, low, high)
        sheet.line((left, left + LEADER - 2), (at, to), level.color, SOLID, 1.2)
        sheet.text(left + LEADER, to - 7, label, LABEL, level.color, bold=level.bold, kind="level")


def draw_letters(sheet: Sheet, axes: Axes, picture: Picture, last: int, scale: Scale) -> None:
    """Write the letters of the setup's bars, which end at ``last``, on a band behind them.

    They are fanned out so that each has room.
    """
    letters = [] if picture.setup is None else [bar["letter"] for bar in picture.setup["bars"]]
    first = last + 1 - len(letters)
    if not letters or first < 0:
        return
    axes.axvspan(first - 0.5, last + 0.5, color=BAND, linewidth=0, zorder=0)
    own = slice(first, last + 1)
    ends = {side: [scale.y(price) for price in prices[own].tolist()] for side, prices in _sides(picture)}
    side = min(ends, key=lambda side: _bars_met(picture, last, scale, side, ends[side]))
    edge = min(ends[side]) if side < 0 else max(ends[side])
    y = edge + side * LETTER_AWAY
    for number, (letter, end) in enumerate(zip(letters, ends[side], strict=True)):
        x = scale.x(last) - LETTER_ASIDE - LETTER_GAP * (len(letters) - 1 - number)
        sheet.line((scale.x(first + number), x), (end + side * 3, y - side * 11), INK, SOLID, 1.2)
        sheet.text(x, y - 7, letter, LABEL, INK, bold=True, align="center", halo=True)


def draw_rings(axes: Axes, spots: Sequence[Spot], bottom: Spot) -> None:
    """Draw rings around what makes a place, and a full one at the end of the pullback."""
    for spots_of, size, face in (([spot for spot in spots if spot[0] >= 0], 11, "none"), ([bottom], 9, PLACE)):
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


def _reach(picture: Picture, levels: Sequence[Level], pixels: float) -> tuple[float, float]:
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


def _sides(picture: Picture) -> list[tuple[int, Floats]]:
    """Give the sides where the letters may stand, below or above, with the bars' ends there; that of the stop first."""
    below = picture.setup is None or picture.setup["direction"] == "long"
    both = [(-1, picture.low), (1, picture.high)]
    return both if below else both[::-1]


def _bars_met(picture: Picture, last: int, scale: Scale, side: int, ends: list[float]) -> int:
    """Count the bars that letters on a side would stand on."""
    edge = min(ends) if side < 0 else max(ends)
    near = edge + side * (LETTER_AWAY - LABEL), edge + side * (LETTER_AWAY + LABEL)
    around = slice(max(last + 1 - LETTER_BARS, 0), last + 3)
    return sum(
        scale.y(high) > min(near) and scale.y(low) < max(near)
        for low, high in zip(picture.low[around].tolist(), picture.high[around].tolist(), strict=True)
    )
