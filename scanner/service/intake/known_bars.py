"""The last stored bars of instruments, with which their answers are compared."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from scanner.market.bars import Bars

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scanner.store import SeriesKey
    from scanner.store.bars import BarLog

READ_TOGETHER = 128
"""Series that are read together, and most bars of each."""


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

    def around(self, name: str, opened: int, count: int) -> Bars:
        """Give the last bars of an instrument, at least as far back as one that ``opened`` then.

        There are probably not more than ``count`` from that one on.
        """
        if name not in self._recent and count <= READ_TOGETHER:
            at = self._names.index(name)
            each_bars = self._log.load(map(self._base, self._names[at : at + READ_TOGETHER]), count)
            # Copies, so that the few bars kept do not hold the others in memory.
            self._recent |= {each.key.instrument: Bars(*map(np.copy, each.bars.columns())) for each in each_bars}
        found = self._recent[name] if name in self._recent else self._alone(name, count)
        return self._alone(name, None) if len(found) and opened < found.open_time[0] else found

    def _alone(self, name: str, count: int | None) -> Bars:
        (stored,) = self._log.load([self._base(name)], count)
        return stored.bars
