"""The nine setups, read plainly: for each, a function says whether its own rules hold at bar t of a tape.

Places, surroundings and the warm-up are not judged here. Everything is for the long side; for the short side, make the
tape from reflected bars. ATR alone is that at t; u is the usual body of the bars up to t − 1, and a the ATR at t − 1. A
bound that is met exactly holds; «above», «below», «higher» and «lower» are strict.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from tests.outside.plain_indicators import known
from tests.outside.plain_pause import pushes, shape
from tests.outside.plain_terms import Rules, above, at_most, hair

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.outside.plain_indicators import Tape
    from tests.outside.plain_terms import Bar

FEWEST_FLAG_BARS, MOST_FLAG_BARS = 4, 10
RISE_BARS = 8


class Setup(NamedTuple):
    """A setup at bar t: whether it holds, and if so its trigger and stop base."""

    holds: Callable[[Tape, int], bool]
    trigger: Callable[[Tape, int], Decimal]
    base: Callable[[Tape, int], Decimal]


# Terms that several setups share.


def lowest(tape: Tape, first: int, last: int) -> Decimal:
    return min(bar.low for bar in tape.bars[first : last + 1])


def highest(tape: Tape, first: int, last: int) -> Decimal:
    return max(bar.high for bar in tape.bars[first : last + 1])


def closes_in_top(bar: Bar, parts: int) -> bool:
    """Say whether a bar closes in the top half (2 parts), third (3) or quarter (4) of its range."""
    return at_most(parts * (bar.high - bar.close), bar.range, hair(bar.close))


def trend(tape: Tape, t: int) -> bool:
    close, fast, slow = tape.bars[t].close, known(tape.fast[t]), known(tape.slow[t])
    tie = hair(close)
    return above(close, fast, tie) and above(fast, slow, tie) and above(fast, known(tape.fast[t - 10]), tie)


def high_of_bar(tape: Tape, t: int) -> Decimal:
    return tape.bars[t].high


def low_of_bar(tape: Tape, t: int) -> Decimal:
    return tape.bars[t].low


# The setups.


def doji_pause(tape: Tape, t: int, rules: Rules | None = None) -> bool:
    if not (pushes(tape.bars[t - 2]) and pushes(tape.bars[t])):
        return False
    return all(rule.verdict for rule in shape(tape, t, rules or Rules()).values())


def doji_pause_base(tape: Tape, t: int) -> Decimal:
    """Give the doji's low, or that of the second drive if it is lower but not too far from its close."""
    doji, second = tape.bars[t - 1], tape.bars[t]
    too_far = above(second.close - second.low, 2 * known(tape.atr[t]), hair(second.close))
    return doji.low if second.low >= doji.low or too_far else second.low


def engulfing(tape: Tape, t: int) -> bool:
    before, bar = tape.bars[t - 1], tape.bars[t]
    if not (before.close < before.open and bar.close > bar.open):
        return False
    if not (bar.open <= before.close and bar.close >= before.open):
        return False
    usual_body, tie = known(tape.usual_body[t - 1]), hair(bar.close)
    large_enough = at_most(usual_body, bar.body, tie) and at_most(usual_body / 2, before.body, tie)
    at_the_low = lowest(tape, t - 1, t) == lowest(tape, t - 9, t)
    return large_enough and closes_in_top(bar, 3) and at_the_low


def engulfing_base(tape: Tape, t: int) -> Decimal:
    return lowest(tape, t - 1, t)


def outside_bar(tape: Tape, t: int) -> bool:
    before, bar = tape.bars[t - 1], tape.bars[t]
    if not (bar.low < before.low and bar.close > before.high and bar.low == lowest(tape, t - 19, t)):
        return False
    atr_before, tie = known(tape.atr[t - 1]), hair(bar.close)
    wide_enough = at_most(Decimal("1.2") * atr_before, bar.range, tie)
    too_wide = above(bar.range, 3 * atr_before, tie)
    return wide_enough and not too_wide and closes_in_top(bar, 4)


def outside_bar_base(tape: Tape, t: int) -> Decimal:
    """Give the bar's low, but no price further than 2 ATR from its close."""
    bar = tape.bars[t]
    return max(bar.low, bar.close - 2 * known(tape.atr[t]))


def hammer(tape: Tape, t: int) -> bool:
    bar = tape.bars[t]
    if bar.low != lowest(tape, t - 9, t):
        return False
    tie = hair(bar.close)
    lower_shadow = min(bar.open, bar.close) - bar.low
    upper_shadow = bar.high - max(bar.open, bar.close)
    return (
        at_most(2 * bar.body, lower_shadow, tie)
        and at_most(Decimal("0.6") * bar.range, lower_shadow, tie)
        and at_most(upper_shadow, Decimal("0.15") * bar.range, tie)
        and at_most(Decimal("0.8") * known(tape.atr[t - 1]), bar.range, tie)
    )


def old_low(tape: Tape, t: int) -> int:
    """Give the bar of the lowest low of the 20 bars before t, the earliest of equal lows."""
    return min(range(t - 20, t), key=lambda i: tape.bars[i].low)


def false_break(tape: Tape, t: int) -> bool:
    bar, broken = tape.bars[t], tape.bars[old_low(tape, t)].low
    if not bar.low < broken < bar.close:
        return False
    atr, tie = known(tape.atr[t]), hair(bar.close)
    depth = broken - bar.low
    deep_enough = at_most(Decimal("0.1") * atr, depth, tie)
    return deep_enough and at_most(depth, atr, tie) and t - old_low(tape, t) >= 4 and closes_in_top(bar, 2)


def inside_bar(tape: Tape, t: int) -> bool:
    mother, bar = tape.bars[t - 1], tape.bars[t]
    if not (pushes(mother) and bar.high <= mother.high and bar.low >= mother.low):
        return False
    tie = hair(bar.close)
    strong = at_most(known(tape.atr[t - 2]), mother.range, tie) and at_most(mother.range / 2, mother.body, tie)
    return strong and at_most(bar.range, Decimal("0.6") * mother.range, tie) and trend(tape, t)


def inside_bar_trigger(tape: Tape, t: int) -> Decimal:
    return tape.bars[t - 1].high


def three_bar_pullback(tape: Tape, t: int) -> bool:
    def falls(i: int) -> bool:
        return tape.bars[i].high < tape.bars[i - 1].high and tape.bars[i].low < tape.bars[i - 1].low

    if not (falls(t) and falls(t - 1) and falls(t - 2) and not falls(t - 3)):
        return False
    bar, top = tape.bars[t], tape.bars[t - 3].high
    atr, tie = known(tape.atr[t]), hair(bar.close)
    recent_high = highest(tape, t - 11, t) == highest(tape, t - 19, t)
    above_average = above(bar.low, known(tape.fast[t]) - atr / 2, tie)
    return recent_high and above_average and at_most(top - bar.low, 3 * atr, tie) and trend(tape, t)


def first_touch(tape: Tape, t: int) -> bool:
    bar, average, tie = tape.bars[t], tape.ema20[t], hair(tape.bars[t].close)
    return (
        at_most(bar.low, average, tie)
        and above(bar.close, average - known(tape.atr[t]) / 4, tie)
        and above(average, tape.ema20[t - 5], tie)
        and all(above(tape.bars[i].low, tape.ema20[i], tie) for i in range(t - 20, t))
    )


def flag_high(tape: Tape, t: int) -> int | None:
    """Find the bar q of a flag at t: a high above those of its rise that no later bar has exceeded.

    There is at most one: of two, the later would have exceeded the earlier.
    """
    for q in range(t - MOST_FLAG_BARS, t - FEWEST_FLAG_BARS + 1):
        high, rise, since = tape.bars[q].high, tape.bars[q - RISE_BARS + 1 : q], tape.bars[q + 1 : t + 1]
        if all(bar.high < high for bar in rise) and all(bar.high <= high for bar in since):
            return q
    return None


def is_flag(tape: Tape, q: int, t: int) -> bool:
    """Say whether bar t fits a flag after the high of bar q, whatever the bars between."""
    high, bar = tape.bars[q].high, tape.bars[t]
    tie = hair(bar.close)
    rise = high - lowest(tape, q - RISE_BARS + 1, q)
    given_back = high - lowest(tape, q + 1, t)
    return (
        at_most(4 * known(tape.atr[t]), rise, tie)
        and at_most(Decimal("0.15") * rise, given_back, tie)
        and at_most(given_back, rise / 2, tie)
        and bar.close < tape.bars[q + 1].close
    )


def flag(tape: Tape, t: int) -> bool:
    q = flag_high(tape, t)
    if q is None or not is_flag(tape, q, t):
        return False
    return not any(is_flag(tape, q, earlier) for earlier in range(q + FEWEST_FLAG_BARS, t))


def flag_trigger(tape: Tape, t: int) -> Decimal:
    return highest(tape, t - 2, t)


def flag_base(tape: Tape, t: int) -> Decimal:
    q = flag_high(tape, t)
    if q is None:
        raise ValueError(f"no flag ends at bar {t}")
    return lowest(tape, q + 1, t)


SETUPS = {
    "doji_pause": Setup(doji_pause, high_of_bar, doji_pause_base),
    "engulfing": Setup(engulfing, high_of_bar, engulfing_base),
    "outside_bar": Setup(outside_bar, high_of_bar, outside_bar_base),
    "hammer": Setup(hammer, high_of_bar, low_of_bar),
    "false_break": Setup(false_break, high_of_bar, low_of_bar),
    "inside_bar": Setup(inside_bar, inside_bar_trigger, low_of_bar),
    "three_bar_pullback": Setup(three_bar_pullback, high_of_bar, low_of_bar),
    "first_touch": Setup(first_touch, high_of_bar, low_of_bar),
    "flag": Setup(flag, flag_trigger, flag_base),
}
