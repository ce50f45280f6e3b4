"""Shared by tests of following: engines whose follower records the setups that it gets and the news that it gives."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from scanner.analysis.pool import MANY
from scanner.events import KINDS
from scanner.follow.follower import Follower
from tests.laws import all_setups, engine

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from scanner.analysis.rules import Rules
    from scanner.engine.series_engine import SeriesEngine
    from scanner.follow.found import Found
    from scanner.follow.news import News
    from scanner.follow.outcome import Outcome
    from scanner.follow.stories import Sides
    from scanner.market.bars import Bars
    from scanner.trade.following import Follow
    from scanner.trade.rulebook import Rulebook


@dataclass(frozen=True, slots=True)
class Noted:
    """The setups at bar ``t`` since the first, with their records, and the sides with setups."""

    t: int
    found: tuple[tuple[Found, Any], ...]
    sides: frozenset[int]


class NotingFollower(Follower):
    """A follower that records what it gets and the news that it gives."""

    def __init__(self, watcher: SeriesEngine) -> None:
        super().__init__(watcher.series, watcher.instrument, watcher.rulebook, watcher.timetable)
        self.noted: list[Noted] = []
        self._begun: list[tuple[Found, Any]] = []
        self.told: list[News] = []
        self._of = watcher.series

    def begin(self, found: Sequence[Found], records: NDArray[Any]) -> None:
        """Record the setups."""
        self._begun += zip(found, records.copy(), strict=True)
        super().begin(found, records)

    def marks(self, stop: int, standing: Sides = ()) -> NDArray[np.uint8]:
        """Record the sides with setups."""
        for index in sorted({index for index, _ in standing}):
            t = index - self._of.used + self._of.count
            here = tuple((each, record) for each, record in self._begun if record["begun"] == t)
            self.noted.append(Noted(t, here, frozenset(sign for at, sign in standing if at == index)))
        return super().marks(stop, standing)

    def tell(self) -> list[tuple[int, int, News]]:
        """Record the news."""
        told = super().tell()
        self.told += [news for *_, news in told]
        return told

    def break_off(self, index: int, reason: str) -> list[News]:
        """Break off, and record the ends."""
        told = super().break_off(index, reason)
        self.told += [news for news in told if news.kind == "setup.broken_off"]
        return told

    def ended(self) -> list[Outcome]:
        """Give the outcomes of the stories that have ended."""
        return ended(self.told)

    def outcomes(self) -> list[Outcome]:
        """Give the outcomes of all setups."""
        return self.ended() + self.under_way()


def ended(told: Sequence[News]) -> list[Outcome]:
    """Give the outcomes of the stories whose end is in the news."""
    return [news.now for news in told if KINDS[news.kind].ends]


def noting(rulebook: Rulebook, step: str = "0.01", room: int = MANY) -> tuple[SeriesEngine, NotingFollower]:
    """Make an engine with such a follower from the beginning."""
    watcher = engine(step, rulebook, room)
    follower = watcher.follower = NotingFollower(watcher)
    return watcher, follower


def followed(bars: Bars, rules: Rules, step: str, choices: Follow) -> NotingFollower:
    """Push bars through a new engine that looks for every setup."""
    watcher, follower = noting(replace(all_setups(rules), follow=choices), step)
    watcher.push(bars)
    return follower
