"""The outside bar: a wide bar that goes below the low before it, the lowest of many bars, and closes above the high.

The idea, unproven: those who sold the new low are on the wrong side.

Details: «below» and «above» the bar before are strict. An equal low among the 20 bars does not count against the last
one. The stop base is the bar's low, but no further from the close than ``stop_far`` of the common rules (2 ATR at t);
beyond that it is the price at that distance.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field

from scanner.analysis.bar_sides import (
    all_hold,
    closing,
    divided,
    extent,
    highest,
    lowest,
    lowest_of,
    opening,
    stretch,
    tie,
)
from scanner.analysis.columns import ATR, CLOSE, FAST_AVERAGE, HIGH, LOW, SLOW_AVERAGE
from scanner.analysis.door import evidence
from scanner.analysis.door.searching import LONG, SHORT, searched, weighed
from scanner.analysis.door.setup import Fit, Numbers, Setup, Words
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from scanner.analysis.door.searching import Floats, Integers, Marks

RULES = ("beyond_low", "beyond_high", "close_near_end", "range", "lowest")
BEYOND_LOW, BEYOND_HIGH, CLOSE_NEAR_END, RANGE, LOWEST = range(len(RULES))
POINTS = ("went_other_way", "fresh_cross", "beyond_fast_average", "beyond_slow_average", "volume")
WENT_OTHER_WAY, FRESH_CROSS, BEYOND_FAST, BEYOND_SLOW, VOLUMES = range(len(POINTS))
OF_BAR, OF_CLOSE = range(2)
"""Which price is the stop's base."""
SIZES = (len(RULES), len(RULES))


class OutsideBarNumbers(Numbers):
    """The numbers of the outside bar."""

    ascending = (("range_min", "range_max"),)

    close_part: float = Field(
        0.25, ge=0, le=1, description="greatest distance of the close from the bar's end, as a fraction of its range"
    )
    range_min: float = Field(1.2, ge=0, description="least range of the bar, in ATR at the bar before")
    range_max: float = Field(3.0, gt=0, description="greatest range of the bar, in ATR at the bar before")
    lowest_of: int = Field(20, ge=2, le=50, description="number of bars of which it must be the extreme")
    cross_window: int = Field(10, ge=0, description="evidence: bars for which a cross of the MACD line stays fresh")


@compiled
def measure(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    """Measure every rule on the bars t−1 and t, with the ATR at t−1."""
    close, low, extent_t, atr = closing(series, t, sign), lowest(series, t, sign), extent(series, t), series[ATR, t - 1]
    equal = tie(series, t - 1, t)
    measured[BEYOND_LOW] = lowest(series, t - 1, sign) - low
    verdicts[BEYOND_LOW] = measured[BEYOND_LOW] > equal
    measured[BEYOND_HIGH] = close - highest(series, t - 1, sign)
    verdicts[BEYOND_HIGH] = measured[BEYOND_HIGH] > equal
    left = highest(series, t, sign) - close
    measured[CLOSE_NEAR_END] = divided(left, extent_t)
    verdicts[CLOSE_NEAR_END] = left <= numbers.close_part * extent_t + equal
    measured[RANGE] = divided(extent_t, atr)
    verdicts[RANGE] = numbers.range_min * atr - equal <= extent_t <= numbers.range_max * atr + equal
    measured[LOWEST] = lowest_of(series, t + 1 - numbers.lowest_of, t - 1, sign) - low
    verdicts[LOWEST] = measured[LOWEST] >= -equal
    return all_hold(verdicts, len(RULES))


@compiled
def mark(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark the bars that reach beyond both ends of the one before and close beyond one; ties are let through."""
    high_p = stretch(series, HIGH, first, stop, 1)
    low_p = stretch(series, LOW, first, stop, 1)
    highs = stretch(series, HIGH, first, stop, 0)
    lows = stretch(series, LOW, first, stop, 0)
    closes = stretch(series, CLOSE, first, stop, 0)
    close_part = numbers.close_part
    for i in range(stop - first):
        equal = 2.0 * TIE * (abs(high_p[i]) + abs(low_p[i]) + abs(highs[i]) + abs(lows[i]))
        left = close_part * (highs[i] - lows[i]) + equal
        up = max(lows[i] - low_p[i], high_p[i] - closes[i], highs[i] - closes[i] - left)
        down = max(high_p[i] - highs[i], closes[i] - low_p[i], closes[i] - lows[i] - left)
        marks[i] = (up < 0.0) * LONG | (down < 0.0) * SHORT


@compiled
def find(
    columns: Floats, rows: Integers, first: Integers, stop: Integers, numbers: Any, marks: Marks, found: Integers
) -> int:
    """Give the bars of many series at which every rule holds."""
    return searched(mark, measure, SIZES, columns, rows, first, stop, numbers, marks, found)


@compiled
def weigh_one(
    series: Floats,
    t: int,
    sign: float,
    numbers: Any,
    rules: Any,
    _measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    """Count the evidence. The stop is kept within reach; a close beyond the bar's middle spoils the setup."""
    against = opening(series, t - 1, sign) - closing(series, t - 1, sign)
    points[WENT_OTHER_WAY], held[WENT_OTHER_WAY] = against, against > 0.0
    points[FRESH_CROSS], held[FRESH_CROSS] = evidence.fresh_cross(series, t, sign, numbers.cross_window)
    points[BEYOND_FAST], held[BEYOND_FAST] = evidence.beyond_average(series, t, sign, FAST_AVERAGE)
    points[BEYOND_SLOW], held[BEYOND_SLOW] = evidence.beyond_average(series, t, sign, SLOW_AVERAGE)
    points[VOLUMES], held[VOLUMES] = evidence.volume(series, t, rules)
    low, close, most = lowest(series, t, sign), closing(series, t, sign), rules.stop_far * series[ATR, t]
    far = close - low > most + TIE * abs(low)
    levels.base_is = OF_CLOSE if far else OF_BAR
    levels.trigger, levels.base = sign * highest(series, t, sign), sign * (close - most if far else low)
    levels.beyond = (series[HIGH, t] + series[LOW, t]) / 2.0


@compiled
def weigh(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    """Measure and weigh bars; the same in every setup."""
    weighed(measure, weigh_one, columns, spots, numbers, rules, out)


def words(fit: Fit, numbers: OutsideBarNumbers) -> Words:
    """Put the rules, the points of evidence and the levels of a bar into words."""
    low, high, below = fit.word("low", "high"), fit.word("high", "low"), fit.word("below", "above")
    base = f"the outside bar's {low}"
    if fit.levels["base_is"] == OF_CLOSE:
        base = f"{fit.rules.stop_far:g} ATR from the close, since the bar's {low} is further away"
    rules = [
        ("> 0", f"how far the {low} lies {below} that of the bar before"),
        ("> 0", f"how far the close lies {fit.word('above', 'below')} the {high} of the bar before"),
        (f"<= {numbers.close_part:.4g}", f"close to the bar's {high} as a fraction of its range"),
        (f"{numbers.range_min:g} to {numbers.range_max:g}", "range in ATR of the bar before"),
        (">= 0", f"how far the {low} lies {below} that of the others among {numbers.lowest_of} bars"),
    ]
    points = {
        "went_other_way": ("> 0", f"body of the bar before, counted {fit.word('down', 'up')}"),
        "fresh_cross": evidence.fresh_cross_words(fit, FRESH_CROSS, numbers.cross_window),
        "beyond_fast_average": evidence.beyond_average_words(fit, FAST_AVERAGE),
        "beyond_slow_average": evidence.beyond_average_words(fit, SLOW_AVERAGE),
        "volume": evidence.volume_words(fit, VOLUMES),
    }
    return Words(rules, points, f"the outside bar's {high}", base, f"a close {below} the outside bar's middle")


SETUP = Setup(
    name="outside_bar",
    title="outside bar",
    summary=(
        "A wide bar that reaches a new extreme beyond the bar before, turns, and closes beyond that bar's other end. "
        "The idea, unproven: whoever followed the new extreme is on the wrong side."
    ),
    bars=(("A", "bar before"), ("B", "outside bar")),
    looks_back=49,
    numbers=OutsideBarNumbers,
    rules=RULES,
    find=find,
    measure=measure,
    weigh=weigh,
    words=words,
    points=POINTS,
)
