"""What a chart shows: the last bars, the kernel's own indicators at each, the setup and what makes its place."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import FAST_AVERAGE, HIGH, LOW, SLOW_AVERAGE, SWING_HIGH, SWING_LOW
from scanner.engine import BARS_JUDGED, SeriesEngine
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.timeframes import Timeframe

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules
    from scanner.events import Event, Place, SetupData
    from scanner.market.bars import Bars

    Floats = NDArray[np.float64]
    Spot = tuple[int, float]

BARS_SHOWN, MOST_SHOWN = 72, 100
"""Bars in a chart; more, up to the second number, where the place reaches further back."""
MARGIN = 4
"""Bars shown before the first point of a place."""


@dataclass(frozen=True, slots=True)
class Mark:
    """The place of a setup. A spot is the number of a bar shown (below 0 where it lies further back) and a price.

    ``bottom`` is the end of the pullback. ``points`` are the two swing points of a line, or those of a level.
    """

    place: Place
    price: float
    bottom: Spot
    points: tuple[Spot, ...]

    def counted_from(self, first: int) -> Mark:
        """Count its bars from another one."""
        moved = tuple((bar - first, price) for bar, price in self.points)
        return replace(self, bottom=(self.bottom[0] - first, self.bottom[1]), points=moved)


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """Plain values for a chart that ends at a bar.

    All arrays have one length; ``times`` are nanoseconds since 1970 UTC: the close of a bar within a day, the open of
    a longer one. Indicators are NaN until they are ready. ``setup`` and ``mark`` are None where no setup stood.
    """

    instrument: str
    timeframe: str
    zone: str
    times: NDArray[np.int64]
    open: Floats
    high: Floats
    low: Floats
    close: Floats
    fast: Floats
    slow: Floats
    macd: Floats
    signal: Floats
    rules: Rules
    setup: SetupData | None = None
    mark: Mark | None = None

    def __len__(self) -> int:
        """Count the bars shown."""
        return len(self.times)

    @property
    def daily(self) -> bool:
        """Whether a bar is a day or a week."""
        return not Timeframe.named(self.timeframe).intraday


def picture_of(bars: Bars, engine: SeriesEngine, zone: str, event: Event | None = None) -> Picture:
    """Run bars, oldest first, through a fresh engine and keep what a chart of the last one shows.

    Without an ``event`` the setup is the one that the engine finds at the last bar, if any. ValueError without bars.
    """
    if not len(bars):
        raise ValueError("a chart needs at least one bar")
    begin = max(len(bars) - MOST_SHOWN, 0)
    engine.push(bars[:begin])
    traced = np.full((4, len(bars) - begin), np.nan)
    for column in range(traced.shape[1]):
        at = begin + column
        events = engine.push(bars[at : at + 1])
        traced[:, column] = _indicators(engine)
    if event is None:
        event = next((one for one in events if one.kind == "setup.qualified"), None)
    mark, shown = None, BARS_SHOWN
    if event is not None and engine.series.used >= BARS_JUDGED:
        mark = _mark(engine, event.data, len(bars))
        first = min((bar for bar, _ in mark.points), default=mark.bottom[0])
        shown = max(shown, len(bars) - first + MARGIN)
    # After a hold the bars before it belong to another price.
    shown = min(shown, MOST_SHOWN, len(bars), max(engine.series.count, 1))
    kept = bars[len(bars) - shown :]
    fast, slow, macd, signal = traced[:, -shown:]
    return Picture(
        engine.instrument.symbol,
        engine.timeframe.name,
        zone,
        kept.close_time if engine.timeframe.intraday else kept.open_time,
        kept.open,
        kept.high,
        kept.low,
        kept.close,
        fast,
        slow,
        macd,
        signal,
        engine.rules,
        None if event is None else event.data,
        None if mark is None else mark.counted_from(len(bars) - shown),
    )


def picture_for(bars: Bars, event: Event, rules: Rules, zone: str) -> Picture:
    """Make the picture of a found setup from bars that hold its own and, best, 400 before; later ones are left out.

    ValueError where the setup's bar is not among them.
    """
    data: SetupData = event.data
    end = int(np.searchsorted(bars.close_time, event.time)) + 1
    if end > len(bars) or bars.close_time[end - 1] != event.time:
        raise ValueError(f"the bar of {data['instrument']} that closed at {data['bar_close']} is not among the bars")
    instrument = Instrument(data["instrument"], PriceSteps.fixed(Decimal(data["step"])))
    return picture_of(bars[:end], SeriesEngine(instrument, Timeframe.named(data["timeframe"]), rules), zone, event)


def _indicators(engine: SeriesEngine) -> tuple[float, float, float, float]:
    """Read both averages, the MACD line and its signal off the last bar taken in; NaN before they are ready."""
    series, rules = engine.series, engine.rules
    last, state = series.used - 1, series.state
    return (
        float(series.columns[FAST_AVERAGE, last]),
        float(series.columns[SLOW_AVERAGE, last]),
        float(state["macd"][0]) if series.count >= rules.macd_slow else np.nan,
        float(state["signal"][0]) if series.count >= rules.macd_slow + rules.macd_signal else np.nan,
    )


def _mark(engine: SeriesEngine, data: SetupData, bars: int) -> Mark:
    """Look at the place of the setup at the last bar again, for the bars that make it."""
    series, name = engine.series, data["place"]
    sign = 1 if data["direction"] == "long" else -1
    found = series.look(series.measure_last(sign))
    bottom, price = int(found["bottom"]), float(found["bottom_price"])
    if name == "line" and found["line"]:
        end = LOW if sign > 0 else HIGH
        points = [(at, float(series.columns[end, at])) for at in (int(found["line_from"]), int(found["line_to"]))]
    else:
        points = _points_of_level(engine, found) if name == "level" else []
    moved = bars - series.used
    return Mark(
        name,
        float(data["places"][name]["price"] or price),
        (bottom + moved, price),
        tuple((at + moved, spot) for at, spot in points),
    )


def _points_of_level(engine: SeriesEngine, found: Any) -> list[Spot]:  # noqa: ANN401 - a PLACES record
    """Give the swing points, up to the bottom, that lie within the tolerance of its price."""
    series, rules = engine.series, engine.rules
    first, last = max(series.used - 1 - rules.place_span, 0), int(found["bottom"]) - rules.swing_strength
    near = float(found["tolerance"]) * (1 + 1e-9)
    return [
        (at, float(series.columns[column, at]))
        for at in range(first, last + 1)
        for bit, column in ((SWING_LOW, LOW), (SWING_HIGH, HIGH))
        if series.swings[at] & bit and abs(series.columns[column, at] - found["bottom_price"]) <= near
    ]
