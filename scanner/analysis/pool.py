"""Many series together: their windows and records in shared arrays, a row for each series.

A bar close of ten thousand series goes through compiled code in a few calls; a replay is the same code on one row and
many bars.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
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
    from scanner.analysis.rules import Rules
    from scanner.market.bars import Bars
    from scanner.market.sessions.timetables import Timetable

    Integers = NDArray[np.int64]
    Hits = tuple[int, Integers]
    """The number of a setup among those chosen, and bar and sign of each hit."""

FEW = 36
"""Bars that a station's series can take before its windows are moved: few, since ten thousand series share memory."""

MANY = 65_536
"""The same for a replay: with more the kernel gets slower, with fewer the calls around it cost more."""

TOGETHER = 256
"""Series that go through the kernel and the setups together: few enough that their data stay in the cache."""


@dataclass(slots=True)
class Candidates:
    """Bars at which setups hold except for their place, in the order of the setups among those chosen.

    ``forming`` are the setups that the next bar may complete.
    """

    setups: list[Hits]
    forming: list[Hits]


@dataclass(frozen=True, slots=True)
class Warm:
    """The bar that ends a hold; candidates come after it."""

    index: int


@dataclass(frozen=True, slots=True)
class Leap:
    """A bar, not taken in yet, that opens so far from the last close that it may be a split."""

    index: int


@dataclass(frozen=True, slots=True)
class Spiked:
    """A bar that may be a bad tick."""

    index: int


Stop = Candidates | Warm | Leap | Spiked
ORDER = (Spiked, Warm, Candidates, Leap)
"""The order of the stops of bars taken in together."""


def windows(rules: Rules, setups: Sequence[Chosen]) -> tuple[int, int]:
    """Give how many bars of ``columns`` and of ``deep`` are always kept: as far as rules and setups look back."""
    lengths = [1 + rules.looks_back, rules.usual_body_length, rules.atr_length]
    kept = max([*lengths, *(1 + chosen.setup.looks_back for chosen in setups)])
    return kept, max(rules.history, kept)


class Pool:
    """Series on one timetable under the same rules and setups.

    ``columns`` (series × COLUMNS × bars) and ``deep`` (series × DEEP × more bars) are their windows: bar t of
    ``columns`` is bar t + ``shift`` of ``deep``. ``times`` (series × 2 × bars) holds open and close
    (nanoseconds since 1970 UTC), ``state`` a STATE record a series, and ``used`` is the bar that each takes next.
    If setups are announced one bar ahead, ``before`` holds ``state`` as it was before the bars from ``start`` on.
    """

    def __init__(self, rules: Rules, setups: Sequence[Chosen], timetable: Timetable, room: int = MANY) -> None:
        """Start without series; ``room`` is how many bars one can take before its windows are moved."""
        self.rules = rules
        self.setups = tuple(setups)
        self.timetable = timetable
        self.room = room
        self.kept, self.history = windows(rules, setups)
        self.shift = self.history - self.kept
        self.numbers: list[NDArray[Any]] = [chosen.numbers.record() for chosen in self.setups]
        self.ahead = [
            (which, chosen.setup.forming.find)
            for which, chosen in enumerate(setups)
            if chosen.forming and chosen.setup.forming is not None
        ]
        """The functions that find the bars after which setups may come that are announced one bar ahead."""
        self.finds = [(which, chosen.setup.find) for which, chosen in enumerate(setups)]
        """The functions that find setups; empty it if setups are looked for elsewhere."""
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

    def add(self) -> int:
        """Give the row of a new series without bars."""
        if not self._free:
            self.reserve(max(2 * len(self.used), 1))
        row = self._free.pop()
        self.clear(row)
        return row

    def remove(self, row: int) -> None:
        """Give a row back."""
        self._free.append(row)

    def clear(self, rows: int | Integers) -> None:
        """Forget all bars of one series or several."""
        self.state[rows] = self._fresh
        self.used[rows] = self.kept
        for row in np.atleast_1d(rows).tolist() if self.spikes else ():
            self.spikes.pop(row, None)
        self.columns[rows, VOLUME, : self.kept] = np.nan  # a mean of volumes may reach to before the first bar
        self.columns[rows, ATR, self.kept - 1] = np.nan  # a look for bad ticks does

    def take(self, rows: Integers, ends: Integers, bars: Bars) -> Iterator[tuple[int, Stop]]:
        """Take in new bars of several series, and stop at each that must be examined: (number of the series, stop).

        ``rows`` are the series, each once; those of the series rows[k] are the bars ends[k−1]…ends[k]−1 of ``bars``.
        The windows around a stop stay as they are until the next one is asked for. At a leap the caller may ``clear``
        the series; then the leaping bar becomes its first. Otherwise it is taken in as it is.
        """
        if not len(bars):
            return
        times = lent(bars.open_time), lent(bars.close_time)
        prices = lent(bars.open), lent(bars.high), lent(bars.low), lent(bars.close), lent(bars.volume)
        begin, end = np.concatenate([[0], ends[:-1]]), ends
        going = np.flatnonzero(begin < end)
        opens = bars.open_time[begin[going]], bars.open_time[end[going] - 1]  # those of a series are in order
        sessions = self.sessions_between(int(opens[0].min()), int(opens[1].max()))
        while len(going):
            upto = np.minimum(end, begin + self.room)
            for first in range(0, len(going), TOGETHER):
                which = going[first : first + TOGETHER]
                taken, judged = rows[which], np.empty((len(which), kernel.JUDGED), dtype=np.int64)
                held = np.flatnonzero(self.state["held"][taken])
                if self.ahead:
                    self.before[taken] = self.state[taken]
                kernel.advance(
                    self.columns,
                    self.deep,
                    self.times,
                    self.state,
                    self.used,
                    taken,
                    begin[which],
                    upto[which],
                    prices,
                    times,
                    sessions,
                    self.rules.record,
                    self.kept,
                    judged,
                )
                if self.ahead:
                    self.start[taken] = self.used[taken] - judged[:, kernel.TAKEN]
                begin[which] += judged[:, kernel.TAKEN]
                for place, stop in self._stops(taken, judged, held):
                    yield int(which[place]), stop
                    if isinstance(stop, Leap) and self.state["count"][taken[place]]:
                        self.state["leap_seen"][taken[place]] = True
            going = going[begin[going] < end[going]]

    def sessions_between(self, first: int, last: int) -> tuple[Integers, Integers]:
        """Give the sessions around bars that open between two moments, as ``kernel.advance`` takes them."""
        if self.timetable.timeframe.intraday:
            begins, days = self.timetable.sessions_around(first, last)
            return lent(begins), lent(days)
        return lent(np.zeros(0, dtype=np.int64)), lent(np.zeros(0, dtype=np.int64))

    def _stops(self, rows: Integers, judged: Integers, held: NDArray[np.intp]) -> list[tuple[int, Stop]]:
        """Look for setups at the bars to be judged; gives all stops, by series and bar."""
        first, stop, taken, leaps = np.ascontiguousarray(judged.T)
        spiked = self._spiked(rows, stop - taken, stop)
        fits, forming = (self._found(finds, rows, first, stop) for finds in (self.finds, self.ahead))
        if not (fits or forming or spiked or len(held) or leaps.any()):
            return []
        stops: list[tuple[int, Stop]] = []
        if fits or forming or spiked:
            places = dict(zip(rows.tolist(), range(len(rows)), strict=True))
            found: dict[int, Candidates] = {}
            for row, which, hits in fits:
                found.setdefault(row, Candidates([], [])).setups.append((which, hits))
            for row, which, hits in forming:
                found.setdefault(row, Candidates([], [])).forming.append((which, hits))
            stops += [(places[row], Spiked(index)) for row, index in spiked]
            stops += [(places[row], each) for row, each in found.items()]
        for place in held.tolist():
            over = int(self.state["count"][rows[place]]) - self.rules.warm_up
            if over >= 0:
                self.state["held"][rows[place]] = False
                stops.append((place, Warm(int(stop[place]) - 1 - over)))
        stops += [(place, Leap(int(stop[place]))) for place in np.flatnonzero(leaps).tolist()]
        return sorted(stops, key=lambda each: (each[0], ORDER.index(type(each[1]))))

    def _found(
        self, finds: Sequence[tuple[int, Callable[..., int]]], rows: Integers, first: Integers, stop: Integers
    ) -> list[tuple[int, int, Integers]]:
        """Give what each of ``finds`` finds: the row of the series, the number of the setup, bars and signs."""
        bars = int(stop.sum() - first.sum()) if finds else 0
        if not bars:
            return []
        room = np.empty((2 * bars, 3), dtype=np.int64)
        fits = []
        for which, find in finds:
            count = find(self.columns, rows, first, stop, self.numbers[which], self._marks, room)
            if count:
                edges = [0, *(np.flatnonzero(np.diff(room[:count, 0])) + 1).tolist(), count]
                fits += [(int(room[a, 0]), which, room[a:b, 1:].copy()) for a, b in pairwise(edges)]
        return fits

    def _spiked(self, rows: Integers, first: Integers, stop: Integers) -> list[tuple[int, int]]:
        """Find the bars that may be bad ticks among first…stop−1, remember them, and give (row, bar) of each."""
        found = np.empty((int(stop.sum() - first.sum()), 3), dtype=np.int64)
        count = spikes.find(self.columns, rows, first, stop, self.rules.record, found) if len(found) else 0
        if not count:
            return []
        begins = dict(zip(rows.tolist(), first.tolist(), strict=True))
        for row in dict.fromkeys(found[:count, 0].tolist()):
            self._forget_spikes(row, begins[row])
        for row, index, whole in found[:count].tolist():
            series, number = self.columns[row], int(self.state["count"][row] - self.used[row]) + index
            last = float(series[CLOSE, index - 1])
            true_range = max(float(series[HIGH, index]), last) - min(float(series[LOW, index]), last)
            self.spikes.setdefault(row, []).append(Spike(number, true_range, bool(whole)))
        return [(row, index) for row, index, _ in found[:count].tolist()]

    def _forget_spikes(self, row: int, begin: int) -> None:
        """Forget the spikes that cannot affect a setup at the bar ``begin`` of the window, or at any later one."""
        number = int(self.state["count"][row] - self.used[row]) + begin
        atr, length = float(self.columns[row, ATR, begin - 1]), self.rules.atr_length
        self.spikes[row] = [
            each
            for each in self.spikes.get(row, ())
            if number - each.number <= self.history or each.makes_up(atr, number - 1 - each.number, length)
        ]
