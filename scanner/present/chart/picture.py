"""What a chart shows: the last bars with the kernel's own indicators, the setup and its place."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.columns import FAST_AVERAGE, SLOW_AVERAGE, SWING_HIGH, SWING_LOW
from scanner.engine.series_engine import SeriesEngine
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from scanner.trade.rulebook import Rulebook
from scanner.wording.times import is_daily, named_by

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.places.surrounded import Around
    from scanner.analysis.rules import Rules
    from scanner.event_data import Place, SetupData
    from scanner.events import Event
    from scanner.market.bars import Bars

    Floats = NDArray[np.float64]
    Spot = tuple[int, float]

BARS_SHOWN, MOST_SHOWN = 72, 100
"""Bars in a chart; more, up to the second number, if the place reaches further back."""
MARGIN = 4
"""Bars shown before the first point of a place."""


@dataclass(frozen=True, slots=True)
class Mark:
    """The place of a setup. A spot is the number of a bar shown (below 0 if it lies further back) and a price.

    ``bottom`` is the end of the pullback. ``points`` are the two swing points of a line, or those of a level.
    """

    place: Place
    price: float
    bottom: Spot
    points: tuple[Spot, ...]

    def at(self, bar: float) -> float:
        """Give the price of the place at a bar: that of its line, if it is one."""
        if self.place != "line":
            return self.price
        (first, start), (second, end) = self.points
        return start + (end - start) / (second - first) * (bar - first)

    def counted_from(self, first: int) -> Mark:
        """Count its bars from another bar."""
        moved = tuple((bar - first, price) for bar, price in self.points)
        return replace(self, bottom=(self.bottom[0] - first, self.bottom[1]), points=moved)


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """Plain values for a chart that ends at a bar.

    Each indicator has a value for each of the ``bars``, NaN until it is ready. ``setup`` and ``mark`` are None without
    a setup.
    """

    instrument: str
    timeframe: str
    zone: str
    bars: Bars
    fast: Floats
    slow: Floats
    macd: Floats
    signal: Floats
    rules: Rules
    setup: SetupData | None = None
    mark: Mark | None = None

    def __len__(self) -> int:
        """Count the bars shown."""
        return len(self.bars)

    @property
    def times(self) -> NDArray[np.int64]:
        """The moment that names each bar, in nanoseconds since 1970 UTC."""
        times: NDArray[np.int64] = named_by(self.bars.open_time, self.bars.close_time, self.timeframe)
        return times

    @property
    def daily(self) -> bool:
        """Whether a bar is a day or a week."""
        return is_daily(self.timeframe)


def picture_of(bars: Bars, engine: SeriesEngine, zone: str, event: Event | None) -> Picture:
    """Run bars, oldest first, through a fresh engine and keep what a chart of the last bar and its setup shows.

    The engine need not look for setups. ValueError without bars.
    """
    if not len(bars):
        raise ValueError("a chart needs at least one bar")
    begin = max(len(bars) - MOST_SHOWN, 0)
    engine.push(bars[:begin])
    traced = traced_over(bars[begin:], engine)
    mark, shown = None, BARS_SHOWN
    if event is not None:
        mark = mark_of(engine, event.data, bars)
        if mark is not None:
            first = min((bar for bar, _ in mark.points), default=mark.bottom[0])
            shown = max(shown, len(bars) - first + MARGIN)
    # After a hold, earlier bars have other prices.
    shown = min(shown, MOST_SHOWN, len(bars), max(engine.series.count, 1))
    return picture_from(
        bars[len(bars) - shown :],
        traced[:, -shown:],
        engine,
        zone,
        None if event is None else event.data,
        None if mark is None else mark.counted_from(len(bars) - shown),
    )


def traced_over(bars: Bars, engine: SeriesEngine) -> Floats:
    """Run bars through an engine one by one; gives both averages, the MACD line and its signal at each (4 × bars)."""
    traced = np.full((4, len(bars)), np.nan)
    for at in range(len(bars)):
        engine.push(bars[at : at + 1])
        traced[:, at] = _indicators(engine)
    return traced


def picture_from(
    shown: Bars, traced: Floats, engine: SeriesEngine, zone: str, setup: SetupData | None, mark: Mark | None
) -> Picture:
    """Combine what was found at the bars shown."""
    symbol, timeframe = engine.instrument.symbol, engine.timetable.timeframe.name
    fast, slow, macd, signal = traced
    return Picture(symbol, timeframe, zone, shown, fast, slow, macd, signal, engine.rulebook.rules, setup, mark)


def picture_for(bars: Bars, event: Event, rules: Rules, zone: str) -> Picture:
    """Make the picture of a found setup from bars that contain its own, best with 400 before; later ones are left out.

    ValueError if the setup's bar is not among them.
    """
    return picture_of(bars[: bar_of(event, bars) + 1], engine_for(event.data, rules), zone, event)


def bar_of(event: Event, bars: Bars) -> int:
    """Give the number of an event's bar; ValueError if it is not among the bars."""
    at = int(np.searchsorted(bars.close_time, event.time))
    if at == len(bars) or bars.close_time[at] != event.time:
        data = event.data
        raise ValueError(f"the bar of {data['instrument']} that closed at {data['bar_close']} is not among the bars")
    return at


def engine_for(data: SetupData, rules: Rules) -> SeriesEngine:
    """Make a fresh engine for the series of a setup, for its indicators and its place only."""
    instrument = Instrument(data["instrument"], PriceSteps.fixed(Decimal(data["step"])))
    timetable = Timetable(calendar_named("none", "UTC"), Timeframe.named(data["timeframe"]))
    return SeriesEngine(instrument, timetable, Rulebook(rules, setups=()))


def _indicators(engine: SeriesEngine) -> tuple[float, float, float, float]:
    """Read both averages, the MACD line and its signal at the last bar; NaN before they are ready."""
    series, rules = engine.series, engine.rulebook.rules
    last, state = series.used - 1, series.pool.state[series.row]
    return (
        float(series.columns[FAST_AVERAGE, last]),
        float(series.columns[SLOW_AVERAGE, last]),
        float(state["ema_fast"] - state["ema_slow"]) if series.count >= rules.macd_slow else np.nan,
        float(state["signal"]) if series.count >= rules.macd_slow + rules.macd_signal else np.nan,
    )


def mark_of(engine: SeriesEngine, data: SetupData, bars: Bars) -> Mark | None:
    """Find the place of the setup at the last bar again, with the bars that make it; None if there is none."""
    name = data["place"]
    if name is None:
        return None
    long = data["direction"] == "long"
    around = engine.series.look(engine.series.used - 1, 1 if long else -1)
    found, last = around.places, len(bars) - 1
    lows = bars.low if long else bars.high
    points: list[Spot] = []
    if name == "line" and found["line"]:
        ends = (last - int(found["line_from"]), last - int(found["line_to"]))
        points = [(at, float(lows[at])) for at in ends]
    elif name == "level":
        points = _points_of_level(around, bars)
    price = float(found["bottom_price"])
    return Mark(
        name, float(data["places"][name]["price"] or price), (last - int(found["bottom"]), price), tuple(points)
    )


def _points_of_level(around: Around, bars: Bars) -> list[Spot]:
    """Give the swing points that make the level: those within the tolerance of the pullback's end."""
    found, last = around.places, len(bars) - 1
    first = last - int(found["level_from"])
    near, price = float(found["tolerance"]) * (1 + 1e-9), float(found["bottom_price"])
    known = len(around.marks)
    marks = around.marks[known - 1 - int(found["level_from"]) : known - int(found["level_to"])]
    return [
        (first + at, float(column[first + at]))
        for at, bits in enumerate(marks.tolist())
        for bit, column in ((SWING_LOW, bars.low), (SWING_HIGH, bars.high))
        if bits & bit and abs(column[first + at] - price) <= near
    ]
