"""Timetables against published sessions, and their laws."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.market.sessions.calendars import Sessions, calendar_named
from scanner.market.sessions.timeframes import ALL, Timeframe
from scanner.market.sessions.timetables import Timetable
from tests.effort import EFFORT
from tests.outside.real_bars import sp500

if TYPE_CHECKING:
    from scanner.market.bars import StampKind

NANOSECONDS = 1_000_000_000
HOUR = 3_600 * NANOSECONDS
DAY = 24 * HOUR
NEW_YORK = Timetable(calendar_named("XNYS"), Timeframe.named("1d"))


def at(text: str, zone: str = "UTC") -> int:
    moment = datetime.fromisoformat(text)
    return int(moment.replace(tzinfo=moment.tzinfo or ZoneInfo(zone)).timestamp()) * NANOSECONDS


def written(times: np.ndarray) -> list[str]:
    return [datetime.fromtimestamp(int(time) // NANOSECONDS, UTC).strftime("%m-%d %H:%M") for time in times]


def closes(calendar: str, timeframe: str, after: str, until: str) -> list[str]:
    table = Timetable(calendar_named(calendar), Timeframe.named(timeframe))
    return written(table.closes_between(at(after), at(until))[1])


def test_new_york_in_2026_is_closed_on_its_holidays() -> None:
    # New York Stock Exchange, published holiday list (from memory; confirmed with the library exchange_calendars).
    opens, _ = NEW_YORK.closes_between(at("2026-01-01"), at("2027-01-01"))
    traded = {datetime.fromtimestamp(int(time) // NANOSECONDS, UTC).date() for time in opens}
    days = [date(2026, 1, 1) + timedelta(days=n) for n in range(365)]
    closed = [f"{day:%m-%d}" for day in days if day.isoweekday() <= 5 and day not in traded]
    assert closed == ["01-01", "01-19", "02-16", "04-03", "05-25", "06-19", "07-03", "09-07", "11-26", "12-25"]


@pytest.mark.parametrize(
    ("day", "close"),
    [
        # Same list: half days close at 13:00 in New York; around the change to summer time 21:00 becomes 20:00 UTC.
        ("2026-11-27", "11-27 18:00"),
        ("2026-12-24", "12-24 18:00"),
        ("2026-03-06", "03-06 21:00"),
        ("2026-03-09", "03-09 20:00"),
    ],
)
def test_new_york_in_2026_closes_when_it_is_published_to(day: str, close: str) -> None:
    _, end = NEW_YORK.next_close(at(day))
    assert written(np.array([end])) == [close]


def test_a_four_hour_bar_ends_with_its_session_and_with_a_half_day() -> None:
    assert closes("XNYS", "4h", "2026-11-25T12:00", "2026-11-28T00:00") == ["11-25 18:30", "11-25 21:00", "11-27 18:00"]


def test_a_bar_ends_with_the_pause_of_its_session() -> None:
    # Tokyo trades 09:00-11:30 and 12:30-15:30 (from memory; confirmed with the library exchange_calendars).
    assert closes("XTKS", "2h", "2026-06-02T00:00", "2026-06-02T10:00") == [
        "06-02 02:00",
        "06-02 02:30",
        "06-02 05:30",
        "06-02 06:30",
    ]


def test_the_week_of_five_days_opens_on_sunday_evening_in_new_york() -> None:
    table = Timetable(calendar_named("24/5"), Timeframe.named("1h"))
    opens, ends = table.closes_between(at("2026-03-06T21:00"), at("2026-03-08T23:30"))
    # Friday 17:00 in winter is 22:00 UTC; Sunday 17:00 in summer is 21:00 UTC. 8 March 2026 changes the clocks.
    assert written(ends) == ["03-06 22:00", "03-08 22:00", "03-08 23:00"]
    assert written(opens)[1] == "03-08 21:00"


def test_a_day_around_the_clock_has_23_or_25_hours_where_the_clocks_change() -> None:
    table = Timetable(calendar_named("24/7", "Europe/Berlin"), Timeframe.named("1d"))
    for day, hours in (("2026-03-29", 23), ("2026-10-25", 25), ("2026-06-01", 24)):
        begin, end = table.next_close(at(day, "Europe/Berlin"))
        assert begin == at(day, "Europe/Berlin")
        assert (end - begin) // NANOSECONDS == hours * 3_600


def test_a_week_is_all_its_sessions() -> None:
    table = Timetable(calendar_named("XNYS"), Timeframe.named("1w"))
    begin, end = table.next_close(at("2026-04-01T00:00"))
    # Good Friday closes the week on Thursday.
    assert (written(np.array([begin])), written(np.array([end]))) == (["03-30 13:30"], ["04-02 20:00"])


@pytest.mark.parametrize("kind", ["midnight", "open", "date", "midnight UTC"])
def test_a_day_is_known_by_its_date_by_its_midnight_and_by_its_opening(kind: str) -> None:
    stamp = {
        "midnight": at("2026-03-09", "America/New_York"),
        "open": at("2026-03-09T09:30", "America/New_York"),
        "date": at("2026-03-09"),
        "midnight UTC": at("2026-03-09"),
    }[kind]
    opens, ends, aligned = NEW_YORK.spans(np.array([stamp]), "date" if kind == "date" else "open")
    assert aligned.all()
    assert (written(opens), written(ends)) == (["03-09 13:30"], ["03-09 20:00"])


@pytest.mark.parametrize("timeframe", ["1d", "1w"])
@pytest.mark.parametrize("calendar", ["none", "24/7"])
@pytest.mark.parametrize(
    ("zone", "kind", "stamp", "fits"),
    [
        ("Asia/Shanghai", "open", "2026-03-08T16:00", True),  # Monday there
        ("UTC", "open", "2026-03-08T16:00", False),  # it would count as closed after eight hours, on a Sunday
        ("UTC", "close", "2026-03-15T16:00", False),
        ("Asia/Shanghai", "close", "2026-03-15T16:00", True),
        ("Asia/Shanghai", "open", "2026-03-09T00:00", False),
        ("Asia/Shanghai", "date", "2026-03-09T00:00", True),
        ("UTC", "date", "2026-03-08T16:00", False),
        ("UTC", "open", "2026-03-09T00:00", True),
    ],
)
def test_without_known_openings_a_day_begins_at_midnight_and_at_no_other_time(
    calendar: str, timeframe: str, zone: str, kind: StampKind, stamp: str, fits: bool
) -> None:
    table = Timetable(calendar_named(calendar, zone), Timeframe.named(timeframe))
    assert table.spans(np.array([at(stamp)]), kind)[2].tolist() == [fits]


@pytest.mark.parametrize(
    ("timeframe", "kind", "stamp", "fits"),
    [
        ("1d", "open", "2026-03-09T21:00", True),
        ("1d", "open", "2026-03-10T00:00", False),  # a day of UTC has three more hours when this one has closed
        ("1d", "date", "2026-03-10T00:00", True),
        ("1d", "close", "2026-03-13T21:00", True),  # Friday evening, when nothing begins
        ("1d", "close", "2026-03-14T00:00", False),
        ("1w", "open", "2026-03-09T00:00", False),
        ("1w", "close", "2026-03-13T21:00", True),
    ],
)
def test_days_of_currencies_begin_and_end_in_the_evening_of_new_york(
    timeframe: str, kind: StampKind, stamp: str, fits: bool
) -> None:
    table = Timetable(calendar_named("24/5"), Timeframe.named(timeframe))
    assert table.spans(np.array([at(stamp)]), kind)[2].tolist() == [fits]


def test_a_day_without_session_has_no_bar() -> None:
    saturday, holiday = at("2026-03-07"), at("2026-07-03")
    assert not NEW_YORK.spans(np.array([saturday, holiday]), "date")[2].any()


def test_the_library_is_asked_beyond_its_own_years() -> None:
    opens, _ = NEW_YORK.closes_between(at("1999-01-04"), at("1999-01-09"))
    assert len(opens) == 5
    assert len(NEW_YORK.closes_between(at("2028-01-03"), at("2028-01-08"))[0]) == 5


@pytest.mark.parametrize(
    ("calendar", "kind", "stamp", "week"),
    [
        ("XNYS", "date", "2026-03-09T00:00", "03-09 13:30"),
        ("XNYS", "date", "2026-03-13T00:00", "03-09 13:30"),
        ("XNYS", "date", "2026-03-08T00:00", "03-09 13:30"),  # a Sunday begins a week
        ("XNYS", "open", "2026-03-08T00:00", "03-09 13:30"),
        ("XNYS", "close", "2026-03-15T00:00", "03-09 13:30"),  # … or ends one
        ("XNYS", "close", "2026-03-13T20:00", "03-09 13:30"),
        ("XNYS", "date", "2026-01-19T00:00", "01-20 14:30"),  # a holiday on Monday
        ("24/5", "open", "2026-03-08T21:00", "03-08 21:00"),
        ("24/7", "date", "2026-03-09T00:00", "03-09 00:00"),
        ("24/7", "date", "2026-03-08T00:00", None),  # Sunday to Saturday is not a week of this calendar
        ("none", "date", "2026-03-08T00:00", "03-08 00:00"),
        ("none", "close", "2026-03-15T00:00", "03-08 00:00"),
    ],
)
def test_a_week_is_known_by_the_day_it_begins_with(
    calendar: str, kind: StampKind, stamp: str, week: str | None
) -> None:
    table = Timetable(calendar_named(calendar), Timeframe.named("1w"))
    opens, _, aligned = table.spans(np.array([at(stamp)]), kind)
    assert aligned[0] == (week is not None)
    if week is not None:
        assert written(opens) == [week]


def test_real_days_of_two_decades_are_all_sessions_and_none_is_missing() -> None:
    # S&P 500, daily 1999-2018 (arch.data.sp500), against the New York calendar of exchange_calendars.
    stamps = sp500().date.astype("datetime64[ns]").astype(np.int64)
    opens, _, aligned = NEW_YORK.spans(stamps, "date")
    assert aligned.all()
    assert not NEW_YORK.missing_before(opens).any()


def test_days_long_ago_are_days_too() -> None:
    table = Timetable(calendar_named("none"), Timeframe.named("1d"))
    stamp = at("1929-10-29T00:00")
    opens, ends, aligned = table.spans(np.array([stamp]), "date")
    assert (opens[0], ends[0], aligned[0]) == (stamp, stamp + DAY, True)


def test_a_history_read_year_by_year_prepares_the_sessions_a_few_times_and_finds_the_same_bars() -> None:
    usual, prepared = calendar_named("24/5"), []

    def of_years(first_year: int, last_year: int) -> Sessions:
        prepared.append(last_year - first_year + 1)
        return usual.of_years(first_year, last_year)

    table = Timetable(replace(usual, of_years=of_years), Timeframe.named("4h"))
    whole, years = Timetable(usual, Timeframe.named("4h")), range(1996, 2026)
    edges = [at(f"{year}-01-01") for year in [*years, 2026]]
    found = [table.closes_between(*edge)[1] for edge in pairwise(edges)]
    assert len(prepared) <= 5
    assert sum(prepared) <= 5 * len(years)
    assert np.concatenate(found).tolist() == whole.closes_between(edges[0], edges[-1])[1].tolist()


def test_nothing_is_claimed_about_years_that_the_library_does_not_know() -> None:
    # Tokyo is known from 1997 on and Shanghai for some years ahead (exchange_calendars, bound_min and bound_max).
    tokyo = Timetable(calendar_named("XTKS"), Timeframe.named("1h"))
    assert not tokyo.spans(np.array([at("1990-06-05T00:00")]), "open")[2].any()
    assert (
        not Timetable(calendar_named("XTKS"), Timeframe.named("1d"))
        .spans(np.array([at("1990-06-05")]), "date")[2]
        .any()
    )
    assert not len(tokyo.closes_between(at("1990-01-01"), at("1990-12-31"))[0])
    with pytest.raises(ValueError, match="the calendar XSHG knows no session"):
        Timetable(calendar_named("XSHG"), Timeframe.named("1d")).next_close(at("2090-01-01"))


def test_a_calendar_that_the_library_lists_and_cannot_build_is_named_in_one_sentence() -> None:
    with pytest.raises(ValueError, match="the calendar ASEX cannot be built by the installed exchange_calendars"):
        calendar_named("ASEX")


def test_an_unknown_calendar_or_zone_is_named_in_one_sentence() -> None:
    with pytest.raises(ValueError, match=r"there is no calendar 'XNYX'; write none, 24/7, 24/5 or .* XNYS"):
        calendar_named("XNYX")
    with pytest.raises(ValueError, match="there is no time zone 'Mars'"):
        calendar_named("none", "Mars")


CALENDARS = st.sampled_from(["XNYS", "XTKS", "24/5", "24/7"])
MOMENTS = st.integers(at("2024-01-01"), at("2027-01-01"))


@settings(max_examples=12 * EFFORT)
@given(CALENDARS, st.sampled_from(ALL), MOMENTS, st.integers(1, 12))
def test_asking_close_by_close_or_all_at_once_gives_the_same_bars(
    calendar: str, timeframe: Timeframe, start: int, count: int
) -> None:
    table = Timetable(calendar_named(calendar), timeframe)
    one_by_one = []
    now = start
    for _ in range(count):
        begin, now = table.next_close(now)
        one_by_one.append((begin, now))
    opens, ends = table.closes_between(start, now)
    assert list(zip(opens.tolist(), ends.tolist(), strict=True)) == one_by_one
    # Every bar is found again by its opening and by its close, and none is missing between neighbours.
    for kind, stamps in (("open", opens), ("close", ends)):
        found_opens, found_ends, aligned = table.spans(stamps, kind)  # type: ignore[arg-type]  # both are kinds
        assert aligned.all()
        assert (found_opens == opens).all()
        assert (found_ends == ends).all()
    assert not table.missing_before(opens).any()


@given(MOMENTS, st.integers(2, 40))
@settings(max_examples=8 * EFFORT)
def test_what_is_left_out_is_counted_as_missing(start: int, count: int) -> None:
    table = Timetable(calendar_named("XNYS"), Timeframe.named("1h"))
    opens = []
    now = start
    for _ in range(count):
        begin, now = table.next_close(now)
        opens.append(begin)
    assert table.missing_before(np.array([opens[0], opens[-1]])).tolist() == [count - 2]
