"""What the law tests share: tapes as bars, and an engine to run them through."""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.door.known_setups import known
from scanner.analysis.door.setup import Chosen
from scanner.analysis.pool import MANY
from scanner.analysis.rules import Rules
from scanner.engine.series_engine import SeriesEngine
from scanner.market.bars import Bars
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from scanner.trade.rulebook import Rulebook
from scanner.trade.size import Account
from scanner.trade.surroundings import Surroundings
from tests.outside.real_bars import every_series

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.events import Event

QUARTER_HOUR = 900 * 1_000_000_000
START = 1_700_000_100 * 1_000_000_000

REAL_SERIES = ("sp500", "nasdaq", "AAPL", "FB", "GOOG", "IBM", "MSFT")
DAY = 86_400 * 1_000_000_000

Row = tuple[float, float, float, float, float]


def bars_of(rows: Sequence[Row], start: int = START) -> Bars:
    """Make bars of a quarter of an hour of rows (open, high, low, close, volume)."""
    opens = start + QUARTER_HOUR * np.arange(len(rows), dtype=np.int64)
    return Bars(opens, opens + QUARTER_HOUR, *np.ascontiguousarray(np.array(rows, dtype=float).reshape(-1, 5).T))


def real_series(name: str) -> Bars:
    """Give one of the real daily series, unadjusted for splits."""
    series = every_series()[name]
    opens = series.date.astype("datetime64[ns]").astype(np.int64)
    return Bars(opens, opens + DAY, series.open, series.high, series.low, series.close, series.volume)


def timetable(timeframe: str = "15m", calendar: str = "none") -> Timetable:
    """Give the timetable of a timeframe, by default where nothing is known of the sessions."""
    return Timetable(calendar_named(calendar, "UTC"), Timeframe.named(timeframe))


def all_setups(rules: Rules | None = None) -> Rulebook:
    """Look for every setup there is."""
    return Rulebook(rules or Rules(), tuple(Chosen(setup, setup.numbers()) for setup in known().values()))


def told_ahead(rules: Rules | None = None) -> Rulebook:
    """Look for every setup there is, and tell those one bar ahead that can be."""
    chosen = (Chosen(setup, setup.numbers(), setup.forming is not None) for setup in known().values())
    return Rulebook(rules or Rules(), tuple(chosen))


def many_found() -> Rulebook:
    """Find a setup often on invented bars: places are read plainly, and nothing is required around it."""
    return Rulebook(Rules(place_quality="plain"), surroundings=Surroundings(require=()))


def engine(step: str = "0.01", rulebook: Rulebook | None = None, room: int = MANY) -> SeriesEngine:
    """Make an engine for an invented instrument with an equity to size by; its windows have room for so many bars."""
    instrument = Instrument("GANNET", PriceSteps.fixed(Decimal(step)), currency="EUR")
    account = Account(equity=Decimal(50_000), currency="EUR")
    rulebook, table = rulebook or all_setups(), timetable(calendar="24/7")
    return SeriesEngine(instrument, table, rulebook, account, pool=rulebook.pool(table, room))


def said(bars: Bars, cuts: Sequence[int] = (), step: str = "0.01") -> list[Event]:
    """Run bars through a new engine that tells all it can, cut at the given bars."""
    watcher = engine(step, told_ahead())
    edges = [0, *sorted(cuts), len(bars)]
    return [event for first, last in pairwise(edges) for event in watcher.push(bars[first:last])]
