"""What tests of following share: engines whose follower notes the setups that it was given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from scanner.follow.follower import Follower, Found
from tests.laws import all_setups, engine

if TYPE_CHECKING:
    from collections.abc import Sequence

    from scanner.analysis.rules import Rules
    from scanner.engine import SeriesEngine
    from scanner.follow.outcome import Outcome
    from scanner.market.bars import Bars


@dataclass(frozen=True, slots=True)
class Noted:
    """The setups at bar ``t`` since the first, and the sides on which some stand."""

    t: int
    found: tuple[Found, ...]
    sides: frozenset[int]


class NotingFollower(Follower):
    """A follower that notes what it was given."""

    def __init__(self, watcher: SeriesEngine) -> None:
        super().__init__(watcher.series, watcher.instrument, watcher.rulebook)
        self.noted: list[Noted] = []
        self._of = watcher.series

    def stand(self, index: int, found: Sequence[Found], sides: Sequence[int]) -> None:
        """Note it, and go on."""
        self.noted.append(Noted(index - self._of.used + self._of.count, tuple(found), frozenset(sides)))
        super().stand(index, found, sides)


def followed(bars: Bars, rules: Rules, step: str) -> tuple[list[Noted], list[Outcome]]:
    """Run bars through a new engine that looks for every setup; gives what stood and what came of it."""
    watcher = engine(step, all_setups(rules))
    follower = watcher.follower = NotingFollower(watcher)
    watcher.push(bars)
    return follower.noted, watcher.outcomes(under_way=True)
