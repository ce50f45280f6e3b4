"""Structure: the places around one bar, looked for only where a setup needs one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import DEEP_HIGH, DEEP_LOW
from scanner.analysis.places.averages import find_average
from scanner.analysis.places.levels import find_level
from scanner.analysis.places.lines import find_line, swing_lows
from scanner.analysis.places.turns import find_turn
from scanner.analysis.rules import STRICT, TIE
from scanner.analysis.trend import trend
from scanner.compiling import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules

PLACES = np.dtype(
    [
        ("bottom", np.int64),  # p, the bar that ended the pullback, and its price P
        ("bottom_price", np.float64),
        ("tolerance", np.float64),  # in price, like everything with no other unit given
        ("trend", np.int64),  # +1 with the setup's side, −1 against it, 0 mixed
        ("line", np.bool_),
        ("line_lacks", np.int64),  # bits of what it lacks in the strict reading
        ("line_from", np.int64),  # the two swing points i < j
        ("line_to", np.int64),
        ("line_price", np.float64),  # at p
        ("line_slope", np.float64),  # a bar
        ("line_touches", np.int64),
        ("line_depth", np.float64),  # how far the lows since i reach below it at most
        ("line_away", np.float64),  # how far the highs between j and p reach above it at most
        ("average", np.bool_),
        ("average_lacks", np.int64),
        ("average_length", np.int64),
        ("average_price", np.float64),  # at p
        ("average_rise", np.float64),
        ("average_away", np.float64),  # how far the highs before p reach above it at most
        ("level", np.bool_),
        ("level_lacks", np.int64),
        ("level_points", np.int64),
        ("level_from", np.int64),  # the first and the last of its points
        ("level_to", np.int64),
        ("level_price", np.float64),  # mean of the points near P
        ("level_away", np.float64),  # how far the highs between the last point and p reach above P at most
        ("turn", np.bool_),
        ("turn_lowest", np.bool_),
        ("turn_depth", np.float64),  # highest high of the window up to p, less P
    ],
)
"""What ``look`` finds around a bar t. Bars are counted back from t; 0 and NaN if there is none.

Prices and the slope are real; distances are those of the long side.
"""


def room_to_look(rules: Rules) -> NDArray[np.float64]:
    """Make the working space of ``look``: prices and bars of swing lows."""
    return np.empty((2, rules.place_span + 1))


@compiled
def pullback_end(deep: NDArray[np.float64], last: int, begin: int, sign: float, window: int) -> int:
    """Give the bar that ended the pullback by bar ``last``: the earliest of the lowest lows; mirrored for a short."""
    lows = deep[DEEP_LOW] if sign > 0 else deep[DEEP_HIGH]
    p = last
    for m in range(last - 1, max(last - window, begin - 1), -1):
        if sign * lows[m] <= sign * lows[p]:
            p = m
    return p


@compiled
def look(
    deep: NDArray[np.float64],
    marks: NDArray[np.uint8],
    series: NDArray[np.float64],
    t: int,
    shift: int,
    begin: int,
    sign: float,
    rules_of_one: NDArray[Any],
    atr: float,
    out_of_one: NDArray[Any],
    room: NDArray[np.float64],
) -> None:
    """Look at every place around bar ``t`` and fill the PLACES record ``out_of_one``; ``atr`` is that at t.

    ``series`` (COLUMNS × bars) holds bar t and at least ``rules.looks_back`` before it, or all there are. In ``deep``
    (DEEP × bars), and in ``marks`` beside it, the same bar is at t + shift; bars before ``begin`` there do not exist.
    ``room`` is what ``room_to_look`` makes. Only bars up to t are read, and swing points that these have confirmed.
    """
    rules, out = rules_of_one[0], out_of_one[0]
    lows = deep[DEEP_LOW] if sign > 0 else deep[DEEP_HIGH]
    last = t + shift
    first, first_of_series = max(last - rules.place_span, begin), max(begin - shift, 0)

    tie = 0.0
    for m in range(first, last + 1):
        tie = max(tie, TIE * abs(deep[DEEP_LOW, m]), TIE * abs(deep[DEEP_HIGH, m]))

    p = pullback_end(deep, last, begin, sign, rules.pullback_window)
    out.bottom, out.bottom_price = last - p, sign * lows[p]
    out.trend = trend(series, t, sign, rules.average_rise) if t - rules.average_rise >= first_of_series else 0
    out.tolerance = (rules.place_tolerance if rules.place_quality == STRICT else rules.plain_tolerance) * atr

    out.line, out.line_lacks, out.line_from, out.line_to, out.line_touches = False, 0, 0, 0, 0
    out.line_price, out.line_slope, out.line_depth, out.line_away = np.nan, np.nan, np.nan, np.nan
    points = swing_lows(deep, marks, first, p - rules.swing_strength + 1, sign, room)
    find_line(deep, room, points, last, sign, rules, atr, tie, out)

    out.average, out.average_lacks, out.average_length = False, 0, 0
    out.average_price, out.average_rise, out.average_away = np.nan, np.nan, np.nan
    find_average(series, t, first_of_series, sign, rules, atr, tie, out)

    out.level, out.level_lacks, out.level_from, out.level_to = False, 0, 0, 0
    out.level_price, out.level_away = np.nan, np.nan
    find_level(deep, marks, first, last, sign, rules, atr, tie, out)

    find_turn(deep, begin, last, sign, rules, atr, tie, out)
    out.bottom_price *= sign
    out.line_price *= sign
    out.line_slope *= sign
    out.average_price *= sign
    out.level_price *= sign
