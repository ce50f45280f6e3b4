"""What comes soon after the close of a bar: a break of more than a night, or the user's dates."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from scanner.market.sessions.calendars import DAY, NANOSECONDS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.market.sessions.dates import Dated
    from scanner.market.sessions.timetables import Timetable
    from scanner.trade.surroundings import Surroundings


def soon(close: int, timetable: Timetable, dates: Sequence[Dated] | None, surroundings: Surroundings) -> list[str]:
    """Warn of a weekend or holiday and of the user's dates after a bar's close (nanoseconds since 1970 UTC)."""
    warnings = []
    if (opens := _after_a_break(close, timetable)) is not None:
        warnings.append(f"the market is closed until {opens:%A, %Y-%m-%d}")
    near = surroundings.keeps_away(intraday=timetable.timeframe.intraday)
    coming = [each for each in dates or () if each.end > close and each.begin - close <= near]
    warnings += [f"{datetime.fromtimestamp(each.begin // NANOSECONDS, UTC):%Y-%m-%d}: {each.what}" for each in coming]
    return warnings


def _after_a_break(close: int, timetable: Timetable) -> date | None:
    """Give the day on which the next bar begins, if more than a night lies before it."""
    calendar = timetable.calendar
    if not calendar.known or calendar.never_closes or timetable.timeframe.nanoseconds > DAY:
        return None
    try:
        begins, _ = timetable.next_close(close)
    except ValueError:  # the calendar ends here
        return None
    zone = ZoneInfo(calendar.tz)
    last, first = (datetime.fromtimestamp(moment // NANOSECONDS, zone).date() for moment in (close - 1, begins))
    return first if first - last > timedelta(days=1) else None
