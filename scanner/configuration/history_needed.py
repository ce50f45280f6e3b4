"""How much history a series needs before it may report a setup, and how far back that reaches."""

from __future__ import annotations

from functools import lru_cache
from math import ceil
from typing import TYPE_CHECKING

from scanner.clocks import HOUR
from scanner.market.sessions.timetables import Timetable

if TYPE_CHECKING:
    from scanner.configuration.model.settings import Watched
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
