"""How long to wait after a failure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

LONGEST_ASKED = 86_400.0
"""Longest wait, in seconds, that the other side may ask for."""


@dataclass(frozen=True, slots=True)
class Pauses:
    """Pauses that double from ``first`` up to ``longest`` seconds, each shortened at random to spread the load.

    ``random`` gives numbers from 0 up to 1.
    """

    random: Callable[[], float]
    first: float = 1.0
    longest: float = 300.0

    def after(self, failures: int) -> float:
        """Give the seconds to wait after some failures in a row, at least one: half of the full pause or more."""
        full = min(self.longest, self.first * 2.0 ** min(failures - 1, 60))
        return full * (1 + self.random()) / 2

    def asked(self, failures: int, seconds: float | None) -> float:
        """Give the seconds to wait; never less than the other side asked for."""
        return max(self.after(failures), min(seconds or 0.0, LONGEST_ASKED))
