"""The windows of a series: how bars are written into them, and how the oldest are dropped.

``series`` (COLUMNS × bars), ``deep`` (DEEP × more bars) and ``times`` (2 × bars) are those of one series; bar t of
``series`` and ``times`` is bar t + shift of ``deep``, which is longer by shift.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from scanner.analysis.columns import CLOSE, DEEP_CLOSE, DEEP_HIGH, DEEP_LOW, HIGH, LOW, OPEN, VOLUME
from scanner.analysis.indicators.arrays import copy, copy_twice
from scanner.compiling import compiled, inlined, prefetch

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Prices = tuple[Floats, Floats, Floats, Floats, Floats]
    """Open, high, low, close and volume of new bars."""
    Times = tuple[Integers, Integers]
    """Open and close of new bars."""

PLACE = 8
"""Values of one cache line."""


@compiled
def write_bars(
    series: Floats, deep: Floats, times: Integers, t: int, bars: int, prices: Prices, bar_times: Times, i: int
) -> None:
    """Write the bars i…i+bars−1 of ``prices`` and ``bar_times`` from bar t on."""
    at = t + deep.shape[1] - series.shape[1]
    for column in (OPEN, VOLUME):
        copy(prices[column][i : i + bars], series[column, t : t + bars])
    for column, in_deep in ((HIGH, DEEP_HIGH), (LOW, DEEP_LOW), (CLOSE, DEEP_CLOSE)):
        copy_twice(prices[column][i : i + bars], series[column, t : t + bars], deep[in_deep, at : at + bars])
    for which in range(2):
        copy(bar_times[which][i : i + bars], times[which, t : t + bars])


@inlined
def prefetch_bars(prices: Prices, bar_times: Times, i: int) -> None:
    """Begin to read bar i and those beside it from memory, a cache line of each column; there need be no such bar."""
    for column in prices:
        prefetch(column, i)
    for moments in bar_times:
        prefetch(moments, i)


@compiled
def write_bar(series: Floats, deep: Floats, times: Integers, t: int, prices: Prices, bar_times: Times, i: int) -> None:
    """Write one bar."""
    at = t + deep.shape[1] - series.shape[1]
    for column in range(OPEN, VOLUME + 1):
        series[column, t] = prices[column][i]
    deep[DEEP_HIGH, at], deep[DEEP_LOW, at], deep[DEEP_CLOSE, at] = prices[HIGH][i], prices[LOW][i], prices[CLOSE][i]
    times[0, t], times[1, t] = bar_times[0][i], bar_times[1][i]


@compiled
def make_room(series: Floats, deep: Floats, times: Integers, gone: int, kept: int) -> None:
    """Drop the oldest ``gone`` bars, and move the ``kept`` ones to the beginning."""
    for c in range(series.shape[0]):
        for i in range(kept):
            series[c, i] = series[c, i + gone]
    for c in range(deep.shape[0]):
        for i in range(kept + deep.shape[1] - series.shape[1]):
            deep[c, i] = deep[c, i + gone]
    for c in range(times.shape[0]):
        for i in range(kept):
            times[c, i] = times[c, i + gone]


@compiled
def prefetch_series(
    columns: Floats, deep: Floats, times: Integers, state: NDArray[Any], used: Integers, row: int, rules: Any
) -> None:
    """Begin to read from wherever the next bar of a series will be computed from: ten thousand exceed the cache.

    The arrays are those of all series, as ``kernel.advance`` takes them.
    """
    series, deep_series, t = columns[row], deep[row], used[row]
    at = t + deep.shape[2] - columns.shape[2]
    prefetch(state, row)
    prefetch(state, row + 1)  # records do not begin where cache lines do
    for c in range(len(series)):
        prefetch(series[c], t)
    for c in range(len(deep_series)):
        prefetch(deep_series[c], at)
    prefetch(deep_series[DEEP_CLOSE], at - rules.fast_average)
    prefetch(deep_series[DEEP_CLOSE], at - rules.slow_average)
    for i in range(t - rules.usual_body_length, t, PLACE):
        prefetch(series[OPEN], i)
        prefetch(series[CLOSE], i)
    prefetch(times[row, 0], t)
    prefetch(times[row, 1], t)
