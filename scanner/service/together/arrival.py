"""What a feed gave for an instrument."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from scanner.market.bars import RawBars

ASKED_AFTERWARDS = np.iinfo(np.int64).max
"""Of rows that were all known whole when they were asked for."""


class Arrival(NamedTuple):
    """Rows that a feed gave for an instrument of the list.

    ``asked`` is when it was asked: a bar that was open then was not known whole, even if it has closed since. ``since``
    is the opening from which on it was asked, None where it was asked for all it has. Where ``raw`` is a table that
    others share, ``shared`` says which of its rows are those of the instrument.
    """

    instrument: str
    raw: RawBars
    asked: int = ASKED_AFTERWARDS
    since: int | None = None
    shared: slice | None = None

    @property
    def part(self) -> slice:
        """Which rows of the table are those of the instrument."""
        return slice(0, len(self.raw)) if self.shared is None else self.shared

    @property
    def rows(self) -> RawBars:
        """The rows of the instrument."""
        return self.raw if self.shared is None else self.raw[self.shared]
