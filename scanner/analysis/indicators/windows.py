"""The windows of a series: how bars are written into them, and how the oldest are dropped.

``series`` (COLUMNS × bars), ``deep`` (DEEP × more bars) and ``times`` (2 × bars) are those of one series; bar t of
``series`` and ``times`` is bar t + shift of ``deep``, which is longer by shift.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from scanner.analysis.columns import CLOSE, DEEP_CLOSE, DEEP_HIGH, DEEP_LOW, HIGH, LOW, OPEN, VOLUME
from scanner.analysis.indicators.running import copy
from scanner.compiling import compiled

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
    for column in range(OPEN, VOLUME + 1):
        copy(prices[column][i : i + bars], series[column, t : t + bars])
    for column in range(DEEP_HIGH, DEEP_CLOSE + 1):
        copy(series[column - DEEP_HIGH + HIGH, t : t + bars], deep[column, at : at + bars])
    for which in range(2):
        copy(bar_times[which][i : i + bars], times[which, t : t + bars])


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
def fetch(series: Floats, deep: Floats, times: Integers, state: Any, t: int, looked_back: int) -> float:
    """Read from wherever bar t will be computed from, so that memory is already on its way by then.

    Ten thousand series do not fit into the cache. The result means nothing, but must be used.
    """
    t = min(t, series.shape[1] - 1)
    at, total = t + deep.shape[1] - series.shape[1], float(state.count + state.session)
    for c in range(series.shape[0]):
        total += series[c, t]
    for c in range(deep.shape[0]):
        total += deep[c, at]
    for i in range(at - looked_back, at, PLACE):
        total += deep[DEEP_CLOSE, i]
    return total + times[0, t] + times[1, t]
