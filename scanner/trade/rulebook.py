"""The rulebook: all rules for a series."""

from __future__ import annotations

from dataclasses import dataclass, field

from scanner.analysis.door.known_setups import by_default
from scanner.analysis.door.setup import Chosen  # noqa: TC001 - the dataclass reads its own annotations
from scanner.analysis.pool import windows
from scanner.analysis.rules import Rules
from scanner.trade.following import Follow
from scanner.trade.surroundings import Surroundings


@dataclass(frozen=True, slots=True)
class Rulebook:
    """The common rules, the setups to look for, their required surroundings, and how they are followed."""

    rules: Rules = field(default_factory=Rules)
    setups: tuple[Chosen, ...] = field(default_factory=by_default)
    surroundings: Surroundings = field(default_factory=Surroundings)
    follow: Follow = field(default_factory=Follow)
    _told: str = field(default="", init=False, repr=False, compare=False)

    @property
    def history(self) -> int:
        """The number of closed bars needed before the next one."""
        return windows(self.rules, self.setups)[1]

    @property
    def told(self) -> str:
        """A text that differs for rulebooks that find or follow setups differently; the same in every run."""
        if not self._told:  # once, since thousands of instruments share a rulebook
            setups = [(chosen.setup.name, chosen.numbers) for chosen in self.setups]
            object.__setattr__(self, "_told", repr((self.rules, setups, self.surroundings, self.follow)))
        return self._told
