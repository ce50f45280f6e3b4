"""The last stored bars of instruments, with which their answers are compared."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import Bars

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.store import SeriesKey
    from scanner.store.bars import BarLog

RECENT = 64
"""Stored bars of a series that are read to see whether one was restated, unless the answer goes further back."""
READ_TOGETHER = 128


class KnownBars:
    """Gives the stored bars of the instruments of one call, as they were before it.

    The store unpacks the bars of many series to read one, and if answers overlap, all series are read anyway: so those
    of the instruments that come next in ``names`` are read as well. ``base`` gives the series of an instrument.
    """

    def __init__(self, log: BarLog, names: Sequence[str], base: Callable[[str], SeriesKey]) -> None:
        self._log = log
        self._names = names
        self._base = base
        self._recent: dict[str, Bars] = {}

    def around(self, name: str, opened: int) -> Bars:
        """Give the last bars of an instrument, at least as far back as one that ``opened`` then."""
        if name not in self._recent:
            at = self._names.index(name)
            found = self._log.load(map(self._base, self._names[at : at + READ_TOGETHER]), RECENT)
            # Copies, so that the few bars kept do not hold the others in memory.
            self._recent |= {each.key.instrument: Bars(*map(np.copy, each.bars.columns())) for each in found}
        recent = self._recent[name]
        if len(recent) and opened < recent.open_time[0]:
            (stored,) = self._log.load([self._base(name)])
            return stored.bars
        return recent
