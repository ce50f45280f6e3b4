"""The levels, read plainly and for the long side: entries, stop, objectives, obstacles, room and exit style."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import TYPE_CHECKING

from tests.outside.plain_indicators import known
from tests.outside.plain_obstacles import Obstacle, obstacles
from tests.outside.plain_terms import Rules, above, at_most, hair

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.outside.plain_indicators import Tape

STOP_ATR = Decimal("0.05")


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry. If its risk is zero or negative, it cannot be planned: then it has no objectives and no room.

    ``obstacle`` is the nearest one at least a step beyond the entry, and ``broken`` are those between the close and
    that. All these prices are rounded to the step.
    """

    price: Decimal
    risk: Decimal
    objectives: tuple[Decimal, ...]
    obstacle: Obstacle | None
    broken: tuple[Obstacle, ...]
    room: Decimal | None

    @property
    def plannable(self) -> bool:
        return self.risk > 0

    def reflected(self) -> Entry:
        """Give the same entry at prices −p; distances and room do not change."""
        return replace(
            self,
            price=-self.price,
            objectives=tuple(-price for price in self.objectives),
            obstacle=None if self.obstacle is None else Obstacle(-self.obstacle.price, self.obstacle.names),
            broken=tuple(Obstacle(-each.price, each.names) for each in self.broken),
        )


@dataclass(frozen=True, slots=True)
class Levels:
    """The levels of one setup; an entry (early, break, average) is None if it does not apply."""

    entries: dict[str, Entry | None]
    stop: Decimal
    exit_plan: str

    def reflected(self) -> Levels:
        """Give the same levels at prices −p."""
        entries = {name: None if entry is None else entry.reflected() for name, entry in self.entries.items()}
        return Levels(entries, -self.stop, self.exit_plan)


def step_at(price: Decimal, rules: Rules) -> Decimal:
    """Give the price step at a price: that of the highest band reached by its absolute value."""
    if isinstance(rules.step, Decimal):
        return rules.step
    return [step for lower, step in rules.step if lower <= abs(price)][-1]


def rounded(price: Decimal, direction: str, rules: Rules, tie: Decimal) -> Decimal:
    """Round up or down to the step; a price within a hair of a step counts as on it."""
    step = step_at(price, rules)
    steps = price / step
    nearest = steps.to_integral_value()
    if at_most(abs(price - nearest * step), Decimal(0), max(tie, hair(price))):
        return nearest * step
    return steps.to_integral_value(ROUND_CEILING if direction == "up" else ROUND_FLOOR) * step


def find_levels(
    tape: Tape, t: int, trigger: Decimal, base: Decimal, rules: Rules, session_of: Sequence[int] | None = None
) -> Levels:
    """Find the levels of a setup from its trigger and its stop base."""
    close, tie = tape.bars[t].close, hair(tape.bars[t].close)
    fast, slow, atr = known(tape.fast[t]), tape.slow[t], known(tape.atr[t])

    prices: dict[str, Decimal | None] = {
        "early": rounded(close, "up", rules, tie),
        "break": rounded(trigger + step_at(trigger, rules), "up", rules, tie),
        "average": rounded(fast, "up", rules, tie) if at_most(close, fast, tie) else None,
    }
    stop = rounded(base - max(step_at(base, rules), STOP_ATR * atr), "down", rules, tie)

    ahead = [each for each in obstacles(tape, t, session_of) if above(each.price, close, tie)]
    on_steps = [Obstacle(rounded(each.price, "down", rules, tie), each.names) for each in ahead]
    entries = {
        name: None if price is None else entry_at(price, stop, on_steps, rules, tie) for name, price in prices.items()
    }
    ride = slow is not None and above(close, slow, tie)
    return Levels(entries, stop, "ride" if ride else "quick")


def entry_at(price: Decimal, stop: Decimal, ahead: Sequence[Obstacle], rules: Rules, tie: Decimal) -> Entry:
    """Plan an entry; ``ahead`` are the obstacles above the close, nearest first."""
    risk = price - stop
    beyond = [each for each in ahead if each.price >= price + step_at(price, rules)]
    broken = tuple(ahead[: len(ahead) - len(beyond)])
    obstacle = beyond[0] if beyond else None
    if risk <= 0:
        return Entry(price, risk, (), obstacle, broken, None)
    objectives = tuple(rounded(price + n * risk, "down", rules, tie) for n in (1, 2, 3))
    return Entry(
        price, risk, objectives, obstacle, broken, None if obstacle is None else (obstacle.price - price) / risk
    )
