"""Timetables against published sessions, and their laws."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scanner.market.calendars import calendar_named
from scanner.market.sessions import Timetable
from scanner.market.timeframes import ALL, Timeframe

NANOSECONDS = 1_000_000_000
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


@pytest.mark.parametrize("kind", ["midnight", "open", "date"])
def test_a_day_is_known_by_its_date_by_its_midnight_and_by_its_opening(kind: str) -> None:
    stamp = {
        "midnight": at("2026-03-09", "America/New_York"),
        "open": at("2026-03-09T09:30", "America/New_York"),
        "date": at("2026-03-09"),
    }[kind]
    opens, ends, aligned = NEW_YORK.spans(np.array([stamp]), "date" if kind == "date" else "open")
    assert aligned.all()
    assert (written(opens), written(ends)) == (["03-09 13:30"], ["03-09 20:00"])


def test_a_day_without_session_has_no_bar() -> None:
    saturday, holiday = at("2026-03-07"), at("2026-07-03")
    assert not NEW_YORK.spans(np.array([saturday, holiday]), "date")[2].any()


def test_the_library_is_asked_beyond_its_own_years() -> None:
    opens, _ = NEW_YORK.closes_between(at("1999-01-04"), at("1999-01-09"))
    assert len(opens) == 5
    assert len(NEW_YORK.closes_between(at("2028-01-03"), at("2028-01-08"))[0]) == 5


def test_an_unknown_calendar_or_zone_is_named_in_one_sentence() -> None:
    with pytest.raises(ValueError, match=r"there is no calendar 'XNYX'; write none, 24/7, 24/5 or .* XNYS"):
        calendar_named("XNYX")
    with pytest.raises(ValueError, match="there is no time zone 'Mars'"):
        calendar_named("none", "Mars")


CALENDARS = st.sampled_from(["XNYS", "XTKS", "24/5", "24/7"])
MOMENTS = st.integers(at("2024-01-01"), at("2027-01-01"))


@settings(max_examples=60, deadline=None)
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
@settings(max_examples=30, deadline=None)
def test_what_is_left_out_is_counted_as_missing(start: int, count: int) -> None:
    table = Timetable(calendar_named("XNYS"), Timeframe.named("1h"))
    opens = []
    now = start
    for _ in range(count):
        begin, now = table.next_close(now)
        opens.append(begin)
    assert table.missing_before(np.array([opens[0], opens[-1]])).tolist() == [count - 2]
