"""The three-bar pullback: in a trend, three bars in a row with lower highs and lower lows after a recent new high.

The idea, unproven: the retreat is short and orderly.

Details: a bar is lower if both its high and its low are below those of the bar before; equal ones are not below.
«Exactly three» means that t, t−1 and t−2 are lower and t−3 is not. The depth is measured from the high of t−3, where
the pullback began, to the low of t. The 20 bars of the high and the 12 among which it must be both end at t; of equal
highs the latest counts. The ATR is that at t.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field

from scanner.analysis.bar_sides import all_hold, divided, extent, highest, lowest, stretch, tie, trend_margin
from scanner.analysis.columns import ATR, CLOSE, FAST_AVERAGE, HIGH, LOW, SLOW_AVERAGE
from scanner.analysis.door import evidence
from scanner.analysis.door.searching import LONG, SHORT, searched, weighed
from scanner.analysis.door.setup import Fit, Numbers, Setup, Words
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from scanner.analysis.door.searching import Floats, Integers, Marks

RULES = ("trend", "recent_high", "pullback", "above_average", "shallow")
TREND, RECENT_HIGH, PULLBACK, ABOVE_AVERAGE, SHALLOW = range(len(RULES))
BARS = 3
COUNTED = 10
"""Lower bars are counted up to this, to tell a longer run from one of three."""
POINTS = ("small_bars", "held_average", "quiet_volume")
SMALL_BARS, HELD_AVERAGE, QUIET = range(len(POINTS))
SIZES = (len(RULES), len(RULES))


class ThreeBarPullbackNumbers(Numbers):
    """The numbers of the three-bar pullback."""

    ascending = (("high_within", "high_of"),)

    trend_rise: int = Field(10, ge=1, le=50, description="bars over which the fast average must have risen")
    high_of: int = Field(20, ge=5, le=50, description="bars among which the highest high is looked for")
    high_within: int = Field(12, ge=4, le=50, description="bars among which that high must be")
    below_average: float = Field(0.5, ge=0, description="how far the low may come below the fast average, in ATR")
    depth_max: float = Field(3.0, gt=0, description="greatest depth of the pullback, in ATR")
    bar_range: float = Field(1.0, ge=0, description="evidence: greatest range of each of the three bars, in ATR")


@compiled
def measure(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    """Measure every rule on the bars up to t, with averages and ATR at t."""
    low, atr, equal = lowest(series, t, sign), series[ATR, t], tie(series, t, t)
    measured[TREND] = trend_margin(series, t, sign, numbers.trend_rise)
    verdicts[TREND] = measured[TREND] > equal
    at = t
    for i in range(t - 1, t - numbers.high_of, -1):
        if highest(series, i, sign) > highest(series, at, sign) + equal:
            at = i
    measured[RECENT_HIGH] = t - at
    verdicts[RECENT_HIGH] = t - at < numbers.high_within
    lower = 0
    while lower < COUNTED:
        i = t - lower
        falls = highest(series, i, sign) < highest(series, i - 1, sign) - equal
        if not (falls and lowest(series, i, sign) < lowest(series, i - 1, sign) - equal):
            break
        lower += 1
    measured[PULLBACK] = lower
    verdicts[PULLBACK] = lower == BARS
    above = low - sign * series[FAST_AVERAGE, t]
    measured[ABOVE_AVERAGE] = divided(above, atr)
    verdicts[ABOVE_AVERAGE] = above > -numbers.below_average * atr + equal
    depth = highest(series, t - BARS, sign) - low
    measured[SHALLOW] = divided(depth, atr)
    verdicts[SHALLOW] = depth <= numbers.depth_max * atr + equal
    return all_hold(verdicts, len(RULES))


@compiled
def mark(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:  # noqa: ARG001 - as in every mark
    """Mark the bars that end three lower highs with lower lows in a trend."""
    high_3 = stretch(series, HIGH, first, stop, 3)
    high_2 = stretch(series, HIGH, first, stop, 2)
    high_1 = stretch(series, HIGH, first, stop, 1)
    highs = stretch(series, HIGH, first, stop, 0)
    low_3 = stretch(series, LOW, first, stop, 3)
    low_2 = stretch(series, LOW, first, stop, 2)
    low_1 = stretch(series, LOW, first, stop, 1)
    lows = stretch(series, LOW, first, stop, 0)
    closes = stretch(series, CLOSE, first, stop, 0)
    fasts = stretch(series, FAST_AVERAGE, first, stop, 0)
    slows = stretch(series, SLOW_AVERAGE, first, stop, 0)
    for i in range(stop - first):
        # A comparison costs more than a difference: what must be below zero for long is above it for short.
        high_a, high_b, high_c = highs[i] - high_1[i], high_1[i] - high_2[i], high_2[i] - high_3[i]
        low_a, low_b, low_c = lows[i] - low_1[i], low_1[i] - low_2[i], low_2[i] - low_3[i]
        below, fast_below = fasts[i] - closes[i], slows[i] - fasts[i]
        most = max(high_a, high_b, high_c, low_a, low_b, low_c, below, fast_below)
        least = min(high_a, high_b, high_c, low_a, low_b, low_c, below, fast_below)
        marks[i] = (most < 0.0) * LONG | (least > 0.0) * SHORT


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
    """Count the evidence. A close beyond the fast average spoils the setup."""
    equal, atr, greatest = TIE * abs(series[CLOSE, t]), series[ATR, t], 0.0
    for i in range(t + 1 - BARS, t + 1):
        greatest = max(greatest, extent(series, i))
    points[SMALL_BARS], held[SMALL_BARS] = divided(greatest, atr), greatest <= numbers.bar_range * atr + equal
    above = lowest(series, t, sign) - sign * series[FAST_AVERAGE, t]
    points[HELD_AVERAGE], held[HELD_AVERAGE] = above, above > equal
    points[QUIET], held[QUIET] = evidence.quiet_volume(series, t, rules)
    levels.trigger, levels.base = sign * highest(series, t, sign), sign * lowest(series, t, sign)
    levels.average = FAST_AVERAGE


@compiled
def weigh(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    """Measure and weigh bars; the same in every setup."""
    weighed(measure, weigh_one, columns, spots, numbers, rules, out)


def words(fit: Fit, numbers: ThreeBarPullbackNumbers) -> Words:
    """Put the rules, the points of evidence and the levels of a bar into words."""
    high, low, lower = fit.word("high", "low"), fit.word("low", "high"), fit.word("lower", "higher")
    extreme, above = fit.word("highest high", "lowest low"), fit.word("above", "below")
    average = f"the {fit.rules.fast_average}-bar average"
    rules = [
        ("> 0", evidence.trend_text(fit, numbers.trend_rise)),
        (f"< {numbers.high_within}", f"bars since the {extreme} of the last {numbers.high_of}"),
        (f"= {BARS}", f"bars in a row with {lower} highs and {lower} lows, counted up to {COUNTED}"),
        (
            f"> {-numbers.below_average:g}",
            f"how far the {low} lies {above} the {fit.rules.fast_average}-bar average, in ATR",
        ),
        (f"<= {numbers.depth_max:g}", f"from the {high} before the pullback to its {low}, in ATR"),
    ]
    points = {
        "small_bars": (f"<= {numbers.bar_range:g}", "greatest range of the three bars, in ATR"),
        "held_average": ("> 0", f"how far the {low} lies {above} {average}"),
        "quiet_volume": evidence.volume_words(fit, QUIET, "< 1"),
    }
    return Words(
        rules,
        points,
        f"the last bar's {high}",
        f"the last bar's {low}",
        f"a close {fit.word('below', 'above')} {average}",
    )


SETUP = Setup(
    name="three_bar_pullback",
    title="three-bar pullback",
    summary=(
        "In a trend with a recent new extreme, exactly three bars in a row that step back, but not far, and not much "
        "beyond the fast average. The idea, unproven: the retreat is short and orderly."
    ),
    bars=(("1", "first bar of the pullback"), ("2", "second bar"), ("3", "third bar")),
    looks_back=50,
    numbers=ThreeBarPullbackNumbers,
    rules=RULES,
    find=find,
    measure=measure,
    weigh=weigh,
    words=words,
    points=POINTS,
)
