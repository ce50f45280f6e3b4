"""The indicators, read plainly: each a list with one value per bar, None until it is ready.

Averages, EMA and MACD as in textbooks; average true range after J. W. Wilder, New Concepts in
Technical Trading Systems (1978), from memory.
"""

from __future__ import annotations

from decimal import Decimal
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING

from tests.outside.plain_terms import above, hair

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.outside.plain_terms import Bar

FAST, SLOW = 50, 200
ATR_BARS = BODY_BARS = 14
SIGNAL_READY = 35
SWING_STRENGTH, OBSTACLE_STRENGTH = 3, 6

Column = list[Decimal | None]


def sma(values: Sequence[Decimal], n: int) -> Column:
    """Mean of the last n values. The running total cannot drift: decimals of a price's length add exactly."""
    means: Column = []
    total = Decimal(0)
    for t, value in enumerate(values):
        total += value
        if t >= n:
            total -= values[t - n]
        means.append(total / n if t >= n - 1 else None)
    return means


def ema(values: Sequence[Decimal], n: int) -> list[Decimal]:
    """Start at the first value, then go 2 / (n + 1) of the way to each next one."""
    smoothed: list[Decimal] = []
    for value in values:
        last = smoothed[-1] if smoothed else value
        smoothed.append(last + (value - last) * 2 / (n + 1))
    return smoothed


def true_range(bars: Sequence[Bar]) -> list[Decimal]:
    """Range of each bar, extended to the previous close."""
    ranges = [bar.range for bar in bars[:1]]
    for before, bar in pairwise(bars):
        ranges.append(max(bar.high, before.close) - min(bar.low, before.close))
    return ranges


def wilder(values: Sequence[Decimal], n: int) -> Column:
    """Mean of the first n values, then n−1 parts of the last average and one part of the new value."""
    averages: Column = []
    for t, value in enumerate(values):
        last = averages[-1] if averages else None
        if last is not None:
            averages.append((last * (n - 1) + value) / n)
        elif t == n - 1:
            averages.append(sum(values[:n], Decimal(0)) / n)
        else:
            averages.append(None)
    return averages


class Tape:
    """Bars with their indicators, for the long side.

    For the short side, make it from reflected bars: everything then reads as for the long side.
    """

    def __init__(self, bars: Sequence[Bar]) -> None:
        closes = [bar.close for bar in bars]
        self.bars = bars
        self.fast = sma(closes, FAST)
        self.slow = sma(closes, SLOW)
        self.ema12, self.ema26 = ema(closes, 12), ema(closes, 26)
        self.line = [quick - slow for quick, slow in zip(self.ema12, self.ema26, strict=True)]
        self.signal = ema(self.line, 9)
        self.ema20 = ema(closes, 20)
        self.line_above = [
            above(line, signal, hair(close)) for line, signal, close in zip(self.line, self.signal, closes, strict=True)
        ]
        self.atr = wilder(true_range(bars), ATR_BARS)
        self.usual_body = sma([bar.body for bar in bars], BODY_BARS)

    def __len__(self) -> int:
        """Count the bars."""
        return len(self.bars)

    def crossed_up(self, t: int) -> bool:
        """Say whether the MACD line crossed above its signal at t."""
        return t >= SIGNAL_READY - 1 and self.line_above[t] and not self.line_above[t - 1]

    def crossed_down(self, t: int) -> bool:
        """Say whether the MACD line was above its signal at t − 1 and no longer is."""
        return t >= SIGNAL_READY - 1 and self.line_above[t - 1] and not self.line_above[t]

    @cached_property
    def swing_lows(self) -> list[bool]:
        """Whether each bar is a swing low; for bar j this is known only from bar j + 3 on."""
        return swings([-bar.low for bar in self.bars], SWING_STRENGTH)

    @cached_property
    def swing_highs(self) -> list[bool]:
        """Whether each bar is a swing high: the swing low of the reflected prices."""
        return swings([bar.high for bar in self.bars], SWING_STRENGTH)

    @cached_property
    def obstacle_highs(self) -> list[bool]:
        """Whether each bar is a swing high by the six bars on either side, as obstacles require."""
        return swings([bar.high for bar in self.bars], OBSTACLE_STRENGTH)


def swings(highs: Sequence[Decimal], strength: int) -> list[bool]:
    """Say whether each bar is higher than the ``strength`` bars before it and not below any of as many after it."""
    return [
        strength <= j < len(highs) - strength
        and all(high > highs[j - n] and high >= highs[j + n] for n in range(1, strength + 1))
        for j, high in enumerate(highs)
    ]


def known(value: Decimal | None) -> Decimal:
    """Give a value that exists after the warm-up."""
    if value is None:
        raise ValueError("an indicator was asked for before it was ready")
    return value
