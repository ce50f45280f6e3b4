"""Tapes small enough for pencil and paper.

All tapes start quiet: every bar closes at 100, opens 1 above or below it and ranges from 99 to 101. So the usual
body is 1, the true range and the ATR are 2, both averages are 100, and the MACD line and its signal are 0.
Then come A, the first drive, D, the doji, and B, the second drive:

        open   high   low    close   body  range
    A   100.0  102.4   99.6  102.0   2.0   2.8
    D   102.0  102.6  101.6  102.1   0.1   1.0
    B   102.1  104.5  101.9  104.1   2.0   2.6

ATR: after A (13·2 + 2.8) / 14 = 2.05714, after D (13·2.05714 + 1) / 14 = 1.98163, after B
(13·1.98163 + 2.6) / 14 = 2.02580. So the tolerance of a place in the plain reading, half of that, is 1.0129.
The pullback low is the earliest low of the ten bars that end with B: 99, nine bars before it.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from tests.outside import plain_reading
from tests.outside.plain_terms import Bar

if TYPE_CHECKING:
    from tests.outside.plain_reading import Direction, Finding

Change = dict[int, str | Bar]

A, D, B = 249, 250, 251
PAUSE: Change = {A: "100 102.4 99.6 102", D: "102 102.6 101.6 102.1", B: "102.1 104.5 101.9 104.1 150"}


def bar(text: str) -> Bar:
    """Read open, high, low, close and volume; the default volume is 100, and «-» means none."""
    numbers = text.split()
    volume = numbers[4] if len(numbers) > 4 else "100"
    open_, high, low, close = (Decimal(number) for number in numbers[:4])
    return Bar(open_, high, low, close, None if volume == "-" else Decimal(volume))


def quiet(number: int, price: str = "100") -> Bar:
    """Give a quiet bar; every second one falls, including the last one before A."""
    close = Decimal(price)
    return Bar(close + (1 if number % 2 == 0 else -1), close + 1, close - 1, close, Decimal(100))


def tape_with(*changes: Change) -> list[Bar]:
    """Give the quiet tape with the pause, and with some bars replaced."""
    bars = [quiet(number) for number in range(B + 1)]
    for change in (PAUSE, *changes):
        for number, text in change.items():
            bars[number] = bar(text) if isinstance(text, str) else text
    return bars


def quiet_at(price: str, start: int, stop: int) -> Change:
    """Move some of the quiet bars to another price."""
    return {number: quiet(number, price) for number in range(start, stop)}


def prices(texts: str) -> tuple[Decimal, ...]:
    return tuple(Decimal(text) for text in texts.split())


PLAIN: dict[str, object] = {"place_quality": "plain"}
"""The quiet tape has no place that holds by the strict reading."""


def read(bars: list[Bar], changes: dict[str, object] | None = None) -> list[Finding]:
    """Find every doji pause, with the plain reading of places."""
    return plain_reading.read(bars, PLAIN | (changes or {}))


def judge(bars: list[Bar], t: int, direction: Direction, changes: dict[str, object] | None = None) -> Finding:
    """Judge one bar as a doji pause, with the plain reading of places."""
    return plain_reading.judge(bars, t, direction, PLAIN | (changes or {}))
