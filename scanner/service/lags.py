"""How far what is known of a series lies behind the bar closes that have come."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from scanner.market.sessions import Timetable


def lag(timetable: Timetable, last: int, now: int) -> int:
    """Give the nanoseconds since the first bar closed that should have followed the one that closed at ``last``.

    0 where none was due by ``now``. The times are in nanoseconds since 1970 UTC.
    """
    return max(now - timetable.next_close(last)[1], 0)


def missing(timetable: Timetable, last: int, now: int) -> int:
    """Count the bars that closed after ``last`` and not later than ``now``."""
    return len(timetable.closes_between(last, now)[1])
