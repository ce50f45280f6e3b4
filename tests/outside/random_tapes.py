"""Invented series for comparisons: a seed gives a tape, the same one every time.

The tapes trend, pull back to lines and levels, fall and turn, and stand still; a pullback is often followed by a drive,
a doji and a drive, with sizes that keep a rule, miss it by one price step, or meet its threshold exactly. Every fourth
tape is a comb: all bars have the same true range, so the average true range is exactly that, and ties with half, a
quarter or three times of it are common.

Prices are counted in whole steps while a tape is made, and become floats at the very end.
"""

from __future__ import annotations

import math
from decimal import Decimal
from random import Random
from typing import TYPE_CHECKING

from tests.effort import EFFORT

if TYPE_CHECKING:
    from collections.abc import Callable

TAPES = 40 * EFFORT
"""The number of tapes on which the plain readings are compared."""

Row = tuple[float, float, float, float, float]
"""Open, high, low, close and volume; NaN means no volume."""

STEPS = ("0.01", "0.25", "0.001", "1", "0.00001", "0.05", "0.1")
UNIT = 80
"""A usual range in price steps; its tenths, twentieths, quarters and eighths are whole."""


def step_of(seed: int) -> Decimal:
    """Give the price step of the tape with this seed."""
    return Decimal(STEPS[seed % len(STEPS)])


def tape(seed: int, usual: type[Maker] | None = None, comb: type[Comb] | None = None) -> list[Row]:
    """Make a tape of 600 to 1,500 bars; other makers may replace the default ones."""
    random = Random(seed)
    maker = (comb or Comb)(random) if seed % 4 == 3 else (usual or Maker)(random)
    bars = maker.make(random.randint(600, 1500))
    volumes = volumes_of(random, bars)

    lowest, highest = min(bar[2] for bar in bars), max(bar[1] for bar in bars)
    height = highest - lowest
    base = random.choice(
        (
            lowest - random.randint(1, 40) * height // 10,  # all above zero
            lowest - random.randint(1, 40) * height // 10,
            lowest - random.randint(100, 2000) * UNIT,
            (lowest + highest) // 2,  # on both sides of zero
            highest + random.randint(1, 20) * height // 10,  # all below zero
        )
    )
    step = step_of(seed)
    return [
        (*(float((price - base) * step) for price in bar), volume)  # type: ignore[misc]  # a bar has four prices
        for bar, volume in zip(bars, volumes, strict=True)
    ]


Ticks = tuple[int, int, int, int]
"""Open, high, low and close in price steps."""


class Maker:
    """Makes bars, one stretch after the other."""

    def __init__(self, random: Random) -> None:
        self.random = random
        self.bars: list[Ticks] = []
        self.unit = UNIT

    def make(self, count: int) -> list[Ticks]:
        """Make a number of bars."""
        self.bars = [(0, self.unit // 2, -self.unit // 2, 0)]
        stretches: tuple[Callable[[int], None], ...] = (
            self.channel,
            self.lean,
            self.box,
            self.fall_and_turn,
            self.drift,
        )
        while len(self.bars) < count:
            self.random.choice(stretches)(self.random.choice((1, -1)))
            if self.random.random() < 0.2:
                self.stand_still()
        return self.bars[:count]

    @property
    def close(self) -> int:
        return self.bars[-1][3]

    def add(self, sign: int, open_: int, high: int, low: int, close: int) -> None:
        """Add a bar; for a sign of −1 it is given in reflected prices."""
        if sign > 0:
            self.bars.append((open_, high, low, close))
        else:
            self.bars.append((-open_, -low, -high, -close))

    # Stretches; the sign says whether they go up or down.

    def channel(self, sign: int) -> None:
        """Advance in waves with lows on a line, some of them slightly off it."""
        start, begun = sign * self.close, len(self.bars)
        slope = self.random.randint(2, 12) * self.unit // 40
        for _ in range(self.random.randint(3, 6)):
            self.leg(sign, sign * self.close + self.random.randint(2, 6) * self.unit, self.random.randint(5, 14))
            bars = self.random.randint(4, 9)
            line = start + slope * (len(self.bars) + bars - begun)
            self.leg(sign, line + self.random.choice((0, 0, 1, -1, 5, -5)) * self.unit // 20, bars)
            self.maybe_pause(sign)

    def lean(self, sign: int) -> None:
        """Make a long advance and come back to the average of 50 or 200 bars, sometimes up to half a unit off it."""
        for _ in range(self.random.randint(2, 4)):
            self.leg(sign, sign * self.close + self.random.randint(3, 6) * self.unit, self.random.randint(20, 35))
            closes = [sign * bar[3] for bar in self.bars[-self.random.choice((50, 50, 200)) :]]
            beside = self.random.choice((0, 0, 1, 2, -1, -4, 4)) * self.unit // 8
            self.leg(sign, sum(closes) // len(closes) + beside, self.random.randint(6, 12))
            self.maybe_pause(sign)

    def box(self, sign: int) -> None:
        """Go up and down between two prices."""
        floor = sign * self.close
        ceiling = floor + self.random.randint(3, 7) * self.unit
        for _ in range(self.random.randint(3, 6)):
            self.leg(sign, ceiling + self.random.choice((0, 0, 1, -2)) * self.unit // 8, self.random.randint(5, 12))
            self.leg(sign, floor + self.random.choice((0, 0, 1, -2)) * self.unit // 8, self.random.randint(4, 9))
            self.maybe_pause(sign)

    def fall_and_turn(self, sign: int) -> None:
        """Make a long decline, then turn."""
        self.leg(sign, sign * self.close - self.random.randint(4, 12) * self.unit, self.random.randint(12, 40))
        self.maybe_pause(sign)

    def drift(self, sign: int) -> None:
        """Wander off."""
        self.leg(sign, sign * self.close + self.random.randint(-3, 8) * self.unit, self.random.randint(10, 60))
        self.maybe_pause(sign)

    def stand_still(self) -> None:
        """Close at one price for a while, mostly within small ranges, sometimes without any."""
        close, small = self.close, self.unit // 8
        for _ in range(self.random.choice((3, 8, 20, 60))):
            if self.random.random() < 0.3:
                self.bars.append((close, close, close, close))
            else:
                self.bars.append((self.random.choice((close, close - small)), close + small, close - small, close))

    def leg(self, sign: int, target: int, count: int) -> None:
        """Go to a target in a number of bars; the last one touches it."""
        for left in range(count, 0, -1):
            before = sign * self.close
            open_ = before + self.random.choice((0, 0, 0, 1, -2))
            move = (target - before) // left + round(self.random.gauss(0, 0.25) * self.unit)
            close = target if left == 1 else open_ + move
            high = max(open_, close) + int(abs(self.random.gauss(0, 0.3)) * self.unit)
            low = min(open_, close) - int(abs(self.random.gauss(0, 0.3)) * self.unit)
            if self.random.random() < 0.15:
                low = min(low, self.equal_low(sign, low))
            self.add(sign, open_, high, low, close)

    def equal_low(self, sign: int, low: int) -> int:
        """Give the lowest low of the last eight bars if it is not far below, else the same low."""
        lows = [bar[2] if sign > 0 else -bar[1] for bar in self.bars[-8:]]
        return min(lows) if low - min(lows) < self.unit else low

    def maybe_pause(self, sign: int) -> None:
        """Add a doji pause more often than not."""
        for _ in range(self.random.choice((0, 0, 0, 1, 2, 3))):
            self.leg(sign, sign * self.close + self.random.randint(0, self.unit // 2), 1)
        if self.random.random() < 0.8:
            self.pause(sign)

    def pause(self, sign: int) -> None:
        """Add a drive, a doji and a drive: most fit, some meet a threshold exactly, some miss one by a step."""
        random = self.random
        bodies = sum(abs(bar[3] - bar[0]) for bar in self.bars[-13:])
        if random.random() < 0.3:  # a bar that makes the usual body a whole number of steps
            before = sign * self.close
            body = self.unit // 4 + (-bodies - self.unit // 4) % 14
            self.add(sign, before, before + body, before - body, before + body)
        last = self.bars[-14:]
        usual = math.ceil(sum(abs(bar[3] - bar[0]) for bar in last) / len(last))
        most = int(3 * sum(bar[1] - bar[2] for bar in last) / len(last))  # about three times the ATR

        usual_bodies = (math.ceil(usual * random.uniform(1.0, 2.2) / 28) * 28 for _ in range(6))
        body = max(4, random.choice((usual, usual - 1, *usual_bodies)))
        usual_ranges = (int(body * random.uniform(1.1, 1.9) / 20) * 20 for _ in range(9))
        reach = max(body, random.choice((2 * body, 2 * body + 1, *usual_ranges)))
        if random.random() < 0.08:
            reach = most + random.choice((-2, -1, 0, 1, 2))
            body = (reach + 1) // 2
        open_ = sign * self.close + random.choice((0, 0, 0, 1, -2))
        below = random.randint(0, reach - body)
        close = open_ + body
        self.add(sign, open_, open_ - below + reach, open_ - below, close)

        doji_close = self.doji(sign, body, reach)
        doji_high = self.bars[-1][1] if sign > 0 else -self.bars[-1][2]
        self.second_drive(sign, body, doji_close, max(close, doji_high))

    def doji(self, sign: int, drive_body: int, drive_range: int) -> int:
        """Add a bar of indecision and give its close."""
        random = self.random
        reach = random.choice(
            (
                drive_range * 3 // 4,
                drive_range * 3 // 4 + 1,
                drive_range * 7 // 20,
                0,
                *(int(drive_range * random.uniform(0.15, 0.74) / 10) * 10 for _ in range(8)),
            )
        )
        most = max(reach // 10, drive_body // 20)
        body = min(random.choice((0, most, most, most, most // 2, most + 1)), reach)
        open_ = sign * self.close + random.choice((0, 0, 0, 1, -2, reach // 3, -reach // 3))
        below = random.randint(0, reach - body)
        close = open_
        if random.random() < 0.5:
            close = open_ + body
            low = open_ - below
        else:
            close = open_ - body
            low = close - below
        self.add(sign, open_, low + reach, low, close)
        return close

    def second_drive(self, sign: int, first_body: int, before: int, to_beat: int) -> None:
        """Add the second drive."""
        random = self.random
        body = random.choice(
            (
                first_body * 7 // 4,
                first_body * 7 // 4 + 1,
                first_body * 4 // 7,
                first_body * 4 // 7 + 1,
                *(int(first_body * random.uniform(0.6, 1.7)) for _ in range(8)),
            )
        )
        reach = random.choice((2 * body, 2 * body + 1, *(int(body * random.uniform(1.05, 1.9)) for _ in range(8))))
        close = random.choice((to_beat, *(max(before + body, to_beat + random.randint(1, 9)) for _ in range(9))))
        below = random.randint(0, reach - body)
        low = close - body - below
        if random.random() < 0.15:
            low = min(low, self.equal_low(sign, low))
        self.add(sign, close - body, close - body - below + reach, low, close)


class Comb(Maker):
    """Makes bars that all have a true range of one unit, on a lattice of eighths of it."""

    def make(self, count: int) -> list[Ticks]:
        """Make a number of bars."""
        self.eighth = self.unit // 8
        return super().make(count)

    def stand_still(self) -> None:
        """Close at one price for a while."""
        for _ in range(self.random.choice((3, 8, 20))):
            self.comb_bar(1, self.close)

    def leg(self, sign: int, target: int, count: int) -> None:
        """Go towards a target, no faster than one unit a bar."""
        for left in range(count, 0, -1):
            before = sign * self.close
            wanted = (target - before) // left // self.eighth + self.random.choice((-2, -1, 0, 0, 1, 2))
            self.comb_bar(sign, before + max(-8, min(8, wanted)) * self.eighth)

    def comb_bar(self, sign: int, close: int) -> None:
        """Add a bar around the last close and this one."""
        before = sign * self.close
        slack = (self.unit - abs(close - before)) // self.eighth
        low = min(before, close) - self.random.randint(0, slack) * self.eighth
        self.add(sign, low + self.random.randint(0, 8) * self.eighth, low + self.unit, low, close)

    def pause(self, sign: int) -> None:
        """Add a doji pause: the doji is shorter than the drives, and a gap makes up for that."""
        random = self.random
        # Sometimes three times as large: the longest first drive allowed. It ends the constant true range.
        size = 3 if random.random() < 0.04 else 1
        eighth, unit = size * self.eighth, size * self.unit
        body = random.randint(4, 8)
        low = sign * self.close - random.randint(0, 8 - body) * eighth
        open_ = low + random.randint(0, 8 - body) * eighth
        close = open_ + body * eighth
        self.add(sign, open_, low + unit, low, close)

        reach = random.choice((2, 4, 6, 6, 6, 7))
        gap = (8 - reach) * eighth
        doji_low = close + gap if random.random() < 0.5 else close - gap - reach * eighth
        doji_close = doji_low + random.randint(1, reach - 1) * eighth
        doji_body = random.choice((0, reach * eighth // 10, body * eighth // 20, reach * eighth // 10 + 1))
        self.add(sign, doji_close - doji_body, doji_low + reach * eighth, doji_low, doji_close)

        to_beat = max(close, doji_low + reach * eighth)
        second_body = random.choice((4, 5, 6, 7, body * 7 // 4, body * 4 // 7))
        second_body = min(second_body, 8)
        second_close = to_beat + random.choice((0, 1, 1, 2)) * eighth
        second_low = min(doji_close, second_close - second_body * eighth)
        second_low = max(second_low, second_close - unit)
        self.add(sign, second_close - second_body * eighth, second_low + unit, second_low, second_close)


def volumes_of(random: Random, bars: list[Ticks]) -> list[float]:
    """Invent volumes: none, constant, always zero, or changing with some missing or zero."""
    kind = random.choice(("none", "same", "whole", "zero", "broken", "holes"))
    volumes: list[float] = []
    for open_, high, low, close in bars:
        volume = {"none": math.nan, "same": 700.0, "zero": 0.0, "broken": round(random.uniform(0, 90), 3)}.get(
            kind, float(random.randint(50, 5000) + 10 * abs(close - open_))
        )
        if kind == "holes" and random.random() < 0.02:
            volume = math.nan
        if kind != "none" and random.random() < (0.5 if high == low else 0.01):
            volume = 0.0
        volumes.append(volume)
    return volumes
