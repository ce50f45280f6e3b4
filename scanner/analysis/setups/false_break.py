"""The false break: a bar goes a little below an old low and closes back above it.

The idea, unproven: those who sold the break are on the wrong side, and the stops below the low have been taken.

Details: the old low is the lowest of the 20 bars before t, the earliest of equal lows; its age is the number of bars
after it, including t. Its distance is compared with the ATR at t; an equal low is not a break.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field

from scanner.analysis.bar_sides import all_hold, closing, divided, extent, highest, lowest, stretch, tie
from scanner.analysis.columns import ATR, CLOSE, FAST_AVERAGE, HIGH, LOW, SLOW_AVERAGE
from scanner.analysis.door import evidence
from scanner.analysis.door.searching import LONG, SHORT, searched, weighed
from scanner.analysis.door.setup import Fit, Numbers, Setup, Words
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from scanner.analysis.door.searching import Floats, Integers, Marks

RULES = ("depth", "old", "back_inside", "close_near_end")
DEPTH, OLD, BACK_INSIDE, CLOSE_NEAR_END = range(len(RULES))
OLD_LOW = len(RULES)
"""Index of the price of the old low (for a short, the old high) in ``measured``."""
POINTS = ("well_known", "fresh_cross", "beyond_fast_average", "beyond_slow_average", "volume")
WELL_KNOWN, FRESH_CROSS, BEYOND_FAST, BEYOND_SLOW, VOLUMES = range(len(POINTS))
SIZES = (len(RULES) + 1, len(RULES))


class FalseBreakNumbers(Numbers):
    """The numbers of the false break."""

    ascending = (("depth_min", "depth_max"), ("age_min", "lowest_of"))

    lowest_of: int = Field(
        20, ge=1, le=50, description="number of bars before the last one whose extreme is the old low"
    )
    age_min: int = Field(4, ge=1, description="least age of the old low, in bars")
    depth_min: float = Field(0.1, ge=0, description="least distance of the last low beyond the old one, in ATR")
    depth_max: float = Field(1.0, gt=0, description="greatest distance of the last low beyond the old one, in ATR")
    close_part: float = Field(
        0.5, ge=0, le=1, description="greatest distance of the close from the bar's end, as a fraction of its range"
    )
    well_known: int = Field(10, ge=1, description="evidence: age from which on the old low is well known, in bars")
    cross_window: int = Field(10, ge=0, description="evidence: bars for which a cross of the MACD line stays fresh")


@compiled
def measure(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    """Measure every rule on the bar t and the bars before it, with the ATR at t."""
    close, low, atr, equal = closing(series, t, sign), lowest(series, t, sign), series[ATR, t], tie(series, t, t)
    oldest = t - numbers.lowest_of
    lows = series[LOW if sign > 0 else HIGH, oldest:t]
    known, age = sign * lows[0], t - oldest
    for i in range(len(lows)):
        if sign * lows[i] < known - equal:
            known, age = sign * lows[i], len(lows) - i

    depth = known - low
    measured[DEPTH] = divided(depth, atr)
    verdicts[DEPTH] = depth > equal and numbers.depth_min * atr - equal <= depth <= numbers.depth_max * atr + equal
    measured[OLD] = age
    verdicts[OLD] = age >= numbers.age_min
    measured[BACK_INSIDE] = close - known
    verdicts[BACK_INSIDE] = close - known > equal
    left = highest(series, t, sign) - close
    measured[CLOSE_NEAR_END] = divided(left, extent(series, t))
    verdicts[CLOSE_NEAR_END] = left <= numbers.close_part * extent(series, t) + equal
    measured[OLD_LOW] = sign * known
    return all_hold(verdicts, len(RULES))


@compiled
def mark(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark the bars that reach beyond a sample of those before, and close in the right part."""
    back = numbers.lowest_of
    high_1 = stretch(series, HIGH, first, stop, 1)
    low_1 = stretch(series, LOW, first, stop, 1)
    high_2 = stretch(series, HIGH, first, stop, max(1, back // 8))
    low_2 = stretch(series, LOW, first, stop, max(1, back // 8))
    high_3 = stretch(series, HIGH, first, stop, max(1, back // 4))
    low_3 = stretch(series, LOW, first, stop, max(1, back // 4))
    high_4 = stretch(series, HIGH, first, stop, max(1, back // 2))
    low_4 = stretch(series, LOW, first, stop, max(1, back // 2))
    high_5 = stretch(series, HIGH, first, stop, back)
    low_5 = stretch(series, LOW, first, stop, back)
    highs = stretch(series, HIGH, first, stop, 0)
    lows = stretch(series, LOW, first, stop, 0)
    closes = stretch(series, CLOSE, first, stop, 0)
    close_part = numbers.close_part
    for i in range(stop - first):
        low, high = lows[i], highs[i]
        left = close_part * (high - low) + 2.0 * TIE * (abs(high) + abs(low))
        up = max(low - min(low_1[i], low_2[i], low_3[i], low_4[i], low_5[i]), high - closes[i] - left)
        down = max(max(high_1[i], high_2[i], high_3[i], high_4[i], high_5[i]) - high, closes[i] - low - left)
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
    measured: Floats,
    points: Floats,
    held: Marks,
    levels: Any,
) -> None:
    """Count the evidence. A close beyond the old low spoils the setup."""
    points[WELL_KNOWN], held[WELL_KNOWN] = measured[OLD], measured[OLD] >= numbers.well_known
    points[FRESH_CROSS], held[FRESH_CROSS] = evidence.fresh_cross(series, t, sign, numbers.cross_window)
    points[BEYOND_FAST], held[BEYOND_FAST] = evidence.beyond_average(series, t, sign, FAST_AVERAGE)
    points[BEYOND_SLOW], held[BEYOND_SLOW] = evidence.beyond_average(series, t, sign, SLOW_AVERAGE)
    points[VOLUMES], held[VOLUMES] = evidence.volume(series, t, rules)
    levels.trigger, levels.base = sign * highest(series, t, sign), sign * lowest(series, t, sign)
    levels.beyond = measured[OLD_LOW]


@compiled
def weigh(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    """Measure and weigh bars; the same in every setup."""
    weighed(measure, weigh_one, columns, spots, numbers, rules, out)


def words(fit: Fit, numbers: FalseBreakNumbers) -> Words:
    """Put the rules, the points of evidence and the levels of a bar into words."""
    low, below, high = fit.word("low", "high"), fit.word("below", "above"), fit.word("high", "low")
    known = f"the {fit.word('lowest low', 'highest high')} of the {numbers.lowest_of} bars before"
    rules = [
        (f"{numbers.depth_min:g} to {numbers.depth_max:g}", f"how far the {low} lies {below} {known}, in ATR"),
        (f">= {numbers.age_min}", f"age of {known}, in bars"),
        ("> 0", f"how far the close lies {fit.word('above', 'below')} {known}"),
        (f"<= {numbers.close_part:.4g}", f"close to the bar's {high} as a fraction of its range"),
    ]
    points = {
        "well_known": (f">= {numbers.well_known}", f"age of the old {low}, in bars"),
        "fresh_cross": evidence.fresh_cross_words(fit, FRESH_CROSS, numbers.cross_window),
        "beyond_fast_average": evidence.beyond_average_words(fit, FAST_AVERAGE),
        "beyond_slow_average": evidence.beyond_average_words(fit, SLOW_AVERAGE),
        "volume": evidence.volume_words(fit, VOLUMES),
    }
    return Words(rules, points, f"the last bar's {high}", f"the last bar's {low}", f"a close {below} the old {low}")


SETUP = Setup(
    name="false_break",
    title="false break",
    summary=(
        "A bar goes a little beyond an extreme that several bars did not reach, and closes back inside. "
        "The idea, unproven: whoever followed the break is on the wrong side."
    ),
    bars=(("F", "false break"),),
    looks_back=50,
    numbers=FalseBreakNumbers,
    rules=RULES,
    extra=1,
    find=find,
    measure=measure,
    weigh=weigh,
    words=words,
    points=POINTS,
)
