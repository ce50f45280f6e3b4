"""Swing points: marked on the bars of a slice as soon as enough later bars have shown them to be some."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from scanner.analysis.columns import SWING_HIGH, SWING_LOW

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


# These loops run over views from zero on: only then does the compiler know that no index is negative, and puts several
# bars into one instruction.


@njit(cache=True, error_model="numpy")
def _lowest(values: Floats, length: int, out: Floats) -> None:
    """Give the lowest of each value and those after it, ``length`` in all."""
    later = values[min(length - 1, 1) :]
    for i in range(len(out)):
        out[i] = min(values[i], later[i])
    for m in range(2, length):
        later = values[m:]
        for i in range(len(out)):
            out[i] = min(out[i], later[i])


@njit(cache=True, error_model="numpy")
def _highest(values: Floats, length: int, out: Floats) -> None:
    """Give the highest of each value and those after it, ``length`` in all."""
    later = values[min(length - 1, 1) :]
    for i in range(len(out)):
        out[i] = max(values[i], later[i])
    for m in range(2, length):
        later = values[m:]
        for i in range(len(out)):
            out[i] = max(out[i], later[i])


@njit(cache=True, error_model="numpy")
def mark_swings(
    lows: Floats,
    highs: Floats,
    swings: NDArray[np.uint8],
    start: int,
    stop: int,
    strength: int,
    spare: tuple[Floats, Floats],
) -> None:
    """Mark the bars that the bars start…stop−1 confirm as swing points.

    A swing low is below each of the ``strength`` lows before it and not above any of those after it; mirrored
    for a swing high. It exists only once the last of those bars has closed.
    """
    for j in range(start, stop):
        swings[j] = 0
    first, last = max(start - strength, strength), stop - strength
    if first >= last:
        return
    marks, low, high = swings[first:last], lows[first:last], highs[first:last]
    lowest, highest = spare[0][: last - first + strength + 1], spare[1][: last - first + strength + 1]
    _lowest(lows[first - strength : last + strength], strength, lowest)
    _highest(highs[first - strength : last + strength], strength, highest)
    lowest_after, highest_after = lowest[strength + 1 :], highest[strength + 1 :]
    for j in range(len(marks)):
        is_low = (low[j] < lowest[j]) & (low[j] <= lowest_after[j])
        is_high = (high[j] > highest[j]) & (high[j] >= highest_after[j])
        marks[j] = np.uint8(SWING_LOW * is_low | SWING_HIGH * is_high)
