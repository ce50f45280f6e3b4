"""Where and when: the mean R of each group of a breakdown, with its interval and its number of trades."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from math import isnan, nan
from typing import TYPE_CHECKING

from scanner.present.chart.look import INK, PALE, PAPER, SLOW
from scanner.present.chart.sheet import Sheet
from scanner.present.study.numbers import in_r
from scanner.present.study.outcomes import by, named
from scanner.present.study.pictures.axes import SMALL, Plot, bounds, finish, sheet, signed, svg

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.figure import Figure

    from scanner.studies.figures.results import Breakdown

SHOWN = ("timeframe", "group", "year", "month", "hour")
HEIGHT = 190
MOST, MOST_NAMED = 40, 12
ROOM = 340
"""Most groups of a picture, and most with room for names; the pixels that all share."""
BELOW = "Mean net R with its interval at 95 %, and the number of closed trades below. A grey cross has too few for one."


def where_when(found: Sequence[Breakdown]) -> tuple[Plot, ...]:
    """Draw each breakdown by place or time that has more than one group, and not too many."""
    there = [each for name in SHOWN for each in found if each.by == name]
    return tuple(
        Plot(svg(partial(_compose, each)), _told(each), BELOW) for each in there if 1 < len(_closed(each)) <= MOST
    )


@dataclass(frozen=True, slots=True)
class _Group:
    """A group with closed trades; ``low`` and ``high`` are NaN if there are too few for an interval."""

    name: str
    mean: float
    low: float
    high: float
    closed: int


def _closed(breakdown: Breakdown) -> list[_Group]:
    return [
        _Group(
            named(each, breakdown.by),
            each.mean.value,
            nan if each.mean.low is None else each.mean.low,
            nan if each.mean.high is None else each.mean.high,
            each.closed,
        )
        for each in breakdown.groups
        if each.mean.value is not None
    ]


def _told(breakdown: Breakdown) -> str:
    groups = _closed(breakdown)
    enough = [each for each in groups if not isnan(each.low)]
    if not enough:
        return f"By {by(breakdown)}, {len(groups)} groups, each with too few for an interval"
    low, high = min(enough, key=lambda each: each.mean), max(enough, key=lambda each: each.mean)
    return (
        f"By {by(breakdown)}, {len(groups)} groups, {len(enough)} of them with an interval: from "
        f"{in_r(low.mean)} R ({low.name}) to {in_r(high.mean)} R ({high.name})"
    )


def _compose(breakdown: Breakdown) -> Figure:
    groups = _closed(breakdown)
    figure, axes = sheet(HEIGHT)
    axes.axhline(0, color=INK, linewidth=0.9)
    axes.set_ylim(*bounds([part for each in groups for part in (each.mean, each.low, each.high)], 0.25))
    for place, each in enumerate(groups):
        if isnan(each.low):
            axes.plot(place, each.mean, "x", color=PALE, markersize=5)
        else:
            axes.vlines(place, each.low, each.high, color=SLOW, linewidth=2.2)
            axes.plot(place, each.mean, "o", color=SLOW, markersize=5, markerfacecolor=PAPER)
    every_nth = -(-len(groups) // MOST_NAMED)
    named_at = range(0, len(groups), every_nth)
    axes.set_xlim(-0.6, len(groups) - 0.4)
    pen, room = Sheet(figure), ROOM * every_nth / (len(groups) + 0.2) - 2
    names = [f"{pen.fitted(groups[place].name, SMALL, room)}\n{groups[place].closed:,}" for place in named_at]
    axes.set_xticks(list(named_at), names)
    signed(axes.yaxis, 5)
    finish(axes, "", f"mean R by {by(breakdown)}")
    return figure
