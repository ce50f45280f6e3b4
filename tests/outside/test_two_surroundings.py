"""Costs, dates, hours, missing bars and the coarser timeframe: the engine against the plain reading."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.analysis.door.known_setups import known
from scanner.analysis.door.setup import Chosen
from scanner.analysis.rules import Rules
from scanner.engine.series_engine import SeriesEngine
from scanner.market.bars import Bars
from scanner.market.costs import Cost, Costs
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.dates import Dated
from scanner.market.sessions.timeframes import Timeframe
from scanner.pipeline import Inputs
from scanner.trade.rulebook import Rulebook
from scanner.trade.size import Account
from scanner.trade.surroundings import NAMES, Surroundings
from tests.laws import real_series, timetable
from tests.outside.plain_reading import Reading
from tests.outside.plain_sessions import QUARTER, hourly, session_numbers, sessions_of
from tests.outside.plain_setups import SETUPS
from tests.outside.plain_surroundings import DAY, Circumstances, Span
from tests.outside.plain_terms import Bar
from tests.outside.random_tapes import Row, step_of, tape
from tests.outside.two_readings import hold, plain_bars

if TYPE_CHECKING:
    from collections.abc import Sequence

FIRST, LAST = date(2024, 10, 1), date(2025, 2, 28)
"""Days with early closes after Thanksgiving and before Christmas, and with a change of the clocks."""
POINT_VALUE = Decimal(5)


def rulebook(surroundings: Surroundings) -> Rulebook:
    setups = tuple(Chosen(setup, setup.numbers()) for setup in known().values())
    return Rulebook(Rules(hold_atr=1e9), setups, surroundings)


def invented_costs(random: Random, step: Decimal) -> tuple[Costs, list[tuple[Decimal, str]]]:
    """Give costs as the engine and as the plain reading take them; the commission is that of each way."""
    given, plain = {}, []
    for name, ways in (("spread", 1), ("commission", 2), ("slippage", 1)):
        unit = random.choice(("price", "%", "money", "none"))
        amount = {
            "price": step * random.randint(1, 8),
            "%": Decimal(random.randint(1, 9)) / 1000,
            "money": POINT_VALUE * step * random.randint(1, 8) / 2,
        }.get(unit)
        if amount is not None:
            given[name] = Cost(amount, {"price": "", "%": "%", "money": "EUR"}[unit])
            plain.append((amount * ways, unit))
    return Costs(**given), plain


def invented_dates(random: Random, first: int, last: int, apart: int) -> list[Span]:
    """Give moments and days, some exactly at the close of a bar or exactly at the allowed distance."""
    found = []
    for moment in range(first, last, apart):
        begin = moment + random.randrange(apart) // QUARTER * QUARTER
        found.append(Span(begin, begin + random.choice((0, DAY))))
    return found


def dated(spans: Sequence[Span]) -> list[Dated]:
    return [Dated(*span, "all", "report", date(2026, 1, 1)) for span in spans]


@pytest.mark.parametrize("seed", range(16))
def test_quarters_of_an_hour_on_an_exchange(seed: int) -> None:
    random, step = Random(seed), step_of(seed)
    sessions = sessions_of("XNYS", FIRST, LAST)
    due = [open_ for session in sessions for open_ in session]
    rows = with_holes(random, due, tape(seed))
    bars = Bars(
        np.array([open_ for open_, _ in rows]),
        np.array([open_ + QUARTER for open_, _ in rows]),
        *np.ascontiguousarray(np.array([row for _, row in rows]).T),
    )

    costs, plain_costs = invented_costs(random, step)
    spans = invented_dates(random, due[0], due[-1], 3 * DAY)
    volume = Decimal(random.choice((500, 1000, 2000)))
    turnover = random.choice((None, volume * POINT_VALUE * abs(Decimal(repr(rows[300][1][3])))))
    required = random.sample(NAMES, 3)
    inputs = Inputs(
        Instrument("TERN", PriceSteps.fixed(step), point_value=POINT_VALUE, currency="EUR", costs=costs),
        calendar_named("XNYS"),
        Timeframe.named("15m"),
        (Timeframe.named("15m"), Timeframe.named("1h")),
        rulebook(Surroundings(require=tuple(required), min_turnover=None if turnover is None else float(turnover))),
        Account(),
        dates=tuple(dated(spans)),
    )
    events = [event for event in inputs.pipeline().events(bars) if event.subject.endswith("/15m")]

    opens = bars.open_time.tolist()
    plain, hours = plain_bars(bars), hourly(opens, sessions)
    around = Circumstances(
        opens,
        bars.close_time.tolist(),
        intraday=True,
        sessions=sessions,
        session_of=session_numbers(opens, sessions),
        costs=plain_costs,
        point_value=POINT_VALUE,
        min_turnover=turnover,
        dates=spans,
        coarse=[joined(plain[first:end]) for _, first, end in hours],
        coarse_closes=[close for close, _, _ in hours],
        required=required,
    )
    found = hold(events, Reading(plain, {"step": step}, around), bars.close_time, SETUPS, step)
    assert found.qualified + found.set_aside > 10


def with_holes(random: Random, due: Sequence[int], rows: Sequence[Row]) -> list[tuple[int, Row]]:
    """Place the rows of a tape on the bars due, and leave some bars out, one or several at a time."""
    rows_left, laid, skip = list(reversed(rows)), [], 0
    for open_ in due:
        if not rows_left:
            break
        if skip == 0 and random.random() < 0.03:
            skip = random.choice((1, 1, 2, 5, 30))
        if skip:
            skip -= 1
        else:
            laid.append((open_, rows_left.pop()))
    return laid


def joined(bars: Sequence[Bar]) -> Bar:
    """Make one coarser bar from several; its volume does not matter here."""
    high, low = max(bar.high for bar in bars), min(bar.low for bar in bars)
    return Bar(bars[0].open, high, low, bars[-1].close, None)


@pytest.mark.parametrize("name", ["sp500", "IBM"])
def test_days(name: str) -> None:
    bars, step = real_series(name), Decimal("0.01")
    random = Random(name)
    costs, plain_costs = invented_costs(random, step)
    spans = invented_dates(random, int(bars.open_time[0]), int(bars.open_time[-1]), 60 * DAY)
    spans = [Span(begin // DAY * DAY, end // DAY * DAY) for begin, end in spans]
    instrument = Instrument("TERN", PriceSteps.fixed(step), point_value=POINT_VALUE, currency="EUR", costs=costs)
    engine = SeriesEngine(
        instrument, timetable("1d"), rulebook(Surroundings(require=("cost", "dates"))), dates=dated(spans)
    )
    around = Circumstances(
        bars.open_time.tolist(),
        bars.close_time.tolist(),
        costs=plain_costs,
        point_value=POINT_VALUE,
        dates=spans,
        required=("cost", "dates"),
    )
    found = hold(engine.push(bars), Reading(plain_bars(bars), {"step": step}, around), bars.close_time, SETUPS, step)
    assert found.qualified > 0
    assert found.set_aside > 0
