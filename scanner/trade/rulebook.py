"""The rulebook: all rules for a series."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from scanner.analysis.door.known_setups import by_default
from scanner.analysis.door.setup import Chosen  # noqa: TC001 - the dataclass reads its own annotations
from scanner.analysis.pool import MANY, Pool, windows
from scanner.analysis.rules import Rules
from scanner.trade.following import Follow
from scanner.trade.surroundings import Surroundings

if TYPE_CHECKING:
    from scanner.market.sessions.timetables import Timetable


@dataclass(frozen=True)
class Rulebook:
    """The common rules, the setups to look for, their required surroundings, and how they are followed."""

    rules: Rules = field(default_factory=Rules)
    setups: tuple[Chosen, ...] = field(default_factory=by_default)
    surroundings: Surroundings = field(default_factory=Surroundings)
    follow: Follow = field(default_factory=Follow)

    @property
    def history(self) -> int:
        """The number of closed bars needed before the next one."""
        return windows(self.rules, self.setups, self.surroundings.liquid_bars)[1]

    def pool(self, timetable: Timetable, room: int = MANY) -> Pool:
        """Make a pool of series under these rules; ``room`` as there."""
        return Pool(self.rules, self.setups, timetable, room, self.surroundings.liquid_bars)

    @cached_property  # since thousands of instruments share a rulebook
    def told(self) -> str:
        """A text that differs for rulebooks that find or follow setups differently; the same in every run."""
        setups = [(chosen.setup.name, chosen.numbers) for chosen in self.setups]
        return repr((self.rules, setups, self.surroundings, self.follow))
