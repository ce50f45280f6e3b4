"""The levels, read plainly and from the long side: ways in, stop, objectives, room and the way to leave."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import TYPE_CHECKING

from tests.outside.plain_indicators import known
from tests.outside.plain_places import nearest_obstacle
from tests.outside.plain_terms import Rules, above, at_most, hair

if TYPE_CHECKING:
    from tests.outside.plain_indicators import Tape

STOP_ATR = Decimal("0.05")


@dataclass(frozen=True, slots=True)
class Levels:
    """The levels of one setup. The dictionaries go by entry: early, break, average.

    An entry is None where it does not apply (the average entry above the fast average). It is not plannable when
    its risk is zero or negative: then it has no objectives and no room. Room is None, too, without an obstacle.
    """

    entries: dict[str, Decimal | None]
    stop: Decimal
    risk: dict[str, Decimal]
    objectives: dict[str, tuple[Decimal, ...]]
    obstacle: Decimal | None
    room: dict[str, Decimal | None]
    exit_plan: str

    def reflected(self) -> Levels:
        """Give the same levels at prices −p; distances and rooms stay."""
        return Levels(
            {name: None if price is None else -price for name, price in self.entries.items()},
            -self.stop,
            self.risk,
            {name: tuple(-price for price in prices) for name, prices in self.objectives.items()},
            None if self.obstacle is None else -self.obstacle,
            self.room,
            self.exit_plan,
        )


def step_at(price: Decimal, rules: Rules) -> Decimal:
    """Give the price step at a price: that of the highest band it reaches, whichever its sign."""
    if isinstance(rules.step, Decimal):
        return rules.step
    return [step for lower, step in rules.step if lower <= abs(price)][-1]


def rounded(price: Decimal, direction: str, rules: Rules, tie: Decimal) -> Decimal:
    """Round up or down to the step; a price within a hair of a step is already on it."""
    step = step_at(price, rules)
    steps = price / step
    nearest = steps.to_integral_value()
    if at_most(abs(price - nearest * step), Decimal(0), tie):
        return nearest * step
    return steps.to_integral_value(ROUND_CEILING if direction == "up" else ROUND_FLOOR) * step


def find_levels(tape: Tape, t: int, rules: Rules) -> Levels:
    doji, second = tape.bars[t - 1], tape.bars[t]
    close, tie = second.close, hair(second.close)
    fast, slow, atr = known(tape.fast[t]), tape.slow[t], known(tape.atr[t])

    entries: dict[str, Decimal | None] = {
        "early": rounded(close, "up", rules, tie),
        "break": rounded(second.high + step_at(second.high, rules), "up", rules, tie),
        "average": rounded(fast, "up", rules, tie) if at_most(close, fast, tie) else None,
    }

    too_far = above(close - second.low, rules.stop_far * atr, tie)
    base = doji.low if second.low >= doji.low or too_far else second.low
    stop = rounded(base - max(step_at(base, rules), STOP_ATR * atr), "down", rules, tie)

    obstacle = nearest_obstacle(tape, t, rules)
    if obstacle is not None:
        obstacle = rounded(obstacle, "down", rules, tie)

    risk: dict[str, Decimal] = {}
    objectives: dict[str, tuple[Decimal, ...]] = {}
    room: dict[str, Decimal | None] = {}
    for name, entry in entries.items():
        if entry is None:
            continue
        risk[name] = entry - stop
        plannable = risk[name] > 0
        objectives[name] = (
            tuple(rounded(entry + n * risk[name], "down", rules, tie) for n in (1, 2, 3)) if plannable else ()
        )
        room[name] = (obstacle - entry) / risk[name] if plannable and obstacle is not None else None

    ride = slow is not None and above(close, slow, tie)
    return Levels(entries, stop, risk, objectives, obstacle, room, "ride" if ride else "quick")
