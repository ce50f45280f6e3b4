"""The four places of a pullback low, read plainly and for the long side."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations
from typing import TYPE_CHECKING

from tests.outside.plain_indicators import FAST, SLOW, SWING_STRENGTH, Tape, known
from tests.outside.plain_surroundings import AGAINST, trend
from tests.outside.plain_terms import Rules, above, at_most, hair

if TYPE_CHECKING:
    from collections.abc import Sequence

PLACES = ("line", "average", "level", "turn")
"""The places, safest first; line and average are equally safe."""

TOLERANCE = {"strict": Decimal("0.35"), "plain": Decimal("0.5")}

LINE_APART = {"strict": 10, "plain": 5}
NEAR_LINE = Decimal("0.25")
LINE_TO_LOW = 5
LEAST_SLOPE, GREATEST_SLOPE = Decimal("0.03"), Decimal("0.35")
BELOW_LINE = Decimal("0.5")
TOUCHES, LONG_LINE = 3, 20
AWAY_FROM_LINE = Decimal("1.5")

RISING_BARS = 10
LEAST_RISE = {FAST: Decimal("0.25"), SLOW: Decimal("0.1")}
AWAY_BARS, AWAY_FROM_AVERAGE = 20, 2

LEVEL_TO_LOW = 5
LEVEL_APART = 10
AWAY_FROM_LEVEL = 2

TURN_BARS = {"strict": 60, "plain": 40}
TURN_FALL = {"strict": 5, "plain": 3}

REACH = 2


@dataclass(frozen=True, slots=True)
class Line:
    """A rising line through the swing lows i and j; ``touches`` counts the swing lows near it, from i on."""

    i: int
    j: int
    touches: int
    first_low: Decimal
    slope: Decimal

    def at(self, bar: int) -> Decimal:
        return self.first_low + self.slope * (bar - self.i)


@dataclass(frozen=True, slots=True)
class Places:
    """The pullback low, and the price of each place that holds there, None if it does not hold.

    ``averages`` are the lengths of the averages that hold, and ``nearest_average`` is the nearest of them. ``line`` is
    the line of the place line, and ``level`` has the first and the last bar of the swing points of the place level.
    """

    low_bar: int
    low: Decimal
    prices: dict[str, Decimal | None]
    line: Line | None
    averages: tuple[int, ...]
    nearest_average: int | None = None
    level: tuple[int, int] | None = None

    @property
    def safest(self) -> str | None:
        return next((name for name in PLACES if self.prices[name] is not None), None)


def find_places(tape: Tape, t: int, rules: Rules) -> Places:
    bars = tape.bars
    last_bars = range(max(0, t - rules.pullback_window + 1), t + 1)
    low_bar = min(last_bars, key=lambda i: bars[i].low)  # min takes the earliest of equal lows
    low = bars[low_bar].low

    span = range(max(0, t - rules.place_span), low_bar - SWING_STRENGTH + 1)
    swing_lows = [j for j in span if tape.swing_lows[j]]
    swing_points = [(j, bars[j].low) for j in swing_lows] + [(j, bars[j].high) for j in span if tape.swing_highs[j]]

    line = best_line(tape, t, swing_lows, low_bar, rules.place_quality)
    near_averages = rising_averages_near(tape, t, low_bar, rules.place_quality)
    averages = sorted(
        near_averages, key=lambda length: abs(near_averages[length] - low)
    )  # in a tie, fast comes before slow

    at_level = level(tape, t, swing_points, low_bar, rules.place_quality)

    prices = {
        "line": line.at(low_bar) if line else None,
        "average": near_averages[averages[0]] if averages else None,
        "level": sum((price for _, price in at_level), Decimal(0)) / len(at_level) if at_level else None,
        "turn": low if is_turn(tape, t, low_bar, rules.place_quality) else None,
    }
    points = [bar for bar, _ in at_level]
    return Places(
        low_bar,
        low,
        prices,
        line,
        tuple(sorted(averages)),
        averages[0] if averages else None,
        (min(points), max(points)) if points else None,
    )


def near(tape: Tape, t: int, one: Decimal, other: Decimal, quality: str) -> bool:
    """Say whether two prices lie within the tolerance of a place."""
    return at_most(abs(one - other), TOLERANCE[quality] * known(tape.atr[t]), hair(tape.bars[t].close))


def best_line(tape: Tape, t: int, swing_lows: Sequence[int], low_bar: int, quality: str) -> Line | None:
    """Choose, of the lines that hold, that with most touches, then the longest span, then the earliest start."""
    bars, atr = tape.bars, known(tape.atr[t])
    tie = hair(bars[t].close)
    lines = []
    for i, j in combinations(swing_lows, 2):
        if j - i < LINE_APART[quality] or bars[j].low <= bars[i].low:
            continue
        line = Line(i, j, 0, bars[i].low, (bars[j].low - bars[i].low) / (j - i))
        if not near(tape, t, line.at(low_bar), bars[low_bar].low, quality):
            continue
        if any(not at_most(line.at(x) - NEAR_LINE * atr, bars[x].close, tie) for x in range(i, t + 1)):
            continue
        touching = [m for m in swing_lows if m >= i and at_most(abs(bars[m].low - line.at(m)), NEAR_LINE * atr, tie)]
        line = Line(i, j, len(touching), line.first_low, line.slope)
        if quality == "plain" or is_drawn_by_a_chart_reader(tape, t, line, low_bar):
            lines.append(line)
    return min(lines, key=lambda line: (-line.touches, line.i - line.j, line.i, line.j), default=None)


def is_drawn_by_a_chart_reader(tape: Tape, t: int, line: Line, low_bar: int) -> bool:
    """Say whether a line meets the further rules of the strict reading."""
    bars, atr = tape.bars, known(tape.atr[t])
    tie = hair(bars[t].close)
    if low_bar - line.j < LINE_TO_LOW or not (line.touches >= TOUCHES or line.j - line.i >= LONG_LINE):
        return False
    if not (at_most(LEAST_SLOPE * atr, line.slope, tie) and at_most(line.slope, GREATEST_SLOPE * atr, tie)):
        return False
    if any(not at_most(line.at(x) - BELOW_LINE * atr, bars[x].low, tie) for x in range(line.i, t + 1)):
        return False
    if not any(at_most(line.at(x) + AWAY_FROM_LINE * atr, bars[x].high, tie) for x in range(line.j + 1, low_bar)):
        return False
    return trend(tape, t) != AGAINST


def rising_averages_near(tape: Tape, t: int, low_bar: int, quality: str) -> dict[int, Decimal]:
    """Give the rising averages near the pullback low, by length, with their price at that low."""
    found = {}
    for length, averages in ((FAST, tape.fast), (SLOW, tape.slow)):
        if t - RISING_BARS < length - 1:
            continue
        rising = above(known(averages[t]), known(averages[t - RISING_BARS]), hair(tape.bars[t].close))
        at_low = averages[low_bar]
        if not rising or at_low is None or not near(tape, t, tape.bars[low_bar].low, at_low, quality):
            continue
        if quality == "plain" or is_come_back_to(tape, t, length, averages, low_bar):
            found[length] = at_low
    return found


def is_come_back_to(tape: Tape, t: int, length: int, averages: Sequence[Decimal | None], low_bar: int) -> bool:
    """Say whether an average meets the further rules of the strict reading."""
    bars, atr = tape.bars, known(tape.atr[t])
    tie = hair(bars[t].close)
    rise = known(averages[t]) - known(averages[t - RISING_BARS])
    if not (at_most(LEAST_RISE[length] * atr, rise, tie) and above(bars[t].close, known(averages[t]), tie)):
        return False
    before = [i for i in range(low_bar - AWAY_BARS, low_bar) if i >= length - 1]
    if not any(at_most(known(averages[i]) + AWAY_FROM_AVERAGE * atr, bars[i].high, tie) for i in before):
        return False
    return trend(tape, t) != AGAINST


def level(
    tape: Tape, t: int, swing_points: Sequence[tuple[int, Decimal]], low_bar: int, quality: str
) -> list[tuple[int, Decimal]]:
    """Give the swing points near the pullback low, if they make a level."""
    bars = tape.bars
    low = bars[low_bar].low
    at_level = [(j, price) for j, price in swing_points if near(tape, t, price, low, quality)]
    if quality == "strict":
        at_level = [(j, price) for j, price in at_level if j <= low_bar - LEVEL_TO_LOW]
    if len(at_level) < 2:
        return []
    if quality == "strict":
        first, last = min(j for j, _ in at_level), max(j for j, _ in at_level)
        left = low + AWAY_FROM_LEVEL * known(tape.atr[t])
        tie = hair(bars[t].close)
        if last - first < LEVEL_APART or not any(at_most(left, bars[x].high, tie) for x in range(last + 1, low_bar)):
            return []
    return at_level


def is_turn(tape: Tape, t: int, low_bar: int, quality: str) -> bool:
    """Say whether the pullback low is the lowest of many bars, and the market fell far to it."""
    start = t - TURN_BARS[quality] + 1
    if not 0 <= start <= low_bar:
        return False
    low = tape.bars[low_bar].low
    lowest = min(bar.low for bar in tape.bars[start : t + 1])
    highest = max(bar.high for bar in tape.bars[start : low_bar + 1])
    fall = TURN_FALL[quality] * known(tape.atr[t])
    return low == lowest and at_most(low + fall, highest, hair(tape.bars[t].close))


def reach(tape: Tape, t: int, base: Decimal, places: Places) -> Decimal:
    """Give how far the stop base lies above the pullback low, in ATR."""
    atr = known(tape.atr[t])
    return (base - places.low) / atr if atr else Decimal(0)


def within_reach(tape: Tape, t: int, base: Decimal, places: Places) -> bool:
    """Say whether a setup is still near its place."""
    return at_most(base - places.low, REACH * known(tape.atr[t]), hair(tape.bars[t].close))
