"""The stories of one series as records, which compiled code advances over the closed bars of many series at once."""

from __future__ import annotations

from operator import itemgetter
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from scanner.follow import steps
from scanner.trade.levels import grid_of, together

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

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
        self.rulebook = rulebook
        self._instrument = instrument
        self._timetable = timetable
        self._flat_by_close = rulebook.follow.is_flat_by_close(timetable)
        self.records = NO_RECORDS

    def tell(self) -> list[tuple[int, int, News]]:
        """Report the news of ``records`` that have stopped, each with its bar and the number of its story."""
        raise NotImplementedError

    @property
    def _offset(self) -> int:
        return self.series.used - self.series.count

    def add(self, records: NDArray[Any]) -> None:
        """Follow more setups, each from its own bar of the window."""
        if len(records):
            self.records = joined([self.records, records]) if len(self.records) else records

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


def joined(records: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Join records, far faster than numpy does."""
    return np.frombuffer(bytearray(b"".join([each.tobytes() for each in records])), dtype=steps.STORY)


def go_on_together(
    followed: Sequence[Stories], standing: Sequence[Sides] = (), *, stop: int | None = None
) -> list[list[tuple[int, News]]]:
    """Advance each over all bars that its series has taken in; returns the news of each, with their bars, in order.

    ``standing`` are, for each, the new bars with setups; without it, no new bar has one. A ``stop`` is the bar of the
    window before which all end.
    """
    told: list[list[tuple[int, int, News]]] = [[] for _ in followed]
    in_pools: dict[tuple[int, int], list[int]] = {}
    for number, each in enumerate(followed):
        if len(each.records):
            in_pools.setdefault((id(each.series.pool), each.telling), []).append(number)
    for numbers in in_pools.values():
        used = followed[numbers[0]].series.pool.used[[followed[number].series.row for number in numbers]]
        stops = used if stop is None else np.full_like(used, stop)
        sides = [standing[number] for number in numbers] if standing else [()] * len(numbers)
        marks = [
            followed[number].marks(end, own) for number, end, own in zip(numbers, stops.tolist(), sides, strict=True)
        ]
        which = np.arange(len(numbers))
        while len(which):
            those = [numbers[place] for place in which.tolist()]
            found = advance([followed[number] for number in those], stops[which], [marks[place] for place in which])
            for place in np.flatnonzero(found).tolist():
                told[those[place]] += followed[those[place]].tell()
            which = which[found & steps.CAN_GO_ON != 0]
    return [[(index, news) for index, _, news in sorted(own, key=itemgetter(0, 1))] for own in told]


def advance(followed: Sequence[Stories], stops: Integers, marks: Sequence[NDArray[np.uint8]]) -> NDArray[np.uint8]:
    """Advance the stories of several series of one pool, each to its stop or its first news.

    Returns HAS_NEWS and CAN_GO_ON for each series: see ``steps.advance``.
    """
    first, found = followed[0], np.empty(len(followed), dtype=np.uint8)
    pool, rows = first.series.pool, np.array([each.series.row for each in followed], dtype=np.int64)
    records, ends = joined([each.records for each in followed]), np.cumsum([len(each.records) for each in followed])
    offsets, marks_ends = pool.used[rows] - pool.state["count"][rows], np.cumsum([len(each) for each in marks])
    where = (pool.columns, pool.deep, pool.times, rows, records, ends, offsets, stops)
    own_marks = np.concatenate(marks)
    rules, grids = first.rulebook, together(tuple(each.grid for each in followed))
    steps.advance(*where, own_marks, marks_ends, first.telling, rules.rules.record, rules.follow.record, grids, found)
    for each, begin, end in zip(followed, [0, *ends.tolist()], ends.tolist(), strict=False):
        each.records = records[begin:end]
    return found


class Ends(Stories):
    """Stories that report only their ends: ``came`` gets their records."""

    telling = steps.ENDED

    came: Callable[[NDArray[Any]], None]

    def tell(self) -> list[tuple[int, int, News]]:
        """Pass on the stories that have ended."""
        ended = self.records["state"] > steps.OPEN
        if ended.all():
            records, self.records = self.records, NO_RECORDS
            self.came(records)
        elif ended.any():
            records, self.records = self.records[ended], self.records[~ended]
            self.came(records)
        return []

    def break_off(self, index: int) -> None:
        """Advance up to a bar of the window, and end the remaining stories before it, without a result."""
        go_on_together([self], stop=index)
        self.records["state"], self.records["ended_at"] = steps.BROKEN_OFF, self.series.times[1, index]
        self.tell()
