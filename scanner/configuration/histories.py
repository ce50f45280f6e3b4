"""How much history the series of a configuration need, and how many bars of their feed that is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from scanner.configuration.history_needed import enough_from
from scanner.market.sessions.timetables import Timetable

if TYPE_CHECKING:
    from scanner.configuration.model.settings import Settings, Watched
    from scanner.market.sessions.calendars import Calendar
    from scanner.market.sessions.timeframes import Timeframe


@dataclass(frozen=True, slots=True)
class History:
    """What the series of a group that share calendar, timeframe and base need before they may report a setup.

    They are ``bars`` of the timeframe, made of ``base_bars`` of the base; the feed is asked for bars that opened at
    ``since`` (nanoseconds since 1970 UTC) or later. If the sessions are unknown, ``base_bars`` assumes a market that
    never pauses.
    """

    group: str
    calendar: Calendar
    timeframe: Timeframe
    base: Timeframe
    bars: int
    base_bars: int
    since: int


def histories(settings: Settings, now: int) -> list[History]:
    """Give what is needed at ``now`` for every group, calendar, timeframe and base, in this order."""
    alike = {}
    for each in settings.watched():
        for timeframe in each.timeframes:
            alike[each.group, each.calendar.name, each.calendar.tz, timeframe, each.base] = each
    return [_history(alike[key], key[3], now) for key in sorted(alike)]


def _history(each: Watched, timeframe: Timeframe, now: int) -> History:
    bars, since = each.rules.warm_up, enough_from(replace(each, timeframes=(timeframe,)), now)
    base_bars = bars * timeframe.seconds // each.base.seconds
    opens, closes = Timetable(each.calendar, timeframe).closes_between(since, now)
    if each.calendar.known and len(opens):
        first, last = int(opens[-bars:][0]), int(closes[-1])
        base_bars = len(Timetable(each.calendar, each.base).closes_between(first, last)[0])
    return History(each.group, each.calendar, timeframe, each.base, bars, base_bars, since)
