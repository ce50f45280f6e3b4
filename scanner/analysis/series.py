"""A series: one instrument on one timeframe, as far as its bars have closed; a row of a pool."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.columns import CLOSE, DEEP_CLOSE
from scanner.analysis.indicators.running import averages_after
from scanner.analysis.next_bar import ahead_of
from scanner.analysis.places.surrounded import look_at

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from scanner.analysis.next_bar import Ahead
    from scanner.analysis.places.surrounded import Around
    from scanner.analysis.pool import Pool, Stop
    from scanner.market.bars import Bars

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]


class Series:
    """A handle on a row of a pool; the row is given back when the series is garbage-collected."""

    __slots__ = ("pool", "row")

    def __init__(self, pool: Pool) -> None:
        self.pool = pool
        self.row = pool.add()

    def __del__(self) -> None:
        """Give the row back."""
        self.pool.remove(self.row)

    @property
    def columns(self) -> Floats:
        """The window that setups read (COLUMNS × bars)."""
        return self.pool.columns[self.row]

    @property
    def deep(self) -> Floats:
        """The longer window (DEEP × bars): bar t of ``columns`` is bar t + ``pool.shift`` of it."""
        return self.pool.deep[self.row]

    @property
    def times(self) -> NDArray[np.int64]:
        """Open and close of the window's bars (2 × bars, nanoseconds since 1970 UTC)."""
        return self.pool.times[self.row]

    @property
    def used(self) -> int:
        """The index in the window of the next bar."""
        return int(self.pool.used[self.row])

    @property
    def count(self) -> int:
        """How many bars the series has seen since it began or was last put on hold."""
        return int(self.pool.state["count"][self.row])

    @property
    def warm(self) -> bool:
        """Whether a setup may be reported."""
        return self.count >= self.pool.rules.warm_up

    def restart(self) -> None:
        """Forget all bars and hold until warm again: prices before a suspected split say nothing about later ones."""
        self.pool.clear(self.row)
        self.pool.state["held"][self.row] = True

    def take(self, bars: Bars) -> Iterator[Stop]:
        """Take in bars, oldest first, and stop while the windows hold what must be examined; see ``Pool.take``."""
        yield from self.pool.take(np.array([self.row]), np.array([len(bars)]), bars)

    def look(self, index: int, sign: int) -> Around:
        """Find the places and obstacles around a bar."""
        spots, every = np.array([[self.row, index, sign]]), np.ones(1, dtype=np.bool_)
        found = look_at(self.pool, spots, np.zeros(1, dtype=np.uint8), np.zeros(1), every)
        last = index + self.pool.shift
        first = max(last + 1 - self.pool.history, self.begin_deep)
        return found.around(0, self.pool.looking[1][first : last + 1].copy())

    def ahead(self, index: int) -> Ahead:
        """Look ahead from a bar at which the pool has stopped, if setups are announced one bar ahead."""
        pool, row, last = self.pool, self.row, index + self.pool.shift
        since = self.columns[CLOSE, pool.start[row] : index + 1]
        averages = averages_after(since, pool.before[row], pool.rules.record[0])
        closes = pool.deep[row, DEEP_CLOSE, last + 1 - pool.rules.slow_average : last + 1]
        return ahead_of(closes, averages, pool.rules)

    @property
    def begin(self) -> int:
        """The index in the window of the first bar."""
        return max(self.used - self.count, 0)

    @property
    def begin_deep(self) -> int:
        """The same in the longer window."""
        return max(self.used + self.pool.shift - self.count, 0)
