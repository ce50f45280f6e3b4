"""Positions and the session: left by its close if the user so chooses, with warnings of what comes after it."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
import pytest

from scanner.analysis.pool import Pool
from scanner.analysis.rules import Rules
from scanner.analysis.series import Series
from scanner.events import rfc3339
from scanner.follow.follower import Follower
from scanner.follow.found import Found
from scanner.follow.stories import go_on_together
from scanner.follow.story_events import Teller, soon
from scanner.market.bars import Bars
from scanner.market.instruments import Instrument
from scanner.market.price_steps import PriceSteps
from scanner.market.sessions.dates import Dated, parsed
from scanner.trade.following import Follow
from scanner.trade.rulebook import Rulebook
from scanner.trade.surroundings import Surroundings
from tests.follow.hand_tapes import QUIET, RISEN, Prices, Spoiler, record_of
from tests.follow.test_branches import FLAT, IN
from tests.laws import timetable

if TYPE_CHECKING:
    from collections.abc import Collection

    from scanner.events import Event

DAY = 86_400 * 1_000_000_000
RULEBOOK = Rulebook(Rules(), (), follow=Follow(flat_by_close=True))
# Bars of an hour in New York on 2026-11-27, a half day (UTC): 14:30, 15:30, 16:30, and half an hour from 17:30 on.
FIRST, SECOND, LAST_BUT_ONE, LAST = (f"2026-11-27T{time}Z" for time in ("15:30:00", "16:30:00", "17:30:00", "18:00:00"))
MONDAY = "2026-11-30T15:30:00Z"
WEEKEND = "the market is closed until Monday, 2026-11-30"


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp()) * 1_000_000_000


def told(after: list[Prices], timeframe: str = "1h", missing: Collection[str] = ()) -> list[Event]:
    """Give the news of a setup at the first bar of the half day, with some of the later bars missing."""
    table = timetable(timeframe, "XNYS")
    end = at(FIRST)
    opens, closes = table.closes_between(end - 400 * DAY, end)
    later = table.closes_between(end, end + 30 * DAY)
    keep = ~np.isin(later[1], [at(each) for each in missing])
    rows = np.array([*QUIET, RISEN, *after])
    count, more = len(QUIET) + 1, len(after)
    opens = np.concatenate([opens[-count:], later[0][keep][:more]])
    closes = np.concatenate([closes[-count:], later[1][keep][:more]])
    open_, high, low, close = np.ascontiguousarray(rows.T)
    bars = Bars(opens, closes, open_, high, low, close, np.ones(len(rows)))
    instrument = Instrument("GANNET", PriceSteps.fixed(Decimal("0.01")), currency="USD", calendar="XNYS")
    series = Series(Pool(RULEBOOK.rules, (), table))
    follower = Follower(series, instrument, RULEBOOK, table)
    list(series.take(bars[:count]))
    found = Found(
        *("thread", "own", "own setup", 1),
        set_aside=False,
        evidence_points=5,
        close=rfc3339(int(closes[count - 1])),
        trigger=101.49,
        entry=Decimal("101.50"),
        stop=Decimal("99.50"),
        size=None,
        ride=False,
        spoiled_by="",
    )
    follower.begin([found], record_of(series, found, Spoiler()))
    news = go_on_together([follower], [[(series.used - 1, 1)]])[0]
    for number in range(count, len(bars)):
        list(series.take(bars[number : number + 1]))
        news += go_on_together([follower])[0]
    teller = Teller(instrument, table, RULEBOOK, None)
    return [teller.event(each) for _, each in news]


def brief(events: list[Event]) -> list[tuple[str, str, str, str | None]]:
    return [
        (event.kind.removeprefix("setup."), rfc3339(event.time), event.data["reason"], event.data["exit"])
        for event in events
    ]


ENTERED = ("entered", SECOND, "the break entry was reached", None)
SIGNAL = (
    *("exit_signal", LAST_BUT_ONE),
    "the next bar is the last of the session, by whose close you chose to leave",
    None,
)


def test_a_position_is_left_at_the_close_of_a_half_day() -> None:
    events = told([IN, FLAT, (101.5, 102.0, 101.0, 101.8)])
    assert brief(events) == [ENTERED, SIGNAL, ("closed", LAST, "the session ended", "101.80")]
    assert events[1].data["orders"] == "sell stop 99.50; sell at the close of the next bar"
    crosses = "once the MACD line crosses back, leave at the next open"
    assert events[0].data["next"] == f"{crosses}; leave at the close of the session"
    assert events[1].data["next"] == "the stop or the close of the next bar ends it"


def test_if_the_last_bar_never_comes_it_is_left_at_the_next_open() -> None:
    events = told([IN, FLAT, (102.2, 102.4, 102.0, 102.1)], missing=[LAST])
    reason = "the session had ended without its last bar"
    assert brief(events) == [ENTERED, SIGNAL, ("closed", MONDAY, reason, "102.20")]


def test_an_entry_in_the_last_bar_is_left_at_its_close() -> None:
    quiet = (101.0, 101.4, 100.4, 101.0)
    events = told([quiet, quiet, IN])
    assert [(event.kind, rfc3339(event.time), event.data["exit"]) for event in events] == [
        ("setup.entered", LAST, "101.60"),
        ("setup.closed", LAST, "101.60"),
    ]


def test_on_daily_bars_the_choice_has_no_effect() -> None:
    (entered,) = told([IN, FLAT, FLAT], "1d")
    assert entered.kind == "setup.entered"
    assert "session" not in entered.data["next"]


@pytest.mark.parametrize(
    ("close", "timeframe", "calendar", "expected"),
    [
        (LAST, "1h", "XNYS", [WEEKEND]),
        (LAST, "1d", "XNYS", [WEEKEND]),
        (LAST, "1w", "XNYS", []),
        ("2026-11-25T21:00:00Z", "1h", "XNYS", ["the market is closed until Friday, 2026-11-27"]),
        ("2026-11-24T21:00:00Z", "1h", "XNYS", []),
        ("2026-11-27T23:00:00Z", "1h", "24/7", []),
        (LAST, "1h", "none", []),
    ],
)
def test_a_break_of_more_than_a_night_is_a_warning(
    close: str, timeframe: str, calendar: str, expected: list[str]
) -> None:
    assert soon(at(close), timetable(timeframe, calendar), None, Surroundings()) == expected


@pytest.mark.parametrize(("hours", "is_told"), [(1.9, True), (2.1, False), (-1, False)])
def test_a_date_of_the_user_is_a_warning_while_it_is_near(hours: float, *, is_told: bool) -> None:
    begin = at("2026-11-24T16:30:00Z") + int(hours * 3_600) * 1_000_000_000
    dates = [Dated(begin, begin, "all", "invented report", date(2026, 11, 24))]
    found = soon(at("2026-11-24T16:30:00Z"), timetable("1h", "XNYS"), dates, Surroundings(date_hours=2))
    assert found == (["2026-11-24: invented report"] if is_told else [])


@pytest.mark.parametrize("zone", ["Asia/Tokyo", "Europe/Berlin", "America/New_York"])
def test_a_day_is_named_as_the_user_wrote_it(zone: str) -> None:
    """In UTC it begins on the day before if the zone lies east of it."""
    dates = parsed("time,instrument,what\n2026-11-25,all,invented report", zone)
    found = soon(at("2026-11-24T21:00:00Z"), timetable("1d", "XNYS"), dates.found, Surroundings())
    assert found == ["2026-11-25: invented report"]
    assert dates.past(at("2026-11-27T00:00:00Z")) == date(2026, 11, 25)


@pytest.mark.parametrize(("close", "is_told"), [("2026-11-24T21:00:00Z", True), ("2026-11-24T20:30:00Z", False)])
def test_a_date_before_the_next_open_is_near_however_long_the_market_is_closed(close: str, *, is_told: bool) -> None:
    """No bar closes before it, so this is the last moment to act."""
    before_the_open = at("2026-11-25T13:00:00Z")
    dates = [Dated(before_the_open, before_the_open, "all", "invented report", date(2026, 11, 25))]
    found = soon(at(close), timetable("1h", "XNYS"), dates, Surroundings(date_hours=2))
    assert found == (["2026-11-25: invented report"] if is_told else [])
