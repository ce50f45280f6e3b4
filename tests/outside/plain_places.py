"""Where it happens, read plainly: the four places of a pullback low, seen from the long side."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations
from typing import TYPE_CHECKING

from tests.outside.plain_indicators import FAST, SLOW, SWING_STRENGTH, Tape, known
from tests.outside.plain_terms import Rules, above, at_most, hair

if TYPE_CHECKING:
    from collections.abc import Sequence

PLACES = ("line", "average", "level", "turn")
"""The places, the safest first; line and average are equally safe."""

LINE_APART = 5
NEAR_LINE = Decimal("0.25")
RISING_BARS = 10
TURN_BARS = 40
TURN_FALL = 3


@dataclass(frozen=True, slots=True)
class Line:
    """A rising line through the swing lows i and j; ``touches`` are the swing lows from i on that lie near it."""

    i: int
    j: int
    touches: int
    first_low: Decimal
    slope: Decimal

    def at(self, bar: int) -> Decimal:
        return self.first_low + self.slope * (bar - self.i)


@dataclass(frozen=True, slots=True)
class Places:
    """The pullback low and the price of each place that holds there, None where it does not.

    ``averages`` names the lengths of the averages that hold; ``line`` and ``swing_count`` say what the places
    line and level stand on.
    """

    low_bar: int
    low: Decimal
    prices: dict[str, Decimal | None]
    line: Line | None
    averages: tuple[int, ...]
    swing_count: int

    @property
    def safest(self) -> str | None:
        return next((name for name in PLACES if self.prices[name] is not None), None)


def find_places(tape: Tape, t: int, rules: Rules) -> Places:
    bars, atr = tape.bars, known(tape.atr[t])
    tie = hair(bars[t].close)
    tolerance = rules.place_tolerance * atr

    last_bars = range(max(0, t - rules.pullback_window + 1), t + 1)
    low_bar = min(last_bars, key=lambda i: bars[i].low)  # of equal lows, min takes the earliest
    low = bars[low_bar].low

    span = range(max(0, t - rules.place_span), low_bar - SWING_STRENGTH + 1)
    swing_lows = [j for j in span if tape.swing_low(j)]
    swing_prices = [bars[j].low for j in swing_lows] + [bars[j].high for j in span if tape.swing_high(j)]

    line = best_line(tape, t, swing_lows, low_bar, tolerance)

    near_averages = rising_averages_near(tape, t, low_bar, tolerance)
    averages = sorted(
        near_averages, key=lambda length: abs(near_averages[length] - low)
    )  # a tie keeps fast before slow

    at_level = [price for price in swing_prices if at_most(abs(price - low), tolerance, tie)]

    prices = {
        "line": line.at(low_bar) if line else None,
        "average": near_averages[averages[0]] if averages else None,
        "level": sum(at_level, Decimal(0)) / len(at_level) if len(at_level) >= 2 else None,
        "turn": low if is_turn(tape, t, low_bar) else None,
    }
    return Places(low_bar, low, prices, line, tuple(sorted(averages)), len(at_level))


def best_line(tape: Tape, t: int, swing_lows: Sequence[int], low_bar: int, tolerance: Decimal) -> Line | None:
    """Of all the lines that hold, take the most touches, then the longest span, then the earliest start."""
    bars, atr = tape.bars, known(tape.atr[t])
    tie = hair(bars[t].close)
    lines = []
    for i, j in combinations(swing_lows, 2):
        if j - i < LINE_APART or bars[j].low <= bars[i].low:
            continue
        line = Line(i, j, 0, bars[i].low, (bars[j].low - bars[i].low) / (j - i))
        if not at_most(abs(line.at(low_bar) - bars[low_bar].low), tolerance, tie):
            continue
        if any(not at_most(line.at(x) - NEAR_LINE * atr, bars[x].close, tie) for x in range(i, t + 1)):
            continue
        near = [m for m in swing_lows if m >= i and at_most(abs(bars[m].low - line.at(m)), NEAR_LINE * atr, tie)]
        lines.append(Line(i, j, len(near), line.first_low, line.slope))
    return min(lines, key=lambda line: (-line.touches, line.i - line.j, line.i, line.j), default=None)


def rising_averages_near(tape: Tape, t: int, low_bar: int, tolerance: Decimal) -> dict[int, Decimal]:
    """Give the averages that rise and lie near the pullback low, by their length, with their price at that low."""
    tie = hair(tape.bars[t].close)
    found = {}
    for length, averages in ((FAST, tape.fast), (SLOW, tape.slow)):
        if t - RISING_BARS < length - 1:
            continue
        rising = above(known(averages[t]), known(averages[t - RISING_BARS]), tie)
        at_low = averages[low_bar]
        if rising and at_low is not None and at_most(abs(tape.bars[low_bar].low - at_low), tolerance, tie):
            found[length] = at_low
    return found


def is_turn(tape: Tape, t: int, low_bar: int) -> bool:
    """Tell whether the pullback low is the lowest of 40 bars and the market fell at least 3 ATR to it."""
    start = t - TURN_BARS + 1
    if not 0 <= start <= low_bar:
        return False
    low = tape.bars[low_bar].low
    lowest = min(bar.low for bar in tape.bars[start : t + 1])
    highest = max(bar.high for bar in tape.bars[start : low_bar + 1])
    fall = TURN_FALL * known(tape.atr[t])
    return low == lowest and at_most(low + fall, highest, hair(tape.bars[t].close))


def nearest_obstacle(tape: Tape, t: int, rules: Rules) -> Decimal | None:
    """Give the nearest price above the close at which an advance may stop.

    That is the lowest swing point above it that has another swing point within the tolerance, or the slow average
    when that is above the close and nearer.
    """
    bars = tape.bars
    close, tie = bars[t].close, hair(bars[t].close)
    tolerance = rules.place_tolerance * known(tape.atr[t])
    span = range(max(0, t - rules.place_span), t - SWING_STRENGTH + 1)
    points = [bars[j].low for j in span if tape.swing_low(j)] + [bars[j].high for j in span if tape.swing_high(j)]
    obstacles = [
        price
        for number, price in enumerate(points)
        if price > close
        and any(other != number and at_most(abs(points[other] - price), tolerance, tie) for other in range(len(points)))
    ]
    slow = tape.slow[t]
    if slow is not None and above(slow, close, tie):
        obstacles.append(slow)
    return min(obstacles, default=None)
