"""Which session a bar lies in, and where in it."""

from __future__ import annotations

from datetime import date, datetime
from fractions import Fraction
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.market.sessions.calendars import calendar_named
from scanner.market.sessions.timeframes import Timeframe
from scanner.market.sessions.timetables import Timetable

NANOSECONDS = 1_000_000_000


def at(text: str, zone: str = "UTC") -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp()) * NANOSECONDS


def table(calendar: str, timeframe: str, zone: str = "UTC") -> Timetable:
    return Timetable(calendar_named(calendar, zone), Timeframe.named(timeframe))


def days(times: Timetable, *opens: int) -> list[str]:
    numbers = times.session_numbers(np.array(opens))
    return [str(date.fromordinal(int(number) + date(1970, 1, 1).toordinal())) for number in numbers]


def test_every_bar_of_a_session_has_its_day() -> None:
    times = table("XNYS", "1h")
    opens, _ = times.closes_between(at("2026-11-25T14:00"), at("2026-11-27T23:00"))
    # 26 November 2026 is Thanksgiving; the day after ends at 13:00 in New York.
    assert days(times, *opens) == ["2026-11-25"] * 7 + ["2026-11-27"] * 4


def test_an_evening_session_has_the_day_that_it_ends_on() -> None:
    # 24/5 opens on Sunday at 17:00 in New York, which is 21:00 UTC in summer.
    times = table("24/5", "1h")
    assert days(times, at("2026-03-08T21:00"), at("2026-03-09T20:00"), at("2026-03-09T21:00")) == [
        "2026-03-09",
        "2026-03-09",
        "2026-03-10",
    ]


def test_where_sessions_are_unknown_the_day_is_that_of_the_zone() -> None:
    moment = at("2026-06-02T23:30")
    assert days(table("none", "1h"), moment) == ["2026-06-02"]
    assert days(table("none", "1h", "Europe/Berlin"), moment) == ["2026-06-03"]
    assert days(table("24/7", "1h", "Europe/Berlin"), moment) == ["2026-06-03"]


def test_days_and_weeks_have_the_day_that_they_begin_on() -> None:
    assert days(table("XNYS", "1d"), at("2026-03-09T09:30", "America/New_York")) == ["2026-03-09"]
    assert days(table("XNYS", "1w"), at("2026-01-20T09:30", "America/New_York")) == ["2026-01-20"]


@settings(max_examples=30)
@given(st.sampled_from(["XNYS", "XTKS", "24/5", "24/7", "none"]), st.integers(1990, 2030), st.integers(-15, 20))
def test_the_number_is_the_same_whatever_years_are_at_hand(calendar: str, year: int, earlier: int) -> None:
    fresh = table(calendar, "1h")
    used = table(calendar, "1h")
    used.session_numbers(np.array([at("2015-06-01T15:00") + earlier * 366 * 86_400 * NANOSECONDS]))
    # Tokyo is known from 1997 on (exchange_calendars): its first session stands for those before.
    opens, _ = fresh.next_close(at(f"{year}-03-03"))
    assert fresh.session_numbers(np.array([opens])) == used.session_numbers(np.array([opens]))


@pytest.mark.parametrize(
    ("calendar", "timeframe", "opens", "places"),
    [
        # New York, 09:30 to 16:00, in winter, in summer, and on the half day after Thanksgiving.
        ("XNYS", "1h", "2026-03-06T14:30", (0, 7)),
        ("XNYS", "1h", "2026-03-06T20:30", (6, 7)),
        ("XNYS", "1h", "2026-03-09T13:30", (0, 7)),
        ("XNYS", "1h", "2026-03-09T19:30", (6, 7)),
        ("XNYS", "1h", "2026-11-27T14:30", (0, 4)),
        ("XNYS", "1h", "2026-11-27T17:30", (3, 4)),
        ("XNYS", "15m", "2026-03-09T14:00", (2, 26)),
        # Tokyo, 09:00 to 11:30 and 12:30 to 15:30 (00:00 UTC on): bars of an hour start again after lunch.
        ("XTKS", "1h", "2026-06-02T02:00", (2, 6)),
        ("XTKS", "1h", "2026-06-02T03:30", (3, 6)),
        ("XTKS", "1h", "2026-06-02T05:30", (5, 6)),
        # The session of Monday begins on Sunday evening; the clocks changed that morning.
        ("24/5", "1h", "2026-03-08T21:00", (0, 24)),
        ("24/5", "4h", "2026-03-09T17:00", (5, 6)),
        # A day around the clock of 23 hours.
        ("24/7", "1h", "2026-03-29T12:00", (12, 24)),
    ],
)
def test_a_bar_has_its_place_in_its_session(calendar: str, timeframe: str, opens: str, places: tuple[int, int]) -> None:
    number, bars = table(calendar, timeframe).places_in_sessions(np.array([at(opens)]))
    assert (int(number[0]), int(bars[0])) == places


def test_a_day_of_23_hours_has_23_bars() -> None:
    number, bars = table("24/7", "1h", "Europe/Berlin").places_in_sessions(
        np.array([at("2026-03-29T12:00", "Europe/Berlin")])
    )
    assert (int(number[0]), int(bars[0])) == (11, 23)


@settings(max_examples=30)
@given(
    st.sampled_from(["XNYS", "XTKS", "24/5"]),
    st.sampled_from(["5m", "30m", "1h", "2h", "4h"]),
    st.integers(at("2024-01-01"), at("2026-06-01")),
)
def test_the_bars_of_each_session_are_counted_from_nothing_to_the_last(
    calendar: str, timeframe: str, begin: int
) -> None:
    times = table(calendar, timeframe)
    opens, _ = times.closes_between(begin, begin + 12 * 86_400 * NANOSECONDS)
    number, bars = times.places_in_sessions(opens)
    session = times.session_numbers(opens)
    for each in np.unique(session)[1:-1]:
        within = session == each
        assert number[within].tolist() == list(range(int(within.sum())))
        assert (bars[within] == within.sum()).all()


def test_no_bars_have_no_places() -> None:
    times, none = table("XNYS", "1h"), np.zeros(0, dtype=np.int64)
    assert [len(each) for each in (times.session_numbers(none), *times.places_in_sessions(none))] == [0, 0, 0]


@pytest.mark.parametrize(
    ("calendar", "timeframe", "opens", "bars"),
    [
        ("XNYS", "1h", "2026-03-06T14:30", Fraction(7)),
        ("XNYS", "1d", "2026-03-06T14:30", Fraction(1)),
        ("XNYS", "1w", "2026-01-20T14:30", Fraction(1, 4)),  # Monday is a holiday
        ("24/7", "1w", "2026-01-19T00:00", Fraction(1, 7)),
        ("none", "1d", "2026-01-19T00:00", Fraction(1)),
        ("none", "1h", "2026-01-19T00:00", None),
    ],
)
def test_bars_a_day(calendar: str, timeframe: str, opens: str, bars: Fraction | None) -> None:
    assert table(calendar, timeframe).bars_a_day(at(opens)) == bars


def test_only_24_7_never_closes() -> None:
    assert [calendar_named(name).never_closes for name in ("24/7", "24/5", "none", "XNYS")] == [
        True,
        False,
        False,
        False,
    ]
