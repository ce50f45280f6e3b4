"""Many series together: their windows and records in shared arrays, a row for each series.

A bar close of ten thousand series goes through compiled code in a few calls; a replay is the same code on one row and
many bars.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import ATR, CLOSE, COLUMNS, DEEP, HIGH, LOW, VOLUME
from scanner.analysis.indicators import kernel, spikes
from scanner.analysis.indicators.spikes import Spike
from scanner.analysis.indicators.state import STATE
from scanner.analysis.places.around import room_to_look
from scanner.compiling import lent

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from scanner.analysis.door.setup import Chosen
    from scanner.analysis.indicators.windows import Prices, Times
    from scanner.analysis.rules import Rules
    from scanner.market.bars import Bars
    from scanner.market.sessions.timetables import Timetable

    Integers = NDArray[np.int64]
    News = tuple[Prices, Times]
    Hits = tuple[int, Integers]
    """The number of a setup among those chosen, and row, bar and sign of each hit, in order of row and bar."""

FEW = 36
"""Bars that a station's series can take before its windows are moved: few, since ten thousand series share memory."""

MANY = 65_536
"""The same for a replay: with more the kernel gets slower, with fewer the calls around it cost more."""

TOGETHER = 256
"""Series that go through the kernel and the setups together: few enough that their data stay in the cache."""


@dataclass(frozen=True, slots=True)
class Stop:
    """What must be examined of bars that several series took in together, while the windows still hold them.

    ``series`` are numbers of the series among those that were given bars, and ``rows`` their rows in the pool. Setups
    may be looked for at the bars first[k]…end[k]−1 of series[k]. ``setups`` are bars at which setups hold except for
    their place, in the order of the setups among those chosen; ``forming`` are those that the next bar may complete.

    The others are (k, bar), in order: ``spiked`` are bars that may be bad ticks, and ``warm`` those that end a hold;
    setups come after them. ``jumps`` are bars, not taken in yet, that open so far from the last close that it may be a
    split.
    """

    series: Integers
    rows: Integers
    first: Integers
    end: Integers
    setups: list[Hits]
    forming: list[Hits]
    spiked: list[tuple[int, int]]
    warm: list[tuple[int, int]]
    jumps: list[tuple[int, int]]


def windows(rules: Rules, setups: Sequence[Chosen], least: int) -> tuple[int, int]:
    """Give how many bars of ``columns`` and of ``deep`` are always kept: as far as rules and setups look back.

    ``least`` is how many bars of ``columns`` others need.
    """
    lengths = [1 + rules.looks_back, rules.usual_body_length, rules.atr_length, least]
    kept = max([*lengths, *(1 + chosen.setup.looks_back for chosen in setups)])
    return kept, max(rules.history, kept)


class Pool:
    """Series on one timetable under the same rules and setups.

    ``columns`` (series × COLUMNS × bars) and ``deep`` (series × DEEP × more bars) are their windows: bar t of
    ``columns`` is bar t + ``shift`` of ``deep``. ``times`` (series × 2 × bars) holds open and close
    (nanoseconds since 1970 UTC), ``state`` a STATE record a series, and ``used`` is the bar that each takes next.
    If setups are announced one bar ahead, ``before`` holds ``state`` as it was before the bars from ``start`` on.
    """

    def __init__(
        self, rules: Rules, setups: Sequence[Chosen], timetable: Timetable, room: int = MANY, least: int = 0
    ) -> None:
        """Start without series; ``room`` is how many bars one can take before its windows are moved.

        ``least`` is that of ``windows``.
        """
        self.rules = rules
        self.setups = tuple(setups)
        self.timetable = timetable
        self.room = room
        self.kept, self.history = windows(rules, setups, least)
        self.shift = self.history - self.kept
        self.numbers: list[NDArray[Any]] = [chosen.numbers.record() for chosen in self.setups]
        self.ahead = [
            (which, chosen.setup.forming.find)
            for which, chosen in enumerate(setups)
            if chosen.forming and chosen.setup.forming is not None
        ]
        """The functions that find the bars after which setups may come that are announced one bar ahead."""
        self.finds = [(which, chosen.setup.find) for which, chosen in enumerate(setups)]
        """The functions that find setups."""
        self.spikes: dict[int, list[Spike]] = {}
        """By series, the bars so far that may be bad ticks and may still affect a setup, oldest first."""
        self.looking = room_to_look(rules, self.history, self.history + room)
        self._marks = np.empty(room, dtype=np.uint8)
        self._free: list[int] = []
        self._fresh = kernel.fresh_state()[0]
        self.columns = np.empty((0, COLUMNS, self.kept + room))
        self.deep = np.empty((0, DEEP, self.history + room))
        self.times = np.empty((0, 2, self.kept + room), dtype=np.int64)
        self.state = np.zeros(0, dtype=STATE)
        self.used = np.zeros(0, dtype=np.int64)
        self.before = np.zeros(0, dtype=STATE)
        self.start = np.zeros(0, dtype=np.int64)

    def reserve(self, series: int) -> None:
        """Have rows for a number of series in all."""
        have = len(self.used)
        if series <= have:
            return
        for name in ("columns", "deep", "times", "state", "used", "before", "start"):
            old = getattr(self, name)
            new = np.empty((series, *old.shape[1:]), dtype=old.dtype)
            new[:have] = old
            setattr(self, name, new)
        self._free += range(series - 1, have - 1, -1)
        self.clear(np.arange(have, series))

    def add(self) -> int:
        """Give the row of a new series without bars."""
        if not self._free:
            self.reserve(max(2 * len(self.used), 1))
        return self._free.pop()

    def remove(self, row: int) -> None:
        """Give a row back."""
        self.clear(row)
        self._free.append(row)

    def clear(self, rows: int | Integers) -> None:
        """Forget all bars of one series or several."""
        self.state[rows] = self._fresh
        self.used[rows] = self.kept
        for row in np.atleast_1d(rows).tolist() if self.spikes else ():
            self.spikes.pop(row, None)
        self.columns[rows, VOLUME, : self.kept] = np.nan  # a mean of volumes may reach to before the first bar
        self.columns[rows, ATR, self.kept - 1] = np.nan  # a look for bad ticks does

    @contextmanager
    def without_setups(self) -> Iterator[None]:
        """Look for no setups for a while, nor for those that the next bar may complete."""
        kept = self.finds, self.ahead
        self.finds, self.ahead = [], []
        try:
            yield
        finally:
            self.finds, self.ahead = kept

    def take(self, rows: Integers, ends: Integers, bars: Bars) -> Iterator[Stop]:
        """Take in new bars of several series, and stop after each stretch that all of them took in.

        ``rows`` are the series, each once; those of the series rows[k] are the bars ends[k−1]…ends[k]−1 of ``bars``.
        The windows stay as they are until the next stop is asked for. At a jump the caller may ``clear`` the series;
        then the jumping bar becomes its first. Otherwise it is taken in as it is.
        """
        begin = np.concatenate([[0], ends[:-1]])
        some = begin < ends
        opens = bars.open_time[begin[some]], bars.open_time[ends[some] - 1]  # those of a series are in order
        yield from self._take(rows, begin, ends, [_news(bars)], opens)

    def take_each(self, rows: Integers, bars: Sequence[Bars]) -> Iterator[Stop]:
        """Do the same for bars that are not in one array: so many of each series that joining them would take long."""
        ends = np.array([len(own) for own in bars], dtype=np.int64)
        opens = np.array([own.open_time[[0, -1]] for own in bars if len(own)], dtype=np.int64).reshape(-1, 2).T
        yield from self._take(rows, np.zeros_like(ends), ends, list(map(_news, bars)), (opens[0], opens[1]))

    def _take(
        self, rows: Integers, begin: Integers, end: Integers, news: Sequence[News], opens: tuple[Integers, Integers]
    ) -> Iterator[Stop]:
        """Take in the bars begin[k]…end[k]−1 of the series rows[k], of its own ``news`` or of those of all.

        ``opens`` are when the first and the last bar of each opened.
        """
        going = np.flatnonzero(begin < end)
        if not len(going):
            return
        sessions = self.sessions_between(int(opens[0].min()), int(opens[1].max()))
        windows, rules = (self.columns, self.deep, self.times, self.state, self.used), self.rules.record
        while len(going):
            upto = np.minimum(end, begin + self.room)
            taken, judged = rows[going], np.empty((len(going), kernel.JUDGED), dtype=np.int64)
            held = np.flatnonzero(self.state["held"][taken])
            found: list[Hits] = []
            forming: list[Hits] = []
            spiked: list[tuple[int, int]] = []
            for start in range(0, len(going), TOGETHER):
                part = slice(start, start + TOGETHER)
                which, own = going[part], taken[part]
                if self.ahead:
                    self.before[own] = self.state[own]
                if len(news) == 1:
                    bars = (begin[which], upto[which], *news[0], sessions)
                    kernel.advance(*windows, own, *bars, rules, self.kept, judged[part])
                else:
                    for k, number in enumerate(which.tolist(), start):
                        bars = (begin[number : number + 1], upto[number : number + 1], *news[number], sessions)
                        kernel.advance(*windows, taken[k : k + 1], *bars, rules, self.kept, judged[k : k + 1])
                first, stop, count, _ = np.ascontiguousarray(judged[part].T)
                if self.ahead:
                    self.start[own] = self.used[own] - count
                begin[which] += count
                found += self._found(self.finds, own, first, stop)
                forming += self._found(self.ahead, own, first, stop)
                spiked += [(start + place, index) for place, index in self._spiked(own, stop - count, stop)]
            first, stop, _, jumping = np.ascontiguousarray(judged.T)
            warm = list(self._warm(taken, stop, held))
            jumps = [(place, int(stop[place])) for place in np.flatnonzero(jumping).tolist()]
            yield Stop(going, taken, first, stop, _joined(found), _joined(forming), spiked, warm, jumps)
            for place, _ in jumps:
                if self.state["count"][taken[place]]:
                    self.state["jump_seen"][taken[place]] = True
            going = going[begin[going] < end[going]]

    def begins(self, rows: Integers) -> tuple[Integers, Integers]:
        """Give the index of the first bar of some series, in ``columns`` and in ``deep``."""
        since = self.used[rows] - self.state["count"][rows]
        return np.maximum(since, 0), np.maximum(since + self.shift, 0)

    def number_of(self, row: int, index: int) -> int:
        """Give the number of a bar of a series, counted from its first bar."""
        return int(self.state["count"][row] - self.used[row]) + index

    def spikes_by(self, row: int, index: int) -> Iterator[tuple[int, Spike]]:
        """Give a series' suspected bad ticks up to a bar, the last one first, each with its distance in bars."""
        number = self.number_of(row, index)
        for each in reversed(self.spikes.get(row, ())):
            if each.number <= number:
                yield number - each.number, each

    def sessions_between(self, first: int, last: int) -> tuple[Integers, Integers]:
        """Give the sessions around bars that open between two moments, as ``kernel.advance`` takes them."""
        if self.timetable.timeframe.intraday:
            begins, days = self.timetable.sessions_around(first, last)
            return lent(begins), lent(days)
        return lent(np.zeros(0, dtype=np.int64)), lent(np.zeros(0, dtype=np.int64))

    def _warm(self, rows: Integers, end: Integers, held: NDArray[np.intp]) -> Iterator[tuple[int, int]]:
        """End the holds of series that are warm again."""
        for place in held.tolist():
            over = int(self.state["count"][rows[place]]) - self.rules.warm_up
            if over >= 0:
                self.state["held"][rows[place]] = False
                yield place, int(end[place]) - 1 - over

    def _found(
        self, finds: Sequence[tuple[int, Callable[..., int]]], rows: Integers, first: Integers, end: Integers
    ) -> list[Hits]:
        """Give what each of ``finds`` finds, if it finds anything."""
        bars = int(end.sum() - first.sum()) if finds else 0
        if not bars:
            return []
        room = np.empty((2 * bars, 3), dtype=np.int64)
        found = []
        for which, find in finds:
            count = find(self.columns, rows, first, end, self.numbers[which], self._marks, room)
            if count:
                found.append((which, room[:count].copy()))
        return found

    def _spiked(self, rows: Integers, first: Integers, end: Integers) -> list[tuple[int, int]]:
        """Find the bars that may be bad ticks among first…end−1, remember them, and give (k, bar) of each."""
        found = np.empty((int(end.sum() - first.sum()), 3), dtype=np.int64)
        count = spikes.find(self.columns, rows, first, end, self.rules.record, found) if len(found) else 0
        if not count:
            return []
        places = {row: place for place, row in enumerate(rows.tolist())}
        for row in dict.fromkeys(found[:count, 0].tolist()):
            self._forget_spikes(row, int(first[places[row]]))
        for row, index, whole in found[:count].tolist():
            series, number = self.columns[row], self.number_of(row, index)
            last = float(series[CLOSE, index - 1])
            true_range = max(float(series[HIGH, index]), last) - min(float(series[LOW, index]), last)
            self.spikes.setdefault(row, []).append(Spike(number, true_range, bool(whole)))
        return [(places[row], index) for row, index, _ in found[:count].tolist()]

    def _forget_spikes(self, row: int, begin: int) -> None:
        """Forget the spikes that cannot affect a setup at the bar ``begin`` of the window, or at any later one."""
        number = self.number_of(row, begin)
        atr, length = float(self.columns[row, ATR, begin - 1]), self.rules.atr_length
        self.spikes[row] = [
            each
            for each in self.spikes.get(row, ())
            if number - each.number <= self.history or each.makes_up(atr, number - 1 - each.number, length)
        ]


def _news(bars: Bars) -> News:
    """Give the columns of new bars as compiled code takes them."""
    prices = lent(bars.open), lent(bars.high), lent(bars.low), lent(bars.close), lent(bars.volume)
    return prices, (lent(bars.open_time), lent(bars.close_time))


def _joined(found: list[Hits]) -> list[Hits]:
    """Join the hits of each setup, in order of their numbers."""
    together: dict[int, list[Integers]] = {}
    for which, hits in found:
        together.setdefault(which, []).append(hits)
    return [(which, np.concatenate(hits) if len(hits) > 1 else hits[0]) for which, hits in sorted(together.items())]
