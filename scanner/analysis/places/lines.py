"""Lines: a rising line through two swing lows to which prices pulled back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import DEEP_CLOSE, DEEP_HIGH, DEEP_LOW, SWING_HIGH, SWING_LOW
from scanner.analysis.places.lacks import AGAINST, AWAY, DEPTH, LAST_POINT, SLOPE, TOUCHES
from scanner.analysis.rules import STRICT
from scanner.compiling import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Marks = NDArray[np.uint8]


@compiled
def swing_lows(deep: Floats, marks: Marks, first: int, stop: int, sign: float, room: Floats) -> int:
    """Put prices and bars of the swing lows among the bars first…stop−1 into ``room``; returns how many."""
    bit = SWING_LOW if sign > 0 else SWING_HIGH
    lows = deep[DEEP_LOW] if sign > 0 else deep[DEEP_HIGH]
    count = 0
    for j in range(first, stop):
        if marks[j] & bit:
            room[0, count], room[1, count] = sign * lows[j], j
            count += 1
    return count


@compiled
def greatest_above(values: Floats, first: int, stop: int, sign: float, i: int, price: float, slope: float) -> float:
    """Give how far the bars first…stop−1 reach above the line through ``price`` at bar ``i``; −inf without any."""
    greatest = -np.inf
    for m in range(first, stop):
        greatest = max(greatest, sign * values[m] - (price + slope * (m - i)))
    return greatest


@compiled
def find_line(
    deep: Floats,
    points: Floats,
    count: int,
    last: int,
    sign: float,
    rules: Any,
    atr: float,
    tie: float,
    out: Any,
) -> None:
    """Find the best line at bar ``last`` of ``deep`` and put it into the PLACES record ``out``.

    ``points`` are prices and bars of the ``count`` swing lows before the bottom, in order of time. The best has the
    most touches, then the longest span, then the earliest start. If no line holds, it is the best of those that lack
    something.
    """
    highs, lows = (deep[DEEP_HIGH], deep[DEEP_LOW]) if sign > 0 else (deep[DEEP_LOW], deep[DEEP_HIGH])
    prices, bars = points[0], points[1]
    strict = rules.place_quality == STRICT
    gap = rules.line_gap if strict else rules.plain_line_gap
    margin = rules.line_tolerance * atr + tie
    p, bottom = last - out.bottom, out.bottom_price
    best_touches, best_span = 0, 0
    for a in range(count):
        for b in range(a + 1, count):
            i, j = int(bars[a]), int(bars[b])
            span, rise = j - i, prices[b] - prices[a]
            if span < gap or not rise > 0.0:
                continue
            slope = rise / span
            at_bottom = prices[a] + slope * (p - i)
            if abs(bottom - at_bottom) > out.tolerance + tie:
                continue
            touches = 0
            for m in range(a, count):
                touches += abs(prices[m] - (prices[a] + slope * (bars[m] - i))) <= margin
            better = touches > best_touches or (touches == best_touches and span > best_span)
            if out.line and not better:
                continue
            # Seen from below, what lies under the line lies above it.
            if greatest_above(deep[DEEP_CLOSE], i, last + 1, -sign, i, -prices[a], -slope) > margin:
                continue
            depth = greatest_above(lows, i, last + 1, -sign, i, -prices[a], -slope)
            away = greatest_above(highs, j + 1, p, sign, i, prices[a], slope)
            lacks = 0
            if strict:
                least, most = rules.line_slope_min * atr * span, rules.line_slope_max * atr * span
                lacks = (
                    LAST_POINT * (p - j < rules.line_last_gap)
                    | SLOPE * (rise < least - tie or rise > most + tie)
                    | DEPTH * (depth > rules.line_depth * atr + tie)
                    | TOUCHES * (touches < rules.line_touches and span < rules.line_long)
                    | AWAY * (away < rules.line_away * atr - tie)
                    | AGAINST * (out.trend < 0)
                )
            holds = lacks == 0
            if (holds and not out.line) or (holds == out.line and better):
                best_touches, best_span = touches, span
                out.line, out.line_lacks, out.line_touches = holds, lacks, touches
                out.line_from, out.line_to = last - i, last - j
                out.line_price, out.line_slope = at_bottom, slope
                out.line_depth, out.line_away = depth, away
