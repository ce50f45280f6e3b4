"""The stories of one series as records, which compiled code advances over its closed bars."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from scanner.follow import steps
from scanner.trade.levels import grid_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from scanner.analysis.series import Series
    from scanner.follow.news import News
    from scanner.market.instruments import Instrument
    from scanner.market.sessions.timetables import Timetable
    from scanner.trade.rulebook import Rulebook

NOTHING = np.zeros(0, dtype=np.uint8)
NO_RECORDS = np.zeros(0, dtype=steps.STORY)


class Stories:
    """The stories of one series: ``records`` has a STORY for each that has not ended."""

    telling: ClassVar[int]
    """The news at which a story stops."""

    def __init__(self, series: Series, instrument: Instrument, rulebook: Rulebook, timetable: Timetable) -> None:
        self._series = series
        self._instrument = instrument
        self._grid = grid_of(instrument.steps)
        self._rules = rulebook.rules
        self._follow = rulebook.follow
        self._timetable = timetable
        timeframe = timetable.timeframe
        self._flat_by_close = rulebook.follow.flat_by_close and timeframe.intraday and timetable.calendar.known
        self.records = NO_RECORDS

    def tell(self) -> list[tuple[int, News]]:
        """Report the news of ``records`` that have already advanced, each with its bar."""
        raise NotImplementedError

    def go_on_alone(self) -> list[tuple[int, News]]:
        """Advance over all bars taken in; no new bar has a setup. Returns news with their bars."""
        raise NotImplementedError

    @property
    def goes_alone(self) -> bool:
        """Whether it cannot advance together with others, since it needs each bar's place in its session."""
        return self._flat_by_close

    @property
    def shared(self) -> tuple[int, int, int]:
        """What it must have in common with others to advance together with them."""
        return id(self._series.pool), self.telling, id(self._grid)

    @property
    def row(self) -> int:
        """The row of the series in its pool."""
        return self._series.row

    @property
    def _offset(self) -> int:
        return self._series.used - self._series.count

    @property
    def _how(self) -> tuple[int, NDArray[Any], NDArray[Any], NDArray[np.float64], float]:
        return self.telling, self._rules.record, self._follow.record, self._grid.bands, self._grid.units

    def _add(self, records: NDArray[Any]) -> None:
        if len(records):
            self.records = joined([self.records, records]) if len(self.records) else records

    def _advance(self, stop: int, marks: NDArray[np.uint8]) -> bool:
        """Advance to a bar; returns whether a story has news."""
        pool = self._series.pool
        where = (pool.columns, pool.deep, pool.times, self.row, self.records, self._offset, stop, marks)
        found: bool = steps.advance(*where, *self._how)
        return found

    def _marks(self, stop: int, standing: Sequence[tuple[int, int]]) -> NDArray[np.uint8]:
        """Give the marks of the last bars up to ``stop`` − 1: places in the session, and sides with setups."""
        if self._flat_by_close:
            first = int(self.records["next"].min()) + self._offset
            marks = self._in_session(first, stop)
        else:
            first = min((index for index, _ in standing), default=stop)
            marks = np.zeros(stop - first, dtype=np.uint8)
        for index, sign in standing:
            if index >= first:  # all stories have advanced past earlier bars
                marks[index - first] |= steps.LONG_STANDS if sign > 0 else steps.SHORT_STANDS
        return marks

    def _in_session(self, first: int, stop: int) -> NDArray[np.uint8]:
        """Mark each bar's place in its session, from bar ``first`` up to ``stop`` − 1."""
        opens = self._series.times[0, first - 1 : stop]
        numbers, bars = self._timetable.places_in_sessions(opens)
        left, sessions = bars - numbers, self._timetable.session_numbers(opens)
        marks = (left == 2) * steps.LAST_BUT_ONE + (left == 1) * steps.LAST  # noqa: PLR2004 - this bar and one more
        marks[1:] += (sessions[1:] != sessions[:-1]) * steps.FIRST
        return np.asarray(marks[1:], dtype=np.uint8)

    def make_ready(self) -> None:
        """Compile in advance the code that the first story would otherwise wait for."""
        self._advance(0, NOTHING)
        self.advance_with([self])

    def advance_with(self, all_of_them: Sequence[Stories]) -> NDArray[np.bool_]:
        """Advance the stories of several series over all bars: itself, and others with the same ``shared``.

        Returns which of them have news.
        """
        pool, rows = self._series.pool, np.array([each.row for each in all_of_them], dtype=np.int64)
        ends = np.cumsum([len(each.records) for each in all_of_them], dtype=np.int64)
        records, used = joined([each.records for each in all_of_them]), pool.used[rows]
        found, begin = np.zeros(len(rows), dtype=np.bool_), 0
        where = (pool.columns, pool.deep, pool.times, rows, records, ends, used - pool.state["count"][rows], used)
        steps.advance_together(*where, *self._how, found)
        for each, end in zip(all_of_them, ends.tolist(), strict=True):
            each.records = records[begin:end]
            begin = end
        return found


def joined(records: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Join records, far faster than numpy does."""
    return np.frombuffer(bytearray(b"".join([each.tobytes() for each in records])), dtype=steps.STORY)


def go_on_together(followed: Sequence[Stories]) -> list[list[tuple[int, News]]]:
    """Advance each over all bars that its series has taken in; returns the news of each, with their bars."""
    told: list[list[tuple[int, News]]] = [[] for _ in followed]
    together: dict[tuple[int, int, int], list[int]] = {}
    for number, each in enumerate(followed):
        if each.goes_alone:
            told[number] = each.go_on_alone()
        elif len(each.records):
            together.setdefault(each.shared, []).append(number)
    for numbers in together.values():
        has_news = followed[numbers[0]].advance_with([followed[number] for number in numbers])
        for number in np.array(numbers)[has_news].tolist():
            told[number] = followed[number].tell()
    return told
