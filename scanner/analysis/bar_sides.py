"""A bar as one side of the market sees it: a short setup is a long one on reflected prices.

``series`` is the window of one series (COLUMNS × bars), ``i`` a bar in it, ``sign`` +1 for long and −1 for short.
Reflected, a price is negative and high and low change places, so that each rule is written once, for the long side.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from scanner.analysis.columns import CLOSE, CROSS, FAST_AVERAGE, HIGH, LOW, OPEN, SLOW_AVERAGE
from scanner.analysis.rules import TIE
from scanner.compiling import inlined

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Marks = NDArray[np.uint8]


@inlined
def opening(series: Floats, i: int, sign: float) -> float:
    """Open of bar ``i``."""
    return sign * series[OPEN, i]


@inlined
def closing(series: Floats, i: int, sign: float) -> float:
    """Close of bar ``i``."""
    return sign * series[CLOSE, i]


@inlined
def highest(series: Floats, i: int, sign: float) -> float:
    """High of bar ``i``."""
    return sign * series[HIGH if sign > 0 else LOW, i]


@inlined
def lowest(series: Floats, i: int, sign: float) -> float:
    """Low of bar ``i``."""
    return sign * series[LOW if sign > 0 else HIGH, i]


@inlined
def extent(series: Floats, i: int) -> float:
    """Range of bar ``i``, high less low."""
    return series[HIGH, i] - series[LOW, i]


@inlined
def body(series: Floats, i: int) -> float:
    """Body of bar ``i``, without its sign."""
    return abs(series[CLOSE, i] - series[OPEN, i])


@inlined
def since_cross(series: Floats, i: int, sign: float) -> float:
    """Bars since the MACD line crossed its signal toward this side; NaN while it is not beyond it, or saw no cross."""
    bars = sign * series[CROSS, i]
    return bars - 1.0 if bars > 0.0 else float("nan")


@inlined
def divided(part: float, whole: float) -> float:
    """Divide; NaN instead of division by zero."""
    return part / whole if whole != 0.0 else float("nan")


@inlined
def tie(series: Floats, first: int, last: int) -> float:
    """Give the difference below which two prices of the bars ``first`` to ``last`` are equal."""
    greatest = 0.0
    for i in range(first, last + 1):
        greatest = max(greatest, abs(series[HIGH, i]), abs(series[LOW, i]))
    return TIE * greatest


@inlined
def lowest_of(series: Floats, first: int, last: int, sign: float) -> float:
    """Lowest low of the bars ``first`` to ``last``; infinite if there are none."""
    lows, low = series[LOW if sign > 0 else HIGH, first : last + 1], float("inf")
    for i in range(len(lows)):
        low = min(low, sign * lows[i])
    return low


@inlined
def highest_of(series: Floats, first: int, last: int, sign: float) -> float:
    """Highest high of the bars ``first`` to ``last``; minus infinity if there are none."""
    highs, high = series[HIGH if sign > 0 else LOW, first : last + 1], -float("inf")
    for i in range(len(highs)):
        high = max(high, sign * highs[i])
    return high


@inlined
def trend_margin(series: Floats, t: int, sign: float, rise: int) -> float:
    """Give the distance of prices from losing their trend at bar ``t``; positive if there is a trend.

    A trend is a close above the fast average, which is above the slow one and higher than ``rise`` bars earlier; this
    gives the smallest of the three distances.
    """
    fast, slow = sign * series[FAST_AVERAGE, t], sign * series[SLOW_AVERAGE, t]
    return min(closing(series, t, sign) - fast, fast - slow, fast - sign * series[FAST_AVERAGE, t - rise])


@inlined
def all_hold(verdicts: Marks, rules: int) -> bool:
    """Whether each of the first ``rules`` verdicts holds."""
    held = True
    for k in range(rules):
        held &= verdicts[k] != 0
    return held


@inlined
def stretch(series: Floats, column: int, first: int, stop: int, back: int) -> Floats:
    """Give the values of a column ``back`` bars before each of the bars first…stop−1, for loops over many bars.

    The view is contiguous and starts at zero: only then does the compiler know that no index is negative, and takes
    several bars at once.
    """
    return series[column, first - back : stop - back]
