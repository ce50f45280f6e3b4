"""What the chart of a story shows: the bars from before its setup to its end, and the events at them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from scanner.market.bars import Bars
from scanner.present.chart.picture import (
    bar_of,
    engine_for,
    mark_of,
    picture_from,
    traced_over,
)
from scanner.wording.times import named_by

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules
    from scanner.engine.series_engine import SeriesEngine
    from scanner.event_data import SetupData, StoryData
    from scanner.events import Event
    from scanner.present.chart.picture import Picture, Spot

COLUMNS = 110
"""Most columns; a longer story has several bars in one column between its entry and its end."""
LEAST_SHOWN, BEFORE, MOST_BEFORE = 48, 20, 55
"""Fewest bars shown, bars before the setup, and most bars up to its last; its place may lie further back."""
BARS_AFTER, BARS_AT_END = 8, 24
"""Bars after the setup and at the end that always have their own column."""


@dataclass(frozen=True, slots=True)
class Bundled:
    """The columns of several bars each: ``bars``, or fewer in the last one."""

    first: int
    last: int
    bars: int


@dataclass(frozen=True, slots=True, eq=False)
class StoryPicture:
    """Plain values for the chart of a story; ``shown`` are its bars, the setup and its place, in columns.

    ``setup_at`` is the column of the setup's last bar, ``counted`` the number of each column's last bar, counted from
    the first that is shown. A spot is a column and a price. ``stops`` are the stops with the column whose close brought
    each. ``entry``, ``half`` and ``exit`` are the spots of fills and exits, or None. ``pressure`` and
    ``signals`` are the columns of signs of pressure and of exit signals. ``last`` is what was told last, about the bar
    of the time ``ended_at``: that of ``shown.times``, if that bar is shown.
    """

    shown: Picture
    setup: SetupData
    last: StoryData
    ended_at: int
    setup_at: int
    counted: NDArray[np.int64]
    stops: tuple[Spot, ...]
    entry: Spot | None
    half: Spot | None
    exit: Spot | None
    pressure: tuple[int, ...]
    signals: tuple[int, ...]
    bundled: Bundled | None


def story_picture_for(bars: Bars, told: Sequence[Event], rules: Rules, zone: str) -> StoryPicture:
    """Make the picture of a story from bars that contain it, best with 400 before; later ones are left out.

    ``told`` is the setup and its later events, at least one. ValueError if the bar of the setup, or
    of the last event, is not among the bars.
    """
    return story_picture_of(bars, told, engine_for(told[0].data, rules), zone)


def story_picture_of(bars: Bars, told: Sequence[Event], engine: SeriesEngine, zone: str) -> StoryPicture:
    """Run bars through a fresh engine and keep what the chart of a story shows; as ``story_picture_for``.

    The engine need not look for setups.
    """
    setup, last = told[0], told[-1]
    at, end = bar_of(setup, bars), bar_of(last, bars)
    begin = max(at + 1 - MOST_BEFORE, 0)
    engine.push(bars[:begin])
    traced = traced_over(bars[begin : at + 1], engine)
    mark, known = mark_of(engine, setup.data, bars[: at + 1]), engine.series.count
    traced = np.concatenate([traced, traced_over(bars[at + 1 : end + 1], engine)], axis=1)
    stop = end + 1
    if engine.series.count < known + end - at:
        # A hold, as after a split, has broken it off: later bars have other prices.
        stop = max(stop - engine.series.count, at + 1)

    own = len(setup.data["bars"])
    wanted = max(BEFORE + own, LEAST_SHOWN - (stop - at - 1))
    before = min(wanted, MOST_BEFORE, max(known, 1), at + 1)
    first = at + 1 - before
    starts, bundled = _columns(before, stop - first)
    shown = bars[first:stop]
    counted = np.append(starts[1:], len(shown)) - 1
    picture = picture_from(
        _together(shown, starts),
        traced[:, first - begin : stop - begin][:, counted],
        engine,
        zone,
        setup.data,
        None if mark is None else mark.counted_from(first),
    )

    found = {int(time): int(np.searchsorted(counted, number)) for number, time in enumerate(shown.close_time)}
    # Events of a bar that the feed has since removed are not drawn.
    follows = [(found[event.time], event) for event in told[1:] if event.time in found]
    return StoryPicture(
        shown=picture,
        setup=setup.data,
        last=last.data,
        ended_at=int(named_by(bars.open_time[end], bars.close_time[end], picture.timeframe)),
        setup_at=before - 1,
        counted=counted,
        stops=(
            (before - 1, float(last.data["first_stop"])),
            *((column, float(event.data["stop"])) for column, event in follows if event.kind == "setup.stop_raised"),
        ),
        entry=_spot(follows, last.data["entry"], "entry"),
        half=_spot(follows, last.data["half_exit"], "half_exit"),
        exit=_spot(follows, last.data["exit"], "exit"),
        pressure=tuple(column for column, event in follows if event.kind == "setup.pressure"),
        signals=tuple(column for column, event in follows if event.kind == "setup.exit_signal"),
        bundled=bundled,
    )


def _spot(
    follows: Sequence[tuple[int, Event]], price: str | None, name: Literal["entry", "half_exit", "exit"]
) -> Spot | None:
    """Give the column at which a price was first reported, and its last value: the user may correct a fill."""
    column = next((column for column, event in follows if event.data[name] is not None), None)
    return None if column is None or price is None else (column, float(price))


def _columns(before: int, count: int) -> tuple[NDArray[np.int64], Bundled | None]:
    """Give the first bar of each column; ``count`` bars are shown, and ``before`` of them end with the setup."""
    if count <= COLUMNS:
        return np.arange(count), None
    head, end = before + BARS_AFTER, count - BARS_AT_END
    each = -(-(end - head) // (COLUMNS - head - BARS_AT_END))
    middle = np.arange(head, end, each)
    return np.concatenate([np.arange(head), middle, np.arange(end, count)]), Bundled(head, head + len(middle) - 1, each)


def _together(bars: Bars, starts: NDArray[np.int64]) -> Bars:
    """Combine the bars from each start up to the next."""
    ends = np.append(starts[1:], len(bars)) - 1
    return Bars(
        bars.open_time[starts],
        bars.close_time[ends],
        bars.open[starts],
        np.maximum.reduceat(bars.high, starts),
        np.minimum.reduceat(bars.low, starts),
        bars.close[ends],
        np.add.reduceat(bars.volume, starts),
    )
