"""The outside bar: a wide bar that goes below the low before it, the lowest of many bars, and closes above the high.

Those who sold the new low are wrong by its close, and their buying back may carry on.

How the rules are read: «below» and «above» the bar before are strict. An equal low among the 20 bars does not count
against the last one. The stop base is the bar's low, but no further from the close than ``stop_far`` of the common
rules (2 ATR at t); beyond that it is the price at that distance.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field

from scanner.analysis import evidence
from scanner.analysis.bar_sides import all_hold, closing, divided, extent, highest, lowest, lowest_of, stretch, tie
from scanner.analysis.columns import ATR, CLOSE, FAST_AVERAGE, HIGH, LOW, OPEN, SLOW_AVERAGE
from scanner.analysis.compiling import compiled
from scanner.analysis.rules import TIE
from scanner.analysis.searching import LONG, SHORT, searched
from scanner.analysis.setup import Fit, Numbers, Setup, Spoiler

if TYPE_CHECKING:
    from scanner.analysis.searching import Floats, Integers, Marks
    from scanner.event_data import Measure

RULES = ("beyond_low", "beyond_high", "close_near_end", "range", "lowest")
BEYOND_LOW, BEYOND_HIGH, CLOSE_NEAR_END, RANGE, LOWEST = range(len(RULES))
SIZES = (len(RULES), len(RULES))


class OutsideBarNumbers(Numbers):
    """The numbers of the outside bar."""

    ascending = (("range_min", "range_max"),)

    close_part: float = Field(
        0.25, ge=0, le=1, description="greatest distance of the close from the bar's end, as a part of its range"
    )
    range_min: float = Field(1.2, ge=0, description="least range of the bar, in ATR at the bar before")
    range_max: float = Field(3.0, gt=0, description="greatest range of the bar, in ATR at the bar before")
    lowest_of: int = Field(20, ge=2, le=50, description="bars whose extreme the bar must be")
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


def words(fit: Fit, numbers: OutsideBarNumbers) -> list[tuple[str, str]]:
    """Give threshold and text of each rule."""
    low, high, below = fit.word("low", "high"), fit.word("high", "low"), fit.word("below", "above")
    return [
        ("> 0", f"how far the {low} lies {below} that of the bar before"),
        ("> 0", f"how far the close lies {fit.word('above', 'below')} the {high} of the bar before"),
        (f"<= {numbers.close_part:.4g}", f"close to the bar's {high} as a part of its range"),
        (f"{numbers.range_min:g} to {numbers.range_max:g}", "range in ATR of the bar before"),
        (">= 0", f"how far the {low} lies {below} that of the {numbers.lowest_of} bars' others"),
    ]


def points(fit: Fit, numbers: OutsideBarNumbers) -> dict[str, Measure]:
    """Give what else speaks for the setup."""
    against = fit.sign * (fit.at(OPEN, 1) - fit.at(CLOSE, 1))
    down = fit.word("down", "up")
    return {
        "went_other_way": evidence.point(against, "> 0", against > 0, f"body of the bar before, counted {down}"),
        "fresh_cross": evidence.fresh_cross(fit, numbers.cross_window),
        "beyond_fast_average": evidence.beyond_average(fit, FAST_AVERAGE),
        "beyond_slow_average": evidence.beyond_average(fit, SLOW_AVERAGE),
        "volume": evidence.volume(fit),
    }


def trigger(fit: Fit, numbers: OutsideBarNumbers) -> tuple[float, str]:
    """Give the bar's extreme."""
    del numbers
    return fit.high(), f"the outside bar's {fit.word('high', 'low')}"


def base(fit: Fit, numbers: OutsideBarNumbers) -> tuple[float, str]:
    """Give the bar's other extreme, or a price nearer to the close where that is too far away."""
    del numbers
    low, far = fit.word("low", "high"), fit.rules.stop_far
    if fit.sign * (fit.close() - fit.low()) > far * fit.atr + TIE * abs(fit.low()):
        return (
            fit.close() - fit.sign * far * fit.atr,
            f"{far:g} ATR from the close, since the bar's {low} is further away",
        )
    return fit.low(), f"the outside bar's {low}"


def spoiler(fit: Fit, numbers: OutsideBarNumbers) -> Spoiler:
    """Give a close beyond the bar's middle."""
    del numbers
    middle = (fit.at(HIGH) + fit.at(LOW)) / 2
    return Spoiler(f"a close {fit.word('below', 'above')} the outside bar's middle", beyond=middle)


SETUP = Setup(
    name="outside_bar",
    title="outside bar",
    summary=(
        "A wide bar that reaches a new extreme beyond the bar before, turns, and closes beyond that bar's other end. "
        "Whoever followed the new extreme is wrong by the close, so the turn may carry on."
    ),
    bars=(("A", "bar before"), ("B", "outside bar")),
    looks_back=49,
    numbers=OutsideBarNumbers,
    rules=RULES,
    find=find,
    measure=measure,
    words=words,
    evidence=points,
    trigger=trigger,
    base=base,
    spoiler=spoiler,
)
