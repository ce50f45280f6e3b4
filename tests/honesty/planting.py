"""Markets in which setups do have an edge: from a setup to its end, the price drifts in its direction."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.pool import FEW
from scanner.engine.series_engine import SeriesEngine
from scanner.engine.together import push_together
from scanner.follow.stories import NO_RECORDS
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable
from tests.honesty.market import START, Prices, at, bars_of, prices

if TYPE_CHECKING:
    from scanner.follow.outcome import Came
    from scanner.market.bars import Bars
    from scanner.trade.rulebook import Rulebook
    from tests.honesty.market import Floats, Market


LASTS = 15
"""The most bars for which a position is pushed: otherwise the trend would bring new setups that prolong it."""


def planted(chance: Market, book: Rulebook, push: float) -> dict[str, Bars]:
    """Give the bars of a market that pushes the price by ``push`` R per bar while a setup is under way.

    The bars go one by one through the engine of a station. While it follows a setup, for at most LASTS bars of the
    position, each next bar drifts to the setup's side by that part of its planned risk, or by the mean of several. So
    every setup found in the finished bars is one that pushed them.
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
    pool = book.pool(timetable, FEW)
    steps = PriceSteps.fixed(Decimal("0.01"))
    engines = [SeriesEngine(Instrument(f"C{number:02}", steps), timetable, book, pool=pool) for number in range(count)]
    for engine in engines:
        engine.listen(_unheard)
    return engines


def _unheard(_: Came) -> None:
    """Emit no events of stories."""


def _risks(engines: list[SeriesEngine]) -> Floats:
    """Give the mean planned risk of the setups that push the price of each engine's series, signed by their side."""
    followed = [NO_RECORDS if engine.ends is None else engine.ends.records for engine in engines]
    pushing = [records[records["held"] < LASTS] for records in followed]
    risks = [own["sign"] * (own["entry"] - own["first_stop"]) for own in pushing]
    return np.array([[each.sum() / max(len(each), 1)] for each in risks])
