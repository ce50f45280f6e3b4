"""The upper panel of a story's chart: the bars from the setup to the end, with the stop and a scale in R."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import MaxNLocator

from scanner.market.digits import with_minus
from scanner.present.chart.look import (
    BAND,
    DASHED,
    DOTTED,
    ENTRY,
    INK,
    PALE,
    PAPER,
    PLACE,
    POINTS,
    REWARD,
    SOLID,
    STOP,
    TICK,
)
from scanner.present.panels.levels import Level
from scanner.present.panels.parts import draw_labels, draw_line, draw_markers, draw_panel, draw_rings

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from scanner.present.chart.picture import Mark
    from scanner.present.chart.sheet import Box, Scale, Sheet
    from scanner.present.story_chart.picture import Bundled, StoryPicture

BEHIND = 5
"""Room after the last bar, in bars, for the mark of an exit."""
RISK_TICKS, RISK_ROOM = 7, 72.0
"""Most numbers of the scale in R, and its width in pixels."""
FILL, SIGN = 14.0, 15.0
"""Sizes in pixels of the marks at fills and at closes."""
SIGN_AWAY, SIGN_GAP, SIGN_BARS = 14.0, 16.0, 2
"""Distances of the marks at a close: from the bars, from so many bars before and after, and from each other."""
ENTERED, LEFT, HALF_LEFT = "▶", "◀", "◁"


def draw_story(sheet: Sheet, story: StoryPicture, box: Box) -> Scale:
    """Draw the panel within a box; gives the area of its axes, between the prices and the scale in R."""
    levels, picture = levels_of_story(story), story.shown
    aside = 0.0 if story.entry is None else RISK_ROOM
    axes, scale = draw_panel(sheet, picture, levels, box, (-1, len(picture) + BEHIND), aside=aside)
    if story.bundled is not None:
        _bundled(sheet, axes, story.bundled, scale)
    if picture.mark is not None:
        _place(axes, story, picture.mark)
    _way(axes, story)
    _marks(axes, story, scale)
    axes.axvspan(
        story.setup_at + 0.5 - len(story.setup["bars"]), story.setup_at + 0.5, color=BAND, linewidth=0, zorder=0
    )
    for price, words in risk_ticks(story, *scale.prices):
        y = scale.y(price)
        sheet.line((scale.box.right - 6, scale.box.right), (y, y), PALE, SOLID, 1.4)
        sheet.text(scale.box.right + 6, y - 8, words, TICK, PALE, kind="risk")
    draw_labels(sheet, levels, scale, scale.box.right + aside)
    return scale


def levels_of_story(story: StoryPicture) -> list[Level]:
    """List the prices of the story, the lowest first: entry, stops and exits."""
    data, found = story.last, []

    def name(label: str, price: str, color: str, *, bold: bool = False) -> None:
        found.append(Level(float(price), f"{label} {price}", color, SOLID, 1.2, bold))

    if data["entry"] != data["planned_entry"]:
        name("planned", data["planned_entry"], ENTRY, bold=data["entry"] is None)
    if data["entry"] is not None:
        name(f"{ENTERED} entry", data["entry"], ENTRY, bold=True)
    if data["stop"] != data["first_stop"]:
        name("first stop", data["first_stop"], STOP)
    name("stop", data["stop"], STOP, bold=True)
    if data["half_exit"] is not None:
        name(f"{HALF_LEFT} half", data["half_exit"], INK)
    if data["exit"] is not None:
        name(f"{LEFT} exit", data["exit"], INK, bold=True)
    return sorted(found, key=lambda level: level.price)


def beginning_of_story(story: StoryPicture) -> list[Level]:
    """List the prices at the setup, the lowest first: its entry, or the fill, and its first stop."""
    data = story.last
    entry, label = (data["planned_entry"], "planned") if data["entry"] is None else (data["entry"], "entry")
    found = [
        Level(float(entry), f"{label} {entry}", ENTRY, SOLID, 2.6, bold=True),
        Level(float(data["first_stop"]), f"stop {data['first_stop']}", STOP, SOLID, 2.6, bold=True),
    ]
    return sorted(found, key=lambda level: level.price)


def risk_ticks(story: StoryPicture, low: float, high: float) -> list[tuple[float, str]]:
    """Choose round multiples of the risk of the fill between two prices; none without a fill.

    Each is a price and a name: 0 at the entry, + on the winning side, − on the losing side.
    """
    data = story.last
    if data["entry"] is None or data["risk"] is None:
        return []
    entry, risk = float(data["entry"]), float(data["risk"]) * (1 if data["direction"] == "long" else -1)
    ends = sorted(((low - entry) / risk, (high - entry) / risk))
    placed = MaxNLocator(RISK_TICKS, steps=[1, 2, 5, 10]).tick_values(*ends)
    return [
        (entry + risk * float(r), with_minus(f"{float(r) + 0.0:+.6g}R") if r else "0")
        for r in placed
        if ends[0] < r < ends[1]
    ]


def _bundled(sheet: Sheet, axes: Axes, bundled: Bundled, scale: Scale) -> None:
    """Mark the columns of several bars each, and give their number below the panel."""
    for edge in (bundled.first - 0.5, bundled.last + 0.5):
        axes.axvline(edge, color=PALE, linewidth=1.2 * POINTS, linestyle=DOTTED, zorder=1)
    middle = scale.x((bundled.first + bundled.last) / 2)
    sheet.text(middle, scale.box.bottom - 22, f"{bundled.bars} bars in one", TICK, PALE, align="center")


def _place(axes: Axes, story: StoryPicture, mark: Mark) -> None:
    """Draw the place as it was at the setup; a line continues to the end."""
    first = min((bar for bar, _ in mark.points), default=0)
    if mark.place == "line":
        # Up to the setup, each column is one bar.
        bars = [first, *story.counted[max(first, 0) :].tolist()]
        columns = [first, *range(max(first, 0), len(story.counted))]
        draw_line(axes, columns, [mark.at(bar) for bar in bars], PLACE, 2, zorder=2)
    elif mark.points:
        draw_line(axes, [first, mark.bottom[0]], [mark.price] * 2, PLACE, 2, zorder=2)
    draw_rings(axes, mark.points, mark.bottom)


def _way(axes: Axes, story: StoryPicture) -> None:
    """Draw entry and stop from the setup on: the risk hatched, the gain that the stop secures tinted."""
    last = len(story.shown) - 1
    filled = last if story.entry is None else story.entry[0]
    over = last if story.exit is None else story.exit[0]
    begin, end = story.setup_at + 0.5, over + 0.5
    planned = float(story.last["planned_entry"])
    draw_line(axes, [begin, filled + 0.5], [planned] * 2, ENTRY, 2, DASHED, zorder=5)
    # A stop holds from the close at which it moved.
    froms = [column + 0.5 for column, _ in story.stops]
    edges, stops = np.array([*froms, end]), np.array([price for _, price in story.stops])
    axes.stairs(stops, edges, baseline=None, color=STOP, linewidth=2.6 * POINTS, zorder=5)
    if story.entry is None:
        return
    entry, start = story.entry[1], filled - 0.5
    draw_line(axes, [start, end], [entry] * 2, ENTRY, 2, zorder=5)
    sign = 1 if story.last["direction"] == "long" else -1
    for stop, left, right in zip(stops.tolist(), edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if right <= start:
            continue
        spanned = [max(left, start), right]
        if sign * (entry - stop) > 0:
            axes.fill_between(
                spanned, entry, stop, facecolor="none", edgecolor=STOP, hatch="////", linewidth=0, zorder=1
            )
        else:
            axes.fill_between(spanned, entry, stop, color=REWARD, linewidth=0, zorder=0)


def _marks(axes: Axes, story: StoryPicture, scale: Scale) -> None:
    """Mark fills and exits, the signs of pressure, and the exit signals."""
    pixel = (scale.bars[1] - scale.bars[0]) / (scale.box.right - scale.box.left)
    aside = 0.5 + FILL / 2 * pixel
    for spot, side, color, face in (
        (story.entry, -1, ENTRY, ENTRY),
        (story.half, 1, INK, PAPER),
        (story.exit, 1, INK, INK),
    ):
        if spot is not None:
            at, shape = (spot[0] + side * aside, spot[1]), ">" if side < 0 else "<"
            draw_markers(axes, [at], shape, FILL, color, face, 1.4, zorder=7, clipped=False)
    long = story.last["direction"] == "long"
    up = (1 if long else -1) * (scale.prices[1] - scale.prices[0]) / (scale.box.top - scale.box.bottom)
    for columns, marker, color in ((story.pressure, "v" if long else "^", STOP), (story.signals, "s", INK)):
        for column in columns:
            near = slice(max(column - SIGN_BARS, 0), column + SIGN_BARS + 1)
            end = float(story.shown.bars.high[near].max() if long else story.shown.bars.low[near].min())
            is_near = any(abs(column - other) <= SIGN_BARS for other in story.pressure)
            away = SIGN_AWAY + SIGN_GAP * (marker == "s" and is_near)
            draw_markers(axes, [(column, end + up * away)], marker, SIGN, PAPER, color, 1.4, zorder=7, clipped=False)
