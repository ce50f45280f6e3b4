"""When a coarser bar counts as complete although the feed sent nothing for its end."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from scanner.market.bars import Bars
    from scanner.market.sessions.timetables import Timetable
    from scanner.pipeline import Pipeline

LATE_END = 1_800_000_000_000
"""Nanoseconds after a coarser bar's close until it counts as complete even if the feed sent nothing for its end. Longer
than the usual delays of feeds, since bars that come for it later come too late."""


def over(pipeline: Pipeline, now: int) -> int:
    """Give the close up to which a coarser bar counts as complete at ``now``."""
    return now - max(pipeline.base.nanoseconds, LATE_END)


def nothing_follows(timetable: Timetable, bars: Bars, now: int) -> bool:
    """Whether the feed has no more: no bar closed by ``now`` after these, or none can have.

    If more may follow, as after part of a history, it is not yet known whether a coarser bar is complete.
    """
    if not len(bars):
        return True
    last, timeframe = int(bars.close_time[-1]), timetable.timeframe
    by_itself = timeframe.intraday and not timetable.calendar.known
    return (last + timeframe.nanoseconds if by_itself else timetable.next_close(last)[1]) > now
