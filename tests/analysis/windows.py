"""Windows of a series, laid out by hand: what the compiled code reads around one bar."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from scanner.analysis.columns import (
    CLOSE,
    COLUMNS,
    DEEP,
    DEEP_CLOSE,
    DEEP_HIGH,
    DEEP_LOW,
    FAR_HIGH,
    FAR_LOW,
    FAST_AVERAGE,
    HIGH,
    LOW,
    SESSION_HIGH,
    SESSION_LOW,
    SLOW_AVERAGE,
    SWING_HIGH,
    SWING_LOW,
)
from scanner.analysis.places import structure
from scanner.analysis.places.obstacles import find_obstacles, obstacle_words, room_for_obstacles
from scanner.analysis.rules import Rules

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

BARS, T = 420, 400
"""Bars of a scene, and the one that is looked at: what comes later is nonsense that nothing may read."""
ATR = 1.0
MIRRORED_MARKS = {SWING_LOW: SWING_HIGH, SWING_HIGH: SWING_LOW, FAR_LOW: FAR_HIGH, FAR_HIGH: FAR_LOW}


def bars_at(value: float) -> Floats:
    return np.full(BARS, value)


@dataclass
class Scene:
    """Bars around a bar T, all at rest between 110 and 110.5 until a test moves some; the ATR is 1."""

    lows: Floats = field(default_factory=lambda: bars_at(110.0))
    highs: Floats = field(default_factory=lambda: bars_at(110.5))
    closes: Floats = field(default_factory=lambda: bars_at(110.25))
    fast: Floats = field(default_factory=lambda: bars_at(100.0))
    slow: Floats = field(default_factory=lambda: bars_at(90.0))
    session_high: float = float("nan")
    session_low: float = float("nan")
    marks: NDArray[np.uint8] = field(default_factory=lambda: np.zeros(BARS, dtype=np.uint8))
    begin: int = 100

    def low(self, bar: int, price: float, mark: int = 0) -> None:
        """Let a bar reach down to a price."""
        self.lows[bar] = price
        self.marks[bar] |= mark

    def high(self, bar: int, price: float, mark: int = 0) -> None:
        """Let a bar reach up to a price."""
        self.highs[bar] = price
        self.marks[bar] |= mark

    def windows(self, sign: int, rules: Rules) -> tuple[Any, ...]:
        """Give deep, marks, series, t, shift, begin and sign; mirrored for −1, so that both have the same answers."""
        later = slice(T + 1, None)
        lows, highs, closes, marks = self.lows.copy(), self.highs.copy(), self.closes.copy(), self.marks.copy()
        # Neither what comes later nor what came before the first bar may be read.
        for nonsense in (later, slice(self.begin)):
            lows[nonsense], highs[nonsense], closes[nonsense], marks[nonsense] = -1e6, 1e6, 0.0, 255
        session = (self.session_high, self.session_low)
        if sign < 0:
            lows, highs, closes, session = -highs, -lows, -closes, (-self.session_low, -self.session_high)
            marks = np.array(
                [sum(MIRRORED_MARKS[bit] for bit in MIRRORED_MARKS if mark & bit) for mark in marks], np.uint8
            )
        deep = np.full((DEEP, BARS), np.nan)
        deep[DEEP_LOW], deep[DEEP_HIGH], deep[DEEP_CLOSE] = lows, highs, closes
        shift = T - rules.looks_back
        series = np.full((COLUMNS, BARS - shift), np.nan)
        series[LOW], series[HIGH], series[CLOSE] = lows[shift:], highs[shift:], closes[shift:]
        series[FAST_AVERAGE], series[SLOW_AVERAGE] = sign * self.fast[shift:], sign * self.slow[shift:]
        series[SESSION_HIGH], series[SESSION_LOW] = session
        return deep, marks, series, T - shift, shift, self.begin, float(sign)

    def look(self, sign: int = 1, rules: Rules | None = None) -> Any:  # noqa: ANN401 - a PLACES record
        """Look at the places at bar T."""
        rules = rules or Rules()
        found = np.zeros(1, dtype=structure.PLACES)
        structure.look(*(*self.windows(sign, rules), rules.record, ATR, found, structure.room_to_look(rules)))
        return found[0]

    def obstacles(self, sign: int = 1, rules: Rules | None = None) -> list[tuple[float, str]]:
        """Give what lies ahead of the close of bar T."""
        rules = rules or Rules()
        (prices,), (kinds,) = room_for_obstacles(rules, 1)
        count = find_obstacles(*(*self.windows(sign, rules), rules.record, prices, kinds))
        return [
            (float(price), obstacle_words(int(kind), sign, rules))
            for price, kind in zip(prices[:count], kinds[:count], strict=True)
        ]
