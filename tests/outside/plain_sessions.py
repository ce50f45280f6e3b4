"""Sessions, read plainly: the opening times of the 15-minute bars of a market, by session.

The hours of exchanges come from the library exchange_calendars.
"""

from __future__ import annotations

from bisect import bisect_right
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import exchange_calendars
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

SECOND = 1_000_000_000
QUARTER = 900 * SECOND
NEW_YORK = ZoneInfo("America/New_York")
SATURDAY = 5

Sessions = list[list[int]]


def sessions_of(calendar: str, first: date, last: date) -> Sessions:
    """Give the openings (nanoseconds since 1970) by session; ``calendar`` is an exchange, 24/5 or 24/7 (in UTC)."""
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    if calendar == "24/7":
        return [stretch(at(day, time(), UTC), at(day + timedelta(days=1), time(), UTC)) for day in days]
    if calendar == "24/5":
        evening = time(17)
        return [
            stretch(at(day - timedelta(days=1), evening, NEW_YORK), at(day, evening, NEW_YORK))
            for day in days
            if day.weekday() < SATURDAY
        ]
    schedule = exchange_calendars.get_calendar(calendar, start=first.isoformat(), end=last.isoformat()).schedule
    found = []
    for row in schedule.itertuples():
        if pd.isna(row.break_start):
            found.append(stretch(row.open.value, row.close.value))
        else:
            morning, afternoon = (row.open, row.break_start), (row.break_end, row.close)
            found.append([*stretch(*(edge.value for edge in morning)), *stretch(*(edge.value for edge in afternoon))])
    return found


def at(day: date, clock: time, zone: tzinfo) -> int:
    return int(datetime.combine(day, clock, zone).timestamp()) * SECOND


def stretch(begin: int, end: int) -> list[int]:
    return list(range(begin, end, QUARTER))


def session_numbers(opens: Sequence[int], sessions: Sessions) -> list[int]:
    """Give the number of each bar's session."""
    begins = [session[0] for session in sessions]
    return [bisect_right(begins, open_) - 1 for open_ in opens]


def hourly(opens: Sequence[int], sessions: Sessions) -> list[tuple[int, int, int]]:
    """Give the hours that 15-minute bars make: the close, the first bar, and the one after the last.

    Hours are counted from the opening of the session, and the last one ends with it.
    """
    begins = [session[0] for session in sessions]
    found: list[tuple[int, int, int]] = []
    for number, open_ in enumerate(opens):
        session = sessions[bisect_right(begins, open_) - 1]
        hour = session[0] + (open_ - session[0]) // (4 * QUARTER) * 4 * QUARTER
        close = min(hour + 4 * QUARTER, session[-1] + QUARTER)
        if found and found[-1][0] == close:
            found[-1] = (close, found[-1][1], number + 1)
        else:
            found.append((close, number, number + 1))
    return found
