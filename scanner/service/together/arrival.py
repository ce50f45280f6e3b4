"""What a feed gave for an instrument."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from scanner.market.bars import RawBars

ASKED_AFTERWARDS = np.iinfo(np.int64).max
"""For rows that were all complete when they were asked for."""


class Arrival(NamedTuple):
    """Rows that a feed gave for an instrument of the list.

    ``asked`` is when it was asked: a bar that was open then was not complete, even if it has closed since. ``since``
    is the opening from which on it was asked, None if it was asked for all it has. If ``raw`` is a table shared by
    several instruments, ``shared`` says which of its rows belong to this one.
    """

    instrument: str
    raw: RawBars
    asked: int = ASKED_AFTERWARDS
    since: int | None = None
    shared: slice | None = None

    @property
    def part(self) -> slice:
        """Which rows of the table belong to the instrument."""
        return slice(0, len(self.raw)) if self.shared is None else self.shared

    @property
    def rows(self) -> RawBars:
        """The rows of the instrument."""
        return self.raw if self.shared is None else self.raw[self.shared]
