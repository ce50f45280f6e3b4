"""Swing points: marked on the bars of a slice as soon as enough later bars have confirmed them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.analysis.columns import FAR_HIGH, FAR_LOW, SWING_HIGH, SWING_LOW
from scanner.analysis.indicators.stretches import highest_of_each, lowest_of_each
from scanner.compiling import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Marks = NDArray[np.uint8]


FEW = 16
"""Up to this many bars are examined one by one."""


@compiled
def _mark(
    low: Floats, high: Floats, lowest: Floats, highest: Floats, strength: int, bits: tuple[int, int], marks: Marks
) -> None:
    """Set the bits of swing low and swing high; ``lowest`` and ``highest`` begin ``strength`` bars before the bars."""
    low_bit, high_bit = bits
    lowest_after, highest_after = lowest[strength + 1 :], highest[strength + 1 :]
    for j in range(len(marks)):
        is_low = (low[j] < lowest[j]) & (low[j] <= lowest_after[j])
        is_high = (high[j] > highest[j]) & (high[j] >= highest_after[j])
        marks[j] |= np.uint8(low_bit * is_low | high_bit * is_high)


@compiled
def _is_lowest(values: Floats, j: int, sign: float, strength: int) -> bool:
    """Say whether bar ``j`` is a swing low of ``values``, or with a ``sign`` of −1 a swing high."""
    value, k = sign * values[j], 1
    while k <= strength and value < sign * values[j - k] and value <= sign * values[j + k]:
        k += 1
    return k > strength


@compiled
def mark_swings(
    lows: Floats,
    highs: Floats,
    marks: Marks,
    begin: int,
    start: int,
    stop: int,
    strengths: tuple[int, int],
    spare: Floats,
) -> None:
    """Mark the bars that the bars start…stop−1 confirm as swing points.

    A swing low is below each of the ``strength`` lows before it and not above any of those after it; mirrored for a
    swing high. It exists only once the last of those bars has closed. ``strengths`` are those of a swing point and of a
    far one, which is no smaller. Bars before ``begin`` do not exist. ``spare`` is working space: 4 rows, as long as
    the bars to take in and twice the greater strength.
    """
    marks[start:stop] = 0
    near, far = strengths
    if stop - start < FEW:
        for j in range(max(start - near, begin + near), stop - near):
            marks[j] |= SWING_LOW * _is_lowest(lows, j, 1.0, near) | SWING_HIGH * _is_lowest(highs, j, -1.0, near)
        for j in range(max(start - far, begin + far), stop - far):
            marks[j] |= FAR_LOW * _is_lowest(lows, j, 1.0, far) | FAR_HIGH * _is_lowest(highs, j, -1.0, far)
        return
    base = max(start - 2 * far, begin)
    lowest, highest = lows[base:stop], highs[base:stop]
    width, row = 1, 0
    for which in range(2):
        strength = strengths[which]
        first, last = max(start - strength, begin + strength), stop - strength
        if first >= last:
            return
        lowest, _ = lowest_of_each(lowest, width, strength, spare[0:2], row)
        highest, row = highest_of_each(highest, width, strength, spare[2:4], row)
        before, width = first - strength - base, strength
        bits = (SWING_LOW, SWING_HIGH) if which == 0 else (FAR_LOW, FAR_HIGH)
        _mark(lows[first:last], highs[first:last], lowest[before:], highest[before:], strength, bits, marks[first:last])
