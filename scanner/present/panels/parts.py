"""What the price panels of all charts share: prices, bars and averages, labels, and rings at a place."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.ticker import MaxNLocator

from scanner.present.chart.look import (
    DASHED,
    FALLING,
    FAST,
    GRID,
    INK,
    LABEL,
    PALE,
    PLACE,
    POINTS,
    RISING,
    SLOW,
    SOLID,
    TICK,
)
from scanner.present.chart.sheet import Box, Scale

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from numpy.typing import ArrayLike, NDArray

    from scanner.present.chart.picture import Picture, Spot
    from scanner.present.chart.sheet import Sheet
    from scanner.present.panels.levels import Level

    Floats = NDArray[np.float64]

STRETCH = 0.8
"""A level further from the bars shown than this part of their range is outside the panel; an arrow points to it."""
LABEL_GAP, LEADER = 31.0, 16.0
ROOM = 20.0
"""Pixels between the prices and the edges of a panel."""
BODY = 0.36
"""Half the width of a body, in bars."""


def draw_panel(
    sheet: Sheet,
    picture: Picture,
    levels: Sequence[Level],
    box: Box,
    bars: tuple[float, float],
    *,
    aside: float = 0,
    room: float = ROOM,
) -> tuple[Axes, Scale]:
    """Draw bars and averages from the first to the last of ``bars``, with the prices on their left.

    The panel stands in the box so that there is space on its right for the labels, and ``aside`` pixels before them;
    below and above the bars ``room`` pixels are left.
    """
    low, high = _reach(picture, levels, box.top - box.bottom, room)
    ticks, names = _price_ticks(low, high)
    left = box.left + max((sheet.width(name, TICK) for name in names), default=0) + 8
    labels = [_pointing(level, low, high) for level in levels]
    widest = max(
        (sheet.width(label, LABEL, bold=level.bold) for label, level in zip(labels, levels, strict=True)), default=0
    )
    right = box.right - aside - (widest + LEADER + 4 if levels else 0)
    panel = Box(left, box.bottom, right, box.top)
    scale = Scale(panel, bars, (low, high))
    axes = sheet.panel(scale)
    for tick, name in zip(ticks, names, strict=True):
        axes.axhline(tick, color=GRID, linewidth=1.2 * POINTS, zorder=0)
        sheet.text(left - 6, scale.y(tick) - 8, name, TICK, PALE, align="right")
    _bars(axes, picture)
    _averages(axes, picture)
    return axes, scale


def draw_labels(sheet: Sheet, levels: Sequence[Level], scale: Scale, left: float, kind: str = "level") -> None:
    """Name the levels, the lowest first, from ``left`` on, as close to their prices as possible.

    ``kind`` marks them, as in ``Sheet.text``.
    """
    low, high = scale.prices
    wanted = [scale.y(min(max(level.price, low), high)) for level in levels]
    placed = spread(wanted, LABEL_GAP, scale.box.bottom + LABEL / 2, scale.box.top - LABEL / 2)
    for level, at, to in zip(levels, wanted, placed, strict=True):
        label = _pointing(level, low, high)
        sheet.line((left, left + LEADER - 2), (at, to), level.color, SOLID, 1.2)
        sheet.text(left + LEADER, to - 9, label, LABEL, level.color, bold=level.bold, kind=kind)


def spread(wanted: Sequence[float], gap: float, lowest: float, highest: float) -> list[float]:
    """Move positions so that any two are at least ``gap`` apart and all lie from ``lowest`` to ``highest``.

    ``wanted`` rises; the order is kept, and the squared distances to the wanted positions are the least possible.
    If there is not enough room for all, they are ``gap`` apart from ``lowest`` on.

    >>> spread([10.0, 12.0, 40.0], gap=6, lowest=0, highest=100)
    [8.0, 14.0, 40.0]
    """
    # Less its place in the queue, each position only has to be no lower than the one before: neighbours that would
    # overtake each other meet at their mean (the pool-adjacent-violators algorithm; Ayer et al. 1955, from memory).
    pools: list[tuple[float, int]] = []
    for place, position in enumerate(wanted):
        mean, count = position - place * gap, 1
        while pools and pools[-1][0] > mean:
            other, others = pools.pop()
            mean, count = (mean * count + other * others) / (count + others), count + others
        pools.append((mean, count))
    room = max(highest - (len(wanted) - 1) * gap, lowest)
    level = [min(max(mean, lowest), room) for mean, count in pools for _ in range(count)]
    return [position + place * gap for place, position in enumerate(level)]


def draw_rings(axes: Axes, spots: Sequence[Spot], bottom: Spot) -> None:
    """Draw rings around the points of a place, and a full one at the end of the pullback."""
    draw_markers(axes, [spot for spot in spots if spot[0] >= 0], "o", 11, PLACE, "none", 2, zorder=6)
    draw_markers(axes, [bottom], "D", 9, PLACE, PLACE, 2, zorder=6)


def draw_line(
    axes: Axes,
    bars: ArrayLike,
    prices: ArrayLike,
    color: str,
    width: float,
    style: Any = SOLID,  # noqa: ANN401 - the library's line styles are names or tuples
    *,
    zorder: float,
) -> None:
    """Draw a line from spot to spot; ``width`` is in pixels."""
    axes.plot(bars, prices, color=color, linewidth=width * POINTS, linestyle=style, zorder=zorder)


def draw_markers(
    axes: Axes,
    spots: Sequence[tuple[float, float]],
    marker: str,
    size: float,
    edge: str,
    face: str,
    width: float,
    *,
    zorder: float,
    clipped: bool = True,
) -> None:
    """Draw one of the library's markers at each spot; ``size`` and the ``width`` of its edge are in pixels."""
    axes.plot(
        [bar for bar, _ in spots],
        [price for _, price in spots],
        linestyle="none",
        marker=marker,
        markersize=size * POINTS,
        markerfacecolor=face,
        markeredgecolor=edge,
        markeredgewidth=width * POINTS,
        zorder=zorder,
        clip_on=clipped,
    )


def _reach(picture: Picture, levels: Sequence[Level], pixels: float, room: float) -> tuple[float, float]:
    """Choose the price range of the panel: all bars, and the levels that are not too far from them."""
    low, high = float(picture.bars.low.min()), float(picture.bars.high.max())
    span = (high - low) or abs(high) * 1e-4 or 1e-4
    stretch = span * STRETCH
    near = [level.price for level in levels if low - stretch <= level.price <= high + stretch]
    low, high = min([low, *near]), max([high, *near])
    margin = max(high - low, span) * room / (pixels - 2 * room)
    return low - margin, high + margin


def _price_ticks(low: float, high: float) -> tuple[list[float], list[str]]:
    """Choose round prices, and write them with the decimals that distinguish them."""
    placed = MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    ticks = [float(tick) for tick in placed if low < tick < high]
    step = Decimal(f"{placed[1] - placed[0]:.3g}").normalize()
    decimals = max(-int(step.as_tuple().exponent), 0)
    return ticks, [f"{tick + 0.0:.{decimals}f}" for tick in ticks]


def _pointing(level: Level, low: float, high: float) -> str:
    """Give the label of a level, with an arrow if it lies outside the panel."""
    if level.price > high:
        return f"↑ {level.label}"
    return f"↓ {level.label}" if level.price < low else level.label


def _bars(axes: Axes, picture: Picture) -> None:
    at = np.arange(len(picture), dtype=float)
    tops, feet = np.maximum(picture.bars.open, picture.bars.close), np.minimum(picture.bars.open, picture.bars.close)
    # The wick stops at the body, so that a hollow one stays hollow.
    wicks = [
        *np.stack([np.stack([at, picture.bars.low], -1), np.stack([at, feet], -1)], 1),
        *np.stack([np.stack([at, tops], -1), np.stack([at, picture.bars.high], -1)], 1),
    ]
    axes.add_collection(LineCollection(wicks, colors=INK, linewidths=1.3 * POINTS, zorder=3), autolim=False)
    draw_boxes(axes, feet, tops, picture.bars.close >= picture.bars.open)


def draw_boxes(axes: Axes, feet: Floats, tops: Floats, rising: NDArray[np.bool_]) -> None:
    """Draw a box for each bar, hollow if it rose and full if it fell."""
    at = np.arange(len(feet), dtype=float)
    corners = np.stack(
        [
            np.stack([at - BODY, feet], -1),
            np.stack([at - BODY, tops], -1),
            np.stack([at + BODY, tops], -1),
            np.stack([at + BODY, feet], -1),
        ],
        1,
    )
    colors = [RISING if up else FALLING for up in rising]
    axes.add_collection(
        PolyCollection(list(corners), facecolors=colors, edgecolors=INK, linewidths=1.3 * POINTS, zorder=4),
        autolim=False,
    )


def _averages(axes: Axes, picture: Picture) -> None:
    at = np.arange(len(picture))
    emphasis = picture.mark is not None and picture.mark.place == "average"
    draw_line(axes, at, picture.fast, FAST, 2.8 if emphasis else 2.4, zorder=2)
    draw_line(axes, at, picture.slow, SLOW, 2.6, DASHED, zorder=2)
