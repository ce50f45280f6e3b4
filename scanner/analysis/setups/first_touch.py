"""The first touch: prices stayed above a rising average for many bars, and now come back to it for the first time.

The idea, unproven: those who waited for a better price act there.

Details: each of the 20 bars before t has its low above the average at that bar; at t, a low equal to the average is a
touch. The average at t is compared with the one 5 bars earlier, and the ATR is that at t. If the touch itself closes
below the average, that is the first such close, and one more spoils the setup.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field

from scanner.analysis.bar_sides import all_hold, closing, divided, highest, lowest, stretch, tie
from scanner.analysis.columns import ATR, CLOSE, EXPONENTIAL_AVERAGE, FAST_AVERAGE, HIGH, LOW, SLOW_AVERAGE
from scanner.analysis.door import evidence
from scanner.analysis.door.searching import LONG, SHORT, searched, weighed
from scanner.analysis.door.setup import Fit, Numbers, Setup, Words
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from scanner.analysis.door.searching import Floats, Integers, Marks

RULES = ("away", "rising", "touch", "holds")
AWAY, RISING, TOUCH, HOLDS = range(len(RULES))
POINTS = ("close_held", "beyond_fast_average", "beyond_slow_average", "quiet_volume")
CLOSE_HELD, BEYOND_FAST, BEYOND_SLOW, QUIET = range(len(POINTS))
SIZES = (len(RULES), len(RULES))


class FirstTouchNumbers(Numbers):
    """The numbers of the first touch."""

    away: int = Field(20, ge=1, le=50, description="bars before the touch whose lows lie above the average")
    rise_bars: int = Field(5, ge=1, le=50, description="bars over which the average must have risen")
    below_average: float = Field(0.25, ge=0, description="how far the close may come below the average, in ATR")
    spoiled_by: int = Field(
        2, ge=2, description="closes below the average that spoil the setup, the touch's own included"
    )


@compiled
def measure(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    """Measure every rule on the bars up to t, with the ATR at t."""
    average, atr, equal = sign * series[EXPONENTIAL_AVERAGE, t], series[ATR, t], tie(series, t, t)
    away = 0
    while away < numbers.away:
        i = t - 1 - away
        if not lowest(series, i, sign) > sign * series[EXPONENTIAL_AVERAGE, i] + equal:
            break
        away += 1
    measured[AWAY] = away
    verdicts[AWAY] = away >= numbers.away
    measured[RISING] = average - sign * series[EXPONENTIAL_AVERAGE, t - numbers.rise_bars]
    verdicts[RISING] = measured[RISING] > equal
    measured[TOUCH] = lowest(series, t, sign) - average
    verdicts[TOUCH] = measured[TOUCH] <= equal
    above = closing(series, t, sign) - average
    measured[HOLDS] = divided(above, atr)
    verdicts[HOLDS] = above > -numbers.below_average * atr + equal
    return all_hold(verdicts, len(RULES))


@compiled
def mark(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark the bars that touch the average if neither the bar before nor the first of the many did; ties pass."""
    away = numbers.away
    high_n = stretch(series, HIGH, first, stop, away)
    low_n = stretch(series, LOW, first, stop, away)
    average_n = stretch(series, EXPONENTIAL_AVERAGE, first, stop, away)
    high_p = stretch(series, HIGH, first, stop, 1)
    low_p = stretch(series, LOW, first, stop, 1)
    average_p = stretch(series, EXPONENTIAL_AVERAGE, first, stop, 1)
    highs = stretch(series, HIGH, first, stop, 0)
    lows = stretch(series, LOW, first, stop, 0)
    averages = stretch(series, EXPONENTIAL_AVERAGE, first, stop, 0)
    for i in range(stop - first):
        equal = 2.0 * TIE * (abs(highs[i]) + abs(lows[i]))
        up = max(lows[i] - averages[i] - equal, average_p[i] - low_p[i], average_n[i] - low_n[i])
        down = max(averages[i] - highs[i] - equal, high_p[i] - average_p[i], high_n[i] - average_n[i])
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
    """Count the evidence. Closes beyond the average spoil the setup, the touch's own included."""
    equal = TIE * abs(series[CLOSE, t])
    above = closing(series, t, sign) - sign * series[EXPONENTIAL_AVERAGE, t]
    points[CLOSE_HELD], held[CLOSE_HELD] = above, above > equal
    points[BEYOND_FAST], held[BEYOND_FAST] = evidence.beyond_average(series, t, sign, FAST_AVERAGE)
    points[BEYOND_SLOW], held[BEYOND_SLOW] = evidence.beyond_average(series, t, sign, SLOW_AVERAGE)
    points[QUIET], held[QUIET] = evidence.quiet_volume(series, t, rules)
    levels.trigger, levels.base = sign * highest(series, t, sign), sign * lowest(series, t, sign)
    levels.average, levels.closes = EXPONENTIAL_AVERAGE, numbers.spoiled_by - (-above > equal)


@compiled
def weigh(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    """Measure and weigh bars; the same in every setup."""
    weighed(measure, weigh_one, columns, spots, numbers, rules, out)


def words(fit: Fit, numbers: FirstTouchNumbers) -> Words:
    """Put the rules, the points of evidence and the levels of a bar into words."""
    low, lows, above = fit.word("low", "high"), fit.word("lows", "highs"), fit.word("above", "below")
    average = f"the {fit.rules.exponential_average}-bar exponential average"
    spoiler = f"{numbers.spoiled_by} closes {fit.word('below', 'above')} {average}"
    if fit.levels["closes"] < numbers.spoiled_by:
        spoiler += ", the touch's own included"
    rules = [
        (
            f">= {numbers.away}",
            f"bars in a row before it whose {lows} lie {above} {average}, counted up to {numbers.away}",
        ),
        ("> 0", f"how far {average} has {fit.word('risen', 'fallen')} in {numbers.rise_bars} bars"),
        ("<= 0", f"how far the {low} lies {above} {average}"),
        (f"> {-numbers.below_average:g}", f"how far the close lies {above} {average}, in ATR"),
    ]
    points = {
        "close_held": ("> 0", f"how far the close lies {above} {average}"),
        "beyond_fast_average": evidence.beyond_average_words(fit, FAST_AVERAGE),
        "beyond_slow_average": evidence.beyond_average_words(fit, SLOW_AVERAGE),
        "quiet_volume": evidence.volume_words(fit, QUIET, "< 1"),
    }
    return Words(rules, points, f"the last bar's {fit.word('high', 'low')}", f"the last bar's {low}", spoiler)


SETUP = Setup(
    name="first_touch",
    title="first touch",
    summary=(
        "Prices stayed away from a rising (for a short: falling) average for many bars, and touch it now. "
        "The idea, unproven: those who waited for a better price act there."
    ),
    bars=(("T", "touch"),),
    looks_back=50,
    numbers=FirstTouchNumbers,
    rules=RULES,
    find=find,
    measure=measure,
    weigh=weigh,
    words=words,
    points=POINTS,
)
