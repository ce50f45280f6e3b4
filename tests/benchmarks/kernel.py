"""The kernel: long series against reading memory, pandas and polars; one close of many against adding up."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.indicators import kernel
from scanner.analysis.pool import FEW, MANY, Pool
from scanner.compiling import compiled, lent
from scanner.market.bars import Bars
from scanner.trade.rulebook import Rulebook
from tests.benchmarks.measures import Measures, best
from tests.benchmarks.vectorised import with_pandas, with_polars
from tests.benchmarks.walk import random_walk
from tests.laws import all_setups, timetable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

SERIES, WALKS, KNOWN = 10_000, 40, 300
"""Series that close together, how many different ones there are among them, and the bars of each before."""
ELSEWHERE = np.ones(8_000_000)
"""Simulates work between two closes: enough to push the series out of the processor's cache."""


@compiled
def streamed(prices: Floats) -> float:
    """Read every price once."""
    opens, highs, lows, closes, volumes = prices[0], prices[1], prices[2], prices[3], prices[4]
    total = 0.0
    for i in range(len(opens)):
        total += (opens[i] + highs[i]) + (lows[i] + closes[i]) + volumes[i]
    return total


@compiled
def added_up(columns: Floats, used: Integers) -> float:
    """Add up the last bar of every series, as they lie in the windows of a pool."""
    total = 0.0
    for row in range(len(used)):
        for column in range(5):
            total += columns[row, column, used[row] - 1]
    return total


class Long:
    """One long series and its pool: the kernel and the setups alone, as a pool calls them."""

    def __init__(self, bars: Bars, rulebook: Rulebook, timeframe: str = "1m") -> None:
        self.pool = Pool(rulebook.rules, rulebook.setups, timetable(timeframe), MANY)
        self.row = self.pool.add()
        self.prices = np.array([bars.open, bars.high, bars.low, bars.close, bars.volume])
        self.columns = lent(bars.open), lent(bars.high), lent(bars.low), lent(bars.close), lent(bars.volume)
        self.times = lent(bars.open_time), lent(bars.close_time)
        self.sessions = self.pool.sessions_between(int(bars.open_time[0]), int(bars.open_time[-1]))
        self.marks = np.empty(MANY, dtype=np.uint8)
        self.found = np.empty((2 * MANY, 3), dtype=np.int64)

    def run(self) -> int:
        """Take all bars and look for every setup; gives how many were found."""
        pool, rows, judged = self.pool, np.array([self.row]), np.empty((1, kernel.JUDGED), dtype=np.int64)
        pool.clear(self.row)
        begin, count, found = np.zeros(1, dtype=np.int64), self.prices.shape[1], 0
        while begin[0] < count:
            end = np.minimum(begin + MANY, count)
            windows = (pool.columns, pool.deep, pool.times, pool.state, pool.used)
            news = (self.columns, self.times, self.sessions)
            kernel.advance(*windows, rows, begin, end, *news, pool.rules.record, pool.kept, judged)
            if judged[0, kernel.REASON]:
                pool.state["jump_seen"][self.row] = True
            first, stop = judged[:, kernel.FIRST].copy(), judged[:, kernel.END].copy()
            for chosen, numbers in zip(pool.setups, pool.numbers, strict=True):
                found += chosen.setup.find(pool.columns, rows, first, stop, numbers, self.marks, self.found)
            begin = begin + judged[:, kernel.TAKEN]
        return found


def time_long(measures: Measures) -> None:
    """Measure one long series, of fixed length: a short one would fit into the cache."""
    bars = random_walk(4_000_000)
    one, nine = Long(bars, Rulebook()), Long(bars, all_setups())
    for compiled_first in (one.run, nine.run, lambda: streamed(one.prices)):
        compiled_first()
    stream = best(lambda: streamed(one.prices), 9)
    measures.add("reading five columns from memory", one.prices.nbytes / stream / 1e9, "{:.1f} GB/s")
    for what, long, least in (("the doji pause", one, 20.0), ("all setups", nine, 8.0)):
        taken = best(long.run, 5)
        measures.add(f"kernel with {what}", len(bars) / taken / 1e6, "{:.1f} million bars/s")
        part = 100 * best(lambda: streamed(one.prices), 5) / taken
        measures.add(f"kernel with {what}, of that speed", part, "{:.1f} %", least=least)


def ours(bars: Bars) -> list[int]:
    """Find the bars that pass every rule of the doji pause except its place; negative for short."""
    pool = Pool(Rulebook().rules, Rulebook().setups, timetable("1m"), MANY)
    found = [
        sign * int(pool.times[0, 0, index])
        for stop in pool.take(np.array([pool.add()]), np.array([len(bars)]), bars)
        for _, spots in stop.setups
        for _, index, sign in spots.tolist()
    ]
    indices = np.searchsorted(bars.open_time, np.abs(found))
    return [int(index) for index in np.sign(found) * indices]


def time_vectorised(measures: Measures, scale: int) -> None:
    """Compare with two vectorised readings, which must find the same bars."""
    bars = random_walk(1_000_000 // scale)
    columns = {name: getattr(bars, name) for name in ("open", "high", "low", "close", "volume")}
    found = set(ours(bars))
    if not found or any(set(other(columns).tolist()) != found for other in (with_pandas, with_polars)):
        raise SystemExit("the three readings of the rules differ: their speed means nothing")
    alone = Long(bars, Rulebook())
    alone.run()
    taken = best(alone.run, 5)
    for what, other, least in (("pandas", with_pandas, 30.0), ("polars, one thread", with_polars, 15.0)):
        ratio = best(lambda other=other: other(columns)) / taken  # type: ignore[misc]  # bound at once
        measures.add(f"kernel with the doji pause against {what}", ratio, "{:.0f} x", least=least)


def closes_of(number: int, closes: int) -> Iterator[Bars]:
    """Give bars of many series, the first KNOWN at once and then one by one."""
    walks = [random_walk(KNOWN + closes, seed) for seed in range(WALKS)]
    edges = [0, *range(KNOWN, KNOWN + closes + 1)]
    for begin, end in pairwise(edges):
        columns = [
            np.array([column[begin:end] for column in columns])
            for columns in zip(*(walk.columns() for walk in walks), strict=True)
        ]
        yield Bars(*(np.tile(column, (number // WALKS, 1)).reshape(-1) for column in columns))


def time_closes(measures: Measures, scale: int) -> None:
    """Measure the mean of closes of many series: after every FEW of them the windows of all must be moved."""
    number = SERIES // scale
    for what, rulebook, most in (("the doji pause", Rulebook(), None), ("all setups", all_setups(), 10.0)):
        pool = Pool(rulebook.rules, rulebook.setups, timetable("1m"), FEW)
        pool.reserve(number)
        rows = np.array([pool.add() for _ in range(number)])
        taken, plain = [], []
        for bars in closes_of(number, FEW + 1):
            ends = np.arange(1, number + 1) * (len(bars) // number)
            ELSEWHERE.sum()
            taken.append(best(lambda: list(pool.take(rows, ends, bars)), 1))  # noqa: B023 - called at once
            ELSEWHERE.sum()
            plain.append(best(lambda: added_up(pool.columns, pool.used), 1))  # noqa: B023 - called at once
        one, counterpart = float(np.mean(taken[2:])), float(np.mean(plain[2:]))
        measures.add(f"a close of {number:,} series with {what}", 1e3 * one, "{:.1f} ms")
        measures.add("    against adding the new bars up", one / counterpart, "{:.0f} x", most=most)
