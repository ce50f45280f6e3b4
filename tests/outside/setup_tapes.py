"""Random tapes on which all setups occur often, mostly close to one threshold.

A shape meets all its rules with room to spare, except one, which it meets exactly or misses by one price step. Every
fourth tape is a comb, on which multiples of the average true range are also met exactly. Its prices lie on a lattice of
14 · 14 steps, so that after a bar or two of another range, some more bars can bring the average back.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from tests.outside.random_tapes import UNIT, Comb, Maker, tape

if TYPE_CHECKING:
    from collections.abc import Sequence
    from random import Random

    from tests.outside.random_tapes import Row, Ticks

WARM = 250
"""Bars before the first shape of a comb, so that the shape ends after the warm-up."""

LATTICE = 14 * 14
WHOLE_UNIT = 14 * UNIT
"""A usual range whose fourteenth part is whole, too."""


def tape_of_setups(seed: int) -> list[Row]:
    """Make a tape of 600 to 1,500 bars, the same every time."""
    return tape(seed, Shapes, CombOfShapes)


class Shapes(Maker):
    """Makes bars with the shape of a setup after many of the pullbacks."""

    def __init__(self, random: Random) -> None:
        super().__init__(random)
        self.unit = WHOLE_UNIT
        self.averages: list[float] = []
        self.tight = ""
        self.miss_by = 1

    def maybe_pause(self, sign: int) -> None:
        if self.random.random() < 0.5:
            super().maybe_pause(sign)
        reversal = self.random.choice((self.engulfing, self.outside_bar, self.hammer, self.false_break))
        self.leg(sign, sign * self.close - self.random.randint(1, 3) * self.unit, self.random.randint(9, 14))
        reversal(sign)
        self.even_out()
        if self.random.random() < 0.3:
            self.advance(sign)

    def advance(self, sign: int) -> None:
        """Make a long advance, with the pauses of a trend."""
        self.leg(sign, sign * self.close + self.random.randint(12, 20) * self.unit, self.random.randint(55, 70))
        for _ in range(self.random.randint(3, 6)):
            self.random.choice((self.inside_bar, self.pullback, self.touch, self.flag))(sign)
            self.even_out()
            self.leg(sign, sign * self.close + self.random.randint(5, 8) * self.unit, self.random.randint(20, 26))

    def even_out(self) -> None:
        """Bring the average true range back to a whole number; only a comb has one."""

    # What shapes need.

    def seen(self, sign: int, count: int) -> list[Ticks]:
        """Give the last bars, reflected for a sign of −1."""
        bars = self.bars[-count:]
        return bars if sign > 0 else [(-open_, -low, -high, -close) for open_, high, low, close in bars]

    def lowest(self, sign: int, count: int) -> int:
        return min(low for _, _, low, _ in self.seen(sign, count))

    def atr(self) -> float:
        """Give the average true range, exactly enough to tell whole steps apart."""
        for t in range(len(self.averages), len(self.bars)):
            (*_, before), (_, high, low, _) = self.bars[max(t - 1, 0)], self.bars[t]
            reach = max(high, before) - min(low, before)
            last = self.averages[-1] if self.averages else 0.0
            self.averages.append(last + (reach / 14 if t < 14 else (reach - last) / 14))
        return round(self.averages[-1], 6)

    def hang_on(self, names: Sequence[str]) -> None:
        """Choose the threshold for the next shape."""
        self.tight = self.random.choice(names)

    def edge(self, name: str, met: int, miss: int, safe: int) -> int:
        """Give a number for a threshold: for the chosen one, it just meets or misses it; for others, it is safe."""
        if name != self.tight:
            return safe
        return met if self.random.random() < 0.6 else met + miss * self.miss_by

    def one_more(self, name: str, met: int, miss: int, safe: int) -> int:
        """Give a number of bars in the same way."""
        return self.edge(name, met * self.miss_by, miss, safe * self.miss_by) // self.miss_by

    def usual_bar(self, sign: int, close: int) -> None:
        """Add a bar from the last close to this one, one unit long if possible."""
        before = sign * self.close
        low = min(before, close) - self.random.randint(0, max(0, self.unit - abs(close - before)))
        self.add(sign, before, max(before, close, low + self.unit), low, close)

    # Shapes at the end of a decline.

    def engulfing(self, sign: int) -> None:
        self.hang_on(("body", "before", "opens", "covers", "third", "low"))
        bodies = sum(abs(bar[3] - bar[0]) for bar in self.bars[-13:])
        half = math.ceil(bodies / 27)  # the smallest body that is half of the mean of these 13 and itself
        if self.tight == "before":
            self.usual_bar(sign, sign * self.close - 27 * self.random.randint(2, 9) - (-bodies) % 27)
            bodies += abs(self.bars[-1][3] - self.bars[-1][0]) - abs(self.bars[-14][3] - self.bars[-14][0])
            half = math.ceil(bodies / 27)
        body_before = self.edge("before", half, -1, half + self.random.randint(1, 30))
        if self.tight == "body":
            body_before += -(bodies + body_before) % 14
        before = sign * self.close
        self.usual_bar(sign, before - body_before)
        usual = math.ceil((bodies + body_before) / 14)
        open_ = before - body_before + self.edge("opens", 0, 1, -self.random.randint(0, 20))
        close = max(open_ + usual, before) + self.random.randint(1, self.unit // 4)
        close = self.edge("body", max(open_ + usual, before), -1, close)
        close = self.edge("covers", before, -1, close)
        before_that = self.lowest(sign, 9)
        low = min(open_, before_that) - self.random.randint(0, self.unit // 8)
        if self.tight == "low" and open_ > before_that:
            low = self.edge("low", before_that, 1, low)
        low -= (close - low) % 2
        self.add(sign, open_, close + self.edge("third", (close - low) // 2, 1, (close - low) // 4), low, close)

    def outside_bar(self, sign: int) -> None:
        self.usual_bar(sign, min(sign * self.close, self.lowest(sign, 20) + self.unit // 8))
        self.hang_on(("narrow", "wide", "low", "close", "quarter"))
        (_, high_before, low_before, _) = self.seen(sign, 1)[0]
        atr = self.atr()
        lowest = self.lowest(sign, 19)
        low = self.edge("low", min(lowest, low_before - 1), 1, min(lowest, low_before) - self.random.randint(1, 20))
        close = max(high_before, low + math.ceil(1.2 * atr)) + self.random.randint(1, self.unit // 4)
        close = self.edge("close", high_before + 1, -1, close)
        if self.tight == "narrow":  # it then closes at its high
            close = low + self.edge("narrow", math.ceil(1.2 * atr), -1, 0)
        if self.tight == "wide":
            close = low + self.edge("wide", math.floor(3 * atr), 1, 0)
        low -= (close - low) % 3 if self.tight == "quarter" else 0
        above = self.edge("quarter", (close - low) // 3, 1, 0)
        self.add(sign, close - self.random.randint(0, close - low), close + above, low, close)

    def hammer(self, sign: int) -> None:
        self.hang_on(("range", "shadow", "upper", "low"))
        reach = self.edge("range", math.ceil(0.8 * self.atr()), -1, math.ceil(self.atr() * 1.1 / 140) * 140)
        upper, body, lower = reach // 20, reach // 5, 0
        if self.tight == "shadow":  # two bodies, and six tenths of the range
            upper, body = self.edge("shadow", reach // 10, 1, 0), reach * 3 // 10
        upper = self.edge("upper", reach * 3 // 20, 1, upper)
        lower = reach - upper - body
        lowest = self.lowest(sign, 9)
        low = self.edge("low", lowest, 1, lowest - self.random.randint(1, self.unit // 4))
        open_, close = low + lower, low + lower + body
        if self.random.random() < 0.5:
            open_, close = close, open_
        self.add(sign, open_, low + reach, low, close)

    def false_break(self, sign: int) -> None:
        self.hang_on(("shallow", "deep", "young", "half", "back"))
        lowest = self.lowest(sign, 20)
        old = lowest - self.random.randint(1, self.unit // 8)
        self.add(sign, old + self.unit // 2, old + self.unit, old, old + self.unit // 2)
        for _ in range(self.one_more("young", 3, -1, self.random.randint(3, 9))):
            before, eighth = sign * self.close, self.unit // 8
            close = min(max(before + self.random.randint(-2, 2) * eighth, old + eighth), old + 6 * eighth)
            low = max(old + self.random.randint(0, 1), min(before, close) - eighth)
            self.add(sign, before, low + self.unit, low, close)
        atr = (13 * self.atr() + self.unit) / 14  # the bar is one unit long and reaches the close before
        depth = self.edge("shallow", math.ceil(0.1 * atr), -1, self.unit // 7)
        if self.tight == "deep":
            depth = self.edge("deep", math.floor(atr), 1, 0)
        low = min(old - depth, sign * self.close)
        high = max(low + self.unit, sign * self.close)
        close = high - self.edge("half", (high - low) // 2, 1, self.random.randint(0, 20))
        close = self.edge("back", old + 1, -1, close)
        self.add(sign, low + self.random.randint(0, high - low), max(high, close), low, close)

    # Shapes within a rise.

    def inside_bar(self, sign: int) -> None:
        self.hang_on(("range", "body", "top", "bottom", "part"))
        before, atr = sign * self.close, self.atr()
        reach = self.edge("range", math.ceil(atr), -1, math.ceil(atr / 10) * 10)
        body = self.edge("body", (reach + 1) // 2, -1, reach * 7 // 10)
        low = before - reach // 20
        self.add(sign, low + reach // 20, low + reach, low, low + reach // 20 + body)
        inner = self.edge("part", reach * 6 // 10, 1, reach * 4 // 10)
        bottom = low + self.edge("bottom", 0, -1, reach // 4)
        if self.tight == "top":
            bottom = low + reach - inner + self.edge("top", 0, 1, 0)
        self.add(sign, bottom + inner // 2, bottom + inner, bottom, bottom + self.random.randint(0, inner))

    def pullback(self, sign: int) -> None:
        self.hang_on(("high", "low", "count", "deep"))
        before, eighth = sign * self.close, self.unit // 8
        first = high = before + eighth
        fall = eighth
        if self.tight == "deep":  # all bars are one unit long and fall by the same
            fall = math.floor((3 * (13 * self.atr() + self.unit) / 14 - self.unit) / 3)
        self.add(sign, before, high, high - self.unit, high - self.unit + eighth // 8)
        for number in range(self.one_more("count", 3, self.random.choice((-1, 1)), 3)):
            top, bottom = self.seen(sign, 1)[0][1:3]
            last = number == 2
            high = top - (self.edge("high", 1, -1, fall) if last else fall)
            low = bottom - (self.edge("low", 1, -1, fall) if last else fall)
            if last and self.tight == "deep":
                low = first - self.edge("deep", math.floor(3 * (13 * self.atr() + self.unit) / 14), 1, 0)
            self.add(sign, self.random.choice((high, low)), high, low, low + eighth // 8)

    def touch(self, sign: int) -> None:
        self.hang_on(("touch", "close"))
        average = 0.0
        for bar in self.bars:
            average += (sign * bar[3] - average) * 2 / 21
        before = sign * self.close
        quarter = (13 * self.atr() + before - average) / 14 / 4
        close = math.floor(average) + self.edge("close", math.ceil(-quarter * 21 / 19), -1, self.unit // 4)
        after = average + (close - average) * 2 / 21
        low = min(close, math.floor(after) - self.edge("touch", 0, -1, self.unit // 10))
        self.add(sign, before, max(before, close), low, close)

    def flag(self, sign: int) -> None:
        self.hang_on(("shallow", "deep", "rise", "close", "high"))
        eighth = self.unit // 8
        eighths = (3, 4) if self.tight == "rise" else (4, 6)
        for _ in range(7):
            self.usual_bar(sign, sign * self.close + self.random.randint(*eighths) * eighth)
        bottom = self.lowest(sign, 7)
        rise = max(sign * self.close + eighth - bottom, math.ceil(4.4 * self.atr()))
        rise = self.edge("rise", math.ceil(4 * self.atr()), -1, math.ceil(rise / 20) * 20)
        rise = max(rise, sign * self.close - bottom)
        high = bottom + rise
        self.add(sign, sign * self.close, high, min(sign * self.close, high - self.unit), high - eighth)
        least = high - self.edge("shallow", rise * 3 // 20, -1, self.unit)
        first_close = least + (high - least) // 2
        self.add(sign, first_close, high + self.edge("high", 0, 1, 0), least, first_close)
        for left in range(self.random.randint(3, 6), 0, -1):
            top = min(high, least + self.unit) - self.random.randint(0, eighth)
            low = min(least, top) if self.tight in {"shallow", "deep"} else top - self.unit
            if left == 1:
                low = high - self.edge("deep", rise // 2, 1, high - low)
            close = max(low, min(first_close - self.edge("close", 1, -1, self.random.randint(1, 40)), top))
            self.add(sign, close, top, low, close)


class CombOfShapes(Shapes, Comb):
    """Makes the same shapes on a comb, once it is long enough for them to be found."""

    def __init__(self, random: Random) -> None:
        super().__init__(random)
        self.unit = LATTICE * UNIT
        self.miss_by = LATTICE

    def add(self, sign: int, open_: int, high: int, low: int, close: int) -> None:
        super().add(sign, *(price // LATTICE * LATTICE for price in (open_, high, low, close)))

    def maybe_pause(self, sign: int) -> None:
        if len(self.bars) < WARM:
            return
        if self.random.random() < 0.1:
            self.pause(sign)
        self.leg(sign, sign * self.close - self.random.randint(1, 3) * self.unit, self.random.randint(9, 14))
        reversals = (self.outside_bar, self.hammer, self.false_break)
        self.random.choice((*reversals, *reversals, *reversals, self.engulfing))(sign)
        self.even_out()
        if self.random.random() < 0.5:
            self.advance(sign)

    def even_out(self) -> None:
        """Bring the average true range back to the unit, if whole bars can do that."""
        excess = self.atr() - self.unit
        while excess and excess.is_integer():
            change = max(-13 * int(excess), (self.unit - 13 * int(excess)) % 14 - self.unit)
            reach, close = self.unit + change, self.close
            low = close - self.random.randint(0, reach // LATTICE) * LATTICE
            self.bars.append((close, low + reach, low, close))
            excess = self.atr() - self.unit
