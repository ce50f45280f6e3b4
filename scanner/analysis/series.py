"""A series: one instrument on one timeframe, as far as its bars have closed; a row of a pool."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import (
    CLOSE,
    DEEP_CLOSE,
)
from scanner.analysis.indicators.running import averages_after
from scanner.analysis.next_bar import ahead_of
from scanner.analysis.places import around, structure
from scanner.analysis.places.obstacles import obstacle_words, room_for_obstacles

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from scanner.analysis.indicators.spikes import Spike
    from scanner.analysis.next_bar import Ahead
    from scanner.analysis.pool import Pool, Stop
    from scanner.analysis.rules import Rules
    from scanner.market.bars import Bars

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

NOTHING = np.zeros(0, dtype=np.uint8)


@dataclass(frozen=True, slots=True)
class Around:
    """Around a bar t in one direction: ``places`` (a PLACES record), and the obstacles ahead of its close.

    ``marks`` are the swing marks of the bars up to t, only if a single bar was examined. ``prices`` and ``kinds`` are
    those of the obstacles.
    """

    sign: int
    places: Any
    marks: NDArray[np.uint8]
    prices: Floats
    kinds: NDArray[np.uint8]
    rules: Rules

    @property
    def obstacles(self) -> tuple[tuple[float, str], ...]:
        """The obstacles as real prices with their names, nearest first."""
        told = zip(self.prices.tolist(), self.kinds.tolist(), strict=True)
        return tuple((price, obstacle_words(kind, self.sign, self.rules)) for price, kind in told)


@dataclass(frozen=True, slots=True)
class Surrounded:
    """Places and obstacles around bars: a row for each of ``spots`` (bar and sign); see ``around.look_around``."""

    spots: Integers
    places: NDArray[Any]
    near: NDArray[np.uint8]
    prices: Floats
    kinds: NDArray[np.uint8]
    counts: Integers
    rules: Rules

    def around(self, spot: int, marks: NDArray[np.uint8] = NOTHING) -> Around:
        """Give those around one spot."""
        ahead = slice(self.counts[spot])
        prices, kinds = self.prices[spot, ahead], self.kinds[spot, ahead]
        return Around(int(self.spots[spot, 1]), self.places[spot], marks, prices, kinds, self.rules)


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
        """Take in bars, oldest first, and stop at each that must be examined; see ``Pool.take``."""
        for _, stop in self.pool.take(np.array([self.row]), np.array([len(bars)]), bars):
            yield stop

    def look(self, index: int, sign: int) -> Around:
        """Find the places and obstacles around a bar."""
        found = self.look_at(np.array([[index, sign]]), np.zeros(1, dtype=np.uint8), np.zeros(1), every=True)
        last = index + self.pool.shift
        first = max(last + 1 - self.pool.history, self.begin_deep)
        return found.around(0, self.pool.looking[1][first : last + 1].copy())

    def look_at(self, spots: Integers, needed: NDArray[np.uint8], bases: Floats, *, every: bool) -> Surrounded:
        """Find the places and obstacles around several bars and signs; see ``around.look_around``."""
        pool, count = self.pool, len(spots)
        found = Surrounded(
            spots,
            np.zeros(count, dtype=structure.PLACES),
            np.empty(count, dtype=np.uint8),
            *room_for_obstacles(pool.rules, count),
            np.empty(count, dtype=np.int64),
            pool.rules,
        )
        where = (pool.columns, pool.deep, self.row, self.begin_deep, pool.history, spots, needed, bases, every)
        out = (found.places, found.near, found.prices, found.kinds, found.counts)
        around.look_around(*where, pool.rules.record, *out, *pool.looking)
        return found

    def look_again(self, index: int, sign: int, rules: NDArray[Any]) -> NDArray[Any]:
        """Find the places around a bar under several other RULES with the same lengths; returns PLACES for each."""
        pool, found = self.pool, np.zeros(len(rules), dtype=structure.PLACES)
        where = (pool.columns, pool.deep, self.row, self.begin_deep, pool.history, index, float(sign), rules)
        around.look_again(*where, found, *pool.looking)
        return found

    def ahead(self, index: int) -> Ahead:
        """Look ahead from a bar at which the pool has stopped, if setups are announced one bar ahead."""
        pool, row, last = self.pool, self.row, index + self.pool.shift
        since = self.columns[CLOSE, pool.start[row] : index + 1]
        averages = averages_after(since, pool.before[row], pool.rules.record[0])
        closes = pool.deep[row, DEEP_CLOSE, last + 1 - pool.rules.slow_average : last + 1]
        return ahead_of(closes, averages, pool.rules)

    @property
    def has_spikes(self) -> bool:
        """Whether there are suspected bad ticks."""
        return bool(self.pool.spikes.get(self.row))

    def spikes_by(self, index: int) -> Iterator[tuple[int, Spike]]:
        """Give the suspected bad ticks up to a bar, the last one first, each with its distance in bars."""
        spikes = self.pool.spikes.get(self.row)
        if spikes:
            number = index - self.used + self.count
            yield from ((number - each.number, each) for each in reversed(spikes) if each.number <= number)

    @property
    def begin(self) -> int:
        """The index in the window of the first bar."""
        return max(self.used - self.count, 0)

    @property
    def begin_deep(self) -> int:
        """The same in the longer window."""
        return max(self.used + self.pool.shift - self.count, 0)
