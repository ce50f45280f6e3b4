"""The flag: a fast rise, then several bars that give back part of it without a new high.

The idea, unproven: few take their gains.

Details. Every bar looks back from itself:

- The high q is the highest of the last bars, one more than the pause may have; of equal highs the earliest. So no bar
  after it makes a new high; an equal high is not a new one.
- The rise is from the lowest low of the 8 bars that end at q, including q itself, to the high of q, which must lie
  above the highs of the other seven. It is compared with the ATR at t.
- «Giving back» is from the high of q to the lowest low after it, as a fraction of the rise.
- «First such bar»: no earlier bar of the pause after the same q met the other rules, each with the bars and the ATR of
  its own time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from pydantic import Field

from scanner.analysis.bar_sides import all_hold, closing, divided, highest, highest_of, lowest, lowest_of, stretch, tie
from scanner.analysis.columns import ATR, FAST_AVERAGE, HIGH, LOW, SLOW_AVERAGE
from scanner.analysis.door import evidence
from scanner.analysis.door.searching import LONG, SHORT, searched, weighed
from scanner.analysis.door.setup import Fit, Numbers, Setup, Words
from scanner.analysis.indicators.arrays import copy, fill
from scanner.analysis.indicators.stretches import highest_of_each, lowest_of_each
from scanner.analysis.rules import TIE
from scanner.compiling import compiled

if TYPE_CHECKING:
    from scanner.analysis.door.searching import Floats, Integers, Marks

RULES = ("rise", "new_high", "pause", "given_back", "falling", "first")
RISE, NEW_HIGH, PAUSE, GIVEN_BACK, FALLING, FIRST = range(len(RULES))
TOO_FAR = len(RULES)
"""Index of the price at which too much has been given back, in ``measured``."""
FEW = 8
"""Up to so many bars, it does not pay to look for highs at all bars at once."""
POINTS = ("tight", "fresh_cross", "beyond_fast_average", "beyond_slow_average", "quiet_volume")
TIGHT, FRESH_CROSS, BEYOND_FAST, BEYOND_SLOW, QUIET = range(len(POINTS))
SIZES = (len(RULES) + 1, len(RULES))


class FlagNumbers(Numbers):
    """The numbers of the flag."""

    ascending = (("pause_min", "pause_max"), ("back_min", "back_max"))

    rise_min: float = Field(4.0, gt=0, description="least rise, in ATR")
    rise_bars: int = Field(8, ge=2, le=20, description="greatest number of bars of the rise")
    pause_min: int = Field(4, ge=2, le=30, description="least number of bars after the high")
    pause_max: int = Field(10, ge=2, le=30, description="greatest number of bars after the high")
    back_min: float = Field(0.15, ge=0, le=1, description="least part of the rise that is given back")
    back_max: float = Field(0.5, gt=0, le=1, description="greatest part of the rise that is given back")
    trigger_bars: int = Field(3, ge=1, le=30, description="last bars whose highest high is the trigger")
    tight: float = Field(0.33, ge=0, description="evidence: greatest part of the rise that is given back")
    cross_window: int = Field(10, ge=0, description="evidence: bars for which a cross of the MACD line stays fresh")


@compiled
def measure(series: Floats, t: int, sign: float, numbers: Any, measured: Floats, verdicts: Marks) -> bool:
    """Measure every rule on the bars up to t."""
    equal = tie(series, t, t)
    q = t - numbers.pause_max
    for i in range(q + 1, t + 1):
        if highest(series, i, sign) > highest(series, q, sign) + equal:
            q = i
    high, begin = highest(series, q, sign), q + 1 - numbers.rise_bars
    rise, above = high - lowest_of(series, begin, q, sign), high - highest_of(series, begin, q - 1, sign)

    earlier, low, least, most = 0, float("inf"), numbers.back_min * rise, numbers.back_max * rise
    back, falling = float("nan"), float("nan")
    for i in range(q + 1, t + 1):
        low = min(low, lowest(series, i, sign))
        back, falling = high - low, closing(series, q + 1, sign) - closing(series, i, sign)
        given = least - equal <= back <= most + equal
        tall = rise >= numbers.rise_min * series[ATR, i] - equal
        earlier += i < t and i - q >= numbers.pause_min and tall and given and falling > equal

    measured[RISE] = divided(rise, series[ATR, t])
    verdicts[RISE] = rise > equal and rise >= numbers.rise_min * series[ATR, t] - equal
    measured[NEW_HIGH] = above
    verdicts[NEW_HIGH] = above > equal
    measured[PAUSE] = t - q
    verdicts[PAUSE] = numbers.pause_min <= t - q <= numbers.pause_max
    measured[GIVEN_BACK] = divided(back, rise)
    verdicts[GIVEN_BACK] = least - equal <= back <= most + equal
    measured[FALLING] = falling
    verdicts[FALLING] = falling > equal
    measured[FIRST] = earlier
    verdicts[FIRST] = earlier == 0
    measured[TOO_FAR] = sign * (high - most)
    return all_hold(verdicts, len(RULES))


@compiled
def mark(series: Floats, first: int, stop: int, numbers: Any, marks: Marks) -> None:
    """Mark the bars after a fast rise to a high at which a flag may be complete; ties are let through.

    The high q is rare: it is looked for at all bars at once, and only the bars after each q one by one.
    """
    rise_bars, least, most = numbers.rise_bars, numbers.pause_min, numbers.pause_max
    if stop - first < FEW:
        for t in range(first, stop):
            begin, pause, equal = t - most - rise_bars + 1, t - least + 1, 2.0 * tie(series, t, t)
            high, low = highest_of(series, begin, pause - 1, 1.0), lowest_of(series, begin, pause - 1, 1.0)
            pause_high, pause_low = highest_of(series, pause, t, 1.0), lowest_of(series, pause, t, 1.0)
            tall = max(high, pause_high) - min(low, pause_low) >= 0.99 * numbers.rise_min * series[ATR, t]
            up, down = pause_high <= high + equal, pause_low >= low - equal  # otherwise no pause is long enough
            marks[t - first] = (tall & up) * LONG | (tall & down) * SHORT
        return
    marks[: stop - first] = 0
    begin, end, before = first - most, stop - least, rise_bars - 1  # of the bars that may be q
    bars = end - begin
    room, kinds = np.empty((7, bars + most + rise_bars)), np.empty(bars, dtype=np.uint8)
    # The highest high and lowest low of the bars that end at q, and the least ATR at the bars that may end a flag.
    tops, _ = highest_of_each(series[HIGH, begin - before : end], 1, rise_bars, room[0:2], 0)
    bottoms, _ = lowest_of_each(series[LOW, begin - before : end], 1, rise_bars, room[2:4], 0)
    atrs = room[4][: bars + most - least]
    copy(series[ATR, begin + least : stop], atrs[:bars])
    fill(atrs[bars:], np.inf)
    atrs, _ = lowest_of_each(atrs, 1, most - least + 1, room[5:7], 0)
    mark_highs(series, begin, end, tops, bottoms, atrs, 0.99 * numbers.rise_min, kinds)
    for k in range(bars):
        for side in (LONG, SHORT):
            if kinds[k] & side:
                rise, sign = tops[k] - bottoms[k], 1.0 if side == LONG else -1.0
                mark_pause(series, begin + k, sign, rise, first, stop, numbers, side, marks)


@compiled
def mark_highs(
    series: Floats, first: int, stop: int, tops: Floats, bottoms: Floats, atrs: Floats, rise_min: float, kinds: Marks
) -> None:
    """Mark the bars whose high (low) ends a fast rise (fall) and is not exceeded by the next bar."""
    highs, lows = stretch(series, HIGH, first, stop, 0), stretch(series, LOW, first, stop, 0)
    next_highs, next_lows = stretch(series, HIGH, first, stop, -1), stretch(series, LOW, first, stop, -1)
    for i in range(stop - first):
        equal = 2.0 * TIE * (abs(highs[i]) + abs(lows[i]))
        tall = tops[i] - bottoms[i] + equal >= rise_min * atrs[i]
        up = (highs[i] >= tops[i] - equal) & (next_highs[i] <= highs[i] + equal)
        down = (lows[i] <= bottoms[i] + equal) & (next_lows[i] >= lows[i] - equal)
        kinds[i] = (tall & up) * LONG | (tall & down) * SHORT


@compiled
def mark_pause(
    series: Floats, q: int, sign: float, rise: float, first: int, stop: int, numbers: Any, side: int, marks: Marks
) -> None:
    """Mark the bars after one high that may complete a flag."""
    equal, high, low = 2.0 * tie(series, q, q), highest(series, q, sign), float("inf")
    least, most = 0.99 * numbers.back_min * rise - equal, 1.01 * numbers.back_max * rise + equal
    for t in range(q + 1, min(q + numbers.pause_max + 1, stop)):
        low = min(low, lowest(series, t, sign))
        if highest(series, t, sign) > high + equal or high - low > most:
            return
        falls = closing(series, t, sign) < closing(series, q + 1, sign)
        if t >= first and t - q >= numbers.pause_min and high - low >= least and falls:
            marks[t - first] |= side


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
    """Count the evidence. The stop is placed beyond the pause; giving back too much spoils the setup."""
    points[TIGHT], held[TIGHT] = measured[GIVEN_BACK], measured[GIVEN_BACK] <= numbers.tight
    points[FRESH_CROSS], held[FRESH_CROSS] = evidence.fresh_cross(series, t, sign, numbers.cross_window)
    points[BEYOND_FAST], held[BEYOND_FAST] = evidence.beyond_average(series, t, sign, FAST_AVERAGE)
    points[BEYOND_SLOW], held[BEYOND_SLOW] = evidence.beyond_average(series, t, sign, SLOW_AVERAGE)
    points[QUIET], held[QUIET] = evidence.quiet_volume(series, t, rules)
    pause = max(int(measured[PAUSE]), 1)  # 0 if the last bar makes the high, and there is no flag
    levels.trigger = sign * highest_of(series, t + 1 - numbers.trigger_bars, t, sign)
    levels.base, levels.beyond = sign * lowest_of(series, t + 1 - pause, t, sign), measured[TOO_FAR]


@compiled
def weigh(columns: Floats, spots: Integers, numbers: Any, rules: Any, out: Any) -> None:
    """Measure and weigh bars; the same in every setup."""
    weighed(measure, weigh_one, columns, spots, numbers, rules, out)


def words(fit: Fit, numbers: FlagNumbers) -> Words:
    """Put the rules, the points of evidence and the levels of a bar into words."""
    rise, high, above = fit.word("rise", "fall"), fit.word("high", "low"), fit.word("above", "below")
    rules = [
        (f">= {numbers.rise_min:g}", f"{rise} of the {numbers.rise_bars} bars up to the {high}, in ATR"),
        ("> 0", f"how far that {high} lies {above} the other bars of the {rise}"),
        (f"{numbers.pause_min} to {numbers.pause_max}", f"bars since that {high}"),
        (f"{numbers.back_min:g} to {numbers.back_max:g}", f"part of the {rise} that was given back"),
        ("> 0", f"how far the close lies {fit.word('below', 'above')} that of the bar after the {high}"),
        ("= 0", "earlier bars of the same pause that had completed the flag"),
    ]
    points = {
        "tight": (f"<= {numbers.tight:g}", f"part of the {rise} that was given back"),
        "fresh_cross": evidence.fresh_cross_words(fit, FRESH_CROSS, numbers.cross_window),
        "beyond_fast_average": evidence.beyond_average_words(fit, FAST_AVERAGE),
        "beyond_slow_average": evidence.beyond_average_words(fit, SLOW_AVERAGE),
        "quiet_volume": evidence.volume_words(fit, QUIET, "< 1"),
    }
    return Words(
        rules,
        points,
        f"the {fit.word('highest high', 'lowest low')} of the last {numbers.trigger_bars} bars",
        f"the flag's {fit.word('lowest low', 'highest high')}",
        f"a close that gives back more than {100 * numbers.back_max:g} % of the {rise}",
    )


SETUP = Setup(
    name="flag",
    title="flag",
    summary=(
        "A fast move of several ATR, then a pause of several bars that gives back part of it, but not more than half. "
        "The idea, unproven: few take their gains."
    ),
    bars=(("F", "last bar of the flag"),),
    looks_back=49,
    numbers=FlagNumbers,
    rules=RULES,
    extra=1,
    find=find,
    measure=measure,
    weigh=weigh,
    words=words,
    points=POINTS,
)
