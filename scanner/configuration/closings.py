"""When the bars that a configuration watches close next."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.market.sessions.timetables import Timetable

if TYPE_CHECKING:
    from scanner.configuration.model.settings import Settings
    from scanner.market.sessions.calendars import Calendar
    from scanner.market.sessions.timeframes import Timeframe


@dataclass(frozen=True, slots=True)
class Closing:
    """The next close, in nanoseconds since 1970 UTC, of the series of a group that share calendar and timeframe."""

    group: str
    calendar: Calendar
    timeframe: Timeframe
    series: int
    time: int


def next_closes(settings: Settings, now: int) -> list[Closing]:
    """Give the next close after ``now`` for every group, calendar and timeframe, in this order."""
    counts: Counter[tuple[str, str, str, Timeframe]] = Counter()
    calendars = {}
    for each in settings.watched():
        calendars[each.calendar.name, each.calendar.tz] = each.calendar
        counts.update((each.group, each.calendar.name, each.calendar.tz, timeframe) for timeframe in each.timeframes)
    return [
        Closing(
            group,
            calendars[name, zone],
            timeframe,
            counts[group, name, zone, timeframe],
            Timetable(calendars[name, zone], timeframe).next_close(now)[1],
        )
        for group, name, zone, timeframe in sorted(counts)
    ]
