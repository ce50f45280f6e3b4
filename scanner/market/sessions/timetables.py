"""Timetables: which bars a timeframe has on a calendar, aligned to the sessions and never straddling one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from functools import cache, lru_cache
from typing import TYPE_CHECKING

import numpy as np

from scanner.clocks import DAY, HOUR, SECOND
from scanner.market.bars import NO_TIME
from scanner.market.sessions.calendars import EPOCH, FIRST_YEAR, LAST_YEAR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.market.bars import StampKind
    from scanner.market.sessions.calendars import Calendar, Sessions
    from scanner.market.sessions.timeframes import Timeframe

    Times = NDArray[np.int64]

NOWHERE = -1
"""The period of a stamp that falls in none."""
FIRST = (date(FIRST_YEAR, 1, 1) - EPOCH).days * DAY
END = (date(LAST_YEAR + 1, 1, 1) - EPOCH).days * DAY
"""Bars must lie from ``FIRST`` on and before ``END``; any other time is a mistake."""
YEARS_APART = 12
"""A calendar without a session for so long has ended."""
DAYS_OF_WEEK = 7
SUNDAY = 6
NEXT_KNOWN = 16
"""Next bars that a timetable remembers."""
BLOCK = 1 << 14
"""Stamps processed together: their arrays fit the cache."""


@dataclass(frozen=True, slots=True)
class Periods:
    """Unbroken stretches of time, cut into bars from their start; the last bar may be shorter.

    They are parts of sessions if a bar is shorter than a day, else whole sessions or weeks of one bar each.
    ``by_day`` has the period of each calendar day from ``first_day`` on, ``NOWHERE`` where there is none, as on the
    first and the last of them; it is empty for parts of sessions. Days are counted from 1970-01-01. ``bars_before``
    counts the bars before each period.
    """

    sessions: Sessions
    open: Times
    close: Times
    first_day: int
    by_day: Times
    bars_before: Times

    def of_days(self, day: Times) -> Times:
        """Give the period of each day, ``NOWHERE`` where there is none."""
        found: Times = self.by_day.take(day - self.first_day, mode="clip")
        return found


@cache
def _periods(calendar: Calendar, timeframe: Timeframe, first_year: int, last_year: int) -> Periods:
    sessions = calendar.of_years(first_year, last_year)
    if timeframe.intraday:
        lengths = -((sessions.part_open - sessions.part_close) // timeframe.nanoseconds)
        before = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
        return Periods(sessions, sessions.part_open, sessions.part_close, 0, np.zeros(0, dtype=np.int64), before)
    first_day, first_of = sessions.day, np.arange(len(sessions.day))
    if timeframe.name == "1w":
        first_day, first_of = np.unique(sessions.day - _weekday(sessions.day), return_index=True)
    last_of = np.append(first_of[1:] - 1, len(sessions.day) - 1)[: len(first_of)]
    opens, closes = sessions.open[first_of], sessions.close[last_of]
    length = timeframe.nanoseconds // DAY
    days = np.arange(first_day[0] - 1, first_day[-1] + length + 1) if len(first_day) else np.zeros(1, dtype=np.int64)
    period = np.searchsorted(first_day, days, side="right") - 1
    by_day = np.where(np.isin(days, first_day[:, None] + np.arange(length)), period, NOWHERE)
    return Periods(sessions, opens, closes, int(days[0]), by_day, np.arange(len(first_of) + 1))


def _weekday(day: Times) -> Times:
    """Give the weekday of days counted from 1970-01-01, a Thursday; Monday is 0."""
    return (day + 3) % DAYS_OF_WEEK


@lru_cache(1_024)
def _year(day: int) -> int:
    """Give the year of a day counted from 1970-01-01, as far as there are calendars."""
    if day < FIRST // DAY:
        return FIRST_YEAR
    return LAST_YEAR if day >= END // DAY else (EPOCH + timedelta(day)).year


@dataclass(frozen=True, slots=True)
class Begun:
    """The last of some beginnings at or before each of some moments, −1 if there is none.

    ``which`` are those, each for as many moments on end as ``counts`` says; for one each where that is None.
    """

    which: Times
    counts: Times | None

    @classmethod
    def before(cls, moments: Times, begins: Times) -> Begun:
        """Find the last of ``begins``, which are in order."""
        if len(moments) > DAYS_OF_WEEK and (moments[1:] >= moments[:-1]).all():
            # With few periods among many ordered moments, place the periods instead of the moments.
            first, last = np.searchsorted(begins, moments[[0, -1]], side="right") - 1
            edges = np.searchsorted(moments, begins[first + 1 : last + 1])
            return cls(np.arange(first, last + 1), np.diff(np.concatenate([[0], edges, [len(moments)]])))
        return cls(np.searchsorted(begins, moments, side="right") - 1, None)

    def of(self, values: Times) -> Times:
        """Give for each moment what the last beginning has; where there is none, what the last one of all has."""
        return self.spread(values[self.which])

    def spread(self, values: Times) -> Times:
        """Give for each moment what each of ``which`` has."""
        return values if self.counts is None else np.repeat(values, self.counts)


class Timetable:
    """The bars of a timeframe on a calendar.

    Bars begin at the opening of a session, or at the end of its pause; the last one before a close or pause ends
    with it. A day's bar is its session, a week's bar all sessions of the ISO week. Times are nanoseconds since
    1970 UTC.
    """

    __slots__ = ("_at_hand", "_last_bucket", "_last_day", "_next_known", "_years", "calendar", "timeframe")

    def __init__(self, calendar: Calendar, timeframe: Timeframe) -> None:
        self.calendar = calendar
        self.timeframe = timeframe
        self._years = (0, 0)
        self._at_hand: Periods
        self._next_known: dict[int, tuple[int, int]] = {}
        self._last_day: tuple[int, Fraction] = (NO_TIME, Fraction(0))
        """The last answer of ``bars_a_day``: many series ask for the same bar."""
        self._last_bucket = (NO_TIME, 0, NO_TIME, NO_TIME)
        """The last question and answer of ``bucket``, as above."""

    def _cover(self, first: int, last: int) -> Periods:
        """Prepare the periods of a stretch of time, with a year on either side."""
        years = (_year(first // DAY) - 1, _year(last // DAY) + 1)
        begun, ended = self._years
        if not (begun <= years[0] and years[1] <= ended):
            if begun:  # at least twice as many years, or a long history would prepare all of them anew each year
                more = ended - begun + 1
                years = (
                    begun if begun <= years[0] else max(min(years[0], begun - more), FIRST_YEAR - 1),
                    ended if years[1] <= ended else min(max(years[1], ended + more), LAST_YEAR + 1),
                )
            self._at_hand = _periods(self.calendar, self.timeframe, *years)
            self._years = years
        return self._at_hand

    def spans(self, stamps: Times, stamp_kind: StampKind) -> tuple[Times, Times, NDArray[np.bool_]]:
        """Give the bar that each stamp belongs to: open times, close times, and whether the stamp is at a valid place.

        Within a session it must be the bar's open or close. Any moment of its days on the exchange's clock also finds a
        day or week; midnight UTC outside every session is read as its calendar date. Where days have no pause between
        them, or sessions are unknown, a stamp must be where a day begins or ends: a day that begins at another time has
        not ended when ours has. A date is midnight UTC. A Sunday without a session belongs to the week after it, any
        other day to its own week. If the sessions are unknown, a bar lasts its timeframe from where the feed starts it,
        and days and weeks are those of the calendar's zone. For a stamp at an invalid place, the times are those of the
        bar it falls in, or the stamp itself.
        """
        stamps = np.asarray(stamps, dtype=np.int64)
        if not len(stamps):
            return stamps, stamps, np.zeros(0, dtype=np.bool_)
        first, last = int(stamps.min()), int(stamps.max())
        if first >= FIRST and last < END:
            return self._spans(stamps, stamp_kind, first, last)
        sane = (stamps >= FIRST) & (stamps < END)
        opens, closes, aligned = stamps.copy(), stamps.copy(), np.zeros(len(stamps), dtype=np.bool_)
        opens[sane], closes[sane], aligned[sane] = self.spans(stamps[sane], stamp_kind)
        return opens, closes, aligned

    def _spans(
        self, stamps: Times, stamp_kind: StampKind, first: int, last: int
    ) -> tuple[Times, Times, NDArray[np.bool_]]:
        length = self.timeframe.nanoseconds
        if self.timeframe.intraday and not self.calendar.known:
            opens = stamps - length if stamp_kind == "close" else stamps
            return opens, opens + length, np.ones(len(stamps), dtype=np.bool_)
        periods = self._cover(first, last)
        if not len(periods.open):
            return stamps, stamps, np.zeros(len(stamps), dtype=np.bool_)
        if not self.timeframe.intraday:
            return self._spans_of_days(stamps, stamp_kind, periods)
        if len(stamps) <= BLOCK:
            return self._spans_within_sessions(stamps, stamp_kind, periods)
        opens, closes, aligned = np.empty_like(stamps), np.empty_like(stamps), np.empty(len(stamps), dtype=np.bool_)
        for start in range(0, len(stamps), BLOCK):
            part = slice(start, start + BLOCK)
            opens[part], closes[part], aligned[part] = self._spans_within_sessions(stamps[part], stamp_kind, periods)
        return opens, closes, aligned

    def _spans_within_sessions(
        self, stamps: Times, stamp_kind: StampKind, periods: Periods
    ) -> tuple[Times, Times, NDArray[np.bool_]]:
        within = stamps - 1 if stamp_kind == "close" else stamps
        opens, closes, inside = self._bars_in(within, Begun.before(within, periods.open), periods)
        aligned = inside & ((closes if stamp_kind == "close" else opens) == stamps)
        if not inside.all():
            opens, closes = np.where(inside, opens, stamps), np.where(inside, closes, stamps)
        return opens, closes, aligned

    def _bars_in(self, within: Times, begun: Begun, periods: Periods) -> tuple[Times, Times, NDArray[np.bool_]]:
        """Give the bars that contain some moments, by their periods, and whether one does."""
        length = self.timeframe.nanoseconds
        begin, end = begun.of(periods.open), begun.of(periods.close)
        opens = begin + (within - begin) // length * length
        return opens, np.minimum(opens + length, end), (begin <= within) & (within < end)

    def _spans_of_days(
        self, stamps: Times, stamp_kind: StampKind, periods: Periods
    ) -> tuple[Times, Times, NDArray[np.bool_]]:
        day, sessions = self._days_of(stamps, stamp_kind, periods.sessions), periods.sessions
        placed = np.ones(len(stamps), dtype=np.bool_)
        if stamp_kind == "date":
            placed = stamps % DAY == 0
        elif self.calendar.days_begin:
            placed = np.isin(stamps, sessions.close if stamp_kind == "close" else sessions.open)
        if self.timeframe.name == "1w" and not self.calendar.known:
            # A week from the stamped day on, or up to it.
            first = np.searchsorted(sessions.day, day - (DAYS_OF_WEEK - 1 if stamp_kind == "close" else 0))
            last = np.minimum(first + DAYS_OF_WEEK - 1, len(sessions.day) - 1)
            return sessions.open[first], sessions.close[last], placed
        period = periods.of_days(day)
        found = placed & (period != NOWHERE)
        if self.timeframe.name == "1w" and stamp_kind != "close":
            sunday = _weekday(day) == SUNDAY
            traded = sessions.day[np.minimum(np.searchsorted(sessions.day, day), len(sessions.day) - 1)] == day
            # If Sunday is a session of the week before, a week that starts with it does not exist here.
            period = periods.of_days(day + (sunday & ~traded))
            found = placed & (period != NOWHERE) & ~(sunday & traded)
        opens, closes = periods.open[period], periods.close[period]
        if found.all():
            return opens, closes, found
        return np.where(found, opens, stamps), np.where(found, closes, stamps), found

    @staticmethod
    def _days_of(stamps: Times, stamp_kind: StampKind, sessions: Sessions) -> Times:
        """Give the calendar day that each stamp means, counted from 1970-01-01."""
        if stamp_kind == "date":
            return stamps // DAY
        within = stamps - 1 if stamp_kind == "close" else stamps
        session = np.searchsorted(sessions.open, within, side="right") - 1
        inside = (session != NOWHERE) & (within < sessions.close[session])
        begun = np.maximum(np.searchsorted(sessions.midnight, within, side="right") - 1, 0)
        local = sessions.day[begun] + (within - sessions.midnight[begun]) // DAY
        return np.where(inside, sessions.day[session], np.where(stamps % DAY == 0, within // DAY, local))

    def offset(self, open_time: int, length: int) -> int:
        """Give the offset of a bar's open from the grid of ``length`` since midnight (nanoseconds)."""
        if self.calendar.known or not self.timeframe.intraday:
            return 0
        midnights = self._cover(open_time, open_time).open
        return int((open_time - midnights[np.searchsorted(midnights, open_time, side="right") - 1]) % length)

    def buckets(self, open_times: Times, offset: int) -> tuple[Times, Times]:
        """Give the bar that holds each finer bar, by the finer bars' open times, oldest first.

        ``offset`` shifts the grid of an unknown calendar by a time after midnight. ValueError if a finer bar lies in no
        session.
        """
        shifted = open_times - offset if offset else open_times
        periods = self._cover(int(shifted[0]), int(shifted[-1]))
        if not len(periods.open):
            raise ValueError(f"the calendar {self.calendar.name} has no sessions at that time")
        opens, closes = np.empty_like(shifted), np.empty_like(shifted)
        for start in range(0, len(shifted), BLOCK):
            part = slice(start, start + BLOCK)
            within = shifted[part]
            begun = Begun.before(within, periods.open)
            if self.timeframe.intraday:
                opens[part], closes[part], inside = self._bars_in(within, begun, periods)
            else:
                opens[part], closes[part] = begun.of(periods.open), begun.of(periods.close)
                inside = (opens[part] <= within) & (within < closes[part])
            if not inside.all():
                moment = datetime.fromtimestamp(int(within[~inside][0]) // SECOND, UTC)
                raise ValueError(
                    f"a bar that begins at {moment:%Y-%m-%d %H:%M} UTC lies outside every session of "
                    f"{self.calendar.name}"
                )
        return (opens + offset, closes + offset) if offset else (opens, closes)

    def bucket(self, open_time: int, offset: int) -> tuple[int, int]:
        """Give the bar that holds one finer bar; see ``buckets``."""
        if self._last_bucket[:2] != (open_time, offset):
            opens, closes = self.buckets(np.array([open_time]), offset)
            self._last_bucket = open_time, offset, opens.item(), closes.item()
        return self._last_bucket[2:]

    def missing_before(self, open_times: Times) -> Times:
        """Count, for each bar but the first, the bars missing between it and the one before."""
        if not self.calendar.known or len(open_times) <= 1:
            return np.zeros(max(len(open_times) - 1, 0), dtype=np.int64)
        return np.diff(self.bar_numbers(open_times)) - 1

    def bar_numbers(self, open_times: Times) -> Times:
        """Give the number of each bar among all that the calendar, which must be known, has from some moment on."""
        periods = self._cover(int(open_times.min()), int(open_times.max()))
        begun = Begun.before(open_times, periods.open)
        number = begun.of(periods.bars_before)
        if self.timeframe.intraday:
            number = number + (open_times - begun.of(periods.open)) // self.timeframe.nanoseconds
        return number

    def session_numbers(self, open_times: Times) -> Times:
        """Give the day, counted from 1970-01-01, of the session that each bar begins in, by the bars' open times.

        If the sessions are unknown, it is the day in the calendar's zone.
        """
        if not len(open_times):
            return np.zeros(0, dtype=np.int64)
        begins, days = self.sessions_around(int(open_times.min()), int(open_times.max()))
        return Begun.before(open_times, begins).of(days)

    def sessions_around(self, first: int, last: int) -> tuple[Times, Times]:
        """Give when the sessions around a stretch of time begin, and their days as in ``session_numbers``."""
        sessions = self._cover(first, last).sessions
        return sessions.open, sessions.day

    def places_in_sessions(self, open_times: Times) -> tuple[Times, Times]:
        """Give for each bar its number in its session, from 0 on, and how many bars that session has.

        It is for bars shorter than a day on a known calendar. The bars before a pause count with those after it.
        """
        if not len(open_times):
            return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
        periods = self._cover(int(open_times.min()), int(open_times.max()))
        begun = Begun.before(open_times, periods.open)
        session = periods.sessions.part_session[begun.which]
        first = np.searchsorted(periods.sessions.part_session, session)
        end = np.searchsorted(periods.sessions.part_session, session, side="right")
        before = periods.bars_before[first]
        number = begun.of(periods.bars_before) + (open_times - begun.of(periods.open)) // self.timeframe.nanoseconds
        return number - begun.spread(before), begun.spread(periods.bars_before[end] - before)

    def bars_a_day(self, open_time: int) -> Fraction | None:
        """Give the number of bars in the session of a bar; for a week's bar, the part of it that a session is.

        None if that is unknown: for bars shorter than a day on an unknown calendar.
        """
        if self.timeframe.intraday:
            if not self.calendar.known:
                return None
            if open_time != self._last_day[0]:
                self._last_day = open_time, Fraction(int(self.places_in_sessions(np.array([open_time]))[1][0]))
            return self._last_day[1]
        periods = self._cover(open_time, open_time)
        period = int(np.searchsorted(periods.open, open_time, side="right")) - 1
        first, end = np.searchsorted(periods.sessions.open, [periods.open[period], periods.close[period]])
        return Fraction(1, int(end - first))

    def closes_between(self, after: int, until: int) -> tuple[Times, Times]:
        """Give open and close times of all bars that close later than ``after`` and not later than ``until``."""
        if until <= after:
            return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
        periods = self._cover(after, until)
        first = int(np.searchsorted(periods.close, after, side="right"))
        last = int(np.searchsorted(periods.open, until))
        opens, closes = periods.open[first:last], periods.close[first:last]
        if self.timeframe.intraday:
            length, counts = self.timeframe.nanoseconds, np.diff(periods.bars_before[first : last + 1])
            period = np.repeat(np.arange(len(opens)), counts)
            number = np.arange(len(period)) - np.repeat(np.cumsum(counts) - counts, counts)
            opens = opens[period] + number * length
            closes = np.minimum(opens + length, closes[period])
        due = (closes > after) & (closes <= until)
        return opens[due], closes[due]

    def last_close(self, until: int) -> int:
        """Give the last close up to a moment; 0 if there was none for years: the exchange is closed for good."""
        for years in (0, YEARS_APART):
            periods = self._cover(until - years * 366 * DAY, until)
            period = int(np.searchsorted(periods.close, until, side="right"))
            if self.timeframe.intraday and period < len(periods.open):
                begin, length = int(periods.open[period]), self.timeframe.nanoseconds
                if until - begin >= length:
                    return begin + (until - begin) // length * length
            if period:
                return int(periods.close[period - 1])
        return 0

    def following(self, closes: Times) -> tuple[Times, Times]:
        """Give open and close of the bar that follows the one that closed then, for each of some closes.

        NO_TIME if the calendar knows none, and after NO_TIME itself. If the sessions are unknown, a bar of less than a
        day follows at once.
        """
        if self.timeframe.intraday and not self.calendar.known:
            missing = closes == NO_TIME
            return np.where(missing, NO_TIME, closes), np.where(missing, NO_TIME, closes + self.timeframe.nanoseconds)
        different, which = np.unique(closes, return_inverse=True)  # few, since series close together
        found = np.array([self._following(close) for close in different.tolist()], dtype=np.int64).reshape(-1, 2)
        return found[which, 0], found[which, 1]

    def _following(self, close: int) -> tuple[int, int]:
        if close == NO_TIME:
            return NO_TIME, NO_TIME
        try:
            return self.next_close(close)
        except ValueError:  # the calendar has ended
            return NO_TIME, NO_TIME

    @property
    def longest_phase(self) -> int:
        """How long after a whole hour, or a whole timeframe if that is shorter, bars may begin (nanoseconds)."""
        return min(self.timeframe.nanoseconds, HOUR)

    def next_close(self, after: int) -> tuple[int, int]:
        """Give open and close time of the first bar that closes later than ``after``.

        ValueError if the calendar knows no session after that.
        """
        # Thousands of series share a timetable and ask for the same few bars one after the other.
        found = self._next_known.get(after)
        if found is None:
            if len(self._next_known) >= NEXT_KNOWN:
                self._next_known.clear()
            found = self._next_known[after] = self._found_next_close(after)
        return found

    def next_known(self, after: int) -> tuple[int, int] | None:
        """Give the same; None if the sessions are unknown or the calendar has ended."""
        if not self.calendar.known:
            return None
        try:
            return self.next_close(after)
        except ValueError:
            return None

    def _found_next_close(self, after: int) -> tuple[int, int]:
        periods = self._cover(after, after)
        period = int(np.searchsorted(periods.close, after, side="right"))
        if period == len(periods.close):
            periods = self._cover(after, after + YEARS_APART * 366 * DAY)
            period = int(np.searchsorted(periods.close, after, side="right"))
            if period == len(periods.close):
                moment = datetime.fromtimestamp(after // SECOND, UTC)
                raise ValueError(
                    f"the calendar {self.calendar.name} knows no session after {moment:%Y-%m-%d}; "
                    "a newer release of exchange_calendars may"
                )
        begin, end = int(periods.open[period]), int(periods.close[period])
        if self.timeframe.intraday:
            length = self.timeframe.nanoseconds
            begin += max(after - begin, 0) // length * length
            end = min(begin + length, end)
        return begin, end


@cache
def timetable_of(calendar: Calendar, timeframe: Timeframe) -> Timetable:
    """Give one timetable to all instruments that have the same."""
    return Timetable(calendar, timeframe)
