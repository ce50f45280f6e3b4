"""A setup of three bars on invented hourly bars, and its surroundings, for either side."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import (
    ATR,
    CLOSE,
    COLUMNS,
    DEEP,
    DEEP_ATR,
    FAST_AVERAGE,
    HIGH,
    LOW,
    OPEN,
    SLOW_AVERAGE,
    VOLUME,
)
from scanner.analysis.rules import Rules
from scanner.clocks import DAY
from scanner.judgement import Case
from scanner.market.costs import Cost, Costs
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from scanner.trade.levels import grid_of
from scanner.trade.rulebook import Rulebook
from scanner.trade.size import Account
from scanner.trade.surroundings import Scene

if TYPE_CHECKING:
    from collections.abc import Callable

D = Decimal
BARS = 40
T = BARS - 1
MIRROR = 200
"""A short price is this minus the long price, so that prices stay above zero."""
OF_PRICE = (OPEN, HIGH, LOW, CLOSE, FAST_AVERAGE, SLOW_AVERAGE)
LAST = [(100.00, 101.50, 99.90, 101.30), (101.35, 101.80, 100.90, 101.40), (101.45, 103.00, 101.40, 102.80)]


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 10**9


def window(last: list[tuple[float, float, float, float]] | None = None, volume: float = 1_000) -> np.ndarray:
    """Make the window of a series: quiet bars around 100, and the last ones, for the long side."""
    series = np.full((COLUMNS, BARS), np.nan)
    series[:4] = np.array([[99.5, 100.5, 99.0, 100.0]]).T
    last = LAST if last is None else last
    series[:4, BARS - len(last) :] = np.array(last).T
    series[VOLUME], series[ATR] = volume, 2.0
    series[SLOW_AVERAGE] = series[FAST_AVERAGE] = np.linspace(99.0, 100.0, BARS)
    return series


def mirrored(series: np.ndarray) -> np.ndarray:
    other = series.copy()
    other[list(OF_PRICE)] = MIRROR - series[list(OF_PRICE)]
    other[[HIGH, LOW]] = other[[LOW, HIGH]]
    return other.round(10)


def timetable(timeframe: str = "1h", calendar: str = "XNYS") -> Timetable:
    return Timetable(calendar_named(calendar), Timeframe.named(timeframe))


def bars_until(table: Timetable, last_open: str, without: tuple[int, ...] = ()) -> np.ndarray:
    """Give open and close times of the bars up to one; ``without`` leaves out bars so many back from it."""
    opens, closes = table.closes_between(at(last_open) - 500 * DAY, at(last_open) + 8 * DAY)
    end = int(np.searchsorted(opens, at(last_open), side="right"))
    keep = [end - 1 - back for back in range(BARS + len(without)) if back not in without][::-1]
    return np.array([opens[keep], closes[keep]])


COSTS = Costs(spread=Cost(D("0.02")))
# New York in June, seven bars of an hour from 13:30 on: the setup's bars open at 15:30, 16:30 and 17:30.
HOURLY = timetable()
TIMES = bars_until(HOURLY, "2026-06-10T17:30")
KITE = Instrument("KITE", PriceSteps.fixed(D("0.01")), currency="USD", costs=COSTS)
CASE = Case(
    Rulebook(), KITE, HOURLY, Account(), coarser="1d", lean_at=lambda _: 0.0, dates=(), grid=grid_of(KITE.steps)
)
OF_CASE = ("instrument", "timetable", "coarser", "dates")


def scene(sign: int = 1, series: np.ndarray | None = None, **changes: Any) -> Scene:  # noqa: ANN401 - any value of a field
    """Make a scene in which everything holds: entry 103.01, stop 100.80, for the long side, in steps of 0.01.

    Prices among the ``changes`` are those of the long side.
    """
    series = window() if series is None else series
    prices: dict[str, Decimal | None] = {"entry": D("103.01"), "risk": D("2.21"), "obstacle": None}
    prices |= {name: changes.pop(name) for name in list(changes) if name in prices}
    if sign < 0:
        series = mirrored(series)
        prices |= {name: None if (price := prices[name]) is None else MIRROR - price for name in ("entry", "obstacle")}
    deep = np.full((1, DEEP, BARS + 100), np.nan)
    deep[0, DEEP_ATR] = 1.0
    deep[0, DEEP_ATR, -1] = with_volatility(changes.pop("volatility", 1.0))
    if "lean" in changes:
        changes["leans"] = changes.pop("lean")
    changes |= {name: make(changes[name]) for name, make in MADE.items() if name in changes}
    made = Scene(
        columns=series[None],
        deep=deep,
        times=TIMES[None],
        begins=(np.array([changes.pop("begin", 0)]), np.zeros(1, dtype=np.int64)),
        spots=np.array([[0, T, sign]]),
        of=np.zeros(1, dtype=np.int64),
        bars=np.array([3]),
        ways=np.array([[np.nan if price is None else 100.0 * float(price) for price in prices.values()]]).round(),
        leans=np.zeros(1),
        rules=Rules(),
        timetable=changes.get("timetable", HOURLY),
        cases=[CASE._replace(**{name: changes.pop(name) for name in OF_CASE if name in changes})],
    )
    return replace(made, **changes)


MADE: dict[str, Callable[[Any], Any]] = {
    "times": lambda times: times[None],
    "bars": lambda bars: np.array([bars]),
    "leans": lambda lean: np.array([np.nan if lean is None else lean]),
}
"""Fields of a scene with a row for each spot, given here for one."""


def with_volatility(ratio: float) -> float:
    """Give an ATR that is ``ratio`` times the mean of itself and 99 values of 1."""
    return 99 * ratio / (100 - ratio)
