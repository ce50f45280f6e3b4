"""Markets in which setups do have an edge: from the bar of a setup to its end the price drifts its way."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.pool import FEW, Pool
from scanner.engine import SeriesEngine, push_together
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from tests.honesty.market import START, Prices, at, bars_of, prices

if TYPE_CHECKING:
    from scanner.follow.outcome import Outcome
    from scanner.market.bars import Bars
    from scanner.trade.rulebook import Rulebook
    from tests.honesty.market import Floats, Market


LASTS = 15
"""Bars for which a position is pushed at most: without an end, a trend would bring more setups that keep it going."""


def planted(chance: Market, book: Rulebook, push: float) -> dict[str, Bars]:
    """Give the bars of a market that pushes the price ``push`` R further a bar while a setup is under way.

    The bars go one by one through the engine that a station has. As long as it follows a setup, for LASTS bars of the
    position at most, each next bar drifts to the setup's side by that part of its planned risk; by the mean where there
    are several. So every setup that is found in the bars afterwards is one by the very bars that were pushed.
    """
    engines = _engines(chance.size[0], book)
    last = np.full((chance.size[0], 1), np.log(START))
    said: list[Prices] = []
    for bar in range(chance.size[1]):
        one = at(chance, bar)
        found = prices(last, one, push * _risks(engines) / np.exp(last))
        push_together(engines, list(bars_of(one, found).values()))
        said.append(found)
        last = found.last
    columns = ("open", "high", "low", "close", "last")
    return bars_of(chance, Prices(*(np.hstack([getattr(each, name) for each in said]) for name in columns)))


def _engines(count: int, book: Rulebook) -> list[SeriesEngine]:
    timetable = Timetable(calendar_named("none"), Timeframe.named("1d"))
    pool = Pool(book.rules, book.setups, timetable, FEW)
    steps = PriceSteps.fixed(Decimal("0.01"))
    engines = [SeriesEngine(Instrument(f"C{number:02}", steps), timetable, book, pool=pool) for number in range(count)]
    for engine in engines:
        engine.on_end = _unheard
    return engines


def _unheard(_: Outcome) -> None:
    """Emit no events of stories."""


def _risks(engines: list[SeriesEngine]) -> Floats:
    """Give the mean planned risk of what pushes the price in each engine's series, to the side of each setup."""
    pushing = [[each for each in engine.under_way() if each.held < LASTS] for engine in engines]
    return np.array([[float(sum(each.sign * each.planned_risk for each in own)) / max(len(own), 1)] for own in pushing])
