"""What a planted case is: how three bars are bent, and what must then be found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from demo_feed.rule_check import CLOSE, HIGH, LOW, OPEN

if TYPE_CHECKING:
    from collections.abc import Callable

    from demo_feed.place_check import Places, Plan
    from demo_feed.rule_check import Ints, Threes, Verdicts
    from demo_feed.sketches import Draw, Sketch

    Bend = Callable[[Sketch, Draw], Sketch]
    Trim = Callable[[Threes], Threes]

Where = Literal["anywhere", "opening a session", "closing a session"]
Volume = Literal["with or without", "with volume", "without volume"]
After = Literal["", "gapped away", "gapped beyond the stop", "entry and stop in one bar", "average entry"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the check found for one three."""

    three: Threes
    verdicts: Verdicts
    places: Places
    plan: Plan
    evidence: dict[str, bool | None]

    @property
    def prices(self) -> Ints:
        """Give the bars A, D and B by open, high, low and close."""
        bars: Ints = self.three.prices[0]
        return bars

    @property
    def points(self) -> int:
        """Count the evidence that speaks for the setup."""
        return sum(bool(holds) for holds in self.evidence.values())

    def body(self, bar: int) -> int:
        """Give a bar's signed body."""
        return int(self.prices[bar, CLOSE] - self.prices[bar, OPEN])

    def span(self, bar: int) -> int:
        """Give a bar's range."""
        return int(self.prices[bar, HIGH] - self.prices[bar, LOW])


def _as_it_is(sketch: Sketch, _draw: Draw) -> Sketch:
    return sketch


def _any(_outcome: Outcome) -> bool:
    return True


def _untrimmed(threes: Threes) -> Threes:
    return threes


@dataclass(frozen=True, slots=True)
class Case:
    """One case: how the sketch is bent, and what must then hold.

    ``misses`` is the one rule that a decoy misses. A ``rare`` case finds its moment only in a long record.
    """

    name: str
    says: str
    bend: Bend = _as_it_is
    wanted: Callable[[Outcome], bool] = _any
    misses: str = ""
    trim: Trim = _untrimmed
    where: Where = "anywhere"
    after: After = ""
    beyond_b: bool = False
    volume: Volume = "with or without"
    rare: bool = False


def only(*names: str) -> Callable[[Outcome], bool]:
    """Ask for these places and no other."""
    return lambda outcome: outcome.places.names == names
