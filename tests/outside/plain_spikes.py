"""Suspected bad ticks, read plainly and from either side, and what they affect in a setup."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from tests.outside.plain_indicators import ATR_BARS, FAST, SLOW, known, true_range
from tests.outside.plain_places import AWAY_BARS, RISING_BARS, TURN_BARS, near
from tests.outside.plain_terms import above, hair

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from tests.outside.plain_indicators import Tape
    from tests.outside.plain_places import Places
    from tests.outside.plain_terms import Bar, Rules

FAR = 10
TENTH = Decimal("0.1")
LOOKED_BACK_AT = {"doji_pause": 3, "engulfing": 49, "outside_bar": 49, "hammer": 49, "flag": 49}
ELSE_LOOKED_BACK_AT = 50
"""How many bars before its last bar the rules of a setup look back."""


class Spike(NamedTuple):
    """The bar, and whether its whole body is beyond the others."""

    bar: int
    whole: bool


class Touch(NamedTuple):
    """How far back the spike lies, and what it affects: bars, ATR, a place by its name, or averages."""

    back: int
    what: str


def spikes(tape: Tape) -> list[Spike]:
    found = []
    for t in range(ATR_BARS, len(tape)):
        bar, before, atr = tape.bars[t], tape.bars[t - ATR_BARS : t], known(tape.atr[t - 1])
        highest, lowest = max(each.high for each in before), min(each.low for each in before)
        top, bottom = max(bar.open, bar.close), min(bar.open, bar.close)
        tie = max(hair(bar.high), hair(bar.low))

        def is_far(distance: Decimal, atr: Decimal = atr, tie: Decimal = tie) -> bool:
            return atr > 0 and above(distance, FAR * atr, tie)

        whole = is_far(bottom - highest) or is_far(lowest - top)
        if whole or is_far(bar.high - max(highest, top)) or is_far(min(lowest, bottom) - bar.low):
            found.append(Spike(t, whole))
    return found


def touch(
    tape: Tape, found: Sequence[Spike], t: int, setup: str, wanted: Collection[str], places: Places, rules: Rules
) -> Touch | None:
    """Say which of the spikes ``found`` affects a setup at t, from the last one on, and what it affects."""
    before = [spike for spike in reversed(found) if spike.bar <= t]
    for spike in before:
        back = t - spike.bar
        if back <= LOOKED_BACK_AT.get(setup, ELSE_LOOKED_BACK_AT):
            return Touch(back, "bars")
        if part_of_atr(tape, spike.bar, t) > TENTH:
            return Touch(back, "ATR")
        for name in wanted:
            if places.prices[name] is not None and rests_on(tape, t, spike, name, places, rules):
                return Touch(back, name)
    away = [spike.bar for spike in before if spike.whole]
    if away and order(tape.bars, t, away) != order(tape.bars, t, []):
        return Touch(t - away[0], "averages")
    return None


def part_of_atr(tape: Tape, bar: int, t: int) -> Decimal:
    """Give the remainder at t of a bar's true range, as a part of the ATR: each bar takes a fourteenth of it."""
    reach = true_range(tape.bars[bar - 1 : bar + 1])[1]
    left = reach / ATR_BARS * (Decimal(ATR_BARS - 1) / ATR_BARS) ** (t - bar)
    return left / known(tape.atr[t])


def rests_on(tape: Tape, t: int, spike: Spike, name: str, places: Places, rules: Rules) -> bool:
    bar, away = tape.bars[spike.bar], spike.bar >= places.low_bar - AWAY_BARS
    if name == "line" and places.line is not None:
        return spike.bar == places.line.i or spike.bar >= places.line.j
    if name == "average" and places.nearest_average is not None:
        first = min(places.low_bar, t - RISING_BARS) - places.nearest_average + 1
        return away or (spike.whole and spike.bar >= first)
    if name == "level" and places.level is not None:
        first, last = places.level
        is_at_it = any(near(tape, t, price, places.low, rules.place_quality) for price in (bar.high, bar.low))
        return spike.bar >= last or (spike.bar >= first and is_at_it)
    return name == "turn" and t - spike.bar < TURN_BARS[rules.place_quality]


def order(bars: Sequence[Bar], t: int, left_out: Collection[int]) -> list[int]:
    """Order close and averages, and say which way the averages go, without the closes of some bars."""

    def mean(length: int, end: int) -> Decimal | None:
        if end - length + 1 < 0:
            return None
        closes = [bars[i].close for i in range(end - length + 1, end + 1) if i not in left_out]
        return sum(closes, Decimal(0)) / len(closes)

    def compared(one: Decimal | None, other: Decimal | None) -> int:
        if one is None or other is None:
            return 0
        return above(one, other, hair(close)) - above(other, one, hair(close))

    close = bars[t].close
    fast, slow = mean(FAST, t), mean(SLOW, t)
    earlier = mean(FAST, t - RISING_BARS), mean(SLOW, t - RISING_BARS)
    return [
        compared(close, fast),
        compared(close, slow),
        compared(fast, slow),
        compared(fast, earlier[0]),
        compared(slow, earlier[1]),
    ]
