"""A second opinion on the setups: the rules read slowly, in plain Python with exact decimals.

It shares no code with the engine, so the two can be compared. It is written for a trader who programs: one rule after
the other, each as one would say it, always for the long side. The short side is the long side of reflected prices:
every price p becomes −p, and the prices found are turned back at the end.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from decimal import Decimal, localcontext
from operator import itemgetter
from typing import TYPE_CHECKING, Literal

from tests.outside.plain_indicators import Tape
from tests.outside.plain_levels import Levels, find_levels, step_at
from tests.outside.plain_obstacles import obstacles
from tests.outside.plain_pause import Awaited, awaited, evidence, shape
from tests.outside.plain_places import PLACES, Places, find_places, reach, within_reach
from tests.outside.plain_setups import SETUPS
from tests.outside.plain_spikes import Touch, spikes, touch
from tests.outside.plain_surroundings import Circumstances, set_aside, surroundings
from tests.outside.plain_terms import DIGITS, Bar, Measured, Rules, above, hair

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from tests.outside.plain_obstacles import Obstacle

Direction = Literal["long", "short"]
DIRECTIONS: tuple[Direction, ...] = ("long", "short")

PLACES_WANTED: Mapping[str, Collection[str]] = {
    "doji_pause": PLACES,
    "engulfing": ("level", "average"),
    "hammer": ("level", "average"),
}
"""The setups that need a place, and which places."""
BARS = {"doji_pause": 3, "engulfing": 2, "outside_bar": 2, "inside_bar": 2, "three_bar_pullback": 3}
"""The number of bars of a setup, if it has more than one."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What the rules say of bar t in one direction.

    Prices are real prices in both directions; other measured values are as for the long side. ``rules`` has place and
    reach if the setup needs a place, and the doji pause's own rules. ``averages`` are the lengths of the averages of
    the place; ``line`` has the two bars through which the line is drawn, and its touches. ``evidence`` is that of the
    doji pause, empty for other setups. ``failing`` names the required surroundings that fail, and ``touch`` says what
    a suspected bad tick affects.
    """

    t: int
    direction: Direction
    setup: str
    rules: dict[str, Measured]
    low_bar: int
    low: Decimal
    places: dict[str, Decimal | None]
    safest: str | None
    averages: tuple[int, ...]
    line: tuple[int, int, int] | None
    evidence: dict[str, Measured]
    levels: Levels
    surroundings: dict[str, Measured]
    failing: list[str]
    touch: Touch | None

    @property
    def qualified(self) -> bool:
        return all(rule.verdict for rule in self.rules.values())

    @property
    def set_aside(self) -> bool:
        return bool(self.failing) or self.touch is not None

    @property
    def points(self) -> tuple[int, int]:
        """Give the points of evidence, and the most that could be reached."""
        counted = [point.verdict for point in self.evidence.values() if point.verdict is not None]
        return sum(counted), len(counted)


class Reading:
    """A series read from both sides; it can judge any bar from the warm-up on."""

    def __init__(
        self, bars: Sequence[Bar], changes: dict[str, object] | None = None, around: Circumstances | None = None
    ) -> None:
        self.rules = Rules.overriding(changes or {})
        self.around = around or Circumstances()
        self._held: dict[tuple[str, str, int], list[int]] = {}
        with localcontext(prec=DIGITS):
            self.sides = {"long": Tape(bars), "short": Tape([bar.reflected() for bar in bars])}
            self.spikes = spikes(self.sides["long"])
            coarse = self.around.coarse
            self.coarse = (
                None if coarse is None else {"long": Tape(coarse), "short": Tape([bar.reflected() for bar in coarse])}
            )

    def under(self, changes: dict[str, object]) -> Reading:
        """Read the same series under other rules."""
        other = copy(self)
        other.rules = Rules.overriding(changes)
        return other

    def places(self, t: int, direction: Direction) -> dict[str, Decimal | None]:
        """Find the places of a bar: the price of each, None if it does not hold."""
        sign = 1 if direction == "long" else -1
        with localcontext(prec=DIGITS):
            found = find_places(self.sides[direction], t, self.rules).prices
        return {name: None if price is None else sign * price for name, price in found.items()}

    def obstacles_ahead(self, t: int, direction: Direction) -> list[Obstacle]:
        """Give the obstacles beyond the close in that direction, nearest first."""
        tape, close = self.sides[direction], self.sides[direction].bars[t].close
        with localcontext(prec=DIGITS):
            found = obstacles(tape, t, self.around.session_of)
            return [each for each in found if above(each.price, close, hair(close))]

    def judge(self, t: int, direction: Direction, setup: str = "doji_pause") -> Finding:
        """Judge one bar in one direction; a setup other than the doji pause must hold there, except for its place."""
        tape, rules, around = self.sides[direction], self.rules, self.around
        if not rules.warm_up <= t + 1 <= len(tape):
            raise ValueError(f"bar {t} is not among the bars {rules.warm_up - 1} to {len(tape) - 1} that can be judged")
        sign = 1 if direction == "long" else -1
        with localcontext(prec=DIGITS):
            places = find_places(tape, t, rules)
            trigger, base = SETUPS[setup].trigger(tape, t), SETUPS[setup].base(tape, t)
            levels = find_levels(tape, t, trigger, base, rules, around.session_of)
            judged = surroundings(
                tape,
                t,
                BARS.get(setup, 1),
                step_at(tape.bars[t].close, rules),
                levels.entries[rules.entry_style],
                around,
                None if self.coarse is None else self.coarse[direction],
            )
            pause = setup == "doji_pause"
            return Finding(
                t,
                direction,
                setup,
                (shape(tape, t, rules) if pause else {}) | place_rules(tape, t, setup, base, places, rules),
                places.low_bar,
                sign * places.low,
                {name: None if price is None else sign * price for name, price in places.prices.items()},
                places.safest,
                places.averages,
                None if places.line is None else (places.line.i, places.line.j, places.line.touches),
                evidence(tape, t, places, rules) if pause else {},
                levels if direction == "long" else levels.reflected(),
                judged,
                set_aside(judged, around),
                touch(tape, self.spikes, t, setup, PLACES_WANTED.get(setup, ()), places, rules),
            )

    def awaited(self, t: int, direction: Direction) -> Awaited | None:
        """Give the bounds for bar t + 1 to complete a doji pause at a place as of t, for that side."""
        with localcontext(prec=DIGITS):
            found = awaited(self.sides[direction], t, self.rules)
        return found if found is not None and any(self.places(t, direction).values()) else None

    def findings(self, setups: Collection[str] = ("doji_pause",)) -> list[Finding]:
        """Give every setup, by bar; places and levels are sought only if the rest holds."""
        holding = [
            (t, direction, setup)
            for direction in DIRECTIONS
            for setup in setups
            for t in self._holding(direction, setup)
        ]
        judged = (self.judge(*each) for each in sorted(holding, key=itemgetter(0)))
        return [finding for finding in judged if finding.qualified]

    def _holding(self, direction: Direction, setup: str) -> list[int]:
        """Give the bars at which a setup holds except for its place; they are the same under all rules."""
        tape, first = self.sides[direction], self.rules.warm_up - 1
        if (direction, setup, first) not in self._held:
            with localcontext(prec=DIGITS):
                held = [t for t in range(first, len(tape)) if SETUPS[setup].holds(tape, t)]
            self._held[direction, setup, first] = held
        return self._held[direction, setup, first]


def place_rules(tape: Tape, t: int, setup: str, base: Decimal, places: Places, rules: Rules) -> dict[str, Measured]:
    """Say whether a setup has a place that it needs, and is still near it."""
    if setup not in PLACES_WANTED:
        return {}
    held = sum(places.prices[name] is not None for name in PLACES_WANTED[setup])
    read = {"place": Measured(Decimal(held), held > 0)}
    if rules.place_quality == "strict":
        read["reach"] = Measured(reach(tape, t, base, places), within_reach(tape, t, base, places))
    return read


def read(bars: Sequence[Bar], changes: dict[str, object] | None = None) -> list[Finding]:
    """Find every doji pause in a series; ``changes`` override the default rules by name."""
    return Reading(bars, changes).findings()


def judge(bars: Sequence[Bar], t: int, direction: Direction, changes: dict[str, object] | None = None) -> Finding:
    """Judge one bar of a series in one direction; for many bars keep a ``Reading``."""
    return Reading(bars, changes).judge(t, direction)
