"""The stories of one series as records, which compiled code advances over the closed bars of many series at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from scanner.follow import steps
from scanner.trade.levels import grid_of, together

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.analysis.series import Series
    from scanner.follow.news import News
    from scanner.market.instruments import Instrument
    from scanner.market.sessions.timetables import Timetable
    from scanner.trade.rulebook import Rulebook

    Integers = NDArray[np.int64]
    Sides = Sequence[tuple[int, int]] | NDArray[np.int64]
    """Bars of the window with setups, and their sides (a sign)."""

NOTHING = np.zeros(0, dtype=np.uint8)
NO_RECORDS = np.zeros(0, dtype=steps.STORY)


class Stories:
    """The stories of one series: ``records`` has a STORY for each that has not ended."""

    telling: ClassVar[int]
    """The news at which a story stops."""

    def __init__(self, series: Series, instrument: Instrument, rulebook: Rulebook, timetable: Timetable) -> None:
        self.series = series
        self.grid = grid_of(instrument.steps)
        self._instrument = instrument
        self._rules = rulebook.rules
        self._follow = rulebook.follow
        self._timetable = timetable
        timeframe = timetable.timeframe
        self._flat_by_close = rulebook.follow.flat_by_close and timeframe.intraday and timetable.calendar.known
        self.records = NO_RECORDS

    def tell(self) -> list[tuple[int, News]]:
        """Report the news of ``records`` that have already advanced, each with its bar."""
        raise NotImplementedError

    @property
    def _offset(self) -> int:
        return self.series.used - self.series.count

    def add(self, records: NDArray[Any]) -> None:
        """Follow more setups, each from its own bar of the window."""
        if len(records):
            self.records = joined([self.records, records]) if len(self.records) else records

    def _advance(self, stop: int, marks: NDArray[np.uint8]) -> bool:
        """Advance to a bar; returns whether a story has news."""
        ends = np.array([len(self.records)]), np.array([stop]), np.array([len(marks)])
        return bool(
            self._advance_over(np.array([self.series.row]), self.records, marks, ends, together((self.grid,)))[0]
        )

    def marks(self, stop: int, standing: Sides = ()) -> NDArray[np.uint8]:
        """Give the marks of the last bars up to ``stop`` − 1: places in the session, and sides with setups."""
        if not self._flat_by_close and not len(standing):
            return NOTHING
        index, sign = np.asarray(standing, dtype=np.int64).reshape(-1, 2).T
        if self._flat_by_close and len(self.records):
            first = int(self.records["next"].min()) + self._offset
            marks = self._in_session(first, stop)
        elif not len(standing):
            return NOTHING
        else:
            first = int(index.min())
            marks = np.zeros(stop - first, dtype=np.uint8)
        for side, mark in ((1, steps.LONG_STANDS), (-1, steps.SHORT_STANDS)):
            marks[index[(sign == side) & (index >= first)] - first] |= mark  # stories have advanced past earlier bars
        return marks

    def _in_session(self, first: int, stop: int) -> NDArray[np.uint8]:
        """Mark each bar's place in its session, from bar ``first`` up to ``stop`` − 1."""
        opens = self.series.times[0, first - 1 : stop]
        numbers, bars = self._timetable.places_in_sessions(opens)
        left, sessions = bars - numbers, self._timetable.session_numbers(opens)
        marks = (left == 2) * steps.LAST_BUT_ONE + (left == 1) * steps.LAST  # noqa: PLR2004 - this bar and one more
        marks[1:] += (sessions[1:] != sessions[:-1]) * steps.FIRST
        return np.asarray(marks[1:], dtype=np.uint8)

    def make_ready(self) -> None:
        """Compile in advance the code that the first story would otherwise wait for."""
        self._advance(0, NOTHING)

    def advance_with(
        self, all_of_them: Sequence[Stories], stops: Integers, marks: Sequence[NDArray[np.uint8]]
    ) -> NDArray[np.bool_]:
        """Advance the stories of several series of one pool, itself among them, each to its stop.

        Returns which of them have news.
        """
        rows = np.array([each.series.row for each in all_of_them], dtype=np.int64)
        ends = np.cumsum([len(each.records) for each in all_of_them], dtype=np.int64)
        records, marks_ends = joined([each.records for each in all_of_them]), np.cumsum([len(each) for each in marks])
        grids = together(tuple(each.grid for each in all_of_them))
        found = self._advance_over(rows, records, np.concatenate(marks), (ends, stops, marks_ends), grids)
        begin = 0
        for each, end in zip(all_of_them, ends.tolist(), strict=True):
            each.records = records[begin:end]
            begin = end
        return found

    def _advance_over(
        self,
        rows: Integers,
        records: NDArray[Any],
        marks: NDArray[np.uint8],
        ends: tuple[Integers, Integers, Integers],
        grids: tuple[NDArray[np.float64], NDArray[np.float64]],
    ) -> NDArray[np.bool_]:
        """Advance ``records`` of the series ``rows``; ``ends`` are those of records, of bars and of ``marks``."""
        pool, found, (ends_of_records, stops, marks_ends) = self.series.pool, np.zeros(len(rows), dtype=np.bool_), ends
        offsets = pool.used[rows] - pool.state["count"][rows]
        where = (pool.columns, pool.deep, pool.times, rows, records, ends_of_records, offsets, stops, marks, marks_ends)
        steps.advance(*where, self.telling, self._rules.record, self._follow.record, grids, found)
        return found


def joined(records: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Join records, far faster than numpy does."""
    return np.frombuffer(bytearray(b"".join([each.tobytes() for each in records])), dtype=steps.STORY)


def go_on_together(followed: Sequence[Stories], standing: Sequence[Sides] = ()) -> list[list[tuple[int, News]]]:
    """Advance each over all bars that its series has taken in; returns the news of each, with their bars.

    ``standing`` are, for each, the new bars with setups; without it, no new bar has one.
    """
    told: list[list[tuple[int, News]]] = [[] for _ in followed]
    in_pools: dict[tuple[int, int], list[int]] = {}
    for number, each in enumerate(followed):
        if len(each.records):
            in_pools.setdefault((id(each.series.pool), each.telling), []).append(number)
    for numbers in in_pools.values():
        those = [followed[number] for number in numbers]
        stops = those[0].series.pool.used[[each.series.row for each in those]]
        sides = [standing[number] for number in numbers] if standing else [()] * len(numbers)
        marks = [each.marks(stop, own) for each, stop, own in zip(those, stops.tolist(), sides, strict=True)]
        has_news = those[0].advance_with(those, stops, marks)
        for number in np.array(numbers)[has_news].tolist():
            told[number] = followed[number].tell()
    return told
