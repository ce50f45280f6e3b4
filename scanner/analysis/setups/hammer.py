"""The hammer: a bar that fell far below its body, at the low of several bars, and came back to close near its high.

The idea, unproven: lower prices were rejected within one bar.

Details: the lower shadow reaches from the lower of open and close to the low, the upper one from the higher of the two
to the high; the body may point either way, or be missing. An equal low among the 10 bars does not count against the
last one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field

from scanner.analysis.bar_sides import (
    all_hold,
    body,
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
from scanner.analysis.columns import ATR, CLOSE, FAST_AVERAGE, HIGH, LOW, OPEN, SLOW_AVERAGE
from scanner.analysis.door import evidence
from scanner.analysis.door.searching import LONG, SHORT, searched, weighed
from scanner.analysis.door.setup import Fit, Numbers, Setup, Words
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from scanner.analysis.door.searching import Floats, Integers, Marks

RULES = ("shadow_of_body", "shadow_of_range", "other_shadow", "range", "lowest")
SHADOW_OF_BODY, SHADOW_OF_RANGE, OTHER_SHADOW, RANGE, LOWEST = range(len(RULES))
POINTS = ("body_direction", "fresh_cross", "beyond_fast_average", "beyond_slow_average", "volume")
BODY_DIRECTION, FRESH_CROSS, BEYOND_FAST, BEYOND_SLOW, VOLUMES = range(len(POINTS))
SIZES = (len(RULES), len(RULES))


class HammerNumbers(Numbers):
    """The numbers of the hammer."""

    shadow_bodies: float = Field(2.0, ge=0, description="least lower shadow, in bodies of the bar")
    shadow_part: float = Field(0.6, ge=0, le=1, description="least lower shadow, as a fraction of the bar's range")
    other_part: float = Field(0.15, ge=0, le=1, description="greatest upper shadow, as a fraction of the bar's range")
    range_min: float = Field(0.8, ge=0, description="least range of the bar, in ATR at the bar before")
    lowest_of: int = Field(10, ge=2, le=50, description="number of bars of which it must be the extreme")
    wait: int = Field(2, ge=1, description="bars after which the setup is spoiled if its trigger was not reached")
    cross_window: int = Field(10, ge=0, description="evidence: bars for which a cross of the MACD line stays fresh")


@compiled
def measure(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    """Measure every rule on the bar t, with the ATR at t−1; a bar without a range is not a hammer."""
    opened, closed, low, high = (
        opening(series, t, sign),
        closing(series, t, sign),
        lowest(series, t, sign),
        highest(series, t, sign),
    )
    extent_t, body_t, atr, equal = extent(series, t), body(series, t), series[ATR, t - 1], tie(series, t, t)
    shadow, other = min(opened, closed) - low, high - max(opened, closed)

    measured[SHADOW_OF_BODY] = divided(shadow, body_t)
    verdicts[SHADOW_OF_BODY] = shadow >= numbers.shadow_bodies * body_t - equal
    measured[SHADOW_OF_RANGE] = divided(shadow, extent_t)
    verdicts[SHADOW_OF_RANGE] = shadow >= numbers.shadow_part * extent_t - equal
    measured[OTHER_SHADOW] = divided(other, extent_t)
    verdicts[OTHER_SHADOW] = other <= numbers.other_part * extent_t + equal
    measured[RANGE] = divided(extent_t, atr)
    verdicts[RANGE] = extent_t > equal and extent_t >= numbers.range_min * atr - equal
    measured[LOWEST] = lowest_of(series, t + 1 - numbers.lowest_of, t - 1, sign) - low
    verdicts[LOWEST] = measured[LOWEST] >= -equal
    return all_hold(verdicts, len(RULES))


@compiled
def mark(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark the bars with such shadows that reach as far as the bar before; ties are let through."""
    high_p = stretch(series, HIGH, first, stop, 1)
    low_p = stretch(series, LOW, first, stop, 1)
    opens = stretch(series, OPEN, first, stop, 0)
    highs = stretch(series, HIGH, first, stop, 0)
    lows = stretch(series, LOW, first, stop, 0)
    closes = stretch(series, CLOSE, first, stop, 0)
    shadow_part, other_part = numbers.shadow_part, numbers.other_part
    for i in range(stop - first):
        equal, whole = 2.0 * TIE * (abs(highs[i]) + abs(lows[i])), highs[i] - lows[i]
        long_part, short_part = shadow_part * whole - equal, other_part * whole + equal
        lower, upper = min(opens[i], closes[i]) - lows[i], highs[i] - max(opens[i], closes[i])
        up = max(long_part - lower, upper - short_part, lows[i] - low_p[i] - equal)
        down = max(long_part - upper, lower - short_part, high_p[i] - highs[i] - equal)
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
    """Count the evidence. Too many bars without a break spoil the setup."""
    rise = closing(series, t, sign) - opening(series, t, sign)
    points[BODY_DIRECTION], held[BODY_DIRECTION] = rise, rise > 0.0
    points[FRESH_CROSS], held[FRESH_CROSS] = evidence.fresh_cross(series, t, sign, numbers.cross_window)
    points[BEYOND_FAST], held[BEYOND_FAST] = evidence.beyond_average(series, t, sign, FAST_AVERAGE)
    points[BEYOND_SLOW], held[BEYOND_SLOW] = evidence.beyond_average(series, t, sign, SLOW_AVERAGE)
    points[VOLUMES], held[VOLUMES] = evidence.volume(series, t, rules)
    levels.trigger, levels.base = sign * highest(series, t, sign), sign * lowest(series, t, sign)
    levels.bars = numbers.wait


@compiled
def weigh(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    """Measure and weigh bars; the same in every setup."""
    weighed(measure, weigh_one, columns, spots, numbers, rules, out)


def words(fit: Fit, numbers: HammerNumbers) -> Words:
    """Put the rules, the points of evidence and the levels of a bar into words."""
    lower, upper = fit.word("lower", "upper"), fit.word("upper", "lower")
    low, below = fit.word("low", "high"), fit.word("below", "above")
    high, bars = fit.word("high", "low"), "1 bar" if numbers.wait == 1 else f"{numbers.wait} bars"
    rules = [
        (f">= {numbers.shadow_bodies:g}", f"{lower} shadow in bodies of the bar"),
        (f">= {numbers.shadow_part:g}", f"{lower} shadow as a fraction of the bar's range"),
        (f"<= {numbers.other_part:g}", f"{upper} shadow as a fraction of the bar's range"),
        (f">= {numbers.range_min:g}", "range in ATR of the bar before"),
        (">= 0", f"how far the {low} lies {below} that of the others among {numbers.lowest_of} bars"),
    ]
    points = {
        "body_direction": ("> 0", f"body of the bar, counted {fit.word('up', 'down')}"),
        "fresh_cross": evidence.fresh_cross_words(fit, FRESH_CROSS, numbers.cross_window),
        "beyond_fast_average": evidence.beyond_average_words(fit, FAST_AVERAGE),
        "beyond_slow_average": evidence.beyond_average_words(fit, SLOW_AVERAGE),
        "volume": evidence.volume_words(fit, VOLUMES),
    }
    return Words(
        rules, points, f"the hammer's {high}", f"the hammer's {low}", f"{bars} without a break of the hammer's {high}"
    )


SETUP = Setup(
    name="hammer",
    title="hammer",
    summary=(
        "At the extreme of several bars, a bar with a long shadow on the far side and its body close to the other end. "
        "The idea, unproven: prices out there were rejected within one bar."
    ),
    bars=(("H", "hammer"),),
    looks_back=49,
    numbers=HammerNumbers,
    rules=RULES,
    find=find,
    measure=measure,
    weigh=weigh,
    words=words,
    points=POINTS,
    places=("level", "average"),
)
