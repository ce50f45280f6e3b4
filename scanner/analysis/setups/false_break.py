"""The false break: a bar goes a little below an old low and closes back above it.

Those who sold the break are caught, and the stops below the low have been taken.

How the rules are read: the old low is the lowest of the 20 bars before t, on equal lows the earliest, and it is as many
bars old as lie between it and t, t counted. Its distance is held against the ATR at t; a low that is only equal is no
break.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field

from scanner.analysis import evidence
from scanner.analysis.bar_sides import all_hold, closing, divided, extent, highest, lowest, stretch, tie
from scanner.analysis.columns import ATR, CLOSE, FAST_AVERAGE, HIGH, LOW, SLOW_AVERAGE
from scanner.analysis.compiling import compiled
from scanner.analysis.rules import TIE
from scanner.analysis.searching import LONG, SHORT, searched
from scanner.analysis.setup import Fit, Numbers, Setup, Spoiler

if TYPE_CHECKING:
    from scanner.analysis.searching import Floats, Integers, Marks
    from scanner.event_data import Measure

RULES = ("depth", "old", "back_inside", "close_near_end")
DEPTH, OLD, BACK_INSIDE, CLOSE_NEAR_END = range(len(RULES))
OLD_LOW = len(RULES)
"""Where ``measure`` leaves the price of the old low (the old high for a short)."""
SIZES = (len(RULES) + 1, len(RULES))


class FalseBreakNumbers(Numbers):
    """The numbers of the false break."""

    ascending = (("depth_min", "depth_max"), ("age_min", "lowest_of"))

    lowest_of: int = Field(20, ge=1, le=50, description="bars before the last one whose extreme is the old low")
    age_min: int = Field(4, ge=1, description="least age of the old low, in bars")
    depth_min: float = Field(0.1, ge=0, description="least distance of the last low beyond the old one, in ATR")
    depth_max: float = Field(1.0, gt=0, description="greatest distance of the last low beyond the old one, in ATR")
    close_part: float = Field(
        0.5, ge=0, le=1, description="greatest distance of the close from the bar's end, as a part of its range"
    )
    well_known: int = Field(10, ge=1, description="evidence: age from which on the old low is well known, in bars")
    cross_window: int = Field(10, ge=0, description="evidence: bars for which a cross of the MACD line stays fresh")


@compiled
def measure(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    """Measure every rule on the bar t and the bars before it, with the ATR at t."""
    close, low, atr, equal = closing(series, t, sign), lowest(series, t, sign), series[ATR, t], tie(series, t, t)
    oldest = t - numbers.lowest_of
    known, since = lowest(series, oldest, sign), oldest
    for i in range(oldest + 1, t):
        if lowest(series, i, sign) < known - equal:
            known, since = lowest(series, i, sign), i

    depth = known - low
    measured[DEPTH] = divided(depth, atr)
    verdicts[DEPTH] = depth > equal and numbers.depth_min * atr - equal <= depth <= numbers.depth_max * atr + equal
    measured[OLD] = t - since
    verdicts[OLD] = t - since >= numbers.age_min
    measured[BACK_INSIDE] = close - known
    verdicts[BACK_INSIDE] = close - known > equal
    left = highest(series, t, sign) - close
    measured[CLOSE_NEAR_END] = divided(left, extent(series, t))
    verdicts[CLOSE_NEAR_END] = left <= numbers.close_part * extent(series, t) + equal
    measured[OLD_LOW] = sign * known
    return all_hold(verdicts, len(RULES))


@compiled
def mark(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark the bars that reach beyond some of those before and close in the right part; a sample will do."""
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


def words(fit: Fit, numbers: FalseBreakNumbers) -> list[tuple[str, str]]:
    """Give threshold and text of each rule."""
    low, below, high = fit.word("low", "high"), fit.word("below", "above"), fit.word("high", "low")
    known = f"the {fit.word('lowest low', 'highest high')} of the {numbers.lowest_of} bars before"
    return [
        (f"{numbers.depth_min:g} to {numbers.depth_max:g}", f"how far the {low} lies {below} {known}, in ATR"),
        (f">= {numbers.age_min}", f"age of {known}, in bars"),
        ("> 0", f"how far the close lies {fit.word('above', 'below')} {known}"),
        (f"<= {numbers.close_part:.4g}", f"close to the bar's {high} as a part of its range"),
    ]


def points(fit: Fit, numbers: FalseBreakNumbers) -> dict[str, Measure]:
    """Give what else speaks for the setup."""
    age, low = float(fit.measured[OLD]), fit.word("low", "high")
    known = evidence.point(age, f">= {numbers.well_known}", age >= numbers.well_known, f"age of the old {low}, in bars")
    return {
        "well_known": known,
        "fresh_cross": evidence.fresh_cross(fit, numbers.cross_window),
        "beyond_fast_average": evidence.beyond_average(fit, FAST_AVERAGE),
        "beyond_slow_average": evidence.beyond_average(fit, SLOW_AVERAGE),
        "volume": evidence.volume(fit),
    }


def trigger(fit: Fit, numbers: FalseBreakNumbers) -> tuple[float, str]:
    """Give the bar's extreme on the side that it came back to."""
    del numbers
    return fit.high(), f"the last bar's {fit.word('high', 'low')}"


def base(fit: Fit, numbers: FalseBreakNumbers) -> tuple[float, str]:
    """Give the bar's extreme beyond the old one."""
    del numbers
    return fit.low(), f"the last bar's {fit.word('low', 'high')}"


def spoiler(fit: Fit, numbers: FalseBreakNumbers) -> Spoiler:
    """Give a close beyond the old extreme after all."""
    del numbers
    text = f"a close {fit.word('below', 'above')} the old {fit.word('low', 'high')}"
    return Spoiler(text, beyond=float(fit.measured[OLD_LOW]))


SETUP = Setup(
    name="false_break",
    title="false break",
    summary=(
        "A bar goes a little beyond an extreme that several bars have left alone, and closes back inside. "
        "Whoever followed the break is caught on the wrong side, so the move may turn."
    ),
    bars=(("F", "false break"),),
    looks_back=50,
    numbers=FalseBreakNumbers,
    rules=RULES,
    extra=1,
    find=find,
    measure=measure,
    words=words,
    evidence=points,
    trigger=trigger,
    base=base,
    spoiler=spoiler,
)
