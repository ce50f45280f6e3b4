"""A desk that watches one invented instrument, GANNET, and the bars of its tape."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np

from scanner.configuration.model.settings import Watched
from scanner.market.bars import Bars, RawBars
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.service.desk import Desk, Taken
from scanner.service.together.usual import Arrival
from scanner.store import SeriesKey
from scanner.trade.size import Account
from tests.laws import QUARTER_HOUR, bars_of, engine, many_found
from tests.outside.random_tapes import tape

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.events import Event
    from scanner.store import Store
    from scanner.trade.rulebook import Rulebook

SEED = 7
START = 1_700_000_100 * 1_000_000_000 // QUARTER_HOUR * QUARTER_HOUR
BARS = bars_of(tape(SEED), START)
LATER = int(BARS.close_time[-1])
KEY = SeriesKey("GANNET", "15m")
ACCOUNT = Account(equity=Decimal(50_000), currency="EUR")


def watched(*timeframes: str, rulebook: Rulebook | None = None) -> Watched:
    return Watched(
        Instrument("GANNET", PriceSteps.fixed(Decimal("0.01")), currency="EUR", calendar="24/7"),
        symbol="GANNET",
        feed="tape",
        group="",
        calendar=calendar_named("24/7"),
        base=Timeframe.named("15m"),
        timeframes=tuple(Timeframe.named(name) for name in timeframes or ("15m",)),
        rulebook=rulebook or many_found(),
        adjustments=(),
        dates=None,
    )


def raw(bars: Bars) -> RawBars:
    rows = np.arange(len(bars))
    return RawBars(bars.open_time, bars.open, bars.high, bars.low, bars.close, bars.volume, rows, "tape")


def to_screen(_: Event) -> tuple[str, ...]:
    return ("screen",)


def desk(
    store: Store,
    *timeframes: str,
    stale_after: int = 10**9,
    route: Callable[[Event], Sequence[str]] = to_screen,
    rulebook: Rulebook | None = None,
) -> Desk:
    made = Desk(
        [watched(*timeframes, rulebook=rulebook)], ACCOUNT, store, route=route, stale_after=stale_after, record=True
    )
    made.load()
    return made


def take(at: Desk, bars: Bars, now: int | None = None) -> Taken:
    return at.take([Arrival("GANNET", raw(bars))], int(bars.close_time[-1]) if now is None else now)


def expected() -> list[Event]:
    return engine(rulebook=many_found()).push(BARS)
