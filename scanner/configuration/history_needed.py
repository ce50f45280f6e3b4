"""How much history a series needs before it may report a setup, how far back that reaches, and in bars of its feed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from math import ceil
from typing import TYPE_CHECKING

from scanner.clocks import HOUR
from scanner.market.sessions.timetables import Timetable

if TYPE_CHECKING:
    from scanner.configuration.model.settings import Settings, Watched
    from scanner.market.sessions.calendars import Calendar
    from scanner.market.sessions.timeframes import Timeframe

SPARE = 2
"""Extra coarser bars: the first is left out if the history begins within it, and the last may still be open."""
WHOLE_WEEKS = {"1d": 1.5, "1w": 1.0}
IN_A_DAY = 6.0
"""How many times as far to look back if the sessions are unknown: a share trades for 32 of the week's 168 hours."""
LONGEST = 100 * 366 * 24 * HOUR
"""The longest history, in nanoseconds: a hundred years."""


def enough_from(each: Watched, now: int) -> int:
    """Give the opening from which there are enough bars at ``now`` for each timeframe of an instrument to be warm.

    Times are in nanoseconds since 1970 UTC. ``now`` is rounded down to the hour.
    """
    bars = each.rules.warm_up
    return min(_enough_from(each.calendar, timeframe, bars, now // HOUR * HOUR) for timeframe in each.timeframes)


@lru_cache(256)
def _enough_from(calendar: Calendar, timeframe: Timeframe, bars: int, now: int) -> int:
    bars += SPARE
    if not calendar.known:
        bars = ceil(bars * WHOLE_WEEKS.get(timeframe.name, IN_A_DAY))
    timetable, span = Timetable(calendar, timeframe), ceil(bars * timeframe.nanoseconds * 1.5)
    while span < LONGEST:
        opens, _ = timetable.closes_between(now - span, now)
        if len(opens) >= bars:
            return int(opens[-bars])
        span *= 2
    return int(opens[0]) if len(opens) else now - span


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
