"""Timetables: which bars a timeframe has on a calendar, aligned to the sessions and never straddling one."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from scanner.market.calendars import DAY, FIRST_YEAR, LAST_YEAR, NANOSECONDS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.market.bars import StampKind
    from scanner.market.calendars import Calendar, Sessions
    from scanner.market.timeframes import Timeframe

    Times = NDArray[np.int64]

NOWHERE = -1
"""The period of a stamp that falls in none."""


def _year(moment: int) -> int:
    return min(max(datetime.fromtimestamp(moment // NANOSECONDS, UTC).year, FIRST_YEAR), LAST_YEAR)


def _periods_of(stamps: Times, begins: Times) -> Times:
    """Give for each stamp the last period that begins at or before it, −1 where there is none."""
    if len(stamps) > len(begins) and (stamps[1:] >= stamps[:-1]).all():
        # Few periods among many stamps in order: place the periods instead of the stamps.
        edges = np.searchsorted(stamps, begins)
        counts = np.diff(np.concatenate([[0], edges, [len(stamps)]]))
        return np.repeat(np.arange(-1, len(begins)), counts)
    return np.searchsorted(begins, stamps, side="right") - 1


class Timetable:
    """The bars of a timeframe on a calendar.

    Bars begin at the opening of a session, or at the end of its pause; the last one before a close or pause ends
    with it. A day's bar is its session, a week's bar all sessions of the ISO week. Times are nanoseconds since
    1970 UTC.
    """

    def __init__(self, calendar: Calendar, timeframe: Timeframe) -> None:
        self.calendar = calendar
        self.timeframe = timeframe
        self._years = (0, 0)
        self._sessions: Sessions
        # Periods: parts of sessions where intraday, else sessions or weeks. A stamp belongs to the period that it
        # lies in, or whose days it falls on.
        self._open: Times
        self._close: Times
        self._first_day: Times
        self._begin: Times
        self._bars_before: Times

    def _cover(self, first: int, last: int) -> None:
        """Have the sessions at hand for a stretch of time, with a year on either side."""
        years = (_year(first) - 1, _year(last) + 1)
        if self._years[0] and years[0] >= self._years[0] and years[1] <= self._years[1]:
            return
        if self._years[0]:
            years = (min(years[0], self._years[0]), max(years[1], self._years[1]))
        self._years = years
        sessions = self._sessions = self.calendar.of_years(*years)
        if self.timeframe.intraday:
            self._open, self._close = sessions.part_open, sessions.part_close
            lengths = -((self._open - self._close) // self.timeframe.nanoseconds)
            self._bars_before = np.concatenate([[0], np.cumsum(lengths)])
            return
        first_of = np.arange(len(sessions.day))
        self._first_day = sessions.day
        if self.timeframe.name == "1w":
            monday = (sessions.day + 3) // 7 * 7 - 3  # 1970-01-01 was a Thursday
            self._first_day, first_of = np.unique(monday, return_index=True)
        last_of = np.append(first_of[1:] - 1, len(sessions.day) - 1)
        self._open, self._close = sessions.open[first_of], sessions.close[last_of]
        # A day that has no session of its own cannot be told from the one before it but by its length.
        self._begin = np.minimum(
            self._open, sessions.midnight[first_of] - (sessions.day[first_of] - self._first_day) * DAY
        )
        self._bars_before = np.arange(len(first_of) + 1)

    def spans(self, stamps: Times, stamp_kind: StampKind) -> tuple[Times, Times, NDArray[np.bool_]]:
        """Give the bar that each stamp belongs to: open times, close times, and whether the stamp is where it must be.

        Where it is not, the times are those of the bar it falls in, or the stamp itself where it falls in none.
        """
        stamps = np.asarray(stamps, dtype=np.int64)
        if not len(stamps):
            return stamps, stamps, np.zeros(0, dtype=np.bool_)
        self._cover(int(stamps.min()), int(stamps.max()))
        if self.timeframe.intraday:
            return self._spans_within_sessions(stamps, stamp_kind)
        if stamp_kind == "date":
            period = _periods_of(stamps // DAY, self._first_day)
            days = stamps // DAY - self._first_day[period]
            inside = (period != NOWHERE) & (days < self.timeframe.seconds * NANOSECONDS // DAY)
        else:
            within = stamps - (stamp_kind == "close")
            period = _periods_of(within, self._begin)
            latest = np.maximum(self._close, self._begin + self.timeframe.nanoseconds)
            inside = (period != NOWHERE) & (within < latest[period])
        return (
            np.where(inside, self._open[period], stamps),
            np.where(inside, self._close[period], stamps),
            inside,
        )

    def _spans_within_sessions(self, stamps: Times, stamp_kind: StampKind) -> tuple[Times, Times, NDArray[np.bool_]]:
        length = self.timeframe.nanoseconds
        within = stamps - (stamp_kind == "close")
        if not self.calendar.known:
            # Nothing is known of the sessions: a bar lasts its timeframe, from wherever the feed lets it begin.
            opens = stamps - length if stamp_kind == "close" else stamps
            return opens, opens + length, np.ones(len(stamps), dtype=np.bool_)
        period = _periods_of(within, self._open)
        begin, end = self._open[period], self._close[period]
        inside = (period != NOWHERE) & (within < end)
        opens = begin + (within - begin) // length * length
        closes = np.minimum(opens + length, end)
        aligned = inside & ((closes if stamp_kind == "close" else opens) == stamps)
        return np.where(inside, opens, stamps), np.where(inside, closes, stamps), aligned

    def buckets(self, open_times: Times, offset: int) -> tuple[Times, Times]:
        """Give the bar that holds each finer bar, by the finer bars' open times.

        ``offset`` shifts the grid of an unknown calendar, where bars begin so long after midnight.
        """
        if self.calendar.known or not self.timeframe.intraday:
            opens, closes, _ = self.spans(open_times, "open")
            return opens, closes
        self._cover(int(open_times.min()), int(open_times.max()))
        shifted = open_times - offset
        period = _periods_of(shifted, self._open)
        begin, length = self._open[period], self.timeframe.nanoseconds
        opens = begin + (shifted - begin) // length * length
        closes = np.minimum(opens + length, self._close[period])
        return opens + offset, closes + offset

    def missing_before(self, open_times: Times) -> Times:
        """Count, for each bar but the first, the bars that should have stood between it and the one before."""
        if not self.calendar.known:
            return np.zeros(max(len(open_times) - 1, 0), dtype=np.int64)
        self._cover(int(open_times[0]), int(open_times[-1]))
        period = _periods_of(open_times, self._open)
        number = self._bars_before[period]
        if self.timeframe.intraday:
            number = number + (open_times - self._open[period]) // self.timeframe.nanoseconds
        return np.diff(number) - 1

    def closes_between(self, after: int, until: int) -> tuple[Times, Times]:
        """Give open and close times of all bars that close later than ``after`` and not later than ``until``."""
        if until <= after:
            return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
        self._cover(after, until)
        first = int(np.searchsorted(self._close, after, side="right"))
        last = int(np.searchsorted(self._open, until))
        opens, closes = self._open[first:last], self._close[first:last]
        if self.timeframe.intraday:
            length = self.timeframe.nanoseconds
            grids = [np.arange(begin, end, length) for begin, end in zip(opens, closes, strict=True)]
            ends = [np.minimum(grid + length, end) for grid, end in zip(grids, closes, strict=True)]
            opens = np.concatenate(grids) if grids else opens
            closes = np.concatenate(ends) if ends else closes
        due = (closes > after) & (closes <= until)
        return opens[due], closes[due]

    def next_close(self, after: int) -> tuple[int, int]:
        """Give open and close time of the first bar that closes later than ``after``."""
        reach = max(2 * self.timeframe.nanoseconds, DAY)
        while True:
            opens, closes = self.closes_between(after, after + reach)
            if len(closes):
                return int(opens[0]), int(closes[0])
            reach *= 4
            if reach > 4_000 * DAY:
                raise ValueError(f"the calendar {self.calendar.name} has no session for years to come")
