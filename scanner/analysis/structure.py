"""Structure: swing lines, levels, averages and turns around one bar, looked at only where a setup needs a place.

All functions take a ``sign``: +1 for long, and −1 for short, which is the long side on reflected prices.
Times are column indices; a NaN or −1 in a result means that there is none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numba import njit

from scanner.analysis.columns import CLOSE, FAST_AVERAGE, HIGH, LOW, SLOW_AVERAGE, SWING_HIGH, SWING_LOW
from scanner.analysis.rules import TIE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules

POINTS_OF_A_LEVEL = 2

PLACES = np.dtype(
    [
        ("bottom", np.int64),  # p, the bar that ended the pullback, and its price P
        ("bottom_price", np.float64),
        ("tolerance", np.float64),
        ("line", np.bool_),
        ("line_from", np.int64),  # the two swing points i < j
        ("line_to", np.int64),
        ("line_price", np.float64),  # at p
        ("line_touches", np.int64),
        ("average", np.bool_),
        ("average_length", np.int64),
        ("average_price", np.float64),  # of the nearest rising average, at p
        ("level", np.bool_),
        ("level_points", np.int64),
        ("level_price", np.float64),  # mean of the points near P
        ("turn", np.bool_),
        ("turn_lowest", np.bool_),
        ("turn_depth", np.float64),  # highest high of the window up to p, less P
        ("obstacle", np.float64),  # nearest level or slow average ahead of the close
        ("obstacle_is_average", np.bool_),
    ],
)
"""What ``look`` finds around a bar."""


@njit(cache=True, error_model="numpy")
def _find_line(
    prices: NDArray[np.float64],
    bars: NDArray[np.float64],
    points: np.int64,
    closes: NDArray[np.float64],
    t: int,
    sign: float,
    rules: Any,
    atr: float,
    tie: float,
    out: Any,
) -> None:
    """Find the best rising line through two swing lows, whose prices and bars these are."""
    margin = rules.line_tolerance * atr + tie
    p, bottom = out.bottom, out.bottom_price
    best_touches, best_span = 0, 0
    for a in range(points):
        for b in range(a + 1, points):
            i, span = bars[a], bars[b] - bars[a]
            if span < rules.line_gap or not prices[b] > prices[a]:
                continue
            slope = (prices[b] - prices[a]) / span
            at_bottom = prices[a] + slope * (p - i)
            if abs(bottom - at_bottom) > out.tolerance + tie:
                continue
            touches = 0
            for m in range(a, points):
                if abs(prices[m] - (prices[a] + slope * (bars[m] - i))) <= margin:
                    touches += 1
            # Most touches, then the longest span, then the earliest start, which comes first here.
            if touches < best_touches or (touches == best_touches and span <= best_span):
                continue
            pierced = False
            for m in range(int(i), t + 1):
                if sign * closes[m] < prices[a] + slope * (m - i) - margin:
                    pierced = True
                    break
            if pierced:
                continue
            best_touches, best_span = touches, span
            out.line = True
            out.line_from, out.line_to = int(i), int(bars[b])
            out.line_price, out.line_touches = at_bottom, touches


@njit(cache=True, error_model="numpy")
def _find_average(columns: NDArray[np.float64], t: int, sign: float, rules: Any, tie: float, out: Any) -> None:
    """Find the rising average nearest to the bottom."""
    lengths = (rules.fast_average, rules.slow_average)
    nearest = np.inf
    for which in range(2):
        averages = columns[FAST_AVERAGE + which]
        if t < rules.average_rise or not sign * averages[t] > sign * averages[t - rules.average_rise] + tie:
            continue  # not rising, or not ready (NaN)
        price = sign * averages[out.bottom]
        distance = abs(out.bottom_price - price)
        if distance < nearest - tie:
            nearest = distance
            out.average = distance <= out.tolerance + tie
            out.average_length, out.average_price = lengths[which], price


@njit(cache=True, error_model="numpy")
def _find_obstacle(
    prices: NDArray[np.float64],
    points: np.int64,
    close: float,
    slow_average: float,
    tolerance: float,
    tie: float,
    out: Any,
) -> None:
    """Find the lowest swing point beyond the close that has a companion near it, or the slow average if nearer."""
    lowest = np.inf
    for a in range(points):
        if prices[a] > close and prices[a] < lowest:
            for b in range(points):
                if b != a and abs(prices[b] - prices[a]) <= tolerance + tie:
                    lowest = prices[a]
                    break
    out.obstacle_is_average = close < slow_average - tie and slow_average < lowest
    out.obstacle = slow_average if out.obstacle_is_average else (lowest if lowest < np.inf else np.nan)


def room_to_look(rules: Rules) -> NDArray[np.float64]:
    """Make the room that ``look`` works in: a bar may be a swing low and a swing high."""
    return np.empty((3, 2 * (rules.place_span + 1)))


@njit(cache=True, error_model="numpy")
def look(
    columns: NDArray[np.float64],
    swings: NDArray[np.uint8],
    t: int,
    sign: float,
    rules_of_one: NDArray[Any],
    atr: float,
    out_of_one: NDArray[Any],
    room: NDArray[np.float64],
) -> None:
    """Look at every place around bar ``t`` and fill the PLACES record ``out_of_one``; ``atr`` is that at t.

    ``room`` is what ``room_to_look`` makes.

    Prices in the record are real ones, not reflected. Only bars up to t are read, and only swing points that
    the bars up to t have confirmed.
    """
    rules, out = rules_of_one[0], out_of_one[0]
    lows = columns[LOW] if sign > 0 else columns[HIGH]
    highs = columns[HIGH] if sign > 0 else columns[LOW]
    closes = columns[CLOSE]

    tie = 0.0
    first = max(t - rules.place_span, 0)
    for m in range(first, t + 1):
        tie = max(tie, TIE * max(abs(lows[m]), abs(highs[m])))

    p = t
    for m in range(t - 1, max(t - rules.pullback_window, -1), -1):
        if sign * lows[m] <= sign * lows[p]:
            p = m
    bottom = sign * lows[p]
    tolerance = rules.place_tolerance * atr
    out.bottom, out.bottom_price, out.tolerance = p, bottom, tolerance

    out.line, out.line_from, out.line_to, out.line_price, out.line_touches = False, -1, -1, np.nan, 0
    out.average, out.average_length, out.average_price = False, 0, np.nan
    # Swing points in order of time: ``points`` of them in all, ``low_points`` of which are lows before the bottom.
    prices, low_prices, low_bars = room[0], room[1], room[2]
    points, low_points = np.int64(0), np.int64(0)  # a plain 0 would be a type of its own to the compiler
    near, near_sum = 0, 0.0
    low_bit = SWING_LOW if sign > 0 else SWING_HIGH
    for j in range(first, t - rules.swing_strength + 1):
        for bit in range(SWING_LOW, SWING_HIGH + 1):
            if swings[j] & bit:
                price = sign * (columns[LOW, j] if bit == SWING_LOW else columns[HIGH, j])
                prices[points] = price
                points += 1
                if j <= p - rules.swing_strength:
                    if abs(price - bottom) <= tolerance + tie:
                        near, near_sum = near + 1, near_sum + price
                    if bit == low_bit:
                        low_prices[low_points], low_bars[low_points] = price, j
                        low_points += 1
    _find_line(low_prices, low_bars, low_points, closes, t, sign, rules, atr, tie, out)
    _find_average(columns, t, sign, rules, tie, out)
    out.level_points, out.level = near, near >= POINTS_OF_A_LEVEL
    out.level_price = near_sum / near if near > 0 else np.nan

    window = max(t - rules.turn_window + 1, 0)
    out.turn_lowest = True
    highest = -np.inf
    for m in range(window, t + 1):
        if sign * lows[m] < bottom:
            out.turn_lowest = False
        if m <= p:
            highest = max(highest, sign * highs[m])
    out.turn_depth = highest - bottom
    out.turn = out.turn_lowest and out.turn_depth >= rules.turn_depth * atr - tie

    _find_obstacle(prices, points, sign * closes[t], sign * columns[SLOW_AVERAGE, t], tolerance, tie, out)
    out.bottom_price *= sign
    out.line_price *= sign
    out.average_price *= sign
    out.level_price *= sign
    out.obstacle *= sign
