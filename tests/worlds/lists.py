"""The lists of a world: what its station watches, by which rules, and how that changes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scanner.settings import Settings, from_document

if TYPE_CHECKING:
    from random import Random

RULES: dict[str, Any] = {
    "place_quality": "plain",
    "warm_up": 50,
    "fast_average": 10,
    "slow_average": 30,
    "macd_fast": 5,
    "macd_slow": 12,
    "macd_signal": 4,
    "volatility_length": 30,
    "place_span": 60,
    "obstacle_span": 80,
    "turn_window": 30,
    "plain_turn_window": 20,
}
"""Short lengths, so that a few hundred bars are a long history."""
VARIANTS: tuple[dict[str, Any], ...] = ({}, {"fast_average": 8}, {"stop_margin": 0.15})
COARSER = ("2m", "3m")
SETUPS = ("doji_pause", "engulfing", "hammer", "false_break", "inside_bar", "three_bar_pullback")
STALE_AFTER = 3
"""Bars after which a setup is no news any more."""


@dataclass(frozen=True, slots=True)
class Listed:
    """A list of instruments, all with one coarser timeframe, and which of the rules they go by."""

    names: tuple[str, ...]
    coarser: str = COARSER[0]
    variant: int = 0

    def settings(self) -> Settings:
        """Give the settings of a station that watches this list."""
        return _settings(self)

    def other(self, names: tuple[str, ...], chance: Random) -> Listed:
        """Change one thing: which of all instruments are listed, the timeframe, or the rules."""
        which = chance.randrange(4)
        if which < 2:
            return Listed(tuple(chance.sample(names, chance.randint(1, len(names)))), self.coarser, self.variant)
        if which == 2:
            return Listed(self.names, chance.choice(COARSER), self.variant)
        return Listed(self.names, self.coarser, chance.randrange(len(VARIANTS)))

    def changed(self, other: Listed) -> list[str]:
        """Name those of another list that are not judged as they are by this one."""
        same = (self.coarser, self.variant) == (other.coarser, other.variant)
        return [name for name in other.names if not same or name not in self.names]


@lru_cache(None)
def _settings(listed: Listed) -> Settings:
    sinks = {name: {"type": "jsonl", "path": f"{name}.jsonl"} for name in ("screen", "letters")}
    document = {
        "station": {"name": "loft", "stale_after": STALE_AFTER},
        "feeds": {"exchange": {"type": "folder", "path": "."}},
        "sinks": sinks,
        "defaults": {
            "feed": "exchange",
            "calendar": "24/7",
            "base": "1m",
            "timeframes": ["1m", listed.coarser],
            "step": "0.01",
        },
        "instruments": {name: {} for name in listed.names},
        "rules": RULES | VARIANTS[listed.variant],
        "surroundings": {"require": []},
        "setups": {name: {} for name in SETUPS},
    }
    return from_document(document, Path(), {})
